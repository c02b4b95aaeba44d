"""What two or more arrivals of one feed do to each other: combs and their band averages.

The exact response of two arrivals draws the comb; the band average of any
number of arrivals has a closed form that runs from coherent lows to incoherent
highs without a switch, so seat maps need no fine frequency grid.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._pairs import fill_pairs
from fillalign._text import quoted
from fillalign._validate import FloatArray, as_float, as_whole, scalar_out
from fillalign.absorption import band_edges_hz

__all__ = [
    "comb_dip_db",
    "comb_peak_db",
    "cross_power",
    "interference_power",
    "notch_frequencies_hz",
    "ripple_db",
    "third_octave_smooth_db",
    "two_arrival_response",
]


def _ratio(level_db: ArrayLike) -> FloatArray:
    """Return the amplitude ratio of the later arrival to the first."""
    return np.asarray(10.0 ** (as_float("level_db", level_db, "dB", low=-200.0, high=200.0) / 20.0))


def _level_db(amplitude: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(amplitude))


def two_arrival_response(
    frequency_hz: ArrayLike, delay_ms: ArrayLike, level_db: ArrayLike
) -> Any:
    """Return the response of two arrivals relative to the first one alone.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency in Hz, at least 0.
    delay_ms : array_like
        How much later the second arrival comes, in ms (negative: earlier).
    level_db : array_like
        Level of the second arrival over the first in dB, -200 to 200.

    Returns
    -------
    complex or ndarray
        1 + g exp(-j 2 pi f tau), broadcast over the arguments.

    Raises
    ------
    ValueError
        If an argument is not finite or out of range.

    Examples
    --------
    Equal arrivals 1 ms apart cancel at 500 Hz:

    >>> round(abs(two_arrival_response(500.0, 1.0, 0.0)), 12)
    0.0
    """
    frequency = as_float("frequency_hz", frequency_hz, "Hz", low=0.0)
    delay_s = as_float("delay_ms", delay_ms, "ms") / 1000.0
    turn = np.exp(-2j * np.pi * frequency * delay_s)
    return scalar_out(np.asarray(1.0 + _ratio(level_db) * turn))


def notch_frequencies_hz(delay_ms: ArrayLike, count: int) -> FloatArray:
    """Return the first notches of two arrivals in Hz, shape (..., count).

    Notches lie at (2k + 1)/(2 tau): evenly spaced, the first at half the spacing.

    Parameters
    ----------
    delay_ms : array_like
        Time between the arrivals in ms, above 0.
    count : int
        How many notches, 1 to 1 million.

    Raises
    ------
    ValueError
        If `delay_ms` is not above 0 or `count` is below 1.

    Examples
    --------
    >>> notch_frequencies_hz(1.0, 3)
    array([ 500., 1500., 2500.])
    """
    delay = as_float("delay_ms", delay_ms, "ms", low=0.0, open_low=True)
    notches = as_whole("count", count, low=1.0, high=1e6)
    return np.asarray((2 * np.arange(notches) + 1) * 500.0 / delay[..., None])


def comb_peak_db(level_db: ArrayLike) -> Any:
    """Return how far a comb's peaks rise over the first arrival alone, in dB.

    20 log10(1 + g) for a second arrival at `level_db` (-200 to 200) over the first.

    Examples
    --------
    >>> round(comb_peak_db(-10.0), 2)
    2.39
    """
    return scalar_out(_level_db(1.0 + _ratio(level_db)))


def comb_dip_db(level_db: ArrayLike) -> Any:
    """Return how far a comb's notches fall from the first arrival alone, in dB.

    20 log10|1 - g| for a second arrival at `level_db` (-200 to 200) over the
    first; minus infinity for equal arrivals.

    Examples
    --------
    >>> round(comb_dip_db(-10.0), 2)
    -3.3
    """
    return scalar_out(_level_db(np.abs(1.0 - _ratio(level_db))))


def ripple_db(
    level_db: ArrayLike, delay_ms: ArrayLike, low_hz: ArrayLike, high_hz: ArrayLike
) -> Any:
    """Return the peak-to-dip range of a two-arrival comb inside a band, in dB.

    Where the band holds a whole period of the comb this is peak less dip;
    where it holds less, the highest less the lowest point that lies in it.

    Parameters
    ----------
    level_db : array_like
        Level of the second arrival over the first in dB, -200 to 200.
    delay_ms : array_like
        Time between the arrivals in ms; the order does not matter.
    low_hz, high_hz : array_like
        Band edges in Hz, at least 0.

    Returns
    -------
    float or ndarray
        Range in dB; infinite where equal arrivals have a notch in the band.

    Raises
    ------
    ValueError
        If an argument is out of range or an upper edge lies below its lower edge.

    Examples
    --------
    >>> round(ripple_db(-6.0, 10.0, 900.0, 1100.0), 2)
    9.57
    >>> round(ripple_db(-6.0, 0.1, 900.0, 1100.0), 2)
    0.16
    """
    ratio = _ratio(level_db)
    delay_s = np.abs(as_float("delay_ms", delay_ms, "ms")) / 1000.0
    low, high = _edges(low_hz, high_hz)
    first, last = low * delay_s, high * delay_s
    ends = np.stack(np.broadcast_arrays(*(np.cos(2.0 * np.pi * turns) for turns in (first, last))))
    top = np.where(np.ceil(first) <= last, 1.0, ends.max(axis=0))
    bottom = np.where(np.ceil(first - 0.5) + 0.5 <= last, -1.0, ends.min(axis=0))
    with np.errstate(divide="ignore"):
        levels = [10.0 * np.log10((1.0 - ratio) ** 2 + 2.0 * ratio * (1.0 + turn))
                  for turn in (top, bottom)]
    return scalar_out(np.asarray(levels[0] - levels[1]))


def _edges(low_hz: ArrayLike, high_hz: ArrayLike) -> tuple[FloatArray, FloatArray]:
    low = as_float("low_hz", low_hz, "Hz", low=0.0)
    high = as_float("high_hz", high_hz, "Hz", low=0.0, open_low=True)
    if np.any(high <= low):
        raise ValueError("high_hz must lie above low_hz in every band")
    return low, high


def third_octave_smooth_db(
    frequency_hz: ArrayLike, response: ArrayLike, centre_hz: ArrayLike
) -> Any:
    """Return a response averaged by power over third octaves, in dB.

    This is what the ear keeps of a comb: the mean of |H|^2 over linear
    frequency between the base-ten edges of each band.

    Parameters
    ----------
    frequency_hz : array_like, shape (m,)
        Increasing frequencies in Hz, fine enough to resolve the comb.
    response : array_like, shape (..., m)
        Complex or real response at those frequencies.
    centre_hz : array_like, shape (...) or (k,)
        Band centres in Hz; their bands must lie inside the grid.

    Returns
    -------
    float or ndarray, shape (..., k)
        Level of the band average in dB; minus infinity for silence.

    Raises
    ------
    TypeError
        If the response is not numbers.
    ValueError
        If the grid does not increase, or does not cover a band.

    Examples
    --------
    >>> grid = np.linspace(800.0, 1200.0, 4001)
    >>> comb = two_arrival_response(grid, 20.0, 0.0)
    >>> round(third_octave_smooth_db(grid, comb, 1000.0), 1)
    3.2
    """
    grid = as_float("frequency_hz", frequency_hz, "Hz", low=0.0)
    centre = as_float("centre_hz", centre_hz, "Hz", low=0.0, open_low=True)
    if grid.ndim != 1 or grid.size < 2 or np.any(np.diff(grid) <= 0.0):
        raise ValueError("frequency_hz must be one increasing list of at least 2 frequencies")
    low, high = (np.asarray(edge) for edge in band_edges_hz(centre))
    if centre.size and (low.min() < grid[0] or high.max() > grid[-1]):
        raise ValueError(f"frequency_hz must cover {low.min():.6g} to {high.max():.6g} Hz, "
                         f"got {grid[0]:.6g} to {grid[-1]:.6g}")
    values = np.asarray(response)
    if values.dtype.kind not in "fiuc":
        raise TypeError(f"response must be real or complex numbers, got {quoted(str(response))}")
    size = np.abs(values)
    if values.shape[-1:] != grid.shape or not (size <= 1e100).all():
        raise ValueError(f"response must hold a finite number for each of the {grid.size} "
                         "frequencies on its last axis")
    power = size**2
    slices = np.diff(grid) * (power[..., 1:] + power[..., :-1]) / 2.0
    total = np.concatenate([np.zeros_like(power[..., :1]), np.cumsum(slices, axis=-1)], axis=-1)
    inside = _integral(grid, power, total, high) - _integral(grid, power, total, low)
    with np.errstate(divide="ignore"):
        return scalar_out(np.asarray(10.0 * np.log10(np.maximum(inside / (high - low), 0.0))))


def _integral(
    grid: FloatArray, power: FloatArray, total: FloatArray, edge: FloatArray
) -> FloatArray:
    """Return the integral from the grid's start to `edge` of the polyline through `power`."""
    left = np.clip(np.searchsorted(grid, edge, side="right") - 1, 0, grid.size - 2)
    step = edge - grid[left]
    slope = (power[..., left + 1] - power[..., left]) / (grid[left + 1] - grid[left])
    return np.asarray(total[..., left] + step * (power[..., left] + step * slope / 2.0))


