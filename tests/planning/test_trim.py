"""What trims do, recounted on the maps of seats, and which is taken (common practice)."""

from copy import copy
from dataclasses import replace

import numpy as np
import pytest

from fillalign import (
    THIRDS_HZ,
    OutputSettings,
    evaluate,
    precedence_limit_db,
    seat_field,
    seat_speech,
)
from fillalign.field import Settings
from fillalign.levels import weighted_total_db
from fillalign.planning import Bound
from fillalign.planning.need import RowCheck, make_yardstick
from fillalign.planning.trim import Judged, Tier, _last, trim_curves, trim_grid_db
from fillalign.planning.zones import make_zones
from fillalign.sheet.content import sheet_content
from fillalign.venue import headroom_db
from tests.small_venue import small_hall, small_plan

STEP = 0.03


@pytest.fixture(scope="module")
def plan():
    return small_plan(sti=0.55)


def at_trim(plan, trim_db):
    return plan.settings.replaced("Fills", trim_db=trim_db)


def curve_at(plan, settings):
    zones = make_zones(plan.venue, plan.air)
    return trim_curves(make_yardstick(zones, settings), settings, ["Fills"], ["Mains"])["Fills"]


def row_means(plan, values):
    """Means over the rows, front and back."""
    counts = [len(area.seats_m()) for area in plan.venue.areas]
    rows = [len(area.rows_x_m) for area in plan.venue.areas]
    parts = np.split(values, np.cumsum(counts)[:-1])
    return [part.reshape(count, -1, *part.shape[1:]).mean(axis=1)
            for part, count in zip(parts, rows, strict=True)]


def row_dba(plan, settings, which, sounding=None):
    """A-weighted level of the mean power of each row, front and back."""
    field = seat_field(plan.venue, settings, sounding=sounding)
    return [weighted_total_db(10 * np.log10(mean), THIRDS_HZ)
            for mean in row_means(plan, 10 ** (getattr(field, f"{which}_db") / 10))]


def row_index(plan, settings, sounding=None):
    return row_means(plan, seat_speech(plan.venue, settings, sounding=sounding).index)


def missing(plan, settings, sounding=None):
    """Return the steps that each row lacks, front and back; highs are lost nowhere here."""
    found, profile = [], [plan.walk.profile_dba[plan.walk.area == area] for area in (0, 1)]
    for want, level, index in zip(profile, row_dba(plan, settings, "useful", sounding),
                                  row_index(plan, settings, sounding), strict=True):
        found.append(np.maximum(want - level - 1.0, 0) + np.maximum(0.55 - index, 0) / STEP)
    return found


@pytest.mark.parametrize("trim_db", [-22.0, -7.0, -1.0, 5.0])
def test_curve_is_the_seat_field_at_each_trim(plan, trim_db):
    """The sweep keeps the early window of the present trim, so each is asked at its own.

    Speech is computed at every 3 dB from -40 dB and interpolated between.
    """
    settings = at_trim(plan, trim_db)
    curve = curve_at(plan, settings)
    here = curve.at(trim_db)
    assert curve.trim_db[here] == trim_db
    level, index = row_dba(plan, settings, "useful"), row_index(plan, settings)
    lacks, alone = missing(plan, settings), missing(plan, settings, ["Mains"])
    assert curve.back_dba[here] == pytest.approx(level[1][-1], abs=1e-4)
    assert curve.missing[here] == pytest.approx(lacks[1].mean(), abs=1e-3)
    assert curve.missing_without == pytest.approx(alone[1].mean(), abs=1e-4)
    assert curve.served_share[here] == np.mean(lacks[1] <= 0.0)
    worse = np.maximum(lacks[0] - alone[0], 0.0).sum() / len(lacks[1])
    assert curve.elsewhere[here] == pytest.approx(worse, abs=1e-3)
    assert curve.speech_covered[here] == pytest.approx(index[1].mean(), abs=1e-5)
    assert curve.speech_ahead[here] == pytest.approx(index[0].mean(), abs=1e-5)
    without = row_index(plan, settings, ["Mains"])
    assert curve.speech_without == pytest.approx(without[1].mean(), abs=1e-5)
    lost = np.minimum(without[0], 0.55) - index[0]
    assert curve.harm[here] == pytest.approx(np.quantile(lost, 0.9), abs=1e-5)


