"""The twenty-minute answer: two distances, a temperature and a meter, no file."""

from __future__ import annotations

import math
import textwrap
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fillalign._validate import RangeWarning, as_number
from fillalign.air import Air
from fillalign.levels import fill_level_db
from fillalign.precedence import precedence_limit_db, required_margin_ms
from fillalign.propagation import drift_ms_per_c, seat_delay_ms
from fillalign.units import m_to_ft, ms_to_m, ms_to_samples, round_up_to_step, samples_to_ms

HABIT_C = 20.0
LOW_CUT_HZ = (120.0, 150.0)
"""Low cut to start from without a file (common practice)."""

HEARING_DBA = 100.0
"""Level above which the answer cautions: at most 100 dB LAeq over 15 minutes (WHO 2022)."""
LATEST_MS = 30.0
"""A fill later than this behind the main is heard as an echo in speech (Haas 1951)."""

_FARTHEST_M = 10_000.0
_TRIM_STEP_DB = 0.5
_SHOWN_DB = 0.05
_BOTH = "main and fill arrive together"
_READ = {"mains_db": "a reading of the mains alone (--mains-db)",
         "fill_db": "a reading of the fill alone (--fill-db)",
         "goal_db": "the level wanted (--goal-db)"}
_WEATHER_STEPS_C, _WEATHER_C = (-10.0, -5.0, 5.0, 10.0), (0.0, 30.0)
Lines = Iterator[tuple[str, str]]


@dataclass(frozen=True)
class QuickAnswer:
    """Settings of one fill from a few measurements at one seat.

    Attributes
    ----------
    air : Air
        The air they hold for.
    margin_ms, sample_rate_hz : float
        As asked for; the margin is part of the delay.
    delay_ms : float
        Delay to set on the fill beyond the main's, never below 0.
    samples : int
        The same in whole samples, rounded up so that the fill is not early.
    delay_m, delay_ft : float
        The same as a length in this air.
    hold_back_ms : float
        Delay that the mains need instead where the fill is late already, else 0.
    habit_error_ms : float
        How much later (negative: earlier) the fill would be if 20 C were assumed.
    drift_ms_per_c : float
        Change of the delay per degree of warming, at constant water vapour.
    weather : tuple of (float, float)
        Temperature in degrees C and delay in ms there, at constant water vapour.
    low_cut_hz : tuple of float
        Range to start the low cut in (common practice).
    fill_db : float or None
        Level the fill must bring alone; minus infinity if none is needed, None
        without readings.
    trim_change_db : float or None
        Change of the fill's trim, up to a step of 0.5 dB; None without readings.
    exact_change_db : float or None
        The same before it is rounded up.
    over_main_db, limit_db : float or None
        Fill over main then, and what the precedence table allows at this margin.
    margin_wanted_ms : float or None
        Margin with which the table would allow it; nan if none would.
    image_change_db : float or None
        Change of the trim at which the image still holds at this margin, to 0.5 dB, where
        the goal asks for more; None otherwise.
    loudest_db : float or None
        The highest of the levels given.
    not_read : tuple of str
        Which of the three levels were not given, in words.
    """

    air: Air
    margin_ms: float
    sample_rate_hz: float
    delay_ms: float
    samples: int
    delay_m: float
    delay_ft: float
    hold_back_ms: float
    habit_error_ms: float
    drift_ms_per_c: float
    weather: tuple[tuple[float, float], ...]
    low_cut_hz: tuple[float, float]
    fill_db: float | None = None
    trim_change_db: float | None = None
    exact_change_db: float | None = None
    over_main_db: float | None = None
    limit_db: float | None = None
    margin_wanted_ms: float | None = None
    image_change_db: float | None = None
    loudest_db: float | None = None
    not_read: tuple[str, ...] = ()

    def text(self) -> str:
        """Return the answer as lines to read out on a ladder."""
        lines = (*_air_and_delay(self), *_habit(self), *_trim(self), *_rest(self))
        return "".join(
            textwrap.fill(f"{label:<14}{words}", 80, subsequent_indent=" " * 14,
                          break_on_hyphens=False) + "\n"
            for label, words in lines
        )


