"""The set-up sheet as CSV: one row an output, numbers as numbers."""

from __future__ import annotations

import csv
import io
import math

from fillalign._text import csv_text
from fillalign._validate import check_type
from fillalign.planning import FillPlan
from fillalign.sheet.content import sheet_content

_COLUMNS = (
    "venue output role boxes feed set_in delay_ms delay_samples sample_rate_hz delay_m delay_ft "
    "low_cut_hz low_cut_order low_cut_kind shelf_db shelf_hz trim_db headroom_db polarity "
    "seat_x_m seat_y_m seat_z_m mains_dba mains_dbc fill_dba fill_dbc both_dba click_delay_ms "
    "click_hz click_db equal_x_m equal_y_m equal_z_m equal_mains_dba equal_fill_dba "
    "first_row_x_m first_row_y_m first_row_z_m first_row_mains_dba first_row_fill_dba "
    "first_row_both_dba last_row_x_m last_row_y_m last_row_z_m last_row_mains_dba "
    "last_row_fill_dba last_row_both_dba "
    "computed_temperature_c computed_humidity_pct computed_pressure_kpa"
).split()
_TO_WRITE_IN = ("as_set_delay_ms as_set_low_cut_hz as_set_shelf_db as_set_trim_db as_set_polarity "
                "read_mains_dba read_fill_dba read_both_dba found_temperature_c found_humidity_pct "
                "initials time").split()
_DIGITS = {
    **{name: 1 for name in _COLUMNS if name.endswith(("_dba", "_dbc"))}, "delay_ms": 4,
    "delay_m": 3, "delay_ft": 2, "click_delay_ms": 4, "click_db": 1, "headroom_db": 1,
    "computed_humidity_pct": 1, "computed_pressure_kpa": 3,
}


def setup_sheet_csv(plan: FillPlan) -> str:
    """Return the set-up sheet as CSV: one row an output, numbers as numbers.

    Parameters
    ----------
    plan : FillPlan
        The plan.

    Returns
    -------
    str
        With a header. Text that a spreadsheet could take for a formula starts
        with an apostrophe; a trim of minus infinity is the word off; readings
        and re-time delays are empty where the output is no sounding fill.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("lantern_room"))
    >>> setup_sheet_csv(plan).splitlines()[2][:30]
    'Lantern Room,Fill,fill,Wanted '
    """
    check_type("plan", plan, FillPlan)
    outputs = sheet_content(plan).outputs
    later = [key for key in outputs[0] if key.startswith("delay_ms_at_")]
    text, columns = io.StringIO(), [*_COLUMNS, *later, *_TO_WRITE_IN]
    writer = csv.DictWriter(text, columns, restval="")
    writer.writeheader()
    named = [{"venue": plan.venue.name, **one} for one in outputs]
    writer.writerows({key: _cell(key, one[key]) for key in columns if key in one}
                     for one in named)
    return text.getvalue()


def _cell(key: str, value: str | float) -> str | float:
    if isinstance(value, str):
        return csv_text(value)
    if math.isinf(value):
        return "off"
    return round(value, _DIGITS[key]) if key in _DIGITS else value
