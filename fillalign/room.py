"""Sound energy in a room: direct, early and late, falling with distance.

All energies are relative to the direct sound of an omnidirectional source of
the same power, 10 m away. `rt60_s` usually holds one value an octave, on the
last axis; everything broadcasts. A box whose level is known on its axis feeds
the room with its power: divide the room energies by its directivity factor.
Whatever is not a number or outside its range raises TypeError or ValueError.
"""

from __future__ import annotations

from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import FloatArray, Form, as_float, broadcasting

__all__ = [
    "direct_energy",
    "early_late_energy",
    "early_share",
    "hopkins_stryker",
    "reverberant_energy",
    "sabine_rt60_s",
]

DECAY_NEPERS = 13.8
"""Energy decay over one RT60 (60 dB) as an exponent, as printed by the sources."""

NEAREST_M = 1e-6
"""Shortest distance in m that has a reverberant level."""

_BARRON_LEE_LEVEL = 31200.0
_SABINE_S_PER_M = 0.161
_REFERENCE_M = 10.0


def as_rt60(rt60_s: ArrayLike) -> FloatArray:
    """Return checked reverberation times in s (0.05 to 30)."""
    return as_float("rt60_s", rt60_s, "s", low=0.05, high=30.0)


def _as_distance(distance_m: ArrayLike) -> FloatArray:
    return as_float("distance_m", distance_m, "m", low=NEAREST_M, high=10000.0)


def _as_volume(volume_m3: ArrayLike) -> FloatArray:
    return as_float("volume_m3", volume_m3, "m^3", low=10.0, high=2e6)


@overload
def direct_energy(distance_m: Form) -> Form: ...
@overload
def direct_energy(distance_m: ArrayLike) -> FloatArray: ...
@broadcasting
def direct_energy(distance_m: ArrayLike) -> Any:
    """Return the direct sound of an omnidirectional source, 1 at 10 m.

    Parameters
    ----------
    distance_m : array_like
        Distance in m, 1e-6 to 10000.

    Returns
    -------
    float or ndarray
        100/r^2 (Barron and Lee 1988, eq. 1 as rewritten for 10 m).

    Examples
    --------
    >>> direct_energy(20.0)
    0.25
    """
    return (_REFERENCE_M / _as_distance(distance_m)) ** 2


@overload
def early_share(
    rt60_s: Form | float, *, early_ms: Form | float = ..., gap_ms: Form | float = ...
) -> Form: ...
@overload
def early_share(
    rt60_s: ArrayLike, *, early_ms: ArrayLike = ..., gap_ms: ArrayLike = ...
) -> FloatArray: ...
@broadcasting
def early_share(rt60_s: ArrayLike, *, early_ms: ArrayLike = 50.0, gap_ms: ArrayLike = 0.0) -> Any:
    """Return the share of one source's tail that a seat takes as early.

    The window opens at the first arrival of any source, so a source that
    arrives later has less of its tail in it, and none once the gap exceeds it.

    Parameters
    ----------
    rt60_s : array_like
        Reverberation time in s.
    early_ms : array_like
        Length of the window in ms: 50 for speech, 80 for music.
    gap_ms : array_like
        How much later than the seat's first arrival this source arrives, in
        ms, 0 or more.

    Returns
    -------
    float or ndarray
        1 - e^(-13.8 (t_e - g)/T), and 0 for g >= t_e.

    Examples
    --------
    >>> round(early_share(1.0), 3), early_share(1.0, gap_ms=60.0)
    (0.498, 0.0)
    """
    rt60 = as_rt60(rt60_s)
    window = as_float("early_ms", early_ms, "ms", low=0.0, high=1000.0)
    gap = as_float("gap_ms", gap_ms, "ms", low=0.0)
    left_s = np.maximum(window - gap, 0.0) / 1000.0
    return -np.expm1(-DECAY_NEPERS * left_s / rt60)


