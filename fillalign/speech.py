"""Clarity and speech transmission from arrivals and exponential tails.

Inputs hold sources on the first axis: energies (n, ..., bands), arrival times
(n, ...), with seats or rows between. Each source's tail starts at its own
arrival and decays with the room's RT60, as in `fillalign.room`, so both agree.
Energies are relative: any common reference will do. No array holds sources,
octaves and modulation frequencies at once, so whole seat maps go in at once.

Clarity counts from the onset of the response, the first arrival within 20 dB of
the strongest, since that is how it is measured; what is useful to a listener
(`fillalign.field`) counts from the first arrival within 10 dB, which the ear follows.
The speech transmission index is that of IEC 60268-16:2011 (edition 4), male speech.
"""

from typing import Annotated, Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import FloatArray, as_float, check_choice, check_shapes, checked
from fillalign.levels import db_to_power, power_to_db
from fillalign.propagation import first_heard
from fillalign.room import DECAY_NEPERS, Rt60, early_share

__all__ = [
    "clarity_db",
    "direct_to_reverberant_db",
    "modulation_transfer",
    "speech_octave_levels_db",
    "speech_transmission_index",
]

MODULATION_HZ = (0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5)
STI_OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
STI_ALPHA = (0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173)
STI_BETA = (0.085, 0.078, 0.065, 0.011, 0.047, 0.095)
SPEECH_SPECTRA_DB = {
    "2011": (2.9, 2.9, -0.8, -6.8, -12.8, -18.8, -24.8),
    "2020": (-2.5, 0.5, 0.0, -6.0, -12.0, -18.0, -24.0),
}
"""Octave levels of male speech over its A-weighted total, by edition of IEC 60268-16.

From memory, as are the weights of the octaves, the reception threshold and the masking.
"""

RECEPTION_THRESHOLD_DB = (46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0)

_ONSET_DB = 20.0
_SNR_LIMIT_DB = 15.0


def as_energies(name: str, energy: ArrayLike) -> FloatArray:
    """Return checked energies, 0 or more, with sources on the first axis."""
    array = as_float(name, energy, low=0.0)
    if array.ndim == 0:
        raise ValueError(f"{name} must hold sources on its first axis, got a single number")
    return array


Energies = Annotated[Any, as_energies]
SpeechLevel = Annotated[Any, arg.Within("dB")]
Modulation = Annotated[Any, arg.Within("", 0.0, 1.0 + 1e-9)]


def _check_arrivals(direct: FloatArray, tail: FloatArray, time_ms: FloatArray) -> None:
    """Raise ValueError unless energies are (n, ..., bands) and times (n, ...)."""
    if not direct.ndim == tail.ndim == time_ms.ndim + 1:
        raise ValueError("direct and tail must have shape (n, ..., bands) and time_ms (n, ...), "
                         f"got {direct.shape}, {tail.shape} and {time_ms.shape}")
    check_shapes(direct=direct, tail=tail, time_ms=time_ms[..., np.newaxis])


def _ratio_db(upper: FloatArray, lower: FloatArray) -> Any:
    with np.errstate(divide="ignore", invalid="ignore"):
        return 10.0 * np.log10(np.divide(upper, lower))


@checked
def first_arrival_ms(direct: Energies, time_ms: arg.Ms) -> Any:
    """Return when a seat's first arrival comes, where the early window opens.

    Parameters
    ----------
    direct : array_like, shape (n, ..., bands)
        Direct energy of each source.
    time_ms : array_like, shape (n, ...)
        Arrival times in ms.

    Returns
    -------
    float or ndarray, shape (...)
        The first arrival heard (`fillalign.propagation.first_heard`) among those
        whose energy over all bands lies within 20 dB of the strongest (the onset
        rule of ISO 3382-1, Annex A, from memory), so that a muted or shadowed box
        opens no window.

    Examples
    --------
    >>> first_arrival_ms([[0.001], [1.0], [0.5]], [5.0, 20.0, 50.0])
    20.0
    """
    return first_heard(time_ms, power_to_db(direct.sum(axis=-1)), within_db=_ONSET_DB)[1]


@checked
def direct_to_reverberant_db(direct: Energies, tail: Energies) -> Any:
    """Return the direct-to-reverberant ratio of all sources together, in dB.

    Parameters
    ----------
    direct, tail : array_like, shape (n, ..., bands)
        Direct and reverberant energy of each source.

    Returns
    -------
    float or ndarray, shape (..., bands)
        Infinite without reverberation.

    Examples
    --------
    >>> float(direct_to_reverberant_db([[0.5], [0.5]], [[5.0], [5.0]])[0])
    -10.0
    """
    check_shapes(direct=direct, tail=tail)
    return _ratio_db(direct.sum(axis=0), tail.sum(axis=0))


