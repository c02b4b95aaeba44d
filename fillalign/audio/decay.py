"""How a room's sound dies away, octave by octave, from an impulse response or interrupted noise.

Every value comes with what ISO 3382 asks of it, and is left out where the
recording does not allow it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import ByValue, ComplexArray, FloatArray
from fillalign.absorption import OCTAVES_HZ, OCTAVES_NOMINAL, band_edges_hz
from fillalign.audio.impulse import in_blocks
from fillalign.filters import butterworth_poles
from fillalign.levels import power_to_db
from fillalign.room import DECAY_NEPERS
from fillalign.venue import entry_toml

EARLY_MS = 50.0
NOISE_BELOW_END_DB = 10.0
"""By so much the noise must lie below the end of the part that is read (ISO 3382-1, 5.3.3)."""
NONLINEAR_PER_MILLE = 10.0
"""Above it a decay is no straight line (ISO 3382-2, annex B.2: 5 to 10, from memory)."""
CURVED_PCT = 10.0
"""T30 longer or shorter than T20 by more is suspicious (ISO 3382-2, annex B.3, from memory)."""
_BENT_BY_CHANCE = 2000.0  # per mille times bandwidth times decay time, seen in plain decays
_LEAST_BT = 16.0
_RING_S = 0.2  # by how much the lowest octave rings ahead
_C50_MARGIN_DB = 20.0
PARTS_DB = {"edt": (0.0, -10.0), "t20": (-5.0, -25.0), "t30": (-5.0, -35.0)}
"""From which level to which each time is read, below the start (ISO 3382-1:2009, 3.3)."""


@dataclass(frozen=True, eq=False)
class OctaveDecay(ByValue):
    """One octave's decay; what cannot be told is None and has its reason in `why`.

    `edt_s`, `t20_s` and `t30_s` are times for 60 dB, read from 0 to -10, -5 to
    -25 and -5 to -35 dB; `c50_db` is early to late energy; `noise_margin_db`
    is how far the noise lies below the start of the decay; `correlation` holds
    the coefficient of each line (by `edt`, `t20`, `t30`). `curve_db` is the level
    of what is still to come, sample by sample: from 0 dB down, up to where noise
    takes over.
    """

    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    c50_db: float | None
    noise_margin_db: float
    correlation: Mapping[str, float]
    why: Mapping[str, str] = field(default_factory=dict)
    curve_db: FloatArray = field(default_factory=lambda: np.zeros(0), repr=False)
    sample_rate_hz: float = 0.0

    @property
    def rt60_s(self) -> float | None:
        """The reverberation time to plan with: T30, or T20 where the noise forbids T30."""
        return self.t20_s if self.t30_s is None else self.t30_s


def _octave_gain(frequency_hz: FloatArray, octave: int) -> ComplexArray:
    """Return a Butterworth band pass of fourth order that rings ahead, so that it is no decay."""
    low, high = band_edges_hz(OCTAVES_HZ[octave], fraction=1)
    frequency = np.maximum(frequency_hz, 1e-3)
    away = (frequency - low * high / frequency) / (high - low)
    return np.asarray(1 / np.prod([-1j * away - pole for pole in butterworth_poles(4)], axis=0))


def _line(level_db: FloatArray, rate: float, high_db: float, low_db: float) -> tuple[float, float]:
    """Return the time for 60 dB of a line through part of a decay, and its correlation."""
    first = int(np.argmax(level_db <= high_db))
    last = int(np.argmax(level_db < low_db))
    part = level_db[first:last]
    if part.size < 8 or np.ptp(part) == 0:
        return np.inf, 0.0
    time = np.arange(part.size) / rate
    slope = np.polyfit(time, part, 1)[0]
    return float(-60 / slope), float(np.corrcoef(time, part)[0, 1])


def _levels_db(power: FloatArray, size: int) -> FloatArray:
    return np.asarray(power_to_db(np.maximum(in_blocks(power, size).mean(axis=1), 1e-300)))


def _meets_noise(power: FloatArray, rate: float, width_hz: float) -> tuple[int, float, float]:
    """Return where a decay meets its noise in samples, the noise, and the time for 60 dB before it.

    As Lundeby et al. (Acustica 81, 1995, 344-355): a line through the decay above
    the noise, met with the noise behind it, in turns until both stand still.
    """
    size = max(1, min(round(rate * max(0.01, 4 / width_hz)), power.size // 20))
    level = _levels_db(power, size)
    tail = power[-max(1, power.size // 10) :]
    noise, end, rt60 = float(tail.mean()), power.size, 0.0
    for _ in range(6):
        floor_db = float(power_to_db(max(noise, 1e-300)))
        below = np.flatnonzero(level < floor_db + 8)
        last = max(int(below[0]) if below.size else level.size, 3)
        slope, start = np.polyfit(np.arange(last), level[:last], 1)
        if slope >= 0:
            break
        rt60 = -60 / slope * size / rate
        end = int(np.clip((floor_db - start) / slope * size, 3 * size, power.size))
        behind = power[min(end + round(rt60 / 6 * rate), power.size - tail.size) :]
        noise = float(behind.mean())
    return end, noise, rt60


def _still_to_come(
    power: FloatArray, rate: float, width_hz: float
) -> tuple[FloatArray, float, float]:
    """Return the level of what is still to come, the margin of the noise in dB, and its power."""
    end, noise, rt60 = _meets_noise(power, rate, width_hz)
    pace = DECAY_NEPERS / max(rt60 * rate, 1.0)
    last = noise if end < power.size else 0.5 * float(power[-max(1, power.size // 20) :].mean())
    # What the noise hides goes on falling as before (ISO 3382-1, 5.3.3, note).
    left = np.cumsum((power[:end] - noise)[::-1])[::-1] + last / pace
    least = max(1e-12 * float(left.max()), 1e-300)
    level = power_to_db(np.maximum(left, least) / max(float(left[0]), least))
    # A plain decay with all this energy would start so far above the noise.
    margin = float(power_to_db(max(left[0] * pace, least) / max(noise, least * pace)))
    return np.asarray(level), margin if rt60 else 0.0, noise


def _check(name: str, value: float, correlation: float, margin: float, width_hz: float,
           low_db: float) -> str | None:
    """Return why ISO 3382 would not have a value, None if it would."""
    needed = NOISE_BELOW_END_DB - low_db
    if margin <= 0:
        return "nothing that stands out of the noise dies away"
    if margin < needed:
        return f"the noise lies {margin:.0f} dB below the start, {needed:.0f} dB are needed"
    if not np.isfinite(value) or value <= 0:
        return "the sound does not die away"
    if value * width_hz < _LEAST_BT:
        return (f"{value:.2f} s are too short for the filter of this octave: at least "
                f"{_LEAST_BT / width_hz:.2f} s can be read")
    nonlinear = 1000 * (1 - correlation**2)
    if nonlinear > NONLINEAR_PER_MILLE + _BENT_BY_CHANCE / (value * width_hz) and name != "edt":
        return f"the decay is no straight line (non-linearity {nonlinear:.0f} per mille)"
    return None


def _octave_decay(
    power: FloatArray, rate: float, octave: int, parts: Sequence[float] | None
) -> OctaveDecay:
    """Return what the conditions of ISO 3382 leave of one octave's decay.

    `parts` are the energies within 50 ms and after, None where noise was interrupted.
    """
    low_hz, high_hz = band_edges_hz(OCTAVES_HZ[octave], fraction=1)
    width = float(high_hz - low_hz)
    level, margin, noise = _still_to_come(power, rate, width)
    values: dict[str, float | None] = {}
    correlation, why = {}, {} if parts else {"edt": "needs an impulse response"}
    for name, (high, low) in PARTS_DB.items():
        value, correlation[name] = _line(level, rate, high, low)
        reason = why.get(name) or _check(name, value, correlation[name], margin, width, low)
        values[name] = None if reason else value
        if reason:
            why[name] = reason
    t20, t30, c50 = values["t20"], values["t30"], None
    if parts and margin >= _C50_MARGIN_DB and level.size > EARLY_MS * rate / 1000:
        early, late = parts
        hidden = noise * (power.size - EARLY_MS * rate / 1000)
        c50 = float(power_to_db(early / max(late - hidden, 1e-12 * early)))
    else:
        why["c50"] = f"an impulse response with {_C50_MARGIN_DB:.0f} dB above the noise is needed"
    curvature = None if t20 is None or t30 is None else 100 * (t30 / t20 - 1)
    if curvature is not None and abs(curvature) > CURVED_PCT:
        why["curvature"] = f"T30 and T20 differ by {curvature:+.0f} %: the decay is bent"
    return OctaveDecay(values["edt"], t20, t30, c50, margin, correlation, why, level, rate)


def _sound_begins(samples: FloatArray) -> int:
    """Return the sample where a sound comes within 20 dB of its peak, and out of its noise."""
    size = np.abs(samples)
    noise = float(np.sqrt(in_blocks(samples**2, samples.size // 10).mean(axis=1).min()))
    return int(np.argmax(size > max(0.1 * size.max(), min(5 * noise, 0.5 * size.max()))))


def _noise_stops(samples: FloatArray, rate: float) -> int:
    """Return the sample by which noise has stopped."""
    size = round(0.02 * rate)
    level = _levels_db(samples**2, size)
    plateau = float(np.median(level[: max(1, level.size // 10)]))
    return min((int(np.flatnonzero(level > plateau - 3)[-1]) + 1) * size, samples.size - size)


def decay_times(
    samples: ArrayLike, sample_rate_hz: float, *, interrupted: bool = False
) -> dict[int, OctaveDecay]:
    """Return EDT, T20, T30 and C50 by octave, each where ISO 3382 allows it.

    Parameters
    ----------
    samples : array_like, shape (n,)
        An impulse response (`impulse_response` of a sweep; of turns, the part up
        to the next one), a recorded clap or balloon, or noise that stops.
    sample_rate_hz : float
        8000 to 192000 Hz.
    interrupted : bool
        True for noise that plays from the first sample on and then stops, once.

    Returns
    -------
    dict
        Nominal octave, 63 Hz up to a third of the sample rate, to `OctaveDecay`.

    Raises
    ------
    TypeError, ValueError
        If the samples are not one channel of numbers, silent or shorter than 0.1 s.

    Notes
    -----
    ISO 3382-1:2009, 5.3: backward integration (Schroeder 1965, J. Acoust. Soc. Am.
    37, 409) up to where the decay meets the noise; the noise must lie 10 dB below
    the end of the part that is read: 35 dB below the start for T20, 45 for T30.
    Of noise that stops once its square is integrated likewise, which gives the line
    that many interruptions have on average where the decay is a plain one.
    ISO 3382-2:2008, 7.3: bandwidth times decay time above 16, or the filter is
    read instead of the room. The reverberation time of a full house is shorter.

    Examples
    --------
    >>> time = np.arange(96000) / 48000
    >>> hall = np.random.default_rng(1).standard_normal(time.size) * 10 ** (-3 * time / 1.2)
    >>> decay = decay_times(hall, 48000)[1000]
    >>> abs(decay.t30_s - 1.2) < 0.05
    True
    """
    from scipy import fft

    mono, rate = arg.as_mono("samples", samples, least=2), arg.as_rate(sample_rate_hz)
    arg.check_flag("interrupted", interrupted)
    if not mono.any() or mono.size < 0.1 * rate:
        raise ValueError("samples must hold at least 0.1 s and must not be silent, got "
                         f"{mono.size / rate:.3f} s")
    start = _noise_stops(mono, rate) if interrupted else _sound_begins(mono)
    size = fft.next_fast_len(mono.size + round(_RING_S * rate), real=True)
    frequency, whole = fft.rfftfreq(size, 1 / rate), fft.rfft(mono, size)
    # Parted before it is filtered (ISO 3382-1, annex A.2.3), or the filter blurs the border.
    early = fft.rfft(mono[: start + round(EARLY_MS * rate / 1000)], size)
    read, (_, high) = {}, band_edges_hz(OCTAVES_HZ, fraction=1)
    for octave in map(int, np.flatnonzero(high < 0.47 * rate)):
        gain = _octave_gain(frequency, octave)
        power = fft.irfft(whole * gain, size)[start : mono.size] ** 2
        parts = [2 / size * float(np.sum(np.abs(part * gain) ** 2))
                 for part in (early, whole - early)]
        read[OCTAVES_NOMINAL[octave]] = _octave_decay(
            power, rate, octave, None if interrupted else parts)
    return read


def decay_toml(decay: Mapping[int, OctaveDecay]) -> str:
    """Return the decay of the empty room as lines for a venue file, to replace those of the check.

    Parameters
    ----------
    decay : mapping
        From `decay_times`; octaves without a reverberation time are left out.

    Raises
    ------
    TypeError, ValueError
        If it is no such mapping, or no octave has a reverberation time.

    Examples
    --------
    >>> octave = OctaveDecay(1.3, 1.24, None, 2.0, 41.0, {}, None)
    >>> print(decay_toml({500: octave}))
    [state.check]
    rt60_s = { 500 = 1.24 }
    # Measured as the room was. An audience shortens it: set [state.show] apart.
    <BLANKLINE>
    """
    arg.check_type("decay", decay, Mapping)
    told = {octave: round(each.rt60_s, 2) for octave, each in sorted(decay.items())
            if each.rt60_s is not None}
    if not told:
        raise ValueError("no octave has a reverberation time: record with less noise")
    return entry_toml("state.check", {"rt60_s": told}) + (
        "# Measured as the room was. An audience shortens it: set [state.show] apart.\n")
