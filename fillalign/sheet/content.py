"""What a set-up sheet says, made once; the other modules only lay it out.

`sheet_content` gives the numbers to dial and to read, by name and one record an
output, and everything else as sections of lines and tables.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from fillalign.propagation import distance_m
from fillalign.units import m_to_ft, round_up_to_step
from fillalign.venue import headroom_db

if TYPE_CHECKING:
    import pandas as pd

    from fillalign.planning import FillPlan, FillReport, MeterSeat, Reading

CHECK = (
    "Before: mute every fill, warn everybody, start low. Each delay is dialled once only, where "
    "this sheet says it lives, and no other stands on its way (console, processor, amplifier). If "
    "the air is not that above, dial the delays of the re-time table.",
    "Mains alone: pink noise, meter at the seats listed. Bring the noise to the reading expected "
    "at the first seat and leave it there.",
    "Fill alone, with the low cut and shelf listed, if any: each at its seat. What counts is fill "
    "less mains: correct the trim until that is as listed.",
    "Polarity click: dial the delay for the click, send a click through the mains and one fill at "
    "a time. At its seat it must be one click, not two. Turn the fill's polarity over: the octave "
    "named must fall as listed; where the click cannot tell, a recording must. Turn it back, and "
    "dial the planned delay again.",
    "Both: read again, then walk from the stage to the back past every fill and listen to timing, "
    "tone and level.",
    "Write down what was set, the air and the time. When the air moves on, dial the delays of the "
    "re-time table.",
)
CHECK_WITHOUT_FILLS = (
    "Before: mute every fill, warn everybody, start low.",
    "Mains alone: walk from the stage to the back with noise, then with speech. The level falls "
    "gently and the words stay clear, or write down where they do not.",
    "Write down what was set, the air and the time.",
)
AXES = ("x runs from the line of the mains into the venue, y to the left as seen from the stage "
        "(to the right is minus), z up from the floor, all in m.")
_LOW_CUT_NAMES = {"linkwitz-riley": "Linkwitz-Riley", "butterworth": "Butterworth"}
_TRIM_STEPS_DB = (-6.0, -3.0, 0.0, 3.0, 6.0)
_WALK_ROWS = 12
_CLICK_TELLS_DB = 3.0
_AIRS_ON_PAGE_ONE, _CLICKS_ON_PAGE_ONE, _PLACES = 8, 4, 8


@dataclass(frozen=True)
class Section:
    """A part of the sheet: lines, then a note, then a table, each of which may be empty."""

    key: str
    title: str
    lines: tuple[str, ...] = ()
    note: str = ""
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True)
class Content:
    """What the sheet of a plan says.

    `outputs` holds one record an output, numbers by name; keys of what an output
    has not got (a low cut, a shelf, readings, other delays) are missing. The
    section of reasons of each fill has the key "why" and the fill's name as title.
    """

    title: str
    venue: str
    air: str
    targets: str
    outputs: tuple[Mapping[str, Any], ...]
    sections: tuple[Section, ...]


def sounding_fills(plan: FillPlan) -> list[FillReport]:
    """Return the fills that are in use."""
    return [fill for fill in plan.fills if fill.sounding]


def trim_text(trim_db: float) -> str:
    """Return a trim as text: minus infinity is off."""
    return "off" if math.isinf(trim_db) else f"{trim_db:+.1f} dB" if trim_db else "0.0 dB"


def shown(record: Mapping[str, Any]) -> dict[str, str]:
    """Return the settings of one output as they are printed."""
    cut = shelf = "none"
    if "low_cut_hz" in record:
        kind = _LOW_CUT_NAMES.get(record["low_cut_kind"], record["low_cut_kind"])
        cut = f"{record['low_cut_hz']:.0f} Hz {kind} {6 * record['low_cut_order']} dB/oct"
    if "shelf_hz" in record:
        shelf = f"{record['shelf_db']:+.1f} dB, corner {record['shelf_hz']:.0f} Hz"
    return {
        **{key: record[key] for key in ("output", "boxes", "feed", "set_in", "polarity")},
        "delay": f"{record['delay_ms']:.2f} ms",
        "samples": f"{record['delay_samples']} samples",
        "rate": f"{record['sample_rate_hz'] / 1000:g} kHz",
        "metres": f"{record['delay_m']:.2f} m",
        "feet": f"{record['delay_ft']:.1f} ft",
        "low cut": cut,
        "shelf": shelf,
        "trim": trim_text(record["trim_db"]),
        "headroom": f"{record['headroom_db']:.1f} dB" if "headroom_db" in record else "",
    }


def sheet_content(plan: FillPlan, places: pd.DataFrame | None = None) -> Content:
    """Return everything that the sheet of a plan says, with places that were proposed if any."""
    steps = CHECK if sounding_fills(plan) else CHECK_WITHOUT_FILLS
    unmet = ("Not met", plan.unmet) if plan.unmet else ("Targets", (_targets(plan),))
    told = plan.differences
    sections = (
        Section("measured", "As set and read", told),
        Section("check", "Order of the check", steps),
        _readings(plan),
        *_retime(plan),
        Section("unmet", *unmet),
        Section("summary", "In short (the areas with the mains alone)", plan.summary),
        _places(plan),
        _seats(plan),
        *([] if places is None else [_hang(places)]),
        _more(plan),
        _equal(plan),
        _walk(plan),
        *(_why(plan, fill) for fill in plan.fills),
        Section("cautions", "Cautions", plan.cautions),
        Section("assumptions", "Assumptions", _assumptions(plan)),
        Section("defaults", "Defaults used", plan.defaults or ("None.",)),
    )
    said = tuple(part for part in sections if part.lines or part.note or part.rows)
    title = "Set-up sheet as measured" if told else "Set-up sheet"
    return Content(title, plan.venue.name, _air(plan), _targets(plan), tuple(_records(plan)), said)


def _targets(plan: FillPlan) -> str:
    """Say in a line whether there is more to read than what to set."""
    if not plan.unmet:
        nearly = " within what can be heard: see In short" * bool(plan.nearly_met)
        return f"Every target is met{nearly}."
    one = len(plan.unmet) == 1
    return f"{len(plan.unmet)} target{' is' if one else 's are'} not met: see Not met."


def _air(plan: FillPlan) -> str:
    air, check, show = plan.air, plan.venue.states["check"].air, plan.venue.states["show"]
    wind = "" if show.wind_m_s == 0 else (
        f" Wind counted in: {show.wind_m_s:.1f} m/s towards {show.wind_towards_deg:.0f} degrees "
        "(0 is away from the stage), known to half of it."
    )
    click = "" if air == show.air else ", the delays for the click for the air above"
    return (
        f"Computed for {air.temperature_c:.1f} C, {air.humidity_pct:.0f} % relative humidity, "
        f"{air.pressure_kpa:.1f} kPa: sound travels {air.speed_m_s:.1f} m/s. Readings are for the "
        f"check, the venue empty at {check.temperature_c:.1f} C and {check.humidity_pct:.0f} %"
        f"{click}.{wind}"
    )


def _records(plan: FillPlan) -> Iterable[dict[str, Any]]:
    later = plan.retime_rows(plan.planned_airs())
    readings = {fill.output: fill.reading for fill in sounding_fills(plan)}
    for row in plan.rows():
        name = row["output"]
        # An order or a corner of a filter that is not there would be dialled by somebody.
        gone = [key for key in row if (key.startswith("low_cut") and math.isnan(row["low_cut_hz"]))
                or (key == "shelf_hz" and not row["shelf_db"])]
        own = {
            **{key: value for key, value in row.items() if key not in gone},
            "boxes": ", ".join(s.name for s in plan.venue.sources if s.output == name) or "no box",
            # Rounded up, so that a fill is not early.
            "delay_samples": int(round_up_to_step(row["delay_samples"], 1.0)),
            "sample_rate_hz": plan.venue.outputs[name].sample_rate_hz,
            **{f"computed_{key}": value for key, value in vars(plan.air).items()},
        }
        if name in readings:
            own |= {key: value for key, value in vars(readings[name]).items()
                    if key not in ("more", "basis")}
            own |= {f"{one.where.replace(' ', '_')}_{key}": value for one in readings[name].more
                    for key, value in _numbers(one).items()}
            own |= zip(("seat_x_m", "seat_y_m", "seat_z_m"), readings[name].seat_m, strict=True)
            own |= zip(("equal_x_m", "equal_y_m", "equal_z_m"), readings[name].equal_m, strict=True)
        if math.isfinite(row["trim_db"]):
            own["headroom_db"] = headroom_db(plan.venue, name, row["shelf_db"]) - row["trim_db"]
        own |= {f"delay_ms_at_{air['temperature_c']:g}_c": air[name] if name in readings else ""
                for air in later}
        yield own


def _table(key: str, title: str, note: str, rows: Iterable[Mapping[str, str]]) -> Section:
    cells = list(rows)
    if not cells:
        return Section(key, title)
    return Section(key, title, (), note, tuple(cells[0]), tuple(tuple(c.values()) for c in cells))


def _readings(plan: FillPlan) -> Section:
    """Meter readings to expect at the aim seat of each fill that sounds."""
    named = "readings", "Meter readings to expect"
    if not sounding_fills(plan):
        return Section(*named, note="No fill sounds: there are none to take.")
    note = ("Pink noise, the venue empty, each alone and both; the delay with which a click comes "
            f"from both at once, and what it loses with the fill's polarity turned over. {AXES}")
    return _table(*named, note, (
        {
            "fill": fill.output,
            "seat x, y, z, m": "{:.1f}, {:.1f}, {:.2f}".format(*fill.reading.seat_m),
            "mains, dBA (dBC)": f"{fill.reading.mains_dba:.1f} ({fill.reading.mains_dbc:.1f})",
            "fill, dBA (dBC)": f"{fill.reading.fill_dba:.1f} ({fill.reading.fill_dbc:.1f})",
            "fill - mains, dB": f"{fill.reading.fill_dba - fill.reading.mains_dba:+.1f}",
            "both, dBA": f"{fill.reading.both_dba:.1f}",
            "click at, ms": f"{fill.reading.click_delay_ms:.2f}",
            "turned over": _click(fill.reading),
        } for fill in sounding_fills(plan)
    ))


def _numbers(seat: MeterSeat) -> dict[str, float]:
    """Return the numbers of one more seat by name."""
    return {**dict(zip(("x_m", "y_m", "z_m"), seat.seat_m, strict=True)),
            "mains_dba": seat.mains_dba, "fill_dba": seat.fill_dba, "both_dba": seat.both_dba}


def _more(plan: FillPlan) -> Section:
    """Show what a meter reads in the first and the last row of each fill that sounds."""
    note = "In the first and the last row that the fill covers, as at the seats on page one."
    return _table("more", "More seats for the meter", note, (
        {
            "fill": fill.output,
            "where": seat.where,
            "seat x, y, z, m": "{:.1f}, {:.1f}, {:.2f}".format(*seat.seat_m),
            "mains, dBA": f"{seat.mains_dba:.1f}",
            "fill, dBA": f"{seat.fill_dba:.1f}",
            "both, dBA": f"{seat.both_dba:.1f}",
        } for fill in sounding_fills(plan) for seat in fill.reading.more
    ))


def _equal(plan: FillPlan) -> Section:
    """Show what a meter reads where the direct sounds are nearest to equal."""
    note = ("A meter shows all sound, not the direct alone: it need not read the same of both. The "
            "equal-level answer is a weighted mean over many seats: it is not that of this one.")
    return _table("equal", "Where direct sounds are nearest to equal", note, (
        {
            "fill": fill.output,
            "at x, y, z, m": "{:.1f}, {:.1f}, {:.2f}".format(*fill.reading.equal_m),
            "mains there, dBA": f"{fill.reading.equal_mains_dba:.1f}",
            "fill there, dBA": f"{fill.reading.equal_fill_dba:.1f}",
        } for fill in sounding_fills(plan)
    ))


def _click(reading: Reading) -> str:
    """Say what turning the polarity over does to the click, or that it cannot tell."""
    if reading.click_db > -_CLICK_TELLS_DB:
        return "cannot tell"
    return f"{reading.click_hz} Hz {reading.click_db:+.0f} dB"


def _retime(plan: FillPlan) -> Iterator[Section]:
    """Delay of each fill that sounds, in ms, and that for its click, for the temperatures planned.

    Page one has room for eight airs and for the clicks of four fills; where there are more,
    all of them stand further on.
    """
    fills, airs, here = sounding_fills(plan), plan.planned_airs(), plan.air.temperature_c
    rows = plan.retime_rows(airs)

    def table(key: str, title: str, picked: Iterable[int], *, clicks: bool) -> Section:
        cells = tuple(
            (f"{airs[at].temperature_c:.1f}{' *' * (airs[at].temperature_c == here)}",
             f"{airs[at].humidity_pct:.0f}",
             *(f"{rows[at][fill.output]:.2f}" + f" ({fill.reading.click_ms(airs[at]):.2f})" * clicks
               for fill in fills)) for at in picked)
        note = ("Delay in ms for other air, at constant water vapour (* as computed"
                f"{'; in brackets: click' * clicks}).")
        columns = ("air, C", "humid, %", *(fill.output for fill in fills))
        return Section(key, title, (), note, columns, cells)

    even = np.linspace(0, len(airs) - 1, _AIRS_ON_PAGE_ONE - 1).round().astype(int).tolist()
    own = [air.temperature_c for air in airs].index(here)
    every = range(len(airs))
    first = every if len(airs) <= _AIRS_ON_PAGE_ONE else sorted({own, *even})
    page = table("retime", "Re-time table", first, clicks=len(fills) <= _CLICKS_ON_PAGE_ONE)
    whole = table("whole", "Re-time table, every air", every, clicks=True)
    if fills:
        yield page
    if page.rows != whole.rows:
        yield whole


def _places(plan: FillPlan) -> Section:
    """Where each box is and is aimed, and the laser distance of a fill to the nearest main."""
    mains = [source.position_m for source in plan.venue.of_role("main")]
    near = {s.name: float(np.min(distance_m(s.position_m, mains))) for s in plan.venue.sources
            if s.role == "fill"}
    return _table("places", "Where the boxes are", AXES, (
        {
            "box": source.name,
            "at x, y, z": "{:.2f}, {:.2f}, {:.2f}".format(*source.position_m),
            "aimed at x, y, z": "{:.2f}, {:.2f}, {:.2f}".format(*source.aim_m),
            "to the nearest main": f"{near[source.name]:.2f} m, {m_to_ft(near[source.name]):.1f} ft"
                                   if source.name in near else "",
        } for source in plan.venue.sources
    ))


def _hang(places: pd.DataFrame) -> Section:
    """Show the best of the places that were planned with, and the present one."""
    if "toml" not in getattr(places, "columns", ()):
        raise TypeError("places must be a table such as propose_places returns, got "
                        f"{type(places).__name__}")
    from fillalign.planning import places_in_words

    best = places[(places.index < _PLACES) | places["now"]]
    note = ("Each place was planned with, best first (* as now); what rows lack is in just "
            "noticeable steps. A place is a calculation, not a rigging point: only qualified "
            "riggers say what may hang where, under local codes.")
    note = " ".join(filter(None, (note, places_in_words(places))))
    return _table("hang", f"Where the fills of {best['area'].iloc[0]} could hang", note, (
        {
            "x, m": f"{own['x_m']:.1f}{' *' if own['now'] else ''}",
            "y, m": f"{own['y_m']:.1f}",
            "z, m": f"{own['z_m']:.1f}",
            "aimed at x, m": f"{own['aim_x_m']:.1f}",
            "boxes": f"{own['boxes']}",
            "rows served, %": f"{100 * own['served_share']:.0f}",
            "rows lack": f"{own['missing_steps']:.2f}",
            "others lack": f"{own['elsewhere_steps']:.2f}",
            "speech index": _index(own["speech_index"]),
            "spread, dB": f"{own['spread_db']:.1f}",
            "feedback won, dB": f"{own['gain_before_feedback_db']:+.1f}",
            "delay, ms": f"{own['delay_ms']:.2f}",
            "trim": trim_text(own["trim_db"]),
        } for own in best.to_dict("records")
    ))


def _seats(plan: FillPlan) -> Section:
    """Show what the covered seats of each sounding fill get, from lowest to highest."""
    checks, rows = plan.checks, []
    for fill in sounding_fills(plan):
        here = checks.fill == list(plan.venue.outputs).index(fill.output)
        own = here & checks.covered.astype(bool)
        gap, over = checks.gap_ms[own], checks.level_difference_db[own]
        before, after = checks.speech_before[own].mean(), checks.speech_after[own].mean()
        rows.append({
            "fill": fill.output,
            "gap, ms": f"{gap.min():.1f} to {gap.max():.1f}",
            "over mains, dB": f"{over.min():+.1f} to {over.max():+.1f}",
            "ripple, dB": f"{np.median(checks.ripple_db[own]):.1f}",
            "image kept": f"{checks.keeps_image[here].sum()} of {here.sum()}",
            "speech index": f"{before:.2f} / {after:.2f}",
        })
    note = ("Gap to the mains, fill over mains, usual ripple, seats that hear the fill and keep "
            "the image, mean speech index without / with fills.")
    return _table("seats", "At the seats covered", note, rows)


def _walk(plan: FillPlan) -> Section:
    """Total level along the walk before and after, at a dozen rows."""
    walk, areas, word = plan.walk, plan.venue.areas, "useful" if plan.venue.indoors else "direct"
    meaning = "useful (direct and early)" if plan.venue.indoors else word
    show, check = (plan.venue.states[state].rt60_s.get(1000, 0.0) for state in ("show", "check"))
    empty = ("A meter in the empty venue shows more." if check > show
             else "The meter readings to expect are for the empty venue.")
    note = f"{empty} The profile is for the {meaning} sound."
    places = np.linspace(0, len(walk.x_m) - 1, _WALK_ROWS).round().astype(int)
    return _table("walk", "Level along the walk, with the audience in", note, (
        {
            "x, m": f"{walk.x_m[i]:.1f}",
            **({"area": areas[int(walk.area[i])].name} if len(areas) > 1 else {}),
            "mains alone, dBA": f"{walk.before_dba[i]:.1f}",
            "with fills, dBA": f"{walk.after_dba[i]:.1f}",
            f"{word} with fills, dBA": f"{walk.heard_after_dba[i]:.1f}",
            "profile, dBA": f"{walk.profile_dba[i]:.1f}",
        } for i in np.unique(places)
    ))


def _why(plan: FillPlan, fill: FillReport) -> Section:
    """Reasons of one fill, with the benefit and harm of trims around the one set."""
    curve, own = fill.trim, plan.settings[fill.output].trim_db
    if curve is None or not fill.sounding:
        return Section("why", fill.output, fill.reasons)
    picked = sorted({curve.at(own + step) for step in _TRIM_STEPS_DB})
    table = _table("why", fill.output, "Benefit and harm of the trim (* as set)", (
        {
            "trim, dB": trim_text(curve.trim_db[i])[:-3] + " *" * bool(curve.trim_db[i] == own),
            "rows served, %": f"{100 * curve.served_share[i]:.0f}",
            "image kept, %": f"{100 * curve.precedence_share[i]:.0f}",
            "overshoot, dB": f"{curve.overshoot_db[i]:z.1f}",
            "speech covered": _index(curve.speech_covered[i]),
            "speech ahead": _index(curve.speech_ahead[i]),
        } for i in picked
    ))
    return replace(table, lines=fill.reasons)


def _index(value: float) -> str:
    """Return a speech index as text; there is none where no row lies ahead."""
    return "none" if math.isnan(value) else f"{value:.2f}"


def _assumptions(plan: FillPlan) -> tuple[str, ...]:
    """Name what the sheet rests on, and the readings that moved the model; without defaults."""
    paths = ", ".join(f"{name} {own.latency_ms:g} ms" for name, own in plan.venue.outputs.items())
    return (
        *(line for line in plan.assumptions if line not in plan.defaults),
        f"Latency of the paths, counted in: {paths}. A fill's path that takes longer than this "
        "needs that much less delay.",
    )
