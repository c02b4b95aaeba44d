"""The set-up sheet as one self-contained page, to print on A4 and to fill in on a screen.

`page.html` holds the first page and the style, `reasons.html` what comes after it. The page
is whole without its script; with it, blanks take what was set and read.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

from fillalign._text import html_text
from fillalign._validate import check_flag, check_type
from fillalign.planning import FillPlan
from fillalign.sheet.content import Section, sheet_content, shown
from fillalign.sheet.live import live_data
from fillalign.sheet.pictures import fill_pictures, places_picture, venue_pictures
from fillalign.sheet.tables import json_text, script_hash, script_text

if TYPE_CHECKING:
    import pandas as pd

_FOLDER = Path(__file__).parent
_BLANKS = {
    "settings": {2: "delay as set", 4: "trim as set", 6: "filters as set", 7: "initials, time"},
    "readings": {8: "mains read", 9: "fill read", 10: "both read"},
    "more": {6: "mains read", 7: "fill read", 8: "both read"},
}
# Cells joined, so that blanks to write in fit beside them.
_SETTINGS = {
    "output, boxes, set in": '<strong>{output}</strong> ({feed})<br><span class="boxes">&rarr; '
                             "{boxes}</span>{set_in}",
    "delay": "<strong>{delay}</strong><br>{samples}, {rate}<br>{metres}, {feet}",
    "trim": "<strong>{trim}</strong><br>{headroom}polarity {polarity}",
    "filters": "low cut {low cut}<br>shelf {shelf}",
}
_BLANK = ' class="blank"'
# Longer names are set smaller where page one must show them whole, and cut where they come again.
_LONG, _NAMED_AGAIN = 24, ("readings", "retime")
Cells = Iterable[str]
_UNIT = re.compile(r"(?<=\d) (?=(?:k?Hz|dB|ms|m|ft)\b)")


def _table(key: str, columns: Cells, rows: Iterable[Cells], marks: Cells = ()) -> str:
    """Return a table of cells in HTML, with blanks to write in; each row may have a mark."""
    blanks = _BLANKS.get(key, {})

    def whole(cells: Cells, blank: Mapping[int, str]) -> list[tuple[str, bool]]:
        row = [(cell, False) for cell in cells]
        for at, name in blank.items():
            row.insert(at, (name, True))
        return row

    heads = whole(columns, blanks)
    head = "".join(f'<th scope="col"{_BLANK if blank else ""}>{name}</th>' for name, blank in heads)
    body, rows = [], [*rows]
    for mark, row in zip([*marks] or [""] * len(rows), rows, strict=True):
        cells = (
            f'<td class="blank" data-label="{name}" aria-label="{name}, to write in"></td>'
            if blank else f'<td data-label="{name}">{cell}</td>' if blanks else f"<td>{cell}</td>"
            for (name, _), (cell, blank) in zip(heads, whole(row, blanks), strict=True))
        body.append(f"<tr{mark}>{''.join(cells)}</tr>")
    kind = "cards" if blanks else "scroll"
    return (f'<div class="{kind}"><table><thead><tr>{head}</tr></thead>'
            f"<tbody>{''.join(body)}</tbody></table></div>")


def _cut(text: str) -> str:
    """Return a long name with its middle left out: names mostly differ at an end."""
    return text if len(text) <= _LONG else f"{text[: _LONG // 2]}\u2026{text[-_LONG // 3 :]}"


def _kept(cell: str) -> str:
    """Return a cell whose numbers keep their unit on their line."""
    return _UNIT.sub("&nbsp;", cell)


def _section(section: Section, level: str = "h2", pictures: str = "", marks: Cells = ()) -> str:
    kind = "ol" if section.key == "check" else "ul"
    lines = "".join(f"<li>{html_text(line)}</li>" for line in section.lines)

    def text(cell: str) -> str:
        return html_text(_cut(cell) if section.key in _NAMED_AGAIN else cell)

    columns = map(text, section.columns)
    rows = ((_kept(text(cell)) for cell in row) for row in section.rows)
    return "".join((
        f'<div class="{section.key}"><{level}>{html_text(section.title)}</{level}>',
        f"<{kind}>{lines}</{kind}>" if lines else "",
        pictures,
        f'<p class="note">{html_text(section.note)}</p>' if section.note else "",
        _table(section.key, columns, rows, marks) if section.rows else "",
        "</div>",
    ))


def setup_sheet_html(
    plan: FillPlan, *, short: bool = False, places: pd.DataFrame | None = None
) -> str:
    """Return the set-up sheet as one HTML page that needs nothing else.

    Page one holds what to set and how to check it, up to eight outputs on one A4; the
    reasons come after it. On a screen the air found re-times every delay, and what was
    set and read is weighed and saved to a file that `read_as_set` takes.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    short : bool
        Page one alone.
    places : pandas.DataFrame, optional
        From `propose_places`, to be shown with their map among the reasons.

    Returns
    -------
    str
        HTML; all text from the venue file is escaped, nothing from outside is loaded.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("lantern_room"))
    >>> setup_sheet_html(plan, short=True)[:15]
    '<!DOCTYPE html>'
    """
    check_type("plan", plan, FillPlan)
    check_flag("short", short)
    sheet, data = sheet_content(plan, places), live_data(plan)
    outputs = [{key: _kept(html_text(text)) for key, text in shown(own).items()}
               for own in sheet.outputs]
    for own in outputs:
        own["headroom"] = own["headroom"] and f"headroom {own['headroom']}<br>"
    numbers = {name: f' data-output="{at}"' for at, name in enumerate(plan.venue.outputs)}
    settings = ([cell.format_map(own) for cell in _SETTINGS.values()] for own in outputs)
    fills = [fill for fill in plan.fills if fill.sounding]
    marks = {
        "readings": [f'{numbers[fill.output]} data-seat="0"' for fill in fills],
        "more": [f'{numbers[fill.output]} data-seat="{at}"' for fill in fills
                 for at, _ in enumerate(fill.reading.more, 1)],
    }
    parts = defaultdict(str, {section.key: _section(
        section, marks=marks.get(section.key, ()),
        pictures=places_picture(places) if places is not None and section.key == "hang" else "")
                              for section in sheet.sections})
    script = script_text("air.js", "live.js")
    parts |= {
        "title": html_text(sheet.title), "venue": html_text(sheet.venue),
        "air": html_text(sheet.air),
        "settings": _table("settings", _SETTINGS, settings, (
            numbers[name] + ' class="long"' * (len(name) > _LONG or len(own.set_in) > 2 * _LONG)
            for name, own in plan.venue.outputs.items())),
        "script": script, "hash": script_hash(script), "data": json_text(data),
        "targets": f'<p class="targets">{html_text(sheet.targets)}</p>',
    }
    parts["rest"] = "" if short else _reasons(plan, sheet.sections, parts)
    return _filled("page.html", parts)


def _filled(name: str, parts: Mapping[str, str]) -> str:
    return Template((_FOLDER / name).read_text(encoding="utf-8")).substitute(parts)


def _reasons(plan: FillPlan, sections: Iterable[Section], parts: Mapping[str, str]) -> str:
    """Return the pages after the first."""
    why = (section for section in sections if section.key == "why")
    drawn = {
        "pictures": venue_pictures(plan),
        "why": "".join(_section(section, "h3", fill_pictures(plan, fill))
                       for section, fill in zip(why, plan.fills, strict=True)),
    }
    return _filled("reasons.html", defaultdict(str, {**parts, **drawn}))
