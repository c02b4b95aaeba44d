"""Scalars, lists, tuples, arrays and pandas Series: the same numbers give the same answer.

Every public function is here that takes arrays; the one-by-one loop over scalars
is what its answer for arrays is checked against.
"""

from __future__ import annotations

import inspect
import re
from functools import cache

import numpy as np
import pandas as pd
import pytest
from numpy.typing import ArrayLike

from fillalign import Air, Recording, take_turns
from tests import public
from tests.small_venue import small_hall

AIR = Air(24.0, 40.0)
HALL = small_hall()
POINTS = [[0.0, 0.0, 5.0], [22.0, 4.0, 5.0], [1.0, -3.0, 4.0]]
SEATS = [[14.0, 1.0, 1.2], [30.0, -6.0, 1.3], [9.0, 2.0, 1.1]]
AIRS = {"temperature_c": [12.0, 20.0, 29.0], "humidity_pct": [35.0, 50.0, 80.0]}
PRESSURES = {"pressure_kpa": [84.0, 101.325, 99.0]}
LENGTHS = [12.0, 25.5, 41.0]
LEVELS = [62.0, 70.5, 81.0]
BANDS = [125.0, 1000.0, 8000.0]
TIMES = [3.0, 20.0, 45.0]
LATENCIES = {"main_latency_ms": [0.0, 1.0, 2.0], "fill_latency_ms": [3.0, 0.5, 0.0]}
WINDS = {"main_wind_along_m_s": [-3.0, 0.0, 2.0], "fill_wind_along_m_s": [1.0, 4.0, 0.0]}
DECAYS = {"rt60_s": [0.8, 1.4, 3.0], "volume_m3": [900.0, 6000.0, 40000.0]}
COVERAGES = {"coverage_h_deg": [60.0, 90.0, 120.0], "coverage_v_deg": [40.0, 50.0, 60.0]}
BOXES = {"frequency_hz": BANDS, "control_hz": [500.0, 800.0, 1600.0],
         "rear_floor_db": [-15.0, -20.0, -30.0]}
SHELF = {"frequency_hz": BANDS, "corner_hz": [3000.0, 4000.0, 5000.0],
         "gain_db": [-3.0, 2.0, 6.0]}
CUT = {"frequency_hz": BANDS, "corner_hz": [90.0, 120.0, 150.0]}

