"""Values of a venue as given: taken in our unit or refused in words, and kept in rows.

Private to the room. The same words refuse a value in a file and in a record; the
reader puts file and table before them, a record its name.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from enum import Enum
from numbers import Real
from typing import Any, Final, Literal, NoReturn, TypeAlias, TypeVar

import numpy as np

from fillalign._text import short
from fillalign._validate import range_text, slip_text

# Words that a value may be; `fillalign.venue.rules` takes them from here.
Feed: TypeAlias = Literal["left", "right", "mono"]
Role: TypeAlias = Literal["main", "sub", "fill"]
FillKind: TypeAlias = Literal["delay", "under-balcony", "front", "tower"]
Rule: TypeAlias = Literal["equal-level", "box-to-box", "never-early"]
Priority: TypeAlias = Literal["auto", "words", "image"]
Polarity: TypeAlias = Literal["normal", "inverted"]
StateName: TypeAlias = Literal["check", "show"]

ROLES: Final[Mapping[str, Role]] = {"mains": "main", "subs": "sub", "fills": "fill"}
# How a file writes its tables: [one], [one.NAME] or [[one]].
SINGLE: Final = ("venue", "room", "goals", "weather", "stage", "survey")
NAMED: Final = ("state", "loudspeaker", "output")
ROWS: Final = (*ROLES, "areas", "measured")
SIDES_M: Final = ("x_from_m", "x_to_m", "width_m", "height_m")
# More values in a list than this are a slip of a script, and would only cost memory.
LONGEST: Final = 500
# So many are told where several are wrong; more would bury the first.
VALUES_TOLD: Final = 9
PROBLEMS_TOLD: Final = 50

_SIZES = {"pair": (2, "two values"), "point": (3, "three values, x, y and z")}
_LIST = (0, "a list of one or more values")
# Words for what has no number: no low cut, an output that is off.
_WORDS = {"none": None, "off": -np.inf}
# Control characters, halves of characters, line and paragraph separators; marks that turn
# the writing direction.
_CONTROLS = {"Cc", "Cs", "Zl", "Zp"}
_TURNS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


class Need(Enum):
    """Whether a key must be given, may be left out, or takes the record's default, listed."""

    MUST = "must"
    MAY = "may"
    OURS = "ours"


@dataclass(frozen=True)
class Key:
    """One key of a table, and the field of the record that has its name (or that of `field`).

    `kind` is number, integer, text, choice, boolean or table; `shape` is one, pair,
    point, list, tables (a list of them), splay (one number or a list) or octaves
    (a table of one of `bands` in Hz to number). `instead_of` names the key this one replaces,
    `needs` one it comes with. `word` is none or off, accepted in place of the number. In
    a file, octaves not given are held `beyond` those given, or there is silence, or
    with neither only those given are kept.
    """

    need: Need
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    shape: str = "one"
    kind: str = "number"
    choices: tuple[str, ...] = ()
    bands: tuple[int, ...] = ()
    instead_of: str = ""
    needs: str = ""
    word: str = ""
    beyond: str = "held"
    field: str = ""


Table: TypeAlias = Mapping[str, Key]


_OFF_CENTRE = (
    "; width_m reaches as far to both sides of y = 0: of a room that is off centre or L-shaped "
    "give the box around it, width_m twice the farther wall's y, and volume_m3, its true volume"
)

K = TypeVar("K")
V = TypeVar("V")


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


def outside(key: str, axis: str, room: str, got: object) -> str:
    """Return what is wrong with a place outside the room, which lies evenly about y = 0."""
    across = axis == "y " or key.startswith("y_")
    return must(f"inside the room, {axis}{room}", got) + (_OFF_CENTRE if across else "")


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
    words = list(listed) or list(known)
    return f"known: {', '.join(words[:30])}" if words else "there are none"


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
    if key.kind in ("table", "boolean"):
        return "a table" if key.kind == "table" else "true or false"
    limits = (key.low, key.high)
    low, high = limits if factor == 1.0 else (round(limit / factor, 2) for limit in limits)
    number = "a whole number " if key.kind == "integer" else ""
    word = f" or '{key.word}'" if key.word else ""
    return f"{number}{range_text(low, high, unit or key.unit)}{word}"


