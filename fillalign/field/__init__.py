"""The sound field: what every loudspeaker brings to every seat.

In come a venue, its air and what is dialled; out go paths (before any setting), their
superposition (with settings), and levels, arrivals and speech at seats.
"""

from fillalign.field.paths import (
    A_POWER,
    BoolArray,
    Elements,
    IntArray,
    Paths,
    Seats,
    by_thirds,
    output_roles,
    place_among_seats,
    single_points,
    trace_elements,
    venue_seats,
)
from fillalign.field.seats import (
    C_POWER,
    JUST_NOTICEABLE,
    Planned,
    SeatField,
    SeatSpeech,
    Speech,
    seat_field,
    seat_speech,
    speech_at,
)
from fillalign.field.superpose import (
    Field,
    Settings,
    arrival_shift_ms,
    direct_power,
    early_ms,
    filter_power,
    measured_shifts_db,
    output_arrivals_ms,
    superpose,
    trace_paths,
)

__all__ = [
    "A_POWER",
    "C_POWER",
    "JUST_NOTICEABLE",
    "BoolArray",
    "Elements",
    "Field",
    "IntArray",
    "Paths",
    "Planned",
    "SeatField",
    "SeatSpeech",
    "Seats",
    "Settings",
    "Speech",
    "arrival_shift_ms",
    "by_thirds",
    "direct_power",
    "early_ms",
    "filter_power",
    "measured_shifts_db",
    "output_arrivals_ms",
    "output_roles",
    "place_among_seats",
    "seat_field",
    "seat_speech",
    "single_points",
    "speech_at",
    "superpose",
    "trace_elements",
    "trace_paths",
    "venue_seats",
]
