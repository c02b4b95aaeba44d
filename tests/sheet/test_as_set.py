"""What was set and read, back from a file: TOML and the CSV with its blanks filled."""

from __future__ import annotations

import csv
import io
import math

import pytest

from fillalign.planning import MeterRead, as_measured
from fillalign.sheet import read_as_set, setup_sheet_csv, setup_sheet_html, setup_sheet_text
from tests.sheet.lopsided import SETTINGS, Page, Text, lopsided_plan

WHOLE = """
[as_set]
venue = "Lopsided Barn"
temperature_c = 18.5
humidity_pct = 61
set_by = "A. B."
when = "Friday, 19:20"

[output."Near"]
delay_ms = 70.0
trim_db = -6
low_cut_hz = "none"
polarity = "inverted"
initials = "AB"
time = "19:20"

[output."Far"]
trim_db = "off"

[[reading]]
output = "Near"
at_m = [28.9, 4.5, 1.62]
mains_dba = 71.5
fill_dba = 69
both_dba = 73.25
gap_ms = 5.3
polarity_same = true
"""


@pytest.fixture(scope="module")
def plan():
    return lopsided_plan()


@pytest.fixture
def given(tmp_path, plan):
    def read(text, name="set.toml", encoding="utf-8"):
        path = tmp_path / name
        path.write_text(text, encoding=encoding)
        return read_as_set(path, plan)
    return read


def test_a_whole_file(given, plan):
    found = given(WHOLE)
    near = found.settings["Near"]
    assert (near.delay_ms, near.trim_db, near.low_cut_hz, near.polarity) == (
        70.0, -6, None, "inverted")
    # What is left out is as planned.
    assert (near.shelf_db, near.shelf_hz) == (SETTINGS["Near"].shelf_db, SETTINGS["Near"].shelf_hz)
    assert found.settings["Far"].trim_db == -math.inf
    assert [*found.settings] == ["Near", "Far"]
    assert found.readings == (MeterRead("Near", (28.9, 4.5, 1.62), 71.5, 69, 73.25, 5.3, True),)
    assert (found.air.temperature_c, found.air.humidity_pct) == (18.5, 61)
    assert found.air.pressure_kpa == plan.air.pressure_kpa


def test_a_temperature_alone_keeps_the_vapour(given, plan):
    assert given("[as_set]\ntemperature_c = 9").air == plan.air.at_temperature(9.0)
    assert given("").air is None


def test_a_delay_left_blank_is_the_one_of_the_air_found(given, plan):
    """What was not written down was dialled as the re-time table has it: no change to tell of."""
    text = '[as_set]\ntemperature_c = 9\n[output."Near"]\npolarity = "inverted"'
    found = given(text)
    row, = plan.retime_rows([found.air])
    assert found.settings["Near"].delay_ms == pytest.approx(row["Near"])
    assert row["Near"] != plan.settings["Near"].delay_ms
    told = as_measured(plan, found.settings, found.readings, air=found.air).differences
    assert any(line.startswith("Near: polarity") for line in told)
    assert not any(line.startswith("Near: delay") for line in told)


def filled(plan, blanks, *, semicolons=False):
    """Return the sheet's CSV as a spreadsheet saves it with some blanks filled."""
    rows = list(csv.DictReader(io.StringIO(setup_sheet_csv(plan))))
    for row in rows:
        row |= blanks.get(row["output"], {})
    text = io.StringIO()
    writer = csv.DictWriter(text, rows[0], delimiter=";" if semicolons else ",")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


@pytest.mark.parametrize("semicolons", [False, True])
def test_the_csv_with_its_blanks_filled(given, plan, semicolons):
    """Also as spreadsheets save it where a comma is the decimal point."""
    point = "," if semicolons else "."
    blanks = {
        "Near": {"as_set_delay_ms": f"70{point}5", "as_set_trim_db": "-6",
                 "as_set_low_cut_hz": "None", "read_mains_dba": f"71{point}5",
                 "read_fill_dba": "69", "initials": "AB", "time": "1920",
                 "found_temperature_c": f"18{point}5"},
        "Far": {"as_set_trim_db": "OFF", "as_set_polarity": "normal"},
    }
    found = given(filled(plan, blanks, semicolons=semicolons), "sheet.csv", "utf-8-sig")
    assert (found.settings["Near"].delay_ms, found.settings["Near"].trim_db,
            found.settings["Near"].low_cut_hz) == (70.5, -6, None)
    assert (found.settings["Far"].trim_db, found.settings["Far"].polarity) == (-math.inf, "normal")
    assert found.readings == (MeterRead("Near", None, 71.5, 69.0),)
    assert found.air.temperature_c == 18.5
    assert [*found.settings] == ["Near", "Far"]