# What is given by item, and what goes with it unchanged.
BY_ITEM = {
    "a_weighting_db": ({"frequency_hz": BANDS}, {}),
    "absorption_db_per_m": ({"frequency_hz": BANDS, **AIRS, **PRESSURES}, {}),
    "accuracy_class_pct": ({"frequency_hz": BANDS, **AIRS, **PRESSURES}, {}),
    "amplitude_to_db": ({"amplitude": [0.0, 0.5, 2.0]}, {}),
    "band_edges_hz": ({"centre_hz": BANDS}, {"fraction": 1}),
    "box_directivity": ({"angle_off_deg": [0.0, 30.0, 160.0], "roll_deg": [0.0, 45.0, 90.0],
                         **COVERAGES, **BOXES}, {}),
    "comb_dip_db": ({"level_db": [-12.0, -3.0, 4.0]}, {}),
    "comb_peak_db": ({"level_db": [-12.0, -3.0, 4.0]}, {}),
    "db_to_amplitude": ({"level_db": [-np.inf, -6.0, 3.0]}, {}),
    "db_to_power": ({"level_db": [-np.inf, -6.0, 3.0]}, {}),
    "direct_energy": ({"distance_m": LENGTHS}, {}),
    "directivity_factor": ({**COVERAGES, **BOXES}, {}),
    "drift_ms_per_c": ({"distance_m": LENGTHS}, {"air": AIR}),
    "early_late_energy": ({"distance_m": LENGTHS, **DECAYS, "early_ms": [50.0, 80.0, 50.0],
                           "gap_ms": [0.0, 10.0, 60.0]}, {}),
    "early_share": ({"rt60_s": [0.8, 1.4, 3.0], "early_ms": [50.0, 80.0, 50.0],
                     "gap_ms": [0.0, 10.0, 60.0]}, {}),
    "fill_delay_ms": ({"box_to_box_m": LENGTHS, **LATENCIES, "margin_ms": [0.0, 5.0, 10.0],
                       "wind_along_m_s": [-2.0, 0.0, 5.0]}, {"air": AIR}),
    "fill_level_db": ({"mains_db": LEVELS, "goal_db": [70.0, 70.0, 84.0]}, {"coherent": True}),
    "ft_to_m": ({"length_ft": LENGTHS}, {}),
    "gap_ms": ({"main_to_seat_m": [30.0, 40.0, 50.0], "fill_to_seat_m": LENGTHS,
                "delay_ms": [20.0, 40.0, 60.0], **LATENCIES, **WINDS}, {"air": AIR}),
    "hopkins_stryker": ({"distance_m": LENGTHS, "q": [1.0, 5.0, 12.0], **DECAYS}, {}),
    "humidity_at_constant_vapour": ({"from_temperature_c": [10.0, 20.0, 30.0],
                                     "from_humidity_pct": [30.0, 50.0, 70.0],
                                     "to_temperature_c": [15.0, 25.0, 21.0]}, {}),
    "keeps_image": ({"gap_ms": [-2.0, 8.0, 40.0], "level_difference_db": [-5.0, 7.0, -np.inf]},
                    {"largest_db": 4.0}),
    "low_cut_group_delay_ms": (CUT, {"order": 3, "kind": "butterworth"}),
    "low_cut_response": (CUT, {"order": 2}),
    "m_to_ft": ({"length_m": LENGTHS}, {}),
    "ms_to_m": ({"time_ms": TIMES}, {"air": AIR}),
    "ms_to_samples": ({"time_ms": TIMES}, {"sample_rate_hz": 96000.0}),
    "notch_frequencies_hz": ({"delay_ms": TIMES}, {"count": 2}),
    "path_loss_db": ({"distance_m": LENGTHS, "frequency_hz": BANDS}, {"air": AIR}),
    "pink_band_levels_db": ({"total_dba": LEVELS}, {"frequency_hz": BANDS}),
    "power_to_db": ({"power": [0.0, 0.5, 2.0]}, {}),
    "precedence_limit_db": ({"gap_ms": [-2.0, 8.0, 40.0]}, {"largest_db": 4.0}),
    "pressure_kpa_at_altitude": ({"altitude_m": [0.0, 500.0, 2000.0]}, {}),
    "required_margin_ms": ({"gap_ms": [1.0, 8.0, 12.0], "level_difference_db": [3.0, -2.0, 4.0]},
                           {}),
    "reverberant_energy": ({"distance_m": LENGTHS, **DECAYS}, {}),
    "ripple_db": ({"level_db": [-12.0, -3.0, 4.0], "delay_ms": TIMES,
                   "low_hz": [100.0, 400.0, 900.0], "high_hz": [110.0, 500.0, 8000.0]}, {}),
    "round_up_to_step": ({"delay_ms": [3.001, 20.0, 45.015]}, {"step_ms": 0.02}),
    "sabine_rt60_s": ({"length_m": LENGTHS, "width_m": [8.0, 12.0, 30.0],
                       "height_m": [3.0, 6.0, 9.0], "absorption": [0.1, 0.2, 0.5]}, {}),
    "samples_to_ms": ({"samples": [10.0, 480.0, 999.5]}, {}),
    "saturation_vapour_pressure_pa": ({"temperature_c": [12.0, 20.0, 31.0]}, {}),
    "seat_delay_ms": ({"main_to_seat_m": [30.0, 40.0, 50.0], "fill_to_seat_m": LENGTHS,
                       **LATENCIES, "margin_ms": [0.0, 5.0, 10.0], **WINDS}, {"air": AIR}),
    "shelf_group_delay_ms": (SHELF, {}),
    "shelf_response": (SHELF, {}),
    "speech_octave_levels_db": ({"level_dba": LEVELS}, {}),
    "speed_of_sound": ({**AIRS, **PRESSURES, "co2_fraction": [0.0, 0.0004, 0.002]}, {}),
    "speed_of_sound_ideal": ({"temperature_c": [12.0, 20.0, 31.0]}, {}),
    "speed_of_sound_linear": ({"temperature_c": [12.0, 20.0, 31.0]}, {}),
    "spreading_db": ({"distance_m": LENGTHS, "reference_m": [1.0, 2.0, 10.0]}, {}),
    "travel_time_ms": ({"distance_m": LENGTHS, "wind_along_m_s": [-2.0, 0.0, 5.0]}, {"air": AIR}),
    "two_arrival_response": ({"frequency_hz": BANDS, "delay_ms": TIMES,
                              "level_db": [-12.0, -3.0, 4.0]}, {}),
    "vapour_mole_fraction": ({**AIRS, **PRESSURES}, {}),
    "weighting_factors": ({"frequency_hz": BANDS}, {"weighting": "C"}),
}
# These give one row for each number, also for a scalar.
ROWS = ("notch_frequencies_hz", "pink_band_levels_db", "speech_octave_levels_db")

