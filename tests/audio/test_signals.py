"""Test signals against scipy and their definitions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal as reference

from fillalign.absorption import band_edges_hz
from fillalign.audio.signals import click_train, exponential_sweep, pink_noise, take_turns

RATES = (44100, 48000, 96000)
TONE = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(4800) / 48000)


def octave_powers(signal: np.ndarray, rate: float, centres: np.ndarray) -> np.ndarray:
    power = np.abs(np.fft.rfft(signal)) ** 2
    frequency = np.fft.rfftfreq(signal.size, 1 / rate)
    low, high = band_edges_hz(centres, fraction=1)
    return np.array([power[(frequency >= a) & (frequency < b)].sum()
                     for a, b in zip(low, high, strict=True)])


@pytest.mark.parametrize("rate", RATES)
def test_sweep_is_the_logarithmic_chirp_of_scipy(rate: int) -> None:
    sweep = exponential_sweep(seconds=1.5, low_hz=50, high_hz=16000, sample_rate_hz=rate)
    time = np.arange(round(1.5 * rate)) / rate
    chirp = reference.chirp(time, 50, 1.5, 16000, method="logarithmic", phi=-90)
    body = slice(time.size // 20, -time.size // 20)  # past the fades
    np.testing.assert_allclose(sweep[body], chirp[body] * 10 ** (-6 / 20), atol=2e-4)


@pytest.mark.parametrize("rate", RATES)
def test_signals_start_and_end_at_zero_with_the_headroom_asked_for(rate: int) -> None:
    for make, peak in ((exponential_sweep, -6.0), (click_train, -3.0), (pink_noise, -3.0)):
        made = make(sample_rate_hz=rate)
        assert np.abs(made).max() == pytest.approx(10 ** (peak / 20))
        assert np.abs(made[[0, -1]]).max() < 1e-6
        np.testing.assert_array_equal(made, make(sample_rate_hz=rate))
        quiet = make(sample_rate_hz=rate, peak_dbfs=-20.0)
        assert np.abs(quiet).max() == pytest.approx(0.1)


def test_sweep_and_pink_noise_have_equal_energy_in_equal_octaves() -> None:
    # Farina 2000: a sweep's spectrum falls by 3 dB an octave; pink noise does by definition.
    centres = 1000.0 * 10 ** (0.3 * np.arange(-2, 4))
    for made, spread in ((exponential_sweep(seconds=5.0), 0.3), (pink_noise(seconds=30.0), 0.3)):
        level = 10 * np.log10(octave_powers(made, 48000, centres))
        assert np.ptp(level) < spread


def test_pink_noise_depends_on_its_seed_and_keeps_to_its_band() -> None:
    assert np.abs(pink_noise(seconds=1.0) - pink_noise(seconds=1.0, seed=2)).max() > 0.1
    power = np.abs(np.fft.rfft(pink_noise(seconds=10.0))) ** 2
    frequency = np.fft.rfftfreq(480000, 1 / 48000)
    assert power[frequency > 20500].sum() < 1e-6 * power.sum()
    assert power[frequency < 15].sum() < 1e-3 * power.sum()


@pytest.mark.parametrize("make", [exponential_sweep, click_train, pink_noise])
def test_every_sample_rate_gives_the_same_sound(make) -> None:
    """Against scipy's resampling: below half the lower rate nothing tells them apart."""
    slow, fast = make(sample_rate_hz=44100), make(sample_rate_hz=48000)
    again = reference.resample_poly(fast, 147, 160)
    size = min(slow.size, again.size)
    gain = again[:size] @ slow[:size] / (slow[:size] @ slow[:size])
    assert gain == pytest.approx(1.0, abs=0.08)  # peaks fall between samples
    rest = again[:size] - gain * slow[:size]
    assert rest.std() < 0.04 * again.std()


def test_clicks_show_their_polarity_and_pass_without_offset() -> None:
    for rate in RATES:
        train = click_train(clicks=3, spacing_ms=100, sample_rate_hz=rate)
        assert train.max() > 5 * -train.min() > 0
        assert abs(train.sum()) < 1e-9
        tops = np.flatnonzero(train > 0.9 * train.max())
        starts = tops[np.flatnonzero(np.diff(tops, prepend=-1000) > 100)]
        # 100 ms, then 7 ms more: no space between clicks comes twice.
        np.testing.assert_allclose(np.diff(starts) * 1000 / rate, [100, 107], atol=0.06)
    assert click_train(clicks=5).size > click_train(clicks=4).size


def test_turns_put_mains_fill_and_mains_in_their_places() -> None:
    sweep = exponential_sweep(seconds=0.5)
    turns = take_turns(sweep, spacing_s=0.8, sample_rate_hz=48000)
    step = round(0.8 * 48000)
    np.testing.assert_array_equal(turns[: sweep.size, 0], sweep)
    np.testing.assert_array_equal(turns[step : step + sweep.size, 1], sweep)
    np.testing.assert_array_equal(turns[2 * step : 2 * step + sweep.size, 0], sweep)
    assert np.abs(turns).sum() == pytest.approx(3 * np.abs(sweep).sum())


@pytest.mark.parametrize(("make", "message"), [
    (lambda: exponential_sweep(seconds=0.01), "seconds must be between 0.1 and 60 s, got 0.01"),
    (lambda: exponential_sweep(low_hz=5), "low_hz must be between 10 and 12000 Hz, got 5"),
    (lambda: exponential_sweep(high_hz=24000), "high_hz must be between 80 and 23520 Hz"),
    (lambda: exponential_sweep(sample_rate_hz=4000), "sample_rate_hz must be between 8000 and"),
    (lambda: exponential_sweep(peak_dbfs=1), "peak_dbfs must be between -60 and 0 dB, got 1"),
    (lambda: click_train(clicks=0), "clicks must be between 1 and 60, got 0"),
    (lambda: click_train(spacing_ms=10), "spacing_ms must be between 50 and 5000 ms, got 10"),
    (lambda: pink_noise(seconds=1e6), "seconds must be between 0.1 and 600 s, got 1000000"),
    (lambda: take_turns(TONE, spacing_s=0.05, sample_rate_hz=48000),
     "spacing_s must be between 0.1 and 120 s, got 0.05"),
    (lambda: take_turns(np.zeros((5, 2)), spacing_s=1, sample_rate_hz=48000),
     r"one channel of samples, got shape \(5, 2\)"),
])
def test_bad_arguments_are_refused(make, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()
