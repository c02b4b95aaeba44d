"""Plan, time, trim and check fill loudspeakers.

Units are in the names: metres, milliseconds, degrees C, percent relative
humidity, kPa, Hz and dB. Positions are (x, y, z) with x from the stage into
the room. The names here are those of a ten-line script; everything else goes
by its module (`fillalign.air`) or room (`fillalign.planning`). Nothing but
numpy is loaded until it is used.
"""

import ast
from importlib import import_module
from pathlib import Path
from typing import Any

__version__ = "0.2.0"

# The names stand once, in the stub that type checkers read.
_STUB = Path(__file__).with_suffix(".pyi").read_text(encoding="utf-8")
_HOME = {one.name: str(node.module) for node in ast.parse(_STUB).body
         if isinstance(node, ast.ImportFrom) for one in node.names}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load a name when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module 'fillalign' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, those not loaded yet included."""
    return list(__all__)
