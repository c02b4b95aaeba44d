"""What settings do: every check of a plan, recounted on the maps of seats."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import (
    THIRDS_HZ,
    Air,
    Measured,
    OutputSettings,
    evaluate,
    plan_fills,
    precedence_limit_db,
    seat_field,
    seat_speech,
)
from fillalign.levels import weighted_total_db
from fillalign.precedence import required_margin_ms
from tests.demo_plans import demo_plan
from tests.small_venue import RT60, small_hall, small_plan, with_output


@pytest.fixture(scope="module")
def plan():
    return small_plan()


@pytest.fixture(scope="module")
def two():
    """Return a hall with a fill output on each side, dialled unlike each other."""
    hall = small_hall(noise_db=dict.fromkeys(RT60, 40.0))
    own = hall.outputs["Fills"]
    outputs = {"Mains": hall.outputs["Mains"], "Right": replace(own, name="Right"),
               "Left": replace(own, name="Left", latency_ms=9.0)}
    fills = (replace(hall.sources[2], output="Right"),
             replace(hall.sources[3], output="Left", covers=("back", "front")))
    hall = replace(hall, outputs=outputs, sources=(*hall.sources[:2], *fills))
    return evaluate(hall, {"Right": OutputSettings(delay_ms=60.0, trim_db=9.0),
                           "Left": OutputSettings(delay_ms=71.0, trim_db=-3.0, low_cut_hz=120.0)})


def dba(level_db):
    return weighted_total_db(level_db, THIRDS_HZ)


def rows_of(plan, values):
    """Mean over the seats of each row of the whole venue, rows in the order of the walk."""
    seats = np.concatenate([area.seats_m() for area in plan.venue.areas])
    area = np.repeat(np.arange(len(plan.venue.areas)),
                     [len(one.seats_m()) for one in plan.venue.areas])
    return np.array([values[(seats[:, 0] == x) & (area == number)].mean(axis=0)
                     for x, number in zip(plan.walk.x_m, plan.walk.area, strict=True)])


# Seats ------------------------------------------------------------------------------------


def fill_columns(plan, name):
    """Return what the maps of seats say of one fill at all seats: gap, and level over the mains."""
    field = seat_field(plan.venue, plan.settings)
    outputs = [*plan.venue.outputs]
    gap = field.arrival_ms[outputs.index(name)] - field.arrival_ms[outputs.index("Mains")]
    mains, fill = (dba(seat_field(plan.venue, plan.settings, sounding=[one]).direct_db)
                   for one in ("Mains", name))
    return gap, fill - mains


@pytest.mark.parametrize("name", ["Right", "Left"])
def test_every_seat_that_is_covered_or_hears_a_fill_within_10_db_is_checked(two, name):
    gap, over = fill_columns(two, name)
    areas = np.repeat([0, 1], [len(area.seats_m()) for area in two.venue.areas])
    covered = np.isin(areas, [1] if name == "Right" else [0, 1])
    checked = np.flatnonzero(covered | (over >= -10.0))
    here = two.checks.fill == [*two.venue.outputs].index(name)
    assert name == "Left" or covered.sum() < len(checked) < len(covered)
    np.testing.assert_array_equal(two.checks.seat[here], checked)
    np.testing.assert_array_equal(two.checks.covered[here], covered[checked])
    np.testing.assert_allclose(two.checks.gap_ms[here], gap[checked], atol=1e-9)
    np.testing.assert_allclose(two.checks.level_difference_db[here], over[checked], atol=1e-9)
    np.testing.assert_allclose(two.checks.limit_db[here], precedence_limit_db(gap[checked]))
    np.testing.assert_allclose(two.checks.margin_ms[here],
                               required_margin_ms(gap[checked], over[checked]))
    kept = (over <= precedence_limit_db(gap)) | (over <= -10.0)
    np.testing.assert_array_equal(two.checks.keeps_image[here], kept[checked])


def test_checks_hold_what_the_maps_of_seats_hold(two):
    checks = two.checks
    field, speech = (ask(two.venue, two.settings) for ask in (seat_field, seat_speech))
    np.testing.assert_allclose(checks.point_m, field.seats_m[checks.seat])
    np.testing.assert_allclose(checks.level_dba, field.weighted_db()[checks.seat])
    np.testing.assert_allclose(checks.speech_after, speech.index[checks.seat], atol=1e-9)
    np.testing.assert_allclose(checks.echo, speech.echo[checks.seat], atol=1e-9)
    mains = seat_speech(two.venue, two.settings, sounding=["Mains"]).index
    np.testing.assert_allclose(checks.speech_before, mains[checks.seat], atol=1e-9)


def test_ripple_is_the_spread_of_the_sum_over_the_sum_of_powers(two):
    """Third octaves from 500 Hz to 8 kHz, everything coherent against everything by power."""
    field = seat_field(two.venue, two.settings)
    apart = 10 * np.log10((10 ** (field.output_direct_db / 10)).sum(axis=0))
    over = (field.direct_db - apart)[:, (THIRDS_HZ > 480) & (THIRDS_HZ < 8100)]
    np.testing.assert_allclose(two.checks.ripple_db, np.ptp(over, axis=1)[two.checks.seat],
                               atol=1e-9)


def test_the_other_fill_counts_within_10_db(two):
    names = [*two.venue.outputs]
    columns = {name: fill_columns(two, name) for name in ("Right", "Left")}
    for name, other in (("Right", "Left"), ("Left", "Right")):
        here = two.checks.fill == names.index(name)
        seats = two.checks.seat[here]
        (gap, over), (other_gap, other_over) = ([part[seats] for part in columns[one]]
                                                for one in (name, other))
        near = other_over >= over - 10.0
        assert 0 < near.sum()
        np.testing.assert_array_equal(two.checks.other[here] == names.index(other), near)
        assert (two.checks.other[here][~near] == -1).all()
        np.testing.assert_allclose(two.checks.other_gap_ms[here],
                                   np.where(near, gap - other_gap, np.nan), atol=1e-9)


def test_the_loudest_seat_may_be_one_that_no_fill_touches(plan):
    for made in (plan, demo_plan("lantern_room")):
        on = [name for name in made.settings if made.settings.sounds(name)]
        field = seat_field(made.venue, made.settings, sounding=on)
        assert made.loudest_dba == pytest.approx(field.weighted_db().max(), abs=1e-6)


# The walk, the stage, the meter -----------------------------------------------------------


def test_the_walk_holds_row_means_with_the_mains_alone_and_with_all(two):
    alone = seat_field(two.venue, two.settings, sounding=["Mains"])
    every = seat_field(two.venue, two.settings)
    for found, field, which in (
        (two.walk.before_dba, alone, "total"), (two.walk.after_dba, every, "total"),
        (two.walk.heard_before_dba, alone, "useful"), (two.walk.heard_after_dba, every, "useful"),
    ):
        power = rows_of(two, 10 ** (getattr(field, f"{which}_db") / 10))
        np.testing.assert_allclose(found, dba(10 * np.log10(power)), atol=1e-6)
    louder = {name: replace(own, trim_db=own.trim_db + 10) for name, own in two.settings.items()}
    for found, settings, sounding in (
        (two.walk.speech_before, two.settings, ["Mains"]),
        (two.walk.speech_after, two.settings, None), (two.walk.speech_louder, louder, None),
    ):
        index = seat_speech(two.venue, settings, sounding=sounding).index
        np.testing.assert_allclose(found, rows_of(two, index), atol=1e-9)
    assert two.walk.spread_db("after") == pytest.approx(np.ptp(two.walk.after_dba))
    assert two.walk.spread_db("before") == pytest.approx(np.ptp(two.walk.before_dba))


def test_walk_without_fills_is_the_walk_of_the_mains(plan):
    """A fill that would open the early window sooner has no part in 'before'."""
    early = evaluate(plan.venue, {"Fills": OutputSettings(delay_ms=0.0, trim_db=6.0)})
    assert early.walk.heard_before_dba == pytest.approx(plan.walk.heard_before_dba, abs=1e-9)
    assert early.walk.speech_before == pytest.approx(plan.walk.speech_before, abs=1e-9)


def test_gain_before_feedback_is_the_lift_less_what_the_fills_add_at_the_stage(two):
    walk, back, front = two.walk, int(two.walk.x_m.argmax()), int(two.walk.x_m.argmin())
    lift = walk.after_dba[back] - walk.before_dba[back]
    assert two.back_gain_db == pytest.approx(lift)
    mic = [two.venue.stage_microphone_m]
    mains = seat_field(two.venue, two.settings, seats_m=mic, sounding=["Mains"])
    both = seat_field(two.venue, two.settings, seats_m=mic)
    added = both.weighted_db()[0] - mains.weighted_db()[0]
    assert two.gain_before_feedback_db == pytest.approx(lift - added, abs=1e-6)
    # The mains come down by the lift; the front row loses that less what the fills bring there.
    assert two.front_relief_db == pytest.approx(
        lift - (walk.after_dba[front] - walk.before_dba[front]))


def test_readings_are_what_the_empty_room_gives():
    hall = small_hall()
    check = replace(hall.states["check"], air=Air(12.0, 80.0),
                    rt60_s=dict.fromkeys(hall.states["check"].rt60_s, 2.4))
    measured = Measured("Mains", (14.0, 0.0, 1.2), "show", level_dba=80.0)
    hall = replace(hall, states={**hall.states, "check": check}, measured=(measured,))
    plan = plan_fills(hall)
    reading = plan.fills[0].reading
    seats = hall.areas[1].seats_m()
    away = np.min([np.linalg.norm(seats - fill.aim_m, axis=1) for fill in hall.sources[2:]], axis=0)
    assert reading.seat_m == tuple(seats[away.argmin()])
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


def test_the_reading_of_a_fill_that_is_off_is_that_at_trim_0():
    hall = small_hall()
    off = evaluate(hall, {}).fills[0].reading
    on = evaluate(hall, {"Fills": OutputSettings()}).fills[0].reading
    assert off.fill_dba == on.fill_dba


# One fill ---------------------------------------------------------------------------------


def test_the_coldest_air_is_that_of_weather_states_and_plan():
    hall = small_hall()
    cold = replace(hall.states["check"], air=Air(8.0, 60.0))
    hall = replace(hall, states={**hall.states, "check": cold})
    assert evaluate(hall, {}).fills[0].coldest_c == 8.0
    assert evaluate(replace(hall, weather_c=(5.0, 30.0)), {}).fills[0].coldest_c == 5.0
    assert evaluate(hall, {}, air=Air(3.0)).fills[0].coldest_c == 3.0
    assert evaluate(small_hall(), {}, air=Air(25.0)).fills[0].coldest_c == 20.0


def test_a_fill_that_is_early_is_earlier_in_the_cold():
    hall = replace(small_hall(), weather_c=(5.0, 20.0))
    plan = evaluate(hall, {"Fills": OutputSettings(delay_ms=58.0, trim_db=-6.0)})
    fill = plan.fills[0]
    # The worst seat of those within 10 dB, by the gaps of all.
    near = np.abs(plan.checks.level_difference_db) < 10.0
    assert fill.early_ms == pytest.approx(-plan.checks.gap_ms[near & plan.checks.covered].min())
    assert fill.early_ms > 0
    worst = np.flatnonzero(near & plan.checks.covered)[
        plan.checks.gap_ms[near & plan.checks.covered].argmin()]
    seat = plan.checks.point_m[worst]
    main, box = (min(np.linalg.norm(seat - s.position_m) for s in sources)
                 for sources in (hall.sources[:2], hall.sources[2:]))
    speeds = [plan.air.at_temperature(t).speed_m_s for t in (5.0, 20.0)]
    later = 1000 * (main - box) * (1 / speeds[0] - 1 / speeds[1])
    assert fill.early_cold_ms == pytest.approx(fill.early_ms + later, abs=0.02)


def test_what_a_delay_exceeds_rule_and_margin_by_is_its_rounding(plan):
    fill, own = plan.fills[0], plan.settings["Fills"]
    assert fill.rounding_ms == pytest.approx(own.delay_ms - fill.answers.equal_level_ms - 5.0)
    dialled = evaluate(plan.venue, {"Fills": replace(own, delay_ms=own.delay_ms + 12.0)}).fills[0]
    assert dialled.rounding_ms == pytest.approx(fill.rounding_ms + 12.0)
    late = evaluate(with_output(plan.venue, "Fills", latency_ms=200.0), {"Fills": own}).fills[0]
    assert late.rounding_ms == own.delay_ms
    assert late.hold_back_ms == pytest.approx(-late.answers.equal_level_ms - 5.0)
    assert fill.hold_back_ms == 0.0


# Settings as dialled ----------------------------------------------------------------------


def test_evaluate_tells_what_dialled_settings_do(plan):
    dialled = evaluate(plan.venue, {"Fills": OutputSettings(delay_ms=78.0, trim_db=-6.0)})
    assert dialled != plan
    gap = dialled.seats().set_index("seat").gap_ms - plan.seats().set_index("seat").gap_ms
    shift = 78.0 - plan.settings["Fills"].delay_ms
    np.testing.assert_allclose(gap.dropna(), shift, atol=1e-9)
    off = evaluate(plan.venue, {})
    assert not off.fills[0].sounding
    assert len(off.seats()) == 0


def test_polarity_changes_what_a_seat_gets_only_where_both_are_heard(plan):
    turned = evaluate(plan.venue, plan.settings.replaced("Fills", polarity="inverted"))
    assert turned.checks.gap_ms == pytest.approx(plan.checks.gap_ms)
    assert np.abs(turned.checks.level_dba - plan.checks.level_dba).max() > 0.02
    both = evaluate(plan.venue, plan.settings.replaced("Fills", "Mains", polarity="inverted"))
    np.testing.assert_allclose(both.checks.level_dba, plan.checks.level_dba, atol=1e-9)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"Nope": OutputSettings()}, "no output named 'Nope'; there are Mains, Fills"),
        ({"Fills": OutputSettings(delay_ms=-1.0)}, "delay_ms must be between 0 and 20000 ms, got"),
        ({"Fills": OutputSettings(trim_db=40.0)}, "trim_db must be at most 22 dB, the maximum of"),
        ({"Fills": OutputSettings(trim_db=np.nan)}, "trim_db must be between"),
        ({"Fills": OutputSettings(polarity="up")}, "polarity must be one of normal, inverted"),
        ({"Fills": OutputSettings(low_cut_hz=100.0, low_cut_order=3)},
         "low_cut_order must be orders of linkwitz-riley, 2, 4, 8, got 3"),
        ({"Fills": OutputSettings(low_cut_hz=100.0, low_cut_kind="butterworth")},
         "low_cut_kind must be in low_cut_kinds of the output, linkwitz-riley, got 'butterworth'"),
        ({"Fills": OutputSettings(low_cut_hz=100.0, low_cut_order=2)},
         "low_cut_order must be in low_cut_orders of the output, 4, got 2"),
        ({"Fills": OutputSettings(low_cut_hz=-5.0)}, "low_cut_hz must be between 20 and 2000 Hz"),
        ({"Fills": OutputSettings(shelf_db=40.0)}, "shelf_db must be between -12 and 12"),
        ({"Fills": OutputSettings(shelf_hz=np.nan)}, "shelf_hz must be between 500 and 16000"),
        ({"Mains": OutputSettings(trim_db=-np.inf)}, "at least one output of the mains must"),
    ],
)
def test_evaluate_refuses_what_no_device_does(settings, words):
    with pytest.raises(ValueError, match=words):
        evaluate(small_hall(), settings)


@pytest.mark.parametrize("key", ["delay_ms", "trim_db", "low_cut_hz", "shelf_db", "shelf_hz"])
def test_settings_must_be_numbers(key):
    hall = small_hall()
    for examine in (evaluate, seat_field):
        with pytest.raises(TypeError, match=f"^Fills: {key} must be between .*, got '78'"):
            examine(hall, {"Fills": OutputSettings(**{key: "78"})})
    if key != "low_cut_hz":
        with pytest.raises(TypeError, match=f"^Fills: {key} must be between .*, got None"):
            evaluate(hall, {"Fills": OutputSettings(**{key: None})})


@pytest.mark.parametrize(("key", "word"), [("trim_db", "off"), ("low_cut_hz", "none")])
def test_words_of_a_file_are_no_settings(key, word):
    with pytest.raises(TypeError, match=f"^Fills: {key} must be a number of .*, got '{word}'"):
        evaluate(small_hall(), {"Fills": OutputSettings(**{key: word})})


def test_settings_must_be_output_settings():
    with pytest.raises(TypeError, match="Fills: settings must be an OutputSettings, got dict"):
        evaluate(small_hall(), {"Fills": {"delay_ms": 60.0}})
    with pytest.raises(TypeError, match=r"^settings must be OutputSettings by .* got Output"):
        evaluate(small_hall(), OutputSettings(delay_ms=60.0))
