"""The schema of a venue file: what each table may hold, in one place.

Checks, unit conversion, defaults and the suggestions for misspelt keys all
come from these tables. Defaults are taken from `fillalign.venue.whole` and its
parts, so that no number is written twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Any, Final, TypeAlias

from fillalign.air import Air
from fillalign.trilateration import SIDES
from fillalign.venue.model import (
    DELAY_RULES,
    FEEDS,
    FILL_KINDS,
    LOW_CUT_KINDS,
    POLARITIES,
    PRIORITIES,
    PROGRAMMES,
    STATES,
    Area,
    Goals,
    Loudspeaker,
    Output,
    State,
    Survey,
)
from fillalign.venue.whole import Venue

REQUIRED: Final = object()
FILE_LIMIT_BYTES: Final = 2_000_000

# Other spellings of a unit: suffix, suffix accepted instead, its factor, its unit.
FEET: Final = {"m": ("_m", "_ft", 0.3048, "ft"), "m3": ("_m3", "_ft3", 0.3048**3, "ft3")}


@dataclass(frozen=True)
class Key:
    """One key of a table.

    `kind` is number, integer, text, choice or table; `shape` is one, pair,
    point, list, tables (a list of them), splay (one number or a list) or octaves
    (a table of octave to number). A `default` of REQUIRED must be given and of
    None may be left out. `instead_of` names the key this one replaces, `needs` one
    it comes with. `word` is a word accepted in place of the number and read as
    None. Octaves not given are held `beyond` those given, or there is silence, or
    with neither only those given are kept.
    """

    kind: str = "number"
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    default: Any = REQUIRED
    shape: str = "one"
    choices: tuple[str, ...] = ()
    instead_of: str = ""
    needs: str = ""
    word: str = ""
    beyond: str = "held"


Table: TypeAlias = Mapping[str, Key]


def _defaults(record: type[Any]) -> dict[str, Any]:
    return {item.name: item.default for item in fields(record) if item.default is not MISSING}


_AIR, _STATE, _BOX, _OUT = map(_defaults, (Air, State, Loudspeaker, Output))
_AREA, _GOALS, _VENUE, _SURVEY = map(_defaults, (Area, Goals, Venue, Survey))

NAME: Final = Key("text")
_POINT = Key("number", "m", -2000, 2000, shape="point")
_LEVEL = Key("number", "dBA", 0, 160)
_BANDS = Key("number", "dB", -20, 160, None, "octaves")
_LATER = Key("number", "ms", 0, 1000, 0.0)

VENUE: Table = {
    "name": NAME,
    "setting": Key("choice", choices=("indoors", "outdoors")),
    "programme": Key("choice", default="speech", choices=PROGRAMMES),
    "hold_back_ms": Key("number", "ms", 0, 1000, _VENUE["hold_back_ms"]),
}
ROOM: Table = {
    "x_from_m": Key("number", "m", -500, 500, None),
    "x_to_m": Key("number", "m", -500, 500, None),
    "width_m": Key("number", "m", 1, 500, None),
    "height_m": Key("number", "m", 1, 200, None),
    "volume_m3": Key("number", "m3", 10, 2_000_000, None),
}
STATE: Table = {
    "temperature_c": Key("number", "C", -50, 60),
    "humidity_pct": Key("number", "%", 0, 100, _AIR["humidity_pct"]),
    "pressure_kpa": Key("number", "kPa", 50, 110, _AIR["pressure_kpa"]),
    "altitude_m": Key("number", "m", -430, 5000, None, instead_of="pressure_kpa"),
    "wind_m_s": Key("number", "m/s", 0, 40, _STATE["wind_m_s"]),
    "wind_towards_deg": Key("number", "deg", -360, 360, None),
    "rt60_s": Key("number", "s", 0.05, 20, None, "octaves"),
}
LOUDSPEAKER: Table = {
    "coverage_deg": Key("number", "deg", 5, 350, shape="pair"),
    "maximum_dba": _LEVEL,
    "level_dba": _LEVEL,
    "level_by_octave_db": Key(
        "number", "dB", -20, 160, None, "octaves", instead_of="level_dba", beyond="silent"
    ),
    "rear_floor_db": Key("number", "dB", -60, 0, _BOX["rear_floor_db"]),
    "low_limit_hz": Key("number", "Hz", 20, 2000, _BOX["low_limit_hz"]),
    "control_hz": Key("number", "Hz", 50, 8000, _BOX["control_hz"]),
    "elements": Key("integer", "", 1, 64, _BOX["elements"]),
    "spacing_m": Key("number", "m", 0.02, 5, None),
    "splay_deg": Key("number", "deg", 0, 30, None, "splay"),
}
OUTPUT: Table = {
    "feed": Key("choice", choices=FEEDS),
    "set_in": Key("text"),
    "latency_ms": Key("number", "ms", 0, 500, _OUT["latency_ms"]),
    "delay_step_ms": Key("number", "ms", 0.0001, 100, _OUT["delay_step_ms"]),
    "delay_step_samples": Key(
        "integer", "samples", 1, 10_000, None, instead_of="delay_step_ms"
    ),
    "delay_max_ms": Key("number", "ms", 0.1, 20_000, _OUT["delay_max_ms"]),
    "sample_rate_hz": Key("number", "Hz", 8000, 384_000, _OUT["sample_rate_hz"]),
    "polarity": Key("choice", default=_OUT["polarity"], choices=POLARITIES),
    "low_cut_kinds": Key(
        "choice", default=_OUT["low_cut_kinds"], shape="list", choices=LOW_CUT_KINDS
    ),
    "low_cut_orders": Key("integer", "", 1, 8, _OUT["low_cut_orders"], "list"),
    "locked": Key("table", default=None),
    "delay_rule": Key("choice", default=None, choices=DELAY_RULES),
    "image_margin_ms": Key("number", "ms", 0, 30, None),
    "priority": Key("choice", default=None, choices=PRIORITIES),
}
LOCKED: Table = {
    "delay_ms": Key("number", "ms", 0, 20_000, None),
    "trim_db": Key("number", "dB", -90, 20, None),
    "low_cut_hz": Key("number", "Hz", 20, 2000, None, word="none"),
    "low_cut_order": Key("integer", "", 1, 8, None),
    "low_cut_kind": Key("choice", default=None, choices=LOW_CUT_KINDS),
    "shelf_db": Key("number", "dB", -12, 12, None),
    "shelf_hz": Key("number", "Hz", 500, 16_000, None),
}
READING: Table = {"point_m": _POINT, "distance_m": Key("number", "m", 0.01, 2000)}
SOURCE: Table = {
    "name": NAME,
    "output": NAME,
    "loudspeaker": NAME,
    "position_m": _POINT,
    "position_from": Key("table", default=None, shape="tables", instead_of="position_m"),
    "height_m": Key("number", "m", -100, 500, None, needs="position_from"),
    "side": Key("choice", default=None, choices=tuple(SIDES), needs="position_from"),
    "aim_m": _POINT,
    "yaw_deg": Key("number", "deg", -360, 360, None, instead_of="aim_m", needs="tilt_deg"),
    "tilt_deg": Key("number", "deg", -90, 90, None, needs="yaw_deg"),
}
SUB: Table = {**SOURCE, "aim_m": Key("number", "m", -2000, 2000, None, "point")}
FILL: Table = {
    **SOURCE,
    "kind": Key("choice", choices=FILL_KINDS),
    "covers": Key("text", shape="list"),
}
AREA: Table = {
    "name": NAME,
    "x_from_m": Key("number", "m", -2000, 2000),
    "x_to_m": Key("number", "m", -2000, 2000),
    "y_from_m": Key("number", "m", -2000, 2000),
    "y_to_m": Key("number", "m", -2000, 2000),
    "row_spacing_m": Key("number", "m", 0.2, 100, _AREA["row_spacing_m"]),
    "seat_spacing_m": Key("number", "m", 0.2, 100, _AREA["seat_spacing_m"]),
    "floor_m": Key("number", "m", -100, 200, _AREA["floor_m"]),
    "rake_deg": Key("number", "deg", -20, 45, _AREA["rake_deg"]),
    "ear_height_m": Key("number", "m", 0.5, 2.5, _AREA["ear_height_m"]),
    "shadowed_from": Key("text", default=None, shape="list", needs="shadow_loss_db"),
    "shadow_loss_db": Key("number", "dB", 0, 60, None, "octaves", needs="shadowed_from"),
    "allowed_fall_db": Key("number", "dB", 0, 40, None),
    "priority": Key("choice", default=None, choices=PRIORITIES),
}
GOALS: Table = {
    "allowed_fall_db": Key("number", "dB", 0, 40, _GOALS["allowed_fall_db"]),
    "reference_rows_m": Key("number", "m", -2000, 2000, None, "pair"),
    "reference_dba": Key("number", "dBA", 30, 130, None),
    "back_dba": Key("number", "dBA", 30, 130, None),
    "image_margin_ms": Key("number", "ms", 0, 30, _GOALS["image_margin_ms"]),
    "delay_rule": Key("choice", default=_GOALS["delay_rule"], choices=DELAY_RULES),
    "priority": Key("choice", default=_GOALS["priority"], choices=PRIORITIES),
    "highs_loss_db": Key("number", "dB", 0, 40, _GOALS["highs_loss_db"]),
    "sti": Key("number", "(a fraction)", 0, 1, None),
    "hearing_dba": Key("number", "dBA", 60, 120, _GOALS["hearing_dba"]),
    "noise_db": _BANDS,
}
MEASURED: Table = {
    "output": NAME,
    "at_m": _POINT,
    "state": Key("choice", default="check", choices=STATES),
    "level_dba": _LEVEL,
    "by_octave_db": Key(
        "number", "dB", -20, 160, None, "octaves", instead_of="level_dba", beyond=""
    ),
}
WEATHER: Table = {"temperatures_c": Key("number", "C", -50, 60, shape="list")}
STAGE: Table = {
    "microphone_m": Key("number", "m", -2000, 2000, _VENUE["stage_microphone_m"], "point")
}
SURVEY: Table = {
    "laser_m": Key("number", "m", 0.001, 1, _SURVEY["laser_m"]),
    "thermometer_c": Key("number", "C", 0, 20, _SURVEY["thermometer_c"]),
    "hygrometer_pct": Key("number", "%", 0, 50, _SURVEY["hygrometer_pct"]),
    "latency_ms": Key("number", "ms", 0, 50, _SURVEY["latency_ms"]),
}

SINGLE: Final[Mapping[str, Table]] = {
    "venue": VENUE, "room": ROOM, "goals": GOALS, "weather": WEATHER, "stage": STAGE,
    "survey": SURVEY,
}
NAMED: Final[Mapping[str, Table]] = {
    "state": STATE, "loudspeaker": LOUDSPEAKER, "output": OUTPUT,
}
ROWS: Final[Mapping[str, Table]] = {
    "mains": SOURCE, "subs": SUB, "fills": FILL, "areas": AREA, "measured": MEASURED,
}
