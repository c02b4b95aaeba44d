"""Pictures of a plan: views of the venue, levels along the walk, gaps, trim, weather.

The only importer of matplotlib. Every function draws into the axes given, or
into a new figure, and returns the axes. Line styles, markers and figures on
contours carry the meaning, so that grey print and any eye can read them.
"""

from fillalign.plots.base import blank_figure, extent_m, svg_bytes
from fillalign.plots.curves import (
    bound_letters,
    retime_plot,
    speech_plot,
    trim_curve_plot,
    walk_levels_plot,
)
from fillalign.plots.overview import overview, overview_text
from fillalign.plots.views import gap_map, key_rows, natural_stretch, plan_view, side_section

__all__ = [
    "blank_figure",
    "bound_letters",
    "extent_m",
    "gap_map",
    "key_rows",
    "natural_stretch",
    "overview",
    "overview_text",
    "plan_view",
    "retime_plot",
    "side_section",
    "speech_plot",
    "svg_bytes",
    "trim_curve_plot",
    "walk_levels_plot",
]
