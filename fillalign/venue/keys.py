"""The keys of a venue file, in its records: states, room, loudspeakers, outputs, areas, goals.

Frozen records that meet the rules of `fillalign.venue.consistency` from when they are made. What
a field takes stands beside it, once, for the record and for the file: a new key is a field
here and a line in `data/tidewell_hall.toml`. All lengths are metres in venue axes: the
origin is the floor below the centre of the line of the mains, x points into the room, y to
the left seen from the stage, z up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, replace
from functools import partial
from numbers import Real
from typing import Annotated, Any, ClassVar, Final, Literal, TypeAlias, get_args

import numpy as np

from fillalign._text import short
from fillalign._validate import FloatArray, Programme, check_choice, check_type
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.air import Air
from fillalign.filters import LowCutKind
from fillalign.propagation import LATENCY
from fillalign.trilateration import SIDES
from fillalign.venue.consistency import check_row, refuse, steps_m
from fillalign.venue.values import (
    ROLES,
    SIDES_M,
    Fixed,
    Key,
    Role,
    Row,
    Table,
    nearest,
    table_of,
    take,
)

DelayRule: TypeAlias = Literal["equal-level", "box-to-box", "never-early"]
Priority: TypeAlias = Literal["auto", "words", "image"]
Polarity: TypeAlias = Literal["normal", "inverted"]
StateName: TypeAlias = Literal["check", "show"]
STATES: Final = get_args(StateName)

Point: TypeAlias = tuple[float, float, float]
Metres: TypeAlias = Annotated[float, Key("m", -2000, 2000)]
Octaves: TypeAlias = Mapping[int, float]
_octaves = partial(Key, bands=OCTAVES_NOMINAL)
_NONE: Final = Fixed()
_HIDDEN: Final = Key(hidden=True)
# What a file may give in another form than the record has it.
_AIR: Final = Key(hidden=True, also={
    "temperature_c": Key("C", -50, 60, must=True),
    "humidity_pct": Key("%", 0, 100, default=Air.humidity_pct),
    # 5,000 m up there are 54 kPa left, and nobody plays higher. `Air` takes 20 to 200,
    # where its equations hold near enough to learn from.
    "pressure_kpa": Key("kPa", 50, 110, default=Air.pressure_kpa),
    "altitude_m": Key("m", -430, 5000, instead_of="pressure_kpa"),
})
_SAMPLES: Final = {"delay_step_samples": Key("samples", 1, 10_000, kind="integer",
                                             instead_of="delay_step_ms")}
_LASER: Final = {
    "position_from": Key(shape="list", kind="table", instead_of="position_m"),
    "height_m": Key("m", -100, 500, needs="position_from"),
    "side": Key(kind="choice", choices=(*SIDES,), needs="position_from"),
}
_ANGLES: Final = {
    "yaw_deg": Key("deg", -360, 360, instead_of="aim_m", needs="tilt_deg"),
    "tilt_deg": Key("deg", -90, 90, needs="yaw_deg"),
}


def title(record: Any) -> str:
    """Return what a record is called in a message."""
    name = getattr(record, "name", "")
    return f"{type(record).__name__} {short(name) if isinstance(name, str) else ''}".strip()


def _nothing(key: Key, value: object, default: object) -> bool:
    """Whether a field says that nothing is given: None, nothing in it, or 0 beyond the range."""
    if value is None or default is None or default:
        return value is default is None
    if isinstance(value, str | tuple | list | Mapping):
        return not value
    return isinstance(value, Real) and value == 0 and not key.low <= 0 <= key.high


def blank_row(where: str, family: str, name: str = "") -> Row:
    """Return a row of a family without a value."""
    return Row(where, family, TABLES[family], name)


def row_of(record: Any, family: str, *parts: Any, where: str = "") -> Row:
    """Return a record, and parts of it, as the rules see them, or raise one error.

    The error is a TypeError or ValueError with the name of the record, the field and
    what its value must be.
    """
    row = blank_row(where or title(record), family, getattr(record, "name", ""))
    for name, key in row.table.items():
        at = key.at or name
        for part in (one for one in (record, *parts) if hasattr(one, at)):
            value, default = getattr(part, at), getattr(type(part), at, MISSING)
            if not _nothing(key, value, default):
                row[name] = _taken(row.where, at, key, value)
                row.given |= {name} if row[name] != default else set()
    if "locked" in row:
        locked = blank_row(f"{row.where} locked", "locked")
        for name, value in row["locked"].items():
            if name not in locked.table:
                hint = nearest(str(name), locked.table)
                raise ValueError(f"{locked.where}: {short(str(name))} unknown key; {hint}")
            locked[name] = _taken(locked.where, name, locked.table[name], value)
        row["locked"] = locked
    return row


def _taken(where: str, name: str, key: Key, value: Any) -> Any:
    """Return a value as a record keeps it, or raise an error with what it is called."""
    try:
        return take(key, value)
    except (TypeError, ValueError) as error:
        raise type(error)(f"{where}: {name} {error}") from None


def keep(record: Any, row: Row) -> None:
    """Put the plain values of a row in a record's fields."""
    for name, key in row.table.items():
        at = key.at or name
        value = row.get(name, getattr(type(record), at, MISSING))
        if at in vars(record) and value is not MISSING:
            object.__setattr__(record, at, Fixed(value) if isinstance(value, dict) else value)


