"""How loud a fill may be before the ear leaves the stage, or hears an echo.

One precedence table, used for every seat. Its rows from 0 to 50 ms are common practice
without a source; the outer rows are our own cautious continuation:

- Fill *early* (negative gap): the first arrival draws the image, so the limit
  drops to -10 dB at -5 ms (the mirror of the 10 dB of Haas 1951), and falls by
  a quarter of a decibel per ms from there.
- Fill later than 50 ms: an echo. It falls by the same quarter of a decibel
  per ms, down to -25 dB, below which an arrival is left out of account.

Beside it the echo criterion, for late arrivals in a room.
"""

import math
from typing import Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import FloatArray, Form, Programme, bordered, check_shapes, checked
from fillalign.propagation import NEAR_DB, ArrivalLevel
from fillalign.room import DECAY_NEPERS, Rt60
from fillalign.speech import Energies, first_arrival_ms

__all__ = [
    "CEILING_DB",
    "ECHO_LIMITS",
    "PRECEDENCE_TABLE",
    "echo_criterion",
    "keeps_image",
    "precedence_limit_db",
    "required_margin_ms",
]

PRECEDENCE_TABLE = (
    (-65.0, -25.0),
    (-5.0, -10.0),
    (0.0, -3.0),
    (1.0, 0.0),
    (5.0, 5.0),
    (10.0, 6.0),
    (20.0, 6.0),
    (30.0, 5.0),
    (40.0, 2.0),
    (50.0, -3.0),
    (138.0, -25.0),
)
"""(gap in ms, most the fill may be above the main in dB)."""

CEILING_DB = 10.0
"""Hard ceiling: Haas 1951 found the later sound *equally loud* there."""

ECHO_LIMITS = {"speech": (0.9, 1.0), "music": (1.5, 1.8)}
"""Echo criterion that annoys 10 % and 50 % of listeners (Dietsch and Kraak 1986)."""

_ECHO_EXPONENT_AND_STEP_S = {"speech": (2.0 / 3.0, 0.009), "music": (1.0, 0.014)}
_ECHO_GAP_S = 0.030
_ECHO_ENERGY = 10.0**-2.5
# Window ends tried after each arrival, in steps: all hold the arrival, and the
# largest rise is nearly always at one of the two ends.
_ECHO_TRIES = (0.0, 0.25, 0.5, 0.75, 1.0 - 1e-9)

_GAPS_MS, _LIMITS_DB = np.array(PRECEDENCE_TABLE).T
_LARGEST_DB = float(_LIMITS_DB.max())
_TOP = int(_LIMITS_DB.argmax())


Largest = Annotated[float, arg.Within("dB", 0.0, CEILING_DB, open_low=True)]
Difference = Annotated[Any, arg.Within("dB")]


def _limits(largest_db: float) -> FloatArray:
    return np.asarray(np.where(_LIMITS_DB > 0.0, largest_db / _LARGEST_DB, 1.0) * _LIMITS_DB)


@overload
def precedence_limit_db(gap_ms: Form, *, largest_db: float = ...) -> Form: ...
@overload
def precedence_limit_db(gap_ms: ArrayLike, *, largest_db: float = ...) -> FloatArray: ...
@bordered
def precedence_limit_db(gap_ms: arg.Ms, *, largest_db: Largest = _LARGEST_DB) -> Any:
    """Return how far a fill may be above the main at a seat, in dB.

    Parameters
    ----------
    gap_ms : array_like
        Arrival of the fill minus arrival of the main, in ms; negative where
        the fill is early.
    largest_db : float
        The most allowed at any gap, above 0 and at most 10 (`CEILING_DB`); the
        positive part of the table is scaled to it.

    Returns
    -------
    float or ndarray
        Level of fill over main in dB, `PRECEDENCE_TABLE` interpolated.

    Raises
    ------
    ValueError
        If a gap is not finite or `largest_db` is above the ceiling.

    Examples
    --------
    >>> precedence_limit_db([0.0, 3.0, 15.0, 45.0]).tolist()
    [-3.0, 2.5, 6.0, -0.5]
    """
    return np.interp(gap_ms, _GAPS_MS, _limits(largest_db))


@bordered
def keeps_image(
    gap_ms: arg.Ms, level_difference_db: ArrivalLevel, *, largest_db: Largest = _LARGEST_DB
) -> Any:
    """Return whether a fill leaves the image at the stage: within the table, or hardly heard.

    A fill that lies 10 dB or more below the main draws no image, whenever it comes.

    Parameters
    ----------
    gap_ms, level_difference_db : array_like
        Gap at the seat in ms, and level of the fill over the main there in dB (minus
        infinity: silent).
    largest_db : float
        As in `precedence_limit_db`.

    Returns
    -------
    bool or ndarray

    Raises
    ------
    TypeError, ValueError
        As in `precedence_limit_db`, and if a level is not a number.

    Examples
    --------
    >>> keeps_image([15.0, 15.0, -20.0, -20.0], [6.0, 6.5, -9.0, -11.0]).tolist()
    [True, False, False, True]
    """
    limit = np.maximum(precedence_limit_db(gap_ms, largest_db=largest_db), -NEAR_DB)
    # A fill trimmed right up to its limit is within it, whatever the rounding.
    return level_difference_db <= limit + 1e-9


