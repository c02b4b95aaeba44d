"""The room's tail at a seat: noise that dies away by octave, at the level of the room model."""

from __future__ import annotations

import numpy as np

from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_HZ
from fillalign.audio.head import measured_head
from fillalign.audio.scene import Scene
from fillalign.audio.spectra import curve
from fillalign.room import DECAY_NEPERS, reverberant_energy

WINDOW_MS = 40.0
"""How long after a source's arrival single reflections may stand for part of the tail."""

_SOFT_MS = 10.0


def octave_masks(frequency_hz: FloatArray) -> FloatArray:
    """Return nine band passes that add up to 1, (octaves, frequencies)."""
    place = np.clip(10 / 3 * np.log10(np.maximum(frequency_hz, 1.0) / OCTAVES_HZ[0]), 0, 8)
    # Crossings a third of an octave wide at the octaves' edges.
    edges = np.arange(9)[:, None] - 0.5
    risen = np.sin(np.pi / 2 * np.clip((place - edges) * 3 + 0.5, 0, 1)) ** 2
    risen[0] = 1.0
    return np.asarray(risen - np.pad(risen[1:], ((0, 1), (0, 0))))


def tail_powers(scene: Scene, output: int, rt60_s: FloatArray) -> FloatArray:
    """Return the power gain of one output's whole tail, by source and third."""
    own = scene.sources(output)
    volume = scene.venue.room.volume_m3 if scene.venue.room else np.inf
    energy = reverberant_energy(scene.paths.distance_m[own, 0, None], rt60_s[::3], volume)
    powers = scene.paths.tail_power[own] * np.repeat(energy, 3, axis=1)
    return np.asarray(powers * scene.drive**2)


def _pace(scene: Scene, rt60_s: FloatArray) -> FloatArray:
    """Return how fast energy dies away in each octave, in nepers a sample."""
    return np.asarray(DECAY_NEPERS / (rt60_s[::3] * scene.rate))


def _early_window(rate: float) -> FloatArray:
    """Return the share of the tail that reflections may stand for, sample by sample."""
    time = np.arange(round(WINDOW_MS * rate / 1000)) * 1000 / rate
    return np.cos(np.pi / 2 * np.clip((time - WINDOW_MS + _SOFT_MS) / _SOFT_MS, 0, 1)) ** 2


def window_share(scene: Scene, rt60_s: FloatArray) -> FloatArray:
    """Return the share of a tail's power that lies in that window, by octave (9,)."""
    window, pace = _early_window(scene.rate), _pace(scene, rt60_s)
    dying = np.exp(-pace[:, None] * np.arange(window.size))
    return np.asarray(-np.expm1(-pace) * (dying @ window))


def _carriers(scene: Scene, frequency: FloatArray, seed: list[int]) -> FloatArray:
    """Return noise for each ear (ears, f), as like as ears are in sound from everywhere."""
    from scipy import fft

    size = 2 * (frequency.size - 1)
    draws = np.random.default_rng(seed)
    # Single precision, 140 dB below the noise itself, takes half the time.
    noise = [fft.rfft(draws.standard_normal(size, dtype=np.float32)) for _ in range(scene.ears)]
    if scene.ears == 1:
        return np.array(noise)
    alike = measured_head().alike(frequency).astype(np.float32)
    return np.array([noise[0], alike * noise[0] + np.sqrt(1 - alike**2) * noise[1]])


def tail(
    scene: Scene, output: int, rt60_s: FloatArray, taken: FloatArray, seed: int
) -> FloatArray:
    """Return one output's tail at each ear (ears, size), before its filters.

    It starts at each source's arrival; `taken` (sources, 9) is the share of its first
    `WINDOW_MS` that single reflections bring instead.
    """
    from scipy import fft

    pace, window = _pace(scene, rt60_s), _early_window(scene.rate)
    length = fft.next_fast_len(scene.size - scene.lead + 1, real=True) // 2 * 2
    frequency = fft.rfftfreq(length, 1 / scene.rate)
    powers, own = tail_powers(scene, output, rt60_s), scene.sources(output)
    start = np.round(scene.time(output, scene.paths.serving_ms[own, 0])).astype(int)
    order, first = np.argsort(start), int(start.min())
    lags, count = start[order] - first, scene.size - first
    carriers = _carriers(scene, frequency, [seed, output])
    carriers = carriers * curve(frequency, powers.sum(axis=0)).astype(np.float32)
    by_octave = powers.reshape(len(powers), 9, 3).sum(axis=2)
    # An octave that no box of the output plays has no shares.
    by_octave = by_octave[order] / np.maximum(by_octave.sum(axis=0), 1e-300)
    sound = np.zeros((scene.ears, scene.size))
    time = np.arange(count)
    for octave, mask in enumerate(octave_masks(frequency).astype(np.float32)):
        grown = np.cumsum(by_octave[:, octave] * np.exp(pace[octave] * lags))
        left = np.repeat(grown, np.diff([*lags, count])) * np.exp(-pace[octave] * time)
        for lag, share, given in zip(
            lags, by_octave[:, octave], taken[order, octave], strict=True
        ):
            part = left[lag : lag + window.size]
            dying = np.exp(-pace[octave] * time[: part.size])
            part -= share * given * window[: part.size] * dying
        steps = np.sqrt(np.maximum(left, 0.0) * -np.expm1(-pace[octave])).astype(np.float32)
        sound[:, first:] += fft.irfft(carriers * mask, length)[:, :count] * steps
    return sound
