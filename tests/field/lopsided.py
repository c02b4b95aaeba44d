"""A venue in which nothing is alike, and its sound by brute force.

Every element is placed, every path walked and every frequency summed here. Only laws that
have tests of their own (absorption, off-axis angles, the pattern of a box, the power that
it radiates, A-weighting) are taken from the library.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from scipy import signal

from fillalign import (
    Air,
    Area,
    Goals,
    Loudspeaker,
    Output,
    OutputSettings,
    Room,
    Source,
    State,
    Venue,
    absorption_db_per_m,
)
from fillalign.absorption import THIRDS_HZ, band_edges_hz
from fillalign.filters import shelf_response
from fillalign.levels import a_weighting_db
from fillalign.loudspeakers import (
    array_radiated_power,
    box_directivity,
    directivity_factor,
    off_axis_angles,
)

OCTAVES = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
OFF = -np.inf
LOW, HIGH = band_edges_hz(THIRDS_HZ)
A_WEIGHTS = 10 ** (a_weighting_db(THIRDS_HZ) / 10)
DIALLED = {
    "House": OutputSettings(delay_ms=1.7, trim_db=-1.5, low_cut_hz=70.0, shelf_db=2.0),
    "Low": OutputSettings(delay_ms=3.3, trim_db=2.0),
    "Near": OutputSettings(delay_ms=38.9, trim_db=-4.5, low_cut_hz=118.0, low_cut_order=2,
                           low_cut_kind="butterworth", shelf_db=3.5, shelf_hz=3150.0),
    "Late": OutputSettings(delay_ms=61.0, trim_db=-2.5, low_cut_hz=160.0, polarity="inverted"),
}


def lopsided(*, outdoors=False, measured=()):
    """Return the venue: a curved array and a horn on one output, a sub, two kinds of fills."""
    decay = {
        "check": dict(zip(OCTAVES, (2.9, 2.7, 2.4, 2.2, 2.0, 1.8, 1.4, 1.0, 0.7), strict=True)),
        "show": dict(zip(OCTAVES, (2.3, 2.0, 1.7, 1.4, 1.3, 1.2, 1.0, 0.8, 0.5), strict=True)),
    }
    return Venue(
        name="Crooked Barn",
        programme="speech",
        states={
            "check": State("check", Air(11.0, 34.0, 98.2), 2.5, -70.0,
                           {} if outdoors else decay["check"]),
            "show": State("show", Air(26.0, 63.0, 99.7), 4.5, 35.0,
                          {} if outdoors else decay["show"]),
        },
        loudspeakers={
            "hang": Loudspeaker("hang", (95, 25), 128.0, level_dba=104.0, low_limit_hz=55.0,
                                control_hz=900.0, elements=5, spacing_m=0.37,
                                splay_deg=(1.0, 4.0, 7.0, 11.0)),
            "horn": Loudspeaker("horn", (65, 40), 120.0, level_dba=97.0, low_limit_hz=92.0,
                                control_hz=650.0, rear_floor_db=-15.0),
            "tub": Loudspeaker("tub", (300, 300), 118.0, low_limit_hz=35.0, control_hz=70.0,
                               level_by_octave_db={63: 106.0, 125: 99.0, 250: 71.0}),
            "spot": Loudspeaker("spot", (110, 60), 112.0, level_dba=90.0, low_limit_hz=120.0),
        },
        outputs={
            "House": Output("House", "mono", "console, 1", latency_ms=2.1),
            "Low": Output("Low", "mono", "console, 2", latency_ms=0.8),
            "Near": Output("Near", "left", "amplifier 3", latency_ms=5.4),
            "Late": Output("Late", "mono", "amplifier 4", latency_ms=6.9),
        },
        sources=(
            Source("Hang", "main", "House", "hang", (0.4, 5.6, 7.1), (17.0, 1.5, 1.3)),
            Source("Horn", "main", "House", "horn", (-0.7, -6.3, 4.4), (13.0, -4.0, 1.2)),
            Source("Tub", "sub", "Low", "tub", (1.1, -2.2, 0.4), (9.0, -2.2, 0.4)),
            Source("Spot", "fill", "Near", "spot", (18.3, 4.1, 4.0), (25.0, 5.0, 2.6),
                   kind="delay", covers=("gallery",)),
            Source("Late one", "fill", "Late", "spot", (19.2, -5.2, 3.7), (26.0, -3.9, 2.7),
                   kind="delay", covers=("gallery", "pit")),
            Source("Late two", "fill", "Late", "horn", (4.0, -8.4, 2.9), (11.0, -9.0, 1.0),
                   kind="delay", covers=("pit",)),
        ),
        areas=(
            Area("floor", 5.0, 16.5, -7.5, 8.5, row_spacing_m=2.9, seat_spacing_m=4.1),
            Area("gallery", 20.5, 29.0, -6.5, 7.0, row_spacing_m=2.7, seat_spacing_m=4.3,
                 floor_m=1.4, rake_deg=6.0, ear_height_m=1.27, shadowed_from=("mains",),
                 shadow_loss_db=dict(zip(OCTAVES, (1, 2, 3, 5, 7, 9, 10, 11, 13), strict=True))),
            Area("pit", 7.0, 12.0, -11.0, -8.2, row_spacing_m=2.5, seat_spacing_m=1.9,
                 floor_m=-0.6, shadowed_from=("Hang", "Late one"),
                 shadow_loss_db=dict.fromkeys(OCTAVES, 4.0)),
        ),
        goals=Goals(noise_db=dict(zip(OCTAVES, (50, 47, 44, 42, 40, 38, 36, 34, 32),
                                      strict=True))),
        room=None if outdoors else Room(-3.0, 32.0, 24.0, 9.0, 6100.0),
        measured=tuple(measured),
    )


def thirds(by_octave, missing=0.0):
    return np.repeat([float(by_octave.get(octave, missing)) for octave in OCTAVES], 3)


def placed(venue, source):
    """Return the elements' centres and axes, one hung below the other."""
    box = venue.loudspeakers[source.loudspeaker]
    start, (x, y, z) = np.array(source.position_m), np.subtract(source.aim_m, source.position_m)
    level = np.array([x, y, 0.0]) / np.hypot(x, y)
    tilts = np.arctan2(-z, np.hypot(x, y)) + np.radians(np.cumsum([0.0, *box.splay_deg]))
    places = [start]
    for above, below in pairwise(tilts):
        lean = (above + below) / 2
        step = -np.sin(lean) * level - np.cos(lean) * np.array([0.0, 0.0, 1.0])
        places.append(places[-1] + box.spacing_m * step)
    return places, [np.cos(t) * level - np.sin(t) * np.array([0.0, 0.0, 1.0]) for t in tilts]