def quick_answer(
    main_m: float, fill_m: float, temperature_c: float, *, humidity_pct: float = 50.0,
    pressure_kpa: float = 101.325, mains_db: float | None = None, fill_db: float | None = None,
    goal_db: float | None = None, main_latency_ms: float = 0.0, fill_latency_ms: float = 0.0,
    margin_ms: float = 0.0, sample_rate_hz: float = 48000.0,
) -> QuickAnswer:
    """Answer for one fill with two laser distances and a temperature.

    Parameters
    ----------
    main_m, fill_m : float
        Distance from the main and from the fill to the seat where both are
        equally loud, at least 0 m.
    temperature_c : float
        Air where the sound travels, in degrees C.
    humidity_pct, pressure_kpa : float
        Its relative humidity in percent and pressure in kPa.
    mains_db, fill_db : float, optional
        Meter readings at that seat, mains alone and fill alone, in dB.
    goal_db : float, optional
        Level wanted there with both, in dB.
    main_latency_ms, fill_latency_ms : float
        Processing latency of each path, 0 to 1000 ms.
    margin_ms : float
        How much later than the main the fill shall arrive, -100 to 100 ms.
    sample_rate_hz : float
        Sample rate of the device that delays, in Hz.

    Returns
    -------
    QuickAnswer
        Delay, what 20 C would have cost, trim, and how the weather moves it.

    Raises
    ------
    ValueError
        If a value is out of range.

    References
    ----------
    Difference of travel times with the speed of Cramer (1993); levels add by
    power. Margin, low cut and precedence table: common practice.

    Examples
    --------
    >>> answer = quick_answer(41.0, 15.0, 24.0, mains_db=84.0, fill_db=90.0, goal_db=88.0)
    >>> round(answer.delay_ms, 1), answer.samples, answer.trim_change_db
    (75.0, 3602, -4.0)
    """
    levels = {"mains_db": mains_db, "fill_db": fill_db, "goal_db": goal_db}
    for name, metres in {"main_m": main_m, "fill_m": fill_m}.items():
        as_number(name, metres, "m", low=0.0, high=_FARTHEST_M)
    for name, level in levels.items():
        if level is not None:
            as_number(name, level, "dB", low=-100.0, high=200.0)
    for name, number in {"main_latency_ms": main_latency_ms, "fill_latency_ms": fill_latency_ms,
                         "margin_ms": margin_ms, "sample_rate_hz": sample_rate_hz}.items():
        as_number(name, number)
    air = Air(temperature_c, humidity_pct, pressure_kpa)

    def wanted_ms(here: Air) -> float:
        return float(seat_delay_ms(
            main_m, fill_m, here, margin_ms=margin_ms, main_latency_ms=main_latency_ms,
            fill_latency_ms=fill_latency_ms,
        ))

    wanted = wanted_ms(air)
    delay, around = max(wanted, 0.0), [temperature_c + step for step in _WEATHER_STEPS_C]
    length = float(ms_to_m(delay, air))
    # The slope is taken across the temperature; whether that is out of range is said already.
    with warnings.catch_warnings(action="ignore", category=RangeWarning):
        drift = float(drift_ms_per_c(main_m, air) - drift_ms_per_c(fill_m, air))
    return QuickAnswer(
        air=air, margin_ms=float(margin_ms), sample_rate_hz=float(sample_rate_hz), delay_ms=delay,
        samples=int(round_up_to_step(ms_to_samples(delay, sample_rate_hz), 1.0)),
        delay_m=length, delay_ft=float(m_to_ft(length)), hold_back_ms=max(-wanted, 0.0),
        habit_error_ms=wanted_ms(Air(HABIT_C, humidity_pct, pressure_kpa)) - wanted,
        drift_ms_per_c=drift, low_cut_hz=LOW_CUT_HZ,
        weather=tuple((t, max(wanted_ms(air.at_temperature(t)), 0.0)) for t in around
                      if _WEATHER_C[0] <= t <= _WEATHER_C[1]),
        **_levels(levels, float(margin_ms)),
    )


