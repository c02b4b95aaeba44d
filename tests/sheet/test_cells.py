"""Every cell of every form of the sheet against the plan's own number.

The plan is lopsided (`tests/sheet/lopsided.py`): a cell that shows another's number, or one
with the sign, the unit or the state wrong, is seen. The forms are read back by readers that
know nothing of how they are made; what they should say is worked out from the plan's
public attributes.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import pandas as pd
import pytest

from fillalign import OutputSettings, evaluate
from fillalign.sheet import setup_sheet_csv, setup_sheet_html, setup_sheet_text
from fillalign.sheet.content import trim_text
from tests.demo_plans import demo_plan
from tests.sheet import lopsided
from tests.sheet.lopsided import (
    TRIMS,
    WALK,
    Csv,
    Page,
    Text,
    agrees,
    lopsided_plan,
    lopsided_venue,
    page_of,
)
from tests.small_venue import small_hall, small_rest

VENUE = lopsided_venue()
OUTPUTS, FILLS = tuple(VENUE.outputs), ("Near", "Far")
SETTINGS = (
    "output", "boxes", "feed", "set in", "ms", "samples", "kHz", "m", "ft", "low cut, Hz",
    "low cut, kind", "low cut, dB/oct", "shelf, dB", "shelf, Hz", "trim, dB", "headroom, dB",
    "polarity",
)
READINGS = ("seat x", "seat y", "seat z", "mains, dBA", "mains, dBC", "fill, dBA", "fill, dBC",
            "fill - mains, dB", "both, dBA", "click at, ms", "click, Hz", "click, dB")
EQUAL = ("x", "y", "z", "mains", "fill")
MORE = (*EQUAL, "both")
PLACES = (*(f"{what} {axis}" for what in ("at", "aimed at") for axis in "xyz"),
          "near, m", "near, ft")
SEATS = ("gap, least", "gap, most", "over mains, least", "over mains, most", "ripple",
         "image kept", "seats", "speech without", "speech with")
AIR = ("temperature_c", "humidity_pct", "pressure_kpa", "speed_m_s")
TITLES = {"readings": "METER READINGS TO EXPECT",
          "more": "MORE SEATS FOR THE METER", "measured": "AS SET AND READ",
          "equal": "WHERE DIRECT SOUNDS ARE NEAREST TO EQUAL", "retime": "RE-TIME TABLE",
          "places": "WHERE THE BOXES ARE", "seats": "AT THE SEATS COVERED",
          "walk": "LEVEL ALONG THE WALK, WITH THE AUDIENCE IN", "unmet": "NOT MET",
          "check": "ORDER OF THE CHECK",
          "summary": "IN SHORT (THE AREAS WITH THE MAINS ALONE)", "cautions": "CAUTIONS",
          "assumptions": "ASSUMPTIONS", "defaults": "DEFAULTS USED"}
both = pytest.mark.parametrize("form", ["text", "page"])
every = pytest.mark.parametrize("form", ["text", "page", "csv"])


@cache
def reader(form, venue=None):
    """Return one form of the sheet of the lopsided plan, or of a demo venue's, to read from."""
    plan = lopsided_plan() if venue is None else demo_plan(venue)
    return {"text": lambda: Text(setup_sheet_text(plan)),
            "page": lambda: Page(page_of(venue)),
            "csv": lambda: Csv(setup_sheet_csv(plan))}[form]()


@pytest.fixture(scope="module")
def plan():
    return lopsided_plan()


def table(form, key):
    return reader(form).table(TITLES[key] if form == "text" else key)


def row(form, key, column, name):
    found, = (cells for cells in table(form, key) if cells[column] == name)
    return found


