"""The set-up sheet as one self-contained page for printing on A4."""

from __future__ import annotations

from collections.abc import Iterable

from fillalign._text import html_text
from fillalign.planning import FillPlan, FillReport
from fillalign.sheet.content import (
    AXES,
    Table,
    air_text,
    assumption_lines,
    check_order,
    positions_table,
    readings_table,
    retime_table,
    seats_table,
    settings_table,
    sounding_fills,
    trim_table,
)
from fillalign.sheet.pictures import fill_pictures, limits_text, venue_pictures

_ROWS_BESIDE_SUMMARY = 20
_SETTINGS_MM = (32, 19, 27, 17, 20, 16, 14, 11, 11, 11, 11)
_READINGS_MM = (25, 29, 26, 24, 18, 15, 17, 17, 17)
_STYLE = """
@page { size: A4; margin: 9mm 10mm }
* { box-sizing: border-box }
body { margin: 0 auto; width: 190mm; font: 8.2pt/1.28 "DejaVu Sans", Verdana, Arial, sans-serif;
  color: #111; background: #fff; overflow-wrap: anywhere }
section + section { break-before: page }
h1 { font-size: 14pt; margin: 0 0 1mm }
h2 { font-size: 9pt; margin: 2.4mm 0 .8mm; border-bottom: .5pt solid #111 }
h3 { font-size: 8.4pt; margin: 1.6mm 0 .4mm }
p, ul, ol { margin: .5mm 0 } ul, ol { padding-left: 4.4mm } li { margin: .25mm 0 }
table { border-collapse: collapse; width: calc(100% - .5mm); margin: .8mm 0 }
table.fixed { table-layout: fixed }
thead { display: table-header-group } tr { break-inside: avoid }
caption { text-align: left; font-size: 7pt; padding-bottom: .3mm }
th, td { border: .4pt solid #555; padding: .5mm .8mm; text-align: left; vertical-align: top;
  font-size: 7.2pt; line-height: 1.18 }
th { background: #e6e6e6; font-weight: bold }
td.blank { min-width: 9mm; height: 6mm; background: #fff }
td strong { font-size: 8.4pt; white-space: nowrap }
.fixed th { font-size: 6.5pt }
.write { display: inline-block; min-width: 20mm; border-bottom: .5pt solid #111 }
.unmet { border: 1.2pt solid #111; padding: .6mm 1.6mm }
.row { display: flex; flex-wrap: wrap; gap: 2mm; align-items: flex-start }
.two { columns: 2; column-gap: 6mm; font-size: 7pt; line-height: 1.2 }
figure { margin: 0; break-inside: avoid }
figcaption { font-size: 7pt; font-weight: bold }
figure img { display: block; width: 100% }
@media screen { body { padding: 8mm 0 } }
@media print { th { -webkit-print-color-adjust: exact; print-color-adjust: exact } }
"""


def _list(lines: Iterable[str], *, kind: str = "ul", classes: str = "") -> str:
    items = "".join(f"<li>{html_text(line)}</li>" for line in lines)
    return f'<{kind} class="{classes}">{items}</{kind}>' if classes else f"<{kind}>{items}</{kind}>"


def _cells(table: Table) -> list[str]:
    return ["".join(f"<td>{html_text(cell)}</td>" for cell in row) for row in table.rows]


def _table(table: Table) -> str:
    return _laid_out(map(html_text, table.columns), _cells(table), html_text(table.title))


def _laid_out(
    columns: Iterable[str],
    rows: list[str],
    caption: str = "",
    *,
    blanks: tuple[str, ...] = (),
    widths_mm: tuple[int, ...] = (),
) -> str:
    """Return a table from cells in HTML, with blanks to write in at the end of each row."""
    head = "".join(f'<th scope="col">{name}</th>' for name in (*columns, *blanks))
    blank = "".join(f'<td class="blank" aria-label="{name}, to write in"></td>' for name in blanks)
    widths = "".join(f'<col style="width:{mm}mm">' for mm in widths_mm)
    return "".join(
        (
            '<table class="fixed">' if widths else "<table>",
            f"<caption>{caption}</caption>" if caption else "",
            f"<colgroup>{widths}</colgroup>" if widths else "",
            f"<thead><tr>{head}</tr></thead><tbody>",
            *(f"<tr>{row}{blank}</tr>" for row in rows),
            "</tbody></table>",
        )
    )


def _readings(plan: FillPlan) -> str:
    table = readings_table(plan)
    if not table.rows:
        return "<h2>Meter readings</h2><p>No fill sounds: there are none to take.</p>"
    blanks = ("mains read", "fill read", "both read")
    return f"<h2>{html_text(table.title)}</h2>" + _laid_out(
        map(html_text, table.columns), _cells(table), html_text(AXES), blanks=blanks,
        widths_mm=_READINGS_MM,
    )


