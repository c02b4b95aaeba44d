"""Arrivals and delays against arithmetic, published facts and the triangle inequality."""

import csv
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from fillalign import (
    Air,
    fill_delay_ms,
    gap_ms,
    seat_delay_ms,
    speed_of_sound,
    travel_time_ms,
)
from fillalign._validate import RangeWarning
from fillalign.propagation import distance_m, drift_ms_per_c, first_heard, wind_along_m_s
from fillalign.units import round_up_to_step

FACTS = {
    (row["what"], row["input"]): row
    for row in csv.DictReader(
        line
        for line in (Path(__file__).parent / "published" / "levels_and_combs.csv")
        .read_text()
        .splitlines()
        if not line.startswith("#")
    )
}
AIR = Air(20.0)
POINT = st.tuples(*[st.floats(-60, 60) for _ in range(3)])


def test_wait_for_15_m():
    row = FACTS["wait for 15 m", "343 m/s"]
    # 343 m/s is air at 18.5 C or so: find it, then wait (source: the row).
    warm, cold = 20.0, 15.0
    for _ in range(60):
        middle = (warm + cold) / 2
        warm, cold = (middle, cold) if speed_of_sound(middle) > 343.0 else (warm, middle)
    assert travel_time_ms(15.0, Air(middle)) == pytest.approx(
        float(row["value"]), abs=float(row["tolerance"])
    )


def test_travel_time_is_distance_over_speed_plus_wind():
    # Pierce 1981, 8-1 (from memory): along the ray the wind adds to c.
    assert travel_time_ms(60.0, AIR, wind_along_m_s=5.0) == pytest.approx(
        60_000.0 / (AIR.speed_m_s + 5.0), rel=1e-14
    )


def test_headwind_and_crosswind_over_85_m():
    # Geometry: a crosswind of 5 m/s lengthens the way only to second order.
    calm = travel_time_ms(85.0, AIR)
    head = travel_time_ms(85.0, AIR, wind_along_m_s=-5.0) - calm
    across = 85_000.0 / np.sqrt(AIR.speed_m_s**2 - 25.0) - calm
    assert head == pytest.approx(3.6, abs=0.1)
    assert across == pytest.approx(0.03, abs=0.01)
    assert wind_along_m_s([0, 0, 0], [85, 0, 0], 5.0, 90.0) == pytest.approx(0.0, abs=1e-12)


def test_wind_component_follows_direction_and_slope():
    # Projection of the wind on the unit vector of the path (vector algebra).
    assert wind_along_m_s([0, 0, 0], [1, 1, 0], 2.0, 0.0) == pytest.approx(np.sqrt(2))
    assert wind_along_m_s([0, 0, 5], [5, 0, 0], 2.0, 0.0) == pytest.approx(np.sqrt(2))
    assert wind_along_m_s([5, 0, 0], [0, 0, 0], 2.0, 0.0) == -2.0
    assert wind_along_m_s([1, 1, 1], [1, 1, 1], 2.0, 0.0) == 0.0


def test_front_fill_timed_box_to_box_is_wrong():
    # The seat wants 16.5 ms where box to box gives 25.0 (arithmetic at 343 m/s).
    c = AIR.speed_m_s
    box = 0.025 * c
    main = 0.0165 * c + 4.0
    assert fill_delay_ms(box, AIR) == pytest.approx(25.0)
    assert seat_delay_ms(main, 4.0, AIR) == pytest.approx(16.5)


def test_latency_margin_and_wind_each_count():
    base = seat_delay_ms(40.0, 10.0, AIR)
    assert seat_delay_ms(40.0, 10.0, AIR, fill_latency_ms=3.0) == pytest.approx(base - 3.0)
    assert seat_delay_ms(40.0, 10.0, AIR, main_latency_ms=2.0) == pytest.approx(base + 2.0)
    assert seat_delay_ms(40.0, 10.0, AIR, margin_ms=5.0) == pytest.approx(base + 5.0)
    assert seat_delay_ms(40.0, 10.0, AIR, main_wind_along_m_s=3.0) < base
    assert seat_delay_ms(40.0, 10.0, AIR, fill_wind_along_m_s=3.0) > base
    assert fill_delay_ms(30.0, AIR, wind_along_m_s=3.0) < fill_delay_ms(30.0, AIR)


