"""Outputs at seats under given delays and filters: what trims then only weigh.

Direct sound adds with band-averaged interference within one feed and by power
between feeds; in a room, early and late sound follow Barron and Lee. The early
window opens at each seat's first arrival.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.field.pairing import PairCache, cross_power, own_power
from fillalign.field.parts import PART_SHARE, filter_power, filters_of, part_filter, part_sums
from fillalign.field.paths import A_POWER, Paths, by_thirds, place_among_seats, trace_paths
from fillalign.room import early_late_energy
from fillalign.venue import OutputSettings, Venue, check_settings

NEAR_DB = 10.0
_FLOOR = 1e-30
_KEPT_TAILS = 64
Settings = Mapping[str, OutputSettings]


def to_db(power: FloatArray) -> FloatArray:
    """Level of a power, with a floor of -300 dB for silence."""
    return np.asarray(10 * np.log10(np.maximum(power, _FLOOR)))


def early_ms(venue: Venue) -> float:
    """Early window of the venue's programme: 50 ms speech, 80 ms music."""
    return 50.0 if venue.programme == "speech" else 80.0


def output_roles(venue: Venue) -> dict[str, str]:
    """Role (main, sub or fill) of each output that drives a source."""
    return {source.output: source.role for source in venue.sources}


def resting_settings(venue: Venue) -> dict[str, OutputSettings]:
    """Return the settings before planning: trim 0, no filter, the hold-back on every output."""
    return {
        name: OutputSettings(
            delay_ms=venue.hold_back_ms,
            polarity=output.polarity,
            low_cut_order=output.low_cut_orders[0],
            low_cut_kind=output.low_cut_kinds[0],
        )
        for name, output in venue.outputs.items()
    }


@dataclass(frozen=True)
class Mix:
    """Every output under given delays and filters, each at trim 0.

    `gram` (o, o, n, b) sums to the direct power for amplitude gains g as
    sum g_o g_p gram_op; `early` and `late` (o, n, b) are tail powers;
    `arrival_ms` and `level_dba` (o, n) are each output's arrival and direct
    level; `in_time` (o, n) tells whether its direct sound falls in the early
    window that opens at `first_ms` (n,).
    """

    outputs: tuple[str, ...]
    gram: FloatArray
    early: FloatArray
    late: FloatArray
    arrival_ms: FloatArray
    level_dba: FloatArray
    first_ms: FloatArray
    in_time: NDArray[np.bool_]

    def direct(self, gains: FloatArray) -> FloatArray:
        """Direct power (n, b) for amplitude gains (o,) or (o, n)."""
        return _quadratic(self.gram, gains)

    def useful(self, gains: FloatArray) -> FloatArray:
        """Direct and early power within the early window, (n, b)."""
        per_seat = np.broadcast_to(gains.reshape(len(gains), -1), self.in_time.shape)
        in_time = _quadratic(self.gram, per_seat * self.in_time)
        return np.asarray(in_time + np.einsum("o,onb->nb", gains**2, self.early))

    def total(self, gains: FloatArray) -> FloatArray:
        """Direct, early and late power: what a meter shows, (n, b)."""
        tails = np.einsum("o,onb->nb", gains**2, self.early + self.late)
        return np.asarray(self.direct(gains) + tails)


def _quadratic(gram: FloatArray, gains: FloatArray) -> FloatArray:
    weights = gains.reshape(len(gains), -1, 1)
    used = np.flatnonzero(np.any(weights != 0, axis=(1, 2)))
    total = np.zeros(gram.shape[2:])
    for place, one in enumerate(used):
        total += weights[one] ** 2 * gram[one, one]
        for other in used[place + 1 :]:
            total += 2 * weights[one] * weights[other] * gram[one, other]
    return np.maximum(total, 0.0)


def full_settings(venue: Venue, settings: Settings) -> dict[str, OutputSettings]:
    """Return the settings of every output: those given, which are checked, and the resting ones."""
    check_settings(venue, settings)
    return {**resting_settings(venue), **settings}


def gains_of(settings: Settings, outputs: Collection[str], sounding: Collection[str]) -> FloatArray:
    """Amplitude gain of each output: its trim, or 0 where it is silent."""
    return np.array(
        [10 ** (settings[name].trim_db / 20) if name in sounding else 0.0 for name in outputs]
    )


