"""What is dialled against what was planned, and what was read: each figure worked out apart.

The effects of a change are looked up in `evaluate` with that change alone: its seats and its
walk, which the comparison does not use.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from fillalign import Air, OutputSettings, evaluate, seat_field
from fillalign.planning import (
    Kind,
    MeterRead,
    as_measured,
    plan_fills,
    retimed,
)
from fillalign.precedence import ECHO_LIMITS
from fillalign.sheet import setup_sheet_text
from tests.humid_air import humid_air
from tests.small_venue import small_hall, with_output


@pytest.fixture(scope="module")
def plan():
    hall = small_hall(sti=0.5)
    return plan_fills(with_output(hall, "Fills", delay_step_ms=0.05))


def changed(plan, **fields):
    return plan.settings.replaced("Fills", **fields)


def compared(plan, settings, **more):
    found = evaluate(plan.venue, settings, plan=plan, **more)
    return [one for one in found.findings if one.kind.group == "change"]


def effects(finding):
    return {one.kind: one.values for one in finding.values["effects"]}


def test_a_plans_own_settings_are_the_plan(plan):
    assert evaluate(plan.venue, plan.settings, plan=plan) == plan


def test_echoes_and_images_are_counted_at_the_seats(plan):
    loud = replace(plan, settings=changed(plan, trim_db=6.0))
    settings = changed(loud, delay_ms=plan.settings["Fills"].delay_ms + 200.0)
    told, = compared(loud, settings)
    late = evaluate(plan.venue, settings)
    echoes = [len({*one.checks.seat[one.checks.echo > ECHO_LIMITS["speech"][1]].tolist()})
              for one in (late, evaluate(plan.venue, loud.settings))]
    assert told.kind is Kind.DELAY_CHANGED
    assert effects(told)[Kind.EFFECT_ECHO] == {"seats": echoes[0] - echoes[1], "all": 112}
    assert echoes[0] > echoes[1]
    mended, = compared(replace(loud, settings=settings), loud.settings)
    assert effects(mended)[Kind.EFFECT_ECHO_LESS] == {"seats": echoes[0] - echoes[1], "all": 112}
    assert sum(math.prod(area.counts) for area in plan.venue.areas) == 112
    assert "delay 200.00 ms more than planned" in str(told)
    early, = compared(plan, changed(plan, delay_ms=plan.settings["Fills"].delay_ms - 25.0))
    lost = evaluate(plan.venue, changed(plan, delay_ms=plan.settings["Fills"].delay_ms - 25.0))
    seats = [len({*one.checks.seat[~one.checks.keeps_image].tolist()}) for one in (lost, plan)]
    assert effects(early)[Kind.EFFECT_IMAGE]["seats"] == seats[0] - seats[1] > 0
    assert "25.00 ms less than planned" in str(early)
    back, = compared(replace(plan, settings=lost.settings), plan.settings)
    assert effects(back)[Kind.EFFECT_IMAGE_LESS]["seats"] == seats[0] - seats[1]


def test_rows_that_get_less_are_named_with_the_worst_of_them(plan):
    settings = changed(plan, trim_db=plan.settings["Fills"].trim_db - 6.0)
    told, = compared(plan, settings)
    soft = evaluate(plan.venue, settings).walk
    short = np.maximum(soft.profile_dba - soft.heard_after_dba, 0.0)
    before = np.maximum(plan.walk.profile_dba - plan.walk.heard_after_dba, 0.0)
    rows = (short - before >= 0.25) & (short > 1.0)
    worst = int(np.where(rows, short, -np.inf).argmax())
    found = effects(told)[Kind.EFFECT_SHORT]
    assert (found["from_x_m"], found["to_x_m"]) == (soft.x_m[rows].min(), soft.x_m[rows].max())
    assert found["short_db"] == pytest.approx(short[worst], abs=1e-9)
    assert found["before"] == pytest.approx(before[worst], abs=1e-9)
    assert "trim 6.0 dB less than planned" in str(told)


def test_rows_that_get_more_and_speech_that_falls(plan):
    settings = changed(plan, trim_db=plan.settings["Fills"].trim_db + 10.0)
    told, = compared(plan, settings)
    loud = evaluate(plan.venue, settings).walk
    louder = loud.heard_after_dba - plan.walk.heard_after_dba
    found = effects(told)[Kind.EFFECT_LOUDER]
    assert found["louder_db"] == pytest.approx(louder.max(), abs=1e-9)
    assert found["from_x_m"] == loud.x_m[louder >= 1.0].min()
    off, = compared(plan, changed(plan, trim_db=-math.inf))
    fall = plan.walk.speech_after - evaluate(
        plan.venue, changed(plan, trim_db=-math.inf)).walk.speech_after
    assert off.kind is Kind.SWITCHED_OFF
    if (fall >= 0.03).any():
        found = effects(off)[Kind.EFFECT_SPEECH]
        assert found["before"] - found["index"] >= 0.03
    else:
        assert Kind.EFFECT_SPEECH not in effects(off)


def test_the_click_is_timed_anew_in_the_air_found(plan):
    """But for the latencies it is the path over the speed of sound, CoolProp's here."""
    hall, found = plan.venue, Air(6.0, 45.0)
    check = replace(hall.states["check"], air=Air(12.0, 45.0))
    hall = replace(hall, states={**hall.states, "check": check})
    planned = evaluate(hall, plan.settings)
    moved = evaluate(hall, retimed(plan, found), air=found)
    latency = hall.outputs["Mains"].latency_ms - hall.outputs["Fills"].latency_ms
    clicks = [one.fills[0].reading.click_delay_ms - latency for one in (plan, planned, moved)]
    speeds = [humid_air("speed_of_sound", t, 45.0, 101.325) for t in (20.0, 12.0, 6.0)]
    # The plan's own is for the check; in the air found it is for that.
    assert clicks[1] == pytest.approx(clicks[0] * speeds[0] / speeds[1], rel=2e-4)
    assert clicks[2] == pytest.approx(clicks[0] * speeds[0] / speeds[2], rel=2e-4)
    said = [" ".join(setup_sheet_text(one).split()) for one in (planned, moved)]
    assert ["delays for the click for the air above" in one for one in said] == [False, True]


