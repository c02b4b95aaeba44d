"""Lesson 09: does the room agree with the plan? Ask a recording."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fillalign.air import Air
from fillalign.audio import (
    GapReading,
    Recording,
    correction_ms,
    exponential_sweep,
    impulse_response,
    measure_gap,
    read_wav,
    take_turns,
    write_wav,
)
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.live import LiveFigure
from fillalign.classroom.own_take import TakeForm
from fillalign.classroom.predictions import Prediction
from fillalign.classroom.venues import data_path, demo_plan
from fillalign.classroom.widgets import Slider
from fillalign.propagation import gap_ms, seat_delay_ms
from fillalign.units import ms_to_samples, samples_to_ms

RATE_HZ = 48000
SAMPLE_SPACING_S = 1.35
OWN_SPACING_S = 6.0
SAMPLE_SEAT_M = (30.0, 3.0)
_SAMPLE_FILL = "Fill inner"
_BOX_M, _AIR = 26.0, Air(20.0)


def sample_sweep() -> Any:
    """Return the sweep that was played in the sample measurement.

    Examples
    --------
    >>> sample_sweep().size
    33600
    """
    return exponential_sweep(seconds=0.7, low_hz=60.0, high_hz=20000.0, sample_rate_hz=RATE_HZ)


def sample_take() -> Recording:
    """Return the sample measurement: mains, inner fills, mains again, at one seat.

    Examples
    --------
    >>> sample_take().sample_rate_hz
    48000
    """
    return read_wav(data_path("tidewell_measurement.wav"))


@lru_cache(maxsize=1)
def sample_reading() -> GapReading:
    """Return what the library reads from the sample measurement.

    Examples
    --------
    >>> round(sample_reading().gap_ms, 1)
    7.2
    """
    return measure_gap(sample_take(), sample_sweep(), RATE_HZ, spacing_s=SAMPLE_SPACING_S)


def planned_gap_ms() -> float:
    """Return the gap that the plan of Tidewell Hall gives for the seat of the sample.

    Examples
    --------
    >>> 3 < planned_gap_ms() < 6
    True
    """
    seats = demo_plan("tidewell_hall").seats()
    x, y = SAMPLE_SEAT_M
    here = seats[(seats.x_m == x) & (seats.y_m == y) & (seats.fill == _SAMPLE_FILL)]
    return float(here.gap_ms.iloc[0])


def write_own_signals(folder: str) -> list[str]:
    """Write the sweep in turns (mains, fill, mains) to play at a venue; return the file's name.

    Examples
    --------
    >>> import tempfile
    >>> write_own_signals(tempfile.mkdtemp())
    ['sweep_turns.wav']
    """
    place = Path(folder)
    place.mkdir(exist_ok=True)
    turns = take_turns(exponential_sweep(sample_rate_hz=RATE_HZ), spacing_s=OWN_SPACING_S,
                       sample_rate_hz=RATE_HZ)
    write_wav(place / "sweep_turns.wav", turns, RATE_HZ, overwrite=True)
    return ["sweep_turns.wav"]


def own_take() -> TakeForm:
    """Return a form that reads a take of what `write_own_signals` made (lesson 09).

    Examples
    --------
    >>> form = own_take()
    >>> form.opened("take.txt", b"no sound")
    >>> form.text.startswith("This file cannot be used: take.txt: ")
    True
    """
    def read(take: Recording, planned_ms: float) -> GapReading:
        sweep = exponential_sweep(sample_rate_hz=RATE_HZ)
        return measure_gap(take, sweep, RATE_HZ, spacing_s=OWN_SPACING_S,
                           planned_gap_ms=planned_ms)

    return TakeForm(read)


@lru_cache(maxsize=1)
def _traces() -> tuple[Any, Any, Any]:
    """Time in ms from the mains' arrival, and the level of mains and fill in dB."""
    response = impulse_response(sample_take().samples[:, 0], sample_sweep(), RATE_HZ)
    step = round(SAMPLE_SPACING_S * RATE_HZ)
    start = int(np.argmax(np.abs(response[:step]))) - round(0.010 * RATE_HZ)
    count = round(0.060 * RATE_HZ)
    levels = []
    for turn in (0, 1):
        piece = response[start + turn * step : start + turn * step + count]
        smooth = np.sqrt(np.convolve(piece**2, np.hanning(25), mode="same"))
        levels.append(20 * np.log10(np.maximum(smooth / smooth.max(), 1e-3)))
    return 1000 * np.arange(count) / RATE_HZ - 10.0, levels[0], levels[1]


