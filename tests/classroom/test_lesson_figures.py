"""Every live figure of every lesson: what must be readable is, at both sizes.

Texts may not be cut, lie over each other or over a plot; every axis of numbers
names its unit.
"""

from __future__ import annotations

import itertools
import re

import matplotlib
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from fillalign.classroom.figures import style
from tests.classroom.test_exercises import MARKS
from tests.live_figures import all_figures

FIGURES = all_figures()
NUMBER = re.compile(r"[\u2212-]?[\d.,]+k?$")


def shown_ticks(axis):
    return [tick.label1 for tick in axis._update_ticks()
            if tick.label1.get_visible() and tick.label1.get_text()]


def texts_of(figure):
    """Return axis labels, tick labels and keys with their places in pixels."""
    found = []
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            found += [text for text in (axis.label, *shown_ticks(axis)) if text.get_text()]
        found += [axes.get_legend()] if axes.get_legend() else []
    return [(text, text.get_window_extent()) for text in (*found, *figure.legends)]


def faults_of(figure):
    """Return what is cut, lies over something else or lacks its unit."""
    texts, found = texts_of(figure), []
    for text, box in texts:
        if box.x0 < -0.5 or box.y0 < -0.5 or box.x1 > figure.bbox.x1 + 0.5 \
                or box.y1 > figure.bbox.y1 + 0.5:
            found.append(f"cut: {text}")
    found += [f"{one} over {other}" for (one, box), (other, place)
              in itertools.combinations(texts, 2) if box.overlaps(place)]
    for axes in figure.axes:
        plot = axes.bbox.shrunk(0.99, 0.99)
        found += [f"{text} over the plot" for text, box in texts if box.overlaps(plot)]
        for axis in (axes.xaxis, axes.yaxis):
            ticks = [label.get_text() for label in shown_ticks(axis)]
            unit = re.search(r"\(.+\)$", axis.label.get_text())
            if ticks and all(NUMBER.match(tick) for tick in ticks) and not unit:
                found.append(f"no unit: {axis.label}")
    return found


def test_there_are_figures_to_look_at():
    assert len(FIGURES) >= 17


@pytest.mark.parametrize("name", FIGURES)
def test_nothing_is_cut_or_overlaps_and_every_axis_has_its_unit(name):
    live = FIGURES[name]()
    assert not MARKS.search(live.plain()), live.plain()
    for projector in (False, True):
        if projector:
            # Not by the switch, which would draw every figure that was ever made anew.
            live.picture.rebuild(lambda artists: live._update(artists, **live.values),
                                 projector=True)
        with matplotlib.rc_context(style(projector)):
            assert faults_of(live.picture.figure) == [], projector


def test_faults_are_seen():
    figure = Figure(figsize=(3, 2))
    ax = figure.add_subplot()
    ax.plot([0, 1], label="a line that has a name as long as this whole picture is wide")
    ax.set(xlabel="Distance", ylabel="Level (dB)")
    ax.legend(loc="center")
    FigureCanvasAgg(figure).draw()
    found = faults_of(figure)
    for fault in ("cut: Legend", "Legend over the plot", "no unit: Text"):
        assert any(fault in one for one in found), (fault, found)
