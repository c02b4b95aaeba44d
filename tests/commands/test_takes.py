"""The verb `take`: a take simulated at a known gap is read, corrected and kept."""

from __future__ import annotations

import json
import math
import re
import tomllib
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from fillalign import audio, planning, read_venue, write_venue
from fillalign.audio import Doubt, GapReading, exponential_sweep, take_turns, write_wav
from fillalign.planning import expected_reading
from fillalign.sheet import setup_sheet_csv
from tests.commands.shell import ends, example_of
from tests.small_venue import small_hall, small_plan

RATE = 32000
SHORT = ("--seconds", "1", "--high-hz", "14000", "--spacing-s", "2")
PLAN = small_plan(allowed_fall_db=2.0)
PLANNED = PLAN.settings["Fills"].delay_ms
SEAT = (30.0, -4.0, 1.2)
WANTED = expected_reading(PLAN.venue, PLAN.settings, "Fills", SEAT).gap_ms
LATE = 2.5  # what the fill's path is really later by


def room(rng, delay_ms, level, rate=RATE):
    """Return a response: a direct sound in its time, and a tail that starts softly."""
    time = np.arange(round(0.7 * rate)) / rate - delay_ms / 1000
    samples = level * np.sinc(time * rate) * (np.abs(time) < 0.01)
    tail = rng.standard_normal(time.size) * 10 ** (-3 * np.maximum(time, 0) / 0.6)
    return samples + 0.03 * level * tail * np.clip(time / 0.02, 0, 1)


