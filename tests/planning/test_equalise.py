"""Low cuts and shelves: the choice by its definition (common practice), from the seat field."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import THIRDS_HZ, Measured, OutputSettings, plan_fills, read_venue, seat_field
from fillalign.absorption import THIRDS_NOMINAL, band_edges_hz
from fillalign.filters import shelf_response
from fillalign.planning.bench import make_bench
from fillalign.planning.equalise import LOW_CUTS_HZ, chosen_shelf, low_cuts_of
from fillalign.planning.need import mains_reference
from fillalign.planning.trim import headroom_db
from tests.small_venue import small_hall, with_output


def by_definition(cuts, limit_hz):
    """Return the highest corner, then the steepest, of all that lose at most 1 dB."""
    fit = [cut for cut in cuts.all() if cut.loss_db <= 1.0 and cut.corner_hz >= limit_hz]
    return max(fit, key=lambda cut: (cut.corner_hz, cut.order), default=None)


@pytest.mark.parametrize("limit_hz", [60.0, 130.0, 260.0])
@pytest.mark.parametrize("shift_db", [-12.0, 0.0, 12.0])
def test_low_cut_is_the_highest_then_the_steepest_within_1_db(limit_hz, shift_db):
    hall = with_output(small_hall(), "Fills", low_cut_orders=(1, 2, 4),
                       low_cut_kinds=("butterworth", "linkwitz-riley"))
    box = replace(hall.loudspeakers["fill box"], low_limit_hz=limit_hz)
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "fill box": box})
    settings = {**plan_fills(hall).settings}
    own = settings["Fills"]
    # However loud the fill, and whatever cut is on it now.
    settings["Fills"] = replace(own, trim_db=own.trim_db + shift_db, low_cut_hz=100.0)
    cuts = low_cuts_of(make_bench(hall, hall.states["show"].air), settings, "Fills")
    assert len(cuts.all()) == 5 * len(LOW_CUTS_HZ)
    searched = low_cuts_of(make_bench(hall, hall.states["show"].air), settings, "Fills")
    assert searched.chosen == by_definition(cuts, limit_hz)


def test_low_cuts_of_a_plan_are_those_of_every_kind_on_offer():
    plan = plan_fills(read_venue("data/saltmarsh_chapel.toml"))
    for fill in plan.fills:
        cuts = plan.low_cuts(fill.output)
        device = plan.venue.outputs[fill.output]
        assert {cut.order for cut in cuts} <= {*device.low_cut_orders}
        assert {cut.kind for cut in cuts} == {*device.low_cut_kinds}
        own = plan.settings[fill.output]
        best = max((c for c in cuts if c.loss_db <= 1.0), key=lambda c: (c.corner_hz, c.order))
        assert (own.low_cut_hz, own.low_cut_order) == (best.corner_hz, best.order)
    with pytest.raises(ValueError, match=r"output must be one of .*Fill 12.*, got 'Columns'"):
        plan.low_cuts("Columns")


def test_low_cut_leaves_an_output_alone_whose_cut_is_locked():
    """The other output's losses are those of the seat field with the locked cut in place."""
    hall = with_output(read_venue("data/tidewell_hall.toml"), "Fill outer",
                       locked={"low_cut_hz": 120.0})
    plan = plan_fills(hall)
    assert plan.settings["Fill outer"].low_cut_hz == 120.0
    own = plan.settings["Fill inner"]
    bench = make_bench(hall, plan.air)
    areas = next(fill.areas for fill in plan.fills if fill.output == "Fill inner")
    seats = bench.paths.seats.points_m[bench.seats_in(areas)]
    sounding = ["Main bus", "Fill inner", "Fill outer"]

    def mean(corner_hz):
        flat = {name: replace(one, shelf_db=0.0) for name, one in plan.settings.items()}
        flat["Fill inner"] = replace(flat["Fill inner"], low_cut_hz=corner_hz,
                                     low_cut_order=4, low_cut_kind="butterworth")
        field = seat_field(hall, flat, seats_m=seats, sounding=sounding)
        return (10 ** (field.total_db / 10)).mean(axis=0)

    cuts = {cut.corner_hz: cut.loss_db for cut in plan.low_cuts("Fill inner")
            if (cut.kind, cut.order) == ("butterworth", 4)}
    assert len(cuts) == len(LOW_CUTS_HZ)
    for corner_hz, loss_db in cuts.items():
        lost = 10 * np.log10(mean(None) / mean(corner_hz))
        assert lost[1:].max() == pytest.approx(loss_db, abs=1e-6)
    assert own.low_cut_hz in {corner for corner, loss in cuts.items() if loss <= 1.0}


