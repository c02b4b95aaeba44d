"""What the values of a venue ask of one another: for files, records and what is dialled.

The range of a single value stands beside its field, in `fillalign.venue.keys`. Here comes
first what a value asks of others in its row, then what rows ask of one another: presence,
names, roles, places, and how many. The reader makes rows of a file's tables, the records of
themselves: the same words come out for both.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any, Final, TypeAlias

import numpy as np

from fillalign._validate import FloatArray, range_text
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.filters import LOW_CUT_ORDERS
from fillalign.levels import weighted_total_db
from fillalign.venue.values import ROLES, ROWS, SIDES_M, Row, Tables, allowed, must, nearest, shown

SEAT_LIMIT: Final = 250_000
# Levels add by pairs of outputs at every seat, and by pairs of elements: so many still fit a
# laptop, and no venue of the trade comes near them.
LIMITS: Final = {"loudspeaker": 100, "output": 64, "areas": 500, "measured": 500,
                 "mains, subs and fills": 300, "elements of all boxes": 1000}
_OFF_CENTRE = (
    "; width_m reaches as far to both sides of y = 0: of a room that is off centre or L-shaped "
    "give the box around it, width_m twice the farther wall's y, and volume_m3, its true volume"
)

# So many problems are told; more would bury the first.
PROBLEMS_TOLD: Final = 50

# Where, at which key (none: all of it), and what is wrong there.
Problem: TypeAlias = tuple[str, str, str]
Said: TypeAlias = Iterator[tuple[str, str]]


def told(problems: Sequence[Problem]) -> list[Problem]:
    """Return the first problems, and last how many more there are."""
    more = len(problems) - PROBLEMS_TOLD
    rest = ("", "", f"and {more} problem{'s' * (more > 1)} more")
    return [*problems[:PROBLEMS_TOLD], *([rest] if more > 0 else [])]


def refuse(problems: Iterable[Problem]) -> None:
    """Raise ValueError with a line for each problem of records, if there is any."""
    lines = [" ".join(filter(None, (where and f"{where}:", key, text)))
             for where, key, text in told([*problems])]
    if lines:
        raise ValueError("\n".join(lines))


# --- what a value asks of others in its row ----------------------------------------------


# A key, how it stands to another one of its row (or the first of a pair to the second), words.
_ORDERED: Final[tuple[tuple[tuple[str, ...], str, Callable[..., Any], str, str], ...]] = (
    (("room",), "x_to_m", operator.gt, "x_from_m", "above x_from_m, {} m"),
    (("loudspeaker",), "low_limit_hz", operator.lt, "control_hz", "below control_hz, {} Hz"),
    (("loudspeaker",), "level_dba", operator.le, "maximum_dba", "at most maximum_dba, {} dBA"),
    (("output",), "delay_max_ms", operator.gt, "delay_step_ms", "above the delay step, {} ms"),
    ((*ROLES,), "aim_m", operator.ne, "position_m", "away from position_m"),
    (("areas",), "x_to_m", operator.ge, "x_from_m", "at least x_from_m, {} m"),
    (("areas",), "y_to_m", operator.ge, "y_from_m", "at least y_from_m, {} m"),
    (("areas",), "hang_to_m", operator.ge, "hang_from_m", "at least hang_from_m, {} m"),
    (("goals",), "reference_rows_m", operator.le, "", "from and to in m, the smaller first"),
    (("areas",), "hang_heights_m", operator.le, "", "from and to in m, the smaller first"),
)


def _order(row: Row) -> Said:
    for families, key, stands, other, words in _ORDERED:
        if row.family in families:
            with suppress(KeyError):
                one, two = (row[key], row[other]) if other else row[key]
                if not stands(one, two):
                    yield key, must(words.format(shown(two)), row[key])


def _lacking(row: Row) -> Said:
    """Yield keys that are missing, come alone or are given twice over, or lack an octave.

    Octaves that a file leaves out are filled by the reader, and listed.
    """
    instead = {key.instead_of: name for name, key in row.table.items() if key.instead_of}
    for name, key in row.table.items():
        other = instead.get(name, "")
        if key.needs and name in row.given and not row.has(key.needs):
            yield name, f"needs {key.needs} beside it"
        if {name, other} <= row.given:
            yield name, f"give {name} or {other}, not both"
        elif key.must and not row.has(name) and not row.has(other):
            either = f", or give {other}" if other else ""
            yield name, f"is missing: {allowed(key, whole=True)}{either}"
        if key.shape == "octaves" and key.beyond and row.get(name):
            held = key.beyond == "held"
            first, last = (0.0, np.inf) if held else (min(row[name]), max(row[name]))
            gaps = [band for band in key.bands
                    if first < band < last and band not in row[name]]
            span = "" if held else " from the lowest to the highest"
            if gaps:
                yield name, f"must have every octave{span}, got none at {gaps[0]} Hz"


def box_volume_m3(row: Row) -> float:
    """Return the volume of a room by its dimensions."""
    return float((row["x_to_m"] - row["x_from_m"]) * row["width_m"] * row["height_m"])


def _room(row: Row) -> Said:
    missing = [side for side in SIDES_M if not row.has(side)]
    if missing and len(missing) < len(SIDES_M):
        yield "", f"needs all its dimensions in m, and has no {', '.join(missing)}"
    elif missing and not row.has("volume_m3"):
        yield "", f"needs {', '.join(SIDES_M)} in m, or volume_m3, or both"
    key, box = row.table["volume_m3"], box_volume_m3(row)
    low, high = max(box / 5, key.low), min(box * 5, key.high)
    if box > 0 and (low > high or not (row.has("volume_m3") or key.low <= box <= key.high)):
        yield "", f"holds {shown(box)} m3 by its dimensions: it must hold {allowed(key)}"
    elif box > 0 and not low <= row["volume_m3"] <= high:
        yield "volume_m3", must(f"{range_text(low, high, 'm3')} in a box of these dimensions",
                                row["volume_m3"])


def _array(row: Row) -> Said:
    elements, splay = row["elements"], row.get("splay_deg")
    for key in ("spacing_m", "splay_deg"):
        if elements == 1 and key in row.given:
            yield key, "has no place in a single box, elements = 1"
    if elements > 1 and not row.has("spacing_m"):
        yield "spacing_m", f"is missing: in m, for {elements} elements"
    if elements > 1 and isinstance(splay, tuple) and len(splay) != elements - 1:
        yield "splay_deg", must(f"one angle in deg, or {elements - 1} for the joints of {elements} "
                                "elements", f"{len(splay)} angles")


def _level_at_1m_dba(box: Mapping[str, Any]) -> float:
    """Return the A-weighted level at 1 m; the thirds of an octave of pink noise are alike."""
    if box.get("level_dba") is not None:
        return float(box["level_dba"])
    by_octave = box.get("level_by_octave_db", {})
    thirds = THIRDS_HZ[np.isin(OCTAVES_NOMINAL, list(by_octave)).repeat(3)]
    levels = np.repeat([by_octave[octave] for octave in sorted(by_octave)], 3) - 10 * np.log10(3)
    return float(weighted_total_db(levels, thirds))


def highest_trim_db(boxes: Iterable[Mapping[str, Any]]) -> float:
    """Return the highest trim that keeps every one of some boxes within its maximum level."""
    return min(float(box["maximum_dba"]) - _level_at_1m_dba(box) for box in boxes)


def _loudest(row: Row) -> Said:
    total = _level_at_1m_dba({"level_by_octave_db": row["level_by_octave_db"]})
    if total > row["maximum_dba"]:
        yield "level_by_octave_db", must(f"in all at most maximum_dba, {shown(row['maximum_dba'])} "
                                         "dBA", round(total, 1))


def _orders(row: Row) -> Said:
    """Yield orders that the only kind of low cut has not, or a kind that is left without any."""
    many = "low_cut_kinds" in row
    kinds = row["low_cut_kinds"] if many else (row["low_cut_kind"],)
    orders = row["low_cut_orders"] if many else (row["low_cut_order"],)
    for kind in kinds:
        wrong = [order for order in orders if order not in LOW_CUT_ORDERS[kind]]
        if wrong and (len(kinds) == 1 or len(wrong) == len(orders)):
            known = ", ".join(map(str, LOW_CUT_ORDERS[kind]))
            yield f"low_cut_order{'s' * many}", must(f"orders of {kind}, {known}", wrong[0])


def _assumed(row: Row) -> Said:
    yield from (("assumed", f"{shown(key)} is not given beside it; {nearest(key, row)}")
                for key in row["assumed"] if not row.has(key))


_OWN: Final[Mapping[str, tuple[Callable[[Row], Said], ...]]] = {
    "room": (_room,), "loudspeaker": (_array, _loudest), "output": (_orders,),
    "locked": (_orders,),
}


def check_row(row: Row) -> Iterator[Problem]:
    """Yield what a row lacks, and what its good values ask of one another."""
    for check in (_lacking, *_OWN.get(row.family, ()), _assumed, _order):
        with suppress(KeyError):
            yield from ((row.where, key, message) for key, message in check(row))


def steps_m(low: float, high: float, spacing: float) -> FloatArray:
    """Return where rows or seats stand from one end, so many as fit between both."""
    return np.asarray(low + spacing * np.arange(int((high - low) / spacing + 1e-9) + 1))


# --- what rows ask of one another --------------------------------------------------------


def too_many(tables: Tables) -> Iterator[Problem]:
    """Yield what there is too much of: the rest is not looked at then."""
    boxes = [row.get("loudspeaker", "") for row in tables.sources()]
    elements = {row.name: row.get("elements", 1) for row in tables["loudspeaker"]}
    counts = {family: len(rows) for family, rows in tables.items()} | {
        "mains, subs and fills": len(boxes),
        "elements of all boxes": sum(elements.get(kind, 1) for kind in boxes),
    }
    for what, limit in LIMITS.items():
        if counts[what] > limit:
            yield (tables.place("venue"), "",
                   f"has too many {what}: at most {limit}, got {counts[what]}")


def check_device(row: Row, device: Row, tables: Tables) -> Iterator[Problem]:
    """Yield what is dialled or locked and the device or the boxes on it do not have."""
    yield from check_row(row)
    most = {"delay_ms": device.get("delay_max_ms", np.inf), "trim_db": np.inf}
    with suppress(KeyError, ValueError):
        most["trim_db"] = highest_trim_db(tables.boxes(device.name))
    for key, words in (("delay_ms", "delay_max_ms of the output, {} ms"),
                       ("trim_db", "{} dB, the maximum of its boxes")):
        if row.get(key, -np.inf) > most[key] + 1e-9:
            yield row.where, key, must(f"at most {words.format(shown(most[key]))}", row[key])
    for key in ("low_cut_order", "low_cut_kind"):
        offered = device.get(f"{key}s", ())
        if offered and key in row and row[key] not in offered:
            words = f"in {key}s of the output, {', '.join(map(str, offered))}"
            yield row.where, key, must(words, row[key])


def _presence(tables: Tables) -> Iterator[Problem]:
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
        if not there and family not in tables.broken:
            yield tables.place(family, name), "", f"is missing: {words}"
    if setting == "outdoors" and tables["room"]:
        yield tables.place("room"), "", "has no place in a venue whose setting is outdoors"
    for row in tables["state"]:
        if setting == "indoors" and not row.has("rt60_s"):
            needed = allowed(row.table["rt60_s"], whole=True)
            yield row.where, "rt60_s", f"is missing: {needed}"
        if setting == "outdoors" and row.has("rt60_s"):
            yield row.where, "rt60_s", "has no place outdoors, where there is no decay in s"


def _outputs(tables: Tables) -> Iterator[Problem]:
    driven = {row.get("output") for row in tables.sources()}
    # A slip in a source's output is reported there, and once.
    sure = (driven <= {row.name for row in tables["output"]}
            and not tables.broken & {*ROLES, "output"})
    for row in tables["output"]:
        if row.name in ("temperature_c", "humidity_pct", "speed_m_s"):
            yield row.where, "", ("must have another name: the re-time table has a column of this "
                                  "name")
        if sure and row.name not in driven:
            yield row.where, "", "drives no loudspeaker of mains, subs or fills"
        if "locked" in row:
            yield from check_device(row["locked"], row, tables)


def _hold_back(tables: Tables) -> Iterator[Problem]:
    venue, mains = tables["venue"][0], {row.get("output") for row in tables["mains"]}
    hold = venue.get("hold_back_ms", 0.0)
    for row in (row for row in tables["output"] if row.name in mains):
        most, own = row.get("delay_max_ms", np.inf), row.get("locked", {}).get("delay_ms", hold)
        if hold > most:
            words = f"at most delay_max_ms of {row.where}, {shown(most)} ms"
            yield venue.where, "hold_back_ms", must(words, hold)
        if own != hold and "hold_back_ms" in venue.given:
            words = f"the delay_ms locked on {row.where}, a main's output, {shown(own)} ms"
            yield venue.where, "hold_back_ms", must(words, hold)


def _roles(tables: Tables) -> Iterator[Problem]:
    first: dict[str, Row] = {}
    for row in tables.sources():
        before = first.setdefault(row["output"], row) if "output" in row else row
        if before.family != row.family:
            yield row.where, "output", (
                f"{shown(row['output'])} already drives {shown(before.name)} of {before.family}: "
                "one output serves mains, subs or fills, not two of them")


_LINKS: Final[Mapping[str, tuple[str, ...]]] = {
    "output": ("output",), "loudspeaker": ("loudspeaker",), "covers": ("areas",),
    "shadowed_from": (*ROLES,),
}


def _links(tables: Tables) -> Iterator[Problem]:
    """Yield names of what is not there, unless the names are in doubt."""
    names = {key: [row.name for family in families for row in tables[family]]
             for key, families in _LINKS.items()}
    names["shadowed_from"].insert(0, "mains")
    for row in (row for family in ROWS for row in tables[family]):
        for key, families in _LINKS.items():
            given = row.get(key, ())
            for word in (given,) if isinstance(given, str) else given:
                if word not in names[key] and not tables.broken & {*families}:
                    hint = nearest(word, names[key])
                    yield row.where, key, f"{shown(word)} is not in the venue; {hint}"


def _twins(tables: Tables) -> Iterator[Problem]:
    for rows in ([*tables.sources()], tables["areas"]):
        names = [row.name for row in rows]
        for number, row in enumerate(rows):
            if row.name and row.name in names[:number]:
                yield row.where, "name", f"{shown(row.name)} is given twice"


# The axes of what must lie in the room.
_PLACES: Final = {
    "x_from_m": "x", "x_to_m": "x", "y_from_m": "y", "y_to_m": "y", "hang_from_m": "x",
    "hang_to_m": "x", "hang_heights_m": "zz", "position_m": "xyz", "at_m": "xyz",
    "microphone_m": "xyz",
}


def _in_room(tables: Tables) -> Iterator[Problem]:
    """Yield what lies outside the room, which lies evenly about y = 0."""
    if (box := tables.outline()) is None:
        return
    limits = {"x": box[:2], "y": (-box[2] / 2, box[2] / 2), "z": (0.0, box[3])}
    rows = (row for family in (*ROWS, "stage") for row in tables[family])
    for row, key in ((row, key) for row in rows for key in _PLACES if key in row.given & {*row}):
        values = row[key] if isinstance(row[key], tuple) else (row[key],)
        for axis, value in zip(_PLACES[key], values, strict=True):
            (low, high), of = limits[axis], f"{axis} " if len(values) > 1 else ""
            if not low <= value <= high:
                words = f"inside the room, {of}{range_text(low, high, 'm')}"
                yield row.where, key, must(words, value) + (_OFF_CENTRE if axis == "y" else "")
    for row in tables["areas"]:
        with suppress(KeyError):
            ears = row["floor_m"] + row["ear_height_m"] + np.tan(np.radians(row["rake_deg"])) * (
                _rows_x_m(row)[[0, -1]] - row["x_from_m"])
            for end, ear in zip(("first", "last"), ears, strict=True):
                if not 0 < ear < box[3]:
                    yield row.where, "", (
                        f"puts the ears of its {end} row at {ear:.2f} m: they must be "
                        f"{range_text(0.0, box[3], 'm')}, the ceiling")
                    break


def _rows_x_m(area: Row) -> FloatArray:
    """Return the depth of each row of seats, or meet a KeyError where a value is not good."""
    if area["x_to_m"] < area["x_from_m"] or area["y_to_m"] < area["y_from_m"]:
        raise KeyError("the other way round, which has been told")
    return steps_m(area["x_from_m"], area["x_to_m"], area["row_spacing_m"])


def _seats(tables: Tables) -> Iterator[Problem]:
    """Yield more seats than can be, and reference rows without any."""
    goals, x, total = tables["goals"][0], np.array([]), 0
    for row in tables["areas"]:
        with suppress(KeyError):
            rows = _rows_x_m(row)
            x = np.append(x, rows)
            total += rows.size * steps_m(row["y_from_m"], row["y_to_m"], row["seat_spacing_m"]).size
    if total > SEAT_LIMIT:
        yield (tables.place("areas"), "",
               f"must hold at most {SEAT_LIMIT} seats in all, got {total}")
    low, high = goals.get("reference_rows_m", (-np.inf, np.inf))
    if x.size and low <= high and not ((x >= low - 1e-9) & (x <= high + 1e-9)).any():
        words = "from and to in m with a row of seats between"
        yield goals.where, "reference_rows_m", must(words, [low, high])


def check_whole(tables: Tables) -> Iterator[Problem]:
    """Yield every problem that shows only across rows."""
    checks = (_presence, _outputs, _hold_back, _roles, _links, _twins, _in_room, _seats)
    found = [*too_many(tables)]
    yield from found or (problem for check in checks for problem in check(tables))
