"""Levels: conversions, sums and spreading.

Levels are in dB; minus infinity is silence and is welcome everywhere. Sums are
by power unless a phase is known.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._check import FloatArray, as_float, check_choice, check_flag, scalar_out
from fillalign.air import Air, as_air

HIGHEST_LEVEL_DB = 1000.0
LOWEST_FREQUENCY_HZ = 1e-3
HIGHEST_FREQUENCY_HZ = 1e6

WAVES = ("spherical", "cylindrical")

Axis = int | tuple[int, ...] | None


def as_level(name: str, value: ArrayLike) -> FloatArray:
    """Return `value` as levels in dB, minus infinity for silence, or raise one clear error."""
    try:
        return as_float(name, value, "dB", high=HIGHEST_LEVEL_DB)
    except ValueError:
        level = np.asarray(value, dtype=np.float64)
        audible = np.where(np.isneginf(level), 0.0, level)
        as_float(name, audible, "dB", high=HIGHEST_LEVEL_DB)
        return level


def as_frequency(name: str, value: ArrayLike) -> FloatArray:
    """Return `value` as frequencies of 0.001 Hz to 1 MHz, or raise one clear error."""
    return as_float(name, value, "Hz", low=LOWEST_FREQUENCY_HZ, high=HIGHEST_FREQUENCY_HZ)


def _log10(value: Any) -> Any:
    # Zero power is silence, not an error.
    with np.errstate(divide="ignore"):
        return np.log10(value)


def db_to_power(level_db: ArrayLike) -> Any:
    """Return power (or power ratio) for a level: 10^(L/10).

    Parameters
    ----------
    level_db : array_like
        Level in dB, at most 1000; minus infinity gives 0.

    Raises
    ------
    TypeError, ValueError
        If `level_db` is not numbers, not a number, or above 1000 dB.

    Examples
    --------
    >>> db_to_power(20.0)
    100.0
    """
    return scalar_out(10.0 ** (as_level("level_db", level_db) / 10.0))


def power_to_db(power: ArrayLike) -> Any:
    """Return the level of a power (or power ratio) in dB: 10 log10 p.

    Parameters
    ----------
    power : array_like
        Power, at least 0; 0 gives minus infinity.

    Raises
    ------
    TypeError, ValueError
        If `power` is not finite numbers of at least 0.

    Examples
    --------
    >>> power_to_db([100.0, 0.0])
    array([ 20., -inf])
    """
    return scalar_out(10.0 * _log10(as_float("power", power, low=0.0)))


def db_to_amplitude(level_db: ArrayLike) -> Any:
    """Return amplitude (pressure) ratio for a level: 10^(L/20).

    Parameters
    ----------
    level_db : array_like
        Level in dB, at most 1000; minus infinity gives 0.

    Raises
    ------
    TypeError, ValueError
        If `level_db` is not numbers, not a number, or above 1000 dB.

    Examples
    --------
    >>> db_to_amplitude(20.0)
    10.0
    """
    return scalar_out(10.0 ** (as_level("level_db", level_db) / 20.0))


def amplitude_to_db(amplitude: ArrayLike) -> Any:
    """Return the level of an amplitude ratio in dB: 20 log10 |a|.

    Parameters
    ----------
    amplitude : array_like
        Real amplitude; its sign (polarity) does not matter; 0 gives minus
        infinity.

    Raises
    ------
    TypeError, ValueError
        If `amplitude` is not finite real numbers.

    Examples
    --------
    >>> amplitude_to_db([10.0, -1.0])
    array([20.,  0.])
    """
    return scalar_out(20.0 * _log10(np.abs(as_float("amplitude", amplitude))))


def _weighted_powers(
    level_db: ArrayLike, weights: ArrayLike | None
) -> tuple[FloatArray, FloatArray]:
    # exp runs many times faster than a power of ten on large arrays.
    power = np.atleast_1d(np.exp(as_level("level_db", level_db) * (np.log(10.0) / 10.0)))
    weight = as_float("weights", 1.0 if weights is None else weights, low=0.0)
    return power if weights is None else power * weight, np.broadcast_to(weight, power.shape)


def power_sum_db(
    level_db: ArrayLike, *, axis: Axis = -1, weights: ArrayLike | None = None
) -> Any:
    """Return the level of unrelated sounds together: 10 log10 sum w 10^(L/10).

    Parameters
    ----------
    level_db : array_like
        Levels in dB; minus infinity adds nothing.
    axis : int, tuple of int or None
        Axis summed over; None for all.
    weights : array_like, optional
        Factors on the powers, at least 0, that broadcast to `level_db`.

    Raises
    ------
    TypeError, ValueError
        If a level is not a number or above 1000 dB, or a weight is below 0.

    Examples
    --------
    >>> round(power_sum_db([90.0, 90.0]), 2)
    93.01
    """
    power, _ = _weighted_powers(level_db, weights)
    return scalar_out(10.0 * _log10(power.sum(axis=axis)))


def power_mean_db(
    level_db: ArrayLike, *, axis: Axis = -1, weights: ArrayLike | None = None
) -> Any:
    """Return the level of the (weighted) mean power of `level_db`.

    Parameters
    ----------
    level_db : array_like
        Levels in dB.
    axis : int, tuple of int or None
        Axis averaged over; None for all.
    weights : array_like, optional
        Weights of the powers, at least 0, that broadcast to `level_db`.

    Raises
    ------
    TypeError, ValueError
        If a level is not a number or above 1000 dB, a weight is below 0, or
        the weights (or the axis) hold nothing to average.

    Examples
    --------
    >>> round(power_mean_db([90.0, 100.0]), 2)
    97.4
    """
    power, weight = _weighted_powers(level_db, weights)
    shares = weight.sum(axis=axis)
    if not np.all(shares > 0.0):
        raise ValueError("level_db must hold at least one level of weight above 0, got none")
    return scalar_out(10.0 * _log10(power.sum(axis=axis) / shares))


def coherent_sum_db(level_db: ArrayLike, phase_rad: ArrayLike = 0.0, *, axis: Axis = -1) -> Any:
    """Return the level of sounds of known phase together.

    Parameters
    ----------
    level_db : array_like
        Levels in dB.
    phase_rad : array_like
        Phase of each in radians; broadcasts with `level_db`.
    axis : int, tuple of int or None
        Axis summed over; None for all.

    Raises
    ------
    TypeError, ValueError
        If a level is not a number or above 1000 dB, or a phase is not finite.

    Examples
    --------
    >>> round(coherent_sum_db([90.0, 90.0]), 2)
    96.02
    """
    amplitude = 10.0 ** (as_level("level_db", level_db) / 20.0)
    pressure = np.atleast_1d(amplitude * np.exp(1j * as_float("phase_rad", phase_rad, "rad")))
    return scalar_out(20.0 * _log10(np.abs(pressure.sum(axis=axis))))


def fill_level_db(mains_db: ArrayLike, goal_db: ArrayLike, *, coherent: bool = False) -> Any:
    """Return the level a fill must bring so that mains and fill reach the goal.

    Parameters
    ----------
    mains_db, goal_db : array_like
        Level of the mains alone and the level wanted, dB; they broadcast.
    coherent : bool
        Whether mains and fill add in phase (lows of one feed, timed) instead
        of by power.

    Returns
    -------
    float or ndarray
        Level in dB; minus infinity where the mains reach the goal already.

    Raises
    ------
    TypeError, ValueError
        If a level is not a number or above 1000 dB.

    Examples
    --------
    >>> round(fill_level_db(90.0, 93.0), 2)
    89.98
    >>> fill_level_db(93.0, 93.0)
    -inf
    """
    goal = as_level("goal_db", goal_db)
    mains, goal = np.broadcast_arrays(as_level("mains_db", mains_db), goal)
    check_flag("coherent", coherent)
    decade = 20.0 if coherent else 10.0
    needed = mains < goal
    below = np.subtract(mains, goal, out=np.zeros(goal.shape), where=needed)
    missing = -np.expm1(below * (np.log(10.0) / decade))
    return scalar_out(goal + decade * _log10(missing))


def spreading_db(
    distance_m: ArrayLike, *, reference_m: ArrayLike = 1.0, wave: str = "spherical"
) -> Any:
    """Return the level change by spreading alone, in dB (negative farther out).

    Parameters
    ----------
    distance_m, reference_m : array_like
        Distance and the distance of the known level, above 0 m; they broadcast.
    wave : {'spherical', 'cylindrical'}
        Point source (-20 log10 of the ratio) or endless line (-10 log10).

    Raises
    ------
    TypeError, ValueError
        If a distance is not above 0 m or `wave` is neither word.

    Examples
    --------
    >>> round(spreading_db(20.0, reference_m=10.0), 2)
    -6.02
    """
    distance = as_float("distance_m", distance_m, "m", low=0.0, open_low=True)
    reference = as_float("reference_m", reference_m, "m", low=0.0, open_low=True)
    factor = -20.0 if check_choice("wave", wave, WAVES) == "spherical" else -10.0
    return scalar_out(factor * (np.log10(distance) - np.log10(reference)))


def point_source_level_db(
    level_1m_db: ArrayLike, distance_m: ArrayLike, frequency_hz: ArrayLike, air: Air
) -> Any:
    """Return the direct level of a point source: spreading and air.

    Parameters
    ----------
    level_1m_db : array_like
        Level brought back to 1 m on the axis (spreading undone, air not), dB.
    distance_m : array_like
        Distance, above 0 m. The three arrays broadcast: distances of shape
        (..., 1) against frequencies of shape (bands,) give (..., bands).
    frequency_hz : array_like
        Frequencies in Hz.
    air : Air
        Air along the path.

    Raises
    ------
    TypeError, ValueError
        If a level is not a number, a distance is not above 0 m, or a frequency
        is out of the range of the absorption.

    Notes
    -----
    ``L = L_1m - 20 log10(d / 1 m) - alpha(f) d``, alpha from ISO 9613-1.

    Examples
    --------
    >>> from fillalign.air import Air
    >>> round(point_source_level_db(127.0, 40.0, 8000.0, Air(20.0, 50.0)), 1)
    90.7
    """
    level = as_level("level_1m_db", level_1m_db)
    spread = spreading_db(distance_m)
    loss = as_air(air).absorption_db_per_m(frequency_hz) * np.asarray(distance_m)
    return scalar_out(level + spread - loss)
