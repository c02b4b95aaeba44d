"""Curves between third octaves, their phase and their means: what responses are made of."""

from __future__ import annotations

import numpy as np

from fillalign._validate import ComplexArray, FloatArray, as_air
from fillalign.absorption import THIRDS_HZ, band_edges_hz
from fillalign.air import Air
from fillalign.levels import db_to_amplitude, db_to_power, power_to_db

_LOWEST_HZ = 1.0
_HEARD_DB = 60.0


def loss_db_per_m(frequency_hz: FloatArray, air: Air) -> FloatArray:
    """Return the absorption in dB/m from 0 Hz up, without a warning for the lows."""
    # Below 4e-4 Hz/Pa, 40 Hz at sea level, the standard is silent and the loss nil.
    lowest = 0.4 * as_air(air).pressure_kpa
    share = np.minimum(frequency_hz / lowest, 1.0) ** 2
    return np.asarray(share * air.absorption_db_per_m(np.maximum(frequency_hz, lowest)))


def curve_db(frequency_hz: FloatArray, band_power: FloatArray) -> FloatArray:
    """Return a smooth level whose mean over each third is the band's power.

    Straight lines in dB over the logarithm of frequency; below 50 Hz the lowest
    band's fall goes on, above 20 kHz the level holds.
    """
    level = power_to_db(np.maximum(band_power, 1e-30))
    node = np.arange(-1.0, level.size + 1.0)
    spread = node[1:-1, None] + np.linspace(-0.5, 0.5, 9)
    value = np.pad(level, 1, mode="edge")
    for _ in range(6):
        value[0] = value[1] - max(value[2] - value[1], 0.0)
        value[-1] = value[-2]
        mean = np.mean(db_to_power(np.interp(spread, node, value)), axis=1)
        value[1:-1] += level - power_to_db(mean)
    place = 10 * np.log10(np.maximum(frequency_hz, _LOWEST_HZ) / THIRDS_HZ[0])
    fall = max(float(value[1] - value[0]), 0.0) * np.minimum(place + 1.0, 0.0)
    return np.asarray(np.interp(place, node, value) + fall)


def closing(frequency_hz: FloatArray) -> FloatArray:
    """Return a gain that goes to nothing from the highest third to half the sample rate."""
    nyquist = frequency_hz[-1]
    last = min(float(THIRDS_HZ[-1]) * 10**0.05, 0.9 * nyquist)
    beyond = np.clip((frequency_hz - last) / (nyquist - last), 0, 1)
    return np.asarray(np.cos(np.pi / 2 * beyond) ** 2)


def curve(frequency_hz: FloatArray, band_power: FloatArray) -> FloatArray:
    """Return the amplitude of `curve_db`, closed at half the sample rate."""
    return np.asarray(db_to_amplitude(curve_db(frequency_hz, band_power)) * closing(frequency_hz))


def minimum_phase(level_db: FloatArray, size: int) -> ComplexArray:
    """Return the turn (f,) that lets a level on the grid of `rfft` ring only after its start.

    By the real cepstrum: Oppenheim and Schafer, Discrete-Time Signal Processing,
    chapter on homomorphic systems (from memory).
    """
    # What is so far down has no say: its steep falls would fold round the block.
    heard = np.maximum(level_db, level_db.max() - _HEARD_DB)
    folded = np.fft.irfft(heard * (np.log(10.0) / 20.0), size)
    folded[1 : (size + 1) // 2] *= 2
    folded[size // 2 + 1 :] = 0
    return np.asarray(np.exp(1j * np.fft.rfft(folded).imag))


def opening(size: int, first: float, rate: float) -> FloatArray:
    """Return a gain that opens in the millisecond before sample `first`, closed until then."""
    ahead = (first - np.arange(size)) * 1000.0 / rate
    return np.asarray(np.cos(np.pi / 2 * np.clip((ahead - 0.2) / 0.8, 0, 1)) ** 2)


def band_means(power: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """Return the mean of a power gain over each third for pink noise (27,)."""
    low, high = band_edges_hz(THIRDS_HZ)
    edges = np.searchsorted(frequency_hz, [*low, high[-1]])
    pink = 1 / np.maximum(frequency_hz, 1.0)
    sums = [np.concatenate([[0.0], np.cumsum(each)])[edges] for each in (power * pink, pink)]
    return np.asarray(np.diff(sums[0]) / np.maximum(np.diff(sums[1]), 1e-30))