def take_figure() -> LiveFigure:
    """Show the two arrivals of the sample measurement and let the fill be moved (lesson 09).

    Examples
    --------
    >>> take_figure().text.splitlines()[0]
    'With +0.0 ms on the fill its arrival lies 7.2 ms after the mains.'
    """
    time, mains, fill = _traces()
    read, planned = float(sample_reading().gap_ms or np.nan), planned_gap_ms()

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(-8, 40), ylim=(-45, 2), xlabel="Time after the mains' arrival (ms)",
               ylabel="Level (dB, own maximum 0)")
        ax.plot(time, mains, label="mains, first turn", color=LINES[3]["color"], linewidth=1.0)
        moved = ax.plot(time, fill, label="fill, second turn", **LINES[0])[0]
        ax.axvline(planned, label="planned arrival of the fill", **LINES[1])
        key_above(ax)
        return {"fill": moved}

    def update(artists: dict[str, Any], *, change_ms: float) -> str:
        artists["fill"].set_xdata(time + change_ms)
        gap = read + change_ms
        off = gap - planned
        right = abs(off) < 0.15
        return (
            f"With {change_ms:+.1f} ms on the fill its arrival lies {gap:.1f} ms after the mains.\n"
            + ("That is what the plan wants." if right else
               f"The plan wants it {'earlier' if off > 0 else 'later'}.")
        )

    return LiveFigure(
        "The sample measurement",
        "By how much must the delay of the fill change so that its arrival stands where it was "
        "planned? Which of the wiggles after it belong to the hall?",
        [Slider("change_ms", "Change of the delay", -10, 10, 0, step=0.1, unit="ms")],
        draw, update,
        description="Two curves with a sharp rise each and a slow, rough fall; the fill's rise "
                    "lies to the right of the planned line.",
    )


def place_figure() -> LiveFigure:
    """Show how the gap changes when the microphone moves along the line (lesson 09).

    Examples
    --------
    >>> live = place_figure()
    >>> live.controls["mic_m"].value = 40.0
    >>> live.text
    'At 40.0 m (131 ft) the gap is 5.0 ms.'
    """
    places = np.linspace(4.0, 45.0, 165)
    delay = float(seat_delay_ms(_BOX_M, 0.0, _AIR, margin_ms=5.0))

    def gap(at: Any) -> Any:
        return gap_ms(at, np.abs(at - _BOX_M), delay, _AIR)

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(0, 45), ylim=(-5, 160), xlabel="Microphone from the main (m)",
               ylabel="Gap (ms)")
        ax.plot(places, gap(places), label="on the line", **LINES[0])
        ax.plot([_BOX_M], [5.0], "v", color=LINES[3]["color"], label="fill")
        dot = ax.plot([30.0], [5.0], "o", color=LINES[1]["color"], clip_on=False,
                      label="microphone")[0]
        key_above(ax)
        return {"dot": dot}

    def update(artists: dict[str, Any], *, mic_m: float) -> str:
        here = float(gap(mic_m))
        artists["dot"].set_data([mic_m], [here])
        return f"At {mic_m:.1f} m ({mic_m / 0.3048:.0f} ft) the gap is {here:.1f} ms."

    return LiveFigure(
        "Where the microphone stands",
        "Move the microphone by half a metre, once beyond the fill and once between the boxes. "
        "Where does its place matter, and why?",
        [Slider("mic_m", "Microphone", 4, 45, 30, step=0.5, unit="m")],
        draw, update,
        description="A line that falls steeply up to the fill and runs level behind it.",
    )


def _new_delay(dialled_ms: float, read_ms: float, wanted_ms: float) -> float:
    return dialled_ms + correction_ms(GapReading(gap_ms=read_ms, uncertainty_ms=0.05), wanted_ms)[0]


def _between(step_m: float, temperature_c: float) -> float:
    air = Air(temperature_c)
    near, far = (float(gap_ms(at, 26.0 - at, 80.0, air)) for at in (15.0, 15.0 + step_m))
    return near - far


