"""What the lessons declare, found by number: one module a lesson, `lessons/l00.py` on.

Each holds `EXERCISES` and `PREDICTIONS` beside its live figures, so that a new
lesson adds a file and changes none.
"""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Iterable
from functools import cache
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, TypeVar

from fillalign.classroom import lessons

if TYPE_CHECKING:
    from fillalign.classroom.exercises import Exercise
    from fillalign.classroom.predictions import Prediction

_Item = TypeVar("_Item", "Exercise", "Prediction")


def one_of(kind: str, name: str, known: Iterable[str]) -> str:
    """Return a name that is known, or raise ValueError with those there are.

    Examples
    --------
    >>> one_of("sound", "clap", ("voice", "clap"))
    'clap'
    """
    names = tuple(known)
    if name not in names:
        raise ValueError(f"{kind} must be one of {', '.join(names)}, got {str(name)[:40]!r}")
    return name


@cache
def lesson_modules() -> tuple[ModuleType, ...]:
    """Return the modules of all lessons, in the order of the series.

    Examples
    --------
    >>> lesson_modules()[0].__name__
    'fillalign.classroom.lessons.l00'
    """
    names = sorted(found.name for found in pkgutil.iter_modules(lessons.__path__)
                   if re.fullmatch(r"l\d\d", found.name))
    return tuple(import_module(f"{lessons.__name__}.{name}") for name in names)


def _by_id(kind: str, items: list[_Item]) -> dict[str, _Item]:
    found: dict[str, _Item] = {}
    for item in items:
        if item.id in found:
            raise ValueError(f"two {kind} are called {item.id!r}")
        found[item.id] = item
    return found


@cache
def all_exercises() -> dict[str, Exercise]:
    """Return every exercise of the series by its id.

    Examples
    --------
    >>> "00-a" in all_exercises()
    True
    """
    return _by_id("exercises", [e for module in lesson_modules() for e in module.EXERCISES])


@cache
def all_predictions() -> dict[str, Prediction]:
    """Return every prediction of the series by its id.

    Examples
    --------
    >>> "00-a" in all_predictions()
    True
    """
    return _by_id("predictions", [p for module in lesson_modules() for p in module.PREDICTIONS])


def find_exercise(exercise_id: str) -> Exercise:
    """Return one exercise, or raise ValueError with the ids there are."""
    known = all_exercises()
    return known[one_of("exercise", exercise_id, known)]


def find_prediction(prediction_id: str) -> Prediction:
    """Return one prediction, or raise ValueError with the ids there are."""
    known = all_predictions()
    return known[one_of("prediction", prediction_id, known)]
