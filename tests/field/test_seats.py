"""The seat field against hand calculation, the room theory's formula and symmetry.

Interference and geometry are checked against pyroomacoustics in
`test_main_job.py`.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

from fillalign import (
    THIRDS_HZ,
    Air,
    Loudspeaker,
    Measured,
    OutputSettings,
    absorption_db_per_m,
    plan_fills,
    seat_field,
)
from fillalign.absorption import band_edges_hz
from fillalign.field.pairing import PairCache
from fillalign.field.paths import band_levels_1m_db, by_thirds, trace_paths, venue_seats
from fillalign.field.superpose import build_mix, measured_shifts_db
from fillalign.levels import a_weighting_db, pink_band_levels_db
from fillalign.loudspeakers import directivity_factor
from tests.small_venue import small_hall

ON_AXIS = [[14.0, -3.25, 1.2]]


def one_main(**changes):
    hall = small_hall(**changes)
    return replace(hall, sources=hall.sources[:1] + hall.sources[2:])


def test_direct_sound_of_one_box_on_its_axis():
    # Inverse square law and ISO 9613-1 at the exact mid-bands, by hand.
    hall = one_main(outdoors=True)
    field = seat_field(hall, seats_m=ON_AXIS, sounding=["Mains"])
    away = np.linalg.norm(np.subtract(ON_AXIS[0], hall.sources[0].position_m))
    level = band_levels_1m_db(hall.loudspeakers["main box"])
    wanted = level - 20 * np.log10(away) - absorption_db_per_m(THIRDS_HZ, 20.0, 45.0) * away
    np.testing.assert_allclose(field.direct_db[0], wanted, atol=1e-9)


def test_stated_level_is_the_a_weighted_level_at_1_m():
    box = small_hall().loudspeakers["main box"]
    levels = band_levels_1m_db(box)
    total = 10 * np.log10((10 ** ((levels + a_weighting_db(THIRDS_HZ)) / 10)).sum())
    assert total == pytest.approx(94.0)
    pink = pink_band_levels_db(94.0, THIRDS_HZ)
    assert np.ptp((levels - pink)[10:]) < 0.01
    # Fourth-order Butterworth: -3 dB at the low limit (any filter handbook).
    at_limit = np.interp(60.0, THIRDS_HZ, levels - pink) - (levels - pink)[20]
    assert at_limit == pytest.approx(-3.0, abs=0.7)


def test_levels_by_octave_replace_the_overall_level():
    box = replace(
        small_hall().loudspeakers["main box"], level_dba=None,
        level_by_octave_db=dict.fromkeys((63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000), 90.0),
    )
    octaves = 10 * np.log10((10 ** (band_levels_1m_db(box) / 10)).reshape(9, 3).sum(axis=1))
    np.testing.assert_allclose(octaves, 90.0)


def test_room_adds_what_barron_and_lee_say():
    # Barron and Lee 1988: (31200 T/V) e^(-0.04 r/T), early share 1 - e^(-13.8 x 0.05/T),
    # over the omnidirectional direct sound at 10 m; power by Q.
    hall = one_main()
    field = seat_field(hall, seats_m=ON_AXIS, sounding=["Mains"])
    away = np.linalg.norm(np.subtract(ON_AXIS[0], hall.sources[0].position_m))
    box = hall.loudspeakers["main box"]
    q = directivity_factor(90, 50, frequency_hz=THIRDS_HZ, control_hz=800.0, rear_floor_db=-20.0)
    at_10_m = 10 ** (band_levels_1m_db(box) / 10) / q / 100
    tail = 31200 * 1.4 / 6400 * np.exp(-0.04 * away / 1.4) * at_10_m
    share = 1 - np.exp(-13.8 * 0.05 / 1.4)
    direct = 10 ** (field.direct_db[0] / 10)
    np.testing.assert_allclose(field.useful_db[0], 10 * np.log10(direct + share * tail), atol=1e-6)
    np.testing.assert_allclose(field.total_db[0], 10 * np.log10(direct + tail), atol=1e-6)


def test_feeds_add_by_power_and_one_feed_with_interference():
    hall = small_hall(outdoors=True)
    apart = replace(
        hall,
        outputs={**hall.outputs, "Other": replace(hall.outputs["Mains"], name="Other",
                                                  feed="left")},
        sources=(replace(hall.sources[0], output="Other"), *hall.sources[1:]),
    )
    seat = [[14.0, 0.0, 1.2]]
    together = seat_field(hall, seats_m=seat, sounding=["Mains"]).direct_db
    each = seat_field(apart, seats_m=seat, sounding=["Mains", "Other"]).direct_db
    # Equal arrivals at the middle seat: in phase 6.02 dB over one, by power 3.01.
    np.testing.assert_allclose(together - each, 10 * np.log10(2), atol=1e-6)


def test_inverted_polarity_cancels_at_equal_arrival():
    hall = small_hall(outdoors=True)
    split = replace(
        hall,
        outputs={**hall.outputs, "Other": replace(hall.outputs["Mains"], name="Other")},
        sources=(replace(hall.sources[0], output="Other"), *hall.sources[1:]),
    )
    seat = [[14.0, 0.0, 1.2]]
    settings = {"Other": OutputSettings(polarity="inverted")}
    field = seat_field(split, settings, seats_m=seat, sounding=["Mains", "Other"])
    alone = seat_field(split, seats_m=seat, sounding=["Mains"])
    assert (field.direct_db < alone.direct_db - 60).all()


def test_trim_delay_and_latency_do_what_they_say():
    hall = small_hall()
    settings = {"Fills": OutputSettings(delay_ms=60.0, trim_db=-6.0)}
    field = seat_field(hall, settings)
    plain = seat_field(hall)
    fill = field.outputs.index("Fills")
    np.testing.assert_allclose(
        field.output_direct_db[fill] - plain.output_direct_db[fill], -6.0, atol=1e-9
    )
    np.testing.assert_allclose(field.arrival_ms[fill] - plain.arrival_ms[fill], 60.0, atol=1e-9)
    away = np.linalg.norm(venue_seats(hall).points_m - hall.sources[2].position_m, axis=1)
    other = np.linalg.norm(venue_seats(hall).points_m - hall.sources[3].position_m, axis=1)
    nearest = np.minimum(away, other) / hall.states["show"].air.speed_m_s * 1000
    assert (plain.arrival_ms[fill] >= nearest + 3.5 - 1e-9).all()


def test_late_fill_leaves_the_useful_sound():
    hall = small_hall()
    seat = [[30.0, 4.0, 1.2]]
    soon = seat_field(hall, {"Fills": OutputSettings(delay_ms=62.0)}, seats_m=seat)
    late = seat_field(hall, {"Fills": OutputSettings(delay_ms=162.0)}, seats_m=seat)
    mains = seat_field(hall, seats_m=seat, sounding=["Mains"])
    assert soon.weighted_db("useful")[0] > mains.weighted_db("useful")[0] + 2
    assert late.weighted_db("useful")[0] == pytest.approx(mains.weighted_db("useful")[0], abs=0.3)
    assert late.weighted_db("total")[0] == pytest.approx(soon.weighted_db("total")[0], abs=0.6)


def test_low_cut_and_shelf_change_level_as_their_response():
    # Linkwitz 1976: -6 dB at the corner; shelf: full gain far above the corner.
    hall = one_main(outdoors=True)
    settings = {"Mains": OutputSettings(low_cut_hz=100.0, shelf_db=6.0, shelf_hz=2000.0)}
    change = (
        seat_field(hall, settings, seats_m=ON_AXIS, sounding=["Mains"]).direct_db
        - seat_field(hall, seats_m=ON_AXIS, sounding=["Mains"]).direct_db
    )[0]
    assert change[3] == pytest.approx(-6.0, abs=0.2)
    assert change[13] == pytest.approx(0.2, abs=0.3)
    assert change[-1] == pytest.approx(6.0, abs=0.1)


def test_wind_air_and_state_count():
    calm = small_hall(outdoors=True)
    windy = small_hall(outdoors=True, wind_m_s=5.0)
    assert (seat_field(windy).arrival_ms[0] < seat_field(calm).arrival_ms[0]).mean() > 0.75
    cold = seat_field(calm, air=Air(5.0, 45.0))
    assert (cold.arrival_ms > seat_field(calm).arrival_ms).all()
    hall = small_hall()
    wet = replace(
        hall,
        states={**hall.states, "check": replace(
            hall.states["check"], rt60_s=dict.fromkeys(hall.states["check"].rt60_s, 3.0))},
    )
    louder = seat_field(wet, state="check").total_db - seat_field(wet, state="show").total_db
    assert (louder.mean(axis=1) > 0).all()


def test_wind_moves_every_element_as_it_moves_the_arrival():
    windy = small_hall(outdoors=True, wind_m_s=8.0)
    paths = trace_paths(windy, venue_seats(windy), windy.states["show"], Air(20.0))
    np.testing.assert_allclose(paths.time_ms, paths.serving_ms, rtol=1e-12)


def test_low_cut_on_one_of_two_outputs_against_brute_force():
    """Mean of |H|^2 over each band on a fine grid, with scipy's analogue filter."""
    hall = small_hall(outdoors=True)
    split = replace(
        hall,
        outputs={**hall.outputs, "Other": replace(hall.outputs["Mains"], name="Other")},
        sources=(replace(hall.sources[0], output="Other"), *hall.sources[1:]),
    )
    seat = [[14.0, 0.0, 1.2]]
    cut = OutputSettings(delay_ms=40.0, low_cut_hz=120.0, low_cut_order=8)
    names = ["Mains", "Other"]
    field = seat_field(split, {"Other": cut}, seats_m=seat, sounding=names)
    plain = seat_field(split, seats_m=seat, sounding=["Mains"])
    b, a = signal.butter(4, 2 * np.pi * 120.0, "high", analog=True)
    low, high = band_edges_hz(THIRDS_HZ)
    wanted = []
    for start, end in zip(low, high, strict=True):
        grid = np.linspace(start, end, 4001)
        once = signal.freqs(b, a, 2 * np.pi * grid)[1]
        total = 1 + once**2 * np.exp(-2j * np.pi * grid * 0.040)
        wanted.append(10 * np.log10(np.mean(np.abs(total) ** 2)))
    error = field.direct_db[0] - plain.direct_db[0] - np.array(wanted)
    assert np.abs(error).max() < 0.08, error.round(3)


