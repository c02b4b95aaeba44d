"""Checks of every seat: the same in blocks, and where only a share of the seats decides."""

from __future__ import annotations

import sys
from functools import partial

import numpy as np

from fillalign import OutputSettings
from fillalign.field import Settings
from fillalign.planning import zones as made
from fillalign.planning.seats import check_seats
from tests.small_venue import small_hall


def test_neither_blocks_nor_which_seats_decide_change_what_a_seat_is_told(monkeypatch):
    hall = small_hall()
    settings = Settings(hall, {"Fills": OutputSettings(delay_ms=61.0, trim_db=-5.0)})
    every = made.make_zones(hall, None)
    whole, loudest = check_seats(every, settings, ["Fills"])
    monkeypatch.setattr(sys.modules["fillalign.planning.seats"], "_BLOCK", 30)
    monkeypatch.setattr(made, "deciding_seats", partial(made.deciding_seats, most=50))
    few = made.make_zones(hall, None)
    assert len(few.paths.seats) <= 50 < len(every.paths.seats)
    for zones in (few, every):
        apart, highest = check_seats(zones, settings, ["Fills"])
        for name, values in vars(whole).items():
            np.testing.assert_allclose(getattr(apart, name), values, rtol=1e-6, err_msg=name)
        assert abs(highest - loudest) < 1e-6
