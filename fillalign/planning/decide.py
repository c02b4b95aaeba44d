"""Which fills sound, and how each is set: the decisions.

A candidate is complete before it is judged: trim, the delay that its rule gives at
that trim and with those filters, low cut and shelf. What is judged best is printed;
nothing is changed after.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import chain

import numpy as np

from fillalign._validate import FloatArray
from fillalign.air import Air
from fillalign.field import BoolArray, IntArray, Settings
from fillalign.planning.delay import (
    DelayBasis,
    delay_bases,
    planned_delay_ms,
    wanted_delays_ms,
)
from fillalign.planning.equalise import choose_low_cut, choose_shelf
from fillalign.planning.need import (
    SHARE_OF_ROWS,
    WORTH_STEPS,
    RowCheck,
    Yardstick,
    is_needed,
    make_yardstick,
    rows_with,
)
from fillalign.planning.trim import (
    BEYOND_DB,
    EQUAL_STEPS,
    LOWEST_TRIM_DB,
    OFF_DB,
    Bound,
    Judged,
    Tier,
    trim_grid_db,
)
from fillalign.planning.zones import (
    TRIM_STEP_DB,
    Zones,
    asked_of,
    fill_tiers,
    main_outputs,
    make_zones,
    parted,
    sounding_of,
)
from fillalign.venue import Venue, check_dialled, headroom_db

STRIDE = 6
_LOUDER_DB = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 24.0, 32.0, 36.0, 40.0, 44.0, 48.0)
ROUNDS = 12


def decided(venue: Venue, air: Air | None) -> tuple[Yardstick, Settings]:
    """Decide how every output is set, and by what that was judged."""
    yardstick, settings = _mains_set(make_zones(venue, air))
    # A trim not locked is only a start, and may lie beyond a weak box.
    check_dialled(venue, {name: own for name, own in settings.items()
                          if venue.outputs[name].locked})
    tiers, mains = fill_tiers(venue), main_outputs(venue)
    heard: dict[int, tuple[object, ...]] = {}
    passed: list[Settings] = []
    while len(passed) < ROUNDS:
        sounding = list(mains)
        for place, tier in enumerate(tiers):
            others = sounding
            if passed:
                fills = list(chain.from_iterable(tiers[:place] + tiers[place + 1 :]))
                others = [*mains, *sounding_of(settings, fills)]
            context = tuple((name, settings[name]) for name in others)
            if heard.get(place) != context:
                settings = _decide(yardstick, settings, tier, others)
                heard[place] = context
            sounding = sounding + sounding_of(settings, tier)
        if settings in passed:
            break
        passed.append(settings)
    circle = passed[passed.index(settings) :]
    return yardstick, min(circle, key=partial(_lacking, yardstick))


def _lacking(yardstick: Yardstick, settings: Settings) -> float:
    """Return what all rows lack on average, in just noticeable steps."""
    sounding = sounding_of(settings, list(settings))
    return float(rows_with(yardstick, settings, sounding).missing.mean())


def _locked(venue: Venue, settings: Settings, outputs: list[str]) -> Settings:
    """Put the values that the file locks back."""
    for name in outputs:
        settings = settings.replaced(name, **venue.outputs[name].locked)
    return settings


def _mains_set(zones: Zones) -> tuple[Yardstick, Settings]:
    """Trim the mains for the goal at the reference, if there is one, and freeze the yardstick."""
    venue, mains = zones.venue, main_outputs(zones.venue)
    fills = list(chain.from_iterable(fill_tiers(venue)))
    start = Settings(venue).replaced(*fills, trim_db=OFF_DB)
    settings = _locked(venue, start, list(venue.outputs))
    yardstick = make_yardstick(zones, settings)
    goal = venue.goals.reference_dba
    if goal is None:
        return yardstick, settings
    step = np.round((goal - yardstick.reference.meter_dba) / TRIM_STEP_DB) * TRIM_STEP_DB
    for name in mains:
        settings = settings.replaced(name, trim_db=min(float(step), headroom_db(venue, name)))
    settings = _locked(venue, settings, mains)
    return make_yardstick(zones, settings), settings


@dataclass(frozen=True)
class Candidate:
    """Complete settings of a tier, and how every row stands with them."""

    settings: Settings
    check: RowCheck
    missing: float
    elsewhere: float

    @property
    def cost(self) -> float:
        """What its rows lack and others lose, in just noticeable steps a row."""
        return self.missing + self.elsewhere


def _decide(
    yardstick: Yardstick, settings: Settings, tier: list[str], others: list[str]
) -> Settings:
    """Plan one tier of fills with some others sounding."""
    zones, venue = yardstick.zones, yardstick.zones.venue
    held, free = parted(venue, tier)
    before = settings
    settings = _switched_off(zones, _timed(zones, settings, held), free)
    there = [*others, *sounding_of(settings, held)]
    for _ in range(ROUNDS if held else 0):
        # Filters move the level, and with it the seats by which a delay is timed.
        filtered = _filtered(yardstick, settings, sounding_of(settings, held), others)
        settings, last = _timed(zones, filtered, held), settings
        if settings == last:
            break
    if not free:
        return settings
    case = Tier(yardstick, settings, free, there)
    if not is_needed(case.without.rows(case.own)):
        return settings
    best = _best(case, before if sounding_of(before, free) == free else settings)
    if best is None or not case.worth_it(best.missing, best.elsewhere):
        return settings
    return best.settings


@dataclass(frozen=True)
class Prospect:
    """What keeps the fills of a tier that move from doing more.

    `bound` is what the softest louder trim that would do better breaks (None: louder does
    no better). For fills that are off that is louder than `best`, the best candidate within
    the bounds (None: there is none); `worth_it` tells whether that one mends enough.
    """

    bound: Bound | str | None
    best: Candidate | None = None
    worth_it: bool = False


def prospect(
    yardstick: Yardstick, settings: Settings, moving: list[str], others: list[str]
) -> Prospect:
    """Try what fills of one tier could do beyond what is set: each delay by its rule."""
    case = Tier(yardstick, settings, moving, others)
    try:
        if sounding_of(settings, moving):
            return Prospect(_broken_by_more(case, settings))
        best = _best(case, settings)
        now = settings.replaced(*moving, trim_db=LOWEST_TRIM_DB) if best is None else best.settings
        good = best is not None and bool(case.worth_it(best.missing, best.elsewhere))
        return Prospect(_broken_by_more(case, now), best, good)
    except ValueError:
        return Prospect("the longest delay of its device")


def _broken_by_more(case: Tier, settings: Settings) -> Bound | None:
    """Return the bound that keeps a tier from the softest louder trim that does better."""
    zones, now = case.zones, np.array([[settings[name].trim_db] for name in case.moving])
    beyond = float((case.highest_db(settings) - now[:, 0]).max()) + BEYOND_DB
    more = np.array([0.0, *(step for step in _LOUDER_DB if step < beyond), max(beyond, 0.5)])
    trims = dict(zip(case.moving, now + more, strict=True))
    bases = delay_bases(zones, settings, case.moving)
    released = case.own & (asked_of(case.venue, case.moving[0]).priority == "words")
    delays, kept = _timed_for(case, settings, bases, trims, released)
    tried = _dialled(case, settings, *(np.array([of[name] for name in case.moving])
                                       for of in (trims, delays)))
    judged = case.judge(tried, np.array([kept[name] for name in case.moving]))
    cost = judged.check.missing[:, case.own].mean(axis=1) + judged.elsewhere
    better = np.flatnonzero(cost < cost[0] - EQUAL_STEPS)
    if not better.size:
        return None
    # What is broken as set was given up, and keeps nothing back.
    broken = {bound: int(np.argmin(good)) for bound, good in judged.within().items()
              if good[0] and not good[better[0]]}
    return min(broken, key=lambda bound: broken[bound], default=None)


def _best(case: Tier, settings: Settings) -> Candidate | None:
    """Return the best complete candidate; where the mains do not serve, words before image."""
    kept = _settled(case, settings, np.zeros_like(case.own))
    priority = asked_of(case.venue, case.moving[0]).priority
    released = case.own if priority == "words" else case.released
    if priority == "image" or not released.any():
        return kept
    # The image is given away only for what can be heard.
    worth = WORTH_STEPS if priority == "words" else 1.0
    if kept is not None and kept.check.missing[released].max() < worth:
        return kept
    freed = _settled(case, settings if kept is None else kept.settings, released)
    if freed is None or kept is None:
        return freed or kept
    won = (kept.check.missing - freed.check.missing)[released].max()
    return freed if won >= worth else kept


def _settled(case: Tier, settings: Settings, released: BoolArray) -> Candidate | None:
    """Go round trim and filters until nothing changes; of a circle take its best member."""
    seen: list[tuple[Settings, Candidate]] = []
    if not sounding_of(settings, case.moving):
        settings = settings.replaced(*case.moving, trim_db=0.0)
    for _ in range(ROUNDS):
        found = _trimmed(case, settings, released)
        if found is None:
            break
        seen.append((settings, found))
        again = _filtered(case.yardstick, found.settings, case.moving, case.others)
        if _filters(again, case) == _filters(settings, case):
            return found
        if any(_filters(again, case) == _filters(one, case) for one, _ in seen):
            break
        settings = again
    return min((one for _, one in seen), key=lambda one: one.cost, default=None)


def _filters(settings: Settings, case: Tier) -> list[tuple[object, ...]]:
    """Return what a round may change of a tier's filters."""
    return [(own.low_cut_hz, own.low_cut_order, own.low_cut_kind, own.shelf_db, own.shelf_hz)
            for own in (settings[name] for name in case.moving)]


