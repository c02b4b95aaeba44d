"""Every path from every loudspeaker to every seat, before any setting.

Distances, travel times and sound by band with air, wind, directivity, shadow and
measured levels; what each source feeds the room. `fillalign.field.superpose` turns
these into levels once delays, trims and filters are known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fillalign import levels, loudspeakers as boxes
from fillalign._validate import ByValue, ComplexArray, FloatArray, as_air
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ, band_edges_hz
from fillalign.air import Air
from fillalign.interference import interference_power
from fillalign.propagation import distance_m, travel_time_ms, wind_along_m_s
from fillalign.room import NEAREST_M

if TYPE_CHECKING:
    from fillalign.venue import Area, Loudspeaker, Source, State, Venue

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
LOW_HZ, HIGH_HZ = band_edges_hz(THIRDS_HZ)
A_POWER = levels.weighting_factors(THIRDS_HZ)

# Third octaves up to 1 kHz in three parts each: there low cuts bend the phase, and over
# a whole third the straight part of it would be up to 2 dB off.
_PARTS = 3
_SPLIT = np.where(THIRDS_HZ < 1100, _PARTS, 1)
_LOWS = int(_SPLIT[_SPLIT > 1].sum())
SUB_BAND = np.repeat(np.arange(THIRDS_HZ.size), _SPLIT)
"""Third octave that each sub-band is a part of."""
SUB_SHARE = 1.0 / _SPLIT[SUB_BAND]
SUB_WIDTH_HZ = (HIGH_HZ - LOW_HZ)[SUB_BAND] * SUB_SHARE
_STEP = np.arange(SUB_BAND.size) - np.searchsorted(SUB_BAND, SUB_BAND)
SUB_CENTRE_HZ = LOW_HZ[SUB_BAND] + (_STEP + 0.5) * SUB_WIDTH_HZ


def third_means(values: FloatArray) -> FloatArray:
    """Mean over the sub-bands (last axis) of each third octave."""
    lows = sum(values[..., part:_LOWS:_PARTS] for part in range(_PARTS)) / _PARTS
    return np.concatenate([lows, values[..., _LOWS:]], axis=-1)


@dataclass(frozen=True, eq=False)
class Seats(ByValue):
    """Ear positions (n, 3) with their area: index into the venue's, -1 for none."""

    points_m: FloatArray
    area: IntArray

    def __len__(self) -> int:
        """Return the number of seats."""
        return len(self.points_m)

    def take(self, which: slice | IntArray | BoolArray) -> Seats:
        """Return some of the seats."""
        return Seats(self.points_m[which], self.area[which])


def output_roles(venue: Venue) -> dict[str, str]:
    """Role (main, sub or fill) of each output that drives a source."""
    return {source.output: source.role for source in venue.sources}


def venue_seats(venue: Venue) -> Seats:
    """Return all seats of a venue, area by area, row by row."""
    points = [area.seats_m() for area in venue.areas]
    index = np.repeat(np.arange(len(points)), [len(block) for block in points])
    return Seats(np.concatenate(points), index)


def single_points(points_m: FloatArray) -> Seats:
    """Return points that belong to no area, such as a microphone."""
    points = np.atleast_2d(np.asarray(points_m, dtype=float))
    return Seats(points, np.full(len(points), -1))


def place_among_seats(venue: Venue, point_m: FloatArray) -> Seats:
    """Return one point, in the area (and so in the shadow) of the seats that it is among."""
    seats = venue_seats(venue)
    away = np.linalg.norm(seats.points_m - point_m, axis=1)
    area = venue.areas[int(seats.area[away.argmin()])]
    if away.min() > max(area.row_spacing_m, area.seat_spacing_m):
        return single_points(point_m)
    return Seats(point_m[None, :], seats.area[[away.argmin()]])


