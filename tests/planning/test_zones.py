"""Which fills play together: the stated rule, case by case (common practice)."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import Loudspeaker, OutputSettings, Source
from fillalign.planning.zones import (
    covered_areas,
    fill_depths,
    fill_tiers,
    heard_with,
    main_outputs,
)
from tests.small_venue import small_hall


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
    hall = small_hall()
    moved = replace(hall.sources[3], position_m=(25.0, 4.0, 5.0))
    assert fill_depths(replace(hall, sources=(*hall.sources[:3], moved))) == {"Fills": 23.5}


def test_areas_come_in_the_order_of_the_venue_once_each():
    hall = with_fills(("A", 22.0, {"covers": ("back", "front")}), ("B", 30.0, {}))
    assert covered_areas(hall, ["A", "B"]) == ("front", "back")
    assert covered_areas(hall, ["B"]) == ("back",)
    assert covered_areas(hall, []) == ()


def test_mains_and_subs_are_heard_ahead_then_tiers_that_are_on():
    hall = with_fills(("A", 20.0, {}), ("B", 21.0, {}), ("C", 30.0, {}))
    sub = Source("Sub", "sub", "Subs", "other box", (0.0, 0.0, 0.5), (9.0, 0.0, 0.5))
    hall = replace(hall, sources=(*hall.sources, sub),
                   outputs={**hall.outputs, "Subs": replace(hall.outputs["Mains"], name="Subs")})
    assert main_outputs(hall) == ["Mains", "Subs"]
    on = dict.fromkeys(hall.outputs, OutputSettings())
    off = {**on, "B": OutputSettings(trim_db=-np.inf)}
    assert heard_with(hall, on, "A") == (["Mains", "Subs"], ["A", "B"])
    assert heard_with(hall, on, "C") == (["Mains", "Subs", "A", "B"], ["C"])
    assert heard_with(hall, off, "A") == (["Mains", "Subs"], ["A"])
    assert heard_with(hall, off, "B") == (["Mains", "Subs"], ["A", "B"])
    assert heard_with(hall, off, "C") == (["Mains", "Subs", "A"], ["C"])
    with pytest.raises(KeyError):
        heard_with(hall, on, "Mains")