RNG = np.random.default_rng(3)
ARRIVALS = {"direct": RNG.uniform(0.1, 1.0, (2, 7)), "time_ms": [0.0, 62.0],
            "tail": RNG.uniform(0.1, 1.0, (2, 7)), "rt60_s": np.linspace(2.0, 0.8, 7)}
WAVES = {"power": RNG.uniform(0.1, 1.0, (3, 2)), "time_s": [[0.01], [0.013], [0.04]],
         "low_hz": [90.0, 900.0], "high_hz": [110.0, 1100.0],
         "phase_rad": RNG.uniform(0.0, 3.0, (3, 2)), "group_delay_s": [[0.001], [0.0], [0.002]]}
NOISE = 0.1 * RNG.standard_normal(4000)
LATER = np.roll(NOISE, 240)
TURNS = take_turns(NOISE, spacing_s=0.2, sample_rate_hz=48000.0)
HUNG = {"positions_m": [[0.0, 0.0, 6.0], [0.0, 0.0, 5.6]]}

# Functions of whole arrays: all their arrays, and what goes with them unchanged.
WHOLE = {
    "apply_filters": ({"signal": NOISE, "sos": public.design_low_cut(120.0, 48000.0)}, {}),
    "array_elements": ({"position_m": [0.0, 3.0, 6.0], "aim_m": [20.0, 0.0, 1.2],
                        "splay_deg": [2.0, 4.0]}, {"elements": 3, "spacing_m": 0.3}),
    "array_radiated_power": ({**HUNG, "aims": [[1.0, 0.0, 0.0], [0.8, 0.0, -0.6]],
                              "frequency_hz": BANDS},
                             {"speed_m_s": 343.0, "coverage_h_deg": 90.0, "coverage_v_deg": 20.0}),
    "clarity_db": (ARRIVALS, {}),
    "coherent_sum_db": ({"level_db": LEVELS, "phase_rad": [0.0, 1.0, 2.0]}, {}),
    "common_correction_ms": ({"wanted_ms": [-2.0, 1.0, 0.5],
                              "level_difference_db": [0.0, -4.0, -8.0]},
                             {"venue": HALL, "output": "Fills"}),
    "cross_power": ({"first": [1.0, 0.5], "second": [0.4, -2.0], "gap_s": [0.01, 0.002],
                     "width_hz": [230.0, 580.0]}, {}),
    "direct_to_reverberant_db": ({key: ARRIVALS[key] for key in ("direct", "tail")}, {}),
    "distance_m": ({"from_m": POINTS, "to_m": SEATS}, {}),
    "echo_criterion": ({"direct": [1.0, 0.8], "time_ms": [0.0, 62.0], "tail": [0.3, 0.2],
                        "rt60_s": 1.4}, {}),
    "decay_times": ({"samples": NOISE}, {"sample_rate_hz": 8000.0}),
    "expected_reading": ({"seat_m": SEATS[1]},
                         {"venue": HALL, "settings": {}, "output": "Fills"}),
    "find_arrivals": ({"response": public.impulse_response(LATER, NOISE, 48000.0)},
                      {"sample_rate_hz": 48000.0}),
    "first_heard": ({"arrival_ms": TIMES, "level_db": LEVELS}, {"within_db": 15.0}),
    "impulse_response": ({"recording": LATER, "signal": NOISE}, {"sample_rate_hz": 48000.0}),
    "interference_power": (WAVES, {}),
    "locate": ({"points_m": [[0.0, 6.5, 4.6], [0.0, -6.5, 4.6]], "distances_m": [26.31, 27.51],
                "room_m": [[0.0, -50.0, 0.0], [50.0, 50.0, 9.0]]},
               {"height_m": 4.6}),
    "measure_gap": ({"signal": NOISE}, {
        "recording": Recording(TURNS[:, :1] + np.roll(TURNS[:, 1:], 150, axis=0), 48000),
        "sample_rate_hz": 48000.0, "spacing_s": 0.2}),
    "modulation_transfer": (ARRIVALS, {}),
    "off_axis_angles": ({"source_m": POINTS, "aim_m": SEATS, "point_m": SEATS[::-1]}, {}),
    "power_sum_db": ({"level_db": LEVELS, "weights": [1.0, 2.0, 0.5]}, {}),
    "render_seat": ({"signal": NOISE[:500], "seat_m": SEATS[0]},
                    {"venue_or_plan": HALL, "sample_rate_hz": 8000.0, "tail": False}),
    "seat_field": ({"seats_m": SEATS}, {"venue": HALL}),
    "seat_speech": ({"seats_m": SEATS}, {"venue": HALL}),
    "speech_transmission_index": ({"modulation": RNG.uniform(0.1, 1.0, (7, 14)),
                                   "speech_db": np.linspace(70.0, 50.0, 7),
                                   "noise_db": np.linspace(50.0, 20.0, 7)}, {}),
    "take_turns": ({"signal": NOISE}, {"spacing_s": 0.2, "sample_rate_hz": 48000.0}),
    "time_difference_ms": ({"first": NOISE, "second": LATER}, {"sample_rate_hz": 48000.0}),
    "weighted_total_db": ({"level_db": LEVELS, "frequency_hz": BANDS}, {"weighting": "C"}),
    "wind_along_m_s": ({"from_m": POINTS, "to_m": SEATS, "wind_m_s": [1.0, 3.0, 9.0],
                        "wind_towards_deg": [0.0, 90.0, 200.0]}, {}),
}


