"""Validation at the border: one form of error for every bad number.

Private to the package. Every public function turns its arguments into float
arrays here and gives scalars back for scalars, so that the formulas behind it
stay free of checks.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from numbers import Integral, Real
from pathlib import Path
from types import NoneType, UnionType
from typing import (
    Any,
    Final,
    TypeAlias,
    TypedDict,
    Unpack,
    get_args,
    get_origin,
    get_type_hints,
    overload,
)

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillalign._text import listed, quoted, short

# Nothing here is larger; its square and cube still fit a float.
_HUGE: Final = 1e100
_FLOAT64: Final = np.dtype(np.float64)

FloatArray: TypeAlias = NDArray[np.float64]
ComplexArray: TypeAlias = NDArray[np.complex128]
Extent: TypeAlias = tuple[FloatArray, float, float]

SAMPLE_RATES_HZ: Final = (8000.0, 192000.0)
# What a refused value of a unit looks like: between which values, and words.
_SLIPS: Final[Mapping[str, tuple[tuple[float, float, str], ...]]] = {
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


def slip_text(value: float, unit: str) -> str:
    """Return what a refused value seems to be in another unit, or nothing."""
    slips = _SLIPS.get(unit, ())
    return next((f", which {text}" for low, high, text in slips if low < value < high), "")


class Limits(TypedDict, total=False):
    """What `as_float` allows: its keyword arguments."""

    low: float
    high: float
    open_low: bool


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

    Raises
    ------
    TypeError
        If `value` is not real numbers.
    ValueError
        If any of it is not finite or lies outside the range; the message holds
        the name, the first offending value and its place in an array, the unit
        and the range, and another unit if the value seems to be in it.
    """
    return as_float_extent(name, value, unit, **limits)[0]


def _extremes(array: FloatArray) -> FloatArray:
    """Return an array's smallest and largest value; nan, if it holds one."""
    return np.array([np.minimum.reduce(array, None), np.maximum.reduce(array, None)])


def as_float_extent(
    name: str,
    value: ArrayLike,
    unit: str = "",
    *,
    low: float = -np.inf,
    high: float = np.inf,
    open_low: bool = False,
) -> Extent:
    """Return what `as_float` returns with its smallest and largest value (nan if empty)."""
    if isinstance(value, float) and low < value < high and -_HUGE < value < _HUGE:
        number = float(value)
        return np.asarray(number), number, number
    try:
        array: FloatArray = np.asarray(value)
        if array.dtype is not _FLOAT64:
            if array.dtype.kind not in "fiu":
                raise TypeError
            array = np.asarray(array, dtype=np.float64)
    except (TypeError, ValueError):
        allowed = range_text(low, high, unit, open_low=open_low)
        raise TypeError(f"{name} must be {allowed}, got {quoted(str(value))}") from None
    if not array.size:
        return array, np.nan, np.nan
    # Two searches pass good values; the masks are made only for a bad one's message.
    flat = array if array.flags.c_contiguous else _extremes(array)
    least, most = flat.item(flat.argmin()), flat.item(flat.argmax())
    if (least > low if open_low else least >= low) and most <= high:
        if -_HUGE <= least and most <= _HUGE:
            return array, least, most
    bad = ~(array > low if open_low else array >= low) | ~(array <= high) | ~(abs(array) <= _HUGE)
    place = np.argwhere(bad)[0].tolist()
    first = float(array[tuple(place)])
    where = f" at {place}" if array.size > 1 else ""
    allowed = range_text(low, high, unit, open_low=open_low)
    hint = slip_text(first, unit)
    if not hint and _HUGE < abs(first) < math.inf:
        hint = f", which is too large: at most {_HUGE:g}"
    raise ValueError(f"{name} must be {allowed}, got {_shown(first)}{where}{hint}")


def as_number(name: str, value: ArrayLike, unit: str = "", **limits: Unpack[Limits]) -> float:
    """Return one number as a float, or raise one clear error."""
    array = as_float(name, value, unit, **limits)
    if array.ndim:
        raise TypeError(f"{name} must be one number, got an array of shape {array.shape}")
    return float(array)


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


def check_choice(name: str, value: object, allowed: tuple[str, ...]) -> str:
    """Return `value` if it is one of the allowed words, or raise ValueError."""
    if not isinstance(value, str) or value not in allowed:
        raise ValueError(f"{name} must be one of {listed(allowed)}, got {quoted(value)}")
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


_WORDS: dict[Any, str] = {float: "a number", int: "a whole number", str: "text", NoneType: "None"}
_LARGEST = 1e100


@cache
def _declared(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)


def _bearable(number: Real) -> bool:
    """Whether a number can be computed with; minus infinity is a trim that is off."""
    try:
        return -_LARGEST <= float(number) <= _LARGEST or float(number) == -math.inf
    except OverflowError:
        return False


def _fits(value: object, kind: Any) -> bool:
    """Whether a value is of a declared kind; lists and arrays will do for tuples."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin is UnionType:
        return any(_fits(value, one) for one in inner)
    if origin is tuple:
        items = list(value) if isinstance(value, tuple | list | np.ndarray) else None
        if items is None or (inner[-1] is not ... and len(items) != len(inner)):
            return False
        kinds = (inner[0],) * len(items) if inner[-1] is ... else inner
        return all(map(_fits, items, kinds))
    if origin is Mapping:
        return isinstance(value, Mapping) and all(
            _fits(key, inner[0]) and _fits(item, inner[1]) for key, item in value.items()
        )
    if kind in (float, int):
        number = Integral if kind is int else Real
        return isinstance(value, number) and not isinstance(value, bool) and _bearable(value)
    return isinstance(value, kind)


def _words(kind: Any) -> str:
    origin, inner = get_origin(kind), get_args(kind)
    if origin is UnionType:
        return " or ".join(map(_words, inner))
    if origin is tuple:
        count = "any number" if inner[-1] is ... else str(len(inner))
        return f"a tuple of {count}, each {_words(inner[0])}"
    if origin is Mapping:
        return f"a mapping of {_words(inner[0])} to {_words(inner[1])}"
    return _WORDS.get(kind) or str(kind.__name__)


def check_record(record: Any) -> None:
    """Raise TypeError at the first field, here or deeper, that holds what it should not."""
    kind: Any = type(record)
    for item in fields(record):
        value, declared = getattr(record, item.name), _declared(kind)[item.name]
        if not _fits(value, declared):
            name = getattr(record, "name", "")
            whose = f" {short(name)}" if isinstance(name, str) and name else ""
            raise TypeError(f"{kind.__name__}{whose}: {item.name} must be {_words(declared)}, "
                            f"got {quoted(value)}")
        parts = value.values() if isinstance(value, Mapping) else value
        for part in parts if isinstance(value, Mapping | tuple | list) else (value,):
            if is_dataclass(part):
                check_record(part)
