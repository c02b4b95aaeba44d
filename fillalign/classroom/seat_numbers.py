"""What a listener gets, as numbers: arrivals, what comes of them, and what is to be played.

Belongs to the seat panel. Gap, levels, image and echo are those of a plan's own table of
seats; what is played are the direct sounds, each from its direction, as they arrive.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fillalign.air import Air
from fillalign.field import (
    A_POWER,
    Paths,
    Seats,
    Settings,
    arrival_shift_ms,
    direct_power,
    filter_power,
    output_arrivals_ms,
    output_roles,
    place_among_seats,
    trace_paths,
    venue_seats,
)
from fillalign.filters import design_low_cut, design_shelf
from fillalign.interference import comb_dip_db, comb_peak_db, notch_frequencies_hz
from fillalign.levels import db_to_amplitude, power_to_db
from fillalign.loudspeakers import array_elements
from fillalign.planning import check_points, main_outputs
from fillalign.precedence import (
    ECHO_LIMITS,
    PRECEDENCE_TABLE,
    keeps_image,
    precedence_limit_db,
)
from fillalign.propagation import (
    distance_m,
    first_heard,
    travel_time_ms,
    wind_along_m_s,
)
from fillalign.units import ms_to_samples
from fillalign.venue import OutputSettings, Venue

SAMPLE_RATE_HZ = 48000
TOGETHER_MS = 0.05
APART_DEG = 30.0
MOST_BRANCHES = 4
"""Loudspeakers played at once; those softer than the four loudest are left out."""
HOLLOW_MS = (1.0, 15.0)
"""Gaps at which a sound and its repetition have a pitch of 1/gap (Bilsen 1966; from memory)."""
_HOLLOW_DB, _TINGED_DB = 15.0, 9.0
_TRY_SEATS, _LOST_DB = 200, 20.0
_FULL_DB = -12.0


@dataclass(frozen=True)
class Arrival:
    """One loudspeaker at the listener, who faces the stage: `azimuth_deg` is to the right.

    `bare_dba` is its level without trim and filters, `level_dba` as set.
    """

    source: str
    output: str
    role: str
    arrival_ms: float
    level_dba: float
    bare_dba: float
    azimuth_deg: float


@dataclass(frozen=True)
class Heard:
    """What a listener gets from some settings: arrivals, and the verdict in words.

    `fill` is the output that the verdict is about, empty where none sounds; its gap and
    level difference are None then.
    """

    arrivals: tuple[Arrival, ...]
    fill: str
    mains_ms: float | None
    mains_dba: float | None
    fill_ms: float | None = None
    fill_dba: float | None = None
    gap_ms: float | None = None
    level_difference_db: float | None = None
    verdict: str = ""
    detail: str = ""

    @property
    def text(self) -> str:
        """Verdict and numbers."""
        return f"{self.verdict}\n{self.detail}"


def listener_at(venue: Venue, x_m: float, y_m: float, z_m: float | None = None) -> Seats:
    """Return a listener at a place, by default with the ears as high as in the nearest seat.

    Examples
    --------
    >>> from fillalign.venue import read_demo_venue
    >>> listener_at(read_demo_venue("lantern_room"), 6.0, 1.0).points_m.tolist()
    [[6.0, 1.0, 1.2]]
    """
    points = venue_seats(venue).points_m
    if z_m is None:
        z_m = float(points[np.hypot(points[:, 0] - x_m, points[:, 1] - y_m).argmin(), 2])
    return place_among_seats(venue, np.array([x_m, y_m, z_m]))


def _azimuth_deg(venue: Venue, points: Any) -> Any:
    """Return how far right of straight ahead each source stands, (s, n)."""
    away = np.array([source.position_m for source in venue.sources])[:, None] - points
    return np.degrees(np.arctan2(away[..., 1], -away[..., 0]))


def opening_seat(venue: Venue, settings: Settings, air: Air, fill: str | None) -> tuple[Seats, str]:
    """Return a listener whose main and fill are wide apart and of like level, and the fill.

    Of at most 200 seats the one with the smallest difference in level, where each degree under
    30 counts as a decibel, and an image that is not at the stage as 20: then it comes back as
    the fill is set. Without a fill the middle seat, and an empty name.
    """
    seats = venue_seats(venue)
    seats = seats.take(np.unique(np.linspace(0, len(seats) - 1, _TRY_SEATS).astype(int)))
    fills = [name for name, role in output_roles(venue).items() if role == "fill"]
    wanted = [fill] if fill else [name for name in fills if settings.sounds(name)] or fills
    stage = [one.output for one in venue.of_role("main") if settings.sounds(one.output)]
    if not (wanted and stage):
        return seats.take(slice(len(seats) // 2, len(seats) // 2 + 1)), (wanted or [""])[0]
    silent = [name for name in wanted if not settings.sounds(name)]
    paths = trace_paths(venue, seats, venue.states["show"], air)
    checks = check_points(paths, settings.replaced(*silent, trim_db=0.0), wanted)
    places = np.tile(np.arange(len(seats)), len(wanted))
    azimuth = _azimuth_deg(venue, seats.points_m)
    box = [np.where(checks.fill[len(seats) * number] == paths.source_output[:, None],
                    paths.level_dba, -np.inf).argmax(axis=0) for number in range(len(wanted))]
    apart = azimuth[checks.main, places] - azimuth[np.concatenate(box), places]
    apart = np.abs((apart + 180.0) % 360.0 - 180.0)
    cost = np.abs(checks.level_difference_db) + np.maximum(APART_DEG - apart, 0.0)
    best = int((cost + np.where(checks.keeps_image, 0.0, _LOST_DB)).argmin())
    return seats.take(np.array([places[best]])), list(venue.outputs)[int(checks.fill[best])]


def listen(paths: Paths, settings: Settings, hands: Collection[str]) -> Heard:
    """Return what one listener gets; `hands` are the fills asked about, if they sound.

    Examples
    --------
    >>> from fillalign.venue import read_demo_venue
    >>> room = read_demo_venue("lantern_room")
    >>> seat = listener_at(room, 8.0, 1.5)
    >>> paths = trace_paths(room, seat, room.states["show"])
    >>> round(listen(paths, Settings(room), ["Fill"]).gap_ms, 1)
    -14.8
    """
    venue = paths.venue
    arrivals = _arrivals(paths, settings)
    level = {name: _dba(paths, settings, [name]) for name in venue.outputs}
    mains = [name for name in main_outputs(venue) if settings.sounds(name)]
    fills = [name for name, role in output_roles(venue).items()
             if role == "fill" and settings.sounds(name)]
    asked = [name for name in fills if name in hands] or fills
    fill = max(asked, key=lambda name: level[name], default="")
    stage = [source.output for source in venue.of_role("main") if source.output in mains]
    if not stage:
        return Heard(arrivals, "", None, None, verdict="No main sounds: nothing to compare.")
    if not fill:
        first = first_heard(*np.array([(one.arrival_ms, one.level_dba) for one in arrivals]).T)[1]
        loud = _dba(paths, settings, mains)
        return Heard(arrivals, "", float(first), loud, verdict="The mains alone: no fill sounds.",
                     detail=f"Mains {loud:.1f} dBA.")
    checks = check_points(paths, settings, [fill, *(name for name in fills if name != fill)])
    mine = int(np.flatnonzero(checks.fill == list(venue.outputs).index(fill))[0])
    gap, over = float(checks.gap_ms[mine]), float(checks.level_difference_db[mine])
    arrival = float(output_arrivals_ms(paths, settings)[list(venue.outputs).index(fill), 0])
    turned = settings[fill].polarity != settings[stage[0]].polarity
    said = [_first(gap), *_image_and_echo(gap, over, float(checks.echo[mine]), venue.programme),
            _tone(gap, over, turned)]
    words = float(checks.speech_before[mine]), float(checks.speech_after[mine])
    heard = Heard(arrivals, fill, arrival - gap, level[fill] - over, arrival, level[fill], gap,
                  over, " ".join(filter(None, said)))
    return replace(heard, detail=_detail(heard, gap, over, words))


def _dba(paths: Paths, settings: Settings, outputs: list[str]) -> float:
    return float(power_to_db(direct_power(paths, settings, outputs)[0] @ A_POWER))


def _arrivals(paths: Paths, settings: Settings) -> tuple[Arrival, ...]:
    venue, later = paths.venue, arrival_shift_ms(paths.venue, settings)
    azimuth, made = _azimuth_deg(venue, paths.seats.points_m), []
    for number, source in enumerate(venue.sources):
        own = settings[source.output]
        power = (paths.power[number, 0] * filter_power(own)) @ A_POWER
        made.append(Arrival(
            source.name, source.output, source.role,
            float(paths.serving_ms[number, 0]) + later[source.output],
            float(power_to_db(power)) + own.trim_db, float(paths.level_dba[number, 0]),
            float(azimuth[number, 0])))
    return tuple(made)


def _first(gap: float) -> str:
    if abs(gap) < TOGETHER_MS:
        return "Main and fill arrive together."
    if gap > 0:
        return f"The main comes first, the fill {gap:.1f} ms after it."
    return f"The fill comes first, the main {-gap:.1f} ms after it."


def _image_and_echo(gap: float, over: float, criterion: float, programme: str) -> list[str]:
    """Say where the image is and whether the later of both is an echo.

    The table's limit falls again at late gaps because of the echo, not of the image; where one
    of both is hardly heard there is neither.
    """
    largest = max(limit for _, limit in PRECEDENCE_TABLE)
    plateau_ms = max(gap for gap, limit in PRECEDENCE_TABLE if limit == largest)
    late, later_over = (gap, over) if gap >= 0 else (-gap, -over)
    alone = keeps_image(-late, -abs(over))
    at_stage = keeps_image(gap, over) or (gap > plateau_ms and over <= largest)
    said = [f"Image at the {'stage' if at_stage else 'fill'}."]
    if late > plateau_ms and not alone and not keeps_image(late, later_over):
        said.append(f"The {'fill' if gap >= 0 else 'main'} is heard as an echo.")
    elif criterion > ECHO_LIMITS[programme][1]:
        said.append("An echo is heard.")
    return said


def _tone(gap: float, over: float, turned: bool) -> str:
    """Say what two arrivals of like level do to the tone."""
    late, down = abs(gap), -abs(over)
    depth = float(comb_peak_db(down)) - float(comb_dip_db(down))
    if late > HOLLOW_MS[1] or depth < _TINGED_DB:
        return "Tone even."
    much = "Hollow" if depth >= _HOLLOW_DB else "A little hollow"
    if late >= HOLLOW_MS[0]:
        pitch = "" if turned else f", with a faint pitch of {1000 / late:.0f} Hz"
        return f"{much}{pitch}."
    if turned:
        return "Thin: both push against each other and the lows go."
    if late < TOGETHER_MS:
        return "Tone even."
    return f"Some highs cancel, from {float(notch_frequencies_hz(late, 1)[0]):.0f} Hz up."


def _detail(heard: Heard, gap: float, over: float, words: tuple[float, float]) -> str:
    how = (f"{abs(over):.1f} dB {'above' if over > 0 else 'below'} the mains"
           if abs(over) >= 0.05 else "as loud as the mains")
    limit = float(precedence_limit_db(gap))
    text = (f"Mains {heard.mains_dba:.1f} dBA, fill {heard.fill_dba:.1f} dBA, {how}. "
            f"Gap {gap:+.1f} ms: fills " + (f"up to {limit:.1f} dB above" if limit > 0 else
                                          f"{-limit:.1f} dB or more below")
            + " the mains keep the image.")
    if np.isfinite(words).all():
        text += f" Speech index {words[0]:.2f} with the mains alone, {words[1]:.2f} with all."
    return text


def sections_of(own: OutputSettings) -> list[list[float]]:
    """Return the filters of an output as second-order sections at 48 kHz."""
    sections: list[list[float]] = []
    if own.low_cut_hz is not None:
        sections += design_low_cut(own.low_cut_hz, SAMPLE_RATE_HZ, order=own.low_cut_order,
                                   kind=own.low_cut_kind).tolist()
    if own.shelf_db:
        sections += design_shelf(own.shelf_hz, SAMPLE_RATE_HZ, own.shelf_db).tolist()
    return sections


def branches(
    heard: Heard, settings: Settings, hands: Collection[str], full_dba: float
) -> list[dict[str, Any]]:
    """Return what is played: the loudest arrivals, as whole samples, gains and filters.

    A level of `full_dba` is played at 12 dB below full scale. What is set on `hands` comes on
    top by the panel's tables, so their arrivals are told without it.
    """
    shown = [one for one in heard.arrivals if settings.sounds(one.output) or one.output in hands]
    loud = sorted(shown, key=lambda one: one.level_dba if settings.sounds(one.output)
                  else one.bare_dba, reverse=True)
    first = [next((one for one in loud if one.role != "fill"), None),
             next((one for one in loud if one.output in (hands or [heard.fill])), None)]
    chosen = [one for one in first if one]
    chosen += [one for one in loud if one not in chosen][: MOST_BRANCHES - len(chosen)]
    made = []
    for one in chosen:
        own, mine = settings[one.output], one.output in hands
        level = one.bare_dba + (0.0 if mine else own.trim_db) - full_dba + _FULL_DB
        sign = -1.0 if own.polarity == "inverted" and not mine else 1.0
        late = one.arrival_ms - (own.delay_ms if mine else 0.0)
        made.append({
            "source": one.source, "fill": one.role == "fill", "hands": mine,
            "late": whole_samples(late), "gain": sign * float(db_to_amplitude(level)),
            "azimuth": one.azimuth_deg, "sections": [] if mine else sections_of(own),
        })
    return made


def whole_samples(time_ms: float) -> int:
    """Return a time in whole samples: a fraction of one would dull the highs by up to 1.25 dB.

    Examples
    --------
    >>> whole_samples(76.32)
    3663
    """
    return round(float(ms_to_samples(time_ms, SAMPLE_RATE_HZ)))


def travel_maps(venue: Venue, air: Air, points_m: Any) -> Any:
    """Return the travel time in ms from every source to every point, (s, ...), in float32.

    Where it equals the time since a source sounded, there is its wave front.
    """
    state, maps = venue.states["show"], []
    for source in venue.sources:
        box = venue.loudspeakers[source.loudspeaker]
        places, _ = array_elements(
            source.position_m, source.aim_m, elements=box.elements, spacing_m=box.spacing_m,
            splay_deg=box.splay_deg or 0.0)
        ends = places[:: max(1, len(places) - 1)]
        times = [travel_time_ms(distance_m(place, points_m), air, wind_along_m_s=wind_along_m_s(
            place, points_m, state.wind_m_s, state.wind_towards_deg)) for place in ends]
        maps.append(np.min(times, axis=0))
    return np.array(maps, dtype=np.float32)
