"""Lesson 00: a barn whose back rows lack the words, heard blind."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from fillalign.audio import read_demo_sound, render_seat
from fillalign.classroom.hearing import HeardBox
from fillalign.classroom.players import FloatArray
from fillalign.classroom.questions import one_of
from fillalign.classroom.venues import demo_plan
from fillalign.field import seat_speech
from fillalign.levels import db_to_amplitude, db_to_power
from fillalign.venue import OutputSettings

_LAST_ROW, _FIRST_ROW = (35.0, 3.0, 1.2), (4.0, 3.0, 1.2)
_UP_DB = 10.0
_FULL_SCALE_DB = 118.0
"""Peak sound pressure level that plays at full scale, the same for every scene."""
_SCENES = {
    "A": ("reading_1", _LAST_ROW, 0.0, False, "the mains alone, in the row at 35 m"),
    "B": ("reading_2", _LAST_ROW, 0.0, True, "mains and fills as planned, in the row at 35 m"),
    "C": ("reading_3", _LAST_ROW, _UP_DB, False, "the mains alone, 10 dB up, in the row at 35 m"),
    "D": ("reading_4", _FIRST_ROW, _UP_DB, False, "the mains 10 dB up, in the first row"),
}
"""Sentence, seat, mains in dB, fills on, and what it was."""


def barn_settings(mains_db: float = 0.0, *, fills_on: bool = True) -> dict[str, OutputSettings]:
    """Return the settings of Pewter Barn with the mains turned up and the fills on or off.

    Examples
    --------
    >>> barn_settings(10.0, fills_on=False)["Post left"].trim_db
    -inf
    """
    plan = demo_plan("pewter_barn")
    mains = {one.output for one in plan.venue.of_role("main")}
    return {name: replace(one, trim_db=mains_db if name in mains else
                          one.trim_db if fills_on else -np.inf)
            for name, one in plan.settings.items()}


def barn_index(mains_db: float = 0.0, *, fills_on: bool = True) -> FloatArray:
    """Return the speech transmission index of every row of Pewter Barn, front to back.

    Examples
    --------
    >>> [round(float(barn_index(fills_on=on)[-1]), 2) for on in (False, True)]
    [0.41, 0.5]
    """
    venue = demo_plan("pewter_barn").venue
    heard = seat_speech(venue, barn_settings(mains_db, fills_on=fills_on))
    # All its rows have as many seats.
    return np.asarray(heard.index.reshape(-1, venue.areas[0].counts[1]).mean(axis=1))


@cache
def mains_up_db() -> float:
    """Return by how much the mains alone must go up for the words the fills bring, last row.

    Examples
    --------
    >>> 8 < mains_up_db() < 10
    True
    """
    steps = (6.0, 8.0, 10.0, 12.0)
    index = [float(barn_index(up, fills_on=False)[-1]) for up in steps]
    return float(np.interp(float(barn_index()[-1]), index, steps))


def rain(count: int, sample_rate_hz: float) -> FloatArray:
    """Return the noise of Pewter Barn at its level, in the scale of `render_seat`.

    Examples
    --------
    >>> rms = np.std(rain(48000, 48000))
    >>> round(float(140 + 20 * np.log10(rms)))
    61
    """
    drawn = np.fft.rfft(np.random.default_rng(14).standard_normal(count))
    frequency = np.maximum(np.fft.rfftfreq(count, 1 / sample_rate_hz), 1.0)
    octave = np.round(np.log2(frequency / 1000.0))
    power = np.zeros_like(frequency)
    for band, level_db in demo_plan("pewter_barn").venue.goals.noise_db.items():
        own = octave == round(np.log2(band / 1000.0))
        power[own] = db_to_power(level_db - 140.0) / max(own.sum(), 1)
    return np.asarray(np.fft.irfft(drawn * np.sqrt(power * count / 2), count))


def heard(scene: str) -> HeardBox:
    """Return a sentence in Pewter Barn to be written down, without saying where and how (00).

    Examples
    --------
    >>> box = heard("A")
    >>> box.entry.value = "he was an ill-disposed man"
    >>> box.check.click()
    >>> "6 of 8 words" in box.reply.value
    True
    """
    sentence, seat, mains_db, fills_on, what = _SCENES[one_of("scene", scene, _SCENES)]
    spoken = read_demo_sound(sentence, sample_rate_hz=48000)
    clip = render_seat(demo_plan("pewter_barn"), spoken.samples, seat,
                       settings=barn_settings(mains_db, fills_on=fills_on))
    clip = (clip + rain(clip.size, 48000)) * db_to_amplitude(140.0 - _FULL_SCALE_DB)
    return HeardBox(f"Sound {scene}", clip, 48000, said=spoken.words, what=f"That was {what}.")
