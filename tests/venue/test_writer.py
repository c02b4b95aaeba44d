"""A venue written is the venue read: any names, octaves, arrays, locks, readings and shadows.

And a file amended: one value changed, all other letters kept, or refused.

The text is TOML 1.0: the standard library's reader, which is not ours, takes it.
"""

from __future__ import annotations

import copy
import difflib
import pickle
import tomllib
from dataclasses import asdict, replace

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from fillalign import (
    OCTAVES_NOMINAL,
    Air,
    Area,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    Room,
    Source,
    State,
    Survey,
    Venue,
)
from fillalign._files import SheetError
from fillalign.venue import (
    VenueError,
    read_demo_venue,
    read_venue,
    read_venue_text,
    with_entries,
    with_latency,
    write_venue,
)
from fillalign.venue.reader import FILE_LIMIT_BYTES
from fillalign.venue.values import is_text
from tests.demo_plans import DATA, VENUES
from tests.small_venue import small_hall

HALL = small_hall()
# An output may not be called like a column of the re-time table.
NAMES = st.text(min_size=1, max_size=20).filter(
    lambda name: is_text(name) and name not in ("temperature_c", "humidity_pct", "speed_m_s"))
DECAY = st.fixed_dictionaries(dict.fromkeys(OCTAVES_NOMINAL, st.floats(0.05, 20)))
LOSS = st.fixed_dictionaries(dict.fromkeys(OCTAVES_NOMINAL, st.floats(0, 60)))
LOCKS = st.fixed_dictionaries({}, optional={
    "delay_ms": st.floats(0, 900),
    "trim_db": st.one_of(st.floats(-120, 20), st.just(-float("inf"))),
    "low_cut_hz": st.one_of(st.none(), st.floats(20, 2000)), "low_cut_order": st.just(2),
    "low_cut_kind": st.just("butterworth"), "shelf_db": st.floats(-12, 12),
    "shelf_hz": st.floats(500, 16000), "polarity": st.sampled_from(["normal", "inverted"])})


@st.composite
def venues(draw):
    """Draw a lopsided venue: an array, a sub, a locked fill, readings, a shadow, weather."""
    name = draw(st.lists(NAMES, min_size=9, max_size=9, unique=True))
    outdoors = draw(st.booleans())
    air = st.builds(Air, st.floats(-50, 60), st.one_of(st.just(0.0), st.floats(1, 100)),
                    st.floats(50, 110))
    states = {state: State(state, draw(air), draw(st.floats(0, 40)), draw(st.floats(-360, 360)),
                           {} if outdoors else draw(DECAY)) for state in ("check", "show")}
    elements = draw(st.integers(2, 5))
    array = Loudspeaker(
        name[0], (100, 12), 140.0, level_by_octave_db={63: 90.5, 125: 91.0, 250: 80.0},
        elements=elements, spacing_m=draw(st.floats(0.02, 1)),
        splay_deg=tuple(draw(st.lists(st.floats(0, 30), min_size=elements - 1,
                                      max_size=elements - 1))))
    box = Loudspeaker(name[1], (90, 60), 120.0, level_dba=draw(st.floats(0, 100)))
    outputs = [
        Output(name[2], "left", draw(NAMES), latency_ms=draw(st.floats(0, 1000))),
        Output(name[3], "mono", draw(NAMES), polarity="inverted"),
        Output(name[4], "right", draw(NAMES), delay_step_ms=1 / 48,
               low_cut_kinds=("linkwitz-riley", "butterworth"), low_cut_orders=(4, 2),
               locked=draw(LOCKS), delay_rule="box-to-box", image_margin_ms=7.5),
    ]
    areas = (Area(name[5], 3, 9, -4, 5, rake_deg=draw(st.floats(0, 5))),
             Area(name[6], 11, 20, -4, 5, shadowed_from=("mains", name[8]),
                  shadow_loss_db=draw(LOSS), allowed_fall_db=draw(st.floats(0, 40)),
                  priority="words"))
    return Venue(
        name=draw(NAMES), programme=draw(st.sampled_from(["speech", "music"])), states=states,
        loudspeakers={one.name: one for one in (array, box)},
        outputs={one.name: one for one in outputs},
        # Out of order on purpose: a venue keeps them by role, as a file does.
        sources=(
            Source(name[7], "fill", name[4], name[1], (10, 2, 4), (18, 2.5, 1.2), "delay",
                   (name[6],)),
            Source(name[8], "sub", name[3], name[1], (1, 0, 0.5), (9, 0, 0.5)),
            Source(draw(NAMES.filter(lambda one: one not in name)), "main", name[2], name[0],
                   (0, 1.5, 5), (15, 1, 1.2)),
        ),
        areas=areas,
        goals=Goals(reference_rows_m=(5, 8), sti=draw(st.floats(0, 1)), priority="image",
                    noise_db=draw(st.fixed_dictionaries(
                        dict.fromkeys(OCTAVES_NOMINAL, st.floats(-20, 160))))),
        room=None if outdoors else Room(-2, 25, 14, 9, draw(st.floats(1000, 9000)),
                                        drawn=False),
        stage_microphone_m=(-1, draw(st.floats(-6, 6)), 1.5),
        measured=(Measured(name[2], (7, 1, 1.2), "show", level_dba=80.25),
                  Measured(name[4], (15, 1, 1.2), by_octave_db={125: 70.5, 4000: 66.0})),
        weather_c=tuple(draw(st.lists(st.floats(-50, 60), max_size=4, unique=True))),
        survey=Survey(laser_m=draw(st.floats(0.001, 1))),
    )


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(venue=venues())
def test_what_is_written_is_read_as_an_equal_venue(venue):
    text = venue.to_toml()
    tomllib.loads(text)
    again = read_venue_text(text)
    assert again == venue
    assert hash(again) == hash(venue)
    told = [
        [line for line in one.splitlines() if line[:1] != "#"]
        for one in (again.to_toml(), text)
    ]
    assert "\n".join(told[0]).strip() == "\n".join(told[1]).strip()


