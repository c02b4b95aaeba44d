"""A picture that stays: drawn once, then only its data change.

A new figure for every move of a slider costs three times as much. Sizes of
letters and lines come from one place, so that a projector gets all of them
larger at once.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from typing import Any

import matplotlib
import numpy as np
from cycler import cycler
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from PIL import Image

from fillalign.plots import GREY, HUE, INK, PALE

__all__ = ["GREY", "HUE", "INK", "LINES", "PALE", "WARM", "Picture", "key_above", "style"]

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
    pad = 3.5 * (_PROJECTOR_SCALE["font"] if projector else 1.0)
    return {
        **sizes, "xtick.major.pad": pad, "ytick.major.pad": pad,
        "text.color": INK, "axes.labelcolor": INK, "axes.edgecolor": GREY,
        "xtick.color": INK, "ytick.color": INK, "axes.spines.top": False,
        "axes.spines.right": False, "axes.grid": True, "grid.color": PALE,
        "axes.prop_cycle": cycler(color=[line["color"] for line in LINES]),
        "axes.axisbelow": True, "legend.frameon": False, "figure.facecolor": "white",
    }


def key_above(ax: Axes) -> None:
    """Name the lines above the plot, where no curve can run through the names.

    Examples
    --------
    >>> ax = Figure().add_subplot()
    >>> _ = ax.plot([0, 1], label="a line")
    >>> key_above(ax)
    >>> ax.get_legend().get_texts()[0].get_text()
    'a line'
    """
    room = 1.14 * ax.get_position().width * ax.figure.bbox.width
    for columns in range(len(ax.get_legend_handles_labels()[0]), 0, -1):
        legend = ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=columns,
                           borderaxespad=0.1, handlelength=3.0, columnspacing=1.2,
                           handletextpad=0.5)
        if legend.get_window_extent().width <= room:
            break
    # Below all that moves, so that it is kept as pixels.
    legend.set_zorder(0)


def _layer(artists: Mapping[str, Any]) -> list[Artist]:
    """Return what is drawn over the kept background: artists that change and all above them.

    Images stay out, since matplotlib draws them with the background anyway.
    """
    flat = [part for value in artists.values()
            for part in (value if isinstance(value, (list, tuple)) else [value])]
    moving = [part for part in flat if isinstance(part, Artist) and part.axes is not None
              and not isinstance(part, (Axes, AxesImage))]
    layer: list[Artist] = []
    for axes in dict.fromkeys(part.axes for part in moving if part.axes is not None):
        lowest = min(part.get_zorder() for part in moving if part.axes is axes)
        fixed = (axes.patch, axes.title, axes.xaxis, axes.yaxis)
        above = [child for child in axes.get_children() if child.get_zorder() >= lowest
                 and child not in fixed and not isinstance(child, (Axes, AxesImage))]
        layer += sorted(above, key=lambda child: child.get_zorder())
    return layer


class Picture:
    """One persistent figure with its artists.

    What stays is kept as pixels; only artists that change are drawn anew, and all
    of it when anything else did (limits, a title, a legend).

    Parameters
    ----------
    draw : callable
        Takes the empty figure, draws axes and artists, and returns those that
        change, as a dictionary (a value may be a list).
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
        self._canvas: Any = FigureCanvasAgg(self.figure)
        self.artists: dict[str, Any] = {}
        self.projector = False
        self._layer: list[Artist] = []
        self._background: Any = None

    def rebuild(self, update: Callable[[dict[str, Any]], str], *, projector: bool) -> str:
        """Draw all anew at a size, set the data and make room for the labels once."""
        self.projector = projector
        with matplotlib.rc_context(style(projector)):
            self.figure.clear()
            self.figure.set_dpi(PROJECTOR_DPI if projector else NORMAL_DPI)
            self.artists = self._draw(self.figure)
            text = update(self.artists)
            self.figure.set_layout_engine("constrained", wspace=0.06)
            self.figure.draw_without_rendering()
            # Left on, the layout would be solved again for every move of a slider.
            self.figure.set_layout_engine("none")
            self._background = None
        return text

    def redraw(self, update: Callable[[dict[str, Any]], str]) -> str:
        """Set new data into the artists."""
        with matplotlib.rc_context(style(self.projector)):
            return update(self.artists)

    def png(self) -> bytes:
        """Return the picture as PNG."""
        with matplotlib.rc_context(style(self.projector)):
            # Changes of the layer do not make the figure stale; whatever else changes does.
            if self._background is None or self.figure.stale:
                self._layer = _layer(self.artists)
                for artist in self._layer:
                    artist.set_animated(True)
                self._canvas.draw()
                self._background = self._canvas.copy_from_bbox(self.figure.bbox)
            else:
                self._canvas.restore_region(self._background)
            renderer = self._canvas.get_renderer()
            for artist in self._layer:
                artist.draw(renderer)
            self.figure.stale = False
        held = io.BytesIO()
        # Without the alpha channel and with little packing it takes a third less time.
        Image.fromarray(np.asarray(self._canvas.buffer_rgba())[..., :3]).save(
            held, "png", compress_level=1
        )
        return held.getvalue()
