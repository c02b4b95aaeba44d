"""A plan from a venue file, the answer for one fill on a ladder, and where fills could hang."""

from __future__ import annotations

import argparse
import json
import math
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from fillalign import planning, sheet
from fillalign._text import plain
from fillalign.commands import common
from fillalign.planning import FillPlan
from fillalign.venue import DEMO_VENUES

if TYPE_CHECKING:
    import pandas as pd

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

_LEGEND = (
    "", "served_share     share of the area's rows that get level, tone and speech (1 is all)",
    "missing_steps    what its rows lack on average, in just noticeable steps (0 is nothing)",
    "elsewhere_steps  what the other rows lack on average, in the same steps",
    "speech_index     mean speech transmission index of the area's rows",
    "gain_before_..   what the mains may come down by for the same level at the back, less",
    "                 what the stage microphone hears of the fills",
    "now              the boxes hang there in the file",
    "spread_db        from the loudest row of the venue to the softest",
    "trim_db          off: with the boxes there the plan leaves them off (no need, or no trim that",
    "                 its bounds allow is worth it)", "",
    "The best of them, for the venue file:",
)
_CAUTION = ("A place is a calculation, not a rigging point: only qualified riggers say what may\n"
            "hang where, under local codes.")


def plan_parser() -> common.Parser:
    """Return the parser of the command without a verb."""
    parser = common.Parser(
        prog="python -m fillalign", usage=_USAGE, description=_DESCRIPTION, epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False)
    parser.add_argument("venue", nargs="?", metavar="VENUE.toml",
                        help=f"venue file, or one of ours: {', '.join(DEMO_VENUES)}")
    common.add_options(
        parser, ("--json", "", "print numbers as JSON instead of text"),
        ("--cures", "", "try for 15 s what would mend the areas that the plan leaves short, and "
         "tell"))
    common.add_air(parser, ", where the sound travels")
    common.add_options(
        parser.add_argument_group("with a venue file"),
        ("--out", "DIR", "write the sheet as text, CSV and a page to print into this folder, "
         "which is made if it is not there"),
        ("--short", "", "what to set and how to check it alone: one page"),
        ("--places", "AREA", "show on the sheet where the fills of a seat area could hang: each "
         "place is planned with, which takes a while"),
        ("--as-set", "FILE", "what was set and read at the venue (TOML as the page saves it, or "
         "the CSV with its blanks filled): gives the sheet as measured"),
        ("--picture", "FILE.svg", "write a picture of the plan: from above, from the side, along "
         "the walk"),
        ("--overwrite", "", "replace files that are there already"))
    group = parser.add_argument_group("without a venue file")
    for name, words in _QUICK_HELP.items():
        either, unit = group.add_mutually_exclusive_group(), name.rpartition("_")[2]
        common.add_options(either, (common.option(name), unit.upper(), words))
        if unit == "m":
            common.add_options(either, (f"{common.option(name)[:-1]}ft", "FT", "the same in feet"),
                               dest=name)
    return parser


def _from_venue(parser: common.Parser, args: argparse.Namespace) -> int:
    for name in _QUICK_HELP:
        if getattr(args, name) is not None:
            parser.error(f"{common.option(name)} is for an answer without a venue file")
    common.check_picture(parser, args.picture)
    venue = common.venue_named(args.venue)
    with parser.judging():
        air = common.air_of(venue, args)
    with common.fitting(args.venue):
        plan = planning.plan_fills(venue)
    other = None if air == plan.air else air
    if args.as_set is not None:
        try:
            found = sheet.read_as_set(args.as_set, plan, air=other)
            plan = planning.as_measured(plan, found.settings, found.readings,
                                        air=found.air or other)
        except ValueError as error:
            return common.fail(str(error), common.BAD_VENUE)
    elif other is not None:
        moved = planning.evaluate(venue, planning.retimed(plan, air), air=air)
        if not args.json:
            print(plain(_retime_line(plan, moved)))
        plan = moved
    with parser.judging():
        places = None if args.places is None else planning.propose_places(
            plan.venue, args.places, air=plan.air, progress=common.told)
    return _show(plan, places, args)


def _retime_line(plan: FillPlan, moved: FillPlan) -> str:
    """Say what to dial in this air, before everything else."""
    delays = [(name, moved.settings[name].delay_ms, plan.settings[name].delay_ms)
              for name in common.sounding(plan)]
    told = ", ".join(f"{name} {new:.2f} ms ({new - old:+.2f})" for name, new, old in delays)
    return (f"Re-timed for {moved.air.temperature_c:.1f} C, {moved.air.humidity_pct:.0f} %: "
            f"{told or 'no fill sounds'}. Trims and filters stay as planned for "
            f"{plan.air.temperature_c:.1f} C.")


