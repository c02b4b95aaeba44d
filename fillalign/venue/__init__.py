"""The venue: what was surveyed, as records, and the file they are read from.

In comes a venue file (TOML) or records made in code; out goes a `Venue` that fits together.
"""

from fillalign.venue.model import (
    POLARITIES,
    STATES,
    Area,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    OutputSettings,
    Room,
    Source,
    State,
    Survey,
)
from fillalign.venue.reader import (
    VenueError,
    read_venue,
)
from fillalign.venue.starter import (
    DEMO_VENUES,
    QUESTIONS,
    read_demo_venue,
    shipped_path,
    starter_toml,
    survey_form_html,
)
from fillalign.venue.whole import (
    Venue,
    as_venue,
    check_dialled,
    check_outputs,
    check_settings,
    headroom_db,
    own_level_dba,
    saved_settings,
)

__all__ = [
    "DEMO_VENUES",
    "POLARITIES",
    "QUESTIONS",
    "STATES",
    "Area",
    "Goals",
    "Loudspeaker",
    "Measured",
    "Output",
    "OutputSettings",
    "Room",
    "Source",
    "State",
    "Survey",
    "Venue",
    "VenueError",
    "as_venue",
    "check_dialled",
    "check_outputs",
    "check_settings",
    "headroom_db",
    "own_level_dba",
    "read_demo_venue",
    "read_venue",
    "saved_settings",
    "shipped_path",
    "starter_toml",
    "survey_form_html",
]
