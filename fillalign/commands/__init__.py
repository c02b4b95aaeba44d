"""The command: verbs, and what is asked without one.

In: the words typed after `fillalign`. Out: what is printed, files that are
asked for, and an exit code. A verb is a function of the words after it that
returns the code; it stands in `VERBS` by the module that has it, which is
loaded when the verb is used. A file that cannot be read or written it lets pass.
"""

import os
import sys
from collections.abc import Sequence
from importlib import import_module

from fillalign.commands.common import INTERRUPTED, NOT_WRITTEN, OK, fail, failed, plain_warnings

__all__ = [
    "INTERRUPTED",
    "NOT_WRITTEN",
    "OK",
    "VERBS",
    "answer",
    "fail",
    "plain_warnings",
]

VERBS = {
    "decay": "ears", "lessons": "start", "new": "start", "places": "plan", "pocket": "start",
    "retime": "weather", "signal": "ears", "take": "takes",
}
"""Verbs of the command and their modules; anything else is a venue or a laser's numbers."""


def answer(words: Sequence[str]) -> int:
    """Answer what was typed after the command's name, and return the exit code."""
    verb = len(words) > 0 and words[0] in VERBS and not os.path.lexists(words[0])
    module = import_module(f"fillalign.commands.{VERBS[words[0]] if verb else 'plan'}")
    asked = getattr(module, words[0] if verb else "plan_or_ladder")
    with plain_warnings(sys.stderr):
        try:
            return int(asked(words[1:] if verb else words))
        except (OSError, ValueError) as error:
            return failed(error)
