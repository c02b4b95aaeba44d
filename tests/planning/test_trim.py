"""Trim curve, low cut and shelf, recounted on the seat field."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import plan_fills, seat_field, seat_speech
from fillalign.field.paths import A_POWER
from fillalign.planning.trim import headroom_db, own_level_dba, trim_grid_db
from tests.small_venue import small_hall


@pytest.fixture(scope="module")
def plan():
    return plan_fills(small_hall())


def at_trim(plan, trim_db):
    return {**plan.settings, "Fills": replace(plan.settings["Fills"], trim_db=trim_db)}


@pytest.mark.parametrize("trim_db", [-20.0, -6.0, 0.0, 6.0])
def test_curve_is_the_seat_field_at_each_trim(plan, trim_db):
    """The quadratic form against the field itself, interference included.

    The sweep keeps the early window of the present trim; at +6 dB the fill would
    open another at some seats.
    """
    curve = plan.fills[0].trim
    place = int(np.flatnonzero(curve.trim_db == trim_db)[0])
    back = plan.venue.area("back")
    last = back.seats_m()[back.seats_m()[:, 0] == 36.0]
    heard = seat_field(plan.venue, at_trim(plan, trim_db), seats_m=last).useful_db
    level = 10 * np.log10((10 ** (heard / 10) @ A_POWER).mean())
    assert curve.back_dba[place] == pytest.approx(level, abs=0.2 if trim_db > 0 else 1e-6)


def test_climb_is_the_largest_rise_behind_the_reference(plan):
    curve = plan.fills[0].trim
    trim_db = 6.0
    place = int(np.flatnonzero(curve.trim_db == trim_db)[0])
    rows = []
    for area in plan.venue.areas:
        for x in area.rows_x_m[area.rows_x_m >= plan.reference.x_m]:
            seats = area.seats_m()[area.seats_m()[:, 0] == x]
            total = seat_field(plan.venue, at_trim(plan, trim_db), seats_m=seats).total_db
            rows.append(10 * np.log10((10 ** (total / 10) @ A_POWER).mean()))
    rise = max(rows[j] - rows[i] for i in range(len(rows)) for j in range(i, len(rows)))
    assert curve.climb_db[place] == pytest.approx(rise, abs=1e-6)
    assert rise > 0


def test_speech_on_the_curve_is_speech_at_the_seats(plan):
    # Every 3 dB from the lowest trim is computed; between them it is interpolated.
    curve = plan.fills[0].trim
    back = plan.venue.area("back")
    seats = back.seats_m()
    across = np.unique(seats[:, 1])
    three = across[np.unique(np.round(np.array([0.2, 0.5, 0.8]) * (len(across) - 1)).astype(int))]
    seats = seats[np.isin(seats[:, 1], three)]
    for trim_db in (-40.0, -10.0, -1.0):
        place = int(np.flatnonzero(curve.trim_db == trim_db)[0])
        index = seat_speech(plan.venue, at_trim(plan, trim_db), seats_m=seats).index.mean()
        assert curve.speech_covered[place] == pytest.approx(index, abs=1e-9)
    assert curve.speech_without == pytest.approx(
        seat_speech(plan.venue, plan.settings, seats_m=seats, sounding=["Mains"]).index.mean()
    )


def test_more_trim_costs_speech_ahead_of_the_fill(plan):
    curve = plan.fills[0].trim
    assert curve.speech_ahead[-1] < curve.speech_ahead[0] - 0.1
    np.testing.assert_array_equal(curve.speech_shortfall, 0.0)
    goal = plan_fills(small_hall(sti=0.62)).fills[0].trim
    assert goal.speech_shortfall.max() > 0
    worse = goal.speech_shortfall > goal.speech_shortfall.min() + 0.03
    beyond = goal.trim_db > goal.harm_db
    assert worse[beyond].all()


def test_where_speech_cannot_reach_its_goal_its_best_trim_is_set():
    plan = plan_fills(small_hall(sti=0.95))
    curve, own = plan.fills[0].trim, plan.settings["Fills"]
    assert curve.needed_db is None
    assert own.trim_db >= curve.sound_needed_db
    inside = (curve.trim_db >= curve.sound_needed_db) & (
        curve.trim_db <= min(curve.bounds().values()))
    best = curve.speech_covered[inside].max()
    assert curve.speech_covered[curve.trim_db == own.trim_db][0] == pytest.approx(best, abs=1e-3)


def test_headroom_is_the_weakest_box():
    hall = small_hall()
    assert headroom_db(hall, "Fills") == 22.0
    by_octave = replace(hall.loudspeakers["fill box"], level_dba=None,
                        level_by_octave_db={1000: 90.0})
    # One octave of pink noise at 1 kHz: A-weighting of its thirds is -0.8, 0 and +0.6 dB
    # (IEC 61672-1, Table 3).
    weight = 10 * np.log10(np.mean(10 ** (np.array([-0.8, 0.0, 0.6]) / 10)))
    assert own_level_dba(by_octave) == pytest.approx(90 + weight, abs=0.03)


def test_grid_goes_beyond_the_headroom_in_half_decibels():
    grid = trim_grid_db(5.3)
    assert grid[0] == -40.0
    assert grid[-1] == 17.0
    np.testing.assert_allclose(np.diff(grid), 0.5)
    assert trim_grid_db(-60.0)[-1] == -48.0
