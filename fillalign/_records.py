"""Whether the fields of a record hold what they are declared to hold.

Private to the package.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from numbers import Integral, Real
from types import NoneType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np

from fillalign._text import quoted, short

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
