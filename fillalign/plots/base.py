"""What all pictures share: colours, marks, axes, and a file that is the same every time.

Letters are as large as the axes' labels, ink is of their colour, and curves take
what the axes' property cycle gives: a script's own style shows, and `page_axes`
sets that of the sheet on its own axes alone. Nothing of matplotlib's process-wide
state is changed.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.text import Text

from fillalign._text import listed, plain, quoted
from fillalign.planning import FillPlan, FillReport
from fillalign.venue import Area, Venue

INK = "#222222"
HUE = "#1f5c99"
GREY = "#767676"
PALE = "#ececec"
ONE_HUE = LinearSegmentedColormap.from_list("one hue", ["#f6f9fc", "#5f93c4"])
PAGE_PT = 7.0
_TINY = 0.86
_LONGEST = 28
FILL_MARKERS = "^oDvPX<>ph"
DASHES: tuple[tuple[float, ...], ...] = ((), (5, 2), (1.5, 1.5), (7, 2, 1.5, 2), (3, 1, 1, 1))
_MADE_UP_ID = re.compile(rb'(id="|url\(#|href="#)((?:C\w+_)?[a-z]?[0-9a-f]{10})(?=["\)])')


def label(text: str, style: Literal["normal", "italic"] = "normal") -> str:
    """Return a name as text that is never taken for mathematics or a hidden entry, cut to fit.

    Letters for which the user's fonts have no shape in a style become question marks.
    """
    shown = plain(text)
    shown = shown if len(shown) <= _LONGEST else f"{shown[:_LONGEST - 3]}..."
    fonts = [get_font(findfont(FontProperties(family=[one], style=style))) for one in
             FontProperties().get_family()]
    shown = "".join(letter if any(font.get_char_index(ord(letter)) for font in fonts) else "?"
                    for letter in shown).replace("$", r"\$")
    return f" {shown}" if shown.startswith("_") else shown


def axes_for(ax: Axes | None) -> Axes:
    """Return the axes given, or pyplot's current ones."""
    if ax is not None:
        return ax
    from matplotlib import pyplot

    return pyplot.gca()


def letters(ax: Axes, share: float = _TINY) -> float:
    """Size in points of letters inside a plot: a share of the axes' labels."""
    return share * float(ax.xaxis.label.get_fontsize())


def ink(ax: Axes) -> Any:
    """Colour of what is neither curve nor map: that of the axes' labels."""
    return ax.xaxis.label.get_color()


def tidy(ax: Axes, x_label: str, y_label: str, *, grid: bool = True) -> None:
    """Label the axes and take away what carries nothing."""
    ax.set(xlabel=x_label, ylabel=y_label)
    ax.spines[["top", "right"]].set_visible(False)
    if grid:
        ax.grid(color=GREY, alpha=0.25, linewidth=0.5)
        ax.set_axisbelow(True)


def style_for_page(ax: Axes) -> Axes:
    """Give axes the small letters, thin lines and white paper of a page, whatever style is set."""
    ax.set_prop_cycle(color=[HUE, GREY, INK], linewidth=[1.5, 1.3, 1.3])
    ax.figure.set_facecolor("white")
    ax.set_facecolor("white")
    ax.grid(visible=False)
    ax.set_axisbelow("line")
    ax.spines[:].set(edgecolor=INK, linewidth=0.8)
    ax.tick_params(labelsize=PAGE_PT, length=2.5, color=INK, labelcolor=INK)
    for text in (ax.xaxis.label, ax.yaxis.label):
        text.set(fontsize=PAGE_PT, color=INK)
    return ax


def page_picture(
    draw: Callable[..., Axes], size_in: tuple[float, float], description: str
) -> bytes:
    """Return one picture of a page as SVG.

    Parameters
    ----------
    draw : callable
        Draws into the axes given as `ax`, like the functions of this package.
    size_in : (float, float)
        Width and height in inches.
    description : str
        What it shows, for those who do not see it.
    """
    figure = Figure(figsize=size_in, layout="constrained")
    finish_page(draw(ax=style_for_page(figure.add_subplot())))
    return svg_bytes(figure, description)


def finish_page(ax: Axes) -> None:
    """Bring the legend of drawn axes to the letters of a page, and all letters to its ink."""
    legend = ax.get_legend()
    for text in legend.get_texts() if legend else ():
        text.set_fontsize(letters(ax))
    for text in ax.findobj(Text):
        text.set_color(INK)


def extent_m(plan: FillPlan | Venue) -> tuple[float, float, float, float, float]:
    """Smallest and largest x and y, and largest z, that a drawing of the venue must hold."""
    venue = venue_of(plan)
    corners = [(x, y, area.seats_m()[:, 2].max()) for area in venue.areas
               for x, y in area_corners_m(area)]
    points = np.vstack([corners, [s.position_m for s in venue.sources], venue.stage_microphone_m])
    (x0, y0, _), (x1, y1, z1) = points.min(axis=0), points.max(axis=0)
    if venue.room:
        room = venue.room
        x0, x1 = min(x0, room.x_from_m), max(x1, room.x_to_m)
        y0, y1 = min(y0, -room.width_m / 2), max(y1, room.width_m / 2)
        z1 = max(z1, room.height_m)
    return float(x0), float(x1), float(y0), float(y1), float(z1)


def area_corners_m(area: Area) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return two opposite corners of an area from above: its seats stand inside."""
    return (area.x_from_m, area.y_from_m), (area.x_to_m, area.y_to_m)


def venue_of(plan: FillPlan | Venue) -> Venue:
    """Return the venue of a plan, or the venue itself."""
    return plan if isinstance(plan, Venue) else plan.venue


def report(plan: FillPlan, fill: str) -> FillReport:
    """Return what was found for one fill output, or raise ValueError."""
    for found in plan.fills:
        if found.output == fill:
            return found
    raise ValueError(f"fill must be one of {listed(found.output for found in plan.fills)}, got "
                     f"{quoted(fill)}")


def svg_bytes(figure: Figure, description: str) -> bytes:
    """Return a figure as SVG, the same bytes for the same plan and style."""
    held = io.BytesIO()
    layout = figure.get_layout_engine()
    if layout is not None:
        # It settles in steps where a scale drawing fills less than its room.
        layout.execute(figure)
        layout.execute(figure)
    figure.savefig(held, format="svg", facecolor=figure.get_facecolor(),
                   metadata={"Date": None, "Description": description, "Creator": None})
    # Matplotlib draws names for its shapes by lot; here they are counted.
    names: dict[bytes, bytes] = {}
    return _MADE_UP_ID.sub(
        lambda found: found[1] + names.setdefault(found[2], b"shape%d" % len(names)),
        held.getvalue(),
    )
