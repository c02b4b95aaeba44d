"""Air against handbooks, the standard atmosphere, CoolProp's humid air and pyfar."""

from __future__ import annotations

import itertools
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pyfar
import pytest
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given, settings, strategies as st

from fillalign import air
from fillalign._validate import RangeWarning
from fillalign.air import Air
from tests.humid_air import WHAT, computed, humid_air, rows

TABLE = pd.read_csv(Path(__file__).parent / "published" / "air.csv", comment="#")
HUMIDITIES = (0.0, 10.0, 30.0, 50.0, 70.0, 90.0, 100.0)
PRESSURES = (60.0, 70.0, 75.0, 80.0, 90.0, 101.325, 105.0)

FUNCTIONS = {
    "speed_of_sound": lambda row: air.speed_of_sound(
        row.temperature_c,
        50.0 if pd.isna(row.humidity_pct) else row.humidity_pct,
        row.pressure_kpa,
    ),
    "saturation_vapour_pressure": lambda row: air.saturation_vapour_pressure_pa(row.temperature_c),
    "static_pressure": lambda row: air.pressure_kpa_at_altitude(row.altitude_m),
}


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda row: f"{row.Index}")
def test_every_published_row(row):
    """The source of each row stands in its last column."""
    assert FUNCTIONS[row.quantity](row) == pytest.approx(row.value, rel=0, abs=row.tolerance)


def grid(temperatures, humidities, pressures):
    return np.array(list(itertools.product(temperatures, humidities, pressures)))


def quiet_speed(*args):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RangeWarning)
        return air.speed_of_sound(*args)


@pytest.mark.long
def test_the_table_of_humid_air_is_what_coolprop_makes():
    for state, row in rows().items():
        made = [computed(what, *state) for what in WHAT]
        assert made == pytest.approx([row[what] for what in WHAT], rel=1e-8), state


@pytest.mark.parametrize("full", [False, pytest.param(True, marks=pytest.mark.long)])
@pytest.mark.parametrize(
    ("temperatures", "pressures", "tolerance"),
    [
        (np.arange(0.0, 30.1, 2.5), PRESSURES, 0.045),
        (np.arange(0.0, 30.1, 2.5), (75.0, 88.0, 102.0), 0.040),
        (np.arange(-20.0, 46.1, 2.0), (101.325,), 0.040),
        ((50.0,), (101.325,), 0.115),
        ((50.0,), (75.0,), 0.33),
        ((50.0,), (60.0,), 0.63),
    ],
)
def test_speed_against_coolprop(temperatures, pressures, tolerance, full):
    """The tolerances are those the docstring of speed_of_sound states; the ends are tabled."""
    points = grid(temperatures, HUMIDITIES, pressures) if full else grid(
        {temperatures[0], temperatures[-1]}, (0.0, 50.0, 100.0), {pressures[0], pressures[-1]})
    of = computed if full else humid_air
    expected = np.array([of("speed_of_sound", *point.round(9)) for point in points])
    np.testing.assert_allclose(quiet_speed(*points.T), expected, rtol=0, atol=tolerance)


@pytest.mark.parametrize("pressure_kpa", [75.0, 90.0, 101.325])
def test_humidity_moves_the_speed_as_in_coolprop(pressure_kpa):
    """Dry to saturated at 25 C: the change itself is right to 3 %, not just the total."""
    ours = air.speed_of_sound(25.0, [0.0, 100.0], pressure_kpa)
    dry, wet = (humid_air("speed_of_sound", 25.0, h, pressure_kpa) for h in (0.0, 100.0))
    assert ours[1] - ours[0] == pytest.approx(wet - dry, rel=0.03)


@pytest.mark.parametrize("full", [False, pytest.param(True, marks=pytest.mark.long)])
def test_vapour_fraction_against_coolprop(full):
    points = grid(np.arange(1.0, 50.1, 3.5), HUMIDITIES[1:], PRESSURES) if full else grid(
        (2.5, 25.0, 50.0), (10.0, 50.0, 100.0), (60.0, 101.325))
    of = computed if full else humid_air
    expected = np.array([of("psi_w", *point) for point in points])
    np.testing.assert_allclose(air.vapour_mole_fraction(*points.T), expected, rtol=4e-4, atol=0)


@pytest.mark.long
def test_saturation_pressure_against_coolprop():
    """CoolProp's water is IAPWS-95; above 0 C both are over the liquid."""
    from CoolProp.CoolProp import PropsSI

    t = np.arange(0.01, 60.0, 1.0)
    expected = [PropsSI("P", "T", v + 273.15, "Q", 1, "Water") for v in t]
    np.testing.assert_allclose(air.saturation_vapour_pressure_pa(t), expected, rtol=1e-4, atol=0)


