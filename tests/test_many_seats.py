"""Large venues: memory grows with the answer and not with the work, and the limit is named."""

from __future__ import annotations

import gc
import tracemalloc
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from fillalign import plan_fills, seat_field, seat_speech
from fillalign.planning import zones
from fillalign.venue import VenueError, read_venue
from fillalign.venue.consistency import SEAT_LIMIT
from tests.demo_plans import DATA
from tests.small_venue import small_hall

HALL = small_hall(allowed_fall_db=2.0)
# Of known volume, but with seats as far out as it takes.
OPEN = replace(HALL, room=replace(HALL.room, drawn=True))


def dense(seats_a_row):
    """Return the hall with 40 rows of so many seats in each of its two areas."""
    half_m = max(9.0, 0.1 * (seats_a_row - 1))
    return replace(OPEN, areas=tuple(
        replace(area, y_from_m=-half_m, y_to_m=half_m,
                row_spacing_m=(area.x_to_m - area.x_from_m) / 39,
                seat_spacing_m=2 * half_m / (seats_a_row - 1))
        for area in HALL.areas
    ))


def peak_bytes(work, seats_a_row):
    """Return the number of seats and the most memory that some work holds at once."""
    venue = dense(seats_a_row)
    gc.collect()
    tracemalloc.start()
    try:
        work(venue)
        peak = tracemalloc.get_traced_memory()[1]
        return sum(rows * seats for rows, seats in (area.counts for area in venue.areas)), peak
    finally:
        tracemalloc.stop()


def bytes_a_seat(work, few, many):
    """Return the memory of some work for each seat more, between venues of the same rows."""
    (seats, low), (more_seats, high) = peak_bytes(work, few), peak_bytes(work, many)
    assert (seats, more_seats) == (80 * few, 80 * many)
    assert low < 60e6
    return (high - low) / (more_seats - seats)


@pytest.mark.parametrize(("work", "most_bytes"), [
    # Levels of everything (3) and of each output (2) in 27 bands, two arrivals, a place.
    (seat_field, (5 * 27 + 2 + 3) * 8),
    (seat_speech, 400),
])
def test_memory_for_a_seat_is_bounded(work, most_bytes):
    assert bytes_a_seat(work, 30, 60) < 1.25 * most_bytes


@pytest.mark.long
def test_memory_for_a_seat_of_a_plan_is_bounded(monkeypatch):
    """For a seat that decides: four sources in 27 bands and 55 parts; for others: its checks."""
    assert any(fill.sounding for fill in plan_fills(dense(10)).fills)
    assert bytes_a_seat(plan_fills, 10, 20) < 1.25 * 16_000
    monkeypatch.setattr(zones, "deciding_seats", partial(zones.deciding_seats, most=400))
    assert bytes_a_seat(plan_fills, 30, 60) < 1.25 * 150


def test_a_seat_among_many_is_what_it_is_alone():
    venue = dense(50)
    field = seat_field(venue, sounding=["Mains"])
    assert field.total_db.shape == (4000, 27)
    for place in (0, 1023, 1024, 3999):
        alone = seat_field(venue, sounding=["Mains"], seats_m=field.seats_m[[place]])
        np.testing.assert_allclose(field.total_db[place], alone.total_db[0], atol=1e-9)
        np.testing.assert_allclose(field.arrival_ms[:, place], alone.arrival_ms[:, 0])


def test_no_seats_are_no_error():
    field = seat_field(HALL, seats_m=np.empty((0, 3)))
    assert field.total_db.shape == (0, 27)
    assert field.weighted_db().shape == (0,)


def with_seats(rows, seats_a_row):
    """Return changes of the two areas that make so many seats of the first and one of the other."""
    front, back = HALL.areas
    depth, width = 0.2 * (rows - 1), 0.2 * (seats_a_row - 1)
    return (replace(front, x_to_m=front.x_from_m + depth, y_from_m=0.0, y_to_m=width,
                    row_spacing_m=0.2, seat_spacing_m=0.2),
            replace(back, x_to_m=back.x_from_m, y_to_m=back.y_from_m))


def test_the_limit_of_a_venue_is_exact_and_named():
    assert SEAT_LIMIT >= 200_000
    assert replace(OPEN, areas=with_seats(9, 9_001)).areas[0].counts == (9, 9_001)
    full = replace(OPEN, areas=with_seats(499, 501))
    assert full.areas[0].counts[0] * full.areas[0].counts[1] + 1 == SEAT_LIMIT
    words = "^Venue Small Hall areas: must hold at most 250000 seats in all, got 250001$"
    with pytest.raises(ValueError, match=words):
        replace(OPEN, areas=with_seats(500, 500))


def test_the_limit_of_a_file_is_named(tmp_path):
    text = (DATA / "lantern_room.toml").read_text(encoding="utf-8")
    path = tmp_path / "large.toml"
    spacing = "row_spacing_m = 0.2\nseat_spacing_m = 0.2\n"
    path.write_text(text.replace("y_to_m = 3.0\n", f"y_to_m = 3.0\n{spacing}"), encoding="utf-8")
    venue = read_venue(path)
    assert [area.counts for area in venue.areas] == [(21, 31), (16, 31)]
    wide = text.replace("width_m = 8.0", "width_m = 500").replace("height_m = 3.2", "height_m = 30")
    wide = wide.replace("x_to_m = 11.0", "x_to_m = 400")
    wide = wide.replace("y_to_m = 3.0\n", f"y_to_m = 240\n{spacing}")
    path.write_text(wide.replace("x_to_m = 10.0", "x_to_m = 390"), encoding="utf-8")
    with pytest.raises(VenueError, match=r"must hold at most 250000 seats in all, got 2\d{6}$"):
        read_venue(path)
