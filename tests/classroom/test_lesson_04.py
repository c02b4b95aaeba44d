"""Figures and sounds of lesson 04 against arithmetic done by hand."""

from __future__ import annotations

import numpy as np
import pytest

from fillalign.classroom import demo_plan
from fillalign.classroom.lessons import l04
from fillalign.classroom.lessons.scales import frequency_axis
from tests.live_figures import moved


def test_comb_is_one_plus_a_turning_arrow():
    live = l04.comb_figure()
    text = moved(live, delay_ms=2.0, level_db=-6.0)
    assert text.startswith("First notch at 250 Hz, then one every 500 Hz; a faint pitch of 500 Hz.")
    # g = 0.501: peaks 20 lg 1.501, notches 20 lg 0.499.
    assert "Peaks +3.5 dB, notches -6.0 dB: 9.6 dB between them." in text
    frequency, level = live.artists["comb"].get_data()
    assert np.interp([1000, 1250], frequency, level) == pytest.approx([3.53, -6.04], abs=0.05)
    assert np.nanmax(level) <= 3.54
    assert np.nanmin(level) >= -6.05


@pytest.mark.parametrize("delay_ms", [0.2, 2.0, 6.0, 15.0])
def test_no_tooth_is_drawn_finer_than_the_dots_of_the_screen(delay_ms):
    live = l04.comb_figure()
    live.controls["delay_ms"].value = delay_ms
    frequency, level = live.artists["comb"].get_data()
    drawn = frequency[np.isfinite(level)]
    ax = live.picture.figure.axes[0]
    ends = [(drawn[-1] - 1000 / delay_ms, 0.0), (drawn[-1], 0.0)]
    if ends[0][0] > 0:
        assert np.ptp(ax.transData.transform(ends)[:, 0]) > 4
    band = live.artists["dense"].get_xy()
    assert band[:, 0].min() == pytest.approx(min(drawn[-1], 10_000), rel=0.002)
    if drawn[-1] < 9_900:
        assert band[:, 0].max() == 10_000
        assert set(np.round(band[:, 1], 2)) == {round(20 * np.log10(2), 2), -30.0}


def test_third_octaves_are_the_mean_power_of_the_fine_line():
    live = l04.comb_figure()
    moved(live, delay_ms=3.0, level_db=-3.0)
    centre, level = live.artists["thirds"].get_data()
    grid = np.linspace(1000 * 10**-0.05, 1000 * 10**0.05, 20001)
    power = np.abs(1 + 10 ** (-3 / 20) * np.exp(-2j * np.pi * grid * 0.003)) ** 2
    here = level[np.argmin(np.abs(centre - 1000))]
    assert here == pytest.approx(10 * np.log10(power.mean()), abs=0.01)


def test_equal_arrivals_cancel_to_nothing_and_spread_as_brute_force_says():
    assert "notches down to nothing" in l04.comb_figure().text
    levels = []
    for k in range(-3, 10):
        centre = 1000 * 10 ** (k / 10)
        grid = np.linspace(centre * 10**-0.05, centre * 10**0.05, 40001)
        levels.append(10 * np.log10((np.abs(1 + np.exp(-2j * np.pi * grid * 0.001)) ** 2).mean()))
    assert l04.thirds_spread_db(1.0) == pytest.approx(max(levels) - min(levels), abs=0.01)
    assert l04.thirds_spread_db(10.0) < 1.5 < l04.thirds_spread_db(5.0)


def test_an_equaliser_for_one_seat_mends_it_and_harms_the_neighbour():
    live = l04.seats_figure()
    plain = [live.artists[name].get_ydata().copy() for name in ("yours", "next")]
    moved(live, equaliser_on=True)
    mended = [live.artists[name].get_ydata() for name in ("yours", "next")]
    assert np.ptp(mended[0]) == pytest.approx(0, abs=1e-9)
    assert np.ptp(mended[1]) > np.ptp(plain[1]) + 10
    # What is added at both seats is the same.
    assert mended[1] - plain[1] == pytest.approx(mended[0] - plain[0])
    moved(live, level_db=-1)
    assert np.ptp(live.artists["yours"].get_ydata()) == pytest.approx(20 * np.log10(
        (1 - 10 ** (-1 / 20)) ** -1) - 12, abs=0.3)


def test_gaps_of_the_row_are_those_of_the_plan():
    live = l04.seats_figure()
    seats = demo_plan("tidewell_hall").seats()
    row = seats[(seats.x_m == 34) & (seats.fill == "Fill inner")].set_index("y_m").gap_ms
    text = moved(live, y_m=4.0, apart_m=1.0)
    assert text.startswith(f"Gap at your seat {row[4.0]:.1f} ms, 1 m on {row[5.0]:.1f} ms.")


def test_frequency_axis_has_no_other_ticks():
    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    frequency_axis(ax, 40, 600)
    assert [tick.get_text() for tick in ax.get_xticklabels()] == ["63", "125", "250", "500"]
    assert ax.get_xlim() == (40, 600)
    assert len(ax.get_xticks(minor=True)) == 0
