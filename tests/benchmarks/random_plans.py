"""How many of so many random venues have a plan that breaks a property.

    python tests/benchmarks/random_plans.py [count] [first seed] [word ...]

With words, only properties whose name holds one of them. Each that is broken is printed
with the seed of its venue; the command ends with status 1 if there was one.
"""

from __future__ import annotations

import sys
import warnings
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from fillalign import RangeWarning, plan_fills  # noqa: E402
from tests.plan_properties import AGAIN, ALONE, BESIDE  # noqa: E402
from tests.plan_venues import random_venue  # noqa: E402


def main(words: list[str]) -> int:
    """Plan and count; return 1 if any property was broken."""
    numbers = [int(word) for word in words if word.isdigit()]
    count, first = (*numbers, *(3000, 0)[len(numbers):])
    wanted = [word for word in words if not word.isdigit()]
    properties = [one for one in (*ALONE, *AGAIN, *BESIDE)
                  if not wanted or any(word in one.__name__ for word in wanted)]
    broken: Counter[str] = Counter()
    states: Counter[str] = Counter()
    warnings.simplefilter("error")
    warnings.simplefilter("ignore", RangeWarning)
    for seed in range(first, first + count):
        venue = random_venue(seed)
        try:
            plan = plan_fills(venue)
        except ValueError as error:
            states["refused"] += 1
            print(f"{seed}: {error}", flush=True)
            continue
        states["planned"] += 1
        states["with fills"] += any(fill.sounding for fill in plan.fills)
        states["unmet"] += any(need.needed for need in plan.needs_after)
        for one in properties:
            faults = list(one(venue, plan))
            broken[one.__name__] += bool(faults)
            for fault in faults:
                print(f"{seed} {one.__name__}: {fault}", flush=True)
    print(", ".join(f"{number} {word}" for word, number in states.items()))
    for one in properties:
        print(f"{broken[one.__name__]:>5} broke: {one.__doc__}")
    return int(sum(broken.values()) > 0)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
