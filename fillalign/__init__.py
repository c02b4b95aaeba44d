"""Plan, time, trim and check fill loudspeakers.

Units are in the names: metres, milliseconds, degrees C, percent relative
humidity, kPa, Hz and dB. Positions are (x, y, z) with x from the stage into
the room. Importing this package loads numpy and
the physics; venues, planner, sheets, recordings and sounds load when first used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from fillalign._check import RangeWarning
from fillalign.absorption import (
    OCTAVES_HZ,
    OCTAVES_NOMINAL,
    THIRDS_HZ,
    THIRDS_NOMINAL,
    absorption_db_per_m,
    accuracy_class_pct,
    band_edges_hz,
    relaxation_frequencies_hz,
)
from fillalign.air import (
    Air,
    enhancement_factor,
    humidity_at_constant_vapour,
    pressure_kpa_at_altitude,
    saturation_vapour_pressure_pa,
    speed_of_sound,
    speed_of_sound_ideal,
    speed_of_sound_linear,
    vapour_mole_fraction,
)
from fillalign.arrays import array_elements, array_power_factor, array_radiated_power
from fillalign.arrivals import (
    distance_m,
    drift_ms_per_c,
    fill_delay_ms,
    gap_ms,
    seat_delay_ms,
    travel_time_ms,
    wind_along_m_s,
)
from fillalign.clarity import (
    clarity_db,
    direct_to_reverberant_db,
    modulation_transfer,
    speech_octave_levels_db,
    speech_transmission_index,
)
from fillalign.comb import (
    comb_dip_db,
    comb_peak_db,
    cross_power,
    interference_power,
    notch_frequencies_hz,
    ripple_db,
    third_octave_smooth_db,
    two_arrival_response,
)
from fillalign.directivity import box_directivity, box_exponent, directivity_factor, off_axis_angles
from fillalign.filters import (
    apply_filters,
    design_low_cut,
    design_shelf,
    low_cut_group_delay_ms,
    low_cut_response,
    shelf_group_delay_ms,
    shelf_response,
)
from fillalign.levels import (
    amplitude_to_db,
    coherent_sum_db,
    db_to_amplitude,
    db_to_power,
    fill_level_db,
    point_source_level_db,
    power_mean_db,
    power_sum_db,
    power_to_db,
    spreading_db,
)
from fillalign.precedence import (
    ECHO_LIMITS,
    PRECEDENCE_TABLE,
    echo_criterion,
    precedence_limit_db,
    required_margin_ms,
)
from fillalign.room import (
    critical_distance_m,
    direct_energy,
    early_late_energy,
    early_share,
    hopkins_stryker,
    reverberant_energy,
)
from fillalign.units import (
    ft_to_m,
    m_to_ft,
    ms_to_m,
    ms_to_samples,
    round_up_to_step,
    samples_to_ms,
)
from fillalign.weightings import (
    a_weighting_db,
    c_weighting_db,
    pink_band_levels_db,
    speech_band_levels_db,
    weighted_total_db,
)

if TYPE_CHECKING:
    from fillalign.air_path import air_filter, fractional_delay
    from fillalign.dialled import saved_settings
    from fillalign.field import SeatField, seat_field
    from fillalign.impulse import Arrival, find_arrivals, impulse_response, time_difference_ms
    from fillalign.lasers import Located, locate
    from fillalign.listening import common_scale, render_seat
    from fillalign.percussion import clap, snare
    from fillalign.plan import FillPlan, FillReport
    from fillalign.planner import evaluate, plan_fills
    from fillalign.quick import QuickAnswer, quick_answer
    from fillalign.recording import (
        GapReading,
        correction_ms,
        measure_gap,
        measured_levels,
        measured_toml,
    )
    from fillalign.sheet import setup_sheet_csv, setup_sheet_html, setup_sheet_text, write_sheet
    from fillalign.signals import click_train, exponential_sweep, pink_noise, take_turns
    from fillalign.speech import SeatSpeech, seat_speech
    from fillalign.venue import Venue
    from fillalign.venue_file import VenueError, read_venue
    from fillalign.venue_parts import (
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
    from fillalign.wav import Recording, RecordingError, read_wav, write_wav

__version__ = "0.1.0"

_WHERE = {
    "air_path": "air_filter fractional_delay",
    "dialled": "saved_settings",
    "field": "SeatField seat_field",
    "impulse": "Arrival find_arrivals impulse_response time_difference_ms",
    "lasers": "Located locate",
    "listening": "common_scale render_seat",
    "percussion": "clap snare",
    "plan": "FillPlan FillReport",
    "planner": "evaluate plan_fills",
    "quick": "QuickAnswer quick_answer",
    "recording": "GapReading correction_ms measure_gap measured_levels measured_toml",
    "sheet": "setup_sheet_csv setup_sheet_html setup_sheet_text write_sheet",
    "signals": "click_train exponential_sweep pink_noise take_turns",
    "speech": "SeatSpeech seat_speech",
    "venue": "Venue",
    "venue_file": "VenueError read_venue",
    "venue_parts": "Area Goals Loudspeaker Measured Output OutputSettings Room Source State Survey",
    "wav": "Recording RecordingError read_wav write_wav",
}
_LATER = {name: module for module, names in _WHERE.items() for name in names.split()}


def __getattr__(name: str) -> Any:
    """Load what the lighter part of the package does not need, when it is asked for."""
    if name not in _LATER:
        raise AttributeError(f"module 'fillalign' has no attribute {name!r}")
    value = getattr(import_module(f"fillalign.{_LATER[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, those not loaded yet included."""
    return sorted(__all__)