@checked
def clarity_db(
    direct: Energies,
    time_ms: arg.Ms,
    tail: Energies,
    rt60_s: Rt60,
    *,
    early_ms: Annotated[float, arg.Within("ms", 0.0, 1000.0)] = 50.0,
) -> Any:
    """Return C50 (or C80 with `early_ms=80`): early over late energy, in dB.

    Parameters
    ----------
    direct, tail : array_like, shape (n, ..., bands)
        Direct and reverberant energy of each source.
    time_ms : array_like, shape (n, ...)
        Arrival times in ms, from any common zero.
    rt60_s : array_like, shape (bands,)
        Reverberation time in s; without effect where the tails are 0.
    early_ms : float
        Length of the early window in ms: 50 for speech, 80 for music. It opens at the
        seat's `first_arrival_ms`, and anything earlier counts as early.

    Returns
    -------
    float or ndarray, shape (..., bands)
        Infinite where nothing arrives late, nan where nothing arrives at all.

    Notes
    -----
    ISO 3382-1 eq. (A.10) applied to arrivals with the tails of `fillalign.room`.

    Examples
    --------
    >>> c50 = clarity_db([[1.0], [1.0]], [0.0, 60.0], [[0.0], [0.0]], [1.0])
    >>> float(c50[0])
    0.0
    """
    _check_arrivals(direct, tail, time_ms)
    gap = np.maximum(time_ms - first_arrival_ms(direct, time_ms), 0.0)[..., np.newaxis]
    share = early_share(rt60_s, early_ms=early_ms, gap_ms=gap)
    inside = gap <= early_ms
    early = (direct * inside).sum(axis=0) + (tail * share).sum(axis=0)
    late = (direct * ~inside).sum(axis=0) + (tail * (1.0 - share)).sum(axis=0)
    return _ratio_db(early, late)


@checked
def modulation_transfer(
    direct: Energies, time_ms: arg.Ms, tail: Energies, rt60_s: Rt60
) -> FloatArray:
    """Return how much of speech's modulation survives arrivals and tails.

    For the 14 modulation frequencies of the standard (`MODULATION_HZ`).

    Parameters
    ----------
    direct, time_ms, tail, rt60_s
        As in `clarity_db`.

    Returns
    -------
    ndarray, shape (..., bands, frequencies)
        0 to 1, without noise; 0 in a band without any energy.

    Notes
    -----
    |sum E_i e^(-jwt_i) + sum R_i e^(-jwt_i)/(1 + jwT/13.8)| / sum(E_i + R_i):
    the Fourier transform of the squared impulse response over its sum
    (Schroeder 1981, Acustica 49, 179-182), in closed form.

    Examples
    --------
    >>> m = modulation_transfer([[0.0]], [0.0], [[1.0]], [1.38])
    >>> round(float(m[0, MODULATION_HZ.index(1.0)]), 4)
    0.8467
    """
    _check_arrivals(direct, tail, time_ms)
    times, modulation = time_ms - time_ms.min(axis=0), np.array(MODULATION_HZ)
    arrived = modulated_energy(direct, times, tail, rt60_s, modulation)
    total = (direct + tail).sum(axis=0)[..., np.newaxis]
    return np.asarray(np.abs(arrived) / np.where(total > 0.0, total, 1.0))


def modulated_energy(
    direct: FloatArray,
    time_ms: FloatArray,
    tail: FloatArray,
    rt60_s: FloatArray,
    modulation_hz: FloatArray,
) -> Any:
    """Return the Fourier transform of the squared response, (..., bands, frequencies).

    It is linear in the energies, so what several sources send can be added.
    """
    waves = np.exp(-2j * np.pi / 1000.0 * modulation_hz * time_ms[..., np.newaxis])
    delay_s = np.atleast_1d(rt60_s)[:, np.newaxis] / DECAY_NEPERS
    sent, returned = (
        np.einsum("i...b,i...f->...bf", energy, waves) for energy in (direct, tail)
    )
    return sent + returned / (1.0 + 2j * np.pi * modulation_hz * delay_s)


@checked
def speech_octave_levels_db(level_dba: SpeechLevel, *, spectrum: str = "2011") -> FloatArray:
    """Return the octave levels of speech with a given A-weighted total.

    Parameters
    ----------
    level_dba : array_like
        A-weighted level of the speech in dB.
    spectrum : str
        Edition of IEC 60268-16 whose spectrum is used: '2011' or '2020'.

    Returns
    -------
    ndarray, shape (..., 7)
        Levels in dB, 125 Hz to 8 kHz.

    Examples
    --------
    >>> speech_octave_levels_db(70.0, spectrum="2020").tolist()
    [67.5, 70.5, 70.0, 64.0, 58.0, 52.0, 46.0]
    """
    edition = check_choice("spectrum", spectrum, tuple(SPEECH_SPECTRA_DB))
    return np.asarray(level_dba[..., np.newaxis] + np.array(SPEECH_SPECTRA_DB[edition]))


