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
    from fillalign._validate import (
        RangeWarning as RangeWarning,
    )
    from fillalign.absorption import (
        OCTAVES_NOMINAL as OCTAVES_NOMINAL,
    )
    from fillalign.absorption import (
        THIRDS_HZ as THIRDS_HZ,
    )
    from fillalign.absorption import (
        absorption_db_per_m as absorption_db_per_m,
    )
    from fillalign.air import (
        Air as Air,
    )
    from fillalign.air import (
        pressure_kpa_at_altitude as pressure_kpa_at_altitude,
    )
    from fillalign.air import (
        speed_of_sound as speed_of_sound,
    )
    from fillalign.audio import (
        Recording as Recording,
    )
    from fillalign.audio import (
        RecordingError as RecordingError,
    )
    from fillalign.audio import (
        correction_ms as correction_ms,
    )
    from fillalign.audio import (
        exponential_sweep as exponential_sweep,
    )
    from fillalign.audio import (
        measure_gap as measure_gap,
    )
    from fillalign.audio import (
        read_wav as read_wav,
    )
    from fillalign.audio import (
        render_seat as render_seat,
    )
    from fillalign.audio import (
        take_turns as take_turns,
    )
    from fillalign.audio import (
        write_wav as write_wav,
    )
    from fillalign.field import (
        seat_field as seat_field,
    )
    from fillalign.field import (
        seat_speech as seat_speech,
    )
    from fillalign.levels import (
        fill_level_db as fill_level_db,
    )
    from fillalign.planning import (
        FillPlan as FillPlan,
    )
    from fillalign.planning import (
        evaluate as evaluate,
    )
    from fillalign.planning import (
        plan_fills as plan_fills,
    )
    from fillalign.planning import (
        saved_settings as saved_settings,
    )
    from fillalign.precedence import (
        precedence_limit_db as precedence_limit_db,
    )
    from fillalign.propagation import (
        fill_delay_ms as fill_delay_ms,
    )
    from fillalign.propagation import (
        gap_ms as gap_ms,
    )
    from fillalign.propagation import (
        ms_to_samples as ms_to_samples,
    )
    from fillalign.propagation import (
        seat_delay_ms as seat_delay_ms,
    )
    from fillalign.propagation import (
        travel_time_ms as travel_time_ms,
    )
    from fillalign.sheet import (
        quick_answer as quick_answer,
    )
    from fillalign.sheet import (
        setup_sheet_text as setup_sheet_text,
    )
    from fillalign.sheet import (
        write_sheet as write_sheet,
    )
    from fillalign.trilateration import (
        locate as locate,
    )
    from fillalign.venue import (
        Area as Area,
    )
    from fillalign.venue import (
        Goals as Goals,
    )
    from fillalign.venue import (
        Loudspeaker as Loudspeaker,
    )
    from fillalign.venue import (
        Measured as Measured,
    )
    from fillalign.venue import (
        Output as Output,
    )
    from fillalign.venue import (
        OutputSettings as OutputSettings,
    )
    from fillalign.venue import (
        Room as Room,
    )
    from fillalign.venue import (
        Source as Source,
    )
    from fillalign.venue import (
        State as State,
    )
    from fillalign.venue import (
        Survey as Survey,
    )
    from fillalign.venue import (
        Venue as Venue,
    )
    from fillalign.venue import (
        VenueError as VenueError,
    )
    from fillalign.venue import (
        read_venue as read_venue,
    )

__version__ = "0.1.0"

_HOMES = {
    "_validate": "RangeWarning",
    "absorption": "OCTAVES_NOMINAL THIRDS_HZ absorption_db_per_m",
    "air": "Air pressure_kpa_at_altitude speed_of_sound",
    "audio": (
        "Recording RecordingError correction_ms exponential_sweep measure_gap read_wav "
        "render_seat take_turns write_wav "
    ),
    "field": "seat_field seat_speech",
    "levels": "fill_level_db",
    "planning": "FillPlan evaluate plan_fills saved_settings",
    "precedence": "precedence_limit_db",
    "propagation": "fill_delay_ms gap_ms ms_to_samples seat_delay_ms travel_time_ms",
    "sheet": "quick_answer setup_sheet_text write_sheet",
    "trilateration": "locate",
    "venue": (
        "Area Goals Loudspeaker Measured Output OutputSettings Room Source State Survey "
        "Venue VenueError read_venue "
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
