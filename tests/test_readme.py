"""The README's Python example runs as printed, and its commands end well."""

import doctest
import re
import shlex
import tomllib
from pathlib import Path

import pytest

from fillalign.__main__ import main

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def test_example_runs_as_printed(monkeypatch):
    monkeypatch.chdir(ROOT)
    results = doctest.testfile(
        str(ROOT / "README.md"), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE
    )
    assert results.attempted >= 6
    assert results.failed == 0


@pytest.mark.parametrize("command", re.findall(r"^fillalign (.+?)(?: && .*)?$", TEXT, re.M))
def test_commands_of_fillalign_end_well(tmp_path, monkeypatch, capsys, command):
    monkeypatch.chdir(tmp_path)
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