def _levels(levels: Mapping[str, float | None], margin_ms: float) -> dict[str, Any]:
    """Return what the meter readings add to the answer."""
    mains, fill, goal = levels.values()
    found: dict[str, Any] = {
        "not_read": tuple(words for name, words in _READ.items() if levels[name] is None),
        "loudest_db": max((one for one in levels.values() if one is not None), default=None),
    }
    if mains is None or goal is None:
        return found
    needed, limit = float(fill_level_db(mains, goal)), float(precedence_limit_db(margin_ms))
    off, over = needed == -math.inf, needed - mains
    found["fill_db"] = needed
    if fill is not None:
        found["exact_change_db"] = needed - fill
        found["trim_change_db"] = needed if off else _up(needed - fill)
        # Rounded down: what the image allows is a limit.
        found["image_change_db"] = -_up(fill - mains - limit) if over > limit else None
    return found if off else {
        **found, "over_main_db": over, "limit_db": limit,
        "margin_wanted_ms": margin_ms + float(required_margin_ms(margin_ms, over)),
    }


def _up(change_db: float) -> float:
    return float(round_up_to_step(change_db, _TRIM_STEP_DB))


def _air_and_delay(answer: QuickAnswer) -> Lines:
    air, margin, back = answer.air, answer.margin_ms, answer.hold_back_ms
    yield "Air", (f"{air.temperature_c:.1f} C, {air.humidity_pct:.0f} %, {air.pressure_kpa:.1f} "
                  f"kPa: sound travels {air.speed_m_s:.1f} m/s")
    yield "Delay", (f"{answer.delay_ms:.2f} ms = {answer.samples} samples at "
                    f"{answer.sample_rate_hz / 1000:g} kHz = {answer.delay_m:.2f} m = "
                    f"{answer.delay_ft:.1f} ft")
    if back:
        yield "", (f"The fill is late already: hold the mains back by {back:.2f} ms, and every "
                   "other output with them.")
        yield "", (f"Then {f'the fill comes {margin:g} ms after the main' if margin else _BOTH}. "
                   "Did you expect a delay? Look whether the two distances are swapped.")
    elif margin:
        yield "", f"{margin:g} ms of it are margin: the fill comes that much after the main."
    else:
        yield "", (f"{_BOTH.capitalize()}. 5 to 15 ms more keep the image at the stage (common "
                   "practice).")
    if margin > LATEST_MS:
        yield "", (f"A margin of {margin:g} ms is an echo in speech: beyond {LATEST_MS:g} ms both "
                   "are heard apart (Haas 1951). 5 to 15 ms are usual (common practice).")
    elif margin < 0:
        yield "", (f"With a margin of {margin:g} ms the fill comes first and takes the image. Did "
                   "you mean a hold-back, or a latency?")


def _habit(answer: QuickAnswer) -> Lines:
    late, label = answer.habit_error_ms, f"At {HABIT_C:.0f} C"
    habit = answer.delay_ms - answer.hold_back_ms + late
    if abs(late) < 0.005:
        yield label, f"it is the same: nothing is lost by assuming {HABIT_C:.0f} C today."
        return
    yield label, (f"it would be {abs(habit):.2f} ms{' of hold-back' if habit < 0 else ''}: set "
                  f"that today and the fill is {abs(late):.2f} ms "
                  f"({ms_to_samples(abs(late), answer.sample_rate_hz):.0f} samples) too "
                  f"{'late' if late > 0 else 'early'}.")


