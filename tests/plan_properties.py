"""What must be true of the plan of any venue, each as a function that lists what is not.

They read a plan as its user does: its settings, walk, seats and sentences. What they
compare with is worked out here, or by evaluating other settings; how the planner
decides is not asked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from fillalign import FillPlan, OutputSettings, Venue, evaluate, plan_fills
from fillalign.planning import Kind, find_cures
from fillalign.planning.need import make_yardstick, rows_with
from fillalign.planning.zones import make_zones
from fillalign.sheet import setup_sheet_csv, setup_sheet_text
from tests.plan_venues import mirrored

OFF_DB = float("-inf")
GOAL_IF_NONE = {"speech": 0.60, "music": 0.50}
SPARE = 1.2
"""How much more than worth its while a fill must be before its silence counts as a fault."""


def rows_of(plan: FillPlan, names: tuple[str, ...]) -> np.ndarray:
    """Which rows of the walk lie in the named areas."""
    numbers = [at for at, area in enumerate(plan.venue.areas) if area.name in names]
    return np.isin(plan.walk.area, numbers)


def lacking(plan: FillPlan, names: tuple[str, ...]) -> tuple[float, float]:
    """Level in dB and speech index that the rows of some areas lack on average."""
    walk, rows = plan.walk, rows_of(plan, names)
    level = np.maximum(walk.profile_dba - 1.0 - walk.heard_after_dba, 0.0)[rows].mean()
    goal = plan.venue.goals.sti
    speech = 0.0 if goal is None else np.maximum(goal - walk.speech_after, 0.0)[rows].mean()
    return float(level), float(speech)


def missing(plan: FillPlan, names: tuple[str, ...]) -> tuple[float, float]:
    """Return what the rows of some areas lack, and what those of the others do, in steps."""
    counts = np.bincount(plan.walk.area, minlength=len(plan.venue.areas))
    lack = np.array([need.missing_steps for need in plan.needs_after]) * counts
    own = np.array([area.name in names for area in plan.venue.areas])
    return float(lack[own].sum()), float(lack[~own].sum())


def row_lacks(plan: FillPlan) -> np.ndarray:
    """Return what each row lacks, in steps."""
    yardstick = make_yardstick(make_zones(plan.venue, plan.air), plan.settings)
    sounding = [name for name in plan.settings if plan.settings.sounds(name)]
    return rows_with(yardstick, plan.settings, sounding).missing


def won_and_asked(without: FillPlan, tried: FillPlan, names: tuple[str, ...],
                  ) -> tuple[float, float]:
    """Return the steps that fills win for the rows of their areas, and what is worth it.

    What a row elsewhere loses counts; what it gains does not.
    """
    before, own = row_lacks(without), rows_of(without, names)
    won = before - row_lacks(tried)
    short = [need for need in without.needs_after if need.area in names]
    lacking_rows = max(sum(1 - need.served_share for need in short) * own.sum() / len(short), 1.0)
    return (float(won[own].sum() + np.minimum(won[~own], 0.0).sum()),
            float(SPARE * 0.25 * lacking_rows + 0.1))


def with_trims(venue: Venue, settings: dict[str, OutputSettings], trims: dict[str, float],
               ) -> FillPlan:
    """Evaluate settings with other trims, each delay by its rule at the trim that is set."""
    settings = {**settings, **{name: replace(settings[name], trim_db=trim)
                               for name, trim in trims.items()}}
    for _ in range(3):
        plan = evaluate(venue, settings)
        timed = dict(settings)
        for name in trims:
            if "delay_ms" in venue.outputs[name].locked or trims[name] == OFF_DB:
                continue
            step, own = venue.outputs[name].delay_step_ms, settings[name].delay_ms
            wanted = own - plan.fill(name).rounding_ms
            timed[name] = replace(settings[name],
                                  delay_ms=max(np.ceil(wanted / step - 1e-6), 0.0) * step)
        if timed == settings:
            break
        settings = timed
    return plan


def keeps_bounds(plan: FillPlan, without: FillPlan, tier: list[str], *,
                 image: bool | np.ndarray) -> bool:
    """Whether a tier keeps harm, overshoot, the level of its boxes, and the image where asked."""
    venue, walk = plan.venue, plan.walk
    own = rows_of(plan, plan.fill(tier[0]).areas)
    goal = GOAL_IF_NONE[venue.programme] if venue.goals.sti is None else venue.goals.sti
    lost = np.minimum(walk.speech_before, goal) - walk.speech_after
    if (~own).any() and np.quantile(lost[~own], 0.9) > 0.03:
        return False
    behind = walk.x_m >= plan.reference.x_m
    floor = np.maximum(without.walk.after_dba, plan.reference.meter_dba)
    if (walk.after_dba - floor)[behind].max(initial=-np.inf) > 2.0:
        return False
    for name in tier:
        if plan.figures()[f"{name}: headroom_db"] < -1e-6:
            return False
        mine = plan.checks.covered & (plan.checks.fill == list(venue.outputs).index(name)) & image
        if mine.any() and plan.checks.keeps_image[mine].mean() < 0.9:
            return False
    return True


def served_alone(plan: FillPlan, output: str) -> np.ndarray:
    """Which checks lie in rows that the mains serve, so that words do not come before the image.

    Elsewhere a row is in their shadow and short, far below the profile, or below the goal.
    """
    venue, walk, checks = plan.venue, plan.walk, plan.checks
    if first_priority(venue, output) != "auto":
        return np.full(checks.seat.size, first_priority(venue, output) == "image")
    short = walk.profile_dba - walk.heard_before_dba
    hidden = np.array(["mains" in area.shadowed_from for area in venue.areas])[walk.area]
    served = ~((hidden & (short > 1.0)) | (short > 6.0))
    if venue.goals.sti is not None:
        served &= walk.speech_before >= venue.goals.sti
    same = (checks.area[:, None] == walk.area) & np.isclose(checks.point_m[:, :1], walk.x_m)
    return (same & served).any(axis=1)


def tiers_of(plan: FillPlan) -> list[list[str]]:
    """Return fills that cover the same areas from about the same depth."""
    tiers: list[list[str]] = []
    depth = {name: np.mean([source.position_m[0] for source in plan.venue.sources
                            if source.output == name]) for name in plan.settings}
    for fill in sorted(plan.fills, key=lambda one: depth[one.output]):
        for tier in tiers:
            first = plan.fill(tier[0])
            if first.areas == fill.areas and depth[fill.output] - depth[tier[0]] <= 2.0:
                tier.append(fill.output)
                break
        else:
            tiers.append([fill.output])
    return tiers


# Properties -------------------------------------------------------------------------------


def delay_is_rule_and_margin(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that a delay is rule plus margin within a step at the printed settings."""
    for fill in plan.fills:
        own, device = plan.settings[fill.output], venue.outputs[fill.output]
        if not fill.sounding or "delay_ms" in device.locked:
            continue
        answer = fill.answers.of_rule(fill.delay_rule)
        other = answer if fill.mirror is None else plan.fill(fill.mirror).answers.of_rule(
            fill.delay_rule)
        wanted = max(answer, other) if abs(answer - other) <= 1.0 else answer
        over = own.delay_ms - max(wanted + fill.image_margin_ms, 0.0)
        if not -1e-6 <= over < device.delay_step_ms - 1e-9 + 1e-6:
            yield f"{fill.output}: {own.delay_ms:.3f} ms is {over:+.3f} ms off rule and margin"