class Record:
    """What meets the rules of its family of tables from when it is made."""

    family: ClassVar[str]

    def __init_subclass__(cls, family: str = "") -> None:
        """Say which family."""
        if family:
            cls.family = family

    def __post_init__(self) -> None:
        """Keep plain values that meet the rules, or raise one error."""
        row = self.row()
        keep(self, row)
        refuse(check_row(row))

    def row(self) -> Row:
        """Return the record as the rules see it."""
        return row_of(self, self.family)


@dataclass(frozen=True)
class State(Record, family="state"):
    """The venue empty (`check`) or occupied (`show`): air, wind and decay.

    `name` is `check` or `show`. `rt60_s` maps the nominal octaves in Hz to
    seconds, all of `OCTAVES_NOMINAL` in a room and none outdoors.
    `wind_towards_deg` is counted from +x towards +y. `assumed` names what nobody measured.
    """

    name: Annotated[str, Key(kind="choice", choices=STATES)]
    air: Annotated[Air, _AIR]
    wind_m_s: Annotated[float, Key("m/s", 0, 40)] = 0.0
    wind_towards_deg: Annotated[float, Key("deg", -360, 360, must=False)] = 0.0
    # No room with an audience rings as long as 20 s, so more is a slip; the formulas of
    # `fillalign.room` hold on to 30 s.
    rt60_s: Annotated[Octaves, _octaves("s", 0.05, 20)] = _NONE
    assumed: tuple[str, ...] = ()

    def row(self) -> Row:
        """Return the state and its air as the rules see them."""
        check_type(f"{title(self)}: air", self.air, Air)
        return row_of(self, "state", self.air)


@dataclass(frozen=True)
class Room(Record, family="room"):
    """A room's outline for drawing and its volume for the decay model.

    Where only the volume is known, the outline is `drawn` around the loudspeakers and
    seats, and nothing need lie inside.
    """

    # Whatever an audience sits under fits in here; `fillalign.room` takes as much.
    x_from_m: Annotated[float, Key("m", -500, 500, must=False)]
    x_to_m: Annotated[float, Key("m", -500, 500, must=False)]
    width_m: Annotated[float, Key("m", 1, 500, must=False)]
    height_m: Annotated[float, Key("m", 1, 200, must=False)]
    volume_m3: Annotated[float, Key("m3", 10, 2_000_000, must=False)]
    drawn: Annotated[bool, _HIDDEN] = False

    def row(self) -> Row:
        """Return what is known of the room as the rules see it."""
        row = super().row()
        for side in SIDES_M if self.drawn else ():
            del row[side]
        return row


