"""What a seat hears, against ISO 9613-1, sinc theory, the plan, the maps and decay curves."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyfar
import pytest

from fillalign import plan_fills, read_venue, seat_field
from fillalign.absorption import OCTAVES_HZ, THIRDS_HZ, THIRDS_NOMINAL, band_edges_hz
from fillalign.air import Air
from fillalign.air_filter import air_filter, fractional_delay
from fillalign.impulse import find_arrivals
from fillalign.levels import a_weighting_db
from fillalign.listening import REFERENCE_DB, render_seat
from fillalign.plan import FillPlan
from fillalign.venue import Venue

ROOT = Path(__file__).parents[1]
DATA = ROOT / "data"
ABSORPTION = pd.read_csv(
    ROOT / "tests" / "published" / "absorption_octave_bands.csv", comment="#"
)
RATE = 48000
CLICK = np.eye(1, 16)[0]
TIDEWELL_SEATS = [(13.0, 0.0, 1.2), (28.0, 3.0, 1.2), (31.0, -6.0, 1.2)]
SPEECH_BANDS = slice(1, 8)  # octaves 125 Hz to 8 kHz


@cache
def venue(name: str) -> Venue:
    return read_venue(DATA / f"{name}.toml")


@cache
def plan(name: str) -> FillPlan:
    return plan_fills(venue(name))


def gain_db(taps: np.ndarray, frequency_hz: np.ndarray, rate: float = RATE) -> np.ndarray:
    """Level of a response at single frequencies, by the discrete-time sum itself."""
    turns = np.exp(-2j * np.pi * np.outer(frequency_hz, np.arange(taps.size)) / rate)
    return 20 * np.log10(np.abs(turns @ taps))


def band_levels_db(heard: np.ndarray, fraction: int = 1, rate: float = RATE) -> np.ndarray:
    """Levels of a rendered clip in octaves (or thirds), dB re 20 uPa, from its spectrum."""
    power = 2 * np.abs(np.fft.rfft(heard)) ** 2 / heard.size**2
    frequency = np.fft.rfftfreq(heard.size, 1 / rate)
    low, high = band_edges_hz(OCTAVES_HZ if fraction == 1 else THIRDS_HZ, fraction=fraction)
    sums = [power[(frequency >= a) & (frequency < b)].sum() for a, b in zip(low, high, strict=True)]
    return 10 * np.log10(sums) + REFERENCE_DB


def response_levels_db(response: np.ndarray, fraction: int = 1, rate: float = RATE) -> np.ndarray:
    """Levels that pink noise of -26 dBFS (A) would have through a response."""
    size = 1 << int(np.ceil(np.log2(response.size)))
    frequency = np.fft.rfftfreq(size, 1 / rate)[1:]
    power = np.abs(np.fft.rfft(response, size)[1:]) ** 2 / frequency
    inside = (frequency >= 44.67) & (frequency < 22387.0)
    weighted = np.sum(10 ** (a_weighting_db(frequency[inside]) / 10) / frequency[inside])
    low, high = band_edges_hz(OCTAVES_HZ if fraction == 1 else THIRDS_HZ, fraction=fraction)
    sums = [power[(frequency >= a) & (frequency < b)].sum() for a, b in zip(low, high, strict=True)]
    return 10 * np.log10(np.array(sums) / weighted) - 26.0 + REFERENCE_DB


def octaves(thirds_db: np.ndarray) -> np.ndarray:
    return 10 * np.log10((10 ** (thirds_db / 10)).reshape(9, 3).sum(axis=1))


def pink(seconds: float, seed: int) -> np.ndarray:
    """Pink noise of -26 dB re rms 1, A-weighted, made here and not by the package."""
    size = round(seconds * RATE)
    frequency = np.maximum(np.fft.rfftfreq(size, 1 / RATE), 1e-9)
    inside = (frequency > 44.67) & (frequency < 22387.0)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(size))
    spectrum *= inside / np.sqrt(frequency)
    heard = np.abs(spectrum[inside]) ** 2 * 10 ** (a_weighting_db(frequency[inside]) / 10)
    return np.fft.irfft(spectrum, size) * 10 ** (-26 / 20) * size / np.sqrt(2 * heard.sum())


# The air filter


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("distance_m", [10.0, 50.0, 100.0])
def test_air_filter_keeps_the_published_table(distance_m: float, rate: int) -> None:
    """ISO 9613-2:1996, Table 2, at the exact mid-band frequencies (63 Hz to 8 kHz)."""
    for (temperature, humidity), rows in ABSORPTION.groupby(["temperature_c", "humidity_pct"]):
        taps = air_filter(distance_m, Air(float(temperature), float(humidity)), rate)
        exact = 1000.0 * 10 ** (0.3 * rows.exact_hz_k.to_numpy())
        wanted = -rows.absorption_db_per_km.to_numpy() * distance_m / 1000
        # Half a unit of the table's last digit, and 0.02 dB for the filter.
        rounding = np.where(rows.absorption_db_per_km < 100, 0.06, 0.6) * distance_m / 1000
        assert (np.abs(gain_db(taps, exact, rate) - wanted) <= rounding + 0.02).all()


@pytest.mark.parametrize(
    "air", [Air(20.0, 50.0), Air(20.0, 20.0), Air(13.0, 85.0), Air(35.0, 10.0), Air(0.0, 60.0)]
)
@pytest.mark.parametrize("distance_m", [10.0, 50.0, 100.0])
def test_air_filter_keeps_the_curve_of_an_independent_library(air: Air, distance_m: float) -> None:
    """63 Hz to 12.5 kHz against pyfar's ISO 9613-1 at 101.325 kPa, within 0.05 dB."""
    thirds = THIRDS_HZ[1:-2]
    assert (THIRDS_NOMINAL[1], THIRDS_NOMINAL[-3]) == (63, 12500)
    per_m = pyfar.constants.air_attenuation(air.temperature_c, thirds, air.humidity_pct / 100)[0]
    wanted = -np.squeeze(per_m) * distance_m
    assert gain_db(air_filter(distance_m, air), thirds) == pytest.approx(wanted, abs=0.05)


