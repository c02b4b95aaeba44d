"""Read takes of every kind, honest and spoiled, and count what is told, wrongly told and refused.

    python tests/benchmarks/takes.py [--takes 42] [--first 1000] [--part words] [--jobs 2]

2,400 takes by default, in half an hour of processor time. The limits of the reader were
set on seeds below 400; seeds from 1000 on are others, of other rooms. Rooms are simulated
(`tests/simulated_recordings.py`); responses measured in a living room (`tests/published`)
and a sports hall (`fetch_hall`, since its licence is another) are used for both boxes with
their tails scrambled. Ends with status 1 where a target is missed.
"""

from __future__ import annotations

import argparse
import io
import sys
import tarfile
import tempfile
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy import signal as filters
from scipy.stats import beta

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS), str(TESTS.parent)]

import simulated_recordings as simulated  # noqa: E402

from fillalign.audio.gap import GapReading, measure_gap  # noqa: E402
from fillalign.audio.signals import click_train, exponential_sweep, pink_noise  # noqa: E402
from fillalign.audio.wav import Recording, read_recording  # noqa: E402

SWEEP = {"seconds": 2.0, "low_hz": 50.0, "high_hz": 20000.0}
SPACING_S = 4.0
WRONG_MS, WRONG_DB = 1.0, 3.0
LIVING_ROOM = TESTS / "published" / "living_room_response.wav"


@dataclass
class Trial:
    """What is read, how, and what is true."""

    options: dict[str, Any]
    gap_ms: float | None
    level_db: float | None
    inverted: bool
    signal: np.ndarray
    rate: int

    def read(self) -> GapReading:
        """Return what the library makes of it."""
        return measure_gap(signal=self.signal, sample_rate_hz=self.rate, **self.options)

    def is_wrong(self, reading: GapReading) -> bool:
        """Tell whether a sure answer is wrong in gap, polarity or level."""
        if self.gap_ms is None or abs(reading.gap_ms - self.gap_ms) > WRONG_MS:
            return True
        if reading.polarity_same is not None and reading.polarity_same == self.inverted:
            return True
        level = reading.level_difference_db
        return None not in (level, self.level_db) and abs(level - self.level_db) > WRONG_DB


# --- rooms and boxes ----------------------------------------------------------------------


def seat(number: int, **known: float) -> simulated.Scenario:
    """Return a seat in a simulated room, signal-to-noise 5 to 40 dB unless known."""
    rng = np.random.default_rng([11, number])
    known = {"snr_db": rng.uniform(5, 40), **known}
    return simulated.scenario(number, **known)


def rate_of(number: int) -> int:
    """Return the sample rate of a seat."""
    return (48000, 44100)[number % 2]


def outdoors(number: int, *, ground: bool = True, **known: float) -> simulated.Scenario:
    """Return a seat without a room: direct sound and, but for free field, one from the ground."""
    case = seat(number, **known)
    late = round(case.rate * (0.02 + max(0.0, -case.gap_ms / 1000)))
    mains, fill = np.zeros((2, round(0.6 * case.rate)))
    mains[late] = 1.0
    fill[late] = 1.0
    mains[late + round(case.rate * case.rng.uniform(0.001, 0.006))] = 0.4 * ground
    fill[late + round(case.rate * case.rng.uniform(0.004, 0.012))] = 0.3 * ground
    fill = simulated.delayed(fill, max(0.0, case.gap_ms) * case.rate / 1000)[: fill.size]
    if case.gap_ms < 0:
        mains = simulated.delayed(mains, -case.gap_ms * case.rate / 1000)[: mains.size]
    sign = -1 if case.inverted else 1
    return replace(case, mains=mains, fill=sign * 10 ** (case.level_db / 20) * fill)


@cache
def fetch_hall() -> np.ndarray:
    """Return the sports hall's response at 48 kHz from the source archive of `acoustics`."""
    import subprocess

    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([sys.executable, "-m", "pip", "download", "--quiet", "--no-binary", ":all:",
                        "--no-deps", "--dest", folder, "acoustics==0.2.6"], check=True)
        with tarfile.open(next(Path(folder).glob("*.tar.gz"))) as archive:
            name = next(n for n in archive.getnames() if n.endswith("ir_sportscentre_omni.wav"))
            samples, rate = soundfile.read(io.BytesIO(archive.extractfile(name).read()))
    return filters.resample_poly(samples, 48000, rate)


