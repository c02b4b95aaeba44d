"""How loud a fill may be before the ear leaves the stage for it.

One table, used for every seat. Its rows from 0 to 50 ms are common practice
without a source; the outer rows are our own cautious continuation:

- Fill *early* (negative gap): the first arrival draws the image, so the limit
  drops to -10 dB at -5 ms (the mirror of the 10 dB of Haas 1951), and falls by
  a quarter of a decibel per ms from there.
- Fill later than 50 ms: an echo. It falls by the same quarter of a decibel
  per ms, down to -25 dB, below which an arrival is left out of account.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._check import FloatArray, as_float, scalar_out

PRECEDENCE_TABLE = (
    (-65.0, -25.0),
    (-5.0, -10.0),
    (0.0, -3.0),
    (1.0, 0.0),
    (5.0, 5.0),
    (10.0, 6.0),
    (20.0, 6.0),
    (30.0, 5.0),
    (40.0, 2.0),
    (50.0, -3.0),
    (138.0, -25.0),
)
"""(gap in ms, most the fill may be above the main in dB)."""

CEILING_DB = 10.0
"""Hard ceiling: Haas 1951 found the later sound *equally loud* there."""

_GAPS_MS: FloatArray
_LIMITS_DB: FloatArray
_GAPS_MS, _LIMITS_DB = np.array(PRECEDENCE_TABLE).T
_LARGEST_DB = float(_LIMITS_DB.max())
_TOP = int(_LIMITS_DB.argmax())


def _limits(largest_db: float) -> FloatArray:
    checked = as_float("largest_db", largest_db, "dB", low=0.0, high=CEILING_DB, open_low=True)
    scale = np.where(_LIMITS_DB > 0.0, float(checked) / _LARGEST_DB, 1.0)
    return _LIMITS_DB * scale


def precedence_limit_db(gap_ms: ArrayLike, *, largest_db: float = _LARGEST_DB) -> Any:
    """Return how far a fill may be above the main at a seat, in dB.

    Parameters
    ----------
    gap_ms : array_like
        Arrival of the fill minus arrival of the main, in ms; negative where
        the fill is early.
    largest_db : float
        The most allowed at any gap, above 0 and at most 10 (`CEILING_DB`); the
        positive part of the table is scaled to it.

    Returns
    -------
    float or ndarray
        Level of fill over main in dB, `PRECEDENCE_TABLE` interpolated.

    Raises
    ------
    ValueError
        If a gap is not finite or `largest_db` is above the ceiling.

    Examples
    --------
    >>> precedence_limit_db([0.0, 3.0, 15.0, 45.0]).tolist()
    [-3.0, 2.5, 6.0, -0.5]
    """
    gap = as_float("gap_ms", gap_ms, "ms")
    return scalar_out(np.interp(gap, _GAPS_MS, _limits(largest_db)))


def required_margin_ms(
    gap_ms: ArrayLike, level_difference_db: ArrayLike, *, largest_db: float = _LARGEST_DB
) -> Any:
    """Return the smallest extra delay that makes a seat satisfy the table.

    Parameters
    ----------
    gap_ms : array_like
        Gap at the seat as it is, in ms.
    level_difference_db : array_like
        Level of the fill over the main at the seat, in dB.
    largest_db : float
        As in `precedence_limit_db`.

    Returns
    -------
    float or ndarray
        Extra delay in ms: 0 where the seat satisfies the table already, nan
        where no delay mends it (the fill is too loud, or too late already).

    Examples
    --------
    >>> required_margin_ms([2.0, 2.0, 2.0, 45.0], [1.0, 5.0, 8.0, 3.0]).tolist()
    [0.0, 3.0, nan, nan]
    """
    gap = as_float("gap_ms", gap_ms, "ms")
    level = as_float("level_difference_db", level_difference_db, "dB")
    limits = _limits(largest_db)
    satisfied = level <= np.interp(gap, _GAPS_MS, limits)
    wanted = np.interp(level, limits[: _TOP + 1], _GAPS_MS[: _TOP + 1])
    mendable = (level <= limits[_TOP]) & (wanted >= gap)
    return scalar_out(np.where(satisfied, 0.0, np.where(mendable, wanted - gap, np.nan)))
