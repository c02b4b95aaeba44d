"""Levels: decibels, sums, the fall over a path, and weighting by the ear.

Levels are in dB; minus infinity is silence and is welcome everywhere. Sums are
by power unless a phase is known. Evaluate weightings at exact mid-band frequencies
(`fillalign.absorption.THIRDS_HZ`).
"""

from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import FloatArray, Form, bordered, checked

if TYPE_CHECKING:
    from fillalign.air import Air

__all__ = [
    "a_weighting_db",
    "amplitude_to_db",
    "coherent_sum_db",
    "db_to_amplitude",
    "db_to_power",
    "fill_level_db",
    "path_loss_db",
    "pink_band_levels_db",
    "power_sum_db",
    "power_to_db",
    "spreading_db",
    "weighted_total_db",
    "weighting_factors",
]

Wave: TypeAlias = Literal["spherical", "cylindrical"]
Weighting: TypeAlias = Literal["A", "C"]
Axis = int | tuple[int, ...] | None


# What an ear could have to do with.
Heard = Annotated[Any, arg.Within("Hz", 1e-3, 1e6)]
Apart = Annotated[Any, arg.Within("m", 0.0, open_low=True)]


def _log10(value: Any) -> Any:
    # Zero power is silence, not an error.
    with np.errstate(divide="ignore"):
        return np.log10(value)


@overload
def db_to_power(level_db: Form) -> Form: ...
@overload
def db_to_power(level_db: ArrayLike) -> FloatArray: ...
@bordered
def db_to_power(level_db: arg.Level) -> Any:
    """Return power (or power ratio) for a level: 10^(L/10).

    Parameters
    ----------
    level_db : array_like
        Level in dB, at most 1000; minus infinity gives 0.

    Raises
    ------
    TypeError, ValueError
        If it is not numbers, not a number, or above 1000 dB.

    Examples
    --------
    >>> db_to_power(20.0)
    100.0
    """
    return 10.0 ** (level_db / 10.0)


@overload
def power_to_db(power: Form) -> Form: ...
@overload
def power_to_db(power: ArrayLike) -> FloatArray: ...
@bordered
def power_to_db(power: arg.Power) -> Any:
    """Return the level of a power (or power ratio) in dB: 10 log10 p.

    Parameters
    ----------
    power : array_like
        Power, at least 0; 0 gives minus infinity.

    Raises
    ------
    TypeError, ValueError
        If it is not finite numbers of at least 0.

    Examples
    --------
    >>> power_to_db([100.0, 0.0])
    array([ 20., -inf])
    """
    return 10.0 * _log10(power)


@overload
def db_to_amplitude(level_db: Form) -> Form: ...
@overload
def db_to_amplitude(level_db: ArrayLike) -> FloatArray: ...
@bordered
def db_to_amplitude(level_db: arg.Level) -> Any:
    """Return amplitude (pressure) ratio for a level: 10^(L/20); range, errors of `db_to_power`.

    Examples
    --------
    >>> db_to_amplitude(20.0)
    10.0
    """
    return 10.0 ** (level_db / 20.0)


@overload
def amplitude_to_db(amplitude: Form) -> Form: ...
@overload
def amplitude_to_db(amplitude: ArrayLike) -> FloatArray: ...
@bordered
def amplitude_to_db(amplitude: arg.Numbers) -> Any:
    """Return the level of a real amplitude ratio in dB: 20 log10 |a|.

    Its sign (polarity) does not matter; 0 gives minus infinity.

    Raises
    ------
    TypeError, ValueError
        If it is not finite real numbers.

    Examples
    --------
    >>> amplitude_to_db([10.0, -1.0])
    array([20.,  0.])
    """
    return 20.0 * _log10(np.abs(amplitude))


