"""Where to hang a fill, and what would mend an area: found by planning with each, then ranked.

Nothing is told here that was not tried: every figure is that of the plan made with it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, product
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from fillalign._text import quoted
from fillalign._validate import as_air, as_number, check_type
from fillalign.air import Air
from fillalign.field import Settings
from fillalign.planning.decide import decided
from fillalign.planning.need import Yardstick, gain_before_feedback_db, rows_with
from fillalign.planning.result import FillPlan
from fillalign.planning.seats import check_seats
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import asked_of, fill_tiers, main_outputs, sounding_of
from fillalign.venue import Area, DelayRule, Source, Venue, as_venue

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[int, int], object]
Change = Callable[[], Venue]
WON_STEPS = 0.1
WALL_M = 1.0
HEAD_M = 2.5


@dataclass(frozen=True)
class _Outcome:
    """What the rows of one area get from a plan, and the rest of the venue."""

    settings: Settings
    served_share: float
    missing: float
    elsewhere: float
    speech_index: float
    spread_db: float
    won_db: float
    image_lost: int


def _outcome(yardstick: Yardstick, settings: Settings, area: str) -> _Outcome:
    zones = yardstick.zones
    fills = sounding_of(settings, [*chain.from_iterable(fill_tiers(zones.venue))])
    sounding = [*main_outputs(zones.venue), *fills]
    check = rows_with(yardstick, settings, sounding)
    own = zones.rows_in([area])
    level = yardstick.profile_dba - check.shortfall_db
    return _Outcome(
        settings=settings,
        served_share=float((check.missing[own] <= 0.0).mean()),
        missing=float(check.missing[own].mean()),
        elsewhere=float(check.missing[~own].mean()) if (~own).any() else 0.0,
        speech_index=float(check.index[own].mean()),
        spread_db=float(np.ptp(level)),
        won_db=gain_before_feedback_db(yardstick, check, settings, sounding),
        image_lost=check_seats(zones, settings, fills)[0].image_lost,
    )


def _tried(make: Change, air: Air | None, area: str) -> _Outcome | None:
    """Plan a changed venue and look at one area; None where no plan or no venue is to be had.

    A box may leave the room, and a delay its device.
    """
    try:
        return _outcome(*decided(make(), air), area)
    except ValueError:
        return None


# Cures ------------------------------------------------------------------------------------


def find_cures(
    plan: FillPlan, *, seconds: float = 15.0, progress: Progress | None = None
) -> tuple[Finding, ...]:
    """Try what might mend the areas that a plan leaves short, and tell what each would give.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    seconds : float
        How long to go on trying, 0.1 to 600 s; what has not been tried by then is not told.
    progress : callable, optional
        Called with the number of tries done and of all.

    Returns
    -------
    tuple of Finding
        For each area that is short, best first: what was changed, what its rows would
        lack then and lack now; or that nothing tried mends it, and what is to blame.

    Raises
    ------
    TypeError, ValueError
        If the plan is none, or `seconds` is out of range.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> from fillalign.planning import find_cures
    >>> find_cures(plan_fills(read_demo_venue("lantern_room")))
    ()
    """
    check_type("plan", plan, FillPlan)
    until = time.monotonic() + as_number("seconds", seconds, "s", low=0.1, high=600.0)
    short = [need.area for need in plan.needs_after if need.needed]
    tries = [(area, words, changed) for area in short
             for words, changed in _changes(plan, area)]
    found: list[tuple[str, str, _Outcome]] = []
    done = 0
    for area, words, changed in tries:
        if time.monotonic() > until:
            break
        outcome = _tried(changed, plan.air, area)
        done += 1
        if outcome is not None:
            found.append((area, words, outcome))
        if progress is not None:
            progress(done, len(tries))
    return tuple(finding for area in short for finding in _told(plan, area, found))


def _told(
    plan: FillPlan, area: str, found: list[tuple[str, str, _Outcome]]
) -> Iterator[Finding]:
    need = next(need for need in plan.needs_after if need.area == area)
    others = [one.missing_steps for one in plan.needs_after if one.area != area]
    mine = [(words, out) for where, words, out in found if where == area]
    better = [(words, out) for words, out in mine
              if need.missing_steps - out.missing >= WON_STEPS
              and out.elsewhere <= float(np.mean(others or [0.0])) + WON_STEPS]
    for words, out in sorted(better, key=lambda one: one[1].missing):
        yield Kind.CURE(
            area, what=words, missing=out.missing, before=need.missing_steps,
            served_pct=100 * out.served_share, served_before_pct=100 * need.served_share,
            lost=out.image_lost, lost_before=plan.checks.image_lost)
    if mine and not better:
        yield Kind.NO_CURE(area, tried=tuple(words for words, _ in mine),
                           blame=_blame(plan, area, need.missing_steps))
    if mine:
        yield Kind.TRY_PLACES(area)


def _blame(plan: FillPlan, area: str, before: float) -> str:
    """Say what keeps an area short, by planning with half the decay and with boxes 12 dB up."""
    venue = plan.venue
    states = {name: replace(state, rt60_s={octave: max(time_s / 2, 0.05)
                                           for octave, time_s in state.rt60_s.items()})
              for name, state in venue.states.items()}
    tries = {"the room": lambda: replace(venue, states=states),
             "the level": lambda: _stronger(venue, _outputs_of(venue, area), 12.0)}
    won = {}
    for word, make in tries.items():
        outcome = _tried(make, plan.air, area)
        won[word] = 0.0 if outcome is None else before - outcome.missing
    most = max(won, key=lambda word: won[word])
    return most if won[most] >= WON_STEPS else "the place of its boxes"


def _outputs_of(venue: Venue, area: str) -> list[str]:
    found = (source.output for source in venue.of_role("fill") if area in source.covers)
    return list(dict.fromkeys(found))


def _changes(plan: FillPlan, area: str) -> Iterator[tuple[str, Change]]:
    """Yield what may be changed for one area, in words, and what makes the venue with it."""
    venue, goals = plan.venue, plan.venue.goals
    outputs = _outputs_of(venue, area)
    late = max((fill.hold_back_ms for fill in plan.fills if fill.output in outputs), default=0.0)
    if late > 0.0:
        held = float(np.ceil(10 * (venue.hold_back_ms + late)) / 10)
        yield f"a hold-back of {held:g} ms", partial(replace, venue, hold_back_ms=held)
    if outputs:
        margin = max(asked_of(venue, name).image_margin_ms for name in outputs)
        for rule in get_args(DelayRule):
            if any(asked_of(venue, name).delay_rule != rule for name in outputs):
                yield (f"the delay by the rule {rule}",
                       partial(_with_outputs, venue, outputs, delay_rule=rule))
        # Tried as it is told, to a tenth.
        for later in (round(margin + 3.0, 1), round(margin + 6.0, 1)):
            yield (f"an image margin of {later:g} ms",
                   partial(_with_outputs, venue, outputs, image_margin_ms=later))
        yield ("words before the image",
               partial(_with_outputs, venue, outputs, priority="words"))
        yield "boxes that give 6 dB more", partial(_stronger, venue, outputs, 6.0)
        for step in (-4.0, -2.0, 2.0):
            word = "nearer to the stage" if step < 0 else "deeper"
            yield (f"its boxes {abs(step):g} m {word}",
                   partial(_moved, venue, outputs, step, 0.0))
        for step in (-3.0, 3.0):
            word = "nearer" if step < 0 else "farther"
            yield (f"its boxes aimed {abs(step):g} m {word}",
                   partial(_moved, venue, outputs, 0.0, step))
    own = venue.area(area).allowed_fall_db
    for more in (2.0, 4.0):
        fall = round((goals.allowed_fall_db if own is None else own) + more, 1)
        yield (f"an allowed fall of {fall:g} dB (a softer goal)",
               partial(_allowed, venue, area, fall))


def _allowed(venue: Venue, area: str, fall_db: float) -> Venue:
    if venue.area(area).allowed_fall_db is None:
        return venue.with_goals(allowed_fall_db=fall_db)
    return venue.with_area(area, allowed_fall_db=fall_db)


def _with_outputs(venue: Venue, names: Iterable[str], **changes: Any) -> Venue:
    outputs = {name: replace(own, **changes) if name in set(names) else own
               for name, own in venue.outputs.items()}
    return replace(venue, outputs=outputs)


def _stronger(venue: Venue, outputs: Iterable[str], by_db: float) -> Venue:
    """Return the venue with boxes of a higher maximum on some outputs, on no others."""
    names, boxes = set(outputs), dict(venue.loudspeakers)

    def other(source: Source) -> Source:
        if source.output not in names:
            return source
        box = venue.loudspeakers[source.loudspeaker]
        name = f"{box.name} {by_db:+g} dB"
        boxes[name] = replace(box, name=name, maximum_dba=box.maximum_dba + by_db)
        return replace(source, loudspeaker=name)

    sources = tuple(map(other, venue.sources))
    used = {source.loudspeaker for source in sources}
    return replace(venue, sources=sources,
                   loudspeakers={name: box for name, box in boxes.items() if name in used})


def _moved(venue: Venue, outputs: Iterable[str], by_m: float, aim_m: float) -> Venue:
    """Return the venue with the boxes of some outputs moved along x, and aimed elsewhere."""

    def moved(source: Source) -> Source:
        if source.output not in set(outputs):
            return source
        (x, y, z), (u, v, w) = source.position_m, source.aim_m
        return replace(source, position_m=(x + by_m, y, z), aim_m=(u + by_m + aim_m, v, w))

    return replace(venue, sources=tuple(map(moved, venue.sources)))


# Places -----------------------------------------------------------------------------------


def propose_places(
    venue: Venue,
    area: str,
    *,
    air: Air | None = None,
    from_m: float | None = None,
    to_m: float | None = None,
    height_m: float | None = None,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Say where to hang the fills of one area, by planning with each place.

    Parameters
    ----------
    venue : Venue
        The venue.
    area : str
        The area to serve. The fills that cover it are hung elsewhere, the same distance
        from the middle; where none does, a pair like the venue's other fills is added.
    air : Air, optional
        The air to plan for; by default that of the occupied state.
    from_m, to_m : float, optional
        Least and greatest x of the boxes in m; by default `hang_from_m` and `hang_to_m` of
        the area, or from 14 m ahead of it to its first rows, 1 m from the walls.
    height_m : float, optional
        Height of the boxes in m, at least 2.5; by default both `hang_heights_m` of the area,
        or that of the fills there, above heads and below the ceiling.
    progress : callable, optional
        Called with the number of places tried and of all.

    Returns
    -------
    pandas.DataFrame
        Best first, one row a place: `x_m`, `y_m`, `z_m` and `aim_x_m` of the first of the
        `boxes` hung, `served_share` of the area's rows and `missing_steps` they lack (just
        noticeable steps), `elsewhere_steps` that other rows lack, mean `speech_index`,
        `spread_db` from front to back, `gain_before_feedback_db` won, `delay_ms`, `trim_db`,
        whether the boxes hang there `now`, the `area`, and `toml`: the lines for the venue
        file. The sheet shows it: ``write_sheet(plan, folder, places=table)``.

    Raises
    ------
    KeyError, TypeError, ValueError
        If there is no such area, no fill to take for a model, or no place in the range.

    Notes
    -----
    A place is a calculation, not a rigging point: only qualified riggers say what may hang
    where, under local codes.

    Examples
    --------
    >>> from fillalign import read_demo_venue
    >>> from fillalign.planning import propose_places
    >>> places = propose_places(read_demo_venue("lantern_room"), "back", from_m=5.0, to_m=6.0)
    >>> list(places.columns)[:3]
    ['x_m', 'y_m', 'z_m']
    """
    import pandas as pd

    own = as_venue(venue).area(area)
    air = None if air is None else as_air(air)
    hung = list(_hung(venue, own, from_m, to_m, height_m))
    rows = []
    for done, one in enumerate(hung, 1):
        outcome = _tried(partial(replace, one), air, area)
        if outcome is not None:
            rows.append(_row(one, outcome, area, now=one is venue))
        if progress is not None:
            progress(done, len(hung))
    if not rows:
        raise ValueError(f"no place for {quoted(area)} gives a plan: the delays are beyond what "
                         "the devices allow")
    table = pd.DataFrame(rows)
    order = table.assign(cost=table["missing_steps"] + table["elsewhere_steps"])
    return table.loc[order.sort_values(["cost", "spread_db"]).index].reset_index(drop=True)


