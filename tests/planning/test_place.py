"""What might mend an area is tried, and a place for a fill is found by planning with it."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pandas as pd
import pytest

from fillalign import OutputSettings, plan_fills, read_demo_venue
from fillalign.planning import Kind, find_cures, place, places_in_words, propose_places
from fillalign.venue import read_venue_text
from tests.small_venue import RT60, small_hall, with_output


def short_plan():
    """Return a plan whose fills cannot bring the back what it lacks: their boxes are weak."""
    hall = small_hall()
    fills = {source.loudspeaker for source in hall.of_role("fill")}
    weak = {name: replace(box, level_dba=76.0, maximum_dba=76.0) if name in fills else box
            for name, box in hall.loudspeakers.items()}
    return plan_fills(replace(hall, loudspeakers=weak))


def test_each_cure_told_cures_when_it_is_made():
    """Boxes that give 6 dB more are named; the venue with such boxes lacks what is told."""
    plan = short_plan()
    lacking = {need.area: need.missing_steps for need in plan.needs_after if need.needed}
    assert lacking
    told = find_cures(plan, seconds=120.0)
    assert [one.where for one in told if one.kind is Kind.TRY_PLACES] == list(lacking)
    cures = [one for one in told if one.kind is Kind.CURE]
    stronger = [one for one in cures if one.values["what"] == "boxes that give 6 dB more"]
    assert stronger
    for cure in cures:
        assert cure.values["before"] == pytest.approx(lacking[cure.where])
        assert cure.values["missing"] < cure.values["before"]
    fills = {source.loudspeaker for source in plan.venue.of_role("fill")}
    boxes = {name: replace(box, maximum_dba=box.maximum_dba + 6.0) if name in fills else box
             for name, box in plan.venue.loudspeakers.items()}
    mended = plan_fills(replace(plan.venue, loudspeakers=boxes))
    left = {need.area: need.missing_steps for need in mended.needs_after}
    for cure in stronger:
        assert left[cure.where] == pytest.approx(cure.values["missing"])


@pytest.fixture(params=[True, pytest.param(False, marks=pytest.mark.long)],
                ids=["made", "planned"])
def venues_only(request, monkeypatch):
    """Where it is asked what is tried, make the venues; plan with them in long runs only."""
    if request.param:
        def made(make, *_):
            try:
                settings = dict.fromkeys(make().outputs, OutputSettings())
            except ValueError:
                return None
            return place._Outcome(settings, 0.0, 9.0, 9.0, 0.0, 9.0, 0.0, 0)

        monkeypatch.setattr(place, "_tried", made)


def only_tried(monkeypatch, *words):
    """Leave out of what may be changed all that has none of some words."""
    every = place._changes
    monkeypatch.setattr(place, "_changes", lambda *one: [
        change for change in every(*one) if any(word in change[0] for word in words)])


def tried_for(plan, area):
    """Return what is tried for an area that is short, in words: what cures, or all of it."""
    told = [one for one in find_cures(plan, seconds=120.0) if one.where == area]
    return {word for one in told for word in one.values.get("tried", (one.values.get("what", ""),))}


@pytest.mark.usefixtures("venues_only")
def test_margins_and_falls_are_tried_from_those_in_force():
    """The fill's own margin and the area's own fall, not the venue's."""
    hall = with_output(small_hall(priority="image"), "Fills", image_margin_ms=0.4987)
    hall = hall.with_area("back", allowed_fall_db=1.5321, shadowed_from=("mains",),
                          shadow_loss_db=dict.fromkeys(RT60, 5.0))
    tried = tried_for(plan_fills(hall), "back")
    assert {word for word in tried if "margin" in word or "fall" in word} == {
        "an image margin of 3.5 ms", "an image margin of 6.5 ms",
        "an allowed fall of 3.5 dB (a softer goal)", "an allowed fall of 5.5 dB (a softer goal)"}


@pytest.mark.usefixtures("venues_only")
def test_the_delay_rules_not_in_force_are_tried():
    """Nothing that is tried brings such clear words: all of it is named."""
    hall = small_hall(priority="image").with_goals(allowed_fall_db=36.0, sti=0.99)
    tried = tried_for(plan_fills(hall), "back")
    assert {word.split()[-1] for word in tried if word.startswith("the delay by the rule")} == {
        "box-to-box", "equal-level", "never-early"} - {hall.goals.delay_rule}


def test_the_hold_back_of_a_late_fill_is_tried_and_priced(monkeypatch):
    """As it is told: what rows lack, and seats where the image leaves the stage."""
    only_tried(monkeypatch, "hold-back")
    hall = with_output(small_hall(priority="image"), "Fills", latency_ms=150.0)
    plan = plan_fills(hall)
    told = [one for one in find_cures(plan, seconds=120.0) if one.where == "back"]
    held, = (one for one in told if str(one.values.get("what", "")).startswith("a hold-back"))
    ms = float(held.values["what"].split()[3])
    assert 0 <= ms - plan.fills[0].hold_back_ms <= 0.1
    cured = plan_fills(replace(hall, hold_back_ms=ms))
    need = next(one for one in cured.needs_after if one.area == "back")
    assert held.values["missing"] == pytest.approx(need.missing_steps)
    lost = [cured.checks, plan.checks]
    assert [held.values["lost"], held.values["lost_before"]] == [
        len({*one.seat[~one.keeps_image]}) for one in lost]


