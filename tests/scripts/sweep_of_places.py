"""Where to hang the fills: each depth planned with, ranked by its figures."""

import pandas as pd

from fillalign import plan_fills, read_demo_venue

hall = read_demo_venue("lantern_room")
fills = [source for source in hall.sources if source.role == "fill"]
rows = {}
for step_m in (-1.0, -0.5, 0.0):
    moved = hall
    for source in fills:
        (x, y, z), (to_x, to_y, to_z) = source.position_m, source.aim_m
        moved = moved.with_source(source.name, position_m=(x + step_m, y, z),
                                  aim_m=(to_x + step_m, to_y, to_z))
    rows[fills[0].position_m[0] + step_m] = plan_fills(moved).figures()
ranked = pd.DataFrame(rows).T.sort_values(["missing_steps", "unmet"])
best_x_m = ranked.index[0]
