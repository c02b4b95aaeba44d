"""What a set-up sheet says, as tables and lines of text: made once, laid out elsewhere."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fillalign.planning import FillPlan, FillReport, quantile
from fillalign.propagation import distance_m, m_to_ft

CHECK_ORDER = (
    "Before: mute every fill, warn everybody, start low. Each delay is dialled once only, where "
    "this sheet says it lives, and no other stands on its way (console, processor, amplifier). If "
    "the air is not that above, dial the delays of the re-time table.",
    "Mains alone: pink noise, meter at the seats listed. Bring the noise to the reading expected "
    "at the first seat and leave it there.",
    "Fill alone, with its low cut and shelf: each at its seat. What counts is fill less mains: "
    "correct the trim until that is as listed.",
    "Polarity click: a click through the mains and one fill at a time. It must be one click, not "
    "two. Turn the fill's polarity over: the sum at its seat must get thinner. Turn it back.",
    "Both: read again, then walk from the stage to the back past every fill and listen to timing, "
    "tone and level.",
    "Write down what was set, the air and the time. When the air moves on, dial the delays of the "
    "re-time table.",
)
_CHECK_WITHOUT_FILLS = (
    "Before: mute every fill, warn everybody, start low.",
    "Mains alone: walk from the stage to the back with noise, then with speech. The level falls "
    "gently and the words stay clear, or write down where they do not.",
    "Write down what was set, the air and the time.",
)
AXES = ("x runs from the line of the mains into the venue, y to the left as seen from the stage "
        "(to the right is minus), z up from the floor, all in m.")
_LOW_CUT_NAMES = {"linkwitz-riley": "Linkwitz-Riley", "butterworth": "Butterworth"}


@dataclass(frozen=True)
class Table:
    """A table of the sheet, its cells as text."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def check_order(plan: FillPlan) -> tuple[str, ...]:
    """Return the steps of the check, fewer where no fill sounds."""
    return CHECK_ORDER if sounding_fills(plan) else _CHECK_WITHOUT_FILLS


def trim_text(trim_db: float) -> str:
    """Return a trim as text: minus infinity is off."""
    if math.isinf(trim_db):
        return "off"
    return f"{trim_db:+.1f} dB" if trim_db else "0.0 dB"


def whole_samples(samples: float) -> int:
    """Return a delay in whole samples, rounded up so that a fill is not early."""
    return math.ceil(samples - 1e-6)


def air_text(plan: FillPlan) -> str:
    """Say which air the sheet was computed for."""
    air, check = plan.air, plan.venue.states["check"].air
    return (
        f"Computed for {air.temperature_c:.1f} C, {air.humidity_pct:.0f} % relative humidity, "
        f"{air.pressure_kpa:.1f} kPa: sound travels {air.speed_m_s:.1f} m/s. Readings are for the "
        f"check, the venue empty at {check.temperature_c:.1f} C and {check.humidity_pct:.0f} %."
    )


def boxes_of(plan: FillPlan, output: str) -> str:
    """Name the boxes that an output drives."""
    return ", ".join(s.name for s in plan.venue.sources if s.output == output) or "no box"


def settings_table(plan: FillPlan) -> Table:
    """One row an output: what to dial, and where."""
    rows = []
    for row in plan.rows():
        cut, shelf = row["low_cut_hz"], row["shelf_db"]
        name = _LOW_CUT_NAMES.get(row["low_cut_kind"], row["low_cut_kind"])
        rate = plan.venue.outputs[row["output"]].sample_rate_hz
        rows.append(
            (
                row["output"],
                boxes_of(plan, row["output"]),
                row["feed"],
                row["set_in"],
                f"{row['delay_ms']:.2f}",
                f"{whole_samples(row['delay_samples'])}",
                f"{rate / 1000:g} kHz",
                f"{row['delay_m']:.2f}",
                f"{row['delay_ft']:.1f}",
                "none" if np.isnan(cut) else f"{cut:.0f} Hz {name} {6 * row['low_cut_order']} "
                                             "dB/oct",
                f"{shelf:+.1f} dB, corner {row['shelf_hz']:.0f} Hz" if shelf else "none",
                trim_text(row["trim_db"]),
                row["polarity"],
            )
        )
    columns = ("output", "boxes", "feed", "set in", "ms", "samples", "rate", "m", "ft", "low cut",
               "shelf", "trim", "polarity")
    return Table("Settings", columns, tuple(rows))


def sounding_fills(plan: FillPlan) -> list[FillReport]:
    """Return the fills that are in use."""
    return [fill for fill in plan.fills if fill.sounding]


def readings_table(plan: FillPlan) -> Table:
    """Meter readings to expect at the aim seat of each fill that sounds."""
    rows = []
    for fill in sounding_fills(plan):
        reading = fill.reading
        x, y, z = reading.seat_m
        rows.append(
            (
                fill.output,
                f"{x:.1f}, {y:.1f}, {z:.2f}",
                f"{reading.mains_dba:.1f} ({reading.mains_dbc:.1f})",
                f"{reading.fill_dba:.1f} ({reading.fill_dbc:.1f})",
                f"{reading.fill_dba - reading.mains_dba:+.1f}",
                f"{reading.both_dba:.1f}",
            )
        )
    columns = ("fill", "seat x, y, z, m", "mains, dBA (dBC)", "fill, dBA (dBC)",
               "fill - mains, dB", "both, dBA")
    title = "Meter readings to expect: pink noise, venue empty, each alone and both"
    return Table(title, columns, tuple(rows))


