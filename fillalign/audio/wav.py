"""WAV files, written whole or not at all and read with one clear error.

Reading goes through scipy; writing through the standard library, which knows
24 bits.
"""

from __future__ import annotations

import io
import os
import warnings
import wave
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._files import SheetError, write_whole
from fillalign._text import plain
from fillalign._validate import SAMPLE_RATES_HZ, FloatArray, as_float, as_path, as_rate

MAX_CHANNELS = 8
MAX_FILE_BYTES = 1_000_000_000
_WAV_SUFFIXES = (".wav", ".wave")


class RecordingError(ValueError):
    """A WAV file that cannot be used or written: names the file and the reason."""

    def __init__(self, path: str | os.PathLike[str], reason: str) -> None:
        self.path = str(path)
        self.reason = reason
        super().__init__(plain(f"{self.path}: {reason}"))


@dataclass(frozen=True)
class Recording:
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


def _pcm(samples: FloatArray, bits: int) -> bytes:
    whole = np.round(samples * (2 ** (bits - 1) - 1)).astype("<i4")
    # The lowest two or three of four bytes, least first.
    return bytes(whole.reshape(-1, 1).view(np.uint8)[:, : bits // 8].tobytes())


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
    target = as_path("path", path)
    samples = as_float("signal", signal, low=-1, high=1)
    rate = int(as_rate(sample_rate_hz))
    if not isinstance(bits, int) or bits not in (16, 24):
        raise ValueError(f"bits must be 16 or 24, got {bits!r}")
    channels = samples.shape[1] if samples.ndim == 2 else 1
    if samples.ndim not in (1, 2) or samples.size == 0 or channels > MAX_CHANNELS:
        raise ValueError(f"signal must be (n,) or (n, 1 to 8), got shape {samples.shape}")
    if target.suffix.lower() not in _WAV_SUFFIXES:
        raise RecordingError(path, "the name must end in .wav")
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setparams((channels, bits // 8, rate, 0, "NONE", ""))
        file.writeframes(_pcm(samples, bits))
    try:
        write_whole({target: buffer.getvalue()}, overwrite=overwrite)
    except SheetError as error:
        raise RecordingError(path, error.problem) from error


def _parse_wav(content: bytes) -> tuple[int, Any]:
    """Return rate and samples as stored, or raise ValueError with the reason."""
    from scipy.io import wavfile

    if len(content) < 12 or content[:4] not in (b"RIFF", b"RIFX", b"RF64"):
        raise ValueError("is not a WAV file (it does not begin with RIFF)")
    with warnings.catch_warnings(record=True) as notes:
        warnings.simplefilter("always")
        try:
            rate, data = wavfile.read(io.BytesIO(content))
        except Exception as error:  # a parser fed with rubbish raises whatever it likes
            raise ValueError(f"is damaged or cut short ({error or type(error).__name__})") from None
    if any("EOF" in str(note.message) for note in notes):
        raise ValueError("is cut short: it holds less sound than its header says")
    return int(rate), data


def _as_samples(data: Any) -> FloatArray:
    """Return stored samples as floats between -1 and 1, shape (n, channels)."""
    kind = data.dtype
    # Some patterns of bits are no numbers; the check that follows finds them.
    with np.errstate(invalid="ignore"):
        samples: FloatArray = np.asarray(data, dtype=np.float64)
        samples = samples[:, np.newaxis] if samples.ndim == 1 else samples
        if kind == np.uint8:
            samples, kind = samples - 128, np.dtype(np.int8)
        scale = 2.0 ** (8 * kind.itemsize - 1) if kind.kind == "i" else 1.0
        return samples / scale


def _wav_fault(rate: int, samples: FloatArray) -> str | None:
    if samples.size == 0:
        return "holds no sound (zero length)"
    if samples.shape[0] == 1:
        return "holds a single sample"
    if samples.shape[1] > MAX_CHANNELS:
        return f"has {samples.shape[1]} channels; 1 to {MAX_CHANNELS} can be read"
    low, high = SAMPLE_RATES_HZ
    if not low <= rate <= high:
        return f"has a sample rate of {rate} Hz; {low:.0f} to {high:.0f} Hz can be read"
    if not np.isfinite(samples).all():
        return "holds samples that are not finite numbers (NaN or infinity)"
    return None


def _content(file: Path) -> bytes:
    """Return the bytes of a file, or raise OSError or ValueError with the reason."""
    if not file.exists():
        raise ValueError("there is no such file")
    if not file.is_file():
        raise ValueError("is a folder, not a file")
    if file.suffix.lower() not in _WAV_SUFFIXES:
        raise ValueError("the name does not end in .wav; only WAV files can be read")
    if file.stat().st_size > MAX_FILE_BYTES:
        raise ValueError("is larger than 1 GB; cut it to the take that matters")
    return file.read_bytes()


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
    try:
        rate, data = _parse_wav(_content(as_path("path", path)))
        samples = _as_samples(data)
        if fault := _wav_fault(rate, samples):
            raise ValueError(fault)
    except OSError as error:
        raise RecordingError(path, f"cannot be read ({error.strerror})") from None
    except ValueError as error:
        raise RecordingError(path, str(error)) from None
    return Recording(samples, rate)
