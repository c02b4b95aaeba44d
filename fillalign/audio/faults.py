"""What people do wrong with a take, and how it shows: each fault is looked for by trying it.

Private to `fillalign.audio.gap`. A fault that spoils the reading is raised as
`CannotTellError`; one that spoils a part of it is returned.
"""

from __future__ import annotations

import numpy as np

from fillalign._validate import ComplexArray, FloatArray
from fillalign.audio import impulse
from fillalign.audio.impulse import Arrival, impulse_response
from fillalign.audio.reading import CannotTellError, Doubt
from fillalign.audio.takes import CLOSEST_MS, Direct, Take
from fillalign.levels import db_to_amplitude

_LOWEST_PEAK = 1e-4
_USUAL_RATES = (48000 / 44100, 44100 / 48000)
_CLOCKS_APART = 2e-4
_LEAST_SLACK_MS = 0.1  # by which wind and warmth shift the mains from turn to turn


def _is_clipped(channel: FloatArray) -> bool:
    """Tell whether the wave runs steeply into flat tops at its ceiling, more than thrice."""
    change = np.abs(np.diff(channel))
    for side in (channel, -channel):
        ceiling = side.max()
        flat = (change == 0) & (side[1:] > 0.998 * ceiling)
        entered = np.flatnonzero(~flat[:-2] & flat[1:-1] & flat[2:])
        # The finest step there is tells coarse quantising from a ceiling.
        steep = max(2e-3 * ceiling, 3 * change.min(where=change > 0, initial=ceiling))
        if np.count_nonzero(change[entered] > steep) > 3:
            return True
    return False


def check_channel(channel: FloatArray, rate: float, needed_s: float) -> None:
    """Raise CannotTellError where a channel of a recording is of no use."""
    if np.abs(channel).max() < _LOWEST_PEAK:
        raise CannotTellError("silence", "the recording never comes above -80 dB of full scale")
    if channel.size < needed_s * rate:
        raise CannotTellError("cut-short", f"the recording lasts {channel.size / rate:.2f} s, what "
                              f"was played {needed_s:.2f} s")
    if _is_clipped(channel):
        raise CannotTellError("clipping", "the recording runs into its ceiling")


def sweep_course(signal: FloatArray, rate: float) -> tuple[float, float] | None:
    """Return the start in Hz and the seconds per factor e of a rising sweep, None for others."""
    parts = np.array_split(signal, 24)[3:-3]
    pitches = []
    for part in parts:
        power = np.abs(np.fft.rfft(part * np.hanning(part.size))) ** 2
        pitch = float(np.argmax(power))
        near = slice(int(0.75 * pitch), int(1.35 * pitch) + 2)
        if power[near].sum() < 0.8 * power.sum():
            return None
        pitches.append(np.log(max(pitch, 0.5) * rate / part.size))
    places = (np.arange(len(parts)) + 3.5) * signal.size / 24 / rate
    slope, start = np.polyfit(places, pitches, 1)
    return (float(np.exp(start)), float(1 / slope)) if slope > 0 else None


def in_step(signal: FloatArray, channel: FloatArray, rate: float) -> FloatArray:
    """Return a signal that is no sweep at the pace of the recorder's clock.

    Its halves are heard apart by what the clocks run apart in half its length,
    which takes a sweep's octaves out of place by little but blurs noise.
    """
    from scipy.signal import correlate

    half = signal.size // 2
    if sweep_course(signal, rate) is not None or not (signal[:half].any() and signal[half:].any()):
        return signal
    early = np.arange(signal.size) < half
    heard = (impulse_response(channel, np.where(part, signal, 0.0), rate)
             for part in (early, ~early))
    first, second = (impulse.analytic_highs(each, rate) for each in heard)
    reach = int(_CLOCKS_APART * half) + 1
    match = np.abs(correlate(second, first, method="fft"))
    later = int(np.argmax(match[first.size - 1 - reach : first.size + reach])) - reach
    return impulse.resampled(signal, signal.size + round(signal.size * later / half))


