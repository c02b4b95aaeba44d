"""The set-up sheet of a plan: as plain text, as CSV, and written to files.

What it says comes from `fillalign.sheet.content`; the page for printing
(`fillalign.sheet.html`) lays out the same.
"""

from __future__ import annotations

import csv
import io
import math
import os
import textwrap
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from fillalign._files import SheetError, write_whole
from fillalign._text import csv_text, plain, slug
from fillalign._validate import as_path, check_type
from fillalign.planning import FillPlan
from fillalign.sheet.content import (
    AXES,
    Table,
    air_text,
    assumption_lines,
    boxes_of,
    check_order,
    positions_table,
    readings_table,
    retime_table,
    seats_table,
    settings_table,
    sounding_fills,
    trim_table,
    walk_table,
    whole_samples,
)

WIDTH = 92
BLANK = "________"


def _wrapped(lines: Iterable[str], mark: str = "- ") -> list[str]:
    return [
        part
        for line in lines
        for part in textwrap.wrap(plain(line), WIDTH, initial_indent=mark,
                                  subsequent_indent=" " * len(mark), break_on_hyphens=False)
    ]


def _heading(text: str) -> list[str]:
    lines = textwrap.wrap(plain(text), WIDTH)
    # Only headings of one line are words; longer ones are sentences, left as they are.
    return ["", *(lines if len(lines) > 1 else [lines[0].upper()]), "-" * len(lines[0])]


def _grid(table: Table) -> list[str]:
    cells = [[plain(cell) for cell in row] for row in (table.columns, *table.rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(table.columns))]
    return [
        "  ".join(cell.rjust(width) if i else cell.ljust(width)
                  for i, (cell, width) in enumerate(zip(row, widths, strict=True))).rstrip()
        for row in cells
    ]


def _settings_lines(plan: FillPlan) -> list[str]:
    lines = []
    for row in settings_table(plan).rows:
        output, boxes, feed, where, ms, samples, rate, metres, feet, *rest = row
        cut, shelf, trim, polarity = rest
        lines += ["", *_wrapped([f"{output} ({feed}) -> {boxes}"], ""), *_wrapped([where],
                                                                                 "  set in    ")]
        dialled = (
            ("delay", f"{ms} ms = {samples} samples at {rate} = {metres} m = {feet} ft"),
            ("low cut", cut),
            ("shelf", shelf),
            ("trim", trim),
            ("polarity", polarity),
        )
        lines += [f"  {name:<9} {value:<58} as set {BLANK}" for name, value in dialled]
        lines.append(f"{'':<59}initials {BLANK} time {BLANK}")
    return lines


def _table_lines(*tables: Table) -> list[str]:
    return [line for table in tables if table.rows
            for line in (*_heading(table.title), *_grid(table))]