@pytest.mark.parametrize("name", ["tidewell_hall", "cinder_meadow", "saltmarsh_chapel",
                                  "lantern_room"])
def test_a_demo_venue_goes_out_as_it_came_in(tmp_path, name):
    venue = read_demo_venue(name)
    write_venue(venue, tmp_path / "again.toml")
    assert read_venue(tmp_path / "again.toml") == venue
    # What was left to the library is still there to be checked, in comments.
    lines = (tmp_path / "again.toml").read_text(encoding="utf-8").splitlines()
    assert {f"# {line}" for line in venue.defaults_used} <= {*lines}


def test_a_room_of_volume_alone_is_written_so():
    text = read_demo_venue("lantern_room").to_toml()
    start = text.index("\n[room]\n") + 1
    end = text.index("\n[", start) + 1
    bare = read_venue_text(f"{text[:start]}[room]\nvolume_m3 = 310.0\n\n{text[end:]}")
    assert bare.room.drawn
    room = bare.to_toml().split("\n[room]\n")[1].split("\n[")[0]
    assert room.strip() == "volume_m3 = 310.0"
    assert read_venue_text(bare.to_toml()) == bare


def test_no_file_is_written_over_unless_told(tmp_path):
    path = tmp_path / "hall.toml"
    write_venue(HALL, path)
    with pytest.raises(SheetError, match="is there already"):
        write_venue(HALL, path)
    write_venue(HALL.with_goals(sti=0.5), path, overwrite=True)
    assert read_venue(path).goals.sti == 0.5
    with pytest.raises(TypeError, match=r"^venue must be a Venue, such as read_venue returns, g"):
        write_venue(3, path)


def test_text_is_asked_for():
    with pytest.raises(TypeError, match="text must be a str, got int"):
        read_venue_text(3)
    with pytest.raises(VenueError, match=r"^text: is not valid TOML"):
        read_venue_text("[venue")


# --- records ----------------------------------------------------------------------------


def test_records_are_copied_pickled_and_hashed():
    for one in (HALL, HALL.goals, HALL.outputs["Fills"], HALL.states["show"]):
        for other in (copy.deepcopy(one), pickle.loads(pickle.dumps(one)), replace(one)):
            assert other == one
            assert hash(other) == hash(one)
    assert asdict(HALL)["states"]["show"]["rt60_s"][1000] == 1.4


