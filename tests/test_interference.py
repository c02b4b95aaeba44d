"""Combs and band-averaged interference against arithmetic and quadrature."""

from __future__ import annotations

import tracemalloc
from functools import cache
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from fillalign import interference as comb
from fillalign.absorption import THIRDS_HZ, band_edges_hz
from fillalign.filters import low_cut_group_delay_ms, low_cut_response

PUBLISHED = Path(__file__).parent / "published"
FACTS = pd.read_csv(PUBLISHED / "levels_and_combs.csv", comment="#").set_index(["what", "input"])
LOW, HIGH = band_edges_hz(THIRDS_HZ)
CENTRE = (LOW + HIGH) / 2
# Where the low cuts of fills work and turn the phase: 50 to 800 Hz.
LOWS = slice(0, 13)

# More than two nodes for each period of the comb, up to 50 ms at 20 kHz.
NODES = np.polynomial.legendre.leggauss(600)

LEVEL = st.floats(-40.0, 40.0)
TIMES = st.lists(st.floats(0.0, 0.2), min_size=2, max_size=6)


def arrivals(seed, count=5, longest_s=0.05, places=()):
    rng = np.random.default_rng(seed)
    power = rng.uniform(0.05, 2.0, (count, *places, THIRDS_HZ.size))
    return power, rng.uniform(0.0, longest_s, (count, *places, 1))


def averaged(amplitude, time_s, low, high):
    """Mean of |sum a exp(-j 2 pi f t)|^2 over one band, by Gauss-Legendre quadrature."""
    x, weight = NODES
    frequency = (low + high) / 2 + (high - low) / 2 * x
    response = amplitude @ np.exp(-2j * np.pi * np.outer(time_s, frequency))
    return (weight / 2) @ np.abs(response) ** 2


@pytest.mark.parametrize(
    ("what", "given_as", "ours"),
    [
        ("comb peak", "second arrival 10 dB down", lambda: comb.comb_peak_db(-10.0)),
        ("comb peak", "second arrival 6 dB down", lambda: comb.comb_peak_db(-6.0)),
        ("comb dip", "second arrival 10 dB down", lambda: comb.comb_dip_db(-10.0)),
        ("comb dip", "second arrival 6 dB down", lambda: comb.comb_dip_db(-6.0)),
        ("first comb notch", "1 ms apart", lambda: comb.notch_frequencies_hz(1.0, 1)[0]),
        ("second comb notch", "1 ms apart", lambda: comb.notch_frequencies_hz(1.0, 2)[1]),
    ],
)
def test_published_facts(what, given_as, ours):
    """The sources (arithmetic) stand in the table."""
    row = FACTS.loc[(what, given_as)]
    assert ours() == pytest.approx(row.value, rel=0, abs=row.tolerance)


@pytest.mark.parametrize(("samples", "level_db"), [(48, -6.0), (7, 3.0), (480, 0.0)])
def test_two_arrivals_against_the_transform_of_two_impulses(samples, level_db):
    impulses = np.zeros(4800)
    impulses[0] = 1.0
    impulses[samples] = 10 ** (level_db / 20)
    frequency = np.fft.rfftfreq(4800, 1 / 48000)
    ours = comb.two_arrival_response(frequency, samples / 48, level_db)
    np.testing.assert_allclose(ours, np.fft.rfft(impulses), rtol=0, atol=1e-12)


def test_an_earlier_second_arrival_leads():
    """A quarter period early is +90 degrees, late -90 (definition of phase)."""
    assert comb.two_arrival_response(1000.0, -0.25, 0.0) == pytest.approx(1 + 1j, abs=1e-12)
    assert comb.two_arrival_response(1000.0, 0.25, 0.0) == pytest.approx(1 - 1j, abs=1e-12)


def test_response_is_nil_at_every_notch_and_double_between():
    notches = comb.notch_frequencies_hz([2.0, 0.7], 6)
    assert notches.shape == (2, 6)
    delay = np.array([[2.0], [0.7]])
    np.testing.assert_allclose(comb.two_arrival_response(notches, delay, 0.0), 0, atol=1e-12)
    between = (notches[:, 1:] + notches[:, :-1]) / 2
    np.testing.assert_allclose(comb.two_arrival_response(between, delay, 0.0), 2, atol=1e-12)


@given(LEVEL)
def test_peak_and_dip_bound_the_response(level):
    turns = np.linspace(0.0, 1.0, 2001)
    levels = 20 * np.log10(np.abs(comb.two_arrival_response(turns * 1000, 1.0, level)) + 1e-300)
    assert levels.max() == pytest.approx(comb.comb_peak_db(level), abs=1e-9)
    assert levels.min() >= comb.comb_dip_db(level) - 1e-9
    if abs(level) > 1:
        assert levels.min() == pytest.approx(comb.comb_dip_db(level), abs=1e-4)


