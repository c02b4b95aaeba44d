"""Tables for pages that reckon without Python: all worked out here, read between lines there."""

from __future__ import annotations

import hashlib
import json
import re
import warnings
from base64 import b64encode
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from fillalign._validate import COLDEST_C, HOTTEST_C, RangeWarning
from fillalign.air import Air, speed_of_sound, vapour_mole_fraction

TEMPERATURES_C = np.arange(COLDEST_C, HOTTEST_C + 0.5)
HUMIDITIES_PCT = np.arange(0.0, 100.5, 20.0)
_FOLDER = Path(__file__).parent


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
    with warnings.catch_warnings():
        # A page says itself which air it takes.
        warnings.simplefilter("ignore", RangeWarning)
        speed = speed_of_sound(TEMPERATURES_C[:, None], HUMIDITIES_PCT, air.pressure_kpa)
        vapour = vapour_mole_fraction(TEMPERATURES_C, 100.0, air.pressure_kpa)
    return {
        "temperature": air.temperature_c, "humidity": air.humidity_pct,
        "pressure": air.pressure_kpa,
        "temperature_from": COLDEST_C, "temperature_to": HOTTEST_C, "temperature_step": 1.0,
        "humidity_from": 0.0, "humidity_step": 20.0,
        "speed": np.round(speed, 6).tolist(), "log_vapour": np.round(np.log(vapour), 9).tolist(),
    }


def script_text(*names: str) -> str:
    """Return scripts of this room one after the other, without their comments."""
    text = "\n".join((_FOLDER / name).read_text(encoding="utf-8") for name in names)
    return re.sub(r"(?m)^\s*//.*\n", "", text)


def script_hash(script: str) -> str:
    """Return what a page's policy names its own script by, so that no other one runs.

    Examples
    --------
    >>> script_hash("")
    'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='
    """
    return f"sha256-{b64encode(hashlib.sha256(script.encode()).digest()).decode()}"


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
