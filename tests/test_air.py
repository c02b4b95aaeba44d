"""Air against handbooks, the standard atmosphere and CoolProp's humid air."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from fillalign import air

TABLE = pd.read_csv(Path(__file__).parent / "published" / "air.csv", comment="#")
FUNCTIONS = {
    "speed_of_sound": lambda row: air.speed_of_sound(
        row.temperature_c,
        50.0 if pd.isna(row.humidity_pct) else row.humidity_pct,
        row.pressure_kpa,
    ),
    "saturation_vapour_pressure": lambda row: air.saturation_vapour_pressure_pa(row.temperature_c),
    "static_pressure": lambda row: air.pressure_kpa_at_altitude(row.altitude_m),
}


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=lambda row: row.source[:40])
def test_every_published_row(row):
    """The source of each row stands in its last column."""
    assert FUNCTIONS[row.quantity](row) == pytest.approx(row.value, rel=0, abs=row.tolerance)
