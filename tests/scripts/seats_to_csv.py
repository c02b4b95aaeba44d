"""200 seats of one's own to CSV: levels and arrivals, and what each fill does there."""

import numpy as np

from fillalign import OutputSettings, evaluate, read_demo_venue, seat_field

settings = {"Fill": OutputSettings(delay_ms=19.3, trim_db=-9.0)}
plan = evaluate(read_demo_venue("lantern_room"), settings)
x, y = np.meshgrid(np.linspace(2, 11, 20), np.linspace(-3, 3, 10))
points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 1.2)])
levels = seat_field(plan, seats_m=points).frame()
levels.round(2).to_csv("levels.csv", index=False)
checks = plan.seats(points)
checks.round(2).to_csv("checks.csv", index=False)
wide = checks.pivot(index=["x_m", "y_m"], columns="fill", values="gap_ms")
