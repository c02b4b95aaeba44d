"""The venue: what was surveyed, as records, the rules it meets, and the file it comes from.

In comes a venue file (TOML) or records made in code; out goes a `Venue` that fits together,
and the file again.
"""

from fillalign.venue.keys import (
    STATES,
    Area,
    DelayRule,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    OutputSettings,
    Room,
    Source,
    State,
    StateName,
    Survey,
)
from fillalign.venue.reader import VenueError, read_venue, read_venue_text
from fillalign.venue.starter import (
    DEMO_VENUES,
    QUESTIONS,
    read_demo_venue,
    shipped_path,
    starter_toml,
    survey_form_html,
)
from fillalign.venue.venue import (
    Venue,
    as_venue,
    check_dialled,
    check_outputs,
    check_settings,
    headroom_db,
    saved_settings,
    write_venue,
)
from fillalign.venue.writer import entry_toml, with_entries, with_latency

__all__ = [
    "DEMO_VENUES",
    "QUESTIONS",
    "STATES",
    "Area",
    "DelayRule",
    "Goals",
    "Loudspeaker",
    "Measured",
    "Output",
    "OutputSettings",
    "Room",
    "Source",
    "State",
    "StateName",
    "Survey",
    "Venue",
    "VenueError",
    "as_venue",
    "check_dialled",
    "check_outputs",
    "check_settings",
    "entry_toml",
    "headroom_db",
    "read_demo_venue",
    "read_venue",
    "read_venue_text",
    "saved_settings",
    "shipped_path",
    "starter_toml",
    "survey_form_html",
    "with_entries",
    "with_latency",
    "write_venue",
]
