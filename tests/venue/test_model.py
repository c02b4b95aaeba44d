"""Seat geometry and look-ups of the venue records.

The checks are plane geometry: counts, spacings, symmetry and the tangent.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillalign import Goals, Loudspeaker, Measured, Output, plan_fills, seat_field
from fillalign.venue.model import Area
from fillalign.venue.reader import read_venue
from tests.small_venue import small_hall

DATA = Path(__file__).parents[2] / "data"


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


HALL = small_hall()
MAIN, FILL = HALL.sources[0], HALL.sources[-1]


def with_state(name, **changes):
    return {"states": {**HALL.states, name: replace(HALL.states[name], **changes)}}


def with_source(source, **changes):
    return {"sources": tuple(replace(one, **changes) if one is source else one
                             for one in HALL.sources)}


def with_area(**changes):
    return {"areas": (replace(HALL.areas[0], **changes), *HALL.areas[1:])}


def with_reading(*words, **level):
    return {"measured": (Measured(words[0], (9.0, 0.0, 1.2), words[1], **level),)}


@pytest.mark.parametrize(("changes", "words"), [
    ({"programme": "opera"}, "programme must be one of speech, music, got 'opera'"),
    ({"goals": replace(HALL.goals, delay_rule="late")}, "delay_rule must be one of equal-level"),
    ({"states": {"show": HALL.states["show"]}}, "needs the states check and show, got no check"),
    (with_state("check", rt60_s={}), "'check' must have rt60_s at every octave .* none at 63 Hz"),
    (with_state("show", rt60_s={63: 1.5}), "'show' must have rt60_s .* got none at 125 Hz"),
    ({"outputs": {"Desk": HALL.outputs["Mains"], "Fills": HALL.outputs["Fills"]}},
     "outputs must go by their own names, got 'Mains' as 'Desk'"),
    ({"outputs": {**HALL.outputs, "Mains": replace(HALL.outputs["Mains"], feed="stereo")}},
     "feed of output 'Mains' must be one of left, right, mono, got 'stereo'"),
    ({"loudspeakers": {**HALL.loudspeakers, "fill box": Loudspeaker("fill box", (90, 60), 110.0)}},
     "loudspeaker 'fill box' must have level_dba or level_by_octave_db, got neither"),
    ({"areas": (*HALL.areas, HALL.areas[0])}, "area 'front' must be there once, got 2"),
    (with_area(x_from_m=50.0), "area 'front' must run from the smaller x and y to the larger"),
    (with_area(y_to_m=-50.0), "area 'front' must run from the smaller x and y to the larger"),
    (with_area(row_spacing_m=0.0), "row_spacing_m of area 'front' must be above 0 m, got 0"),
    (with_area(seat_spacing_m=-1.0), "seat_spacing_m of area 'front' must be above 0 m, got -1"),
    ({"outputs": {**HALL.outputs, "Mains": replace(HALL.outputs["Mains"], latency_ms=-5.0)}},
     "latency_ms of output 'Mains' must be between 0 and 1000 ms, got -5"),
    ({"goals": replace(HALL.goals, image_margin_ms=500.0)}, "image_margin_ms must be between -100"),
    (with_source(FILL, kind="dealy"), "kind of fill 'Fill .*' must be one of delay, under-balcony"),
    ({"areas": ()}, "at least one seat area, got none"),
    (with_source(MAIN, role="top"), "role of 'Main -6.5' must be one of main, sub, fill, got"),
    (with_source(MAIN, output="Nope"), "output of main 'Main -6.5' must be one of Mains, Fills"),
    (with_source(MAIN, loudspeaker="Nope"), "loudspeaker of main 'Main -6.5' must be one of main"),
    (with_source(FILL, covers=("pit",)), "covers, 'Fill .*', must be one of front, back, got"),
    (with_source(FILL, covers=()), "fill 'Fill .*' must cover a seat area, got none"),
    (with_source(FILL, output="Mains"), "'Mains' must drive mains, subs or fills, got fill and ma"),
    ({"outputs": {**HALL.outputs, "Spare": Output("Spare", "mono", "console")}},
     "output 'Spare' must drive mains, subs or fills, got no loudspeaker"),
    (with_reading("Nope", "show", level_dba=80.0), "output of a measured level of 'Nope' must be"),
    (with_reading("Mains", "rehearsal", level_dba=80.0), "state of a measured level of 'Mains' mu"),
    (with_reading("Mains", "show"), "must have level_dba or by_octave_db, got neither"),
])
def test_parts_that_do_not_fit_together_are_named(changes, words):
    """As in a file, so that no made venue fails somewhere in the middle of a plan."""
    with pytest.raises(ValueError, match=words):
        replace(HALL, **changes)


def test_mapping_and_tuple_are_asked_for_where_a_script_slips():
    with pytest.raises(TypeError, match=r"^Venue Small Hall: loudspeakers must be a mapping of "
                       r"text to Loudspeaker, got \["):
        replace(HALL, loudspeakers=list(HALL.loudspeakers.values()))
    with pytest.raises(TypeError, match=r"^Source Fill .*: covers must be a tuple of any number, "
                       r"each text, got 'back'$"):
        replace(HALL, **with_source(FILL, covers="back"))


@pytest.mark.parametrize(("changes", "words"), [
    ({"weather_c": 12.0}, "Venue Small Hall: weather_c must be a tuple .*, each a number, got 12"),
    ({"stage_microphone_m": (0.0, 1.0)}, "stage_microphone_m must be a tuple of 3, each a number"),
    ({"stage_microphone_m": (0.0, 1.0, np.nan)}, "stage_microphone_m must be a tuple of 3"),
    ({"hold_back_ms": True}, "hold_back_ms must be a number, got True"),
    ({"hold_back_ms": 10**400}, "hold_back_ms must be a number, got 1"),
    ({"hold_back_ms": 1e200}, "hold_back_ms must be a number, got 1e"),
    ({"room": 3}, "room must be Room or None, got 3"),
    ({"measured": ("x",)}, "measured must be a tuple of any number, each Measured, got"),
    ({"goals": Goals(sti="good")}, "Goals: sti must be a number or None, got 'good'"),
    ({"outputs": {**HALL.outputs, "Mains": replace(HALL.outputs["Mains"], latency_ms="2")}},
     "Output Mains: latency_ms must be a number, got '2'"),
    ({"outputs": {**HALL.outputs, "Mains": replace(HALL.outputs["Mains"], low_cut_orders=(2.5,))}},
     "Output Mains: low_cut_orders must be a tuple of any number, each a whole number"),
    ({"loudspeakers": {**HALL.loudspeakers, "main box": replace(
        HALL.loudspeakers["main box"], level_by_octave_db={"1k": 3.0})}},
     "Loudspeaker main box: level_by_octave_db must be a mapping of a whole number to a number"),
])
def test_fields_that_hold_something_else_are_named(changes, words):
    with pytest.raises(TypeError, match=words):
        replace(HALL, **changes)


def test_lists_and_arrays_do_for_tuples():
    place = np.array([0.0, 1.0, 1.5])
    assert replace(HALL, stage_microphone_m=place, weather_c=[12, np.float32(15)])


def test_a_map_takes_points_and_names():
    with pytest.raises(ValueError, match=r"^seats_m must have shape \(n, 3\), got \(2, 5, 3\)$"):
        seat_field(HALL, seats_m=np.ones((2, 5, 3)))
    with pytest.raises(TypeError, match=r"^sounding must be a list of outputs, got 'Mains'$"):
        seat_field(HALL, sounding="Mains")
    field = seat_field(HALL, seats_m=[[9.0, 0.0, 1.2]])
    assert repr(field) == "SeatField(1 seats, outputs Mains, Fills)"


def test_a_fill_alone_has_a_field_but_no_plan():
    outputs = {"Fills": HALL.outputs["Fills"]}
    alone = replace(HALL, outputs=outputs, sources=HALL.of_role("fill"))
    assert seat_field(alone, seats_m=[[30.0, 0.0, 1.2]]).total_db.shape == (1, 27)
    with pytest.raises(ValueError, match="a plan needs at least one main in the venue, got none"):
        plan_fills(alone)


def test_no_seat_area_of_another_name_is_found():
    with pytest.raises(KeyError, match="no seat area named 'pit'; there are front, back"):
        HALL.area("pit")