def _trim(answer: QuickAnswer) -> Lines:
    change, over, limit = answer.trim_change_db, answer.over_main_db, answer.limit_db
    if answer.fill_db is None:
        *others, last = answer.not_read
        yield "Trim", (f"needs {', '.join(others)}{' and ' * bool(others)}{last}, all at that "
                       "seat.")
    elif over is None or limit is None:
        yield "Trim", "off: the mains reach the goal alone."
    else:
        if change is None:
            then = " (with --fill-db: the change)."
        elif over > limit:
            then = f" for the goal ({_moved(change, 'as it is now', answer.exact_change_db)})."
        else:
            then = f": {_moved(change, 'leave it where it is', answer.exact_change_db)}."
        yield "Trim", f"the fill alone must read {answer.fill_db:.1f} dB at that seat{then}"
        if over > limit:
            yield from _image(answer, over, limit)


def _moved(change_db: float, stays: str, exact_db: float | None = None) -> str:
    """Return a change of a trim in words, and what it was before it was rounded up."""
    way = f"{'up' if change_db > 0 else 'down'} by"
    if not change_db:
        return stays
    if exact_db is None or min(abs(exact_db), abs(exact_db - change_db)) < _SHOWN_DB:
        return f"{way} {abs(change_db):.1f} dB"
    return f"{way} {abs(exact_db):.1f} dB: {abs(change_db):.1f} in half-dB steps"


def _image(answer: QuickAnswer, over: float, limit: float) -> Lines:
    """Say that the goal asks for more than the image allows, and which of them wins."""
    wanted, change = answer.margin_wanted_ms or 0.0, answer.image_change_db
    mend = ("no margin allows more: lower the goal or raise the mains" if math.isnan(wanted)
            else f"with {math.ceil(10 * wanted) / 10:.1f} ms of margin it may have that level")
    that = "as loud as the main" if abs(over) < _SHOWN_DB else f"{over:+.1f} dB against the main"
    bound = (f"may be at most {limit:.1f} dB above the main" if limit > 0 else
             f"must be at least {-limit:.1f} dB below the main" if limit else
             "may be as loud as the main at most")
    yield "", (f"That is {that}. At {answer.margin_ms:g} ms after the main the fill {bound} "
               f"(common practice), or the image leaves the stage; {mend}.")
    most = (answer.fill_db or 0.0) - over + limit
    step = "" if change is None else f" ({_moved(change, 'as it is now')})"
    yield "", f"Until then the image wins: at most {most:.1f} dB{step}."


def _rest(answer: QuickAnswer) -> Lines:
    low, high = answer.low_cut_hz
    yield "Low cut", f"{low:.0f} to {high:.0f} Hz (common practice)."
    back = answer.hold_back_ms
    # Where the fill is late already, what would make it wait longer takes from the hold-back.
    colder = answer.drift_ms_per_c if back else -answer.drift_ms_per_c
    yield "Weather", (f"{colder:+z.2f} ms {'of hold-back ' if back else ''}for each degree colder "
                      f"(one sample is "
                      f"{samples_to_ms(1, answer.sample_rate_hz):.3f} ms).")
    if answer.weather and not back:
        yield "", ", ".join(f"{t:.0f} C {delay:.2f} ms" for t, delay in answer.weather) + "."
    if answer.loudest_db is not None and answer.loudest_db > HEARING_DBA:
        yield "Hearing", (f"{answer.loudest_db:.1f} dB: WHO's 2022 standard for venues asks for at "
                          f"most {HEARING_DBA:.0f} dB LAeq over 15 minutes, and occupational "
                          "limits are lower. Protect your ears, turn it down.")
    yield "Now", ("warn people, start low: mains alone, fill alone, a click through both, walk "
                  "from stage to back, write it down.")
    yield "Care", ("a laser of class 2 at most, never at eyes. Overhead loads are for qualified "
                   "riggers, under local codes.")
