"""Lesson 07: where the highs go, and how much of them comes back."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from scipy.signal import fftconvolve

from fillalign.absorption import THIRDS_HZ, absorption_db_per_m
from fillalign.air import Air
from fillalign.audio import air_filter
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.lessons.scales import frequency_axis
from fillalign.classroom.live import LiveFigure, LivePlayer
from fillalign.classroom.predictions import Prediction
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
        lost = ax.plot(_BANDS, _BANDS, label="after the air", **LINES[1])[0]
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


def _deeper(front_m: float, back_m: float, humidity_pct: float) -> float:
    near, far = (air_loss_db(way, 8000, 20, humidity_pct) for way in (front_m, back_m))
    return far - near


def _reach(frequency_hz: float, humidity_pct: float, loss_db: float = 3.0) -> float:
    return float(loss_db / absorption_db_per_m(frequency_hz, 20.0, humidity_pct))


_PER_M_DB = round(air_loss_db(1.0, 8000.0, 20.0, 50.0), 4)


EXERCISES = (
    Exercise(
        id="07-a",
        text="Air at 20 C and 50 % takes about 105 dB per kilometre at 8 kHz. How much does it "
             "take on {distance_m:g} m ({distance_ft:.0f} ft)?",
        numbers={"distance_m": (30, 45, 60, 75, 90)},
        answer=lambda distance_m: air_loss_db(distance_m, 8000, 20, 50),
        code="absorption_db_per_m(8000, 20, 50) * {distance_m:g}",
        unit="dB", tolerance=0.2, decimals=1,
        hints=(
            "A kilometre is a thousand metres. This way is a small part of it.",
            "What the air takes in dB grows in step with the distance: half the way, half the dB.",
            "Divide the dB per kilometre by 1000, then take as many metres as there are.",
        ),
        slips=(
            Slip("You added the loss by distance (20 log of the metres). The question is about the "
                 "air alone.",
                 lambda distance_m: air_loss_db(distance_m, 8000, 20, 50)
                 + 20 * np.log10(distance_m)),
            Slip("You took 100 m for a kilometre: divide by 1000, not by 100.",
                 lambda distance_m: 10 * air_loss_db(distance_m, 8000, 20, 50)),
        ),
        solution="105 dB on 1000 m are {answer} dB on {distance_m:g} m.",
    ),
    Exercise(
        id="07-b",
        text="20 C and {humidity_pct:g} %. One row is {front_m:g} m ({front_ft:.0f} ft) from the "
             "mains, the last one {back_m:g} m ({back_ft:.0f} ft). How many dB less of 8 kHz does "
             "the last row get because of the air? (This air takes {per_m_db:.3f} dB a metre.)",
        numbers={"front_m": (12, 14, 16), "back_m": (50, 60, 70), "humidity_pct": (50,),
                 "per_m_db": (_PER_M_DB,)},
        answer=lambda front_m, back_m, humidity_pct, **_: _deeper(front_m, back_m, humidity_pct),
        code="absorption_db_per_m(8000, 20, {humidity_pct:g}) * ({back_m:g} - {front_m:g})",
        unit="dB", tolerance=0.25, decimals=1,
        hints=(
            "Both rows hear sound that came through air. Only the difference counts.",
            "How many metres more does the sound travel to the last row?",
            "Those extra metres times the dB a metre.",
        ),
        slips=(
            Slip("That is the whole way to the last row. The nearer row has lost some as well.",
                 lambda back_m, humidity_pct, **_: air_loss_db(back_m, 8000, 20, humidity_pct)),
            Slip("That includes the fall of level with distance. Only the air was asked for.",
                 lambda front_m, back_m, humidity_pct, **_: _deeper(front_m, back_m, humidity_pct)
                 + 20 * np.log10(back_m / front_m)),
        ),
        solution="The last row's sound travels {back_m:g} m less {front_m:g} m farther; that way "
                 "takes {answer} dB.",
    ),
    Exercise(
        id="07-c",
        text="At 20 C and 50 %, how far does sound of 8 kHz travel until the air alone has taken "
             "{loss_db:g} dB? (It takes {per_m_db:.3f} dB a metre.)",
        numbers={"loss_db": (2, 4, 5, 6, 7), "per_m_db": (_PER_M_DB,)},
        answer=lambda loss_db, **_: _reach(8000, 50, loss_db),
        code="{loss_db:g} / absorption_db_per_m(8000, 20, 50)",
        unit="m", tolerance=1.0, decimals=0,
        hints=(
            "How many metres fit into so many dB?",
            "Divide the decibels by the decibels a metre.",
            "A metre takes a little more than a tenth of a dB.",
        ),
        slips=(
            Slip("You multiplied. The more a metre takes, the shorter the way: divide.",
                 lambda loss_db, per_m_db: loss_db * per_m_db),
            Slip("That is for 1 dB. As many times the dB, as many times the way.",
                 lambda **_: _reach(8000, 50, 1.0)),
            Slip("That is in feet; the answer is asked in metres.",
                 lambda loss_db, **_: m_to_ft(_reach(8000, 50, loss_db))),
        ),
        solution="{loss_db:g} dB divided by {per_m_db:.3f} dB a metre is about {answer} m.",
    ),
)

PREDICTIONS = (
    Prediction(
        id="07-a",
        text="8 kHz travels 50 m (164 ft) through air at 20 C. At 50 % humidity the air takes "
             "about 5 dB of it. How many dB does it take at 20 %?",
        unit="dB", truth=lambda: air_loss_db(50.0, 8000.0, 20.0, 20.0), decimals=1, tolerance=1.0,
        meaning="Dry air swallows twice the highs here. Humidity hardly matters to the speed of "
                "sound, but it rules what air takes.",
        slips=(Slip("You took humidity as harmless; for the speed of sound it nearly is.",
                    lambda: air_loss_db(50.0, 8000.0, 20.0, 50.0)),),
    ),
    Prediction(
        id="07-b",
        text="The same 50 m at 20 C, in desert air of 5 %. How many dB at 8 kHz now?",
        unit="dB", truth=lambda: air_loss_db(50.0, 8000.0, 20.0, 5.0), decimals=1, tolerance=1.0,
        meaning="Less again! Water vapour helps the oxygen to swing at one frequency and to take "
                "energy there. At 20 % that frequency lies near 10 kHz, close to our 8 kHz; at 5 % "
                "it lies far below, at 80 % far above.",
        slips=(Slip("You went on from 50 to 20 to 5 %: drier is not always worse.",
                    lambda: 2 * air_loss_db(50.0, 8000.0, 20.0, 20.0)),),
    ),
)
