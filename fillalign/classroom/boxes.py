"""Boxes to answer, predict and compare in, for learners who type no code."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from fillalign.classroom import answers_file, exercises, predictions
from fillalign.classroom.figures import HUE, INK, PALE, WARM, Picture
from fillalign.classroom.live_panels import picture_html
from fillalign.classroom.questions import find_prediction
from fillalign.classroom.widgets import (
    Control,
    Shown,
    button,
    entry,
    fold,
    markup,
    row,
    say,
    size,
    stack,
    words,
)

_GOES_ON = 3


class AnswerBox(Shown):
    """One exercise with a box for the answer, hints, and the solution on request.

    Attributes
    ----------
    entry, check, hint, solution : widget
        Box and buttons.
    reply : widget
        What became of the answer, in words.
    text : str
        The question.
    """

    def __init__(self, exercise_id: str, seed: int | None = None, *, folded: bool = False) -> None:
        self.id, self.seed = exercise_id, exercises.exercise_seed() if seed is None else seed
        self.text = f"{exercise_id}: {exercises.question(exercise_id, seed=self.seed)}"
        before = answers_file.kept("answers").get(self._name, {})
        self._tries, self._hints = int(before.get("tries", 0)), int(before.get("hints", 0))
        self.entry = entry("Your answer", enter=self._checked)
        self.check = button("Check", self._checked)
        self.hint = button("Hint", self._hinted)
        self.solution = button("Solution", self._solved)
        self.solution.disabled = True
        self.solution.tooltip = "Opens after a right answer or three tries or hints"
        self.reply = words("", "reply", role="status")
        self.box = stack(words(self.text, "question"),
                         row(self.entry, self.check, self.hint, self.solution), self.reply)
        if folded:
            self.box = fold(f"One more: {exercise_id}", self.box)
        if before.get("given"):
            self.entry.value = str(before["given"])
            verdict = exercises.check(self.id, self.entry.value, seed=self.seed,
                                      attempt=max(self._tries, 1))
            say(self.reply, verdict.text)
            self._unlock(verdict.right)

    @property
    def _name(self) -> str:
        return f"{self.id}/{self.seed}"

    def _keep(self) -> str:
        return answers_file.keep("answers", self._name, {
            "given": self.entry.value.strip(), "tries": self._tries, "hints": self._hints})

    def _checked(self) -> None:
        verdict = exercises.check(self.id, self.entry.value, seed=self.seed,
                                  attempt=self._tries + 1)
        if self.entry.value.strip():
            self._tries += 1
        say(self.reply, f"{verdict.text}\n{self._keep()}".strip())
        self._unlock(verdict.right)

    def _hinted(self) -> None:
        self._hints += 1
        said = exercises.hint(self.id, self._hints, seed=self.seed)
        say(self.reply, f"{said}\n{self._keep()}".strip())
        self._unlock(False)

    def _unlock(self, right: bool) -> None:
        if right or self._tries >= _GOES_ON or self._hints >= _GOES_ON:
            self.solution.disabled = False

    def _solved(self) -> None:
        say(self.reply, exercises.solution(self.id, seed=self.seed))


def answer_box(
    exercise_id: str, *, seed: int | None = None, folded: bool = False
) -> AnswerBox:
    """Return a box to answer an exercise in.

    Parameters
    ----------
    exercise_id : str
        Such as `"04-b"`.
    seed : int, optional
        Which set of numbers; the class's if not given.
    folded : bool
        Whether only its name shows until it is opened.

    Raises
    ------
    ValueError
        If there is no such exercise.

    Examples
    --------
    >>> box = answer_box("00-a")
    >>> box.entry.value = "many"
    >>> box.check.click()
    >>> "one number" in box.reply.value
    True
    """
    return AnswerBox(exercise_id, seed, folded=folded)


class Folded(Shown):
    """Words behind a title, so that a question above them can be answered first."""

    def __init__(self, title: str, text: str) -> None:
        self.text = text
        self.box = fold(title, stack(words(text, "table")))


def folded(title: str, *lines: str) -> Folded:
    """Return lines that show once somebody opens them.

    Parameters
    ----------
    title : str
        What shows before.
    *lines : str
        What shows then, as it stands.

    Examples
    --------
    >>> folded("What the plan takes", "-8.0 dB").text
    '-8.0 dB'
    """
    return Folded(title, "\n".join(lines))


class PredictionBox(Shown):
    """A question with a box to write a number down in before anything is shown."""

    def __init__(self, prediction_id: str) -> None:
        prediction = find_prediction(prediction_id)
        self.id = prediction_id
        self.text = f"Predict {prediction_id}: {prediction.text} (in {prediction.unit})"
        self.entry = entry("Your prediction", enter=self._write)
        self.button = button("Write it down", self._write)
        self.reply = words("", "reply", role="status")
        self.box = stack(words(self.text, "question"), row(self.entry, self.button), self.reply)
        before = predictions.predicted(prediction_id)
        if before is not None:
            self.entry.value = f"{before:g}"
            say(self.reply, f"Written down: {before:g} {prediction.unit}.")

    def _write(self) -> None:
        try:
            said = predictions.write_down(self.id, self.entry.value)
        except ValueError as error:
            said = exercises.as_sentence(error)
        say(self.reply, said)


def predict(prediction_id: str) -> PredictionBox:
    """Return a box to write a prediction down in.

    Examples
    --------
    >>> box = predict("00-a")
    >>> box.entry.value = "70"
    >>> box.button.click()
    >>> predictions.predicted("00-a")
    70.0
    >>> answers_file.forget()
    """
    return PredictionBox(prediction_id)


def strip_picture(prediction_id: str, guesses: Iterable[float]) -> tuple[Picture, str]:
    """Return a line with the computed value and predictions on it, and what it shows."""
    prediction, values = find_prediction(prediction_id), list(guesses)
    truth = float(prediction.truth())

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        reach = 4 * prediction.tolerance
        ends = min([truth - reach, *values]), max([truth + reach, *values])
        pad = 0.05 * (ends[1] - ends[0])
        near = ax.axvspan(truth - prediction.tolerance, truth + prediction.tolerance, color=PALE)
        stacked = [sum(other == value for other in values[:i]) for i, value in enumerate(values)]
        guessed = ax.plot(values, [0.3 + 0.25 * level for level in stacked], "v", color=WARM)
        computed = ax.plot([truth], [0], "o", color=HUE)
        ax.axhline(0, color=INK, linewidth=0.8, zorder=0)
        ax.set_ylim(-0.6, 0.9 + 0.25 * max(stacked, default=0))
        ax.set_yticks([])
        ax.spines["left"].set_visible(False)
        ax.set_xlim(ends[0] - pad, ends[1] + pad)
        ax.set_xlabel(f"{prediction.unit}")
        ax.legend([*computed, *guessed, near], ["computed", "predicted", "near"], loc="upper left",
                  bbox_to_anchor=(1.0, 1.0))
        return {"guessed": guessed[0], "computed": computed[0]}

    said = ", ".join(f"{value:g}" for value in values) or "none"
    picture = Picture(draw, size_in=(8, 1.6))
    return picture, (f"A line with the computed value {truth:.{prediction.decimals}f} "
                     f"{prediction.unit} and the predictions: {said}.")


class Reveal(Shown):
    """The computed value beside what was predicted; hidden until there is a prediction.

    Attributes
    ----------
    reply : widget
        The comparison in words, and why.
    text : str
        The computed value and why, which the notebook stores.
    """

    def __init__(self, prediction_id: str) -> None:
        self.id = prediction_id
        self.text = f"Predicted {prediction_id}. {predictions.result_text(prediction_id)}"
        self.reply = words("Write your prediction down above first, or show it without.",
                           "reply", role="status")
        self.image = markup("")
        self.button = button("Show the result", self.show)
        self.box = stack(words(f"What came of {prediction_id}", "question"), self.button,
                         self.image, self.reply)
        predictions.on_prediction(prediction_id, self.show)
        size.calls.append(lambda: self.show() if self.image.value else None)
        if predictions.predicted(prediction_id) is not None:
            self.show()

    def show(self) -> None:
        """Show the computed value beside the prediction."""
        guess = predictions.predicted(self.id)
        picture, alt = strip_picture(self.id, [] if guess is None else [guess])
        self.image.value = picture_html(picture, alt)
        say(self.reply, predictions.compared_text(self.id))


def reveal(prediction_id: str) -> Reveal:
    """Return the computed value beside the prediction, with what a far guess shows.

    Examples
    --------
    >>> shown = reveal("00-a")
    >>> _ = predictions.write_down("00-a", 12)
    >>> "You predicted 12" in shown.reply.value
    True
    >>> answers_file.forget()
    """
    return Reveal(prediction_id)


class ClassPredictions(Shown):
    """The predictions of a class on one line, with what they show in words."""

    def __init__(
        self, prediction_id: str, entries: str | Path | Iterable[float | str]
    ) -> None:
        self.values = predictions.class_values(prediction_id, entries)
        self.text = predictions.class_text(prediction_id, self.values)
        self.picture, self.alt = strip_picture(prediction_id, self.values)
        self.image = markup("")
        self._show()
        size.calls.append(self._show)
        self.box: Control = stack(self.image, words(self.text, "reply"))

    def _show(self) -> None:
        self.image.value = picture_html(self.picture, self.alt)


def class_predictions(
    prediction_id: str, entries: str | Path | Iterable[float | str] = ()
) -> ClassPredictions:
    """Return the predictions of a class together, for the educator to show.

    Parameters
    ----------
    prediction_id : str
        Such as `"02-a"`.
    entries : str, Path or iterable
        Numbers, or lines from `kept_text()` of each learner; pasted as
        one text, a line each, or with semicolons between numbers. A Path names a
        folder with a file of each learner.

    Raises
    ------
    ValueError
        If an entry is no prediction.

    Examples
    --------
    >>> print(class_predictions("00-a", "70; 75; 12").text.splitlines()[0].split(",")[0])
    3 predictions from 12 to 75 ms
    """
    return ClassPredictions(prediction_id, entries)
