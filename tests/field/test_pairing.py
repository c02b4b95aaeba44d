"""Powers of outputs against the mean of |sum of phasors|^2 over each part of a band.

The mean is a Gauss-Legendre sum over frequency, which knows no closed form. Each
filter enters as stated: its size, phase and group delay at the centre of the part.
"""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import THIRDS_HZ, OutputSettings
from fillalign.field import pairing as made
from fillalign.field import parts
from fillalign.field.pairing import PairCache
from fillalign.field.paths import Paths, single_points

NODE, WEIGHT = np.polynomial.legendre.leggauss(128)
PLAIN = parts.part_filter(OutputSettings())
CUT = parts.part_filter(OutputSettings(low_cut_hz=120.0, polarity="inverted"))
SHELF = parts.part_filter(OutputSettings(shelf_db=5.0, shelf_hz=1000.0, low_cut_hz=80.0,
                                        low_cut_order=2, low_cut_kind="butterworth"))
ELEMENTS = {0: (0, 1, 3, 4), 1: (2,), 2: (), 3: (5, 6, 7)}


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch):
    """Take 32 seats at a time, so that few seats make several blocks."""
    monkeypatch.setattr(made, "_BLOCK_PHASORS", 1)


def some_paths(seats=70, *, seed=1):
    """Return paths of output 0 (sources 0 and 2), 1 (source 1) and 3 (3 and 4), none of 2."""
    random = np.random.default_rng(seed)
    owner = np.array([0, 0, 1, 2, 2, 3, 4, 4])
    time = random.uniform(20.0, 23.0, (owner.size, seats))
    # Places at the same distance, or nearly: gaps of 0 and of 1e-12 to 1e-3 s.
    time[1, ::3] = time[0, ::3]
    time[3, 1::3] = time[0, 1::3] + np.logspace(-9, 0, len(time[0, 1::3]))
    time[2, 2::3] = time[0, 2::3] + np.logspace(-9, 0, len(time[0, 2::3]))
    time[6, ::2] = time[2, ::2]
    time[7, :] = time[6]
    amplitude = random.uniform(0.2, 3.0, (owner.size, seats, THIRDS_HZ.size))
    some = np.zeros((5, seats))
    return Paths(
        seats=single_points(np.zeros((seats, 3))), element_source=owner,
        source_output=np.array([0, 1, 0, 3, 3]), time_ms=time, amplitude=amplitude,
        tail_power=np.zeros((5, THIRDS_HZ.size)), distance_m=some, within=some > 0,
        serving_m=some, serving_wind_m_s=some, level_dba=some, speed_m_s=343.0,
    )


def sound(paths, elements, later_s=0.0, filters=PLAIN):
    """Complex pressure of elements together, (parts, nodes, n)."""
    inside = np.outer(parts.PART_HIGH_HZ - parts.PART_LOW_HZ, NODE) / 2
    hertz = parts.PART_CENTRE_HZ[:, None] + inside
    turn = 1j * (filters.phase[:, None] - 2 * np.pi * inside * filters.lag[:, None])
    total = np.zeros((*hertz.shape, paths.time_ms.shape[1]), dtype=complex)
    for one in elements:
        late = paths.time_ms[one] / 1000 + later_s
        wave = np.exp(turn[..., None] - 2j * np.pi * hertz[..., None] * late)
        total += wave * paths.amplitude[one].T[parts.PART_BAND][:, None]
    return total * filters.size[:, None, None]


def mean(product):
    return np.einsum("pfn,f->pn", product, WEIGHT / 2)


def scale(paths, ours, theirs):
    """Amplitudes of two groups multiplied: what rounding is to be measured against."""
    one, other = (paths.amplitude[list(group)].sum(axis=0).T[parts.PART_BAND]
                  for group in (ours, theirs))
    return one * other


@pytest.mark.parametrize("seats", [1, 33, 70])
def test_power_of_an_output_and_of_its_sources_alone(seats):
    paths, cache = some_paths(seats), PairCache()
    for output, elements in ELEMENTS.items():
        wanted = mean(np.abs(sound(paths, elements)) ** 2)
        error = made.own_power(paths, cache, output).T - wanted
        assert (np.abs(error) <= 1e-8 * scale(paths, elements, elements)).all()
    for source in range(5):
        elements = np.flatnonzero(paths.element_source == source)
        power = mean(np.abs(sound(paths, elements)) ** 2) * parts.PART_SHARE[:, None]
        wanted = np.array([power[parts.PART_BAND == band].sum(axis=0) for band in range(27)])
        found = made.source_power(paths, cache, source).T
        np.testing.assert_allclose(found, wanted, rtol=1e-7)
        np.testing.assert_array_equal(found, made.source_power(paths, PairCache(), source).T)


SETTINGS = [(0.0, (PLAIN, PLAIN)), (0.0031, (CUT, SHELF)), (-0.0007, (SHELF, CUT))]


def together(paths, pair, later_s, filters):
    """Return what two outputs bring together by quadrature, and the scale of it, (parts, n)."""
    ours, theirs = (ELEMENTS[output] for output in pair)
    first = sound(paths, ours, later_s, filters[0])
    second = sound(paths, theirs, 0.0, filters[1])
    loud = scale(paths, ours, theirs)
    return mean((first * second.conj()).real) * parts.PART_SHARE[:, None], loud


