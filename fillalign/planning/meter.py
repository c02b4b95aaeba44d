"""The meter in the empty venue: where to hold it for each fill, what to expect, what was read."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fillalign._text import quoted
from fillalign._validate import ByValue, FloatArray, as_number, check_type
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.air import Air
from fillalign.field import (
    A_POWER,
    C_POWER,
    Paths,
    Seats,
    Settings,
    superpose,
    trace_paths,
    venue_seats,
)
from fillalign.levels import power_to_db
from fillalign.planning.delay import DelayBasis, basis_at, delay_basis
from fillalign.planning.zones import Zones, aim_seat, covered_seats, main_outputs
from fillalign.venue import Venue

BELIEVED_DB = 12.0
"""A reading farther than this from what is expected is taken for a slip (common practice)."""


@dataclass(frozen=True)
class MeterRead:
    """What was read for one fill at one seat; what was not read is None.

    Levels in dBA, pink noise, mains alone, this fill alone, and both. `gap_ms` is the
    fill's arrival after the mains' and `polarity_same` whether their clicks point the
    same way, both from a recording. `at_m` is by default the seat on the sheet.

    Raises
    ------
    TypeError, ValueError
        If a value is no number or out of range.

    Examples
    --------
    >>> MeterRead("Fill inner", mains_dba=71.2, fill_dba=69.5).fill_dba
    69.5
    """

    output: str
    at_m: tuple[float, float, float] | None = None
    mains_dba: float | None = None
    fill_dba: float | None = None
    both_dba: float | None = None
    gap_ms: float | None = None
    polarity_same: bool | None = None

    def __post_init__(self) -> None:
        """Refuse what no meter and no recording shows."""
        for name in ("mains_dba", "fill_dba", "both_dba"):
            if getattr(self, name) is not None:
                as_number(name, getattr(self, name), "dBA", low=0.0, high=160.0)
        if self.gap_ms is not None:
            as_number("gap_ms", self.gap_ms, "ms", low=-1000.0, high=1000.0)
        if self.polarity_same is not None:
            check_type("polarity_same", self.polarity_same, bool)
        if self.at_m is not None:
            if not isinstance(self.at_m, tuple) or len(self.at_m) != 3:
                raise ValueError(f"at_m must be x, y and z in m, got {quoted(self.at_m)}")
            for axis, value in zip("xyz", self.at_m, strict=True):
                as_number(f"at_m {axis}", value, "m", low=-2000.0, high=2000.0)


@dataclass(frozen=True)
class MeterSeat:
    """What a meter shows at one more seat of a fill: `where` says which of its rows it is in."""

    where: str
    seat_m: tuple[float, float, float]
    mains_dba: float
    fill_dba: float
    both_dba: float


@dataclass(frozen=True, eq=False)
class Reading(ByValue):
    """Meter readings to expect at a fill's aim seat, venue empty, pink noise.

    With `click_delay_ms` dialled, fill and mains come together there: `click_hz` is the
    octave in which turning the fill's polarity over then takes most off the sum, and
    `click_db` that change. The delay holds for the check, or for the air found where that is
    another than the show's; `click_ms` tells it for any.
    `equal_m` is the covered seat where the direct sounds are nearest to equal, with what
    a meter shows there: it shows totals, which need not be equal. `more` are the seats of
    the first and the last row covered.
    """

    output: str
    seat_m: tuple[float, float, float]
    mains_dba: float
    mains_dbc: float
    fill_dba: float
    fill_dbc: float
    both_dba: float
    click_delay_ms: float
    click_hz: int
    click_db: float
    equal_m: tuple[float, float, float]
    equal_mains_dba: float
    equal_fill_dba: float
    more: tuple[MeterSeat, ...]
    basis: DelayBasis

    def click_ms(self, air: Air) -> float:
        """Delay with which fill and mains come together at the aim seat, 0 where they cannot."""
        return max(float(self.basis.wanted_ms(air)[0]), 0.0)


def expected_readings(
    zones: Zones, settings: Settings, outputs: list[str]
) -> dict[str, Reading]:
    """Predict what a meter shows for each fill in the empty venue, at trim 0 where it is off."""
    venue, seats = zones.venue, venue_seats(zones.venue)
    show, state = (venue.states[name] for name in ("show", "check"))
    # The delays were timed anew for the air found: the one for the click with them.
    found = state.air if zones.paths.air == show.air else zones.paths.air
    where, equals = [], []
    for output in outputs:
        equals.append(zones.paths.seats.points_m[_equal_seat(zones, settings, output)])
        aim = aim_seat(venue, seats, output)
        where += [aim, int(np.linalg.norm(seats.points_m - equals[-1], axis=1).argmin()),
                  *_end_seats(venue, seats, output, aim)]
    every = trace_paths(venue, seats.take(np.array(where, dtype=int)), state)
    return {
        output: _reading(every.take(slice(4 * at, 4 * at + 4)), settings, output, equal, found)
        for at, (output, equal) in enumerate(zip(outputs, equals, strict=True))
    }


def _reading(
    paths: Paths, settings: Settings, output: str, equal: FloatArray, found: Air
) -> Reading:
    """Predict what a meter shows at four seats: aim, equal level, first and last row."""
    on = settings if settings.sounds(output) else settings.replaced(output, trim_db=0.0)
    alone, fill, both = meter_powers(paths, on, output)
    mains_dba, fill_dba, both_dba = (
        power_to_db(power @ A_POWER).tolist() for power in (alone, fill, both))
    aim, points = paths.take(slice(0, 1)), [tuple(point) for point in paths.seats.points_m.tolist()]
    basis = basis_at(aim, on, output)
    octave, change = _polarity_click(aim, on, output, basis)
    reading = Reading(
        output=output,
        seat_m=points[0],
        mains_dba=mains_dba[0],
        mains_dbc=float(power_to_db(alone[0] @ C_POWER)),
        fill_dba=fill_dba[0],
        fill_dbc=float(power_to_db(fill[0] @ C_POWER)),
        both_dba=both_dba[0],
        click_delay_ms=0.0,
        click_hz=octave,
        click_db=change,
        equal_m=tuple(equal.tolist()),
        equal_mains_dba=mains_dba[1],
        equal_fill_dba=fill_dba[1],
        more=tuple(MeterSeat(row, points[at], mains_dba[at], fill_dba[at], both_dba[at])
                   for at, row in ((2, "first row"), (3, "last row"))),
        basis=basis,
    )
    return replace(reading, click_delay_ms=reading.click_ms(found))


def meter_powers(
    paths: Paths, settings: Settings, output: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Total power (n, b) of the mains alone, of one fill alone, and of both."""
    mains = main_outputs(paths.venue)
    field = superpose(paths, settings, sounding=[*mains, output])
    alone, fill, both = (field.total(field.gains(names))
                         for names in (mains, [output], [*mains, output]))
    return alone, fill, both


