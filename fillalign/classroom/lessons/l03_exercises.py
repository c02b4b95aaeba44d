"""Exercises and predictions of lesson 03."""

from __future__ import annotations

from fillalign.air import Air
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.predictions import Prediction
from fillalign.propagation import distance_m, fill_delay_ms, gap_ms, seat_delay_ms, travel_time_ms

HALL = Air(20.0, 40.0)
_AIR = Air(20.0)


def _left_over(box_m: float, main_m: float, fill_m: float) -> float:
    return float(gap_ms(main_m, fill_m, fill_delay_ms(box_m, _AIR), _AIR))


def _wait(main_m: float, fill_m: float, latency_ms: float, margin_ms: float) -> float:
    return float(seat_delay_ms(main_m, fill_m, _AIR, main_latency_ms=2.0,
                               fill_latency_ms=latency_ms, margin_ms=margin_ms))


def _front(main_m: float, fill_m: float, box_m: float) -> float:
    return float(fill_delay_ms(box_m, _AIR) - seat_delay_ms(main_m, fill_m, _AIR))


EXERCISES = (
    Exercise(
        id="03-a",
        text="A fill is timed box to box: {box_m:g} m ({box_ft:.0f} ft) from the main, air of 20 C "
             "and 50 %. At a seat off the line the laser says {main_m:g} m ({main_ft:.0f} ft) to "
             "the main and {fill_m:g} m ({fill_ft:.0f} ft) to the fill. How much later than the "
             "main does the fill arrive there?",
        numbers={"box_m": (26, 28), "main_m": (30, 31, 32), "fill_m": (10, 12, 15)},
        answer=_left_over,
        code="gap_ms({main_m:g}, {fill_m:g}, fill_delay_ms({box_m:g}, Air(20)), Air(20))",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "Think of the string: how much longer is the way over the fill than the straight one?",
            "Main to fill plus fill to seat, less main to seat: that is the string left over.",
            "Divide the string left over by 344 m/s, times 1000.",
        ),
        slips=(
            Slip("That is how much string is left over, in metres. Now as time.",
                 lambda box_m, main_m, fill_m: box_m + fill_m - main_m),
            Slip("That is the delay itself. Ask when each of the two arrives, and take the "
                 "difference.", lambda box_m, **_: fill_delay_ms(box_m, _AIR)),
            Slip("The sign is turned round: the fill comes later, so the number is above 0.",
                 lambda **n: -_left_over(**n)),
        ),
        solution="{box_m:g} + {fill_m:g} - {main_m:g} metres of string are left over; at 344 m/s "
                 "that takes {answer} ms.",
    ),
    Exercise(
        id="03-b",
        text="At the seat where both are equally loud: {main_m:g} m ({main_ft:.0f} ft) to the "
             "main, {fill_m:g} m ({fill_ft:.0f} ft) to the fill, air of 20 C and 50 %. The main's "
             "path through console and processor takes 2 ms, the fill's {latency_ms:g} ms. The "
             "fill shall arrive {margin_ms:g} ms after the main. Which delay do you set?",
        numbers={"main_m": (31, 34, 38), "fill_m": (9, 11), "latency_ms": (6, 8, 14),
                 "margin_ms": (8, 10)},
        answer=_wait,
        code="seat_delay_ms({main_m:g}, {fill_m:g}, Air(20), main_latency_ms=2, "
             "fill_latency_ms={latency_ms:g}, margin_ms={margin_ms:g})",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "Start with the difference of the two ways, as time. Then think what each of the "
            "other numbers does to the fill.",
            "A path that is late already needs less delay. A margin needs more.",
            "Difference of the ways over 344 m/s, plus the margin, less what the fill's path takes "
            "more than the main's.",
        ),
        slips=(
            Slip("You left out the latency: the fill's path is late already by what it takes more "
                 "than the main's.",
                 lambda main_m, fill_m, margin_ms, **_: _wait(main_m, fill_m, 2.0, margin_ms)),
            Slip("You added the latency. The fill's path is late already, so it needs less.",
                 lambda latency_ms, **n: _wait(latency_ms=2.0, **n) + latency_ms - 2.0),
            Slip("You took off the fill's whole latency; the main's own path is late as well.",
                 lambda latency_ms, **n: _wait(latency_ms=latency_ms + 2.0, **n)),
            Slip("The margin is missing: without it both arrive together.",
                 lambda main_m, fill_m, latency_ms, **_: _wait(main_m, fill_m, latency_ms, 0.0)),
        ),
        solution="The ways differ by {main_m:g} - {fill_m:g} m; as time at 344 m/s, plus "
                 "{margin_ms:g} ms, less the {latency_ms:g} - 2 ms by which the fill's path is "
                 "late already: {answer} ms.",
    ),
    Exercise(
        id="03-c",
        text="A front fill stands {box_m:g} m ({box_ft:.0f} ft) from the main. Its seats are "
             "{fill_m:g} m ({fill_ft:.0f} ft) from it and {main_m:g} m ({main_ft:.0f} ft) from the "
             "main. Air of 20 C, 50 %. By how much is it late there, if somebody sets it box to "
             "box?",
        numbers={"box_m": (7, 7.5, 8), "fill_m": (3, 3.5, 4), "main_m": (8.2, 8.6, 9)},
        answer=_front,
        code="fill_delay_ms({box_m:g}, Air(20)) - seat_delay_ms({main_m:g}, {fill_m:g}, Air(20))",
        unit="ms", tolerance=0.3, decimals=1,
        hints=(
            "Which delay do its seats want, and which one does the box-to-box rule give?",
            "The seats want the difference of their two ways, as time.",
            "Box to box, less main to seat, plus fill to seat: in metres, over 344 m/s, times "
            "1000.",
        ),
        slips=(
            Slip("That is what its seats want. The question is how far off box to box is.",
                 lambda main_m, fill_m, **_: seat_delay_ms(main_m, fill_m, _AIR)),
            Slip("That is the box-to-box delay itself. Its seats want less.",
                 lambda box_m, **_: fill_delay_ms(box_m, _AIR)),
        ),
        solution="The seats want ({main_m:g} - {fill_m:g}) m as time, box to box gives "
                 "{box_m:g} m as time. The difference is {answer} ms: late, by a good part of the "
                 "delay itself.",
    ),
)


