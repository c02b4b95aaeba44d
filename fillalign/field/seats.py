"""What every seat gets: levels, arrivals, clarity and speech.

Computed in blocks of seats, so that memory stays bounded. Each box counts as an
arrival with its own tail; an array counts as one arrival, that of the element which
serves the seat. Speech replaces pink noise of the same A-weighted level.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike

from fillalign import levels, speech
from fillalign._text import listed, quoted
from fillalign._validate import ByValue, FloatArray, Programme, as_points, check_choice
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.air import Air
from fillalign.field.paths import A_POWER, IntArray, Paths, by_thirds, single_points, venue_seats
from fillalign.field.superpose import (
    Settings,
    arrival_shift_ms,
    early_ms,
    filter_power,
    output_arrivals_ms,
    superpose,
    trace_paths,
)
from fillalign.precedence import echo_criterion
from fillalign.room import reverberant_energy
from fillalign.venue import STATES, OutputSettings, StateName, Venue, as_venue, check_outputs

if TYPE_CHECKING:
    import pandas as pd

C_POWER = levels.weighting_factors(THIRDS_HZ, "C")
JUST_NOTICEABLE = 0.03
"""Step of the speech transmission index that is just noticeable (from memory)."""
_OCTAVES = [OCTAVES_NOMINAL.index(octave) for octave in speech.STI_OCTAVES_HZ]
_BLOCK = 1024
# Seats and modulations worked out in one go: what a processor keeps at hand.
_SEATS_TOGETHER = 128
_TOGETHER = 50_000


@dataclass(frozen=True, eq=False)
class SeatField(ByValue):
    """Levels at n seats for o outputs in 27 third octaves (`THIRDS_HZ`), unweighted, in dB.

    `direct_db`, `useful_db`, `total_db` (n, 27) are of everything sounding;
    `output_direct_db` (o, n, 27) and `arrival_ms` (o, n) of each output alone. What
    does not sound has levels of minus infinity.
    """

    outputs: tuple[str, ...]
    seats_m: FloatArray
    direct_db: FloatArray
    useful_db: FloatArray
    total_db: FloatArray
    output_direct_db: FloatArray
    arrival_ms: FloatArray

    def __repr__(self) -> str:
        """Count the seats and name the outputs."""
        return f"SeatField({len(self.seats_m)} seats, outputs {listed(self.outputs)})"

    def octaves_db(self, which: str = "total") -> FloatArray:
        """Octave levels (n, 9) of `which`: direct, useful or total."""
        power = self._power(which)
        return np.asarray(levels.power_to_db(power.reshape(*power.shape[:-1], -1, 3).sum(axis=-1)))

    def weighted_db(self, which: str = "total", *, weighting: str = "A") -> FloatArray:
        """Return the A- or C-weighted level (n,) of `which`: direct, useful or total."""
        weights = A_POWER if check_choice("weighting", weighting, ("A", "C")) == "A" else C_POWER
        return np.asarray(levels.power_to_db(self._power(which) @ weights))

    def frame(self) -> pd.DataFrame:
        """One row a seat, for a spreadsheet or a database.

        Returns
        -------
        pandas.DataFrame
            `x_m`, `y_m`, `z_m`; `direct_dba`, `useful_dba`, `total_dba` and `total_dbc` of
            everything that sounds; and, with the output's name after a colon, `arrival_ms`
            and `direct_dba` of each output alone.
        """
        import pandas as pd

        columns = dict(zip(("x_m", "y_m", "z_m"), self.seats_m.T, strict=True))
        for which in ("direct", "useful", "total"):
            columns[f"{which}_dba"] = self.weighted_db(which)
        columns["total_dbc"] = self.weighted_db(weighting="C")
        for number, name in enumerate(self.outputs):
            own = levels.db_to_power(self.output_direct_db[number]) @ A_POWER
            columns[f"arrival_ms: {name}"] = self.arrival_ms[number]
            columns[f"direct_dba: {name}"] = levels.power_to_db(own)
        return pd.DataFrame(columns)

    def _power(self, which: str) -> FloatArray:
        word = check_choice("which", which, ("direct", "useful", "total"))
        return np.asarray(levels.db_to_power(getattr(self, f"{word}_db")))


class Planned(Protocol):
    """Anything that holds a venue, its air and its settings, as a plan does."""

    @property
    def venue(self) -> Venue:
        """The venue."""

    @property
    def air(self) -> Air:
        """The air planned for."""

    @property
    def settings(self) -> Mapping[str, OutputSettings]:
        """Settings of its outputs."""


class _Asked:
    """What a map of seats is to show, checked: seats in blocks, settings, and what sounds."""

    def __init__(
        self,
        venue: Venue | Planned,
        settings: Mapping[str, OutputSettings] | None,
        state: str,
        air: Air | None,
        seats_m: ArrayLike | None,
        sounding: Collection[str] | None,
    ) -> None:
        if not isinstance(venue, Venue) and hasattr(venue, "settings"):
            settings = venue.settings if settings is None else settings
            air = venue.air if air is None and state == "show" else air
            venue = venue.venue
        self.venue = venue = as_venue(venue)
        self.state = venue.states[check_choice("state", state, STATES)]
        self.air = self.state.air if air is None else air
        if isinstance(sounding, str):
            raise TypeError(f"sounding must be a list of outputs, got {quoted(sounding)}")
        self.settings = Settings(venue, settings)
        wanted = venue.outputs if sounding is None else check_outputs(venue, sounding)
        self.sounding = [name for name in self.settings.sounding() if name in wanted]
        self.seats = (venue_seats(venue) if seats_m is None
                      else single_points(as_points("seats_m", seats_m)))
        if self.seats.points_m.ndim > 2:
            raise ValueError(f"seats_m must have shape (n, 3), got {self.seats.points_m.shape}")

    def blocks(self) -> Iterator[tuple[slice, Paths]]:
        """Trace the paths to a thousand seats at a time."""
        for start in range(0, len(self.seats), _BLOCK):
            block = slice(start, start + _BLOCK)
            yield block, trace_paths(self.venue, self.seats.take(block), self.state, self.air)


def seat_field(
    venue: Venue | Planned,
    settings: Mapping[str, OutputSettings] | None = None,
    *,
    state: StateName = "show",
    air: Air | None = None,
    seats_m: ArrayLike | None = None,
    sounding: Collection[str] | None = None,
) -> SeatField:
    """Levels and arrivals of a venue at every seat.

    Parameters
    ----------
    venue : Venue or FillPlan
        The venue; or a plan, whose settings and air are used.
    settings : mapping of str to OutputSettings, optional
        By output; outputs left out rest at trim 0 and the hold-back.
    state : {"show", "check"}
        Which state's air, wind and reverberation to use.
    air : Air, optional
        Air instead of the state's.
    seats_m : array_like, optional
        Points (n, 3) in m instead of the venue's seats (no shadow applies).
    sounding : collection of str, optional
        Names of the outputs that sound; all by default.

    Returns
    -------
    SeatField
        Computed in blocks of seats, so that memory stays bounded.

    Raises
    ------
    TypeError
        If the venue is no Venue, the air no Air, or settings no OutputSettings.
    ValueError
        If an output or the state is not known, or the points are not (n, 3) and finite.

    References
    ----------
    Barron, M. and Lee, L.-J. (1988), J. Acoust. Soc. Am. 84(2), 618-628; ISO
    9613-1:1993; interference as in `fillalign.interference`.

    Examples
    --------
    >>> from fillalign import read_demo_venue, seat_field
    >>> hall = read_demo_venue("tidewell_hall")
    >>> seat_field(hall, seats_m=[[13, 0, 1.2]]).total_db.shape
    (1, 27)

    In dBA at 2 kHz, over a grid:

    >>> import numpy as np
    >>> from fillalign import OCTAVES_NOMINAL
    >>> from fillalign.levels import a_weighting_db
    >>> x_m, y_m = np.meshgrid([13.0, 30.0], [-3.0, 0.0, 3.0])
    >>> points = np.stack([x_m, y_m, np.full(x_m.shape, 1.2)], axis=-1).reshape(-1, 3)
    >>> level = seat_field(hall, seats_m=points).octaves_db()[:, OCTAVES_NOMINAL.index(2000)]
    >>> (level + a_weighting_db(2000.0)).reshape(x_m.shape).shape
    (3, 2)
    """
    asked = _Asked(venue, settings, state, air, seats_m, sounding)
    names, count, bands = tuple(asked.venue.outputs), len(asked.seats), THIRDS_HZ.size
    direct, useful, total = np.empty((3, count, bands))
    every, arrival = np.full((len(names), count, bands), -np.inf), np.empty((len(names), count))
    heard = [names.index(name) for name in asked.sounding]
    for block, paths in asked.blocks():
        field = superpose(paths, asked.settings, sounding=asked.sounding)
        gains = field.gains()
        for made, power in ((direct, field.direct), (useful, field.useful), (total, field.total)):
            made[block] = levels.power_to_db(power(gains))
        every[heard, block] = levels.power_to_db(field.own * gains[:, None, None] ** 2)
        arrival[:, block] = output_arrivals_ms(paths, asked.settings)
    return SeatField(names, asked.seats.points_m, direct, useful, total, every, arrival)


@dataclass(frozen=True, eq=False)
class Speech(ByValue):
    """Speech energy of every source s at every seat n, by octave, each at trim 0.

    `direct` and `tail` (s, n, 7), `time_ms` (s, n), `rt60_s` (7,); `output` (s,) is
    the place of each source's output among `outputs`; `noise_db` (7,) or None.
    """

    outputs: tuple[str, ...]
    output: IntArray
    direct: FloatArray
    tail: FloatArray
    time_ms: FloatArray
    rt60_s: FloatArray
    noise_db: FloatArray | None

    def index(self, gains: FloatArray) -> FloatArray:
        """Speech transmission index (..., n) for amplitude gains (..., o)."""
        power = gains.reshape(-1, len(self.outputs)) ** 2
        starts = range(0, self.direct.shape[1], _SEATS_TOGETHER)
        parts = [self._index(power, slice(at, at + _SEATS_TOGETHER)) for at in starts]
        return np.concatenate(parts, axis=-1).reshape(*gains.shape[:-1], self.direct.shape[1])

    def _index(self, power: FloatArray, seats: slice) -> FloatArray:
        """Index (k, n) of some seats for power gains (k, o)."""
        direct, tail, times = self.direct[:, seats], self.tail[:, seats], self.time_ms[:, seats]
        times, modulation = times - times.min(axis=0), np.array(speech.MODULATION_HZ)
        heard = [self.output == number for number in range(len(self.outputs))]
        arrived = np.array([
            speech.modulated_energy(direct[own], times[own], tail[own], self.rt60_s, modulation)
            for own in heard
        ])
        shape, parts = arrived.shape[1:], arrived.reshape(len(heard), -1).view(np.float64)
        energy = np.array([(direct[own] + tail[own]).sum(axis=0) for own in heard])
        total = np.tensordot(power, energy, 1)
        left = speech.noise_factor(levels.power_to_db(total), self.noise_db)
        left = (left / np.where(total > 0.0, total, 1.0))[..., None]
        step, found = max(2 * _TOGETHER // parts[0].size, 1), []
        for start in range(0, len(power), step):
            some = power[start : start + step]
            # Not as a matrix product: for so few outputs its threads take longer than the sum.
            added = np.einsum("ko,op->kp", some, parts).view(np.complex128)
            size = np.abs(added).reshape(-1, *shape)
            found.append(speech.speech_transmission_index(size * left[start : start + step]))
        return np.concatenate(found)

    def energies(self, gains: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Direct and tail energies (s, n, 7) for amplitude gains (o,)."""
        power = (gains**2)[self.output][:, None, None]
        return self.direct * power, self.tail * power

    def echo(self, gains: FloatArray, programme: Programme) -> FloatArray:
        """Echo criterion (n,) for gains (o,), all octaves together; nan where it has no say."""
        direct, tail = self.energies(gains)
        heard = np.flatnonzero(gains[self.output] > 0)
        if not heard.size:
            return np.full(direct.shape[1], np.nan)
        return np.atleast_1d(echo_criterion(
            direct[heard].sum(axis=-1), self.time_ms[heard], tail[heard].sum(axis=-1),
            float(self.rt60_s[2:4].mean()), programme=programme))


