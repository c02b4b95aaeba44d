"""Positions from laser distances: worked by hand, against scipy, and by their geometry.

Right triangles of whole sides (3-4-5, 8-15-17) stand in for worked examples;
scipy.optimize.least_squares is the reference for readings that disagree; the
uncertainty is checked against readings drawn anew (JCGM 101:2008, Monte Carlo).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings, strategies as st
from scipy.optimize import least_squares

from fillalign.trilateration import locate

MAINS = [[0.0, 6.5, 4.6], [0.0, -6.5, 4.6]]
HALL = [[-5.0, -10.0, 0.0], [41.0, 10.0, 8.0]]


def ranges(points, place):
    return np.linalg.norm(np.asarray(points, dtype=float) - place, axis=1)


def around(place):
    """Return a room that holds a place, and not its mirror image."""
    return np.add(place, [[-0.5], [0.5]])


def reference(points, distances, start, height=None):
    """Return scipy's least squares from a start near the answer."""
    points = np.asarray(points, dtype=float)

    def rest(place):
        whole = place if height is None else [*place, height]
        return np.linalg.norm(points - whole, axis=1) - distances

    free = 3 if height is None else 2
    found = least_squares(rest, start[:free], xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    return found if height is None else np.array([*found, height])


# --- by hand ----------------------------------------------------------------------------


def test_two_points_and_a_height_by_hand():
    # 3-4-5: 8 m between the points, 3 m in front of their middle.
    found = locate([[0, 4, 2], [0, -4, 2]], [5, 5], height_m=2, side="back")
    assert found.position_m == pytest.approx((3, 0, 2), abs=1e-9)
    assert found.misfit_m == pytest.approx(0, abs=1e-9)


def test_a_height_difference_is_taken_off():
    # 8-15-17 in the plan, then 17 m along and 1 m up: the square root of 290.
    slant = np.sqrt(17**2 + 1)
    found = locate([[0, 8, 5], [0, -8, 5]], [slant, slant], height_m=4, side="back")
    assert found.position_m == pytest.approx((15, 0, 4), abs=1e-9)


def test_four_corners_of_a_box_by_hand():
    # The middle of a 6 by 8 floor, 12 m up: 5 m to a corner in the plan, 13 m in space.
    corners = [[0, 0, 0], [6, 0, 0], [6, 8, 0], [0, 8, 0]]
    found = locate(corners, [13, 13, 13, 13], side="above")
    assert found.position_m == pytest.approx((3, 4, 12), abs=1e-9)
    below = locate(corners, [13, 13, 13, 13], side="below")
    assert below.position_m == pytest.approx((3, 4, -12), abs=1e-9)


def test_a_misfit_by_hand():
    # Three points in a row, 4 m apart, at 3 m: the ends measure 5 m. The middle one read
    # 30 mm long; by symmetry only x gives way, by the normal equation
    # (1 + 2 * 0.6^2) dx = 0.03.
    found = locate([[0, -4, 0], [0, 0, 0], [0, 4, 0]], [5, 3.03, 5], height_m=0, side="back")
    moved = 0.03 / (1 + 2 * 0.6**2)
    assert found.position_m[0] == pytest.approx(3 + moved, abs=1e-4)
    assert found.position_m[1] == pytest.approx(0, abs=1e-9)
    left = np.array([-0.6 * moved, 0.03 - moved, -0.6 * moved])
    assert found.residuals_m == pytest.approx(left, abs=1e-4)
    assert found.misfit_m == pytest.approx(np.sqrt(np.mean(left**2)), abs=1e-4)


# --- against scipy ----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("height", [None, 4.6])
def test_readings_that_disagree_agree_with_scipy(seed, height):
    rng = np.random.default_rng(seed)
    points = np.column_stack([rng.uniform(-3, 8, 6), rng.uniform(-9, 9, 6), rng.uniform(0, 8, 6)])
    place = np.array([26.0, rng.uniform(-8, 8), 4.6])
    distances = ranges(points, place) + rng.normal(0, 0.015, 6)
    found = locate(points, distances, height_m=height, room_m=around(place))
    expected = reference(points, distances, place, height)
    assert found.position_m == pytest.approx(tuple(expected), abs=2e-6)
    assert found.misfit_m == pytest.approx(np.sqrt(np.mean((ranges(points, expected)
                                                            - distances) ** 2)), abs=1e-9)


@pytest.mark.parametrize("height", [None, 4.6])
def test_the_uncertainty_is_that_of_readings_drawn_anew(height):
    rng = np.random.default_rng(7)
    points = np.array([[0, 6.5, 4.6], [0, -6.5, 2.0], [9.0, 9.0, 0.0], [15.0, -9.0, 7.0]])
    place = np.array([26.0, 2.5, 4.6])
    exact, laser, room = ranges(points, place), 0.005, around(place)
    drawn = []
    for _ in range(400):
        read = exact + rng.normal(0, laser, 4)
        up = None if height is None else height + rng.normal(0, laser)
        drawn.append(locate(points, read, height_m=up, laser_m=0.02, room_m=room).position_m)
    told = locate(points, exact, height_m=height, laser_m=laser, room_m=room).uncertainty_m
    # 400 draws give a standard deviation to 3.5 % (one standard deviation).
    assert np.std(drawn, axis=0) == pytest.approx(told, rel=0.11)


def test_the_uncertainty_by_hand():
    """3-4-5 in the plan, 4 m below the points: s = sqrt(41) to each.

    From s1 ds1 = x dx - 4 dy + dz dh and its mirror: dx = s (ds1 + ds2) / 2x - dz dh / x and
    dy = s (ds2 - ds1) / 8, whose squares add up (JCGM 100:2008, eq 10).
    """
    found = locate([[0, 4, 6], [0, -4, 6]], [41**0.5, 41**0.5], height_m=2, laser_m=0.01,
                   side="back")
    assert found.position_m == pytest.approx((3, 0, 2), abs=1e-9)
    along, across = np.sqrt(41 / 18 + 16 / 9), np.sqrt(41 / 32)
    assert found.uncertainty_m == pytest.approx((0.01 * along, 0.01 * across, 0.01), rel=1e-9)


# --- geometry ---------------------------------------------------------------------------

coordinate = st.floats(-30, 30)
place_of = st.tuples(coordinate, coordinate, coordinate)


@settings(max_examples=60, deadline=None)
@given(points=st.lists(place_of, min_size=4, max_size=7), place=place_of)
def test_exact_distances_give_the_place_back(points, place):
    points = np.array(points)
    away = ranges(points, place)
    assume(away.min() > 0.5)
    unit = (points - place) / away[:, None]
    assume(np.linalg.svd(unit, compute_uv=False).min() > 0.1)
    assume(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1] > 1)
    found = locate(points, away, laser_m=0.001, room_m=[place, place])
    assert found.position_m == pytest.approx(place, abs=1e-6)
    assert found.misfit_m < 1e-6


