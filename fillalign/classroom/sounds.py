"""Sounds that several lessons make."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from fillalign.levels import db_to_amplitude
from fillalign.units import ms_to_samples

FloatArray: TypeAlias = NDArray[np.float64]


def with_second(
    samples: FloatArray, delay_ms: float, level_db: float, sample_rate_hz: float
) -> FloatArray:
    """Return a sound followed by itself, later and at another level.

    Examples
    --------
    >>> with_second(np.array([1.0, 0.0]), 0.125, -6.0206, 8000).round(3).tolist()
    [1.0, 0.5, 0.0]
    """
    late = round(float(ms_to_samples(delay_ms, sample_rate_hz)))
    both = np.pad(np.asarray(samples, dtype=np.float64), (0, late))
    both[late:] += float(db_to_amplitude(level_db)) * samples
    return both
