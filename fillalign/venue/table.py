"""Reads one table of a venue file by its schema: values, units, defaults.

Private to the reader. Nothing is raised here: problems and defaults are
collected in a `Log`, so that one reading lists them all.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fillalign._validate import range_text, slip_text
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.venue.schema import FEET, REQUIRED, Key, Table

_SIZES = {"pair": (2, "two values"), "point": (3, "three values, x, y and z")}
_LIST = (0, "a list of one or more values")
# Control characters, line and paragraph separators; marks that turn the writing direction.
_CONTROLS = {"Cc", "Zl", "Zp"}
_TURNS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


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

    def must(self, row: Row, key: str, allowed: str, got: object) -> None:
        """Add a value that is not what it must be."""
        self.problem(row.where, key, f"must be {allowed}, got {shown(got)}")

    def default(self, family: str, text: str, member: str = "") -> None:
        """Add a default; the same one in several tables becomes one line."""
        self._defaults.setdefault((family, text), []).append(member)

    def defaults(self) -> tuple[str, ...]:
        """Every default used, one line each, with the tables it was used in."""
        return tuple(
            f"{family} {text}" + (f" ({', '.join(members)})" if any(members) else "")
            for (family, text), members in self._defaults.items()
        )


def _printable(text: str) -> str:
    text = text if text.isprintable() else text.encode("unicode_escape").decode()
    return text if len(text) <= 60 else f"{text[:57]}..."


def shown(value: object) -> str:
    """Return a value from a file in a short, printable form."""
    if isinstance(value, str):
        return f"'{_printable(value)}'"
    if isinstance(value, list | tuple):
        inner = ", ".join(shown(item) for item in value[:4])
        return f"[{inner}{', ...' if len(value) > 4 else ''}]"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of more than 60 digits"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def label(name: str) -> str:
    """Return a table's name as TOML writes it, shortened."""
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare and len(name) <= 60 else f'"{_printable(name)}"'


def is_text(value: object) -> bool:
    """Whether `value` can be a name: 1 to 80 characters and none that controls."""
    return (
        isinstance(value, str)
        and 0 < len(value.strip()) <= len(value) <= 80
        and not any(
            unicodedata.category(mark) in _CONTROLS or unicodedata.bidirectional(mark) in _TURNS
            for mark in value
        )
    )


def nearest(word: str, known: list[str], listed: list[str] | None = None) -> str:
    """Return a hint: the known word nearest to `word`, or all those listed."""
    import difflib

    plain = {name.lower(): name for name in known}
    near = difflib.get_close_matches(word.lower(), plain, n=1, cutoff=0.6)
    if near:
        return f"did you mean {plain[near[0]]}?"
    return f"known: {', '.join((listed or known)[:30])}"


def allowed(key: Key, factor: float = 1.0, unit: str = "", *, whole: bool = False) -> str:
    """Return in words what a key takes: one of its values, or the whole of them."""
    if whole and key.shape in ("pair", "point", "list", "tables"):
        return f"{_SIZES.get(key.shape, _LIST)[1]}, each {allowed(key, factor, unit)}"
    if whole and key.shape == "octaves":
        return f"a table of octaves in Hz, each {allowed(key)}"
    if key.kind == "text":
        return "text of 1 to 80 characters without control characters"
    if key.kind == "choice":
        return f"one of {', '.join(key.choices)}"
    if key.kind == "table":
        return "a table"
    limits = (key.low, key.high)
    low, high = limits if factor == 1.0 else (round(limit / factor, 2) for limit in limits)
    number = "a whole number " if key.kind == "integer" else ""
    word = f" or '{key.word}'" if key.word else ""
    return f"{number}{range_text(low, high, unit or key.unit)}{word}"


def _number(key: Key, raw: object, factor: float) -> tuple[float | None, str]:
    """Return a number in our unit, or None and a hint at what it looks like."""
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        return None, ""
    hint = slip_text(raw, key.unit)
    # A humidity below 1 % is within the range, yet no air at a venue is so dry.
    good = key.low / factor <= raw <= key.high / factor and not (hint and key.unit == "%")
    if not good or (key.kind == "integer" and raw != int(raw)):
        return None, hint
    return (int(raw) if key.kind == "integer" else raw * factor), ""


def _one(key: Key, raw: object, factor: float = 1.0, unit: str = "") -> Any:
    """Return one value of a key in our unit, or raise ValueError saying what it must be."""
    if key.word and raw == key.word:
        return None
    hint = ""
    if key.kind in ("number", "integer"):
        value, hint = _number(key, raw, factor)
        if value is not None:
            return value if key.kind == "integer" else float(value)
    elif {
        "text": is_text(raw),
        "choice": isinstance(raw, str) and raw in key.choices,
        "table": isinstance(raw, dict),
    }[key.kind]:
        return raw
    raise ValueError(f"must be {allowed(key, factor, unit)}, got {shown(raw)}{hint}")


def _several(key: Key, items: list[tuple[str, object]], factor: float, unit: str) -> list[Any]:
    """Return all values of a key, or raise ValueError naming every bad one."""
    values, wrong = [], []
    for place, item in items:
        try:
            values.append(_one(key, item, factor, unit))
        except ValueError as error:
            wrong.append(f"{place} {error}")
    if wrong:
        raise ValueError("; ".join(wrong))
    return values