@dataclass(frozen=True)
class Loudspeaker(Record, family="loudspeaker"):
    """A kind of loudspeaker: one box, or an array of equal elements.

    `level_dba` is pink noise at 1 m on the axis at trim 0 (for an array: its
    level at the aim point brought back to 1 m); `level_by_octave_db` replaces
    it by unweighted octave levels. `coverage_deg` is (horizontal, vertical),
    between the -6 dB points. Elements hang down from the position,
    `spacing_m` apart, each tilted down from the one above by `splay_deg`. `assumed`
    names the values that no data sheet gave.
    """

    name: str
    coverage_deg: Annotated[tuple[float, float], Key("deg", 5, 360)]
    maximum_dba: Annotated[float, Key("dBA", 0, 160)]
    level_dba: Annotated[float | None, Key("dBA", 0, 160, must=True)] = None
    level_by_octave_db: Annotated[Octaves, _octaves(
        "dB", -20, 160, instead_of="level_dba", beyond="silent")] = _NONE
    rear_floor_db: Annotated[float, Key("dB", -60, 0)] = -20.0
    low_limit_hz: Annotated[float, Key("Hz", 20, 2000)] = 80.0
    control_hz: Annotated[float, Key("Hz", 50, 8000)] = 800.0
    elements: Annotated[int, Key(low=1, high=64)] = 1
    spacing_m: Annotated[float, Key("m", 0.02, 5, must=False)] = 0.0
    splay_deg: Annotated[tuple[float, ...], Key("deg", 0, 30, shape="splay")] = ()
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Meet the rules, and give every joint its angle."""
        super().__post_init__()
        one = self.splay_deg or 0.0
        if not isinstance(one, tuple):
            object.__setattr__(self, "splay_deg", (one,) * (self.elements - 1))


@dataclass(frozen=True)
class OutputSettings:
    """What is dialled on one output: the settings a plan computes.

    `low_cut_hz` of None means no low cut; `shelf_db` of 0 means no shelf.
    `delay_ms` is what the device is set to; its latency comes on top.
    """

    delay_ms: Annotated[float, Key("ms", 0, 20_000)] = 0.0
    # From as good as off to the loudest there is: the box's own maximum comes long before.
    trim_db: Annotated[float, Key("dB", -120, 160, word="off")] = 0.0
    low_cut_hz: Annotated[float | None, Key("Hz", 20, 2000, word="none")] = None
    low_cut_order: Annotated[int, Key("", 1, 8)] = 4
    low_cut_kind: LowCutKind = "linkwitz-riley"
    shelf_db: Annotated[float, Key("dB", -12, 12)] = 0.0
    shelf_hz: Annotated[float, Key("Hz", 500, 16_000)] = 4000.0
    polarity: Polarity = "normal"


@dataclass(frozen=True)
class Output(Record, family="output"):
    """One output bus with its processing: it drives one group of loudspeakers.

    `feed` is left, right or mono, `set_in` says where its delay is dialled,
    `polarity` is normal or inverted; low cuts are linkwitz-riley or butterworth.
    `locked` holds the names and values of settings that planning must keep.
    `delay_rule`, `image_margin_ms` and `priority` are a fill's own; None takes those of
    its areas or of the venue (a front fill's rule is equal-level then). `assumed` names
    what nobody measured.
    """

    name: str
    feed: Literal["left", "right", "mono"]
    set_in: str
    latency_ms: Annotated[float, Key(*LATENCY[:3])] = 0.0
    delay_step_ms: Annotated[float, Key("ms", 0.0001, 100, also=_SAMPLES)] = 0.01
    delay_max_ms: Annotated[float, Key("ms", 0.1, 20_000)] = 1000.0
    sample_rate_hz: Annotated[float, Key("Hz", 8000, 384_000)] = 48000.0
    polarity: Polarity = "normal"
    low_cut_kinds: tuple[LowCutKind, ...] = ("linkwitz-riley",)
    low_cut_orders: Annotated[tuple[int, ...], Key(low=1, high=8)] = (4,)
    locked: Mapping[str, float | str | None] = _NONE
    delay_rule: DelayRule | None = None
    image_margin_ms: Annotated[float | None, Key("ms", 0, 30)] = None
    priority: Priority | None = None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Source(Record):
    """One loudspeaker in its place. `role` is main, sub or fill.

    `kind` is delay, under-balcony, front or tower for fills and empty otherwise;
    `covers` names the seat areas a fill is meant for.
    """

    name: str
    role: Annotated[Role, _HIDDEN]
    output: str
    loudspeaker: str
    position_m: Annotated[Point, Key("m", -2000, 2000, also=_LASER)]
    aim_m: Annotated[Point, Key("m", -2000, 2000, also=_ANGLES)]
    kind: Annotated[Literal["delay", "under-balcony", "front", "tower", ""], Key(must=True)] = ""
    covers: Annotated[tuple[str, ...], Key(must=True)] = ()

    @property
    def family(self) -> str:  # type: ignore[override]
        """What its table in a file is called: mains, subs or fills."""
        check_choice(f"{title(self)}: role", self.role, tuple(ROLES.values()))
        return next(family for family, role in ROLES.items() if role == self.role)

    def __post_init__(self) -> None:
        """Meet the rules of its role."""
        if self.family != "fills" and (self.kind or self.covers):
            raise ValueError(f"{title(self)}: kind and covers have no place in a {self.role}")
        super().__post_init__()


@dataclass(frozen=True)
class Area(Record, family="areas"):
    """A block of seats in rows of constant x.

    The floor is at `floor_m` in the first row and rises by `rake_deg`.
    `shadowed_from` names sources hidden from here (or the word mains), which
    lose `shadow_loss_db` by nominal octave and, where their sound comes round a corner,
    take the way by `via_m`, the point of that corner. `allowed_fall_db` is how far this
    area may lie below the reference; None takes the venue's profile. `hang_from_m`,
    `hang_to_m` (x) and `hang_heights_m` (least and most) are where its fills may hang.
    """

    name: str
    x_from_m: Metres
    x_to_m: Metres
    y_from_m: Metres
    y_to_m: Metres
    row_spacing_m: Annotated[float, Key("m", 0.2, 100)] = 1.0
    seat_spacing_m: Annotated[float, Key("m", 0.2, 100)] = 1.0
    floor_m: Annotated[float, Key("m", -100, 200)] = 0.0
    rake_deg: Annotated[float, Key("deg", -20, 45)] = 0.0
    ear_height_m: Annotated[float, Key("m", 0.5, 2.5)] = 1.2
    shadowed_from: Annotated[tuple[str, ...], Key(needs="shadow_loss_db")] = ()
    shadow_loss_db: Annotated[Octaves, _octaves("dB", 0, 60, needs="shadowed_from")] = _NONE
    via_m: Annotated[Point | None, Key("m", -2000, 2000, needs="shadowed_from")] = None
    allowed_fall_db: Annotated[float | None, Key("dB", 0, 40)] = None
    priority: Priority | None = None
    hang_from_m: Annotated[float | None, Key("m", -2000, 2000)] = None
    hang_to_m: Annotated[float | None, Key("m", -2000, 2000)] = None
    # A box that somebody can walk into hangs nowhere.
    hang_heights_m: Annotated[tuple[float, float] | None, Key("m", 2.5, 200)] = None

    @property
    def counts(self) -> tuple[int, int]:
        """Number of rows and of seats in each."""
        across = steps_m(self.y_from_m, self.y_to_m, self.seat_spacing_m)
        return self.rows_x_m.size, across.size

    @property
    def rows_x_m(self) -> FloatArray:
        """Depth x of each row, first to last, in m."""
        return steps_m(self.x_from_m, self.x_to_m, self.row_spacing_m)

    def seats_m(self) -> FloatArray:
        """Ear positions of all seats, row by row, shape (n, 3), in m."""
        rows, count = self.rows_x_m, self.counts[1]
        offset = (self.y_to_m - self.y_from_m - self.seat_spacing_m * (count - 1)) / 2
        y = self.y_from_m + offset + self.seat_spacing_m * np.arange(count)
        x = np.repeat(rows, count)
        rise = np.tan(np.radians(self.rake_deg)) * (x - self.x_from_m)
        return np.column_stack([x, np.tile(y, rows.size), self.floor_m + self.ear_height_m + rise])


@dataclass(frozen=True)
class Goals(Record, family="goals"):
    """What the venue asks for; every default used is listed in the plan.

    `reference_rows_m` is the range of x whose mean level is the reference
    (None: rows around the mains' aim). `sti` is the speech transmission goal.
    `delay_rule` is equal-level, box-to-box or never-early. `priority` says what comes
    first where the mains do not serve: words, the image at the stage, or auto: words,
    if that can be heard.
    """

    allowed_fall_db: Annotated[float, Key("dB", 0, 40)] = 4.0
    reference_rows_m: Annotated[tuple[float, float] | None, Key("m", -2000, 2000)] = None
    reference_dba: Annotated[float | None, Key("dBA", 30, 130)] = None
    back_dba: Annotated[float | None, Key("dBA", 30, 130)] = None
    # A fill ahead of the mains takes the image; 30 ms behind them it is an echo in speech
    # (Haas 1951). `fill_delay_ms` takes -100 to 100, so that both can be drawn and heard.
    image_margin_ms: Annotated[float, Key("ms", 0, 30)] = 5.0
    delay_rule: DelayRule = "equal-level"
    priority: Priority = "auto"
    highs_loss_db: Annotated[float, Key("dB", 0, 40)] = 6.0
    sti: Annotated[float | None, Key("(a fraction)", 0, 1)] = None
    hearing_dba: Annotated[float, Key("dBA", 60, 120)] = 100.0
    noise_db: Annotated[Octaves, _octaves("dB", -20, 160)] = _NONE


@dataclass(frozen=True)
class Survey(Record, family="survey"):
    """Standard uncertainties of what was measured at the venue (common practice)."""

    laser_m: Annotated[float, Key("m", 0.001, 1)] = 0.02
    thermometer_c: Annotated[float, Key("C", 0, 20)] = 1.0
    hygrometer_pct: Annotated[float, Key("%", 0, 50)] = 5.0
    latency_ms: Annotated[float, Key("ms", 0, 50)] = 0.2


@dataclass(frozen=True)
class Measured(Record, family="measured"):
    """A level read at the venue with one output sounding alone.

    `level_dba` or `by_octave_db`; it overrides the model for that output. One more than
    12 dB from the model is refused by a plan, unless `sure` says that it was looked into.
    """

    output: str
    at_m: Annotated[Point, Key("m", -2000, 2000, also={"sure": Key(kind="boolean")})]
    state: StateName = "check"
    level_dba: Annotated[float | None, Key("dBA", 0, 160, must=True)] = None
    by_octave_db: Annotated[Octaves, _octaves(
        "dB", -20, 160, instead_of="level_dba", beyond="")] = _NONE
    sure: Annotated[bool, _HIDDEN] = False


RECORDS: Final[Mapping[str, type[Record]]] = {
    "room": Room, "goals": Goals, "survey": Survey, "state": State, "loudspeaker": Loudspeaker,
    "output": Output, **dict.fromkeys(ROLES, Source), "areas": Area, "measured": Measured,
}  # fmt: skip
_FILL: Final = table_of(Source)
_MAIN: Final = {name: key for name, key in _FILL.items() if name not in ("kind", "covers")}
_NAME: Final = Key(must=True, kind="text")
TABLES: Final[Mapping[str, Table]] = {
    "venue": {
        "name": _NAME,
        "setting": Key(must=True, kind="choice", choices=("indoors", "outdoors")),
        "programme": Key(kind="choice", choices=get_args(Programme), default="speech"),
        "hold_back_ms": Key("ms", 0, 1000, default=0.0),
    },
    "weather": {"temperatures_c": Key("C", -50, 60, must=True, shape="list", at="weather_c")},
    "stage": {"microphone_m": Key("m", -2000, 2000, shape="point", default=(-1.0, 0.0, 1.5),
                                  at="stage_microphone_m")},
    **{family: table_of(record) for family, record in RECORDS.items()},
    "mains": _MAIN,
    "subs": {**_MAIN, "aim_m": replace(_MAIN["aim_m"], must=False)},
    # Tables inside others; what is locked on an output in a file is what a script dials.
    "position_from": {"point_m": Key("m", -2000, 2000, must=True, shape="point"),
                      "distance_m": Key("m", 0.01, 2000, must=True)},
    "locked": {name: replace(key, default=None)
               for name, key in table_of(OutputSettings).items()},
}
