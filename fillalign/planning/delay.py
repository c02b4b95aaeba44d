"""How long a fill must wait: three answers from the same paths, for any air.

The formula is `fillalign.propagation.seat_delay_ms`. Here stands which answer a fill's rule
takes; at which trim it is asked is searched in `fillalign.planning.decide`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from fillalign._text import quoted
from fillalign._validate import ByValue, FloatArray
from fillalign.air import Air
from fillalign.field import (
    A_POWER,
    BoolArray,
    IntArray,
    Paths,
    Settings,
    corners_m,
    direct_power,
)
from fillalign.levels import power_to_db
from fillalign.planning.zones import (
    Zones,
    asked_of,
    main_outputs,
    mirror_of,
)
from fillalign.precedence import keeps_image
from fillalign.propagation import (
    NEAR_DB,
    distance_m,
    fill_delay_ms,
    first_heard,
    seat_delay_ms,
    wind_along_m_s,
)
from fillalign.units import round_up_to_step
from fillalign.venue import Survey, Venue

FULL_WEIGHT_DB = 3.0
TOGETHER_MS = 1.0
"""Most that the delays of two mirrored outputs differ by if they are to share one."""


def reference_sources(venue: Venue, output: str, settings: Settings) -> list[int]:
    """Mains that a fill output is timed to: those of its feed that sound, or all that do."""
    mains = [number for number, source in enumerate(venue.sources)
             if source.role == "main" and settings.sounds(source.output)]
    feed = venue.outputs[output].feed
    same = [number for number in mains
            if venue.outputs[venue.sources[number].output].feed == feed]
    return same or mains


def counting_mains(paths: Paths, settings: Settings, output: str) -> tuple[IntArray, FloatArray]:
    """Return the main that counts at each seat, as a source (n,), and its arrival in ms.

    The earliest arrival within 10 dB of the loudest of `reference_sources`.
    """
    venue = paths.venue
    sources = np.array(reference_sources(venue, output, settings))
    outputs = [venue.sources[number].output for number in sources]
    trims = np.array([settings[name].trim_db for name in outputs])
    later = np.array([settings[name].delay_ms + venue.outputs[name].latency_ms
                      for name in outputs])
    found, arrival = first_heard(
        paths.serving_ms[sources] + later[:, None], paths.level_dba[sources] + trims[:, None]
    )
    return sources[found], np.asarray(arrival)


def serving_fills(paths: Paths, output: str) -> IntArray:
    """Source of an output that is heard first at each seat, within 10 dB of its loudest, (n,)."""
    number = list(paths.venue.outputs).index(output)
    sources = np.flatnonzero(paths.source_output == number)
    found, _ = first_heard(paths.serving_ms[sources], paths.level_dba[sources])
    return np.asarray(sources[found])


@dataclass(frozen=True)
class DelayAnswers:
    """Three delays before any margin, in ms: negative where the path is late already."""

    box_to_box_ms: float
    equal_level_ms: float
    never_early_ms: float

    def of_rule(self, rule: str) -> float:
        """Answer of a rule: equal-level, box-to-box or never-early."""
        return float(getattr(self, rule.replace("-", "_") + "_ms"))


@dataclass(frozen=True, eq=False)
class Ways(ByValue):
    """Ways of sound from boxes, k: lengths in m, round corners if any, and winds along them.

    `heading` (k, 2) is the x and y of the mean unit vector along each, by which another
    wind counts; `delay_ms` and `latency_ms` are those of the output that each comes from.
    """

    length_m: FloatArray
    wind_m_s: FloatArray
    heading: FloatArray
    delay_ms: FloatArray
    latency_ms: FloatArray

    def blown(self, wind: FloatArray) -> Ways:
        """Return the ways in another wind, of which x and y are given in m/s."""
        return replace(self, wind_m_s=self.heading @ wind)


@dataclass(frozen=True, eq=False)
class DelayBasis(ByValue):
    """Paths that decide one output's delay, over its covered seats n.

    `main` are the ways (n,) to the seats from the main that counts there, `fill` those
    from the output's own boxes, `box` (k,) those to its boxes from a main that their seats
    hear. `over_mains_db` (n,) is the direct sound of the fill over that of the mains, by
    which seats weigh. `along` (n,) is the cosine between the way from that main to the box
    and the way on to the seat: how far a box that hangs a metre deeper comes nearer.
    """

    main: Ways
    fill: Ways
    box: Ways
    over_mains_db: FloatArray
    along: FloatArray

    @property
    def weights(self) -> FloatArray:
        """Weight of each seat by nearness of level, (n,)."""
        return level_weights(self.over_mains_db)

    def equal_level_ms(self, air: Air, change_db: ArrayLike = 0.0) -> FloatArray:
        """Answer of the equal-level rule with the fill louder by some dB, (...)."""
        weights = level_weights(self.over_mains_db + np.asarray(change_db)[..., None])
        return np.asarray((weights * self.wanted_ms(air)).sum(axis=-1) / weights.sum(axis=-1))

    def blown(self, wind_m_s: float, wind_towards_deg: float) -> DelayBasis:
        """Return the basis in another wind."""
        wind = _wind(wind_m_s, wind_towards_deg)
        return replace(self, main=self.main.blown(wind), fill=self.fill.blown(wind),
                       box=self.box.blown(wind))

    def wanted_ms(self, air: Air) -> FloatArray:
        """Delay that each seat wants, (n,), in ms."""
        return np.asarray(self.main.delay_ms + seat_delay_ms(
            self.main.length_m, self.fill.length_m, air,
            main_latency_ms=self.main.latency_ms, fill_latency_ms=self.fill.latency_ms,
            main_wind_along_m_s=self.main.wind_m_s, fill_wind_along_m_s=self.fill.wind_m_s,
        ))

    def answers(self, air: Air) -> DelayAnswers:
        """Return the three answers for some air."""
        box = self.box.delay_ms + fill_delay_ms(
            self.box.length_m, air, main_latency_ms=self.box.latency_ms,
            fill_latency_ms=self.fill.latency_ms[0], wind_along_m_s=self.box.wind_m_s,
        )
        return DelayAnswers(
            box_to_box_ms=float(box.max()),
            equal_level_ms=float(self.equal_level_ms(air)),
            never_early_ms=float(self.wanted_ms(air).max()),
        )

    def image_share(
        self, air: Air, delay_ms: ArrayLike, change_db: ArrayLike, seats: BoolArray
    ) -> FloatArray:
        """Share of some of the seats that keep the image, by delay and change of trim, (...)."""
        gap = np.asarray(delay_ms)[..., None] - self.wanted_ms(air)[seats]
        over = self.over_mains_db[seats] + np.asarray(change_db)[..., None]
        if not over.size:
            return np.ones(over.shape[:-1])
        return np.asarray(np.mean(keeps_image(gap, over), axis=-1))

    def early_ms(self, air: Air, delay_ms: float) -> float:
        """How early the fill comes at the worst seat that counts; negative where late."""
        return float(self.wanted_ms(air)[self.weights > 0].max() - delay_ms)


@dataclass(frozen=True, eq=False)
class DelayUncertainty(ByValue):
    """Standard uncertainty of a delay in ms, in all and by cause."""

    total_ms: float
    by_cause_ms: dict[str, float]

    @property
    def largest(self) -> str:
        """The cause that contributes most."""
        return max(self.by_cause_ms, key=lambda cause: self.by_cause_ms[cause])


def delay_uncertainty(
    basis: DelayBasis, air: Air, rule: str, survey: Survey, wind: tuple[float, float] = (0.0, 0.0)
) -> DelayUncertainty:
    """Uncertainty of a rule's answer from laser, thermometer, hygrometer, latency and wind.

    Parameters
    ----------
    basis : DelayBasis
        What decides the delay.
    air : Air
        The air it was planned for.
    rule : str
        equal-level, box-to-box or never-early.
    survey : Survey
        Standard uncertainties of the readings; the latency's counts twice, for
        the main's path and for the fill's.
    wind : tuple of float
        Wind in m/s and the direction it blows towards in degrees; known to half its
        speed (common practice).

    Returns
    -------
    DelayUncertainty
        Root sum of squares of independent causes.

    References
    ----------
    JCGM 100:2008 (GUM), eq 10: the law of propagation of uncertainty, here with
    numerical derivatives.
    """

    def slope(name: str, step: float, least: float, most: float) -> float:
        value = getattr(air, name)
        ends = max(value - step, least), min(value + step, most)
        low, high = (basis.answers(replace(air, **{name: end})).of_rule(rule) for end in ends)
        return float((high - low) / (ends[1] - ends[0]))

    deeper = {
        "box-to-box": 1.0,
        "equal-level": float((basis.weights * basis.along).sum() / basis.weights.sum()),
        "never-early": float(basis.along[basis.wanted_ms(air).argmax()]),
    }[rule]
    # Below 1 % a humidity reads like a fraction, and would be warned of.
    driest = air.humidity_pct if air.humidity_pct < 2.0 else 1.0
    causes = {
        "laser": abs(deeper) * survey.laser_m / air.speed_m_s * 1000,
        "thermometer": abs(slope("temperature_c", 0.1, -50.0, 60.0)) * survey.thermometer_c,
        "hygrometer": abs(slope("humidity_pct", 1.0, driest, 100.0)) * survey.hygrometer_pct,
        "latency": float(np.sqrt(2.0)) * survey.latency_ms,
    }
    if wind[0]:
        less, more = (basis.blown(share * wind[0], wind[1]).answers(air).of_rule(rule)
                      for share in (0.5, 1.5))
        causes["wind"] = abs(more - less) / 2
    return DelayUncertainty(float(np.sqrt(sum(part**2 for part in causes.values()))), causes)


def level_weights(difference_db: FloatArray) -> FloatArray:
    """Weight of each seat: 1 within 3 dB of equal level, 0 beyond 10 dB, linear between.

    Seats on the last axis. Where none is within 10 dB, the tenth that comes nearest decides.
    """
    away = np.abs(difference_db)
    weights = np.clip((NEAR_DB - away) / (NEAR_DB - FULL_WEIGHT_DB), 0.0, 1.0)
    nearest = away <= np.quantile(away, 0.1, axis=-1, keepdims=True)
    return np.where(weights.any(axis=-1, keepdims=True), weights, nearest)


def delay_basis(zones: Zones, settings: Settings, output: str) -> DelayBasis:
    """Collect what decides an output's delay, over the seats in the areas that it covers."""
    return basis_at(zones.covered([output]), settings, output)


