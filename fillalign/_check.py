"""Validation at the border: one form of error for every bad number.

Private to the package. Every public function turns its arguments into float
arrays here and gives scalars back for scalars, so that the formulas behind it
stay free of checks.
"""

from __future__ import annotations

from typing import Any, TypeAlias, TypedDict, Unpack, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray: TypeAlias = NDArray[np.float64]
ComplexArray: TypeAlias = NDArray[np.complex128]
Extent: TypeAlias = tuple[FloatArray, float, float]
Slips: TypeAlias = tuple[tuple[float, float, str], ...]


class RangeWarning(UserWarning):
    """A number outside what a formula is stated for, or one that looks like a slip of unit."""


def _shown(value: float) -> str:
    return f"{value:.10g}"


def range_text(low: float, high: float, unit: str, *, open_low: bool = False) -> str:
    """Return the allowed range in words, for an error message."""
    tail = f" {unit}" if unit else ""
    if np.isinf(low) and np.isinf(high):
        return "a finite number"
    if np.isinf(high):
        return f"{'above' if open_low else 'at least'} {_shown(low)}{tail}"
    if np.isinf(low):
        return f"at most {_shown(high)}{tail}"
    if open_low:
        return f"above {_shown(low)} and at most {_shown(high)}{tail}"
    return f"between {_shown(low)} and {_shown(high)}{tail}"


def _slip(value: float, slips: Slips) -> str:
    return next((f", which {text}" for low, high, text in slips if low <= value <= high), "")


class Limits(TypedDict, total=False):
    """What `as_float` allows: its keyword arguments."""

    low: float
    high: float
    open_low: bool
    slips: Slips


def as_float(name: str, value: ArrayLike, unit: str = "", **limits: Unpack[Limits]) -> FloatArray:
    """Return `value` as a float array, or raise one clear error.

    Parameters
    ----------
    name, unit : str
        What the number is and its unit, for the message.
    value : array_like
        Scalar, list, array or pandas Series.
    low, high : float
        Allowed range, ends included.
    open_low : bool
        Whether `low` itself is refused.
    slips : tuple of (low, high, text)
        What a refused value in that range looks like; the text ends the message.

    Raises
    ------
    TypeError
        If `value` is not real numbers.
    ValueError
        If any of it is not finite or lies outside the range; the message holds
        the name, the first offending value, the unit and the range.
    """
    return as_float_extent(name, value, unit, **limits)[0]


def as_float_extent(
    name: str,
    value: ArrayLike,
    unit: str = "",
    *,
    low: float = -np.inf,
    high: float = np.inf,
    open_low: bool = False,
    slips: Slips = (),
) -> Extent:
    """Return what `as_float` returns with its smallest and largest value (nan if empty)."""
    if isinstance(value, float) and low < value < high:
        return np.asarray(value), float(value), float(value)
    try:
        array: FloatArray = np.asarray(value)
        if array.dtype.kind not in "fiu":
            raise TypeError
        array = np.asarray(array, dtype=np.float64)
    except (TypeError, ValueError):
        allowed = range_text(low, high, unit, open_low=open_low)
        raise TypeError(f"{name} must be {allowed}, got {str(value)[:80]!r}") from None
    if not array.size:
        return array, np.nan, np.nan
    least, most = float(np.minimum.reduce(array, None)), float(np.maximum.reduce(array, None))
    # Two reductions pass good values; the masks are made only for a bad one's message.
    if (least > low if open_low else least >= low) and most <= high:
        if -np.inf < least and most < np.inf:
            return array, least, most
    bad = ~(array > low if open_low else array >= low) | ~(array <= high) | ~np.isfinite(array)
    first = float(array[bad].flat[0]) if array.ndim else float(array)
    allowed = range_text(low, high, unit, open_low=open_low)
    raise ValueError(f"{name} must be {allowed}, got {_shown(first)}{_slip(first, slips)}")


def as_points(name: str, value: ArrayLike) -> FloatArray:
    """Return `value` as points (..., 3) in metres, or raise one clear error."""
    points = as_float(name, value, "m")
    if points.ndim == 0 or points.shape[-1] != 3:
        raise ValueError(f"{name} must hold x, y, z in metres on its last axis, got shape "
                         f"{points.shape}")
    return points


def check_choice(name: str, value: object, allowed: tuple[str, ...]) -> str:
    """Return `value` if it is one of the allowed words, or raise ValueError."""
    if not isinstance(value, str) or value not in allowed:
        raise ValueError(f"{name} must be one of {', '.join(allowed)}, got {value!r}")
    return value


@overload
def scalar_out(value: FloatArray) -> Any: ...
@overload
def scalar_out(value: ComplexArray) -> Any: ...
def scalar_out(value: Any) -> Any:
    """Return a Python scalar for a 0-d array and the array itself otherwise."""
    if isinstance(value, float):
        return float(value)
    array = np.asarray(value)
    return array.item() if array.ndim == 0 else array
