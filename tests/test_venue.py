"""Seat geometry and look-ups of the venue records.

The checks are plane geometry: counts, spacings, symmetry and the tangent.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillalign.venue import Area
from fillalign.venue_file import read_venue

DATA = Path(__file__).parents[1] / "data"


def test_a_row_holds_both_ends_and_every_step_between():
    area = Area("a", 4.0, 7.0, -1.0, 1.0)
    seats = area.seats_m()
    assert area.rows_x_m.tolist() == [4.0, 5.0, 6.0, 7.0]
    assert seats.shape == (12, 3)
    assert seats[:3].tolist() == [[4.0, -1.0, 1.2], [4.0, 0.0, 1.2], [4.0, 1.0, 1.2]]


def test_rows_that_do_not_fit_are_left_out_and_seats_are_centred():
    seats = Area("a", 0.0, 2.5, 0.0, 3.5, row_spacing_m=1.0, seat_spacing_m=2.0).seats_m()
    assert sorted(set(seats[:, 0])) == [0.0, 1.0, 2.0]
    # Two seats 2 m apart in 3.5 m leave 0.75 m at either end.
    assert sorted(set(seats[:, 1])) == [0.75, 2.75]


def test_one_point_is_one_seat():
    assert Area("a", 5.0, 5.0, 2.0, 2.0).seats_m().tolist() == [[5.0, 2.0, 1.2]]


def test_a_rake_lifts_each_row_by_its_tangent():
    area = Area("a", 10.0, 16.0, 0.0, 0.0, row_spacing_m=3.0, floor_m=2.0, rake_deg=30.0,
                ear_height_m=1.1)
    ears = area.seats_m()[:, 2]
    assert ears == pytest.approx([3.1, 3.1 + 3 / math.sqrt(3), 3.1 + 6 / math.sqrt(3)])


LENGTHS = st.floats(0, 60)
STEPS = st.floats(0.3, 7)


@given(x=st.floats(-50, 50), y=st.floats(-50, 50), depth=LENGTHS, width=LENGTHS, row=STEPS,
       seat=STEPS)
def test_seats_fill_their_rectangle_and_no_more(x, y, depth, width, row, seat):
    area = Area("a", x, x + depth, y, y + width, row_spacing_m=row, seat_spacing_m=seat)
    seats = area.seats_m()
    rows = np.unique(seats[:, 0])
    assert rows.min() == x
    assert x + depth - row < rows.max() + 1e-6 <= x + depth + 2e-6
    assert np.diff(rows) == pytest.approx(row)
    across = seats[seats[:, 0] == x, 1]
    assert len(seats) == rows.size * across.size
    assert np.diff(across) == pytest.approx(seat)
    # As far from one end as from the other, and by less than half a seat.
    left, right = across.min() - y, y + width - across.max()
    assert left == pytest.approx(right, abs=1e-6)
    assert -1e-6 <= left < seat / 2 + 1e-6


def test_sources_are_found_by_role_and_areas_by_name():
    venue = read_venue(DATA / "cinder_meadow.toml")
    roles = {role: [source.name for source in venue.of_role(role)] for role in
             ("main", "sub", "fill")}
    assert roles["main"] == ["Array left", "Array right"]
    assert roles["sub"] == ["Subs centre left", "Subs centre right"]
    assert len(roles["fill"]) == 5
    assert sum(map(len, roles.values())) == len(venue.sources)
    assert venue.area("behind ring two").allowed_fall_db == 8.0
    assert not venue.indoors
    assert read_venue(DATA / "lantern_room.toml").indoors