def test_the_plan_is_lopsided(plan):
    """Else two cells could be exchanged and nobody would see it."""
    for name in FILLS:
        reading = lopsided.expected_reading(plan.fill(name))
        shown = [f"{value:.1f}" for value in reading.values() if value is not None]
        assert len(set(shown)) == len(shown)
        equal = lopsided.expected_equal(plan.fill(name))
        assert len({f"{value:.1f}" for value in equal.values()}) == len(equal)
        seats = lopsided.expected_seats(plan, name)
        assert len({f"{value:.2f}" for value in seats.values()}) == len(seats)
        trims = lopsided.expected_trim(plan.fill(name), plan.settings[name].trim_db)
        assert len({f"{value:.2f}" for value in trims.values()}) == len(trims)
    for cell, least in {"ms": 5, "samples": 5, "kHz": 3, "feed": 3, "set in": 5, "trim, dB": 5,
                        "low cut, Hz": 4, "low cut, kind": 3, "low cut, dB/oct": 4,
                        "shelf, dB": 4, "shelf, Hz": 4, "polarity": 2}.items():
        values = {lopsided.expected_settings(plan, name)[cell] for name in plan.settings}
        assert len(values) >= least, cell
    airs = [plan.air, plan.venue.states["check"].air]
    shown = [f"{value:.0f}" for air in airs for value in
             (air.temperature_c, air.humidity_pct, air.pressure_kpa, air.speed_m_s)]
    assert len(set(shown)) == len(shown)
    for source in plan.venue.sources:
        assert len({*source.position_m, *source.aim_m}) == 6
    walk = lopsided.expected_walk(plan, 37.0)
    assert len({f"{value:.1f}" for value in walk.values()}) == len(walk)


# What is dialled


@every
@pytest.mark.parametrize("cell", SETTINGS)
@pytest.mark.parametrize("name", OUTPUTS)
def test_settings(form, name, cell, plan):
    wanted = lopsided.expected_settings(plan, name)[cell]
    assert agrees(reader(form).settings(name)[cell], wanted)


@pytest.mark.parametrize("form", ["text", "csv"])
def test_settings_that_the_planner_makes(form):
    """Those of a demo venue, where most filters and delays are the planner's own."""
    plan, sheet = demo_plan("tidewell_hall"), reader(form, "tidewell_hall")
    for name in plan.venue.outputs:
        shown = sheet.settings(name)
        for cell, wanted in lopsided.expected_settings(plan, name).items():
            assert agrees(shown[cell], wanted), (name, cell)


@pytest.mark.parametrize(("trim_db", "shown"), [(0.0, "0.0 dB"), (-0.0, "0.0 dB")])
def test_no_trim_has_no_sign(trim_db, shown):
    assert trim_text(trim_db) == shown


@pytest.mark.parametrize("name", OUTPUTS)
def test_the_role_in_the_csv(name, plan):
    roles = {source.role for source in plan.venue.sources if source.output == name}
    assert {reader("csv").rows[name]["role"]} == roles


# Meter readings


@both
@pytest.mark.parametrize("cell", READINGS)
@pytest.mark.parametrize("name", FILLS)
def test_readings(form, name, cell, plan):
    shown = lopsided.reading_of(row(form, "readings", "fill", name))
    assert agrees(shown[cell], lopsided.expected_reading(plan.fill(name))[cell])


@pytest.mark.parametrize("cell", [cell for cell in READINGS if cell in Csv.NAMES])
@pytest.mark.parametrize("name", OUTPUTS)
def test_readings_in_the_csv(name, cell, plan):
    shown = reader("csv").settings(name)[cell]
    wanted = lopsided.expected_reading(plan.fill(name))[cell] if name in FILLS else None
    assert agrees(shown, wanted)


@pytest.mark.parametrize("name", OUTPUTS)
@pytest.mark.parametrize(("cell", "what"), [("click_hz", "click_hz"), ("click_db", "click_db")])
def test_the_click_in_the_csv(name, cell, what, plan):
    """As numbers, also where the click cannot tell."""
    shown = reader("csv").rows[name][cell] or None
    assert agrees(shown, getattr(plan.fill(name).reading, what) if name in FILLS else None)


@both
@pytest.mark.parametrize("cell", EQUAL)
@pytest.mark.parametrize("name", FILLS)
def test_equal_direct_sound(form, name, cell, plan):
    shown = lopsided.equal_of(row(form, "equal", "fill", name))
    assert agrees(shown[cell], lopsided.expected_equal(plan.fill(name))[cell])


