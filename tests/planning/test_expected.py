"""What a take should say, against distances by hand and the plan's own table of seats."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fillalign import Air, OutputSettings
from fillalign.audio import GapReading, measured_levels
from fillalign.field import Settings, seat_field
from fillalign.planning import (
    aim_seat_m,
    common_correction_ms,
    expected_reading,
    resting_levels_db,
)
from tests.demo_plans import demo_plan
from tests.small_venue import small_hall, with_output

SEAT = (30.0, -4.0, 1.2)


def by_hand(venue, seat, delay_ms, speed_m_s, main="Main -6.5", fill="Fill -6.5"):
    """Return the gap of two boxes: two ways over the speed of sound, delay and latencies."""
    ways = [np.linalg.norm(np.subtract(venue.source(name).position_m, seat))
            for name in (main, fill)]
    latency = venue.outputs["Fills"].latency_ms - venue.outputs["Mains"].latency_ms
    return 1000 * (ways[1] - ways[0]) / speed_m_s + delay_ms + latency


def test_the_gap_is_the_difference_of_two_ways():
    """343.99 m/s at 20 C and 45 %: Cramer 1993, as in the tests of the air, to 0.1 m/s."""
    hall = small_hall()
    expected = expected_reading(hall, {"Fills": OutputSettings(delay_ms=64.0)}, "Fills", SEAT)
    assert expected.gap_ms == pytest.approx(by_hand(hall, SEAT, 64.0, 343.99), abs=0.02)
    assert expected.reference == "Main -6.5"
    assert expected.seat_m == SEAT


def test_the_air_of_the_empty_venue_counts_and_can_be_given():
    hall = small_hall()
    check = replace(hall.states["check"], air=Air(8.0, 60.0))
    cold = replace(hall, states={**hall.states, "check": check})
    settings = {"Fills": OutputSettings(delay_ms=64.0)}
    there = expected_reading(cold, settings, "Fills", SEAT)
    # 336.5 m/s at 8 C and 60 %: Cramer 1993 to 0.1 m/s.
    assert there.gap_ms == pytest.approx(by_hand(hall, SEAT, 64.0, 336.5), abs=0.03)
    assert expected_reading(cold, settings, "Fills", SEAT, state="show").gap_ms == pytest.approx(
        expected_reading(hall, settings, "Fills", SEAT).gap_ms)
    given = expected_reading(hall, settings, "Fills", SEAT, air=Air(8.0, 60.0))
    assert given.gap_ms == pytest.approx(there.gap_ms)


def test_it_is_what_the_plan_says_of_that_seat():
    """The same law as `FillPlan.seats`, in the same air."""
    plan = demo_plan("tidewell_hall")
    seats = plan.seats([[31.0, 3.0, 1.2]]).set_index("fill")
    expected = expected_reading(plan.venue, plan.settings, "Fill inner", (31.0, 3.0, 1.2),
                                state="show", air=plan.air)
    assert expected.gap_ms == pytest.approx(seats.gap_ms["Fill inner"], abs=1e-9)
    assert expected.reference == seats.reference["Fill inner"]
    assert aim_seat_m(plan.venue, "Fill inner") == plan.fill("Fill inner").reading.seat_m


def test_the_level_is_one_box_over_one_box():
    """6 dB a doubling of distance (ISO 9613-2, 7.1), 2 dB between the kinds, trim and shelf."""
    hall = small_hall()
    seat = (28.0, -4.2, 1.2)
    level = expected_reading(hall, {}, "Fills", seat).level_difference_db
    ways = [np.linalg.norm(np.subtract(hall.source(name).position_m, seat))
            for name in ("Main -6.5", "Fill -6.5")]
    # Both boxes look elsewhere: their coverage takes up to 3 dB of either.
    assert level == pytest.approx(20 * np.log10(ways[0] / ways[1]) - 2.0, abs=3.0)
    trimmed = expected_reading(hall, {"Fills": OutputSettings(trim_db=-7.0)}, "Fills", seat)
    assert trimmed.level_difference_db == pytest.approx(level - 7.0, abs=1e-9)
    mains = expected_reading(hall, {"Mains": OutputSettings(trim_db=-2.0)}, "Fills", seat)
    assert mains.level_difference_db == pytest.approx(level + 2.0, abs=1e-9)
    shelved = expected_reading(
        hall, {"Fills": OutputSettings(shelf_db=6.0, shelf_hz=500.0)}, "Fills", seat)
    assert shelved.level_difference_db == pytest.approx(level + 6.0, abs=1.0)


def test_the_shadow_of_the_seats_counts_for_a_take_among_them():
    plan = demo_plan("tidewell_hall")
    levels = [expected_reading(plan.venue, plan.settings, "Fill inner", (x, 3.0, 1.2))
              .level_difference_db for x in (33.0, 34.0)]
    # Under the balcony the mains lose up to 2 dB from 1 kHz on, by the file.
    assert levels[1] - levels[0] > 0.5


@pytest.mark.parametrize("side", [-1, 1])
def test_the_first_of_all_mains_that_play_counts_whatever_their_feed(side):
    """A take hears every main; the plan times a fill to those of its own feed."""
    plan = demo_plan("cinder_meadow")
    seat = (104.0, side * 32.0, 1.65)
    arrays = [source for source in plan.venue.of_role("main")]
    ways = {array.output: np.linalg.norm(np.subtract(array.position_m, seat)) for array in arrays}
    far, near = sorted(ways, key=ways.get, reverse=True)
    both, alone = (expected_reading(plan.venue, plan.settings, "Ring 2 R", seat, mains=mains)
                   for mains in (None, [far]))
    speed = plan.venue.states["check"].air.speed_m_s
    # Arrays are 10 elements high: their ways differ by less than the 3 ms left here.
    assert both.gap_ms - alone.gap_ms == pytest.approx(1000 * (ways[far] - ways[near]) / speed,
                                                       abs=3.0)
    assert plan.venue.source(both.reference).output == near
    assert plan.venue.source(alone.reference).output == far


@pytest.mark.parametrize(("what", "level_dba"), [("Fill", 72.0), ("Main", 78.0)])
def test_a_softer_box_that_comes_first_makes_a_seat_unclear(what, level_dba):
    """By hand: the near box, some 15 dB softer at the seat than the far one, comes first."""
    hall, kind = small_hall(), f"{what.lower()} box"
    box = replace(hall.loudspeakers[kind], name="soft", level_dba=level_dba)
    soft = replace(hall, loudspeakers={**hall.loudspeakers, "soft": box}, sources=tuple(
        replace(one, loudspeaker="soft") if one.name == f"{what} -6.5" else one
        for one in hall.sources))
    seat = (32.0, -4.0, 1.2)
    assert expected_reading(hall, {}, "Fills", seat).unclear_ms == 0.0
    ways = [np.linalg.norm(np.subtract(hall.source(f"{what} {side}").position_m, seat))
            for side in ("-6.5", "+6.5")]
    unclear = expected_reading(soft, {}, "Fills", seat).unclear_ms
    assert unclear == pytest.approx(1000 * (ways[1] - ways[0]) / 343.99, abs=0.05)


def test_subs_are_no_mains_to_a_take():
    plan = demo_plan("cinder_meadow")
    for seat in ((120.0, 16.0, 1.65), (60.0, 0.0, 1.65)):
        expected = expected_reading(plan.venue, plan.settings, "Ring 2 R", seat)
        assert plan.venue.source(expected.reference).role == "main"


@pytest.mark.parametrize(("settings", "output", "seat", "match"), [
    ({"Fills": OutputSettings(trim_db=-np.inf)}, "Fills", SEAT, "is off in these settings"),
    ({}, "Fill", SEAT, "no output named 'Fill'"),
    ({"Mains": OutputSettings(trim_db=-np.inf)}, "Fills", SEAT, "nothing sounds on Mains"),
    ({}, "Fills", (1.0, 2.0), "seat_m must"),
    ({}, "Fills", [SEAT, SEAT], "seat_m must be one point"),
])
def test_what_cannot_be_expected_is_refused(settings, output, seat, match):
    with pytest.raises(ValueError, match=match):
        expected_reading(small_hall(), settings, output, seat)


@pytest.mark.parametrize(("rule", "wanted"), [
    # By hand: weights 1 at 0 dB, 5/7 at -5 dB, 0 at -11 dB.
    ("equal-level", (-2.0 - 4.0 * 5 / 7) / (1 + 5 / 7)),
    ("box-to-box", -1.0), ("never-early", 3.0),
])
def test_one_correction_follows_the_rule_of_the_venue(rule, wanted):
    hall = with_output(small_hall(), "Fills", delay_rule=rule)
    found = common_correction_ms(hall, "Fills", [-2.0, -4.0, 3.0], [0.0, -5.0, -11.0])
    assert found == pytest.approx(wanted)


def test_a_correction_needs_a_level_for_each_seat():
    with pytest.raises(ValueError, match="one number a seat"):
        common_correction_ms(small_hall(), "Fills", [1.0, 2.0], [0.0])


def test_levels_come_back_to_trim_0_without_filters():
    """What `seat_field` predicts as set comes back as what it predicts at rest."""
    hall, seat = small_hall(), [SEAT]
    own = OutputSettings(trim_db=-6.5, low_cut_hz=120.0, shelf_db=3.0, shelf_hz=3000.0)
    octaves = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
    as_set, rest = (
        dict(zip(octaves, seat_field(hall, settings, state="check", seats_m=seat,
                                     sounding=["Fills"]).octaves_db()[0], strict=True))
        for settings in ({"Fills": own}, Settings(hall)))
    back = resting_levels_db(as_set, own)
    # A Linkwitz-Riley low cut of fourth order leaves (63/120)^4 of it: -23 dB.
    assert set(octaves) - back.keys() == {63}
    for octave, level in back.items():
        assert level == pytest.approx(rest[octave], abs=0.5 if octave > 125 else 1.5), octave


def test_levels_of_what_is_off_are_refused():
    with pytest.raises(ValueError, match="trim_db must be"):
        resting_levels_db({1000: 60.0}, OutputSettings(trim_db=-np.inf))
    reading = GapReading(mains_db={1000: -20.0}, fill_db={1000: np.nan})
    with pytest.raises(ValueError, match="levels_db must be"):
        resting_levels_db(measured_levels(reading, 70.0)[1], OutputSettings())
