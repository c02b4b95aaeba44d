"""What a venue is: its states, room, loudspeakers, outputs, seats and goals.

Frozen records only; `fillalign.venue_file` reads them from a TOML file. All
lengths are metres in venue axes: the origin is the centre of the line of the
mains, x points into the room, y to the left seen from the stage, z up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from numbers import Real
from typing import Any

import numpy as np

from fillalign._check import FloatArray, as_float, check_choice, check_type
from fillalign._records import check_record
from fillalign._text import listed, quoted, short
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.air import Air

Point = tuple[float, float, float]

FEEDS = ("left", "right", "mono")
FILL_KINDS = ("delay", "under-balcony", "front", "tower")
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
    `delay_rule` is equal-level, box-to-box or never-early.
    """

    allowed_fall_db: float = 4.0
    reference_rows_m: tuple[float, float] | None = None
    reference_dba: float | None = None
    back_dba: float | None = None
    image_margin_ms: float = 5.0
    delay_rule: str = "equal-level"
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


@dataclass(frozen=True)
class Venue:
    """A whole venue, from `read_venue` or made by hand.

    `programme` is speech or music; mappings go by the names of what is in them;
    a venue without `room` is outdoors. `defaults_used` lists what the file left to us.

    Raises
    ------
    TypeError, ValueError
        Where its parts do not fit together: names that are not in it, an output
        without loudspeakers, a loudspeaker without a level, a state of a room
        without its decay. Most numbers are checked only when they are used.

    Examples
    --------
    >>> from fillalign import plan_fills
    >>> air, decay = Air(22.0, humidity_pct=45.0), dict.fromkeys(OCTAVES_NOMINAL, 1.5)
    >>> box = Loudspeaker("box", coverage_deg=(90, 60), maximum_dba=122.0, level_dba=92.0)
    >>> gym = Venue(
    ...     name="Gym",
    ...     programme="speech",
    ...     states={name: State(name, air, rt60_s=decay) for name in ("check", "show")},
    ...     room=Room(x_from_m=-4, x_to_m=40, width_m=18, height_m=7, volume_m3=5500),
    ...     loudspeakers={"box": box},
    ...     outputs={name: Output(name, "mono", f"mixer, {name}") for name in ("Main", "Fill")},
    ...     sources=(
    ...         Source("Main", "main", "Main", "box", (0, 0, 5), (15, 0, 1.2)),
    ...         Source("Fill", "fill", "Fill", "box", (24, 0, 5), (32, 0, 1.2), "delay", ("back",)),
    ...     ),
    ...     areas=(Area("front", 4, 23, -7, 7), Area("back", 24, 38, -7, 7)),
    ...     goals=Goals(allowed_fall_db=2.0),
    ... )
    >>> gym
    Venue('Gym': 2 loudspeakers on 2 outputs, 525 seats)
    >>> plan_fills(gym)
    FillPlan('Gym', 22 C: Main 0 ms +0 dB; Fill 69.85 ms -9.5 dB)
    """

    name: str
    programme: str
    states: Mapping[str, State]
    loudspeakers: Mapping[str, Loudspeaker]
    outputs: Mapping[str, Output]
    sources: tuple[Source, ...]
    areas: tuple[Area, ...]
    goals: Goals
    room: Room | None = None
    hold_back_ms: float = 0.0
    stage_microphone_m: Point = (-1.0, 0.0, 1.5)
    measured: tuple[Measured, ...] = ()
    weather_c: tuple[float, ...] = ()
    survey: Survey = Survey()
    defaults_used: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check the kinds of all fields, and what one part says of another."""
        check_record(self)
        check_choice("programme", self.programme, PROGRAMMES)
        check_choice("delay_rule", self.goals.delay_rule, DELAY_RULES)
        for kind in ("states", "loudspeakers", "outputs"):
            _check_names(kind, getattr(self, kind))
        _check_states(self)
        for box in self.loudspeakers.values():
            if box.level_dba is None and not box.level_by_octave_db:
                raise ValueError(f"loudspeaker {quoted(box.name)} must have level_dba or "
                                 "level_by_octave_db, got neither")
        for output in self.outputs.values():
            check_choice(f"the feed of output {quoted(output.name)}", output.feed, FEEDS)
            late = f"latency_ms of output {quoted(output.name)}"
            as_float(late, output.latency_ms, "ms", low=0.0, high=1000.0)
        as_float("image_margin_ms", self.goals.image_margin_ms, "ms", low=-100.0, high=100.0)
        areas = [area.name for area in self.areas]
        if not areas:
            raise ValueError("a venue needs at least one seat area, got none")
        for area in self.areas:
            _check_area(area, areas)
        seats = sum(rows * seats for rows, seats in (area.counts for area in self.areas))
        if seats > SEAT_LIMIT:
            raise ValueError(f"a venue must hold at most {SEAT_LIMIT} seats in all, got {seats}")
        for source in self.sources:
            _check_source(source, self, areas)
        for name in self.outputs:
            roles = {source.role for source in self.sources if source.output == name}
            if len(roles) != 1:
                served = " and ".join(sorted(roles)) or "no loudspeaker"
                raise ValueError(f"output {quoted(name)} must drive mains, subs or fills, "
                                 f"got {served}")
        for reading in self.measured:
            where = f"a measured level of {quoted(reading.output)}"
            check_choice(f"the output of {where}", reading.output, tuple(self.outputs))
            check_choice(f"the state of {where}", reading.state, STATES)
            if reading.level_dba is None and not reading.by_octave_db:
                raise ValueError(f"{where} must have level_dba or by_octave_db, got neither")

    def __repr__(self) -> str:
        """Name the venue and count what is in it."""
        seats = sum(rows * seats for rows, seats in (area.counts for area in self.areas))
        return (f"Venue({quoted(self.name)}: {len(self.sources)} loudspeakers on "
                f"{len(self.outputs)} outputs, {seats} seats)")

    @property
    def indoors(self) -> bool:
        """Whether there is a room with a reverberant field."""
        return self.room is not None

    def of_role(self, role: str) -> tuple[Source, ...]:
        """Return the sources of one role: main, sub or fill."""
        return tuple(source for source in self.sources if source.role == role)

    def with_goals(self, **changes: Any) -> Venue:
        """Return this venue with other goals, which are no defaults any more.

        Examples
        --------
        >>> from fillalign import read_venue
        >>> room = read_venue("data/lantern_room.toml").with_goals(image_margin_ms=8.0)
        >>> room.goals.image_margin_ms, "[goals] image_margin_ms = 5 ms" in room.defaults_used
        (8.0, False)
        """
        given = tuple(f"[goals] {name} " for name in changes)
        kept = tuple(line for line in self.defaults_used if not line.startswith(given))
        return replace(self, goals=replace(self.goals, **changes), defaults_used=kept)

    def area(self, name: str) -> Area:
        """Return the seat area of that name."""
        for area in self.areas:
            if area.name == name:
                return area
        raise KeyError(f"no seat area named {quoted(name)}; there are "
                       f"{listed(area.name for area in self.areas)}")


def _check_names(kind: str, parts: Mapping[str, State | Loudspeaker | Output]) -> None:
    for name, part in parts.items():
        if part.name != name:
            raise ValueError(f"{kind} must go by their own names, got {quoted(part.name)} as "
                             f"{quoted(name)}")


def _check_area(area: Area, names: list[str]) -> None:
    of = f"area {quoted(area.name)}"
    if names.count(area.name) > 1:
        raise ValueError(f"{of} must be there once, got {names.count(area.name)}")
    if area.x_from_m > area.x_to_m or area.y_from_m > area.y_to_m:
        raise ValueError(f"{of} must run from the smaller x and y to the larger")
    as_float(f"row_spacing_m of {of}", area.row_spacing_m, "m", low=0.0, open_low=True)
    as_float(f"seat_spacing_m of {of}", area.seat_spacing_m, "m", low=0.0, open_low=True)


def _check_states(venue: Venue) -> None:
    missing = [name for name in STATES if name not in venue.states]
    if missing:
        raise ValueError(f"a venue needs the states {' and '.join(STATES)}, got no {missing[0]}")
    for name, state in venue.states.items():
        without = [octave for octave in OCTAVES_NOMINAL if octave not in state.rt60_s]
        if venue.indoors and without:
            raise ValueError(f"state {quoted(name)} must have rt60_s at every octave of a room, "
                             f"got none at {without[0]} Hz")


def _check_source(source: Source, venue: Venue, areas: list[str]) -> None:
    name = quoted(source.name)
    check_choice(f"the role of {name}", source.role, ROLES)
    of = f"of {source.role} {name}"
    check_choice(f"the output {of}", source.output, tuple(venue.outputs))
    check_choice(f"the loudspeaker {of}", source.loudspeaker, tuple(venue.loudspeakers))
    for area in source.covers:
        check_choice(f"what a fill covers, {name},", area, tuple(areas))
    if source.role == "fill" and not source.covers:
        raise ValueError(f"fill {name} must cover a seat area, got none")
    if source.role == "fill":
        check_choice(f"the kind {of}", source.kind, FILL_KINDS)


def check_outputs(venue: Venue, names: Iterable[str]) -> tuple[str, ...]:
    """Return names of outputs, or raise ValueError at the first that no output has."""
    as_venue(venue)
    check_type("outputs", names, Iterable)
    given = tuple(names)
    for name in given:
        if not isinstance(name, str) or name not in venue.outputs:
            raise ValueError(f"no output named {quoted(name)}; there are {listed(venue.outputs)}")
    return given


def check_settings(venue: Venue, settings: Mapping[str, OutputSettings]) -> None:
    """Raise ValueError at settings of no output and TypeError at what are no settings."""
    if not isinstance(settings, Mapping):
        raise TypeError("settings must be OutputSettings by output, such as a plan's .settings, "
                        f"got {quoted(settings)}")
    check_outputs(venue, settings)
    for name, own in settings.items():
        if not isinstance(own, OutputSettings):
            raise TypeError(f"{short(name)}: settings must be an OutputSettings, got "
                            f"{type(own).__name__}")
        for key in ("delay_ms", "trim_db", "low_cut_hz", "shelf_db", "shelf_hz"):
            value = getattr(own, key)
            if not isinstance(value, Real) and not (value is None and key == "low_cut_hz"):
                raise TypeError(f"{short(name)}: {key} must be a number, got {quoted(value)}")


def as_venue(venue: object) -> Venue:
    """Return `venue` if it is a Venue, or raise one clear error."""
    if not isinstance(venue, Venue):
        raise TypeError(f"venue must be a Venue, such as read_venue returns, got {quoted(venue)}")
    return venue
