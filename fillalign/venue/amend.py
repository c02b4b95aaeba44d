"""A venue file with one value changed or entries added, and every other letter of it kept."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from fillalign._text import plain, quoted
from fillalign._validate import as_number, check_type

_HAND = "put {} into the table of output {} by hand: this file is not written as ours are"


def _header(line: str) -> dict[str, Any] | None:
    """Return the tables that a line opens, None where it opens none."""
    if not line.lstrip().startswith("["):
        return None
    try:
        return tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return None


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
    value = round(as_number("latency_ms", latency_ms, "ms", low=0, high=1000), 2)
    told = f"latency_ms = {value}" + (f"  # {plain(note)}" if note else "")
    by_hand = _HAND.format(f"latency_ms = {value}", quoted(output))
    lines = text.splitlines(keepends=True)
    wanted: dict[str, Any] = {"output": {output: {}}}
    start = next((at for at, line in enumerate(lines) if _header(line) == wanted), None)
    if start is None:
        raise ValueError(by_hand)
    end = next((at for at in range(start + 1, len(lines)) if lines[at].lstrip().startswith("[")),
               len(lines))
    old = next((at for at in range(start + 1, end)
                if re.match(r"\s*[\"']?latency_ms[\"']?\s*=", lines[at])), None)
    ending = "\r\n" if lines[start].endswith("\r\n") else "\n"
    lines[start] = lines[start].rstrip("\r\n") + ending
    place = start + 1 if old is None else old
    lines[place : place + (old is not None)] = [told + ending]
    made = "".join(lines)
    if not text.endswith(("\n", "\r")):
        made = made.removesuffix(ending)
    after = tomllib.loads(text)
    after["output"][output]["latency_ms"] = value
    return _checked(made, after, by_hand)


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
    return _checked(made, after, "paste the entries by hand: this file is not written as ours are")


def _checked(made: str, after: Mapping[str, Any], by_hand: str) -> str:
    """Return a text if it says what it shall say, or raise ValueError."""
    try:
        right = tomllib.loads(made) == after
    except tomllib.TOMLDecodeError:
        right = False
    if not right:
        raise ValueError(by_hand)
    return made
