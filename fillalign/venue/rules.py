"""Checks that need more than one key of a venue file.

Private to the reader. Each check takes the tables as read, where a missing or
bad value has left its key out, and adds what it finds to the log.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeAlias

import numpy as np

from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.filters import LOW_CUT_ORDERS
from fillalign.levels import weighted_total_db
from fillalign.venue.model import SEAT_LIMIT, Area
from fillalign.venue.schema import ROOM, STATE
from fillalign.venue.table import Log, Row, allowed, nearest, shown

Tables: TypeAlias = Mapping[str, list[Row]]
Box: TypeAlias = tuple[float, float, float, float]

ROLES = {"mains": "main", "subs": "sub", "fills": "fill"}
_SIDES = ("x_from_m", "x_to_m", "width_m", "height_m")


def sources(tables: Tables) -> Iterator[tuple[str, Row]]:
    """Yield all loudspeakers in place, each with its family."""
    return ((family, row) for family in ROLES for row in tables[family])


def make_area(row: Row) -> Area | None:
    """Return the seat area of a row, or None where its values are not all good."""
    sides = [row.values.get(key) for key in ("name", "x_from_m", "x_to_m", "y_from_m", "y_to_m")]
    if None in sides or sides[1] > sides[2] or sides[3] > sides[4]:  # type: ignore[operator]
        return None
    return Area(**row.values)


def outline(tables: Tables) -> Box | None:
    """Return the room as x from, x to, width, height, or None where it is not given."""
    for row in tables["room"]:
        if all(side in row.values for side in _SIDES):
            x_from, x_to, width, height = (float(row.values[side]) for side in _SIDES)
            return (x_from, x_to, width, height) if x_from < x_to else None
    return None


def step_ms(values: Mapping[str, Any]) -> float | None:
    """Return an output's delay step in ms, or None where it cannot be known."""
    if "delay_step_samples" in values:
        rate: float | None = values.get("sample_rate_hz")
        return None if rate is None else float(values["delay_step_samples"]) * 1000.0 / rate
    return values.get("delay_step_ms")


def _between(low: float, high: float, unit: str = "m") -> str:
    return f"between {shown(float(low))} and {shown(float(high))} {unit}"


def _exists(row: Row, key: str, tables: Tables, family: str, log: Log) -> None:
    """Report names that no table of the family has, unless its names are in doubt."""
    names = [each.name for each in tables[family]]
    given = row.values.get(key, ())
    for word in (given,) if isinstance(given, str) else given:
        if word not in names and family not in log.broken:
            hint = nearest(word, names) if names else "there are none"
            log.problem(row.where, key, f"{shown(word)} is not in this file; {hint}")


def _inside(row: Row, key: str, box: Box | None, log: Log) -> None:
    if box is None or key not in row.given or key not in row.values:
        return
    x_from, x_to, width, height = box
    limits = ((x_from, x_to), (-width / 2, width / 2), (0.0, height))
    for axis, value, limit in zip("xyz", row.values[key], limits, strict=True):
        if not limit[0] <= value <= limit[1]:
            log.must(row, key, f"inside the room, {axis} {_between(*limit)}", value)


def _check_setting(tables: Tables, log: Log) -> None:
    setting = tables["venue"][0].values.get("setting")
    if setting == "indoors" and not tables["room"] and "room" not in log.broken:
        log.problem("[room]", "", "is missing: a venue indoors needs its dimensions or volume_m3")
    if setting == "outdoors" and tables["room"]:
        log.problem("[room]", "", "has no place in a venue whose setting is outdoors")
    states = {row.name: row for row in tables["state"]}
    needed = {"show": True, "check": setting == "indoors"}
    for name, need in needed.items():
        if need and name not in states and "state" not in log.broken:
            log.problem(f"[state.{name}]", "", "is missing: give at least temperature_c in C")
    for row in states.values():
        if setting == "indoors" and "rt60_s" not in row.given:
            log.problem(row.where, "rt60_s", f"is missing: {allowed(STATE['rt60_s'], whole=True)}")
        if setting == "outdoors" and "rt60_s" in row.given:
            log.problem(row.where, "rt60_s", "has no place outdoors, where there is no decay in s")
        if row.values.get("wind_m_s", 0.0) > 0 and "wind_towards_deg" not in row.given:
            way = allowed(STATE["wind_towards_deg"])
            log.problem(row.where, "wind_towards_deg", f"is missing: {way}, 0 away from the stage")


