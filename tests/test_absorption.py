"""Absorption against ISO 9613-2's table, pyfar at sea level and the pressure identity."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pyfar
import pytest
from hypothesis import given, settings, strategies as st

from fillalign._validate import RangeWarning
from fillalign.absorption import (
    OCTAVES_HZ,
    OCTAVES_NOMINAL,
    THIRDS_HZ,
    THIRDS_NOMINAL,
    _in_air,
    absorption_db_per_m,
    accuracy_class_pct,
    band_edges_hz,
)
from fillalign.air import Air

SEA_KPA = 101.325
TABLE = pd.read_csv(
    Path(__file__).parent / "published" / "absorption_octave_bands.csv", comment="#", dtype=str
)


def printed_tolerance(row):
    """Half a unit of the last printed digit; one cell of the standard is 0.051 off."""
    if (row.temperature_c, row.humidity_pct, row.band_hz) == ("15", "80", "1000"):
        return 0.06
    return 0.5 * 10.0 ** -len(row.absorption_db_per_km.partition(".")[2])


@pytest.mark.parametrize(
    "row",
    list(TABLE.itertuples()),
    ids=lambda row: f"{row.temperature_c}C-{row.humidity_pct}%-{row.band_hz}Hz",
)
def test_every_published_cell(row):
    """ISO 9613-2:1996, table 2, at the exact frequency and at the one our bands hold."""
    exact_hz = 1000.0 * 10.0 ** (0.3 * int(row.exact_hz_k))
    ours_hz = OCTAVES_HZ[OCTAVES_NOMINAL.index(int(row.band_hz))]
    assert ours_hz == pytest.approx(exact_hz, rel=1e-14)
    value = 1000.0 * absorption_db_per_m(
        ours_hz, float(row.temperature_c), float(row.humidity_pct), SEA_KPA
    )
    printed = float(row.absorption_db_per_km)
    assert value == pytest.approx(printed, rel=0, abs=printed_tolerance(row))


def at_sea_level(f, t, h):
    """Return pyfar's ISO 9613-1 in dB/m for single points; it is right at 101.325 kPa."""
    points = np.broadcast(f, t, h)
    values = [
        pyfar.constants.air_attenuation(float(b), float(a), float(c) / 100.0)[0].item()
        for a, b, c in points
    ]
    return np.reshape(values, points.shape)


def test_pyfar_at_sea_level():
    t, h = np.meshgrid([-20.0, -5.0, 0.0, 10.0, 20.0, 35.0, 50.0], [1.0, 10.0, 50.0, 100.0])
    expected = pyfar.constants.air_attenuation(t, THIRDS_HZ, h / 100.0)[0]
    ours = absorption_db_per_m(THIRDS_HZ, t[..., None], h[..., None])
    np.testing.assert_allclose(ours, expected, rtol=1e-11, atol=0)


def test_every_pressure_by_the_identity():
    """The standard's own scaling, alpha(f, T, h, p) = r alpha(f/r, T, h/r, p_r), r = p/p_r.

    It turns a reference that is right at sea level into one for every pressure.
    """
    rng = np.random.default_rng(9613)
    p = rng.uniform(60.0, 150.0, 300)
    r = p / SEA_KPA
    f, t = rng.uniform(100.0, 16e3, 300), rng.uniform(-15.0, 45.0, 300)
    h = rng.uniform(2.0, 55.0, 300)
    expected = r * at_sea_level(f / r, t, h / r)
    np.testing.assert_allclose(absorption_db_per_m(f, t, h, p), expected, rtol=1e-11, atol=0)


def test_a_pressure_by_its_number():
    """29.08 dB/km at 20 C, 50 %, 4 kHz and 70 kPa: pyfar's sea level through the identity."""
    r = 70.0 / SEA_KPA
    assert 1000.0 * r * at_sea_level(4000.0 / r, 20.0, 50.0 / r) == pytest.approx(29.08, abs=0.005)
    assert 1000.0 * absorption_db_per_m(4000.0, 20.0, 50.0, 70.0) == pytest.approx(29.08, abs=0.005)


def test_relaxation_of_dry_air():
    """ISO 9613-1: 24 Hz and 9 Hz are what is left at 20 C without water."""
    for kpa, wanted in ((101.325, (24.0, 9.0)), (50.6625, (12.0, 4.5))):
        assert _in_air(*map(np.float64, (20.0, 0.0, kpa)))[3:] == pytest.approx(wanted, rel=1e-14)


def test_air_of_the_morning_eats_more_highs_than_that_of_the_evening():
    """Common practice: air at 20 % can eat two to three times the highs of air at 60 %."""
    at_4k = absorption_db_per_m(OCTAVES_HZ[6], 20.0, [20.0, 60.0])
    assert 2.0 < at_4k[0] / at_4k[1] < 3.0


