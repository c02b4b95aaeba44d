"""Frequency weightings, and noise and speech of a given weighted level."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._check import FloatArray, check_choice, scalar_out
from fillalign.levels import as_frequency, as_level, power_sum_db

WEIGHTINGS = ("A", "C", "Z")
SPEECH_OCTAVES_DB = (2.9, 2.9, -0.8, -6.8, -12.8, -18.8, -24.8)
"""Speech by octave, 125 Hz to 8 kHz, relative to its A-weighted total, in dB.

IEC 60268-16:2011, male speech (from memory).
"""


def _pole_frequencies_hz() -> tuple[float, float, float, float]:
    # IEC 61672-1 defines the poles by the -3 dB points of C (10^1.5 and
    # 10^3.9 Hz) and the corner of A (10^2.45 Hz), not by the rounded figures.
    low, high, corner, reference = 10.0**3.0, 10.0**7.8, 10.0**2.45, 10.0**6.0
    drop = np.sqrt(0.5)
    c = low * high
    b = (reference + c / reference - drop * (low + high)) / (1.0 - drop)
    root = np.sqrt(b * b - 4.0 * c)
    return (
        float(np.sqrt((-b - root) / 2.0)),
        float(corner * (3.0 - np.sqrt(5.0)) / 2.0),
        float(corner * (3.0 + np.sqrt(5.0)) / 2.0),
        float(np.sqrt((-b + root) / 2.0)),
    )


_F1, _F2, _F3, _F4 = _pole_frequencies_hz()


def _c_gain(square: Any) -> Any:
    return _F4**2 * square / ((square + _F1**2) * (square + _F4**2))


def _a_gain(square: Any) -> Any:
    return _c_gain(square) * square / np.sqrt((square + _F2**2) * (square + _F3**2))


def c_weighting_db(frequency_hz: ArrayLike) -> Any:
    """Return the C weighting in dB, 0 at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency, 0.001 Hz to 1 MHz; exact mid-band frequencies for bands.

    Raises
    ------
    TypeError, ValueError
        If a frequency is out of range.

    Notes
    -----
    IEC 61672-1:2013, analytic form (annex E).

    Examples
    --------
    >>> round(c_weighting_db(1000 * 10 ** -1.2), 1)
    -0.8
    """
    square = as_frequency("frequency_hz", frequency_hz) ** 2
    return scalar_out(20.0 * np.log10(_c_gain(square) / _c_gain(1e6)))


def a_weighting_db(frequency_hz: ArrayLike) -> Any:
    """Return the A weighting in dB, 0 at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency, 0.001 Hz to 1 MHz; exact mid-band frequencies for bands.

    Raises
    ------
    TypeError, ValueError
        If a frequency is out of range.

    Notes
    -----
    IEC 61672-1:2013, analytic form (annex E).

    Examples
    --------
    >>> round(a_weighting_db(1000 * 10 ** -0.9), 1)
    -16.1
    """
    square = as_frequency("frequency_hz", frequency_hz) ** 2
    return scalar_out(20.0 * np.log10(_a_gain(square) / _a_gain(1e6)))


def _weighting_db(frequency_hz: ArrayLike, weighting: str) -> Any:
    if check_choice("weighting", weighting, WEIGHTINGS) == "Z":
        return np.zeros(np.shape(frequency_hz))
    return (a_weighting_db if weighting == "A" else c_weighting_db)(frequency_hz)


def weighted_total_db(
    level_db: ArrayLike, frequency_hz: ArrayLike, *, weighting: str = "A", axis: int = -1
) -> Any:
    """Return the weighted total of band levels, in dB (dBA, dBC or plain).

    Parameters
    ----------
    level_db : array_like
        Unweighted band levels with the bands on `axis`.
    frequency_hz : array_like, shape (bands,)
        Exact mid-band frequencies.
    weighting : {'A', 'C', 'Z'}
        Z weighs nothing.
    axis : int
        Axis of the bands.

    Raises
    ------
    TypeError, ValueError
        If levels or frequencies are out of range, their counts differ, or
        `weighting` is not one of the three.

    Examples
    --------
    >>> round(weighted_total_db([90.0, 90.0], [125.89, 1000.0]), 2)
    90.11
    """
    level = np.moveaxis(np.atleast_1d(as_level("level_db", level_db)), axis, -1)
    weight = np.atleast_1d(_weighting_db(as_frequency("frequency_hz", frequency_hz), weighting))
    if weight.shape != level.shape[-1:]:
        raise ValueError(f"level_db must hold {weight.size} bands on axis {axis}, one for each "
                         f"frequency_hz, got {level.shape[-1]}")
    return power_sum_db(level + weight)


def _scaled_to_dba(shape_db: Any, total_dba: ArrayLike, frequency: FloatArray) -> Any:
    total = as_level("total_dba", total_dba)[..., np.newaxis]
    return total + (shape_db - weighted_total_db(shape_db, frequency))


def pink_band_levels_db(total_dba: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Return band levels of pink noise with a given A-weighted total.

    Pink noise has the same level in every band of equal relative width.

    Parameters
    ----------
    total_dba : array_like, shape (...)
        A-weighted total over the bands given, dB.
    frequency_hz : array_like, shape (bands,)
        Exact mid-band frequencies (all thirds, or all octaves).

    Returns
    -------
    ndarray, shape (..., bands)
        Unweighted band levels in dB.

    Raises
    ------
    TypeError, ValueError
        If a level or a frequency is out of range.

    Examples
    --------
    >>> pink_band_levels_db(90.0, [500.0, 1000.0]).round(1)
    array([88.3, 88.3])
    """
    frequency = np.atleast_1d(as_frequency("frequency_hz", frequency_hz))
    return _scaled_to_dba(np.zeros(frequency.shape), total_dba, frequency)


def speech_band_levels_db(total_dba: ArrayLike, frequency_hz: ArrayLike) -> Any:
    """Return band levels of speech with a given A-weighted total.

    The spectrum is that of IEC 60268-16:2011 (male speech, from memory), known
    by octave from 125 Hz to 8 kHz; thirds share their octave's power equally
    and bands outside are silent (minus infinity).

    Parameters
    ----------
    total_dba : array_like, shape (...)
        A-weighted total over the bands given, dB.
    frequency_hz : array_like, shape (bands,)
        Mid-band frequencies (all thirds, or all octaves).

    Returns
    -------
    ndarray, shape (..., bands)
        Unweighted band levels in dB.

    Raises
    ------
    TypeError, ValueError
        If a level or a frequency is out of range, or no band holds speech.

    Examples
    --------
    >>> octaves = 1000 * 10 ** (0.3 * np.arange(-3, 4))
    >>> speech_band_levels_db(65.0, octaves).round(1)
    array([67.9, 67.9, 64.2, 58.2, 52.2, 46.2, 40.2])
    """
    frequency = np.atleast_1d(as_frequency("frequency_hz", frequency_hz))
    octave = np.rint(np.log10(frequency / 1000.0) * 10.0 / 3.0).astype(int) + 3
    spoken = (octave >= 0) & (octave < len(SPEECH_OCTAVES_DB))
    if not spoken.any():
        raise ValueError("frequency_hz must hold a band between 125 Hz and 8 kHz, got none")
    level = np.array(SPEECH_OCTAVES_DB)[np.where(spoken, octave, 0)]
    return _scaled_to_dba(np.where(spoken, level, -np.inf), total_dba, frequency)