def as_tuple(value):
    """Return nested tuples of an array."""
    return tuple(map(as_tuple, value)) if isinstance(value, list) else value


def as_pandas(value):
    """Return a Series or DataFrame with labels in no order, or the array where neither fits."""
    array = np.asarray(value)
    labels = [7 * number % 11 - 3 for number in range(len(array))] if array.ndim else []
    if array.ndim == 1:
        return pd.Series(array, index=labels)
    return pd.DataFrame(array, index=labels) if array.ndim == 2 else array


FORMS = {
    "list": lambda value: np.asarray(value).tolist(),
    "tuple": lambda value: as_tuple(np.asarray(value).tolist()),
    "pandas": as_pandas,
    "strided": lambda value: np.repeat(np.asarray(value), 2, axis=0)[::2]
    if np.ndim(value) else value,
}


def parts(result):
    """Return the numbers of a result, also of a tuple or a mapping of them or a record."""
    if isinstance(result, dict):
        return [part for item in result.values() for part in parts(item)]
    if hasattr(result, "__dataclass_fields__"):
        values = [getattr(result, name) for name in result.__dataclass_fields__]
        return [value for value in values if isinstance(value, float | np.ndarray)]
    if isinstance(result, tuple):
        return [part for item in result for part in parts(item)]
    return [result]


def arrays_of(name):
    """Return the parameters of a public function that take arrays."""
    parameters = inspect.signature(getattr(public, name)).parameters.values()
    return {one.name for one in parameters if one.kind is not one.VAR_POSITIONAL
            and (one.annotation == ArrayLike or any(
                word in str(one.annotation)
                for word in ("ArrayLike", "Annotated[Any, ", "Annotated[typing.Any, ")))}


def test_every_function_that_takes_arrays_is_here_with_all_of_them():
    elsewhere = {"write_wav"}
    takes = {name for name in public.taught() if inspect.isfunction(getattr(public, name))
             and arrays_of(name)}
    assert takes - elsewhere == BY_ITEM.keys() | WHOLE.keys()
    for name, (given, fixed) in {**BY_ITEM, **WHOLE}.items():
        assert arrays_of(name) <= given.keys() | fixed.keys(), name


