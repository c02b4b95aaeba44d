"""The parts of a venue: its states, room, loudspeakers, outputs, seat areas and goals.

Frozen records only; `fillalign.venue.whole` puts them together. All lengths are
metres in venue axes: the origin is the centre of the line of the mains, x
points into the room, y to the left seen from the stage, z up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fillalign._validate import FloatArray
from fillalign.air import Air

Point = tuple[float, float, float]

FEEDS = ("left", "right", "mono")
FILL_KINDS = ("delay", "under-balcony", "front", "tower")
PRIORITIES = ("auto", "words", "image")
DELAY_RULES = ("equal-level", "box-to-box", "never-early")
LOW_CUT_KINDS = ("linkwitz-riley", "butterworth")
POLARITIES = ("normal", "inverted")
PROGRAMMES = ("speech", "music")
ROLES = ("main", "sub", "fill")
STATES = ("check", "show")
SEAT_LIMIT = 250_000


@dataclass(frozen=True)
class State:
    """The venue empty (`check`) or occupied (`show`): air, wind and decay.

    `name` is `check` or `show`. `rt60_s` maps the nominal octaves in Hz to
    seconds, all of `OCTAVES_NOMINAL` in a room and none outdoors.
    `wind_towards_deg` is counted from +x towards +y.
    """

    name: str
    air: Air
    wind_m_s: float = 0.0
    wind_towards_deg: float = 0.0
    rt60_s: Mapping[int, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Room:
    """A room's outline for drawing and its volume for the decay model."""

    x_from_m: float
    x_to_m: float
    width_m: float
    height_m: float
    volume_m3: float


@dataclass(frozen=True)
class Loudspeaker:
    """A kind of loudspeaker: one box, or an array of equal elements.

    `level_dba` is pink noise at 1 m on the axis at trim 0 (for an array: its
    level at the aim point brought back to 1 m); `level_by_octave_db` replaces
    it by unweighted octave levels. `coverage_deg` is (horizontal, vertical),
    between the -6 dB points. Elements hang down from the position,
    `spacing_m` apart, each tilted down from the one above by `splay_deg`.
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
    low_cut_kind: str = "linkwitz-riley"
    shelf_db: float = 0.0
    shelf_hz: float = 4000.0
    polarity: str = "normal"


@dataclass(frozen=True)
class Output:
    """One output bus with its processing: it drives one group of loudspeakers.

    `feed` is left, right or mono, `set_in` says where its delay is dialled,
    `polarity` is normal or inverted; low cuts are linkwitz-riley or butterworth.
    `locked` holds the names and values of settings that planning must keep.
    `delay_rule`, `image_margin_ms` and `priority` are a fill's own; None takes those of
    its areas or of the venue (a front fill's rule is equal-level then).
    """

    name: str
    feed: str
    set_in: str
    latency_ms: float = 0.0
    delay_step_ms: float = 0.01
    delay_max_ms: float = 1000.0
    sample_rate_hz: float = 48000.0
    polarity: str = "normal"
    low_cut_kinds: tuple[str, ...] = ("linkwitz-riley",)
    low_cut_orders: tuple[int, ...] = (4,)
    locked: Mapping[str, float | str | None] = field(default_factory=dict)
    delay_rule: str | None = None
    image_margin_ms: float | None = None
    priority: str | None = None


@dataclass(frozen=True)
class Source:
    """One loudspeaker in its place. `role` is main, sub or fill.

    `kind` is delay, under-balcony, front or tower for fills and empty otherwise;
    `covers` names the seat areas a fill is meant for.
    """

    name: str
    role: str
    output: str
    loudspeaker: str
    position_m: Point
    aim_m: Point
    kind: str = ""
    covers: tuple[str, ...] = ()


@dataclass(frozen=True)
class Area:
    """A block of seats in rows of constant x.

    The floor is at `floor_m` in the first row and rises by `rake_deg`.
    `shadowed_from` names sources hidden from here (or the word mains), which
    lose `shadow_loss_db` by nominal octave. `allowed_fall_db` is how far this
    area may lie below the reference; None takes the venue's profile.
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
    allowed_fall_db: float | None = None
    priority: str | None = None

    @property
    def counts(self) -> tuple[int, int]:
        """Number of rows and of seats in each, without making them."""
        rows = int((self.x_to_m - self.x_from_m) / self.row_spacing_m + 1e-9) + 1
        return rows, int((self.y_to_m - self.y_from_m) / self.seat_spacing_m + 1e-9) + 1

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
class Goals:
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
    delay_rule: str = "equal-level"
    priority: str = "auto"
    highs_loss_db: float = 6.0
    sti: float | None = None
    hearing_dba: float = 100.0
    noise_db: Mapping[int, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Survey:
    """Standard uncertainties of what was measured at the venue (common practice)."""

    laser_m: float = 0.02
    thermometer_c: float = 1.0
    hygrometer_pct: float = 5.0
    latency_ms: float = 0.2


@dataclass(frozen=True)
class Measured:
    """A level read at the venue with one output sounding alone.

    `level_dba` or `by_octave_db`; it overrides the model for that output.
    """

    output: str
    at_m: Point
    state: str
    level_dba: float | None = None
    by_octave_db: Mapping[int, float] = field(default_factory=dict)
