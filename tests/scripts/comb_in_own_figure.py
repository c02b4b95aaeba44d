"""A comb inside own subplots with own style, beside a plan's view and its walk."""

import matplotlib.pyplot as plt
import numpy as np

from fillalign import plan_fills, plots, read_demo_venue
from fillalign.interference import two_arrival_response
from fillalign.levels import amplitude_to_db

plan = plan_fills(read_demo_venue("lantern_room"))
with plt.style.context({"axes.prop_cycle": plt.cycler(color=["teal", "black"]), "font.size": 7}):
    figure, (top, middle, bottom) = plt.subplots(3, layout="constrained")
    grid = np.geomspace(50, 5000, 800)
    for gap_ms in (1.0, 5.0):
        response = two_arrival_response(grid, gap_ms, -3.0)
        top.semilogx(grid, amplitude_to_db(np.abs(response)), label=f"{gap_ms:g} ms")
    top.legend(title="gap")
    plots.plan_view(plan, ax=middle)
    plots.walk_levels_plot(plan, ax=bottom)
    figure.savefig("comb.png")
