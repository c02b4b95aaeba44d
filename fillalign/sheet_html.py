"""The set-up sheet as one self-contained page for printing on A4."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable
from html import escape
from typing import TYPE_CHECKING

from fillalign._text import plain
from fillalign.plan import FillPlan, FillReport
from fillalign.sheet_tables import (
    CHECK_ORDER,
    Table,
    air_text,
    assumption_lines,
    readings_table,
    retime_table,
    seats_table,
    settings_table,
    sounding_fills,
    trim_table,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MM_PER_INCH = 25.4
_PAGE_MM = 190.0
_HALF_MM = 94.0
_SETTINGS_MM = (33, 19, 27, 17, 20, 16, 14, 11, 11, 11, 11)
_READINGS_MM = (26, 31, 26, 24, 19, 16, 16, 16, 16)
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


def text(value: str) -> str:
    """Return text from a file, safe inside HTML."""
    return escape(plain(value))


def _list(lines: Iterable[str], *, kind: str = "ul", classes: str = "") -> str:
    items = "".join(f"<li>{text(line)}</li>" for line in lines)
    return f'<{kind} class="{classes}">{items}</{kind}>' if classes else f"<{kind}>{items}</{kind}>"


def _table(table: Table, *, caption: bool = True) -> str:
    cells = ["".join(f"<td>{text(cell)}</td>" for cell in row) for row in table.rows]
    return _laid_out(map(text, table.columns), cells, text(table.title) if caption else "")


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
        return "<h2>Meter readings</h2><p>No fill sounds: none to take.</p>"
    cells = ["".join(f"<td>{text(cell)}</td>" for cell in row) for row in table.rows]
    blanks = ("mains read", "fill read", "both read")
    return f"<h2>{text(table.title)}</h2>" + _laid_out(
        map(text, table.columns), cells, blanks=blanks, widths_mm=_READINGS_MM
    )


def _settings(plan: FillPlan) -> str:
    """One row an output, cells joined so that blanks to write in fit beside them."""
    rows = []
    for row in settings_table(plan).rows:
        output, boxes, feed, where, ms, samples, rate, metres, feet, *rest = map(text, row)
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


def _picture(
    draw: Callable[..., Axes], words: str, title: str, size_mm: tuple[float, float]
) -> str:
    """Draw one picture into the page, with the words for those who do not see it."""
    from fillalign import plots

    figure = plots.blank_figure(size_mm[0] / _MM_PER_INCH, size_mm[1] / _MM_PER_INCH)
    draw(ax=figure.add_subplot())
    data = base64.b64encode(plots.svg_bytes(figure, plain(words))).decode()
    return (f'<figure style="width:{size_mm[0]:.1f}mm"><figcaption>{text(title)}</figcaption>'
            f'<img alt="{text(words)}" src="data:image/svg+xml;base64,{data}"></figure>')


def _page_one(plan: FillPlan) -> str:
    unmet = (f'<div class="unmet"><strong>Not met</strong>{_list(plan.unmet)}</div>'
             if plan.unmet else "<p><strong>Not met:</strong> nothing; every target is met.</p>")
    return "".join(
        (
            f"<section><h1>Set-up sheet: {text(plan.venue.name)}</h1>",
            f"<p>{text(air_text(plan))}</p>",
            "<p>Air found: <span class='write'></span> C <span class='write'></span> % "
            "&emsp; Date and time: <span class='write'></span> &emsp; Set by: "
            "<span class='write'></span></p>",
            f"<h2>Settings</h2>{_settings(plan)}",
            _readings(plan),
            f"<h2>Order of the check</h2>{_list(CHECK_ORDER, kind='ol')}",
            unmet,
            f"<h2>Cautions</h2>{_list(plan.cautions, classes='two')}</section>",
        )
    )


def _page_two(plan: FillPlan) -> str:
    return "".join(
        (
            f"<section><h2>{text(plan.venue.name)}: pictures</h2>",
            f'<div class="row">{_venue_pictures(plan)}</div>',
            f"<h2>Assumptions</h2>{_list(assumption_lines(plan), classes='two')}</section>",
        )
    )


def _venue_pictures(plan: FillPlan) -> str:
    from fillalign import plots

    x0, x1, y0, y1, z1 = plots.extent_m(plan)
    length, fills = x1 - x0, sounding_fills(plan)
    beside = bool(fills) and (y1 - y0) > 0.5 * length
    view_mm = 112.0 if beside else _PAGE_MM
    key_mm = 4.0 * plots.key_rows(plan, view_mm / _MM_PER_INCH)
    high_mm = min((view_mm - 14.0) * (y1 - y0) / length + 12.0 + key_mm, 86.0 if beside else 74.0)
    stretch = plots.natural_stretch(plan)
    section_mm = min(176.0 * stretch * 1.1 * z1 / length + 10.0, 48.0)
    boxes = "; ".join(f"{s.name} ({s.output}) at x {s.position_m[0]:.1f}, y {s.position_m[1]:.1f}, "
                      f"z {s.position_m[2]:.1f} m" for s in plan.venue.sources)
    gap_mm = (_PAGE_MM - 2.0 - view_mm, high_mm) if beside else (_HALF_MM, 56.0)
    gaps = [_picture(lambda ax: plots.gap_map(plan, ax=ax), _gap_words(plan, None),
                     "Loudest fill after the mains, ms (hatched: before)", gap_mm)] if fills else []
    retime = [
        _table(retime_table(plan)),
        _picture(lambda ax: plots.retime_plot(plan, ax=ax),
                 "Change of each fill's delay with the temperature; the re-time table holds the "
                 "figures.", "Change of delay with the temperature", (_HALF_MM, 36.0)),
    ] if fills else ["No fill sounds: there is no gap to map and nothing to re-time."]
    columns = retime if beside else ["".join(retime)]
    return "".join(
        (
            _picture(lambda ax: plots.plan_view(plan, ax=ax), f"Plan view. {boxes}.",
                     "Plan view (dotted: off; + seats for the meter, x stage microphone)",
                     (view_mm, high_mm)),
            *(gaps if beside else []),
            _picture(lambda ax: plots.side_section(plan, ax=ax, stretch=stretch),
                     f"Side section with the same loudspeakers; heights drawn {stretch:g} to 1.",
                     "Side section (dashed: ears)", (_PAGE_MM, section_mm)),
            *_walk_pictures(plan),
            *([] if beside else gaps),
            *(f'<div style="width:{_HALF_MM}mm">{column}</div>' for column in columns),
        )
    )


def _walk_pictures(plan: FillPlan) -> list[str]:
    from fillalign import plots

    walk = plan.walk
    spread = (f"{walk.spread_db('before'):.1f} dB from front to back with the mains alone, "
              f"{walk.spread_db('after'):.1f} dB with the fills")
    heard = "useful (direct and early)" if plan.venue.indoors else "direct"
    return [
        _picture(lambda ax: plots.walk_levels_plot(plan, ax=ax),
                 f"Level of the {heard} sound along the walk against the profile, before and "
                 "after.", f"Along the walk: {heard} sound, which decides", (_HALF_MM, 43.0)),
        _picture(lambda ax: plots.walk_levels_plot(plan, which="meter", ax=ax),
                 f"Total level along the walk: {spread}.",
                 "Along the walk: total sound, which a meter shows", (_HALF_MM, 43.0)),
    ]


def _gap_words(plan: FillPlan, fill: str | None) -> str:
    checks = plan.checks
    here = checks.covered.astype(bool)
    if fill is not None:
        here &= checks.fill == list(plan.venue.outputs).index(fill)
    gaps = checks.gap_ms[here]
    whose = "every fill" if fill is None else fill
    return (f"Map of the gap of {whose} to the mains: {gaps.min():.1f} to {gaps.max():.1f} ms at "
            "the seats covered.")


def _why(plan: FillPlan, fill: FillReport) -> str:
    from fillalign import plots

    parts = [f"<h3>{text(fill.output)}</h3>{_list(fill.reasons)}"]
    if fill.sounding:
        name, third = fill.output, (_PAGE_MM - 4.0) / 3
        own = plan.settings[name].trim_db
        letters = ", ".join(f"{letter}: {bound} ({trim:+.1f} dB)"
                            for letter, (trim, bound) in plots.bound_letters(fill).items())
        parts += [
            '<div class="row">',
            _picture(lambda ax: plots.gap_map(plan, name, ax=ax), _gap_words(plan, name),
                     "Gap to the mains, ms", (third, 50.0)),
            _picture(lambda ax: plots.trim_curve_plot(plan, name, ax=ax),
                     f"Share of rows served and of seats that keep the image against the trim of "
                     f"{name}; set is {own:+.1f} dB. Limits: {letters}.",
                     "Benefit and harm of the trim", (third, 50.0)),
            _picture(lambda ax: plots.speech_plot(plan, name, ax=ax),
                     f"Speech transmission index of the rows covered and of the rows ahead against "
                     f"the trim of {name}.", "Speech against the trim", (third, 50.0)),
            f"</div><p>Limits of the trim: {text(letters)}.</p>",
            _table(trim_table(fill, own)),
        ]
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
    seats = seats_table(plan)
    reasons = "".join(_why(plan, fill) for fill in plan.fills)
    return "".join(
        (
            '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width">',
            f"<title>Set-up sheet: {text(plan.venue.name)}</title><style>{_STYLE}</style></head>",
            f"<body>{_page_one(plan)}{_page_two(plan)}",
            f"<section><h2>In short</h2>{_list(plan.summary)}",
            f"<h2>Why these settings</h2>{_table(seats) if seats.rows else ''}{reasons}",
            "<h2>Defaults used</h2>",
            _list(plan.venue.defaults_used or ("None.",), classes="two"),
            "</section></body></html>\n",
        )
    )
