"""What the page needs to follow the day: delays by air, trims by what they do, readings."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np

from fillalign._text import plain, slug
from fillalign._validate import COLDEST_C, HOTTEST_C, RangeWarning
from fillalign.air import Air
from fillalign.planning import BELIEVED_DB
from fillalign.sheet.tables import air_table
from fillalign.venue import headroom_db

if TYPE_CHECKING:
    from fillalign.planning import FillPlan, FillReport

_AIRS = 64
_LATER_MS = np.arange(-40.0, 60.5, 2.0)


def live_data(plan: FillPlan) -> dict[str, Any]:
    """Return what the page's script works with: every number in it is the library's.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> data = live_data(plan_fills(read_demo_venue("lantern_room")))
    >>> [own["name"] for own in data["outputs"]]
    ['Mains', 'Fill']
    """
    fills = {fill.output: fill for fill in plan.fills}
    with warnings.catch_warnings():
        # The page says itself which air it takes.
        warnings.simplefilter("ignore", RangeWarning)
        airs = _airs(plan)
        slowness = [round(1 / air.speed_m_s, 12) for air in airs]
        outputs = [_output(plan, name, fills.get(name), airs) for name in plan.venue.outputs]
    return {
        "venue": plan.venue.name, "file": f"{slug(plan.venue.name)}-as-set.toml",
        "air": air_table(plan.air), "believed_db": BELIEVED_DB,
        "slowness": slowness, "outputs": outputs,
    }


def _airs(plan: FillPlan) -> list[Air]:
    """Airs from the slowest to the fastest that the page takes, at the plan's pressure."""
    pressure = plan.air.pressure_kpa
    dry = [Air(float(t), 0.0, pressure) for t in np.linspace(COLDEST_C, HOTTEST_C, _AIRS)]
    return [*dry, *(Air(HOTTEST_C, damp, pressure) for damp in (25.0, 50.0, 75.0, 100.0))]


def _output(
    plan: FillPlan, name: str, fill: FillReport | None, airs: list[Air]
) -> dict[str, Any]:
    own, device = plan.settings[name], plan.venue.outputs[name]
    data: dict[str, Any] = {
        "name": name, "shown": plain(name), "delay": own.delay_ms, "step": device.delay_step_ms,
        "most": device.delay_max_ms, "rate": device.sample_rate_hz,
        "trim": own.trim_db if math.isfinite(own.trim_db) else None,
        "highest": headroom_db(plan.venue, name, own.shelf_db), "polarity": own.polarity,
        "cut": own.low_cut_hz, "shelf": own.shelf_db,
    }
    return data if fill is None or not fill.sounding else {
        **data, **_fill(plan, fill, airs)}


def _fill(plan: FillPlan, fill: FillReport, airs: list[Air]) -> dict[str, Any]:
    """Return how a fill's delay follows the air, and what its trim and delay do."""
    every = np.ones(fill.basis.weights.shape, dtype=bool)
    data: dict[str, Any] = {
        "wanted": [round(plan.wanted_ms(fill.output, air), 6) for air in airs],
        "later_from": float(_LATER_MS[0]), "later_step": float(np.diff(_LATER_MS)[0]),
        "kept": (100 * fill.basis.image_share(
            plan.air, plan.settings[fill.output].delay_ms + _LATER_MS,
            np.zeros(_LATER_MS.shape), every)).round(1).tolist(),
        "readings": [
            {"seat": list(seat), "mains": mains, "fill": level, "click": []}
            for seat, mains, level in (
                (fill.reading.seat_m, fill.reading.mains_dba, fill.reading.fill_dba),
                *((one.seat_m, one.mains_dba, one.fill_dba) for one in fill.reading.more))],
    }
    data["readings"][0]["click"] = [round(fill.reading.click_ms(air), 6) for air in airs]
    if fill.trim is not None and len(fill.trim.trim_db) > 1:
        data |= {
            "trim_from": float(fill.trim.trim_db[0]),
            "trim_step": float(np.diff(fill.trim.trim_db)[0]),
            "served": (100 * fill.trim.served_share).round(1).tolist(),
        }
    return data

