"""The seat panel as a picture that does not move."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING, Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fillalign.classroom.figures import INK, LINES, style
from fillalign.plots import plan_view, side_section

if TYPE_CHECKING:
    from fillalign.classroom.seat import SeatPanel


def still(panel: SeatPanel) -> Figure:
    """Draw the hall with the listener, its section, and the two arrivals.

    Examples
    --------
    >>> from fillalign import read_demo_venue
    >>> from fillalign.classroom import seat_panel
    >>> len(still(seat_panel(read_demo_venue("lantern_room"))).axes)
    3
    """
    import matplotlib

    with matplotlib.rc_context(style(False)):
        figure = Figure(figsize=(9, 6.2), layout="constrained")
        over, beside, spikes = figure.subplots(
            3, 1, gridspec_kw={"height_ratios": [2.2, 1.0, 1.3]})
        plan_view(panel.venue, ax=over, key=False)
        side_section(panel.venue, ax=beside)
        x, y, z = panel.listener_m
        for ax, up in ((over, y), (beside, z)):
            ax.plot(x, up, marker="o", markersize=9, markerfacecolor="white", color=INK,
                    markeredgewidth=2, linestyle="none", zorder=6)
        _spikes(spikes, panel)
        figure.suptitle(panel.heard.verdict, fontsize=11, fontweight="bold")
    return figure


def _spikes(ax: Axes, panel: SeatPanel) -> None:
    """Draw the arrivals as spikes, the two that the verdict is about by name."""
    heard = panel.heard
    ax.set(xlabel="Arrival after the mains (ms)", ylabel="Level (dBA)")
    if heard.mains_ms is None or heard.mains_dba is None:
        return
    first, low = heard.mains_ms, 10 * floor(heard.mains_dba / 10) - 20.0
    pairs: list[tuple[str, float, float, dict[str, Any]]] = [
        ("mains", first, heard.mains_dba, LINES[2])]
    if heard.fill_ms is not None and heard.fill_dba is not None:
        pairs.append(("fill", heard.fill_ms, heard.fill_dba, LINES[0]))
        low = min(low, 10 * floor(heard.fill_dba / 10) - 10.0)
    for name, time, level, look in pairs:
        ax.plot([time - first] * 2, [low, level], **{**look, "linewidth": 3})
        ax.annotate(f"{name} {level:.1f} dBA", (time - first, level), xytext=(6, 0),
                    textcoords="offset points", va="center", color=look["color"])
    reach = max(40.0, 1.4 * max(abs(time - first) for _, time, *_ in pairs))
    ax.set(xlim=(-reach, reach), ylim=(low, max(level for _, _, level, _ in pairs) + 6))
