"""Measured against planned: what a recording at a seat says about a fill.

A reading is a gap with its uncertainty, or 'cannot tell' with the reason. The
surest way is `one-after-other`: mains, fill and mains again in one take
(`signals.take_turns`). Both at once can be told apart only where the fill
stands out from the reflections of the mains, or where a take of the mains
alone at the same seat is at hand to be taken out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from fillalign._text import quoted
from fillalign._validate import (
    ByValue,
    FloatArray,
    as_mono,
    as_number,
    as_rate,
    as_whole,
    check_choice,
    check_type,
)
from fillalign.absorption import OCTAVES_HZ, OCTAVES_NOMINAL
from fillalign.audio.impulse import NOISE_FACTOR, Arrival
from fillalign.audio.takes import (
    CLOSEST_MS,
    CannotTellError,
    Sound,
    check_speed,
    check_take,
    without_mains,
)
from fillalign.audio.wav import Recording
from fillalign.levels import db_to_amplitude, db_to_power, weighted_total_db
from fillalign.venue import Measured

MODES = ("one-after-other", "together", "two-takes")
_USUAL_GAPS_MS = (-20.0, 60.0)  # searched where no gap was planned
_CLOCK_PPM = 50.0  # two devices' crystals apart, at worst (common practice)
_MARGIN_DB = 6.0


@dataclass(frozen=True, eq=False)
class GapReading(ByValue):
    """What a recording says of one fill at one seat.

    The first four are None where `cannot_tell` holds the reason. `gap_ms` is
    positive where the fill comes later; `uncertainty_ms` covers 95 %;
    `level_difference_db` is fill less mains in direct sound, 1 to 4 kHz;
    `polarity_same` is None also where the phases lie between. `mains_db` and
    `fill_db` are levels of pink noise by nominal octave, of all sound of each,
    on one uncalibrated scale; empty where both sounded together. `confidence`
    (0 to 1) is the chance that noise did not make the weaker arrival, times
    that of a reflection's not being taken for the fill.
    """

    gap_ms: float | None = None
    uncertainty_ms: float | None = None
    level_difference_db: float | None = None
    polarity_same: bool | None = None
    confidence: float = 0.0
    cannot_tell: str | None = None
    mains_db: Mapping[int, float] = field(default_factory=dict)
    fill_db: Mapping[int, float] = field(default_factory=dict)

    @property
    def difference_by_octave_db(self) -> dict[int, float]:
        """Fill less mains by nominal octave, all sound of each, in dB."""
        return {f: self.fill_db[f] - self.mains_db[f] for f in self.fill_db if f in self.mains_db}


@dataclass(frozen=True)
class _Pick:
    """An arrival and the sound it was found in."""

    sound: Sound
    arrival: Arrival

    @property
    def time_ms(self) -> float:
        return self.arrival.time_ms

    @property
    def scatter_ms(self) -> float:
        """Twice the scatter of the time of a pulse of some 4 kHz width in this noise."""
        noise = self.sound.noise(self.time_ms) / float(db_to_amplitude(self.arrival.level_db))
        return noise / (np.pi * 4.0)


def _reading(
    mains: _Pick, fill: _Pick, gap_ms: float, *, clock_ms: float = 0.0, sure: float = 1.0,
    span_ms: float | None = None,
) -> GapReading:
    """Put two picks together; levels by octave where each sounded alone for `span_ms`."""
    phase = np.cos(np.radians(mains.arrival.phase_deg - fill.arrival.phase_deg))
    level = fill.sound.direct_db(fill.time_ms) - mains.sound.direct_db(mains.time_ms)
    terms = (0.03, clock_ms, mains.scatter_ms, fill.scatter_ms)
    return GapReading(
        gap_ms=float(gap_ms),
        uncertainty_ms=float(np.sqrt(sum(term**2 for term in terms))),
        level_difference_db=level,
        polarity_same=None if abs(phase) < 0.3 else bool(phase > 0),
        confidence=min(mains.arrival.confidence, fill.arrival.confidence) * sure,
        mains_db={} if span_ms is None else mains.sound.octaves_db(mains.time_ms, span_ms),
        fill_db={} if span_ms is None else fill.sound.octaves_db(fill.time_ms, span_ms),
    )


def _start_of_turns_ms(sound: Sound, spacing_ms: float, turns: int) -> float:
    """Return about when the first turn's loudest sound arrives.

    The product of what lies one spacing apart is largest there.
    """
    from scipy import ndimage

    block = round(sound.rate / 1000)
    size = sound.highs.size // block
    loud = np.abs(sound.highs[: size * block]).reshape(size, block).max(axis=1)
    step = spacing_ms * sound.rate / 1000 / block
    count = size - round((turns - 1) * step)
    second, third = round(step), round(2 * step)
    product = loud[:count] * ndimage.maximum_filter1d(loud, 161)[second : second + count]
    if turns == 3:
        product = product * ndimage.maximum_filter1d(loud, 5)[third : third + count]
    start = sound.time_ms(int(np.argmax(product)) * block)
    _check_silence_around(sound, start, spacing_ms, turns)
    return start


def _check_silence_around(sound: Sound, start_ms: float, spacing_ms: float, turns: int) -> None:
    """Refuse a take that plays on: which turn is whose would be a guess."""
    def loudest(turn: int) -> float:
        centre = start_ms + turn * spacing_ms
        near = sound.highs[sound.index(centre - 80) : sound.index(centre + 80)]
        return float(np.abs(near).max(initial=0.0))

    for turn, alike in ((-1, 1), (turns, turns - 2)):
        noise = sound.noise(start_ms + alike * spacing_ms)
        if loudest(turn) > max(NOISE_FACTOR * noise, 0.5 * loudest(alike)):
            raise CannotTellError(f"there are more turns than {turns}: cut the recording to them, "
                                  "or say how many there are")


def _one_after_other(sound: Sound, spacing_ms: float, turns: int) -> GapReading:
    """Read one take of mains, fill and, with three turns, mains again."""
    start = _start_of_turns_ms(sound, spacing_ms, turns)
    mains = sound.first("mains", start - 80, start + 5)
    zero = mains.time_ms + spacing_ms
    fill = sound.first("fill", zero - 100, zero + 150)
    clock_ms = _CLOCK_PPM * 1e-6 * spacing_ms
    if turns == 3:
        again = sound.first("mains' second turn", zero + spacing_ms - 5, zero + spacing_ms + 5)
        apart = again.time_ms - mains.time_ms
        if abs(apart - 2 * spacing_ms) > 6 * clock_ms:
            raise CannotTellError(
                f"the mains' two turns are {apart:.2f} ms apart instead of {2 * spacing_ms:.2f}: "
                "something moved, or the spacing is another")
        zero, clock_ms = (mains.time_ms + again.time_ms) / 2, 0.0
    return _reading(_Pick(sound, mains), _Pick(sound, fill), fill.time_ms - zero,
                    clock_ms=clock_ms, span_ms=0.5 * spacing_ms)


def _two_takes(sounds: Sequence[Sound], references: Sequence[Sound]) -> GapReading:
    """Read a take of each, timed by what was played as recorded beside it."""
    picks, times = [], []
    for sound, reference, what in zip(sounds, references, ("mains", "fill"), strict=True):
        played = reference.first_of_all("reference channel")
        picks.append(_Pick(sound, sound.first_of_all(what)))
        times.append(picks[-1].time_ms - played.time_ms)
    return _reading(picks[0], picks[1], times[1] - times[0], span_ms=1000.0)


def _standing_out(
    peaks: Sequence[Arrival], low_ms: float, high_ms: float
) -> tuple[Arrival, float]:
    """Return the arrival meant, and by how many dB it stands out from likely reflections.

    It lies between two times after `peaks[0]`, the first arrival of all.
    """
    first, later = peaks[0], peaks[1:]
    inside = [p for p in later if low_ms <= p.time_ms - first.time_ms <= high_ms]
    if not inside:
        raise CannotTellError(
            f"no second arrival between {low_ms:.1f} and {high_ms:.1f} ms after the first (two "
            f"within {CLOSEST_MS} ms of each other pass for one)")
    strongest = max(p.level_db for p in inside)
    chosen = next(p for p in inside if p.level_db >= strongest - 3.0)
    before = max((p.level_db for p in later if p.time_ms < chosen.time_ms), default=-np.inf)
    after = max((p.level_db for p in later if p.time_ms > chosen.time_ms), default=-np.inf)
    # Later ones may be reflections of the chosen one, if that is itself too strong for one.
    margin = min(chosen.level_db - before,
                 max(chosen.level_db - after, chosen.level_db - first.level_db + 3.0))
    return chosen, margin


def _together(sound: Sound, low_ms: float, high_ms: float) -> GapReading:
    """Read a take of both at once, the gap being known to lie between two values."""
    first = sound.first_of_all("first arrival")
    peaks = (first, *sound.arrivals(
        first.time_ms + CLOSEST_MS, first.time_ms + 120, sound.noise(first.time_ms),
        range_db=30.0, separation_ms=CLOSEST_MS))
    fill_later = high_ms >= -low_ms
    near, far = (low_ms, high_ms) if fill_later else (-high_ms, -low_ms)
    second, margin = _standing_out(peaks, near, far)
    if margin < _MARGIN_DB:
        raise CannotTellError("no second arrival stands out from the reflections; let mains and "
                              "fill play one after the other, or add a take of the mains alone")
    if second.time_ms - first.time_ms <= -near:
        raise CannotTellError("the order: within this search either may come first; let them play "
                              "one after the other")
    mains, fill = (first, second) if fill_later else (second, first)
    return _reading(_Pick(sound, mains), _Pick(sound, fill), fill.time_ms - mains.time_ms,
                    sure=1 - float(db_to_power(-margin)))


def _taken_apart(both: Sound, alone: Sound) -> GapReading:
    """Read a take of both by taking the mains out that were recorded alone."""
    rest, mains, mains_ms = without_mains(both, alone)
    floor_db = mains.level_db - 20
    fill = rest.first("fill", mains_ms - 100, mains_ms + 150, floor_db=floor_db)
    if abs(fill.time_ms - mains_ms) < CLOSEST_MS and fill.level_db < mains.level_db - 10:
        # So weak and at the very time of the mains, it may be a rest of them.
        weak_db = fill.level_db
        fill = rest.first("fill", mains_ms + CLOSEST_MS, mains_ms + 150, floor_db=floor_db)
        if fill.level_db < weak_db + 10:
            raise CannotTellError("the fill: what is left of the mains may hide it; do not move "
                                  "anything between the takes")
    return _reading(_Pick(alone, mains), _Pick(rest, fill), fill.time_ms - mains_ms)


@dataclass(frozen=True)
class _Played:
    """What was played, and the channel of the microphone that heard it."""

    signal: FloatArray
    rate: float
    channel: int

    @property
    def seconds(self) -> float:
        return self.signal.size / self.rate

    def heard(self, take: Recording, *, needed_s: float, reference: int | None = None) -> Sound:
        """Return the sound in the microphone's or the reference channel of a take."""
        name, number = "channel", self.channel
        if reference is not None:
            name, number = "reference_channel", reference
        check_type("recording", take, Recording)
        count = take.samples.shape[1]
        if not 1 <= as_whole(name, number) <= count:
            raise ValueError(f"{name} must be between 1 and {count}, got {number}")
        samples = take.samples[:, int(number) - 1]
        check_take(take, samples, self.rate, needed_s)
        sound = Sound.of(samples, self.signal, self.rate)
        check_speed(samples, self.signal, sound.response, self.rate)
        return sound


