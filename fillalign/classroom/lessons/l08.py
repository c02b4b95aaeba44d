"""Lesson 08: what moves when the weather moves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from fillalign.air import Air
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.live import LiveFigure
from fillalign.classroom.predictions import Prediction
from fillalign.classroom.twenty_minutes import NumberForm
from fillalign.classroom.venues import data_path, demo_plan
from fillalign.classroom.widgets import Slider, Switch
from fillalign.propagation import travel_time_ms

_TOWER_M = 85.0
_FIELD_KPA = 90.97
_TOWER = "Ring 2 C"
_AFTERNOON = Air(27.0, 40.0, _FIELD_KPA)
_NIGHT = Air(13.0, 85.0, _FIELD_KPA)


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


def _cooling(distance_m: float, warm_c: float, cold_c: float) -> float:
    warm = Air(warm_c)
    return path_ms(distance_m, warm.at_temperature(cold_c)) - path_ms(distance_m, warm)


def _headwind(distance_m: float, wind_m_s: float) -> float:
    return path_ms(distance_m, Air(20.0), -wind_m_s) - path_ms(distance_m, Air(20.0))


def _left(distance_m: float, warm_c: float, cold_c: float, margin_ms: float) -> float:
    return margin_ms - _cooling(distance_m, warm_c, cold_c)


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


EXERCISES = (
    Exercise(
        id="08-a",
        text="A tower stands {distance_m:g} m ({distance_ft:.0f} ft) from the mains. The air "
             "cools from {warm_c:g} to {cold_c:g} C; its water vapour stays. How much more delay "
             "does the tower need?",
        numbers={"distance_m": (60, 70, 80, 90), "warm_c": (26, 28), "cold_c": (14, 16)},
        answer=_cooling,
        code="travel_time_ms({distance_m:g}, Air({warm_c:g}).at_temperature({cold_c:g})) "
             "- travel_time_ms({distance_m:g}, Air({warm_c:g}))",
        unit="ms", tolerance=0.4, decimals=1,
        hints=(
            "Cold air is slower, so the mains arrive later and the tower must wait longer.",
            "Per 100 m and degree it is about half a millisecond.",
            "Degrees of cooling, times the metres over 100, times a half.",
        ),
        slips=(
            Slip("The sign is turned round: cooling makes sound slower, the delay grows.",
                 lambda **n: -_cooling(**n)),
            Slip("That is for one degree only.",
                 lambda distance_m, warm_c, cold_c:
                 _cooling(distance_m, warm_c, cold_c) / (warm_c - cold_c)),
        ),
        solution="Each degree costs about half a millisecond per 100 m. {distance_m:g} m and the "
                 "degrees from {warm_c:g} to {cold_c:g} make {answer} ms.",
    ),
    Exercise(
        id="08-b",
        text="{distance_m:g} m ({distance_ft:.0f} ft), 20 C, and a wind of {wind_m_s:g} m/s blows "
             "from the tower towards the mains. How much later does the mains' sound reach the "
             "tower than in still air?",
        numbers={"distance_m": (60, 75, 85, 95), "wind_m_s": (3, 4, 6)},
        answer=_headwind,
        code="travel_time_ms({distance_m:g}, Air(20), wind_along_m_s=-{wind_m_s:g}) "
             "- travel_time_ms({distance_m:g}, Air(20))",
        unit="ms", tolerance=0.15, decimals=1,
        hints=(
            "Against the wind the sound is slower over the ground by the speed of the wind.",
            "Work out the time with the speed of sound, and with that speed less the wind.",
            "The speed is 343 or 344 m/s; take the wind from it, divide, subtract.",
        ),
        slips=(
            Slip("That is with the wind, not against it: the sign is turned round.",
                 lambda **n: -_headwind(**n)),
            Slip("That is ten times too much: did a point slip?",
                 lambda **n: 10 * _headwind(**n)),
        ),
        solution="At 344 m/s less {wind_m_s:g} m/s the {distance_m:g} m take longer than at "
                 "344 m/s, by {answer} ms.",
    ),
    Exercise(
        id="08-c",
        text="A tower {distance_m:g} m ({distance_ft:.0f} ft) from the mains was timed at "
             "{warm_c:g} C with a margin of {margin_ms:g} ms. Now it has {cold_c:g} C and nobody "
             "re-timed. By how much does the tower come after the mains now, for listeners on the "
             "line behind it? (Below zero: before them.)",
        numbers={"distance_m": (70, 85), "warm_c": (27,), "cold_c": (11, 13, 15),
                 "margin_ms": (2, 3, 15)},
        answer=_left,
        code="{margin_ms:g} - (travel_time_ms({distance_m:g}, Air({warm_c:g}).at_temperature("
             "{cold_c:g})) - travel_time_ms({distance_m:g}, Air({warm_c:g})))",
        unit="ms", tolerance=0.4, decimals=1,
        hints=(
            "First find how much later the mains' sound comes now.",
            "That time is taken from the margin.",
            "Margin less drift; the drift is about half a millisecond for each degree and 100 m.",
        ),
        slips=(
            Slip("You added the drift. The mains come later, so the tower's lead grows: subtract.",
                 lambda **n: 2 * n["margin_ms"] - _left(**n)),
            Slip("That is the drift alone. Take it from the margin.",
                 lambda **n: n["margin_ms"] - _left(**n)),
        ),
        solution="The mains come later by the drift, half a millisecond for 100 m and each of the "
                 "degrees from {warm_c:g} to {cold_c:g}. {margin_ms:g} ms less that leaves "
                 "{answer} ms.",
    ),
)

PREDICTIONS = (
    Prediction(
        id="08-a",
        text="Cinder Meadow lies 900 m (2,950 ft) high. From 27 C and 40 % the evening goes to "
             "13 C and 85 %. The sound of the mains travels 85 m (279 ft) to a tower. How many ms "
             "later does it arrive in the night? (Below zero: earlier.)",
        unit="ms", truth=lambda: path_ms(_TOWER_M, _NIGHT) - path_ms(_TOWER_M, _AFTERNOON),
        decimals=1, tolerance=1.0,
        meaning="Later, since cold air is slower. A margin of 5 ms is used up and the tower comes "
                "first by 1 ms: to those straight behind it the band seems to have moved into the "
                "tower.",
        slips=(Slip("Cooling makes sound slower, not faster.",
                    lambda: path_ms(_TOWER_M, _AFTERNOON) - path_ms(_TOWER_M, _NIGHT)),),
    ),
    Prediction(
        id="08-b",
        text="The same 85 m at 20 C. A headwind of 5 m/s: how many ms later?",
        unit="ms", truth=lambda: _headwind(_TOWER_M, 5.0), decimals=1, tolerance=0.6,
        meaning="As much as eight degrees of cooling. Wind along the way counts: against the "
                "sound like cooling, with it like warming.",
        slips=(Slip("It counts: it carries the sound along or holds it back.", lambda: 0.0),),
    ),
)
