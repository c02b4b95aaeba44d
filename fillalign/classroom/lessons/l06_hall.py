"""Tidewell Hall by bands, with any low cut on its sounding fills (lesson 06)."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from fillalign._validate import FloatArray
from fillalign.classroom.venues import demo_plan
from fillalign.field import gains_of, seat_field, to_db
from fillalign.planning import Bench, FillPlan, main_outputs, make_bench
from fillalign.venue import OutputSettings

REFERENCE_M = 13.0
LOW_CUT_KINDS = {
    "Butterworth, order 4": ("butterworth", 4),
    "Linkwitz-Riley, order 4": ("linkwitz-riley", 4),
    "Butterworth, order 2": ("butterworth", 2),
    "Linkwitz-Riley, order 2": ("linkwitz-riley", 2),
}
"""Kind and order of a low cut by the name shown."""


@cache
def hall() -> tuple[FillPlan, Bench, tuple[str, ...]]:
    """Return the hall's plan, its bench and the fills that sound.

    Examples
    --------
    >>> hall()[2]
    ('Fill inner', 'Fill outer')
    """
    plan = demo_plan("tidewell_hall")
    fills = tuple(fill.output for fill in plan.fills if fill.sounding)
    return plan, make_bench(plan.venue, plan.air), fills


def with_low_cut(corner_hz: float | None, name: str) -> dict[str, OutputSettings]:
    """Return the plan's settings with another low cut, or none, on the fills.

    Examples
    --------
    >>> with_low_cut(None, "Butterworth, order 4")["Fill inner"].low_cut_hz is None
    True
    """
    plan, _, fills = hall()
    kind, order = LOW_CUT_KINDS[name]
    moved = {fill: replace(plan.settings[fill], low_cut_hz=corner_hz, low_cut_order=order,
                           low_cut_kind=kind) for fill in fills}
    return {**plan.settings, **moved}


@cache
def rows_octaves_db(fills_on: bool) -> FloatArray:
    """Return the total level of each row by octave, (r, 9), against row 13 with mains alone.

    Examples
    --------
    >>> rows_octaves_db(False).shape
    (36, 9)
    """
    plan, bench, fills = hall()
    mains = main_outputs(plan.venue)
    mix = bench.mix(plan.settings, [*mains, *fills])

    def octaves(sounding: list[str]) -> FloatArray:
        power = bench.row_mean(mix.total(gains_of(plan.settings, mix.outputs, sounding)))
        return to_db(power.reshape(len(power), -1, 3).sum(axis=2))

    reference = octaves(mains)[bench.row_x_m == REFERENCE_M]
    return np.asarray(octaves([*mains, *fills] if fills_on else mains) - reference)


@cache
def area_db(corner_hz: float | None, name: str) -> FloatArray:
    """Return the mean total level of the fills' area by third octave, (27,).

    Examples
    --------
    >>> lost = area_db(None, "Butterworth, order 4") - area_db(250.0, "Butterworth, order 4")
    >>> round(float(lost[2:10].max()), 1)
    0.9
    """
    plan, bench, fills = hall()
    areas = next(fill.areas for fill in plan.fills if fill.output == fills[0])
    settings, sounding = with_low_cut(corner_hz, name), [*main_outputs(plan.venue), *fills]
    mix = bench.part(areas).mix(settings, sounding)
    return to_db(mix.total(gains_of(settings, mix.outputs, sounding)).mean(axis=0))


@cache
def stage_db(corner_hz: float | None, name: str) -> FloatArray:
    """Return what the fills alone bring at the stage microphone, by third octave, (27,).

    Examples
    --------
    >>> saved = stage_db(None, "Butterworth, order 4") - stage_db(250.0, "Butterworth, order 4")
    >>> bool(saved[4] > 15)
    True
    """
    plan, _, fills = hall()
    field = seat_field(plan.venue, with_low_cut(corner_hz, name), sounding=fills,
                       seats_m=[plan.venue.stage_microphone_m])
    return np.asarray(field.total_db[0])
