"""Absorption of sound by the air: ISO 9613-1, its bands and its accuracy class.

Frequencies in Hz, temperatures in C, relative humidity in percent, pressure in
kPa. Everything broadcasts: bands on the last axis against airs of shape
(..., 1), or any other way round. Evaluate bands at their exact frequencies
(`THIRDS_HZ`, `OCTAVES_HZ`): nominal ones are off by up to 1.9 %.
"""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import FloatArray, RangeWarning, as_float, as_float_extent, scalar_out
from fillalign.air import (
    REFERENCE_KPA,
    ZERO_C_K,
    read_humidity_pct,
    read_pressure_kpa,
    read_temperature_c,
)

__all__ = [
    "OCTAVES_HZ",
    "OCTAVES_NOMINAL",
    "THIRDS_HZ",
    "THIRDS_NOMINAL",
    "absorption_db_per_m",
    "accuracy_class_pct",
    "band_edges_hz",
    "relaxation_frequencies_hz",
]

REFERENCE_K = 293.15
# Constants of the standard for powers of e and for T0/T, which needs one division.
_VAPOUR = 10.0**4.6151
_VAPOUR_SLOPE = 6.8346 * math.log(10.0) * (273.16 / REFERENCE_K) ** 1.261
_GROWTH = 280.0 * math.exp(4.170)
_CLASSICAL = 8.686 * 1.84e-11
_OXYGEN, _OXYGEN_LOG = 8.686 * 0.01275, -2239.1 / REFERENCE_K
_NITROGEN, _NITROGEN_LOG = 8.686 * 0.1068, -3352.0 / REFERENCE_K
_BLOCK = 32768

THIRDS_NOMINAL: tuple[int, ...] = (
    50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500,
    3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
)  # fmt: skip
OCTAVES_NOMINAL: tuple[int, ...] = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
THIRDS_HZ: FloatArray = 1000.0 * np.power(10.0, np.arange(-13, 14) / 10.0)
OCTAVES_HZ: FloatArray = 1000.0 * np.power(10.0, 3.0 * np.arange(-4, 5) / 10.0)
THIRDS_HZ.setflags(write=False)
OCTAVES_HZ.setflags(write=False)

_OUTSIDE = (
    "absorption outside every accuracy class of ISO 9613-1 (frequency over pressure 4e-4 to "
    "10 Hz/Pa, below 200 kPa, -20 to 50 C unless the air is very dry): the value is a guess"
)


def band_edges_hz(centre_hz: ArrayLike, *, fraction: int = 3) -> tuple[Any, Any]:
    """Return the lower and upper edge of fractional octave bands.

    Parameters
    ----------
    centre_hz : array_like
        Exact mid-band frequencies in Hz, above 0.
    fraction : int
        Bands to the octave, 1 or more: 3 for third octaves.

    Returns
    -------
    low_hz, high_hz : float or ndarray
        The edges, of the shape of the input.

    Raises
    ------
    TypeError, ValueError
        If an input is not a number or outside its range.

    Notes
    -----
    IEC 61260-1, base ten: an octave is the ratio 10^0.3, and each edge lies
    half a band from the centre.

    Examples
    --------
    >>> low, high = band_edges_hz(1000.0)
    >>> round(low, 1), round(high, 1)
    (891.3, 1122.0)
    """
    centre = as_float("centre_hz", centre_hz, "Hz", low=0.0, open_low=True)
    bands = as_float("fraction", fraction, "bands to the octave", low=1.0)
    half = 10.0 ** (0.15 / bands)
    return scalar_out(centre / half), scalar_out(centre * half)


def _in_air(t: Any, humidity: Any, p: Any, lib: Any = np) -> tuple[Any, ...]:
    """Return T0/T, its root, p/p_r times that, vapour in percent (annex B), eqs 3 and 4.

    `lib` is numpy, or math for plain floats.
    """
    cold = REFERENCE_K / (t + ZERO_C_K)
    pressure = p / REFERENCE_KPA
    root = lib.sqrt(cold)
    scaled = pressure * root
    molar = humidity * lib.exp(-_VAPOUR_SLOPE * cold**1.261) * (_VAPOUR / pressure)
    oxygen = pressure * (24.0 + 4.04e4 * molar * (0.02 + molar) / (0.391 + molar))
    nitrogen = scaled * (9.0 + _GROWTH * molar * lib.exp(-4.170 * lib.cbrt(cold)))
    return cold, root, scaled, molar, oxygen, nitrogen


