"""The answer without a file, against the speed of sound of CoolProp and sums done by hand."""

from __future__ import annotations

import math
import re

import pytest

from fillalign import propagation
from fillalign.sheet import one_fill, quick_answer
from fillalign.sheet.one_fill import LOW_CUT_HZ
from tests.humid_air import humid_air


def coolprop_speed(temperature_c, humidity_pct=50.0, pressure_kpa=101.325):
    return humid_air("speed_of_sound", temperature_c, humidity_pct, pressure_kpa)


@pytest.mark.parametrize("temperature_c", [2.0, 13.0, 24.0, 30.0])
@pytest.mark.parametrize("humidity_pct", [20.0, 80.0])
@pytest.mark.parametrize("pressure_kpa", [80.0, 101.325])
def test_delay_is_the_difference_of_paths_over_the_speed(temperature_c, humidity_pct, pressure_kpa):
    answer = quick_answer(61.0, 12.0, temperature_c, humidity_pct=humidity_pct,
                          pressure_kpa=pressure_kpa)
    speed = coolprop_speed(temperature_c, humidity_pct, pressure_kpa)
    # Cramer's equation keeps within 0.045 m/s of CoolProp here: 0.02 ms in 143 ms.
    assert answer.delay_ms == pytest.approx(1000 * 49.0 / speed, abs=0.02)


# Cold, dry, thin air, a device at 96 kHz, latencies and a margin: no two numbers alike.
LOPSIDED = {
    "main_m": 61.0, "fill_m": 12.5, "temperature_c": 11.0, "humidity_pct": 63.0,
    "pressure_kpa": 91.4, "main_latency_ms": 1.7, "fill_latency_ms": 3.2, "margin_ms": 4.0,
    "sample_rate_hz": 96000.0, "mains_db": 81.0, "fill_db": 86.0, "goal_db": 85.0,
}


def lopsided_delay_ms(temperature_c, humidity_pct=63.0):
    """Return the delay by hand, with CoolProp's speed of sound."""
    return 1000 * 48.5 / coolprop_speed(temperature_c, humidity_pct, 91.4) + 4.0 - (3.2 - 1.7)


def humidity_at(temperature_c):
    """Return the humidity that the lopsided air has at another temperature, its vapour kept."""
    full = [humid_air("P_w", t, 100.0, 91.4) for t in (11.0, temperature_c)]
    return min(round(63.0 * full[0] / full[1], 2), 100.0)


def said(answer):
    """Return an answer's lines by their labels, as they are printed."""
    found, label = {}, ""
    for line in answer.text().splitlines():
        label = line[:14].strip() or label
        found[label] = f"{found.get(label, '')} {line[14:].strip()}".strip()
    return found


def printed(text, form):
    """Return the numbers of a line, which must be of that form."""
    match = re.search(form, text)
    assert match, text
    return tuple(map(float, match.groups()))


def test_line_of_the_air():
    shown = printed(said(quick_answer(**LOPSIDED))["Air"],
                    r"^(\S+) C, (\S+) %, (\S+) kPa: sound travels (\S+) m/s$")
    assert shown[:3] == (11.0, 63.0, 91.4)
    assert shown[3] == pytest.approx(coolprop_speed(11.0, 63.0, 91.4), abs=0.1)


def test_line_of_the_delay():
    shown = printed(said(quick_answer(**LOPSIDED))["Delay"],
                    r"^(\S+) ms = (\S+) samples at (\S+) kHz = (\S+) m = (\S+) ft "
                    r"(\S+) ms of it are margin")
    wanted = lopsided_delay_ms(11.0)
    metres = wanted / 1000 * coolprop_speed(11.0, 63.0, 91.4)
    # Cramer and CoolProp part by less than 0.03 ms here, 3 samples at 96 kHz.
    assert shown[0] == pytest.approx(wanted, abs=0.04)
    assert 0 <= shown[1] - 96 * quick_answer(**LOPSIDED).delay_ms < 1
    assert shown[2] == 96
    assert shown[3] == pytest.approx(metres, abs=0.02)
    assert shown[4] == pytest.approx(metres / 0.3048, abs=0.1)
    assert shown[5] == 4


