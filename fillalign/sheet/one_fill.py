"""The twenty-minute answer: two distances, a temperature and a meter, no file."""

from __future__ import annotations

import math
import textwrap
import warnings
from dataclasses import dataclass

from fillalign._validate import RangeWarning, as_number
from fillalign.air import Air
from fillalign.levels import fill_level_db
from fillalign.precedence import precedence_limit_db, required_margin_ms
from fillalign.propagation import (
    drift_ms_per_c,
    m_to_ft,
    ms_to_m,
    ms_to_samples,
    samples_to_ms,
    seat_delay_ms,
)

HABIT_C = 20.0
LOW_CUT_HZ = (120.0, 150.0)
"""Low cut to start from without a file (common practice)."""

_TRIM_STEP_DB = 0.5
_WEATHER_STEPS_C = (-10.0, -5.0, 5.0, 10.0)
_AIR_RANGE_C = (0.0, 30.0)


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
        Change of the fill's trim, to 0.5 dB; None without readings.
    over_main_db, limit_db : float or None
        Fill over main then, and what the precedence table allows at this margin.
    margin_wanted_ms : float or None
        Margin with which the table would allow it; nan if none would.
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
    over_main_db: float | None = None
    limit_db: float | None = None
    margin_wanted_ms: float | None = None

    def text(self) -> str:
        """Return the answer as lines to read out on a ladder."""
        lines = [*_delay_lines(self), *_level_lines(self), *_last_lines(self)]
        return "".join(
            textwrap.fill(line, 80, subsequent_indent=" " * 14, break_on_hyphens=False) + "\n"
            for line in lines
        )


