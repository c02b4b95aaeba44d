"""Low cut and shelf against scipy.signal, the audio-EQ cookbook and what they do to sound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy import signal

from fillalign import filters

KINDS = [(order, kind) for kind, orders in filters.LOW_CUT_ORDERS.items() for order in orders]
GRID = np.geomspace(5.0, 20000.0, 200)
RATE = 48000.0
GAIN = st.floats(-18.0, 18.0)


def reference_low_cut(order, kind, corner):
    """Polynomials of scipy's analogue Butterworth, squared for Linkwitz-Riley."""
    half = kind == "linkwitz-riley"
    top, bottom = signal.butter(
        order // 2 if half else order, 2 * np.pi * corner, "highpass", analog=True
    )
    return (np.polymul(top, top), np.polymul(bottom, bottom)) if half else (top, bottom)


def reference_delay_s(top, bottom, frequency):
    """-d angle(H)/d omega = -Re(b'/b - a'/a) at s = j omega, from polynomials."""
    s = 2j * np.pi * frequency
    return -np.real(
        np.polyval(np.polyder(top), s) / np.polyval(top, s)
        - np.polyval(np.polyder(bottom), s) / np.polyval(bottom, s)
    )


@pytest.mark.parametrize(("order", "kind"), KINDS)
def test_low_cut_response_is_scipys(order, kind):
    _, expected = signal.freqs(*reference_low_cut(order, kind, 120.0), 2 * np.pi * GRID)
    ours = filters.low_cut_response(GRID, 120.0, order=order, kind=kind)
    np.testing.assert_allclose(ours, expected, rtol=1e-9)


@pytest.mark.parametrize(("order", "kind"), KINDS)
def test_low_cut_group_delay_is_the_derivative_of_the_phase(order, kind):
    expected = reference_delay_s(*reference_low_cut(order, kind, 120.0), GRID)
    ours = filters.low_cut_group_delay_ms(GRID, 120.0, order=order, kind=kind)
    np.testing.assert_allclose(ours / 1000, expected, rtol=1e-9)


@pytest.mark.parametrize(("order", "kind"), KINDS)
def test_low_cut_at_its_corner_and_far_from_it(order, kind):
    """Butterworth 3 dB, Linkwitz-Riley 6 dB down; 6 dB an octave for each order below."""

    def level(f):
        return 20 * np.log10(abs(filters.low_cut_response(f, 150.0, order=order, kind=kind)))

    assert level(150.0) == pytest.approx(-3.0103 if kind == "butterworth" else -6.0206, abs=1e-4)
    assert level(2.0) - level(1.0) == pytest.approx(6.0206 * order, abs=0.01)
    assert level(15000.0) == pytest.approx(0.0, abs=1e-3)
    assert filters.low_cut_response(0.0, 150.0, order=order, kind=kind) == 0.0


@pytest.mark.parametrize(("order", "sign"), [(2, -1), (4, 1), (8, 1)])
def test_linkwitz_riley_and_its_mirror_add_up_flat(order, sign):
    """Linkwitz 1976: both halves are in phase at every frequency; at order 2 one is inverted."""
    high = filters.low_cut_response(GRID, 500.0, order=order)
    low = filters.low_cut_response(500.0**2 / GRID, 500.0, order=order).conj()
    np.testing.assert_allclose(abs(high + sign * low), 1.0, rtol=1e-12)


def test_second_order_has_no_inversion_built_in():
    above = filters.low_cut_response(1e6, 100.0, order=2)
    below = filters.low_cut_response(0.01, 100.0, order=2)
    assert above == pytest.approx(1.0, abs=1e-3)
    assert below / abs(below) == pytest.approx(-1.0, abs=1e-3)


def test_a_fourth_order_low_cut_delays_lows():
    """Butterworth at 150 Hz: 2.2 ms at 200 Hz, 0.06 ms at 1 kHz (worked from its poles)."""
    at_200, at_1000 = filters.low_cut_group_delay_ms([200.0, 1000.0], 150.0, kind="butterworth")
    assert at_200 == pytest.approx(2.2, abs=0.05)
    assert at_1000 == pytest.approx(0.06, abs=0.005)


