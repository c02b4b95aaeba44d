"""Forms for the learner's own numbers; the first is the twenty-minute form of lesson 00."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from fillalign.classroom.exercises import as_number, as_sentence
from fillalign.classroom.widgets import (
    Shown,
    abreast,
    button,
    entry,
    label_width,
    say,
    stack,
    words,
)
from fillalign.sheet import quick_answer

_NEEDED = {
    "main_m": "Main to seat (m)",
    "fill_m": "Fill to seat (m)",
    "temperature_c": "Temperature (C)",
}
_WANTED = {
    "mains_db": "Meter, mains alone (dB)",
    "fill_db": "Meter, fill alone (dB)",
    "goal_db": "Level wanted (dB)",
    "margin_ms": "Fill later than main by (ms)",
    "humidity_pct": "Humidity (%)",
}
_INTRO = (
    "Take the seat where main and fill are equally loud. Measure from the main and from the fill "
    "to it, and the temperature where the sound travels. The meter readings, all at that seat, "
    "may stay empty: then there is no trim."
)


class NumberForm(Shown):
    """Boxes for what was measured, and what follows from it as text.

    Parameters
    ----------
    intro : str
        What to measure.
    needed, wanted : mapping of str to str
        Labels of the boxes by argument of `answer`; the second may stay empty.
    answer : callable
        Takes the numbers by name, and returns the result in words or raises ValueError.

    Attributes
    ----------
    entries : dict of str to widget
        By argument.
    button, reply : widget
        Works it out; the result in words.
    text : str
        The result as plain text, empty before the first.
    """

    def __init__(
        self, intro: str, needed: Mapping[str, str], wanted: Mapping[str, str],
        answer: Callable[..., str],
    ) -> None:
        self._intro, self._needed, self._labels = intro, needed, {**needed, **wanted}
        self._answer = answer
        width = label_width(self._labels.values())
        self.entries = {
            name: entry(label, hint="needed" if name in needed else "may stay empty",
                        enter=self._work, width=width)
            for name, label in self._labels.items()
        }
        self.button = button("Work it out", self._work)
        self.reply = words("", "table", role="status")
        self.text = ""
        self.box = stack(words(intro), abreast(*self.entries.values(), width=width), self.button,
                         self.reply)

    def _numbers(self) -> dict[str, float]:
        given = {name: box.value for name, box in self.entries.items()}
        empty = [label for name, label in self._needed.items() if not given[name].strip()]
        if empty:
            raise ValueError(f"still needed: {', '.join(empty)}")
        numbers = {}
        for name, text in given.items():
            if text.strip():
                try:
                    numbers[name] = as_number(text)
                except ValueError as error:
                    raise ValueError(f"{self._labels[name]}: {error}") from None
        return numbers

    def _with_labels(self, text: str) -> str:
        """Return words that name the boxes, not options of the command line or arguments."""
        for name, label in self._labels.items():
            for word in (f"--{name.replace('_', '-')}", name):
                text = text.replace(word, label.partition(" (")[0].lower())
        return text

    def _work(self) -> None:
        try:
            self.text = self._with_labels(self._answer(**self._numbers()))
        except ValueError as error:
            self.text = as_sentence(ValueError(self._with_labels(str(error))))
        say(self.reply, self.text)

    def plain(self) -> str:
        """Return what is asked for, as plain text."""
        asked = ", ".join(self._labels.values())
        return f"{self._intro}\nAsked for: {asked}"


def quick_form() -> NumberForm:
    """Return the form that answers for one fill without a venue file.

    Delay, trim and low cut from two laser distances, the temperature, two meter
    readings and the level wanted; the readings may be left out.

    Examples
    --------
    >>> form = quick_form()
    >>> for name, value in {"main_m": "41", "fill_m": "15", "temperature_c": "24"}.items():
    ...     form.entries[name].value = value
    >>> form.button.click()
    >>> print(form.text.splitlines()[1].split(" = ")[0])
    Delay         75.04 ms
    """
    return NumberForm(_INTRO, _NEEDED, _WANTED, lambda **given: quick_answer(**given).text())
