"""Figures of lesson 01 against numbers worked by hand from the published models."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillalign import read_venue, seat_field
from fillalign.classroom.lessons import l01
from fillalign.classroom.lessons.l01_exercises import box_levels_db
from fillalign.classroom.venues import demo_plan
from fillalign.classroom.widgets import projector
from tests.live_figures import check_every_control


@pytest.fixture(autouse=True)
def _normal_size():
    projector(False)
    yield
    projector(False)


FIGURES = (l01.level_figure, l01.mains_down_figure, l01.speech_figure, l01.placement_figure)


@pytest.mark.parametrize("make", FIGURES, ids=lambda make: make.__name__)
def test_every_control_changes_the_picture_and_the_words(make):
    check_every_control(make())


def test_levels_follow_inverse_square_and_barron_and_lee():
    # Barron and Lee 1988: (31200 T/V) exp(-0.04 r/T) against 100/r^2; 125 Hz radiates all ways.
    near, far = (
        10 * math.log10(100 / r**2 + 31200 * 2.0 / 7360 * math.exp(-0.04 * r / 2.0))
        for r in (4.0, 43.0)
    )
    direct, total, _ = box_levels_db(np.array([4.0, 43.0]), "125 Hz")
    assert direct[0] - direct[1] == pytest.approx(20 * math.log10(43 / 4), abs=1e-9)
    assert total[0] - total[1] == pytest.approx(near - far, abs=0.02)


def test_flat_model_is_hopkins_and_stryker():
    # 4/A with A = 0.161 V/T beside Q/(4 pi r^2), at 10 m, over the direct sound.
    room = 16 * math.pi * 100 / (0.161 * 7360 / 2.0)
    _, _, flat = box_levels_db(10.0, "125 Hz")
    assert float(flat) == pytest.approx(10 * math.log10(1 + room), abs=0.02)


def test_the_curve_of_an_empty_hall_lies_higher():
    live = l01.level_figure()
    full = live.artists["lines"][1].get_ydata().copy()
    live.controls["state"].value = "empty"
    assert np.all(live.artists["lines"][1].get_ydata() > full)


def test_rows_agree_with_the_seat_field_and_the_master_lifts_all():
    live = l01.mains_down_figure()
    field = seat_field(read_venue("data/tidewell_hall.toml"), sounding=["Main bus"])
    total = field.weighted_db("total")[field.seats_m[:, 0] == 20.0]
    row = 10 * math.log10(np.mean(10 ** (total / 10)))
    shown = live.artists["now"]
    assert shown.get_ydata()[list(shown.get_xdata()).index(20.0)] == pytest.approx(row, abs=0.01)
    before = shown.get_ydata().copy()
    live.controls["master_db"].value = 3.0
    np.testing.assert_allclose(shown.get_ydata() - before, 3.0)


def test_the_level_figure_has_room_for_every_octave():
    live = l01.level_figure()
    for octave in live.controls["octave"].options:
        for state in live.controls["state"].options:
            live.controls["octave"].value, live.controls["state"].value = octave, state
            low, high = live.picture.figure.axes[0].get_ylim()
            for line in live.artists["lines"]:
                assert low < line.get_ydata().min() < line.get_ydata().max() < high


def test_gain_before_feedback_is_that_of_the_plan():
    # The master that brings 71 dBA back is looked for by hand on the curve with fills.
    live = l01.mains_down_figure()
    live.controls["fills_on"].value = True
    live.controls["master_db"].value = round(71.0 - live.artists["now"].get_ydata()[-1], 1)
    assert live.artists["now"].get_ydata()[-1] == pytest.approx(71.0, abs=0.06)
    won = float(live.text.split(" dBA, ")[-1].split(" dB less")[0])
    assert won == pytest.approx(demo_plan("tidewell_hall").gain_before_feedback_db, abs=0.2)


def test_louder_helps_in_noise_only():
    live = l01.speech_figure()
    quiet = live.artists["now"].get_ydata().copy()
    live.controls["mains_db"].value = 10
    assert np.all(live.artists["now"].get_ydata() < quiet)
    live.controls["mains_db"].value = 0
    live.controls["noise_db"].value = 30
    noisy = live.artists["now"].get_ydata().copy()
    live.controls["mains_db"].value = 10
    assert np.all(live.artists["now"].get_ydata() > noisy + 0.05)


def test_fill_geometry_is_that_of_a_right_triangle():
    live = l01.placement_figure()
    tilt = math.degrees(math.atan2(4.6 - 1.2, 8.0))
    near = 26.0 + 3.4 / math.tan(math.radians(tilt + 30.0))
    assert f"{tilt:.0f} degrees" in live.text
    assert f"from {near:.0f} m" in live.text
    assert live.artists["beam"].get_xy()[1] == pytest.approx([near, 1.2])
    steep = live.artists["level"].get_ydata()[-1]
    live.controls["ahead_m"].value = 11
    assert live.artists["level"].get_ydata()[-1] > steep + 2


def test_player_keeps_honest_levels():
    player = l01.rows_player()
    assert list(player.clips) == ["row at 7 m", "row at 33 m"]
    loud, soft = (clip.std() for clip in player.clips.values())
    assert soft < loud
    player.controls["fills_on"].value = True
    front, back = (clip.std() for clip in player.clips.values())
    assert back / front > soft / loud
    assert max(abs(clip).max() for clip in player.clips.values()) <= 1
