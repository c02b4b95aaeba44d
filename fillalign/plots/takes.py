"""Pictures of a take: how a room dies away."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike

from fillalign.audio import (
    PARTS_DB,
    DecayCurve,
    OctaveDecay,
    decay_curves,
    decay_times,
)
from fillalign.plots.base import (
    DASHES,
    axes_for,
    ink,
    letters,
    tidy,
)

_CURVE_TO_DB = -45.0


def _fitted_db(curve: DecayCurve, decay: OctaveDecay) -> tuple[slice, float] | None:
    """Return which samples the told time was read from, and that time in s."""
    for name, rt60_s in (("t30", decay.t30_s), ("t20", decay.t20_s)):
        if rt60_s is not None:
            high, low = PARTS_DB[name]
            level = curve.level_db
            return slice(int(np.argmax(level <= high)), int(np.argmax(level < low))), rt60_s
    return None


def decay_plot(
    samples: ArrayLike, sample_rate_hz: float, *, interrupted: bool = False,
    ax: Axes | None = None,
) -> Axes:
    """Draw how a room dies away, octave beside octave, with the part that each time is read from.

    Parameters
    ----------
    samples, sample_rate_hz, interrupted
        As in `fillalign.audio.decay_times`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        Time in s against the level of what is still to come in dB. Each octave starts further
        right; its name and reverberation time stand above its start, `-` where none is told.

    Raises
    ------
    TypeError, ValueError
        As `fillalign.audio.decay_times`.
    """
    curves = decay_curves(samples, sample_rate_hz, interrupted=interrupted)
    times = decay_times(samples, sample_rate_hz, interrupted=interrupted)
    return _draw_decay(axes_for(ax), curves, times, float(sample_rate_hz))


def _draw_decay(
    ax: Axes, curves: Mapping[int, DecayCurve], times: Mapping[int, OctaveDecay], rate: float
) -> Axes:
    """Draw curves beside one another with the lines that were read from them."""
    longest = max((each.rt60_s or 0.0 for each in times.values()), default=0.0) or 1.0
    apart, tiny = 0.4 * longest, letters(ax)
    colour = None
    for place, (octave, curve) in enumerate(curves.items()):
        time = place * apart + np.arange(curve.level_db.size) / rate
        shown = curve.level_db > _CURVE_TO_DB
        shown[max(2, int(np.argmin(shown))) if not shown.all() else shown.size :] = False
        step = max(1, int(shown.sum()) // 600)
        line, = ax.plot(time[shown][::step], curve.level_db[shown][::step], color=colour,
                        dashes=(None, None), linewidth=0.9)
        line.set_gid(f"decay {octave}")
        colour = line.get_color()
        fitted, told = _fitted_db(curve, times[octave]), "-"
        if fitted is not None:
            part, rt60_s = fitted
            told = f"{rt60_s:.2f} s"
            ends = time[[part.start, part.stop - 1]]
            # A least-squares line goes through the mean of what it is drawn through.
            level = curve.level_db[part].mean() - 60 / rt60_s * (ends - time[part].mean())
            ax.plot(ends, level, color=ink(ax), linewidth=2.2, alpha=0.55, dashes=DASHES[1],
                    gid=f"line {octave}")
        ax.annotate(f"{octave}\n{told}", (place * apart, 0.0), xytext=(0, 3), ha="left",
                    textcoords="offset points", va="bottom", fontsize=tiny)
    tidy(ax, "time, octaves side by side, s", "level still to come, dB")
    ax.set(xlim=(-0.1 * apart, (len(curves) - 1) * apart + 0.85 * longest), ylim=(_CURVE_TO_DB, 6))
    return ax
