"""What there is to say of a plan, from its numbers: findings, which are worded elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from fillalign._validate import FloatArray
from fillalign.field import JUST_NOTICEABLE, BoolArray
from fillalign.planning.delay import FULL_WEIGHT_DB
from fillalign.planning.need import SHARE_OF_ROWS, SHORT_DB, WORTH_STEPS, AreaNeed, Cause
from fillalign.planning.trim import EQUAL_STEPS, Bound, TrimCurve
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import (
    READING_DOUBTED_DB,
    main_outputs,
    of_areas,
    reading_gaps_db,
    reference_rows,
)
from fillalign.precedence import ECHO_LIMITS
from fillalign.venue import Venue, headroom_db

if TYPE_CHECKING:
    from fillalign.planning.decide import Prospect
    from fillalign.planning.result import FillPlan, FillReport
    from fillalign.planning.seats import Walk

_SHOWN_DB = 0.05
_SHOWN_INDEX = 0.005


def plan_findings(plan: FillPlan, deciding: int) -> tuple[Finding, ...]:
    """Collect what there is to say of the whole; `deciding` seats decided."""
    return (*_summary(plan), *_unmet(plan), *_cautions(plan), *_assumptions(plan, deciding))


def fill_findings(
    plan: FillPlan, fill: FillReport, limit: Prospect | None, equalising: tuple[Finding, ...]
) -> tuple[Finding, ...]:
    """Collect what there is to say of one fill of a plan.

    `limit` is what keeps it from serving its rows, `equalising` stands between its trim
    and what is unmet.
    """
    return (*_delay_findings(plan, fill), *_uncertainty(plan.venue, fill),
            *_trim_findings(plan, fill, limit), *equalising, *_fill_unmet(plan, fill))


# Fills ------------------------------------------------------------------------------------


def _delay_findings(plan: FillPlan, fill: FillReport) -> Iterator[Finding]:
    """Say where the delay comes from, and what cold air would do to it."""
    name, answers, delay_ms = fill.output, fill.answers, plan.settings[fill.output].delay_ms
    device, answer = plan.venue.outputs[name], answers.of_rule(fill.delay_rule)
    yield Kind.DELAY(
        name, delay_ms=delay_ms, rule=fill.delay_rule, answer_ms=answer,
        margin_ms=delay_ms - answer, asked_ms=fill.image_margin_ms, **asdict(answers))
    near = np.abs(fill.basis.over_mains_db) <= FULL_WEIGHT_DB
    if fill.sounding and fill.delay_rule == "equal-level" and np.count_nonzero(near) > 1:
        gap = delay_ms - fill.basis.wanted_ms(plan.air)[near]
        yield Kind.EQUAL_SEATS(name, within_db=FULL_WEIGHT_DB, seats=gap.size,
                               least_ms=float(gap.min()), most_ms=float(gap.max()))
    if answer + fill.image_margin_ms > device.delay_max_ms:
        yield Kind.DEVICE_TOO_SHORT(name, most_ms=device.delay_max_ms)
    if fill.early_ms > 0.05:
        yield Kind.EARLY(name, early_ms=fill.early_ms)
    if fill.early_cold_ms > max(fill.early_ms, 0.0) + 0.1:
        yield Kind.EARLY_WHEN_COLD(name, coldest_c=fill.coldest_c, early_ms=fill.early_cold_ms)
    beyond = answers.box_to_box_ms - answers.equal_level_ms
    kinds = {source.kind for source in plan.venue.sources if source.output == name}
    if fill.delay_rule == "box-to-box" and kinds == {"front"} and beyond > 0.05:
        yield Kind.BOX_TO_BOX_IN_FRONT(name, beyond_ms=beyond)
    if "delay_ms" in device.locked:
        yield Kind.DELAY_LOCKED(name)
    if fill.mirror is not None:
        yield (Kind.MIRRORED if fill.shares_delay else Kind.PARTED)(name, other=fill.mirror)


def _uncertainty(venue: Venue, fill: FillReport) -> Iterator[Finding]:
    """Say how sure the delay is, and on what guesses that rests."""
    name, unsure = fill.output, fill.uncertainty
    yield Kind.UNCERTAIN(
        name, total_ms=unsure.total_ms, largest=unsure.largest,
        parts=tuple(Kind.UNCERTAIN_PART(cause, part_ms=part)
                    for cause, part in unsure.by_cause_ms.items()))
    guessed = [key for key in venue.states["show"].assumed
               if key in ("temperature_c", "humidity_pct", "wind_m_s")]
    guessed += [f"latency_ms of {one}" for one in (*main_outputs(venue), name)
                if "latency_ms" in venue.outputs[one].assumed]
    if guessed:
        yield Kind.UNCERTAIN_IF(name, assumed=tuple(guessed))


def _trim_findings(plan: FillPlan, fill: FillReport, limit: Prospect | None) -> Iterator[Finding]:
    """Say why the output sounds or stays off, and what decided its trim."""
    name, curve, trim_db = fill.output, fill.trim, plan.settings[fill.output].trim_db
    locked = "trim_db" in plan.venue.outputs[name].locked
    yield from (_need_finding(plan.venue, need, beside=True) for need in fill.needs)
    if curve is None:
        yield Kind.OFF_NOT_NEEDED(name)
        return
    if not fill.sounding:
        yield Kind.OFF_LOCKED(name) if locked else _off_finding(name, curve, limit)
        return
    if locked:
        yield Kind.TRIM_LOCKED(name, trim_db=trim_db)
    share = {"trim_db": trim_db, "served_pct": 100 * fill.served_share}
    softer = curve.served_share[max(curve.at(trim_db) - 1, 0)] >= SHARE_OF_ROWS
    if fill.served_share < SHARE_OF_ROWS:
        yield _short_finding(trim_db, fill, curve, None if limit is None else limit.bound)
    elif softer and curve.needed_db is not None:
        yield Kind.TRIM_SOFTER(name, **share, needed_db=curve.needed_db)
    else:
        yield Kind.TRIM_ENOUGH(name, **share)
    yield Kind.TRIM_BOUNDS(name, bounds=tuple(Kind.TRIM_BOUND_AT(bound=bound, most_db=most)
                                              for bound, most in curve.bounds.items()))
    image = curve.bounds[Bound.PRECEDENCE]
    if trim_db > image:
        yield Kind.WORDS_FIRST(name, trim_db=trim_db, image_db=image)


def _short_finding(
    trim_db: float, fill: FillReport, curve: TrimCurve, bound: Bound | str | None
) -> Finding:
    """Say why a fill that sounds leaves rows short: a bound, other rows, or that no trim serves."""
    told = {"trim_db": trim_db, "bound": bound, "without": curve.missing_without,
            "missing": fill.missing_steps}
    if bound is not None:
        return Kind.TRIM_BOUND(fill.output, **told)
    # A bound that is broken as set was given up, and keeps nothing back.
    most = min((most for most in curve.bounds.values() if most >= trim_db), default=trim_db)
    louder = np.flatnonzero((curve.trim_db > trim_db) & (curve.trim_db <= most))
    serves = louder[curve.served_share[louder] >= SHARE_OF_ROWS]
    mends = louder[curve.missing[louder] < fill.missing_steps - EQUAL_STEPS]
    if not serves.size and not mends.size:
        return Kind.TRIM_LEAST(fill.output, **told)
    best = int(serves[0] if serves.size else mends[curve.missing[mends].argmin()])
    elsewhere = float(curve.elsewhere[curve.at(trim_db)])
    worse = curve.missing[best] + curve.elsewhere[best] - fill.missing_steps - elsewhere
    return Kind.TRIM_COST(
        fill.output, **told, elsewhere=elsewhere, louder_db=float(curve.trim_db[best]),
        louder=float(curve.missing[best]), louder_elsewhere=float(curve.elsewhere[best]),
        served_pct=100 * float(curve.served_share[best]),
        verdict="the same to the ear" if abs(worse) <= EQUAL_STEPS
                else "worse" if worse > 0 else "better")


def _off_finding(name: str, curve: TrimCurve, limit: Prospect | None) -> Finding:
    """Say why a needed fill is off, with what its best trim would do."""
    best, bound = (None, None) if limit is None else (limit.best, limit.bound)
    without = curve.missing_without
    if limit is None or best is None or best.settings[name].trim_db <= curve.trim_db[0]:
        if best is None or bound is not None:
            return Kind.OFF_BARRED(name, bound=bound or "every bound")
        trim_db, missing, elsewhere = (
            float(values[curve.cheapest()])
            for values in (curve.trim_db, curve.missing, curve.elsewhere))
        if without - missing - elsewhere < 0.01:
            return Kind.OFF_USELESS(name, without=without)
        return Kind.OFF_NOT_WORTH(name, without=without, trim_db=trim_db, missing=missing,
                                  elsewhere=elsewhere)
    kind = (Kind.OFF_WOULD_HELP if limit.worth_it
            else Kind.OFF_NOT_WORTH if bound is None else Kind.OFF_BOUND)
    own = best.settings[name]
    return kind(name, bound=bound, without=without, trim_db=own.trim_db, delay_ms=own.delay_ms,
                missing=best.missing, elsewhere=best.elsewhere)


def _fill_unmet(plan: FillPlan, fill: FillReport) -> Iterator[Finding]:
    """Name what keeps a fill from its delay or its level, and what would mend it."""
    own = plan.settings[fill.output]
    over = own.trim_db - headroom_db(plan.venue, fill.output, own.shelf_db)
    if over > _SHOWN_DB:
        yield Kind.OVER_MAXIMUM(fill.output, over_db=over)
    asked = fill.sounding or any(need.needed for need in fill.needs)
    if asked and fill.hold_back_ms > 0.005:
        yield Kind.LATE(fill.output, late_ms=fill.hold_back_ms)


# Areas ------------------------------------------------------------------------------------


def _need_finding(
    venue: Venue, need: AreaNeed, kind: Kind = Kind.NEEDED, *, beside: bool = False
) -> Finding:
    """Say what an area lacks, or how near it is to needing a fill and why it does not.

    `beside` all else that sounds, where that is not the mains alone.
    """
    goals, short = venue.goals, need.short_rows
    told = {"beside": ", with all else that sounds" if beside else ""}
    if need.needed:
        return kind(need.area, **told, served_pct=100 * need.served_share,
                    what=_what_for(venue, need), from_x_m=round(need.from_x_m or 0.0, 1),
                    causes=_causes(venue, need))
    if short:
        few = need.served_share >= SHARE_OF_ROWS
        return (Kind.NOT_NEEDED_FEW if few else Kind.NOT_NEEDED_FAINT)(
            need.area, **told, rows=need.rows, served=need.rows - short,
            short="1 is" if short == 1 else f"{short} are",
            causes=_causes(venue, need, rows=True), lacking=need.lacking_steps, worth=WORTH_STEPS)
    clear = Kind.CLEAR(need.area, index=need.speech_index, goal=goals.sti)
    return Kind.NOT_NEEDED(
        need.area, **told, limit_db=SHORT_DB, speech=() if goals.sti is None else (clear,),
        away_db=abs(need.shortfall_db), side="below" if need.shortfall_db > 0 else "above",
        highs_limit_db=goals.highs_loss_db, loss_db=max(need.highs_loss_db, 0.0))


def _what_for(venue: Venue, need: AreaNeed) -> str:
    """Name the fill that an area asks for by the kind of those that are to cover it."""
    kinds = {source.kind for source in venue.of_role("fill") if need.area in source.covers}
    if len(kinds) == 1:
        kind = kinds.pop()
        return kind if kind == "tower" else f"{kind} fill"
    return "front fill" if need.ahead and not kinds else "fill"


def _causes(venue: Venue, need: AreaNeed, *, rows: bool = False) -> tuple[Finding, ...]:
    """Say what exceeds its limit in an area; `rows` leaves out what is told of seats."""
    area, goals = need.area, venue.goals
    told = {
        Cause.LEVEL: Kind.LEVEL(area, short_db=need.shortfall_db),
        Cause.TONE: Kind.TONE(area, loss_db=need.highs_loss_db, limit_db=goals.highs_loss_db),
        Cause.SPEECH: Kind.SPEECH(area, index=need.speech_index, goal=goals.sti),
    }
    if not rows:
        told[Cause.COVERAGE] = Kind.COVERAGE(area, share_pct=100 * need.outside_share)
        told[Cause.SHADOW] = Kind.SHADOW(area)
    return tuple(told[cause] for cause in need.causes if cause in told)


def _cost_finding(venue: Venue, before: AreaNeed, after: AreaNeed) -> Finding:
    """Say what the fills take from an area that the mains alone serve."""
    told = {Cause.LEVEL: (Kind.COST_LEVEL, "shortfall_db", SHORT_DB),
            Cause.TONE: (Kind.COST_TONE, "highs_loss_db", venue.goals.highs_loss_db),
            Cause.SPEECH: (Kind.COST_SPEECH, "speech_index", venue.goals.sti)}
    return Kind.COSTS(after.area, from_x_m=round(after.from_x_m or 0.0, 1), costs=tuple(
        kind(after.area, before=getattr(before, field), after=getattr(after, field), limit=limit)
        for kind, field, limit in (told[cause] for cause in after.causes if cause in told)))


# The whole --------------------------------------------------------------------------------


def _summary(plan: FillPlan) -> Iterator[Finding]:
    """Open the plan: need, what sounds, and what is won."""
    walk, goal = plan.walk, plan.venue.goals.back_dba
    yield from (_need_finding(plan.venue, need) for need in plan.needs)
    used = tuple(fill.output for fill in plan.fills if fill.sounding)
    spread = {f"{when}_db": walk.spread_db(when) for when in ("before", "after")}
    if not used:
        yield from (Kind.NOTHING_SOUNDS(), Kind.SPREAD_ALONE(**spread))
        return
    yield from (Kind.SOUNDING(outputs=used), Kind.SPREAD(**spread))
    yield from (Kind.NEARLY(need.area, served_pct=100 * need.served_share,
                            lacking=need.lacking_steps, worth=WORTH_STEPS)
                for need in plan.nearly_met)
    yield (Kind.RELIEF if plan.back_gain_db >= _SHOWN_DB else Kind.RELIEF_NONE)(
        lift_db=plan.back_gain_db, relief_db=plan.front_relief_db,
        won_db=plan.gain_before_feedback_db)
    back = int(walk.x_m.argmax())
    yield Kind.BACK_SPEECH(**_row(plan, back), **_speech(walk, back))
    yield from _speech_findings(plan)
    if goal is not None:
        yield Kind.BACK_GOAL(goal_dba=goal, without_db=float(goal - walk.before_dba[back]),
                             with_db=float(goal - walk.after_dba[back]))


def _row(plan: FillPlan, row: int) -> dict[str, Any]:
    x_m, area = plan.walk.x_m, plan.walk.area
    return {"x_m": float(x_m[row]),
            "of": of_areas(plan.venue, x_m, area, np.arange(x_m.size) == row)}


def _speech(walk: Walk, row: int) -> dict[str, float]:
    return {"before": float(walk.speech_before[row]), "after": float(walk.speech_after[row])}


def _speech_findings(plan: FillPlan) -> Iterator[Finding]:
    """Harm to speech, and why a goal that is out of reach is out of reach."""
    venue, walk, goal = plan.venue, plan.walk, plan.venue.goals.sti
    loss = walk.speech_before - walk.speech_after
    worst = int(loss.argmax())
    if loss[worst] > JUST_NOTICEABLE and (venue.programme == "speech" or goal is not None):
        yield Kind.HARM(**_row(plan, worst), **_speech(walk, worst), loss=float(loss[worst]),
                        step=JUST_NOTICEABLE)
    if goal is None:
        return
    low = int(walk.speech_after.argmin())
    gain = float(walk.speech_louder[low] - walk.speech_after[low])
    decay = venue.states["show"].rt60_s
    if abs(gain) < JUST_NOTICEABLE:
        kind = Kind.DECAY_LIMITS if decay else Kind.LEVEL_IS_NO_LIMIT
    else:
        kind = Kind.NOISE_LIMITS if gain > 0 else Kind.MASKING_LIMITS
    yield kind(**_row(plan, low), index=float(walk.speech_after[low]), goal=goal, gain=gain,
               change=_index_step(gain), rt60_s=decay.get(1000))


def _index_step(change: float) -> str:
    """Return a change of a speech index; what rounds away is nothing."""
    return f"{change:+.2f}" if abs(change) >= _SHOWN_INDEX else "nothing"


def _unmet(plan: FillPlan) -> Iterator[Finding]:
    """Name every target of the whole that the plan does not meet."""
    venue, goals = plan.venue, plan.venue.goals
    covered = {area for fill in plan.fills if fill.sounding for area in fill.areas}
    for before, need in zip(plan.needs, plan.needs_after, strict=True):
        if need.needed and not before.needed:
            yield _cost_finding(venue, before, need)
        elif need.needed:
            kind = Kind.SHORT if need.area in covered else Kind.NOT_COVERED
            yield _need_finding(venue, need, kind)
    yield from _image_findings(plan)
    yield from _echo_findings(plan)
    if goals.reference_dba is not None:
        yield from _main_findings(plan, goals.reference_dba)
    level = float(plan.walk.after_dba[plan.walk.x_m.argmax()])
    if goals.back_dba is not None and goals.back_dba - level > 0.5:
        yield Kind.BACK_SHORT(level_dba=level, goal_dba=goals.back_dba,
                              short_db=goals.back_dba - level)


def _main_findings(plan: FillPlan, goal_dba: float) -> Iterator[Finding]:
    """Mains away from their goal at the reference, and boxes that stop before the others."""
    venue, meter = plan.venue, plan.reference.meter_dba
    if abs(goal_dba - meter) > 0.5:
        kind = Kind.MAINS_SHORT if goal_dba > meter else Kind.MAINS_LOUD
        yield kind(meter_dba=meter, goal_dba=goal_dba, short_db=goal_dba - meter)
    free = {name: plan.settings[name].trim_db for name in main_outputs(venue)
            if "trim_db" not in venue.outputs[name].locked}
    highest = max(free.values(), default=0.0)
    yield from (Kind.MAIN_AT_MAXIMUM(name, behind_db=highest - trim) for name, trim in free.items()
                if highest > trim >= headroom_db(venue, name) - 1e-9)


def _worst(plan: FillPlan, among: BoolArray, over: FloatArray) -> tuple[int, dict[str, Any]]:
    """Return which of some seats is worst, and where it is."""
    at, checks = int(np.where(among, over, -np.inf).argmax()), plan.checks
    x, y, _ = checks.point_m[at].tolist()
    return at, {"x_m": x, "y_m": y, "area": plan.venue.areas[int(checks.area[at])].name}


def _image_findings(plan: FillPlan) -> Iterator[Finding]:
    """Seats that lose the image at the stage, by fill, with the margin that would mend them."""
    checks, over, names = plan.checks, plan.checks.level_difference_db, list(plan.venue.outputs)
    for number in np.unique(checks.fill).tolist():
        here = checks.fill == number
        broken = here & ~checks.keeps_image
        if broken.any():
            at, place = _worst(plan, broken, over - checks.limit_db)
            yield Kind.IMAGE_LOST(
                names[number], broken=int(broken.sum()), heard=int(here.sum()), **place,
                gap_ms=float(checks.gap_ms[at]), over_db=float(over[at]),
                limit_db=float(checks.limit_db[at]))


def _echo_findings(plan: FillPlan) -> Iterator[Finding]:
    checks, limit = plan.checks, ECHO_LIMITS[plan.venue.programme][1]
    broken = checks.echo > limit
    if broken.any():
        at, place = _worst(plan, broken, checks.echo)
        yield Kind.ECHO(seats=np.unique(checks.seat[broken]).size, limit=limit,
                        worst=float(checks.echo[at]), **place)


def _cautions(plan: FillPlan) -> Iterator[Finding]:
    """State the usual cautions, and the hearing caution where the prediction calls for it."""
    yield from (one for one in _readings(plan.venue, Kind.READING_FAR)
                if abs(one.values["shift_db"]) > READING_DOUBTED_DB)
    loud, limit = plan.loudest_dba, plan.venue.goals.hearing_dba
    if loud > limit:
        yield Kind.HEARING_LOUD(level_dba=loud, limit_dba=limit)
    yield from (Kind.RIGGING(), Kind.MAINS_POWER(), Kind.LASER())
    if not plan.venue.indoors or any(source.kind == "tower" for source in plan.venue.sources):
        yield Kind.TOWERS()
    if loud <= limit:
        yield Kind.HEARING(level_dba=loud)


def _readings(venue: Venue, kind: Kind) -> Iterator[Finding]:
    """Each reading: its output, and what it moves the model by."""
    for reading, gap in zip(venue.measured, reading_gaps_db(venue), strict=True):
        x, y, z = reading.at_m
        yield kind(reading.output, state=reading.state, shift_db=gap, x_m=x, y_m=y, z_m=z)


def _assumptions(plan: FillPlan, deciding: int) -> Iterator[Finding]:
    """Name what the plan rests on, and every default that the venue file left to us."""
    venue = plan.venue
    yield from map(Finding, (Kind.TRIM_ZERO, Kind.LENGTHS, Kind.SHELF_SLOPE, Kind.ESTIMATES,
                             Kind.SUBS, *([Kind.ROOM_MODEL] if venue.indoors else [])))
    yield from _readings(venue, Kind.READING)
    yield Kind.NEED_RULE(served_pct=100 * SHARE_OF_ROWS, worth=WORTH_STEPS, short_db=SHORT_DB,
                         index=JUST_NOTICEABLE)
    x = plan.walk.x_m[reference_rows(venue, plan.walk.x_m)]
    named = venue.goals.reference_rows_m is not None
    yield Kind.REFERENCE(
        rows="1 row" if x.size == 1 else f"{x.size} rows",
        from_x_m=float(x.min()), to_x_m=float(x.max()),
        how="" if named else ", around the mains' aim, since the file names none")
    if not venue.goals.noise_db:
        yield Kind.NO_NOISE()
    yield from (Kind.ASSUMED(f"{type(one).__name__} {one.name}", keys=one.assumed)
                for several in (venue.states, venue.loudspeakers, venue.outputs)
                for one in several.values() if one.assumed)
    every = int(sum(np.prod(area.counts) for area in venue.areas))
    yield (Kind.EVERY_SEAT() if deciding == every
           else Kind.SHARE_OF_SEATS(deciding=deciding, seats=every))
    wind = ["[state.show] wind known to half of it"] * bool(venue.states["show"].wind_m_s)
    yield from (Kind.DEFAULT(text=line) for line in (*venue.defaults_used, *wind))
