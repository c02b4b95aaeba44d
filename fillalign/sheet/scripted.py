"""Pages that reckon without Python: numbers worked out here, read between the lines there.

What the page of a sheet needs to follow the day, and the ladder's answer for a phone.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import warnings
from base64 import b64encode
from collections.abc import Mapping
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

import numpy as np

from fillalign._text import plain, slug
from fillalign._validate import COLDEST_C, HOTTEST_C, RangeWarning
from fillalign.air import Air, speed_of_sound, vapour_mole_fraction
from fillalign.levels import fill_level_db
from fillalign.planning import BELIEVED_DB
from fillalign.precedence import PRECEDENCE_TABLE
from fillalign.sheet.one_fill import HABIT_C, HEARING_DBA, LATEST_MS, LOW_CUT_HZ
from fillalign.venue import headroom_db

if TYPE_CHECKING:
    from fillalign.planning import FillPlan, FillReport, MeterSeat, Reading

_AIRS, _DAMP_PCT = 64, (25.0, 50.0, 75.0, 100.0)
_LATER_MS = np.arange(-40.0, 60.5, 2.0)
_TEMPERATURES_C, _HUMIDITIES_PCT = np.arange(COLDEST_C, HOTTEST_C + 0.5), np.arange(0, 101, 20.0)
# How many dB the goal lies above the mains: even steps of their logarithm.
_RISES_LOG_DB = np.linspace(np.log(1e-4), np.log(300.0), 160)


def filled(page: str, parts: Mapping[str, str]) -> str:
    """Return a page of this room with its parts put in."""
    return Template((Path(__file__).parent / page).read_text(encoding="utf-8")).substitute(parts)


def script_parts(data: Mapping[str, Any], *names: str) -> dict[str, str]:
    """Return the parts of a page that reckon: data, scripts of this room, and their hash.

    By the hash the page's policy names its own script, so that no other one runs.
    """
    text = "\n".join(Path(__file__).with_name(name).read_text(encoding="utf-8") for name in names)
    script = re.sub(r"(?m)^\s*//.*\n", "", text)
    digest = b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return {"data": json_text(data), "script": script, "hash": f"sha256-{digest}"}


def json_text(data: Mapping[str, Any]) -> str:
    r"""Return JSON that is only data inside a page, whatever names it holds.

    Examples
    --------
    >>> json_text({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    for mark in "<>&":
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return text


def air_table(air: Air) -> dict[str, Any]:
    """Return the speed of sound over temperature and humidity at this air's pressure.

    With the logarithm of the vapour of saturated air, by which humidity follows a
    temperature at constant vapour.

    Examples
    --------
    >>> table = air_table(Air(20.0, 50.0))
    >>> table["temperature_from"], len(table["speed"]), len(table["speed"][0])
    (-50.0, 111, 6)
    """
    # A page says itself which air it takes.
    with warnings.catch_warnings(action="ignore", category=RangeWarning):
        speed = speed_of_sound(_TEMPERATURES_C[:, None], _HUMIDITIES_PCT, air.pressure_kpa)
        vapour = vapour_mole_fraction(_TEMPERATURES_C, 100.0, air.pressure_kpa)
    return {
        "temperature": air.temperature_c, "humidity": air.humidity_pct,
        "pressure": air.pressure_kpa,
        "temperature_from": COLDEST_C, "temperature_to": HOTTEST_C, "temperature_step": 1.0,
        "humidity_from": 0.0, "humidity_step": 20.0,
        "speed": np.round(speed, 6).tolist(), "log_vapour": np.round(np.log(vapour), 9).tolist(),
    }


def pocket_page() -> str:
    """Return a page that answers as `quick_answer` does, for a phone.

    Two distances in metres or feet, the temperature, readings: it needs no network, and
    reads the speed of sound, the level that the fill must bring and the precedence table
    off tables worked out here. Up to 1000 m and from -50 to 60 C, at sea level.

    Returns
    -------
    str
        HTML below 100 kB.

    Examples
    --------
    >>> len(pocket_page()) < 100_000
    True
    """
    first, second, *_ = _RISES_LOG_DB.tolist()
    gaps, limits = zip(*PRECEDENCE_TABLE, strict=True)
    data = {
        "air": air_table(Air(HABIT_C, 50.0)),
        "needed": {"from": first, "step": second - first,
                   "over": np.round(fill_level_db(0.0, np.exp(_RISES_LOG_DB)), 6).tolist()},
        "image": {"gaps": list(gaps), "limits": list(limits)},
        "hearing_dba": HEARING_DBA, "latest_ms": LATEST_MS,
    }
    return filled("pocket.html", {**script_parts(data, "air.js", "pocket.js"),
                                  "cut": "{:.0f} to {:.0f}".format(*LOW_CUT_HZ)})


def live_data(plan: FillPlan) -> dict[str, Any]:
    """Return what the sheet's script works with: every number in it is the library's.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> data = live_data(plan_fills(read_demo_venue("lantern_room")))
    >>> [own["name"] for own in data["outputs"]]
    ['Mains', 'Fill']
    """
    fills = {fill.output: fill for fill in plan.fills if fill.sounding}
    pressure = plan.air.pressure_kpa
    # The page says itself which air it takes.
    with warnings.catch_warnings(action="ignore", category=RangeWarning):
        # From the slowest to the fastest that it takes, at the plan's pressure.
        airs = [*(Air(float(t), 0.0, pressure) for t in np.linspace(COLDEST_C, HOTTEST_C, _AIRS)),
                *(Air(HOTTEST_C, damp, pressure) for damp in _DAMP_PCT)]
        slowness = [round(1 / air.speed_m_s, 12) for air in airs]
        outputs = [
            _output(plan, name) | (_fill(plan, fills[name], airs) if name in fills else {})
            for name in plan.venue.outputs]
    return {
        "venue": plan.venue.name, "file": f"{slug(plan.venue.name)}-as-set.toml",
        "air": air_table(plan.air), "believed_db": BELIEVED_DB,
        "slowness": slowness, "outputs": outputs,
    }


def _output(plan: FillPlan, name: str) -> dict[str, Any]:
    own, device = plan.settings[name], plan.venue.outputs[name]
    return {
        "name": name, "shown": plain(name), "delay": own.delay_ms, "step": device.delay_step_ms,
        "most": device.delay_max_ms, "rate": device.sample_rate_hz,
        "trim": own.trim_db if math.isfinite(own.trim_db) else None,
        "highest": headroom_db(plan.venue, name, own.shelf_db), "polarity": own.polarity,
        "cut": own.low_cut_hz, "shelf": own.shelf_db,
    }


def _fill(plan: FillPlan, fill: FillReport, airs: list[Air]) -> dict[str, Any]:
    """Return how a fill's delay follows the air, and what its trim and delay do."""
    basis, reading, trim = fill.basis, fill.reading, fill.trim
    seats: list[Reading | MeterSeat] = [reading, *reading.more]
    kept = basis.image_share(plan.air, plan.settings[fill.output].delay_ms + _LATER_MS,
                             np.zeros(_LATER_MS.shape), np.ones(basis.weights.shape, dtype=bool))
    clicks = [[round(reading.click_ms(air), 6) for air in airs], *([] for _ in reading.more)]
    data = {
        "wanted": [round(plan.wanted_ms(fill.output, air), 6) for air in airs],
        "later_from": float(_LATER_MS[0]), "later_step": float(np.diff(_LATER_MS)[0]),
        "kept": (100 * kept).round(1).tolist(),
        "readings": [
            {"seat": list(at.seat_m), "mains": at.mains_dba, "fill": at.fill_dba, "click": click}
            for at, click in zip(seats, clicks, strict=True)],
    }
    return data if trim is None or len(trim.trim_db) < 2 else {
        **data,
        "trim_from": float(trim.trim_db[0]), "trim_step": float(np.diff(trim.trim_db)[0]),
        "served": (100 * trim.served_share).round(1).tolist(),
    }
