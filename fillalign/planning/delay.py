"""How long a fill must wait: three answers from the same paths, for any air."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fillalign._text import quoted
from fillalign._validate import FloatArray
from fillalign.air import Air
from fillalign.field import NEAR_DB, IntArray, Paths, Settings, arrival_shift, shift_dba, to_db
from fillalign.planning.bench import Bench
from fillalign.propagation import round_up_to_step, wind_along_m_s
from fillalign.venue import Source, Survey, Venue

FULL_WEIGHT_DB = 3.0


def reference_sources(venue: Venue, output: str, settings: Settings) -> list[int]:
    """Mains that a fill output is timed to: those of its feed that sound, or all that do."""
    mains = [i for i, source in enumerate(venue.sources)
             if source.role == "main" and not np.isneginf(settings[source.output].trim_db)]
    feed = venue.outputs[output].feed
    same = [i for i in mains if venue.outputs[venue.sources[i].output].feed == feed]
    return same or mains


def counting_mains(
    venue: Venue, paths: Paths, settings: Settings, output: str, shift_db: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Return the main that counts at each seat, as a source index (n,), and its arrival in ms.

    The earliest arrival within 10 dB of the loudest of `reference_sources`, with
    the correction from measured levels, (o, b).
    """
    sources = np.array(reference_sources(venue, output, settings))
    owner = paths.source_output[sources]
    trims = np.array([settings[name].trim_db for name in venue.outputs]) + shift_dba(shift_db)
    level = paths.level_dba[sources] + trims[owner, None]
    arrival = paths.serving_ms[sources] + arrival_shift(venue, settings)[owner, None]
    late = np.where(level >= level.max(axis=0) - NEAR_DB, arrival, np.inf)
    best = late.argmin(axis=0)
    return sources[best], np.take_along_axis(arrival, best[None], axis=0)[0]


def serving_fills(paths: Paths, output_index: int) -> IntArray:
    """Source of an output that is heard first at each seat, within 10 dB of its loudest, (n,)."""
    sources = np.flatnonzero(paths.source_output == output_index)
    level, time = paths.level_dba[sources], paths.serving_ms[sources]
    return np.asarray(
        sources[np.where(level >= level.max(axis=0) - NEAR_DB, time, np.inf).argmin(axis=0)]
    )


@dataclass(frozen=True)
class DelayAnswers:
    """Three delays before any margin, in ms: negative where the path is late already.

    Equal level and never early are over the seats that decisions rest on: a seat
    between two of these may want some tenths of a ms more than never early, which
    the checks of every seat show.
    """

    box_to_box_ms: float
    equal_level_ms: float
    never_early_ms: float

    def of_rule(self, rule: str) -> float:
        """Answer of a rule: equal-level, box-to-box or never-early."""
        return float(getattr(self, rule.replace("-", "_") + "_ms"))


@dataclass(frozen=True)
class DelayBasis:
    """Paths that decide one output's delay, over its covered seats n.

    Lengths in m, winds along them in m/s, `weights` by nearness of level;
    `main_later_ms` (n,) is delay plus latency of the main that counts,
    `fill_latency_ms` the fill's own. `box_m` and `box_wind_m_s` hold one entry a
    box of the output: the way from the nearest main. `along` (n,) is the cosine
    between the way from that main to the box and the way on to the seat: how far
    a box that hangs a metre deeper comes nearer.
    """

    main_m: FloatArray
    main_wind_m_s: FloatArray
    fill_m: FloatArray
    fill_wind_m_s: FloatArray
    weights: FloatArray
    main_later_ms: FloatArray
    fill_latency_ms: float
    box_m: FloatArray
    box_wind_m_s: FloatArray
    box_later_ms: FloatArray
    along: FloatArray

    def wanted_ms(self, speed_m_s: float) -> FloatArray:
        """Delay that each seat wants, (n,), in ms."""
        main = 1000 * self.main_m / (speed_m_s + self.main_wind_m_s) + self.main_later_ms
        fill = 1000 * self.fill_m / (speed_m_s + self.fill_wind_m_s) + self.fill_latency_ms
        return np.asarray(main - fill)

    def answers(self, speed_m_s: float) -> DelayAnswers:
        """Return the three answers for air of this speed of sound."""
        wanted = self.wanted_ms(speed_m_s)
        box = 1000 * self.box_m / (speed_m_s + self.box_wind_m_s) + self.box_later_ms
        return DelayAnswers(
            box_to_box_ms=float(box.max() - self.fill_latency_ms),
            equal_level_ms=float((self.weights * wanted).sum() / self.weights.sum()),
            never_early_ms=float(wanted.max()),
        )


@dataclass(frozen=True)
class DelayUncertainty:
    """Standard uncertainty of a delay in ms, in all and by cause."""

    total_ms: float
    by_cause_ms: dict[str, float]

    @property
    def largest(self) -> str:
        """The cause that contributes most."""
        return max(self.by_cause_ms, key=lambda cause: self.by_cause_ms[cause])


