"""What given settings do at every seat and along the walk: gaps, levels, image, speech, echo."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from fillalign._validate import ByValue, FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.field import (
    A_POWER,
    BoolArray,
    Field,
    IntArray,
    Paths,
    Settings,
    speech_at,
    superpose,
    trace_paths,
    venue_seats,
)
from fillalign.levels import power_to_db
from fillalign.planning.delay import counting_mains
from fillalign.planning.zones import Zones, covered_seats, main_outputs
from fillalign.precedence import keeps_image, precedence_limit_db, required_margin_ms
from fillalign.propagation import NEAR_DB

RIPPLE_BANDS = (THIRDS_HZ > 450) & (THIRDS_HZ < 9000)
_BLOCK = 1024


@dataclass(frozen=True, eq=False)
class SeatChecks(ByValue):
    """One entry for each fill and each seat it covers or touches, as arrays of length k.

    A fill touches a seat where its direct sound lies within 10 dB of the mains'.
    `other` is the loudest other fill within 10 dB there (-1: none). The speech
    transmission index stands with the mains alone and with everything; `echo` is
    the echo criterion with everything, nan where it has no say.
    """

    seat: IntArray
    point_m: FloatArray
    area: IntArray
    fill: IntArray
    main: IntArray
    covered: BoolArray
    gap_ms: FloatArray
    level_difference_db: FloatArray
    limit_db: FloatArray
    margin_ms: FloatArray
    ripple_db: FloatArray
    other: IntArray
    other_gap_ms: FloatArray
    level_dba: FloatArray
    speech_before: FloatArray
    speech_after: FloatArray
    echo: FloatArray

    @property
    def keeps_image(self) -> BoolArray:
        """Whether the seat keeps the precedence table, or hardly hears the fill."""
        return np.asarray(keeps_image(self.gap_ms, self.level_difference_db))

    @property
    def image_lost(self) -> int:
        """Number of seats at which a fill takes the image."""
        return len({*self.seat[~self.keeps_image].tolist()})


@dataclass(frozen=True, eq=False)
class Walk(ByValue):
    """Row means from the stage to the back, (r,), with the mains alone and with all.

    Total and heard level in dBA, the profile, and the speech transmission index;
    `speech_louder` is that index with everything 10 dB louder.
    """

    x_m: FloatArray
    area: IntArray
    before_dba: FloatArray
    after_dba: FloatArray
    heard_before_dba: FloatArray
    heard_after_dba: FloatArray
    profile_dba: FloatArray
    speech_before: FloatArray
    speech_after: FloatArray
    speech_louder: FloatArray

    def spread_db(self, which: str) -> float:
        """Front-to-back spread of total level: before or after."""
        levels = self.before_dba if which == "before" else self.after_dba
        return float(levels.max() - levels.min())


def check_seats(zones: Zones, settings: Settings, fills: list[str]) -> tuple[SeatChecks, float]:
    """Check every seat of the venue; also return the loudest total of any, in dBA.

    Works through all seats in blocks, so that memory stays bounded.
    """
    parts: list[dict[str, Any]] = []
    loudest = -np.inf
    for start, paths in _every_seat(zones):
        found, highest = check_paths(paths, settings, fills)
        parts += [{**part, "seat": part["seat"] + start} for part in found]
        loudest = max(loudest, highest)
    return _joined(parts), loudest


def _joined(parts: list[dict[str, Any]]) -> SeatChecks:
    joined: dict[str, Any] = dict.fromkeys(SeatChecks.__dataclass_fields__, np.empty(0))
    joined["point_m"] = np.empty((0, 3))
    joined |= dict.fromkeys(("seat", "area", "fill", "main", "other"), np.empty(0, dtype=int))
    joined["covered"] = np.empty(0, dtype=bool)
    if parts:
        joined = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    return SeatChecks(**joined)


def _every_seat(zones: Zones) -> Iterator[tuple[int, Paths]]:
    """Every seat of the venue in blocks: the number of the first, and the paths."""
    seats, paths = venue_seats(zones.venue), zones.paths
    for start in range(0, len(seats), _BLOCK):
        block = slice(start, start + _BLOCK)
        if len(paths.seats) == len(seats):
            yield start, paths.take(block)
        else:
            yield start, trace_paths(zones.venue, seats.take(block), paths.state, paths.air)


def check_points(paths: Paths, settings: Settings, fills: list[str]) -> SeatChecks:
    """Check the seats of some paths, each with every fill."""
    found, _ = check_paths(paths, settings, fills, everything=True)
    return _joined(found)


def check_paths(
    paths: Paths, settings: Settings, fills: list[str], *, everything: bool = False
) -> tuple[list[dict[str, Any]], float]:
    """Check the seats of some paths by fill; also return the loudest total of any, in dBA.

    Of each fill only the seats that it covers or touches, unless `everything` is asked for.
    """
    venue, mains = paths.venue, main_outputs(paths.venue)
    field = superpose(paths, settings, sounding=[*mains, *fills])
    gains, alone = field.gains(), field.gains(mains)
    mains_dba = power_to_db(field.direct(alone) @ A_POWER)
    level = field.level_dba + np.array([settings[name].trim_db for name in field.outputs])[:, None]
    total = power_to_db(field.total(gains) @ A_POWER)
    speech = speech_at(paths, settings, sounding=field.outputs)
    everywhere = {
        "point_m": paths.seats.points_m,
        "area": paths.seats.area,
        "ripple_db": _ripple_db(field, gains),
        "level_dba": total,
        "speech_before": speech.index(alone),
        "speech_after": speech.index(gains),
        "echo": speech.echo(gains, venue.programme),
    }
    rows = []
    for name in fills:
        number = field.outputs.index(name)
        main, arrival = counting_mains(paths, settings, name)
        gap, over = field.arrival_ms[number] - arrival, level[number] - mains_dba
        covered = covered_seats(venue, paths.seats, [name])
        other, other_gap = _others(field, level, fills, number)
        part = {
            **everywhere,
            "fill": np.full(len(gap), list(venue.outputs).index(name)),
            "main": main,
            "covered": covered,
            "gap_ms": gap,
            "level_difference_db": over,
            "limit_db": precedence_limit_db(gap),
            "margin_ms": required_margin_ms(gap, over),
            "other": other,
            "other_gap_ms": other_gap,
        }
        keep = covered | (over >= -NEAR_DB) | everything
        rows.append({key: np.asarray(value)[keep] for key, value in part.items()})
        rows[-1]["seat"] = np.flatnonzero(keep)
    return rows, float(total.max())


def _ripple_db(field: Field, gains: FloatArray) -> FloatArray:
    """Spread over third octaves, 500 Hz to 8 kHz, of the coherent over the power sum, (n,)."""
    apart = np.einsum("onb,o->nb", field.own, gains**2)[:, RIPPLE_BANDS]
    # An array may send nothing at all in one band to one seat: then nothing ripples there.
    together = np.maximum(field.direct(gains)[:, RIPPLE_BANDS], 1e-30)
    ratio = power_to_db(together / np.maximum(apart, 1e-30))
    return np.asarray(ratio.max(axis=1) - ratio.min(axis=1))


def _others(
    field: Field, level: FloatArray, fills: list[str], number: int
) -> tuple[IntArray, FloatArray]:
    """Loudest other fill within 10 dB at each seat (-1: none), and the gap to it."""
    others = [at for at, name in enumerate(field.outputs) if name in fills and at != number]
    count = level.shape[1]
    if not others:
        return np.full(count, -1), np.full(count, np.nan)
    loudest = np.array(others)[level[others].argmax(axis=0)]
    pick = loudest, np.arange(count)
    heard = level[pick] >= level[number] - NEAR_DB
    gap = np.where(heard, field.arrival_ms[number] - field.arrival_ms[pick], np.nan)
    names = np.array([list(field.paths.venue.outputs).index(name) for name in field.outputs])
    return np.where(heard, names[loudest], -1), gap
