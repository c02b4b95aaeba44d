"""Writing: whole or not at all, whatever stops it, with one error that names the file.

Every writer goes through `write_whole`: the set-up sheet, the picture, WAV files
and more.
"""

from __future__ import annotations

import errno
import gc
import os
import stat
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from fillalign import _files, read_wav, write_sheet, write_wav
from fillalign.__main__ import main
from fillalign._files import SheetError, write_whole
from fillalign.audio.wav import RecordingError
from fillalign.plots import overview, overview_text, svg_bytes
from tests.demo_plans import DATA, demo_plan

ROOM = str(DATA / "lantern_room.toml")
FULL = Path("/dev/full")


def test_files_keep_the_usual_permissions(tmp_path):
    usual = tmp_path / "usual"
    usual.touch()
    write_whole({tmp_path / "made": b"x"})
    modes = [stat.S_IMODE(os.stat(tmp_path / name).st_mode) for name in ("usual", "made")]
    assert modes[0] == modes[1]


@pytest.mark.skipif(os.name != "posix", reason="rights of a file are those of POSIX")
@pytest.mark.parametrize("mode", [0o600, 0o640, 0o755])
@pytest.mark.parametrize("links", [True, False])
def test_a_replaced_file_keeps_its_rights(tmp_path, monkeypatch, mode, links):
    """A sheet that nobody else may read stays so."""
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    mine = tmp_path / "mine"
    mine.write_bytes(b"old")
    mine.chmod(mode)
    write_whole({mine: b"new", tmp_path / "other": b"x"}, overwrite=True)
    assert mine.read_bytes() == b"new"
    assert stat.S_IMODE(mine.stat().st_mode) == mode
    assert stat.S_IMODE((tmp_path / "other").stat().st_mode) == 0o666 & ~umask()


def umask():
    """Return the rights that new files are denied."""
    now = os.umask(0)
    os.umask(now)
    return now


def test_a_file_system_without_rights_is_written_to(tmp_path, monkeypatch):
    def no_rights(*_args, **_options):
        raise OSError(errno.EPERM, "no rights here")

    (tmp_path / "a").write_bytes(b"old")
    monkeypatch.setattr(os, "chmod", no_rights)
    write_whole({tmp_path / "a": b"new"}, overwrite=True)
    assert left(tmp_path) == {"a": b"new"}


def three(folder):
    return {folder / name: name.encode() * 10 for name in ("a", "b", "c")}


def left(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize("before", [{}, {"b": b"old"}])
@pytest.mark.parametrize("step", ["write", "fsync", "link", "replace"])
@pytest.mark.parametrize("at", [1, 2, 3])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EPERM])
def test_a_failure_at_any_step_changes_nothing(
    tmp_path, monkeypatch, overwrite, before, step, at, code
):
    """A full disk, a folder that cannot be written to, or a refusal, at each file in turn."""
    for name, content in before.items():
        (tmp_path / name).write_bytes(content)
    calls = 0
    usual = {"write": Path.open, "fsync": os.fsync, "link": os.link, "replace": os.replace}[step]

    def failing(*args, **options):
        nonlocal calls
        calls += 1
        # The undoing that follows must still work, so the fault strikes once.
        if calls == at:
            raise OSError(code, os.strerror(code))
        return usual(*args, **options)

    with monkeypatch.context() as patch:
        if step == "write":
            patch.setattr(Path, "open", failing)
        else:
            patch.setattr(os, step, failing)
        try:
            write_whole(three(tmp_path), overwrite=overwrite)
        except SheetError as error:
            failed = str(error)
        else:
            failed = ""
    content = {path.name: data for path, data in three(tmp_path).items()}
    if failed:
        assert left(tmp_path) == before
        assert failed.startswith(str(tmp_path))
    else:
        assert left(tmp_path) == content
    refused = bool(before) and not overwrite
    assert failed or not refused
    if not refused and step in ("write", "fsync"):
        assert os.strerror(code) in failed