def basis_at(paths: Paths, settings: Settings, output: str) -> DelayBasis:
    """Collect what decides an output's delay, at its trim or at 0 where it is off.

    Parameters
    ----------
    paths : Paths
        The seats to serve, with their paths.
    settings : Settings
        Of all outputs; those of the mains and the fill's own count.
    output : str
        The fill output.

    Returns
    -------
    DelayBasis
        Over the seats of the paths.
    """
    if not settings.sounds(output):
        settings = settings.replaced(output, trim_db=0.0)
    mains, _ = counting_mains(paths, settings, output)
    fills, seat = serving_fills(paths, output), np.arange(len(mains))
    points, corners = paths.seats.points_m, _corners_m(paths)
    main, fill = (replace(
        _ways(paths, settings, sources, corners[sources, seat], points),
        length_m=paths.serving_m[sources, seat], wind_m_s=paths.serving_wind_m_s[sources, seat],
    ) for sources in (mains, fills))
    box, start = (_places_m(paths)[sources] for sources in (fills, mains))
    way, on = box - _bend_m(corners[mains, seat], start), points - box
    size = np.linalg.norm(way, axis=1) * np.linalg.norm(on, axis=1)
    return DelayBasis(
        main=main,
        fill=fill,
        box=_box_ways(paths, settings, reference_sources(paths.venue, output, settings), fills),
        over_mains_db=_over_mains_db(paths, settings, output),
        along=(way * on).sum(axis=1) / np.maximum(size, 1e-9),
    )


