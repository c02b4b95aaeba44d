"""Plan, time, trim and check fill loudspeakers."""

from fillalign.air import Air
from fillalign.field import seat_field
from fillalign.planner import evaluate, plan_fills
from fillalign.venue import OutputSettings
from fillalign.venue_file import VenueError, read_venue

__version__ = "0.1.0"
__all__ = ["Air", "OutputSettings", "VenueError", "evaluate", "plan_fills", "read_venue", "seat_field"]
