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
    "POLARITIES",
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
    "read_venue",
    "saved_settings",
]