def test_line_of_the_habit():
    """At 20 C in the same thin and dry air: without its pressure it would be 0.004 ms less."""
    habit, late, samples = printed(
        said(quick_answer(**LOPSIDED))["At 20 C"],
        r"it would be (\S+) ms: set that today and the fill is (\S+) ms \((\S+) samples\) "
        "too early")
    wanted = lopsided_delay_ms(20.0)
    assert habit == pytest.approx(wanted, abs=0.04)
    assert late == pytest.approx(lopsided_delay_ms(11.0) - wanted, abs=0.02)
    assert samples == pytest.approx(96 * late, abs=1.0)
    answer = quick_answer(**LOPSIDED)
    same_air = dict(LOPSIDED, temperature_c=20.0)
    assert answer.habit_error_ms == pytest.approx(
        quick_answer(**same_air).delay_ms - answer.delay_ms, abs=1e-9)
    sea_level = dict(same_air, pressure_kpa=101.325)
    assert abs(quick_answer(**sea_level).delay_ms - quick_answer(**same_air).delay_ms) > 1e-4


def test_lines_of_the_trim():
    """10^8.5 - 10^8.1 is 10^8.28: 82.8 dB alone, 1.8 over the mains, 3.2 below what it has."""
    line = said(quick_answer(**LOPSIDED))["Trim"]
    alone, down = printed(line, r"must read (\S+) dB at that seat: down by \S+ dB: "
                                r"(\S+) in half-dB steps\.")
    assert alone == pytest.approx(10 * math.log10(10**8.5 - 10**8.1), abs=0.051)
    # The next half decibel above -3.2.
    assert down == 3.0
    louder = said(quick_answer(**{**LOPSIDED, "goal_db": 88.0}))["Trim"]
    over, margin, limit = printed(louder, r"That is (\S+) dB against the main\. At (\S+) ms after "
                                          r"the main the fill may be at most (\S+) dB above")
    assert over == pytest.approx(10 * math.log10(10**8.8 - 10**8.1) - 81.0, abs=0.051)
    # The table is straight between 0 dB at 1 ms and 5 dB at 5 ms (common practice).
    assert (margin, limit) == (4.0, 3.8)


def test_lines_of_the_weather():
    line = said(quick_answer(**LOPSIDED))["Weather"]
    colder, sample = printed(line, r"^(\S+) ms for each degree colder \(one sample is (\S+) ms\)")
    wanted = (lopsided_delay_ms(9.0, humidity_at(9.0)) - lopsided_delay_ms(13.0, humidity_at(13.0)))
    # Colder air is slower: the fill must wait longer.
    assert colder > 0
    assert colder == pytest.approx(wanted / 4, abs=0.01)
    assert line.startswith("+")
    assert sample == pytest.approx(1 / 96, abs=5e-4)
    moved = {float(t): float(ms) for t, ms in re.findall(r"(\d+) C (\S+) ms", line)}
    assert sorted(moved) == [1.0, 6.0, 16.0, 21.0]
    for temperature_c, delay_ms in moved.items():
        assert delay_ms == pytest.approx(
            lopsided_delay_ms(temperature_c, humidity_at(temperature_c)), abs=0.05)


@pytest.mark.parametrize(("main_m", "fill_m"), [(29.6, 35.0), (61.0, 12.5), (8.0, 44.0)])
def test_colder_air_moves_what_is_dialled_by_what_the_line_says(main_m, fill_m):
    """Whichever is dialled, a delay or a hold-back: ten degrees colder it is ten times that."""
    now, then = (quick_answer(main_m, fill_m, t) for t in (22.0, 12.0))
    dialled = [one.hold_back_ms or one.delay_ms for one in (now, then)]
    line = said(now)["Weather"]
    colder, = printed(line, r"^(\S+) ms (?:of hold-back )?for each degree colder")
    assert (" of hold-back " in line) == (fill_m > main_m)
    # The line has two digits, and the slope grows a little with the cold.
    assert 10 * colder == pytest.approx(dialled[1] - dialled[0], abs=0.06, rel=0.08)


@pytest.mark.parametrize("given", [(), ("mains_db",), ("fill_db", "goal_db"), ("goal_db",)])
def test_only_the_levels_that_lack_are_asked_for(given):
    line = words(**dict.fromkeys(given, 80.0))["Trim"]
    assert {name for name in ("mains_db", "fill_db", "goal_db")
            if f"--{name.replace('_', '-')}" in line} == {"mains_db", "fill_db", "goal_db"} - {
                *given}


def test_it_carries_the_cautions_of_its_tools():
    line = words()["Care"]
    assert "class 2 at most, never at eyes" in line
    assert "qualified riggers" in line


def test_line_of_the_low_cut():
    assert said(quick_answer(**LOPSIDED))["Low cut"] == "120 to 150 Hz (common practice)."


