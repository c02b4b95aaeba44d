"""A first venue file from a handful of numbers, and the form that asks for them."""

import numpy as np
import pytest

from fillalign import plan_fills
from fillalign.levels import a_weighting_db
from fillalign.sheet import setup_sheet_text
from fillalign.venue import QUESTIONS, read_venue_text, starter_toml, survey_form_html

HALL = {"length_m": 38, "width_m": 18, "height_m": 7, "rt60_s": 1.4, "temperature_c": 21,
        "first_row_m": 4, "last_row_m": 36, "mains_apart_m": 10, "mains_height_m": 4.5,
        "mains_dba": 94, "fill_at_m": 22, "noise_dba": 58}


def test_the_numbers_stand_in_the_venue():
    venue = read_venue_text(starter_toml("Hall of Nets", "speech", **HALL))
    assert (venue.name, venue.programme) == ("Hall of Nets", "speech")
    assert (venue.room.x_to_m, venue.room.width_m, venue.room.height_m) == (38.0, 18.0, 7.0)
    assert venue.states["show"].rt60_s[1000] == 1.4
    assert venue.states["show"].air.temperature_c == 21.0
    rows = [edge for area in venue.areas for edge in (area.x_from_m, area.x_to_m)]
    assert (min(rows), max(rows)) == (4.0, 36.0)
    mains = [source for source in venue.sources if source.role == "main"]
    assert {source.position_m for source in mains} == {(0.0, 5.0, 4.5), (0.0, -5.0, 4.5)}
    assert venue.loudspeakers["main"].level_dba == 94.0
    fills = [source for source in venue.sources if source.role == "fill"]
    assert {source.position_m[0] for source in fills} == {22.0}


def test_what_nobody_gave_is_assumed_and_the_sheet_tells_it():
    """Maximum, coverage, the fills' level, latencies, humidity, the empty room's decay."""
    venue = read_venue_text(starter_toml("Hall", "speech", **HALL))
    assert {box.name: box.assumed for box in venue.loudspeakers.values()} == {
        "main": ("maximum_dba", "coverage_deg"),
        "fill": ("level_dba", "maximum_dba", "coverage_deg")}
    assert {one.assumed for one in venue.outputs.values()} == {("latency_ms",)}
    assert [venue.states[name].assumed for name in ("show", "check")] == [
        ("humidity_pct",), ("humidity_pct", "rt60_s")]
    sheet = " ".join(setup_sheet_text(plan_fills(venue)).split())
    assert ("Loudspeaker fill: assumed, not measured or looked up: level_dba, maximum_dba, "
            "coverage_deg.") in sheet
    assert sheet.count("assumed, not measured") == 6
    guessed = read_venue_text(starter_toml("Hall", "speech", **{**HALL, "rt60_s": 0}))
    assert guessed.states["show"].assumed == ("humidity_pct", "rt60_s")


def test_noise_comes_to_the_level_that_was_read():
    noise = read_venue_text(starter_toml("Hall", "speech", **HALL)).goals.noise_db
    weighted = np.array(list(noise.values())) + a_weighting_db(list(noise))
    assert 10 * np.log10((10 ** (weighted / 10)).sum()) == pytest.approx(58.0, abs=0.1)
    # A noise criterion curve falls towards the highs (NC-30, from memory).
    assert (np.diff(list(noise.values())) <= 0).all()


def test_speech_has_a_goal_and_music_none():
    assert read_venue_text(starter_toml("Hall", "speech", **HALL)).goals.sti == 0.5
    assert read_venue_text(starter_toml("Hall", "music", **HALL)).goals.sti is None
    quiet = starter_toml("Hall", "music", **{**HALL, "noise_dba": 0})
    assert "[goals]" not in quiet


def test_more_noise_brings_the_fills():
    """With the mains alone the words drown at the back; the fills bring them."""
    plans = [plan_fills(read_venue_text(starter_toml("Hall", "speech", **{**HALL, "noise_dba": n})))
             for n in (0, 58)]
    assert [plan.fills[0].sounding for plan in plans] == [False, True]


def test_what_is_not_known_may_stay_away():
    known = {key: value for key, value in HALL.items()
             if key not in ("rt60_s", "fill_at_m", "noise_dba")}
    venue = read_venue_text(starter_toml("Hall", "speech", **known))
    assert [source.role for source in venue.sources] == ["main", "main"]
    # Sabine: 0.161 V/A with a mean absorption of 0.2.
    volume, surface = 41 * 18 * 7, 2 * (41 * 18 + 7 * (41 + 18))
    assert venue.states["show"].rt60_s[1000] == pytest.approx(0.161 * volume / (0.2 * surface),
                                                              abs=0.01)
    outdoors = read_venue_text(starter_toml("Field", "music", **{**known, "height_m": 0}))
    assert not outdoors.indoors


@pytest.mark.parametrize("seed", [0, 3, *(pytest.param(seed, marks=pytest.mark.draws)
                                         for seed in (1, 2, *range(4, 60)))])
def test_any_numbers_that_fit_make_a_venue_that_plans(seed):
    rng = np.random.default_rng(seed)
    first = rng.uniform(1, 8)
    last = first + rng.uniform(6, 90)
    numbers = {"length_m": last + rng.uniform(0.5, 4), "width_m": rng.uniform(6, 40),
               "height_m": rng.choice([0.0, rng.uniform(4, 20)]),
               "rt60_s": rng.choice([0.0, rng.uniform(0.4, 4)]),
               "temperature_c": rng.uniform(1, 30), "first_row_m": first, "last_row_m": last,
               "mains_apart_m": rng.uniform(0, 5), "mains_height_m": rng.uniform(1.8, 3.5),
               "mains_dba": rng.uniform(75, 118), "noise_dba": rng.choice([0.0, 45.0, 70.0]),
               "fill_at_m": rng.choice([0.0, rng.uniform(first + 1, last - 1)])}
    text = starter_toml("Any", str(rng.choice(["speech", "music"])), **numbers)
    plan = plan_fills(read_venue_text(text))
    assert plan.settings["Mains"].trim_db == 0.0


@pytest.mark.parametrize(("change", "words"), [
    ({"last_row_m": 3}, r"last_row_m must be above first_row_m, 4 m, and at most length_m, 38 m"),
    ({"last_row_m": 39}, r"and at most length_m, 38 m, got 39"),
    ({"fill_at_m": 37}, r"fill_at_m must be between the first and the last row, 4 to 36 m"),
    ({"noise_dba": 130}, r"noise_dba must be between 0 and 100 dBA, got 130"),
    ({"width_m": None}, r"width_m is missing: in m, 3 to 200"),
])
def test_numbers_that_do_not_fit_are_named(change, words):
    with pytest.raises(ValueError, match=words):
        starter_toml("Hall", "speech", **{**HALL, **change})


@pytest.mark.parametrize("name", ["", "  ", 'a"b', "a\\b", "x" * 81, "a\nb"])
def test_a_name_that_would_break_the_file_is_refused(name):
    with pytest.raises(ValueError, match="name must be 1 to 80 letters without quotes"):
        starter_toml(name, "speech", **HALL)


def test_the_form_has_a_box_for_every_number():
    page = survey_form_html()
    assert page.count("class='box'") == len(QUESTIONS)
    for key, words, unit, *_ in QUESTIONS:
        assert f"<code>{key}</code>" in page
        assert words in page
        assert f"<td>{unit}</td>" in page
