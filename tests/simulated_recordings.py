"""Recordings simulated apart from the library, for the tests of arrival reading.

Rooms are image sources (pyroomacoustics), their loudspeakers omnidirectional
or cardioid in turn; each take has loss of highs on the mains, a low cut on the
fill, distortion, noise, a recorder whose clock is off, and 16 bits. Everything
is random from a seed.

Signal-to-noise is the rms of what reaches the microphone while the mains play
(with the fill, in takes of both at once) over the rms of the noise, both up to
half the sample rate; the noise is white or pink in turn. A fill 15 dB below
the mains thus has 15 dB less.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pyroomacoustics as pra
from scipy import fft, signal as filters

SPEED_M_S = 343.0
LATE_SAMPLES = 40  # every arrival of pyroomacoustics sits this late
SPACING_S = 4.0
SAMPLE_SPACING_S = 1.35
SAMPLE_SWEEP = {"seconds": 0.7, "low_hz": 60.0, "high_hz": 20000.0}
SWEEP = {"seconds": 2.0, "low_hz": 40.0, "high_hz": 20000.0}


@dataclass(frozen=True)
class Scenario:
    """One seat in one room, and what is true there.

    `mains` and `fill` are what the seat gets for an impulse on each, the fill
    already delayed; the direct sounds lie `gap_ms` apart.
    """

    number: int
    rate: int
    decay_s: float
    snr_db: float
    gap_ms: float
    level_db: float
    inverted: bool
    pink: bool
    clock_ppm: float
    mains: np.ndarray
    fill: np.ndarray
    rng: np.random.Generator

    @property
    def gain(self) -> float:
        """Input gain of the recorder: the same for every take at this seat."""
        return 0.15 / (np.linalg.norm(self.mains) + np.linalg.norm(self.fill))


def _room_size(rt60_s: float, rng: np.random.Generator) -> np.ndarray:
    """Return a room in which walls can give that decay."""
    small, large = np.array([9.0, 7.0, 3.2]), np.array([40.0, 20.0, 11.0])
    share = np.clip((rt60_s - 0.2) / 1.2, 0, 1)
    return (small + share * (large - small)) * rng.uniform(0.9, 1.1, 3)


def _pattern(omni: bool, aim: np.ndarray, off_deg: float):
    azimuth = np.degrees(np.arctan2(aim[1], aim[0])) + off_deg
    colatitude = np.degrees(np.arccos(aim[2] / np.linalg.norm(aim)))
    where = pra.directivities.DirectionVector(azimuth=azimuth, colatitude=colatitude)
    return None if omni else pra.directivities.Cardioid(orientation=where)


def room_responses(rate: int, decay_s: float, omni: bool, rng: np.random.Generator):
    """Return responses of mains and fill with direct sound 1, and their travel times in s."""
    pra.constants.set("rir_hpf_enable", False)
    pra.constants.set("c", SPEED_M_S)
    # Image sources in a box decay about half as slowly again as Sabine's formula says.
    size = _room_size(decay_s / 1.5, rng)
    absorption, order = pra.inverse_sabine(decay_s / 1.5, size, c=SPEED_M_S)
    seat = size * [rng.uniform(0.7, 0.92), rng.uniform(0.2, 0.8), 0] + [0, 0, 1.2]
    mains = size * [rng.uniform(0.02, 0.08), rng.uniform(0.2, 0.8), rng.uniform(0.7, 0.9)]
    fill = size * [rng.uniform(0.45, 0.6), rng.uniform(0.2, 0.8), rng.uniform(0.75, 0.9)]
    responses, times = [], []
    for place in (mains, fill):
        pattern = _pattern(omni, seat - place, rng.uniform(-20, 20))
        pair = []
        for images in (min(order, 40), 0):
            room = pra.ShoeBox(size, fs=rate, materials=pra.Material(absorption),
                               max_order=images)
            room.add_source(place, directivity=pattern)
            room.add_microphone(seat)
            room.compute_rir()
            pair.append(room.rir[0][0][LATE_SAMPLES:])
        responses.append(pair[0] / pair[1].sum())
        times.append(float(np.linalg.norm(seat - place)) / SPEED_M_S)
    return responses, times


def delayed(x: np.ndarray, samples: float) -> np.ndarray:
    """Return `x` later by a fractional number of samples, 0 or more."""
    size = fft.next_fast_len(x.size + int(samples) + 1024, real=True)
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size * samples)
    return fft.irfft(fft.rfft(x, size) * turn, size)


@lru_cache(maxsize=16)
def _placed(rate: int, decay_s: float, omni: bool, state: str):
    """Return `room_responses` from a state of the generator, and the state it leaves behind."""
    rng = np.random.default_rng()
    rng.bit_generator.state = json.loads(state)
    return room_responses(rate, decay_s, omni, rng), rng.bit_generator.state


def scenario(number: int, *, decay_s: float | None = None, snr_db: float | None = None,
             gap_ms: float | None = None, level_db: float | None = None) -> Scenario:
    """Return the scenario of that number; numbers are seeds."""
    rng = np.random.default_rng([7, number])
    rate = (48000, 44100)[number % 2]
    decay = decay_s or float(np.exp(rng.uniform(np.log(0.3), np.log(3.0))))
    snr = rng.uniform(0, 30) if snr_db is None else snr_db
    gap, level = rng.uniform(-20, 60), rng.uniform(-15, 6)
    gap = gap if gap_ms is None else gap_ms
    level = level if level_db is None else level_db
    inverted, pink = bool(rng.integers(2)), bool(rng.integers(2))
    ((mains, fill), times), rng.bit_generator.state = _placed(
        rate, decay, bool(rng.integers(2)), json.dumps(rng.bit_generator.state))
    wait = times[0] - times[1] + gap / 1000  # what the fill's processor is set to
    early = max(0.0, -wait)
    mains = delayed(mains, early * rate)
    fill = delayed(fill, (wait + early) * rate) * 10 ** (level / 20) * (-1 if inverted else 1)
    dull = filters.butter(1, 9000, fs=rate, output="sos")
    cut = filters.butter(4, 120, "highpass", fs=rate, output="sos")
    return Scenario(number, rate, decay, snr, gap, level, inverted, pink,
                    rng.uniform(-50, 50), filters.sosfilt(dull, mains),
                    filters.sosfilt(cut, fill), rng)


def _noise(size: int, pink: bool, rng: np.random.Generator) -> np.ndarray:
    longer = fft.next_fast_len(size, real=True)
    noise = rng.standard_normal(longer)
    if pink:
        spectrum = fft.rfft(noise)
        spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
        noise = fft.irfft(spectrum, longer)
    noise = noise[:size]
    return noise / np.sqrt(np.mean(noise**2))


def recorded(parts, sounding: slice, case: Scenario, *, loopback: np.ndarray | None = None):
    """Return samples (n, channels) of a take: parts are (played, response) pairs."""
    size = max(p.size + h.size for p, h in parts) - 1
    clean = np.zeros(size)
    for played, response in parts:
        driven = played + 0.03 * played**2 + 0.02 * played**3
        heard = filters.oaconvolve(driven, response)
        clean[: heard.size] += heard
    rms = np.sqrt(np.mean(clean[sounding] ** 2))
    late = int(case.rng.integers(0, case.rate // 4))  # the recorder was started before
    noise = _noise(late + size, case.pink, case.rng) * rms * 10 ** (-case.snr_db / 20)
    samples = (np.pad(clean, (late, 0)) + noise)[:, None] * case.gain
    if loopback is not None:
        wire = np.pad(loopback, (late, size - loopback.size))
        samples = np.column_stack([samples, wire])
    more = round(len(samples) * case.clock_ppm * 1e-6)
    samples = filters.resample(samples, len(samples) + more)
    return np.round(np.clip(samples, -1, 1) * 32767) / 32768


def one_after_other(case: Scenario, signal: np.ndarray) -> np.ndarray:
    """Return a take of mains, fill and mains again, SPACING_S apart."""
    step = round(SPACING_S * case.rate)
    mains = np.zeros(2 * step + signal.size)
    mains[: signal.size] = mains[2 * step :] = signal
    fill = np.concatenate([np.zeros(step), signal])
    return recorded([(mains, case.mains), (fill, case.fill)], slice(0, signal.size), case)


def together(case: Scenario, signal: np.ndarray) -> np.ndarray:
    """Return a take of both at once."""
    return recorded([(signal, case.mains), (signal, case.fill)], slice(0, signal.size), case)


def alone(case: Scenario, signal: np.ndarray, which: str, *, warmer: float = 0.0,
          loopback: bool = False) -> np.ndarray:
    """Return a take of one of them, its response shrunk by the share `warmer`."""
    response = getattr(case, which)
    if warmer:
        response = filters.resample(response, round(response.size * (1 - warmer)))
    return recorded([(signal, response)], slice(0, signal.size), case,
                    loopback=signal if loopback else None)


def tidewell_measurement() -> tuple[np.ndarray, int, float]:
    """Return samples, rate and true gap in ms of `data/tidewell_measurement.wav`.

    Tidewell Hall empty, image sources of a bare box of its size; mains and
    inner fills in turns at a seat, the fills set 3 ms later than planned
    (79.04 for 76.04) and with inverted polarity.
    """
    rate, speed, rng = 48000, 343.861, np.random.default_rng(2604)
    size, seat = np.array([46.0, 20.0, 8.0]), np.array([30.0, 3.0, 1.2])
    corner = np.array([-5.0, -10.0, 0.0])
    boxes = {"mains": ((0, 6.5, 4.6), (0, -6.5, 4.6)), "fill": ((26, 2.5, 4.6), (26, -2.5, 4.6))}
    aims = {"mains": ((16, 4, 1.2), (16, -4, 1.2)), "fill": ((34, 2.5, 1.2), (34, -2.5, 1.2))}
    pra.constants.set("rir_hpf_enable", False)
    pra.constants.set("c", speed)
    material = pra.Material(pra.inverse_sabine(1.9 / 1.5, size, c=speed)[0])
    response, first_s = {}, {}
    for name, places in boxes.items():
        total = np.zeros(3 * rate)
        for place, aim in zip(places, aims[name], strict=True):
            room = pra.ShoeBox(size, fs=rate, materials=material, max_order=40)
            pattern = _pattern(False, np.subtract(aim, place), 0.0)
            room.add_source(np.subtract(place, corner), directivity=pattern)
            room.add_microphone(seat - corner)
            room.compute_rir()
            heard = room.rir[0][0][LATE_SAMPLES:][: total.size]
            total[: heard.size] += heard
        response[name] = total
        first_s[name] = min(np.linalg.norm(seat - place) for place in np.array(boxes[name])) / speed
    latency_ms, set_ms, trim_db = {"mains": 2.2, "fill": 3.4}, 79.04, -14.5
    mains = delayed(response["mains"], latency_ms["mains"] * rate / 1000)
    fill = -10 ** (trim_db / 20) * delayed(response["fill"],
                                           (latency_ms["fill"] + set_ms) * rate / 1000)
    gap_ms = 1000 * (first_s["fill"] - first_s["mains"]) + set_ms + latency_ms["fill"] \
        - latency_ms["mains"]
    case = Scenario(0, rate, 1.9, 25.0, gap_ms, trim_db, True, True, 18.0, mains, fill, rng)
    return sample_take(case), rate, gap_ms


def sample_take(case: Scenario) -> np.ndarray:
    """Return turns of SAMPLE_SWEEP short enough for a small file."""
    rate = case.rate
    time = np.arange(round(SAMPLE_SWEEP["seconds"] * rate)) / rate
    low, high = SAMPLE_SWEEP["low_hz"], SAMPLE_SWEEP["high_hz"]
    sweep = filters.chirp(time, low, time[-1] + 1 / rate, high, method="logarithmic", phi=-90)
    sweep *= filters.windows.tukey(sweep.size, 0.06)
    step = round(SAMPLE_SPACING_S * rate)
    turns = np.zeros((2, 2 * step + sweep.size))
    for row, start in ((0, 0), (1, step), (0, 2 * step)):
        turns[row, start : start + sweep.size] = sweep
    take = recorded([(turns[0], case.mains), (turns[1], case.fill)], slice(0, sweep.size), case)
    return take[: round(3.75 * rate)]
