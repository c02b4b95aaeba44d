"""Trim of one fill, from the sound in the rows it covers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.field import A_POWER, JUST_NOTICEABLE, NEAR_DB, Mix, Settings, gains_of, to_db
from fillalign.planning.bench import Bench
from fillalign.planning.delay import counting_mains, quantile
from fillalign.planning.need import SHARE_OF_ROWS, WEIGHTS, Reference, check_rows
from fillalign.precedence import precedence_limit_db
from fillalign.venue import Loudspeaker, Venue

TRIM_STEP_DB = 0.5
LOWEST_TRIM_DB = -40.0
BEYOND_DB = 12.0
CLIMB_DB = 2.0
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
        loss = quantile((off - speech)[:, ahead], SHARE_OF_ROWS)
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


def _first(trims: FloatArray, good: NDArray[np.bool_]) -> float | None:
    return float(trims[np.flatnonzero(good)[0]]) if good.any() else None


def _last(trims: FloatArray, good: NDArray[np.bool_]) -> float | None:
    """Last trim before the first bad one."""
    bad = np.flatnonzero(~good)
    if not bad.size:
        return float(trims[-1])
    return float(trims[bad[0] - 1]) if bad[0] else None