def test_air_filter_follows_pressure_by_the_scaling_identity() -> None:
    """alpha(f, T, h, p) = p/p_r alpha(f p_r/p, T, h p_r/p, p_r), with pyfar at p_r."""
    ratio = 70.0 / 101.325
    frequency = np.array([1000.0, 4000.0, 8000.0])
    per_m = pyfar.constants.air_attenuation(20.0, frequency / ratio, 0.5 / ratio)[0]
    wanted = -np.squeeze(per_m) * ratio * 100.0
    taps = air_filter(100.0, Air(20.0, 50.0, 70.0))
    assert gain_db(taps, frequency) == pytest.approx(wanted, abs=0.05)


def test_air_filter_is_linear_in_phase_and_passes_dc() -> None:
    taps = air_filter(100.0, Air(20.0, 20.0))
    assert taps.size % 2 == 1
    assert np.argmax(taps) == taps.size // 2
    assert taps == pytest.approx(taps[::-1], abs=1e-15)
    assert taps.sum() == pytest.approx(1.0, abs=1e-3)


def test_no_air_is_no_filter() -> None:
    taps = air_filter(0.0, Air(20.0))
    assert taps[taps.size // 2] == pytest.approx(1.0)
    assert np.sum(np.abs(taps)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((-1.0, Air(20.0)), r"distance_m must be between 0 and 1000 m, got -1"),
        ((np.nan, Air(20.0)), r"distance_m must be between 0 and 1000 m, got nan"),
        ((10.0, Air(20.0), 400.0), r"sample_rate_hz must be between 8000 and 192000 Hz, got 400"),
    ],
)
def test_air_filter_refuses_nonsense(arguments: tuple, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        air_filter(*arguments)


# Fractional delay


@pytest.mark.parametrize("delay", [0.0, 0.25, 3.0, 100.5, 1234.567])
def test_delayed_click_is_a_sinc(delay: float) -> None:
    """Shannon's interpolation: a click becomes sin(pi(n - d))/(pi(n - d))."""
    click = np.zeros(401)
    click[200] = 1.0
    later = fractional_delay(click, delay)
    assert later.size == 401 + int(np.ceil(delay))
    place = np.arange(later.size) - 200 - delay
    near = np.abs(place) < 190
    assert later[near] == pytest.approx(np.sinc(place[near]), abs=2e-4)


def test_delay_has_the_phase_slope_of_a_pure_delay() -> None:
    noise = np.random.default_rng(7).standard_normal(4000) * np.hanning(4000)
    later = fractional_delay(noise, 12.34)
    before = np.fft.rfft(noise, 8192)
    ratio = np.fft.rfft(later, 8192) / before
    band = slice(100, 3900)
    slope = np.polyfit(np.arange(8192 // 2 + 1)[band], np.unwrap(np.angle(ratio))[band], 1)[0]
    assert -slope * 8192 / (2 * np.pi) == pytest.approx(12.34, abs=1e-3)
    strong = np.abs(before[band]) > np.median(np.abs(before))
    assert np.abs(ratio[band])[strong] == pytest.approx(1.0, abs=5e-3)


def test_whole_delays_shift_and_fractions_add_up() -> None:
    tone = np.sin(0.3 * np.arange(2000)) * np.hanning(2000)
    assert fractional_delay(tone, 5)[5:] == pytest.approx(tone, abs=1e-12)
    twice = fractional_delay(fractional_delay(tone, 0.3), 0.7)
    assert twice[1:2001] == pytest.approx(tone, abs=1e-3)
    exact = np.sin(0.3 * (np.arange(500, 1500) - 0.4)) * np.hanning(2000)[500:1500]
    assert fractional_delay(tone, 0.4)[500:1500] == pytest.approx(exact, abs=1e-3)


@pytest.mark.parametrize(
    ("arguments", "error", "message"),
    [
        (([], 1.0), ValueError, r"signal must be one channel of samples, got shape \(0,\)"),
        (([[1.0, 2.0]], 1.0), ValueError, r"signal must be one channel .* got shape \(1, 2\)"),
        ((["a"], 1.0), TypeError, r"signal must be a finite number"),
        (([1.0, np.nan], 1.0), ValueError, r"signal must be a finite number, got nan"),
        (([1.0], -0.5), ValueError, r"delay_samples must be between 0 and 10000000 samples"),
    ],
)
def test_fractional_delay_refuses_nonsense(
    arguments: tuple, error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        fractional_delay(*arguments)


# The loop closes: gaps


def single_box_gaps(name: str, count: int) -> pd.DataFrame:
    """Rows of a plan's seats, spread over the venue, whose fill sounds."""
    rows = plan(name).seats()
    rows = rows[rows.covered & (rows.level_difference_db > -15)]
    return rows.iloc[np.linspace(0, len(rows) - 1, count).astype(int)]


def arrivals_ms(name: str, point: tuple[float, float, float], output: str, tail: bool = False):
    heard = render_seat(plan(name), CLICK, point, outputs=output, tail=tail)
    return find_arrivals(heard * 1e6, RATE, range_db=10.0, separation_ms=0.12)


def main_output(name: str, source: str) -> str:
    return next(s.output for s in venue(name).sources if s.name == source)


@pytest.mark.parametrize(("name", "count"), [("tidewell_hall", 12), ("saltmarsh_chapel", 6)])
def test_reader_finds_the_planned_gap(name: str, count: int) -> None:
    for row in single_box_gaps(name, count).itertuples():
        point = (row.x_m, row.y_m, row.z_m)
        fill = arrivals_ms(name, point, row.fill)[0]
        main = arrivals_ms(name, point, main_output(name, row.reference))[0]
        assert fill.time_ms - main.time_ms == pytest.approx(row.gap_ms, abs=0.02), row.seat


# Levels agree with the maps


@pytest.mark.parametrize("seat", TIDEWELL_SEATS)
@pytest.mark.parametrize("seed", [0, 5])
def test_total_agrees_with_the_field_in_a_room(seat: tuple, seed: int) -> None:
    hall = plan("tidewell_hall")
    field = seat_field(hall.venue, hall.settings, seats_m=[seat])
    response = render_seat(hall, CLICK, seat, seed=seed)
    ours = response_levels_db(response)
    assert ours == pytest.approx(octaves(field.total_db[0]), abs=0.5)
    assert ours[SPEECH_BANDS] == pytest.approx(octaves(field.total_db[0])[SPEECH_BANDS], abs=0.2)


def test_rendered_pink_noise_agrees_with_the_field() -> None:
    hall = plan("tidewell_hall")
    seat = (30.0, 2.0, 1.2)
    field = seat_field(hall.venue, hall.settings, seats_m=[seat])
    levels = [
        band_levels_db(render_seat(hall, pink(8.0, seed), seat, seed=seed)[2 * RATE : 8 * RATE])
        for seed in range(4)
    ]
    mean = 10 * np.log10(np.mean(10 ** (np.array(levels) / 10), axis=0))
    assert mean[SPEECH_BANDS] == pytest.approx(octaves(field.total_db[0])[SPEECH_BANDS], abs=0.5)
