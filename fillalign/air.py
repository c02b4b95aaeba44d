"""Air: water vapour, static pressure at altitude and the speed of sound.

Temperatures are in degrees C, relative humidity in percent (0 to 100) and
static pressure in kPa. The functions broadcast over arrays; `Air` is one air.
"""

import warnings
from dataclasses import dataclass
from typing import Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import REFERENCE_KPA, ZERO_C_K, FloatArray, Form, RangeWarning, bordered
from fillalign.absorption import absorption_db_per_m

__all__ = [
    "Air",
    "humidity_at_constant_vapour",
    "pressure_kpa_at_altitude",
    "saturation_vapour_pressure_pa",
    "speed_of_sound",
    "speed_of_sound_ideal",
    "speed_of_sound_linear",
    "vapour_mole_fraction",
]

TODAYS_CO2 = 0.0004

_CRAMER_HINT = (
    "speed of sound outside 0 to 30 C or 75 to 102 kPa, the range its equation is stated for: "
    "within 0.05 m/s from -20 to 46 C at sea level, up to 0.6 m/s off in hot, wet air high up"
)
# Cramer 1993, table III: rows times 1, t, t^2 for the bare, vapour, pressure and CO2 terms.
_BARE = (331.5024, 0.603055, -0.000528)
_VAPOUR = (51.471935, 0.1495874, -0.000782)
_PRESSURE = (-1.82e-7, 3.73e-8, -2.93e-10)
_CO2 = (-85.20931, -0.228525, 5.91e-5)
_SQUARES = (-2.835149, -2.15e-13, 29.179762, 0.000486)


def _vapour_fraction(t: Any, humidity: Any, p_pa: Any) -> Any:
    enhancement = 1.00062 + 3.14e-8 * p_pa + 5.6e-7 * t**2
    return humidity / 100.0 * enhancement * saturation_vapour_pressure_pa(t) / p_pa


def _quadratic(row: tuple[float, float, float], t: Any) -> Any:
    return row[0] + (row[1] + row[2] * t) * t


def _speed(t: Any, humidity: Any, p_kpa: Any, x_c: Any, *, stacklevel: int) -> Any:
    """Return Cramer's equation 15, with a warning outside the range that it is stated for."""
    if np.any((t < 0.0) | (t > 30.0)) or np.any((p_kpa < 75.0) | (p_kpa > 102.0)):
        warnings.warn(_CRAMER_HINT, RangeWarning, stacklevel=stacklevel)
    p = 1000.0 * p_kpa
    x_w = _vapour_fraction(t, humidity, p)
    a12, a13, a14, a15 = _SQUARES
    return (
        _quadratic(_BARE, t)
        + (_quadratic(_VAPOUR, t) + a12 * x_w) * x_w
        + (_quadratic(_PRESSURE, t) + a13 * p) * p
        + (_quadratic(_CO2, t) + a14 * x_c) * x_c
        + a15 * x_w * p * x_c
    )


@overload
def saturation_vapour_pressure_pa(temperature_c: Form) -> Form: ...
@overload
def saturation_vapour_pressure_pa(temperature_c: ArrayLike) -> FloatArray: ...
@bordered
def saturation_vapour_pressure_pa(temperature_c: arg.Temperature) -> Any:
    """Return the saturation pressure of water vapour over liquid water in Pa.

    Parameters
    ----------
    temperature_c : array_like
        Temperature in C, -50 to 60; the result has its shape.

    Raises
    ------
    TypeError, ValueError
        If the temperature is not a number or outside the range.

    Notes
    -----
    The CIPM-81/91 formula: Davis 1992, 'Equation for the determination of the
    density of moist air (1981/91)', Metrologia 29, appendix, A1.1.

    Examples
    --------
    >>> round(saturation_vapour_pressure_pa(20.0))
    2339
    """
    kelvin = temperature_c + ZERO_C_K
    return np.exp(
        (1.2378847e-5 * kelvin - 1.9121316e-2) * kelvin + 33.93711047 - 6343.1645 / kelvin
    )


@overload
def vapour_mole_fraction(
    temperature_c: Form | float, humidity_pct: Form | float = ..., pressure_kpa: Form | float = ...
) -> Form: ...
@overload
def vapour_mole_fraction(
    temperature_c: ArrayLike, humidity_pct: ArrayLike = ..., pressure_kpa: ArrayLike = ...
) -> FloatArray: ...
@bordered
def vapour_mole_fraction(
    temperature_c: arg.Temperature,
    humidity_pct: arg.Humidity = 50.0,
    pressure_kpa: arg.Pressure = REFERENCE_KPA,
) -> Any:
    """Return the share of the air's molecules that are water, 0 to 1.

    Parameters
    ----------
    temperature_c, humidity_pct, pressure_kpa : array_like
        Temperature in C (-50 to 60), relative humidity in percent (0 to 100)
        and static pressure in kPa (20 to 200); they broadcast.

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
    Davis 1992, Metrologia 29, appendix: humidity times enhancement factor times
    saturation pressure, divided by the static pressure.

    Examples
    --------
    >>> round(vapour_mole_fraction(20.0, 50.0), 4)
    0.0116
    """
    return _vapour_fraction(temperature_c, humidity_pct, 1000.0 * pressure_kpa)


