"""The set-up sheet as plain text and as CSV, and all its forms as files."""

from __future__ import annotations

import csv
import io
import math
import os
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from fillalign._files import SheetError, write_whole
from fillalign._text import csv_text, plain, slug
from fillalign._validate import as_path, check_flag, check_type
from fillalign.planning import FillPlan
from fillalign.sheet.content import Section, sheet_content, shown
from fillalign.sheet.html import setup_sheet_html

if TYPE_CHECKING:
    import pandas as pd

WIDTH = 92
PAGE_ONE = ("measured", "check", "readings", "retime", "unmet", "cautions")
BLANK = "________"
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


def _wrapped(text: str, mark: str = "") -> list[str]:
    return textwrap.wrap(plain(text), WIDTH, initial_indent=mark,
                         subsequent_indent=" " * len(mark), break_on_hyphens=False)


def _heading(text: str) -> list[str]:
    lines = _wrapped(text.upper())
    return ["", *lines, "-" * max(map(len, lines))]


def _grid(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Columns beside one another; those that do not fit stand below, with the first again."""
    names, *columns = ([plain(cell) for cell in column] for column in zip(*rows, strict=True))
    lines = beside = [name.ljust(max(map(len, names))) for name in names]
    for column in columns:
        width = max(map(len, column))
        if lines is not beside and len(lines[0]) + 2 + width > WIDTH:
            yield from [*map(str.rstrip, lines), ""]
            lines = beside
        lines = [f"{line}  {cell.rjust(width)}" for line, cell in zip(lines, column, strict=True)]
    yield from map(str.rstrip, lines)


def _output(own: Mapping[str, str]) -> list[str]:
    length = "{delay} = {samples} at {rate} = {metres} = {feet}".format_map(own)
    headroom = own["headroom"] and f" (headroom {own['headroom']})"
    dialled = {"delay": length, "low cut": own["low cut"], "shelf": own["shelf"],
               "trim": own["trim"] + headroom, "polarity": own["polarity"]}
    return [
        "", *_wrapped("{output} ({feed}) -> {boxes}".format_map(own)),
        *_wrapped(own["set_in"], "  set in    "),
        *(f"  {name:<9} {value:<58} as set {BLANK}" for name, value in dialled.items()),
        f"{'':<59}initials {BLANK} time {BLANK}",
    ]


def _section(section: Section) -> Iterator[str]:
    why = "Why: " if section.key == "why" else ""
    yield from _heading(f"{why}{section.title}")
    for number, line in enumerate(section.lines, 1):
        yield from _wrapped(line, f"{number}. " if section.key == "check" else "- ")
    if section.note:
        yield from [*([""] if section.lines else []), *_wrapped(section.note)]
    if section.rows:
        yield from _grid([section.columns, *section.rows])


def setup_sheet_text(
    plan: FillPlan, *, short: bool = False, places: pd.DataFrame | None = None
) -> str:
    """Return the set-up sheet as plain text for a terminal or a plain printer.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    short : bool
        What to set and how to check it alone, without the reasons.
    places : pandas.DataFrame, optional
        From `propose_places`, to be shown among the reasons.

    Returns
    -------
    str
        Lines of at most about 92 characters. Control and direction marks in
        names are spelled out.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("lantern_room"))
    >>> print(setup_sheet_text(plan).splitlines()[0])
    SET-UP SHEET: Lantern Room
    """
    check_type("plan", plan, FillPlan)
    check_flag("short", short)
    sheet = sheet_content(plan, places)
    lines = [
        plain(f"{sheet.title.upper()}: {sheet.venue}"), *_wrapped(sheet.air), "",
        f"Air found: {BLANK} C {BLANK} %   date and time: {BLANK}{BLANK}   set by: {BLANK}",
        *_heading("Settings"),
        *(line for own in sheet.outputs for line in _output(shown(own))),
        *(line for section in sheet.sections if section.key in PAGE_ONE or not short
          for line in _section(section)),
    ]
    return "\n".join(lines) + "\n"


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


def sheet_files(
    plan: FillPlan, *, short: bool = False, places: pd.DataFrame | None = None
) -> dict[str, bytes]:
    """Return the set-up sheet as files not written yet: text, CSV and a page to print.

    Parameters
    ----------
    plan, short, places
        As `setup_sheet_html` takes them.

    Returns
    -------
    dict of str to bytes
        Contents by file name; the names are made from the venue's.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> list(sheet_files(plan_fills(read_demo_venue("lantern_room"))))
    ['lantern-room-sheet.txt', 'lantern-room-sheet.csv', 'lantern-room-sheet.html']
    """
    made = {
        "txt": setup_sheet_text(plan, short=short, places=places).encode(),
        # The mark at the start makes spreadsheets read the names as UTF-8.
        "csv": setup_sheet_csv(plan).encode("utf-8-sig"),
        "html": setup_sheet_html(plan, short=short, places=places).encode(),
    }
    return {f"{slug(plan.venue.name)}-sheet.{kind}": content for kind, content in made.items()}


def write_sheet(
    plan: FillPlan, folder: str | os.PathLike[str], *, short: bool = False,
    places: pd.DataFrame | None = None, overwrite: bool = False,
) -> tuple[Path, ...]:
    """Write the set-up sheet as text, CSV and HTML, all three whole or none.

    Parameters
    ----------
    folder : str or path
        An existing folder. The names are made from the venue's.
    plan, short, places
        As `setup_sheet_html` takes them.
    overwrite : bool
        Whether files of those names may be replaced.

    Returns
    -------
    tuple of pathlib.Path
        The text, the CSV and the HTML file.

    Raises
    ------
    SheetError
        If a file cannot be written or is there already; nothing has changed then.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("lantern_room"))
    >>> with TemporaryDirectory() as folder:
    ...     [path.name for path in write_sheet(plan, folder)]
    ['lantern-room-sheet.txt', 'lantern-room-sheet.csv', 'lantern-room-sheet.html']
    """
    base = as_path("folder", folder)
    if not os.path.isdir(base):
        raise SheetError(base, "is no folder; make it first, or name another")
    made = sheet_files(plan, short=short, places=places)
    contents = {base / name: content for name, content in made.items()}
    write_whole(contents, overwrite=overwrite)
    return tuple(contents)
