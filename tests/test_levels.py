"""Levels against arithmetic, IEC 61672-1, ISO 9613-2's table, scipy and pyfar."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyfar
import pytest
from hypothesis import given, strategies as st
from scipy import integrate, signal

from fillalign import levels
from fillalign.absorption import OCTAVES_HZ, THIRDS_HZ, band_edges_hz
from fillalign.air import Air

PUBLISHED = Path(__file__).parent / "published"
FACTS = pd.read_csv(PUBLISHED / "levels_and_combs.csv", comment="#").set_index("what")
WEIGHTS = pd.read_csv(PUBLISHED / "weightings.csv", comment="#")
ABSORPTION = pd.read_csv(PUBLISHED / "absorption_octave_bands.csv", comment="#")
SPEECH = pd.read_csv(PUBLISHED / "speech_transmission.csv", comment="#")

EXACT_HZ = 1000.0 * 10.0 ** (np.rint(10.0 * np.log10(WEIGHTS.nominal_hz / 1000.0)) / 10.0)
LEVEL = st.floats(-60.0, 160.0)


def c_weighting_db(frequency_hz):
    return levels.power_to_db(levels.weighting_factors(frequency_hz, "C"))


WEIGHTINGS = {"A": levels.a_weighting_db, "C": c_weighting_db}


@pytest.mark.parametrize(
    ("what", "ours"),
    [
        ("sum of two equal levels in phase", lambda: levels.coherent_sum_db([0.0, 0.0], 0.7)),
        ("sum of two equal unrelated levels", lambda: levels.power_sum_db([0.0, 0.0])),
        ("point source per doubling of distance", lambda: levels.spreading_db(2.0)),
        (
            "ideal line source per doubling of distance",
            lambda: levels.spreading_db(2.0, wave="cylindrical"),
        ),
    ],
)
def test_published_facts(what, ours):
    """The sources (arithmetic, inverse square law) stand in the table."""
    assert ours() == pytest.approx(FACTS.value[what], rel=0, abs=FACTS.tolerance[what])


@pytest.mark.parametrize("letter", "AC")
def test_weightings_at_every_exact_third_octave(letter):
    """IEC 61672-1, table 3: printed to 0.1 dB, so half a digit and rounding."""
    printed = WEIGHTS[f"{letter.lower()}_weighting_db"]
    assert len(printed) == 34
    np.testing.assert_allclose(WEIGHTINGS[letter](EXACT_HZ), printed, rtol=0, atol=0.051)


def test_c_weighting_is_half_power_at_its_corners():
    """IEC 61672-1 places the -3 dB points of C at 10^1.5 and 10^3.9 Hz."""
    corners = c_weighting_db([10.0**1.5, 10.0**3.9])
    np.testing.assert_allclose(corners, 10.0 * np.log10(0.5), rtol=0, atol=1e-9)


@pytest.mark.parametrize("letter", "AC")
def test_weightings_against_an_analogue_filter(letter):
    """Poles as IEC 61672-1 rounds them (20.60, 107.7, 737.9, 12194 Hz), run by scipy."""
    extra = [107.7, 737.9] if letter == "A" else []
    poles = -2.0 * np.pi * np.array([20.60, 20.60, 12194.0, 12194.0, *extra])
    zeros = np.zeros(4 if letter == "A" else 2)
    frequency = np.geomspace(10.0, 20000.0, 200)
    points = 2.0 * np.pi * np.array([*frequency, 1000.0])
    _, response = signal.freqs_zpk(zeros, poles, 1.0, worN=points)
    expected = 20.0 * np.log10(np.abs(response[:-1] / response[-1]))
    np.testing.assert_allclose(WEIGHTINGS[letter](frequency), expected, rtol=0, atol=0.005)


@pytest.mark.parametrize("letter", "AC")
def test_weighting_factors_are_those_of_power(letter):
    """10^(A/10) of the table of IEC 61672-1, printed to 0.1 dB."""
    printed = WEIGHTS[f"{letter.lower()}_weighting_db"]
    ours = levels.weighting_factors(EXACT_HZ, letter)
    np.testing.assert_allclose(ours, 10.0 ** (printed / 10.0), rtol=0.012)
    assert levels.weighting_factors(1000.0, letter) == 1.0


@pytest.mark.parametrize("letter", "AC")
def test_weightings_against_pyfar(letter):
    ours = WEIGHTINGS[letter](THIRDS_HZ)
    theirs = pyfar.constants.frequency_weighting_curve(letter, THIRDS_HZ)
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=0.001)
    assert WEIGHTINGS[letter](1000.0) == 0.0


@pytest.mark.parametrize(
    ("forward", "back", "per_decade"),
    [
        (levels.db_to_power, levels.power_to_db, 10.0),
        (levels.db_to_amplitude, levels.amplitude_to_db, 20.0),
    ],
)
def test_conversions(forward, back, per_decade):
    """A decade is 10 dB of power, 20 dB of amplitude (definition of the decibel)."""
    assert forward(per_decade) == pytest.approx(10.0, rel=1e-14)
    assert forward(-np.inf) == 0.0
    assert back(0.0) == -np.inf
    levels_db = np.linspace(-90.0, 130.0, 23)
    np.testing.assert_allclose(back(forward(levels_db)), levels_db, rtol=0, atol=1e-12)
    assert isinstance(forward(3), float)
    assert isinstance(back(3), float)


def test_amplitude_of_reversed_polarity():
    assert levels.amplitude_to_db(-10.0) == 20.0


@given(st.lists(LEVEL, min_size=1, max_size=8), LEVEL)
def test_power_sum_grows_and_has_no_order(some, another):
    total = levels.power_sum_db(some)
    assert max(some) - 1e-9 <= total <= max(some) + 10.0 * np.log10(len(some)) + 1e-9
    assert levels.power_sum_db(some[::-1]) == pytest.approx(total, abs=1e-9)
    assert levels.power_sum_db([*some, another]) >= total - 1e-9
    assert levels.power_sum_db([*some, -np.inf]) == pytest.approx(total, abs=1e-9)


@given(st.lists(LEVEL, min_size=1, max_size=8), st.integers(2, 9))
def test_repeats_add_to_a_sum_and_leave_a_mean(some, times):
    """N equal sounds are 10 log10 N louder than one (arithmetic)."""
    gain = 10.0 * np.log10(times)
    total = levels.power_sum_db(some)
    assert levels.power_sum_db(some * times) == pytest.approx(total + gain, abs=1e-9)
    assert levels.power_sum_db(some, weights=times) == pytest.approx(total + gain, abs=1e-9)
    mean = levels.power_sum_db(some * times, weights=1 / (times * len(some)))
    assert total - mean == pytest.approx(10.0 * np.log10(len(some)), abs=1e-9)


def test_weights_are_repeats():
    counts, some = [3, 1, 0, 2], [80.0, 90.0, 140.0, 84.0]
    spelled = np.repeat(some, counts)
    total = levels.power_sum_db(some, weights=counts)
    assert total == pytest.approx(levels.power_sum_db(spelled), abs=1e-12)


@pytest.mark.parametrize("function", [levels.power_sum_db, levels.coherent_sum_db])
def test_axes(function):
    some = np.random.default_rng(5).uniform(60.0, 90.0, (2, 3, 4))
    looped = [[function(some[i, :, k]) for k in range(4)] for i in range(2)]
    np.testing.assert_allclose(function(some, axis=1), looped, rtol=1e-13)
    flat = function(some.ravel())
    assert function(some, axis=None) == pytest.approx(flat, abs=1e-12)
    assert function(some, axis=(0, 1, 2)) == pytest.approx(flat, abs=1e-12)
    assert function(72.5) == pytest.approx(72.5)


@given(st.lists(st.tuples(LEVEL, st.floats(-7.0, 7.0)), min_size=1, max_size=6))
def test_coherent_sum_against_real_signals(pairs):
    """A sine wave's level from its samples over one period."""
    level, phase = np.array(pairs).T
    wave = np.cos(2.0 * np.pi * np.arange(64)[:, None] / 64.0 + phase) @ 10.0 ** (level / 20.0)
    mean_square = 2.0 * np.mean(wave**2)
    loudest = 10.0 ** (max(level) / 10.0)
    ours = 10.0 ** (levels.coherent_sum_db(level, phase) / 10.0)
    assert ours == pytest.approx(mean_square, rel=1e-9, abs=1e-9 * loudest)


