"""The command line: what it prints and writes, its exit codes, and what it does not load."""

from __future__ import annotations

import os
import runpy
import subprocess
import sys
import warnings
import xml.etree.ElementTree as ET

import pytest

from fillalign import Air, RangeWarning, _files, plan_fills, read_venue
from fillalign import __main__ as command
from fillalign.__main__ import _parser, _plain_warnings, main
from fillalign.sheet.one_fill import quick_answer
from fillalign.sheet.text import setup_sheet_text
from tests.demo_plans import DATA, demo_plan

ROOM = str(DATA / "lantern_room.toml")
LADDER = ["--main-m", "41", "--fill-m", "15", "--temperature-c", "24"]


def shell(*words, **options):
    environment = {**os.environ, "PYTHONPATH": str(DATA.parent), **options.pop("env", {})}
    return subprocess.run([sys.executable, "-W", "error", "-m", "fillalign", *words],
                          capture_output=True, text=True, env=environment, check=False, **options)


def ends(argv):
    """Exit code of a command, also where the parser itself ends it."""
    try:
        return main(argv)
    except SystemExit as stop:
        return stop.code


# With a venue file


def test_a_venue_file_prints_its_sheet_and_writes_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main([ROOM]) == 0
    out, err = capsys.readouterr()
    assert out == setup_sheet_text(demo_plan("lantern_room"))
    assert err == ""
    assert list(tmp_path.iterdir()) == []


def test_from_a_shell(tmp_path):
    done = shell(ROOM, cwd=tmp_path)
    assert done.returncode == 0
    assert done.stdout == setup_sheet_text(demo_plan("lantern_room"))
    assert done.stderr == ""


def test_planning_loads_no_heavy_library():
    code = (
        "import sys\nfrom fillalign.__main__ import main\n"
        "code = main(sys.argv[1:])\n"
        "print(code, sorted({'pandas', 'matplotlib', 'scipy', 'ipywidgets'} & set(sys.modules)))"
    )
    for argv in ([ROOM], LADDER):
        done = subprocess.run([sys.executable, "-c", code, *argv], capture_output=True, text=True,
                              check=True, cwd=DATA.parent)
        assert done.stdout.splitlines()[-1] == "0 []"


def test_out_writes_three_files_and_says_where(tmp_path, capsys):
    assert main([ROOM, "--out", str(tmp_path)]) == 0
    out = capsys.readouterr().out.splitlines()
    files = sorted(str(path) for path in tmp_path.iterdir())
    assert sorted(line.removeprefix("written: ") for line in out) == files
    assert len(files) == 3


