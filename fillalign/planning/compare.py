"""What is dialled against what was planned: each change tried alone, and what it does."""

from __future__ import annotations

from collections.abc import Iterator
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import numpy as np

from fillalign._validate import FloatArray, as_air
from fillalign.air import Air
from fillalign.field import JUST_NOTICEABLE, BoolArray, Settings
from fillalign.planning.need import SHORT_DB, WORTH_STEPS, RowCheck, make_yardstick, rows_with
from fillalign.planning.seats import SeatChecks, check_seats
from fillalign.planning.wording import Finding, Kind
from fillalign.planning.zones import (
    fill_tiers,
    main_outputs,
    make_zones,
    of_areas,
    sounding_of,
)
from fillalign.precedence import ECHO_LIMITS
from fillalign.venue import OutputSettings, Venue

if TYPE_CHECKING:
    from fillalign.planning.result import FillPlan

_LOW_CUT = ("low_cut_hz", "low_cut_order", "low_cut_kind")
_PARTS = {"delay": ("delay_ms",), "trim": ("trim_db",), "low cut": _LOW_CUT,
          "shelf": ("shelf_db", "shelf_hz"), "polarity": ("polarity",)}
_SAME = 1e-6


def retimed(plan: FillPlan, air: Air) -> Settings:
    """Return a plan's settings with the delays that its fills take in other air.

    Examples
    --------
    >>> from fillalign import Air, plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("tidewell_hall"))
    >>> round(retimed(plan, Air(10.0, 50.0))["Fill inner"].delay_ms, 2)
    77.64
    """
    row, = plan.retime_rows([as_air(air)])
    settings = plan.settings
    for fill in plan.fills:
        most = plan.venue.outputs[fill.output].delay_max_ms
        settings = settings.replaced(fill.output, delay_ms=min(row[fill.output], most))
    return settings


def changes(plan: FillPlan, venue: Venue, settings: Settings, air: Air) -> tuple[Finding, ...]:
    """Say what settings have other than a plan, and what each of that does alone.

    The plan's delays are those that it gives in this air. `venue` may be the plan's as
    readings have moved it.
    """
    planned = retimed(plan, air)
    kept = [(name, what, changed)
            for name in settings for what, keys in _PARTS.items()
            if (changed := _changed(planned[name], settings[name], what, keys))]
    if not kept:
        return ()
    trial = _Trial(venue, planned, air)
    return tuple(
        _change(name, what, planned[name], settings[name],
                tuple(trial.effects(planned.replaced(name, **changed))))
        for name, what, changed in kept)


def _changed(
    planned: OutputSettings, own: OutputSettings, what: str, keys: tuple[str, ...]
) -> dict[str, Any]:
    """Return the fields of one part that differ where that can be heard."""
    if what == "low cut" and planned.low_cut_hz is None and own.low_cut_hz is None:
        return {}
    if what == "shelf" and planned.shelf_db == 0.0 == own.shelf_db:
        return {}
    if own.trim_db == -np.inf and (what != "trim" or planned.trim_db == -np.inf):
        return {}
    new, old = ({key: getattr(one, key) for key in keys} for one in (own, planned))
    near = what == "delay" and abs(new["delay_ms"] - old["delay_ms"]) < _SAME
    return {} if near or new == old else new


def _change(
    name: str, what: str, planned: OutputSettings, own: OutputSettings,
    effects: tuple[Finding, ...],
) -> Finding:
    """Word one change."""
    told = {"effects": effects or (Finding(Kind.EFFECT_NONE),)}
    if what == "delay":
        away = own.delay_ms - planned.delay_ms
        return Finding(Kind.DELAY_CHANGED, name, {
            "away_ms": abs(away), "more": "more" if away > 0 else "less",
            "set_ms": own.delay_ms, "planned_ms": planned.delay_ms, **told})
    trims = {"set_db": own.trim_db, "planned_db": planned.trim_db}
    if what == "trim" and np.isfinite([*trims.values()]).all():
        away = own.trim_db - planned.trim_db
        return Finding(Kind.TRIM_CHANGED, name, {
            "away_db": abs(away), "more": "more" if away > 0 else "less", **trims, **told})
    if what == "trim":
        kind = Kind.SWITCHED_OFF if own.trim_db == -np.inf else Kind.SWITCHED_ON
        return Finding(kind, name, {**trims, **told})
    return Finding(Kind.OTHER_CHANGED, name, {
        "what": what, "set": _dialled(what, own), "planned": _dialled(what, planned), **told})


