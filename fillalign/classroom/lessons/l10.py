"""Lesson 10: from a room of one's own to its set-up sheet."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fillalign.air import Air
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.predictions import Prediction
from fillalign.planning import FillPlan, evaluate
from fillalign.propagation import fill_delay_ms, gap_ms
from fillalign.venue import OutputSettings


def dialled(plan: FillPlan, *, later_ms: float = 0.0, trim_db: float = 0.0) -> FillPlan:
    """Return what the seats get when every fill that sounds is dialled otherwise (lesson 10).

    So much later than planned, so much louder, and without low cut and shelf.

    Examples
    --------
    >>> from fillalign.classroom import own_plan
    >>> plan = own_plan()
    >>> other = dialled(plan, later_ms=12.0)
    >>> round(other.settings["Fills"].delay_ms - plan.settings["Fills"].delay_ms, 6)
    12.0
    """
    settings: Mapping[str, OutputSettings] = {
        **plan.settings,
        **{fill.output: OutputSettings(
            delay_ms=max(plan.settings[fill.output].delay_ms + later_ms, 0.0),
            trim_db=plan.settings[fill.output].trim_db + trim_db,
            polarity=plan.settings[fill.output].polarity)
           for fill in plan.fills if fill.sounding},
    }
    return evaluate(plan.venue, settings, air=plan.air)


def _ring(distance_m: float, latency_ms: float, temperature_c: float) -> float:
    return float(fill_delay_ms(distance_m, Air(temperature_c), fill_latency_ms=latency_ms))


def _held(box_m: float, hold_ms: float, temperature_c: float) -> float:
    return hold_ms + float(fill_delay_ms(box_m, Air(temperature_c)))


def _dialled_gap(main_m: float, fill_m: float, delay_ms: float, temperature_c: float) -> float:
    return float(gap_ms(main_m, fill_m, delay_ms, Air(temperature_c)))


EXERCISES = (
    Exercise(
        id="10-a",
        text="Ring two stands {distance_m:g} m ({distance_ft:.0f} ft) from the mains, "
             "{behind_m:g} m ({behind_ft:.0f} ft) behind ring one, on the same feed. "
             "{temperature_c:g} C. Its processor needs {latency_ms:g} ms itself, the mains' path "
             "none. Which delay do you set, box to box, without a margin?",
        numbers={"distance_m": (80, 85, 90), "behind_m": (35, 40), "latency_ms": (3, 5),
                 "temperature_c": (12, 15, 24)},
        answer=lambda distance_m, latency_ms, temperature_c, **_:
            _ring(distance_m, latency_ms, temperature_c),
        code="fill_delay_ms({distance_m:g}, Air({temperature_c:g}), "
             "fill_latency_ms={latency_ms:g})",
        unit="ms", tolerance=0.6, decimals=1,
        hints=(
            "To which loudspeakers is every ring timed?",
            "Way from the mains, over the speed of sound in this air. Then think of the processor.",
            "What the processor needs itself is waited already: take it off.",
        ),
        slips=(
            Slip("You timed ring two to ring one. Each ring is timed to the mains: both get their "
                 "signal at the same moment.",
                 lambda behind_m, latency_ms, temperature_c, **_:
                 _ring(behind_m, latency_ms, temperature_c)),
            Slip("The processor's own time counts double now: take it off instead of adding it.",
                 lambda distance_m, latency_ms, temperature_c, **_:
                 _ring(distance_m, latency_ms, temperature_c) + 2 * latency_ms),
            Slip("You left out what the processor needs itself.",
                 lambda distance_m, latency_ms, temperature_c, **_:
                 _ring(distance_m, latency_ms, temperature_c) + latency_ms),
        ),
        solution="From the mains it is {distance_m:g} m, over the speed of sound at "
                 "{temperature_c:g} C. That time less {latency_ms:g} ms is {answer} ms.",
    ),
    Exercise(
        id="10-b",
        text="The mains are held back by {hold_ms:g} ms so that they come with the drums on "
             "stage. A fill hangs {box_m:g} m ({box_ft:.0f} ft) from them, {temperature_c:g} C, no "
             "margin, no latency. Which delay do you set on the fill's output?",
        numbers={"hold_ms": (8, 10, 12), "box_m": (20, 24, 28), "temperature_c": (18, 22, 26)},
        answer=_held,
        code="{hold_ms:g} + fill_delay_ms({box_m:g}, Air({temperature_c:g}))",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "The fill waits for the mains. When do the mains speak?",
            "First the way from main to fill, as a time. Then the hold-back.",
            "Whatever the mains wait, every fill waits as well.",
        ),
        slips=(
            Slip("You forgot the hold-back: the mains speak later, and so must the fill.",
                 lambda box_m, temperature_c, **_: _held(box_m, 0.0, temperature_c)),
            Slip("You took the hold-back off. The fill inherits it: add it.",
                 lambda box_m, hold_ms, temperature_c: _held(box_m, -hold_ms, temperature_c)),
        ),
        solution="{box_m:g} m over the speed of sound, and the hold-back of {hold_ms:g} ms on top, "
                 "make {answer} ms.",
    ),
    Exercise(
        id="10-c",
        text="Somebody dialled {delay_ms:g} ms on a fill. A seat is {main_m:g} m "
             "({main_ft:.0f} ft) from the main and {fill_m:g} m ({fill_ft:.0f} ft) from the fill, "
             "{temperature_c:g} C. What is the gap there (fill after main; below zero: before)?",
        numbers={"delay_ms": (60, 70, 90), "main_m": (34, 37), "fill_m": (8, 11),
                 "temperature_c": (16, 20, 25)},
        answer=_dialled_gap,
        code="gap_ms({main_m:g}, {fill_m:g}, {delay_ms:g}, Air({temperature_c:g}))",
        unit="ms", tolerance=0.6, decimals=1,
        hints=(
            "When does each of the two arrive at the seat?",
            "The fill arrives after its delay and its way; the main after its way.",
            "Delay, plus the fill's way as a time, less the main's way as a time.",
        ),
        slips=(
            Slip("The sign is turned round: the gap is the fill's arrival less the main's.",
                 lambda **n: -_dialled_gap(**n)),
            Slip("You forgot the fill's own way to the seat.",
                 lambda **n: _dialled_gap(**{**n, "fill_m": 0.0})),
        ),
        solution="Fill: {delay_ms:g} ms and {fill_m:g} m over the speed of sound. Main: "
                 "{main_m:g} m over the speed of sound. The difference is {answer} ms.",
    ),
)

PREDICTIONS = (
    Prediction(
        id="10-a",
        text="Ring one stands 45 m (148 ft) from the mains, ring two 85 m (279 ft), both on the "
             "mains' feed. 20 C. What delay does ring two get, box to box?",
        unit="ms", truth=lambda: _ring(85.0, 0.0, 20.0), decimals=0, tolerance=5.0,
        meaning="Every ring is timed to the mains, not to the ring before it: the cable brings "
                "both the signal at the same moment.",
        slips=(Slip("That is the way from ring one: rings are not chained.",
                    lambda: _ring(40.0, 0.0, 20.0)),),
    ),
    Prediction(
        id="10-b",
        text="A fill 26 m (85 ft) from the main. The laser is 3 cm (1.2 inches) off, the "
             "thermometer 1.5 C, and nobody measured the processor, which needs 2 ms. How many ms "
             "is the largest of the three errors?",
        unit="ms",
        truth=lambda: max(
            _ring(26.03, 0.0, 20.0) - _ring(26.0, 0.0, 20.0),
            _ring(26.0, 0.0, 18.5) - _ring(26.0, 0.0, 20.0),
            2.0,
        ),
        decimals=1, tolerance=0.3,
        meaning="The unknown latency, more than twenty times the laser's share. Do not polish the "
                "wrong error: measure the path through the devices first.",
        slips=(Slip("That is about the thermometer's share; a larger one hides in the rack.",
                    lambda: float(np.round(_ring(26.0, 0.0, 18.5) - _ring(26.0, 0.0, 20.0), 1))),),
    ),
)
