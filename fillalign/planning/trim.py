"""Trim of a tier of fills: what each trim does to every row, and which to take.

Which trims are tried, and with which filters, is in `fillalign.planning.decide`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import ByValue, FloatArray
from fillalign.field import (
    JUST_NOTICEABLE,
    BoolArray,
    Field,
    Settings,
    speech_at,
    superpose,
)
from fillalign.planning.delay import delay_basis
from fillalign.planning.need import (
    SHARE_OF_ROWS,
    SHORT_DB,
    WEIGHTS,
    WORTH_STEPS,
    RowCheck,
    Yardstick,
    rows_with,
)
from fillalign.planning.zones import (
    TRIM_STEP_DB,
    Zones,
    covered_areas,
    covered_seats,
    fill_tiers,
    hidden_areas,
)
from fillalign.venue import headroom_db

LOWEST_TRIM_DB = -40.0
BEYOND_DB = 12.0
OVERSHOOT_DB = 2.0
OFF_DB = float("-inf")
LEFT_ALONE_DB = 6.0
_SPEECH_STEPS = 6
_ALIKE_MS = 1.0
_SPEECH_WITHOUT_GOAL = {"speech": 0.60, "music": 0.50}
EQUAL_STEPS = 0.1
_EQUAL_SPEECH_STEPS = 0.02


class Bound(StrEnum):
    """What keeps a trim from what is needed."""

    MAXIMUM = "the maximum level of the box"
    PRECEDENCE = "the precedence table"
    OVERSHOOT = "the rise of level on the walk"
    HARM = "the harm to speech elsewhere"


@dataclass(frozen=True)
class Judged:
    """What k trims of a tier do: rows r, outputs of the tier t.

    `dialled_db` (t, k) is what each output is set to.
    `check` is how every row stands, `elsewhere` (k,) what rows of others lose, in just
    noticeable steps for each row of its own; `overshoot_db` (k,) how far the total of a
    row behind the reference exceeds both the reference and what it was without these
    fills; `harm` (k,) the speech index that nine in ten rows of others lose at most;
    `image_share` (t, k) of the covered seats that keep the image at the stage.
    """

    dialled_db: FloatArray
    check: RowCheck
    elsewhere: FloatArray
    overshoot_db: FloatArray
    harm: FloatArray
    image_share: FloatArray
    maximum_db: FloatArray

    def within(self) -> dict[Bound, BoolArray]:
        """Which trims keep each bound, (k,): of the tier, so all its outputs keep it."""
        return {
            Bound.MAXIMUM: np.all(self.dialled_db <= self.maximum_db[:, None] + 1e-9, axis=0),
            Bound.PRECEDENCE: np.all(self.image_share >= SHARE_OF_ROWS, axis=0),
            Bound.OVERSHOOT: self.overshoot_db <= OVERSHOOT_DB + 1e-9,
            Bound.HARM: self.harm <= JUST_NOTICEABLE + 1e-9,
        }

    def inside(self) -> BoolArray:
        """Which trims keep all bounds, (k,)."""
        return np.asarray(np.logical_and.reduce(list(self.within().values())))


@dataclass(frozen=True, eq=False)
class TrimCurve(ByValue):
    """Benefit and harm of one output against its trim (k values), delays and filters as set.

    `served_share` of the covered rows reach level, tone and speech goal; `missing` is
    what they lack on average and `elsewhere` what rows of others lose for each of
    them, in just noticeable steps; `overshoot_db`, `harm` as in `Judged`;
    `precedence_share` of the covered seats keep the image at the stage; `back_dba` is
    the heard level of the last covered row; `speech_covered` and `speech_ahead` are mean
    speech indices of the covered rows and of the rows ahead of the fill,
    `speech_without` that of the covered rows with it off. `needed_db` is the trim needed for
    all goals (None: there is none), `bounds` those that may not be passed, by reason.
    """

    trim_db: FloatArray
    served_share: FloatArray
    missing: FloatArray
    missing_without: float
    elsewhere: FloatArray
    overshoot_db: FloatArray
    harm: FloatArray
    precedence_share: FloatArray
    back_dba: FloatArray
    speech_covered: FloatArray
    speech_ahead: FloatArray
    speech_without: float
    needed_db: float | None
    bounds: Mapping[Bound, float]

    def at(self, trim_db: float) -> int:
        """Return the place of the trim nearest to one."""
        return int(np.abs(self.trim_db - trim_db).argmin())

    def cheapest(self) -> int:
        """Return the place of the trim within all bounds that leaves and costs least."""
        inside = self.trim_db <= min(self.bounds.values()) + 1e-9
        return int(np.where(inside, self.missing + self.elsewhere, np.inf).argmin())


def trim_grid_db(headroom: float, beyond_db: float = BEYOND_DB) -> FloatArray:
    """Trims to try, in steps of 0.5 dB up to 12 dB beyond the headroom.

    What lies beyond only tells how much stronger a box would have to be.
    """
    top = np.floor((headroom + beyond_db) / TRIM_STEP_DB + 1e-9)
    bottom = min(LOWEST_TRIM_DB / TRIM_STEP_DB, top)
    return np.asarray(np.arange(bottom, top + 1) * TRIM_STEP_DB)


class Tier:
    """A tier of fills to be trimmed, and what is judged there without it.

    `moving` are the outputs whose trim is open, `others` all that sound besides them,
    `released` (r,) marks rows at which the image is not a bound.
    """

    def __init__(
        self, yardstick: Yardstick, settings: Settings, moving: list[str], others: list[str]
    ) -> None:
        self.yardstick, self.moving, self.others = yardstick, moving, others
        self.zones, self.venue = yardstick.zones, yardstick.zones.venue
        areas = covered_areas(self.venue, moving)
        self.own = self.zones.rows_in(areas)
        tiers = fill_tiers(self.venue)
        place = next(at for at, tier in enumerate(tiers) if moving[0] in tier)
        later = covered_areas(self.venue, list(chain.from_iterable(tiers[place + 1 :])))
        self.not_later = ~self.zones.rows_in(later)
        self.known = superpose(self.zones.paths, settings, sounding=others)
        self.without = rows_with(yardstick, settings, others, self.known)

    @property
    def released(self) -> BoolArray:
        """Rows of its own that the mains do not serve: there words may come before the image.

        In a shadow of the mains and short, far below the profile, or below the speech goal.
        """
        alone, goal = self.yardstick.alone, self.venue.goals.sti
        shadowed = np.isin(self.zones.row_area, hidden_areas(self.venue))
        hidden = shadowed & (alone.shortfall_db > SHORT_DB)
        unclear = alone.index < (-np.inf if goal is None else goal)
        far = alone.shortfall_db > LEFT_ALONE_DB
        return np.asarray(self.own & (hidden | far | unclear))

    def highest_db(self, settings: Settings) -> FloatArray:
        """Highest trim of each output of the tier within its boxes' maximum, (t,)."""
        return np.array([
            np.floor(headroom_db(self.venue, name, settings[name].shelf_db)
                     / TRIM_STEP_DB + 1e-9) * TRIM_STEP_DB
            for name in self.moving
        ])

    def bounded_seats(self, output: str, released: BoolArray) -> BoolArray:
        """Which of the seats that an output covers have the image as a bound."""
        rows = np.repeat(released[np.argsort(self.zones.order)], self.zones.seats_a_row)
        covered = covered_seats(self.venue, self.zones.paths.seats, [output])
        return np.asarray(~rows[covered])

    def judge(
        self,
        candidates: Sequence[Settings],
        image_share: FloatArray,
        as_set: Settings | None = None,
        every: int = 1,
    ) -> Judged:
        """Judge complete candidates: k settings that differ in what the tier has.

        `image_share` (t, k) of the covered seats keep the image with them. What only trims
        change is weighed in the field of the settings `as_set`, if they are given. The speech
        index is worked out for one in `every` and interpolated between.
        """
        zones, yardstick = self.zones, self.yardstick
        runs = self._runs(candidates) if as_set is None else [candidates]
        index = np.concatenate([self._index(run, as_set or run[len(run) // 2], every)
                                for run in runs])
        check = yardstick.check(*self._row_powers(candidates, as_set), index)
        worse = np.maximum(check.missing - self.without.missing, 0.0)[:, ~self.own]
        behind = zones.row_x_m >= yardstick.reference.x_m - 1e-9
        floor = np.maximum(self.without.total_dba, yardstick.reference.meter_dba)
        return Judged(
            dialled_db=np.array([[one[name].trim_db for one in candidates]
                                 for name in self.moving]),
            check=check,
            elsewhere=worse.sum(axis=1) / self.own.sum(),
            overshoot_db=(check.total_dba - floor)[:, behind].max(axis=1, initial=-np.inf),
            harm=self._harm(index),
            image_share=image_share,
            maximum_db=self.highest_db(candidates[0]),
        )

    def _row_powers(
        self, candidates: Sequence[Settings], as_set: Settings | None
    ) -> tuple[FloatArray, FloatArray]:
        """Heard power (k, r, 3) by `WEIGHTS` and A-weighted total (k, r) with each candidate.

        Those with the same delays share a field.
        """
        mean, fields = self.zones.row_mean, {}
        heard, total = [], []
        for one in candidates:
            delays = tuple(one[name].delay_ms for name in self.moving)
            if delays not in fields:
                fields[delays] = _slim(superpose(
                    self.zones.paths, as_set or one, sounding=[*self.others, *self.moving],
                    known=self.known))
            field = fields[delays]
            gains = one.gains(field.outputs)
            heard.append(mean(field.heard(gains)))
            total.append(mean(field.total(gains)[:, 0]))
        return np.array(heard), np.array(total)

    def _runs(self, candidates: Sequence[Settings]) -> Iterator[Sequence[Settings]]:
        """Part candidates into runs whose delays lie within 1 ms.

        That turns the fastest modulation of speech, 12.5 Hz, by less than a twentieth of a
        radian from the middle one: they can be swept together.
        """
        delays = np.array([[one[name].delay_ms for name in self.moving] for one in candidates])
        start = 0
        for end in range(1, len(candidates) + 1):
            if end == len(candidates) or np.abs(delays[end] - delays[start]).max() > _ALIKE_MS:
                yield candidates[start:end]
                start = end

    def _index(
        self, candidates: Sequence[Settings], timed: Settings, every: int
    ) -> FloatArray:
        """Speech index (k, r) of the rows, interpolated between some candidates."""
        speech = speech_at(self.zones.paths, timed, sounding=[*self.others, *self.moving])
        places = np.arange(len(candidates))
        nodes = np.unique(np.append(places[::every], places[-1]))
        gains = np.array([candidates[place].gains(speech.outputs) for place in nodes])
        index = self.zones.row_mean(speech.index(gains).T)
        return np.array([np.interp(places, nodes, row) for row in index]).T

    def _harm(self, index: FloatArray) -> FloatArray:
        """Speech index that nine in ten rows of others lose at most against mains or goal, (k,)."""
        goals = self.venue.goals
        goal = _SPEECH_WITHOUT_GOAL[self.venue.programme] if goals.sti is None else goals.sti
        others = ~self.own
        if not others.any():
            return np.zeros(len(index))
        lost = np.minimum(self.yardstick.alone.index, goal) - index
        return np.asarray(np.quantile(lost[:, others], SHARE_OF_ROWS, axis=1))

    def choose(self, judged: Judged) -> int | None:
        """Return the place of the trim to take: the softest that serves, else the least missing.

        Among those within all bounds (None where none is).
        """
        inside, serves = judged.inside(), self.serves(judged)
        if not inside.any():
            return None
        if serves.any():
            return int(np.flatnonzero(serves)[0])
        missing = judged.check.rows(self.own).missing.mean(axis=1)
        worth = self.worth_it(missing, judged.elsewhere)
        # Neither the clearest nor a softer equal may talk a tier off that is worth hanging.
        equals = []
        for among in (self._clearest(judged, inside), inside):
            cost = np.where(among, missing + judged.elsewhere, np.inf)
            equals.append(cost <= cost.min() + EQUAL_STEPS)
        best = next((equal & worth for equal in equals if (equal & worth).any()), equals[0])
        return int(np.flatnonzero(best)[0])

    def serves(self, judged: Judged) -> BoolArray:
        """Which trims serve nine in ten of its rows within all bounds, and cost others nothing."""
        share = judged.check.rows(self.own).served.mean(axis=1)
        enough = (share >= SHARE_OF_ROWS) & (judged.elsewhere <= EQUAL_STEPS)
        return np.asarray(judged.inside() & enough)

    def _clearest(self, judged: Judged, inside: BoolArray) -> BoolArray:
        """Keep the clearest where none meets the speech goal: words are speech, not level."""
        goal = self.venue.goals.sti
        if goal is None:
            return inside
        clear = (judged.check.index[:, self.own] >= goal).mean(axis=1) >= SHARE_OF_ROWS
        if (inside & clear).any():
            return inside
        lack = np.maximum(goal - judged.check.index, 0.0)[:, self.not_later] / JUST_NOTICEABLE
        short = np.where(inside, lack.mean(axis=1), np.inf)
        return np.asarray(short <= short.min() + _EQUAL_SPEECH_STEPS)

    def worth_it(self, missing: ArrayLike, elsewhere: ArrayLike) -> BoolArray:
        """Whether a trim mends enough to switch the tier on, by what its rows would still lack."""
        before = self.without.rows(self.own).missing
        lacking = max(int((before > 0.0).sum()), 1)
        won = (before.mean() - np.asarray(missing) - np.asarray(elsewhere)) * before.size
        return np.asarray(won >= WORTH_STEPS * lacking)


def _slim(field: Field) -> Field:
    """Return a field weighted by `WEIGHTS` over its bands."""
    return replace(
        field, own=field.own @ WEIGHTS, early=field.early @ WEIGHTS, late=field.late @ WEIGHTS,
        cross={pair: power @ WEIGHTS for pair, power in field.cross.items()},
    )


def trim_curves(
    yardstick: Yardstick, settings: Settings, together: list[str], others: list[str]
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
    others : list of str
        What sounds besides them, mains included.

    Returns
    -------
    dict of str to TrimCurve
        By output: they share all but the image and the headroom of their boxes.
    """
    venue, zones = yardstick.zones.venue, yardstick.zones
    tier = Tier(yardstick, settings, together, others)
    trims = trim_grid_db(max(headroom_db(venue, name) for name in together))
    shares = np.array([_image_share(zones, settings, name, trims) for name in together])
    candidates = [settings.replaced(*together, trim_db=float(trim)) for trim in trims]
    judged = tier.judge(candidates, shares, settings, _SPEECH_STEPS)
    own = judged.check.rows(tier.own)
    ahead = ~tier.own & (zones.row_x_m < zones.row_x_m[tier.own].min())
    back = int(np.flatnonzero(tier.own)[zones.row_x_m[tier.own].argmax()])
    share = own.served.mean(axis=1)
    within = judged.within()
    shared: dict[str, Any] = {
        "trim_db": trims,
        "served_share": share,
        "missing": own.missing.mean(axis=1),
        "missing_without": float(tier.without.missing[tier.own].mean()),
        "elsewhere": judged.elsewhere,
        "overshoot_db": judged.overshoot_db,
        "harm": judged.harm,
        "back_dba": yardstick.profile_dba[back] - judged.check.shortfall_db[:, back],
        "speech_covered": own.index.mean(axis=1),
        "speech_ahead": (judged.check.index[:, ahead].mean(axis=1) if ahead.any()
                         else np.full(trims.size, np.nan)),
        "speech_without": float(tier.without.index[tier.own].mean()),
        "needed_db": _first(trims, share >= SHARE_OF_ROWS),
    }
    every_bound = {bound: _last(trims, within[bound]) for bound in (Bound.OVERSHOOT, Bound.HARM)}
    return {
        name: TrimCurve(
            precedence_share=judged.image_share[number],
            bounds={
                Bound.MAXIMUM: float(judged.maximum_db[number]),
                Bound.PRECEDENCE: _last(trims, judged.image_share[number] >= SHARE_OF_ROWS),
                **every_bound,
            },
            **shared,
        )
        for number, name in enumerate(together)
    }


def _image_share(zones: Zones, settings: Settings, output: str, trims: FloatArray) -> FloatArray:
    """Share of the covered seats that keep the image, by trim, the delay as set, (k,)."""
    basis, own = delay_basis(zones, settings, output), settings[output]
    everywhere = np.ones(basis.over_mains_db.size, dtype=bool)
    return basis.image_share(zones.paths.air, own.delay_ms, trims - own.trim_db, everywhere)


def _first(trims: FloatArray, good: BoolArray) -> float | None:
    return float(trims[np.flatnonzero(good)[0]]) if good.any() else None


def _last(trims: FloatArray, good: BoolArray) -> float:
    """Last trim before the first bad one, at least the lowest there is."""
    bad = np.flatnonzero(~good)
    return float(trims[max(int(bad[0]) - 1, 0) if bad.size else -1])
