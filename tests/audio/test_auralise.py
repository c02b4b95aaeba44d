"""What a seat hears, against ISO 9613-1, sinc theory, the plan, the maps and decay curves."""

from __future__ import annotations

import subprocess
import sys
import time
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import numpy as np
import pandas as pd
import pyfar
import pytest
from scipy import signal as sig

from fillalign import plan_fills, read_venue, seat_field
from fillalign.absorption import OCTAVES_HZ, THIRDS_HZ, THIRDS_NOMINAL, band_edges_hz
from fillalign.air import Air
from fillalign.audio.auralise import (
    REFERENCE_DB,
    air_filter,
    render_seat,
)
from fillalign.audio.gap import measure_gap
from fillalign.audio.impulse import find_arrivals
from fillalign.audio.signals import clap, exponential_sweep, take_turns
from fillalign.audio.wav import Recording, read_wav
from fillalign.levels import a_weighting_db
from fillalign.venue import Measured, OutputSettings, Venue
from tests.demo_plans import demo_plan as plan

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data"
ABSORPTION = pd.read_csv(
    ROOT / "tests" / "published" / "absorption_octave_bands.csv", comment="#"
)
RATE = 48000
CLICK = np.eye(1, 16)[0]
# Late enough for all that rings ahead of it, in the lows of a seat close to a box.
LATE_CLICK = np.eye(1, 4801, 4800)[0]
# What only repeats a rule, at another place.
LONG = partial(pytest.param, marks=pytest.mark.long)


@cache
def venue(name: str) -> Venue:
    return read_venue(DATA / f"{name}.toml")


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
    frequency = np.fft.rfftfreq(1 << 18, 1 / rate)[1:]
    power = np.abs(np.fft.rfft(response, 1 << 18)[1:]) ** 2 / frequency * frequency[0]
    log_f = np.linspace(np.log(44.67), np.log(22387.0), 2000)
    weighted = np.mean(10 ** (a_weighting_db(np.exp(log_f)) / 10)) * np.ptp(log_f)
    low, high = band_edges_hz(OCTAVES_HZ if fraction == 1 else THIRDS_HZ, fraction=fraction)
    sums = [power[(frequency >= a) & (frequency < b)].sum() for a, b in zip(low, high, strict=True)]
    return 10 * np.log10(np.array(sums) / weighted + 1e-30) - 26.0 + REFERENCE_DB