def positions_table(plan: FillPlan) -> Table:
    """Where each box is and is aimed, and the laser distance of a fill to the nearest main."""
    mains = [source.position_m for source in plan.venue.of_role("main")]
    rows = []
    for source in plan.venue.sources:
        near = float(np.min(distance_m(source.position_m, mains)))
        rows.append(
            (
                source.name,
                ", ".join(f"{value:.2f}" for value in source.position_m),
                ", ".join(f"{value:.2f}" for value in source.aim_m),
                f"{near:.2f} m, {m_to_ft(near):.1f} ft" if source.role == "fill" else "",
            )
        )
    columns = ("box", "at x, y, z", "aimed at x, y, z", "to the nearest main")
    return Table("Where the boxes are", columns, tuple(rows))


def retime_table(plan: FillPlan) -> Table:
    """Delay of each fill that sounds, in ms, for the temperatures planned."""
    names = [fill.output for fill in sounding_fills(plan)]
    rows = [
        (
            f"{row['temperature_c']:.1f}{' *' if row['temperature_c'] == here else ''}",
            f"{row['humidity_pct']:.0f}",
            *(f"{row[name]:.2f}" for name in names),
        )
        for here in [plan.air.temperature_c]
        for row in plan.retime_rows(plan.planned_airs())
    ]
    title = "Re-time: delay in ms for other air, at constant water vapour (* as computed)"
    return Table(title, ("air, C", "humid, %", *names), tuple(rows) if names else ())


def seats_table(plan: FillPlan) -> Table:
    """Show what the covered seats of each sounding fill get, from lowest to highest."""
    checks, rows = plan.checks, []
    for fill in sounding_fills(plan):
        here = checks.fill == list(plan.venue.outputs).index(fill.output)
        own = here & checks.covered.astype(bool)
        gap, over = checks.gap_ms[own], checks.level_difference_db[own]
        before, after = checks.speech_before[own].mean(), checks.speech_after[own].mean()
        rows.append(
            (
                fill.output,
                f"{gap.min():.1f} to {gap.max():.1f}",
                f"{over.min():+.1f} to {over.max():+.1f}",
                f"{quantile(checks.ripple_db[own], 0.5):.1f}",
                f"{checks.keeps_image[here].sum()} of {here.sum()}",
                f"{before:.2f} / {after:.2f}",
            )
        )
    columns = ("fill", "gap, ms", "over mains, dB", "ripple, dB", "image kept", "speech index")
    title = ("At the seats covered: gap to the mains, fill over mains, usual ripple, seats that "
             "hear it and keep the image, speech index without / with fills")
    return Table(title, columns, tuple(rows))


def trim_table(fill: FillReport, set_db: float) -> Table:
    """Benefit and harm of trims around the one set."""
    curve = fill.trim
    picked = sorted({int(np.abs(curve.trim_db - set_db - step).argmin())
                     for step in (-6.0, -3.0, 0.0, 3.0, 6.0)})
    rows = tuple(
        (
            f"{curve.trim_db[i]:+.1f}{' *' if curve.trim_db[i] == set_db else ''}",
            f"{100 * curve.served_share[i]:.0f}",
            f"{100 * curve.precedence_share[i]:.0f}",
            f"{curve.climb_db[i]:.1f}",
            f"{curve.speech_covered[i]:.2f}",
            f"{curve.speech_ahead[i]:.2f}",
        )
        for i in picked
    )
    columns = ("trim, dB", "rows served, %", "image kept, %", "climb, dB", "speech covered",
               "speech ahead")
    return Table("Benefit and harm of the trim (* as set)", columns, rows)


def walk_table(plan: FillPlan) -> Table:
    """Total level along the walk before and after, at a dozen rows."""
    walk = plan.walk
    rows = np.unique(np.linspace(0, len(walk.x_m) - 1, 12).round().astype(int))
    word = "useful" if plan.venue.indoors else "direct"
    meaning = "useful (direct and early)" if plan.venue.indoors else word
    columns = ("x, m", "mains alone, dBA", "with fills, dBA", f"{word} with fills, dBA",
               "profile, dBA")
    values = (walk.x_m, walk.before_dba, walk.after_dba, walk.heard_after_dba, walk.profile_dba)
    return Table(f"Level along the walk; the profile is for the {meaning} sound", columns,
                 tuple(tuple(f"{value[i]:.1f}" for value in values) for i in rows))


def assumption_lines(plan: FillPlan) -> tuple[str, ...]:
    """Name what the sheet rests on, and the readings that moved the model; without defaults."""
    moved = (
        f"{m.output}: levels are shifted to the reading at x {m.at_m[0]:.1f} y {m.at_m[1]:.1f} "
        f"z {m.at_m[2]:.1f} m ({m.state})."
        for m in plan.venue.measured
    )
    defaults = set(plan.venue.defaults_used)
    paths = ", ".join(f"{name} {own.latency_ms:g} ms" for name, own in plan.venue.outputs.items())
    return (
        *(line for line in plan.assumptions if line not in defaults),
        f"Latency of the paths, counted in: {paths}. A fill's path that takes longer than this "
        "needs that much less delay.",
        *moved,
    )
