"""A hand clap and a snare drum made from noise: sharp sounds that show a gap.

`data/clap.wav` and `data/snare.wav` are made here. Belongs to the lessons with
something to hear.
"""

from __future__ import annotations

import numpy as np

from fillalign._validate import FloatArray, as_rate, as_whole

CLAP_S, SNARE_S = 0.25, 0.4
_PEAK_DBFS = -3.0


def _noise(seed: int, seconds: float, rate: float, low_hz: float, high_hz: float) -> FloatArray:
    """Return noise of rms 1 between two frequencies, with gentle edges."""
    size = round(seconds * rate)
    whole = as_whole("seed", seed)
    spectrum = np.fft.rfft(np.random.default_rng(whole).standard_normal(size))
    frequency = np.maximum(np.fft.rfftfreq(size, 1 / rate), 1.0)
    spectrum /= np.sqrt(1 + (low_hz / frequency) ** 4) * np.sqrt(1 + (frequency / high_hz) ** 4)
    noise = np.fft.irfft(spectrum, size)
    return np.asarray(noise / noise.std())


def _finished(sound: FloatArray, rate: float) -> FloatArray:
    """Return a sound that starts and ends at zero, scaled to its peak."""
    rise, fall = max(2, round(0.0002 * rate)), round(0.02 * rate)
    sound[:rise] *= np.arange(rise) / rise
    sound[-fall:] *= np.arange(fall)[::-1] / fall
    return np.asarray(sound * 10 ** (_PEAK_DBFS / 20) / np.abs(sound).max())


def clap(*, seed: int = 1, sample_rate_hz: float = 48000) -> FloatArray:
    """Return a hand clap of 0.25 s, its peak 3 dB below full scale.

    Noise around 1.5 kHz in three strokes 9 and 11 ms apart, the last of which
    dies away by 60 dB in 0.15 s.

    Parameters
    ----------
    seed : int
        The same seed gives the same clap.
    sample_rate_hz : float
        8000 to 192000 Hz.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Examples
    --------
    >>> clap().size
    12000
    """
    rate = as_rate(sample_rate_hz)
    noise = _noise(seed, CLAP_S, rate, 900.0, 5000.0)
    time = np.arange(noise.size) / rate
    strokes = ((0.0, 0.5, 0.02), (0.009, 0.7, 0.02), (0.020, 1.0, 0.15))
    envelope = np.zeros_like(time)
    for start, height, decay_s in strokes:
        after = np.maximum(time - start, 0.0)
        envelope = np.maximum(envelope, (time >= start) * height * 10 ** (-3 * after / decay_s))
    return _finished(noise * envelope, rate)


def snare(*, seed: int = 2, sample_rate_hz: float = 48000) -> FloatArray:
    """Return a snare drum of 0.4 s, its peak 3 dB below full scale.

    A skin of 190 and 330 Hz that dies away by 60 dB in 0.25 s, and wires of
    noise above 2 kHz that take 0.35 s.

    Parameters
    ----------
    seed : int
        The same seed gives the same wires.
    sample_rate_hz : float
        8000 to 192000 Hz.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Examples
    --------
    >>> snare().size
    19200
    """
    rate = as_rate(sample_rate_hz)
    wires = _noise(seed, SNARE_S, rate, 2000.0, 12000.0)
    time = np.arange(wires.size) / rate
    skin = np.sin(2 * np.pi * 190.0 * time) + 0.6 * np.sin(2 * np.pi * 330.0 * time)
    sound = skin * 10 ** (-3 * time / 0.25) + 0.5 * wires * 10 ** (-3 * time / 0.35)
    return _finished(sound, rate)