# --- values ------------------------------------------------------------------------------


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


def _one(key: Key, raw: Any, factor: float, unit: str) -> Any:
    """Return one value of a key in our unit, or raise an error saying what it must be."""
    hint, number = "", isinstance(raw, Real) and not isinstance(raw, bool)
    if key.word and (raw == key.word or raw == _WORDS[key.word]):
        return _WORDS[key.word]
    if key.kind == "text" or key.kind == "choice":
        good = is_text(raw) if key.kind == "text" else isinstance(raw, str) and raw in key.choices
        if good:
            return raw
    elif key.kind in ("table", "boolean"):
        if isinstance(raw, Mapping if key.kind == "table" else bool):
            return raw
    elif number:
        hint = slip_text(raw, key.unit)
        good = key.low / factor <= raw <= key.high / factor
        # A humidity below 1 % is within the range, yet no air at a venue is so dry.
        if good and not (hint and key.unit == "%") and (key.kind == "number" or raw == int(raw)):
            return int(raw) if key.kind == "integer" else float(raw * factor)
    kind_fits = number if key.kind in ("number", "integer") else isinstance(raw, str)
    wrong = ValueError if kind_fits else TypeError
    raise wrong(f"{must(allowed(key, factor, unit), raw)}{hint}")


def _several(key: Key, items: Iterable[tuple[str, Any]], factor: float, unit: str) -> list[Any]:
    """Return all values of a key, or raise one error that tells the first bad ones."""
    values, wrong = [], []
    for place, item in items:
        try:
            values.append(_one(key, item, factor, unit))
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
    values = _several(key, ((f"at {band} Hz", item) for band, item in raw.items()), 1.0, "")
    return dict(sorted(zip(map(octaves.__getitem__, raw), values, strict=True)))


def take(key: Key, raw: Any, factor: float = 1.0, unit: str = "") -> Any:
    """Return a whole value of a key in our unit, of plain kinds, or raise one error.

    Parameters
    ----------
    key : Key
        What it must be.
    raw : object
        The value as given: from a file, or from a script, where arrays do for lists
        and numpy's numbers for numbers.
    factor, unit : float, str
        From the unit it is given in to that of the key, and that unit.

    Raises
    ------
    TypeError, ValueError
        With what it must be and what it is, but not whose value it is.
    """
    raw = raw.tolist() if isinstance(raw, np.ndarray) else raw
    if key.shape == "one" or (key.shape == "splay" and not isinstance(raw, list | tuple)):
        return _one(key, raw, factor, unit)
    size = _SIZES.get(key.shape, _LIST)[0]
    kind_fits = isinstance(raw, Mapping if key.shape == "octaves" else list | tuple)
    if not kind_fits or not raw or (size and len(raw) != size):
        wrong = ValueError if kind_fits else TypeError
        raise wrong(must(allowed(key, factor, unit, whole=True), raw))
    if key.shape == "octaves":
        return _octaves(key, raw)
    if len(raw) > LONGEST:
        raise ValueError(f"must be at most {LONGEST} values, got {len(raw)}")
    items = ((f"value {number}", item) for number, item in enumerate(raw, 1))
    values = tuple(_several(key, items, factor, unit))
    if key.shape == "list" and len(set(values)) < len(values):
        raise ValueError(must("different values", values))
    return values


# --- rows --------------------------------------------------------------------------------


class Fixed(dict[K, V]):
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

    def _refuse(self, *_: object, **__: object) -> NoReturn:
        raise TypeError(
            "what a record holds cannot be changed: make another with dataclasses.replace"
        )

    __setitem__ = __delitem__ = __ior__ = _refuse
    update = setdefault = pop = popitem = clear = _refuse

    def __hash__(self) -> int:  # type: ignore[override]
        """Return the same for the same items in any order."""
        return hash(frozenset(self.items()))

    def __reduce__(self) -> tuple[type, tuple[dict[K, V]]]:
        """Copy and pickle by way of a dict."""
        return Fixed, (dict(self),)