@pytest.mark.parametrize("pair", [(0, 1), (1, 0), (3, 0)])
@pytest.mark.parametrize(("later_s", "filters"), SETTINGS)
def test_what_two_outputs_bring_together(pair, later_s, filters):
    paths, cache = some_paths(), PairCache()
    wanted, loud = together(paths, pair, later_s, filters)
    found = made.cross_parts(paths, pair, later_s, filters, cache)
    assert (np.abs(found - wanted) <= 1e-6 * loud).all()
    bands = made.cross_power(paths, pair, later_s, filters, cache)
    for few in (slice(0, 1), slice(12, 15), slice(26, 27)):
        some = made.cross_parts(paths, pair, later_s, filters, cache, few)
        np.testing.assert_allclose(some, found[parts.parts_of(few)], rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(parts.part_sums(some, few).T, bands[:, few], atol=1e-9)
    for band in range(27):
        whole = found[parts.PART_BAND == band].sum(axis=0)
        np.testing.assert_allclose(bands[:, band], whole, rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("part", [0, 20, 38, 52])
def test_delay_that_takes_up_the_lag_of_a_filter_leaves_no_gap(part):
    paths = some_paths()
    paths.time_ms[5:8] = paths.time_ms[2] + 1000 * float(SHELF.lag[part] - CUT.lag[part]) + 2.0
    for pair, filters, later_s in (((1, 3), (SHELF, CUT), 0.002), ((3, 1), (CUT, SHELF), -0.002)):
        wanted, loud = together(paths, pair, later_s, filters)
        found = made.cross_parts(paths, pair, later_s, filters, PairCache())
        assert (np.abs(found - wanted) <= 1e-6 * loud).all()


@pytest.mark.parametrize("gap_s", [0.0, 1e-12, 0.9e-9, 1.1e-9, 1e-7, 3e-6, 1e-4, 0.02, 0.3])
def test_pair_at_any_gap(gap_s):
    # sinc(B t) cos(2 pi f t), the mean of a cosine over a band (any table of integrals),
    # with both far from the element that phases are counted from.
    times = 300.0 + np.array([-300.0, 0.0, 1000 * gap_s])[:, None]
    paths = replace(
        some_paths(1), time_ms=times, amplitude=np.full((3, 1, THIRDS_HZ.size), 2.0),
        element_source=np.array([0, 1, 1]), source_output=np.array([0, 1]),
    )
    gap = (times[2, 0] - times[1, 0]) / 1000
    width = parts.PART_HIGH_HZ - parts.PART_LOW_HZ
    wanted = 4 * np.sinc(width * gap) * np.cos(2 * np.pi * parts.PART_CENTRE_HZ * gap)
    inside = made.own_power(paths, PairCache(), 1)[0]
    np.testing.assert_allclose(inside, 8 + 2 * wanted, atol=3e-8)
    split = replace(paths, source_output=np.array([0, 1, 2]), element_source=np.arange(3))
    for pair in ((1, 2), (2, 1)):
        across = made.cross_parts(split, pair, 0.0, (PLAIN, PLAIN), PairCache())[:, 0]
        np.testing.assert_allclose(across, wanted * parts.PART_SHARE, atol=4e-6)


def test_output_without_a_source_brings_nothing():
    paths, cache = some_paths(5), PairCache()
    assert not made.own_power(paths, cache, 2).any()
    for pair in ((0, 2), (2, 0)):
        assert not made.cross_parts(paths, pair, 0.001, (PLAIN, CUT), cache).any()


def test_what_is_kept_changes_nothing(monkeypatch):
    paths, filters = some_paths(), (CUT, SHELF)
    whole, which = PairCache(), np.array([3, 4, 60, 7])
    part = PairCache((whole, paths, which))
    own = made.own_power(paths, whole, 0), made.source_power(paths, whole, 2)
    np.testing.assert_array_equal(made.own_power(paths.take(which), part, 0), own[0][which])
    np.testing.assert_array_equal(made.source_power(paths.take(which), part, 2), own[1][which])
    cross = made.cross_power(paths, (0, 3), 0.002, filters, whole)
    assert part.known_cross(("pair",)) is None
    whole.cross["pair",] = cross
    np.testing.assert_array_equal(part.known_cross(("pair",)), cross[which])
    few = made.cross_power(paths.take(which), (0, 3), 0.002, filters, part)
    np.testing.assert_allclose(few, cross[which], rtol=1e-9, atol=1e-9)
    # Neither does how much of it there is room for, or in how many goes it is worked out.
    monkeypatch.setattr(made, "_KEPT_BYTES", 1)
    monkeypatch.setattr(made, "_BLOCK_PAIRS", 1)
    monkeypatch.setattr(made, "_BLOCK_PHASORS", 10_000)
    small = PairCache()
    np.testing.assert_allclose(made.own_power(paths, small, 0), own[0], rtol=1e-9, atol=1e-9)
    again = made.cross_power(paths, (0, 3), 0.002, filters, small)
    np.testing.assert_allclose(again, cross, rtol=1e-9, atol=1e-9)
    assert len(small.phasors) == 1
