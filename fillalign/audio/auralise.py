"""What a seat hears, as audio: every loudspeaker's sound as it arrives there.

Belongs to the lessons with something to hear; `fillalign.audio.seat_response` holds
the response that the signal runs through. A path's air and delay alone are
exact in the frequency domain.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._text import listed, quoted
from fillalign._validate import FloatArray
from fillalign.air import Air
from fillalign.audio.scene import make_scene
from fillalign.audio.seat_response import seat_response
from fillalign.audio.spectra import loss_db_per_m
from fillalign.field import Seats, Settings, output_roles, place_among_seats
from fillalign.levels import amplitude_to_db, db_to_amplitude
from fillalign.planning import FillPlan
from fillalign.venue import OutputSettings, StateName, Venue, as_venue

REFERENCE_DB = 140.0
"""Sound pressure level in dB of a rendering with an rms of 1, unless told otherwise."""

# Air is known to 10 km; no seat is so far from a box.
FARTHEST_M = 5000.0
_LONGEST_M = 1000.0
_HALF_MS = 21.0
_MARGIN = 2048
_EARS = ("one", "two")
_GROUPS = {"mains": ("main", "sub"), "fill": ("fill",), "all": ("main", "sub", "fill")}


def _sounding(venue: Venue, outputs: str | Collection[str]) -> list[str]:
    """Return the outputs asked for by group, by name or as a collection of names."""
    roles = output_roles(venue)
    if isinstance(outputs, str) and outputs in _GROUPS:
        chosen = [name for name, role in roles.items() if role in _GROUPS[outputs]]
    else:
        chosen = [outputs] if isinstance(outputs, str) else list(outputs)
    unknown = [name for name in chosen if name not in roles]
    if unknown or not chosen:
        raise ValueError(
            f"outputs must be all, mains, fill or some of {listed(roles)}, got {quoted(outputs)}"
        )
    return chosen


def _seat(venue: Venue, seat_m: ArrayLike) -> Seats:
    """Return one ear position, with the shadow of the area whose seats it is among."""
    point = arg.as_points("seat_m", seat_m)
    if point.ndim != 1:
        raise ValueError(f"seat_m must be one point x, y, z in m, got shape {point.shape}")
    boxes = np.array([source.position_m for source in venue.sources])
    away = float(np.linalg.norm(boxes - point, axis=1).max())
    if away > FARTHEST_M:
        raise ValueError(f"seat_m must lie within {FARTHEST_M:g} m of every loudspeaker, "
                         f"got {away:.0f} m")
    return place_among_seats(venue, point)


def _scaled(heard: FloatArray, reference_db: float | None) -> FloatArray:
    """Return pressures re 20 uPa as samples below full scale."""
    given = REFERENCE_DB if reference_db is None else reference_db
    full_scale = arg.as_number("reference_db", given, "dB", low=0.0, high=250.0)
    peak_db = float(amplitude_to_db(np.abs(heard).max()))
    if peak_db > full_scale:
        raise ValueError(
            f"the rendering peaks at {peak_db:.1f} dB, above full scale: reference_db must be "
            f"more than {full_scale:g}"
        )
    return np.asarray(heard * db_to_amplitude(-full_scale))


def render_seat(
    venue_or_plan: Venue | FillPlan,
    signal: ArrayLike,
    seat_m: ArrayLike,
    *,
    sample_rate_hz: float = 48000.0,
    outputs: str | Collection[str] = "all",
    settings: Mapping[str, OutputSettings] | None = None,
    air: Air | None = None,
    state: StateName = "show",
    tail: bool = True,
    seed: int = 0,
    ears: Literal["one", "two"] = "one",
    reference_db: float | None = None,
) -> FloatArray:
    """Return what a seat hears of one signal sent to every output.

    Each element of each loudspeaker with its delay, level, pattern, air, low
    cut, shelf and polarity, and in a room its first reflections and a tail that
    dies away by octave. Levels are absolute, so renderings of several seats, settings or
    outputs compare; a lower `reference_db`, the same for all, makes them louder to play.

    Parameters
    ----------
    venue_or_plan : Venue or FillPlan
        A venue (outputs rest at trim 0 and the hold-back) or a plan with its
        settings and air.
    signal : array_like, shape (n,)
        One channel, full scale at 1. With an A-weighted level of -26 dB (rms
        0.05) it drives every box at the level that its file states.
    seat_m : array_like, shape (3,)
        Ear position in m. Among an area's seats it lies in that area's shadow.
    sample_rate_hz : float
        8000 to 192000 Hz.
    outputs : str or collection of str
        `"all"`, `"mains"` (with subs), `"fill"` (every fill), or names.
    settings : mapping of str to OutputSettings, optional
        By output, instead of the plan's or the resting ones.
    air : Air, optional
        Air instead of the plan's or the state's.
    state : {"show", "check"}
        Whose wind and reverberation, and air where a plan or `air` gives none.
    tail : bool
        Whether to add the room's reflections and tail; outdoors there are none.
    seed : int
        Of the tail's noise; the same seed gives the same samples.
    ears : {"one", "two"}
        One microphone, or both ears of a head that looks at the middle of the mains,
        for headphones: sound comes from where its box hangs.
    reference_db : float, optional
        Sound pressure level in dB of a rendering with an rms of 1; 140 by default.

    Returns
    -------
    ndarray, shape (m,) or (m, 2)
        Left and right ear, if two. Sample 0 is when the signal enters the console:
        latency, delay and travel come first. Longer than the signal by these, by
        0.25 s and by the longest RT60.

    Raises
    ------
    TypeError
        If a number is not one.
    ValueError
        If the signal is not one channel, an output, the state or a setting is
        not known, the seat lies over 5 km from a loudspeaker, or the rendering
        would not fit below full scale.

    Notes
    -----
    One signal on every feed: left and right add by phase here, by power in
    `seat_field`. Each box has the phase of its own colour and rings only after its
    arrival; patterns and air carry none, as in the maps.

    In a room, the loudest of the reflections off one wall or two of its box come
    first (image sources, the walls' absorption by Eyring's formula from the
    reverberation time), and a tail of one noise for each output from its sources'
    arrivals on. Both together have the early and the late power of Barron and Lee,
    levelled by third octave.

    Two ears are those of a KEMAR manikin (W. G. Gardner and K. D. Martin 1994, MIT
    Media Lab, Technical Report 280), by the horizontal direction with the same
    difference between the ears, relative to sound from everywhere: in a tail both
    have the level of one microphone.

    Examples
    --------
    >>> from fillalign import read_demo_venue
    >>> from fillalign.audio import read_demo_sound
    >>> hall = read_demo_venue("tidewell_hall")
    >>> voice = read_demo_sound("voice", sample_rate_hz=48000).samples
    >>> seat = [34.0, 2.5, 1.2]
    >>> alone, both = (render_seat(hall, voice, seat, outputs=o) for o in ("mains", "all"))
    >>> round(float(20 * np.log10(both.std() / alone.std())))
    9
    """
    from scipy.signal import oaconvolve

    samples, rate = arg.as_mono("signal", signal), arg.as_rate(sample_rate_hz)
    arg.check_flag("tail", tail)
    plan = venue_or_plan if isinstance(venue_or_plan, FillPlan) else None
    venue = as_venue(plan.venue if plan else venue_or_plan)
    where = venue.states[arg.check_choice("state", state, tuple(venue.states))]
    chosen = _sounding(venue, outputs)
    if settings is not None:
        arg.check_type("settings", settings, Mapping)
    full = Settings(venue, {**(plan.settings if plan else {}), **(settings or {})})
    if air is None:
        air = plan.air if plan is not None and state == "show" else where.air
    start, head = arg.as_whole("seed", seed), arg.check_choice("ears", ears, _EARS) == "two"
    scene = make_scene(venue, _seat(venue, seat_m), full, state, air, rate, tail=tail, head=head)
    response = seat_response(scene, chosen, start)[:, : -scene.lead]
    heard = oaconvolve(samples[None], response, axes=1)[:, scene.lead :]
    return _scaled(heard.T if head else heard[0], reference_db)


def air_filter(distance_m: float, air: Air, sample_rate_hz: float = 48000.0) -> FloatArray:
    """Return the taps that take from a signal what so much air takes.

    Parameters
    ----------
    distance_m : float
        Length of the path, 0 to 1000 m.
    air : Air
        The air on the path.
    sample_rate_hz : float
        8000 to 192000 Hz.

    Returns
    -------
    ndarray, shape (2 m + 1,)
        Symmetric taps: the filter is linear in phase and delays by m samples.
        ``np.convolve(signal, taps, mode="same")`` has no delay.

    Raises
    ------
    TypeError, ValueError
        If a number is not one, or out of its range.

    Notes
    -----
    The curve is ISO 9613-1:1993, eq. (5), at every frequency, not by bands; it
    is kept to 0.2 dB wherever less than 60 dB is lost. Travel time is no part
    of it, nor is dispersion: by the standard's own relaxations highs run ahead
    of the lows by 0.02 ms in 100 m, 0.1 ms in very dry air.

    Examples
    --------
    >>> taps = air_filter(50.0, Air(20.0, 50.0))
    >>> gain = abs(np.fft.rfft(taps, 48000))
    >>> [round(float(20 * np.log10(gain[hz])), 1) for hz in (1000, 8000)]
    [-0.2, -5.3]
    """
    length = arg.as_number("distance_m", distance_m, "m", low=0.0, high=_LONGEST_M)
    rate = arg.as_rate(sample_rate_hz)
    half = round(_HALF_MS * rate / 1000.0)
    frequency = np.arange(2 * half + 1) * rate / (4 * half)
    taps = np.fft.irfft(db_to_amplitude(-length * loss_db_per_m(frequency, air)))
    return np.concatenate([taps[-half:], taps[: half + 1]])