def test_out_says_what_is_not_met(tmp_path, capsys):
    """A plan with unmet targets is an answer, not a failure."""
    path = tmp_path / "loud.toml"
    path.write_text((DATA / "lantern_room.toml").read_text().replace(
        "[goals]", "[goals]\nreference_dba = 130.0"))
    plan = plan_fills(read_venue(path))
    assert plan.unmet
    assert main([str(path), "--out", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert [line.removeprefix("not met: ") for line in out.splitlines()
            if line.startswith("not met: ")] == list(plan.unmet)


def test_existing_files_need_overwrite(tmp_path, capsys):
    assert main([ROOM, "--out", str(tmp_path)]) == 0
    (tmp_path / "lantern-room-sheet.txt").write_text("mine")
    assert main([ROOM, "--out", str(tmp_path)]) == 4
    err = capsys.readouterr().err
    assert "lantern-room-sheet.txt: is there already" in err
    assert "--overwrite" in err
    assert (tmp_path / "lantern-room-sheet.txt").read_text() == "mine"
    assert main([ROOM, "--out", str(tmp_path), "--overwrite"]) == 0
    assert (tmp_path / "lantern-room-sheet.txt").read_text().startswith("SET-UP SHEET")


def test_a_picture_is_written_whole_and_not_over_another(tmp_path, capsys):
    target = tmp_path / "room.svg"
    assert main([ROOM, "--picture", str(target)]) == 0
    assert ET.fromstring(target.read_bytes()).tag.endswith("svg")
    target.write_text("mine")
    assert main([ROOM, "--picture", str(target)]) == 4
    assert "room.svg: is there already" in capsys.readouterr().err
    assert target.read_text() == "mine"
    assert main([ROOM, "--picture", str(target), "--overwrite"]) == 0
    assert target.read_bytes().startswith(b"<?xml")


def test_a_full_disk_is_one_line(tmp_path, monkeypatch, capsys):
    def full(_content, _path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(_files, "_put", full)
    assert main([ROOM, "--out", str(tmp_path)]) == 4
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "No space left on device" in err
    assert str(tmp_path) in err


def test_temperature_alone_keeps_the_vapour(capsys):
    room = read_venue(ROOM)
    assert main([ROOM, "--temperature-c", "12"]) == 0
    air = room.states["show"].air.at_temperature(12.0)
    assert capsys.readouterr().out == setup_sheet_text(plan_fills(room, air=air))


def test_all_of_the_air_can_be_given(capsys):
    room = read_venue(ROOM)
    argv = [ROOM, "--temperature-c", "12", "--humidity-pct", "30", "--pressure-kpa", "90"]
    assert main(argv) == 0
    plan = plan_fills(room, air=Air(12.0, 30.0, 90.0))
    assert capsys.readouterr().out == setup_sheet_text(plan)


def test_humidity_alone_keeps_the_temperature(capsys):
    assert main([ROOM, "--humidity-pct", "80"]) == 0
    assert "Computed for 21.0 C, 80 % relative humidity, 101.3 kPa" in capsys.readouterr().out


def test_out_of_range_air_is_one_plain_note(capsys):
    assert main([ROOM, "--temperature-c", "35"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("SET-UP SHEET")
    notes = err.splitlines()
    assert notes
    assert all(line.startswith("note: ") for line in notes)
    assert len(set(notes)) == len(notes)
    assert "outside 0 to 30 C" in err
    assert ".py" not in err


# Without a file


def test_the_answer_on_a_ladder(capsys):
    assert main([*LADDER, "--mains-db", "84", "--fill-db", "90", "--goal-db", "88"]) == 0
    out = capsys.readouterr().out
    assert out == quick_answer(41, 15, 24, mains_db=84, fill_db=90, goal_db=88).text()
    for part in ("75.04 ms = 3602 samples at 48 kHz", "At 20 C", "down by 4.0 dB",
                 "for each degree colder", "120 to 150 Hz"):
        assert part in out


@pytest.mark.parametrize(("words", "values"), [
    (["--humidity-pct", "20"], {"humidity_pct": 20}),
    (["--pressure-kpa", "80"], {"pressure_kpa": 80}),
    (["--main-latency-ms", "2"], {"main_latency_ms": 2}),
    (["--fill-latency-ms", "3"], {"fill_latency_ms": 3}),
    (["--margin-ms", "5"], {"margin_ms": 5}),
    (["--sample-rate-hz", "96000"], {"sample_rate_hz": 96000}),
])
def test_every_option_reaches_the_answer(words, values, capsys):
    assert main([*LADDER, *words]) == 0
    out = capsys.readouterr().out
    assert out == quick_answer(41, 15, 24, **values).text()
    assert out != quick_answer(41, 15, 24).text()


# Mistakes


@pytest.mark.parametrize(("argv", "said"), [
    ([], "give a venue file, or --main-m, --fill-m, --temperature-c"),
    (["--main-m", "41"], "without a venue file --fill-m, --temperature-c must be given too"),
    ([*LADDER, "--out", "here"], "--out goes with a venue file"),
    ([*LADDER, "--picture", "here.svg"], "--picture goes with a venue file"),
    ([ROOM, "--main-m", "41"], "--main-m is for an answer without a venue file"),
    ([ROOM, "--goal-db", "90"], "--goal-db is for an answer without a venue file"),
    ([ROOM, "--temperature-c", "warm"], "such as 12.5; got 'warm'"),
    ([ROOM, "--temperature-c", "294"], "temperature_c must be between"),
    ([ROOM, "--humidity-pct", "180"], "humidity_pct must be between 0 and 100"),
    ([ROOM, "--pressure-kpa", "101325"], "pressure_kpa must be"),
    ([ROOM, "--picture", "here.png"], "its name must end in .svg"),
    ([*LADDER, "--sample-rate-hz", "48"], "sample_rate_hz must be between"),
    (["--main-m", "-1", "--fill-m", "15", "--temperature-c", "24"], "main_m must be at least 0 m"),
    ([ROOM, "--nonsense"], "unrecognized arguments: --nonsense"),
    ([ROOM, "--temp", "12"], "unrecognized arguments: --temp"),
])
def test_a_wrong_command_ends_with_2(argv, said, capsys):
    assert ends(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in " ".join(err.split())
    assert "Traceback" not in err


def test_a_missing_file_ends_with_3(tmp_path, capsys):
    assert main([str(tmp_path / "none.toml")]) == 3
    assert capsys.readouterr().err.startswith("none.toml: cannot be read")


def test_every_mistake_of_a_file_is_listed(tmp_path, capsys):
    path = tmp_path / "bad.toml"
    path.write_text((DATA / "lantern_room.toml").read_text()
                    .replace("height_m = 3.2", "height_m = -3.2").replace("sti = 0.55", "sti = 55"))
    assert main([str(path)]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 2
    assert "height_m" in err
    assert "sti" in err


def test_a_plan_that_no_device_can_hold_ends_with_3(tmp_path, capsys):
    path = tmp_path / "short.toml"
    path.write_text((DATA / "lantern_room.toml").read_text().replace(
        "[output.Fill]", "[output.Fill]\ndelay_max_ms = 2.0\nlocked = { trim_db = -6.0 }"))
    assert main([str(path)]) == 3
    assert "short.toml: " in capsys.readouterr().err


def test_a_missing_folder_ends_with_4(tmp_path, capsys):
    assert main([ROOM, "--out", str(tmp_path / "none")]) == 4
    said = f"{tmp_path / 'none'}: is no folder; make it first, or name another\n"
    assert capsys.readouterr().err == said
    assert main([ROOM, "--picture", str(tmp_path / "none" / "x.svg")]) == 4


def test_hostile_names_do_not_reach_the_terminal(tmp_path, capsys):
    assert main([str(tmp_path / "a\x1b[2J\u202e.toml")]) == 3
    err = capsys.readouterr().err
    assert "\x1b" not in err
    assert "a[U+001B][2J[U+202E].toml" in err


def test_a_terminal_without_the_letters_still_gets_the_sheet(tmp_path):
    path = tmp_path / "far.toml"
    path.write_text((DATA / "lantern_room.toml").read_text().replace(
        '"Lantern Room"', '"\u5bb4\u4f1a\u5834"'), encoding="utf-8")
    done = shell(str(path), env={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0
    assert done.stdout.startswith("SET-UP SHEET: \\u5bb4\\u4f1a\\u5834\n")


def test_a_reader_that_stops_early_is_no_error():
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run([sys.executable, "-m", "fillalign", ROOM], stdout=write_end,
                          stderr=subprocess.PIPE, text=True, check=False, cwd=DATA.parent)
    os.close(write_end)
    assert done.returncode == 0
    assert done.stderr == ""


def test_help_names_every_option_with_its_unit_and_the_exit_codes(capsys):
    assert ends(["--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for action in _parser()._actions:
        assert action.help
        for option in action.option_strings:
            assert option in text
    for code in ("0 the answer", "2 the command line", "3 the venue file", "4 a file cannot"):
        assert code in text
    assert "VENUE.toml" in text


# The process


def test_other_warnings_are_shown_as_usual(capsys):
    with warnings.catch_warnings(record=True) as usual:
        warnings.simplefilter("always")
        with _plain_warnings(sys.stderr):
            warnings.warn("odd", UserWarning, stacklevel=1)
            warnings.warn("cold", RangeWarning, stacklevel=1)
    assert [str(one.message) for one in usual] == ["odd"]
    assert capsys.readouterr().err == "note: cold\n"


@pytest.mark.parametrize(("raised", "code", "said"), [
    (None, 3, ""),
    (BrokenPipeError(), 0, ""),
    (OSError(28, "No space left on device"), 4,
     "the output cannot be written, No space left on device\n"),
])
def test_the_process_ends_with_its_code(monkeypatch, capfd, raised, code, said):
    def ends():
        if raised:
            raise raised
        return 3

    monkeypatch.setattr(command, "main", ends)
    monkeypatch.setattr(os, "dup2", lambda *_: None)
    assert command._run() == code
    assert capfd.readouterr() == ("", said)


def test_run_as_a_file(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["fillalign", *LADDER])
    with pytest.raises(SystemExit) as stop:
        runpy.run_path(command.__file__, run_name="__main__")
    assert stop.value.code == 0
    assert capsys.readouterr().out == quick_answer(41, 15, 24).text()
