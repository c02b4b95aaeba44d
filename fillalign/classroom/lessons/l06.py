"""Lesson 06: why the lows stay with the mains, and what a low cut does."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ, THIRDS_NOMINAL
from fillalign.classroom.figures import GREY, LINES, key_above
from fillalign.classroom.lessons.hall import (
    REFERENCE_M,
    fills,
    hall,
    rows_octaves_db,
    seats_with,
    with_fills,
)
from fillalign.classroom.lessons.scales import frequency_axis
from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.players import FloatArray
from fillalign.classroom.widgets import Choice, Slider, Switch
from fillalign.field import seat_field
from fillalign.filters import low_cut_group_delay_ms, low_cut_response
from fillalign.levels import amplitude_to_db, power_sum_db
from fillalign.planning import LOW_CUT_LOSS_DB
from fillalign.venue import OutputSettings

_OCTAVES = (125, 500, 2000, 8000)
_CORNERS = ("none", "80 Hz", "100 Hz", "120 Hz", "150 Hz", "180 Hz", "200 Hz", "250 Hz")
_PLANNED = "Butterworth, order 4"
_AS_PLANNED = "as planned"
LOW_CUT_KINDS: Mapping[str, tuple[Any, int]] = {
    _PLANNED: ("butterworth", 4),
    "Linkwitz-Riley, order 4": ("linkwitz-riley", 4),
    "Butterworth, order 2": ("butterworth", 2),
    "Linkwitz-Riley, order 2": ("linkwitz-riley", 2),
}
"""Kind and order of a low cut by the name shown."""
_LOWS = (THIRDS_HZ > 60) & (THIRDS_HZ < 1100)
_FLOOR_DB = -30.0


def _corner(name: str) -> float | None:
    return None if name == "none" else float(name.removesuffix(" Hz"))


def _level_db(response: Any) -> FloatArray:
    return np.asarray(amplitude_to_db(np.maximum(np.abs(response), 1e-9)))


def with_low_cut(
    corner_hz: float | None, name: str, **changes: Any
) -> dict[str, OutputSettings]:
    """Return the plan's settings with another low cut, or none, on the fills (lesson 06).

    Examples
    --------
    >>> with_low_cut(None, "Butterworth, order 4")["Fill inner"].low_cut_hz is None
    True
    """
    kind, order = LOW_CUT_KINDS[name]
    return with_fills(low_cut_hz=corner_hz, low_cut_order=order, low_cut_kind=kind, **changes)


@cache
def area_db(corner_hz: float | None, name: str, trim_db: float) -> FloatArray:
    """Return the mean total level of the fills' area by third octave, (27,) (lesson 06).

    Examples
    --------
    >>> full, cut = (area_db(corner, "Butterworth, order 4", 0.0) for corner in (None, 250.0))
    >>> bool((full - cut)[1:13].max() > 3)
    True
    """
    plan, settings = hall(), with_low_cut(corner_hz, name, trim_db=trim_db)
    areas = next(fill.areas for fill in plan.fills if fill.output == fills()[0])
    own = [area.name in areas for area in plan.venue.areas for _ in area.seats_m()]
    return np.asarray(power_sum_db(seats_with(settings).total_db[own], axis=0,
                                   weights=1 / sum(own)))


@cache
def stage_db(corner_hz: float | None, name: str) -> FloatArray:
    """Return what the fills alone bring at the stage microphone, by third octave, (27,).

    Of lesson 06.

    Examples
    --------
    >>> saved = stage_db(None, "Butterworth, order 4") - stage_db(250.0, "Butterworth, order 4")
    >>> bool(saved[4] > 15)
    True
    """
    venue = hall().venue
    field = seat_field(venue, with_low_cut(corner_hz, name), sounding=fills(),
                       seats_m=[venue.stage_microphone_m])
    return np.asarray(field.total_db[0])


def fall_db(octave: int) -> float:
    """Return how far an octave falls from row 13 to the last row, mains alone.

    Examples
    --------
    >>> round(fall_db(125), 1), round(fall_db(8000), 1)
    (2.3, 8.7)
    """
    return -float(rows_octaves_db(False)[-1, OCTAVES_NOMINAL.index(octave)])


def bands_figure() -> LiveFigure:
    """Level of four octaves from the front to the back (lesson 06).

    Examples
    --------
    >>> bands_figure().text
    'Row 20 against row 13: 125 Hz -0.7 dB, 500 Hz -1.5 dB, 2 kHz -1.8 dB, 8 kHz -2.6 dB.'
    """
    x_m = hall().walk.x_m
    columns = [OCTAVES_NOMINAL.index(octave) for octave in _OCTAVES]
    names = [f"{o / 1000:g} kHz" if o >= 1000 else f"{o} Hz" for o in _OCTAVES]

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(3, 40), ylim=(-10.5, 4), xlabel="Row, distance from the stage (m)",
               ylabel="Level against row 13 (dB)")
        mark = ax.axvline(39, color=GREY)
        lines = [ax.plot(x_m, x_m, label=name, **style)[0]
                 for name, style in zip(names, LINES, strict=True)]
        key_above(ax)
        return {"mark": mark, "lines": lines}

    def update(artists: dict[str, Any], *, row_m: float, fills_on: bool) -> str:
        levels = rows_octaves_db(fills_on)[:, columns]
        for line, values in zip(artists["lines"], levels.T, strict=True):
            line.set_ydata(values)
        artists["mark"].set_xdata([row_m, row_m])
        here = levels[np.argmin(np.abs(x_m - row_m))]
        said = ", ".join(f"{n} {v + 0.0:+.1f} dB" for n, v in zip(names, here.round(1),
                                                                 strict=True))
        return f"Row {row_m:g} against row {REFERENCE_M:g}: {said}."

    return LiveFigure(
        "What is left at the back, band by band",
        "With the mains alone: which octave is missing most in the last row, and which hardly? "
        "Switch the fills on: which octaves do they bring, which not?",
        [
            Slider("row_m", "Row to read", 4, 39, 20, step=1, unit="m"),
            Switch("fills_on", "Fills on", False),
        ],
        draw, update,
        description="Four lines of level against distance. The higher the octave, the more it "
                    "falls.",
        size_in=(8, 4),
    )


def low_cut_figure() -> LiveFigure:
    """Cost of a low cut in the rows, and what it keeps off the stage (lesson 06).

    Examples
    --------
    >>> live = low_cut_figure()
    >>> live.controls["trim"].value = "0 dB"
    >>> live.text.splitlines()[0]
    'In the rows of the fills at most 3.5 dB are lost, at 200 Hz.'
    """
    shown, nominal = THIRDS_HZ[_LOWS], np.array(THIRDS_NOMINAL)[_LOWS]

    def draw(figure: Figure) -> dict[str, Any]:
        left, right = figure.subplots(1, 2)
        for ax in (left, right):
            frequency_axis(ax, 56, 1120)
        left.set(ylim=(-0.5, 4.5), ylabel="Lost in the rows (dB)")
        left.axhline(LOW_CUT_LOSS_DB, label="most allowed", **LINES[2])
        loss = left.plot(shown, 0 * shown, marker="o", label="lost", **LINES[0])
        key_above(left)
        right.set(ylim=(10, 75), ylabel="Fills at the stage (dB)")
        bare = right.plot(shown, shown, label="no low cut", **LINES[1])
        stage = right.plot(shown, shown, marker="o", label="with it", **LINES[0])
        key_above(right)
        return {"loss": loss[0], "stage": stage[0], "bare": bare[0]}

    def update(artists: dict[str, Any], *, corner: str, kind: str, trim: str) -> str:
        corner_hz, planned = _corner(corner), hall().settings["Fill inner"].trim_db
        trim_db = planned if trim == _AS_PLANNED else float(trim.removesuffix(" dB"))
        loss = (area_db(None, kind, trim_db) - area_db(corner_hz, kind, trim_db))[_LOWS]
        stage, bare = (stage_db(hz, kind) + trim_db - planned for hz in (corner_hz, None))
        artists["loss"].set_ydata(loss)
        artists["bare"].set_ydata(bare[_LOWS])
        artists["stage"].set_ydata(np.maximum(stage[_LOWS], 10))
        worst = int(loss.argmax())
        text = (f"In the rows of the fills at most {loss[worst]:.1f} dB are lost, at "
                f"{nominal[worst]:g} Hz." if corner_hz else "No low cut: nothing is lost.")
        octave = slice(3, 6)
        return (f"{text}\nAt the stage the fills bring {power_sum_db(stage[octave]):.0f} dB in "
                f"the 125 Hz octave (without low cut {power_sum_db(bare[octave]):.0f} dB).")

    return LiveFigure(
        "Choosing the low cut",
        "With the trim at 0 dB: which is the highest corner that loses at most 1 dB in any third "
        "octave? And with the planned trim? What does the stage gain by it? Does a steeper filter "
        "(a higher order) always cost more?",
        [Choice("corner", "Low cut of the fills", _CORNERS[::-1]),
         Choice("trim", "Trim of the fills", ("0 dB", "-3 dB", _AS_PLANNED)),
         Choice("kind", "Kind", tuple(LOW_CUT_KINDS))],
        draw, update,
        description="Left, the loss in each third octave with a limit of 1 dB. Right, the level "
                    "of the fills at the stage, with and without the low cut.",
        size_in=(8, 3.2), continuous=False,
    )


def filter_figure() -> LiveFigure:
    """Level and extra delay of a low cut (lesson 06).

    Examples
    --------
    >>> filter_figure().text
    'At 200 Hz: -0.4 dB and 2.2 ms later. At 1 kHz: 0.00 dB and 0.06 ms later.'
    """
    grid = np.geomspace(40, 2000, 400)

    def draw(figure: Figure) -> dict[str, Any]:
        left, right = figure.subplots(1, 2)
        for ax in (left, right):
            frequency_axis(ax, 40, 2000)
        left.set(ylim=(_FLOOR_DB, 3), ylabel="Level (dB)")
        right.set(ylim=(0, 10), ylabel="Extra delay (ms)")
        level = left.plot(grid, 0 * grid, **LINES[0])
        delay = right.plot(grid, 0 * grid, **LINES[0])
        marks = [ax.axvline(200, color=GREY) for ax in (left, right)]
        return {"level": level[0], "delay": delay[0], "marks": marks}

    def update(artists: dict[str, Any], *, corner_hz: float, read_hz: float, kind: str) -> str:
        name, order = LOW_CUT_KINDS[kind]

        def level(frequency_hz: Any) -> FloatArray:
            return _level_db(low_cut_response(frequency_hz, corner_hz, order=order, kind=name))

        def delay(frequency_hz: Any) -> Any:
            return low_cut_group_delay_ms(frequency_hz, corner_hz, order=order, kind=name)

        artists["level"].set_ydata(level(grid))
        artists["delay"].set_ydata(delay(grid))
        for mark in artists["marks"]:
            mark.set_xdata([read_hz, read_hz])
        here, high = level(read_hz).round(1) + 0.0, level(1000.0).round(2) + 0.0
        return (f"At {read_hz:g} Hz: {here:.1f} dB and {delay(read_hz):.1f} ms later. "
                f"At 1 kHz: {high:.2f} dB and {delay(1000.0):.2f} ms later.")

    return LiveFigure(
        "What a low cut does to time",
        "Where is the extra delay longest? What happens to it when the corner goes down to 80 Hz, "
        "and what with order 2?",
        [
            Slider("corner_hz", "Corner", 80, 250, 150, step=10, unit="Hz"),
            Slider("read_hz", "Read at", 40, 1000, 200, step=10, unit="Hz"),
            Choice("kind", "Kind", tuple(LOW_CUT_KINDS)),
        ],
        draw, update,
        description="Left, level against frequency, falling steeply below the corner. Right, the "
                    "extra delay, which is longest near the corner and almost nothing far above.",
        size_in=(8, 3.6),
    )
