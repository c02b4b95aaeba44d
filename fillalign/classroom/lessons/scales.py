"""Scales that several lessons share."""

from __future__ import annotations

from matplotlib import rcParams
from matplotlib.axes import Axes
from matplotlib.ticker import NullFormatter, NullLocator

_TICKS_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)


def frequency_axis(ax: Axes, low_hz: float, high_hz: float) -> None:
    """Make the horizontal axis one of octaves, with their nominal centres in Hz as ticks.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> ax = Figure().add_subplot()
    >>> frequency_axis(ax, 100, 3000)
    >>> [tick.get_text() for tick in ax.get_xticklabels()]
    ['125', '250', '500', '1k', '2k']
    """
    ticks = [tick for tick in _TICKS_HZ if low_hz <= tick <= high_hz]
    ax.set_xscale("log")
    ax.set(xlim=(low_hz, high_hz), xlabel="Frequency (Hz)")
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_xticks(ticks, [f"{t / 1000:g}k" if t >= 1000 else f"{t:g}" for t in ticks])
    # On one line, though a k is taller than a figure.
    size, pad = float(ax.xaxis.get_ticklabels()[0].get_fontsize()), rcParams["xtick.major.pad"]
    ax.tick_params(axis="x", pad=pad + 0.75 * size)
    for label in ax.get_xticklabels():
        label.set_verticalalignment("baseline")