def check_length(take: Take, first_ms: float, last_ms: float) -> None:
    """Refuse a take that lacks the beginning of the first turn or the end of the last."""
    missing = last_ms / 1000 + (take.signal.size - take.samples.size) / take.rate
    if first_ms < -1.0:
        raise CannotTellError("cut-short", f"the recording starts {-first_ms / 1000:.2f} s after "
                              "the first turn does")
    if missing > 0.01:
        raise CannotTellError("cut-short", f"the recording ends {missing:.2f} s before the last "
                              "turn does")


def check_signal(take: Take, near_ms: float) -> None:
    """Refuse a take of something else than the signal."""
    course, smear = sweep_course(take.signal, take.rate), 0.0
    if course is None:
        # What was played at a wrong speed fits better at that speed.
        others = [impulse.resampled(take.signal, round(take.signal.size / speed))
                  for speed in _USUAL_RATES]
        fits = [np.abs(impulse_response(take.samples, other, take.rate)).max() for other in others]
        wrong = [fit > 2 * np.abs(take.response).max() for fit in fits]
    else:
        octave_ms = course[1] * 1000 * np.log(2)
        smear = take.smear_ms_per_octave(near_ms, 0.1 * octave_ms)
        heard = 1 / (1 + smear / octave_ms)
        wrong = [abs(heard / speed - 1) < 0.01 for speed in _USUAL_RATES]
    for speed, is_so in zip(_USUAL_RATES, wrong, strict=True):
        if is_so:
            raise CannotTellError("wrong-speed", f"the signal was played {speed:.3f} times as fast "
                                  "as it is made for")
    if smear:
        raise CannotTellError("another-signal", "the signal heard is not the one it is read with: "
                              f"each octave comes {smear:+.1f} ms after the one below")


def unsteady(take: Take, at_ms: float) -> Doubt | None:
    """Return why levels of a take cannot be trusted."""
    course = sweep_course(take.signal, take.rate)
    if course is None:
        return Doubt("no-sweep", "only a sweep shows whether the recorder rode its gain")
    if _is_overloaded(take, course, at_ms):
        return Doubt("overload", "the third harmonic of the sweep stands above 5 %")
    if _gain_moves(take, course, at_ms):
        return Doubt("automatic-gain", "the noise falls while the sweep plays")
    return None


def _gain_moves(take: Take, course: tuple[float, float], start_ms: float) -> bool:
    """Tell whether the noise above a sweep falls while its lows play: automatic gain."""
    from scipy import fft

    rate, start = take.rate, start_ms / 1000
    if course[0] > 600:
        return False
    size = fft.next_fast_len(take.samples.size, real=True)
    band = impulse.band_taper(fft.rfftfreq(size, 1 / rate), 5000.0, min(20000.0, rate / 2))
    sound = fft.irfft(fft.rfft(take.samples, size) * band)[: take.samples.size]
    power = (impulse.in_blocks(sound, 100) ** 2).mean(axis=1)
    # Below 1.2 kHz the first four harmonics lie below the band.
    low, high = (start + course[1] * np.log(f / course[0]) for f in (400.0, 1200.0))
    calm, loud = (power[max(0, int(a * rate / 100)) : max(0, int(b * rate / 100))]
                  for a, b in ((0.0, start - 0.01), (low, high)))
    if calm.size * 100 < 0.05 * rate or loud.size == 0:
        return False
    return bool(np.median(loud) < 0.8 * np.median(calm))


def _is_overloaded(take: Take, course: tuple[float, float], at_ms: float) -> bool:
    """Tell whether the third harmonic of a sweep stands above 5 %: something gives way."""
    ahead = at_ms - 1000 * course[1] * np.log(3)
    third, direct = (float(np.sum(np.abs(take.part(at - 5, at + 45)) ** 2))
                     for at in (ahead, at_ms))
    noise = 0.05 * take.rate * take.noise(ahead) ** 2
    return third - 2 * noise > 0.05**2 * direct