@overload
def reverberant_energy(
    distance_m: Form | float, rt60_s: Form | float, volume_m3: Form | float
) -> Form: ...
@overload
def reverberant_energy(
    distance_m: ArrayLike, rt60_s: ArrayLike, volume_m3: ArrayLike
) -> FloatArray: ...
@broadcasting
def reverberant_energy(distance_m: ArrayLike, rt60_s: ArrayLike, volume_m3: ArrayLike) -> Any:
    """Return the energy of the whole tail, early and late, by revised theory.

    Parameters
    ----------
    distance_m : array_like
        Distance from the source in m: the tail starts when the direct sound
        arrives, so it is weaker further away.
    rt60_s : array_like
        Reverberation time in s, 0.05 to 30.
    volume_m3 : array_like
        Volume of the room in m^3, 10 to 2e6.

    Returns
    -------
    float or ndarray
        (31200 T/V) e^(-0.04 r/T).

    Notes
    -----
    Barron and Lee 1988, 'Energy relations in concert auditoriums I', J.
    Acoust. Soc. Am. 84(2), 618-628. Found in concert halls; under a deep
    balcony and in strongly coupled rooms real levels are lower.

    Examples
    --------
    >>> round(reverberant_energy(20.0, 1.2, 4000.0), 3)
    4.806
    """
    distance, rt60, volume = _as_distance(distance_m), as_rt60(rt60_s), _as_volume(volume_m3)
    return _BARRON_LEE_LEVEL * rt60 / volume * np.exp(-0.04 * distance / rt60)


@broadcasting
def early_late_energy(
    distance_m: ArrayLike,
    rt60_s: ArrayLike,
    volume_m3: ArrayLike,
    *,
    early_ms: ArrayLike = 50.0,
    gap_ms: ArrayLike = 0.0,
) -> tuple[Any, Any]:
    """Return a source's early and late room energy at a seat.

    Parameters
    ----------
    distance_m, rt60_s, volume_m3 : array_like
        As in `reverberant_energy`.
    early_ms, gap_ms : array_like
        As in `early_share`: the window opens at the seat's first arrival.

    Returns
    -------
    early, late : float or ndarray
        Together always the whole tail, whatever the window and the gap.

    Examples
    --------
    >>> early, late = early_late_energy(20.0, 1.2, 4000.0)
    >>> round(early, 3), round(late, 3)
    (2.101, 2.704)
    """
    tail = reverberant_energy(distance_m, rt60_s, volume_m3)
    share = early_share(rt60_s, early_ms=early_ms, gap_ms=gap_ms)
    return tail * share, tail * (1.0 - share)


@broadcasting
def hopkins_stryker(
    distance_m: ArrayLike, q: ArrayLike, rt60_s: ArrayLike, volume_m3: ArrayLike
) -> tuple[Any, Any]:
    """Return direct and reverberant energy with a field constant in the room.

    The classic model, kept beside Barron and Lee's for comparison only: its
    total hardly falls towards the back, which real rooms do.

    Parameters
    ----------
    distance_m : array_like
        Distance in m.
    q : array_like
        Directivity factor towards the listener (1 for an omnidirectional
        source of the same power).
    rt60_s, volume_m3 : array_like
        Reverberation time in s and volume in m^3.

    Returns
    -------
    direct, reverberant : float or ndarray
        Q/(4 pi r^2) and 4/A, both over the reference 1/(4 pi 10^2), with
        Sabine's A = 0.161 V/T (Hopkins and Stryker 1948, Proc. IRE 36).

    Examples
    --------
    >>> direct, reverberant = hopkins_stryker(20.0, 4.0, 1.2, 4000.0)
    >>> round(direct, 3), round(reverberant, 3)
    (1.0, 9.366)
    """
    direct = as_float("q", q, low=0.0) * direct_energy(distance_m)
    area = _SABINE_S_PER_M * _as_volume(volume_m3) / as_rt60(rt60_s)
    return direct, 16.0 * np.pi * _REFERENCE_M**2 / area


@broadcasting
def sabine_rt60_s(
    length_m: ArrayLike, width_m: ArrayLike, height_m: ArrayLike, absorption: ArrayLike
) -> Any:
    """Return the decay of a box-shaped room by Sabine.

    Parameters
    ----------
    length_m, width_m, height_m : array_like
        Sides in m, above 0 to 2000.
    absorption : array_like
        Mean share of the sound that its surfaces absorb, 0.001 to 1.

    Returns
    -------
    float or ndarray
        0.161 V/(S a) in s, with the volume V and the surface S (Sabine 1922, Collected
        Papers on Acoustics; the constant from memory).

    Raises
    ------
    TypeError, ValueError
        If a value is no number or out of range.

    Examples
    --------
    >>> round(sabine_rt60_s(20.0, 12.0, 6.0, 0.2), 2)
    1.34
    """
    sides = [as_float(name, side, "m", low=NEAREST_M, high=2000.0) for name, side in
             (("length_m", length_m), ("width_m", width_m), ("height_m", height_m))]
    share = as_float("absorption", absorption, low=0.001, high=1.0)
    length, width, height = sides
    surface = 2.0 * (length * width + height * (length + width))
    return _SABINE_S_PER_M * length * width * height / (surface * share)