@pytest.mark.parametrize(("trim_db", "reference_m"), [
    (-22.0, 4.0), (-1.0, 4.0), (10.0, 4.0), (-1.0, 30.0),
])
def test_overshoot_counts_what_the_fill_adds_behind_the_reference(trim_db, reference_m):
    """Total over the larger of what it was without the fill and the reference reading.

    The mains pass over the first row: with the reference there, rows behind it are louder. With
    the reference deep in the room the fill adds most ahead of it, which does not count.
    """
    plan = small_plan(reference_rows_m=(reference_m, reference_m))
    curve, settings = curve_at(plan, at_trim(plan, trim_db)), at_trim(plan, trim_db)
    total, alone = (np.concatenate(row_dba(plan, settings, "total", names))
                    for names in (None, ["Mains"]))
    behind = plan.walk.x_m >= plan.reference.x_m
    over = total - np.maximum(alone, plan.reference.meter_dba)
    assert (alone[behind] > plan.reference.meter_dba + 0.5).sum() >= 2 or over[~behind].max() > 4.4
    assert curve.overshoot_db[curve.at(trim_db)] == pytest.approx(over[behind].max(), abs=1e-4)


def test_a_climb_that_was_there_before_bounds_nothing(plan):
    """Rows behind a shadow are climbed to with the mains alone: the fill adds no overshoot."""
    hall = small_hall()
    dark = replace(hall.areas[1], x_to_m=28.0, shadowed_from=("mains",), shadow_loss_db=dict(
        zip((63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000), [12.0] * 9, strict=True)))
    bright = replace(hall.areas[1], name="bright", x_from_m=30.0)
    hall = replace(hall, areas=(hall.areas[0], dark, bright))
    zones = make_zones(hall, None)
    settings = plan.settings.replaced("Fills", trim_db=-12.0)
    curve = trim_curves(make_yardstick(zones, settings), settings, ["Fills"], ["Mains"])["Fills"]
    assert curve.bounds[Bound.OVERSHOOT] > -6.0


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
        assert curve.precedence_share[curve.at(trim_db)] == pytest.approx(kept.mean())
    share = curve.precedence_share
    assert share[0] == 1.0
    assert curve.trim_db[np.flatnonzero(share < 0.9)[0] - 1] == curve.bounds[Bound.PRECEDENCE]


def test_needed_is_the_softest_trim_that_serves_nine_rows_in_ten():
    curve = small_plan().fills[0].trim
    assert curve.needed_db == curve.trim_db[curve.served_share >= 0.9][0]


def test_a_bound_lies_before_the_first_trim_that_breaks_it_whatever_comes_after():
    trims = np.array([-2.0, -1.5, -1.0, -0.5])
    kept = [True, True, False, True], [False, True, True, True], [True] * 4
    assert [_last(trims, np.array(one)) for one in kept] == [-1.5, -2.0, -0.5]


# Which trim is taken ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def tier(plan):
    """Return the fills of the hall as a tier: nine rows ahead and seven of their own."""
    settings = plan.settings
    return Tier(make_yardstick(make_zones(plan.venue, None), settings), settings, ["Fills"],
                ["Mains"])


def judged(own_missing, *, index=1.0, elsewhere=0.0, **fields):
    """Return judgements of as many trims as `own_missing` has lists, one figure a row."""
    own = np.atleast_2d(own_missing)
    count = len(own)
    lacks = np.hstack([np.zeros((count, 9)), own])
    zero = np.zeros_like(lacks)
    given = {
        "dialled_db": np.arange(count)[None] * 0.5, "elsewhere": np.broadcast_to(elsewhere, count),
        "overshoot_db": np.zeros(count), "harm": np.zeros(count),
        "image_share": np.ones((1, count)), "maximum_db": np.array([99.0]),
        "check": RowCheck(zero, zero, np.broadcast_to(np.reshape(index, (-1, 1)), lacks.shape),
                          lacks, zero),
    }
    return Judged(**{**given, **fields})


