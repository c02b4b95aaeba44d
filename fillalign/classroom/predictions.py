"""Predictions: a number written down before anything is shown, kept for later.

They stay in this kernel's memory. `keep_predictions` also writes them to a small
file; without it a lesson run twice from the top shows the same both times.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fillalign.classroom.exercises import Slip, as_number

_kept: dict[str, float] = {}
_listeners: dict[str, list[Callable[[], None]]] = {}
_file: Path | None = None


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
    truth : callable
        Returns the value, computed by the library.
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
    truth: Callable[[], float]
    decimals: int
    tolerance: float
    meaning: str
    slips: tuple[Slip, ...] = ()


def _find(prediction_id: str) -> Prediction:
    from fillalign.classroom.registry import find_prediction

    return find_prediction(prediction_id)


def predicted(prediction_id: str) -> float | None:
    """Return what was predicted, or None; for figures that show it.

    Examples
    --------
    >>> predicted("00-a") is None
    True
    """
    return _kept.get(_find(prediction_id).id)


def write_down(prediction_id: str, value: float | str) -> str:
    """Keep a prediction and say so, and whether the file that keeps them cannot be written.

    Raises
    ------
    ValueError
        If there is no such prediction or the value is not one number.

    Examples
    --------
    >>> write_down("00-a", "70 ms")
    'Written down: 70 ms.'
    >>> forget_predictions()
    """
    prediction = _find(prediction_id)
    _kept[prediction.id] = as_number(value)
    for call in _listeners.get(prediction.id, []):
        call()
    said = f"Written down: {_kept[prediction.id]:g} {prediction.unit}."
    if _file is None:
        return said
    part = _file.with_name(f".{_file.name}.part")
    try:
        # Put in its place as a whole, so that a full disk leaves the old one.
        part.write_text(f"{predictions_text()}\n", "utf-8")
        os.replace(part, _file)
    except OSError as error:
        with suppress(OSError):
            part.unlink()
        return (f"{said} Not kept: {_file}: cannot be written, {error.strerror}; nothing was "
                "changed")
    return said


def on_prediction(prediction_id: str, call: Callable[[], None]) -> None:
    """Have something called whenever that prediction is written down."""
    _listeners.setdefault(_find(prediction_id).id, []).append(call)


def forget_predictions() -> None:
    """Forget all predictions of this kernel; a file that keeps them is let go, not emptied."""
    global _file
    _kept.clear()
    _listeners.clear()
    _file = None


def predictions_text() -> str:
    """Return all predictions as one line of text, to hand to the educator.

    Examples
    --------
    >>> predictions_text()
    '{}'
    """
    return json.dumps(dict(sorted(_kept.items())))


def keep_predictions(path: str | Path = "my_predictions.json") -> str:
    """Keep predictions in a file from now on, and read those it holds.

    Parameters
    ----------
    path : str or Path
        Where; made with the first prediction if it is not there.

    Raises
    ------
    ValueError
        If the file holds something else.
    """
    global _file
    where = Path(path)
    if where.is_file():
        _kept.update(_parsed_line(where.read_text("utf-8", "replace").strip()))
    _file = where
    return f"Predictions are kept in {where.name}."


def _parsed_line(line: str) -> dict[str, float]:
    try:
        found = json.loads(line)
        return {str(name): as_number(value) for name, value in found.items()}
    except (ValueError, AttributeError):
        raise ValueError(f"these are no predictions: {line[:60]!r}") from None


def result_text(prediction_id: str) -> str:
    """Return the computed value and what it means.

    Examples
    --------
    >>> result_text("00-a").startswith("Computed: ")
    True
    """
    prediction = _find(prediction_id)
    value = float(prediction.truth())
    return f"Computed: {value:.{prediction.decimals}f} {prediction.unit}. {prediction.meaning}"


def _slip_of(prediction: Prediction, guess: float) -> Slip | None:
    values = [(abs(guess - float(slip.value())), slip) for slip in prediction.slips]
    away, slip = min(values, key=lambda found: found[0], default=(math.inf, None))
    return slip if away <= prediction.tolerance else None


def compared_text(prediction_id: str) -> str:
    """Return the prediction beside the computed value, and what the difference shows.

    Examples
    --------
    >>> compared_text("00-a").startswith("You have not predicted")
    True
    """
    prediction, guess = _find(prediction_id), predicted(prediction_id)
    result = result_text(prediction_id)
    if guess is None:
        return f"You have not predicted anything here. {result}"
    apart = guess - float(prediction.truth())
    said = f"You predicted {guess:g} {prediction.unit}. {result}"
    if abs(apart) <= prediction.tolerance:
        return f"{said} Well judged."
    slip = _slip_of(prediction, guess)
    if slip is not None:
        return f"{said} {slip.hint}"
    word = "more" if apart > 0 else "less"
    return f"{said} Your number was {abs(apart):.{prediction.decimals}f} {prediction.unit} {word}."


def class_values(prediction_id: str, entries: str | Iterable[float | str]) -> list[float]:
    """Return the predictions of a class from what was collected.

    Parameters
    ----------
    prediction_id : str
        Such as `"00-a"`.
    entries : str or iterable
        Numbers, lines of numbers, or the lines of `predictions_text` of each learner.

    Raises
    ------
    ValueError
        If an entry is neither.

    Examples
    --------
    >>> class_values("00-a", ['{"00-a": 70}', 12, "80 ms"])
    [70.0, 12.0, 80.0]
    """
    name = _find(prediction_id).id
    lines = entries.splitlines() if isinstance(entries, str) else list(entries)
    found = []
    for line in lines:
        text = str(line).strip()
        if text.startswith("{"):
            kept = _parsed_line(text)
            found += [kept[name]] if name in kept else []
        elif text:
            found += [as_number(part) for part in text.replace(";", "\n").splitlines()]
    return found


def class_text(prediction_id: str, values: Iterable[float]) -> str:
    """Return what a class predicted, in words: middle, spread, near ones and known beliefs.

    Examples
    --------
    >>> print(class_text("00-a", []).splitlines()[0])
    Nobody has predicted anything yet.
    """
    prediction = _find(prediction_id)
    guesses = np.asarray(list(values), dtype=np.float64)
    if not guesses.size:
        return f"Nobody has predicted anything yet.\n{result_text(prediction_id)}"
    near = int(np.sum(np.abs(guesses - float(prediction.truth())) <= prediction.tolerance))
    shown = f".{prediction.decimals}f"
    lines = [
        f"{guesses.size} predictions from {guesses.min():{shown}} to {guesses.max():{shown}} "
        f"{prediction.unit}, half of them below {np.median(guesses):{shown}}; {near} near.",
        result_text(prediction_id),
    ]
    for slip in prediction.slips:
        count = sum(_slip_of(prediction, guess) is slip for guess in guesses)
        if count:
            lines.append(f"{count} of them: {slip.hint}")
    return "\n".join(lines)