def test_nothing_is_written_where_a_name_is_taken(tmp_path, monkeypatch):
    (tmp_path / "c").write_text("mine")
    opened = []
    monkeypatch.setattr(Path, "open", lambda path, *_: opened.append(path))
    with pytest.raises(SheetError, match="c: is there already"):
        write_whole(three(tmp_path))
    assert opened == []


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_appears_meanwhile_is_not_replaced(tmp_path, monkeypatch, links):
    usual = os.fsync
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    calls = []

    def slow(number):
        calls.append(number)
        if len(calls) == 3:
            (tmp_path / "b").write_text("theirs")
        return usual(number)

    monkeypatch.setattr(os, "fsync", slow)
    with pytest.raises(SheetError, match="b: is there already"):
        write_whole(three(tmp_path))
    assert left(tmp_path) == {"b": b"theirs"}


def no_links(*_args, **_options):
    raise OSError(errno.EPERM, "no links here")


def test_without_links_files_are_still_never_replaced(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "link", no_links)
    write_whole(three(tmp_path))
    assert set(left(tmp_path)) == {"a", "b", "c"}
    (tmp_path / "c").write_text("mine")
    with pytest.raises(SheetError, match="is there already"):
        write_whole({tmp_path / "c": b"x"})
    write_whole({tmp_path / "c": b"x"}, overwrite=True)
    assert left(tmp_path)["c"] == b"x"
    assert len(left(tmp_path)) == 3


@pytest.mark.parametrize("before", [{}, {"b": b"old"}])
def test_a_name_that_was_claimed_is_given_back(tmp_path, monkeypatch, before):
    """Where there are no links, and the move to the second name fails."""
    for name, content in before.items():
        (tmp_path / name).write_bytes(content)
    usual, calls = os.replace, []

    def second_fails(*names):
        calls.append(names)
        if len(calls) == 2:
            raise OSError(errno.EIO, "Input/output error")
        usual(*names)

    monkeypatch.setattr(os, "link", no_links)
    monkeypatch.setattr(os, "replace", second_fails)
    with pytest.raises(SheetError, match="b: cannot be written, Input/output error; nothing was"):
        write_whole(three(tmp_path), overwrite=True)
    assert left(tmp_path) == before


def test_an_interrupt_leaves_nothing_behind(tmp_path, monkeypatch):
    def interrupted(_number):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_whole(three(tmp_path))
    assert left(tmp_path) == {}


def test_a_link_is_not_followed(tmp_path):
    target = tmp_path / "target"
    target.write_text("keep")
    (tmp_path / "a").symlink_to(target)
    with pytest.raises(SheetError, match="is there already"):
        write_whole({tmp_path / "a": b"x"})
    write_whole({tmp_path / "a": b"x"}, overwrite=True)
    assert target.read_text() == "keep"
    assert not (tmp_path / "a").is_symlink()


def test_a_folder_in_the_way_is_named(tmp_path):
    (tmp_path / "b").mkdir()
    (tmp_path / "a").write_bytes(b"old")
    with pytest.raises(SheetError, match=r"b: cannot be written"):
        write_whole(three(tmp_path), overwrite=True)
    assert left(tmp_path) == {"a": b"old"}
    assert (tmp_path / "b").is_dir()


def test_the_error_is_one_harmless_line():
    error = SheetError(Path("x\x1b[2J\n\u202e"), "is there already")
    assert str(error) == "x[U+001B][2J[U+000A][U+202E]: is there already"
    assert len(str(SheetError(Path("x" * 5000), "is there already"))) < 300


