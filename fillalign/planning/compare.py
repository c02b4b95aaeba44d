"""Settings as dialled, alone or against a plan: what is changed, what was read, what that does."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from fillalign._text import listed, quoted
from fillalign._validate import FloatArray, as_air, check_type
from fillalign.air import Air
from fillalign.field import JUST_NOTICEABLE, BoolArray, Settings, place_among_seats, trace_paths
from fillalign.levels import coherent_sum_db
from fillalign.planning.assess import assess
from fillalign.planning.delay import basis_at
from fillalign.planning.expected import BELIEVED_DB, MeterRead, meter_db
from fillalign.planning.need import SHORT_DB, WORTH_STEPS, RowCheck, make_yardstick, rows_with
from fillalign.planning.result import FillPlan, retimed
from fillalign.planning.seats import SeatChecks, check_seats
from fillalign.planning.trim import OFF_DB
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import (
    TRIM_STEP_DB,
    Zones,
    fill_tiers,
    main_outputs,
    make_zones,
    of_areas,
    sounding_of,
)
from fillalign.precedence import ECHO_LIMITS
from fillalign.venue import Measured, OutputSettings, Venue, check_dialled, check_outputs

_LOW_CUT = ("low_cut_hz", "low_cut_order", "low_cut_kind")
_PARTS = {"delay": ("delay_ms",), "trim": ("trim_db",), "low cut": _LOW_CUT,
          "shelf": ("shelf_db", "shelf_hz"), "polarity": ("polarity",)}
_SAME_MS = 1e-6
_TOLD_DB = 1.0
_TOLD_MS = 0.1
# A meter may err by so much: above two sounds in step, and below the louder of them.
_OVER_DB, _UNDER_DB = 1.0, 0.5


def evaluate(
    venue: Venue, settings: Mapping[str, OutputSettings], *, air: Air | None = None,
    plan: FillPlan | None = None,
) -> FillPlan:
    """Examine settings as they are dialled, and say what the seats get.

    Parameters
    ----------
    venue : Venue
        The venue.
    settings : mapping of str to OutputSettings
        By output; outputs left out rest at trim 0 and the hold-back, fills off.
    air : Air, optional
        The air; by default that of the occupied state.
    plan : FillPlan, optional
        A plan of the venue to compare with, re-timed for this air: then the findings
        open with what is dialled otherwise, and with what each of these changes does
        when it is made alone.

    Returns
    -------
    FillPlan
        The same checks as `plan_fills` makes; given a plan's own settings it
        returns that plan.

    Raises
    ------
    ValueError
        If the venue has no main, an output is not known, or a value is beyond
        its device.
    TypeError
        If the venue, the air, the settings or the plan are something else.

    Examples
    --------
    >>> from fillalign import OutputSettings, evaluate, read_demo_venue
    >>> room = read_demo_venue("lantern_room")
    >>> name = [s.output for s in room.sources if s.role == "fill"][0]
    >>> plan = evaluate(room, {name: OutputSettings(delay_ms=20.0, trim_db=-6.0)})
    >>> plan.settings[name].delay_ms
    20.0
    """
    check_dialled(venue, settings)
    zones = make_zones(venue, air)
    off = [name for tier in fill_tiers(venue) for name in tier if name not in settings]
    dialled = Settings(venue, settings).replaced(*off, trim_db=OFF_DB)
    found = assess(make_yardstick(zones, dialled), dialled)
    if plan is None:
        return found
    check_type("plan", plan, FillPlan)
    if {*plan.venue.outputs} != {*venue.outputs}:
        raise ValueError(f"plan must be of the same outputs as the venue, got a plan of "
                         f"{quoted(plan.venue.name)}")
    return replace(found, findings=(*_changes(plan, zones, found.settings), *found.findings))


def _changes(plan: FillPlan, zones: Zones, settings: Settings) -> list[Finding]:
    """Say what settings have other than a plan, and what each of that does alone.

    The plan's delays are those that it gives in this air. The zones may be of its venue as
    readings have moved it.
    """
    planned = retimed(plan, zones.paths.air)
    changed = [(name, what, fields) for name in settings for what in _PARTS
               if (fields := _changed(planned[name], settings[name], what))]
    if not changed:
        return []
    trial = _Trial(zones, planned)
    return [_change(name, what, planned[name], settings[name],
                    tuple(trial.effects(planned.replaced(name, **fields))))
            for name, what, fields in changed]


def _changed(planned: OutputSettings, own: OutputSettings, what: str) -> dict[str, Any]:
    """Return the fields of one part that differ where that can be heard."""
    there = {"delay": abs(own.delay_ms - planned.delay_ms) >= _SAME_MS,
             "low cut": (own.low_cut_hz, planned.low_cut_hz) != (None, None),
             "shelf": (own.shelf_db, planned.shelf_db) != (0.0, 0.0)}
    if not there.get(what, True) or (own.trim_db == OFF_DB and what != "trim"):
        return {}
    new, old = ({key: getattr(one, key) for key in _PARTS[what]} for one in (own, planned))
    return {} if new == old else new


def _change(
    name: str, what: str, planned: OutputSettings, own: OutputSettings,
    effects: tuple[Finding, ...],
) -> Finding:
    """Tell of one change."""
    effects = effects or (Kind.EFFECT_NONE(),)
    if what not in ("delay", "trim"):
        return Kind.OTHER_CHANGED(name, what=what, set=_in_words(what, own),
                                  planned=_in_words(what, planned), effects=effects)
    unit = "ms" if what == "delay" else "db"
    new, old = (getattr(one, f"{what}_{unit}") for one in (own, planned))
    both = {f"set_{unit}": new, f"planned_{unit}": old}
    if OFF_DB in (new, old):
        kind = Kind.SWITCHED_OFF if new == OFF_DB else Kind.SWITCHED_ON
        return kind(name, **both, effects=effects)
    kind = Kind.DELAY_CHANGED if what == "delay" else Kind.TRIM_CHANGED
    return kind(name, **_away(f"away_{unit}", new - old), **both, effects=effects)


def _away(name: str, by: float) -> dict[str, Any]:
    return {name: abs(by), "more": "more" if by > 0 else "less"}


def _in_words(what: str, own: OutputSettings) -> str:
    """Return a filter or a polarity in words."""
    if what == "polarity":
        return own.polarity
    if what == "shelf":
        return f"{own.shelf_db:+.1f} dB at {own.shelf_hz:.0f} Hz" if own.shelf_db else "none"
    if own.low_cut_hz is None:
        return "none"
    return f"{own.low_cut_hz:.0f} Hz {own.low_cut_kind}, order {own.low_cut_order}"


class _Trial:
    """The plan's settings examined once; others are compared with them."""

    def __init__(self, zones: Zones, planned: Settings) -> None:
        self.zones, self.yardstick = zones, make_yardstick(zones, planned)
        self.rows, self.seats = self._examined(planned)

    def _examined(self, settings: Settings) -> tuple[RowCheck, SeatChecks]:
        venue = self.zones.venue
        fills = sounding_of(settings, [name for tier in fill_tiers(venue) for name in tier])
        return (rows_with(self.yardstick, settings, [*main_outputs(venue), *fills]),
                check_seats(self.zones, settings, fills)[0])

    def effects(self, settings: Settings) -> Iterator[Finding]:
        """Yield what these settings do to seats and rows that the planned do not."""
        rows, seats = self._examined(settings)
        limit, every = ECHO_LIMITS[self.zones.venue.programme][1], len(self.zones.paths.seats)
        echoes, before = (np.unique(one.seat[one.echo > limit]).size for one in (seats, self.seats))
        for kind, fewer, more in (
            (Kind.EFFECT_ECHO, Kind.EFFECT_ECHO_LESS, echoes - before),
            (Kind.EFFECT_IMAGE, Kind.EFFECT_IMAGE_LESS, seats.image_lost - self.seats.image_lost),
        ):
            if more:
                yield (kind if more > 0 else fewer)(seats=abs(more), all=every)
        short, was_short = (np.maximum(one.shortfall_db, 0.0) for one in (rows, self.rows))
        louder = self.rows.shortfall_db - rows.shortfall_db
        loss, was_lost = rows.highs_loss_db, self.rows.highs_loss_db
        goal = self.zones.venue.goals.highs_loss_db
        for kind, name, which, values, then in (
            (Kind.EFFECT_SHORT, "short_db",
             (short - was_short >= WORTH_STEPS) & (short > SHORT_DB), short, was_short),
            (Kind.EFFECT_LOUDER, "louder_db", louder >= SHORT_DB, louder, np.zeros_like(louder)),
            (Kind.EFFECT_DULL, "loss_db",
             (loss - was_lost >= WORTH_STEPS) & (loss > goal), loss, was_lost),
            (Kind.EFFECT_SPEECH, "index",
             self.rows.index - rows.index >= JUST_NOTICEABLE, rows.index, self.rows.index),
        ):
            if which.any():
                yield self._rows(kind, which, name, values, then)

    def _rows(
        self, kind: Kind, which: BoolArray, name: str, values: FloatArray, before: FloatArray
    ) -> Finding:
        """Say between which rows something shows, and how much at the worst of them."""
        zones, worse = self.zones, -values if kind is Kind.EFFECT_SPEECH else values
        x, at = zones.row_x_m[which], np.where(which, worse, -np.inf).argmax()
        return kind(
            from_x_m=round(float(x.min()), 1), to_x_m=round(float(x.max()), 1),
            of=of_areas(zones.venue, zones.row_x_m, zones.row_area, which),
            **{name: float(values[at]), "before": float(before[at])})


