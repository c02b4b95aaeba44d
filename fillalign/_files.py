"""Files written whole or not at all, and never over another one unless told.

Private to the package, except for the error.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path

from fillalign._text import plain


class SheetError(OSError):
    """A file that cannot be written.

    Attributes
    ----------
    path : pathlib.Path
        The file or folder it is about.

    Examples
    --------
    >>> from pathlib import Path
    >>> print(SheetError(Path("hall.csv"), "is there already"))
    hall.csv: is there already
    """

    def __init__(self, path: Path, problem: str) -> None:
        super().__init__(f"{plain(str(path))}: {plain(problem)}")
        self.path = path


def _reason(error: OSError) -> str:
    if isinstance(error, FileExistsError):
        return "is there already; nothing was written (overwrite=True or --overwrite replaces it)"
    return f"cannot be written, {error.strerror or error}; nothing was changed"


def _spare(target: Path, ending: str) -> Path:
    """Return a name beside the target that nobody else uses."""
    return target.with_name(f".{target.name[:40]}.{secrets.token_hex(6)}.{ending}")


def _put(content: bytes, path: Path) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _publish_new(part: Path, target: Path) -> None:
    """Give a finished file its name, unless the name is taken."""
    try:
        os.link(part, target)
    except FileExistsError:
        raise
    except OSError:
        # Some file systems know no links: claim the name first, then move.
        target.open("xb").close()
        try:
            os.replace(part, target)
        except OSError:
            target.unlink()
            raise


def _publish_over(part: Path, target: Path) -> Path | None:
    """Give a finished file its name; return the copy kept of an old one, if there was one."""
    if not os.path.lexists(target):
        _publish_new(part, target)
        return None
    old = _spare(target, "old")
    try:
        os.link(target, old)
    except OSError:
        shutil.copy2(target, old, follow_symlinks=False)
    try:
        os.replace(part, target)
    except OSError:
        old.unlink()
        raise
    return old


def _undo(done: Mapping[Path, Path | None]) -> None:
    for target, old in done.items():
        if old is None:
            target.unlink(missing_ok=True)
        else:
            os.replace(old, target)


def _discard(paths: Iterable[Path]) -> None:
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink()


def write_whole(contents: Mapping[Path, bytes], *, overwrite: bool = False) -> None:
    """Write some files: all of them, each whole, or none.

    Parameters
    ----------
    contents : mapping of Path to bytes
        What to write where.
    overwrite : bool
        Whether files that are there already may be replaced.

    Raises
    ------
    SheetError
        If a file cannot be written or is there already. What was there before
        is there still.
    """
    parts = {target: _spare(target, "part") for target in contents}
    done: dict[Path, Path | None] = {}
    target = next(iter(contents))
    try:
        for target in contents:
            if not overwrite and os.path.lexists(target):
                raise FileExistsError
        for target, content in contents.items():
            _put(content, parts[target])
        for target, part in parts.items():
            if overwrite:
                done[target] = _publish_over(part, target)
            else:
                _publish_new(part, target)
                done[target] = None
    except BaseException as error:
        _undo(done)
        if isinstance(error, OSError):
            raise SheetError(target, _reason(error)) from error
        raise
    finally:
        _discard(parts.values())
    _discard(old for old in done.values() if old is not None)