@pytest.mark.parametrize("name", [*BY_ITEM, *WHOLE])
def test_every_form_of_the_same_numbers_gives_the_same(name):
    given, fixed = {**BY_ITEM, **WHOLE}[name]
    function = getattr(public, name)
    arrays = {key: np.asarray(value) for key, value in given.items()}
    before = {key: value.copy() for key, value in arrays.items()}
    plain = parts(function(**arrays, **fixed))
    assert plain
    for form, make in FORMS.items():
        other = parts(function(**{key: make(value) for key, value in given.items()}, **fixed))
        for one, two in zip(plain, other, strict=True):
            if form == "pandas" and name in BY_ITEM and name not in ROWS:
                pd.testing.assert_index_equal(two.index, as_pandas(one).index)
                two = two.to_numpy()
            assert type(two) is type(one), form
            # Sums over transposed arrays round in another order.
            rtol = 1e-14 if form == "pandas" else 0
            np.testing.assert_allclose(two, one, rtol=rtol, err_msg=form)
    for key, value in before.items():
        np.testing.assert_array_equal(arrays[key], value, err_msg=f"{name} changed its {key}")


SERIES = pd.Series(LENGTHS, pd.date_range("2031-05-02 18:00", periods=3, freq="h", tz="UTC"))


def test_a_series_among_numbers_and_arrays_keeps_its_index():
    for one in (public.gap_ms(SERIES, 12.0, 20.0, AIR),
                public.gap_ms(60.0, fill_to_seat_m=LENGTHS, delay_ms=SERIES, air=AIR),
                public.speed_of_sound(20.0, humidity_pct=SERIES)):
        assert isinstance(one, pd.Series)
        assert one.index.equals(SERIES.index)
        assert one.name is None
    np.testing.assert_array_equal(public.gap_ms(SERIES, 12.0, 20.0, AIR),
                                  public.gap_ms(LENGTHS, 12.0, 20.0, AIR))


def test_a_series_that_is_no_row_of_the_answer_gives_an_array():
    """Another shape, or a point, or weights of what is summed over."""
    for one, shape in (
        (public.path_loss_db(SERIES, [[125.0], [1000.0]], AIR), (2, 3)),
        (public.distance_m(POINTS, pd.Series([1.0, 2.0, 3.0])), (3,)),
        (public.power_sum_db(np.ones((3, 3)), weights=pd.Series([1.0, 2.0, 0.5])), (3,)),
    ):
        assert isinstance(one, np.ndarray)
        assert one.shape == shape


def test_series_of_other_rows_are_not_mixed():
    other = SERIES.set_axis([7, 8, 9])
    with pytest.raises(ValueError, match=r"^main_to_seat_m and fill_to_seat_m must have the same "
                                         r"index, as Series: bring them to one"):
        public.gap_ms(SERIES, other, 20.0, AIR)
    with pytest.raises((TypeError, ValueError), match=r"^distance_m must be at least 0 m, got"):
        public.travel_time_ms(SERIES.astype("Float64").mask([False, True, False]), AIR)


@pytest.mark.parametrize("name", BY_ITEM)
def test_an_array_gives_what_its_numbers_give_one_by_one(name):
    given, fixed = BY_ITEM[name]
    function = getattr(public, name)
    together = parts(function(**given, **fixed))
    alone = [parts(function(**{key: value[place] for key, value in given.items()}, **fixed))
             for place in range(3)]
    for number, whole in enumerate(together):
        assert isinstance(whole, np.ndarray)
        assert whole.shape[0] == 3
        singly = [one[number] for one in alone]
        np.testing.assert_allclose(whole, np.array(singly), rtol=1e-13, atol=1e-300)


@pytest.mark.parametrize("name", [name for name in BY_ITEM if name not in ROWS
                                  and len(BY_ITEM[name][0]) > 1])
def test_a_column_against_rows_gives_a_table(name):
    """The first array stands on an axis of its own, the others share one."""
    given, fixed = BY_ITEM[name]
    function = getattr(public, name)
    first, *others = given
    column = {first: np.reshape(given[first], (3, 1))}
    table = parts(function(**{**given, **column}, **fixed))
    for row, column in np.ndindex(3, 3):
        alone = parts(function(**{first: given[first][row]}, **fixed,
                               **{key: given[key][column] for key in others}))
        for whole, one in zip(table, alone, strict=True):
            there = np.broadcast_to(whole, (3, 3))[row, column]
            np.testing.assert_allclose(there, one, rtol=1e-13, atol=1e-300)


@pytest.mark.parametrize("name", [name for name in BY_ITEM if name not in (
    *ROWS,) and len(arrays_of(name)) > 1])