def interference_power(
    power: ArrayLike,
    time_s: ArrayLike,
    low_hz: ArrayLike,
    high_hz: ArrayLike,
    *,
    phase_rad: ArrayLike = 0.0,
    group_delay_s: ArrayLike = 0.0,
) -> FloatArray:
    """Return the band-averaged power of arrivals of one feed, summed with interference.

    The mean over linear frequency of |sum_i a_i exp(-j 2 pi f t_i)|^2 is
    ``sum P_i + 2 sum_{i<j} sqrt(P_i P_j) cos(2 pi fc (t_i - t_j) - (phi_i - phi_j))
    sinc(B (t_i - t_j + tau_i - tau_j))`` with fc and B the arithmetic centre
    and the width of the band. It is exact for arrivals alone; a filter enters
    by its phase and group delay at fc, which is the linear part of its phase.

    Parameters
    ----------
    power : array_like, shape (n, ..., bands)
        Power of each arrival alone in each band, source axis first, at least 0.
    time_s : array_like
        Arrival times in s, with as many axes as `power`, broadcasting to it:
        (n, ..., 1) for times that are the same in every band.
    low_hz, high_hz : array_like, shape (bands,)
        Band edges in Hz.
    phase_rad, group_delay_s : array_like
        Phase of each path's filter (the angle of its response; pi for inverted
        polarity) and its group delay in s, both at (low_hz + high_hz) / 2.
        A single number, or as many axes as `power`.

    Returns
    -------
    ndarray, shape (..., bands)
        Band power of the sum, never below 0.

    Raises
    ------
    ValueError
        If shapes do not fit or a value is out of range.

    Examples
    --------
    Two equal arrivals, together and then 50 ms apart, in the third octave at 1 kHz:

    >>> edges = [891.25], [1122.02]
    >>> interference_power([[1.0], [1.0]], [[0.0], [0.0]], *edges)
    array([4.])
    >>> interference_power([[1.0], [1.0]], [[0.0], [0.05]], *edges).round(1)
    array([2.])
    """
    groups = np.zeros(np.shape(power)[:1], dtype=np.intp)
    total = cross_power(power, time_s, low_hz, high_hz, groups=groups, phase_rad=phase_rad,
                        group_delay_s=group_delay_s)[0, 0]
    return np.asarray(np.maximum(total, 0.0, out=total))