def _hung(
    venue: Venue, area: Area, from_m: float | None, to_m: float | None, height_m: float | None
) -> Iterator[Venue]:
    """Yield the venue as it is, if a fill covers the area, and with its fills at every place."""
    model = _model(venue, area.name)
    depths, heights = _depths(venue, area, from_m, to_m), _heights(venue, area, model, height_m)
    if area.name in {name for source in venue.of_role("fill") for name in source.covers}:
        yield venue
    deep = area.x_to_m - area.x_from_m
    for x, share, z in product(depths, (0.35, 0.7), heights):
        yield _moved_to(venue, model, x, z, max(area.x_from_m + share * deep, x + 2.0))


def _model(venue: Venue, area: str) -> tuple[Source, ...]:
    """Return the fills that are to be hung: those of the area, or a pair like the others."""
    mine = tuple(source for source in venue.of_role("fill") if area in source.covers)
    if mine:
        return mine
    others = [source for source in venue.of_role("fill") if source.kind != "front"]
    if not others:
        raise ValueError(f"the venue has no fill to take as a model for {quoted(area)}: add one to "
                         "the file, anywhere")
    first = others[0]
    side = max(abs(first.position_m[1]), 1.0)
    return tuple(
        replace(first, name=f"{area} fill {word}", output=f"{area} fills", covers=(area,),
                position_m=(first.position_m[0], y, first.position_m[2]))
        for word, y in (("left", side), ("right", -side))
    )


