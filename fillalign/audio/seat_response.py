"""The impulse response from the console to a seat: direct sounds, reflections and the room's tail.

Put together from the same paths, levels and room model as the maps, so that
what is heard is what is drawn. First reflections come off the walls of the venue's box
by image sources (Allen and Berkley 1979, J. Acoust. Soc. Am. 65(4), 943-950): a box heard
by way of a wall is the box heard at the seat's mirror image. The tail is noise that dies
away by octave.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import cast

import numpy as np

from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_HZ, THIRDS_HZ
from fillalign.audio import spectra
from fillalign.audio.head import likeness
from fillalign.audio.scene import Scene
from fillalign.field import A_POWER, IntArray, Paths, Seats, early_ms, superpose, trace_paths
from fillalign.levels import db_to_amplitude, db_to_power, power_to_db
from fillalign.room import DECAY_NEPERS, reverberant_energy
from fillalign.venue import Room

WINDOW_MS = 40.0
"""How long after a source's arrival single reflections may stand for part of the tail."""

_SOFT_MS = 10.0
_BOUNCES = 2
_MOST = 8
_RING_S = 0.2
# The tail keeps some of what it brings while reflections stand out of it.
_AT_MOST = 0.7

# Direct sound ---------------------------------------------------------------------------------


def _source_sound(
    scene: Scene, source: int, output: int, frequency: FloatArray
) -> FloatArray:
    """Return the direct sound of one source: level, pattern, air and arrival of its elements.

    They share one phase, that of a sound as coloured as theirs together which rings
    only after its start: so they interfere as in the maps. The air adds none.
    """
    found, gain = scene.elements[source], scene.drive * scene.shift[output]
    loss = spectra.loss_db_per_m(frequency, scene.paths.air)
    at_bands = spectra.loss_db_per_m(THIRDS_HZ, scene.paths.air)
    spectrum, power = np.zeros(frequency.size, dtype=complex), np.zeros(frequency.size)
    for amplitude, length, time in zip(
        found.amplitude[:, 0], found.length_m[:, 0], found.time_ms[:, 0], strict=True
    ):
        away = max(length, 0.5)
        # The bands' own air comes off so that the exact spectra.curve can be put on; what
        # it takes by more than 600 dB stays silent.
        given_back = db_to_amplitude(np.minimum(at_bands * away, 600.0))
        level = spectra.curve_db(frequency, (amplitude * given_back * gain) ** 2)
        late = scene.time(output, time) / scene.rate
        wave = np.exp(-2j * np.pi * late * frequency)
        spectrum += db_to_amplitude(level - loss * away) * wave
        power += db_to_power(level)
    turn = spectra.minimum_phase(power_to_db(np.maximum(power, 1e-300)), scene.dry_size)
    sound = np.fft.irfft(spectrum * turn * spectra.closing(frequency), scene.dry_size)
    # What one element, unlike the others together, still rings ahead is cut off.
    first = float(scene.time(output, found.time_ms.min()))
    return np.asarray(sound * spectra.opening(sound.size, first, scene.rate))


def _direct(scene: Scene, outputs: list[int]) -> FloatArray:
    """Return the direct sound of all outputs (ears, size)."""
    frequency = scene.frequency(scene.dry_size)
    sound = np.zeros((scene.ears, scene.size))
    for output in outputs:
        heard = np.zeros((scene.ears, frequency.size), dtype=complex)
        for source in scene.sources(output):
            once = _source_sound(scene, source, output, frequency)
            towards = scene.elements[source].middle_m - scene.ear_m
            heard += np.fft.rfft(once) * scene.heard(towards, frequency)
        own = np.fft.irfft(heard, scene.dry_size)[:, : -scene.lead]
        sound[:, : own.shape[1]] += scene.filtered(output, own)
    return sound


# First reflections ----------------------------------------------------------------------------


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


def kept_by_walls(scene: Scene) -> FloatArray:
    """Return the share of power that one wall sends back, by octave, from the decay (9,).

    Eyring 1930, J. Acoust. Soc. Am. 1, 217-241: sound meets a wall every 4 V/S, and
    what the air takes in between is none of the wall's.
    """
    sides = np.diff(_walls(cast(Room, scene.venue.room)), axis=0)[0]
    surface = 2 * float(sides @ np.roll(sides, 1))
    path_m = 4 * float(np.prod(sides)) / surface
    air = scene.paths.air
    by_walls = DECAY_NEPERS / (scene.rt60_s * air.speed_m_s)
    by_air = np.log(db_to_power(spectra.loss_db_per_m(OCTAVES_HZ, air)))
    return np.asarray(np.exp(-path_m * np.maximum(by_walls - by_air, 0.0)))


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
    places = np.array([scene.ear_m, *(one.middle_m for one in scene.elements)])
    if room is None or (np.clip(places, *_walls(room)) != places).any():
        return None
    points, bounces, signs = mirrored(room, scene.ear_m)
    seats = Seats(points, np.repeat(scene.paths.seats.area, len(points)))
    paths = trace_paths(scene.venue, seats, scene.paths.state, scene.paths.air)
    return Images(paths, bounces.astype(int), signs)


