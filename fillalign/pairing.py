"""What the outputs of a venue do to each other, before any trim.

Filters by parts of third octaves, and the power that two outputs, or one with
itself, bring together at each seat. All of it is kept, since planning asks for
the same pairs again and again. `fillalign.field` adds trims, rooms and seats.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import TypeVar

import numpy as np

from fillalign._check import ComplexArray, FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.comb import interference_power
from fillalign.filters import (
    low_cut_group_delay_ms,
    low_cut_response,
    shelf_group_delay_ms,
    shelf_response,
)
from fillalign.paths import CENTRE_HZ, HIGH_HZ, LOW_HZ, IntArray, Paths
from fillalign.venue import OutputSettings

# Third octaves up to 1 kHz are split: there low cuts bend the phase.
_SPLIT = np.where(THIRDS_HZ < 1100, 3, 1)
PART_BAND = np.repeat(np.arange(THIRDS_HZ.size), _SPLIT)
PART_START = np.concatenate([[0], np.cumsum(_SPLIT)[:-1]])
_STEP = np.arange(PART_BAND.size) - PART_START[PART_BAND]
PART_LOW_HZ = LOW_HZ[PART_BAND] + _STEP * ((HIGH_HZ - LOW_HZ) / _SPLIT)[PART_BAND]
PART_HIGH_HZ = PART_LOW_HZ + ((HIGH_HZ - LOW_HZ) / _SPLIT)[PART_BAND]
PART_CENTRE_HZ = (PART_LOW_HZ + PART_HIGH_HZ) / 2
PART_SHARE = 1.0 / _SPLIT[PART_BAND]
_EDGE_HZ = np.append(PART_LOW_HZ, PART_HIGH_HZ[-1])
_CLOSE_S = 1e-9
# Gauss-Legendre of four points, in closed form (Abramowitz and Stegun 25.4.30).
_NODES = np.sqrt((3 + np.array([2, -2, -2, 2]) * np.sqrt(1.2)) / 7) * np.array([-1, -1, 1, 1])
_WEIGHTS = (18 + np.array([-1, 1, 1, -1]) * np.sqrt(30)) / 36
_KEPT_BYTES = 100_000_000
_K = TypeVar("_K")


def filters_of(settings: OutputSettings) -> OutputSettings:
    """Return the filters and the polarity of some settings, without delay and trim."""
    return replace(settings, delay_ms=0.0, trim_db=0.0)


def _response(settings: OutputSettings, frequency_hz: FloatArray) -> ComplexArray:
    """Complex response of an output's filters and polarity."""
    response = np.ones(frequency_hz.shape, dtype=complex)
    if settings.low_cut_hz is not None:
        order, kind = settings.low_cut_order, settings.low_cut_kind
        response *= low_cut_response(frequency_hz, settings.low_cut_hz, order=order, kind=kind)
    if settings.shelf_db:
        response *= shelf_response(frequency_hz, settings.shelf_hz, settings.shelf_db)
    return -response if settings.polarity == "inverted" else response


def filter_power(settings: OutputSettings) -> FloatArray:
    """Mean power response of an output's filters by band (four-point Gauss rule)."""
    return _filter_power(filters_of(settings))


@lru_cache(maxsize=1024)
def _filter_power(filters: OutputSettings) -> FloatArray:
    inside = CENTRE_HZ + np.outer(_NODES, HIGH_HZ - LOW_HZ) / 2
    power = np.asarray(_WEIGHTS @ np.abs(_response(filters, inside)) ** 2 / 2)
    power.setflags(write=False)
    return power


@dataclass(frozen=True)
class PartFilter:
    """An output's filters over the parts of bands: size, phase in rad, delay in s."""

    size: FloatArray
    phase: FloatArray
    lag: FloatArray


def part_filter(settings: OutputSettings) -> PartFilter:
    """Return the filters at the centres of the parts.

    Within a part magnitude and group delay are taken as constant; whole third
    octaves would be up to 2 dB off where a low cut bends its phase.
    """
    return _part_filter(filters_of(settings))


@lru_cache(maxsize=1024)
def _part_filter(filters: OutputSettings) -> PartFilter:
    response = _response(filters, PART_CENTRE_HZ)
    lag = np.zeros(PART_CENTRE_HZ.size)
    if filters.low_cut_hz is not None:
        order, kind = filters.low_cut_order, filters.low_cut_kind
        corner = filters.low_cut_hz
        lag = lag + low_cut_group_delay_ms(PART_CENTRE_HZ, corner, order=order, kind=kind)
    if filters.shelf_db:
        lag = lag + shelf_group_delay_ms(PART_CENTRE_HZ, filters.shelf_hz, filters.shelf_db)
    return PartFilter(np.abs(response), np.angle(response), lag / 1000)