PREDICTIONS = (
    Prediction(
        id="03-a",
        text="A fill is timed perfectly, box to box. A listener sits 4 m (13 ft) ahead of it, "
             "between main and fill. By how many milliseconds is the fill late there?",
        unit="ms",
        truth=lambda: float(gap_ms(22.0, 4.0, fill_delay_ms(26.0, HALL), HALL)),
        decimals=0, tolerance=4,
        meaning="Twice 4 m: the main has passed already, and the fill's sound comes back. It rests "
                "on the fill being heard there at all; that is why it is aimed away from the "
                "stage.",
        slips=(Slip("A delay that is right behind the fill is not right everywhere.", lambda: 0.0),
               Slip("The 4 m count twice: the main's sound has them still before it, the fill's "
                    "comes back over them.",
                    lambda: float(travel_time_ms(4.0, HALL)))),
    ),
    Prediction(
        id="03-b",
        text="A tower stands 60 m (197 ft) from the main, timed box to box. Someone stands 15 m "
             "(49 ft) farther and 30 m (98 ft) aside. By how many milliseconds is the tower late "
             "there?",
        unit="ms",
        truth=lambda: float(gap_ms(distance_m([0, 0, 0], [75, 30, 0]),
                                   distance_m([60, 0, 0], [75, 30, 0]),
                                   fill_delay_ms(60.0, HALL), HALL)),
        decimals=0, tolerance=6,
        meaning="The string by way of the tower is 12.8 m longer than the straight one. Speech "
                "gets an echo from about 30 ms on (common practice), if the tower is loud enough "
                "there.",
        slips=(Slip("One seat stands for one line, not for a whole field.", lambda: 0.0),
               Slip("The 30 m aside lengthen the main's way as well: take the difference.",
                    lambda: float(travel_time_ms(30.0, HALL)))),
    ),
)
