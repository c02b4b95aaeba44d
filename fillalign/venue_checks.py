"""Checks that need more than one key of a venue file.

Private to the reader. Each check takes the tables as read, where a missing or
bad value has left its key out, and adds what it finds to the log.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeAlias

import numpy as np

from fillalign.venue import Area
from fillalign.venue_schema import SEAT_LIMIT
from fillalign.venue_table import Log, Row, nearest, shown

Tables: TypeAlias = Mapping[str, list[Row]]
Box: TypeAlias = tuple[float, float, float, float]

_SIDES = ("x_from_m", "x_to_m", "width_m", "height_m")


def _number(value: float) -> str:
    return f"{value:.10g}"


def sources(tables: Tables) -> list[tuple[str, Row]]:
    """Return all loudspeakers in place, each with its role."""
    roles = {"mains": "main", "subs": "sub", "fills": "fill"}
    return [(role, row) for family, role in roles.items() for row in tables[family]]


def make_area(row: Row) -> Area | None:
    """Return the seat area of a row, or None where its values are not all good."""
    needed = {"name", "x_from_m", "x_to_m", "y_from_m", "y_to_m"}
    return Area(**row.values) if needed <= row.values.keys() else None


def seat_count(area: Area) -> int:
    """Return how many seats an area has, without making them."""
    rows = (area.x_to_m - area.x_from_m) / area.row_spacing_m
    seats = (area.y_to_m - area.y_from_m) / area.seat_spacing_m
    return (int(rows + 1e-9) + 1) * (int(seats + 1e-9) + 1)


def outline(tables: Tables) -> Box | None:
    """Return the room as x from, x to, width, height, or None where it is not given."""
    for row in tables["room"]:
        if all(side in row.values for side in _SIDES):
            x_from, x_to, width, height = (float(row.values[side]) for side in _SIDES)
            return (x_from, x_to, width, height) if x_from < x_to else None
    return None


def _inside(row: Row, key: str, box: Box | None, log: Log) -> None:
    point = row.values.get(key)
    if box is None or point is None:
        return
    x_from, x_to, width, height = box
    limits = ((x_from, x_to), (-width / 2, width / 2), (0.0, height))
    for axis, value, (low, high) in zip("xyz", point, limits, strict=True):
        if not low <= value <= high:
            log.problem(
                row.where, key,
                f"must be inside the room, {axis} between {_number(low)} and {_number(high)} m, "
                f"got {_number(value)}",
            )


def _exists(row: Row, key: str, word: str, tables: Tables, family: str, log: Log) -> None:
    """Report a name that no table of the family has, unless its names are in doubt."""
    names = [each.name for each in tables[family]]
    if word not in names and family not in log.broken:
        hint = nearest(word, names) if names else "there are none"
        log.problem(row.where, key, f"{shown(word)} is not in this file; {hint}")


def _check_setting(tables: Tables, log: Log) -> None:
    setting = tables["venue"][0].values.get("setting")
    if setting == "indoors" and not tables["room"]:
        log.problem("[room]", "", "is missing: a venue indoors needs its dimensions or volume_m3")
    for row in tables["room"] if setting == "outdoors" else ():
        log.problem(row.where, "", "has no place in a venue whose setting is outdoors")
    states = {row.name: row for row in tables["state"]}
    if "state" in log.broken:
        return
    if "show" not in states:
        log.problem("[state.show]", "", "is missing: give at least temperature_c in C")
    if "check" not in states and setting == "indoors":
        log.problem("[state.check]", "", "is missing: the empty room's rt60_s and air in C")
    for row in states.values():
        if setting == "indoors" and "rt60_s" not in row.given:
            log.problem(row.where, "rt60_s", "is missing: between 0.05 and 20 s by octave, indoors")
        if setting == "outdoors" and "rt60_s" in row.values:
            log.problem(row.where, "rt60_s", "has no place outdoors: there is no decay in s")
        if row.values.get("wind_m_s", 0.0) > 0 and "wind_towards_deg" not in row.given:
            log.problem(
                row.where, "wind_towards_deg",
                "is missing: between -360 and 360 deg, 0 being the way from stage to back",
            )


def _check_room(tables: Tables, log: Log) -> None:
    for row in tables["room"]:
        given = [side for side in _SIDES if side in row.given]
        if given and len(given) < len(_SIDES):
            rest = ", ".join(side for side in _SIDES if side not in given)
            log.problem(row.where, "", f"needs all four dimensions in m: {rest} not given")
        if not given and "volume_m3" not in row.given:
            log.problem(row.where, "", f"needs {', '.join(_SIDES)} in m, or volume_m3, or both")
        x_from, x_to = (row.values.get(side) for side in _SIDES[:2])
        if x_from is not None and x_to is not None and x_to <= x_from:
            log.problem(row.where, "x_to_m", f"must be above x_from_m, {_number(x_from)} m, "
                        f"got {_number(x_to)}")
        box = outline(tables)
        if box is None:
            continue
        volume = (box[1] - box[0]) * box[2] * box[3]
        given_volume = row.values.get("volume_m3", volume)
        if not volume / 5 <= given_volume <= volume * 5:
            log.problem(
                row.where, "volume_m3",
                f"must be between {_number(volume / 5)} and {_number(volume * 5)} m3 (a fifth of, "
                f"and five times, the box of the dimensions), got {_number(given_volume)}",
            )


def _check_loudspeakers(tables: Tables, log: Log) -> None:
    for row in tables["loudspeaker"]:
        values = row.values
        elements, splay = values.get("elements"), values.get("splay_deg")
        if elements == 1:
            for key in ("spacing_m", "splay_deg"):
                if key in values:
                    log.problem(row.where, key, "has no place in a single box (elements = 1)")
        elif elements is not None:
            if "spacing_m" not in row.given:
                log.problem(row.where, "spacing_m", "is missing: between 0.02 and 5 m from element "
                            f"to element, for {elements} elements")
            if isinstance(splay, tuple) and len(splay) != elements - 1:
                log.problem(row.where, "splay_deg", f"must be one angle in deg or {elements - 1}, "
                            f"one between each two of {elements} elements, got {len(splay)}")
        low, control = values.get("low_limit_hz"), values.get("control_hz")
        if low is not None and control is not None and low >= control:
            log.problem(row.where, "low_limit_hz",
                        f"must be below control_hz, {_number(control)} Hz, got {_number(low)}")
        level, most = values.get("level_dba"), values.get("maximum_dba")
        if level is not None and most is not None and level > most:
            log.problem(row.where, "level_dba",
                        f"must be at most maximum_dba, {_number(most)} dBA, got {_number(level)}")


def step_ms(values: Mapping[str, Any]) -> float | None:
    """Return an output's delay step in ms, or None where it cannot be known."""
    if "delay_step_samples" in values:
        rate: float | None = values.get("sample_rate_hz")
        return None if rate is None else float(values["delay_step_samples"]) * 1000.0 / rate
    return values.get("delay_step_ms")