@overload
def humidity_at_constant_vapour(
    from_temperature_c: Form | float, from_humidity_pct: Form | float,
    to_temperature_c: Form | float
) -> Form: ...
@overload
def humidity_at_constant_vapour(
    from_temperature_c: ArrayLike, from_humidity_pct: ArrayLike, to_temperature_c: ArrayLike
) -> FloatArray: ...
@bordered
def humidity_at_constant_vapour(
    from_temperature_c: arg.Temperature, from_humidity_pct: arg.Humidity,
    to_temperature_c: arg.Temperature
) -> Any:
    """Return the relative humidity in percent after the air warms or cools with its water kept.

    This happens between the sound check and the evening: the water stays, the
    relative humidity moves. It is capped at 100 % (the rest is dew or fog).

    Parameters
    ----------
    from_temperature_c, from_humidity_pct : array_like
        The air before: C (-50 to 60) and percent (0 to 100).
    to_temperature_c : array_like
        The temperature after, in C; all three broadcast.

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
    Constant vapour pressure, Davis 1992; the enhancement factor's own change
    (under 0.1 % of the result) is left out.

    Examples
    --------
    >>> round(humidity_at_constant_vapour(27.0, 40.0, 13.0), 1)
    95.3
    """
    before = saturation_vapour_pressure_pa(from_temperature_c)
    after = saturation_vapour_pressure_pa(to_temperature_c)
    return np.minimum(from_humidity_pct * (before / after), 100.0)


@overload
def pressure_kpa_at_altitude(altitude_m: Form) -> Form: ...
@overload
def pressure_kpa_at_altitude(altitude_m: ArrayLike) -> FloatArray: ...
@bordered
def pressure_kpa_at_altitude(altitude_m: Annotated[Any, arg.Within("m", -2000.0, 11000.0)]) -> Any:
    """Return the static pressure of the standard atmosphere in kPa.

    Parameters
    ----------
    altitude_m : array_like
        Geometric altitude above sea level in m, -2000 to 11000; the result has its shape.

    Raises
    ------
    TypeError, ValueError
        If the altitude is not a number or outside the range.

    Notes
    -----
    ISO 2533:1975, troposphere, from the geopotential altitude.

    Examples
    --------
    >>> round(pressure_kpa_at_altitude(900.0), 2)
    90.97
    """
    geopotential_m = 6356766.0 * altitude_m / (6356766.0 + altitude_m)
    exponent = 9.80665 / (287.05287 * 0.0065)
    return REFERENCE_KPA * (1.0 - 0.0065 * geopotential_m / 288.15) ** exponent


@overload
def speed_of_sound(
    temperature_c: Form | float, humidity_pct: Form | float = ..., pressure_kpa: Form | float = ...,
    *, co2_fraction: Form | float = ...
) -> Form: ...
@overload
def speed_of_sound(
    temperature_c: ArrayLike, humidity_pct: ArrayLike = ..., pressure_kpa: ArrayLike = ..., *,
    co2_fraction: ArrayLike = ...
) -> FloatArray: ...
@bordered
def speed_of_sound(
    temperature_c: arg.Temperature,
    humidity_pct: arg.Humidity = 50.0,
    pressure_kpa: arg.Pressure = REFERENCE_KPA,
    *,
    co2_fraction: Annotated[Any, arg.Within("", 0.0, 0.01)] = TODAYS_CO2,
) -> Any:
    """Return the speed of sound in humid air in m/s.

    Parameters
    ----------
    temperature_c, humidity_pct, pressure_kpa : array_like
        Temperature in C (-50 to 60), relative humidity in percent (0 to 100)
        and static pressure in kPa (20 to 200); they broadcast.
    co2_fraction : array_like
        Mole fraction of carbon dioxide, 0 to 0.01 (a full room: 0.002).

    Raises
    ------
    TypeError, ValueError
        If an input is not a number or outside its range.

    Warns
    -----
    RangeWarning
        Outside 0 to 30 C or 75 to 102 kPa, which the equation is stated for,
        and if a humidity above 0 and below 1 looks like a fraction.

    Notes
    -----
    Cramer 1993, 'The variation of the specific heat ratio and the speed of
    sound in air with temperature, pressure, humidity, and CO2 concentration',
    J. Acoust. Soc. Am. 93(5), 2510-2516, eq. 15 (also IEC 61094-2, annex F),
    with the vapour of Davis 1992. Against CoolProp's humid air it is within
    0.045 m/s from 0 to 30 C at 60 to 105 kPa and from -20 to 46 C at sea level;
    at 50 C and 100 % it is off by 0.11 m/s at 101 kPa, 0.32 at 75 and 0.62 at 60.

    Examples
    --------
    >>> round(speed_of_sound(20.0, 50.0), 2)
    343.99
    >>> speed_of_sound([10.0, 20.0, 30.0]).round(1)
    array([337.8, 344. , 350.3])
    """
    return _speed(temperature_c, humidity_pct, pressure_kpa, co2_fraction, stacklevel=4)


