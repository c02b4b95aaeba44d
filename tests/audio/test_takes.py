"""What people do with a recorder, right and wrong: told rightly, or refused for the true cause."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal as filters

from fillalign.audio import reading
from fillalign.audio.gap import measure_gap
from fillalign.audio.impulse import time_difference_ms
from fillalign.audio.reading import GapReading, correction_ms
from fillalign.audio.signals import pink_noise, take_turns
from fillalign.audio.wav import Recording, read_recording
from tests.audio.test_recording import RATE, SWEEP, TURNS, in_turns, pulses
from tests.benchmarks import takes

# The hall's response is fetched, which a test must not do.
HERE = [name for name in takes.KINDS if name != "sports hall"]
# What other kinds, tests below or those of recordings state, alone or together.
REPEATS = {
    "turns, sweep, a plan at hand", "early fill, turns", "early fill, two takes",
    "early fill, both and mains alone", "living room, gap 0", "phone, OGG",
    "clocks 100 millionths apart", "gap 0 outdoors", "plan only, fill silent, outdoors",
    "mono sum, outdoors", "mains alone in free field", "takes swapped, a plan at hand",
    "2.9 for 3 s", "fill left on in the mains' take",
    "both and mains alone, 5 s of noise", "both and mains alone, fill silent",
    "gap 0 in free field", "gap 0 in free field, fill moved", "fill not routed",
    "mains left open", "swapped, a plan at hand", "soft clipping", "automatic gain",
    "stopped inside the last turn", "another spacing", "plays on", "played at another rate",
    "turns, sweep", "turns, 0 to 5 dB of noise", "two takes, wired", "both and mains alone",
    "turns, noise", "phone, FLAC, one side", "phone to 7 or 10 kHz, crossovers",
}


def check(name: str, number: int) -> None:
    """Let one take of a class be read; a sure answer is right, a fault has its true cause."""
    kind = takes.KINDS[name]
    result, told, _ = takes.outcome(kind, number)
    wanted = {"right", "held"} if kind.honest else {"named"} if kind.causes else set()
    if name in takes.EITHER:
        wanted = {"right", "held", "named"}
    assert result in wanted, told


@pytest.mark.parametrize("name", [
    pytest.param(name, marks=pytest.mark.long) if name in REPEATS else name for name in HERE])
def test_a_take_of_every_kind(name: str) -> None:
    check(name, 300)


@pytest.mark.draws
@pytest.mark.parametrize("number", [301, 302, 303])
@pytest.mark.parametrize("name", HERE)
def test_more_takes_of_every_kind(name: str, number: int) -> None:
    check(name, number)


# --- free field, where everything is known ---------------------------------------------------

ROOM = pulses((40.0, 1.0), (47.0, 0.5), (59.0, -0.4), (83.0, 0.3))
OTHER = pulses((0.0, 1.0), (5.0, 0.5), (13.0, 0.4), (37.0, -0.3))


def later(response: np.ndarray, ms: float) -> np.ndarray:
    late = round(ms * RATE / 1000)
    return np.concatenate([np.zeros(late), response[: response.size - late]])


@pytest.mark.parametrize("early_ms", [95.0, 480.0, *(
    pytest.param(one, marks=pytest.mark.long) for one in (110.0, 260.0))])
def test_a_fill_that_is_early_by_any_size_is_read(early_ms: float) -> None:
    mains, fill = (np.pad(each, (0, RATE // 2)) for each in (ROOM, OTHER))
    take = in_turns(later(mains, 500), 0.5 * later(fill, 540 - early_ms))
    reading = measure_gap(take, SWEEP, RATE, **TURNS)
    assert reading.gap_ms == pytest.approx(-early_ms, abs=0.02)
    assert reading.polarity_same is True


def test_mains_in_the_turn_of_the_fill_are_named_with_what_to_do() -> None:
    for fill, cause, share in ((ROOM, "same-sound", 100),
                               (ROOM + later(OTHER, 45), "same-sound", 100),
                               (0.3 * ROOM + later(OTHER, 39), "crosstalk", 30)):
        reading = measure_gap(in_turns(ROOM, fill), SWEEP, RATE, **TURNS)
        assert reading.gap_ms is None
        assert reading.doubt.cause == cause
        told, rest = reading.doubt.reason.split(" % ")
        assert int(told) == pytest.approx(share, abs=5)
        assert rest == "of the mains' sound comes in the fill's turn"
        with pytest.raises(ValueError, match="nothing to correct by"):
            correction_ms(reading, 5.0)
    # With nothing of the mains in it, the same fill at the very same time is told.
    told = measure_gap(in_turns(ROOM, later(OTHER, 40)), SWEEP, RATE, **TURNS)
    assert told.gap_ms == pytest.approx(0.0, abs=0.02)


def test_without_a_room_a_second_take_with_the_fill_later_proves_it() -> None:
    mains = pulses((40.0, 1.0))
    moved = in_turns(mains, pulses((43.0, 0.9)))
    honest = in_turns(mains, pulses((40.0, 0.9)))
    refused = measure_gap(honest, SWEEP, RATE, **TURNS)
    assert refused.doubt.cause == "unproven"
    assert "3 ms later" in refused.doubt.next_step
    proven = measure_gap(honest, SWEEP, RATE, moved_take=moved, **TURNS)
    assert proven.gap_ms == pytest.approx(0.0, abs=0.02)
    same = measure_gap(honest, SWEEP, RATE, moved_take=honest, **TURNS)
    assert same.doubt.cause == "same-sound"
    assert same.doubt.reason == "the fill was set 3 ms later but came 0.0 ms later"
    by_five = measure_gap(honest, SWEEP, RATE, moved_take=moved, moved_ms=5.0, **TURNS)
    assert by_five.doubt.reason == "the fill was set 5 ms later but came 3.0 ms later"


def test_mains_and_fill_exchanged_are_seen_against_the_plan() -> None:
    mains, fill = ROOM, later(OTHER, 46.0)
    options = {**TURNS, "planned_gap_ms": 6.2}
    assert measure_gap(in_turns(mains, fill), SWEEP, RATE, **options).gap_ms == pytest.approx(
        6.0, abs=0.02)
    swapped = measure_gap(in_turns(fill, mains), SWEEP, RATE, **options)
    assert swapped.doubt.cause == "swapped"
    assert swapped.doubt.reason == ("the fill is -6.0 ms after the mains; only exchanged do they "
                                    "fit the plan of +6.2 ms")
    assert swapped.heard["fill"].arrival_ms == pytest.approx(-6.0, abs=0.02)
    unplanned = measure_gap(in_turns(fill, mains), SWEEP, RATE, **TURNS)
    with pytest.raises(ValueError, match=r"nothing to correct by: .* exchanged"):
        correction_ms(unplanned, 6.2)
    # Too early by something else than the plan's own gap is no exchange.
    assert correction_ms(unplanned, 20.0)[0] == pytest.approx(26.0, abs=0.02)


def test_what_was_heard_stands_on_one_clock() -> None:
    reading = measure_gap(in_turns(ROOM, later(OTHER, 52.0)), SWEEP, RATE, **TURNS)
    for name, arrival_ms in (("mains", 0.0), ("fill", 12.0)):
        heard = reading.heard[name]
        assert heard.arrival_ms == pytest.approx(arrival_ms, abs=0.02)
        assert heard.time_ms[np.argmax(np.abs(heard.samples))] == pytest.approx(
            arrival_ms, abs=0.03)
        assert heard.time_ms[0] < -15
        assert heard.time_ms[-1] > 250


def test_a_stereo_phone_at_its_own_rate_is_read_on_the_side_of_its_microphone(
    tmp_path: Path,
) -> None:
    take = in_turns(ROOM, later(OTHER, 45.0))
    slow = filters.resample_poly(take.samples[:, 0], 147, 160)
    hiss = 1e-4 * np.random.default_rng(2).standard_normal(slow.size)
    soundfile.write(tmp_path / "take.flac", np.column_stack([hiss, slow]), 44100)
    reading = measure_gap(read_recording(tmp_path / "take.flac"), SWEEP, RATE, **TURNS)
    assert reading.gap_ms == pytest.approx(5.0, abs=0.02)
    assert reading.channel == 2


def test_noise_at_another_rate_is_the_same_noise() -> None:
    made = {rate: pink_noise(seconds=2.0, sample_rate_hz=rate) for rate in (44100, 48000)}
    take = in_turns(ROOM, later(OTHER, 45.0), signal=made[48000], spacing_s=3.0)
    reading = measure_gap(take, made[44100], 44100, spacing_s=3.0)
    assert reading.gap_ms == pytest.approx(5.0, abs=0.02)


def test_two_crossovers_that_differ_leave_polarity_untold() -> None:
    case = takes.crossed
    mains, fill = case(ROOM, RATE, 900.0), case(later(OTHER, 45.0), RATE, 3000.0)
    reading = measure_gap(in_turns(mains, fill), SWEEP, RATE, **TURNS)
    assert reading.polarity_same is None
    assert reading.withheld["polarity"].cause == "unlike-boxes"
    assert reading.gap_ms == pytest.approx(5.0, abs=0.1)
    alike = measure_gap(in_turns(case(ROOM, RATE, 1800.0), -case(later(OTHER, 45.0), RATE, 1800.0)),
                        SWEEP, RATE, **TURNS)
    assert alike.polarity_same is False
    assert "polarity" not in alike.withheld


def test_a_recorder_that_ends_low_leaves_polarity_untold() -> None:
    low = filters.butter(8, 4000, fs=RATE, output="sos")
    take = in_turns(filters.sosfilt(low, ROOM), filters.sosfilt(low, later(OTHER, 45.0)),
                    noise=0.01)
    reading = measure_gap(take, SWEEP, RATE, **TURNS)
    assert reading.gap_ms == pytest.approx(5.0, abs=0.05)
    assert reading.polarity_same is None
    assert reading.withheld["polarity"].cause == "narrow-band"


def test_noise_against_a_recorder_whose_clock_runs_fast_is_brought_into_step() -> None:
    """60 millionths in 4 s are 11 samples: more than a period of what times are read from."""
    signal = pink_noise(seconds=4.0)
    take = in_turns(ROOM, 0.3 * later(OTHER, 45.0), signal=signal, spacing_s=5.0,
                    noise=0.003).samples[:, 0]
    fast = filters.resample(take, round(take.size * (1 + 60e-6)))
    reading = measure_gap(Recording(fast[:, None], RATE), signal, RATE, spacing_s=5.0)
    assert reading.gap_ms == pytest.approx(5.0, abs=0.02)


# --- levels withheld, timing kept --------------------------------------------------------------

TURN = 2 * RATE


def loud_and_quiet(change, *, noise: float = 1e-4) -> GapReading:
    """Return what is read of turns after half a second of quiet, changed by a function."""
    take = in_turns(ROOM, 0.5 * later(OTHER, 45.0), noise=noise).samples[:, 0]
    quiet = noise * np.random.default_rng(5).standard_normal(RATE // 2)
    samples = change(np.concatenate([quiet, take]))
    reading = measure_gap(Recording(samples[:, None], RATE), SWEEP, RATE, **TURNS)
    assert reading.gap_ms == pytest.approx(5.0, abs=0.02)
    return reading


def test_an_end_that_is_missing_is_named_however_long_the_take() -> None:
    """A second before the first turn makes it long enough; 0.3 s of the last sweep are missing."""
    take = in_turns(ROOM, later(OTHER, 45.0)).samples[:, 0]
    quiet = 1e-4 * np.random.default_rng(5).standard_normal(RATE)
    samples = np.concatenate([quiet, take])[: RATE + 2 * TURN + round(0.7 * RATE)]
    reading = measure_gap(Recording(samples[:, None], RATE), SWEEP, RATE, **TURNS)
    assert reading.doubt.cause == "cut-short"
    assert reading.doubt.reason == "the recording ends 0.34 s before the last turn does"


def test_a_steady_recorder_has_its_level_told() -> None:
    assert loud_and_quiet(lambda samples: samples, noise=3e-3).level_difference_db == pytest.approx(
        -6.0, abs=0.3)


def test_a_gain_that_falls_under_the_sweep_withholds_the_level() -> None:
    def ridden(samples: np.ndarray) -> np.ndarray:
        place = np.arange(samples.size) - RATE // 2
        return samples * np.where((place > 0) & (place % TURN < RATE), 0.5, 1.0)

    reading = loud_and_quiet(ridden, noise=3e-3)
    assert reading.level_difference_db is None
    assert str(reading.withheld["level"]).startswith("the noise falls while the sweep plays")
    assert reading.mains_db == reading.fill_db == {}


def test_a_microphone_that_gives_way_withholds_the_level() -> None:
    """A tanh driven to 2 has a third harmonic of some 10 %."""
    reading = loud_and_quiet(lambda samples: np.tanh(2 * samples / np.abs(samples).max()) / 2)
    assert reading.level_difference_db is None
    assert reading.withheld["level"].cause == "overload"


def test_mains_that_change_between_their_turns_withhold_the_level() -> None:
    def turned_down(samples: np.ndarray) -> np.ndarray:
        return samples * np.where(np.arange(samples.size) < RATE // 2 + 2 * TURN, 1.0, 0.8)

    reading = loud_and_quiet(turned_down)
    assert reading.level_difference_db is None
    assert reading.withheld["level"].reason == "the mains' two turns differ by 1.9 dB"
    # Half a decibel is a seat's own.
    slightly = loud_and_quiet(lambda samples: samples * np.where(
        np.arange(samples.size) < RATE // 2 + 2 * TURN, 1.0, 0.95))
    assert slightly.level_difference_db == pytest.approx(-6.0, abs=0.5)


def test_the_first_arrival_of_programme_counts_and_not_the_strongest() -> None:
    programme = np.random.default_rng(4).standard_normal(3 * RATE)
    seat = pulses((25.0, 0.4), (31.0, 1.0), (47.0, -0.8))
    found = time_difference_ms(programme, filters.oaconvolve(programme, seat), RATE)
    assert found.time_ms == pytest.approx(25.0, abs=0.02)
    assert found.confidence > 0.999


def test_a_doubt_is_one_sentence_of_three_parts() -> None:
    take = Recording(np.zeros((take_turns(SWEEP, spacing_s=2.0, sample_rate_hz=RATE).shape[0], 1)),
                     RATE)
    reading = measure_gap(take, SWEEP, RATE, **TURNS)
    assert isinstance(reading, GapReading)
    assert reading.cannot_tell == (
        "the recording never comes above -80 dB of full scale; likely the microphone was off, "
        "muted or on another input: watch the recorder's level while the mains play, then record "
        "again")


def test_every_cause_has_its_words_and_is_looked_for() -> None:
    code = "".join(path.read_text() for path in Path(reading.__file__).parent.glob("*.py"))
    named = re.findall(r'(?:CannotTellError|Doubt)\(\s*"([a-z-]+)",', code)
    # The one that is raised as either of two.
    assert {*named, "noise", "fill-silent"} == set(reading._CAUSES)