def level_1m_db(box):
    """Pink noise through a Butterworth high-pass of fourth order, scaled to its A-weighted level.

    Common practice for vented boxes; by octave where the box says so.
    """
    if box.level_by_octave_db:
        return thirds(box.level_by_octave_db, OFF) - 10 * np.log10(3)
    b, a = signal.butter(4, 2 * np.pi * box.low_limit_hz, "high", analog=True)
    shape = 20 * np.log10(np.abs(signal.freqs(b, a, 2 * np.pi * THIRDS_HZ)[1]))
    return shape + box.level_dba - 10 * np.log10((10 ** (shape / 10) * A_WEIGHTS).sum())


def inside(band, count):
    """Return frequencies evenly spread over a third octave."""
    return LOW[band] + (np.arange(count) + 0.5) / count * (HIGH[band] - LOW[band])


def pattern(box, place, axis, point):
    """Return pressure towards a point over that on the axis, by third octave."""
    theta, phi = off_axis_angles(place, place + axis, point)
    return box_directivity(theta, phi, *box.coverage_deg, frequency_hz=THIRDS_HZ,
                           control_hz=box.control_hz, rear_floor_db=box.rear_floor_db)


def element_1m(venue, source, air):
    """Return each element's pressure at 1 m that gives the array its level at its aim point."""
    box = venue.loudspeakers[source.loudspeaker]
    level = 10 ** (level_1m_db(box) / 20)
    if box.elements == 1:
        return level
    aim, (places, axes) = np.array(source.aim_m), placed(venue, source)
    away = np.array([np.linalg.norm(aim - place) for place in places])
    size = np.array([pattern(box, *one, aim) for one in zip(places, axes, strict=True)])
    brought = []
    for band in range(27):
        turn = np.exp(-2j * np.pi * np.outer(inside(band, 2000), away / air.speed_m_s))
        brought.append((np.abs(turn @ (size[:, band] / away)) ** 2).mean())
    return level / np.sqrt(brought) / away[0]