def _depths(venue: Venue, area: Area, from_m: float | None, to_m: float | None) -> list[float]:
    """Return the x at which to hang boxes: as told, else as the file has it, else inside."""
    walls = (-np.inf, np.inf) if venue.room is None else (venue.room.x_from_m, venue.room.x_to_m)
    ends = []
    for name, told, own, usual in (
        ("from_m", from_m, area.hang_from_m, max(area.x_from_m - 14.0, walls[0] + WALL_M, 1.0)),
        ("to_m", to_m, area.hang_to_m, min(area.x_from_m + 2.0, walls[1] - WALL_M)),
    ):
        limit = usual if own is None else own
        ends.append(limit if told is None else as_number(name, told, "m"))
    low, high = ends
    if low > high:
        raise ValueError(f"from_m to to_m must leave a place, got {low:g} to {high:g} m")
    count = max(2, round((high - low) / 2.0) + 1)
    return [float(x) for x in np.unique(np.linspace(low, high, count).round(1))]


def _heights(
    venue: Venue, area: Area, model: tuple[Source, ...], height_m: float | None
) -> list[float]:
    ceiling = np.inf if venue.room is None else venue.room.height_m
    if height_m is not None:
        return [as_number("height_m", height_m, "m", low=HEAD_M, high=min(ceiling, 60.0))]
    if area.hang_heights_m is not None:
        return sorted({*area.hang_heights_m})
    usual = min(model[0].position_m[2], ceiling - 0.3)
    return [float(max(usual, max(area.floor_m, 0.0) + HEAD_M))]


