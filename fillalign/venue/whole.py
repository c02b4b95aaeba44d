"""A whole venue: its parts, and whether they and what is dialled on them fit together.

`fillalign.venue.reader` reads it from a TOML file; its axes are those of
`fillalign.venue.model`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from numbers import Real
from typing import Any

import numpy as np

from fillalign._text import listed, quoted, short
from fillalign._validate import as_float, check_choice, check_record, check_type
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.filters import LOW_CUT_ORDERS
from fillalign.levels import weighted_total_db
from fillalign.venue.model import (
    DELAY_RULES,
    FEEDS,
    FILL_KINDS,
    POLARITIES,
    PROGRAMMES,
    ROLES,
    SEAT_LIMIT,
    STATES,
    Area,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    OutputSettings,
    Point,
    Room,
    Source,
    State,
    Survey,
)


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
    >>> from fillalign import Air, plan_fills
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
    survey: Survey = field(default_factory=Survey)
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


def own_level_dba(loudspeaker: Loudspeaker) -> float:
    """A-weighted level at 1 m at trim 0."""
    if loudspeaker.level_dba is not None:
        return loudspeaker.level_dba
    octaves = [octave for octave in OCTAVES_NOMINAL if octave in loudspeaker.level_by_octave_db]
    levels = [loudspeaker.level_by_octave_db[octave] for octave in octaves]
    # Pink noise: the three thirds of an octave are alike.
    thirds = THIRDS_HZ[np.isin(OCTAVES_NOMINAL, octaves).repeat(3)]
    return float(weighted_total_db(np.repeat(levels, 3) - 10 * np.log10(3), thirds))


def headroom_db(venue: Venue, output: str) -> float:
    """Highest trim that keeps every box of an output within its maximum level."""
    kinds = {source.loudspeaker for source in venue.sources if source.output == output}
    boxes = [venue.loudspeakers[kind] for kind in kinds]
    return min(box.maximum_dba - own_level_dba(box) for box in boxes)


LOWEST_DIALLED_DB = -120.0
# As in a venue file.
DIALLED = (
    ("low_cut_hz", "Hz", 20.0, 2000.0),
    ("shelf_db", "dB", -12.0, 12.0),
    ("shelf_hz", "Hz", 500.0, 16000.0),
)


def check_dialled(venue: Venue, settings: Mapping[str, OutputSettings]) -> None:
    """Refuse settings of outputs that the venue or its devices do not have."""
    check_settings(venue, settings)
    for name, own in settings.items():
        of, device = short(name), venue.outputs[name]
        if not 0.0 <= own.delay_ms <= device.delay_max_ms:
            raise ValueError(
                f"{of}: delay_ms must be between 0 and {device.delay_max_ms:g} ms, "
                f"got {own.delay_ms:g}"
            )
        highest = headroom_db(venue, name)
        if not (np.isneginf(own.trim_db) or LOWEST_DIALLED_DB <= own.trim_db <= highest):
            raise ValueError(
                f"{of}: trim_db must be between {LOWEST_DIALLED_DB:g} and {highest:g} dB, or "
                f"minus infinity for off, got {own.trim_db:g}"
            )
        for key, unit, low, high in DIALLED:
            value = getattr(own, key)
            if value is not None and not low <= value <= high:
                raise ValueError(
                    f"{of}: {key} must be between {low:g} and {high:g} {unit}, got {value:g}"
                )
        check_choice(f"{of}: polarity", own.polarity, POLARITIES)
        if own.low_cut_order not in LOW_CUT_ORDERS.get(own.low_cut_kind, ()):
            raise ValueError(f"{of}: there is no {quoted(own.low_cut_kind)} low cut of order "
                             f"{own.low_cut_order}")
        offered = own.low_cut_kind in device.low_cut_kinds
        if own.low_cut_hz is not None and not (offered and
                                               own.low_cut_order in device.low_cut_orders):
            raise ValueError(
                f"{of}: its device has no {quoted(own.low_cut_kind)} low cut of order "
                f"{own.low_cut_order}; it has {listed(device.low_cut_kinds)} of order "
                f"{listed(map(str, device.low_cut_orders))}"
            )


def saved_settings(saved: Mapping[str, Any]) -> dict[str, OutputSettings]:
    """Return the settings in a plan's `to_dict`, also when read back from JSON.

    Parameters
    ----------
    saved : mapping
        What `FillPlan.to_dict` returned; only its settings are read.

    Returns
    -------
    dict of str to OutputSettings
        By output, for `evaluate`, `seat_field` and `render_seat`.

    Raises
    ------
    ValueError
        If there are no settings in it, or something else among them.

    Examples
    --------
    >>> import json
    >>> from fillalign import evaluate, plan_fills, read_venue
    >>> plan = plan_fills(read_venue("data/lantern_room.toml"))
    >>> text = json.dumps(plan.to_dict())
    >>> evaluate(plan.venue, saved_settings(json.loads(text))) == plan
    True
    """
    try:
        return {
            name: OutputSettings(**{**own, "trim_db": float(own["trim_db"])})
            for name, own in saved["settings"].items()
        }
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise ValueError("saved must be what FillPlan.to_dict returns, with the settings of "
                         f"every output: {type(error).__name__} {error}") from None
