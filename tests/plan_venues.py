"""Venues drawn from a seed, none like another, to hold what must be true of every plan.

Rooms and fields, one to three tiers of fills, pairs and single boxes, wind, shadows,
rakes, arrays, subs, own margins and rules, locks and readings: each is there in some.
Lengths in m. They are small, so that many can be planned.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from fillalign import (
    OCTAVES_NOMINAL,
    Air,
    Area,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    Room,
    Source,
    State,
    Venue,
    seat_field,
)

Rng = np.random.Generator


def pick(rng: Rng, *items: Any) -> Any:
    """Return one of some items."""
    return items[int(rng.integers(len(items)))]


def by_octave(rng: Rng, low: float, high: float, fall: float) -> dict[int, float]:
    """Return a value by octave about one drawn at 1 kHz, changing by a factor an octave."""
    middle = float(rng.uniform(low, high))
    return {octave: round(middle * fall ** (number - 4), 3)
            for number, octave in enumerate(OCTAVES_NOMINAL)}


class Draw:
    """A venue being drawn: sizes first, then what hangs where."""

    def __init__(self, seed: int) -> None:
        rng = self.rng = np.random.default_rng([20, seed])
        self.name = f"Random {seed}"
        self.outdoors = bool(rng.random() < 0.35)
        self.depth = float(rng.uniform(60, 120) if self.outdoors else rng.uniform(18, 45))
        self.width = float(self.depth * rng.uniform(0.4, 0.9))
        self.height = float(rng.uniform(3.2, 12.0))
        self.even = bool(rng.random() < 0.5)
        self.programme = pick(rng, "speech", "music")
        self.outputs: list[Output] = []
        self.sources: list[Source] = []
        self.boxes: dict[str, Loudspeaker] = {}

    def venue(self) -> Venue:
        """Draw everything."""
        areas = self.areas()
        self.mains()
        self.fills(areas)
        volume = self.depth * self.width * self.height * float(self.rng.uniform(0.8, 1.1))
        venue = Venue(
            name=self.name, programme=self.programme, states=self.states(),
            loudspeakers=self.boxes, outputs={one.name: one for one in self.outputs},
            sources=tuple(self.sources), areas=areas, goals=self.goals(),
            room=None if self.outdoors else Room(-4.0, self.depth + 2.0, self.width + 4.0,
                                                 self.height, volume),
            hold_back_ms=float(pick(self.rng, 0.0, 0.0, 6.5)),
            stage_microphone_m=(-1.0, 0.0 if self.even else 0.7, 1.5),
            weather_c=tuple(pick(self.rng, (), (2.0, 16.0, 30.0))),
        )
        return self.measured(venue)

    def states(self) -> dict[str, State]:
        """Two states that differ."""
        rng, states = self.rng, {}
        pressure = float(pick(rng, 101.325, 90.0))
        for name in ("check", "show"):
            air = Air(float(rng.uniform(6, 29)), float(rng.uniform(25, 90)), pressure)
            decay = {} if self.outdoors else by_octave(rng, 0.5, 3.2, 0.9)
            wind = float(rng.uniform(1, 8)) if self.outdoors and rng.random() < 0.7 else 0.0
            states[name] = State(name, air, wind, float(rng.uniform(-180, 180)), decay)
        return states

    def goals(self) -> Goals:
        """Goals, some of them left out."""
        rng = self.rng
        sti = float(rng.uniform(0.4, 0.65)) if self.programme == "speech" else None
        return Goals(
            allowed_fall_db=float(pick(rng, 0.5, 1.0, 2.0, 3.0, 5.0)),
            image_margin_ms=float(pick(rng, 0.0, 3.0, 5.0, 8.0, 12.0)),
            delay_rule=pick(rng, "equal-level", "equal-level", "box-to-box", "never-early"),
            highs_loss_db=float(pick(rng, 3.0, 6.0, 9.0)),
            sti=sti,
            reference_dba=float(rng.uniform(70, 90)) if rng.random() < 0.3 else None,
            back_dba=float(rng.uniform(65, 85)) if rng.random() < 0.2 else None,
            priority=pick(rng, "auto", "auto", "auto", "words", "image"),
            noise_db=(dict.fromkeys(OCTAVES_NOMINAL, float(rng.uniform(20, 50)))
                      if rng.random() < 0.3 else {}),
        )

    def areas(self) -> tuple[Area, ...]:
        """Two or three areas, one behind another, the last now and then in a shadow."""
        rng = self.rng
        edges = np.cumsum([rng.uniform(0.1, 0.2), *rng.dirichlet([4.0] * int(rng.integers(2, 4)))])
        edges = edges / edges[-1] * self.depth
        areas = []
        for number, (start, end) in enumerate(pairwise(edges)):
            half = self.width / 2 * float(rng.uniform(0.6, 1.0))
            aside = 0.0 if self.even else float(rng.uniform(-0.15, 0.15)) * self.width
            spacing = max((end - start) / 5.5, 0.9)
            last = number == len(edges) - 2
            shadow = last and rng.random() < 0.5
            areas.append(Area(
                f"area {number + 1}", float(start) + 0.5, max(float(end), float(start) + 0.5),
                max(aside - half, -self.width / 2), min(aside + half, self.width / 2),
                row_spacing_m=float(spacing), seat_spacing_m=float(half / 1.8),
                floor_m=float(rng.uniform(0, 0.8)) if last else 0.0,
                ear_height_m=float(pick(rng, 1.2, 1.65)),
                rake_deg=0.0 if self.height < 6 else float(pick(rng, 0.0, 0.0, 4.0)),
                shadowed_from=("mains",) if shadow else (),
                shadow_loss_db=by_octave(rng, 2.0, 14.0, 1.3) if shadow else {},
                allowed_fall_db=float(rng.uniform(2, 8)) if rng.random() < 0.15 else None,
                priority=pick(rng, None, None, None, None, "words", "image"),
            ))
        return tuple(areas)

    def box(self, name: str, level: float, above: float, **fields: Any) -> str:
        """Add a kind of loudspeaker."""
        rng = self.rng
        self.boxes[name] = Loudspeaker(
            name, (float(rng.uniform(60, 120)), float(rng.uniform(30, 80))), level + above,
            level_dba=level, low_limit_hz=float(rng.uniform(50, 110)),
            control_hz=float(rng.uniform(500, 1500)), rear_floor_db=float(rng.uniform(-24, -12)),
            **fields,
        )
        return name

    def out(self, name: str, feed: str, **fields: Any) -> str:
        """Add an output."""
        rng = self.rng
        self.outputs.append(Output(
            name, feed, "rack", latency_ms=round(float(rng.uniform(0.5, 6.0)), 2),
            delay_step_ms=float(pick(rng, 0.01, 0.02, 0.1, 0.5)),
            sample_rate_hz=float(pick(rng, 48000, 96000)), **fields))
        return name

    def mains(self) -> None:
        """Hang one main, two on one feed, or two on left and right; now and then a sub."""
        rng = self.rng
        side, high = float(self.width * rng.uniform(0.15, 0.35)), min(self.height - 0.4, 7.0)
        aim = self.depth * float(rng.uniform(0.3, 0.6))
        level = float(rng.uniform(94, 104)) + (14.0 if self.outdoors else 0.0)
        fields = {"elements": 4, "spacing_m": 0.3, "splay_deg": 4.0} if rng.random() < 0.25 else {}
        kind = self.box("main box", level, 24.0, **fields)
        feeds = pick(rng, ("mono",), ("mono", "mono"), ("mono", "mono"), ("left", "right"))
        sides = (0.0,) if len(feeds) == 1 else (side, -side)
        apart = feeds == ("left", "right")
        for number, (y, feed) in enumerate(zip(sides, feeds, strict=True)):
            if number == 0 or apart:
                output = self.out(f"Main {feed}", feed)
            off = 0.0 if self.even else float(rng.uniform(-0.6, 0.6))
            self.sources.append(Source(f"M{number}", "main", output, kind, (off, y + off, high),
                                       (aim, y * 0.4 + off, 1.2)))
        if apart and self.even:
            self.outputs[1] = replace(self.outputs[0], name="Main right", feed="right")
        if rng.random() < 0.2:
            name = self.out("Subs", "mono")
            kind = self.box("sub box", level, 20.0)
            self.boxes[kind] = Loudspeaker(kind, (360, 360), level + 20.0, low_limit_hz=32.0,
                                           level_by_octave_db={63: level, 125: level - 6.0})
            self.sources.append(Source("S", "sub", name, kind, (0.5, 0.0, 0.5), (9.0, 0.0, 0.5)))

    def fills(self, areas: tuple[Area, ...]) -> None:
        """Hang fills for the areas behind the first, and now and then front fills."""
        rng = self.rng
        for area in areas[1:]:
            if area is not areas[-1] and rng.random() < 0.4:
                continue
            kind = "tower" if self.outdoors else pick(rng, "delay", "delay", "under-balcony")
            self.tier(area, kind, area.x_from_m - float(rng.uniform(0.5, 7.0)))
        if rng.random() < 0.25:
            self.tier(areas[0], "front", float(rng.uniform(0.2, 0.8)))

    def tier(self, area: Area, kind: str, x: float) -> None:
        """Hang a pair of boxes, on one output or on two, or one box."""
        rng, number = self.rng, len(self.outputs)
        x = max(x, 0.1)
        low = kind in ("under-balcony", "front")
        z = 1.1 if kind == "front" else min(self.height - 0.3, 3.2 if low else 5.5)
        level = float(rng.uniform(84, 96)) + (10.0 if kind == "tower" else 0.0)
        box = self.box(f"{kind} box {number}", level, float(rng.uniform(6, 22)))
        middle = 0.0 if self.even else (area.y_from_m + area.y_to_m) / 2
        side = (area.y_to_m - area.y_from_m) / 2 * float(rng.uniform(0.3, 0.8))
        target = area.x_from_m + (area.x_to_m - area.x_from_m) * float(rng.uniform(0.4, 0.9))
        sides = pick(rng, (0.0,), (side, -side), (side, -side))
        own: dict[str, Any] = {"low_cut_kinds": pick(rng, ("linkwitz-riley",), ("butterworth",)),
                               "low_cut_orders": pick(rng, (4,), (2, 4))}
        if rng.random() < 0.2:
            own["image_margin_ms"] = float(rng.uniform(0, 12))
        if rng.random() < 0.2:
            own["delay_rule"] = pick(rng, "equal-level", "box-to-box", "never-early")
        if rng.random() < 0.1:
            own["locked"] = pick(rng, {"trim_db": -6.0}, {"low_cut_hz": 120.0}, {"delay_ms": 60.0})
        split = len(sides) > 1 and rng.random() < 0.4
        stereo = split and self.outputs[0].feed == "left"
        for at, y in enumerate(sides):
            if at == 0:
                output = self.out(f"{kind} {number}", "left" if stereo else "mono", **own)
            elif split:
                # A second output like the first, so that a pair may be one decision.
                output = f"{kind} {number} R"
                self.outputs.append(replace(self.outputs[-1], name=output,
                                            feed="right" if stereo else "mono"))
            off = 0.0 if self.even else float(rng.uniform(-1.0, 1.0))
            self.sources.append(Source(
                f"F{number}.{at}", "fill", output, box, (x + off, middle + y + off, z),
                (target + off, middle + 0.8 * y, 1.2), kind, (area.name,)))

    def measured(self, venue: Venue) -> Venue:
        """Add now and then a reading of the first output, some dB from the model."""
        if self.rng.random() > 0.2:
            return venue
        name, area = next(iter(venue.outputs)), venue.areas[0]
        seat = tuple(map(float, area.seats_m()[0]))
        field = seat_field(venue, seats_m=[seat], sounding=[name], state="check")
        model = float(field.frame()["total_dba"].iloc[0])
        read = round(model + float(self.rng.uniform(-4, 4)), 1)
        return replace(venue, measured=(Measured(name, seat, "check", level_dba=read),))


def random_venue(seed: int) -> Venue:
    """Return the venue of a seed."""
    return Draw(seed).venue()


def mirrored(venue: Venue) -> Venue:
    """Return a venue with the two sides swapped: boxes, seats, wind, readings; feeds stay."""
    def at(point: tuple[float, float, float]) -> tuple[float, float, float]:
        return point[0], -point[1], point[2]

    return replace(
        venue,
        states={name: replace(one, wind_towards_deg=-one.wind_towards_deg)
                for name, one in venue.states.items()},
        sources=tuple(replace(one, position_m=at(one.position_m), aim_m=at(one.aim_m))
                      for one in venue.sources),
        areas=tuple(replace(one, y_from_m=-one.y_to_m, y_to_m=-one.y_from_m)
                    for one in venue.areas),
        stage_microphone_m=at(venue.stage_microphone_m),
        measured=tuple(replace(one, at_m=at(one.at_m)) for one in venue.measured),
    )
