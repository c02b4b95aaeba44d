"""Validation at the border: one form of error for every bad value.

Private to the package. Every public function turns its arguments into float
arrays here and gives scalars back for scalars, so that the formulas behind it
stay free of checks.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, TypeVar, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillalign._text import listed, quoted

if TYPE_CHECKING:
    import pandas as pd

    from fillalign.air import Air

# Nothing here is larger; its square and cube still fit a float.
_HUGE = 1e100

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Programme: TypeAlias = Literal["speech", "music"]
Word = TypeVar("Word", bound=str)
Form = TypeVar("Form", float, FloatArray, "pd.Series[float]")
"""What a number, an array or a Series keeps on its way through a function that is `bordered`;
lists and mixtures of shapes give arrays."""

SAMPLE_RATES_HZ = (8000.0, 192000.0)
COLDEST_C, HOTTEST_C = -50.0, 60.0
ZERO_C_K = 273.15
REFERENCE_KPA = 101.325
# What a refused value of a unit looks like: between which values, and words.
_SLIPS: dict[str, tuple[tuple[float, float, str], ...]] = {
    "C": (
        (200.0, 345.0, "looks like kelvin: degrees C are kelvin less 273.15"),
        (60.0, 130.0, "looks like Fahrenheit: degrees C are (F - 32) / 1.8"),
    ),
    "kPa": (
        (20e3, 200e3, "looks like Pa: 1 kPa is 1000 Pa"),
        (200.0, 2000.0, "looks like hPa (mbar): 1 kPa is 10 hPa"),
    ),
    "%": ((0.0, 1.0, "looks like a fraction: 50 means 50 %"),),
    "Hz": ((1.0, 400.0, "looks like kHz: 1 kHz is 1000 Hz"),),
    "(a fraction)": ((1.0, 100.0, "looks like percent: 0.5 means 50 %"),),
}


class RangeWarning(UserWarning):
    """A number outside what a formula is stated for, or one that looks like a slip of unit."""


class ByValue:
    """A frozen record that holds arrays: equal where all that it holds is, and in no set.

    Examples
    --------
    >>> from fillalign import Recording
    >>> Recording([[0.5]], 48000) == Recording([[0.5]], 48000)
    True
    >>> hash(Recording([[0.5]], 48000))
    Traceback (most recent call last):
    TypeError: unhashable type: 'Recording'
    """

    def __eq__(self, other: object) -> bool:
        """Compare field by field; what is not a number equals itself."""
        if type(other) is not type(self):
            return NotImplemented
        mine, theirs = vars(self), vars(other)
        return mine.keys() == theirs.keys() and all(_same(mine[name], theirs[name])
                                                    for name in mine)

    __hash__ = None  # type: ignore[assignment]


def _same(one: object, other: object) -> bool:
    """Whether two values are equal, arrays and floats that are not a number included."""
    if isinstance(one, np.ndarray | float) and isinstance(other, np.ndarray | float):
        return np.array_equal(one, other, equal_nan=True)
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(_same, one, other))
    return bool(one == other)


def range_text(low: float, high: float, unit: str, *, open_low: bool = False) -> str:
    """Return the allowed range in words, for an error message."""
    tail = f" {unit}" if unit else ""
    if math.isinf(low):
        return "a finite number" if math.isinf(high) else f"at most {high:.10g}{tail}"
    if math.isinf(high):
        return f"{'above' if open_low else 'at least'} {low:.10g}{tail}"
    if open_low:
        return f"above {low:.10g} and at most {high:.10g}{tail}"
    return f"between {low:.10g} and {high:.10g}{tail}"


def slip_text(value: float, unit: str) -> str:
    """Return what a refused value seems to be in another unit, or nothing."""
    slips = _SLIPS.get(unit, ())
    return next((f", which {text}" for low, high, text in slips if low < value < high), "")


def as_float(
    name: str,
    value: ArrayLike,
    unit: str = "",
    *,
    low: float = -math.inf,
    high: float = math.inf,
    open_low: bool = False,
    silence: bool = False,
) -> FloatArray:
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
    silence : bool
        Whether minus infinity is welcome: the level of silence.

    Raises
    ------
    TypeError
        If `value` is not real numbers, or an array with some of it masked out.
    ValueError
        If any of it is not finite or lies outside the range; the message holds
        the name, the first offending value and its place in an array, the unit
        and the range, and another unit if the value seems to be in it.
    """
    # Most calls are of one number: without this line, many of them take five times as long.
    if isinstance(value, float) and low < value < high and -_HUGE < value < _HUGE:
        return np.asarray(float(value))
    if isinstance(value, np.ndarray) and hasattr(value, "mask"):
        raise TypeError(f"{name} must not be a masked array: fill it or drop what is masked")
    try:
        array: FloatArray = np.asarray(value)
        if array.dtype.kind not in "fiu":
            raise TypeError
        array = np.asarray(array, dtype=np.float64)
    except (TypeError, ValueError):
        allowed = range_text(low, high, unit, open_low=open_low)
        raise TypeError(f"{name} must be {allowed}, got {quoted(str(value))}") from None
    good = (array >= max(low, -_HUGE)) & (array <= min(high, _HUGE))
    if open_low:
        good &= array != low
    if silence:
        good |= array == -math.inf
    if good.all():
        return array
    place = np.argwhere(~good)[0].tolist()
    first = float(array[tuple(place)])
    where = f" at {place}" if array.size > 1 else ""
    allowed = range_text(low, high, unit, open_low=open_low)
    hint = slip_text(first, unit)
    if not hint and _HUGE < abs(first) < math.inf:
        hint = f", which is too large: at most {_HUGE:g}"
    raise ValueError(f"{name} must be {allowed}, got {first:.10g}{where}{hint}")


