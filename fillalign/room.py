"""Sound energy in a room: direct, early and late, falling with distance.

All energies are relative to the direct sound of an omnidirectional source of
the same power, 10 m away. `rt60_s` usually holds one value an octave, on the
last axis; everything broadcasts. A box whose level is known on its axis feeds
the room with its power: divide the room energies by its directivity factor.
Whatever is not a number or outside its range raises TypeError or ValueError.
"""

from typing import Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import FloatArray, Form, bordered

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


Rt60 = Annotated[Any, arg.Within("s", 0.05, 30.0)]
Window = Annotated[Any, arg.Within("ms", 0.0, 1000.0)]
Later = Annotated[Any, arg.Within("ms", 0.0)]
Distance = Annotated[Any, arg.Within("m", NEAREST_M, 10000.0)]
Side = Annotated[Any, arg.Within("m", NEAREST_M, 2000.0)]
Absorption = Annotated[Any, arg.Within("", 0.001, 1.0)]
Volume = Annotated[Any, arg.Within("m^3", 10.0, 2e6)]


@overload
def direct_energy(distance_m: Form) -> Form: ...
@overload
def direct_energy(distance_m: ArrayLike) -> FloatArray: ...
@bordered
def direct_energy(distance_m: Distance) -> Any:
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
    return (_REFERENCE_M / distance_m) ** 2


@overload
def early_share(
    rt60_s: Form | float, *, early_ms: Form | float = ..., gap_ms: Form | float = ...
) -> Form: ...
@overload
def early_share(
    rt60_s: ArrayLike, *, early_ms: ArrayLike = ..., gap_ms: ArrayLike = ...
) -> FloatArray: ...
@bordered
def early_share(rt60_s: Rt60, *, early_ms: Window = 50.0, gap_ms: Later = 0.0) -> Any:
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
    left_s = np.maximum(early_ms - gap_ms, 0.0) / 1000.0
    return -np.expm1(-DECAY_NEPERS * left_s / rt60_s)


@overload
def reverberant_energy(
    distance_m: Form | float, rt60_s: Form | float, volume_m3: Form | float
) -> Form: ...
@overload
def reverberant_energy(
    distance_m: ArrayLike, rt60_s: ArrayLike, volume_m3: ArrayLike
) -> FloatArray: ...
@bordered
def reverberant_energy(distance_m: Distance, rt60_s: Rt60, volume_m3: Volume) -> Any:
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
    return _BARRON_LEE_LEVEL * rt60_s / volume_m3 * np.exp(-0.04 * distance_m / rt60_s)


@bordered
def early_late_energy(
    distance_m: Distance,
    rt60_s: Rt60,
    volume_m3: Volume,
    *,
    early_ms: Window = 50.0,
    gap_ms: Later = 0.0,
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


@bordered
def hopkins_stryker(
    distance_m: Distance, q: arg.Power, rt60_s: Rt60, volume_m3: Volume
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
    area = _SABINE_S_PER_M * volume_m3 / rt60_s
    return q * direct_energy(distance_m), 16.0 * np.pi * _REFERENCE_M**2 / area


@bordered
def sabine_rt60_s(
    length_m: Side, width_m: Side, height_m: Side, absorption: Absorption
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
    surface = 2.0 * (length_m * width_m + height_m * (length_m + width_m))
    return _SABINE_S_PER_M * length_m * width_m * height_m / (surface * absorption)
