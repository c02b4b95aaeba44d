"""Rounding: the formulas in double precision against themselves in 50 digits.

Every test prints its worst error (`pytest -s`). What can reach 1e-12 is held to
it; where a bound is wider, the reason stands beside it.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import mpmath
import numpy as np
import pandas as pd
import pytest

from fillalign._validate import RangeWarning
from fillalign.absorption import (
    THIRDS_HZ,
    _in_air,
    absorption_db_per_m,
    band_edges_hz,
)
from fillalign.air import speed_of_sound
from fillalign.interference import interference_power
from fillalign.speech import modulation_transfer, speech_transmission_index

TARGET = 1e-12
LOW, HIGH = band_edges_hz(THIRDS_HZ)
OCTAVES = pd.read_csv(Path(__file__).parent / "published" / "speech_transmission.csv", comment="#")
THRESHOLD_DB = (46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0)  # IEC 60268-16 (from memory)
MODULATION = "0.63 0.8 1 1.25 1.6 2 2.5 3.15 4 5 6.3 8 10 12.5".split()

m = mpmath.mpf
exact = np.vectorize(lambda number: m(float(number)), otypes=[object])


@pytest.fixture(autouse=True)
def fifty_digits():
    with mpmath.workdps(50), warnings.catch_warnings():
        warnings.simplefilter("ignore", RangeWarning)
        yield


def told(what, worst, bound):
    """Print the worst error and hold it to its bound."""
    print(f"\n{what}: worst error {worst:.1e}, allowed {bound:.0e}")
    assert worst < bound


def off(ours, true, scale=None):
    """Greatest error, in parts of the true value or of a scale."""
    ours, true = np.atleast_1d(exact(ours)), np.atleast_1d(np.asarray(true, dtype=object))
    scale = true if scale is None else np.atleast_1d(np.asarray(scale, dtype=object))
    return float(np.max(np.abs((ours - true) / scale)))


def exact_relaxation(t, h, p):
    """Eqs 3, 4 and B.1 to B.3 of ISO 9613-1."""
    k, pr = m(t) + m("273.15"), m(p) / m("101.325")
    saturation = m(10) ** (m("-6.8346") * (m("273.16") / k) ** m("1.261") + m("4.6151"))
    x = m(h) * saturation / pr
    q = k / m("293.15")
    oxygen = pr * (24 + m("4.04e4") * x * (m("0.02") + x) / (m("0.391") + x))
    nitrogen = pr * q ** m("-0.5") * (
        9 + 280 * x * mpmath.exp(m("-4.170") * (q ** (-m(1) / 3) - 1))
    )
    return oxygen, nitrogen


def exact_absorption(f, t, h, p):
    """Eq. 5 of ISO 9613-1, as printed."""
    f, k, pr = m(f), m(t) + m("273.15"), m(p) / m("101.325")
    q = k / m("293.15")
    oxygen, nitrogen = exact_relaxation(t, h, p)
    return m("8.686") * f**2 * (
        m("1.84e-11") / pr * q ** m("0.5")
        + q ** m("-2.5")
        * (
            m("0.01275") * mpmath.exp(m("-2239.1") / k) / (oxygen + f**2 / oxygen)
            + m("0.1068") * mpmath.exp(m("-3352.0") / k) / (nitrogen + f**2 / nitrogen)
        )
    )


def airs(count):
    """Random columns of temperature, humidity and pressure over the whole range, with its ends."""
    rng = np.random.default_rng(50)
    t, h, p = rng.uniform(-50, 60, count), rng.uniform(0, 100, count), rng.uniform(20, 200, count)
    t[:4], h[2:6], p[4:8] = (-50, 60, -50, 60), (0, 0, 100, 100), (20, 200, 20, 200)
    return rng, t, h, p


def test_absorption():
    rng, t, h, p = airs(300)
    f = 10.0 ** rng.uniform(1.0, 6.0, t.size)
    true = [exact_absorption(*row) for row in zip(f, t, h, p, strict=True)]
    told("absorption", off(absorption_db_per_m(f, t, h, p), true), TARGET)


def test_relaxation_frequencies():
    _, t, h, p = airs(300)
    true = np.array([exact_relaxation(*row) for row in zip(t, h, p, strict=True)]).T
    told("relaxation frequencies", off(np.array(_in_air(t, h, p)[3:]), true), TARGET)


def exact_speed(t, h, p_kpa, x_c):
    """Cramer's eq. 15 and Davis 1992, written out term by term."""
    t, h, p, x_c = m(t), m(h), 1000 * m(p_kpa), m(x_c)
    k = t + m("273.15")
    saturation = mpmath.exp(
        m("1.2378847e-5") * k**2 - m("1.9121316e-2") * k + m("33.93711047") - m("6343.1645") / k
    )
    x_w = h / 100 * (m("1.00062") + m("3.14e-8") * p + m("5.6e-7") * t**2) * saturation / p
    factors = (1, t, t**2, x_w, t * x_w, t**2 * x_w, p, t * p, t**2 * p, x_c, t * x_c, t**2 * x_c)
    factors += (x_w**2, p**2, x_c**2, x_w * p * x_c)
    a = """331.5024 0.603055 -0.000528 51.471935 0.1495874 -0.000782 -1.82e-7 3.73e-8 -2.93e-10
        -85.20931 -0.228525 5.91e-5 -2.835149 -2.15e-13 29.179762 0.000486""".split()
    return mpmath.fsum(m(c) * factor for c, factor in zip(a, factors, strict=True))


