"""Reference, profile and need, recounted on the maps of seats (rules are common practice)."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import OCTAVES_NOMINAL, THIRDS_HZ, Loudspeaker, Source, seat_field, seat_speech
from fillalign.field import Settings
from fillalign.levels import weighted_total_db
from fillalign.planning import main_outputs
from fillalign.planning.need import Cause, area_needs, is_needed, make_yardstick, rows_with
from fillalign.planning.zones import make_zones, sounding_of
from tests.small_venue import small_hall, with_output

HIGHS = np.isin(np.arange(27) // 3, (6, 7))
OCTAVES = [f"_{octave}" for octave in OCTAVES_NOMINAL]
MIDS = np.isin(np.arange(27) // 3, (3, 4))


def yardstick_of(hall, settings=None):
    settings = settings or Settings(hall)
    return make_yardstick(make_zones(hall, None), settings)


def needs_of_mains(hall, settings=None):
    yardstick, settings = yardstick_of(hall, settings), settings or Settings(hall)
    needs = area_needs(yardstick, yardstick.alone, sounding_of(settings, main_outputs(hall)))
    return {need.area: need for need in needs}


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
    outdoors = small_hall(outdoors=True, highs_loss_db=40.0, allowed_fall_db=10.0)
    yardstick = yardstick_of(outdoors)
    back = yardstick.zones.rows_in(["back"])
    level = dba(band_rows(outdoors, "back", "direct"))
    deep = 2.0 + (level - yardstick.profile_dba[back]).max()
    dark = needs_of_mains(shadowed(outdoors, **dict.fromkeys(OCTAVES, deep)))["back"]
    assert dark.needed
    assert dark.from_x_m == 24.0
    assert dark.shortfall_db == pytest.approx((yardstick.profile_dba[back] - level).max() + deep)


def level_at_the_back():
    """Return the hall whose back rows are all to have the same level."""
    hall = small_hall()
    return replace(hall, areas=(hall.areas[0], replace(hall.areas[1], allowed_fall_db=2.0)))


def check_of(yardstick, level_dba, tone_db, index):
    """Judge rows of given levels and tones: powers by A, of highs, and of mids."""
    heard = np.stack(np.broadcast_arrays(10 ** (np.asarray(level_dba) / 10),
                                         10 ** (np.asarray(tone_db) / 10), 1.0), axis=-1)
    return yardstick.check(heard, heard[..., 0], np.broadcast_to(index, heard.shape[:-1]))


def test_what_a_row_is_missing_adds_up_in_steps():
    """1 dB of level beyond 1 dB, 1 dB of highs beyond the limit, 0.03 of index: a step each."""
    yardstick = yardstick_of(small_hall(sti=0.5))
    profile, tone = yardstick.profile_dba, yardstick.reference.tone_db
    below, duller = np.zeros((2, profile.size))
    index = np.full(profile.size, 0.5)
    below[:3] = 0.99, 3.5, -5.0
    duller[2:5] = 5.99, 8.0, 2.0
    index[4:6] = 0.44, 0.9
    checked = check_of(yardstick, profile - below, tone - duller, index)
    np.testing.assert_allclose(checked.shortfall_db, below, atol=1e-9)
    np.testing.assert_allclose(checked.highs_loss_db, duller, atol=1e-9)
    np.testing.assert_allclose(checked.missing[:6], [0.0, 2.5, 0.0, 2.0, 2.0, 0.0], atol=1e-9)
    assert np.flatnonzero(~checked.served).tolist() == [1, 3, 4]
    some = checked.rows(np.arange(profile.size) == 4)
    assert (some.missing.round(9).tolist(), some.served.tolist()) == ([2.0], [False])


def test_without_a_speech_goal_no_index_is_too_low():
    yardstick = yardstick_of(small_hall())
    checked = check_of(yardstick, yardstick.profile_dba, yardstick.reference.tone_db, 0.0)
    assert checked.served.all()


@pytest.mark.parametrize(("lacking", "by_db", "needed"), [
    (1, 9.0, False), (2, 1.26, True), (2, 1.24, False), (9, 1.0, False), (9, 1.26, True)])
def test_rows_need_help_where_one_in_ten_lacks_a_quarter_of_a_step(lacking, by_db, needed):
    # 16 rows: 15 of them are more than 90 %, 14 are fewer.
    yardstick = yardstick_of(small_hall())
    below = np.where(np.arange(16) < lacking, by_db, 0.0)
    checked = check_of(yardstick, yardstick.profile_dba - below, yardstick.reference.tone_db, 1.0)
    assert is_needed(checked) == needed


def test_an_area_tells_the_share_that_is_served_and_what_its_rows_miss():
    hall = level_at_the_back()
    yardstick = yardstick_of(hall)
    short = yardstick.profile_dba[-7:] - dba(band_rows(hall, "back"))
    need = needs_of_mains(hall)["back"]
    assert 0 < need.served_share == np.mean(short <= 1.0) < 1
    assert need.missing_steps == pytest.approx(np.maximum(short - 1.0, 0.0).mean())


def test_rows_with_fills_stand_as_the_maps_say():
    hall = small_hall(sti=0.5)
    settings = Settings(hall).replaced("Fills", delay_ms=65.0, trim_db=-8.0)
    yardstick = yardstick_of(hall, settings)
    found = rows_with(yardstick, settings, ["Mains", "Fills"]).rows(
        yardstick.zones.rows_in(["back"]))
    seats = hall.areas[1].seats_m()
    power = 10 ** (seat_field(hall, settings, seats_m=seats).useful_db / 10)
    level = dba(power.reshape(7, -1, 27).mean(axis=1))
    np.testing.assert_allclose(found.shortfall_db, yardstick.profile_dba[-7:] - level, atol=1e-5)
    index = seat_speech(hall, settings, seats_m=seats).index.reshape(7, -1).mean(axis=1)
    np.testing.assert_allclose(found.index, index, atol=1e-6)
    alone = yardstick.alone.rows(yardstick.zones.rows_in(["back"]))
    np.testing.assert_allclose(alone.shortfall_db,
                               yardstick.profile_dba[-7:] - dba(band_rows(hall, "back")), atol=1e-5)


def test_need_begins_at_the_first_row_that_lacks_something():
    hall = level_at_the_back()
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
    assert {*need.causes} == {Cause.TONE, Cause.SHADOW}
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
    aside = replace(hall, sources=tuple(
        replace(one, aim_m=(-14.0, one.aim_m[1], 1.2)) if one.role == "main" else one
        for one in hall.sources))
    assert Cause.COVERAGE in needs_of_mains(aside)["back"].causes
    assert needs_of_mains(shadowed(hall))["back"].outside_share == 1.0
    assert Cause.SHADOW in needs_of_mains(shadowed(hall))["back"].causes


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
    half, both = (needs_of_mains(narrow(hall), one)["front"] for one in (off, None))
    assert half.outside_share > both.outside_share


def test_without_a_main_that_sounds_there_is_no_reference():
    hall = small_hall()
    off = Settings(hall).replaced("Mains", trim_db=-np.inf)
    with pytest.raises(ValueError, match=r"^Mains: at least one output of the mains must sound"):
        yardstick_of(hall, off)
