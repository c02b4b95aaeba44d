"""When sound arrives, which arrival counts, and how long a fill must wait.

All times are in milliseconds. A gap is the fill's arrival minus the main's at one seat: positive
when the fill is later. Wind counts along the path, positive when it blows with the
sound. Distances and positions are in m, and everything broadcasts.
"""

from typing import TYPE_CHECKING, Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import COLDEST_C, HOTTEST_C, FloatArray, Form, bordered, checked

if TYPE_CHECKING:
    from fillalign.air import Air

__all__ = [
    "distance_m",
    "drift_ms_per_c",
    "fill_delay_ms",
    "first_heard",
    "gap_ms",
    "seat_delay_ms",
    "travel_time_ms",
    "wind_along_m_s",
]

NEAR_DB = 10.0
"""How far below the loudest an arrival still counts as heard, in dB."""

WindSpeed = Annotated[Any, arg.Within("m/s", 0.0, 50.0)]
Wind = Annotated[Any, arg.Within("m/s", -50.0, 50.0)]
# A chain by way of video or radio may lag that far.
LATENCY = arg.Within("ms", 0.0, 1000.0)
Latency = Annotated[Any, LATENCY]
Margin = Annotated[Any, arg.Within("ms", -100.0, 100.0)]
ArrivalLevel = Annotated[Any, arg.Within("dB", silence=True)]


@bordered
def distance_m(from_m: arg.Points, to_m: arg.Points) -> Any:
    """Straight-line distance between points in m.

    Parameters
    ----------
    from_m, to_m : array_like, shape (..., 3)
        Points; the leading axes broadcast.

    Raises
    ------
    TypeError, ValueError
        If the last axis does not hold x, y, z, or a number is not finite.

    Examples
    --------
    >>> distance_m([0, 0, 0], [3, 4, 0])
    5.0
    """
    return np.sqrt(((to_m - from_m) ** 2).sum(axis=-1))


@checked
def wind_along_m_s(
    from_m: arg.Points, to_m: arg.Points, wind_m_s: WindSpeed, wind_towards_deg: arg.Degrees
) -> Any:
    """Component of a level wind along a path in m/s, positive with the sound.

    It is 0 where the two points coincide.

    Parameters
    ----------
    from_m, to_m : array_like, shape (..., 3)
        Source and listener.
    wind_m_s : array_like, shape (...)
        Wind speed, 0 to 50 m/s.
    wind_towards_deg : array_like, shape (...)
        Direction the wind blows towards, from +x towards +y, in degrees.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range.

    Examples
    --------
    >>> wind_along_m_s([0, 0, 0], [10, 0, 0], 3.0, 0.0)
    3.0
    """
    arg.check_shapes(from_m=from_m[..., 0], to_m=to_m[..., 0], wind_m_s=wind_m_s,
                     wind_towards_deg=wind_towards_deg)
    towards, offset, length = np.radians(wind_towards_deg), to_m - from_m, distance_m(from_m, to_m)
    along = offset[..., 0] * np.cos(towards) + offset[..., 1] * np.sin(towards)
    return wind_m_s * along / np.where(length > 0.0, length, 1.0)


@overload
def travel_time_ms(
    distance_m: Form | float, air: "Air", *, wind_along_m_s: Form | float = ...
) -> Form: ...
@overload
def travel_time_ms(
    distance_m: ArrayLike, air: "Air", *, wind_along_m_s: ArrayLike = ...
) -> FloatArray: ...
@bordered
def travel_time_ms(distance_m: arg.Length, air: "Air", *, wind_along_m_s: Wind = 0.0) -> Any:
    """Time that sound takes over a distance: d / (c + w).

    Parameters
    ----------
    distance_m : array_like
        Distance, at least 0 m.
    air : Air
        The air on the path.
    wind_along_m_s : array_like
        Wind along the path, positive with the sound, -50 to 50 m/s.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range, or the air is no Air.

    References
    ----------
    Pierce, A. D. (1981), Acoustics, section 8-1: rays in a moving medium, for a
    wind along the ray (from memory).

    Examples
    --------
    >>> from fillalign import Air
    >>> round(travel_time_ms(15.0, Air(20.0)), 1)
    43.6
    """
    return 1000.0 * distance_m / (air.speed_m_s + wind_along_m_s)


