"""Names from a venue file made harmless: on a terminal, in a table, as a file name.

Private to the package.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

_JOINERS = "\u200c\u200d\u00ad"
_HIDDEN = ("Cc", "Cf", "Cs", "Zl", "Zp")
_FORMULA = re.compile(r"(^|[;,|\"])(\s*)(?=[=+\-@\uff1d\uff0b\uff0d\uff20])")
_SLUG_LENGTH = 48
_SHORT = 60
LONGEST_PATH = 240


def plain(text: str) -> str:
    r"""Return text with every control, line and direction mark spelled out.

    Examples
    --------
    >>> plain("Hall\x1b[2J\u202e")
    'Hall[U+001B][2J[U+202E]'
    """
    return "".join(
        f"[U+{ord(mark):04X}]"
        if mark not in _JOINERS and unicodedata.category(mark) in _HIDDEN
        else mark
        for mark in text
    )


def short(text: str, most: int = _SHORT) -> str:
    r"""Return text on one line of at most so many characters, for an error message.

    Examples
    --------
    >>> short("a\nb"), len(short("x" * 10_000))
    ('a[U+000A]b', 60)
    """
    shown = plain(text)
    return shown if len(shown) <= most else f"{shown[:most - 3]}..."


def quoted(value: object) -> str:
    """Return a value in quotes as Python writes it, shortened.

    Examples
    --------
    >>> print(quoted("Fill 1"), quoted(3))
    'Fill 1' 3
    """
    return short(repr(value))


def listed(names: Iterable[str]) -> str:
    """Return names with commas between, each shortened, 60 of them at most.

    Examples
    --------
    >>> listed(["Mains", "Fills"]), listed(map(str, range(90)))[-7:]
    ('Mains, Fills', '59, ...')
    """
    words = [short(name) for name in names]
    return ", ".join([*words[:_SHORT], *(["..."] if len(words) > _SHORT else [])])


def html_text(text: str) -> str:
    """Return text that is safe inside HTML, also inside an attribute.

    Examples
    --------
    >>> html_text("<b> & 'so'")
    '&lt;b&gt; &amp; &#x27;so&#x27;'
    """
    from html import escape

    return escape(plain(text))


def csv_text(text: str) -> str:
    """Return text that no spreadsheet takes for a formula.

    An apostrophe goes before anything that could start one, also after a mark
    that some spreadsheets split cells at.

    Examples
    --------
    >>> csv_text("=1+1"), csv_text("Fill 1+2"), csv_text("A; @now")
    ("'=1+1", 'Fill 1+2', "A;' @now")
    """
    return _FORMULA.sub(r"\1'\2", plain(text))


def slug(text: str) -> str:
    """Return a file name of lower-case ASCII letters, digits and hyphens.

    Examples
    --------
    >>> slug("../Tidewell Hall: caf\u00e9"), slug("\u202e")
    ('tidewell-hall-cafe', 'venue')
    """
    ascii_only = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    words = re.sub(r"[^a-z0-9]+", "-", ascii_only.lower())
    return words.strip("-")[:_SLUG_LENGTH].rstrip("-") or "venue"
