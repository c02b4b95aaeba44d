"""Lesson 10: from a room of one's own to its set-up sheet."""

from __future__ import annotations

from collections.abc import Mapping

from fillalign.planning import FillPlan, evaluate
from fillalign.venue import OutputSettings


def dialled(plan: FillPlan, *, later_ms: float = 0.0, trim_db: float = 0.0) -> FillPlan:
    """Return what the seats get when every fill that sounds is dialled otherwise (lesson 10).

    So much later than planned, so much louder, and without low cut and shelf.

    Examples
    --------
    >>> from fillalign.classroom import own_plan
    >>> plan = own_plan()
    >>> other = dialled(plan, later_ms=12.0)
    >>> round(other.settings["Fills"].delay_ms - plan.settings["Fills"].delay_ms, 6)
    12.0
    """
    settings: Mapping[str, OutputSettings] = {
        **plan.settings,
        **{fill.output: OutputSettings(
            delay_ms=max(plan.settings[fill.output].delay_ms + later_ms, 0.0),
            trim_db=plan.settings[fill.output].trim_db + trim_db,
            polarity=plan.settings[fill.output].polarity)
           for fill in plan.fills if fill.sounding},
    }
    return evaluate(plan.venue, settings, air=plan.air)
