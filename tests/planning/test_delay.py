"""Delay decisions: weights, the counting main, and uncertainty against Monte Carlo."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import Air, Measured, Survey, evaluate
from fillalign.field.paths import trace_paths, venue_seats
from fillalign.field.superpose import measured_shifts_db, resting_settings
from fillalign.planning.delay import (
    counting_mains,
    delay_uncertainty,
    level_weights,
    planned_delay_ms,
    reference_sources,
)
from fillalign.planning.plan import _Planner
from tests.small_venue import small_hall, with_output

NO_SHIFT = np.zeros((2, 27))


def test_weights_by_nearness_of_level():
    weights = level_weights(np.array([0.0, 3.0, -3.0, 6.5, -10.0, 25.0]))
    np.testing.assert_allclose(weights, [1, 1, 1, 0.5, 0, 0])


def test_where_no_level_is_near_the_nearest_tenth_decides():
    weights = level_weights(np.linspace(12.0, 40.0, 20))
    assert weights.sum() == 2
    assert weights[:2].all()


def test_main_that_counts_is_the_earliest_within_10_db():
    hall = small_hall()
    paths = trace_paths(hall, venue_seats(hall), hall.states["show"], Air(20.0))
    settings = resting_settings(hall)
    mains, arrival = counting_mains(hall, paths, settings, "Fills", NO_SHIFT)
    y = paths.seats.points_m[:, 1]
    assert (mains[y < -1] == 0).all()
    assert (mains[y > 1] == 1).all()
    nearest = paths.serving_ms[:2].min(axis=0) + 2.0
    np.testing.assert_allclose(arrival, nearest)
    # A main 10 dB down and more does not count, however early it comes.
    soft = replace(hall, loudspeakers={**hall.loudspeakers, "soft": replace(
        hall.loudspeakers["main box"], name="soft", level_dba=60.0)},
        sources=(replace(hall.sources[0], loudspeaker="soft"), *hall.sources[1:]))
    paths = trace_paths(soft, venue_seats(soft), soft.states["show"], Air(20.0))
    assert (counting_mains(soft, paths, settings, "Fills", NO_SHIFT)[0] == 1).all()


def test_mains_of_the_same_feed_or_all():
    hall = small_hall()
    resting = resting_settings(hall)
    assert reference_sources(hall, "Fills", resting) == [0, 1]
    left = with_output(hall, "Fills", feed="left")
    assert reference_sources(left, "Fills", resting) == [0, 1]
    split = replace(
        left,
        outputs={**left.outputs, "Other": replace(left.outputs["Mains"], name="Other",
                                                  feed="left")},
        sources=(replace(left.sources[0], output="Other"), *left.sources[1:]),
    )
    resting = resting_settings(split)
    assert reference_sources(split, "Fills", resting) == [0]
    # A main that is off arrives nowhere: what sounds is what a fill can be late or early to.
    off = {**resting, "Other": replace(resting["Other"], trim_db=-np.inf)}
    assert reference_sources(split, "Fills", off) == [1]
    seat = (33.0, -8.0, 1.2)
    gap = evaluate(split, {**off, "Fills": replace(resting["Fills"], delay_ms=80.0)}).checks
    one = int(np.linalg.norm(gap.point_m - seat, axis=1).argmin())
    mains = np.linalg.norm(np.subtract(gap.point_m[one], split.sources[1].position_m))
    fills = min(np.linalg.norm(np.subtract(gap.point_m[one], s.position_m))
                for s in split.sources[2:])
    by_hand = 80.0 + 3.5 - 2.0 + 1000 * (fills - mains) / Air(20.0, 45.0).speed_m_s
    assert gap.gap_ms[one] == pytest.approx(by_hand, abs=1e-6)


def test_rounding_never_makes_the_fill_early():
    hall = with_output(small_hall(image_margin_ms=0.0), "Fills", delay_step_ms=0.5)
    assert planned_delay_ms(hall, "Fills", 60.01) == 60.5
    assert planned_delay_ms(hall, "Fills", -3.0) == 0.0


@pytest.mark.parametrize("rule", ["equal-level", "box-to-box", "never-early"])
def test_uncertainty_against_1000_plans(rule):
    """Monte Carlo (JCGM 101:2008): every reading drawn anew, the delay decided anew."""
    survey = Survey(laser_m=0.05, thermometer_c=2.5, hygrometer_pct=8.0, latency_ms=0.15)
    hall = small_hall(delay_rule=rule)
    settings = resting_settings(hall)
    planner = _Planner(hall, None)
    basis = planner.basis(settings, "Fills")
    stated = delay_uncertainty(basis, planner.bench.air, rule, survey)
    rng = np.random.default_rng(11)
    delays = []
    for _ in range(1000):
        shift = rng.normal(0.0, survey.laser_m)
        moved = []
        for source in hall.sources:
            if source.role == "fill":
                main = hall.sources[0 if source.position_m[1] < 0 else 1].position_m
                way = np.subtract(source.position_m, main)
                place = np.add(source.position_m, shift * way / np.linalg.norm(way))
                source = replace(source, position_m=tuple(place))
            moved.append(source)
        air = Air(20.0 + rng.normal(0.0, 2.5), float(np.clip(45 + rng.normal(0.0, 8.0), 1, 100)))
        drawn = with_output(
            with_output(replace(hall, sources=tuple(moved)), "Mains",
                        latency_ms=2.0 + rng.normal(0.0, 0.15)),
            "Fills", latency_ms=3.5 + rng.normal(0.0, 0.15),
        )
        areas = (replace(hall.areas[1], seat_spacing_m=6.0, row_spacing_m=4.0),)
        light = replace(drawn, areas=(hall.areas[0], *areas))
        fresh = _Planner(light, air).basis(settings, "Fills")
        delays.append(fresh.answers(air.speed_m_s).of_rule(rule))
    # 1,000 draws know a standard deviation to about 2.2 %; the seats are fewer.
    assert stated.total_ms == pytest.approx(np.std(delays), rel=0.10)
    assert stated.largest == "thermometer"
    total = np.sqrt(sum(part**2 for part in stated.by_cause_ms.values()))
    assert stated.total_ms == pytest.approx(total)


@pytest.mark.filterwarnings("ignore::fillalign._validate.RangeWarning")
@pytest.mark.parametrize("temperature_c", [-50.0, 60.0])
def test_uncertainty_at_the_ends_of_the_range(temperature_c):
    # dt/dT = -d c'/c^2 (derivative of d/c), with c' of the ideal gas, c/(2 T).
    hall = small_hall()
    air = Air(temperature_c, 1.0)
    basis = _Planner(hall, air).basis(resting_settings(hall), "Fills")
    stated = delay_uncertainty(basis, air, "box-to-box", Survey(thermometer_c=1.0))
    slope = 1000 * basis.box_m.max() / air.speed_m_s / (2 * (temperature_c + 273.15))
    assert stated.by_cause_ms["thermometer"] == pytest.approx(slope, rel=0.02)


def test_main_measured_far_down_does_not_count():
    hall = small_hall()
    own = hall.outputs["Mains"]
    outputs = {"Right": replace(own, name="Right"), **hall.outputs}
    sources = (replace(hall.sources[0], output="Right"), *hall.sources[1:])
    read = Measured("Right", (14.0, -3.2, 1.2), "show", level_dba=40.0)
    dull = replace(hall, outputs=outputs, sources=sources, measured=(read,))
    paths = trace_paths(dull, venue_seats(dull), dull.states["show"], Air(20.0))
    counted = counting_mains(
        dull, paths, resting_settings(dull), "Fills", measured_shifts_db(dull)
    )[0]
    assert (counted == 1).all()
