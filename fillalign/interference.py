"""What two or more arrivals of one feed do to each other: combs and their band averages.

The exact response of two arrivals draws the comb; the band average of any
number of arrivals has a closed form that runs from coherent lows to incoherent
highs without a switch, so seat maps need no fine frequency grid. That closed
form stands once, in `cross_power`: lists of arrivals (`interference_power`)
and whole outputs at seats (`fillalign.field`) both call it.
"""

from math import prod
from typing import Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import ComplexArray, FloatArray, Form, bordered, checked
from fillalign.levels import amplitude_to_db, db_to_amplitude, power_to_db

__all__ = [
    "comb_dip_db",
    "comb_peak_db",
    "cross_power",
    "interference_power",
    "notch_frequencies_hz",
    "ripple_db",
    "two_arrival_response",
]

# Values of all arrivals worked on at once, so that memory grows with the answer alone.
_TOGETHER = 1 << 16


RatioLevel = Annotated[Any, arg.Within("dB", -200.0, 200.0)]
Upper = Annotated[Any, arg.Within("Hz", 0.0, open_low=True)]
Seconds = Annotated[Any, arg.Within("s")]


@bordered
def two_arrival_response(
    frequency_hz: arg.Frequency, delay_ms: arg.Ms, level_db: RatioLevel
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
    turn = np.exp(-2j * np.pi * frequency_hz * delay_ms / 1000.0)
    return 1.0 + db_to_amplitude(level_db) * turn


@checked
def notch_frequencies_hz(
    delay_ms: Annotated[Any, arg.Within("ms", 0.0, open_low=True)],
    count: Annotated[int, arg.Within("", 1.0, 1e6)],
) -> FloatArray:
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
    return np.asarray((2 * np.arange(count) + 1) * 500.0 / delay_ms[..., None])


@overload
def comb_peak_db(level_db: Form) -> Form: ...
@overload
def comb_peak_db(level_db: ArrayLike) -> FloatArray: ...
@bordered
def comb_peak_db(level_db: RatioLevel) -> Any:
    """Return how far a comb's peaks rise over the first arrival alone, in dB.

    20 log10(1 + g) for a second arrival at `level_db` (-200 to 200) over the first.

    Examples
    --------
    >>> round(comb_peak_db(-10.0), 2)
    2.39
    """
    return amplitude_to_db(1.0 + db_to_amplitude(level_db))


@overload
def comb_dip_db(level_db: Form) -> Form: ...
@overload
def comb_dip_db(level_db: ArrayLike) -> FloatArray: ...
@bordered
def comb_dip_db(level_db: RatioLevel) -> Any:
    """Return how far a comb's notches fall from the first arrival alone, in dB.

    20 log10|1 - g| for a second arrival at `level_db` (-200 to 200) over the
    first; minus infinity for equal arrivals.

    Examples
    --------
    >>> round(comb_dip_db(-10.0), 2)
    -3.3
    """
    return amplitude_to_db(1.0 - db_to_amplitude(level_db))


@overload
def ripple_db(
    level_db: Form | float, delay_ms: Form | float, low_hz: Form | float, high_hz: Form | float
) -> Form: ...
@overload
def ripple_db(
    level_db: ArrayLike, delay_ms: ArrayLike, low_hz: ArrayLike, high_hz: ArrayLike
) -> FloatArray: ...
@bordered
def ripple_db(level_db: RatioLevel, delay_ms: arg.Ms, low_hz: arg.Frequency, high_hz: Upper) -> Any:
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
    _check_edges(low_hz, high_hz)
    ratio, delay_s = db_to_amplitude(level_db), np.abs(delay_ms) / 1000.0
    first, last = low_hz * delay_s, high_hz * delay_s
    ends = np.stack(np.broadcast_arrays(*(np.cos(2.0 * np.pi * turns) for turns in (first, last))))
    top = np.where(np.ceil(first) <= last, 1.0, ends.max(axis=0))
    bottom = np.where(np.ceil(first - 0.5) + 0.5 <= last, -1.0, ends.min(axis=0))
    most, least = (power_to_db((1.0 - ratio) ** 2 + 2.0 * ratio * (1.0 + turn))
                   for turn in (top, bottom))
    return most - least


def _check_edges(low_hz: FloatArray, high_hz: FloatArray) -> None:
    if np.any(high_hz <= low_hz):
        raise ValueError("high_hz must lie above low_hz in every band")


def cross_power(
    first: ArrayLike, second: ArrayLike, gap_s: ArrayLike, width_hz: ArrayLike
) -> FloatArray:
    """Return what two arrivals of one feed bring together beyond their own powers, by band.

    Half the interference term of a band's power: the power of the sum is
    ``|first|^2 + |second|^2 + 2 cross_power(...)``.

    Parameters
    ----------
    first, second : array_like
        Complex amplitudes at the arithmetic centre of the band, with the phase of
        the travel time and of every filter in them.
    gap_s : array_like
        Arrival of the first less that of the second in s, group delays of filters
        included: how far their envelopes lie apart.
    width_hz : array_like
        Width of the band in Hz.

    Returns
    -------
    ndarray
        Broadcast over the arguments; negative where they cancel.

    Raises
    ------
    TypeError
        If an argument is not numbers.

    Notes
    -----
    ``Re(A_1 conj(A_2)) sinc(B gap)``, the mean over linear frequency of
    ``Re(H_1 conj(H_2))`` where both amplitudes are flat over the band and both
    phases straight: exact for arrivals alone. A filter enters by its phase and its
    group delay at the centre, the straight part of its phase. No range is checked,
    since this is the innermost loop of every map.

    Examples
    --------
    Equal arrivals, one of them turned over, cancel what both bring:

    >>> float(cross_power(1.0, -1.0, 0.0, 230.0))
    -1.0
    """
    envelope = np.sinc(np.asarray(width_hz) * np.asarray(gap_s))
    return np.asarray(np.real(np.conj(first) * second) * envelope)


@checked
def interference_power(
    power: arg.Power,
    time_s: Seconds,
    low_hz: arg.Frequency,
    high_hz: Upper,
    *,
    phase_rad: arg.Radians = 0.0,
    group_delay_s: Seconds = 0.0,
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
    if power.ndim < 2 or len(power) == 0:
        raise ValueError(f"power must have shape (n, ..., bands), got {power.shape}")
    time, phase, lag = (_by_source(name, values, power) for name, values in (
        ("time_s", time_s), ("phase_rad", phase_rad), ("group_delay_s", group_delay_s)))
    _check_edges(low_hz, high_hz)
    shape = np.broadcast_shapes(power.shape, time.shape, low_hz.shape, high_hz.shape)
    if len(shape) != power.ndim or max(low_hz.ndim, high_hz.ndim) > 1:
        raise ValueError("low_hz and high_hz must have shape (bands,)")
    # Only differences of time count, and small ones are the more exact.
    parts = [np.broadcast_to(part, shape) for part in (
        power, time - time[:1], phase, lag, low_hz + high_hz, high_hz - low_hz)]
    total = np.empty(shape[1:])
    step = max(_TOGETHER * shape[1] // max(prod(shape), 1), 1)
    for start in range(0, shape[1], step):
        block = slice(start, start + step)
        total[block] = _summed(*(part[:, block] for part in parts))
    return total


def _summed(
    power: FloatArray, later_s: FloatArray, phase: FloatArray, lag_s: FloatArray,
    double_centre_hz: FloatArray, width_hz: FloatArray,
) -> FloatArray:
    """Return the power of arrivals together; all arguments of one shape."""
    wave: ComplexArray = np.sqrt(power) * np.exp(1j * (phase - np.pi * double_centre_hz * later_s))
    envelope_s, total = later_s + lag_s, power.sum(axis=0)
    for one in range(len(power) - 1):
        gap_s = envelope_s[one] - envelope_s[one + 1 :]
        shared = cross_power(wave[one], wave[one + 1 :], gap_s, width_hz[one])
        total += 2.0 * shared.sum(axis=0)
    return np.asarray(np.maximum(total, 0.0))


def _by_source(name: str, values: ArrayLike, power: FloatArray) -> FloatArray:
    """Return values with sources on the first of as many axes as `power` has."""
    array = np.asarray(values)
    if array.ndim not in (0, power.ndim) or array.shape[:1] not in ((), (1,), (len(power),)):
        raise ValueError(f"{name} must be one number or broadcast to {len(power)} sources on "
                         f"the first of {power.ndim} axes, got shape {array.shape}")
    return array if array.ndim else array.reshape((1,) * power.ndim)
