"""Low cut and shelf of a tier of fills, from the tone in the areas that it covers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fillalign._check import FloatArray
from fillalign.absorption import THIRDS_HZ, THIRDS_NOMINAL
from fillalign.field import Mix, Settings, gains_of, to_db
from fillalign.filters import LOW_CUT_ORDERS, shelf_response
from fillalign.need import Bench, Reference
from fillalign.paths import CENTRE_HZ
from fillalign.tuning import TRIM_STEP_DB, headroom_db
from fillalign.venue import Venue

LOW_CUTS_HZ = (80.0, 100.0, 120.0, 150.0, 180.0, 200.0, 250.0)
LOW_CUT_LOSS_DB = 1.0
LOW_BAND_HZ = 60.0
SHELF_CORNERS_HZ = (2000.0, 3150.0, 4000.0, 5000.0, 6300.0)
SHELF_MOST_DB = 6.0
SHELF_LEAST_DB = 1.0


@dataclass(frozen=True)
class LowCutTry:
    """What one low cut costs: the worst loss in the covered area, and where."""

    corner_hz: float
    order: int
    kind: str
    loss_db: float
    at_hz: int


class LowCuts:
    """Tries low cuts that all devices of one tier offer on its outputs, all alike, one by one.

    The loss counts in the mean total over the covered areas, against no low cut.
    Bands below what the mains and subs play do not count: there is nothing to keep.
    """

    def __init__(
        self,
        bench: Bench,
        settings: Settings,
        together: list[str],
        areas: tuple[str, ...],
        sounding: list[str],
    ) -> None:
        self.part, self.venue = bench.part(areas), bench.venue
        self.settings, self.together = settings, together
        self.audible = [*sounding, *together]
        device = self.venue.outputs[together[0]]
        offers = [self.venue.outputs[name] for name in together]
        self.kinds = [
            (kind, order)
            for kind in device.low_cut_kinds
            for order in sorted({*device.low_cut_orders} & {*LOW_CUT_ORDERS[kind]}, reverse=True)
            if all(kind in o.low_cut_kinds and order in o.low_cut_orders for o in offers)
        ]
        lowest = min(self.venue.loudspeakers[source.loudspeaker].low_limit_hz
                     for source in self.venue.sources if source.role != "fill")
        self.counts = THIRDS_HZ > max(LOW_BAND_HZ, lowest * 0.97)
        self.bare = self._area_db(None, device.low_cut_orders[0], device.low_cut_kinds[0])

    def _area_db(self, corner: float | None, order: int, kind: str) -> FloatArray:
        mixed = {**self.settings}
        for name in self.together:
            mixed[name] = replace(
                mixed[name], low_cut_hz=corner, low_cut_order=order, low_cut_kind=kind
            )
        mix = self.part.mix(mixed, self.audible)
        return to_db(mix.total(gains_of(mixed, mix.outputs, self.audible)).mean(axis=0))

    def tried(self, corner: float, kind: str, order: int) -> LowCutTry:
        """Try one."""
        loss = np.where(self.counts, self.bare - self._area_db(corner, order, kind), -np.inf)
        worst = int(loss.argmax())
        return LowCutTry(corner, order, kind, float(loss[worst]), int(THIRDS_NOMINAL[worst]))

    def all(self) -> tuple[LowCutTry, ...]:
        """Try every usual one."""
        return tuple(
            self.tried(corner, *kind) for kind in self.kinds for corner in LOW_CUTS_HZ
        )

    def chosen(self) -> LowCutTry | None:
        """Try from the highest and steepest down to the first that `chosen_low_cut` takes."""
        for corner in sorted(LOW_CUTS_HZ, reverse=True):
            for kind, order in sorted(self.kinds, key=lambda one: -one[1]):
                found = chosen_low_cut(
                    self.venue, self.together[0], (self.tried(corner, kind, order),)
                )
                if found is not None:
                    return found
        return None


def chosen_low_cut(
    venue: Venue, output: str, tries: tuple[LowCutTry, ...]
) -> LowCutTry | None:
    """Highest corner that loses at most 1 dB and is not below the box's own low limit.

    Between equal corners the steepest: it keeps more lows off the stage.
    """
    limit = max(
        venue.loudspeakers[s.loudspeaker].low_limit_hz
        for s in venue.sources
        if s.output == output
    )
    fit = [t for t in tries if t.loss_db <= LOW_CUT_LOSS_DB and t.corner_hz >= limit]
    return max(fit, key=lambda t: (t.corner_hz, t.order), default=None)


def chosen_shelf(
    bench: Bench,
    reference: Reference,
    mix: Mix,
    settings: Settings,
    together: list[str],
    areas: tuple[str, ...],
    sounding: list[str],
) -> tuple[float, float]:
    """Gain in dB and corner in Hz that bring the covered highs nearest the reference tone.

    Within +6 dB and the headroom of every output of the tier; gain 0 where the
    tone is within 1 dB already.
    """
    seats = bench.seats_in(areas)
    still = gains_of(settings, mix.outputs, sounding)
    every = gains_of(settings, mix.outputs, [*sounding, *together])
    rest = bench.heard(mix, still)[seats].mean(axis=0)
    everything = bench.heard(mix, every)[seats].mean(axis=0)
    own = everything - rest
    target = _tone_db(reference.bands)
    room = min(headroom_db(bench.venue, name) - settings[name].trim_db for name in together)
    most = min(SHELF_MOST_DB, np.floor(room / TRIM_STEP_DB) * TRIM_STEP_DB)
    if np.abs(_tone_db(everything) - target).max() <= SHELF_LEAST_DB or most < SHELF_LEAST_DB:
        return 0.0, SHELF_CORNERS_HZ[2]
    best = (float(((_tone_db(everything) - target) ** 2).sum()), 0.0, SHELF_CORNERS_HZ[2])
    for corner in SHELF_CORNERS_HZ:
        for gain in np.arange(SHELF_LEAST_DB, most + 0.01, TRIM_STEP_DB):
            lift = np.abs(shelf_response(CENTRE_HZ, corner, gain)) ** 2
            miss = float(((_tone_db(np.maximum(rest + own * lift, 1e-30)) - target) ** 2).sum())
            best = min(best, (miss, float(gain), corner))
    return best[1], best[2]


def _tone_db(power: FloatArray) -> FloatArray:
    """Octaves 2, 4 and 8 kHz relative to the mean of 500 Hz and 1 kHz, in dB."""
    octaves = to_db(power.reshape(-1, 3).sum(axis=1))
    return np.asarray(octaves[5:8] - octaves[3:5].mean())