# An interrupt between a block's end and the closing of its file leaves that to the collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("overwrite", [pytest.param(False, marks=pytest.mark.long), True])
def test_an_interrupt_before_any_line_leaves_all_or_nothing(
    tmp_path, monkeypatch, links, overwrite
):
    """At every line in turn of all that runs until the last file has its name."""
    if not links:
        monkeypatch.setattr(os, "link", no_links)
    new = {path.name: data for path, data in three(tmp_path).items()}
    before = {"a": b"old", "c": b"older"} if overwrite else {}
    tried = 0
    while True:
        for path in tmp_path.iterdir():
            path.unlink()
        for name, content in before.items():
            (tmp_path / name).write_bytes(content)
        stopped = interrupted_at(tried, lambda: write_whole(three(tmp_path), overwrite=overwrite))
        if not stopped:
            break
        found = left(tmp_path)
        seen = {name: data for name, data in found.items() if not name.startswith(".")}
        assert seen in (before, new), (tried, stopped)
        # Only where all is in its place already may hidden parts stay behind.
        assert found == seen or seen == new, (tried, stopped)
        tried += 1
    assert left(tmp_path) == new
    assert tried > 50
    # What the collector has to say of the files is for this test to hear.
    gc.collect()


def interrupted_at(number, call):
    """Interrupt a call before that line of `_files`; return where, or nothing if it ended."""
    usual, seen, where = sys.gettrace(), 0, ""

    def line(frame, event, _argument):
        nonlocal seen, where
        if event == "line":
            seen += 1
            if seen == number + 1:
                where = f"{frame.f_code.co_name}, line {frame.f_lineno}"
                raise KeyboardInterrupt
        return line

    def trace(frame, _event, _argument):
        # A second interrupt while tidying up is beyond what can be promised.
        tidying = frame.f_code.co_name in ("_undo", "_discard")
        ours = frame.f_code.co_filename == _files.__file__
        return line if ours and not tidying else None

    sys.settrace(trace)
    try:
        call()
    except KeyboardInterrupt:
        pass
    finally:
        sys.settrace(usual)
    return where


# Every writer


@cache
def picture():
    """Return a picture, drawn once: what is tried is how it is written."""
    plan = demo_plan("lantern_room")
    return svg_bytes(overview(plan), overview_text(plan))


def write_picture(path):
    write_whole({path: picture()}, overwrite=True)


def write_sheets(path):
    write_sheet(demo_plan("lantern_room"), path.parent, overwrite=True)


def write_sound(path):
    write_wav(path, np.linspace(-1.0, 1.0, 9000), 48000, overwrite=True)


WRITERS = {
    "lantern-room-sheet.html": write_sheets,
    "room.svg": write_picture,
    "tone.wav": write_sound,
}


FAILURES = [
    (OSError(errno.ENOSPC, "No space left on device"), "No space left on device"),
    (OSError(errno.EROFS, "Read-only file system"), "Read-only file system"),
    (KeyboardInterrupt(), ""),
]


