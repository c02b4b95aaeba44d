"""Lesson 01: why the back row needs help, and when it needs none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fillalign.audio import render_seat
from fillalign.classroom.figures import GREY, HUE, INK, LINES, PALE, WARM, key_above
from fillalign.classroom.lessons.hall import fills_off, hall, with_fills
from fillalign.classroom.lessons.l01_exercises import (
    EXERCISES,
    OCTAVES,
    PREDICTIONS,
    box_levels_db,
    speech_heard,
)
from fillalign.classroom.live import LiveFigure, LivePlayer
from fillalign.classroom.sounds import FloatArray
from fillalign.classroom.venues import demo_sound
from fillalign.classroom.widgets import Choice, Slider, Switch
from fillalign.field import seat_field, seat_speech

__all__ = [
    "EXERCISES", "PREDICTIONS", "level_figure", "mains_down_figure", "placement_figure",
    "rows_player", "speech_figure",
]

_EAR_M = 1.2


def level_figure() -> LiveFigure:
    """Direct sound and total against distance in Tidewell Hall, by two models (lesson 01).

    Examples
    --------
    >>> live = level_figure()
    >>> live.controls["octave"].value = "125 Hz"
    >>> live.text.splitlines()[1]
    'From 4 m to 43 m: direct 20.6 dB less, total 5.9 dB less (flat model 2.4 dB).'
    """
    grid = np.geomspace(4.0, 43.0, 80)

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(2, 45), ylim=(-15, 13), xlabel="Distance from the loudspeaker (m)",
               ylabel="Level (dB)")
        here = ax.axvline(34, color=GREY, linewidth=0.8)
        lines = [ax.plot(grid, 0 * grid, label=label, **look)[0] for label, look in zip(
            ("direct sound", "total, falling room sound", "total, flat room sound"), LINES,
            strict=False)]
        key_above(ax)
        return {"here": here, "lines": lines}

    def update(artists: dict[str, Any], *, octave: str, state: str, distance_m: float) -> str:
        for line, level in zip(artists["lines"], box_levels_db(grid, octave, state), strict=True):
            line.set_ydata(level)
        artists["here"].set_xdata([distance_m, distance_m])
        direct, total, _ = box_levels_db(distance_m, octave, state)
        fall = [float(level[0] - level[1])
                for level in box_levels_db(np.array([4.0, 43.0]), octave, state)]
        return (f"At {distance_m:g} m the total is {total - direct:.1f} dB above direct.\n"
                f"From 4 m to 43 m: direct {fall[0]:.1f} dB less, total {fall[1]:.1f} dB less "
                f"(flat model {fall[2]:.1f} dB).")

    return LiveFigure(
        "Level against distance",
        "Take 1 kHz, then 125 Hz. Where does the total leave the direct sound behind? And which "
        "falls more towards the back, the highs or the lows? (0 dB is the direct sound at 10 m.)",
        [
            Choice("octave", "Octave around", tuple(OCTAVES)),
            Choice("state", "The hall is", ("occupied", "empty")),
            Slider("distance_m", "Look at", 4, 43, 34, unit="m"),
        ],
        draw, update,
        description="Three falling curves of level against distance: the direct sound falls most, "
                    "the two totals less.",
        size_in=(8, 4),
    )


def mains_down_figure() -> LiveFigure:
    """Levels from the first row to the last, with and without fills (lesson 01).

    Examples
    --------
    >>> live = mains_down_figure()
    >>> live.text.splitlines()[0]
    'First row 76.3 dBA, last row 69.8 dBA: 6.4 dB between them.'
    """
    walk, venue = hall().walk, hall().venue
    goal = float(venue.goals.back_dba or 0.0)
    levels = {True: walk.after_dba, False: walk.before_dba}
    stage = {on: float(seat_field(venue, settings, seats_m=[venue.stage_microphone_m])
                       .weighted_db()[0])
             for on, settings in ((True, with_fills()), (False, fills_off()))}
    stage_needed = stage[False] + goal - float(walk.before_dba[-1])

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(3, 40), ylim=(65, 84), xlabel="Depth in the hall (m)",
               ylabel="Level in the row (dBA)")
        ax.plot([3, 40], [goal, goal], label="wanted in the last row", **LINES[2])
        before = ax.plot(walk.x_m, walk.before_dba, label="mains alone, master at 0 dB",
                         **LINES[3])[0]
        now = ax.plot(walk.x_m, walk.before_dba, label="as set", **LINES[0])[0]
        key_above(ax)
        return {"now": now, "before": before}

    def update(artists: dict[str, Any], *, master_db: float, fills_on: bool) -> str:
        level, at_stage = levels[fills_on] + master_db, stage[fills_on] + master_db
        artists["now"].set_ydata(level)
        won = stage_needed - at_stage
        change = f"{abs(won):.1f} dB {'less' if won > 0 else 'more'} than"
        compared = "as much as" if abs(won) < 0.05 else change
        return (f"First row {level[0]:.1f} dBA, last row {level[-1]:.1f} dBA: "
                f"{level[0] - level[-1]:.1f} dB between them.\n"
                f"The stage microphone gets {at_stage:.1f} dBA, {compared} with mains alone "
                f"that bring {goal:g} dBA to the last row.")

    return LiveFigure(
        "Mains up, or fills in",
        "Without fills: how far must the master go up until the last row gets 71 dBA, and what "
        "does the first row get then? Now the fills on: where may the master be for the same?",
        [
            Slider("master_db", "Master, moves everything", -4, 6, 0, step=0.1, unit="dB"),
            Switch("fills_on", "Fills on, as planned for this hall", False),
        ],
        draw, update,
        description="Level against depth: it falls from the front rows to the last.",
        size_in=(8, 3.8),
    )


def speech_figure() -> LiveFigure:
    """Speech transmission along Tidewell Hall, mains alone, louder or in noise (lesson 01).

    Examples
    --------
    >>> live = speech_figure()
    >>> live.controls["mains_db"].value = 10
    >>> live.text
    'At 33 m: 0.55. With the mains as they are and no crowd it is 0.57.'
    """
    depth = np.arange(5.0, 40.0, 2.0)

    plain = speech_heard(depth, 0.0, 0.0)
    there = list(depth).index(33.0)

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(3, 41), ylim=(0.2, 0.8), xlabel="Depth in the hall (m)",
               ylabel="Speech transmission (0 to 1)")
        ax.plot([3, 41], [0.5, 0.5], label="the hall's goal", **LINES[2])
        ax.plot(depth, plain, label="mains as they are, no crowd", **LINES[3])
        now = ax.plot(depth, plain, label="as set", **LINES[0])[0]
        key_above(ax)
        return {"now": now}

    def update(artists: dict[str, Any], *, mains_db: float, noise_db: float) -> str:
        now = speech_heard(depth, mains_db, noise_db)
        artists["now"].set_ydata(now)
        return (f"At 33 m: {now[there]:.2f}. With the mains as they are and no crowd it is "
                f"{plain[there]:.2f}.")

    return LiveFigure(
        "Louder, or clearer?",
        "Turn the mains up by 10 dB: do the words get clearer at the back? Now add 30 dB of noise "
        "from a crowd and try again. When does louder help?",
        [
            Slider("mains_db", "Mains louder by", 0, 20, 0, unit="dB"),
            Slider("noise_db", "Noise louder by", 0, 40, 0, unit="dB"),
        ],
        draw, update,
        description="Speech transmission against depth: it falls gently towards the back.",
        size_in=(8, 3.8),
    )


_HALF_DEG = 30.0
_FILL_Y_M = 2.5


def _ear_reach_m(x_m: float, z_m: float, tilt_deg: float) -> float:
    """Where a ray that looks down by an angle meets the ears, the rear wall at most."""
    if tilt_deg <= 0.5:
        return 41.0
    return float(min(x_m + (z_m - _EAR_M) / np.tan(np.radians(tilt_deg)), 41.0))


def placement_figure() -> LiveFigure:
    """One hanging fill seen from the side, and its level along the seats (lesson 01).

    Examples
    --------
    >>> live = placement_figure()
    >>> live.text.splitlines()[0]
    'Its axis looks down by 23 degrees; between the -6 dB edges lie the seats from 29 m to 39 m.'
    """
    plan = hall()
    fill = next(s for s in plan.venue.sources if s.name == "Fill 2")
    along = np.arange(4.0, 40.0, 1.0)
    microphone = np.array([plan.venue.stage_microphone_m])

    def levels(x_m: float, z_m: float, ahead_m: float) -> FloatArray:
        moved = replace(fill, position_m=(x_m, _FILL_Y_M, z_m),
                        aim_m=(x_m + ahead_m, _FILL_Y_M, _EAR_M))
        points = [[x, _FILL_Y_M, _EAR_M] for x in (*along, x_m + ahead_m)] + microphone.tolist()
        hung = [moved, *(s for s in plan.venue.sources if s.output != fill.output)]
        used = {s.output: plan.venue.outputs[s.output] for s in hung}
        venue = replace(plan.venue, sources=tuple(hung), outputs=used)
        field = seat_field(venue, seats_m=points, sounding=[fill.output])
        return field.weighted_db("direct")

    def draw(figure: Figure) -> dict[str, Any]:
        top, low = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        top.set(xlim=(-3, 42), ylim=(0, 7), ylabel="Height (m)")
        top.plot([4, 39], [_EAR_M, _EAR_M], **LINES[2], label="ears")
        top.plot([34, 41], [3.4, 3.4], color=GREY, linewidth=3, label="balcony")
        top.plot(0, 4.6, marker="s", color=GREY, linestyle="none", label="main")
        box = top.plot(0, 0, marker="v", color=WARM, linestyle="none", label="fill")[0]
        beam = top.fill([0, 0, 0], [0, 0, 0], color=PALE, zorder=0.8)[0]
        axis = top.plot([0, 0], [0, 0], color=WARM)[0]
        key_above(top)
        low.set(ylim=(-34, 8), xlabel="Depth in the hall (m)", ylabel="Fill's level (dB)")
        level = low.plot(along, 0 * along, color=HUE)[0]
        aim = low.axvline(0, color=INK, linewidth=0.8)
        return {"box": box, "beam": beam, "axis": axis, "level": level, "aim": aim}

    def update(artists: dict[str, Any], *, x_m: float, z_m: float, ahead_m: float) -> str:
        tilt = float(np.degrees(np.arctan2(z_m - _EAR_M, ahead_m)))
        near, far = (_ear_reach_m(x_m, z_m, tilt + side) for side in (_HALF_DEG, -_HALF_DEG))
        artists["box"].set_data([x_m], [z_m])
        artists["axis"].set_data([x_m, x_m + ahead_m], [z_m, _EAR_M])
        edge_z = z_m - (far - x_m) * np.tan(np.radians(tilt - _HALF_DEG))
        artists["beam"].set_xy([(x_m, z_m), (near, _EAR_M), (far, _EAR_M), (far, edge_z)])
        *row, at_aim, stage = levels(x_m, z_m, ahead_m)
        artists["level"].set_ydata(np.array(row) - at_aim)
        artists["aim"].set_xdata([x_m + ahead_m] * 2)
        return (f"Its axis looks down by {tilt:.0f} degrees; between the -6 dB edges lie the seats "
                f"from {near:.0f} m to {min(far, along[-1]):.0f} m.\n"
                f"The last row gets {row[-1] - at_aim:+.1f} dB against the spot it is aimed at, "
                f"the row below the box {row[round(x_m) - 4] - at_aim:+.1f} dB, the stage "
                f"microphone {stage - at_aim:+.1f} dB.")

    return LiveFigure(
        "Where to hang it, and where to aim it",
        "Aim it at seats almost below it, then far ahead. Which aim is fairer to the last row, and "
        "which leaves more of it to the stage? What does hanging it lower do to the row below?",
        [
            Slider("x_m", "Depth of the fill", 16, 30, 26, unit="m"),
            Slider("z_m", "Height of the fill", 2.5, 6.5, 4.6, step=0.1, unit="m"),
            Slider("ahead_m", "Aimed at a spot ahead of it by", 2, 11, 8, unit="m"),
        ],
        draw, update,
        description="The hall from the side with the fill, the seats inside its coverage shaded, "
                    "and below it the fill's level along the seats.",
        size_in=(8, 4.8),
    )


def rows_player() -> LivePlayer:
    """Play a voice as heard in a front row and far back in Tidewell Hall (lesson 01).

    Examples
    --------
    >>> player = rows_player()
    >>> list(player.clips)
    ['row at 7 m', 'row at 33 m']
    """
    plan, voice = hall(), demo_sound("voice").samples[:, 0]
    seats = {"row at 7 m": (7.0, 2.0, _EAR_M), "row at 33 m": (33.0, 2.0, _EAR_M)}

    def render(*, fills_on: bool) -> tuple[Mapping[str, FloatArray], str]:
        settings = with_fills() if fills_on else fills_off()
        how: dict[str, Any] = {"settings": settings, "seats_m": list(seats.values())}
        front, back = seat_field(plan.venue, **how).weighted_db("total")
        clear = seat_speech(plan.venue, **how).index
        said = "Mains and fills" if fills_on else "Mains alone"
        clips = {name: render_seat(plan, voice, seat, settings=settings)
                 for name, seat in seats.items()}
        return clips, (f"{said}. On a meter (dBA, which counts lows less) the row at 33 m gets "
                       f"{front - back:.1f} dB less than the row at 7 m. Speech transmission "
                       f"there: {clear[1]:.2f}, in the row at 7 m {clear[0]:.2f}.")

    return LivePlayer(
        "Two rows, one voice",
        "Leave the volume knob alone: what besides level is different in the far row? Then the "
        "fills on: what comes back, and what stays?",
        [Switch("fills_on", "Fills on", False)],
        render, sample_rate_hz=48000,
    )
