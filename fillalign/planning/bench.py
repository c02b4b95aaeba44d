"""The bench on which a plan is made: paths to the seats that decide, and what is kept of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from fillalign._validate import FloatArray
from fillalign.air import Air
from fillalign.field import (
    A_POWER,
    IntArray,
    Mix,
    PairCache,
    Paths,
    Seats,
    Settings,
    SpeechArrivals,
    build_mix,
    direct_power,
    measured_shifts_db,
    speech_arrivals,
    trace_paths,
    venue_seats,
)
from fillalign.venue import Venue

SEATS_A_ROW = 9
ROWS = 150
SPEECH_PLACES = np.array([0.2, 0.5, 0.8])
BLOCK = 1024
KEPT = 32
_T = TypeVar("_T")


def _rows(seats: Seats) -> list[IntArray]:
    """Seats of each row, area by area: a row ends where x or the area changes."""
    changes = np.diff(seats.row_x_m) != 0
    starts = np.flatnonzero(changes | (np.diff(seats.area) != 0)) + 1
    return np.split(np.arange(len(seats)), starts)


def decision_places(venue: Venue, seats: Seats) -> IntArray:
    """Return which of a venue's seats decisions rest on: at most 9 a row and about 150 rows.

    They are evenly spread; of each area the first and the last row are among them.
    """
    rows = _rows(seats)
    share = min(ROWS / len(rows), 1.0)
    area = np.array([seats.area[row[0]] for row in rows])
    chosen = []
    for index in range(len(venue.areas)):
        own = np.flatnonzero(area == index)
        for number in _spread(own, np.linspace(0, 1, max(round(share * len(own)), 2))):
            row = rows[number]
            chosen.append(_spread(row, np.linspace(0, 1, min(SEATS_A_ROW, len(row)))))
    return np.concatenate(chosen)


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
    every: tuple[PairCache, Paths] | None = field(default=None, compare=False)
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
                cache=PairCache((self.cache, self.paths, seats)), parts={}, memo={},
            )
        return self.parts[areas]

    def blocks(self) -> Iterator[tuple[int, PairCache, Paths]]:
        """Every seat of the venue in blocks: the first's number, what is kept, and paths."""
        if self.every is not None:
            yield 0, *self.every
            return
        seats, state = venue_seats(self.venue), self.venue.states["show"]
        for start in range(0, len(seats), BLOCK):
            block = seats.take(slice(start, start + BLOCK))
            yield start, PairCache(), trace_paths(self.venue, block, state, self.air)

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

    def direct_dba(self, settings: Settings, sounding: list[str]) -> FloatArray:
        """Direct power (n,), A-weighted, of some outputs at their trims."""
        power = direct_power(
            self.venue, self.paths, settings, sounding, self.shift_db, self.cache
        )
        return np.asarray(power @ A_POWER)

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
    state, seats = venue.states["show"], venue_seats(venue)
    places = decision_places(venue, seats)
    if len(seats) <= BLOCK:
        # Few enough that their paths serve the decisions and the checks of every seat.
        every = PairCache(), trace_paths(venue, seats, state, air)
        paths, cache = every[1].take(places), PairCache((*every, places))
    else:
        every, cache = None, PairCache()
        paths = trace_paths(venue, seats.take(places), state, air)
    seats = paths.seats
    rows = sorted(_rows(seats), key=lambda row: (seats.row_x_m[row[0]], seats.area[row[0]]))
    first = [row[0] for row in rows]
    row_of_seat = np.empty(len(seats), dtype=int)
    for number, row in enumerate(rows):
        row_of_seat[row] = number
    row_x = seats.row_x_m[first]
    speech = np.concatenate([_spread(row, SPEECH_PLACES) for row in rows])
    return Bench(
        venue=venue,
        air=air,
        paths=paths,
        shift_db=measured_shifts_db(venue),
        row_of_seat=row_of_seat,
        row_x_m=row_x,
        row_area=seats.area[first],
        reference_rows=_reference_rows(venue, row_x),
        speech_seats=speech,
        cache=cache,
        speech_cache=PairCache((cache, paths, speech)),
        every=every,
    )
