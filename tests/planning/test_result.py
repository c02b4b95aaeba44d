"""The result: its tables against its records, re-timing, and what is written down of it."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from fillalign import Air, OutputSettings, evaluate, plan_fills, read_venue, saved_settings
from fillalign.planning import FillPlan
from tests.demo_plans import DATA, demo_plan
from tests.small_venue import small_hall, small_plan, small_rest, with_output


@pytest.fixture(scope="module")
def plan():
    return small_plan()


@pytest.fixture(scope="module")
def dialled():
    """Return the hall with a device at 96 kHz and everything dialled by hand."""
    hall = with_output(small_hall(), "Fills", sample_rate_hz=96000.0, set_in="amplifier",
                       feed="left", low_cut_kinds=("butterworth",), low_cut_orders=(3,))
    own = OutputSettings(delay_ms=62.5, trim_db=-7.0, low_cut_hz=130.0, low_cut_order=3,
                         low_cut_kind="butterworth", shelf_db=-1.5, shelf_hz=6000.0,
                         polarity="inverted")
    return evaluate(hall, {"Fills": own})


# Tables -----------------------------------------------------------------------------------


def test_the_table_holds_what_is_dialled_and_where(dialled):
    table = dialled.table().set_index("output")
    assert list(table.index) == ["Mains", "Fills"]
    row = table.loc["Fills"]
    assert row[["role", "feed", "set_in", "low_cut_kind", "polarity"]].tolist() == [
        "fill", "left", "amplifier", "butterworth", "inverted"]
    assert row[["delay_ms", "low_cut_hz", "low_cut_order", "shelf_db", "shelf_hz",
                "trim_db"]].tolist() == [62.5, 130.0, 3, -1.5, 6000.0, -7.0]
    assert row.delay_samples == 6000.0
    assert row.delay_m == pytest.approx(0.0625 * Air(20.0, 45.0).speed_m_s)
    assert row.delay_ft == pytest.approx(row.delay_m / 0.3048)
    mains = table.loc["Mains"]
    assert mains[["role", "feed", "set_in", "polarity"]].tolist() == [
        "main", "mono", "console", "normal"]
    assert np.isnan(mains.low_cut_hz)
    assert mains.trim_db == 0.0


def test_an_output_that_is_off_has_a_trim_of_minus_infinity():
    table = small_rest().table().set_index("output")
    assert table.trim_db.to_dict() == {"Mains": 0.0, "Fills": -np.inf}


def test_the_table_of_seats_holds_the_checks(dialled):
    seats, checks = dialled.seats(), dialled.checks
    assert len(seats) == len(checks.seat)
    np.testing.assert_array_equal(seats[["x_m", "y_m", "z_m"]], checks.point_m)
    for name in ("covered", "gap_ms", "level_difference_db", "limit_db", "keeps_image",
                 "margin_ms", "ripple_db", "other_gap_ms", "level_dba", "speech_before",
                 "speech_after", "echo"):
        np.testing.assert_array_equal(seats[name], getattr(checks, name), err_msg=name)
    assert {*seats.fill} == {"Fills"}
    assert {*seats.reference} == {"Main -6.5", "Main +6.5"}
    assert {*seats.other_fill} == {""}
    first = seats.iloc[0]
    assert first.seat == f"{first.area} x {first.x_m:.1f} y {first.y_m:.1f}"
    assert (seats.area == "back").tolist() == (seats.x_m > 22.0).tolist()


def test_nothing_in_the_tables_is_nan_but_where_that_is_documented(dialled, plan):
    for made in (dialled, plan, demo_plan("tidewell_hall")):
        assert made.table().drop(columns="low_cut_hz").notna().all().all()
        assert made.seats().drop(columns=["other_gap_ms", "margin_ms", "echo"]).notna().all().all()
        assert made.retime().notna().all().all()
        seats = made.seats()
        assert (seats.other_gap_ms.isna() == (seats.other_fill == "")).all()
        assert seats.margin_ms[seats.keeps_image & (
            seats.level_difference_db <= seats.limit_db)].eq(0.0).all()


def test_the_report_of_a_fill_goes_by_its_output(plan):
    assert plan.fill("Fills") is plan.fills[0]
    with pytest.raises(KeyError, match="no fill on an output 'Mains'; there are Fills"):
        plan.fill("Mains")


# Weather ----------------------------------------------------------------------------------


def test_retime_is_a_plan_in_other_air(plan):
    table = plan.retime([10.0, 20.0, 30.0])
    assert table["Fills"].is_monotonic_decreasing
    assert table["Fills"][1] == plan.settings["Fills"].delay_ms
    locked = {key: getattr(plan.settings["Fills"], key) for key in
              ("trim_db", "low_cut_hz", "shelf_db", "shelf_hz")}
    cold = plan.air.at_temperature(10.0)
    again = plan_fills(with_output(plan.venue, "Fills", locked=locked), air=cold)
    assert table["Fills"][0] == pytest.approx(again.settings["Fills"].delay_ms, abs=0.15)
    assert table["humidity_pct"][0] == pytest.approx(cold.humidity_pct)
    assert table["speed_m_s"][0] == pytest.approx(cold.speed_m_s)


@pytest.mark.parametrize("rule", ["box-to-box", "equal-level", "never-early"])
def test_retime_moves_with_the_rule_that_is_asked_for(rule):
    hall = with_output(small_hall(delay_rule=rule), "Fills", delay_step_ms=1e-4)
    plan = plan_fills(hall)
    table = plan.retime([20.0, 5.0])
    answer = plan.fills[0].basis.answers
    cold = plan.air.at_temperature(5.0)
    moved = answer(cold).of_rule(rule) - answer(plan.air).of_rule(rule)
    assert np.diff(table["Fills"])[0] == pytest.approx(moved, abs=2e-4)
    # d (1/c(5) - 1/c(20)): a path that differs by d comes that much later in the cold.
    way = (plan.settings["Fills"].delay_ms - 5.0 + 1.5) * plan.air.speed_m_s
    assert moved == pytest.approx(way * (1 / cold.speed_m_s - 1 / plan.air.speed_m_s), rel=0.01)


def test_retime_takes_the_temperatures_of_the_file_or_ten_degrees_either_way(plan):
    assert plan.retime().temperature_c.tolist() == [10.0, 15.0, 20.0, 25.0, 30.0]
    cold = evaluate(small_hall(), {}, air=Air(3.0))
    assert cold.retime().temperature_c.tolist() == [3.0, 8.0, 13.0]
    filed = evaluate(replace(small_hall(), weather_c=(17.0, 4.0, 20.0)), {})
    assert filed.retime().temperature_c.tolist() == [4.0, 17.0, 20.0]


def test_retime_reads_a_log(plan):
    log = pd.DataFrame({"temperature_c": [25.0, 15.0], "humidity_pct": [40.0, 80.0]},
                       index=["19:00", "23:00"])
    table = plan.retime(log)
    assert list(table.index) == ["19:00", "23:00"]
    assert table["Fills"].iloc[1] > table["Fills"].iloc[0]
    assert plan.retime([Air(15.0, 80.0)])["Fills"][0] == table["Fills"].iloc[1]
    with pytest.raises(ValueError, match="lacks the column humidity_pct"):
        plan.retime(log.drop(columns="humidity_pct"))
    high = plan.retime(log.assign(pressure_kpa=[90.0, 101.325]))
    assert high["speed_m_s"].iloc[0] == Air(25.0, 40.0, 90.0).speed_m_s
    assert high["speed_m_s"].iloc[1] == table["speed_m_s"].iloc[1]
    log.loc["23:00", "temperature_c"] = np.nan
    with pytest.raises(ValueError, match=r"^temperature_c must be .* number, got nan at \[1\]"):
        plan.retime(log)


@pytest.mark.parametrize(("weather", "words"), [
    (15.0, "weather must be a list of temperatures .* or a log as a DataFrame, got '15.0'"),
    (np.array(15.0), "weather must be a list"),
    (Air(15.0), r"weather must be a list .* got 'Air\(temperature_c=15"),
    ("evening.csv", "weather must be a list .* got 'evening.csv'"),
    (["warm"], "temperature_c must be between -50 and 60 C, got 'warm'"),
    ([[12.0, 15.0]], "temperature_c of an Air must be one number"),
])
def test_retime_refuses_what_is_no_weather(plan, weather, words):
    with pytest.raises(TypeError, match=f"^{words}"):
        plan.retime(weather)


def test_late_path_stays_at_zero_in_weather_that_does_not_mend_it():
    plan = plan_fills(with_output(small_hall(), "Fills", latency_ms=90.0))
    assert plan.settings["Fills"].delay_ms == 0.0
    # 17 m of path, 20 degrees colder: about 2 ms later, far from the 21 ms that lack.
    assert plan.retime([0.0, 20.0, 30.0])["Fills"].tolist() == [0.0, 0.0, 0.0]


def test_cinder_meadow_retimes_its_towers():
    table = demo_plan("cinder_meadow").retime()
    moved = table["Ring 2 C"].max() - table["Ring 2 C"].min()
    # 85 m and more of path, 27 to 13 C: about 6 ms (ideal gas: d/(2 T c) a degree).
    assert moved == pytest.approx(88_000 * 14 / (2 * 293 * 343.0), rel=0.08)


# Written down -----------------------------------------------------------------------------


def test_a_plan_in_a_notebook_is_one_line(plan):
    delay, trim = plan.settings["Fills"].delay_ms, plan.settings["Fills"].trim_db
    assert repr(plan) == (
        f"FillPlan('Small Hall', 20 C: Mains 0 ms +0 dB; Fills {delay:g} ms {trim:+g} dB)"
    )
    off = evaluate(plan.venue, {})
    assert repr(off).endswith("; Fills off)")
    count = len(off.fills[0].reasons)
    assert repr(off.fills[0]) == f"FillReport('Fills' stays off: {count} reasons)"
    assert repr(plan.fills[0]).startswith("FillReport('Fills' sounds: ")
    assert repr(plan.venue).startswith("Venue('Small Hall': 4 loudspeakers on 2 outputs, ")


def test_a_saved_plan_gives_its_settings_back():
    plan = demo_plan("tidewell_hall")
    again = saved_settings(json.loads(json.dumps(plan.to_dict(), allow_nan=False)))
    assert again == plan.settings
    assert again["Lip bus"].trim_db == -np.inf
    for wrong in ({}, {"settings": 3}, {"settings": {"Fills": {"delay_ms": 3.0}}},
                  {"settings": {"Fills": {"trim_db": 0.0, "volume": 11}}}):
        with pytest.raises(ValueError, match=r"^saved must be what FillPlan.to_dict returns"):
            saved_settings(wrong)


def test_everything_of_a_plan_is_written_down(plan):
    saved = json.loads(json.dumps(plan.to_dict(), allow_nan=False))
    assert saved.keys() == FillPlan.__dataclass_fields__.keys()
    assert saved["settings"]["Fills"]["delay_ms"] == plan.settings["Fills"].delay_ms
    assert saved["checks"]["gap_ms"] == plan.checks.gap_ms.tolist()
    assert saved["fills"][0]["answers"]["equal_level_ms"] == plan.fills[0].answers.equal_level_ms
    assert [one["text"] for one in saved["findings"]] == [str(one) for one in plan.findings]
    assert saved["findings"][0]["kind"] == plan.findings[0].kind.name.lower()


def test_a_plan_of_numpy_numbers_is_plain_when_written_out():
    own = OutputSettings(delay_ms=np.float64(60.0), trim_db=np.float64(-3.0),
                         low_cut_order=np.int64(4))
    made = evaluate(small_hall(), {"Fills": own}).to_dict()
    plain = evaluate(small_hall(), {"Fills": OutputSettings(delay_ms=60.0, trim_db=-3.0)})
    assert json.loads(json.dumps(made)) == json.loads(json.dumps(plain.to_dict()))


def test_plans_are_equal_when_everything_in_them_is(plan):
    assert plan_fills(small_hall()) == plan
    assert plan != evaluate(plan.venue, {})
    assert plan != "plan"
    with pytest.raises(TypeError, match="unhashable"):
        hash(plan)


def test_goals_that_are_changed_are_no_defaults():
    room = read_venue(DATA / "lantern_room.toml")
    assert "[goals] delay_rule = equal-level" in room.defaults_used
    other = room.with_goals(delay_rule="never-early", image_margin_ms=9.0)
    said = plan_fills(other).assumptions
    assert not [line for line in said if "delay_rule" in line or "image_margin" in line]
    assert set(room.defaults_used) - set(other.defaults_used) == {
        "[goals] delay_rule = equal-level", "[goals] image_margin_ms = 5 ms"}
    assert other.with_goals() == other