def _trimmed(case: Tier, settings: Settings, released: BoolArray) -> Candidate | None:
    """Choose a trim under the filters as set, each candidate with the delay it asks for.

    Every 3 dB first, then every 0.5 dB about the best of those.
    """
    trims, delays, kept = _ladder(case, settings, released)
    _, first = np.unique(trims, axis=1, return_index=True)
    places = np.sort(first)

    def judged_at(some: IntArray) -> tuple[list[Settings], Judged, int | None]:
        complete = _dialled(case, settings, trims[:, some], delays[:, some])
        judged = case.judge(complete, kept[:, some])
        return complete, judged, case.choose(judged)

    coarse = np.unique(np.append(places[::STRIDE], places[-1]))
    _, judged, best = judged_at(coarse)
    if best is None:
        return None
    at = int(np.searchsorted(places, coarse[best]))
    # Where it serves, none that is louder is the softest to serve.
    above = 0 if case.serves(judged)[best] else STRIDE // 2
    complete, judged, best = judged_at(places[max(at - STRIDE + 1, 0) : at + above + 1])
    return None if best is None else _candidate(case, complete[best], judged, best)


def _dialled(
    case: Tier, settings: Settings, trims: FloatArray, delays: FloatArray
) -> list[Settings]:
    """Complete settings for trims (t, k) and delays (t, k) of a tier's outputs."""
    complete = [settings] * trims.shape[1]
    for name, own_trims, own_delays in zip(case.moving, trims, delays, strict=True):
        complete = [one.replaced(name, trim_db=float(trim), delay_ms=float(delay))
                    for one, trim, delay in zip(complete, own_trims, own_delays, strict=True)]
    return complete


