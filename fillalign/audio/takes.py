"""One take of a test signal and what arrived in it.

Private to `fillalign.audio.gap`, which puts the arrivals of mains and fill
together. Times are in ms from the start of the take.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fillalign._validate import ComplexArray, FloatArray
from fillalign.absorption import OCTAVES_HZ, OCTAVES_NOMINAL, band_edges_hz
from fillalign.audio import impulse
from fillalign.audio.impulse import Arrival
from fillalign.audio.reading import CannotTellError
from fillalign.levels import amplitude_to_db, db_to_amplitude, power_to_db

CLOSEST_MS = 0.3
AFTER_MS = 300.0
_BEFORE_MS = 150.0
_READ_OCTAVES = slice(1, 8)  # 125 Hz to 8 kHz
GAIN_SLACK = 0.3  # by which the mains may look stronger or weaker in a second take
_DIRECT_BAND_HZ = (1000.0, 4000.0)
_PHASE_OCTAVES_HZ = (1000.0, 2000.0, 4000.0, 8000.0)
_GATE_MS = 1.0  # around a direct sound: longer lets the floor in, shorter tells no octave apart
_SMEAR_STEP_MS = 0.2  # an octave; from four steps on, since boxes and microphones do up to two
_ONSET = 6.0  # times the sound of the 60 ms before, in power: no tail rises by that


def _octave_weights(size: int, rate: float) -> FloatArray:
    """Return the weight of each frequency of a spectrum in each of the octaves from 1 kHz on."""
    middle = np.sqrt(2) * np.array(_PHASE_OCTAVES_HZ)[:, None]
    place = np.log2(np.maximum(np.fft.fftfreq(size, 1 / rate), 1.0) / middle)
    return np.asarray(np.cos(np.pi / 2 * np.clip(place, -1, 1)) ** 2)


@dataclass(frozen=True)
class Take:
    """One channel of a recording, from 1, the signal at its rate, and what was heard of it.

    The response and its analytic highs begin `lead_ms` before time 0.
    """

    samples: FloatArray
    signal: FloatArray
    rate: float
    channel: int
    lead_ms: float
    response: FloatArray
    highs: ComplexArray

    @classmethod
    def of(cls, samples: FloatArray, signal: FloatArray, rate: float, channel: int) -> Take:
        """Return what a channel holds of the signal, from a whole signal before its start."""
        lead_ms = _BEFORE_MS + signal.size * 1000 / rate
        response = impulse.impulse_response(samples, signal, rate, lead_ms=lead_ms)
        return cls(samples, signal, rate, channel, lead_ms, response,
                   impulse.analytic_highs(response, rate))

    def index(self, time_ms: float) -> int:
        """Return the sample nearest to a time, within the response."""
        nearest = round((time_ms + self.lead_ms) * self.rate / 1000)
        return int(np.clip(nearest, 0, self.highs.size))

    def time_ms(self, index: float) -> float:
        """Return the time of a sample."""
        return index * 1000 / self.rate - self.lead_ms

    def part(self, low_ms: float, high_ms: float) -> ComplexArray:
        """Return the highs between two times."""
        return self.highs[self.index(low_ms) : self.index(high_ms)]

    def peak(self, low_ms: float, high_ms: float) -> float:
        """Return the highest amplitude of the highs between two times."""
        return float(np.abs(self.part(low_ms, high_ms)).max(initial=0.0))

    def span(self, start_ms: float, count: int) -> ComplexArray:
        """Return so many samples of the highs from a time between samples on."""
        place = (start_ms + self.lead_ms) * self.rate / 1000
        first = int(np.floor(place)) - 64
        wanted = np.arange(first, first + count + 128)
        inside = (wanted >= 0) & (wanted < self.highs.size)
        part = np.where(inside, self.highs[np.clip(wanted, 0, self.highs.size - 1)], 0.0)
        turn = np.exp(2j * np.pi * np.fft.fftfreq(part.size) * (place - first - 64))
        return np.asarray(np.fft.ifft(np.fft.fft(part) * turn))[64 : 64 + count]

    def loudest_ms(self) -> float:
        """Return when the strongest sound comes."""
        return self.time_ms(int(np.argmax(np.abs(self.highs))))

    def noise(self, near_ms: float) -> float:
        """Return the rms of the noise around a time."""
        part = self.part(near_ms - _BEFORE_MS, near_ms + AFTER_MS)
        return impulse.noise_rms(np.abs(part), self.rate) if part.size else 0.0

    def scatter_ms(self, arrival: Arrival) -> float:
        """Twice the scatter of the time of a pulse of some 4 kHz width in this noise."""
        noise = self.noise(arrival.time_ms) / db_to_amplitude(arrival.level_db)
        return noise / (np.pi * 4.0)

    def onset_ms(self, low_ms: float, high_ms: float) -> float | None:
        """Return when the loudest sound between two times sets in that is nobody's tail.

        None where there is none, or another far from it is nearly as loud.
        """
        from scipy import ndimage

        step = round(self.rate / 1000)
        first, last = self.index(low_ms - 70), self.index(high_ms)
        if last - first < step:
            return None
        power = (np.abs(impulse.in_blocks(self.highs[first:last], step)) ** 2).mean(axis=1)
        before = ndimage.uniform_filter1d(power, 60, origin=29, mode="nearest")
        rises = power > _ONSET * np.maximum(np.roll(before, 3), np.quantile(power, 0.05))
        rises[: (self.index(low_ms) - first) // step] = False
        if not rises.any():
            return None
        top = int(np.argmax(power * rises))
        rises[max(0, top - 100) : top + 400] = False
        lone = np.max(power * rises) <= power[top] / 4
        return self.time_ms(first + (top + 0.5) * step) if lone else None

    def arrivals(
        self, low_ms: float, high_ms: float, noise: float, *, range_db: float, separation_ms: float
    ) -> tuple[Arrival, ...]:
        """Return the arrivals between two times."""
        # A margin, since the flank of a sound outside is no arrival at the edge.
        low, high = self.index(low_ms - 1.0), self.index(high_ms + 1.0)
        found = impulse.arrivals_in(self.highs[low:high], self.rate, noise, range_db=range_db,
                            separation_ms=separation_ms)
        timed = (replace(a, time_ms=a.time_ms + self.time_ms(low)) for a in found)
        return tuple(a for a in timed if low_ms <= a.time_ms <= high_ms)

    def first(
        self, what: str, low_ms: float, high_ms: float, *, floor_db: float = -400.0
    ) -> Arrival:
        """Return the first significant rise between two times, or say why there is none."""
        least = db_to_amplitude(floor_db) / impulse.NOISE_FACTOR
        noise = max(self.noise((low_ms + high_ms) / 2), least)
        found = self.arrivals(low_ms, high_ms, noise, range_db=20.0, separation_ms=0.24)
        if not found:
            above = amplitude_to_db(self.peak(low_ms, high_ms) / max(noise, 1e-300))
            told = f"is only {above:.0f} dB" if above > 0 else "does not stand"
            raise CannotTellError("fill-silent" if what == "fill" else "noise",
                                  f"the {what} {told} out of the noise")
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

    def phases_deg(self, at_ms: float) -> FloatArray:
        """Return the phase of a direct sound by octave, at the peak of each octave's envelope.

        Not a number where the octave does not stand 12 dB out of the noise.
        """
        count = 2 * round(_GATE_MS * self.rate / 1000) + 1
        direct = np.fft.fft(np.hanning(count + 2)[1:-1] * self.span(at_ms - _GATE_MS, count), 4096)
        quiet = self.part(at_ms - _BEFORE_MS, at_ms - 5)
        hush = np.abs(np.fft.fft(quiet)) ** 2 / quiet.size**2
        bands = np.fft.ifft(direct * _octave_weights(direct.size, self.rate))[:, :count]
        peaks = bands[np.arange(len(bands)), np.abs(bands).argmax(axis=1)]
        noise = np.sum(hush * _octave_weights(hush.size, self.rate) ** 2, axis=1)
        return np.where(np.abs(peaks) > 4 * np.sqrt(noise), np.degrees(np.angle(peaks)), np.nan)

    def smear_ms_per_octave(self, at_ms: float, most_ms: float) -> float:
        """Return by how much later each octave comes than the one below, 0 for a sharp arrival.

        A sweep read with one of another length or other ends does that. Looked for are
        the steps up to so many ms, either way, that make one sharp pulse of it.
        """
        reach_ms = 100.0 + 3 * most_ms
        part = self.part(at_ms - reach_ms, at_ms + reach_ms)
        frequency = np.fft.fftfreq(part.size, 1 / self.rate)
        inside = (frequency > 1000) & (frequency < 8000)
        spectrum, frequency = np.fft.fft(part)[inside], frequency[inside]
        # A delay of s log2(f) is a phase of -2 pi s (f log2(f) - f / ln 2).
        phase = 2 * np.pi / 1000 * frequency * (np.log2(frequency / 1000) - 1 / np.log(2))
        size = 1 << int(np.ceil(np.log2(2 * spectrum.size)))
        slopes = np.arange(0.0, most_ms, _SMEAR_STEP_MS)
        slopes = np.concatenate([slopes[:1], slopes[4:], -slopes[4:]])
        peaks = [float(np.abs(np.fft.ifft(spectrum * np.exp(1j * phase * slope), size)).max())
                 for slope in slopes]
        best = int(np.argmax(peaks))
        return float(slopes[best]) if peaks[best] > 1.35 * peaks[0] else 0.0

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
        return np.asarray(inside @ (power / frequency) / (inside @ (1 / frequency)))

    def start_of_turns_ms(self, spacing_ms: float, turns: int) -> float:
        """Return about when the first turn's loudest sound arrives.

        The product of what lies the mains' turns apart is largest there; of two turns
        the fill's may come anywhere.
        """
        from scipy import ndimage, signal

        block = round(self.rate / 1000)
        loud = np.abs(impulse.in_blocks(self.highs, block)).max(axis=1)
        apart = round((turns - 1) * spacing_ms * self.rate / 1000 / block)
        wide = 25 if turns == 3 else 2 * round(0.3 * spacing_ms) + 1
        product = loud[: loud.size - apart] * ndimage.maximum_filter1d(loud, wide)[apart:]
        if turns == 3 and product.max() < 0.03 * np.max(loud) ** 2:
            alike = signal.correlate(loud**2, loud**2, method="fft")[loud.size - 1 :]
            least = round(0.3 * spacing_ms)
            apart_s = (least + int(np.argmax(alike[least:]))) / 1000
            raise CannotTellError("spacing", f"no two turns are {2 * spacing_ms / 1000:.3f} s "
                                  f"apart; the loudest two are {apart_s:.2f} s apart")
        start = self.time_ms(int(np.argmax(product)) * block)
        self._check_silence_around(start, spacing_ms, turns)
        return start

    def _check_silence_around(self, start_ms: float, spacing_ms: float, turns: int) -> None:
        """Refuse a take that plays on: which turn is whose would be a guess."""
        for turn, alike in ((-1, 1), (turns, turns - 2)):
            there, heard = (start_ms + each * spacing_ms for each in (turn, alike))
            least = max(impulse.NOISE_FACTOR * self.noise(heard),
                        0.5 * self.peak(heard - 0.3 * spacing_ms, heard + 0.3 * spacing_ms))
            if self.peak(there - 80, there + 80) > least:
                raise CannotTellError("more-turns", f"there are more turns than {turns}")

    def without(self, alone: Take) -> tuple[Take, Arrival, float]:
        """Return this take of both less the mains, their arrival alone, and its time in both.

        The air may have changed a little between the takes: the stretch that
        fits best is taken.
        """
        from scipy import fft

        first = alone.first_of_all("mains")
        start, early = alone.index(first.time_ms - 2), round(0.06 * alone.rate)
        part = alone.highs[start : start + round(AFTER_MS / 1000 * alone.rate)]
        energy = float(np.sum(np.abs(part[:early]) ** 2)) - early * alone.noise(first.time_ms) ** 2
        rough = round(_where(self.highs, part[:early], energy, slack=2 * GAIN_SLACK)[0])
        low = max(0, rough - 2 * early)
        near = self.highs[low : max(rough + 3 * early, low + early)]
        fits = [(*_where(near, _warped(part[: 2 * early], stretch)[:early], energy), stretch)
                for stretch in np.arange(-10, 11) * 5e-5]
        shift, strength, stretch = max(fits, key=lambda fit: fit[1])
        shift += low
        if abs(strength - 1) > GAIN_SLACK:
            raise CannotTellError("other-take", "the take of the mains alone does not fit the take "
                                  "of both")
        size = fft.next_fast_len(self.highs.size + part.size, real=False)
        turn = np.exp(-2j * np.pi * fft.fftfreq(size) * shift)
        mains = fft.ifft(fft.fft(_warped(part, stretch), size) * turn)[: self.highs.size]
        at_ms = first.time_ms + (shift - start) * 1000 / self.rate + alone.lead_ms - self.lead_ms
        return replace(self, highs=self.highs - mains), first, at_ms


Direct = tuple[Take, Arrival]
"""A direct sound and the take it was found in."""


def _warped(part: ComplexArray, stretch: float) -> ComplexArray:
    """Return `part` running faster by the share `stretch`, as in warmer air."""
    from scipy import signal

    fine = signal.resample_poly(part, 8, 1)
    return np.asarray(np.interp(8 * (1 + stretch) * np.arange(part.size), np.arange(fine.size),
                                fine))


def _where(
    both: ComplexArray, pattern: ComplexArray, energy: float, *, slack: float = GAIN_SLACK
) -> tuple[float, float]:
    """Return the shift at which `both` holds the pattern, in samples, and how strongly."""
    from scipy import signal

    match = signal.correlate(both, pattern, mode="full", method="fft") / energy
    # A strong fill matches better than the mains do, but not with their gain.
    like = np.where(np.abs(match.real - 1) < slack, match.real, 0.0)
    position, value = impulse.interpolated_peaks(match, np.array([np.argmax(like)]))
    return float(position[0]) - (pattern.size - 1), float(value[0].real)
