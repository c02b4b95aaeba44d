"""A plan in which no two numbers of a sheet that could be mistaken for each other are alike.

Also what its sheets should say, worked out from the plan's public attributes alone, and
readers of the three forms that know nothing of how they are made.
"""

from __future__ import annotations

import csv
import io
import math
import re
from functools import cache
from html.parser import HTMLParser
from unittest import mock

import numpy as np

from fillalign import (
    Air,
    Area,
    FillPlan,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    OutputSettings,
    Room,
    Source,
    State,
    Venue,
    evaluate,
)
from fillalign.sheet import setup_sheet_html
from tests.demo_plans import demo_plan

OCTAVES = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
OFF = -math.inf
FOOT_M = 0.3048
SETTINGS = {
    "Mains": OutputSettings(delay_ms=3.21, trim_db=-1.5, shelf_db=1.5, shelf_hz=8000.0),
    "Subs": OutputSettings(delay_ms=1.07, trim_db=2.0, low_cut_hz=31.0, low_cut_order=8),
    "Near": OutputSettings(
        delay_ms=64.37, trim_db=-4.5, low_cut_hz=118.0, low_cut_order=2,
        low_cut_kind="butterworth", shelf_db=3.5, shelf_hz=3150.0,
    ),
    "Far": OutputSettings(
        delay_ms=95.83, trim_db=0.0, low_cut_hz=160.0, low_cut_order=4, polarity="inverted",
        shelf_db=-2.0, shelf_hz=5000.0,
    ),
    "Lip": OutputSettings(delay_ms=12.09, trim_db=OFF),
}


def lopsided_venue() -> Venue:
    """Return the venue of the plan."""
    rt60 = [1.9, 1.8, 1.7, 1.6, 1.5, 1.4, 1.2, 0.9, 0.6]
    quick = ("linkwitz-riley", "butterworth")
    return Venue(
        name="Lopsided Barn",
        programme="speech",
        states={
            "check": State("check", Air(12.4, 71.0, 99.2), wind_m_s=0.6, wind_towards_deg=140.0,
                           rt60_s=dict(zip(OCTAVES, rt60, strict=True))),
            "show": State("show", Air(23.7, 38.0, 97.4), wind_m_s=1.1, wind_towards_deg=25.0,
                          rt60_s={one: 0.8 * two for one, two in zip(OCTAVES, rt60,
                                                                     strict=True)}),
        },
        loudspeakers={
            "tower": Loudspeaker("tower", (90, 50), 122.0, level_dba=95.0, low_limit_hz=60),
            "sub": Loudspeaker("sub", (360, 180), 118.0, low_limit_hz=30,
                               level_by_octave_db={63: 100.0, 125: 90.0}),
            "box": Loudspeaker("box", (90, 60), 116.0, level_dba=91.0, low_limit_hz=75),
            "small": Loudspeaker("small", (110, 70), 108.0, level_dba=86.0, low_limit_hz=95),
        },
        outputs={
            "Mains": Output("Mains", "left", "console, output 1", latency_ms=2.1),
            "Subs": Output("Subs", "mono", "console, output 2", latency_ms=2.3,
                           low_cut_orders=(4, 8)),
            "Near": Output("Near", "left", "processor A, output 3", latency_ms=3.4,
                           sample_rate_hz=96000.0, low_cut_kinds=quick, low_cut_orders=(2, 4)),
            "Far": Output("Far", "left", "processor B, output 4", latency_ms=4.7,
                          delay_step_ms=0.05, sample_rate_hz=44100.0, low_cut_kinds=quick,
                          polarity="inverted"),
            "Lip": Output("Lip", "right", "amplifier 5", latency_ms=0.6),
        },
        sources=(
            Source("Main one", "main", "Mains", "tower", (0.3, 6.1, 5.2), (15.0, 3.3, 1.25)),
            Source("Main two", "main", "Mains", "tower", (-0.4, -5.7, 4.9), (14.0, -2.9, 1.15)),
            Source("Sub", "sub", "Subs", "sub", (0.7, 1.9, 0.5), (20.0, 0.6, 1.35)),
            Source("Side fill", "fill", "Near", "box", (21.6, 6.4, 4.3), (28.7, 4.8, 1.22),
                   kind="delay", covers=("middle",)),
            Source("Deep one", "fill", "Far", "box", (32.2, -4.1, 3.9), (38.9, -3.2, 1.31),
                   kind="delay", covers=("back",)),
            Source("Deep two", "fill", "Far", "small", (32.8, 2.7, 3.7), (39.4, 1.4, 1.28),
                   kind="delay", covers=("back",)),
            Source("Edge", "fill", "Lip", "small", (1.1, 0.4, 0.9), (5.2, -0.8, 1.18),
                   kind="front", covers=("front",)),
        ),
        areas=(
            Area("front", 4.0, 20.2, -7.5, 8.5, row_spacing_m=1.8, seat_spacing_m=2.0),
            Area("middle", 23.3, 31.7, -6.5, 8.0, row_spacing_m=1.4, seat_spacing_m=2.2,
                 floor_m=0.35, rake_deg=1.0, ear_height_m=1.27),
            Area("back", 34.1, 43.1, -7.0, 6.0, row_spacing_m=1.5, seat_spacing_m=2.4,
                 floor_m=0.8, ear_height_m=1.31),
        ),
        goals=Goals(sti=0.5, reference_dba=79.0, noise_db=dict.fromkeys(OCTAVES, 38.0)),
        room=Room(-3.0, 46.0, 19.0, 8.5, 7800.0),
        stage_microphone_m=(-1.4, 0.6, 1.55),
        measured=(
            Measured("Mains", (12.5, 1.7, 1.41), "check", level_dba=78.4),
            Measured("Mains", (16.2, -2.3, 1.19), "show", level_dba=76.9),
        ),
        weather_c=(8.0, 16.5, 29.0),
    )