def take_of(gap_ms, *, same=True, noise=1e-4):
    """Return samples of turns with the fill so late, the microphone in the right channel."""
    from scipy.signal import oaconvolve

    rng = np.random.default_rng(3)
    sweep = exponential_sweep(seconds=1.0, high_hz=14000, sample_rate_hz=RATE)
    played = take_turns(sweep, spacing_s=2.0, sample_rate_hz=RATE)
    heard = oaconvolve(played[:, 0], room(rng, 40.0, 1.0))
    heard += oaconvolve(played[:, 1], room(rng, 40.0 + gap_ms, 0.8 if same else -0.8))
    heard = np.concatenate([np.zeros(9000), heard])
    heard = 0.2 * heard / np.abs(heard).max() + noise * rng.standard_normal(heard.size)
    return np.column_stack([1e-5 * rng.standard_normal(heard.size), heard])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a folder with a venue, its plan, and a take in which the fill is late."""
    home = tmp_path_factory.mktemp("takes")
    write_venue(PLAN.venue, home / "hall.toml")
    (home / "plan.json").write_text(json.dumps(PLAN.to_dict()))
    write_wav(home / "take.wav", take_of(WANTED + LATE), RATE)
    write_wav(home / "cut.wav", take_of(WANTED + LATE)[: 4 * RATE], RATE)
    return home


@pytest.fixture(autouse=True)
def _inside(folder, monkeypatch):
    monkeypatch.chdir(folder)


def run(*words, fill="Fills"):
    return ends(["take", "hall.toml", fill, *words, "--plan", "plan.json", *SHORT])


HERE = ("take.wav", "--at", "30,-4")


def test_a_take_is_read_against_the_plan(capsys):
    assert run(*HERE) == 0
    out = capsys.readouterr().out
    assert f"Gap         {WANTED + LATE:.2f} ms after the mains" in out
    assert f"wanted {WANTED:.2f}" in out
    assert "against Main -6.5, 20.0 C; take.wav, channel 2" in out
    assert "the same as the mains'" in out
    new = float(re.search(r"set (\d+\.\d+) instead", out)[1])
    assert new == pytest.approx(PLANNED - LATE, abs=0.06)
    assert f"({math.ceil(new * 48 - 1e-6)} samples at 48 kHz), in processor" in out


def test_numbers_as_json_and_a_box_named_for_its_output(capsys):
    assert run(*HERE, "--json", fill="Fill -6.5") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["fill"] == "Fills"
    one, = told["takes"]
    assert one["gap_ms"] == pytest.approx(WANTED + LATE, abs=0.05)
    assert one["seat_m"] == list(SEAT)
    assert one["channel"] == 2
    assert one["polarity_same"] is True
    assert one["doubts"] == {}
    assert told["correction"]["add_ms"] == pytest.approx(-LATE, abs=0.05)
    steps = told["correction"]["set_ms"] / PLAN.venue.outputs["Fills"].delay_step_ms
    assert steps == pytest.approx(round(steps), abs=1e-6)


def test_what_is_dialled_moves_the_advice_not_the_goal(capsys):
    """With 4 ms less dialled than planned the same take lacks 4 ms less the lateness."""
    assert run(*HERE, "--json", "--dialled-ms", str(PLANNED - 4.0)) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["takes"][0]["wanted_gap_ms"] == pytest.approx(WANTED)
    assert told["correction"]["add_ms"] == pytest.approx(-LATE, abs=0.05)
    assert told["correction"]["set_ms"] == pytest.approx(PLANNED - 4.0 - LATE, abs=0.06)


def test_a_fill_as_early_as_it_was_to_be_late_is_corrected_where_it_was_dialled_so(
        readings, capsys):
    """Beside the plan it would look as if mains and fill were exchanged."""
    readings(off(-2 * WANTED))
    assert run(*HERE, "--json", "--dialled-ms", str(PLANNED - 2 * WANTED)) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["correction"]["add_ms"] == pytest.approx(2 * WANTED, abs=0.01)


def test_the_air_of_the_take_counts(capsys):
    assert run(*HERE, "--json", "--temperature-c", "8") == 0
    told = json.loads(capsys.readouterr().out)
    air = PLAN.venue.states["check"].air.at_temperature(8.0)
    cold = expected_reading(PLAN.venue, PLAN.settings, "Fills", SEAT, air=air).gap_ms
    assert cold != pytest.approx(WANTED, abs=0.2)
    assert told["takes"][0]["wanted_gap_ms"] == pytest.approx(cold)
    assert told["temperature_c"] == 8.0


def test_a_picture_the_venue_as_measured_and_the_readings_are_written(tmp_path, capsys):
    names = [str(tmp_path / name) for name in ("take.svg", "measured.toml", "set.toml")]
    words = (*HERE, "--picture", names[0], "--venue-out", names[1], "--add-to", names[2])
    assert run(*words, "--mains-dba", "70") == 0
    out = capsys.readouterr().out
    assert [line for line in out.splitlines() if line.startswith("written")] == [
        f"written: {name}" for name in names]
    assert ET.fromstring((tmp_path / "take.svg").read_bytes()).tag.endswith("svg")
    # With the file as measured the model says what was read.
    measured = read_venue(names[1])
    again = expected_reading(measured, PLAN.settings, "Fills", SEAT)
    assert again.gap_ms == pytest.approx(WANTED + LATE, abs=0.05)
    assert {one.output for one in measured.measured} == {"Mains", "Fills"}
    kept = tomllib.loads((tmp_path / "set.toml").read_text())
    assert kept["as_set"] == {"venue": "Small Hall"}
    assert kept["output"] == {"Fills": {"delay_ms": PLANNED}}
    reading, = kept["reading"]
    assert reading["gap_ms"] == pytest.approx(WANTED + LATE, abs=0.05)
    assert reading["output"] == "Fills"
    assert reading["at_m"] == list(SEAT)
    assert reading["polarity_same"] is True
    # A second reading goes behind the first; what is dialled is taken from the file.
    assert run(*HERE, "--add-to", names[2], "--json") == 0
    assert json.loads(capsys.readouterr().out)["dialled_ms"] == PLANNED
    assert len(tomllib.loads((tmp_path / "set.toml").read_text())["reading"]) == 2


def test_levels_measured_are_those_of_the_meter(tmp_path):
    """The mains' octaves sum to what the meter showed, A-weighted (IEC 61672-1)."""
    path = tmp_path / "measured.toml"
    assert run(*HERE, "--venue-out", str(path), "--mains-dba", "70") == 0
    mains = next(one for one in read_venue(path).measured if one.output == "Mains")
    weights = {125: -16.1, 250: -8.6, 500: -3.2, 1000: 0.0, 2000: 1.2, 4000: 1.0, 8000: -1.1}
    trim = PLAN.settings["Mains"].trim_db
    shown = sum(10 ** ((level + weights[octave] + trim) / 10)
                for octave, level in mains.by_octave_db.items())
    assert 10 * np.log10(shown) == pytest.approx(70.0, abs=0.1)