@bordered
def power_sum_db(level_db: arg.Level, *, axis: Axis = -1, weights: arg.Power | None = None) -> Any:
    """Return the level of unrelated sounds together: 10 log10 sum w 10^(L/10).

    Parameters
    ----------
    level_db : array_like
        Levels in dB, at most 1000; minus infinity adds nothing.
    axis : int, tuple of int or None
        Axis summed over; None for all.
    weights : array_like, optional
        Factors on the powers, at least 0, that broadcast to `level_db`: 1 / n for
        each of n gives their mean.

    Raises
    ------
    TypeError, ValueError
        If a level is not a number or above 1000 dB, or a weight is below 0.

    Examples
    --------
    >>> round(power_sum_db([90.0, 90.0]), 2)
    93.01
    """
    power = np.atleast_1d(db_to_power(level_db)) * (1.0 if weights is None else weights)
    return power_to_db(power.sum(axis=axis))


@bordered
def coherent_sum_db(level_db: arg.Level, phase_rad: arg.Radians = 0.0, *, axis: Axis = -1) -> Any:
    """Return the level of sounds of known phase together.

    Parameters
    ----------
    level_db : array_like
        Levels in dB, at most 1000.
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
    pressure = np.atleast_1d(db_to_amplitude(level_db) * np.exp(1j * phase_rad))
    return amplitude_to_db(np.abs(pressure.sum(axis=axis)))


@overload
def fill_level_db(
    mains_db: Form | float, goal_db: Form | float, *, coherent: bool = ...
) -> Form: ...
@overload
def fill_level_db(
    mains_db: ArrayLike, goal_db: ArrayLike, *, coherent: bool = ...
) -> FloatArray: ...
@bordered
def fill_level_db(mains_db: arg.Level, goal_db: arg.Level, *, coherent: bool = False) -> Any:
    """Return the level in dB that a fill must bring so that mains and fill reach the goal.

    It is minus infinity where the mains reach the goal already.

    Parameters
    ----------
    mains_db, goal_db : array_like
        Level of the mains alone and the level wanted, dB, at most 1000.
    coherent : bool
        Whether mains and fill add in phase (lows of one feed, timed) instead
        of by power.

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
    mains, goal = np.broadcast_arrays(mains_db, goal_db)
    decade = 20.0 if coherent else 10.0
    below = np.subtract(mains, goal, out=np.zeros(goal.shape), where=mains < goal)
    missing = -np.expm1(below * (np.log(10.0) / decade))
    return goal + decade * _log10(missing)


