"""The venue drawn to scale: from above, from the side, and as a map of gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from fillalign._text import listed, quoted
from fillalign._validate import FloatArray
from fillalign.planning import FillPlan
from fillalign.plots.base import (
    FILL_MARKERS,
    GREY,
    HUE,
    INK,
    ONE_HUE,
    PAGE_PT,
    PALE,
    area_corners_m,
    axes_for,
    extent_m,
    ink,
    label,
    letters,
    tidy,
    venue_of,
)
from fillalign.venue import Area, Source, Venue

_KEY_COLUMN_IN = 2.2
_AIM_SHARE = 0.16
# In sizes of a letter.
_FIGURES_APART = 2.7


@dataclass(frozen=True)
class _Mark:
    """How one output is drawn, and what its entry in the key says."""

    marker: str
    colour: Any
    filled: bool
    text: str


def _marks(plan: FillPlan | Venue, other: Any) -> dict[str, _Mark]:
    venue = venue_of(plan)
    shapes, marks = iter(FILL_MARKERS * len(venue.outputs)), {}
    roles = {source.output: source.role for source in venue.sources}
    for name in venue.outputs:
        what: str = roles[name]
        off = False
        if isinstance(plan, FillPlan):
            own = plan.settings[name]
            off = bool(np.isneginf(own.trim_db))
            trim = f"{own.trim_db:+.1f}" if own.trim_db else "0.0"
            what = "off" if off else f"{own.delay_ms:.2f} ms, {trim} dB"
        marker = {"main": "s", "sub": "*"}.get(roles[name]) or next(shapes)
        colour = HUE if roles[name] == "fill" else other
        marks[name] = _Mark(marker, colour, not off, f"{label(name)}: {what}")
    return marks


def _key_columns(plan: FillPlan | Venue, width_in: float, size_pt: float) -> int:
    columns = int(width_in / (_KEY_COLUMN_IN * size_pt / PAGE_PT))
    return max(1, min(columns, len(venue_of(plan).outputs)))


def key_rows(plan: FillPlan | Venue, width_in: float) -> int:
    """Return how many rows the key of outputs takes in a plan view of that width on a page."""
    return -(-len(venue_of(plan).outputs) // _key_columns(plan, width_in, PAGE_PT))


def _draw_sources(ax: Axes, plan: FillPlan | Venue, axes: tuple[int, int], *, key: bool) -> None:
    """Draw every box with a line along its axis; `axes` are the two coordinates shown."""
    marks = _marks(plan, ink(ax))
    x0, x1, *_ = extent_m(plan)
    for source in venue_of(plan).sources:
        mark = marks[source.output]
        start, end = _aim(source, _AIM_SHARE * (x1 - x0))
        ax.plot(*zip(start[list(axes)], end[list(axes)], strict=True), color=mark.colour,
                linewidth=0.8, linestyle="-" if mark.filled else ":", zorder=3)
        ax.plot(*start[list(axes)], zorder=4, **_style(mark))
    if key:
        handles = [Line2D([], [], **_style(mark)) for mark in marks.values()]
        columns = _key_columns(plan, _width_in(ax), letters(ax, 1.0))
        ax.legend(handles, [mark.text for mark in marks.values()], loc="lower left",
                  bbox_to_anchor=(0.0, 1.0), ncols=columns, frameon=False, handletextpad=0.2,
                  columnspacing=1.2, borderpad=0.2)


def _width_in(ax: Axes) -> float:
    """Width that axes may take, labels included: their share of the columns of a grid."""
    spec = ax.get_subplotspec()
    share = len(spec.colspan) / spec.get_gridspec().ncols if spec else ax.get_position().width
    return share * float(ax.figure.bbox.width) / ax.figure.dpi


def _style(mark: _Mark) -> dict[str, Any]:
    return {"marker": mark.marker, "color": mark.colour, "markersize": 5.0, "linestyle": "none",
            "markerfacecolor": mark.colour if mark.filled else "white"}


def _aim(source: Source, length_m: float) -> tuple[FloatArray, FloatArray]:
    start, aim = np.array(source.position_m), np.array(source.aim_m)
    away = aim - start
    return start, start + away * min(1.0, length_m / max(float(np.linalg.norm(away)), 1e-9))


def _name_area(ax: Axes, area: Area) -> None:
    """Write an area's name along its lower edge, upright where it is narrow."""
    ax.apply_aspect()
    box = ax.transData.transform([(area.x_from_m, 0), (area.x_to_m, 0)])
    width_pt = float(box[1, 0] - box[0, 0]) * 72 / ax.figure.dpi
    name, tiny = label(area.name, "italic"), letters(ax)
    narrow = width_pt < 0.54 * tiny * len(name)
    middle = (area.x_from_m + area.x_to_m) / 2
    ax.annotate(name, (middle, area.y_from_m), xytext=(0, 2), textcoords="offset points",
                ha="center", va="bottom", rotation=90 if narrow else 0, fontsize=tiny,
                color=INK, style="italic", zorder=3.5,
                bbox={"facecolor": PALE, "edgecolor": "none", "pad": 0.6})


