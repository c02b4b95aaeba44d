"""What in a venue file looks like a slip: feet for metres, a sign, a swap, a box aimed away.

Each is a question to whoever surveyed; nothing is decided by it.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from fillalign._text import listed
from fillalign._validate import FloatArray
from fillalign.field import BoolArray, Paths, hides
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import TIER_M
from fillalign.room import sabine_rt60_s
from fillalign.venue import Source, Venue

_MOST_ABSORPTION = 0.6
_MAINS_APART_M = 10.0


def survey_doubts(paths: Paths) -> Iterator[Finding]:
    """Yield what in the venue that was traced looks like a slip of who surveyed it."""
    venue = paths.venue
    yield from room_doubts(venue)
    yield from _swapped(venue)
    for one, other in combinations(venue.sources, 2):
        if np.allclose(one.position_m, other.position_m, atol=0.01):
            yield Finding(Kind.SAME_PLACE, one.name, {"other": other.name})
    for number, source in enumerate(venue.sources):
        areas = [at for at, area in enumerate(venue.areas)
                 if area.name in source.covers and not hides(area, source)]
        here = np.isin(paths.seats.area, areas)
        if source.role == "fill" and here.any():
            yield from _aimed_away(source, paths.seats.points_m[here], paths.within[number, here])


def room_doubts(venue: Venue) -> Iterator[Finding]:
    """Yield a doubt where so short a decay of so large a room takes walls that hardly exist.

    Rooms for an audience absorb 0.1 to 0.4 on average (common practice).
    """
    room, show = venue.room, venue.states["show"]
    if room is None or room.drawn or 1000 not in show.rt60_s:
        return
    sides = room.x_to_m - room.x_from_m, room.width_m, room.height_m
    absorption = sabine_rt60_s(*sides, 1.0) / show.rt60_s[1000]
    if absorption > _MOST_ABSORPTION:
        yield Finding(Kind.FEET, "", {
            **dict(zip(("length_m", "width_m", "height_m"), sides, strict=True)),
            "rt60_s": show.rt60_s[1000], "absorption": absorption})


def _swapped(venue: Venue) -> Iterator[Finding]:
    """Yield the deepest main that hangs behind a fill, or far behind another main."""
    def depth(source: Source) -> float:
        return source.position_m[0]

    fills = [one for one in venue.of_role("fill") if one.kind != "front"]
    mains = sorted(venue.of_role("main"), key=depth)
    for other, apart_m in ((min(fills, key=depth, default=mains[0]), TIER_M),
                           (mains[0], _MAINS_APART_M)):
        if depth(mains[-1]) - depth(other) > apart_m:
            yield Finding(Kind.SWAPPED, mains[-1].name, {
                "other": other.name, "role": other.role,
                "apart_m": depth(mains[-1]) - depth(other)})
            return


def _aimed_away(
    source: Source, seats_m: FloatArray, within: BoolArray
) -> Iterator[Finding]:
    """Yield a box that has none of its seats in its angles, or most behind it, and a wrong side."""
    x, y, z = source.position_m
    ahead = (seats_m - (x, y, z)) @ np.subtract(source.aim_m, (x, y, z))
    if within.any() and (ahead < 0).mean() <= 0.5:
        return
    covers = listed(source.covers)
    yield Finding(Kind.AIMS_AWAY, source.name, {
        "covers": covers, "outside_pct": 100 * float(1 - within.mean())})
    across = seats_m[:, 1]
    if (across * y < 0).all() and source.aim_m[1] * y > 0:
        yield Finding(Kind.WRONG_SIDE, source.name, {
            "covers": covers, "y_m": y, "from_y_m": float(across.min()),
            "to_y_m": float(across.max())})