def test_nothing_is_replaced_unless_told(tmp_path, capsys):
    mine = tmp_path / "mine.toml"
    mine.write_text("mine")
    assert run(*HERE, "--venue-out", str(mine), "--picture", str(tmp_path / "new.svg")) == 4
    assert "is there already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.toml"]
    assert mine.read_text() == "mine"


def test_a_take_that_tells_nothing_sure_says_why_and_ends_with_5(tmp_path, capsys):
    left = tmp_path / "left.toml"
    assert run("cut.wav", "--at", "30,-4", "--add-to", str(left)) == 5
    out, err = capsys.readouterr()
    assert err == ""
    assert re.search(r"^Cannot tell .+\nLikely      .+\nNext        .+", out, re.MULTILINE)
    assert "Correct" not in out
    assert not left.exists()
    assert run("cut.wav", "--at", "30,-4", "--json") == 5
    told = json.loads(capsys.readouterr().out)
    assert told["correction"] is None
    assert {"cause", "reason", "likely", "next_step"} == told["takes"][0]["doubts"]["gap"].keys()


# Readings given: words and several seats


@pytest.fixture
def readings(monkeypatch):
    """Return a function that makes takes say what is wanted, in their order."""
    def say(*wanted):
        left = list(wanted)
        monkeypatch.setattr(audio, "measure_gap", lambda *_, **__: left.pop(0))
    return say


def off(ms, level_db=0.0, **more):
    """Return a reading that is so much later than wanted, at SEAT."""
    return GapReading(gap_ms=WANTED + ms, uncertainty_ms=0.05, level_difference_db=level_db,
                      polarity_same=True, channel=1, **more)


def test_polarity_and_level_are_told_or_withheld(readings, capsys):
    readings(replace(off(0.0), polarity_same=False, level_difference_db=9.0))
    assert run(*HERE) == 0
    out = capsys.readouterr().out
    assert "TURNED OVER" in out
    assert "more than planned: look at the trim" in out
    assert f"Correct     keep the delay: {PLANNED:.2f} ms is right within 0.05 ms" in out
    assert "first the polarity: turn it over" in out
    doubts = {"polarity": Doubt("unlike-boxes", "the octaves do not agree"),
              "level": Doubt("automatic-gain", "the noise falls")}
    readings(replace(off(1.0), polarity_same=None, level_difference_db=None, withheld=doubts))
    assert run(*HERE) == 0
    out = capsys.readouterr().out
    assert "Polarity    cannot tell: the octaves do not agree" in out
    assert "Level       cannot tell: the noise falls" in out
    assert "Correct     add -1.00 ms" in out


THREE = ("take.wav", "take.wav", "take.wav", *(("--at", "30,-4") * 3))


