"""The result of planning: frozen records, and the tables made from them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from itertools import repeat
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._text import listed, quoted, short
from fillalign._validate import ByValue, as_air, as_float, as_points
from fillalign.air import Air
from fillalign.field import Settings, output_roles, single_points, trace_paths
from fillalign.planning.need import SHARE_OF_ROWS, AreaNeed
from fillalign.planning.seats import SeatChecks, Walk, check_points
from fillalign.planning.wording import Finding, sentences
from fillalign.units import m_to_ft, ms_to_m, ms_to_samples, round_up_to_step
from fillalign.venue import Venue, headroom_db

if TYPE_CHECKING:
    import pandas as pd

    from fillalign.planning.delay import DelayAnswers, DelayBasis, DelayUncertainty
    from fillalign.planning.expected import Reading
    from fillalign.planning.need import Reference
    from fillalign.planning.trim import TrimCurve


_AS_DIALLED = ("low_cut_order", "low_cut_kind", "shelf_db", "shelf_hz", "trim_db", "polarity")
_OF_THE_FILL = ("covered", "gap_ms", "level_difference_db", "limit_db", "keeps_image", "margin_ms",
                "ripple_db")
_OF_THE_SEAT = ("other_gap_ms", "level_dba", "speech_before", "speech_after", "echo")


@dataclass(frozen=True, eq=False)
class FillReport(ByValue):
    """What was found for one fill output.

    `sounding` tells whether it is in use; `needs` are those of its areas without its
    tier; `served_share` of its rows lack nothing as set, `missing_steps` is what they
    lack on average, in just noticeable steps. `mirror` is the output that mirrors it,
    `shares_delay` tells whether both have one delay. `trim` is None for a fill that is
    off and not needed.
    `rounding_ms` is what the delay exceeds rule plus margin by: in a plan the step
    of the device. `early_cold_ms` is how early the fill is at the worst seat that counts in the
    coldest air planned.
    """

    output: str
    areas: tuple[str, ...]
    sounding: bool
    needs: tuple[AreaNeed, ...]
    served_share: float
    missing_steps: float
    delay_rule: str
    image_margin_ms: float
    mirror: str | None
    shares_delay: bool
    answers: DelayAnswers
    basis: DelayBasis
    uncertainty: DelayUncertainty
    hold_back_ms: float
    rounding_ms: float
    trim: TrimCurve | None
    reading: Reading
    coldest_c: float
    early_ms: float
    early_cold_ms: float
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        """Name the output and how many reasons there are to read."""
        state = "sounds" if self.sounding else "stays off"
        return f"FillReport({quoted(self.output)} {state}: {len(self.reasons)} reasons)"

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it is set as it is, as sentences."""
        return sentences(self.findings, "need", "reason")

    @property
    def unmet(self) -> tuple[str, ...]:
        """Which targets it does not meet, and what would meet them, as sentences."""
        return sentences(self.findings, "unmet")


