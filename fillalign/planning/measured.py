"""A plan as it was set and read at the venue: what the meter says, and the plan it makes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from fillalign._text import listed, quoted
from fillalign._validate import as_air, check_type
from fillalign.air import Air
from fillalign.field import (
    A_POWER,
    Settings,
    place_among_seats,
    trace_paths,
)
from fillalign.levels import coherent_sum_db, power_to_db
from fillalign.planning.assess import evaluate
from fillalign.planning.compare import retimed
from fillalign.planning.delay import basis_at
from fillalign.planning.meter import BELIEVED_DB, MeterRead, meter_powers
from fillalign.planning.result import FillPlan
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import TRIM_STEP_DB
from fillalign.venue import Measured, OutputSettings, Venue, check_outputs

_TOLD_DB = 1.0
_TOLD_MS = 0.1
# A meter may err by so much: above two sounds in step, and below the louder of them.
_OVER_DB, _UNDER_DB = 1.0, 0.5


def as_measured(
    plan: FillPlan,
    settings: Mapping[str, OutputSettings],
    readings: Iterable[MeterRead] = (),
    *,
    air: Air | None = None,
) -> FillPlan:
    """Return the plan as it was set and read at the venue.

    Parameters
    ----------
    plan : FillPlan
        What was planned.
    settings : mapping of str to OutputSettings
        What is dialled, by output; outputs left out are as planned.
    readings : iterable of MeterRead
        What a meter or a recording said.
    air : Air, optional
        The air found; by default the plan's.

    Returns
    -------
    FillPlan
        The settings as dialled, in the venue as it was read: fill less mains at each
        seat read moves the model of that fill. Its findings open with what differs
        from the plan, re-timed for the air found, and with what the readings say.

    Raises
    ------
    ValueError
        If an output is not in the venue, or a value is beyond its device.
    TypeError
        If something is no settings or no reading.

    Examples
    --------
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("tidewell_hall"))
    >>> inner = plan.fill("Fill inner").reading
    >>> found = as_measured(plan, {}, [MeterRead(
    ...     "Fill inner", mains_dba=inner.mains_dba, fill_dba=inner.fill_dba - 2.0)])
    >>> found.findings[1].values["by_db"], found.findings[1].values["turn"]
    (2.0, 'raise')
    """
    check_type("plan", plan, FillPlan)
    check_outputs(plan.venue, settings)
    read = tuple(readings)
    for one in read:
        check_type("readings", one, MeterRead)
        if one.output not in {fill.output for fill in plan.fills}:
            check_outputs(plan.venue, [one.output])
            raise ValueError(f"readings: {quoted(one.output)} is no fill's output")
    here = plan.air if air is None else as_air(air)
    dialled = Settings(plan.venue, {**retimed(plan, here), **settings})
    told = [finding for one in read
            for finding in _Expected(plan, dialled, one, air).findings()]
    venue = _moved(plan, dialled, read, air)
    found = evaluate(venue, dialled, air=air or plan.air, plan=plan)
    opening = [] if air is None else [Finding(Kind.RETIMED, "", {
        "temperature_c": here.temperature_c, "humidity_pct": here.humidity_pct})]
    changed = any(one.kind.group == "change" for one in found.findings)
    opening += _filled_in(plan.venue, settings, changed=changed, bare=not read and air is None)
    split = sum(one.kind.group == "change" for one in found.findings)
    return replace(found, findings=(*opening, *found.findings[:split], *told,
                                    *found.findings[split:]))


def _filled_in(
    venue: Venue, settings: Mapping[str, OutputSettings], *, changed: bool, bare: bool
) -> Iterator[Finding]:
    """Say what was filled in: all as planned, some, or nothing at all."""
    blank = [name for name in venue.outputs if name not in settings]
    if bare and not settings:
        yield Finding(Kind.NOTHING_FILLED_IN)
        return
    if settings and not changed:
        yield Finding(Kind.FILLED_AS_PLANNED if blank else Kind.AS_PLANNED)
    if blank:
        yield Finding(Kind.BLANK, "", {"outputs": listed(blank)})


class _Expected:
    """What one reading should have shown with everything as it is dialled."""

    def __init__(
        self, plan: FillPlan, settings: Settings, read: MeterRead, air: Air | None
    ) -> None:
        venue, name = plan.venue, read.output
        self.read, self.plan, self.settings = read, plan, settings
        self.at_m = read.at_m or plan.fill(name).reading.seat_m
        seat = place_among_seats(venue, np.array(self.at_m, dtype=float))
        self.paths = trace_paths(venue, seat, venue.states["check"], air)
        self.on = settings if settings.sounds(name) else settings.replaced(name, trim_db=0.0)
        self.mains_dba, self.fill_dba, _ = (
            float(power_to_db(power[0] @ A_POWER))
            for power in meter_powers(self.paths, self.on, name))

    @property
    def away_db(self) -> float | None:
        """How much more than expected fill less mains reads; of mains not read, as expected."""
        if self.read.fill_dba is None:
            return None
        mains = self.mains_dba if self.read.mains_dba is None else self.read.mains_dba
        return (self.read.fill_dba - mains) - (self.fill_dba - self.mains_dba)

    def findings(self) -> Iterator[Finding]:
        """Say what the reading says."""
        read = self.read
        place = {"x_m": self.at_m[0], "y_m": self.at_m[1]}
        if read.mains_dba is not None and abs(read.mains_dba - self.mains_dba) >= _TOLD_DB:
            away = read.mains_dba - self.mains_dba
            yield Finding(Kind.READ_MAINS, read.output, {
                **place, "read_dba": read.mains_dba, "away_db": abs(away),
                "more": "more" if away > 0 else "less"})
        off = self.plan.settings[read.output].trim_db == -np.inf
        if off:
            yield Finding(Kind.READ_OFF, read.output, place)
        if (away_db := self.away_db) is not None and not off:
            yield self._level(away_db, place)
        both, alone = read.both_dba, [read.mains_dba, read.fill_dba]
        if both is not None and None not in alone:
            levels = np.array(alone, dtype=float)
            least, most = float(levels.max()), float(coherent_sum_db(levels))
            if not least - _UNDER_DB <= both <= most + _OVER_DB:
                yield Finding(Kind.READ_BOTH, read.output, {
                    **place, "both_dba": both, "least_dba": least, "most_dba": most})
        if read.gap_ms is not None and not off:
            yield self._gap(read.gap_ms, place)
        if read.polarity_same is False:
            yield Finding(Kind.READ_TURNED, read.output, place)

    def _level(self, away_db: float, place: dict[str, float]) -> Finding:
        expected = self.fill_dba - self.mains_dba
        own, planned = (one[self.read.output].trim_db for one in (self.on, self.plan.settings))
        trim = round((planned - own - away_db) / TRIM_STEP_DB) * TRIM_STEP_DB
        kind = (Kind.READ_SLIP if abs(away_db) > BELIEVED_DB
                else Kind.READ_LEVEL if trim else Kind.READ_AS_EXPECTED)
        return Finding(kind, self.read.output, {
            **place, "away_db": abs(away_db), "more": "more" if away_db > 0 else "less",
            "read_db": expected + away_db, "expected_db": expected, "trim_db": trim + 0.0,
            "turn": "raise" if trim > 0 else "lower", "by_db": abs(trim),
            "set_db": own + trim, "own_db": own,
            "limit_db": BELIEVED_DB})

    def _gap(self, gap_ms: float, place: dict[str, float]) -> Finding:
        basis = basis_at(self.paths, self.on, self.read.output)
        expected = self.on[self.read.output].delay_ms - float(basis.wanted_ms(self.paths.air)[0])
        own, planned = (one[self.read.output].delay_ms
                        for one in (self.settings, retimed(self.plan, self.paths.air)))
        change = (expected - gap_ms) + (planned - own)
        step = self.plan.venue.outputs[self.read.output].delay_step_ms
        kind = (Kind.READ_GAP_RIGHT if abs(change) < _TOLD_MS
                else Kind.READ_GAP if own + change >= 0 else Kind.READ_GAP_LONG)
        return Finding(kind, self.read.output, {
            **place, "gap_ms": gap_ms, "expected_ms": expected, "change_ms": change,
            "turn": "add" if change > 0 else "take off", "by_ms": abs(change), "own_ms": own,
            "set_ms": max(0.0, round((own + change) / step) * step),
            "back_ms": max(0.0, -(own + change))})


def _moved(
    plan: FillPlan, settings: Settings, readings: Iterable[MeterRead], air: Air | None
) -> Venue:
    """Return the venue with the levels of the fills that were read, relative to the mains."""
    venue, bare = plan.venue, Settings(plan.venue)
    found: list[Measured] = []
    for read in readings:
        expected = _Expected(plan, settings, read, air)
        if expected.away_db is None or abs(expected.away_db) > BELIEVED_DB:
            continue
        paths = trace_paths(venue, expected.paths.seats, venue.states["check"])
        _, alone, _ = meter_powers(paths, bare, read.output)
        level = float(power_to_db(alone[0] @ A_POWER)) + expected.away_db
        found.append(Measured(read.output, expected.at_m, "check", level_dba=level))
    names = {one.output for one in found}
    kept = [one for one in venue.measured if one.output not in names]
    return replace(venue, measured=(*kept, *found)) if found else venue