def octaves(thirds_db: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore"):  # an octave that nothing plays is silent
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


# The loop closes: gaps


def fill_rows(name: str, count: int) -> pd.DataFrame:
    """Rows of a plan's seats, spread over the venue, where the fill can be heard."""
    rows = plan(name).seats()
    rows = rows[rows.covered & (rows.level_difference_db > -12)]
    return rows.iloc[np.linspace(0, len(rows) - 1, count).astype(int)]


def main_output(name: str, source: str) -> str:
    return next(s.output for s in venue(name).sources if s.name == source)


def first_ms(response: np.ndarray) -> float:
    return find_arrivals(response * 1e4, RATE, range_db=10.0, separation_ms=0.12)[0].time_ms


@pytest.mark.parametrize(
    "count", [1, pytest.param(2, marks=pytest.mark.long), pytest.param(24, marks=pytest.mark.draws)]
)
@pytest.mark.parametrize("name", ["tidewell_hall", "saltmarsh_chapel", "cinder_meadow"])
def test_reader_finds_the_planned_gap(name: str, count: int) -> None:
    for row in fill_rows(name, count).itertuples():
        seat = (row.x_m, row.y_m, row.z_m)
        fill, main = (
            first_ms(render_seat(plan(name), CLICK, seat, outputs=output, tail=False))
            for output in (row.fill, main_output(name, row.reference))
        )
        # Their phases by colour, a steeper fall of the highs further away, differ by as much.
        assert fill - main == pytest.approx(row.gap_ms, abs=0.03), row.seat


@pytest.mark.parametrize("name", [LONG("tidewell_hall"), "saltmarsh_chapel"])
def test_recording_at_a_seat_with_its_tail_gives_back_the_gap(name: str) -> None:
    """Mains, fill and mains again, through the room and a microphone with some noise."""
    sweep = exponential_sweep(seconds=1.0)
    turns = take_turns(sweep, spacing_s=4.0, sample_rate_hz=RATE)
    for row in fill_rows(name, 1).itertuples():
        seat = (row.x_m, row.y_m, row.z_m)
        main = main_output(name, row.reference)
        parts = [
            render_seat(plan(name), turns[:, channel], seat, outputs=output)
            for channel, output in enumerate((main, row.fill))
        ]
        take = parts[0] + parts[1]
        take *= 0.89 / np.abs(take).max()
        take = np.pad(take, (0, 3 * RATE))  # the recorder runs on
        take += 3e-4 * np.random.default_rng(1).standard_normal(take.size)
        reading = measure_gap(Recording(take[:, None], RATE), sweep, RATE, spacing_s=4.0)
        assert reading.gap_ms == pytest.approx(row.gap_ms, abs=0.02), reading.cannot_tell


def test_gap_by_phase_slope_of_one_box_against_another() -> None:
    """A box moved 5 m away arrives 5 m / c later; c by pyfar's Cramer."""
    near = phase_delay_ms(one_box(), (10.0, 0.0, 1.2))
    far = phase_delay_ms(one_box(), (15.0, 0.0, 1.2))
    speed = float(pyfar.constants.speed_of_sound_cramer(20.0, 0.4))
    assert far - near == pytest.approx(5000.0 / speed, abs=5e-4)
    late = {"Mains": OutputSettings(delay_ms=12.3456)}
    delayed = phase_delay_ms(one_box(), (10.0, 0.0, 1.2), settings=late)
    assert delayed - near == pytest.approx(12.3456, abs=5e-4)
    # The box's own low limit bends the phase a little at 1 kHz and above.
    assert near == pytest.approx(10000.0 / speed + 3.0, abs=1e-3)


def phase_delay_ms(place: Venue, seat: tuple, **options: object) -> float:
    response = render_seat(place, CLICK, seat, tail=False, **options)
    spectrum = np.fft.rfft(response)
    frequency = np.fft.rfftfreq(response.size, 1 / RATE)
    band = (frequency > 1000) & (frequency < 15000)
    slope = np.polyfit(frequency[band], np.unwrap(np.angle(spectrum[band])), 1)[0]
    return -slope / (2 * np.pi) * 1000


def one_box(**changes: object) -> Venue:
    """One box outdoors, on the axis of everything, with 3 ms of latency."""
    room = venue("lantern_room")
    source = replace(room.sources[0], position_m=(0.0, 0.0, 1.2), aim_m=(8.0, 0.0, 1.2))
    outputs = {"Mains": replace(room.outputs["Mains"], latency_ms=3.0)}
    states = {
        name: replace(state, air=Air(20.0, 40.0), wind_m_s=0.0, rt60_s={})
        for name, state in room.states.items()
    }
    parts = {"room": None, "sources": (source,), "outputs": outputs, "states": states}
    return replace(room, hold_back_ms=0.0, measured=(), **{**parts, **changes})


# Levels: absolute, and in agreement with the maps


def test_one_metre_on_the_axis_has_the_level_of_the_file() -> None:
    """'level_dba is pink noise at 1 m on the axis with the trim at 0' (the venue file)."""
    heard = render_seat(one_box(), pink(4.0, 3), (1.0, 0.0, 1.2))
    power = np.abs(np.fft.rfft(heard)[1:]) ** 2
    weight = 10 ** (a_weighting_db(np.fft.rfftfreq(heard.size, 1 / RATE)[1:]) / 10)
    ours = 10 * np.log10(2 * np.sum(power * weight) / heard.size / (4 * RATE)) + REFERENCE_DB
    assert ours == pytest.approx(venue("lantern_room").loudspeakers["compact"].level_dba, abs=0.1)


@pytest.mark.parametrize("distance_m", [10.0, 50.0, 100.0])
def test_distance_takes_spreading_and_the_air_of_iso_9613(distance_m: float) -> None:
    thirds = THIRDS_HZ[3:-2]  # from the box's own limit to 12.5 kHz
    near, far = (
        gain_db(render_seat(one_box(), LATE_CLICK, (x, 0.0, 1.2)), thirds)
        for x in (2.0, distance_m)
    )
    per_m = np.squeeze(pyfar.constants.air_attenuation(20.0, thirds, 0.4)[0])
    wanted = 20 * np.log10(distance_m / 2.0) + per_m * (distance_m - 2.0)
    assert near - far == pytest.approx(wanted, abs=0.03)


@pytest.mark.parametrize(("seat", "seed"), [
    LONG((13.0, 0.0, 1.2), 0), ((28.0, 3.0, 1.2), 0), ((6.0, 2.0, 1.2), 5)])
def test_total_agrees_with_the_field_in_a_room(seat: tuple, seed: int) -> None:
    hall = plan("tidewell_hall")
    wanted = octaves(seat_field(hall.venue, hall.settings, seats_m=[seat]).total_db[0])
    ours = response_levels_db(render_seat(hall, CLICK, seat, seed=seed))
    assert ours == pytest.approx(wanted, abs=0.3)


@pytest.mark.parametrize("seat", [
    LONG((13.0, -0.5, 1.2)), (24.0, 2.5, 1.2), LONG((34.0, -1.5, 1.2))])
def test_total_agrees_with_the_field_in_a_long_reverberation(seat: tuple) -> None:
    chapel = plan("saltmarsh_chapel")
    wanted = octaves(seat_field(chapel.venue, chapel.settings, seats_m=[seat]).total_db[0])
    ours = response_levels_db(render_seat(chapel, LATE_CLICK, seat))
    assert ours == pytest.approx(wanted, abs=0.3)


def test_a_box_that_plays_some_octaves_agrees_with_the_field_in_these() -> None:
    """Levels by octave (the venue file): what is not given is silent, and its tail too."""
    hall, seat = venue("lantern_room"), (5.0, 1.0, 1.2)
    given = {250: 80.0, 500: 84.0, 1000: 84.0, 2000: 82.0}
    boxes = {name: replace(box, level_dba=None, level_by_octave_db=given)
             for name, box in hall.loudspeakers.items()}
    partial = replace(hall, loudspeakers=boxes)
    wanted = octaves(seat_field(partial, seats_m=[seat], sounding=["Mains"]).total_db[0])
    response = render_seat(partial, CLICK, seat, outputs="mains")
    assert np.isfinite(response).all()
    ours = response_levels_db(response)
    heard = wanted > 0
    assert heard.sum() == len(given)
    # The smooth curve cannot follow the step to silence exactly, and nothing rings ahead.
    assert ours[heard] == pytest.approx(wanted[heard], abs=0.8)
    assert (ours[~heard] < ours[heard].min() - 20).all()


def test_empty_hall_and_mains_alone_agree_with_the_field() -> None:
    hall, seat = plan("tidewell_hall"), (22.0, -4.0, 1.2)
    field = seat_field(
        hall.venue, hall.settings, seats_m=[seat], state="check", sounding=["Main bus"]
    )
    response = render_seat(hall, CLICK, seat, state="check", outputs="mains")
    assert response_levels_db(response) == pytest.approx(octaves(field.total_db[0]), abs=0.3)


@pytest.mark.parametrize("seat", [
    LONG((40.0, 3.0, 1.65)), (75.0, 10.0, 1.65), LONG((105.0, -5.0, 1.65))])
def test_direct_agrees_with_the_field_outdoors(seat: tuple) -> None:
    """Feed by feed, since the field adds left, right and mono by power."""
    field = plan("cinder_meadow")
    wanted = seat_field(field.venue, field.settings, seats_m=[seat], air=field.air).total_db[0]
    power = np.zeros(9)
    for feed in ("left", "right", "mono"):
        outputs = [name for name, out in field.venue.outputs.items() if out.feed == feed]
        power += 10 ** (response_levels_db(render_seat(field, CLICK, seat, outputs=outputs)) / 10)
    assert 10 * np.log10(power) == pytest.approx(octaves(wanted), abs=0.4)


def test_rendered_pink_noise_agrees_with_the_field() -> None:
    hall, seat = plan("tidewell_hall"), (30.0, 2.0, 1.2)
    wanted = octaves(seat_field(hall.venue, hall.settings, seats_m=[seat]).total_db[0])
    heard = render_seat(hall, pink(20.0, 8), seat)[3 * RATE : 20 * RATE]
    # Noise of 17 s scatters by 0.2 dB in the lowest octave.
    assert band_levels_db(heard)[1:] == pytest.approx(wanted[1:], abs=0.5)


def test_seat_below_the_balcony_lies_in_its_shadow() -> None:
    hall = venue("tidewell_hall")
    below = hall.area("under balcony")
    sources = tuple(replace(s, covers=(below.name,)) if s.covers else s for s in hall.sources)
    goals = replace(hall.goals, reference_rows_m=None)
    only = replace(hall, areas=(below,), sources=sources, goals=goals)
    seats = only.areas[0].seats_m()
    index = 40
    wanted = octaves(seat_field(only, sounding=["Main bus"]).direct_db[index])
    options = {"outputs": "mains", "tail": False}
    ours = response_levels_db(render_seat(hall, CLICK, seats[index], **options))
    assert ours == pytest.approx(wanted, abs=0.5)
    above = seats[index] + [0.0, 0.0, 2.5]
    free = response_levels_db(render_seat(hall, CLICK, above, **options))
    wanted = octaves(seat_field(hall, seats_m=[above], sounding=["Main bus"]).direct_db[0])
    assert free == pytest.approx(wanted, abs=0.5)


def test_measured_level_wins_over_the_model() -> None:
    seat = (13.0, 0.0, 1.2)
    reading = Measured(output="Main bus", at_m=seat, state="show", level_dba=80.0)
    hall = replace(venue("tidewell_hall"), measured=(reading,))
    thirds = response_levels_db(render_seat(hall, CLICK, seat, outputs="mains"), fraction=3)
    total = 10 * np.log10(np.sum(10 ** ((thirds + a_weighting_db(THIRDS_HZ)) / 10)))
    assert total == pytest.approx(80.0, abs=0.1)


def test_levels_do_not_depend_on_the_sample_rate() -> None:
    hall, seat = venue("lantern_room"), (9.0, 1.0, 1.2)
    levels = {
        rate: response_levels_db(render_seat(hall, CLICK, seat, sample_rate_hz=rate), rate=rate)
        for rate in (RATE, 16000, 44100, 96000)
    }
    for rate, level in levels.items():
        below = OCTAVES_HZ * 1.5 < 0.4 * rate
        assert levels[RATE][below] == pytest.approx(level[below], abs=0.2), rate


# The tail


def test_tail_dies_away_with_the_rt60_of_each_octave() -> None:
    """Backward integration (Schroeder 1965, J. Acoust. Soc. Am. 37) from -5 to -30 dB."""
    hall, seat = venue("tidewell_hall"), (36.0, 8.0, 1.2)
    heard = [render_seat(hall, CLICK, seat, outputs="mains", seed=seed) for seed in range(6)]
    for octave, centre in zip((125, 500, 2000, 8000), OCTAVES_HZ[1:8:2], strict=True):
        edges = band_edges_hz(centre)
        sections = sig.butter(4, edges, "bandpass", fs=RATE, output="sos")
        left = sum(np.cumsum(sig.sosfilt(sections, one)[::-1] ** 2)[::-1] for one in heard)
        level = 10 * np.log10(left[left > 0] / left[0])
        part = (level < -5) & (level > -30)
        slope = np.polyfit(np.flatnonzero(part) / RATE, level[part], 1)[0]
        wanted = hall.states["show"].rt60_s[octave]
        assert -60 / slope == pytest.approx(wanted, rel=0.05 if octave > 200 else 0.1)


def test_tail_follows_the_seed_and_only_the_seed() -> None:
    hall, seat = venue("lantern_room"), (9.0, 1.0, 1.2)
    first, again, other = (render_seat(hall, CLICK, seat, seed=seed) for seed in (4, 4, 5))
    assert np.array_equal(first, again)
    tails = first - other
    assert np.abs(tails).max() > 1e-3 * np.abs(first).max()
    dry = [render_seat(hall, CLICK, seat, seed=seed, tail=False) for seed in (4, 5)]
    assert np.array_equal(*dry)


# Outputs and settings


def test_both_is_mains_alone_and_fill_alone() -> None:
    hall, seat = plan("tidewell_hall"), (30.0, 2.0, 1.2)
    mains, fill, both = (
        render_seat(hall, CLICK, seat, outputs=outputs, tail=False)
        for outputs in ("mains", "fill", "all")
    )
    assert mains.size == fill.size == both.size
    assert both == pytest.approx(mains + fill, abs=1e-12 * np.abs(both).max())
    fills = [name for name in hall.venue.outputs if name != "Main bus"]
    named = render_seat(hall, CLICK, seat, outputs=fills, tail=False)
    assert np.array_equal(named, fill)
    assert np.array_equal(
        render_seat(hall, CLICK, seat, outputs="Main bus", tail=False), mains
    )


def test_mains_bring_their_subs() -> None:
    field, seat = venue("cinder_meadow"), (30.0, 0.0, 1.65)
    lows = {
        str(outputs): response_levels_db(render_seat(field, CLICK, seat, outputs=outputs))[0]
        for outputs in ("mains", ["Main L", "Main R"], "Subs")
    }
    assert lows["mains"] > lows["['Main L', 'Main R']"] + 1.0
    three = render_seat(field, CLICK, seat, outputs=["Main L", "Main R", "Subs"])
    assert np.array_equal(render_seat(field, CLICK, seat, outputs="mains"), three)


@pytest.mark.parametrize("tail", [False, True])
def test_inverted_output_is_the_negative(tail: bool) -> None:
    options = {"outputs": "Fill", "tail": tail}
    hall, seat = venue("lantern_room"), (9.0, 1.0, 1.2)
    inverted = {"Fill": OutputSettings(polarity="inverted")}
    upright = render_seat(hall, CLICK, seat, **options)
    assert render_seat(hall, CLICK, seat, settings=inverted, **options) == pytest.approx(
        -upright, abs=1e-15
    )


def test_trim_scales_and_an_output_that_is_off_is_silent() -> None:
    seat = (9.0, 0.0, 1.2)
    plain = render_seat(one_box(), CLICK, seat)
    louder = render_seat(one_box(), CLICK, seat, settings={"Mains": OutputSettings(trim_db=6.0)})
    assert louder == pytest.approx(plain * 10**0.3, abs=1e-15)
    off = {"Mains": OutputSettings(trim_db=-np.inf)}
    assert not render_seat(one_box(), CLICK, seat, settings=off).any()
    assert not render_seat(venue("lantern_room"), CLICK, seat, settings=off, outputs="mains").any()


def test_low_cut_and_shelf_are_the_filters_that_were_dialled() -> None:
    """Against scipy's Butterworth run twice, and the shelf's gain far above its corner."""
    seat = (9.0, 0.0, 1.2)
    dialled = {"Mains": OutputSettings(low_cut_hz=150.0, shelf_db=4.0, shelf_hz=3000.0)}
    frequency = np.array([80.0, 150.0, 300.0, 1000.0, 16000.0])
    plain, shaped = (
        gain_db(render_seat(one_box(), CLICK, seat, settings=settings), frequency)
        for settings in ({}, dialled)
    )
    cut = sig.freqz_sos(sig.butter(2, 150, "high", fs=RATE, output="sos"), frequency, fs=RATE)[1]
    shelf = np.array([0.0, 0.0, 0.0, 0.05, 4.0])
    assert shaped - plain == pytest.approx(40 * np.log10(np.abs(cut)) + shelf, abs=0.1)


def test_plan_brings_its_own_settings_and_air() -> None:
    seat = (9.0, 1.0, 1.2)
    hall = plan("lantern_room")
    told = render_seat(hall.venue, CLICK, seat, settings=hall.settings, air=hall.air)
    assert np.array_equal(render_seat(hall, CLICK, seat), told)
    warm = plan_fills(hall.venue, air=Air(28.0, 40.0))
    assert not np.array_equal(
        render_seat(warm, CLICK, seat, settings=hall.settings, tail=False),
        render_seat(hall, CLICK, seat, tail=False),
    )


def test_every_option_changes_the_sound() -> None:
    hall, seat = venue("lantern_room"), (9.0, 1.0, 1.2)
    plain = render_seat(hall, CLICK, seat, sample_rate_hz=16000.0)
    for options in (
        {"sample_rate_hz": 22050.0},
        {"outputs": "mains"},
        {"settings": {"Mains": OutputSettings(delay_ms=1.0)}},
        {"air": Air(10.0, 40.0)},
        {"state": "check"},
        {"tail": False},
        {"seed": 1},
        {"ears": "two"},
        {"reference_db": 130.0},
    ):
        heard = render_seat(hall, CLICK, seat, **{"sample_rate_hz": 16000.0, **options})
        heard = heard[:, 0] if heard.ndim == 2 else heard
        size = min(heard.size, plain.size)
        assert np.abs(heard[:size] - plain[:size]).max() > 1e-2 * np.abs(plain).max(), options


def test_signal_is_convolved_and_nothing_of_it_is_lost() -> None:
    hall, seat = venue("lantern_room"), (8.0, 1.0, 1.2)
    response = render_seat(hall, LATE_CLICK, seat)
    noise = np.random.default_rng(3).standard_normal(5000)
    heard = render_seat(hall, np.concatenate([np.zeros(4800), noise]), seat)
    assert heard.size == response.size + 4999
    whole = sig.fftconvolve(noise, response)
    assert np.abs(heard - whole).max() < 1e-9 * np.abs(heard).max()


# Scale


def test_a_seat_where_no_air_is_known_is_refused() -> None:
    assert np.isfinite(render_seat(one_box(), CLICK, (4999.0, 0.0, 1.2))).all()
    with pytest.raises(ValueError, match="must lie within 5000 m of every loudspeaker, got 1000"):
        render_seat(one_box(), CLICK, (1e5, 0.0, 1.2))


def test_reference_is_the_level_of_full_scale_and_nothing_clips() -> None:
    seat = (5.0, 0.0, 1.2)
    plain = render_seat(one_box(), CLICK, seat)
    assert render_seat(one_box(), CLICK, seat, reference_db=120.0) == pytest.approx(10 * plain)
    peak_db = REFERENCE_DB + 20 * np.log10(np.abs(plain).max())
    assert np.abs(render_seat(one_box(), CLICK, seat, reference_db=peak_db + 0.1)).max() <= 1.0
    with pytest.raises(ValueError, match=rf"peaks at {peak_db:.1f} dB, above full scale: refer"):
        render_seat(one_box(), CLICK, seat, reference_db=peak_db - 0.1)


@pytest.mark.parametrize("name", ["tidewell_hall", "cinder_meadow", LONG("saltmarsh_chapel")])
def test_demo_sounds_fit_at_every_demo_venue(name: str) -> None:
    place = plan(name)
    for x in (place.checks.point_m[0], place.checks.point_m[-1]):
        response = render_seat(place, CLICK, x)
        for sound in (read_wav(DATA / "voice.wav").samples[:, 0], clap()):
            assert 1e-4 < np.abs(sig.oaconvolve(sound, response)).max() < 1.0


# Errors


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"signal": []}, r"signal must be one channel of samples, got shape \(0,\)"),
        ({"signal": np.zeros((4, 2))}, r"signal must be one channel of samples, got shape \(4, 2"),
        ({"signal": [np.inf]}, r"signal must be a finite number, got inf"),
        ({"seat_m": [1.0, 2.0]}, r"seat_m must hold x, y, z in metres"),
        ({"seat_m": np.ones((2, 3))}, r"seat_m must be one point x, y, z in m, got shape \(2, 3\)"),
        ({"sample_rate_hz": 100.0}, r"sample_rate_hz must be between 8000 and 192000 Hz, got 100"),
        ({"outputs": "subs"}, r"outputs must be all, mains, fill or some of Mains, Fill, got"),
        ({"outputs": ["Mains", "x"]}, r"outputs must be .* got \['Mains', 'x'\]"),
        ({"outputs": []}, r"outputs must be all, mains, fill or some of .* got \[\]"),
        ({"state": "rehearsal"}, r"state must be one of check, show, got 'rehearsal'"),
        ({"settings": {"x": OutputSettings()}}, r"no output named 'x'; there are Mains"),
        ({"reference_db": np.nan}, r"reference_db must be between 0 and 250 dB, got nan"),
        ({"ears": "three"}, r"ears must be one of one, two, got 'three'"),
        ({"seed": -1}, r"seed must be between 0 and 4294967295, got -1"),
    ],
)
def test_rendering_refuses_nonsense(options: dict, message: str) -> None:
    arguments = {"signal": CLICK, "seat_m": [8.0, 0.0, 1.2], **options}
    signal, seat = arguments.pop("signal"), arguments.pop("seat_m")
    with pytest.raises(ValueError, match=message):
        render_seat(venue("lantern_room"), signal, seat, **arguments)