@dataclass(frozen=True, eq=False)
class FillPlan(ByValue):
    """Settings for every output of a venue and what they do.

    Made by `plan_fills` and `evaluate`. `needs` are those with the mains alone,
    `needs_after` those that are left. `findings` hold all that there is to say;
    `summary`, `unmet`, `cautions` and `assumptions` are views of them, as sentences.
    """

    venue: Venue
    air: Air
    settings: Settings
    reference: Reference
    needs: tuple[AreaNeed, ...]
    needs_after: tuple[AreaNeed, ...]
    fills: tuple[FillReport, ...]
    walk: Walk
    checks: SeatChecks
    loudest_dba: float
    gain_before_feedback_db: float
    back_gain_db: float
    front_relief_db: float
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        """Name the venue and say what every output is set to."""
        dialled = "; ".join(
            f"{short(name)} {own.delay_ms:g} ms {own.trim_db:+g} dB"
            if self.settings.sounds(name) else f"{short(name)} off"
            for name, own in self.settings.items()
        )
        return f"FillPlan({quoted(self.venue.name)}, {self.air.temperature_c:g} C: {dialled})"

    @property
    def summary(self) -> tuple[str, ...]:
        """Need, what sounds and what is won."""
        return sentences(self.findings, "need", "summary")

    @property
    def unmet(self) -> tuple[str, ...]:
        """Every target that is not met, and what would meet it."""
        return (*(line for fill in self.fills for line in fill.unmet),
                *sentences(self.findings, "unmet"))

    @property
    def nearly_met(self) -> tuple[AreaNeed, ...]:
        """What is left of areas below nine rows in ten whose other rows lack too little to hear."""
        return tuple(need for need in self.needs_after
                     if not need.needed and need.served_share < SHARE_OF_ROWS)

    @property
    def differences(self) -> tuple[str, ...]:
        """What is set otherwise than planned and what was read, where that was compared."""
        return sentences(self.findings, "change", "reading")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What looks like a slip, the usual cautions, and what the prediction adds to them."""
        return (*self.doubts, *sentences(self.findings, "caution"))

    @property
    def doubts(self) -> tuple[str, ...]:
        """What in the venue looks like a slip of who surveyed it, as questions."""
        return sentences(self.findings, "doubt")

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What the plan rests on, the defaults of the venue file included."""
        return sentences(self.findings, "assumption", "default")

    @property
    def defaults(self) -> tuple[str, ...]:
        """What the venue file left to us."""
        return sentences(self.findings, "default")

    def fill(self, output: str) -> FillReport:
        """Return the report of one fill output.

        Raises
        ------
        KeyError
            If no fill has that output.
        """
        fills = {fill.output: fill for fill in self.fills}
        if output not in fills:
            raise KeyError(f"no fill on an output {quoted(output)}; there are {listed(fills)}")
        return fills[output]

    def table(self) -> pd.DataFrame:
        """One row an output: what is dialled, and where.

        Returns
        -------
        pandas.DataFrame
            Columns `output`, `role`, `feed`, `set_in`, `delay_ms`,
            `delay_samples`, `delay_m`, `delay_ft`, `low_cut_hz`, `low_cut_order`,
            `low_cut_kind`, `shelf_db`, `shelf_hz`, `trim_db`, `polarity`. A trim
            of minus infinity means that the output stays off; a low cut of NaN
            that there is none.
        """
        import pandas as pd

        return pd.DataFrame(self.rows())

    def rows(self) -> list[dict[str, Any]]:
        """Return the rows of `table` as dictionaries."""
        roles = output_roles(self.venue)
        rows = []
        for name, output in self.venue.outputs.items():
            own = self.settings[name]
            length_m = ms_to_m(own.delay_ms, self.air)
            rows.append({
                "output": name,
                "role": roles.get(name, "unused"),
                "feed": output.feed,
                "set_in": output.set_in,
                "delay_ms": own.delay_ms,
                "delay_samples": ms_to_samples(own.delay_ms, output.sample_rate_hz),
                "delay_m": length_m,
                "delay_ft": m_to_ft(length_m),
                "low_cut_hz": np.nan if own.low_cut_hz is None else own.low_cut_hz,
                **{key: getattr(own, key) for key in _AS_DIALLED},
            })
        return rows

    def figures(self) -> dict[str, float]:
        """Every number that one would rank plans by, in one flat dictionary.

        Returns
        -------
        dict of str to float
            Of the whole: `unmet` targets, `served_share` of all rows and `missing_steps` they
            lack on average (just noticeable steps) with the plan and `..._before` with the
            mains alone, front-to-back `spread_db`, lowest `speech_index`, seats that lose the
            image (`image_lost_share` of those that hear a fill), worst `echo`, `loudest_dba`,
            `gain_before_feedback_db`, `back_gain_db`, `front_relief_db`. Of each fill, after
            its output and a colon: `delay_ms`, `trim_db`, `served_share`, `missing_steps`,
            `early_ms`, `uncertainty_ms`, `headroom_db`.

        Examples
        --------
        >>> from fillalign import plan_fills, read_demo_venue
        >>> figures = plan_fills(read_demo_venue("lantern_room")).figures()
        >>> figures["unmet"], figures["served_share"], figures["Fill: trim_db"]
        (0.0, 1.0, -inf)
        """
        rows = np.bincount(self.walk.area)
        before, after = (
            {"served_share": np.average([need.served_share for need in needs], weights=rows),
             "missing_steps": np.average([need.missing_steps for need in needs], weights=rows),
             "speech_index": min(need.speech_index for need in needs)}
            for needs in (self.needs, self.needs_after)
        )
        echo, heard = self.checks.echo[np.isfinite(self.checks.echo)], len(self.checks.fill)
        whole = {
            "unmet": len(self.unmet),
            **after,
            **{f"{name}_before": value for name, value in before.items()},
            "spread_db": self.walk.spread_db("after"),
            "spread_db_before": self.walk.spread_db("before"),
            "image_lost_share": np.count_nonzero(~self.checks.keeps_image) / max(heard, 1),
            "echo": echo.max(initial=0.0),
            "loudest_dba": self.loudest_dba,
            "gain_before_feedback_db": self.gain_before_feedback_db,
            "back_gain_db": self.back_gain_db,
            "front_relief_db": self.front_relief_db,
        }
        for fill in self.fills:
            own = self.settings[fill.output]
            whole |= {f"{fill.output}: {name}": value for name, value in {
                "delay_ms": own.delay_ms,
                "trim_db": own.trim_db,
                "served_share": fill.served_share,
                "missing_steps": fill.missing_steps,
                "early_ms": fill.early_ms,
                "uncertainty_ms": fill.uncertainty.total_ms,
                "headroom_db": headroom_db(self.venue, fill.output, own.shelf_db) - own.trim_db,
            }.items()}
        return {name: float(value) for name, value in whole.items()}

    def seats(self, points: ArrayLike | None = None) -> pd.DataFrame:
        """One row for each seat and each fill it hears.

        Parameters
        ----------
        points : array_like, optional
            Points (n, 3) in m instead of the venue's seats: then one row for each of them
            and each fill that sounds. They belong to no area, and no shadow applies.

        Returns
        -------
        pandas.DataFrame
            Columns `seat`, `area`, `x_m`, `y_m`, `z_m`, `fill`, `reference` (the
            main that counts), `covered`, `gap_ms`, `level_difference_db` (fill
            over mains, direct sound), `limit_db` (precedence table),
            `keeps_image`, `margin_ms` (extra delay that would keep it),
            `ripple_db`, `other_fill`, `other_gap_ms`, `level_dba`, `speech_before`,
            `speech_after` (transmission index, mains alone and everything), `echo`
            (above 1 disturbing, `echo_criterion`; NaN where it has no say). Some seats hear
            fills that do not cover them: `covered` tells. The table is long; wide:
            ``seats.pivot(index=["x_m", "y_m"], columns="fill", values="gap_ms")``.

        Examples
        --------
        Seats that lose the image at the stage with these settings:

        >>> from fillalign import OutputSettings, evaluate, read_demo_venue
        >>> room = read_demo_venue("lantern_room")
        >>> plan = evaluate(room, {"Fill": OutputSettings(delay_ms=12.0, trim_db=0.0)})
        >>> seats = plan.seats()
        >>> lost = seats[seats["covered"] & ~seats["keeps_image"]]
        >>> len(lost), lost["seat"].iloc[0], float(lost["gap_ms"].iloc[0].round(1))
        (26, 'back x 7.0 y -2.0', -0.4)
        """
        import pandas as pd

        names = list(self.venue.outputs)
        checks = self.checks if points is None else self._checks_at(points)
        areas = [self.venue.areas[int(i)].name if i >= 0 else "" for i in checks.area]
        return pd.DataFrame({
            "seat": [f"{area} x {x:.1f} y {y:.1f}".lstrip()
                     for area, (x, y, _) in zip(areas, checks.point_m, strict=True)],
            "area": areas,
            **dict(zip(("x_m", "y_m", "z_m"), checks.point_m.T, strict=True)),
            "fill": [names[int(i)] for i in checks.fill],
            "reference": [self.venue.sources[int(i)].name for i in checks.main],
            **{name: getattr(checks, name) for name in _OF_THE_FILL},
            "other_fill": [names[int(i)] if i >= 0 else "" for i in checks.other],
            **{name: getattr(checks, name) for name in _OF_THE_SEAT},
        })

    def _checks_at(self, points: ArrayLike) -> SeatChecks:
        places = np.atleast_2d(as_points("points", points))
        if places.ndim > 2:
            raise ValueError(f"points must have shape (n, 3), got {places.shape}")
        paths = trace_paths(self.venue, single_points(places), self.venue.states["show"], self.air)
        return check_points(paths, self.settings,
                            [fill.output for fill in self.fills if fill.sounding])

    def planned_airs(self) -> list[Air]:
        """Airs of the re-time table: the venue's temperatures at constant vapour.

        Without any in the file, 10 degrees either way in steps of 5, from 0 to 30 C.
        """
        here = self.air.temperature_c
        around = [here + step for step in (-10, -5, 5, 10) if 0.0 <= here + step <= 30.0]
        temperatures = self.venue.weather_c or around
        return [self.air.at_temperature(t) for t in sorted({*temperatures, here})]

    def retime_rows(
        self, airs: Iterable[Air], winds: Iterable[tuple[float, float]] | None = None
    ) -> list[dict[str, Any]]:
        """Delay of every fill in each air, and wind if given, as dictionaries."""
        steps = {fill.output: self.venue.outputs[fill.output].delay_step_ms for fill in self.fills}
        return [
            {
                "temperature_c": air.temperature_c,
                "humidity_pct": air.humidity_pct,
                "speed_m_s": air.speed_m_s,
                **{name: max(0.0, float(round_up_to_step(self.wanted_ms(name, air, wind), step)))
                   for name, step in steps.items()},
            }
            for air, wind in zip(airs, repeat(None) if winds is None else winds, strict=False)
        ]

    def wanted_ms(self, output: str, air: Air, wind: tuple[float, float] | None = None) -> float:
        """Delay of a fill in other air before it is rounded; negative where its path is late.

        A `wind` other than the plan's is in m/s and the degrees that it blows towards.
        """
        fill, state = self.fill(output), self.venue.states["show"]
        here = state.wind_m_s, state.wind_towards_deg
        now, then = (fill.basis.blown(*blows).answers(of_air).of_rule(fill.delay_rule)
                     for blows, of_air in ((here, self.air), (wind or here, air)))
        delay = self.settings[output].delay_ms
        # A path that is late already wants less than nothing.
        return (delay - fill.hold_back_ms if delay == 0 else delay) + (then - now)

    def retime(self, weather: Any = None) -> pd.DataFrame:
        """Delay of every fill for other weather, in ms.

        Parameters
        ----------
        weather : optional
            Temperatures in degrees C (at constant water vapour, humidity capped
            at 100 %), `Air` objects, or a logged DataFrame with `temperature_c`,
            `humidity_pct` and, if known, `pressure_kpa`, `wind_m_s` and
            `wind_towards_deg`; its index is kept. By default the file's
            temperatures, or 10 degrees either way.

        Returns
        -------
        pandas.DataFrame
            `temperature_c`, `humidity_pct`, `speed_m_s` and one column a fill: wide. Long:
            ``table.melt(list(table.columns[:3]), var_name="fill", value_name="delay_ms",
            ignore_index=False)``. Other columns of a log are left out.

        Raises
        ------
        TypeError
            If the weather is no list or log, or holds something else than numbers.
        ValueError
            If a value is out of range, or a log lacks a column.

        Examples
        --------
        >>> from fillalign import plan_fills, read_demo_venue
        >>> plan = plan_fills(read_demo_venue("lantern_room"))
        >>> plan.retime([10.0, 21.0, 30.0])["Fill"].round(2).tolist()
        [19.61, 19.33, 19.12]
        """
        import pandas as pd

        if isinstance(weather, pd.DataFrame):
            return pd.DataFrame(self.retime_rows(*self._logged(weather)), weather.index)
        try:
            if isinstance(weather, str):
                raise TypeError
            given = self.planned_airs() if weather is None else list(weather)
        except TypeError:
            raise TypeError("weather must be a list of temperatures in C or of airs, or a log as a "
                            f"DataFrame, got {quoted(str(weather))}") from None
        return pd.DataFrame(self.retime_rows(
            one if isinstance(one, Air) else self.air.at_temperature(one) for one in given))

    def _logged(self, log: pd.DataFrame) -> tuple[list[Air], list[tuple[float, float]] | None]:
        """Return the airs of a log, and its winds if it has any."""
        windy = "wind_m_s" in log
        for name in ("humidity_pct", "temperature_c", *["wind_towards_deg"] * windy):
            if name not in log:
                raise ValueError(f"the weather log lacks the column {name}")
        log = log.assign(pressure_kpa=log.get("pressure_kpa", self.air.pressure_kpa))
        names = ("temperature_c", "humidity_pct", "pressure_kpa")
        airs = [Air(*row) for row in zip(*(as_float(n, log[n]) for n in names), strict=True)]
        if not windy:
            return airs, None
        speed = as_float("wind_m_s", log["wind_m_s"], "m/s", low=0.0, high=50.0)
        return airs, [*zip(speed, as_float("wind_towards_deg", log["wind_towards_deg"], "degrees"),
                           strict=True)]

    def to_dict(self) -> dict[str, Any]:
        """Everything in the plan as plain lists, numbers and strings, fit for JSON.

        What is not finite becomes a word, such as the "-inf" trim of an output that stays off;
        `saved_settings` makes settings of it again.
        """
        return {name: _plain(getattr(self, name)) for name in self.__dataclass_fields__}


def retimed(plan: FillPlan, air: Air) -> Settings:
    """Return a plan's settings with the delays that its fills take in other air.

    Examples
    --------
    >>> from fillalign import Air, plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("tidewell_hall"))
    >>> round(retimed(plan, Air(10.0, 50.0))["Fill inner"].delay_ms, 2)
    77.64
    """
    row, = plan.retime_rows([as_air(air)])
    settings = plan.settings
    for fill in plan.fills:
        most = plan.venue.outputs[fill.output].delay_max_ms
        settings = settings.replaced(fill.output, delay_ms=min(row[fill.output], most))
    return settings


def _plain(value: Any) -> Any:
    if hasattr(value, "__dataclass_fields__"):
        fields = {name: _plain(getattr(value, name)) for name in value.__dataclass_fields__}
        return {**fields, "text": str(value)} if isinstance(value, Finding) else fields
    if isinstance(value, Enum):
        return value.name.lower()
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, (np.ndarray, np.generic)):
        return _plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [_plain(part) for part in value]
    # NaN is not equal to itself and infinity is no JSON: both become words.
    return str(value) if isinstance(value, float) and not np.isfinite(value) else value