@dataclass(frozen=True, eq=False)
class Paths(ByValue):
    """All paths at trim 0: sources s, seats n, third octaves b, sub-bands p.

    `power` (s, n, b) is each source alone, its elements' interference included, re
    (20 uPa)^2; `spectrum` (s, n, p) its complex pressure at the centres of the
    sub-bands, travel time in its phase. `tail_power` (s, b) is the power at 10 m of
    an omnidirectional source with the same sound power; `distance_m` (s, n);
    `within` (s, n) tells whether a seat lies inside the nominal coverage and in no
    shadow. `serving_m`, `serving_wind_m_s` and `serving_ms` (s, n) are the path, the
    wind along it and the travel time from the element that is loudest at the seat.
    """

    venue: Venue
    state: State
    air: Air
    seats: Seats
    source_output: IntArray
    power: FloatArray
    spectrum: ComplexArray
    tail_power: FloatArray
    distance_m: FloatArray
    within: BoolArray
    serving_m: FloatArray
    serving_wind_m_s: FloatArray
    serving_ms: FloatArray

    @property
    def names(self) -> list[str]:
        """Output of each source, by name."""
        return [list(self.venue.outputs)[number] for number in self.source_output]

    @property
    def level_dba(self) -> FloatArray:
        """A-weighted level of each source alone, (s, n)."""
        return np.asarray(levels.power_to_db(self.power @ A_POWER))

    def take(self, which: slice | IntArray | BoolArray) -> Paths:
        """Return the paths to some of the seats."""
        chosen = {name: getattr(self, name)[:, which] for name in (
            "power", "spectrum", "distance_m", "within", "serving_m", "serving_wind_m_s",
            "serving_ms")}
        return replace(self, seats=self.seats.take(which), **chosen)


def by_thirds(by_octave: Mapping[int, float], *, fill: float = 0.0) -> FloatArray:
    """Spread a mapping of nominal octaves over the 27 third octaves."""
    values = [float(by_octave.get(int(octave), fill)) for octave in OCTAVES_NOMINAL]
    return np.repeat(values, 3)


def band_levels_1m_db(loudspeaker: Loudspeaker) -> FloatArray:
    """Unweighted third-octave levels of pink noise at 1 m on the axis, in dB.

    Below its low limit a box falls at 24 dB an octave (fourth-order Butterworth
    magnitude: common practice for vented boxes), unless levels by octave are given.
    """
    if loudspeaker.level_by_octave_db:
        octaves = by_thirds(loudspeaker.level_by_octave_db, fill=-np.inf)
        return np.asarray(octaves - levels.power_to_db(3.0))
    roll_off = levels.power_to_db(1 + (loudspeaker.low_limit_hz / THIRDS_HZ) ** 8)
    bands = levels.pink_band_levels_db(0.0, THIRDS_HZ) - roll_off
    wanted = loudspeaker.level_dba or 0.0
    return np.asarray(bands + wanted - levels.weighted_total_db(bands, THIRDS_HZ))


@lru_cache(maxsize=64)
def _sound_power(
    coverage_deg: tuple[float, float],
    control_hz: float,
    rear_floor_db: float,
    elements: int,
    spacing_m: float,
    splay_deg: tuple[float, ...],
    speed_m_s: float,
) -> FloatArray:
    """Sound power over an omnidirectional box of the elements' axial level, by band.

    It does not depend on where an array hangs and looks, so it is kept: without, the
    field of one seat in a room with long arrays takes nine times as long.
    """
    if elements == 1:
        return 1 / np.asarray(boxes.directivity_factor(
            *coverage_deg, frequency_hz=THIRDS_HZ, control_hz=control_hz,
            rear_floor_db=rear_floor_db))
    places = boxes.array_elements(
        (0.0, 0.0, 0.0), (1.0, 0.0, 0.0),
        elements=elements, spacing_m=spacing_m, splay_deg=splay_deg or 0.0,
    )
    return np.asarray(boxes.array_radiated_power(
        *places, THIRDS_HZ, speed_m_s, *coverage_deg,
        control_hz=control_hz, rear_floor_db=rear_floor_db))


