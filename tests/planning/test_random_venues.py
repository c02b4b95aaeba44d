"""Properties of plans over venues drawn at random: `tests/benchmarks/random_plans.py` has more."""

from functools import lru_cache

import pytest

from fillalign import plan_fills
from fillalign.planning.zones import mirror_of
from tests.plan_properties import AGAIN, ALONE, BESIDE
from tests.plan_venues import mirrored, random_venue


def seeds(few, more, many):
    """Return seeds: few for every run, more for long ones, many for a change of the planner."""
    return [*range(few),
            *(pytest.param(seed, marks=pytest.mark.long) for seed in range(few, more)),
            *(pytest.param(seed, marks=pytest.mark.draws) for seed in range(more, many))]


@lru_cache(64)
def planned(seed):
    """Return a venue and its plan, which several properties look at."""
    venue = random_venue(seed)
    return venue, plan_fills(venue)


def faults(seed, properties):
    venue, plan = planned(seed)
    return [f"{one.__name__}: {fault}" for one in properties for fault in one(venue, plan)]


@pytest.mark.parametrize("seed", seeds(50, 300, 300))
def test_what_a_plan_alone_shows(seed):
    assert faults(seed, ALONE) == []


@pytest.mark.parametrize("seed", seeds(2, 12, 300))
def test_the_same_plan_comes_from_its_settings_and_from_its_mirror(seed):
    assert faults(seed, AGAIN) == []


@pytest.mark.parametrize("seed", seeds(1, 3, 60))
def test_what_is_true_beside_other_plans(seed):
    assert faults(seed, BESIDE) == []


def test_the_draw_holds_what_it_is_to_try():
    """Both settings and programmes, shadows, wind, locks, own rules, pairs that mirror."""
    venues = [random_venue(seed) for seed in range(50)]
    outputs = [own for venue in venues for own in venue.outputs.values()]
    assert {venue.setting for venue in venues} == {"indoors", "outdoors"}
    assert {venue.programme for venue in venues} == {"speech", "music"}
    assert any(area.shadowed_from for venue in venues for area in venue.areas)
    assert any(venue.states["show"].wind_m_s for venue in venues)
    assert any(own.locked for own in outputs)
    assert any(own.delay_rule for own in outputs)
    assert any(venue.measured for venue in venues)
    assert any(len({own.feed for own in venue.outputs.values()}) == 3 for venue in venues)
    assert all(mirrored(mirrored(venue)) == venue for venue in venues)
    assert any(mirror_of(venue, name) for venue in venues for name in venue.outputs)
