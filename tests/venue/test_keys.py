"""Seat geometry and look-ups of the venue records.

The checks are plane geometry: counts, spacings, symmetry and the tangent.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st

from fillalign import Goals, Loudspeaker, Measured, Output, seat_field
from fillalign.venue import Area, read_venue
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
    return replace(HALL, states={**HALL.states, name: replace(HALL.states[name], **changes)})


def with_reading(*words, **level):
    return replace(HALL, measured=(Measured(words[0], (9.0, 0.0, 1.2), words[1], **level),))


@pytest.mark.parametrize(("call", "words"), [
    (lambda: replace(HALL, programme="opera"),
     "Venue Small Hall: programme must be one of speech, music, got 'opera'"),
    (lambda: HALL.with_goals(delay_rule="late"),
     "Goals: delay_rule must be one of equal-level, box-to-box, never-early, got 'late'"),
    (lambda: replace(HALL, states={"show": HALL.states["show"]}),
     "Venue Small Hall state check: is missing: give at least temperature_c in C"),
    (lambda: with_state("check", rt60_s={}),
     "State check: rt60_s is missing: a table of octaves in Hz, each between 0.05 and 20 s"),
    (lambda: with_state("show", rt60_s={63: 1.5}),
     "State show: rt60_s must have every octave, got none at 125 Hz"),
    (lambda: replace(HALL, outputs={"Desk": HALL.outputs["Mains"], "Fills": HALL.outputs["Fills"]}),
     "Venue Small Hall: outputs must go by their own names, got 'Mains' as 'Desk'"),
    (lambda: HALL.with_output("Mains", feed="stereo"),
     "Output Mains: feed must be one of left, right, mono, got 'stereo'"),
    (lambda: Loudspeaker("fill box", (90, 60), 110.0), "Loudspeaker fill box: level_dba is "
     "missing: between 0 and 160 dBA, or give level_by_octave_db"),
    (lambda: replace(HALL, areas=(*HALL.areas, HALL.areas[0])),
     "Area front: name 'front' is given twice"),
    (lambda: HALL.with_area("front", x_from_m=50.0),
     "Area front: x_to_m must be at least x_from_m, 50 m, got 20"),
    (lambda: HALL.with_area("front", y_to_m=-50.0),
     "Area front: y_to_m must be at least y_from_m, -9 m, got -50"),
    (lambda: HALL.with_area("front", row_spacing_m=0.0),
     "Area front: row_spacing_m must be between 0.2 and 100 m, got 0"),
    (lambda: HALL.with_area("front", seat_spacing_m=-1.0),
     "Area front: seat_spacing_m must be between 0.2 and 100 m, got -1"),
    (lambda: HALL.with_output("Mains", latency_ms=-5.0),
     "Output Mains: latency_ms must be between 0 and 1000 ms, got -5"),
    (lambda: HALL.with_goals(image_margin_ms=500.0),
     "Goals: image_margin_ms must be between 0 and 30 ms, got 500"),
    (lambda: HALL.with_source(FILL.name, kind="dealy"),
     "Source Fill +6.5: kind must be one of delay, under-balcony, front, tower, got 'dealy'"),
    (lambda: replace(HALL, areas=()),
     "Venue Small Hall areas: is missing: a venue needs at least one seat area\n"
     "Source Fill -6.5: covers 'back' is not in the venue; there are none\n"
     "Source Fill +6.5: covers 'back' is not in the venue; there are none"),
    (lambda: HALL.with_source(MAIN.name, role="top"),
     "Source Main -6.5: role must be one of main, sub, fill, got 'top'"),
    (lambda: HALL.with_source(MAIN.name, output="Nope"),
     "Source Main -6.5: output 'Nope' is not in the venue; known: Mains, Fills"),
    (lambda: HALL.with_source(MAIN.name, loudspeaker="Nope"),
     "Source Main -6.5: loudspeaker 'Nope' is not in the venue; known: main box, fill box"),
    (lambda: HALL.with_source(MAIN.name, covers=("back",)),
     "Source Main -6.5: kind and covers have no place in a main"),
    (lambda: HALL.with_source(FILL.name, covers=("pit",)),
     "Source Fill +6.5: covers 'pit' is not in the venue; known: front, back"),
    (lambda: HALL.with_source(FILL.name, covers=()), "Source Fill +6.5: covers is missing: a list "
     "of one or more values, each text of 1 to 80 characters without control characters"),
    (lambda: HALL.with_source(FILL.name, output="Mains"),
     "Source Fill +6.5: output 'Mains' already drives 'Main -6.5' of mains: one output serves "
     "mains, subs or fills, not two of them"),
    (lambda: replace(HALL, outputs={**HALL.outputs, "Spare": Output("Spare", "mono", "console")}),
     "Output Spare: drives no loudspeaker of mains, subs or fills"),
    (lambda: replace(HALL, sources=HALL.of_role("fill"), outputs={"Fills": HALL.outputs["Fills"]}),
     "Venue Small Hall mains: is missing: a venue needs at least one main loudspeaker"),
    (lambda: with_reading("Nope", "show", level_dba=80.0),
     "Measured: output 'Nope' is not in the venue; known: Mains, Fills"),
    (lambda: with_reading("Mains", "rehearsal", level_dba=80.0),
     "Measured: state must be one of check, show, got 'rehearsal'"),
    (lambda: with_reading("Mains", "show"), "Measured: level_dba is missing: between 0 and 160 "
     "dBA, or give by_octave_db"),
])
def test_what_does_not_fit_is_named(call, words):
    """As in a file, so that no made venue fails somewhere in the middle of a plan."""
    with pytest.raises(ValueError, match=f"^{re.escape(words)}$"):
        call()


@pytest.mark.parametrize(("call", "words"), [
    (lambda: replace(HALL, loudspeakers=list(HALL.loudspeakers.values())),
     "Venue Small Hall: loudspeakers must be a mapping of text to Loudspeaker, got ["),
    (lambda: replace(HALL, measured=("x",)),
     "Venue Small Hall: measured must be a tuple of any number, each Measured, got ('x',)"),
    (lambda: replace(HALL, room=3), "Venue Small Hall: room must be a Room, got int"),
    (lambda: replace(HALL, goals=None), "Venue Small Hall: goals must be a Goals, got NoneType"),
    (lambda: with_state("show", air=20.0), "State show: air must be an Air, got float"),
    (lambda: HALL.with_source(FILL.name, covers="back"), "Source Fill +6.5: covers must be a list "
     "of one or more values, each text of 1 to 80 characters without control characters, got "
     "'back'"),
    (lambda: replace(HALL, weather_c=12.0), "Venue Small Hall: weather_c must be a list of one or "
     "more values, each between -50 and 60 C, got 12"),
    (lambda: replace(HALL, stage_microphone_m=3), "Venue Small Hall: stage_microphone_m must be "
     "three values, x, y and z, each between -2000 and 2000 m, got 3"),
    (lambda: replace(HALL, hold_back_ms=True),
     "Venue Small Hall: hold_back_ms must be between 0 and 1000 ms, got true"),
    (lambda: Goals(sti="good"), "Goals: sti must be between 0 and 1 (a fraction), got 'good'"),
    (lambda: HALL.with_output("Mains", latency_ms="2"),
     "Output Mains: latency_ms must be between 0 and 1000 ms, got '2'"),
    (lambda: HALL.with_loudspeaker("main box", level_by_octave_db=3.0), "Loudspeaker main box: "
     "level_by_octave_db must be a table of octaves in Hz, each between -20 and 160 dB, got 3"),
])
def test_fields_of_another_kind_are_named(call, words):
    with pytest.raises(TypeError, match=f"^{re.escape(words)}"):
        call()


@pytest.mark.parametrize(("call", "words"), [
    (lambda: replace(HALL, stage_microphone_m=(0.0, 1.0)), "must be three values, x, y and z"),
    (lambda: replace(HALL, stage_microphone_m=(0.0, 1.0, np.nan)), "value 3 must be .*, got nan"),
    (lambda: replace(HALL, hold_back_ms=10**400), "got a number of more than 60 digits"),
    (lambda: replace(HALL, hold_back_ms=1e200), r"hold_back_ms must be .*, got 1e\+200"),
    (lambda: HALL.with_output("Mains", low_cut_orders=(2.5,)), "value 1 must be a whole number"),
    (lambda: HALL.with_loudspeaker("main box", level_dba=None, level_by_octave_db={"1k": 3.0}),
     "level_by_octave_db has no octave '1k': use 63, 125"),
    (lambda: HALL.with_output("Mains", locked={"delay": 3.0}),
     "Output Mains locked: delay unknown key; did you mean delay_ms?"),
])
def test_values_that_cannot_be_are_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_lists_and_arrays_do_for_tuples():
    place = np.array([0.0, 1.0, 1.5])
    hall = replace(HALL, stage_microphone_m=place, weather_c=[12, np.float32(15)])
    assert hall.stage_microphone_m == (0.0, 1.0, 1.5)
    assert hall.weather_c == (12.0, 15.0)


def test_a_map_takes_points_and_names():
    with pytest.raises(ValueError, match=r"^seats_m must have shape \(n, 3\), got \(2, 5, 3\)$"):
        seat_field(HALL, seats_m=np.ones((2, 5, 3)))
    with pytest.raises(TypeError, match=r"^sounding must be a list of outputs, got 'Mains'$"):
        seat_field(HALL, sounding="Mains")
    field = seat_field(HALL, seats_m=[[9.0, 0.0, 1.2]])
    assert repr(field) == "SeatField(1 seats, outputs Mains, Fills)"


def test_no_seat_area_of_another_name_is_found():
    with pytest.raises(KeyError, match="no seat area named 'pit'; there are front, back"):
        HALL.area("pit")
