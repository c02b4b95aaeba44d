"""Print what a redraw of a live figure costs the kernel: `python tests/benchmarks/redraw.py`.

Every function of the lessons that returns a LiveFigure is drawn and its first
slider moved; the time is CPU time from the new value to the finished picture, and
the wall clock's beside it. The budget is 40 ms at 8 x 4 inches and 100 dpi, or in
proportion to the area where a figure is larger. Ends with status 1 where the
median is above it.
"""

from __future__ import annotations

import inspect
import math
import statistics
import sys
import time
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fillalign.classroom.live import LiveFigure
from fillalign.classroom.registry import lesson_modules
from fillalign.classroom.widgets import projector

BUDGET_MS = 40.0
NORMAL_AREA = 8 * 4
MOVES = 30


def live_figures() -> list[LiveFigure]:
    """Return the live figures of all lessons with their starting values."""
    found = []
    for module in lesson_modules():
        for _, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__.startswith(module.__name__) and (
                function.__annotations__.get("return") == "LiveFigure"
            ):
                live = function()
                live.name = f"{module.__name__[-3:]}.{function.__name__}"
                found.append(live)
    return found


def moves(live: LiveFigure, count: int = MOVES) -> list[tuple[float, float]]:
    """Return CPU and wall time in ms of moving the first slider there and back."""
    control = next((c for c in live.controls.values() if hasattr(c, "step")), None)
    if control is None:
        return []
    spent = []
    for number in range(count):
        room = int((control.max - control.min) / control.step)
        value = control.min + control.step * ((7 * number + 1) % (room + 1))
        if value == control.value:
            continue
        cpu, wall = time.process_time(), time.perf_counter()
        control.value = value
        spent.append((1000 * (time.process_time() - cpu), 1000 * (time.perf_counter() - wall)))
        assert live.error == "", live.error
    return spent


class Line(NamedTuple):
    """One figure: its size, its median times in ms and what it may take."""

    name: str
    inches: str
    cpu_ms: float
    wall_ms: float
    budget_ms: float
    projector_ms: float


def measure(count: int = MOVES, *, enlarged: bool = True) -> list[Line]:
    """Move the first slider of every live figure so often, enlarged again (slow)."""
    lines = []
    for live in live_figures():
        width, height = live.picture.figure.get_size_inches()
        budget = BUDGET_MS * max(1.0, width * height / NORMAL_AREA)
        normal = moves(live, count)
        large = [(math.nan, math.nan)]
        if normal and enlarged:
            projector(True)
            large = moves(live, count)
            projector(False)
        if normal:
            cpu, wall = (statistics.median(spent[i] for spent in normal) for i in (0, 1))
            big = statistics.median(spent[0] for spent in large)
            lines.append(Line(live.name, f"{width:g} x {height:g}", cpu, wall, budget, big))
    return lines


def main() -> int:
    """Print a line a figure; return 1 where one is over its budget."""
    print(f"{'figure':<34}{'inches':>10}{'CPU ms':>9}{'wall ms':>9}{'budget':>9}{'projector':>11}")
    lines = measure()
    for line in lines:
        over = "  OVER" if line.cpu_ms > line.budget_ms else ""
        print(f"{line.name:<34}{line.inches:>10}{line.cpu_ms:>9.1f}{line.wall_ms:>9.1f}"
              f"{line.budget_ms:>9.0f}{line.projector_ms:>11.1f}{over}")
    return int(any(line.cpu_ms > line.budget_ms for line in lines))


if __name__ == "__main__":
    raise SystemExit(main())
