"""The set-up sheet as one self-contained page, to print on A4 and to fill in on a screen.

`page.html` holds the first page and the style, `reasons.html` what comes after it. The page
is whole without its script; with it, blanks take what was set and read.
"""

from __future__ import annotations

import base64
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from fillalign._text import html_text, plain
from fillalign._validate import check_flag, check_type
from fillalign.planning import FillPlan, FillReport
from fillalign.sheet.content import Section, sheet_content, shown, sounding_fills, trim_text
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
_MM_PER_INCH = 25.4
_PAGE_MM, _HALF_MM, _THIRD_MM = 190.0, 94.0, 62.0
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
    drawn = {} if places is None else {"hang": _places_picture(places)}
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
        parts["pictures"] = _venue_pictures(plan)
        parts["why"] = "".join(_section(section, "h3", _fill_pictures(plan, fill))
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


# Pictures, in their sizes and with their words ----------------------------------------------


def _picture(
    draw: Callable[..., Any], drawn: Any, size_mm: tuple[float, float], title: str, words: str,
    *which: str, **options: Any,
) -> str:
    """Draw one picture into the page, with the words for those who do not see it."""
    from fillalign import plots

    size_in = size_mm[0] / _MM_PER_INCH, size_mm[1] / _MM_PER_INCH
    drawing = partial(draw, drawn, *which, **options)
    data = base64.b64encode(plots.page_picture(drawing, size_in, plain(words))).decode()
    return (f'<figure style="width:{size_mm[0]:.1f}mm"><figcaption>{html_text(title)}</figcaption>'
            f'<img alt="{html_text(words)}" src="data:image/svg+xml;base64,{data}"></figure>')


def _venue_pictures(plan: FillPlan) -> str:
    """Return the pictures of the venue.

    The map of gaps stands beside the plan view of a wide venue, below that of a long one.
    """
    from fillalign import plots

    x0, x1, y0, y1, z1 = plots.extent_m(plan)
    length, sounding = x1 - x0, bool(sounding_fills(plan))
    beside = sounding and (y1 - y0) > 0.5 * length
    view_mm = 112.0 if beside else _PAGE_MM
    key_mm = 4.0 * plots.key_rows(plan, view_mm / _MM_PER_INCH)
    high_mm = min((view_mm - 14.0) * (y1 - y0) / length + 12.0 + key_mm, 86.0 if beside else 74.0)
    stretch = plots.natural_stretch(plan)
    section_mm = min(176.0 * stretch * 1.1 * z1 / length + 10.0, 48.0)
    boxes = "; ".join("{} ({}) at x {:.1f}, y {:.1f}, z {:.1f} m".format(
        source.name, source.output, *source.position_m) for source in plan.venue.sources)
    spread = "{:.1f} dB from front to back with the mains alone, {:.1f} dB with the fills".format(
        *(plan.walk.spread_db(when) for when in ("before", "after")))
    heard = "useful (direct and early)" if plan.venue.indoors else "direct"
    view = _picture(
        plots.plan_view, plan, (view_mm, high_mm),
        "Plan view (dotted: off; + seats for the meter, x stage microphone)",
        f"Plan view. {boxes}.")
    side = _picture(
        plots.side_section, plan, (_PAGE_MM, section_mm), "Side section (dashed: ears)",
        f"Side section with the same loudspeakers; heights drawn {stretch:g} to 1.",
        stretch=stretch)
    walk = _picture(
        plots.walk_levels_plot, plan, (_HALF_MM, 43.0),
        f"With the audience in: {heard} sound, which decides",
        f"Level of the {heard} sound along the walk against the profile, before and after.")
    walk += _picture(
        plots.walk_levels_plot, plan, (_HALF_MM, 43.0),
        "With the audience in: total sound, as a meter shows it",
        f"Total level along the walk: {spread}.", which="meter")
    if not sounding:
        none = "No fill sounds: there is no gap to map and nothing to re-time."
        return f'<div class="row">{view}{side}{walk}</div><p>{none}</p>'
    gaps = _picture(
        plots.gap_map, plan, (_PAGE_MM - 2.0 - view_mm, high_mm) if beside else (_HALF_MM, 56.0),
        "Loudest fill after the mains, ms (hatched: before)", _gap_words(plan))
    moved = _picture(
        plots.retime_plot, plan, (_HALF_MM, 44.0), "Change of delay with the temperature",
        "Change of each fill's delay with the temperature; the re-time table holds the figures.")
    rows = ((view, gaps), (side,), (walk,), (moved,)) if beside else (
        (view,), (side,), (walk,), (gaps, moved))
    return "".join(f'<div class="row">{"".join(row)}</div>' for row in rows)


def _places_picture(places: pd.DataFrame) -> str:
    from fillalign import plots

    return _picture(plots.places_plot, places, (_PAGE_MM, 80.0), plots.PLACES_TITLE,
                    plots.PLACES_TITLE)


def _gap_words(plan: FillPlan, fill: str | None = None) -> str:
    checks = plan.checks
    here = checks.covered.astype(bool)
    if fill is not None:
        here &= checks.fill == list(plan.venue.outputs).index(fill)
    return "Map of the gap of {} to the mains: {:.1f} to {:.1f} ms at the seats covered.".format(
        fill or "every fill", checks.gap_ms[here].min(), checks.gap_ms[here].max())


def _fill_pictures(plan: FillPlan, fill: FillReport) -> str:
    """Return the pictures that give the reasons for one fill, if it sounds, and their limits."""
    if not fill.sounding:
        return ""
    from fillalign import plots

    name, size = fill.output, (_THIRD_MM, 50.0)
    limits = "Limits of the trim: {}.".format(", ".join(
        f"{letter}: {bound} ({trim_text(trim)})"
        for letter, (trim, bound) in plots.bound_letters(fill).items()))
    gaps = _gap_words(plan, name)
    drawn = _picture(plots.gap_map, plan, size, "Gap to the mains, ms", gaps, name)
    drawn += _picture(
        plots.trim_curve_plot, plan, size, "Benefit and harm of the trim",
        "Share of rows served and of seats that keep the image against the trim of "
        f"{name}; set is {trim_text(plan.settings[name].trim_db)}. {limits}", name)
    drawn += _picture(
        plots.speech_plot, plan, size, "Speech against the trim",
        "Speech transmission index of the rows covered and of the rows ahead against "
        f"the trim of {name}.", name)
    return f'<div class="row">{drawn}</div><p>{html_text(limits)}</p>'