def _element_patterns(
    loudspeaker: Loudspeaker, positions: FloatArray, aims: FloatArray, points: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Directivity of elements (e, n, b) and whether a point is in the nominal coverage (e, n)."""
    # A seat in a box has no direction: it counts as on the axis.
    inside = np.linalg.norm(points - positions[:, None], axis=-1) < boxes.NOWHERE_M
    seen = np.where(inside[..., None], aims[:, None], points)
    theta, phi = boxes.off_axis_angles(positions[:, None], aims[:, None], seen)
    pattern = boxes.box_directivity(
        theta[..., None], phi[..., None], *loudspeaker.coverage_deg, frequency_hz=THIRDS_HZ,
        control_hz=loudspeaker.control_hz, rear_floor_db=loudspeaker.rear_floor_db,
    )
    nominal = boxes.box_directivity(theta, phi, *loudspeaker.coverage_deg, rear_floor_db=-100.0)
    # A hair below 6 dB down, so that half the coverage angle still counts.
    return pattern, nominal >= levels.db_to_amplitude(-6.03)


def _array_correction(
    loudspeaker: Loudspeaker, positions: FloatArray, aims: FloatArray, source: Source, speed: float
) -> FloatArray:
    """Element amplitude by band that gives the array unit level at its aim, back at 1 m."""
    if loudspeaker.elements == 1:
        return np.ones(THIRDS_HZ.size)
    target = np.asarray(source.aim_m, dtype=float)[None, :]
    reach = float(np.linalg.norm(target[0] - positions[0]))
    pattern, _ = _element_patterns(loudspeaker, positions, aims, target)
    away = np.linalg.norm(target - positions, axis=1)[:, None]
    total = interference_power((pattern[:, 0] / away) ** 2, away / speed, LOW_HZ, HIGH_HZ)
    return np.asarray(1.0 / (np.sqrt(total) * reach))


def _hidden(venue: Venue, source: Source, seats: Seats) -> Iterator[tuple[Area, BoolArray]]:
    """Yield the areas in the shadow of a source, and which seats are theirs."""
    for index, area in enumerate(venue.areas):
        if hides(area, source):
            yield area, seats.area == index


def corners_m(venue: Venue, source: Source, seats: Seats) -> FloatArray:
    """Corner round which a source comes to each seat, (n, 3); NaN where the way is straight."""
    corners = np.full((len(seats), 3), np.nan)
    for area, here in _hidden(venue, source, seats):
        if area.via_m is not None:
            corners[here] = area.via_m
    return corners


def hides(area: Area, source: Source) -> bool:
    """Whether an area lies in the shadow of a source."""
    return bool({*area.shadowed_from} & ({source.name, "mains"} if source.role == "main"
                                         else {source.name}))


def _ways(
    positions: FloatArray, corners: FloatArray, points: FloatArray, state: State, air: Air
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Lengths, winds and first points (e, n), (e, n), (n, 3) of the ways from elements to seats.

    Round a corner both legs count, and the wind is the steady one that takes as long.
    """
    bent = np.isfinite(corners[:, 0])
    first = np.where(bent[:, None], corners, points)
    legs = (positions[:, None], first), (first, points)
    blows = state.wind_m_s, state.wind_towards_deg
    length = [np.asarray(distance_m(*leg)) for leg in legs]
    wind = [np.asarray(wind_along_m_s(start, end, *blows)) for start, end in legs]
    time_s = sum(np.asarray(travel_time_ms(far, air, wind_along_m_s=along)) / 1000
                 for far, along in zip(length, wind, strict=True))
    whole = length[0] + length[1]
    steady = whole / np.maximum(time_s, 1e-12) - as_air(air).speed_m_s
    return whole, np.where(bent, steady, wind[0]), first


@dataclass(frozen=True, eq=False)
class Elements(ByValue):
    """Elements e of one source at seats n at trim 0, measured levels left out.

    `amplitude` (e, n, b) is pressure re 20 uPa; `length_m`, `wind_m_s` and
    `time_ms` (e, n) the path, the wind along it and its travel time; `within` (n,)
    whether a seat lies in the nominal coverage of any and in no shadow.
    `tail_power` (b,) is what the source feeds the room from `middle_m` (3,), and its
    power at 10 m if it went out alike in all directions; 0 outdoors.
    """

    amplitude: FloatArray
    length_m: FloatArray
    wind_m_s: FloatArray
    time_ms: FloatArray
    within: BoolArray
    tail_power: FloatArray
    middle_m: FloatArray


def trace_elements(
    venue: Venue, source: Source, seats: Seats, state: State, air: Air
) -> Elements:
    """Trace the paths from each element of one source; arguments as in `trace_paths`."""
    loudspeaker = venue.loudspeakers[source.loudspeaker]
    positions, axes = boxes.array_elements(
        source.position_m, source.aim_m, elements=loudspeaker.elements,
        spacing_m=loudspeaker.spacing_m, splay_deg=loudspeaker.splay_deg or 0.0,
    )
    aims, points, speed = positions + axes, seats.points_m, as_air(air).speed_m_s
    at_1m = levels.db_to_amplitude(band_levels_1m_db(loudspeaker))
    at_1m = at_1m * _array_correction(loudspeaker, positions, aims, source, speed)
    lengths, winds, first = _ways(
        positions, corners_m(venue, source, seats), points, state, air)
    pattern, inside = _element_patterns(loudspeaker, positions, aims, first)
    within, shadow = np.asarray(inside.any(axis=0)), np.ones((len(seats), THIRDS_HZ.size))
    for area, here in _hidden(venue, source, seats):
        within[here], shadow[here] = False, levels.db_to_amplitude(-by_thirds(area.shadow_loss_db))
    # Inside 0.5 m of a box no formula of a point source holds.
    loss = levels.path_loss_db(np.maximum(lengths, 0.5)[..., None], THIRDS_HZ, air)
    # Outdoors nothing comes back, so the costly integral of an array is left out.
    tail = _sound_power(
        loudspeaker.coverage_deg, loudspeaker.control_hz, loudspeaker.rear_floor_db,
        loudspeaker.elements, loudspeaker.spacing_m, loudspeaker.splay_deg, round(speed, 3),
    ) if venue.indoors else 0.0
    return Elements(
        amplitude=pattern * levels.db_to_amplitude(-loss) * (at_1m * shadow),
        length_m=lengths,
        wind_m_s=winds,
        time_ms=travel_time_ms(lengths, air, wind_along_m_s=winds),
        within=within,
        tail_power=at_1m**2 * tail / 100.0,
        middle_m=positions.mean(axis=0),
    )


def _trace_source(
    venue: Venue, source: Source, seats: Seats, state: State, air: Air
) -> dict[str, FloatArray | ComplexArray]:
    """Return what `Paths` holds of one source."""
    found = trace_elements(venue, source, seats, state, air)
    own = found.amplitude**2
    serving = (own @ A_POWER).argmax(axis=0), np.arange(len(seats))
    time_s = found.time_ms[..., None] / 1000
    waves = np.exp(-2j * np.pi * SUB_CENTRE_HZ * time_s)
    pressure = np.einsum("enp,enp->np", found.amplitude[..., SUB_BAND], waves)
    return {
        "power": interference_power(own, time_s, LOW_HZ, HIGH_HZ),
        # Single precision: a millionth of what is multiplied, and two thirds of a plan's time.
        "spectrum": pressure.astype(np.complex64),
        "within": found.within,
        "serving_m": found.length_m[serving],
        "serving_wind_m_s": found.wind_m_s[serving],
        "serving_ms": found.time_ms[serving],
        "tail_power": found.tail_power,
        "distance_m": np.maximum(distance_m(found.middle_m, seats.points_m), NEAREST_M),
    }


def trace_bare_paths(venue: Venue, seats: Seats, state: State, air: Air) -> Paths:
    """Trace all paths as the model has them, measured levels left out."""
    names = list(venue.outputs)
    traced = [_trace_source(venue, source, seats, state, air) for source in venue.sources]
    return Paths(
        venue, state, air, seats,
        source_output=np.array([names.index(source.output) for source in venue.sources]),
        **{key: np.stack([part[key] for part in traced]) for key in traced[0]},  # type: ignore[arg-type]
    )
