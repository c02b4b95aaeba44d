"""Whole pictures made of several views."""

from __future__ import annotations

from collections.abc import Callable

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fillalign._text import plain
from fillalign.planning import FillPlan
from fillalign.plots.base import PAGE_PT, extent_m, finish_page, style_for_page
from fillalign.plots.curves import walk_levels_plot
from fillalign.plots.views import key_rows, natural_stretch, plan_view, side_section


def overview(plan: FillPlan) -> Figure:
    """Draw the venue from above and from the side over the walk, on one x axis.

    Parameters
    ----------
    plan : FillPlan
        The plan.

    Returns
    -------
    matplotlib.figure.Figure
        For a page or a screen; `svg_bytes` makes a file of it.
    """
    x0, x1, y0, y1, z1 = extent_m(plan)
    width, left, right = 9.0, 0.62, 0.1
    scale = (width - left - right) / (1.04 * (x1 - x0))
    stretch = natural_stretch(plan)
    view = scale * (y1 - y0 + 0.04 * (x1 - x0))
    section, levels = scale * stretch * 1.1 * z1, 1.9
    key, gap = 0.16 * key_rows(plan, width - left - right) + 0.1, 0.66
    height = key + view + section + levels + 3 * gap
    figure = Figure(figsize=(width, height))
    top = height - key
    parts: list[tuple[float, Callable[[Axes], Axes]]] = [
        (view, lambda ax: plan_view(plan, ax=ax)),
        (section, lambda ax: side_section(plan, ax=ax, stretch=stretch)),
        (levels, lambda ax: walk_levels_plot(plan, ax=ax)),
    ]
    for tall, draw in parts:
        top -= tall
        box = (left / width, top / height, (width - left - right) / width, tall / height)
        finish_page(draw(style_for_page(figure.add_axes(box))))
        top -= gap
    figure.axes[-1].set_xlim(figure.axes[0].get_xlim())
    for title, ax in zip(("", "from the side", "along the walk"), figure.axes, strict=True):
        ax.set_title(title, loc="left", fontsize=PAGE_PT, fontweight="bold")
    return figure


def overview_text(plan: FillPlan) -> str:
    """Say in words what `overview` shows."""
    walk = plan.walk
    delays = ", ".join(
        f"{fill.output} {plan.settings[fill.output].delay_ms:.2f} ms at "
        f"{plan.settings[fill.output].trim_db:+.1f} dB"
        for fill in plan.fills if fill.sounding
    )
    return plain(
        f"{plan.venue.name} from above, from the side, and the level along the walk: "
        f"{walk.spread_db('before'):.1f} dB from front to back with the mains alone, "
        f"{walk.spread_db('after'):.1f} dB with the fills ({delays or 'none sounds'})."
    )
