"""Recordings on disk: WAV written whole or not at all, and what recorders make, read.

WAV is read through scipy and written through the standard library, which knows
24 bits; FLAC, OGG and MP3 need the package soundfile (`pip install
"fillalign[audio]"`). Whatever cannot be read gives one clear error.
"""

from __future__ import annotations

import io
import os
import warnings
import wave
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._files import SheetError, write_whole
from fillalign._text import plain
from fillalign._validate import ByValue, FloatArray

MAX_CHANNELS = 8
MAX_FILE_BYTES = 1_000_000_000
_WAV_SUFFIXES = (".wav", ".wave")
_DECODED_SUFFIXES = (".flac", ".ogg", ".oga", ".mp3")
_PHONE_SUFFIXES = (".m4a", ".mp4", ".aac", ".3gp")
_PLAIN_FORMATS = (1, 3, 0xFFFE)  # PCM, float, extensible: tags of the RIFF registry
_HOW_TO_CONVERT = (
    "holds compressed sound of a phone (AAC), which cannot be read here. Convert it to WAV: on "
    "macOS in a terminal 'afconvert -f WAVE -d LEI16 take.m4a take.wav'; on Windows "
    "'winget install ffmpeg', then 'ffmpeg -i take.m4a take.wav'; on Linux 'ffmpeg -i take.m4a "
    "take.wav' from the package ffmpeg. Next time set the phone's recorder to lossless, FLAC or WAV"
)


class RecordingError(ValueError):
    """A recording that cannot be used or written: names the file and the reason."""

    def __init__(self, path: str | os.PathLike[str], reason: str) -> None:
        self.path = str(path)
        self.reason = reason
        super().__init__(plain(f"{self.path}: {reason}"))


@dataclass(frozen=True, eq=False)
class Recording(ByValue):
    """Samples (n, channels) between -1 and 1, and their rate in Hz.

    Examples
    --------
    >>> take = Recording(np.zeros((48000, 2)), 48000)
    >>> take, take.seconds
    (Recording(samples of shape (48000, 2) at 48000 Hz), 1.0)
    """

    samples: FloatArray
    sample_rate_hz: int

    def __repr__(self) -> str:
        """Give the shape, since nobody reads samples."""
        return f"Recording(samples of shape {self.samples.shape} at {self.sample_rate_hz} Hz)"

    @property
    def seconds(self) -> float:
        """Length in s."""
        return len(self.samples) / self.sample_rate_hz

    def channel(self, number: int | None, name: str = "channel", *, but: int | None = None) -> int:
        """Return the channel asked for, from 1, or by default the one with most of the highs."""
        count = self.samples.shape[1]
        if number is not None:
            if not 1 <= arg.as_whole(name, number) <= count:
                raise ValueError(f"{name} must be between 1 and {count}, got {number}")
            return int(number)
        levels = np.std(np.diff(self.samples, axis=0), axis=0)
        if but is not None and count > 1:
            levels[np.arange(count) == but - 1] = -1.0
        return int(np.argmax(levels)) + 1