def test_the_ladder_waits_as_the_law_of_the_house_says(monkeypatch):
    """With a public `seat_delay_ms` that adds a millisecond, all that it prints moves by it."""
    before = quick_answer(**LOPSIDED)
    usual = propagation.seat_delay_ms
    for home in (propagation, one_fill):
        monkeypatch.setattr(home, "seat_delay_ms", lambda *a, **k: usual(*a, **k) + 1.0)
    after = quick_answer(**LOPSIDED)
    assert after.delay_ms == pytest.approx(before.delay_ms + 1.0)
    assert after.samples - before.samples in (95, 96, 97)
    assert [ms for _, ms in after.weather] == pytest.approx([ms + 1.0 for _, ms in before.weather])
    assert said(after)["Delay"].startswith(f"{before.delay_ms + 1.0:.2f} ms")


@pytest.mark.parametrize(("law", "kept"), [
    ("fill_level_db", "fill_db"), ("precedence_limit_db", "limit_db"),
    ("required_margin_ms", "margin_wanted_ms"), ("m_to_ft", "delay_ft"), ("ms_to_m", "delay_m"),
])
def test_the_ladder_has_no_law_of_its_own(monkeypatch, law, kept):
    before = getattr(quick_answer(**LOPSIDED), kept)
    usual = getattr(one_fill, law)
    monkeypatch.setattr(one_fill, law, lambda *a, **k: usual(*a, **k) + 1.0)
    assert getattr(quick_answer(**LOPSIDED), kept) == pytest.approx(before + 1.0)


def test_the_drift_is_that_of_both_paths(monkeypatch):
    monkeypatch.setattr(one_fill, "drift_ms_per_c", lambda metres, _air: metres / 100)
    assert quick_answer(**LOPSIDED).drift_ms_per_c == pytest.approx(0.485)


def test_the_rule_of_thumb_of_the_trade():
    """15 m is about 44 ms at 20 C (common practice)."""
    assert quick_answer(25.0, 10.0, 20.0).delay_ms == pytest.approx(44.0, abs=0.5)


def test_what_assuming_20_c_costs():
    cold = quick_answer(60.0, 0.0, 8.0)
    cost = 1000 * 60 * (1 / coolprop_speed(20.0) - 1 / coolprop_speed(8.0))
    assert cold.habit_error_ms == pytest.approx(cost, abs=0.03)
    assert cold.habit_error_ms < -3.5
    assert "samples) too early" in " ".join(cold.text().split())
    warm = quick_answer(60.0, 0.0, 29.0)
    assert warm.habit_error_ms > 2.0
    assert "samples) too late" in " ".join(warm.text().split())
    at_habit = 60000 / coolprop_speed(20.0)
    shown = float(re.search(r"it would be ([\d.]+) ms", " ".join(warm.text().split())).group(1))
    assert shown == pytest.approx(at_habit, abs=0.03)
    assert "nothing is lost" in quick_answer(60.0, 0.0, 20.0).text()


def test_weather_is_at_constant_vapour():
    """Evening cools by 12 degrees: a 60 m tower shifts by about 4 ms (common practice)."""
    answer = quick_answer(60.0, 0.0, 25.0, humidity_pct=50.0)
    moved = dict(answer.weather)
    assert sorted(moved) == [15.0, 20.0, 30.0]
    saturation = [humid_air("P_w", t, 100.0, 101.325) for t in (25.0, 15.0)]
    there = min(round(50.0 * saturation[0] / saturation[1], 2), 100.0)
    assert moved[15.0] == pytest.approx(60000 / coolprop_speed(15.0, there), abs=0.02)
    assert moved[15.0] - answer.delay_ms == pytest.approx(10 * -answer.drift_ms_per_c, rel=0.05)
    assert answer.drift_ms_per_c == pytest.approx(-0.3, abs=0.03)


def test_drift_changes_its_sign_with_the_order_of_the_paths():
    assert quick_answer(5.0, 45.0, 20.0).drift_ms_per_c == pytest.approx(
        -quick_answer(45.0, 5.0, 20.0).drift_ms_per_c
    )


@pytest.mark.parametrize(("given", "moved_ms"), [
    ({"main_latency_ms": 3.0}, 3.0), ({"fill_latency_ms": 3.0}, -3.0), ({"margin_ms": 10.0}, 10.0),
])
def test_latency_and_margin_move_the_delay(given, moved_ms):
    plain = quick_answer(41.0, 15.0, 24.0)
    assert quick_answer(41.0, 15.0, 24.0, **given).delay_ms == pytest.approx(
        plain.delay_ms + moved_ms
    )


@pytest.mark.parametrize("rate", [44100.0, 48000.0, 96000.0, 192000.0])
def test_samples_are_whole_and_never_early(rate):
    answer = quick_answer(41.0, 15.0, 24.0, sample_rate_hz=rate)
    exact = answer.delay_ms * rate / 1000
    assert exact <= answer.samples < exact + 1
    assert f"{answer.samples} samples at {rate / 1000:g} kHz" in answer.text()