def test_equal_arrivals_dip_without_end():
    assert comb.comb_dip_db(0.0) == -np.inf
    assert comb.ripple_db(0.0, 1.0, 400.0, 600.0) == np.inf


@given(
    st.floats(-30.0, -1.0) | st.floats(1.0, 30.0),
    st.floats(0.0, 20.0),
    st.floats(50.0, 2000.0),
    st.floats(1.01, 2.0),
)
def test_ripple_is_what_a_fine_grid_finds(level, delay, low, ratio):
    grid = np.linspace(low, low * ratio, 20001)
    levels = 20 * np.log10(np.abs(comb.two_arrival_response(grid, delay, level)))
    ripple = comb.ripple_db(level, delay, low, low * ratio)
    assert ripple == pytest.approx(np.ptp(levels), abs=2e-3)
    assert comb.ripple_db(-level, -delay, low, low * ratio) == pytest.approx(ripple, abs=1e-9)


def test_ripple_broadcasts_over_seats_and_bands():
    ripple = comb.ripple_db(np.array([[-3.0], [-9.0]]), np.array([[1.0], [4.0]]), LOW, HIGH)
    assert ripple.shape == (2, 27)
    alone = [comb.ripple_db(-9.0, 4.0, low, high) for low, high in zip(LOW, HIGH, strict=True)]
    np.testing.assert_array_equal(ripple[1], alone)
    assert ripple[1, -1] == pytest.approx(comb.comb_peak_db(-9.0) - comb.comb_dip_db(-9.0))


@pytest.mark.parametrize("seed", range(4))
def test_interference_is_the_average_of_the_response(seed):
    power, time_s = arrivals(seed)
    ours = comb.interference_power(power, time_s, LOW, HIGH)
    brute = [
        averaged(np.sqrt(power[:, k]), time_s[:, 0], LOW[k], HIGH[k]) for k in range(LOW.size)
    ]
    np.testing.assert_allclose(ours, brute, rtol=1e-9, atol=0)


def test_only_differences_of_time_count():
    """Times that a common shift of 64 s leaves exact in binary."""
    power, _ = arrivals(4)
    time_s = np.random.default_rng(4).integers(0, 2**24, (5, 1)) / 2.0**30
    np.testing.assert_allclose(
        comb.interference_power(power, time_s + 64.0, LOW, HIGH),
        comb.interference_power(power, time_s, LOW, HIGH),
        rtol=1e-12,
    )


def test_cancelled_arrivals_leave_no_negative_power():
    """Two arrivals less their sum: rounding alone decides the sign of what is left."""
    amplitude = np.random.default_rng(5).uniform(0.1, 2.0, (2, 500, 27))
    power = np.stack([*amplitude, amplitude.sum(axis=0)]) ** 2
    phase = np.array([0.0, 0.0, np.pi])[:, None, None]
    left = comb.interference_power(power, 0.0, LOW, HIGH, phase_rad=phase)
    assert (left >= 0).all()
    np.testing.assert_allclose(left, 0, atol=1e-13)


@cache
def filtered(seed):
    """Four arrivals, three of them through low cuts: closed form inputs and the true average."""
    rng = np.random.default_rng(seed)
    time_s, amplitude = rng.uniform(0.0, 0.03, (4, 1)), 10 ** (rng.uniform(-6, 0, (4, 1)) / 20)
    corner = rng.choice([80.0, 100.0, 120.0, 150.0, 180.0, 200.0, 250.0], 3)
    cuts = [
        {"order": 4},
        {"order": 4, "kind": "butterworth"},
        {"order": 2, "kind": "butterworth"},
    ]

    def through(function, frequency, plain):
        rows = [function(frequency, f, **cut) for f, cut in zip(corner, cuts, strict=True)]
        return np.stack([*rows, np.full(np.shape(frequency), plain)])

    centre = CENTRE[LOWS]
    position = (np.arange(400) + 0.5) / 400
    grid = LOW[LOWS, None] + (HIGH - LOW)[LOWS, None] * position
    response = through(low_cut_response, grid, 1.0) * amplitude[..., None]
    total = (response * np.exp(-2j * np.pi * grid * time_s[..., None])).sum(axis=0)
    at_centre = through(low_cut_response, centre, 1.0)
    lag = through(low_cut_group_delay_ms, centre, 0.0) / 1000
    inputs = (amplitude * np.abs(at_centre)) ** 2, time_s, np.angle(at_centre), lag
    return inputs, (np.abs(total) ** 2).mean(axis=-1)


