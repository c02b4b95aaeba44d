"""Sounds to listen with: those that come with the library, and music of our own by formula.

The music's four bars loop without a click. Drums show a gap as two strokes, chords and
bass show colour and the lows; nothing in it is recorded or taken from anybody's music.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

import numpy as np

from fillalign._validate import ByValue, FloatArray, as_rate, check_choice
from fillalign.audio.impulse import resampled
from fillalign.audio.signals import clap, drawn_noise, fade
from fillalign.audio.wav import read_wav
from fillalign.levels import db_to_amplitude
from fillalign.venue import shipped_path

DEMO_SOUNDS = ("voice", "reading_1", "reading_2", "reading_3", "reading_4", "clap")
_BEAT_S = 0.5
_BEATS = 16
_HIGHEST = 0.45  # of the sample rate: no partial above it
_ATTACK_S = 0.003
# As pitches in semitones, 69 being 440 Hz: one bar each of D minor, G, C and A minor.
_CHORDS = ((53, 57, 60, 64), (53, 57, 60, 62), (52, 55, 59, 62), (52, 55, 60, 67))
_BASS = ((38,), (31,), (36,), (33,))
# Pitches by bar, beats with how long a note is held, and its partials, slope and decay.
_NOTES = {
    "bass": (_BASS, ((0.0, 0.9), (1.5, 0.4), (2.0, 0.9), (3.5, 0.4)), (12, 1.2, 0.5)),
    "chords": (_CHORDS, ((0.0, 1.4), (1.5, 0.4), (2.5, 1.3)), (10, 1.0, 0.7)),
}
_KICK_BEATS = (0.0, 2.0, 2.75)
_CLAP_BEATS = (1.0, 3.0)
# Peaks beside the kick's of 1, and what brings all together to -26 dB (A) re an rms of 1.
_LEVELS_DB = {"kick": -2.0, "bass": -8.0, "hat": -12.0, "chords": -20.0, "clap": -4.0}
_ALL_DB = -3.42


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
    rate = wanted or float(take.sample_rate_hz)
    samples = resampled(take.samples[:, 0], round(take.seconds * rate))
    known["band_hz"] = tuple(map(float, known["band_hz"]))
    return Sound(name, samples, rate, **known)


def _time(seconds: float, rate: float) -> FloatArray:
    return np.arange(round(seconds * rate)) / rate


def _shaped(sound: FloatArray, rate: float) -> FloatArray:
    """Return a sound that rises in 3 ms and ends at zero."""
    return fade(sound, round(_ATTACK_S * rate), round(0.02 * rate))


def _kick(rate: float) -> FloatArray:
    """Return a sine that falls from 170 to 50 Hz, and dies away."""
    time = _time(0.35, rate)
    turns = 50.0 * time + 120.0 * 0.02 * -np.expm1(-time / 0.02)
    return _shaped(np.sin(2 * np.pi * turns) * np.exp(-time / 0.11), rate)


def _hat(rate: float, dying_s: float) -> FloatArray:
    """Return noise from 6 to 16 kHz, the same at every sample rate, that dies away."""
    seconds = 0.25
    size = round(seconds * rate)
    band = np.arange(6000 * seconds, min(16000.0, _HIGHEST * rate) * seconds)
    time = np.arange(size) / rate
    noise = drawn_noise(3, size, band, np.full(band.size, size / 160.0))
    return _shaped(noise * np.exp(-time / dying_s), rate)


def _note(
    pitch: int, seconds: float, rate: float, partials: int, slope: float, dying_s: float
) -> FloatArray:
    """Return a plucked note whose higher partials are softer and die away sooner."""
    time = _time(seconds, rate)
    lowest = 440.0 * 2 ** ((pitch - 69) / 12)
    sound = np.zeros(time.size)
    for number in range(1, partials + 1):
        if number * lowest < _HIGHEST * rate:
            size = np.exp(-time * np.sqrt(number) / dying_s) / number**slope
            sound += size * np.sin(2 * np.pi * number * lowest * time)
    return _shaped(sound, rate)


def _strokes(part: str, rate: float) -> list[tuple[float, FloatArray]]:
    """Return what one part plays: its beats and the sound on each."""
    bars = range(_BEATS // 4)
    if part == "hat":
        closed, opened = _hat(rate, 0.025), _hat(rate, 0.08)
        softer = (0.5, 1.0)  # on the beat, and between beats
        return [(half / 2, softer[half % 2] * (opened if half % 8 == 7 else closed))
                for half in range(2 * _BEATS)]
    if part in _NOTES:
        pitches, beats, sound = _NOTES[part]
        return [(4 * bar + beat, _note(pitch, held * _BEAT_S, rate, *sound))
                for bar in bars for beat, held in beats for pitch in pitches[bar]]
    once = _kick(rate) if part == "kick" else clap(sample_rate_hz=rate)
    beats_of_bar = _KICK_BEATS if part == "kick" else _CLAP_BEATS
    return [(4 * bar + beat, once) for bar in bars for beat in beats_of_bar]


def loop_of(part: str, rate: float) -> FloatArray:
    """Return four bars of one part, as loud as it is among the others."""
    loop = np.zeros(round(_BEATS * _BEAT_S * rate))
    gain = db_to_amplitude(_LEVELS_DB[part] + _ALL_DB)
    for beat, sound in _strokes(part, rate):
        part_of_loop = loop[round(beat * _BEAT_S * rate) :][: sound.size]
        part_of_loop += gain * sound[: part_of_loop.size]
    return loop


def groove(*, sample_rate_hz: float = 48000) -> FloatArray:
    """Return four bars of music, 8 s, that loop without a click.

    Parameters
    ----------
    sample_rate_hz : float
        8000 to 192000 Hz; the same music at each.

    Returns
    -------
    ndarray, shape (8 sample_rate_hz,)
        Kick, bass, hat, chords and a clap each second, 120 beats a minute, one
        channel. All together have an A-weighted level of -26 dB re an rms of 1: it
        drives every box of `render_seat` at the level of its file. Every note has
        ended when the loop does.

    Raises
    ------
    TypeError, ValueError
        If the sample rate is not a number in its range.

    Examples
    --------
    >>> groove(sample_rate_hz=16000).shape
    (128000,)
    """
    rate = as_rate(sample_rate_hz)
    return np.asarray(np.sum([loop_of(part, rate) for part in _LEVELS_DB], axis=0))
