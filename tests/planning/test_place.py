"""What might mend an area is tried, and a place for a fill is found by planning with it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fillalign import plan_fills, read_demo_venue
from fillalign.planning import Kind, find_cures, propose_places
from fillalign.venue import read_venue_text
from tests.small_venue import small_hall


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


def test_where_nothing_is_short_nothing_is_tried():
    assert find_cures(plan_fills(read_demo_venue("lantern_room"))) == ()


def test_the_best_place_is_what_its_lines_plan():
    """The lines of a place, put into the file, give the delay and the trim of its row."""
    hall = small_hall()
    area = hall.areas[-1].name
    places = propose_places(hall, area)
    assert len(places) >= 4
    assert places["missing_steps"].iloc[0] <= places["missing_steps"].max()
    best = places.iloc[0]
    fills = [source for source in hall.of_role("fill") if area in source.covers]
    x, z = best[["x_m", "z_m"]]
    by_name = {source.name for source in fills}
    moved = tuple(
        replace(source, position_m=(x, source.position_m[1], z),
                aim_m=(best["aim_x_m"], 0.8 * source.position_m[1], source.aim_m[2]))
        if source.name in by_name else source for source in hall.sources)
    plan = plan_fills(replace(hall, sources=moved))
    report = plan.fill(fills[0].output)
    assert plan.settings[report.output].delay_ms == pytest.approx(best["delay_ms"], abs=0.5)


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


def test_a_box_that_leaves_the_room_and_a_margin_past_its_range_are_no_cures():
    """What cannot be is not tried: no error, and no word of it."""
    plan = short_plan()
    outputs = {name: replace(own, image_margin_ms=26.0 if name == "Fills" else None)
               for name, own in plan.venue.outputs.items()}
    room = replace(plan.venue.room, x_from_m=-1.0, x_to_m=37.0)
    fills = [replace(one, position_m=(1.0, *one.position_m[1:])) if one.role == "fill" else one
             for one in plan.venue.sources]
    venue = replace(plan.venue, outputs=outputs, room=room, sources=tuple(fills))
    told = find_cures(plan_fills(venue), seconds=120.0)
    words = {cure.values["what"] for cure in told if cure.kind is Kind.CURE}
    words |= {word for one in told if one.kind is Kind.NO_CURE for word in one.values["tried"]}
    assert not words & {"its boxes 2 m nearer to the stage", "its boxes 4 m nearer to the stage",
                        "an image margin of 32 ms", "an image margin of 8 ms"}
    assert words