def test_nobody_changes_a_record_from_outside():
    decay = dict.fromkeys(OCTAVES_NOMINAL, 1.0)
    state = State("show", Air(20.0), rt60_s=decay)
    decay[63] = 9.0
    assert state.rt60_s[63] == 1.0
    for change in (lambda held: held.update({63: 2.0}), lambda held: held.pop(63),
                   lambda held: held.clear(), lambda held: held.__setitem__(63, 2.0)):
        with pytest.raises(TypeError, match="what a record holds cannot be changed"):
            change(state.rt60_s)
    with pytest.raises(TypeError, match="cannot be changed"):
        HALL.outputs["New"] = HALL.outputs["Fills"]


def test_one_part_of_a_venue_is_changed_by_name():
    hall = HALL.with_source("Fill +6.5", position_m=(20, 4, 5)).with_area("back", rake_deg=3)
    hall = hall.with_output("Fills", latency_ms=4).with_loudspeaker("fill box", level_dba=90)
    assert hall.source("Fill +6.5").position_m == (20.0, 4.0, 5.0)
    assert hall.area("back").rake_deg == 3.0
    assert hall.outputs["Fills"].latency_ms == 4.0
    assert hall.loudspeakers["fill box"].level_dba == 90.0
    assert hall.of_role("main") == HALL.of_role("main")
    for call in (HALL.with_source, HALL.with_area, HALL.with_output, HALL.with_loudspeaker):
        with pytest.raises(KeyError, match="named 'nobody'; there are "):
            call("nobody")


def test_what_is_given_is_no_default_any_more():
    room = read_demo_venue("lantern_room")
    line = "[output.*] delay_max_ms = 1000 ms (Mains, Fill)"
    assert line in room.defaults_used
    changed = room.with_output("Fill", delay_max_ms=500.0).defaults_used
    assert line not in changed
    assert "[output.*] delay_max_ms = 1000 ms (Mains)" in changed
    both = room.with_output("Fill", delay_max_ms=5.0).with_output("Mains", delay_max_ms=5.0)
    assert not any("delay_max_ms" in line for line in both.defaults_used)


# --- limits -----------------------------------------------------------------------------


def test_a_dotted_key_of_many_parts_is_refused_before_it_costs_memory():
    text = ".".join(["a"] * 28_000) + " = 1\n"
    assert len(text) < FILE_LIMIT_BYTES
    with pytest.raises(VenueError, match="a key with more than 16 parts in line 2"):
        read_venue_text(f"# ...\n{text}")


def test_the_first_problems_are_told_and_the_others_counted():
    with pytest.raises(VenueError) as caught:
        read_venue_text("".join(f"a{number} = 1\n" for number in range(60_000)))
    assert len(caught.value.problems) == 51
    assert len(str(caught.value)) < 10_000
    assert str(caught.value).endswith("text: and 59955 problems more")


def test_so_many_laser_points_are_a_slip():
    point = "{ point_m = [0.0, 0.0, 0.0], distance_m = 1.0 }"
    text = f"[[mains]]\nname = 'M'\nposition_from = [{', '.join([point] * 10_000)}]\n"
    with pytest.raises(VenueError, match="position_from: must be at most 500 values, got 10000"):
        read_venue_text(text)


def test_outputs_and_boxes_beyond_what_fits_are_named():
    outputs = {f"O{n}": replace(HALL.outputs["Fills"], name=f"O{n}") for n in range(64)}
    fills = tuple(replace(HALL.sources[-1], name=f"F{n}", output=f"O{n}") for n in range(64))
    with pytest.raises(ValueError, match="has too many output: at most 64, got 65"):
        replace(HALL, outputs={"Mains": HALL.outputs["Mains"], **outputs},
                sources=(*HALL.of_role("main"), *fills))
    many = tuple(replace(HALL.sources[-1], name=f"F{n}") for n in range(300))
    with pytest.raises(ValueError, match="too many mains, subs and fills: at most 300, got 302"):
        replace(HALL, sources=(*HALL.of_role("main"), *many))
    array = {"elements": 64, "spacing_m": 0.3}
    with pytest.raises(ValueError, match="too many elements of all boxes: at most 1000, got"):
        replace(HALL, sources=(*HALL.of_role("main"), *many[:20])).with_loudspeaker(
            "fill box", **array)