@pytest.mark.parametrize("kind", ["butterworth", "linkwitz-riley"])
def test_a_burst_through_the_low_cut_comes_late_by_the_group_delay(kind):
    time = np.arange(-0.3, 0.5, 1 / RATE)
    burst = np.exp(-((time / 0.05) ** 2)) * np.cos(2 * np.pi * 200.0 * time)
    late = filters.apply_filters(burst, filters.design_low_cut(150.0, RATE, kind=kind))
    middle = [np.sum(time * x**2) / np.sum(x**2) for x in (burst, late)]
    delay = filters.low_cut_group_delay_ms(200.0, 150.0, kind=kind)
    assert 1000 * (middle[1] - middle[0]) == pytest.approx(delay, abs=0.05)


def warped(frequency, corner):
    """Analogue frequency that the bilinear transform puts at `frequency`, and its slope."""
    scale = corner / np.tan(np.pi * corner / RATE)
    angle = np.pi * frequency / RATE
    return scale * np.tan(angle), scale * np.pi / RATE / np.cos(angle) ** 2


@pytest.mark.parametrize("corner", [50.0, 250.0])
@pytest.mark.parametrize(("order", "kind"), KINDS)
def test_low_cut_design_is_the_bilinear_transform(order, kind, corner):
    sections = filters.design_low_cut(corner, RATE, order=order, kind=kind)
    _, response = signal.sosfreqz(sections, GRID, fs=RATE)
    expected = filters.low_cut_response(warped(GRID, corner)[0], corner, order=order, kind=kind)
    np.testing.assert_allclose(response, expected, rtol=5e-9)
    # The warp hardly shows where the cut works.
    near = GRID < 1000.0
    plain = filters.low_cut_response(GRID[near], corner, order=order, kind=kind)
    np.testing.assert_allclose(response[near], plain, rtol=0.02, atol=1e-9)


def test_digital_group_delay_is_the_analogue_one_warped():
    """scipy.signal.group_delay of the designs, by the chain rule."""
    grid = GRID[GRID > 300]
    analogue, slope = warped(grid, 2000.0)
    cut = filters.design_low_cut(2000.0, RATE, order=2, kind="butterworth")[0]
    _, samples = signal.group_delay((cut[:3], cut[3:]), grid, fs=RATE)
    ours = filters.low_cut_group_delay_ms(analogue, 2000.0, order=2, kind="butterworth")
    np.testing.assert_allclose(samples / RATE * 1000, ours * slope, rtol=1e-9)
    shelf = filters.design_shelf(2000.0, RATE, 5.0)[0]
    _, samples = signal.group_delay((shelf[:3], shelf[3:]), grid, fs=RATE)
    ours = filters.shelf_group_delay_ms(analogue, 2000.0, 5.0)
    np.testing.assert_allclose(samples / RATE * 1000, ours * slope, rtol=1e-9, atol=1e-12)


def cookbook_high_shelf(corner, rate, gain_db):
    """Audio-EQ cookbook (W3C note 2021), 'highShelf': coefficients as printed, with S = 1."""
    a = 10 ** (gain_db / 40)
    w0 = 2 * np.pi * corner / rate
    cosine = np.cos(w0)
    alpha = np.sin(w0) / 2 * np.sqrt(2)
    root = 2 * np.sqrt(a) * alpha
    top = [
        a * ((a + 1) + (a - 1) * cosine + root),
        -2 * a * ((a - 1) + (a + 1) * cosine),
        a * ((a + 1) + (a - 1) * cosine - root),
    ]
    bottom = [
        (a + 1) - (a - 1) * cosine + root,
        2 * ((a - 1) - (a + 1) * cosine),
        (a + 1) - (a - 1) * cosine - root,
    ]
    return np.array([*top, *bottom]) / bottom[0]


@given(st.floats(200.0, 20000.0), st.sampled_from([44100.0, 48000.0, 96000.0]), GAIN)
def test_shelf_design_is_the_cookbooks(corner, rate, gain):
    ours = filters.design_shelf(corner, rate, gain)
    np.testing.assert_allclose(
        ours, [cookbook_high_shelf(corner, rate, gain)], rtol=0, atol=1e-10
    )


@pytest.mark.parametrize("gain", [-6.0, 3.0, 6.0])
def test_shelf_design_is_the_response_warped(gain):
    _, response = signal.sosfreqz(filters.design_shelf(4000.0, RATE, gain), GRID,
                                  fs=RATE)
    expected = filters.shelf_response(warped(GRID, 4000.0)[0], 4000.0, gain)
    np.testing.assert_allclose(response, expected, rtol=1e-9)


