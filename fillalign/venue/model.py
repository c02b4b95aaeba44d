"""The parts of a venue: its states, room, loudspeakers, outputs, seat areas and goals.

Frozen records that meet the rules of `fillalign.venue.rules` from when they are made.
All lengths are metres in venue axes: the origin is the floor below the centre of the
line of the mains, x points into the room, y to the left seen from the stage, z up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from numbers import Real
from typing import Any, ClassVar, Literal

import numpy as np

from fillalign._text import short
from fillalign._validate import FloatArray, check_choice, check_type
from fillalign.air import Air
from fillalign.filters import LowCutKind
from fillalign.venue.rules import TABLES, check_row, count_steps
from fillalign.venue.values import (
    ROLES,
    SIDES_M,
    Feed,
    FillKind,
    Fixed,
    Key,
    Log,
    Polarity,
    Priority,
    Role,
    Row,
    Rule,
    StateName,
    nearest,
    take,
)

Point = tuple[float, float, float]


def defaults_of(record: Any) -> dict[str, Any]:
    """Return the default of every field of a record; MISSING where it has none."""
    return {
        item.name: item.default if item.default_factory is MISSING else item.default_factory()
        for item in fields(record)
    }


def title(record: Any) -> str:
    """Return what a record is called in a message."""
    name = getattr(record, "name", "")
    return f"{type(record).__name__} {short(name) if isinstance(name, str) else ''}".strip()


def _left_out(key: Key, value: object, default: object) -> bool:
    """Whether a field says that nothing is given: None, nothing in it, or 0 beyond the range."""
    if value is None or default is None or default is MISSING or default:
        return value is None and default is None
    if isinstance(value, str | tuple | list | Mapping):
        return not value
    return isinstance(value, Real) and value == 0 and not key.low <= 0 <= key.high


def row_of(record: Any, family: str, *parts: Any, where: str = "") -> Row:
    """Return a record, and parts of it, as the rules see them, or raise one error.

    The error is a TypeError or ValueError with the name of the record, the field and
    what its value must be.
    """
    row = Row(where or title(record), getattr(record, "name", ""))
    for name, key in TABLES[family].items():
        at = key.field or name
        for part in (one for one in (record, *parts) if hasattr(one, at)):
            value, default = getattr(part, at), defaults_of(part).get(at, MISSING)
            if not _left_out(key, value, default):
                row[name] = taken(row.where, at, key, value)
                row.given |= {name} if row[name] != default else set()
    if "locked" in row:
        row["locked"] = _inner(row, row["locked"])
    return row


def taken(where: str, name: str, key: Key, value: Any) -> Any:
    """Return a value as a record keeps it, or raise an error with what it is called."""
    try:
        return take(key, value)
    except (TypeError, ValueError) as error:
        raise type(error)(f"{where}: {name} {error}") from None


def _inner(row: Row, locked: Mapping[str, Any]) -> Row:
    inner = Row(f"{row.where} locked", row.name)
    for name, value in locked.items():
        if name not in TABLES["locked"]:
            hint = nearest(str(name), TABLES["locked"])
            raise ValueError(f"{inner.where}: {short(str(name))} unknown key; {hint}")
        inner[name] = taken(inner.where, name, TABLES["locked"][name], value)
    return inner


def hold(record: Any, family: str, row: Row) -> None:
    """Put the plain values of a row in a record's fields, or raise one error."""
    defaults = defaults_of(record)
    for name, key in TABLES[family].items():
        at = key.field or name
        if at in defaults and (name in row or defaults[at] is not MISSING):
            value = row.get(name, defaults[at])
            object.__setattr__(record, at, Fixed(value) if isinstance(value, dict) else value)
    log = Log()
    check_row(family, row, log)
    log.refuse()