def test_speed_of_sound():
    rng, t, h, p = airs(300)
    co2 = rng.uniform(0.0, 0.01, t.size)
    true = [exact_speed(*row) for row in zip(t, h, p, co2, strict=True)]
    told("speed of sound", off(speed_of_sound(t, h, p, co2_fraction=co2), true), 1e-14)


def exact_interference(power, time_s, low, high, phase=None, lag=None):
    """Evaluate the closed form of band-averaged interference for one band."""
    nothing = np.zeros(len(power))
    power, time_s, phase, lag = (
        exact(nothing if row is None else row) for row in (power, time_s, phase, lag)
    )
    centre, width = (m(float(low)) + m(float(high))) / 2, m(float(high)) - m(float(low))
    total = mpmath.fsum(power)
    for j in range(len(power)):
        for i in range(j):
            gap = time_s[i] - time_s[j]
            turn = 2 * mpmath.pi * centre * gap - (phase[i] - phase[j])
            x = mpmath.pi * width * (gap + lag[i] - lag[j])
            total += 2 * mpmath.sqrt(power[i] * power[j]) * mpmath.cos(turn) * mpmath.sinc(x)
    return total


def interference_errors(power, time_s, phase, lag):
    """Greatest error over all places and bands in parts of the sum of powers.

    In parts of the result it has no bound, since arrivals may cancel.
    """
    ours = interference_power(
        power, time_s[..., None], LOW, HIGH, phase_rad=phase, group_delay_s=lag
    )
    phase, lag = (np.broadcast_to(part, power.shape) for part in (phase, lag))
    return max(
        off(ours[place, k],
            exact_interference(power[:, place, k], time_s[:, place], LOW[k], HIGH[k],
                               phase[:, place, k], lag[:, place, k]),
            m(float(power[:, place, k].sum())))
        for place in range(power.shape[1]) for k in range(0, LOW.size, 2)
    )


@pytest.mark.parametrize("filtered", [False, True])
def test_interference_of_arrivals_apart(filtered):
    """At least 2 ms between any two of five arrivals within a fifth of a second.

    The phase of a 22 kHz wave after 0.2 s is 3e4 rad, in double known to 4e-12: so a
    bare product of sines is no better. Divided by pi B t it is back under the target.
    """
    rng = np.random.default_rng(7)
    places = 20
    time_s = np.cumsum(rng.uniform(0.002, 0.05, (5, places)), axis=0)
    power = rng.uniform(0.05, 2.0, (5, places, LOW.size))
    phase, lag = np.zeros((1, 1, 1)), np.zeros((1, 1, 1))
    if filtered:
        # Kept below the gaps, so that times with lags stay apart too.
        phase, lag = rng.uniform(-np.pi, np.pi, power.shape), rng.uniform(0.0, 5e-4, power.shape)
    worst = interference_errors(power, time_s, phase, lag)
    told(f"interference, arrivals apart{', filtered' * filtered}", worst, TARGET)


@pytest.mark.parametrize("since_first_s", [
    0.0, pytest.param(1e-3, marks=pytest.mark.long), 0.17])
def test_interference_of_arrivals_nearly_together(since_first_s):
    """Gaps from 1 ps to 10 ms, on both sides of where the evaluation changes.

    The pair is a difference of sines over a small gap. Its sines carry the rounding of
    2 pi f T, with T the time since the first arrival, so what is lost grows with T over the
    gap; below a millionth of T or so the pair is taken as sinc times cosine instead, which is
    good to the rounding of its own phase. In between 4e-10 of the power is the price of one
    sine a source instead of one a pair: 2e-9 dB.
    """
    gaps = np.concatenate([np.logspace(-12, -2, 41), np.logspace(-7.2, -5, 41)])
    second = np.full(gaps.size, since_first_s)
    time_s = np.stack([np.zeros(gaps.size), second, second + gaps])
    for lag in (0.0, np.array([2e-3, 0.0, 1e-7])[:, None, None]):
        worst = interference_errors(
            np.ones((3, gaps.size, LOW.size)), time_s, np.zeros((1, 1, 1)),
            np.broadcast_to(lag, (3, 1, 1)),
        )
        bound = {0.0: TARGET, 1e-3: 1e-11, 0.17: 4e-10}[since_first_s]
        told(f"interference, gaps {since_first_s:g} s after the first", worst, bound)


