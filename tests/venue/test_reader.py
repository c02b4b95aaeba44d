"""Reading venue files: errors word for word, feet, defaults, every key of the schema.

What the files say is checked against things outside the project: the
international foot of 0.3048 m (agreement of 1959), the inverse square law, the
standard atmosphere, TOML 1.0. The malformed files carry their own errors.
"""

from __future__ import annotations

import copy
import json
import math
import os
import pickle
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from fillalign.loudspeakers import off_axis_angles
from fillalign.venue import DEMO_VENUES
from fillalign.venue.keys import TABLES
from fillalign.venue.reader import FEET, FILE_LIMIT_BYTES, VenueError, read_venue
from fillalign.venue.values import NAMED, SINGLE

HERE = Path(__file__).parents[1]
DEMOS = [HERE.parent / "data" / f"{name}.toml" for name in DEMO_VENUES]
MALFORMED = sorted((HERE / "malformed").glob("*.toml"))

OCTAVES = ("63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000")


def octaves(first: float, step: float) -> dict[str, float]:
    return {band: first + step * index for index, band in enumerate(OCTAVES)}


def lasered(*readings: tuple[list[float], float]) -> list[dict[str, object]]:
    return [{"point_m": point, "distance_m": distance} for point, distance in readings]


# Every table and every key of the form, each at least once.
COMPLETE = {
    "venue": {"name": "Hall", "setting": "indoors", "programme": "music", "hold_back_ms": 3.5},
    "room": {"x_from_m": -4.0, "x_to_m": 36.0, "width_m": 22.0, "height_m": 9.0,
             "volume_m3": 7000.0},
    "state": {
        "show": {"temperature_c": 21.0, "humidity_pct": 45.0, "altitude_m": 300.0,
                 "wind_m_s": 0.5, "wind_towards_deg": 20.0, "rt60_s": octaves(1.8, -0.1)},
        "check": {"temperature_c": 18.0, "humidity_pct": 35.0, "pressure_kpa": 98.0,
                  "wind_m_s": 0.4, "wind_towards_deg": 10.0, "rt60_s": octaves(2.2, -0.1),
                  "assumed": ["wind_m_s"]},
    },
    "loudspeaker": {
        "box": {"coverage_deg": [90, 60], "maximum_dba": 120.0, "level_dba": 94.0,
                "rear_floor_db": -18.0, "low_limit_hz": 70.0, "control_hz": 900.0, "elements": 1},
        "array": {"coverage_deg": [100, 12], "maximum_dba": 130.0,
                  "level_by_octave_db": octaves(90.0, 1.0), "rear_floor_db": -16.0,
                  "low_limit_hz": 60.0, "control_hz": 950.0, "elements": 3, "spacing_m": 0.25,
                  "splay_deg": [2.0, 4.0]},
        "spare": {"coverage_deg": [80, 80], "maximum_dba": 100.0, "level_dba": 80.0,
                  "rear_floor_db": -15.0, "low_limit_hz": 90.0, "control_hz": 990.0,
                  "elements": 1, "assumed": ["coverage_deg"]},
    },
    "output": {
        "Main": {"feed": "left", "set_in": "console", "latency_ms": 2.0, "delay_step_ms": 0.02,
                 "delay_max_ms": 400.0, "sample_rate_hz": 48000.0, "polarity": "normal",
                 "low_cut_kinds": ["butterworth"], "low_cut_orders": [2, 4]},
        "Sub": {"feed": "mono", "set_in": "console", "latency_ms": 2.0, "delay_step_ms": 0.02,
                "delay_max_ms": 400.0, "sample_rate_hz": 48000.0, "polarity": "inverted",
                "low_cut_kinds": ["butterworth"], "low_cut_orders": [2]},
        "Fill": {"feed": "right", "set_in": "amplifier", "latency_ms": 3.0,
                 "delay_step_samples": 2, "delay_max_ms": 600.0, "sample_rate_hz": 96000.0,
                 "polarity": "inverted", "low_cut_kinds": ["linkwitz-riley", "butterworth"],
                 "low_cut_orders": [2, 4], "delay_rule": "box-to-box", "image_margin_ms": 6.0,
                 "priority": "words",
                 "locked": {"delay_ms": 50.0, "trim_db": -6.0, "low_cut_hz": 120.0,
                            "low_cut_order": 2, "low_cut_kind": "butterworth", "shelf_db": 2.0,
                            "shelf_hz": 5000.0, "polarity": "normal"}},
        "Spare": {"feed": "right", "set_in": "amplifier", "latency_ms": 3.0,
                  "delay_step_ms": 0.02, "delay_max_ms": 600.0, "sample_rate_hz": 96000.0,
                  "polarity": "normal", "low_cut_kinds": ["linkwitz-riley"],
                  "low_cut_orders": [4], "assumed": ["latency_ms"]},
    },
    "mains": [
        {"name": "Left", "output": "Main", "loudspeaker": "array", "position_m": [0.0, 6.0, 5.0],
         "aim_m": [20.0, 4.0, 1.2]},
        # 3 m behind two corners 8 m apart: right triangles of 3, 4 and 5.
        {"name": "Centre", "output": "Main", "loudspeaker": "box", "height_m": 5.0,
         "position_from": lasered(([4.0, 4.0, 5.0], 5.0), ([4.0, -4.0, 5.0], 5.0)),
         "side": "stage", "aim_m": [20.0, 0.0, 1.2]},
        {"name": "Right", "output": "Main", "loudspeaker": "box", "position_m": [0.0, -6.0, 5.0],
         "yaw_deg": 15.0, "tilt_deg": 10.0},
    ],
    "subs": [
        {"name": "Sub", "output": "Sub", "loudspeaker": "box", "position_m": [1.0, 0.0, 0.5],
         "aim_m": [9.0, 0.0, 0.5]},
        {"name": "Sub 2", "output": "Sub", "loudspeaker": "box", "position_m": [1.0, 2.0, 0.5],
         "yaw_deg": 180.0, "tilt_deg": 0.0},
        {"name": "Sub 3", "output": "Sub", "loudspeaker": "box", "height_m": 0.5,
         "position_from": lasered(([0.0, 1.0, 0.5], 5.0), ([8.0, 1.0, 0.5], 5.0)),
         "side": "right", "aim_m": [9.0, 0.0, 0.5]},
    ],
    "fills": [
        {"name": "Old fill", "output": "Spare", "loudspeaker": "box",
         "position_m": [17.0, 2.0, 4.0], "aim_m": [26.0, 2.0, 1.2], "kind": "tower",
         "covers": ["back"]},
        {"name": "Fill", "output": "Fill", "loudspeaker": "box", "position_m": [18.0, 2.0, 4.0],
         "aim_m": [26.0, 2.0, 1.2], "kind": "delay", "covers": ["back"]},
        {"name": "Turned fill", "output": "Fill", "loudspeaker": "box",
         "position_m": [18.0, -2.0, 4.0], "yaw_deg": -20.0, "tilt_deg": 25.0,
         "kind": "front", "covers": ["front"]},
        {"name": "Lasered fill", "output": "Fill", "loudspeaker": "box", "height_m": 4.0,
         "position_from": lasered(([14.0, 0.0, 4.0], 5.0), ([22.0, 0.0, 4.0], 5.0)),
         "side": "left", "aim_m": [26.0, 2.0, 1.2], "kind": "delay", "covers": ["back"]},
    ],
    "areas": [
        {"name": "front", "x_from_m": 3.0, "x_to_m": 15.0, "y_from_m": -8.0, "y_to_m": 8.0,
         "row_spacing_m": 1.0, "seat_spacing_m": 0.9, "floor_m": 0.1, "rake_deg": 2.0,
         "ear_height_m": 1.25},
        {"name": "back", "x_from_m": 16.0, "x_to_m": 30.0, "y_from_m": -8.0, "y_to_m": 8.0,
         "row_spacing_m": 1.0, "seat_spacing_m": 0.9, "floor_m": 0.1, "rake_deg": 2.0,
         "ear_height_m": 1.25},
        {"name": "balcony", "x_from_m": 25.0, "x_to_m": 30.0, "y_from_m": -8.0, "y_to_m": 8.0,
         "row_spacing_m": 1.0, "seat_spacing_m": 0.9, "floor_m": 3.0, "rake_deg": 5.0,
         "ear_height_m": 1.25, "shadowed_from": ["mains", "Sub"],
         "shadow_loss_db": octaves(0.0, 1.0), "via_m": [15.0, 6.0, 4.0],
         "allowed_fall_db": 6.0, "priority": "image", "hang_from_m": 14.0, "hang_to_m": 20.0,
         "hang_heights_m": [4.5, 6.0]},
    ],
    "goals": {"allowed_fall_db": 5.0, "reference_rows_m": [8.0, 12.0], "reference_dba": 90.0,
              "back_dba": 85.0, "image_margin_ms": 7.0, "delay_rule": "never-early",
              "priority": "image", "highs_loss_db": 7.0, "sti": 0.5, "hearing_dba": 99.0,
              "noise_db": octaves(50.0, -2.0)},
    "measured": [
        {"output": "Main", "at_m": [10.0, 0.0, 1.2], "state": "show",
         "by_octave_db": {"1000": 80.0}},
        {"output": "Main", "at_m": [12.0, 0.0, 1.2], "state": "show", "level_dba": 84.0,
         "sure": True},
    ],
    "weather": {"temperatures_c": [16.0, 20.0, 24.0]},
    "stage": {"microphone_m": [-1.5, 0.5, 1.5]},
    "survey": {"laser_m": 0.01, "thermometer_c": 0.7, "hygrometer_pct": 4.0, "latency_ms": 0.3},
}
# New values where one per cent more is no answer.
NEW = {
    "name": "New", "programme": "speech", "low_cut_kinds": ["butterworth"], "low_cut_orders": [2],
    "feed": "mono", "set_in": "rack", "polarity": "inverted", "kind": "under-balcony",
    "covers": ["balcony"], "shadowed_from": ["Sub"], "delay_rule": "equal-level", "state": "check",
    "priority": "auto", "sure": False, "assumed": ["name"],
    "loudspeaker": "spare", "low_cut_order": 4, "low_cut_kind": "linkwitz-riley",
    "elements": 4, "delay_step_samples": 3, "temperatures_c": [16.0],
    "locked": {}, "tilt_deg": 12.0, "stage": "back",
    "left": "right", "right": "left",
}  # fmt: skip
NEW_OUTPUT = {"mains": None, "subs": None, "fills": "Spare", "measured": "Sub"}