def rows(*served):
    """Seven rows of its own for each trim, so many of them served and the others a step short."""
    return [[0.0] * count + [1.0] * (7 - count) for count in served]


def test_the_softest_that_serves_nine_rows_in_ten_is_taken(tier):
    assert tier.choose(judged(rows(5, 6, 7, 7))) == 2


def test_a_trim_that_costs_others_a_tenth_of_a_step_a_row_serves_no_more(tier):
    # 0.1 within rounding is allowed; beyond it the least of own lack and cost is taken.
    assert tier.choose(judged(rows(5, 7, 7), elsewhere=[0.0, 0.1, 0.0])) == 1
    assert tier.choose(judged(rows(5, 7, 7), elsewhere=[0.0, 0.3, 0.0])) == 2
    assert tier.choose(judged(rows(6, 7), elsewhere=[0.0, 0.5])) == 0


def test_where_none_serves_the_least_missing_is_taken_the_softest_of_equals(tier):
    lacks = [[2.0] * 7, [1.0] * 7, [0.55] * 7, [0.5] * 7, [0.5] * 7]
    assert tier.choose(judged(lacks)) == 2
    assert tier.choose(judged(lacks, elsewhere=[0.0, 0.0, 0.4, 0.2, 0.0])) == 4


@pytest.mark.parametrize(("bound", "fields"), [
    (Bound.MAXIMUM, {"maximum_db": np.array([0.5])}),
    (Bound.PRECEDENCE, {"image_share": np.array([[1.0, 0.9, 0.89, 0.5]])}),
    (Bound.OVERSHOOT, {"overshoot_db": np.array([-4.0, 2.0, 2.01, 9.0])}),
    (Bound.HARM, {"harm": np.array([0.0, 0.03, 0.031, 0.2])})])
def test_no_bound_is_passed(tier, bound, fields):
    case = judged(rows(3, 5, 7, 7), **fields)
    assert case.within()[bound].tolist() == [True, True, False, False]
    assert tier.choose(case) == 1


def test_every_output_of_a_tier_keeps_the_image_and_its_maximum():
    case = judged(rows(5, 7), image_share=np.array([[1.0, 0.95], [1.0, 0.6]]),
                  dialled_db=np.array([[0.0, 0.5], [0.0, 0.5]]), maximum_db=np.array([9.0, 9.0]))
    assert case.within()[Bound.PRECEDENCE].tolist() == [True, False]
    weak = replace(case, maximum_db=np.array([9.0, 0.0]))
    assert weak.within()[Bound.MAXIMUM].tolist() == [True, False]


def test_where_every_trim_passes_a_bound_none_is_taken(tier):
    assert tier.choose(judged(rows(7, 7), harm=np.array([0.1, 0.1]))) is None


def test_words_are_the_speech_index_where_none_meets_the_goal(tier):
    """Within 0.02 step a row of the least speech lack, then the least that is missing."""
    lacks = [[1.0] * 7, [2.0] * 7, [3.0] * 7]
    # The goal is 0.55: the loudest is clearest by far, however far its level is off.
    assert tier.choose(judged(lacks, index=[0.40, 0.45, 0.50])) == 2
    # Two that are as clear to 0.02 step a row: the better level is taken.
    assert tier.choose(judged(lacks, index=[0.40, 0.4999, 0.50])) == 1
    # Where one meets the goal, what is missing decides alone.
    assert tier.choose(judged([[1.0] * 7, [0.4] * 7, [3.0] * 7], index=[0.50, 0.50, 0.56])) == 1


