"""Who plays for whom: the seats that decide in their rows, mains, and fills in tiers.

Fills are planned tier by tier from front to back, each with everything ahead of it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from fillalign._text import listed, quoted
from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.air import Air
from fillalign.field import (
    BoolArray,
    IntArray,
    Paths,
    Seats,
    Settings,
    hides,
    output_roles,
    reading_shifts_db,
    trace_paths,
    venue_seats,
)
from fillalign.venue import Venue, as_venue

TIER_M = 2.0
TRIM_STEP_DB = 0.5
SEATS_THAT_DECIDE = 20_000
READING_DOUBTED_DB, READING_REFUSED_DB = 6.0, 12.0
"""How far from the model a reading calls for a caution, and is refused (common practice)."""


@dataclass(frozen=True)
class Zones:
    """The seats n that decide, in rows r from the stage to the back.

    `reference_rows` (r,) marks the rows whose mean is the reference. Rows are
    counted in the order of their x; `starts` are the first seats of the rows as the
    venue lists them, `order` puts those in the order of x.
    """

    paths: Paths
    starts: IntArray
    order: IntArray
    row_x_m: FloatArray
    row_area: IntArray
    reference_rows: BoolArray

    @property
    def venue(self) -> Venue:
        """The venue that the seats are in."""
        return self.paths.venue

    @property
    def seats_a_row(self) -> IntArray:
        """Number of seats of each row, as the venue lists them."""
        return np.diff(np.append(self.starts, len(self.paths.seats)))

    def row_mean(self, values: FloatArray) -> FloatArray:
        """Mean over the seats of each row; the first axis holds seats."""
        sums = np.add.reduceat(values, self.starts, axis=0)
        counts = self.seats_a_row.reshape(-1, *(1,) * (values.ndim - 1))
        return np.asarray((sums / counts)[self.order])

    def rows_in(self, areas: Collection[str]) -> BoolArray:
        """Which rows lie in the named areas, (r,)."""
        return _lie_in(self.venue, self.row_area, areas)

    def covered(self, outputs: Collection[str]) -> Paths:
        """Paths to the seats in the areas that some outputs cover."""
        return self.paths.take(covered_seats(self.venue, self.paths.seats, outputs))


def deciding_seats(venue: Venue, most: int = SEATS_THAT_DECIDE) -> Seats:
    """Return the seats that decide: all of them, or of more than 20,000 an even share.

    The share is the same in every area, whose first and last seats are among them.
    """
    seats = venue_seats(venue)
    if len(seats) <= most:
        return seats
    areas = [np.flatnonzero(seats.area == number) for number in range(len(venue.areas))]
    counts = [max(2, int(len(own) * most / len(seats))) for own in areas]
    places = [own[np.unique(np.linspace(0, len(own) - 1, count).round().astype(int))]
              for own, count in zip(areas, counts, strict=True)]
    return seats.take(np.concatenate(places))


def make_zones(venue: Venue, air: Air | None) -> Zones:
    """Trace the paths to the seats that decide, occupied and in this air (or that state's).

    Raises
    ------
    ValueError
        If the venue has no main, or a reading that cannot be.
    """
    if not as_venue(venue).of_role("main"):
        raise ValueError("a plan needs at least one main in the venue, got none")
    _check_readings(venue)
    paths = trace_paths(venue, deciding_seats(venue), venue.states["show"], air)
    x, area = paths.seats.points_m[:, 0], paths.seats.area
    starts = np.flatnonzero(np.append(True, (np.diff(x) != 0) | (np.diff(area) != 0)))
    order = np.lexsort((area[starts], x[starts]))
    row_x = x[starts][order]
    return Zones(paths, starts, order, row_x, area[starts][order], reference_rows(venue, row_x))


def reading_gaps_db(venue: Venue) -> list[float]:
    """How far each reading lies above the model, over the bands that were read, in dB."""
    gaps = []
    for reading, shift in zip(venue.measured, reading_shifts_db(venue), strict=True):
        read = [octave in reading.by_octave_db for octave in OCTAVES_NOMINAL]
        bands = np.repeat(read, 3) if reading.by_octave_db else np.ones(shift.size, dtype=bool)
        gaps.append(float(shift[bands].mean()))
    return gaps


def _check_readings(venue: Venue) -> None:
    for reading, gap in zip(venue.measured, reading_gaps_db(venue), strict=True):
        if abs(gap) > READING_REFUSED_DB and not reading.sure:
            x, y, z = reading.at_m
            raise ValueError(
                f"measured {quoted(reading.output)} at x {x:.1f} y {y:.1f} z {z:.1f} m lies "
                f"{gap:+.1f} dB from what the file predicts, more than {READING_REFUSED_DB:g} dB: "
                f"was its output alone, at trim 0, in the state {reading.state}? If it is right, "
                "give it sure = true"
            )


def reference_rows(venue: Venue, row_x: FloatArray) -> BoolArray:
    """Which rows are the reference: those that the file names, or those around the mains' aim."""
    if venue.goals.reference_rows_m is not None:
        low, high = venue.goals.reference_rows_m
    else:
        aim = float(np.mean([source.aim_m[0] for source in venue.of_role("main")]))
        low, high = aim - 2.0, aim + 2.0
    inside = (row_x >= low - 1e-9) & (row_x <= high + 1e-9)
    if not inside.any():
        away = np.abs(row_x - (low + high) / 2)
        inside = away == away.min()
    return np.asarray(inside)


def hidden_areas(venue: Venue) -> list[int]:
    """Numbers of the areas that lie in the shadow of every main."""
    mains = venue.of_role("main")
    return [number for number, area in enumerate(venue.areas)
            if all(hides(area, main) for main in mains)]


def of_areas(venue: Venue, row_x_m: FloatArray, row_area: IntArray, which: BoolArray) -> str:
    """Name the areas of some rows, as " of nave", where others have rows there too; else nothing.

    What lies within half a metre is there: rows are told by whole metres.
    """
    x = row_x_m[which]
    near = (row_x_m >= x.min() - 0.5) & (row_x_m <= x.max() + 0.5)
    mine = {*row_area[which].tolist()}
    if mine == {*row_area[near].tolist()}:
        return ""
    return " of " + listed(venue.areas[number].name for number in sorted(mine))


def main_outputs(venue: Venue) -> list[str]:
    """Names of the outputs of mains and subs."""
    return [name for name, role in output_roles(venue).items() if role in ("main", "sub")]


def covered_areas(venue: Venue, outputs: Collection[str]) -> tuple[str, ...]:
    """Areas covered by any fill of some outputs."""
    names = {area for source in venue.sources if source.output in outputs for area in source.covers}
    return tuple(area.name for area in venue.areas if area.name in names)


def fill_tiers(venue: Venue) -> list[list[str]]:
    """Fill outputs, front to back, in tiers that are trimmed together.

    A tier holds outputs of one kind and loudspeaker, at most 2 m apart in depth,
    that cover the same area or mirror each other.
    """
    fills = venue.of_role("fill")
    kinds = {source.output: (source.kind, source.loudspeaker) for source in fills}
    depths = {name: float(np.mean([s.position_m[0] for s in fills if s.output == name]))
              for name in kinds}
    tiers: list[list[str]] = []
    for name in sorted(depths, key=lambda one: (depths[one], one)):
        for tier in tiers:
            first = tier[0]
            if (
                kinds[first] == kinds[name]
                and depths[name] - depths[first] <= TIER_M
                and (set(covered_areas(venue, [first])) & set(covered_areas(venue, [name]))
                     or mirror_of(venue, first) == name)
            ):
                tier.append(name)
                break
        else:
            tiers.append([name])
    return tiers


@dataclass(frozen=True)
class Asked:
    """What is asked of one fill output: its delay rule, image margin, and words or image first."""

    delay_rule: str
    image_margin_ms: float
    priority: str


def covered_seats(venue: Venue, seats: Seats, outputs: Collection[str]) -> BoolArray:
    """Which seats lie in the areas that some outputs cover, (n,)."""
    return _lie_in(venue, seats.area, covered_areas(venue, outputs))


def _lie_in(venue: Venue, number: IntArray, areas: Collection[str]) -> BoolArray:
    """Which of some numbers of areas are those of the named ones."""
    return np.isin(number, [at for at, area in enumerate(venue.areas) if area.name in areas])


def aim_seat(venue: Venue, seats: Seats, output: str) -> int:
    """Covered seat nearest to where an output's boxes aim."""
    inside = np.flatnonzero(covered_seats(venue, seats, [output]))
    aims = np.array([source.aim_m for source in venue.sources if source.output == output])
    away = np.linalg.norm(seats.points_m[inside][:, None] - aims, axis=2).min(axis=1)
    return int(inside[away.argmin()])


def asked_of(venue: Venue, output: str) -> Asked:
    """Return what the file asks of a fill: its own word, else its areas', else the venue's.

    Front fills default to the equal-level rule whatever the venue has: their seats
    are not in line with the mains, and box to box brings them far too late.
    """
    own, goals = venue.outputs[output], venue.goals
    fills = [source for source in venue.sources if source.output == output]
    front = all(source.kind == "front" for source in fills)
    areas = {area.priority for area in venue.areas if area.name in covered_areas(venue, [output])}
    return Asked(
        delay_rule=own.delay_rule or ("equal-level" if front else goals.delay_rule),
        image_margin_ms=(goals.image_margin_ms if own.image_margin_ms is None
                         else own.image_margin_ms),
        priority=own.priority or next(iter(sorted(filter(None, areas))), goals.priority),
    )


def mirror_of(venue: Venue, output: str) -> str | None:
    """Return the output that mirrors one across the middle of the venue, or None.

    Boxes, kinds, feeds and latencies mirror, and so do the mains.
    """
    if not _mirrored(venue, main_outputs(venue), main_outputs(venue)):
        return None
    for other in venue.outputs:
        if other != output and _mirrored(venue, [output], [other]):
            return other
    return None


def _mirrored(venue: Venue, outputs: Collection[str], others: Collection[str]) -> bool:
    """Whether the boxes of some outputs are those of others with left and right swapped."""
    swap = {"left": "right", "right": "left", "mono": "mono"}

    def boxes(names: Collection[str], side: float) -> list[tuple[object, ...]]:
        found: list[tuple[object, ...]] = []
        for source in venue.sources:
            if source.output in names:
                own = venue.outputs[source.output]
                (x, y, z), (u, v, w) = source.position_m, source.aim_m
                places = [round(float(a), 3) + 0.0 for a in (x, side * y, z, u, side * v, w)]
                found.append((*places, source.role, source.kind, source.loudspeaker,
                              own.feed if side > 0 else swap[own.feed], own.latency_ms,
                              own.polarity))
        return sorted(found, key=repr)

    return boxes(outputs, 1.0) == boxes(others, -1.0)


def parted(venue: Venue, tier: list[str]) -> tuple[list[str], list[str]]:
    """Part a tier into outputs whose trim the file locks and those it leaves to us."""
    held = [name for name in tier if "trim_db" in venue.outputs[name].locked]
    return held, [name for name in tier if name not in held]


def sounding_of(settings: Settings, outputs: Collection[str]) -> list[str]:
    """Return those of some outputs that sound."""
    return [name for name in outputs if settings.sounds(name)]
