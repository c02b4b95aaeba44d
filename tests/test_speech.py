"""Clarity and speech transmission against integrated echograms and simulated rooms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyroomacoustics as pra
import pytest
from hypothesis import given, strategies as st

from fillalign import levels, room
from fillalign.speech import (
    MODULATION_HZ,
    STI_ALPHA,
    STI_BETA,
    STI_OCTAVES_HZ,
    clarity_db,
    direct_to_reverberant_db,
    first_arrival_ms,
    modulation_transfer,
    noise_factor,
    speech_octave_levels_db,
    speech_transmission_index,
)

PUBLISHED = Path(__file__).parent / "published"
STI_TABLE = pd.read_csv(PUBLISHED / "speech_transmission.csv", comment="#")
# ISO 3382-3 and IEC 60268-16: third-octave series of modulation frequencies (from memory).
MODULATION = [0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10, 12.5]
# Absolute reception threshold by octave, IEC 60268-16 (from memory).
THRESHOLD = [46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0]


def random_echogram(rng, sources):
    """Arrivals, each with a tail of its own, in 7 octaves."""
    time_ms = rng.uniform(0.0, 150.0, sources)
    direct = rng.uniform(0.0, 1.0, (sources, 7))
    tail = rng.uniform(0.0, 1.0, (sources, 7)) * rng.choice([0.3, 1.0, 3.0])
    return direct, time_ms, tail, rng.uniform(0.3, 3.0, 7)


def echogram(direct, time_ms, tail, rt60, step_ms):
    """Energies of one band and their times in ms: arrivals, and tails cut into short pieces."""
    edges = np.arange(0.0, 1000.0 * rt60, step_ms)
    pieces = -np.diff(np.exp(-13.8 * edges / 1000.0 / rt60))
    energy = np.concatenate([direct, np.outer(tail, pieces).ravel()])
    middles = time_ms[:, None] + (edges[1:] + edges[:-1]) / 2
    return energy, np.concatenate([time_ms, middles.ravel()])


def summed_mtf(energy, time_ms):
    turned = np.exp(-2j * np.pi * np.outer(MODULATION, time_ms / 1000.0)) @ energy
    return np.abs(turned) / energy.sum()


def sti_by_hand(mtf, speech_db=None, noise_db=None):
    """IEC 60268-16, indirect method, one seat, cell by cell."""
    band = []
    for k in range(7):
        factor = 1.0
        if speech_db is not None:
            noise = 10 ** (noise_db[k] / 10)
            heard = 10 ** (speech_db[k] / 10) + noise
            masking = 0.0
            if k:
                below = 10 ** (speech_db[k - 1] / 10) + 10 ** (noise_db[k - 1] / 10)
                level = 10 * np.log10(below)
                if level < 63:
                    slope = 0.5 * level - 65
                elif level < 67:
                    slope = 1.8 * level - 146.9
                elif level < 100:
                    slope = 0.5 * level - 59.8
                else:
                    slope = -10
                masking = below * 10 ** (slope / 10)
            # The standard's two steps: noise first, then masking and threshold.
            factor = 1 / (1 + 10 ** ((noise_db[k] - speech_db[k]) / 10))
            factor *= heard / (heard + masking + 10 ** (THRESHOLD[k] / 10))
        total = 0.0
        for m in mtf[k]:
            kept = m * factor
            snr = 15.0 if kept >= 1 else 10 * np.log10(max(kept, 1e-30) / (1 - kept))
            total += (min(max(snr, -15.0), 15.0) + 15.0) / 30.0
        band.append(total / 14)
    result = sum(STI_TABLE.alpha[k] * band[k] for k in range(7))
    result -= sum(STI_TABLE.beta[k] * np.sqrt(band[k] * band[k + 1]) for k in range(6))
    return min(result, 1.0)


@pytest.mark.parametrize("seed", range(50))
def test_random_echograms_against_integration(seed):
    rng = np.random.default_rng(seed)
    direct, time_ms, tail, rt60 = random_echogram(rng, int(rng.integers(1, 7)))
    ours = modulation_transfer(direct, time_ms, tail, rt60)
    rows = [echogram(direct[:, b], time_ms, tail[:, b], rt60[b], 1.0) for b in range(7)]
    integrated = np.array([summed_mtf(*row) for row in rows])
    np.testing.assert_allclose(ours, integrated, atol=0.001)
    speech_db, noise_db = rng.uniform(30.0, 105.0, 7), rng.uniform(20.0, 80.0, 7)
    index = speech_transmission_index(ours, speech_db=speech_db, noise_db=noise_db)
    assert index == pytest.approx(sti_by_hand(integrated, speech_db, noise_db), abs=0.005)
    bare = speech_transmission_index(ours)
    assert bare == pytest.approx(sti_by_hand(integrated), abs=0.005)


@pytest.mark.parametrize("early_ms", [50.0, 80.0])
@pytest.mark.parametrize("seed", range(8))
def test_clarity_of_random_echograms_against_integration(seed, early_ms):
    direct, time_ms, tail, rt60 = random_echogram(np.random.default_rng(seed), 5)
    ours = clarity_db(direct, time_ms, tail, rt60, early_ms=early_ms)
    for b in range(7):
        energy, when = echogram(direct[:, b], time_ms, tail[:, b], rt60[b], 0.02)
        early = when <= time_ms.min() + early_ms
        expected = 10 * np.log10(energy[early].sum() / energy[~early].sum())
        assert ours[b] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("rt60", [0.5, 1.0, 2.0, 4.0])
def test_pure_decay(rt60):
    """Modulation 1/sqrt(1 + (2 pi F T/13.8)^2), Houtgast and Steeneken; C50 of the same decay."""
    m = modulation_transfer([[0.0]], [0.0], [[1.0]], [rt60])[0]
    textbook = 1 / np.sqrt(1 + (2 * np.pi * np.array(MODULATION) * rt60 / 13.8) ** 2)
    np.testing.assert_allclose(m, textbook, rtol=1e-12)
    for early_ms in (50.0, 80.0):
        c = clarity_db([[0.0]], [0.0], [[1.0]], [rt60], early_ms=early_ms)[0]
        assert c == pytest.approx(10 * np.log10(np.exp(13.8 * early_ms / 1000 / rt60) - 1))


def test_two_equal_bare_arrivals_cancel_modulation_at_half_the_rate():
    """|cos(pi F dt)|, as for any comb: 100 ms apart kills 5 Hz and keeps 10 Hz."""
    m = modulation_transfer([[1.0], [1.0]], [0.0, 100.0], [[0.0], [0.0]], 1.0)[0]
    np.testing.assert_allclose(m, np.abs(np.cos(np.pi * np.array(MODULATION) * 0.1)), atol=1e-12)
    assert m[MODULATION.index(5)] == pytest.approx(0.0, abs=1e-12)


def test_weights_and_spectrum_as_published():
    """IEC 60268-16:2011, male speech (from memory); spectrum of the 2020 edition (from memory)."""
    assert STI_TABLE.band_hz.tolist() == list(STI_OCTAVES_HZ)
    assert STI_TABLE.alpha.tolist() == list(STI_ALPHA)
    assert STI_TABLE.beta[:6].tolist() == list(STI_BETA)
    relative = speech_octave_levels_db(0.0)
    np.testing.assert_allclose(relative, STI_TABLE.speech_level_db_re_a_weighted_total)
    newer = speech_octave_levels_db([0.0, 60.0], spectrum="2020")
    np.testing.assert_allclose(newer[0], [-2.5, 0.5, 0, -6, -12, -18, -24])
    np.testing.assert_allclose(newer[1] - newer[0], 60.0)
    assert list(MODULATION_HZ) == MODULATION
    assert sum(STI_ALPHA) - sum(STI_BETA) == pytest.approx(1.0)


@pytest.mark.parametrize("spectrum", ["2011", "2020"])
def test_both_spectra_have_the_a_weighted_total_they_claim(spectrum):
    """Summed with the A-weighting of IEC 61672-1 (from memory)."""
    weights = pd.read_csv(PUBLISHED / "weightings.csv", comment="#").set_index("nominal_hz")
    a_db = weights.a_weighting_db.loc[list(STI_OCTAVES_HZ)].to_numpy()
    total = levels.power_sum_db(speech_octave_levels_db(65.0, spectrum=spectrum) + a_db)
    assert total == pytest.approx(65.0, abs=0.1)


def test_limits_of_the_index():
    clear = modulation_transfer(np.ones((1, 7)), [12.0], np.zeros((1, 7)), np.ones(7))
    np.testing.assert_allclose(clear, 1.0)
    assert speech_transmission_index(clear) == pytest.approx(1.0)
    loud = speech_transmission_index(clear, speech_db=[75.0] * 7)
    assert loud == pytest.approx(1.0)
    deep = speech_transmission_index(clear, speech_db=[60.0] * 7, noise_db=[90.0] * 7)
    assert deep == 0.0
    assert speech_transmission_index(np.zeros((7, 14))) == 0.0


@pytest.mark.parametrize("snr_db", [-12.0, -5.0, 0.0, 5.0, 12.0])
def test_steady_noise_alone(snr_db):
    """STI = (SNR + 15)/30 with the same ratio in every octave (Houtgast and Steeneken)."""
    ones = np.ones((7, 14))
    noisy = speech_transmission_index(
        ones, speech_db=np.full(7, 62.0), noise_db=np.full(7, 62.0 - snr_db)
    )
    assert noisy == pytest.approx((snr_db + 15) / 30, abs=0.01)


def test_one_or_two_octaves_alone_give_their_weights():
    """Alpha of the octave; two neighbours, both alphas less the beta between (from memory)."""
    for k in range(7):
        m = np.zeros((7, 14))
        m[k] = 1.0
        assert speech_transmission_index(m) == pytest.approx(STI_TABLE.alpha[k])
        if k:
            m[k - 1] = 1.0
            pair = STI_TABLE.alpha[k] + STI_TABLE.alpha[k - 1] - STI_TABLE.beta[k - 1]
            assert speech_transmission_index(m) == pytest.approx(pair)


def test_masking_by_the_octave_below():
    """From memory: 0.5 L - 65 below 63 dB, 1.8 L - 146.9 to 67, 0.5 L - 59.8 to 100, then -10."""
    levels_and_masking = [(50, -40), (62, -34), (64, -31.7), (66, -28.1), (68, -25.8), (80, -19.8)]
    for level, masking_db in [*levels_and_masking, (99, -10.3), (110, -10)]:
        speech = np.full(7, 40.0)
        speech[2] = level
        kept = noise_factor(speech)
        unwanted = 10 ** ((level + masking_db) / 10) + 10**0.65
        assert kept[3] == pytest.approx(1e4 / (1e4 + unwanted), rel=1e-9)
        assert kept[2] > 0.99


def test_quiet_speech_meets_the_threshold_of_hearing():
    """At the threshold half of the modulation is left (46 dB at 125 Hz to 12 dB at 8 kHz)."""
    quiet = np.full(7, -np.inf)
    for k in range(7):
        alone = quiet.copy()
        alone[k] = THRESHOLD[k]
        kept = noise_factor(alone)
        assert kept[k] == pytest.approx(0.5)
        assert kept[:k].tolist() == [0.0] * k
    ones = np.ones((7, 14))
    assert speech_transmission_index(ones, speech_db=[-20.0] * 7) == 0.0


def test_too_loud_is_less_clear():
    """Masking rises with level: speech at 100 dBA is less clear than at 70 (IEC 60268-16)."""
    ones = np.ones((7, 14))
    index = speech_transmission_index(
        np.broadcast_to(ones, (2, 7, 14)),
        speech_db=speech_octave_levels_db([70.0, 100.0]),
    )
    assert index[0] > 0.95
    assert index[0] - index[1] > 0.1


def test_direct_to_reverberant():
    direct = np.array([[1.0, 2.0], [1.0, 0.0]])
    tail = np.array([[4.0, 0.0], [16.0, 0.0]])
    ratio = direct_to_reverberant_db(direct, tail)
    np.testing.assert_allclose(ratio, [-10.0, np.inf])


def test_window_opens_once_at_the_first_arrival_that_counts():
    """Onset within 20 dB of the strongest arrival (ISO 3382-1, Annex A, from memory)."""
    direct = np.array([[0.009, 0.011], [1.0, 1.0]])[:, :, None]
    times = np.array([[0.0, 0.0], [60.0, 60.0]])
    np.testing.assert_array_equal(first_arrival_ms(direct, times), [60.0, 0.0])
    c50 = clarity_db(direct, times, np.zeros((2, 2, 1)), [1.0])[:, 0]
    assert c50[0] == np.inf
    assert c50[1] == pytest.approx(10 * np.log10(0.011))


def test_late_source_takes_the_share_the_room_module_gives():
    early, late = room.early_late_energy(18.0, [1.4, 1.9], 6000.0, gap_ms=30.0)
    tail = np.array([np.zeros(2), early + late])
    direct = np.array([[1.0, 1.0], [0.5, 0.5]])
    c50 = clarity_db(direct, [5.0, 35.0], tail, [1.4, 1.9])
    np.testing.assert_allclose(c50, 10 * np.log10((1.5 + early) / late))


def test_seats_together_equal_seats_alone():
    rng = np.random.default_rng(3)
    direct, tail = rng.random((4, 5, 6, 7)), rng.random((4, 5, 6, 7))
    times, rt60 = rng.uniform(0, 90, (4, 5, 6)), rng.uniform(0.5, 2.0, 7)
    speech, noise = rng.uniform(50, 70, (5, 6, 7)), rng.uniform(40, 60, 7)
    m = modulation_transfer(direct, times, tail, rt60)
    index = speech_transmission_index(m, speech_db=speech, noise_db=noise)
    c50 = clarity_db(direct, times, tail, rt60)
    assert (m.shape, index.shape, c50.shape) == ((5, 6, 7, 14), (5, 6), (5, 6, 7))
    for i, j in np.ndindex(5, 6):
        args = direct[:, i, j], times[:, i, j], tail[:, i, j], rt60
        alone = modulation_transfer(*args)
        np.testing.assert_allclose(m[i, j], alone, atol=1e-12)
        np.testing.assert_allclose(c50[i, j], clarity_db(*args))
        one = speech_transmission_index(alone, speech_db=speech[i, j], noise_db=noise)
        assert isinstance(one, float)
        assert one == pytest.approx(index[i, j])


@given(st.floats(-500.0, 500.0), st.floats(0.001, 1000.0), st.integers(0, 1000))
def test_neither_a_common_delay_nor_a_common_gain_matters(shift, gain, seed):
    direct, times, tail, rt60 = random_echogram(np.random.default_rng(seed), 3)
    before = modulation_transfer(direct, times, tail, rt60)
    after = modulation_transfer(gain * direct, times + shift, gain * tail, rt60)
    np.testing.assert_allclose(after, before, atol=1e-9)
    assert (before <= 1.0 + 1e-12).all()


@given(st.integers(0, 1000), st.floats(1.1, 10.0))
def test_more_noise_or_more_reverberation_never_helps(seed, more):
    rng = np.random.default_rng(seed)
    direct, times, tail, rt60 = random_echogram(rng, 1)
    speech, noise = rng.uniform(50, 70, 7), rng.uniform(30, 60, 7)
    m = modulation_transfer(direct, times, tail, rt60)
    wetter = modulation_transfer(direct, times, more * tail, rt60)
    assert (wetter <= m + 1e-12).all()
    usual = speech_transmission_index(m, speech_db=speech, noise_db=noise)
    noisier = speech_transmission_index(m, speech_db=speech, noise_db=noise + more)
    assert noisier <= usual + 1e-12


def test_silence_is_zero_transmission_and_no_clarity():
    nothing = np.zeros((2, 3, 7))
    m = modulation_transfer(nothing, np.zeros((2, 3)), nothing, np.ones(7))
    assert not m.any()
    assert np.isnan(clarity_db(nothing, np.zeros((2, 3)), nothing, np.ones(7))).all()


@pytest.fixture(scope="module")
def simulated():
    """Image-source responses of a 20 x 14 x 9 m shoebox: distance, RT60, C50, total, STI."""
    size, rate, lag = np.array([20.0, 14.0, 9.0]), 8000, 40
    before = pra.constants.get("rir_hpf_enable")
    pra.constants.set("rir_hpf_enable", False)
    hall = pra.ShoeBox(size, fs=rate, materials=pra.Material(0.3), max_order=60)
    source = np.array([2.1, 5.3, 2.2])
    hall.add_source(source)
    rng = np.random.default_rng(1)
    seats = np.column_stack(
        [np.linspace(5.0, 19.0, 12), rng.uniform(2.0, 12.0, 12), rng.uniform(1.0, 1.6, 12)]
    )
    hall.add_microphone_array(seats.T)
    hall.compute_rir()
    pra.constants.set("rir_hpf_enable", before)
    rows = []
    for seat, (response,) in zip(seats, hall.rir, strict=True):
        distance = np.linalg.norm(seat - source)
        start = int(distance / hall.c * rate) + lag - 4
        energy = 100.0 * np.asarray(response[start:], dtype=float) ** 2
        remaining = np.cumsum(energy[::-1])[::-1] / energy.sum()
        used = np.flatnonzero((remaining < 10**-0.5) & (remaining > 10**-2.5))
        slope = np.polyfit(used / rate, 10 * np.log10(remaining[used]), 1)[0]
        edge = 4 + round(0.05 * rate)
        c50 = 10 * np.log10(energy[:edge].sum() / energy[edge:].sum())
        sti = sti_by_hand([summed_mtf(energy, 1000.0 * np.arange(energy.size) / rate)] * 7)
        rows.append((distance, -60.0 / slope, c50, energy.sum(), sti))
    order = np.argsort([row[0] for row in rows])
    return np.array(rows)[order].T


def test_simulated_room(simulated):
    """Against image sources (pyroomacoustics), which scatter: specular walls, one room.

    Largest differences found: 1.3 dB in total level, 2.0 dB in C50, 0.05 in STI.
    """
    distance, rt60, c50, total, sti = simulated
    volume, rt60 = 20.0 * 14.0 * 9.0, np.full(7, np.median(rt60))
    direct = np.outer(room.direct_energy(distance), np.ones(7))
    tail = room.reverberant_energy(distance[:, None], rt60, volume)
    times = np.zeros((1, distance.size))
    ours = clarity_db([direct], times, [tail], rt60)[:, 0]
    m = modulation_transfer([direct], times, [tail], rt60)
    index = speech_transmission_index(m)
    level_db, ours_db = 10 * np.log10(total), 10 * np.log10((direct + tail)[:, 0])
    np.testing.assert_allclose(ours_db, level_db, atol=1.5)
    np.testing.assert_allclose(ours, c50, atol=2.2)
    np.testing.assert_allclose(index, sti, atol=0.06)
    # The fall from the nearest to the farthest seat is right, and is not with a constant field.
    fall = level_db[0] - level_db[-1]
    flat_db = 10 * np.log10(sum(room.hopkins_stryker(distance, 1.0, rt60[0], volume)))
    assert ours_db[0] - ours_db[-1] == pytest.approx(fall, abs=0.8)
    assert flat_db[0] - flat_db[-1] < fall - 1.5
    assert np.corrcoef(ours, c50)[0, 1] > 0.8
    assert np.corrcoef(index, sti)[0, 1] > 0.8


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: direct_to_reverberant_db(1.0, 1.0), "direct must hold sources on its"),
        (lambda: direct_to_reverberant_db([1.0], [-1.0]), "tail must be at least 0, got"),
        (lambda: clarity_db([[1.0]], [0.0], [[1.0]], [0.0]), "rt60_s must be between"),
        (lambda: clarity_db([[1.0]], [np.nan], [[1.0]], [1.0]), "time_ms must be a fin"),
        (lambda: clarity_db([[1.0]], [[0.0]], [[1.0]], [1.0]),
         r"direct and tail must have shape \(n, \.\.\., bands\) and time_ms \(n, \.\.\.\), got "
         r"\(1, 1\), \(1, 1\) and \(1, 1\)$"),
        (lambda: clarity_db(np.ones((2, 7)), [0.0, 1.0, 2.0], np.ones((2, 7)), [1.0]),
         r"broadcast\), got direct \(2, 7\), tail \(2, 7\), time_ms \(3, 1\)$"),
        (lambda: direct_to_reverberant_db(np.ones((2, 7)), np.ones((2, 6))),
         r"broadcast\), got direct \(2, 7\), tail \(2, 6\)$"),
        (lambda: noise_factor([60.0] * 7, [40.0] * 3), r"got speech_db \(7,\), noise_db \(3,\)$"),
        (lambda: noise_factor([60.0] * 6), r"speech_db must hold the 7 octaves.*\(6,\)"),
        (lambda: noise_factor([60.0] * 7, [np.nan] * 7), "noise_db must be"),
        (lambda: speech_transmission_index(np.ones((6, 14))), r"7 octaves.*\(6, 14\)"),
        (lambda: speech_transmission_index(np.full((7, 14), 1.1)), "modulation must be"),
        (
            lambda: speech_transmission_index(np.ones((7, 14)), noise_db=[40.0] * 7),
            "noise_db needs speech_db beside it",
        ),
        (lambda: speech_octave_levels_db(70.0, spectrum="2003"), "spectrum must be one"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
