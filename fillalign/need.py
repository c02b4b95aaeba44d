"""Reference, profile and need: which seats the mains do not serve, and why."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fillalign._check import FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.air import Air
from fillalign.field import (
    Mix,
    Settings,
    build_mix,
    gains_of,
    measured_shifts_db,
    output_roles,
    to_db,
)
from fillalign.pairing import PairCache
from fillalign.paths import A_POWER, IntArray, Paths, Seats, trace_paths, venue_seats
from fillalign.speech import SpeechArrivals, speech_arrivals
from fillalign.venue import Venue

SEATS_A_ROW = 9
ROWS = 150
SPEECH_PLACES = np.array([0.2, 0.5, 0.8])
SHORT_DB = 1.0
SHARE_OF_ROWS = 0.9
TIER_M = 2.0
KEPT = 32
_T = TypeVar("_T")
_BAND = np.arange(THIRDS_HZ.size) // 3
HIGHS = np.isin(_BAND, (6, 7)).astype(float)
MIDS = np.isin(_BAND, (3, 4)).astype(float)
WEIGHTS = np.stack([A_POWER, HIGHS, MIDS], axis=1)


def _rows(seats: Seats) -> list[IntArray]:
    """Seats of each row, area by area: a row ends where x or the area changes."""
    changes = np.diff(seats.row_x_m) != 0
    starts = np.flatnonzero(changes | (np.diff(seats.area) != 0)) + 1
    return np.split(np.arange(len(seats)), starts)


def decision_seats(venue: Venue) -> Seats:
    """Seats on which decisions rest: at most 9 a row and about 150 rows, evenly spread.

    Of each area the first and the last row are among them.
    """
    seats = venue_seats(venue)
    rows = _rows(seats)
    share = min(ROWS / len(rows), 1.0)
    area = np.array([seats.area[row[0]] for row in rows])
    chosen = []
    for index in range(len(venue.areas)):
        own = np.flatnonzero(area == index)
        for number in _spread(own, np.linspace(0, 1, max(round(share * len(own)), 2))):
            row = rows[number]
            chosen.append(_spread(row, np.linspace(0, 1, min(SEATS_A_ROW, len(row)))))
    return seats.take(np.concatenate(chosen))


def _spread(row: IntArray, places: FloatArray) -> IntArray:
    """Return what of a row lies nearest to some places along it, 0 to 1, each once."""
    return row[sorted({*np.round(places * (len(row) - 1)).astype(int).tolist()})]


@dataclass(frozen=True)
class Bench:
    """Everything decisions are computed from: paths to seats n in rows r.

    `reference_rows` (r,) marks the rows whose mean is the reference;
    `speech_seats` are the seats, three a row, on which speech is judged.
    """

    venue: Venue
    air: Air
    paths: Paths
    shift_db: FloatArray
    row_of_seat: IntArray
    row_x_m: FloatArray
    row_area: IntArray
    reference_rows: NDArray[np.bool_]
    speech_seats: IntArray
    cache: PairCache = field(default_factory=PairCache, compare=False)
    speech_cache: PairCache = field(default_factory=PairCache, compare=False)
    parts: dict[tuple[str, ...], Bench] = field(default_factory=dict, compare=False)
    memo: dict[tuple[object, ...], Any] = field(default_factory=dict, compare=False)

    def row_mean(self, power: FloatArray) -> FloatArray:
        """Mean power over the seats of each row; the first axis holds seats."""
        counts = np.bincount(self.row_of_seat)
        flat = power.reshape(len(power), -1)
        sums = np.stack(
            [np.bincount(self.row_of_seat, weights=column) for column in flat.T], axis=-1
        )
        return np.asarray((sums / counts[:, None]).reshape(-1, *power.shape[1:]))

    def part(self, areas: tuple[str, ...]) -> Bench:
        """Return the bench of some areas alone; its rows are not to be used."""
        if areas not in self.parts:
            seats = np.flatnonzero(self.seats_in(areas))
            self.parts[areas] = replace(
                self, paths=self.paths.take(seats),
                cache=PairCache((self.cache, self.paths, seats)), parts={},
            )
        return self.parts[areas]

    def seats_in(self, areas: tuple[str, ...]) -> NDArray[np.bool_]:
        """Which seats lie in the named areas, (n,)."""
        return np.isin(self.paths.seats.area, self._indices(areas))

    def rows_in(self, areas: tuple[str, ...]) -> NDArray[np.bool_]:
        """Which rows lie in the named areas, (r,)."""
        return np.isin(self.row_area, self._indices(areas))

    def _indices(self, areas: tuple[str, ...]) -> list[int]:
        return [i for i, area in enumerate(self.venue.areas) if area.name in areas]

    def mix(self, settings: Settings, sounding: list[str]) -> Mix:
        """All outputs under these settings, in the occupied state."""
        return build_mix(
            self.venue,
            self.paths,
            settings,
            sounding=sounding,
            shift_db=self.shift_db,
            cache=self.cache,
        )

    def row_index(self, settings: Settings, gains: FloatArray) -> FloatArray:
        """Mean speech transmission index of each row (..., r) for gains (..., o)."""
        index = self._speech(settings).index(gains)
        rows = self.row_of_seat[self.speech_seats]
        share = (rows == np.arange(len(self.row_x_m))[:, None]) / np.bincount(rows)[:, None]
        return np.asarray(index @ share.T)

    def once(self, what: str, settings: Settings, key: object, make: Callable[[], _T]) -> _T:
        """Return what `make` returns; for the same settings and key it is made once."""
        whole = what, key, *(settings[name] for name in self.venue.outputs)
        if whole not in self.memo:
            if len(self.memo) >= KEPT:
                self.memo.clear()
            self.memo[whole] = make()
        made: _T = self.memo[whole]
        return made

    def _speech(self, settings: Settings) -> SpeechArrivals:
        """Speech under some settings, whose trims do not matter."""
        at_zero = {name: replace(own, trim_db=0.0) for name, own in settings.items()}
        return self.once("speech", at_zero, None, lambda: speech_arrivals(
            self.venue, self.parts_of_speech(), at_zero, shift_db=self.shift_db,
            cache=self.speech_cache,
        ))

    def parts_of_speech(self) -> Paths:
        """Paths to the seats on which speech is judged."""
        key = ("", "speech")
        if key not in self.parts:
            self.parts[key] = replace(self, paths=self.paths.take(self.speech_seats), parts={})
        return self.parts[key].paths

    def heard(self, mix: Mix, gains: FloatArray) -> FloatArray:
        """Power that decides need: useful sound in a room, direct sound outdoors."""
        return mix.useful(gains) if self.venue.indoors else mix.direct(gains)


def main_outputs(venue: Venue) -> list[str]:
    """Names of the outputs of mains and subs."""
    return [name for name, role in output_roles(venue).items() if role in ("main", "sub")]


def fill_depths(venue: Venue) -> dict[str, float]:
    """Mean x of the boxes of each fill output, in m."""
    return {
        name: float(np.mean([s.position_m[0] for s in venue.sources if s.output == name]))
        for name, role in output_roles(venue).items()
        if role == "fill"
    }


def covered_areas(venue: Venue, outputs: Collection[str]) -> tuple[str, ...]:
    """Areas covered by any fill of some outputs."""
    names = {area for source in venue.sources if source.output in outputs for area in source.covers}
    return tuple(area.name for area in venue.areas if area.name in names)


def fill_tiers(venue: Venue) -> list[list[str]]:
    """Fill outputs, front to back, in tiers that are trimmed together.

    A tier holds outputs of one kind and loudspeaker, at most 2 m apart in depth,
    that cover the same area.
    """
    kinds = {s.output: (s.kind, s.loudspeaker) for s in venue.of_role("fill")}
    depths = fill_depths(venue)
    tiers: list[list[str]] = []
    for name in sorted(depths, key=lambda one: (depths[one], one)):
        for tier in tiers:
            first = tier[0]
            if (
                kinds[first] == kinds[name]
                and depths[name] - depths[first] <= TIER_M
                and set(covered_areas(venue, [first])) & set(covered_areas(venue, [name]))
            ):
                tier.append(name)
                break
        else:
            tiers.append([name])
    return tiers


def _reference_rows(venue: Venue, row_x: FloatArray) -> NDArray[np.bool_]:
    if venue.goals.reference_rows_m is not None:
        low, high = venue.goals.reference_rows_m
    else:
        aim = float(np.mean([source.aim_m[0] for source in venue.of_role("main")]))
        low, high = aim - 2.0, aim + 2.0
    inside = (row_x >= low - 1e-9) & (row_x <= high + 1e-9)
    if not inside.any():
        inside = np.abs(row_x - (low + high) / 2) == np.abs(row_x - (low + high) / 2).min()
    return inside


def make_bench(venue: Venue, air: Air) -> Bench:
    """Trace a venue for planning in its occupied state and the given air."""
    seats = decision_seats(venue)
    rows = sorted(_rows(seats), key=lambda row: (seats.row_x_m[row[0]], seats.area[row[0]]))
    first = [row[0] for row in rows]
    row_of_seat = np.empty(len(seats), dtype=int)
    for number, row in enumerate(rows):
        row_of_seat[row] = number
    row_x = seats.row_x_m[first]
    return Bench(
        speech_seats=np.concatenate([_spread(row, SPEECH_PLACES) for row in rows]),
        venue=venue,
        air=air,
        paths=trace_paths(venue, seats, venue.states["show"], air),
        shift_db=measured_shifts_db(venue),
        row_of_seat=row_of_seat,
        row_x_m=row_x,
        row_area=seats.area[first],
        reference_rows=_reference_rows(venue, row_x),
    )


@dataclass(frozen=True)
class Reference:
    """The mains alone over the reference rows, frozen before any decision.

    `level_dba` is the heard level that the profile starts from and `meter_dba`
    the total; `tone_db` is highs (4 and 8 kHz octaves) less mids (500 Hz and 1 kHz);
    `bands` (27,) the heard power; `x_m` the middle of the rows.
    """

    level_dba: float
    meter_dba: float
    tone_db: float
    bands: FloatArray
    x_m: float


def mains_reference(bench: Bench, settings: Settings) -> Reference:
    """Compute the reference with the mains alone, as set."""
    sounding = main_outputs(bench.venue)
    mix = bench.mix(settings, sounding)
    gains = gains_of(settings, mix.outputs, sounding)
    rows = bench.reference_rows
    heard = bench.row_mean(bench.heard(mix, gains))[rows].mean(axis=0)
    total = bench.row_mean(mix.total(gains))[rows].mean(axis=0)
    level, highs, mids = to_db(heard @ WEIGHTS)
    return Reference(
        level_dba=float(level),
        meter_dba=float(to_db(total @ A_POWER)),
        tone_db=float(highs - mids),
        bands=heard,
        x_m=float(bench.row_x_m[rows].mean()),
    )


def profile_dba(bench: Bench, level_dba: float, x_m: float) -> FloatArray:
    """Heard level each row should have, (r,): the reference less the allowed fall."""
    last = float(bench.row_x_m.max())
    depth = np.clip((bench.row_x_m - x_m) / max(last - x_m, 1e-9), 0.0, 1.0)
    fall = bench.venue.goals.allowed_fall_db * depth
    for index, area in enumerate(bench.venue.areas):
        if area.allowed_fall_db is not None:
            fall[bench.row_area == index] = area.allowed_fall_db
    return np.asarray(level_dba - fall)


@dataclass(frozen=True)
class RowCheck:
    """How each row stands (..., r): shortfall and loss of highs in dB, speech index.

    `sounds` tells whether level and tone are right, `served` also the speech.
    """

    shortfall_db: FloatArray
    highs_loss_db: FloatArray
    index: FloatArray
    sounds: NDArray[np.bool_]
    served: NDArray[np.bool_]

    def rows(self, which: NDArray[np.bool_]) -> RowCheck:
        """Return some of the rows."""
        return RowCheck(*(getattr(self, name)[..., which] for name in self.__dataclass_fields__))


def check_rows(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    rows_power: FloatArray,
    index: FloatArray,
) -> RowCheck:
    """Compare row powers (..., r, 3), weighted by `WEIGHTS`, and speech index with the goals."""
    level, highs, mids = np.moveaxis(to_db(rows_power), -1, 0)
    short = profile - level
    loss = reference.tone_db - (highs - mids)
    sounds = (short <= SHORT_DB) & (loss <= bench.venue.goals.highs_loss_db)
    goal = bench.venue.goals.sti
    clear = np.asarray(index >= (-np.inf if goal is None else goal))
    return RowCheck(short, loss, index, np.asarray(sounds), np.asarray(sounds & clear))


@dataclass(frozen=True)
class AreaNeed:
    """What one seat area lacks. `ahead` marks areas in front of the reference.

    `speech_index` is the lowest of its rows.
    """

    area: str
    needed: bool
    ahead: bool
    from_x_m: float | None
    shortfall_db: float
    highs_loss_db: float
    speech_index: float
    outside_share: float
    sentence: str


def _why(venue: Venue, rows: RowCheck, outside: float) -> str:
    parts = []
    short, loss, index = rows.shortfall_db.max(), rows.highs_loss_db.max(), rows.index.min()
    if short > SHORT_DB:
        parts.append(f"the level lies up to {short:.1f} dB below the profile")
    if loss > venue.goals.highs_loss_db:
        parts.append(
            f"up to {loss:.1f} dB of highs are lost (limit {venue.goals.highs_loss_db:g} dB)"
        )
    if venue.goals.sti is not None and index < venue.goals.sti:
        parts.append(f"speech transmission falls to {index:.2f} (goal {venue.goals.sti:.2f})")
    if outside > 0.5:
        parts.append(f"{100 * outside:.0f} % of the seats lie outside the coverage")
    return " and ".join(parts)


def area_needs(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    settings: Settings,
    sounding: list[str],
) -> tuple[AreaNeed, ...]:
    """State the need of each area with the given outputs sounding."""
    key = tuple(sounding), reference.level_dba
    return bench.once("needs", settings, key, lambda: _area_needs(
        bench, reference, profile, settings, sounding
    ))


def _area_needs(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    settings: Settings,
    sounding: list[str],
) -> tuple[AreaNeed, ...]:
    mix = bench.mix(settings, sounding)
    gains = gains_of(settings, mix.outputs, sounding)
    power = bench.row_mean(bench.heard(mix, gains) @ WEIGHTS)
    checked = check_rows(bench, reference, profile, power, bench.row_index(settings, gains))
    loud = gains[bench.paths.source_output] > 0
    # A sub covers every seat, and says nothing of the highs there.
    loud &= np.array([source.role != "sub" for source in bench.venue.sources])
    inside = bench.paths.within[loud].any(axis=0)
    return tuple(
        _area_need(
            bench,
            reference,
            index,
            checked.rows(np.asarray(bench.row_area == index)),
            float(1 - np.asarray(inside)[bench.paths.seats.area == index].mean()),
        )
        for index in range(len(bench.venue.areas))
    )


def _area_need(
    bench: Bench, reference: Reference, index: int, rows: RowCheck, outside: float
) -> AreaNeed:
    venue, name = bench.venue, bench.venue.areas[index].name
    row_x = bench.row_x_m[bench.row_area == index]
    needed = bool(rows.served.mean() < SHARE_OF_ROWS)
    ahead = bool(row_x.max() < reference.x_m)
    short, loss = float(rows.shortfall_db.max()), float(rows.highs_loss_db.max())
    if needed:
        from_x = float(row_x[~rows.served].min())
        word = "front fill" if ahead else "fill"
        why = _why(venue, rows, outside)
        text = f"{name}: {word} needed from {round(from_x, 1):g} m, because {why}."
    else:
        from_x = None
        side = "below" if short > 0 else "above"
        speech = "" if venue.goals.sti is None else (
            f" and its speech transmission is at least {rows.index.min():.2f} "
            f"(goal {venue.goals.sti:.2f})"
        )
        text = (
            f"{name}: no fill needed, because at least 90 % of its rows lie within "
            f"{SHORT_DB:.0f} dB of the profile (the weakest row {abs(short):.1f} dB {side} it), "
            f"lose no more than {venue.goals.highs_loss_db:g} dB of highs (worst "
            f"{max(loss, 0.0):.1f} dB){speech}."
        )
    return AreaNeed(
        area=name,
        needed=needed,
        ahead=ahead,
        from_x_m=from_x,
        shortfall_db=short,
        highs_loss_db=loss,
        speech_index=float(rows.index.min()),
        outside_share=outside,
        sentence=text,
    )