def test_air_method_is_the_function():
    ours = Air(24.0, 35.0, 95.0).absorption_db_per_m(THIRDS_HZ)
    np.testing.assert_array_equal(ours, absorption_db_per_m(THIRDS_HZ, 24.0, 35.0, 95.0))
    assert type(Air(24.0).absorption_db_per_m(1000)) is float


def test_bands_are_exact_and_named_by_their_nominal_frequency():
    """IEC 61260-1 nominal names, from the list of preferred frequencies in ISO 266."""
    assert THIRDS_HZ == pytest.approx(1000.0 * 10.0 ** (np.arange(-13, 14) / 10), rel=1e-15)
    assert THIRDS_HZ == pytest.approx(THIRDS_NOMINAL, rel=0.019)
    assert OCTAVES_HZ == pytest.approx(OCTAVES_NOMINAL, rel=0.014)
    thirds = pyfar.constants.fractional_octave_frequencies_nominal(3, (50, 20e3))
    octaves = pyfar.constants.fractional_octave_frequencies_nominal(1, (63, 16e3))
    assert THIRDS_NOMINAL == tuple(thirds)
    assert OCTAVES_NOMINAL == tuple(octaves)


def test_three_thirds_make_each_octave():
    octave = np.arange(27) // 3
    np.testing.assert_allclose(OCTAVES_HZ, THIRDS_HZ[1::3], rtol=1e-14)
    low, high = band_edges_hz(OCTAVES_HZ, fraction=1)
    assert np.all((low[octave] < THIRDS_HZ) & (THIRDS_HZ < high[octave]))
    thirds_low, thirds_high = band_edges_hz(THIRDS_HZ)
    np.testing.assert_allclose(thirds_low[::3], low, rtol=1e-14)
    np.testing.assert_allclose(thirds_high[2::3], high, rtol=1e-14)


@pytest.mark.parametrize(("fraction", "centres"), [(1, OCTAVES_HZ), (3, THIRDS_HZ)])
def test_edges_against_pyfar(fraction, centres):
    """IEC 61260-1, base ten, by pyfar; the range given to it picks the same bands."""
    inner = (float(centres[0]), float(centres[-1]))
    expected = pyfar.constants.fractional_octave_frequencies_exact(fraction, inner)
    low, high = band_edges_hz(centres, fraction=fraction)
    np.testing.assert_allclose((centres, low, high), expected, rtol=1e-13, atol=0)


def test_band_tables_cannot_be_changed():
    for table in (THIRDS_HZ, OCTAVES_HZ):
        with pytest.raises(ValueError, match="read-only"):
            table[0] = 1.0


@pytest.mark.parametrize(
    ("point", "expected"),
    [
        ((1000.0, 20.0, 50.0), 10.0),
        ((1000.0, 20.0, 1.0), 20.0),  # 0.023 % vapour
        ((1000.0, 20.0, 0.0), 50.0),  # no vapour
        ((1000.0, 50.0, 45.0, 101.325), 20.0),  # 5.5 %
        ((1000.0, 50.0, 38.0, 101.325), 10.0),  # 4.6 %
        ((1000.0, -20.0, 100.0), 10.0),  # 0.12 %
        ((1000.0, -20.0, 10.0), 20.0),  # 0.012 %
        ((1000.0, -20.1, 100.0), np.nan),
        ((1000.0, -40.0, 10.0), 50.0),
        ((1000.0, 50.1, 20.0), np.nan),
        ((1000.0, 20.0, 50.0, 199.9), 10.0),
        ((1000.0, 20.0, 50.0, 200.0), np.nan),
        ((40.5, 20.0, 50.0), np.nan),  # 40.53 Hz is 4e-4 Hz/Pa
        ((40.6, 20.0, 50.0), 10.0),
        ((1.013e6, 20.0, 50.0), 10.0),
        ((1.014e6, 20.0, 50.0), np.nan),
        ((40.5, 20.0, 50.0, 90.0), 10.0),
        ((0.0, 20.0, 50.0), np.nan),
    ],
)
def test_accuracy_class_and_its_warning(point, expected):
    """Clause 7 (from memory): the absorption warns exactly where there is no class."""
    np.testing.assert_equal(accuracy_class_pct(*point), expected)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        absorption_db_per_m(*point)
    messages = [str(w.message)[:40] for w in caught]
    assert messages == ["absorption outside every accuracy class "] * int(np.isnan(expected))
    assert all(w.filename == __file__ for w in caught)


def test_accuracy_class_against_pyfar():
    """Where pyfar's reading is the standard's: -20 to 50 C at sea level."""
    t, h = np.meshgrid(np.arange(-20.0, 50.1, 5.0), [0.0, 1.0, 2.0, 5.0, 20.0, 60.0, 100.0])
    f = np.array([50.0, 1000.0, 20e3, 1e6, 1.1e6])
    expected = pyfar.constants.air_attenuation(t, f, h / 100.0)[2].freq.real
    ours = accuracy_class_pct(f, t[..., None], h[..., None])
    np.testing.assert_array_equal(ours, np.where(expected < 0, np.nan, expected))
    assert set(np.unique(ours[np.isfinite(ours)])) == {10.0, 20.0, 50.0}