def _octaves(power: FloatArray) -> FloatArray:
    """Octaves 125 Hz to 8 kHz of third-octave powers, (..., 7)."""
    return np.asarray(power.reshape(*power.shape[:-1], -1, 3).sum(axis=-1)[..., _OCTAVES])


# What turns pink noise into speech of the same A-weighted level, by octave.
_SPEECH_OVER_PINK = levels.db_to_power(speech.speech_octave_levels_db(0.0)) / _octaves(
    levels.db_to_power(levels.pink_band_levels_db(0.0, THIRDS_HZ))
)


def speech_at(
    paths: Paths, settings: Settings, *, sounding: Collection[str] | None = None
) -> Speech:
    """Collect the speech energy that some outputs bring; arguments as in `superpose`."""
    venue, outputs = paths.venue, settings.sounding(sounding)
    mine = [s for s, name in enumerate(paths.names) if name in outputs]
    names = [paths.names[s] for s in mine]
    size = np.array([filter_power(settings[name]) for name in names])[:, None]
    rt60, tail = np.ones(len(_OCTAVES)), np.zeros((len(mine), len(paths.seats), len(_OCTAVES)))
    if venue.room:
        rt60 = by_thirds(paths.state.rt60_s)[1::3][_OCTAVES]
        energy = reverberant_energy(paths.distance_m[mine][..., None], rt60, venue.room.volume_m3)
        tail = energy * _octaves(paths.tail_power[mine][:, None] * size)
    later, noise = arrival_shift_ms(venue, settings), venue.goals.noise_db
    return Speech(
        outputs=outputs,
        output=np.array([outputs.index(name) for name in names], dtype=int),
        direct=_octaves(paths.power[mine] * size) * _SPEECH_OVER_PINK,
        tail=tail * _SPEECH_OVER_PINK,
        time_ms=paths.serving_ms[mine] + np.array([later[name] for name in names])[:, None],
        rt60_s=rt60,
        noise_db=by_thirds(noise, fill=-100.0)[1::3][_OCTAVES] if noise else None,
    )


