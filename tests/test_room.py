"""Room energies against the integral of the decay, geometry and simple limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.integrate import quad

from fillalign import room

DISTANCES = st.floats(0.5, 200.0)
TIMES = st.floats(0.2, 8.0)
VOLUMES = st.floats(50.0, 50000.0)


def fall_db(energy):
    return 10 * np.log10(energy[0] / energy[-1])


@pytest.mark.parametrize(("early_ms", "gap_ms"), [(50, 0), (50, 20), (80, 0), (80, 79), (50, 75)])
def test_early_and_late_are_integrals_of_the_decay(early_ms, gap_ms):
    """Barron and Lee 1988: an exponential decay that starts at r/c, cut at the window's end."""
    distance, rt60, volume = 23.0, 1.7, 5200.0

    def decay(after_ms):
        return 31200.0 / volume * 13.8 / 1000.0 * np.exp(-0.04 * distance / rt60) * np.exp(
            -13.8 * after_ms / 1000.0 / rt60
        )

    cut = max(early_ms - gap_ms, 0.0)
    early, late = room.early_late_energy(
        distance, rt60, volume, early_ms=early_ms, gap_ms=gap_ms
    )
    assert early == pytest.approx(quad(decay, 0.0, cut)[0], rel=1e-9, abs=1e-12)
    assert late == pytest.approx(quad(decay, cut, 60000.0, limit=400)[0], rel=1e-7)


def test_decay_during_the_travel_time():
    """The printed 0.04 r/T is 13.8 r/(c T) for c near 343 m/s (Barron and Lee 1988)."""
    near, far = room.reverberant_energy([10.0, 60.0], 2.0, 9000.0)
    assert np.log(near / far) == pytest.approx(13.8 * 50.0 / 343.0 / 2.0, rel=0.01)


def test_level_at_the_source_is_the_diffuse_field_level():
    """4/A with Sabine's A (any acoustics textbook) in the same reference."""
    start = room.reverberant_energy(1e-6, 1.5, 4000.0)
    direct, constant = room.hopkins_stryker(1e-6, 1.0, 1.5, 4000.0)
    assert start == pytest.approx(constant, rel=0.002)
    assert direct == pytest.approx(room.direct_energy(1e-6))


def test_direct_energy_is_the_inverse_square_from_10_m():
    np.testing.assert_allclose(room.direct_energy([5.0, 10.0, 20.0, 100.0]), [4, 1, 0.25, 0.01])


@pytest.mark.parametrize(("q", "rt60", "volume"), [(1.0, 1.0, 500.0), (7.0, 2.2, 12000.0)])
def test_critical_distance(q, rt60, volume):
    """At 0.057 sqrt(Q V/T) (textbooks) direct and reverberant are equal."""
    critical = 0.057 * np.sqrt(q * volume / rt60)
    direct, reverberant = room.hopkins_stryker(critical, q, rt60, volume)
    assert direct == pytest.approx(reverberant, rel=0.02)


def test_long_hall_falls_towards_the_back_only_in_revised_theory():
    """A 46 x 20 x 8 m hall, RT60 1.4 s: about 5 dB; 1.5 dB at constant level (own study)."""
    distance, volume = np.array([8.0, 43.0]), 46.0 * 20.0 * 8.0
    direct, constant = room.hopkins_stryker(distance, 1.5, 1.4, volume)
    revised = direct + room.reverberant_energy(distance, 1.4, volume)
    assert 4.5 < fall_db(revised) < 6.5
    assert fall_db(direct + constant) == pytest.approx(1.5, abs=0.3)


def test_lows_fall_less_than_mids():
    """Same hall, 13 m to 34 m: about 2.0 dB at 125 Hz (RT60 2.0 s), 3.5 at 500 Hz (own study)."""
    distance = np.array([13.0, 34.0])[:, None]
    direct, _ = room.hopkins_stryker(distance, [1.0, 2.5], [2.0, 1.4], 7360.0)
    low, mid = fall_db(direct + room.reverberant_energy(distance, [2.0, 1.4], 7360.0))
    assert low == pytest.approx(2.0, abs=0.3)
    assert mid == pytest.approx(3.5, abs=0.3)


@given(DISTANCES, TIMES, VOLUMES, st.floats(0.0, 120.0), st.sampled_from([50.0, 80.0]))
def test_early_and_late_make_the_whole_tail(distance, rt60, volume, gap, early_ms):
    early, late = room.early_late_energy(distance, rt60, volume, early_ms=early_ms, gap_ms=gap)
    assert early >= 0.0
    assert late > 0.0
    assert early + late == pytest.approx(room.reverberant_energy(distance, rt60, volume))
    assert (early == 0.0) == (gap >= early_ms)


@given(DISTANCES, TIMES, VOLUMES)
def test_more_distance_or_volume_never_brings_more_tail(distance, rt60, volume):
    here = room.reverberant_energy(distance, rt60, volume)
    assert room.reverberant_energy(distance * 1.5, rt60, volume) < here
    assert room.reverberant_energy(distance, rt60, volume * 2.0) == pytest.approx(here / 2)
    assert room.reverberant_energy(distance, rt60 * 1.5, volume) > here


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: room.direct_energy(0.0), r"distance_m must be between 1e-06 and .* m, got 0"),
        (lambda: room.early_share(0.0), r"rt60_s must be between 0.05 and 30 s, got 0"),
        (lambda: room.early_share(1.0, gap_ms=-1.0), r"gap_ms must be at least 0 ms, got -1"),
        (lambda: room.early_share(1.0, early_ms=-50), r"early_ms must be between 0 and 1000 ms"),
        (lambda: room.reverberant_energy(10, 1.0, 0.5), r"volume_m3 must be .*10 and 2000000 m\^3"),
        (lambda: room.early_late_energy(10, np.nan, 500), r"rt60_s must be .*got nan"),
        (lambda: room.hopkins_stryker(10, -1.0, 1.0, 500), r"q must be at least 0, got -1"),
        (lambda: room.hopkins_stryker(10, 1.0, 1.0, -500), r"volume_m3 must be"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_sabine_by_hand():
    """Sabine 1922: 1,440 m3 with 864 m2, a fifth of it absorbing; the constant from memory."""
    assert room.sabine_rt60_s(20.0, 12.0, 6.0, 0.2) == pytest.approx(
        0.161 * 1440.0 / (864.0 * 0.2))
    twice = room.sabine_rt60_s(20.0, 12.0, 6.0, np.array([0.2, 0.4]))
    assert twice[0] == pytest.approx(2.0 * twice[1])