@cache
def lopsided_plan() -> FillPlan:
    """Return the plan, made once for all tests."""
    return evaluate(lopsided_venue(), SETTINGS)


@cache
def page_of(venue: str | None) -> str:
    """Return the page of the plan, or of a demo venue's, made once: its pictures are blank."""
    with mock.patch("fillalign.plots.page_picture", return_value=b"<svg/>"):
        return setup_sheet_html(lopsided_plan() if venue is None else demo_plan(venue))


# What the sheets should say


def expected_settings(plan, name):
    """Return what one output's settings are, by the names that the readers give them."""
    own, device = plan.settings[name], plan.venue.outputs[name]
    metres = own.delay_ms / 1000 * plan.air.speed_m_s
    kinds = {"butterworth": "Butterworth", "linkwitz-riley": "Linkwitz-Riley"}
    return {
        "output": name,
        "boxes": ", ".join(source.name for source in plan.venue.sources if source.output == name),
        "feed": device.feed,
        "set in": device.set_in,
        "ms": own.delay_ms,
        "samples": math.ceil(own.delay_ms / 1000 * device.sample_rate_hz - 1e-6),
        "kHz": device.sample_rate_hz / 1000,
        "m": metres,
        "ft": metres / FOOT_M,
        "low cut, Hz": own.low_cut_hz,
        "low cut, kind": own.low_cut_hz and kinds[own.low_cut_kind],
        # A filter of order n falls by 6 n dB an octave (IEC 60268 and any handbook of filters).
        "low cut, dB/oct": own.low_cut_hz and 6 * own.low_cut_order,
        "shelf, dB": own.shelf_db or None,
        "shelf, Hz": own.shelf_hz if own.shelf_db else None,
        "trim, dB": own.trim_db,
        "headroom, dB": headroom(plan, name) if own.trim_db > OFF else None,
        "polarity": own.polarity,
    }


