"""The trim curve, recounted on the maps of seats, and what is chosen from it (common practice)."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import THIRDS_HZ, precedence_limit_db, seat_field, seat_speech
from fillalign.levels import weighted_total_db
from fillalign.planning import Bound, plan_fills
from fillalign.planning.need import make_yardstick
from fillalign.planning.trim import trim_curves, trim_grid_db
from fillalign.planning.zones import make_zones
from fillalign.venue import headroom_db, own_level_dba
from tests.small_venue import small_hall


@pytest.fixture(scope="module")
def plan():
    return plan_fills(small_hall())


def at_trim(plan, trim_db):
    return plan.settings.replaced("Fills", trim_db=trim_db)


def curve_at(plan, settings):
    zones = make_zones(plan.venue, plan.air)
    return trim_curves(make_yardstick(zones, settings), settings, ["Fills"], ["Mains"])["Fills"]


def entry(curve, trim_db):
    return int(np.flatnonzero(curve.trim_db == trim_db)[0])


def row_dba(plan, settings, area, which):
    """A-weighted level of the mean power of each row of an area."""
    rows = plan.venue.area(area)
    field = seat_field(plan.venue, settings, seats_m=rows.seats_m())
    power = 10 ** (getattr(field, f"{which}_db") / 10)
    mean = power.reshape(len(rows.rows_x_m), -1, 27).mean(axis=1)
    return weighted_total_db(10 * np.log10(mean), THIRDS_HZ)


@pytest.mark.parametrize("trim_db", [-20.0, -6.0, 0.0, 6.0])
def test_curve_is_the_seat_field_at_each_trim(plan, trim_db):
    """The sweep keeps the early window of the present trim, so each is asked at its own."""
    settings = at_trim(plan, trim_db)
    curve = curve_at(plan, settings)
    here = entry(curve, trim_db)
    level = row_dba(plan, settings, "back", "useful")
    assert curve.back_dba[here] == pytest.approx(level[-1], abs=1e-6)
    profile = plan.walk.profile_dba[plan.walk.area == 1]
    assert curve.served_share[here] == np.mean(level >= profile - 1.0)
    walk = np.concatenate([row_dba(plan, settings, area, "total") for area in ("front", "back")])
    behind = walk[plan.walk.x_m >= plan.reference.x_m]
    rise = max(b - a for number, a in enumerate(behind) for b in behind[number:])
    assert curve.climb_db[here] == pytest.approx(rise, abs=1e-6)


@pytest.mark.parametrize("trim_db", [-40.0, -10.0, -1.0])
def test_speech_on_the_curve_is_speech_at_the_seats(plan, trim_db):
    # Every 3 dB from the lowest trim is computed; between them it is interpolated.
    settings = at_trim(plan, trim_db)
    curve = curve_at(plan, settings)
    here = entry(curve, trim_db)
    front, back = (seat_speech(plan.venue, settings, seats_m=area.seats_m()).index.reshape(
        len(area.rows_x_m), -1).mean(axis=1) for area in plan.venue.areas)
    alone = [seat_speech(plan.venue, settings, seats_m=area.seats_m(), sounding=["Mains"])
             .index.reshape(len(area.rows_x_m), -1).mean(axis=1) for area in plan.venue.areas]
    assert curve.speech_covered[here] == pytest.approx(back.mean(), abs=1e-9)
    assert curve.speech_ahead[here] == pytest.approx(front.mean(), abs=1e-9)
    assert curve.speech_without == pytest.approx(alone[1].mean(), abs=1e-9)
    assert curve.speech_loss[here] == pytest.approx(
        np.quantile(alone[0] - front, 0.9), abs=1e-9)


def test_image_is_kept_where_the_table_allows_it(plan):
    """Share of covered seats within the precedence table, from gaps and levels of the seats."""
    settings = plan.settings.replaced("Fills", delay_ms=50.0)
    curve = curve_at(plan, settings)
    seats = plan.venue.area("back").seats_m()
    field = seat_field(plan.venue, settings.replaced("Fills", trim_db=0.0), seats_m=seats)
    gap = field.arrival_ms[1] - field.arrival_ms[0]
    fill, mains = (weighted_total_db(level, THIRDS_HZ) for level in
                   (field.output_direct_db[1], field.output_direct_db[0]))
    for trim_db in (-20.0, -12.0, -6.0, 0.0):
        over = fill + trim_db - mains
        kept = (over <= precedence_limit_db(gap)) | (over <= -10.0)
        assert curve.precedence_share[entry(curve, trim_db)] == pytest.approx(kept.mean())
    share = curve.precedence_share
    assert share[0] == 1.0
    assert curve.trim_db[np.flatnonzero(share < 0.9)[0] - 1] == curve.precedence_db


def test_needed_is_the_softest_trim_that_serves_nine_rows_in_ten(plan):
    curve = plan.fills[0].trim
    assert curve.needed_db == curve.trim_db[curve.served_share >= 0.9][0]
    assert plan.settings["Fills"].trim_db == curve.needed_db
    assert curve.chosen() == (curve.needed_db, None)


def test_more_trim_costs_speech_ahead_of_the_fill(plan):
    curve = plan.fills[0].trim
    assert curve.speech_ahead[-1] < curve.speech_ahead[0] - 0.1
    np.testing.assert_array_equal(curve.speech_shortfall, 0.0)


def test_what_all_rows_lack_to_the_speech_goal_bounds_the_trim():
    plan = plan_fills(small_hall(sti=0.62))
    curve = plan.fills[0].trim
    here = entry(curve, -1.0)
    lacking = 0.0
    for area in plan.venue.areas:
        index = seat_speech(plan.venue, at_trim(plan, -1.0), seats_m=area.seats_m()).index
        lacking += np.maximum(0.62 - index.reshape(len(area.rows_x_m), -1).mean(axis=1), 0).sum()
    own = curve_at(plan, at_trim(plan, -1.0))
    assert own.speech_shortfall[here] == pytest.approx(lacking, abs=1e-9)
    assert curve.speech_shortfall.max() > 0
    worse = curve.speech_shortfall > curve.speech_shortfall.min() + 0.03
    assert worse[curve.trim_db > curve.harm_db].all()
    assert not worse[curve.trim_db == curve.harm_db]


def test_where_speech_cannot_reach_its_goal_its_best_trim_is_set():
    plan = plan_fills(small_hall(sti=0.95))
    curve, own = plan.fills[0].trim, plan.settings["Fills"]
    assert curve.needed_db is None
    assert curve.chosen() == (own.trim_db, Bound.ROOM)
    assert own.trim_db >= curve.sound_needed_db
    inside = (curve.trim_db >= curve.sound_needed_db) & (
        curve.trim_db <= min(curve.bounds().values()))
    best = curve.speech_covered[inside].max()
    assert curve.speech_covered[entry(curve, own.trim_db)] == pytest.approx(best, abs=1e-3)


@pytest.mark.parametrize(("bound", "field"), [
    (Bound.PRECEDENCE, "precedence_db"), (Bound.WALK, "walk_db"), (Bound.HARM, "harm_db"),
    (Bound.MAXIMUM, "maximum_db")])
def test_the_lowest_bound_is_the_one_that_is_named(plan, bound, field):
    high = dict.fromkeys(("precedence_db", "walk_db", "harm_db", "maximum_db"), 20.0)
    curve = replace(plan.fills[0].trim, needed_db=5.0, sound_needed_db=5.0, **{**high, field: 4.5})
    assert curve.bounds()[bound] == 4.5
    assert curve.chosen() == (4.5, bound)
    assert replace(curve, **{field: 5.0}).chosen() == (5.0, None)


def test_a_bound_that_leaves_nothing_is_the_lowest_trim(plan):
    curve = replace(plan.fills[0].trim, precedence_db=None)
    assert curve.chosen() == (-40.0, Bound.PRECEDENCE)


def test_fills_that_move_together_share_all_but_image_and_headroom(plan):
    hall = plan.venue
    weak = replace(hall.loudspeakers["fill box"], name="weak box", maximum_dba=100.0)
    second = replace(hall.outputs["Fills"], name="Second", latency_ms=20.0)
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "weak box": weak},
                   outputs={**hall.outputs, "Second": second},
                   sources=(*hall.sources[:3],
                            replace(hall.sources[3], output="Second", loudspeaker="weak box")))
    zones = make_zones(hall, None)
    settings = plan_fills(hall).settings
    curves = trim_curves(make_yardstick(zones, settings), settings, ["Fills", "Second"],
                         ["Mains"])
    one, other = curves["Fills"], curves["Second"]
    assert (one.maximum_db, other.maximum_db) == (22.0, 8.0)
    assert (one.trim_db[-1], other.trim_db[-1]) == (34.0, 20.0)
    both = slice(None, len(other.trim_db))
    np.testing.assert_allclose(one.served_share[both], other.served_share)
    np.testing.assert_allclose(one.back_dba[both], other.back_dba)
    assert (one.precedence_share[both] != other.precedence_share).any()


def test_a_shelf_takes_its_gain_from_the_headroom(plan):
    lifted = plan.settings.replaced("Fills", shelf_db=3.0)
    assert curve_at(plan, lifted).maximum_db == 19.0
    cut = plan.settings.replaced("Fills", shelf_db=-3.0)
    assert curve_at(plan, cut).maximum_db == 22.0


def test_grid_goes_beyond_the_headroom_in_half_decibels():
    grid = trim_grid_db(5.3)
    assert grid[0] == -40.0
    assert grid[-1] == 17.0
    np.testing.assert_allclose(np.diff(grid), 0.5)
    assert trim_grid_db(-60.0)[-1] == -48.0


def test_headroom_is_that_of_the_weakest_box():
    hall = small_hall()
    weak = replace(hall.loudspeakers["fill box"], name="weak box", maximum_dba=100.0)
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "weak box": weak})
    assert headroom_db(hall, "Fills") == 22.0
    mixed = (*hall.sources[:3], replace(hall.sources[3], loudspeaker="weak box"))
    assert headroom_db(replace(hall, sources=mixed), "Fills") == 8.0
    by_octave = replace(weak, level_dba=None, level_by_octave_db={1000: 90.0})
    # One octave of pink noise at 1 kHz: A-weighting of its thirds is -0.8, 0 and +0.6 dB
    # (IEC 61672-1, Table 3).
    weight = 10 * np.log10(np.mean(10 ** (np.array([-0.8, 0.0, 0.6]) / 10)))
    assert own_level_dba(by_octave) == pytest.approx(90 + weight, abs=0.03)
