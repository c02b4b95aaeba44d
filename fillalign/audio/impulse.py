"""From a recording to an impulse response, and from that to arrivals.

Times are read from the envelope above 1 kHz, where a direct sound is a pulse
of a tenth of a millisecond, by band-limited interpolation between samples.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fillalign._validate import ComplexArray, FloatArray, as_mono, as_number, as_rate
from fillalign.levels import amplitude_to_db, db_to_amplitude

READ_ABOVE_HZ = 1000.0
# A local peak of noise passes this many times its rms about once in 1e14 samples.
NOISE_FACTOR = 8.0
_SMOOTH_HZ = 30.0
_REACH = 16  # samples on either side that an interpolated value draws on
_FINE = np.arange(-16, 17) / 16
Number = TypeVar("Number", np.float64, np.complex128)


@dataclass(frozen=True)
class Arrival:
    """One sound that reached the microphone.

    `time_ms` counts from the start of the response, `level_db` is its peak
    re full scale of the response, `phase_deg` the phase at the peak of the
    envelope (0 upright, 180 inverted), `confidence` the chance (0 to 1) that
    noise alone would not have made it.
    """

    time_ms: float
    level_db: float
    phase_deg: float
    confidence: float

    @property
    def polarity(self) -> int:
        """1 upright, -1 inverted, 0 where the phase lies between the two."""
        cosine = np.cos(np.radians(self.phase_deg))
        return int(np.sign(cosine)) if abs(cosine) > 0.4 else 0


def band_taper(frequency_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Return 1 inside the band, falling to 0 over its outer octaves without ringing."""
    up = np.clip(frequency_hz / low_hz - 1, 0, 1)
    down = np.clip(2 - 2 * frequency_hz / high_hz, 0, 1)
    return np.asarray(np.sin(np.pi / 2 * up) ** 2 * np.sin(np.pi / 2 * down) ** 2)


