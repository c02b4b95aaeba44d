"""Pictures: the venue from above and from the side, levels along the walk, gaps, trim, weather.

In come a plan, a `Venue` not planned yet or a reading of a take; out come axes. Every
function draws into the axes given as `ax` and only there, or into pyplot's current ones,
with the letters, colours and sizes that matplotlib is set to. Line styles, markers and
figures on contours carry the meaning, so that grey print and any eye can read them.
The only importer of matplotlib beside the classroom.
"""

from fillalign.plots.base import (
    GREY,
    HUE,
    INK,
    PALE,
    extent_m,
    page_picture,
    svg_bytes,
)
from fillalign.plots.curves import (
    PLACES_TITLE,
    bound_letters,
    places_plot,
    retime_plot,
    speech_plot,
    trim_curve_plot,
    walk_levels_plot,
)
from fillalign.plots.overview import overview, overview_text
from fillalign.plots.takes import (
    arrival_levels_plot,
    decay_plot,
    responses_plot,
    take_overview,
    take_text,
)
from fillalign.plots.views import gap_map, key_rows, natural_stretch, plan_view, side_section

__all__ = [
    "GREY",
    "HUE",
    "INK",
    "PALE",
    "PLACES_TITLE",
    "arrival_levels_plot",
    "bound_letters",
    "decay_plot",
    "extent_m",
    "gap_map",
    "key_rows",
    "natural_stretch",
    "overview",
    "overview_text",
    "page_picture",
    "places_plot",
    "plan_view",
    "responses_plot",
    "retime_plot",
    "side_section",
    "speech_plot",
    "svg_bytes",
    "take_overview",
    "take_text",
    "trim_curve_plot",
    "walk_levels_plot",
]