def test_a_whole_number_of_samples_is_not_raised():
    assert quick_answer(0.0, 0.0, 20.0, margin_ms=10.0).samples == 480


def test_lengths_are_the_distance_again():
    answer = quick_answer(41.0, 15.0, 24.0)
    assert answer.delay_m == pytest.approx(26.0)
    assert answer.delay_ft == pytest.approx(26.0 / 0.3048)


def test_a_fill_that_is_late_asks_for_a_hold_back():
    answer = quick_answer(4.0, 14.0, 20.0)
    assert answer.delay_ms == 0.0
    assert answer.samples == 0
    assert answer.hold_back_ms == pytest.approx(10000 / coolprop_speed(20.0), abs=0.01)
    assert "hold the mains back by 29.07 ms" in " ".join(answer.text().split())


def test_trim_by_hand():
    """10^8.8 - 10^8.4 is 10^8.58: the fill must bring 85.8 dB, 4.2 less than its 90."""
    answer = quick_answer(41.0, 15.0, 24.0, mains_db=84.0, fill_db=90.0, goal_db=88.0)
    assert answer.fill_db == pytest.approx(85.796, abs=0.001)
    # Raised to the next half decibel, so that the goal is reached.
    assert answer.trim_change_db == -4.0
    assert "down by 4.2 dB: 4.0 in half-dB steps)" in said(answer)["Trim"]
    # 3.4 less: the nearest half decibel, 3.5, would fall short of it.
    nearly = quick_answer(41.0, 15.0, 24.0, mains_db=84.0, fill_db=89.2, goal_db=88.0)
    assert nearly.trim_change_db == -3.0
    more = quick_answer(41.0, 15.0, 24.0, mains_db=84.0, fill_db=80.0, goal_db=88.0)
    assert more.trim_change_db == 6.0
    assert "up by 5.8 dB: 6.0 in half-dB steps" in said(more)["Trim"]


def test_equal_levels_make_three_decibels_more():
    answer = quick_answer(41.0, 15.0, 24.0, mains_db=84.0, goal_db=84.0 + 10 * math.log10(2))
    assert answer.fill_db == pytest.approx(84.0)
    assert answer.trim_change_db is None
    assert "with --fill-db" in answer.text()


def test_no_fill_where_the_mains_reach_the_goal():
    answer = quick_answer(41.0, 15.0, 24.0, mains_db=88.0, fill_db=80.0, goal_db=88.0)
    assert answer.fill_db == answer.trim_change_db == -math.inf
    assert "off: the mains reach the goal alone" in answer.text()


def test_a_fill_too_loud_for_its_margin_is_named():
    """The precedence table allows +5 dB at 5 ms and -3 dB at 0 ms (common practice)."""
    levels = {"mains_db": 84.0, "fill_db": 84.0, "goal_db": 89.0}
    early = quick_answer(41.0, 15.0, 24.0, **levels)
    assert early.over_main_db == pytest.approx(3.35, abs=0.01)
    assert early.limit_db == -3.0
    # Between 0 dB at 1 ms and 5 dB at 5 ms the table is straight: 1 + 4 * 3.35 / 5.
    assert early.margin_wanted_ms == pytest.approx(3.68, abs=0.01)
    assert "with 3.7 ms of margin it may have that level" in " ".join(early.text().split())
    sooner = quick_answer(41.0, 15.0, 24.0, margin_ms=2.0, **levels)
    assert sooner.margin_wanted_ms == pytest.approx(early.margin_wanted_ms)
    late = quick_answer(41.0, 15.0, 24.0, margin_ms=5.0, **levels)
    assert late.limit_db == 5.0
    assert "that level" not in late.text()
    never = quick_answer(41.0, 15.0, 24.0, mains_db=84.0, fill_db=84.0, goal_db=96.0)
    assert math.isnan(never.margin_wanted_ms)
    assert "no margin allows more" in " ".join(never.text().split())


def test_text_says_what_it_still_needs_and_what_practice_is():
    text = quick_answer(41.0, 15.0, 24.0).text()
    assert "--mains-db" in text
    assert f"{LOW_CUT_HZ[0]:.0f} to {LOW_CUT_HZ[1]:.0f} Hz (common practice)" in text
    assert LOW_CUT_HZ == (120.0, 150.0)
    assert max(len(line) for line in text.splitlines()) <= 80