@dataclass(frozen=True)
class Waves:
    """What the elements e of one source bring to n seats by third octave, at trim 0."""

    amplitude: np.ndarray
    time_ms: np.ndarray
    middle_m: np.ndarray
    tail_at_10m: np.ndarray


@cache
def _loss(air):
    return absorption_db_per_m(THIRDS_HZ, air.temperature_c, air.humidity_pct, air.pressure_kpa)


def waves(venue, source, seats, state, air=None):
    """Walk every path from a source, the wind blowing along it or not."""
    air = air or state.air
    box, (places, axes) = venue.loudspeakers[source.loudspeaker], placed(venue, source)
    at_1m = element_1m(venue, source, air)
    blows = np.radians(state.wind_towards_deg)
    wind = state.wind_m_s * np.array([np.cos(blows), np.sin(blows), 0.0])
    amplitude = np.empty((len(places), len(seats), 27))
    time_ms = np.empty((len(places), len(seats)))
    for e, (place, axis) in enumerate(zip(places, axes, strict=True)):
        for n, (point, number) in enumerate(zip(seats.points_m, seats.area, strict=True)):
            path = point - place
            away = np.linalg.norm(path)
            time_ms[e, n] = 1000 * away / (air.speed_m_s + wind @ path / away)
            heard = pattern(box, place, axis, point) * at_1m / away
            heard = heard * 10 ** (-_loss(air) * away / 20)
            words = venue.areas[number].shadowed_from if number >= 0 else ()
            if source.name in words or (source.role == "main" and "mains" in words):
                heard = heard * 10 ** (-thirds(venue.areas[number].shadow_loss_db) / 20)
            amplitude[e, n] = heard
    if len(places) == 1:
        share = 1 / directivity_factor(
            *box.coverage_deg, frequency_hz=THIRDS_HZ, control_hz=box.control_hz,
            rear_floor_db=box.rear_floor_db)
    else:
        share = array_radiated_power(
            np.array(places), np.array(axes), THIRDS_HZ, air.speed_m_s, *box.coverage_deg,
            control_hz=box.control_hz, rear_floor_db=box.rear_floor_db)
    return Waves(amplitude, time_ms, np.mean(places, axis=0), at_1m**2 * share / 100)


def response(own, frequency_hz):
    """Return the complex response of an output: scipy's low cut, shelf, polarity and trim."""
    total = np.full(frequency_hz.shape, 10 ** (own.trim_db / 20), complex)
    if own.low_cut_hz:
        twice = own.low_cut_kind == "linkwitz-riley"
        b, a = signal.butter(own.low_cut_order // (2 if twice else 1),
                             2 * np.pi * own.low_cut_hz, "high", analog=True)
        once = signal.freqs(b, a, 2 * np.pi * frequency_hz)[1]
        total *= once * once if twice else once
    if own.shelf_db:
        total *= shelf_response(frequency_hz, own.shelf_hz, own.shelf_db)
    return -total if own.polarity == "inverted" else total


def walked(venue, seats, state, air=None):
    """Return the waves of every source."""
    return {source: waves(venue, source, seats, state, air) for source in venue.sources}


def direct_power(venue, settings, sounding, heard, *, count=400):
    """Return the power of outputs together, (n, 27): dense in frequency, feeds by power."""
    total = 0.0
    for feed in {output.feed for output in venue.outputs.values()}:
        parts = [(wave, settings[source.output], venue.outputs[source.output].latency_ms)
                 for source, wave in heard.items()
                 if source.output in sounding and venue.outputs[source.output].feed == feed]
        total = total + (np.stack([together(parts, band, count) for band in range(27)], axis=-1)
                         if parts else 0.0)
    return total


