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

__version__: str
__all__: list[str]