def _masking_db(level_db: FloatArray) -> FloatArray:
    ranges = [level_db < 63.0, level_db < 67.0, level_db < 100.0]
    slopes = [0.5 * level_db - 65.0, 1.8 * level_db - 146.9, 0.5 * level_db - 59.8]
    return np.asarray(np.select(ranges, slopes, -10.0))


@checked
def noise_factor(speech_db: arg.Level, noise_db: arg.Level | None = None) -> FloatArray:
    """Return what noise, masking and the threshold of hearing leave of modulation.

    Parameters
    ----------
    speech_db : array_like, shape (..., 7)
        Speech level at the seat, direct and reverberant, by octave in dB.
    noise_db : array_like, shape (..., 7), optional
        Background noise by octave in dB; None for none.

    Returns
    -------
    ndarray, shape (..., 7)
        S/(S + N + I_am + I_rt): a fraction of the modulation of every
        frequency, holding the noise once.

    Notes
    -----
    IEC 60268-16:2011 (from memory): masking by the octave below depends on that
    octave's level with the noise in it; reception threshold by octave.

    Examples
    --------
    >>> noise_factor([60.0] * 7, [60.0] * 7).round(3).tolist()
    [0.49, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5]
    """
    if speech_db.shape[-1:] != (len(STI_OCTAVES_HZ),):
        raise ValueError(f"speech_db must hold the 7 octaves 125 Hz to 8 kHz on its last axis, "
                         f"got shape {speech_db.shape}")
    check_shapes(speech_db=speech_db, noise_db=0.0 if noise_db is None else noise_db)
    speech = db_to_power(speech_db)
    sound = speech if noise_db is None else speech + db_to_power(noise_db)
    below = sound[..., :-1]
    masking = np.zeros_like(sound)
    masking[..., 1:] = below * db_to_power(_masking_db(power_to_db(below)))
    return np.asarray(speech / (sound + masking + db_to_power(RECEPTION_THRESHOLD_DB)))


@checked
def speech_transmission_index(
    modulation: Modulation, *, speech_db: arg.Level | None = None, noise_db: arg.Level | None = None
) -> Any:
    """Return the speech transmission index, indirect method, male speech.

    Parameters
    ----------
    modulation : array_like, shape (..., 7, frequencies)
        From `modulation_transfer` for the octaves 125 Hz to 8 kHz, 0 to 1.
    speech_db, noise_db : array_like, shape (..., 7), optional
        Levels at the seat, as in `noise_factor`. Without `speech_db` noise,
        masking and threshold are left out.

    Returns
    -------
    float or ndarray, shape (...)
        0 (nothing understood) to 1.

    Raises
    ------
    ValueError
        If there are not 7 octaves, a modulation lies outside 0 to 1, or noise
        is given without speech.

    Notes
    -----
    IEC 60268-16:2011 (from memory): m to an effective signal-to-noise ratio within
    15 dB, its mean over modulation frequencies, octaves weighed by alpha less
    beta times the geometric mean of neighbours.

    Examples
    --------
    >>> round(speech_transmission_index([[0.5] * 14] * 7), 3)
    0.5
    """
    m = modulation
    if m.shape[-2:-1] != (len(STI_OCTAVES_HZ),):
        raise ValueError(f"modulation must hold the 7 octaves 125 Hz to 8 kHz on its last axis "
                         f"but one, got shape {m.shape}")
    if speech_db is not None:
        m = m * noise_factor(speech_db, noise_db)[..., np.newaxis]
    elif noise_db is not None:
        raise ValueError("noise_db needs speech_db beside it: noise counts by its ratio to speech")
    # A ratio of modulation m to noise of 1 - m, within 15 dB.
    edge = 1.0 / (1.0 + db_to_power(_SNR_LIMIT_DB))
    kept = np.clip(m, edge, 1.0 - edge)
    index = 0.5 + 10.0 * np.log10(kept / (1.0 - kept)) / (2.0 * _SNR_LIMIT_DB)
    band = index.mean(axis=-1)
    shared = np.sqrt(band[..., :-1] * band[..., 1:])
    return np.minimum(band @ np.array(STI_ALPHA) - shared @ np.array(STI_BETA), 1.0)