def test_each_change_stands_alone_and_what_nobody_hears_says_so(plan):
    own = plan.settings["Fills"]
    settings = changed(plan, delay_ms=own.delay_ms + 0.05, polarity="inverted",
                       shelf_db=own.shelf_db + 0.5, low_cut_hz=100.0)
    told = {one.values.get("what", "delay"): one for one in compared(plan, settings)}
    assert [*told] == ["delay", "low cut", "shelf", "polarity"]
    assert str(told["delay"]).endswith(
        "no difference beyond the limits that this plan checks (image, echo, level, tone, speech).")
    assert "polarity inverted for normal as planned" in str(told["polarity"])
    assert f"low cut 100 Hz {own.low_cut_kind}, order {own.low_cut_order} for" in str(
        told["low cut"])


def test_what_one_change_does_is_told_of_no_other(plan):
    own = plan.settings["Fills"]
    settings = changed(plan, delay_ms=own.delay_ms + 0.05, trim_db=own.trim_db - 6.0)
    delay, trim = compared(plan, settings)
    assert list(effects(delay)) == [Kind.EFFECT_NONE]
    assert Kind.EFFECT_SHORT in effects(trim)


def test_what_makes_no_difference_is_no_change(plan):
    """The order of a low cut that is not there, the corner of no shelf, all of what is off."""
    bare = replace(plan, settings=changed(plan, low_cut_hz=None, shelf_db=0.0))
    own = bare.settings["Fills"]
    order = replace(own, low_cut_order=2, low_cut_kind="butterworth", shelf_hz=9000.0)
    assert compared(bare, {**bare.settings, "Fills": order}) == []
    off = {**plan.settings, "Fills": replace(own, trim_db=-math.inf, delay_ms=3.0)}
    only, = compared(bare, off)
    assert only.kind is Kind.SWITCHED_OFF


def test_the_planned_delay_is_that_of_the_air_found(plan):
    cold = Air(4.0, 60.0)
    settings = retimed(plan, cold)
    assert settings["Fills"].delay_ms == plan.retime([cold])["Fills"].iloc[0]
    assert settings["Fills"].delay_ms > plan.settings["Fills"].delay_ms
    assert compared(plan, settings, air=cold) == []
    told, = compared(plan, plan.settings, air=cold)
    assert told.values["planned_ms"] == settings["Fills"].delay_ms


def test_retimed_stops_where_the_device_does(plan):
    hall = with_output(plan.venue, "Fills", delay_max_ms=plan.settings["Fills"].delay_ms + 0.05)
    tight = replace(plan, venue=hall)
    cold = retimed(tight, Air(2.0, 50.0))
    assert cold["Fills"].delay_ms == hall.outputs["Fills"].delay_max_ms


