"""What all pictures share: colours, marks, axes, and a file that is the same every time."""

from __future__ import annotations

import io
import warnings
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from fillalign._text import listed, plain, quoted
from fillalign.planning import FillPlan, FillReport

INK = "#222222"
HUE = "#1f5c99"
GREY = "#767676"
PALE = "#ececec"
ONE_HUE = LinearSegmentedColormap.from_list("one hue", ["#f6f9fc", "#5f93c4"])
SMALL, TINY = 7.0, 6.0
_LONGEST = 28
FILL_MARKERS = "^oDvPX<>ph"
DASHES: tuple[tuple[float, ...], ...] = ((), (5, 2), (1.5, 1.5), (7, 2, 1.5, 2), (3, 1, 1, 1))


def label(text: str) -> str:
    """Return a name as text that is never taken for mathematics or a hidden entry, cut to fit."""
    shown = plain(text)
    shown = (shown if len(shown) <= _LONGEST else f"{shown[:_LONGEST - 3]}...").replace("$", r"\$")
    return f" {shown}" if shown.startswith("_") else shown


def blank_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty figure that makes room for its labels."""
    return Figure(figsize=(width_in, height_in), layout="constrained")


def axes_for(ax: Axes | None, size_in: tuple[float, float]) -> Axes:
    """Return the axes given, or those of a new figure."""
    return blank_figure(*size_in).add_subplot() if ax is None else ax


def tidy(ax: Axes, x_label: str, y_label: str, *, grid: bool = True) -> None:
    """Label the axes and take away what carries nothing."""
    ax.set_xlabel(x_label, fontsize=SMALL)
    ax.set_ylabel(y_label, fontsize=SMALL)
    ax.tick_params(labelsize=SMALL, length=2.5)
    ax.spines[["top", "right"]].set_visible(False)
    if grid:
        ax.grid(color="#dddddd", linewidth=0.5)
        ax.set_axisbelow(True)


def extent_m(plan: FillPlan) -> tuple[float, float, float, float, float]:
    """Smallest and largest x and y, and largest z, that a drawing of the venue must hold."""
    venue = plan.venue
    seats = np.vstack([area.seats_m() for area in venue.areas])
    points = np.vstack([seats, [s.position_m for s in venue.sources], venue.stage_microphone_m])
    (x0, y0, _), (x1, y1, z1) = points.min(axis=0), points.max(axis=0)
    if venue.room:
        room = venue.room
        x0, x1 = min(x0, room.x_from_m), max(x1, room.x_to_m)
        y0, y1 = min(y0, -room.width_m / 2), max(y1, room.width_m / 2)
        z1 = max(z1, room.height_m)
    return float(x0), float(x1), float(y0), float(y1), float(z1)


def report(plan: FillPlan, fill: str) -> FillReport:
    """Return what was found for one fill output, or raise ValueError."""
    for found in plan.fills:
        if found.output == fill:
            return found
    raise ValueError(f"fill must be one of {listed(found.output for found in plan.fills)}, got "
                     f"{quoted(fill)}")


def svg_bytes(figure: Figure, description: str) -> bytes:
    """Return a figure as SVG, the same bytes for the same plan.

    Letters become outlines, so that it looks alike everywhere.
    """
    text = io.BytesIO()
    steady: dict[Any, Any] = {
        "svg.hashsalt": "fillalign", "svg.fonttype": "path", "hatch.linewidth": 0.5,
    }
    with warnings.catch_warnings(), matplotlib.rc_context(steady):
        # A name in a script without glyphs here is drawn as boxes: no reason to stop.
        warnings.filterwarnings("ignore", message="Glyph|Matplotlib currently does not support")
        layout = figure.get_layout_engine()
        if layout is not None:
            # It settles in steps where a scale drawing fills less than its room.
            layout.execute(figure)
            layout.execute(figure)
        figure.savefig(text, format="svg",
                       metadata={"Date": None, "Description": description, "Creator": None})
    return text.getvalue()
