"""What all verbs share: their parser, exit codes, files written, and words for a terminal."""

from __future__ import annotations

import argparse
import os
import re
import sys
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO

from fillalign._text import LONGEST_PATH, csv_text, plain, quoted, short

if TYPE_CHECKING:
    from fillalign.air import Air
    from fillalign.planning import FillPlan
    from fillalign.venue import Output, Venue

OK, BAD_VALUES, BAD_VENUE, NOT_WRITTEN, NOTHING_SURE, INTERRUPTED = 0, 2, 3, 4, 5, 130


def number(text: str) -> float:
    """Return a number typed on the command line, or refuse it in words."""
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"takes a number alone, with a point and no unit, such as 12.5; got {text!r}"
        ) from None


class Parser(argparse.ArgumentParser):
    """A parser that repeats nothing harmful or endless of what it was given."""

    def parse_args(  # type: ignore[override]
        self, args: Sequence[str], namespace: None = None
    ) -> argparse.Namespace:
        """Return what was asked for, or end with 2."""
        for word in args:
            # Each version of argparse makes something else of a value of two dashes, or of none.
            option, given, value = word.partition("=")
            if given and option.startswith("--") and value in ("", "--"):
                self.error(f"{option} takes a value, got {value or 'none'}")
        if "" in args:
            self.error("a name is empty: give a file or folder, such as . for this one")
        # As of Python 3.14: a word that begins like a negative number, -3,4 too, is no option.
        self._negative_number_matcher = re.compile(r"-\.?\d")
        return super().parse_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        """Say what is wrong, and end with 2."""
        super().error("\n".join(short(line, LONGEST_PATH) for line in message.splitlines()[:50]))

    def judging(self) -> AbstractContextManager[None]:
        """Take what is wrong with a value for a slip on the command line."""
        return _blaming(self.error)


def verb_parser(
    verb: str, words: str, example: str = "", *options: tuple[str, str, str]
) -> Parser:
    """Return the parser of a verb with options like those of `add_options`."""
    parser = Parser(prog=f"fillalign {verb}", allow_abbrev=False, description=words,
                    epilog=example and f"example: fillalign {verb} {example}")
    add_options(parser, *options)
    return parser


def add_options(
    group: argparse._ActionsContainer, *options: tuple[str, str, str], **more: Any
) -> None:
    """Add options by name, what each takes (nothing: a flag; a unit: a number), and words."""
    for name, takes, words in options:
        if takes:
            group.add_argument(name, metavar=takes, type=_TAKEN.get(takes, str), help=words, **more)
        else:
            group.add_argument(name, action="store_true", help=words)


def option(name: str) -> str:
    """Return how the option for a value is typed."""
    return f"--{name.replace('_', '-')}"


@contextmanager
def _blaming(blame: Callable[[str], NoReturn]) -> Iterator[None]:
    """Tell what is wrong with a value as somebody's mistake; pass a venue file's on."""
    from fillalign.venue import VenueError

    try:
        yield
    except VenueError:
        raise
    except (KeyError, ValueError) as error:
        blame(str(error.args[0]))


def check_picture(parser: Parser, name: str | None) -> None:
    """Refuse the name of a picture that no SVG has."""
    if name is not None and Path(name).suffix.lower() != ".svg":
        parser.error(f"--picture writes SVG: its name must end in .svg, got {name}")


def venue_path(name: str) -> Path:
    """Return the path of a venue file, or of one of ours where no file has its name."""
    from fillalign.venue import DEMO_VENUES, shipped_path

    ours = name in DEMO_VENUES and not os.path.lexists(name)
    return shipped_path("data", f"{name}.toml") if ours else Path(name)


def venue_named(name: str) -> Venue:
    """Return the venue that `venue_path` finds."""
    from fillalign.venue import read_venue

    return read_venue(venue_path(name))


def fitting(name: str) -> AbstractContextManager[None]:
    """Tell why no plan fits a venue's devices as what is wrong in its file."""
    from fillalign.venue import VenueError

    def blame(message: str) -> NoReturn:
        raise VenueError(name, tuple(("", line) for line in message.splitlines()))

    return _blaming(blame)


def fahrenheit(text: str) -> float:
    """Return a temperature typed in degrees Fahrenheit in degrees Celsius."""
    return (number(text) - 32.0) / 1.8


