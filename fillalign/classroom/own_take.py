"""A take of one's own: opened, read against a plan, shown, and what to correct."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from matplotlib.figure import Figure

from fillalign import plots
from fillalign.audio import (
    GapReading,
    Recording,
    RecordingError,
    correction_ms,
    decay_times,
    read_recording,
)
from fillalign.classroom.exercises import as_number, as_sentence
from fillalign.classroom.figures import Picture
from fillalign.classroom.live_panels import picture_html
from fillalign.classroom.widgets import Shown, entry, markup, row, say, size, stack, upload, words

_ASKED = (
    "The gap that the sheet wants at this seat, then your recording: WAV, FLAC, MP3 or OGG, any "
    "sample rate, mono or stereo."
)
_KINDS = ".wav,.wave,.flac,.mp3,.ogg,.aif,.aiff,.m4a"


def reading_text(reading: GapReading, planned_ms: float) -> str:
    """Return in words what a reading says, what to correct, and what it leaves open.

    Examples
    --------
    >>> print(reading_text(GapReading(gap_ms=8.0, uncertainty_ms=0.1, polarity_same=True), 5.0))
    Gap 8.00 ms (95 % within 0.10), planned 5.00 ms. Change the fill's delay by -3.00 ms.
    Polarity: the same.
    """
    if reading.doubt is not None or reading.gap_ms is None:
        return f"Cannot tell: {reading.cannot_tell}."
    change, sure = correction_ms(reading, planned_ms)
    polarity = {True: "the same", False: "TURNED OVER", None: "cannot tell"}[reading.polarity_same]
    lines = [f"Gap {reading.gap_ms:.2f} ms (95 % within {sure:.2f}), planned {planned_ms:.2f} ms. "
             f"Change the fill's delay by {change:+.2f} ms.", f"Polarity: {polarity}."]
    if reading.level_difference_db is not None:
        lines.append(f"Direct sound, fill over mains, 1 to 4 kHz: "
                     f"{reading.level_difference_db:+.1f} dB.")
    if reading.channel is not None:
        lines.append(f"Read from channel {reading.channel}, the louder one.")
    lines += [f"No {what}: {doubt}." for what, doubt in reading.withheld.items()]
    return "\n".join(lines)


def decay_text(reading: GapReading) -> str:
    """Return the decay that the mains' turn shows, octave by octave, or nothing."""
    heard = reading.heard.get("mains")
    if heard is None:
        return ""
    times = decay_times(heard.samples, heard.sample_rate_hz)
    told = [f"{octave} Hz {each.rt60_s:.1f} s" for octave, each in times.items()
            if each.rt60_s is not None]
    return ("Decay of the room as it was: " + ", ".join(told) + "."
            if told else "Decay: this take tells none; noise covers it, or it is too short.")


class TakeForm(Shown):
    """A box for the planned gap, a button for the recording; words and pictures of it.

    Attributes
    ----------
    planned, upload, reply, image : widget
        Planned gap; opens a recording; words; picture.
    text : str
        What it says, in words.
    """

    def __init__(self, read: Callable[[Recording, float], GapReading]) -> None:
        self._read, self.text = read, ""
        self._taken: tuple[str, bytes] | None = None
        self.reading: GapReading | None = None
        self.planned = entry("Planned gap (ms)", enter=self._again)
        self.planned.value = "5"
        self.upload = upload("Open a recording", _KINDS, self.opened)
        self.reply, self.image = words("", "readout", role="status"), markup("")
        size.calls.append(self._draw)
        self.box = stack(words(_ASKED), row(self.planned, self.upload), self.reply, self.image)

    def opened(self, name: str, content: bytes) -> None:
        """Read a recording; what cannot be read is told in words."""
        self._taken = name, content
        self._again()

    def _again(self) -> None:
        if self._taken is None:
            say(self.reply, "Open a recording first.")
            return
        say(self.reply, "Reading.")
        self.reading = None
        try:
            planned = as_number(self.planned.value)
            self.reading = self._read(_recording(*self._taken), planned)
            self.text = f"{reading_text(self.reading, planned)}\n{decay_text(self.reading)}"
        except RecordingError as error:
            self.text = f"This file cannot be used: {error}"
        except ValueError as error:
            self.text = f"Planned gap: {as_sentence(error)}"
        say(self.reply, self.text.strip())
        self._draw()

    def _draw(self) -> None:
        reading = self.reading
        if reading is None or not reading.heard:
            self.image.value = ""
            return
        planned = as_number(self.planned.value)

        def draw(figure: Figure) -> dict[str, Any]:
            above, below = figure.subplots(2)
            plots.responses_plot(reading, planned_gap_ms=planned, ax=above)
            plots.arrival_levels_plot(reading, planned_gap_ms=planned, ax=below)
            return {}

        self.image.value = picture_html(Picture(draw, size_in=(8, 4.8)),
                                        plots.take_text(reading, planned_gap_ms=planned))

    def plain(self) -> str:
        """Return what is asked for, as plain text."""
        return _ASKED


def _recording(name: str, content: bytes) -> Recording:
    """Return a recording from a file's bytes; its errors carry the name that the reader knows."""
    with TemporaryDirectory() as folder:
        path = Path(folder, f"take{Path(name).suffix.lower()}")
        path.write_bytes(content)
        try:
            return read_recording(path)
        except RecordingError as error:
            raise RecordingError(name, error.reason.replace(path.name, name)) from None