def _read_turns(
    take: Recording, played: _Played, spacing_s: float | None, turns: int
) -> GapReading:
    if spacing_s is None:
        raise ValueError("spacing_s must be given for one-after-other")
    spacing = as_number("spacing_s", spacing_s, "s", low=played.seconds, high=120)
    if as_whole("turns", turns) not in (2, 3):
        raise ValueError(f"turns must be 2 or 3, got {turns!r}")
    sound = played.heard(take, needed_s=(turns - 1) * spacing + played.seconds)
    return _one_after_other(sound, spacing * 1000, turns)


def _read_two(takes: tuple[Recording, ...], played: _Played, reference: int | None) -> GapReading:
    if reference is None:
        raise CannotTellError("two takes that share no time: record the signal itself on a second "
                              "channel of both")
    needed_s = played.seconds
    return _two_takes([played.heard(take, needed_s=needed_s) for take in takes],
                     [played.heard(take, needed_s=needed_s, reference=reference)
                      for take in takes])


def _read_both(take: Recording, played: _Played, planned_gap_ms: float | None, search_ms: float,
               mains_alone: Recording | None) -> GapReading:
    low, high = _USUAL_GAPS_MS
    if planned_gap_ms is not None:
        planned = as_number("planned_gap_ms", planned_gap_ms, "ms", low=-100, high=150)
        reach = as_number("search_ms", search_ms, "ms", low=0.5, high=40)
        low, high = planned - reach, planned + reach
    both = played.heard(take, needed_s=played.seconds)
    if mains_alone is not None:
        return _taken_apart(both, played.heard(mains_alone, needed_s=played.seconds))
    return _together(both, low, high)


