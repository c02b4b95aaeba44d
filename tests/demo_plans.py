"""The plans of the demo venues, each made once for all tests that read them."""

from functools import cache
from pathlib import Path

from fillalign import FillPlan, plan_fills, read_venue

DATA = Path(__file__).parents[1] / "data"
VENUES = ("tidewell_hall", "cinder_meadow", "saltmarsh_chapel", "lantern_room")


@cache
def demo_plan(name: str) -> FillPlan:
    """Return the plan of one demo venue."""
    return plan_fills(read_venue(DATA / f"{name}.toml"))
