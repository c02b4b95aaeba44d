"""Lesson 10: from a room of one's own to its set-up sheet."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.air import Air
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.live import LiveFigure
from fillalign.classroom.predictions import Prediction
from fillalign.classroom.widgets import Slider
from fillalign.planning import FillPlan, evaluate, plan_fills
from fillalign.propagation import fill_delay_ms, gap_ms
from fillalign.venue import (
    Area,
    Goals,
    Loudspeaker,
    Output,
    OutputSettings,
    Room,
    Source,
    State,
    Venue,
)

_HEIGHT_M, _WIDTH_M, _HANG_M = 7.0, 18.0, 4.5
_FILL_REACH_M = 9.0


def own_room(
    *, length_m: float = 38.0, rt60_s: float = 1.4, fill_at_m: float = 22.0,
    temperature_c: float = 21.0, margin_ms: float = 5.0,
) -> Venue:
    """Return a hall like many: two mains, two fills on one output, rows from 4 m on.

    Examples
    --------
    >>> own_room(length_m=30).room.x_to_m
    30.0
    """
    air = Air(temperature_c, 45.0)
    # Rooms keep their lows longer and lose their highs sooner than their mids.
    shape = {63: 1.35, 125: 1.3, 250: 1.1, 500: 1.0, 1000: 1.0, 2000: 0.9, 4000: 0.75,
             8000: 0.5, 16000: 0.4}
    decay = {octave: rt60_s * shape[octave] for octave in OCTAVES_NOMINAL}
    last = length_m - 2.0
    sides = (-5.0, 5.0)
    return Venue(
        name="A Room of My Own",
        programme="speech",
        states={name: State(name, air, rt60_s=decay) for name in ("check", "show")},
        loudspeakers={
            "main box": Loudspeaker("main box", (90, 50), 120.0, level_dba=94.0, low_limit_hz=60.0),
            "fill box": Loudspeaker("fill box", (90, 60), 112.0, level_dba=92.0, low_limit_hz=80.0),
        },
        outputs={
            "Mains": Output("Mains", "mono", "console, output 1", latency_ms=2.0),
            "Fills": Output("Fills", "mono", "console, output 2", latency_ms=2.0),
        },
        sources=(
            *(Source(f"Main {side}", "main", "Mains", "main box", (0.0, y, _HANG_M),
                     (12.0, y / 2, 1.2)) for side, y in zip(("right", "left"), sides, strict=True)),
            *(Source(f"Fill {side}", "fill", "Fills", "fill box", (fill_at_m, y, _HANG_M),
                     (min(fill_at_m + _FILL_REACH_M, last), y / 2, 1.2), kind="delay",
                     covers=("back",))
              for side, y in zip(("right", "left"), sides, strict=True)),
        ),
        areas=(
            Area("front", 4.0, fill_at_m, -8.0, 8.0, row_spacing_m=1.5, seat_spacing_m=2.0),
            Area("back", min(fill_at_m + 1.5, last), last, -8.0, 8.0, row_spacing_m=1.5,
                 seat_spacing_m=2.0),
        ),
        goals=Goals(image_margin_ms=margin_ms),
        room=Room(-3.0, float(length_m), _WIDTH_M, _HEIGHT_M,
                  (length_m + 3.0) * _WIDTH_M * _HEIGHT_M),
        stage_microphone_m=(-1.5, 0.0, 1.5),
    )


def _in_words(plan: FillPlan) -> str:
    own = plan.settings["Fills"]
    if not plan.fills[0].sounding:
        return "No fill is needed here: the back rows lie within the profile with the mains alone."
    cut = "no low cut" if own.low_cut_hz is None else f"low cut {own.low_cut_hz:.0f} Hz"
    lines = [
        f"Fills: delay {own.delay_ms:.1f} ms, trim {own.trim_db:+.1f} dB, {cut}.",
        f"The mains may come down by {plan.back_gain_db:.1f} dB for the same level at the back.",
    ]
    more = f" (And {len(plan.unmet) - 1} more.)" if len(plan.unmet) > 1 else ""
    lines.append(f"Not met: {plan.unmet[0]}{more}" if plan.unmet else "Every target is met.")
    return "\n".join(lines)


def room_figure() -> LiveFigure:
    """Plan a hall while its size, decay and fills move (lesson 10).

    Examples
    --------
    >>> live = room_figure()
    >>> live.text.splitlines()[0].startswith("Fills: delay")
    True
    """

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(0, 60), ylim=(62, 82), xlabel="Distance from the mains (m)",
               ylabel="Useful level in the row (dBA)")
        before = ax.plot([], [], label="mains alone", **LINES[3])[0]
        after = ax.plot([], [], label="with the fills", **LINES[0])[0]
        profile = ax.plot([], [], label="profile", **LINES[2])[0]
        place = ax.plot([], [], "v", color=LINES[1]["color"], label="fills")[0]
        key_above(ax)
        return {"before": before, "after": after, "profile": profile, "place": place}

    def update(artists: dict[str, Any], *, length_m: float, rt60_s: float, fill_at_m: float,
               margin_ms: float) -> str:
        depth = min(fill_at_m, length_m - 6.0)
        plan = plan_fills(own_room(length_m=length_m, rt60_s=rt60_s, fill_at_m=depth,
                                   margin_ms=margin_ms))
        walk = plan.walk
        artists["before"].set_data(walk.x_m, walk.heard_before_dba)
        artists["after"].set_data(walk.x_m, walk.heard_after_dba)
        artists["profile"].set_data(walk.x_m, walk.profile_dba)
        artists["place"].set_data([depth], [81.0])
        return _in_words(plan)

    return LiveFigure(
        "A room of your own",
        "Give it the size of a room you know. Where must the fills hang so that every target is "
        "met, and how long must the room be before it needs any?",
        [
            Slider("length_m", "Length of the room", 14, 60, 38, unit="m"),
            Slider("rt60_s", "Reverberation time", 0.5, 3.0, 1.4, step=0.1, unit="s"),
            Slider("fill_at_m", "Fills hang at", 8, 50, 22, unit="m"),
            Slider("margin_ms", "Image margin", 0, 15, 5, step=1, unit="ms"),
        ],
        draw, update,
        description="Level row by row from the stage to the back, with and without the fills, and "
                    "the profile that it should keep to.",
        continuous=False,
    )


def dialled(plan: FillPlan, delay_ms: float, trim_db: float) -> FillPlan:
    """Return what the seats get when the fills are dialled so (lesson 10).

    Examples
    --------
    >>> plan = plan_fills(own_room())
    >>> dialled(plan, 78.0, -6.0).settings["Fills"].delay_ms
    78.0
    """
    settings: Mapping[str, OutputSettings] = {
        **plan.settings, "Fills": OutputSettings(delay_ms=delay_ms, trim_db=trim_db),
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