def headroom(plan, name):
    """Return how far below its maximum an output's weakest box plays, by its file's level."""
    kinds = {plan.venue.loudspeakers[source.loudspeaker] for source in plan.venue.sources
             if source.output == name}
    # The level of the sub is that of its two octaves, A-weighted (IEC 61672-1).
    sub = 10 * math.log10(sum(10 ** ((level + weight - 10 * math.log10(3)) / 10)
                              for level, weights in ((100.0, (-30.2, -26.2, -22.5)),
                                                     (90.0, (-19.1, -16.1, -13.4)))
                              for weight in weights))
    return min(kind.maximum_dba - (sub if kind.level_dba is None else kind.level_dba)
               for kind in kinds) - plan.settings[name].trim_db - max(
                   plan.settings[name].shelf_db, 0.0)


def expected_more(fill):
    """Return what a meter shows in the first and the last row that a fill covers."""
    return {seat.where: {**dict(zip("xyz", seat.seat_m, strict=True)), "mains": seat.mains_dba,
                         "fill": seat.fill_dba, "both": seat.both_dba}
            for seat in fill.reading.more}


def expected_reading(fill):
    """Return what a meter should show at a fill's seat, by the names that the readers give it."""
    found = fill.reading
    return {
        "seat x": found.seat_m[0],
        "seat y": found.seat_m[1],
        "seat z": found.seat_m[2],
        "mains, dBA": found.mains_dba,
        "mains, dBC": found.mains_dbc,
        "fill, dBA": found.fill_dba,
        "fill, dBC": found.fill_dbc,
        "fill - mains, dB": found.fill_dba - found.mains_dba,
        "both, dBA": found.both_dba,
        "click at, ms": found.click_delay_ms,
        # A fall of less than 3 dB is not heard in a click (our own judgement).
        "click, Hz": found.click_hz if found.click_db <= -3 else None,
        "click, dB": found.click_db if found.click_db <= -3 else None,
    }


def expected_equal(fill):
    """Return what a meter shows where the direct sounds of fill and mains are nearest to equal."""
    found = fill.reading
    return {
        **dict(zip("xyz", found.equal_m, strict=True)),
        "mains": found.equal_mains_dba,
        "fill": found.equal_fill_dba,
    }


def expected_place(plan, source):
    """Return where a box is and is aimed, and how far a fill is from the nearest main."""
    mains = [one.position_m for one in plan.venue.sources if one.role == "main"]
    near = min(math.dist(source.position_m, main) for main in mains)
    is_fill = source.role == "fill"
    return {
        **{f"at {axis}": value for axis, value in zip("xyz", source.position_m, strict=True)},
        **{f"aimed at {axis}": value for axis, value in zip("xyz", source.aim_m, strict=True)},
        "near, m": near if is_fill else None,
        "near, ft": near / FOOT_M if is_fill else None,
    }


def expected_seats(plan, name):
    """Return what the covered seats of a fill get, from the table of all seats."""
    table = plan.seats()
    heard = table[table["fill"] == name]
    covered = heard[heard["covered"]]
    return {
        "gap, least": covered["gap_ms"].min(),
        "gap, most": covered["gap_ms"].max(),
        "over mains, least": covered["level_difference_db"].min(),
        "over mains, most": covered["level_difference_db"].max(),
        "ripple": covered["ripple_db"].median(),
        "image kept": heard["keeps_image"].sum(),
        "seats": len(heard),
        "speech without": covered["speech_before"].mean(),
        "speech with": covered["speech_after"].mean(),
    }


def expected_trim(fill, trim_db):
    """Return what one trim of a fill does."""
    curve = fill.trim
    place = int(np.abs(curve.trim_db - trim_db).argmin())
    return {
        "trim": curve.trim_db[place],
        "served": 100 * curve.served_share[place],
        "image": 100 * curve.precedence_share[place],
        "overshoot": curve.overshoot_db[place],
        "covered": curve.speech_covered[place],
        "ahead": curve.speech_ahead[place],
    }


def expected_walk(plan, x_m):
    """Return the levels of the row at a depth."""
    walk = plan.walk
    place = int(np.abs(walk.x_m - x_m).argmin())
    return {
        "x": walk.x_m[place],
        "before": walk.before_dba[place],
        "after": walk.after_dba[place],
        "heard": walk.heard_after_dba[place],
        "profile": walk.profile_dba[place],
    }


