"""The health check of lesson 00: whether everything is there that the lessons need."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable
from importlib.metadata import version

from fillalign.air import Air
from fillalign.audio import DEMO_SOUNDS
from fillalign.classroom.venues import data_path
from fillalign.propagation import travel_time_ms
from fillalign.venue import DEMO_VENUES

_NEEDS = {
    "numpy": "numbers", "scipy": "filters", "pandas": "tables", "matplotlib": "pictures",
    "ipywidgets": "sliders and boxes", "anywidget": "the seat panel", "IPython": "sound",
}
_SPEED_M_S, _SPEED_ROOM_M_S = 343.0, 1.0
_TIME_MS, _TIME_ROOM_MS = 44.0, 0.5


def _present(module: str) -> str:
    try:
        importlib.import_module(module)
    except ImportError as error:
        return f"MISSING ({error}): install it with  pip install {module.lower()}"
    return "ok"


def _speed() -> str:
    speed = Air(20.0, 0.0).speed_m_s
    good = abs(speed - _SPEED_M_S) <= _SPEED_ROOM_M_S
    return f"{'ok' if good else 'WRONG'}: {speed:.1f} m/s in dry air at 20 C"


def _time() -> str:
    time = travel_time_ms(15.0, Air(20.0))
    good = abs(time - _TIME_MS) <= _TIME_ROOM_MS
    return f"{'ok' if good else 'WRONG'}: {time:.1f} ms for 15 m at 20 C"


def _data() -> str:
    files = [*(f"{name}.toml" for name in DEMO_VENUES), *(f"{name}.wav" for name in DEMO_SOUNDS)]
    try:
        for name in files:
            data_path(name)
    except FileNotFoundError as error:
        return f"MISSING: {error}"
    return "ok"


def health_check() -> str:
    """Return what works here and what is missing, a line each; `print` it.

    No versions, so that it reads the same everywhere; `versions` has them.

    Returns
    -------
    str
        The last line says whether all is well.

    References
    ----------
    343 m/s at 20 C and 15 m in about 44 ms: common practice, and ISO 9613-1:1993
    gives 343.2 m/s at 293.15 K (from memory).

    Examples
    --------
    >>> health_check().splitlines()[-1]
    'All is well: go on.'
    """
    checks: dict[str, Callable[[], str]] = {
        f"{use} ({module})": lambda module=module: _present(module)  # type: ignore[misc]
        for module, use in _NEEDS.items()
    }
    checks |= {"demo venues and sounds": _data, "speed of sound": _speed, "travel time": _time}
    results = {name: check() for name, check in checks.items()}
    lines = [f"{name:<32}{result}" for name, result in results.items()]
    bad = sum(not result.startswith("ok") for result in results.values())
    lines.append("All is well: go on." if not bad else
                 f"{bad} of {len(results)} need care: see the lines above.")
    return "\n".join(lines)


def versions() -> str:
    """Return the versions of Python and of what the lessons use, for a report of a fault.

    Examples
    --------
    >>> versions().split()[0]
    'Python'
    """
    found = [f"{name} {version(name)}" for name in map(str.lower, _NEEDS)]
    return ", ".join([f"Python {sys.version.split()[0]}", *found])
