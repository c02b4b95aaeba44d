"""The sound field: what every loudspeaker brings to every seat.

In come a venue and settings; out go paths, levels, arrivals and speech at seats.
"""

from fillalign.field.pairing import (
    PairCache,
    cross_parts,
    own_power,
)
from fillalign.field.parts import (
    ALL_BANDS,
    PART_SHARE,
    filter_power,
    filters_of,
    part_filter,
    part_sums,
    parts_of,
)
from fillalign.field.paths import (
    A_POWER,
    CENTRE_HZ,
    IntArray,
    Paths,
    Seats,
    by_thirds,
    place_among_seats,
    single_points,
    trace_paths,
    venue_seats,
)
from fillalign.field.seats import (
    C_POWER,
    SeatField,
    seat_field,
)
from fillalign.field.speech import (
    JUST_NOTICEABLE,
    SeatSpeech,
    SpeechArrivals,
    seat_speech,
    speech_arrivals,
)
from fillalign.field.superpose import (
    NEAR_DB,
    Mix,
    Settings,
    arrival_shift,
    build_mix,
    direct_power,
    full_settings,
    gains_of,
    measured_shifts_db,
    output_roles,
    resting_settings,
    shift_dba,
    to_db,
)

__all__ = [
    "ALL_BANDS",
    "A_POWER",
    "CENTRE_HZ",
    "C_POWER",
    "JUST_NOTICEABLE",
    "NEAR_DB",
    "PART_SHARE",
    "IntArray",
    "Mix",
    "PairCache",
    "Paths",
    "SeatField",
    "SeatSpeech",
    "Seats",
    "Settings",
    "SpeechArrivals",
    "arrival_shift",
    "build_mix",
    "by_thirds",
    "cross_parts",
    "direct_power",
    "filter_power",
    "filters_of",
    "full_settings",
    "gains_of",
    "measured_shifts_db",
    "output_roles",
    "own_power",
    "part_filter",
    "part_sums",
    "parts_of",
    "place_among_seats",
    "resting_settings",
    "seat_field",
    "seat_speech",
    "shift_dba",
    "single_points",
    "speech_arrivals",
    "to_db",
    "trace_paths",
    "venue_seats",
]