@given(GAIN)
def test_shelf_gain(gain):
    def level(f):
        return 20 * np.log10(np.abs(filters.shelf_response(f, 4000.0, gain)))

    assert level(0.0) == pytest.approx(0.0, abs=1e-9)
    assert level(4000.0) == pytest.approx(gain / 2, abs=1e-9)
    assert level(4e9) == pytest.approx(gain, abs=1e-4)
    steps = np.diff(level(GRID)) * np.sign(gain)
    assert (steps >= -1e-9).all()


@given(GAIN)
def test_a_cut_undoes_a_boost(gain):
    up, down = (filters.shelf_response(GRID, 3000.0, sign * gain) for sign in (1.0, -1.0))
    np.testing.assert_allclose(up * down, 1.0, rtol=1e-9)
    delay = filters.shelf_group_delay_ms(GRID, 3000.0, gain)
    back = filters.shelf_group_delay_ms(GRID, 3000.0, -gain)
    np.testing.assert_allclose(delay, -back, rtol=1e-9, atol=1e-12)


@given(GAIN)
def test_shelf_group_delay_is_the_derivative_of_the_phase(gain):
    """From the cookbook's analogue prototype written as polynomials in s."""
    a = 10 ** (gain / 40)
    damping = np.sqrt(a) * np.sqrt(2)
    unit = 1 / (2 * np.pi * 3000.0)
    top = np.array([a, damping, 1.0]) * [unit**2, unit, 1.0]
    bottom = np.array([1.0, damping, a]) * [unit**2, unit, 1.0]
    ours = filters.shelf_group_delay_ms(GRID, 3000.0, gain)
    np.testing.assert_allclose(
        ours / 1000, reference_delay_s(top, bottom, GRID), rtol=1e-9, atol=1e-15
    )


def test_filters_run_along_the_last_axis():
    noise = np.random.default_rng(2).standard_normal((40, 500))
    sections = np.vstack(
        [filters.design_low_cut(120.0, RATE, order=8), filters.design_shelf(5000.0, RATE, 4.0)]
    )
    expected = noise
    for section in sections:
        expected = signal.lfilter(section[:3], section[3:], expected)
    ours = filters.apply_filters(noise, sections)
    np.testing.assert_allclose(ours, expected, rtol=0, atol=1e-9)


def test_no_samples_stay_none():
    none = filters.apply_filters(np.zeros((0, 3)), filters.design_low_cut(80.0, RATE))
    assert none.shape == (0, 3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: filters.low_cut_response(-1.0, 80.0), "frequency_hz must be between 0 and"),
        (lambda: filters.low_cut_response(1.0, 0.0), "corner_hz must be between 0.001 and"),
        (lambda: filters.low_cut_response(1.0, 80.0, order=3), "must be one of 2, 4, 8, got 3"),
        (lambda: filters.low_cut_group_delay_ms(1.0, 80.0, order=9, kind="butterworth"),
         "order of a butterworth low cut must be one of 1, 2, .* got 9"),
        (lambda: filters.low_cut_response(1.0, 80.0, kind="bessel"), "kind must be one of"),
        (lambda: filters.design_low_cut(80.0, 48000.0, order=0), "must be one of 2, 4, 8, got 0"),
        (lambda: filters.design_low_cut(24000.0, 48000.0), "below half the sample rate, 24000 Hz"),
        (lambda: filters.design_low_cut(80.0, 0.0), "sample_rate_hz must be above 0 Hz"),
        (lambda: filters.design_shelf(25000.0, 48000.0, 3.0), "below half the sample rate"),
        (lambda: filters.design_shelf(4000.0, 48000.0, 99.0), "gain_db must be between -40 and 40"),
        (lambda: filters.shelf_group_delay_ms(1.0, 4e3, np.nan), "gain_db must be between"),
        (lambda: filters.apply_filters([1.0, np.nan], np.ones((1, 6))), "signal must be a finite"),
        (lambda: filters.apply_filters([1.0], np.ones((1, 5))), "shape"),
        (lambda: filters.apply_filters([1.0], [[1, 0, 0, 1, 0, 0], [1, 0, 0, 1, 0, 1.01]]),
         "stable, but section 1"),
        (lambda: filters.apply_filters([1.0], [[1, 0, 0, 1, -2.1, 1.0]]), "outside the unit"),
    ],
)
def test_bad_input(call, message):
    with pytest.raises(ValueError, match=message):
        call()