def relaxation_frequencies_hz(
    temperature_c: ArrayLike,
    humidity_pct: ArrayLike = 50.0,
    pressure_kpa: ArrayLike = REFERENCE_KPA,
) -> tuple[Any, Any]:
    """Return the relaxation frequencies of oxygen and nitrogen.

    Parameters
    ----------
    temperature_c, humidity_pct, pressure_kpa : array_like
        Temperature in C (-50 to 60), relative humidity in percent (0 to 100)
        and static pressure in kPa (20 to 200).

    Returns
    -------
    oxygen_hz, nitrogen_hz : float or ndarray
        In Hz, of the broadcast shape.

    Raises
    ------
    TypeError, ValueError
        If an input is not a number or outside its range.

    Warns
    -----
    RangeWarning
        If a humidity above 0 and below 1 looks like a fraction for percent.

    Notes
    -----
    ISO 9613-1:1993, eqs 3 and 4.

    Examples
    --------
    >>> oxygen, nitrogen = relaxation_frequencies_hz(20.0, 50.0)
    >>> round(oxygen), round(nitrogen)
    (35414, 332)
    """
    t, p = read_temperature_c(temperature_c)[0], read_pressure_kpa(pressure_kpa)[0]
    *_, oxygen, nitrogen = _in_air(t, read_humidity_pct(humidity_pct), p)
    return scalar_out(oxygen), scalar_out(nitrogen)


def absorption_db_per_m(
    frequency_hz: ArrayLike,
    temperature_c: ArrayLike,
    humidity_pct: ArrayLike = 50.0,
    pressure_kpa: ArrayLike = REFERENCE_KPA,
) -> Any:
    """Return the level that air takes from a pure tone, in dB per metre.

    Parameters
    ----------
    frequency_hz : array_like
        Frequency in Hz, 0 or more; at sea level the standard starts at 41 Hz.
    temperature_c, humidity_pct, pressure_kpa : array_like
        Temperature in C (-50 to 60), relative humidity in percent (0 to 100)
        and static pressure in kPa (20 to 200).

    Returns
    -------
    float or ndarray
        Attenuation in dB/m, of the broadcast shape.

    Raises
    ------
    TypeError, ValueError
        If an input is not a number or outside its range.

    Warns
    -----
    RangeWarning
        Where `accuracy_class_pct` is nan, and if a humidity above 0 and below 1
        looks like a fraction for percent.

    Notes
    -----
    ISO 9613-1:1993, eq. 5.

    Examples
    --------
    >>> round(1000 * absorption_db_per_m(4000.0, 20.0, 50.0, 70.0), 2)
    29.08
    >>> absorption_db_per_m(OCTAVES_HZ, [[10.0], [20.0]]).shape
    (2, 9)
    """
    if _is_usual(frequency_hz, temperature_c, humidity_pct, pressure_kpa):
        return _equation_5(frequency_hz, temperature_c, humidity_pct, pressure_kpa, math)
    f, f_low, f_high = as_float_extent("frequency_hz", frequency_hz, "Hz", low=0.0)
    t, coldest, hottest = read_temperature_c(temperature_c)
    p, p_low, p_high = read_pressure_kpa(pressure_kpa)
    humidity = read_humidity_pct(humidity_pct)
    sure = f_low >= 0.4 * p_high and f_high <= 1e4 * p_low and p_high < 200.0
    if not (sure and coldest >= -20.0 and hottest <= 50.0):
        if np.isnan(_accuracy(f, t, humidity, p)).any():
            warnings.warn(_OUTSIDE, RangeWarning, stacklevel=2)
    if f.size <= _BLOCK and not (t.ndim or humidity.ndim or p.ndim):
        return _equation_5(f if f.ndim else f_low, coldest, humidity.item(), p_low, math)
    if f.shape == t.shape == humidity.shape == p.shape and 1 < f.size <= _BLOCK:
        return _equation_5(f, t, humidity, p)
    return _in_blocks(f, t, humidity, p)


def _is_usual(f: ArrayLike, t: ArrayLike, humidity: ArrayLike, p: ArrayLike) -> bool:
    """Whether all are plain numbers that no check refuses and no warning is about."""
    return (
        type(f) is type(t) is type(humidity) is type(p) is float
        and 0.4 * p <= f <= 1e4 * p and 20.0 <= p < 200.0
        and -20.0 <= t <= 50.0 and 1.0 <= humidity <= 100.0
    )