def test_words_count_where_no_later_fill_brings_them(tier):
    """Of two that serve none, the one clearer for the rows that no later fill covers."""
    tier = copy(tier)
    tier.not_later = np.arange(16) < 13
    case = judged([[2.0] * 7, [2.0] * 7])
    index = np.array([[0.50] * 13 + [0.30] * 3, [0.45] * 13 + [0.54] * 3])
    assert tier.choose(replace(case, check=replace(case.check, index=index))) == 0
    assert tier.choose(replace(case, check=replace(case.check, index=index[::-1]))) == 1


def test_what_is_worth_hanging_is_not_talked_off(plan, tier):
    """Not by a softer equal, nor by a speech index that nobody gets from the fill."""
    lacks = missing(plan, plan.settings, ["Mains"])[1].mean()
    worth = lacks - 0.25 - 0.04
    assert tier.choose(judged([[worth + 0.08] * 7, [worth] * 7], index=[0.50, 0.50])) == 1
    assert tier.choose(judged([[lacks] * 7, [worth] * 7], index=[0.50, 0.45])) == 1
    assert tier.choose(judged([[lacks] * 7, [lacks - 0.1] * 7], index=[0.50, 0.45])) == 0


def test_a_fill_is_worth_a_quarter_of_a_step_for_each_row_that_lacks(plan, tier):
    lacks = missing(plan, plan.settings, ["Mains"])[1]
    assert (lacks > 0.0).all()
    most = lacks.mean() - 0.25
    assert tier.worth_it(most - 1e-3, 0.0)
    assert not tier.worth_it(most + 1e-3, 0.0)
    assert not tier.worth_it(most - 0.05, 0.1)


def test_rows_that_the_mains_do_not_serve_are_released_from_the_image(plan):
    """In a shadow of the mains and short, more than 6 dB below the profile, or below the goal."""
    hall = small_hall(outdoors=True)

    def released(hall, **goals):
        hall = hall.with_goals(**goals)
        yardstick = make_yardstick(make_zones(hall, None), plan.settings)
        return Tier(yardstick, plan.settings, ["Fills"], ["Mains"]).released.tolist()

    own = [False] * 9 + [True] * 7
    assert released(hall) == [False] * 16
    assert released(hall, sti=0.999) == own
    short = hall.with_goals(allowed_fall_db=0.0)
    alone = make_yardstick(make_zones(short, None), plan.settings).alone.shortfall_db
    assert released(short) == [bool(far) for far in (alone > 6.0) & own]
    loss = dict.fromkeys((63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000), 3.0)
    dark = replace(hall.areas[1], shadowed_from=("mains",), shadow_loss_db=loss)
    assert released(replace(hall, areas=(hall.areas[0], dark))) == own
    half = replace(dark, shadowed_from=("Main -6.5",))
    assert released(replace(hall, areas=(hall.areas[0], half))) == [False] * 16


def test_each_candidate_is_judged_at_its_own_delay(plan):
    """Together as alone, in whatever order; and a delay makes a difference."""
    settings = [plan.settings.replaced("Fills", trim_db=trim, delay_ms=delay)
                for trim, delay in ((-3.0, 70.0), (-9.0, 150.0), (-3.0, 150.0), (-6.0, 70.0))]
    tier = Tier(make_yardstick(make_zones(plan.venue, plan.air), plan.settings), settings[0],
                ["Fills"], ["Mains"])
    share = np.ones((1, 4))
    together = tier.judge(settings, share)
    for place, one in enumerate(settings):
        alone = tier.judge([one], share[:, :1])
        assert together.check.total_dba[place] == pytest.approx(alone.check.total_dba[0])
        assert together.check.index[place] == pytest.approx(alone.check.index[0], abs=1e-9)
        assert together.dialled_db[0, place] == one["Fills"].trim_db
    for told in (together.check.shortfall_db / 10, together.check.index):
        assert np.abs(told[0] - told[2]).max() > 0.01


# Boxes ------------------------------------------------------------------------------------