def test_a_csv_without_anything_filled_is_as_planned(given, plan):
    found = given(setup_sheet_csv(plan), "sheet.csv")
    assert (found.settings, found.readings, found.air) == ({}, (), None)
    other = setup_sheet_csv(plan).replace("Lopsided Barn", "Upright Barn")
    with pytest.raises(ValueError, match="this is of 'Upright Barn'"):
        given(other, "sheet.csv")


@pytest.mark.parametrize(("text", "words"), [
    ("nonsense", "cannot be read"),
    ("[output]\nNear = 3", r"\[output.'Near'\] must be a table, got 3"),
    ("output = 3", "must be written as"),
    ("[reading]\noutput = 'Near'", r"must be written as \[\[reading\]\]"),
    ("[outputs]", "unknown key 'outputs'; known: as_set, output, reading"),
    ("[output.Nera]\ndelay_ms = 3", "is no output of the venue; there are Mains, Subs"),
    ("[output.Near]\ndelay = 3", "unknown key 'delay'"),
    ("[output.Near]\ndelay_ms = -3", "Near: delay_ms must be between 0 and 20000 ms, got -3"),
    ("[output.Near]\ndelay_ms = 1500", "delay_ms must be at most delay_max_ms"),
    ("[output.Near]\ntrim_db = 60", "trim_db must be at most"),
    ("[output.Near]\ntrim_db = [1]", "trim_db must be"),
    ("[output.Near]\npolarity = 'upside down'", "polarity must be one of normal, inverted"),
    ("[[reading]]\noutput = 'Mains'", "output must be a fill's: Lip, Near, Far"),
    ("[[reading]]\noutput = 'Near'\nfill_dba = 'loud'",
     "fill_dba must be between 0 and 160 dBA, got 'loud'"),
    ("[[reading]]\noutput = 'Near'\nat_m = [1, 2]", "at_m must be x, y and z in m"),
    ("[[reading]]\noutput = 'Near'\nat_m = 3", "at_m must be x, y and z in m"),
    ("reading = [3]", "must be a table, got 3"),
    ("[as_set]\nhumidity_pct = 40", "humidity_pct needs temperature_c beside it"),
    ("[as_set]\ntemperature_c = 400", "temperature_c must be"),
    ("as_set = 3", "must be a table, got 3"),
])
def test_mistakes_are_told_with_file_table_and_key(given, text, words):
    with pytest.raises(ValueError, match=words) as caught:
        given(text)
    assert all(line.startswith("set.toml: ") for line in str(caught.value).splitlines())


def test_every_mistake_is_told(given):
    with pytest.raises(ValueError, match="delay_ms") as caught:
        given("[output.Near]\ndelay_ms = -3\ntrim_db = 90\n[output.Nix]\n[as_set]\nvenue = [1]")
    assert len(str(caught.value).splitlines()) == 3
    with pytest.raises(ValueError, match="both_dba") as caught:
        given("[[reading]]\noutput = 'Near'\nboth_dba = 'loud'\ngap_ms = 4000\nmains_dba = 300")
    assert len(str(caught.value).splitlines()) == 3


def test_what_is_no_file_of_ours_is_refused(tmp_path, plan):
    with pytest.raises(ValueError, match="it is no file"):
        read_as_set(tmp_path, plan)
    with pytest.raises(ValueError, match="it is no file"):
        read_as_set(tmp_path / "none.toml", plan)
    (tmp_path / "big.toml").write_bytes(b"#" * 2_000_001)
    with pytest.raises(ValueError, match="more than 2000000 bytes"):
        read_as_set(tmp_path / "big.toml", plan)
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ValueError, match=r"odd\.toml: cannot be read"):
        read_as_set(tmp_path / "odd.toml", plan)
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    with pytest.raises(ValueError, match="no column output"):
        read_as_set(tmp_path / "other.csv", plan)


def test_a_sheet_as_measured_opens_with_what_was_set_and_read(given, plan):
    found = given(WHOLE)
    measured = as_measured(plan, found.settings, found.readings, air=found.air)
    text = setup_sheet_text(measured, short=True)
    assert text.startswith("SET-UP SHEET AS MEASURED: Lopsided Barn\n")
    said = Text(text).said("AS SET AND READ")
    for words in ("re-timed for the air found, 18.5 C and 61 %", "Near: delay 5.14 ms more",
                  "Near: trim 1.5 dB less", "Far: off, where", "fill less mains reads"):
        assert words in said, words
    page = Page(setup_sheet_html(measured, short=True))
    assert " ".join(said.split("- ")).split() == " ".join(page.part("measured")["li"]).split()
    assert page.settings("Far")["trim, dB"] == "off"
