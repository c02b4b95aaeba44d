"""Every public name of the library, wherever its home: `public.NAMES`, and each as an attribute."""

from importlib import import_module
from pathlib import Path
from typing import Any

import fillalign

ROOT = Path(fillalign.__file__).parent
ROOMS = ("venue", "field", "planning", "sheet", "audio")
MODULES = sorted(path.stem for path in ROOT.glob("[!_]*.py"))
WHOLE = tuple(f"fillalign.{place}" for place in (*MODULES, *ROOMS))
HOMES = {name: place for place in WHOLE for name in import_module(place).__all__}
NAMES = sorted({*HOMES, *fillalign.__all__})


def __getattr__(name: str) -> Any:
    if name in fillalign.__all__:
        return getattr(fillalign, name)
    if name not in HOMES:
        raise AttributeError(name)
    return getattr(import_module(HOMES[name]), name)


def taught() -> list[str]:
    """Names of what a script uses: whatever shows an example or a published table."""
    return [name for name in NAMES if ">>>" in (getattr_(name).__doc__ or "")]


def getattr_(name: str) -> Any:
    """Return what a public name stands for."""
    return __getattr__(name)
