"""Lesson 07: where the highs go, and how much of them comes back."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from scipy.signal import fftconvolve

from fillalign.absorption import THIRDS_HZ, absorption_db_per_m
from fillalign.air import Air
from fillalign.audio import air_filter
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.lessons.scales import frequency_axis
from fillalign.classroom.live_panels import LiveFigure, LivePlayer
from fillalign.classroom.venues import demo_sound
from fillalign.classroom.widgets import Slider
from fillalign.filters import shelf_response
from fillalign.levels import amplitude_to_db
from fillalign.units import m_to_ft

_BANDS = THIRDS_HZ[4:]


def air_loss_db(
    distance_m: float, frequency_hz: float, temperature_c: float, humidity_pct: float
) -> float:
    """Loss to the air over a distance at one frequency, in dB (lesson 07).

    Examples
    --------
    >>> round(air_loss_db(50.0, 8000.0, 20.0, 50.0), 1)
    5.3
    """
    return float(absorption_db_per_m(frequency_hz, temperature_c, humidity_pct) * distance_m)


def loss_figure() -> LiveFigure:
    """Show what air takes by frequency, for any distance and air (lesson 07).

    Examples
    --------
    >>> live = loss_figure()
    >>> live.controls["humidity_pct"].value = 20
    >>> live.text.splitlines()[0]
    'Over 50 m (164 ft) this air takes 0.1 dB at 500 Hz, 3.7 dB at 4 kHz and 10.9 dB at 8 kHz.'
    """

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        frequency_axis(ax, 110, 18000)
        ax.set(ylim=(0, 40), ylabel="Lost to the air (dB)")
        now = ax.plot(_BANDS, _BANDS, label="this air", **LINES[0])[0]
        usual = ax.plot(_BANDS, _BANDS, label="20 C and 50 %", **LINES[1])[0]
        key_above(ax)
        return {"now": now, "usual": usual}

    def update(artists: dict[str, Any], *, distance_m: float, temperature_c: float,
               humidity_pct: float) -> str:
        loss = absorption_db_per_m(_BANDS, temperature_c, humidity_pct) * distance_m
        usual = absorption_db_per_m(_BANDS, 20.0, 50.0) * distance_m
        artists["now"].set_ydata(loss)
        artists["usual"].set_ydata(usual)
        at = [air_loss_db(distance_m, f, temperature_c, humidity_pct) for f in (500, 4000, 8000)]
        more = round(at[2] - air_loss_db(distance_m, 8000, 20.0, 50.0), 1)
        word = "more" if more > 0 else "less"
        against = f"{abs(more)} dB {word} than" if more else "as much as"
        return (
            f"Over {distance_m:g} m ({m_to_ft(distance_m):.0f} ft) this air takes {at[0]:.1f} dB "
            f"at 500 Hz, {at[1]:.1f} dB at 4 kHz and {at[2]:.1f} dB at 8 kHz.\n"
            f"At 8 kHz that is {against} at 20 C and 50 %."
        )

    return LiveFigure(
        "What the air takes",
        "Keep 20 C and lower the humidity from 80 % to 2 %. At which humidity does the air take "
        "most of 8 kHz? Is drier always worse?",
        [
            Slider("distance_m", "Distance", 5, 120, 50, unit="m"),
            Slider("temperature_c", "Air temperature", 0, 35, 20, unit="C"),
            Slider("humidity_pct", "Relative humidity", 2, 100, 50, unit="%"),
        ],
        draw, update,
        description="Two curves that stay near zero in the lows and rise steeply above 2 kHz.",
    )


def shelf_figure() -> LiveFigure:
    """Show what a shelf on the fill gives back of what the air took (lesson 07).

    Examples
    --------
    >>> live = shelf_figure()
    >>> live.controls["gain_db"].value = 4
    >>> live.text.startswith("What is left lies between")
    True
    """

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        frequency_axis(ax, 110, 18000)
        ax.set(ylim=(-16, 4), ylabel="Level (dB)")
        lost = ax.plot(_BANDS, _BANDS, label="after the air", zorder=3, **LINES[1])[0]
        left = ax.plot(_BANDS, _BANDS, label="after the air and the shelf", **LINES[0])[0]
        ax.axhline(0.0, **{**LINES[3], "linewidth": 1.0})
        key_above(ax)
        return {"lost": lost, "left": left}

    def update(artists: dict[str, Any], *, distance_m: float, humidity_pct: float,
               gain_db: float, corner_hz: float) -> str:
        lost = -absorption_db_per_m(_BANDS, 20.0, humidity_pct) * distance_m
        left = lost + amplitude_to_db(np.abs(shelf_response(_BANDS, corner_hz, gain_db)))
        artists["lost"].set_ydata(lost)
        artists["left"].set_ydata(left)
        speech = left[(_BANDS > 450) & (_BANDS < 9000)]
        return (
            f"What is left lies between {speech.min():+.1f} and {speech.max():+.1f} dB from 500 Hz "
            "to 8 kHz.\n"
            + ("Within 1 dB: no shelf needed there." if np.abs(speech).max() <= 1 else
               "More than 1 dB off somewhere.")
        )

    return LiveFigure(
        "Giving the highs back",
        "At 60 m and 40 %, which gain and corner leave least? And why does no shelf make the line "
        "flat?",
        [
            Slider("distance_m", "Way through air", 5, 120, 60, unit="m"),
            Slider("humidity_pct", "Relative humidity", 10, 100, 40, unit="%"),
            Slider("gain_db", "Shelf gain", 0, 6, 0, step=0.5, unit="dB"),
            Slider("corner_hz", "Shelf corner", 2000, 8000, 4000, step=250, unit="Hz"),
        ],
        draw, update,
        description="A curve that falls towards the highs, and the same curve lifted by the shelf.",
    )


def air_player() -> LivePlayer:
    """Speech through more and more air, at one loudness (lesson 07).

    Examples
    --------
    >>> sorted(air_player().clips)
    ['close by', 'through the air']
    """
    voice = demo_sound("voice")
    dry = voice.samples[:, 0]

    def render(distance_m: float, humidity_pct: float) -> tuple[dict[str, Any], str]:
        taps = air_filter(distance_m, Air(20.0, humidity_pct), voice.sample_rate_hz)
        far = fftconvolve(dry, taps)[: dry.size]
        loss = air_loss_db(distance_m, 8000.0, 20.0, humidity_pct)
        return {"close by": dry, "through the air": far}, (
            f"{distance_m:g} m of air at 20 C and {humidity_pct:g} % take {loss:.1f} dB at 8 kHz. "
            "The fall of level with distance is left out: you hear the air alone."
        )

    return LivePlayer(
        "Speech through air",
        "Which sounds go first: s, t, or the vowels? At which distance do you notice it at all?",
        [
            Slider("distance_m", "Distance", 5, 100, 50, unit="m"),
            Slider("humidity_pct", "Relative humidity", 5, 95, 20, unit="%"),
        ],
        render, sample_rate_hz=voice.sample_rate_hz,
    )