def _nearby_first(arrival: FloatArray, level: FloatArray) -> FloatArray:
    """Earliest arrival within 10 dB of the loudest, along the first axis."""
    counts = level >= level.max(axis=0) - NEAR_DB
    return np.asarray(np.where(counts, arrival, np.inf).min(axis=0))


def _served(venue: Venue, paths: Paths) -> tuple[FloatArray, FloatArray]:
    """Arrival in ms without delays and direct level in dBA of each output, (o, n) each."""
    arrival, level = [], []
    for index in range(len(venue.outputs)):
        own = paths.source_output == index
        arrival.append(_nearby_first(paths.serving_ms[own], paths.level_dba[own]))
        level.append(to_db((10 ** (paths.level_dba[own] / 10)).sum(axis=0)))
    return np.array(arrival), np.array(level)


def output_arrivals(
    venue: Venue, paths: Paths, settings: Settings, cache: PairCache | None = None
) -> tuple[FloatArray, FloatArray]:
    """Arrival in ms and direct level in dBA at trim 0 of each output, (o, n) each."""
    kept = cache or PairCache()
    if kept.served is None:
        kept.served = _served(venue, paths)
    return kept.served[0] + arrival_shift(venue, settings)[:, None], kept.served[1]


def _gram(
    venue: Venue,
    paths: Paths,
    settings: Settings,
    sounding: Collection[str],
    shift_db: FloatArray,
    cache: PairCache,
) -> FloatArray:
    """Powers and cross powers (o, o, n, b) of the sounding outputs; 0 for the others."""
    names = list(venue.outputs)
    later = arrival_shift(venue, settings)
    gram = np.zeros((len(names), len(names), len(paths.seats), THIRDS_HZ.size))
    heard = [index for index, name in enumerate(names) if name in sounding]
    for place, one in enumerate(heard):
        size = part_filter(settings[names[one]]).size
        own = own_power(paths, cache, one) * (size**2 * PART_SHARE)
        gram[one, one] = part_sums(own.T).T
        for other in heard[place + 1 :]:
            pair = settings[names[one]], settings[names[other]]
            if venue.outputs[names[one]].feed != venue.outputs[names[other]].feed:
                continue
            apart = float(later[one] - later[other])
            key = (one, other, apart, *map(filters_of, pair))
            found = cache.known_cross(key)
            if found is None:
                filters = part_filter(pair[0]), part_filter(pair[1])
                found = cross_power(paths, (one, other), apart / 1000, filters, cache)
                cache.cross[key] = found
            gram[one, other] = gram[other, one] = found
    if shift_db.any():
        size = 10 ** (shift_db / 20)
        gram *= (size[:, None] * size[None, :])[:, :, None, :]
    return gram


def direct_power(
    venue: Venue,
    paths: Paths,
    settings: Settings,
    sounding: Collection[str],
    shift_db: FloatArray,
    cache: PairCache,
) -> FloatArray:
    """Direct power (n, b) of some outputs at their trims, as `build_mix` has it."""
    gains = gains_of(settings, venue.outputs, sounding)
    return _quadratic(_gram(venue, paths, settings, sounding, shift_db, cache), gains)


