"""Why each fill is set as it is, in plain words."""

from __future__ import annotations

import numpy as np

from fillalign.planning.delay import DelayAnswers, DelayUncertainty
from fillalign.planning.equalise import LOW_CUT_LOSS_DB, SHELF_LEAST_DB, LowCuts
from fillalign.planning.need import SHORT_DB, AreaNeed
from fillalign.planning.trim import LOWEST_TRIM_DB, TrimCurve
from fillalign.venue import OutputSettings, Venue

PRACTICE_LOW_CUTS_HZ = (100.0, 120.0)


def delay_reasons(
    venue: Venue,
    output: str,
    own: OutputSettings,
    answers: DelayAnswers,
    early_ms: float,
    early_cold_ms: float,
    coldest_c: float,
) -> tuple[str, ...]:
    """Say where the delay comes from and what cold air would do to it."""
    rule, margin = venue.goals.delay_rule, venue.goals.image_margin_ms
    answer = answers.of_rule(rule)
    extra = own.delay_ms - answer
    lines = [
        f"Delay {own.delay_ms:.2f} ms is the {rule} answer, {answer:.2f} ms, with a margin of "
        f"{extra:+.2f} ms (asked for: {margin:g} ms). The answers without margin: box to box "
        f"{answers.box_to_box_ms:.2f} ms, equal level {answers.equal_level_ms:.2f} ms, never early "
        f"{answers.never_early_ms:.2f} ms."
    ]
    most = venue.outputs[output].delay_max_ms
    if answer + margin > most:
        lines.append(f"Its device delays by at most {most:g} ms, which is too little for that.")
    if early_ms > 0.05:
        lines.append(
            f"At the worst seat that counts the fill comes {early_ms:.1f} ms before the mains."
        )
    if early_cold_ms > max(early_ms, 0.0) + 0.1:
        lines.append(
            f"In the coldest air planned, {coldest_c:.0f} C, it would come {early_cold_ms:.1f} ms "
            f"before the mains there: re-time {output} on the way."
        )
    beyond = answers.box_to_box_ms - answers.equal_level_ms
    front = all(s.kind == "front" for s in venue.sources if s.output == output)
    if rule == "box-to-box" and front and beyond > 0.05:
        lines.append(
            "Box to box suits seats behind the box, in line with the mains. The seats of a front "
            f"fill are not: there it comes {beyond:.1f} ms later than they want. The equal-level "
            "rule, or a locked delay, would suit it better."
        )
    if "delay_ms" in venue.outputs[output].locked:
        lines.append("The file locks this delay.")
    return tuple(lines)


def uncertainty_reason(uncertainty: DelayUncertainty) -> str:
    """Say how sure the delay is, and what to measure better first."""
    parts = ", ".join(f"{name} {ms:.2f}" for name, ms in uncertainty.by_cause_ms.items())
    return (
        f"Standard uncertainty of the delay {uncertainty.total_ms:.2f} ms (in ms: {parts}): "
        f"the {uncertainty.largest} counts most."
    )


def trim_reasons(
    venue: Venue,
    output: str,
    own: OutputSettings,
    curve: TrimCurve,
    needs: tuple[AreaNeed, ...],
) -> tuple[str, ...]:
    """Say why the output sounds or stays off, and what decided its trim."""
    lines = [need.sentence for need in needs]
    chosen, bound = curve.chosen()
    if np.isneginf(own.trim_db):
        barred = any(need.needed for need in needs) and bound and chosen <= LOWEST_TRIM_DB
        why = f", since {bound} leaves it no trim" if barred else ""
        return (*lines, f"The output stays off{why}.")
    if "trim_db" in venue.outputs[output].locked:
        lines.append(f"The file locks this trim at {own.trim_db:+.1f} dB.")
    dialled = "" if own.trim_db == chosen else f" Set is {own.trim_db:+.1f} dB."
    if bound is None:
        lines.append(
            f"Trim {chosen:+.1f} dB is the smallest with which 90 % of the covered rows come "
            f"within {SHORT_DB:.0f} dB of the profile.{dialled}"
        )
    else:
        need = (
            "No trim reaches the profile, and" if curve.needed_db is None
            else f"The profile would take {curve.needed_db:+.1f} dB, but"
        )
        lines.append(f"{need} {bound} allows no more than {chosen:+.1f} dB.{dialled}")
    return tuple(lines)


