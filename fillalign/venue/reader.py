"""Reads a venue file (TOML) into a `fillalign.venue.whole.Venue`.

Every problem of the file is collected before anything is raised, each with
its table, key, value, unit and allowed range. What the tables may hold is
declared in `fillalign.venue.schema`.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from fillalign._text import LONGEST_PATH, plain, short
from fillalign._validate import as_path
from fillalign.air import Air, pressure_kpa_at_altitude
from fillalign.venue.model import (
    STATES,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    Point,
    Room,
    Source,
    State,
    Survey,
)
from fillalign.venue.positions import locate_sources
from fillalign.venue.rules import ROLES, Tables, check_file, make_area, outline, sources, step_ms
from fillalign.venue.schema import FILE_LIMIT_BYTES, LOCKED, NAMED, ROWS, SINGLE
from fillalign.venue.table import Log, Row, is_text, label, nearest, read_table, shown
from fillalign.venue.whole import Venue

_EAR_M = 1.2
_AXIS_M = 10.0
_FARTHEST_AIM_M = 100.0
_PLACED = ("name", "output", "loudspeaker", "position_m", "kind", "covers")
_ALWAYS = ("venue", "goals", "stage", "survey")


class VenueError(ValueError):
    """A venue file that cannot be used.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    problems : tuple of (str, str)
        Table and key, and what is wrong there, for every problem of the file.

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


def _load(path: Path) -> dict[str, Any]:
    """Return the file's tables, or raise VenueError with the one thing that is wrong."""
    try:
        if path.is_dir():
            raise OSError(None, "is a folder, not a venue file")
        if path.exists() and not path.is_file():
            raise OSError(None, "is not a file")
        with path.open("rb") as file:
            content = file.read(FILE_LIMIT_BYTES + 1)
        if len(content) > FILE_LIMIT_BYTES:
            raise ValueError(f"more than {FILE_LIMIT_BYTES} bytes")
        return tomllib.loads(content.decode("utf-8-sig"))
    except OSError as error:
        message = f"cannot be read, {error.strerror or error} ({short(str(path), LONGEST_PATH)})"
    except UnicodeDecodeError as error:
        message = f"must be UTF-8 text, got byte 0x{content[error.start]:02x} at {error.start}"
    except tomllib.TOMLDecodeError as error:
        value = str(error).startswith(("Invalid value", "Expected newline"))
        hint = "; words stand in quotes, numbers take a point and no unit" if value else ""
        message = f"is not valid TOML: {error}{hint}"
    except RecursionError:
        message = "is nested too deeply"
    except ValueError as error:
        message = f"cannot be used, {str(error).partition(';')[0]}"
    raise VenueError(path, (("", message),))


def _named(family: str, raw: dict[str, Any], log: Log) -> list[Row]:
    """Read the tables `[family.NAME]`."""
    rows = []
    for name, content in raw.items():
        where = f"[{family}.{label(name)}]"
        if family == "state" and name not in STATES:
            log.problem(where, "", f"unknown state; {nearest(name, list(STATES))}")
        elif not is_text(name):
            log.problem(where, "", "needs a name of 1 to 80 characters without control characters")
        elif not isinstance(content, dict):
            log.problem(where, "", f"must be a table, got {shown(content)}")
        else:
            row = read_table(NAMED[family], content, Row(where, name), f"[{family}.*]", log)
            if isinstance(row.values.get("locked"), dict):
                row.values["locked"] = read_table(
                    LOCKED, row.values["locked"], Row(f"{where[:-1]}.locked]", name), "", log
                ).values
            rows.append(row)
            continue
        log.broken.add(family)
    return rows


def _rows(family: str, raw: list[Any], log: Log) -> list[Row]:
    """Read the tables `[[family]]`."""
    rows = []
    for number, content in enumerate(raw, 1):
        where = f"[[{family}]] {number}"
        if not isinstance(content, dict):
            log.problem(where, "", f"must be a table, got {shown(content)}")
            log.broken.add(family)
            continue
        name = content.get("name", "")
        name = name if is_text(name) else ""
        if not name and "name" in ROWS[family]:
            log.broken.add(family)
        where = f"{where} {shown(name)}" if name else where
        rows.append(read_table(ROWS[family], content, Row(where, name), f"[[{family}]]", log))
    return rows


def _read_tables(raw: dict[str, Any], log: Log) -> Tables:
    """Read every table by its schema."""
    families = [*SINGLE, *NAMED, *ROWS]
    for word in raw:
        if word not in families:
            log.problem(f"[{label(word)}]", "", f"unknown table; {nearest(word, families)}")
    tables: dict[str, list[Row]] = {family: [] for family in families}
    for family in families:
        content: Any = raw.get(family, [] if family in ROWS else {})
        form = f"[[{family}]]" if family in ROWS else f"[{family}]"
        if not isinstance(content, list if family in ROWS else dict):
            log.problem(f"[{family}]", "", f"must be written as {form}, got {shown(content)}")
            log.broken.add(family)
            tables[family] = [Row(form, "")] if family in _ALWAYS else []
        else:
            tables[family] = _read_family(family, content, family in raw, log)
    return tables


def _read_family(family: str, content: Any, given: bool, log: Log) -> list[Row]:
    if family in ROWS:
        return _rows(family, content, log)
    if family in NAMED:
        return _named(family, content, log)
    where = f"[{family}]"
    if not given and family not in _ALWAYS:
        return []
    return [read_table(SINGLE[family], content, Row(where, ""), where, log)]