@settings(max_examples=60, deadline=None)
@given(
    one=place_of, other=place_of, place=place_of, turn=st.floats(-3, 3), move=place_of
)
def test_moving_and_turning_everything_moves_and_turns_the_answer(one, other, place, turn, move):
    points = np.array([one, other])
    away = ranges(points, place)
    flat = (points - place)[:, :2] / np.maximum(away, 1e-9)[:, None]
    assume(away.min() > 0.5)
    assume(np.linalg.svd(flat, compute_uv=False).min() > 0.1)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0],
                         [0, 0, 1]])
    moved = np.add(rotation @ place, move)
    found = locate(points @ rotation.T + move, away, height_m=moved[2], laser_m=0.001,
                   room_m=[moved, moved])
    assert found.position_m == pytest.approx(tuple(moved), abs=1e-6)


def test_two_readings_leave_two_mirrored_positions():
    away = ranges(MAINS, [26, 2.5, 4.6])
    back = locate(MAINS, away, height_m=4.6, side="back")
    stage = locate(MAINS, away, height_m=4.6, side="stage")
    assert back.position_m == pytest.approx((26, 2.5, 4.6), abs=1e-9)
    assert stage.position_m == pytest.approx((-26, 2.5, 4.6), abs=1e-9)
    room = locate(MAINS, away, height_m=4.6, room_m=HALL)
    assert room.position_m == pytest.approx((26, 2.5, 4.6), abs=1e-9)


