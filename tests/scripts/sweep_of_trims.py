"""What more trim on a fill brings and costs, with its planned delay and filters."""

import pandas as pd

from fillalign import evaluate, plan_fills, read_demo_venue

hall = read_demo_venue("lantern_room")
plan = plan_fills(hall)
trims = pd.Series(range(-14, 0, 3), dtype=float)
table = pd.DataFrame([
    evaluate(hall, plan.settings.replaced("Fill", trim_db=trim)).figures()
    for trim in trims
], index=trims)
wanted = ["served_share", "speech_index", "image_lost_share", "front_relief_db"]
curve = table[wanted]
