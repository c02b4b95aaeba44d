"""Values of a venue as given: taken in our unit or refused in words, and kept in rows.

Private to the room. What each key takes stands beside its field in `fillalign.venue.keys`.
The same words refuse a value in a file and in a record; the reader puts file and table
before them, a record its name.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import MISSING, dataclass, field, fields
from numbers import Real
from types import NoneType
from typing import Annotated, Any, Literal, TypeAlias, get_args, get_origin, get_type_hints

import numpy as np

from fillalign._text import short
from fillalign._validate import range_text, slip_text

Role: TypeAlias = Literal["main", "sub", "fill"]

ROLES: Mapping[str, Role] = {"mains": "main", "subs": "sub", "fills": "fill"}
# How a file writes its tables: [one], [one.NAME] or [[one]].
SINGLE = ("venue", "room", "goals", "weather", "stage", "survey")
NAMED = ("state", "loudspeaker", "output")
ROWS = (*ROLES, "areas", "measured")
SIDES_M = ("x_from_m", "x_to_m", "width_m", "height_m")
# More values in a list than this are a slip of a script, and would only cost memory.
LONGEST = 500
# So many are told where several are wrong; more would bury the first.
VALUES_TOLD = 9

# How many values a shape has, 0 for any number, and words for it.
_SHAPES = {
    "pair": (2, "two values"),
    "point": (3, "three values, x, y and z"),
    "list": (0, "a list of one or more values"),
    "octaves": (0, "a table of octaves in Hz"),
}
_KINDS = {float: "number", int: "integer", str: "text", bool: "boolean"}
# Words for what has no number: no low cut, an output that is off.
_WORDS = {"none": None, "off": -np.inf}
# Control characters, halves of characters, line and paragraph separators; marks that turn
# the writing direction.
_CONTROLS = {"Cc", "Cs", "Zl", "Zp"}
_TURNS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


@dataclass(frozen=True, repr=False)
class Key:
    """One key of a table, and the field of the record that has its name (or the name `at`).

    It `must` be given, or else takes its `default`, which is listed, or may be left out.
    What is not told here follows from the field: these, `choices`, `kind`, which is number,
    integer, text, choice, boolean or table, and `shape`, which is one, pair, point, list,
    splay (one number or a list) or octaves (a table of one of `bands` in Hz to number).
    `also` are keys beside it that a record does not have; `hidden` are fields that a file
    does not have. `instead_of` names the key this one replaces, `needs` one it comes with.
    `word` is none or off, accepted in place of the number. In a file, octaves not given are
    held `beyond` those given, or there is silence, or with neither only those given are kept.
    """

    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    must: bool | None = None
    shape: str = "one"
    kind: str = "number"
    choices: tuple[str, ...] = ()
    bands: tuple[int, ...] = ()
    default: Any = None
    at: str = ""
    instead_of: str = ""
    needs: str = ""
    word: str = ""
    beyond: str = "held"
    hidden: bool = False
    also: Mapping[str, Key] = field(default_factory=dict)

    def __repr__(self) -> str:
        """Say what it takes, as the reference shows it beside a field."""
        return "in no file" if self.hidden else allowed(self, whole=True)


Table: TypeAlias = Mapping[str, Key]


def table_of(record: Any) -> Table:
    """Return the keys of a record's table in a file, as its fields say."""
    table: dict[str, Key] = {}
    hints, blank = get_type_hints(record, include_extras=True), Key()
    for name, default in ((item.name, item.default) for item in fields(record)):
        annotated = get_origin(hints[name]) is Annotated
        hint, key = get_args(hints[name]) if annotated else (hints[name], blank)
        if not key.hidden:
            listed = key.must is None and default not in (MISSING, None, "", (), {})
            told = {item: value for item, value in vars(key).items()
                    if value != getattr(blank, item)}
            table[name] = Key(**{"must": default is MISSING, "default": default if listed else None}
                              | _form(hint) | told)
        table |= key.also
    return table


def _form(hint: Any) -> dict[str, Any]:
    """Return kind, shape and choices of what a field of this type holds."""
    origin, inner = get_origin(hint), [one for one in get_args(hint) if one is not NoneType]
    if origin is Literal:
        return {"kind": "choice", "choices": tuple(filter(None, inner))}
    if origin is tuple:
        shape = "list" if inner[-1] is ... else "pair" if len(inner) == 2 else "point"
        return _form(inner[0]) | {"shape": shape}
    if origin is Mapping:
        return {"shape": "octaves"} if inner[0] is int else {"kind": "table"}
    return _form(inner[0]) if inner else {"kind": _KINDS[hint]}


