"""Sounds to listen with that come with the library, with the words spoken in them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

from fillalign._validate import ByValue, FloatArray, as_rate, check_choice
from fillalign.audio.impulse import resampled
from fillalign.audio.wav import read_wav
from fillalign.venue import shipped_path

DEMO_SOUNDS = (
    "voice", "reading_1", "reading_2", "reading_3", "reading_4", "clap",
)


@dataclass(frozen=True, eq=False)
class Sound(ByValue):
    """A sound to listen with, and what is known of it.

    Attributes
    ----------
    name : str
        Of the file, without its ending.
    samples : ndarray, shape (n,)
        One channel, full scale at 1.
    sample_rate_hz : float
        Of the samples.
    words : str
        What is said, empty where nothing is.
    band_hz : tuple of float
        Lowest and highest frequency with sound in it.
    source, terms : str
        Where it comes from, and on what terms it may be used.
    """

    name: str
    samples: FloatArray
    sample_rate_hz: float
    words: str
    band_hz: tuple[float, float]
    source: str
    terms: str

    def __repr__(self) -> str:
        """Give the words, since nobody reads samples."""
        seconds = self.samples.size / self.sample_rate_hz
        at = f"{seconds:.1f} s at {self.sample_rate_hz:g} Hz"
        return f"Sound({self.name!r}, {at}, {self.words!r})"


def read_demo_sound(name: str, *, sample_rate_hz: float | None = None) -> Sound:
    """Read a sound that comes with the library.

    Parameters
    ----------
    name : str
        reading_1 to reading_4 (sentences of a human reader), voice (a
        synthesiser) or clap. Music is made by `groove`.
    sample_rate_hz : float, optional
        8000 to 192000 Hz; the file's own by default.

    Returns
    -------
    Sound
        Samples, words, band, source and terms.

    Raises
    ------
    TypeError, ValueError
        If there is no such sound, or the sample rate is not a number in its range.

    Notes
    -----
    Speech has an A-weighted level of -26 dB re an rms of 1, which drives every
    box of `render_seat` at the level of its file. The readings end at 7 kHz:
    sources and terms stand in `data/sounds.toml` and `data/readings.txt`.

    Examples
    --------
    >>> read_demo_sound("reading_1", sample_rate_hz=48000)
    Sound('reading_1', 2.8 s at 48000 Hz, 'He was not an ill-disposed young man.')
    """
    wanted = None if sample_rate_hz is None else as_rate(sample_rate_hz)
    file = shipped_path("data", f"{check_choice('name', name, DEMO_SOUNDS)}.wav")
    with shipped_path("data", "sounds.toml").open("rb") as text:
        known = tomllib.load(text)[name]
    take = read_wav(file)
    samples, rate = take.samples[:, 0], float(take.sample_rate_hz)
    if wanted is not None and wanted != rate:
        samples, rate = resampled(samples, round(samples.size * wanted / rate)), wanted
    low, high = known.pop("band_hz")
    return Sound(name, samples, rate, band_hz=(float(low), float(high)), **known)