def moved_gain(take: Take, turns: list[Arrival], span_ms: float) -> Doubt | None:
    """Return a doubt where the mains' turns are not equally loud."""
    first, last = (take.octaves_db(each.time_ms, span_ms) for each in (turns[0], turns[-1]))
    apart = max((abs(first[f] - last[f]) for f in first if f in last and f >= 500), default=0.0)
    if apart > 1.0:
        return Doubt("automatic-gain", f"the mains' two turns differ by {apart:.1f} dB")
    return None


def share_of_mains(
    mains: list[Direct], take: Take, zero: float, slack_ms: float
) -> tuple[float, float, float]:
    """Return how much of the mains stands in the fill's turn at its own time, and how surely.

    In come the mains' turns, and the take of the fill's turn with the time that they would
    have in it, give or take the slack. Their tails are compared, since direct sounds may
    well coincide; out come the share of amplitude, its standard deviation, and by how many
    pieces of the tail it is told.
    """
    first, again = (_tail(each, arrival.time_ms) for each, arrival in (mains[0], mains[-1]))
    strength = np.sum((first.conj() * again).real, axis=1)
    if len(mains) == 1:
        strength -= first.shape[1] * mains[0][0].noise(mains[0][1].time_ms) ** 2
    model = (first + again) / 2
    tails = [_tail(take, zero + lag) for lag in np.arange(-slack_ms, slack_ms + 0.01, 0.02)]
    heard = max(tails, key=lambda tail: abs(float(np.sum((model.conj() * tail).real))))
    hits = np.sum((model.conj() * heard).real, axis=1)
    # What lies 50 dB below the direct sound is its own skirt, alike in all pulses.
    least = 1e-5 * max(take.peak(zero - 20, zero + 100), 1e-150) ** 2
    share = 0.0
    for _ in range(4):
        trust = 1 / np.maximum(np.mean(np.abs(heard - share * model) ** 2, axis=1), least)
        total = float(np.sum(strength * trust))
        share = float(np.sum(hits * trust)) / total if total > 0 else 0.0
    # Neighbouring samples of a band are alike: so many count for one that is independent.
    alike = 0.5 * take.rate / (0.4 * take.rate - 1000)
    energy = np.sum(np.abs(first) ** 2, axis=1) * np.sum(np.abs(again) ** 2, axis=1)
    by_chance = float(np.sum(trust**2 * energy)) * alike / first.shape[1]
    if total <= 5 * np.sqrt(by_chance):
        return 0.0, np.inf, 0.0
    by_pieces = float(np.sum(((hits - share * strength) * trust) ** 2))
    pieces = total**2 / float(np.sum((strength * trust) ** 2))
    return share, float(np.sqrt(max(alike * total, by_pieces)) / total), pieces


def _tail(take: Take, at_ms: float) -> ComplexArray:
    """Return 250 pieces of 1 ms of what follows an arrival, from 3 ms after it on."""
    block = round(0.001 * take.rate)
    return take.span(at_ms + 3.0, 250 * block).reshape(250, block)


def same_sound(
    mains: list[Direct], fill: Direct, zero: float, *, proven: bool = False, clock_ms: float = 0.0,
) -> Doubt | None:
    """Return a doubt where the mains sound in the fill's turn: they would pass for the fill.

    `zero` is when they would come in it.
    """
    take, arrival = fill
    slack_ms = max(_LEAST_SLACK_MS, clock_ms)
    share, spread, pieces = share_of_mains(mains, take, zero, slack_ms)
    told = f"{100 * abs(share):.0f} % of the mains' sound comes in the fill's turn"
    # One reflection may fall on one of the mains by chance, but not be as strong too.
    sure = share > 6 * spread and (pieces > 2 or abs(share - 1) < 0.1)
    if sure and share > 0.5:
        return Doubt("same-sound", told)
    # A leak is as strong at its direct sound as it is in its tail.
    over = db_to_amplitude(arrival.level_db - mains[0][1].level_db)
    hidden = abs(arrival.time_ms - zero) < CLOSEST_MS and share + 3 * spread > 0.6 * over
    if sure and (share > 0.06 or hidden):
        return Doubt("crosstalk", told)
    if hidden and not proven:
        return Doubt("unproven", "the fill's turn begins at the very time of the mains, with too "
                     "little of the room to tell them apart")
    return None
