"""Reads one table of a venue file by its schema: values, units, defaults.

Private to the reader. Nothing is raised here: problems and defaults are
collected in a `Log`, so that one reading lists them all.
"""

from __future__ import annotations

import difflib
import json
import unicodedata
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fillalign._check import range_text
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.venue_schema import FEET, REQUIRED, SLIPS, Key, Table

_SIZES = {"pair": (2, "two values"), "point": (3, "three values, x, y and z")}


@dataclass
class Row:
    """One table as read: place in the file, name, good values, and all keys given."""

    where: str
    name: str
    values: dict[str, Any] = field(default_factory=dict)
    given: set[str] = field(default_factory=set)


@dataclass
class Log:
    """What a reading found: problems in order, and the defaults it used.

    `broken` holds the families whose names cannot all be trusted, so that one
    slip is not reported again wherever the name is used.
    """

    problems: list[tuple[str, str]] = field(default_factory=list)
    broken: set[str] = field(default_factory=set)
    _defaults: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    def problem(self, where: str, key: str, message: str) -> None:
        """Add a problem of a key, or of the table where the key is empty."""
        self.problems.append((f"{where} {key}".strip(), message))

    def default(self, family: str, text: str, member: str = "") -> None:
        """Add a default; the same one in several tables becomes one line."""
        self._defaults.setdefault((family, text), []).append(member)

    def defaults(self) -> tuple[str, ...]:
        """Every default used, one line each, with the tables it was used in."""
        return tuple(
            f"{family} {text}" + (f" ({', '.join(members)})" if any(members) else "")
            for (family, text), members in self._defaults.items()
        )


def shown(value: object) -> str:
    """Return a value from a file in a short, printable form."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of more than 60 digits"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        inner = ", ".join(shown(item) for item in value[:4])
        return f"[{inner}{', ...' if len(value) > 4 else ''}]"
    if isinstance(value, int):
        return str(value)
    text = ascii(value) if isinstance(value, str) and not value.isprintable() else str(value)
    text = text if len(text) <= 60 else f"{text[:57]}..."
    return f"'{text.strip(chr(39))}'" if isinstance(value, str) else text


def label(name: str) -> str:
    """Return a table's name as TOML writes it, shortened."""
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare and len(name) <= 60 else json.dumps(shown(name)[1:-1], ensure_ascii=False)


def is_text(value: object) -> bool:
    """Whether `value` can be a name: 1 to 80 characters and none that controls."""
    return (
        isinstance(value, str)
        and 0 < len(value.strip()) <= len(value) <= 80
        and not any(unicodedata.category(mark) in {"Cc", "Zl", "Zp"} for mark in value)
    )


def _allowed(key: Key, factor: float = 1.0, unit: str = "") -> str:
    if key.kind == "text":
        return "text of 1 to 80 characters without control characters"
    if key.kind == "choice":
        return f"one of {', '.join(key.choices)}"
    if key.kind == "table":
        return "a table"
    low, high = (round(limit / factor, 3) for limit in (key.low, key.high))
    whole = "a whole number " if key.kind == "integer" else ""
    word = f" or '{key.word}'" if key.word else ""
    return f"{whole}{range_text(low, high, unit or key.unit)}{word}"


def _one(key: Key, raw: object, factor: float = 1.0, unit: str = "") -> Any:
    """Return one value of a key in our units, or raise ValueError saying what it must be."""
    number = isinstance(raw, int if key.kind == "integer" else int | float)
    hint = ""
    if key.kind == "text":
        good = is_text(raw)
    elif key.kind == "choice":
        good = isinstance(raw, str) and raw in key.choices
    elif key.kind == "table":
        good = isinstance(raw, dict)
    elif key.word and raw == key.word:
        return None
    elif number and not isinstance(raw, bool):
        low, high = key.low / factor, key.high / factor
        good = bool(low <= raw <= high)  # type: ignore[operator]
        slips = SLIPS.get(key.unit, ()) if factor == 1.0 else ()
        hint = next((f", which {text}" for a, b, text in slips if a < raw < b), "")  # type: ignore[operator]
        # A humidity below 1 % is within the range, yet no air at a venue is so dry.
        good = good and not (hint and key.unit == "%")
        if good:
            return raw if key.kind == "integer" else float(raw) * factor  # type: ignore[arg-type]
    else:
        good = False
    if good:
        return raw
    raise ValueError(f"must be {_allowed(key, factor, unit)}, got {shown(raw)}{hint}")


def _octaves(key: Key, raw: object) -> dict[int, float]:
    if not isinstance(raw, dict) or not raw:
        raise ValueError(
            f"must be a table of octaves in Hz, each {_allowed(key)}, got {shown(raw)}"
        )
    values: dict[int, float] = {}
    wrong = []
    known = {str(octave): octave for octave in OCTAVES_NOMINAL}
    for band, value in raw.items():
        if band not in known:
            wrong.append(f"{shown(band)} is no octave: use {', '.join(known)}")
            continue
        try:
            values[known[band]] = _one(key, value)
        except ValueError as error:
            wrong.append(f"{band} Hz {error}")
    if wrong:
        raise ValueError("; ".join(wrong))
    return dict(sorted(values.items()))