@pytest.mark.long
def test_enhancement_against_coolprop():
    """The factor itself is 1.004: its excess over 1 has to be right to 10 %."""
    from CoolProp.CoolProp import PropsSI

    points = grid(np.arange(2.5, 40.1, 2.5), (100.0,), (75.0, 90.0, 101.325, 105.0))
    expected = [
        computed("psi_w", *point)
        * 1000.0
        * point[2]
        / PropsSI("P", "T", point[0] + 273.15, "Q", 1, "Water")
        for point in points
    ]
    t, humidity, p = points.T
    share = air.vapour_mole_fraction(t, humidity, p)
    ours = share * 1000.0 * p / air.saturation_vapour_pressure_pa(t)
    np.testing.assert_allclose(ours - 1.0, np.array(expected) - 1.0, rtol=0.1, atol=0)


@pytest.mark.parametrize(("before_c", "after_c"), [(27.0, 13.0), (15.0, 28.0), (40.0, 30.0)])
def test_constant_vapour_against_coolprop(before_c, after_c):
    """The partial pressure of its water stays; 0.1 % is the enhancement factor left out."""
    water = humid_air("P_w", before_c, 40.0, 101.325)
    there = 100.0 * water / humid_air("P_w", after_c, 100.0, 101.325)
    ours = air.humidity_at_constant_vapour(before_c, 40.0, after_c)
    assert ours == pytest.approx(there, rel=1e-3)


def test_constant_vapour_is_capped_at_saturation():
    assert air.humidity_at_constant_vapour(27.0, 40.0, [5.0, 27.0]) == pytest.approx([100, 40])


def test_altitude_against_the_standard_atmosphere():
    """The fluids library's US Standard Atmosphere 1976 (ISO 2533 is the same up to 11 km)."""
    z = np.arange(-600.0, 11000.1, 100.0)
    expected = [ATMOSPHERE_1976(v).P / 1000.0 for v in z]
    np.testing.assert_allclose(air.pressure_kpa_at_altitude(z), expected, rtol=2e-6, atol=0)


def giacomo_pa(t):
    """Saturation pressure with the older coefficients of Cramer's own appendix (eq. A3)."""
    kelvin = t + 273.15
    return np.exp(
        1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6.3536311e3 / kelvin
    )


def test_every_term_of_cramer_against_pyfar():
    """Cramer's table III in pyfar's writing of it, given the same water as ours.

    pyfar has the older saturation pressure; its humidity is scaled so that
    both see the same mole fraction of vapour, and then every term must agree.
    """
    rng = np.random.default_rng(19930510)
    t, p = rng.uniform(0.0, 30.0, 500), rng.uniform(75.0, 102.0, 500)
    h, co2 = rng.uniform(1.0, 99.0, 500), rng.uniform(0.0, 0.01, 500)
    same_water = h * air.saturation_vapour_pressure_pa(t) / giacomo_pa(t)
    expected = pyfar.constants.speed_of_sound_cramer(t, same_water / 100, 1e6 * co2, 1000 * p)
    ours = air.speed_of_sound(t, h, p, co2_fraction=co2)
    np.testing.assert_allclose(ours, expected, rtol=1e-11, atol=0)


def test_teaching_formulas():
    """331.3 and 343.2 m/s at 0 and 20 C (textbook), 343.4 by the linear rule; and their cost."""
    assert air.speed_of_sound_ideal([0.0, 20.0]) == pytest.approx([331.3, 343.2], abs=0.05)
    assert air.speed_of_sound_linear([0.0, 20.0]) == pytest.approx([331.3, 343.42], abs=1e-9)
    slope = (air.speed_of_sound_ideal(1e-4) - air.speed_of_sound_ideal(0.0)) / 1e-4
    assert slope == pytest.approx(0.606, abs=5e-4)
    dry = [humid_air("speed_of_sound", t, 0.0, 101.325) for t in (0.0, 20.0, 30.0)]
    assert air.speed_of_sound_ideal([0.0, 20.0, 30.0]) == pytest.approx(dry, abs=0.25)


def test_altitude_hardly_moves_the_speed_but_cold_does():
    """Common practice: pressure and density cancel."""
    sea, high = Air(20.0, 0.0), Air.at_altitude(20.0, 0.0, 1000.0)
    assert high.pressure_kpa == pytest.approx(89.876, abs=0.01)  # ISO 2533 (from memory)
    assert abs(high.speed_m_s - sea.speed_m_s) < 0.02
    assert sea.speed_m_s - Air(13.5, 0.0).speed_m_s > 3.5


