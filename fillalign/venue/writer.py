"""Writes a venue as the file that it can be read from.

In come rows, as the rules see them; out goes TOML with every key written out, so that what
is read again is equal.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence

from fillalign._text import plain
from fillalign.venue.rules import TABLES
from fillalign.venue.values import NAMED, ROWS, Key, Row

_HEAD = """\
# A venue of fillalign, in metres, degrees, milliseconds, decibels and degrees Celsius, as
# the end of each key says. The library's tidewell_hall.toml explains every key.
"""
_LEFT = "\n# Worked out or taken by default when this was read first; check it:\n"


def _text(value: str) -> str:
    """Return text in quotes: what JSON escapes, TOML escapes alike."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(key: Key | None, value: object) -> str:
    if key and key.word and (value is None or value == float("-inf")):
        return _text(key.word)
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{band} = {_value(None, item)}" for band, item in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, Sequence):
        return f"[{', '.join(_value(None, item) for item in value)}]"
    return str(value).lower() if isinstance(value, bool) else repr(value)


def _table(head: str, family: str, row: Row) -> Iterator[str]:
    """Yield the lines of a table, and of one inside it."""
    yield f"\n{head}\n"
    for name, value in row.items():
        if not isinstance(value, Row) and (name != "name" or family not in NAMED):
            yield f"{name} = {_value(TABLES[family][name], value)}\n"
    # Whatever follows a table inside would be taken for a key of it.
    for name, value in row.items():
        if isinstance(value, Row):
            yield from _table(f"{head[:-1]}.{name}]", name, value)


def toml_text(rows: Mapping[str, Sequence[Row]], left: Sequence[str] = ()) -> str:
    """Return the file of a venue: its rows by family, and what was left to the library."""
    lines = [_HEAD, *([_LEFT] if left else []), *(f"# {plain(line)}\n" for line in left)]
    for family, several in rows.items():
        for row in several:
            bare = re.fullmatch(r"[A-Za-z0-9_-]+", row.name)
            named = f"[{family}.{row.name if bare else _text(row.name)}]"
            head = f"[[{family}]]" if family in ROWS else f"[{family}]"
            lines += _table(named if family in NAMED else head, family, row)
    return "".join(lines)


def entry_toml(head: str, values: Mapping[str, object], *, name: str | None = None) -> str:
    """Return one table as a venue file has it, or what was set: its head, and a line a key.

    Examples
    --------
    >>> print(entry_toml("[reading]", {"output": "Fill", "at_m": [30.0, 3.0, 1.2]}))
    [[reading]]
    output = "Fill"
    at_m = [30.0, 3.0, 1.2]
    <BLANKLINE>
    >>> print(entry_toml("output", {"delay_ms": 76.3}, name="Fill inner"))
    [output."Fill inner"]
    delay_ms = 76.3
    <BLANKLINE>
    """
    whole = head if name is None else f"{head}.{_text(name)}"
    return f"[{whole}]\n" + "".join(f"{key} = {_value(None, value)}\n"
                                    for key, value in values.items())
