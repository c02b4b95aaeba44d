"""Lesson 05: how loud a fill may be, and how soft it should be."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fillalign.classroom.figures import GREY, LINES, key_above
from fillalign.classroom.lessons.hall import (
    REFERENCE_M,
    hall,
    row_means_db,
    seats_with,
    with_fills,
)
from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.number_form import NumberForm
from fillalign.classroom.players import FloatArray
from fillalign.classroom.widgets import Choice, Slider, Switch
from fillalign.levels import db_to_amplitude, db_to_power, fill_level_db, power_to_db
from fillalign.planning import FillReport, TrimCurve
from fillalign.precedence import PRECEDENCE_TABLE, precedence_limit_db

_LOW_TRIM_DB, _HIGH_TRIM_DB = -30.0, 9.0


def inner_fill() -> FillReport:
    """Report on the two inner hanging fills of Tidewell Hall (lesson 05).

    Examples
    --------
    >>> inner_fill().output
    'Fill inner'
    """
    return next(fill for fill in hall().fills if fill.output == "Fill inner")


def inner_trims() -> TrimCurve:
    """Return what every trim of the two inner hanging fills would do (lesson 05).

    Examples
    --------
    >>> bool(inner_trims().served_share.max() > 0.9)
    True
    """
    found = (fill.trim for fill in hall().fills if fill.output == "Fill inner")
    return next(trims for trims in found if trims is not None)


def rows_by_trim(which: str, planned_db: float) -> Callable[[float], FloatArray]:
    """Return a function that gives the level of each row, in dBA, for any trim of the fills.

    Pressures add, so the power in a row is a + b g + c g^2 for the gain g of the fills:
    three trims, the planned one among them, tell it for all. Of lesson 05; `which` is
    useful or total.

    Examples
    --------
    >>> rows = rows_by_trim("total", -8.5)
    >>> bool((rows(3.0) > rows(-np.inf)).all())
    True
    """
    def power(trim_db: float) -> FloatArray:
        settings = with_fills(trim_db=trim_db)
        return np.asarray(db_to_power(row_means_db(seats_with(settings).weighted_db(which))))

    gains = db_to_amplitude(np.array([-np.inf, planned_db, planned_db + 12.0]))
    terms = np.linalg.solve(gains[:, None] ** np.arange(3),
                            [power(-np.inf), power(planned_db), power(planned_db + 12.0)])
    return lambda trim_db: np.asarray(
        power_to_db(float(db_to_amplitude(trim_db)) ** np.arange(3) @ terms))


def table_row_db(gap_ms: float, after: int) -> float:
    """Return the limit of the row of the table before (0) or after (1) a gap (lesson 05).

    Examples
    --------
    >>> table_row_db(2.0, 0) < precedence_limit_db(2.0) < table_row_db(2.0, 1)
    True
    """
    return PRECEDENCE_TABLE[sum(gap <= gap_ms for gap, _ in PRECEDENCE_TABLE) - 1 + after][1]


def walk_figure() -> LiveFigure:
    """Level along the walk from the stage to the last row (lesson 05).

    Examples
    --------
    >>> live = walk_figure()
    >>> live.controls["fills_on"].value = False
    >>> live.text.splitlines()[0]
    'Walking back from 13 m, the level never climbs.'
    """
    walk, planned = hall().walk, hall().settings["Fill inner"].trim_db
    x_m, rows = walk.x_m, {which: rows_by_trim(which, planned) for which in ("useful", "total")}

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(2, 41), ylim=(62, 88), xlabel="Row, distance from the stage (m)",
               ylabel="Level (dBA)")
        ax.axvline(26, color=GREY, linewidth=0.8)
        ax.annotate("fills hang here", (26, 62.5), xytext=(-4, 0), textcoords="offset points",
                    ha="right", color=GREY)
        both = ax.plot(x_m, x_m, label="with the fills", **LINES[0])
        mains = ax.plot(x_m, x_m, label="mains alone", **LINES[1])
        profile = ax.plot(x_m, walk.profile_dba, label="profile", **LINES[2])
        key_above(ax)
        return {"both": both[0], "mains": mains[0], "profile": profile[0]}

    def update(artists: dict[str, Any], *, trim_db: float, what: str, fills_on: bool) -> str:
        useful = what == "useful sound"
        level = rows["useful" if useful else "total"]
        both = level(trim_db if fills_on else -np.inf)
        artists["both"].set_ydata(both)
        artists["mains"].set_ydata(level(-np.inf))
        artists["profile"].set_visible(useful)
        behind = both[x_m >= REFERENCE_M]
        climb = float((behind - np.minimum.accumulate(behind)).max())
        climbs = f"climbs by {climb:.1f} dB at most" if climb >= 0.05 else "never climbs"
        text = (f"Walking back from {REFERENCE_M:g} m, the level {climbs}.\n"
                f"Front to back it spreads over {np.ptp(both):.1f} dB; the last row has "
                f"{both[-1]:.1f} dBA")
        missing = walk.profile_dba[-1] - both[-1]
        return f"{text}, {missing:.1f} dB below the profile." if useful and missing > 0 \
            else f"{text}."

    return LiveFigure(
        "The walk from the stage",
        "Raise the trim until the walk towards the fills gets louder with every step. From which "
        "trim on does the hall have a second stage? Then switch the fills off and on: where do "
        "you notice?",
        [
            Slider("trim_db", "Trim of the fills", -30, 9, -20, step=0.5, unit="dB"),
            Choice("what", "Level of", ("useful sound", "what a meter shows")),
            Switch("fills_on", "Fills on", True),
        ],
        draw, update,
        description="Level against distance: a falling line for the mains alone, and one with the "
                    "fills that leaves it from about 26 m on.",
        size_in=(8, 4),
    )


def trim_figure() -> LiveFigure:
    """Gain behind the fills and cost ahead of them at each trim (lesson 05).

    Examples
    --------
    >>> trim_figure().text.splitlines()[0]
    'At -20 dB: 0 % of the covered rows are served, 100 % of the seats keep the stage.'
    """
    curve = inner_trims()
    set_db = hall().settings["Fill inner"].trim_db
    shown = (curve.trim_db >= _LOW_TRIM_DB) & (curve.trim_db <= _HIGH_TRIM_DB)
    trim = curve.trim_db[shown]
    above = [(100 * curve.served_share[shown], "rows served"),
             (100 * curve.precedence_share[shown], "seats that keep the stage")]
    below = [(curve.speech_covered[shown], "behind the fills"),
             (curve.speech_ahead[shown], "ahead of the fills")]

    def draw(figure: Figure) -> dict[str, Any]:
        top, bottom = figure.subplots(2, 1, sharex=True)
        top.set(xlim=(_LOW_TRIM_DB, _HIGH_TRIM_DB), ylim=(-4, 108), ylabel="Share (%)",
                yticks=(0, 50, 100))
        bottom.set(ylim=(0.44, 0.66), xlabel="Trim of the fills (dB)", ylabel="Speech (0 to 1)")
        marks = []
        for ax, lines in ((top, above), (bottom, below)):
            for (values, name), line in zip(lines, LINES, strict=False):
                ax.plot(trim, values, label=name, **line)
            key_above(ax)
            marks.append(ax.axvline(set_db, color=GREY))
        return {"marks": marks}

    def update(artists: dict[str, Any], *, trim_db: float) -> str:
        for mark in artists["marks"]:
            mark.set_xdata([trim_db, trim_db])
        served, kept, behind, ahead = (
            float(np.interp(trim_db, trim, values)) for values, _ in (*above, *below))
        off = curve.speech_without, float(curve.speech_ahead[0])
        passed = [name for name, bound in curve.bounds.items() if trim_db > bound]
        return (f"At {trim_db:g} dB: {served:.0f} % of the covered rows are served, {kept:.0f} % "
                f"of the seats keep the stage.\nSpeech index behind the fills {behind:.2f} (off "
                f"{off[0]:.2f}), ahead of them {ahead:.2f} (off {off[1]:.2f}).\n"
                f"Bounds passed: {', '.join(passed) or 'none'}.")

    return LiveFigure(
        "What a louder fill brings and costs",
        "Which trim is the smallest that serves nine rows in ten? Go on from there: which bound "
        "is passed first, and what becomes of the rows ahead of the fills?",
        [Slider("trim_db", "Trim of the fills", -30, 9, -20, step=0.5, unit="dB")],
        draw, update,
        description="Two pictures over the trim. Above, the share of rows served rises and that "
                    "of seats that keep the stage falls. Below, the speech index rises behind the "
                    "fills and falls ahead of them.",
        size_in=(8, 5),
    )


def _own_trim(mains_db: float, fill_db: float, goal_db: float, gap_ms: float = 5.0) -> str:
    wanted = float(fill_level_db(mains_db, goal_db))
    if not np.isfinite(wanted):
        return "The mains alone bring that already: this fill is not needed there."
    most = float(precedence_limit_db(gap_ms))
    over = wanted - mains_db
    how = "as loud as" if abs(over) < 0.05 else f"{over:+.1f} dB against"
    return (f"The fill alone must read {wanted:.1f} dB, {how} the mains: change its "
            f"trim by {wanted - fill_db:+.1f} dB.\n"
            f"For a gap of {gap_ms:g} ms the table allows {most:+.1f} dB. "
            + ("That holds." if over <= most else "That is too much: the voice leaves the stage.")
            + " Meters count the room as well, so walk and listen.")


def own_trim_form() -> NumberForm:
    """Return the form for the trim at a seat of the learner's own venue (lesson 05).

    Examples
    --------
    >>> form = own_trim_form()
    >>> for name, value in {"mains_db": "68", "fill_db": "72", "goal_db": "71"}.items():
    ...     form.entries[name].value = value
    >>> form.button.click()
    >>> form.text.splitlines()[0]
    'The fill alone must read 68.0 dB, as loud as the mains: change its trim by -4.0 dB.'
    """
    return NumberForm(
        "Three readings at one seat of your own venue, noise playing softly, everybody warned. "
        "The gap is that of the delay you set.",
        {"mains_db": "Meter, mains alone (dB)", "fill_db": "Meter, fill alone (dB)",
         "goal_db": "Level wanted (dB)"},
        {"gap_ms": "Gap at the seat (ms, 5 if empty)"},
        _own_trim)