def test_phase_decides():
    """In phase +6.02, a quarter turn +3.01, opposed: silence (arithmetic)."""
    phase = np.array([0.0, np.pi / 2.0, np.pi])[:, None] * [0.0, 1.0]
    in_step, quarter, opposed = levels.coherent_sum_db([80.0, 80.0], phase)
    assert (in_step, quarter) == pytest.approx((86.0206, 83.0103), abs=1e-4)
    assert opposed < -200.0


@pytest.mark.parametrize("coherent", [False, True])
@given(mains=LEVEL, short=st.floats(0.001, 60.0))
def test_mains_and_fill_reach_the_goal(coherent, mains, short):
    fill = levels.fill_level_db(mains, mains + short, coherent=coherent)
    total = levels.coherent_sum_db if coherent else levels.power_sum_db
    assert total([mains, fill]) == pytest.approx(mains + short, abs=1e-9)
    assert levels.fill_level_db(mains - 1.0, mains + short, coherent=coherent) > fill
    assert fill < mains + short


def test_fill_level_in_the_corners():
    """3.01 dB more takes as much again, 6.02 dB in phase likewise (arithmetic)."""
    assert levels.fill_level_db(90.0, 93.0103) == pytest.approx(90.0, abs=1e-4)
    assert levels.fill_level_db(90.0, 96.0206, coherent=True) == pytest.approx(90.0, abs=1e-4)
    mains = np.array([90.0, 95.0, 95.1, -np.inf, -np.inf])
    goal = np.array([95.0, 95.0, 95.0, 95.0, -np.inf])
    ours = levels.fill_level_db(mains, goal)
    assert ours[0] == pytest.approx(93.35, abs=0.005)
    np.testing.assert_array_equal(ours[1:], [-np.inf, -np.inf, 95.0, -np.inf])
    assert levels.fill_level_db(95.0, 95.0) == -np.inf
    assert levels.fill_level_db([[80.0], [90.0]], [92.0, 95.0, 98.0]).shape == (2, 3)