def _in_blocks(*inputs: FloatArray) -> Any:
    """Evaluate eq. 5 along the longest axis in blocks whose temporaries stay in the cache."""
    whole = np.broadcast(*inputs)
    if whole.size == 1:
        f, t, humidity, p = (array.item() for array in inputs)
        return np.full(whole.shape, _equation_5(f, t, humidity, p, math))
    if whole.size <= _BLOCK:
        return _equation_5(*[array if array.ndim else array.item() for array in inputs])
    axis = int(np.argmax(whole.shape)) - whole.ndim
    step = max(1, _BLOCK * whole.shape[axis] // whole.size)
    result = np.empty(whole.shape)
    for start in range(0, whole.shape[axis], step):
        block: tuple[Any, ...] = (..., slice(start, start + step), *[slice(None)] * (-axis - 1))
        parts = (a[block] if a.ndim >= -axis and a.shape[axis] > 1 else a for a in inputs)
        np.multiply(*_factors(*parts), out=result[block])
    return result


def _equation_5(f: Any, t: Any, humidity: Any, p: Any, lib: Any = np) -> Any:
    total, f_squared = _factors(f, t, humidity, p, lib)
    total *= f_squared
    return total


def _factors(f: Any, t: Any, humidity: Any, p: Any, lib: Any = np) -> tuple[Any, Any]:
    """Return the bracket of eq. 5 and the squared frequency before it."""
    cold, root, scaled, _, oxygen, nitrogen = _in_air(t, humidity, p, lib)
    molecular = cold * cold * root
    oxygen_weight = _OXYGEN * molecular * lib.exp(_OXYGEN_LOG * cold) * oxygen
    nitrogen_weight = _NITROGEN * molecular * lib.exp(_NITROGEN_LOG * cold) * nitrogen
    # So far everything has the air's own shape. The bracket has the full one, and 1/(r + f^2/r)
    # is written r/(r^2 + f^2) to keep its passes few.
    f_squared = f * f
    total = oxygen_weight / (oxygen * oxygen + f_squared)
    total += nitrogen_weight / (nitrogen * nitrogen + f_squared)
    total += _CLASSICAL / scaled
    return total, f_squared


def _accuracy(f: FloatArray, t: FloatArray, humidity: FloatArray, p: FloatArray) -> FloatArray:
    molar = _in_air(t, humidity, p)[3]
    per_pa = f / (1000.0 * p)
    common = (p < 200.0) & (per_pa >= 4e-4) & (per_pa <= 10.0)
    usual = common & (t >= -20.0) & (t <= 50.0)
    best = usual & (molar >= 0.05) & (molar <= 5.0)
    classes = [best, usual & (molar >= 0.005), common & (molar < 0.005)]
    return np.select(classes, [10.0, 20.0, 50.0], np.nan)


def accuracy_class_pct(
    frequency_hz: ArrayLike,
    temperature_c: ArrayLike,
    humidity_pct: ArrayLike = 50.0,
    pressure_kpa: ArrayLike = REFERENCE_KPA,
) -> Any:
    """Return how far the standard trusts its own absorption, in percent.

    Parameters
    ----------
    frequency_hz, temperature_c, humidity_pct, pressure_kpa : array_like
        As for `absorption_db_per_m`.

    Returns
    -------
    float or ndarray
        10, 20 or 50 (plus or minus percent of the attenuation), nan outside
        every class; of the broadcast shape.

    Raises
    ------
    TypeError, ValueError
        If an input is not a number or outside its range.

    Warns
    -----
    RangeWarning
        If a humidity above 0 and below 1 looks like a fraction for percent.

    Notes
    -----
    ISO 9613-1:1993, clause 7 (from memory). All classes: below 200 kPa, 4e-4 to
    10 Hz/Pa. 10 %: molar concentration of vapour 0.05 to 5 %, -20 to 50 C. 20 %:
    0.005 to 0.05 % or above 5 %, same temperatures. 50 %: below 0.005 %, above
    -73 C (all that this package takes).

    Examples
    --------
    >>> accuracy_class_pct([20.0, 1000.0], 20.0)
    array([nan, 10.])
    """
    f = as_float("frequency_hz", frequency_hz, "Hz", low=0.0)
    t, p = read_temperature_c(temperature_c)[0], read_pressure_kpa(pressure_kpa)[0]
    return scalar_out(_accuracy(f, t, read_humidity_pct(humidity_pct), p))
