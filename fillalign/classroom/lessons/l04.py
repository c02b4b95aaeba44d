"""Lesson 04: what two arrivals do to the tone, and why an equaliser cannot mend it."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fillalign.absorption import THIRDS_HZ, band_edges_hz
from fillalign.classroom.figures import GREY, LINES, key_above
from fillalign.classroom.lessons.scales import frequency_axis
from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.players import FloatArray
from fillalign.classroom.venues import demo_plan
from fillalign.classroom.widgets import Slider, Switch
from fillalign.interference import (
    comb_dip_db,
    comb_peak_db,
    interference_power,
    notch_frequencies_hz,
    two_arrival_response,
)
from fillalign.levels import amplitude_to_db, db_to_amplitude, power_to_db
from fillalign.propagation import distance_m, gap_ms

_JUDGED = (THIRDS_HZ > 450) & (THIRDS_HZ < 9000)
_FLOOR_DB = -30.0
# Frequency, in repetitions, above which a tooth of the comb is less than seven dots wide.
_CLEAREST = 18.0
_EAR_M = 1.2
_ROW_M = 34.0
_MOST_LIFT_DB = 12.0
_PITCH_MS = (1.0, 15.0)
"""Gaps at which noise and its repetition have a pitch of 1/gap (Bilsen 1966; from memory)."""


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


def _comb_db(frequency_hz: FloatArray, delay_ms: float, level_db: float) -> FloatArray:
    response = np.abs(two_arrival_response(frequency_hz, delay_ms, level_db))
    return np.asarray(np.maximum(amplitude_to_db(np.maximum(response, 1e-9)), _FLOOR_DB))


def comb_figure() -> LiveFigure:
    """Comb of two arrivals, exact and by third octaves (lesson 04).

    Examples
    --------
    >>> live = comb_figure()
    >>> live.controls["delay_ms"].value = 10.0
    >>> live.text.splitlines()[0]
    'First notch at 50 Hz, then one every 100 Hz; a faint pitch of 100 Hz.'
    """
    grid = np.geomspace(100, 10000, 4000)
    band_hz = np.array([100.0, 100.0, 10000.0, 10000.0])
    shown = (THIRDS_HZ > 99) & (THIRDS_HZ < 10100)
    low, high = (edge[shown] for edge in band_edges_hz(THIRDS_HZ))

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        frequency_axis(ax, 90, 11000)
        ax.set(ylim=(_FLOOR_DB, 8), ylabel="Level against first arrival (dB)")
        comb = ax.plot(grid, 0 * grid, color=GREY, linewidth=0.8, label="in full detail")
        dense = ax.fill(band_hz, 0 * band_hz, color=GREY, alpha=0.35, linewidth=0, zorder=1.5,
                        label="too fine to draw")[0]
        thirds = ax.plot(THIRDS_HZ[shown], THIRDS_HZ[shown] * 0, marker="o", **LINES[0],
                         label="by third octaves")
        key_above(ax)
        return {"comb": comb[0], "dense": dense, "thirds": thirds[0]}

    def update(artists: dict[str, Any], *, delay_ms: float, level_db: float) -> str:
        # Where teeth would be narrower than a few dots, a line would show what is not there.
        clear_hz = min(_CLEAREST * 1000 / delay_ms, 10000.0)
        level = _comb_db(grid, delay_ms, level_db)
        artists["comb"].set_ydata(np.where(grid <= clear_hz, level, np.nan))
        ends = float(comb_peak_db(level_db)), max(float(comb_dip_db(level_db)), _FLOOR_DB)
        artists["dense"].set_xy(np.column_stack([
            np.maximum(band_hz, clear_hz), [ends[0], ends[1], ends[1], ends[0]]]))
        power = [[1.0], [float(db_to_amplitude(level_db)) ** 2]]
        time = np.array([[0.0], [delay_ms / 1000]])
        bands = interference_power(power * np.ones(low.size), time, low, high)
        artists["thirds"].set_ydata(power_to_db(np.maximum(bands, 1e-3)))
        first = float(notch_frequencies_hz(delay_ms, 1)[0])
        return (f"First notch at {first:.0f} Hz, then one every {2 * first:.0f} Hz"
                f"{_pitch_text(delay_ms)}.\n{_range_text(level_db)} By third octaves from 500 Hz "
                f"to 8 kHz the levels spread over {thirds_spread_db(delay_ms, level_db):.1f} dB.")

    return LiveFigure(
        "Two arrivals, one ear",
        "Go from 1 ms to 10 ms. The notches become many more: does the line with points get "
        "rougher or smoother? Then go back to 1 ms and lower the second arrival: how far down "
        "until the notches no longer trouble you?",
        [
            Slider("delay_ms", "Second arrival later by", 0.2, 15, 5, step=0.1, unit="ms"),
            Slider("level_db", "Second arrival against first", -24, 0, 0, step=0.5, unit="dB"),
        ],
        draw, update,
        description="Level against frequency: a fine line with many notches, and over it a line "
                    "with one point for each third octave.",
        size_in=(8, 4),
    )


def _pitch_text(delay_ms: float) -> str:
    """Say which faint pitch a repetition has, where it has one."""
    low, high = _PITCH_MS
    if not low <= delay_ms <= high:
        return ""
    return f"; a faint pitch of {1000 / delay_ms:.0f} Hz"


def _range_text(level_db: float) -> str:
    peak, dip = float(comb_peak_db(level_db)), float(comb_dip_db(level_db))
    if not np.isfinite(dip):
        return f"Peaks {peak:+.1f} dB, notches down to nothing."
    return f"Peaks {peak:+.1f} dB, notches {dip:+.1f} dB: {peak - dip:.1f} dB between them."


def _gap_at(y_m: float) -> float:
    """Gap in ms between one main and one fill at a seat of a row of Tidewell Hall."""
    plan = demo_plan("tidewell_hall")
    main, fill = (next(s for s in plan.venue.sources if s.name == name)
                  for name in ("Main left", "Fill 2"))
    seat = [_ROW_M, y_m, _EAR_M]
    latency = {s.name: plan.venue.outputs[s.output].latency_ms for s in (main, fill)}
    return float(gap_ms(
        distance_m(main.position_m, seat), distance_m(fill.position_m, seat),
        plan.settings[fill.output].delay_ms, plan.air,
        main_latency_ms=latency[main.name], fill_latency_ms=latency[fill.name],
    ))


def seats_figure() -> LiveFigure:
    """Combs at a seat and at its neighbour, and an equaliser set for one of them (lesson 04).

    Examples
    --------
    >>> live = seats_figure()
    >>> live.controls["equaliser_on"].value = True
    >>> live.text.splitlines()[1]
    'Your seat: 0.0 dB between highest and lowest. Neighbour: 30.6 dB.'
    """
    grid = np.geomspace(300, 4000, 3000)

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        frequency_axis(ax, 300, 4000)
        ax.set(ylim=(-26, 20), ylabel="Level against main alone (dB)")
        ax.axhline(0, color=GREY, linewidth=0.8)
        yours = ax.plot(grid, 0 * grid, label="your seat", **LINES[0])
        next_one = ax.plot(grid, 0 * grid, label="the neighbour's", **LINES[1])
        key_above(ax)
        return {"yours": yours[0], "next": next_one[0]}

    def update(artists: dict[str, Any], *, y_m: float, apart_m: float, level_db: float,
               equaliser_on: bool) -> str:
        gaps = _gap_at(y_m), _gap_at(y_m + apart_m)
        yours, other = (_comb_db(grid, gap, level_db) for gap in gaps)
        lift = np.clip(-yours, -_MOST_LIFT_DB, _MOST_LIFT_DB) if equaliser_on else 0 * grid
        artists["yours"].set_ydata(yours + lift)
        artists["next"].set_ydata(other + lift)
        spread = [float(np.ptp(line + lift)) for line in (yours, other)]
        return (f"Gap at your seat {gaps[0]:.1f} ms, {apart_m:g} m on {gaps[1]:.1f} ms.\n"
                f"Your seat: {spread[0]:.1f} dB between highest and lowest. "
                f"Neighbour: {spread[1]:.1f} dB.")

    return LiveFigure(
        "An equaliser set for one chair",
        "Put the equaliser on: it lifts every notch at your seat and lowers every peak, by up to "
        "12 dB, for everybody. What does the neighbour get for it?",
        [
            Slider("y_m", "Your seat off the middle by", 0, 8, 5, step=0.5, unit="m"),
            Slider("apart_m", "Neighbour further out by", 0.1, 1, 0.5, step=0.1, unit="m"),
            Slider("level_db", "Fill against main", -12, -1, -3, step=1, unit="dB"),
            Switch("equaliser_on", "Equaliser set for your seat", False),
        ],
        draw, update,
        description="Two lines of level against frequency, each with notches; those of the "
                    "neighbour lie elsewhere.",
        size_in=(8, 4),
    )