def test_several_seats_have_one_correction(readings, capsys):
    """By level: weights 1 and 5/7 (equal-level); the doubtful one has no say."""
    readings(off(2.0), off(2.7, -5.0), GapReading(doubt=Doubt("silence", "nothing is heard")))
    assert run(*THREE, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    add = -(2.0 + 2.7 * 5 / 7) / (1 + 5 / 7)
    assert told["correction"]["add_ms"] == pytest.approx(add)
    moved = told["correction"]["set_ms"] - PLANNED
    assert told["correction"]["left_ms"] == pytest.approx([moved + 2.0, moved + 2.7])
    readings(off(2.0), off(2.7, -5.0), GapReading(doubt=Doubt("silence", "nothing is heard")))
    assert run(*THREE) == 0
    out = capsys.readouterr().out
    assert out.count("(30, -4, 1.2)") == 3
    assert "take.wav: nothing is heard; likely" in out
    assert f"Correct     add {add:+.2f} ms" in out
    assert "no one delay" not in out


def test_seats_that_disagree_are_said_to(readings, capsys):
    readings(off(0.0), off(4.0), off(1.0))
    assert run(*THREE) == 0
    assert "no one delay suits these seats: up to 2.3" in capsys.readouterr().out


def test_takes_of_opposite_polarity_are_said_to_differ(readings, capsys):
    readings(off(0.0), replace(off(0.0), polarity_same=False), off(0.0))
    assert run(*THREE) == 0
    out = capsys.readouterr().out
    assert "differ in polarity" in out
    assert "first the polarity" not in out


@pytest.mark.parametrize(("off_ms", "said"), [
    (-PLANNED, "were not in: likely the delay is bypassed"),
    (-PLANNED + 0.9, "were not in"),
    (PLANNED, "were in twice: likely it is set in two devices"),
    (PLANNED - 1.2, None), (-PLANNED + 1.2, None),
])
def test_a_delay_that_is_not_in_as_dialled_is_looked_for_not_corrected(
        off_ms, said, readings, tmp_path, capsys):
    """By the wrong delay in the path itself: all of it missing, or all of it there again."""
    path = tmp_path / "set.toml"
    readings(off(off_ms))
    assert run(*HERE, "--add-to", str(path)) == (0 if said is None else 5)
    out = capsys.readouterr().out
    assert path.exists() == ("Correct     cannot tell" not in out) == (said is None)
    assert said is None or said in out
    assert said is None or "set " not in out.partition("cannot tell")[2].partition("it is set")[0]


def test_what_is_missing_at_one_seat_alone_is_no_slip(readings, capsys):
    readings(off(-PLANNED), off(0.0), off(0.0))
    assert run(*THREE) == 0
    assert "cannot tell" not in capsys.readouterr().out
    # All three: the table stands without a correction.
    readings(off(-PLANNED), off(-PLANNED), off(-PLANNED))
    assert run(*THREE, "--json") == 5
    told = json.loads(capsys.readouterr().out)
    assert told["correction"] is None
    assert "not in" in told["slip"]
    readings(off(-PLANNED), off(-PLANNED), off(-PLANNED))
    assert run(*THREE) == 5
    # With nothing dialled there is nothing to be bypassed.
    readings(off(-PLANNED))
    assert run(*HERE, "--dialled-ms", "0") == 0
    assert f"set {PLANNED:.2f} instead of 0.00 ms" in capsys.readouterr().out


def test_a_fill_that_cannot_wait_less_has_its_mains_held_back(readings, capsys):
    readings(off(PLANNED + 7.0))
    assert run(*HERE) == 0
    assert "hold the mains back by 7.00 ms, and set the fill to 0" in capsys.readouterr().out


def test_a_fill_earlier_than_its_latency_allows_is_no_latency(readings, tmp_path, capsys):
    readings(off(-9.0))
    assert run(*HERE, "--venue-out", str(tmp_path / "m.toml")) == 3
    assert "9.00 ms earlier than expected" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_seat_where_two_boxes_compete_is_said_to_be_one(readings, monkeypatch, capsys):
    readings(off(0.0))
    monkeypatch.setattr(planning, "expected_reading", lambda *given, **more: replace(
        expected_reading(*given, **more), unclear_ms=4.2))
    assert run(*HERE, "--mains", "Mains") == 0
    assert "a softer box comes 4.2 ms ahead here" in capsys.readouterr().out


# Mistakes


@pytest.mark.parametrize(("words", "code", "said"), [
    (["none.wav"], 3, "none.wav: there is no such file"),
    (["hall.toml"], 3, "the name does not end in"),
    (["take.wav", "--at", "30"], 2, "takes X,Y or X,Y,Z in metres"),
    (["take.wav", "--at", "30,x"], 2, "got 'x'"),
    (["take.wav", "--at", "nan,1"], 2, "outside the room: x must be between"),
    (["take.wav", "--at", "300,3"], 2, "outside the room: x must be between -2 and 38 m, got 300"),
    (["take.wav", "--at", "-3,4"], 2, "--at -3,4,1.2 lies outside the room: x must be"),
    (["take.wav", "--at", "30,-4,9.5"], 2, "z must be between 0 and"),
    (["take.wav", "--at", "1,2", "--at", "1,2"], 2, "--at must be given once a take"),
    (["take.wav", "take.wav"], 2, "several takes need --at"),
    (["take.wav", "--picture", "x.png"], 2, "must end in .svg"),
    (["take.wav", "--mains", "Fill"], 2, "no output named 'Fill'"),
    (["take.wav", "--mains-dba", "70"], 2, "--mains-dba goes with --venue-out"),
    (["take.wav", "--dialled-ms", "-1"], 2, "--dialled-ms must be between 0 and 1000 ms"),
    (["take.wav", "--dialled-ms", "nan"], 2, "--dialled-ms must be between"),
    (["take.wav", "--channel", "9"], 2, "channel must be between 1 and 2"),
    (["take.wav", "--temperature-c", "294"], 2, "temperature_c must be between"),
    (["take.wav", "--plan", "take.wav"], 2, "is no sheet (CSV) or plan (--json)"),
    (["take.wav", "--add-to", "take.wav"], 2, "take.wav: is no TOML"),
    (["take.wav", "--seconds", "0"], 2, "seconds must be between"),
    ([], 2, "required"),
])
def test_a_mistake_is_one_clear_line(words, code, said, capsys):
    assert ends(["take", "hall.toml", "Fills", "--plan", "plan.json", *words]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert said in " ".join(err.split())
    assert "Traceback" not in err


def test_outdoors_a_microphone_stands_near_seats_or_boxes(readings, tmp_path, capsys):
    write_venue(small_hall(outdoors=True, allowed_fall_db=2.0), tmp_path / "field.toml")
    verb = ["take", str(tmp_path / "field.toml"), "Fills", "take.wav", "--plan", "plan.json"]
    readings(off(0.0))
    assert ends([*verb, "--at", "45,-4"]) == 0
    assert ends([*verb, "--at", "47,-4"]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "lies more than 10 m from seats and loudspeakers: x must be between -10 and 46 m" in said


def test_a_fill_or_venue_that_is_none_is_named(capsys):
    assert run(*HERE, fill="Mains") == 2
    assert "no fill on an output 'Mains'; there are Fills" in " ".join(
        capsys.readouterr().err.split())
    assert ends(["take", "none.toml", "Fills", "take.wav"]) == 3
    assert ends(["take", "lantern_room", "Fill", "take.wav"]) == 2
    assert "'Fill' stays off in the plan" in " ".join(capsys.readouterr().err.split())


def test_another_delay_in_the_file_of_what_was_set_is_not_passed_over(tmp_path, capsys):
    path = tmp_path / "set.toml"
    path.write_text('# mine\n[output."Fills"]\ndelay_ms = 11.0\n')
    assert run(*HERE, "--add-to", str(path), "--dialled-ms", "12") == 3
    assert "has delay_ms = 11 for 'Fills', but 12 was dialled" in capsys.readouterr().err
    assert path.read_text().startswith("# mine")


def test_the_air_of_a_take_is_kept_and_used_again(readings, tmp_path, capsys):
    """`take` corrects for the air of the plan, the sheet as measured for the air found."""
    path = tmp_path / "set.toml"
    readings(off(0.0))
    cold = ("--temperature-c", "13", "--humidity-pct", "80")
    assert run(*HERE, "--add-to", str(path), *cold, "--json") == 0
    take, = json.loads(capsys.readouterr().out)["takes"]
    kept = tomllib.loads(path.read_text())["as_set"]
    assert (kept["temperature_c"], kept["humidity_pct"]) == (13.0, 80.0)
    assert ends(["hall.toml", "--as-set", str(path), "--json"]) == 0
    finding, = (one for one in json.loads(capsys.readouterr().out)["findings"]
                if one["kind"].startswith("read_gap"))
    now = PLAN.retime([PLAN.air.at_temperature(13.0)])["Fills"].iloc[0] - PLANNED
    left = take["wanted_gap_ms"] - take["gap_ms"] + now
    # The step of the processor is what the two may differ by.
    assert finding["values"]["change_ms"] == pytest.approx(left, abs=0.03)
    # The next take is of that air unless told otherwise, and one file has one air.
    readings(off(0.0))
    assert run(*HERE, "--add-to", str(path), "--json") == 0
    assert json.loads(capsys.readouterr().out)["temperature_c"] == 13.0
    readings(off(0.0))
    assert run(*HERE, "--add-to", str(path), "--temperature-c", "19") == 3
    assert "keep it in another file" in capsys.readouterr().err


@pytest.mark.parametrize("before", ["", "[as_set]\nset_by = 'me'\n", "[as_set]  # mine",
                                    "[[reading]]\noutput = 'Fills'\ngap_ms = 3.0\n"])
def test_the_air_finds_its_place_in_any_file_of_what_was_set(before, readings, tmp_path):
    path = tmp_path / "set.toml"
    path.write_text(before)
    readings(off(0.0))
    assert run(*HERE, "--add-to", str(path), "--temperature-c", "13") == 0
    kept, old = tomllib.loads(path.read_text()), tomllib.loads(before)
    assert kept["as_set"]["temperature_c"] == 13.0
    assert old.get("as_set", {}).items() <= kept["as_set"].items()
    assert len(kept["reading"]) == len(old.get("reading", [])) + 1


def test_the_sheet_of_another_venue_is_refused(readings, tmp_path, capsys):
    write_venue(replace(PLAN.venue, name="Corn Shed"), tmp_path / "corn.toml")
    (tmp_path / "sheet.csv").write_text(setup_sheet_csv(PLAN))
    (tmp_path / "set.toml").write_text('[as_set]\nvenue = "Small Hall"\n')
    for plan in ("plan.json", str(tmp_path / "sheet.csv")):
        for verb in (["take", str(tmp_path / "corn.toml"), "Fills", *HERE],
                     ["retime", str(tmp_path / "corn.toml"), "--temperature-c", "9"]):
            assert ends([*verb, "--plan", plan]) == 3
            out, err = capsys.readouterr()
            assert out == ""
            assert "this is of 'Small Hall', the venue file is of 'Corn Shed'" in err
    assert ends([str(tmp_path / "corn.toml"), "--as-set", str(tmp_path / "set.toml")]) == 3
    assert "this is of 'Small Hall'" in capsys.readouterr().err
    readings(off(0.0))
    assert ends(["take", str(tmp_path / "corn.toml"), "Fills", *HERE, "--add-to",
                 str(tmp_path / "set.toml")]) == 3
    assert "this is of 'Small Hall'" in capsys.readouterr().err


def test_the_example_of_the_help_reads_the_shipped_take(readings, capsys):
    """Its words are tried on a venue and a take of ours, with a reading given."""
    readings(off(0.0))
    words = example_of("take")
    words[words.index("tidewell_hall") : words.index("take.wav")] = ["hall.toml", "Fills"]
    assert ends([*words, "--plan", "plan.json"]) == 0
    assert capsys.readouterr().err == ""
