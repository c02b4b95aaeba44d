"""The first reflections at a seat: off the walls of the venue's box, before its tail.

Image sources (Allen and Berkley 1979, J. Acoust. Soc. Am. 65(4), 943-950): a box
heard by way of a wall is the box heard at the seat's mirror image.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import cast

import numpy as np

from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_HZ
from fillalign.audio.scene import Scene
from fillalign.audio.spectra import closing, curve_db, loss_db_per_m, minimum_phase
from fillalign.audio.tail import WINDOW_MS, tail_powers, window_share
from fillalign.field import A_POWER, IntArray, Paths, Seats, trace_paths
from fillalign.levels import db_to_amplitude, db_to_power
from fillalign.room import DECAY_NEPERS
from fillalign.venue import Room

_BOUNCES = 2
_MOST = 8
_RING_S = 0.2
# The tail keeps some of what it brings while reflections stand out of it.
_AT_MOST = 0.7


def _walls(room: Room) -> FloatArray:
    """Return the room's box: lower and upper corner (2, 3)."""
    half = room.width_m / 2
    return np.array([[room.x_from_m, -half, 0.0], [room.x_to_m, half, room.height_m]])


def mirrored(room: Room, point_m: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mirror images (n, 3) of a point in one wall or two.

    Besides, how many walls each takes (n,), and along which axes it is turned
    round, as signs (n, 3).
    """
    low, high = _walls(room)
    axes = []
    for place, one, other in zip(point_m, low, high, strict=True):
        away = 2 * (other - one)
        axes.append([(place, 0, 1.0), (2 * one - place, 1, -1.0), (2 * other - place, 1, -1.0),
                     (place + away, 2, 1.0), (place - away, 2, 1.0)])
    found = np.array([ways for ways in product(*axes)
                      if 0 < sum(bounces for _, bounces, _ in ways) <= _BOUNCES])
    return found[..., 0], found[..., 1].sum(axis=1), found[..., 2]


def kept_by_walls(scene: Scene, rt60_s: FloatArray) -> FloatArray:
    """Return the share of power that one wall sends back, by octave, from the decay (9,).

    Eyring 1930, J. Acoust. Soc. Am. 1, 217-241: sound meets a wall every 4 V/S, and
    what the air takes in between is none of the wall's.
    """
    sides = np.diff(_walls(cast(Room, scene.venue.room)), axis=0)[0]
    surface = 2 * float(sides @ np.roll(sides, 1))
    path_m = 4 * float(np.prod(sides)) / surface
    air = scene.paths.air
    by_walls = DECAY_NEPERS / (rt60_s[::3] * air.speed_m_s)
    by_air = np.log(db_to_power(loss_db_per_m(OCTAVES_HZ, air)))
    return np.asarray(np.exp(-path_m * np.maximum(by_walls - by_air, 0.0)))


def _inside(room: Room, points_m: FloatArray) -> bool:
    low, high = _walls(room)
    return bool(((points_m >= low) & (points_m <= high)).all())


@dataclass(frozen=True)
class Images:
    """The seat's mirror images: paths to them, how many walls, and which axes are turned."""

    paths: Paths
    bounces: IntArray
    signs: FloatArray

    def loudest(self, scene: Scene, source: int) -> list[int]:
        """Return the images by which a source is loudest within the window."""
        late = self.paths.serving_ms[source] - scene.paths.serving_ms[source, 0]
        level = np.where((late > 0) & (late < WINDOW_MS), self.paths.power[source] @ A_POWER, 0.0)
        return [int(one) for one in np.argsort(-level)[:_MOST] if level[one] > 0]


def trace_images(scene: Scene) -> Images | None:
    """Trace every source to the seat's mirror images; none where the box does not hold them."""
    room = scene.venue.room
    places = np.array([one.middle_m for one in scene.elements])
    if room is None or not _inside(room, np.vstack([places, scene.ear_m])):
        return None
    points, bounces, signs = mirrored(room, scene.ear_m)
    seats = Seats(points, np.repeat(scene.paths.seats.area, len(points)))
    paths = trace_paths(scene.venue, seats, scene.paths.state, scene.paths.air)
    return Images(paths, bounces.astype(int), signs)


def _heard(
    scene: Scene, size: int, powers: FloatArray, late_s: FloatArray, towards: FloatArray
) -> FloatArray:
    """Return images with these powers by third (n, 27), times and directions at each ear."""
    from scipy import fft

    frequency = fft.rfftfreq(size, 1 / scene.rate)
    spectrum = np.zeros((scene.ears, frequency.size), dtype=complex)
    for power, late, way in zip(powers, late_s, towards, strict=True):
        level = curve_db(frequency, power)
        wave = db_to_amplitude(level) * minimum_phase(level, size) * closing(frequency)
        spectrum += wave * np.exp(-2j * np.pi * late * frequency) * scene.heard(way, frequency)
    return np.asarray(fft.irfft(spectrum, size))


def reflections(
    scene: Scene, images: Images, output: int, rt60_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return one output's first reflections at each ear (ears, size), before its filters.

    Besides, by source and octave, the share of the tail's first `WINDOW_MS` that
    they bring and that it must leave out: together they keep the room model's power.
    """
    from scipy import fft

    own, traced = scene.sources(output), images.paths
    sound, taken = np.zeros((scene.ears, scene.size)), np.zeros((len(own), OCTAVES_HZ.size))
    kept = np.repeat(kept_by_walls(scene, rt60_s), 3)
    free = tail_powers(scene, output, rt60_s).reshape(-1, 9, 3).sum(axis=2)
    free = np.maximum(free * window_share(scene, rt60_s), 1e-300)
    size = fft.next_fast_len(round((WINDOW_MS / 1000 + _RING_S) * scene.rate), real=True)
    for row, source in enumerate(own):
        some = images.loudest(scene, source)
        powers = traced.power[source, some] * scene.drive**2 * kept ** images.bounces[some, None]
        brought = powers.reshape(len(some), 9, 3).sum(axis=(0, 2))
        share = np.minimum(1.0, _AT_MOST * free[row] / np.maximum(brought, 1e-300))
        taken[row] = share * brought / free[row]
        first = int(scene.time(output, scene.paths.serving_ms[source, 0]))
        late_s = (scene.time(output, traced.serving_ms[source, some]) - first) / scene.rate
        towards = scene.elements[source].middle_m - traced.seats.points_m[some]
        heard = _heard(scene, size, powers * np.repeat(share, 3), late_s,
                       towards * images.signs[some])
        part = sound[:, first : first + size]
        part += heard[:, : part.shape[1]]
    return sound, taken