@dataclass(frozen=True, eq=False)
class SeatSpeech(ByValue):
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
    venue: Venue | Planned,
    settings: Mapping[str, OutputSettings] | None = None,
    *,
    state: StateName = "show",
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
    >>> from fillalign import read_demo_venue, seat_speech
    >>> hall = read_demo_venue("tidewell_hall")
    >>> seats = [[8, 0, 1.2], [36, 0, 1.2]]
    >>> near, far = seat_speech(hall, seats_m=seats, sounding=["Main bus"]).index
    >>> bool(near > far)
    True
    """
    asked = _Asked(venue, settings, state, air, seats_m, sounding)
    parts: list[tuple[FloatArray, ...]] = []
    for _, paths in asked.blocks():
        said = speech_at(paths, asked.settings, sounding=asked.venue.outputs)
        gains = np.where([name in asked.sounding for name in said.outputs],
                         asked.settings.gains(said.outputs), 0.0)
        direct, tail = said.energies(gains)
        parts.append((
            said.index(gains),
            speech.clarity_db(direct, said.time_ms, tail, said.rt60_s,
                              early_ms=early_ms(asked.venue)),
            speech.direct_to_reverberant_db(direct, tail),
            said.echo(gains, asked.venue.programme),
        ))
    joined = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return SeatSpeech(asked.seats.points_m, *joined)
