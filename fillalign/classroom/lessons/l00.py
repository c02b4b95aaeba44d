"""Lesson 00: a barn whose back rows lack the words, heard blind, and the first exercises."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from fillalign.air import Air
from fillalign.audio import read_demo_sound, render_seat
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.hearing import HeardBox
from fillalign.classroom.predictions import Prediction
from fillalign.classroom.registry import one_of
from fillalign.classroom.sounds import FloatArray
from fillalign.classroom.venues import demo_plan
from fillalign.levels import db_to_amplitude, db_to_power
from fillalign.planning import evaluate
from fillalign.propagation import fill_delay_ms, seat_delay_ms, travel_time_ms
from fillalign.units import ft_to_m, ms_to_samples
from fillalign.venue import OutputSettings

_HALL = Air(20.0, 40.0)
_HANG_M = 26.0
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
    return evaluate(venue, barn_settings(mains_db, fills_on=fills_on)).walk.speech_after


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


def _two_distances(main_m: float, fill_m: float, temperature_c: float) -> float:
    return float(seat_delay_ms(main_m, fill_m, Air(temperature_c)))


def _in_feet(tape_ft: float) -> float:
    return float(fill_delay_ms(ft_to_m(tape_ft), Air(20.0)))


EXERCISES = (
    Exercise(
        id="00-a",
        text="A seat is {main_m:g} m ({main_ft:.0f} ft) from the main and {fill_m:g} m "
             "({fill_ft:.0f} ft) from the fill. The air has {temperature_c:g} C and 50 % "
             "humidity. Which delay makes the fill arrive together with the main?",
        numbers={"main_m": (32, 35, 38, 41, 44), "fill_m": (8, 11, 14),
                 "temperature_c": (7, 10, 28, 30)},
        answer=_two_distances,
        code="seat_delay_ms({main_m:g}, {fill_m:g}, Air({temperature_c:g}))",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "The fill must wait for as long as the main's sound travels farther.",
            "Divide the difference of the two distances by the speed of sound in this air.",
            "The speed is 331.3 m/s plus 0.606 m/s for each degree; times 1000 gives milliseconds.",
        ),
        slips=(
            Slip("That is the whole way of the main's sound. The fill's sound travels to the seat "
                 "as well: take its way off.",
                 lambda main_m, temperature_c, **_: travel_time_ms(main_m, Air(temperature_c))),
            Slip("You added the two distances. The fill must wait for the difference.",
                 lambda main_m, fill_m, temperature_c:
                 travel_time_ms(main_m + fill_m, Air(temperature_c))),
            Slip("The sign is turned round: a positive delay makes the fill wait.",
                 lambda **n: -_two_distances(**n)),
        ),
        solution="The main's sound travels {main_m:g} m, the fill's {fill_m:g} m. The difference, "
                 "divided by 331.3 + 0.606 x {temperature_c:g} m/s and times 1000, is about "
                 "{answer} ms.",
    ),
    Exercise(
        id="00-b",
        text="A processor at 48 kHz takes its delay in samples, the steps in which it counts "
             "time. You want {delay_ms:g} ms. How many samples do you set?",
        numbers={"delay_ms": (35, 42.5, 60, 75, 87.5)},
        answer=lambda delay_ms: float(ms_to_samples(delay_ms, 48000)),
        code="ms_to_samples({delay_ms:g}, 48000)",
        unit="samples", tolerance=1, decimals=0,
        hints=(
            "48 kHz means so many thousand samples in each second.",
            "So there are 48 samples in each millisecond.",
            "Multiply the milliseconds by the samples in one of them.",
        ),
        slips=(
            Slip("You divided by 48. There are 48 samples in a millisecond: multiply.",
                 lambda delay_ms: delay_ms / 48),
            Slip("That holds for 44.1 kHz; this processor runs at 48 kHz.",
                 lambda delay_ms: ms_to_samples(delay_ms, 44100)),
            Slip("That is 1000 times too many: the delay is in milliseconds, not seconds.",
                 lambda delay_ms: 1000 * ms_to_samples(delay_ms, 48000)),
        ),
        solution="At 48 kHz one millisecond holds 48 samples, so {delay_ms:g} ms are {answer} "
                 "samples.",
    ),
    Exercise(
        id="00-c",
        text="Somebody hands you a tape in feet: {tape_ft:g} ft from main to fill. The air has "
             "20 C and 50 % humidity. Which delay does that distance stand for?",
        numbers={"tape_ft": (50, 65, 80, 90, 110)},
        answer=_in_feet,
        code="fill_delay_ms(ft_to_m({tape_ft:g}), Air(20))",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "Bring the feet to metres first.",
            "One foot is 0.3048 m.",
            "Multiply the feet by 0.3048, divide by 344 m/s, times 1000.",
        ),
        slips=(
            Slip("You took the feet for metres.",
                 lambda tape_ft: fill_delay_ms(tape_ft, Air(20.0))),
            Slip("You divided by 0.3048. A foot is shorter than a metre, so the number of metres "
                 "must be the smaller one.",
                 lambda tape_ft: fill_delay_ms(tape_ft / 0.3048, Air(20.0))),
        ),
        solution="{tape_ft:g} ft times 0.3048 gives the metres; divided by 344 m/s, the speed of "
                 "sound at 20 C and 50 %, and times 1000, that is {answer} ms.",
    ),
)


def _wait_ms() -> float:
    return float(fill_delay_ms(_HANG_M, _HALL))


PREDICTIONS = (
    Prediction(
        id="00-a",
        text="In Tidewell Hall the fills hang 26 m (85 ft) in front of the mains, at 20 C. No "
             "delay is set. Someone sits straight behind a fill: how much earlier does the fill "
             "reach them than the mains?",
        unit="ms", truth=_wait_ms, decimals=0, tolerance=8,
        meaning="Sound needs about 3 ms for each metre. A word that comes twice, so far apart, "
                "is heard as two words: that is why a fill must wait.",
        slips=(
            Slip("Sound feels instant, but it is not: light is.", lambda: 0.0),
            Slip("That is one millisecond for each metre; sound needs three times that (and about "
                 "one for each foot).", lambda: _HANG_M),
        ),
    ),
    Prediction(
        id="00-b",
        text="Pewter Barn: with the fills the words reach the last row. Without them the mains "
             "must go up until the last row gets the words as well as that. By how many dB?",
        unit="dB", truth=mains_up_db, decimals=1, tolerance=2,
        meaning="All of it lands in the first row and in the stage microphone too, which may "
                "howl. The fills bring the same words for a tenth of a decibel there.",
        slips=(
            Slip("Three dB is what the rain leaves missing in level; words need far more above "
                 "the noise than that.", lambda: 3.0),
            Slip("Louder does help here, since it is noise that covers the words.", lambda: 0.0),
        ),
    ),
)