def _outline(ax: Axes, area: Area, *, facecolor: str = "none") -> None:
    ax.add_patch(Rectangle((area.x_from_m, area.y_from_m), area.x_to_m - area.x_from_m,
                           area.y_to_m - area.y_from_m, facecolor=facecolor, edgecolor=GREY,
                           linewidth=0.5))


def _start_view(ax: Axes | None, plan: FillPlan | Venue) -> tuple[Axes, float]:
    """Axes with the depth of the venue from left to right, and the room left around it."""
    ax, (x0, x1, *_) = axes_for(ax), extent_m(plan)
    pad = 0.02 * (x1 - x0)
    ax.set_xlim(x0 - pad, x1 + pad)
    return ax, pad


def plan_view(plan: FillPlan | Venue, *, ax: Axes | None = None, key: bool = True) -> Axes:
    """Draw the venue from above: seats, loudspeakers and where they look.

    Parameters
    ----------
    plan : FillPlan or Venue
        The plan, or a venue that is not planned yet.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.
    key : bool
        Whether to put the key of outputs above the axes: with delay and trim
        for a plan, with the role for a venue.

    Returns
    -------
    matplotlib.axes.Axes
        The axes, in metres on both.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from fillalign import read_demo_venue
    >>> ax = plan_view(read_demo_venue("lantern_room"), ax=Figure().add_subplot())
    >>> [text.get_text() for text in ax.get_legend().get_texts()]
    ['Mains: main', 'Fill: fill']
    """
    venue, (_, _, y0, y1, _) = venue_of(plan), extent_m(plan)
    ax, pad = _start_view(ax, plan)
    ax.set_aspect("equal")
    ax.set_ylim(y0 - pad, y1 + pad)
    tidy(ax, "x, from the line of the mains, m", "y, to the left, m", grid=False)
    if venue.room:
        room = venue.room
        ax.add_patch(Rectangle((room.x_from_m, -room.width_m / 2), room.x_to_m - room.x_from_m,
                               room.width_m, fill=False, edgecolor=ink(ax), linewidth=1.0))
    for area in venue.areas:
        _outline(ax, area, facecolor=PALE)
        _name_area(ax, area)
    _draw_sources(ax, plan, (0, 1), key=key)
    found = plan.fills if isinstance(plan, FillPlan) else ()
    seats = [report.reading.seat_m for report in found if report.sounding]
    for marker, (x, y, _) in [("x", venue.stage_microphone_m), *(("+", s) for s in seats)]:
        ax.plot(x, y, marker=marker, color=ink(ax) if marker == "x" else INK, markersize=5,
                linestyle="none", zorder=5)
    return ax


def natural_stretch(plan: FillPlan | Venue) -> float:
    """How many times a side section's heights need to be drawn larger, a whole number."""
    x0, x1, _, _, z1 = extent_m(plan)
    return max(1.0, float(np.round(0.17 * (x1 - x0) / z1)))


def side_section(
    plan: FillPlan | Venue, *, ax: Axes | None = None, stretch: float = 1.0
) -> Axes:
    """Draw the venue from the side: floor, ears, heights and tilts.

    Parameters
    ----------
    plan : FillPlan or Venue
        The plan, or a venue that is not planned yet.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.
    stretch : float
        How many times heights are drawn larger than lengths; named on the axis.

    Returns
    -------
    matplotlib.axes.Axes
        The axes, in metres on both.
    """
    venue, (*_, z1) = venue_of(plan), extent_m(plan)
    ax, _ = _start_view(ax, plan)
    ax.set_aspect(stretch)
    ax.set_ylim(-0.04 * z1, 1.06 * z1)
    drawn = "" if stretch == 1.0 else f" (drawn {stretch:g}:1)"
    tidy(ax, "x, from the line of the mains, m", f"z, m{drawn}", grid=False)
    ax.axhline(0.0, color=ink(ax), linewidth=1.0)
    if venue.room:
        room = venue.room
        ax.add_patch(Rectangle((room.x_from_m, 0.0), room.x_to_m - room.x_from_m, room.height_m,
                               fill=False, edgecolor=ink(ax), linewidth=1.0))
    for area in venue.areas:
        x = np.array([area.x_from_m, area.x_to_m])
        floor = area.floor_m + np.tan(np.radians(area.rake_deg)) * (x - x[0])
        ax.plot(x, floor, color=GREY, linewidth=2.0, solid_capstyle="butt")
        ax.plot(x, floor + area.ear_height_m, color=GREY, linewidth=0.8, dashes=(3, 2))
    _draw_sources(ax, plan, (0, 2), key=False)
    return ax


