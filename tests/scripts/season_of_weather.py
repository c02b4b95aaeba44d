"""A season of weather from a DataFrame: what the wait for 85 m does, month by month."""

import numpy as np
import pandas as pd

from fillalign import absorption_db_per_m, plan_fills, read_demo_venue, speed_of_sound

hours = pd.date_range("2031-05-01", "2031-09-30 23:00", freq="h", tz="Europe/Lisbon")
day = np.cos((hours.hour - 15) / 24 * 2 * np.pi)
log = pd.DataFrame({"temperature_c": 19 + 7 * day, "humidity_pct": 60 - 20 * day}, index=hours)
log["speed_m_s"] = speed_of_sound(log["temperature_c"], log["humidity_pct"])
log["wait_ms"] = 85_000 / log["speed_m_s"]
log["loss_8k_db"] = 85 * absorption_db_per_m(8000.0, log["temperature_c"], log["humidity_pct"])
season = log.groupby(log.index.month)[["wait_ms", "loss_8k_db"]].agg(["min", "max"])
plan = plan_fills(read_demo_venue("lantern_room"))
evening = plan.retime(log.between_time("18:00", "23:00").loc["2031-07-19"])
