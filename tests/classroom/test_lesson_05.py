"""Figures and sounds of lesson 05 against the plan and arithmetic done by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fillalign.classroom import demo_plan
from fillalign.classroom.lessons import l05
from fillalign.classroom.lessons.hall import row_means_db, seats_with, with_fills
from tests.live_figures import moved


def test_walk_at_the_planned_trim_is_the_plan():
    live, walk = l05.walk_figure(), demo_plan("tidewell_hall").walk
    live.controls["trim_db"].value = demo_plan("tidewell_hall").settings["Fill inner"].trim_db
    assert live.artists["both"].get_ydata() == pytest.approx(walk.heard_after_dba)
    assert live.artists["mains"].get_ydata() == pytest.approx(walk.heard_before_dba)
    assert live.artists["profile"].get_visible()
    text = moved(live, what="what a meter shows")
    assert live.artists["both"].get_ydata() == pytest.approx(walk.after_dba)
    assert live.artists["mains"].get_ydata() == pytest.approx(walk.before_dba)
    assert not live.artists["profile"].get_visible()
    assert f"spreads over {walk.spread_db('after'):.1f} dB" in text
    moved(live, fills_on=False)
    assert live.artists["both"].get_ydata() == pytest.approx(walk.before_dba)


@pytest.mark.parametrize(("which", "within_db"), [("total", 1e-9), ("useful", 0.2)])
def test_three_trims_tell_the_level_at_every_trim(which, within_db):
    """Of useful sound, whose early window opens at the fill where that is far the louder."""
    planned = demo_plan("tidewell_hall").settings["Fill inner"].trim_db
    rows = l05.rows_by_trim(which, planned)
    for trim_db in (-30.0, -3.0, 9.0):
        field = seats_with(with_fills(trim_db=trim_db))
        assert rows(trim_db) == pytest.approx(row_means_db(field.weighted_db(which)),
                                              abs=within_db)


def test_a_loud_fill_makes_the_walk_climb():
    live = l05.walk_figure()
    text = moved(live, trim_db=9.0)
    level = live.artists["both"].get_ydata()[9:]
    highest = max(later - level[k] for k in range(level.size) for later in level[k:])
    assert text.startswith(f"Walking back from 13 m, the level climbs by {highest:.1f} dB at most.")
    assert highest > 8
    # Far behind the knee the fills rule there: 3 dB more of them is nearly 3 dB more.
    row = live.artists["both"].get_ydata()[26]
    moved(live, trim_db=6.0)
    assert row - live.artists["both"].get_ydata()[26] == pytest.approx(3, abs=0.5)


def test_trim_figure_reads_the_curve():
    live, curve = l05.trim_figure(), l05.inner_trims()
    assert "Bounds passed: none." in live.text
    assert live.controls["trim_db"].value < demo_plan("tidewell_hall").settings[
        "Fill inner"].trim_db
    text = moved(live, trim_db=-2.0)
    k = int(np.flatnonzero(curve.trim_db == -2.0)[0])
    assert f"ahead of them {curve.speech_ahead[k]:.2f}" in text
    assert f"{100 * curve.precedence_share[k]:.0f} % of the seats keep the stage" in text
    passed = text.rsplit("Bounds passed: ", 1)[1].removesuffix(".").split(", ")
    assert passed == [bound for bound, trim in curve.bounds.items() if trim < -2.0]
    assert [mark.get_xdata()[0] for mark in live.artists["marks"]] == [-2.0, -2.0]


def test_the_planned_trim_is_the_smallest_that_serves_nine_rows_in_ten():
    curve = l05.inner_trims()
    set_db = demo_plan("tidewell_hall").settings["Fill inner"].trim_db
    enough = curve.trim_db[curve.served_share >= 0.9]
    assert set_db == enough.min()