def together(parts, band, count=400):
    """Return the mean power over a third octave of sources on one feed, (n,)."""
    frequency, pressure = inside(band, count), 0.0
    for wave, own, latency_ms in parts:
        late_s = (wave.time_ms + own.delay_ms + latency_ms)[..., None] / 1000
        turned = np.exp(-2j * np.pi * frequency * late_s) * response(own, frequency)
        pressure = pressure + np.einsum("en,enf->nf", wave.amplitude[..., band], turned)
    return (np.abs(pressure) ** 2).mean(axis=1)


def dba(power):
    with np.errstate(divide="ignore"):
        return 10 * np.log10(power @ A_WEIGHTS)


def first_within_10_db(time, level):
    """Return the earliest of some arrivals (first axis) within 10 dB of the loudest."""
    return np.where(level >= level.max(axis=0) - 10.0, time, np.inf).min(axis=0)


def serving_ms(wave):
    """Return the time of the element that is loudest at each seat."""
    loudest = dba(wave.amplitude**2).argmax(axis=0)
    return wave.time_ms[loudest, np.arange(loudest.size)]


def arrivals_ms(venue, settings, heard):
    """Return the arrival of each output, (o, n): its first box that counts."""
    plain = dict.fromkeys(venue.outputs, OutputSettings())
    level = {source: dba(direct_power(venue, plain, [source.output], {source: wave}))
             for source, wave in heard.items()}
    return np.array([
        first_within_10_db(
            np.array([serving_ms(heard[source]) for source in heard if source.output == name]),
            np.array([level[source] for source in heard if source.output == name]),
        ) + settings[name].delay_ms + output.latency_ms
        for name, output in venue.outputs.items()
    ])


def to_seats(heard, which):
    return {source: Waves(wave.amplitude[:, which], wave.time_ms[:, which], wave.middle_m,
                          wave.tail_at_10m) for source, wave in heard.items()}


def levels(venue, settings, sounding, seats, state, heard):
    """Return direct, useful and total power (n, 27) of some outputs.

    The early window opens once, at the first arrival within 10 dB of the loudest. Tails by
    Barron and Lee 1988 at each source's own distance: (31200 T/V) e^(-0.04 r/T) over the
    direct sound at 10 m, of which 1 - e^(-13.8 t/T) comes in what the window has left.
    """
    arrival = dict(zip(venue.outputs, arrivals_ms(venue, settings, heard), strict=True))
    alone = [dba(direct_power(venue, settings, [name], heard)) for name in sounding]
    first = first_within_10_db(np.array([arrival[name] for name in sounding]), np.array(alone))
    soon = [tuple(name for name in sounding if arrival[name][seat] - first[seat] <= 50.0)
            for seat in range(len(seats))]
    total = direct = direct_power(venue, settings, sounding, heard)
    useful = np.empty_like(direct)
    for names in set(soon):
        here = [seat for seat in range(len(seats)) if soon[seat] == names]
        useful[here] = direct_power(venue, settings, names, to_seats(heard, here))
    for source, wave in heard.items() if venue.room else ():
        if source.output in sounding:
            own, output = settings[source.output], venue.outputs[source.output]
            start = serving_ms(wave) + own.delay_ms + output.latency_ms - first
            tail, early = tails(venue, wave, own, seats, state, start)
            useful, total = useful + early, total + tail
    return direct, useful, total


def tails(venue, wave, own, seats, state, start_ms):
    """Return the tail of one source and its early part, (n, 27) each."""
    rt60 = thirds(state.rt60_s)
    size = np.array([(np.abs(response(own, inside(band, 400))) ** 2).mean() for band in range(27)])
    away = np.linalg.norm(seats.points_m - wave.middle_m, axis=1)[:, None]
    tail = 31200 * rt60 / venue.room.volume_m3 * np.exp(-0.04 * away / rt60)
    tail = tail * wave.tail_at_10m * size
    left_s = np.clip(50.0 - start_ms, 0.0, 50.0)[:, None] / 1000
    return tail, tail * (1 - np.exp(-13.8 * left_s / rt60))
