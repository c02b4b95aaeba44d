"""Measured against planned: what a recording at a seat says about a fill.

A reading is a gap with its uncertainty, or a doubt with its likely cause and the
next step. The surest way is `one-after-other`: mains, fill and mains again in
one take (`signals.take_turns`). Both at once can be told apart only where the
fill stands out from the reflections of the mains, or where a take of the mains
alone at the same seat is at hand to be taken out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._text import quoted
from fillalign._validate import FloatArray
from fillalign.audio import faults
from fillalign.audio.impulse import Arrival, resampled
from fillalign.audio.reading import CannotTellError, Doubt, GapReading, Heard, swapped
from fillalign.audio.takes import AFTER_MS, CLOSEST_MS, Direct, Take
from fillalign.audio.wav import Recording
from fillalign.levels import amplitude_to_db

MODES = ("one-after-other", "together", "two-takes")
_USUAL_GAPS_MS = (-20.0, 60.0)  # searched where no gap was planned
_LONGEST_EARLY_MS = 1500.0
CLOCK_PPM = 50.0  # two devices' crystals apart, at worst (common practice)
_MARGIN_DB = 10.0
_LOUDER_DB = 3.0
_SOFTEST_DB = 35.0  # below the mains; nobody hears a fill softer than that
# Of the angle between two octaves. Of 2,000 pairs of crossovers (Linkwitz and Riley's, 12 to 48 dB
# an octave, 0.9 to 3.5 kHz) none looks turned over in all octaves by so much.
_SAME_WAY = 0.75
_LEAST_NOISE_S = 4.0
_REST_DB = 20.0  # to which one take cannot be trusted to be taken out of another


def _polarity(mains: Direct, fill: Direct) -> bool | Doubt:
    """Return whether both pulses point the same way, if every octave above 1 kHz says so."""
    first, second = (take.phases_deg(arrival.time_ms) for take, arrival in (mains, fill))
    turns = [*(first - second), mains[1].phase_deg - fill[1].phase_deg]
    if np.isnan(turns).any():
        return Doubt("narrow-band", "not every octave from 1 to 16 kHz is heard of both")
    cosines = np.cos(np.radians(turns))
    if np.abs(cosines).min() < _SAME_WAY or np.ptp(np.sign(cosines)) > 0:
        return Doubt("unlike-boxes", "the octaves above 1 kHz do not agree on the polarity")
    return bool(cosines[0] > 0)


def _heard(direct: Direct, own_ms: float, gap_ms: float) -> Heard:
    """Return what was heard of one of both on their clock, from a little before the first."""
    take, arrival = direct
    zero = arrival.time_ms - own_ms
    first, last = (take.index(zero + at) for at in (
        min(0.0, gap_ms) - 20.0, max(0.0, gap_ms) + AFTER_MS))
    return Heard(take.response[first:last], take.rate, take.time_ms(first) - zero, own_ms)


def _reading(
    mains: Direct, fill: Direct, gap_ms: float, *, doubt: Doubt | None = None,
    clock_ms: float = 0.0, span_ms: float | None = None,
) -> GapReading:
    """Put two sounds together; levels by octave where each sounded alone for `span_ms`."""
    polarity, both = _polarity(mains, fill), (mains, fill)
    mains_db, fill_db = (take.direct_db(arrival.time_ms) for take, arrival in both)
    octaves = [{} if span_ms is None or doubt else take.octaves_db(arrival.time_ms, span_ms)
               for take, arrival in both]
    terms = (0.03, clock_ms, *(take.scatter_ms(arrival) for take, arrival in both))
    return GapReading(
        gap_ms=float(gap_ms),
        uncertainty_ms=float(np.sqrt(sum(term**2 for term in terms))),
        level_difference_db=None if doubt else fill_db - mains_db,
        polarity_same=None if isinstance(polarity, Doubt) else polarity,
        withheld={what: why for what, why in (("level", doubt), ("polarity", polarity))
                  if isinstance(why, Doubt)},
        mains_db=octaves[0],
        fill_db=octaves[1],
        heard={"mains": _heard(mains, 0.0, gap_ms), "fill": _heard(fill, float(gap_ms), gap_ms)},
        channel=mains[0].channel,
    )


def _one_after_other(take: Take, spacing_ms: float, turns: int, *, proven: bool) -> GapReading:
    """Read one take of mains, fill and, with three turns, mains again."""
    start = take.start_of_turns_ms(spacing_ms, turns)
    faults.check_signal(take, start)
    mains = [take.first("mains", start - 80, start + 5)]
    first_ms = mains[0].time_ms
    faults.check_length(take, first_ms, first_ms + (turns - 1) * spacing_ms)
    zero, clock_ms = first_ms + spacing_ms, CLOCK_PPM * 1e-6 * spacing_ms
    if turns == 3:
        mains.append(take.first("mains' second turn", zero + spacing_ms - 12,
                                zero + spacing_ms + 12))
        apart = mains[1].time_ms - first_ms
        if abs(apart - 2 * spacing_ms) > 6 * clock_ms:
            raise CannotTellError("moved", f"the mains' two turns are {apart:.2f} ms apart "
                                  f"instead of {2 * spacing_ms:.2f}")
        zero, clock_ms = (first_ms + mains[1].time_ms) / 2, 0.0
    earliest = zero - min(0.5 * spacing_ms, _LONGEST_EARLY_MS)
    onset = take.onset_ms(earliest, zero + 0.4 * spacing_ms)
    fill = None if onset is None else take.first(
        "fill", onset - 80, onset + 5, floor_db=mains[0].level_db - _SOFTEST_DB)
    if fill is None or fill.time_ms < earliest:
        raise CannotTellError("fill-silent", "nothing stands out between the mains' turns")
    doubt = faults.moved_gain(take, mains, 0.25 * spacing_ms) or faults.unsteady(take, first_ms)
    reading = _reading((take, mains[0]), (take, fill), fill.time_ms - zero, doubt=doubt,
                       clock_ms=clock_ms, span_ms=0.5 * spacing_ms)
    return reading.doubted(faults.same_sound([(take, each) for each in mains], (take, fill), zero,
                                             proven=proven, clock_ms=clock_ms))


def _two_takes(recordings: Sequence[Recording], played: _Played) -> GapReading:
    """Read a take of each, timed by what was played as recorded beside it."""
    if played.wire is None:
        raise CannotTellError("no-reference", "the two takes share no time")
    takes = [played.heard(each) for each in recordings]
    found, starts_ms = [], []
    for recording, take, what in zip(recordings, takes, ("mains", "fill"), strict=True):
        wire = played.heard(recording, recording.channel(played.wire, "reference_channel"))
        starts_ms.append(wire.first_of_all("reference channel").time_ms)
        faults.check_signal(take, take.loudest_ms())
        found.append((take, take.first_of_all(what)))
        faults.check_length(take, found[-1][1].time_ms, found[-1][1].time_ms)
    mains, fill = found
    zero = mains[1].time_ms - starts_ms[0] + starts_ms[1]
    doubts = (faults.unsteady(take, first.time_ms) for take, first in found)
    reading = _reading(mains, fill, fill[1].time_ms - zero, span_ms=1000.0,
                       doubt=next(filter(None, doubts), None))
    return reading.doubted(faults.same_sound([mains], fill, zero))


def _standing_out(first: Arrival, later: Sequence[Arrival], low_ms: float, high_ms: float
                  ) -> Arrival:
    """Return the one arrival between two times after the first that can be no reflection.

    A reflection has travelled further and left part of itself in the wall: it is
    not louder than what came first, and seldom alone.
    """
    inside = [p for p in later if low_ms <= p.time_ms - first.time_ms <= high_ms]
    if not inside:
        raise CannotTellError(
            "no-second-arrival", f"no second arrival between {low_ms:.1f} and {high_ms:.1f} ms "
            f"after the first (two within {CLOSEST_MS} ms of each other pass for one)")
    chosen = max(inside, key=lambda p: p.level_db)
    others = max((p.level_db for p in later if p.time_ms < chosen.time_ms), default=-np.inf)
    if chosen.level_db < max(first.level_db + _LOUDER_DB, others + _MARGIN_DB):
        raise CannotTellError("reflections", "no second arrival stands out from the reflections")
    return chosen


def _together(take: Take, low_ms: float, high_ms: float) -> GapReading:
    """Read a take of both at once, the gap being known to lie between two values."""
    faults.check_signal(take, take.loudest_ms())
    first = take.first_of_all("first arrival")
    later = take.arrivals(first.time_ms + CLOSEST_MS, first.time_ms + 120,
                          take.noise(first.time_ms), range_db=30.0, separation_ms=CLOSEST_MS)
    fill_later = high_ms >= -low_ms
    near, far = (low_ms, high_ms) if fill_later else (-high_ms, -low_ms)
    second = _standing_out(first, later, near, far)
    if second.time_ms - first.time_ms <= -near:
        raise CannotTellError("order", "within this search either may come first")
    mains, fill = (first, second) if fill_later else (second, first)
    return _reading((take, mains), (take, fill), fill.time_ms - mains.time_ms)


def _taken_apart(both: Take, alone: Take) -> GapReading:
    """Read a take of both by taking the mains out that were recorded alone."""
    faults.check_signal(alone, alone.loudest_ms())
    seconds = both.signal.size / both.rate
    if seconds < _LEAST_NOISE_S and faults.sweep_course(both.signal, both.rate) is None:
        raise CannotTellError("short-signal", f"the signal lasts {seconds:.1f} s and is no sweep")
    rest, mains, mains_ms = both.without(alone)
    floor_db = mains.level_db - 20
    onset = rest.onset_ms(mains_ms - _LONGEST_EARLY_MS, mains_ms + AFTER_MS - 10)
    if onset is None:
        raise CannotTellError("fill-silent", "nothing is left when the mains are taken out")
    fill = rest.first("fill", onset - 80, onset + 5, floor_db=floor_db)
    if abs(fill.time_ms - mains_ms) < CLOSEST_MS and fill.level_db < mains.level_db - 10:
        # So weak and at the very time of the mains, it may be a rest of them.
        weak_db = fill.level_db
        fill = rest.first("fill", mains_ms + CLOSEST_MS, mains_ms + 150, floor_db=floor_db)
        if fill.level_db < weak_db + 10:
            raise CannotTellError("other-take", "what is left of the mains may hide the fill")
    gap_ms = fill.time_ms - mains_ms
    there_ms = mains.time_ms + gap_ms
    if fill.level_db < amplitude_to_db(alone.peak(there_ms - 0.5, there_ms + 0.5)) - _REST_DB:
        raise CannotTellError("fill-silent", "what is left where the mains' take is loud is but a "
                              "rest of it")
    return _reading((alone, mains), (rest, fill), gap_ms,
                    doubt=faults.unsteady(alone, mains.time_ms))


@dataclass(frozen=True)
class _Played:
    """What was played, and the channels of the microphone, None for the loudest, and the wire."""

    signal: FloatArray
    rate: float
    channel: int | None
    wire: int | None

    @property
    def seconds(self) -> float:
        return self.signal.size / self.rate

    def heard(self, recording: Recording, number: int | None = None, *, from_s: float = 0.0
              ) -> Take:
        """Return what a channel, or the microphone's, holds of what was played from a time on."""
        number = number or recording.channel(self.channel, but=self.wire)
        samples, rate = recording.samples[:, number - 1], float(recording.sample_rate_hz)
        faults.check_channel(samples, rate, from_s + self.seconds)
        signal = resampled(self.signal, round(self.signal.size * rate / self.rate))
        return Take.of(samples, faults.in_step(signal, samples, rate), rate, number)