def delay_uncertainty(basis: DelayBasis, air: Air, rule: str, survey: Survey) -> DelayUncertainty:
    """Uncertainty of a rule's answer from laser, thermometer, hygrometer and latency.

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

    Returns
    -------
    DelayUncertainty
        Root sum of squares of independent causes.

    References
    ----------
    JCGM 100:2008 (GUM), eq 10: the law of propagation of uncertainty, here with
    numerical derivatives.
    """

    def answer(changed: Air) -> float:
        return float(basis.answers(changed.speed_m_s).of_rule(rule))

    def slope(name: str, step: float) -> float:
        value = getattr(air, name)
        least, most = (-50.0, 60.0) if name == "temperature_c" else (1.0, 100.0)
        low, high = max(value - step, least), min(value + step, most)
        rise = answer(replace(air, **{name: high})) - answer(replace(air, **{name: low}))
        return float(rise / (high - low))

    deeper = {
        "box-to-box": 1.0,
        "equal-level": float((basis.weights * basis.along).sum() / basis.weights.sum()),
        "never-early": float(basis.along[basis.wanted_ms(air.speed_m_s).argmax()]),
    }[rule]
    causes = {
        "laser": abs(deeper) * survey.laser_m / air.speed_m_s * 1000,
        "thermometer": abs(slope("temperature_c", 0.1)) * survey.thermometer_c,
        "hygrometer": abs(slope("humidity_pct", 1.0)) * survey.hygrometer_pct,
        "latency": float(np.sqrt(2.0)) * survey.latency_ms,
    }
    return DelayUncertainty(float(np.sqrt(sum(part**2 for part in causes.values()))), causes)


def quantile(values: FloatArray, share: float) -> FloatArray:
    """Linear quantile along the last axis, without the imports that numpy's drags in."""
    ordered = np.sort(values, axis=-1)
    place = share * (ordered.shape[-1] - 1)
    below = int(place)
    step = ordered[..., min(below + 1, ordered.shape[-1] - 1)] - ordered[..., below]
    return np.asarray(ordered[..., below] + (place - below) * step)


def level_weights(difference_db: FloatArray) -> FloatArray:
    """Weight of each seat: 1 within 3 dB of equal level, 0 beyond 10 dB, linear between.

    Where no seat is within 10 dB, the tenth that comes nearest decides.
    """
    away = np.abs(difference_db)
    weights = np.clip((NEAR_DB - away) / (NEAR_DB - FULL_WEIGHT_DB), 0.0, 1.0)
    if not weights.any():
        weights = (away <= quantile(away, 0.1)).astype(float)
    return np.asarray(weights)


def _boxes(
    venue: Venue, state: str, settings: Settings, output: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    shift = dict(zip(venue.outputs, arrival_shift(venue, settings), strict=True))
    mains = [venue.sources[i] for i in reference_sources(venue, output, settings)]
    where = venue.states[state]

    def way(main: Source, fill: Source) -> tuple[float, float, float]:
        wind = wind_along_m_s(
            main.position_m, fill.position_m, where.wind_m_s, where.wind_towards_deg
        )
        length = np.linalg.norm(np.subtract(fill.position_m, main.position_m))
        return float(length), float(wind), float(shift[main.output])

    ways = [
        min(way(main, fill) for main in mains)
        for fill in venue.sources
        if fill.output == output
    ]
    length, wind, later = (np.array(part) for part in zip(*ways, strict=True))
    return length, wind, later


def delay_basis(
    bench: Bench, settings: Settings, output: str, areas: tuple[str, ...], difference_db: FloatArray
) -> DelayBasis:
    """Collect what decides an output's delay.

    Parameters
    ----------
    bench : Bench
        The venue with its paths.
    settings : mapping
        Settings of all outputs; those of the mains count.
    output : str
        The fill output.
    areas : tuple of str
        The areas it covers.
    difference_db : ndarray
        Direct level of the fill over the mains at every seat, (n,).

    Returns
    -------
    DelayBasis
        Over the covered seats.
    """
    venue, paths = bench.venue, bench.paths
    index = list(venue.outputs).index(output)
    seats = np.flatnonzero(bench.seats_in(areas))
    mains, _ = counting_mains(venue, paths, settings, output, bench.shift_db)
    fills = serving_fills(paths, index)
    length, wind, later = _boxes(venue, "show", settings, output)
    box = np.array([venue.sources[i].position_m for i in fills])
    main = np.array([venue.sources[i].position_m for i in mains])
    way, on = box - main, paths.seats.points_m - box
    size = np.linalg.norm(way, axis=1) * np.linalg.norm(on, axis=1)
    along = (way * on).sum(axis=1) / np.maximum(size, 1e-9)
    return DelayBasis(
        along=along[seats],
        main_m=paths.serving_m[mains, np.arange(len(mains))][seats],
        main_wind_m_s=paths.serving_wind_m_s[mains, np.arange(len(mains))][seats],
        fill_m=paths.serving_m[fills, np.arange(len(fills))][seats],
        fill_wind_m_s=paths.serving_wind_m_s[fills, np.arange(len(fills))][seats],
        weights=level_weights(difference_db[seats]),
        main_later_ms=arrival_shift(venue, settings)[paths.source_output[mains]][seats],
        fill_latency_ms=venue.outputs[output].latency_ms,
        box_m=length,
        box_wind_m_s=wind,
        box_later_ms=later,
    )


def planned_delay_ms(venue: Venue, output: str, wanted_ms: float) -> float:
    """Delay to dial: margin added, rounded up to the device's step, never below zero.

    Raises
    ------
    ValueError
        If it exceeds the device's maximum.
    """
    device = venue.outputs[output]
    delay = float(round_up_to_step(wanted_ms + venue.goals.image_margin_ms, device.delay_step_ms))
    if delay > device.delay_max_ms:
        raise ValueError(
            f"output {quoted(output)} needs a delay of {delay:.2f} ms, but its device allows "
            f"between 0 and {device.delay_max_ms:g} ms"
        )
    return max(delay, 0.0)


def level_difference_db(direct_fill_dba: FloatArray, direct_mains_dba: FloatArray) -> FloatArray:
    """Fill over mains in dB; both are powers, A-weighted."""
    return np.asarray(to_db(direct_fill_dba) - to_db(direct_mains_dba))