@pytest.mark.parametrize("cell", EQUAL)
@pytest.mark.parametrize("name", OUTPUTS)
def test_equal_direct_sound_in_the_csv(name, cell, plan):
    shown = reader("csv").settings(name)[f"equal {cell}"]
    wanted = lopsided.expected_equal(plan.fill(name))[cell] if name in FILLS else None
    assert agrees(shown, wanted)


@both
@pytest.mark.parametrize("cell", MORE)
@pytest.mark.parametrize("where", ["first row", "last row"])
@pytest.mark.parametrize("name", FILLS)
def test_more_seats(form, name, where, cell, plan):
    shown, = (cells for cells in table(form, "more") if (cells["fill"], cells["where"])
              == (name, where)) if form == "page" else (
        cells for cells in reader("text").rows(TITLES["more"])
        if (cells["fill"], cells["where"]) == (name, where))
    assert agrees(lopsided.more_of(shown)[cell],
                  lopsided.expected_more(plan.fill(name))[where][cell])


@pytest.mark.parametrize("cell", MORE)
@pytest.mark.parametrize("where", ["first row", "last row"])
@pytest.mark.parametrize("name", OUTPUTS)
def test_more_seats_in_the_csv(name, where, cell, plan):
    column = f"{where.replace(' ', '_')}_{cell}_{'m' if cell in 'xyz' else 'dba'}"
    wanted = (lopsided.expected_more(plan.fill(name))[where][cell] if name in FILLS else None)
    assert agrees(reader("csv").rows[name][column] or None, wanted)


@both
def test_readings_are_those_of_fills_that_sound(form):
    assert [cells["fill"] for cells in table(form, "readings")] == list(FILLS)


# Air


def head_of(form):
    return (reader("text").said("") if form == "text"
            else " ".join(" ".join(reader("page").whole).split()))


@both
@pytest.mark.parametrize("what", ["wind_m_s", "wind_towards_deg"])
def test_wind(form, what, plan):
    """That of the show, which is planned for; without any it is not spoken of."""
    shown = re.search(r"Wind counted in: (?P<wind_m_s>\S+) m/s towards (?P<wind_towards_deg>\S+) "
                      r"degrees \(0 is away from the stage\)", head_of(form)).groupdict()
    assert agrees(shown[what], getattr(plan.venue.states["show"], what))
    assert "Wind" not in setup_sheet_text(demo_plan("lantern_room"))


@both
@pytest.mark.parametrize("what", AIR)
@pytest.mark.parametrize("state", ["show", "check"])
def test_air(form, state, what, plan):
    # Of the check, only what an engineer can read off a cheap instrument is printed.
    names = AIR if state == "show" else AIR[:2]
    said = head_of(form)
    show = re.search(r"Computed for (\S+) C, (\S+) % relative humidity, (\S+) kPa: sound travels "
                     r"(\S+) m/s\.", said).groups()
    check = re.search(r"Readings are for the check, the venue empty at (\S+) C and (\S+) %\.",
                      said).groups()
    printed = dict(zip(names, show if state == "show" else check, strict=True))
    air = plan.air if state == "show" else plan.venue.states["check"].air
    assert set(printed) == set(names)
    if what in names:
        assert agrees(printed[what], getattr(air, what))


@pytest.mark.parametrize("what", ["temperature_c", "humidity_pct", "pressure_kpa"])
def test_air_in_the_csv(what, plan):
    for cells in reader("csv").rows.values():
        assert agrees(cells[f"computed_{what}"], getattr(plan.air, what))


# Other air


@both
@pytest.mark.parametrize("what", ["temperature_c", "humidity_pct", *FILLS])
def test_retime(form, what, plan):
    rows, wanted = table(form, "retime"), plan.retime().to_dict("records")
    heading = {"temperature_c": "air, C", "humidity_pct": "humid, %"}.get(what, what)
    assert len(rows) == len(wanted) == 4
    for cells, numbers in zip(rows, wanted, strict=True):
        shown = cells[heading].removesuffix(" *").partition(" (")[0]
        assert agrees(shown, numbers[what])