@given(st.floats(0.1, 1e4), st.floats(0.1, 1e4), st.floats(0.1, 1e4))
def test_spreading_composes(near, middle, far):
    """There and back cancel; two stages make one, for either wave."""
    for wave, factor in (("spherical", 20.0), ("cylindrical", 10.0)):
        there = levels.spreading_db(far, reference_m=near, wave=wave)
        assert there == pytest.approx(-levels.spreading_db(near, reference_m=far, wave=wave))
        stages = [(near, middle), (middle, far)]
        total = sum(levels.spreading_db(b, reference_m=a, wave=wave) for a, b in stages)
        assert there == pytest.approx(total, abs=1e-9)
        assert there == pytest.approx(-factor * np.log10(far / near), abs=1e-9)


def test_path_over_a_kilometre():
    """ISO 9613-2, table 2, printed in dB/km; 60 dB of spreading over 1 km."""
    for row in ABSORPTION.itertuples():
        air = Air(row.temperature_c, row.humidity_pct)
        exact = 1000.0 * 10.0 ** (0.3 * row.exact_hz_k)
        loss = levels.path_loss_db(1000.0, exact, air)
        half_digit = 0.5 if row.absorption_db_per_km >= 100 else 0.06
        assert loss - 60.0 == pytest.approx(row.absorption_db_per_km, rel=0, abs=half_digit)


def test_path_in_thin_air():
    """29.08 dB/km at 20 C, 50 %, 4 kHz, 70 kPa: by the pressure identity of ISO 9613-1."""
    loss = levels.path_loss_db(100.0, 4000.0, Air(20.0, 50.0, 70.0))
    assert loss == pytest.approx(40.0 + 2.908, abs=0.001)


def test_weighted_totals_from_the_printed_weights():
    """Totals by hand from IEC 61672-1's printed weights, which round to 0.05 dB."""
    spectrum = 90.0 - 12.0 * np.log10(EXACT_HZ / 1000.0) ** 2
    for letter in "AC":
        printed = WEIGHTS[f"{letter.lower()}_weighting_db"]
        by_hand = 10.0 * np.log10(np.sum(10.0 ** ((spectrum + printed) / 10.0)))
        ours = levels.weighted_total_db(spectrum, EXACT_HZ, weighting=letter)
        assert ours == pytest.approx(by_hand, abs=0.05)
    assert levels.weighted_total_db(spectrum, EXACT_HZ) == levels.weighted_total_db(
        spectrum, EXACT_HZ, weighting="A"
    )


