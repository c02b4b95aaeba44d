"""The command line: python -m fillalign."""

from __future__ import annotations

import signal

if __name__ == "__main__" and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    # An interrupt ends the process at once and without a word, also while it still loads.
    signal.signal(signal.SIGINT, signal.SIG_DFL)

import argparse
import json
import math
import os
import shlex
import sys
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TextIO

from fillalign._text import LONGEST_PATH, plain, short

if TYPE_CHECKING:
    from fillalign.air import Air
    from fillalign.planning import FillPlan
    from fillalign.venue import Venue

OK, BAD_VALUES, BAD_VENUE, NOT_WRITTEN, INTERRUPTED = 0, 2, 3, 4, 130

_DESCRIPTION = """\
Plan, time, trim and check fill loudspeakers. Ways to ask:

  with a venue file       fillalign VENUE.toml
  with a venue of ours    fillalign tidewell_hall
  with a laser            fillalign --main-m 41 --fill-m 15 --temperature-c 24
  a first venue file      fillalign new hall.toml
  where to hang it        fillalign places hall.toml AREA
  to learn                fillalign lessons DIR

A venue gives its set-up sheet, printed or written to a folder with --out. A laser
answers for one fill at one seat: how long to delay it, what assuming 20 C would have
cost, how to trim it, and how the weather moves it. fillalign is the same as
python -m fillalign; 'fillalign VERB --help' tells more of each verb."""
_USAGE = """\
fillalign VENUE.toml [--out DIR] [options]
       fillalign --main-m M --fill-m M --temperature-c C [options]
       fillalign new FILE.toml [options]
       fillalign places VENUE.toml AREA [options]
       fillalign lessons DIR
       fillalign --help"""
_EPILOG = """\
exit codes:
  0  the answer was given; targets that a plan does not meet stand in its sheet
  2  the command line or a value on it is wrong
  3  the venue file cannot be read, has mistakes, or no plan fits its devices
  4  a file cannot be written, or is there already and --overwrite was not given
  130  interrupted from the keyboard; no file has changed but those said to be written

Predictions are estimates: listen and measure before an audience comes in."""


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"takes a number alone, with a point and no unit, such as 12.5; got {text!r}"
        ) from None


class _Parser(argparse.ArgumentParser):
    """A parser that repeats nothing harmful or endless of what it was given."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong, and end with 2."""
        super().error(short(message, LONGEST_PATH))


