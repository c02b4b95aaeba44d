"""Low cut and shelf of a tier of fills, from the tone in the areas that it covers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from fillalign._validate import FloatArray
from fillalign.absorption import THIRDS_HZ, THIRDS_NOMINAL
from fillalign.field import Settings, filter_power, superpose
from fillalign.filters import LOW_CUT_ORDERS
from fillalign.levels import power_to_db
from fillalign.planning.need import Yardstick
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import TRIM_STEP_DB, Zones
from fillalign.venue import OutputSettings, Venue, headroom_db

LOW_CUTS_HZ = (80.0, 100.0, 120.0, 150.0, 180.0, 200.0, 250.0)
LOW_CUT_LOSS_DB = 1.0
LOW_BAND_HZ = 60.0
SHELF_CORNERS_HZ = (2000.0, 3150.0, 4000.0, 5000.0, 6300.0)
SHELF_MOST_DB = 6.0
SHELF_LEAST_DB = 1.0
PRACTICE_LOW_CUTS_HZ = (100.0, 120.0)


@dataclass(frozen=True)
class LowCutTry:
    """What one low cut costs: the worst loss in the covered area, and where."""

    corner_hz: float
    order: int
    kind: str
    loss_db: float
    at_hz: int


def free_of_low_cut(venue: Venue, tier: list[str]) -> list[str]:
    """Return the outputs of a tier that take its low cut: whose own no file locks, or all."""
    return [name for name in tier if "low_cut_hz" not in venue.outputs[name].locked] or tier


def low_cut_kinds(venue: Venue, outputs: list[str]) -> list[tuple[str, int]]:
    """Kinds and orders of low cut that the devices of some outputs offer in common."""
    first, *others = (venue.outputs[name] for name in outputs)
    return [
        (kind, order)
        for kind in first.low_cut_kinds
        for order in sorted({*first.low_cut_orders} & {*LOW_CUT_ORDERS[kind]}, reverse=True)
        if all(kind in own.low_cut_kinds and order in own.low_cut_orders for own in others)
    ]


def try_low_cuts(
    zones: Zones,
    settings: Settings,
    tier: list[str],
    sounding: list[str],
    candidates: Iterable[tuple[float, tuple[str, int]]],
) -> Iterator[LowCutTry]:
    """Try low cuts, each a corner with its kind and order, on a tier, all free outputs alike.

    The loss counts in the mean total over the covered areas, against no low cut.
    Bands below what the mains and subs play do not count: there is nothing to keep.
    """
    venue, free = zones.venue, free_of_low_cut(zones.venue, tier)
    paths = zones.covered(tier)
    known = superpose(paths, settings, sounding=sounding)

    def level_db(corner_hz: float | None, **dialled: Any) -> FloatArray:
        cut = settings.replaced(*free, low_cut_hz=corner_hz, **dialled)
        field = superpose(paths, cut, sounding=[*sounding, *tier], known=known)
        return np.asarray(power_to_db(field.total(field.gains()).mean(axis=0)))

    lowest = min(venue.loudspeakers[source.loudspeaker].low_limit_hz
                 for source in venue.sources if source.role != "fill")
    counts = max(LOW_BAND_HZ, lowest * 0.97) < THIRDS_HZ
    without = level_db(None)
    for corner, (kind, order) in candidates:
        left = level_db(corner, low_cut_kind=kind, low_cut_order=order)
        loss = np.where(counts, without - left, -np.inf)
        band = int(loss.argmax())
        yield LowCutTry(corner, order, kind, float(loss[band]), int(THIRDS_NOMINAL[band]))


def choose_low_cut(
    zones: Zones, settings: Settings, tier: list[str], sounding: list[str]
) -> LowCutTry | None:
    """Highest corner that loses at most 1 dB and is not below the box's own low limit.

    Between equal corners the steepest: it keeps more lows off the stage.
    """
    venue, free = zones.venue, free_of_low_cut(zones.venue, tier)
    limit = max(venue.loudspeakers[source.loudspeaker].low_limit_hz
                for source in venue.sources if source.output == free[0])
    kinds = sorted(low_cut_kinds(venue, free), key=lambda kind: -kind[1])
    candidates = [(corner, kind) for corner in reversed(LOW_CUTS_HZ) if corner >= limit
                  for kind in kinds]
    tries = try_low_cuts(zones, settings, tier, sounding, candidates)
    return next((tried for tried in tries if tried.loss_db <= LOW_CUT_LOSS_DB), None)


def choose_shelf(
    yardstick: Yardstick, settings: Settings, tier: list[str], sounding: list[str]
) -> tuple[float, float]:
    """Gain in dB and corner in Hz that bring the tier's highs nearest the reference tone.

    Over the areas it covers, within +6 dB and the headroom of every output of the
    tier; gain 0 where the tone is within 1 dB already. `settings` have no shelf yet.
    """
    zones, venue = yardstick.zones, yardstick.zones.venue
    paths = zones.covered(tier)
    field = superpose(paths, settings, sounding=[*sounding, *tier])
    rest, everything = (field.heard(field.gains(names)).mean(axis=0)
                        for names in (sounding, None))
    target = _tone_db(yardstick.reference.bands)
    room = min(headroom_db(venue, name) - settings[name].trim_db for name in tier)
    most = min(SHELF_MOST_DB, np.floor(room / TRIM_STEP_DB) * TRIM_STEP_DB)
    none = 0.0, SHELF_CORNERS_HZ[2]
    if np.abs(_tone_db(everything) - target).max() <= SHELF_LEAST_DB or most < SHELF_LEAST_DB:
        return none
    gains = np.arange(SHELF_LEAST_DB, most + TRIM_STEP_DB / 2, TRIM_STEP_DB).tolist()
    tried = [none, *((gain, corner) for corner in SHELF_CORNERS_HZ for gain in gains)]
    lift = np.array([filter_power(OutputSettings(shelf_db=gain, shelf_hz=corner))
                     for gain, corner in tried])
    tone = _tone_db(np.maximum(rest + (everything - rest) * lift, 0.0))
    missed = ((tone - target) ** 2).sum(axis=-1)
    return min(zip(missed.tolist(), tried, strict=True))[1]


def _tone_db(power: FloatArray) -> FloatArray:
    """Octaves 2, 4 and 8 kHz relative to the mean of 500 Hz and 1 kHz, (..., 3), in dB."""
    octaves = power_to_db(power.reshape(*power.shape[:-1], -1, 3).sum(axis=-1))
    return np.asarray(octaves[..., 5:8] - octaves[..., 3:5].mean(axis=-1, keepdims=True))


def equalising(
    yardstick: Yardstick, settings: Settings, tier: list[str], others: list[str]
) -> dict[str, tuple[Finding, ...]]:
    """Say for each fill of a tier that sounds what its low cut and its shelf rest on.

    Costs are told of the kind of low cut that is chosen and of those that are set.
    """
    zones, flat = yardstick.zones, settings.replaced(*tier, shelf_db=0.0)
    gain, _ = choose_shelf(yardstick, flat, tier, others)
    kinds = low_cut_kinds(zones.venue, free_of_low_cut(zones.venue, tier))
    best = choose_low_cut(zones, flat, tier, others)
    told = kinds[:1]
    if best is not None:
        dialled = {(settings[name].low_cut_kind, settings[name].low_cut_order) for name in tier}
        told = [kind for kind in kinds if kind in {(best.kind, best.order), *dialled}]
    tries = [*try_low_cuts(zones, flat, tier, others, product(LOW_CUTS_HZ, told))]
    costs = {kind: {one.corner_hz: one.loss_db for one in tries if (one.kind, one.order) == kind}
             for kind in told}
    return {name: (*_low_cut_findings(settings[name], name, best, costs),
                   _shelf_finding(settings[name], name, gain))
            for name in tier}


def _low_cut_findings(
    own: OutputSettings, name: str, best: LowCutTry | None,
    costs: Mapping[tuple[str, int], Mapping[float, float]],
) -> Iterator[Finding]:
    """Say why a low cut is chosen, or none; `costs` are losses by kind and by corner."""
    if not costs:
        yield Kind.NO_KIND_IN_COMMON(name)
        return
    if best is None:
        of_first = next(iter(costs.values()))
        if any(loss <= LOW_CUT_LOSS_DB for loss in of_first.values()):
            yield Kind.LOW_LIMIT_FIRST(name)
        else:
            yield Kind.NO_LOW_CUT(name, offers=tuple(
                Kind.LOW_CUT_OFFER(corner_hz=corner, loss_db=loss)
                for corner, loss in of_first.items() if corner in PRACTICE_LOW_CUTS_HZ))
    else:
        # Several kinds may do at the same corner: the one that is set is the one to tell of.
        as_set = costs.get((own.low_cut_kind, own.low_cut_order), {})
        equal = (own.low_cut_hz == best.corner_hz
                 and as_set.get(best.corner_hz, np.inf) <= LOW_CUT_LOSS_DB)
        told = as_set if equal else costs[best.kind, best.order]
        yield Kind.LOW_CUT(name, corner_hz=best.corner_hz, costs=tuple(
            Kind.LOW_CUT_COST(corner_hz=corner, loss_db=loss) for corner, loss in told.items()))
    if own.low_cut_hz != (None if best is None else best.corner_hz):
        yield (Kind.LOW_CUT_SET_NONE(name) if own.low_cut_hz is None
               else Kind.LOW_CUT_SET(name, corner_hz=own.low_cut_hz))


def _shelf_finding(own: OutputSettings, name: str, better_db: float) -> Finding:
    dialled = {"shelf_db": own.shelf_db, "shelf_hz": own.shelf_hz, "better_db": better_db}
    if abs(own.shelf_db - better_db) > SHELF_LEAST_DB:
        return (Kind.SHELF_BETTER if better_db else Kind.SHELF_NONE_BETTER)(name, **dialled)
    return Kind.SHELF(name, **dialled) if own.shelf_db else Kind.NO_SHELF(name)