# Sounds and speed


def test_the_file_of_the_clap_is_what_its_function_makes() -> None:
    file = read_wav(DATA / "clap.wav")
    assert file.sample_rate_hz == RATE
    assert file.samples[:, 0] == pytest.approx(clap(), abs=2 / 32767)
    assert np.abs(clap()).max() == pytest.approx(10 ** (-3 / 20))
    assert not np.array_equal(clap(seed=9), clap())
    assert clap(sample_rate_hz=96000).size == 2 * clap().size
    with pytest.raises(ValueError, match=r"seed must be between 0 and 4294967295, got -1"):
        clap(seed=-1)


def test_a_clap_is_short_and_bright() -> None:
    left = np.cumsum(clap()[::-1] ** 2)[::-1]
    assert 10 * np.log10(left[4800] / left[0]) < -30
    assert 5 <= band_levels_db(clap()).argmax() <= 7


def test_voice_is_speech_not_silence_and_not_clipped() -> None:
    path = DATA / "voice.wav"
    assert path.stat().st_size < 400_000
    file = read_wav(path)
    voice = file.samples[:, 0]
    assert file.samples.shape[1] == 1
    assert file.sample_rate_hz == RATE
    assert 3.0 < file.seconds < 4.0
    assert 0.3 < np.abs(voice).max() < 0.9
    assert 12 < 20 * np.log10(np.abs(voice).max() / voice.std()) < 22
    power = np.abs(np.fft.rfft(voice)[1:]) ** 2
    weight = 10 ** (a_weighting_db(np.fft.rfftfreq(voice.size, 1 / RATE)[1:]) / 10)
    assert 10 * np.log10(2 * np.sum(power * weight)) - 20 * np.log10(
        voice.size
    ) == pytest.approx(-26.0, abs=0.05)
    octave = band_levels_db(voice)
    # Long-term speech: loudest at 500 Hz or below, 4 kHz 6 to 25 dB down.
    assert octave.argmax() <= 3
    assert 6 < octave[3] - octave[6] < 25
    # Syllables: 4 Hz is where the envelope of speech moves most.
    envelope = np.convolve(voice**2, np.hanning(960), "same")[::480]
    modulation = np.abs(np.fft.rfft(envelope - envelope.mean()))
    rate = np.fft.rfftfreq(envelope.size, 0.01)
    assert 1.5 < rate[modulation.argmax()] < 10


def test_five_seconds_at_tidewell_take_far_less_than_five_seconds() -> None:
    voice = np.resize(read_wav(DATA / "voice.wav").samples[:, 0], 5 * RATE)
    hall, seat = plan("tidewell_hall"), (30.0, 2.0, 1.2)
    render_seat(hall, CLICK, seat)
    start = time.process_time()
    render_seat(hall, voice, seat)
    assert time.process_time() - start < 1.0


def test_import_stays_light() -> None:
    code = "import sys, fillalign.audio; print('scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=True)
    assert done.stdout.strip() == b"False"
