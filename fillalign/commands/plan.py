"""A plan from a venue file, and the answer for one fill on a ladder: the command without a verb."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from fillalign._text import plain
from fillalign.commands.shell import (
    BAD_VENUE,
    OK,
    Parser,
    add_air,
    air_of,
    check_picture,
    fail,
    feet,
    fitting,
    number,
    told,
    venue_named,
    write,
)

if TYPE_CHECKING:
    import pandas as pd

    from fillalign.air import Air
    from fillalign.planning import FillPlan

_DESCRIPTION = """\
Plan, time, trim and check fill loudspeakers. Ways to ask:

  with a venue file       fillalign VENUE.toml
  with a venue of ours    fillalign tidewell_hall
  with a laser            fillalign --main-m 41 --fill-m 15 --temperature-c 24
                          fillalign --main-ft 135 --fill-ft 49 --temperature-f 75
  the same for a phone    fillalign pocket pocket.html
  a first venue file      fillalign new hall.toml
  where to hang it        fillalign places hall.toml AREA
  a test signal           fillalign signal turns.wav
  what a take says        fillalign take hall.toml FILL take.wav --at 30,3
  the room's decay        fillalign decay take.wav
  delays for the air now  fillalign retime hall.toml --temperature-c 14
  to learn                fillalign lessons DIR

A venue gives its set-up sheet, printed or written to a folder with --out. A laser
answers for one fill at one seat: how long to delay it, what assuming 20 C would have
cost, how to trim it, and how the weather moves it. fillalign is the same as
python -m fillalign; 'fillalign VERB --help' tells more of each verb."""
_USAGE = """\
fillalign VENUE.toml [--out DIR] [options]
       fillalign --main-m M --fill-m M --temperature-c C [options]
       fillalign VERB ... [options]
       fillalign --help | fillalign VERB --help"""
_EPILOG = """\
exit codes:
  0  the answer was given; targets that a plan does not meet stand in its sheet
  2  the command line or a value on it is wrong
  3  a venue file, recording, log or what was set cannot be read or has mistakes, or no plan
     fits the venue's devices
  4  a file cannot be written, or is there already and --overwrite was not given
  5  the recording tells nothing sure: why, and what to do next, is said
  130  interrupted from the keyboard; no file has changed but those said to be written

