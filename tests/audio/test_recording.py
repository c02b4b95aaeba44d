"""Arrivals in recordings of rooms simulated with pyroomacoustics, and what cannot be told."""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy import signal as filters

from fillalign.absorption import OCTAVES_HZ
from fillalign.audio.gap import measure_gap
from fillalign.audio.impulse import find_arrivals, impulse_response, time_difference_ms
from fillalign.audio.reading import (
    Doubt,
    GapReading,
    correction_ms,
    measured_levels,
    measured_toml,
)
from fillalign.audio.signals import click_train, exponential_sweep, pink_noise, take_turns
from fillalign.audio.wav import Recording, read_wav
from fillalign.levels import a_weighting_db
from fillalign.venue import Measured, read_venue
from tests import simulated_recordings as simulated

DATA = Path(__file__).parents[2] / "data"
RATE = 48000
SWEEP = exponential_sweep(seconds=1.0)


@cache
def case(number: int, snr_db: float) -> simulated.Scenario:
    return simulated.scenario(number, snr_db=snr_db)


def sweep_for(rate: int) -> np.ndarray:
    return exponential_sweep(**simulated.SWEEP, sample_rate_hz=rate)


def pulses(*arrivals: tuple[float, float], seconds: float = 0.5, rate: int = RATE) -> np.ndarray:
    """Free-field arrivals (ms, amplitude) as band-limited pulses, from sinc theory."""
    time = np.arange(round(seconds * rate))
    return sum(a * np.sinc(time - ms * rate / 1000) for ms, a in arrivals)


def heard(signal: np.ndarray, response: np.ndarray, seed: int = 1) -> Recording:
    clean = filters.oaconvolve(signal, response)
    rough = np.random.default_rng(seed).standard_normal(clean.size)
    return Recording((0.5 * clean + 1e-4 * rough)[:, np.newaxis], RATE)


# --- impulse responses and arrivals ---------------------------------------------------------


