"""Side by side with two libraries of neighbouring fields: what a scripter meets first.

    python tests/benchmarks/neighbours.py

Each row is measured in this environment: import times in fresh interpreters (the least of
five), what else is installed with it, names on top, what a bad value is answered with,
Series in and out, types, plots, and examples that run in an empty folder.
"""

from __future__ import annotations

import doctest
import importlib
import inspect
import io
import pkgutil
import re
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from contextlib import chdir, redirect_stdout
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

LIBRARIES = ("fillalign", "pvlib", "pyfar")
SERIES = pd.Series([10.0, 20.0, 30.0],
                   pd.date_range("2031-05-01", periods=3, freq="h", tz="Europe/Lisbon"))
# The same kind of question to each: physics of air from a temperature, and a nonsense value.
PHYSICS: dict[str, Callable[[Any], Any]] = {
    "fillalign": lambda t: importlib.import_module("fillalign").speed_of_sound(t),
    "pvlib": lambda t: importlib.import_module("pvlib.atmosphere").gueymard94_pw(t, 50.0),
    "pyfar": lambda t: importlib.import_module("pyfar").constants.speed_of_sound_ideal_gas(
        t, 0.5),
}


FIRST = {"fillalign": "fillalign.speed_of_sound(20.0)",
         "pvlib": "pvlib.atmosphere.gueymard94_pw(20.0, 50.0)",
         "pyfar": "pyfar.constants.speed_of_sound_ideal_gas(20.0, 0.5)"}


def import_ms(name: str) -> str:
    """Least times that importing a library and a first answer take, numpy being loaded already."""
    code = (f"import numpy, time; start = time.perf_counter(); import {name}; "
            f"middle = time.perf_counter(); {FIRST[name]}; end = time.perf_counter(); "
            "print(1000 * (middle - start), 1000 * (end - start))")
    runs = [subprocess.run([sys.executable, "-W", "ignore", "-c", code], capture_output=True,
                           text=True, check=True).stdout.split() for _ in range(5)]
    return " / ".join(f"{min(map(float, one)):.0f}" for one in zip(*runs, strict=True))


def needs(name: str, seen: set[str] | None = None) -> set[str]:
    """Distributions that come with a library, all of them, extras left out."""
    seen = set() if seen is None else seen
    for line in distribution(name).requires or ():
        other = re.split(r"[ ;<>=!~\[(]", line)[0].lower().replace("_", "-")
        if "extra ==" in line or other in seen:
            continue
        try:
            distribution(other)
        except importlib.metadata.PackageNotFoundError:
            continue
        seen.add(other)
        needs(other, seen)
    return seen


def top_names(name: str) -> int:
    """Names of a library's top, without those that begin with an underscore."""
    return len([one for one in dir(importlib.import_module(name)) if not one.startswith("_")])


def answer_to_nonsense(name: str) -> str:
    """Return what a library says to -400 degrees C where it takes a temperature."""
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            value = PHYSICS[name](-400.0)
        except Exception as error:
            return f"{type(error).__name__}: {error}"
    return f"{value!r}" + (f", {len(said)} warning(s)" if said else ", without a word")


def series_out(name: str) -> str:
    """Return what comes back for a Series with a time zone."""
    try:
        made = PHYSICS[name](SERIES)
    except Exception as error:
        return f"{type(error).__name__}"
    kept = isinstance(made, pd.Series) and made.index.equals(SERIES.index)
    return f"{type(made).__name__}, index {'kept' if kept else 'lost'}"


def modules(name: str) -> list[Any]:
    """Return the public modules of a library that import here."""
    package, found = importlib.import_module(name), []
    for one in pkgutil.walk_packages(package.__path__, f"{name}.", lambda _: None):
        parts = one.name.split(".")
        if any(part.startswith("_") or part in ("tests", "shipped") for part in parts):
            continue
        try:
            found.append(importlib.import_module(one.name))
        except (ImportError, OSError):  # an extra or a file that is not there
            continue
    return [package, *found]


def functions(name: str) -> set[Any]:
    """Return the public functions of a library: those listed where a module has a list."""
    return {thing for module in modules(name)
            for word, thing in ((one, getattr(module, one, None))
                                for one in getattr(module, "__all__", vars(module))
                                if isinstance(one, str))
            if inspect.isfunction(thing) and not word.startswith("_")
            and thing.__module__.startswith(f"{name}.")}


def typed(name: str) -> str:
    """Share of public functions with every parameter and result annotated, and the mark."""
    marked = (Path(importlib.import_module(name).__file__).parent / "py.typed").exists()
    found = functions(name)
    full = sum(inspect.signature(one).return_annotation is not inspect.Signature.empty
               and all(each.annotation is not inspect.Parameter.empty
                       for each in inspect.signature(one).parameters.values())
               for one in found)
    return f"{100 * full / max(len(found), 1):.0f} % of {len(found)}, " + (
        "py.typed" if marked else "no py.typed")


def examples(name: str) -> str:
    """How many docstring examples a library has, and how many of them fail, in an empty folder."""
    tried = failed = 0
    with tempfile.TemporaryDirectory() as folder, chdir(folder), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for module in modules(name):
            with redirect_stdout(io.StringIO()):
                try:
                    found = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE
                                            | doctest.ELLIPSIS)
                except ValueError:  # an example that is not written as one
                    found = doctest.TestResults(1, 1)
            tried, failed = tried + found.attempted, failed + found.failed
    return f"{tried}, {failed} fail"


def plots(name: str) -> str:
    """Public plot functions, and how many take `ax`."""
    found = [one for one in functions(name) if "ax" in inspect.signature(one).parameters]
    loose = [one for one in found if inspect.signature(one).parameters["ax"].default is not None]
    return f"{len(found)} take ax, {len(found) - len(loose)} of them None for the current Axes"


ROWS: dict[str, Callable[[str], object]] = {
    "import / with a first answer, beyond numpy, ms": import_ms,
    "comes with": lambda name: f"{len(needs(name))} distributions",
    "names on top": top_names,
    "-400 C": answer_to_nonsense,
    "Series in": series_out,
    "typed": typed,
    "plots": plots,
    "examples": examples,
}


def main() -> None:
    """Print the table, a row a question."""
    np.seterr(all="ignore")
    import matplotlib as mpl

    mpl.use("Agg")
    for row, ask in ROWS.items():
        print(row)
        for name in LIBRARIES:
            print(f"  {name:<10} {str(ask(name))[:150]}", flush=True)


if __name__ == "__main__":
    main()
