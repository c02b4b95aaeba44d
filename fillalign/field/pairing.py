"""What the outputs of a venue do to each other, before any trim.

The power that two outputs, or one with itself, bring together at each seat. All
of it is kept, since planning asks for the same pairs again and again.
`fillalign.field.superpose` adds trims, rooms and seats.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fillalign._turns import cosine_and_sine
from fillalign._validate import FloatArray
from fillalign.field.parts import (
    ALL_BANDS,
    PART_BAND,
    PART_CENTRE_HZ,
    PART_HIGH_HZ,
    PART_LOW_HZ,
    PART_SHARE,
    PartFilter,
    part_sums,
    parts_of,
)
from fillalign.field.paths import IntArray, Paths

_HALF = np.pi * (PART_HIGH_HZ - PART_LOW_HZ)
_EDGE_HZ = np.append(PART_LOW_HZ, PART_HIGH_HZ[-1])
_CLOSE_S = 1e-9
_FLAT = 1e-3
_KEPT_BYTES = 100_000_000
_BLOCK_PHASORS = 1024
_BLOCK_PAIRS = 50_000


class PairCache:
    """Interference between outputs over fixed paths, kept for settings already seen.

    Planning changes one output at a time, so most pairs recur. `whole` is the cache
    of more seats with their paths, and which of them these are.
    """

    def __init__(self, whole: tuple[PairCache, Paths, IntArray] | None = None) -> None:
        self.whole = whole
        self.own: dict[int, FloatArray] = {}
        self.source: dict[int, FloatArray] = {}
        self.cross: dict[tuple[object, ...], FloatArray] = {}
        self.means: dict[tuple[object, ...], FloatArray] = {}
        self.phasors: dict[int, list[FloatArray]] = {}
        self.tails: dict[tuple[object, ...], tuple[FloatArray, FloatArray]] = {}
        self.served: tuple[FloatArray, FloatArray] | None = None

    def known_cross(self, key: tuple[object, ...]) -> FloatArray | None:
        """Return a cross power that was worked out before, here or for more seats."""
        if key not in self.cross and self.whole is not None:
            more, _, which = self.whole
            if key in more.cross:
                self.cross[key] = more.cross[key][which]
        return self.cross.get(key)


def elements_of(paths: Paths, output: int) -> IntArray:
    """Return the elements that an output drives."""
    return np.flatnonzero(paths.source_output[paths.element_source] == output)


def own_power(paths: Paths, cache: PairCache, output: int) -> FloatArray:
    """Power of one output alone with interference between its elements, (n, parts)."""
    if output not in cache.own:
        if cache.whole is not None:
            more, every, which = cache.whole
            cache.own[output] = own_power(every, more, output)[which]
        else:
            _add_own(paths, cache, output)
    return cache.own[output]


def source_power(paths: Paths, cache: PairCache, source: int) -> FloatArray:
    """Power of one source alone with interference between its elements, by band, (n, b)."""
    if source not in cache.source:
        if cache.whole is not None:
            more, every, which = cache.whole
            cache.source[source] = source_power(every, more, source)[which]
        else:
            _add_own(paths, cache, int(paths.source_output[source]))
    return cache.source[source]


def _add_own(paths: Paths, cache: PairCache, output: int) -> None:
    """Keep the power of an output and of each of its sources."""
    total = np.zeros((PART_BAND.size, len(paths.seats)))
    chosen = elements_of(paths, output)
    owner = paths.element_source[chosen]
    for source in np.unique(owner):
        own = np.flatnonzero(owner == source)
        alone = (paths.amplitude[chosen[own]] ** 2).sum(axis=0).T[PART_BAND]
        _add_pairs(alone, paths, cache, output, [(int(one), own[own > one]) for one in own])
        cache.source[int(source)] = part_sums(alone * PART_SHARE[:, None]).T
        total += alone
    between = [(one, np.flatnonzero(owner > source)) for one, source in enumerate(owner)]
    _add_pairs(total, paths, cache, output, between)
    cache.own[output] = np.maximum(total, 0.0).T


def _add_pairs(
    total: FloatArray,
    paths: Paths,
    cache: PairCache,
    output: int,
    pairs: list[tuple[int, IntArray]],
) -> None:
    """Add to (parts, n) what one element and others of an output bring together."""
    wanted = [(one, slice(others[0], others[-1] + 1)) for one, others in pairs if others.size]
    if not wanted:
        return
    times = paths.time_ms[elements_of(paths, output)] / 1000
    for block, phasors in zip(_blocks(paths), _phasors(paths, cache, output), strict=True):
        for one, others in wanted:
            gap = times[one, block] - times[others, block]
            total[:, block] += 2 * _with_later(phasors[:, one], phasors[:, others], gap)


def _with_later(own: FloatArray, later: FloatArray, gap: FloatArray) -> FloatArray:
    """Interference of one element (4, p, n) with others (4, j, p, n) at gaps (j, n) in s, (p, n).

    With x = pi B gap it is a difference of sines at the edges over 2 x; next to
    x = 0, where that is all rounding, the mean cosine at the edges times tan(x)/x.
    """
    x = _HALF[:, None] * gap[:, None]
    # Parts widen with frequency: only the first of them can be so close.
    some = int(np.count_nonzero(_HALF * np.abs(gap).min() < _FLAT))
    low = x[:, :some]
    flat = np.abs(low) < _FLAT
    straight = np.where(flat, 0.5 + low * low / 6, 0.0)
    low[flat] = np.inf
    sums = np.einsum("jpn,cjpn->cpn", np.divide(0.5, x, out=x), later)
    total = own[2] * sums[3] - own[3] * sums[2] - own[0] * sums[1] + own[1] * sums[0]
    sums = np.einsum("jpn,cjpn->cpn", straight, later[:, :, :some])
    total[:some] += (own[:, :some] * sums).sum(axis=0)
    return np.asarray(total)


def _blocks(paths: Paths) -> list[slice]:
    """Return blocks of seats small enough for what an output needs there to stay in cache."""
    most = np.bincount(paths.source_output[paths.element_source]).max()
    count = -(-len(paths.seats) // int(np.clip(_BLOCK_PHASORS // most, 32, 256)))
    step = max(-(-len(paths.seats) // max(count, 1)), 1)
    return [slice(start, start + step) for start in range(0, len(paths.seats), step)]


def _phasors(paths: Paths, cache: PairCache, output: int) -> list[FloatArray]:
    """Phasors of an output's elements at each block of seats, (4, e, parts, seats).

    Amplitude times sine and cosine of the phase at the lower, then at the upper
    edge of each part. When too much is kept, all of it is made anew.
    """
    if output not in cache.phasors:
        chosen = elements_of(paths, output)
        made = [_block_phasors(paths, chosen, block) for block in _blocks(paths)]
        kept = sum(part.nbytes for parts in cache.phasors.values() for part in parts)
        if kept + sum(part.nbytes for part in made) > _KEPT_BYTES:
            cache.phasors.clear()
        cache.phasors[output] = made
    return cache.phasors[output]


def _block_phasors(paths: Paths, chosen: IntArray, block: slice) -> FloatArray:
    # Only differences of phase count: small ones are the more exact.
    time = paths.time_ms[chosen, block] - paths.time_ms[0, block]
    cosine, sine = cosine_and_sine(np.pi / 1000 * _EDGE_HZ[:, None] * time[:, None])
    loud = np.ascontiguousarray(paths.amplitude[chosen, block].swapaxes(1, 2))[:, PART_BAND]
    phasors = np.empty((4, *loud.shape))
    for row, wave in enumerate((sine, cosine)):
        np.multiply(wave[:, :-1], loud, out=phasors[row])
        np.multiply(wave[:, 1:], loud, out=phasors[row + 2])
    return phasors


def cross_parts(
    paths: Paths,
    pair: tuple[int, int],
    later_s: float,
    filters: tuple[PartFilter, PartFilter],
    cache: PairCache,
    bands: slice = ALL_BANDS,
) -> FloatArray:
    """Cross power of two outputs at trim 0, (parts, n); `later_s` is the first's less the second's.

    The closed form of `fillalign.interference`, part by part of some bands: sinc times
    cosine as a difference of sines at the edges of the part. Filters and delays
    turn those, the same for all elements.
    """
    first, second = (_phasors(paths, cache, output) for output in pair)
    if first[0].shape[1] > second[0].shape[1]:
        return cross_parts(paths, pair[::-1], -later_s, filters[::-1], cache, bands)
    parts = parts_of(bands)
    turned = _Turned(later_s, filters, parts)
    ours, theirs = (elements_of(paths, output) for output in pair)
    total = np.zeros((len(turned.lag), len(paths.seats)))
    for number, block in enumerate(_blocks(paths)):
        later = second[number][:, :, parts]
        times = paths.time_ms[theirs, block] / 1000 - later_s
        step = max(_BLOCK_PAIRS // later[0].size, 1)
        for start in range(0, len(ours), step):
            some = slice(start, start + step)
            apart = paths.time_ms[ours[some], None, block] / 1000 - times
            gap = apart[:, :, None, :] + turned.lag
            close = turned.close(apart, gap)
            np.divide(1.0, gap, out=gap)
            sums = np.einsum("ijpn,cjpn->cipn", gap, later)
            total[:, block] += turned.pairs(first[number][:, some, parts], sums)
            if close is not None:
                loud = [paths.amplitude[elements, block] for elements in (ours[some], theirs)]
                turned.add_close(total[:, block], close, apart, loud)
    return total


class _Turned:
    """What delays and filters of two outputs do to the pairs of their elements."""

    def __init__(
        self, later_s: float, filters: tuple[PartFilter, PartFilter], parts: slice
    ) -> None:
        self.parts = parts
        self.lag = (filters[0].lag - filters[1].lag)[parts, None]
        self.turn = (filters[0].phase - filters[1].phase)[parts, None]
        self.size = (filters[0].size * filters[1].size * PART_SHARE)[parts, None]
        low, high = PART_LOW_HZ[parts, None], PART_HIGH_HZ[parts, None]
        half = _HALF[parts, None]
        lower, upper = (side * half * self.lag - self.turn + 2 * np.pi * edge * later_s
                        for side, edge in ((-1.0, low), (1.0, high)))
        share = self.size / (2 * half)
        self.lower = -np.cos(lower) * share, -np.sin(lower) * share
        self.upper = np.cos(upper) * share, np.sin(upper) * share

    def pairs(self, own: FloatArray, sums: FloatArray) -> FloatArray:
        """Power of elements (4, i, p, n) with sums over others of phasor by gap, (4, i, p, n)."""
        total = np.zeros(sums.shape[1:])
        for (straight, across), place in ((self.lower, 0), (self.upper, 2)):
            sine, cosine = own[place], own[place + 1]
            total += sums[place + 1] * (straight * sine + across * cosine)
            total += sums[place] * (across * sine - straight * cosine)
        return np.asarray(total.sum(axis=0))

    def close(self, apart: FloatArray, gap: FloatArray) -> NDArray[np.bool_] | None:
        """Which gaps (i, j, p, n) are next to nothing, or None; sets those to infinity."""
        if apart.min() + self.lag.min() > _CLOSE_S or apart.max() + self.lag.max() < -_CLOSE_S:
            return None
        close = np.abs(gap) < _CLOSE_S
        gap[close] = np.inf
        return close if close.any() else None

    def add_close(
        self,
        total: FloatArray,
        close: NDArray[np.bool_],
        apart: FloatArray,
        loud: list[FloatArray],
    ) -> None:
        """Add the pairs without a gap, whose sinc is 1."""
        i, j, part, seat = np.nonzero(close)
        band = PART_BAND[self.parts][part]
        angle = 2 * np.pi * PART_CENTRE_HZ[self.parts][part] * apart[i, j, seat]
        power = loud[0][i, seat, band] * loud[1][j, seat, band] * self.size[part, 0]
        np.add.at(total, (part, seat), power * np.cos(angle - self.turn[part, 0]))


def cross_power(
    paths: Paths,
    pair: tuple[int, int],
    later_s: float,
    filters: tuple[PartFilter, PartFilter],
    cache: PairCache,
) -> FloatArray:
    """Cross power of two outputs at trim 0 by band, (n, b); as `cross_parts`."""
    return part_sums(cross_parts(paths, pair, later_s, filters, cache)).T
