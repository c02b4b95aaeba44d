"""Outputs at seats under given delays and filters: what trims then only weigh.

Direct sound adds with band-averaged interference within one feed and by power
between feeds; in a room, early and late sound follow Barron and Lee. The early
window opens at each seat's first arrival.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from fillalign import filters, levels
from fillalign._validate import ByValue, ComplexArray, FloatArray
from fillalign.absorption import OCTAVES_NOMINAL, THIRDS_HZ
from fillalign.air import Air
from fillalign.field import paths as ways
from fillalign.field.paths import A_POWER, SUB_CENTRE_HZ, BoolArray, Paths, Seats, third_means
from fillalign.interference import cross_power
from fillalign.propagation import first_heard
from fillalign.room import early_late_energy
from fillalign.venue import OutputSettings, State, Venue, check_outputs, check_settings


class Settings(Mapping[str, OutputSettings]):
    """What is dialled on every output of a venue; it never changes.

    Parameters
    ----------
    venue : Venue
        The venue.
    dialled : mapping of str to OutputSettings, optional
        By output; outputs left out rest at trim 0 without filters, delayed by the
        venue's hold-back.

    Examples
    --------
    >>> from fillalign.venue import read_demo_venue
    >>> room = read_demo_venue("lantern_room")
    >>> dialled = Settings(room).replaced("Fill", trim_db=-6.0)
    >>> dialled["Fill"].trim_db, dialled.sounds("Fill"), dialled.gains(["Mains"]).tolist()
    (-6.0, True, [1.0])
    """

    __slots__ = ("_by_output", "_venue")

    def __init__(self, venue: Venue, dialled: Mapping[str, OutputSettings] | None = None) -> None:
        given = {} if dialled is None else dialled
        check_settings(venue, given)
        self._venue = venue
        self._by_output = {
            name: given.get(name) or OutputSettings(
                delay_ms=venue.hold_back_ms,
                polarity=output.polarity,
                low_cut_order=output.low_cut_orders[0],
                low_cut_kind=output.low_cut_kinds[0],
            )
            for name, output in venue.outputs.items()
        }

    def __getitem__(self, output: str) -> OutputSettings:
        """Return what is dialled on one output."""
        return self._by_output[output]

    def __iter__(self) -> Iterator[str]:
        """Go through the outputs in the order of the venue."""
        return iter(self._by_output)

    def __len__(self) -> int:
        """Return the number of outputs."""
        return len(self._by_output)

    def __repr__(self) -> str:
        """Show what is dialled."""
        return f"Settings({self._by_output})"

    def sounds(self, output: str) -> bool:
        """Whether an output is in use: a trim of minus infinity is off."""
        return self[output].trim_db > -np.inf

    def sounding(self, outputs: Collection[str] | None = None) -> tuple[str, ...]:
        """Return some outputs in the order of the venue; all that are in use by default."""
        return tuple(name for name in self
                     if (self.sounds(name) if outputs is None else name in outputs))

    def gains(self, outputs: Collection[str]) -> FloatArray:
        """Amplitude gain of each of some outputs, (o,); 0 where it is off."""
        return np.asarray(levels.db_to_amplitude([self[name].trim_db for name in outputs]))

    def replaced(self, *outputs: str, **changes: Any) -> Settings:
        """Return settings with the same changes on some outputs.

        Raises
        ------
        TypeError, ValueError
            If a setting or an output is not known.
        """
        made, own = copy(self), self._by_output
        changed = {name: replace(own[name], **changes)
                   for name in check_outputs(self._venue, outputs)}
        made._by_output = {**own, **changed}
        return made


def early_ms(venue: Venue) -> float:
    """Early window of the venue's programme: 50 ms speech, 80 ms music."""
    return 50.0 if venue.programme == "speech" else 80.0


def arrival_shift_ms(venue: Venue, settings: Mapping[str, OutputSettings]) -> dict[str, float]:
    """Delay plus latency of each output, in ms."""
    return {name: settings[name].delay_ms + out.latency_ms for name, out in venue.outputs.items()}