def test_shadow_takes_its_loss_from_the_mains_only():
    hall = small_hall(outdoors=True)
    loss = dict.fromkeys((63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000), 7.0)
    areas = (hall.areas[0], replace(hall.areas[1], shadowed_from=("mains",), shadow_loss_db=loss))
    dark, light = seat_field(replace(hall, areas=areas)), seat_field(hall)
    back = dark.seats_m[:, 0] > 23
    main, fill = dark.outputs.index("Mains"), dark.outputs.index("Fills")
    drop = light.output_direct_db - dark.output_direct_db
    np.testing.assert_allclose(drop[main][back], 7.0, atol=1e-9)
    np.testing.assert_allclose(drop[main][~back], 0.0, atol=1e-9)
    np.testing.assert_allclose(drop[fill], 0.0, atol=1e-9)


def test_measured_level_moves_the_model():
    hall = small_hall()
    seat = (14.0, 0.0, 1.2)
    reading = Measured("Mains", seat, "check", level_dba=70.0)
    heard = replace(hall, measured=(reading,))
    field = seat_field(heard, seats_m=[seat], state="check", sounding=["Mains"])
    assert field.weighted_db("total")[0] == pytest.approx(70.0, abs=1e-6)
    by_octave = replace(
        hall, measured=(Measured("Mains", seat, "check", by_octave_db={1000: 60.0, 2000: 55.0}),)
    )
    octaves = seat_field(by_octave, seats_m=[seat], state="check", sounding=["Mains"]).octaves_db()
    assert octaves[0, 4] == pytest.approx(60.0, abs=1e-6)
    assert octaves[0, 5] == pytest.approx(55.0, abs=1e-6)