def cross_power(
    power: ArrayLike,
    time_s: ArrayLike,
    low_hz: ArrayLike,
    high_hz: ArrayLike,
    *,
    groups: ArrayLike,
    phase_rad: ArrayLike = 0.0,
    group_delay_s: ArrayLike = 0.0,
) -> FloatArray:
    """Return the band-averaged interference between groups of sources.

    With amplitude gains g_a on the groups the power of the sum is
    ``sum_ab g_a g_b G_ab``, so gains can be searched without another pass over
    the sources. The sum over both group axes is `interference_power`.

    Parameters
    ----------
    power, time_s, low_hz, high_hz, phase_rad, group_delay_s
        As in `interference_power`.
    groups : array_like of int, shape (n,)
        Group of each source, counted from 0.

    Returns
    -------
    ndarray, shape (groups, groups, ..., bands)
        Symmetric in its first two axes; off the diagonal it may be negative.

    Raises
    ------
    ValueError
        If shapes do not fit or a value is out of range.

    Examples
    --------
    >>> cross_power([[1.0], [4.0]], [[0.0], [0.0]], [891.25], [1122.02], groups=[0, 1])[..., 0]
    array([[1., 2.],
           [2., 4.]])
    """
    arrays = [as_float("power", power, low=0.0)]
    ndim, count = arrays[0].ndim, len(np.atleast_1d(arrays[0]))
    if ndim < 2 or count == 0:
        raise ValueError(f"power must have shape (n, ..., bands), got {arrays[0].shape}")
    for name, value, unit in (("time_s", time_s, "s"), ("phase_rad", phase_rad, "rad"),
                              ("group_delay_s", group_delay_s, "s")):
        array = as_float(name, value, unit)
        if array.ndim not in (0, ndim) or array.shape[:1] not in ((), (1,), (count,)):
            raise ValueError(f"{name} must be one number or broadcast to {count} sources on the "
                             f"first of {ndim} axes, got shape {array.shape}")
        arrays.append(array.reshape((1,) * ndim) if array.ndim == 0 else array)
    label = np.asarray(groups)
    if label.shape != (count,) or label.dtype.kind not in "iu" or np.any(label < 0):
        raise ValueError(f"groups must be {count} whole numbers of at least 0, one a source")
    low, high = _edges(low_hz, high_hz)
    shape = np.broadcast_shapes(*(array.shape for array in arrays), low.shape, high.shape)
    if len(shape) != ndim or max(low.ndim, high.ndim) > 1:
        raise ValueError("low_hz and high_hz must have shape (bands,)")
    low, high = np.broadcast_to(low, shape[-1:]), np.broadcast_to(high, shape[-1:])
    result = np.empty((label.max() + 1,) * 2 + shape[1:])
    if ndim == 2:
        fill_pairs(result[:, :, None], label, [array[:, None] for array in arrays], low, high)
    else:
        fill_pairs(result, label, arrays, low, high)
    return result
