"""The seat panel without a browser: its numbers, words, tables and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import signal

from fillalign import Output
from fillalign.classroom import seat_panel, widgets
from fillalign.classroom.seat import CONTROLS
from fillalign.field import Settings
from tests.random_venues import random_venue
from tests.small_venue import small_plan

SEAT = (27.0, 5.0)
START = {"delay_ms": 31.0, "trim_db": -3.0, "low_cut_hz": None, "shelf_db": 0.0}


@pytest.fixture(autouse=True)
def _fresh():
    yield
    widgets.size.calls.clear()
    widgets.size.followers.clear()


@pytest.fixture(scope="module")
def plan():
    return small_plan(wind_m_s=4.0, outdoors=True)


@pytest.fixture
def panel(plan):
    return seat_panel(plan, start=START, listener_m=SEAT)


def test_gap_is_geometry_over_the_speed_of_sound(panel, plan):
    # Pierce (1981), section 8-1, as in lesson 02: distance over speed plus wind along the way.
    air, ends = plan.air, np.array([*SEAT, 1.2])

    def way_ms(x, y, z):
        path = ends - [x, y, z]
        away = np.linalg.norm(path)
        wind = 4.0 * (path[0] * np.cos(np.pi / 6) + path[1] * np.sin(np.pi / 6)) / away
        return 1000 * away / (air.speed_m_s + wind)

    gap = way_ms(22, 4.55, 5) + 31.0 + 3.5 - way_ms(0, 6.5, 5) - 2.0
    assert panel.heard.gap_ms == pytest.approx(gap, abs=1e-6)
    for one, where in zip(panel.heard.arrivals, plan.venue.sources, strict=True):
        late = 34.5 if one.role == "fill" else 2.0
        assert one.arrival_ms == pytest.approx(way_ms(*where.position_m) + late, abs=1e-6)


def test_numbers_are_those_of_the_plans_own_table_of_seats(plan):
    panel = seat_panel(plan, listener_m=(28.0, -3.0))
    row = plan.seats([[28.0, -3.0, 1.2]]).iloc[0]
    heard = panel.heard
    assert heard.gap_ms == row["gap_ms"]
    assert heard.level_difference_db == row["level_difference_db"]
    assert ("stage" in heard.verdict) == row["keeps_image"]


@pytest.mark.parametrize(("delay_ms", "trim_db", "words"), [
    (0.0, 0.0, "The fill comes first"),
    (0.0, 0.0, "Image at the fill."),
    (85.0, -4.0, "Image at the stage."),
    (85.0, 9.0, "Image at the fill."),
    (180.0, 0.0, "The fill is heard as an echo."),
])
def test_verdict(panel, delay_ms, trim_db, words):
    # First arrival, 10 dB at most and no later than about 50 ms: Haas (1951), common practice.
    assert words in panel.set(delay_ms=delay_ms, trim_db=trim_db).heard.verdict


@pytest.mark.parametrize(("delay_ms", "later"), [(250.0, "fill"), (0.0, "main")])
def test_what_is_hardly_heard_is_no_echo_and_has_none(panel, delay_ms, later):
    heard = panel.set(delay_ms=delay_ms).heard
    weak = -3.0 - heard.level_difference_db - 14.0
    assert "echo" not in panel.set(trim_db=weak).text
    assert f"The {later} is heard as an echo." in panel.set(trim_db=weak + 8.0).text


def test_like_arrivals_a_few_ms_apart_are_hollow_and_tell_their_pitch(panel):
    heard = panel.heard
    equal = -3.0 - heard.level_difference_db
    panel.set(delay_ms=31.0 - heard.gap_ms + 5.0, trim_db=equal)
    # A repetition after 5 ms has a pitch of 200 Hz (Bilsen 1966, from memory).
    assert "Hollow, with a faint pitch of 200 Hz." in panel.text
    assert "Tone even." in panel.set(trim_db=equal - 20).text
    assert "cancel, from 1000 Hz up" in panel.set(
        delay_ms=31.0 - heard.gap_ms + 0.5, trim_db=equal).text


def test_what_is_played_is_what_arrives(panel):
    played = panel.numbers["states"]["as set"]["play"]
    hands = panel.view.hands
    assert len(played) == 4
    fill = next(one for one in played if one["hands"])
    main = next(one for one in played if not one["fill"])
    asked = panel.numbers["asked"]
    late = fill["late"] + hands["samples"][asked["delay"]] - main["late"]
    assert late / 48 == pytest.approx(panel.heard.gap_ms, abs=0.03)
    by_name = {one.source: one for one in panel.heard.arrivals}
    over = by_name[fill["source"]].level_dba - by_name[main["source"]].level_dba
    gains = 20 * np.log10(fill["gain"] * hands["gains"][asked["trim"]] / main["gain"])
    assert gains == pytest.approx(over, abs=1e-6)
    # The fill hangs to the left of a listener at y = 5 who faces the stage; the main to the right.
    assert fill["azimuth"] < 0 < main["azimuth"] == pytest.approx(np.degrees(np.arctan2(1.5, 27)))


def test_as_it_was_is_resolved_and_stays(panel):
    before = json.dumps(panel.numbers["states"]["as it was"])
    panel.set(delay_ms=90.0, polarity="inverted", low_cut_hz=125.0)
    assert json.dumps(panel.numbers["states"]["as it was"]) == before
    assert not any(one["hands"] for one in panel.numbers["states"]["as it was"]["play"])
    after = panel.text
    assert panel.set(compare="as it was").text != after
    assert panel.set(compare="as set").text == after
    assert panel.settings["Fills"].polarity == "inverted"


def test_low_cuts_of_the_table_are_the_library_s_filters(panel):
    table, own = panel.view.hands, panel.settings["Fills"]
    frequency = np.geomspace(30, 2000, 40)
    for corner, sections in zip(table["low_cut_hz"], table["sections"], strict=True):
        if corner is None:
            assert sections == []
            continue
        _, made = signal.sosfreqz(np.array(sections), frequency, fs=48000)
        # Linkwitz 1976: a Butterworth low cut of half the order, twice.
        once = signal.freqs(*signal.butter(own.low_cut_order // 2, corner, "high", analog=True),
                            frequency)[1]
        assert np.abs(20 * np.log10(np.abs(made / once**2))).max() < 0.1


def test_a_fill_can_go_off_and_come_back(panel):
    text = panel.text
    off = panel.set(fill_on=False)
    assert off.heard.fill == ""
    assert "no fill sounds" in off.text
    assert off.settings["Fills"].trim_db == -np.inf
    assert panel.set(fill_on=True).text == text


def test_a_browser_moves_it_by_its_tables(panel):
    asked = panel.numbers["asked"]
    panel.view.asked = {**asked, "n": 7, "delay": 100, "x": 25.0, "y": 2.0, "inverted": True}
    own = panel.settings["Fills"]
    assert (own.delay_ms, own.polarity) == (panel.view.hands["delay_ms"][100], "inverted")
    assert panel.listener_m == (25.0, 2.0, 1.2)
    assert panel.view.told["n"] == 7
    # What cannot be done is said in the panel.
    panel.view.asked = {**panel.numbers["asked"], "n": 8, "delay": 10**6}
    assert "did not work" in panel.view.told["error"]


def test_it_opens_where_main_and_fill_are_wide_apart(plan):
    by_name = {one.source: one for one in seat_panel(plan).heard.arrivals}
    main = max((one for one in by_name.values() if one.role == "main"),
               key=lambda one: one.level_dba)
    fill = max((one for one in by_name.values() if one.role == "fill"),
               key=lambda one: one.level_dba)
    assert abs(main.azimuth_deg - fill.azimuth_deg) > 30
    assert abs(main.level_dba - fill.level_dba) < 6


def test_it_never_plays_beyond_full_scale(panel):
    for x in np.arange(4, 36, 4.0):
        panel.set(listener_m=(x, 4.0))
        gains = panel.view.hands["gains"]
        for state in panel.numbers["states"].values():
            assert sum(abs(one["gain"]) * (max(gains) if one["hands"] else 1)
                       for one in state["play"]) < 0.65


def test_waves_reach_the_listener_when_its_spike_says(panel):
    waves, hall = panel.view.waves, panel.view.hall
    plans = np.frombuffer(waves["plan"], np.float32).reshape(4, waves["ny"], waves["nx"])
    x0, x1, y0, y1, *_ = hall["box"]
    x, y, _ = panel.listener_m
    column = round((x - x0) / (x1 - x0) * (waves["nx"] - 1))
    row = round((y - y0) / (y1 - y0) * (waves["ny"] - 1))
    state = panel.numbers["states"]["as set"]
    for number, one in enumerate(panel.heard.arrivals):
        # Within a cell of the grid, 0.6 m or 2 ms.
        assert plans[number, row, column] + state["sounds_at"][number] == pytest.approx(
            one.arrival_ms, abs=2.0)


@pytest.mark.parametrize(("arguments", "message"), [
    ({"controls": ("delai",)}, "control must be one of"),
    ({"fill": "Mains"}, "fill must be one of"),
    ({"sound": "trumpet"}, "sound must be one of"),
    ({"sound": {"mine": 3}}, "sound 'mine' must be"),
    ({"start": {"delay_ms": -5.0}}, "delay_ms must be"),
    ({"start": {"delay": 5.0}}, "unexpected keyword argument 'delay'"),
])
def test_what_is_refused(plan, arguments, message):
    with pytest.raises((ValueError, TypeError), match=message):
        seat_panel(plan, **arguments)


def test_without_widgets_there_are_picture_and_words(plan, monkeypatch):
    monkeypatch.setattr("fillalign.classroom.seat._view", lambda: None)
    panel = seat_panel(plan, title="Here", question="Where?", start=START)
    data, about = panel._repr_mimebundle_()
    assert set(data) == {"text/plain", "image/png"}
    assert data["text/plain"] == about["image/png"]["alt"] == repr(panel)
    assert data["text/plain"].startswith("Here\nQuestion: Where?\nResult: The ")


@pytest.mark.parametrize("seed", [
    1, 12, 16, *(pytest.param(seed, marks=pytest.mark.draws) for seed in range(20, 60))])
def test_any_venue_works(seed):
    venue, dialled = random_venue(seed)
    planned = SimpleNamespace(venue=venue, air=venue.states["show"].air,
                              settings=Settings(venue, dialled))
    panel, rng = seat_panel(planned, sound="clap"), np.random.default_rng(seed)
    for _ in range(3):
        panel.set(listener_m=rng.uniform([-9, -20], [95, 20]).tolist())
        if panel.fill:
            panel.set(delay_ms=float(rng.uniform(0, 99)), low_cut_hz=100.0, fill_on=True)
            panel.set(fill_on=bool(rng.random() < 0.5))
        json.dumps(panel.numbers, allow_nan=False)
        assert panel.text
        assert len(panel.numbers["states"]["as set"]["play"]) <= 4
    assert seat_panel(venue, controls=CONTROLS[:2], sound="clap").text


def test_fills_that_mirror_one_another_move_together():
    venue, _ = random_venue(1)
    main, left = (next(one for one in venue.sources if one.role == role)
                  for role in ("main", "fill"))
    (x, y, z), (u, v, w) = left.position_m, left.aim_m
    places = {"L": (y, v), "R": (-y, -v), "M": (y / 2, v)}
    buses = {"Mains": Output("Mains", "mono", "here"),
             **{name: Output(name, "mono", "here") for name in places}}
    middle = replace(main, output="Mains", position_m=(0.0, 0.0, 5.0), aim_m=(9.0, 0.0, 1.0))
    fills = [replace(left, name=name, output=name, position_m=(x, side, z), aim_m=(u, towards, w))
             for name, (side, towards) in places.items()]
    venue = replace(venue, outputs=buses, sources=(middle, *fills))
    panel = seat_panel(venue, fill="R", sound="clap").set(delay_ms=12.5)
    assert panel.fill == "L"
    assert [panel.settings[name].delay_ms for name in places] == [12.5, 12.5, 0.0]
    assert sum(one["hands"] for one in panel.numbers["states"]["as set"]["play"]) == 2
    bare = replace(venue, outputs={"Mains": buses["Mains"]}, sources=(middle,))
    with pytest.raises(ValueError, match="there is no fill to set delay_ms on"):
        seat_panel(bare).set(delay_ms=3.0)
