"""Trim of one fill, from the sound in the rows it covers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from fillalign._validate import FloatArray
from fillalign.field import (
    A_POWER,
    JUST_NOTICEABLE,
    BoolArray,
    Field,
    Settings,
    speech_at,
    superpose,
)
from fillalign.levels import db_to_amplitude, power_to_db
from fillalign.planning.delay import counting_mains
from fillalign.planning.need import SHARE_OF_ROWS, WEIGHTS, Yardstick, check_rows
from fillalign.planning.zones import covered_areas, main_outputs
from fillalign.precedence import keeps_image
from fillalign.venue import headroom_db

TRIM_STEP_DB = 0.5
LOWEST_TRIM_DB = -40.0
BEYOND_DB = 12.0
CLIMB_DB = 2.0
OFF_DB = float("-inf")
_SPEECH_STEP_DB = 3.0


class Bound(StrEnum):
    """What keeps a trim from what is needed."""

    MAXIMUM = "the maximum level of the box"
    PRECEDENCE = "the precedence table"
    WALK = "the climb on the walk"
    HARM = "the harm to speech elsewhere"
    ROOM = "the room, which keeps speech transmission below its goal,"


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

    def bounds(self) -> dict[Bound, float]:
        """Trims that may not be passed, by reason."""
        lowest = float(self.trim_db[0])
        found = {Bound.PRECEDENCE: self.precedence_db, Bound.WALK: self.walk_db,
                 Bound.HARM: self.harm_db}
        return {
            Bound.MAXIMUM: self.maximum_db,
            **{bound: lowest if trim is None else trim for bound, trim in found.items()},
        }

    def chosen(self) -> tuple[float, Bound | None]:
        """Trim to set, and what kept it from what was needed (or None)."""
        bounds = self.bounds()
        bound = min(bounds, key=lambda one: bounds[one])
        limit = bounds[bound]
        if self.needed_db is not None and self.needed_db <= limit:
            return self.needed_db, None
        if self.sound_needed_db is not None and self.sound_needed_db <= limit:
            # Level and tone are right: only speech falls short, so take its best.
            inside = (self.trim_db >= self.sound_needed_db) & (self.trim_db <= limit)
            best = int(np.where(inside, np.round(self.speech_covered, 3), -1.0).argmax())
            return float(self.trim_db[best]), Bound.ROOM
        return limit, bound


def trim_grid_db(headroom: float) -> FloatArray:
    """Trims to try, in steps of 0.5 dB up to 12 dB beyond the headroom.

    What lies beyond only tells how much stronger a box would have to be.
    """
    top = np.floor((headroom + BEYOND_DB) / TRIM_STEP_DB)
    bottom = min(LOWEST_TRIM_DB / TRIM_STEP_DB, top)
    return np.asarray(np.arange(bottom, top + 1) * TRIM_STEP_DB)


def trim_curves(
    yardstick: Yardstick, settings: Settings, together: list[str], sounding: list[str]
) -> dict[str, TrimCurve]:
    """Sweep the trims of some outputs of a tier, all alike, with everything else as it stands.

    Parameters
    ----------
    yardstick : Yardstick
        What is judged by.
    settings : Settings
        Of all outputs; the trims of those that move do not count.
    together : list of str
        The outputs that move.
    sounding : list of str
        What sounds besides them, mains included.

    Returns
    -------
    dict of str to TrimCurve
        By output: they share all but the image and the headroom of their boxes.
    """
    venue = yardstick.zones.venue
    curves = {}
    field = superpose(yardstick.zones.paths, settings, sounding=[*sounding, *together])
    for headroom in {headroom_db(venue, name) for name in together}:
        trims = trim_grid_db(headroom)
        swept = _sweep(yardstick, field, trims, together, sounding)
        for name in together:
            if headroom_db(venue, name) != headroom:
                continue
            kept = _image_share(yardstick, field, name, trims)
            lifted = max(settings[name].shelf_db, 0.0)
            curves[name] = TrimCurve(
                trim_db=trims,
                precedence_share=kept,
                precedence_db=_last(trims, kept >= SHARE_OF_ROWS),
                maximum_db=float(np.floor((headroom - lifted) / TRIM_STEP_DB) * TRIM_STEP_DB),
                **swept,
            )
    return curves


def _sweep(
    yardstick: Yardstick, field: Field, trims: FloatArray, together: list[str], sounding: list[str]
) -> dict[str, Any]:
    """Return what the curves of some outputs share."""
    zones = yardstick.zones
    still = field.gains(sounding)
    moving = np.array([float(name in together) for name in field.outputs])
    covered = zones.rows_in(covered_areas(zones.venue, together))
    heard = _swept_rows(yardstick, field.heard, still, moving, trims)
    index = _swept_index(yardstick, field, still, moving, trims)
    speech, off = index[1:], index[0]
    checked = check_rows(yardstick, heard[1:], speech).rows(covered)
    share, sounds = checked.served.mean(axis=1), checked.sounds.mean(axis=1)
    behind = zones.row_x_m >= yardstick.reference.x_m - 1e-9
    walk = _swept_rows(yardstick, field.total, still, moving, trims)[:, behind, 0]
    before, *climb = _largest_climb(np.asarray(power_to_db(walk)))
    lacking = np.maximum((zones.venue.goals.sti or 0.0) - speech, 0.0).sum(axis=1)
    ahead = ~covered & (zones.row_x_m < zones.row_x_m[covered].min())
    loss, ahead_mean = np.zeros(trims.size), np.full(trims.size, np.nan)
    if ahead.any():
        loss = np.quantile((off - speech)[:, ahead], SHARE_OF_ROWS, axis=1)
        ahead_mean = speech[:, ahead].mean(axis=1)
    back = int(np.flatnonzero(covered)[zones.row_x_m[covered].argmax()])
    return {
        "served_share": share,
        "climb_db": np.array(climb),
        "back_dba": np.asarray(power_to_db(heard[1:, back, 0])),
        "speech_covered": speech[:, covered].mean(axis=1),
        "speech_ahead": ahead_mean,
        "speech_loss": loss,
        "speech_shortfall": lacking,
        "speech_without": float(off[covered].mean()),
        "sound_needed_db": _first(trims, sounds >= SHARE_OF_ROWS),
        "needed_db": _first(trims, share >= SHARE_OF_ROWS),
        "walk_db": _last(trims, np.array(climb) <= max(CLIMB_DB, float(before)) + 1e-9),
        "harm_db": float(trims[np.flatnonzero(lacking <= lacking.min() + JUST_NOTICEABLE)[-1]]),
    }


def _swept_rows(
    yardstick: Yardstick,
    power_of: Callable[[FloatArray], FloatArray],
    still: FloatArray,
    moving: FloatArray,
    trims: FloatArray,
) -> FloatArray:
    """Row means (1 + k, r, 3), weighted by `WEIGHTS`: first without what moves, then by trim.

    Power is a quadratic form in the gains, so three of its values give them all.
    """
    rest, own, both = (
        yardstick.zones.row_mean(power_of(gains) @ WEIGHTS)
        for gains in (still, moving, still + moving)
    )
    gain = np.append(0.0, db_to_amplitude(trims))[:, None, None]
    return np.maximum(rest + gain * (both - rest - own) + gain**2 * own, 0.0)


def _swept_index(
    yardstick: Yardstick, field: Field, still: FloatArray, moving: FloatArray, trims: FloatArray
) -> FloatArray:
    """Speech index of each row (1 + k, r): without what moves, then interpolated every 3 dB."""
    speech = speech_at(yardstick.zones.paths, field.settings, sounding=field.outputs)
    coarse = np.arange(trims[0], trims[-1] + _SPEECH_STEP_DB, _SPEECH_STEP_DB)
    gains = still + np.append(0.0, db_to_amplitude(coarse))[:, None] * moving
    index = yardstick.zones.row_mean(speech.index(gains).T).T
    place = np.clip((trims - coarse[0]) / _SPEECH_STEP_DB, 0, coarse.size - 1)
    left = np.minimum(place.astype(int), coarse.size - 2)
    part = (place - left)[:, None]
    between = index[1:][left] * (1 - part) + index[1:][left + 1] * part
    return np.concatenate([index[:1], between])


def _image_share(
    yardstick: Yardstick, field: Field, output: str, trims: FloatArray
) -> FloatArray:
    """Share of the covered seats that keep the image at the stage, by trim, (k,)."""
    zones, number = yardstick.zones, field.outputs.index(output)
    covered = zones.seats_in(covered_areas(zones.venue, [output]))
    _, arrival = counting_mains(zones.paths, field.settings, output)
    mains = power_to_db(field.direct(field.gains(main_outputs(zones.venue))) @ A_POWER)
    gap = (field.arrival_ms[number] - arrival)[covered]
    over = (field.level_dba[number] - mains)[covered]
    kept = np.asarray(keeps_image(gap, over + trims[:, None]))
    return np.asarray(kept.mean(axis=1))


def _largest_climb(levels: FloatArray) -> FloatArray:
    """Largest rise from any row to a later one, along the last axis."""
    lowest = np.minimum.accumulate(levels, axis=-1)
    return np.asarray((levels - lowest).max(axis=-1))


def _first(trims: FloatArray, good: BoolArray) -> float | None:
    return float(trims[np.flatnonzero(good)[0]]) if good.any() else None


def _last(trims: FloatArray, good: BoolArray) -> float | None:
    """Last trim before the first bad one."""
    bad = np.flatnonzero(~good)
    if not bad.size:
        return float(trims[-1])
    return float(trims[bad[0] - 1]) if bad[0] else None
