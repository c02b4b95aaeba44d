"""Levels: conversions, sums and spreading.

Levels are in dB; minus infinity is silence and is welcome everywhere. Sums are
by power unless a phase is known.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import FloatArray, as_float, check_choice, check_flag, scalar_out
from fillalign.air import Air, as_air

__all__ = [
    "a_weighting_db",
    "amplitude_to_db",
    "c_weighting_db",
    "coherent_sum_db",
    "db_to_amplitude",
    "db_to_power",
    "fill_level_db",
    "pink_band_levels_db",
    "point_source_level_db",
    "power_mean_db",
    "power_sum_db",
    "power_to_db",
    "speech_band_levels_db",
    "spreading_db",
    "weighted_total_db",
]

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


WEIGHTINGS = ("A", "C", "Z")
SPEECH_OCTAVES_DB = (2.9, 2.9, -0.8, -6.8, -12.8, -18.8, -24.8)
"""Speech by octave, 125 Hz to 8 kHz, relative to its A-weighted total, in dB.

IEC 60268-16:2011, male speech (from memory).
"""


def _pole_frequencies_hz() -> tuple[float, float, float, float]:
    # IEC 61672-1 defines the poles by the -3 dB points of C (10^1.5 and
    # 10^3.9 Hz) and the corner of A (10^2.45 Hz), not by the rounded figures.
    low, high, corner, reference = 10.0**3.0, 10.0**7.8, 10.0**2.45, 10.0**6.0
    drop = np.sqrt(0.5)
    c = low * high
    b = (reference + c / reference - drop * (low + high)) / (1.0 - drop)
    root = np.sqrt(b * b - 4.0 * c)
    return (
        float(np.sqrt((-b - root) / 2.0)),
        float(corner * (3.0 - np.sqrt(5.0)) / 2.0),
        float(corner * (3.0 + np.sqrt(5.0)) / 2.0),
        float(np.sqrt((-b + root) / 2.0)),
    )


_F1, _F2, _F3, _F4 = _pole_frequencies_hz()


def _c_gain(square: Any) -> Any:
    return _F4**2 * square / ((square + _F1**2) * (square + _F4**2))


def _a_gain(square: Any) -> Any:
    return _c_gain(square) * square / np.sqrt((square + _F2**2) * (square + _F3**2))


def c_weighting_db(frequency_hz: ArrayLike) -> Any:
    """Return the C weighting in dB, 0 at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency, 0.001 Hz to 1 MHz; exact mid-band frequencies for bands.

    Raises
    ------
    TypeError, ValueError
        If a frequency is out of range.

    Notes
    -----
    IEC 61672-1:2013, analytic form (annex E).

    Examples
    --------
    >>> round(c_weighting_db(1000 * 10 ** -1.2), 1)
    -0.8
    """
    square = as_frequency("frequency_hz", frequency_hz) ** 2
    return scalar_out(20.0 * np.log10(_c_gain(square) / _c_gain(1e6)))


def a_weighting_db(frequency_hz: ArrayLike) -> Any:
    """Return the A weighting in dB, 0 at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency, 0.001 Hz to 1 MHz; exact mid-band frequencies for bands.

    Raises
    ------
    TypeError, ValueError
        If a frequency is out of range.

    Notes
    -----
    IEC 61672-1:2013, analytic form (annex E).

    Examples
    --------
    >>> round(a_weighting_db(1000 * 10 ** -0.9), 1)
    -16.1
    """
    square = as_frequency("frequency_hz", frequency_hz) ** 2
    return scalar_out(20.0 * np.log10(_a_gain(square) / _a_gain(1e6)))


def _weighting_db(frequency_hz: ArrayLike, weighting: str) -> Any:
    if check_choice("weighting", weighting, WEIGHTINGS) == "Z":
        return np.zeros(np.shape(frequency_hz))
    return (a_weighting_db if weighting == "A" else c_weighting_db)(frequency_hz)


def weighted_total_db(
    level_db: ArrayLike, frequency_hz: ArrayLike, *, weighting: str = "A", axis: int = -1
) -> Any:
    """Return the weighted total of band levels, in dB (dBA, dBC or plain).

    Parameters
    ----------
    level_db : array_like
        Unweighted band levels with the bands on `axis`.
    frequency_hz : array_like, shape (bands,)
        Exact mid-band frequencies.
    weighting : {'A', 'C', 'Z'}
        Z weighs nothing.
    axis : int
        Axis of the bands.

    Raises
    ------
    TypeError, ValueError
        If levels or frequencies are out of range, their counts differ, or
        `weighting` is not one of the three.

    Examples
    --------
    >>> round(weighted_total_db([90.0, 90.0], [125.89, 1000.0]), 2)
    90.11
    """
    level = np.moveaxis(np.atleast_1d(as_level("level_db", level_db)), axis, -1)
    weight = np.atleast_1d(_weighting_db(as_frequency("frequency_hz", frequency_hz), weighting))
    if weight.shape != level.shape[-1:]:
        raise ValueError(f"level_db must hold {weight.size} bands on axis {axis}, one for each "
                         f"frequency_hz, got {level.shape[-1]}")
    return power_sum_db(level + weight)


def _scaled_to_dba(shape_db: Any, total_dba: ArrayLike, frequency: FloatArray) -> Any:
    total = as_level("total_dba", total_dba)[..., np.newaxis]
    return total + (shape_db - weighted_total_db(shape_db, frequency))


def pink_band_levels_db(total_dba: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Return band levels of pink noise with a given A-weighted total.

    Pink noise has the same level in every band of equal relative width.

    Parameters
    ----------
    total_dba : array_like, shape (...)
        A-weighted total over the bands given, dB.
    frequency_hz : array_like, shape (bands,)
        Exact mid-band frequencies (all thirds, or all octaves).

    Returns
    -------
    ndarray, shape (..., bands)
        Unweighted band levels in dB.

    Raises
    ------
    TypeError, ValueError
        If a level or a frequency is out of range.

    Examples
    --------
    >>> pink_band_levels_db(90.0, [500.0, 1000.0]).round(1)
    array([88.3, 88.3])
    """
    frequency = np.atleast_1d(as_frequency("frequency_hz", frequency_hz))
    return _scaled_to_dba(np.zeros(frequency.shape), total_dba, frequency)


