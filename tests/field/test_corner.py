"""Sound that comes round a corner: both legs count, in time, level, wind and direction."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import OCTAVES_NOMINAL, Area, evaluate, plan_fills
from fillalign.field import trace_paths, venue_seats
from tests.small_venue import small_hall

CORNER = np.array([20.0, 8.0, 3.0])
LOSS_DB = 6.0
BLOWS = 7.0, np.radians(30.0)


def bent(**goals):
    """Return the hall with its back rows round a corner from the mains, in wind."""
    hall = small_hall(wind_m_s=BLOWS[0], outdoors=True, **goals)
    loss = dict.fromkeys(OCTAVES_NOMINAL, LOSS_DB)
    back = replace(hall.areas[1], shadowed_from=("mains",), shadow_loss_db=loss,
                   via_m=tuple(CORNER))
    return replace(hall, areas=(hall.areas[0], back))


def leg(start, end, speed):
    """Length and time in s of a straight way in the wind."""
    way = np.asarray(end) - start
    length = np.linalg.norm(way)
    along = way[:2] @ [np.cos(BLOWS[1]), np.sin(BLOWS[1])] / length * BLOWS[0]
    return length, length / (speed + along)


def test_both_legs_count_in_length_and_time_and_only_where_the_area_says_so():
    hall = bent()
    state, seats = hall.states["show"], venue_seats(hall)
    paths = trace_paths(hall, seats, state)
    speed = state.air.speed_m_s
    for number, source in enumerate(hall.sources):
        start = np.array(source.position_m)
        for seat in (0, len(seats) - 1):
            end = seats.points_m[seat]
            turns = source.role == "main" and seats.area[seat] == 1
            legs = ([leg(start, CORNER, speed), leg(CORNER, end, speed)] if turns
                    else [leg(start, end, speed)])
            length, time_s = np.sum(legs, axis=0)
            assert paths.serving_m[number, seat] == pytest.approx(length)
            assert paths.serving_ms[number, seat] == pytest.approx(1000 * time_s)
            assert not (turns and paths.within[number, seat])


def test_a_box_is_heard_as_it_is_seen_from_the_corner():
    """The direction that counts is the way it starts; level falls by the whole way's length."""
    hall = bent()
    state = hall.states["show"]
    paths = trace_paths(hall, venue_seats(hall), state)
    free = replace(hall, areas=(hall.areas[0], Area("back", 20, 20, 7.5, 8.5, ear_height_m=1.2,
                                                    floor_m=1.8)))
    at_corner = trace_paths(free, venue_seats(free), state)
    main = np.array(hall.sources[0].position_m)
    for seat in np.flatnonzero(venue_seats(hall).area == 1)[::7]:
        whole = paths.serving_m[0, seat]
        fall = 10 * np.log10(at_corner.power[0, -1] / paths.power[0, seat])
        spread = 20 * np.log10(whole / np.linalg.norm(CORNER - main))
        # At 1 kHz the air takes about 5 dB a kilometre.
        assert fall[13] == pytest.approx(spread + LOSS_DB, abs=0.3)


@pytest.mark.parametrize("rule", ["box-to-box", "equal-level", "never-early"])
def test_a_fill_waits_for_sound_that_comes_round_the_corner(rule):
    hall = bent(delay_rule=rule, image_margin_ms=2.0)
    straight = replace(hall, areas=(hall.areas[0], replace(hall.areas[1], via_m=None)))
    own = {"Fills": plan_fills(hall).settings["Fills"]}
    later, usual = (evaluate(one, own).fills[0] for one in (hall, straight))
    basis = later.basis
    assert later.answers.of_rule(rule) > usual.answers.of_rule(rule)
    ways = []
    for box in ("Fill -6.5", "Fill +6.5"):
        there = np.array(hall.source(box).position_m)
        ways.append(min(np.linalg.norm(CORNER - hall.source(main).position_m)
                        for main in ("Main -6.5", "Main +6.5")) + np.linalg.norm(there - CORNER))
    assert sorted(basis.box.length_m) == pytest.approx(sorted(ways))
    if rule == "box-to-box":
        still = {name: replace(state, wind_m_s=0.0) for name, state in hall.states.items()}
        plan = plan_fills(replace(hall, states=still))
        heard = plan.checks.covered & (plan.checks.level_difference_db > -10)
        assert plan.checks.gap_ms[heard].min(initial=99.0) >= 2.0 - 1e-9
