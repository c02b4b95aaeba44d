"""What a meter or a take at a seat should say if the venue is as surveyed, and what was read."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fillalign._text import listed, quoted
from fillalign._validate import (
    ByValue,
    FloatArray,
    as_float,
    as_number,
    as_points,
    check_choice,
    check_type,
)
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.air import Air
from fillalign.field import (
    A_POWER,
    C_POWER,
    Paths,
    Settings,
    arrival_shift_ms,
    filter_power,
    place_among_seats,
    superpose,
    trace_paths,
    venue_seats,
)
from fillalign.levels import power_to_db
from fillalign.planning.delay import DelayBasis, basis_at, delay_basis, level_weights
from fillalign.planning.zones import Zones, aim_seat, asked_of, covered_seats, main_outputs
from fillalign.propagation import NEAR_DB, first_heard
from fillalign.venue import STATES, OutputSettings, Venue, check_outputs

# The band in which a take compares direct sounds; a response is read evenly by frequency there.
_READ = np.where((THIRDS_HZ > 950) & (THIRDS_HZ < 4200), THIRDS_HZ, 0.0)
_LEAST_LEFT_DB = -10.0
_READ_WITHIN_DB = 20.0
"""How far below the strongest a take reads a first arrival (ISO 3382-1, from memory)."""
BELIEVED_DB = 12.0
"""A reading farther than this from what is expected is taken for a slip (common practice)."""


@dataclass(frozen=True)
class MeterRead:
    """What was read for one fill at one seat; what was not read is None.

    Levels in dBA, pink noise, mains alone, this fill alone, and both. `gap_ms` is the
    fill's arrival after the mains' and `polarity_same` whether their clicks point the
    same way, both from a recording. `at_m` is by default the seat on the sheet.

    Raises
    ------
    TypeError, ValueError
        If a value is no number or out of range.

    Examples
    --------
    >>> MeterRead("Fill inner", mains_dba=71.2, fill_dba=69.5).fill_dba
    69.5
    """

    output: str
    at_m: tuple[float, float, float] | None = None
    mains_dba: float | None = None
    fill_dba: float | None = None
    both_dba: float | None = None
    gap_ms: float | None = None
    polarity_same: bool | None = None

    def __post_init__(self) -> None:
        """Refuse what no meter and no recording shows."""
        for name, unit, low, high in (("mains_dba", "dBA", 0.0, 160.0),
                                      ("fill_dba", "dBA", 0.0, 160.0),
                                      ("both_dba", "dBA", 0.0, 160.0),
                                      ("gap_ms", "ms", -1000.0, 1000.0)):
            if getattr(self, name) is not None:
                as_number(name, getattr(self, name), unit, low=low, high=high)
        if self.polarity_same is not None:
            check_type("polarity_same", self.polarity_same, bool)
        if self.at_m is not None:
            if not isinstance(self.at_m, tuple) or len(self.at_m) != 3:
                raise ValueError(f"at_m must be x, y and z in m, got {quoted(self.at_m)}")
            for axis, value in zip("xyz", self.at_m, strict=True):
                as_number(f"at_m {axis}", value, "m", low=-2000.0, high=2000.0)


@dataclass(frozen=True)
class MeterSeat:
    """What a meter shows at one more seat of a fill: `where` says which of its rows it is in."""

    where: str
    seat_m: tuple[float, float, float]
    mains_dba: float
    fill_dba: float
    both_dba: float


@dataclass(frozen=True, eq=False)
class Reading(ByValue):
    """Meter readings to expect at a fill's aim seat, venue empty, pink noise.

    With `click_delay_ms` dialled, fill and mains come together there: `click_hz` is the
    octave in which turning the fill's polarity over then takes most off the sum, and
    `click_db` that change. The delay holds for the check, or for the air found where that is
    another than the show's; `click_ms` tells it for any.
    `equal_m` is the covered seat where the direct sounds are nearest to equal, with what
    a meter shows there: it shows totals, which need not be equal. `more` are the seats of
    the first and the last row covered.
    """

    output: str
    seat_m: tuple[float, float, float]
    mains_dba: float
    mains_dbc: float
    fill_dba: float
    fill_dbc: float
    both_dba: float
    click_delay_ms: float
    click_hz: int
    click_db: float
    equal_m: tuple[float, float, float]
    equal_mains_dba: float
    equal_fill_dba: float
    more: tuple[MeterSeat, ...]
    basis: DelayBasis

    def click_ms(self, air: Air) -> float:
        """Delay with which fill and mains come together at the aim seat, 0 where they cannot."""
        return _together_ms(self.basis, air)


def expected_levels(
    zones: Zones, settings: Settings, outputs: Sequence[str]
) -> dict[str, Reading]:
    """Predict what a meter shows for each fill in the empty venue, at trim 0 where it is off."""
    show, check = (zones.venue.states[name] for name in ("show", "check"))
    # The delays were timed anew for the air found: the one for the click with them.
    found = check.air if zones.paths.air == show.air else zones.paths.air
    places = [_meter_seats(zones, settings, output) for output in outputs]
    seats = venue_seats(zones.venue).take(np.array(places, dtype=int).ravel())
    paths = trace_paths(zones.venue, seats, check)
    return {output: _levels(paths.take(slice(4 * at, 4 * at + 4)), settings, output, found)
            for at, output in enumerate(outputs)}


def _levels(paths: Paths, settings: Settings, output: str, found: Air) -> Reading:
    """Predict what a meter shows at the four seats of a fill."""
    points, aim = [*map(tuple, paths.seats.points_m.tolist())], paths.take(slice(0, 1))
    on = settings if settings.sounds(output) else settings.replaced(output, trim_db=0.0)
    mains, fill, both = meter_db(paths, on, output).tolist()
    mains_dbc, fill_dbc, _ = meter_db(aim, on, output, C_POWER)[:, 0].tolist()
    basis = basis_at(aim, on, output)
    octave, change = _polarity_click(aim, on, output, basis)
    return Reading(
        output=output,
        seat_m=points[0],
        mains_dba=mains[0],
        mains_dbc=mains_dbc,
        fill_dba=fill[0],
        fill_dbc=fill_dbc,
        both_dba=both[0],
        click_delay_ms=_together_ms(basis, found),
        click_hz=octave,
        click_db=change,
        equal_m=points[1],
        equal_mains_dba=mains[1],
        equal_fill_dba=fill[1],
        more=tuple(MeterSeat(row, points[at], mains[at], fill[at], both[at])
                   for at, row in ((2, "first row"), (3, "last row"))),
        basis=basis,
    )


def _meter_seats(zones: Zones, settings: Settings, output: str) -> list[int]:
    """Seats to read a fill at: its aim, where it is as loud as the mains, its first and last row.

    Of those rows the seats nearest across to the aim.
    """
    venue, seats = zones.venue, venue_seats(zones.venue)
    inside = np.flatnonzero(covered_seats(venue, seats, [output]))
    x, y, _ = seats.points_m[inside].T
    aim = aim_seat(venue, seats, output)
    across = np.abs(y - seats.points_m[aim, 1])
    ends = [int(inside[np.where(x == end, across, np.inf).argmin()])
            for end in (x.min(), x.max())]
    apart = np.abs(delay_basis(zones, settings, output).over_mains_db)
    away = seats.points_m - zones.covered([output]).seats.points_m[apart.argmin()]
    return [aim, int(np.linalg.norm(away, axis=1).argmin()), *ends]


def meter_db(
    paths: Paths, settings: Settings, output: str, weights: FloatArray = A_POWER
) -> FloatArray:
    """Total level (3, n), weighted, of the mains alone, of one fill alone, and of both."""
    mains = main_outputs(paths.venue)
    field = superpose(paths, settings, sounding=[*mains, output])
    return np.array([power_to_db(field.total(field.gains(names)) @ weights)
                     for names in (mains, [output], [*mains, output])])


def _together_ms(basis: DelayBasis, air: Air) -> float:
    """Delay with which a fill comes with the mains at the one seat of a basis, at least 0."""
    return max(float(basis.wanted_ms(air)[0]), 0.0)


def _polarity_click(
    paths: Paths, settings: Settings, output: str, basis: DelayBasis
) -> tuple[int, float]:
    """Octave in which turning a fill over takes most off the sum at one seat, and how much.

    Both in time there. A low cut turns the phase: in some octaves the sum grows, and
    nowhere need it fall by what can be heard.
    """
    own, delay, both = settings[output].polarity, _together_ms(basis, paths.air), []
    for polarity in (own, "normal" if own == "inverted" else "inverted"):
        field = superpose(paths, settings.replaced(output, delay_ms=delay, polarity=polarity),
                          sounding=[*main_outputs(paths.venue), output])
        both.append(field.total(field.gains())[0].reshape(-1, 3).sum(axis=1))
    as_set, turned = both
    change = np.where(as_set > 0.0, power_to_db(turned / np.maximum(as_set, 1e-30)), 0.0)
    octave = int(change.argmin())
    return int(OCTAVES_NOMINAL[octave]), float(change[octave])


# Takes ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Expected:
    """What a take of one fill at one seat should say.

    `gap_ms` and `level_difference_db` (direct sound of the fill's box that is heard first
    less that of `reference`, the main that is heard first; 1 to 4 kHz) as `measure_gap` reads
    them. `unclear_ms` is by how much the gap changes if what lies 10 to 20 dB below the
    loudest is passed over: where it is not 0, two arrivals compete at this seat.
    """

    output: str
    seat_m: tuple[float, float, float]
    reference: str
    gap_ms: float
    level_difference_db: float
    unclear_ms: float


def aim_seat_m(venue: Venue, output: str) -> tuple[float, float, float]:
    """Return the seat where a sheet has a fill's readings taken: the one nearest to its aim.

    Parameters
    ----------
    venue : Venue
        The venue.
    output : str
        The fill output.

    Raises
    ------
    ValueError
        If no output has that name.

    Examples
    --------
    >>> from fillalign import read_demo_venue
    >>> aim_seat_m(read_demo_venue("lantern_room"), "Fill")
    (9.0, 0.0, 1.2)
    """
    check_outputs(venue, [output])
    seats = venue_seats(venue)
    x, y, z = seats.points_m[aim_seat(venue, seats, output)].tolist()
    return x, y, z


def expected_reading(
    venue: Venue, settings: Mapping[str, OutputSettings], output: str, seat_m: ArrayLike, *,
    mains: Collection[str] | None = None, state: str = "check", air: Air | None = None,
) -> Expected:
    """Work out what a take at a seat should say, with settings as dialled.

    Parameters
    ----------
    venue : Venue
        The venue.
    settings : mapping of str to OutputSettings
        By output; a plan's `settings`, or as dialled.
    output : str
        The fill output that plays in its turn.
    seat_m : array_like, shape (3,)
        Where the microphone stands, in m.
    mains : collection of str, optional
        Outputs of the mains that play in their turn, whatever their feed; all by default.
    state : {"show", "check"}
        Whose air and wind.
    air : Air, optional
        Air instead of the state's.

    Raises
    ------
    ValueError
        If an output or the state is not known, the fill is off or no main plays.

    Examples
    --------
    >>> from fillalign import OutputSettings, read_demo_venue
    >>> room = read_demo_venue("lantern_room")
    >>> dialled = {"Fill": OutputSettings(delay_ms=20.0)}
    >>> expected = expected_reading(room, dialled, "Fill", (10.0, 0.0, 1.2))
    >>> expected.reference, round(expected.gap_ms, 1)
    ('Main left', 2.6)
    """
    check_outputs(venue, [output])
    playing = main_outputs(venue) if mains is None else check_outputs(venue, mains)
    whole = Settings(venue, settings)
    if not whole.sounds(output):
        raise ValueError(f"output {output} is off in these settings: there is nothing to expect")
    where = venue.states[check_choice("state", state, STATES)]
    point = as_points("seat_m", seat_m)
    if point.ndim != 1:
        raise ValueError(f"seat_m must be one point (x, y, z), got shape {point.shape}")
    place = place_among_seats(venue, point)
    paths = trace_paths(venue, place, where, air)
    (main, first), (fill, later) = (
        _first(paths, whole, outputs, _READ_WITHIN_DB) for outputs in (playing, [output]))
    (_, usual), (_, usually_later) = (
        _first(paths, whole, outputs, NEAR_DB) for outputs in (playing, [output]))
    return Expected(
        output=output,
        seat_m=tuple(place.points_m[0].tolist()),
        reference=venue.sources[main].name,
        gap_ms=later - first,
        level_difference_db=_direct_db(paths, whole, fill) - _direct_db(paths, whole, main),
        unclear_ms=abs((later - first) - (usually_later - usual)),
    )


def _first(
    paths: Paths, settings: Settings, outputs: Collection[str], within_db: float
) -> tuple[int, float]:
    """Return which box of some outputs is heard first, and when, in ms."""
    venue = paths.venue
    sources = [number for number, source in enumerate(venue.sources)
               if source.output in outputs and settings.sounds(source.output)]
    if not sources:
        raise ValueError(f"nothing sounds on {listed(outputs)}: there is nothing to expect")
    shift, names = arrival_shift_ms(venue, settings), [venue.sources[n].output for n in sources]
    found, time = first_heard(
        paths.serving_ms[sources, 0] + [shift[name] for name in names],
        [_direct_db(paths, settings, number) for number in sources], within_db=within_db,
    )
    return sources[int(found)], float(time)


def _direct_db(paths: Paths, settings: Settings, source: int) -> float:
    """Direct sound of a box as set, of a signal that is even by frequency from 1 to 4 kHz."""
    own = settings[paths.venue.sources[source].output]
    power = paths.power[source, 0] * filter_power(own) / THIRDS_HZ
    return float(power_to_db(np.maximum(power @ _READ, 1e-30))) + own.trim_db


def common_correction_ms(
    venue: Venue, output: str, wanted_ms: ArrayLike, level_difference_db: ArrayLike
) -> float:
    """Return the one change of a fill's delay that suits several seats, by the venue's rule.

    Parameters
    ----------
    venue : Venue
        The venue, whose `delay_rule` for the output decides.
    output : str
        The fill output.
    wanted_ms : array_like, shape (n,)
        What to add by the take at each seat, in ms.
    level_difference_db : array_like, shape (n,)
        Direct sound of the fill less that of the mains at each, in dB: seats weigh by
        nearness of level where the rule is equal-level. Never-early takes the largest,
        box-to-box the mean.

    Raises
    ------
    ValueError
        If an output is not known, or a value is no finite number.

    Examples
    --------
    >>> from fillalign import read_demo_venue
    >>> room = read_demo_venue("lantern_room")
    >>> common_correction_ms(room, "Fill", [-2.0, -3.0, -9.0], [0.0, 2.0, -15.0])
    -2.5
    """
    check_outputs(venue, [output])
    wanted = np.atleast_1d(as_float("wanted_ms", wanted_ms, "ms"))
    over = np.atleast_1d(as_float("level_difference_db", level_difference_db, "dB"))
    if wanted.ndim != 1 or wanted.shape != over.shape or not wanted.size:
        raise ValueError("wanted_ms and level_difference_db must hold one number a seat, got "
                         f"shapes {wanted.shape} and {over.shape}")
    rule = asked_of(venue, output).delay_rule
    if rule == "never-early":
        return float(wanted.max())
    weights = level_weights(over) if rule == "equal-level" else np.ones(wanted.size)
    return float((weights * wanted).sum() / weights.sum())


def resting_levels_db(levels_db: Mapping[int, float], own: OutputSettings) -> dict[int, float]:
    """Return measured octave levels as they would be at trim 0 without filters.

    Parameters
    ----------
    levels_db : mapping
        Nominal octave to level with the output alone as it is set, in dB.
    own : OutputSettings
        How it is set.

    Returns
    -------
    dict
        For `Measured`; octaves of which the filters leave less than -10 dB are left out.

    Raises
    ------
    ValueError
        If a level is no finite number, or the output is off.

    Examples
    --------
    >>> from fillalign import OutputSettings
    >>> resting_levels_db({1000: 60.0}, OutputSettings(trim_db=-6.0))
    {1000: 66.0}
    """
    trim = as_number("trim_db", own.trim_db, "dB")
    left_db = power_to_db(filter_power(own).reshape(-1, 3).mean(axis=1)).tolist()
    kept = dict(zip(OCTAVES_NOMINAL, left_db, strict=True))
    return {int(octave): as_number("levels_db", level, "dB") - trim - kept[octave]
            for octave, level in levels_db.items() if kept[octave] > _LEAST_LEFT_DB}