def _state(row: Row) -> State:
    values = dict(row.values)
    pressure = values.pop("pressure_kpa", None)
    if pressure is None:
        pressure = pressure_kpa_at_altitude(values.pop("altitude_m"))
    air = Air(values.pop("temperature_c"), values.pop("humidity_pct"), pressure)
    return State(row.name, air, **values)


def _states(tables: Tables, log: Log) -> dict[str, State]:
    states = {row.name: _state(row) for row in tables["state"]}
    if "check" not in states:
        states["check"] = replace(states["show"], name="check")
        log.default("[state.check]", "is not given: the same as [state.show]")
    return {name: states[name] for name in STATES}


def _room(tables: Tables, log: Log) -> Room | None:
    """Build the room; what the file leaves out of it is worked out and listed."""
    if not tables["room"]:
        return None
    volume = tables["room"][0].values.get("volume_m3")
    box = outline(tables)
    if box is None:
        seats = [area.seats_m() for area in map(make_area, tables["areas"]) if area is not None]
        points = np.vstack([*(row.values["position_m"] for _, row in sources(tables)), *seats])
        (low, _, _), (high, _, top) = points.min(axis=0), points.max(axis=0)
        width = max(2.0 * float(np.abs(points[:, 1]).max()), 1.0)
        high = max(high, low + 1.0)
        box = (float(low), float(high), width, max(float(top), volume / ((high - low) * width)))
        log.default("[room]", "dimensions: drawn around the loudspeakers and seats to volume_m3")
    if volume is None:
        volume = (box[1] - box[0]) * box[2] * box[3]
        log.default("[room]", f"volume_m3 = {volume:.6g} m3, the box of the dimensions")
    return Room(*box, volume)


def _loudspeaker(row: Row, log: Log) -> Loudspeaker:
    values = dict(row.values)
    gaps = values["elements"] - 1
    splay = values.pop("splay_deg", None)
    if splay is None and gaps:
        log.default("[loudspeaker.*]", "splay_deg = 0 deg", row.name)
    angles = splay if isinstance(splay, tuple) else (splay or 0.0,) * gaps
    return Loudspeaker(row.name, splay_deg=angles, **values)


def _output(row: Row) -> Output:
    values = dict(row.values)
    values["delay_step_ms"] = step_ms(values)
    values.pop("delay_step_samples", None)
    return Output(row.name, **values)


def _aim(row: Row, family: str, log: Log) -> Point:
    """Return the aim point: as given, from the angles, or straight ahead for a sub."""
    values = row.values
    if "aim_m" in values:
        x, y, z = values["aim_m"]
        return x, y, z
    yaw, tilt = (np.radians(values.get(key, 0.0)) for key in ("yaw_deg", "tilt_deg"))
    axis = np.array([np.cos(tilt) * np.cos(yaw), np.cos(tilt) * np.sin(yaw), -np.sin(tilt)])
    drop = values["position_m"][2] - _EAR_M
    reach = drop / np.sin(tilt) if drop * np.sin(tilt) > 0 else np.inf
    far = reach if reach <= _FARTHEST_AIM_M else _AXIS_M
    x, y, z = (float(value) for value in values["position_m"] + far * axis)
    place = f"at ears {_EAR_M} m high" if far == reach else f"{_AXIS_M:g} m out"
    log.default(f"[[{family}]]", f"aim_m = where the axis is {place}", row.name)
    return x, y, z


def _sources(tables: Tables, log: Log) -> tuple[Source, ...]:
    made = []
    for family, row in sources(tables):
        values = {key: row.values[key] for key in _PLACED if key in row.values}
        made.append(Source(role=ROLES[family], aim_m=_aim(row, family, log), **values))
    return tuple(made)


def _build(tables: Tables, log: Log) -> Venue:
    """Make the venue from tables without a problem left in them."""
    venue, goals, stage, survey = (tables[key][0].values for key in _ALWAYS)
    if "reference_rows_m" not in goals:
        log.default("[goals]", "reference_rows_m = the rows around the mains' aim")
    made: dict[str, Any] = {
        "states": _states(tables, log),
        "room": _room(tables, log),
        "loudspeakers": {row.name: _loudspeaker(row, log) for row in tables["loudspeaker"]},
        "sources": _sources(tables, log),
    }
    areas = [area for area in map(make_area, tables["areas"]) if area is not None]
    weather = tables["weather"][0].values["temperatures_c"] if tables["weather"] else ()
    return Venue(
        name=venue["name"],
        programme=venue["programme"],
        hold_back_ms=venue["hold_back_ms"],
        outputs={row.name: _output(row) for row in tables["output"]},
        areas=tuple(areas),
        goals=Goals(**goals),
        stage_microphone_m=stage["microphone_m"],
        measured=tuple(Measured(**row.values) for row in tables["measured"]),
        weather_c=weather,
        survey=Survey(**survey),
        **made,
        defaults_used=log.defaults(),
    )


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
    file = as_path("path", path)
    log = Log()
    tables = _read_tables(_load(file), log)
    locate_sources(tables, log)
    check_file(tables, log)
    if log.problems:
        raise VenueError(file, tuple(log.problems))
    return _build(tables, log)
