"""The README's Python example runs as printed, and its commands end well."""

import doctest
import re
import shlex
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import oaconvolve

from fillalign.__main__ import main
from fillalign.audio import exponential_sweep, take_turns
from fillalign.sheet import setup_sheet_csv
from tests.demo_plans import demo_plan, planned_once

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def test_example_runs_as_printed(monkeypatch):
    monkeypatch.chdir(ROOT)
    monkeypatch.setattr("fillalign.plan_fills", planned_once)
    results = doctest.testfile(
        str(ROOT / "README.md"), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE
    )
    assert results.attempted >= 6
    assert results.failed == 0


@pytest.fixture(scope="module")
def venue_folder(tmp_path_factory):
    """Return a folder with what the commands at the venue ask for: a sheet and a take."""
    home = tmp_path_factory.mktemp("venue")
    sheet = home / "sheets" / "tidewell-hall-sheet.csv"
    sheet.parent.mkdir()
    sheet.write_text(setup_sheet_csv(demo_plan("tidewell_hall")), encoding="utf-8")
    rate, rng = 44100, np.random.default_rng(2)
    turns = take_turns(exponential_sweep(sample_rate_hz=rate), spacing_s=6.0, sample_rate_hz=rate)
    time = np.arange(rate) / rate
    heard = np.zeros(len(turns))
    for channel, later_s in ((0, 0.1), (1, 0.107)):
        tail = 0.02 * rng.standard_normal(rate) * 10 ** (-3 * np.maximum(time - later_s, 0) / 0.8)
        tail *= time > later_s
        tail[round(later_s * rate)] = 1.0
        heard += oaconvolve(turns[:, channel], tail)[: heard.size]
    heard += 1e-4 * rng.standard_normal(heard.size)
    soundfile.write(home / "take.flac", 0.3 * heard / np.abs(heard).max(), rate)
    return home


@pytest.mark.parametrize("command", re.findall(r"^fillalign (.+?)(?: && .*)?$", TEXT, re.M))
@pytest.mark.usefixtures("no_pictures")
def test_commands_of_fillalign_end_well(venue_folder, tmp_path, monkeypatch, capsys, command):
    at_the_venue = "take.flac" in command or "sheets/" in command
    monkeypatch.chdir(venue_folder if at_the_venue else tmp_path)
    monkeypatch.setattr("fillalign.planning.plan_fills", planned_once)
    assert main(shlex.split(command)) == 0
    assert capsys.readouterr().err == ""


def test_what_it_names_is_there():
    for path in re.findall(r"(?:data|notebooks)/[\w.]+\.\w+", TEXT):
        assert (ROOT / path).exists(), path
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert "test" in extras["optional-dependencies"]
    assert '".[test]"' in TEXT


def test_every_lesson_is_listed():
    numbers = [int(name[:2]) for name in re.findall(r"^\| (\d\d) \|", TEXT, re.M)]
    assert numbers == list(range(11))
