"""Lesson 08: what moves when the weather moves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from fillalign.air import Air
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.number_form import NumberForm
from fillalign.classroom.venues import data_path, demo_plan
from fillalign.classroom.widgets import Slider, Switch
from fillalign.propagation import travel_time_ms

_FIELD_KPA = 90.97
_TOWER = "Ring 2 C"
_AFTERNOON = Air(27.0, 40.0, _FIELD_KPA)


def evening_log() -> pd.DataFrame:
    """Return the logged evening of Cinder Meadow, one row each quarter of an hour.

    Examples
    --------
    >>> evening_log().loc["17:00", "temperature_c"]
    np.float64(27.0)
    """
    return pd.read_csv(data_path("cinder_evening.csv"), comment="#", index_col="time")


def path_ms(distance_m: float, air: Air, wind_along_m_s: float = 0.0) -> float:
    """Return the travel time of a path in ms.

    Examples
    --------
    >>> round(path_ms(85.0, Air(20.0)), 1)
    247.1
    """
    return float(travel_time_ms(distance_m, air, wind_along_m_s=wind_along_m_s))


def gap_figure() -> LiveFigure:
    """Show what weather does to the gap of a tower that nobody re-times (lesson 08).

    Examples
    --------
    >>> live = gap_figure()
    >>> live.controls["temperature_c"].value = 13.0
    >>> live.text.splitlines()[0]
    'At 13 C the mains need 5.9 ms longer to the tower than when it was timed.'
    """
    temperatures = np.linspace(0.0, 30.0, 61)

    def margin_left(now: Air, distance_m: float, margin_ms: float, wind: float) -> float:
        later = path_ms(distance_m, now, wind) - path_ms(distance_m, _AFTERNOON)
        return margin_ms - later

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(0, 30), ylim=(-30, 30), xlabel="Air temperature (C)",
               ylabel="Fill after the mains (ms)")
        ax.axhline(0.0, **{**LINES[3], "linewidth": 1.0})
        line = ax.plot(temperatures, temperatures, label="delay of 27 C kept", **LINES[0])[0]
        dot = ax.plot([27.0], [5.0], "o", color=LINES[1]["color"], clip_on=False,
                      label="now")[0]
        key_above(ax)
        return {"line": line, "dot": dot}

    def update(artists: dict[str, Any], *, temperature_c: float, distance_m: float,
               margin_ms: float, wind_along_m_s: float) -> str:
        airs = [_AFTERNOON.at_temperature(float(t)) for t in temperatures]
        artists["line"].set_ydata(
            [margin_left(a, distance_m, margin_ms, wind_along_m_s) for a in airs]
        )
        now = _AFTERNOON.at_temperature(float(temperature_c))
        left = margin_left(now, distance_m, margin_ms, wind_along_m_s)
        artists["dot"].set_data([temperature_c], [left])
        later, left = round(margin_ms - left, 1), round(left, 1)
        need = (f"{abs(later)} ms {'longer' if later > 0 else 'less'} to the tower than" if later
                else "as long to the tower as")
        return f"At {temperature_c:g} C the mains need {need} when it was timed.\n{_heard(left)}"

    return LiveFigure(
        "A tower that nobody re-times",
        "The tower was timed at 27 C with 5 ms of margin. At which temperature is the margin used "
        "up? What does a headwind of 3 m/s (minus 3) do?",
        [
            Slider("temperature_c", "Air temperature", 0, 30, 27, step=0.5, unit="C"),
            Slider("distance_m", "Main to tower", 20, 120, 85, unit="m"),
            Slider("margin_ms", "Margin when timed", 0, 15, 5, step=0.5, unit="ms"),
            Slider("wind_along_m_s", "Wind with the sound", -10, 10, 0, step=0.5, unit="m/s"),
        ],
        draw, update,
        description="A line that rises with temperature and crosses zero where the margin is gone.",
    )


def _heard(left_ms: float) -> str:
    """Say what is left of a margin; within a millisecond the image moves little by little."""
    if not left_ms:
        return "The fill now comes together with the mains: the margin is used up."
    if left_ms > 0:
        return f"The fill now comes {left_ms} ms after the mains: still fine."
    does = "drifts towards it" if left_ms > -1.0 else "sits in it"
    return f"The fill now comes {-left_ms} ms BEFORE the mains: the image {does}."


def evening_figure() -> LiveFigure:
    """Show the delay of a tower through the logged evening, re-timed or not (lesson 08).

    Examples
    --------
    >>> evening_figure().text.splitlines()[0]
    'Set anew 2 times, whenever 2.0 ms were used up.'
    """
    log = evening_log()
    wanted = demo_plan("cinder_meadow").retime(log)[_TOWER].to_numpy()
    hours = np.array([int(t[:2]) + int(t[3:]) / 60 for t in log.index])

    def followed(step_ms: float) -> tuple[Any, int]:
        dialled, changes = [wanted[0]], 0
        for value in wanted[1:]:
            if abs(value - dialled[-1]) >= step_ms:
                dialled.append(value)
                changes += 1
            else:
                dialled.append(dialled[-1])
        return np.array(dialled), changes

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(17, 23.5), ylim=(wanted.min() - 1.5, wanted.max() + 1.5),
               xlabel="Time of day (h)", ylabel=f"Delay of {_TOWER} (ms)")
        ax.plot(hours, wanted, label="what the air wants", **LINES[0])
        set_to = ax.step(hours, wanted, where="post", label="what is set", **LINES[1])[0]
        key_above(ax)
        return {"set": set_to}

    def update(artists: dict[str, Any], *, step_ms: float, retime: bool) -> str:
        dialled, changes = followed(step_ms if retime else np.inf)
        artists["set"].set_ydata(dialled)
        early = float((wanted - dialled).max())
        first = (
            f"Set anew {changes} time{'s' * (changes != 1)}, whenever {step_ms:.1f} ms were used "
            "up." if retime else "Never set anew."
        )
        return f"{first}\nAt worst the tower is {early:.1f} ms earlier than planned."

    return LiveFigure(
        "One evening at Cinder Meadow",
        "How often must you walk to the processor if at most 1 ms of the margin may go? And if "
        "nobody goes at all?",
        [
            Slider("step_ms", "Re-time after", 0.5, 6, 2, step=0.5, unit="ms"),
            Switch("retime", "Somebody re-times", True),
        ],
        draw, update,
        description="A line that rises as the air cools and wavers with the wind, and a staircase "
                    "that follows it.",
    )


def _own_drift(
    distance_m: float, then_c: float, now_c: float, margin_ms: float = 5.0, wind_m_s: float = 0.0
) -> str:
    air = Air(then_c)
    later = path_ms(distance_m, air.at_temperature(now_c), wind_m_s) - path_ms(distance_m, air)
    left = margin_ms - later
    return (f"The mains now need {abs(later):.1f} ms {'longer' if later > 0 else 'less'} to the "
            f"fill: change its delay by {later:+.1f} ms.\nIf nobody does, {margin_ms:g} ms of "
            f"margin become {left:.1f} ms: "
            + ("still behind the mains." if left > 0 else "the fill comes first."))


def own_drift_form() -> NumberForm:
    """Return the form for the drift at a fill of the learner's own venue (lesson 08).

    Examples
    --------
    >>> form = own_drift_form()
    >>> for name, value in {"distance_m": "60", "then_c": "24", "now_c": "12"}.items():
    ...     form.entries[name].value = value
    >>> form.button.click()
    >>> form.text.splitlines()[0]
    'The mains now need 3.6 ms longer to the fill: change its delay by +3.6 ms.'
    """
    return NumberForm(
        "A fill of your own venue, the temperature when it was timed, and the one you expect at "
        "the end. Wind from the mains to the fill counts plus, against it minus.",
        {"distance_m": "Main to fill (m)", "then_c": "Temperature when timed (C)",
         "now_c": "Temperature now (C)"},
        {"margin_ms": "Margin (ms, 5 if empty)", "wind_m_s": "Wind that came up (m/s)"},
        _own_drift)