def _gap_grid(plan: FillPlan, area: Area, index: int, fill: int | None) -> FloatArray:
    """Gap at the seats of one area, (rows, seats), nan where the fill is not heard.

    Without a fill, that of the loudest one at each seat.
    """
    checks = plan.checks
    seats = area.seats_m()
    here = checks.area == index
    if fill is not None:
        here &= checks.fill == fill
    order = np.flatnonzero(here)[np.argsort(checks.level_difference_db[here], kind="stable")]
    # Later entries win, so the loudest fill of each seat stays.
    found = {tuple(point): gap for point, gap in
             zip(checks.point_m[order].tolist(), checks.gap_ms[order], strict=True)}
    gaps = np.array([found.get(tuple(point), np.nan) for point in seats.tolist()])
    return gaps.reshape(len(area.rows_x_m), -1)


def _gap_levels(gaps: FloatArray) -> FloatArray:
    """Contour values: round steps over all but the outermost gaps."""
    low, high = np.nanquantile(gaps, [0.02, 0.95])
    steps = [s for s in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if (high - low) / s <= 5.0]
    step = steps[0] if steps else 200.0
    first, last = np.floor(low / step), np.ceil(high / step)
    return np.asarray(np.arange(first, last + 1) * step)


def gap_map(plan: FillPlan, fill: str | None = None, *, ax: Axes | None = None) -> Axes:
    """Draw how long after the mains a fill arrives, at every seat that hears it.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    fill : str, optional
        Output of the fill; by default the loudest fill at each seat.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        The axes, in metres on both; the figures on the contours are ms. Hatching
        marks seats where the fill comes before the mains.

    Raises
    ------
    ValueError
        If there is no such fill, or it does not sound.
    """
    sounding = [report.output for report in plan.fills if report.sounding]
    if not sounding or (fill is not None and fill not in sounding):
        raise ValueError(f"fill must be one that sounds ({listed(sounding) or 'none does'}), "
                         f"got {quoted(fill)}")
    index = None if fill is None else list(plan.venue.outputs).index(fill)
    ax = axes_for(ax)
    ax.set_aspect("equal", anchor="N")
    tidy(ax, "x, m", "y, m", grid=False)
    areas = [(area, _gap_grid(plan, area, place, index))
             for place, area in enumerate(plan.venue.areas)]
    heard = [(area, gaps) for area, gaps in areas if np.isfinite(gaps).any()]
    boxes = np.array([source.position_m[:2] for source in plan.venue.sources
                      if source.output == fill or (fill is None and source.output in sounding)])
    _fit(ax, np.vstack([boxes, *(area_corners_m(area) for area, _ in heard)]))
    levels = _gap_levels(np.concatenate([gaps.ravel() for _, gaps in heard]))
    figures: list[FloatArray] = []
    for area, gaps in heard:
        _outline(ax, area)
        _contours(ax, area.seats_m().reshape(*gaps.shape, 3), gaps, levels, figures)
    ax.plot(*boxes.T, marker="^", color=HUE, markeredgecolor="white", markersize=6,
            linestyle="none", zorder=5)
    return ax


def _fit(ax: Axes, points: FloatArray) -> None:
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    pad = 0.04 * max(x1 - x0, y1 - y0)
    ax.set(xlim=(x0 - pad, x1 + pad), ylim=(y0 - pad, y1 + pad))
    ax.apply_aspect()


def _label_places(
    ax: Axes, levels: list[list[FloatArray]], taken: list[FloatArray]
) -> list[tuple[float, float]]:
    """One place on the longest line of each level, none near one in `taken` (in pixels)."""
    places: list[tuple[float, float]] = []
    apart = _FIGURES_APART * letters(ax) * ax.figure.dpi / 72
    for every in levels:
        lines = [line for line in every if len(line) > 1]
        if not lines:
            continue
        longest = max(lines, key=lambda line: float(np.hypot(*np.diff(line, axis=0).T).sum()))
        for share in (0.5, 0.3, 0.7, 0.15, 0.85):
            point = longest[int(share * (len(longest) - 1))]
            pixel = np.asarray(ax.transData.transform(point))
            if all(np.hypot(*(pixel - other)) > apart for other in taken):
                places.append((float(point[0]), float(point[1])))
                taken.append(pixel)
                break
    return places


def _contours(
    ax: Axes, points: FloatArray, gaps: FloatArray, levels: FloatArray, figures: list[FloatArray]
) -> None:
    x, y = points[..., 0], points[..., 1]
    if min(gaps.shape) < 2:
        # One row or one seat a row: figures instead of contours.
        for place in zip(x.ravel(), y.ravel(), gaps.ravel(), strict=True):
            if np.isfinite(place[2]):
                ax.annotate(f"{place[2]:.0f}", place[:2], fontsize=letters(ax), ha="center",
                            va="center")
        return
    shown = np.ma.masked_invalid(gaps)
    ax.contourf(x, y, shown, levels=levels, cmap=ONE_HUE, extend="both")
    lines = ax.contour(x, y, shown, levels=levels, colors=INK, linewidths=0.6)
    ax.clabel(lines, fmt="%g", fontsize=letters(ax), inline_spacing=2,
              manual=_label_places(ax, lines.allsegs, figures))
    if (gaps < 0).any():
        ax.contourf(x, y, shown, levels=[-1e9, 0.0], colors="none", hatches=["////"])
