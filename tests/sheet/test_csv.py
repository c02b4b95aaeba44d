"""The sheet as CSV: its columns, its numbers as numbers, and no formula in any cell.

What its cells say is in `test_cells.py`, what hostile names do in `tests/test_hostile.py`.
"""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pandas as pd
import pytest

from fillalign import evaluate
from fillalign._text import csv_text
from fillalign.sheet import setup_sheet_csv
from tests.demo_plans import demo_plan
from tests.sheet.lopsided import SETTINGS, lopsided_plan, lopsided_venue

COLUMNS = (
    "venue output role boxes feed set_in delay_ms delay_samples sample_rate_hz delay_m delay_ft "
    "low_cut_hz low_cut_order low_cut_kind shelf_db shelf_hz trim_db headroom_db polarity "
    "seat_x_m seat_y_m seat_z_m mains_dba mains_dbc fill_dba fill_dbc both_dba click_delay_ms "
    "click_hz click_db equal_x_m equal_y_m equal_z_m equal_mains_dba equal_fill_dba "
    "first_row_x_m first_row_y_m first_row_z_m first_row_mains_dba first_row_fill_dba "
    "first_row_both_dba last_row_x_m last_row_y_m last_row_z_m last_row_mains_dba "
    "last_row_fill_dba last_row_both_dba computed_temperature_c computed_humidity_pct "
    "computed_pressure_kpa delay_ms_at_8_c delay_ms_at_16.5_c delay_ms_at_23.7_c "
    "delay_ms_at_29_c as_set_delay_ms as_set_low_cut_hz as_set_shelf_db as_set_trim_db "
    "as_set_polarity read_mains_dba read_fill_dba read_both_dba found_temperature_c "
    "found_humidity_pct initials time"
).split()
WORDS = ("venue", "output", "role", "boxes", "feed", "set_in", "low_cut_kind", "trim_db",
         "polarity")


@pytest.fixture(scope="module")
def rows():
    return list(csv.reader(io.StringIO(setup_sheet_csv(lopsided_plan()))))


def test_columns_and_rows(rows):
    assert rows[0] == COLUMNS
    assert {len(row) for row in rows} == {len(COLUMNS)}
    assert [row[1] for row in rows[1:]] == list(SETTINGS)


def test_numbers_are_read_as_numbers():
    sheet = pd.read_csv(io.StringIO(setup_sheet_csv(lopsided_plan())))
    for name in COLUMNS:
        assert pd.api.types.is_numeric_dtype(sheet[name]) == (name not in WORDS), name


def test_what_is_to_be_written_in_is_empty(rows):
    sheet = pd.DataFrame(rows[1:], columns=rows[0])
    for name in COLUMNS[-12:]:
        assert set(sheet[name]) == {""}


def test_without_fills_the_columns_are_the_same():
    """Those who read many sheets find every column in each."""
    header, *rows = csv.reader(io.StringIO(setup_sheet_csv(demo_plan("lantern_room"))))
    assert [name for name in header if not name.startswith("delay_ms_at_")] == [
        name for name in COLUMNS if not name.startswith("delay_ms_at_")]
    later = [place for place, name in enumerate(header) if name.startswith("delay_ms_at_")]
    assert len(later) > 1
    assert {row[place] for row in rows for place in later} == {""}


def test_delays_to_the_tenth_of_a_microsecond_and_samples_raised_to_whole_ones():
    """A fill that is not early waits to the next sample: 639 at 48 kHz are 13.3125 ms."""
    wanted = {
        # Less than a millionth of a sample above a whole one counts as that one.
        "Mains": (13.3125 + 1e-9, 639),
        "Subs": (13.3126, 640),
        "Lip": (13.3125, 639),
    }
    changed = {**SETTINGS, **{name: replace(SETTINGS[name], delay_ms=delay_ms)
                              for name, (delay_ms, _) in wanted.items()}}
    plan = evaluate(lopsided_venue(), changed)
    for name, (delay_ms, samples) in wanted.items():
        row = csv_row(plan, name)
        assert row["delay_samples"] == str(samples)
        assert float(row["delay_ms"]) == pytest.approx(delay_ms, abs=0.5e-4)


def csv_row(plan, name):
    found, = (row for row in csv.DictReader(io.StringIO(setup_sheet_csv(plan)))
              if row["output"] == name)
    return found


@pytest.mark.parametrize(("text", "safe"), [
    ("Fill 1", "Fill 1"), ("A+B", "A+B"), ("=A1", "'=A1"), ("  =A1", "'  =A1"), ("\t=A1",
    "[U+0009]=A1"), ("a;-b", "a;'-b"), ('a"=b', 'a"\'=b'), ("left, -2 dB", "left,' -2 dB"),
])
def test_csv_text(text, safe):
    assert csv_text(text) == safe


def test_negative_numbers_stay_numbers():
    """Only text gets an apostrophe: a trim of -4.5 dB must not."""
    assert csv_row(lopsided_plan(), "Near")["trim_db"] == "-4.5"
    assert float(csv_row(lopsided_plan(), "Far")["seat_y_m"]) < 0
