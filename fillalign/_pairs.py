"""The inner loop of band-averaged interference: every pair of sources at every place.

Private to the package; `fillalign.interference` states the formula and checks the input.
Arrays here have sources first, bands second and places after them. A pair's
sinc times cosine is a difference of sines at the edges of the band,

    cos(2 pi fc t - phi) sinc(B (t + tau))
        = (sin(2 pi f2 t - phi + pi B tau) - sin(2 pi f1 t - phi - pi B tau))
          / (2 pi B (t + tau)),

with t, phi and tau the differences of the pair. So two phasors a source serve
all its pairs, which cost products only. Work goes in blocks that stay in cache.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fillalign._turns import cosine_and_sine
from fillalign._validate import FloatArray

_BLOCK_ELEMENTS = 65536


def fill_pairs(
    result: FloatArray,
    label: NDArray[np.integer],
    arrays: list[FloatArray],
    low: FloatArray,
    high: FloatArray,
) -> None:
    """Fill `result` block by block along its longest axis between groups and bands.

    Inside a block bands come second, so that the long axis is contiguous.
    """
    order = np.argsort(label, kind="stable")
    members = [slice(*np.searchsorted(label[order], [group, group + 1]))
               for group in range(int(label.max()) + 1)]
    bands = _Bands(low, high, arrays[0].ndim, arrays[1].shape[-1] == 1)
    size = label.size, *result.shape[2:]
    axis = 1 + int(np.argmax(size[1:-1]))
    step = max(1, _BLOCK_ELEMENTS * size[axis] // max(1, int(np.prod(size))))
    for start in range(0, size[axis], step):
        cut = (slice(None),) * axis + (slice(start, start + step),)
        parts = [np.moveaxis(array[cut] if array.shape[axis] > 1 else array, -1, 1)
                 for array in arrays]
        if np.any(np.diff(order) < 0):
            parts = [part[order] if part.shape[0] > 1 else part for part in parts]
        block = _block([np.ascontiguousarray(part) for part in parts], members, bands)
        block += block.swapaxes(0, 1).copy()
        result[(slice(None), *cut)] = np.moveaxis(block, 2, -1)


class _Bands:
    """Band edges as columns for arrays with bands on their second axis.

    Bands that adjoin share an edge, and so its phasors, where times are the
    same in every band (`shared`).
    """

    def __init__(self, low: FloatArray, high: FloatArray, ndim: int, shared: bool) -> None:
        column = (1, -1, *(1,) * (ndim - 2))
        shared = shared and np.allclose(high[:-1], low[1:], rtol=1e-14, atol=0.0)
        edges = np.append(low, high[-1]) if shared else np.concatenate([low, high])
        self.low, self.high = low, high
        self.edges_pi = np.pi * edges.reshape(column)
        self.half = np.pi * (high - low).reshape(column)
        # Below these gaps the difference of sines cancels too far; times far
        # from the first one carry more rounding.
        self.reach_s = 1e-3 / self.half
        self.reach = 2e-6 * np.pi * high.reshape(column) / self.half


def _phasors(
    power: FloatArray,
    time: FloatArray,
    phase: FloatArray,
    lag: FloatArray,
    bands: _Bands,
    size: tuple[int, ...],
) -> FloatArray:
    """Return real and imaginary parts of every source at the upper and at the lower edge."""
    if time.shape[1] > 1:
        time = np.concatenate([time, time], axis=1)
    cosine, sine = cosine_and_sine(bands.edges_pi * time)
    amplitude = power / bands.half
    np.sqrt(amplitude, out=amplitude)
    count = bands.low.size
    result = np.empty((4, len(power), count, *size))
    for part, band, sign in ((0, slice(-count, None), 1.0), (2, slice(0, count), -1.0)):
        real, imag = result[part], result[part + 1]
        np.multiply(amplitude, cosine[:, band], out=real)
        np.multiply(amplitude, sine[:, band], out=imag)
        if phase.any() or lag.any():
            angle = sign * bands.half * lag - phase
            turn_real, turn_imag = np.cos(angle), np.sin(angle)
            turned = real * turn_imag
            real *= turn_real
            real -= imag * turn_imag
            imag *= turn_real
            imag += turned
    return result


def _block(parts: list[FloatArray], members: list[slice], bands: _Bands) -> FloatArray:
    """Return half of each group's own power and, on and above the diagonal, its interference.

    sinc times cosine is a difference of sines at the band edges, so that a
    pair costs products of phasors and no trigonometry:
    Im(u_i conj(u_j) - v_i conj(v_j))/(pi B (T_i - T_j)) with T = t + tau.
    """
    power, time, phase, lag = parts
    time = time - time[:1]
    count, size = len(power), np.broadcast_shapes(*(part.shape[2:] for part in parts))
    phasors = _phasors(power, time, phase, lag, bands, size)
    shifted = time + lag
    shifted = np.broadcast_to(shifted, (count, shifted.shape[1], *size))
    reach = bands.reach_s + bands.reach * np.abs(time).max()
    result = np.zeros((len(members), len(members), *phasors.shape[2:]))
    close = []
    for group, own in enumerate(members):
        result[group, group] += 0.5 * power[own].sum(axis=0)
        for i in range(own.start, own.stop):
            gap = shifted[i] - shifted[i + 1 :]
            near = np.abs(gap) < (reach if gap.shape[1] > 1 else reach.max())
            if near.any():
                near = np.abs(gap) < reach
                close.append(_places(near, i))
                gap = np.where(near, np.inf, gap)
            weight = np.divide(0.5, gap, out=gap)
            for other in range(group, len(members)):
                first, end = max(members[other].start, i + 1), members[other].stop
                if first < end:
                    later = phasors[:, first:end]
                    part = weight[first - i - 1 : end - i - 1]
                    result[group, other] += _pairs(part, later, phasors[:, i])
    if close:
        _add_close(result, np.concatenate(close, axis=1), [power, time, phase, lag], members, bands)
    return result


def _pairs(weight: FloatArray, later: FloatArray, own: FloatArray) -> FloatArray:
    """Return the interference of one source with later ones, from phasors and 1/(2 (T_i - T_j))."""
    total = np.einsum("j...,cj...->c...", weight, later)
    total[:2] *= own[1::-1]
    total[2:] *= own[:1:-1]
    pair: FloatArray = total[0]
    pair -= total[1]
    pair -= total[2]
    pair += total[3]
    return pair


def _places(near: NDArray[np.bool_], i: int) -> NDArray[np.intp]:
    """Return rows of indices: source `i`, the other source, band and place of each true element."""
    j, *place = np.unravel_index(np.flatnonzero(near), near.shape)
    return np.stack([np.full(j.shape, i), j + (i + 1), *place])


def _add_close(
    result: FloatArray,
    places: NDArray[np.intp],
    parts: list[FloatArray],
    members: list[slice],
    bands: _Bands,
) -> None:
    """Add the pairs too close for a difference of sines by sinc times cosine itself."""
    i, j, *place = places
    low, high = bands.low[place[0]], bands.high[place[0]]
    full = [np.broadcast_to(part, (len(parts[0]), *result.shape[2:])) for part in parts]
    mine, theirs = ([part[(source, *place)] for part in full] for source in (i, j))
    gap, turn, lag = (mine[k] - theirs[k] for k in (1, 2, 3))
    pair = np.sqrt(mine[0] * theirs[0]) * np.sinc((high - low) * (gap + lag))
    pair *= np.cos(np.pi * (low + high) * gap - turn)
    starts = [own.start for own in members[1:]]
    group, other = (np.searchsorted(starts, source, side="right") for source in (i, j))
    np.add.at(result, (group, other, *place), pair)