def _places_m(paths: Paths) -> FloatArray:
    """Where every source hangs, (s, 3)."""
    return np.array([source.position_m for source in paths.venue.sources])


def _corners_m(paths: Paths) -> FloatArray:
    """Corner round which each seat hears each source, (s, n, 3); NaN where straight."""
    return np.array([corners_m(paths.venue, source, paths.seats)
                     for source in paths.venue.sources])


def _bend_m(corner: FloatArray, straight: FloatArray) -> FloatArray:
    return np.where(np.isfinite(corner), corner, straight)


def _wind(wind_m_s: float, wind_towards_deg: float) -> FloatArray:
    """X and y of a wind in m/s."""
    return np.array([wind_along_m_s(np.zeros(3), axis, wind_m_s, wind_towards_deg)
                     for axis in np.eye(3)[:2]])


def _ways(
    paths: Paths, settings: Settings, sources: IntArray, corner: FloatArray, end: FloatArray
) -> Ways:
    """Ways from some sources (k,) round corners (k, 3), NaN where straight, to points (k, 3)."""
    start, bend = _places_m(paths)[sources], _bend_m(corner, end)
    length = np.asarray(distance_m(start, bend) + distance_m(bend, end))
    heading = (end - start)[:, :2] / np.maximum(length, 1e-9)[:, None]
    owners = [paths.venue.sources[number].output for number in sources]
    return Ways(
        length_m=length,
        wind_m_s=heading @ _wind(paths.state.wind_m_s, paths.state.wind_towards_deg),
        heading=heading,
        delay_ms=np.array([settings[name].delay_ms for name in owners]),
        latency_ms=np.array([paths.venue.outputs[name].latency_ms for name in owners]),
    )


