"""From a venue to settings with reasons: `plan_fills`, and `evaluate` for given ones."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np

from fillalign.air import Air
from fillalign.field import resting_settings
from fillalign.planning.assess import Examiner
from fillalign.planning.checks import SeatChecks, Walk
from fillalign.planning.delay import planned_delay_ms
from fillalign.planning.dialled import check_dialled
from fillalign.planning.equalise import LowCuts, chosen_shelf
from fillalign.planning.result import FillPlan
from fillalign.planning.trim import LOWEST_TRIM_DB, OFF_DB, TRIM_STEP_DB, headroom_db
from fillalign.planning.zones import covered_areas, fill_tiers
from fillalign.venue import OutputSettings, Venue

PASSES = 2


class _Planner(Examiner):
    """One planning run: what is examined, and the decisions."""

    def locked(self, output: str, settings: OutputSettings) -> OutputSettings:
        """Return the settings with the file's locked values put back."""
        kept: dict[str, Any] = dict(self.venue.outputs[output].locked)
        return replace(settings, **kept)

    def mains_settings(self) -> dict[str, OutputSettings]:
        """Trim of the mains for the goal at the reference, if there is one."""
        settings = {
            name: self.locked(name, own) for name, own in resting_settings(self.venue).items()
        }
        self.measure(settings)
        goal = self.venue.goals.reference_dba
        if goal is None:
            return settings
        wanted = np.round((goal - self.reference.meter_dba) / TRIM_STEP_DB) * TRIM_STEP_DB
        for name in self.mains:
            trim = min(float(wanted), headroom_db(self.venue, name))
            settings[name] = self.locked(name, replace(settings[name], trim_db=trim))
        self.measure(settings)
        return settings

    def timed(self, settings: dict[str, OutputSettings], output: str) -> dict[str, OutputSettings]:
        """Set the delay by the venue's rule, unless the file locks it."""
        if "delay_ms" in self.venue.outputs[output].locked:
            return settings
        answers = self.basis(settings, output).answers(self.bench.air.speed_m_s)
        delay = planned_delay_ms(
            self.venue, output, answers.of_rule(self.venue.goals.delay_rule)
        )
        own = self.locked(output, replace(settings[output], delay_ms=delay))
        return {**settings, output: own}

    def trimmed(
        self, settings: dict[str, OutputSettings], tier: list[str], sounding: list[str]
    ) -> dict[str, OutputSettings]:
        """Set the trim of each output of a tier."""
        chosen = {}
        held, free = self.parted(tier)
        for output in free:
            trim, _ = self.curve(settings, output, [*sounding, *held], free).chosen()
            chosen[output] = replace(settings[output], trim_db=trim)
        return {**settings, **chosen}

    def low_cuts(
        self, settings: dict[str, OutputSettings], tier: list[str], sounding: list[str]
    ) -> LowCuts:
        """Low cuts to try on a tier, with what sounds ahead."""
        return LowCuts(self.bench, settings, tier, covered_areas(self.venue, tier), sounding)

    def toned(
        self, settings: dict[str, OutputSettings], tier: list[str], sounding: list[str]
    ) -> dict[str, OutputSettings]:
        """Set low cut and shelf of a tier, with what sounds ahead."""
        flat = {**settings, **{n: replace(settings[n], shelf_db=0.0) for n in tier}}
        cut = self.low_cuts(flat, tier, sounding).chosen
        for name in tier:
            own = replace(flat[name], low_cut_hz=None)
            if cut is not None:
                own = replace(
                    own, low_cut_hz=cut.corner_hz, low_cut_order=cut.order, low_cut_kind=cut.kind
                )
            flat[name] = self.locked(name, own)
        part = self.bench.part(covered_areas(self.venue, tier))
        gain, corner = chosen_shelf(part, self.reference, flat, tier, sounding)
        shelved = {
            name: self.locked(name, replace(flat[name], shelf_db=gain, shelf_hz=corner))
            for name in tier
        }
        return {**flat, **shelved}

    def decide(
        self, settings: dict[str, OutputSettings], tier: list[str], sounding: list[str]
    ) -> dict[str, OutputSettings]:
        """Plan one tier of fills with everything ahead of it sounding."""
        held, free = self.parted(tier)
        for output in held:
            settings = self.timed(settings, output)
        there = [*sounding, *(n for n in held if not np.isneginf(settings[n].trim_db))]
        needs = self.needs(settings, there, covered_areas(self.venue, free))
        if not any(need.needed for need in needs):
            settings = self.switched_off(settings, free)
            tier, free = held, []
        if not tier:
            return settings
        for output in free:
            settings = self.timed(settings, output)
        for _ in range(PASSES):
            settings = self.trimmed(settings, tier, sounding)
            for output in tier:
                settings = self.timed(settings, output)
            settings = self.toned(settings, tier, sounding)
        settings = self.trimmed(settings, tier, sounding)
        hardly = [name for name in free if settings[name].trim_db <= LOWEST_TRIM_DB]
        return self.switched_off(settings, hardly)

    def switched_off(
        self, settings: dict[str, OutputSettings], outputs: list[str]
    ) -> dict[str, OutputSettings]:
        """Switch outputs off, with the delay that they would take if their device has it."""
        for output in outputs:
            most = self.venue.outputs[output].delay_max_ms
            off = replace(
                settings[output], trim_db=OFF_DB, low_cut_hz=None, shelf_db=0.0,
                delay_ms=min(settings[output].delay_ms, most),
            )
            settings = {**settings, output: self.locked(output, off)}
            with suppress(ValueError):
                settings = self.timed(settings, output)
        return settings


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
    planner = _Planner(venue, air)
    settings = planner.mains_settings()
    # A trim not locked is only a start, and may lie beyond a weak box.
    check_dialled(
        venue, {name: own for name, own in settings.items() if venue.outputs[name].locked}
    )
    sounding = list(planner.mains)
    for tier in fill_tiers(venue):
        settings = planner.decide(settings, tier, sounding)
        sounding.extend(name for name in tier if not np.isneginf(settings[name].trim_db))
    return planner.report(settings)


def evaluate(
    venue: Venue, settings: Mapping[str, OutputSettings], *, air: Air | None = None
) -> FillPlan:
    """Examine settings as they are dialled, and say what the seats get.

    Parameters
    ----------
    venue : Venue
        The venue.
    settings : mapping of str to OutputSettings
        By output; outputs left out rest at trim 0 and the hold-back, fills off.
    air : Air, optional
        The air; by default that of the occupied state.

    Returns
    -------
    FillPlan
        The same checks as `plan_fills` makes; given a plan's own settings it
        returns that plan.

    Raises
    ------
    ValueError
        If the venue has no main, an output is not known, or a value is beyond
        its device.
    TypeError
        If the venue, the air or the settings are something else.

    Examples
    --------
    >>> from fillalign import OutputSettings, evaluate, read_venue
    >>> room = read_venue("data/lantern_room.toml")
    >>> name = [s.output for s in room.sources if s.role == "fill"][0]
    >>> plan = evaluate(room, {name: OutputSettings(delay_ms=20.0, trim_db=-6.0)})
    >>> plan.settings[name].delay_ms
    20.0
    """
    check_dialled(venue, settings)
    examiner = Examiner(venue, air)
    full = resting_settings(venue)
    for tier in fill_tiers(venue):
        full.update({name: replace(full[name], trim_db=OFF_DB) for name in tier})
    full.update(settings)
    examiner.measure(full)
    return examiner.report(full)


__all__ = ["FillPlan", "SeatChecks", "Walk", "evaluate", "plan_fills"]
