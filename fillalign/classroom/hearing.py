"""Heard blind: a sentence at a seat, a box to type what was heard, and how much of it was right."""

from __future__ import annotations

import re
from difflib import SequenceMatcher

import numpy as np

from fillalign.classroom.players import FloatArray, players_html
from fillalign.classroom.widgets import Shown, button, entry, markup, row, say, stack, words


def words_right(heard: str, said: str) -> tuple[int, int]:
    """Return how many words of a sentence were heard, in their order, and how many it has.

    Examples
    --------
    >>> words_right("the fill, softly... says", "The stage speaks; the fill softly says it.")
    (4, 8)
    """
    mine, theirs = (re.findall(r"[a-z']+", text.lower().replace("-", " "))
                    for text in (heard, said))
    blocks = SequenceMatcher(None, mine, theirs, autojunk=False).get_matching_blocks()
    return sum(block.size for block in blocks), len(theirs)


class HeardBox(Shown):
    """A sound without its name, and a box for the words; the answer tells what it was.

    Attributes
    ----------
    entry, check, reply : widget
        What was heard, the button, and what became of it.
    samples : ndarray
        What plays.
    text : str
        The task.
    """

    def __init__(
        self, name: str, samples: FloatArray, sample_rate_hz: float, *, said: str, what: str
    ) -> None:
        self.samples, self._said, self._what = np.asarray(samples), said, what
        self.text = f"{name}: play it once, and type the words that you heard."
        self.entry = entry("What you heard", enter=self._checked, hint="words")
        self.check = button("Check", self._checked)
        self.reply = words("", "reply", role="status")
        self.box = stack(words(self.text, "question"),
                         markup(players_html({"": self.samples}, sample_rate_hz)),
                         row(self.entry, self.check), self.reply)

    def _checked(self) -> None:
        if not self.entry.value.strip():
            say(self.reply, "Type what you heard, a single word will do.")
            return
        right, of = words_right(self.entry.value, self._said)
        say(self.reply, f"{right} of {of} words. It was: \u201c{self._said}\u201d\n{self._what}")