def _parser() -> _Parser:
    from fillalign.venue import DEMO_VENUES

    parser = _Parser(
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
    air = parser.add_argument_group("the air, where the sound travels")
    air.add_argument("--temperature-c", type=_number, metavar="C",
                     help="temperature in degrees Celsius (a venue file has its own)")
    air.add_argument("--humidity-pct", type=_number, metavar="PERCENT",
                     help="relative humidity, 0 to 100 (default: the venue's vapour at this "
                          "temperature, or 50 without a venue)")
    air.add_argument("--pressure-kpa", type=_number, metavar="KPA",
                     help="air pressure (default: the venue's, or 101.325)")
    write = parser.add_argument_group("with a venue file")
    write.add_argument("--out", metavar="DIR",
                       help="write the sheet as text, CSV and a page to print into this folder, "
                            "which is made if it is not there")
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
        group.add_argument(f"--{name.replace('_', '-')}", type=_number, help=words,
                           metavar=_UNITS[name.rpartition("_")[2]])


@contextmanager
def _plain_warnings(stream: TextIO) -> Iterator[None]:
    """Say warnings about ranges once, as a line for the person who asked."""
    from fillalign._validate import RangeWarning

    said = set()
    with warnings.catch_warnings():
        usual = warnings.showwarning

        def show(message: Warning | str, category: type[Warning], *rest: object) -> None:
            if not issubclass(category, RangeWarning):
                usual(message, category, *rest)  # type: ignore[arg-type]
            elif str(message) not in said:
                said.add(str(message))
                print(f"note: {message}", file=stream)

        warnings.simplefilter("always", RangeWarning)
        warnings.showwarning = show  # type: ignore[assignment]
        yield


def _air(venue: Venue, args: argparse.Namespace) -> Air:
    """Return the show's air with what the command line changes of it."""
    from fillalign.air import Air

    show = venue.states["show"].air
    air = show if args.temperature_c is None else show.at_temperature(args.temperature_c)
    humidity = air.humidity_pct if args.humidity_pct is None else args.humidity_pct
    pressure = air.pressure_kpa if args.pressure_kpa is None else args.pressure_kpa
    return Air(air.temperature_c, humidity, pressure)


def _write(contents: Mapping[Path, bytes], folder: Path | None, *, overwrite: bool) -> None:
    """Write all files or none, say which, and make their folder."""
    from fillalign._files import SheetError, write_whole

    missing = [] if folder is None else [
        path for path in (folder, *folder.parents) if not os.path.lexists(path)
    ]
    try:
        if folder is not None:
            os.makedirs(folder, exist_ok=True)
        write_whole(contents, overwrite=overwrite)
    except OSError as error:
        for path in missing:
            with suppress(OSError):
                path.rmdir()
        if folder is None or isinstance(error, SheetError):
            raise
        taken = isinstance(error, FileExistsError | NotADirectoryError)
        reason = "is no folder; name another" if taken else f"cannot be made, {error.strerror}"
        raise SheetError(folder, reason) from error
    for path in contents:
        print(plain(f"written: {path}"))
    sys.stdout.flush()


def _from_venue(parser: argparse.ArgumentParser, args: argparse.Namespace) -> int:
    from fillalign.planning import plan_fills
    from fillalign.venue import DEMO_VENUES, VenueError, read_demo_venue, read_venue

    given = [name for name in _QUICK_HELP if getattr(args, name) is not None]
    if given:
        parser.error(f"--{given[0].replace('_', '-')} is for an answer without a venue file")
    if args.picture is not None and Path(args.picture).suffix.lower() != ".svg":
        parser.error(f"--picture writes SVG: its name must end in .svg, got {args.picture}")
    if args.out == "":
        parser.error("--out takes the name of a folder, such as sheets or . for this one")
    try:
        ours = args.venue in DEMO_VENUES and not os.path.lexists(args.venue)
        venue = read_demo_venue(args.venue) if ours else read_venue(args.venue)
    except VenueError as error:
        return _fail(str(error), BAD_VENUE)
    try:
        air = _air(venue, args)
    except ValueError as error:
        parser.error(str(error))
    try:
        plan = plan_fills(venue, air=air)
    except ValueError as error:
        return _fail(f"{Path(args.venue).name}: {error}", BAD_VENUE)
    return _show(plan, args)


def _picture(plan: FillPlan) -> bytes:
    from fillalign import plots

    return plots.svg_bytes(plots.overview(plan), plots.overview_text(plan))


def _show(plan: FillPlan, args: argparse.Namespace) -> int:
    from fillalign._files import SheetError, signals_wait
    from fillalign.sheet import setup_sheet_text, sheet_files

    if args.json:
        print(json.dumps(plan.to_dict()))
    elif args.out is None and args.picture is None:
        print(setup_sheet_text(plan), end="")
    if args.out is None and args.picture is None and not args.cures:
        return OK
    contents: dict[Path, bytes] = {}
    if args.picture is not None:
        contents[Path(args.picture)] = _picture(plan)
    folder = None if args.out is None else Path(args.out)
    if folder is not None:
        contents |= {folder / name: content for name, content in sheet_files(plan).items()}
    try:
        with signals_wait():
            if contents:
                _write(contents, folder, overwrite=args.overwrite)
    except SheetError as error:
        return _fail(str(error), NOT_WRITTEN)
    for line in plan.unmet:
        print(plain(f"not met: {line}"))
    if args.cures:
        from fillalign.planning import find_cures

        cures = find_cures(plan, progress=_told)
        for cure in cures:
            print(plain(f"cure: {cure}"))
        if not cures:
            print("cures: no area is short, so there was nothing to try")
    return OK


def _told(done: int, number: int) -> None:
    """Tell on one line of a terminal how far a search has come."""
    if sys.stderr.isatty():
        print(f"\rtried {done} of {number}", end="\n" if done == number else "", file=sys.stderr,
              flush=True)


def _quick(parser: argparse.ArgumentParser, args: argparse.Namespace) -> int:
    from fillalign.sheet import quick_answer

    for name in ("out", "picture"):
        if getattr(args, name) is not None:
            parser.error(f"--{name} goes with a venue file")
    needed = ("main_m", "fill_m", "temperature_c")
    missing = [f"--{name.replace('_', '-')}" for name in needed if getattr(args, name) is None]
    if missing:
        what = ", ".join(missing)
        parser.error(f"give a venue file, or {what}" if len(missing) == len(needed)
                     else f"without a venue file {what} must be given too")
    names = [*needed, "humidity_pct", "pressure_kpa", *list(_QUICK_HELP)[2:]]
    values = {name: getattr(args, name) for name in names if getattr(args, name) is not None}
    try:
        answer = quick_answer(**values)
    except ValueError as error:
        parser.error(str(error))
    if args.json:
        # What is not finite is no JSON: it becomes a word, as in a plan.
        print(json.dumps({name: str(value) if value in (math.inf, -math.inf) or value != value
                          else value for name, value in asdict(answer).items()}))
    else:
        print(answer.text(), end="")
    return OK


def _lessons(argv: Sequence[str]) -> int:
    """Put the lessons and their data into a folder, and say how to open them."""
    from fillalign._files import SheetError, signals_wait
    from fillalign.venue import shipped_path

    parser = _Parser(prog="fillalign lessons", allow_abbrev=False,
                     description="Put the lessons and their data into a folder.")
    parser.add_argument("folder", metavar="DIR", help="made if it is not there")
    parser.add_argument("--overwrite", action="store_true", help="replace lessons there already")
    args = parser.parse_args(argv)
    folder = Path(args.folder)
    contents = {folder / place / path.name: path.read_bytes()
                for place in ("notebooks", "data")
                for path in sorted(shipped_path(place).iterdir()) if path.is_file()}
    try:
        for place in ("notebooks", "data"):
            (folder / place).mkdir(parents=True, exist_ok=True)
        with signals_wait():
            _write(contents, folder, overwrite=args.overwrite)
    except OSError as error:
        reason = error if isinstance(error, SheetError) else f"{folder}: {error.strerror}"
        return _fail(str(reason), NOT_WRITTEN)
    first = shlex.quote(str(folder / "notebooks" / "00_start_here.ipynb"))
    print(plain(f"Now open them: jupyter lab {first}"))
    print("(without JupyterLab: pip install 'fillalign[notebooks]')")
    return OK


def _new(argv: Sequence[str]) -> int:
    """Write a first venue file from a handful of numbers, asked for where they are not given."""
    from fillalign._files import SheetError, signals_wait
    from fillalign.venue import QUESTIONS, starter_toml, survey_form_html

    parser = _Parser(prog="fillalign new", allow_abbrev=False,
                     description="Write a first venue file from a handful of numbers; what is not "
                                 "given is asked for. With a name that ends in .html: a blank "
                                 "survey form to print.",
                     epilog="example: fillalign new gym.toml --name Gym --length-m 36 --width-m 18")
    parser.add_argument("file", metavar="FILE.toml")
    parser.add_argument("--overwrite", action="store_true", help="replace the file if it is there")
    parser.add_argument("--name", help="name of the venue")
    parser.add_argument("--programme", choices=("speech", "music"))
    for key, words, unit, low, high, _ in QUESTIONS:
        parser.add_argument(f"--{key.replace('_', '-')}", type=_number, metavar=unit.upper(),
                            help=f"{words} ({low:g} to {high:g} {unit})")
    args = parser.parse_args(argv)
    try:
        if args.file.lower().endswith(".html"):
            content = survey_form_html()
        else:
            name = args.name or _asked("name of the venue")
            programme = args.programme or _asked("speech or music", "speech")
            numbers = {key: _number_asked(args, key, words, unit, default)
                       for key, words, unit, _, _, default in QUESTIONS}
            content = starter_toml(name, programme, **numbers)
    except (ValueError, argparse.ArgumentTypeError) as error:
        parser.error(str(error))
    try:
        with signals_wait():
            _write({Path(args.file): content.encode()}, None, overwrite=args.overwrite)
    except SheetError as error:
        return _fail(str(error), NOT_WRITTEN)
    if not args.file.lower().endswith(".html"):
        print(plain(f"Now plan it: fillalign {shlex.quote(args.file)}"))
    return OK


def _asked(words: str, default: str | None = None) -> str:
    """Ask at the prompt; where there is nobody to answer, the default or one clear error."""
    if not sys.stdin or not sys.stdin.isatty():
        if default is None:
            raise ValueError(f"{words}: not given, and nobody is there to ask")
        return default
    shown = "" if default is None else f" [{default}]"
    return input(f"{words}{shown}: ").strip() or default or ""


def _number_asked(
    args: argparse.Namespace, key: str, words: str, unit: str, default: float | None
) -> float:
    given: float | None = getattr(args, key)
    if given is not None:
        return given
    return _number(_asked(f"{words}, in {unit} (--{key.replace('_', '-')})",
                          None if default is None else f"{default:g}"))


def _places(argv: Sequence[str]) -> int:
    """Say where to hang the fills of an area, by planning with each place."""
    from fillalign.planning import propose_places
    from fillalign.venue import DEMO_VENUES, VenueError, read_demo_venue, read_venue

    parser = _Parser(prog="fillalign places", allow_abbrev=False,
                     description="Say where to hang the fills of an area: each place is planned "
                                 "with, best first. A place is a calculation, not a rigging point: "
                                 "only qualified riggers say what may hang where.",
                     epilog="example: fillalign places hall.toml back --from-m 14 --to-m 26")
    parser.add_argument("venue", metavar="VENUE.toml", help="venue file, or one of ours")
    parser.add_argument("area", metavar="AREA", help="seat area to serve")
    for name, words in (("from-m", "least x of the boxes"), ("to-m", "greatest x of the boxes"),
                        ("height-m", "height of the boxes")):
        parser.add_argument(f"--{name}", type=_number, metavar="M", help=words)
    parser.add_argument("--json", action="store_true", help="print numbers as JSON")
    args = parser.parse_args(argv)
    try:
        ours = args.venue in DEMO_VENUES and not os.path.lexists(args.venue)
        venue = read_demo_venue(args.venue) if ours else read_venue(args.venue)
    except VenueError as error:
        return _fail(str(error), BAD_VENUE)
    try:
        table = propose_places(venue, args.area, from_m=args.from_m, to_m=args.to_m,
                               height_m=args.height_m, progress=_told)
    except (KeyError, ValueError) as error:
        parser.error(str(error.args[0]))
    if args.json:
        print(table.to_json(orient="records"))
        return OK
    print(table.drop(columns="toml").round(2).to_string(index=False))
    print(plain("\nThe best of them, for the venue file:".strip()))
    for line in table["toml"].iloc[0].splitlines():
        print(plain(line))
    return OK


_VERBS = {"lessons": _lessons, "new": _new, "places": _places}
"""Verbs of the command; anything else is a venue or a laser's numbers."""


def _fail(message: str, code: int) -> int:
    for line in message.splitlines():
        print(plain(line), file=sys.stderr)
    return code


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        The arguments; those of the process by default.

    Returns
    -------
    int
        The exit code; see the help.

    Examples
    --------
    >>> main(["--main-m", "41", "--fill-m", "15", "--temperature-c", "24"])  # doctest: +ELLIPSIS
    Air           24.0 C, 50 %, 101.3 kPa: sound travels 346.5 m/s
    Delay         75.04 ms = 3602 samples at 48 kHz = 26.00 m = 85.3 ft
    ...
    """
    given = list(sys.argv[1:] if argv is None else argv)
    if given and given[0] in _VERBS and not os.path.lexists(given[0]):
        return _VERBS[given[0]](given[1:])
    parser = _parser()
    for word in given:
        # Each version of argparse makes something else of a value of two dashes.
        if word.startswith("--") and word.endswith("=--"):
            parser.error(f"{word[:-3]} takes a value, got --")
    args = parser.parse_args(given)
    with _plain_warnings(sys.stderr):
        return _quick(parser, args) if args.venue is None else _from_venue(parser, args)


def run() -> int:
    """Run the command as a process: its streams, its signals, its exit code."""
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w")
    if sys.stdout is None:
        return _fail("the output cannot be written, there is none", NOT_WRITTEN)
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a letter of a name shows its code instead of failing.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = main()
        sys.stdout.flush()
    except KeyboardInterrupt:
        return INTERRUPTED
    except OSError as error:
        # The interpreter must not flush again what cannot be written.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):
            # Whoever read us has seen enough.
            return OK
        return _fail(f"the output cannot be written, {error.strerror}", NOT_WRITTEN)
    return code


if __name__ == "__main__":
    sys.exit(run())