def test_shapes_that_do_not_fit_are_named(name):
    given, fixed = BY_ITEM[name]
    first = next(key for key in given if key in arrays_of(name))
    with pytest.raises(ValueError, match=rf"must fit together .* got {first} \(2,\).*\(3,\)"):
        getattr(public, name)(**{**given, first: given[first][:2]}, **fixed)


@pytest.mark.parametrize("name", [name for name in BY_ITEM if name not in ROWS])
def test_a_number_gives_a_number_of_python(name):
    given, fixed = BY_ITEM[name]
    kind = complex if name.endswith("_response") else bool if name == "keeps_image" else float
    for make in (float, np.float64, np.asarray, np.float32):
        numbers = {key: make(value[1]) for key, value in given.items()}
        result = getattr(public, name)(**numbers, **fixed)
        assert {type(part) for part in parts(result)} == {kind}, make


@pytest.mark.parametrize("name", BY_ITEM)
def test_whole_numbers_are_numbers(name):
    given, fixed = BY_ITEM[name]
    function = getattr(public, name)
    whole = {key: [round(v) if np.isfinite(v) and v > 1 else v for v in value]
             for key, value in given.items()}
    floats = {key: [float(v) for v in value] for key, value in whole.items()}
    for one, two in zip(parts(function(**whole, **fixed)), parts(function(**floats, **fixed)),
                        strict=True):
        np.testing.assert_array_equal(one, two)


@pytest.mark.parametrize("name", BY_ITEM)
def test_empty_arrays_and_columns_keep_their_shape(name):
    given, fixed = BY_ITEM[name]
    function = getattr(public, name)
    for shape in ((0,), (3, 1)):
        arrays = {key: np.resize(value, shape) for key, value in given.items()}
        for part in parts(function(**arrays, **fixed)):
            assert part.shape[: len(shape)] == shape


# The innermost loop of every map checks nothing, and says so.
@pytest.mark.parametrize("name", [name for name in (*BY_ITEM, *WHOLE) if name != "cross_power"])
def test_what_is_no_number_is_named(name):
    """Every array parameter refuses it by its name (None where it means left out)."""
    given, fixed = {**BY_ITEM, **WHOLE}[name]
    function = getattr(public, name)
    masked = np.ma.array([1.0, 2.0, 3.0], mask=[False, True, False])
    for key in arrays_of(name) & given.keys():
        wrongs = ["loud", None, True, [1.0, "2"], np.nan, [np.nan] * 3, masked]
        if inspect.signature(function).parameters[key].default is None:
            wrongs.remove(None)
        for wrong in wrongs:
            with pytest.raises((TypeError, ValueError), match=rf"^{key} must "):
                function(**{**given, key: wrong}, **fixed)


def test_samples_of_every_form(tmp_path):
    for form in FORMS.values():
        public.write_wav(tmp_path / "a.wav", form(NOISE), 48000, overwrite=True)
        assert public.read_wav(tmp_path / "a.wav").samples.shape == (4000, 1)


def test_a_plan_takes_an_air_and_weather_in_every_form():
    plan = planned()
    wanted = plan.retime([12.0, 25.0])
    for weather in ((12.0, 25.0), np.array([12.0, 25.0]), pd.Series([12.0, 25.0], index=[5, 2]),
                    [AIR.at_temperature(12.0), AIR.at_temperature(25.0)]):
        if not isinstance(weather, list):
            pd.testing.assert_frame_equal(plan.retime(weather), wanted)
        assert list(plan.retime(weather)["temperature_c"]) == [12.0, 25.0]


@cache
def planned():
    return public.plan_fills(HALL)


@pytest.mark.parametrize("name", [name for name in public.taught() if inspect.isfunction(
    getattr(public, name)) and "air: 'Air" in str(inspect.signature(getattr(public, name)))])
def test_what_is_no_air_is_named(name):
    """A bare temperature above all, also 0 C."""
    known = {**BY_ITEM, **WHOLE, "plan_fills": ({}, {"venue": HALL}),
             "evaluate": ({}, {"venue": HALL, "settings": {}}),
             "propose_places": ({}, {"venue": HALL, "area": HALL.areas[-1].name}),
             "air_filter": ({}, {"distance_m": 10.0}),
             "retimed": ({}, {"plan": planned()}),
             "as_measured": ({}, {"plan": planned(), "settings": {}}),
             "read_as_set": ({}, {"path": "set.toml", "plan": planned()})}
    given, fixed = known[name]
    refused = r"^air must be an Air, such as Air\(20\.0\) at 20 C, got "
    for wrong in (20.0, 0, "20 C", (20.0, 50.0)):
        with pytest.raises(TypeError, match=refused):
            getattr(public, name)(**{**given, **fixed, "air": wrong})


