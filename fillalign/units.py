"""Milliseconds as samples, as metres of air and as steps of a device; metres as feet."""

from typing import TYPE_CHECKING, Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import FloatArray, Form, bordered

if TYPE_CHECKING:
    from fillalign.air import Air

__all__ = [
    "ft_to_m",
    "m_to_ft",
    "ms_to_m",
    "ms_to_samples",
    "round_up_to_step",
    "samples_to_ms",
]

METRES_PER_FOOT = 0.3048
Rate = Annotated[float, arg.Within("Hz", 8000.0, 768000.0)]
Metres = Annotated[Any, arg.Within("m")]


@overload
def ms_to_samples(time_ms: Form, sample_rate_hz: float = ...) -> Form: ...
@overload
def ms_to_samples(time_ms: ArrayLike, sample_rate_hz: float = ...) -> FloatArray: ...
@bordered
def ms_to_samples(time_ms: arg.Ms, sample_rate_hz: Rate = 48000.0) -> Any:
    """Convert milliseconds to samples (not rounded).

    Parameters
    ----------
    time_ms : array_like
        Time in ms.
    sample_rate_hz : float
        Sample rate, 8000 to 768000 Hz.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range.

    Examples
    --------
    >>> ms_to_samples(10.0)
    480.0
    """
    return time_ms * sample_rate_hz / 1000.0


@overload
def samples_to_ms(samples: Form, sample_rate_hz: float = ...) -> Form: ...
@overload
def samples_to_ms(samples: ArrayLike, sample_rate_hz: float = ...) -> FloatArray: ...
@bordered
def samples_to_ms(samples: arg.Numbers, sample_rate_hz: Rate = 48000.0) -> Any:
    """Convert samples to milliseconds; the inverse of `ms_to_samples`, its range and errors.

    Examples
    --------
    >>> samples_to_ms(441, 44100)
    10.0
    """
    return 1000.0 * samples / sample_rate_hz


@overload
def ms_to_m(time_ms: Form, air: "Air") -> Form: ...
@overload
def ms_to_m(time_ms: ArrayLike, air: "Air") -> FloatArray: ...
@bordered
def ms_to_m(time_ms: arg.Ms, air: "Air") -> Any:
    """Distance in m that sound covers in a time in ms; the inverse of `travel_time_ms`.

    Raises
    ------
    TypeError, ValueError
        If a value is not a finite number, or the air is no Air.

    Examples
    --------
    >>> from fillalign import Air
    >>> round(ms_to_m(43.6, Air(20.0)), 1)
    15.0
    """
    return time_ms * air.speed_m_s / 1000.0


@overload
def m_to_ft(length_m: Form) -> Form: ...
@overload
def m_to_ft(length_m: ArrayLike) -> FloatArray: ...
@bordered
def m_to_ft(length_m: Metres) -> Any:
    """Convert metres to feet: 1 ft is 0.3048 m, the international foot of 1959.

    Raises
    ------
    TypeError, ValueError
        If a length is not a finite number.

    Examples
    --------
    >>> m_to_ft(3.048)
    10.0
    """
    return length_m / METRES_PER_FOOT


@overload
def ft_to_m(length_ft: Form) -> Form: ...
@overload
def ft_to_m(length_ft: ArrayLike) -> FloatArray: ...
@bordered
def ft_to_m(length_ft: Annotated[Any, arg.Within("ft")]) -> Any:
    """Convert feet to metres; the inverse of `m_to_ft`, its source and errors.

    Examples
    --------
    >>> ft_to_m(100)
    30.48
    """
    return length_ft * METRES_PER_FOOT


@overload
def round_up_to_step(delay_ms: Form, step_ms: float) -> Form: ...
@overload
def round_up_to_step(delay_ms: ArrayLike, step_ms: float) -> FloatArray: ...
@bordered
def round_up_to_step(
    delay_ms: arg.Ms, step_ms: Annotated[float, arg.Within("ms", 1e-6)]
) -> Any:
    """Round a delay in ms up to the device's step, so that a fill is never early.

    A delay that lies less than a millionth of a step above one counts as that one.

    Parameters
    ----------
    delay_ms : array_like
        Delay in ms.
    step_ms : float
        The device's step in ms, at least 1e-6.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range.

    Examples
    --------
    >>> round_up_to_step(75.03, 0.1)
    75.1
    """
    # A delay that is a multiple already must not climb a step by rounding error.
    return np.round(np.ceil(delay_ms / step_ms - 1e-6) * step_ms, 9)
