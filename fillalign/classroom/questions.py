"""What the lessons ask: exercises and predictions, from the table beside each lesson's module.

`lessons/l03.toml` holds those of lesson 03. Of every answer it says by which call of the
library it is computed, and of every wrong one by which slip; prose may run over lines.
Numbers come from a seed and the exercise's id, so that a class can have one set each.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from fillalign.classroom.calls import value_of
from fillalign.units import m_to_ft

Parameters = Mapping[str, float]
"""The numbers of one variant, by name."""

_TABLES = Path(__file__).parent / "lessons"
_PROSE = ("text", "meaning", "solution")
_FEET = "You took the feet for metres: the speed of sound goes with metres."
_SECONDS = "That is in seconds, and milliseconds are asked for: times 1000."
_TWENTY = "That holds at twenty degrees. This air has another temperature."
_FREEZING = "You left the temperature out: that is for air at the freezing point."


@dataclass(frozen=True)
class Slip:
    """A wrong way to an answer, and what to say to who took it.

    Attributes
    ----------
    call : str
        What the slip gives, as `Exercise.call`; `answer` stands for the right one.
    hint : str
        Names the slip in a sentence or two, without the answer.
    """

    call: str
    hint: str

    def value(self, **numbers: float) -> float:
        """Return what the slip gives for numbers by name."""
        return value_of(self.call, numbers)


@dataclass(frozen=True)
class Exercise:
    """One question of a lesson.

    Attributes
    ----------
    id : str
        Lesson and letter, such as `"04-b"`.
    text : str
        The question, with `{name}` or `{name:.1f}` for its numbers. For a
        number `width_m` there is `{width_ft}` as well.
    call : str
        The library call that gives the answer, and stands in the worked solution: one
        expression with the names of numbers, of the library's functions and of `math`.
    unit : str
        Of the answer.
    tolerance : float
        Largest difference from the answer that counts as right.
    decimals : int
        To which the answer is shown.
    hints : tuple of three str
        From a nudge to nearly there; they may hold numbers, never the answer.
    slips : tuple of Slip
        Wrong ways of its own that are recognised, beside those of `every_slip`.
    solution : str
        The way in words; may use `{answer}` beside the numbers.
    numbers : mapping of str to sequence of float or str
        What each number is drawn from; a str is a call.
    share : float
        Tolerance as a share of the answer, where that is more: for rules of thumb.
    """

    id: str
    text: str
    call: str
    unit: str
    tolerance: float
    decimals: int
    hints: Sequence[str]
    slips: tuple[Slip, ...]
    solution: str
    numbers: Mapping[str, Sequence[float | str]]
    share: float = 0.0

    def answer(self, **numbers: float) -> float:
        """Return the answer for numbers by name."""
        return value_of(self.call, numbers)

    def room(self, right: float) -> float:
        """Return how far from the right answer still counts as right."""
        return max(self.tolerance, self.share * abs(right))

    def every_slip(self, numbers: Parameters) -> list[tuple[Slip, float]]:
        """Return the slips that these numbers can show, with what each gives.

        Beside its own: feet taken for metres as the text shows them, seconds for
        milliseconds, air of 20 C, and the temperature left out.
        """
        right = self.answer(**numbers)
        shown = re.findall(r"\{(\w+)_ft(?::\.(\d)f)?\}", self.text)
        feet = {f"{name}_m": round(float(m_to_ft(numbers[f"{name}_m"])), int(decimals or 0))
                for name, decimals in shown if f"{name}_m" in numbers}
        changed = {_FEET: feet, _TWENTY: {"temperature_c": 20.0}, _FREEZING: {"temperature_c": 0.0}}
        found = [(slip, slip.value(answer=right, **numbers)) for slip in self.slips]
        found += [(Slip(self.call, said), self.answer(**{**numbers, **other}))
                  for said, other in changed.items() if other and other.keys() <= numbers.keys()]
        if self.unit == "ms":
            found.append((Slip("answer / 1000", _SECONDS), right / 1000))
        return [(slip, value) for slip, value in found if abs(value - right) > self.room(right)]

    def variant(self, seed: int) -> dict[str, float]:
        """Return the numbers that a seed gives."""
        rng = np.random.default_rng([seed, *self.id.encode()])
        drawn = {name: values[int(rng.integers(len(values)))]
                 for name, values in self.numbers.items()}
        return {name: value_of(str(value), {}) for name, value in drawn.items()}


@dataclass(frozen=True)
class Prediction:
    """One question to guess at before a lesson shows anything.

    Attributes
    ----------
    id : str
        Lesson and letter, such as `"02-a"`.
    text : str
        The question, in full.
    unit : str
        Of the number asked for.
    call : str
        The library call that gives the value, as of an `Exercise`.
    decimals : int
        To which it is shown.
    tolerance : float
        How near a guess counts as near.
    meaning : str
        Why it is so, the assumption it rests on, and what a far guess shows.
    slips : tuple of Slip
        Beliefs that lead to a certain number, and what to say to each.
    """

    id: str
    text: str
    unit: str
    call: str
    decimals: int
    tolerance: float
    meaning: str
    slips: tuple[Slip, ...] = ()

    def truth(self) -> float:
        """Return the value."""
        return value_of(self.call, {})


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


def _on_one_line(text: str) -> str:
    return " ".join(text.split())


def _entries(kind: str) -> Iterator[dict[str, Any]]:
    """Return the fields of everything of a kind, in the order of the series."""
    for path in sorted(_TABLES.glob("l*.toml")):
        for entry in tomllib.loads(path.read_text("utf-8"))[kind]:
            slips = tuple(Slip(call, _on_one_line(hint)) for call, hint in entry["slips"])
            prose = {name: _on_one_line(entry[name]) for name in _PROSE if name in entry}
            yield {**entry, **prose, "slips": slips}


@cache
def all_exercises() -> dict[str, Exercise]:
    """Return every exercise of the series by its id.

    Examples
    --------
    >>> "00-a" in all_exercises()
    True
    """
    return {entry["id"]: Exercise(**{**entry, "hints": [*map(_on_one_line, entry["hints"])]})
            for entry in _entries("exercise")}


@cache
def all_predictions() -> dict[str, Prediction]:
    """Return every prediction of the series by its id.

    Examples
    --------
    >>> "00-a" in all_predictions()
    True
    """
    return {entry["id"]: Prediction(**entry) for entry in _entries("prediction")}


def find_exercise(exercise_id: str) -> Exercise:
    """Return one exercise, or raise ValueError with the ids there are."""
    known = all_exercises()
    return known[one_of("exercise", exercise_id, known)]


def find_prediction(prediction_id: str) -> Prediction:
    """Return one prediction, or raise ValueError with the ids there are."""
    known = all_predictions()
    return known[one_of("prediction", prediction_id, known)]