def agrees(printed, number):
    """Tell whether a printed number (or word) is a number of the plan, to its last digit."""
    if number is None:
        return printed is None
    if isinstance(number, str):
        return printed == number
    if printed is None or math.isinf(number):
        return printed == ("off" if number is not None else None)
    digits = len(printed.partition(".")[2])
    return abs(float(printed) - number) <= 0.5 * 10.0**-digits + 1e-9


# Readers. They give numbers as they are printed, as text.


def numbers(text):
    return re.findall(r"[-+]?\d+(?:\.\d+)?", text)


def _filters(cut, shelf):
    low = re.fullmatch(r"(\S+) Hz (\S+) (\S+) dB/oct", cut)
    high = re.fullmatch(r"(\S+) dB, corner (\S+) Hz", shelf)
    assert low or cut == "none", cut
    assert high or shelf == "none", shelf
    low, high = low.groups() if low else (None,) * 3, high.groups() if high else (None,) * 2
    return {"low cut, Hz": low[0], "low cut, kind": low[1], "low cut, dB/oct": low[2],
            "shelf, dB": high[0], "shelf, Hz": high[1]}


def _trim(text):
    found = re.fullmatch(r"off|(\S+) dB(?: \(headroom (\S+) dB\)|\nheadroom (\S+) dB)", text)
    trim, *room = found.groups()
    return {"trim, dB": trim or "off", "headroom, dB": room[0] or room[1]}


class Text:
    """A sheet in plain text, by its headings."""

    def __init__(self, text):
        self.lines, self.sections = text.splitlines(), {}
        here = self.sections[""] = []
        for line, below in zip(self.lines, [*self.lines[1:], ""], strict=True):
            if re.fullmatch(r"-{4,}", below):
                here = self.sections[line] = []
            elif not re.fullmatch(r"-{4,}", line):
                here.append(line)

    def said(self, title):
        """Return all that stands under a heading, as one line."""
        return " ".join(" ".join(self.sections[title]).split())

    def settings(self, name):
        """Return the block of one output."""
        lines = self.sections["SETTINGS"]
        start, = (i for i, line in enumerate(lines) if re.match(rf"{name} \(\w+\) -> ", line))
        head = re.fullmatch(r"(.+) \((.+)\) -> (.+)", lines[start])
        rows = dict(re.fullmatch(r"  (set in|delay|low cut|shelf|trim|polarity) +(.+?)"
                                 r"(?: +as set _+)?", line).groups()
                    for line in lines[start + 1 : start + 7])
        delay = re.fullmatch(r"(\S+) ms = (\S+) samples at (\S+) kHz = (\S+) m = (\S+) ft",
                             rows["delay"]).groups()
        return {
            **dict(zip(("output", "feed", "boxes"), head.groups(), strict=True)),
            **dict(zip(("ms", "samples", "kHz", "m", "ft"), delay, strict=True)),
            **_filters(rows["low cut"], rows["shelf"]),
            "set in": rows["set in"], **_trim(rows["trim"]), "polarity": rows["polarity"],
        }

    def table(self, title):
        """Return the rows of a table by their headings, of folded ones all columns."""
        rows = {}
        for grid in "\n".join(self.sections[title]).split("\n\n"):
            cells = [re.split(r" {2,}", line) for line in grid.split("\n")
                     if re.search(r"\S  ", line) and not line.startswith((" ", "- "))]
            for row in cells[1:]:
                full = [*row, *[""] * (len(cells[0]) - len(row))]
                rows.setdefault(row[0], {}).update(zip(cells[0], full, strict=True))
        return list(rows.values())

    def rows(self, title):
        """Return the rows of a table that is not folded, each apart."""
        names, *rows = (re.split(r" {2,}", line) for line in self.sections[title]
                        if re.search(r"\S  ", line))
        return [dict(zip(names, row, strict=True)) for row in rows]