def _over_mains_db(paths: Paths, settings: Settings, output: str) -> FloatArray:
    """Direct sound of a fill over that of the mains at each seat, in dB, A-weighted."""
    fill, mains = (direct_power(paths, settings, names) @ A_POWER
                   for names in ([output], main_outputs(paths.venue)))
    return np.asarray(power_to_db(fill / mains))


def _box_ways(paths: Paths, settings: Settings, sources: list[int], serving: IntArray) -> Ways:
    """Return the ways to each box of an output from the mains that its seats hear.

    At a seat that is the nearest to the box of those within 10 dB of the loudest: what
    is too weak to count there promises nothing. `sources` are those mains, `serving` (n,)
    is the box of each seat.
    """
    mains, places = np.array(sources), _places_m(paths)
    trims = [settings[paths.venue.sources[number].output].trim_db for number in mains]
    level = paths.level_dba[mains] + np.array(trims)[:, None]
    heard, corners = level >= level.max(axis=0) - NEAR_DB, _corners_m(paths)[mains]
    first = _bend_m(corners, places[mains, None])
    length = distance_m(places[mains, None], first) + distance_m(first, places[serving])
    near, seat = np.where(heard, length, np.inf).argmin(axis=0), np.arange(len(serving))
    # Many seats share a way, and all of an area their corners.
    _, first_seat = np.unique([mains[near], serving, paths.seats.area], axis=1, return_index=True)
    near, seat = near[first_seat], first_seat
    return _ways(paths, settings, mains[near], corners[near, seat], places[serving[seat]])


def wanted_delays_ms(
    zones: Zones, bases: Mapping[str, DelayBasis], change_db: Mapping[str, ArrayLike] | None = None
) -> dict[str, FloatArray]:
    """Delay of each fill by its rule, margin included; negative where its path is late already.

    Outputs that mirror each other are one decision where their delays differ by 1 ms
    at most: both take the later one. `bases` hold each output that is asked for, and
    the one that mirrors it; `change_db` how much louder each is than in its basis.
    """
    venue, air, own = zones.venue, zones.paths.air, {}
    for name, basis in bases.items():
        asked, louder = asked_of(venue, name), (change_db or {}).get(name, 0.0)
        answer = basis.equal_level_ms(air, louder)
        if asked.delay_rule != "equal-level":
            answer = np.full(answer.shape, basis.answers(air).of_rule(asked.delay_rule))
        own[name] = answer + asked.image_margin_ms
    wanted = {}
    for name, delay in own.items():
        other = own.get(mirror_of(venue, name) or name, delay)
        together = np.abs(delay - other) <= TOGETHER_MS
        wanted[name] = np.where(together, np.maximum(delay, other), delay)
    return wanted


def delay_bases(
    zones: Zones, settings: Settings, outputs: Iterable[str]
) -> dict[str, DelayBasis]:
    """Collect what decides the delays of some outputs and of those that mirror them."""
    mirrors = [mirror_of(zones.venue, name) for name in outputs]
    return {name: delay_basis(zones, settings, name)
            for name in dict.fromkeys([*outputs, *filter(None, mirrors)])}


def planned_delay_ms(venue: Venue, output: str, wanted_ms: ArrayLike) -> FloatArray:
    """Delay to dial: rounded up to the device's step, never below zero.

    Raises
    ------
    ValueError
        If it exceeds the device's maximum.
    """
    device = venue.outputs[output]
    delay = np.asarray(round_up_to_step(wanted_ms, device.delay_step_ms))
    if delay.max() > device.delay_max_ms:
        raise ValueError(
            f"output {quoted(output)} needs a delay of {delay.max():.2f} ms, but its device allows "
            f"between 0 and {device.delay_max_ms:g} ms"
        )
    return np.asarray(np.maximum(delay, 0.0))
