"""What in a venue file looks like a slip: feet for metres, a sign, a swap, a box aimed away.

Each is a question to whoever surveyed; nothing is decided by it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fillalign._text import listed
from fillalign.field import Paths, hides
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
    yield from _at_one_point(venue)
    for output in dict.fromkeys(source.output for source in venue.of_role("fill")):
        yield from _aimed_away(paths, output)


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
        yield Kind.FEET(**dict(zip(("length_m", "width_m", "height_m"), sides, strict=True)),
                        rt60_s=show.rt60_s[1000], absorption=absorption)


def _swapped(venue: Venue) -> Iterator[Finding]:
    """Yield the deepest main that hangs behind a fill, or far behind another main."""
    def depth(source: Source) -> float:
        return source.position_m[0]

    fills = [one for one in venue.of_role("fill") if one.kind != "front"]
    mains = sorted(venue.of_role("main"), key=depth)
    for other, apart_m in ((min(fills, key=depth, default=mains[0]), TIER_M),
                           (mains[0], _MAINS_APART_M)):
        if depth(mains[-1]) - depth(other) > apart_m:
            yield Kind.SWAPPED(mains[-1].name, other=other.name, role=other.role,
                               apart_m=depth(mains[-1]) - depth(other))
            return


def _at_one_point(venue: Venue) -> Iterator[Finding]:
    """Yield the boxes that hang at one point, to a centimetre, each group once."""
    points: dict[tuple[float, ...], list[str]] = {}
    for source in venue.sources:
        points.setdefault(tuple(np.round(source.position_m, 2).tolist()), []).append(source.name)
    for first, *others in points.values():
        if others:
            yield Kind.SAME_PLACE(first, others=_several(others))


def _aimed_away(paths: Paths, output: str) -> Iterator[Finding]:
    """Yield the boxes of an output that have no seat in their angles, or most of them behind."""
    found, within = [], np.zeros(len(paths.seats), dtype=bool)
    for number, source in enumerate(paths.venue.sources):
        here = np.isin(paths.seats.area, [
            at for at, area in enumerate(paths.venue.areas)
            if area.name in source.covers and not hides(area, source)])
        if source.output != output or not here.any():
            continue
        way = paths.seats.points_m[here] - source.position_m
        behind = (way @ np.subtract(source.aim_m, source.position_m) < 0).mean() > 0.5
        if behind or not paths.within[number, here].any():
            found.append(source)
            within, covered = within | paths.within[number], here
    if not found:
        return
    covers = listed(found[0].covers)
    yield Kind.AIMS_AWAY(found[0].name, boxes=_several([one.name for one in found]), covers=covers,
                         outside_pct=100 * float(1 - within[covered].mean()))
    (_, y, _), across = found[0].position_m, paths.seats.points_m[covered, 1]
    if (across * y < 0).all() and found[0].aim_m[1] * y > 0:
        yield Kind.WRONG_SIDE(found[0].name, covers=covers, y_m=y, from_y_m=float(across.min()),
                              to_y_m=float(across.max()))


def _several(names: list[str]) -> str:
    """Name one box, and count the others: page one has room for no list of them."""
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