def test_one_bad_value_among_many_warns():
    with pytest.warns(RangeWarning, match=r"outside every accuracy class of ISO 9613-1 \("):
        absorption_db_per_m(THIRDS_HZ, 20.0, 50.0, [[101.0], [140.0]])


def test_two_extremes_that_never_meet_do_not_warn():
    """The lowest frequency goes with the lowest pressure here: every pair has a class."""
    assert absorption_db_per_m([40.0, 80.0], 20.0, 50.0, [90.0, 150.0]).shape == (2,)


@pytest.mark.parametrize("function", [absorption_db_per_m, accuracy_class_pct])
@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((-1.0, 20.0), "^frequency_hz must be at least 0 Hz, got -1$"),
        ((1000.0, 293.15), "^temperature_c .* C, got 293.15, which looks like kelvin"),
        ((1000.0, 20.0, 100.5), "^humidity_pct must be between 0 and 100 %, got 100.5$"),
        ((1000.0, 20.0, 50.0, 15.0), "^pressure_kpa must be between 20 and 200 kPa, got 15$"),
        ((1000.0, 20.0, 50.0, 101325.0), "^pressure_kpa .* kPa, got 101325, which looks like Pa"),
        (([1000.0, np.nan], 20.0), r"^frequency_hz must be at least 0 Hz, got nan at \[1\]$"),
        ((THIRDS_HZ, [10.0, 20.0]), r"got frequency_hz \(27,\), temperature_c \(2,\)$"),
    ],
)
def test_nonsense_is_refused(function, arguments, message):
    with pytest.raises(ValueError, match=message):
        function(*arguments)


def test_other_nonsense_is_refused():
    with pytest.raises(TypeError, match=r"^frequency_hz must be at least 0 Hz, got '1k'"):
        absorption_db_per_m("1k", 20.0)
    with pytest.raises(ValueError, match=r"^temperature_c must be between"):
        accuracy_class_pct(1000.0, 99.0)
    with pytest.raises(ValueError, match=r"^centre_hz must be above 0 Hz, got 0$"):
        band_edges_hz(0.0)
    with pytest.raises(ValueError, match=r"^fraction must be at least 1 bands to the oct"):
        band_edges_hz(1000.0, fraction=0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: absorption_db_per_m(1000.0, 20.0, 0.5),
        lambda: accuracy_class_pct(1000.0, 20.0, [50.0, 0.5]),
    ],
)
def test_humidity_that_looks_like_a_fraction_warns(call):
    with pytest.warns(RangeWarning, match="humidity is in percent") as seen:
        call()
    assert seen[0].filename == __file__


@pytest.mark.parametrize(
    "function",
    [
        lambda **k: absorption_db_per_m(1000.0, 20.0, **k),
        lambda **k: absorption_db_per_m(80.0, 0.0, **k),
    ],
)
@pytest.mark.parametrize("changed", [{"humidity_pct": 60.0}, {"pressure_kpa": 90.0}])
def test_every_optional_parameter_counts(function, changed):
    defaults = {"humidity_pct": 50.0, "pressure_kpa": SEA_KPA}
    assert function(**changed) != function() == function(**defaults)


def test_accuracy_class_depends_on_humidity_and_pressure():
    assert accuracy_class_pct(1000.0, 20.0) != accuracy_class_pct(1000.0, 20.0, 1.0)
    assert accuracy_class_pct(40.5, 20.0, pressure_kpa=90.0) == 10.0


FREQUENCIES = st.floats(60.0, 20e3)
AIRS = st.tuples(
    st.floats(-20.0, 50.0), st.just(0.0) | st.floats(1.0, 100.0), st.floats(60.0, 130.0)
)


@settings(deadline=None)
@given(FREQUENCIES, st.floats(1.001, 4.0), AIRS)
def test_higher_tones_lose_more(f, factor, air):
    assert absorption_db_per_m(f * factor, *air) > absorption_db_per_m(f, *air) > 0.0


@settings(deadline=None)
@given(FREQUENCIES, AIRS, st.floats(0.7, 1.4))
def test_pressure_identity(f, air, r):
    """As `test_every_pressure_by_the_identity`, of our own function with itself."""
    t, h, p = air
    scaled = min(h * r, 100.0)
    here = min(scaled / r, 100.0)
    if 0.0 < min(h, here) and min(scaled, here) < 1.0:
        return
    there = absorption_db_per_m(f * r, t, scaled, p * r)
    assert there == pytest.approx(r * absorption_db_per_m(f, t, here, p), rel=1e-12)