def _settings(plan: FillPlan) -> str:
    """One row an output, cells joined so that blanks to write in fit beside them."""
    rows = []
    for row in settings_table(plan).rows:
        output, boxes, feed, where, ms, samples, rate, metres, feet, *rest = map(html_text, row)
        cut, shelf, trim, polarity = rest
        shown = (
            f"<strong>{output}</strong> ({feed})<br>&rarr; {boxes}",
            f"{where}<br>{rate}",
            f"<strong>{ms} ms</strong><br>{samples} samples<br>{metres} m, {feet} ft",
            f"<strong>{trim}</strong>",
            f"{cut}",
            f"{shelf}",
            polarity,
        )
        rows.append("".join(f"<td>{cell}</td>" for cell in shown))
    columns = ("output &rarr; boxes", "set in", "delay", "trim", "low cut", "shelf", "polarity")
    blanks = ("delay as set", "trim as set", "filters as set", "initials time")
    return _laid_out(columns, rows, blanks=blanks, widths_mm=_SETTINGS_MM)


def _page_one(plan: FillPlan) -> str:
    unmet = (f'<div class="unmet"><strong>Not met</strong>{_list(plan.unmet)}</div>'
             if plan.unmet else "<p><strong>Not met:</strong> nothing; every target is met.</p>")
    return "".join(
        (
            f"<section><h1>Set-up sheet: {html_text(plan.venue.name)}</h1>",
            f"<p>{html_text(air_text(plan))}</p>",
            "<p>Air found: <span class='write'></span> C <span class='write'></span> % "
            "&emsp; Date and time: <span class='write'></span> &emsp; Set by: "
            "<span class='write'></span></p>",
            f"<h2>Settings</h2>{_settings(plan)}",
            _readings(plan),
            f"<h2>Order of the check</h2>{_list(check_order(plan), kind='ol')}",
            unmet,
            _summary(plan) if _page_one_has_room(plan) else "",
            f"<h2>Cautions</h2>{_list(plan.cautions, classes='two')}</section>",
        )
    )


def _page_one_has_room(plan: FillPlan) -> bool:
    """Tell whether the summary fits below the settings and the readings."""
    rows = 2 * len(plan.venue.outputs) + len(sounding_fills(plan)) + len(plan.unmet)
    return rows <= _ROWS_BESIDE_SUMMARY


def _summary(plan: FillPlan) -> str:
    return f"<h2>In short (the areas with the mains alone)</h2>{_list(plan.summary, classes='two')}"


def _page_two(plan: FillPlan) -> str:
    retime = _table(retime_table(plan))
    return "".join(
        (
            f"<section><h2>{html_text(plan.venue.name)}: pictures</h2>",
            f'<div class="row">{venue_pictures(plan, retime)}</div>',
            f"<h2>Assumptions</h2>{_list(assumption_lines(plan), classes='two')}</section>",
        )
    )


def _why(plan: FillPlan, fill: FillReport) -> str:
    parts = [f"<h3>{html_text(fill.output)}</h3>{_list(fill.reasons)}"]
    if fill.sounding:
        own = plan.settings[fill.output].trim_db
        limits = html_text(f"Limits of the trim: {limits_text(fill)}.")
        parts += [f'<div class="row">{fill_pictures(plan, fill)}</div><p>{limits}</p>',
                  _table(trim_table(fill, own))]
    return "".join(parts)


def page(plan: FillPlan) -> str:
    """Return the set-up sheet as one HTML page that needs nothing else.

    Page one holds what to set and how to check it, page two the pictures, and the
    pages after it the reasons.

    Parameters
    ----------
    plan : FillPlan
        The plan.

    Returns
    -------
    str
        HTML; all text from the venue file is escaped.

    Examples
    --------
    >>> from fillalign import plan_fills, read_venue
    >>> plan = plan_fills(read_venue("data/lantern_room.toml"))
    >>> page(plan)[:15]
    '<!DOCTYPE html>'
    """
    seats, places = seats_table(plan), positions_table(plan)
    reasons = "".join(_why(plan, fill) for fill in plan.fills)
    return "".join(
        (
            '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>Set-up sheet: {html_text(plan.venue.name)}</title>",
            f"<style>{_STYLE}</style></head>",
            f"<body>{_page_one(plan)}{_page_two(plan)}",
            "<section>",
            "" if _page_one_has_room(plan) else _summary(plan),
            f"<h2>Why these settings</h2>{_table(seats) if seats.rows else ''}{reasons}",
            f"<h2>Where the boxes are</h2><p>{html_text(AXES)}</p>"
            f"{_laid_out(map(html_text, places.columns), _cells(places))}",
            "<h2>Defaults used</h2>",
            _list(plan.venue.defaults_used or ("None.",), classes="two"),
            "</section></body></html>\n",
        )
    )