@pytest.mark.parametrize(("given", "message"), [
    ({"main_m": -1.0}, "main_m must be between 0 and 10000 m, got -1"),
    ({"fill_m": math.nan}, "fill_m .* got nan"), ({"fill_m": 1e100}, "fill_m .* got 1e\\+100"),
    ({"mains_db": math.nan}, "mains_db must be between -100 and 200 dB, got nan"),
    ({"temperature_c": 297.0}, "temperature_c must be"), ({"humidity_pct": 140.0}, "humidity_pct"),
    ({"pressure_kpa": 101325.0}, "pressure_kpa"), ({"fill_db": 900.0}, "fill_db must be"),
    ({"mains_db": 900.0, "goal_db": 90.0}, "mains_db must be"),
    ({"mains_db": 90.0, "goal_db": -900.0}, "goal_db must be"),
    ({"main_latency_ms": -2.0}, "main_latency_ms"), ({"fill_latency_ms": 2000.0}, "fill_latency"),
    ({"margin_ms": 900.0}, "margin_ms"), ({"sample_rate_hz": 48.0}, "sample_rate_hz"),
])
def test_bad_values_are_named(given, message):
    values = {"main_m": 41.0, "fill_m": 15.0, "temperature_c": 24.0, **given}
    with pytest.raises(ValueError, match=message):
        quick_answer(**values)


def test_late_path_is_told_as_hold_back_throughout():
    text = " ".join(quick_answer(10.0, 20.0, 30.0, margin_ms=5.0).text().split())
    assert "of it are margin" not in text
    assert "Then the fill comes 5 ms after the main." in text
    # 10 m at 20 C, 344 m/s, less the 5 ms of margin.
    assert "At 20 C it would be 24.07 ms of hold-back: set that today and the fill is" in text


def test_a_fill_that_is_right_already_is_left():
    """Two equal levels make 3.01 dB more: the goal is met as it is."""
    goal_db = 10 * math.log10(2 * 10**8.4)
    text = quick_answer(41.0, 15.0, 24.0, mains_db=84.0, fill_db=84.0, goal_db=goal_db,
                        margin_ms=5.0).text()
    assert "must read 84.0 dB at that seat: leave it where it is." in " ".join(text.split())


@pytest.mark.filterwarnings("ignore::fillalign.RangeWarning")
def test_air_far_from_the_weather_of_venues_has_no_table():
    answer = quick_answer(41.0, 15.0, -45.0)
    assert answer.weather == ()
    assert answer.text().partition("Weather")[2].splitlines()[1].startswith("Now ")


# What is not answered without a word --------------------------------------------------------


def words(**more):
    return said(quick_answer(**{"main_m": 41.0, "fill_m": 15.0, "temperature_c": 24.0, **more}))


def test_a_goal_beyond_the_image_says_which_wins():
    """84 dB and 90 in all: 88.74 for the fill, 4.7 over the main, where 5 ms allow 5, none -3."""
    fine = words(mains_db=84.0, fill_db=88.7, goal_db=90.0, margin_ms=5.0)["Trim"]
    assert fine.endswith("leave it where it is.") or "up by 0.5 dB" in fine
    assert "wins" not in fine
    line = words(mains_db=84.0, fill_db=88.74, goal_db=90.0)["Trim"]
    assert "leave it where it is" not in line
    most, down = printed(line, r"the image wins: at most (\S+) dB \(down by (\S+) dB\)\.")
    assert most == 81.0
    # 7.74 dB down to the next half decibel below what the image allows.
    assert down == 8.0
    assert "the image wins: at most 81.0 dB." in words(mains_db=84.0, goal_db=90.0)["Trim"]


def test_a_margin_that_nobody_wants_is_said_back():
    """Beyond 30 ms speech is heard twice (Haas 1951)."""
    assert "A margin of 80 ms is an echo in speech" in words(margin_ms=80.0)["Delay"]
    assert "takes the image" in words(margin_ms=-20.0)["Delay"]
    for usual in (0.0, 5.0, 30.0):
        line = words(margin_ms=usual)["Delay"]
        assert "echo" not in line
        assert "takes the image" not in line


@pytest.mark.parametrize(("name", "level_db", "cautioned"), [
    ("mains_db", 100.0, False), ("mains_db", 100.5, True), ("fill_db", 103.0, True),
    ("goal_db", 101.0, True), ("goal_db", 99.0, False),
])
def test_above_100_db_it_cautions(name, level_db, cautioned):
    """WHO's standard for venues of 2022: at most 100 dB LAeq over 15 minutes (from memory)."""
    found = words(**{name: level_db})
    assert ("Hearing" in found) == cautioned
    if cautioned:
        assert found["Hearing"].startswith(f"{level_db:.1f} dB: WHO")