@overload
def required_margin_ms(
    gap_ms: Form | float, level_difference_db: Form | float, *, largest_db: float = ...
) -> Form: ...
@overload
def required_margin_ms(
    gap_ms: ArrayLike, level_difference_db: ArrayLike, *, largest_db: float = ...
) -> FloatArray: ...
@bordered
def required_margin_ms(
    gap_ms: arg.Ms, level_difference_db: Difference, *, largest_db: Largest = _LARGEST_DB
) -> Any:
    """Return the smallest extra delay that makes a seat satisfy the table.

    Parameters
    ----------
    gap_ms : array_like
        Gap at the seat as it is, in ms.
    level_difference_db : array_like
        Level of the fill over the main at the seat, in dB.
    largest_db : float
        As in `precedence_limit_db`.

    Returns
    -------
    float or ndarray
        Extra delay in ms: 0 where the seat satisfies the table already, nan
        where no delay mends it (the fill is too loud, or too late already).

    Examples
    --------
    >>> required_margin_ms([2.0, 2.0, 2.0, 45.0], [1.0, 5.0, 8.0, 3.0]).tolist()
    [0.0, 3.0, nan, nan]
    """
    limits = _limits(largest_db)
    satisfied = level_difference_db <= np.interp(gap_ms, _GAPS_MS, limits)
    wanted = np.interp(level_difference_db, limits[: _TOP + 1], _GAPS_MS[: _TOP + 1])
    mendable = (level_difference_db <= limits[_TOP]) & (wanted >= gap_ms)
    return np.where(satisfied, 0.0, np.where(mendable, wanted - gap_ms, np.nan))


def _centre_s(
    until_s: FloatArray, time_s: FloatArray, pulse: FloatArray, tail: FloatArray, rate: FloatArray
) -> FloatArray:
    """Return the centre of gravity of |p|^n up to a time, sources sorted.

    `tail` is |p|^n of the tails together just after each arrival; it decays
    at `rate` until the next.
    """
    following = np.concatenate([time_s[1:], np.full_like(time_s[:1], np.inf)])
    fallen = rate * np.maximum(np.minimum(following, until_s) - time_s, 0.0)
    gone = -np.expm1(-fallen)
    weight = pulse * (time_s <= until_s) + tail * gone / rate
    beyond = tail * (gone - fallen * np.exp(-fallen)) / rate**2
    return np.asarray((time_s * weight + beyond).sum(axis=0) / weight.sum(axis=0))


def _echogram(
    direct: FloatArray, time_ms: FloatArray, tail: FloatArray, rate: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times in s from the first arrival, energies and tail power, sorted.

    The tail power is that of all tails so far, just after each arrival.
    """
    check_shapes(direct=direct, tail=tail, time_ms=time_ms)
    sound, reverberant, times = np.broadcast_arrays(direct, tail, time_ms)
    if np.broadcast_shapes(rate.shape, times.shape[1:]) != times.shape[1:]:
        raise ValueError(f"rt60_s must fit one band's seats, {times.shape[1:]}, got {rate.shape}")
    order = np.argsort(times, axis=0)
    sound, reverberant, times = (
        np.take_along_axis(part, order, 0) for part in (sound, reverberant, times)
    )
    times = (times - first_arrival_ms(sound[..., np.newaxis], times)) / 1000.0
    power = rate * reverberant
    for i in range(1, len(power)):
        power[i] += power[i - 1] * np.exp(-rate * (times[i] - times[i - 1]))
    return times, sound, power


@checked
def echo_criterion(
    direct: Energies,
    time_ms: arg.Ms,
    tail: Energies,
    rt60_s: Rt60,
    *,
    programme: Programme = "speech",
    pulse_ms: Annotated[float, arg.Within("ms", 0.1, 5.0)] = 1.4,
) -> Any:
    """Return Dietsch and Kraak's echo criterion where it may be used, else nan.

    Parameters
    ----------
    direct, tail : array_like, shape (n, ...)
        Direct and reverberant energy of each source in one band (or summed).
    time_ms : array_like, shape (n, ...)
        Arrival times in ms.
    rt60_s : array_like, shape (...)
        Reverberation time of that band in s.
    programme : str
        'speech' (exponent 2/3, step 9 ms) or 'music' (1, 14 ms).
    pulse_ms : float
        Length in ms over which a direct arrival's energy is spread, 0.1 to 5:
        it sets how far an arrival stands out of the tail.

    Returns
    -------
    float or ndarray, shape (...)
        Largest rise of the centre of gravity of |p|^n per step around a late
        arrival; compare with `ECHO_LIMITS`. nan without a tail, and where no
        arrival above -25 dB comes more than 30 ms after the first: there
        the precedence table rules (bare arrivals in a free field would reach
        1.0 at 18 ms already).

    Notes
    -----
    Dietsch and Kraak 1986, Acustica 60, 205-216 (from memory). The tail is
    taken as Gaussian, so its mean |p|^n is known from its energy.

    Examples
    --------
    >>> round(echo_criterion([1.0, 1.0], [0.0, 80.0], [1.0, 1.0], 1.0), 2)
    0.97
    """
    exponent, step = _ECHO_EXPONENT_AND_STEP_S[programme]
    pulse_s, rate = pulse_ms / 1000.0, np.asarray(DECAY_NEPERS / rt60_s)
    times, sound, power = _echogram(direct, time_ms, tail, rate)
    gaussian = 2 ** (exponent / 2) * math.gamma((exponent + 1) / 2) / math.sqrt(math.pi)
    parts = (
        times,
        pulse_s * (sound / pulse_s) ** (exponent / 2),
        gaussian * power ** (exponent / 2),
        rate * exponent / 2,
    )
    counts = (times > _ECHO_GAP_S) & (sound > _ECHO_ENERGY * sound.max(axis=0))
    counts &= power[-1] > 0.0
    worst = np.full(counts.shape[1:], np.nan)
    for i in range(1, len(times)):
        for later in _ECHO_TRIES:
            end = times[i] + step * later
            with np.errstate(invalid="ignore"):
                rise = (_centre_s(end, *parts) - _centre_s(end - step, *parts)) / step
            worst = np.fmax(worst, np.where(counts[i], rise, np.nan))
    return worst
