"""Sound players at honest levels: what is softer plays softer.

Browsers are given samples as they are, never made equally loud. Sounds to be
compared share one gain.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillalign.levels import amplitude_to_db
from fillalign.units import samples_to_ms

FloatArray: TypeAlias = NDArray[np.float64]
PEAK_DBFS = -1.0
MARGIN_DB = 6.0
_LONGEST_S = 12.0
_SILENT_DB = -200.0


def _heard(label: str, clip: ArrayLike) -> FloatArray:
    """Return one channel (n,), or those of two ears (n, 2)."""
    samples = np.asarray(clip, dtype=np.float64)
    shaped = samples.ndim == 1 or samples.shape[1:] == (2,)
    if not shaped or not samples.size or not np.isfinite(samples).all():
        raise ValueError(f"the sound {label!r} must be one channel of finite numbers, or two, got "
                         f"shape {samples.shape}")
    return samples


def gain_for(clips: Iterable[ArrayLike]) -> float:
    """Return the gain that brings the highest peak of some sounds to 1 dB below full scale."""
    peak = max((float(np.abs(np.asarray(clip)).max()) for clip in clips), default=0.0)
    return float(10 ** (PEAK_DBFS / 20) / peak) if peak > 0 else 1.0


def level_dbfs(clip: ArrayLike) -> float:
    """Return the rms level of a sound in dB re an rms of 1.

    Examples
    --------
    >>> level_dbfs([0.1, -0.1])
    -20.0
    """
    rms = float(np.sqrt(np.mean(np.square(np.asarray(clip, dtype=np.float64)))))
    return round(float(amplitude_to_db(rms)), 9) if rms > 0 else _SILENT_DB


def _relative(level_db: float, first: str) -> str:
    if level_db <= _SILENT_DB / 2:
        return "silence"
    if abs(level_db) < 0.05:
        return f"as loud as {first}"
    return f"{abs(level_db):.1f} dB {'louder' if level_db > 0 else 'softer'} than {first}"


def players_text(clips: Mapping[str, ArrayLike]) -> str:
    """Return in words how loud each of some sounds is against the first."""
    names = list(clips)
    base = level_dbfs(clips[names[0]])
    lines = [f"{names[0]}: the reference" if len(names) > 1 else names[0]]
    lines += [f"{name}: {_relative(level_dbfs(clips[name]) - base, names[0])}"
              for name in names[1:]]
    return "\n".join(lines)


def players_html(clips: Mapping[str, ArrayLike], sample_rate_hz: float) -> str:
    """Return players for some sounds, each below its label; with two channels, left and right."""
    from IPython import display

    parts = []
    for label, clip in clips.items():
        samples = _heard(label, clip)
        seconds = samples_to_ms(len(samples), sample_rate_hz) / 1000
        if seconds > _LONGEST_S:
            raise ValueError(f"the sound {label!r} must be {_LONGEST_S:g} s at most, got "
                             f"{seconds:.1f} s")
        if np.abs(samples).max() > 1.0:
            raise ValueError(f"the sound {label!r} peaks above full scale: "
                             "bring it down, together with what it is compared with")
        audio: Any = display.Audio
        sound = audio(samples.T, rate=int(sample_rate_hz), normalize=False)._repr_html_()
        parts.append(f'<figure style="margin: 6px 0"><figcaption>{html.escape(label)}'
                     f"</figcaption>{sound}</figure>")
    return "".join(parts)
