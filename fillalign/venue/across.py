"""What the rows of a venue ask of one another: presence, names, roles, places, and how many."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from typing import Any, Final, TypeAlias

import numpy as np

from fillalign._validate import FloatArray, range_text
from fillalign.venue.rules import (
    LIMITS,
    SEAT_LIMIT,
    TABLES,
    check_row,
    count_steps,
    level_at_1m_dba,
)
from fillalign.venue.values import (
    ROLES,
    ROWS,
    Log,
    Row,
    Tables,
    allowed,
    must,
    nearest,
    outside,
    shown,
)

SaidOf: TypeAlias = Iterator[tuple[Row, str, str]]


def too_many(tables: Tables, log: Log) -> bool:
    """Add what there is too much of, and return whether there is: the rest is not looked at."""
    boxes = [row.get("loudspeaker", "") for _, row in tables.sources()]
    elements = {row.name: row.get("elements", 1) for row in tables["loudspeaker"]}
    counts = {family: len(rows) for family, rows in tables.items()} | {
        "mains, subs and fills": len(boxes),
        "elements of all boxes": sum(elements.get(kind, 1) for kind in boxes),
    }
    found = [what for what, limit in LIMITS.items() if counts[what] > limit]
    for what in found:
        log.problem(tables.place("venue").where, "",
                    f"has too many {what}: at most {LIMITS[what]}, got {counts[what]}")
    return bool(found)


def highest_trim_db(boxes: Iterable[Mapping[str, Any]]) -> float:
    """Return the highest trim that keeps every one of some boxes within its maximum level."""
    return min(float(box["maximum_dba"]) - level_at_1m_dba(box.get("level_dba"),
                                                         box.get("level_by_octave_db", {}))
               for box in boxes)


def check_device(row: Row, device: Row, tables: Tables, log: Log) -> None:
    """Add what is dialled or locked and the device or the boxes on it do not have."""
    check_row("locked", row, log)
    for key, limit, words in (
        ("delay_ms", lambda: device["delay_max_ms"], "delay_max_ms of the output, {} ms"),
        ("trim_db", lambda: highest_trim_db(tables.boxes(device.name)),
         "{} dB, the maximum of its boxes"),
    ):
        with suppress(KeyError, ValueError):
            if row[key] > limit() + 1e-9:
                log.problem(row.where, key, must(f"at most {words.format(shown(limit()))}",
                                                 row[key]))
    for key in ("low_cut_order", "low_cut_kind"):
        with suppress(KeyError):
            offered = device[f"{key}s"]
            if row[key] not in offered:
                words = f"in {key}s of the output, {', '.join(map(str, offered))}"
                log.problem(row.where, key, must(words, row[key]))


def _presence(tables: Tables, log: Log) -> SaidOf:
    """Yield what a venue indoors or outdoors must have or cannot have."""
    setting, states = tables["venue"][0].get("setting"), {row.name for row in tables["state"]}
    air = "give at least temperature_c in C"
    for family, name, there, words in (
        ("room", "", tables["room"] or setting != "indoors",
         "a venue indoors needs its dimensions or volume_m3"),
        ("state", "show", "show" in states, air),
        ("state", "check", "check" in states or setting != "indoors", air),
        ("mains", "", tables["mains"], "a venue needs at least one main loudspeaker"),
        ("areas", "", tables["areas"], "a venue needs at least one seat area"),
    ):
        if not there and family not in log.broken:
            yield tables.place(family, name), "", f"is missing: {words}"
    if setting == "outdoors" and tables["room"]:
        yield tables.place("room"), "", "has no place in a venue whose setting is outdoors"
    for row in tables["state"]:
        if setting == "indoors" and not row.has("rt60_s"):
            yield row, "rt60_s", f"is missing: {allowed(TABLES['state']['rt60_s'], whole=True)}"
        if setting == "outdoors" and row.has("rt60_s"):
            yield row, "rt60_s", "has no place outdoors, where there is no decay in s"


def _outputs(tables: Tables, log: Log) -> SaidOf:
    driven = {row.get("output") for _, row in tables.sources()}
    # A slip in a source's output is reported there, and once.
    sure = driven <= {row.name for row in tables["output"]} and not log.broken & {*ROLES, "output"}
    for row in tables["output"]:
        if row.name in ("temperature_c", "humidity_pct", "speed_m_s"):
            yield row, "", "must have another name: the re-time table has a column of this name"
        if sure and row.name not in driven:
            yield row, "", "drives no loudspeaker of mains, subs or fills"
        if "locked" in row:
            check_device(row["locked"], row, tables, log)


def _hold_back(tables: Tables, _: Log) -> SaidOf:
    venue, mains = tables["venue"][0], {row.get("output") for row in tables["mains"]}
    hold = venue.get("hold_back_ms", 0.0)
    for row in (row for row in tables["output"] if row.name in mains):
        most, own = row.get("delay_max_ms", np.inf), row.get("locked", {}).get("delay_ms", hold)
        if hold > most:
            words = f"at most delay_max_ms of {row.where}, {shown(most)} ms"
            yield venue, "hold_back_ms", must(words, hold)
        if own != hold and "hold_back_ms" in venue.given:
            words = f"the delay_ms locked on {row.where}, a main's output, {shown(own)} ms"
            yield venue, "hold_back_ms", must(words, hold)


def _roles(tables: Tables, _: Log) -> SaidOf:
    first: dict[str, tuple[str, str]] = {}
    for family, row in tables.sources():
        output = row.get("output")
        before, name = first.setdefault(output, (family, row.name)) if output else (family, "")
        if before != family:
            yield row, "output", (f"{shown(output)} already drives {shown(name)} of {before}: one "
                                  "output serves mains, subs or fills, not two of them")


_LINKS: Final[Mapping[str, tuple[str, ...]]] = {
    "output": ("output",), "loudspeaker": ("loudspeaker",), "covers": ("areas",),
    "shadowed_from": tuple(ROLES),
}


def _links(tables: Tables, log: Log) -> SaidOf:
    """Yield names of what is not there, unless the names are in doubt."""
    names = {key: [row.name for family in families for row in tables[family]]
             for key, families in _LINKS.items()}
    names["shadowed_from"].insert(0, "mains")
    for row in (row for family in ROWS for row in tables[family]):
        for key, families in _LINKS.items():
            given = row.get(key, ())
            for word in (given,) if isinstance(given, str) else given:
                if word not in names[key] and not log.broken & {*families}:
                    yield row, key, (f"{shown(word)} is not in the venue; "
                                     f"{nearest(word, names[key])}")


def _twins(tables: Tables, _: Log) -> SaidOf:
    for rows in ([row for _, row in tables.sources()], tables["areas"]):
        seen: set[str] = set()
        for row in rows:
            if row.name and row.name in seen:
                yield row, "name", f"{shown(row.name)} is given twice"
            seen.add(row.name)


def _in_room(tables: Tables, _: Log) -> SaidOf:
    """Yield what lies outside the room."""
    if (box := tables.outline()) is None:
        return
    x, y, z = (box[0], box[1]), (-box[2] / 2, box[2] / 2), (0.0, box[3])
    for row in (row for family in (*ROWS, "stage") for row in tables[family]):
        sides = {"x_from_m": x, "x_to_m": x, "y_from_m": y, "y_to_m": y, "hang_from_m": x,
                 "hang_to_m": x}
        places = [(key, "", row[key], limits) for key, limits in sides.items() if key in row]
        places += [("hang_heights_m", "z ", high, z) for high in row.get("hang_heights_m", ())]
        for key in {"position_m", "at_m", "microphone_m"} & row.given & row.keys():
            places += [(key, f"{axis} ", value, limits) for axis, value, limits
                       in zip("xyz", row[key], (x, y, z), strict=True)]
        for key, axis, value, (low, high) in places:
            if not low <= value <= high:
                yield row, key, outside(key, axis, range_text(low, high, "m"), value)
    for row in tables["areas"]:
        with suppress(KeyError):
            ears = row["floor_m"] + row["ear_height_m"] + np.tan(np.radians(row["rake_deg"])) * (
                _rows_x_m(row)[[0, -1]] - row["x_from_m"])
            for end, ear in zip(("first", "last"), ears, strict=True):
                if not 0 < ear < box[3]:
                    yield row, "", (f"puts the ears of its {end} row at {ear:.2f} m: they must be "
                                    f"{range_text(*z, 'm')}, the ceiling")
                    break


def _rows_x_m(area: Row) -> FloatArray:
    """Return the depth of each row of seats, or meet a KeyError where a value is not good."""
    depth, spacing = area["x_to_m"] - area["x_from_m"], area["row_spacing_m"]
    if depth < 0 or area["y_to_m"] < area["y_from_m"]:
        raise KeyError("the other way round, which has been told")
    return np.asarray(area["x_from_m"] + spacing * np.arange(count_steps(depth, spacing)))


def _seats(tables: Tables, _: Log) -> SaidOf:
    """Yield more seats than can be, and reference rows without any."""
    goals, x, total = tables["goals"][0], np.array([]), 0
    for row in tables["areas"]:
        with suppress(KeyError):
            x = np.append(x, _rows_x_m(row))
            wide = count_steps(row["y_to_m"] - row["y_from_m"], row["seat_spacing_m"])
            total += _rows_x_m(row).size * wide
    if total > SEAT_LIMIT:
        yield tables.place("areas"), "", f"must hold at most {SEAT_LIMIT} seats in all, got {total}"
    low, high = goals.get("reference_rows_m", (-np.inf, np.inf))
    if x.size and low <= high and not ((x >= low - 1e-9) & (x <= high + 1e-9)).any():
        words = "from and to in m with a row of seats between"
        yield goals, "reference_rows_m", must(words, [low, high])


def check_whole(tables: Tables, log: Log) -> None:
    """Add every problem that shows only across rows."""
    if too_many(tables, log):
        return
    for check in (_presence, _outputs, _hold_back, _roles, _links, _twins, _in_room, _seats):
        for row, key, message in check(tables, log):
            log.problem(row.where, key, message)