__all__ = [
    "ECHO_LIMITS",
    "OCTAVES_HZ",
    "OCTAVES_NOMINAL",
    "PRECEDENCE_TABLE",
    "THIRDS_HZ",
    "THIRDS_NOMINAL",
    "Air",
    "Area",
    "Arrival",
    "FillPlan",
    "FillReport",
    "GapReading",
    "Goals",
    "Located",
    "Loudspeaker",
    "Measured",
    "Output",
    "OutputSettings",
    "QuickAnswer",
    "RangeWarning",
    "Recording",
    "RecordingError",
    "Room",
    "SeatField",
    "SeatSpeech",
    "Source",
    "State",
    "Survey",
    "Venue",
    "VenueError",
    "a_weighting_db",
    "absorption_db_per_m",
    "accuracy_class_pct",
    "air_filter",
    "amplitude_to_db",
    "apply_filters",
    "array_elements",
    "array_power_factor",
    "array_radiated_power",
    "band_edges_hz",
    "box_directivity",
    "box_exponent",
    "c_weighting_db",
    "clap",
    "clarity_db",
    "click_train",
    "coherent_sum_db",
    "comb_dip_db",
    "comb_peak_db",
    "common_scale",
    "correction_ms",
    "critical_distance_m",
    "cross_power",
    "db_to_amplitude",
    "db_to_power",
    "design_low_cut",
    "design_shelf",
    "direct_energy",
    "direct_to_reverberant_db",
    "directivity_factor",
    "distance_m",
    "drift_ms_per_c",
    "early_late_energy",
    "early_share",
    "echo_criterion",
    "enhancement_factor",
    "evaluate",
    "exponential_sweep",
    "fill_delay_ms",
    "fill_level_db",
    "find_arrivals",
    "fractional_delay",
    "ft_to_m",
    "gap_ms",
    "hopkins_stryker",
    "humidity_at_constant_vapour",
    "impulse_response",
    "interference_power",
    "locate",
    "low_cut_group_delay_ms",
    "low_cut_response",
    "m_to_ft",
    "measure_gap",
    "measured_levels",
    "measured_toml",
    "modulation_transfer",
    "ms_to_m",
    "ms_to_samples",
    "notch_frequencies_hz",
    "off_axis_angles",
    "pink_band_levels_db",
    "pink_noise",
    "plan_fills",
    "point_source_level_db",
    "power_mean_db",
    "power_sum_db",
    "power_to_db",
    "precedence_limit_db",
    "pressure_kpa_at_altitude",
    "quick_answer",
    "read_venue",
    "read_wav",
    "relaxation_frequencies_hz",
    "render_seat",
    "required_margin_ms",
    "reverberant_energy",
    "ripple_db",
    "round_up_to_step",
    "samples_to_ms",
    "saturation_vapour_pressure_pa",
    "saved_settings",
    "seat_delay_ms",
    "seat_field",
    "seat_speech",
    "setup_sheet_csv",
    "setup_sheet_html",
    "setup_sheet_text",
    "shelf_group_delay_ms",
    "shelf_response",
    "snare",
    "speech_band_levels_db",
    "speech_octave_levels_db",
    "speech_transmission_index",
    "speed_of_sound",
    "speed_of_sound_ideal",
    "speed_of_sound_linear",
    "spreading_db",
    "take_turns",
    "third_octave_smooth_db",
    "time_difference_ms",
    "travel_time_ms",
    "two_arrival_response",
    "vapour_mole_fraction",
    "weighted_total_db",
    "wind_along_m_s",
    "write_sheet",
    "write_wav",
]