@pytest.mark.parametrize("call", [
    public.plan_fills, public.seat_field, public.seat_speech,
    lambda venue: public.evaluate(venue, {"Mains": public.OutputSettings()}),
    lambda venue: public.render_seat(venue, NOISE, SEATS[0]),
])
@pytest.mark.parametrize("wrong", ["data/lantern_room.toml", None, {}])
def test_what_is_no_venue_is_named(call, wrong):
    with pytest.raises(TypeError, match=r"^venue must be a Venue, such as read_venue returns, "):
        call(wrong)


# Functions of single numbers, beside those above: what else they need.
SINGLE = {
    "air_filter": {"distance_m": 10.0, "air": AIR},
    "clap": {},
    "click_train": {},
    "correction_ms": {"reading": public.GapReading(gap_ms=1.0, uncertainty_ms=0.1),
                      "planned_gap_ms": 2.0},
    "design_low_cut": {"corner_hz": 120.0, "sample_rate_hz": 48000.0},
    "design_shelf": {"corner_hz": 4000.0, "sample_rate_hz": 48000.0, "gain_db": 3.0},
    "exponential_sweep": {},
    "find_cures": {"plan": public.plan_fills(HALL)},
    "measured_levels": {"reading": public.GapReading(mains_db={1000: -20.0},
                                                        fill_db={1000: -26.0}),
                        "mains_dba": 80.0},
    "pink_noise": {},
    "propose_places": {"venue": HALL, "area": HALL.areas[-1].name},
    "quick_answer": {"main_m": 41.0, "fill_m": 15.0, "temperature_c": 24.0,
                     "mains_db": 80.0, "fill_db": 80.0, "goal_db": 83.0},
    "groove": {},
    "read_demo_sound": {"name": "clap"},
    "with_latency": {"text": "[output.Fills]", "output": "Fills", "latency_ms": 2.0},
    "write_wav": {"path": "never.wav", "signal": NOISE, "sample_rate_hz": 48000},
}


def numbers_of(name):
    """Return the parameters of a public function that take one number."""
    parameters = inspect.signature(getattr(public, name)).parameters.values()
    return [one.name for one in parameters
            if one.name != "axis" and one.kind is not one.VAR_KEYWORD
            and re.match(r"'?((typing\.)?(Annotated|Optional)\[)*(float|int)\b",
                         str(one.annotation))]


def test_every_function_that_takes_a_number_is_here():
    with_numbers = {name for name in public.taught() if inspect.isfunction(
        getattr(public, name)) and numbers_of(name)}
    assert with_numbers <= SINGLE.keys() | BY_ITEM.keys() | WHOLE.keys()


# Which numbers measure_gap reads depends on its mode: they are in test_recording.py.
@pytest.mark.parametrize("name", [one for one in (*SINGLE, *BY_ITEM, *WHOLE)
                                  if one != "measure_gap" and numbers_of(one)])
def test_a_single_number_that_is_none_is_named(name):
    both = {**BY_ITEM, **WHOLE}.get(name, ({}, {}))
    usual = SINGLE.get(name, {**both[0], **both[1]})
    for key in numbers_of(name):
        for wrong in ("loud", [1.0, "2"], np.nan, -np.inf):
            with pytest.raises((TypeError, ValueError), match=key):
                getattr(public, name)(**{**usual, key: wrong})


@pytest.mark.parametrize("call", [
    lambda own: public.seat_field(HALL, own),
    lambda own: public.seat_speech(HALL, own),
    lambda own: public.evaluate(HALL, own),
    lambda own: public.render_seat(HALL, NOISE, SEATS[0], settings=own),
])
def test_what_are_no_settings_is_named(call):
    with pytest.raises(TypeError, match=r"^Fills: settings must be an OutputSettings, got float"):
        call({"Fills": 60.0})
    with pytest.raises(ValueError, match=r"^no output named 'Fill'; there are Mains, Fills"):
        call({"Fill": public.OutputSettings()})
