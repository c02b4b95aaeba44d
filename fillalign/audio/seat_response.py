"""The impulse response from the console to a seat: direct sounds and the room's tail.

Put together from the same paths, levels and room model as the maps, so that
what is heard is what is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fillalign._validate import FloatArray, as_air
from fillalign.absorption import OCTAVES_HZ, THIRDS_HZ, band_edges_hz
from fillalign.air import Air
from fillalign.field import (
    Elements,
    Paths,
    Seats,
    Settings,
    arrival_shift_ms,
    measured_shifts_db,
    trace_elements,
    trace_paths,
)
from fillalign.filters import apply_filters, design_low_cut, design_shelf
from fillalign.levels import db_to_amplitude, db_to_power, pink_band_levels_db, power_to_db
from fillalign.room import DECAY_NEPERS, reverberant_energy
from fillalign.venue import Venue

NOMINAL_DBFS = -26.0
"""A-weighted level of a signal that drives every box at its file's level, dB re rms 1."""

_LEAD_S = 0.1
_AFTER_S = 0.25


def loss_db_per_m(frequency_hz: FloatArray, air: Air) -> FloatArray:
    """Return the absorption in dB/m from 0 Hz up, without a warning for the lows."""
    # Below 4e-4 Hz/Pa, 40 Hz at sea level, the standard is silent and the loss nil.
    lowest = 0.4 * as_air(air).pressure_kpa
    share = np.minimum(frequency_hz / lowest, 1.0) ** 2
    return np.asarray(share * air.absorption_db_per_m(np.maximum(frequency_hz, lowest)))


def _curve(frequency_hz: FloatArray, band_power: FloatArray) -> FloatArray:
    """Return a smooth magnitude whose mean over each third is the band's amplitude.

    Straight lines in dB over the logarithm of frequency; below 50 Hz the lowest
    band's fall goes on, above 20 kHz the curve ends at half the sample rate.
    """
    level = power_to_db(np.maximum(band_power, 1e-30))
    node = np.arange(-1.0, level.size + 1.0)
    spread = node[1:-1, None] + np.linspace(-0.5, 0.5, 9)
    value = np.pad(level, 1, mode="edge")
    for _ in range(6):
        value[0] = value[1] - max(value[2] - value[1], 0.0)
        value[-1] = value[-2]
        mean = np.mean(db_to_power(np.interp(spread, node, value)), axis=1)
        value[1:-1] += level - power_to_db(mean)
    place = 10 * np.log10(np.maximum(frequency_hz, 1.0) / THIRDS_HZ[0])
    fall = max(float(value[1] - value[0]), 0.0) * np.minimum(place + 1.0, 0.0)
    nyquist = frequency_hz[-1]
    last = min(float(THIRDS_HZ[-1]) * 10**0.05, 0.9 * nyquist)
    fade = np.cos(np.pi / 2 * np.clip((frequency_hz - last) / (nyquist - last), 0, 1)) ** 2
    return np.asarray(db_to_amplitude(np.interp(place, node, value) + fall) * fade)


@dataclass(frozen=True)
class Scene:
    """One seat, the settings and the time axis that its responses share.

    Sample `lead` of a response is when the signal enters; `dry_size` samples
    hold the direct sound and `size` the tail as well; `drive` (b,) turns pressures of
    pink noise into gains. `elements` are those of every source, `shift` (o, b) what
    measured levels make of their amplitudes.
    """

    venue: Venue
    paths: Paths
    settings: Settings
    air: Air
    rate: float
    lead: int
    dry_size: int
    size: int
    later_ms: FloatArray
    drive: FloatArray
    elements: tuple[Elements, ...]
    shift: FloatArray

    def time(self, output: int, travel_ms: FloatArray) -> FloatArray:
        """Return arrivals of one output in samples of the response."""
        return np.asarray((travel_ms + self.later_ms[output]) * self.rate / 1000 + self.lead)

    def filtered(self, output: int, response: FloatArray) -> FloatArray:
        """Run a response through an output's low cut, shelf, trim and polarity."""
        own = self.settings[list(self.venue.outputs)[output]]
        if own.low_cut_hz is not None:
            order, kind = own.low_cut_order, own.low_cut_kind
            cut = design_low_cut(own.low_cut_hz, self.rate, order=order, kind=kind)
            response = apply_filters(response, cut)
        if own.shelf_db:
            shelf = design_shelf(own.shelf_hz, self.rate, own.shelf_db)
            response = apply_filters(response, shelf)
        sign = -1.0 if own.polarity == "inverted" else 1.0
        return np.asarray(sign * db_to_amplitude(own.trim_db) * response)


