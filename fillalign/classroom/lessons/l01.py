"""Lesson 01: why the back row needs help, and when it needs none."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from fillalign.audio import render_seat
from fillalign.classroom.figures import GREY, LINES, key_above
from fillalign.classroom.lessons.hall import fills_off, hall, with_fills
from fillalign.classroom.live_panels import LiveFigure, LivePlayer
from fillalign.classroom.players import FloatArray
from fillalign.classroom.venues import demo_sound, demo_venue
from fillalign.classroom.widgets import Choice, Slider, Switch
from fillalign.field import seat_field, seat_speech
from fillalign.levels import power_to_db
from fillalign.loudspeakers import directivity_factor
from fillalign.room import direct_energy, reverberant_energy
from fillalign.venue import OutputSettings

MAINS = "Main bus"
OCTAVES = {"125 Hz": 125, "1 kHz": 1000, "4 kHz": 4000}
_STATES = {"occupied": "show", "empty": "check"}
_ACROSS_M = (-6.0, 0.0, 6.0)
_EAR_M = 1.2
_EARS: dict[str, Literal["one", "two"]] = {"a loudspeaker (one ear)": "one",
                                           "headphones (two ears)": "two"}


def box_levels_db(
    distance_m: ArrayLike, octave: str, state: str = "occupied"
) -> tuple[FloatArray, FloatArray]:
    """Return direct sound and total of one main of Tidewell Hall (lesson 01).

    On its axis, without the loss in air, in dB re the direct sound at 10 m. The
    room sound is Barron and Lee's.

    Examples
    --------
    >>> [round(float(level), 1) for level in box_levels_db(10.0, "1 kHz")]
    [0.0, 1.3]
    """
    hall = demo_venue("tidewell_hall")
    box, frequency = hall.loudspeakers["main-box"], OCTAVES[octave]
    q = directivity_factor(*box.coverage_deg, frequency_hz=frequency, control_hz=box.control_hz,
                           rear_floor_db=box.rear_floor_db)
    volume = hall.room.volume_m3 if hall.room else np.nan
    rt60 = hall.states[_STATES[state]].rt60_s[frequency]
    direct = np.asarray(direct_energy(distance_m))
    falling = reverberant_energy(distance_m, rt60, volume) / q
    return np.asarray(power_to_db(direct)), np.asarray(power_to_db(direct + falling))


def fall_db(which: int, octave: str = "1 kHz", state: str = "occupied") -> float:
    """Return how far direct sound (0) or total (1) falls from 4 m to 43 m (lesson 01).

    Examples
    --------
    >>> round(fall_db(1), 1)
    15.4
    """
    level = box_levels_db(np.array([4.0, 43.0]), octave, state)[which]
    return float(level[0] - level[1])


def speech_heard(depths_m: ArrayLike, mains_db: float, noise_db: float) -> FloatArray:
    """Return the mean speech transmission index of rows of Tidewell Hall, mains alone (lesson 01).

    `mains_db` and `noise_db` are how much louder than in the file both are.

    Examples
    --------
    >>> speech_heard([33.0], 0.0, 0.0).round(2).tolist()
    [0.57]
    """
    hall = demo_venue("tidewell_hall")
    noisy = hall.with_goals(noise_db={octave: level + noise_db
                                      for octave, level in hall.goals.noise_db.items()})
    louder = {MAINS: OutputSettings(trim_db=mains_db)}
    points = [[x, y, 1.2] for x in np.asarray(depths_m) for y in _ACROSS_M]
    heard = seat_speech(noisy, louder, seats_m=points, sounding=[MAINS])
    return np.asarray(heard.index.reshape(-1, len(_ACROSS_M)).mean(axis=1))


def louder_index() -> float:
    """Return what 10 dB more from the mains do to the speech index at 33 m (lesson 01).

    Examples
    --------
    >>> round(louder_index(), 2)
    -0.02
    """
    return float(speech_heard([33.0], 10.0, 0.0)[0] - speech_heard([33.0], 0.0, 0.0)[0])


def level_figure() -> LiveFigure:
    """Direct sound and total against distance in Tidewell Hall (lesson 01).

    Examples
    --------
    >>> live = level_figure()
    >>> live.text.splitlines()[1]
    'From 4 m to 43 m: direct 20.6 dB less, total 5.9 dB less.'
    """
    grid = np.geomspace(4.0, 43.0, 80)

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(2, 45), ylim=(-15, 13), xlabel="Distance from the loudspeaker (m)",
               ylabel="Level (dB)")
        here = ax.axvline(34, color=GREY, linewidth=0.8)
        lines = [ax.plot(grid, 0 * grid, label=label, **look)[0] for label, look in zip(
            ("direct sound", "total, with the room"), LINES, strict=False)]
        key_above(ax)
        return {"here": here, "lines": lines}

    def update(artists: dict[str, Any], *, octave: str, state: str, distance_m: float) -> str:
        for line, level in zip(artists["lines"], box_levels_db(grid, octave, state), strict=True):
            line.set_ydata(level)
        artists["here"].set_xdata([distance_m, distance_m])
        direct, total = box_levels_db(distance_m, octave, state)
        fall = [fall_db(which, octave, state) for which in (0, 1)]
        return (f"At {distance_m:g} m the total is {total - direct:.1f} dB above direct.\n"
                f"From 4 m to 43 m: direct {fall[0]:.1f} dB less, total {fall[1]:.1f} dB less.")

    return LiveFigure(
        "Level against distance",
        "Take 125 Hz, then 1 kHz. Where does the total leave the direct sound behind? And which "
        "falls more towards the back, the highs or the lows? (0 dB is the direct sound at 10 m.)",
        [
            Choice("octave", "Octave around", tuple(OCTAVES)),
            Choice("state", "The hall is", ("occupied", "empty")),
            Slider("distance_m", "Look at", 4, 43, 34, unit="m"),
        ],
        draw, update,
        description="Two falling curves of level against distance: the direct sound falls more.",
        size_in=(8, 4),
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


def rows_player() -> LivePlayer:
    """Play a sentence as heard in a front row and far back in Tidewell Hall (lesson 01).

    Examples
    --------
    >>> player = rows_player()
    >>> list(player.clips)
    ['row at 7 m', 'row at 33 m']
    """
    plan, voice = hall(), demo_sound("reading_1").samples[:, 0]
    seats = {"row at 7 m": (7.0, 2.0, _EAR_M), "row at 33 m": (33.0, 2.0, _EAR_M)}

    def render(*, fills_on: bool, ears: str) -> tuple[Mapping[str, FloatArray], str]:
        settings = with_fills() if fills_on else fills_off()
        how: dict[str, Any] = {"settings": settings, "seats_m": list(seats.values())}
        front, back = seat_field(plan.venue, **how).weighted_db("total")
        clear = seat_speech(plan.venue, **how).index
        said = "Mains and fills" if fills_on else "Mains alone"
        clips = {name: render_seat(plan, voice, seat, settings=settings, ears=_EARS[ears])
                 for name, seat in seats.items()}
        return clips, (f"{said}. On a meter (dBA, which counts lows less) the row at 33 m gets "
                       f"{front - back:.1f} dB less than the row at 7 m. Speech transmission "
                       f"there: {clear[1]:.2f}, in the row at 7 m {clear[0]:.2f}. As played, all "
                       "frequencies alike:")

    return LivePlayer(
        "Two rows, one voice",
        "Leave the volume knob alone: what besides level is different in the far row? Then the "
        "fills on: what comes back, and what stays?",
        [Choice("ears", "Through", tuple(_EARS)), Switch("fills_on", "Fills on", False)],
        render, sample_rate_hz=48000,
    )
