"""Validation at the border: one form of error for every bad value.

Private to the package. What each argument of a function of numbers is, its unit and its
range stand in its signature as an `Annotated` type; `checked` and `bordered` hold callers to
it and give scalars back for scalars, so that the formula below is free of checks and has
float arrays to work with.
"""

from __future__ import annotations

import math
import os
import warnings
from collections.abc import Callable, Collection, Mapping
from functools import partial, wraps
from inspect import signature
from pathlib import Path
from typing import (
    TYPE_CHECKING,
    Annotated,
    Any,
    Literal,
    NamedTuple,
    ParamSpec,
    TypeAlias,
    TypeVar,
    cast,
    get_args,
    get_origin,
)

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillalign._text import listed, quoted

if TYPE_CHECKING:
    import pandas as pd

# Nothing here is larger; its square and cube still fit a float.
_HUGE = 1e100

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Programme: TypeAlias = Literal["speech", "music"]
Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")
Given = TypeVar("Given")
Word = TypeVar("Word", bound=str)
Form = TypeVar("Form", float, FloatArray, "pd.Series[float]")
"""What a number, an array or a Series keeps on its way through a function that is `bordered`;
lists and mixtures of shapes give arrays."""

SAMPLE_RATES_HZ = (8000.0, 192000.0)
COLDEST_C, HOTTEST_C = -50.0, 60.0
ZERO_C_K = 273.15
REFERENCE_KPA = 101.325
_PERCENT_HINT = (
    "humidity_pct above 0 and below 1: humidity is in percent, so that 50 means 50 % and "
    "0.5 means half a percent"
)
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
        return _same(vars(self), vars(other)) if type(other) is type(self) else NotImplemented

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


class Within(NamedTuple):
    """Unit and range of an argument.

    `low` and `high` belong to the range, unless it is `open_low`; with `silence`, so does
    minus infinity: the level of silence.
    """

    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    open_low: bool = False
    silence: bool = False

    def held(self, name: str, value: ArrayLike) -> FloatArray:
        """Return `value` as a float array in this range, or raise as `as_float` does."""
        unit, low, high, open_low, silence = self
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
            raise TypeError(f"{name} must be {self}, got {quoted(str(value))}") from None
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
        hint = slip_text(first, unit)
        if not hint and _HUGE < abs(first) < math.inf:
            hint = f", which is too large: at most {_HUGE:g}"
        raise ValueError(f"{name} must be {self}, got {first:.10g}{where}{hint}")

    def __repr__(self) -> str:
        """Say the range in words, as messages do and signatures in a help text."""
        return range_text(self.low, self.high, self.unit, open_low=self.open_low)


def as_float(name: str, value: ArrayLike, unit: str = "", **limits: Any) -> FloatArray:
    """Return `value` as a float array, or raise one clear error.

    Parameters
    ----------
    name, unit : str
        What the number is and its unit, for the message.
    value : array_like
        Scalar, list, array or pandas Series.
    **limits
        Allowed range, as the fields of `Within`.

    Raises
    ------
    TypeError
        If `value` is not real numbers, or an array with some of it masked out.
    ValueError
        If any of it is not finite or lies outside the range; the message holds
        the name, the first offending value and its place in an array, the unit
        and the range, and another unit if the value seems to be in it.
    """
    return Within(unit, **limits).held(name, value)


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


def check_flag(name: str, value: bool) -> bool:
    """Return `value` if it is true or false, or raise TypeError."""
    if not isinstance(value, bool | np.bool_):
        raise TypeError(f"{name} must be True or False, got {type(value).__name__}")
    return value


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


def as_air(air: Given) -> Given:
    """Return `air` if it is an Air, or raise one clear error.

    Told by what it can do, so that whoever takes an air need not load its formulas.
    """
    kind = type(air)
    if not (hasattr(kind, "speed_m_s") and hasattr(kind, "absorption_db_per_m")):
        raise TypeError(f"air must be an Air, such as Air(20.0) at 20 C, got {quoted(air)}")
    return air


def as_humidity(name: str, value: ArrayLike) -> FloatArray:
    """Return relative humidity in percent; warn whoever calls the caller if it looks like a share.

    A caller is a function with a border, or the making of an Air.
    """
    humidity = as_float(name, value, "%", low=0.0, high=100.0)
    if ((humidity > 0.0) & (humidity < 1.0)).any():
        warnings.warn(_PERCENT_HINT, RangeWarning, stacklevel=4)
    return humidity