@pytest.mark.parametrize(
    ("call", "changed"),
    [
        (lambda **k: air.speed_of_sound(20.0, **k), {"humidity_pct": 60.0}),
        (lambda **k: air.speed_of_sound(20.0, **k), {"pressure_kpa": 90.0}),
        (lambda **k: air.speed_of_sound(20.0, **k), {"co2_fraction": 0.002}),
        (lambda **k: air.vapour_mole_fraction(20.0, **k), {"humidity_pct": 60.0}),
        (lambda **k: air.vapour_mole_fraction(20.0, **k), {"pressure_kpa": 90.0}),
        (lambda **k: Air(20.0, **k).speed_m_s, {"humidity_pct": 60.0}),
        (lambda **k: Air(20.0, **k).speed_m_s, {"pressure_kpa": 90.0}),
    ],
)
def test_every_optional_parameter_counts(call, changed):
    assert call(**changed) != call()


def test_defaults_are_half_humid_sea_level_air_of_today():
    assert air.speed_of_sound(20.0) == air.speed_of_sound(20.0, 50.0, 101.325, co2_fraction=0.0004)
    assert Air(20.0) == Air(20.0, 50.0, 101.325)


def test_temperature_of_an_air_has_no_default():
    with pytest.raises(TypeError, match="temperature_c"):
        Air()


def test_speed_of_an_air_is_the_function():
    record = Air(24.0, 35.0, 95.0)
    assert record.speed_m_s == air.speed_of_sound(24.0, 35.0, 95.0)
    assert isinstance(record.speed_m_s, float)


def test_an_air_is_frozen_hashable_and_made_of_plain_floats():
    record = Air(np.float32(20), np.int64(40), 100)
    assert [type(v) for v in vars(record).values()] == [float] * 3
    assert hash(record) == hash(Air(20.0, 40.0, 100.0))
    with pytest.raises(AttributeError, match="cannot assign"):
        record.temperature_c = 21.0


def test_at_temperature_keeps_water_and_pressure():
    before = Air(27.0, 40.0, 91.0)
    after = before.at_temperature(17.0)
    assert (after.temperature_c, after.pressure_kpa) == (17.0, 91.0)
    full = humid_air("psi_w", 17.0, 100.0, 91.0)
    assert after.humidity_pct / 100 * full == pytest.approx(
        humid_air("psi_w", 27.0, 40.0, 91.0), rel=1e-3)
    assert before.at_temperature(5.0).humidity_pct == 100.0


def test_dry_air_that_warms_is_no_slip_of_unit():
    # Saturation pressures of water, 1.228 and 9.108 kPa (steam tables, from memory).
    warmed = Air(10.0, 2.0).at_temperature(44.0)
    assert warmed.humidity_pct == pytest.approx(2.0 * 1.228 / 9.108, rel=0.01)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        dry = Air(20.0, 1.2).at_temperature(30.0)
        assert dry.speed_m_s == pytest.approx(humid_air("speed_of_sound", 30.0, 0.7, 101.325),
                                              abs=0.05)
    assert not caught


def test_an_air_refuses_arrays():
    with pytest.raises(TypeError, match=r"humidity_pct of an Air must be one number.*\(2,\)"):
        Air(20.0, [40.0, 50.0])


def test_an_air_warns_once_however_often_it_is_asked():
    hot = Air(38.0, 20.0)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("default")
        for _ in range(50):
            _ = hot.speed_m_s
    assert len(caught) == 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((-50.1,), r"^temperature_c must be between -50 and 60 C, got -50\.1$"),
        ((293.15,), r"^temperature_c must be .* got 293\.15, which looks like kelvin: .* 273\.15$"),
        ((77.0,), r"between -50 and 60 C, got 77, which looks like Fahrenheit"),
        ((20.0, -1.0), r"^humidity_pct must be between 0 and 100 %, got -1$"),
        ((20.0, 101.0), r"^humidity_pct must be between 0 and 100 %, got 101$"),
        ((20.0, 50.0, 19.9), r"^pressure_kpa must be between 20 and 200 kPa, got 19\.9$"),
        ((20.0, 50.0, 101325.0), r"between 20 and 200 kPa, got 101325, which looks like Pa: "),
        ((20.0, 50.0, 1013.25), r"got 1013\.25, which looks like hPa \(mbar\)"),
        ((np.nan,), r"temperature_c must be between -50 and 60 C, got nan$"),
        ((20.0, np.inf), r"humidity_pct must be between 0 and 100 %, got inf$"),
    ],
)
@pytest.mark.parametrize("function", [Air, air.speed_of_sound, air.vapour_mole_fraction])
def test_nonsense_is_refused_with_name_value_unit_and_range(function, arguments, message):
    with pytest.raises(ValueError, match=message):
        function(*arguments)


