"""What a take at a seat should say if the venue is as surveyed, and what suits several seats."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fillalign._text import listed
from fillalign._validate import FloatArray, as_float, as_number, as_points, check_choice
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.air import Air
from fillalign.field import (
    Paths,
    Settings,
    arrival_shift_ms,
    filter_power,
    place_among_seats,
    trace_paths,
    venue_seats,
)
from fillalign.levels import power_to_db
from fillalign.planning.delay import level_weights
from fillalign.planning.zones import aim_seat, asked_of, main_outputs
from fillalign.propagation import NEAR_DB, first_heard
from fillalign.venue import STATES, OutputSettings, Venue, check_outputs

# The band in which a take compares direct sounds; a response is read evenly by frequency there.
_READ = np.where((THIRDS_HZ > 950) & (THIRDS_HZ < 4200), THIRDS_HZ, 0.0)
_LEAST_LEFT_DB = -10.0
_READ_WITHIN_DB = 20.0
"""How far below the strongest a take reads a first arrival (ISO 3382-1, from memory)."""


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
    x, y, z = seats.points_m[aim_seat(venue, seats, output)]
    return float(x), float(y), float(z)


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
    (main, first), (_, usual) = (
        _first(paths, whole, playing, within) for within in (_READ_WITHIN_DB, NEAR_DB))
    (fill, later), (_, usually_later) = (
        _first(paths, whole, [output], within) for within in (_READ_WITHIN_DB, NEAR_DB))
    x, y, z = place.points_m[0]
    return Expected(
        output=output,
        seat_m=(float(x), float(y), float(z)),
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


def resting_levels_db(
    levels_db: Mapping[int, float], own: OutputSettings
) -> dict[int, float]:
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
    through = power_to_db(_by_octave(filter_power(own)))
    kept = dict(zip(OCTAVES_NOMINAL, np.atleast_1d(through), strict=True))
    return {int(octave): as_number("levels_db", level, "dB") - trim - float(kept[octave])
            for octave, level in levels_db.items() if kept[octave] > _LEAST_LEFT_DB}


def _by_octave(power: FloatArray) -> FloatArray:
    """Mean of the three third octaves of each octave."""
    return np.asarray(power.reshape(-1, 3).mean(axis=1))
