"""A plan, decided or as dialled: every fill examined, the walk, every seat, what is left unmet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain, product

import numpy as np

from fillalign._validate import check_choice
from fillalign.air import Air
from fillalign.field import Settings, speech_at
from fillalign.planning.decide import Prospect, decided, prospect
from fillalign.planning.delay import delay_bases, delay_uncertainty, wanted_delays_ms
from fillalign.planning.doubts import survey_doubts
from fillalign.planning.equalise import (
    LOW_CUTS_HZ,
    LowCutTry,
    equalising,
    free_of_low_cut,
    low_cut_kinds,
    try_low_cuts,
)
from fillalign.planning.expected import Reading, expected_levels
from fillalign.planning.findings import fill_findings, plan_findings
from fillalign.planning.need import (
    SHARE_OF_ROWS,
    AreaNeed,
    RowCheck,
    Yardstick,
    area_needs,
    gain_before_feedback_db,
    rows_with,
)
from fillalign.planning.result import FillPlan, FillReport
from fillalign.planning.seats import Walk, check_seats
from fillalign.planning.trim import OFF_DB, TrimCurve, trim_curves
from fillalign.planning.wording import Finding
from fillalign.planning.zones import (
    Zones,
    asked_of,
    covered_areas,
    fill_tiers,
    main_outputs,
    make_zones,
    mirror_of,
    parted,
    sounding_of,
)
from fillalign.venue import Venue


def plan_fills(venue: Venue, *, air: Air | None = None) -> FillPlan:
    """Plan every fill of a venue.

    Parameters
    ----------
    venue : Venue
        The venue, from `read_venue`.
    air : Air, optional
        The air to plan for; by default that of the occupied state.

    Returns
    -------
    FillPlan
        Settings of every output, with reasons and checks.

    Raises
    ------
    ValueError
        If the venue has no main, the delay of a fill that sounds exceeds its
        device's maximum, or a locked value its device's range.

    Notes
    -----
    Fills are planned tier by tier from front to back with what sounds ahead, and then
    round again with all others sounding until nothing changes; of plans that call one
    another up in turn, that with the least lacking is taken. Rules and thresholds are
    common practice except where the functions of this room name a source.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("lantern_room"))
    >>> [fill.sounding for fill in plan.fills]
    [False]
    """
    return assess(*decided(venue, air))


def assess(yardstick: Yardstick, settings: Settings) -> FillPlan:
    """Examine settings and write down what they do."""
    zones, venue = yardstick.zones, yardstick.zones.venue
    mains, tiers = main_outputs(venue), fill_tiers(venue)
    fills = sounding_of(settings, [*chain.from_iterable(tiers)])
    sounding = [*mains, *fills]
    check = rows_with(yardstick, settings, sounding)
    walk = _walk(yardstick, check, settings, sounding)
    checks, loudest = check_seats(zones, settings, fills)
    back, front = walk.x_m.argmax(), walk.x_m.argmin()
    lift, relief = (float(walk.after_dba[row] - walk.before_dba[row]) for row in (back, front))
    readings = expected_levels(zones, settings, [*chain.from_iterable(tiers)])
    examined = [one for tier in tiers
                for one in _tier(yardstick, settings, tier, sounding, check, readings)]
    plan = FillPlan(
        venue=venue,
        air=zones.paths.air,
        settings=settings,
        reference=yardstick.reference,
        needs=area_needs(yardstick, yardstick.alone, sounding_of(settings, mains)),
        needs_after=area_needs(yardstick, check, sounding_of(settings, sounding)),
        fills=tuple(fill for fill, *_ in examined),
        walk=walk,
        checks=checks,
        loudest_dba=loudest,
        gain_before_feedback_db=gain_before_feedback_db(yardstick, check, settings, sounding),
        back_gain_db=lift,
        front_relief_db=lift - relief,
        findings=(),
    )
    return replace(
        plan, fills=tuple(replace(fill, findings=fill_findings(plan, fill, limit, told))
                          for fill, limit, told in examined),
        findings=(*plan_findings(plan, len(zones.paths.seats)), *survey_doubts(zones.paths)))


def _walk(
    yardstick: Yardstick, check: RowCheck, settings: Settings, sounding: list[str]
) -> Walk:
    """Levels along the walk with the mains alone and with everything."""
    zones, alone = yardstick.zones, yardstick.alone
    speech = speech_at(zones.paths, settings, sounding=sounding)
    louder = speech.index(settings.gains(speech.outputs) * np.sqrt(10.0))
    return Walk(
        x_m=zones.row_x_m,
        area=zones.row_area,
        before_dba=alone.total_dba,
        after_dba=check.total_dba,
        heard_before_dba=yardstick.profile_dba - alone.shortfall_db,
        heard_after_dba=yardstick.profile_dba - check.shortfall_db,
        profile_dba=yardstick.profile_dba,
        speech_before=alone.index,
        speech_after=check.index,
        speech_louder=zones.row_mean(louder),
    )


# Fills ------------------------------------------------------------------------------------


def _tier(
    yardstick: Yardstick, settings: Settings, tier: list[str], sounding: list[str], check: RowCheck,
    readings: dict[str, Reading],
) -> Iterator[tuple[FillReport, Prospect | None, tuple[Finding, ...]]]:
    """Examine the fills of one tier, with everything else that sounds.

    With each its limit, where it leaves rows short, and what its filters rest on.
    """
    zones, venue, on = yardstick.zones, yardstick.zones.venue, sounding_of(settings, tier)
    others = [name for name in sounding if name not in tier]
    needs = area_needs(yardstick, rows_with(yardstick, settings, others),
                       sounding_of(settings, others))
    told = equalising(yardstick, settings, on, others) if on else {}
    curves: dict[str, TrimCurve] = {}
    limits: dict[str, Prospect] = {}
    for output in tier:
        heard = settings if output in on else settings.replaced(output, trim_db=0.0)
        held, free = parted(venue, on if output in on else [*on, output])
        moving = [output] if output in held else free
        beside = [*others, *(name for name in on if name not in moving)]
        areas = covered_areas(venue, [output])
        mine = tuple(need for need in needs if need.area in areas)
        rows = check.rows(zones.rows_in(areas))
        if output not in curves and (output in on or any(need.needed for need in mine)):
            curves |= trim_curves(yardstick, heard, moving, beside)
            if rows.served.mean() < SHARE_OF_ROWS and (output in on or output not in held):
                limits |= dict.fromkeys(moving, prospect(yardstick, settings, moving, beside))
        limit = limits.get(output)
        report = _fill_report(zones, settings, output, curves.get(output), mine, rows, limit,
                              readings[output])
        yield report, limit, told.get(output, ())


def _fill_report(
    zones: Zones, settings: Settings, output: str, curve: TrimCurve | None,
    needs: tuple[AreaNeed, ...], rows: RowCheck, limit: Prospect | None, reading: Reading,
) -> FillReport:
    venue, air, own, state = zones.venue, zones.paths.air, settings[output], zones.paths.state
    if limit is not None and limit.best is not None:
        # What is off is timed as it would play.
        settings = settings.replaced(output, trim_db=limit.best.settings[output].trim_db)
    bases, asked = delay_bases(zones, settings, [output]), asked_of(venue, output)
    basis, mirror = bases[output], mirror_of(venue, output)
    wanted = {name: float(ms) for name, ms in wanted_delays_ms(zones, bases).items()}
    airs = [*venue.weather_c, *(one.air.temperature_c for one in venue.states.values())]
    coldest = min([*airs, air.temperature_c])
    return FillReport(
        output=output,
        areas=covered_areas(venue, [output]),
        sounding=own.trim_db > OFF_DB,
        needs=needs,
        served_share=float(rows.served.mean()),
        missing_steps=float(rows.missing.mean()),
        delay_rule=asked.delay_rule,
        image_margin_ms=asked.image_margin_ms,
        mirror=mirror,
        shares_delay=mirror is not None and wanted[output] == wanted[mirror],
        answers=basis.answers(air),
        basis=basis,
        uncertainty=delay_uncertainty(basis, air, asked.delay_rule, venue.survey,
                                      (state.wind_m_s, state.wind_towards_deg)),
        hold_back_ms=max(-wanted[output], 0.0),
        rounding_ms=own.delay_ms - max(wanted[output], 0.0),
        trim=curve,
        reading=reading,
        coldest_c=coldest,
        early_ms=basis.early_ms(air, own.delay_ms),
        early_cold_ms=basis.early_ms(air.at_temperature(coldest), own.delay_ms),
        findings=(),
    )


def low_cuts(plan: FillPlan, output: str) -> tuple[LowCutTry, ...]:
    """Work out what every usual low cut of a fill would cost, as the plan stands.

    Parameters
    ----------
    plan : FillPlan
        The plan.
    output : str
        A fill that sounds; its tier takes the same low cut, but for outputs
        whose low cut the file locks.

    Returns
    -------
    tuple of LowCutTry
        `corner_hz`, `order` and `kind` of each that the devices of its tier
        offer, the most that it loses in any third octave of the covered area
        (`loss_db`, against no low cut), and where (`at_hz`).

    Raises
    ------
    ValueError
        If the output is no fill that sounds.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> from fillalign.planning import low_cuts
    >>> plan = plan_fills(read_demo_venue("tidewell_hall"))
    >>> [cut.corner_hz for cut in low_cuts(plan, "Fill inner") if cut.loss_db <= 0.25][-1]
    100.0
    """
    venue, settings = plan.venue, plan.settings
    check_choice("output", output, tuple(fill.output for fill in plan.fills if fill.sounding))
    zones = make_zones(venue, plan.air)
    tier = next(tier for tier in fill_tiers(venue) if output in tier)
    on = sounding_of(settings, tier)
    others = [name for name in sounding_of(settings, settings) if name not in tier]
    flat = settings.replaced(*on, shelf_db=0.0)
    kinds = low_cut_kinds(venue, free_of_low_cut(venue, on))
    return tuple(try_low_cuts(zones, flat, on, others, product(LOW_CUTS_HZ, kinds)))
