"""Pictures of a take: what came from mains and fill, how loud, and how a room dies away."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fillalign._text import plain
from fillalign._validate import FloatArray, as_number
from fillalign.audio import (
    PARTS_DB,
    GapReading,
    Heard,
    OctaveDecay,
)
from fillalign.levels import amplitude_to_db
from fillalign.plots.base import (
    DASHES,
    GREY,
    axes_for,
    finish_page,
    ink,
    letters,
    style_for_page,
    tidy,
)

_BEFORE_MS, _AFTER_MS, _LATE_MS = 3.0, 12.0, 120.0
_SMOOTH_MS = 2.0
_APART = 1.15  # of two waves as tall as 1 to either side
_LOWEST_DB = -50.0
_CURVE_TO_DB = -45.0


def _both(reading: GapReading) -> tuple[Heard, Heard]:
    """Return what was heard of mains and fill, or say that there is nothing to draw."""
    if not {"mains", "fill"} <= reading.heard.keys():
        raise ValueError(f"the reading holds nothing to draw: {reading.cannot_tell}")
    return reading.heard["mains"], reading.heard["fill"]


def _mark_arrivals(
    ax: Axes, mains: Heard, fill: Heard, planned_gap_ms: float | None, doubtful: bool
) -> None:
    """Draw an upright line at each first arrival, and where the fill was planned."""
    marks = [(mains.arrival_ms, "mains", DASHES[1]), (fill.arrival_ms, "fill", ())]
    if planned_gap_ms is not None:
        planned = as_number("planned_gap_ms", planned_gap_ms, "ms")
        marks.append((planned, "planned", DASHES[2]))
    tiny = letters(ax)
    for place, (at_ms, name, dashes) in enumerate(sorted(marks)):
        ax.axvline(at_ms, color=GREY if name == "planned" else ink(ax), linewidth=0.8,
                   dashes=dashes or (None, None), gid=f"arrival {name}")
        sure = "?" if doubtful and name == "fill" else ""
        ax.annotate(f"{name} {at_ms:.2f}{sure}", (at_ms, 1.0), xycoords=("data", "axes fraction"),
                    xytext=(0, 1 + 1.17 * tiny * place), textcoords="offset points",
                    ha="center", va="bottom", fontsize=tiny)


def responses_plot(
    reading: GapReading, *, planned_gap_ms: float | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the impulse responses of mains and fill over each other, first arrivals marked.

    Parameters
    ----------
    reading : GapReading
        One that holds what was `heard`, also one that is in doubt.
    planned_gap_ms : float, optional
        Where the plan wants the fill, in ms after the mains.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        Time after the mains in ms; each response as tall as its own peak, the mains above.

    Raises
    ------
    ValueError
        If the reading holds nothing to draw.
    """
    mains, fill = _both(reading)
    ax = axes_for(ax)
    gap = fill.arrival_ms
    low, high = min(0.0, gap) - _BEFORE_MS, max(0.0, gap) + _AFTER_MS
    for name, heard, middle, width in (("fill", fill, -_APART, 1.2), ("mains", mains, _APART, 0.8)):
        shown = (heard.time_ms >= low) & (heard.time_ms <= high)
        wave = heard.samples[shown]
        peak = max(float(np.abs(wave).max(initial=0.0)), 1e-30)
        line, = ax.plot(heard.time_ms[shown], middle + wave / peak, label=name,
                        dashes=(None, None), linewidth=width)
        line.set_gid(f"response {name}")
    tidy(ax, "time after the mains, ms", "")
    ax.set(xlim=(low, high), ylim=(-2.4, 2.4), yticks=[_APART, -_APART],
           yticklabels=["mains", "fill"])
    _mark_arrivals(ax, mains, fill, planned_gap_ms, reading.doubt is not None)
    return ax


def _level_db(heard: Heard) -> FloatArray:
    """Return the level of a response, smoothed over two milliseconds."""
    size = max(3, round(_SMOOTH_MS * heard.sample_rate_hz / 1000))
    window = np.hanning(size + 2)[1:-1]
    power = np.convolve(heard.samples**2, window / window.sum(), mode="same")
    return np.asarray(amplitude_to_db(np.sqrt(np.maximum(power, 1e-30))))