Numbers = Annotated[Any, Within()]
TEMPERATURE, PRESSURE = Within("C", COLDEST_C, HOTTEST_C), Within("kPa", 20.0, 200.0)
Temperature = Annotated[Any, TEMPERATURE]
Humidity = Annotated[Any, as_humidity]
Pressure = Annotated[Any, PRESSURE]
Points = Annotated[Any, as_points]
Length = Annotated[Any, Within("m", 0.0)]
Ms = Annotated[Any, Within("ms")]
Degrees = Annotated[Any, Within("degrees")]
Radians = Annotated[Any, Within("rad")]
Frequency = Annotated[Any, Within("Hz", 0.0)]
Level = Annotated[Any, Within("dB", high=1000.0, silence=True)]
Power = Annotated[Any, Within(low=0.0)]


def _check_of(name: str, kind: Any) -> Any:
    """Return what an argument of some annotated kind must pass, if it must pass anything."""
    first, *others = get_args(kind) or (kind,)
    if type(None) in others:
        check = _check_of(name, first)
        return check and (lambda value: None if value is None else check(value))
    if get_origin(kind) is Literal:
        return partial(check_choice, name, allowed=get_args(kind))
    if get_origin(kind) is not Annotated:
        return {bool: partial(check_flag, name), "Air": as_air}.get(kind)
    limit, = kind.__metadata__
    if first is int:
        return partial(as_whole, name, low=limit.low, high=limit.high)
    if first is float:
        return partial(as_number, name, **limit._asdict())
    return partial(limit.held if isinstance(limit, Within) else limit, name)


def _holder(function: Callable[..., Any]) -> Callable[..., dict[str, Any]]:
    """Return what turns the arguments of a function into what its signature promises, by name."""
    parameters = signature(function).parameters.values()
    places = [one.name for one in parameters if one.kind is not one.KEYWORD_ONLY]
    checks = {one.name: _check_of(one.name, one.annotation) for one in parameters}
    checks = {name: check for name, check in checks.items() if check}

    def held(args: tuple[Any, ...], kwargs: dict[str, Any]) -> dict[str, Any]:
        given = dict(zip(places, args, strict=False)) | kwargs
        if len(given) < len(args) + len(kwargs):
            # Too many, or one of them twice: let the function say so.
            function(*args, **kwargs)
        for name, check in checks.items():
            if name in given:
                given[name] = check(given[name])
        return given

    return held


def _is_array(kind: Any) -> bool:
    return any(getattr(one, "__origin__", None) is Any for one in (kind, *get_args(kind)))


def checked(function: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
    """Have a function hold its arguments to its signature; an array without axes is a number."""
    held, run = _holder(function), cast(Callable[..., Any], function)

    @wraps(function)
    def called(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
        result: Result = run(**held(args, kwargs))
        if isinstance(result, np.ndarray | np.generic):
            result = scalar_out(result)
        return result

    return called


def bordered(function: Callable[Arguments, Any]) -> Callable[Arguments, Any]:
    """Have a function of arrays hold them to its signature, and keep the form it is given.

    Scalars give scalars, and pandas Series with one index give a Series with that index
    where the answer has its shape. All arrays must broadcast together; those that do not are
    named.
    """
    held, run = _holder(function), cast(Callable[..., Any], function)
    kinds = signature(function).parameters
    arrays = [name for name, one in kinds.items() if _is_array(one.annotation)]

    @wraps(function)
    def called(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Any:
        index = None
        if any(hasattr(one, "iloc") for one in (*args, *kwargs.values())):
            index = _one_index(dict(zip(kinds, args, strict=False)) | kwargs, arrays)
        given = held(args, kwargs)
        try:
            result = run(**given)
        except ValueError:
            check_shapes(**{name: given[name] for name in arrays if name in given})
            raise
        if isinstance(result, tuple):
            return tuple(_formed(one, index) for one in result)
        return _formed(result, index)

    return called


def _one_index(given: Mapping[str, Any], arrays: Collection[str]) -> Any:
    """Return the index of the Series among some arguments, which must have the same."""
    given = {name: one for name, one in given.items() if name in arrays}
    series = {name: one for name, one in given.items() if hasattr(one, "iloc") and one.ndim == 1}
    first, *others = [one.index for one in series.values()] or [None]
    if not all(first.equals(other) for other in others):
        raise ValueError(f"{' and '.join(series)} must have the same index, as Series: bring "
                         "them to one with `align` or `reindex`, or pass arrays")
    shapes = (np.shape(one) for one in given.values() if one is not None)
    # What is longer than the Series, or summed over, has no place in its index.
    return first if first is not None and np.broadcast_shapes(*shapes) == first.shape else None


def _formed(value: Any, index: Any) -> Any:
    """Return a Python scalar for a 0-d array, a Series where an index fits, else the array."""
    if index is None or np.shape(value) != index.shape:
        return scalar_out(value)
    import pandas as pd

    return pd.Series(value, index)