def test_fills_that_move_together_share_all_but_image_and_headroom(plan):
    hall = plan.venue
    weak = replace(hall.loudspeakers["fill box"], name="weak box", maximum_dba=100.0)
    second = replace(hall.outputs["Fills"], name="Second", latency_ms=20.0)
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "weak box": weak},
                   outputs={**hall.outputs, "Second": second},
                   sources=(*hall.sources[:3],
                            replace(hall.sources[3], output="Second", loudspeaker="weak box")))
    zones = make_zones(hall, None)
    settings = Settings(hall).replaced("Fills", "Second", delay_ms=66.0, trim_db=-9.0)
    curves = trim_curves(make_yardstick(zones, settings), settings, ["Fills", "Second"],
                         ["Mains"])
    assert [*curves] == ["Fills", "Second"]
    one, other = curves["Fills"], curves["Second"]
    assert (one.bounds[Bound.MAXIMUM], other.bounds[Bound.MAXIMUM]) == (22.0, 8.0)
    assert (one.trim_db[-1], other.trim_db[-1]) == (34.0, 34.0)
    np.testing.assert_array_equal(one.served_share, other.served_share)
    np.testing.assert_array_equal(one.back_dba, other.back_dba)
    assert (one.precedence_share != other.precedence_share).any()


def test_a_shelf_takes_its_gain_from_the_headroom(plan):
    lifted = plan.settings.replaced("Fills", shelf_db=3.0)
    assert curve_at(plan, lifted).bounds[Bound.MAXIMUM] == 19.0
    cut = plan.settings.replaced("Fills", shelf_db=-3.0)
    assert curve_at(plan, cut).bounds[Bound.MAXIMUM] == 22.0


def test_headroom_is_less_by_a_shelf_that_lifts_wherever_it_is_told():
    """Trim and lift add up at the top of the box: sheet, figures and bound tell the same."""
    hall = small_hall()
    dialled = OutputSettings(delay_ms=62.0, trim_db=-4.0, shelf_db=5.0)
    plan = evaluate(hall, {"Fills": dialled})
    left = 114.0 - 92.0 - 5.0 + 4.0
    assert plan.figures()["Fills: headroom_db"] == left
    own = next(one for one in sheet_content(plan).outputs if one["output"] == "Fills")
    assert own["headroom_db"] == left
    assert plan.fills[0].trim.bounds[Bound.MAXIMUM] == left - 4.0
    cut = evaluate(hall, {"Fills": replace(dialled, shelf_db=-5.0)})
    assert cut.figures()["Fills: headroom_db"] == left + 5.0
    assert not any("more than its boxes give" in line for line in plan.unmet)
    over = evaluate(hall, {"Fills": replace(dialled, trim_db=19.0)})
    assert any("ask for 2.0 dB more than its boxes give" in line for line in over.unmet)


def test_grid_goes_beyond_the_headroom_in_half_decibels():
    grid = trim_grid_db(5.3)
    assert grid[0] == -40.0
    assert grid[-1] == 17.0
    np.testing.assert_allclose(np.diff(grid), 0.5)
    assert trim_grid_db(-60.0)[-1] == -48.0
    assert trim_grid_db(5.0, beyond_db=0.0)[-1] == 5.0


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
    loud = replace(hall, loudspeakers={**hall.loudspeakers, "weak box": by_octave},
                   sources=mixed)
    assert headroom_db(loud, "Fills") == pytest.approx(100 - 90 - weight, abs=0.03)


def test_the_cheapest_trim_keeps_every_bound_and_counts_what_others_lose():
    curve = next(fill.trim for fill in small_plan().fills)
    better = np.linspace(5.0, 0.0, curve.trim_db.size)
    free = replace(curve, missing=better, elsewhere=np.zeros_like(better),
                   bounds={Bound.HARM: -11.0, Bound.PRECEDENCE: 3.0})
    assert free.trim_db[free.cheapest()] == -11.0
    assert replace(free, elsewhere=8.0 - 2.0 * better).cheapest() == 0
