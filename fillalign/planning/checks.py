"""What given settings do at every seat: gaps, levels, ripple, walk, readings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fillalign._validate import FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.field import (
    A_POWER,
    C_POWER,
    NEAR_DB,
    IntArray,
    Mix,
    PairCache,
    Paths,
    Seats,
    Settings,
    build_mix,
    gains_of,
    single_points,
    speech_arrivals,
    to_db,
    trace_paths,
    venue_seats,
)
from fillalign.planning.bench import Bench
from fillalign.planning.delay import counting_mains
from fillalign.planning.zones import covered_areas, main_outputs
from fillalign.precedence import precedence_limit_db, required_margin_ms
from fillalign.venue import Venue

RIPPLE_BANDS = (THIRDS_HZ > 450) & (THIRDS_HZ < 9000)


@dataclass(frozen=True)
class SeatChecks:
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
    covered: NDArray[np.bool_]
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
    def keeps_image(self) -> NDArray[np.bool_]:
        """Whether the seat keeps the precedence table, or hardly hears the fill."""
        return np.asarray(self.level_difference_db <= np.maximum(self.limit_db, -NEAR_DB) + 1e-9)


def _ripple_db(mix: Mix, gains: FloatArray) -> FloatArray:
    """Spread over third octaves, 500 Hz to 8 kHz, of the coherent over the power sum, (n,)."""
    apart = np.einsum("oonb,o->nb", mix.gram, gains**2)
    ratio = to_db(mix.direct(gains))[:, RIPPLE_BANDS] - to_db(apart)[:, RIPPLE_BANDS]
    return np.asarray(ratio.max(axis=1) - ratio.min(axis=1))


def _others(
    level: FloatArray, arrival: FloatArray, fills: list[int], fill: int
) -> tuple[IntArray, FloatArray]:
    others = [i for i in fills if i != fill]
    if not others:
        return np.full(level.shape[1], -1), np.full(level.shape[1], np.nan)
    loudest = np.array(others)[level[others].argmax(axis=0)]
    pick = (loudest, np.arange(level.shape[1]))
    heard = level[pick] >= level[fill] - NEAR_DB
    gap = np.where(heard, arrival[fill] - arrival[pick], np.nan)
    return np.where(heard, loudest, -1), gap


def _check_block(
    bench: Bench,
    cache: PairCache,
    paths: Paths,
    settings: Settings,
    fills: list[str],
    covers: dict[str, NDArray[np.bool_]],
) -> tuple[list[dict[str, FloatArray]], float]:
    venue, shift_db = bench.venue, bench.shift_db
    names = list(venue.outputs)
    mains = main_outputs(venue)
    sounding = [*mains, *fills]
    mix = build_mix(
        venue, paths, settings, sounding=sounding, shift_db=shift_db, cache=cache
    )
    gains = gains_of(settings, names, sounding)
    alone = gains_of(settings, names, mains)
    mains_dba = to_db(mix.direct(alone) @ A_POWER)
    own = np.einsum("oonb->onb", mix.gram) @ A_POWER
    level = to_db(own * gains[:, None] ** 2)
    total = to_db(mix.total(gains) @ A_POWER)
    ripple = _ripple_db(mix, gains)
    speech = speech_arrivals(venue, paths, settings, shift_db=shift_db, cache=cache)
    echo = speech.echo(gains, venue.programme)
    index_before, index_after = speech.index(alone), speech.index(gains)
    rows = []
    for name in fills:
        index = names.index(name)
        main, arrival = counting_mains(venue, paths, settings, name, shift_db)
        gap = mix.arrival_ms[index] - arrival
        difference = level[index] - mains_dba
        other, other_gap = _others(level, mix.arrival_ms, [names.index(f) for f in fills], index)
        keep = covers[name][paths.seats.area] | (difference >= -NEAR_DB)
        part = {
            "point_m": paths.seats.points_m,
            "area": paths.seats.area,
            "fill": np.full(len(gap), index),
            "main": main,
            "covered": covers[name][paths.seats.area],
            "gap_ms": gap,
            "level_difference_db": difference,
            "limit_db": precedence_limit_db(gap),
            "margin_ms": required_margin_ms(gap, difference),
            "ripple_db": ripple,
            "other": other,
            "other_gap_ms": other_gap,
            "level_dba": total,
            "speech_before": index_before,
            "speech_after": index_after,
            "echo": echo,
        }
        rows.append({key: np.asarray(value)[keep] for key, value in part.items()})
        rows[-1]["seat"] = np.flatnonzero(keep)
    return rows, float(total.max())


def check_seats(bench: Bench, settings: Settings, fills: list[str]) -> tuple[SeatChecks, float]:
    """Check every seat of the venue; also return the loudest total of any, in dBA.

    Works through all seats in blocks, so that memory stays bounded.
    """
    venue = bench.venue
    covers = {
        name: np.array(
            [
                any(area.name in s.covers for s in venue.sources if s.output == name)
                for area in venue.areas
            ]
        )
        for name in fills
    }
    parts: list[dict[str, FloatArray]] = []
    loudest = -np.inf
    for start, cache, paths in bench.blocks():
        found, highest = _check_block(bench, cache, paths, settings, fills, covers)
        parts.extend({**part, "seat": part["seat"] + start} for part in found)
        loudest = max(loudest, highest)
    joined: dict[str, Any] = dict.fromkeys(SeatChecks.__dataclass_fields__, np.empty(0))
    joined["point_m"] = np.empty((0, 3))
    if parts:
        joined = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}
    return SeatChecks(**joined), loudest


@dataclass(frozen=True)
class Walk:
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


def walk_levels(
    bench: Bench, settings: Settings, sounding: list[str], profile: FloatArray
) -> Walk:
    """Levels along the walk with the mains alone and with everything."""
    mains = main_outputs(bench.venue)
    mix, without = bench.mix(settings, sounding), bench.mix(settings, mains)
    alone = gains_of(settings, mix.outputs, mains)
    every = gains_of(settings, mix.outputs, sounding)

    def rows(power: FloatArray) -> FloatArray:
        return to_db(bench.row_mean(power @ A_POWER))

    return Walk(
        x_m=bench.row_x_m,
        area=bench.row_area,
        before_dba=rows(mix.total(alone)),
        after_dba=rows(mix.total(every)),
        heard_before_dba=rows(bench.heard(without, alone)),
        heard_after_dba=rows(bench.heard(mix, every)),
        profile_dba=profile,
        speech_before=bench.row_index(settings, alone),
        speech_after=bench.row_index(settings, every),
        speech_louder=bench.row_index(settings, every * np.sqrt(10.0)),
    )


def gain_before_feedback_db(
    bench: Bench, settings: Settings, sounding: list[str], walk: Walk
) -> float:
    """Gain before feedback won for the same level at the back row.

    How far the mains come down, less what the fills add at the stage microphone.
    """
    venue, back = bench.venue, int(walk.x_m.argmax())
    point = single_points(np.array(venue.stage_microphone_m))
    paths = trace_paths(venue, point, venue.states["show"], bench.air)
    every, mains = _totals(bench, paths, settings, "show", [sounding, main_outputs(venue)])
    added = float(to_db(every @ A_POWER)) - float(to_db(mains @ A_POWER))
    return float(walk.after_dba[back] - walk.before_dba[back]) - added


def _totals(
    bench: Bench, paths: Paths, settings: Settings, state: str, sounding: list[list[str]]
) -> list[FloatArray]:
    """Total power (b,) at the one place of `paths` for each list of outputs."""
    mix = build_mix(bench.venue, paths, settings, state=state, shift_db=bench.shift_db,
                    sounding={name for names in sounding for name in names})
    return [mix.total(gains_of(settings, mix.outputs, names))[0] for names in sounding]


@dataclass(frozen=True)
class Reading:
    """Meter readings to expect at a fill's aim seat, venue empty, pink noise."""

    output: str
    seat_m: tuple[float, float, float]
    mains_dba: float
    mains_dbc: float
    fill_dba: float
    fill_dbc: float
    both_dba: float


