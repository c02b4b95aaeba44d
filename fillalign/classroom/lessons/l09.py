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
    exponential_sweep,
    impulse_response,
    measure_gap,
    read_wav,
    take_turns,
    write_wav,
)
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.own_take import TakeForm
from fillalign.classroom.venues import data_path, demo_plan
from fillalign.classroom.widgets import Slider
from fillalign.propagation import gap_ms, seat_delay_ms

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
    'As set, the fill arrives 7.2 ms after the mains.'
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
        how = f"With {change_ms:+.1f} ms on it" if change_ms else "As set"
        return (
            f"{how}, the fill arrives {gap:.1f} ms after the mains.\n"
            + ("That is what the plan wants." if right else
               f"The plan wants it {'earlier' if off > 0 else 'later'}.")
        )

    return LiveFigure(
        "The sample measurement",
        "By how much must the fill's delay change until its arrival stands on the dashed line? "
        "Which of the wiggles belong to the hall?",
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