# Readings ---------------------------------------------------------------------------------


def as_measured(
    plan: FillPlan, settings: Mapping[str, OutputSettings], readings: Iterable[MeterRead] = (), *,
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
    heard = [_Heard(plan, dialled, one, air) for one in read]
    found = evaluate(_moved(plan.venue, heard), dialled, air=here, plan=plan)
    changed = sum(one.kind.group == "change" for one in found.findings)
    blank = [name for name in plan.venue.outputs if name not in settings]
    opening = [] if air is None else [
        Kind.RETIMED(temperature_c=here.temperature_c, humidity_pct=here.humidity_pct)]
    if not settings and not read and air is None:
        opening, blank = [Kind.NOTHING_FILLED_IN()], []
    elif settings and not changed:
        opening.append(Kind.FILLED_AS_PLANNED() if blank else Kind.AS_PLANNED())
    if blank:
        opening.append(Kind.BLANK(outputs=listed(blank)))
    told = [finding for one in heard for finding in one.findings()]
    return replace(found, findings=(*opening, *found.findings[:changed], *told,
                                    *found.findings[changed:]))


class _Heard:
    """One reading, and what it should have shown with everything as it is dialled.

    `away_db` is how much more than expected fill less mains reads; of mains not read, as expected.
    """

    def __init__(
        self, plan: FillPlan, settings: Settings, read: MeterRead, air: Air | None
    ) -> None:
        venue, name = plan.venue, read.output
        self.read, self.plan, self.settings = read, plan, settings
        self.at_m = read.at_m or plan.fill(name).reading.seat_m
        seat = place_among_seats(venue, np.array(self.at_m, dtype=float))
        self.paths = trace_paths(venue, seat, venue.states["check"], air)
        self.on = settings if settings.sounds(name) else settings.replaced(name, trim_db=0.0)
        mains, fill, _ = meter_db(self.paths, self.on, name)[:, 0]
        self.mains_dba, self.expected_db = float(mains), float(fill - mains)
        heard = self.mains_dba if read.mains_dba is None else read.mains_dba
        self.away_db = (None if read.fill_dba is None
                        else read.fill_dba - heard - self.expected_db)

    def findings(self) -> Iterator[Finding]:
        """Say what the reading says."""
        read, off = self.read, not self.plan.settings.sounds(self.read.output)
        if read.mains_dba is not None and abs(read.mains_dba - self.mains_dba) >= _TOLD_DB:
            yield self._told(Kind.READ_MAINS, read_dba=read.mains_dba,
                             **_away("away_db", read.mains_dba - self.mains_dba))
        if off:
            yield self._told(Kind.READ_OFF)
        elif self.away_db is not None:
            yield self._level(self.away_db)
        alone = [one for one in (read.mains_dba, read.fill_dba) if one is not None]
        if read.both_dba is not None and len(alone) == 2:
            least, most = max(alone), float(coherent_sum_db(alone))
            if not least - _UNDER_DB <= read.both_dba <= most + _OVER_DB:
                yield self._told(Kind.READ_BOTH, both_dba=read.both_dba, least_dba=least,
                                 most_dba=most)
        if read.gap_ms is not None and not off:
            yield self._gap(read.gap_ms)
        if read.polarity_same is False:
            yield self._told(Kind.READ_TURNED)

    def _told(self, kind: Kind, **values: Any) -> Finding:
        x, y, _ = self.at_m
        return kind(self.read.output, x_m=x, y_m=y, **values)

    def _level(self, away_db: float) -> Finding:
        own, planned = (one[self.read.output].trim_db for one in (self.on, self.plan.settings))
        trim = round((planned - own - away_db) / TRIM_STEP_DB) * TRIM_STEP_DB
        kind = (Kind.READ_SLIP if abs(away_db) > BELIEVED_DB
                else Kind.READ_LEVEL if trim else Kind.READ_AS_EXPECTED)
        return self._told(
            kind, **_away("away_db", away_db), read_db=self.expected_db + away_db,
            expected_db=self.expected_db, trim_db=trim + 0.0,
            turn="raise" if trim > 0 else "lower", by_db=abs(trim), set_db=own + trim, own_db=own,
            limit_db=BELIEVED_DB)

    def _gap(self, gap_ms: float) -> Finding:
        name, air = self.read.output, self.paths.air
        expected = self.on[name].delay_ms - float(
            basis_at(self.paths, self.on, name).wanted_ms(air)[0])
        own, planned = (one[name].delay_ms for one in (self.settings, retimed(self.plan, air)))
        change = (expected - gap_ms) + (planned - own)
        step = self.plan.venue.outputs[name].delay_step_ms
        kind = (Kind.READ_GAP_RIGHT if abs(change) < _TOLD_MS
                else Kind.READ_GAP if own + change >= 0 else Kind.READ_GAP_LONG)
        return self._told(
            kind, gap_ms=gap_ms, expected_ms=expected, change_ms=change,
            turn="add" if change > 0 else "take off", by_ms=abs(change), own_ms=own,
            set_ms=max(0.0, round((own + change) / step) * step),
            back_ms=max(0.0, -(own + change)))


def _moved(venue: Venue, readings: Iterable[_Heard]) -> Venue:
    """Return the venue with the levels of the fills that were read, relative to the mains."""
    found = []
    for one in readings:
        if one.away_db is not None and abs(one.away_db) <= BELIEVED_DB:
            paths = trace_paths(venue, one.paths.seats, venue.states["check"])
            _, alone, _ = meter_db(paths, Settings(venue), one.read.output)[:, 0]
            found.append(Measured(one.read.output, one.at_m, "check",
                                  level_dba=float(alone) + one.away_db))
    names = {one.output for one in found}
    kept = [one for one in venue.measured if one.output not in names]
    return replace(venue, measured=(*kept, *found))
