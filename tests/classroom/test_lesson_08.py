"""Lesson 08: figures against CoolProp's humid air and by hand."""

import numpy as np
import pytest

from fillalign.classroom.lessons import l08
from tests.humid_air import humid_air


def coolprop_speed(temperature_c, humidity_pct, pressure_kpa):
    """Speed of sound in humid air, CoolProp (Wood, real-gas mixture)."""
    return humid_air("speed_of_sound", temperature_c, humidity_pct, pressure_kpa)


def test_evening_is_as_described():
    log = l08.evening_log()
    assert list(log.index[[0, -1]]) == ["17:00", "23:30"]
    assert log.temperature_c.iloc[[0, -1]].tolist() == [27.0, 13.0]
    assert log.humidity_pct.iloc[[0, -1]].tolist() == [40, 85]


def test_gap_figure_against_coolprop():
    live = l08.gap_figure()
    before = live.png
    live.controls["temperature_c"].value = 13.0
    assert live.error == ""
    x, left = live.artists["dot"].get_data()
    assert x[0] == 13.0
    warm = coolprop_speed(27.0, 40.0, 90.97)
    # Constant vapour: 40 % at 27 C is 95 % at 13 C (ratio of saturation pressures).
    cold = coolprop_speed(13.0, 95.2, 90.97)
    assert left[0] == pytest.approx(5.0 - (85_000 / cold - 85_000 / warm), abs=0.05)
    assert "BEFORE the mains" in live.text
    assert live.png != before
    line = live.artists["line"].get_ydata()
    assert line[26] == pytest.approx(left[0], abs=1e-9)


@pytest.mark.parametrize(("left_ms", "said"), [
    (4.0, "still fine"), (0.0, "margin is used up"), (-0.2, "drifts"), (-0.9, "drifts"),
    (-1.0, "sits in it"), (-6.0, "sits in it"),
])
def test_within_a_millisecond_the_image_drifts_and_beyond_it_has_moved(left_ms, said):
    # Summing localisation up to about 1 ms, the first arrival from there on: from memory.
    assert said in l08._heard(left_ms)
    assert "jumps" not in l08._heard(left_ms)


@pytest.mark.parametrize(("name", "value", "sign"), [
    ("wind_along_m_s", -3.0, -1), ("wind_along_m_s", 3.0, 1), ("margin_ms", 10.0, 1),
])
def test_each_control_moves_the_gap_the_right_way(name, value, sign):
    live = l08.gap_figure()
    before = float(live.artists["dot"].get_ydata()[0])
    live.controls[name].value = value
    assert np.sign(live.artists["dot"].get_ydata()[0] - before) == sign


def test_distance_matters_once_it_is_cold():
    live = l08.gap_figure()
    live.controls["temperature_c"].value = 13.0
    near = float(live.artists["dot"].get_ydata()[0])
    live.controls["distance_m"].value = 120
    assert live.artists["dot"].get_ydata()[0] < near


def test_evening_figure_follows_within_its_step():
    live = l08.evening_figure()
    before = live.png
    live.controls["step_ms"].value = 1.0
    assert live.error == ""
    early = float(live.text.rsplit(" ms", 1)[0].rsplit(" ", 1)[1])
    assert early <= 1.0
    live.controls["retime"].value = False
    assert "Never set anew." in live.text
    assert np.ptp(live.artists["set"].get_ydata()) == 0
    assert live.png != before
