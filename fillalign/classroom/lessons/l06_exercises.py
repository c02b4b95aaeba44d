"""Exercises and predictions of lesson 06."""

from __future__ import annotations

import math

from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.lessons.hall import rows_octaves_db
from fillalign.classroom.predictions import Prediction
from fillalign.filters import low_cut_group_delay_ms, low_cut_response
from fillalign.interference import notch_frequencies_hz
from fillalign.levels import amplitude_to_db, coherent_sum_db, power_sum_db, spreading_db


def _lost(mains_db: float, below_db: float) -> float:
    return float(power_sum_db([mains_db, mains_db - below_db])) - mains_db


def _cut(frequency_hz: float, corner_hz: float) -> float:
    return -float(amplitude_to_db(abs(low_cut_response(frequency_hz, corner_hz))))


def _extra(frequency_hz: float, corner_hz: float) -> float:
    return float(low_cut_group_delay_ms(frequency_hz, corner_hz, order=4, kind="butterworth"))


def _pressures(main_db: float, below_db: float) -> float:
    return float(coherent_sum_db([main_db, main_db - below_db]))


EXERCISES = (
    Exercise(
        id="06-a",
        text="In the 125 Hz octave of the last rows the mains bring {mains_db:g} dB, and the fills "
             "without a low cut would bring {below_db:g} dB less than that. Their arrivals are "
             "mixed by the room, so powers add. How many dB does this octave lose if a low cut "
             "takes the fills out of it altogether?",
        numbers={"mains_db": (70, 72, 74), "below_db": (3, 4, 5, 6, 8)},
        answer=_lost,
        code="power_sum_db([{mains_db:g}, {mains_db:g} - {below_db:g}]) - {mains_db:g}",
        unit="dB", tolerance=0.1, decimals=2,
        hints=(
            "How loud are both together, and how loud are the mains alone?",
            "Call the power of the mains one unit. What is the power of the fills then?",
            "Both powers together, as ten times the logarithm (base ten).",
        ),
        slips=(
            Slip("The difference between mains and fills is not what gets lost. The mains stay.",
                 lambda below_db, **_: below_db),
            Slip("You added pressures. Where the room mixes them, powers add: ten times the "
                 "logarithm, and divide by ten.",
                 lambda mains_db, below_db: _pressures(mains_db, below_db) - mains_db),
            Slip("3 dB would go if the fills were as loud as the mains there. They are softer.",
                 lambda **_: 10 * math.log10(2)),
        ),
        solution="The fills have 10^(-{below_db:g}/10) of the mains' power. 1 plus that, in "
                 "decibels, is {answer} dB, and that is what goes.",
    ),
    Exercise(
        id="06-b",
        text="A Linkwitz-Riley low cut of order 4 takes 20 lg(1 + (corner/frequency)^4) dB away "
             "(lg is the logarithm with base ten). Its corner is {corner_hz:g} Hz. How many dB "
             "does it take away at {frequency_hz:g} Hz?",
        numbers={"corner_hz": (150, 160, 180, 200), "frequency_hz": (80, 100, 125)},
        answer=_cut,
        code="-amplitude_to_db(abs(low_cut_response({frequency_hz:g}, {corner_hz:g})))",
        unit="dB", tolerance=0.15, decimals=1,
        hints=(
            "First divide the corner by the frequency; the result is larger than one.",
            "Take that to the fourth power (square it twice) and add one.",
            "Then the logarithm with base ten, times twenty.",
        ),
        slips=(
            Slip("The fraction is upside down: below the corner, corner over frequency is larger "
                 "than one.", lambda frequency_hz, corner_hz: _cut(corner_hz, frequency_hz)),
            Slip("Half of it: these are pressures, so twenty times the logarithm.",
                 lambda **n: _cut(**n) / 2),
            Slip("That is the straight line of a whole slope for each octave below the corner. "
                 "Near the corner the curve lies lower than that line.",
                 lambda frequency_hz, corner_hz: 80 * math.log10(corner_hz / frequency_hz)),
            Slip("It takes away, so the question wants the number without a minus.",
                 lambda **n: -_cut(**n)),
        ),
        solution="({corner_hz:g}/{frequency_hz:g}) to the fourth power, plus 1, as 20 lg, is "
                 "{answer} dB.",
    ),
    Exercise(
        id="06-c",
        text="Far above its low cut the fill arrives {gap_ms:g} ms after the main. The cut is a "
             "Butterworth of order 4 at {corner_hz:g} Hz. By how many ms does the fill come after "
             "the main at {frequency_hz:g} Hz? (Read the extra delay off the figure of the low "
             "cut in this lesson.)",
        numbers={"gap_ms": (4, 5, 7, 8), "corner_hz": (120, 150, 180), "frequency_hz": (160, 200)},
        answer=lambda gap_ms, corner_hz, frequency_hz: gap_ms + _extra(frequency_hz, corner_hz),
        code="{gap_ms:g} + low_cut_group_delay_ms({frequency_hz:g}, {corner_hz:g}, order=4, "
             "kind='butterworth')",
        unit="ms", tolerance=0.2, decimals=1,
        hints=(
            "A low cut delays what lies near its corner. By how much?",
            "Set corner, kind and reading frequency in the figure, and read the line of words.",
            "The extra delay comes on top of the gap.",
        ),
        slips=(
            Slip("That is the gap far above the corner. Near the corner the filter delays as well.",
                 lambda gap_ms, **_: gap_ms),
            Slip("That is the filter's delay alone. The fill was late already.",
                 lambda corner_hz, frequency_hz, **_: _extra(frequency_hz, corner_hz)),
            Slip("The filter delays: it does not bring the lows earlier.",
                 lambda gap_ms, corner_hz, frequency_hz: gap_ms - _extra(frequency_hz, corner_hz)),
        ),
        solution="The extra delay of that filter at {frequency_hz:g} Hz comes on top of "
                 "{gap_ms:g} ms: {answer} ms.",
    ),
)