class PairCache:
    """Interference between outputs over fixed paths, kept for settings already seen.

    Planning changes one output at a time, so most pairs recur; where only
    filters and delays change, the waves between two elements recur. `whole` is the
    cache of more seats with their paths, and which of them these are; what is not
    `lasting` serves one mix only.
    """

    def __init__(
        self, whole: tuple[PairCache, Paths, IntArray] | None = None, *, lasting: bool = True
    ) -> None:
        self.whole, self.lasting = whole, lasting
        self.own: dict[int, FloatArray] = {}
        self.source: dict[int, FloatArray] = {}
        self.cross: dict[tuple[object, ...], FloatArray] = {}
        self.phasors: dict[int, FloatArray] = {}
        self.waves: dict[tuple[int, int], FloatArray] = {}
        self.tails: dict[tuple[object, ...], tuple[FloatArray, FloatArray]] = {}
        self.served: tuple[FloatArray, FloatArray] | None = None


def own_power(paths: Paths, cache: PairCache, output: int) -> FloatArray:
    """Power of one output alone with interference between its elements, (n, parts)."""
    if output not in cache.own:
        if cache.whole is not None:
            more, every, which = cache.whole
            cache.own[output] = own_power(every, more, output)[which]
        else:
            chosen = np.flatnonzero(paths.source_output[paths.element_source] == output)
            power = paths.amplitude[chosen][..., PART_BAND] ** 2
            times = paths.time_ms[chosen][..., None] / 1000
            cache.own[output] = np.asarray(power[0]) if len(chosen) == 1 else interference_power(
                power, times, PART_LOW_HZ, PART_HIGH_HZ)
    return cache.own[output]


def _kept(kept: dict[_K, FloatArray], key: _K, make: Callable[[_K], FloatArray]) -> FloatArray:
    """Return what is kept, or make it; when there is too much, start anew."""
    if key not in kept:
        made = make(key)
        if (len(kept) + 1) * made.nbytes > _KEPT_BYTES:
            kept.clear()
        kept[key] = made
    return kept[key]


def _phasor(paths: Paths, element: int) -> FloatArray:
    """Sine and cosine of the phase of an element's arrival at the edges of parts, (2, edges, n)."""
    turn = 2 * np.pi / 1000 * _EDGE_HZ[:, None] * paths.time_ms[element]
    return np.stack([np.sin(turn), np.cos(turn)])


def _loud(paths: Paths, one: int, other: int) -> FloatArray:
    """Product of the amplitudes of two elements, (parts, n)."""
    return np.asarray((paths.amplitude[one] * paths.amplitude[other]).T[PART_BAND])


def _waves(paths: Paths, cache: PairCache, pair: tuple[int, int]) -> FloatArray:
    """Waves between two elements, (parts, 4, n), times half their amplitudes.

    Sine and cosine of the phase at the lower and at the upper edge of each part.
    """
    (sine, cosine), (other_sine, other_cosine) = (
        _kept(cache.phasors, element, partial(_phasor, paths)) for element in pair
    )
    loud = _loud(paths, *pair) / 2
    waves = np.empty((len(loud), 4, loud.shape[1]))
    for row, wave in enumerate((sine * other_cosine - cosine * other_sine,
                                cosine * other_cosine + sine * other_sine)):
        np.multiply(wave[:-1], loud, out=waves[:, row])
        np.multiply(wave[1:], loud, out=waves[:, row + 2])
    return waves


def cross_power(
    paths: Paths,
    pair: tuple[IntArray, IntArray],
    later_s: float,
    filters: tuple[PartFilter, PartFilter],
    cache: PairCache,
) -> FloatArray:
    """Cross power of two outputs at trim 0, (n, b); `later_s` is the first's less the second's.

    The closed form of `fillalign.comb`, part by part of each band: sinc times
    cosine as a difference of sines at the edges of the part. Filters and delays
    turn those, the same for all elements.
    """
    lag = (filters[0].lag - filters[1].lag)[:, None]
    turn = filters[0].phase - filters[1].phase
    half = np.pi * (PART_HIGH_HZ - PART_LOW_HZ)
    size = filters[0].size * filters[1].size * PART_SHARE
    low, high = (side * half * lag[:, 0] - turn + 2 * np.pi * edge * later_s
                 for side, edge in ((-1.0, PART_LOW_HZ), (1.0, PART_HIGH_HZ)))
    ends = np.stack([-np.cos(low), -np.sin(low), np.cos(high), np.sin(high)]) * (size / half)
    by_end = ends.T[:, None, :]
    total = np.zeros((PART_BAND.size, len(paths.seats)))
    for one in map(int, pair[0]):
        for other in map(int, pair[1]):
            waves = (
                _kept(cache.waves, (one, other), partial(_waves, paths, cache))
                if cache.lasting
                else _waves(paths, cache, (one, other))
            )
            part = np.matmul(by_end, waves)[:, 0]
            between = (paths.time_ms[one] - paths.time_ms[other]) / 1000 + later_s
            gap = between + lag
            close = np.abs(gap)
            if close.min() < _CLOSE_S:
                straight = np.cos(2 * np.pi * PART_CENTRE_HZ[:, None] * between - turn[:, None])
                straight *= _loud(paths, one, other) * size[:, None]
                part = np.where(close < _CLOSE_S, straight, part)
                gap = np.where(close < _CLOSE_S, 1.0, gap)
            part /= gap
            total += part
    return np.asarray(np.add.reduceat(total, PART_START, axis=0).T)
