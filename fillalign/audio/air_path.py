"""A path through the air as a filter: what it takes from the highs, and how late it is.

Both are exact in the frequency domain. Belongs to the lessons where air and
delay are heard.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import FloatArray, as_mono, as_number, as_rate
from fillalign.air import Air, as_air

LONGEST_M = 1000.0
_HALF_MS = 21.0
_MARGIN = 2048


def loss_db_per_m(frequency_hz: FloatArray, air: Air) -> FloatArray:
    """Return the absorption in dB/m from 0 Hz up, without a warning for the lows."""
    # Below 4e-4 Hz/Pa, 40 Hz at sea level, the standard is silent and the loss nil.
    lowest = 0.4 * as_air(air).pressure_kpa
    share = np.minimum(frequency_hz / lowest, 1.0) ** 2
    return np.asarray(share * air.absorption_db_per_m(np.maximum(frequency_hz, lowest)))


def air_filter(distance_m: float, air: Air, sample_rate_hz: float = 48000.0) -> FloatArray:
    """Return the taps that take from a signal what so much air takes.

    Parameters
    ----------
    distance_m : float
        Length of the path, 0 to 1000 m.
    air : Air
        The air on the path.
    sample_rate_hz : float
        8000 to 192000 Hz.

    Returns
    -------
    ndarray, shape (2 m + 1,)
        Symmetric taps: the filter is linear in phase and delays by m samples.
        ``np.convolve(signal, taps, mode="same")`` has no delay.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Notes
    -----
    The curve is ISO 9613-1:1993, eq. (5), at every frequency, not by bands; it
    is kept to 0.2 dB wherever less than 60 dB is lost. Travel time is no part
    of it, nor is dispersion: by the standard's own relaxations highs run ahead
    of the lows by 0.02 ms in 100 m, 0.1 ms in very dry air.

    Examples
    --------
    >>> taps = air_filter(50.0, Air(20.0, 50.0))
    >>> gain = abs(np.fft.rfft(taps, 48000))
    >>> [round(float(20 * np.log10(gain[hz])), 1) for hz in (1000, 8000)]
    [-0.2, -5.3]
    """
    length = as_number("distance_m", distance_m, "m", low=0.0, high=LONGEST_M)
    rate = as_rate(sample_rate_hz)
    half = round(_HALF_MS * rate / 1000.0)
    frequency = np.arange(2 * half + 1) * rate / (4 * half)
    taps = np.fft.irfft(10.0 ** (-length * loss_db_per_m(frequency, air) / 20.0))
    return np.concatenate([taps[-half:], taps[: half + 1]])


def fractional_delay(signal: ArrayLike, delay_samples: float) -> FloatArray:
    """Return a signal later by any number of samples, fractions included.

    Parameters
    ----------
    signal : array_like, shape (n,)
        One channel.
    delay_samples : float
        0 to 10 million samples.

    Returns
    -------
    ndarray, shape (n + ceil(delay),)
        Band-limited (sinc) interpolation: magnitude 1 and the phase of a pure
        delay at every frequency below half the sample rate.

    Raises
    ------
    TypeError, ValueError
        If the signal is not one channel of numbers or the delay out of range.

    Examples
    --------
    >>> fractional_delay([1.0, 0.0, 0.0], 0.5).round(3)
    array([ 0.637,  0.637, -0.212,  0.127])
    """
    samples = as_mono("signal", signal)
    delay = as_number("delay_samples", delay_samples, "samples", low=0.0, high=1e7)
    from scipy import fft

    whole = int(np.floor(delay))
    end = samples.size + int(np.ceil(delay))
    # The margin takes the ripple that a sinc sends ahead of a sudden start.
    size = fft.next_fast_len(samples.size + 2 * _MARGIN, real=True)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * (delay - whole))
    moved: Any = fft.irfft(fft.rfft(samples, size) * turn, size)
    later = np.zeros(end)
    later[whole:] = moved[: end - whole]
    return later
