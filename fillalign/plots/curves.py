"""Curves of a plan: level along the walk, trim, speech, weather."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import ScaledTranslation

from fillalign._text import quoted
from fillalign._validate import FloatArray
from fillalign.field import IntArray
from fillalign.planning import FillPlan, FillReport, TrimCurve
from fillalign.plots.base import (
    DASHES,
    FILL_MARKERS,
    GREY,
    HUE,
    INK,
    PALE,
    axes_for,
    ink,
    label,
    letters,
    report,
    tidy,
)

if TYPE_CHECKING:
    import pandas as pd

# Of their room, where labels are still to be made room for.
_AXES_SHARE = 0.9


def _by_area(plan: FillPlan) -> Iterator[IntArray]:
    """Row indices of the walk, area by area, front to back."""
    for index in range(len(plan.venue.areas)):
        rows = np.flatnonzero(plan.walk.area == index)
        yield rows[np.argsort(plan.walk.x_m[rows])]


def walk_levels_plot(plan: FillPlan, *, which: str = "heard", ax: Axes | None = None) -> Axes:
    """Draw the level along the walk, with the mains alone and with the fills.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    which : {"heard", "meter"}
        Sound that decides (useful sound in a room, direct sound outdoors) with
        the profile it is held against, or the total that a meter shows.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        Distance in m against level in dBA.
    """
    ax = axes_for(ax)
    walk = plan.walk
    heard = which == "heard"
    before, after = (
        (walk.heard_before_dba, walk.heard_after_dba) if heard
        else (walk.before_dba, walk.after_dba)
    )
    lines: list[tuple[str, FloatArray, str, tuple[float, ...]]] = [
        ("mains alone", before, "o", (4, 2)),
    ]
    if any(fill.sounding for fill in plan.fills):
        lines.insert(0, ("with the fills", after, "s", ()))
    if heard:
        lines.append(("profile", walk.profile_dba, "", (1, 1.5)))
    for name, level, marker, dashes in lines:
        same: dict[str, Any] = {"label": name}
        for place, rows in enumerate(_by_area(plan)):
            line, = ax.plot(walk.x_m[rows], level[rows], marker=marker, markersize=2.5,
                            markevery=max(1, len(rows) // 8), linestyle="-",
                            dashes=dashes or (None, None), **same)
            # A curve that takes anything from the axes' cycle moves it on for the next name.
            same = {"color": line.get_color(), "linewidth": line.get_linewidth()}
            line.set_gid(f"walk {name} {place}")
    what = "useful" if plan.venue.indoors else "direct"
    tidy(ax, "x, m", f"{what if heard else 'total'} sound, dBA")
    # Above the axes, where no curve can run through the names.
    ax.legend(frameon=False, ncols=len(lines), loc="lower right", bbox_to_anchor=(1.0, 1.0),
              columnspacing=1.2, borderaxespad=0.1, borderpad=0.1)
    ax.margins(y=0.12)
    return ax


def trim_curve_plot(plan: FillPlan, fill: str, *, ax: Axes | None = None) -> Axes:
    """Draw what more trim on one fill brings and what it costs.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    fill : str
        Output of the fill.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        Trim in dB against the share of covered rows served and of covered seats
        that keep the image, in percent, with the bounds as upright lines.

    Raises
    ------
    ValueError
        If there is no such fill.
    """
    curve = tried_trims(report(plan, fill))
    ax = _against_trim(plan, fill, ax, {"rows served": 100 * curve.served_share,
                                        "image kept": 100 * curve.precedence_share})
    ax.set(ylim=(-4.0, 104.0), ylabel="share, %")
    return ax


def speech_plot(plan: FillPlan, fill: str, *, ax: Axes | None = None) -> Axes:
    """Draw what more trim on one fill does to speech behind it and ahead of it.

    Parameters
    ----------
    plan, fill, ax
        As in `trim_curve_plot`.

    Returns
    -------
    matplotlib.axes.Axes
        Trim in dB against the mean speech transmission index.

    Raises
    ------
    ValueError
        If there is no such fill.
    """
    curve = tried_trims(report(plan, fill))
    return _against_trim(plan, fill, ax, {"rows covered": curve.speech_covered,
                                          "rows ahead": curve.speech_ahead})


def tried_trims(fill: FillReport) -> TrimCurve:
    """Return what the trims of a fill would do; none was tried where nobody needs it."""
    if fill.trim is None:
        raise ValueError(f"fill {quoted(fill.output)} is off and not needed: no trim was tried")
    return fill.trim


def bound_letters(fill: FillReport) -> dict[str, tuple[float, str]]:
    """Letter on the trim axis, trim in dB and name of each bound."""
    bounds = tried_trims(fill).bounds.items()
    return {letter: (trim, name) for letter, (name, trim) in zip("abcdefgh", bounds, strict=False)}


def _against_trim(
    plan: FillPlan, fill: str, ax: Axes | None, curves: dict[str, FloatArray]
) -> Axes:
    """Draw curves over the trim, with the trim that is set and the bounds by letter above."""
    found, own = report(plan, fill), plan.settings[fill].trim_db
    trims = tried_trims(found).trim_db
    ax = axes_for(ax)
    for place, (name, values) in enumerate(curves.items()):
        ax.plot(trims, values, dashes=(4, 2) if place else (None, None), label=name)
    by_trim: dict[float, str] = {}
    for letter, (trim, _) in bound_letters(found).items():
        by_trim[trim] = by_trim.get(trim, "") + letter
    if np.isfinite(own):
        by_trim[own] = " ".join(filter(None, [by_trim.get(own), "set"]))
        ax.axvline(own, color=ink(ax))
    tiny = letters(ax)
    ax.set_xlim(max(float(trims[0]), min(by_trim) - 8.0), max(by_trim) + 1.5)
    rows = _rows_apart(ax, by_trim, tiny)
    for trim, marks in by_trim.items():
        if trim != own:
            ax.axvline(trim, color=GREY, linewidth=0.8, dashes=DASHES[2])
        ax.annotate(marks, (trim, 1.0), xycoords=("data", "axes fraction"),
                    xytext=(0, 1 + 1.17 * tiny * rows[trim]), textcoords="offset points",
                    ha="center", va="bottom", fontsize=tiny)
    tidy(ax, "trim, dB", "speech index")
    high = 1.17 * tiny * (1 + max(rows.values())) + 0.2 * tiny
    above = ax.transAxes + ScaledTranslation(0.0, high / 72, ax.figure.dpi_scale_trans)
    ax.legend(frameon=False, ncols=2, loc="lower right", bbox_to_anchor=(1.0, 1.0),
              bbox_transform=above, columnspacing=0.8, handlelength=1.8, borderpad=0.1,
              borderaxespad=0.1)
    return ax


def _rows_apart(ax: Axes, marks: dict[float, str], size_pt: float) -> dict[float, int]:
    """Return for each mark on the trim axis the lowest row above it that holds it whole."""
    low, high = ax.get_xlim()
    per_pt = (high - low) / (72 / ax.figure.dpi * ax.bbox.width * _AXES_SHARE)
    ends: list[float] = []
    rows = {}
    for trim, text in sorted(marks.items()):
        half = (0.35 * len(text) + 0.3) * size_pt * per_pt
        row = next((at for at, end in enumerate(ends) if trim - half > end), len(ends))
        ends[row:row + 1] = [trim + half]
        rows[trim] = row
    return rows


def retime_plot(plan: FillPlan, *, ax: Axes | None = None) -> Axes:
    """Draw how far each sounding fill's delay moves with the temperature.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        Temperature in degrees C against the change of delay in ms.
    """
    ax = axes_for(ax)
    rows = plan.retime_rows(plan.planned_airs())
    temperature = [row["temperature_c"] for row in rows]
    sounding = [fill.output for fill in plan.fills if fill.sounding]
    for place, name in enumerate(sounding):
        moved = [row[name] - plan.settings[name].delay_ms for row in rows]
        ax.plot(temperature, moved, marker=FILL_MARKERS[place % len(FILL_MARKERS)], markersize=4,
                markerfacecolor="white", dashes=DASHES[place % len(DASHES)] or (None, None),
                label=label(name))
    ax.axhline(0.0, color=GREY, linewidth=0.6)
    tidy(ax, "temperature, C", "change of delay, ms")
    if sounding:
        ax.legend(frameon=False, loc="best")
    return ax


PLACES_TITLE = ("Depth of the boxes against depth of their aim, with the share of rows served in "
                "percent (ring: the best, square: as now)")


def places_plot(places: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw what each place that was proposed would serve: where it hangs against where it aims.

    Parameters
    ----------
    places : pandas.DataFrame
        From `propose_places`: best first.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        Depth of the boxes against depth of their aim, both in m; at each place the share
        of the area's rows that it serves, in percent, a ring round the best and a square
        round where they hang now. Of several heights the best is shown.
    """
    ax = axes_for(ax)
    now = places[places["now"]]
    places = places.drop_duplicates(["x_m", "aim_x_m"])
    at, aim, share = (places[name].to_numpy() for name in ("x_m", "aim_x_m", "served_share"))
    ax.scatter(at, aim, s=30.0 + 170.0 * share, color=PALE, edgecolors=HUE, linewidths=0.8)
    ax.scatter(at[:1], aim[:1], s=320.0, facecolors="none", edgecolors=INK, linewidths=1.5)
    ax.scatter(now["x_m"], now["aim_x_m"], s=420.0, marker="s", facecolors="none",
               edgecolors=INK, linewidths=0.9)
    for x, y, part in zip(at, aim, share, strict=True):
        ax.text(x, y, f"{100 * part:.0f}", ha="center", va="center", color=INK,
                fontsize=letters(ax))
    ax.margins(0.12, 0.3)
    tidy(ax, "x of the boxes, m", "x that they aim at, m")
    return ax
