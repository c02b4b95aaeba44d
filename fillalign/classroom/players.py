"""Sound players at honest levels: what is softer plays softer.

Browsers are given samples as they are, never made equally loud. Sounds to be
compared share one gain.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign.classroom.sounds import FloatArray
from fillalign.levels import amplitude_to_db
from fillalign.units import samples_to_ms

PEAK_DBFS = -1.0
MARGIN_DB = 6.0
CAUTION = "Start with your volume low, set it by the loudest sound, then leave it."
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
            raise ValueError(f"the sound {label!r} peaks above full scale: compare sounds "
                             "with ab_pair or compare, or bring it down by common_scale")
        audio: Any = display.Audio
        sound = audio(samples.T, rate=int(sample_rate_hz), normalize=False)._repr_html_()
        parts.append(f'<figure style="margin: 6px 0"><figcaption>{html.escape(label)}'
                     f"</figcaption>{sound}</figure>")
    return "".join(parts)


class Players:
    """Players as a notebook shows them, with their levels in words.

    Attributes
    ----------
    clips : dict of str to ndarray
        What plays, by label.
    text : str
        How loud each is against the first.
    """

    def __init__(self, clips: Mapping[str, ArrayLike], sample_rate_hz: float) -> None:
        self.clips = {label: _heard(label, clip) for label, clip in clips.items()}
        self.text = f"Listen. {CAUTION}\n{players_text(self.clips)}"
        self._html = players_html(self.clips, sample_rate_hz)

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        from fillalign.classroom.widgets import bundle, markup, stack, words

        return bundle(stack(words(self.text), markup(self._html)), self.text, **kwargs)


def player(signal: ArrayLike, sample_rate_hz: float, label: str) -> Players:
    """Return a player for one sound, at its own level.

    Parameters
    ----------
    signal : array_like, shape (n,) or (n, 2)
        One channel or two ears, within +-1, 12 s at most.
    sample_rate_hz : float
        Of the sound.
    label : str
        What is heard, in words.

    Raises
    ------
    ValueError
        If the sound is too long, not one channel or two, or beyond full scale.

    Examples
    --------
    >>> print(player([0.1, -0.1], 48000, "a click").text.splitlines()[1])
    a click
    """
    return Players({label: signal}, sample_rate_hz)


def compare(clips: Mapping[str, ArrayLike], sample_rate_hz: float) -> Players:
    """Return players for some sounds, all with one gain: the loudest just fits.

    Parameters
    ----------
    clips : mapping of str to array_like
        Sounds by label, one channel each or two ears; the first is the reference in the text.
    sample_rate_hz : float
        Of all of them.

    Raises
    ------
    ValueError
        If a sound is too long or not one channel or two, or there is none.

    Examples
    --------
    >>> print(compare({"A": [2.0, -2.0], "B": [1.0, -1.0]}, 48000).text.splitlines()[-1])
    B: 6.0 dB softer than A
    """
    if not clips:
        raise ValueError("there must be a sound to compare")
    sounds = {label: _heard(label, clip) for label, clip in clips.items()}
    gain = gain_for(sounds.values())
    return Players({label: clip * gain for label, clip in sounds.items()}, sample_rate_hz)


def ab_pair(
    first: ArrayLike, second: ArrayLike, sample_rate_hz: float, *,
    labels: tuple[str, str] = ("A", "B"),
) -> Players:
    """Return players for two sounds with one gain.

    Parameters
    ----------
    first, second : array_like, shape (n,) or (n, 2)
        One channel each, or two ears.
    sample_rate_hz : float
        Of both.
    labels : (str, str)
        What is heard in each.

    Examples
    --------
    >>> print(ab_pair([1.0, -1.0], [2.0, -2.0], 48000).text.splitlines()[-1])
    B: 6.0 dB louder than A
    """
    return compare({labels[0]: first, labels[1]: second}, sample_rate_hz)
