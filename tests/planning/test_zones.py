"""Who plays for whom: seats that decide, rows, reference, and which fills play together.

The rules are common practice; every one is stated here case by case.
"""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import Air, Loudspeaker, Source
from fillalign.field import Settings, venue_seats
from fillalign.planning import main_outputs
from fillalign.planning.zones import (
    asked_of,
    covered_areas,
    deciding_seats,
    fill_tiers,
    make_zones,
    parted,
    sounding_of,
)
from tests.small_venue import small_hall, with_output


def with_fills(*fills):
    """Return the hall with one fill output for each (name, x_m, changes of its source)."""
    hall = small_hall()
    first = hall.sources[2]
    sources = [replace(first, name=f"{name} box", output=name,
                       position_m=(x_m, 0.0, 5.0), **changes) for name, x_m, changes in fills]
    outputs = {name: replace(hall.outputs["Fills"], name=name) for name, _, _ in fills}
    boxes = {**hall.loudspeakers, "other box": Loudspeaker(
        "other box", (90, 60), 114.0, level_dba=92.0)}
    return replace(hall, loudspeakers=boxes, sources=(*hall.sources[:2], *sources),
                   outputs={"Mains": hall.outputs["Mains"], **outputs})


def with_balcony():
    """Return the hall with an area whose two rows lie among those of another."""
    hall = small_hall()
    balcony = replace(hall.areas[0], name="balcony", x_from_m=11.0, x_to_m=13.0, floor_m=4.0)
    return replace(hall, areas=(*hall.areas, balcony))


@pytest.mark.parametrize(("depth_m", "changes", "together"), [
    (24.0, {}, True),
    (24.01, {}, False),
    (22.0, {"kind": "under-balcony"}, False),
    (22.0, {"loudspeaker": "other box"}, False),
    (22.0, {"covers": ("front",)}, False),
    (22.0, {"covers": ("front", "back")}, True),
])
def test_a_tier_is_one_kind_and_box_within_2_m_over_a_common_area(depth_m, changes, together):
    hall = with_fills(("B", depth_m, changes), ("A", 22.0, {}))
    assert fill_tiers(hall) == ([["A", "B"]] if together else [["A"], ["B"]])


def test_depth_counts_from_the_first_of_a_tier():
    # 22, 23.5, 25: the third is 3 m behind the first, however near the second.
    hall = with_fills(("C", 25.0, {}), ("B", 23.5, {}), ("A", 22.0, {}))
    assert fill_tiers(hall) == [["A", "B"], ["C"]]


def test_depth_of_an_output_is_the_mean_of_its_boxes():
    hall = with_fills(("A", 22.0, {}), ("B", 24.4, {}))
    *others, box = hall.sources
    nearer = replace(box, name="second", position_m=(23.6, 4.0, 5.0))
    assert fill_tiers(hall) == [["A"], ["B"]]
    assert fill_tiers(replace(hall, sources=(*others, box, nearer))) == [["A", "B"]]


def test_areas_come_in_the_order_of_the_venue_once_each():
    hall = with_fills(("A", 22.0, {"covers": ("back", "front")}), ("B", 30.0, {}))
    assert covered_areas(hall, ["A", "B"]) == ("front", "back")
    assert covered_areas(hall, ["B"]) == ("back",)
    assert covered_areas(hall, []) == ()


def test_mains_and_subs_are_no_fills():
    hall = with_fills(("A", 20.0, {}), ("B", 30.0, {}))
    sub = Source("Sub", "sub", "Subs", "other box", (0.0, 0.0, 0.5), (9.0, 0.0, 0.5))
    hall = replace(hall, sources=(*hall.sources, sub),
                   outputs={**hall.outputs, "Subs": replace(hall.outputs["Mains"], name="Subs")})
    assert main_outputs(hall) == ["Mains", "Subs"]
    assert fill_tiers(hall) == [["A"], ["B"]]


def test_a_tier_is_parted_by_the_trims_that_the_file_locks():
    hall = with_fills(("A", 20.0, {}), ("B", 21.0, {}), ("C", 21.0, {}))
    hall = with_output(hall, "B", locked={"trim_db": -3.0})
    hall = with_output(hall, "C", locked={"delay_ms": 50.0})
    assert parted(hall, ["A", "B", "C"]) == (["B"], ["A", "C"])


def test_what_sounds_has_a_trim_above_minus_infinity():
    hall = with_fills(("A", 20.0, {}), ("B", 21.0, {}))
    settings = Settings(hall).replaced("A", trim_db=-np.inf).replaced("B", trim_db=-120.0)
    assert sounding_of(settings, ["A", "B"]) == ["B"]


def test_every_seat_of_the_demo_sizes_decides():
    hall = with_balcony()
    np.testing.assert_array_equal(deciding_seats(hall).points_m, venue_seats(hall).points_m)