# A plan asks for the same few filters some thousand times: without, it takes half as long again.
@lru_cache(maxsize=256)
def _made(
    polarity: str, low_cut_hz: float | None, order: int, kind: filters.LowCutKind,
    shelf_hz: float, shelf_db: float,
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Response (p,) and group delay in s (p,) of an output's filters, and their power by band."""
    response = np.full(SUB_CENTRE_HZ.size, -1.0 if polarity == "inverted" else 1.0, complex)
    lag_ms = np.zeros(SUB_CENTRE_HZ.size)
    if low_cut_hz is not None:
        cut = SUB_CENTRE_HZ, low_cut_hz
        response *= filters.low_cut_response(*cut, order=order, kind=kind)
        lag_ms += filters.low_cut_group_delay_ms(*cut, order=order, kind=kind)
    if shelf_db:
        response *= filters.shelf_response(SUB_CENTRE_HZ, shelf_hz, shelf_db)
        lag_ms += filters.shelf_group_delay_ms(SUB_CENTRE_HZ, shelf_hz, shelf_db)
    made = response, lag_ms / 1000, third_means(np.abs(response) ** 2)
    for array in made:
        array.flags.writeable = False
    return made


def _filters(own: OutputSettings) -> tuple[ComplexArray, FloatArray, FloatArray]:
    return _made(own.polarity, own.low_cut_hz, own.low_cut_order, own.low_cut_kind,
                 own.shelf_hz, own.shelf_db)


def filter_power(own: OutputSettings) -> FloatArray:
    """Mean power response of an output's filters by band.

    At the centres of the sub-bands, where interference takes it too: what cancels must
    not leave the difference of two rules.
    """
    return _filters(own)[2]


@dataclass(frozen=True, eq=False)
class Field(ByValue):
    """Some outputs at seats under given delays and filters, each at trim 0.

    With o outputs, n seats and b third octaves: `own` (o, n, b) is the direct power
    of each alone, `cross` what pairs of one feed add, (n, b) each, by their numbers;
    `early` and `late` (o, n, b) are tail powers; `arrival_ms` (o, n) is each
    output's arrival; `in_time` (o, n) tells whether its direct sound falls in the
    early window that opens at `first_ms` (n,), which the trims decide.
    """

    paths: Paths
    settings: Settings
    outputs: tuple[str, ...]
    own: FloatArray
    cross: Mapping[tuple[int, int], FloatArray]
    early: FloatArray
    late: FloatArray
    arrival_ms: FloatArray
    first_ms: FloatArray
    in_time: BoolArray

    def gains(self, sounding: Collection[str] | None = None) -> FloatArray:
        """Amplitude gain of each output as set, (o,); 0 for those not named."""
        gains = self.settings.gains(self.outputs)
        if sounding is None:
            return gains
        return np.where([name in sounding for name in self.outputs], gains, 0.0)

    @property
    def level_dba(self) -> FloatArray:
        """A-weighted direct level of each output alone at trim 0, (o, n)."""
        return np.asarray(levels.power_to_db(self.own @ A_POWER))

    def direct(self, gains: FloatArray) -> FloatArray:
        """Direct power (n, b) for amplitude gains (o,) or (o, n)."""
        return _together(self.own, self.cross, gains)

    def useful(self, gains: FloatArray) -> FloatArray:
        """Direct and early power within the early window, (n, b)."""
        early = np.einsum("o,onb->nb", gains**2, self.early)
        return np.asarray(self.direct(gains[:, None] * self.in_time) + early)

    def total(self, gains: FloatArray) -> FloatArray:
        """Direct, early and late power: what a meter shows, (n, b)."""
        tails = np.einsum("o,onb->nb", gains**2, self.early + self.late)
        return np.asarray(self.direct(gains) + tails)

    def heard(self, gains: FloatArray) -> FloatArray:
        """Power that decides need, (n, b): useful sound in a room, direct sound outdoors."""
        return self.useful(gains) if self.paths.venue.indoors else self.direct(gains)


def _together(
    own: FloatArray, cross: Mapping[tuple[int, int], FloatArray], gains: FloatArray
) -> FloatArray:
    """Direct power (n, b) of outputs together for amplitude gains (o,) or (o, n)."""
    weights = gains[:, None, None] if gains.ndim == 1 else gains[:, :, None]
    total = np.zeros(own.shape[1:])
    for index in np.flatnonzero(weights.any(axis=(1, 2))):
        total += weights[index] ** 2 * own[index]
    for (one, other), shared in cross.items():
        if weights[one].any() and weights[other].any():
            total += 2 * weights[one] * weights[other] * shared
    return np.maximum(total, 0.0)


def _direct(
    paths: Paths, settings: Settings, outputs: tuple[str, ...], known: Field | None = None
) -> tuple[FloatArray, dict[tuple[int, int], FloatArray]]:
    """Direct power of each output and what pairs of one feed add, all at trim 0."""
    own, names = np.zeros((len(outputs), len(paths.seats), THIRDS_HZ.size)), paths.names
    there = [] if known is None else [outputs.index(name) for name in known.outputs]
    feeds: dict[str, list[tuple[int, int]]] = {}
    # Those that are known come last: pairs among them are left out.
    for number, output in sorted(enumerate(outputs), key=lambda one: one[0] in there):
        mine = [s for s, name in enumerate(names) if name == output]
        if number not in there:
            own[number] = paths.power[mine].sum(axis=0) * filter_power(settings[output])
        feeds.setdefault(paths.venue.outputs[output].feed, []).extend((number, s) for s in mine)
    width_hz = ways.SUB_WIDTH_HZ.astype(np.float32)
    shared: dict[tuple[int, int], Any] = defaultdict(float)
    for together in feeds.values():
        wave, time_s, added_s = _waves(paths, settings, [(outputs[o], s) for o, s in together])
        numbers = [number for number, _ in together]
        for at, one in enumerate(numbers[:-1], start=1):
            if one in there:
                break
            gap_s = ((time_s[at - 1] - time_s[at:]).astype(np.float32)
                     + (added_s[at - 1] - added_s[at:]).astype(np.float32))
            both = cross_power(wave[at - 1], wave[at:], gap_s, width_hz)
            for other, many in Counter(numbers[at:]).items():
                shared[one, other] += both[:many].sum(axis=0)
                both = both[many:]
    cross = {pair: third_means(power) for pair, power in shared.items()}
    for number in range(len(outputs)):
        if (number, number) in cross:
            own[number] = np.maximum(own[number] + 2 * cross.pop((number, number)), 0.0)
    if known is not None:
        own[there] = known.own
        cross |= {(there[one], there[other]): power for (one, other), power in known.cross.items()}
    return own, cross


def _waves(
    paths: Paths, settings: Settings, together: list[tuple[str, int]]
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Return sources s of some outputs at the centres of the sub-bands p, as they are set.

    Pressure (s, n, p), travel time (s, n, 1) and what is added to it (s, 1, p), in s.
    """
    shift, sources = arrival_shift_ms(paths.venue, settings), [s for _, s in together]
    response, lag_s = (np.array(part) for part in zip(
        *(_filters(settings[name])[:2] for name, _ in together), strict=True))
    added_s = np.array([shift[name] / 1000 for name, _ in together])[:, None]
    turn = response * np.exp(-2j * np.pi * SUB_CENTRE_HZ * added_s)
    return (paths.spectrum[sources] * turn.astype(np.complex64)[:, None],
            paths.serving_ms[sources][..., None] / 1000, (added_s + lag_s)[:, None])


def direct_power(paths: Paths, settings: Settings, outputs: Collection[str]) -> FloatArray:
    """Direct power (n, b) of some outputs together, at their trims."""
    heard = settings.sounding(outputs)
    return _together(*_direct(paths, settings, heard), settings.gains(heard))


def _tails(
    paths: Paths, settings: Settings, outputs: Sequence[str], first_ms: FloatArray
) -> FloatArray:
    """Early and late tail power (2, o, n, b) of some outputs at trim 0.

    The early window opens at `first_ms` (n,).
    """
    venue, names = paths.venue, paths.names
    tails = np.zeros((2, len(outputs), len(paths.seats), THIRDS_HZ.size))
    mine = [s for s, name in enumerate(names) if name in outputs]
    if venue.room is None or not mine:
        return tails
    shift = arrival_shift_ms(venue, settings)
    wait_ms = np.array([shift[names[s]] for s in mine])[:, None]
    gap_ms = np.maximum(paths.serving_ms[mine] + (wait_ms - first_ms), 0.0)
    # The 27 third octaves share 9 decays: compute those and repeat.
    energy = np.array(early_late_energy(
        paths.distance_m[mine][..., None], ways.by_thirds(paths.state.rt60_s)[::3],
        venue.room.volume_m3, early_ms=early_ms(venue), gap_ms=gap_ms[..., None]))
    for at, s in enumerate(mine):
        sent = paths.tail_power[s] * filter_power(settings[names[s]])
        tails[:, outputs.index(names[s])] += np.repeat(energy[:, at], 3, axis=-1) * sent
    return tails


def output_arrivals_ms(
    paths: Paths, settings: Settings, outputs: Collection[str] | None = None
) -> FloatArray:
    """Arrival of some outputs (all by default) at every seat, (o, n), in ms.

    That of its box which is heard first, within 10 dB of the loudest of them. In the
    order of the venue.
    """
    shift, arrivals = arrival_shift_ms(paths.venue, settings), []
    for number, name in enumerate(settings):
        if outputs is None or name in outputs:
            mine = paths.source_output == number
            level = levels.power_to_db(paths.power[mine] @ A_POWER)
            arrivals.append(first_heard(paths.serving_ms[mine], level)[1] + shift[name])
    return np.array(arrivals).reshape(-1, len(paths.seats))


def _completed(
    outputs: Sequence[str], known: Field | None, parts: tuple[str, ...],
    make: Callable[[Sequence[str]], FloatArray],
) -> FloatArray:
    """Return parts of the field of some outputs, (parts, o, ...): as known, else made."""
    there = () if known is None else known.outputs
    new = [name for name in outputs if name not in there]
    made = make(new)
    whole = np.empty((len(parts), len(outputs), *made.shape[2:]))
    for number, name in enumerate(outputs):
        whole[:, number] = (made[:, new.index(name)] if name in new else
                            [getattr(known, part)[there.index(name)] for part in parts])
    return whole


def superpose(
    paths: Paths, settings: Settings, *, sounding: Collection[str] | None = None,
    known: Field | None = None,
) -> Field:
    """Combine paths and settings.

    Parameters
    ----------
    paths : Paths
        From `trace_paths`.
    settings : Settings
        Of every output; the trims only decide which arrival opens the early window,
        the field itself is at trim 0.
    sounding : collection of str, optional
        The outputs to compute, which may open the early window; by default those
        that sound by their settings.
    known : Field, optional
        Some of the outputs at the same seats and, but for trims, set the same: what they
        bring is taken from it.

    Returns
    -------
    Field
        See there.
    """
    outputs = settings.sounding(sounding)
    own, cross = _direct(paths, settings, outputs, known)
    (arrival,) = _completed(outputs, known, ("arrival_ms",),
                            lambda new: output_arrivals_ms(paths, settings, new)[None])
    trims = np.array([settings[name].trim_db for name in outputs])[:, None]
    first = np.zeros(len(paths.seats))
    if outputs:
        first = first_heard(arrival, levels.power_to_db(own @ A_POWER) + trims)[1]
    same = known if known is not None and np.array_equal(first, known.first_ms) else None
    early, late = _completed(outputs, same, ("early", "late"),
                             lambda new: _tails(paths, settings, new, first))
    return Field(
        paths=paths, settings=settings, outputs=outputs, own=own, cross=cross, early=early,
        late=late, arrival_ms=arrival, first_ms=first,
        in_time=arrival - first <= early_ms(paths.venue))


def measured_shifts_db(venue: Venue) -> FloatArray:
    """Shift of each output that brings the model to the measured levels, (o, b).

    Each reading was taken with its output alone at trim 0 without filters, in the
    shadow of the seats that it is among. Several readings of one output are averaged.
    """
    shifts: dict[str, list[FloatArray]] = {name: [] for name in venue.outputs}
    for reading, shift in zip(venue.measured, reading_shifts_db(venue), strict=True):
        shifts[reading.output].append(shift)
    return np.array([np.mean(own or [np.zeros(THIRDS_HZ.size)], axis=0)
                     for own in shifts.values()])


def reading_shifts_db(venue: Venue) -> list[FloatArray]:
    """How far each reading of a venue lies above the model, (b,), in the order of the file."""
    resting, shifts = Settings(venue), []
    for reading in venue.measured:
        where = venue.states[reading.state]
        seat = ways.place_among_seats(venue, np.array(reading.at_m, dtype=float))
        paths = ways.trace_bare_paths(venue, seat, where, where.air)
        power = superpose(paths, resting, sounding=[reading.output]).total(np.ones(1))[0]
        if reading.level_dba is not None:
            gap = reading.level_dba - float(levels.power_to_db(power @ A_POWER))
            shift = np.full(THIRDS_HZ.size, gap)
        else:
            octaves = zip(OCTAVES_NOMINAL, power.reshape(-1, 3).sum(axis=1), strict=True)
            # Where the box is silent by its file, no shift makes it sound.
            shift = ways.by_thirds({
                int(octave): reading.by_octave_db[octave] - float(levels.power_to_db(own))
                for octave, own in octaves if octave in reading.by_octave_db and own > 0.0
            })
        shifts.append(shift)
    return shifts


def trace_paths(venue: Venue, seats: Seats, state: State, air: Air | None = None) -> Paths:
    """Trace all paths of a venue to some seats, shifted to the measured levels.

    Parameters
    ----------
    venue : Venue
        The venue.
    seats : Seats
        Where to listen; n of them take about 1.2 n kB a loudspeaker.
    state : State
        Wind and decay, from the venue's `check` or `show`.
    air : Air, optional
        The air on all paths; by default the state's.

    Returns
    -------
    Paths
        Everything that does not depend on the settings.

    Raises
    ------
    TypeError
        If the air is no Air.
    """
    paths = ways.trace_bare_paths(venue, seats, state, state.air if air is None else air)
    if not venue.measured:
        return paths
    shift = levels.db_to_power(measured_shifts_db(venue))[paths.source_output]
    return replace(
        paths,
        power=paths.power * shift[:, None],
        spectrum=paths.spectrum * np.sqrt(shift)[:, None, ways.SUB_BAND].astype(np.float32),
        tail_power=paths.tail_power * shift,
    )