def _moved_to(
    venue: Venue, model: tuple[Source, ...], x: float, z: float, aim_x: float
) -> Venue:
    """Return the venue with the model's boxes at one place."""
    names = {source.name for source in model}

    def there(source: Source) -> Source:
        y, ear = source.position_m[1], source.aim_m[2]
        return replace(source, position_m=(x, y, z), aim_m=(aim_x, 0.8 * y, ear))

    kept = tuple(source for source in venue.sources if source.name not in names)
    like = venue.outputs[next(source.output for source in venue.of_role("fill"))]
    free = {source.output: replace(
        venue.outputs.get(source.output)
        or replace(like, name=source.output, set_in="to be chosen", feed="mono"), locked={})
        for source in model}
    return replace(venue, sources=(*kept, *map(there, model)), outputs={**venue.outputs, **free})


def _row(venue: Venue, outcome: _Outcome, area: str, *, now: bool) -> dict[str, Any]:
    boxes = [source for source in venue.of_role("fill") if area in source.covers]
    first = boxes[0]
    dialled = outcome.settings[first.output]
    lines = [f'# {source.name}\nposition_m = {_point(source.position_m)}\naim_m = '
             f"{_point(source.aim_m)}" for source in boxes]
    return {
        "x_m": first.position_m[0],
        "y_m": abs(first.position_m[1]),
        "z_m": first.position_m[2],
        "aim_x_m": first.aim_m[0],
        "boxes": len(boxes),
        "served_share": outcome.served_share,
        "missing_steps": outcome.missing,
        "elsewhere_steps": outcome.elsewhere,
        "speech_index": outcome.speech_index,
        "spread_db": outcome.spread_db,
        "gain_before_feedback_db": outcome.won_db,
        "delay_ms": dialled.delay_ms,
        "trim_db": dialled.trim_db,
        "now": now,
        "area": area,
        "toml": "\n".join(lines),
    }


def _point(point: tuple[float, float, float]) -> str:
    return f"[{', '.join(f'{value:.2f}' for value in point)}]"

