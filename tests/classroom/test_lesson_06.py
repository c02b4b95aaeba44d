"""Figures and sounds of lesson 06 against the plan, scipy and arithmetic done by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from fillalign.classroom import demo_plan
from fillalign.classroom.lessons import l06
from fillalign.classroom.lessons.hall import rows_octaves_db
from fillalign.classroom.lessons.l06 import LOW_CUT_KINDS, area_db
from fillalign.planning import low_cuts
from tests.live_figures import moved


def test_bands_fall_the_more_the_higher_and_fills_leave_the_lows_alone():
    live = l06.bands_figure()
    last = [line.get_ydata()[-1] for line in live.artists["lines"]]
    assert last == sorted(last, reverse=True)
    at_reference = [np.interp(13, *line.get_data()) for line in live.artists["lines"]]
    assert at_reference == pytest.approx([0, 0, 0, 0])
    text = moved(live, fills_on=True, row_m=31)
    assert text.startswith("Row 31 against row 13: 125 Hz")
    assert live.artists["mark"].get_xdata()[0] == 31
    gained = rows_octaves_db(True)[27] - rows_octaves_db(False)[27]
    assert gained[1] < 0.3
    assert gained[[5, 7]].min() > 1.5


def test_octaves_of_the_rows_add_up_to_the_walk_of_the_plan():
    # Octave totals, A-weighted at the octave centres, follow the plan's dBA within a decibel.
    walk = demo_plan("tidewell_hall").walk
    octaves = rows_octaves_db(False)
    fall = octaves[-1, 4]
    assert walk.before_dba[-1] - np.interp(13, walk.x_m, walk.before_dba) == pytest.approx(
        fall, abs=0.5)


def test_low_cut_costs_what_the_plan_says():
    live, plan = l06.low_cut_figure(), demo_plan("tidewell_hall")
    trim_db = plan.settings["Fill inner"].trim_db
    for cut in low_cuts(plan, "Fill inner")[::5]:
        name = next(n for n, own in LOW_CUT_KINDS.items() if own == (cut.kind, cut.order))
        lost = area_db(None, name, trim_db) - area_db(cut.corner_hz, name, trim_db)
        # The plan tries low cuts before the shelf is chosen: a few hundredths apart.
        assert lost[1:13].max() == pytest.approx(cut.loss_db, abs=0.05)
    text = moved(live, corner="100 Hz", kind="Linkwitz-Riley, order 4", trim="as planned")
    cut = next(cut for cut in low_cuts(plan, "Fill inner")
               if (cut.corner_hz, cut.order, cut.kind) == (100.0, 4, "linkwitz-riley"))
    assert f"at most {cut.loss_db:.1f} dB are lost, at {cut.at_hz:g} Hz." in text
    assert moved(live, corner="none").startswith("No low cut: nothing is lost.")
    assert np.abs(live.artists["loss"].get_ydata()).max() == 0


def test_the_question_of_the_low_cut_has_another_answer_at_another_trim():
    """At 0 dB some corners fail, and at the planned trim it is a higher one that passes."""
    live, highest = l06.low_cut_figure(), {}
    limit = live.picture.figure.axes[0].get_lines()[0].get_ydata()[0]
    assert live.controls["corner"].value == "250 Hz"
    for trim in live.controls["trim"].options:
        live.controls["trim"].value, passed = trim, []
        for corner in live.controls["corner"].options[:-1]:
            live.controls["corner"].value = corner
            if live.artists["loss"].get_ydata().max() <= limit:
                passed.append(float(corner.removesuffix(" Hz")))
        assert passed, trim
        highest[trim] = max(passed)
    assert highest["0 dB"] < highest["as planned"] == 250.0
    assert highest["0 dB"] <= highest["-3 dB"] <= highest["as planned"]


def test_low_cut_keeps_its_own_curve_off_the_stage():
    saved = l06.stage_db(None, "Linkwitz-Riley, order 4") - l06.stage_db(
        200.0, "Linkwitz-Riley, order 4")
    # Order 4 leaves (f/200)^4 / (1 + (f/200)^4) of the pressure; mean power of the 100 Hz band.
    w = (np.linspace(10**1.95, 10**2.05, 2001) / 200) ** 4
    assert saved[3] == pytest.approx(-10 * np.log10(((w / (1 + w)) ** 2).mean()), abs=0.1)
    assert saved[16] == pytest.approx(0, abs=0.05)


def test_filter_is_butterworths_and_its_delay_the_slope_of_its_phase():
    live = l06.filter_figure()
    text = moved(live, corner_hz=200, read_hz=400, kind="Butterworth, order 2")
    frequency, level = live.artists["level"].get_data()
    assert level == pytest.approx(-10 * np.log10(1 + (200 / frequency) ** 4), abs=0.001)
    b, a = signal.butter(2, 200, "highpass", analog=True)
    _, cut = signal.freqs(b, a, [399.0, 401.0])
    late = -np.diff(np.unwrap(np.angle(cut)))[0] / (2 * np.pi * 2) * 1000
    assert f"At 400 Hz: -0.3 dB and {late:.1f} ms later." in text
    assert np.interp(400, *live.artists["delay"].get_data()) == pytest.approx(late, rel=0.002)
    assert live.artists["marks"][0].get_xdata()[0] == 400