def rms_error_db(use):
    """Error of the closed form over 150 random cases; `use` picks the phase and the delay."""
    errors = []
    for seed in range(150):
        (power, time_s, phase, lag), true = filtered(seed)
        phase, lag = use(phase, lag)
        ours = comb.interference_power(
            power, time_s, LOW[LOWS], HIGH[LOWS], phase_rad=phase, group_delay_s=lag
        )
        errors.append(10 * np.log10(ours / true))
    return np.sqrt(np.mean(np.square(errors)))


def test_filters_enter_by_phase_and_group_delay():
    """Approximate with filters: good with both, poor without either or with a wrong sign."""
    assert rms_error_db(lambda phase, lag: (phase, lag)) < 0.2
    assert 0.25 < rms_error_db(lambda phase, lag: (phase, 0 * lag)) < 0.7
    assert rms_error_db(lambda phase, lag: (phase, -lag)) > 0.4
    assert rms_error_db(lambda phase, lag: (0 * phase, lag)) > 2.5
    assert rms_error_db(lambda phase, lag: (-phase, lag)) > 2.5


def test_a_pure_delay_as_a_filter_is_a_later_arrival():
    """A delay has phase -2 pi f t and group delay t, so it may stand in either place."""
    power, time_s = arrivals(8)
    later = np.array([0.0, 0.002, 0.0, 0.011, 0.0005])[:, None]
    as_filter = comb.interference_power(
        power, time_s, LOW, HIGH, phase_rad=-2 * np.pi * CENTRE * later, group_delay_s=later
    )
    np.testing.assert_allclose(
        as_filter, comb.interference_power(power, time_s + later, LOW, HIGH), rtol=1e-9
    )


def test_inverted_polarity_is_a_phase_of_pi():
    pair = np.ones((2, 27)), np.zeros((2, 1)), LOW, HIGH
    phase = np.array([[0.0], [np.pi]])
    np.testing.assert_allclose(comb.interference_power(*pair, phase_rad=phase), 0, atol=1e-12)


@settings(deadline=None)
@given(TIMES, st.integers(0, 99), st.floats(-0.5, 0.5))
def test_order_and_a_common_shift_change_nothing(times, seed, shift):
    rng = np.random.default_rng(seed)
    power = rng.uniform(0.0, 2.0, (len(times), 27))
    time_s = np.array(times)[:, None]
    once = comb.interference_power(power, time_s, LOW, HIGH)
    order = rng.permutation(len(times))
    again = comb.interference_power(power[order], time_s[order] + shift, LOW, HIGH)
    np.testing.assert_allclose(again, once, rtol=0, atol=1e-8 * power.sum())
    coherent = np.sqrt(power).sum(axis=0) ** 2
    assert (once >= 0).all()
    assert (once <= coherent * (1 + 1e-9)).all()


@given(st.floats(0.0, 1e-7), st.floats(5.0, 100.0), st.integers(0, 99))
def test_coherent_when_together_and_by_power_far_apart(near, far, seed):
    power = np.random.default_rng(seed).uniform(0.1, 2.0, (3, 27))
    steps = np.array([[0.0], [1.0], [2.3]])
    together = comb.interference_power(power[:, :14], near * steps, LOW[:14], HIGH[:14])
    np.testing.assert_allclose(together, np.sqrt(power[:, :14]).sum(axis=0) ** 2, rtol=1e-5)
    # The last interference left is below 1/(pi B t) of each pair's product.
    apart = comb.interference_power(power, far * steps, LOW, HIGH)
    bound = 2 * 3 * power.max(axis=0) / (np.pi * (HIGH - LOW) * far)
    assert (np.abs(apart - power.sum(axis=0)) <= bound).all()


def test_lows_stay_coherent_where_highs_are_not():
    """Two equal arrivals 2 ms apart: 6 dB at the bottom of the range, 3 dB at the top."""
    level = 10 * np.log10(
        comb.interference_power(np.ones((2, 27)), [[0.0], [0.002]], LOW, HIGH)
    )
    assert 5.5 < level[0] < 6.03
    np.testing.assert_allclose(level[-4:], 3.01, atol=0.3)