def test_a_plan_of_other_outputs_is_refused(plan):
    other = with_output(small_hall(), "Fills")
    outputs = {("Rear" if name == "Fills" else name): replace(
        own, name="Rear" if name == "Fills" else name) for name, own in other.outputs.items()}
    sources = tuple(replace(one, output="Rear") if one.output == "Fills" else one
                    for one in other.sources)
    with pytest.raises(ValueError, match="plan must be of the same outputs"):
        evaluate(replace(other, outputs=outputs, sources=sources), {}, plan=plan)
    with pytest.raises(TypeError, match="plan must be"):
        evaluate(plan.venue, {}, plan="hall")


# Readings ---------------------------------------------------------------------------------


def read(plan, *, mains=0.0, fill=0.0, both=None, **more):
    expected = plan.fill("Fills").reading
    return MeterRead("Fills", mains_dba=expected.mains_dba + mains,
                     fill_dba=expected.fill_dba + fill, both_dba=both, **more)


def level_at(found, names, point):
    field = seat_field(found.venue, found.settings, state="check", seats_m=[point],
                       sounding=names)
    return float(field.weighted_db()[0])


@pytest.mark.parametrize(("mains", "fill", "trim"), [(0.0, 0.0, 0.0), (3.0, 3.0, 0.0),
                                                     (0.0, -2.6, 2.5), (-1.2, 2.0, -3.0)])
def test_fill_less_mains_moves_the_model_and_asks_for_a_trim(plan, mains, fill, trim):
    found = as_measured(plan, {}, [read(plan, mains=mains, fill=fill)])
    seat = plan.fill("Fills").reading.seat_m
    reading = plan.fill("Fills").reading
    now = level_at(found, ["Fills"], seat) - level_at(found, ["Mains"], seat)
    assert now == pytest.approx(reading.fill_dba - reading.mains_dba + fill - mains, abs=0.01)
    told = found.differences
    assert told[0] == "Blank, so taken as planned: Mains, Fills."
    assert ("leave it" in told[-1]) == (trim == 0.0)
    if trim:
        own = plan.settings["Fills"].trim_db
        assert f"set {own + trim:.1f} instead of {own:.1f} dB" in told[-1]
        assert ("raise" if trim > 0 else "lower") in told[-1]
    assert any("the mains read" in line for line in told) == (abs(mains) >= 1.0)


def test_a_trim_set_otherwise_is_counted_in(plan):
    """Set 4 dB softer and read 4 dB softer: the box is right, and the trim is 4 dB short."""
    own = plan.settings["Fills"]
    soft = {"Fills": replace(own, trim_db=own.trim_db - 4.0)}
    found = as_measured(plan, soft, [read(plan, fill=-4.0)])
    assert found.venue.measured[0].level_dba == pytest.approx(
        level_at(replace(plan, settings=plan.settings.replaced(
            "Fills", trim_db=0.0, low_cut_hz=None, shelf_db=0.0)), ["Fills"],
            plan.fill("Fills").reading.seat_m), abs=0.01)
    assert (f"raise the trim by 4.0 dB, to what is planned: set {own.trim_db:.1f} instead of "
            f"{own.trim_db - 4.0:.1f} dB") in found.differences[-1]


def test_a_slip_is_not_believed(plan):
    found = as_measured(plan, {}, [read(plan, fill=-12.5)])
    assert found.venue.measured == ()
    assert "read again" in found.differences[-1]


@pytest.mark.parametrize(("mains", "fill", "both", "wrong"), [
    (76.7, 68.0, 80.5, True), (76.7, 68.0, 80.3, False), (76.7, 68.0, 76.3, False),
    (76.7, 68.0, 76.1, True), (70.0, 70.0, 76.9, False), (70.0, 70.0, 77.1, True)])
def test_both_cannot_be_less_than_one_nor_more_than_both_in_step(plan, mains, fill, both, wrong):
    """Sounds in step add as pressures: 76.7 and 68.0 dB to 79.4, two alike to 6.0 dB more."""
    said = as_measured(plan, {}, [MeterRead(
        "Fills", mains_dba=mains, fill_dba=fill, both_dba=both)]).differences
    most = 20 * math.log10(10 ** (mains / 20) + 10 ** (fill / 20))
    assert wrong == (both > most + 1.0 or both < max(mains, fill) - 0.5)
    assert any(f"make {max(mains, fill):.1f} to {most:.1f} dBA (in step). That cannot be" in line
               for line in said) == wrong


