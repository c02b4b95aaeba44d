"""Low cut and high shelf: response and group delay in closed form, design and use.

Responses are those of the analogue prototypes, H(s) with s = j f / corner, in
numpy alone; only running a filter needs scipy. Angles follow exp(+j omega t):
a later arrival has a more negative phase.
"""

from typing import Annotated, Any, Literal, TypeAlias

import numpy as np

from fillalign import _validate as arg
from fillalign._validate import FloatArray, bordered, checked

__all__ = [
    "apply_filters",
    "design_low_cut",
    "design_shelf",
    "low_cut_group_delay_ms",
    "low_cut_response",
    "shelf_group_delay_ms",
    "shelf_response",
]

LowCutKind: TypeAlias = Literal["linkwitz-riley", "butterworth"]
LOW_CUT_ORDERS = {"butterworth": (1, 2, 3, 4, 5, 6, 7, 8), "linkwitz-riley": (2, 4, 8)}
AnyHz = Annotated[Any, arg.Within("Hz", 0.0, 1e12)]
Corner = Annotated[Any, arg.Within("Hz", 1e-3, 1e12)]
OneHz = Annotated[float, arg.Within("Hz", 0.0, open_low=True)]
Gain = Annotated[Any, arg.Within("dB", -40.0, 40.0)]