def _check_room(tables: Tables, log: Log) -> None:
    for row in tables["room"]:
        missing = [side for side in _SIDES if side not in row.given]
        if missing and len(missing) < len(_SIDES):
            log.problem(row.where, "", f"needs all its dimensions in m, and has no "
                        f"{', '.join(missing)}")
        elif missing and "volume_m3" not in row.given:
            log.problem(row.where, "", f"needs {', '.join(_SIDES)} in m, or volume_m3, or both")
        x_from, x_to = (row.values.get(side) for side in _SIDES[:2])
        if x_from is not None and x_to is not None and x_to <= x_from:
            log.must(row, "x_to_m", f"above x_from_m, {shown(x_from)} m", x_to)
        box = outline(tables)
        if box is None:
            continue
        volume = (box[1] - box[0]) * box[2] * box[3]
        given = row.values.get("volume_m3", volume)
        low, high = max(volume / 5, ROOM["volume_m3"].low), min(volume * 5, ROOM["volume_m3"].high)
        if not low <= given <= high:
            log.must(row, "volume_m3", f"{_between(low, high, 'm3')} in a box of these dimensions",
                     given)


def _check_loudspeakers(tables: Tables, log: Log) -> None:
    for row in tables["loudspeaker"]:
        values, elements = row.values, row.values.get("elements", 0)
        splay = values.get("splay_deg")
        for key in ("spacing_m", "splay_deg"):
            if elements == 1 and key in row.given:
                log.problem(row.where, key, "has no place in a single box, elements = 1")
        if elements > 1 and "spacing_m" not in row.given:
            log.problem(row.where, "spacing_m", f"is missing: in m, for {elements} elements")
        if elements > 1 and isinstance(splay, tuple) and len(splay) != elements - 1:
            log.must(row, "splay_deg", f"one angle in deg, or {elements - 1} for the joints of "
                     f"{elements} elements", f"{len(splay)} angles")
        if values.get("low_limit_hz", 0.0) >= values.get("control_hz", np.inf):
            log.must(row, "low_limit_hz", f"below control_hz, {shown(values['control_hz'])} Hz",
                     values["low_limit_hz"])
        if values.get("level_dba", 0.0) > values.get("maximum_dba", np.inf):
            log.must(row, "level_dba", f"at most maximum_dba, {shown(values['maximum_dba'])} dBA",
                     values["level_dba"])
        total = _total_dba(values.get("level_by_octave_db") or {})
        if total > values.get("maximum_dba", np.inf):
            log.must(row, "level_by_octave_db", "in all at most maximum_dba, "
                     f"{shown(values['maximum_dba'])} dBA", round(total, 1))


def _total_dba(by_octave: Mapping[int, float]) -> float:
    """Return the A-weighted total of octaves of pink noise, whose thirds are alike."""
    given = np.isin(OCTAVES_NOMINAL, list(by_octave)).repeat(3)
    thirds = np.repeat([by_octave[octave] for octave in sorted(by_octave)], 3) - 10 * np.log10(3)
    return float(weighted_total_db(thirds, THIRDS_HZ[given])) if by_octave else -np.inf


def _check_outputs(tables: Tables, log: Log) -> None:
    driven = {row.values.get("output") for _, row in sources(tables)}
    # A slip in a source's output is reported there, and once.
    sure = driven <= {row.name for row in tables["output"]} and not log.broken & {*ROLES, "output"}
    for row in tables["output"]:
        values = row.values
        step, most = step_ms(values), values.get("delay_max_ms", np.inf)
        if step is not None and most <= step:
            log.must(row, "delay_max_ms", f"above the delay step, {shown(step)} ms", most)
        for kind in values.get("low_cut_kinds", ()):
            for order in values.get("low_cut_orders", ()):
                if order not in LOW_CUT_ORDERS[kind]:
                    log.must(row, "low_cut_orders", f"orders of {kind}, "
                             f"{', '.join(map(str, LOW_CUT_ORDERS[kind]))}", order)
        if sure and row.name not in driven:
            log.problem(row.where, "", "drives no loudspeaker of mains, subs or fills")
        _check_locked(row, log)


def _check_locked(row: Row, log: Log) -> None:
    values = row.values
    locked = Row(f"{row.where[:-1]}.locked]", row.name, values.get("locked", {}))
    most = values.get("delay_max_ms", np.inf)
    if locked.values.get("delay_ms", 0.0) > most:
        log.must(locked, "delay_ms", f"at most delay_max_ms of the output, {shown(most)} ms",
                 locked.values["delay_ms"])
    for key in ("low_cut_order", "low_cut_kind"):
        offered = values.get(f"{key}s", ())
        if key in locked.values and offered and locked.values[key] not in offered:
            log.must(locked, key, f"in {key}s of the output, {', '.join(map(str, offered))}",
                     locked.values[key])


def _check_hold_back(tables: Tables, log: Log) -> None:
    venue = tables["venue"][0]
    hold = venue.values.get("hold_back_ms", 0.0)
    for row in tables["output"]:
        if row.name not in {main.values.get("output") for main in tables["mains"]}:
            continue
        most = row.values.get("delay_max_ms", np.inf)
        if hold > most:
            log.must(venue, "hold_back_ms", f"at most delay_max_ms of {row.where}, "
                     f"{shown(most)} ms", hold)
        own = row.values.get("locked", {}).get("delay_ms", hold)
        if own != hold and "hold_back_ms" in venue.given:
            log.must(venue, "hold_back_ms", f"the delay_ms locked on {row.where}, a main's output, "
                     f"{shown(own)} ms", hold)