def arrival_levels_plot(
    reading: GapReading, *, planned_gap_ms: float | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the level of mains and fill against time, first arrivals marked.

    Parameters
    ----------
    reading, planned_gap_ms, ax
        As in `responses_plot`.

    Returns
    -------
    matplotlib.axes.Axes
        Time after the mains in ms against level in dB, 0 being the highest of the mains.

    Raises
    ------
    ValueError
        If the reading holds nothing to draw.
    """
    mains, fill = _both(reading)
    ax = axes_for(ax)
    zero = float(_level_db(mains).max())
    for name, heard, dashes in (("fill", fill, ()), ("mains", mains, (4, 2))):
        line, = ax.plot(heard.time_ms, _level_db(heard) - zero, label=name,
                        dashes=dashes or (None, None))
        line.set_gid(f"level {name}")
    tidy(ax, "time after the mains, ms", "level, dB")
    gap = fill.arrival_ms
    top = max(0.0, float(_level_db(fill).max()) - zero)
    ax.set(xlim=(min(0.0, gap) - 15.0, max(0.0, gap) + _LATE_MS), ylim=(_LOWEST_DB, top + 4.0))
    _mark_arrivals(ax, mains, fill, planned_gap_ms, reading.doubt is not None)
    ax.legend(frameon=False, loc="upper right")
    return ax


def _fitted_db(decay: OctaveDecay) -> tuple[slice, float] | None:
    """Return which samples the told time was read from, and that time in s."""
    for name, rt60_s in (("t30", decay.t30_s), ("t20", decay.t20_s)):
        if rt60_s is not None:
            high, low = PARTS_DB[name]
            level = decay.curve_db
            return slice(int(np.argmax(level <= high)), int(np.argmax(level < low))), rt60_s
    return None


def decay_plot(decay: Mapping[int, OctaveDecay], *, ax: Axes | None = None) -> Axes:
    """Draw how a room dies away, octave beside octave, with the part that each time is read from.

    Parameters
    ----------
    decay : mapping of int to OctaveDecay
        From `fillalign.audio.decay_times`.
    ax : matplotlib.axes.Axes, optional
        Where to draw; by default pyplot's current axes.

    Returns
    -------
    matplotlib.axes.Axes
        Time in s against the level of what is still to come in dB. Each octave starts further
        right; its name and reverberation time stand above its start, `-` where none is told.
    """
    ax = axes_for(ax)
    longest = max((each.rt60_s or 0.0 for each in decay.values()), default=0.0) or 1.0
    apart, tiny = 0.4 * longest, letters(ax)
    colour = None
    for place, (octave, each) in enumerate(decay.items()):
        curve = each.curve_db
        time = place * apart + np.arange(curve.size) / each.sample_rate_hz
        shown = curve > _CURVE_TO_DB
        shown[max(2, int(np.argmin(shown))) if not shown.all() else shown.size :] = False
        step = max(1, int(shown.sum()) // 600)
        line, = ax.plot(time[shown][::step], curve[shown][::step], color=colour,
                        dashes=(None, None), linewidth=0.9)
        line.set_gid(f"decay {octave}")
        colour = line.get_color()
        fitted, told = _fitted_db(each), "-"
        if fitted is not None:
            part, rt60_s = fitted
            told = f"{rt60_s:.2f} s"
            ends = time[[part.start, part.stop - 1]]
            # A least-squares line goes through the mean of what it is drawn through.
            level = curve[part].mean() - 60 / rt60_s * (ends - time[part].mean())
            ax.plot(ends, level, color=ink(ax), linewidth=2.2, alpha=0.55, dashes=DASHES[1],
                    gid=f"line {octave}")
        ax.annotate(f"{octave}\n{told}", (place * apart, 0.0), xytext=(0, 3), ha="left",
                    textcoords="offset points", va="bottom", fontsize=tiny)
    tidy(ax, "time, octaves side by side, s", "level still to come, dB")
    ax.set(xlim=(-0.1 * apart, (len(decay) - 1) * apart + 0.85 * longest), ylim=(_CURVE_TO_DB, 6))
    return ax


def take_overview(reading: GapReading, *, planned_gap_ms: float | None = None) -> Figure:
    """Draw both responses over their levels against time.

    Parameters
    ----------
    reading, planned_gap_ms
        As in `responses_plot`.

    Returns
    -------
    matplotlib.figure.Figure
        For a page or a screen; `svg_bytes` makes a file of it.

    Raises
    ------
    ValueError
        If the reading holds nothing to draw.
    """
    _both(reading)
    figure = Figure(figsize=(7.0, 5.0))
    for bottom, draw in ((0.58, responses_plot), (0.08, arrival_levels_plot)):
        ax = style_for_page(figure.add_axes((0.08, bottom, 0.9, 0.33)))
        finish_page(draw(reading, planned_gap_ms=planned_gap_ms, ax=ax))
    return figure


def take_text(reading: GapReading, *, planned_gap_ms: float | None = None) -> str:
    """Say in words what `take_overview` shows."""
    told = (f"in doubt: {reading.cannot_tell}" if reading.gap_ms is None else
            f"the fill comes {reading.gap_ms:.2f} ms after the mains")
    planned = "" if planned_gap_ms is None else f"; planned {planned_gap_ms:.2f} ms"
    return plain(f"Impulse responses of mains and fill over their levels against time: {told}"
                 f"{planned}.")