def _butterworth(order: int, kind: str) -> tuple[int, int]:
    """Return the Butterworth order and how often it runs in cascade."""
    if not isinstance(order, int | float | np.number) or order not in LOW_CUT_ORDERS[kind]:
        allowed = ", ".join(map(str, LOW_CUT_ORDERS[kind]))
        raise ValueError(f"order of a {kind} low cut must be one of {allowed}, got {order!r}")
    return (int(order) // 2, 2) if kind == "linkwitz-riley" else (int(order), 1)


def butterworth_poles(order: int) -> Any:
    """Return the poles of a Butterworth filter with its corner at 1 rad/s."""
    return np.exp(0.5j * np.pi * (2 * np.arange(order) + 1 + order) / order)


@bordered
def low_cut_response(
    frequency_hz: AnyHz,
    corner_hz: Corner,
    *,
    order: int = 4,
    kind: LowCutKind = "linkwitz-riley",
) -> Any:
    """Return the complex response of a low cut.

    A Linkwitz-Riley low cut of order 2m is a Butterworth low cut of order m run
    twice (-6 dB at the corner; Linkwitz 1976, J. Audio Eng. Soc. 24(1)). Of order
    2 it is s^2/(1 + s)^2, +180 degrees far below and 0 far above the corner: no
    polarity inversion is built in.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency in Hz, 0 to 1e12.
    corner_hz : array_like
        Corner in Hz, 0.001 to 1e12 (-3 dB for Butterworth, -6 dB for Linkwitz-Riley).
    order : int
        1 to 8 for Butterworth; 2, 4 or 8 for Linkwitz-Riley.
    kind : {"linkwitz-riley", "butterworth"}
        Kind of low cut.

    Raises
    ------
    ValueError
        If a value is out of range or the kind has no such order.

    Examples
    --------
    >>> round(abs(low_cut_response(150.0, 150.0)), 12)
    0.5
    """
    count, times = _butterworth(order, kind)
    s = 1j * (frequency_hz / corner_hz)
    return np.prod([s / (s - pole) for pole in butterworth_poles(count)], axis=0) ** times


@bordered
def low_cut_group_delay_ms(
    frequency_hz: AnyHz,
    corner_hz: Corner,
    *,
    order: int = 4,
    kind: LowCutKind = "linkwitz-riley",
) -> Any:
    """Return the group delay of a low cut in ms.

    A sum over its poles p: each adds -Re p / |j omega - p|^2. Arguments and
    errors are those of `low_cut_response`.

    Examples
    --------
    >>> cut = low_cut_group_delay_ms([200.0, 1000.0], 150.0, order=4, kind="butterworth")
    >>> cut.round(2)
    array([2.19, 0.06])
    """
    count, times = _butterworth(order, kind)
    omega = frequency_hz / corner_hz
    turns = sum(-pole.real / np.abs(1j * omega - pole) ** 2 for pole in butterworth_poles(count))
    return 1000.0 * times * turns / (2.0 * np.pi * corner_hz)


def _shelf_parts(gain_db: Any) -> tuple[Any, Any]:
    """Return A and sqrt(A)/Q of the shelf's prototype."""
    a = 10.0 ** (gain_db / 40.0)
    return a, np.sqrt(2.0 * a)


@bordered
def shelf_response(frequency_hz: AnyHz, corner_hz: Corner, gain_db: Gain) -> Any:
    """Return the complex response of a second-order high shelf.

    H(s) = A (A s^2 + (sqrt(A)/Q) s + 1)/(s^2 + (sqrt(A)/Q) s + A), A = 10^(gain/40),
    1/Q = sqrt(2), the steepest without overshoot: Bristow-Johnson, audio-EQ cookbook
    (W3C Working Group Note, 2021), S = 1.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency in Hz, 0 to 1e12.
    corner_hz : array_like
        Middle of the slope in Hz, from 0.001 up, where the gain is half in dB.
    gain_db : array_like
        Gain far above the corner in dB, -40 to 40.

    Raises
    ------
    ValueError
        If a value is not finite or out of range.

    Examples
    --------
    >>> round(abs(shelf_response(4000.0, 4000.0, 6.0)) ** 2, 4)
    1.9953
    """
    a, damping = _shelf_parts(gain_db)
    s = 1j * (frequency_hz / corner_hz)
    return a * (a * s**2 + damping * s + 1.0) / (s**2 + damping * s + a)


@bordered
def shelf_group_delay_ms(frequency_hz: AnyHz, corner_hz: Corner, gain_db: Gain) -> Any:
    """Return the group delay of a high shelf in ms, negative where a boost leads.

    Arguments and errors are those of `shelf_response`.

    Examples
    --------
    >>> round(shelf_group_delay_ms(0.0, 4000.0, 6.0), 4)
    -0.0195
    """
    a, damping = _shelf_parts(gain_db)
    omega = frequency_hz / corner_hz
    turn = _quadratic_delay(omega, 1.0, damping, a) - _quadratic_delay(omega, a, damping, 1.0)
    return 1000.0 * turn / (2.0 * np.pi * corner_hz)


def _quadratic_delay(omega: Any, square: Any, linear: Any, constant: Any) -> Any:
    """Return d/d omega of the angle of square s^2 + linear s + constant at s = j omega."""
    numerator = linear * (constant + square * omega**2)
    return numerator / ((constant - square * omega**2) ** 2 + (linear * omega) ** 2)


def _check_corner(corner_hz: float, sample_rate_hz: float) -> None:
    if corner_hz >= sample_rate_hz / 2.0:
        raise ValueError("corner_hz must lie below half the sample rate, "
                         f"{sample_rate_hz / 2.0:g} Hz, got {corner_hz:g}")


@checked
def design_low_cut(
    corner_hz: OneHz, sample_rate_hz: OneHz, *, order: int = 4, kind: LowCutKind = "linkwitz-riley"
) -> FloatArray:
    """Return a low cut as second-order sections, shape (sections, 6).

    Bilinear transform with the corner kept in place; order and kind as in
    `low_cut_response`.

    Raises
    ------
    ValueError
        If the corner is not between 0 and half the sample rate, or the kind
        has no such order.

    Examples
    --------
    >>> design_low_cut(100.0, 48000.0).shape
    (2, 6)
    """
    from scipy import signal

    count, times = _butterworth(order, kind)
    _check_corner(corner_hz, sample_rate_hz)
    sections = signal.butter(count, corner_hz, "highpass", fs=sample_rate_hz, output="sos")
    return np.asarray(np.tile(sections, (times, 1)))


@checked
def design_shelf(
    corner_hz: OneHz,
    sample_rate_hz: OneHz,
    gain_db: Annotated[float, arg.Within("dB", -40.0, 40.0)],
) -> FloatArray:
    """Return a high shelf as one second-order section, shape (1, 6).

    Bilinear transform of `shelf_response` with the corner kept in place.

    Raises
    ------
    ValueError
        If the corner is not between 0 and half the sample rate, or the gain
        is out of range.

    Examples
    --------
    >>> design_shelf(4000.0, 48000.0, 6.0).shape
    (1, 6)
    """
    from scipy import signal

    _check_corner(corner_hz, sample_rate_hz)
    a, damping = _shelf_parts(gain_db)
    warped = 1.0 / np.tan(np.pi * corner_hz / sample_rate_hz)
    top, bottom = signal.bilinear([a * a, a * damping, a], [1.0, damping, a], fs=warped / 2.0)
    return np.asarray([[*top, *bottom]])


@checked
def apply_filters(signal: arg.Numbers, sos: arg.Numbers) -> FloatArray:
    """Return a signal run through second-order sections from rest.

    Parameters
    ----------
    signal : array_like
        Samples, time on the last axis.
    sos : array_like, shape (sections, 6)
        Sections as designed here; stack several designs with `np.vstack`.

    Raises
    ------
    TypeError
        If the signal is not real numbers.
    ValueError
        If it is not finite, the sections do not have six columns, or one of them
        is unstable: its output would grow without end.

    Examples
    --------
    >>> steady = apply_filters(np.ones(48000), design_low_cut(100.0, 48000.0))
    >>> bool(abs(steady[-1]) < 1e-9)
    True
    """
    from scipy import signal as scipy_signal

    fits = sos.ndim == 2 and sos.shape[1] == 6 and len(sos) > 0
    if not fits or (sos[:, 3] != 1.0).any():
        raise ValueError("sos must hold second-order sections, shape (sections, 6) with 1 in the "
                         f"fourth column, got shape {sos.shape}")
    first, second = sos[:, 4], sos[:, 5]
    # Both poles within the unit circle (Jury's criterion for two poles).
    growing = (np.abs(second) > 1.0) | (np.abs(first) > 1.0 + second)
    if growing.any():
        raise ValueError(f"sos must be stable, but section {int(growing.argmax())} has a pole "
                         "outside the unit circle")
    if not signal.size:
        return np.asarray(signal)
    filtered = scipy_signal.sosfilt(np.ascontiguousarray(sos), np.atleast_1d(signal))
    return np.asarray(filtered, dtype=np.float64)