def test_a_cure_that_costs_other_rows_as_much_is_none():
    plan = short_plan()
    need = next(one for one in plan.needs_after if one.needed)
    served = {"settings": plan.settings, "served_share": 1.0, "missing": 0.0, "speech_index": 0.6,
              "spread_db": 3.0, "won_db": 0.0, "image_lost": 0}
    kinds = [[one.kind for one in place._told(plan, need.area, [
        (need.area, "a change", place._Outcome(elsewhere=elsewhere, **served))])]
        for elsewhere in (0.0, 9.0)]
    assert [Kind.CURE in one for one in kinds] == [True, False]
    assert [Kind.NO_CURE in one for one in kinds] == [False, True]


def test_what_changes_is_the_fills_of_the_area_and_nothing_else():
    """Stronger boxes leave a main of the same kind alone; boxes that move aim as they did."""
    hall = small_hall()
    alike = replace(hall, sources=tuple(replace(one, loudspeaker=hall.sources[0].loudspeaker)
                                        for one in hall.sources))
    strong = place._stronger(alike, ["Fills"], 6.0)
    most = {one.output: strong.loudspeakers[one.loudspeaker].maximum_dba for one in strong.sources}
    usual = alike.loudspeakers[hall.sources[0].loudspeaker].maximum_dba
    assert most == {"Mains": usual, "Fills": usual + 6.0}
    for by_m, aim_m in ((2.0, 0.0), (-1.5, 3.0)):
        moved = place._moved(hall, ["Fills"], by_m, aim_m)
        for one, was in zip(moved.sources, hall.sources, strict=True):
            mine = was.output == "Fills"
            assert one.position_m[0] == was.position_m[0] + by_m * mine
            assert one.aim_m[0] == pytest.approx(was.aim_m[0] + (by_m + aim_m) * mine)
            assert (one.position_m[1:], one.aim_m[1:]) == (was.position_m[1:], was.aim_m[1:])


def test_where_nothing_is_short_nothing_is_tried():
    assert find_cures(plan_fills(read_demo_venue("lantern_room"))) == ()


@pytest.fixture(scope="module")
def in_range():
    """Return the small hall with limits for its back area, and the places proposed there."""
    hall = small_hall().with_area("back", hang_from_m=18.0, hang_to_m=20.0)
    return hall, propose_places(hall, "back")


def test_the_best_place_is_what_its_lines_plan(in_range):
    """The lines of a place, put into the file, give the numbers of its row."""
    hall, places = in_range
    assert places["missing_steps"].is_monotonic_increasing
    best = places.iloc[0]
    assert not best["now"]
    lines = iter(best["toml"].splitlines())
    for name, position, aim in zip(lines, lines, lines, strict=True):
        found = tomllib.loads(f"{position}\n{aim}")
        hall = hall.with_source(name.removeprefix("# "), **{
            key: tuple(point) for key, point in found.items()})
    plan = plan_fills(hall)
    figures, need = plan.figures(), next(one for one in plan.needs_after if one.area == "back")
    assert plan.settings["Fills"].delay_ms == pytest.approx(best["delay_ms"], abs=1e-9)
    assert plan.settings["Fills"].trim_db == best["trim_db"]
    assert best["gain_before_feedback_db"] == pytest.approx(figures["gain_before_feedback_db"])
    assert (best["served_share"], best["missing_steps"]) == pytest.approx(
        (need.served_share, need.missing_steps))
    assert best["boxes"] == 2
    assert best["area"] == "back"


def test_places_stand_in_the_order_of_what_they_leave_and_cost():
    field = small_hall(outdoors=True).with_goals(allowed_fall_db=0.0)
    places = propose_places(field, "back", from_m=14.0, to_m=17.0)
    cost = places["missing_steps"] + places["elsewhere_steps"]
    assert cost.is_monotonic_increasing
    assert cost.iloc[0] < cost.iloc[-1]


def test_what_is_locked_where_the_boxes_hang_is_free_elsewhere():
    hall = with_output(small_hall(), "Fills", locked={"delay_ms": 70.0, "trim_db": -9.0})
    places = propose_places(hall, "back", from_m=18.0, to_m=18.0)
    now, moved = (places[places["now"] == here].iloc[0] for here in (True, False))
    assert (now["delay_ms"], now["trim_db"]) == (70.0, -9.0)
    assert moved["delay_ms"] < 65.0