def test_weighted_total_along_the_last_axis():
    some = np.random.default_rng(2).uniform(40.0, 80.0, (4, 2, 9))
    looped = [[levels.weighted_total_db(one, OCTAVES_HZ) for one in row] for row in some]
    np.testing.assert_allclose(levels.weighted_total_db(some, OCTAVES_HZ), looped)
    assert levels.weighted_total_db(70.0, 1000.0) == pytest.approx(70.0)


def test_pink_noise_against_its_continuous_spectrum():
    """Power density 1/f through the A curve, integrated by scipy."""
    lowest, highest = band_edges_hz(THIRDS_HZ)

    def heard(log_f):
        return 10.0 ** (levels.a_weighting_db(np.exp(log_f)) / 10.0)

    total, _ = integrate.quad(heard, np.log(lowest[0]), np.log(highest[-1]))
    band = np.log(highest[0] / lowest[0])
    expected = 94.0 + 10.0 * np.log10(band / total)
    np.testing.assert_allclose(levels.pink_band_levels_db(94.0, THIRDS_HZ), expected, atol=0.02)


@pytest.mark.parametrize("bands_hz", [THIRDS_HZ, OCTAVES_HZ])
def test_pink_noise_has_its_total(bands_hz):
    totals = np.array([[65.0], [94.0]])
    ours = levels.pink_band_levels_db(totals, bands_hz)
    assert ours.shape == (2, 1, bands_hz.size)
    np.testing.assert_allclose(levels.weighted_total_db(ours, bands_hz), totals, atol=1e-9)
    np.testing.assert_array_equal(levels.pink_band_levels_db(65.0, bands_hz), ours[0, 0])
    assert np.all(levels.pink_band_levels_db(-np.inf, bands_hz) == -np.inf)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: levels.db_to_power(np.nan), "level_db must be at most 1000 dB, got nan"),
        (lambda: levels.db_to_power([0.0, np.inf]), "level_db must be at most 1000 dB, got inf"),
        (lambda: levels.db_to_amplitude(1001.0), "level_db must be at most 1000 dB, got 1001"),
        (lambda: levels.power_to_db([1.0, -1.0]), "power must be at least 0, got -1"),
        (lambda: levels.amplitude_to_db(np.inf), "amplitude must be a finite number, got inf"),
        (lambda: levels.power_sum_db([1.0, 2.0], weights=-1.0), "weights must be at least 0"),
        (lambda: levels.coherent_sum_db([0.0], np.nan), "phase_rad must be a finite number"),
        (lambda: levels.fill_level_db(np.nan, 90.0), "mains_db must be at most 1000 dB"),
        (lambda: levels.fill_level_db(90.0, np.inf), "goal_db must be at most 1000 dB"),
        (lambda: levels.spreading_db(0.0), "distance_m must be above 0 m, got 0"),
        (lambda: levels.spreading_db(1.0, reference_m=-2.0), "reference_m must be above 0 m"),
        (lambda: levels.spreading_db(1.0, wave="flat"), "wave must be one of spherical, cyl"),
        (
            lambda: levels.path_loss_db(-1.0, 1e3, Air(20.0)),
            "distance_m must be above 0 m, got -1",
        ),
        (
            lambda: levels.a_weighting_db(0.0),
            "frequency_hz must be between 0.001 and 1000000 Hz, got 0",
        ),
        (lambda: levels.weighting_factors(2e6, "C"),
         "frequency_hz must be between 0.001 and 1000000 Hz"),
        (
            lambda: levels.weighted_total_db([1.0, 2.0], OCTAVES_HZ),
            "level_db must hold 9 bands on its last axis, one for each frequency_hz, got 2",
        ),
        (
            lambda: levels.weighted_total_db(np.ones(9), OCTAVES_HZ, weighting="B"),
            "weighting must be one of A, C, got 'B'",
        ),
        (lambda: levels.pink_band_levels_db(np.nan, THIRDS_HZ),
         "total_dba must be at most 1000"),
    ],
)
def test_bad_values_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()