def _octaves(key: Key, raw: dict[str, Any]) -> dict[int, float]:
    known = {str(octave): octave for octave in OCTAVES_NOMINAL}
    strange = [shown(band) for band in raw if band not in known]
    if strange:
        raise ValueError(f"has no octave {', '.join(strange)}: use {', '.join(known)}")
    values = _several(key, [(f"at {band} Hz", item) for band, item in raw.items()], 1.0, "")
    return dict(sorted(zip(map(known.__getitem__, raw), values, strict=True)))


def _value(key: Key, raw: object, factor: float, unit: str) -> Any:
    """Return a whole value, checked for its shape, or raise ValueError."""
    if key.shape == "one" or (key.shape == "splay" and not isinstance(raw, list)):
        return _one(key, raw, factor, unit)
    size = _SIZES.get(key.shape, _LIST)[0]
    form = dict if key.shape == "octaves" else list
    if not isinstance(raw, form) or not raw or (size and len(raw) != size):
        raise ValueError(f"must be {allowed(key, factor, unit, whole=True)}, got {shown(raw)}")
    if isinstance(raw, dict):
        return _octaves(key, raw)
    items = [(f"value {number}", item) for number, item in enumerate(raw, 1)]
    values = tuple(_several(key, items, factor, unit))
    if key.shape == "list" and len(set(values)) < len(values):
        raise ValueError(f"must be different values, got {shown(values)}")
    return values


def _fill_octaves(key: Key, name: str, given: dict[int, float], row: Row, log: Log) -> Any:
    """Return a value with the octaves between and beyond those given, and list them."""
    first, last = min(given), max(given)
    missing = [octave for octave in OCTAVES_NOMINAL if octave not in given]
    if key.beyond == "silent":
        beyond = [octave for octave in missing if not first < octave < last]
        missing = [octave for octave in missing if octave not in beyond]
        if beyond:
            log.default(row.where, f"{name} = none at {', '.join(map(str, beyond))} Hz")
    place = {octave: index for index, octave in enumerate(OCTAVES_NOMINAL)}
    known = [place[octave] for octave in given]
    filled = np.interp([place[octave] for octave in missing], known, list(given.values()))
    if missing:
        bands = ", ".join(map(str, missing))
        log.default(row.where, f"{name} at {bands} Hz from the octaves beside")
    new = {octave: float(value) for octave, value in zip(missing, filled, strict=True)}
    return dict(sorted({**given, **new}.items()))


def _spellings(table: Table) -> dict[str, tuple[str, float, str]]:
    """Map every accepted spelling to its key, the factor to our unit, and its unit."""
    spellings = {name: (name, 1.0, key.unit) for name, key in table.items()}
    for name, key in table.items():
        if key.unit in FEET:
            suffix, other, factor, unit = FEET[key.unit]
            spellings[name.removesuffix(suffix) + other] = (name, factor, unit)
    return spellings


def _list_default(name: str, key: Key, row: Row, family: str, log: Log) -> None:
    row.values[name] = key.default
    items = key.default if isinstance(key.default, tuple) else (key.default,)
    text = ", ".join(item if isinstance(item, str) else shown(item) for item in items)
    log.default(family, f"{name} = {text} {key.unit}".strip(), row.name)


def read_table(table: Table, raw: dict[str, Any], row: Row, family: str, log: Log) -> Row:
    """Fill `row.values` from `raw`; a bad or missing value leaves its key out."""
    spellings = _spellings(table)
    for word in raw:
        if word not in spellings:
            hint = nearest(word, list(spellings), list(table))
            log.problem(row.where, label(word), f"unknown key; {hint}")
    row.given = {spellings[word][0] for word in raw if word in spellings}
    instead = {key.instead_of: name for name, key in table.items() if key.instead_of}
    for name, key in table.items():
        words = [word for word, of in spellings.items() if of[0] == name and word in raw]
        other = instead.get(name, "")
        if words and other in row.given:
            words.append(other)
        if len(words) > 1:
            log.problem(row.where, name, f"give {words[0]} or {words[1]}, not both")
        elif words:
            _read_key(key, raw[words[0]], words[0], spellings[words[0]], row, log)
        elif other in row.given:
            continue
        elif key.default is REQUIRED:
            either = f", or give {other}" if other else ""
            log.problem(row.where, name, f"is missing: {allowed(key, whole=True)}{either}")
        elif key.default is not None:
            _list_default(name, key, row, family, log)
    return row


def _read_key(
    key: Key, raw: object, word: str, spelling: tuple[str, float, str], row: Row, log: Log
) -> None:
    name, factor, unit = spelling
    if key.needs and key.needs not in row.given:
        log.problem(row.where, word, f"needs {key.needs} beside it")
    try:
        value = _value(key, raw, factor, unit)
    except ValueError as error:
        log.problem(row.where, word, str(error))
        return
    if key.shape == "octaves" and key.beyond:
        value = _fill_octaves(key, name, value, row, log)
    row.values[name] = value
