"""A picture that stays: drawn once, then only its data change.

A new figure for every move of a slider costs three times as much. Sizes of
letters and lines come from one place, so that a projector gets all of them
larger at once.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from fillalign.plots.base import GREY, HUE, INK, PALE

__all__ = ["GREY", "HUE", "INK", "LINES", "PALE", "WARM", "Picture", "style"]

WARM = "#b4560f"
LINES: tuple[dict[str, Any], ...] = (
    {"color": HUE, "linestyle": "-"},
    {"color": WARM, "linestyle": (0, (5, 2))},
    {"color": INK, "linestyle": (0, (1.5, 1.5))},
    {"color": GREY, "linestyle": (0, (7, 2, 1.5, 2))},
)
"""Keyword arguments for the first to fourth curve: told apart in grey print too."""

_NORMAL = {
    "font.size": 10.0, "axes.labelsize": 10.0, "axes.titlesize": 11.0, "legend.fontsize": 9.0,
    "xtick.labelsize": 9.0, "ytick.labelsize": 9.0, "lines.linewidth": 1.8,
    "lines.markersize": 7.0, "axes.linewidth": 0.8, "grid.linewidth": 0.6,
}
_PROJECTOR_SCALE = {"font": 1.6, "line": 1.8}
NORMAL_DPI, PROJECTOR_DPI = 100, 130


def style(projector: bool) -> Any:
    """Return the matplotlib settings of a size: letters and lines larger on a projector."""
    sizes = {}
    for name, value in _NORMAL.items():
        kind = "font" if "size" in name and name != "lines.markersize" else "line"
        sizes[name] = value * (_PROJECTOR_SCALE[kind] if projector else 1.0)
    return {
        **sizes, "text.color": INK, "axes.labelcolor": INK, "axes.edgecolor": GREY,
        "xtick.color": INK, "ytick.color": INK, "axes.spines.top": False,
        "axes.spines.right": False, "axes.grid": True, "grid.color": PALE,
        "axes.axisbelow": True, "legend.frameon": False, "figure.facecolor": "white",
    }


class Picture:
    """One persistent figure with its artists.

    Parameters
    ----------
    draw : callable
        Takes the empty figure, draws axes and artists, and returns those that
        change, as a dictionary.
    size_in : (float, float)
        Width and height in inches.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
    artists : dict
        What `draw` returned.
    projector : bool
        Whether letters and lines have projector size; set with `rebuild`.
    """

    def __init__(
        self, draw: Callable[[Figure], dict[str, Any]], *, size_in: tuple[float, float] = (8, 4)
    ) -> None:
        self._draw = draw
        self.figure = Figure(figsize=size_in)
        self._canvas = FigureCanvasAgg(self.figure)
        self.artists: dict[str, Any] = {}
        self.projector = False

    def rebuild(self, update: Callable[[dict[str, Any]], str], *, projector: bool) -> str:
        """Draw all anew at a size, set the data and make room for the labels once."""
        self.projector = projector
        with matplotlib.rc_context(style(projector)):
            self.figure.clear()
            self.figure.set_dpi(PROJECTOR_DPI if projector else NORMAL_DPI)
            self.artists = self._draw(self.figure)
            text = update(self.artists)
            self.figure.set_layout_engine("constrained")
            self.figure.draw_without_rendering()
            # Left on, the layout would be solved again for every move of a slider.
            self.figure.set_layout_engine("none")
        return text

    def redraw(self, update: Callable[[dict[str, Any]], str]) -> str:
        """Set new data into the artists."""
        with matplotlib.rc_context(style(self.projector)):
            return update(self.artists)

    def png(self) -> bytes:
        """Return the picture as PNG."""
        held = io.BytesIO()
        options: dict[str, Any] = {"pil_kwargs": {"compress_level": 1}}
        with matplotlib.rc_context(style(self.projector)):
            self._canvas.print_png(held, **options)  # type: ignore[no-untyped-call]
        return held.getvalue()