def write_wav(
    path: str | os.PathLike[str],
    signal: ArrayLike,
    sample_rate_hz: int,
    *,
    bits: int = 16,
    overwrite: bool = False,
) -> None:
    """Write a WAV file, whole or not at all.

    Parameters
    ----------
    path : path
        Ends in .wav.
    signal : array_like, shape (n,) or (n, channels)
        Samples between -1 and 1, 1 to 8 channels.
    sample_rate_hz : int
        8000 to 192000 Hz.
    bits : int
        16 or 24.
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    RecordingError
        If the file exists and may not be replaced, or cannot be written.
    TypeError, ValueError
        If the samples, rate or bits are out of range.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "sweep.wav"
    >>> write_wav(path, np.zeros(48000), 48000)
    >>> read_wav(path).samples.shape
    (48000, 1)
    """
    target = arg.as_path("path", path)
    samples = arg.as_float("signal", signal, low=-1, high=1)
    rate = int(arg.as_rate(sample_rate_hz))
    if not isinstance(bits, int) or bits not in (16, 24):
        raise ValueError(f"bits must be 16 or 24, got {bits!r}")
    channels = samples.shape[1] if samples.ndim == 2 else 1
    if samples.ndim not in (1, 2) or samples.size == 0 or channels > MAX_CHANNELS:
        raise ValueError(f"signal must be (n,) or (n, 1 to 8), got shape {samples.shape}")
    if target.suffix.lower() not in _WAV_SUFFIXES:
        raise RecordingError(path, "the name must end in .wav")
    whole = np.round(samples * (2 ** (bits - 1) - 1)).astype("<i4")
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setparams((channels, bits // 8, rate, 0, "NONE", ""))
        # The lowest two or three of four bytes, least first.
        file.writeframes(whole.reshape(-1, 1).view(np.uint8)[:, : bits // 8].tobytes())
    try:
        write_whole({target: buffer.getvalue()}, overwrite=overwrite)
    except SheetError as error:
        raise RecordingError(path, error.problem) from error


def _check_wav(content: bytes) -> None:
    """Raise ValueError where the parts that a WAV file is made of do not fit the file."""
    if len(content) < 12 or content[:4] not in (b"RIFF", b"RIFX", b"RF64"):
        raise ValueError("is not a WAV file (it does not begin with RIFF)")
    order: Literal["big", "little"] = "big" if content[:4] == b"RIFX" else "little"
    place = 12
    while place + 8 <= len(content):
        name = content[place : place + 4]
        size = int.from_bytes(content[place + 4 : place + 8], order)
        if name == b"data" and content[:4] != b"RF64" and place + 8 + size > len(content):
            raise ValueError("is cut short: it holds less sound than its header says")
        tag = int.from_bytes(content[place + 8 : place + 10], order)
        if name == b"fmt " and tag not in _PLAIN_FORMATS:
            raise ValueError(f"holds sound compressed in a way that cannot be read (format {tag}); "
                             "save it as WAV with 16 or 24 bits")
        place += 8 + size + size % 2


def _parse_wav(content: bytes) -> tuple[int, Any]:
    """Return rate and samples as stored, or raise ValueError with the reason."""
    from scipy.io import wavfile

    _check_wav(content)
    with warnings.catch_warnings(record=True) as notes:
        warnings.simplefilter("always")
        try:
            rate, data = wavfile.read(io.BytesIO(content))
        except Exception:  # a parser fed with rubbish raises whatever it likes
            raise ValueError("is damaged or cut short: its header makes no sense") from None
    if any("EOF" in str(note.message) for note in notes):
        raise ValueError("is cut short: it holds less sound than its header says")
    return int(rate), data


def _decode(content: bytes) -> tuple[int, Any]:
    """Return rate and samples of FLAC, OGG or MP3, or raise ValueError with the reason."""
    try:
        import soundfile
    except ImportError:
        raise ValueError('needs the package soundfile to be read: pip install "fillalign[audio]"; '
                         "or convert it to WAV") from None
    try:
        with soundfile.SoundFile(io.BytesIO(content)) as file:
            data, expected = file.read(always_2d=True), file.frames
            rate = file.samplerate
    except Exception:  # whatever a decoder fed with rubbish raises
        raise ValueError("is damaged, cut short or no sound") from None
    if len(data) < expected:
        raise ValueError("is cut short: it holds less sound than its header says")
    return int(rate), data


def _as_samples(data: Any) -> FloatArray:
    """Return stored samples as floats between -1 and 1, shape (n, channels)."""
    # Some patterns of bits are no numbers; the check that follows finds them.
    with np.errstate(invalid="ignore"):
        samples = np.asarray(data, dtype=np.float64)
        samples = samples[:, np.newaxis] if samples.ndim == 1 else samples
        if data.dtype == np.uint8:
            return (samples - 128) / 128
        return samples / (2.0 ** (8 * data.dtype.itemsize - 1) if data.dtype.kind == "i" else 1.0)


def _fault(rate: int, samples: FloatArray) -> str | None:
    (length, channels), (low, high) = samples.shape, arg.SAMPLE_RATES_HZ
    faults = {
        "holds no sound (zero length)": samples.size == 0,
        "holds a single sample": length == 1,
        f"has {channels} channels; 1 to {MAX_CHANNELS} can be read": channels > MAX_CHANNELS,
        f"has a sample rate of {rate} Hz; {low:.0f} to {high:.0f} Hz can be read":
            not low <= rate <= high,
        "holds samples that are not finite numbers (NaN or infinity)":
            not np.isfinite(samples).all(),
    }
    return next((fault for fault, found in faults.items() if found), None)


def _why_not(file: Path, suffixes: tuple[str, ...]) -> str | None:
    """Return why a file cannot be one of these recordings, by its name and size."""
    ending = file.suffix.lower()
    if not file.exists():
        return "there is no such file"
    if not file.is_file():
        return "is a folder, not a file"
    if ending in _PHONE_SUFFIXES:
        return _HOW_TO_CONVERT
    if ending not in suffixes:
        wanted = " or ".join([", ".join(suffixes[:-1]), suffixes[-1]])
        return f"the name does not end in {wanted}; only these can be read"
    if file.stat().st_size > MAX_FILE_BYTES:
        return "is larger than 1 GB; cut it to the take that matters"
    return None


def _read(path: str | os.PathLike[str], suffixes: tuple[str, ...]) -> Recording:
    file = arg.as_path("path", path)
    try:
        if reason := _why_not(file, suffixes):
            raise ValueError(reason)
        content = file.read_bytes()
        if content[4:8] == b"ftyp":
            raise ValueError(_HOW_TO_CONVERT)
        rate, data = (_parse_wav if file.suffix.lower() in _WAV_SUFFIXES else _decode)(content)
        samples = _as_samples(data)
        if reason := _fault(rate, samples):
            raise ValueError(reason)
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror})") from None
    except ValueError as error:
        raise RecordingError(path, str(error)) from None
    return Recording(samples, rate)


def read_wav(path: str | os.PathLike[str]) -> Recording:
    """Read a WAV file: 8 to 32 bit integer or float, 1 to 8 channels.

    Parameters
    ----------
    path : path
        Ends in .wav; at most 1 GB.

    Returns
    -------
    Recording
        Samples (n, channels), full scale at 1, and the sample rate in Hz.

    Raises
    ------
    RecordingError
        If the file is missing, no WAV, cut short, empty, of a single sample,
        of more than 8 channels, at an unusable rate or holds NaN.

    Examples
    --------
    >>> read_wav("missing.wav")
    Traceback (most recent call last):
    fillalign.audio.wav.RecordingError: missing.wav: there is no such file
    """
    return _read(path, _WAV_SUFFIXES)


def read_recording(path: str | os.PathLike[str]) -> Recording:
    """Read what a recorder or a phone made: WAV, FLAC, OGG or MP3, at its own rate.

    Parameters
    ----------
    path : path
        Ends in .wav, .flac, .ogg or .mp3; at most 1 GB. All but WAV need the
        package soundfile (extra `audio`).

    Returns
    -------
    Recording
        Samples (n, channels), full scale at 1, and the sample rate in Hz.

    Raises
    ------
    RecordingError
        As in `read_wav`; for the AAC of many phones (.m4a) with the steps that
        make a WAV file of it on each system.

    Examples
    --------
    >>> read_recording("missing.flac")
    Traceback (most recent call last):
    fillalign.audio.wav.RecordingError: missing.flac: there is no such file
    """
    return _read(path, _WAV_SUFFIXES + _DECODED_SUFFIXES)