def no_seat_gets_the_fill_first(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that no audible seat that counts gets the fill first where that is promised."""
    checks = plan.checks
    for fill in plan.fills:
        own = venue.outputs[fill.output]
        if not fill.sounding or "delay_ms" in own.locked or not plan.settings[fill.output].delay_ms:
            continue
        here = checks.covered & (checks.fill == list(venue.outputs).index(fill.output))
        heard = here & (checks.level_difference_db >= -10.0)
        if fill.delay_rule == "equal-level":
            early = fill.early_ms
            told = any(one.kind is Kind.EARLY for one in fill.findings)
            if (early > 0.05) != told:
                yield f"{fill.output}: {early:.2f} ms early, said: {told}"
            continue
        still = not venue.states["show"].wind_m_s
        if fill.delay_rule == "box-to-box" and not still:
            continue
        least = float(checks.gap_ms[heard].min(initial=np.inf))
        if least < fill.image_margin_ms - 1e-6:
            yield f"{fill.output}: {fill.delay_rule} leaves a gap of {least:.2f} ms"


def needed_fills_that_help_play(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that a needed fill that can help within its bounds plays."""
    for tier in tiers_of(plan):
        first = plan.fill(tier[0])
        if any(plan.settings.sounds(name) or "trim_db" in venue.outputs[name].locked
               for name in tier) or not any(need.needed for need in first.needs):
            continue
        headroom = min(plan.figures()[f"{name}: headroom_db"]
                       if np.isfinite(plan.figures()[f"{name}: headroom_db"]) else
                       _headroom(venue, name) for name in tier)
        for trim in np.arange(np.floor(headroom * 2) / 2, -25.0, -3.0):
            tried = with_trims(venue, dict(plan.settings), dict.fromkeys(tier, float(trim)))
            won, asked = won_and_asked(plan, tried, first.areas)
            image = first_priority(venue, tier[0]) != "words"
            if won > asked and keeps_bounds(tried, plan, tier, image=image):
                yield f"{tier}: off, though {trim:+.1f} dB mends {won:.2f} steps, {asked:.2f} asked"
                break


def _headroom(venue: Venue, output: str) -> float:
    boxes = [venue.loudspeakers[source.loudspeaker] for source in venue.sources
             if source.output == output]
    return min(box.maximum_dba - (box.level_dba or box.maximum_dba) for box in boxes)


def first_priority(venue: Venue, output: str) -> str:
    """Return what comes first for a fill: its own word, its area's, or the venue's."""
    covers = {name for source in venue.sources if source.output == output for name in source.covers}
    own = [area.priority for area in venue.areas if area.name in covers and area.priority]
    return venue.outputs[output].priority or (own or [venue.goals.priority])[0]


def harder(venue: Venue, how: str) -> Venue:
    """Return a venue made harder: a deeper shadow, its last area farther, a longer decay."""
    last = venue.areas[-1]
    if how == "shadow":
        loss = {octave: last.shadow_loss_db.get(octave, 0.0) + 4.0
                for octave in (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)}
        return venue.with_area(last.name, shadowed_from=("mains",), shadow_loss_db=loss)
    if how == "distance":
        room = venue.room
        larger = room and replace(room, x_to_m=room.x_to_m + 4.0)
        return replace(venue, room=larger).with_area(
            last.name, x_from_m=last.x_from_m + 4.0, x_to_m=last.x_to_m + 4.0)
    states = {name: replace(state, rt60_s={octave: 1.3 * s for octave, s in state.rt60_s.items()})
              for name, state in venue.states.items()}
    return replace(venue, states=states)


def harder_is_no_worse(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that a harder venue's plan is no worse than the milder one's settings within bounds."""
    ways = ("shadow", "distance", "decay") if venue.indoors else ("shadow", "distance")
    for how in ways:
        yield from _compared(harder(venue, how), plan, how)


def _compared(venue: Venue, milder: FillPlan, how: str) -> Iterator[str]:
    try:
        planned = plan_fills(venue)
    except ValueError:
        return
    # A trim that the file holds is no decision: a fill with one is filtered for the harder venue.
    trims = {fill.output: milder.settings[fill.output].trim_db for fill in milder.fills
             if "trim_db" not in venue.outputs[fill.output].locked}
    mains = {name: own for name, own in planned.settings.items() if name not in trims}
    old = with_trims(venue, {**milder.settings, **mains}, trims)
    for tier in tiers_of(old):
        on = [name for name in tier if old.settings.sounds(name)]
        if not on:
            continue
        without = evaluate(venue, {**old.settings, **{
            name: replace(old.settings[name], trim_db=OFF_DB) for name in on}})
        given_up = any(one.kind is Kind.WORDS_FIRST for one in planned.fill(on[0]).findings)
        if not keeps_bounds(old, without, on, image=served_alone(old, on[0]) if given_up else True):
            return
    served = tuple({name for fill in old.fills for name in fill.areas})
    if not served:
        return
    (level, speech), (was_level, was_speech) = lacking(planned, served), lacking(old, served)
    steps, was = missing(planned, served), missing(old, served)
    if sum(steps) <= sum(was) + 1e-9:
        return
    silent = [name for name in trims if old.settings.sounds(name)
              and not planned.settings.sounds(name)]
    if silent:
        # A fill that would not be worth it stays off: what it lacks is then no fault.
        won, asked = won_and_asked(planned, old, served)
        if won <= asked:
            return
    if level > was_level + 0.5 or speech > was_speech + 0.01:
        yield (f"{how}: {level:.2f} dB and {speech:.3f} short, with the milder settings "
               f"{was_level:.2f} and {was_speech:.3f}")


def own_area_is_no_worse(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that adding a fill never makes its own area worse by more than 0.3 dB or 0.02."""
    for tier in tiers_of(plan):
        on = [name for name in tier if plan.settings.sounds(name)
              and "trim_db" not in venue.outputs[name].locked]
        if not on:
            continue
        without = evaluate(venue, {**plan.settings, **{
            name: replace(plan.settings[name], trim_db=OFF_DB) for name in on}})
        areas = plan.fill(on[0]).areas
        (level, speech), (was_level, was_speech) = lacking(plan, areas), lacking(without, areas)
        if level > was_level + 0.3 or speech > was_speech + 0.02:
            yield (f"{on}: {level:.2f} dB and {speech:.3f} short, without {was_level:.2f} and "
                   f"{was_speech:.3f}")


def nothing_is_nan(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that nothing on a sheet is nan, none, or infinite."""
    del venue
    for text in (setup_sheet_text(plan), setup_sheet_csv(plan)):
        found = re.search(r"(?i)(?<![a-z])(nan|inf|-inf|infinity)(?![a-z])", text)
        if found:
            yield f"the sheet reads {text[max(found.start() - 60, 0) : found.end() + 20]!r}"


def its_own_settings_are_the_plan(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that evaluating a plan's own settings gives the plan."""
    if evaluate(venue, plan.settings) != plan:
        yield "evaluated otherwise"


def the_mirrored_venue_has_the_mirrored_plan(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that a venue mirrored with all it has gives the same settings within a step."""
    other = plan_fills(mirrored(venue))
    for name, own in plan.settings.items():
        there, step = other.settings[name], venue.outputs[name].delay_step_ms
        trims = (own.trim_db, there.trim_db)
        if trims[0] != trims[1] and not abs(trims[0] - trims[1]) <= 0.5:
            yield f"{name}: trim {trims[0]} mirrored {trims[1]}"
        elif own.low_cut_hz != there.low_cut_hz or own.shelf_db != there.shelf_db:
            yield f"{name}: {own} mirrored {there}"
        elif abs(own.delay_ms - there.delay_ms) > step + 1e-9:
            yield f"{name}: {own.delay_ms} ms mirrored {there.delay_ms}"


def cures_cure(venue: Venue, plan: FillPlan) -> Iterator[str]:
    """Check that each cure, made by hand, gives the figure that is told."""
    for cure in find_cures(plan, seconds=60.0):
        if cure.kind is not Kind.CURE:
            continue
        cured = plan_fills(changed_as_told(venue, cure.where, cure.values["what"]))
        need = next(one for one in cured.needs_after if one.area == cure.where)
        told = cure.values["missing"], cure.values["served_pct"]
        if not np.allclose(told, (need.missing_steps, 100 * need.served_share), atol=1e-9):
            yield f"{cure} but {need.missing_steps:.3f} and {100 * need.served_share:.0f} %"
        if cure.values["lost"] != cured.checks.image_lost:
            yield f"{cure} but {cured.checks.image_lost} seats lose the image"


def changed_as_told(venue: Venue, area: str, words: str) -> Venue:
    """Change a venue as the words of a cure say."""
    number = float((re.findall(r"[\d.]+", words) or [0])[0])
    outputs = {source.output for source in venue.sources if area in source.covers}
    mine = {name: venue.outputs[name] for name in outputs}
    if words.startswith("an allowed fall"):
        if venue.area(area).allowed_fall_db is not None:
            return venue.with_area(area, allowed_fall_db=number)
        return venue.with_goals(allowed_fall_db=number)
    if words.startswith("a hold-back"):
        return replace(venue, hold_back_ms=number)
    if words.startswith("the delay by"):
        new = {name: replace(own, delay_rule=words.rpartition(" ")[2])
               for name, own in mine.items()}
        return replace(venue, outputs={**venue.outputs, **new})
    if words.startswith("an image margin"):
        new = {name: replace(own, image_margin_ms=number) for name, own in mine.items()}
        return replace(venue, outputs={**venue.outputs, **new})
    if words.startswith("words before"):
        new = {name: replace(own, priority="words") for name, own in mine.items()}
        return replace(venue, outputs={**venue.outputs, **new})
    if words.startswith("boxes that give"):
        # A kind of their own, so that a main of the same kind stays as it is.
        boxes, sources = dict(venue.loudspeakers), []
        for source in venue.sources:
            if source.output in outputs:
                box = venue.loudspeakers[source.loudspeaker]
                stronger = replace(box, name=f"strong {box.name}",
                                   maximum_dba=box.maximum_dba + number)
                boxes[stronger.name] = stronger
                source = replace(source, loudspeaker=stronger.name)
            sources.append(source)
        used = {source.loudspeaker for source in sources}
        return replace(venue, sources=tuple(sources),
                       loudspeakers={name: boxes[name] for name in boxes if name in used})
    signed = -number if "nearer" in words else number
    by, aim = (0.0, signed) if "aimed" in words else (signed, 0.0)
    for source in venue.sources:
        if source.output in outputs:
            (x, y, z), (u, v, w) = source.position_m, source.aim_m
            venue = venue.with_source(source.name, position_m=(x + by, y, z),
                                      aim_m=(u + by + aim, v, w))
    return venue


Property = Callable[[Venue, FillPlan], Iterator[str]]
ALONE: tuple[Property, ...] = (
    delay_is_rule_and_margin, no_seat_gets_the_fill_first, nothing_is_nan)
AGAIN: tuple[Property, ...] = (
    its_own_settings_are_the_plan, the_mirrored_venue_has_the_mirrored_plan)
BESIDE: tuple[Property, ...] = (
    needed_fills_that_help_play, harder_is_no_worse, own_area_is_no_worse, cures_cure)
