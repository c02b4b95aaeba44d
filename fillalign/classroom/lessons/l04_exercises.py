"""Exercises and predictions of lesson 04."""

from __future__ import annotations

import numpy as np

from fillalign.absorption import THIRDS_HZ, band_edges_hz
from fillalign.air import Air
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.predictions import Prediction
from fillalign.interference import (
    comb_dip_db,
    comb_peak_db,
    interference_power,
    notch_frequencies_hz,
)
from fillalign.levels import db_to_amplitude, power_to_db
from fillalign.propagation import travel_time_ms

_JUDGED = (THIRDS_HZ > 450) & (THIRDS_HZ < 9000)


def thirds_spread_db(delay_ms: float, level_db: float = 0.0) -> float:
    """Spread of two arrivals over the third octaves from 500 Hz to 8 kHz, in dB (lesson 04).

    Examples
    --------
    >>> round(thirds_spread_db(1.0), 1), round(thirds_spread_db(10.0), 1)
    (19.3, 1.1)
    """
    low, high = (edge[_JUDGED] for edge in band_edges_hz(THIRDS_HZ))
    power = np.array([[1.0], [float(db_to_amplitude(level_db)) ** 2]])
    time = np.array([[0.0], [delay_ms / 1000]])
    levels = power_to_db(interference_power(power * np.ones(low.size), time, low, high))
    return float(np.ptp(levels))


def _first_notch(delay_ms: float) -> float:
    return float(notch_frequencies_hz(delay_ms, 1)[0])


def _range(down_db: float) -> float:
    return float(comb_peak_db(-down_db) - comb_dip_db(-down_db))


def _neighbour(farther_m: float, temperature_c: float) -> float:
    return _first_notch(float(travel_time_ms(farther_m, Air(temperature_c))))


EXERCISES = (
    Exercise(
        id="04-a",
        text="At a seat the fill arrives {delay_ms:g} ms after the main, equally loud. At which "
             "frequency lies the first, lowest notch?",
        numbers={"delay_ms": (0.4, 0.8, 1.25, 2, 2.5, 4, 5)},
        answer=_first_notch,
        code="notch_frequencies_hz({delay_ms:g}, 1)[0]",
        unit="Hz", tolerance=2, decimals=0,
        hints=(
            "A notch comes where one arrival pushes while the other pulls.",
            "That is so when the wait is half of one whole swing (a period).",
            "The period is twice the wait; the frequency is 1 divided by the period in seconds.",
        ),
        slips=(
            Slip("That is the frequency with a whole swing in the wait: there the two help each "
                 "other. A notch needs half a swing.", lambda delay_ms: 1000 / delay_ms),
            Slip("That is in kilohertz, or milliseconds were taken for seconds: a millisecond is "
                 "a thousandth of a second.", lambda delay_ms: 0.5 / delay_ms),
            Slip("That is the second notch. The first lies three times lower.",
                 lambda delay_ms: 1500 / delay_ms),
        ),
        solution="Half a swing must fit into {delay_ms:g} ms, so a whole one takes twice as long, "
                 "and 1 divided by that, in seconds, is {answer} Hz.",
    ),
    Exercise(
        id="04-b",
        text="The second arrival is {down_db:g} dB softer than the first. How many dB lie between "
             "the peaks and the notches of the comb?",
        numbers={"down_db": (4, 6, 8, 12, 14, 18)},
        answer=_range,
        code="comb_peak_db(-{down_db:g}) - comb_dip_db(-{down_db:g})",
        unit="dB", tolerance=0.2, decimals=1,
        hints=(
            "First turn the decibels into a ratio g of sound pressures, a number below 1.",
            "g is 10 to the power of minus the decibels divided by twenty. Peaks are 1 + g, "
            "notches 1 - g.",
            "The range is twenty times the logarithm (base ten) of (1 + g) divided by (1 - g).",
        ),
        slips=(
            Slip("That is how far the peaks rise. The notches fall farther; count from peak to "
                 "notch.", lambda down_db: comb_peak_db(-down_db)),
            Slip("You took the decibels as a ratio of powers (divided by ten). Pressures add here: "
                 "divide by twenty.", lambda down_db: _range(down_db / 2) if down_db else 0.0),
            Slip("That is how far the notches fall. Add what the peaks rise.",
                 lambda down_db: -comb_dip_db(-down_db)),
            Slip("Half of it: the logarithm of pressures is taken twenty times, not ten.",
                 lambda down_db: _range(down_db) / 2),
        ),
        solution="g is 10^(-{down_db:g}/20); peaks are 1 + g and notches 1 - g times the first "
                 "arrival. Twenty times the logarithm of (1 + g)/(1 - g) is {answer} dB from "
                 "peak to notch.",
    ),
    Exercise(
        id="04-c",
        text="At your seat main and fill arrive together. Your neighbour is just as far from the "
             "main, but {farther_m:g} m ({farther_ft:.1f} ft) farther from the fill. The air has "
             "{temperature_c:g} C. Where is the first notch in the neighbour's sound?",
        numbers={"farther_m": (0.2, 0.3, 0.4, 0.5, 0.6), "temperature_c": (5, 15, 30)},
        answer=_neighbour,
        code="notch_frequencies_hz(travel_time_ms({farther_m:g}, Air({temperature_c:g})), 1)[0]",
        unit="Hz", tolerance=5, decimals=0,
        hints=(
            "How much later does the fill arrive at the neighbour's seat?",
            "That is the extra way divided by the speed of sound in this air, by the rule above "
            "the questions.",
            "The first notch is 1 divided by twice that time in seconds.",
        ),
        slips=(
            Slip("There the extra way is one whole wave, and the two help each other. For a notch "
                 "it is half a wave.", lambda **n: 2 * _neighbour(**n)),
            Slip("That is the extra time in milliseconds. Which frequency makes half a swing in "
                 "it?", lambda farther_m, temperature_c:
                 travel_time_ms(farther_m, Air(temperature_c))),
        ),
        solution="The extra {farther_m:g} m are half a wave of the frequency that vanishes: the "
                 "speed of sound divided by twice the extra way, {answer} Hz.",
    ),
)

PREDICTIONS = (
    Prediction(
        id="04-a",
        text="Main and fill are equally loud at a seat, the fill 1 ms later. Take the third "
             "octaves from 500 Hz to 8 kHz: how many dB lie between the loudest and the softest?",
        unit="dB", truth=lambda: thirds_spread_db(1.0), decimals=0, tolerance=4,
        meaning="The first notch, at 500 Hz, is wider than a whole third octave and all but "
                "empties it. "
                "It rests on equal levels and no room.",
        slips=(Slip("6 dB is how far the peaks rise; the notch goes much deeper.", lambda: 6.0),),
    ),
    Prediction(
        id="04-b",
        text="The same, but the fill 10 ms later, which makes ten times as many notches. How many "
             "dB between the loudest and the softest third octave?",
        unit="dB", truth=lambda: thirds_spread_db(10.0), decimals=1, tolerance=1,
        meaning="Many narrow notches fall into every third octave and average out there. What the "
                "ear keeps of them is no hole but a faint pitch, that of the repetition. (Later "
                "still, beyond about 30 ms, speech gets an echo instead.)",
        slips=(Slip("More notches look worse on a screen. Within a third octave they average "
                    "out.", lambda: 20.0),),
    ),
)
