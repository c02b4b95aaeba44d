"""Exercises: a question with numbers from a seed, checked against the library.

An exercise says what is asked, how the library answers it, and which slips it
recognises. Numbers come from a seed and the exercise's id, so that a class can
have one set each and an educator the key to all of them.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from fillalign.classroom.calls import with_numbers
from fillalign.classroom.questions import Exercise, Parameters, Slip, find_exercise
from fillalign.units import m_to_ft

_HIGHEST_SEED = 9999
_LOOKALIKES = "OoIl|"
_seed = 1


@dataclass(frozen=True)
class Verdict:
    """What became of an answer; a notebook shows its text.

    Attributes
    ----------
    right : bool
        Whether the answer is within the tolerance.
    text : str
        Praise or hint, in words.
    slip : Slip or None
        The slip that was recognised.
    """

    right: bool
    text: str
    slip: Slip | None = None

    def __repr__(self) -> str:
        """Return the text alone, which is what a learner is to read."""
        return self.text


def _fill_in(template: str, numbers: Parameters, **more: str) -> str:
    feet = {f"{name[:-2]}_ft": float(m_to_ft(value))
            for name, value in numbers.items() if name.endswith("_m")}
    return template.format(**feet, **numbers, **more)


def _checked_seed(seed: int | None) -> int:
    if seed is None:
        return _seed
    if seed not in range(_HIGHEST_SEED + 1):
        raise ValueError(f"seed must be a whole number from 0 to {_HIGHEST_SEED}, got {seed!r}")
    return int(seed)


def _drawn(exercise_id: str, seed: int | None) -> tuple[Exercise, dict[str, float]]:
    exercise = find_exercise(exercise_id)
    return exercise, exercise.variant(_checked_seed(seed))


def as_number(answer: float | str) -> float:
    """Return what was typed as a number: `75.6`, `"75,6"`, `"1,680"` or `"75.6 ms"`.

    A comma before three figures parts thousands, as the lessons write them; any other
    is a decimal point. A letter that looks like a figure makes no number.

    Raises
    ------
    ValueError
        If it is not one finite number.

    Examples
    --------
    >>> as_number("-75,6 ms")
    -75.6
    """
    text = str(answer).strip().replace("\u2212", "-")
    text = re.sub(r"(?<![\d.,])([1-9]\d{0,2})((?:,\d{3})+)(?![\d,])",
                  lambda found: found[0].replace(",", ""), text)
    match = re.fullmatch(
        rf"([+-]?\d*[.,]?\d+(?:[eE][+-]?\d+)?)\.?(?![{_LOOKALIKES}])\s*([^\d.,]*)", text)
    if match is None or not math.isfinite(float(match[1].replace(",", "."))):
        raise ValueError(f"please give one number, such as 12.5, not {text[:40]!r}")
    return float(match[1].replace(",", "."))


def as_sentence(error: Exception) -> str:
    """Return what an error says as a sentence.

    Examples
    --------
    >>> as_sentence(ValueError("no number"))
    'No number.'
    """
    said = str(error)
    return f"{said[:1].upper()}{said[1:]}."


def exercise_seed(seed: int | None = None) -> int:
    """Set which set of numbers the exercises have from now on, and return it.

    Parameters
    ----------
    seed : int, optional
        0 to 9999; a class can have one each. Without it nothing changes.

    Raises
    ------
    ValueError
        If it is out of range.

    Examples
    --------
    >>> exercise_seed()
    1
    """
    global _seed
    _seed = _checked_seed(seed)
    return _seed


def question(exercise_id: str, *, seed: int | None = None) -> str:
    """Return the question of an exercise with its numbers.

    Parameters
    ----------
    exercise_id : str
        Such as `"00-a"`.
    seed : int, optional
        Which set of numbers; the class's if not given.

    Raises
    ------
    ValueError
        If there is no such exercise.

    Examples
    --------
    >>> question("00-a", seed=1).endswith("(in ms)")
    True
    """
    exercise, numbers = _drawn(exercise_id, seed)
    asked = _fill_in(exercise.text, numbers)
    return f"{asked} (in {exercise.unit})"


def right_answer(exercise_id: str, *, seed: int | None = None) -> float:
    """Return the answer that the library computes, not rounded (for educators).

    Examples
    --------
    >>> check("00-a", right_answer("00-a", seed=7), seed=7).right
    True
    """
    exercise, numbers = _drawn(exercise_id, seed)
    return exercise.answer(**numbers)


def _slip_of(exercise: Exercise, numbers: Parameters, given: float) -> Slip | None:
    """Return the slip whose value lies nearest to what was given, if one is near enough.

    A small wrong value, such as seconds for milliseconds, gets little room: the
    tolerance of the answer would take in everything around zero. A large one gets
    a hundredth, for what was rounded on the way.
    """
    nearest, best = None, math.inf
    for slip, value in exercise.every_slip(numbers):
        away, room = abs(given - value), max(exercise.tolerance, 0.01 * abs(value))
        if away <= min(room, 0.06 * abs(value)) + 1e-9 and away < best:
            nearest, best = slip, away
    return nearest


def check(
    exercise_id: str, answer: float | str, *, seed: int | None = None, attempt: int = 1
) -> Verdict:
    """Say whether an answer is right, or give a hint.

    Parameters
    ----------
    exercise_id : str
        Such as `"00-a"`.
    answer : float or str
        A number, or what was typed into a box.
    seed : int, optional
        Which set of numbers; the class's if not given.
    attempt : int
        Which try this is: it decides the hint where no slip is recognised.

    Returns
    -------
    Verdict
        A notebook shows its text; `.right` tells scripts.

    Raises
    ------
    ValueError
        If there is no such exercise.

    Examples
    --------
    >>> check("00-a", "a lot")
    Please give one number, such as 12.5, not 'a lot'.
    >>> check("00-a", 0.0).right
    False
    """
    exercise, numbers = _drawn(exercise_id, seed)
    try:
        given = as_number(answer)
    except ValueError as error:
        return Verdict(False, as_sentence(error))
    right = exercise.answer(**numbers)
    away, room = abs(given - right), exercise.room(right)
    if away <= room * (1 + 1e-9):
        return Verdict(True, f"Right: {right:.{exercise.decimals}f} {exercise.unit}.")
    slip = _slip_of(exercise, numbers, given)
    if slip is not None:
        return Verdict(False, f"Not yet. {_fill_in(slip.hint, numbers)}", slip)
    near = away <= min(2 * room, 0.05 * abs(right))
    said = "Close: round only at the end." if near else "Not yet."
    return Verdict(False, f"{said} {hint(exercise_id, attempt, seed=seed)}")


def hint(exercise_id: str, number: int = 1, *, seed: int | None = None) -> str:
    """Return the first, second or third hint of an exercise.

    Parameters
    ----------
    exercise_id : str
        Such as `"00-a"`.
    number : int
        1 to 3; more is taken as 3.
    seed : int, optional
        Which set of numbers; the class's if not given.

    Examples
    --------
    >>> hint("00-a").startswith("Hint 1 of 3: ")
    True
    """
    exercise, numbers = _drawn(exercise_id, seed)
    which = min(max(number, 1), 3)
    said = _fill_in(exercise.hints[which - 1], numbers)
    return f"Hint {which} of 3: {said}"


def solution(exercise_id: str, *, seed: int | None = None) -> str:
    """Return the worked solution: the way in words, the library call and its number.

    Examples
    --------
    >>> "seat_delay_ms(" in solution("00-a")
    True
    """
    exercise, numbers = _drawn(exercise_id, seed)
    number = f"{exercise.answer(**numbers):.{exercise.decimals}f}"
    words = _fill_in(exercise.solution, numbers, answer=number)
    code = with_numbers(exercise.call, numbers)
    return f"{words}\nIn code: {code}\nAnswer: {number} {exercise.unit}"
