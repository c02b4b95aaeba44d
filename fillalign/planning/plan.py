"""From a venue to settings: which fills sound, and how each is set."""

from __future__ import annotations

from contextlib import suppress

import numpy as np

from fillalign.air import Air
from fillalign.field import Settings
from fillalign.planning.assess import assess
from fillalign.planning.delay import delay_basis, planned_delay_ms
from fillalign.planning.equalise import choose_low_cut, choose_shelf
from fillalign.planning.need import Yardstick, make_yardstick, needs_of
from fillalign.planning.result import FillPlan
from fillalign.planning.trim import LOWEST_TRIM_DB, OFF_DB, TRIM_STEP_DB, trim_curves
from fillalign.planning.zones import (
    Zones,
    fill_tiers,
    main_outputs,
    make_zones,
    parted,
    sounding_of,
)
from fillalign.venue import Venue, check_dialled, headroom_db

PASSES = 2


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
    Fills are planned one by one from front to back: need, delay, trim, low cut,
    shelf. Rules and thresholds are common practice except where the functions of
    this room name a source.

    Examples
    --------
    >>> from fillalign import plan_fills, read_venue
    >>> plan = plan_fills(read_venue("data/lantern_room.toml"))
    >>> [fill.sounding for fill in plan.fills]
    [False]
    """
    zones = make_zones(venue, air)
    yardstick, settings = _mains_set(zones)
    # A trim not locked is only a start, and may lie beyond a weak box.
    check_dialled(venue, {name: own for name, own in settings.items()
                          if venue.outputs[name].locked})
    sounding = main_outputs(venue)
    for tier in fill_tiers(venue):
        settings = _decide(yardstick, settings, tier, sounding)
        sounding += sounding_of(settings, tier)
    return assess(yardstick, settings)


def _locked(venue: Venue, settings: Settings, outputs: list[str]) -> Settings:
    """Put the values that the file locks back."""
    for name in outputs:
        settings = settings.replaced(name, **venue.outputs[name].locked)
    return settings


def _mains_set(zones: Zones) -> tuple[Yardstick, Settings]:
    """Trim the mains for the goal at the reference, if there is one, and freeze the yardstick."""
    venue, mains = zones.venue, main_outputs(zones.venue)
    settings = _locked(venue, Settings(venue), list(venue.outputs))
    yardstick = make_yardstick(zones, settings)
    goal = venue.goals.reference_dba
    if goal is None:
        return yardstick, settings
    step = np.round((goal - yardstick.reference.meter_dba) / TRIM_STEP_DB) * TRIM_STEP_DB
    for name in mains:
        settings = settings.replaced(name, trim_db=min(float(step), headroom_db(venue, name)))
    settings = _locked(venue, settings, mains)
    return make_yardstick(zones, settings), settings


def _decide(
    yardstick: Yardstick, settings: Settings, tier: list[str], sounding: list[str]
) -> Settings:
    """Plan one tier of fills with everything ahead of it sounding."""
    zones, venue = yardstick.zones, yardstick.zones.venue
    held, free = parted(venue, tier)
    settings = _timed(zones, settings, held)
    there = [*sounding, *sounding_of(settings, held)]
    if not any(need.needed for need in needs_of(yardstick, settings, there, free)):
        settings = _switched_off(zones, settings, free)
        tier, free = held, []
    if not tier:
        return settings
    settings = _timed(zones, settings, free)
    for _ in range(PASSES):
        settings = _trimmed(yardstick, settings, tier, sounding)
        settings = _timed(zones, settings, tier)
        settings = _equalised(yardstick, settings, tier, sounding)
    settings = _trimmed(yardstick, settings, tier, sounding)
    hardly = [name for name in free if settings[name].trim_db <= LOWEST_TRIM_DB]
    return _switched_off(zones, settings, hardly)


def _timed(zones: Zones, settings: Settings, outputs: list[str]) -> Settings:
    """Set the delay of some fills by the venue's rule, unless the file locks it."""
    venue = zones.venue
    for name in outputs:
        if "delay_ms" in venue.outputs[name].locked:
            continue
        answers = delay_basis(zones, settings, name).answers(zones.paths.air)
        delay = planned_delay_ms(venue, name, answers.of_rule(venue.goals.delay_rule))
        settings = _locked(venue, settings.replaced(name, delay_ms=delay), [name])
    return settings


def _trimmed(
    yardstick: Yardstick, settings: Settings, tier: list[str], sounding: list[str]
) -> Settings:
    """Set the trim of each output of a tier that the file leaves to us."""
    held, free = parted(yardstick.zones.venue, tier)
    there = [*sounding, *sounding_of(settings, held)]
    for name, curve in trim_curves(yardstick, settings, free, there).items() if free else ():
        settings = settings.replaced(name, trim_db=curve.chosen()[0])
    return settings


def _equalised(
    yardstick: Yardstick, settings: Settings, tier: list[str], sounding: list[str]
) -> Settings:
    """Set low cut and shelf of a tier, with what sounds ahead."""
    zones, venue = yardstick.zones, yardstick.zones.venue
    flat = settings.replaced(*tier, shelf_db=0.0)
    cut = choose_low_cut(zones, flat, tier, sounding)
    flat = flat.replaced(*tier, low_cut_hz=None)
    if cut is not None:
        flat = flat.replaced(*tier, low_cut_hz=cut.corner_hz, low_cut_order=cut.order,
                             low_cut_kind=cut.kind)
    flat = _locked(venue, flat, tier)
    gain, corner = choose_shelf(yardstick, flat, tier, sounding)
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