# --- words -------------------------------------------------------------------------------


def _printable(text: str) -> str:
    text = text if text.isprintable() else text.encode("unicode_escape").decode()
    return text if len(text) <= 60 else f"{text[:57]}..."


def shown(value: object) -> str:
    """Return a value in a short, printable form."""
    if isinstance(value, str):
        return f"'{_printable(value)}'"
    if isinstance(value, list | tuple):
        inner = ", ".join(shown(item) for item in value[:4])
        return f"[{inner}{', ...' if len(value) > 4 else ''}]"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of more than 60 digits"
    return f"{value:.10g}" if isinstance(value, float) else short(str(value))


def must(words: str, got: object) -> str:
    """Return what is wrong with a value that is not what it must be."""
    return f"must be {words}, got {shown(got)}"


def label(name: str) -> str:
    """Return a table's name as TOML writes it, shortened."""
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare and len(name) <= 60 else f'"{_printable(name)}"'


def nearest(word: str, known: Iterable[str], listed: Iterable[str] = ()) -> str:
    """Return a hint: the known word nearest to `word`, or all those listed."""
    import difflib

    plain = {name.lower(): name for name in known}
    near = difflib.get_close_matches(word.lower(), plain, n=1, cutoff=0.6)
    if near:
        return f"did you mean {plain[near[0]]}?"
    words = list(listed) or list(plain.values())
    return f"known: {', '.join(words[:30])}" if words else "there are none"


def allowed(key: Key, *, whole: bool = False) -> str:
    """Return in words what a key takes: one of its values, or the whole of them."""
    if whole and key.shape in _SHAPES:
        return f"{_SHAPES[key.shape][1]}, each {allowed(key)}"
    words = {"text": "text of 1 to 80 characters without control characters",
             "choice": f"one of {', '.join(key.choices)}",
             "table": "a table", "boolean": "true or false"}
    if key.kind in words:
        return words[key.kind]
    number = "a whole number " if key.kind == "integer" else ""
    word = f" or '{key.word}'" if key.word else ""
    return f"{number}{range_text(key.low, key.high, key.unit)}{word}"


# --- values ------------------------------------------------------------------------------


def is_text(value: object) -> bool:
    """Whether `value` can be a name: 1 to 80 characters and none that controls."""
    return isinstance(value, str) and 0 < len(value.strip()) <= len(value) <= 80 and not any(
        unicodedata.category(mark) in _CONTROLS or unicodedata.bidirectional(mark) in _TURNS
        for mark in value)


def _one(key: Key, raw: Any) -> Any:
    """Return one value of a key, or raise an error saying what it must be."""
    if key.word and (raw == key.word or raw == _WORDS[key.word]):
        return _WORDS[key.word]
    hint, kind_fits = "", isinstance(raw, str)
    if key.kind in ("number", "integer"):
        kind_fits = isinstance(raw, Real) and not isinstance(raw, bool)
        hint = slip_text(raw, key.unit) if kind_fits else ""
        # A humidity below 1 % is within the range, yet no air at a venue is so dry.
        if (kind_fits and key.low <= raw <= key.high and not (hint and key.unit == "%")
                and (key.kind == "number" or raw == int(raw))):
            return int(raw) if key.kind == "integer" else float(raw)
    elif ((key.kind == "text" and is_text(raw)) or (kind_fits and raw in key.choices)
          or (key.kind == "table" and isinstance(raw, Mapping))
          or (key.kind == "boolean" and isinstance(raw, bool))):
        return raw
    wrong = ValueError if kind_fits else TypeError
    raise wrong(f"{must(allowed(key), raw)}{hint}")


def _several(key: Key, items: Iterable[tuple[str, Any]]) -> list[Any]:
    """Return all values of a key, or raise one error that tells the first bad ones."""
    values, wrong = [], []
    for place, item in items:
        try:
            values.append(_one(key, item))
        except (TypeError, ValueError) as error:
            wrong.append(type(error)(f"{place} {error}"))
    if wrong:
        more = f"; and {len(wrong) - VALUES_TOLD} more" if len(wrong) > VALUES_TOLD else ""
        raise type(wrong[0])("; ".join(map(str, wrong[:VALUES_TOLD])) + more)
    return values