def _read_turns(
    takes: Sequence[Recording], played: _Played, spacing_s: float | None, turns: int,
    moved_ms: float,
) -> GapReading:
    """Read a take in turns, and a second one with the fill later where the first proves nothing."""
    if spacing_s is None:
        raise ValueError("spacing_s must be given for one-after-other")
    spacing = arg.as_number("spacing_s", spacing_s, "s", low=played.seconds, high=120)
    if arg.as_whole("turns", turns) not in (2, 3):
        raise ValueError(f"turns must be 2 or 3, got {turns!r}")
    heard = [played.heard(take, from_s=(turns - 1) * spacing) for take in takes]
    read = [_one_after_other(each, spacing * 1000, turns, proven=len(takes) == 2)
            for each in heard]
    first_ms, second_ms = read[0].gap_ms, read[-1].gap_ms
    if len(read) == 2 and first_ms is not None and second_ms is not None:
        moved = second_ms - first_ms
        if abs(moved - moved_ms) > 0.3:
            raise CannotTellError("same-sound", f"the fill was set {moved_ms:g} ms later but came "
                                  f"{moved:.1f} ms later")
    return read[0]


def _read_both(take: Recording, played: _Played, planned_gap_ms: float | None, search_ms: float,
               mains_alone: Recording | None) -> GapReading:
    low, high = _USUAL_GAPS_MS
    if planned_gap_ms is not None:
        reach = arg.as_number("search_ms", search_ms, "ms", low=0.5, high=40)
        low, high = planned_gap_ms - reach, planned_gap_ms + reach
    both = played.heard(take)
    if mains_alone is None:
        return _together(both, low, high)
    return _taken_apart(both, played.heard(mains_alone, mains_alone.channel(both.channel)))


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
    moved_take: Recording | None = None,
    moved_ms: float = 3.0,
    reference_channel: int | None = None,
    channel: int | None = None,
) -> GapReading:
    """Read how much later the fill arrives than the mains, or say why it cannot be told.

    Parameters
    ----------
    recording : Recording or pair of Recording
        A take at the seat, at any sample rate; for `two-takes` (mains alone, fill alone).
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
        The gap planned (-100 to 150 ms). In turns and two takes it shows whether
        mains and fill were exchanged. Together it is looked for so far from it
        (0.5 to 40 ms); without a plan from -20 to 60 ms.
    mains_alone : Recording
        Together: a second take at the same seat and input gain with the fill
        off. It tells the fill from the reflections of the mains; the plan is
        then not needed. Without it only a second arrival that is 3 dB louder
        than the first is sure to be no reflection.
    moved_take, moved_ms : Recording, float
        One after the other: a second take with the fill set so much later (1 to
        50 ms). Where there is no room to tell mains from fill by, it proves that
        the fill was heard.
    reference_channel : int
        Two takes: the channel that recorded the signal itself, by wire.
    channel : int
        The channel of the microphone, from 1; by default the loudest but for
        the reference. The reading names it.

    Returns
    -------
    GapReading

    Raises
    ------
    TypeError, ValueError
        If an argument is not numbers or out of its range, or one that the
        mode needs is missing. Faults of the recording are not errors: they
        are in the reading's `doubt`.

    Notes
    -----
    Two arrivals within 0.3 ms of each other, recorded together, pass for one.
    Without a plan nothing can show that mains and fill were exchanged. A fill is
    looked for from 1.5 s (half the spacing, if that is less) before the mains.

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
    arg.check_choice("mode", mode, MODES)
    played = _Played(arg.as_mono("signal", signal, least=2), arg.as_rate(sample_rate_hz), channel,
                     reference_channel)
    planned = None if planned_gap_ms is None else arg.as_number(
        "planned_gap_ms", planned_gap_ms, "ms", low=-100, high=150)
    moved = arg.as_number("moved_ms", moved_ms, "ms", low=1, high=50)
    takes = recording if isinstance(recording, tuple) else (recording,)
    if len(takes) != (2 if mode == "two-takes" else 1):
        raise ValueError("recording must be a pair (mains, fill) for two-takes and one take "
                         f"otherwise, got {len(takes)} for {mode}")
    given = [*takes, *(each for each in (mains_alone, moved_take) if each is not None)]
    for take in given:
        if not isinstance(take, Recording):
            raise TypeError("recording must be a Recording, such as read_wav returns, got "
                            f"{quoted(take)}")
    rates = {take.sample_rate_hz for take in given}
    if len(rates) > 1:
        raise ValueError(f"all takes must have one sample rate, got {sorted(rates)} Hz")
    try:
        if mode == "together":
            return _read_both(takes[0], played, planned, search_ms, mains_alone)
        if mode == "two-takes":
            reading = _two_takes(takes, played)
        else:
            proof = () if moved_take is None else (moved_take,)
            reading = _read_turns((takes[0], *proof), played, spacing_s, turns, moved)
        return reading if planned is None else reading.doubted(swapped(reading, planned))
    except CannotTellError as reason:
        return GapReading(doubt=reason.doubt)
