"""Low cuts: the choice by its definition (common practice); their losses: test_planner."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import plan_fills, read_venue, seat_field
from fillalign.bench import make_bench
from fillalign.tone import LOW_CUTS_HZ, low_cuts_of
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
