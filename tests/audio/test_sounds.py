"""Sounds to listen with: what is in them against what is said of them, and our music."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy import signal as sig

from fillalign.audio.sounds import DEMO_SOUNDS, groove, loop_of, read_demo_sound
from fillalign.levels import a_weighting_db

DATA = Path(__file__).parents[2] / "data"
READINGS = [name for name in DEMO_SOUNDS if name.startswith("reading")]


def level_dba(samples: np.ndarray, rate: float) -> float:
    """A-weighted level in dB re an rms of 1 (Parseval)."""
    power = np.abs(np.fft.rfft(samples)[1:]) ** 2
    weight = 10 ** (a_weighting_db(np.fft.rfftfreq(samples.size, 1 / rate)[1:]) / 10)
    return 10 * np.log10(2 * np.sum(power * weight) / samples.size**2)


# Files


def test_every_sound_has_its_line_and_its_file() -> None:
    known = tomllib.loads((DATA / "sounds.toml").read_text(encoding="utf-8"))
    assert set(known) == set(DEMO_SOUNDS)
    files = {path.stem for path in DATA.glob("*.wav")} - {"tidewell_measurement"}
    assert files == set(DEMO_SOUNDS)
    for name in DEMO_SOUNDS:
        sound = read_demo_sound(name)
        assert sound.source
        assert sound.terms
        assert sound.words == known[name]["words"]
        assert sound.name in repr(sound)


def test_four_different_sentences_of_a_reader_are_there_with_their_words() -> None:
    spoken = [read_demo_sound(name).words for name in READINGS]
    assert len(set(spoken)) == len(READINGS) >= 4
    for name, words in zip(READINGS, spoken, strict=True):
        sound = read_demo_sound(name)
        rate = len(words.split()) / (sound.samples.size / sound.sample_rate_hz)
        # People read aloud at 2 to 4 words a second (common practice).
        assert 2.0 < rate < 4.0, name


@pytest.mark.parametrize("name", [*READINGS, "voice"])
def test_speech_drives_a_box_at_the_level_of_its_file_and_keeps_to_its_band(name: str) -> None:
    sound = read_demo_sound(name)
    assert level_dba(sound.samples, sound.sample_rate_hz) == pytest.approx(-26.0, abs=0.05)
    power = np.abs(np.fft.rfft(sound.samples)) ** 2
    frequency = np.fft.rfftfreq(sound.samples.size, 1 / sound.sample_rate_hz)
    share = np.cumsum(power) / power.sum()
    inside = np.interp([0.01, 0.9999], share, frequency)
    assert sound.band_hz[0] / 2 < inside[0]
    assert inside[1] < 1.05 * sound.band_hz[1]


def test_the_note_keeps_source_change_and_terms() -> None:
    note = (DATA / "readings.txt").read_text(encoding="utf-8")
    for words in ("LibriVox", "pocketsphinx-testdata", "Changed:", "7 kHz",
                  "list of conditions and the following disclaimer"):
        assert words in note
    assert all(re.search(name[-1], note) for name in READINGS)


@pytest.mark.parametrize("rate", [8000.0, 44100.0, 48000.0, 96000.0])
def test_a_sound_is_the_same_at_another_rate(rate: float) -> None:
    """Its spectrum, against the file's own by the sum over its samples."""
    own, other = read_demo_sound("reading_1"), read_demo_sound("reading_1", sample_rate_hz=rate)
    assert other.sample_rate_hz == rate
    assert other.samples.size / rate == pytest.approx(own.samples.size / 16000, abs=2 / 8000)
    for hz in (123.0, 401.0, 1002.0, 3001.0):
        sums = [np.exp(-2j * np.pi * hz * np.arange(one.samples.size) / one.sample_rate_hz)
                @ one.samples / one.sample_rate_hz for one in (own, other)]
        assert sums[1] == pytest.approx(sums[0], rel=0.01)


def test_a_sound_that_is_not_there_and_a_rate_that_is_none_are_refused() -> None:
    with pytest.raises(ValueError, match=r"name must be one of voice, reading_1, .* got 'song'"):
        read_demo_sound("song")
    with pytest.raises(ValueError, match=r"sample_rate_hz must be between 8000 and 192000 Hz"):
        read_demo_sound("voice", sample_rate_hz=100.0)


# Music


@pytest.mark.parametrize("rate", [8000, 44100, 48000])
def test_groove_lasts_eight_seconds_and_is_as_loud_at_every_rate(rate: int) -> None:
    loop = groove(sample_rate_hz=rate)
    assert loop.shape == (8 * rate,)
    assert np.abs(loop).max() < 1.0
    assert level_dba(loop, rate) == pytest.approx(-26.0, abs=0.5 if rate == 8000 else 0.1)


def test_groove_loops_without_a_click() -> None:
    """High-passed, the seam is as quiet as the same place inside: before a bar's first stroke."""
    loop = groove()
    turning = np.roll(loop, loop.size // 2)
    sharp = np.abs(sig.sosfiltfilt(sig.butter(4, 3000, "high", fs=48000, output="sos"), turning))
    seam = loop.size // 2
    assert sharp[seam - 480 : seam].max() < 1.2 * sharp[seam // 2 - 480 : seam // 2].max()
    ringing = np.concatenate([loop, loop])
    assert np.abs(np.diff(ringing))[loop.size - 5 : loop.size].max() < 0.01


def test_groove_is_the_same_music_at_every_rate() -> None:
    """Below 3 kHz, hats and claps of noise left out, the waves agree."""
    fine, coarse = (sum(loop_of(part, rate) for part in ("kick", "bass", "chords"))
                    for rate in (48000, 16000))
    size = coarse.size // 2 * 3 // 4  # to 3 kHz
    spectra = [np.fft.rfft(one)[:size] / one.size for one in (fine, coarse)]
    gap = np.linalg.norm(spectra[1] - spectra[0]) / np.linalg.norm(spectra[0])
    assert gap < 0.01


def test_every_part_plays_where_it_should_and_together_they_are_the_whole() -> None:
    parts = ("kick", "bass", "hat", "chords", "clap")
    alone = {part: loop_of(part, 16000) for part in parts}
    assert sum(alone.values()) == pytest.approx(groove(sample_rate_hz=16000), abs=1e-12)
    peaks = {}
    for part, loop in alone.items():
        power = np.abs(np.fft.rfft(loop)) ** 2
        frequency = np.fft.rfftfreq(loop.size, 1 / 16000)
        peaks[part] = float(frequency[np.argmax(power)])
    assert peaks["kick"] < 100.0
    assert 40.0 < peaks["bass"] < 200.0
    assert 150.0 < peaks["chords"] < 800.0
    assert peaks["hat"] > 6000.0
    assert 700.0 < peaks["clap"] < 5000.0


def test_claps_come_once_a_second_half_a_second_late() -> None:
    loop = np.abs(loop_of("clap", 48000))
    strokes = loop.reshape(16, 24000).max(axis=1) > 0.1
    assert strokes.tolist() == [False, True] * 8


def test_groove_refuses_a_rate_of_nothing() -> None:
    with pytest.raises(ValueError, match=r"sample_rate_hz must be between 8000 and 192000 Hz"):
        groove(sample_rate_hz=100)
