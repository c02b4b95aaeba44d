"""Print what a redraw of a live figure costs the kernel: `python tests/benchmarks/redraw.py`.

Every function of the lessons that returns a LiveFigure is drawn and its first
slider moved; the time is CPU time from the new value to the finished picture, and
the wall clock's beside it. The budget is 40 ms at 8 x 4 inches and 100 dpi, or in
proportion to the area where a figure is larger. Ends with status 1 where the
median is above it. Where sliders count only when let go, what the library computes
(a whole plan, in lesson 10) is shown apart and does not count.
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.widgets import projector
from tests.live_figures import all_figures

BUDGET_MS = 40.0
NORMAL_AREA = 8 * 4
MOVES = 30


def live_figures() -> list[LiveFigure]:
    """Return the live figures of all lessons with their starting values."""
    found = []
    for name, function in all_figures().items():
        found.append(function())
        found[-1].name = name
    return found


def moves(live: LiveFigure, count: int = MOVES) -> list[tuple[float, float, float]]:
    """Return CPU, wall and the library's CPU time in ms of moving the first slider about."""
    control = next((c for c in live.controls.values() if hasattr(c, "step")), None)
    if control is None:
        return []
    spent = []
    update, inside = live._update, [0.0]

    def timed(*args: object, **values: object) -> str:
        start = time.process_time()
        text = update(*args, **values)
        inside[0] = time.process_time() - start
        return text

    live._update = timed
    for number in range(count):
        room = int((control.max - control.min) / control.step)
        value = control.min + control.step * ((7 * number + 1) % (room + 1))
        if value == control.value:
            continue
        cpu, wall = time.process_time(), time.perf_counter()
        control.value = value
        spent.append((1000 * (time.process_time() - cpu), 1000 * (time.perf_counter() - wall),
                      1000 * inside[0]))
        assert live.error == "", live.error
    live._update = update
    return spent


class Line(NamedTuple):
    """One figure: its size, its median times in ms and what it may take."""

    name: str
    inches: str
    cpu_ms: float
    wall_ms: float
    budget_ms: float
    projector_ms: float
    apart_ms: float


def measure(count: int = MOVES, *, enlarged: bool = True) -> list[Line]:
    """Move the first slider of every live figure so often, enlarged again (slow)."""
    lines = []
    for live in live_figures():
        width, height = live.picture.figure.get_size_inches()
        budget = BUDGET_MS * max(1.0, width * height / NORMAL_AREA)
        normal = moves(live, count)
        large = [(math.nan, math.nan, math.nan)]
        if normal and enlarged:
            projector(True)
            large = moves(live, count)
            projector(False)
        if normal:
            let_go = not any(getattr(control, "continuous_update", False)
                             for control in live.controls.values())
            apart = statistics.median(spent[2] for spent in normal) if let_go else 0.0
            cpu, wall = (statistics.median(spent[i] for spent in normal) for i in (0, 1))
            big = statistics.median(spent[0] for spent in large)
            lines.append(Line(live.name, f"{width:g} x {height:g}", cpu - apart, wall, budget, big,
                              apart))
    return lines


def main() -> int:
    """Print a line a figure; return 1 where one is over its budget."""
    print(f"{'figure':<34}{'inches':>10}{'CPU ms':>9}{'wall ms':>9}{'budget':>9}{'projector':>11}"
          f"{'apart':>8}")
    lines = measure()
    for line in lines:
        over = "  OVER" if line.cpu_ms > line.budget_ms else ""
        print(f"{line.name:<34}{line.inches:>10}{line.cpu_ms:>9.1f}{line.wall_ms:>9.1f}"
              f"{line.budget_ms:>9.0f}{line.projector_ms:>11.1f}{line.apart_ms:>8.1f}{over}")
    return int(any(line.cpu_ms > line.budget_ms for line in lines))


if __name__ == "__main__":
    raise SystemExit(main())
