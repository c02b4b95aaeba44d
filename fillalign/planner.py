"""From a venue to settings with reasons: `plan_fills`, and `evaluate` for given ones."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np

from fillalign.air import Air
from fillalign.bench import Bench, make_bench
from fillalign.checks import (
    Reading,
    SeatChecks,
    Walk,
    check_seats,
    expected_readings,
    gain_before_feedback_db,
    walk_levels,
)
from fillalign.dialled import check_dialled
from fillalign.field import resting_settings
from fillalign.need import AreaNeed, Reference, area_needs, mains_reference, profile_dba
from fillalign.plan import FillPlan, FillReport
from fillalign.sentences import (
    ASSUMPTIONS,
    cautions,
    delay_reasons,
    fill_unmet,
    plan_summary,
    plan_unmet,
    tone_reasons,
    trim_reasons,
    uncertainty_reason,
)
from fillalign.tiers import covered_areas, fill_tiers, heard_with, main_outputs
from fillalign.timing import (
    DelayBasis,
    delay_basis,
    delay_uncertainty,
    level_difference_db,
    planned_delay_ms,
)
from fillalign.tone import LowCuts, chosen_shelf, low_cuts_of
from fillalign.tuning import (
    LOWEST_TRIM_DB,
    OFF_DB,
    TRIM_STEP_DB,
    TrimCurve,
    headroom_db,
    trim_curve,
)
from fillalign.venue import OutputSettings, Venue, as_venue

PASSES = 2


class _Planner:
    """One planning run: the bench, the frozen reference and the settings so far."""

    def __init__(self, venue: Venue, air: Air | None) -> None:
        self.venue = as_venue(venue)
        if not venue.of_role("main"):
            raise ValueError("a plan needs at least one main in the venue, got none")
        self.bench: Bench = make_bench(venue, venue.states["show"].air if air is None else air)
        self.mains = main_outputs(venue)

    def measure(self, settings: dict[str, OutputSettings]) -> None:
        """Freeze the reference and the profile with the mains as set."""
        if all(np.isneginf(settings[s.output].trim_db) for s in self.venue.of_role("main")):
            raise ValueError(
                f"{', '.join(self.mains)}: at least one output of the mains must sound, since "
                "the fills are judged against it; every trim_db is minus infinity"
            )
        self.reference: Reference = mains_reference(self.bench, settings)
        self.profile = profile_dba(self.bench, self.reference.level_dba, self.reference.x_m)

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

    def basis(self, settings: dict[str, OutputSettings], output: str) -> DelayBasis:
        """Paths and weights of one output at its present trim (0 where it is off)."""
        settings = _audible(settings, output)
        fill, mains = (self.bench.direct_dba(settings, names) for names in ([output], self.mains))
        difference = level_difference_db(fill, mains)
        areas = covered_areas(self.venue, [output])
        return delay_basis(self.bench, settings, output, areas, difference)

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

    def curve(
        self,
        settings: dict[str, OutputSettings],
        output: str,
        sounding: list[str],
        together: list[str],
    ) -> TrimCurve:
        """Sweep the trim of one output and its tier, with what sounds ahead."""
        return trim_curve(
            self.bench, self.reference, self.profile, settings, output,
            covered_areas(self.venue, together), sounding, together, self.mains,
        )

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

    def parted(self, tier: list[str]) -> tuple[list[str], list[str]]:
        """Part a tier into outputs whose trim the file locks and those it leaves to us."""
        held = [name for name in tier if "trim_db" in self.venue.outputs[name].locked]
        return held, [name for name in tier if name not in held]

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

    def needs(
        self, settings: dict[str, OutputSettings], sounding: list[str], areas: tuple[str, ...]
    ) -> tuple[AreaNeed, ...]:
        """Needs of some areas with the given outputs sounding."""
        every = area_needs(self.bench, self.reference, self.profile, settings, sounding)
        return tuple(need for need in every if need.area in areas)

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

    def report(self, settings: dict[str, OutputSettings]) -> FillPlan:
        """Examine settings and write down what they do."""
        fills = [name for tier in fill_tiers(self.venue) for name in tier]
        readings = expected_readings(
            self.bench, {name: _audible(settings, name) for name in fills}
        )
        reports = [self.fill_report(settings, name, readings[name]) for name in fills]
        used = [name for name in fills if not np.isneginf(settings[name].trim_db)]
        everything = [*self.mains, *used]
        walk = walk_levels(self.bench, settings, everything, self.profile)
        checks, loudest = check_seats(self.bench, settings, used)
        won = gain_before_feedback_db(self.bench, settings, everything, walk)
        back = int(walk.x_m.argmax())
        front = int(walk.x_m.argmin())
        lift = float(walk.after_dba[back] - walk.before_dba[back])
        relief = lift - float(walk.after_dba[front] - walk.before_dba[front])
        every_area = tuple(area.name for area in self.venue.areas)
        needs = self.needs(settings, self.mains, every_area)
        left = self.needs(settings, everything, every_area)
        return FillPlan(
            venue=self.venue,
            air=self.bench.air,
            settings=settings,
            reference=self.reference,
            needs=needs,
            needs_after=left,
            fills=tuple(reports),
            walk=walk,
            checks=checks,
            loudest_dba=loudest,
            gain_before_feedback_db=won,
            back_gain_db=lift,
            front_relief_db=relief,
            summary=plan_summary(self.venue, needs, tuple(reports), walk, won, lift, relief),
            unmet=plan_unmet(
                self.venue, left, tuple(reports), checks, walk, self.reference,
                {name: settings[name] for name in self.mains},
            ),
            cautions=cautions(self.venue, loudest),
            assumptions=(*ASSUMPTIONS, *self.venue.defaults_used),
        )

    def fill_report(
        self, settings: dict[str, OutputSettings], output: str, reading: Reading
    ) -> FillReport:
        """Examine one fill output as set."""
        venue, air = self.venue, self.bench.air
        ahead, tier = heard_with(venue, settings, output)
        areas = covered_areas(venue, [output])
        own = settings[output]
        sounding = not np.isneginf(own.trim_db)
        on = _audible(settings, output)
        basis = self.basis(on, output)
        answers = basis.answers(air.speed_m_s)
        uncertainty = delay_uncertainty(basis, air, venue.goals.delay_rule, venue.survey)
        wanted = answers.of_rule(venue.goals.delay_rule) + venue.goals.image_margin_ms
        airs = [*venue.weather_c, *(s.air.temperature_c for s in venue.states.values())]
        coldest = min([*airs, air.temperature_c])
        cold_speed = air.at_temperature(coldest).speed_m_s
        counts = basis.weights > 0
        early, early_cold = (
            float(basis.wanted_ms(speed)[counts].max() - own.delay_ms)
            for speed in (air.speed_m_s, cold_speed)
        )
        held, free = self.parted(tier)
        moving = [output] if output in held else free
        curve = self.curve(on, output, [*ahead, *(n for n in tier if n not in moving)], moving)
        flat = {**on, **{name: replace(on[name], shelf_db=0.0) for name in tier}}
        shelf_db, _ = chosen_shelf(
            self.bench.part(covered_areas(venue, tier)), self.reference, flat, tier, ahead
        )
        needs = self.needs(settings, ahead, areas)
        reasons = (
            *delay_reasons(venue, output, own, answers, early, early_cold, coldest),
            uncertainty_reason(uncertainty),
            *trim_reasons(venue, output, own, curve, needs),
            *(tone_reasons(own, low_cuts_of(self.bench, settings, output), shelf_db)
              if sounding else ()),
        )
        return FillReport(
            output=output,
            areas=areas,
            sounding=sounding,
            needs=needs,
            answers=answers,
            basis=basis,
            uncertainty=uncertainty,
            hold_back_ms=max(-wanted, 0.0),
            rounding_ms=own.delay_ms - max(wanted, 0.0),
            trim=curve,
            reading=reading,
            coldest_c=coldest,
            early_ms=early,
            early_cold_ms=early_cold,
            reasons=reasons,
            unmet=fill_unmet(output, own, curve, -wanted) if sounding else (),
        )


def _audible(settings: dict[str, OutputSettings], output: str) -> dict[str, OutputSettings]:
    """Return the settings with the output at trim 0 if it is off."""
    own = settings[output]
    return {**settings, output: replace(own, trim_db=0.0)} if np.isneginf(own.trim_db) else settings


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
    shelf. Rules and thresholds are common practice except where the functions
    in `fillalign.timing`, `fillalign.tuning` and `fillalign.need` name a source.

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
    planner = _Planner(venue, air)
    full = resting_settings(venue)
    for tier in fill_tiers(venue):
        full.update({name: replace(full[name], trim_db=OFF_DB) for name in tier})
    full.update(settings)
    planner.measure(full)
    return planner.report(full)


__all__ = ["FillPlan", "SeatChecks", "Walk", "evaluate", "plan_fills"]
