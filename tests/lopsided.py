"""A venue in which nothing is like anything else, and the same sums by brute force.

Tests that stand on a symmetric hall let errors through that cancel in it. This open barn
has wind, two states unlike each other, feeds left, right and mono, short arrays that look
askew, a sub, a fill that clocks at 96 kHz, another that comes late in the early window,
readings that disagree, a raked floor, and an area with an allowed fall of its own.

`Place` works out what reaches seats in a second way: every element on a dense grid of
frequencies, added as complex numbers. It reads the records of a venue and calls none of
the package's physics; formulas are its own, from the sources named beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from types import SimpleNamespace

import numpy as np

from fillalign import (
    Air,
    Area,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    OutputSettings,
    Room,
    Source,
    State,
    Survey,
    Venue,
)

OCTAVES = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)


def mirrored(point):
    """Return a point with left and right swapped."""
    return point[0], -point[1], point[2]


def lopsided_barn(*, mirror=False, **goals):
    """Return the barn; mirrored left to right if asked (the wind turns as well)."""
    at, turn = (mirrored, -1.0) if mirror else (tuple, 1.0)

    def decay(*seconds):
        return dict(zip(OCTAVES, seconds, strict=True))

    def source(name, role, output, box, position, aim, **fields):
        return Source(name, role, output, box, at(position), at(aim), **fields)

    def area(name, x_from, x_to, y_from, y_to, **fields):
        y_from, y_to = sorted((turn * y_from, turn * y_to))
        return Area(name, x_from, x_to, y_from, y_to, **fields)

    states = {
        "check": State("check", Air(11.0, 72.0, 96.2), 2.5, turn * 160.0,
                       decay(2.3, 1.9, 1.6, 1.5, 1.4, 1.2, 0.9, 0.7, 0.5)),
        "show": State("show", Air(25.0, 38.0, 96.2), 6.0, turn * 35.0,
                      decay(1.4, 1.2, 1.0, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4)),
    }
    boxes = (
        Loudspeaker("short array", (95, 18), 126.0, level_dba=101.0, low_limit_hz=75.0,
                    control_hz=650.0, rear_floor_db=-14.0, elements=4, spacing_m=0.34,
                    splay_deg=(2.0, 5.0, 9.0)),
        Loudspeaker("sub", (360, 360), 125.0, level_by_octave_db={63: 110.0, 125: 104.0},
                    low_limit_hz=35.0),
        Loudspeaker("side box", (80, 55), 116.0, level_dba=93.0, low_limit_hz=90.0),
        Loudspeaker("gallery box", (110, 70), 112.0, low_limit_hz=110.0, control_hz=1100.0,
                    rear_floor_db=-12.0, level_by_octave_db=dict(zip(
                        OCTAVES, (62, 74, 80, 82, 81, 79, 76, 71, 60), strict=True))),
    )
    outputs = (
        Output("Left", "left", "console", latency_ms=2.3),
        Output("Right", "right", "console", latency_ms=3.4, locked={"trim_db": -3.0}),
        Output("Sub", "mono", "console", latency_ms=1.1, locked={"trim_db": -3.0}),
        Output("Side", "left", "amplifier", latency_ms=4.7, delay_step_ms=0.25,
               sample_rate_hz=96000.0, polarity="inverted",
               low_cut_kinds=("butterworth", "linkwitz-riley"), low_cut_orders=(2, 4)),
        Output("Gallery", "mono", "processor", latency_ms=7.9, low_cut_kinds=("butterworth",),
               low_cut_orders=(3,), locked={"delay_ms": 110.0, "low_cut_hz": 140.0,
                                            "shelf_db": -2.0}),
    )
    return Venue(
        name="Lopsided Barn",
        programme="speech",
        states=states,
        room=Room(-3.0, 42.0, 19.0, 9.0, 7400.0),
        loudspeakers={box.name: box for box in boxes},
        outputs={output.name: output for output in outputs},
        sources=(
            source("Array L", "main", "Left", "short array", (0.0, 5.2, 7.4), (19.0, 1.5, 1.6)),
            source("Array R", "main", "Right", "short array", (0.7, -6.3, 7.0), (16.0, -4.0, 1.5)),
            source("Sub C", "sub", "Sub", "sub", (0.4, -1.5, 0.6), (10.0, -1.0, 0.6)),
            source("Side 1", "fill", "Side", "side box", (18.5, 6.6, 4.3), (26.0, 4.0, 2.0),
                   kind="delay", covers=("rear",)),
            source("Side 2", "fill", "Side", "side box", (20.5, -1.9, 4.6), (28.0, -2.0, 2.2),
                   kind="delay", covers=("rear",)),
            source("Gallery 1", "fill", "Gallery", "gallery box", (29.5, 1.0, 7.9),
                   (41.0, -1.2, 8.0), kind="under-balcony", covers=("gallery",)),
        ),
        areas=(
            area("front", 4.0, 16.0, -7.0, 6.0, row_spacing_m=2.0, seat_spacing_m=3.1),
            area("rear", 20.0, 30.0, -5.0, 7.5, row_spacing_m=1.0, seat_spacing_m=2.9,
                 floor_m=0.3, rake_deg=6.0),
            area("gallery", 33.0, 37.5, -6.0, 5.0, row_spacing_m=1.5, seat_spacing_m=2.6,
                 floor_m=3.6, rake_deg=17.0, ear_height_m=1.6, allowed_fall_db=9.3,
                 shadowed_from=("Array R",),
                 shadow_loss_db=decay(0.0, 0.0, 0.5, 1.5, 3.5, 5.5, 7.7, 9.7, 11.7)),
        ),
        goals=Goals(**{"allowed_fall_db": 9.5, "reference_rows_m": (8.0, 12.0),
                       "reference_dba": 82.0, "image_margin_ms": 10.0, "highs_loss_db": 9.0,
                       **goals}),
        hold_back_ms=6.5,
        stage_microphone_m=at((-1.2, 0.8, 1.7)),
        measured=(
            Measured("Left", at((9.0, 2.0, 1.5)), "check", level_dba=80.1),
            Measured("Left", at((26.0, 3.0, 2.2)), "show", level_dba=75.1),
            Measured("Side", at((24.0, 5.0, 1.9)), "check", by_octave_db={250: 75.0, 1000: 71.0}),
        ),
        weather_c=(6.0, 16.0, 27.0),
        survey=Survey(laser_m=0.03, thermometer_c=1.5, hygrometer_pct=7.0, latency_ms=0.25),
    )


# Bands and the grid -----------------------------------------------------------------------

BANDS_HZ = 10.0 ** (np.arange(17, 44) / 10)
_EDGES_HZ = 10.0 ** (np.arange(16.5, 44) / 10)
# Wide enough a grid for arrivals 40 ms apart to turn less than half a turn a step.
_COUNTS = np.maximum(16, np.ceil(np.diff(_EDGES_HZ) * 0.1)).astype(int)
_STARTS = np.cumsum(_COUNTS) - _COUNTS
BAND = np.repeat(np.arange(27), _COUNTS)
GRID_HZ = np.concatenate([low + (high - low) * (np.arange(count) + 0.5) / count
                          for (low, high), count in zip(pairwise(_EDGES_HZ), _COUNTS,
                                                        strict=True)])


def band_means(values):
    """Mean over the grid in each band."""
    return np.add.reduceat(values, _STARTS, axis=-1) / _COUNTS


def _weights(f):
    """Return A and C as power (IEC 61672-1, annex E: poles at 20.6, 107.7, 737.9, 12194 Hz)."""
    c = f**2 / ((f**2 + 20.598997**2) * (f**2 + 12194.217**2))
    a = c * f**2 / np.sqrt((f**2 + 107.65265**2) * (f**2 + 737.86223**2))
    return a**2, c**2


A, C = (weight / at_1k for weight, at_1k in zip(_weights(BANDS_HZ), _weights(1000.0), strict=True))


def db(power):
    """Level of a power in dB."""
    with np.errstate(divide="ignore"):
        return 10 * np.log10(power)


def by_bands(octaves, missing=0.0):
    """Spread a mapping of octaves over the third octaves."""
    return np.repeat([octaves.get(octave, missing) for octave in OCTAVES], 3)


# Air --------------------------------------------------------------------------------------


def saturation_pa(t):
    """Saturation pressure of water in Pa (Davis 1992, Metrologia 29, A1.1)."""
    k = t + 273.15
    return np.exp(1.2378847e-5 * k**2 - 1.9121316e-2 * k + 33.93711047 - 6343.1645 / k)


def speed_m_s(t, humidity, kpa):
    """Speed of sound (Cramer 1993, J. Acoust. Soc. Am. 93, table III), 400 ppm of CO2."""
    p, x_c = 1000 * kpa, 0.0004
    x_w = humidity / 100 * (1.00062 + 3.14e-8 * p + 5.6e-7 * t**2) * saturation_pa(t) / p
    return (331.5024 + 0.603055 * t - 0.000528 * t**2
            + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * x_w
            + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
            + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * x_c
            - 2.835149 * x_w**2 - 2.15e-13 * p**2 + 29.179762 * x_c**2
            + 0.000486 * x_w * p * x_c)


def loss_db_per_m(f, t, humidity, kpa):
    """Absorption of air (ISO 9613-1:1993, eqs 3 to 5 and annex B)."""
    k, p = t + 273.15, kpa / 101.325
    h = humidity * 10 ** (-6.8346 * (273.16 / k) ** 1.261 + 4.6151) / p
    r = k / 293.15
    oxygen = p * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = p * r**-0.5 * (9 + 280 * h * np.exp(-4.170 * (r ** (-1 / 3) - 1)))
    return 8.686 * f**2 * (
        1.84e-11 / p * r**0.5
        + r**-2.5 * (0.01275 * np.exp(-2239.1 / k) / (oxygen + f**2 / oxygen)
                     + 0.1068 * np.exp(-3352.0 / k) / (nitrogen + f**2 / nitrogen)))


def speed_in(air):
    """Speed of sound in an air."""
    return speed_m_s(air.temperature_c, air.humidity_pct, air.pressure_kpa)


def at_constant_vapour(air, t):
    """Return humidity and speed of an air warmed or cooled with its water kept."""
    humidity = min(air.humidity_pct * saturation_pa(air.temperature_c) / saturation_pa(t), 100.0)
    return humidity, speed_m_s(t, humidity, air.pressure_kpa)


# Boxes ------------------------------------------------------------------------------------


def frame(axis):
    """Return the unit vectors to the right of a box and up from it."""
    right = np.cross(axis, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    return right, np.cross(right, axis)


def _exponent(coverage_deg, widening):
    """Return m of D^2 = ((1 + cos theta)/2)^(2 m), 6 dB down at half the widened coverage.

    From 240 degrees on the power law that touches the exact exponent there.
    """
    def exact(degrees):
        return -0.15 * np.log(10) / np.log(np.cos(np.radians(degrees) / 4))

    wide, knee = coverage_deg * widening, 240.0
    slope = np.pi / np.sqrt(3) / np.log(2)
    return np.where(wide <= knee, exact(np.minimum(wide, knee)),
                    exact(knee) * (np.maximum(wide, knee) / knee) ** -slope)


def pattern(box, axis, rays):
    """Amplitude of a box towards unit vectors (n, 3) by band, (n, 27)."""
    across, upright = box.coverage_deg
    if across == 360:
        return np.ones((len(rays), 27))
    right, up = frame(axis)
    widening = np.maximum(box.control_hz / BANDS_HZ, 1.0)
    aside, above = rays @ right, rays @ up
    sine2 = (above**2 / np.maximum(aside**2 + above**2, 1e-30))[:, None]
    m = _exponent(across, widening) * (1 - sine2) + _exponent(upright, widening) * sine2
    mean = np.sqrt(across * upright)
    opens = max(mean, 180.0)
    x = np.clip((mean * widening - opens) / (360 - opens), 0, 1)
    rear = 10 ** (box.rear_floor_db * (1 - (3 * x**2 - 2 * x**3)) / 10)
    family = np.maximum((1 + rays @ axis)[:, None] / 2, 1e-12) ** (2 * m)
    return np.sqrt((1 - rear) * family + rear)


def elements(source, box):
    """Return places and axes of the elements, hung below each other, a joint leaning half way."""
    place = np.array(source.position_m, dtype=float)
    axis = np.subtract(source.aim_m, place)
    level = axis * [1, 1, 0] / np.hypot(axis[0], axis[1])
    tilt = np.arctan2(-axis[2], np.hypot(axis[0], axis[1]))
    places, tilts = [place], [tilt]
    for splay in np.broadcast_to(box.splay_deg or 0.0, box.elements - 1):
        tilts.append(tilts[-1] + np.radians(splay))
        lean = (tilts[-1] + tilts[-2]) / 2
        places.append(places[-1] - box.spacing_m * (np.sin(lean) * level + [0, 0, np.cos(lean)]))
    return np.array(places), np.array([np.cos(t) * level - [0, 0, np.sin(t)] for t in tilts])


def level_1m_db(box):
    """Band levels of pink noise on the axis; falling by a fourth-order Butterworth's power."""
    if box.level_by_octave_db:
        return by_bands(box.level_by_octave_db, -np.inf) - 10 * np.log10(3)
    bands = -db(1 + (box.low_limit_hz / BANDS_HZ) ** 8)
    return bands + box.level_dba - db(10 ** (bands / 10) @ A)


