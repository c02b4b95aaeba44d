"""Plan, time, trim and check fill loudspeakers.

Units are in the names: metres, milliseconds, degrees C, percent relative
humidity, kPa, Hz and dB. Positions are (x, y, z) with x from the stage into
the room. The names here are those of a ten-line script; everything else goes
by its module (`fillalign.air`) or room (`fillalign.planning`). Nothing but
numpy is loaded until it is used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fillalign._validate import RangeWarning as RangeWarning
    from fillalign.absorption import (
        OCTAVES_NOMINAL as OCTAVES_NOMINAL,
        THIRDS_HZ as THIRDS_HZ,
        absorption_db_per_m as absorption_db_per_m,
    )
    from fillalign.air import (
        Air as Air,
        pressure_kpa_at_altitude as pressure_kpa_at_altitude,
        speed_of_sound as speed_of_sound,
    )
    from fillalign.audio import (
        Recording as Recording,
        RecordingError as RecordingError,
        correction_ms as correction_ms,
        exponential_sweep as exponential_sweep,
        measure_gap as measure_gap,
        read_wav as read_wav,
        render_seat as render_seat,
        take_turns as take_turns,
        write_wav as write_wav,
    )
    from fillalign.field import seat_field as seat_field, seat_speech as seat_speech
    from fillalign.levels import fill_level_db as fill_level_db
    from fillalign.planning import (
        FillPlan as FillPlan,
        evaluate as evaluate,
        plan_fills as plan_fills,
    )
    from fillalign.precedence import precedence_limit_db as precedence_limit_db
    from fillalign.propagation import (
        fill_delay_ms as fill_delay_ms,
        gap_ms as gap_ms,
        seat_delay_ms as seat_delay_ms,
        travel_time_ms as travel_time_ms,
    )
    from fillalign.sheet import (
        quick_answer as quick_answer,
        setup_sheet_text as setup_sheet_text,
        write_sheet as write_sheet,
    )
    from fillalign.trilateration import locate as locate
    from fillalign.units import ms_to_samples as ms_to_samples
    from fillalign.venue import (
        Area as Area,
        Goals as Goals,
        Loudspeaker as Loudspeaker,
        Measured as Measured,
        Output as Output,
        OutputSettings as OutputSettings,
        Room as Room,
        Source as Source,
        State as State,
        Survey as Survey,
        Venue as Venue,
        VenueError as VenueError,
        read_demo_venue as read_demo_venue,
        read_venue as read_venue,
        saved_settings as saved_settings,
        write_venue as write_venue,
    )

__version__ = "0.2.0"

_HOMES = {
    "_validate": "RangeWarning",
    "absorption": "OCTAVES_NOMINAL THIRDS_HZ absorption_db_per_m",
    "air": "Air pressure_kpa_at_altitude speed_of_sound",
    "audio": (
        "Recording RecordingError correction_ms exponential_sweep measure_gap read_wav "
        "render_seat take_turns write_wav"
    ),
    "field": "seat_field seat_speech",
    "levels": "fill_level_db",
    "planning": "FillPlan evaluate plan_fills",
    "precedence": "precedence_limit_db",
    "propagation": "fill_delay_ms gap_ms seat_delay_ms travel_time_ms",
    "sheet": "quick_answer setup_sheet_text write_sheet",
    "trilateration": "locate",
    "units": "ms_to_samples",
    "venue": (
        "Area Goals Loudspeaker Measured Output OutputSettings Room Source State Survey "
        "Venue VenueError read_demo_venue read_venue saved_settings write_venue"
    ),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names.split()}
__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load a name when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"module 'fillalign' has no attribute {name!r}")
    value = getattr(import_module(f"fillalign.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, those not loaded yet included."""
    return list(__all__)