def test_reading_in_a_shadow_is_compared_with_the_shadow():
    # A reading that is what the model gives moves nothing (by definition of the shift).
    hall = small_hall()
    back = replace(hall.areas[1], shadowed_from=("mains",),
                   shadow_loss_db=dict.fromkeys(hall.states["check"].rt60_s, 8.0))
    hall = replace(hall, areas=(hall.areas[0], back))
    seats = venue_seats(hall)
    levels = seat_field(hall, state="check", sounding=["Mains"]).weighted_db()
    one = int(np.flatnonzero(seats.area == 1)[10])
    reading = Measured("Mains", tuple(seats.points_m[one]), "check", level_dba=float(levels[one]))
    np.testing.assert_allclose(measured_shifts_db(replace(hall, measured=(reading,))), 0, atol=1e-9)


def test_reading_in_an_octave_that_a_box_does_not_play_moves_nothing_there():
    # A shift multiplies, and no factor makes a sound of nothing.
    hall = small_hall()
    horn = Loudspeaker("fill box", (90, 60), 114.0,
                       level_by_octave_db={octave: 84.0 for octave in (500, 1000, 2000)})
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "fill box": horn})
    reading = Measured("Fills", (30.0, 0.0, 1.2), "check", by_octave_db={125: 40.0, 1000: 60.0})
    shift = measured_shifts_db(replace(hall, measured=(reading,)))[1]
    assert shift[3:6].tolist() == [0.0, 0.0, 0.0]
    assert abs(shift[12]) < 30.0
    plan, moved = (plan_fills(replace(hall, measured=m)) for m in ((), (reading,)))
    assert moved.settings["Fills"].delay_ms == pytest.approx(
        plan.settings["Fills"].delay_ms, abs=2.0)


def test_seat_inside_a_box_hears_it_as_on_its_axis_at_half_a_metre():
    # Nearer than 0.5 m no formula of a point source holds (common practice).
    hall = one_main(outdoors=True)
    place = np.array(hall.sources[0].position_m)
    axis = hall.sources[0].aim_m - place
    ahead = place + 0.5 * axis / np.linalg.norm(axis)
    there, near = (seat_field(hall, seats_m=[m], sounding=["Mains"]) for m in (place, ahead))
    np.testing.assert_allclose(there.total_db, near.total_db, atol=1e-9)
    assert there.arrival_ms[0, 0] == pytest.approx(2.0)