Predictions are estimates: listen and measure before an audience comes in."""


def plan_parser() -> Parser:
    """Return the parser of the command without a verb."""
    from fillalign.venue import DEMO_VENUES

    parser = Parser(
        prog="python -m fillalign",
        usage=_USAGE,
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    add = parser.add_argument
    add("venue", nargs="?", metavar="VENUE.toml",
        help=f"venue file, or one of ours: {', '.join(DEMO_VENUES)}")
    add("--json", action="store_true", help="print numbers as JSON instead of text")
    add("--cures", action="store_true",
        help="try for 15 s what would mend the areas that the plan leaves short, and tell")
    add_air(parser, ", where the sound travels")
    write = parser.add_argument_group("with a venue file")
    write.add_argument("--out", metavar="DIR",
                       help="write the sheet as text, CSV and a page to print into this folder, "
                            "which is made if it is not there")
    write.add_argument("--short", action="store_true",
                       help="what to set and how to check it alone: one page")
    write.add_argument("--places", metavar="AREA",
                       help="show on the sheet where the fills of a seat area could hang: each "
                            "place is planned with, which takes a while")
    write.add_argument("--as-set", metavar="FILE",
                       help="what was set and read at the venue (TOML as the page saves it, or "
                            "the CSV with its blanks filled): gives the sheet as measured")
    write.add_argument("--picture", metavar="FILE.svg",
                       help="write a picture of the plan: from above, from the side, along the "
                            "walk")
    write.add_argument("--overwrite", action="store_true",
                       help="replace files that are there already")
    _add_quick(parser)
    return parser


_QUICK_HELP = {
    "main_m": "distance from the main to the seat where main and fill are equally loud",
    "fill_m": "distance from the fill to that seat",
    "mains_db": "meter at that seat, mains alone",
    "fill_db": "meter at that seat, fill alone, with its trim as it is",
    "goal_db": "level wanted at that seat with both",
    "main_latency_ms": "processing latency of the main's path (default: 0)",
    "fill_latency_ms": "processing latency of the fill's path (default: 0)",
    "margin_ms": "how much later than the main the fill shall arrive (default: 0)",
    "sample_rate_hz": "sample rate of the device that delays (default: 48000)",
}
_UNITS = {"m": "M", "db": "DB", "ms": "MS", "hz": "HZ"}


def _add_quick(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("without a venue file")
    for name, words in _QUICK_HELP.items():
        either = group.add_mutually_exclusive_group()
        either.add_argument(f"--{name.replace('_', '-')}", type=number, help=words,
                            metavar=_UNITS[name.rpartition("_")[2]])
        if name.endswith("_m"):
            either.add_argument(f"--{name.removesuffix('_m')}-ft", type=feet, dest=name,
                                metavar="FT", help="the same in feet")


def _from_venue(parser: Parser, args: argparse.Namespace) -> int:
    from fillalign.planning import evaluate, plan_fills, propose_places, retimed

    given = [name for name in _QUICK_HELP if getattr(args, name) is not None]
    if given:
        parser.error(f"--{given[0].replace('_', '-')} is for an answer without a venue file")
    check_picture(parser, args.picture)
    venue = venue_named(args.venue)
    with parser.judging():
        air = air_of(venue, args)
    with fitting(args.venue):
        plan = plan_fills(venue)
    if args.as_set is not None:
        try:
            plan = _as_measured(plan, args.as_set, air)
        except ValueError as error:
            return fail(str(error), BAD_VENUE)
    elif air != plan.air:
        moved = evaluate(venue, retimed(plan, air), air=air)
        if not args.json:
            print(plain(_retime_line(plan, moved)))
        plan = moved
    with parser.judging():
        places = None if args.places is None else propose_places(
            plan.venue, args.places, air=plan.air, progress=told)
    return _show(plan, places, args)


def _as_measured(plan: FillPlan, path: str, air: Air) -> FillPlan:
    """Return the plan as a file says that it was set and read."""
    from fillalign.planning import as_measured
    from fillalign.sheet import read_as_set

    other = None if air == plan.air else air
    found = read_as_set(path, plan, air=other)
    return as_measured(plan, found.settings, found.readings, air=found.air or other)


def _retime_line(plan: FillPlan, moved: FillPlan) -> str:
    """Say what to dial in this air, before everything else."""
    air, delays = moved.air, [
        f"{fill.output} {moved.settings[fill.output].delay_ms:.2f} ms "
        f"({moved.settings[fill.output].delay_ms - plan.settings[fill.output].delay_ms:+.2f})"
        for fill in plan.fills if fill.sounding]
    told = ", ".join(delays) or "no fill sounds"
    return (f"Re-timed for {air.temperature_c:.1f} C, {air.humidity_pct:.0f} %: {told}. Trims and "
            f"filters stay as planned for {plan.air.temperature_c:.1f} C.")


def _files(
    plan: FillPlan, places: pd.DataFrame | None, args: argparse.Namespace
) -> dict[Path, bytes]:
    """Return the files that are asked for."""
    from fillalign.sheet import sheet_files

    contents = {}
    if args.picture is not None:
        from fillalign import plots

        contents[Path(args.picture)] = plots.svg_bytes(plots.overview(plan),
                                                       plots.overview_text(plan))
    if args.out is not None:
        sheet = sheet_files(plan, short=args.short, places=places)
        contents |= {Path(args.out) / name: content for name, content in sheet.items()}
    return contents


def _show(plan: FillPlan, places: pd.DataFrame | None, args: argparse.Namespace) -> int:
    from fillalign.planning import find_cures
    from fillalign.sheet import setup_sheet_text

    contents = _files(plan, places, args)
    if args.json:
        print(json.dumps(plan.to_dict()))
    elif not contents:
        print(setup_sheet_text(plan, short=args.short, places=places), end="")
    if contents:
        write(contents, args.out and Path(args.out), overwrite=args.overwrite)
    for line in plan.doubts if contents else ():
        print(plain(f"look: {line}"))
    for line in plan.unmet if contents or args.cures else ():
        print(plain(f"not met: {line}"))
    if args.cures:
        cures = [f"cure: {cure}" for cure in find_cures(plan, progress=told)]
        for line in cures or ["cures: no area is short, so there was nothing to try"]:
            print(plain(line))
    return OK


def _quick(parser: Parser, args: argparse.Namespace) -> int:
    from fillalign.sheet import quick_answer

    for name in ("out", "picture", "as_set", "places"):
        if getattr(args, name) is not None:
            parser.error(f"--{name.replace('_', '-')} goes with a venue file")
    needed = ("main_m", "fill_m", "temperature_c")
    missing = [f"--{name.replace('_', '-')}" for name in needed if getattr(args, name) is None]
    if missing:
        what = ", ".join(missing)
        parser.error(f"give a venue file, or {what}" if len(missing) == len(needed)
                     else f"without a venue file {what} must be given too")
    names = [*needed, "humidity_pct", "pressure_kpa", *list(_QUICK_HELP)[2:]]
    values = {name: getattr(args, name) for name in names if getattr(args, name) is not None}
    with parser.judging():
        answer = quick_answer(**values)
    if args.json:
        # What is not finite is no JSON: it becomes a word, as in a plan.
        print(json.dumps({name: str(value) if value in (math.inf, -math.inf) or value != value
                          else value for name, value in asdict(answer).items()}))
    else:
        print(answer.text(), end="")
    return OK


def plan_or_ladder(argv: Sequence[str]) -> int:
    """Answer for a venue, or for a laser's numbers."""
    parser = plan_parser()
    args = parser.parse_args(argv)
    return _quick(parser, args) if args.venue is None else _from_venue(parser, args)
