"""Test signals against scipy and their definitions; WAV files against other readers and writers."""

from __future__ import annotations

import struct
import wave
from pathlib import Path

import numpy as np
import pytest
from scipy import signal as reference
from scipy.io import wavfile

from fillalign.absorption import band_edges_hz
from fillalign.audio.signals import click_train, exponential_sweep, pink_noise, take_turns
from fillalign.audio.wav import Recording, RecordingError, read_wav, write_wav

RATES = (44100, 48000, 96000)
TONE = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(4800) / 48000)


def octave_powers(signal: np.ndarray, rate: float, centres: np.ndarray) -> np.ndarray:
    power = np.abs(np.fft.rfft(signal)) ** 2
    frequency = np.fft.rfftfreq(signal.size, 1 / rate)
    low, high = band_edges_hz(centres, fraction=1)
    return np.array([power[(frequency >= a) & (frequency < b)].sum()
                     for a, b in zip(low, high, strict=True)])


@pytest.mark.parametrize("rate", RATES)
def test_sweep_is_the_logarithmic_chirp_of_scipy(rate: int) -> None:
    sweep = exponential_sweep(seconds=1.5, low_hz=50, high_hz=16000, sample_rate_hz=rate)
    time = np.arange(round(1.5 * rate)) / rate
    chirp = reference.chirp(time, 50, 1.5, 16000, method="logarithmic", phi=-90)
    body = slice(time.size // 20, -time.size // 20)  # past the fades
    np.testing.assert_allclose(sweep[body], chirp[body] * 10 ** (-6 / 20), atol=2e-4)


@pytest.mark.parametrize("rate", RATES)
def test_signals_start_and_end_at_zero_with_the_headroom_asked_for(rate: int) -> None:
    for make, peak in ((exponential_sweep, -6.0), (click_train, -3.0), (pink_noise, -3.0)):
        made = make(sample_rate_hz=rate)
        assert np.abs(made).max() == pytest.approx(10 ** (peak / 20))
        assert np.abs(made[[0, -1]]).max() < 1e-6
        np.testing.assert_array_equal(made, make(sample_rate_hz=rate))
        quiet = make(sample_rate_hz=rate, peak_dbfs=-20.0)
        assert np.abs(quiet).max() == pytest.approx(0.1)


def test_sweep_and_pink_noise_have_equal_energy_in_equal_octaves() -> None:
    # Farina 2000: a sweep's spectrum falls by 3 dB an octave; pink noise does by definition.
    centres = 1000.0 * 10 ** (0.3 * np.arange(-2, 4))
    for made, spread in ((exponential_sweep(seconds=5.0), 0.3), (pink_noise(seconds=30.0), 0.3)):
        level = 10 * np.log10(octave_powers(made, 48000, centres))
        assert np.ptp(level) < spread


def test_pink_noise_depends_on_its_seed_and_keeps_to_its_band() -> None:
    assert np.abs(pink_noise(seconds=1.0) - pink_noise(seconds=1.0, seed=2)).max() > 0.1
    power = np.abs(np.fft.rfft(pink_noise(seconds=10.0))) ** 2
    frequency = np.fft.rfftfreq(480000, 1 / 48000)
    assert power[frequency > 20500].sum() < 1e-6 * power.sum()
    assert power[frequency < 15].sum() < 1e-3 * power.sum()


def test_clicks_show_their_polarity_and_pass_without_offset() -> None:
    for rate in RATES:
        train = click_train(clicks=3, spacing_ms=100, sample_rate_hz=rate)
        assert train.max() > 5 * -train.min() > 0
        assert abs(train.sum()) < 1e-9
        tops = np.flatnonzero(train > 0.9 * train.max())
        starts = tops[np.flatnonzero(np.diff(tops, prepend=-1000) > 100)]
        # 100 ms, then 7 ms more: no space between clicks comes twice.
        np.testing.assert_allclose(np.diff(starts) * 1000 / rate, [100, 107], atol=0.06)
    assert click_train(clicks=5).size > click_train(clicks=4).size


def test_turns_put_mains_fill_and_mains_in_their_places() -> None:
    sweep = exponential_sweep(seconds=0.5)
    turns = take_turns(sweep, spacing_s=0.8, sample_rate_hz=48000)
    step = round(0.8 * 48000)
    np.testing.assert_array_equal(turns[: sweep.size, 0], sweep)
    np.testing.assert_array_equal(turns[step : step + sweep.size, 1], sweep)
    np.testing.assert_array_equal(turns[2 * step : 2 * step + sweep.size, 0], sweep)
    assert np.abs(turns).sum() == pytest.approx(3 * np.abs(sweep).sum())


@pytest.mark.parametrize(("make", "message"), [
    (lambda: exponential_sweep(seconds=0.01), "seconds must be between 0.1 and 60 s, got 0.01"),
    (lambda: exponential_sweep(low_hz=5), "low_hz must be between 10 and 12000 Hz, got 5"),
    (lambda: exponential_sweep(high_hz=24000), "high_hz must be between 80 and 23520 Hz"),
    (lambda: exponential_sweep(sample_rate_hz=4000), "sample_rate_hz must be between 8000 and"),
    (lambda: exponential_sweep(peak_dbfs=1), "peak_dbfs must be between -60 and 0 dB, got 1"),
    (lambda: click_train(clicks=0), "clicks must be between 1 and 60, got 0"),
    (lambda: click_train(spacing_ms=10), "spacing_ms must be between 50 and 5000 ms, got 10"),
    (lambda: pink_noise(seconds=1e6), "seconds must be between 0.1 and 600 s, got 1000000"),
    (lambda: take_turns(TONE, spacing_s=0.05, sample_rate_hz=48000),
     "spacing_s must be between 0.1 and 120 s, got 0.05"),
    (lambda: take_turns(np.zeros((5, 2)), spacing_s=1, sample_rate_hz=48000),
     r"one channel of samples, got shape \(5, 2\)"),
])
def test_bad_arguments_are_refused(make, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()


# --- WAV files -----------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("channels", [1, 2, 8])
def test_written_files_read_the_same_in_the_standard_library(
    tmp_path: Path, bits: int, channels: int
) -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, (500, channels))
    samples[:2, 0] = 1.0, -1.0
    path = tmp_path / "take.wav"
    write_wav(path, samples, 44100, bits=bits)
    with wave.open(str(path), "rb") as file:
        params, frames = file.getparams(), file.readframes(500)
    assert params[:4] == (channels, bits // 8, 44100, 500)
    width = bits // 8
    whole = [int.from_bytes(frames[i : i + width], "little", signed=True)
             for i in range(0, len(frames), width)]
    scale = 2 ** (bits - 1) - 1
    np.testing.assert_allclose(np.array(whole) / scale, samples.ravel(), atol=0.51 / scale)
    again = read_wav(path)
    assert again.sample_rate_hz == 44100
    assert again.seconds == pytest.approx(500 / 44100)
    np.testing.assert_allclose(again.samples, samples, atol=1.6 / 2**(bits - 1))


@pytest.mark.parametrize(("dtype", "scale", "offset"), [
    (np.uint8, 127, 128), (np.int16, 32767, 0), (np.int32, 2**31 - 1, 0),
    (np.float32, 1, 0), (np.float64, 1, 0),
])
def test_files_of_another_writer_are_read(tmp_path: Path, dtype, scale, offset) -> None:
    stereo = np.column_stack([TONE, -0.5 * TONE])
    stored = stereo * scale + offset
    stored = stored if scale == 1 else np.round(stored)
    wavfile.write(tmp_path / "a.WAV", 48000, stored.astype(dtype))
    read = read_wav(tmp_path / "a.WAV").samples
    np.testing.assert_allclose(read, stereo, atol=1.1 / 127 if dtype == np.uint8 else 1e-4)


@pytest.mark.parametrize(("samples", "options", "error", "message"), [
    (2.2 * np.eye(1, 9)[0] / 2, {}, ValueError, "signal must be between -1 and 1, got 1.1"),
    ([np.nan, 0.0], {}, ValueError, "signal must be between -1 and 1, got nan"),
    ("loud", {}, TypeError, "signal must be between -1 and 1, got 'loud'"),
    (TONE, {"bits": 12}, ValueError, "bits must be 16 or 24, got 12"),
    (np.zeros((10, 9)), {}, ValueError, r"signal must be .* got shape \(10, 9\)"),
    (np.zeros(0), {}, ValueError, r"got shape \(0,\)"),
])
def test_what_cannot_be_written_is_refused(
    tmp_path: Path, samples, options: dict[str, int], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        write_wav(tmp_path / "x.wav", samples, 48000, **options)
    with pytest.raises(RecordingError, match=r"the name must end in \.wav"):
        write_wav(tmp_path / "x.mp3", TONE, 48000)
    assert list(tmp_path.iterdir()) == []


def _good() -> bytes:
    frames = (TONE * 32767).astype("<i2").tobytes()
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + len(frames), b"WAVE", b"fmt ", 16, 1, 1,
                       48000, 96000, 2, 16, b"data", len(frames))
    return head + frames


NO_WAV = r"is not a WAV file \(it does not begin with RIFF\)"
BAD_BYTES = {
    "header cut": (_good()[:30], "is damaged or cut short"),
    "sound cut": (_good()[:1000], "is cut short: it holds less sound than its header says"),
    "nothing at all": (b"", NO_WAV),
    "zero length": (b"RIFF\x24\0\0\0" + _good()[8:40] + bytes(4),
                    r"holds no sound \(zero length\)"),
    "text": (b"These are the notes of the check, not a recording.", NO_WAV),
    "another format": (b"fLaC" + bytes(200), NO_WAV),
    "compressed": (_good()[:20] + b"\x55" + _good()[21:], "is damaged or cut short .*MPEG"),
}
BAD_SOUND = {
    "single sample": (48000, np.zeros(1, np.int16), "holds a single sample"),
    "not a number": (48000, np.array([0, np.nan, 0], np.float32), "are not finite numbers"),
    "sixteen channels": (48000, np.zeros((9, 16), np.int16), "has 16 channels; 1 to 8 can be"),
    "a slow clock": (100, np.zeros(9, np.int16), "has a sample rate of 100 Hz"),
}


@pytest.mark.parametrize("name", [*BAD_BYTES, *BAD_SOUND])
def test_bad_files_give_one_clear_error_and_no_warning(tmp_path: Path, name: str) -> None:
    path = tmp_path / "bad take.wav"
    if name in BAD_BYTES:
        content, message = BAD_BYTES[name]
        path.write_bytes(content)
    else:
        rate, samples, message = BAD_SOUND[name]
        wavfile.write(path, rate, samples)
    with pytest.raises(RecordingError, match=message) as caught:
        read_wav(path)
    assert caught.value.path == str(path)
    assert str(caught.value) == f"{path}: {caught.value.reason}"


def test_bad_paths_give_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="there is no such file"):
        read_wav(tmp_path / "none.wav")
    (tmp_path / "folder.wav").mkdir()
    with pytest.raises(RecordingError, match="is a folder"):
        read_wav(tmp_path / "folder.wav")
    (tmp_path / "take.aiff").write_bytes(_good())
    with pytest.raises(RecordingError, match=r"the name does not end in \.wav"):
        read_wav(tmp_path / "take.aiff")


def test_a_file_beyond_the_limit_is_refused_unread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "long.wav").write_bytes(_good())
    monkeypatch.setattr("fillalign.audio.wav.MAX_FILE_BYTES", 1000)
    with pytest.raises(RecordingError, match="is larger than 1 GB"):
        read_wav(tmp_path / "long.wav")


def test_unknown_chunks_are_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_bytes(_good()[:36] + b"note" + struct.pack("<I", 4) + b"hall" + _good()[36:])
    np.testing.assert_allclose(read_wav(path).samples[:, 0], TONE, atol=4e-5)


def test_damaged_files_end_in_the_documented_error_or_in_sound(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    path = tmp_path / "take.wav"
    refused = 0
    for _ in range(400):
        content = bytearray(_good()[: int(rng.integers(0, 400))] if rng.random() < 0.3 else _good())
        for place in rng.integers(0, 60, size=int(rng.integers(1, 6))):
            if place < len(content):
                content[place] = int(rng.integers(0, 256))
        path.write_bytes(bytes(content))
        try:
            read = read_wav(path)
        except RecordingError:
            refused += 1
        else:
            assert isinstance(read, Recording)
            assert np.isfinite(read.samples).all()
            assert 1 <= read.samples.shape[1] <= 8
    assert 200 < refused < 400


def test_a_file_that_must_not_be_read_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_wav(tmp_path / "locked.wav", TONE, 48000)

    def denied(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", denied)
    with pytest.raises(RecordingError, match=r"locked\.wav: cannot be read \(Permission denied\)"):
        read_wav(tmp_path / "locked.wav")