class Row(dict[str, Any]):
    """The good values of one record or table by key, and what else the rules must know.

    `where` is its place or name for a message and `given` holds the keys that are
    given, good or not: a condition that asks for one that is not good meets a KeyError
    and is not judged, since the value has been refused already.
    """

    def __init__(self, where: str, name: str = "", values: Iterable[tuple[str, Any]] = ()) -> None:
        super().__init__(values)
        self.where, self.name = where, name
        self.given = set(self)

    def has(self, key: str) -> bool:
        """Whether there is a value, good or not."""
        return key in self or key in self.given


def lacking(table: Table, row: Row) -> Iterator[tuple[str, str]]:
    """Yield keys that are missing, come alone or are given twice over, or lack an octave.

    Octaves that a file leaves out are filled by the reader, and listed.
    """
    instead = {key.instead_of: name for name, key in table.items() if key.instead_of}
    for name, key in table.items():
        other, bands = instead.get(name, ""), row.get(name)
        if key.needs and name in row.given and not row.has(key.needs):
            yield name, f"needs {key.needs} beside it"
        if {name, other} <= row.given:
            yield name, f"give {name} or {other}, not both"
        elif key.need is Need.MUST and not row.has(name) and not row.has(other):
            either = f", or give {other}" if other else ""
            yield name, f"is missing: {allowed(key, whole=True)}{either}"
        if key.shape == "octaves" and key.beyond and bands:
            held = key.beyond == "held"
            first, last = (0.0, np.inf) if held else (min(bands), max(bands))
            gaps = [band for band in key.bands if first < band < last and band not in bands]
            span = "" if held else " from the lowest to the highest"
            if gaps:
                yield name, f"must have every octave{span}, got none at {gaps[0]} Hz"


class Tables(dict[str, list[Row]]):
    """All rows of a venue by family; `place` makes an empty row that stands for a family."""

    def __init__(self, rows: Mapping[str, list[Row]], place: Callable[..., Row]) -> None:
        super().__init__(rows)
        self.place = place

    def sources(self) -> Iterator[tuple[str, Row]]:
        """Yield all loudspeakers in place, each with its family."""
        return ((family, row) for family in ROLES for row in self[family])

    def boxes(self, output: str) -> list[Row]:
        """Return the kinds of loudspeaker on an output."""
        kinds = {row.get("loudspeaker") for _, row in self.sources() if row.get("output") == output}
        return [row for row in self["loudspeaker"] if row.name in kinds]

    def outline(self) -> tuple[float, float, float, float] | None:
        """Return the room as x from, x to, width, height; None where it is not told."""
        for row in self["room"]:
            with suppress(KeyError):
                x_from, x_to, width, height = (float(row[side]) for side in SIDES_M)
                return (x_from, x_to, width, height) if x_from < x_to else None
        return None


@dataclass
class Log:
    """What is wrong, in order, and how much more than is told; and the defaults used.

    `broken` holds the families whose names cannot all be trusted, so that one
    slip is not reported again wherever the name is used.
    """

    problems: list[tuple[str, str, str]] = field(default_factory=list)
    more: int = 0
    broken: set[str] = field(default_factory=set)
    _defaults: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    @property
    def full(self) -> bool:
        """Whether further problems are only counted."""
        return len(self.problems) >= PROBLEMS_TOLD

    def problem(self, where: str, key: str, message: str) -> None:
        """Add a problem of a key, or of the whole row where the key is empty."""
        if self.full:
            self.more += 1
        else:
            self.problems.append((where, key, message))

    def default(self, family: str, text: str, member: str = "") -> None:
        """Add a default; the same one in several tables becomes one line."""
        self._defaults.setdefault((family, text), []).append(member)

    def defaults(self) -> tuple[str, ...]:
        """Every default used, one line each, with the tables it was used in."""
        return tuple(
            f"{family} {text}" + (f" ({', '.join(members)})" if any(members) else "")
            for (family, text), members in self._defaults.items()
        )

    def told(self) -> tuple[tuple[str, str, str], ...]:
        """Return the problems, and last how many more there are."""
        rest = f"and {self.more} problem{'s' * (self.more > 1)} more"
        return (*self.problems, *([("", "", rest)] if self.more else []))

    def refuse(self) -> None:
        """Raise ValueError with a line for each problem of records, if there is any."""
        if self.problems:
            raise ValueError("\n".join(" ".join(filter(None, (where and f"{where}:", key, text)))
                                       for where, key, text in self.told()))