def _tails(
    venue: Venue, paths: Paths, output: int, rt60_s: FloatArray, gap_ms: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Early and late tail power (n, b) of one output at trim 0 without filters.

    `gap_ms` (n,) is what its delay adds to the travel time, less the first arrival.
    """
    early = np.zeros((len(paths.seats), THIRDS_HZ.size))
    late = np.zeros_like(early)
    volume = venue.room.volume_m3 if venue.room else np.inf
    for index in np.flatnonzero(paths.source_output == output):
        gap = np.maximum(paths.serving_ms[index] + gap_ms, 0.0)
        # The 27 third octaves share 9 decays: compute those and repeat.
        energy = early_late_energy(
            paths.distance_m[index][:, None],
            rt60_s[::3],
            volume,
            early_ms=early_ms(venue),
            gap_ms=gap[:, None],
        )
        for total, part in zip((early, late), energy, strict=True):
            total += np.repeat(part, 3, axis=1) * paths.tail_power[index]
    return early, late


def build_mix(
    venue: Venue,
    paths: Paths,
    settings: Settings,
    *,
    state: str = "show",
    sounding: Collection[str] | None = None,
    shift_db: FloatArray | None = None,
    cache: PairCache | None = None,
) -> Mix:
    """Combine paths and settings.

    Parameters
    ----------
    venue, paths : Venue, Paths
        The venue and its traced paths.
    settings : mapping
        OutputSettings by output name; the trims only decide which arrival opens
        the early window, the mix itself is at trim 0.
    state : {"show", "check"}
        Whose reverberation to use.
    sounding : collection of str, optional
        Outputs to compute, which may open the early window; all by default. The
        others stay silent in the mix.
    shift_db : ndarray, optional
        Correction from measured levels, (o, b).
    cache : PairCache, optional
        Kept between calls with the same paths and `shift_db`.

    Returns
    -------
    Mix
        See there.
    """
    names = tuple(venue.outputs)
    shift = np.zeros((len(names), THIRDS_HZ.size)) if shift_db is None else shift_db
    corrected = 10 ** (shift / 10)
    power = np.array([filter_power(settings[name]) for name in names]) * corrected
    kept = cache or PairCache()
    arrival, level = output_arrivals(venue, paths, settings, kept)
    level = level + shift_dba(shift)[:, None]
    heard_outputs = names if sounding is None else sounding
    gains = gains_of(settings, names, heard_outputs)
    first = _nearby_first(arrival, level + to_db(gains**2)[:, None])
    shape = (len(names), len(paths.seats), THIRDS_HZ.size)
    early, late = np.zeros(shape), np.zeros(shape)
    if venue.room:
        rt60, later = by_thirds(venue.states[state].rt60_s), arrival_shift(venue, settings)
        for output in (index for index, name in enumerate(names) if name in heard_outputs):
            gap = later[output] - first
            key = output, state, gap.tobytes()
            if key not in kept.tails:
                if len(kept.tails) >= _KEPT_TAILS:
                    kept.tails.clear()
                kept.tails[key] = _tails(venue, paths, output, rt60, gap)
            early[output], late[output] = (part * power[output] for part in kept.tails[key])
    return Mix(
        outputs=names,
        gram=_gram(venue, paths, settings, heard_outputs, shift, kept),
        early=early,
        late=late,
        arrival_ms=arrival,
        level_dba=level,
        first_ms=first,
        in_time=arrival - first <= early_ms(venue),
    )


def arrival_shift(venue: Venue, settings: Settings) -> FloatArray:
    """Delay plus latency of each output, in ms."""
    return np.array([settings[n].delay_ms + out.latency_ms for n, out in venue.outputs.items()])


def shift_dba(shift_db: FloatArray) -> FloatArray:
    """Shifts by band (o, b) as one of the A-weighted level of each output, (o,)."""
    return to_db(10 ** (shift_db / 10) @ A_POWER / A_POWER.sum())


def measured_shifts_db(venue: Venue) -> FloatArray:
    """Shift of each output that brings the model to the measured levels, (o, b).

    Each reading was taken with its output alone at trim 0 without filters, in the
    shadow of the seats that it is among. Several readings of one output are averaged.
    """
    names = list(venue.outputs)
    shifts: dict[int, list[FloatArray]] = {index: [] for index in range(len(names))}
    resting = resting_settings(venue)
    for reading in venue.measured:
        where = venue.states[reading.state]
        seat = place_among_seats(venue, np.array(reading.at_m, dtype=float))
        paths = trace_paths(venue, seat, where, where.air)
        only = [reading.output]
        mix = build_mix(venue, paths, resting, state=reading.state, sounding=only)
        power = mix.total(gains_of(resting, names, only))[0]
        index = names.index(reading.output)
        if reading.level_dba is not None:
            gap = reading.level_dba - float(to_db(power @ A_POWER))
            shifts[index].append(np.full(THIRDS_HZ.size, gap))
        else:
            octaves = power.reshape(-1, 3).sum(axis=1)
            own = dict(zip((int(o) for o in OCTAVES_NOMINAL), octaves, strict=True))
            # Where the box is silent by its file, no shift makes it sound.
            change = {key: value - float(to_db(own[key]))
                      for key, value in reading.by_octave_db.items() if own[key] > _FLOOR}
            shifts[index].append(by_thirds(change))
    return np.array(
        [np.mean(part, axis=0) if part else np.zeros(THIRDS_HZ.size) for part in shifts.values()]
    )
