"""One take of a test signal: whether it can be used, and what arrived in it.

Private to `fillalign.audio.gap`, which puts the arrivals of mains and fill
together. Times are in ms from the start of the take.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fillalign._validate import ComplexArray, FloatArray
from fillalign.absorption import OCTAVES_HZ, OCTAVES_NOMINAL, band_edges_hz
from fillalign.audio.impulse import (
    NOISE_FACTOR,
    Arrival,
    analytic_highs,
    arrivals_in,
    impulse_response,
    interpolated_peaks,
    noise_rms,
)
from fillalign.audio.wav import Recording
from fillalign.levels import amplitude_to_db, db_to_amplitude, power_to_db

CLOSEST_MS = 0.3
LEAD_MS = 150.0
AFTER_MS = 300.0
_READ_OCTAVES = slice(1, 8)  # 125 Hz to 8 kHz
_LOWEST_PEAK = 1e-4
GAIN_SLACK = 0.3  # by which the mains may look stronger or weaker in a second take
_DIRECT_BAND_HZ = (1000.0, 4000.0)


WRONG_SPEEDS = (48000 / 44100, 44100 / 48000)


class CannotTellError(Exception):
    """Carries the reason to `measure_gap`, which turns it into an answer."""


def _is_clipped(channel: FloatArray) -> bool:
    """Tell whether the wave runs steeply into flat tops of three samples, more than thrice."""
    change = np.abs(np.diff(channel))
    peak = np.abs(channel).max()
    flat = (change == 0) & (np.abs(channel[1:]) > 0.9 * peak)
    entered = np.flatnonzero(~flat[:-2] & flat[1:-1] & flat[2:])
    # The finest step there is tells coarse quantising from a ceiling.
    steep = max(2e-3 * peak, 3 * change.min(where=change > 0, initial=peak))
    return int(np.count_nonzero(change[entered] > steep)) > 3


def check_take(take: Recording, channel: FloatArray, rate: float, needed_s: float) -> None:
    """Raise CannotTellError where a take is of no use."""
    if take.sample_rate_hz != rate:
        raise CannotTellError(f"wrong rate: recorded at {take.sample_rate_hz} Hz, the signal is "
                              f"made for {rate:.0f} Hz")
    if take.seconds < needed_s:
        raise CannotTellError(f"too short: the recording lasts {take.seconds:.2f} s, what was "
                              f"played {needed_s:.2f} s")
    if np.abs(channel).max() < _LOWEST_PEAK:
        raise CannotTellError("silence: the recording never comes above -80 dB of full scale")
    if _is_clipped(channel):
        raise CannotTellError("clipping: the recording runs into its ceiling; turn the input down")


def check_speed(channel: FloatArray, signal: FloatArray, response: FloatArray, rate: float) -> None:
    """Raise CannotTellError where the signal fits better when played at a wrong speed."""
    from scipy.signal import resample

    for speed in WRONG_SPEEDS:
        other = impulse_response(channel, resample(signal, round(signal.size / speed)), rate)
        if np.abs(other).max() > 2 * np.abs(response).max():
            raise CannotTellError(f"wrong rate: the signal was played {speed:.3f} times as fast as "
                                  "it is made for; look at the player's and the recorder's rates")


@dataclass(frozen=True)
class Sound:
    """The response of one channel and its analytic highs; sample 0 lies LEAD_MS before time 0."""

    response: FloatArray
    highs: ComplexArray
    rate: float

    @classmethod
    def of(cls, channel: FloatArray, signal: FloatArray, rate: float) -> Sound:
        """Return the response of a channel to the signal."""
        response = impulse_response(channel, signal, rate, lead_ms=LEAD_MS)
        return cls(response, analytic_highs(response, rate), rate)

    def index(self, time_ms: float) -> int:
        """Return the sample nearest to a time, within the response."""
        return int(np.clip(round((time_ms + LEAD_MS) * self.rate / 1000), 0, self.highs.size))

    def time_ms(self, index: float) -> float:
        """Return the time of a sample."""
        return index * 1000 / self.rate - LEAD_MS

    def loudest_ms(self) -> float:
        """Return when the strongest sound comes."""
        return self.time_ms(int(np.argmax(np.abs(self.highs))))

    def noise(self, near_ms: float) -> float:
        """Return the rms of the noise around a time."""
        part = self.highs[self.index(near_ms - LEAD_MS) : self.index(near_ms + AFTER_MS)]
        return noise_rms(np.abs(part), self.rate)

    def arrivals(
        self, low_ms: float, high_ms: float, noise: float, *, range_db: float, separation_ms: float
    ) -> tuple[Arrival, ...]:
        """Return the arrivals between two times."""
        # A margin, since the flank of a sound outside is no arrival at the edge.
        low, high = self.index(low_ms - 1.0), self.index(high_ms + 1.0)
        found = arrivals_in(self.highs[low:high], self.rate, noise, range_db=range_db,
                            separation_ms=separation_ms)
        timed = (replace(a, time_ms=a.time_ms + self.time_ms(low)) for a in found)
        return tuple(a for a in timed if low_ms <= a.time_ms <= high_ms)

    def first(
        self, what: str, low_ms: float, high_ms: float, *, floor_db: float = -400.0
    ) -> Arrival:
        """Return the first significant rise between two times, or say why there is none."""
        least = float(db_to_amplitude(floor_db)) / NOISE_FACTOR
        noise = max(self.noise((low_ms + high_ms) / 2), least)
        found = self.arrivals(low_ms, high_ms, noise, range_db=20.0, separation_ms=0.24)
        if not found:
            part = np.abs(self.highs[self.index(low_ms) : self.index(high_ms)])
            above = amplitude_to_db(part.max(initial=1e-300) / max(noise, 1e-300))
            raise CannotTellError(f"signal-to-noise: the {what} is only {above:.0f} dB out of the "
                                  "noise; play louder or a longer sweep")
        return found[0]

    def first_of_all(self, what: str) -> Arrival:
        """Return the first significant rise before the strongest sound."""
        loudest = self.loudest_ms()
        return self.first(what, loudest - 80, loudest + 5)

    def direct_db(self, at_ms: float) -> float:
        """Return the level of the 0.8 ms around a time, from 1 to 4 kHz."""
        half = round(0.0004 * self.rate)
        centre = self.index(at_ms)
        part = self.highs[max(0, centre - half) : centre + half + 1]
        spectrum = np.fft.fft(part * np.hanning(part.size + 2)[1:-1], 1024)
        low, high = (round(f * 1024 / self.rate) for f in _DIRECT_BAND_HZ)
        return float(power_to_db(np.sum(np.abs(spectrum[low:high]) ** 2)))

    def octaves_db(self, at_ms: float, span_ms: float) -> dict[int, float]:
        """Return levels of pink noise by octave in what comes from a time on, less the noise."""
        heard, quiet = (self._pink_octaves(at_ms - 5, at_ms + span_ms),
                        self._pink_octaves(at_ms - 130, at_ms - 30))
        # The energy of the noise grows with the time it is listened to.
        noise = quiet * (span_ms + 5) / 100
        return {nominal: float(power_to_db(total - rest))
                for nominal, total, rest in zip(OCTAVES_NOMINAL[_READ_OCTAVES], heard, noise,
                                                strict=True) if total > 3 * rest}

    def _pink_octaves(self, low_ms: float, high_ms: float) -> FloatArray:
        """Return the energy of pink noise by octave through what comes between two times."""
        part = self.response[self.index(low_ms) : self.index(high_ms)]
        power = np.abs(np.fft.rfft(part))[1:] ** 2
        frequency = np.arange(1, power.size + 1) * self.rate / part.size
        low, high = band_edges_hz(OCTAVES_HZ[_READ_OCTAVES], fraction=1)
        inside = (frequency >= low[:, np.newaxis]) & (frequency < high[:, np.newaxis])
        energy: FloatArray = inside @ (power / frequency) / (inside @ (1 / frequency))
        return energy


def _warped(part: ComplexArray, stretch: float) -> ComplexArray:
    """Return `part` running faster by the share `stretch`, as in warmer air."""
    from scipy import signal

    fine = signal.resample_poly(part, 8, 1)
    when = 8 * (1 + stretch) * np.arange(part.size)
    warped: ComplexArray = np.interp(when, np.arange(fine.size), fine)
    return warped


def _where(
    both: ComplexArray, pattern: ComplexArray, energy: float, *, slack: float = GAIN_SLACK
) -> tuple[float, float]:
    """Return the shift at which `both` holds the pattern, in samples, and how strongly."""
    from scipy import signal

    match = signal.correlate(both, pattern, mode="full", method="fft") / energy
    # A strong fill matches better than the mains do, but not with their gain.
    like = np.where(np.abs(match.real - 1) < slack, match.real, 0.0)
    position, value = interpolated_peaks(match, np.array([np.argmax(like)]))
    return float(position[0]) - (pattern.size - 1), float(value[0].real)


def without_mains(both: Sound, alone: Sound) -> tuple[Sound, Arrival, float]:
    """Return the take of both less the mains, the mains' arrival alone, and its time in both.

    The air may have changed a little between the takes: the stretch that
    fits best is taken.
    """
    from scipy import fft

    first = alone.first_of_all("mains")
    start, early = alone.index(first.time_ms - 2), round(0.06 * alone.rate)
    part = alone.highs[start : start + round(AFTER_MS / 1000 * alone.rate)]
    energy = float(np.sum(np.abs(part[:early]) ** 2)) - early * alone.noise(first.time_ms) ** 2
    rough = round(_where(both.highs, part[:early], energy, slack=2 * GAIN_SLACK)[0])
    low = max(0, rough - 2 * early)
    near = both.highs[low : max(rough + 3 * early, low + early)]
    fits = [(*_where(near, _warped(part[: 2 * early], stretch)[:early], energy), stretch)
            for stretch in np.arange(-10, 11) * 5e-5]
    shift, strength, stretch = max(fits, key=lambda fit: fit[1])
    shift += low
    if abs(strength - 1) > GAIN_SLACK:
        raise CannotTellError("the take of the mains alone does not fit the take of both: the "
                              "microphone or the input gain was moved")
    size = fft.next_fast_len(both.highs.size + part.size, real=False)
    turn = np.exp(-2j * np.pi * fft.fftfreq(size) * shift)
    mains = fft.ifft(fft.fft(_warped(part, stretch), size) * turn)[: both.highs.size]
    rest = replace(both, highs=both.highs - mains)
    return rest, first, first.time_ms + (shift - start) * 1000 / both.rate
