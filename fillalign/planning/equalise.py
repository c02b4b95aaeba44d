"""Low cut and shelf of a tier of fills, from the tone in the areas that it covers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import combinations

import numpy as np

from fillalign._validate import FloatArray
from fillalign.absorption import THIRDS_HZ, THIRDS_NOMINAL
from fillalign.field import (
    ALL_BANDS,
    CENTRE_HZ,
    PART_SHARE,
    Settings,
    arrival_shift,
    cross_parts,
    filter_power,
    filters_of,
    gains_of,
    own_power,
    part_filter,
    part_sums,
    parts_of,
    to_db,
)
from fillalign.filters import LOW_CUT_ORDERS, shelf_response
from fillalign.planning.bench import Bench
from fillalign.planning.need import Reference
from fillalign.planning.trim import TRIM_STEP_DB, headroom_db
from fillalign.planning.zones import covered_areas, heard_with

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


class _AreaPower:
    """Mean total power over an area, of which only the filters of one tier still change."""

    def __init__(
        self, part: Bench, settings: Settings, together: list[str], audible: list[str]
    ) -> None:
        self.part, self.names = part, list(part.venue.outputs)
        self.moving = [self.names.index(name) for name in together]
        self.heard = [self.names.index(name) for name in audible]
        mix = part.mix(settings, audible)
        self.gains = gains_of(settings, mix.outputs, audible)
        self.size = 10 ** (part.shift_db / 20)
        self.own, self.tail = {}, {}
        self.whole = mix.total(self.gains).mean(axis=0)
        moved = np.zeros_like(self.whole)
        for one in self.moving:
            tail = (mix.early[one] + mix.late[one]).mean(axis=0)
            self.tail[one] = tail / filter_power(settings[self.names[one]])
            self.own[one] = own_power(part.paths, part.cache, one).mean(axis=0)
            moved += self.gains[one] ** 2 * (tail + mix.gram[one, one].mean(axis=0))
        for one, other in self._pairs():
            gain = 2 * self.gains[one] * self.gains[other]
            moved += gain * mix.gram[one, other].mean(axis=0)
        self.fixed = self.whole - moved

    def _pairs(self) -> list[tuple[int, int]]:
        """Pairs of outputs of one feed that the tier's filters have a hand in."""
        feeds = [output.feed for output in self.part.venue.outputs.values()]
        return [(one, other) for one, other in combinations(sorted(self.heard), 2)
                if feeds[one] == feeds[other] and (one in self.moving or other in self.moving)]

    def of(self, settings: Settings, bands: slice = ALL_BANDS) -> FloatArray:
        """Power by band (b,) with other filters on the tier."""
        return np.asarray(self.fixed[bands] + self._moved(settings, bands))

    def _moved(self, settings: Settings, bands: slice) -> FloatArray:
        """Return what the filters of the tier have a hand in."""
        total = np.zeros(THIRDS_HZ[bands].size)
        parts = parts_of(bands)
        for one in self.moving:
            own = settings[self.names[one]]
            direct = self.own[one][parts] * (part_filter(own).size ** 2 * PART_SHARE)[parts]
            alone = part_sums(direct, bands) * self.size[one, bands] ** 2
            alone += self.tail[one][bands] * filter_power(own)[bands]
            total += self.gains[one] ** 2 * alone
        for one, other in self._pairs():
            gain = 2 * self.gains[one] * self.gains[other]
            size = self.size[one, bands] * self.size[other, bands]
            total += gain * size * self._cross(settings, one, other, bands)
        return total

    def _cross(self, settings: Settings, one: int, other: int, bands: slice) -> FloatArray:
        """Mean cross power of two outputs at trim 0, (b,); kept, since trims leave it."""
        own, its = (settings[self.names[index]] for index in (one, other))
        later, cache = arrival_shift(self.part.venue, settings), self.part.cache
        apart = float(later[one] - later[other])
        key = one, other, apart, filters_of(own), filters_of(its), bands.start, bands.stop
        if key not in cache.means:
            filters = part_filter(own), part_filter(its)
            parts = cross_parts(
                self.part.paths, (one, other), apart / 1000, filters, cache, bands
            )
            cache.means[key] = part_sums(parts.mean(axis=1), bands)
        return cache.means[key]