@cache
def living_room() -> np.ndarray:
    """Return the living room's response at 48 kHz."""
    samples, _ = soundfile.read(LIVING_ROOM)
    return filters.resample_poly(samples, 160, 147)


def measured(number: int, response: np.ndarray, **known: float) -> simulated.Scenario:
    """Return a seat with a measured response, the fill's tail scrambled so that it differs."""
    case = seat(number, **known)
    start = int(np.argmax(np.abs(response)))
    mains = response[max(0, start - 240) :] / np.abs(response).max()
    keep = 240 + round(0.002 * 48000)
    tail = np.fft.rfft(mains[keep:])
    turned = np.exp(2j * np.pi * case.rng.random(tail.size))
    other = np.fft.irfft(tail * turned, mains.size - keep)
    smooth = [np.sqrt(filters.oaconvolve(part**2, np.hanning(480), "same") + 1e-20)
              for part in (mains[keep:], other)]
    fill = np.concatenate([mains[:keep], other * smooth[0] / smooth[1]])
    early = max(0.0, -case.gap_ms / 1000) * 48000
    sign = -1 if case.inverted else 1
    return replace(
        case, rate=48000, mains=simulated.delayed(mains, early + 100),
        fill=simulated.delayed(fill, early + 100 + case.gap_ms * 48)
        * sign * 10 ** (case.level_db / 20))


def crossed(response: np.ndarray, rate: int, corner_hz: float) -> np.ndarray:
    """Return a response through a two-way box: Linkwitz and Riley, fourth order."""
    low = filters.butter(2, corner_hz, fs=rate, output="sos")
    high = filters.butter(2, corner_hz, "highpass", fs=rate, output="sos")
    parts = [filters.sosfilt(each, filters.sosfilt(each, response)) for each in (low, high)]
    return parts[0] + parts[1]


# --- recorders ----------------------------------------------------------------------------