@cache
def radiated(box_key, speed, places, axes):
    """Mean power over the sphere by band, over that of an omnidirectional element."""
    box = Loudspeaker("any", box_key[0], 100.0, level_dba=90.0, control_hz=box_key[1],
                      rear_floor_db=box_key[2], low_limit_hz=20.0)
    node, share = np.polynomial.legendre.leggauss(300 if len(places) > 1 else 120)
    turn = 2 * np.pi * np.arange(180) / 180
    flat = np.sqrt(1 - node**2)
    rays = np.stack([np.outer(flat, np.cos(turn)), np.outer(flat, np.sin(turn)),
                     np.outer(node, np.ones(180))], axis=-1).reshape(-1, 3)
    total = sum(pattern(box, np.array(axis), rays)
                * np.exp(2j * np.pi * BANDS_HZ / speed * (rays @ np.subtract(place, places[0])
                                                          )[:, None])
                for place, axis in zip(places, axes, strict=True))
    return np.repeat(share / 360, 180) @ np.abs(total) ** 2


def response(own: OutputSettings):
    """Response of polarity and filters on the grid, from the prototypes' poles."""
    total = np.full(GRID_HZ.size, -1.0 if own.polarity == "inverted" else 1.0, complex)
    if own.low_cut_hz is not None:
        order = own.low_cut_order if own.low_cut_kind == "butterworth" else own.low_cut_order // 2
        s = 1j * GRID_HZ / own.low_cut_hz
        poles = np.exp(1j * np.pi * (0.5 + (np.arange(order) + 0.5) / order))
        once = s**order / np.prod([s - pole for pole in poles], axis=0)
        total *= once if own.low_cut_kind == "butterworth" else once**2
    if own.shelf_db:
        # High shelf of slope 1 (Bristow-Johnson, audio-EQ cookbook).
        s, a = 1j * GRID_HZ / own.shelf_hz, 10 ** (own.shelf_db / 40)
        total *= a * (a * s**2 + np.sqrt(2 * a) * s + 1) / (s**2 + np.sqrt(2 * a) * s + a)
    return total