def _octaves(key: Key, raw: Mapping[Any, Any]) -> dict[int, float]:
    octaves = {band: octave for octave in key.bands for band in (octave, str(octave))}
    strange = [shown(band) for band in raw if band not in octaves]
    if strange:
        bands = ", ".join([*strange[:VALUES_TOLD], *(["..."] if strange[VALUES_TOLD:] else [])])
        raise ValueError(f"has no octave {bands}: use {', '.join(map(str, key.bands))}")
    values = _several(key, ((f"at {band} Hz", item) for band, item in raw.items()))
    return dict(sorted(zip(map(octaves.__getitem__, raw), values, strict=True)))


def take(key: Key, raw: Any) -> Any:
    """Return a whole value of a key, of plain kinds, or raise one error.

    Parameters
    ----------
    key : Key
        What it must be.
    raw : object
        The value as given: from a file, or from a script, where arrays do for lists
        and numpy's numbers for numbers.

    Raises
    ------
    TypeError, ValueError
        With what it must be and what it is, but not whose value it is.
    """
    raw = raw.tolist() if isinstance(raw, np.ndarray) else raw
    if key.shape == "one" or (key.shape == "splay" and not isinstance(raw, list | tuple)):
        return _one(key, raw)
    kind_fits = isinstance(raw, Mapping if key.shape == "octaves" else list | tuple)
    if not kind_fits or not raw or _SHAPES.get(key.shape, (0,))[0] not in (0, len(raw)):
        wrong = ValueError if kind_fits else TypeError
        raise wrong(must(allowed(key, whole=True), raw))
    if key.shape == "octaves":
        return _octaves(key, raw)
    if len(raw) > LONGEST:
        raise ValueError(f"must be at most {LONGEST} values, got {len(raw)}")
    values = tuple(_several(key, ((f"value {n}", item) for n, item in enumerate(raw, 1))))
    if key.shape == "list" and key.kind != "table" and len(set(values)) < len(values):
        raise ValueError(must("different values", values))
    return values


# --- rows --------------------------------------------------------------------------------


class Fixed(dict[Any, Any]):
    """A mapping in a record: a dict that nobody can change.

    Examples
    --------
    >>> levels = Fixed({63: 80.0})
    >>> levels[63], levels == {63: 80.0}, hash(levels) == hash(Fixed({63: 80.0}))
    (80.0, True, True)
    >>> levels[63] = 90.0
    Traceback (most recent call last):
    TypeError: what a record holds cannot be changed: make another with dataclasses.replace
    """

    def _refuse(self, *_: object, **__: object) -> Any:
        raise TypeError(
            "what a record holds cannot be changed: make another with dataclasses.replace"
        )

    __setitem__ = __delitem__ = __ior__ = _refuse
    update = setdefault = pop = popitem = clear = _refuse

    def __hash__(self) -> int:  # type: ignore[override]
        """Return the same for the same items in any order."""
        return hash(frozenset(self.items()))

    def __reduce__(self) -> tuple[type, tuple[dict[Any, Any]]]:
        """Copy and pickle by way of a dict."""
        return Fixed, (dict(self),)


class Row(dict[str, Any]):
    """The good values of one record or table by key, and what else the rules must know.

    `where` is its place or name for a message and `given` holds the keys that are
    given, good or not: a condition that asks for one that is not good meets a KeyError
    and is not judged, since the value has been refused already.
    """

    def __init__(self, where: str, family: str, table: Table, name: str = "") -> None:
        super().__init__()
        self.where, self.family, self.table, self.name = where, family, table, name
        self.given: set[str] = set()

    def has(self, key: str) -> bool:
        """Whether there is a value, good or not."""
        return key in self or key in self.given


class Tables(dict[str, list[Row]]):
    """All rows of a venue by family.

    `place` says where a family stands, or one of its names. `broken` holds the families
    whose names cannot all be trusted, so that one slip is not reported again wherever the
    name is used.
    """

    def __init__(self, rows: Mapping[str, list[Row]], place: Callable[..., str]) -> None:
        super().__init__(rows)
        self.place, self.broken = place, set[str]()

    def sources(self) -> Iterator[Row]:
        """Yield all loudspeakers in place."""
        return (row for family in ROLES for row in self[family])

    def boxes(self, output: str) -> list[Row]:
        """Return the kinds of loudspeaker on an output."""
        kinds = {row.get("loudspeaker") for row in self.sources() if row.get("output") == output}
        return [row for row in self["loudspeaker"] if row.name in kinds]

    def outline(self) -> tuple[float, float, float, float] | None:
        """Return the room as x from, x to, width, height; None where it is not told."""
        for row in self["room"]:
            with suppress(KeyError):
                x_from, x_to, width, height = (float(row[side]) for side in SIDES_M)
                return (x_from, x_to, width, height) if x_from < x_to else None
        return None