class Page(HTMLParser):
    """A sheet as a page: its parts by class, with title, paragraphs, list items and tables."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.open, self.parts, self.whole = [], [], []
        # The part that each open tag stands in, the last being that of what comes.
        self.here = [self.new("")]
        self.feed(html)
        self.close()
        assert self.open == [], "every tag is closed"

    def new(self, kind):
        """Return a part with nothing in it yet."""
        part = {"class": kind, "title": "", "p": [], "li": [], "th": [], "rows": []}
        self.parts.append(part)
        return part

    def handle_starttag(self, tag, attrs):
        """Begin a part, a row or a cell."""
        if tag in ("meta", "img", "br", "col"):
            self.handle_data("\n")
            return
        kind = dict(attrs).get("class", "")
        layout = tag != "div" or kind in ("row", "half", "cards", "scroll", "beside", "pictures")
        self.open.append(tag)
        self.here.append(self.here[-1] if layout else self.new(kind))
        if tag == "tr" and "tbody" in self.open:
            self.here[-1]["rows"].append([])
        elif tag == "td":
            self.here[-1]["rows"][-1].append("")
        elif tag in ("p", "li", "th"):
            self.here[-1][tag].append("")

    def handle_endtag(self, tag):
        """Leave what was opened last, which it must be."""
        if tag == "span" and self.open[-1] == "span" and "td" in self.open:
            self.handle_data("\n")
        assert self.open.pop() == tag
        self.here.pop()

    def handle_data(self, data):
        """Add words to what is open; a space that keeps a number's unit beside it is a space."""
        data = data.replace("\xa0", " ")
        if not self.open or {"style", "script"} & {*self.open}:
            return
        self.whole.append(data)
        here = self.here[-1]
        inside = [tag for tag in ("td", "th", "li", "p") if tag in self.open]
        if inside:
            cells = here["rows"][-1] if inside[0] == "td" else here[inside[0]]
            cells[-1] += data
        elif self.open[-1] in ("h2", "h3"):
            here["title"] += data

    def part(self, kind, title=None):
        """Return the one part of a class (and a title)."""
        found, = (part for part in self.parts if part["class"] == kind
                  and title in (None, part["title"]))
        return found

    def said(self, kind):
        """Return the paragraphs of a part as one line."""
        return " ".join(" ".join(self.part(kind)["p"]).split())

    def settings(self, name):
        """Return the row of one output."""
        part = self.part("settings")
        row, = (row for row in part["rows"] if row[0].startswith(f"{name} ("))
        cells = dict(zip(part["th"], row, strict=True))
        head = re.fullmatch(r"(.+) \((.+)\)\n\u2192 (.+)\n(.+)", cells["output, boxes, set in"])
        delay = re.fullmatch(r"(\S+) ms\n(\S+) samples, (\S+) kHz\n(\S+) m, (\S+) ft",
                             cells["delay"])
        trim, _, polarity = cells["trim"].rpartition("\npolarity ")
        filters = re.fullmatch(r"low cut (.+)\nshelf (.+)", cells["filters"])
        return {
            **dict(zip(("output", "feed", "boxes", "set in"), head.groups(), strict=True)),
            **dict(zip(("ms", "samples", "kHz", "m", "ft"), delay.groups(), strict=True)),
            **_filters(*filters.groups()), **_trim(trim), "polarity": polarity,
        }

    def table(self, kind, title=None):
        """Return the rows of a part's table by their headings."""
        part = self.part(kind, title)
        return [dict(zip(part["th"], row, strict=True)) for row in part["rows"]]


