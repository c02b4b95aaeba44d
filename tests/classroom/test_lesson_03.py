"""Figures of lesson 03 against triangles worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fillalign import read_venue, seat_field
from fillalign.classroom.lessons import l03
from fillalign.classroom.venues import demo_plan
from fillalign.classroom.widgets import projector
from tests.live_figures import check_every_control

FIGURES = (l03.string_figure, l03.late_map_figure, l03.equal_level_figure)
# Cramer 1993 at 20 C and 40 %: 343.85 m/s.
SPEED_M_S = 343.85


@pytest.fixture(autouse=True)
def _normal_size():
    projector(False)
    yield
    projector(False)


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
    live.controls["ahead_m"].value = ahead_m
    assert "together with the main" in live.text


def test_map_is_never_early_box_to_box_and_early_for_one_seat():
    live = l03.late_map_figure()
    for box_m in (15, 60, 90):
        live.controls["box_m"].value = box_m
        assert "On 0 %" in live.text
    live.controls["box_m"].value = 60
    live.controls["rule"].value = "one seat"
    wanted = 1000 * (math.hypot(75, 15) - math.hypot(15, 15)) / SPEED_M_S
    assert live.text.startswith(f"Delay {wanted:.1f} ms")
    assert "On 0 %" not in live.text


def test_box_to_box_they_come_together_on_one_line():
    """On the line behind the fill, and nowhere else: no contour beside it."""
    live = l03.late_map_figure()
    together = live.artists["lines"][l03._FIGURES_MS.index(0.0)]
    x, y = together.get_data()
    on = np.isfinite(x)
    assert set(y[on]) == {0.0}
    assert (x[on].min(), x[on].max()) == (0.0, 40.0)
    assert np.count_nonzero(np.diff(on.astype(int)) < 0) == 1


def test_the_seat_that_is_marked_has_its_gap_told_in_both_modes():
    # Hypotenuses of 75 and 15 m, of 15 and 15 m, box to box 60 m.
    late = 1000 * (60 + math.hypot(15, 15) - math.hypot(75, 15)) / SPEED_M_S
    live = l03.late_map_figure()
    assert f"the fill arrives {late:.1f} ms after the main." in live.text
    live.controls["rule"].value = "one seat"
    assert "At the seat marked the fill arrives together with the main." in live.text


def test_map_shades_the_seat_timed_for_as_just_in_time():
    live = l03.late_map_figure()
    live.controls["rule"].value = "one seat"
    early, soon, *_ = (ground.get_paths()[0] for ground in live.artists["ground"])
    assert not early.contains_point((15.0, 17.0))
    assert soon.contains_point((15.0, 17.0))
    assert early.contains_point((20.0, 0.0))


@pytest.mark.parametrize(("rule", "figures"), [
    ("box to box", ("0", "5", "15", "30")), ("one seat", ("-5", "0", "5", "15", "30"))])
def test_map_lines_run_where_the_gap_is_their_figure(rule, figures):
    live = l03.late_map_figure()
    live.controls["rule"].value = rule
    delay = 60.0 if rule == "box to box" else math.hypot(75, 15) - math.hypot(15, 15)
    shown = {}
    for line, figure in zip(live.artists["lines"], live.artists["figures"], strict=True):
        x, y = line.get_data()
        gap = 1000 * (delay + np.hypot(x, y) - np.hypot(x + 60, y)) / SPEED_M_S
        if figure.get_visible():
            shown[figure.get_text()] = gap[np.isfinite(gap)]
            assert figure.get_position() in zip(x, y, strict=True)
    assert tuple(shown) == figures
    for figure, gap in shown.items():
        # Straight pieces between points a metre apart.
        np.testing.assert_allclose(gap, float(figure), atol=0.4)


def test_every_crossing_is_told_and_marked_and_the_gap_follows_the_delay():
    live = l03.equal_level_figure()
    gap = live.artists["gap"].get_ydata().copy()
    live.controls["delay_ms"].value = 80.0
    np.testing.assert_allclose(live.artists["gap"].get_ydata() - gap, 4.0)
    for trim_db in np.arange(-20.0, 0.5, 1.0):
        live.controls["trim_db"].value = trim_db
        mains, fill = (line.get_ydata() for line in live.picture.figure.axes[0].get_lines()[:2])
        louder = fill > mains
        places = l03._ROWS_M[:-1][louder[1:] != louder[:-1]]
        marked = [line.get_xdata()[0] for line in live.artists["here"][::2]]
        marked = [x for x in marked if np.isfinite(x)]
        assert len(marked) == len(places)
        assert all(low <= x <= low + 0.5 for x, low in zip(marked, places, strict=True))
        said = live.text.splitlines()[0]
        assert said.startswith("Nowhere equally loud" if not marked else "Direct sounds are")
        assert all(f"{x:.1f}" in said for x in marked)
        assert ("to the last row the fill is the louder one" in said) == (
            bool(marked) and louder[-1])


def test_the_meter_at_the_equal_seat_counts_the_room_too():
    plan = demo_plan("tidewell_hall")
    live = l03.equal_level_figure()
    seat = [[float(live.text.split("again at ")[1].split(" m")[0]), 2.5, 1.2]]
    names = [fill.output for fill in plan.fills if fill.sounding]
    read = [seat_field(plan.venue, plan.settings, seats_m=seat, sounding=heard).weighted_db()[0]
            for heard in (["Main bus"], names)]
    mains, fills = (float(text.split()[-1]) for text in
                    live.text.split("reads ")[1].removesuffix(" dBA.").split(", "))
    assert (mains, fills) == pytest.approx(read, abs=0.06)
    assert mains - fills > 1


def test_levels_and_gaps_are_those_of_the_seat_field():
    plan = demo_plan("tidewell_hall")
    field = seat_field(read_venue("data/tidewell_hall.toml"), plan.settings,
                       seats_m=[[34.0, 2.5, 1.2]])
    mains, fills = (field.outputs.index(name) for name in ("Main bus", "Fill inner"))
    live = l03.equal_level_figure()
    live.controls["delay_ms"].value = 76.0
    place = list(live.artists["gap"].get_xdata()).index(34.0)
    own = plan.settings["Fill inner"].delay_ms
    wanted = field.arrival_ms[fills, 0] - field.arrival_ms[mains, 0] + 76.0 - own
    assert live.artists["gap"].get_ydata()[place] == pytest.approx(wanted, abs=1e-9)
    # Main left (0, 6.5, 4.6) and fill 2 (26, 2.5, 4.6), latencies 2.2 and 3.4 ms.
    ways = math.dist((0, 6.5, 4.6), (34, 2.5, 1.2)) - math.dist((26, 2.5, 4.6), (34, 2.5, 1.2))
    assert wanted == pytest.approx(76.0 + 1.2 - 1000 * ways / SPEED_M_S, abs=0.1)


@pytest.mark.parametrize(("fault", "gap"), [
    ("no delay set", -26 / SPEED_M_S * 1000),
    ("delay set twice", 26 / SPEED_M_S * 1000),
    ("26 dialled as feet", (26 * 0.3048 - 26) / SPEED_M_S * 1000),
    ("5 ms of latency forgotten", 5.0),
    ("set right, but a seat 4 m ahead of the fill", 8 / SPEED_M_S * 1000),
])
def test_slap_is_apart_by_the_fault(fault, gap):
    player = l03.slap_player()
    player.controls["fault"].value = fault
    assert player.error == ""
    word = "after" if gap > 0 else "before"
    assert f"{abs(gap):.1f} ms {word}" in player.text
    together, apart = player.clips.values()
    assert (apart.size - together.size) / 48 == pytest.approx(abs(gap), abs=0.05)


def test_softer_second_clap_stays_softer():
    player = l03.slap_player()
    _, loud = player.clips.values()
    player.controls["level_db"].value = -20
    _, soft = player.clips.values()
    assert np.abs(soft[-2000:]).sum() == pytest.approx(0.1 * np.abs(loud[-2000:]).sum(), rel=0.01)