def quick_answer(
    main_m: float,
    fill_m: float,
    temperature_c: float,
    *,
    humidity_pct: float = 50.0,
    pressure_kpa: float = 101.325,
    mains_db: float | None = None,
    fill_db: float | None = None,
    goal_db: float | None = None,
    main_latency_ms: float = 0.0,
    fill_latency_ms: float = 0.0,
    margin_ms: float = 0.0,
    sample_rate_hz: float = 48000.0,
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
    for name, distance in (("main_m", main_m), ("fill_m", fill_m)):
        as_number(name, distance, "m", low=0.0)
    rest = {"main_latency_ms": main_latency_ms, "fill_latency_ms": fill_latency_ms,
            "margin_ms": margin_ms, "sample_rate_hz": sample_rate_hz}
    for name, number in rest.items():
        as_number(name, number)
    air = Air(temperature_c, humidity_pct, pressure_kpa)

    def wanted_ms(here: Air) -> float:
        return float(
            seat_delay_ms(
                main_m, fill_m, here, main_latency_ms=main_latency_ms,
                fill_latency_ms=fill_latency_ms, margin_ms=margin_ms,
            )
        )

    wanted = wanted_ms(air)
    delay = max(wanted, 0.0)
    around = [temperature_c + step for step in _WEATHER_STEPS_C]
    lowest, highest = _AIR_RANGE_C
    weather = [(t, max(wanted_ms(air.at_temperature(t)), 0.0))
               for t in around if lowest <= t <= highest]
    length = float(ms_to_m(delay, air))
    samples = math.ceil(float(ms_to_samples(delay, sample_rate_hz)) - 1e-6)
    return QuickAnswer(
        air=air,
        margin_ms=float(margin_ms),
        sample_rate_hz=float(sample_rate_hz),
        delay_ms=delay,
        samples=samples,
        delay_m=length,
        delay_ft=float(m_to_ft(length)),
        hold_back_ms=max(-wanted, 0.0),
        habit_error_ms=wanted_ms(Air(HABIT_C, humidity_pct, pressure_kpa)) - wanted,
        drift_ms_per_c=_drift(main_m - fill_m, air),
        weather=tuple(weather),
        low_cut_hz=LOW_CUT_HZ,
        **_levels(mains_db, fill_db, goal_db, float(margin_ms)),
    )


def _drift(apart_m: float, air: Air) -> float:
    with warnings.catch_warnings():
        # The slope is taken across the temperature; whether that is out of range is said already.
        warnings.simplefilter("ignore", RangeWarning)
        return math.copysign(1.0, apart_m) * float(drift_ms_per_c(abs(apart_m), air))


def _levels(
    mains_db: float | None, fill_db: float | None, goal_db: float | None, margin_ms: float
) -> dict[str, float]:
    """Return what the meter readings add to the answer."""
    if fill_db is not None:
        as_number("fill_db", fill_db, "dB", low=-100.0, high=200.0)
    if mains_db is None or goal_db is None:
        return {}
    as_number("mains_db", mains_db, "dB", low=-100.0, high=200.0)
    as_number("goal_db", goal_db, "dB", low=-100.0, high=200.0)
    needed = float(fill_level_db(mains_db, goal_db))
    found = {"fill_db": needed}
    if fill_db is not None:
        steps = math.ceil((needed - fill_db) / _TRIM_STEP_DB - 1e-9) if needed > -math.inf else None
        found["trim_change_db"] = -math.inf if steps is None else steps * _TRIM_STEP_DB
    if needed > -math.inf:
        over = needed - mains_db
        found["over_main_db"] = over
        found["limit_db"] = float(precedence_limit_db(margin_ms))
        found["margin_wanted_ms"] = margin_ms + float(required_margin_ms(margin_ms, over))
    return found


def _delay_lines(answer: QuickAnswer) -> list[str]:
    air = answer.air
    lines = [
        f"Air           {air.temperature_c:.1f} C, {air.humidity_pct:.0f} %, "
        f"{air.pressure_kpa:.1f} kPa: sound travels {air.speed_m_s:.1f} m/s",
        f"Delay         {answer.delay_ms:.2f} ms = {answer.samples} samples at "
        f"{answer.sample_rate_hz / 1000:g} kHz = {answer.delay_m:.2f} m = "
        f"{answer.delay_ft:.1f} ft",
    ]
    if answer.hold_back_ms:
        lines.append(f"              The fill is late already: hold the mains back by "
                     f"{answer.hold_back_ms:.2f} ms, and every other output with them.")
    if answer.hold_back_ms:
        then = (f"the fill comes {answer.margin_ms:g} ms after the main" if answer.margin_ms
                else "main and fill arrive together")
        lines.append(f"              Then {then}. Did you expect a delay? Look whether the two "
                     "distances are swapped.")
    elif answer.margin_ms:
        lines.append(f"              {answer.margin_ms:g} ms of it are margin: the fill comes that "
                     "much after the main.")
    else:
        lines.append("              Main and fill arrive together. 5 to 15 ms more keep the image "
                     "at the stage (common practice).")
    late = answer.habit_error_ms
    samples = abs(late) * answer.sample_rate_hz / 1000
    if abs(late) < 0.005:
        lines.append("At 20 C       it is the same: nothing is lost by assuming 20 C today.")
    else:
        word = "late" if late > 0 else "early"
        habit = answer.delay_ms - answer.hold_back_ms + late
        shown = f"{habit:.2f} ms" if habit >= 0 else f"{-habit:.2f} ms of hold-back"
        lines.append(f"At 20 C       it would be {shown}: set that today and the "
                     f"fill is {abs(late):.2f} ms ({samples:.0f} samples) too {word}.")
    return lines


def _level_lines(answer: QuickAnswer) -> list[str]:
    if answer.fill_db is None:
        return ["Trim          needs a reading of the mains alone (--mains-db), of the fill alone "
                "(--fill-db) and the level wanted (--goal-db), all at that seat."]
    if math.isinf(answer.fill_db):
        return ["Trim          off: the mains reach the goal alone."]
    lines = [f"Trim          the fill alone must read {answer.fill_db:.1f} dB at that seat"]
    if answer.trim_change_db is None:
        lines[0] += " (with --fill-db: the change)."
    elif answer.trim_change_db == 0:
        lines[0] += ": leave it where it is."
    else:
        word = "up" if answer.trim_change_db > 0 else "down"
        lines[0] += f": {word} by {abs(answer.trim_change_db):.1f} dB."
    over, limit, wanted = answer.over_main_db, answer.limit_db, answer.margin_wanted_ms
    if over is not None and limit is not None and wanted is not None and over > limit:
        mend = ("no margin allows that: lower the goal or raise the mains" if math.isnan(wanted)
                else f"with {math.ceil(10 * wanted) / 10:.1f} ms of margin it is fine")
        shown = round(over, 1) + 0.0
        lines.append(f"              That is {shown:+.1f} dB against the main. A fill that comes "
                     f"{answer.margin_ms:g} ms after it may have {limit:+.1f} dB at most (common "
                     f"practice): {mend}.")
    return lines


def _last_lines(answer: QuickAnswer) -> list[str]:
    colder = round(-answer.drift_ms_per_c, 2) + 0.0
    low, high = answer.low_cut_hz
    moved = ", ".join(f"{t:.0f} C {delay:.2f} ms" for t, delay in answer.weather)
    step = float(samples_to_ms(1, answer.sample_rate_hz))
    lines = [
        f"Low cut       {low:.0f} to {high:.0f} Hz (common practice).",
        f"Weather       {colder:+.2f} ms for each degree colder (one sample is {step:.3f} ms).",
    ]
    if moved and not answer.hold_back_ms:
        lines.append(f"              {moved}.")
    return [
        *lines,
        "Now           warn people, start low: mains alone, fill alone, a click through both, "
        "walk from stage to back, write it down.",
    ]