def measure_gap(
    recording: Recording | tuple[Recording, Recording],
    signal: ArrayLike,
    sample_rate_hz: float,
    *,
    mode: str = "one-after-other",
    spacing_s: float | None = None,
    turns: int = 3,
    planned_gap_ms: float | None = None,
    search_ms: float = 5.0,
    mains_alone: Recording | None = None,
    reference_channel: int | None = None,
    channel: int = 1,
) -> GapReading:
    """Read how much later the fill arrives than the mains, or say why it cannot be told.

    Parameters
    ----------
    recording : Recording or pair of Recording
        A take at the seat; for `two-takes` (mains alone, fill alone).
    signal : array_like, shape (n,)
        What was played, from `fillalign.audio.signals`.
    sample_rate_hz : float
        Of the signal, 8000 to 192000 Hz.
    mode : str
        `one-after-other`: mains, then fill, in one take. `together`: both at
        once. `two-takes`: one each, timed by a reference channel.
    spacing_s : float
        One after the other: from one start to the next, s. Required there.
    turns : int
        One after the other: 3 if the mains play again after the fill, which
        cancels unequal clocks of player and recorder; 2 if not, and then 50
        millionths of the spacing enter the uncertainty.
    planned_gap_ms, search_ms : float
        Together: the gap planned (-100 to 150 ms), and how far from it (0.5 to 40 ms) it
        is looked for; without a plan from -20 to 60 ms.
    mains_alone : Recording
        Together: a second take at the same seat and input gain with the fill
        off. It tells the fill from the reflections of the mains; the plan is
        then not needed.
    reference_channel : int
        Two takes: the channel that recorded the signal itself, by wire.
    channel : int
        The channel of the microphone, from 1.

    Returns
    -------
    GapReading

    Raises
    ------
    TypeError, ValueError
        If an argument is not numbers or out of its range, or one that the
        mode needs is missing. Faults of the recording are not errors: they
        are in the reading's `cannot_tell`.

    Notes
    -----
    Two arrivals within 0.3 ms of each other, recorded together, pass for one.

    Examples
    --------
    >>> import numpy as np
    >>> from fillalign.audio.signals import exponential_sweep, take_turns
    >>> sweep = exponential_sweep(seconds=1.0)
    >>> played = take_turns(sweep, spacing_s=2.0, sample_rate_hz=48000)
    >>> heard = 0.5 * np.roll(played[:, 0], 960) + 0.2 * np.roll(played[:, 1], 960 + 480)
    >>> take = Recording(heard[:, None], 48000)
    >>> reading = measure_gap(take, sweep, 48000, spacing_s=2.0)
    >>> round(reading.gap_ms, 2), round(reading.level_difference_db, 1)
    (10.0, -8.0)
    """
    played = as_mono("signal", signal, least=2)
    rate = as_rate(sample_rate_hz)
    check_choice("mode", mode, MODES)
    takes = recording if isinstance(recording, tuple) else (recording,)
    if len(takes) != (2 if mode == "two-takes" else 1):
        raise ValueError("recording must be a pair (mains, fill) for two-takes and one take "
                         f"otherwise, got {len(takes)} for {mode}")
    for take in (*takes, *([] if mains_alone is None else [mains_alone])):
        if not isinstance(take, Recording):
            raise TypeError("recording must be a Recording, such as read_wav returns, got "
                            f"{quoted(take)}")
    heard = _Played(played, rate, channel)
    try:
        if mode == "one-after-other":
            return _read_turns(takes[0], heard, spacing_s, turns)
        if mode == "two-takes":
            return _read_two(takes, heard, reference_channel)
        return _read_both(takes[0], heard, planned_gap_ms, search_ms, mains_alone)
    except CannotTellError as reason:
        return GapReading(cannot_tell=str(reason))