def fall_db(octave: int) -> float:
    """Return how far an octave falls from row 13 to the last row, mains alone.

    Examples
    --------
    >>> round(fall_db(125), 1), round(fall_db(8000), 1)
    (2.3, 8.7)
    """
    from fillalign.absorption import OCTAVES_NOMINAL

    return -float(rows_octaves_db(False)[-1, OCTAVES_NOMINAL.index(octave)])


PREDICTIONS = (
    Prediction(
        id="06-a",
        text="Tidewell Hall, mains alone. From row 13 to row 39 (43 to 128 ft) the highs at 8 kHz "
             "fall by almost 9 dB on a meter. By how many dB do the lows in the 125 Hz octave "
             "fall?",
        unit="dB", truth=lambda: fall_db(125), decimals=1, tolerance=1,
        meaning="In the lows a box radiates all round and the hall rings longest, so the back has "
                "nearly as much of them as the front. A fill has nothing to add there.",
        slips=(
            Slip("That is the direct sound alone, at three times the distance. In a hall most of "
                 "the lows come from the walls.", lambda: -float(spreading_db(3.0))),
            Slip("They do fall, but little.", lambda: 0.0),
        ),
    ),
    Prediction(
        id="06-b",
        text="A full-range fill is as loud as the mains at a seat and 10 ms late. Which is the "
             "lowest frequency that vanishes there?",
        unit="Hz", truth=lambda: float(notch_frequencies_hz(10.0, 1)[0]), decimals=0, tolerance=5,
        meaning="Half a swing of 50 Hz lasts 10 ms. In the open nothing fills that hole; down "
                "there it is as wide as an octave, and the ear does notice.",
        slips=(Slip("At 100 Hz the fill is a whole swing late, so the two help each other.",
                    lambda: 100.0),),
    ),
)
