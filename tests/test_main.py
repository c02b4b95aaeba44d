"""The command line: what it prints and writes, its exit codes, and what it does not load."""

from __future__ import annotations

import json
import os
import re
import runpy
import signal
import subprocess
import sys
import threading
import warnings
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from fillalign import (
    RangeWarning,
    __main__ as command,
    _files,
    evaluate,
    plan_fills,
    read_venue,
    write_venue,
)
from fillalign.__main__ import main
from fillalign.commands import VERBS, plain_warnings
from fillalign.commands.plan import plan_parser
from fillalign.sheet import quick_answer, setup_sheet_text
from tests.demo_plans import DATA, demo_plan
from tests.small_venue import small_plan

ROOM = str(DATA / "lantern_room.toml")
LADDER = ["--main-m", "41", "--fill-m", "15", "--temperature-c", "24"]


# Of the pages only that they are written: other tests read them.
pytestmark = pytest.mark.usefixtures("no_pictures")


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


def test_out_makes_its_folder(tmp_path, capsys):
    folder = tmp_path / "new" / "sheets"
    assert main([ROOM, "--out", str(folder)]) == 0
    assert len(list(folder.iterdir())) == 3
    assert capsys.readouterr().err == ""


def test_a_folder_made_for_nothing_is_taken_away(tmp_path, monkeypatch, capsys):
    def full(_content, _path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(_files, "_put", full)
    (tmp_path / "mine").mkdir()
    assert main([ROOM, "--out", str(tmp_path / "mine" / "new" / "sheets")]) == 4
    assert "No space left on device" in capsys.readouterr().err
    assert main(["lessons", str(tmp_path / "mine" / "new")]) == 4
    assert list(tmp_path.rglob("*")) == [tmp_path / "mine"]


def test_sheet_and_picture_are_written_both_or_neither(tmp_path, capsys):
    picture = tmp_path / "room.svg"
    (tmp_path / "lantern-room-sheet.csv").write_text("mine")
    argv = [ROOM, "--out", str(tmp_path), "--picture", str(picture)]
    assert main(argv) == 4
    assert [path.name for path in tmp_path.iterdir()] == ["lantern-room-sheet.csv"]
    assert capsys.readouterr().out == ""
    assert main([*argv, "--overwrite"]) == 0
    assert len(list(tmp_path.iterdir())) == 4
    assert capsys.readouterr().out.count("written: ") == 4


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


def test_temperature_alone_keeps_the_vapour_and_the_trims(tmp_path, capsys):
    """The delays first, re-timed; the trims are those of the file's own air."""
    plan = small_plan(allowed_fall_db=2.0)
    write_venue(plan.venue, tmp_path / "hall.toml")
    air = plan.air.at_temperature(12.0)
    retimed = plan.retime([12.0])
    assert main([str(tmp_path / "hall.toml"), "--temperature-c", "12", "--short"]) == 0
    first, rest = capsys.readouterr().out.split("\n", 1)
    assert first.startswith(f"Re-timed for 12.0 C, {air.humidity_pct:.0f} %: Fills "
                            f"{retimed['Fills'].iloc[0]:.2f} ms (+")
    assert first.endswith("Trims and filters stay as planned for 20.0 C.")
    settings = {name: replace(own, delay_ms=retimed[name].iloc[0]) if name in retimed else own
                for name, own in plan.settings.items()}
    assert rest == setup_sheet_text(evaluate(plan.venue, settings, air=air), short=True)


def test_all_of_the_air_can_be_given(capsys):
    argv = [ROOM, "--temperature-c", "12", "--humidity-pct", "30", "--pressure-kpa", "90"]
    assert main(argv) == 0
    first, rest = capsys.readouterr().out.split("\n", 1)
    assert "Re-timed for 12.0 C, 30 %: no fill sounds." in first
    assert "Computed for 12.0 C, 30 % relative humidity, 90.0 kPa" in rest


def test_what_was_set_and_read_comes_back_as_a_sheet_as_measured(tmp_path, capsys):
    file = tmp_path / "set.toml"
    file.write_text('[output.Fill]\ndelay_ms = 21.0\ntrim_db = -6.0\n')
    assert main([ROOM, "--as-set", str(file), "--short"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("SET-UP SHEET AS MEASURED: Lantern Room")
    assert "- Fill: -6.0 dB, where it is planned off:" in " ".join(out.split())
    assert main([ROOM, "--as-set", str(file), "--short", "--out", str(tmp_path / "out")]) == 0
    assert "as measured" in (tmp_path / "out" / "lantern-room-sheet.html").read_text()
    file.write_text("[output.Fill]\ndelay_ms = -1\n")
    capsys.readouterr()
    assert main([ROOM, "--as-set", str(file)]) == 3
    assert capsys.readouterr().err == (
        "set.toml: [output] Fill: delay_ms must be between 0 and 20000 ms, got -1\n")


def test_humidity_alone_keeps_the_temperature(capsys):
    assert main([ROOM, "--humidity-pct", "80"]) == 0
    assert "Computed for 21.0 C, 80 % relative humidity, 101.3 kPa" in capsys.readouterr().out


def test_out_of_range_air_is_one_plain_note(capsys):
    assert main([ROOM, "--temperature-c", "35"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Re-timed for 35.0 C")
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
    out = " ".join(out.split())
    for part in ("75.04 ms = 3602 samples at 48 kHz", "At 20 C", "by 4.2 dB: 4.0 in half-dB",
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
    (["--main-m", "-1", "--fill-m", "15", "--temperature-c", "24"],
     "main_m must be between 0 and 10000 m, got -1"),
    ([*LADDER, "--mains-db", "nan"], "mains_db must be between -100 and 200 dB, got nan"),
    ([*LADDER, "--fill-m", "1e100"], "fill_m must be between 0 and 10000 m, got 1e+100"),
    ([ROOM, "--out", ""], "a name is empty: give a file or folder"),
    ([ROOM, "--picture", ""], "a name is empty: give a file or folder"),
    ([ROOM, "--temperature-c=--"], "--temperature-c takes a value, got --"),
    ([*LADDER, "--humidity-pct=--"], "--humidity-pct takes a value, got --"),
    ([ROOM, "--out=--"], "--out takes a value, got --"),
    ([ROOM, "--out="], "--out takes a value, got none"),
    (["places", ROOM, "back", "--from-m=--"], "--from-m takes a value, got --"),
    (["new", "gym.toml", "--length-m=--"], "--length-m takes a value, got --"),
    (["lessons", ""], "a name is empty: give a file or folder"),
    (["new", ""], "a name is empty: give a file or folder"),
    ([ROOM, "--nonsense"], "unrecognized arguments: --nonsense"),
    ([ROOM, "--temp", "12"], "unrecognized arguments: --temp"),
])
def test_a_wrong_command_ends_with_2(argv, said, capsys):
    assert ends(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in " ".join(err.split())
    assert "Traceback" not in err


@pytest.mark.parametrize("argv", [
    [ROOM, f"--{'x' * 5000}"], [ROOM, "--temperature-c", "x" * 5000],
    [ROOM, "--picture", "x" * 5000], [ROOM, "--picture", f"{'x' * 5000}.svg"],
    [ROOM, "--out", "x" * 5000], ["x" * 5000],
], ids=["option", "number", "suffix", "picture", "folder", "venue"])
def test_names_without_end_are_not_echoed_whole(argv, capsys):
    assert ends(argv) in (2, 3, 4)
    *_, said = capsys.readouterr().err.splitlines()
    assert 200 < len(said) < 600


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


def test_a_folder_that_cannot_be_made_ends_with_4(tmp_path, capsys):
    (tmp_path / "file").write_text("mine")
    for folder in ("file", "file/below"):
        assert main([ROOM, "--out", str(tmp_path / folder)]) == 4
        assert capsys.readouterr().err == f"{tmp_path / folder}: is no folder; name another\n"
    assert main([ROOM, "--picture", str(tmp_path / "none" / "x.svg")]) == 4
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


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


@pytest.mark.skipif(os.name != "posix", reason="streams are closed as POSIX does")
@pytest.mark.parametrize("closed", [1, 2])
def test_a_stream_that_is_closed(closed):
    """No output is one line and 4, no place for errors is none."""
    words = LADDER if closed == 1 else [*LADDER, "--fill-m", "-1"]
    closes = (f"import os, sys\nos.close({closed})\n"
              "os.execv(sys.executable, [sys.executable, '-m', 'fillalign', *sys.argv[1:]])")
    done = subprocess.run([sys.executable, "-c", closes, *words], capture_output=True, text=True,
                          check=False, cwd=DATA.parent)
    if closed == 1:
        assert done.returncode == 4
        assert done.stderr == "the output cannot be written, there is none\n"
    else:
        assert (done.returncode, done.stdout, done.stderr) == (2, "", "")


def test_help_names_every_option_with_its_unit_and_the_exit_codes(capsys):
    assert ends(["--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for action in plan_parser()._actions:
        assert action.help
        for option in action.option_strings:
            assert option in text
    for code in ("0 the answer", "2 the command line", "3 a venue file", "4 a file cannot",
                 "5 the recording"):
        assert code in text
    for verb in ("VENUE.toml", *VERBS):
        assert verb in text


# The process


def test_other_warnings_are_shown_as_usual(capsys):
    with warnings.catch_warnings(record=True) as usual:
        warnings.simplefilter("always")
        with plain_warnings(sys.stderr):
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
    assert command.run() == code
    assert capfd.readouterr() == ("", said)


@pytest.fixture
def _usual_interrupt():
    usual = signal.getsignal(signal.SIGINT)
    yield
    signal.signal(signal.SIGINT, usual)


@pytest.mark.usefixtures("_usual_interrupt")
def test_run_as_a_file(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["fillalign", *LADDER])
    with pytest.raises(SystemExit) as stop:
        runpy.run_path(command.__file__, run_name="__main__")
    assert stop.value.code == 0
    assert capsys.readouterr().out == quick_answer(41, 15, 24).text()


def test_the_command_itself_loads_nothing_that_takes_long():
    """An interrupt while numpy loads must find the process where it ends quietly."""
    code = ("import sys\nimport fillalign.__main__\n"
            "assert not {'numpy', 'fillalign.air', 'fillalign.planning'} & set(sys.modules)")
    subprocess.run([sys.executable, "-c", code], check=True, cwd=DATA.parent)


posix = pytest.mark.skipif(os.name != "posix", reason="signals are those of POSIX")
AS_COMMAND = "runpy.run_module('fillalign', run_name='__main__', alter_sys=True)"


def in_python(code, *words, cwd):
    environment = {**os.environ, "PYTHONPATH": str(DATA.parent)}
    return subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True,
                          check=False, env=environment, cwd=cwd)


@posix
@pytest.mark.parametrize("module", ["argparse", "numpy", "numpy.linalg", "fillalign.planning"])
def test_an_interrupt_while_it_loads_is_quiet(tmp_path, module):
    """As a shell sees it: ended by the signal, not a word said."""
    code = f"""
import os, runpy, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
for name in [name for name in sys.modules if name == "argparse"]:
    del sys.modules[name]
class Interrupts:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Interrupts())
{AS_COMMAND}
"""
    done = in_python(code, ROOM, cwd=tmp_path)
    assert done.returncode == -signal.SIGINT
    assert (done.stdout, done.stderr) == ("", "")


@posix
def test_an_interrupt_that_was_to_be_ignored_still_is(tmp_path):
    """As behind nohup, or in the background of a script."""
    code = f"""
import os, runpy, signal
signal.signal(signal.SIGINT, signal.SIG_IGN)
os.kill(os.getpid(), signal.SIGINT)
{AS_COMMAND}
"""
    done = in_python(code, *LADDER, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == quick_answer(41, 15, 24).text()


@posix
@pytest.mark.parametrize(("number", "call"), [
    (signal.SIGINT, "fsync"), (signal.SIGTERM, "unlink"),
    pytest.param(signal.SIGTERM, "link", marks=pytest.mark.long),
])
def test_a_signal_while_files_are_written_waits_for_them(tmp_path, number, call):
    """They are written whole and named; no part of one stays behind."""
    code = f"""
import os, runpy, signal
signal.signal(signal.SIGINT, signal.default_int_handler)
usual = os.{call}
def signalled(*args, **options):
    os.kill(os.getpid(), {int(number)})
    return usual(*args, **options)
os.{call} = signalled
import fillalign.sheet.html
fillalign.sheet.html._picture = lambda *_, **__: "<figure></figure>"
{AS_COMMAND}
"""
    done = in_python(code, ROOM, "--out", "sheets", cwd=tmp_path)
    assert done.returncode == -number
    assert done.stderr == ""
    written = {line.removeprefix("written: ") for line in done.stdout.splitlines()}
    assert {str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*") if path.is_file()} == (
        written)
    assert len(written) == 3


def test_signals_elsewhere_than_in_the_main_thread_are_left_alone(tmp_path):
    """Where Python hears no signals, files are written all the same."""
    ended = []
    thread = threading.Thread(target=lambda: ended.append(main([ROOM, "--out", str(tmp_path)])))
    thread.start()
    thread.join()
    assert ended == [0]
    assert len(list(tmp_path.iterdir())) == 3


# The verbs

GYM = ["--name", "Gym", "--programme", "speech", "--length-m", "36", "--width-m", "18",
       "--height-m", "7", "--rt60-s", "1.6", "--temperature-c", "21", "--first-row-m", "4",
       "--last-row-m", "34", "--mains-apart-m", "10", "--mains-height-m", "4",
       "--mains-dba", "94", "--fill-at-m", "22"]


def test_a_handful_of_numbers_becomes_a_venue_that_plans(tmp_path, capsys):
    path = tmp_path / "gym.toml"
    assert main(["new", str(path), *GYM]) == 0
    assert f"fillalign {path}" in capsys.readouterr().out
    plan = plan_fills(read_venue(path))
    assert plan.venue.name == "Gym"
    # 22 m at 21 C by the Cramer speed, 343.9 m/s from memory, is 64 ms.
    assert [fill.answers.box_to_box_ms for fill in plan.fills] == pytest.approx([64.0], abs=1.5)
    assert main(["new", str(path), *GYM]) == 4
    assert main(["new", str(path), *GYM, "--overwrite"]) == 0


def test_a_first_venue_outdoors_and_without_fills_reads(tmp_path):
    path = tmp_path / "field.toml"
    changed = [*GYM, "--height-m", "0", "--rt60-s", "0", "--fill-at-m", "0"]
    assert main(["new", str(path), *changed]) == 0
    venue = read_venue(path)
    assert venue.room is None or not venue.indoors
    assert not venue.of_role("fill")


@pytest.mark.parametrize(("change", "said"), [
    (["--last-row-m", "50"], "last_row_m must be"),
    (["--fill-at-m", "2"], "fill_at_m must be"),
    (["--mains-dba", "20"], "mains_dba"),
    (["--name", 'a"b'], "name must be"),
])
def test_numbers_that_make_no_venue_write_nothing(tmp_path, capsys, change, said):
    path = tmp_path / "gym.toml"
    assert ends(["new", str(path), *GYM, *change]) == 2
    assert said in capsys.readouterr().err
    assert not path.exists()


def test_what_is_not_given_is_asked_for(tmp_path, monkeypatch, capsys):
    """At a prompt; without one, what is missing is named."""
    path = tmp_path / "gym.toml"
    assert ends(["new", str(path), "--width-m", "1", "--first-row-m", "9", "--last-row-m", "8",
                 "--length-m", "30"]) == 2
    said = capsys.readouterr().err
    for line in ("name must be", "height_m is missing", "width_m must be", "temperature_c is missi",
                 "last_row_m must be above first_row_m, 9 m", "mains_dba is missing"):
        assert line in said
    asked = []
    answers = iter(["Gym", "", "36", "18", "7", "", "21", "4", "34", "10", "4", "94", "22",
                    ""])

    def answer(words):
        asked.append(words)
        return next(answers)

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", answer)
    assert main(["new", str(path)]) == 0
    assert asked[1] == "speech or music [speech]: "
    assert "in m (--length-m)" in asked[2]
    assert read_venue(path).programme == "speech"


def test_a_wrong_answer_is_asked_for_again_and_no_other_is_lost(tmp_path, monkeypatch, capsys):
    path, asked = tmp_path / "gym.toml", []
    answers = iter(["Gym", "speech", "36 m", "3600", "36", "18", "7", "1.4", "21", "4", "40", "10",
                    "4", "94", "3", "", "34", "22"])
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", lambda words: asked.append(words) or next(answers))
    assert main(["new", str(path)]) == 0
    said = capsys.readouterr().err.splitlines()
    assert said == [
        "takes a number alone, with a point and no unit, such as 12.5; got '36 m'",
        "length_m must be between 5 and 300 m, got 3600",
        "last_row_m must be above first_row_m, 4 m, and at most length_m, 36 m, got 40",
        "fill_at_m must be between the first and the last row, 4 to 34 m, or 0 for none, got 3",
    ]
    assert len(asked) == 18
    assert list(read_venue(path).area("back").rows_x_m)[-1] == 34.0


def test_an_end_of_answers_is_one_clear_error(tmp_path, monkeypatch, capsys):
    def nothing(_):
        raise EOFError

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr("builtins.input", nothing)
    assert ends(["new", str(tmp_path / "gym.toml")]) == 2
    assert "not given, and nobody is there to ask" in capsys.readouterr().err


def test_a_blank_form_to_print(tmp_path):
    path = tmp_path / "form.html"
    assert main(["new", str(path)]) == 0
    page = path.read_text(encoding="utf-8")
    assert "<table" in page
    assert "temperature" in page


def test_lessons_and_their_data_come_as_a_folder(tmp_path, capsys):
    folder = tmp_path / "les sons"
    assert main(["lessons", str(folder)]) == 0
    assert "jupyter lab '" in capsys.readouterr().out
    for place in ("notebooks", "data"):
        wanted = {path.name: path.read_bytes() for path in (DATA.parent / place).iterdir()
                  if path.is_file()}
        assert {path.name: path.read_bytes() for path in (folder / place).iterdir()} == wanted
    assert main(["lessons", str(folder)]) == 4
    assert main(["lessons", str(folder), "--overwrite"]) == 0
    (tmp_path / "file").write_text("")
    assert main(["lessons", str(tmp_path / "file")]) == 4


def test_places_for_a_fill(tmp_path, capsys):
    picture = tmp_path / "map.svg"
    words = ["places", "lantern_room", "back", "--from-m", "5", "--to-m", "6", "--picture",
             str(picture)]
    assert main(words) == 0
    shown = capsys.readouterr().out
    assert "x_m" in shown
    legend = {line.split()[0] for line in shown.splitlines() if "  " in line.strip()}
    assert {"served_share", "missing_steps", "elsewhere_steps", "spread_db", "trim_db"} <= legend
    assert "only qualified riggers" in shown
    # No fill is needed there (by the demo venue's own account): each place is planned off.
    assert "-inf" not in shown
    assert re.search(r"^ *\d.* off\b", shown, re.MULTILINE)
    assert b"Places for the fills of back" in picture.read_bytes()
    assert main(words) == 4
    assert "map.svg" in capsys.readouterr().err
    assert ends([*words[:-1], "map.png"]) == 2
    assert "must end in .svg" in capsys.readouterr().err
    assert "position_m = [" in shown
    assert main(["places", ROOM, "back", "--from-m", "5", "--to-m", "6", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {"x_m", "delay_ms", "trim_db", "toml"} <= rows[0].keys()


def test_places_that_cannot_be_searched(tmp_path, capsys):
    assert ends(["places", "lantern_room", "nowhere"]) == 2
    assert "nowhere" in capsys.readouterr().err
    assert main(["places", str(tmp_path / "none.toml"), "back"]) == 3


def test_numbers_of_a_plan_as_json(capsys):
    """The same settings that the printed sheet gives, for a script."""
    assert main([ROOM, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    plan = demo_plan("lantern_room")
    assert {name: own["delay_ms"] for name, own in told["settings"].items()} == {
        name: own.delay_ms for name, own in plan.settings.items()}


def test_cures_are_tried_on_request(capsys):
    assert main([ROOM, "--cures"]) == 0
    assert "cures: no area is short" in capsys.readouterr().out


def test_a_demo_venue_is_known_by_its_name(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["lantern_room"]) == 0
    assert capsys.readouterr().out == setup_sheet_text(demo_plan("lantern_room"))


def test_feet_and_fahrenheit_are_metres_and_celsius(capsys):
    """135 ft are 41.148 m, 75.2 F are 24 C."""
    assert main(["--main-ft", "135", "--fill-ft", "49.25", "--temperature-f", "75.2"]) == 0
    feet = capsys.readouterr().out
    assert main(["--main-m", "41.148", "--fill-m", "15.0114", "--temperature-c", "24"]) == 0
    assert feet == capsys.readouterr().out
    with pytest.raises(SystemExit, match="2"):
        main(["--main-ft", "135", "--main-m", "41", "--fill-m", "15", "--temperature-c", "24"])
    assert "not allowed with argument --main-ft" in capsys.readouterr().err
