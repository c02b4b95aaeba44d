"""Which outputs play together: mains, and fills in tiers from front to back."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from fillalign.field import Settings, output_roles
from fillalign.venue import Venue

TIER_M = 2.0


def main_outputs(venue: Venue) -> list[str]:
    """Names of the outputs of mains and subs."""
    return [name for name, role in output_roles(venue).items() if role in ("main", "sub")]


def fill_depths(venue: Venue) -> dict[str, float]:
    """Mean x of the boxes of each fill output, in m."""
    return {
        name: float(np.mean([s.position_m[0] for s in venue.sources if s.output == name]))
        for name, role in output_roles(venue).items()
        if role == "fill"
    }


def covered_areas(venue: Venue, outputs: Collection[str]) -> tuple[str, ...]:
    """Areas covered by any fill of some outputs."""
    names = {area for source in venue.sources if source.output in outputs for area in source.covers}
    return tuple(area.name for area in venue.areas if area.name in names)


def fill_tiers(venue: Venue) -> list[list[str]]:
    """Fill outputs, front to back, in tiers that are trimmed together.

    A tier holds outputs of one kind and loudspeaker, at most 2 m apart in depth,
    that cover the same area.
    """
    kinds = {s.output: (s.kind, s.loudspeaker) for s in venue.of_role("fill")}
    depths = fill_depths(venue)
    tiers: list[list[str]] = []
    for name in sorted(depths, key=lambda one: (depths[one], one)):
        for tier in tiers:
            first = tier[0]
            if (
                kinds[first] == kinds[name]
                and depths[name] - depths[first] <= TIER_M
                and set(covered_areas(venue, [first])) & set(covered_areas(venue, [name]))
            ):
                tier.append(name)
                break
        else:
            tiers.append([name])
    return tiers


def heard_with(
    venue: Venue, settings: Settings, output: str
) -> tuple[list[str], list[str]]:
    """Return what sounds ahead of a fill, and what of its tier sounds with it, itself included."""
    ahead = main_outputs(venue)
    for tier in fill_tiers(venue):
        on = [name for name in tier if not np.isneginf(settings[name].trim_db)]
        if output in tier:
            return ahead, on if output in on else [*on, output]
        ahead += on
    raise KeyError(output)