@overload
def spreading_db(
    distance_m: Form | float, *, reference_m: Form | float = ..., wave: Wave = ...
) -> Form: ...
@overload
def spreading_db(
    distance_m: ArrayLike, *, reference_m: ArrayLike = ..., wave: Wave = ...
) -> FloatArray: ...
@bordered
def spreading_db(
    distance_m: Apart, *, reference_m: Apart = 1.0, wave: Wave = "spherical"
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
    factor = -20.0 if wave == "spherical" else -10.0
    return factor * (np.log10(distance_m) - np.log10(reference_m))


@overload
def path_loss_db(distance_m: Form | float, frequency_hz: Form | float, air: "Air") -> Form: ...
@overload
def path_loss_db(distance_m: ArrayLike, frequency_hz: ArrayLike, air: "Air") -> FloatArray: ...
@bordered
def path_loss_db(distance_m: Apart, frequency_hz: arg.Frequency, air: "Air") -> Any:
    """Return what spreading and the air take from a point source's level at 1 m, in dB.

    Parameters
    ----------
    distance_m : array_like
        Distance, above 0 m. Distances of shape (..., 1) and frequencies of shape
        (bands,) give (..., bands).
    frequency_hz : array_like
        Frequencies in Hz, 0 or more.
    air : Air
        Air along the path.

    Raises
    ------
    TypeError, ValueError
        If a distance is not above 0 m, a frequency is below 0 Hz, or the air is
        no Air.

    Notes
    -----
    ``20 log10(d / 1 m) + alpha(f) d``: inverse square law, and alpha from ISO
    9613-1. The level at 1 m is one brought back there from afar, spreading undone
    and air not.

    Examples
    --------
    >>> from fillalign.air import Air
    >>> path_loss_db(40.0, [125.0, 8000.0], Air(20.0, 50.0)).round(1)
    array([32.1, 36.3])
    """
    return air.absorption_db_per_m(frequency_hz) * distance_m - spreading_db(distance_m)


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


def _power_gain(square: Any, weighting: Weighting) -> Any:
    c = (square / ((square + _F1**2) * (square + _F4**2))) ** 2
    return c if weighting == "C" else c * square**2 / ((square + _F2**2) * (square + _F3**2))


@overload
def weighting_factors(frequency_hz: Form, weighting: Weighting = ...) -> Form: ...
@overload
def weighting_factors(frequency_hz: ArrayLike, weighting: Weighting = ...) -> FloatArray: ...
@bordered
def weighting_factors(frequency_hz: Heard, weighting: Weighting = "A") -> Any:
    """Return the factor on the power of a band that stands for the ear, 1 at 1 kHz.

    Band powers times these, added up, make the A- or C-weighted power.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency, 0.001 Hz to 1 MHz; exact mid-band frequencies for bands.
    weighting : {'A', 'C'}
        Which weighting.

    Raises
    ------
    TypeError, ValueError
        If a frequency is out of range, or `weighting` is neither letter.

    Notes
    -----
    IEC 61672-1:2013, analytic form (annex E).

    Examples
    --------
    >>> weighting_factors([125.89, 1000.0]).round(4)
    array([0.0246, 1.    ])
    """
    return _power_gain(frequency_hz**2, weighting) / _power_gain(np.float64(1e6), weighting)


@overload
def a_weighting_db(frequency_hz: Form) -> Form: ...
@overload
def a_weighting_db(frequency_hz: ArrayLike) -> FloatArray: ...
@bordered
def a_weighting_db(frequency_hz: Heard) -> Any:
    """Return the A weighting in dB, 0 at 1 kHz; range, errors, source of `weighting_factors`.

    Examples
    --------
    >>> round(a_weighting_db(1000 * 10 ** -0.9), 1)
    -16.1
    """
    return power_to_db(weighting_factors(frequency_hz, "A"))


@checked
def weighted_total_db(
    level_db: arg.Level, frequency_hz: Heard, *, weighting: Weighting = "A"
) -> Any:
    """Return the weighted total of band levels, in dB (dBA or dBC).

    Parameters
    ----------
    level_db : array_like
        Unweighted band levels, at most 1000 dB, with the bands on the last axis.
    frequency_hz : array_like, shape (bands,)
        Exact mid-band frequencies, 0.001 Hz to 1 MHz.
    weighting : {'A', 'C'}
        As for `weighting_factors`; `power_sum_db` gives the plain total.

    Raises
    ------
    TypeError, ValueError
        If levels or frequencies are out of range, their counts differ, or
        `weighting` is neither letter.

    Examples
    --------
    >>> round(weighted_total_db([90.0, 90.0], [125.89, 1000.0]), 2)
    90.11
    """
    level = np.atleast_1d(level_db)
    weights = np.atleast_1d(weighting_factors(frequency_hz, weighting))
    if weights.shape != level.shape[-1:]:
        raise ValueError(f"level_db must hold {weights.size} bands on its last axis, one for each "
                         f"frequency_hz, got {level.shape[-1]}")
    return power_sum_db(level, weights=weights)


@checked
def pink_band_levels_db(total_dba: arg.Level, frequency_hz: Heard) -> Any:
    """Return unweighted band levels in dB of pink noise with a given A-weighted total.

    Pink noise has the same level in every band of equal relative width.

    Parameters
    ----------
    total_dba : array_like, shape (...)
        A-weighted total over the bands given, dB, at most 1000; the result has
        shape (..., bands).
    frequency_hz : array_like, shape (bands,)
        Exact mid-band frequencies (all thirds, or all octaves), 0.001 Hz to 1 MHz.

    Raises
    ------
    TypeError, ValueError
        If a level or a frequency is out of range.

    Examples
    --------
    >>> pink_band_levels_db(90.0, [500.0, 1000.0]).round(1)
    array([88.3, 88.3])
    """
    flat = np.zeros(frequency_hz.size)
    return total_dba[..., np.newaxis] + (flat - weighted_total_db(flat, frequency_hz))