def hall_of_three_fills():
    """Return the hall with arrays, a tier of three fills on two feeds, and two readings."""
    hall = small_hall()
    box = replace(hall.loudspeakers["main box"], elements=3, spacing_m=0.3, splay_deg=(1.0, 3.0))
    second = replace(hall.outputs["Fills"], name="Fill B", latency_ms=5.1)
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


def test_losses_are_those_of_the_seat_field_whatever_else_is_set():
    """One bench, asked again with other trims, delays, polarity and an output that is off."""
    hall = hall_of_three_fills()
    bench = make_bench(hall, hall.states["show"].air)
    seats = bench.paths.seats.points_m[bench.seats_in(("back",))]
    tier = ["Fills", "Fill B", "Fill C"]
    settings = {
        "Mains": OutputSettings(trim_db=-1.0, delay_ms=4.0, low_cut_hz=80.0, shelf_db=2.0),
        "Fills": OutputSettings(trim_db=-4.0, delay_ms=66.0, polarity="inverted"),
        "Fill B": OutputSettings(trim_db=-7.0, delay_ms=60.0, shelf_db=4.0),
        "Fill C": OutputSettings(trim_db=-6.0, delay_ms=70.0),
    }
    # The last but one has Mains and Fills alike and at one time when the same cut is tried.
    changes = (
        ("Fill B", {}), ("Fill B", {"trim_db": 0.0}), ("Fill B", {"delay_ms": 71.0}),
        ("Fill B", {"polarity": "inverted"}),
        ("Mains", {"delay_ms": 67.5, "low_cut_hz": 100.0, "shelf_db": 0.0, "trim_db": 2.0,
                   "polarity": "inverted"}),
        ("Fill B", {"trim_db": -np.inf}),
    )
    for name, change in changes:
        own = {**settings, name: replace(settings[name], **change)}
        sounding = ["Mains", *(n for n in tier if np.isfinite(own[n].trim_db))]

        def mean(corner, kind, order, own=own, sounding=sounding):
            cut = {name: replace(own[name], low_cut_hz=corner, low_cut_kind=kind,
                                 low_cut_order=order, shelf_db=0.0) for name in tier}
            field = seat_field(hall, {**own, **cut}, seats_m=seats, sounding=sounding)
            return (10 ** (field.total_db / 10)).mean(axis=0)

        cuts = low_cuts_of(bench, own, "Fills")
        counts = THIRDS_HZ > 60.0
        for cut in cuts.all():
            lost = 10 * np.log10(mean(None, cut.kind, cut.order)
                                 / mean(cut.corner_hz, cut.kind, cut.order))[counts]
            assert lost.max() == pytest.approx(cut.loss_db, abs=1e-7)
            assert cut.at_hz == np.array(THIRDS_NOMINAL)[counts][lost.argmax()]


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
    bench = make_bench(hall, hall.states["show"].air)
    settings = {"Mains": OutputSettings(), "Fills": OutputSettings(delay_ms=66.0)}
    trim_db = -4.0 if most_db == 6.0 else headroom_db(hall, "Fills") - most_db - 0.2
    settings["Fills"] = replace(settings["Fills"], trim_db=trim_db)
    reference = mains_reference(bench, settings)
    part = bench.part(("back",))
    seats = part.paths.seats.points_m
    every, mains = ((10 ** (seat_field(hall, settings, seats_m=seats, sounding=names).direct_db
                            / 10)).mean(axis=0) for names in (["Mains", "Fills"], ["Mains"]))

    def tone(power):
        level = 10 * np.log10(power.reshape(9, 3).sum(axis=1))
        return level[5:8] - (level[3] + level[4]) / 2

    low, high = band_edges_hz(THIRDS_HZ)
    wanted = {(0.0, 4000.0): ((tone(every) - tone(reference.bands)) ** 2).sum()}
    for gain in np.arange(1.0, most_db + 0.1, 0.5):
        for corner in (2000.0, 3150.0, 4000.0, 5000.0, 6300.0):
            lift = np.abs(shelf_response((low + high) / 2, corner, gain)) ** 2
            miss = tone(mains + (every - mains) * lift) - tone(reference.bands)
            wanted[float(gain), corner] = (miss**2).sum()
    best = min(wanted, key=wanted.get)
    if np.abs(tone(every) - tone(reference.bands)).max() <= 1.0:
        best = (0.0, 4000.0)
    assert chosen_shelf(part, reference, settings, ["Fills"], ["Mains"]) == best