def make_scene(
    venue: Venue, seat: Seats, settings: Settings, state: str, air: Air, rate: float, ring_s: float
) -> Scene:
    """Trace the paths to one seat and lay out a time axis that holds `ring_s` of decay."""
    from scipy import fft

    where = venue.states[state]
    elements = tuple(trace_elements(venue, source, seat, where, air) for source in venue.sources)
    later = np.array(list(arrival_shift_ms(venue, settings).values()))
    lead = round(_LEAD_S * rate)
    last_s = float(later.max() + max(one.time_ms.max() for one in elements)) / 1000
    dry, size = (
        fft.next_fast_len(2 * lead + int((last_s + ring + _AFTER_S) * rate), real=True)
        for ring in (0.0, ring_s)
    )
    return Scene(
        venue, trace_paths(venue, seat, where, air), settings, air, rate, lead, dry, size, later,
        drive=np.asarray(db_to_amplitude(-pink_band_levels_db(NOMINAL_DBFS, THIRDS_HZ))),
        elements=elements,
        shift=np.asarray(db_to_amplitude(measured_shifts_db(venue))),
    )


def _direct(scene: Scene, outputs: list[int]) -> FloatArray:
    """Return the direct sound: level, pattern, air and arrival of every element."""
    from scipy import fft

    frequency = fft.rfftfreq(scene.dry_size, 1 / scene.rate)
    loss = loss_db_per_m(frequency, scene.air)
    at_bands = loss_db_per_m(THIRDS_HZ, scene.air)
    sound = np.zeros(scene.size)
    for output in outputs:
        spectrum = np.zeros(frequency.size, dtype=complex)
        for source in np.flatnonzero(scene.paths.source_output == output):
            found, gain = scene.elements[source], scene.drive * scene.shift[output]
            for amplitude, length, time in zip(
                found.amplitude[:, 0], found.length_m[:, 0], found.time_ms[:, 0], strict=True
            ):
                away = max(length, 0.5)
                # The bands' own air comes off so that the exact curve can be put on; what
                # it takes by more than 600 dB stays silent.
                given_back = db_to_amplitude(np.minimum(at_bands * away, 600.0))
                size = _curve(frequency, (amplitude * given_back * gain) ** 2)
                size *= db_to_amplitude(-loss * away)
                late = scene.time(output, time) / scene.rate
                spectrum += size * np.exp(-2j * np.pi * late * frequency)
        # What rings ahead of the first sample comes round to the end: cut it off.
        own = fft.irfft(spectrum, scene.dry_size)[: -scene.lead]
        sound[: own.size] += scene.filtered(output, own)
    return sound


def _octave_masks(frequency_hz: FloatArray) -> FloatArray:
    """Return nine band passes that add up to 1, (octaves, frequencies)."""
    place = np.clip(10 / 3 * np.log10(np.maximum(frequency_hz, 1.0) / OCTAVES_HZ[0]), 0, 8)
    # Crossings a third of an octave wide at the octaves' edges.
    edges = np.arange(9)[:, None] - 0.5
    risen = np.sin(np.pi / 2 * np.clip((place - edges) * 3 + 0.5, 0, 1)) ** 2
    risen[0] = 1.0
    return np.asarray(risen - np.pad(risen[1:], ((0, 1), (0, 0))))


def _tail_powers(scene: Scene, output: int, rt60_s: FloatArray) -> FloatArray:
    """Return the power gain of one output's whole tail, by source and third."""
    own = scene.paths.source_output == output
    volume = scene.venue.room.volume_m3 if scene.venue.room else np.inf
    energy = reverberant_energy(scene.paths.distance_m[own, 0, None], rt60_s[::3], volume)
    powers = scene.paths.tail_power[own] * np.repeat(energy, 3, axis=1)
    return np.asarray(powers * scene.drive**2)