def _check_outputs(tables: Tables, log: Log) -> None:
    driven = {row.values.get("output") for _, row in sources(tables)}
    # A slip in a source's output is reported there, and once.
    doubtful = not driven <= {row.name for row in tables["output"]}
    for row in tables["output"]:
        values = row.values
        step, most = step_ms(values), values.get("delay_max_ms")
        if step is not None and most is not None and most <= step:
            log.problem(row.where, "delay_max_ms",
                        f"must be above the delay step, {_number(step)} ms, got {_number(most)}")
        kinds, orders = values.get("low_cut_kinds", ()), values.get("low_cut_orders", ())
        if "linkwitz-riley" in kinds and orders and not any(order % 2 == 0 for order in orders):
            log.problem(row.where, "low_cut_orders", "must hold an even order for linkwitz-riley, "
                        f"got {shown(list(orders))}")
        if row.name not in driven and not (doubtful or log.broken & {"mains", "subs", "fills"}):
            log.problem(row.where, "", "drives no loudspeaker of mains, subs or fills")
        _check_locked(row, log)


def _check_locked(row: Row, log: Log) -> None:
    locked, values = row.values.get("locked", {}), row.values
    where = f"{row.where[:-1]}.locked]"
    delay, most = locked.get("delay_ms", 0.0), values.get("delay_max_ms", np.inf)
    if delay > most:
        log.problem(where, "delay_ms", "must be at most the device's delay_max_ms, "
                    f"{_number(most)} ms, got {_number(delay)}")
    for key, offered in (("low_cut_order", "low_cut_orders"), ("low_cut_kind", "low_cut_kinds")):
        if key in locked and offered in values and locked[key] not in values[offered]:
            log.problem(where, key, f"must be one of the device's {offered}, "
                        f"{', '.join(map(str, values[offered]))}, got {locked[key]}")


def _check_sources(tables: Tables, log: Log) -> None:
    box = outline(tables)
    if not tables["mains"] and "mains" not in log.broken:
        log.problem("[[mains]]", "", "is missing: a venue needs at least one main loudspeaker")
    roles: dict[str, tuple[str, str]] = {}
    for role, row in sources(tables):
        for key in ("output", "loudspeaker"):
            if key in row.values:
                _exists(row, key, row.values[key], tables, key, log)
        for area in row.values.get("covers", ()):
            _exists(row, "covers", area, tables, "areas", log)
        first, before = roles.setdefault(row.values.get("output", ""), (role, row.name))
        if first != role and "output" in row.values:
            log.problem(row.where, "output", f"{shown(row.values['output'])} already drives "
                        f"{shown(before)}, a {first}: one output drives one role only")
        _inside(row, "position_m", box, log)
        position, aim = row.values.get("position_m"), row.values.get("aim_m")
        if position is not None and position == aim:
            log.problem(row.where, "aim_m", "must lie away from position_m, got the same point")


