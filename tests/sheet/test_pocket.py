"""The page for a phone: small, alone, and its tables those of the library."""

from __future__ import annotations

import json
import re

import pytest

from fillalign import fill_level_db, speed_of_sound
from fillalign.commands import answer
from fillalign.precedence import PRECEDENCE_TABLE
from fillalign.sheet import pocket_page


def data():
    return json.loads(re.search(r'id="data">(.*)</script>', pocket_page()).group(1))


def test_it_is_small_and_needs_nothing_else():
    page = pocket_page()
    assert len(page.encode()) < 100_000
    assert "http:" not in page
    assert "https:" not in page
    assert not re.search(r"<(?:link|img|iframe|form|base)\b| src=| href=", page)
    assert "default-src 'none'" in page
    assert "@page { size: 105mm 148mm" in page
    assert "120 to 150 Hz to start from" in page


@pytest.mark.filterwarnings("ignore::fillalign.RangeWarning")
def test_its_tables_are_the_librarys():
    found = data()
    for row, temperature in enumerate(range(-50, 61)):
        for column, humidity in enumerate(range(0, 101, 20)):
            assert found["air"]["speed"][row][column] == pytest.approx(
                speed_of_sound(temperature, humidity), abs=1e-6)
    assert list(zip(found["image"]["gaps"], found["image"]["limits"], strict=True)) == list(
        PRECEDENCE_TABLE)
    needed = found["needed"]
    for at in (0, 50, 159):
        rise = 2.718281828459045 ** (needed["from"] + at * needed["step"])
        assert needed["over"][at] == pytest.approx(fill_level_db(0.0, rise), abs=1e-5)


def test_it_says_how_little_altitude_does():
    """1000 m up, 89.9 kPa (ISO 2533): less than 0.1 % of the speed, as the page says."""
    assert "1000 m up the delay changes by less than 0.1 %" in pocket_page()
    for temperature in (0.0, 15.0, 30.0):
        up, down = (speed_of_sound(temperature, 60.0, kpa) for kpa in (89.87, 101.325))
        assert abs(up / down - 1) < 0.001


def test_a_verb_writes_it(tmp_path, capsys):
    path = tmp_path / "pocket.html"
    assert answer(["pocket", str(path)]) == 0
    assert path.read_text(encoding="utf-8") == pocket_page()
    assert capsys.readouterr().out == f"written: {path}\n"
    assert answer(["pocket", str(path)]) == 4
    with pytest.raises(SystemExit, match="2"):
        answer(["pocket", str(tmp_path / "pocket.txt")])
    assert "must end in .html" in capsys.readouterr().err
