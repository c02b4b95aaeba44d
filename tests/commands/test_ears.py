"""The verbs `signal` and `decay`: what they write, what they read, and what they refuse."""

from __future__ import annotations

import json
import re
import tomllib
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fillalign.audio import exponential_sweep, read_wav, take_turns, write_wav
from tests.commands.shell import ends, example_of

RATE = 16000


def hall(rt60_s=0.8, seconds=1.6, seed=4, rate=RATE):
    """Return the response of a plain hall: direct sound, then noise that dies away."""
    time = np.arange(round(seconds * rate)) / rate
    samples = 0.05 * np.random.default_rng(seed).standard_normal(time.size)
    samples *= 10 ** (-3 * time / rt60_s)
    samples[0] = 1.0
    return samples


@pytest.fixture
def turns_take(tmp_path):
    """Return a recording at 16 kHz, microphone on the right, of short turns in a hall of 0.8 s."""
    from scipy.signal import oaconvolve

    sweep = exponential_sweep(seconds=1.0, low_hz=60, high_hz=7000, sample_rate_hz=RATE)
    played = take_turns(sweep, spacing_s=3.0, sample_rate_hz=RATE).sum(axis=1)
    heard = np.concatenate([np.zeros(5000), oaconvolve(played, hall()), np.zeros(4000)])
    noise = np.random.default_rng(1).standard_normal((heard.size, 2)) * 1e-5
    path = tmp_path / "take.wav"
    write_wav(path, noise + 0.3 * np.column_stack([0 * heard, heard / np.abs(heard).max()]), RATE,
              bits=24)
    return path


SHORT = ("--seconds", "1", "--low-hz", "60", "--high-hz", "7000", "--spacing-s", "3")


# The signal


def test_the_signal_is_the_turns_of_the_library(tmp_path, capsys):
    path = tmp_path / "turns.wav"
    assert ends(["signal", str(path), "--sample-rate-hz", "44100", "--seconds", "1",
                 "--low-hz", "80", "--spacing-s", "2", "--peak-dbfs", "-20"]) == 0
    made = read_wav(path)
    sweep = exponential_sweep(seconds=1.0, low_hz=80.0, sample_rate_hz=44100, peak_dbfs=-20.0)
    wanted = take_turns(sweep, spacing_s=2.0, sample_rate_hz=44100)
    assert made.sample_rate_hz == 44100
    np.testing.assert_allclose(made.samples, wanted, atol=2e-7)
    out = capsys.readouterr().out
    assert out.startswith(f"written: {path}")
    order = re.findall(r"(\d+\.\d) s +(mains|fill) +(left|right)", out)
    assert order == [("0.0", "mains", "left"), ("2.0", "fill", "right"), ("4.0", "mains", "left")]
    for words in ("20 dB below full scale", "protect hearing", "limiters", "at ear height",
                  "--seconds 1 --low-hz 80 --spacing-s 2"):
        assert words in out


def test_the_order_said_is_the_order_written(tmp_path):
    path = tmp_path / "turns.wav"
    assert ends(["signal", str(path), "--seconds", "1", "--spacing-s", "2"]) == 0
    loud = np.abs(read_wav(path).samples.reshape(3, -1, 2)).max(axis=1)
    np.testing.assert_array_equal(loud > 0.1, [[True, False], [False, True], [True, False]])
    # -18 dB of full scale spares ears and boxes unless asked for more.
    assert loud.max() == pytest.approx(10 ** (-18 / 20), rel=1e-3)


