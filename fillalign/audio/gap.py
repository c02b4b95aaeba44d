"""From the sounds of one or two takes to a reading of the gap between mains and fill.

Private to `fillalign.audio.recording`, which gives `GapReading` out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from fillalign.audio.impulse import NOISE_FACTOR, Arrival
from fillalign.audio.takes import CLOSEST_MS, CannotTellError, Sound, without_mains

CLOCK_PPM = 50.0  # two devices' crystals apart, at worst (common practice)
MARGIN_DB = 6.0


@dataclass(frozen=True)
class GapReading:
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
        noise = self.sound.noise(self.time_ms) / 10 ** (self.arrival.level_db / 20)
        return 2 * noise / (2 * np.pi * 4.0)


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


def one_after_other(sound: Sound, spacing_ms: float, turns: int) -> GapReading:
    """Read one take of mains, fill and, with three turns, mains again."""
    start = _start_of_turns_ms(sound, spacing_ms, turns)
    mains = sound.first("mains", start - 80, start + 5)
    zero = mains.time_ms + spacing_ms
    fill = sound.first("fill", zero - 100, zero + 150)
    clock_ms = CLOCK_PPM * 1e-6 * spacing_ms
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


def two_takes(sounds: Sequence[Sound], references: Sequence[Sound]) -> GapReading:
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


def together(sound: Sound, low_ms: float, high_ms: float) -> GapReading:
    """Read a take of both at once, the gap being known to lie between two values."""
    first = sound.first_of_all("first arrival")
    peaks = (first, *sound.arrivals(
        first.time_ms + CLOSEST_MS, first.time_ms + 120, sound.noise(first.time_ms),
        range_db=30.0, separation_ms=CLOSEST_MS))
    fill_later = high_ms >= -low_ms
    near, far = (low_ms, high_ms) if fill_later else (-high_ms, -low_ms)
    second, margin = _standing_out(peaks, near, far)
    if margin < MARGIN_DB:
        raise CannotTellError("no second arrival stands out from the reflections; let mains and "
                              "fill play one after the other, or add a take of the mains alone")
    if second.time_ms - first.time_ms <= -near:
        raise CannotTellError("the order: within this search either may come first; let them play "
                              "one after the other")
    mains, fill = (first, second) if fill_later else (second, first)
    return _reading(_Pick(sound, mains), _Pick(sound, fill), fill.time_ms - mains.time_ms,
                    sure=1 - 10 ** (-margin / 10))


def taken_apart(both: Sound, alone: Sound) -> GapReading:
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