@pytest.mark.parametrize("places", [(7,), (3, 5), (2, 1, 4)])
@pytest.mark.parametrize("block", [1, 300, 1 << 20])
def test_blocks_and_axes_do_not_matter(monkeypatch, places, block):
    power, time_s = arrivals(5, places=places)
    phase, lag = 0.3 * power[..., ::-1], 0.001 * power[:, ..., :1]
    monkeypatch.setattr(comb, "_TOGETHER", block)
    ours = comb.interference_power(power, time_s, LOW, HIGH, phase_rad=phase, group_delay_s=lag)
    assert ours.shape == (*places, 27)
    for place in np.ndindex(places):
        at = (slice(None), *place)
        alone = comb.interference_power(
            power[at], time_s[at], LOW, HIGH, phase_rad=phase[at], group_delay_s=lag[at]
        )
        np.testing.assert_allclose(ours[place], alone, rtol=1e-10)


@pytest.mark.parametrize(
    "shapes",
    [
        ((4, 6, 27), (4, 6, 27), (4, 1, 27), (1, 6, 1)),
        ((4, 1, 1), (4, 6, 1), (4, 1, 27), (4, 1, 1)),
        ((4, 6, 27), (4, 1, 1), (), (4, 6, 27)),
        ((4, 6, 1), (1, 1, 1), (4, 6, 1), ()),
    ],
)
def test_arguments_broadcast_like_whole_arrays(shapes):
    rng = np.random.default_rng(3)
    parts = [
        rng.uniform(0.1, 1.0, shape) * scale
        for shape, scale in zip(shapes, (1.0, 0.02, 3.0, 0.003), strict=True)
    ]
    whole = [np.broadcast_to(part, (4, 6, 27)) for part in parts]
    keys = "power", "time_s", "phase_rad", "group_delay_s"
    given_short, given_whole = (
        comb.interference_power(**dict(zip(keys, row, strict=True)), low_hz=LOW, high_hz=HIGH)
        for row in (parts, whole)
    )
    np.testing.assert_allclose(given_short, given_whole, rtol=1e-10)


def test_bands_need_not_adjoin():
    """Shared band edges are a short cut; bands in any order must give the same."""
    power, time_s = arrivals(6)
    order = np.random.default_rng(1).permutation(27)
    ours = comb.interference_power(power[:, order], time_s, LOW[order], HIGH[order])
    np.testing.assert_allclose(
        ours, comb.interference_power(power, time_s, LOW, HIGH)[order], rtol=1e-10
    )
    one = comb.interference_power(power[:, 4:5], time_s, LOW[4], HIGH[4])
    np.testing.assert_allclose(one, ours[order == 4], rtol=1e-10)


def test_scaling_an_arrival_scales_its_power_and_its_share_in_every_pair():
    """Definition of a band average: it is quadratic in the amplitudes."""
    rng = np.random.default_rng(9)
    power, time_s = arrivals(7, places=(6,))
    time_s[1, 2] = time_s[3, 2] = time_s[4, 2]
    extra = {"phase_rad": rng.uniform(-3, 3, (5, 1, 27)),
             "group_delay_s": rng.uniform(0, 0.004, (5, 1, 27))}

    def together(*which, gain):
        rows = list(which)
        chosen = {key: value[rows] for key, value in extra.items()}
        loud = power[rows] * np.array(gain)[:, None, None] ** 2
        return comb.interference_power(loud, time_s[rows], LOW, HIGH, **chosen)

    gain = rng.uniform(0.2, 2.0, 5)
    wanted = (power * gain[:, None, None] ** 2).sum(axis=0)
    for one, other in combinations(range(5), 2):
        pair = together(one, other, gain=(1, 1)) - power[one] - power[other]
        wanted += gain[one] * gain[other] * pair
    np.testing.assert_allclose(together(*range(5), gain=gain), wanted, rtol=1e-9)


def flat_arrival(amplitude, phase, delay_s, frequency, centre):
    """Response of an arrival that is flat over a band and has a straight phase there."""
    return amplitude * np.exp(1j * (phase - 2 * np.pi * (frequency - centre) * delay_s))


@pytest.mark.parametrize("gap_s", [0.0, 1e-12, 1e-7, -3e-6, 1e-4, -0.004, 0.02])
def test_cross_power_is_the_average_of_two_responses(gap_s):
    """Mean of Re(H_1 conj(H_2)) over each band, by Gauss-Legendre quadrature."""
    x, weight = NODES
    delay = 0.011
    for low, high in zip(LOW, HIGH, strict=True):
        centre, width = (low + high) / 2, high - low
        frequency = centre + width / 2 * x
        first = flat_arrival(1.3, 0.4, delay + gap_s, frequency, centre)
        second = flat_arrival(0.6, -2.1, delay, frequency, centre)
        wanted = (weight / 2) @ (first * second.conj()).real
        given = 1.3 * np.exp(0.4j), 0.6 * np.exp(-2.1j), gap_s, width
        assert comb.cross_power(*given) == pytest.approx(wanted, abs=1e-11)