@pytest.mark.parametrize(("words", "said"), [
    (["x.mp3"], "the name must end in .wav"),
    (["none/x.wav"], "cannot be written"),
])
def test_a_signal_that_cannot_be_written_ends_with_4(words, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert ends(["signal", *words]) == 4
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_signal_replaces_nothing_unless_told(tmp_path, capsys):
    path = tmp_path / "turns.wav"
    path.write_text("mine")
    assert ends(["signal", str(path)]) == 4
    assert "is there already" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert ends(["signal", str(path), "--seconds", "1", "--overwrite"]) == 0
    assert read_wav(path).seconds == 18.0


@pytest.mark.parametrize(("words", "said"), [
    (["--seconds", "0"], "seconds must be between 0.1 and 60 s"),
    (["--spacing-s", "2"], "spacing_s must be between 3 and 120 s"),
    (["--peak-dbfs", "3"], "peak_dbfs must be between -60 and 0 dB"),
    (["--sample-rate-hz", "22050"], "high_hz must be between"),
    (["--sample-rate-hz", "1e9"], "sample_rate_hz must be between"),
    (["--low-hz", "30000"], "low_hz must be between"),
    (["--low-hz", "nan"], "low_hz must be between"), (["--seconds", "3s"], "got '3s'"),
])
def test_a_signal_that_makes_no_sense_ends_with_2(words, said, tmp_path, capsys):
    path = tmp_path / "x.wav"
    assert ends(["signal", str(path), *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in " ".join(err.split())
    assert not path.exists()


# Decay


def octaves(out):
    """Return the table of a decay by octave, as words."""
    return {int(row.split()[0]): row.split() for row in out.splitlines()
            if re.match(r" *\d+ +[-\d]", row)}


def test_decay_of_a_take_of_turns(turns_take, capsys):
    """A hall made with 0.8 s is read as one, within three deviations of ISO 3382-2, 7.1."""
    assert ends(["decay", str(turns_take), *SHORT]) == 0
    out = capsys.readouterr().out
    table = octaves(out)
    for octave in (500, 1000, 2000):
        spread = 3 * 0.55 * np.sqrt(1.152 / (0.71 * octave * 0.8))
        assert float(table[octave][3]) == pytest.approx(0.8, rel=spread)
    lines = out.partition("replace the rt60_s line under [state.check] by:\n")[2]
    told = tomllib.loads(lines)["rt60_s"]
    assert told["1000"] == float(table[1000][3])
    assert "An audience shortens it" in out


def test_decay_of_a_clap_and_of_noise_that_stops(tmp_path, capsys):
    clap = tmp_path / "clap.wav"
    write_wav(clap, 0.9 * np.concatenate([np.zeros(3000), hall()]), RATE, bits=24)
    assert ends(["decay", str(clap), "--kind", "clap", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["1000"]["t30_s"] == pytest.approx(0.8, rel=0.1)
    noise = np.random.default_rng(2).standard_normal(3 * RATE)
    time = np.arange(noise.size) / RATE
    stops = tmp_path / "noise.wav"
    write_wav(stops, 0.1 * noise * np.minimum(1, 10 ** (-3 * np.maximum(time - 1, 0) / 0.8)), RATE,
              bits=24)
    assert ends(["decay", str(stops), "--kind", "noise", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["1000"]["t20_s"] == pytest.approx(0.8, rel=0.15)
    assert told["1000"]["edt_s"] is None


def test_a_sweep_is_no_clap(turns_take, capsys):
    """No even decay of 20 s or less has a C50 below -14.5 dB (ISO 3382-1, A.2.3)."""
    assert 10 * np.log10(np.exp(6 * np.log(10) * 0.05 / 20) - 1) == pytest.approx(-14.5, abs=0.1)
    assert ends(["decay", str(turns_take), "--kind", "clap"]) == 5
    out, err = capsys.readouterr()
    assert re.search(r"(tells no decay as a|is no) clap. If .*, name it with --kind", err)
    assert "rt60_s" not in out


def test_a_decay_that_noise_hides_says_why_and_ends_with_5(tmp_path, capsys):
    rng = np.random.default_rng(3)
    path = tmp_path / "clap.wav"
    write_wav(path, np.clip(0.3 * hall() + 0.05 * rng.standard_normal(hall().size), -1, 1), RATE)
    assert ends(["decay", str(path), "--kind", "clap"]) == 5
    out = capsys.readouterr().out
    assert "dB below the start" in out
    assert "rt60_s" not in out


def test_the_picture_of_a_decay(turns_take, tmp_path, capsys):
    picture = tmp_path / "decay.svg"
    words = ["decay", str(turns_take), *SHORT, "--picture", str(picture)]
    assert ends(words) == 0
    assert ET.fromstring(picture.read_bytes()).tag.endswith("svg")
    assert f"written: {picture}" in capsys.readouterr().out
    assert ends(words) == 4
    assert "is there already" in capsys.readouterr().err


@pytest.mark.parametrize(("words", "code", "said"), [
    (["none.wav"], 3, "there is no such file"),
    (["none.m4a"], 3, "there is no such file"),
    (["take.wav", "--channel", "3"], 3, "--channel must be between 1 and 2, got 3"),
    (["take.wav", "--seconds", "50"], 3, "too short"),
    (["take.wav", "--picture", "x.png"], 2, "must end in .svg"),
    (["take.wav", "--kind", "drum"], 2, "invalid choice"),
    (["take.wav", "--low-hz", "6000"], 3, "low_hz must be"),
    ([], 2, "required"),
])
def test_what_holds_no_decay_is_one_line(words, code, said, turns_take, monkeypatch, capsys):
    monkeypatch.chdir(turns_take.parent)
    assert ends(["decay", *words]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert said in " ".join(err.split())
    assert "Traceback" not in err


# Help


def test_the_example_of_each_help_runs(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert ends(example_of("signal")) == 0
    write_wav("clap.wav", 0.9 * hall(), RATE, bits=24)
    assert ends(example_of("decay")) == 0
    assert capsys.readouterr().err == ""