def _files(
    plan: FillPlan, places: pd.DataFrame | None, args: argparse.Namespace
) -> dict[Path, bytes]:
    """Return the files that are asked for."""
    contents = {}
    if args.picture is not None:
        from fillalign import plots

        contents[Path(args.picture)] = plots.svg_bytes(plots.overview(plan),
                                                       plots.overview_text(plan))
    if args.out is not None:
        files = sheet.sheet_files(plan, short=args.short, places=places)
        contents |= {Path(args.out) / name: content for name, content in files.items()}
    return contents


def _show(plan: FillPlan, places: pd.DataFrame | None, args: argparse.Namespace) -> int:
    contents, lines = _files(plan, places, args), []
    if args.json:
        print(json.dumps(plan.to_dict()))
    elif not contents:
        print(sheet.setup_sheet_text(plan, short=args.short, places=places), end="")
    if contents:
        common.write(contents, args.out and Path(args.out), overwrite=args.overwrite)
        lines += [f"look: {line}" for line in plan.doubts]
    if contents or args.cures:
        lines += [f"not met: {line}" for line in plan.unmet]
    if args.cures:
        cures = [f"cure: {cure}" for cure in planning.find_cures(plan, progress=common.told)]
        lines += cures or ["cures: no area is short, so there was nothing to try"]
    for line in lines:
        print(plain(line))
    return common.OK


def _quick(parser: common.Parser, args: argparse.Namespace) -> int:
    for name in ("out", "picture", "as_set", "places"):
        if getattr(args, name) is not None:
            parser.error(f"{common.option(name)} goes with a venue file")
    needed = ("main_m", "fill_m", "temperature_c")
    given = {name: value for name, value in vars(args).items() if value is not None
             and name in (*needed, "humidity_pct", "pressure_kpa", *_QUICK_HELP)}
    missing = [common.option(name) for name in needed if name not in given]
    if missing:
        what = ", ".join(missing)
        parser.error(f"give a venue file, or {what}" if len(missing) == len(needed)
                     else f"without a venue file {what} must be given too")
    with parser.judging():
        answer = sheet.quick_answer(**given)
    if args.json:
        # What is not finite is no JSON: it becomes a word, as in a plan.
        print(json.dumps({name: value if not isinstance(value, float) or math.isfinite(value)
                          else str(value) for name, value in asdict(answer).items()}))
    else:
        print(answer.text(), end="")
    return common.OK


def plan_or_ladder(argv: Sequence[str]) -> int:
    """Answer for a venue, or for a laser's numbers."""
    parser = plan_parser()
    args = parser.parse_args(argv)
    return _quick(parser, args) if args.venue is None else _from_venue(parser, args)


def places(argv: Sequence[str]) -> int:
    """Say where to hang the fills of an area, by planning with each place."""
    parser = common.verb_parser(
        "places", "Say where to hang the fills of an area: each place is planned with, best first. "
        f"{_CAUTION}", "hall.toml back --from-m 14 --to-m 26",
        ("venue", "VENUE.toml", "venue file, or one of ours"),
        ("area", "AREA", "seat area to serve"), ("--from-m", "M", "least x of the boxes"),
        ("--to-m", "M", "greatest x of the boxes"), ("--height-m", "M", "height of the boxes"),
        ("--json", "", "print numbers as JSON"),
        ("--picture", "FILE.svg", "write a map of the places"),
        ("--overwrite", "", "replace a picture that is there"))
    args = parser.parse_args(argv)
    common.check_picture(parser, args.picture)
    venue = common.venue_named(args.venue)
    with parser.judging():
        table = planning.propose_places(venue, args.area, from_m=args.from_m, to_m=args.to_m,
                               height_m=args.height_m, progress=common.told)
    if args.picture is not None:
        from fillalign import plots

        picture = plots.page_picture(partial(plots.places_plot, table), (6.3, 3.2),
                                     f"Places for the fills of {args.area}. {plots.PLACES_TITLE}")
        common.write({Path(args.picture): picture}, overwrite=args.overwrite, quiet=args.json)
    if args.json:
        print(table.to_json(orient="records"))
        return common.OK
    shown = table.drop(columns=["area", "toml"]).round(2)
    print(shown.replace({"trim_db": {-math.inf: "off"}}).to_string(index=False))
    verdict = ("", *textwrap.wrap(planning.places_in_words(table), 88))
    for line in (*(verdict if verdict[1:] else ()), *_LEGEND, *table["toml"].iloc[0].splitlines()):
        print(plain(line))
    print(f"\n{_CAUTION}")
    return common.OK