def aim_seat(venue: Venue, output: str, seats: Seats, areas: tuple[str, ...]) -> int:
    """Covered seat nearest to where the output's boxes aim."""
    inside = np.flatnonzero(
        np.isin(seats.area, [i for i, a in enumerate(venue.areas) if a.name in areas])
    )
    aims = np.array([s.aim_m for s in venue.sources if s.output == output])
    away = np.linalg.norm(seats.points_m[inside][:, None, :] - aims[None], axis=2).min(axis=1)
    return int(inside[away.argmin()])


def expected_readings(bench: Bench, settings: Mapping[str, Settings]) -> dict[str, Reading]:
    """Predict what a meter shows at each fill's aim seat in the empty venue.

    `settings` holds those under which each fill is read, by its output.
    """
    if not settings:
        return {}
    venue, mains = bench.venue, main_outputs(bench.venue)
    state, seats = venue.states["check"], venue_seats(venue)
    aims = [aim_seat(venue, output, seats, covered_areas(venue, [output])) for output in settings]
    paths = trace_paths(venue, seats.take(np.array(aims, dtype=int)), state, state.air)
    readings = {}
    for place, (output, own) in enumerate(settings.items()):
        alone, fill, both = _totals(
            bench, paths.take(np.array([place])), own, "check", [mains, [output], [*mains, output]]
        )
        x, y, z = (float(v) for v in paths.seats.points_m[place])
        readings[output] = Reading(
            output=output,
            seat_m=(x, y, z),
            mains_dba=float(to_db(alone @ A_POWER)),
            mains_dbc=float(to_db(alone @ C_POWER)),
            fill_dba=float(to_db(fill @ A_POWER)),
            fill_dbc=float(to_db(fill @ C_POWER)),
            both_dba=float(to_db(both @ A_POWER)),
        )
    return readings