def in_blocks(samples: NDArray[Number], size: int) -> NDArray[Number]:
    """Return samples cut into blocks (n, size) without what is left over; into one if few."""
    count = max(1, samples.size // size)
    return samples[: count * size].reshape(count, -1)


def resampled(samples: FloatArray, size: int) -> FloatArray:
    """Return the same sound in so many samples, by its spectrum."""
    if size == samples.size:
        return samples
    spectrum = np.fft.rfft(samples)[: min(size, samples.size) // 2 + 1]
    return np.asarray(np.fft.irfft(spectrum, size) * (size / samples.size))


def impulse_response(
    recording: ArrayLike, signal: ArrayLike, sample_rate_hz: float, *, lead_ms: float = 0.0
) -> FloatArray:
    """Return the response that turns `signal` into `recording`.

    Parameters
    ----------
    recording : array_like, shape (n,)
        What the microphone took.
    signal : array_like, shape (m,)
        What was played: a sweep, clicks, noise or known programme.
    sample_rate_hz : float
        Of both, 8000 to 192000 Hz.
    lead_ms : float
        How much of the response before time zero to put in front.

    Returns
    -------
    ndarray, shape (n + lead,)
        Sample k is the response k / sample_rate_hz after the start, less the lead.

    Raises
    ------
    TypeError, ValueError
        If an argument is not numbers, of a wrong shape or silent.

    Notes
    -----
    Deconvolution as Farina 2000 (AES preprint 5093), by division of spectra
    with the signal's power spectrum smoothed over some 30 Hz and regularised, so that
    clicks and noise are read by the same formula; confined to the signal's own band.

    Examples
    --------
    >>> signal = np.random.default_rng(1).standard_normal(4800)
    >>> heard = np.concatenate([np.zeros(100), 0.5 * signal, np.zeros(1000)])
    >>> int(np.argmax(impulse_response(heard, signal, 48000)))
    100
    """
    from scipy import fft, ndimage

    heard, played = as_mono("recording", recording, least=2), as_mono("signal", signal, least=2)
    rate = as_rate(sample_rate_hz)
    lead = round(as_number("lead_ms", lead_ms, "ms", low=0, high=61000) * rate / 1000)
    if not played.any():
        raise ValueError("signal must not be silent")
    size = fft.next_fast_len(heard.size + max(played.size, lead), real=True)
    frequency = np.arange(size // 2 + 1) * rate / size
    spectrum = fft.rfft(played, size)
    reach = 1 + round(_SMOOTH_HZ * size / rate)
    power = ndimage.uniform_filter1d(np.abs(spectrum) ** 2, reach)
    # Twice, or the ripple of a train of clicks would leave echoes of its own.
    power = ndimage.uniform_filter1d(power, reach)
    inside = np.flatnonzero(power > 1e-4 * power.max())
    taper = band_taper(frequency, max(frequency[inside[0]], 5.0), frequency[inside[-1]])
    inverse = taper * np.conj(spectrum) / (power + 1e-5 * power.max())
    response = fft.irfft(fft.rfft(heard, size) * inverse, size)
    return np.concatenate([response[size - lead :], response[: heard.size]])


def analytic_highs(response: FloatArray, sample_rate_hz: float) -> ComplexArray:
    """Return the analytic signal of `response` above 1 kHz."""
    from scipy import fft

    # Mirrored and faded ends, or the jump at a cut would pass for an arrival.
    pad = min(round(0.01 * sample_rate_hz), response.size - 1)
    fade = np.sin(np.pi / 2 * np.arange(pad) / pad) ** 2
    longer = np.pad(response, pad, mode="reflect")
    longer[:pad] *= fade
    longer[longer.size - pad :] *= fade[::-1]
    size = fft.next_fast_len(longer.size, real=False)
    frequency = np.arange(size) * sample_rate_hz / size
    rise = np.clip(frequency / READ_ABOVE_HZ * 2 - 1, 0, 1)
    # Interpolation between samples needs the last tenth below half the sample rate free.
    fall = np.clip(4.5 - 10 * frequency / sample_rate_hz, 0, 1)
    weight = 2 * np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2
    analytic: ComplexArray = fft.ifft(fft.fft(longer, size) * weight)
    return analytic[pad : pad + response.size]


def noise_rms(envelope: FloatArray, sample_rate_hz: float) -> float:
    """Return the rms of the quietest fifth of 5 ms blocks."""
    blocks = in_blocks(envelope, max(8, round(0.005 * sample_rate_hz)))
    return float(np.sqrt(np.quantile(np.mean(blocks**2, axis=1), 0.2)))


def interpolated_peaks(
    analytic: ComplexArray, peaks: NDArray[np.intp]
) -> tuple[FloatArray, ComplexArray]:
    """Return the position in samples and the value of each local peak."""
    padded = np.pad(analytic, _REACH)
    taps = np.arange(-_REACH, _REACH + 1)
    window = np.cos(np.pi / 2 * taps / (_REACH + 1)) ** 2
    kernel = np.sinc(_FINE[:, None] - taps) * window
    values = padded[peaks[:, None] + _REACH + taps] @ kernel.T
    size = np.abs(values)
    best = np.clip(np.argmax(size, axis=1), 1, _FINE.size - 2)
    row = np.arange(peaks.size)
    left, top, right = (size[row, best + shift] for shift in (-1, 0, 1))
    bend = left - 2 * top + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1.0), 0.0)
    return peaks + _FINE[best] + np.clip(shift, -1, 1) / 16, values[row, best]


def arrivals_in(
    analytic: ComplexArray, sample_rate_hz: float, noise: float, *, range_db: float,
    separation_ms: float = 0.3
) -> tuple[Arrival, ...]:
    """Return the arrivals of an analytic response, in order of time."""
    from scipy import ndimage

    envelope = np.abs(analytic)
    floor = max(NOISE_FACTOR * noise, float(envelope.max()) * db_to_amplitude(-range_db))
    reach = max(3, 2 * round(separation_ms * sample_rate_hz / 1000) + 1)
    top = ndimage.maximum_filter1d(envelope, reach)
    peaks = np.flatnonzero((envelope == top) & (envelope >= floor) & (envelope > 0))
    position, value = interpolated_peaks(analytic, peaks)
    ratio = np.minimum(np.abs(value) / max(noise, 1e-300), 27.0)
    # Rayleigh envelope: the chance that none of as many samples of noise is as high.
    confidence = np.exp(analytic.size * np.log1p(-np.exp(-(ratio**2))))
    told = (position * 1000 / sample_rate_hz, amplitude_to_db(np.abs(value)),
            np.degrees(np.angle(value)), confidence)
    return tuple(Arrival(*row) for row in np.stack(told, axis=1).tolist())


def find_arrivals(
    response: ArrayLike, sample_rate_hz: float, *, range_db: float = 20.0,
    separation_ms: float = 0.3,
) -> tuple[Arrival, ...]:
    """Return every arrival in an impulse response, in order of time.

    Parameters
    ----------
    response : array_like, shape (n,)
        From `impulse_response`.
    sample_rate_hz : float
        8000 to 192000 Hz.
    range_db : float
        How far below the strongest an arrival may lie, 1 to 60 dB (ISO 3382-1
        reads the start of a response at 20 dB, from memory).
    separation_ms : float
        Of arrivals closer than this only the stronger is told, 0.1 to 50 ms.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Examples
    --------
    >>> response = np.zeros(4800)
    >>> response[[1000, 1480]] = 1.0, -0.5
    >>> [(round(a.time_ms, 2), a.polarity) for a in find_arrivals(response, 48000)]
    [(20.83, 1), (30.83, -1)]
    """
    mono = as_mono("response", response, least=2)
    rate = as_rate(sample_rate_hz)
    below = as_number("range_db", range_db, "dB", low=1, high=60)
    apart = as_number("separation_ms", separation_ms, "ms", low=0.1, high=50)
    analytic = analytic_highs(mono, rate)
    noise = noise_rms(np.abs(analytic), rate)
    return arrivals_in(analytic, rate, noise, range_db=below, separation_ms=apart)


def time_difference_ms(
    first: ArrayLike, second: ArrayLike, sample_rate_hz: float, *, max_ms: float = 200.0
) -> Arrival:
    """Return how much later the first arrival in `second` comes than in `first`, for programme.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        Two channels of one recording: the desk's feed and the microphone. What
        `first` holds must be free of the room: echoes in it pass for arrivals.
    sample_rate_hz : float
        8000 to 192000 Hz.
    max_ms : float
        Largest difference to look for, either way, 1 to 1000 ms.

    Returns
    -------
    Arrival
        `time_ms` is the difference: of the first arrival that is no more than 12 dB
        below the strongest. A `confidence` of 0 means that nothing stands out: not to be
        used.

    Raises
    ------
    TypeError, ValueError
        If an argument is not numbers, of a wrong shape or silent.

    Notes
    -----
    Generalised cross-correlation with the phase transform (Knapp and Carter
    1976, IEEE Trans. ASSP-24(4), 320-327), the magnitude of `second` averaged
    over 1 kHz.

    Examples
    --------
    >>> speech = np.random.default_rng(1).standard_normal(48000)
    >>> difference = time_difference_ms(speech[480:], speech[:-480], 48000)
    >>> round(difference.time_ms, 3), round(difference.confidence, 3)
    (10.0, 1.0)
    """
    from scipy import fft, ndimage

    a, b = as_mono("first", first, least=2), as_mono("second", second, least=2)
    rate = as_rate(sample_rate_hz)
    reach = round(as_number("max_ms", max_ms, "ms", low=1, high=1000) * rate / 1000)
    if not (a.any() and b.any()):
        raise ValueError("first and second must not be silent")
    size = fft.next_fast_len(a.size + b.size + 2 * reach, real=True)
    sent, heard = fft.rfft(a, size), fft.rfft(b, size)
    frequency = np.arange(sent.size) * rate / size
    # The room's own comb must stay, or its mirror image would come ahead of the direct sound.
    broad, narrow = (ndimage.uniform_filter1d(np.abs(heard), 1 + round(width * size / rate))
                     for width in (1000.0, _SMOOTH_HZ))
    strength = np.abs(sent) * np.maximum(broad, narrow / 4)
    inside = band_taper(frequency, 200.0, 0.9 * rate / 2) * (strength > 1e-12 * strength.max())
    whitened = inside * np.conj(sent) * heard / np.maximum(strength, 1e-300)
    correlation = fft.irfft(whitened, size)
    lags = np.concatenate([correlation[size - reach :], correlation[: reach + 1]])
    analytic = analytic_highs(lags, rate)
    noise = float(np.sqrt(np.median(np.abs(analytic) ** 2) / np.log(2)))
    found = arrivals_in(analytic, rate, noise, range_db=12.0)
    if not found:
        found = tuple(replace(strongest, confidence=0.0)
                      for strongest in arrivals_in(analytic, rate, 0.0, range_db=0.0))
    return replace(found[0], time_ms=found[0].time_ms - reach * 1000 / rate)
