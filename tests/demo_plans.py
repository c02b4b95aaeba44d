"""The plans of the demo venues, each made once for all tests that read them."""

from pathlib import Path

from fillalign import Air, FillPlan, Venue, plan_fills
from fillalign.classroom.venues import demo_plan as demo_plan, demo_venue
from fillalign.venue import DEMO_VENUES as VENUES

DATA = Path(__file__).parents[1] / "data"
__all__ = ["DATA", "VENUES", "demo_plan", "planned_once"]


def planned_once(venue: Venue, *, air: Air | None = None) -> FillPlan:
    """Plan a venue; a demo venue as it was read and in its own air once for all."""
    same = (name for name in VENUES if venue == demo_venue(name))
    name = None if air is not None else next(same, None)
    return plan_fills(venue, air=air) if name is None else demo_plan(name)
