"""A small invented hall for tests of field and planner: fast to plan, and planned once."""

from dataclasses import replace
from functools import cache

from fillalign import (
    Air,
    Area,
    FillPlan,
    Goals,
    Loudspeaker,
    Output,
    Room,
    Source,
    State,
    Venue,
    evaluate,
    plan_fills,
)

RT60 = dict.fromkeys((63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000), 1.4)


def moved(point, shift, mirror):
    """Return a point, mirrored left to right if asked, then shifted."""
    x, y, z = point
    return x + shift[0], (-y if mirror else y) + shift[1], z + shift[2]


def small_hall(*, shift=(0.0, 0.0, 0.0), mirror=False, outdoors=False, wind_m_s=0.0, **goals):
    """Return the hall: two mains on one feed, one pair of fills, rows from 4 to 36 m."""
    def at(*point):
        return moved(point, shift, mirror)

    air = Air(20.0, 45.0)
    states = {
        name: State(
            name,
            air,
            wind_m_s=wind_m_s,
            wind_towards_deg=-30.0 if mirror else 30.0,
            rt60_s={} if outdoors else RT60,
        )
        for name in ("check", "show")
    }
    sides = (-6.5, 6.5)
    sources = [
        Source(f"Main {y:+}", "main", "Mains", "main box", at(0, y, 5), at(14, y * 0.5, 1.2))
        for y in sides
    ] + [
        Source(
            f"Fill {y:+}", "fill", "Fills", "fill box", at(22, y * 0.7, 5), at(32, y * 0.6, 1.2),
            kind="delay", covers=("back",),
        )
        for y in sides
    ]
    y_edges = sorted((at(0, -9, 0)[1], at(0, 9, 0)[1]))

    def area(name, first, last):
        return Area(
            name, first + shift[0], last + shift[0], y_edges[0], y_edges[1],
            row_spacing_m=2.0, seat_spacing_m=3.0, floor_m=shift[2],
        )

    return Venue(
        name="Small Hall",
        programme="speech",
        states=states,
        loudspeakers={
            "main box": Loudspeaker("main box", (90, 50), 120.0, level_dba=94.0, low_limit_hz=60),
            "fill box": Loudspeaker("fill box", (90, 60), 114.0, level_dba=92.0, low_limit_hz=75),
        },
        outputs={
            "Mains": Output("Mains", "mono", "console", latency_ms=2.0),
            "Fills": Output("Fills", "mono", "processor", latency_ms=3.5, delay_step_ms=0.02),
        },
        sources=tuple(sources),
        areas=(area("front", 4, 20), area("back", 24, 36)),
        goals=Goals(**goals),
        # Moved aside or up, it is no longer where a room lies in venue axes.
        room=None if outdoors else Room(-2 + shift[0], 38 + shift[0], 20, 8, 6400.0,
                                        drawn=any(shift[1:])),
        stage_microphone_m=at(-1, 0, 1.5),
    )


@cache
def small_plan(**options) -> FillPlan:
    """Return the plan of the hall, made once for all tests that only read it."""
    return plan_fills(small_hall(**options))


@cache
def small_rest(**options) -> FillPlan:
    """Return the hall with nothing dialled, examined once for all tests that only read it."""
    return evaluate(small_hall(**options), {})


def with_output(venue, name, **changes):
    """Return the venue with some fields of one output changed."""
    outputs = {**venue.outputs, name: replace(venue.outputs[name], **changes)}
    return replace(venue, outputs=outputs)