def setup_sheet_text(plan: FillPlan) -> str:
    """Return the set-up sheet as plain text for a terminal or a plain printer.

    Parameters
    ----------
    plan : FillPlan
        The plan.

    Returns
    -------
    str
        Lines of at most about 92 characters. Control and direction marks in
        names are spelled out.

    Examples
    --------
    >>> from fillalign import plan_fills, read_venue
    >>> plan = plan_fills(read_venue("data/lantern_room.toml"))
    >>> print(setup_sheet_text(plan).splitlines()[0])
    SET-UP SHEET: Lantern Room
    """
    check_type("plan", plan, FillPlan)
    lines = [plain(f"SET-UP SHEET: {plan.venue.name}"), *_wrapped([air_text(plan)], ""), "",
             f"Air found: {BLANK} C {BLANK} %   date and time: {BLANK}{BLANK}   set by: {BLANK}"]
    lines += [*_heading("Settings"), *_settings_lines(plan)]
    steps = [f"{number}. {step}" for number, step in enumerate(check_order(plan), 1)]
    lines += [*_heading("Order of the check"), *_wrapped(steps, "")]
    lines += _table_lines(readings_table(plan), retime_table(plan))
    lines += [*_heading("Not met"), *_wrapped(plan.unmet or ("Every target is met.",))]
    lines += [*_heading("In short (the areas with the mains alone)"), *_wrapped(plan.summary)]
    lines += [*_table_lines(positions_table(plan)), *_wrapped([AXES], "")]
    lines += _table_lines(seats_table(plan), walk_table(plan))
    for fill in plan.fills:
        lines += [*_heading(f"Why: {fill.output}"), *_wrapped(fill.reasons)]
        if fill.sounding:
            table = trim_table(fill, plan.settings[fill.output].trim_db)
            lines += ["", table.title, *_grid(table)]
    lines += [*_heading("Cautions"), *_wrapped(plan.cautions)]
    lines += [*_heading("Assumptions"), *_wrapped(assumption_lines(plan))]
    lines += [*_heading("Defaults used"), *_wrapped(plan.venue.defaults_used or ("None.",))]
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
    >>> from fillalign import plan_fills, read_venue
    >>> plan = plan_fills(read_venue("data/lantern_room.toml"))
    >>> setup_sheet_csv(plan).splitlines()[2][:21]
    'Fill,fill,Wanted fill'
    """
    check_type("plan", plan, FillPlan)
    readings = {fill.output: fill.reading for fill in sounding_fills(plan)}
    later = plan.retime_rows(plan.planned_airs())
    air = plan.air
    rows = []
    for row in plan.rows():
        name = row["output"]
        reading = readings.get(name)
        record = {
            "output": name,
            "role": row["role"],
            "boxes": boxes_of(plan, name),
            **{key: row[key] for key in ("feed", "set_in")},
            "delay_ms": round(row["delay_ms"], 4),
            "delay_samples": whole_samples(row["delay_samples"]),
            "sample_rate_hz": plan.venue.outputs[name].sample_rate_hz,
            "delay_m": round(row["delay_m"], 3),
            "delay_ft": round(row["delay_ft"], 2),
            "low_cut_hz": "" if np.isnan(row["low_cut_hz"]) else row["low_cut_hz"],
            "low_cut_order": "" if np.isnan(row["low_cut_hz"]) else row["low_cut_order"],
            "low_cut_kind": "" if np.isnan(row["low_cut_hz"]) else row["low_cut_kind"],
            "shelf_db": row["shelf_db"],
            "shelf_hz": row["shelf_hz"] if row["shelf_db"] else "",
            "trim_db": "off" if math.isinf(row["trim_db"]) else row["trim_db"],
            "polarity": row["polarity"],
            **dict(zip(("seat_x_m", "seat_y_m", "seat_z_m"),
                       reading.seat_m if reading else ("", "", ""), strict=True)),
            **{key: round(getattr(reading, key), 1) if reading else "" for key in
               ("mains_dba", "mains_dbc", "fill_dba", "fill_dbc", "both_dba")},
            "computed_temperature_c": air.temperature_c,
            "computed_humidity_pct": round(air.humidity_pct, 1),
            "computed_pressure_kpa": round(air.pressure_kpa, 3),
            **{f"delay_ms_at_{other['temperature_c']:g}_c": other[name] if reading else ""
               for other in later},
            **dict.fromkeys(("as_set_delay_ms", "as_set_low_cut_hz", "as_set_shelf_db",
                             "as_set_trim_db", "as_set_polarity", "initials", "time"), ""),
        }
        rows.append({key: csv_text(value) if isinstance(value, str) else value
                     for key, value in record.items()})
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def setup_sheet_html(plan: FillPlan) -> str:
    """Return the set-up sheet as one page for printing; see `fillalign.sheet.html`."""
    from fillalign.sheet.html import page

    check_type("plan", plan, FillPlan)
    return page(plan)


def write_sheet(
    plan: FillPlan, folder: str | os.PathLike[str], *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write the set-up sheet as text, CSV and HTML, all three whole or none.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    folder : str or path
        An existing folder. The names are made from the venue's.
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
    >>> from fillalign import plan_fills, read_venue
    >>> plan = plan_fills(read_venue("data/lantern_room.toml"))
    >>> with TemporaryDirectory() as folder:
    ...     [path.name for path in write_sheet(plan, folder)]
    ['lantern-room-sheet.txt', 'lantern-room-sheet.csv', 'lantern-room-sheet.html']
    """
    base = as_path("folder", folder)
    if not os.path.isdir(base):
        raise SheetError(base, "is no folder; make it first, or name another")
    contents = (
        setup_sheet_text(plan).encode(),
        # The mark at the start makes spreadsheets read the names as UTF-8.
        setup_sheet_csv(plan).encode("utf-8-sig"),
        setup_sheet_html(plan).encode(),
    )
    paths = [base / f"{slug(plan.venue.name)}-sheet.{kind}" for kind in ("txt", "csv", "html")]
    write_whole(dict(zip(paths, contents, strict=True)), overwrite=overwrite)
    return tuple(paths)