@both
@pytest.mark.parametrize("name", FILLS)
def test_retime_tells_the_click_of_every_air(form, name, plan):
    for cells, numbers in zip(table(form, "retime"), plan.retime().to_dict("records"),
                              strict=True):
        air = plan.air.at_temperature(numbers["temperature_c"])
        shown = cells[name].partition(" (")[2].removesuffix(")")
        assert agrees(shown, plan.fill(name).reading.click_ms(air))


@both
def test_retime_marks_the_air_computed_for(form, plan):
    marked = [cells["air, C"] for cells in table(form, "retime") if "*" in cells["air, C"]]
    assert marked == [f"{plan.air.temperature_c:.1f} *"]


@pytest.mark.parametrize("name", OUTPUTS)
def test_retime_in_the_csv(name, plan):
    cells = reader("csv").rows[name]
    for numbers in plan.retime().to_dict("records"):
        shown = cells[f"delay_ms_at_{numbers['temperature_c']:g}_c"]
        assert agrees(shown or None, numbers[name] if name in FILLS else None)


# Where fills could hang

HUNG = [dict(zip(
    ("x_m", "y_m", "z_m", "aim_x_m", "boxes", "served_share", "missing_steps", "elsewhere_steps",
     "speech_index", "spread_db", "gain_before_feedback_db", "delay_ms", "trim_db", "now"),
    (10.1 + at, 2.3 + at, 4.7 + at, 20.2 + at, 2 + at, 0.81 - at / 100, 1.25 + at, 0.17 + at,
     0.58 - at / 50, 6.4 + at, 3.4 - at, 52.17 + at, -7.5 - at, at == 11), strict=True))
    for at in range(12)]
HANG = {"x, m": "x_m", "y, m": "y_m", "z, m": "z_m", "aimed at x, m": "aim_x_m", "boxes": "boxes",
        "rows lack": "missing_steps", "others lack": "elsewhere_steps",
        "speech index": "speech_index", "spread, dB": "spread_db",
        "feedback won, dB": "gain_before_feedback_db", "delay, ms": "delay_ms",
        "trim": "trim_db", "rows served, %": "served_share"}


@cache
def with_places(form):
    """Return a sheet with twelve places on it, the last of which is the present one."""
    places = pd.DataFrame(HUNG).assign(area="rear", toml="")
    make = {"text": lambda: Text(setup_sheet_text(lopsided_plan(), places=places)),
            "page": lambda: Page(setup_sheet_html(lopsided_plan(), places=places))}
    title = "Where the fills of rear could hang"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fillalign.sheet.html._picture", lambda *_, **__: "")
        return make[form]().table(title.upper() if form == "text" else "hang")


@both
@pytest.mark.parametrize("cell", HANG)
def test_places_that_were_planned_with(form, cell):
    """The best eight and the present one, each number in its own cell."""
    rows = with_places(form)
    assert len(rows) == 9
    for cells, wanted in zip(rows, [*HUNG[:8], HUNG[11]], strict=True):
        scale = 100 if cell == "rows served, %" else 1
        shown = cells[cell].removesuffix(" *").removesuffix(" dB")
        assert agrees(shown, scale * wanted[HANG[cell]])
    assert [cells["x, m"].endswith(" *") for cells in rows] == [False] * 8 + [True]


def test_what_is_no_table_of_places_is_refused(plan):
    with pytest.raises(TypeError, match="places must be a table such as propose_places returns"):
        setup_sheet_text(plan, places=pd.DataFrame({"x_m": [1.0]}))


# Places, seats, trims, walk


@both
@pytest.mark.parametrize("cell", PLACES)
@pytest.mark.parametrize("source", VENUE.sources, ids=lambda source: source.name)
def test_places(form, source, cell, plan):
    shown = lopsided.place_of(row(form, "places", "box", source.name))
    assert agrees(shown[cell], lopsided.expected_place(plan, source)[cell])


