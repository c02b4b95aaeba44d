"""The pictures of the page for printing, in their sizes and with their words."""

from __future__ import annotations

import base64
from collections.abc import Callable
from typing import TYPE_CHECKING

from fillalign._text import html_text, plain
from fillalign.planning import FillPlan, FillReport
from fillalign.sheet.content import sounding_fills, trim_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MM_PER_INCH = 25.4
_PAGE_MM = 190.0
_HALF_MM = 94.0
_THIRD_MM = 62.0


def _picture(
    draw: Callable[..., Axes], words: str, title: str, size_mm: tuple[float, float]
) -> str:
    """Draw one picture into the page, with the words for those who do not see it."""
    from fillalign import plots

    figure = plots.blank_figure(size_mm[0] / _MM_PER_INCH, size_mm[1] / _MM_PER_INCH)
    draw(ax=figure.add_subplot())
    data = base64.b64encode(plots.svg_bytes(figure, plain(words))).decode()
    return (f'<figure style="width:{size_mm[0]:.1f}mm"><figcaption>{html_text(title)}</figcaption>'
            f'<img alt="{html_text(words)}" src="data:image/svg+xml;base64,{data}"></figure>')


def venue_pictures(plan: FillPlan, retime_html: str) -> str:
    """Return the pictures of page two, with the re-time table among them."""
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
        retime_html,
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


def limits_text(fill: FillReport) -> str:
    """Name the limits of a fill's trim with their letters in the pictures."""
    from fillalign import plots

    return ", ".join(f"{letter}: {bound} ({trim_text(trim)})"
                     for letter, (trim, bound) in plots.bound_letters(fill).items())


def fill_pictures(plan: FillPlan, fill: FillReport) -> str:
    """Return the pictures that give the reasons for one sounding fill."""
    from fillalign import plots

    name, size = fill.output, (_THIRD_MM, 50.0)
    own = trim_text(plan.settings[name].trim_db)
    return "".join(
        (
            _picture(lambda ax: plots.gap_map(plan, name, ax=ax), _gap_words(plan, name),
                     "Gap to the mains, ms", size),
            _picture(lambda ax: plots.trim_curve_plot(plan, name, ax=ax),
                     "Share of rows served and of seats that keep the image against the trim of "
                     f"{name}; set is {own}. Limits: {limits_text(fill)}.",
                     "Benefit and harm of the trim", size),
            _picture(lambda ax: plots.speech_plot(plan, name, ax=ax),
                     "Speech transmission index of the rows covered and of the rows ahead against "
                     f"the trim of {name}.", "Speech against the trim", size),
        )
    )
