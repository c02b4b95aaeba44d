"""Clarity and speech transmission at seats, from a venue and its settings.

Each box counts as an arrival with its own tail; an array counts as one
arrival, that of the element which serves the seat. Speech replaces pink noise
of the same A-weighted level.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from fillalign._validate import FloatArray
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.air import Air
from fillalign.field.pairing import PairCache, source_power
from fillalign.field.parts import filter_power
from fillalign.field.paths import IntArray, Paths, by_thirds, trace_paths
from fillalign.field.seats import what_is_asked
from fillalign.field.superpose import Settings, arrival_shift, early_ms, measured_shifts_db, to_db
from fillalign.levels import pink_band_levels_db
from fillalign.precedence import echo_criterion
from fillalign.room import reverberant_energy
from fillalign.speech import (
    MODULATION_HZ,
    STI_OCTAVES_HZ,
    clarity_db,
    direct_to_reverberant_db,
    modulated_energy,
    noise_factor,
    speech_octave_levels_db,
    speech_transmission_index,
)
from fillalign.venue import Venue

OCTAVES = [OCTAVES_NOMINAL.index(octave) for octave in STI_OCTAVES_HZ]
JUST_NOTICEABLE = 0.03
_BLOCK = 1024
# Seats, and modulations, worked out in one go: what a processor keeps at hand.
_SEATS_TOGETHER = 128
_TOGETHER = 50_000


def _octaves(power: FloatArray) -> FloatArray:
    """Octaves 125 Hz to 8 kHz of third-octave powers, (..., 7)."""
    return np.asarray(power.reshape(*power.shape[:-1], -1, 3).sum(axis=-1)[..., OCTAVES])


# What turns pink noise into speech of the same A-weighted level, by octave.
SPEECH_OVER_PINK = 10 ** (speech_octave_levels_db(0.0) / 10) / _octaves(
    10 ** (pink_band_levels_db(0.0, THIRDS_HZ) / 10)
)


@dataclass(frozen=True)
class SpeechArrivals:
    """Speech energy of every source s at every seat n, by octave, each at trim 0.

    `direct` and `tail` (s, n, 7), `time_ms` (s, n), `rt60_s` (7,); `output` (s,)
    is the index of each source's output.
    """

    direct: FloatArray
    tail: FloatArray
    time_ms: FloatArray
    rt60_s: FloatArray
    output: IntArray
    noise_db: FloatArray | None

    def _scaled(self, gains: FloatArray) -> tuple[FloatArray, FloatArray]:
        power = (gains**2)[..., self.output]
        lifted = np.moveaxis(power, -1, 0)[..., None, None]
        middle = (len(self.direct), *(1,) * (power.ndim - 1), *self.direct.shape[1:])
        return self.direct.reshape(middle) * lifted, self.tail.reshape(middle) * lifted

    @cached_property
    def _by_output(self) -> tuple[FloatArray, FloatArray]:
        """Modulated energy (2, o, n 7 14), real and imaginary, and energy (o, n 7) of outputs."""
        times = self.time_ms - self.time_ms.min(axis=0)
        frequency = np.array(MODULATION_HZ)
        modulated, energy = [], []
        for output in range(int(self.output.max()) + 1):
            own = self.output == output
            direct, tail = self.direct[own], self.tail[own]
            arrived = modulated_energy(direct, times[own], tail, self.rt60_s, frequency)
            modulated.append((arrived.real.ravel(), arrived.imag.ravel()))
            energy.append((direct + tail).sum(axis=0).ravel())
        return np.array(modulated).swapaxes(0, 1), np.array(energy)

    def index(self, gains: FloatArray) -> FloatArray:
        """Speech transmission index (..., n) for amplitude gains (..., o)."""
        count = self.direct.shape[1]
        if count > _SEATS_TOGETHER:
            starts = range(0, count, _SEATS_TOGETHER)
            parts = [self._take(slice(i, i + _SEATS_TOGETHER)).index(gains) for i in starts]
            return np.concatenate(parts, axis=-1)
        modulated, energy = self._by_output
        power = gains[..., : len(energy)].reshape(-1, len(energy)) ** 2
        total = (power @ energy).reshape(len(power), *self.direct.shape[1:])
        left = noise_factor(to_db(total), self.noise_db) / np.where(total > 0.0, total, 1.0)
        step = max(_TOGETHER // modulated[0, 0].size, 1)
        found = []
        for start in range(0, len(power), step):
            some = slice(start, start + step)
            real, imaginary = (power[some] @ part for part in modulated)
            real *= real
            imaginary *= imaginary
            real += imaginary
            arrived = np.sqrt(real, out=real).reshape(*left[some].shape, -1)
            arrived *= left[some, ..., np.newaxis]
            found.append(speech_transmission_index(arrived))
        return np.concatenate(found).reshape(*gains.shape[:-1], count)

    def _take(self, seats: slice) -> SpeechArrivals:
        return replace(self, direct=self.direct[:, seats], tail=self.tail[:, seats],
                       time_ms=self.time_ms[:, seats])

    def echo(self, gains: FloatArray, programme: str) -> FloatArray:
        """Echo criterion (n,) for gains (o,), all octaves together; nan where it has no say."""
        direct, tail = self._scaled(gains)
        heard = np.flatnonzero(gains[self.output] > 0)
        if not heard.size:
            return np.full(direct.shape[1], np.nan)
        return np.atleast_1d(
            echo_criterion(
                direct[heard].sum(axis=-1),
                self.time_ms[heard],
                tail[heard].sum(axis=-1),
                float(self.rt60_s[2:4].mean()),
                programme=programme,
            )
        )


def speech_arrivals(
    venue: Venue,
    paths: Paths,
    settings: Settings,
    *,
    state: str = "show",
    shift_db: FloatArray | None = None,
    cache: PairCache | None = None,
) -> SpeechArrivals:
    """Collect every source's speech energy at the seats of `paths`.

    Parameters
    ----------
    venue, paths, settings
        As in `fillalign.field.superpose.build_mix`.
    state : {"show", "check"}
        Whose reverberation to use.
    shift_db : ndarray, optional
        Correction from measured levels, (o, b).
    cache : PairCache, optional
        Kept between calls with the same paths.

    Returns
    -------
    SpeechArrivals
        At trim 0; its methods take the gains.
    """
    kept = cache or PairCache()
    names = list(venue.outputs)
    shift = np.zeros((len(names), THIRDS_HZ.size)) if shift_db is None else shift_db
    size = np.array([filter_power(settings[name]) for name in names])
    size = size * 10 ** (shift / 10)
    owner = paths.source_output
    direct = np.stack(
        [source_power(paths, kept, s) * size[owner[s]] for s in range(len(owner))]
    )
    rt60 = np.ones(THIRDS_HZ.size)
    tail = np.zeros_like(direct)
    if venue.room:
        rt60 = by_thirds(venue.states[state].rt60_s)
        energy = reverberant_energy(paths.distance_m[..., None], rt60, venue.room.volume_m3)
        tail = energy * (paths.tail_power * size[owner])[:, None, :]
    noise = venue.goals.noise_db
    return SpeechArrivals(
        direct=_octaves(direct) * SPEECH_OVER_PINK,
        tail=_octaves(tail) * SPEECH_OVER_PINK,
        time_ms=paths.serving_ms + arrival_shift(venue, settings)[owner, None],
        rt60_s=rt60.reshape(-1, 3)[OCTAVES, 0],
        output=owner,
        noise_db=by_thirds(noise, fill=-100.0)[1::3][OCTAVES] if noise else None,
    )


@dataclass(frozen=True)
class SeatSpeech:
    """Clarity at n seats by octave, 125 Hz to 8 kHz (`STI_OCTAVES_HZ`).

    `index` (n,) is the speech transmission index; `clarity_db` (n, 7) is C50 for
    speech and C80 for music; `direct_to_reverberant_db` (n, 7); `echo` (n,) is the
    echo criterion, nan where it has no say.
    """

    seats_m: FloatArray
    index: FloatArray
    clarity_db: FloatArray
    direct_to_reverberant_db: FloatArray
    echo: FloatArray


def seat_speech(
    venue: Venue,
    settings: Settings | None = None,
    *,
    state: str = "show",
    air: Air | None = None,
    seats_m: ArrayLike | None = None,
    sounding: Collection[str] | None = None,
) -> SeatSpeech:
    """Clarity, speech transmission and echo of a venue at every seat.

    Parameters
    ----------
    venue, settings, state, air, seats_m, sounding
        As in `seat_field`.

    Returns
    -------
    SeatSpeech
        Computed in blocks of seats.

    Raises
    ------
    TypeError, ValueError
        As `seat_field`.

    References
    ----------
    IEC 60268-16 (indirect method), ISO 3382-1, Dietsch and Kraak (1986): see
    `speech_transmission_index`, `clarity_db` and `echo_criterion`.

    Examples
    --------
    >>> from fillalign import read_venue, seat_speech
    >>> hall = read_venue("data/tidewell_hall.toml")
    >>> seats = [[8, 0, 1.2], [36, 0, 1.2]]
    >>> near, far = seat_speech(hall, seats_m=seats, sounding=["Main bus"]).index
    >>> bool(near > far)
    True
    """
    full, seats, gains = what_is_asked(venue, settings, state, seats_m, sounding)
    shift = measured_shifts_db(venue)
    where = venue.states[state]
    parts: list[tuple[FloatArray, ...]] = []
    for start in range(0, len(seats), _BLOCK):
        block = seats.take(slice(start, start + _BLOCK))
        paths = trace_paths(venue, block, where, where.air if air is None else air)
        heard = speech_arrivals(venue, paths, full, state=state, shift_db=shift)
        direct, tail = heard._scaled(gains)
        clarity = clarity_db(
            direct, heard.time_ms, tail, heard.rt60_s, early_ms=early_ms(venue)
        )
        ratio = direct_to_reverberant_db(direct, tail)
        parts.append((heard.index(gains), clarity, ratio, heard.echo(gains, venue.programme)))
    joined = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return SeatSpeech(seats.points_m, *joined)
