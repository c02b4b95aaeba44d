"""Recordings on disk against other readers and writers, and every way in which they are bad."""

from __future__ import annotations

import builtins
import io
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from fillalign.audio.wav import Recording, RecordingError, read_recording, read_wav, write_wav

TONE = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(4800) / 48000)


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
    "header cut": (_good()[:30], "is damaged or cut short: its header makes no sense"),
    "sound cut": (_good()[:1000], "is cut short: it holds less sound than its header says"),
    "a byte cut": (_good()[:-1], "is cut short: it holds less sound than its header says"),
    "nothing at all": (b"", NO_WAV),
    "zero length": (b"RIFF\x24\0\0\0" + _good()[8:40] + bytes(4),
                    r"holds no sound \(zero length\)"),
    "a claim": (_good()[:40] + b"\xff\xff\xff\xff" + _good()[44:], "is cut short: it holds less"),
    "phone": (b"\0\0\0\x20ftypM4A " + bytes(200), "compressed sound of a phone"),
    "text": (b"These are the notes of the check, not a recording.", NO_WAV),
    "another format": (b"fLaC" + bytes(200), NO_WAV),
    "compressed": (_good()[:20] + b"\x55" + _good()[21:],
                   r"compressed in a way that cannot be read \(format 85\)"),
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


# --- what other recorders make --------------------------------------------------------------


@pytest.mark.parametrize("ending", ["flac", "ogg", "mp3"])
@pytest.mark.parametrize("rate", [44100, 48000])
def test_other_formats_are_read_at_their_own_rate(tmp_path: Path, ending: str, rate: int) -> None:
    time = np.arange(rate) / rate
    tone = 0.5 * np.sin(2 * np.pi * 1000 * time)
    stereo = np.column_stack([tone, 0.1 * tone])
    soundfile.write(tmp_path / f"take.{ending}", stereo, rate)
    take = read_recording(tmp_path / f"take.{ending}")
    assert take.sample_rate_hz == rate
    assert take.samples.shape[1] == 2
    assert take.seconds == pytest.approx(1.0, abs=0.1)  # MP3 adds what its frames need
    middle = take.samples[rate // 4 : 3 * rate // 4]
    level = 20 * np.log10(np.sqrt(2) * middle.std(axis=0))
    assert level == pytest.approx([-6.02, -26.02], abs=0.5)
    power = np.abs(np.fft.rfft(middle[:, 0] * np.hanning(len(middle))))
    assert np.argmax(power) / 0.5 == pytest.approx(1000, abs=2)


def test_wav_files_are_read_by_either_function(tmp_path: Path) -> None:
    write_wav(tmp_path / "take.wav", TONE, 48000, bits=24)
    one, other = read_wav(tmp_path / "take.wav"), read_recording(tmp_path / "take.wav")
    np.testing.assert_array_equal(one.samples, other.samples)
    for name in ("take.flac", "take.mp3"):
        (tmp_path / name).write_bytes(b"")
        with pytest.raises(RecordingError, match=r"the name does not end in \.wav or \.wave"):
            read_wav(tmp_path / name)


@pytest.mark.parametrize("ending", ["m4a", "mp4", "aac", "3gp"])
def test_what_phones_make_is_refused_with_the_steps_out(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"take.{ending}"
    path.write_bytes(b"\0\0\0\x20ftypM4A " + bytes(200))
    path.with_suffix(".flac").write_bytes(path.read_bytes())
    for each in (path, path.with_suffix(".flac")):
        with pytest.raises(RecordingError, match=r"afconvert .* on Windows .* on Linux 'ffmpeg -i"):
            read_recording(each)


def test_cut_and_damaged_files_of_a_decoder_give_one_clear_error(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 48000)
    path = tmp_path / "take.flac"
    soundfile.write(path, noise, 48000)
    whole = path.read_bytes()
    for content in (whole[: len(whole) // 2], b"fLaC" + bytes(100), b"", b"notes of the check"):
        path.write_bytes(content)
        with pytest.raises(RecordingError, match=r"is damaged, cut short or no sound|is cut short"):
            read_recording(path)


def test_without_the_decoder_the_way_out_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    soundfile.write(tmp_path / "take.flac", TONE, 48000)
    bring = builtins.__import__

    def without(name: str, *others: object) -> object:
        if name == "soundfile":
            raise ImportError(name)
        return bring(name, *others)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(RecordingError, match=r'pip install "fillalign\[audio\]"; or convert it'):
        read_recording(tmp_path / "take.flac")


def test_reasons_hold_no_words_of_the_language(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    good = io.BytesIO()
    soundfile.write(good, TONE, 48000, format="FLAC")
    for ending, content in (("wav", _good()), ("flac", good.getvalue())):
        for _ in range(60):
            spoiled = bytearray(content)
            for place in rng.integers(0, 120, size=8):
                spoiled[place] = int(rng.integers(0, 256))
            path = tmp_path / f"take.{ending}"
            path.write_bytes(bytes(spoiled))
            try:
                read_recording(path)
            except RecordingError as error:
                words = error.reason.lower()
                for word in ("error", "exception", "none", "index", "buffer", "unpack", "dtype"):
                    assert word not in words, words
