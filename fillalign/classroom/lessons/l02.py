"""Lesson 02: how slow sound is, and what decides it."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure

from fillalign.air import Air
from fillalign.classroom.figures import GREY, LINES
from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.widgets import Slider
from fillalign.propagation import travel_time_ms

HABIT = Air(20.0)
_CAUSES = ("temperature", "humidity", "altitude")


def higher_ms(temperature_c: float) -> float:
    """Return how much longer 60 m take at 2,000 m in this air than by the sea at 20 C (lesson 02).

    Examples
    --------
    >>> round(higher_ms(7.0), 1)
    4.1
    """
    there = Air.at_altitude(temperature_c, 50.0, 2000.0)
    return float(travel_time_ms(60.0, there) - travel_time_ms(60.0, HABIT))


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