def test_left_is_left_as_seen_from_the_stage():
    along = [[0, 0, 3], [20, 0, 3]]
    away = ranges(along, [12, 5, 3])
    assert locate(along, away, height_m=3, side="left").position_m[1] == pytest.approx(5)
    assert locate(along, away, height_m=3, side="right").position_m[1] == pytest.approx(-5)


def test_one_point_off_the_line_leaves_one_position():
    points = [*MAINS, [10.0, -9.0, 1.0]]
    found = locate(points, ranges(points, [26, 2.5, 4.6]), height_m=4.6)
    assert found.position_m == pytest.approx((26, 2.5, 4.6), abs=1e-9)


def test_a_box_on_the_wall_is_still_in_the_room():
    wall = np.array([41.01, 2.5, 4.6])
    found = locate(MAINS, ranges(MAINS, wall), height_m=4.6, room_m=HALL)
    assert found.position_m == pytest.approx(tuple(wall), abs=1e-9)


# --- refused ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"height_m": None}, r"at least 3 points are needed without a height, got 2"),
        ({"points_m": MAINS[:1], "distances_m": [26.0]},
         "at least 2 points are needed with a height, got 1"),
        ({"distances_m": [26.0]}, r"shape \(n,\), got \(2, 3\) and \(1,\)"),
        ({"points_m": [[0, 6.5], [0, -6.5]]}, "points_m must hold x, y, z"),
        ({"points_m": [[0, 6.5, 1], [0, 9e9, 1]]}, "points_m must be between -4000 and 4000 m"),
        ({"distances_m": [26.0, 0.0]}, "distances_m must be above 0 and at most 4000 m, got 0"),
        ({"distances_m": [26.0, np.nan]}, "distances_m must be above 0 .* got nan"),
        ({"height_m": 9e9}, "height_m must be between -2000 and 2000 m"),
        ({"laser_m": 0.0}, "laser_m must be between 0.001 and 1 m, got 0"),
        ({"side": "up"}, "side must be one of left, right, back, stage, above, below"),
        ({"side": None}, r"fit two positions, \(26.00, 2.50, 4.60\) m and \(-26.00, 2.50, 4.60\)"),
        ({"side": "left"}, "side 'left' does not tell .* apart: they have the same y"),
        ({"room_m": [0, 0, 0]}, r"room_m must be two corners, shape \(2, 3\), got shape \(3,\)"),
        ({"room_m": [[0, -9, 0], [20, 9, 8]]}, r"lead out of the room, to \(26.00, 2.50, 4.60\) m"),
        # 13 m between the mains cannot be spanned by 5 and 7 m.
        ({"distances_m": [5.0, 7.0]}, r"contradict each other: .* of 5.000 m is off by -0.500 m "
                                      r"\(at most 0.060 m"),
        # Nor can 26 and 5 m meet.
        ({"distances_m": [26.0, 5.0]}, "contradict each other"),
        # Between the mains, only the sum of the distances is known well.
        ({"distances_m": [6.5, 6.5001]}, "do not fix the position near .* measure to a point off"),
        ({"points_m": [[0, 6.5, 1], [0, 6.5, 4]]}, r"must not lie all above one another \(spread"),
        ({"points_m": [[0, 0, 0], [1, 0, 0], [2, 0, 0]], "distances_m": [3, 3, 3],
          "height_m": None}, "must not lie all in one line"),
    ],
)  # fmt: skip
def test_what_is_refused_says_why(change, message):
    given = {"points_m": MAINS, "distances_m": ranges(MAINS, [26, 2.5, 4.6]), "height_m": 4.6,
             "side": "back", **change}
    with pytest.raises(ValueError, match=message):
        locate(given.pop("points_m"), given.pop("distances_m"), **given)


def test_several_heights_are_refused():
    with pytest.raises(TypeError, match=r"^height_m must be one number, got an array of shape"):
        locate(MAINS, [26.0, 26.0], height_m=[1.0, 2.0])


def test_three_readings_of_which_one_is_wrong_are_refused():
    points = [*MAINS, [10.0, -9.0, 1.0]]
    away = ranges(points, [26, 2.5, 4.6])
    away[2] += 0.5
    with pytest.raises(ValueError, match=r"the distances contradict each other: .* is off by"):
        locate(points, away, height_m=4.6)
    # A laser that is known to be that rough may say so.
    assert locate(points, away, height_m=4.6, laser_m=0.3, side="back").misfit_m > 0.05