def feet(text: str) -> float:
    """Return a distance typed in feet in metres."""
    from fillalign.units import ft_to_m

    return float(ft_to_m(number(text)))


_TAKEN: dict[str, Callable[[str], Any]] = {
    "F": fahrenheit, "FT": feet, "N": int,
    **dict.fromkeys(("C", "PERCENT", "KPA", "M", "DB", "DBA", "MS", "S", "HZ"), number)}


def add_air(parser: argparse.ArgumentParser, words: str) -> None:
    """Add the options that change the air."""
    air = parser.add_argument_group(f"the air{words}")
    either = air.add_mutually_exclusive_group()
    add_options(either, ("--temperature-c", "C", "temperature in degrees Celsius (a venue file has "
                         "its own: another one re-times the delays and keeps the trims)"))
    add_options(either, ("--temperature-f", "F", "the same in degrees Fahrenheit"),
                dest="temperature_c")
    add_options(air, ("--humidity-pct", "PERCENT", "relative humidity, 0 to 100 (default: the "
                      "venue's vapour at this temperature, or 50 without a venue)"),
                ("--pressure-kpa", "KPA", "air pressure (default: the venue's, or 101.325)"))


def air_of(venue: Venue, args: argparse.Namespace, state: str = "show") -> Air:
    """Return a state's air with what the command line changes of it."""
    air = venue.states[state].air
    if args.temperature_c is not None:
        air = air.at_temperature(args.temperature_c)
    other = {key: getattr(args, key) for key in ("humidity_pct", "pressure_kpa")}
    return replace(air, **{key: value for key, value in other.items() if value is not None})


def same_venue(venue: Venue, name: str, file: str) -> None:
    """Raise VenueError if what was written is of a venue of another name."""
    from fillalign.venue import VenueError

    if name not in (venue.name, csv_text(venue.name)):
        raise VenueError(file, (("", f"this is of {quoted(name)}, the venue file is of "
                                     f"{quoted(venue.name)}"),))


def tells_air(args: argparse.Namespace) -> bool:
    """Say whether the command line tells an air."""
    return (args.temperature_c, args.humidity_pct) != (None, None)


def sounding(plan: FillPlan) -> list[str]:
    """Return the outputs of the fills that are in use."""
    return [fill.output for fill in plan.fills if fill.sounding]


def samples_of(delay_ms: float, device: Output) -> str:
    """Return a delay in whole samples as sheets do: raised, so that no fill comes early."""
    from fillalign.units import ms_to_samples, round_up_to_step

    count = round_up_to_step(ms_to_samples(delay_ms, device.sample_rate_hz), 1.0)
    return f"{count:.0f} samples at {device.sample_rate_hz / 1000:g} kHz"


@contextmanager
def plain_warnings(stream: TextIO) -> Iterator[None]:
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


def write(contents: Mapping[Path, bytes], folder: Path | None = None, *, overwrite: bool,
          quiet: bool = False) -> None:
    """Write all files or none, say which unless JSON is printed; make a folder and those in it."""
    from fillalign._files import SheetError, signals_wait, write_whole

    made = [] if folder is None else [
        folder, *(path.parent for path in contents if path.is_relative_to(folder))]
    # A path sorts before what is in it.
    missing = sorted({path for one in made for path in (one, *one.parents)
                      if not os.path.lexists(path)}, reverse=True)
    with signals_wait():
        try:
            for one in made:
                os.makedirs(one, exist_ok=True)
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
        for path in () if quiet else contents:
            print(plain(f"written: {path}"))
        sys.stdout.flush()


def told(done: int, number: int) -> None:
    """Tell on one line of a terminal how far a search has come."""
    if sys.stderr.isatty():
        print(f"\rtried {done} of {number}", end="\n" if done == number else "", file=sys.stderr,
              flush=True)


def failed(error: Exception) -> int:
    """Say what is wrong with a file, and return the code; any other error goes on."""
    from fillalign._files import SheetError
    from fillalign.audio import RecordingError
    from fillalign.venue import VenueError

    if not isinstance(error, SheetError | VenueError | RecordingError):
        raise error
    return fail(str(error), NOT_WRITTEN if isinstance(error, SheetError) else BAD_VENUE)


def fail(message: str, code: int) -> int:
    """Say on the error stream why there is no answer, and return the code."""
    for line in message.splitlines():
        print(plain(line), file=sys.stderr)
    return code
