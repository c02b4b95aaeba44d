"""Exercises and predictions of lesson 02."""

from __future__ import annotations

from fillalign.air import Air
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.predictions import Prediction
from fillalign.propagation import travel_time_ms
from fillalign.units import ms_to_samples

HABIT = Air(20.0)


def _time(distance_m: float, temperature_c: float) -> float:
    return float(travel_time_ms(distance_m, Air(temperature_c)))


def _samples(distance_m: float, temperature_c: float) -> float:
    return float(ms_to_samples(_time(distance_m, temperature_c), 96000))


def _habit_cost(distance_m: float, temperature_c: float) -> float:
    return _time(distance_m, temperature_c) - _time(distance_m, 20.0)


EXERCISES = (
    Exercise(
        id="02-a",
        text="How long does sound take for {distance_m:g} m ({distance_ft:.0f} ft) at "
             "{temperature_c:g} C and 50 % humidity?",
        numbers={"distance_m": (32, 40, 45, 55), "temperature_c": (9, 11, 30)},
        answer=_time,
        code="travel_time_ms({distance_m:g}, Air({temperature_c:g}))",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "First the speed of sound in this air, then distance divided by speed.",
            "The speed is 331.3 m/s plus 0.606 m/s for each degree.",
            "Distance over speed gives seconds; times 1000 gives milliseconds.",
        ),
        slips=(
            Slip("You multiplied by the speed. The faster the sound, the shorter it takes: divide.",
                 lambda distance_m, temperature_c:
                 distance_m * Air(temperature_c).speed_m_s / 1000),
        ),
        solution="At {temperature_c:g} C sound travels 331.3 + 0.606 x {temperature_c:g} m/s, very "
                 "nearly. {distance_m:g} m divided by that, times 1000: {answer} ms.",
    ),
    Exercise(
        id="02-b",
        text="A processor runs at 96 kHz and takes its delay in samples. Its fill is to wait for "
             "{distance_m:g} m ({distance_ft:.0f} ft) at {temperature_c:g} C, 50 %. How many "
             "samples is that?",
        numbers={"distance_m": (18, 26, 38, 48), "temperature_c": (8, 12, 28)},
        answer=_samples,
        code="ms_to_samples(travel_time_ms({distance_m:g}, Air({temperature_c:g})), 96000)",
        unit="samples", tolerance=40, decimals=0,
        hints=(
            "First the time for this distance in this air, then samples.",
            "96 kHz is 96,000 samples in each second.",
            "Divide the metres by the speed (331.3 + 0.606 for each degree), times 96,000.",
        ),
        slips=(
            Slip("That is for 48 kHz; this processor runs at twice that.",
                 lambda **n: _samples(**n) / 2),
            Slip("That is the time in milliseconds. There are 96 samples in each.",
                 lambda **n: _time(**n)),
        ),
        solution="The time in this air, in seconds, times 96,000 samples a second: {answer} "
                 "samples.",
    ),
    Exercise(
        id="02-c",
        text="A fill hangs {distance_m:g} m ({distance_ft:.0f} ft) from the main. Somebody timed "
             "it for 20 C; the air has {temperature_c:g} C. By how many milliseconds does the fill "
             "come too early? (Below 0 if it comes too late.)",
        numbers={"distance_m": (40, 50, 60, 70, 80), "temperature_c": (3, 6, 9, 30)},
        answer=_habit_cost,
        code="travel_time_ms({distance_m:g}, Air({temperature_c:g})) - "
             "travel_time_ms({distance_m:g}, Air(20))",
        unit="ms", tolerance=0.2, share=0.08, decimals=2,
        hints=(
            "In which of the two airs is sound slower? That decides who is early.",
            "Work out the travel time of the main's sound for both temperatures.",
            "The real travel time less the one for 20 C. Keep two decimals all the way.",
        ),
        slips=(
            Slip("The sign is turned round. In cold air the main's sound needs longer than the "
                 "fill waits, so the fill is early; in warm air it is late.",
                 lambda **n: -_habit_cost(**n)),
            Slip("That is the whole travel time. What differs between the two airs?",
                 lambda **n: _time(**n)),
        ),
        solution="The main's sound takes its way at {temperature_c:g} C, the fill waits as long as "
                 "that takes at 20 C. The first time less the second: {answer} ms.",
    ),
)


def _altitude_ms(temperature_c: float) -> float:
    there = Air.at_altitude(temperature_c, 50.0, 2000.0)
    return float(travel_time_ms(60.0, there)) - _time(60.0, 20.0)


PREDICTIONS = (
    Prediction(
        id="02-a",
        text="60 m (197 ft) at 20 C and 50 % humidity, once by the sea and once at 2,000 m (6,560 "
             "ft) up, at the same 20 C. How many milliseconds lie between the two travel times?",
        unit="ms", truth=lambda: abs(_altitude_ms(20.0)), decimals=1, tolerance=0.3,
        meaning="Thin air has less pressure and less mass in each cubic metre, and for the speed "
                "of sound the two cancel. What is left is mostly the water, a larger share of "
                "thin air: up there sound is even a trace faster.",
        slips=(Slip("That would be so if the temperature fell as well, as it does on a real "
                    "mountain. Here it does not.", lambda: _altitude_ms(7.0)),),
    ),
    Prediction(
        id="02-b",
        text="Now as it is on a mountain: 20 C by the sea, 7 C at 2,000 m. How many milliseconds "
             "longer do the 60 m take up there?",
        unit="ms", truth=lambda: _altitude_ms(7.0), decimals=1, tolerance=1,
        meaning="Cold does it, not height: 13 degrees, at 0.18 % each.",
        slips=(Slip("Height alone does nothing, but the cold up there does.", lambda: 0.0),
               Slip("The direction is the other way: cold air is slower.",
                    lambda: -_altitude_ms(7.0))),
    ),
)