def inline(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {inline(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return f"[{', '.join(map(inline, value))}]"
    return json.dumps(value)


# Records cannot be changed: what has been read serves again.
_READ = {}


def read(folder: Path, content: dict[str, object] | str):
    text = content if isinstance(content, str) else "\n".join(
        f"{key} = {inline(value)}" for key, value in content.items()
    )
    if text not in _READ:
        path = folder / "hall.toml"
        path.write_text(text, encoding="utf-8")
        _READ[text] = read_venue(path)
    return _READ[text]


def problems(folder: Path, content: dict[str, object] | str) -> list[str]:
    with pytest.raises(VenueError) as caught:
        read(folder, content)
    return str(caught.value).splitlines()


def tables_of(venue: dict, family: str) -> list[dict]:
    if family in SINGLE:
        return [venue[family]] if family in venue else []
    if family == "locked":
        return [row["locked"] for row in venue["output"].values() if "locked" in row]
    if family == "position_from":
        return venue["fills"][-1]["position_from"]
    return list(venue[family].values()) if family in NAMED else venue[family]


KEYS = [(family, key) for family, table in TABLES.items() for key in table
        if key != "name" or family not in NAMED]
# Keys of a table, all spoiled in one file: each alone for long runs.
TOGETHER = [(family, [key for one, key in KEYS if one == family]) for family in TABLES]
ALONE = [pytest.param(family, [key], marks=pytest.mark.long) for family, key in KEYS]


def spoiled(venue: dict, family: str, keys: list[str], spoil) -> None:
    """Change some keys of a family, each in the first row that has it."""
    rows = tables_of(venue, family)
    for row, key in [(next(row for row in rows if key in row), key) for key in keys]:
        spoil(row, key)


# --- errors -----------------------------------------------------------------------------


@pytest.mark.parametrize("path", MALFORMED, ids=lambda path: path.stem)
def test_a_malformed_file_gets_its_exact_error(path):
    head = path.read_bytes().decode("latin-1").splitlines()
    expected = [line.removeprefix("# expect: ") for line in head if line.startswith("# expect: ")]
    assert expected
    with pytest.raises(VenueError) as caught:
        read_venue(path)
    assert str(caught.value).splitlines() == [f"{path.name}: {line}" for line in expected]
    assert caught.value.path == path
    assert len(caught.value.problems) == len(expected)


def test_there_are_at_least_fifty_malformed_files():
    assert len(MALFORMED) >= 50


@pytest.mark.parametrize(("family", "keys"), TOGETHER + ALONE)
def test_a_misspelt_key_is_answered_with_the_right_one(tmp_path, family, keys):
    venue = copy.deepcopy(COMPLETE)
    spoiled(venue, family, keys, lambda row, key: row.update({f"{key}x": row.pop(key)}))
    lines = problems(tmp_path, venue)
    for key in keys:
        assert any(line.endswith(f"{key}x: unknown key; did you mean {key}?") for line in lines), (
            key, lines)


@pytest.mark.parametrize(("family", "keys"), TOGETHER + ALONE)
@pytest.mark.parametrize("wrong", ["nan", *(pytest.param(one, marks=pytest.mark.long)
                                            for one in ("2024-02-03", "[[]]"))])
def test_no_key_takes_nonsense(tmp_path, family, keys, wrong):
    venue = copy.deepcopy(COMPLETE)
    spoiled(venue, family, keys, lambda row, key: row.update({key: "@"}))
    text = "\n".join(f"{word} = {inline(value)}" for word, value in venue.items())
    lines = problems(tmp_path, text.replace('"@"', wrong))
    for key in keys:
        assert any(f" {key}: " in line and "must" in line for line in lines), (key, lines)


# What nobody can guess, by hand: the tables work it out from the records' defaults.
PLACED = ("name", "output", "loudspeaker", "position_m")
MUST = {
    "venue": ("name", "setting"), "weather": ("temperatures_c",), "state": ("temperature_c",),
    "loudspeaker": ("coverage_deg", "maximum_dba", "level_dba"), "output": ("feed", "set_in"),
    "mains": (*PLACED, "aim_m"), "subs": PLACED, "fills": (*PLACED, "aim_m", "kind", "covers"),
    "areas": ("name", "x_from_m", "x_to_m", "y_from_m", "y_to_m"),
    "measured": ("output", "at_m", "level_dba"), "position_from": ("point_m", "distance_m"),
}


def test_only_what_nobody_can_guess_must_be_given():
    assert {(f, k) for f, k in KEYS if TABLES[f][k].must} == {
        (family, key) for family, keys in MUST.items() for key in keys}


@pytest.mark.parametrize(("family", "keys"), [
    *MUST.items(), *(pytest.param(family, [key], marks=pytest.mark.long)
                     for family, keys in MUST.items() for key in keys)])
def test_a_required_key_is_asked_for_with_its_unit(tmp_path, family, keys):
    venue = copy.deepcopy(COMPLETE)
    spoiled(venue, family, keys, lambda row, key: row.pop(key))
    lines = problems(tmp_path, venue)
    for key in keys:
        line = next(line for line in lines if f" {key}: is missing: " in line)
        assert TABLES[family][key].unit in line


@pytest.mark.parametrize("content", ["[venue]\nname = Hall\n", "[room]\nwidth_m = 12,5\n"])
def test_a_value_that_cannot_be_read_comes_with_advice(tmp_path, content):
    path = tmp_path / "odd.toml"
    path.write_text(content)
    with pytest.raises(VenueError, match=r"at line 2, .*\); words stand in quotes, numbers"):
        read_venue(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"a = " + b"[" * 20_000 + b"]" * 20_000, "is nested too deeply"),
        (b"a = 1" + b"0" * 5000, "cannot be used, Exceeds the limit"),
        (b"#" * (FILE_LIMIT_BYTES + 1), f"cannot be used, more than {FILE_LIMIT_BYTES} bytes"),
        (b"[venue\n", "is not valid TOML: Expected ']'"),
    ],
)
def test_a_hostile_file_gets_one_line(tmp_path, content, message):
    path = tmp_path / "odd.toml"
    path.write_bytes(content)
    with pytest.raises(VenueError) as caught:
        read_venue(path)
    assert str(caught.value).startswith(f"odd.toml: {message}")
    assert len(caught.value.problems) == 1


def test_what_is_no_file_is_named(tmp_path):
    with pytest.raises(VenueError, match=r"^gone.toml: cannot be read, No such file .*gone.toml"):
        read_venue(tmp_path / "gone.toml")
    with pytest.raises(VenueError, match="cannot be read, is a folder"):
        read_venue(tmp_path)
    with pytest.raises(VenueError, match="cannot be read, is not a file"):
        read_venue(os.devnull)


def test_an_error_survives_pickling():
    error = VenueError("a.toml", (("[room] width_m", "is missing"), ("", "odd")))
    text = "a.toml: [room] width_m: is missing\na.toml: odd"
    assert str(pickle.loads(pickle.dumps(error))) == text


# --- what is read -----------------------------------------------------------------------


@pytest.mark.parametrize(("family", "key"), [each for each in KEYS if each[1] != "setting"])
def test_every_key_changes_the_venue(tmp_path, family, key):
    venue = copy.deepcopy(COMPLETE)
    row = [row for row in tables_of(venue, family) if key in row][-1]
    if key == "output" and NEW_OUTPUT[family] is None:
        # A second output of the same role to move to.
        venue["output"]["New"] = {**venue["output"]["Main"], "set_in": "elsewhere"}
        row[key] = "New"
        before = copy.deepcopy(COMPLETE)
        before["output"]["New"] = venue["output"]["New"]
        twin = {**before[family][0], "name": "Twin", "output": "New"}
        before[family].append(twin)
        venue[family].append(copy.deepcopy(twin))
    else:
        before = COMPLETE
        row[key] = NEW_OUTPUT[family] if key == "output" else changed(row[key], key)
        if key == "elements":
            row.update(spacing_m=0.3, splay_deg=0.0)
    one, two = (replace(read(tmp_path, each), defaults_used=()) for each in (before, venue))
    assert one != two


def changed(value: object, key: str) -> object:
    if key in NEW or key == "side":
        return NEW[value if key == "side" else key]
    if isinstance(value, dict):
        return {word: changed(item, word) for word, item in value.items()}
    if isinstance(value, list):
        return [changed(item, "") for item in value]
    return value * 1.01 if value else 0.5


def test_outdoors_has_no_room(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["venue"]["setting"] = "outdoors"
    del venue["room"]
    for state in venue["state"].values():
        del state["rt60_s"]
    outdoors = read(tmp_path, venue)
    assert not outdoors.indoors
    assert outdoors.states["show"].rt60_s == {}


@pytest.mark.parametrize(
    ("family", "key"), [(f, k) for f, k in KEYS if TABLES[f][k].unit in FEET]
)
def test_feet_equal_metres(tmp_path, family, key):
    venue = copy.deepcopy(COMPLETE)
    suffix, feet, _, _ = FEET[TABLES[family][key].unit]
    metres = 0.3048 ** (3 if suffix == "_m3" else 1)
    for row in tables_of(venue, family):
        if key in row:
            value = row.pop(key)
            many = isinstance(value, list)
            row[key.removesuffix(suffix) + feet] = (
                [each / metres for each in value] if many else value / metres
            )
    one, two = (flat(read(tmp_path, each)) for each in (COMPLETE, venue))
    assert [x for x in one if not isinstance(x, float)] == [
        x for x in two if not isinstance(x, float)
    ]
    assert [x for x in one if isinstance(x, float)] == pytest.approx(
        [x for x in two if isinstance(x, float)], rel=1e-12
    )


def flat(value: object) -> list[object]:
    if isinstance(value, dict):
        return [leaf for pair in value.items() for leaf in flat(pair)]
    if isinstance(value, tuple):
        return [leaf for item in value for leaf in flat(item)]
    if hasattr(value, "__dict__"):
        return flat(vars(value))
    return [value]


@settings(max_examples=40)
@given(
    temperature=st.floats(-50, 60), humidity=st.floats(1, 100), x=st.floats(16.1, 36),
    trim=st.floats(-90, 20), delay=st.floats(0, 600),
)  # fmt: skip
def test_numbers_come_back_as_written(tmp_path_factory, temperature, humidity, x, trim, delay):
    venue = copy.deepcopy(COMPLETE)
    venue["state"]["show"].update(temperature_c=temperature, humidity_pct=humidity)
    venue["fills"][0]["position_m"][0] = x
    venue["output"]["Fill"]["locked"].update(trim_db=trim, delay_ms=delay)
    got = read(tmp_path_factory.getbasetemp(), venue)
    assert got.states["show"].air.temperature_c == temperature
    assert got.states["show"].air.humidity_pct == humidity
    assert got.of_role("fill")[0].position_m == (x, 2.0, 4.0)
    assert got.outputs["Fill"].locked["trim_db"] == trim
    assert got.outputs["Fill"].locked["delay_ms"] == delay


def test_none_locks_the_low_cut_off(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["output"]["Fill"]["locked"] = {"low_cut_hz": "none"}
    assert read(tmp_path, venue).outputs["Fill"].locked == {"low_cut_hz": None}


def test_a_step_in_samples_is_a_step_in_ms(tmp_path):
    # Two samples at 96 kHz are a 48th of a millisecond.
    assert read(tmp_path, COMPLETE).outputs["Fill"].delay_step_ms == pytest.approx(1 / 48)


def test_altitude_becomes_pressure(tmp_path):
    # U.S. Standard Atmosphere 1976, table I: 898.76 mb at 1000 m.
    venue = copy.deepcopy(COMPLETE)
    venue["state"]["show"]["altitude_m"] = 1000
    assert read(tmp_path, venue).states["show"].air.pressure_kpa == pytest.approx(89.876, abs=5e-4)


@pytest.mark.parametrize(
    ("up", "yaw", "tilt", "aim"),
    [
        # From 4 m up, 45 degrees down reaches ears at 1.2 m after 2.8 m of floor.
        (4.0, 0.0, 45.0, (20.8, -2.0, 1.2)),
        (4.0, 90.0, 45.0, (18.0, 0.8, 1.2)),
        # So does a box on the floor that looks up.
        (0.5, 0.0, -45.0, (18.7, -2.0, 1.2)),
        # Level, or upwards from above, never reaches ears: 10 m out.
        (4.0, 0.0, 0.0, (28.0, -2.0, 4.0)),
        (4.0, 180.0, -30.0, (18.0 - 5 * math.sqrt(3), -2.0, 9.0)),
    ],
)
def test_angles_become_an_aim_point(tmp_path, up, yaw, tilt, aim):
    venue = copy.deepcopy(COMPLETE)
    venue["fills"][2].update(yaw_deg=yaw, tilt_deg=tilt, position_m=[18.0, -2.0, up])
    fill = read(tmp_path, venue).of_role("fill")[2]
    assert fill.aim_m == pytest.approx(aim)
    assert off_axis_angles(fill.position_m, fill.aim_m, aim)[0] == pytest.approx(0.0, abs=1e-5)


# --- defaults ---------------------------------------------------------------------------


def test_a_complete_file_leaves_nothing_to_us(tmp_path):
    listed = read(tmp_path, COMPLETE).defaults_used
    assert [line for line in listed if "aim_m" not in line and "laser" not in line] == []


def test_a_position_from_distances_is_worked_out_and_listed(tmp_path):
    # Sides of 3, 4 and 5 m; the other answer lies as far on the other side.
    venue = read(tmp_path, COMPLETE)
    mains, subs, fills = (venue.of_role(role) for role in ("main", "sub", "fill"))
    assert mains[1].position_m == (1.0, 0.0, 5.0)
    assert subs[2].position_m == (4.0, -2.0, 0.5)
    assert fills[3].position_m == (18.0, 3.0, 4.0)
    # Each distance tells x by 3/5 and y by 4/5 of it: a laser of 10 mm leaves 10/(3/5)/sqrt(2)
    # and 10/(4/5)/sqrt(2) mm, and the height its own 10 mm: 17.8 mm in all.
    assert ("[[fills]] position_m = [18.000, 3.000, 4.000] m from 2 laser distances and a height, "
            "misfit 0 mm, uncertain by 18 mm (Lasered fill)") in venue.defaults_used


def test_the_laser_decides_which_distances_agree(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["fills"][-1]["position_from"].append({"point_m": [18.0, -3.0, 4.0], "distance_m": 6.05})
    # 50 mm too long: 50/(1 + 2 * 0.6^2) give way, which leaves 21, -17 and -17 mm.
    assert any("misfit 19 mm" in line for line in read(tmp_path, venue).defaults_used)
    venue["survey"]["laser_m"] = 0.005
    (line,) = problems(tmp_path, venue)
    assert "'Lasered fill' position_from: the distances contradict each other" in line


def test_of_two_positions_the_one_in_the_room_is_taken(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    fill = venue["fills"][-1]
    del fill["side"]
    fill["position_from"] = lasered(([30.0, 4.0, 4.0], 5.0), ([30.0, -4.0, 4.0], 5.0))
    assert " fit two positions, (33.00, 0.00, 4.00) m and (27.00, 0.00, 4.00) m: " in problems(
        tmp_path, venue)[0]
    venue["room"]["x_to_m"] = 32.0
    assert read(tmp_path, venue).of_role("fill")[3].position_m == (27.0, 0.0, 4.0)


def test_three_distances_do_without_a_height(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    fill = venue["fills"][-1]
    # From three corners of a floor of 6 by 8 m to 12 m above its middle, but for the floor's 8.
    fill["position_from"] = lasered(
        ([10.0, 0.0, 0.0], 6.4031242374), ([18.0, 0.0, 0.0], 6.4031242374),
        ([10.0, -6.0, 0.0], 6.4031242374))
    del fill["height_m"], fill["side"]
    fill["side"] = "above"
    found = read(tmp_path, venue).of_role("fill")[3]
    # 4 and 3 m along the floor, and 41 - 25 = 16 = 4 squared up.
    assert found.position_m == (14.0, -3.0, 4.0)


def test_distances_in_feet(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    for reading in venue["fills"][-1]["position_from"]:
        reading["distance_ft"] = reading.pop("distance_m") / 0.3048
    assert read(tmp_path, venue) == read(tmp_path, COMPLETE)


@pytest.mark.parametrize(("family", "key"), [
    (f, k) for f, k in KEYS if TABLES[f][k].default is not None
])  # fmt: skip
def test_every_default_is_listed_with_its_value(tmp_path, family, key):
    venue = copy.deepcopy(COMPLETE)
    spec = TABLES[family][key]
    default = spec.default
    tied = {"elements": ("spacing_m", "splay_deg"), "low_cut_orders": ("locked",),
            "low_cut_kinds": ("locked",)}
    for row in tables_of(venue, family):
        for gone in (key, *tied.get(key, ())):
            row.pop(gone, None)
    lines = [line for line in read(tmp_path, venue).defaults_used if f" {key} = " in line]
    assert len(lines) == 1
    value = default if isinstance(default, tuple) else (default,)
    text = ", ".join(f"{each:g}" if isinstance(each, float) else str(each) for each in value)
    assert f" {key} = {text}" in lines[0]
    assert spec.unit in lines[0]


@pytest.mark.parametrize(
    ("where", "key", "line"),
    [
        (("room",), "volume_m3", "[room] volume_m3 = 7920 m3, the box of the dimensions"),
        (("goals",), "reference_rows_m", "[goals] reference_rows_m = the rows around the mains'"),
        (("loudspeaker", "array"), "splay_deg", "[loudspeaker.*] splay_deg = 0 deg (array)"),
        (("subs", 0), "aim_m", "[[subs]] aim_m = where the axis is 10 m out (Sub, Sub 2)"),
    ],
)
def test_what_is_worked_out_is_listed(tmp_path, where, key, line):
    venue = copy.deepcopy(COMPLETE)
    row = venue
    for step in where:
        row = row[step]
    del row[key]
    assert any(each.startswith(line) for each in read(tmp_path, venue).defaults_used)


def test_octaves_between_are_interpolated_and_beyond_are_held(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["state"]["show"]["rt60_s"] = {"125": 2.0, "500": 1.4}
    got = read(tmp_path, venue)
    assert got.states["show"].rt60_s == pytest.approx(
        {63: 2.0, 125: 2.0, 250: 1.7, 500: 1.4, 1000: 1.4, 2000: 1.4, 4000: 1.4, 8000: 1.4,
         16000: 1.4}
    )
    assert ("[state.show] rt60_s at 63, 250, 1000, 2000, 4000, 8000, 16000 Hz from the octaves "
            "beside") in got.defaults_used


def test_a_loudspeaker_is_silent_beyond_the_octaves_given(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["loudspeaker"]["array"]["level_by_octave_db"] = {"63": 120, "250": 100}
    got = read(tmp_path, venue)
    assert got.loudspeakers["array"].level_by_octave_db == {63: 120, 125: 110, 250: 100}
    assert ("[loudspeaker.array] level_by_octave_db = none at 500, 1000, 2000, 4000, 8000, "
            "16000 Hz") in got.defaults_used


def test_octaves_louder_in_all_than_the_box_can_are_refused(tmp_path):
    # A weighting by octave, IEC 61672-1 table 3: 100 dB in each are 107.2 dBA.
    weights = [-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1, -6.6]
    total = 100.0 + 10 * math.log10(sum(10 ** (weight / 10) for weight in weights))
    venue = copy.deepcopy(COMPLETE)
    box = venue["loudspeaker"]["array"]
    box["level_by_octave_db"] = octaves(100.0, 0.0)
    box["maximum_dba"] = total + 0.1
    assert read(tmp_path, venue).loudspeakers["array"].maximum_dba == total + 0.1
    box["maximum_dba"] = total - 0.1
    with pytest.raises(VenueError, match="level_by_octave_db: must be in all at most maximum_dba"):
        read(tmp_path, venue)


def test_a_reading_by_octave_stays_as_read(tmp_path):
    assert read(tmp_path, COMPLETE).measured[0].by_octave_db == {1000: 80.0}


def test_one_splay_serves_all_joints(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["loudspeaker"]["array"]["splay_deg"] = 3
    assert read(tmp_path, venue).loudspeakers["array"].splay_deg == (3.0, 3.0)


def test_a_byte_order_mark_is_no_harm(tmp_path):
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf" + DEMOS[0].read_bytes())
    assert read_venue(path) == read_venue(DEMOS[0])


def test_a_room_of_volume_alone_is_drawn_around_what_stands_in_it(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["room"] = {"volume_m3": 6000.0}
    room = read(tmp_path, venue).room
    assert room.volume_m3 == 6000.0
    assert (room.x_from_m, room.x_to_m) == (0.0, 30.0)
    # Eighteen seats 0.9 m apart reach 7.65 m to either side, farther than the mains.
    assert room.width_m == pytest.approx(2 * 7.65)
    assert room.height_m * room.width_m * 30.0 == pytest.approx(6000.0)


def test_outdoors_the_check_may_be_left_to_the_show(tmp_path):
    text = next(path for path in MALFORMED if "too_many_seats" in path.name).read_text()
    got = read(tmp_path, text.replace("spacing_m = 0.2", "spacing_m = 4"))
    assert got.states["check"] == replace(got.states["show"], name="check")
    assert "[state.check] is not given: the same as [state.show]" in got.defaults_used


def test_the_ends_of_an_area_hold_seats(tmp_path):
    venue = copy.deepcopy(COMPLETE)
    venue["areas"] = venue["areas"][:2]
    # 0.2 m apart in 12.4 by 16 m: 63 rows of 81.
    venue["areas"][0].update(x_to_m=15.4, row_spacing_m=0.2, seat_spacing_m=0.2)
    assert len(read(tmp_path, venue).areas[0].seats_m()) == 63 * 81


# --- demo venues ------------------------------------------------------------------------


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.stem)
def test_a_demo_venue_reads_and_stays_small(path):
    venue = read_venue(path)
    assert 0 < sum(len(area.seats_m()) for area in venue.areas) <= 1500
    named = {area.name for area in venue.areas}
    assert all(set(source.covers) <= named for source in venue.of_role("fill"))
    assert set(venue.states) == {"check", "show"}
    assert (set(venue.states["show"].rt60_s) == set(map(int, OCTAVES))) == venue.indoors


def levels_at(venue, distance_m: float) -> float:
    """Sum of the mains' levels at a distance, by the inverse square law alone."""
    boxes = [venue.loudspeakers[source.loudspeaker] for source in venue.of_role("main")]
    power = sum(10 ** (box.level_dba / 10) for box in boxes)
    return 10 * math.log10(power / distance_m**2)


def demo(name: str):
    return read_venue(HERE.parent / "data" / f"{name}.toml")


def test_tidewell_is_a_hall_with_a_balcony():
    hall = demo("tidewell_hall")
    assert levels_at(hall, 13.0) == pytest.approx(75.0, abs=0.5)
    assert hall.room.volume_m3 == pytest.approx(46 * 20 * 8)
    assert [hall.states[s].rt60_s[500] for s in ("show", "check")] == [1.4, 1.9]
    kinds = [source.kind for source in hall.of_role("fill")]
    assert [kinds.count(kind) for kind in ("delay", "under-balcony", "front")] == [4, 5, 4]
    # The fill that is given by distances hangs where its drawing has it, as its twin tells.
    one, twin = (source for source in hall.of_role("fill") if source.output == "Fill outer")
    assert one.position_m == (26.0, 7.5, 4.6)
    assert twin.position_m == (26.0, -7.5, 4.6)
    # The sight line from the mains to the last row passes below the balcony's edge at 33.5 m.
    edge = 4.6 + (1.2 - 4.6) * 33.5 / 39.0
    assert edge < 3.4


def test_cinder_is_a_field_at_altitude():
    field = demo("cinder_meadow")
    assert not field.indoors
    assert levels_at(field, 40.0) == pytest.approx(98.0, abs=0.1)
    airs = {name: state.air for name, state in field.states.items()}
    assert (airs["check"].temperature_c, airs["show"].temperature_c) == (27.0, 13.0)
    # ISO 2533 at 900 m, geometric.
    assert airs["show"].pressure_kpa == pytest.approx(90.97, abs=0.01)
    falls = {area.name: area.allowed_fall_db for area in field.areas}
    assert (falls["behind ring one"], falls["behind ring two"]) == (4.0, 8.0)


def test_saltmarsh_is_larger_than_its_nave():
    chapel = demo("saltmarsh_chapel")
    assert chapel.room.volume_m3 == 6500.0 > 38 * 12 * 13
    column = chapel.loudspeakers["column"]
    assert (column.elements - 1) * column.spacing_m == pytest.approx(1.4)
    assert len({source.output for source in chapel.of_role("fill")}) == 3


def test_lantern_gives_its_microphone_in_feet():
    assert demo("lantern_room").stage_microphone_m == pytest.approx((0.0, 0.0, 4.5 * 0.3048))


def test_the_reader_needs_numpy_only():
    code = ("import sys, fillalign.venue.reader; "
            "print([m for m in ('scipy', 'pandas', 'matplotlib') if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
