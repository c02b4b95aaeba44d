"""Live panels: controls, a picture or sound, its result in words, and errors that show.

Everything works without a browser: set a control's value, then read the text,
the data of the lines and the PNG.
"""

from __future__ import annotations

import base64
import html
import warnings
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from fillalign.classroom.figures import NORMAL_DPI, Picture
from fillalign.classroom.players import MARGIN_DB, gain_for, players_html, players_text
from fillalign.classroom.widgets import (
    Choice,
    Control,
    Shown,
    Slider,
    Switch,
    abreast,
    label_of,
    label_width,
    make_control,
    markup,
    say,
    size,
    stack,
    words,
)


class LivePanel(Shown, ABC):
    """Controls with a question, a result in words, and errors shown below.

    Parameters
    ----------
    title, question : str
        What it shows, and what to find out by playing with it.
    controls : sequence of Slider, Choice or Switch
        Their names are the arguments of what is computed.
    continuous : bool
        Whether sliders count while they are still moving.

    Attributes
    ----------
    controls : dict of str to widget
        By name; set `.value` to move one.
    readout, message : widget
        Result in words; error or warning.
    text, error : str
        The same as plain text; the error is empty while all is well.
    """

    def __init__(
        self, title: str, question: str, controls: Sequence[Slider | Choice | Switch], *,
        continuous: bool = True,
    ) -> None:
        self.title, self.question = title, question
        self._width = label_width(
            label_of(spec) for spec in controls if not isinstance(spec, Switch))
        self.controls = {spec.name: make_control(spec, continuous=continuous, width=self._width)
                         for spec in controls}
        self.readout = words("", "readout", role="status")
        self.message = words("", "error", role="alert")
        self.text = self.error = ""
        for control in self.controls.values():
            control.observe(lambda _: self.refresh(), names="value")

    @property
    def values(self) -> dict[str, Any]:
        """The controls' values by name."""
        return {name: control.value for name, control in self.controls.items()}

    @abstractmethod
    def _show(self, values: Mapping[str, Any]) -> str:
        """Show what follows from the controls' values, and return it in words."""

    def _first(self) -> None:
        """Show for the first time, when an error is the author's and goes up."""
        self.text = self._show(self.values)
        say(self.readout, self.text)

    def refresh(self) -> None:
        """Show the result of the controls as they stand; an error shows in words."""
        self.error = ""
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                self.text = self._show(self.values)
            except Exception as error:
                self.error = f"{type(error).__name__}: {error}"
        say(self.readout, self.text)
        notes = [f"Note: {warning.message}" for warning in caught]
        if self.error:
            notes.append(f"That did not work, and what you see is still the last that did. "
                         f"{self.error}")
        say(self.message, "\n".join(dict.fromkeys(notes)))

    def _stacked(self, shown: Control) -> Control:
        heading = words(self.title, "title")
        asked = words(self.question, "question")
        return stack(heading, asked, abreast(*self.controls.values(), width=self._width),
                     self.readout, shown, self.message, size.box)

    def plain(self) -> str:
        """Return title, question and result as plain text."""
        return f"{self.title}\nQuestion: {self.question}\nResult: {self.text}"


def picture_html(picture: Picture, alt: str, *, png: bytes | None = None) -> str:
    """Return a picture as an HTML image with alternative text, drawn first if it never was."""
    large = bool(size.box.value)
    if png is None:
        picture.rebuild(lambda _: "", projector=large)
        png = picture.png()
    width, height = (round(side * NORMAL_DPI) for side in picture.figure.get_size_inches())
    # Width, height and synchronous decoding keep the page still while the picture changes.
    return (
        f'<img alt="{html.escape(alt, quote=True)}" width="{width}" height="{height}" '
        f'decoding="sync" src="data:image/png;base64,'
        f'{base64.b64encode(png).decode()}">'
    )


