"""Trim, low cut and shelf of one fill, from the sound in the rows it covers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fillalign._check import FloatArray
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ, THIRDS_NOMINAL
from fillalign.field import NEAR_DB, Mix, Settings, gains_of, to_db
from fillalign.filters import LOW_CUT_ORDERS, shelf_response
from fillalign.need import (
    SHARE_OF_ROWS,
    WEIGHTS,
    Bench,
    Reference,
    check_rows,
)
from fillalign.paths import A_POWER, CENTRE_HZ
from fillalign.precedence import precedence_limit_db
from fillalign.speech import JUST_NOTICEABLE
from fillalign.timing import counting_mains
from fillalign.venue import Loudspeaker, Venue

TRIM_STEP_DB = 0.5
LOWEST_TRIM_DB = -40.0
BEYOND_DB = 12.0
CLIMB_DB = 2.0
LOW_CUTS_HZ = (80.0, 100.0, 120.0, 150.0, 180.0, 200.0, 250.0)
LOW_CUT_LOSS_DB = 1.0
LOW_BAND_HZ = 60.0
SHELF_CORNERS_HZ = (2000.0, 3150.0, 4000.0, 5000.0, 6300.0)
SHELF_MOST_DB = 6.0
SHELF_LEAST_DB = 1.0
OFF_DB = float("-inf")
SPEECH_STEP_DB = 3.0
SPEECH_LIMIT = "the room, which keeps speech transmission below its goal,"


def own_level_dba(loudspeaker: Loudspeaker) -> float:
    """A-weighted level at 1 m at trim 0."""
    if loudspeaker.level_dba is not None:
        return loudspeaker.level_dba
    weights = A_POWER.reshape(-1, 3).mean(axis=1)
    power = sum(
        10 ** (level / 10) * weight
        for octave, weight in zip(OCTAVES_NOMINAL, weights, strict=True)
        if (level := loudspeaker.level_by_octave_db.get(int(octave))) is not None
    )
    return float(10 * np.log10(power))


def headroom_db(venue: Venue, output: str) -> float:
    """Highest trim that keeps every box of an output within its maximum level."""
    kinds = {s.loudspeaker for s in venue.sources if s.output == output}
    return min(venue.loudspeakers[k].maximum_dba - own_level_dba(venue.loudspeakers[k])
               for k in kinds)


@dataclass(frozen=True)
class TrimCurve:
    """Benefit and harm of one output against its trim (k values).

    `served_share` of the covered rows reach level, tone and speech goal;
    `climb_db` is the largest rise on the walk behind the reference;
    `precedence_share` of the covered seats keep the image at the stage;
    `back_dba` is the heard level of the last covered row. `speech_covered` and
    `speech_ahead` are mean speech transmission indices of the covered rows and of
    the rows ahead of the fill, `speech_loss` the most that nine in ten of those
    lose against this fill off, `speech_shortfall` what all rows together lack to
    the speech goal (0 without one). The trims after that are what is needed for
    level and tone, for all goals, and the bounds (None: not reached).
    """

    trim_db: FloatArray
    served_share: FloatArray
    climb_db: FloatArray
    precedence_share: FloatArray
    back_dba: FloatArray
    speech_covered: FloatArray
    speech_ahead: FloatArray
    speech_loss: FloatArray
    speech_shortfall: FloatArray
    speech_without: float
    sound_needed_db: float | None
    needed_db: float | None
    maximum_db: float
    precedence_db: float | None
    walk_db: float | None
    harm_db: float

    def bounds(self) -> dict[str, float]:
        """Trims that may not be passed, by reason."""
        lowest = float(self.trim_db[0])
        found = {
            "the precedence table": self.precedence_db,
            "the climb on the walk": self.walk_db,
            "the harm to speech elsewhere": self.harm_db,
        }
        return {
            "the maximum level of the box": self.maximum_db,
            **{name: lowest if trim is None else trim for name, trim in found.items()},
        }

    def chosen(self) -> tuple[float, str | None]:
        """Trim to set, and what kept it from what was needed (or None)."""
        bounds = self.bounds()
        reason = min(bounds, key=lambda name: bounds[name])
        limit = bounds[reason]
        if self.needed_db is not None and self.needed_db <= limit:
            return self.needed_db, None
        if self.sound_needed_db is not None and self.sound_needed_db <= limit:
            # Level and tone are right: only speech falls short, so take its best.
            inside = (self.trim_db >= self.sound_needed_db) & (self.trim_db <= limit)
            best = int(np.where(inside, np.round(self.speech_covered, 3), -1.0).argmax())
            return float(self.trim_db[best]), SPEECH_LIMIT
        return limit, reason


@dataclass(frozen=True)
class _Terms:
    """Power of everything else, cross term and own power at trim 0, (n, 3) each."""

    rest: FloatArray
    cross: FloatArray
    own: FloatArray

    def rows(self, bench: Bench, gain: FloatArray) -> FloatArray:
        """Row means (k, r, 3) for amplitude gains (k,)."""
        rest, cross, own = (bench.row_mean(part) for part in (self.rest, self.cross, self.own))
        g = gain[:, None, None]
        return np.maximum(rest + 2 * g * cross + g**2 * own, 0.0)


def _terms(
    bench: Bench, mix: Mix, gains: FloatArray, moving: list[int], *, total: bool
) -> _Terms:
    still = gains.copy()
    still[moving] = 0.0
    in_time = mix.in_time if bench.venue.indoors and not total else np.ones_like(mix.in_time)
    one = np.zeros_like(gains)
    one[moving] = 1.0
    cross = np.zeros(mix.gram.shape[2:])
    for index in moving:
        both = in_time * in_time[index]
        cross += np.einsum("o,on,onb->nb", still, both, mix.gram[index])
    if total:
        rest, own = mix.total(still), mix.total(one)
    else:
        rest, own = bench.heard(mix, still), bench.heard(mix, one)
    return _Terms(rest @ WEIGHTS, cross @ WEIGHTS, own @ WEIGHTS)


def _largest_climb(levels: FloatArray) -> FloatArray:
    """Largest rise from any row to a later one, along the last axis."""
    lowest = np.minimum.accumulate(levels, axis=-1)
    return np.asarray((levels - lowest).max(axis=-1))


def trim_grid_db(headroom: float) -> FloatArray:
    """Trims to try, in steps of 0.5 dB up to 12 dB beyond the headroom.

    What lies beyond only tells how much stronger a box would have to be.
    """
    top = np.floor((headroom + BEYOND_DB) / TRIM_STEP_DB)
    bottom = min(LOWEST_TRIM_DB / TRIM_STEP_DB, top)
    return np.asarray(np.arange(bottom, top + 1) * TRIM_STEP_DB)


def image_kept(
    bench: Bench, mix: Mix, settings: Settings, output: str, trim_db: FloatArray, mains: list[str]
) -> FloatArray:
    """Whether each trim (k,) keeps the precedence table at each seat, (k, n).

    Seats where the fill lies more than 10 dB below the mains do not count.
    """
    index = mix.outputs.index(output)
    _, arrival = counting_mains(
        bench.venue, bench.paths, settings, output, bench.shift_db
    )
    limit = precedence_limit_db(mix.arrival_ms[index] - arrival)
    mains_power = mix.direct(gains_of(settings, mix.outputs, mains)) @ A_POWER
    difference = to_db(mix.gram[index, index] @ A_POWER) - to_db(mains_power)
    return np.asarray(difference + trim_db[:, None] <= np.maximum(limit, -NEAR_DB) + 1e-9)


def _speech_rows(
    bench: Bench, settings: Settings, gains: FloatArray, moving: list[int], trims: FloatArray
) -> FloatArray:
    """Speech transmission index of each row (k, r), interpolated between every 3 dB."""
    coarse = np.arange(trims[0], trims[-1] + SPEECH_STEP_DB, SPEECH_STEP_DB)
    every = np.tile(gains, (coarse.size, 1))
    every[:, moving] = 10 ** (coarse / 20)[:, None]
    index = bench.row_index(settings, every)
    place = np.clip((trims - coarse[0]) / SPEECH_STEP_DB, 0, coarse.size - 1)
    left = np.minimum(place.astype(int), coarse.size - 2)
    part = (place - left)[:, None]
    return np.asarray(index[left] * (1 - part) + index[left + 1] * part)


def trim_curve(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    settings: Settings,
    output: str,
    areas: tuple[str, ...],
    sounding: list[str],
    together: list[str],
    mains: list[str],
) -> TrimCurve:
    """Sweep the trim of one output with everything else as it stands.

    `together` are the outputs of its tier, itself included, which move with it;
    `sounding` the ones that sound besides them, `mains` those of them that are
    mains; `areas` are the ones the tier covers.
    """
    headroom, lifted = headroom_db(bench.venue, output), max(settings[output].shelf_db, 0.0)
    trims = trim_grid_db(headroom)
    key = tuple(sounding), tuple(together), reference.level_dba, trims.size, float(trims[0])
    swept, images = bench.once("sweep", settings, key, lambda: _sweep(
        bench, reference, profile, settings, trims, areas, sounding, together, mains
    ))
    return TrimCurve(
        **swept,
        precedence_share=images[output],
        maximum_db=float(np.floor((headroom - lifted) / TRIM_STEP_DB) * TRIM_STEP_DB),
        precedence_db=_last(trims, images[output] >= SHARE_OF_ROWS),
    )


def _sweep(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    settings: Settings,
    trims: FloatArray,
    areas: tuple[str, ...],
    sounding: list[str],
    together: list[str],
    mains: list[str],
) -> tuple[dict[str, Any], dict[str, FloatArray]]:
    """Return what the curves of a tier share, and each output's share of seats with its image."""
    mix = bench.mix(settings, [*sounding, *together])
    moving = [mix.outputs.index(name) for name in together]
    gain = 10 ** (trims / 20)
    gains = gains_of(settings, mix.outputs, sounding)
    covered, seats = bench.rows_in(areas), bench.seats_in(areas)
    heard = _terms(bench, mix, gains, moving, total=False).rows(bench, gain)
    speech = _speech_rows(bench, settings, gains, moving, trims)
    checked = check_rows(bench, reference, profile, heard, speech).rows(covered)
    share, sounds = checked.served.mean(axis=1), checked.sounds.mean(axis=1)
    walk = _terms(bench, mix, gains, moving, total=True)
    behind = bench.row_x_m >= reference.x_m - 1e-9
    climb = _largest_climb(to_db(walk.rows(bench, gain)[:, behind, 0]))
    before = _largest_climb(to_db(walk.rows(bench, np.zeros(1))[:, behind, 0]))[0]
    off = bench.row_index(settings, gains)
    lacking = np.maximum((bench.venue.goals.sti or 0.0) - speech, 0.0).sum(axis=1)
    ahead = ~covered & (bench.row_x_m < bench.row_x_m[covered].min())
    loss = np.zeros(trims.size)
    if ahead.any():
        loss = _quantile((off - speech)[:, ahead], SHARE_OF_ROWS)
    back = int(np.flatnonzero(covered)[bench.row_x_m[covered].argmax()])
    swept = {
        "trim_db": trims,
        "served_share": share,
        "climb_db": climb,
        "back_dba": to_db(heard[:, back, 0]),
        "speech_covered": speech[:, covered].mean(axis=1),
        "speech_ahead": (
            speech[:, ahead].mean(axis=1) if ahead.any() else np.full(trims.size, np.nan)
        ),
        "speech_loss": loss,
        "speech_shortfall": lacking,
        "speech_without": float(off[covered].mean()),
        "sound_needed_db": _first(trims, sounds >= SHARE_OF_ROWS),
        "needed_db": _first(trims, share >= SHARE_OF_ROWS),
        "walk_db": _last(trims, climb <= max(CLIMB_DB, float(before)) + 1e-9),
        "harm_db": float(trims[np.flatnonzero(lacking <= lacking.min() + JUST_NOTICEABLE)[-1]]),
    }
    images = {name: image_kept(bench, mix, settings, name, trims, mains)[:, seats].mean(axis=1)
              for name in together}
    return swept, images


def _quantile(values: FloatArray, share: float) -> FloatArray:
    """Linear quantile along the last axis, without the imports that numpy's drags in."""
    ordered = np.sort(values, axis=-1)
    place = share * (ordered.shape[-1] - 1)
    below = int(place)
    step = ordered[..., min(below + 1, ordered.shape[-1] - 1)] - ordered[..., below]
    return np.asarray(ordered[..., below] + (place - below) * step)


def _first(trims: FloatArray, good: NDArray[np.bool_]) -> float | None:
    return float(trims[np.flatnonzero(good)[0]]) if good.any() else None


def _last(trims: FloatArray, good: NDArray[np.bool_]) -> float | None:
    """Last trim before the first bad one."""
    bad = np.flatnonzero(~good)
    if not bad.size:
        return float(trims[-1])
    return float(trims[bad[0] - 1]) if bad[0] else None


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
