"""Files written whole or not at all, and never over another one unless told.

Private to the package, except for the error.
"""

from __future__ import annotations

import contextlib
import os
import signal
import stat
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from fillalign._text import LONGEST_PATH, plain, short
from fillalign._validate import check_flag


class SheetError(OSError):
    """A file that cannot be written.

    Attributes
    ----------
    path : pathlib.Path
        The file or folder it is about.
    problem : str
        What is wrong with it.

    Examples
    --------
    >>> from pathlib import Path
    >>> print(SheetError(Path("hall.csv"), "is there already"))
    hall.csv: is there already
    """

    def __init__(self, path: Path, problem: str) -> None:
        super().__init__(f"{short(str(path), LONGEST_PATH)}: {plain(problem)}")
        self.path, self.problem = path, problem


def _reason(error: OSError) -> str:
    if isinstance(error, FileExistsError):
        return "is there already; nothing was written (overwrite=True or --overwrite replaces it)"
    return f"cannot be written, {error.strerror or error}; nothing was changed"


def _spare(target: Path, ending: str) -> Path:
    """Return a name beside the target that nobody else uses."""
    return target.with_name(f".{target.name[:40]}.{os.urandom(6).hex()}.{ending}")


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
        try:
            target.open("xb").close()
            os.replace(part, target)
        except FileExistsError:
            raise
        except BaseException:
            target.unlink(missing_ok=True)
            raise


def _publish_over(part: Path, target: Path, old: Path) -> None:
    """Give a finished file its name and rights; the one that had them is kept as `old`."""
    before = target.lstat()
    if stat.S_ISREG(before.st_mode):
        # A file system without rights has none to lose.
        with contextlib.suppress(OSError):
            part.chmod(stat.S_IMODE(before.st_mode))
    try:
        os.link(target, old)
    except OSError:
        import shutil

        shutil.copy2(target, old, follow_symlinks=False)
    os.replace(part, target)


def _undo(begun: Mapping[Path, Path], parts: Mapping[Path, Path]) -> None:
    """Take back what was published of what was begun; `begun` tells where the old files are."""
    for target, old in begun.items():
        moved = not os.path.lexists(parts[target])
        if moved and os.path.lexists(old):
            os.replace(old, target)
        elif moved or (os.path.lexists(target)
                       and os.path.samestat(parts[target].lstat(), target.lstat())):
            target.unlink()


def _discard(paths: Iterable[Path]) -> None:
    for path in paths:
        with contextlib.suppress(OSError):
            path.unlink()


def _impossible(path: Path) -> bool:
    """Whether no file can have this name: a null, or half a character."""
    try:
        return b"\0" in os.fsencode(path)
    except UnicodeEncodeError:
        return True


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
        is there still, also after an interrupt.
    """
    parts = {target: _spare(target, "part") for target in contents}
    begun: dict[Path, Path] = {}
    target = next(iter(contents))
    check_flag("overwrite", overwrite)
    for target in contents:
        if _impossible(target):
            raise SheetError(target, "is no name that a file can have")
    try:
        for target in contents:
            if not overwrite and os.path.lexists(target):
                raise FileExistsError
        for target, content in contents.items():
            _put(content, parts[target])
        for target, part in parts.items():
            begun[target] = _spare(target, "old")
            if overwrite and os.path.lexists(target):
                _publish_over(part, target, begun[target])
            else:
                _publish_new(part, target)
    except BaseException as error:
        _undo(begun, parts)
        if isinstance(error, OSError):
            raise SheetError(target, _reason(error)) from error
        raise
    finally:
        _discard([*parts.values(), *begun.values()])


@contextlib.contextmanager
def signals_wait() -> Iterator[None]:
    """Let an interrupt, or the system's wish to end, wait until the files are written and named."""
    came: list[int] = []
    usual = {}
    # Only the main thread hears signals.
    with contextlib.suppress(ValueError):
        for number in (signal.SIGINT, signal.SIGTERM):
            usual[number] = signal.signal(number, lambda caught, _: came.append(caught))
    try:
        yield
    finally:
        for number, handler in usual.items():
            signal.signal(number, handler)
        if came:
            signal.raise_signal(came[0])
