"""What settings do: every fill examined, the walk, every seat, and what is left unmet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fillalign.air import Air
from fillalign.planning.bench import Bench, make_bench
from fillalign.planning.checks import (
    Reading,
    check_seats,
    expected_readings,
    gain_before_feedback_db,
    walk_levels,
)
from fillalign.planning.delay import DelayBasis, delay_basis, delay_uncertainty, level_difference_db
from fillalign.planning.equalise import chosen_shelf, low_cuts_of
from fillalign.planning.need import AreaNeed, Reference, area_needs, mains_reference, profile_dba
from fillalign.planning.reasons import (
    delay_reasons,
    fill_unmet,
    tone_reasons,
    trim_reasons,
    uncertainty_reason,
)
from fillalign.planning.result import FillPlan, FillReport
from fillalign.planning.trim import TrimCurve, trim_curve
from fillalign.planning.wording import ASSUMPTIONS, cautions, plan_summary, plan_unmet
from fillalign.planning.zones import covered_areas, fill_tiers, heard_with, main_outputs
from fillalign.venue import OutputSettings, Venue, as_venue


class Examiner:
    """Settings of one venue on its bench, judged against the mains as first set."""

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

    def basis(self, settings: dict[str, OutputSettings], output: str) -> DelayBasis:
        """Paths and weights of one output at its present trim (0 where it is off)."""
        settings = audible(settings, output)
        fill, mains = (self.bench.direct_dba(settings, names) for names in ([output], self.mains))
        difference = level_difference_db(fill, mains)
        areas = covered_areas(self.venue, [output])
        return delay_basis(self.bench, settings, output, areas, difference)

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

    def parted(self, tier: list[str]) -> tuple[list[str], list[str]]:
        """Part a tier into outputs whose trim the file locks and those it leaves to us."""
        held = [name for name in tier if "trim_db" in self.venue.outputs[name].locked]
        return held, [name for name in tier if name not in held]

    def needs(
        self, settings: dict[str, OutputSettings], sounding: list[str], areas: tuple[str, ...]
    ) -> tuple[AreaNeed, ...]:
        """Needs of some areas with the given outputs sounding."""
        every = area_needs(self.bench, self.reference, self.profile, settings, sounding)
        return tuple(need for need in every if need.area in areas)

    def report(self, settings: dict[str, OutputSettings]) -> FillPlan:
        """Examine settings and write down what they do."""
        fills = [name for tier in fill_tiers(self.venue) for name in tier]
        readings = expected_readings(
            self.bench, {name: audible(settings, name) for name in fills}
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
        on = audible(settings, output)
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


def audible(settings: dict[str, OutputSettings], output: str) -> dict[str, OutputSettings]:
    """Return the settings with the output at trim 0 if it is off."""
    own = settings[output]
    return {**settings, output: replace(own, trim_db=0.0)} if np.isneginf(own.trim_db) else settings
