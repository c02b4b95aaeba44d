"""What a learner has written down: predictions, answers and ticks, kept in a small file.

In a notebook the file `my_answers.json` lies beside the lesson and is found again
after a restart, by every lesson of the folder. Elsewhere all stays in memory until
`keep_in` names a file.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal

Kind = Literal["predictions", "answers", "ticks"]
KINDS: tuple[Kind, ...] = ("predictions", "answers", "ticks")
FILE = "my_answers.json"

_kept: dict[str, dict[str, Any]] = {kind: {} for kind in KINDS}
_listeners: list[Callable[[], None]] = []
_file: Path | None = None
_asked = False


def parsed(text: str) -> dict[str, dict[str, Any]]:
    """Return what a file or a line holds, by kind and name.

    Raises
    ------
    ValueError
        If it holds something else.

    Examples
    --------
    >>> parsed('{"predictions": {"00-a": 70}}')["predictions"]
    {'00-a': 70}
    """
    try:
        found = json.loads(text)
        return {kind: dict(found.get(kind, {})) for kind in KINDS}
    except (ValueError, TypeError, AttributeError):
        raise ValueError(f"these are no answers of a lesson: {text.strip()[:60]!r}") from None


def keep_in(path: str | Path = FILE) -> str:
    """Keep what is written down in a file from now on, and take up what it holds.

    Parameters
    ----------
    path : str or Path
        Where; made with the first thing written down if it is not there.

    Raises
    ------
    ValueError
        If the file holds something else; it is left as it is.
    """
    global _file, _asked
    where = Path(path).absolute()
    if where.is_file():
        for kind, values in parsed(where.read_text("utf-8", "replace")).items():
            _kept[kind].update(values)
    _file, _asked = where, True
    return f"What you write down is kept in {where.name}."


def _in_a_notebook() -> bool:
    """Return whether this process is a notebook's kernel."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return hasattr(shell, "kernel")


def _found() -> None:
    """Find the file beside the lesson, once, where a notebook is running."""
    global _asked
    if _asked or not _in_a_notebook():
        return
    _asked = True
    with suppress(ValueError, OSError):
        keep_in()


def kept(kind: Kind) -> dict[str, Any]:
    """Return what is written down of a kind, by name."""
    _found()
    return dict(_kept[kind])


def keep(kind: Kind, name: str, value: Any) -> str:
    """Write something down, and return why the file could not take it, or nothing.

    What other lessons have put into the file since stays there.
    """
    _found()
    _kept[kind][name] = value
    said = "" if _file is None else _written(_file, kind, name)
    for call in _listeners:
        call()
    return said


def _written(path: Path, kind: Kind, name: str) -> str:
    part = path.with_name(f".{path.name}.part")
    try:
        whole = parsed(path.read_text("utf-8", "replace")) if path.is_file() else kept_by_kind()
        whole[kind][name] = _kept[kind][name]
        # Put in its place as a whole, so that a full disk leaves the old one.
        part.write_text(f"{json.dumps(whole, sort_keys=True)}\n", "utf-8")
        os.replace(part, path)
    except (OSError, ValueError) as error:
        with suppress(OSError):
            part.unlink()
        reason = (f"cannot be written, {error.strerror}" if isinstance(error, OSError)
                  else str(error))
        return f"Not kept: {path}: {reason}; nothing was changed"
    return ""


def kept_by_kind() -> dict[str, dict[str, Any]]:
    """Return everything written down, by kind and name."""
    return {kind: dict(_kept[kind]) for kind in KINDS}


def kept_text() -> str:
    """Return everything written down as one line of text, to hand to the educator.

    Examples
    --------
    >>> kept_text()
    '{"answers": {}, "predictions": {}, "ticks": {}}'
    """
    _found()
    return json.dumps(kept_by_kind(), sort_keys=True)


def on_change(call: Callable[[], None]) -> None:
    """Have something called whenever anything is written down or cleared."""
    _listeners.append(call)


def forget() -> None:
    """Forget everything in memory and let the file go, which keeps what it holds."""
    global _file, _asked
    for values in _kept.values():
        values.clear()
    _listeners.clear()
    _file, _asked = None, False


def clear() -> None:
    """Wipe everything written down, in memory and in the file.

    Raises
    ------
    OSError
        If the file cannot be removed; then nothing is wiped.
    """
    _found()
    if _file is not None:
        _file.unlink(missing_ok=True)
    for values in _kept.values():
        values.clear()
    for call in _listeners:
        call()
