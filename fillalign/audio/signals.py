"""Test signals to play at a venue, and a sharp sound that shows a gap.

Every signal is deterministic, starts and ends at zero and keeps headroom, so
that it can be made again at home to read what was recorded. `data/clap.wav` is
made here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import FloatArray, as_mono, as_number, as_rate, as_whole
from fillalign.levels import db_to_amplitude


def _scaled(signal: FloatArray, peak_dbfs: float) -> FloatArray:
    peak = as_number("peak_dbfs", peak_dbfs, "dB", low=-60, high=0)
    return np.asarray(signal * db_to_amplitude(peak) / np.abs(signal).max())


def fade(signal: FloatArray, head: int, tail: int) -> FloatArray:
    """Return `signal` with raised-cosine fades of so many samples."""
    faded = signal.copy()
    faded[:head] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(head) / head)
    faded[-tail:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, tail + 1) / tail)
    return faded


def drawn_noise(seed: int, size: int, band: FloatArray, amplitude: FloatArray) -> FloatArray:
    """Return noise in a band of its spectrum, the same in as many seconds at every rate.

    It is drawn from the lowest frequency up.
    """
    parts = np.random.default_rng(seed).standard_normal((band.size, 2)) @ [1.0, 1.0j]
    spectrum = np.zeros(size // 2 + 1, dtype=complex)
    spectrum[band.astype(int)] = parts * amplitude
    return np.fft.irfft(spectrum, size)


def exponential_sweep(
    *,
    seconds: float = 3.0,
    low_hz: float = 40.0,
    high_hz: float = 20000.0,
    sample_rate_hz: float = 48000,
    peak_dbfs: float = -6.0,
) -> FloatArray:
    """Return a sine sweep whose pitch rises by equal intervals in equal times.

    Parameters
    ----------
    seconds : float
        Length, 0.1 to 60 s; longer sweeps stand out of more noise.
    low_hz, high_hz : float
        Ends of the sweep, 10 Hz up to below half the sample rate.
    sample_rate_hz : float
        8000 to 192000 Hz.
    peak_dbfs : float
        Peak below full scale, -60 to 0 dB.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Notes
    -----
    ``sin(2 pi f1 L (e^(t/L) - 1))`` with ``L = T / ln(f2/f1)``: Farina 2000,
    AES 108th Convention, preprint 5093. Faded over the first and last 3 %.

    Examples
    --------
    >>> sweep = exponential_sweep(seconds=2.0)
    >>> len(sweep), round(float(abs(sweep).max()), 3)
    (96000, 0.501)
    """
    rate = as_rate(sample_rate_hz)
    length = as_number("seconds", seconds, "s", low=0.1, high=60)
    low = as_number("low_hz", low_hz, "Hz", low=10, high=rate / 4)
    high = as_number("high_hz", high_hz, "Hz", low=2 * low, high=0.49 * rate)
    time = np.arange(round(length * rate)) / rate
    pace = length / np.log(high / low)
    sweep = np.sin(2 * np.pi * low * pace * np.expm1(time / pace))
    ends = max(1, round(0.03 * time.size))
    return _scaled(fade(sweep, ends, ends), peak_dbfs)


def click_train(
    *,
    clicks: int = 8,
    spacing_ms: float = 500.0,
    sample_rate_hz: float = 48000,
    peak_dbfs: float = -3.0,
) -> FloatArray:
    """Return clicks that start with one tall stroke upwards.

    The stroke lasts 0.1 ms and is followed by a dip ten times longer and
    shallower, so an inverted loudspeaker shows as a stroke downwards. Each
    space is 7 ms longer than the one before it, so that no repeat of a click
    can be taken for another one. Half a spacing of silence ends the train.

    Parameters
    ----------
    clicks : int
        How many, 1 to 60.
    spacing_ms : float
        First space between clicks, 50 to 5000 ms.
    sample_rate_hz, peak_dbfs : float
        As in `exponential_sweep`.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Examples
    --------
    >>> train = click_train(clicks=4)
    >>> bool(train.max() > 5 * -train.min())
    True
    """
    rate = as_rate(sample_rate_hz)
    count = as_whole("clicks", clicks, low=1, high=60)
    first = as_number("spacing_ms", spacing_ms, "ms", low=50, high=5000) / 1000
    order = np.arange(count)
    starts = 0.005 + order * first + 0.007 * order * (order - 1) / 2
    # At least one sample inside the stroke, also at 8 kHz.
    stroke, dip = max(1e-4, 2.0 / rate), 1e-3
    train = np.zeros(round((starts[-1] + first / 2 + stroke + dip) * rate) + 2)
    for start in starts:
        place = np.arange(int(start * rate), int((start + stroke + dip) * rate) + 2)
        time = place / rate - start
        up = np.where((time > 0) & (time < stroke), np.sin(np.pi * time / stroke) ** 2, 0.0)
        down = np.sin(np.pi * np.clip((time - stroke) / dip, 0, 1)) ** 2
        train[place] += up - down * up.sum() / down.sum()
    return _scaled(train, peak_dbfs)


def pink_noise(
    *,
    seconds: float = 10.0,
    seed: int = 1,
    sample_rate_hz: float = 48000,
    peak_dbfs: float = -3.0,
) -> FloatArray:
    """Return pink noise from 20 Hz to 20 kHz (or 0.45 of the sample rate).

    Parameters
    ----------
    seconds : float
        Length, 0.1 to 600 s.
    seed : int
        The same seed gives the same noise, at any sample rate.
    sample_rate_hz, peak_dbfs : float
        As in `exponential_sweep`.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Examples
    --------
    >>> bool((pink_noise(seconds=1.0) == pink_noise(seconds=1.0, seed=1)).all())
    True
    """
    rate = as_rate(sample_rate_hz)
    length = as_number("seconds", seconds, "s", low=0.1, high=600)
    size = round(length * rate)
    inside = np.arange(np.ceil(20.0 * length), min(20000.0, 0.45 * rate) * length)
    noise = drawn_noise(as_whole("seed", seed), size, inside, 1 / np.sqrt(inside))
    ends = max(1, round(0.03 * size))
    return _scaled(fade(noise, ends, ends), peak_dbfs)


def take_turns(signal: ArrayLike, *, spacing_s: float, sample_rate_hz: float) -> FloatArray:
    """Return two channels: mains, then fill, then mains again, `spacing_s` apart.

    Channel one goes to the mains' bus, channel two to the fill's. The second
    turn of the mains shows how far the player's clock and the recorder's run
    apart, which would otherwise pass for a gap.

    Parameters
    ----------
    signal : array_like, shape (n,)
        What each plays.
    spacing_s : float
        From one start to the next: longer than the signal, 120 s at most.
        Leave room for the hall to die away.
    sample_rate_hz : float
        8000 to 192000 Hz.

    Raises
    ------
    TypeError, ValueError
        If a number is not one or out of its range, or the signal is longer
        than the spacing.

    Examples
    --------
    >>> take_turns(exponential_sweep(), spacing_s=6.0, sample_rate_hz=48000).shape
    (864000, 2)
    """
    mono, rate = as_mono("signal", signal), as_rate(sample_rate_hz)
    spacing = as_number("spacing_s", spacing_s, "s", low=mono.size / rate, high=120)
    step = round(spacing * rate)
    turns = np.zeros((3 * step, 2))
    for turn, channel in enumerate((0, 1, 0)):
        turns[turn * step : turn * step + mono.size, channel] = mono
    return turns


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
    size, draws = round(0.25 * rate), np.random.default_rng(as_whole("seed", seed))
    spectrum = np.fft.rfft(draws.standard_normal(size))
    frequency = np.maximum(np.fft.rfftfreq(size, 1 / rate), 1.0)
    spectrum /= np.sqrt((1 + (900.0 / frequency) ** 4) * (1 + (frequency / 5000.0) ** 4))
    time = np.arange(size) / rate
    envelope = np.zeros(size)
    for start, height, decay_s in ((0.0, 0.5, 0.02), (0.009, 0.7, 0.02), (0.020, 1.0, 0.15)):
        after = np.maximum(time - start, 0.0)
        dying = db_to_amplitude(-60.0 * after / decay_s)
        envelope = np.maximum(envelope, (time >= start) * height * dying)
    sound = np.fft.irfft(spectrum, size) * envelope
    return _scaled(fade(sound, max(2, round(0.0002 * rate)), round(0.02 * rate)), -3.0)
