"""Figures of lesson 01 against numbers worked by hand from the published models."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillalign.classroom.lessons import l01
from fillalign.classroom.lessons.l01 import box_levels_db
from tests.live_figures import check_every_control

FIGURES = (l01.level_figure, l01.speech_figure)


@pytest.mark.parametrize("make", FIGURES, ids=lambda make: make.__name__)
def test_every_control_changes_the_picture_and_the_words(make):
    check_every_control(make())


def test_levels_follow_inverse_square_and_barron_and_lee():
    # Barron and Lee 1988: (31200 T/V) exp(-0.04 r/T) against 100/r^2; 125 Hz radiates all ways.
    near, far = (
        10 * math.log10(100 / r**2 + 31200 * 2.0 / 7360 * math.exp(-0.04 * r / 2.0))
        for r in (4.0, 43.0)
    )
    direct, total = box_levels_db(np.array([4.0, 43.0]), "125 Hz")
    assert direct[0] - direct[1] == pytest.approx(20 * math.log10(43 / 4), abs=1e-9)
    assert total[0] - total[1] == pytest.approx(near - far, abs=0.02)


def test_the_curve_of_an_empty_hall_lies_higher():
    live = l01.level_figure()
    full = live.artists["lines"][1].get_ydata().copy()
    live.controls["state"].value = "empty"
    assert np.all(live.artists["lines"][1].get_ydata() > full)


def test_the_level_figure_has_room_for_every_octave():
    live = l01.level_figure()
    for octave in live.controls["octave"].options:
        for state in live.controls["state"].options:
            live.controls["octave"].value, live.controls["state"].value = octave, state
            low, high = live.picture.figure.axes[0].get_ylim()
            for line in live.artists["lines"]:
                assert low < line.get_ydata().min() < line.get_ydata().max() < high


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


def test_player_keeps_honest_levels():
    player = l01.rows_player()
    assert list(player.clips) == ["row at 7 m", "row at 33 m"]
    loud, soft = (clip.std() for clip in player.clips.values())
    assert soft < loud
    player.controls["fills_on"].value = True
    front, back = (clip.std() for clip in player.clips.values())
    assert back / front > soft / loud
    assert max(abs(clip).max() for clip in player.clips.values()) <= 1
    player.controls["ears"].value = "headphones (two ears)"
    assert player.error == ""
    assert all(clip.shape[1:] == (2,) for clip in player.clips.values())