def _ladder(
    case: Tier, settings: Settings, released: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Every trim of a tier, with the delays and the shares that keep the image, (t, k) each.

    Each output stops at its maximum, and at the last trim with which, at the delay
    that follows, nine seats in ten keep the image.
    """
    bases, highest = delay_bases(case.zones, settings, case.moving), case.highest_db(settings)
    trims = trim_grid_db(float(highest.max()), beyond_db=0.0)
    alike = dict.fromkeys(case.moving, trims)
    _, kept = _timed_for(case, settings, bases, alike, released)
    stopped = {}
    for name, most in zip(case.moving, highest, strict=True):
        good = np.flatnonzero((kept[name] >= SHARE_OF_ROWS) & (trims <= most + 1e-9))
        stopped[name] = np.minimum(trims, trims[good[-1] if good.size else 0])
    # Where one of a pair stops before the other, the delay that they share changes.
    delays, kept = _timed_for(case, settings, bases, stopped, released)
    trims, times, shares = (np.array([of[name] for name in case.moving])
                            for of in (stopped, delays, kept))
    return trims, times, shares


def _timed_for(
    case: Tier,
    settings: Settings,
    bases: Mapping[str, DelayBasis],
    trims: Mapping[str, FloatArray],
    released: BoolArray,
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Delays (k,) for trims of a tier's outputs, and shares that keep the image with both."""
    louder = {name: own - settings[name].trim_db for name, own in trims.items()}
    wanted = wanted_delays_ms(case.zones, bases, louder)
    delays, kept = {}, {}
    for name, own in louder.items():
        delays[name] = (np.full(own.shape, settings[name].delay_ms)
                        if "delay_ms" in case.venue.outputs[name].locked
                        else planned_delay_ms(case.venue, name,
                                              np.broadcast_to(wanted[name], own.shape)))
        kept[name] = bases[name].image_share(case.zones.paths.air, delays[name], own,
                                             case.bounded_seats(name, released))
    return delays, kept


def _candidate(case: Tier, settings: Settings, judged: Judged, place: int) -> Candidate:
    check = RowCheck(*(getattr(judged.check, name)[place]
                       for name in RowCheck.__dataclass_fields__))
    return Candidate(
        settings=settings,
        check=check,
        missing=float(check.missing[case.own].mean()),
        elsewhere=float(judged.elsewhere[place]),
    )


def _timed(zones: Zones, settings: Settings, outputs: list[str]) -> Settings:
    """Set the delay of some fills by their rules, unless the file locks it."""
    venue = zones.venue
    wanted = wanted_delays_ms(zones, delay_bases(zones, settings, outputs))
    for name in outputs:
        if "delay_ms" not in venue.outputs[name].locked:
            delay = float(planned_delay_ms(venue, name, wanted[name]))
            settings = settings.replaced(name, delay_ms=delay)
    return settings


def _filtered(
    yardstick: Yardstick, settings: Settings, tier: list[str], others: list[str]
) -> Settings:
    """Set low cut and shelf of a tier, with what sounds besides it."""
    zones, venue = yardstick.zones, yardstick.zones.venue
    if not tier:
        return settings
    flat = settings.replaced(*tier, shelf_db=0.0)
    cut = choose_low_cut(zones, flat, tier, others)
    flat = flat.replaced(*tier, low_cut_hz=None)
    if cut is not None:
        flat = flat.replaced(*tier, low_cut_hz=cut.corner_hz, low_cut_order=cut.order,
                             low_cut_kind=cut.kind)
    flat = _locked(venue, flat, tier)
    gain, corner = choose_shelf(yardstick, flat, tier, others)
    return _locked(venue, flat.replaced(*tier, shelf_db=gain, shelf_hz=corner), tier)


def _switched_off(zones: Zones, settings: Settings, outputs: list[str]) -> Settings:
    """Switch outputs off, with the delay that they would take if their device has it."""
    venue = zones.venue
    for name in outputs:
        settings = settings.replaced(
            name, trim_db=OFF_DB, low_cut_hz=None, shelf_db=0.0,
            delay_ms=min(settings[name].delay_ms, venue.outputs[name].delay_max_ms),
        )
        settings = _locked(venue, settings, [name])
        with suppress(ValueError):
            settings = _timed(zones, settings, [name])
    return settings
