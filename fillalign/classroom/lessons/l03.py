"""Lesson 03: how long a fill must wait, and for whom."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from contourpy import contour_generator
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.path import Path
from matplotlib.text import Text

from fillalign.absorption import THIRDS_HZ
from fillalign.classroom.figures import GREY, HUE, INK, LINES, PALE, WARM, key_above
from fillalign.classroom.lessons.hall import fills, hall, with_fills
from fillalign.classroom.lessons.l03_exercises import EXERCISES, HALL, PREDICTIONS
from fillalign.classroom.live import LiveFigure, LivePlayer
from fillalign.classroom.sounds import FloatArray, with_second
from fillalign.classroom.venues import demo_sound
from fillalign.classroom.widgets import Choice, Slider
from fillalign.field import seat_field
from fillalign.levels import weighted_total_db
from fillalign.propagation import distance_m, fill_delay_ms, gap_ms, seat_delay_ms, travel_time_ms
from fillalign.units import ft_to_m

__all__ = [
    "EXERCISES", "PREDICTIONS", "equal_level_figure", "late_map_figure", "slap_player",
    "string_figure",
]

_TOGETHER_MS = 0.05


def _order(gap: float) -> str:
    if abs(gap) < _TOGETHER_MS:
        return "together with the main"
    return f"{abs(gap):.1f} ms {'after' if gap > 0 else 'before'} the main"


def string_figure() -> LiveFigure:
    """Two ways from the main to a seat, straight and by the fill, as strings (lesson 03).

    Examples
    --------
    >>> live = string_figure()
    >>> live.controls["ahead_m"].value = -4
    >>> live.text.splitlines()[1]
    'Timed box to box, the fill arrives 23.3 ms after the main.'
    """

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(-18, 96), ylim=(-5, 33), xlabel="Depth (m)", ylabel="Aside (m)")
        ax.set_aspect("equal")
        by_fill = ax.plot([0, 0, 0], [0, 0, 0], label="string by way of the fill", **LINES[1])[0]
        straight = ax.plot([0, 0], [0, 0], label="straight way", **LINES[0])[0]
        ax.plot(0, 0, marker="s", color=HUE, linestyle="none", label="main")
        fill = ax.plot(0, 0, marker="^", color=WARM, linestyle="none", label="fill")[0]
        seat = ax.plot(0, 0, marker="o", color=INK, linestyle="none", label="seat")[0]
        key_above(ax)
        return {"string": by_fill, "straight": straight, "fill": fill, "seat": seat}

    def update(artists: dict[str, Any], *, box_m: float, ahead_m: float, aside_m: float) -> str:
        seat = (box_m + ahead_m, aside_m)
        artists["straight"].set_data([0, seat[0]], [0, seat[1]])
        artists["string"].set_data([0, box_m, seat[0]], [0, 0, seat[1]])
        artists["fill"].set_data([box_m], [0])
        artists["seat"].set_data([seat[0]], [seat[1]])
        main_m = distance_m([0, 0, 0], [*seat, 0])
        fill_m = distance_m([box_m, 0, 0], [*seat, 0])
        gap = float(gap_ms(main_m, fill_m, fill_delay_ms(box_m, HALL), HALL))
        return (f"Straight {main_m:.1f} m, by way of the fill {box_m:g} + {fill_m:.1f} = "
                f"{box_m + fill_m:.1f} m: {max(box_m + fill_m - main_m, 0.0):.1f} m of string are "
                f"left over.\nTimed box to box, the fill arrives {_order(gap)}.")

    return LiveFigure(
        "The string",
        "Find seats where no string is left over: where do they lie? Then look for a seat where "
        "the straight way is the longer one, so that the fill would come first. Is there any?",
        [
            Slider("box_m", "Main to fill", 5, 60, 26, unit="m"),
            Slider("ahead_m", "Seat farther than the fill by", -20, 30, 8, unit="m"),
            Slider("aside_m", "Seat aside of the line by", 0, 30, 0, unit="m"),
        ],
        draw, update,
        description="Seen from above: a straight line from the main to the seat, and a broken one "
                    "from the main to the fill and on to the seat.",
        size_in=(8, 4),
    )


_EDGES_MS = (-1000.0, -_TOGETHER_MS, 5.0, 15.0, 30.0, 1000.0)
_SHADES = ("white", "#edf3f9", "#cfdff0", "#aac6e0", "#86add3")
_FIGURES_MS = (-30.0, -15.0, -5.0, 0.0, 5.0, 15.0, 30.0)


def _outline(points: list[Any], codes: list[Any]) -> list[Path]:
    return [Path(xy, code) for xy, code in zip(points, codes, strict=True)]


def _draw_contour(line: Line2D, figure: Text, pieces: list[Any], height: float) -> None:
    """Move a contour, and its figure to where it is nearest to a height of the map."""
    points = np.concatenate([part for piece in pieces for part in (piece, [[np.nan, np.nan]])]
                            or [np.full((1, 2), np.nan)])
    line.set_data(*points.T)
    inside = (points[:, 0] < 37) & (points[:, 0] > -8)
    figure.set_visible(bool(inside.any()))
    if inside.any():
        figure.set_position(points[inside][np.abs(points[inside, 1] - height).argmin()])


def late_map_figure() -> LiveFigure:
    """Gap at every place round a fill, timed box to box or for one seat (lesson 03).

    Examples
    --------
    >>> live = late_map_figure()
    >>> print(live.text)
    Delay 174.5 ms. On 0 % of the ground shown the fill comes first. Largest gap 97 ms.
    At the seat marked the fill arrives 13.7 ms after the main.
    """
    x, y = np.meshgrid(np.linspace(-10.0, 40.0, 51), np.linspace(-30.0, 30.0, 61))

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(-10, 40), ylim=(-30, 30), xlabel="Farther than the fill (m)",
               ylabel="Aside (m)")
        ax.set_aspect("equal")
        ax.grid(False)
        ax.plot(0, 0, marker="^", color=INK, linestyle="none", zorder=4)
        seat = ax.plot(0, 0, marker="o", color=INK, linestyle="none", zorder=4,
                       clip_on=False)[0]
        ground = [ax.add_collection(PathCollection([], facecolor=shade, zorder=1))
                  for shade in _SHADES]
        lines = [ax.plot([], [], color=INK, linestyle=(0, (6, 4)) if gap < 0 else "-", zorder=2,
                         linewidth=2.0 if gap == 0 else 1.0)[0] for gap in _FIGURES_MS]
        figures = [ax.text(0, 0, f"{gap:g}", ha="center", va="center", zorder=3,
                           bbox={"facecolor": "white", "edgecolor": "none", "pad": 1})
                   for gap in _FIGURES_MS]
        names = [ax.plot([], [], color=INK, label=name, **look)[0] for name, look in (
            ("fill", {"marker": "^", "linestyle": "none"}),
            ("that seat", {"marker": "o", "linestyle": "none"}),
            ("fill after main (ms)", {"linewidth": 1.0}),
            ("together with main", {"linewidth": 2.0}),
            ("fill first", {"linewidth": 1.0, "linestyle": (0, (6, 4))}))]
        figure.legend(handles=names, loc="outside right center")
        return {"ground": ground, "lines": lines, "figures": figures, "seat": seat}

    def update(artists: dict[str, Any], *, rule: str, box_m: float, ahead_m: float,
               aside_m: float) -> str:
        own = np.hypot(box_m + ahead_m, aside_m), np.hypot(ahead_m, aside_m)
        delay = float(fill_delay_ms(box_m, HALL) if rule == "box to box"
                      else seat_delay_ms(*own, HALL))
        gap = np.asarray(gap_ms(np.hypot(x + box_m, y), np.hypot(x, y), delay, HALL))
        trace: Any = contour_generator(x, y, gap, fill_type="OuterCode", line_type="Separate")
        for ground, low, high in zip(artists["ground"], _EDGES_MS, _EDGES_MS[1:], strict=False):
            ground.set_paths(_outline(*trace.filled(low, high)))
        # The figures stand in turn above and below, so that they keep clear of each other.
        for number, gap_there in enumerate(_FIGURES_MS):
            # Box to box the two come together on the line behind the fill alone.
            pieces = (trace.lines(gap_there) if gap_there or rule == "one seat"
                      else [np.array([[20.0, 0.0], [0.0, 0.0], [40.0, 0.0]])])
            _draw_contour(artists["lines"][number], artists["figures"][number], pieces,
                          (18.0, -18.0)[number % 2])
        artists["seat"].set_data([ahead_m], [aside_m])
        early = float((gap < -_TOGETHER_MS).mean())
        return (f"Delay {delay:.1f} ms. On {100 * early:.0f} % of the ground shown the fill comes "
                f"first. Largest gap {gap.max():.0f} ms.\n"
                f"At the seat marked the fill arrives {_order(float(gap_ms(*own, delay, HALL)))}.")

    return LiveFigure(
        "Who hears it when",
        "Box to box first: does the fill come first anywhere? Then time it for the one seat that "
        "is marked: who gains by it, and who pays?",
        [
            Choice("rule", "Timed", ("box to box", "one seat")),
            Slider("box_m", "Main to fill", 15, 90, 60, unit="m"),
            Slider("ahead_m", "A seat farther than the fill by", 1, 40, 15, unit="m"),
            Slider("aside_m", "That seat aside of the line by", -30, 30, 15, unit="m"),
        ],
        draw, update,
        description="A map from above round the fill, with lines of equal gap and the gap on each, "
                    "the darker the later; broken lines on white where it comes first.",
        size_in=(8, 4.6),
    )


_ROWS_M = np.arange(26.0, 39.5, 0.5)
_EDGES_M = np.append(_ROWS_M - 0.25, _ROWS_M[-1] + 0.25)
_LINE_Y_M, _EAR_M = 2.5, 1.2
_NEAR_DB = 3.0


@dataclass(frozen=True)
class _Line:
    """Rows behind an inner fill: levels in dBA with the fills at trim 0, and the delay wanted."""

    mains: FloatArray
    fill: FloatArray
    wanted: FloatArray
    mains_meter: FloatArray
    fills_meter: FloatArray


def _along_the_line() -> _Line:
    """Direct levels of the mains and an inner fill, and what a meter reads of mains and fills."""
    plan = hall()
    seats = np.column_stack([_ROWS_M, np.full((_ROWS_M.size, 2), (_LINE_Y_M, _EAR_M))])
    at_zero = with_fills(trim_db=0.0)
    field = seat_field(plan.venue, at_zero, seats_m=seats)
    meter = [seat_field(plan.venue, at_zero, seats_m=seats, sounding=names).weighted_db()
             for names in (["Main bus"], fills())]
    mains, fill = (field.outputs.index(name) for name in ("Main bus", "Fill inner"))
    level = weighted_total_db(field.output_direct_db, THIRDS_HZ)
    wanted = at_zero["Fill inner"].delay_ms - (field.arrival_ms[fill] - field.arrival_ms[mains])
    return _Line(level[mains], level[fill], wanted, *meter)


def _crossings_m(apart: FloatArray) -> list[float]:
    """Depths at which a difference in level along the rows passes zero."""
    before = np.flatnonzero(np.diff(apart >= 0))
    share = apart[before] / (apart[before] - apart[before + 1])
    return list(_ROWS_M[before] + share * np.diff(_ROWS_M)[before])


def _equal_text(equal: list[float], apart: FloatArray) -> str:
    if not equal:
        where = int(np.abs(apart).argmin())
        return (f"Nowhere equally loud: nearest at {_ROWS_M[where]:.1f} m, "
                f"{abs(apart[where]):.1f} dB {'above' if apart[where] > 0 else 'below'} the mains.")
    places = " and again at ".join(f"{x:.1f}" for x in equal)
    behind = "" if apart[-1] < 0 else " From there to the last row the fill is the louder one."
    return f"Direct sounds are equally loud at {places} m.{behind}"


def equal_level_figure() -> LiveFigure:
    """Where mains and fill are equally loud, and the gap there (lesson 03).

    Examples
    --------
    >>> live = equal_level_figure()
    >>> live.controls["trim_db"].value = -6.0
    >>> live.text.splitlines()[0]
    'Direct sounds are equally loud at 28.4 and again at 37.4 m.'
    """
    line = _along_the_line()

    def draw(figure: Figure) -> dict[str, Any]:
        top, low = figure.subplots(2, 1, sharex=True)
        top.set(xlim=(26, 39), ylim=(42, 78), ylabel="Direct (dBA)")
        top.plot(_ROWS_M, line.mains, label="mains", **LINES[0])
        fill = top.plot(_ROWS_M, line.fill, label="inner fill", **LINES[1])[0]
        key_above(top)
        low.set(ylim=(-14, 24), xlabel="Depth in the hall (m)", ylabel="Gap (ms)")
        low.axhline(0, color=GREY)
        near = low.fill([0, 0, 0], [0, 0, 0], color=PALE, linewidth=0, zorder=0.6,
                        label="within 3 dB of each other")[0]
        gap = low.plot(_ROWS_M, 0 * _ROWS_M, color=HUE)[0]
        key_above(low)
        here = [[ax.axvline(30, color=INK, linewidth=0.8) for ax in (top, low)] for _ in range(2)]
        return {"fill": fill, "gap": gap, "near": near, "here": [*here[0], *here[1]]}

    def update(artists: dict[str, Any], *, trim_db: float, delay_ms: float) -> str:
        apart, gap = line.fill + trim_db - line.mains, delay_ms - line.wanted
        artists["fill"].set_ydata(line.fill + trim_db)
        artists["gap"].set_ydata(gap)
        near = np.abs(apart) <= _NEAR_DB
        artists["near"].set_xy(np.column_stack([
            np.repeat(_EDGES_M, 2), [-14, *np.repeat(np.where(near, 24, -14), 2), -14]]))
        equal = _crossings_m(apart)
        for number, mark in enumerate(artists["here"]):
            mark.set_xdata([equal[number // 2] if number // 2 < len(equal) else np.nan] * 2)
        said = [_equal_text(equal, apart)]
        if near.any():
            said.append(f"Within 3 dB of each other the gap runs from {gap[near].min():.1f} to "
                        f"{gap[near].max():.1f} ms.")
        if equal:
            mains, fill, wants = (float(np.interp(equal[-1], _ROWS_M, values)) for values in (
                line.mains_meter, line.fills_meter + trim_db, line.wanted))
            said.append(f"At {equal[-1]:.1f} m the fill wants {wants:.1f} ms: the gap is "
                        f"{delay_ms - wants:.1f} ms. A meter there, which counts the room too, "
                        f"reads mains {mains:.1f}, all fills {fill:.1f} dBA.")
        return "\n".join(said)

    return LiveFigure(
        "The seat where both are equally loud",
        "Raise the fills to -6 dB: where do the seats go? Which delay makes the gap 5 ms at the "
        "far one? And does one more dB of level move the delay by much?",
        [
            Slider("trim_db", "Trim of the fills", -20, 0, hall().settings["Fill inner"].trim_db,
                   step=0.5, unit="dB"),
            Slider("delay_ms", "Delay of the fills", 66, 84, 76, step=0.5, unit="ms"),
        ],
        draw, update,
        description="Above, level of mains and fill along the hall; below, the gap, shaded where "
                    "both are nearly equally loud.",
        size_in=(8, 4.6),
    )


_BOX_M, _BEHIND_M = 26.0, 8.0


def _faults() -> dict[str, float]:
    """Gap in ms at a seat for each way to go wrong, with 26 m from box to box."""
    right = float(fill_delay_ms(_BOX_M, HALL))
    far = _BOX_M + _BEHIND_M
    as_feet = float(travel_time_ms(ft_to_m(_BOX_M), HALL))
    return {
        "no delay set": float(gap_ms(far, _BEHIND_M, 0.0, HALL)),
        "delay set twice": float(gap_ms(far, _BEHIND_M, 2 * right, HALL)),
        "26 dialled as feet": float(gap_ms(far, _BEHIND_M, as_feet, HALL)),
        "5 ms of latency forgotten": float(gap_ms(far, _BEHIND_M, right, HALL, fill_latency_ms=5)),
        "set right, but a seat 4 m ahead of the fill": float(gap_ms(_BOX_M - 4, 4, right, HALL)),
    }


def slap_player() -> LivePlayer:
    """Play main and fill as they should be and apart by a fault (lesson 03).

    Examples
    --------
    >>> player = slap_player()
    >>> player.text.splitlines()[0]
    'No delay set: the fill arrives 75.6 ms before the main.'
    """
    faults = _faults()

    def render(*, fault: str, sound: str, level_db: float) -> tuple[
            Mapping[str, FloatArray], str]:
        samples, gap = demo_sound(sound).samples[:, 0], faults[fault]
        clips = {"together": with_second(samples, 0.0, level_db, 48000),
                 "as set": with_second(samples, abs(gap), level_db, 48000)}
        return clips, f"{fault[0].upper()}{fault[1:]}: the fill arrives {_order(gap)}."

    return LivePlayer(
        "Hear the slap",
        "Which faults give you two claps, and which only another colour? Make the second one "
        "softer: how far down until the slap is gone? Then the same with the voice.",
        [
            Choice("fault", "What went wrong", tuple(faults)),
            Choice("sound", "Sound", ("clap", "voice")),
            Slider("level_db", "Second arrival against first", -20, 0, 0, unit="dB"),
        ],
        render, sample_rate_hz=48000,
    )