EXERCISES = (
    Exercise(
        id="09-a",
        text="In a recording at 48 kHz the fill's arrival lies {samples:g} samples after the "
             "main's. What is the gap?",
        numbers={"samples": (240, 312, 408, 552)},
        answer=lambda samples: float(samples_to_ms(samples, RATE_HZ)),
        code="samples_to_ms({samples:g}, 48000)",
        unit="ms", tolerance=0.1, decimals=2,
        hints=(
            "How many samples are there in one millisecond?",
            "48,000 samples a second are 48 a millisecond.",
            "Divide the samples by the samples in a millisecond.",
        ),
        slips=(
            Slip("That holds for 44.1 kHz. This recording runs at 48.",
                 lambda samples: samples_to_ms(samples, 44100)),
        ),
        solution="{samples:g} samples divided by 48 a millisecond are {answer} ms.",
    ),
    Exercise(
        id="09-b",
        text="{dialled_ms:g} ms are dialled on the fill. The recording says: gap {read_ms:g} ms. "
             "The plan wants {wanted_ms:g} ms at this seat. What do you dial?",
        numbers={"dialled_ms": (76, 79.5, 82), "read_ms": (8.5, 9.2, 11), "wanted_ms": (4, 5)},
        answer=_new_delay,
        code="{dialled_ms:g} + correction_ms(GapReading(gap_ms={read_ms:g}, "
             "uncertainty_ms=0.05), {wanted_ms:g})[0]",
        unit="ms", tolerance=0.15, decimals=1,
        hints=(
            "Is the fill too late or too early?",
            "It comes later than planned, so it must wait less.",
            "Take from the delay what the gap has too much.",
        ),
        slips=(
            Slip("You turned the correction round: a fill that is late must wait less.",
                 lambda dialled_ms, read_ms, wanted_ms: dialled_ms + read_ms - wanted_ms),
            Slip("You took the whole gap off. Only what is more than planned goes.",
                 lambda dialled_ms, read_ms, **_: dialled_ms - read_ms),
            Slip("That is the correction alone; what is dialled then?",
                 lambda read_ms, wanted_ms, **_: wanted_ms - read_ms),
        ),
        solution="The fill is too late by {read_ms:g} less {wanted_ms:g} ms, so it waits that much "
                 "less: of {dialled_ms:g} ms {answer} ms remain to be dialled.",
    ),
    Exercise(
        id="09-c",
        text="Between main and fill, on their line, you move the microphone {step_m:g} m "
             "({step_ft:.1f} ft) away from the main, towards the fill. {temperature_c:g} C. By how "
             "much does the gap get smaller?",
        numbers={"step_m": (0.4, 0.5, 0.8, 1.0), "temperature_c": (16, 20, 24)},
        answer=_between,
        code="gap_ms(15, 11, 80, Air({temperature_c:g})) - gap_ms(15 + {step_m:g}, 11 - {step_m:g},"
             " 80, Air({temperature_c:g}))",
        unit="ms", tolerance=0.12, decimals=2,
        hints=(
            "The main's way gets longer. And the fill's?",
            "One way grows by the step, the other shrinks by it.",
            "So the difference of the ways changes by two steps, divided by the speed of sound.",
        ),
        slips=(
            Slip("You counted one way only. Both change.",
                 lambda **n: _between(**n) / 2),
        ),
        solution="Both ways change by {step_m:g} m, in opposite senses. Twice {step_m:g} m, at the "
                 "speed of sound, are {answer} ms.",
    ),
)

PREDICTIONS = (
    Prediction(
        id="09-a",
        text="Somebody presses record 180 ms later than planned, still before the first sound. How "
             "many ms does that put into the gap between main and fill?",
        unit="ms",
        truth=lambda: float(gap_ms(30.0, 4.0, 80.0, _AIR)) - (
            (180.0 + float(gap_ms(30.0, 4.0, 80.0, _AIR))) - 180.0),
        decimals=0, tolerance=0.5,
        meaning="Nothing. A gap is a difference: both arrivals move alike. That is why a phone "
                "without any clock will do.",
        slips=(Slip("That shifts both arrivals alike; their difference stays.", lambda: 180.0),),
    ),
    Prediction(
        id="09-b",
        text="A file recorded at 44.1 kHz is read as if it were 48 kHz. The true gap is 60 ms. "
             "What does the reading say?",
        unit="ms", truth=lambda: float(samples_to_ms(ms_to_samples(60.0, 44100), 48000)),
        decimals=1, tolerance=0.5,
        meaning="Five milliseconds off, and it looks perfectly reasonable. Check the rate of every "
                "file; this library refuses a take that does not fit its signal.",
        slips=(Slip("The samples stay, the time between them does not.", lambda: 60.0),),
    ),
    Prediction(
        id="09-c",
        text="Between main and fill you stand 0.5 m (1.6 ft) too far from the main. By how many ms "
             "is the gap off?",
        unit="ms", truth=lambda: _between(0.5, 20.0), decimals=1, tolerance=0.4,
        meaning="Twice the way, since one path grows and the other shrinks. Beyond the fill, on "
                "the line, both grow alike and the place does not matter at all.",
        slips=(Slip("That counts one path; the other changes as well.",
                    lambda: _between(0.5, 20.0) / 2),),
    ),
)
