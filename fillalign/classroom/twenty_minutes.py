"""The twenty-minute form: two distances, a thermometer, a meter, and what to set."""

from __future__ import annotations

from typing import Any

from fillalign.classroom.exercises import as_number, as_sentence
from fillalign.classroom.widgets import bundle, button, entry, label_width, say, stack, words
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


def _with_labels(text: str) -> str:
    """Return an answer that names the boxes of the form, not options of the command line."""
    for name, label in {**_NEEDED, **_WANTED}.items():
        text = text.replace(f"--{name.replace('_', '-')}", label.partition(" (")[0].lower())
    return text


class QuickForm:
    """Boxes for what was measured and the settings as text.

    Attributes
    ----------
    entries : dict of str to widget
        By argument of `fillalign.sheet.one_fill.quick_answer`.
    button, reply : widget
        Works it out; the settings in words.
    text : str
        The settings as plain text, empty before the first.
    """

    def __init__(self) -> None:
        width = label_width([*_NEEDED.values(), *_WANTED.values()])
        self.entries = {
            name: entry(label, hint="needed" if name in _NEEDED else "may stay empty",
                        enter=self._work, width=width)
            for name, label in {**_NEEDED, **_WANTED}.items()
        }
        self.button = button("Work it out", self._work)
        self.reply = words("", "table", role="status")
        self.text = ""
        self.box = stack(words(_INTRO), *self.entries.values(), self.button, self.reply)

    def _numbers(self) -> dict[str, float]:
        given = {name: box.value for name, box in self.entries.items()}
        empty = [label for name, label in _NEEDED.items() if not given[name].strip()]
        if empty:
            raise ValueError(f"still needed: {', '.join(empty)}")
        numbers = {}
        for name, text in given.items():
            if text.strip():
                try:
                    numbers[name] = as_number(text)
                except ValueError as error:
                    raise ValueError(f"{({**_NEEDED, **_WANTED})[name]}: {error}") from None
        return numbers

    def _work(self) -> None:
        try:
            self.text = _with_labels(quick_answer(**self._numbers()).text())
        except ValueError as error:
            self.text = as_sentence(error)
        say(self.reply, self.text)

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        asked = ", ".join([*_NEEDED.values(), *_WANTED.values()])
        return bundle(self.box, f"{_INTRO}\nAsked for: {asked}", **kwargs)


def quick_form() -> QuickForm:
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
    return QuickForm()