# What reaches seats -----------------------------------------------------------------------


def first(time, level):
    """Return which arrival (of k) is the earliest within 10 dB of the loudest, and when."""
    counts = np.where(level >= level.max(axis=0) - 10, time, np.inf)
    return counts.argmin(axis=0), counts.min(axis=0)


@dataclass
class Path:
    """One source at seats n, nothing dialled: its sound on the grid, and its loudest element."""

    wave: np.ndarray
    level_dba: np.ndarray
    length_m: np.ndarray
    wind_m_s: np.ndarray
    time_ms: np.ndarray
    middle_m: np.ndarray
    tail: np.ndarray


def _hides(area, source):
    """Whether an area lies in the shadow of a source."""
    return source.name in area.shadowed_from or (
        source.role == "main" and "mains" in area.shadowed_from)


class Place:
    """Some points of a venue in one of its states."""

    def __init__(self, venue, state, points_m, areas=None, air=None, shift_db=None):
        self.venue, self.state = venue, venue.states[state]
        self.air = air or self.state.air
        self.speed = speed_in(self.air)
        self.points = np.asarray(points_m, dtype=float)
        self.areas = np.array(areas if areas is not None else [""] * len(self.points))
        shift_db = shift_db or {}
        self.paths = [self._path(source, shift_db.get(source.output, np.zeros(27)))
                      for source in venue.sources]

    def _path(self, source, shift_db):
        box = self.venue.loudspeakers[source.loudspeaker]
        places, axes = elements(source, box)
        at_1m = 10 ** ((level_1m_db(box) + shift_db) / 20)
        if box.elements > 1:
            at_1m = at_1m / self._reach(source, box, places, axes)
        towards = np.radians(self.state.wind_towards_deg)
        blows = self.state.wind_m_s * np.array([np.cos(towards), np.sin(towards), 0.0])
        corner = self._corner(source)
        way = np.where(np.isfinite(corner), corner, self.points) - places[:, None]
        length = np.linalg.norm(way, axis=2)
        wind = way @ blows / length
        time_s = length / (self.speed + wind)
        on = np.where(np.isfinite(corner), self.points - corner, 0.0)
        rest = np.linalg.norm(on, axis=1)
        time_s = time_s + rest / (self.speed + on @ blows / np.maximum(rest, 1e-9))
        toward, length = way / length[..., None], length + rest
        air = 10 ** (-loss_db_per_m(BANDS_HZ, self.air.temperature_c, self.air.humidity_pct,
                                    self.air.pressure_kpa) * length[..., None] / 20)
        size = at_1m * air / length[..., None] * self._shadow(source)
        size *= [pattern(box, axis, one) for axis, one in zip(axes, toward, strict=True)]
        loudest = (size**2 @ A).argmax(axis=0), np.arange(len(self.points))
        wave = sum(one[:, BAND] * np.exp(-2j * np.pi * GRID_HZ * late[:, None])
                   for one, late in zip(size, time_s, strict=True))
        key = tuple(map(tuple, places)), tuple(map(tuple, axes))
        power = radiated((box.coverage_deg, box.control_hz, box.rear_floor_db), self.speed, *key)
        return Path(
            wave=wave, level_dba=db(band_means(np.abs(wave) ** 2) @ A),
            length_m=length[loudest], wind_m_s=wind[loudest], time_ms=1000 * time_s[loudest],
            middle_m=np.linalg.norm(self.points - places.mean(axis=0), axis=1),
            tail=at_1m**2 * power / 100,
        )

    def _reach(self, source, box, places, axes):
        """Amplitude by band at the aim, brought back to 1 m of the top element."""
        way = np.subtract(source.aim_m, places)
        away = np.linalg.norm(way, axis=1)
        wave = sum(pattern(box, axis, (one / length)[None])[0][BAND] / length
                   * np.exp(-2j * np.pi * GRID_HZ * length / self.speed)
                   for axis, one, length in zip(axes, way, away, strict=True))
        return np.sqrt(band_means(np.abs(wave) ** 2)) * away[0]

    def _shadow(self, source):
        lost = np.zeros((len(self.points), 27))
        for area in self.venue.areas:
            if _hides(area, source):
                lost[self.areas == area.name] = by_bands(area.shadow_loss_db)
        return 10 ** (-lost / 20)

    def _corner(self, source):
        """Corner round which a source comes to each point, or nan."""
        corner = np.full(self.points.shape, np.nan)
        for area in self.venue.areas:
            if area.via_m is not None and _hides(area, source):
                corner[self.areas == area.name] = area.via_m
        return corner

    def of_output(self, name):
        """Numbers of the sources of one output."""
        return [number for number, source in enumerate(self.venue.sources)
                if source.output == name]

    def later_ms(self, settings, name):
        """Delay and latency of one output."""
        return settings[name].delay_ms + self.venue.outputs[name].latency_ms

    def arrival(self, settings, name):
        """Return which box of an output is heard first at each point, and when."""
        boxes = self.of_output(name)
        place, time = first(*(np.array([getattr(self.paths[number], what) for number in boxes])
                              for what in ("time_ms", "level_dba")))
        return np.array(boxes)[place], time + self.later_ms(settings, name)

    def sums(self, settings, sounding):
        """Band powers of some outputs together: direct, useful and total, with arrivals."""
        names = [name for name in self.venue.outputs
                 if name in sounding and settings[name].trim_db > -np.inf]
        waves, arrival, tails = {}, {}, {}
        for name in names:
            gain = 10 ** (settings[name].trim_db / 20) * response(settings[name])
            turn = np.exp(-2j * np.pi * GRID_HZ * self.later_ms(settings, name) / 1000)
            waves[name] = gain * turn * sum(self.paths[n].wave for n in self.of_output(name))
            arrival[name] = self.arrival(settings, name)[1]
            tails[name] = band_means(np.abs(gain) ** 2)
        level = {name: db(band_means(np.abs(wave) ** 2) @ A) for name, wave in waves.items()}
        opens = first(np.array([*arrival.values()]), np.array([*level.values()]))[1]
        window = 50.0 if self.venue.programme == "speech" else 80.0
        early, late = np.zeros((2, len(self.points), 27))
        for name in names:
            for number in self.of_output(name):
                path = self.paths[number]
                gap = np.maximum(path.time_ms + self.later_ms(settings, name) - opens, 0.0)
                within, after = self._tail(path.middle_m, np.maximum(window - gap, 0.0))
                early += within * path.tail * tails[name]
                late += after * path.tail * tails[name]
        direct, in_time = np.zeros((2, len(self.points), 27))
        for feed in ("left", "right", "mono"):
            mine = [name for name in names if self.venue.outputs[name].feed == feed]
            if mine:
                direct += band_means(np.abs(sum(waves[name] for name in mine)) ** 2)
                soon = sum(waves[name] * (arrival[name] - opens <= window)[:, None]
                           for name in mine)
                in_time += band_means(np.abs(soon) ** 2)
        return SimpleNamespace(direct=direct, useful=in_time + early, total=direct + early + late,
                               level_dba=level, arrival_ms=arrival, opens_ms=opens)

    def _tail(self, distance, window_ms):
        """Early and late energy of a tail (Barron and Lee 1988), re the direct sound at 10 m."""
        rt60 = by_bands(self.state.rt60_s)
        whole = (31200 * rt60 / self.venue.room.volume_m3
                 * np.exp(-0.04 * distance[:, None] / rt60))
        share = 1 - np.exp(-13.8 * window_ms[:, None] / 1000 / rt60)
        return whole * share, whole * (1 - share)


def shifts_db(venue):
    """Shift by band of each output that was measured alone at rest: the mean of its readings."""
    found, rest = {}, {name: OutputSettings() for name in venue.outputs}
    for reading in venue.measured:
        power = Place(venue, reading.state, [reading.at_m]).sums(rest, [reading.output]).total[0]
        if reading.level_dba is not None:
            shift = np.full(27, reading.level_dba - db(power @ A))
        else:
            model = dict(zip(OCTAVES, db(power.reshape(9, 3).sum(axis=1)), strict=True))
            shift = by_bands({octave: level - model[octave]
                              for octave, level in reading.by_octave_db.items()})
        found.setdefault(reading.output, []).append(shift)
    return {name: np.mean(shifts, axis=0) for name, shifts in found.items()}