def _check_sources(tables: Tables, log: Log) -> None:
    if not tables["mains"] and "mains" not in log.broken:
        log.problem("[[mains]]", "", "is missing: a venue needs at least one main loudspeaker")
    first: dict[str, tuple[str, str]] = {}
    for family, row in sources(tables):
        for key, others in (("output", "output"), ("loudspeaker", "loudspeaker"),
                            ("covers", "areas")):
            _exists(row, key, tables, others, log)
        output = row.values.get("output")
        before, name = first.setdefault(output, (family, row.name)) if output else (family, "")
        if before != family:
            log.problem(row.where, "output", f"{shown(output)} already drives {shown(name)} of "
                        f"{before}: one output serves mains, subs or fills, not two of them")
        _inside(row, "position_m", outline(tables), log)
        if "position_m" in row.values and row.values["position_m"] == row.values.get("aim_m"):
            log.must(row, "aim_m", "away from position_m", row.values["aim_m"])


def _check_names(tables: Tables, log: Log) -> None:
    for rows in ([row for _, row in sources(tables)], tables["areas"]):
        seen: set[str] = set()
        for row in rows:
            if row.name and row.name in seen:
                log.problem(row.where, "name", f"{shown(row.name)} is given twice")
            seen.add(row.name)


def _check_areas(tables: Tables, log: Log) -> None:
    if not tables["areas"] and "areas" not in log.broken:
        log.problem("[[areas]]", "", "is missing: a venue needs at least one seat area")
    total = 0
    placed = {**tables, "placed": [Row("", "mains"), *(row for _, row in sources(tables))]}
    if log.broken & ROLES.keys():
        log.broken.add("placed")
    for row in tables["areas"]:
        _exists(row, "shadowed_from", placed, "placed", log)
        for low, high in (("x_from_m", "x_to_m"), ("y_from_m", "y_to_m")):
            if row.values.get(low, -np.inf) > row.values.get(high, np.inf):
                log.must(row, high, f"at least {low}, {shown(row.values[low])} m", row.values[high])
        area = make_area(row)
        if area is not None:
            rows, seats = area.counts
            total += rows * seats
            _check_area_in_room(row, area, outline(tables), log)
    if total > SEAT_LIMIT:
        log.problem("[[areas]]", "", f"must hold at most {SEAT_LIMIT} seats in all, got {total}")


def _check_area_in_room(row: Row, area: Area, box: Box | None, log: Log) -> None:
    if box is None:
        return
    x_from, x_to, width, height = box
    sides = {"x_from_m": (x_from, x_to), "x_to_m": (x_from, x_to),
             "y_from_m": (-width / 2, width / 2), "y_to_m": (-width / 2, width / 2)}
    for key, limit in sides.items():
        if not limit[0] <= getattr(area, key) <= limit[1]:
            log.must(row, key, f"inside the room, {_between(*limit)}", getattr(area, key))
    first = area.floor_m + area.ear_height_m
    depth = area.row_spacing_m * (area.counts[0] - 1)
    last = first + float(np.tan(np.radians(area.rake_deg))) * depth
    for where, ear in {"first": first, "last": last}.items():
        if not 0 < ear < height:
            log.problem(row.where, "", f"puts the ears of its {where} row at {ear:.2f} m: they "
                        f"must be {_between(0, height)}, the ceiling")
            break


def _check_goals(tables: Tables, log: Log) -> None:
    goals = tables["goals"][0]
    low, high = goals.values.get("reference_rows_m", (-np.inf, np.inf))
    areas = [area for area in map(make_area, tables["areas"]) if area is not None]
    if low > high:
        log.must(goals, "reference_rows_m", "from and to in m, the smaller first", [low, high])
    elif areas and not any(_has_row(area, low, high) for area in areas):
        log.must(goals, "reference_rows_m", "from and to in m with a row of seats between",
                 [low, high])


def _has_row(area: Area, low: float, high: float) -> bool:
    steps = max(float(np.ceil((low - area.x_from_m) / area.row_spacing_m - 1e-9)), 0.0)
    first = area.x_from_m + steps * area.row_spacing_m
    return bool(first <= min(high, area.x_to_m) + 1e-9)


def _check_measured(tables: Tables, log: Log) -> None:
    for row in tables["measured"]:
        _exists(row, "output", tables, "output", log)
        _inside(row, "at_m", outline(tables), log)
    for row in tables["stage"]:
        _inside(row, "microphone_m", outline(tables), log)


def check_file(tables: Tables, log: Log) -> None:
    """Add every problem that shows only across keys and tables."""
    for check in (
        _check_setting, _check_room, _check_loudspeakers, _check_outputs, _check_hold_back,
        _check_sources, _check_names, _check_areas, _check_goals, _check_measured,
    ):
        check(tables, log)