# --- amended ----------------------------------------------------------------------------


def changed(before, after):
    """Return the lines that went and those that came."""
    lines = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    return [[line[2:] for line in lines if line.startswith(sign)] for sign in "-+"]


@pytest.mark.parametrize("name", [
    name if name != "cinder_meadow" else pytest.param(name, marks=pytest.mark.long)
    for name in VENUES])
def test_one_line_of_a_venue_changes(name):
    text = (DATA / f"{name}.toml").read_text(encoding="utf-8")
    for output in read_venue_text(text).outputs:
        made = with_latency(text, output, 7.654, note="by a take")
        went, came = changed(text, made)
        assert came == ["latency_ms = 7.65  # by a take"]
        assert len(went) <= 1
        for other, record in read_venue_text(made).outputs.items():
            wanted = 7.65 if other == output else read_venue_text(text).outputs[other].latency_ms
            assert record.latency_ms == wanted


@pytest.mark.parametrize(("text", "line"), [
    ("[output.A]\n[output.B]\nlatency_ms = 1", "[output.A]\nlatency_ms = 2.0\n"),
    ("[ output . 'A' ] # x\r\nfeed = 'mono'\r\n", "# x\r\nlatency_ms = 2.0\r\nfeed"),
    ('[output."A"]\n"latency_ms"=1\n[output.A.locked]\ndelay_ms = 3\n', "]\nlatency_ms = 2.0\n[o"),
    ("[output.B]\nlatency_ms = 1\n[output.A]\nlatency_ms = 1", "[output.A]\nlatency_ms = 2.0"),
    ("[output.B]\nlatency_ms = 2\n[output.A]\nlatency_ms = 2", "[output.A]\nlatency_ms = 2.0"),
    ("note = '''\n[output.A]\n'''\n[output.A]\n#\n", "'''\n[output.A]\nlatency_ms = 2.0\n#"),
])
def test_forms_of_tables_that_people_write(text, line):
    made = with_latency(text, "A", 2.0)
    assert line in made
    assert tomllib.loads(made)["output"]["A"]["latency_ms"] == 2.0
    assert made.endswith("\n") == text.endswith("\n")


@pytest.mark.parametrize("text", [
    "[output]\nA = { feed = 'mono' }\n",
    "note = '''\n[output.A]\n'''\n[output]\nA.feed = 'mono'\n",
    "[output.B]\n",
    "[output.B]\nlatency_ms = 2.0\n[output]\nA = { latency_ms = 1 }\n",
])
def test_what_cannot_be_changed_safely_is_left_to_a_hand(text):
    with pytest.raises(ValueError, match=r"put latency_ms = 2\.0 into the table of output 'A' by"):
        with_latency(text, "A", 2.0)


def test_a_latency_out_of_range_is_refused():
    with pytest.raises(ValueError, match="latency_ms must be between 0 and 1000 ms"):
        with_latency("[output.A]", "A", -1.0)


@pytest.mark.parametrize("text", ["", "[venue]\nname = 'x'", "[[measured]]\na = 1\r\n"])
def test_entries_are_added_at_the_end(text):
    made = with_entries(text, "[[measured]]\nb = 2\n\n[output.'x y']\nc = 3\n")
    assert made.startswith(text.rstrip())
    told = tomllib.loads(made)
    assert told["measured"] == [*tomllib.loads(text).get("measured", []), {"b": 2}]
    assert told["output"] == {"x y": {"c": 3}}


@pytest.mark.parametrize(("text", "match"), [
    ("measured = 3", "has measured in another form"),
    ("measured = []", "paste the entries by hand"),
    ("[output.x]\nd = 1", "paste the entries by hand"),
])
def test_entries_that_would_break_the_file_are_refused(text, match):
    with pytest.raises(ValueError, match=match):
        with_entries(text, "[[measured]]\nb = 2\n[output.x]\nc = 3\n")
