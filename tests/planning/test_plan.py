"""The planner: its decisions by their definitions, and properties of plans."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillalign import (
    OCTAVES_NOMINAL,
    Air,
    Loudspeaker,
    Measured,
    OutputSettings,
    Source,
    evaluate,
    fill_delay_ms,
    plan_fills,
    precedence_limit_db,
    read_venue,
    saved_settings,
    seat_field,
    seat_speech,
)
from fillalign.field import pairing
from fillalign.field import superpose as mix
from fillalign.field.paths import A_POWER, venue_seats
from fillalign.planning import bench
from fillalign.planning.bench import decision_places
from fillalign.planning.trim import headroom_db
from fillalign.planning.zones import fill_tiers, main_outputs
from fillalign.precedence import ECHO_LIMITS
from tests.small_venue import small_hall, with_output

DATA = Path(__file__).parents[2] / "data"
VENUES = ["tidewell_hall", "cinder_meadow", "saltmarsh_chapel", "lantern_room"]


@pytest.fixture(scope="module")
def plan():
    return plan_fills(small_hall())


@pytest.fixture(scope="module")
def demos():
    return {name: plan_fills(read_venue(DATA / f"{name}.toml")) for name in VENUES}


def fill_of(plan):
    return plan.fills[0], plan.settings["Fills"]


def test_small_hall_needs_its_fill(plan):
    fill, own = fill_of(plan)
    assert fill.sounding
    assert np.isfinite(own.trim_db)
    assert own.trim_db == fill.trim.needed_db
    assert not plan.unmet


def test_trim_is_the_smallest_that_serves_nine_rows_in_ten(plan):
    """Recount on the seat field itself: rows within 1 dB of the profile, at the trim and below."""
    venue, (_, own) = plan.venue, fill_of(plan)
    back = venue.area("back")
    shares = []
    for trim in (own.trim_db, own.trim_db - 0.5):
        now = {**plan.settings, "Fills": replace(own, trim_db=trim)}
        field = seat_field(venue, now, seats_m=back.seats_m())
        power = 10 ** (field.useful_db / 10) @ A_POWER
        level = 10 * np.log10(power.reshape(len(back.rows_x_m), -1).mean(axis=1))
        profile = plan.walk.profile_dba[plan.walk.area == 1]
        shares.append(np.mean(level >= profile - 1.0))
    assert shares[0] >= 0.9
    assert shares[1] < 0.9


def test_profile_is_the_reference_less_the_allowed_fall(plan):
    venue = plan.venue
    rows = [12.0, 14.0, 16.0]
    area = venue.area("front").seats_m()
    seats = area[np.isin(area[:, 0], rows)]
    field = seat_field(venue, plan.settings, seats_m=seats, sounding=["Mains"])
    mean = 10 * np.log10((10 ** (field.useful_db / 10) @ A_POWER).mean())
    assert plan.reference.level_dba == pytest.approx(mean, abs=1e-9)
    assert plan.walk.profile_dba[-1] == pytest.approx(mean - 4.0, abs=1e-9)
    assert plan.walk.profile_dba[0] == pytest.approx(mean, abs=1e-9)


def test_three_answers_by_hand(plan):
    venue, (fill, own) = plan.venue, fill_of(plan)
    air = plan.air
    length = min(
        np.linalg.norm(np.subtract(venue.sources[2].position_m, main.position_m))
        for main in venue.sources[:2]
    )
    box = fill_delay_ms(float(length), air, main_latency_ms=2.0, fill_latency_ms=3.5)
    assert fill.answers.box_to_box_ms == pytest.approx(box)
    speed = air.speed_m_s
    seats = venue.area("back").seats_m()
    field = seat_field(venue, {**plan.settings, "Fills": replace(own, delay_ms=0.0)},
                       seats_m=seats)
    direct = 10 * np.log10(10 ** (field.output_direct_db / 10) @ A_POWER)
    wanted = field.arrival_ms[0] - field.arrival_ms[1]
    assert fill.answers.never_early_ms == pytest.approx(wanted.max())
    weight = np.clip((10 - np.abs(direct[1] - direct[0])) / 7, 0, 1)
    assert fill.answers.equal_level_ms == pytest.approx((weight * wanted).sum() / weight.sum())
    assert own.delay_ms == pytest.approx(fill.answers.equal_level_ms + 5.0, abs=0.25)
    assert own.delay_ms / 0.02 == pytest.approx(round(own.delay_ms / 0.02))
    assert speed > 340


@pytest.mark.parametrize(
    ("rule", "field"),
    [("box-to-box", "box_to_box_ms"), ("equal-level", "equal_level_ms"),
     ("never-early", "never_early_ms")],
)
def test_rule_and_margin_choose_the_delay(rule, field):
    plan = plan_fills(small_hall(delay_rule=rule, image_margin_ms=8.0))
    fill, own = fill_of(plan)
    assert own.delay_ms == pytest.approx(getattr(fill.answers, field) + 8.0, abs=0.3)


def test_never_early_keeps_every_covered_seat_late():
    plan = plan_fills(small_hall(delay_rule="never-early", image_margin_ms=0.0))
    assert plan.checks.gap_ms[plan.checks.covered].min() >= -1e-9


def test_low_cut_costs_at_most_1_db_and_the_next_costs_more(plan):
    fill, own = fill_of(plan)
    tries = {t.corner_hz: t.loss_db for t in plan.low_cuts(fill.output)}
    assert tries[own.low_cut_hz] <= 1.0
    assert all(loss > 1.0 for corner, loss in tries.items() if corner > own.low_cut_hz)
    venue = plan.venue
    seats = venue.area("back").seats_m()
    flat = {**plan.settings, "Fills": replace(own, shelf_db=0.0)}
    bare = {**flat, "Fills": replace(flat["Fills"], low_cut_hz=None)}
    mean = [(10 ** (seat_field(venue, s, seats_m=seats).total_db / 10)).mean(axis=0)
            for s in (bare, flat)]
    loss = 10 * np.log10(mean[0] / mean[1])
    assert loss[1:].max() == pytest.approx(tries[own.low_cut_hz], abs=1e-6)


def test_low_cut_never_below_the_low_limit():
    hall = small_hall()
    deaf = {**hall.loudspeakers, "fill box": replace(hall.loudspeakers["fill box"],
                                                     low_limit_hz=260.0)}
    plan = plan_fills(replace(hall, loudspeakers=deaf))
    assert plan.settings["Fills"].low_cut_hz is None


def test_dull_fill_gets_a_shelf_and_a_full_box_none():
    hall = small_hall()
    kind = hall.loudspeakers["fill box"]
    dull = replace(kind, level_dba=None, level_by_octave_db={
        63: 80, 125: 85, 250: 86, 500: 86, 1000: 85, 2000: 82, 4000: 77, 8000: 72, 16000: 66})
    plan = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": dull}))
    own = plan.settings["Fills"]
    assert 1.0 <= own.shelf_db <= 6.0
    full = replace(dull, maximum_dba=float(own.trim_db + 88.5))
    tight = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": full}))
    assert tight.settings["Fills"].shelf_db == 0.0


def test_precedence_bound_binds_when_the_fill_is_early():
    plan = plan_fills(small_hall(image_margin_ms=0.0, allowed_fall_db=0.0))
    fill, own = fill_of(plan)
    _, reason = fill.trim.chosen()
    assert reason == "the precedence table"
    assert own.trim_db < fill.trim.needed_db
    assert any("precedence" in line or "image margin" in line for line in plan.unmet)
    seats = plan.seats()
    loud = seats[seats.covered]
    limits = precedence_limit_db(loud.gap_ms.to_numpy())
    np.testing.assert_allclose(loud.limit_db, limits)
    assert loud.keeps_image.mean() >= 0.85


def test_maximum_level_binds_and_the_plan_says_so():
    hall = small_hall()
    weak = replace(hall.loudspeakers["fill box"], maximum_dba=76.0)
    plan = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": weak}))
    assert plan.settings["Fills"].trim_db == -16.0
    assert any("needs a stronger box" in line for line in plan.unmet)


def test_mains_trim_reaches_the_reference_goal():
    plan = plan_fills(small_hall(reference_dba=80.0))
    assert plan.reference.meter_dba == pytest.approx(80.0, abs=0.26)
    assert plan.settings["Mains"].trim_db > 0
    loud = plan_fills(small_hall(reference_dba=130.0))
    assert plan.settings["Mains"].trim_db < loud.settings["Mains"].trim_db == 26.0
    assert any("on the mains, or a stronger system" in line for line in loud.unmet)


def test_speech_goal_makes_a_need_and_its_limit_is_told():
    plan = plan_fills(small_hall(sti=0.99))
    assert all(need.needed for need in plan.needs)
    assert any("goal 0.99" in line for line in plan.summary)
    assert "speech transmission falls to" in plan.needs[1].sentence


def test_lost_highs_alone_make_a_need():
    hall = small_hall(allowed_fall_db=30.0, outdoors=True)
    loss = {**dict.fromkeys((63, 125, 250, 500, 1000, 2000), 0.0), 4000: 18.0, 8000: 18.0,
            16000: 18.0}
    dark = replace(hall.areas[1], shadowed_from=("mains",), shadow_loss_db=loss)
    plan = plan_fills(replace(hall, areas=(hall.areas[0], dark)))
    assert not plan_fills(hall).needs[1].needed
    assert plan.needs[1].needed
    assert "of highs are lost (limit 6 dB)" in plan.needs[1].sentence
    assert plan.needs[1].highs_loss_db > 6.0
    assert plan.needs_after[1].highs_loss_db < plan.needs[1].highs_loss_db - 1.0


def test_back_goal_counts_gain_before_feedback(plan):
    goal = plan_fills(small_hall(back_dba=72.0))
    assert any("The back row's goal of 72.0 dBA" in line for line in goal.summary)
    back = int(plan.walk.x_m.argmax())
    lift = plan.walk.after_dba[back] - plan.walk.before_dba[back]
    assert plan.back_gain_db == pytest.approx(lift)
    mic = [plan.venue.stage_microphone_m]
    mains = seat_field(plan.venue, plan.settings, seats_m=mic, sounding=["Mains"])
    both = seat_field(plan.venue, plan.settings, seats_m=mic)
    added = both.weighted_db()[0] - mains.weighted_db()[0]
    assert plan.gain_before_feedback_db == pytest.approx(lift - added, abs=1e-6)
    assert 0 < plan.gain_before_feedback_db < lift


def test_readings_are_what_the_empty_room_gives():
    hall = small_hall()
    check = replace(hall.states["check"], rt60_s=dict.fromkeys(hall.states["check"].rt60_s, 2.4))
    measured = Measured("Mains", (14.0, 0.0, 1.2), "show", level_dba=80.0)
    plan = plan_fills(replace(hall, states={**hall.states, "check": check}, measured=(measured,)))
    reading = plan.fills[0].reading
    field = [
        seat_field(plan.venue, plan.settings, state="check", seats_m=[reading.seat_m],
                   sounding=names)
        for names in (["Mains"], ["Fills"], ["Mains", "Fills"])
    ]
    assert reading.mains_dba == pytest.approx(field[0].weighted_db()[0])
    assert reading.mains_dbc == pytest.approx(field[0].weighted_db(weighting="C")[0])
    assert reading.fill_dba == pytest.approx(field[1].weighted_db()[0])
    assert reading.fill_dbc == pytest.approx(field[1].weighted_db(weighting="C")[0])
    assert reading.both_dba == pytest.approx(field[2].weighted_db()[0])


def test_hearing_caution_leads_when_it_is_loud():
    loud = plan_fills(small_hall(hearing_dba=60.0))
    assert loud.cautions[0].startswith("Hearing: up to")
    assert not plan_fills(small_hall()).cautions[0].startswith("Hearing")


@pytest.mark.parametrize(
    ("key", "value"),
    [("delay_ms", 78.0), ("trim_db", -11.5), ("low_cut_hz", 90.0), ("shelf_db", 2.0),
     ("polarity", "inverted")],
)
def test_locked_values_stay(key, value):
    plan = plan_fills(with_output(small_hall(), "Fills", locked={key: value}))
    assert getattr(plan.settings["Fills"], key) == value


def test_negative_delay_becomes_a_hold_back():
    plan = plan_fills(with_output(small_hall(), "Fills", latency_ms=200.0))
    fill, own = fill_of(plan)
    assert own.delay_ms == 0.0
    assert fill.hold_back_ms > 100
    assert any("hold-back of" in line for line in plan.unmet)
    held = plan_fills(replace(with_output(small_hall(), "Fills", latency_ms=200.0),
                              hold_back_ms=fill.hold_back_ms + 1))
    assert held.settings["Mains"].delay_ms == fill.hold_back_ms + 1
    assert 0 <= held.settings["Fills"].delay_ms < 3
    assert not any("hold-back of" in line for line in held.unmet)


def test_delay_beyond_the_device_is_refused():
    with pytest.raises(ValueError, match=r"'Fills' needs a delay of .* between 0 and 20 ms"):
        plan_fills(with_output(small_hall(), "Fills", delay_max_ms=20.0))


def test_device_too_short_for_a_fill_that_stays_off_is_no_error():
    # What does not sound needs no delay: the answer is still that no fill is needed.
    hall = with_output(small_hall(allowed_fall_db=30.0, highs_loss_db=40.0), "Fills",
                       delay_max_ms=20.0)
    plan = plan_fills(hall)
    assert np.isneginf(plan.settings["Fills"].trim_db)
    assert plan.settings["Fills"].delay_ms <= 20.0
    assert any("delays by at most 20 ms" in line for line in plan.fills[0].reasons)
    held = plan_fills(replace(hall, hold_back_ms=40.0))
    assert evaluate(held.venue, held.settings) == held


def test_locked_delay_is_kept_where_the_device_has_no_more():
    hall = with_output(small_hall(), "Fills", delay_max_ms=20.0, locked={"delay_ms": 10.0})
    plan = plan_fills(hall)
    assert plan.settings["Fills"].delay_ms == 10.0
    assert plan.fills[0].sounding
    assert any("delays by at most 20 ms" in line for line in plan.fills[0].reasons)


def test_cold_air_makes_a_fill_early_and_the_plan_says_so():
    plan = plan_fills(replace(small_hall(image_margin_ms=0.0), weather_c=(5.0, 20.0)))
    fill = plan.fills[0]
    assert fill.coldest_c == 5.0
    assert fill.early_cold_ms > fill.early_ms
    assert any("coldest air planned, 5 C" in line for line in fill.reasons)


def test_retime_is_a_plan_in_other_air(plan):
    table = plan.retime([10.0, 20.0, 30.0])
    assert table["Fills"].is_monotonic_decreasing
    locked = {k: getattr(plan.settings["Fills"], k) for k in
              ("trim_db", "low_cut_hz", "shelf_db", "shelf_hz")}
    cold = plan.air.at_temperature(10.0)
    again = plan_fills(with_output(plan.venue, "Fills", locked=locked), air=cold)
    assert table["Fills"][0] == pytest.approx(again.settings["Fills"].delay_ms, abs=0.15)
    assert table["humidity_pct"][0] == pytest.approx(cold.humidity_pct)


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


def test_retime_reads_a_log(plan):
    import pandas as pd

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


@pytest.mark.parametrize("name", VENUES)
def test_evaluate_of_its_own_settings_is_the_plan(demos, name):
    plan = demos[name]
    assert evaluate(plan.venue, plan.settings, air=plan.air) == plan


def test_evaluate_tells_what_dialled_settings_do(plan):
    dialled = evaluate(plan.venue, {"Fills": OutputSettings(delay_ms=78.0, trim_db=-6.0)})
    assert dialled != plan
    gap = dialled.seats().set_index("seat").gap_ms - plan.seats().set_index("seat").gap_ms
    shift = 78.0 - plan.settings["Fills"].delay_ms
    np.testing.assert_allclose(gap.dropna(), shift, atol=1e-9)
    off = evaluate(plan.venue, {})
    assert not off.fills[0].sounding
    assert len(off.seats()) == 0


@given(
    st.floats(-50, 50), st.floats(-20, 20), st.floats(0, 5), st.booleans(), st.booleans()
)
@settings(max_examples=8, deadline=None)
def test_shifted_or_mirrored_venue_gives_the_same_plan(dx, dy, dz, mirror, outdoors):
    here = plan_fills(small_hall(outdoors=outdoors, wind_m_s=4.0 * outdoors))
    shift = (round(dx, 1), round(dy, 1), round(dz, 1))
    there = plan_fills(
        small_hall(shift=shift, mirror=mirror, outdoors=outdoors, wind_m_s=4.0 * outdoors)
    )
    one, other = here.settings["Fills"], there.settings["Fills"]
    assert one.delay_ms == pytest.approx(other.delay_ms, abs=0.021)
    assert (one.trim_db, one.low_cut_hz, one.shelf_db) == (
        other.trim_db, other.low_cut_hz, other.shelf_db)
    np.testing.assert_allclose(here.walk.after_dba, there.walk.after_dba, atol=1e-6)


def test_louder_everything_changes_no_setting():
    hall = small_hall()
    more = {
        name: replace(kind, level_dba=kind.level_dba + 7, maximum_dba=kind.maximum_dba + 7)
        for name, kind in hall.loudspeakers.items()
    }
    assert (
        plan_fills(replace(hall, loudspeakers=more)).settings == plan_fills(hall).settings
    )


def test_lantern_room_needs_no_fill(demos):
    plan = demos["lantern_room"]
    assert not any(fill.sounding for fill in plan.fills)
    assert all("no fill needed" in need.sentence for need in plan.needs)
    assert plan.table().set_index("output").trim_db[plan.fills[0].output] == -np.inf


def test_tidewell_needs_its_hall_fills_and_not_the_balcony_or_lip(demos):
    plan = demos["tidewell_hall"]
    used = {fill.output: fill.sounding for fill in plan.fills}
    assert used == {"Lip bus": False, "Fill inner": True, "Fill outer": True, "Balcony bus": False}
    assert plan.walk.spread_db("after") < plan.walk.spread_db("before")
    assert plan.gain_before_feedback_db > 0.5


def test_saltmarsh_says_why_no_more_is_to_be_had(demos):
    plan = demos["saltmarsh_chapel"]
    assert plan.walk.speech_after.min() >= 0.45
    assert plan.walk.speech_before.min() < 0.45
    assert any("decay of 2.8 s rules" in line for line in plan.summary)
    assert any(line.startswith("Harm:") for line in plan.summary)


def test_cinder_meadow_retimes_its_towers(demos):
    plan = demos["cinder_meadow"]
    table = plan.retime()
    moved = table["Ring 2 C"].max() - table["Ring 2 C"].min()
    # 85 m and more of path, 27 to 13 C: about 6 ms (ideal gas: d/(2 T c) a degree).
    assert moved == pytest.approx(88_000 * 14 / (2 * 293 * 343.0), rel=0.08)
    assert plan.reference.meter_dba == pytest.approx(98.0, abs=0.3)
    assert any("Towers" in line for line in plan.cautions)


def test_outputs_of_one_row_move_together(demos):
    venue = demos["tidewell_hall"].venue
    assert ["Fill inner", "Fill outer"] in fill_tiers(venue)
    assert main_outputs(venue) == ["Main bus"]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"Nope": OutputSettings()}, "no output named 'Nope'; there are Mains, Fills"),
        ({"Fills": OutputSettings(delay_ms=-1.0)}, "delay_ms must be between 0 and 1000 ms, got"),
        ({"Fills": OutputSettings(trim_db=40.0)}, "trim_db must be between -120 and 22 dB"),
        ({"Fills": OutputSettings(trim_db=np.nan)}, "trim_db must be between"),
        ({"Fills": OutputSettings(polarity="up")}, "polarity must be one of normal, inverted"),
        ({"Fills": OutputSettings(low_cut_order=3)}, "no 'linkwitz-riley' low cut of order 3"),
        ({"Fills": OutputSettings(low_cut_hz=100.0, low_cut_kind="butterworth")},
         "device has no 'butterworth' low cut of order 4; it has linkwitz-riley of order 4"),
        ({"Fills": OutputSettings(low_cut_hz=100.0, low_cut_order=2)},
         "no 'linkwitz-riley' low cut of order 2; it has linkwitz-riley of order 4"),
        ({"Fills": OutputSettings(low_cut_hz=-5.0)}, "low_cut_hz must be between 20 and 2000 Hz"),
        ({"Fills": OutputSettings(shelf_db=40.0)}, "shelf_db must be between -12 and 12"),
        ({"Fills": OutputSettings(shelf_hz=np.nan)}, "shelf_hz must be between 500 and 16000"),
        ({"Mains": OutputSettings(trim_db=-np.inf)}, "at least one output of the mains must"),
    ],
)
def test_evaluate_refuses_what_no_device_does(settings, words):
    with pytest.raises(ValueError, match=words):
        evaluate(small_hall(), settings)


def test_every_table_is_complete(plan):
    table = plan.table()
    for column in ("output", "feed", "set_in", "delay_ms", "delay_samples", "low_cut_hz",
                   "low_cut_order", "shelf_db", "trim_db", "polarity"):
        assert column in table
    assert len(table) == 2
    row = table.set_index("output").loc["Fills"]
    assert row.delay_samples == pytest.approx(row.delay_ms * 48)
    assert row.delay_ft == pytest.approx(row.delay_m / 0.3048)
    seats = plan.seats()
    assert {"seat", "fill", "reference", "gap_ms", "level_difference_db"} <= set(seats)
    assert set(seats.reference) == {"Main -6.5", "Main +6.5"}
    assert seats.notna().drop(columns=["other_gap_ms", "margin_ms", "echo"]).all().all()
    assert json.loads(json.dumps(plan.to_dict()))["settings"]["Fills"]["delay_ms"] == row.delay_ms


def test_loudest_seat_counts_seats_that_no_fill_touches(plan, demos):
    for made in (plan, demos["tidewell_hall"], demos["lantern_room"]):
        on = [name for name, own in made.settings.items() if np.isfinite(own.trim_db)]
        field = seat_field(made.venue, made.settings, sounding=on)
        assert made.loudest_dba == pytest.approx(field.weighted_db().max(), abs=1e-6)
        assert any(f"{made.loudest_dba:.1f} dBA" in line for line in made.cautions)


def test_late_path_stays_at_zero_in_weather_that_does_not_mend_it():
    plan = plan_fills(with_output(small_hall(), "Fills", latency_ms=90.0))
    fill = plan.fills[0]
    assert plan.settings["Fills"].delay_ms == 0.0
    # 17 m of path, 20 degrees colder: about 2 ms later, far from the 21 ms that lack.
    assert plan.retime([0.0, 20.0, 30.0])["Fills"].tolist() == [0.0, 0.0, 0.0]
    held = plan_fills(replace(plan.venue, hold_back_ms=fill.hold_back_ms - 10.0))
    assert held.fills[0].hold_back_ms == pytest.approx(10.0, abs=0.2)
    assert "a further hold-back of" in held.fills[0].unmet[0]


def two_fill_outputs(**locked):
    hall = small_hall()
    own = hall.outputs["Fills"]
    outputs = {
        "Mains": hall.outputs["Mains"],
        "A": replace(own, name="A", locked=locked),
        "B": replace(own, name="B"),
    }
    fills = (replace(hall.sources[2], output="A"), replace(hall.sources[3], output="B"))
    return replace(hall, outputs=outputs, sources=(*hall.sources[:2], *fills))


def test_the_free_half_of_a_tier_is_planned_around_the_locked_half():
    plan = plan_fills(two_fill_outputs(trim_db=-40.0))
    assert plan.settings["A"].trim_db == -40.0
    assert not any(need.needed for need in plan.needs_after)
    both = plan_fills(two_fill_outputs())
    assert plan.settings["B"].trim_db > both.settings["B"].trim_db == both.settings["A"].trim_db


def test_sentences_fit_the_numbers():
    hall = small_hall()
    small = replace(hall.loudspeakers["fill box"], low_limit_hz=300.0)
    plan = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": small}))
    assert any("below the box's own low limit" in line for line in plan.fills[0].reasons)
    dialled = OutputSettings(delay_ms=60.0, trim_db=-3.0, low_cut_hz=100.0, shelf_db=6.0)
    reasons = evaluate(hall, {"Fills": dialled}).fills[0].reasons
    assert any("Set is 100 Hz" in line for line in reasons)
    assert any(line.startswith("Shelf set +6.0 dB; none would") for line in reasons)
    loud = evaluate(small_hall(reference_dba=70.0), {"Mains": OutputSettings(trim_db=20.0)})
    line = next(line for line in loud.unmet if "at the reference" in line)
    assert "stronger" not in line
    assert "dBA: -" in line
    masked = plan_fills(small_hall(outdoors=True, sti=0.95, reference_dba=104.0))
    assert any("mask" in line for line in masked.summary)
    assert not any("noise limits it" in line for line in masked.summary)


def test_margin_that_is_offered_mends_as_many_seats_as_it_says():
    plan = evaluate(small_hall(), {"Fills": OutputSettings(delay_ms=45.0, trim_db=0.0)})
    line = next(line for line in plan.unmet if "more margin would mend" in line)
    more, count = float(line.split("; ")[-1].split()[0]), int(line.split("mend ")[-1].split()[0])
    checks = plan.checks
    broken = ~checks.keeps_image
    limit = precedence_limit_db(checks.gap_ms[broken] + more + 0.05)
    assert count == (checks.level_difference_db[broken] <= limit).sum()


def test_a_saved_plan_gives_its_settings_back(demos):
    plan = demos["tidewell_hall"]
    again = saved_settings(json.loads(json.dumps(plan.to_dict(), allow_nan=False)))
    assert again == plan.settings
    assert again["Lip bus"].trim_db == -np.inf
    for wrong in ({}, {"settings": 3}, {"settings": {"Fills": {"delay_ms": 3.0}}},
                  {"settings": {"Fills": {"trim_db": 0.0, "volume": 11}}}):
        with pytest.raises(ValueError, match=r"^saved must be what FillPlan.to_dict returns"):
            saved_settings(wrong)


@pytest.mark.parametrize("key", ["delay_ms", "trim_db", "low_cut_hz", "shelf_db", "shelf_hz"])
def test_settings_must_be_numbers(key):
    hall = small_hall()
    for examine in (evaluate, seat_field):
        with pytest.raises(TypeError, match=f"^Fills: {key} must be a number, got '78'"):
            examine(hall, {"Fills": OutputSettings(**{key: "78"})})
    if key != "low_cut_hz":
        with pytest.raises(TypeError, match=f"^Fills: {key} must be a number, got None"):
            evaluate(hall, {"Fills": OutputSettings(**{key: None})})


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


def test_goals_that_are_changed_are_no_defaults(demos):
    room = demos["lantern_room"].venue
    assert "[goals] delay_rule = equal-level" in room.defaults_used
    other = room.with_goals(delay_rule="never-early", image_margin_ms=9.0)
    said = plan_fills(other).assumptions
    assert not [line for line in said if "delay_rule" in line or "image_margin" in line]
    assert set(room.defaults_used) - set(other.defaults_used) == {
        "[goals] delay_rule = equal-level", "[goals] image_margin_ms = 5 ms"}
    assert other.with_goals() == other


def test_settings_must_be_output_settings():
    with pytest.raises(TypeError, match="Fills: settings must be an OutputSettings, got dict"):
        evaluate(small_hall(), {"Fills": {"delay_ms": 60.0}})
    with pytest.raises(TypeError, match=r"^settings must be OutputSettings by .* got Output"):
        evaluate(small_hall(), OutputSettings(delay_ms=60.0))


def test_locked_value_beyond_the_box_is_refused():
    with pytest.raises(ValueError, match="Fills: trim_db must be between -120 and 22 dB"):
        plan_fills(with_output(small_hall(), "Fills", locked={"trim_db": 30.0}))


def test_the_free_half_of_a_tier_stays_off_where_the_locked_half_is_enough():
    plan = plan_fills(two_fill_outputs(trim_db=6.0))
    assert plan.settings["A"].trim_db == 6.0
    assert np.isneginf(plan.settings["B"].trim_db)
    assert not any(need.needed for need in plan.needs_after)


def test_fill_that_no_trim_suits_stays_off_and_says_why():
    hall = small_hall()
    weak = replace(hall.loudspeakers["fill box"], maximum_dba=50.0)
    plan = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": weak}))
    assert plan.needs[1].needed
    assert np.isneginf(plan.settings["Fills"].trim_db)
    assert plan.fills[0].reasons[-1] == (
        "The output stays off, since the maximum level of the box leaves it no trim."
    )
    assert any("no fill that sounds covers it" in line for line in plan.unmet)


def test_box_to_box_is_called_wrong_for_a_front_fill_alone():
    """Box to box holds on the extension of the line through main and fill (geometry)."""
    hall = small_hall(delay_rule="box-to-box")
    lip = replace(hall.sources[2], name="Lip", output="Fills", kind="front", covers=("front",),
                  position_m=(0.0, 0.0, 1.0), aim_m=(6.0, 0.0, 1.2))
    front = plan_fills(replace(hall, sources=(*hall.sources[:2], lip)))
    late = front.fills[0].answers
    assert late.box_to_box_ms > late.equal_level_ms + 1.0
    words = f"comes {late.box_to_box_ms - late.equal_level_ms:.1f} ms later than they want"
    assert any(words in line for line in front.fills[0].reasons)
    assert not any("front fill" in line for line in plan_fills(hall).fills[0].reasons)


def test_walk_without_fills_is_the_walk_of_the_mains(plan):
    """A fill that would open the early window sooner has no part in 'before'."""
    early = evaluate(plan.venue, {"Fills": OutputSettings(delay_ms=0.0, trim_db=6.0)})
    assert early.walk.heard_before_dba == pytest.approx(plan.walk.heard_before_dba, abs=1e-9)
    assert early.walk.speech_before == pytest.approx(plan.walk.speech_before, abs=1e-9)
    back = plan.venue.area("back")
    field = seat_field(plan.venue, plan.settings, seats_m=back.seats_m(), sounding=["Mains"])
    power = (10 ** (field.useful_db / 10) @ A_POWER).reshape(len(back.rows_x_m), -1)
    wanted = 10 * np.log10(power.mean(axis=1))
    assert plan.walk.heard_before_dba[plan.walk.area == 1] == pytest.approx(wanted, abs=1e-6)


def test_a_main_at_its_maximum_is_named():
    hall = small_hall(reference_dba=96.0)
    weak = replace(hall.loudspeakers["main box"], name="weak box", maximum_dba=100.0)
    outputs = {**hall.outputs, "Side": replace(hall.outputs["Mains"], name="Side")}
    other = replace(hall.sources[1], output="Side", loudspeaker="weak box")
    hall = replace(
        hall, outputs=outputs, sources=(hall.sources[0], other, *hall.sources[2:]),
        loudspeakers={**hall.loudspeakers, "weak box": weak},
    )
    plan = plan_fills(hall)
    assert plan.settings["Side"].trim_db == 6.0
    behind = plan.settings["Mains"].trim_db - 6.0
    assert behind > 0.4
    assert any(f"Side is at its maximum level, {behind:.1f} dB behind" in u for u in plan.unmet)
    # Dialled down, or off, it is behind the others for another reason.
    for lower in (-3.0, -np.inf):
        softer = evaluate(hall, {**plan.settings, "Side": OutputSettings(trim_db=lower)})
        assert not any("maximum level, " in line for line in softer.unmet)


def test_trim_and_shelf_together_stay_within_the_box():
    hall = small_hall(allowed_fall_db=0.0)
    kind = hall.loudspeakers["fill box"]
    dull = replace(kind, level_dba=None, maximum_dba=82.0, level_by_octave_db={
        63: 80, 125: 85, 250: 86, 500: 86, 1000: 85, 2000: 82, 4000: 77, 8000: 72, 16000: 66})
    plan = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": dull}))
    fill, own = fill_of(plan)
    assert fill.trim.maximum_db + max(own.shelf_db, 0.0) <= headroom_db(plan.venue, "Fills")
    assert own.trim_db + own.shelf_db <= headroom_db(plan.venue, "Fills")
    lifted = evaluate(plan.venue, {"Fills": replace(own, trim_db=-20.0, shelf_db=3.0)})
    assert lifted.fills[0].trim.maximum_db == evaluate(
        plan.venue, {"Fills": replace(own, trim_db=-20.0, shelf_db=0.0)}
    ).fills[0].trim.maximum_db - 3.0


def test_seats_past_the_echo_criterion_are_counted():
    """A fill 0.3 s late, against the criterion itself at every seat."""
    hall, late = small_hall(), {"Fills": OutputSettings(delay_ms=300.0)}
    plan = evaluate(hall, late)
    line = next(line for line in plan.unmet if "echo criterion" in line)
    # Counted are the seats that the fill is for, and where it lies within 10 dB of the mains.
    echo = seat_speech(hall, late).echo[np.unique(plan.checks.seat)]
    assert int(line.split()[0]) == (echo > ECHO_LIMITS["speech"][1]).sum() > 0
    assert f"worst {np.nanmax(echo):.2f} at" in line
    assert not any("echo criterion" in line for line in plan_fills(hall).unmet)


def test_a_back_row_below_its_goal_is_said():
    plan = plan_fills(small_hall(back_dba=90.0))
    level = plan.walk.after_dba[plan.walk.x_m.argmax()]
    assert (f"The back row gets {level:.1f} dBA, not 90.0 dBA: {90.0 - level:+.1f} dB on all "
            "outputs would meet it.") in plan.unmet


def test_noise_that_limits_speech_is_said():
    """Speech far below the noise gains by level alone (IEC 60268-16: m falls as 1 / (1 + N/S))."""
    noise = dict.fromkeys(OCTAVES_NOMINAL, 75.0)
    plan = plan_fills(small_hall(sti=0.6, noise_db=noise))
    line = next(line for line in plan.summary if "lowest speech transmission" in line)
    low = int(plan.walk.speech_after.argmin())
    gain = plan.walk.speech_louder[low] - plan.walk.speech_after[low]
    assert gain > 0.1
    assert f"noise limits it, since 10 dB more from everything would change it by {gain:+.2f}" in (
        line)


def test_reference_rows_without_a_row_take_the_nearest():
    assert plan_fills(small_hall(reference_rows_m=(21.0, 21.5))).reference.x_m == 20.0


def test_keeping_less_for_later_changes_no_decision(plan, monkeypatch):
    """What is kept between steps saves time only: here nothing lasts."""
    monkeypatch.setattr(bench, "KEPT", 1)
    monkeypatch.setattr(mix, "_KEPT_TAILS", 1)
    monkeypatch.setattr(pairing, "_KEPT_BYTES", 0)
    assert plan_fills(small_hall()) == plan


def test_a_plan_of_numpy_numbers_is_plain_when_written_out():
    own = OutputSettings(delay_ms=np.float64(60.0), trim_db=np.float64(-3.0),
                         low_cut_order=np.int64(4))
    made = evaluate(small_hall(), {"Fills": own}).to_dict()
    plain = evaluate(small_hall(), {"Fills": OutputSettings(delay_ms=60.0, trim_db=-3.0)})
    assert json.loads(json.dumps(made)) == json.loads(json.dumps(plain.to_dict()))


@pytest.mark.parametrize("first", [2.0, 2.2, 2.4, 2.6])
def test_many_rows_leave_no_area_and_no_last_row_out(first):
    # Decisions rest on some of many rows; an area of one row counts as well.
    hall = small_hall()
    area = hall.areas[0]
    long = replace(area, x_from_m=first, x_to_m=36.0, row_spacing_m=0.2, seat_spacing_m=6.0)
    balcony = replace(area, name="balcony", x_from_m=20.0, x_to_m=20.0, floor_m=3.0)
    back = replace(hall.areas[1], x_from_m=36.4, x_to_m=36.6, row_spacing_m=0.2)
    hall = replace(hall, areas=(long, balcony, back))
    every = venue_seats(hall)
    seats = every.take(decision_places(hall, every))
    for number, one in enumerate(hall.areas):
        rows = seats.row_x_m[seats.area == number]
        assert (rows.min(), rows.max()) == (one.rows_x_m[0], one.rows_x_m[-1])
    assert len(np.unique(seats.row_x_m)) <= 150
    assert [need.area for need in plan_fills(hall).needs] == ["front", "balcony", "back"]


def test_a_tier_takes_a_low_cut_that_all_its_devices_have():
    two = two_fill_outputs()
    names = [name for name in two.outputs if name != "Mains"]
    common = with_output(two, names[1], low_cut_kinds=("butterworth", "linkwitz-riley"),
                         low_cut_orders=(2, 4))
    common = with_output(common, names[0], low_cut_kinds=("linkwitz-riley",),
                         low_cut_orders=(8, 2))
    settings = plan_fills(common).settings
    for name in names:
        own = settings[name]
        assert own.low_cut_hz == 250.0
        assert (own.low_cut_kind, own.low_cut_order) == ("linkwitz-riley", 2)
    none = with_output(two, names[1], low_cut_kinds=("butterworth",), low_cut_orders=(2,))
    plan = plan_fills(none)
    assert all(plan.settings[name].low_cut_hz is None for name in names)
    assert any("none in common" in line for line in plan.fills[0].reasons)


def test_subs_cover_nobody():
    # Coverage is where the highs go (common practice); a sub goes everywhere.
    hall = small_hall()
    narrow = replace(hall.loudspeakers["main box"], coverage_deg=(40.0, 20.0))
    sub = Loudspeaker("sub", (350.0, 350.0), 120.0, level_dba=80.0, low_limit_hz=35.0)
    with_sub = replace(
        hall,
        loudspeakers={**hall.loudspeakers, "main box": narrow, "sub": sub},
        outputs={**hall.outputs, "Sub": replace(hall.outputs["Mains"], name="Sub")},
        sources=(*hall.sources, Source("Sub", "sub", "Sub", "sub", (0.0, 0.0, 0.5),
                                       (9.0, 0.0, 0.5))),
    )
    bare = replace(hall, loudspeakers={**hall.loudspeakers, "main box": narrow})
    shares = [[need.outside_share for need in plan_fills(v).needs] for v in (bare, with_sub)]
    assert shares[0] == shares[1]
    assert max(shares[0]) > 0.1