def test_gap_by_hand_and_at_the_seat_the_delay_was_made_for():
    """Two arrivals counted from the console: distance over c + w, latency, delay (arithmetic)."""
    paths = {"main_latency_ms": 1.0, "fill_latency_ms": 4.0,
             "main_wind_along_m_s": -3.0, "fill_wind_along_m_s": 2.0}
    c = AIR.speed_m_s
    main, fill = 1.0 + 40_000.0 / (c - 3.0), 4.0 + 70.0 + 10_000.0 / (c + 2.0)
    assert gap_ms(40.0, 10.0, 70.0, AIR, **paths) == pytest.approx(fill - main, abs=1e-9)
    delay = seat_delay_ms(40.0, 10.0, AIR, **paths)
    assert delay == pytest.approx(70.0 + main - fill, abs=1e-9)
    assert gap_ms(40.0, 10.0, delay + 6.5, AIR, **paths) == pytest.approx(6.5)


def test_drift_is_about_half_a_millisecond_per_degree_and_100_m():
    # Common practice; and the ideal gas, c proportional to the root of T: -d/(2 T c).
    drift = drift_ms_per_c(100.0, AIR)
    assert drift == pytest.approx(-0.5, abs=0.03)
    assert drift == pytest.approx(-100_000 / (2 * 293.15 * AIR.speed_m_s), rel=0.02)
    fall = travel_time_ms(60.0, Air(10.0)) - travel_time_ms(60.0, AIR)
    assert fall == pytest.approx(3.0, abs=0.25)