def test_the_present_place_stands_beside_the_others(in_range):
    hall, places = in_range
    now, = places[places["now"]].to_dict("records")
    plan = plan_fills(hall)
    assert (now["x_m"], now["y_m"], now["z_m"], now["aim_x_m"]) == (22.0, 6.5 * 0.7, 5.0, 32.0)
    assert (now["delay_ms"], now["trim_db"]) == (plan.settings["Fills"].delay_ms,
                                                 plan.settings["Fills"].trim_db)
    assert now["gain_before_feedback_db"] == pytest.approx(plan.gain_before_feedback_db)


@pytest.mark.usefixtures("venues_only")
def test_boxes_hang_where_the_file_says_unless_told():
    """The area's own limits and heights, both ends; a call's word goes before them."""
    hall = small_hall().with_area("back", hang_from_m=16.0, hang_to_m=18.5,
                                  hang_heights_m=(3.5, 6.0))
    places = propose_places(hall, "back")
    hung = places[~places["now"]]
    assert {*hung["x_m"]} == {16.0, 18.5}
    assert {*hung["z_m"]} == {3.5, 6.0}
    told = propose_places(hall, "back", from_m=20.0, to_m=20.0, height_m=4.0)
    assert {*told[~told["now"]]["x_m"]} == {20.0}
    assert {*told[~told["now"]]["z_m"]} == {4.0}


@pytest.mark.usefixtures("venues_only")
def test_boxes_hang_off_the_walls_above_heads_and_below_the_ceiling():
    hall = small_hall()
    room = replace(hall.room, x_from_m=-0.5, x_to_m=36.2, height_m=5.1)
    low = replace(hall, room=room).with_area("back", x_from_m=12.0)
    places = propose_places(low, "back", to_m=2.0)
    assert places[~places["now"]]["x_m"].min() == 1.0
    assert places[~places["now"]]["z_m"].tolist() == pytest.approx([4.8, 4.8, 4.8, 4.8])
    gallery = hall.with_area("back", floor_m=3.0)
    high = propose_places(gallery, "back", from_m=20.0, to_m=20.0)
    assert {*high[~high["now"]]["z_m"]} == {5.5}
    deep = propose_places(replace(hall, room=replace(room, x_to_m=36.0)).with_area(
        "back", x_from_m=35.0), "back", from_m=34.0)
    assert deep[~deep["now"]]["x_m"].max() == 35.0


@pytest.mark.parametrize(("change", "match"), [
    ({"area": "nowhere"}, "nowhere"),
    ({"from_m": 30.0, "to_m": 10.0}, "^from_m to to_m must leave a place"),
    ({"height_m": 1.0}, "^height_m must be"),
])
def test_what_is_no_place_is_refused(change, match):
    hall = small_hall()
    with pytest.raises((KeyError, ValueError), match=match):
        propose_places(**{"venue": hall, "area": hall.areas[-1].name, **change})


def test_a_place_needs_a_box_for_a_model():
    hall = read_venue_text(small_hall().to_toml())
    bare = replace(hall, sources=tuple(s for s in hall.sources if s.role == "main"),
                   outputs={name: own for name, own in hall.outputs.items()
                            if any(s.output == name and s.role == "main" for s in hall.sources)})
    with pytest.raises(ValueError, match="no fill to take as a model"):
        propose_places(bare, bare.areas[-1].name)


def test_a_box_that_leaves_the_room_and_a_margin_past_its_range_are_no_cures(monkeypatch):
    """What cannot be is not tried: no error, and no word of it."""
    only_tried(monkeypatch, "m nearer to", "image margin")
    plan = short_plan()
    outputs = {name: replace(own, image_margin_ms=26.0 if name == "Fills" else None)
               for name, own in plan.venue.outputs.items()}
    room = replace(plan.venue.room, x_from_m=-1.0, x_to_m=37.0)
    fills = [replace(one, position_m=(0.5, *one.position_m[1:])) if one.role == "fill" else one
             for one in plan.venue.sources]
    venue = replace(plan.venue, outputs=outputs, room=room, sources=tuple(fills))
    plan = plan_fills(venue)
    words = {word for need in plan.needs_after if need.needed
             for word in tried_for(plan, need.area)} - {""}
    assert "an image margin of 29 ms" in words
    assert not words & {"its boxes 2 m nearer to the stage", "its boxes 4 m nearer to the stage",
                        "an image margin of 32 ms", "an image margin of 8 ms"}


@pytest.mark.parametrize(("best", "served", "better"), [
    (0.74, 0.0, True), (0.76, 0.0, False), (0.9, 0.6, True), (0.91, 0.6, False),
    (1.0, 0.0, False), (1.0, 1.0, False)])
def test_a_place_is_called_better_by_what_is_worth_a_fill(best, served, better):
    """A quarter of a step for each row that lacks anything, as for switching a fill on."""
    table = pd.DataFrame({"missing_steps": [best - 0.2, 0.5], "elsewhere_steps": [0.2, 0.5],
                          "served_share": [1.0, served], "now": [False, True]})
    said = places_in_words(table)
    assert said.startswith("The best place leaves" if better else "No place tried is audibly")
    assert f"{1.0 - best:.2f} just noticeable steps" in said
    assert places_in_words(table[:1]) == ""
