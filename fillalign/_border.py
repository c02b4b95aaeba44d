"""The border of a function of numbers, written in its signature.

Private to the package. What each argument is, its unit and its range stand beside its name,
as an `Annotated` type; `checked` and `bordered` hold callers to it, so that the formula
below is free of checks and has float arrays to work with.
"""

import warnings
from collections.abc import Callable, Mapping
from functools import partial, wraps
from inspect import signature
from typing import Annotated, Any, Literal, NamedTuple, ParamSpec, TypeVar, get_args, get_origin

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import (
    COLDEST_C,
    HOTTEST_C,
    FloatArray,
    RangeWarning,
    as_air,
    as_float,
    as_number,
    as_points,
    as_whole,
    check_choice,
    check_flag,
    check_shapes,
    range_text,
    scalar_out,
)

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")

_PERCENT_HINT = (
    "humidity_pct above 0 and below 1: humidity is in percent, so that 50 means 50 % and "
    "0.5 means half a percent"
)


class Within(NamedTuple):
    """Unit and range of an argument; its fields are as for `fillalign._validate.as_float`."""

    unit: str = ""
    low: float = -np.inf
    high: float = np.inf
    open_low: bool = False
    silence: bool = False

    def held(self, name: str, value: ArrayLike) -> FloatArray:
        """Return `value` as a float array in this range, or raise one clear error."""
        return as_float(name, value, **self._asdict())

    def __repr__(self) -> str:
        """Say the range in words, as signatures in a help text show it."""
        return range_text(self.low, self.high, self.unit, open_low=self.open_low)


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


def _as_flag(name: str, value: bool) -> bool:
    check_flag(name, value)
    return value


def _check_of(name: str, kind: Any) -> Any:
    """Return what an argument of some annotated kind must pass, if it must pass anything."""
    if get_origin(kind) is Literal:
        return partial(check_choice, name, allowed=get_args(kind))
    if get_origin(kind) is not Annotated:
        return {bool: partial(_as_flag, name), "Air": as_air}.get(kind)
    limit = kind.__metadata__[0]
    if not isinstance(limit, Within):
        return partial(limit, name)
    if kind.__origin__ is int:
        return partial(as_whole, name, low=limit.low, high=limit.high)
    return partial(as_number if kind.__origin__ is float else as_float, name, **limit._asdict())


class _Border:
    """What the annotations of a function promise of its arguments."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self.function, parameters = function, signature(function).parameters.values()
        self.places = [one.name for one in parameters if one.kind is not one.KEYWORD_ONLY]
        self.arrays, self.checks = set(), []
        for one in parameters:
            # Of what may be left out, None is no number but says so.
            optional = type(None) in get_args(one.annotation)
            kind = get_args(one.annotation)[0] if optional else one.annotation
            check = _check_of(one.name, kind)
            if check:
                self.checks.append((one.name, check, optional))
            if getattr(kind, "__origin__", None) is Any:
                self.arrays.add(one.name)

    def named(self, args: tuple[Any, ...], kwargs: dict[str, Any]) -> dict[str, Any]:
        """Return arguments by their names."""
        given = dict(zip(self.places, args, strict=False)) | kwargs
        if len(given) < len(args) + len(kwargs):
            # Too many, or one of them twice: let the function say so.
            self.function(*args, **kwargs)
        return given

    def held(self, given: dict[str, Any]) -> dict[str, Any]:
        """Return arguments as the function is promised them."""
        made = given.copy()
        for name, check, optional in self.checks:
            if name in given and not (optional and given[name] is None):
                made[name] = check(given[name])
        return made


def checked(function: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
    """Have a function hold its arguments to their annotations."""
    border = _Border(function)

    @wraps(function)
    def called(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
        return border.function(**border.held(border.named(args, kwargs)))  # type: ignore[no-any-return]

    return called


def bordered(function: Callable[Arguments, Any]) -> Callable[Arguments, Any]:
    """Have a function of arrays hold them to their annotations, and keep the form it is given.

    Scalars give scalars, and pandas Series with one index give a Series with that index
    where the answer has its shape. All arrays must broadcast together; those that do not are
    named.
    """
    border = _Border(function)

    @wraps(function)
    def called(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Any:
        given = border.named(args, kwargs)
        series = any(hasattr(one, "iloc") for one in given.values())
        index = _one_index({name: one for name, one in given.items() if name in border.arrays}
                           ) if series else None
        made = border.held(given)
        try:
            result = border.function(**made)
        except ValueError:
            check_shapes(**{name: made[name] for name in given if name in border.arrays})
            raise
        if isinstance(result, tuple):
            return tuple(_formed(one, index) for one in result)
        return _formed(result, index)

    return called


def _one_index(given: Mapping[str, Any]) -> Any:
    """Return the index of the Series among some arguments, which must have the same."""
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
