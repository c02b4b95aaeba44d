"""Tidewell Hall as planned, with anything else dialled on its sounding fills (lessons 01, 05, 06).

Row means are over all seats of a row, as in the plan's walk.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from fillalign.classroom.players import FloatArray
from fillalign.classroom.venues import demo_plan
from fillalign.field import SeatField, seat_field
from fillalign.levels import power_sum_db
from fillalign.planning import FillPlan
from fillalign.venue import OutputSettings

REFERENCE_M = 13.0
"""Depth of the row that levels are held against."""


def hall() -> FillPlan:
    """Return the plan of the hall.

    Examples
    --------
    >>> hall().venue.name
    'Tidewell Hall'
    """
    return demo_plan("tidewell_hall")


def fills() -> list[str]:
    """Return the names of the fill outputs that sound.

    Examples
    --------
    >>> fills()
    ['Fill inner', 'Fill outer']
    """
    return [fill.output for fill in hall().fills if fill.sounding]


def with_fills(**changes: Any) -> dict[str, OutputSettings]:
    """Return the plan's settings with changes on the sounding fills; others stay off.

    Examples
    --------
    >>> with_fills(trim_db=-3.0)["Fill inner"].trim_db
    -3.0
    """
    settings = hall().settings
    return {**settings, **{name: replace(settings[name], **changes) for name in fills()}}


def fills_off() -> dict[str, OutputSettings]:
    """Return the plan's settings with all fills off.

    Examples
    --------
    >>> fills_off()["Fill inner"].trim_db
    -inf
    """
    return with_fills(trim_db=-np.inf)


def seats_with(settings: dict[str, OutputSettings]) -> SeatField:
    """Return what all seats of the hall get from some settings.

    Examples
    --------
    >>> seats_with(fills_off()).total_db.shape[1]
    27
    """
    plan = hall()
    return seat_field(plan.venue, settings, air=plan.air)


def row_means_db(level_db: FloatArray) -> FloatArray:
    """Return the power mean of each row of the hall, front to back, (r, ...), of seat levels.

    Examples
    --------
    >>> row_means_db(seats_with(fills_off()).total_db).shape == (len(hall().walk.x_m), 27)
    True
    """
    counts = [area.counts for area in hall().venue.areas]
    ends = np.cumsum([rows * seats for rows, seats in counts])
    blocks = zip(counts, np.split(level_db, ends[:-1]), strict=True)
    return np.concatenate([
        power_sum_db(block.reshape(*count, *level_db.shape[1:]), axis=1, weights=1 / count[1])
        for count, block in blocks
    ])


@cache
def rows_octaves_db(fills_on: bool) -> FloatArray:
    """Return the total level of each row by octave, (r, 9), against row 13 with mains alone.

    Examples
    --------
    >>> rows_octaves_db(False).shape
    (36, 9)
    """
    alone = row_means_db(seats_with(fills_off()).octaves_db())
    level = row_means_db(seats_with(with_fills()).octaves_db()) if fills_on else alone
    return np.asarray(level - alone[hall().walk.x_m == REFERENCE_M])