@pytest.mark.parametrize(("name", "old", "error", "words"), [
    pytest.param(name, old, *FAILURES[number], id=f"{name}-{old}-{number}",
                 # Two of the ways are enough but in a long run.
                 marks=() if name == "tone.wav" or (old, number) in ((None, 2), (b"old", 0))
                 else pytest.mark.long)
    for name in WRITERS for old in (None, b"old") for number in range(3)
])
@pytest.mark.usefixtures("no_pictures")
def test_a_writer_that_is_stopped_midway_changes_nothing(
    tmp_path, monkeypatch, name, old, error, words
):
    """The disk fills, or Ctrl-C comes, when part of the content is written."""
    target = tmp_path / name
    if old is not None:
        target.write_bytes(old)

    def stops(content, path):
        path.write_bytes(content[: len(content) // 2])
        raise error

    monkeypatch.setattr(_files, "_put", stops)
    with pytest.raises(type(error) if not words else (SheetError, RecordingError)) as caught:
        WRITERS[name](target)
    assert left(tmp_path) == ({} if old is None else {name: old})
    assert words in str(caught.value)
    if words:
        assert str(caught.value).startswith(str(tmp_path))
        assert "\n" not in str(caught.value)


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("name", WRITERS)
@pytest.mark.parametrize("folder", ["missing", "file", "/sys/kernel"])
def test_a_folder_that_takes_no_file_is_one_error(tmp_path, name, folder):
    """Missing, no folder at all, or one in which even the superuser makes no files."""
    (tmp_path / "file").write_text("mine")
    if not Path("/sys/kernel").is_dir():
        pytest.skip("no such folder on this system")
    target = tmp_path / folder / name
    with pytest.raises((SheetError, RecordingError), match=r"is no folder|cannot be w") as e:
        WRITERS[name](target)
    assert str(target.parent) in str(e.value)
    assert left(tmp_path) == {"file": b"mine"}
    assert not target.exists()


@pytest.mark.skipif(os.name != "posix", reason="limits of a process are those of POSIX")
@pytest.mark.parametrize("option", [
    ["--out", "."], pytest.param(["--picture", "room.svg"], marks=pytest.mark.long)])
def test_a_file_that_grows_past_the_limit_of_the_system(tmp_path, option):
    """A real failure midway: the system refuses to write more than 8000 bytes to a file."""
    (tmp_path / "room.svg").write_text("mine")
    (tmp_path / "lantern-room-sheet.csv").write_text("mine")
    before = left(tmp_path)
    code = ("import resource, sys, matplotlib.font_manager\nfrom fillalign.__main__ import main\n"
            "import fillalign.sheet.html as p; p._picture = lambda *_, **__: ''\n"
            "resource.setrlimit(resource.RLIMIT_FSIZE, (8000, 8000))\nsys.exit(main(sys.argv[1:]))")
    done = in_python(["-c", code, ROOM, *option, "--overwrite"], cwd=tmp_path)
    assert done.returncode == 4
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "cannot be written, File too large; nothing was changed" in done.stderr
    assert left(tmp_path) == before


def in_python(words, **options):
    environment = {**os.environ, "PYTHONPATH": str(DATA.parent)}
    return subprocess.run([sys.executable, *words], text=True, check=False, env=environment,
                          stderr=subprocess.PIPE, **{"stdout": subprocess.PIPE, **options})


@pytest.mark.skipif(not FULL.exists(), reason="no /dev/full on this system")
@pytest.mark.parametrize("words", [[ROOM], ["--main-m", "41", "--fill-m", "15", "--temperature-c",
                                            "24"]])
def test_an_output_that_takes_nothing_is_one_line(words):
    with FULL.open("w") as full:
        done = in_python(["-m", "fillalign", *words], stdout=full)
    assert done.returncode == 4
    assert done.stderr == "the output cannot be written, No space left on device\n"


def test_an_interrupted_command_ends_quietly(monkeypatch, capsys):
    def interrupted():
        raise KeyboardInterrupt

    monkeypatch.setattr("fillalign.__main__.main", interrupted)
    assert sys.modules["fillalign.__main__"].run() == 130
    assert capsys.readouterr() == ("", "")


def test_a_sound_is_replaced_only_when_told(tmp_path):
    path = tmp_path / "tone.wav"
    write_wav(path, [0.5, -0.5], 48000)
    before = path.read_bytes()
    with pytest.raises(RecordingError, match=r"tone\.wav: is there already; nothing was written"):
        write_wav(path, [0.25, -0.25], 48000)
    assert left(tmp_path) == {"tone.wav": before}
    write_wav(path, [0.25, -0.25], 48000, overwrite=True)
    np.testing.assert_allclose(read_wav(path).samples[:, 0], [0.25, -0.25], atol=4e-5)
    assert set(left(tmp_path)) == {"tone.wav"}


@pytest.mark.usefixtures("no_pictures")
def test_the_command_names_the_file_it_cannot_write(tmp_path, capsys):
    (tmp_path / "file").write_text("mine")
    assert main([ROOM, "--out", str(tmp_path / "file")]) == 4
    assert capsys.readouterr().err == f"{tmp_path / 'file'}: is no folder; name another\n"
    assert main([ROOM, "--picture", str(tmp_path / "file" / "x.svg")]) == 4
    assert capsys.readouterr().err == (f"{tmp_path / 'file' / 'x.svg'}: cannot be written, Not a "
                                       "directory; nothing was changed\n")
