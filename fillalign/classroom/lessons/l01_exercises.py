"""Exercises and predictions of lesson 01."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.predictions import Prediction
from fillalign.classroom.sounds import FloatArray
from fillalign.classroom.venues import demo_venue
from fillalign.field import seat_speech
from fillalign.levels import power_sum_db, power_to_db, spreading_db
from fillalign.loudspeakers import directivity_factor
from fillalign.room import direct_energy, reverberant_energy
from fillalign.venue import OutputSettings

MAINS = "Main bus"
OCTAVES = {"125 Hz": 125, "1 kHz": 1000, "4 kHz": 4000}
_STATES = {"occupied": "show", "empty": "check"}
_ACROSS_M = (-6.0, 0.0, 6.0)


def box_levels_db(
    distance_m: ArrayLike, octave: str, state: str = "occupied"
) -> tuple[FloatArray, FloatArray]:
    """Return direct sound and total of one main of Tidewell Hall (lesson 01).

    On its axis, without the loss in air, in dB re the direct sound at 10 m. The
    room sound is Barron and Lee's.

    Examples
    --------
    >>> [round(float(level), 1) for level in box_levels_db(10.0, "1 kHz")]
    [0.0, 1.3]
    """
    hall = demo_venue("tidewell_hall")
    box, frequency = hall.loudspeakers["main-box"], OCTAVES[octave]
    q = directivity_factor(*box.coverage_deg, frequency_hz=frequency, control_hz=box.control_hz,
                           rear_floor_db=box.rear_floor_db)
    volume = hall.room.volume_m3 if hall.room else np.nan
    rt60 = hall.states[_STATES[state]].rt60_s[frequency]
    direct = np.asarray(direct_energy(distance_m))
    falling = reverberant_energy(distance_m, rt60, volume) / q
    return np.asarray(power_to_db(direct)), np.asarray(power_to_db(direct + falling))


def _fall_db(which: int, octave: str) -> float:
    level = box_levels_db(np.array([4.0, 43.0]), octave)[which]
    return float(level[0] - level[1])


def speech_heard(depths_m: ArrayLike, mains_db: float, noise_db: float) -> FloatArray:
    """Return the mean speech transmission index of rows of Tidewell Hall, mains alone (lesson 01).

    `mains_db` and `noise_db` are how much louder than in the file both are.

    Examples
    --------
    >>> speech_heard([33.0], 0.0, 0.0).round(2).tolist()
    [0.57]
    """
    hall = demo_venue("tidewell_hall")
    noisy = hall.with_goals(noise_db={octave: level + noise_db
                                      for octave, level in hall.goals.noise_db.items()})
    louder = {MAINS: OutputSettings(trim_db=mains_db)}
    points = [[x, y, 1.2] for x in np.asarray(depths_m) for y in _ACROSS_M]
    heard = seat_speech(noisy, louder, seats_m=points, sounding=[MAINS])
    return np.asarray(heard.index.reshape(-1, len(_ACROSS_M)).mean(axis=1))


def _louder_index() -> float:
    return float(speech_heard([33.0], 10.0, 0.0)[0] - speech_heard([33.0], 0.0, 0.0)[0])


def _drop(near_m: float, far_m: float) -> float:
    return float(-spreading_db(far_m, reference_m=near_m))


def _won(down_db: float, added_db: float) -> float:
    return 70.0 - float(power_sum_db([70.0 - down_db, added_db]))


EXERCISES = (
    Exercise(
        id="01-a",
        text="In the open air, a loudspeaker is {near_m:g} m ({near_ft:.0f} ft) from the first row "
             "and {far_m:g} m ({far_ft:.0f} ft) from the last. How many dB less does the last row "
             "get? (Spreading alone, no loss in the air.)",
        numbers={"near_m": (3, 4, 5, 6), "far_m": (28, 35, 42, 50)},
        answer=_drop,
        code="-spreading_db({far_m:g}, reference_m={near_m:g})",
        unit="dB", tolerance=0.3, decimals=1,
        hints=(
            "What counts is how many times farther the last row is, not how many metres.",
            "Each doubling of the distance costs 6 dB. How many doublings are there?",
            "Twenty times the logarithm (base ten) of the far distance over the near one.",
        ),
        slips=(
            Slip("That takes ten times the logarithm, 3 dB a doubling, which is for an endless "
                 "line of loudspeakers. One box loses twice as much.",
                 lambda **n: _drop(**n) / 2),
            Slip("The sign: the question asks how many dB less, so a positive number.",
                 lambda **n: -_drop(**n)),
            Slip("That is the ratio of the distances. Now turn it into decibels.",
                 lambda near_m, far_m: far_m / near_m),
        ),
        solution="The last row is {far_m:g}/{near_m:g} times farther; twenty times the logarithm "
                 "of that ratio is {answer} dB.",
    ),
    Exercise(
        id="01-b",
        text="At a seat the direct sound measures {direct_db:g} dB and the sound of the room "
             "{room_db:g} dB. What does a meter show with both?",
        numbers={"direct_db": (62, 63, 64), "room_db": (65, 66, 67)},
        answer=lambda direct_db, room_db: float(power_sum_db([direct_db, room_db])),
        code="power_sum_db([{direct_db:g}, {room_db:g}])",
        unit="dB", tolerance=0.3, decimals=1,
        hints=(
            "The result lies above the larger of the two, but by less than 3 dB.",
            "Turn both into powers (10 to the dB over ten), add them, turn the sum back.",
            "Ten times the logarithm (base ten) of the sum of the two powers.",
        ),
        slips=(
            Slip("Decibels do not add like metres: two sounds of 60 dB make 63 dB, not 120.",
                 lambda direct_db, room_db: direct_db + room_db),
            Slip("That is the mean. A second sound adds energy, so the total is above both.",
                 lambda direct_db, room_db: (direct_db + room_db) / 2),
            Slip("You added pressures (dB over twenty). That holds for two equal waves in step; "
                 "room sound has no fixed step: add powers.",
                 lambda direct_db, room_db:
                 20 * np.log10(10 ** (direct_db / 20) + 10 ** (room_db / 20))),
        ),
        solution="Powers 10^({direct_db:g}/10) and 10^({room_db:g}/10) add; ten times the "
                 "logarithm of the sum is {answer} dB.",
    ),
    Exercise(
        id="01-c",
        text="The mains put 70 dB into the stage microphone. With fills in, the mains come down by "
             "{down_db:g} dB, and the fills put {added_db:g} dB into that microphone. By how many "
             "dB may everything go up now before the microphone gets 70 dB again?",
        numbers={"down_db": (4, 5, 6), "added_db": (58, 60, 62)},
        answer=_won,
        code="70 - power_sum_db([70 - {down_db:g}, {added_db:g}])",
        unit="dB", tolerance=0.2, decimals=1,
        hints=(
            "What does the microphone get now? The quieter mains and the fills together.",
            "Add the two as powers: 10 to the dB over ten, sum, back to dB.",
            "Take that total from 70 dB.",
        ),
        slips=(
            Slip("The fills reach the microphone as well, and take a part of what was won.",
                 lambda down_db, **_: down_db),
            Slip("That is what the microphone gets now. How far is it below 70 dB?",
                 lambda down_db, added_db: 70.0 - _won(down_db, added_db)),
            Slip("The sign is turned round: the microphone gets less than before, so there is "
                 "room to go up.", lambda **n: -_won(**n)),
        ),
        solution="The mains at 70 - {down_db:g} dB and the fills at {added_db:g} dB add by power; "
                 "70 dB less that total leaves {answer} dB: the gain before feedback won.",
    ),
)

PREDICTIONS = (
    Prediction(
        id="01-a",
        text="Tidewell Hall, one loudspeaker at the height of your ears. From 4 m to 43 m (13 to "
             "141 ft) in front of it: by how many dB does all that a meter hears around 1 kHz "
             "fall?",
        unit="dB", truth=lambda: _fall_db(1, "1 kHz"), decimals=0, tolerance=2,
        meaning="The room fills in what the direct sound loses. It rests on a reverberation time "
                "of 1.4 s, 7,360 cubic metres, and Barron and Lee's model.",
        slips=(Slip("That is the direct sound alone, as in the open air. Indoors the room adds.",
                    lambda: _fall_db(0, "1 kHz")),),
    ),
    Prediction(
        id="01-b",
        text="A full, quiet hall: at 33 m (108 ft) the speech transmission index is 0.57, on a "
             "scale from 0 (nothing understood) to 1. The mains go up by 10 dB. By how much does "
             "the index change? (0 is an answer, and so is a number below 0.)",
        unit="units of the index", truth=_louder_index, decimals=2, tolerance=0.02,
        meaning="The room's sound rises with the mains, by the same 10 dB, so nothing is won; very "
                "loud speech even covers its own details a little. It rests on noise far below "
                "the speech: in a noisy place louder does help.",
        slips=(Slip("Louder is not clearer where the room, not noise, blurs the words.",
                    lambda: 0.1),),
    ),
)