def tone_reasons(own: OutputSettings, cuts: LowCuts, shelf_db: float) -> tuple[str, ...]:
    """Say what the low cut and the shelf rest on; `shelf_db` is the gain computed anew."""
    if not cuts.kinds:
        return ("No low cut: the devices of this row of fills offer none in common.",
                *_shelf_reasons(own, shelf_db))
    best = cuts.chosen
    shown = cuts.kinds[0] if best is None else (best.kind, best.order)
    # Several kinds may do at the same corner: the one that is set is the one to tell of.
    dialled = own.low_cut_kind, own.low_cut_order
    if best is not None and own.low_cut_hz == best.corner_hz and dialled in cuts.kinds:
        if cuts.tried(best.corner_hz, *dialled).loss_db <= LOW_CUT_LOSS_DB:
            shown = dialled
    first = cuts.of_kind(*shown)
    costs = ", ".join(f"{t.corner_hz:.0f} Hz costs {t.loss_db:.1f} dB" for t in first)
    if best is None:
        practice = [t for t in first if t.corner_hz in PRACTICE_LOW_CUTS_HZ]
        offer = " and ".join(f"{t.corner_hz:.0f} Hz ({t.loss_db:.1f} dB)" for t in practice)
        lines = [
            "No low cut: the usual corners that keep the lows within 1 dB lie below the box's own "
            "low limit."
            if any(t.loss_db <= LOW_CUT_LOSS_DB for t in cuts.all())
            else "No usual low cut keeps the lows within 1 dB here: they come from the fill as "
            f"much as from the mains. Practice would take {offer}."
        ]
    else:
        lines = [
            f"Low cut {best.corner_hz:.0f} Hz is the highest that loses at most 1 dB in any third "
            f"octave of the covered area ({costs})."
        ]
    wanted = None if best is None else best.corner_hz
    if own.low_cut_hz != wanted:
        lines[0] += " Set is " + (
            "none." if own.low_cut_hz is None else f"{own.low_cut_hz:.0f} Hz."
        )
    return (*lines, *_shelf_reasons(own, shelf_db))


def _shelf_reasons(own: OutputSettings, shelf_db: float) -> tuple[str, ...]:
    if abs(own.shelf_db - shelf_db) > SHELF_LEAST_DB:
        nearest = f"{shelf_db:+.1f} dB would bring" if shelf_db else "none would keep"
        return (
            f"Shelf set {own.shelf_db:+.1f} dB; {nearest} the highs nearest the reference tone "
            "within the limits.",
        )
    if own.shelf_db:
        return (
            f"Shelf {own.shelf_db:+.1f} dB from {own.shelf_hz:.0f} Hz brings the highs to the "
            "reference tone as nearly as the limits allow.",
        )
    return ("No shelf: the highs are within 1 dB of the reference tone, lie above it, or "
            "the box has no headroom for one.",)


def fill_unmet(
    output: str, own: OutputSettings, curve: TrimCurve, late_ms: float
) -> tuple[str, ...]:
    """Name each target of one fill that is not met, and what would meet it."""
    lines = []
    if late_ms > 0.005:
        lines.append(
            f"{output}: its path is already {late_ms:.2f} ms too late; a further hold-back "
            f"of {late_ms:.2f} ms on the mains, inherited by every other output, would mend it."
        )
    place = int(np.abs(curve.trim_db - own.trim_db).argmin())
    share = float(curve.served_share[place])
    if share < 0.9:
        _, bound = curve.chosen()
        if curve.needed_db is None:
            mend = "more fills, another place for them, or a larger allowed fall would meet it"
        else:
            more = curve.needed_db - own.trim_db
            mend = f"{more:+.1f} dB of trim would meet it"
            if bound == "the maximum level of the box":
                mend += ", but needs a stronger box"
            elif bound == "the precedence table":
                mend += f", but {bound} forbids that: raise the image margin, or move or add a fill"
            elif bound == "the climb on the walk":
                mend += (f", but {bound} forbids that: add a fill ahead of it, or let the mains "
                         "reach further")
        lines.append(
            f"{output}: only {100 * share:.0f} % of the covered rows come within "
            f"{SHORT_DB:.0f} dB of the profile (target 90 %); {mend}."
        )
    return tuple(lines)