@both
@pytest.mark.parametrize("cell", SEATS)
@pytest.mark.parametrize("name", FILLS)
def test_seats(form, name, cell, plan):
    shown = lopsided.seats_of(row(form, "seats", "fill", name))
    assert agrees(shown[cell], lopsided.expected_seats(plan, name)[cell])


@both
@pytest.mark.parametrize("cell", TRIMS)
@pytest.mark.parametrize("name", FILLS)
def test_trims(form, name, cell, plan):
    sheet = reader(form)
    rows = sheet.table(f"WHY: {name.upper()}") if form == "text" else sheet.table("why", name)
    own, fill = plan.settings[name].trim_db, plan.fill(name)
    marked = [float(cells["trim, dB"].removesuffix(" *")) for cells in rows
              if cells["trim, dB"].endswith(" *")]
    assert marked == [own]
    assert [float(cells["trim, dB"].removesuffix(" *")) for cells in rows] == [
        own + step for step in (-6.0, -3.0, 0.0, 3.0, 6.0)]
    for cells in rows:
        trim_db = float(cells["trim, dB"].removesuffix(" *"))
        wanted = lopsided.expected_trim(fill, trim_db)[cell]
        assert agrees(cells[TRIMS[cell]].removesuffix(" *"), wanted)


@both
@pytest.mark.parametrize("cell", WALK)
def test_walk(form, cell, plan):
    rows = table(form, "walk")
    assert len(rows) == 12
    for cells in rows:
        wanted = lopsided.expected_walk(plan, float(cells["x, m"]))
        assert agrees(cells[WALK[cell]], wanted[cell])
        place = int(abs(plan.walk.x_m - float(cells["x, m"])).argmin())
        assert cells["area"] == plan.venue.areas[plan.walk.area[place]].name


@both
def test_walk_goes_from_the_first_row_to_the_last(form, plan):
    rows = [float(cells["x, m"]) for cells in table(form, "walk")]
    assert rows[0] == pytest.approx(plan.walk.x_m.min(), abs=0.05)
    assert rows[-1] == pytest.approx(plan.walk.x_m.max(), abs=0.05)
    assert rows == sorted(rows)


@pytest.mark.parametrize(("outdoors", "word"), [(False, "useful"), (True, "direct")])
def test_walk_names_the_sound_that_the_profile_is_for(outdoors, word):
    plan = small_rest(outdoors=outdoors)
    text = Text(setup_sheet_text(plan))
    assert f"{word} with fills, dBA" in text.table(TITLES["walk"])[0]
    assert f"The profile is for the {word}" in text.said(TITLES["walk"])
    for cells in text.table(TITLES["walk"]):
        wanted = lopsided.expected_walk(plan, float(cells["x, m"]))["heard"]
        assert agrees(cells[f"{word} with fills, dBA"], wanted)


@pytest.mark.parametrize(("longer", "more"), [(1.0, False), (1.25, True)])
def test_walk_is_that_of_the_show_and_says_what_an_empty_venue_does(longer, more):
    """Who walks along with a meter must know: the longer decay of the empty venue adds to it."""
    hall = small_hall()
    check = hall.states["check"]
    check = replace(check, rt60_s={octave: longer * t for octave, t in check.rt60_s.items()})
    plan = evaluate(replace(hall, states={**hall.states, "check": check}), {})
    said = Text(setup_sheet_text(plan)).said(TITLES["walk"])
    assert ("A meter in the empty venue shows more." in said) == more
    assert ("The meter readings to expect are for the empty venue." in said) != more


# Words


@both
@pytest.mark.parametrize("key", ["unmet", "summary", "cautions", "assumptions", "defaults"])
@pytest.mark.parametrize("venue", [None, "lantern_room"])
def test_sentences_stand_under_their_heading(form, key, venue):
    plan = lopsided_plan() if venue is None else demo_plan(venue)
    text, page = reader("text", venue), reader("page", venue)
    told = {"unmet": plan.unmet or ("Every target is met.",), "summary": plan.summary,
            "cautions": plan.cautions,
            "assumptions": [line for line in plan.assumptions
                            if line not in plan.defaults],
            "defaults": plan.defaults or ("None.",)}[key]
    title = "TARGETS" if key == "unmet" and not plan.unmet else TITLES[key]
    said = text.said(title) if form == "text" else " ".join(page.part(key)["li"])
    for line in told:
        assert " ".join(line.split()) in said
    assert page.part(key)["title"].upper() == title