@given(st.integers(0, 99), st.floats(-0.2, 0.2), st.floats(1.0, 5000.0))
def test_cross_power_knows_no_order_and_no_more_than_both(seed, gap, width):
    rng = np.random.default_rng(seed)
    first, second = rng.normal(size=(2, 5)) + 1j * rng.normal(size=(2, 5))
    shared = comb.cross_power(first, second, gap, width)
    np.testing.assert_allclose(comb.cross_power(second, first, -gap, width), shared, atol=1e-14)
    np.testing.assert_allclose(comb.cross_power(2j * first, 3j * second, gap, width), 6 * shared,
                               atol=1e-13)
    assert (np.abs(shared) <= np.abs(first * second) * (1 + 1e-12)).all()


def test_lists_of_arrivals_go_by_the_one_law(monkeypatch):
    """Where the law fails, every sum fails: nothing else knows interference."""
    monkeypatch.setattr(comb, "cross_power", lambda *pair: 0.25 * np.ones_like(pair[2]))
    power, time_s = arrivals(2)
    ours = comb.interference_power(power, time_s, LOW, HIGH)
    np.testing.assert_allclose(ours, power.sum(axis=0) + 2 * 10 * 0.25)


def test_memory_stays_bounded():
    """Beyond input and result: a block's arrays, whatever the number of seats."""
    peaks = []
    for seats in (2000, 8000):
        power, time_s = arrivals(1, count=8, places=(seats,))
        tracemalloc.start()
        comb.interference_power(power, time_s, LOW, HIGH)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    result_growth = 6000 * 27 * 8
    # Checking the input for bad numbers may take a byte or two an element.
    assert peaks[1] - peaks[0] < 2 * result_growth + 3 * 6000 * 8 * 27


GOOD = {"power": np.ones((2, 3)), "time_s": np.zeros((2, 1)), "low_hz": [90.0, 180.0, 355.0],
        "high_hz": [180.0, 355.0, 710.0]}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"power": [1.0, 2.0]}, "power must have shape"),
        ({"power": np.zeros((0, 3))}, "power must have shape"),
        ({"power": -np.ones((2, 3))}, "power must be at least 0, got -1"),
        ({"time_s": np.zeros(2)}, "time_s must be one number or broadcast to 2 sources"),
        ({"time_s": np.zeros((3, 1))}, "time_s must be one number or broadcast to 2 sources"),
        ({"time_s": [[np.nan], [0.0]]}, "time_s must be a finite number, got nan"),
        ({"phase_rad": np.zeros(3)}, "phase_rad must be one number or broadcast"),
        ({"group_delay_s": np.zeros((2, 1, 3))}, "group_delay_s must be one number or broadcast"),
        ({"low_hz": [90.0, 400.0, 355.0]}, "high_hz must lie above low_hz"),
        ({"low_hz": [-1.0, 180.0, 355.0]}, "low_hz must be at least 0 Hz"),
        ({"low_hz": [[90.0, 180.0, 355.0]]}, "must have shape"),
        ({"low_hz": [90.0, 180.0]}, "broadcast"),
    ],
)
def test_bad_input_to_interference(change, message):
    with pytest.raises(ValueError, match=message):
        comb.interference_power(**{**GOOD, **change})


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: comb.two_arrival_response(-1.0, 1.0, 0.0), "frequency_hz must be at least 0 Hz"),
        (lambda: comb.two_arrival_response(1.0, np.inf, 0.0), "delay_ms must be a finite"),
        (lambda: comb.comb_peak_db(300.0), "level_db must be between -200 and 200 dB, got 300"),
        (lambda: comb.comb_dip_db(np.nan), "level_db must be between"),
        (lambda: comb.notch_frequencies_hz(0.0, 3), "delay_ms must be above 0 ms"),
        (lambda: comb.notch_frequencies_hz(1.0, 0), "count must be between 1 and 1000000, got 0"),
        (lambda: comb.ripple_db(0.0, 1.0, 200.0, 100.0), "high_hz must lie above low_hz"),
    ],
)
def test_bad_input_to_combs(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_scalars_give_python_numbers():
    assert type(comb.two_arrival_response(100.0, 1.0, 0.0)) is complex
    assert type(comb.comb_peak_db(0.0)) is float
    assert type(comb.ripple_db(-6.0, 1.0, 100.0, 200.0)) is float
