"""What a plan says: the findings that its numbers call for, and the numbers in them."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import (
    OCTAVES_NOMINAL,
    Measured,
    OutputSettings,
    evaluate,
    plan_fills,
    precedence_limit_db,
    seat_field,
)
from fillalign.planning import Bound, Kind
from fillalign.planning.findings import _index_step, _short_finding, plan_findings
from fillalign.planning.need import Cause, make_yardstick
from fillalign.planning.zones import deciding_seats, make_zones
from fillalign.precedence import ECHO_LIMITS
from tests.demo_plans import demo_plan
from tests.small_venue import small_hall, small_plan, small_rest, with_output


@pytest.fixture(scope="module")
def plan():
    return small_plan()


def kinds(findings):
    return {finding.kind for finding in findings}


def of_kind(findings, kind):
    """Return the one finding of a kind."""
    found, = (finding for finding in findings if finding.kind is kind)
    return found


def with_boxes(hall, **fields):
    box = replace(hall.loudspeakers["fill box"], **fields)
    return replace(hall, loudspeakers={**hall.loudspeakers, "fill box": box})


# Need -------------------------------------------------------------------------------------


def test_what_an_area_lacks_is_said_with_its_numbers(plan):
    need = plan.needs[1]
    said = of_kind(plan.findings, Kind.NEEDED)
    assert (said.where, said.values["what"]) == ("back", "delay fill")
    assert said.values["from_x_m"] == need.from_x_m
    cause, = said.values["causes"]
    assert (cause.kind, cause.values["short_db"]) == (Kind.LEVEL, need.shortfall_db)
    assert str(said) == (f"back: delay fill needed from {need.from_x_m:g} m, because the level "
                         f"lies up to {need.shortfall_db:.1f} dB below the profile.")


def test_where_no_fill_is_needed_it_says_how_near_it_is(plan):
    need = plan.needs[0]
    said = of_kind(plan.findings, Kind.NOT_NEEDED)
    assert said.where == "front"
    assert said.values["away_db"] == abs(need.shortfall_db)
    assert said.values["side"] == ("below" if need.shortfall_db > 0 else "above")
    clear = small_plan(sti=0.3)
    said = of_kind(clear.findings, Kind.NOT_NEEDED)
    assert said.values["speech"][0].values["index"] == clear.needs[0].speech_index
    assert "goal 0.30" in str(said)


def test_every_cause_of_a_need_is_named():
    hall = small_hall(outdoors=True, sti=0.99)
    loss = {octave: 9.0 if octave < 3000 else 24.0 for octave in OCTAVES_NOMINAL}
    dark = replace(hall.areas[1], shadowed_from=("mains",), shadow_loss_db=loss)
    plan = plan_fills(replace(hall, areas=(hall.areas[0], dark)))
    said = next(one for one in plan.findings if one.kind is Kind.NEEDED and one.where == "back")
    causes = {cause.kind: cause for cause in said.values["causes"]}
    need = plan.needs[1]
    assert causes.keys() == {Kind.LEVEL, Kind.TONE, Kind.SPEECH, Kind.SHADOW}
    assert causes[Kind.TONE].values["loss_db"] == need.highs_loss_db
    assert causes[Kind.SPEECH].values["index"] == need.speech_index
    assert "and its seats are hidden from the mains" in str(said)
    assert "speech transmission falls to" in str(said)
    assert "of highs are lost (limit 6 dB)" in str(said)
    assert str(said).count(" and ") == 3


def with_front(plan, before, after=None):
    """Return the findings of a plan whose front area stands otherwise before and after."""
    front, back = plan.needs[0], plan.needs_after[1]
    return plan_findings(replace(
        plan, needs=(replace(front, **before), plan.needs[1]),
        needs_after=(replace(front, **(before if after is None else after)), back)), 10)


SHORT = {"shortfall_db": 5.1, "causes": (Cause.LEVEL, Cause.COVERAGE)}


@pytest.mark.parametrize(("rows", "short", "kind"), [(13, 1, Kind.NOT_NEEDED_FEW),
                                                     (13, 3, Kind.NOT_NEEDED_FAINT)])
def test_where_rows_are_short_and_no_fill_is_needed_it_says_which_half_of_the_rule_holds(
        plan, rows, short, kind):
    """Nine rows in ten, or a quarter step: never a bare worst row past the limit it breaks."""
    findings = with_front(plan, {
        **SHORT, "rows": rows, "served_share": 1 - short / rows, "missing_steps": 0.2 / rows})
    said = of_kind(findings, kind)
    assert str(said).startswith(f"front: no fill needed: of its {rows} rows {rows - short} get")
    assert (f"{short} {'is' if short == 1 else 'are'} short: the level lies up to 5.1 dB below the "
            "profile") in str(said)
    assert "coverage" not in str(said)
    assert said.values["lacking"] == pytest.approx(0.2 / short)
    rule = of_kind(findings, Kind.NEED_RULE).values
    assert rule == {"served_pct": 90.0, "worth": 0.25, "short_db": 1.0, "index": 0.03}


def test_the_need_told_is_that_of_the_rows(plan):
    yardstick = make_yardstick(make_zones(plan.venue, None), plan.settings)
    for number, need in enumerate(plan.needs):
        rows = yardstick.alone.rows(yardstick.zones.row_area == number)
        assert need.rows == len(rows.served)
        assert need.short_rows == (~rows.served).sum()
        lacking = rows.missing[~rows.served]
        assert need.lacking_steps == pytest.approx(lacking.mean() if lacking.size else 0.0)


def test_an_area_that_the_fills_take_from_asks_for_no_more_of_them(plan):
    """Served by the mains alone and short with the fills: what is lost, and no "still"."""
    plan = replace(plan, venue=plan.venue.with_goals(sti=0.45))
    findings = with_front(plan, {"served_share": 1.0}, {
        "needed": True, "served_share": 0.5, "missing_steps": 0.5, "from_x_m": 6.0,
        "speech_index": 0.41, "causes": (Cause.SPEECH, Cause.COVERAGE)})
    said = of_kind(findings, Kind.COSTS)
    before = plan.needs[0].speech_index
    assert str(said.values["costs"][0]).startswith(
        f"speech transmission (worst row {before:.2f} without them, 0.41 with")
    assert len(said.values["costs"]) == 1
    assert kinds(findings).isdisjoint({Kind.SHORT, Kind.NOT_COVERED})
    loud = with_front(plan, {}, {"needed": True, **SHORT, "highs_loss_db": 9.0,
                                 "causes": (Cause.LEVEL, Cause.TONE)})
    told = [cost.values["after"] for cost in of_kind(loud, Kind.COSTS).values["costs"]]
    assert told == [5.1, 9.0]
    still = with_front(plan, {"needed": True, **SHORT})
    assert "fill still needed" in str(of_kind(still, Kind.NOT_COVERED))


def test_an_area_below_nine_rows_in_ten_that_counts_as_met_is_told(plan):
    """The words test what the plan tests: a share of rows alone makes nothing unmet."""
    faint = {**SHORT, "rows": 20, "served_share": 0.85, "missing_steps": 0.03}
    said = of_kind(with_front(plan, {}, faint), Kind.NEARLY)
    assert said.values == {"served_pct": 85.0, "lacking": pytest.approx(0.2), "worth": 0.25}
    assert "85 % of its rows" in str(said)
    assert Kind.NEARLY not in kinds(plan.findings)


@pytest.mark.parametrize(("kind", "word"), [("front", "front fill"), ("delay", "delay fill"),
                                            ("under-balcony", "under-balcony fill"),
                                            ("tower", "tower")])
def test_a_fill_that_is_needed_is_named_by_its_kind(plan, kind, word):
    boxes = tuple(replace(one, kind=kind) if one.role == "fill" else one
                  for one in plan.venue.sources)
    hall = replace(plan.venue, sources=boxes)
    assert of_kind(plan_findings(replace(plan, venue=hall), 10), Kind.NEEDED).values["what"] == word


def test_what_is_told_of_a_fill_is_told_with_all_else_that_sounds(plan):
    """Two numbers for one area: with the mains alone, and beside the other fills."""
    said = of_kind(plan.fills[0].findings, Kind.NEEDED)
    assert str(said).startswith("back, with all else that sounds: delay fill needed")
    assert str(of_kind(plan.findings, Kind.NEEDED)).startswith("back: delay fill needed")


def test_an_area_ahead_of_the_reference_asks_for_a_front_fill():
    plan = small_plan(reference_rows_m=(24.0, 36.0), sti=0.99)
    said = next(one for one in plan.findings if one.kind is Kind.NEEDED and one.where == "front")
    assert said.values["what"] == "front fill"


# Reasons of a fill ------------------------------------------------------------------------


def test_a_delay_is_told_with_its_three_answers(plan):
    fill, own = plan.fills[0], plan.settings["Fills"]
    said = of_kind(fill.findings, Kind.DELAY).values
    assert said["delay_ms"] == own.delay_ms
    assert said["answer_ms"] == fill.answers.equal_level_ms
    assert said["margin_ms"] == pytest.approx(own.delay_ms - fill.answers.equal_level_ms)
    for one in ("box_to_box_ms", "equal_level_ms", "never_early_ms"):
        assert said[one] == getattr(fill.answers, one)
    unsure = of_kind(fill.findings, Kind.UNCERTAIN).values
    assert unsure["total_ms"] == fill.uncertainty.total_ms
    assert [(part.where, part.values["part_ms"]) for part in unsure["parts"]] == [
        *fill.uncertainty.by_cause_ms.items()]
    assert Kind.UNCERTAIN_IF not in kinds(fill.findings)


def test_an_uncertainty_that_rests_on_what_is_assumed_says_so(plan):
    """An assumed latency is no measured one, whatever its standard uncertainty."""
    hall = with_output(plan.venue, "Fills", assumed=("latency_ms", "delay_max_ms"))
    show = replace(hall.states["show"], assumed=("humidity_pct",))
    hall = replace(hall, states={**hall.states, "show": show})
    said = of_kind(evaluate(hall, plan.settings).fills[0].findings, Kind.UNCERTAIN_IF)
    assert said.values["assumed"] == ("humidity_pct", "latency_ms of Fills")


def test_a_fill_that_comes_early_is_told_by_how_much():
    hall = replace(small_hall(image_margin_ms=0.0), weather_c=(5.0, 20.0))
    fill = plan_fills(hall).fills[0]
    assert of_kind(fill.findings, Kind.EARLY).values["early_ms"] == fill.early_ms > 0.05
    cold = of_kind(fill.findings, Kind.EARLY_WHEN_COLD).values
    assert cold == {"coldest_c": 5.0, "early_ms": fill.early_cold_ms}
    late = evaluate(hall, {"Fills": OutputSettings(delay_ms=90.0, trim_db=-9.0)}).fills[0]
    assert not kinds(late.findings) & {Kind.EARLY, Kind.EARLY_WHEN_COLD}


def test_box_to_box_is_called_wrong_for_a_front_fill_that_asks_for_it():
    """Box to box holds on the extension of the line through main and fill (geometry)."""
    hall = with_output(small_hall(), "Fills", delay_rule="box-to-box")
    lip = replace(hall.sources[2], name="Lip", output="Fills", kind="front", covers=("front",),
                  position_m=(0.0, 0.0, 1.0), aim_m=(6.0, 0.0, 1.2))
    front = plan_fills(replace(hall, sources=(*hall.sources[:2], lip))).fills[0]
    late = front.answers.box_to_box_ms - front.answers.equal_level_ms
    assert late > 1.0
    assert of_kind(front.findings, Kind.BOX_TO_BOX_IN_FRONT).values["beyond_ms"] == late
    assert Kind.BOX_TO_BOX_IN_FRONT not in kinds(plan_fills(hall).fills[0].findings)


@pytest.mark.parametrize(("locked", "kind"), [({"delay_ms": 70.0}, Kind.DELAY_LOCKED),
                                              ({"trim_db": -9.0}, Kind.TRIM_LOCKED)])
def test_what_the_file_locks_is_said(plan, locked, kind):
    fill = plan_fills(with_output(small_hall(), "Fills", locked=locked)).fills[0]
    assert kind in kinds(fill.findings)
    assert kind not in kinds(plan.fills[0].findings)


def test_a_device_too_short_is_named():
    hall = with_output(small_hall(allowed_fall_db=30.0, highs_loss_db=40.0), "Fills",
                       delay_max_ms=20.0)
    off = plan_fills(hall).fills[0]
    assert of_kind(off.findings, Kind.DEVICE_TOO_SHORT).values["most_ms"] == 20.0
    locked = with_output(small_hall(), "Fills", delay_max_ms=61.0, locked={"delay_ms": 60.0})
    assert Kind.DEVICE_TOO_SHORT in kinds(plan_fills(locked).fills[0].findings)


def test_why_a_trim_is_what_it_is(plan):
    trim = plan.settings["Fills"].trim_db
    assert of_kind(plan.fills[0].findings, Kind.TRIM_ENOUGH).values["trim_db"] == trim
    louder = evaluate(plan.venue, plan.settings.replaced("Fills", trim_db=trim + 2.0)).fills[0]
    assert of_kind(louder.findings, Kind.TRIM_SOFTER).values == {
        "trim_db": trim + 2.0, "needed_db": louder.trim.needed_db,
        "served_pct": 100 * louder.served_share}
    said = str(of_kind(louder.findings, Kind.TRIM_SOFTER))
    assert f"{100 * louder.served_share:.0f} % of the covered rows" in said
    # The table of trims beside it shows the same share.
    assert louder.served_share == louder.trim.served_share[louder.trim.at(trim + 2.0)]
    softer = evaluate(plan.venue, plan.settings.replaced("Fills", trim_db=trim - 3.0)).fills[0]
    said = of_kind(softer.findings, Kind.TRIM_COST).values
    assert said["missing"] == softer.missing_steps
    assert said["served_pct"] >= 90.0
    better = evaluate(plan.venue, plan.settings.replaced("Fills", trim_db=said["louder_db"]))
    curve = softer.trim
    assert said["louder"] == pytest.approx(better.fills[0].missing_steps, abs=1e-6)
    assert said["louder_elsewhere"] == curve.elsewhere[curve.at(said["louder_db"])]
    assert said["elsewhere"] == curve.elsewhere[curve.at(trim - 3.0)]
    told = of_kind(softer.findings, Kind.TRIM_BOUNDS).values["bounds"]
    assert {one.values["bound"]: one.values["most_db"] for one in told} == {**curve.bounds}


@pytest.mark.parametrize(("elsewhere", "verdict"), [(0.0, "better"), (0.9, "the same to the ear"),
                                                    (3.0, "worse")])
def test_what_louder_would_cost_the_others_is_weighed_with_what_it_mends(plan, elsewhere, verdict):
    """A step that its rows gain and one that others lose for each of them weigh the same."""
    trim = plan.settings["Fills"].trim_db
    fill = evaluate(plan.venue, plan.settings.replaced("Fills", trim_db=trim - 3.0)).fills[0]
    louder = fill.trim.trim_db > trim - 3.0
    curve = replace(fill.trim, elsewhere=np.where(louder, elsewhere, 0.0),
                    missing=np.where(louder, 0.1, 1.0), served_share=np.where(louder, 0.5, 0.2))
    short = replace(fill, missing_steps=1.0)
    assert _short_finding(trim - 3.0, short, curve, None).values["verdict"] == verdict
    flat = replace(curve, missing=np.ones_like(curve.missing))
    assert _short_finding(trim - 3.0, short, flat, None).kind is Kind.TRIM_LEAST


def test_a_bound_that_a_trim_has_reached_is_named():
    hall = with_boxes(small_hall(allowed_fall_db=0.0), level_dba=80.0, maximum_dba=80.0)
    full = evaluate(hall, {"Fills": OutputSettings(delay_ms=65.0, trim_db=0.0)}).fills[0]
    said = of_kind(full.findings, Kind.TRIM_BOUND)
    assert (said.values["trim_db"], said.values["bound"]) == (0.0, Bound.MAXIMUM)
    assert said.values["missing"] == full.missing_steps
    assert said.values["without"] == full.trim.missing_without
    assert "the maximum level of the box" in str(said)


def test_a_trim_beyond_what_the_image_allows_is_said():
    hall = small_hall()
    early = evaluate(hall, {"Fills": OutputSettings(delay_ms=50.0, trim_db=-3.0)}).fills[0]
    said = of_kind(early.findings, Kind.WORDS_FIRST).values
    assert said == {"trim_db": -3.0, "image_db": early.trim.bounds[Bound.PRECEDENCE]}


def test_the_bound_that_keeps_a_louder_trim_from_doing_better_is_named():
    """Softest of equals, a trim may stop below its bound: what is louder is tried, timed anew."""
    hall = small_hall(allowed_fall_db=0.0, priority="image", image_margin_ms=0.0)
    plan = plan_fills(hall)
    said = of_kind(plan.fills[0].findings, Kind.TRIM_BOUND)
    assert said.values["bound"] is Bound.PRECEDENCE
    own = plan.settings["Fills"]

    def louder(more_db):
        wanted = plan.fills[0].basis.equal_level_ms(plan.air, more_db)
        return evaluate(hall, {"Fills": replace(own, trim_db=own.trim_db + more_db,
                                                delay_ms=float(wanted) + 0.01)})

    kept = [louder(more).checks for more in (0.0, 2.0)]
    assert [one.keeps_image[one.covered].mean() >= 0.9 for one in kept] == [True, False]
    assert louder(2.0).fills[0].missing_steps < plan.fills[0].missing_steps - 0.1


def test_why_a_fill_stays_off():
    hall = with_boxes(small_hall(), level_dba=74.0, maximum_dba=74.0)
    weak = plan_fills(hall).fills[0]
    said = of_kind(weak.findings, Kind.OFF_BOUND).values
    assert said["without"] == weak.trim.missing_without
    assert said["bound"] is Bound.MAXIMUM
    on = evaluate(hall, {"Fills": OutputSettings(said["delay_ms"], said["trim_db"])}).fills[0]
    # The candidate has a low cut of its own.
    assert said["missing"] == pytest.approx(on.missing_steps, abs=0.02)
    assert said["missing"] > said["without"] - 0.25
    served = small_plan(allowed_fall_db=30.0, highs_loss_db=40.0).fills[0]
    assert Kind.OFF_NOT_NEEDED in kinds(served.findings)
    assert served.trim is None


def test_a_fill_that_is_off_and_would_help_says_how(plan):
    off = evaluate(plan.venue, {}).fills[0]
    said = of_kind(off.findings, Kind.OFF_WOULD_HELP).values
    own = plan.settings["Fills"]
    assert (said["trim_db"], said["delay_ms"]) == (own.trim_db, own.delay_ms)
    assert said["missing"] == pytest.approx(plan.fills[0].missing_steps)
    locked = plan_fills(with_output(small_hall(), "Fills", locked={"trim_db": -np.inf})).fills[0]
    assert Kind.OFF_LOCKED in kinds(locked.findings)


def test_a_fill_useless_for_its_lateness_asks_for_the_hold_back_that_lets_it_play():
    hall = with_output(small_hall(priority="image"), "Fills", latency_ms=150.0)
    off = plan_fills(hall).fills[0]
    assert not off.sounding
    assert Kind.OFF_USELESS in kinds(off.findings)
    late_ms = of_kind(off.findings, Kind.LATE).values["late_ms"]
    assert plan_fills(replace(hall, hold_back_ms=late_ms + 1.0)).fills[0].sounding


def test_what_the_margin_comes_to_where_both_are_equally_loud():
    """By hand, seat by seat: within 3 dB of each other, direct sound."""
    plan = demo_plan("tidewell_hall")
    fill, checks = next(one for one in plan.fills if one.sounding), plan.checks
    own = checks.covered & (checks.fill == list(plan.venue.outputs).index(fill.output))
    near = own & (np.abs(checks.level_difference_db) <= 3.0)
    said = of_kind(fill.findings, Kind.EQUAL_SEATS).values
    assert said["seats"] == near.sum() > 5
    assert said["least_ms"] == pytest.approx(checks.gap_ms[near].min(), abs=0.01)
    assert said["most_ms"] == pytest.approx(checks.gap_ms[near].max(), abs=0.01)
    assert said["most_ms"] - said["least_ms"] > 1.0


def test_outputs_that_mirror_each_other_are_told_together_or_apart():
    hall = small_hall()
    outputs = {"Mains": hall.outputs["Mains"],
               **{name: replace(hall.outputs["Fills"], name=name) for name in "AB"}}
    sides = [replace(one, output=name) for one, name in zip(hall.sources[2:], "AB", strict=True)]
    hall = replace(hall, outputs=outputs, sources=(*hall.sources[:2], *sides))
    for fill, other in zip(plan_fills(hall).fills, "BA", strict=True):
        assert of_kind(fill.findings, Kind.MIRRORED).values["other"] == fill.mirror == other
        assert fill.shares_delay
    storm = {name: replace(state, wind_m_s=20.0, wind_towards_deg=90.0)
             for name, state in hall.states.items()}
    for fill in plan_fills(replace(hall, states=storm)).fills:
        assert Kind.PARTED in kinds(fill.findings)
        assert not fill.shares_delay


def test_what_low_cut_and_shelf_rest_on(plan):
    own, fill = plan.settings["Fills"], plan.fills[0]
    chosen = of_kind(fill.findings, Kind.LOW_CUT).values
    assert chosen["corner_hz"] == own.low_cut_hz
    assert {Kind.LOW_CUT_SET, Kind.LOW_CUT_SET_NONE}.isdisjoint(kinds(fill.findings))
    dialled = OutputSettings(delay_ms=60.0, trim_db=-3.0, low_cut_hz=100.0, shelf_db=6.0)
    found = evaluate(small_hall(), {"Fills": dialled}).fills[0].findings
    assert of_kind(found, Kind.LOW_CUT_SET).values["corner_hz"] == 100.0
    assert of_kind(found, Kind.SHELF_NONE_BETTER).values["shelf_db"] == 6.0
    bare = evaluate(small_hall(), {"Fills": replace(own, low_cut_hz=None)}).fills[0].findings
    assert Kind.LOW_CUT_SET_NONE in kinds(bare)


# Unmet ------------------------------------------------------------------------------------


def test_a_late_path_asks_for_a_hold_back(plan):
    late = plan_fills(with_output(small_hall(), "Fills", latency_ms=90.0)).fills[0]
    assert of_kind(late.findings, Kind.LATE).values["late_ms"] == late.hold_back_ms
    assert f"{late.hold_back_ms:.2f} ms more of hold-back" in late.unmet[0]
    assert not plan.fills[0].unmet


def test_an_area_that_stays_short_is_unmet_with_or_without_a_fill(plan):
    off = plan_fills(with_boxes(small_hall(), level_dba=50.0, maximum_dba=50.0))
    assert of_kind(off.findings, Kind.NOT_COVERED).where == "back"
    weak = plan_fills(with_boxes(small_hall(allowed_fall_db=2.0), level_dba=80.0, maximum_dba=80.0))
    short = next(one for one in weak.findings if one.kind is Kind.SHORT and one.where == "back")
    assert short.values["served_pct"] == 100 * weak.needs_after[1].served_share
    assert short.values["from_x_m"] == weak.needs_after[1].from_x_m
    assert kinds(plan.findings).isdisjoint({Kind.NOT_COVERED, Kind.SHORT})


def test_seats_that_lose_the_image_are_counted_and_the_worst_is_named():
    plan = evaluate(small_hall(), {"Fills": OutputSettings(delay_ms=45.0, trim_db=0.0)})
    said, checks = of_kind(plan.findings, Kind.IMAGE_LOST).values, plan.checks
    over, gap = checks.level_difference_db, checks.gap_ms
    broken = over > np.maximum(precedence_limit_db(gap), -10.0)
    assert (said["broken"], said["heard"]) == (broken.sum(), len(gap))
    worst = int(np.where(broken, over - precedence_limit_db(gap), -np.inf).argmax())
    x, y, _ = checks.point_m[worst]
    assert (said["x_m"], said["y_m"], said["area"]) == (x, y, "back")
    assert (said["gap_ms"], said["over_db"]) == (gap[worst], over[worst])
    assert said["limit_db"] == pytest.approx(precedence_limit_db(gap[worst]))


def test_seats_past_the_echo_criterion_are_counted(plan):
    """A fill 0.3 s late, against the criterion itself at every seat that is checked."""
    late = evaluate(small_hall(), {"Fills": OutputSettings(delay_ms=300.0)})
    said = of_kind(late.findings, Kind.ECHO).values
    broken = late.checks.echo > ECHO_LIMITS["speech"][1]
    assert said["seats"] == len({*late.checks.seat[broken].tolist()}) > 0
    assert said["worst"] == np.nanmax(late.checks.echo)
    worst = int(np.nanargmax(late.checks.echo))
    assert said["area"] == late.venue.areas[late.checks.area[worst]].name
    assert Kind.ECHO not in kinds(plan.findings)


def test_a_goal_of_the_mains_that_is_missed_is_said_with_its_sign():
    short = small_plan(reference_dba=130.0)
    said = of_kind(short.findings, Kind.MAINS_SHORT).values
    assert said["short_db"] == 130.0 - short.reference.meter_dba > 0
    loud = evaluate(small_hall(reference_dba=70.0), {"Mains": OutputSettings(trim_db=20.0)})
    said = of_kind(loud.findings, Kind.MAINS_LOUD)
    assert said.values["short_db"] == 70.0 - loud.reference.meter_dba < 0
    assert "stronger" not in str(said)


def test_a_back_row_below_its_goal_is_said(plan):
    short = small_plan(back_dba=90.0)
    level = short.walk.after_dba[short.walk.x_m.argmax()]
    assert (f"The back row gets {level:.1f} dBA, not 90.0 dBA: {90.0 - level:+.1f} dB on all "
            "outputs would meet it.") in short.unmet
    assert Kind.BACK_SHORT not in kinds(plan.findings)


# Summary ----------------------------------------------------------------------------------


def test_the_summary_tells_what_is_won(plan):
    relief = of_kind(plan.findings, Kind.RELIEF).values
    assert relief == {"lift_db": plan.back_gain_db, "relief_db": plan.front_relief_db,
                      "won_db": plan.gain_before_feedback_db}
    none = plan_findings(replace(plan, back_gain_db=0.04), 10)
    assert Kind.RELIEF not in kinds(none)
    assert "the mains stay as they are" in str(of_kind(none, Kind.RELIEF_NONE))
    least = of_kind(plan_findings(replace(plan, back_gain_db=0.05, front_relief_db=-0.04), 10),
                    Kind.RELIEF)
    assert "come down by 0.1 dB; the front row then gets 0.0 dB less" in str(least)
    spread = of_kind(plan.findings, Kind.SPREAD).values
    assert spread == {"before_db": plan.walk.spread_db("before"),
                      "after_db": plan.walk.spread_db("after")}
    assert of_kind(plan.findings, Kind.SOUNDING).values["outputs"] == ("Fills",)
    off = small_rest()
    assert Kind.NOTHING_SOUNDS in kinds(off.findings)
    assert of_kind(off.findings, Kind.SPREAD_ALONE).values["before_db"] == spread["before_db"]


def test_a_row_is_told_with_its_area_where_others_have_rows_there():
    hall = small_hall()
    gallery = replace(hall.areas[1], name="gallery", x_from_m=30.0, floor_m=4.0)
    back = plan_fills(replace(hall, areas=(*hall.areas, gallery)))
    assert of_kind(back.findings, Kind.BACK_SPEECH).values["of"] in (" of back", " of gallery")
    assert of_kind(plan_fills(hall).findings, Kind.BACK_SPEECH).values["of"] == ""


def test_a_back_goal_is_told_without_and_with_the_fills():
    plan = small_plan(back_dba=72.0)
    back = int(plan.walk.x_m.argmax())
    said = of_kind(plan.findings, Kind.BACK_GOAL).values
    assert said["without_db"] == pytest.approx(72.0 - plan.walk.before_dba[back])
    assert said["with_db"] == pytest.approx(72.0 - plan.walk.after_dba[back])


def test_saltmarsh_says_why_no_more_is_to_be_had():
    plan = demo_plan("saltmarsh_chapel")
    assert any("decay of 2.8 s rules" in line for line in plan.summary)
    harm = of_kind(plan.findings, Kind.HARM).values
    loss = plan.walk.speech_before - plan.walk.speech_after
    assert harm["loss"] == loss.max() > 0.03
    assert harm["x_m"] == plan.walk.x_m[loss.argmax()]


def test_noise_that_limits_speech_is_said():
    """Speech far below the noise gains by level alone (IEC 60268-16: m falls as 1 / (1 + N/S))."""
    noise = dict.fromkeys(OCTAVES_NOMINAL, 75.0)
    plan = plan_fills(small_hall(sti=0.6, noise_db=noise))
    said = of_kind(plan.findings, Kind.NOISE_LIMITS).values
    low = int(plan.walk.speech_after.argmin())
    assert said["gain"] == plan.walk.speech_louder[low] - plan.walk.speech_after[low] > 0.1


def test_bands_that_mask_the_ones_above_them_limit_loud_speech():
    plan = small_plan(outdoors=True, sti=0.95, reference_dba=104.0)
    assert of_kind(plan.findings, Kind.MASKING_LIMITS).values["gain"] < -0.03
    assert Kind.NOISE_LIMITS not in kinds(plan.findings)


# Cautions and assumptions -----------------------------------------------------------------


def test_hearing_caution_leads_when_it_is_loud(plan):
    loud = small_plan(hearing_dba=60.0)
    assert loud.cautions[0].startswith(f"Hearing: up to {loud.loudest_dba:.1f} dBA")
    assert plan.cautions[-1].startswith(f"Hearing: at most {plan.loudest_dba:.1f} dBA")


def test_every_plan_carries_the_usual_cautions(plan):
    for made in (plan, small_rest()):
        assert {Kind.RIGGING, Kind.MAINS_POWER, Kind.LASER} <= kinds(made.findings)
    assert Kind.TOWERS not in kinds(plan.findings)
    hall = small_hall()
    towers = [replace(one, kind="tower") if one.role == "fill" else one for one in hall.sources]
    assert Kind.TOWERS in kinds(evaluate(replace(hall, sources=tuple(towers)), {}).findings)
    # Whatever stands in a field stands in the wind.
    assert Kind.TOWERS in kinds(small_rest(outdoors=True).findings)


@pytest.mark.parametrize("gain", [-0.0049, -0.001, 0.0, 0.0049])
def test_a_change_that_rounds_away_is_nothing(gain):
    assert _index_step(gain) == "nothing"
    assert _index_step(gain + 0.03).startswith("+0.0")


def test_a_field_follows_no_theory_of_rooms(plan):
    assert Kind.ROOM_MODEL in kinds(plan.findings)
    assert Kind.ROOM_MODEL not in kinds(small_rest(outdoors=True).findings)


@pytest.mark.parametrize("named", [None, (12.0, 18.0)])
def test_the_rows_of_the_reference_are_told(named):
    """By default those within 2 m of where the mains aim, on average (common practice)."""
    plan = small_rest(reference_rows_m=named)
    said = of_kind(plan.findings, Kind.REFERENCE)
    first, last = named or (12.0, 16.0)
    assert (said.values["from_x_m"], said.values["to_x_m"]) == (first, last)
    assert said.values["rows"] == f"{1 + (last - first) / 2:g} rows"
    assert ("around the mains' aim" in str(said)) == (named is None)


def test_speech_without_a_noise_is_said_to_be_told_for_silence(plan):
    assert Kind.NO_NOISE in kinds(plan.findings)
    noisy = small_hall(noise_db=dict.fromkeys(OCTAVES_NOMINAL, 30.0))
    assert Kind.NO_NOISE not in kinds(evaluate(noisy, {}).findings)


def test_a_wind_known_to_half_of_it_is_among_the_defaults(plan):
    line = "[state.show] wind known to half of it"
    assert line in small_rest(wind_m_s=4.0).defaults
    assert line not in plan.defaults


def test_a_plan_says_which_seats_decided(plan, monkeypatch):
    assert Kind.EVERY_SEAT in kinds(plan.findings)
    monkeypatch.setattr("fillalign.planning.zones.deciding_seats",
                        lambda venue: deciding_seats(venue, 40))
    some = of_kind(evaluate(small_hall(), {}).findings, Kind.SHARE_OF_SEATS).values
    assert some["seats"] == 16 * 7
    assert 35 <= some["deciding"] <= 40


def test_defaults_of_the_file_are_assumptions():
    plan = demo_plan("lantern_room")
    assert plan.assumptions[-len(plan.venue.defaults_used):] == plan.venue.defaults_used


@pytest.mark.parametrize(("away_db", "doubted"), [(-5.0, False), (8.0, True)])
def test_a_reading_tells_what_it_moves_the_model_by_and_is_doubted_from_6_db(plan, away_db,
                                                                             doubted):
    """A slip of the meter or of the trim must not go onto the sheet without a word."""
    moved = evaluate(read_at(plan, away_db), plan.settings)
    said = of_kind(moved.findings, Kind.READING)
    assert said.values["shift_db"] == pytest.approx(away_db)
    assert "the reading at x 14.0, y 0.0, z 1.2 m (show)" in str(said)
    assert (Kind.READING_FAR in kinds(moved.findings)) is doubted


def test_a_reading_that_cannot_be_is_refused_unless_the_file_is_sure(plan):
    hall = read_at(plan, -13.0)
    with pytest.raises(ValueError, match=r"measured 'Mains' at x 14.0 .* lies -13.0 dB .*sure = t"):
        plan_fills(hall)
    sure = replace(hall, measured=(replace(hall.measured[0], sure=True),))
    assert Kind.READING_FAR in kinds(evaluate(sure, {}).findings)


def read_at(plan, away_db):
    """Return the hall with its mains read some dB from what the model has."""
    seat = (14.0, 0.0, 1.2)
    field = seat_field(plan.venue, seats_m=[seat], sounding=["Mains"])
    read = Measured("Mains", seat, "show",
                    level_dba=float(field.frame()["total_dba"].iloc[0]) + away_db)
    return replace(plan.venue, measured=(read,))
