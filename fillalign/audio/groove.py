"""Music of our own to listen with: four bars that loop without a click, by formula.

Drums show a gap as two strokes, chords and bass show colour and the lows.
Nothing in it is recorded or taken from anybody's music.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from fillalign._text import listed, quoted
from fillalign._validate import FloatArray, as_rate, check_type
from fillalign.audio.signals import clap, drawn_noise, fade
from fillalign.levels import db_to_amplitude

GROOVE_PARTS = ("kick", "bass", "hat", "chords", "clap")
_BEAT_S = 0.5
_BEATS = 16
_HIGHEST = 0.45  # of the sample rate: no partial above it
_ATTACK_S = 0.003
# As pitches in semitones, 69 being 440 Hz: one bar each of D minor, G, C and A minor.
_CHORDS = ((53, 57, 60, 64), (53, 57, 60, 62), (52, 55, 59, 62), (52, 55, 60, 67))
_BASS = (38, 31, 36, 33)
_BASS_BEATS = ((0.0, 0.9), (1.5, 0.4), (2.0, 0.9), (3.5, 0.4))
_CHORD_BEATS = ((0.0, 1.4), (1.5, 0.4), (2.5, 1.3))
_KICK_BEATS = (0.0, 2.0, 2.75)
_CLAP_BEATS = (1.0, 3.0)
# Peaks beside the kick's of 1, and what brings all together to -26 dB (A) re an rms of 1.
_LEVELS_DB = {"kick": -2.0, "bass": -8.0, "hat": -12.0, "chords": -20.0, "clap": -4.0}
_ALL_DB = -3.42


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
    pitch: int, seconds: float, rate: float, *, partials: int, slope: float, dying_s: float
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
    if part in ("kick", "clap"):
        once = _kick(rate) if part == "kick" else clap(sample_rate_hz=rate)
        beats = _KICK_BEATS if part == "kick" else _CLAP_BEATS
        return [(4 * bar + beat, once) for bar in bars for beat in beats]
    if part == "bass":
        return [(4 * bar + beat, _note(_BASS[bar], held * _BEAT_S, rate, partials=12, slope=1.2,
                                       dying_s=0.5))
                for bar in bars for beat, held in _BASS_BEATS]
    return [(4 * bar + beat, _note(pitch, held * _BEAT_S, rate, partials=10, slope=1.0,
                                   dying_s=0.7))
            for bar in bars for beat, held in _CHORD_BEATS for pitch in _CHORDS[bar]]


def groove(
    *, parts: Collection[str] = GROOVE_PARTS, sample_rate_hz: float = 48000
) -> FloatArray:
    """Return four bars of music, 8 s, that loop without a click.

    Parameters
    ----------
    parts : collection of str
        What plays: any of kick, bass, hat, chords and clap, each as loud as it
        is among the others. The claps alone, one a second, show an echo.
    sample_rate_hz : float
        8000 to 192000 Hz; the same music at each.

    Returns
    -------
    ndarray, shape (8 sample_rate_hz,)
        120 beats a minute, one channel. All parts together have an A-weighted
        level of -26 dB re an rms of 1: it drives every box of `render_seat` at
        the level of its file. Every note has ended when the loop does.

    Raises
    ------
    TypeError, ValueError
        If the sample rate is not a number in its range, or a part is not known.

    Examples
    --------
    >>> groove().shape, groove(parts=["clap"], sample_rate_hz=16000).shape
    ((384000,), (128000,))
    """
    rate = as_rate(sample_rate_hz)
    check_type("parts", parts, Collection)
    chosen = [parts] if isinstance(parts, str) else list(parts)
    unknown = [part for part in chosen if part not in GROOVE_PARTS]
    if unknown or not chosen:
        raise ValueError(f"parts must be some of {listed(GROOVE_PARTS)}, got {quoted(parts)}")
    loop = np.zeros(round(_BEATS * _BEAT_S * rate))
    for part in dict.fromkeys(chosen):
        gain = db_to_amplitude(_LEVELS_DB[part] + _ALL_DB)
        for beat, sound in _strokes(part, rate):
            part_of_loop = loop[round(beat * _BEAT_S * rate) :][: sound.size]
            part_of_loop += gain * sound[: part_of_loop.size]
    return loop