@overload
def speed_of_sound_ideal(temperature_c: Form) -> Form: ...
@overload
def speed_of_sound_ideal(temperature_c: ArrayLike) -> FloatArray: ...
@bordered
def speed_of_sound_ideal(temperature_c: arg.Temperature) -> Any:
    """Return the speed of sound in m/s by the square-root rule 331.3 sqrt(1 + t/273.15).

    Parameters
    ----------
    temperature_c : array_like
        Temperature in C, -50 to 60; the result has its shape.

    Raises
    ------
    TypeError, ValueError
        If the temperature is not a number or outside the range.

    Notes
    -----
    Ideal gas; any textbook.

    Examples
    --------
    >>> round(speed_of_sound_ideal(20.0), 2)
    343.21
    """
    return 331.3 * np.sqrt(1.0 + temperature_c / ZERO_C_K)


@overload
def speed_of_sound_linear(temperature_c: Form) -> Form: ...
@overload
def speed_of_sound_linear(temperature_c: ArrayLike) -> FloatArray: ...
@bordered
def speed_of_sound_linear(temperature_c: arg.Temperature) -> Any:
    """Return the speed of sound in m/s by the rule of thumb 331.3 + 0.606 t.

    Parameters
    ----------
    temperature_c : array_like
        Temperature in C, -50 to 60; the result has its shape.

    Raises
    ------
    TypeError, ValueError
        If the temperature is not a number or outside the range.

    Notes
    -----
    Common practice: the tangent of the square-root rule at 0 C.

    Examples
    --------
    >>> round(speed_of_sound_linear(20.0), 2)
    343.42
    """
    return 331.3 + 0.606 * temperature_c


@dataclass(frozen=True)
class Air:
    """One air: temperature in C, relative humidity in percent, pressure in kPa.

    Temperature has no default, since assuming 20 C is the usual mistake.

    Raises
    ------
    TypeError, ValueError
        If a value is not one number or outside its range (-50 to 60 C, 0 to
        100 %, 20 to 200 kPa).

    Warns
    -----
    RangeWarning
        If a humidity above 0 and below 1 looks like a fraction for percent.

    Examples
    --------
    >>> air = Air(20.0, humidity_pct=40.0)
    >>> round(air.speed_m_s, 2)
    343.86
    >>> round(1000 * air.absorption_db_per_m(4000.0), 1)
    36.4
    """

    temperature_c: float
    humidity_pct: float = 50.0
    pressure_kpa: float = REFERENCE_KPA

    def __post_init__(self) -> None:
        """Check the three values and keep them as plain floats."""
        checked = {
            "temperature_c": arg.TEMPERATURE.held("temperature_c", self.temperature_c),
            "humidity_pct": arg.as_humidity("humidity_pct", self.humidity_pct),
            "pressure_kpa": arg.PRESSURE.held("pressure_kpa", self.pressure_kpa),
        }
        for name, value in checked.items():
            if value.ndim:
                raise TypeError(f"{name} of an Air must be one number, got shape {value.shape}")
            object.__setattr__(self, name, float(value))

    @classmethod
    def at_altitude(cls, temperature_c: float, humidity_pct: float, altitude_m: float) -> "Air":
        """Return the air with the standard atmosphere's pressure at an altitude in m.

        Examples
        --------
        >>> round(Air.at_altitude(20.0, 50.0, 900.0).pressure_kpa, 2)
        90.97
        """
        return cls(temperature_c, humidity_pct, pressure_kpa_at_altitude(altitude_m))

    def at_temperature(self, temperature_c: float) -> "Air":
        """Return this air warmed or cooled with its water kept (capped at 100 %).

        Examples
        --------
        >>> round(Air(27.0, 40.0).at_temperature(13.0).humidity_pct, 1)
        95.3
        """
        # A computed humidity below 1 % is dry air, not a slip.
        with warnings.catch_warnings(action="ignore", category=RangeWarning):
            there: Any = arg.TEMPERATURE.held("temperature_c", temperature_c)
            humidity = humidity_at_constant_vapour(self.temperature_c, self.humidity_pct, there)
            return Air(temperature_c, humidity, self.pressure_kpa)

    @property
    def speed_m_s(self) -> float:
        """Speed of sound in m/s: `speed_of_sound` of this air."""
        # Its humidity was looked at when it was made.
        speed = _speed(
            self.temperature_c, self.humidity_pct, self.pressure_kpa, TODAYS_CO2, stacklevel=2
        )
        return float(speed)

    @overload
    def absorption_db_per_m(self, frequency_hz: Form) -> Form: ...
    @overload
    def absorption_db_per_m(self, frequency_hz: ArrayLike) -> FloatArray: ...
    def absorption_db_per_m(self, frequency_hz: ArrayLike) -> Any:
        """Absorption in dB/m: `fillalign.absorption_db_per_m` in this air."""
        return absorption_db_per_m(
            frequency_hz, self.temperature_c, self.humidity_pct, self.pressure_kpa
        )
