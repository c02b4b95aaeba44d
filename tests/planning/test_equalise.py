"""Low cuts and shelves: the choice by its definition (common practice), from the seat field."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from fillalign import THIRDS_HZ, Measured, OutputSettings, plan_fills, seat_field
from fillalign.absorption import THIRDS_NOMINAL, band_edges_hz
from fillalign.field import Settings
from fillalign.filters import shelf_response
from fillalign.planning import Bound, low_cuts
from fillalign.planning.equalise import (
    LOW_CUTS_HZ,
    choose_low_cut,
    choose_shelf,
    free_of_low_cut,
    low_cut_kinds,
    try_low_cuts,
)
from fillalign.planning.need import make_yardstick
from fillalign.planning.zones import make_zones
from fillalign.venue import headroom_db
from tests.small_venue import small_hall, small_plan, with_output

COUNTS = THIRDS_HZ > 60.0


def mean_total(venue, settings, seats, sounding):
    """Mean power over some seats of everything that a meter shows, by third octave."""
    field = seat_field(venue, settings, seats_m=seats, sounding=sounding)
    return (10 ** (field.total_db / 10)).mean(axis=0)


@pytest.fixture(scope="module")
def all_kinds():
    """Return the hall whose fills offer five kinds of low cut, and its plan."""
    hall = with_output(small_hall(), "Fills", low_cut_orders=(1, 2, 4),
                       low_cut_kinds=("butterworth", "linkwitz-riley"))
    return hall, plan_fills(hall).settings


@pytest.mark.parametrize("limit_hz", [60.0, 130.0, 260.0])
@pytest.mark.parametrize("shift_db", [-12.0, 0.0, 12.0])
def test_low_cut_is_the_highest_then_the_steepest_within_1_db(all_kinds, limit_hz, shift_db):
    hall, settings = all_kinds
    box = replace(hall.loudspeakers["fill box"], low_limit_hz=limit_hz)
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "fill box": box})
    # However loud the fill, and whatever cut is on it now.
    settings = settings.replaced("Fills", trim_db=settings["Fills"].trim_db + shift_db,
                                 low_cut_hz=100.0)
    zones = make_zones(hall, None)
    every = product(LOW_CUTS_HZ, low_cut_kinds(hall, ["Fills"]))
    tries = [*try_low_cuts(zones, settings, ["Fills"], ["Mains"], every)]
    assert len(tries) == 5 * len(LOW_CUTS_HZ)
    fit = [cut for cut in tries if cut.loss_db <= 1.0 and cut.corner_hz >= limit_hz]
    best = max(fit, key=lambda cut: (cut.corner_hz, cut.order), default=None)
    assert choose_low_cut(zones, settings, ["Fills"], ["Mains"]) == best


def test_a_planned_low_cut_costs_at_most_1_db_and_the_next_costs_more():
    plan = small_plan()
    own = plan.settings["Fills"]
    tries = {cut.corner_hz: cut.loss_db for cut in low_cuts(plan, "Fills")}
    assert tries[own.low_cut_hz] <= 1.0
    assert all(loss > 1.0 for corner, loss in tries.items() if corner > own.low_cut_hz)


def test_low_cuts_of_a_plan_are_those_of_every_kind_on_offer(all_kinds):
    hall, settings = all_kinds
    cuts = low_cuts(plan_fills(hall), "Fills")
    assert {(cut.kind, cut.order) for cut in cuts} == {
        ("butterworth", 1), ("butterworth", 2), ("butterworth", 4), ("linkwitz-riley", 2),
        ("linkwitz-riley", 4)}
    own = settings["Fills"]
    best = max((c for c in cuts if c.loss_db <= 1.0), key=lambda c: (c.corner_hz, c.order))
    assert (own.low_cut_hz, own.low_cut_order) == (best.corner_hz, best.order)
    with pytest.raises(ValueError, match=r"output must be one of Fills, got 'Mains'"):
        low_cuts(plan_fills(hall), "Mains")


def test_low_cut_never_below_the_low_limit():
    hall = small_hall()
    deaf = {**hall.loudspeakers, "fill box": replace(hall.loudspeakers["fill box"],
                                                     low_limit_hz=260.0)}
    plan = plan_fills(replace(hall, loudspeakers=deaf))
    assert plan.settings["Fills"].low_cut_hz is None
    assert any("below the box's own low limit" in line for line in plan.fills[0].reasons)


def hall_of_three_fills(**locked):
    """Return the hall with arrays, a tier of three fills on two feeds, and two readings."""
    hall = small_hall()
    box = replace(hall.loudspeakers["main box"], elements=3, spacing_m=0.3, splay_deg=(1.0, 3.0))
    second = replace(hall.outputs["Fills"], name="Fill B", latency_ms=5.1, locked=locked)
    third = replace(hall.outputs["Fills"], name="Fill C", feed="left")
    left, right = hall.sources[2:]
    return replace(
        hall,
        loudspeakers={**hall.loudspeakers, "main box": box},
        outputs={"Fill B": second, **hall.outputs, "Fill C": third},
        sources=(hall.sources[0], left, hall.sources[1],
                 replace(right, name="C", output="Fill C"),
                 replace(right, name="B", output="Fill B", position_m=(23.0, 0.0, 5.0))),
        measured=(Measured("Fills", (30.0, 0.0, 1.2), "check", by_octave_db={63: 78.0, 125: 84.0}),
                  Measured("Mains", (14.0, 0.0, 1.2), "check", level_dba=82.0)),
    )


THREE = {
    "Mains": OutputSettings(trim_db=-1.0, delay_ms=4.0, low_cut_hz=80.0, shelf_db=2.0),
    "Fills": OutputSettings(trim_db=-4.0, delay_ms=66.0, polarity="inverted"),
    "Fill B": OutputSettings(trim_db=-7.0, delay_ms=60.0, shelf_db=4.0),
    "Fill C": OutputSettings(trim_db=-6.0, delay_ms=70.0),
}


@pytest.mark.parametrize(("locked", "name", "change"), [
    ({}, "Fill B", {}),
    ({}, "Fill B", {"delay_ms": 71.0, "polarity": "inverted"}),
    # Mains and Fills alike and at one time when the same cut is tried.
    ({}, "Mains", {"delay_ms": 67.5, "low_cut_hz": 100.0, "shelf_db": 0.0, "trim_db": 2.0,
                   "polarity": "inverted"}),
    ({"low_cut_hz": 120.0}, "Fill B", {"trim_db": 0.0}),
])
def test_losses_are_those_of_the_seat_field_whatever_else_is_set(locked, name, change):
    """An output whose cut is locked keeps it; the others of its tier take the one tried."""
    hall = hall_of_three_fills(**locked)
    tier, free = ["Fills", "Fill B", "Fill C"], ["Fills", "Fill C"]
    assert free_of_low_cut(hall, tier) == (free if locked else tier)
    settings = Settings(hall, THREE).replaced("Fill B", **locked).replaced(name, **change)
    zones = make_zones(hall, None)
    seats = hall.area("back").seats_m()
    every = product((80.0, 150.0, 250.0), [("linkwitz-riley", 4)])
    bare = settings.replaced(*(free if locked else tier), low_cut_hz=None)
    without = mean_total(hall, bare, seats, ["Mains", *tier])
    for cut in try_low_cuts(zones, settings, tier, ["Mains"], every):
        tried = bare.replaced(*(free if locked else tier), low_cut_hz=cut.corner_hz)
        lost = 10 * np.log10(without / mean_total(hall, tried, seats, ["Mains", *tier]))[COUNTS]
        assert lost.max() == pytest.approx(cut.loss_db, abs=1e-7)
        assert cut.at_hz == np.array(THIRDS_NOMINAL)[COUNTS][lost.argmax()]


def test_bands_below_what_mains_and_subs_play_do_not_count():
    hall = small_hall()
    thin = {name: replace(kind, low_limit_hz=220.0) for name, kind in hall.loudspeakers.items()}
    hall = replace(hall, loudspeakers=thin)
    settings = Settings(hall).replaced("Fills", trim_db=6.0, delay_ms=62.0)
    cut, = try_low_cuts(make_zones(hall, None), settings, ["Fills"], ["Mains"],
                        [(250.0, ("linkwitz-riley", 4))])
    seats = hall.area("back").seats_m()
    lost = 10 * np.log10(
        mean_total(hall, settings, seats, ["Mains", "Fills"])
        / mean_total(hall, settings.replaced("Fills", low_cut_hz=250.0), seats,
                     ["Mains", "Fills"]))
    # 220 Hz less 3 % lies between the thirds at 200 and 250 Hz.
    counts = THIRDS_HZ > 213.0
    assert cut.loss_db == pytest.approx(lost[counts].max(), abs=1e-7)
    assert cut.loss_db < lost.max() - 1.0


def test_a_tier_takes_a_low_cut_that_all_its_devices_have():
    hall = small_hall()
    two = replace(hall, outputs={**hall.outputs, "B": replace(hall.outputs["Fills"], name="B")},
                  sources=(*hall.sources[:3], replace(hall.sources[3], output="B")))
    names = ["Fills", "B"]
    common = with_output(two, names[1], low_cut_kinds=("butterworth", "linkwitz-riley"),
                         low_cut_orders=(2, 4))
    common = with_output(common, names[0], low_cut_kinds=("linkwitz-riley",),
                         low_cut_orders=(8, 2))
    assert low_cut_kinds(common, names) == [("linkwitz-riley", 2)]
    plan = plan_fills(common)
    for name in names:
        own = plan.settings[name]
        assert own.low_cut_hz == 250.0
        assert (own.low_cut_kind, own.low_cut_order) == ("linkwitz-riley", 2)
    none = with_output(two, names[1], low_cut_kinds=("butterworth",), low_cut_orders=(2,))
    plan = plan_fills(none)
    assert all(plan.settings[name].low_cut_hz is None for name in names)
    assert any("none in common" in line for line in plan.fills[0].reasons)


@pytest.mark.parametrize(("loss_db", "most_db"), [(1.2, 6.0), (2.0, 6.0), (8.0, 6.0), (8.0, 2.5),
                                                  (8.0, 0.5), (0.0, 6.0)])
def test_shelf_is_the_nearest_to_the_reference_of_all_within_the_headroom(loss_db, most_db):
    """Every gain in steps of 0.5 dB at every corner, by the definition; outdoors, direct sound."""
    hall = small_hall(outdoors=True)
    octaves = {octave: 84.0 for octave in (63, 125, 250, 500, 1000, 2000)}
    dull = {**octaves, 4000: 84.0 - loss_db, 8000: 84.0 - 2 * loss_db, 16000: 80.0}
    kinds = {name: replace(kind, level_dba=None, level_by_octave_db=dull if "fill" in name
                           else {**octaves, 4000: 84.0, 8000: 84.0, 16000: 84.0})
             for name, kind in hall.loudspeakers.items()}
    hall = replace(hall, loudspeakers=kinds)
    trim_db = -4.0 if most_db == 6.0 else headroom_db(hall, "Fills") - most_db - 0.2
    settings = Settings(hall).replaced("Fills", delay_ms=66.0, trim_db=trim_db)
    yardstick = make_yardstick(make_zones(hall, None), settings)
    seats = hall.area("back").seats_m()
    every, mains = ((10 ** (seat_field(hall, settings, seats_m=seats, sounding=names).direct_db
                            / 10)).mean(axis=0) for names in (["Mains", "Fills"], ["Mains"]))

    def tone(power):
        level = 10 * np.log10(power.reshape(9, 3).sum(axis=1))
        return level[5:8] - (level[3] + level[4]) / 2

    target = tone(yardstick.reference.bands)
    low, high = band_edges_hz(THIRDS_HZ)
    wanted = {(0.0, 4000.0): ((tone(every) - target) ** 2).sum()}
    for gain in np.arange(1.0, most_db + 0.1, 0.5):
        for corner in (2000.0, 3150.0, 4000.0, 5000.0, 6300.0):
            lift = np.abs(shelf_response((low + high) / 2, corner, gain)) ** 2
            miss = tone(mains + (every - mains) * lift) - target
            wanted[float(gain), corner] = (miss**2).sum()
    best = min(wanted, key=wanted.get)
    if np.abs(tone(every) - target).max() <= 1.0:
        best = (0.0, 4000.0)
    assert choose_shelf(yardstick, settings, ["Fills"], ["Mains"]) == best


DULL = {63: 80, 125: 85, 250: 86, 500: 86, 1000: 85, 2000: 82, 4000: 77, 8000: 72, 16000: 66}


def test_dull_fill_gets_a_shelf_and_a_full_box_none():
    hall = small_hall()
    dull = replace(hall.loudspeakers["fill box"], level_dba=None, level_by_octave_db=DULL)
    plan = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": dull}))
    own = plan.settings["Fills"]
    assert 1.0 <= own.shelf_db <= 6.0
    levels = {octave: level + own.trim_db for octave, level in DULL.items()}
    full = replace(dull, level_by_octave_db=levels, maximum_dba=own.trim_db + 89.5)
    tight = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": full}))
    assert tight.settings["Fills"].shelf_db == 0.0


def test_trim_and_shelf_together_stay_within_the_box():
    hall = small_hall(allowed_fall_db=0.0)
    levels = {octave: level - 10 for octave, level in DULL.items()}
    dull = replace(hall.loudspeakers["fill box"], level_dba=None, maximum_dba=82.0,
                   level_by_octave_db=levels)
    plan = plan_fills(replace(hall, loudspeakers={**hall.loudspeakers, "fill box": dull}))
    own = plan.settings["Fills"]
    assert own.trim_db + own.shelf_db <= headroom_db(plan.venue, "Fills")
    assert plan.fills[0].trim.bounds[Bound.MAXIMUM] + max(own.shelf_db, 0.0) <= headroom_db(
        plan.venue, "Fills")