def as_number(name: str, value: ArrayLike, unit: str = "", **limits: Any) -> float:
    """Return one number as a float, or raise one clear error; limits as in `as_float`."""
    array = as_float(name, value, unit, **limits)
    if array.ndim:
        raise TypeError(f"{name} must be one number, got an array of shape {array.shape}")
    return float(array)


def as_whole(name: str, value: float, *, low: float = 0.0, high: float = 2.0**32 - 1) -> int:
    """Return one whole number, or raise one clear error."""
    number = as_float(name, value, low=low, high=high)
    if number.ndim or number != np.floor(number):
        raise ValueError(f"{name} must be a whole number, {range_text(low, high, '')}, got "
                         f"{quoted(value)}")
    return int(number)


def as_points(name: str, value: ArrayLike) -> FloatArray:
    """Return `value` as points (..., 3) in metres, or raise one clear error."""
    points = as_float(name, value, "m")
    if points.ndim == 0 or points.shape[-1] != 3:
        raise ValueError(f"{name} must hold x, y, z in metres on its last axis, got shape "
                         f"{points.shape}")
    return points


def as_rate(sample_rate_hz: float) -> float:
    """Return a sample rate of sound that is made or read here, or raise one clear error."""
    low, high = SAMPLE_RATES_HZ
    return as_number("sample_rate_hz", sample_rate_hz, "Hz", low=low, high=high)


def as_mono(name: str, value: ArrayLike, *, least: int = 1) -> FloatArray:
    """Return one channel of at least so many samples, or raise one clear error."""
    mono = as_float(name, value)
    if mono.ndim != 1 or mono.size < least:
        raise ValueError(f"{name} must be one channel of samples, got shape {mono.shape}")
    return mono


def as_path(name: str, value: str | os.PathLike[str]) -> Path:
    """Return a path, or raise one clear error."""
    if not isinstance(value, str | os.PathLike) or isinstance(os.fspath(value), bytes):
        raise TypeError(f"{name} must be a path as text, got {type(value).__name__}")
    return Path(value)


def check_type(name: str, value: object, *kinds: type) -> None:
    """Raise TypeError unless `value` is one of these records."""
    if not isinstance(value, kinds):
        words = " or ".join(kind.__name__ for kind in kinds)
        article = "an" if words[0] in "AEIOaeio" else "a"
        raise TypeError(f"{name} must be {article} {words}, got {type(value).__name__}")


def check_flag(name: str, value: object) -> None:
    """Raise TypeError unless `value` is true or false."""
    if not isinstance(value, bool | np.bool_):
        raise TypeError(f"{name} must be True or False, got {type(value).__name__}")


def check_choice(name: str, value: object, allowed: tuple[Word, ...]) -> Word:
    """Return `value` if it is one of the allowed words, or raise ValueError."""
    if not isinstance(value, str) or value not in allowed:
        raise ValueError(f"{name} must be one of {listed(allowed)}, got {quoted(value)}")
    return value


def scalar_out(value: Any) -> Any:
    """Return a Python scalar for a 0-d array and the array itself otherwise."""
    array = np.asarray(value)
    return array.item() if array.ndim == 0 else array


def check_shapes(**arrays: ArrayLike) -> None:
    """Raise ValueError that names all arrays, unless they broadcast together."""
    shapes = {name: np.asarray(array).shape for name, array in arrays.items()}
    try:
        np.broadcast_shapes(*shapes.values())
    except ValueError:
        shown = ", ".join(f"{name} {shape}" for name, shape in shapes.items() if shape)
        raise ValueError(f"shapes must fit together (broadcast), got {shown}") from None


def as_air(air: object) -> Air:
    """Return `air` if it is an Air, or raise one clear error.

    Told by what it can do, so that whoever takes an air need not load its formulas.
    """
    kind = type(air)
    if not (hasattr(kind, "speed_m_s") and hasattr(kind, "absorption_db_per_m")):
        raise TypeError(f"air must be an Air, such as Air(20.0) at 20 C, got {quoted(air)}")
    return cast("Air", air)