def correction_ms(reading: GapReading, planned_gap_ms: float) -> tuple[float, float]:
    """Return what to add to the fill's delay, and its uncertainty (95 %), both in ms.

    Parameters
    ----------
    reading : GapReading
        One that could tell.
    planned_gap_ms : float
        The gap the plan gives for this seat: `gap_ms` in `FillPlan.seats`.

    Raises
    ------
    TypeError, ValueError
        If the plan is not a number, or the reading cannot tell.

    Examples
    --------
    >>> correction_ms(GapReading(gap_ms=3.5, uncertainty_ms=0.04), 5.0)
    (1.5, 0.04)
    """
    check_type("reading", reading, GapReading)
    planned = as_number("planned_gap_ms", planned_gap_ms, "ms")
    if reading.gap_ms is None or reading.uncertainty_ms is None:
        raise ValueError(f"there is nothing to correct by: {reading.cannot_tell}")
    return planned - reading.gap_ms, reading.uncertainty_ms


def measured_levels(
    reading: GapReading, mains_dba: float
) -> tuple[dict[int, float], dict[int, float]]:
    """Return the octave levels of mains and fill, in dB, from one meter reading.

    Parameters
    ----------
    reading : GapReading
        Of mains and fill that sounded apart.
    mains_dba : float
        What a meter at the seat shows for the mains alone, pink noise, 20 to
        140 dBA. It calibrates the microphone, which is taken to be flat.

    Returns
    -------
    tuple of dict
        Nominal octave to dB: mains, fill.

    Raises
    ------
    TypeError, ValueError
        If the level is not a number or out of range, or the reading holds none.

    Examples
    --------
    >>> mains, fill = measured_levels(GapReading(mains_db={1000: -20}, fill_db={1000: -26}), 70)
    >>> round(mains[1000], 2), round(fill[1000], 2)
    (70.0, 64.0)
    """
    check_type("reading", reading, GapReading)
    total = as_number("mains_dba", mains_dba, "dBA", low=20, high=140)
    if not reading.mains_db:
        raise ValueError("the reading holds no levels by octave: record mains and fill apart")
    exact = dict(zip(OCTAVES_NOMINAL, OCTAVES_HZ, strict=True))
    shown = weighted_total_db(list(reading.mains_db.values()), [exact[f] for f in reading.mains_db])
    gain = total - float(shown)
    return ({f: level + gain for f, level in reading.mains_db.items()},
            {f: level + gain for f, level in reading.fill_db.items()})


