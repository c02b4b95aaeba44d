"""The command as its tests call it."""

from __future__ import annotations

import contextlib
import io
import shlex

from fillalign.__main__ import main


def ends(argv):
    """Exit code of a command, also where the parser itself ends it."""
    try:
        return main(argv)
    except SystemExit as stop:
        return stop.code


def help_of(verb):
    """Return the help of a verb."""
    with contextlib.redirect_stdout(io.StringIO()) as said:
        assert ends([verb, "--help"]) == 0
    return said.getvalue()


def example_of(verb):
    """Return the words of the example in the help of a verb, without the command's name."""
    text = " ".join(help_of(verb).partition("example: ")[2].split())
    name, *words = shlex.split(text)
    assert name == "fillalign"
    assert words[0] == verb
    return words
