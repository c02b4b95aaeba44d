"""The plan's reasons, unmet targets, cautions and assumptions, in plain words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fillalign.field import JUST_NOTICEABLE
from fillalign.planning.checks import SeatChecks, Walk
from fillalign.planning.need import AreaNeed, Reference
from fillalign.planning.result import FillReport
from fillalign.planning.trim import headroom_db
from fillalign.precedence import ECHO_LIMITS, precedence_limit_db
from fillalign.venue import OutputSettings, Venue

ASSUMPTIONS = (
    "Trim 0 dB is the level at 1 m that the venue file states, with pink noise.",
    "Delays in m and ft hold for the air above. A device that reckons lengths with a speed of its "
    "own takes the ms or the samples.",
    "A shelf is a second-order high shelf, slope 1: half its gain lies at the corner.",
    "Predictions are estimates: listen and measure before an audience comes in.",
    "Subs are aligned to the tops before this plan and are no fill's reference.",
    "The room follows Barron and Lee's revised theory: no single echo or focus is modelled.",
    "Decisions rest on at most 9 seats a row; the checks cover every seat.",
)
CAUTIONS = (
    "Overhead loads are for qualified riggers with rated hardware and a secondary safety, "
    "under local codes.",
    "Mains power, and power outdoors above all, is for licensed people.",
    "Use a laser of class 2 at most and never point it at eyes.",
)
TOWER_CAUTION = (
    "Towers: keep to their engineer's wind limit, watch an anemometer, keep escape routes "
    "clear and cables covered."
)


def plan_summary(
    venue: Venue,
    needs: tuple[AreaNeed, ...],
    fills: tuple[FillReport, ...],
    walk: Walk,
    won_db: float,
    lift_db: float,
    relief_db: float,
) -> tuple[str, ...]:
    """Open the plan: need, what sounds, and what is won."""
    lines = [need.sentence for need in needs]
    used = [fill.output for fill in fills if fill.sounding]
    if not used:
        return (*lines, "No fill sounds in this plan.")
    lines.append(f"Fills that sound: {', '.join(used)}.")
    lines.append(
        f"Front to back the level spreads over {walk.spread_db('before'):.1f} dB with the mains "
        f"alone and {walk.spread_db('after'):.1f} dB with the fills."
    )
    lines.append(
        f"For the same level at the back row the mains may come down by {lift_db:.1f} dB; the "
        f"front row then gets {relief_db:.1f} dB less. Gain before feedback won: {won_db:.1f} dB."
    )
    back = int(walk.x_m.argmax())
    lines.append(
        f"Speech transmission, row at {walk.x_m[back]:.0f} m: {walk.speech_before[back]:.2f} "
        f"without, {walk.speech_after[back]:.2f} with the fills."
    )
    lines.extend(_speech_lines(venue, walk))
    goal = venue.goals.back_dba
    if goal is not None:
        without, with_fills = goal - walk.before_dba[back], goal - walk.after_dba[back]
        lines.append(
            f"The back row's goal of {goal:.1f} dBA takes {without:+.1f} dB on the mains without "
            f"fills and {with_fills:+.1f} dB on everything with them."
        )
    return tuple(lines)


def _speech_lines(venue: Venue, walk: Walk) -> list[str]:
    """Harm to speech, and why a goal that is out of reach is out of reach."""
    goal, lines = venue.goals.sti, []
    loss = walk.speech_before - walk.speech_after
    worst = int(loss.argmax())
    if loss[worst] > JUST_NOTICEABLE and (venue.programme == "speech" or goal is not None):
        lines.append(
            f"Harm: the fills cost up to {loss[worst]:.2f} of speech transmission (row at "
            f"{walk.x_m[worst]:.0f} m: {walk.speech_before[worst]:.2f} without, "
            f"{walk.speech_after[worst]:.2f} with; {JUST_NOTICEABLE} is just noticeable)."
        )
    if goal is not None:
        low = int(walk.speech_after.argmin())
        gain = float(walk.speech_louder[low] - walk.speech_after[low])
        decay = venue.states["show"].rt60_s
        room = f" and the decay of {decay[1000]:.1f} s rules" if decay else ""
        start = (
            f"The lowest speech transmission is {walk.speech_after[low]:.2f} (row at "
            f"{walk.x_m[low]:.0f} m, goal {goal:.2f}): "
        )
        change = f"10 dB more from everything would change it by {gain:+.2f}"
        if abs(gain) < JUST_NOTICEABLE:
            lines.append(f"{start}{change}, so level is not what limits it{room}.")
        elif gain > 0:
            lines.append(f"{start}noise limits it, since {change}.")
        else:
            lines.append(f"{start}{change}: loud bands mask the ones above them.")
    return lines


def _seat_problems(venue: Venue, checks: SeatChecks) -> list[str]:
    """Seats that lose the image at the stage, by fill, with the margin that would mend them."""
    lines = []
    names = list(venue.outputs)
    for index in sorted({*checks.fill.tolist()}):
        here = checks.fill == index
        broken = here & ~checks.keeps_image
        if not broken.any():
            continue
        excess = np.where(broken, checks.level_difference_db - checks.limit_db, -np.inf)
        worst = int(excess.argmax())
        x, y, _ = checks.point_m[worst]
        margins = checks.margin_ms[broken]
        if np.isfinite(margins).any():
            more = float(margins[np.isfinite(margins)].max())
            limit = precedence_limit_db(checks.gap_ms[broken] + more)
            mended = (checks.level_difference_db[broken] <= limit + 1e-9).sum()
            which = "it" if mended == len(margins) == 1 else f"{mended} of them"
            mend = f"{more:.1f} ms more margin would mend {which}"
        else:
            mend = "no margin mends them: less trim, or another aim, would"
        lines.append(
            f"{names[int(index)]}: at {int(broken.sum())} of {int(here.sum())} seats that hear it "
            "the image leaves the stage (precedence table), worst in the area "
            f"{venue.areas[int(checks.area[worst])].name} at x {x:.1f}, y {y:.1f} m (gap "
            f"{checks.gap_ms[worst]:.1f} ms, fill over main "
            f"{checks.level_difference_db[worst]:+.1f} dB, limit {checks.limit_db[worst]:+.1f} "
            f"dB); {mend}."
        )
    return lines


def _echo_problems(venue: Venue, checks: SeatChecks) -> list[str]:
    limit = ECHO_LIMITS[venue.programme][1]
    broken = checks.echo > limit
    if not broken.any():
        return []
    worst = int(np.where(broken, checks.echo, -np.inf).argmax())
    x, y, _ = checks.point_m[worst]
    return [
        f"{len({*checks.seat[broken].tolist()})} seats that hear a fill exceed the "
        f"echo criterion of {limit:g}, worst "
        f"{checks.echo[worst]:.2f} at x {x:.1f}, y {y:.1f} m: less trim, or a fill nearer to them, "
        "would mend it."
    ]


def plan_unmet(
    venue: Venue,
    left: tuple[AreaNeed, ...],
    fills: tuple[FillReport, ...],
    checks: SeatChecks,
    walk: Walk,
    reference: Reference,
    mains: Mapping[str, OutputSettings],
) -> tuple[str, ...]:
    """Name every target that the plan does not meet; `left` are the needs that remain."""
    lines = [line for fill in fills for line in fill.unmet]
    covered = {area for fill in fills if fill.sounding for area in fill.areas}
    lines.extend(
        f"{need.sentence.removesuffix('.').replace(' needed from ', ' still needed from ', 1)}; "
        "no fill that sounds covers it. A fill for it, one further forward, or a larger allowed "
        "fall would meet the target."
        for need in left
        if need.needed and need.area not in covered
    )
    lines.extend(_seat_problems(venue, checks))
    lines.extend(_echo_problems(venue, checks))
    goal = venue.goals.reference_dba
    if goal is not None and abs(goal - reference.meter_dba) > 0.5:
        short = goal - reference.meter_dba
        stronger = ", or a stronger system," if short > 0 else ""
        lines.append(
            f"The mains give {reference.meter_dba:.1f} dBA at the reference, not "
            f"{goal:.1f} dBA: {short:+.1f} dB on the mains{stronger} would meet it."
        )
    free = {n: s.trim_db for n, s in mains.items() if "trim_db" not in venue.outputs[n].locked}
    highest = max(free.values(), default=0.0)
    lines.extend(
        f"{name} is at its maximum level, {highest - trim:.1f} dB behind the other mains: their "
        "balance has shifted; a stronger box there, or less level, would keep it."
        for name, trim in free.items()
        if goal is not None and highest > trim >= headroom_db(venue, name) - 1e-9
    )
    back = int(walk.x_m.argmax())
    if venue.goals.back_dba is not None:
        short = venue.goals.back_dba - float(walk.after_dba[back])
        if short > 0.5:
            lines.append(
                f"The back row gets {walk.after_dba[back]:.1f} dBA, not "
                f"{venue.goals.back_dba:.1f} dBA: {short:+.1f} dB on all outputs would meet it."
            )
    return tuple(lines)


def cautions(venue: Venue, loudest_dba: float) -> tuple[str, ...]:
    """State the usual cautions, and the hearing caution where the prediction calls for it."""
    lines = list(CAUTIONS)
    if any(source.kind == "tower" for source in venue.sources):
        lines.append(TOWER_CAUTION)
    goal = venue.goals.hearing_dba
    hearing = (
        "WHO's 2022 standard for venues asks for at most 100 dB LAeq over 15 minutes and "
        "occupational limits are lower (85 dBA over 8 h, NIOSH) (from memory); local rules decide."
    )
    if loudest_dba > goal:
        lines.insert(
            0,
            f"Hearing: up to {loudest_dba:.1f} dBA is predicted at a seat, above the {goal:g} "
            f"dBA of this venue's caution. {hearing}",
        )
    else:
        lines.append(f"Hearing: at most {loudest_dba:.1f} dBA is predicted at a seat. {hearing}")
    return tuple(lines)
