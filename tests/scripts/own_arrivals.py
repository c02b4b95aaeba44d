"""Arrivals from own arrays: gap, image, and the level of both together, seat by seat."""

import numpy as np

from fillalign import Air, gap_ms, seat_delay_ms
from fillalign.absorption import THIRDS_HZ, band_edges_hz
from fillalign.interference import interference_power
from fillalign.levels import db_to_power, path_loss_db, power_to_db, weighted_total_db
from fillalign.precedence import keeps_image

air = Air(24.0, humidity_pct=45.0)
seats = np.array([[27.0, 4.0, 1.2], [33.0, -3.0, 1.2], [40.0, 1.0, 1.2]])
main_m, fill_m = (np.linalg.norm(seats - box, axis=1) for box in ([0, 0, 5], [26, 0, 5]))
delay_ms = seat_delay_ms(main_m[1], fill_m[1], air, margin_ms=5.0)
gap = gap_ms(main_m, fill_m, delay_ms, air)
level = np.array([88.0 - path_loss_db(main_m[:, None], THIRDS_HZ, air),
                  74.0 - path_loss_db(fill_m[:, None], THIRDS_HZ, air)])
over_db = np.diff(weighted_total_db(level, THIRDS_HZ), axis=0)[0]
image = keeps_image(gap, over_db)
time_s = np.array([np.zeros(3), gap / 1000])[:, :, None]
both = power_to_db(interference_power(db_to_power(level), time_s, *band_edges_hz(THIRDS_HZ)))
total_dba = weighted_total_db(both, THIRDS_HZ)
