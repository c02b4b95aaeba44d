"""Predictions: a number written down before anything is shown, kept for later."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

from fillalign.classroom import answers_file
from fillalign.classroom.exercises import as_number
from fillalign.classroom.questions import Prediction, Slip, find_prediction

_listeners: dict[str, list[Callable[[], None]]] = {}


def predicted(prediction_id: str) -> float | None:
    """Return what was predicted, or None; for figures that show it.

    Examples
    --------
    >>> predicted("00-a") is None
    True
    """
    value = answers_file.kept("predictions").get(find_prediction(prediction_id).id)
    return None if value is None else float(value)


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
    >>> answers_file.forget()
    """
    prediction, number = find_prediction(prediction_id), as_number(value)
    trouble = answers_file.keep("predictions", prediction.id, number)
    for call in _listeners.get(prediction.id, []):
        call()
    return f"Written down: {number:g} {prediction.unit}. {trouble}".strip()


def on_prediction(prediction_id: str, call: Callable[[], None]) -> None:
    """Have something called whenever that prediction is written down."""
    _listeners.setdefault(find_prediction(prediction_id).id, []).append(call)


def result_text(prediction_id: str) -> str:
    """Return the computed value and what it means.

    Examples
    --------
    >>> result_text("00-a").startswith("Computed: ")
    True
    """
    prediction = find_prediction(prediction_id)
    value = prediction.truth()
    return f"Computed: {value:.{prediction.decimals}f} {prediction.unit}. {prediction.meaning}"


def _slip_of(prediction: Prediction, guess: float) -> Slip | None:
    values = [(abs(guess - slip.value()), slip) for slip in prediction.slips]
    away, slip = min(values, key=lambda found: found[0], default=(math.inf, None))
    return slip if away <= prediction.tolerance else None


def compared_text(prediction_id: str) -> str:
    """Return the prediction beside the computed value, and what the difference shows.

    Examples
    --------
    >>> compared_text("00-a").startswith("You have not predicted")
    True
    """
    prediction, guess = find_prediction(prediction_id), predicted(prediction_id)
    result = result_text(prediction_id)
    if guess is None:
        return f"You have not predicted anything here. {result}"
    apart = guess - prediction.truth()
    said = f"You predicted {guess:g} {prediction.unit}. {result}"
    if abs(apart) <= prediction.tolerance:
        return f"{said} Well judged."
    slip = _slip_of(prediction, guess)
    if slip is not None:
        return f"{said} {slip.hint}"
    word = "more" if apart > 0 else "less"
    return f"{said} Your number was {abs(apart):.{prediction.decimals}f} {prediction.unit} {word}."


def class_values(prediction_id: str, entries: str | Path | Iterable[float | str]) -> list[float]:
    """Return the predictions of a class from what was collected.

    Parameters
    ----------
    prediction_id : str
        Such as `"00-a"`.
    entries : str, Path or iterable
        Numbers, lines of numbers, the lines of `kept_text` of each learner, or (as a
        Path) a folder with a file of each.

    Raises
    ------
    ValueError
        If an entry is neither.

    Examples
    --------
    >>> class_values("00-a", ['{"predictions": {"00-a": 70}}', 12, "80 ms"])
    [70.0, 12.0, 80.0]
    """
    name = find_prediction(prediction_id).id
    if isinstance(entries, Path):
        entries = [path.read_text("utf-8", "replace") for path in sorted(entries.glob("*.json"))]
    lines = entries.splitlines() if isinstance(entries, str) else list(entries)
    found = []
    for line in lines:
        text = str(line).strip()
        if text.startswith("{"):
            written = answers_file.parsed(text)["predictions"]
            found += [as_number(written[name])] if name in written else []
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
    prediction = find_prediction(prediction_id)
    guesses = np.asarray(list(values), dtype=np.float64)
    if not guesses.size:
        return f"Nobody has predicted anything yet.\n{result_text(prediction_id)}"
    near = int(np.sum(np.abs(guesses - prediction.truth()) <= prediction.tolerance))
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
