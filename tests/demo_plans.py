"""The plans of the demo venues, each made once for all tests that read them."""

from pathlib import Path

from fillalign.classroom.venues import demo_plan as demo_plan
from fillalign.venue import DEMO_VENUES as VENUES

DATA = Path(__file__).parents[1] / "data"
__all__ = ["DATA", "VENUES", "demo_plan"]