def _heard(
    scene: Scene, size: int, powers: FloatArray, late_s: FloatArray, towards: FloatArray
) -> FloatArray:
    """Return images with these powers by third (n, 27), times and directions at each ear."""
    frequency = scene.frequency(size)
    spectrum = np.zeros((scene.ears, frequency.size), dtype=complex)
    for power, late, way in zip(powers, late_s, towards, strict=True):
        level = spectra.curve_db(frequency, power)
        turn = spectra.minimum_phase(level, size) * np.exp(-2j * np.pi * late * frequency)
        spectrum += db_to_amplitude(level) * turn * scene.heard(way, frequency)
    return np.asarray(np.fft.irfft(spectrum * spectra.closing(frequency), size))


def reflections(scene: Scene, images: Images, output: int) -> tuple[FloatArray, FloatArray]:
    """Return one output's first reflections at each ear (ears, size), before its filters.

    Besides, by source and octave, the share of the tail's first `WINDOW_MS` that
    they bring and that it must leave out: together they keep the room model's power.
    """
    from scipy import fft

    own, traced = scene.sources(output), images.paths
    sound, taken = np.zeros((scene.ears, scene.size)), np.zeros((len(own), OCTAVES_HZ.size))
    kept = np.repeat(kept_by_walls(scene), 3)
    free = np.maximum(_by_octave(tail_powers(scene, output)) * window_share(scene), 1e-300)
    size = fft.next_fast_len(round((WINDOW_MS / 1000 + _RING_S) * scene.rate), real=True)
    for row, source in enumerate(own):
        some = images.loudest(scene, source)
        powers = traced.power[source, some] * scene.drive**2 * kept ** images.bounces[some, None]
        brought = _by_octave(powers).sum(axis=0)
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


# Tail -----------------------------------------------------------------------------------------


def _by_octave(powers: FloatArray) -> FloatArray:
    """Return powers by third (n, 27) as sums by octave (n, 9)."""
    return np.asarray(powers.reshape(-1, OCTAVES_HZ.size, 3).sum(axis=2))


def octave_masks(frequency_hz: FloatArray) -> FloatArray:
    """Return nine band passes that add up to 1, (octaves, frequencies)."""
    place = np.clip(10 / 3 * np.log10(np.maximum(frequency_hz, 1.0) / OCTAVES_HZ[0]), 0, 8)
    # Crossings a third of an octave wide at the octaves' edges.
    edges = np.arange(9)[:, None] - 0.5
    risen = np.sin(np.pi / 2 * np.clip((place - edges) * 3 + 0.5, 0, 1)) ** 2
    risen[0] = 1.0
    return np.asarray(risen - np.pad(risen[1:], ((0, 1), (0, 0))))


def tail_powers(scene: Scene, output: int) -> FloatArray:
    """Return the power gain of one output's whole tail, by source and third."""
    own = scene.sources(output)
    volume = scene.venue.room.volume_m3 if scene.venue.room else np.inf
    energy = reverberant_energy(scene.paths.distance_m[own, 0, None], scene.rt60_s, volume)
    return np.asarray(scene.paths.tail_power[own] * np.repeat(energy, 3, axis=1) * scene.drive**2)


def _early_window(rate: float) -> FloatArray:
    """Return the share of the tail that reflections may stand for, sample by sample."""
    time = np.arange(round(WINDOW_MS * rate / 1000)) * 1000 / rate
    return np.cos(np.pi / 2 * np.clip((time - WINDOW_MS + _SOFT_MS) / _SOFT_MS, 0, 1)) ** 2


def window_share(scene: Scene) -> FloatArray:
    """Return the share of a tail's power that lies in that window, by octave (9,)."""
    window = _early_window(scene.rate)
    dying = np.exp(-scene.pace[:, None] * np.arange(window.size))
    return np.asarray(-np.expm1(-scene.pace) * (dying @ window))


def _carriers(scene: Scene, frequency: FloatArray, seed: list[int]) -> FloatArray:
    """Return noise for each ear (ears, f), as like as ears are in sound from everywhere."""
    from scipy import fft

    size = 2 * (frequency.size - 1)
    draws = np.random.default_rng(seed)
    # Single precision, 140 dB below the noise itself, takes half the time.
    noise = [fft.rfft(draws.standard_normal(size, dtype=np.float32)) for _ in range(scene.ears)]
    if scene.ears == 1:
        return np.array(noise)
    alike = likeness(frequency).astype(np.float32)
    return np.array([noise[0], alike * noise[0] + np.sqrt(1 - alike**2) * noise[1]])


