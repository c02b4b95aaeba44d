"""Lesson 10: the learner's own room, against the planner and by hand."""

import numpy as np
import pytest

from fillalign import plan_fills, seat_field
from fillalign.classroom.lessons import l10


def test_room_figure_shows_the_plan_of_the_room_it_names():
    live = l10.room_figure()
    before = live.png
    for name, value in (("length_m", 44), ("rt60_s", 1.8), ("fill_at_m", 26), ("margin_ms", 8)):
        live.controls[name].value = value
    assert live.error == ""
    plan = plan_fills(l10.own_room(length_m=44, rt60_s=1.8, fill_at_m=26, margin_ms=8))
    np.testing.assert_allclose(live.artists["after"].get_ydata(), plan.walk.heard_after_dba)
    np.testing.assert_allclose(live.artists["profile"].get_ydata(), plan.walk.profile_dba)
    assert f"delay {plan.settings['Fills'].delay_ms:.1f} ms" in live.text
    assert live.png != before


def test_a_short_room_needs_no_fill():
    live = l10.room_figure()
    live.controls["length_m"].value = 15
    assert live.error == ""
    assert "No fill is needed here" in live.text
    np.testing.assert_allclose(
        live.artists["before"].get_ydata(), live.artists["after"].get_ydata()
    )


def test_own_room_keeps_what_it_is_given():
    room = l10.own_room(length_m=30, rt60_s=2.0, fill_at_m=18, temperature_c=25, margin_ms=3)
    assert room.room.x_to_m == 30
    assert room.states["show"].rt60_s[1000] == 2.0
    assert room.states["show"].air.temperature_c == 25
    assert room.sources[-1].position_m[0] == 18
    assert room.goals.image_margin_ms == 3
    assert seat_field(room).seats_m[:, 0].max() <= 28


def test_dialled_settings_move_every_gap_alike():
    plan = plan_fills(l10.own_room())
    own = plan.settings["Fills"]
    later = l10.dialled(plan, own.delay_ms + 7.0, own.trim_db)
    shift = later.checks.gap_ms.min() - plan.checks.gap_ms.min()
    assert shift == pytest.approx(7.0)
    assert later.settings["Fills"].trim_db == own.trim_db


def test_rings_are_timed_to_the_mains():
    # Arithmetic at 343 to 345 m/s: 85 m take 246 to 248 ms.
    truth = next(p for p in l10.PREDICTIONS if p.id == "10-a").truth()
    assert truth == pytest.approx(85_000 / 344, abs=1.5)
    largest = next(p for p in l10.PREDICTIONS if p.id == "10-b").truth()
    assert largest == 2.0
