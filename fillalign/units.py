"""Milliseconds, samples, metres and feet; rounding to a device's step."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._check import as_float, scalar_out
from fillalign.air import Air, as_air

METRES_PER_FOOT = 0.3048
_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 8000.0, 768000.0


def _rate(sample_rate_hz: float) -> Any:
    return as_float(
        "sample_rate_hz", sample_rate_hz, "Hz", low=_LOWEST_RATE_HZ, high=_HIGHEST_RATE_HZ
    )


def ms_to_samples(time_ms: ArrayLike, sample_rate_hz: float = 48000.0) -> Any:
    """Convert milliseconds to samples (not rounded).

    Parameters
    ----------
    time_ms : array_like
        Time in ms.
    sample_rate_hz : float
        Sample rate, 8000 to 768000 Hz.

    Returns
    -------
    float or ndarray
        Samples.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range.

    References
    ----------
    Arithmetic.

    Examples
    --------
    >>> ms_to_samples(10.0)
    480.0
    """
    return scalar_out(as_float("time_ms", time_ms, "ms") * _rate(sample_rate_hz) / 1000.0)


def samples_to_ms(samples: ArrayLike, sample_rate_hz: float = 48000.0) -> Any:
    """Convert samples to milliseconds; the inverse of `ms_to_samples`.

    Parameters
    ----------
    samples : array_like
        Samples.
    sample_rate_hz : float
        Sample rate, 8000 to 768000 Hz.

    Returns
    -------
    float or ndarray
        Time in ms.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range.

    References
    ----------
    Arithmetic.

    Examples
    --------
    >>> samples_to_ms(441, 44100)
    10.0
    """
    return scalar_out(1000.0 * as_float("samples", samples) / _rate(sample_rate_hz))


def ms_to_m(time_ms: ArrayLike, air: Air) -> Any:
    """Distance that sound covers in a time, in m.

    Parameters
    ----------
    time_ms : array_like
        Time in ms.
    air : Air
        The air on the path.

    Returns
    -------
    float or ndarray
        Distance in m.

    Raises
    ------
    TypeError, ValueError
        If a value is not a finite number, or the air is no Air.

    References
    ----------
    Arithmetic with the speed of Cramer (1993).

    Examples
    --------
    >>> from fillalign import Air
    >>> round(ms_to_m(43.6, Air(20.0)), 1)
    15.0
    """
    return scalar_out(as_float("time_ms", time_ms, "ms") * as_air(air).speed_m_s / 1000.0)


def m_to_ft(length_m: ArrayLike) -> Any:
    """Convert metres to feet (1 ft = 0.3048 m exactly).

    Parameters
    ----------
    length_m : array_like
        Length in m.

    Returns
    -------
    float or ndarray
        Length in ft.

    Raises
    ------
    TypeError, ValueError
        If a value is not a finite number.

    References
    ----------
    International yard and pound agreement of 1959.

    Examples
    --------
    >>> m_to_ft(3.048)
    10.0
    """
    return scalar_out(as_float("length_m", length_m, "m") / METRES_PER_FOOT)


def ft_to_m(length_ft: ArrayLike) -> Any:
    """Convert feet to metres; the inverse of `m_to_ft`.

    Parameters
    ----------
    length_ft : array_like
        Length in ft.

    Returns
    -------
    float or ndarray
        Length in m.

    Raises
    ------
    TypeError, ValueError
        If a value is not a finite number.

    References
    ----------
    International yard and pound agreement of 1959.

    Examples
    --------
    >>> ft_to_m(100)
    30.48
    """
    return scalar_out(as_float("length_ft", length_ft, "ft") * METRES_PER_FOOT)


def round_up_to_step(delay_ms: ArrayLike, step_ms: float) -> Any:
    """Round a delay up to the device's step, so that a fill is never early.

    Parameters
    ----------
    delay_ms : array_like
        Delay in ms.
    step_ms : float
        The device's step in ms, at least 1e-6.

    Returns
    -------
    float or ndarray
        The next multiple of the step, in ms; a delay that lies less than a
        millionth of a step above one counts as that one.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range.

    References
    ----------
    Arithmetic.

    Examples
    --------
    >>> round_up_to_step(75.03, 0.1)
    75.1
    """
    step = as_float("step_ms", step_ms, "ms", low=1e-6)
    # A delay that is a multiple already must not climb a step by rounding error.
    steps = np.ceil(as_float("delay_ms", delay_ms, "ms") / step - 1e-6)
    return scalar_out(np.round(steps * step, 9))
