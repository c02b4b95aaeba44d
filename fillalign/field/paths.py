"""Every path from every loudspeaker element to every seat, before any setting.

Distances, travel times and band amplitudes with air, wind, directivity and
shadow; what each source feeds the room. `fillalign.field.superpose` turns these into
levels once delays, trims and filters are known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ, absorption_db_per_m, band_edges_hz
from fillalign.air import Air, as_air
from fillalign.interference import interference_power
from fillalign.levels import a_weighting_db, pink_band_levels_db
from fillalign.loudspeakers import (
    NOWHERE_M,
    array_elements,
    array_radiated_power,
    box_directivity,
    directivity_factor,
    off_axis_angles,
)
from fillalign.propagation import wind_along_m_s
from fillalign.room import NEAREST_M
from fillalign.venue import Loudspeaker, Source, State, Venue

IntArray = NDArray[np.int64]
LOW_HZ, HIGH_HZ = band_edges_hz(THIRDS_HZ)
CENTRE_HZ = (LOW_HZ + HIGH_HZ) / 2
A_POWER = 10 ** (a_weighting_db(THIRDS_HZ) / 10)
_OCTAVE_OF_THIRD = np.arange(THIRDS_HZ.size) // 3


@dataclass(frozen=True)
class Seats:
    """Ear positions with their area (index into the venue's, -1 for none) and row."""

    points_m: FloatArray
    area: IntArray
    row_x_m: FloatArray

    def __len__(self) -> int:
        """Return the number of seats."""
        return len(self.points_m)

    def take(self, which: slice | IntArray | NDArray[np.bool_]) -> Seats:
        """Return some of the seats."""
        return Seats(self.points_m[which], self.area[which], self.row_x_m[which])


def venue_seats(venue: Venue) -> Seats:
    """Return all seats of a venue, area by area, row by row."""
    points = [area.seats_m() for area in venue.areas]
    index = np.repeat(np.arange(len(points)), [len(block) for block in points])
    stacked = np.concatenate(points)
    return Seats(stacked, index, stacked[:, 0].copy())


def single_points(points_m: FloatArray) -> Seats:
    """Return points that belong to no area, such as a microphone."""
    points = np.atleast_2d(np.asarray(points_m, dtype=float))
    return Seats(points, np.full(len(points), -1), points[:, 0].copy())


def place_among_seats(venue: Venue, point_m: FloatArray) -> Seats:
    """Return one point, in the area (and so in the shadow) of the seats that it is among."""
    seats = venue_seats(venue)
    away = np.linalg.norm(seats.points_m - point_m, axis=1)
    area = venue.areas[int(seats.area[away.argmin()])]
    if away.min() > max(area.row_spacing_m, area.seat_spacing_m):
        return single_points(point_m)
    return Seats(point_m[None, :], seats.area[[away.argmin()]], point_m[None, 0])


@dataclass(frozen=True)
class Paths:
    """All paths at trim 0: elements e, sources s, seats n, third octaves b.

    `time_ms` (e, n) is travel time; `amplitude` (e, n, b) is pressure re 20 uPa;
    `tail_power` (s, b) is the power at 10 m of an omnidirectional source with
    the same sound power; `distance_m` (s, n); `within` (s, n) tells whether a
    seat lies inside the nominal coverage and in no shadow. `serving_m` and
    `serving_wind_m_s` (s, n) are the path and the wind along it from the element
    that is loudest at the seat, `level_dba` (s, n) the level of all elements.
    """

    seats: Seats
    element_source: IntArray
    source_output: IntArray
    time_ms: FloatArray
    amplitude: FloatArray
    tail_power: FloatArray
    distance_m: FloatArray
    within: NDArray[np.bool_]
    serving_m: FloatArray
    serving_wind_m_s: FloatArray
    level_dba: FloatArray
    speed_m_s: float

    @property
    def serving_ms(self) -> FloatArray:
        """Travel time from the element that serves the seat, (s, n)."""
        return np.asarray(1000 * self.serving_m / (self.speed_m_s + self.serving_wind_m_s))

    def take(self, which: IntArray | NDArray[np.bool_]) -> Paths:
        """Return the paths to some of the seats."""
        per_seat = (
            "time_ms", "amplitude", "distance_m", "within",
            "serving_m", "serving_wind_m_s", "level_dba",
        )
        chosen = {name: getattr(self, name)[:, which] for name in per_seat}
        return replace(self, seats=self.seats.take(which), **chosen)


def by_thirds(by_octave: Mapping[int, float], *, fill: float = 0.0) -> FloatArray:
    """Spread a mapping of nominal octaves over the 27 third octaves."""
    values = np.array([by_octave.get(int(octave), fill) for octave in OCTAVES_NOMINAL], dtype=float)
    return np.asarray(values[_OCTAVE_OF_THIRD])


def band_levels_1m_db(loudspeaker: Loudspeaker) -> FloatArray:
    """Unweighted third-octave levels of pink noise at 1 m on the axis, in dB.

    Below its low limit a box falls at 24 dB an octave (fourth-order Butterworth
    magnitude: common practice for vented boxes), unless levels by octave are given.
    """
    if loudspeaker.level_by_octave_db:
        octaves = by_thirds(loudspeaker.level_by_octave_db, fill=-np.inf)
        return np.asarray(octaves - 10 * np.log10(3))
    roll_off = -10 * np.log10(1 + (loudspeaker.low_limit_hz / THIRDS_HZ) ** 8)
    levels = pink_band_levels_db(0.0, THIRDS_HZ) + roll_off
    total = 10 * np.log10((10 ** (levels / 10) * A_POWER).sum())
    return np.asarray(levels + (loudspeaker.level_dba or 0.0) - total)


def _elements(source: Source, loudspeaker: Loudspeaker) -> tuple[FloatArray, FloatArray]:
    """Positions and axes (unit vectors) of a source's elements."""
    return array_elements(
        source.position_m,
        source.aim_m,
        elements=loudspeaker.elements,
        spacing_m=loudspeaker.spacing_m,
        splay_deg=loudspeaker.splay_deg or 0.0,
    )


@lru_cache(maxsize=64)
def _array_power(
    coverage_deg: tuple[float, float],
    control_hz: float,
    rear_floor_db: float,
    shape: tuple[tuple[float, ...], ...],
    speed_m_s: float,
) -> FloatArray:
    """Sound power of an array over one omnidirectional element's, by band.

    `shape` holds each element's place and axis in the array's own frame, so that
    arrays that differ only in where they hang share one integral.
    """
    places = np.array(shape)
    return np.asarray(
        array_radiated_power(
            places[:, :3],
            places[:, 3:],
            THIRDS_HZ,
            speed_m_s,
            *coverage_deg,
            control_hz=control_hz,
            rear_floor_db=rear_floor_db,
        )
    )


def _sound_power(
    loudspeaker: Loudspeaker, positions: FloatArray, axes: FloatArray, speed_m_s: float
) -> FloatArray:
    """Sound power over an omnidirectional box of the elements' axial level, by band."""
    if loudspeaker.elements == 1:
        return 1 / np.asarray(
            directivity_factor(
                *loudspeaker.coverage_deg,
                frequency_hz=THIRDS_HZ,
                control_hz=loudspeaker.control_hz,
                rear_floor_db=loudspeaker.rear_floor_db,
            )
        )
    heading = np.arctan2(axes[0, 1], axes[0, 0])
    turn = np.array(
        [[np.cos(heading), -np.sin(heading), 0], [np.sin(heading), np.cos(heading), 0], [0, 0, 1]]
    )
    local = np.hstack([(positions - positions[0]) @ turn, axes @ turn]).round(6) + 0.0
    return _array_power(
        loudspeaker.coverage_deg,
        loudspeaker.control_hz,
        loudspeaker.rear_floor_db,
        tuple(map(tuple, local.tolist())),
        round(speed_m_s, 3),
    )


def _element_patterns(
    loudspeaker: Loudspeaker, positions: FloatArray, aims: FloatArray, points: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Directivity of elements (e, n, b) and whether a point is in the nominal coverage (e, n)."""
    # A seat in a box has no direction: it counts as on the axis.
    inside = np.linalg.norm(points - positions[:, None], axis=-1) < NOWHERE_M
    seen = np.where(inside[..., None], aims[:, None], points)
    theta, phi = off_axis_angles(positions[:, None], aims[:, None], seen)
    horizontal, vertical = loudspeaker.coverage_deg
    pattern = box_directivity(
        theta[..., None],
        phi[..., None],
        horizontal,
        vertical,
        frequency_hz=THIRDS_HZ,
        control_hz=loudspeaker.control_hz,
        rear_floor_db=loudspeaker.rear_floor_db,
    )
    nominal = box_directivity(theta, phi, horizontal, vertical, rear_floor_db=-100.0)
    return pattern, nominal >= 10 ** (-6.03 / 20)


def _spread(distance: FloatArray, air: Air) -> FloatArray:
    """Amplitude ratio to 1 m of distance (..., n) and air, shape (..., n, b)."""
    loss = absorption_db_per_m(
        THIRDS_HZ, air.temperature_c, air.humidity_pct, air.pressure_kpa
    )
    # Inside 0.5 m of a box no formula of a point source holds.
    near = np.maximum(distance, 0.5)[..., None]
    ratio = np.exp(near * (loss * (-np.log(10) / 20)))
    ratio /= near
    return np.asarray(ratio)


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


def _shadow(venue: Venue, source: Source, seats: Seats) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Amplitude ratio (n, b) behind edges, and which seats are in shadow (n,)."""
    ratio = np.ones((len(seats), THIRDS_HZ.size))
    hidden = np.zeros(len(seats), dtype=bool)
    for index, area in enumerate(venue.areas):
        word = "mains" if source.role == "main" else source.name
        if word in area.shadowed_from or source.name in area.shadowed_from:
            here = seats.area == index
            ratio[here] = 10 ** (-by_thirds(area.shadow_loss_db) / 20)
            hidden |= here
    return ratio, hidden


def _trace_source(
    venue: Venue, source: Source, state: State, air: Air, seats: Seats
) -> dict[str, FloatArray]:
    loudspeaker = venue.loudspeakers[source.loudspeaker]
    positions, axes = _elements(source, loudspeaker)
    aims = positions + axes
    speed = air.speed_m_s
    at_1m = 10 ** (band_levels_1m_db(loudspeaker) / 20)
    at_1m = at_1m * _array_correction(loudspeaker, positions, aims, source, speed)
    shadow, hidden = _shadow(venue, source, seats)
    points = seats.points_m
    lengths = np.linalg.norm(points - positions[:, None], axis=-1)
    winds = wind_along_m_s(positions[:, None], points, state.wind_m_s, state.wind_towards_deg)
    amplitude, within = _element_patterns(loudspeaker, positions, aims, points)
    amplitude *= _spread(lengths, air)
    amplitude *= at_1m
    amplitude *= shadow
    level = np.square(amplitude) @ A_POWER
    serving = level.argmax(axis=0)[None, :]
    # Outdoors nothing comes back, so the costly integral of an array is left out.
    power = (
        _sound_power(loudspeaker, positions, axes, speed)
        if venue.indoors
        else np.zeros(THIRDS_HZ.size)
    )
    return {
        "amplitude": amplitude,
        "time_ms": 1000 * lengths / (speed + winds),
        "within": within.any(axis=0) & ~hidden,
        "serving_m": np.take_along_axis(lengths, serving, axis=0)[0],
        "serving_wind_m_s": np.take_along_axis(winds, serving, axis=0)[0],
        "level_dba": 10 * np.log10(np.maximum(level.sum(axis=0), 1e-30)),
        "tail_power": at_1m**2 * power / 100.0,
        "distance_m": np.maximum(
            np.linalg.norm(points - positions.mean(axis=0), axis=1), NEAREST_M
        ),
    }


def trace_paths(venue: Venue, seats: Seats, state: State, air: Air) -> Paths:
    """Trace all paths of a venue to some seats.

    Parameters
    ----------
    venue : Venue
        The venue.
    seats : Seats
        Where to listen; n of them take about 250 n bytes per element.
    state : State
        Wind, from the venue's `check` or `show`.
    air : Air
        The air on all paths.

    Returns
    -------
    Paths
        Everything that does not depend on the settings.

    Raises
    ------
    TypeError
        If the air is no Air.
    """
    as_air(air)
    names = list(venue.outputs)
    traced = [_trace_source(venue, source, state, air, seats) for source in venue.sources]
    counts = [len(part["amplitude"]) for part in traced]
    joined = {
        key: np.concatenate([part[key] for part in traced])
        for key in ("amplitude", "time_ms")
    }
    stacked = {
        key: np.stack([part[key] for part in traced])
        for key in (
            "within", "serving_m", "serving_wind_m_s", "level_dba", "tail_power", "distance_m",
        )
    }
    return Paths(
        seats=seats,
        speed_m_s=air.speed_m_s,
        element_source=np.repeat(np.arange(len(traced)), counts),
        source_output=np.array([names.index(source.output) for source in venue.sources]),
        **joined,
        **stacked,  # type: ignore[arg-type]
    )
