"""Lesson 02: how slow sound is, and what decides it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fillalign.air import Air
from fillalign.classroom.figures import GREY, INK, LINES, PALE, key_above
from fillalign.classroom.lessons.l02_exercises import EXERCISES, HABIT, PREDICTIONS
from fillalign.classroom.live import LiveFigure, LivePlayer
from fillalign.classroom.sounds import FloatArray, with_second
from fillalign.classroom.venues import demo_sound
from fillalign.classroom.widgets import Choice, Slider
from fillalign.propagation import gap_ms, travel_time_ms

__all__ = [
    "EXERCISES", "PREDICTIONS", "causes_figure", "habit_player", "survey_figure", "travel_figure",
]

_GRID_M = np.linspace(0.0, 100.0, 101)


def _early_ms(length_m: float, air: Air) -> float:
    """How early the fill comes if its delay for a length was worked out for 20 C."""
    return -float(gap_ms(length_m, 0.0, travel_time_ms(length_m, HABIT), air))


def _early_or_late(early_ms: float) -> str:
    if abs(early_ms) < 0.05:
        return "in time"
    return f"{abs(early_ms):.1f} ms too {'early' if early_ms > 0 else 'late'}"


def travel_figure() -> LiveFigure:
    """Travel time against distance, and what assuming 20 C costs (lesson 02).

    Examples
    --------
    >>> live = travel_figure()
    >>> live.controls["temperature_c"].value = 0
    >>> live.text.splitlines()[0]
    'Sound travels 331.6 m/s: 26 m (85 ft) take 78.4 ms.'
    """
    habit = travel_time_ms(_GRID_M, HABIT)

    def draw(figure: Figure) -> dict[str, Any]:
        left, right = figure.subplots(1, 2)
        left.set(xlim=(0, 100), ylim=(0, 320), xlabel="Distance (m)", ylabel="Travel time (ms)")
        now = left.plot(_GRID_M, habit, label="this air", **LINES[0])[0]
        left.plot(_GRID_M, habit, label="20 C", **LINES[1])
        key_above(left)
        right.set(xlim=(0, 100), ylim=(-6, 12), xlabel="Distance (m)",
                  ylabel="Fill early by (ms)")
        right.axhline(0, color=GREY, linewidth=0.8)
        cost = right.plot(_GRID_M, 0 * _GRID_M, **LINES[0])[0]
        here = right.plot([0], [0], marker="o", color=INK, clip_on=False)[0]
        return {"now": now, "cost": cost, "here": here}

    def update(artists: dict[str, Any], *, distance_m: float, temperature_c: float) -> str:
        air = Air(temperature_c)
        times = travel_time_ms(_GRID_M, air)
        artists["now"].set_ydata(times)
        artists["cost"].set_ydata(times - habit)
        time, early = float(travel_time_ms(distance_m, air)), _early_ms(distance_m, air)
        artists["here"].set_data([distance_m], [early])
        return (f"Sound travels {air.speed_m_s:.1f} m/s: {distance_m:g} m "
                f"({distance_m / 0.3048:.0f} ft) take {time:.1f} ms.\n"
                f"A fill that far from the main, timed for 20 C, comes {_early_or_late(early)}.")

    return LiveFigure(
        "Travel time, and the price of '20 C'",
        "Left, the two lines look the same. Right is their difference. At 10 C, from which "
        "distance on does the habit of 20 C cost a whole millisecond?",
        [
            Slider("distance_m", "Distance", 1, 100, 26, unit="m"),
            Slider("temperature_c", "Air temperature", 0, 30, 10, step=0.5, unit="C"),
        ],
        draw, update,
        description="Left two straight lines that rise from zero, almost one; right their "
                    "difference, a straight line too.",
        size_in=(8, 3.6),
    )


_CAUSES = ("temperature", "humidity", "altitude")


def causes_figure() -> LiveFigure:
    """Show what temperature, humidity and altitude each do to travel time (lesson 02).

    Examples
    --------
    >>> live = causes_figure()
    >>> live.controls["altitude_m"].value = 2000
    >>> live.text.splitlines()[2]
    'Altitude 2,000 m instead of the sea: 0.1 ms less.'
    """

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(-6, 12), ylim=(2.6, -0.6), xlabel="Change of travel time (ms)")
        ax.set_yticks(range(3), _CAUSES)
        ax.grid(False, axis="y")
        ax.axvline(0, color=GREY)
        bars = ax.barh(range(3), [0, 0, 0], height=0.5, color=[line["color"] for line in LINES[:3]])
        return {"bars": list(bars)}

    def update(artists: dict[str, Any], *, distance_m: float, temperature_c: float,
               humidity_pct: float, altitude_m: float) -> str:
        high = Air.at_altitude(20.0, 50.0, altitude_m)
        airs = (Air(temperature_c), Air(20.0, humidity_pct), high)
        base = float(travel_time_ms(distance_m, HABIT))
        changes = [float(travel_time_ms(distance_m, air)) - base for air in airs]
        for bar, change in zip(artists["bars"], changes, strict=True):
            bar.set_width(change)
        names = (f"Temperature {temperature_c:g} C instead of 20 C",
                 f"Humidity {humidity_pct:g} % instead of 50 %",
                 f"Altitude {altitude_m:,g} m instead of the sea")
        return "\n".join(f"{name}: {_longer(change)}."
                         for name, change in zip(names, changes, strict=True))

    return LiveFigure(
        "Which of the three counts?",
        "Each bar shows what one cause alone does over the distance. First give humidity and "
        "altitude all they can: how many degrees do the same as both?",
        [
            Slider("distance_m", "Distance", 10, 100, 60, unit="m"),
            Slider("temperature_c", "Temperature", 0, 30, 17, unit="C"),
            Slider("humidity_pct", "Relative humidity", 0, 100, 50, step=5, unit="%"),
            Slider("altitude_m", "Altitude", 0, 2400, 0, step=100, unit="m"),
        ],
        draw, update,
        description="Three bars, one for each cause, to the right where the sound comes later.",
        size_in=(8, 2.8),
    )


def _longer(change_ms: float) -> str:
    if abs(change_ms) < 0.005:
        return "nothing"
    decimals = 1 if abs(change_ms) >= 0.05 else 2
    return f"{abs(change_ms):.{decimals}f} ms {'more' if change_ms > 0 else 'less'}"


def survey_figure() -> LiveFigure:
    """Error of a laser and of a thermometer, as time, against distance (lesson 02).

    Examples
    --------
    >>> live = survey_figure()
    >>> live.text.splitlines()[0]
    'At 26 m: laser 0.58 ms, thermometer 0.55 ms.'
    """

    def thermometer_ms(distance_m: Any, off_c: float) -> Any:
        return travel_time_ms(distance_m, Air(20.0 - off_c)) - travel_time_ms(distance_m, HABIT)

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(0, 100), ylim=(0, 6.5), xlabel="Distance (m)",
               ylabel="Error of the delay (ms)")
        here = ax.axvline(26, color=GREY, linewidth=0.8)
        laser = ax.plot(_GRID_M, 0 * _GRID_M, label="laser", **LINES[0])[0]
        heat = ax.plot(_GRID_M, 0 * _GRID_M, label="thermometer", **LINES[1])[0]
        ax.fill_between([0, 100], 0, 0.2, color=PALE, zorder=0.5, label="0.2 ms: good enough")
        key_above(ax)
        return {"here": here, "laser": laser, "heat": heat}

    def update(artists: dict[str, Any], *, distance_m: float, laser_cm: float,
               thermometer_c: float) -> str:
        laser = float(travel_time_ms(laser_cm / 100, HABIT))
        artists["laser"].set_ydata(np.full(_GRID_M.size, laser))
        artists["heat"].set_ydata(thermometer_ms(_GRID_M, thermometer_c))
        artists["here"].set_xdata([distance_m, distance_m])
        heat = float(thermometer_ms(distance_m, thermometer_c))
        per_m = float(thermometer_ms(1.0, thermometer_c))
        if laser == 0 or per_m == 0:
            said = "One of the two is perfect: the other is all that is left."
        else:
            said = f"From {laser / per_m:.0f} m on the thermometer counts more."
        return f"At {distance_m:g} m: laser {laser:.2f} ms, thermometer {heat:.2f} ms.\n{said}"

    return LiveFigure(
        "Which reading deserves the care?",
        "A good laser is out by 2 cm, one hand-held at a swaying box by 20 cm. A pocket "
        "thermometer is out by 1 C, a guess by 4 C. Where does each of them rule?",
        [
            Slider("distance_m", "Look at", 1, 100, 26, unit="m"),
            Slider("laser_cm", "Laser out by", 0, 50, 20, unit="cm"),
            Slider("thermometer_c", "Thermometer out by", 0, 10, 4, step=0.5, unit="C"),
        ],
        draw, update,
        description="A level line for the laser, and a line rising from zero for the thermometer.",
        size_in=(8, 3.6),
    )


def habit_player() -> LivePlayer:
    """Play main and fill, timed for the air there is and for 20 C (lesson 02).

    Examples
    --------
    >>> player = habit_player()
    >>> list(player.clips)
    ['timed for this air', 'timed for 20 C']
    """

    def render(*, sound: str, distance_m: float, temperature_c: float) -> tuple[
            Mapping[str, FloatArray], str]:
        samples = demo_sound(sound).samples[:, 0]
        early = _early_ms(distance_m, Air(temperature_c))
        clips = {"timed for this air": with_second(samples, 0.0, 0.0, 48000),
                 "timed for 20 C": with_second(samples, abs(early), 0.0, 48000)}
        return clips, f"Timed for 20 C the fill comes {_early_or_late(early)}."

    return LivePlayer(
        "Hear the price",
        "Main and fill equally loud at the seat. 60 m and 5 C: what became of the sound in the "
        "second player? At which temperature do you stop hearing a difference?",
        [
            Choice("sound", "Sound", ("voice", "clap")),
            Slider("distance_m", "Main to fill", 10, 100, 60, unit="m"),
            Slider("temperature_c", "Air temperature", 0, 30, 5, step=1, unit="C"),
        ],
        render, sample_rate_hz=48000,
    )
