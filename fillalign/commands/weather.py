"""Delays for the air as it is now, or for every line of a weather log."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from fillalign._text import csv_text, plain, quoted, short
from fillalign.commands.dialled import PLAN_HELP, saved_plan
from fillalign.commands.shell import (
    BAD_VENUE,
    OK,
    Parser,
    add_air,
    air_of,
    fail,
    fitting,
    samples_of,
    venue_named,
)

if TYPE_CHECKING:
    from fillalign.air import Air
    from fillalign.planning import FillPlan

_NEEDED = ("temperature_c", "humidity_pct")
_WIND = ("wind_m_s", "wind_towards_deg")
_KNOWN = (*_NEEDED, "pressure_kpa", *_WIND)


def _parser() -> Parser:
    parser = Parser(prog="fillalign retime", allow_abbrev=False,
                    description="Say what to dial on each fill in the air as it is now, or on "
                                "every line of a weather log.",
                    epilog="example: fillalign retime cinder_meadow --temperature-c 14 "
                           "--humidity-pct 80")
    parser.add_argument("venue", metavar="VENUE.toml", help="venue file, or one of ours")
    parser.add_argument("--plan", metavar="FILE", help=PLAN_HELP)
    parser.add_argument("--log", metavar="FILE.csv",
                        help="weather log with columns temperature_c and humidity_pct, if known "
                             "pressure_kpa, wind_m_s and wind_towards_deg; others are its time")
    parser.add_argument("--json", action="store_true", help="print numbers as JSON")
    add_air(parser, " now")
    return parser


def retime(argv: Sequence[str]) -> int:
    """Say which delays the air asks for now, or over a log of the weather."""
    from fillalign.planning import evaluate, plan_fills

    parser = _parser()
    args = parser.parse_args(argv)
    given = {args.temperature_c, args.humidity_pct, args.pressure_kpa} != {None}
    if given == (args.log is not None):
        parser.error("give the air of now (--temperature-c, --humidity-pct), or a --log")
    venue = venue_named(args.venue)
    with parser.judging():
        saved = None if args.plan is None else saved_plan(venue, args.plan)
        air = air_of(venue, args)
    with fitting(args.venue):
        plan = plan_fills(venue) if saved is None else evaluate(venue, saved[0], air=saved[1])
    if args.log is None:
        return _now(plan, air, as_json=args.json)
    try:
        log = _read_log(args.log, plan.air.pressure_kpa)
    except OSError as error:
        return fail(f"{short(args.log)}: cannot be read, {error.strerror}", BAD_VENUE)
    except ValueError as error:
        return fail(f"{short(args.log)}: {error}", BAD_VENUE)
    return _over_log(plan, log, as_json=args.json)


def _sounding(plan: FillPlan) -> list[str]:
    return [fill.output for fill in plan.fills if fill.sounding]


def _now(plan: FillPlan, air: Air, *, as_json: bool) -> int:
    """Print one line a fill."""
    row, = plan.retime_rows([air])
    fills = _sounding(plan)
    if as_json:
        print(json.dumps({"temperature_c": air.temperature_c, "humidity_pct": air.humidity_pct,
                          "pressure_kpa": air.pressure_kpa, "speed_m_s": air.speed_m_s,
                          "delay_ms": {name: row[name] for name in fills},
                          "planned_ms": {name: plan.settings[name].delay_ms for name in fills}}))
        return OK
    print(f"{air.temperature_c:.1f} C, {air.humidity_pct:.0f} %: sound travels "
          f"{air.speed_m_s:.1f} m/s; planned for {plan.air.temperature_c:.1f} C: "
          f"{plan.air.speed_m_s:.1f} m/s")
    width = max(map(len, map(plain, fills)), default=0)
    for name in fills:
        device, old = plan.venue.outputs[name], plan.settings[name].delay_ms
        print(plain(f"{name:{width}}  {row[name]:8.2f} ms ({row[name] - old:+.2f}), "
                    f"{samples_of(row[name], device)}, in {device.set_in}"))
    if not fills:
        print("no fill sounds: there is nothing to re-time")
    return OK


# One line of a log: what it is called, its air and its wind.
_Line: TypeAlias = "tuple[str, Air, tuple[float, float] | None]"


def _read_log(name: str, pressure_kpa: float) -> list[_Line]:
    """Return the lines of a log, or raise ValueError with the line that is wrong."""
    text = Path(name).read_bytes().decode("utf-8-sig", errors="replace")
    head = text.partition("\n")[0]
    mark = max(",;\t", key=head.count)
    try:
        rows = list(csv.DictReader(io.StringIO(text), delimiter=mark, restval="", strict=True))
    except csv.Error as error:
        raise ValueError(f"is no CSV: {error}") from None
    names = {(key or "").strip().lower(): key for key in (rows[0] if rows else {})}
    missing = [key for key in _NEEDED if key not in names]
    if missing:
        raise ValueError(f"the first line must name the column {missing[0]}"
                         if rows or head.strip() else "holds no line")
    if _WIND[0] in names and _WIND[1] not in names:
        raise ValueError(f"the first line names {_WIND[0]} without {_WIND[1]}")
    other = next((key for low, key in names.items() if low not in _KNOWN), None)
    return [_line(place, row, names, other, pressure_kpa, mark)
            for place, row in enumerate(rows, start=2)]


def _line(place: int, row: dict[str, Any], names: dict[str, str], other: str | None,
          pressure_kpa: float, mark: str) -> _Line:
    from fillalign._validate import as_number
    from fillalign.air import Air

    def value(key: str) -> float:
        text = str(row[names[key]]).strip()
        try:
            # Where columns part at semicolons, a comma is a decimal one.
            return float(text.replace(",", ".") if mark == ";" else text)
        except ValueError:
            raise ValueError(f"{key} must be a number, got {quoted(text)}") from None

    try:
        pressure = value("pressure_kpa") if "pressure_kpa" in names else pressure_kpa
        air = Air(value("temperature_c"), value("humidity_pct"), pressure)
        wind = None
        if _WIND[0] in names:
            wind = (as_number("wind_m_s", value("wind_m_s"), "m/s", low=0, high=50),
                    as_number("wind_towards_deg", value("wind_towards_deg"), "degrees"))
    except ValueError as error:
        raise ValueError(f"line {place}: {error}") from None
    return f"line {place}" if other is None else str(row[other]), air, wind


def _over_log(plan: FillPlan, log: Sequence[_Line], *, as_json: bool) -> int:
    """Print the delays of every line of a log, as CSV or JSON."""
    fills = _sounding(plan)
    winds = [wind for *_, wind in log if wind is not None]
    rows = plan.retime_rows([air for _, air, _ in log], winds or None)
    told = [{"when": when, **{name: row[name] for name in (*_NEEDED, *fills)}}
            for (when, *_), row in zip(log, rows, strict=True)]
    if as_json:
        print(json.dumps(told))
        return OK
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([csv_text(name) for name in ("when", *_NEEDED, *fills)])
    writer.writerows([csv_text(value) if isinstance(value, str) else f"{value:.2f}"
                      for value in one.values()] for one in told)
    print(text.getvalue(), end="")
    return OK