def gain_riding(samples: np.ndarray, rate: int, rng: np.random.Generator) -> np.ndarray:
    """Return samples through an automatic gain that takes the loudest down by 6 to 12 dB."""
    step = round(0.005 * rate)
    blocks = samples[: samples.shape[0] // step * step, 0].reshape(-1, step)
    level = 10 * np.log10(np.mean(blocks**2, axis=1) + 1e-12)
    over = np.maximum(level - (level.max() - rng.uniform(8, 14)), 0) * 0.85
    attack, release = (1 - np.exp(-0.005 / t) for t in (rng.uniform(0.01, 0.06),
                                                        rng.uniform(0.3, 3.0)))
    down, now = np.zeros(over.size), 0.0
    for k, wanted in enumerate(over):
        now += (attack if wanted > now else release) * (wanted - now)
        down[k] = now
    gain = 10 ** (-np.interp(np.arange(len(samples)), (np.arange(down.size) + 0.5) * step, down)
                  / 20)
    return samples * gain[:, None]


def gated(samples: np.ndarray, rate: int) -> np.ndarray:
    """Return samples through a gate that takes quiet passages down by 20 dB."""
    smooth = filters.butter(1, 4, fs=rate, output="sos")
    level = np.sqrt(np.maximum(filters.sosfilt(smooth, samples[:, 0] ** 2), 0))
    closed = filters.sosfilt(smooth, (level < 0.05 * level.max()) * 1.0)
    return samples * (1 - 0.9 * np.clip(closed, 0, 1))[:, None]


def as_file(samples: np.ndarray, rate: int, ending: str) -> Recording:
    """Return what is left of samples that were a file of that kind."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"take.{ending}"
        soundfile.write(path, samples, rate)
        return read_recording(path)


def phone(samples: np.ndarray, rate: int, rng: np.random.Generator, ending: str,
          top_hz: float = 16000.0) -> Recording:
    """Return a take of a phone: 44.1 kHz, its own band, stereo with the microphone on one side."""
    band = filters.butter(2, (rng.uniform(60, 150), top_hz), "bandpass", fs=rate, output="sos")
    heard = filters.sosfilt(band, samples[:, 0])
    heard = filters.resample_poly(heard, 147, 160) if rate == 48000 else heard
    if ending != "flac":
        return as_file(heard, 44100, ending)
    hiss = 1e-4 * rng.standard_normal(heard.size)
    sides = [hiss, heard] if rng.integers(2) else [heard, hiss]
    return as_file(np.column_stack(sides), 44100, ending)


# --- takes --------------------------------------------------------------------------------


def sweep_at(rate: int) -> np.ndarray:
    """Return the sweep that most takes play."""
    return exponential_sweep(**SWEEP, sample_rate_hz=rate)


def turn_signals(signal: np.ndarray, rate: int, spacing_s: float = SPACING_S):
    """Return what the mains' and the fill's channel play: mains, fill, mains."""
    step = round(spacing_s * rate)
    mains, fill = np.zeros((2, 2 * step + signal.size))
    mains[: signal.size] = mains[2 * step :] = fill[step : step + signal.size] = signal
    return mains, fill


def turns(
    case: simulated.Scenario, signal: np.ndarray | None = None, *,
    wiring: Callable[..., list[tuple[np.ndarray, np.ndarray]]] | None = None,
    recorder: Callable[[np.ndarray], np.ndarray | Recording] = lambda samples: samples,
    lead_s: float = 0.0, played: np.ndarray | None = None, **options: Any,
) -> Trial:
    """Return a take of mains, fill and mains, wired and recorded in some way."""
    signal = sweep_at(case.rate) if signal is None else signal
    mains, fill = turn_signals(signal if played is None else played, case.rate)
    plain = [(mains, case.mains), (fill, case.fill)]
    parts = plain if wiring is None else wiring(mains, fill, case)
    if lead_s:
        late = round(lead_s * case.rate)
        parts = [(np.pad(sent, (late, 0)), response) for sent, response in parts]
    start = round(lead_s * case.rate)
    samples = simulated.recorded(parts, slice(start, start + signal.size), case)
    take = recorder(samples)
    if not isinstance(take, Recording):
        take = Recording(take, case.rate)
    return Trial({"recording": take, "spacing_s": SPACING_S, **options}, case.gap_ms,
                 case.level_db, case.inverted, signal, case.rate)


def planned(trial: Trial, rng: np.random.Generator) -> Trial:
    """Return a trial with a plan at hand that the fill misses by some ms."""
    plan = float(np.clip(trial.gap_ms - rng.normal(0, 3), -100, 150))
    return replace(trial, options={**trial.options, "planned_gap_ms": plan})


def two_takes(case: simulated.Scenario, **options: Any) -> Trial:
    """Return two takes with the signal itself beside each."""
    signal = sweep_at(case.rate)
    pair = tuple(Recording(simulated.alone(case, signal, which, loopback=True), case.rate)
                 for which in ("mains", "fill"))
    return Trial({"recording": pair, "mode": "two-takes", "reference_channel": 2, **options},
                 case.gap_ms, case.level_db, case.inverted, signal, case.rate)


def both_and_mains(
    case: simulated.Scenario, signal: np.ndarray | None = None, *, fill_on: bool = False,
    fill_off: bool = False,
) -> Trial:
    """Return a take of both at once and one of the mains, the fill rightly on and off or not."""
    signal = sweep_at(case.rate) if signal is None else signal
    if fill_off:
        case = replace(case, fill=0.0 * case.fill)
    both = Recording(simulated.together(case, signal), case.rate)
    alone = (simulated.together(case, signal) if fill_on else
             simulated.alone(case, signal, "mains", warmer=case.rng.uniform(-3e-4, 3e-4)))
    options = {"recording": both, "mode": "together",
               "mains_alone": Recording(alone, case.rate)}
    return Trial(options, case.gap_ms, case.level_db, case.inverted, signal, case.rate)


def plan_only(n: int, make: Callable[[int], simulated.Scenario] = seat, *,
              off: bool = False) -> Trial:
    case = make(n)
    case = replace(case, fill=0.0 * case.fill) if off else case
    signal = sweep_at(case.rate)
    plan = float(np.clip(case.gap_ms + case.rng.uniform(-3, 3), -100, 150))
    return Trial({"recording": Recording(simulated.together(case, signal), case.rate),
                  "mode": "together", "planned_gap_ms": plan},
                 case.gap_ms, case.level_db, case.inverted, signal, case.rate)


def with_plan(n: int) -> Trial:
    case = seat(n)
    return planned(turns(case), case.rng)


def short_turns(n: int) -> Trial:
    case = seat(n)
    signal = sweep_at(case.rate)
    mains, fill = turn_signals(signal, case.rate)
    size = round((SPACING_S + 3.0) * case.rate)
    parts = [(mains[:size] * (np.arange(size) < signal.size), case.mains), (fill[:size], case.fill)]
    samples = simulated.recorded(parts, slice(0, signal.size), case)
    return Trial({"recording": Recording(samples, case.rate), "spacing_s": SPACING_S, "turns": 2},
                 case.gap_ms, case.level_db, case.inverted, signal, case.rate)


def early(n: int) -> float:
    return -float(np.random.default_rng([5, n]).uniform(100, 400))


def equal(n: int) -> dict[str, float]:
    rng = np.random.default_rng([6, n])
    return {"gap_ms": rng.uniform(-0.1, 0.1), "level_db": rng.uniform(-1, 1)}


def moved_fill(n: int) -> Trial:
    """Return two takes outdoors at one gap near 0, the second with the fill 3 ms later."""
    case = outdoors(n, ground=False, **equal(n))
    shifted = replace(case, fill=simulated.delayed(case.fill, 0.003 * case.rate)[: case.fill.size])
    first, second = turns(case), turns(shifted)
    return replace(first, options={**first.options, "moved_take": second.options["recording"]})


def dull_phone(n: int) -> Trial:
    """Return a take through a recorder that ends at 7 to 10 kHz, of boxes with two crossovers."""
    case = seat(n, snr_db=30.0)
    corners = case.rng.uniform(900, 3500, 2)
    case = replace(case, mains=crossed(case.mains, case.rate, corners[0]),
                   fill=crossed(case.fill, case.rate, corners[1]))
    top = case.rng.uniform(7000, 10000)
    ending = ("flac", "wav")[n % 2]
    return turns(case, recorder=lambda s: phone(s, case.rate, case.rng, ending, top))


def phoned(ending: str) -> Callable[[int], Trial]:
    def make(n: int) -> Trial:
        case = seat(n)
        trial = turns(case, recorder=lambda s: phone(s, case.rate, case.rng, ending))
        return replace(trial, signal=sweep_at(48000), rate=48000)
    return make


def humming(n: int) -> Trial:
    case = seat(n)

    def spoil(samples: np.ndarray) -> np.ndarray:
        time_s = np.arange(len(samples)) / case.rate
        peak = np.abs(samples).max()
        hum = 0.1 * peak * sum(np.sin(2 * np.pi * 50 * k * time_s) / k for k in (1, 2, 3))
        low = filters.butter(2, 80, fs=case.rate, output="sos")
        thumps = np.zeros(len(samples))
        thumps[case.rng.integers(0, len(samples), 4)] = 1.0
        thumps = filters.sosfilt(low, thumps)
        return np.clip(samples + (hum + 0.3 * peak * thumps / np.abs(thumps).max())[:, None], -1, 1)

    return turns(case, recorder=spoil)


def mono(mains: np.ndarray, fill: np.ndarray, case: simulated.Scenario):
    return [(mains + fill, case.mains), (mains + fill, case.fill)]


def left_open(mains: np.ndarray, fill: np.ndarray, case: simulated.Scenario):
    return [(mains + fill, case.mains), (fill, case.fill)]


def not_routed(mains: np.ndarray, fill: np.ndarray, case: simulated.Scenario):
    return [(mains + fill, case.mains)]


def silent(mains: np.ndarray, _: np.ndarray, case: simulated.Scenario):
    return [(mains, case.mains)]


def leaking(mains: np.ndarray, fill: np.ndarray, case: simulated.Scenario):
    return [(mains + 0.1 * fill, case.mains), (fill + 0.1 * mains, case.fill)]


def exchanged(mains: np.ndarray, fill: np.ndarray, case: simulated.Scenario):
    return [(fill, case.mains), (mains, case.fill)]


def wired(wiring: Callable[..., Any], **known: float) -> Callable[[int], Trial]:
    return lambda n: turns(seat(n, **known), wiring=wiring)


def swapped(n: int) -> Trial:
    """Return a take in turns with the cables exchanged, and a plan that the fill nearly keeps."""
    rng = np.random.default_rng([4, n])
    gap = float(rng.uniform(3, 20))
    return turns(seat(n, gap_ms=gap), wiring=exchanged,
                 planned_gap_ms=gap - float(rng.uniform(-0.7, 0.7)))


def cut_end(n: int) -> Trial:
    case = seat(n)
    signal_s = SWEEP["seconds"]
    missing = case.rng.uniform(0.05, 0.6) * signal_s
    late = 0.25

    def stop(samples: np.ndarray) -> np.ndarray:
        played = 2 * SPACING_S + signal_s - missing + late
        return samples[: round(played * case.rate)]

    return turns(case, recorder=stop)


def cut_start(n: int) -> Trial:
    case = seat(n)
    return turns(case, recorder=lambda s: s[round(case.rng.uniform(0.45, 1.5) * case.rate) :])


def riding(n: int, *, noise: bool = False) -> Trial:
    case = seat(n, level_db=float(np.random.default_rng([8, n]).uniform(-20, -6)))
    signal = pink_noise(seconds=2.0, sample_rate_hz=case.rate) if noise else None
    return turns(case, signal, lead_s=float(case.rng.uniform(0.5, 2.0)),
                 recorder=lambda s: gain_riding(s, case.rate, case.rng))


def squashed(n: int) -> Trial:
    case = seat(n, level_db=float(np.random.default_rng([8, n]).uniform(-20, -6)))

    def soften(samples: np.ndarray) -> np.ndarray:
        peak = np.abs(samples).max()
        drive = case.rng.uniform(1.5, 4)
        return np.tanh(drive * samples / peak) * peak

    return turns(case, recorder=soften)


def clipped(n: int) -> Trial:
    case = seat(n)

    def cut(samples: np.ndarray) -> np.ndarray:
        ceiling = np.abs(samples).max() * case.rng.uniform(0.2, 0.6)
        return np.clip(samples, -ceiling, ceiling)

    return turns(case, recorder=cut)


def nearly(**changed: float) -> Callable[[int], Trial]:
    def make(n: int) -> Trial:
        case = seat(n)
        rng = np.random.default_rng([9, n])
        other = {**SWEEP, **{k: v * rng.uniform(0.98, 1.02) for k, v in changed.items()}}
        played = exponential_sweep(**other, sample_rate_hz=case.rate)
        return turns(case, played=played)
    return make


def wrong_speed(n: int) -> Trial:
    case = seat(n)
    played = sweep_at(44100 if case.rate == 48000 else 48000)
    return turns(case, sweep_at(case.rate), played=played)


def noise_too_short(n: int) -> Trial:
    case = seat(n)
    seconds = float(case.rng.uniform(1, 2))
    return both_and_mains(case, pink_noise(seconds=seconds, sample_rate_hz=case.rate))


def microphone_moved(n: int) -> Trial:
    """Return a take whose microphone moved by 0.5 to 2 m before the mains' second turn."""
    case = seat(n, snr_db=25.0)
    signal = sweep_at(case.rate)
    mains, fill = turn_signals(signal, case.rate)
    step = round(2 * SPACING_S * case.rate)
    first, again = mains.copy(), mains.copy()
    first[step:], again[:step] = 0, 0
    other = simulated.scenario(n + 5000, snr_db=25.0, decay_s=case.decay_s)
    shift = case.rng.uniform(1.5, 5.0) * case.rate / 1000
    elsewhere = simulated.delayed(other.mains, shift + np.argmax(np.abs(case.mains))
                                  - np.argmax(np.abs(other.mains)) + 0.0) \
        if np.argmax(np.abs(case.mains)) + shift > np.argmax(np.abs(other.mains)) else case.mains
    if elsewhere is case.mains:
        elsewhere = simulated.delayed(case.mains, shift)
    samples = simulated.recorded([(first, case.mains), (fill, case.fill), (again, elsewhere)],
                                 slice(0, signal.size), case)
    return Trial({"recording": Recording(samples, case.rate), "spacing_s": SPACING_S},
                 case.gap_ms, case.level_db, case.inverted, signal, case.rate)


def other_spacing(n: int) -> Trial:
    trial = turns(seat(n))
    return replace(trial, options={**trial.options, "spacing_s": float(
        SPACING_S * np.random.default_rng(n).choice([0.9, 0.999, 1.001, 0.75]))})


def plays_on(n: int) -> Trial:
    case = seat(n)
    signal = sweep_at(case.rate)
    step = round(SPACING_S * case.rate)
    mains, fill = np.zeros((2, 3 * step + signal.size))
    for turn, row in enumerate((mains, fill, mains, fill)):
        row[turn * step : turn * step + signal.size] = signal
    samples = simulated.recorded([(mains, case.mains), (fill, case.fill)], slice(0, signal.size),
                                 case)
    return Trial({"recording": Recording(samples, case.rate), "spacing_s": SPACING_S}, case.gap_ms,
                 case.level_db, case.inverted, signal, case.rate)


def swapped_takes(n: int) -> Trial:
    gap = float(np.random.default_rng([4, n]).uniform(3, 20))
    trial = two_takes(seat(n, gap_ms=gap), planned_gap_ms=gap)
    return replace(trial, options={**trial.options, "recording": trial.options["recording"][::-1]})


def off(n: int) -> Trial:
    trial = turns(seat(n))
    hiss = np.random.default_rng(n).standard_normal(trial.options["recording"].samples.shape)
    return replace(trial, options={**trial.options,
                                   "recording": Recording(1e-5 * hiss, trial.rate)})


def drowned(n: int) -> Trial:
    case = seat(n)
    return turns(case, recorder=lambda s: 0.003 * s / np.abs(s).max()
                 + 0.15 * case.rng.standard_normal(s.shape))


@dataclass(frozen=True)
class Kind:
    """One class of takes: how one is made, and the causes that a refusal may name."""

    make: Callable[[int], Trial]
    causes: frozenset[str] = field(default_factory=frozenset)
    honest: bool = False


def fault(make: Callable[[int], Trial], *causes: str) -> Kind:
    return Kind(make, frozenset(causes))


def honest(make: Callable[[int], Trial]) -> Kind:
    return Kind(make, honest=True)


KINDS: dict[str, Kind] = {
    "turns, sweep": honest(lambda n: turns(seat(n))),
    "turns, sweep, a plan at hand": honest(with_plan),
    "turns, 0 to 5 dB of noise": honest(
        lambda n: turns(seat(n, snr_db=n % 6, level_db=-(n % 11)))),
    "turns, decay 3 to 6 s": honest(lambda n: turns(seat(n, decay_s=3.0 + n % 4))),
    "turns, fill 15 to 20 dB softer": honest(
        lambda n: turns(seat(n, level_db=-15.0 - n % 6, snr_db=25.0))),
    "turns, fill 6 to 10 dB louder": honest(lambda n: turns(seat(n, level_db=6.0 + n % 5))),
    "turns, noise": honest(
        lambda n: turns(seat(n), pink_noise(seconds=3.0, sample_rate_hz=rate_of(n)))),
    "turns, clicks": honest(lambda n: turns(seat(n, snr_db=30.0), click_train(
        clicks=4, spacing_ms=400, sample_rate_hz=rate_of(n)))),
    "two turns only": honest(short_turns),
    "two takes, wired": honest(lambda n: two_takes(seat(n))),
    "both and mains alone": honest(lambda n: both_and_mains(seat(n))),
    "both and mains alone, 5 s of noise": honest(lambda n: both_and_mains(
        seat(n), pink_noise(seconds=5.0, sample_rate_hz=rate_of(n)))),
    "early fill, turns": honest(lambda n: turns(seat(n, gap_ms=early(n)))),
    "early fill, two takes": honest(lambda n: two_takes(seat(n, gap_ms=early(n)))),
    "early fill, both and mains alone": honest(
        lambda n: both_and_mains(seat(n, gap_ms=early(n)))),
    "gap 0 at equal level, room": honest(lambda n: turns(seat(n, **equal(n)))),
    "gap 0 in free field, fill moved": honest(moved_fill),
    "outdoors": honest(lambda n: turns(outdoors(n))),
    "sports hall": honest(lambda n: turns(measured(n, fetch_hall()))),
    "living room": honest(lambda n: turns(measured(n, living_room()))),
    "living room, gap 0": honest(lambda n: turns(measured(n, living_room(), **equal(n)))),
    "phone, FLAC, one side": honest(phoned("flac")),
    "phone, MP3": honest(phoned("mp3")),
    "phone, OGG": honest(phoned("ogg")),
    "phone to 7 or 10 kHz, crossovers": honest(dull_phone),
    "clocks 100 millionths apart": honest(
        lambda n: turns(replace(seat(n), clock_ppm=(-100.0, 100.0)[n % 2]))),
    "hum and thumps": honest(humming),
    "noise gate": honest(lambda n: turns(seat(n, snr_db=25.0), recorder=lambda s: gated(
        s, rate_of(n)))),
    "automatic gain": honest(riding),
    "automatic gain, noise": honest(lambda n: riding(n, noise=True)),
    "soft clipping": honest(squashed),
    "both, plan only": Kind(plan_only, frozenset({"reflections", "no-second-arrival", "order"})),
    "gap 0 outdoors": Kind(lambda n: turns(outdoors(n, **equal(n))), frozenset({"unproven"})),
    "plan only, fill silent": fault(
        lambda n: plan_only(n, off=True), "reflections", "no-second-arrival", "order"),
    "plan only, fill silent, outdoors": fault(
        lambda n: plan_only(n, lambda k: outdoors(k, gap_ms=1.0 + k % 6), off=True),
        "reflections", "no-second-arrival", "order"),
    "both and mains alone, fill silent": fault(
        lambda n: both_and_mains(seat(n), fill_off=True), "fill-silent", "other-take"),
    "gap 0 in free field": fault(
        lambda n: turns(outdoors(n, ground=False, **equal(n))), "unproven"),
    "mono sum": fault(wired(mono), "same-sound"),
    "mono sum, outdoors": fault(
        lambda n: turns(outdoors(n), wiring=mono), "same-sound", "unproven"),
    "mains alone in free field": fault(
        lambda n: turns(outdoors(n, ground=False), wiring=not_routed), "same-sound", "unproven"),
    "mains left open": fault(wired(left_open), "same-sound"),
    "fill not routed": fault(wired(not_routed), "same-sound"),
    "fill silent": fault(wired(silent), "fill-silent"),
    "crosstalk -20 dB, fill 10 dB softer": fault(wired(leaking, level_db=-10.0), "crosstalk"),
    "swapped, a plan at hand": fault(swapped, "swapped"),
    "takes swapped, a plan at hand": fault(swapped_takes, "swapped"),
    "stopped inside the last turn": fault(cut_end, "cut-short"),
    "started inside the first turn": fault(cut_start, "cut-short"),
    "clipped": fault(clipped, "clipping"),
    "2.9 for 3 s": fault(nearly(seconds=SWEEP["seconds"] * 2.9 / 3), "another-signal"),
    "60 for 50 Hz": fault(nearly(low_hz=60.0), "another-signal"),
    "played at another rate": fault(wrong_speed, "wrong-speed"),
    "both and mains alone, noise of 1 to 2 s": fault(noise_too_short, "short-signal"),
    "fill left on in the mains' take": fault(
        lambda n: both_and_mains(seat(n), fill_on=True), "fill-silent"),
    "microphone moved": fault(microphone_moved, "moved", "spacing"),
    "another spacing": fault(other_spacing, "spacing", "moved"),
    "plays on": fault(plays_on, "more-turns"),
    "microphone off": fault(off, "silence"),
    "far too much noise": fault(drowned, "noise", "fill-silent"),
}


# Where an answer and a refusal for this cause are both right.
EITHER = ("both, plan only", "gap 0 outdoors")


def outcome(kind: Kind, number: int) -> tuple[str, str, bool]:
    """Return what became of one take, details for a look at it, and whether 95 % covers it."""
    trial = kind.make(number)
    reading = trial.read()
    truth = f"{trial.gap_ms:.2f} ms {trial.level_db:.1f} dB {'-' if trial.inverted else '+'}"
    if reading.doubt is not None:
        named = reading.doubt.cause in kind.causes
        return ("named" if named else "refused"), f"{truth} | {reading.doubt.cause}: " \
            f"{reading.doubt.reason}", False
    held = "".join(f" ({key}: {doubt.cause})" for key, doubt in reading.withheld.items())
    level = reading.level_difference_db
    told = f"{truth} | {reading.gap_ms:.3f} ms {'--' if level is None else f'{level:.1f}'} dB " \
           f"{reading.polarity_same}{held}"
    covered = abs(reading.gap_ms - trial.gap_ms) <= reading.uncertainty_ms
    if trial.is_wrong(reading):
        return "wrong", told, covered
    return ("right" if not held else "held"), told, covered


def run(name: str, numbers: range, *, tell: bool = False) -> Counter[str]:
    """Return how many takes of a kind came out in which way."""
    counts: Counter[str] = Counter()
    kind = KINDS[name]
    usual = {"right", "held"} if kind.honest else {"named"}
    for number in numbers:
        result, told, covered = outcome(kind, number)
        counts[result] += 1
        counts["covered"] += covered
        if tell and result not in usual and not (name in EITHER and result != "wrong"):
            print(f"    {name} {number}: {result}: {told}", flush=True)
    return counts


def groups(found: dict[str, Counter[str]]) -> Counter[str]:
    """Return the counts of all kinds together, by group and result."""
    total: Counter[str] = Counter()
    for name, counts in found.items():
        group = "either" if name in EITHER else "honest" if KINDS[name].honest else "fault"
        for key, value in counts.items():
            total[f"{group} {key}"] += value
    return total


def summary(found: dict[str, Counter[str]]) -> bool:
    """Print what all kinds come to, and return whether every target is met."""
    total = groups(found)

    def count(*results: str, group: tuple[str, ...] = ("honest", "fault", "either")) -> int:
        return sum(total[f"{g} {key}"] for g in group for key in results)

    right, wrong = count("right", "held"), count("wrong")
    honest_all = count("right", "held", "wrong", "refused", group=("honest",))
    turned_away = count("refused", group=("honest",))
    refusals = count("refused", "named")
    low, high = (float(q) if q == q else 0.0 for q in beta.ppf(
        [0.025, 0.975], [wrong, wrong + 1], [right + 1, max(right, 1)]))
    print(f"\n{count('right', 'held', 'wrong', 'refused', 'named')} takes: {right + wrong} told as "
          f"sure, {wrong} of them wrong ({100 * low:.2f} to {100 * high:.2f} % at 95 %, Clopper "
          f"and Pearson); {count('covered')} within their own uncertainty; {count('held')} with "
          f"level or polarity withheld\n{turned_away} of {honest_all} honest takes refused; true "
          f"cause named in {count('named')} of {refusals} refusals")
    return wrong * 500 <= right and turned_away * 100 <= honest_all \
        and count("named") >= 0.8 * refusals


def main() -> int:
    """Print the table and return 1 where a target is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=42, help="takes of each kind")
    parser.add_argument("--first", type=int, default=1000, help="seed of the first")
    parser.add_argument("--part", default="", help="only kinds with this in their name")
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    numbers = range(given.first, given.first + given.takes)
    names = [name for name in KINDS if given.part in name]
    print(f"{'kind of take':<40}{'right':>6}{'of these withheld':>19}{'wrong':>7}{'refused':>9}"
          f"{'true cause':>12}{'covered':>9}")
    found = {}
    with ProcessPoolExecutor(given.jobs) as pool:
        for name, counts in zip(names, pool.map(partial(run, tell=True), names,
                                                [numbers] * len(names)), strict=True):
            found[name] = counts
            print(f"{name:<40}{counts['right'] + counts['held']:>6}{counts['held']:>19}"
                  f"{counts['wrong']:>7}{counts['refused'] + counts['named']:>9}"
                  f"{counts['named']:>12}{counts['covered']:>9}", flush=True)
    return 0 if summary(found) else 1


if __name__ == "__main__":
    sys.exit(main())