def _toml_text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def measured_toml(measured: Sequence[Measured]) -> str:
    """Return `[[measured]]` entries to paste at the end of a venue file.

    Parameters
    ----------
    measured : list or tuple of Measured
        Levels of one output each, by octave or in dBA; written to 0.1 dB.

    Examples
    --------
    >>> entry = Measured("fills", (30.0, 0.0, 1.2), "check", by_octave_db={500: 62.04, 1000: 61.5})
    >>> print(measured_toml([entry]))
    [[measured]]
    output = "fills"
    at_m = [30.0, 0.0, 1.2]
    state = "check"
    by_octave_db = {500 = 62.0, 1000 = 61.5}
    <BLANKLINE>
    """
    entries = []
    check_type("measured", measured, list, tuple)
    for item in measured:
        check_type("each of measured", item, Measured)
        at = ", ".join(repr(round(float(x), 3)) for x in item.at_m)
        level = (f"level_dba = {item.level_dba:.1f}" if item.level_dba is not None else
                 "by_octave_db = {"
                 + ", ".join(f"{f} = {v:.1f}" for f, v in sorted(item.by_octave_db.items())) + "}")
        entries.append(f"[[measured]]\noutput = {_toml_text(item.output)}\nat_m = [{at}]\n"
                       f"state = {_toml_text(item.state)}\n{level}\n")
    return "\n".join(entries)