def test_the_ends_of_the_allowed_ranges_are_allowed():
    """And work: dry air, the coldest and the hottest, in every method."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RangeWarning)
        for t, h, p in itertools.product((-50.0, 60.0), (0.0, 100.0), (20.0, 200.0)):
            end = Air(t, h, p)
            assert end.temperature_c == t
            assert 290.0 < end.speed_m_s < 430.0
            assert end.absorption_db_per_m(1000.0) > 0.0
            assert end.at_temperature(t) == end
            assert end.at_temperature(-t / 2).humidity_pct <= h


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: air.pressure_kpa_at_altitude(12e3), "^altitude_m must be between -2000 and 11000"),
        (lambda: air.pressure_kpa_at_altitude(-2001), "altitude_m must be .* got -2001"),
        (lambda: air.speed_of_sound(20.0, co2_fraction=400), "^co2_fraction .* 0.01, got 400"),
        (lambda: air.humidity_at_constant_vapour(99, 50, 20), "^from_temperature_c must be"),
        (lambda: air.humidity_at_constant_vapour(20, 150, 20), "^from_humidity_pct must be"),
        (lambda: air.humidity_at_constant_vapour(20, 50, 299), "^to_temperature_c .* kelvin"),
        (lambda: air.speed_of_sound_ideal(300.0), "^temperature_c must be .* kelvin"),
        (lambda: air.speed_of_sound_linear(-60.0), "^temperature_c must be"),
        (lambda: air.saturation_vapour_pressure_pa(61.0), "^temperature_c must be"),
        (lambda: air.vapour_mole_fraction(20.0, 50.0, 101325.0), "^pressure_kpa .* Pa: 1 kPa is"),
        (lambda: Air(20.0).at_temperature(300.0), "^temperature_c must be .* kelvin"),
        (lambda: Air.at_altitude(20.0, 50.0, 30000.0), "^altitude_m must be"),
    ],
)
def test_other_nonsense_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize(
    "call",
    [
        lambda: Air(20.0, 0.5),
        lambda: air.speed_of_sound(20.0, [40.0, 0.99]),
        lambda: air.vapour_mole_fraction(20.0, 0.5),
        lambda: air.humidity_at_constant_vapour(20.0, 0.5, 15.0),
    ],
)
def test_humidity_that_looks_like_a_fraction_warns(call):
    with pytest.warns(RangeWarning, match="humidity is in percent, so that 50 means 50 %") as seen:
        call()
    assert seen[0].filename == __file__


def test_dry_air_and_one_percent_do_not_warn():
    """Warnings are errors in this suite."""
    assert Air(20.0, 0.0).speed_m_s < Air(20.0, 1.0).speed_m_s


@pytest.mark.parametrize("point", [(-0.1,), (30.1,), (20.0, 50.0, 74.9), (20.0, 50.0, 102.1)])
def test_outside_the_stated_range_warns(point):
    with pytest.warns(RangeWarning, match="0 to 30 C or 75 to 102 kPa") as seen:
        air.speed_of_sound(*point)
    assert seen[0].filename == __file__
    with pytest.warns(RangeWarning, match="0 to 30 C or 75 to 102 kPa"):
        _ = Air(*point).speed_m_s


def test_the_ends_of_the_stated_range_do_not_warn():
    assert air.speed_of_sound([0.0, 30.0], 50.0, [[75.0], [102.0]]).shape == (2, 2)


TEMPERATURES = st.floats(0.0, 30.0)
HUMID = st.just(0.0) | st.floats(1.0, 100.0)
STATED_PRESSURES = st.floats(75.0, 102.0)


@settings(deadline=None)
@given(TEMPERATURES, st.floats(0.01, 10.0), HUMID, STATED_PRESSURES)
def test_warmer_air_is_faster(t, rise, h, p):
    warmer = min(t + rise, 30.0)
    assert air.speed_of_sound(warmer, h, p) >= air.speed_of_sound(t, h, p)


@settings(deadline=None)
@given(TEMPERATURES, st.floats(1.0, 90.0), st.floats(0.1, 10.0), STATED_PRESSURES)
def test_wetter_air_is_faster(t, h, more, p):
    assert air.speed_of_sound(t, h + more, p) > air.speed_of_sound(t, h, p)


@settings(deadline=None)
@given(st.floats(-40.0, 50.0), st.floats(1.0, 100.0), st.floats(0.0, 10.0))
def test_warming_and_cooling_back_returns_the_same_air(t, h, rise):
    there = air.humidity_at_constant_vapour(t, h, t + rise)
    assert 0.0 < there <= h
    if there >= 1.0:
        back = air.humidity_at_constant_vapour(t + rise, there, t)
        assert back == pytest.approx(h, rel=1e-12)
