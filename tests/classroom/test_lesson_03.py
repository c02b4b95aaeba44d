"""Figures of lesson 03 against triangles worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillalign.classroom.lessons import l03
from tests.live_figures import check_every_control

FIGURES = (l03.string_figure,)
# Cramer 1993 at 20 C and 40 %: 343.85 m/s.
SPEED_M_S = 343.85


@pytest.mark.parametrize("make", FIGURES, ids=lambda make: make.__name__)
def test_every_control_changes_the_picture_and_the_words(make):
    check_every_control(make())


@pytest.mark.parametrize("make", FIGURES, ids=lambda make: make.__name__)
@pytest.mark.parametrize("end", ["min", "max"])
def test_ends_of_the_sliders_work_and_curves_stay_inside(make, end):
    live = make()
    for control in live.controls.values():
        if hasattr(control, "step"):
            control.value = getattr(control, end)
            assert live.error == ""
    for ax in live.picture.figure.axes:
        for line in ax.lines:
            y = np.asarray(line.get_ydata(), dtype=float)
            y = y[np.isfinite(y)]
            if line.get_transform() == ax.transData and y.size:
                assert ax.get_ylim()[0] <= y.min()
                assert y.max() <= ax.get_ylim()[1]


def test_string_left_over_is_the_gap():
    # Right triangle with legs 75 m and 30 m beside 60 m and the hypotenuse of 15 m and 30 m.
    live = l03.string_figure()
    for name, value in (("box_m", 60), ("ahead_m", 15), ("aside_m", 30)):
        live.controls[name].value = value
    left = 60 + math.hypot(15, 30) - math.hypot(75, 30)
    assert f"{left:.1f} m of string" in live.text
    assert f"{1000 * left / SPEED_M_S:.1f} ms after" in live.text
    assert live.artists["string"].get_xdata() == [0, 60, 75]
    assert live.artists["straight"].get_ydata() == [0, 30]


@pytest.mark.parametrize("ahead_m", [1, 8, 30])
def test_on_the_line_they_come_together(ahead_m):
    live = l03.string_figure()
    live.controls["ahead_m"].value, live.controls["aside_m"].value = ahead_m, 0
    assert "together with the main" in live.text