def tail(scene: Scene, output: int, taken: FloatArray, seed: int) -> FloatArray:
    """Return one output's tail at each ear (ears, size), before its filters.

    It starts at each source's arrival; `taken` (sources, 9) is the share of its first
    `WINDOW_MS` that single reflections bring instead.
    """
    from scipy import fft

    length = fft.next_fast_len(scene.size - scene.lead + 1, real=True) // 2 * 2
    frequency = scene.frequency(length)
    powers, own = tail_powers(scene, output), scene.sources(output)
    start = np.round(scene.time(output, scene.paths.serving_ms[own, 0])).astype(int)
    first = int(start.min())
    time = np.arange(scene.size - first)
    window = np.zeros(time.size)
    window[: round(WINDOW_MS * scene.rate / 1000)] = _early_window(scene.rate)
    carriers = _carriers(scene, frequency, [seed, output])
    carriers = carriers * spectra.curve(frequency, powers.sum(axis=0)).astype(np.float32)
    shares = _by_octave(powers)
    # An octave that no box of the output plays has no shares.
    shares = shares / np.maximum(shares.sum(axis=0), 1e-300)
    sound = np.zeros((scene.ears, scene.size))
    for octave, mask in enumerate(octave_masks(frequency).astype(np.float32)):
        dying, left = np.exp(-scene.pace[octave] * time), np.zeros(time.size)
        for lag, share, given in zip(start - first, shares[:, octave], taken[:, octave],
                                     strict=True):
            left[lag:] += (share * dying * (1 - given * window))[: time.size - lag]
        steps = np.sqrt(left * -np.expm1(-scene.pace[octave])).astype(np.float32)
        sound[:, first:] += fft.irfft(carriers * mask, length)[:, : time.size] * steps
    return sound


# All of it ------------------------------------------------------------------------------------


def _levelled(
    scene: Scene, before: FloatArray, part: FloatArray, wanted: FloatArray, opened: FloatArray
) -> FloatArray:
    """Return a part of the room's sound with so much power by third beside what is there before.

    One stretch of noise is louder or softer than the mean of many, by 3 dB in
    the lows, and adds to what is there or takes from it. Both ears share one gain.
    """
    frequency = scene.frequency(scene.size)
    there = np.fft.rfft(before)
    for _ in range(3):
        spectrum = np.fft.rfft(part)
        own = np.maximum(spectra.band_means((np.abs(spectrum) ** 2).mean(axis=0), frequency), 1e-30)
        common = spectra.band_means((spectrum * np.conj(there)).real.mean(axis=0), frequency)
        gain = (np.sqrt(common**2 + own * wanted) - common) / own
        gain = spectra.curve(frequency, np.clip(gain, 0.25, 4.0) ** 2)
        part = opened * np.fft.irfft(spectrum * gain, scene.size)
    return np.asarray(part)


def _room_sound(scene: Scene, outputs: list[int], direct: FloatArray, seed: int) -> FloatArray:
    """Return reflections and tail of all outputs (ears, size), early and late as in the maps."""
    wet, images = np.zeros_like(direct), trace_images(scene)
    for output in outputs:
        own, taken = np.zeros_like(direct), np.zeros((len(scene.sources(output)), OCTAVES_HZ.size))
        if images is not None:
            own, taken = reflections(scene, images, output)
        wet += scene.filtered(output, own + tail(scene, output, taken, seed))
    names = list(scene.venue.outputs)
    field = superpose(scene.paths, scene.settings, sounding=[names[one] for one in outputs])
    first = min(float(scene.time(output, scene.elements[source].time_ms.min()))
                for output in outputs for source in scene.sources(output))
    turns_late = (float(field.first_ms[0]) + early_ms(scene.venue)) * scene.rate / 1000
    opened, late = (spectra.opening(scene.size, start, scene.rate)
                    for start in (first, scene.lead + turns_late))
    weights = field.gains()[:, None] ** 2
    wanted = [(weights * power[:, 0]).sum(axis=0) * scene.drive**2
              for power in (field.early, field.late)]
    early = _levelled(scene, direct, wet * (1 - late), wanted[0], opened)
    return early + _levelled(scene, direct + early, wet * late, wanted[1], late)


def seat_response(scene: Scene, chosen: list[str], seed: int) -> FloatArray:
    """Return the response from console to each ear (ears, n), `lead` samples ahead."""
    names = list(scene.venue.outputs)
    outputs = [names.index(n) for n in chosen if scene.settings[n].trim_db > -np.inf]
    direct = _direct(scene, outputs)
    if not scene.rt60_s.size or not outputs:
        return direct
    return direct + _room_sound(scene, outputs, direct, seed)