class Record:
    """What meets the rules of its family of tables from when it is made."""

    family: ClassVar[str]

    def __init_subclass__(cls, family: str = "") -> None:
        """Say which family."""
        if family:
            cls.family = family

    def __post_init__(self) -> None:
        """Keep plain values that meet the rules, or raise one error."""
        hold(self, self.family, self.row())

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

    name: str
    air: Air
    wind_m_s: float = 0.0
    wind_towards_deg: float = 0.0
    rt60_s: Mapping[int, float] = field(default_factory=dict)
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

    x_from_m: float
    x_to_m: float
    width_m: float
    height_m: float
    volume_m3: float
    drawn: bool = False

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
    coverage_deg: tuple[float, float]
    maximum_dba: float
    level_dba: float | None = None
    level_by_octave_db: Mapping[int, float] = field(default_factory=dict)
    rear_floor_db: float = -20.0
    low_limit_hz: float = 80.0
    control_hz: float = 800.0
    elements: int = 1
    spacing_m: float = 0.0
    splay_deg: tuple[float, ...] = ()
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

    delay_ms: float = 0.0
    trim_db: float = 0.0
    low_cut_hz: float | None = None
    low_cut_order: int = 4
    low_cut_kind: LowCutKind = "linkwitz-riley"
    shelf_db: float = 0.0
    shelf_hz: float = 4000.0
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
    feed: Feed
    set_in: str
    latency_ms: float = 0.0
    delay_step_ms: float = 0.01
    delay_max_ms: float = 1000.0
    sample_rate_hz: float = 48000.0
    polarity: Polarity = "normal"
    low_cut_kinds: tuple[LowCutKind, ...] = ("linkwitz-riley",)
    low_cut_orders: tuple[int, ...] = (4,)
    locked: Mapping[str, float | str | None] = field(default_factory=dict)
    delay_rule: Rule | None = None
    image_margin_ms: float | None = None
    priority: Priority | None = None
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Source(Record):
    """One loudspeaker in its place. `role` is main, sub or fill.

    `kind` is delay, under-balcony, front or tower for fills and empty otherwise;
    `covers` names the seat areas a fill is meant for.
    """

    name: str
    role: Role
    output: str
    loudspeaker: str
    position_m: Point
    aim_m: Point
    kind: FillKind | Literal[""] = ""
    covers: tuple[str, ...] = ()

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
    x_from_m: float
    x_to_m: float
    y_from_m: float
    y_to_m: float
    row_spacing_m: float = 1.0
    seat_spacing_m: float = 1.0
    floor_m: float = 0.0
    rake_deg: float = 0.0
    ear_height_m: float = 1.2
    shadowed_from: tuple[str, ...] = ()
    shadow_loss_db: Mapping[int, float] = field(default_factory=dict)
    via_m: Point | None = None
    allowed_fall_db: float | None = None
    priority: Priority | None = None
    hang_from_m: float | None = None
    hang_to_m: float | None = None
    hang_heights_m: tuple[float, float] | None = None

    @property
    def counts(self) -> tuple[int, int]:
        """Number of rows and of seats in each, without making them."""
        depth, width = self.x_to_m - self.x_from_m, self.y_to_m - self.y_from_m
        return count_steps(depth, self.row_spacing_m), count_steps(width, self.seat_spacing_m)

    @property
    def rows_x_m(self) -> FloatArray:
        """Depth x of each row, first to last, in m."""
        return self.x_from_m + self.row_spacing_m * np.arange(self.counts[0], dtype=float)

    def seats_m(self) -> FloatArray:
        """Ear positions of all seats, row by row, shape (n, 3), in m."""
        width, count = self.y_to_m - self.y_from_m, self.counts[1]
        offset = (width - self.seat_spacing_m * (count - 1)) / 2
        y = self.y_from_m + offset + self.seat_spacing_m * np.arange(count, dtype=float)
        rows = self.rows_x_m
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

    allowed_fall_db: float = 4.0
    reference_rows_m: tuple[float, float] | None = None
    reference_dba: float | None = None
    back_dba: float | None = None
    image_margin_ms: float = 5.0
    delay_rule: Rule = "equal-level"
    priority: Priority = "auto"
    highs_loss_db: float = 6.0
    sti: float | None = None
    hearing_dba: float = 100.0
    noise_db: Mapping[int, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Survey(Record, family="survey"):
    """Standard uncertainties of what was measured at the venue (common practice)."""

    laser_m: float = 0.02
    thermometer_c: float = 1.0
    hygrometer_pct: float = 5.0
    latency_ms: float = 0.2


@dataclass(frozen=True)
class Measured(Record, family="measured"):
    """A level read at the venue with one output sounding alone.

    `level_dba` or `by_octave_db`; it overrides the model for that output. One more than
    12 dB from the model is refused by a plan, unless `sure` says that it was looked into.
    """

    output: str
    at_m: Point
    state: StateName = "check"
    level_dba: float | None = None
    by_octave_db: Mapping[int, float] = field(default_factory=dict)
    sure: bool = False


RECORDS: Mapping[str, type[Record]] = {
    "room": Room, "goals": Goals, "survey": Survey, "state": State, "loudspeaker": Loudspeaker,
    "output": Output, **dict.fromkeys(ROLES, Source), "areas": Area, "measured": Measured,
}  # fmt: skip
