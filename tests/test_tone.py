"""Low cuts: the choice by its definition (common practice); their losses: test_planner."""

from dataclasses import replace

import pytest

from fillalign import plan_fills, read_venue
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
