"""Every range and condition of a venue, once: for files, records and what is dialled.

`TABLES` says what each key takes; below it stands what a value asks of others in its row.
`fillalign.venue.across` has what rows ask of one another. The reader makes rows of a
file's tables, the records of themselves: the same words come out for both. A new key is
a line in `TABLES`, a field of its record and a line in `data/tidewell_hall.toml`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from functools import partial
from typing import Any, Final, TypeAlias, get_args

import numpy as np

from fillalign._validate import Programme, range_text
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.filters import LOW_CUT_ORDERS, LowCutKind
from fillalign.levels import weighted_total_db
from fillalign.trilateration import SIDES
from fillalign.venue.values import (
    ROLES,
    SIDES_M,
    Feed,
    FillKind,
    Key,
    Log,
    Need,
    Polarity,
    Priority,
    Row,
    Rule,
    StateName,
    Table,
    allowed,
    lacking,
    must,
    nearest,
    shown,
)

STATES: Final = get_args(StateName)
SEAT_LIMIT: Final = 250_000
# Levels add by pairs of outputs at every seat, and by pairs of elements: so many still fit a
# laptop, and no venue of the trade comes near them.
LIMITS: Final = {"loudspeaker": 100, "output": 64, "areas": 500, "measured": 500,
                 "mains, subs and fills": 300, "elements of all boxes": 1000}

MUST, MAY, OURS = Need
_NAME = Key(MUST, kind="text")
_POINT = Key(MUST, "m", -2000, 2000, "point")
_LEVEL = Key(MUST, "dBA", 0, 160)
# Keys of its own table whose values nobody has measured or looked up yet.
_ASSUMED = Key(MAY, shape="list", kind="text")
_whole = partial(Key, kind="integer")
_bands = partial(Key, MAY, shape="octaves", bands=OCTAVES_NOMINAL)


def _choice(need: Need, *words: str, **more: Any) -> Key:
    return Key(need, kind="choice", choices=words, **more)


_SOURCE: Final[Table] = {
    "name": _NAME,
    "output": _NAME,
    "loudspeaker": _NAME,
    "position_m": _POINT,
    "position_from": Key(MAY, shape="tables", kind="table", instead_of="position_m"),
    "height_m": Key(MAY, "m", -100, 500, needs="position_from"),
    "side": _choice(MAY, *SIDES, needs="position_from"),
    "aim_m": _POINT,
    "yaw_deg": Key(MAY, "deg", -360, 360, instead_of="aim_m", needs="tilt_deg"),
    "tilt_deg": Key(MAY, "deg", -90, 90, needs="yaw_deg"),
}
TABLES: Final[Mapping[str, Table]] = {
    "venue": {
        "name": _NAME,
        "setting": _choice(MUST, "indoors", "outdoors"),
        "programme": _choice(OURS, *get_args(Programme)),
        "hold_back_ms": Key(OURS, "ms", 0, 1000),
    },
    # Whatever an audience sits under fits in here; `fillalign.room` takes as much.
    "room": {
        **dict.fromkeys(("x_from_m", "x_to_m"), Key(MAY, "m", -500, 500)),
        "width_m": Key(MAY, "m", 1, 500),
        "height_m": Key(MAY, "m", 1, 200),
        "volume_m3": Key(MAY, "m3", 10, 2_000_000),
    },
    "goals": {
        "allowed_fall_db": Key(OURS, "dB", 0, 40),
        "reference_rows_m": Key(MAY, "m", -2000, 2000, "pair"),
        "reference_dba": Key(MAY, "dBA", 30, 130),
        "back_dba": Key(MAY, "dBA", 30, 130),
        # A fill ahead of the mains takes the image; 30 ms behind them it is an echo in speech
        # (Haas 1951). `fill_delay_ms` takes -100 to 100, so that both can be drawn and heard.
        "image_margin_ms": Key(OURS, "ms", 0, 30),
        "delay_rule": _choice(OURS, *get_args(Rule)),
        "priority": _choice(OURS, *get_args(Priority)),
        "highs_loss_db": Key(OURS, "dB", 0, 40),
        "sti": Key(MAY, "(a fraction)", 0, 1),
        "hearing_dba": Key(OURS, "dBA", 60, 120),
        "noise_db": _bands("dB", -20, 160),
    },
    "weather": {"temperatures_c": Key(MUST, "C", -50, 60, "list", field="weather_c")},
    "stage": {"microphone_m": Key(OURS, "m", -2000, 2000, "point", field="stage_microphone_m")},
    "survey": {
        "laser_m": Key(OURS, "m", 0.001, 1),
        "thermometer_c": Key(OURS, "C", 0, 20),
        "hygrometer_pct": Key(OURS, "%", 0, 50),
        "latency_ms": Key(OURS, "ms", 0, 50),
    },
    "state": {
        "name": _choice(MUST, *STATES),
        "temperature_c": Key(MUST, "C", -50, 60),
        "humidity_pct": Key(OURS, "%", 0, 100),
        # 5,000 m up there are 54 kPa left, and nobody plays higher. `Air` takes 20 to 200,
        # where its equations hold near enough to learn from.
        "pressure_kpa": Key(OURS, "kPa", 50, 110),
        "altitude_m": Key(MAY, "m", -430, 5000, instead_of="pressure_kpa"),
        "wind_m_s": Key(OURS, "m/s", 0, 40),
        "wind_towards_deg": Key(MAY, "deg", -360, 360),
        # No room with an audience rings as long as 20 s, so more is a slip; the formulas of
        # `fillalign.room` hold on to 30 s.
        "rt60_s": _bands("s", 0.05, 20),
        "assumed": _ASSUMED,
    },
    "loudspeaker": {
        "name": _NAME,
        "coverage_deg": Key(MUST, "deg", 5, 360, "pair"),
        "maximum_dba": _LEVEL,
        "level_dba": _LEVEL,
        "level_by_octave_db": _bands("dB", -20, 160, instead_of="level_dba", beyond="silent"),
        "rear_floor_db": Key(OURS, "dB", -60, 0),
        "low_limit_hz": Key(OURS, "Hz", 20, 2000),
        "control_hz": Key(OURS, "Hz", 50, 8000),
        "elements": _whole(OURS, "", 1, 64),
        "spacing_m": Key(MAY, "m", 0.02, 5),
        "splay_deg": Key(MAY, "deg", 0, 30, "splay"),
        "assumed": _ASSUMED,
    },
    "output": {
        "name": _NAME,
        "feed": _choice(MUST, *get_args(Feed)),
        "set_in": _NAME,
        # As much as `fill_delay_ms` takes: a chain by way of video or radio may lag that far.
        "latency_ms": Key(OURS, "ms", 0, 1000),
        "delay_step_ms": Key(OURS, "ms", 0.0001, 100),
        "delay_step_samples": _whole(MAY, "samples", 1, 10_000, instead_of="delay_step_ms"),
        "delay_max_ms": Key(OURS, "ms", 0.1, 20_000),
        "sample_rate_hz": Key(OURS, "Hz", 8000, 384_000),
        "polarity": _choice(OURS, *get_args(Polarity)),
        "low_cut_kinds": _choice(OURS, *get_args(LowCutKind), shape="list"),
        "low_cut_orders": _whole(OURS, "", 1, 8, shape="list"),
        "locked": Key(MAY, kind="table"),
        "delay_rule": _choice(MAY, *get_args(Rule)),
        "image_margin_ms": Key(MAY, "ms", 0, 30),
        "priority": _choice(MAY, *get_args(Priority)),
        "assumed": _ASSUMED,
    },
    "mains": _SOURCE,
    "subs": {**_SOURCE, "aim_m": Key(MAY, "m", -2000, 2000, "point")},
    "fills": {
        **_SOURCE,
        "kind": _choice(MUST, *get_args(FillKind)),
        "covers": Key(MUST, shape="list", kind="text"),
    },
    "areas": {
        "name": _NAME,
        **dict.fromkeys(("x_from_m", "x_to_m", "y_from_m", "y_to_m"), Key(MUST, "m", -2000, 2000)),
        "row_spacing_m": Key(OURS, "m", 0.2, 100),
        "seat_spacing_m": Key(OURS, "m", 0.2, 100),
        "floor_m": Key(OURS, "m", -100, 200),
        "rake_deg": Key(OURS, "deg", -20, 45),
        "ear_height_m": Key(OURS, "m", 0.5, 2.5),
        "shadowed_from": Key(MAY, shape="list", kind="text", needs="shadow_loss_db"),
        "shadow_loss_db": _bands("dB", 0, 60, needs="shadowed_from"),
        "via_m": Key(MAY, "m", -2000, 2000, "point", needs="shadowed_from"),
        "allowed_fall_db": Key(MAY, "dB", 0, 40),
        "priority": _choice(MAY, *get_args(Priority)),
        **dict.fromkeys(("hang_from_m", "hang_to_m"), Key(MAY, "m", -2000, 2000)),
        # A box that somebody can walk into hangs nowhere.
        "hang_heights_m": Key(MAY, "m", 2.5, 200, "pair"),
    },
    "measured": {
        **{"output": _NAME, "at_m": _POINT, "sure": Key(MAY, kind="boolean")},
        "state": _choice(OURS, *STATES),
        "level_dba": _LEVEL,
        "by_octave_db": _bands("dB", -20, 160, instead_of="level_dba", beyond=""),
    },
    # Tables inside others; what is locked on an output in a file is what a script dials.
    "position_from": {"point_m": _POINT, "distance_m": Key(MUST, "m", 0.01, 2000)},
    "locked": {
        "delay_ms": Key(MAY, "ms", 0, 20_000),
        # From as good as off to the loudest there is: the box's own maximum comes long before.
        "trim_db": Key(MAY, "dB", -120, 160, word="off"),
        "low_cut_hz": Key(MAY, "Hz", 20, 2000, word="none"),
        "low_cut_order": _whole(MAY, "", 1, 8),
        "low_cut_kind": _choice(MAY, *get_args(LowCutKind)),
        "shelf_db": Key(MAY, "dB", -12, 12),
        "shelf_hz": Key(MAY, "Hz", 500, 16_000),
        "polarity": _choice(MAY, *get_args(Polarity)),
    },
}

Said: TypeAlias = Iterator[tuple[str, str]]


# --- what a value asks of others in its row ----------------------------------------------

def _rising(key: str, row: Row) -> bool:
    return bool(row[key][0] <= row[key][1])


_ORDERED: Final[tuple[tuple[str, str, str, Callable[[Row], bool]], ...]] = (
    ("room", "x_to_m", "above x_from_m, {x_from_m} m", lambda r: r["x_to_m"] > r["x_from_m"]),
    ("loudspeaker", "low_limit_hz", "below control_hz, {control_hz} Hz",
     lambda r: r["low_limit_hz"] < r["control_hz"]),
    ("loudspeaker", "level_dba", "at most maximum_dba, {maximum_dba} dBA",
     lambda r: r["level_dba"] <= r["maximum_dba"]),
    ("output", "delay_max_ms", "above the delay step, {delay_step_ms} ms",
     lambda r: r["delay_max_ms"] > r["delay_step_ms"]),
    *((family, "aim_m", "away from position_m", lambda r: r["aim_m"] != r["position_m"])
      for family in ROLES),
    ("areas", "x_to_m", "at least x_from_m, {x_from_m} m", lambda r: r["x_to_m"] >= r["x_from_m"]),
    ("areas", "y_to_m", "at least y_from_m, {y_from_m} m", lambda r: r["y_to_m"] >= r["y_from_m"]),
    ("areas", "hang_to_m", "at least hang_from_m, {hang_from_m} m",
     lambda r: r["hang_to_m"] >= r["hang_from_m"]),
    *((family, key, "from and to in m, the smaller first", partial(_rising, key))
      for family, key in (("goals", "reference_rows_m"), ("areas", "hang_heights_m"))),
)


def box_volume_m3(row: Row) -> float:
    """Return the volume of a room by its dimensions."""
    return float((row["x_to_m"] - row["x_from_m"]) * row["width_m"] * row["height_m"])


def _room(row: Row) -> Said:
    missing = [side for side in SIDES_M if not row.has(side)]
    if missing and len(missing) < len(SIDES_M):
        yield "", f"needs all its dimensions in m, and has no {', '.join(missing)}"
    elif missing and not row.has("volume_m3"):
        yield "", f"needs {', '.join(SIDES_M)} in m, or volume_m3, or both"
    key, box = TABLES["room"]["volume_m3"], box_volume_m3(row)
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


def level_at_1m_dba(level_dba: float | None, by_octave: Mapping[int, float]) -> float:
    """Return the A-weighted level at 1 m; the thirds of an octave of pink noise are alike."""
    if level_dba is not None:
        return level_dba
    thirds = THIRDS_HZ[np.isin(OCTAVES_NOMINAL, list(by_octave)).repeat(3)]
    levels = np.repeat([by_octave[octave] for octave in sorted(by_octave)], 3) - 10 * np.log10(3)
    return float(weighted_total_db(levels, thirds))


def _loudest(row: Row) -> Said:
    total = level_at_1m_dba(None, row["level_by_octave_db"])
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
    "room": (_room,),
    "state": (_assumed,),
    "loudspeaker": (_array, _loudest, _assumed),
    "output": (_orders, _assumed),
    "locked": (_orders,),
}


def check_row(family: str, row: Row, log: Log) -> None:
    """Add what a row lacks, and what its good values ask of one another."""
    for key, message in lacking(TABLES[family], row):
        log.problem(row.where, key, message)
    for check in _OWN.get(family, ()):
        with suppress(KeyError):
            for key, message in check(row):
                log.problem(row.where, key, message)
    for where, key, words, test in _ORDERED:
        with suppress(KeyError):
            if where == family and not test(row):
                values = {name: shown(value) for name, value in row.items()}
                log.problem(row.where, key, must(words.format_map(values), row[key]))


def count_steps(length_m: float, spacing_m: float) -> int:
    """Return how many rows or seats stand in a length with both its ends."""
    return int(length_m / spacing_m + 1e-9) + 1
