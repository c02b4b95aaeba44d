"""Absorption of sound by the air: ISO 9613-1, its bands and its accuracy class.

Frequencies in Hz, temperatures in C, relative humidity in percent, pressure in
kPa. Everything broadcasts: bands on the last axis against airs of shape
(..., 1), or any other way round. Evaluate bands at their exact frequencies
(`THIRDS_HZ`, `OCTAVES_HZ`): nominal ones are off by up to 1.9 %.
"""

import warnings
from typing import Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import REFERENCE_KPA, ZERO_C_K, FloatArray, Form, RangeWarning, bordered

__all__ = [
    "OCTAVES_HZ",
    "OCTAVES_NOMINAL",
    "THIRDS_HZ",
    "THIRDS_NOMINAL",
    "absorption_db_per_m",
    "accuracy_class_pct",
    "band_edges_hz",
]

REFERENCE_K = 293.15

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


@bordered
def band_edges_hz(
    centre_hz: Annotated[Any, arg.Within("Hz", 0.0, open_low=True)],
    *,
    fraction: Annotated[float, arg.Within("bands to the octave", 1.0)] = 3,
) -> tuple[Any, Any]:
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
    half = 10.0 ** (0.15 / fraction)
    return centre_hz / half, centre_hz * half


def _in_air(t: Any, humidity: Any, p: Any) -> tuple[Any, ...]:
    """Return T0/T, p/p_r, vapour in percent (annex B) and the relaxation frequencies (eqs 3, 4)."""
    kelvin = t + ZERO_C_K
    cold, pressure = REFERENCE_K / kelvin, p / REFERENCE_KPA
    molar = humidity * 10.0 ** (4.6151 - 6.8346 * (273.16 / kelvin) ** 1.261) / pressure
    oxygen = pressure * (24.0 + 4.04e4 * molar * (0.02 + molar) / (0.391 + molar))
    growth = np.exp(-4.170 * (np.cbrt(cold) - 1.0))
    nitrogen = pressure * np.sqrt(cold) * (9.0 + 280.0 * molar * growth)
    return cold, pressure, molar, oxygen, nitrogen


def _stated(f: Any, t: Any, p: Any) -> tuple[Any, Any]:
    """Return where frequency and pressure, and where temperatures are those of all classes."""
    per_pa = f / (1000.0 * p)
    return (p < 200.0) & (per_pa >= 4e-4) & (per_pa <= 10.0), (t >= -20.0) & (t <= 50.0)


@overload
def absorption_db_per_m(
    frequency_hz: Form | float, temperature_c: Form | float, humidity_pct: Form | float = ...,
    pressure_kpa: Form | float = ...
) -> Form: ...
@overload
def absorption_db_per_m(
    frequency_hz: ArrayLike, temperature_c: ArrayLike, humidity_pct: ArrayLike = ...,
    pressure_kpa: ArrayLike = ...
) -> FloatArray: ...
@bordered
def absorption_db_per_m(
    frequency_hz: arg.Frequency,
    temperature_c: arg.Temperature,
    humidity_pct: arg.Humidity = 50.0,
    pressure_kpa: arg.Pressure = REFERENCE_KPA,
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
    f_squared = frequency_hz**2
    cold, pressure, molar, oxygen, nitrogen = _in_air(temperature_c, humidity_pct, pressure_kpa)
    heard, mild = _stated(frequency_hz, temperature_c, pressure_kpa)
    if not (heard.all() and (mild | (molar < 0.005)).all()):
        warnings.warn(_OUTSIDE, RangeWarning, stacklevel=3)
    molecular = 8.686 * cold**2.5
    oxygen_part = molecular * 0.01275 * np.exp(-2239.1 / REFERENCE_K * cold) * oxygen
    nitrogen_part = molecular * 0.1068 * np.exp(-3352.0 / REFERENCE_K * cold) * nitrogen
    classical = 8.686 * 1.84e-11 / (pressure * np.sqrt(cold))
    # So far everything has the air's own shape. Here it has the full one: two arrays and few
    # passes, so that 1/(r + f^2/r) of the standard is r/(r^2 + f^2).
    total, other = np.asarray(oxygen**2 + f_squared), np.asarray(nitrogen**2 + f_squared)
    np.divide(oxygen_part, total, out=total)
    total += np.divide(nitrogen_part, other, out=other)
    total += classical
    total *= f_squared
    return total


@overload
def accuracy_class_pct(
    frequency_hz: Form | float, temperature_c: Form | float, humidity_pct: Form | float = ...,
    pressure_kpa: Form | float = ...
) -> Form: ...
@overload
def accuracy_class_pct(
    frequency_hz: ArrayLike, temperature_c: ArrayLike, humidity_pct: ArrayLike = ...,
    pressure_kpa: ArrayLike = ...
) -> FloatArray: ...
@bordered
def accuracy_class_pct(
    frequency_hz: arg.Frequency,
    temperature_c: arg.Temperature,
    humidity_pct: arg.Humidity = 50.0,
    pressure_kpa: arg.Pressure = REFERENCE_KPA,
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
    molar = _in_air(temperature_c, humidity_pct, pressure_kpa)[2]
    heard, mild = _stated(frequency_hz, temperature_c, pressure_kpa)
    usual = heard & mild
    classes = [usual & (molar >= 0.05) & (molar <= 5.0), usual & (molar >= 0.005),
               heard & (molar < 0.005)]
    return np.select(classes, [10.0, 20.0, 50.0], np.nan)