class Csv:
    """A sheet as CSV."""

    NAMES = {  # noqa: RUF012
        "output": "output", "boxes": "boxes", "feed": "feed", "set in": "set_in",
        "ms": "delay_ms", "samples": "delay_samples", "m": "delay_m", "ft": "delay_ft",
        "low cut, Hz": "low_cut_hz", "shelf, dB": "shelf_db", "shelf, Hz": "shelf_hz",
        "trim, dB": "trim_db", "headroom, dB": "headroom_db", "polarity": "polarity",
        "seat x": "seat_x_m", "seat y": "seat_y_m", "seat z": "seat_z_m",
        "mains, dBA": "mains_dba", "mains, dBC": "mains_dbc", "fill, dBA": "fill_dba",
        "fill, dBC": "fill_dbc", "both, dBA": "both_dba", "click at, ms": "click_delay_ms",
        "equal x": "equal_x_m", "equal y": "equal_y_m", "equal z": "equal_z_m",
        "equal mains": "equal_mains_dba", "equal fill": "equal_fill_dba",
    }
    KINDS = {"butterworth": "Butterworth", "linkwitz-riley": "Linkwitz-Riley", "": None}  # noqa: RUF012

    def __init__(self, text):
        self.rows = {row["output"]: row for row in csv.DictReader(io.StringIO(text))}

    def settings(self, name):
        """Return the row of one output by the names of the other readers."""
        row = self.rows[name]
        shelf = None if float(row["shelf_db"]) == 0 else row["shelf_db"]
        order = row["low_cut_order"]
        return {
            **{key: row[column] or None for key, column in self.NAMES.items()},
            "kHz": str(float(row["sample_rate_hz"]) / 1000),
            "low cut, kind": self.KINDS[row["low_cut_kind"]],
            "low cut, dB/oct": str(6 * int(order)) if order else None,
            "shelf, dB": shelf,
        }


def reading_of(cells):
    """Return a row of the table of readings, from text or page, with its numbers apart."""
    mains, fill = (re.fullmatch(r"(\S+) \((\S+)\)", cells[f"{one}, dBA (dBC)"]).groups()
                   for one in ("mains", "fill"))
    seat = cells["seat x, y, z, m"].split(", ")
    click = re.fullmatch(r"(\d+) Hz (\S+) dB", cells["turned over"])
    assert click or cells["turned over"] == "cannot tell"
    return {
        **{f"seat {axis}": value for axis, value in zip("xyz", seat, strict=True)},
        "mains, dBA": mains[0], "mains, dBC": mains[1], "fill, dBA": fill[0], "fill, dBC": fill[1],
        "fill - mains, dB": cells["fill - mains, dB"], "both, dBA": cells["both, dBA"],
        "click at, ms": cells["click at, ms"],
        "click, Hz": click and click.group(1), "click, dB": click and click.group(2),
    }


def more_of(cells):
    """Return a row of the table of more seats with its numbers apart."""
    return {**dict(zip("xyz", cells["seat x, y, z, m"].split(", "), strict=True)),
            **{name: cells[f"{name}, dBA"] for name in ("mains", "fill", "both")}}


def equal_of(cells):
    """Return a row of the table of equal direct sound with its numbers apart."""
    return {**dict(zip("xyz", cells["at x, y, z, m"].split(", "), strict=True)),
            "mains": cells["mains there, dBA"], "fill": cells["fill there, dBA"]}


def place_of(cells):
    """Return a row of the table of boxes with its numbers apart."""
    near = cells["to the nearest main"]
    found = re.fullmatch(r"(\S+) m, (\S+) ft", near).groups() if near else (None, None)
    return {
        **{f"at {axis}": value for axis, value in
           zip("xyz", cells["at x, y, z"].split(", "), strict=True)},
        **{f"aimed at {axis}": value for axis, value in
           zip("xyz", cells["aimed at x, y, z"].split(", "), strict=True)},
        "near, m": found[0], "near, ft": found[1],
    }


def seats_of(cells):
    """Return a row of the table of covered seats with its numbers apart."""
    gap, over = cells["gap, ms"].split(" to "), cells["over mains, dB"].split(" to ")
    kept, speech = cells["image kept"].split(" of "), cells["speech index"].split(" / ")
    return {
        "gap, least": gap[0], "gap, most": gap[1], "over mains, least": over[0],
        "over mains, most": over[1], "ripple": cells["ripple, dB"], "image kept": kept[0],
        "seats": kept[1], "speech without": speech[0], "speech with": speech[1],
    }


TRIMS = {"trim": "trim, dB", "served": "rows served, %", "image": "image kept, %",
         "overshoot": "overshoot, dB", "covered": "speech covered", "ahead": "speech ahead"}
WALK = {"x": "x, m", "before": "mains alone, dBA", "after": "with fills, dBA",
        "heard": "useful with fills, dBA", "profile": "profile, dBA"}
