"""Delays for the air as it is now, or for every line of a weather log."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from fillalign._text import csv_text, plain, quoted, short
from fillalign._validate import as_number
from fillalign.air import Air
from fillalign.commands import common
from fillalign.commands.read_back import PLAN_HELP, saved_plan
from fillalign.planning import FillPlan, evaluate, plan_fills

_NEEDED, _PRESSURE = ("temperature_c", "humidity_pct"), "pressure_kpa"
_WIND = ("wind_m_s", "wind_towards_deg")


def retime(argv: Sequence[str]) -> int:
    """Say which delays the air asks for now, or over a log of the weather."""
    parser = common.verb_parser(
        "retime", "Say what to dial on each fill in the air as it is now, or on every line of a "
        "weather log.", "cinder_meadow --temperature-c 14 --humidity-pct 80",
        ("venue", "VENUE.toml", "venue file, or one of ours"), ("--plan", "FILE", PLAN_HELP),
        ("--log", "FILE.csv", "weather log with columns temperature_c and humidity_pct, if known "
         "pressure_kpa, wind_m_s and wind_towards_deg; others are its time"),
        ("--json", "", "print numbers as JSON"))
    common.add_air(parser, " now")
    args = parser.parse_args(argv)
    given = {args.temperature_c, args.humidity_pct, args.pressure_kpa} != {None}
    if given == (args.log is not None):
        parser.error("give the air of now (--temperature-c, --humidity-pct), or a --log")
    venue = common.venue_named(args.venue)
    with parser.judging():
        saved = None if args.plan is None else saved_plan(venue, args.plan)
        air = common.air_of(venue, args)
    with common.fitting(args.venue):
        plan = plan_fills(venue) if saved is None else evaluate(venue, saved[0], air=saved[1])
    if args.log is None:
        print("\n".join(_now(plan, air, as_json=args.json)))
        return common.OK
    try:
        log = _read_log(args.log, plan.air.pressure_kpa)
    except (OSError, ValueError) as error:
        reason = f"cannot be read, {error.strerror}" if isinstance(error, OSError) else error
        return common.fail(f"{short(args.log)}: {reason}", common.BAD_VENUE)
    print(_over_log(plan, log, as_json=args.json))
    return common.OK


def _now(plan: FillPlan, air: Air, *, as_json: bool) -> Iterator[str]:
    """Say what to dial now: one line a fill."""
    row, = plan.retime_rows([air])
    fills = common.sounding(plan)
    planned = {name: plan.settings[name].delay_ms for name in fills}
    if as_json:
        yield json.dumps({**vars(air), "speed_m_s": air.speed_m_s,
                          "delay_ms": {name: row[name] for name in fills}, "planned_ms": planned})
        return
    yield (f"{air.temperature_c:.1f} C, {air.humidity_pct:.0f} %: sound travels "
           f"{air.speed_m_s:.1f} m/s; planned for {plan.air.temperature_c:.1f} C: "
           f"{plan.air.speed_m_s:.1f} m/s")
    width = max(map(len, map(plain, fills)), default=0)
    for name, old in planned.items():
        device = plan.venue.outputs[name]
        yield plain(f"{name:{width}}  {row[name]:8.2f} ms ({row[name] - old:+.2f}), "
                    f"{common.samples_of(row[name], device)}, in {device.set_in}")
    if not fills:
        yield "no fill sounds: there is nothing to re-time"


# One line of a log: what it is called, its air and its wind.
_Line = tuple[str, Air, tuple[float, float] | None]


def _read_log(name: str, pressure_kpa: float) -> list[_Line]:
    """Return the lines of a log, or raise ValueError with the line that is wrong."""
    text = Path(name).read_bytes().decode("utf-8-sig", errors="replace").lstrip("\r\n")
    mark = max(",;\t", key=text.partition("\n")[0].count)
    lines = csv.DictReader(io.StringIO(text), restval="", delimiter=mark, strict=True)
    try:
        columns = lines.fieldnames = [title.strip().lower() for title in lines.fieldnames or ()]
        rows = list(lines)
    except csv.Error as error:
        raise ValueError(f"is no CSV: {error}") from None
    missing = [key for key in _NEEDED if key not in columns]
    if not rows:
        raise ValueError("holds no line")
    if missing:
        raise ValueError(f"the first line must name the column {missing[0]}")
    if _WIND[0] in columns and _WIND[1] not in columns:
        raise ValueError(f"the first line names {_WIND[0]} without {_WIND[1]}")
    called = [title for title in columns if title not in (*_NEEDED, _PRESSURE, *_WIND)]
    log = []
    for place, cells in enumerate(rows, start=2):
        try:
            weather = _weather(cells, pressure_kpa, comma=mark == ";")
        except ValueError as error:
            raise ValueError(f"line {place}: {error}") from None
        log.append((cells[called[0]] if called else f"line {place}", *weather))
    return log


def _weather(
    cells: Mapping[str, str], pressure_kpa: float, *, comma: bool
) -> tuple[Air, tuple[float, float] | None]:
    def value(key: str) -> float:
        text = cells[key].strip()
        try:
            # Where columns part at semicolons, a comma is a decimal one.
            return float(text.replace(",", ".") if comma else text)
        except ValueError:
            raise ValueError(f"{key} must be a number, got {quoted(text)}") from None

    pressure = value(_PRESSURE) if _PRESSURE in cells else pressure_kpa
    air = Air(value("temperature_c"), value("humidity_pct"), pressure)
    return air, None if _WIND[0] not in cells else (
        as_number("wind_m_s", value("wind_m_s"), "m/s", low=0, high=50),
        as_number("wind_towards_deg", value("wind_towards_deg"), "degrees"))


def _over_log(plan: FillPlan, log: Sequence[_Line], *, as_json: bool) -> str:
    """Return the delays of every line of a log, as CSV or JSON."""
    winds = [wind for *_, wind in log if wind is not None]
    rows = plan.retime_rows([air for _, air, _ in log], winds or None)
    names = (*_NEEDED, *common.sounding(plan))
    if as_json:
        return json.dumps([{"when": when, **{name: row[name] for name in names}}
                           for (when, *_), row in zip(log, rows, strict=True)])
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([csv_text(name) for name in ("when", *names)])
    writer.writerows([csv_text(when), *(f"{row[name]:.2f}" for name in names)]
                     for (when, *_), row in zip(log, rows, strict=True))
    return text.getvalue().rstrip("\n")
