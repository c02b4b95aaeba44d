"""Figures of lesson 02 against travel times worked by hand and published speeds."""

from __future__ import annotations

import numpy as np
import pytest

from fillalign.classroom.lessons import l02
from tests.live_figures import check_every_control

FIGURES = (l02.causes_figure,)


@pytest.mark.parametrize("make", FIGURES, ids=lambda make: make.__name__)
def test_every_control_changes_the_picture_and_the_words(make):
    check_every_control(make(), steps=20)


@pytest.mark.parametrize("make", FIGURES, ids=lambda make: make.__name__)
@pytest.mark.parametrize("end", ["min", "max"])
def test_curves_stay_inside_the_axes(make, end):
    live = make()
    for control in live.controls.values():
        control.value = getattr(control, end)
    assert live.error == ""
    for ax in live.picture.figure.axes:
        for line in ax.lines:
            if line.get_transform() == ax.transData:
                x, y = (np.asarray(side, dtype=float) for side in line.get_data())
                assert np.all((x >= ax.get_xlim()[0]) & (x <= ax.get_xlim()[1]))
                assert np.all((y >= ax.get_ylim()[0]) & (y <= ax.get_ylim()[1]))


def test_altitude_alone_does_nothing_and_humidity_little():
    # Cramer 1993: about 1.25 m/s from dry to saturated at 20 C; pressure hardly counts.
    live = l02.causes_figure()
    live.controls["altitude_m"].value = 2000
    live.controls["humidity_pct"].value = 100
    temperature, humidity, altitude = (bar.get_width() for bar in live.artists["bars"])
    assert abs(altitude) < 0.1
    assert humidity == pytest.approx(60_000 * (1 / 344.6 - 1 / 344.0), abs=0.05)
    assert temperature == pytest.approx(60_000 * (1 / 342.1 - 1 / 344.0), abs=0.05)