def test_a_gap_from_a_recording_asks_for_a_delay(plan):
    seat = plan.fill("Fills").reading.seat_m
    field = seat_field(plan.venue, plan.settings, state="check", seats_m=[seat])
    first = {name: field.arrival_ms[at, 0] for at, name in enumerate(field.outputs)}
    planned = float(first["Fills"] - first["Mains"])
    found = as_measured(plan, {}, [MeterRead("Fills", gap_ms=planned + 1.5)])
    off, new, own_ms = map(float, re.findall(
        r"take off (\S+) ms, .* set (\S+) instead of (\S+) ms", found.differences[-1])[0])
    assert off == pytest.approx(1.5, abs=0.02)
    assert own_ms - new == pytest.approx(off, abs=0.03)
    twice = as_measured(plan, {}, [MeterRead("Fills", gap_ms=planned + own_ms + 1.0)])
    assert "in twice" in twice.differences[-1]
    assert "hold the mains back by 1.0" in twice.differences[-1]
    right = as_measured(plan, {}, [MeterRead("Fills", gap_ms=planned)])
    assert "as planned within 0.1 ms" in right.differences[-1]
    # Dialled 10 ms late and heard 10 ms late: back by 10.
    own = plan.settings["Fills"]
    late = as_measured(plan, {"Fills": replace(own, delay_ms=own.delay_ms + 10.0)},
                       [MeterRead("Fills", gap_ms=planned + 10.0, polarity_same=False)])
    told = late.differences
    assert "take off 10.0" in told[-2]
    assert f"set {own.delay_ms:.2f} instead of {own.delay_ms + 10:.2f} ms" in told[-2]
    assert "opposite polarity" in told[-1]


def test_the_air_found_is_said_and_reckoned_with(plan):
    cold = Air(6.0, 55.0)
    found = as_measured(plan, {}, air=cold)
    assert found.air == cold
    assert found.settings["Fills"].delay_ms == retimed(plan, cold)["Fills"].delay_ms
    assert found.differences == (
        "Compared with the plan re-timed for the air found, 6.0 C and 55 %.",
        "Blank, so taken as planned: Mains, Fills.")


def test_blanks_are_told_from_what_is_set_as_planned(plan):
    def told(*names):
        return as_measured(plan, {name: plan.settings[name] for name in names}).differences

    assert told() == ("Nothing is filled in yet: what is blank is taken as planned.",)
    assert told("Mains") == ("What is filled in is set as planned.",
                             "Blank, so taken as planned: Fills.")
    assert told("Mains", "Fills") == ("Every output is set as planned.",)


def test_a_fill_that_the_plan_leaves_off_is_asked_for_nothing(plan):
    off = evaluate(plan.venue, plan.settings.replaced("Fills", trim_db=-math.inf))
    on = {"Fills": plan.settings["Fills"]}
    found = as_measured(off, on, [MeterRead("Fills", mains_dba=70.0, fill_dba=66.0, gap_ms=9.0)])
    assert "the plan leaves this fill off" in " ".join(found.differences)
    assert " set " not in found.differences[-1].partition(": ")[2]
    assert "instead of" not in " ".join(found.differences)


@pytest.mark.parametrize(("fields", "error", "words"), [
    ({"mains_dba": 200.0}, ValueError, "mains_dba must be"),
    ({"gap_ms": 2000.0}, ValueError, "gap_ms must be"),
    ({"at_m": (1.0, 2.0)}, ValueError, "at_m must be x, y and z"),
    ({"at_m": (1.0, 2.0, math.nan)}, ValueError, "at_m z must be"),
    ({"polarity_same": "no"}, TypeError, "polarity_same must be"),
])
def test_what_no_meter_shows_is_refused(fields, error, words):
    with pytest.raises(error, match=words):
        MeterRead("Fills", **fields)


def test_readings_belong_to_fills(plan):
    with pytest.raises(ValueError, match="'Mains' is no fill's output"):
        as_measured(plan, {}, [MeterRead("Mains")])
    with pytest.raises(ValueError, match="no output named"):
        as_measured(plan, {"Other": OutputSettings()})
    with pytest.raises(TypeError, match="readings must be"):
        as_measured(plan, {}, ["Fills"])