@pytest.mark.parametrize("most", [20, 47, 100])
def test_of_too_many_seats_an_even_share_of_every_area_decides(most):
    hall = with_balcony()
    every, seats = venue_seats(hall), deciding_seats(hall, most)
    assert len(seats) <= most
    for number in range(len(hall.areas)):
        own, whole = seats.points_m[seats.area == number], every.points_m[every.area == number]
        assert len(own) == pytest.approx(len(whole) * most / len(every), abs=1.0)
        np.testing.assert_array_equal(own[[0, -1]], whole[[0, -1]])
        places = [int(np.flatnonzero((whole == seat).all(axis=1))[0]) for seat in own]
        assert np.ptp(np.diff(places)) <= 1


def test_rows_run_from_front_to_back_whatever_their_area():
    hall = with_balcony()
    zones = make_zones(hall, None)
    assert (np.diff(zones.row_x_m) > 0).all()
    assert zones.row_x_m[zones.rows_in(["balcony"])].tolist() == [11.0, 13.0]
    covered = zones.covered(["Fills"]).seats
    names = {hall.areas[number].name for number in covered.area.tolist()}
    assert names == {*covered_areas(hall, ["Fills"])}
    assert len(covered) == sum(len(hall.area(name).seats_m()) for name in names)


def test_mean_of_a_row_is_over_its_seats():
    zones = make_zones(with_balcony(), None)
    seats = zones.paths.seats
    values = np.random.default_rng(3).uniform(size=(len(seats), 2, 3))
    wanted = [values[(seats.points_m[:, 0] == x) & (seats.area == area)].mean(axis=0)
              for x, area in zip(zones.row_x_m, zones.row_area, strict=True)]
    np.testing.assert_allclose(zones.row_mean(values), wanted)
    np.testing.assert_allclose(zones.row_mean(values[:, 0, 0]), np.array(wanted)[:, 0, 0])


@pytest.mark.parametrize(("goal", "rows"), [
    ((10.0, 14.0), [10.0, 12.0, 14.0]), (None, [12.0, 14.0, 16.0])])
def test_reference_rows_are_those_asked_for_or_next_to_the_aim_of_the_mains(goal, rows):
    zones = make_zones(small_hall(reference_rows_m=goal), None)
    assert zones.row_x_m[zones.reference_rows].tolist() == rows


def test_the_air_is_that_of_the_show_unless_another_is_given():
    hall = small_hall()
    show = replace(hall.states["show"], air=Air(28.0, 30.0), wind_m_s=3.0)
    zones = make_zones(replace(hall, states={**hall.states, "show": show}), None)
    assert zones.paths.air == Air(28.0, 30.0)
    assert zones.paths.state == show
    assert make_zones(hall, Air(5.0)).paths.air == Air(5.0)


def test_a_plan_without_a_main_is_refused():
    hall = with_fills(("A", 20.0, {}))
    subs = [replace(one, role="sub") for one in hall.sources[:2]]
    with pytest.raises(ValueError, match=r"mains: is missing: a venue needs at least one main"):
        make_zones(replace(hall, sources=(*subs, hall.sources[2])), None)


def test_outputs_that_mirror_each_other_are_one_tier_though_each_has_its_own_side():
    hall = small_hall()
    back = hall.areas[1]
    sides = [replace(back, name=name, y_from_m=low, y_to_m=low + 9.0)
             for name, low in (("A", 0.0), ("B", -9.0))]
    outputs = {"Mains": hall.outputs["Mains"],
               **{name: replace(hall.outputs["Fills"], name=name) for name in "AB"}}
    fills = [replace(one, output=name, covers=(name,))
             for one, name in zip(hall.sources[2:], "BA", strict=True)]
    halves = replace(hall, areas=(hall.areas[0], *sides), outputs=outputs,
                     sources=(*hall.sources[:2], *fills))
    assert fill_tiers(halves) == [["A", "B"]]
    later = replace(outputs["B"], latency_ms=9.0)
    assert fill_tiers(replace(halves, outputs={**outputs, "B": later})) == [["A"], ["B"]]


def test_what_comes_first_is_the_word_of_the_fill_then_of_its_area_then_of_the_venue():
    hall = small_hall(priority="image", image_margin_ms=7.0)
    assert asked_of(hall, "Fills").priority == "image"
    area = hall.with_area("back", priority="auto")
    assert asked_of(area, "Fills").priority == "auto"
    assert asked_of(hall.with_area("front", priority="auto"), "Fills").priority == "image"
    own = with_output(area, "Fills", priority="words", image_margin_ms=3.0)
    assert asked_of(own, "Fills").priority == "words"
    assert (asked_of(area, "Fills").image_margin_ms, asked_of(own, "Fills").image_margin_ms) == (
        7.0, 3.0)
