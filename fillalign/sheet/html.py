"""The set-up sheet as one self-contained page, to print on A4 and to fill in on a screen.

`page.html` holds the first page and the style, `reasons.html` what comes after it. The page
is whole without its script; with it, blanks take what was set and read.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from fillalign._text import html_text
from fillalign._validate import check_flag, check_type
from fillalign.planning import FillPlan
from fillalign.sheet.content import Section, sheet_content, shown, sounding_fills
from fillalign.sheet.pictures import fill_pictures, places_picture, venue_pictures
from fillalign.sheet.scripted import filled, live_data, script_parts

if TYPE_CHECKING:
    import pandas as pd

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
# Longer names are set smaller where page one must show them whole, and cut where they come again.
_LONG, _NAMED_AGAIN = 24, ("readings", "retime")
_UNIT = re.compile(r"(?<=\d) (?=(?:k?Hz|dB|ms|m|ft)\b)")


def _table(
    key: str, columns: Iterable[str], rows: Iterable[Iterable[str]], marks: Sequence[str] = ()
) -> str:
    """Return a table of cells in HTML, with blanks to write in; each row may have a mark."""
    heads, blanks = [*columns], _BLANKS.get(key, {})
    for at, name in blanks.items():
        heads.insert(at, name)
    body = []
    for number, row in enumerate(rows):
        cells = iter(row)
        written = "".join(
            f'<td class="blank" data-label="{name}" aria-label="{name}, to write in"></td>'
            if at in blanks else f'<td data-label="{name}">{next(cells)}</td>' if blanks
            else f"<td>{next(cells)}</td>" for at, name in enumerate(heads))
        body.append(f"<tr{marks[number] if marks else ''}>{written}</tr>")
    head = "".join(f"""<th scope="col"{' class="blank"' * (at in blanks)}>{name}</th>"""
                   for at, name in enumerate(heads))
    return (f'<div class="{"cards" if blanks else "scroll"}"><table><thead><tr>{head}</tr></thead>'
            f"<tbody>{''.join(body)}</tbody></table></div>")


def _text(text: str) -> str:
    """Return text in HTML whose numbers keep their unit on their line."""
    return _UNIT.sub("&nbsp;", html_text(text))


def _cut(text: str) -> str:
    """Return a long name with its middle left out: names mostly differ at an end."""
    return text if len(text) <= _LONG else f"{text[: _LONG // 2]}\u2026{text[-_LONG // 3 :]}"


def _section(
    section: Section, level: str = "h2", pictures: str = "", marks: Sequence[str] = ()
) -> str:
    kind = "ol" if section.key == "check" else "ul"
    lines = "".join(f"<li>{html_text(line)}</li>" for line in section.lines)
    columns, *rows = (map(_cut, row) if section.key in _NAMED_AGAIN else row
                      for row in (section.columns, *section.rows))
    return "".join((
        f'<div class="{section.key}"><{level}>{html_text(section.title)}</{level}>',
        f"<{kind}>{lines}</{kind}>" if lines else "",
        pictures,
        f'<p class="note">{html_text(section.note)}</p>' if section.note else "",
        _table(section.key, map(html_text, columns), (map(_text, row) for row in rows), marks)
        if rows else "",
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
    sheet, fills = sheet_content(plan, places), sounding_fills(plan)
    numbers = {name: f' data-output="{at}"' for at, name in enumerate(plan.venue.outputs)}
    marks = {
        "readings": [f'{numbers[fill.output]} data-seat="0"' for fill in fills],
        "more": [f'{numbers[fill.output]} data-seat="{at}"' for fill in fills
                 for at, _ in enumerate(fill.reading.more, 1)],
    }
    drawn = {} if places is None else {"hang": places_picture(places)}
    parts = defaultdict(str, {
        section.key: _section(section, "h2", drawn.get(section.key, ""), marks.get(section.key, ()))
        for section in sheet.sections if section.key != "why"})
    parts |= {
        "title": html_text(sheet.title), "venue": html_text(plan.venue.name),
        "air": html_text(sheet.air), "settings": _settings(plan, sheet.outputs, numbers),
        "targets": f'<p class="targets">{html_text(sheet.targets)}</p>',
        **script_parts(live_data(plan), "air.js", "live.js"),
    }
    if not short:
        why = (section for section in sheet.sections if section.key == "why")
        parts["pictures"] = venue_pictures(plan)
        parts["why"] = "".join(_section(section, "h3", fill_pictures(plan, fill))
                               for section, fill in zip(why, plan.fills, strict=True))
        parts["rest"] = filled("reasons.html", parts)
    return filled("page.html", parts)


def _settings(
    plan: FillPlan, outputs: Iterable[Mapping[str, Any]], numbers: Mapping[str, str]
) -> str:
    """Return the table of what to set, each row with the number of its output."""
    rows = []
    for own in outputs:
        told = {key: _text(text) for key, text in shown(own).items()}
        told["headroom"] = told["headroom"] and f"headroom {told['headroom']}<br>"
        rows.append([cell.format_map(told) for cell in _SETTINGS.values()])
    marks = [numbers[name] + ' class="long"' * (len(name) > _LONG or len(own.set_in) > 2 * _LONG)
             for name, own in plan.venue.outputs.items()]
    return _table("settings", _SETTINGS, rows, marks)