def _end_seats(venue: Venue, seats: Seats, output: str, aim: int) -> list[int]:
    """Seats of the first and the last row that an output covers, the nearest across to `aim`."""
    inside = np.flatnonzero(covered_seats(venue, seats, [output]))
    x = seats.points_m[inside, 0]
    across = np.abs(seats.points_m[inside, 1] - seats.points_m[aim, 1])
    return [int(inside[np.where(x == end, across, np.inf).argmin()])
            for end in (x.min(), x.max())]


def _equal_seat(zones: Zones, settings: Settings, output: str) -> int:
    """Covered seat at which the direct sounds of fill and mains are nearest to equal."""
    covered = np.flatnonzero(covered_seats(zones.venue, zones.paths.seats, [output]))
    over = delay_basis(zones, settings, output).over_mains_db
    return int(covered[np.abs(over).argmin()])


def _polarity_click(
    paths: Paths, settings: Settings, output: str, basis: DelayBasis
) -> tuple[int, float]:
    """Octave in which turning a fill over takes most off the sum at one seat, and how much.

    Both in time there. A low cut turns the phase: in some octaves the sum grows, and
    nowhere need it fall by what can be heard.
    """
    own, wanted = settings[output], float(basis.wanted_ms(paths.air)[0])
    other = "normal" if own.polarity == "inverted" else "inverted"
    as_set, turned = (
        field.total(field.gains())[0].reshape(-1, 3).sum(axis=1)
        for polarity in (own.polarity, other)
        for field in [superpose(
            paths, settings.replaced(output, delay_ms=max(wanted, 0.0), polarity=polarity),
            sounding=[*main_outputs(paths.venue), output])]
    )
    change = np.where(as_set > 0.0, power_to_db(turned / np.maximum(as_set, 1e-30)), 0.0)
    octave = int(change.argmin())
    return int(OCTAVES_NOMINAL[octave]), float(change[octave])
