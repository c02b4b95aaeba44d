"""Planning: which fills sound, how each is set, and what that does to every seat.

In come a venue and its air, or settings as dialled; out goes a `FillPlan`: settings,
checks of every seat, and findings that say why.
"""

from fillalign.planning.assess import low_cuts, plan_fills
from fillalign.planning.compare import as_measured, evaluate
from fillalign.planning.doubts import room_doubts
from fillalign.planning.equalise import LOW_CUT_LOSS_DB, LowCutTry
from fillalign.planning.expected import (
    BELIEVED_DB,
    Expected,
    MeterRead,
    MeterSeat,
    Reading,
    aim_seat_m,
    common_correction_ms,
    expected_reading,
    resting_levels_db,
)
from fillalign.planning.need import AreaNeed, Reference, places_in_words
from fillalign.planning.place import find_cures, propose_places
from fillalign.planning.result import FillPlan, FillReport, retimed
from fillalign.planning.seats import SeatChecks, Walk, check_points
from fillalign.planning.trim import Bound, TrimCurve
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import main_outputs, mirror_of

__all__ = [
    "BELIEVED_DB",
    "LOW_CUT_LOSS_DB",
    "AreaNeed",
    "Bound",
    "Expected",
    "FillPlan",
    "FillReport",
    "Finding",
    "Kind",
    "LowCutTry",
    "MeterRead",
    "MeterSeat",
    "Reading",
    "Reference",
    "SeatChecks",
    "TrimCurve",
    "Walk",
    "aim_seat_m",
    "as_measured",
    "check_points",
    "common_correction_ms",
    "evaluate",
    "expected_reading",
    "find_cures",
    "low_cuts",
    "main_outputs",
    "mirror_of",
    "places_in_words",
    "plan_fills",
    "propose_places",
    "resting_levels_db",
    "retimed",
    "room_doubts",
]