def _value(key: Key, raw: object, factor: float, unit: str) -> Any:
    """Return a whole value, checked for its shape, or raise ValueError."""
    if key.shape == "one" or (key.shape == "splay" and not isinstance(raw, list)):
        return _one(key, raw, factor, unit)
    if key.shape == "octaves":
        return _octaves(key, raw)
    size, words = _SIZES.get(key.shape, (0, "a list of one or more values"))
    if not isinstance(raw, list) or not raw or (size and len(raw) != size):
        raise ValueError(
            f"must be {words}, each {_allowed(key, factor, unit)}, got {shown(raw)}"
        )
    values, wrong = [], []
    for number, item in enumerate(raw, 1):
        try:
            values.append(_one(key, item, factor, unit))
        except ValueError as error:
            wrong.append(f"value {number} {error}")
    if wrong:
        raise ValueError("; ".join(wrong))
    return tuple(values)


def fill_octaves(given: dict[int, float]) -> dict[int, float]:
    """Return all octaves: between those given by interpolation, beyond them held."""
    filled = np.interp(np.log2(OCTAVES_NOMINAL), np.log2(list(given)), list(given.values()))
    return {octave: float(value) for octave, value in zip(OCTAVES_NOMINAL, filled, strict=True)}


def nearest(word: str, known: list[str]) -> str:
    """Return a hint: the known word nearest to `word`, or all of them."""
    plain = {name.lower(): name for name in known}
    near = difflib.get_close_matches(word.lower(), plain, n=1, cutoff=0.6)
    return f"did you mean {plain[near[0]]}?" if near else f"known: {', '.join(known[:30])}"


def _spellings(table: Table) -> dict[str, tuple[str, float, str]]:
    """Map every accepted spelling to its key, the factor to our unit, and its unit."""
    spellings: dict[str, tuple[str, float, str]] = {}
    for name, key in table.items():
        spellings[name] = (name, 1.0, key.unit)
        if key.unit in FEET:
            suffix, other, factor, unit = FEET[key.unit]
            spellings[name.removesuffix(suffix) + other] = (name, factor, unit)
    return spellings


def _shown_default(key: Key, value: Any) -> str:
    items = value if isinstance(value, tuple) else (value,)
    words = (item if isinstance(item, str) else shown(item) for item in items)
    return f"{', '.join(words)} {key.unit}".strip()


def read_table(table: Table, raw: dict[str, Any], row: Row, family: str, log: Log) -> Row:
    """Fill `row.values` from `raw`; a bad or missing value leaves its key out."""
    spellings = _spellings(table)
    for word in raw:
        if word not in spellings:
            log.problem(row.where, label(word), f"unknown key; {nearest(word, list(spellings))}")
    row.given = {spellings[word][0] for word in raw if word in spellings}
    replaced = {
        key.instead_of
        for name, key in table.items()
        if key.instead_of and name in row.given
    }
    for name, key in table.items():
        given = [word for word, of in spellings.items() if of[0] == name and word in raw]
        if len(given) == 2:
            log.problem(row.where, name, f"give {given[0]} or {given[1]}, not both")
        elif given and name in replaced:
            other = next(word for word, each in table.items() if each.instead_of == name)
            log.problem(row.where, name, f"give {name} or {other}, not both")
        elif given:
            _read_key(key, raw, (given[0], *spellings[given[0]]), row, family, log)
            if key.needs and key.needs not in row.given:
                log.problem(row.where, given[0], f"needs {key.needs} beside it")
        elif name not in replaced and key.default is REQUIRED:
            others = [word for word, each in table.items() if each.instead_of == name]
            either = f", or give {others[0]}" if others else ""
            log.problem(row.where, name, f"is missing: it must be {_whole(key)}{either}")
        elif name not in replaced and key.default is not None:
            row.values[name] = key.default
            log.default(family, f"{name} = {_shown_default(key, key.default)}", row.name)
    return row


def _whole(key: Key) -> str:
    words = _SIZES.get(key.shape, (0, "a list of one or more values"))[1]
    return _allowed(key) if key.shape == "one" else f"{words}, each {_allowed(key)}"


def _read_key(
    key: Key,
    raw: dict[str, Any],
    spelling: tuple[str, str, float, str],
    row: Row,
    family: str,
    log: Log,
) -> None:
    word, name, factor, unit = spelling
    try:
        value = _value(key, raw[word], factor, unit)
    except ValueError as error:
        log.problem(row.where, word, str(error))
        return
    if key.shape == "octaves" and not key.sparse and len(value) < len(OCTAVES_NOMINAL):
        missing = ", ".join(str(octave) for octave in OCTAVES_NOMINAL if octave not in value)
        log.default(family, f"{name} at {missing} Hz from the octaves beside", row.name)
        value = fill_octaves(value)
    row.values[name] = value
