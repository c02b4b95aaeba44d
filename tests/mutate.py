"""Change the code in small ways, one at a time, and see whether the tests notice.

    python tests/mutate.py [word ...]

`mutations.toml` beside this file lists the changes: what is broken in words, file, old
text, new text, and the tests that must fail. Each is tried in a copy of the tree, two at
a time; with words, only those whose description or file holds one of them. Changes that
no test noticed, and those whose old text is no longer there once, are printed; the
command ends with status 1 if there are any.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
COPIED = ("fillalign", "tests", "data", "notebooks", "README.md", "DEVELOPERS.md", "pyproject.toml")
AT_ONCE = 2
LIMIT_S = 600
NOTICED, SURVIVED, GONE, UNFAIR = "noticed", "SURVIVED", "GONE", "UNFAIR"


@dataclass(frozen=True)
class Change:
    """One change: in words, where, from which text to which, and the tests that must notice."""

    what: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]

    def fits(self, tree: Path) -> bool:
        """Return whether the old text is there exactly once and the new one differs."""
        path = tree / self.file
        text = path.read_text(encoding="utf-8") if path.is_file() else ""
        return text.count(self.old) == 1 and self.old != self.new

    def apply(self, tree: Path) -> None:
        """Make the change in a tree."""
        path = tree / self.file
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace(self.old, self.new), encoding="utf-8")


def listed(root: Path, words: Iterable[str] = ()) -> list[Change]:
    """Return the changes of a tree's list, those with one of some words if any are given."""
    tables = tomllib.loads((root / "tests" / "mutations.toml").read_text(encoding="utf-8"))
    changes = [
        Change(one["what"], file["file"], one["old"], one["new"],
               tuple(one.get("tests", file["tests"])))
        for file in tables["file"] for one in file["change"]
    ]
    wanted = [word.lower() for word in words]
    return [one for one in changes
            if not wanted or any(word in f"{one.what} {one.file}".lower() for word in wanted)]


def copied(root: Path, folder: str) -> Path:
    """Return a copy of a tree in a folder."""
    tree = Path(folder) / "tree"
    tree.mkdir()
    for name in COPIED:
        if (root / name).is_dir():
            shutil.copytree(root / name, tree / name,
                            ignore=shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints"))
        elif (root / name).is_file():
            shutil.copy(root / name, tree / name)
    return tree


def run_tests(tree: Path, tests: Iterable[str]) -> tuple[int, str]:
    """Run some tests of a tree until one fails; return pytest's status and what it said."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "--tb=short", "-p", "no:cacheprovider",
               "-o", "addopts=--doctest-modules", "-m", "not long and not draws", *tests]
    environment = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True,
                              timeout=LIMIT_S, check=False)
    except subprocess.TimeoutExpired:
        return 1, f"no end within {LIMIT_S} s"
    return done.returncode, done.stdout + done.stderr


def tried(root: Path, change: Change) -> tuple[str, str]:
    """Try one change; return the verdict and, where it is a bad one, why."""
    with tempfile.TemporaryDirectory() as folder:
        tree = copied(root, folder)
        if not change.fits(tree):
            return GONE, f"the old text is not there exactly once: {change.old!r}"
        change.apply(tree)
        status, said = run_tests(tree, change.tests)
    # A tree that does not even load proves nothing about its tests.
    if status not in (0, 1) or "ERROR collecting" in said:
        return UNFAIR, said[-2000:]
    return (NOTICED, "") if status else (SURVIVED, " ".join(change.tests))


def tried_all(root: Path, changes: list[Change]) -> Iterator[tuple[Change, str, str]]:
    """Try changes, several at once; yield each with its verdict in the order of the list."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for change, result in zip(changes, pool.map(lambda one: tried(root, one), changes),
                                  strict=True):
            yield change, *result


def sound(root: Path, changes: list[Change]) -> str:
    """Return what fails of the tests named while nothing is changed."""
    with tempfile.TemporaryDirectory() as folder:
        tests = sorted({test for change in changes for test in change.tests})
        status, said = run_tests(copied(root, folder), tests)
    return said[-4000:] if status else ""


def main(words: list[str], root: Path = ROOT) -> int:
    """Try the changes asked for and print what was not noticed; return 1 if there is any."""
    changes = listed(root, words)
    if not changes:
        print("no such change is listed")
        return 2
    failing = sound(root, changes)
    if failing:
        print(f"these tests fail before anything is changed:\n{failing}")
        return 2
    bad = 0
    for change, verdict, why in tried_all(root, changes):
        print(f"{verdict:<9} {change.file}: {change.what}", flush=True)
        if verdict != NOTICED:
            bad += 1
            print(f"          {why}", flush=True)
    print(f"{len(changes) - bad} of {len(changes)} changes noticed")
    return int(bad > 0)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