@pytest.mark.parametrize("temperature_c", [-50.0, 60.0])
@pytest.mark.parametrize("humidity_pct", [0.0, 40.0])
def test_drift_at_the_ends_of_the_range(temperature_c, humidity_pct):
    """The ideal gas again: 10 % for vapour, which hot air is full of."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RangeWarning)
        air = Air(temperature_c, humidity_pct)
        ideal = -100_000 / (2 * (temperature_c + 273.15) * air.speed_m_s)
        assert drift_ms_per_c(100.0, air) == pytest.approx(ideal, rel=0.1)


def heard_by_hand(arrivals, levels, within_db=10.0):
    """Return the rule in words: strike out the weak ones, take the earliest."""
    loudest = max(levels)
    count = [place for place, level in enumerate(levels) if loudest - level <= within_db]
    place = min(count, key=lambda one: (arrivals[one], one))
    return place, arrivals[place]


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        ([80.0, 80.0, 80.0], (1, 10.0)),
        ([80.0, 70.0, 80.0], (1, 10.0)),  # 10 dB below still counts
        ([80.0, 69.9, 80.0], (2, 20.0)),
        ([80.0, 69.9, 69.9], (0, 30.0)),
        ([-np.inf, -np.inf, 40.0], (2, 20.0)),
    ],
)
def test_the_first_arrival_within_10_db_of_the_loudest_counts(levels, expected):
    """Common practice, after Haas 1951; arrivals at 30, 10 and 20 ms."""
    assert first_heard([30.0, 10.0, 20.0], levels) == expected


def test_first_heard_of_silence_of_ties_and_within_20_db():
    assert first_heard([30.0, 10.0], [-np.inf, -np.inf]) == (1, 10.0)
    assert first_heard([10.0, 10.0, 10.0], [60.0, 75.0, 75.0]) == (1, 10.0)
    assert first_heard([30.0, 10.0], [80.0, 60.0], within_db=20.0) == (1, 10.0)
    assert first_heard([30.0, 10.0], [80.0, 59.9], within_db=20.0) == (0, 30.0)
    assert [type(part) for part in first_heard([3.0], [4.0])] == [int, float]


def test_first_heard_of_many_seats_is_that_of_each():
    rng = np.random.default_rng(10)
    arrivals, levels = rng.uniform(0, 90, (4, 6, 5)).round(), rng.uniform(50, 75, (4, 6, 5)).round()
    levels[rng.random(levels.shape) < 0.2] = -np.inf
    index, times = first_heard(arrivals, levels, within_db=8.0)
    for seat in np.ndindex(6, 5):
        here = (slice(None), *seat)
        loud = levels[here] if np.isfinite(levels[here]).any() else np.zeros(4)
        assert (index[seat], times[seat]) == heard_by_hand(arrivals[here], loud, 8.0)
    # One arrival time for every seat of a row of levels.
    times = first_heard(arrivals[:, :1, :1], levels)[1]
    assert times.shape == (6, 5)


@given(POINT, POINT, POINT, st.floats(0, 30), st.floats(0.001, 1.0))
@settings(max_examples=300, deadline=None)
def test_box_to_box_is_never_early(main, fill, seat, temperature_c, step_ms):
    air = Air(temperature_c)
    delay = round_up_to_step(fill_delay_ms(distance_m(main, fill), air), step_ms)
    assert gap_ms(distance_m(main, seat), distance_m(fill, seat), delay, air) >= -1e-6


@given(POINT, POINT)
@settings(deadline=None)
def test_distance_is_symmetric_and_scales(one, other):
    there = distance_m(one, other)
    assert there == distance_m(other, one)
    assert distance_m(2 * np.array(one), 2 * np.array(other)) == pytest.approx(2 * there)


@given(st.floats(0, 500), st.floats(0, 500))
@settings(deadline=None)
def test_longer_is_later(one, other):
    near, far = sorted((one, other))
    assert travel_time_ms(near, AIR) <= travel_time_ms(far, AIR)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: travel_time_ms(-1.0, AIR), "distance_m must be at least 0 m, got -1"),
        (lambda: travel_time_ms(1.0, AIR, wind_along_m_s=99.0), "between -50 and 50 m/s, got 99"),
        (lambda: distance_m([0, 0], [1, 1]), "x, y, z"),
        (lambda: wind_along_m_s([0, 0, 0], [1, 0, 0], -1.0, 0.0), "wind_m_s must be between 0"),
        (lambda: wind_along_m_s([0, 0, 0], [1, 0, 0], 1.0, np.nan), "wind_towards_deg"),
        (lambda: seat_delay_ms(1.0, 1.0, AIR, margin_ms=200.0), "margin_ms must be between -100"),
        (lambda: seat_delay_ms(1, 1, AIR, fill_latency_ms=-1), "fill_latency_ms must be between 0"),
        (lambda: seat_delay_ms(1, 1, AIR, main_latency_ms=-1), "main_latency_ms must be between 0"),
        (lambda: gap_ms(1.0, 1.0, np.inf, AIR), "delay_ms must be a finite number, got inf"),
        (lambda: drift_ms_per_c(-1.0, AIR), "distance_m must be at least 0 m"),
        (lambda: wind_along_m_s([0, 0, 0], np.ones((2, 3)), [1, 2, 3], 0.0),
         r"broadcast\), got to_m \(2,\), wind_m_s \(3,\)$"),
        (lambda: gap_ms([1.0, 2.0], 1.0, [1.0, 2.0, 3.0], AIR),
         r"broadcast\), got main_to_seat_m \(2,\), delay_ms \(3,\)$"),
        (lambda: first_heard([1.0, 2.0], [1.0, np.nan]), r"level_db must be .* got nan at \[1\]"),
        (lambda: first_heard([1.0, 2.0], [1.0, 2.0], within_db=-1), "within_db must be between 0"),
        (lambda: first_heard(1.0, 60.0), "arrival_ms must hold arrivals on its first axis"),
        (lambda: first_heard([], []), "arrival_ms must hold arrivals on its first axis, got none"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
