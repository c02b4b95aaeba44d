"""Figures of lesson 02 against travel times worked by hand and published speeds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillalign.classroom.lessons import l02
from fillalign.classroom.widgets import projector
from tests.live_figures import check_every_control

FIGURES = (l02.travel_figure, l02.causes_figure, l02.survey_figure)


@pytest.fixture(autouse=True)
def _normal_size():
    projector(False)
    yield
    projector(False)


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


@pytest.mark.parametrize(("temperature_c", "speed"), [(0, 331.3), (10, 337.3), (30, 349.0)])
def test_travel_time_and_cost_of_the_habit(temperature_c, speed):
    # The ideal gas: 331.3 sqrt(1 + t/273.15); humidity at 50 % adds up to 0.4 % at 30 C.
    live = l02.travel_figure()
    live.controls["temperature_c"].value = temperature_c
    assert speed == pytest.approx(331.3 * math.sqrt(1 + temperature_c / 273.15), abs=0.05)
    assert live.artists["now"].get_ydata()[-1] == pytest.approx(100_000 / speed, rel=0.005)
    cost = live.artists["cost"].get_ydata()
    wanted = 100_000 * (1 / speed - 1 / 343.2)
    assert cost[-1] == pytest.approx(wanted, abs=0.5)
    assert cost[0] == 0
    assert ("early" if temperature_c < 20 else "late") in live.text


def test_altitude_alone_does_nothing_and_humidity_little():
    # Cramer 1993: about 1.25 m/s from dry to saturated at 20 C; pressure hardly counts.
    live = l02.causes_figure()
    live.controls["altitude_m"].value = 2000
    live.controls["humidity_pct"].value = 100
    temperature, humidity, altitude = (bar.get_width() for bar in live.artists["bars"])
    assert abs(altitude) < 0.1
    assert humidity == pytest.approx(60_000 * (1 / 344.6 - 1 / 344.0), abs=0.05)
    assert temperature == pytest.approx(60_000 * (1 / 342.1 - 1 / 344.0), abs=0.05)


def test_laser_is_level_and_thermometer_rises_to_where_they_cross():
    live = l02.survey_figure()
    laser, heat = (live.artists[name].get_ydata() for name in ("laser", "heat"))
    assert np.ptp(laser) == 0
    assert laser[0] == pytest.approx(200 / 344, abs=0.001)
    crossing = float(live.text.split("From ")[1].split(" m")[0])
    assert crossing == pytest.approx(0.20 / (4 * 0.606 / 344), abs=1.5)
    assert heat[int(crossing) - 2] < laser[0] < heat[int(crossing) + 2]


def test_a_perfect_instrument_leaves_the_other():
    live = l02.survey_figure()
    live.controls["laser_cm"].value = 0
    assert "perfect" in live.text


def test_player_moves_the_second_arrival_by_the_error():
    player = l02.habit_player()
    right, habit = (clip.size for clip in player.clips.values())
    early_ms = float(player.text.split("comes ")[1].split(" ms")[0])
    assert (habit - right) / 48 == pytest.approx(early_ms, abs=0.06)
    player.controls["temperature_c"].value = 20
    right, habit = player.clips.values()
    np.testing.assert_array_equal(right, habit)
