"""Writes a venue as the file that it can be read from, or amends one and keeps its other letters.

In come rows, as the rules see them; out goes TOML with every key written out, so that what
is read again is equal.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any

from fillalign._text import plain, quoted
from fillalign._validate import as_number, check_type
from fillalign.propagation import LATENCY
from fillalign.venue.values import NAMED, ROWS, Row

_HEAD = """\
# A venue of fillalign, in metres, degrees, milliseconds, decibels and degrees Celsius, as
# the end of each key says. The library's tidewell_hall.toml explains every key.
"""
_LEFT = "\n# Worked out or taken by default when this was read first; check it:\n"


def _text(value: str) -> str:
    """Return text in quotes: what JSON escapes, TOML escapes alike."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    if value is None or value == float("-inf"):
        return '"none"' if value is None else '"off"'
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{band} = {_value(item)}' for band, item in value.items())} }}"
    if isinstance(value, Sequence):
        return f"[{', '.join(map(_value, value))}]"
    return str(value).lower() if isinstance(value, bool) else repr(value)


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
    return f"[{whole}]\n" + "".join(f"{key} = {_value(value)}\n" for key, value in values.items())


def _entries(head: str, row: Row) -> Iterator[str]:
    """Yield a row as a table, and those inside it: whatever follows them would be theirs."""
    named = row.family in NAMED
    yield "\n" + entry_toml(head, {key: value for key, value in row.items()
                                   if not isinstance(value, Row) and not (named and key == "name")})
    for key, value in row.items():
        if isinstance(value, Row):
            yield from _entries(f"{head}.{key}", value)


def toml_text(rows: Mapping[str, Sequence[Row]], left: Sequence[str] = ()) -> str:
    """Return the file of a venue: its rows by family, and what was left to the library."""
    lines = [_HEAD, *([_LEFT] if left else []), *(f"# {plain(line)}\n" for line in left)]
    for family, row in ((family, row) for family, several in rows.items() for row in several):
        bare = re.fullmatch(r"[A-Za-z0-9_-]+", row.name)
        head = f"{family}.{row.name if bare else _text(row.name)}" if family in NAMED else family
        lines += _entries(f"[{family}]" if family in ROWS else head, row)
    return "".join(lines)


def with_latency(text: str, output: str, latency_ms: float, *, note: str = "") -> str:
    r"""Return the text of a venue file with another latency of one output.

    Parameters
    ----------
    text : str
        The file; comments and order are kept.
    output : str
        Name of the output.
    latency_ms : float
        Its latency, 0 to 1000 ms; written to 0.01 ms.
    note : str
        Said behind the value, as a comment.

    Raises
    ------
    TypeError, ValueError
        If the latency is out of range, or the output's table cannot be found in the text.

    Examples
    --------
    >>> print(with_latency('[output."Fill 1"]  # deep\nlatency_ms = 1  # old', "Fill 1", 3.456))
    [output."Fill 1"]  # deep
    latency_ms = 3.46
    """
    check_type("text", text, str)
    value = round(as_number("latency_ms", latency_ms, **LATENCY._asdict()), 2)
    told, after = f"latency_ms = {value}{note and f'  # {plain(note)}'}", tomllib.loads(text)
    with suppress(KeyError, TypeError):
        old = "latency_ms" in after["output"][output]
        # No output has this latency: where it is read again is where the line belongs.
        after["output"][output]["latency_ms"] = probe = -1.0
        lines = text.splitlines(keepends=True)
        for at, line in enumerate(lines):
            if re.match(r"\s*[\"']?latency_ms[\"']?\s*=" if old else r"\s*\[", line):
                ending = "\r\n" if line.endswith("\r\n") else "\n"
                before = "".join(lines[:at]) + ("" if old else line.rstrip("\r\n") + ending)
                behind = ending + "".join(lines[at + 1 :])
                if _says(f"{before}latency_ms = {probe}{behind}", after):
                    made = before + told + behind
                    return made if text.endswith(("\n", "\r")) else made.removesuffix(ending)
    raise ValueError(f"put latency_ms = {value} into the table of output {quoted(output)} by hand: "
                     "this file is not written as ours are")


def with_entries(text: str, entries: str) -> str:
    r"""Return the text of a venue file with entries at its end, such as `measured_toml` makes.

    Raises
    ------
    TypeError, ValueError
        If the entries cannot stand at the end of this file.

    Examples
    --------
    >>> print(with_entries("[venue]", "[[measured]]\nlevel_dba = 70.0"))
    [venue]
    <BLANKLINE>
    [[measured]]
    level_dba = 70.0
    """
    check_type("text", text, str)
    ending = "\r\n" if "\r\n" in text else "\n"
    apart = 2 * ending if text.strip() else ""
    made = text.rstrip("\r\n") + apart + entries.replace("\n", ending)
    after, new = tomllib.loads(text), tomllib.loads(entries)
    for family, rows in new.items():
        before = after.setdefault(family, type(rows)())
        if type(before) is not type(rows):
            raise ValueError(f"the file has {family} in another form: paste the entries by hand")
        if isinstance(rows, list):
            before += rows
        else:
            before.update(rows)
    if not _says(made, after):
        raise ValueError("paste the entries by hand: this file is not written as ours are")
    return made


def _says(made: str, after: Mapping[str, Any]) -> bool:
    """Whether a text is a file that says what it shall say."""
    try:
        return tomllib.loads(made) == after
    except tomllib.TOMLDecodeError:
        return False