class LiveFigure(LivePanel):
    """A picture that follows its controls.

    Parameters
    ----------
    title, question : str
        What the picture shows, and what to find out with it.
    controls : sequence of Slider, Choice or Switch
        Their names are the keyword arguments of `update`.
    draw : callable
        Takes an empty figure, draws axes and artists once, and returns those that
        change as a dictionary. Sizes of letters and lines come from the style.
    update : callable
        Takes that dictionary and the values by name, sets data, and returns the
        result in words.
    description : str
        What the picture looks like, for those who do not see it.
    size_in : (float, float)
        Width and height in inches.
    continuous : bool
        False where an update takes longer than a tenth of a second.

    Attributes
    ----------
    picture : Picture
        With `.figure` and `.artists`.
    image : widget
        The picture as HTML image with alternative text.
    png : bytes
        The picture as PNG.
    controls, text
        As of every panel: widgets by name, and the result in words.

    Examples
    --------
    A figure of a lesson works in a script too:

    >>> from fillalign.classroom.lessons import l03
    >>> string = l03.string_figure()
    >>> string.controls["aside_m"].value = 10
    >>> print(string.text.splitlines()[-1])
    Timed box to box, the fill arrives 9.8 ms after the main.
    >>> string.png[1:4]
    b'PNG'
    """

    def __init__(
        self, title: str, question: str, controls: Sequence[Slider | Choice | Switch],
        draw: Callable[[Figure], dict[str, Any]], update: Callable[..., str], *,
        description: str, size_in: tuple[float, float] = (8, 4), continuous: bool = True,
    ) -> None:
        super().__init__(title, question, controls, continuous=continuous)
        self._update, self._description = update, description
        self.picture = Picture(draw, size_in=size_in)
        self.image = markup("")
        self.png = b""
        self._resize = True
        self._first()
        self.box = self._stacked(self.image)
        size.calls.append(self._resized)

    @property
    def artists(self) -> dict[str, Any]:
        """What `draw` returned, by name."""
        return self.picture.artists

    def _resized(self) -> None:
        self._resize = True
        self.refresh()

    def _show(self, values: Mapping[str, Any]) -> str:
        def update(artists: dict[str, Any]) -> str:
            return self._update(artists, **values)

        large = bool(size.box.value)
        if self._resize or large is not self.picture.projector:
            text = self.picture.rebuild(update, projector=large)
            self._resize = False
        else:
            text = self.picture.redraw(update)
        self.png = self.picture.png()
        self.image.value = picture_html(self.picture, f"{self.title}. {self._description} {text}",
                                        png=self.png)
        return text


class LivePlayer(LivePanel):
    """Sounds that follow their controls, all at one reference level.

    The gain is set by the first sounds, with 6 dB to spare, and stays, so that
    what gets louder is louder. Should a later sound not fit, all get softer and
    the result says so.

    Parameters
    ----------
    title, question : str
        What is to be heard, and what to find out.
    controls : sequence of Slider, Choice or Switch
        Their names are the keyword arguments of `render`.
    render : callable
        Takes the values by name and returns the sounds by label (one channel
        each) and the result in words.
    sample_rate_hz : float
        Of the sounds.

    Attributes
    ----------
    clips : dict of str to ndarray
        What plays, by label, scaled.
    """

    def __init__(
        self, title: str, question: str, controls: Sequence[Slider | Choice | Switch],
        render: Callable[..., tuple[Mapping[str, ArrayLike], str]], *, sample_rate_hz: float,
    ) -> None:
        super().__init__(title, question, controls, continuous=False)
        self._render, self._rate = render, sample_rate_hz
        self._gain: float | None = None
        self.clips: dict[str, Any] = {}
        self.sound = markup("")
        self._first()
        self.box = self._stacked(self.sound)

    def _show(self, values: Mapping[str, Any]) -> str:
        clips, text = self._render(**values)
        fits = gain_for(clips.values())
        if self._gain is None:
            self._gain = fits * 10 ** (-MARGIN_DB / 20)
        elif self._gain > fits:
            self._gain = fits
            text += " Everything plays softer than before, since this would not fit."
        gain = self._gain
        self.clips = {label: np.asarray(clip, dtype=np.float64) * gain
                      for label, clip in clips.items()}
        self.sound.value = players_html(self.clips, self._rate)
        return f"{text}\n{players_text(self.clips)}"