def _check_names(tables: Tables, log: Log) -> None:
    for rows in ([row for _, row in sources(tables)], tables["areas"]):
        seen: set[str] = set()
        for row in rows:
            if row.name and row.name in seen:
                log.problem(row.where, "name", f"{shown(row.name)} is given twice")
            seen.add(row.name)


def _check_areas(tables: Tables, log: Log) -> None:
    box, total = outline(tables), 0
    placed = {**tables, "placed": [Row("", "mains"), *(row for _, row in sources(tables))]}
    if not tables["areas"] and "areas" not in log.broken:
        log.problem("[[areas]]", "", "is missing: a venue needs at least one seat area")
    for row in tables["areas"]:
        for word in row.values.get("shadowed_from", ()):
            _exists(row, "shadowed_from", word, placed, "placed", log)
        ordered = True
        for low, high in (("x_from_m", "x_to_m"), ("y_from_m", "y_to_m")):
            if row.values.get(low, -np.inf) > row.values.get(high, np.inf):
                ordered = False
                log.problem(row.where, high, f"must be at least {low}, "
                            f"{_number(row.values[low])} m, got {_number(row.values[high])}")
        area = make_area(row)
        if area is not None and ordered:
            total += seat_count(area)
            _check_area_in_room(row, area, box, log)
    if total > SEAT_LIMIT:
        log.problem("[[areas]]", "", f"must hold at most {SEAT_LIMIT} seats in all, got {total}")


def _check_area_in_room(row: Row, area: Area, box: Box | None, log: Log) -> None:
    if box is None:
        return
    x_from, x_to, width, height = box
    limits = {"x_from_m": (x_from, x_to), "x_to_m": (x_from, x_to),
              "y_from_m": (-width / 2, width / 2), "y_to_m": (-width / 2, width / 2)}
    for key, (low, high) in limits.items():
        value = getattr(area, key)
        if not low <= value <= high:
            log.problem(row.where, key, f"must be inside the room, between {_number(low)} and "
                        f"{_number(high)} m, got {_number(value)}")
    depth = area.row_spacing_m * int((area.x_to_m - area.x_from_m) / area.row_spacing_m + 1e-9)
    rise = float(np.tan(np.radians(area.rake_deg))) * depth
    for ear in {area.floor_m + area.ear_height_m, area.floor_m + area.ear_height_m + rise}:
        if not 0 < ear < height:
            log.problem(row.where, "floor_m", f"puts ears at {ear:.2f} m, which must be above 0 "
                        f"and below the ceiling, {_number(height)} m")


def _check_goals(tables: Tables, log: Log) -> None:
    for row in tables["goals"]:
        rows_m = row.values.get("reference_rows_m")
        if rows_m is None:
            continue
        areas = [area for area in map(make_area, tables["areas"]) if area is not None]
        if rows_m[0] > rows_m[1]:
            log.problem(row.where, "reference_rows_m", "must be from and to in m, the smaller "
                        f"first, got {shown(list(rows_m))}")
        elif areas and not any(_has_row(area, *rows_m) for area in areas):
            log.problem(row.where, "reference_rows_m", "must hold at least one row of seats, got "
                        f"{shown(list(rows_m))} m")
    hold = tables["venue"][0].values.get("hold_back_ms", 0.0)
    mains = {row.values.get("output") for row in tables["mains"]}
    for row in tables["output"]:
        if row.name in mains and hold > row.values.get("delay_max_ms", np.inf):
            log.problem("[venue]", "hold_back_ms", f"must be at most delay_max_ms of {row.where}, "
                        f"{_number(row.values['delay_max_ms'])} ms, got {_number(hold)}")


def _has_row(area: Area, low: float, high: float) -> bool:
    index = np.ceil((low - area.x_from_m) / area.row_spacing_m - 1e-9)
    first = area.x_from_m + max(index, 0.0) * area.row_spacing_m
    return bool(first <= min(high, area.x_to_m) + 1e-9)


def _check_measured(tables: Tables, log: Log) -> None:
    for row in tables["measured"]:
        if "output" in row.values:
            _exists(row, "output", row.values["output"], tables, "output", log)
        _inside(row, "at_m", outline(tables), log)


def check_file(tables: Tables, log: Log) -> None:
    """Add every problem that shows only across keys and tables."""
    for check in (
        _check_setting, _check_room, _check_loudspeakers, _check_outputs, _check_sources,
        _check_names, _check_areas, _check_goals, _check_measured,
    ):
        check(tables, log)
