"""The ladder's answer as one small page for a phone without Python: tables of the library."""

from __future__ import annotations

from pathlib import Path
from string import Template

import numpy as np

from fillalign.air import Air
from fillalign.levels import fill_level_db
from fillalign.precedence import PRECEDENCE_TABLE
from fillalign.sheet.one_fill import HABIT_C, HEARING_DBA, LATEST_MS, LOW_CUT_HZ
from fillalign.sheet.tables import air_table, json_text, script_hash, script_text

_PAGE = Path(__file__).with_name("pocket.html")
_LEAST_RISE_DB, _MOST_RISE_DB, _RISES = 1e-4, 300.0, 160


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
    places = np.linspace(np.log(_LEAST_RISE_DB), np.log(_MOST_RISE_DB), _RISES)
    gaps, limits = zip(*PRECEDENCE_TABLE, strict=True)
    data = {
        "air": air_table(Air(HABIT_C, 50.0)),
        "needed": {"from": float(places[0]), "step": float(places[1] - places[0]),
                   "over": np.round(fill_level_db(0.0, np.exp(places)), 6).tolist()},
        "image": {"gaps": list(gaps), "limits": list(limits)},
        "hearing_dba": HEARING_DBA, "latest_ms": LATEST_MS,
    }
    script = script_text("air.js", "pocket.js")
    return Template(_PAGE.read_text(encoding="utf-8")).substitute(
        data=json_text(data), script=script, hash=script_hash(script),
        cut="{:.0f} to {:.0f}".format(*LOW_CUT_HZ))
