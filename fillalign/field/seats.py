"""Levels and arrivals of every output at every seat, in third octaves."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fillalign._text import listed, quoted
from fillalign._validate import FloatArray, as_points, check_choice
from fillalign.absorption import THIRDS_HZ
from fillalign.air import Air
from fillalign.field.paths import A_POWER, Seats, single_points, trace_paths, venue_seats
from fillalign.field.superpose import (
    Settings,
    build_mix,
    full_settings,
    gains_of,
    measured_shifts_db,
    to_db,
)
from fillalign.levels import c_weighting_db
from fillalign.venue import STATES, Venue, as_venue, check_outputs

C_POWER = 10 ** (c_weighting_db(THIRDS_HZ) / 10)
_BLOCK = 1024


@dataclass(frozen=True)
class SeatField:
    """Levels at n seats for o outputs in 27 third octaves (`THIRDS_HZ`), unweighted, in dB.

    `direct_db`, `useful_db`, `total_db` (n, 27) are of everything sounding;
    `output_direct_db` (o, n, 27) and `arrival_ms` (o, n) of each output alone.
    """

    outputs: tuple[str, ...]
    seats_m: FloatArray
    direct_db: FloatArray
    useful_db: FloatArray
    total_db: FloatArray
    output_direct_db: FloatArray
    arrival_ms: FloatArray

    def __repr__(self) -> str:
        """Count the seats and name the outputs."""
        return f"SeatField({len(self.seats_m)} seats, outputs {listed(self.outputs)})"

    def octaves_db(self, which: str = "total") -> FloatArray:
        """Octave levels (n, 9) of `which`: direct, useful or total."""
        power = self._power(which)
        return to_db(power.reshape(*power.shape[:-1], -1, 3).sum(axis=-1))

    def weighted_db(self, which: str = "total", *, weighting: str = "A") -> FloatArray:
        """Return the A- or C-weighted level (n,) of `which`: direct, useful or total."""
        weights = A_POWER if check_choice("weighting", weighting, ("A", "C")) == "A" else C_POWER
        return to_db(self._power(which) @ weights)

    def _power(self, which: str) -> FloatArray:
        word = check_choice("which", which, ("direct", "useful", "total"))
        return np.asarray(10 ** (getattr(self, f"{word}_db") / 10))


def what_is_asked(
    venue: Venue,
    settings: Settings | None,
    state: str,
    seats_m: ArrayLike | None,
    sounding: Collection[str] | None,
) -> tuple[Settings, Seats, FloatArray]:
    """Check what a map of seats is to show: settings of all outputs, seats, gains (o,)."""
    as_venue(venue)
    check_choice("state", state, STATES)
    names = list(venue.outputs)
    if isinstance(sounding, str):
        raise TypeError(f"sounding must be a list of outputs, got {quoted(sounding)}")
    heard = names if sounding is None else check_outputs(venue, sounding)
    full = full_settings(venue, {} if settings is None else settings)
    seats = venue_seats(venue) if seats_m is None else single_points(as_points("seats_m", seats_m))
    if seats.points_m.ndim > 2:
        raise ValueError(f"seats_m must have shape (n, 3), got {seats.points_m.shape}")
    return full, seats, gains_of(full, names, heard)


def seat_field(
    venue: Venue,
    settings: Settings | None = None,
    *,
    state: str = "show",
    air: Air | None = None,
    seats_m: ArrayLike | None = None,
    sounding: Collection[str] | None = None,
) -> SeatField:
    """Levels and arrivals of a venue at every seat.

    Parameters
    ----------
    venue : Venue
        The venue.
    settings : mapping of str to OutputSettings, optional
        By output; outputs left out rest at trim 0 and the hold-back.
    state : {"show", "check"}
        Which state's air, wind and reverberation to use.
    air : Air, optional
        Air instead of the state's.
    seats_m : array_like, optional
        Points (n, 3) in m instead of the venue's seats (no shadow applies).
    sounding : collection of str, optional
        Names of the outputs that sound; all by default.

    Returns
    -------
    SeatField
        Computed in blocks of seats, so that memory stays bounded.

    Raises
    ------
    TypeError
        If the venue is no Venue, the air no Air, or settings no OutputSettings.
    ValueError
        If an output or the state is not known, or the points are not (n, 3) and finite.

    References
    ----------
    Barron, M. and Lee, L.-J. (1988), J. Acoust. Soc. Am. 84(2), 618-628; ISO
    9613-1:1993; interference as in `fillalign.interference`.

    Examples
    --------
    >>> from fillalign import read_venue, seat_field
    >>> hall = read_venue("data/tidewell_hall.toml")
    >>> seat_field(hall, seats_m=[[13, 0, 1.2]]).total_db.shape
    (1, 27)

    In dBA at 2 kHz, over a grid:

    >>> import numpy as np
    >>> from fillalign import OCTAVES_NOMINAL
    >>> from fillalign.levels import a_weighting_db
    >>> x_m, y_m = np.meshgrid([13.0, 30.0], [-3.0, 0.0, 3.0])
    >>> points = np.stack([x_m, y_m, np.full(x_m.shape, 1.2)], axis=-1).reshape(-1, 3)
    >>> level = seat_field(hall, seats_m=points).octaves_db()[:, OCTAVES_NOMINAL.index(2000)]
    >>> (level + a_weighting_db(2000.0)).reshape(x_m.shape).shape
    (3, 2)
    """
    full, seats, gains = what_is_asked(venue, settings, state, seats_m, sounding)
    shift, where = measured_shifts_db(venue) if venue.measured else None, venue.states[state]
    names, count, bands = tuple(venue.outputs), len(seats), THIRDS_HZ.size
    direct, useful, total = np.empty((3, count, bands))
    every, arrival = np.empty((len(names), count, bands)), np.empty((len(names), count))
    for start in range(0, count, _BLOCK):
        block = slice(start, start + _BLOCK)
        paths = trace_paths(
            venue, seats.take(block), where, where.air if air is None else air
        )
        mix = build_mix(venue, paths, full, state=state, sounding=sounding, shift_db=shift)
        own = np.einsum("oonb->onb", mix.gram) * gains[:, None, None] ** 2
        for made, power in ((direct, mix.direct), (useful, mix.useful), (total, mix.total)):
            made[block] = to_db(power(gains))
        every[:, block], arrival[:, block] = to_db(own), mix.arrival_ms
    return SeatField(names, seats.points_m, direct, useful, total, every, arrival)