@bordered
def first_heard(
    arrival_ms: arg.Ms, level_db: ArrivalLevel, *,
    within_db: Annotated[float, arg.Within("dB", 0.0, 100.0)] = NEAR_DB,
) -> tuple[Any, Any]:
    """Which of several arrivals at a seat is the first that counts, and when it comes.

    The earliest of those that are nearly as loud as the loudest: what is much weaker
    neither draws the image nor opens the early window.

    Parameters
    ----------
    arrival_ms, level_db : array_like, shape (n, ...)
        Arrival times and levels (minus infinity: silent), sources on the first axis.
    within_db : float
        How far below the loudest an arrival still counts, 0 to 100 dB.

    Returns
    -------
    index, time_ms : int and float, or ndarrays of shape (...)
        Place on the first axis (the lower of two that come together) and arrival;
        where all are silent, those of the earliest.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range, or nothing is on the first axis.

    References
    ----------
    10 dB, for the main that a fill is timed to and for the window of useful sound:
    common practice, after the 10 dB of Haas (1951). 20 dB, for C50 and the echo
    criterion (`fillalign.speech.first_arrival_ms`): the onset of ISO 3382-1, annex A
    (from memory).

    Examples
    --------
    >>> first_heard([12.0, 20.0, 31.0], [70.0, 82.0, 85.0])
    (1, 20.0)
    """
    arrival, level = np.broadcast_arrays(arrival_ms, level_db)
    if not (arrival.ndim and len(arrival)):
        raise ValueError("arrival_ms must hold arrivals on its first axis, got none")
    heard = np.where(level >= level.max(axis=0) - within_db, arrival, np.inf)
    return heard.argmin(axis=0), heard.min(axis=0)


@overload
def seat_delay_ms(
    main_to_seat_m: Form | float, fill_to_seat_m: Form | float, air: "Air", *,
    main_latency_ms: Form | float = ..., fill_latency_ms: Form | float = ...,
    margin_ms: Form | float = ..., main_wind_along_m_s: Form | float = ...,
    fill_wind_along_m_s: Form | float = ...
) -> Form: ...
@overload
def seat_delay_ms(
    main_to_seat_m: ArrayLike, fill_to_seat_m: ArrayLike, air: "Air", *,
    main_latency_ms: ArrayLike = ..., fill_latency_ms: ArrayLike = ..., margin_ms: ArrayLike = ...,
    main_wind_along_m_s: ArrayLike = ..., fill_wind_along_m_s: ArrayLike = ...
) -> FloatArray: ...
@bordered
def seat_delay_ms(
    main_to_seat_m: arg.Length,
    fill_to_seat_m: arg.Length,
    air: "Air",
    *,
    main_latency_ms: Latency = 0.0,
    fill_latency_ms: Latency = 0.0,
    margin_ms: Margin = 0.0,
    main_wind_along_m_s: Wind = 0.0,
    fill_wind_along_m_s: Wind = 0.0,
) -> Any:
    """Delay on a fill that makes it arrive with the main at one seat, in ms.

    (d_main - d_fill) / c + margin - (fill latency - main latency). It is
    negative where the fill's path is late already.

    Parameters
    ----------
    main_to_seat_m, fill_to_seat_m : array_like
        Distances to the seat, at least 0 m.
    air : Air
        The air on the paths.
    main_latency_ms, fill_latency_ms : array_like
        Processing latency of each path, 0 to 1000 ms.
    margin_ms : array_like
        How much later than the main the fill shall arrive, -100 to 100 ms.
    main_wind_along_m_s, fill_wind_along_m_s : array_like
        Wind along each path, positive with the sound, -50 to 50 m/s.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range, or the air is no Air.

    References
    ----------
    Geometry: difference of travel times. A margin of 5 to 15 ms keeps the image
    at the stage (common practice).

    Examples
    --------
    >>> from fillalign import Air
    >>> round(seat_delay_ms(41.0, 15.0, Air(24.0)), 1)
    75.0
    """
    main = travel_time_ms(main_to_seat_m, air, wind_along_m_s=main_wind_along_m_s)
    fill = travel_time_ms(fill_to_seat_m, air, wind_along_m_s=fill_wind_along_m_s)
    return main - fill + margin_ms - (fill_latency_ms - main_latency_ms)