@pytest.mark.parametrize("scale", [1e-13, 1e-10, 1e-8, 1e-6])
def test_interference_of_arrivals_all_but_together(scale):
    """No arrival is long before the others here, so nothing is lost."""
    time_s, phase = scale * np.array([0.0, 1.0, 1.7, 5.0]), np.array([0.3, 1.1, -2.0, 2.9])
    worst = interference_errors(
        np.ones((4, 1, LOW.size)), time_s[:, None], phase[:, None, None], np.zeros((1, 1, 1))
    )
    told(f"interference within {5 * scale:g} s", worst, TARGET)


def exact_modulation(direct, time_ms, tail, rt60_s):
    """Schroeder's closed form of one band for the 14 modulation frequencies."""
    direct, time_ms, tail, rt60_s = (exact(part) for part in (direct, time_ms, tail, rt60_s))
    result = []
    for frequency in MODULATION:
        turn = 2j * mpmath.pi * m(frequency)
        waves = [mpmath.exp(-turn * t / 1000) for t in time_ms]
        decay = 1 / (1 + turn * rt60_s.item() / m("13.8"))
        arrived = mpmath.fsum((e + r * decay) * w
                              for e, r, w in zip(direct, tail, waves, strict=True))
        result.append(abs(arrived) / mpmath.fsum([*direct, *tail]))
    return result


def exact_index(modulation, speech_db=None, noise_db=None):
    """IEC 60268-16, indirect method, for one seat (from memory)."""
    alpha, beta = OCTAVES.alpha.to_numpy(), OCTAVES.beta.to_numpy()
    band = []
    for k in range(7):
        factor = m(1)
        if speech_db is not None:
            speech, noise = (m(10) ** (m(x[k]) / 10) for x in (speech_db, noise_db))
            masking = m(0)
            if k:
                below = mpmath.fsum(m(10) ** (m(x[k - 1]) / 10) for x in (speech_db, noise_db))
                level = 10 * mpmath.log10(below)
                slope = next(text for limit, text in (
                    (63, level / 2 - 65), (67, m("1.8") * level - m("146.9")),
                    (100, level / 2 - m("59.8")), (mpmath.inf, m(-10))) if level < limit)
                masking = below * m(10) ** (slope / 10)
            factor = speech / (speech + noise + masking + m(10) ** (m(THRESHOLD_DB[k]) / 10))
        ratios = [10 * mpmath.log10(x * factor / (1 - x * factor)) for x in modulation[k]]
        band.append(mpmath.fsum((min(max(r, m(-15)), m(15)) + 15) / 30 for r in ratios) / 14)
    plain = mpmath.fsum(m(str(a)) * b for a, b in zip(alpha, band, strict=True))
    shared = mpmath.fsum(m(str(beta[k])) * mpmath.sqrt(band[k] * band[k + 1]) for k in range(6))
    return min(plain - shared, m(1))


def test_speech_transmission():
    """Eight arrivals with tails, then the index alone and with noise, masking and threshold."""
    rng = np.random.default_rng(16)
    errors, with_noise, transfer = [], [], []
    for _ in range(25):
        direct, tail = rng.uniform(0, 1, (8, 7)), rng.uniform(0, 0.5, (8, 7))
        time_ms, rt60 = rng.uniform(0, 400, 8), rng.uniform(0.3, 6.0, 7)
        speech, noise = rng.uniform(20, 95, 7), rng.uniform(10, 80, 7)
        ours = modulation_transfer(direct, time_ms, tail, rt60)
        true = [exact_modulation(direct[:, k], time_ms, tail[:, k], rt60[k]) for k in range(7)]
        transfer.append(off(ours, np.array(true), m(1)))
        errors.append(off(speech_transmission_index(ours), exact_index(true)))
        index = speech_transmission_index(ours, speech_db=speech, noise_db=noise)
        with_noise.append(off(index, exact_index(true, speech, noise)))
    told("modulation transfer, of 1", max(transfer), TARGET)
    told("speech transmission index", max(errors), TARGET)
    told("speech transmission index with noise", max(with_noise), TARGET)
