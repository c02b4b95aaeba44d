"""Reads a venue file (TOML) into a `fillalign.venue.venue.Venue`.

Every problem of the file is collected before anything is raised, each with its table and
key. A value's range stands beside its field in `fillalign.venue.keys` and is held by
`fillalign.venue.values`; what values ask of one another is said by `fillalign.venue.consistency`.
What the file leaves out or gives in another form is worked out here, and listed.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, replace
from os import PathLike
from pathlib import Path
from typing import Any, Final

import numpy as np

from fillalign._text import LONGEST_PATH, plain, short
from fillalign._validate import as_path, check_type
from fillalign.air import Air, pressure_kpa_at_altitude
from fillalign.trilateration import locate
from fillalign.venue.consistency import (
    PROBLEMS_TOLD,
    Problem,
    box_volume_m3,
    check_row,
    check_whole,
    told,
    too_many,
)
from fillalign.venue.keys import RECORDS, STATES, Area, blank_row
from fillalign.venue.values import (
    NAMED,
    ROLES,
    ROWS,
    SINGLE,
    Key,
    Row,
    Table,
    Tables,
    is_text,
    label,
    nearest,
    shown,
    take,
)
from fillalign.venue.venue import Venue

FILE_LIMIT_BYTES: Final = 2_000_000
# Other spellings of a unit: suffix, suffix accepted instead, its factor, its unit.
FEET: Final = {"m": ("_m", "_ft", 0.3048, "ft"), "m3": ("_m3", "_ft3", 0.3048**3, "ft3")}
# A venue nests four deep, and tomllib's memory grows with the square of a dotted key's parts.
_PART = r"(?:[\w-]+|\"[^\"\n]*\"|'[^'\n]*')"
_TOO_DOTTED = re.compile(rf"(?<![\w-]){_PART}(?:[ \t]*\.[ \t]*{_PART}){{16}}")
_EAR_M = 1.2
_AXIS_M = 10.0
_FARTHEST_AIM_M = 100.0
_ALWAYS = ("venue", "goals", "stage", "survey")
_FAMILIES = (*SINGLE, *NAMED, *ROWS)


class VenueError(ValueError):
    """A venue file that cannot be used.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    problems : tuple of (str, str)
        Table and key, and what is wrong there, for the first 50 problems of the file; then
        how many more there are.

    Examples
    --------
    >>> print(VenueError("hall.toml", (("[goals] sti", "must be between 0 and 1"),)))
    hall.toml: [goals] sti: must be between 0 and 1
    """

    def __init__(self, path: str | PathLike[str], problems: tuple[tuple[str, str], ...]) -> None:
        super().__init__(path, problems)
        self.path, self.problems = Path(path), problems

    def __str__(self) -> str:
        """One line a problem: file, table, key and what is wrong."""
        name = short(self.path.name or str(self.path), LONGEST_PATH)
        return "\n".join(plain(": ".join(filter(None, (name, *item)))) for item in self.problems)


# --- from a file to rows -----------------------------------------------------------------


def _content(path: Path) -> bytes:
    if path.is_dir():
        raise OSError(None, "is a folder, not a venue file")
    if path.exists() and not path.is_file():
        raise OSError(None, "is not a file")
    with path.open("rb") as file:
        return file.read(FILE_LIMIT_BYTES + 1)


def _parsed(path: Path, given: bytes | None) -> dict[str, Any]:
    """Return the tables of a file or of what is given, or raise VenueError with what is wrong."""
    try:
        content = _content(path) if given is None else given
        if len(content) > FILE_LIMIT_BYTES:
            raise ValueError(f"more than {FILE_LIMIT_BYTES} bytes")
        text = content.decode("utf-8-sig")
        dotted = _TOO_DOTTED.search(text)
        if dotted:
            line = text.count("\n", 0, dotted.start()) + 1
            raise ValueError(f"a key with more than 16 parts in line {line}")
        return tomllib.loads(text)
    except OSError as error:
        where = short(str(path), LONGEST_PATH)
        message = f"cannot be read, {error.strerror or error} ({where})"
    except UnicodeDecodeError as error:
        message = f"must be UTF-8 text, got byte 0x{error.object[error.start]:02x} at {error.start}"
    except tomllib.TOMLDecodeError as error:
        value = str(error).startswith(("Invalid value", "Expected newline"))
        hint = "; words stand in quotes, numbers take a point and no unit" if value else ""
        message = f"is not valid TOML: {error}{hint}"
    except RecursionError:
        message = "is nested too deeply"
    except ValueError as error:
        message = f"cannot be used, {str(error).partition(';')[0]}"
    raise VenueError(path, (("", message),))


class Reading(Tables):
    """The tables of a file, what is wrong with it, in order, and what it leaves to us."""

    def __init__(self) -> None:
        super().__init__({}, _place)
        self.problems: list[Problem] = []
        self._defaults: dict[tuple[str, str], list[str]] = {}

    def hint(self, word: str, *known: Iterable[str]) -> str:
        """Return what a word may be meant for; no hint to what will only be counted."""
        return nearest(word, *known) if len(self.problems) < PROBLEMS_TOLD else ""

    def problem(self, where: str, key: str, message: str) -> None:
        """Add a problem of a key, or of the whole row where the key is empty."""
        self.problems.append((where, key, message))

    def left(self, row: Row, text: str) -> None:
        """Add what a row leaves to us."""
        self.default(_place(row.family, "*" if row.family in NAMED else ""), text, row.name)

    def default(self, where: str, text: str, member: str = "") -> None:
        """Add a default; the same one in several tables becomes one line."""
        self._defaults.setdefault((where, text), []).append(member)

    def defaults(self) -> tuple[str, ...]:
        """Every default used, one line each, with the tables it was used in."""
        return tuple(
            f"{where} {text}" + (f" ({', '.join(members)})" if any(members) else "")
            for (where, text), members in self._defaults.items()
        )


def _place(family: str, name: str = "") -> str:
    return f"[[{family}]]" if family in ROWS else f"[{family}{name and '.'}{name}]"


def _spellings(table: Table) -> dict[str, tuple[str, Key, float]]:
    """Map every accepted spelling to its key, as it is in that unit, and the factor to ours."""
    spellings = {name: (name, key, 1.0) for name, key in table.items()}
    for name, key in table.items():
        if key.unit in FEET:
            suffix, other, factor, unit = FEET[key.unit]
            low, high = (round(limit / factor, 2) for limit in (key.low, key.high))
            there = replace(key, unit=unit, low=low, high=high)
            spellings[name.removesuffix(suffix) + other] = (name, there, factor)
    return spellings


def _read(row: Row, raw: Mapping[str, Any], tables: Reading) -> Row:
    """Fill a row from a table; a bad value leaves its key out, a default is listed."""
    # The name in `[family.NAME]` is no key inside it.
    table = {name: key for name, key in row.table.items() if name not in row}
    spellings, spelt = _spellings(table), dict[str, str]()
    for word, value in raw.items():
        if word not in spellings:
            celsius = f"{word.removesuffix('_f')}_c"
            hint = (f"give {celsius}, C = (F - 32) / 1.8"
                    if word.endswith("_f") and celsius in table
                    else tables.hint(word, spellings, table))
            tables.problem(row.where, label(word), f"unknown key; {hint}")
            continue
        name, key, factor = spellings[word]
        row.given.add(name)
        if spelt.setdefault(name, word) != word:
            row.pop(name, None)
            tables.problem(row.where, name, f"give {spelt[name]} or {word}, not both")
            continue
        try:
            row[name] = take(key, value)
            if factor != 1.0:
                row[name] = (tuple(factor * one for one in row[name])
                             if isinstance(row[name], tuple) else factor * row[name])
        except (TypeError, ValueError) as error:
            tables.problem(row.where, word, str(error))
    _fill_in(row, table, tables)
    return row


def _fill_in(row: Row, table: Table, tables: Reading) -> None:
    """Put in the defaults, and the octaves between and beyond those given, and list them."""
    replaced = {key.instead_of for name, key in table.items() if name in row.given}
    for name, key in table.items():
        if key.default is not None and name not in row.given | replaced:
            row[name] = key.default
            items = key.default if isinstance(key.default, tuple) else (key.default,)
            text = ", ".join(item if isinstance(item, str) else shown(item) for item in items)
            tables.left(row, f"{name} = {text} {key.unit}".strip())
        if key.shape == "octaves" and key.beyond and name in row:
            given = row[name]
            gaps = [octave for octave in key.bands if octave not in given]
            if key.beyond == "silent":
                beyond = [octave for octave in gaps if not min(given) < octave < max(given)]
                gaps = [octave for octave in gaps if octave not in beyond]
                if beyond:
                    tables.default(row.where, f"{name} = none at {', '.join(map(str, beyond))} Hz")
            if gaps:
                bands = ", ".join(map(str, gaps))
                tables.default(row.where, f"{name} at {bands} Hz from the octaves beside")
            places = [key.bands.index(octave) for octave in (*given, *gaps)]
            filled = np.interp(places, places[: len(given)], list(given.values())).tolist()
            row[name] = dict(sorted(zip((*given, *gaps), filled, strict=True)))


def _entries(family: str, raw: Mapping[str, Any], tables: Reading) -> Iterator[tuple[Row, Any]]:
    """Yield the tables of a family, each with an empty row."""
    form: Any = list if family in ROWS else dict
    place, content = _place(family), raw.get(family, form())
    if not isinstance(content, form):
        tables.problem(f"[{family}]", "", f"must be written as {place}, got {shown(content)}")
        tables.broken.add(family)
    elif family in ROWS:
        for number, inner in enumerate(content, 1):
            given = inner.get("name") if isinstance(inner, dict) else ""
            name = str(given) if is_text(given) else ""
            yield blank_row(f"{place} {number}{name and f' {shown(name)}'}", family, name), inner
    elif family in NAMED:
        for name, inner in content.items():
            row = blank_row(_place(family, label(name)), family, name)
            row["name"] = name
            yield row, inner
    elif family in raw:
        yield blank_row(place, family), content
    if family in _ALWAYS and not isinstance(raw.get(family), dict):
        yield blank_row(place, family), {}


def _read_family(family: str, raw: Mapping[str, Any], tables: Reading) -> list[Row]:
    rows = []
    for row, inner in _entries(family, raw, tables):
        problem = ""
        if family == "state" and row.name not in STATES:
            problem = f"unknown state; {nearest(row.name, STATES)}"
        elif family in NAMED and not is_text(row.name):
            problem = "needs a name of 1 to 80 characters without control characters"
        elif not isinstance(inner, dict):
            problem = f"must be a table, got {shown(inner)}"
        else:
            rows.append(_read(row, inner, tables))
        if problem:
            tables.problem(row.where, "", problem)
        if problem or (not row.name and "name" in row.table and family != "venue"):
            tables.broken.add(family)
    for row in (row for row in rows if "locked" in row):
        locked = blank_row(f"{row.where[:-1]}.locked]", "locked")
        row["locked"] = _read(locked, row["locked"], tables)
    return rows


# --- what the file gives in another form -------------------------------------------------


def _locate(row: Row, tables: Reading) -> None:
    """Work out a position from laser distances, kept to the millimetre as the laser shows."""
    before, readings = len(tables.problems), []
    for number, raw in enumerate(row.get("position_from", ()), 1):
        reading = blank_row(f"{row.where} position_from {number}", "position_from")
        readings.append(_read(reading, raw, tables))
        tables.problems += check_row(reading)
    slipped = any(key in row.given and key not in row for key in ("height_m", "side"))
    laser, box = tables["survey"][0].get("laser_m"), tables.outline()
    if not readings or len(tables.problems) > before or slipped or laser is None:
        return
    room = box and [[box[0], -box[2] / 2, 0.0], [box[1], box[2] / 2, box[3]]]
    points, distances = ([one[key] for one in readings] for key in ("point_m", "distance_m"))
    known = {"height_m": row.get("height_m"), "side": row.get("side")}
    try:
        found = locate(points, distances, **known, laser_m=laser, room_m=room)
    except ValueError as error:
        tables.problem(row.where, "position_from", str(error))
        return
    row["position_m"] = tuple(round(value, 3) for value in found.position_m)
    place = ", ".join(f"{value:.3f}" for value in found.position_m)
    height = " and a height" if "height_m" in row else ""
    unsure = sum(part**2 for part in found.uncertainty_m) ** 0.5
    tables.left(row, f"position_m = [{place}] m from {len(readings)} laser distances{height}, "
                f"misfit {1000 * found.misfit_m:.0f} mm, uncertain by {1000 * unsure:.0f} mm")


def _aim(row: Row, tables: Reading) -> None:
    """Work out an aim point from the angles, or straight ahead for a sub without any."""
    turned = {"yaw_deg", "tilt_deg"} <= row.keys()
    ahead = row.family == "subs" and not any(map(row.has, ("aim_m", "yaw_deg", "tilt_deg")))
    if "position_m" not in row or not (turned or ahead):
        return
    yaw, tilt = (np.radians(row.get(key, 0.0)) for key in ("yaw_deg", "tilt_deg"))
    axis = np.array([np.cos(tilt) * np.cos(yaw), np.cos(tilt) * np.sin(yaw), -np.sin(tilt)])
    drop = row["position_m"][2] - _EAR_M
    reach = drop / np.sin(tilt) if drop * np.sin(tilt) > 0 else np.inf
    far = reach if reach <= _FARTHEST_AIM_M else _AXIS_M
    row["aim_m"] = tuple((row["position_m"] + far * axis).tolist())
    place = f"at ears {_EAR_M} m high" if far == reach else f"{_AXIS_M:g} m out"
    tables.left(row, f"aim_m = where the axis is {place}")


def _work_out(tables: Reading) -> None:
    """Put in what the file gives in another form or leaves to us, and list it."""
    for row in tables.sources():
        _locate(row, tables)
        _aim(row, tables)
    for row in tables["state"]:
        if row.get("wind_m_s", 0.0) > 0 and not row.has("wind_towards_deg"):
            tables.problem(row.where, "wind_towards_deg", "is missing: between -360 and 360 deg, "
                           "0 away from the stage")
        if "altitude_m" in row:
            row.setdefault("pressure_kpa", pressure_kpa_at_altitude(row["altitude_m"]))
    for row in tables["output"]:
        if {"delay_step_samples", "sample_rate_hz"} <= row.keys():
            step = row["delay_step_samples"] * 1000.0 / row["sample_rate_hz"]
            row.setdefault("delay_step_ms", step)
    for row in tables["loudspeaker"]:
        if row.get("elements", 1) > 1 and not row.has("splay_deg"):
            tables.left(row, "splay_deg = 0 deg")
    if not tables["goals"][0].has("reference_rows_m"):
        tables.default("[goals]", "reference_rows_m = the rows around the mains' aim")


# --- from rows to records ----------------------------------------------------------------


def _made(kind: type[Any], row: Row) -> Any:
    """Make a record of those values in a row that are its fields."""
    return kind(**{item.name: row[item.name] for item in fields(kind) if item.name in row})


def _complete(row: Row, tables: Reading) -> None:
    """Work out what the file leaves out of a room, and list it."""
    if "x_from_m" not in row:
        points = np.vstack([*(source["position_m"] for source in tables.sources()),
                            *(_made(Area, area).seats_m() for area in tables["areas"])])
        (low, _, _), (high, _, top) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
        width, high = max(2.0 * float(np.abs(points[:, 1]).max()), 1.0), max(high, low + 1.0)
        tall = max(top, row["volume_m3"] / ((high - low) * width))
        row.update(x_from_m=low, x_to_m=high, width_m=width, height_m=tall, drawn=True)
        tables.default("[room]", "dimensions: drawn around the loudspeakers and seats to volume_m3")
    elif "volume_m3" not in row:
        row["volume_m3"] = box_volume_m3(row)
        volume = f"{row['volume_m3']:.6g} m3, the box of the dimensions"
        tables.default("[room]", f"volume_m3 = {volume}")


def _venue(tables: Reading) -> Venue:
    """Make the venue of rows without a problem left in them."""
    if len(tables["state"]) < len(STATES):
        tables.default("[state.check]", "is not given: the same as [state.show]")
    for row in tables["state"]:
        row["air"] = _made(Air, row)
    for row in tables.sources():
        row["role"] = ROLES[row.family]
    for row in tables["room"]:
        _complete(row, tables)
    made = {family: [_made(kind, row) for row in tables[family]]
            for family, kind in RECORDS.items()}
    own: dict[str, Any] = {
        key.at or name: row[name] for family in ("venue", "stage", "weather")
        for row in tables[family] for name, key in row.table.items()
        if name in row and name != "setting"}
    own |= {f"{family}s": {one.name: one for one in made[family]} for family in NAMED}
    own |= {family: one for family in ("goals", "survey", "room") for one in made[family]}
    return Venue(**own, sources=tuple(one for family in ROLES for one in made[family]),
                 areas=tuple(made["areas"]), measured=tuple(made["measured"]),
                 defaults_used=tables.defaults())


def _read_venue(path: Path, content: bytes | None) -> Venue:
    tables, raw = Reading(), _parsed(path, content)
    for word in raw:
        if word not in _FAMILIES:
            hint = tables.hint(word, _FAMILIES)
            tables.problem(f"[{label(word)}]", "", f"unknown table; {hint}")
    for family in _FAMILIES:
        tables[family] = _read_family(family, raw, tables)
    if many := [*too_many(tables)]:
        tables.problems += many
    else:
        _work_out(tables)
        for row in (row for rows in tables.values() for row in rows):
            tables.problems += check_row(row)
        tables.problems += check_whole(tables)
    if tables.problems:
        raise VenueError(path, tuple((f"{where} {key}".strip(), text)
                                     for where, key, text in told(tables.problems)))
    try:
        return _venue(tables)
    except ValueError as error:
        # What is worked out from good values may still lie beyond what a record takes.
        raise VenueError(path, (("", str(error)),)) from error


def read_venue(path: str | PathLike[str]) -> Venue:
    """Read a venue file.

    Parameters
    ----------
    path : str or path
        A TOML file; the files in `data/` show every table and key. Lengths are
        in metres, or in feet where a key ends in `_ft` instead of `_m`.

    Returns
    -------
    Venue
        All in metres; `defaults_used` lists every value the file left to us.

    Raises
    ------
    VenueError
        If the file cannot be read or is not a valid venue: one line for each
        problem, with table, key, unit, allowed range and the value given.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     _ = Path(folder, "hall.toml").write_text("venue = 3")
    ...     try:
    ...         read_venue(Path(folder, "hall.toml"))
    ...     except VenueError as error:
    ...         print(str(error).splitlines()[0])
    hall.toml: [venue]: must be written as [venue], got 3
    """
    return _read_venue(as_path("path", path), None)


def read_venue_text(text: str) -> Venue:
    r"""Read a venue from the text of a file, such as `Venue.to_toml` returns.

    Raises
    ------
    VenueError
        As `read_venue`; its lines begin with the word text instead of a file's name.

    Examples
    --------
    >>> try:
    ...     read_venue_text("[venue]\nname = 3")
    ... except VenueError as error:
    ...     print(str(error).splitlines()[0])
    text: [venue] name: must be text of 1 to 80 characters without control characters, got 3
    """
    check_type("text", text, str)
    return _read_venue(Path("text"), text.encode(errors="surrogatepass"))
