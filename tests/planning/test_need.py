"""Reference, profile and need, recounted on the maps of seats (rules are common practice)."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import OCTAVES_NOMINAL, THIRDS_HZ, Loudspeaker, Source, seat_field, seat_speech
from fillalign.field import Settings
from fillalign.levels import weighted_total_db
from fillalign.planning.need import Cause, area_needs, make_yardstick
from fillalign.planning.zones import make_zones
from tests.small_venue import small_hall, with_output

HIGHS = np.isin(np.arange(27) // 3, (6, 7))
OCTAVES = [f"_{octave}" for octave in OCTAVES_NOMINAL]
MIDS = np.isin(np.arange(27) // 3, (3, 4))


def yardstick_of(hall, settings=None):
    settings = settings or Settings(hall)
    return make_yardstick(make_zones(hall, None), settings)


def needs_of_mains(hall, settings=None):
    settings = settings or Settings(hall)
    return {need.area: need for need in area_needs(yardstick_of(hall, settings), settings,
                                                   ["Mains"])}


def band_rows(hall, area, which="useful"):
    """Mean band powers of the rows of an area with the mains alone, (rows, 27)."""
    seats = hall.area(area)
    field = seat_field(hall, seats_m=seats.seats_m(), sounding=["Mains"])
    return (10 ** (getattr(field, f"{which}_db") / 10)).reshape(len(seats.rows_x_m), -1,
                                                                27).mean(axis=1)


def dba(power):
    return weighted_total_db(10 * np.log10(power), THIRDS_HZ)


def tone_db(power):
    return 10 * np.log10(power[..., HIGHS].sum(axis=-1) / power[..., MIDS].sum(axis=-1))


def shadowed(hall, **octaves_db):
    """Return the hall with its back area hidden from the mains."""
    loss = {int(octave[1:]): octaves_db.get(octave, 0.0) for octave in OCTAVES}
    dark = replace(hall.areas[1], shadowed_from=("mains",), shadow_loss_db=loss)
    return replace(hall, areas=(hall.areas[0], dark))


def test_reference_is_the_mean_of_its_rows_with_the_mains_alone():
    hall = small_hall(reference_rows_m=(12.0, 16.0))
    # Rows 12, 14 and 16 are the fifth to the seventh of the area in front.
    useful, total = (band_rows(hall, "front", which)[4:7].mean(axis=0)
                     for which in ("useful", "total"))
    reference = yardstick_of(hall).reference
    np.testing.assert_allclose(reference.bands, useful)
    assert reference.level_dba == pytest.approx(dba(useful))
    assert reference.meter_dba == pytest.approx(dba(total))
    assert reference.tone_db == pytest.approx(tone_db(useful))
    assert reference.x_m == 14.0


def test_reference_is_frozen_with_the_mains_as_set_and_the_fills_left_out():
    hall = small_hall()
    fills = Settings(hall).replaced("Fills", trim_db=12.0, delay_ms=0.0)
    assert yardstick_of(hall, fills).reference.level_dba == yardstick_of(hall).reference.level_dba
    louder = Settings(hall).replaced("Mains", trim_db=3.0)
    assert yardstick_of(hall, louder).reference.level_dba == pytest.approx(
        yardstick_of(hall).reference.level_dba + 3.0)


def test_profile_falls_evenly_from_the_reference_to_the_last_row():
    yardstick = yardstick_of(small_hall(allowed_fall_db=5.5))
    x = yardstick.zones.row_x_m
    fall = 5.5 * np.clip((x - 14.0) / (36.0 - 14.0), 0.0, 1.0)
    np.testing.assert_allclose(yardstick.profile_dba, yardstick.reference.level_dba - fall)


def test_an_area_has_its_own_allowed_fall_throughout():
    hall = small_hall()
    own = replace(hall, areas=(hall.areas[0], replace(hall.areas[1], allowed_fall_db=8.0)))
    yardstick = yardstick_of(own)
    back = yardstick.zones.rows_in(["back"])
    np.testing.assert_allclose(yardstick.profile_dba[back], yardstick.reference.level_dba - 8.0)
    np.testing.assert_allclose(yardstick.profile_dba[~back], yardstick_of(hall).profile_dba[~back])


@pytest.mark.parametrize("outdoors", [False, True])
def test_a_row_is_short_of_its_profile_by_heard_sound(outdoors):
    """Heard is useful sound in a room and direct sound outdoors."""
    hall = small_hall(outdoors=outdoors)
    yardstick = yardstick_of(hall)
    power = band_rows(hall, "back", "direct" if outdoors else "useful")
    back = yardstick.zones.rows_in(["back"])
    need = needs_of_mains(hall)["back"]
    assert need.shortfall_db == pytest.approx((yardstick.profile_dba[back] - dba(power)).max())
    assert need.highs_loss_db == pytest.approx(
        yardstick.reference.tone_db - tone_db(power).min())
    index = seat_speech(hall, seats_m=hall.areas[1].seats_m(), sounding=["Mains"]).index
    assert need.speech_index == pytest.approx(index.reshape(7, -1).mean(axis=1).min())


def test_rows_that_lack_nothing_need_no_fill_and_rows_that_all_lack_2_db_need_one():
    hall = small_hall(allowed_fall_db=30.0, highs_loss_db=40.0)
    assert not any(need.needed for need in needs_of_mains(hall).values())
    # A shadow as deep as takes the best row 2 dB below its profile, with the room's help out.
    outdoors = small_hall(outdoors=True, highs_loss_db=40.0)
    yardstick = yardstick_of(outdoors)
    back = yardstick.zones.rows_in(["back"])
    level = dba(band_rows(outdoors, "back", "direct"))
    deep = 2.0 + (level - yardstick.profile_dba[back]).max()
    dark = needs_of_mains(shadowed(outdoors, **dict.fromkeys(OCTAVES, deep)))["back"]
    assert dark.needed
    assert dark.from_x_m == 24.0
    assert dark.shortfall_db == pytest.approx((yardstick.profile_dba[back] - level).max() + deep)


def test_need_begins_at_the_first_row_that_lacks_something():
    hall = small_hall(allowed_fall_db=1.0)
    need = needs_of_mains(hall)["back"]
    assert need.needed
    yardstick = yardstick_of(hall)
    short = yardstick.profile_dba[yardstick.zones.rows_in(["back"])] - dba(band_rows(hall, "back"))
    assert need.from_x_m == hall.areas[1].rows_x_m[short > 1.0][0]
    assert need.causes == (Cause.LEVEL,)


def test_lost_highs_alone_make_a_need():
    hall = small_hall(allowed_fall_db=30.0, outdoors=True)
    assert not needs_of_mains(hall)["back"].needed
    need = needs_of_mains(shadowed(hall, _4000=18.0, _8000=18.0, _16000=18.0))["back"]
    assert need.needed
    assert {*need.causes} == {Cause.TONE, Cause.COVERAGE}
    assert need.highs_loss_db > 6.0


def test_speech_goal_alone_makes_a_need():
    hall = small_hall(sti=0.99, allowed_fall_db=30.0, highs_loss_db=40.0)
    need = needs_of_mains(hall)["front"]
    assert need.needed
    assert need.causes == (Cause.SPEECH,)
    assert not needs_of_mains(hall.with_goals(sti=None))["front"].needed


def test_an_area_before_the_reference_is_ahead():
    hall = small_hall(reference_rows_m=(24.0, 26.0))
    assert {name: need.ahead for name, need in needs_of_mains(hall).items()} == {
        "front": True, "back": False}
    assert not needs_of_mains(small_hall())["front"].ahead


def narrow(hall):
    boxes = {**hall.loudspeakers,
             "main box": replace(hall.loudspeakers["main box"], coverage_deg=(40.0, 20.0))}
    return replace(hall, loudspeakers=boxes)


def test_coverage_counts_seats_within_half_the_nominal_angle_of_a_main():
    hall = small_hall()
    across = replace(hall.loudspeakers["main box"], coverage_deg=(24.0, 350.0))
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "main box": across})
    seats, inside = hall.areas[1].seats_m(), False
    for main in hall.sources[:2]:
        ahead = np.subtract(main.aim_m, main.position_m)[:2]
        way = seats[:, :2] - main.position_m[:2]
        turned = np.arctan2(ahead[0] * way[:, 1] - ahead[1] * way[:, 0], way @ ahead)
        inside |= np.abs(np.degrees(turned)) <= 12.0
    # The box looks a little down: to a fraction of a degree the plan view decides.
    assert needs_of_mains(hall)["back"].outside_share == pytest.approx(
        1 - inside.mean(), abs=1.01 / len(seats))
    assert 0.1 < inside.mean() < 1
    assert needs_of_mains(shadowed(hall))["back"].outside_share == 1.0
    assert Cause.COVERAGE in needs_of_mains(shadowed(hall))["back"].causes


def test_subs_cover_nobody():
    # Coverage is where the highs go; a sub goes everywhere.
    hall = narrow(small_hall())
    sub = Loudspeaker("sub", (350.0, 350.0), 120.0, level_dba=80.0, low_limit_hz=35.0)
    with_sub = replace(
        hall,
        loudspeakers={**hall.loudspeakers, "sub": sub},
        outputs={**hall.outputs, "Sub": replace(hall.outputs["Mains"], name="Sub")},
        sources=(*hall.sources, Source("Sub", "sub", "Sub", "sub", (0.0, 0.0, 0.5),
                                       (9.0, 0.0, 0.5))),
    )
    bare, more = needs_of_mains(hall), needs_of_mains(with_sub)
    assert {k: v.outside_share for k, v in bare.items()} == {
        k: v.outside_share for k, v in more.items()}
    assert max(need.outside_share for need in bare.values()) > 0.1


def test_an_output_that_is_off_covers_nobody():
    hall = small_hall()
    halves = with_output(hall, "Mains", feed="left")
    outputs = {**halves.outputs, "Right": replace(hall.outputs["Mains"], name="Right")}
    hall = replace(hall, outputs=outputs,
                   sources=(hall.sources[0], replace(hall.sources[1], output="Right"),
                            *hall.sources[2:]))
    off = Settings(narrow(hall)).replaced("Right", trim_db=-np.inf)
    need, whole = (needs_of_mains(narrow(hall), one)["front"] for one in (off, None))
    yardstick = yardstick_of(narrow(hall))
    both = area_needs(yardstick, Settings(narrow(hall)), ["Mains", "Right"])[0]
    assert need.outside_share == whole.outside_share > both.outside_share


def test_without_a_main_that_sounds_there_is_no_reference():
    hall = small_hall()
    off = Settings(hall).replaced("Mains", trim_db=-np.inf)
    with pytest.raises(ValueError, match=r"^Mains: at least one output of the mains must sound"):
        yardstick_of(hall, off)
