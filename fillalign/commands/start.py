"""Where to start from: a first venue file, a survey form, the lessons in a folder of one's own."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from fillalign._text import plain
from fillalign._validate import as_number
from fillalign.commands.common import OK, number, option, verb_parser, write
from fillalign.planning import room_doubts
from fillalign.sheet import pocket_page
from fillalign.venue import QUESTIONS, read_venue, shipped_path, starter_toml, survey_form_html

_REPLACE = ("--overwrite", "", "replace the file if it is there")


def lessons(argv: Sequence[str]) -> int:
    """Put the lessons and their data into a folder, and say how to open them."""
    parser = verb_parser("lessons", "Put the lessons and their data into a folder.", "",
                         ("folder", "DIR", "made if it is not there"),
                         ("--overwrite", "", "replace lessons there already"))
    args = parser.parse_args(argv)
    folder = Path(args.folder)
    write({folder / place / path.name: path.read_bytes() for place in ("notebooks", "data")
           for path in sorted(shipped_path(place).iterdir()) if path.is_file()},
          folder, overwrite=args.overwrite)
    first = shlex.quote(str(folder / "notebooks" / "00_start_here.ipynb"))
    print(plain(f"Now open them: jupyter lab {first}"))
    print("(without JupyterLab: pip install 'fillalign[notebooks]')")
    return OK


def pocket(argv: Sequence[str]) -> int:
    """Write the answer on a ladder as a page for a phone without Python."""
    parser = verb_parser(
        "pocket", "Write the answer for one fill as a page for a phone: two distances, the "
        "temperature, meter readings. It needs no network and no Python, and prints as a card.",
        "", ("file", "FILE.html", ""), _REPLACE)
    args = parser.parse_args(argv)
    if not args.file.lower().endswith(".html"):
        parser.error(f"the page is HTML: its name must end in .html, got {args.file}")
    write({Path(args.file): pocket_page().encode()}, overwrite=args.overwrite)
    return OK


def new(argv: Sequence[str]) -> int:
    """Write a first venue file from a handful of numbers, asked for where they are not given."""
    parser = verb_parser(
        "new", "Write a first venue file from a handful of numbers; what is not given is asked "
        "for. With a name that ends in .html: a blank survey form to print.",
        "gym.toml --name Gym --length-m 36 --width-m 18", ("file", "FILE.toml", ""), _REPLACE)
    parser.add_argument("--name", help="name of the venue")
    parser.add_argument("--programme", choices=("speech", "music"))
    for key, words, unit, low, high, _ in QUESTIONS:
        parser.add_argument(option(key), type=number, metavar=unit.upper(),
                            help=f"{words} ({low:g} to {high:g} {unit})")
    args = parser.parse_args(argv)
    form = args.file.lower().endswith(".html")
    with parser.judging():
        content = survey_form_html() if form else _first_venue(vars(args))
    write({Path(args.file): content.encode()}, overwrite=args.overwrite)
    if not form:
        for doubt in room_doubts(read_venue(args.file)):
            print(plain(f"look: {doubt}"))
        print(plain(f"Now plan it: fillalign {shlex.quote(args.file)}"))
    return OK


def _first_venue(given: dict[str, Any]) -> str:
    """Return a first venue file; what is not given is asked for, and once more where it is wrong.

    What does not fit the other answers is named by the first word of what is said of it. Where
    nobody is there to ask, all that is missing or wrong is named at once.
    """
    asking: dict[str, tuple[str, str, Callable[[str], Any]]] = {
        "name": ("name of the venue", "", str), "programme": ("speech or music", "speech", str)}
    for key, words, unit, low, high, usual in QUESTIONS:
        asking[key] = (f"{words}, in {unit} ({option(key)})", "" if usual is None else f"{usual:g}",
                       partial(_number_within, key, unit, low, high))
    answers = {key: given[key] for key in asking if given[key] is not None}
    if not sys.stdin or not sys.stdin.isatty():
        return starter_toml(**{"name": "", "programme": "speech", **answers})
    while True:
        answers |= {key: _asked(*asked) for key, asked in asking.items() if key not in answers}
        try:
            return starter_toml(**answers)
        except ValueError as error:
            wrong = {line.partition(" ")[0]: line for line in str(error).splitlines()}
            if any(given.get(key, error) is not None for key in wrong):
                raise
            for key, line in wrong.items():
                print(plain(line), file=sys.stderr)
                del answers[key]


def _number_within(key: str, unit: str, low: float, high: float, text: str) -> float:
    return as_number(key, number(text), unit, low=low, high=high)


def _asked(words: str, usual: str, taken: Callable[[str], Any]) -> Any:
    """Ask at the prompt until it can be taken; the usual where nobody is there, or one error."""
    while True:
        try:
            said = input(f"{words}{usual and f' [{usual}]'}: ").strip() or usual
        except EOFError:
            if not usual:
                raise ValueError(f"{words}: not given, and nobody is there to ask") from None
            said = usual
        try:
            return taken(said)
        except (ValueError, argparse.ArgumentTypeError) as error:
            print(plain(str(error)), file=sys.stderr)
