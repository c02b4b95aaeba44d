"""What lessons say in prose, held against the library: a number that a plan moves is found here.

Each claim is read out of its notebook by its words and computed anew.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest

from fillalign import Air, absorption_db_per_m, evaluate, plan_fills, seat_field
from fillalign.absorption import OCTAVES_NOMINAL
from fillalign.classroom.lessons import l04, l05, l06, l07, l08, l09
from fillalign.classroom.lessons.hall import (
    fills,
    fills_off,
    hall,
    row_means_db,
    rows_octaves_db,
    seats_with,
    with_fills,
)
from fillalign.classroom.own_venue import START
from fillalign.classroom.seat import seat_panel
from fillalign.classroom.venues import data_path, demo_plan
from fillalign.planning import LOW_CUT_LOSS_DB, low_cuts
from fillalign.venue import read_venue_text, starter_toml

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"


@cache
def prose(number: str) -> str:
    """Return what a lesson says outside its code, on one line."""
    path = next(NOTEBOOKS.glob(f"{number}_*.ipynb"))
    cells = nbformat.read(path, as_version=4).cells
    return " ".join(" ".join(c.source.split()) for c in cells if c.cell_type == "markdown")


def said(number: str, words: str) -> list[float]:
    """Return the numbers that stand where `#` does in some words of a lesson."""
    pattern = re.escape(words).replace(r"\#", r"(-?\d+(?:\.\d+)?)")
    found = re.search(pattern, prose(number))
    assert found, f"lesson {number} no longer says: {words}"
    return [float(one) for one in found.groups()]


def moved(live, **values):
    for name, value in values.items():
        live.controls[name].value = value
    assert live.error == ""
    return live


def climb_db(live, trim_db):
    return float(moved(live, trim_db=float(trim_db)).text.split("climbs by ")[1].split(" dB")[0])


def test_prose_is_read_and_a_missing_sentence_noticed():
    assert said("01", "the last row should read # dBA") == [71.0]
    with pytest.raises(AssertionError, match="no longer says"):
        said("01", "the last row should read # dB less")


def opened(number, cell_id):
    """Return the panel that a cell of a lesson opens, in words."""
    path = next(NOTEBOOKS.glob(f"{number}_*.ipynb"))
    cell = next(c for c in nbformat.read(path, as_version=4).cells if c.id == cell_id)
    return cell.outputs[0].data["text/plain"]


def test_00_the_first_task_can_be_done():
    assert "Image at the fill" in opened("00", "l00-03")
    barn = demo_plan("pewter_barn")
    waits = [seat_panel(barn, start={"delay_ms": delay}, listener_m=(34.0, -1.0)).text
             for delay in (0.0, *said("00", "Let the post wait some # ms"))]
    assert ["Image at the stage" in text for text in waits] == [False, True]
    before, after = said("00", "speech index falls by 0.01 (# to #)")
    assert [barn.walk.speech_before[0], barn.walk.speech_after[0]] == pytest.approx(
        [before, after], abs=0.005)


def test_00_what_the_barn_lacks_without_rain():
    """The words arrive without fills; the rows under the hayloft stay soft all the same."""
    venue = demo_plan("pewter_barn").venue
    dry = plan_fills(replace(venue, goals=replace(venue.goals, noise_db={}))).walk
    loft = dry.x_m >= 31
    assert dry.speech_before[loft].min() > venue.goals.sti
    assert said("00", "would still be up to # dB too soft") == pytest.approx(
        [(dry.profile_dba - dry.heard_before_dba)[loft].max()], abs=0.05)


def test_01_master_up_or_fills_in():
    walk = hall().walk
    goal = hall().venue.goals.back_dba
    assert said("01", "Without fills the master has to go up by # dB") == pytest.approx(
        [goal - walk.before_dba[-1]], abs=0.05)
    assert said("01", "With the fills the same 71 dBA need # dB *less* than now") == pytest.approx(
        [walk.after_dba[-1] - goal], abs=0.05)
    assert said("01", "the towers win # dB") == pytest.approx(
        [demo_plan("cinder_meadow").gain_before_feedback_db], abs=0.05)
    assert "Here the fills win about one decibel before feedback" in prose("01")
    assert hall().gain_before_feedback_db == pytest.approx(1.0, abs=0.3)


def test_01_the_words_do_arrive():
    index = hall().walk.speech_before
    assert said("01", "The speech index stands at # or more in every row") == pytest.approx(
        [index.min()], abs=0.01)
    assert hall().venue.goals.sti < index.min()
    assert "they do not get the words" not in prose("01")


def test_01_rows_that_stay_short():
    walk = hall().walk
    here = (walk.x_m >= 20) & (walk.x_m <= 25)
    short = (walk.profile_dba - walk.heard_after_dba)[here]
    assert said("01", "stay up to # dB short of the profile") == pytest.approx(
        [short.max()], abs=0.05)
    assert not any(need.needed for need in hall().needs_after)


def test_03_a_meter_never_reads_the_same_in_the_hall():
    def read(settings, names):
        return seat_field(hall().venue, settings, state="check", sounding=names).weighted_db()

    over = read(with_fills(), fills()) - read(fills_off(), ["Main bus"])
    assert said("03", "the fills stay # dB or more below") == pytest.approx(
        [-over.max()], abs=0.05)
    assert "walk until both read the same. In a hall it does not" in prose("03")


def test_05_the_walk():
    live = moved(l05.walk_figure(), fills_on=False)
    assert "almost 3 dB under the profile" in prose("05")
    missing = float(live.text.split(" dBA, ")[1].split(" dB below")[0])
    assert 2.5 < missing < 3.0
    moved(live, fills_on=True)
    for what, words in (("useful sound", "From about # dB on it climbs by more than 2 dB"),
                        ("what a meter shows", "there the climb passes 2 dB at # dB")):
        trim, = said("05", words)
        moved(live, what=what)
        assert climb_db(live, trim - 0.5) < 2.0
        assert climb_db(live, trim + 0.5) > 2.0
    planned = hall().settings["Fill inner"].trim_db
    assert climb_db(moved(live, what="useful sound"), planned) == pytest.approx(1.0, abs=0.25)


def test_05_what_a_meter_reads_and_what_trims_cost():
    reading, curve = l05.inner_fill().reading, l05.inner_trims()
    assert said("05", "the fill alone reads # dB *less* than the mains") == pytest.approx(
        [reading.mains_dba - reading.fill_dba], abs=0.5)
    planned = hall().settings["Fill inner"].trim_db
    behind, ahead = (np.interp(planned, curve.trim_db, values) for values in (
        curve.speech_covered, curve.speech_ahead))
    assert said("05", "the back gains # and the rows ahead lose #") == pytest.approx(
        [behind - curve.speech_without, curve.speech_ahead[0] - ahead], abs=0.0051)
    assert np.interp(planned + 3, curve.trim_db, curve.speech_ahead) == pytest.approx(
        2 * ahead - curve.speech_ahead[0], abs=0.006)


def test_04_half_a_metre_moves_the_gap_and_no_seat_of_the_row_is_without_a_pipe():
    live = l04.seats_figure()
    here, there = map(float, re.findall(r"(\d+\.\d) ms", live.text.splitlines()[0]))
    assert said("04", "further out the gap has moved by # ms") == pytest.approx(
        [there - here], abs=0.01)
    assert "Two chairs further on it is another pipe." in prose("04")
    tones = [seat_panel(hall(), listener_m=(34.0, y_m)).text for y_m in (3.0, 4.0, 5.0, 6.0, 7.0)]
    pitches = [re.search(r"Hollow, with a faint pitch of (\d+) Hz", tone)[1] for tone in tones]
    assert len(set(pitches)) == len(pitches)


def test_05_one_story_of_the_speech_index():
    assert "Below 0.45 speech is poor, above it fair" in prose("00")
    assert "Below 0.45 speech is poor, above it fair" in prose("01")
    assert "Below 0.45 speech is poor, above it fair" in prose("05")
    for number in ("01", "05"):
        assert said(number, "# is this hall's goal") == [hall().venue.goals.sti]


def test_06_what_two_gaps_do_to_two_lows():
    """A full-range fill as loud as the mains: sum of two pressures by an arrow that turns."""
    words = ("one listener (# ms) gets no # Hz and a doubled # Hz, another (# ms) no # Hz and "
             "half as much again of # Hz")
    late, gone, doubled, early, lost, more = said("06", words)
    pressure = {(gap, hz): abs(1 + np.exp(-2j * np.pi * hz * gap / 1000))
                for gap in (late, early) for hz in (gone, doubled, lost, more)}
    assert pressure[late, gone] == pytest.approx(0, abs=1e-9)
    assert pressure[late, doubled] == pytest.approx(2)
    assert pressure[early, lost] == pytest.approx(0, abs=1e-9)
    assert pressure[early, more] == pytest.approx(1.5, abs=0.1)


def test_06_the_corner_that_passes_depends_on_the_trim():
    corners = [float(name.removesuffix(" Hz")) for name in l06._CORNERS[1:]]

    def highest(trim_db):
        kind = "Butterworth, order 4"
        full = l06.area_db(None, kind, trim_db)
        return next(corner for corner in sorted(corners, reverse=True)
                    if (full - l06.area_db(corner, kind, trim_db))[1:13].max() <= LOW_CUT_LOSS_DB)

    assert "only 80 Hz passes with order 4 of the kind *Butterworth*" in prose("06")
    assert highest(0.0) == 80.0
    at, = said("06", "at -3 dB it is # Hz")
    assert highest(-3.0) == at
    assert "so soft that even 250 Hz passes" in prose("06")
    assert highest(hall().settings["Fill inner"].trim_db) == 250.0


def test_06_the_kinds_at_250_hz_and_the_field():
    cuts = {cut.kind: cut.loss_db for cut in low_cuts(hall(), "Fill inner")
            if (cut.corner_hz, cut.order) == (250.0, 4)}
    chosen = hall().settings["Fill inner"].low_cut_kind
    assert "this kind stays within 1 dB and the other just does not" in prose("06")
    assert cuts.pop(chosen) <= LOW_CUT_LOSS_DB < next(iter(cuts.values())) < 1.2
    meadow = demo_plan("cinder_meadow")
    costs = [next(cut.loss_db for cut in low_cuts(meadow, name)
                  if (cut.corner_hz, cut.order, cut.kind) == (250.0, 4, "butterworth"))
             for name in ("Ring 1 L", "Ring 2 L")]
    assert said("06", "would cost the rows behind these towers # and # dB") == pytest.approx(
        costs, abs=0.06)


def test_06_lows_fall_least():
    fall = -rows_octaves_db(False)[-1]
    assert fall[1] < fall[3] < fall[5] < fall[7]
    assert "the mains' bass, the same for all" not in prose("06")


def test_07_the_shelf_that_leaves_least():
    live = moved(l07.shelf_figure(), distance_m=60, humidity_pct=40)
    gain, corner = said("07", "the best is # dB from about #,500 Hz")

    def left(gain_db, corner_hz):
        text = moved(live, gain_db=float(gain_db), corner_hz=int(corner_hz)).text
        return max(abs(float(one)) for one in re.findall(r"[+-]\d+\.\d", text)[:2])

    best = left(gain, 1000 * corner + 500)
    assert best == pytest.approx(2.0, abs=0.2)
    assert best <= min(left(gain, hz) for hz in (2500, 3000, 4000, 5000))
    assert best < left(gain - 1, 1000 * corner + 500)


def test_07_what_the_dry_evening_takes():
    at = [OCTAVES_NOMINAL.index(octave) for octave in (4000, 8000)]
    falls = []
    for humidity in (40.0, 20.0):
        rows = seat_field(hall().venue, seats_m=[[13, 0, 1.2], [39, 0, 1.2]],
                          air=Air(20.0, humidity), sounding=["Main bus"])
        falls.append(-np.diff(rows.octaves_db("direct")[:, at], axis=0)[0])
    more_8k, more_4k = said("07", "# dB more of 8 kHz and # dB more of 4 kHz")
    assert falls[1] - falls[0] == pytest.approx([more_4k, more_8k], abs=0.2)
    shelf = hall().settings["Fill inner"]
    assert absorption_db_per_m(2000.0, 20.0, 40.0) * 26 < 0.1 * shelf.shelf_db
    assert shelf.shelf_hz == 2000.0
    assert "outdoors 6 dB for each doubling" in prose("07")


def test_08_the_wind_rules_where_there_is_one():
    meadow = demo_plan("cinder_meadow")
    assert {fill.uncertainty.largest for fill in meadow.fills if fill.sounding} == {"wind"}
    assert "it is the wind that nobody knows well" in prose("08")
    low, high = said("08", "the table uses it: # to # m/s")
    wind = pd.read_csv(data_path("cinder_evening.csv"), comment="#")["wind_m_s"]
    assert (wind.min(), wind.max()) == pytest.approx((low, high), abs=0.5)
    assert "counts like cooling. Gusts" not in prose("08")


def test_08_the_strip_that_hears_the_image_move():
    meadow = demo_plan("cinder_meadow")
    afternoon = float(meadow.retime(l08.evening_log())["Ring 2 C"].iloc[0])
    late = replace(meadow.settings["Ring 2 C"], delay_ms=afternoon)
    seats = evaluate(meadow.venue, {**meadow.settings, "Ring 2 C": late}).seats()
    lost = seats[(seats.fill == "Ring 2 C") & ~seats.keeps_image]
    assert 10 < len(lost) < 25
    assert lost.y_m.abs().max() <= 4
    assert {(100.0, 0.0)} <= set(zip(lost.x_m, lost.y_m, strict=True))
    assert "Only the strip behind the tower hears it move" in prose("08")


def test_08_colder_and_yet_shorter_is_the_wind():
    log, meadow = l08.evening_log(), demo_plan("cinder_meadow")
    delay = meadow.retime(log)["Ring 2 C"]
    assert log.temperature_c["23:00"] < log.temperature_c["21:30"]
    assert delay["23:00"] < delay["21:30"]
    assert "yet the delays are shorter: the wind" in prose("08")
    wind = ["wind_m_s", "wind_towards_deg"]
    log.loc["23:00", wind] = log.loc["21:30", wind]
    assert meadow.retime(log)["Ring 2 C"]["23:00"] > delay["21:30"]
    far, near = said("08", "the far ring wants # ms more, and the near one #")
    moved = meadow.retime(l08.evening_log())
    assert [moved[name].iloc[-1] - moved[name].iloc[0] for name in ("Ring 2 C", "Ring 1 L")] == \
        pytest.approx([far, near], abs=0.05)


def test_09_the_sample_seat_and_the_click():
    low, high = said("09", "a gap between # and # ms")
    assert low < l09.planned_gap_ms() < high
    late = l09.sample_reading().gap_ms - l09.planned_gap_ms()
    assert "almost 3 ms late and turned over" in prose("09")
    assert 2.5 < late < 3.0
    assert "In Tidewell Hall the fill's low cut hides the click" in prose("09")
    readings = [fill.reading for fill in hall().fills if fill.sounding]
    assert all(reading.click_db > -3 for reading in readings)
    field = [fill.reading.click_db for fill in demo_plan("cinder_meadow").fills if fill.sounding]
    assert said("09", "some rings change by # dB") == [round(-min(field))]
    assert min(field) < -3 < max(field)
    assert "a bit of an echo" not in prose("09")
    assert "it must get thinner." not in prose("09")


def test_09_turning_the_polarity_over_moves_octaves_both_ways():
    """With the margin and the low cut of the plan, at the seat of the reading."""
    seat = l05.inner_fill().reading.seat_m
    both = [seat_field(hall().venue, with_fills(polarity=polarity), seats_m=[seat])
            .octaves_db("direct")[0] for polarity in ("normal", "inverted")]
    change = both[1] - both[0]
    assert change.max() > 1.0
    assert change.min() < -0.5


def test_10_who_was_right():
    """The hall of the question: served while the fans are off, not with 58 dBA of them."""
    noise, delay = said("10", "with # dBA of fans"), said("10", "the wrong number: # ms")
    assert [START["noise_dba"]] == noise
    numbers = [{**START, "noise_dba": level} for level in (0, *noise)]
    plans = [plan_fills(read_venue_text(starter_toml("Hall", "speech", **one))) for one in numbers]
    assert [plan.fills[0].sounding for plan in plans] == [False, True]
    assert not any(plan.unmet for plan in plans)
    back = [need.shortfall_db for need in plans[1].needs_after if need.area == "back"]
    assert plans[1].figures()["speech_index_before"] < 0.5
    assert back
    assert plans[1].settings["Fills"].delay_ms == pytest.approx(*delay, abs=0.5)
    assert plans[1].settings["Fills"].low_cut_hz is not None


def test_rows_of_the_hall_are_those_of_the_walk():
    level = row_means_db(seats_with(with_fills()).weighted_db("total"))
    np.testing.assert_allclose(level, hall().walk.after_dba)