@pytest.mark.parametrize("signal", [
    SWEEP, click_train(clicks=4), pink_noise(seconds=3.0),
    filters.max_len_seq(15)[0] * 2.0 - 1,
], ids=["sweep", "clicks", "noise", "maximum-length"])
def test_each_signal_gives_back_the_response_it_went_through(signal: np.ndarray) -> None:
    response = pulses((20.0, 1.0), (27.3, -0.5), (61.017, 0.3))
    read = impulse_response(filters.oaconvolve(signal, response), signal, RATE)
    found = find_arrivals(read[: RATE // 5], RATE, range_db=12)
    assert [a.polarity for a in found] == [1, -1, 1]
    np.testing.assert_allclose([a.time_ms for a in found], [20.0, 27.3, 61.017], atol=0.003)
    levels = np.array([a.level_db for a in found])
    np.testing.assert_allclose(levels - levels[0], 20 * np.log10([1, 0.5, 0.3]), atol=0.25)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_times_between_samples_are_read_to_a_fiftieth_of_a_sample(rate: int) -> None:
    for part in (0.0, 0.09, 0.16, 0.28, 0.41, 0.53, 0.66, 0.78, 0.97):
        at_ms = 30 + part * 1000 / rate
        found = find_arrivals(pulses((at_ms, 1.0), rate=rate), rate)
        assert len(found) == 1
        assert found[0].time_ms == pytest.approx(at_ms, abs=0.02 * 1000 / rate)


@pytest.mark.parametrize(
    ("signal", "noise"), [(click_train(), 0.035), (pink_noise(seconds=2), 0.1)])
def test_one_arrival_in_noise_is_told_as_one(signal: np.ndarray, noise: float) -> None:
    clean = filters.oaconvolve(signal, pulses((40.0, 0.5)))
    rough = noise * np.random.default_rng(77).standard_normal(clean.size)
    response = impulse_response(clean + rough, signal, RATE)
    found = find_arrivals(response[: RATE // 4], RATE)
    assert len(found) == 1
    assert found[0].time_ms == pytest.approx(40.0, abs=0.01)


def test_rumble_that_is_cut_through_is_no_arrival() -> None:
    rng = np.random.default_rng(5)
    low = filters.butter(2, 200, fs=RATE, output="sos")
    rumble = 10 * filters.sosfilt(low, rng.standard_normal(RATE))
    sound = 0.05 * rng.standard_normal(12000) + 3 * pulses((40.0, 1.0), seconds=0.25)
    for cut in range(20000, 24000, 200):
        found = find_arrivals(rumble[cut : cut + 12000] + sound, RATE)
        assert [a.time_ms for a in found] == [pytest.approx(40.0, abs=0.02)]


def test_lead_shows_what_lies_before_time_zero() -> None:
    take = heard(SWEEP, pulses((0.0, 1.0)))
    response = impulse_response(take.samples[:, 0], SWEEP, RATE, lead_ms=10)
    assert find_arrivals(response, RATE)[0].time_ms == pytest.approx(10.0, abs=0.003)


def test_arrivals_keep_to_range_and_separation() -> None:
    response = pulses((20.0, 1.0), (20.5, 0.8), (40.0, 0.05))
    for options, count in (({}, 2), ({"range_db": 40}, 3), ({"separation_ms": 2.0}, 1)):
        assert len(find_arrivals(response, RATE, **options)) == count


def test_confidence_tells_noise_from_sound() -> None:
    rng = np.random.default_rng(5)
    quiet = rng.standard_normal(RATE)
    assert find_arrivals(quiet, RATE) == ()
    weak = quiet + 100 * pulses((100.0, 1.0), seconds=1.0)
    assert find_arrivals(weak, RATE)[0].confidence > 0.999


def test_programme_is_timed_by_its_cross_correlation() -> None:
    # Knapp and Carter 1976: a delay between two channels with noise of their own.
    rng = np.random.default_rng(9)
    # Almost all of it in one narrow band, as programme can be: whitening finds the rest.
    programme = rng.standard_normal(3 * RATE)
    programme += 100 * filters.sosfilt(
        filters.butter(1, (1400, 1450), "bandpass", fs=RATE, output="sos"), programme)
    late = simulated.delayed(programme, 1234.4)[: programme.size]
    noise = 0.05 * rng.standard_normal((2, programme.size))
    found = time_difference_ms(programme + noise[0], 0.2 * late - noise[1], RATE)
    assert found.time_ms == pytest.approx(1234.4 / 48, abs=0.005)
    assert found.polarity == 1
    assert found.confidence > 0.999
    back = time_difference_ms(-late, programme, RATE)
    assert back.time_ms == pytest.approx(-1234.4 / 48, abs=0.005)
    assert back.polarity == -1
    unlike = time_difference_ms(noise[0], noise[1], RATE)
    assert unlike.confidence < 0.9
    assert time_difference_ms(programme, late, RATE, max_ms=20).confidence < 0.9


# --- gaps in simulated rooms ----------------------------------------------------------------

def rooms(*numbers: int, short: tuple[int, ...]) -> list:
    """Return rooms with less and less signal over the noise; those not short for long runs."""
    return [pytest.param(1000 + k, (30, 20, 10, 10, 5, 0)[k % 6],
                         marks=[pytest.mark.long] * (k not in short)) for k in numbers]


def check(case: simulated.Scenario, reading: GapReading) -> None:
    assert reading.cannot_tell is None
    assert reading.gap_ms == pytest.approx(case.gap_ms, abs=0.1)
    assert abs(reading.gap_ms - case.gap_ms) <= reading.uncertainty_ms < 0.1
    tolerance_db = 1.5 if case.snr_db >= 10 else 2.4
    assert reading.level_difference_db == pytest.approx(case.level_db, abs=tolerance_db)
    if case.snr_db >= 5:  # below, noise may cover the octave from 8 kHz
        assert not reading.withheld
    assert reading.polarity_same in ((not case.inverted,) if case.snr_db >= 5 else
                                     (not case.inverted, None))


@pytest.mark.parametrize(("number", "snr_db"), rooms(*range(12), short=(0, 2, 4, 5)))
def test_turns_in_a_room_give_the_gap(number: int, snr_db: float) -> None:
    seat = case(number, snr_db)
    sweep = sweep_for(seat.rate)
    take = Recording(simulated.one_after_other(seat, sweep), seat.rate)
    check(seat, measure_gap(take, sweep, seat.rate, spacing_s=simulated.SPACING_S))


@pytest.mark.parametrize(("number", "snr_db"), rooms(*range(0, 12, 2), short=(2, 4)))
def test_a_take_of_both_and_one_of_the_mains_give_the_gap(number: int, snr_db: float) -> None:
    seat = case(number, snr_db)
    sweep = sweep_for(seat.rate)
    both = Recording(simulated.together(seat, sweep), seat.rate)
    mains = Recording(simulated.alone(seat, sweep, "mains", warmer=2e-4), seat.rate)
    check(seat, measure_gap(both, sweep, seat.rate, mode="together", mains_alone=mains))
    alone = measure_gap(both, sweep, seat.rate, mode="together", planned_gap_ms=seat.gap_ms + 2)
    assert alone.cannot_tell or alone.gap_ms == pytest.approx(seat.gap_ms, abs=0.1)


@pytest.mark.parametrize(("number", "snr_db"), rooms(1, 3, short=(1,)))
def test_two_takes_with_the_signal_beside_give_the_gap(number: int, snr_db: float) -> None:
    seat = case(number, snr_db)
    sweep = sweep_for(seat.rate)
    takes = tuple(Recording(simulated.alone(seat, sweep, which, loopback=True), seat.rate)
                  for which in ("mains", "fill"))
    check(seat, measure_gap(takes, sweep, seat.rate, mode="two-takes", reference_channel=2))


@pytest.mark.parametrize("gap_ms", [-9.0, 0.0, 0.5, 40.0, *(
    pytest.param(one, marks=pytest.mark.long) for one in (-0.2, 0.1, 6.0))])
def test_both_with_the_mains_taken_out_are_told_at_any_gap(gap_ms: float) -> None:
    mains = pulses((50.0, 1.0), (53.1, 0.7), (61.0, -0.5))
    fill = pulses((50.0 + gap_ms, 0.5), (50.0 + gap_ms + 4.4, 0.3))
    reading = measure_gap(heard(SWEEP, mains + fill), SWEEP, RATE, mode="together",
                          mains_alone=heard(SWEEP, mains, seed=2))
    assert reading.gap_ms == pytest.approx(gap_ms, abs=0.02)
    assert reading.level_difference_db == pytest.approx(-6.0, abs=0.5)


@pytest.mark.parametrize(("gap_ms", "fill", "planned"), [
    (12.0, 1.5, 14.0), (12.0, -2.0, 9.0), (-9.0, 0.5, -11.0), (-9.0, -0.6, -7.0), (3.0, 1.5, 4.5),
])
def test_both_outdoors_are_told_apart_by_the_plan(
    gap_ms: float, fill: float, planned: float
) -> None:
    take = heard(SWEEP, pulses((60.0, 1.0), (60.0 + gap_ms, fill)))
    reading = measure_gap(take, SWEEP, RATE, mode="together", planned_gap_ms=planned)
    assert reading.gap_ms == pytest.approx(gap_ms, abs=0.02)
    assert reading.level_difference_db == pytest.approx(20 * np.log10(abs(fill)), abs=0.2)
    assert reading.polarity_same is (fill > 0)
    assert reading.mains_db == reading.fill_db == {}


def test_unequal_clocks_do_not_pass_for_a_gap() -> None:
    sound = [pulses((30.0, 1.0)), pulses((37.0, 0.5))]
    turns = take_turns(SWEEP, spacing_s=4.0, sample_rate_hz=RATE)
    clean = sum(filters.oaconvolve(turns[:, k], sound[k]) for k in (0, 1))
    fast = filters.resample(clean, round(clean.size * (1 + 60e-6)))
    take = 0.4 * fast[:, np.newaxis]
    three = measure_gap(Recording(take, RATE), SWEEP, RATE, spacing_s=4.0)
    two = measure_gap(Recording(take[: 7 * RATE], RATE), SWEEP, RATE, spacing_s=4.0, turns=2)
    assert three.gap_ms == pytest.approx(7.0, abs=0.01)
    assert three.uncertainty_ms < 0.05
    assert two.gap_ms == pytest.approx(7.0 + 0.24, abs=0.01)
    assert two.uncertainty_ms == pytest.approx(0.2, abs=0.01)  # 50 ppm of 4 s


def test_levels_by_octave_follow_a_filter_of_scipy() -> None:
    sos = filters.butter(4, 500, "highpass", fs=RATE, output="sos")
    sweep = exponential_sweep(seconds=2.0)
    turns = take_turns(sweep, spacing_s=3.0, sample_rate_hz=RATE)
    room = pulses((20.0, 1.0))
    clean = filters.oaconvolve(turns[:, 0], room) + 0.5 * filters.sosfilt(
        sos, filters.oaconvolve(turns[:, 1], pulses((24.0, 1.0))))
    rough = np.random.default_rng(3).standard_normal(clean.size)
    take = Recording((0.5 * clean + 1e-4 * rough)[:, np.newaxis], RATE)
    reading = measure_gap(take, sweep, RATE, spacing_s=3.0)
    grid = np.linspace(0.7080, 1.4125, 200)
    assert set(reading.mains_db) == {125, 250, 500, 1000, 2000, 4000, 8000}
    for octave in (250, 500, 1000, 2000, 4000, 8000):
        shown = reading.difference_by_octave_db[octave]
        centre = OCTAVES_HZ[[63, 125, 250, 500, 1000, 2000, 4000, 8000].index(octave)]
        _, gain = filters.sosfreqz(sos, centre * grid, fs=RATE)
        power = np.average(np.abs(gain) ** 2, weights=1 / grid)
        assert shown == pytest.approx(-6.02 + 10 * np.log10(power), abs=0.5), octave


def test_noise_does_not_pass_for_level() -> None:
    levels = []
    for snr_db in (60, 17):
        seat = case(1001, snr_db)  # a fill 15 dB below the mains, and so 2 dB above the noise
        sweep = sweep_for(seat.rate)
        take = Recording(simulated.one_after_other(seat, sweep), seat.rate)
        levels.append(measure_gap(take, sweep, seat.rate, spacing_s=simulated.SPACING_S).fill_db)
    quiet, noisy = levels
    assert set(quiet) == {125, 250, 500, 1000, 2000, 4000, 8000}
    assert {250, 500, 1000} <= set(noisy) < set(quiet)  # where the noise covers it, it is left out
    for octave, level in noisy.items():
        assert level == pytest.approx(quiet[octave], abs=0.6), octave


# --- what cannot be told --------------------------------------------------------------------

QUIET = pulses((40.0, 0.6), (52.0, 1.0))


def reason(take: Recording | tuple[Recording, ...], **options: object) -> str:
    options = {"mode": "together", "planned_gap_ms": 12.0, **options}
    reading = measure_gap(take, SWEEP, RATE, **options)
    assert reading.gap_ms is reading.uncertainty_ms is reading.level_difference_db is None
    assert reading.polarity_same is None
    assert reading.doubt is not None
    assert reading.cannot_tell == str(reading.doubt)
    assert reading.doubt.likely in reading.cannot_tell
    assert reading.cannot_tell.endswith(reading.doubt.next_step)
    return f"{reading.doubt.cause}: {reading.doubt.reason}"


def test_a_usable_take_shows_that_the_refusals_below_are_for_their_reasons() -> None:
    assert measure_gap(heard(SWEEP, QUIET), SWEEP, RATE, mode="together",
                       planned_gap_ms=12.0).gap_ms == pytest.approx(12.0, abs=0.02)


def test_noise_silence_and_clipping_are_named() -> None:
    noise = np.random.default_rng(2).standard_normal((2 * RATE, 1))
    assert reason(Recording(0.1 * noise, RATE)).startswith("noise: the first arrival is only")
    assert reason(Recording(1e-5 * noise, RATE)).startswith("silence")
    take = heard(SWEEP, QUIET).samples
    for ceiling in (0.05, 0.15):
        clipped = Recording(np.clip(take, -ceiling, ceiling), RATE)
        assert reason(clipped).startswith("clipping")
    clicks = click_train()
    loud = Recording(np.clip(9 * heard(clicks, QUIET).samples, -0.5, 0.5), RATE)
    assert measure_gap(loud, clicks, RATE, mode="together").doubt.cause == "clipping"


def test_clean_signals_do_not_pass_for_clipped_ones() -> None:
    for rate in (44100, 48000):
        for bits in (8, 16):
            sweep = exponential_sweep(seconds=1.0, sample_rate_hz=rate, peak_dbfs=0)
            wire = np.round(np.pad(sweep, 4800) * (2 ** (bits - 1) - 1)) / 2 ** (bits - 1)
            mains, fill = (Recording(np.column_stack([np.roll(wire, late), wire]), rate)
                           for late in (0, 441))
            reading = measure_gap((mains, fill), sweep, rate, mode="two-takes",
                                  reference_channel=2)
            assert reading.gap_ms == pytest.approx(441e3 / rate, abs=1e-3), reading.cannot_tell


def test_wrong_speed_and_too_short_are_named() -> None:
    take = heard(SWEEP, QUIET).samples
    assert reason(Recording(take, 44100)).startswith(
        "wrong-speed: the signal was played 0.919 times as fast")
    slow = filters.resample(take, round(take.size * 44100 / 48000))
    assert reason(Recording(slow, RATE)).startswith(
        "wrong-speed: the signal was played 1.088 times as fast")
    assert reason(Recording(take[:24000], RATE)) == (
        "cut-short: the recording lasts 0.50 s, what was played 1.00 s")
    turns = Recording(np.tile(take, (2, 1)), RATE)
    assert "lasts 3.00 s, what was played 5.00 s" in reason(
        turns, mode="one-after-other", spacing_s=2.0)


def test_a_second_arrival_that_is_not_there_is_named() -> None:
    single = heard(SWEEP, pulses((40.0, 1.0)))
    assert "no second arrival between 7.0 and 17.0 ms" in reason(single)
    assert "pass for one" in reason(single, planned_gap_ms=0.0, search_ms=0.5)
    echoes = pulses((40.0, 1.0), (44.0, 0.6), (52.0, 0.5), (63.0, 0.55))
    assert reason(heard(SWEEP, echoes)).startswith("reflections: no second arrival stands out")
    weaker = pulses((40.0, 1.0), (44.0, 0.3), (52.0, 0.5), (63.0, 0.3))
    assert reason(heard(SWEEP, weaker)).startswith("reflections: no second arrival stands out")
    crowd = pulses((40.0, 0.6), (44.0, 0.8), (52.0, 1.0))
    assert reason(heard(SWEEP, crowd)).startswith("reflections: no second arrival stands out")
    lone = heard(SWEEP, pulses((40.0, 1.0), (52.0, 0.9)))  # the fill, or a wall with the fill off
    assert reason(lone).startswith("reflections: no second arrival stands out")
    assert reason(heard(SWEEP, pulses((40.0, 0.6), (42.0, 1.0))), planned_gap_ms=1.0).startswith(
        "order: within this search either may come first")
    assert reason(single, mains_alone=single) == (
        "fill-silent: the fill does not stand out of the noise")
    near = heard(SWEEP, pulses((40.0, 1.0), (40.1, 0.15), (44.0, 0.2)))
    assert "what is left of the mains may hide" in reason(near, mains_alone=single)


def test_takes_that_share_nothing_are_named() -> None:
    take = heard(SWEEP, QUIET)
    assert reason((take, take), mode="two-takes") == "no-reference: the two takes share no time"
    other = heard(SWEEP, pulses((40.0, 3.0), (45.0, 2.0)))
    assert "the take of the mains alone does not fit" in reason(take, mains_alone=other)


TURNS = {"mode": "one-after-other", "spacing_s": 2.0, "planned_gap_ms": None}


def in_turns(
    mains: np.ndarray, fill: np.ndarray, *, more: int = 0, signal: np.ndarray = SWEEP,
    spacing_s: float = 2.0, noise: float = 1e-4,
) -> Recording:
    """Return a take of mains, fill, mains, and so many turns of the fill more."""
    step = round(spacing_s * RATE)
    played = np.zeros((2, (3 + more) * step))
    for turn, row in enumerate((0, 1, 0, *[1] * more)):
        played[row, turn * step : turn * step + signal.size] = signal
    clean = sum(filters.oaconvolve(p, h) for p, h in zip(played, (mains, fill), strict=True))
    rough = np.random.default_rng(1).standard_normal(clean.size)
    return Recording((0.3 * clean + noise * rough)[:, np.newaxis], RATE)


def test_turns_at_another_spacing_are_named() -> None:
    take = in_turns(pulses((40.0, 1.0)), pulses((43.0, 1.0)))
    assert measure_gap(take, SWEEP, RATE, **TURNS).gap_ms == pytest.approx(3.0, abs=0.02)
    assert reason(take, **{**TURNS, "spacing_s": 2.002}).startswith(
        "moved: the mains' two turns are 4000.00 ms apart instead of 4004.00")
    assert reason(take, **{**TURNS, "spacing_s": 1.8}).startswith(
        "spacing: no two turns are 3.600 s apart")


def test_a_take_that_plays_on_is_refused_since_either_could_be_the_mains() -> None:
    sounds = pulses((30.0, 1.0)), pulses((39.0, 2.0))
    take = in_turns(*sounds)
    assert measure_gap(take, SWEEP, RATE, **TURNS).gap_ms == pytest.approx(9.0, abs=0.02)
    assert reason(take, turns=2, **TURNS) == "more-turns: there are more turns than 2"
    assert reason(in_turns(*sounds, more=1), **TURNS) == "more-turns: there are more turns than 3"


def test_mistakes_of_the_caller_are_errors() -> None:
    take = heard(SWEEP, QUIET)
    for options, message in (
        ({"mode": "both"}, "mode must be one of one-after-other, together, two-takes, got 'both'"),
        ({}, "spacing_s must be given for one-after-other"),
        ({"spacing_s": 0.5}, "spacing_s must be between 1 and 120 s, got 0.5"),
        ({"spacing_s": 2.0, "turns": 4}, "turns must be 2 or 3, got 4"),
        ({"mode": "two-takes"}, "recording must be a pair .* got 1 for two-takes"),
        ({"mode": "together", "channel": 2}, "channel must be between 1 and 1, got 2"),
        ({"mode": "together", "planned_gap_ms": 500}, "planned_gap_ms must be between -100 and"),
        ({"mode": "together", "planned_gap_ms": 1, "search_ms": 0}, "search_ms must be between"),
    ):
        with pytest.raises(ValueError, match=message):
            measure_gap(take, SWEEP, RATE, **options)
    for wrong in ({"recording": "take.wav"}, {"recording": take, "mains_alone": take.samples}):
        with pytest.raises(TypeError, match=r"^recording must be a Recording, such as read_wav"):
            measure_gap(**wrong, signal=SWEEP, sample_rate_hz=RATE, mode="together")
    with pytest.raises(ValueError, match="reference_channel must be between 1 and 1, got 2"):
        measure_gap((take, take), SWEEP, RATE, mode="two-takes", reference_channel=2)
    with pytest.raises(ValueError, match="signal must not be silent"):
        impulse_response(SWEEP, np.zeros(100), RATE)
    with pytest.raises(ValueError, match="first and second must not be silent"):
        time_difference_ms(SWEEP, np.zeros(100), RATE)
    with pytest.raises(ValueError, match="response must be one channel of samples, got shape"):
        find_arrivals(np.zeros((4, 2)), RATE)


# --- measured against planned ---------------------------------------------------------------


def test_the_sample_measurement_is_what_its_simulation_makes_and_reads_right() -> None:
    samples, rate, gap_ms = simulated.tidewell_measurement()
    take = read_wav(DATA / "tidewell_measurement.wav")
    assert take.sample_rate_hz == rate
    assert (DATA / "tidewell_measurement.wav").stat().st_size < 400_000
    np.testing.assert_allclose(take.samples, samples, atol=3 / 32768)
    sweep = exponential_sweep(**simulated.SAMPLE_SWEEP, sample_rate_hz=rate)
    reading = measure_gap(take, sweep, rate, spacing_s=simulated.SAMPLE_SPACING_S)
    assert reading.gap_ms == pytest.approx(gap_ms, abs=0.02)
    assert reading.polarity_same is False
    correction, uncertainty = correction_ms(reading, gap_ms - 3.0)
    assert correction == pytest.approx(-3.0, abs=0.02)
    assert uncertainty == reading.uncertainty_ms


def test_a_reading_that_cannot_tell_corrects_nothing() -> None:
    doubt = Doubt("silence", "nothing is heard")
    with pytest.raises(ValueError, match="there is nothing to correct by: nothing is heard"):
        correction_ms(GapReading(doubt=doubt), 5.0)
    with pytest.raises(TypeError, match="planned_gap_ms must be a finite number"):
        correction_ms(GapReading(gap_ms=1.0, uncertainty_ms=0.1), "5")


def test_levels_calibrated_by_a_meter_go_back_into_the_venue_file(tmp_path: Path) -> None:
    reading = GapReading(gap_ms=5.0, uncertainty_ms=0.1,
                         mains_db={125: -14.0, 1000: -12.0, 4000: -15.0},
                         fill_db={1000: -20.0, 4000: -22.0})
    mains, fill = measured_levels(reading, 78.5)
    exact = 1000 * 10 ** (0.3 * np.array([-3.0, 0.0, 2.0]))
    weighted = np.array(list(mains.values())) + a_weighting_db(exact)
    assert 10 * np.log10(np.sum(10 ** (weighted / 10))) == pytest.approx(78.5)
    assert fill[4000] - mains[4000] == pytest.approx(-7.0)
    entries = [Measured("Main bus", (30.0, 3.0, 1.2), "check", by_octave_db=mains),
               Measured("Fill inner", (30.0, 3.0, 1.2), "check", level_dba=70.25)]
    text = measured_toml(entries)
    path = tmp_path / "tidewell.toml"
    path.write_text((DATA / "tidewell_hall.toml").read_text() + "\n" + text)
    first, second = read_venue(path).measured[-2:]
    assert (first.output, first.at_m, first.state) == ("Main bus", (30.0, 3.0, 1.2), "check")
    assert first.by_octave_db[1000] == pytest.approx(mains[1000], abs=0.051)
    assert second.level_dba == pytest.approx(70.25, abs=0.051)
    with pytest.raises(ValueError, match="the reading holds no levels by octave"):
        measured_levels(GapReading(gap_ms=1.0), 78.5)


def test_names_of_any_kind_survive_the_toml() -> None:
    for name in ('a "b"', "back\\slash", "größe \u00e9t\u00e9"):
        entry = Measured(name, (1.0, 2.0, 3.0), "check", level_dba=70.0)
        assert tomllib.loads(measured_toml([entry]))["measured"][0]["output"] == name