class LowCuts:
    """Tries low cuts that all devices of one tier offer on its outputs, all alike, one by one.

    Outputs whose low cut the file locks keep theirs, unless all do. The loss counts
    in the mean total over the covered areas, against no low cut. Bands below what
    the mains and subs play do not count: there is nothing to keep.
    """

    def __init__(
        self,
        bench: Bench,
        settings: Settings,
        together: list[str],
        areas: tuple[str, ...],
        sounding: list[str],
    ) -> None:
        self.venue, self.settings = bench.venue, settings
        self.free = [name for name in together
                     if "low_cut_hz" not in self.venue.outputs[name].locked] or together
        offers = [self.venue.outputs[name] for name in self.free]
        device = offers[0]
        self.kinds = [
            (kind, order)
            for kind in device.low_cut_kinds
            for order in sorted({*device.low_cut_orders} & {*LOW_CUT_ORDERS[kind]}, reverse=True)
            if all(kind in o.low_cut_kinds and order in o.low_cut_orders for o in offers)
        ]
        lowest = min(self.venue.loudspeakers[source.loudspeaker].low_limit_hz
                     for source in self.venue.sources if source.role != "fill")
        self.counts = THIRDS_HZ > max(LOW_BAND_HZ, lowest * 0.97)
        bare = self._cut(None, device.low_cut_kinds[0], device.low_cut_orders[0])
        self.area = _AreaPower(bench.part(areas), bare, self.free, [*sounding, *together])
        self.bare = self.area.whole
        self.seen: dict[tuple[float, str, int], LowCutTry] = {}
        self.worst = int(self.counts.argmax())

    def _cut(self, corner: float | None, kind: str, order: int) -> Settings:
        """Return the settings with one low cut on the tier."""
        cut = {name: replace(self.settings[name], low_cut_hz=corner, low_cut_order=order,
                             low_cut_kind=kind) for name in self.free}
        return {**self.settings, **cut}

    def _loss_db(self, key: tuple[float, str, int], bands: slice) -> FloatArray:
        left = self.area.of(self._cut(*key), bands)
        return np.where(self.counts[bands], to_db(self.bare[bands]) - to_db(left), -np.inf)

    def tried(self, corner: float, kind: str, order: int) -> LowCutTry:
        """Try one, once."""
        key = corner, kind, order
        if key not in self.seen:
            loss = self._loss_db(key, ALL_BANDS)
            band = int(loss.argmax())
            self.worst = band
            self.seen[key] = LowCutTry(
                corner, order, kind, float(loss[band]), int(THIRDS_NOMINAL[band])
            )
        return self.seen[key]

    def fits(self, corner: float, kind: str, order: int) -> bool:
        """Whether one loses at most 1 dB; where the last one lost most comes first."""
        here = slice(self.worst, self.worst + 1)
        if self._loss_db((corner, kind, order), here)[0] > LOW_CUT_LOSS_DB:
            return False
        return self.tried(corner, kind, order).loss_db <= LOW_CUT_LOSS_DB

    def of_kind(self, kind: str, order: int) -> tuple[LowCutTry, ...]:
        """Try every usual corner of one kind."""
        return tuple(self.tried(corner, kind, order) for corner in LOW_CUTS_HZ)

    def all(self) -> tuple[LowCutTry, ...]:
        """Try every usual one."""
        return tuple(cut for kind in self.kinds for cut in self.of_kind(*kind))

    @cached_property
    def chosen(self) -> LowCutTry | None:
        """Highest corner that loses at most 1 dB and is not below the box's own low limit.

        Between equal corners the steepest: it keeps more lows off the stage.
        """
        limit = max(self.venue.loudspeakers[source.loudspeaker].low_limit_hz
                    for source in self.venue.sources if source.output == self.free[0])
        steepest = sorted(self.kinds, key=lambda one: -one[1])
        highest = sorted((c for c in LOW_CUTS_HZ if c >= limit), reverse=True)
        return next((self.tried(corner, *kind) for corner in highest for kind in steepest
                     if self.fits(corner, *kind)), None)


def low_cuts_of(bench: Bench, settings: Settings, output: str) -> LowCuts:
    """Low cuts of one fill's tier as set, but for its shelf."""
    venue = bench.venue
    ahead, tier = heard_with(venue, settings, output)
    flat = {**settings, **{name: replace(settings[name], shelf_db=0.0) for name in tier}}
    return bench.once(
        "low cuts", flat, (tuple(ahead), tuple(tier)),
        lambda: LowCuts(bench, flat, tier, covered_areas(venue, tier), ahead),
    )


def chosen_shelf(
    part: Bench,
    reference: Reference,
    settings: Settings,
    together: list[str],
    sounding: list[str],
) -> tuple[float, float]:
    """Gain in dB and corner in Hz that bring the highs of a part nearest the reference tone.

    Within +6 dB and the headroom of every output of the tier; gain 0 where the
    tone is within 1 dB already.
    """
    mix = part.mix(settings, [*sounding, *together])
    still = gains_of(settings, mix.outputs, sounding)
    every = gains_of(settings, mix.outputs, [*sounding, *together])
    rest = part.heard(mix, still).mean(axis=0)
    everything = part.heard(mix, every).mean(axis=0)
    own = everything - rest
    target = _tone_db(reference.bands)
    room = min(headroom_db(part.venue, name) - settings[name].trim_db for name in together)
    most = min(SHELF_MOST_DB, np.floor(room / TRIM_STEP_DB) * TRIM_STEP_DB)
    if np.abs(_tone_db(everything) - target).max() <= SHELF_LEAST_DB or most < SHELF_LEAST_DB:
        return 0.0, SHELF_CORNERS_HZ[2]
    tried, lifts = _shelves()
    tones = _tone_db(np.maximum(rest + own * lifts, 1e-30))
    misses = ((tones - target) ** 2).sum(axis=-1).tolist()
    _, gain, corner = min(
        (miss, gain, corner)
        for miss, (gain, corner) in zip(misses, tried, strict=True) if gain <= most
    )
    return gain, corner


@cache
def _shelves() -> tuple[list[tuple[float, float]], FloatArray]:
    """Every shelf to try, none first, as gain and corner; and its power by band, (k, b)."""
    gains = np.arange(SHELF_LEAST_DB, SHELF_MOST_DB + TRIM_STEP_DB / 2, TRIM_STEP_DB).tolist()
    tried = [(gain, corner) for corner in SHELF_CORNERS_HZ for gain in gains]
    lifts = [np.abs(shelf_response(CENTRE_HZ, corner, gain)) ** 2 for gain, corner in tried]
    return [(0.0, SHELF_CORNERS_HZ[2]), *tried], np.array([np.ones(CENTRE_HZ.size), *lifts])


def _tone_db(power: FloatArray) -> FloatArray:
    """Octaves 2, 4 and 8 kHz relative to the mean of 500 Hz and 1 kHz, in dB."""
    octaves = to_db(power.reshape(*power.shape[:-1], -1, 3).sum(axis=-1))
    return np.asarray(octaves[..., 5:8] - octaves[..., 3:5].mean(axis=-1, keepdims=True))