def _tail(scene: Scene, outputs: list[int], rt60_s: FloatArray, seed: int) -> FloatArray:
    """Return noise that dies away in each octave from each source's arrival on."""
    from scipy import fft

    pace = DECAY_NEPERS / (rt60_s[::3] * scene.rate)
    length = fft.next_fast_len(scene.size - scene.lead, real=True)
    frequency = fft.rfftfreq(length, 1 / scene.rate)
    # Single precision, 140 dB below the noise itself, takes half the time.
    masks = _octave_masks(frequency).astype(np.float32)
    time = np.arange(length)
    decays = [np.exp(-rate / 2 * time).astype(np.float32) for rate in pace]
    sound = np.zeros(scene.size)
    for output in outputs:
        powers = _tail_powers(scene, output, rt60_s)
        own = scene.paths.source_output == output
        start = np.round(scene.time(output, scene.paths.serving_ms[own, 0])).astype(int)
        order, first = np.argsort(start), int(start.min())
        lags, count = start[order] - first, scene.size - first
        noise = np.random.default_rng([seed, output]).standard_normal(length, dtype=np.float32)
        carrier = fft.rfft(noise) * _curve(frequency, powers.sum(axis=0)).astype(np.float32)
        by_octave = powers.reshape(len(powers), 9, 3).sum(axis=2)
        # An octave that no box of the output plays has no shares.
        by_octave = by_octave / np.maximum(by_octave.sum(axis=0), 1e-300)
        tail = np.zeros(scene.size)
        for octave, mask in enumerate(masks):
            grown = np.cumsum(by_octave[order, octave] * np.exp(pace[octave] * lags))
            steps = np.sqrt(grown * -np.expm1(-pace[octave])).astype(np.float32)
            band = fft.irfft(carrier * mask, length)[:count] * decays[octave][:count]
            tail[first:] += band * np.repeat(steps, np.diff([*lags, count]))
        sound += scene.filtered(output, tail)
    return sound


def _band_means(power: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """Return the mean of a power gain over each third for pink noise (27,)."""
    low, high = band_edges_hz(THIRDS_HZ)
    edges = np.searchsorted(frequency_hz, [*low, high[-1]])
    pink = 1 / np.maximum(frequency_hz, 1.0)
    sums = [np.concatenate([[0.0], np.cumsum(each)])[edges] for each in (power * pink, pink)]
    return np.asarray(np.diff(sums[0]) / np.maximum(np.diff(sums[1]), 1e-30))


def _wanted_powers(scene: Scene, output: int, rt60_s: FloatArray) -> FloatArray:
    """Return the power gain of one output's tail behind its filters and trim, by third."""
    from scipy import fft

    click = np.zeros(scene.size)
    click[0] = 1.0
    gain = np.abs(fft.rfft(scene.filtered(output, click))) ** 2
    means = _band_means(gain, fft.rfftfreq(scene.size, 1 / scene.rate))
    return np.asarray(_tail_powers(scene, output, rt60_s).sum(axis=0) * means)


def _levelled_tail(
    scene: Scene, direct: FloatArray, tail: FloatArray, wanted: FloatArray | float
) -> FloatArray:
    """Return the tail with the band powers of the room model beside this direct sound.

    One stretch of noise is louder or softer than the mean of many, by 3 dB in
    the lows, and adds to the direct sound or takes from it.
    """
    from scipy import fft

    frequency = fft.rfftfreq(scene.size, 1 / scene.rate)
    dry, wet = fft.rfft(direct), fft.rfft(tail)
    for _ in range(3):
        own = np.maximum(_band_means(np.abs(wet) ** 2, frequency), 1e-30)
        common = _band_means((wet * np.conj(dry)).real, frequency)
        gain = (np.sqrt(common**2 + own * wanted) - common) / own
        wet = wet * _curve(frequency, np.clip(gain, 0.25, 4.0) ** 2)
    return np.asarray(fft.irfft(wet, scene.size))


def seat_response(
    scene: Scene, chosen: list[str], rt60_s: FloatArray | None, seed: int
) -> FloatArray:
    """Return the response from console to seat, `lead` samples ahead."""
    names = list(scene.venue.outputs)
    outputs = [names.index(n) for n in chosen if scene.settings[n].trim_db > -np.inf]
    direct = _direct(scene, outputs)
    if rt60_s is None:
        return direct
    tail = _tail(scene, outputs, rt60_s, seed)
    wanted = sum(_wanted_powers(scene, output, rt60_s) for output in outputs)
    return direct + _levelled_tail(scene, direct, tail, wanted)