def speech_band_levels_db(total_dba: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Return band levels of speech with a given A-weighted total.

    The spectrum is that of IEC 60268-16:2011 (male speech, from memory), known
    by octave from 125 Hz to 8 kHz; thirds share their octave's power equally
    and bands outside are silent (minus infinity).

    Parameters
    ----------
    total_dba : array_like, shape (...)
        A-weighted total over the bands given, dB.
    frequency_hz : array_like, shape (bands,)
        Mid-band frequencies (all thirds, or all octaves).

    Returns
    -------
    ndarray, shape (..., bands)
        Unweighted band levels in dB.

    Raises
    ------
    TypeError, ValueError
        If a level or a frequency is out of range, or no band holds speech.

    Examples
    --------
    >>> octaves = 1000 * 10 ** (0.3 * np.arange(-3, 4))
    >>> speech_band_levels_db(65.0, octaves).round(1)
    array([67.9, 67.9, 64.2, 58.2, 52.2, 46.2, 40.2])
    """
    frequency = np.atleast_1d(as_frequency("frequency_hz", frequency_hz))
    octave = np.rint(np.log10(frequency / 1000.0) * 10.0 / 3.0).astype(int) + 3
    spoken = (octave >= 0) & (octave < len(SPEECH_OCTAVES_DB))
    if not spoken.any():
        raise ValueError("frequency_hz must hold a band between 125 Hz and 8 kHz, got none")
    level = np.array(SPEECH_OCTAVES_DB)[np.where(spoken, octave, 0)]
    return _scaled_to_dba(np.where(spoken, level, -np.inf), total_dba, frequency)


def path_loss_db(distance_m: ArrayLike, frequency_hz: ArrayLike, air: Air) -> Any:
    """Loss on a path by spreading and air, in dB."""
    loss = as_air(air).absorption_db_per_m(frequency_hz) * np.asarray(distance_m)
    return scalar_out(np.asarray(loss - spreading_db(distance_m)))


def weighting_factors(frequency_hz: ArrayLike, weighting: str = "A") -> Any:
    """Power factor of a weighting by band."""
    return db_to_power((a_weighting_db if weighting == "A" else c_weighting_db)(frequency_hz))
