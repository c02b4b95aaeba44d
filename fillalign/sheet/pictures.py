"""The pictures of the page for printing, in their sizes and with their words."""

from __future__ import annotations

import base64
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

from fillalign._text import html_text, plain
from fillalign.sheet.content import sounding_fills, trim_text

if TYPE_CHECKING:
    import pandas as pd

    from fillalign.planning import FillPlan, FillReport

_MM_PER_INCH = 25.4
_PAGE_MM, _HALF_MM, _THIRD_MM = 190.0, 94.0, 62.0


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


def venue_pictures(plan: FillPlan) -> str:
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


def places_picture(places: pd.DataFrame) -> str:
    """Return the map of places that were proposed."""
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


def fill_pictures(plan: FillPlan, fill: FillReport) -> str:
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