@both
@pytest.mark.parametrize("name", ["Lip", "Near", "Far"])
def test_reasons_stand_under_their_fill(form, name, plan):
    said = (reader("text").said(f"WHY: {name.upper()}") if form == "text"
            else " ".join(reader("page").part("why", name)["li"]))
    for line in plan.fill(name).reasons:
        assert " ".join(line.split()) in said
    others = {line for fill in plan.fills if fill.output != name for line in fill.reasons}
    for line in others - set(plan.fill(name).reasons):
        assert " ".join(line.split()) not in said


@both
def test_latency_counted_in_is_said(form, plan):
    said = (reader("text").said(TITLES["assumptions"]) if form == "text"
            else " ".join(reader("page").part("assumptions")["li"]))
    found = re.search(r"Latency of the paths, counted in: (.*?)\. A fill's path", said).group(1)
    shown = {name: float(ms) for name, ms in re.findall(r"(\w+) ([\d.]+) ms", found)}
    assert shown == {name: own.latency_ms for name, own in plan.venue.outputs.items()}


@both
def test_every_reading_that_moved_the_model_is_said(form, plan):
    said = (reader("text").said(TITLES["assumptions"]) if form == "text"
            else " ".join(reader("page").part("assumptions")["li"]))
    for read in plan.venue.measured:
        x, y, z = read.at_m
        assert (f"{read.output}: levels follow the reading at x {x:.1f}, y {y:.1f}, z {z:.1f} m "
                f"({read.state}), ") in said


@both
def test_the_axes_are_explained_beside_every_table_of_places(form):
    said = ([reader("text").said(TITLES[key]) for key in ("readings", "places")]
            if form == "text" else [reader("page").said(key) for key in ("readings", "places")])
    for words in said:
        assert ("x runs from the line of the mains into the venue, y to the left as seen from the "
                "stage (to the right is minus), z up from the floor, all in m.") in words


def test_the_check_has_its_steps_in_order():
    """Six steps with fills (common practice), numbered by the list of the page."""
    starts = ("Before:", "Mains alone:", "Fill alone,", "Polarity click:", "Both:", "Write down")
    text, page = reader("text").sections[TITLES["check"]], reader("page").part("check")["li"]
    first = next(line for line in text if re.match(r"\d", line))
    assert first.startswith("1. Before: mute every fill")
    for number, (start, item) in enumerate(zip(starts, page, strict=True), 1):
        assert item.startswith(start)
        assert f"{number}. {start}" in " ".join(text)


# What is not there


def test_check_without_fills_asks_for_none():
    text = setup_sheet_text(demo_plan("lantern_room"))
    assert "Fill alone" not in text
    assert "2. Mains alone: walk" in text
    assert "No fill sounds: there are none to take." in text


@pytest.mark.parametrize("key", ["retime", "seats", "equal"])
def test_without_fills_there_are_no_empty_tables(key):
    assert TITLES[key] not in reader("text", "lantern_room").sections
    parts = [part["class"] for part in reader("page", "lantern_room").parts]
    assert key not in parts
    assert "walk" in parts


def test_a_speech_index_of_rows_that_are_not_there_is_no_number(plan):
    """A fill that covers the first rows has none ahead of it."""
    near = plan.venue.sources[3]
    first = replace(plan.venue.sources[-1], output="Near", covers=("front",), kind="front")
    venue = replace(plan.venue, sources=(*plan.venue.sources[:3], first,
                                         *plan.venue.sources[4:6],
                                         replace(near, output="Lip")))
    settings = {**lopsided.SETTINGS, "Near": OutputSettings(delay_ms=12.0, trim_db=-6.0)}
    text = setup_sheet_text(evaluate(venue, settings))
    assert "nan" not in text
    rows = Text(text).table("WHY: NEAR")
    assert {cells["speech ahead"] for cells in rows} == {"none"}