@overload
def fill_delay_ms(
    box_to_box_m: Form | float, air: "Air", *, main_latency_ms: Form | float = ...,
    fill_latency_ms: Form | float = ..., margin_ms: Form | float = ...,
    wind_along_m_s: Form | float = ...
) -> Form: ...
@overload
def fill_delay_ms(
    box_to_box_m: ArrayLike, air: "Air", *, main_latency_ms: ArrayLike = ...,
    fill_latency_ms: ArrayLike = ..., margin_ms: ArrayLike = ..., wind_along_m_s: ArrayLike = ...
) -> FloatArray: ...
@bordered
def fill_delay_ms(
    box_to_box_m: arg.Length,
    air: "Air",
    *,
    main_latency_ms: Latency = 0.0,
    fill_latency_ms: Latency = 0.0,
    margin_ms: Margin = 0.0,
    wind_along_m_s: Wind = 0.0,
) -> Any:
    """Delay on a fill from the laser distance between main and fill, in ms.

    The delay for seats on the extension of that line. By the triangle
    inequality it makes the fill early at no seat, as long as the air is the
    same along both paths and the result is rounded up.

    Parameters
    ----------
    box_to_box_m : array_like
        Distance from the main to the fill, at least 0 m.
    air, main_latency_ms, fill_latency_ms, margin_ms
        As for `seat_delay_ms`.
    wind_along_m_s : array_like
        Wind from main to fill, positive with the sound, -50 to 50 m/s.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range, or the air is no Air.

    References
    ----------
    Distance over speed; 15 m is about 44 ms (common practice).

    Examples
    --------
    >>> from fillalign import Air
    >>> round(fill_delay_ms(26.0, Air(20.0), margin_ms=5.0), 1)
    80.6
    """
    return seat_delay_ms(
        box_to_box_m, 0.0, air, main_latency_ms=main_latency_ms, fill_latency_ms=fill_latency_ms,
        margin_ms=margin_ms, main_wind_along_m_s=wind_along_m_s,
    )


@overload
def gap_ms(
    main_to_seat_m: Form | float, fill_to_seat_m: Form | float, delay_ms: Form | float,
    air: "Air", *, main_latency_ms: Form | float = ..., fill_latency_ms: Form | float = ...,
    main_wind_along_m_s: Form | float = ..., fill_wind_along_m_s: Form | float = ...
) -> Form: ...
@overload
def gap_ms(
    main_to_seat_m: ArrayLike, fill_to_seat_m: ArrayLike, delay_ms: ArrayLike, air: "Air", *,
    main_latency_ms: ArrayLike = ..., fill_latency_ms: ArrayLike = ...,
    main_wind_along_m_s: ArrayLike = ..., fill_wind_along_m_s: ArrayLike = ...
) -> FloatArray: ...
@bordered
def gap_ms(
    main_to_seat_m: arg.Length,
    fill_to_seat_m: arg.Length,
    delay_ms: arg.Ms,
    air: "Air",
    *,
    main_latency_ms: Latency = 0.0,
    fill_latency_ms: Latency = 0.0,
    main_wind_along_m_s: Wind = 0.0,
    fill_wind_along_m_s: Wind = 0.0,
) -> Any:
    """Gap at a seat in ms: arrival of the fill minus arrival of the main.

    Parameters
    ----------
    delay_ms : array_like
        Delay set on the fill beyond the main's, in ms.
    main_to_seat_m, fill_to_seat_m, air and all others
        As for `seat_delay_ms`.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range, or the air is no Air.

    References
    ----------
    Geometry: difference of travel times.

    Examples
    --------
    >>> from fillalign import Air
    >>> round(gap_ms(30.0, 4.0, 80.0, Air(20.0)), 1)
    4.4
    """
    return delay_ms - seat_delay_ms(
        main_to_seat_m, fill_to_seat_m, air,
        main_latency_ms=main_latency_ms, fill_latency_ms=fill_latency_ms,
        main_wind_along_m_s=main_wind_along_m_s, fill_wind_along_m_s=fill_wind_along_m_s,
    )


@overload
def drift_ms_per_c(distance_m: Form, air: "Air") -> Form: ...
@overload
def drift_ms_per_c(distance_m: ArrayLike, air: "Air") -> FloatArray: ...
@bordered
def drift_ms_per_c(distance_m: arg.Length, air: "Air") -> Any:
    """Change of travel time in ms per degree of warming, at constant water vapour.

    -d c'/c^2: negative, since warm air is faster.

    Parameters
    ----------
    distance_m : array_like
        Path, or difference of paths, at least 0 m.
    air : Air
        The air now.

    Raises
    ------
    TypeError, ValueError
        If a value is not a number or out of range, or the air is no Air.

    References
    ----------
    Derivative of d/c with c of Cramer (1993), by difference over 0.1 degrees.

    Examples
    --------
    >>> from fillalign import Air
    >>> round(drift_ms_per_c(100.0, Air(20.0)), 2)
    -0.5
    """
    cold_c = max(air.temperature_c - 0.05, COLDEST_C)
    warm_c = min(air.temperature_c + 0.05, HOTTEST_C)
    cooler, warmer = (air.at_temperature(one_c).speed_m_s for one_c in (cold_c, warm_c))
    return 1000.0 * distance_m * (1.0 / warmer - 1.0 / cooler) / (warm_c - cold_c)