def test_seat_inside_an_array_is_the_limit_of_seats_beside_it():
    # Three elements hang level: the second lies at their centre, where the tail begins.
    hall = one_main()
    box = replace(hall.loudspeakers["main box"], elements=3, spacing_m=0.3, splay_deg=(0.0, 0.0))
    main = replace(hall.sources[0], aim_m=(14.0, -6.5, 5.0))
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "main box": box},
                   sources=(main, *hall.sources[1:]))
    place = np.subtract(main.position_m, [0.0, 0.0, 0.3])
    there, near = (seat_field(hall, seats_m=[m], sounding=["Mains"])
                   for m in (place, np.add(place, [1e-4, 0.0, 0.0])))
    np.testing.assert_allclose(there.total_db, near.total_db, atol=0.05)


def test_blocks_do_not_show():
    hall = small_hall()
    many = np.tile(venue_seats(hall).points_m, (30, 1))
    whole = seat_field(hall, seats_m=many).total_db
    np.testing.assert_allclose(whole[: len(many) // 30], seat_field(
        hall, seats_m=many[: len(many) // 30]).total_db, atol=1e-9)
    assert len(many) > 1024


def test_what_is_kept_of_one_state_and_output_serves_no_other():
    # Both outputs arrive at one time after their delays, so only they and the state differ.
    hall = small_hall()
    check = replace(hall.states["check"], rt60_s=dict.fromkeys(hall.states["check"].rt60_s, 2.5))
    hall = replace(hall, states={**hall.states, "check": check})
    settings = {"Mains": OutputSettings(delay_ms=61.5), "Fills": OutputSettings(delay_ms=60.0)}
    paths = trace_paths(hall, venue_seats(hall), check, check.air)
    cache = PairCache()
    for state in ("show", "check", "show"):
        kept, fresh = (build_mix(hall, paths, settings, state=state, cache=one)
                       for one in (cache, None))
        for name in ("gram", "early", "late"):
            np.testing.assert_array_equal(getattr(kept, name), getattr(fresh, name))
        tail = fresh.early + fresh.late
        for output, source in ((0, (0, 1)), (1, (2, 3))):
            # Barron and Lee 1988, as above.
            rt60 = 2.5 if state == "check" else 1.4
            wanted = sum(
                31200 * rt60 / 6400 * np.exp(-0.04 * paths.distance_m[one][:, None] / rt60)
                * paths.tail_power[one] for one in source)
            np.testing.assert_allclose(tail[output], wanted, rtol=1e-4)


def test_exchange_of_omnidirectional_source_and_seat():
    # Reciprocity of the free field (Rayleigh 1877).
    hall = one_main(outdoors=True)
    omni = replace(hall, loudspeakers={
        name: replace(kind, coverage_deg=(360.0, 360.0), rear_floor_db=0.0)
        for name, kind in hall.loudspeakers.items()})
    there = seat_field(omni, seats_m=[[20.0, 3.0, 1.2]], sounding=["Mains"])
    position = omni.sources[0].position_m
    back = replace(omni, sources=(replace(omni.sources[0], position_m=(20.0, 3.0, 1.2)),
                                  *omni.sources[1:]))
    here = seat_field(back, seats_m=[position], sounding=["Mains"])
    np.testing.assert_allclose(there.direct_db, here.direct_db, atol=1e-9)
    np.testing.assert_allclose(there.arrival_ms[0], here.arrival_ms[0], atol=1e-9)


def test_octaves_spread_over_thirds():
    assert by_thirds({63: 1.0, 125: 2.0})[:6].tolist() == [1.0, 1.0, 1.0, 2.0, 2.0, 2.0]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: seat_field(small_hall(), state="party"), "state must be one of check, show"),
        (lambda: seat_field(small_hall(), sounding=["Nope"]), "no output named 'Nope'"),
        (lambda: seat_field(small_hall(), {"Nope": OutputSettings()}), "no output named 'Nope'"),
        (lambda: seat_field(small_hall(), seats_m=[[1.0, 2.0]]), "x, y, z"),
        (lambda: seat_field(small_hall(), seats_m=[[1.0, 2.0, np.nan]]), "seats_m must be"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_words_for_levels_are_checked():
    field = seat_field(small_hall(), seats_m=ON_AXIS)
    with pytest.raises(ValueError, match="weighting must be one of A, C"):
        field.weighted_db(weighting="Z")
    with pytest.raises(ValueError, match="which must be one of direct, useful, total"):
        field.octaves_db("late")
