"""The impulse response from the console to a seat: direct sounds, reflections and the room's tail.

Put together from the same paths, levels and room model as the maps, so that
what is heard is what is drawn.
"""

from __future__ import annotations

import numpy as np

from fillalign._validate import FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.audio.reflections import reflections, trace_images
from fillalign.audio.scene import Scene
from fillalign.audio.spectra import (
    band_means,
    closing,
    curve,
    curve_db,
    loss_db_per_m,
    minimum_phase,
    opening,
)
from fillalign.audio.tail import tail
from fillalign.field import early_ms, superpose
from fillalign.levels import db_to_amplitude, db_to_power, power_to_db


def _source_sound(
    scene: Scene, source: int, output: int, frequency: FloatArray
) -> FloatArray:
    """Return the direct sound of one source: level, pattern, air and arrival of its elements.

    They share one phase, that of a sound as coloured as theirs together which rings
    only after its start: so they interfere as in the maps. The air adds none.
    """
    from scipy import fft

    found, gain = scene.elements[source], scene.drive * scene.shift[output]
    loss = loss_db_per_m(frequency, scene.paths.air)
    at_bands = loss_db_per_m(THIRDS_HZ, scene.paths.air)
    spectrum, power = np.zeros(frequency.size, dtype=complex), np.zeros(frequency.size)
    for amplitude, length, time in zip(
        found.amplitude[:, 0], found.length_m[:, 0], found.time_ms[:, 0], strict=True
    ):
        away = max(length, 0.5)
        # The bands' own air comes off so that the exact curve can be put on; what
        # it takes by more than 600 dB stays silent.
        given_back = db_to_amplitude(np.minimum(at_bands * away, 600.0))
        level = curve_db(frequency, (amplitude * given_back * gain) ** 2)
        late = scene.time(output, time) / scene.rate
        wave = np.exp(-2j * np.pi * late * frequency)
        spectrum += db_to_amplitude(level - loss * away) * wave
        power += db_to_power(level)
    turn = minimum_phase(power_to_db(np.maximum(power, 1e-300)), scene.dry_size)
    sound = fft.irfft(spectrum * turn * closing(frequency), scene.dry_size)
    # What one element, unlike the others together, still rings ahead is cut off.
    first = float(scene.time(output, found.time_ms.min()))
    return np.asarray(sound * opening(sound.size, first, scene.rate))


def _direct(scene: Scene, outputs: list[int]) -> FloatArray:
    """Return the direct sound of all outputs (ears, size)."""
    from scipy import fft

    frequency = fft.rfftfreq(scene.dry_size, 1 / scene.rate)
    sound = np.zeros((scene.ears, scene.size))
    for output in outputs:
        own = np.zeros((scene.ears, scene.dry_size))
        for source in scene.sources(output):
            once = _source_sound(scene, source, output, frequency)
            if scene.looking is None:
                own += once
                continue
            towards = scene.elements[source].middle_m - scene.ear_m
            own += fft.irfft(fft.rfft(once) * scene.heard(towards, frequency), scene.dry_size)
        own = scene.filtered(output, own[:, : -scene.lead])
        sound[:, : own.shape[1]] += own
    return sound


def _levelled(
    scene: Scene, before: FloatArray, part: FloatArray, wanted: FloatArray, opened: FloatArray
) -> FloatArray:
    """Return a part of the room's sound with so much power by third beside what is there before.

    One stretch of noise is louder or softer than the mean of many, by 3 dB in
    the lows, and adds to what is there or takes from it. Both ears share one gain.
    """
    from scipy import fft

    frequency = fft.rfftfreq(scene.size, 1 / scene.rate)
    there = fft.rfft(before)
    for _ in range(3):
        spectrum = fft.rfft(part)
        own = np.maximum(band_means((np.abs(spectrum) ** 2).mean(axis=0), frequency), 1e-30)
        common = band_means((spectrum * np.conj(there)).real.mean(axis=0), frequency)
        gain = (np.sqrt(common**2 + own * wanted) - common) / own
        gain = curve(frequency, np.clip(gain, 0.25, 4.0) ** 2)
        part = opened * fft.irfft(spectrum * gain, scene.size)
    return np.asarray(part)


def _room_sound(
    scene: Scene, outputs: list[int], direct: FloatArray, rt60_s: FloatArray, seed: int
) -> FloatArray:
    """Return reflections and tail of all outputs (ears, size), early and late as in the maps."""
    wet, images = np.zeros_like(direct), trace_images(scene)
    for output in outputs:
        own, taken = np.zeros_like(direct), np.zeros((len(scene.sources(output)), 9))
        if images is not None:
            own, taken = reflections(scene, images, output, rt60_s)
        wet += scene.filtered(output, own + tail(scene, output, rt60_s, taken, seed))
    names = list(scene.venue.outputs)
    field = superpose(scene.paths, scene.settings, sounding=[names[one] for one in outputs])
    first = min(float(scene.time(output, scene.elements[source].time_ms.min()))
                for output in outputs for source in scene.sources(output))
    turns_late = (float(field.first_ms[0]) + early_ms(scene.venue)) * scene.rate / 1000
    opened, late = (opening(scene.size, start, scene.rate)
                    for start in (first, scene.lead + turns_late))
    weights = field.gains()[:, None] ** 2
    wanted = [(weights * power[:, 0]).sum(axis=0) * scene.drive**2
              for power in (field.early, field.late)]
    early = _levelled(scene, direct, wet * (1 - late), wanted[0], opened)
    return early + _levelled(scene, direct + early, wet * late, wanted[1], late)


def seat_response(
    scene: Scene, chosen: list[str], rt60_s: FloatArray | None, seed: int
) -> FloatArray:
    """Return the response from console to each ear (ears, n), `lead` samples ahead."""
    names = list(scene.venue.outputs)
    outputs = [names.index(n) for n in chosen if scene.settings[n].trim_db > -np.inf]
    direct = _direct(scene, outputs)
    if rt60_s is None or not outputs:
        return direct
    return direct + _room_sound(scene, outputs, direct, rt60_s, seed)
