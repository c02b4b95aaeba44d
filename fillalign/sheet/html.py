"""The set-up sheet as one self-contained page for printing on A4: `page.html` filled in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from string import Template

from fillalign._text import html_text
from fillalign._validate import check_type
from fillalign.planning import FillPlan
from fillalign.sheet.content import Section, sheet_content, shown, sounding_fills
from fillalign.sheet.pictures import fill_pictures, venue_pictures

_PAGE = Path(__file__).with_name("page.html")
_ROWS_BESIDE_SUMMARY = 20
_BLANKS = {
    "settings": ("delay as set", "trim as set", "filters as set", "initials time"),
    "readings": ("mains read", "fill read", "both read"),
}
# Cells joined, so that blanks to write in fit beside them.
_SETTINGS = {
    "output and boxes": "<strong>{output}</strong> ({feed})<br>&rarr; {boxes}",
    "set in": "{set_in}<br>{rate}",
    "delay": "<strong>{delay}</strong><br>{samples}<br>{metres}, {feet}",
    "trim": "<strong>{trim}</strong>",
    "low cut": "{low cut}",
    "shelf": "{shelf}",
    "polarity": "{polarity}",
}


def _table(key: str, columns: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """Return a table of cells in HTML, with blanks to write in at the end of some."""
    blanks = _BLANKS.get(key, ())
    head = "".join(f'<th scope="col">{name}</th>' for name in columns)
    head += "".join(f'<th scope="col" class="blank">{name}</th>' for name in blanks)
    blank = "".join(f'<td class="blank" aria-label="{name}, to write in"></td>' for name in blanks)
    body = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in row)}{blank}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _section(section: Section, level: str = "h2", pictures: str = "") -> str:
    kind = "ol" if section.key == "check" else "ul"
    lines = "".join(f"<li>{html_text(line)}</li>" for line in section.lines)
    columns, rows = map(html_text, section.columns), (map(html_text, row) for row in section.rows)
    return "".join((
        f'<div class="{section.key}"><{level}>{html_text(section.title)}</{level}>',
        f"<{kind}>{lines}</{kind}>" if lines else "",
        pictures,
        f'<p class="note">{html_text(section.note)}</p>' if section.note else "",
        _table(section.key, columns, rows) if section.rows else "",
        "</div>",
    ))


def setup_sheet_html(plan: FillPlan) -> str:
    """Return the set-up sheet as one HTML page for printing that needs nothing else.

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
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("lantern_room"))
    >>> setup_sheet_html(plan)[:15]
    '<!DOCTYPE html>'
    """
    check_type("plan", plan, FillPlan)
    sheet = sheet_content(plan)
    outputs = [{key: html_text(text) for key, text in shown(own).items()} for own in sheet.outputs]
    settings = ([cell.format_map(own) for cell in _SETTINGS.values()] for own in outputs)
    parts = defaultdict(str, {section.key: _section(section) for section in sheet.sections})
    why = (section for section in sheet.sections if section.key == "why")
    parts |= {
        "venue": html_text(sheet.venue),
        "air": html_text(sheet.air),
        "settings": _table("settings", _SETTINGS, settings),
        "pictures": venue_pictures(plan, parts["retime"]),
        "why": "".join(_section(section, "h3", fill_pictures(plan, fill))
                       for section, fill in zip(why, plan.fills, strict=True)),
    }
    rows = 2 * len(outputs) + len(sounding_fills(plan)) + len(plan.unmet)
    parts["summary_first" if rows <= _ROWS_BESIDE_SUMMARY else "summary_later"] = parts["summary"]
    return Template(_PAGE.read_text(encoding="utf-8")).substitute(parts)