def _dialled(what: str, own: OutputSettings) -> str:
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

    def __init__(self, venue: Venue, planned: Settings, air: Air) -> None:
        self.zones = make_zones(venue, air)
        self.yardstick = make_yardstick(self.zones, planned)
        self.limit = ECHO_LIMITS[venue.programme][1]
        self.rows, self.seats = self._examined(planned)

    def _examined(self, settings: Settings) -> tuple[RowCheck, SeatChecks]:
        venue = self.zones.venue
        fills = sounding_of(settings, [name for tier in fill_tiers(venue) for name in tier])
        sounding = [*main_outputs(venue), *fills]
        return (rows_with(self.yardstick, settings, sounding),
                check_seats(self.zones, settings, fills)[0])

    def effects(self, settings: Settings) -> Iterator[Finding]:
        """Yield what these settings do to seats and rows that the planned do not."""
        rows, seats = self._examined(settings)
        every = len(self.zones.paths.seats)
        for kind, fewer, count in (
            (Kind.EFFECT_ECHO, Kind.EFFECT_ECHO_LESS, self._echoes),
            (Kind.EFFECT_IMAGE, Kind.EFFECT_IMAGE_LESS, attrgetter("image_lost")),
        ):
            more = count(seats) - count(self.seats)
            if more:
                yield Finding(kind if more > 0 else fewer, "", {"seats": abs(more), "all": every})
        short = np.maximum(rows.shortfall_db, 0.0), np.maximum(self.rows.shortfall_db, 0.0)
        worse = (short[0] - short[1] >= WORTH_STEPS) & (short[0] > SHORT_DB)
        yield from self._rows(Kind.EFFECT_SHORT, worse, "short_db", *short, np.argmax)
        louder = self.rows.shortfall_db - rows.shortfall_db
        yield from self._rows(Kind.EFFECT_LOUDER, louder >= SHORT_DB, "louder_db", louder,
                              np.zeros_like(louder), np.argmax)
        loss = rows.highs_loss_db, self.rows.highs_loss_db
        duller = ((loss[0] - loss[1] >= WORTH_STEPS)
                  & (loss[0] > self.zones.venue.goals.highs_loss_db))
        yield from self._rows(Kind.EFFECT_DULL, duller, "loss_db", *loss, np.argmax)
        fall = self.rows.index - rows.index >= JUST_NOTICEABLE
        yield from self._rows(Kind.EFFECT_SPEECH, fall, "index", rows.index, self.rows.index,
                              np.argmin)

    def _echoes(self, seats: SeatChecks) -> int:
        """Count seats with an echo."""
        return len({*seats.seat[seats.echo > self.limit].tolist()})

    def _rows(
        self, kind: Kind, which: BoolArray, name: str, values: FloatArray, before: FloatArray,
        worst: Any,
    ) -> Iterator[Finding]:
        """Say between which rows something shows, and how much at the worst of them."""
        if which.any():
            x, at = self.zones.row_x_m[which], int(worst(values[which]))
            yield Finding(kind, "", {
                "from_x_m": round(float(x.min()), 1), "to_x_m": round(float(x.max()), 1),
                "of": of_areas(self.zones.venue, self.zones.row_x_m, self.zones.row_area, which),
                name: float(values[which][at]), "before": float(before[which][at])})
