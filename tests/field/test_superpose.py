"""Outputs together, against brute force: many frequencies a third octave, feeds by power."""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import signal

from fillalign import Loudspeaker, Measured, OutputSettings, seat_field
from fillalign.absorption import THIRDS_HZ
from fillalign.field import (
    Settings,
    direct_power,
    filter_power,
    measured_shifts_db,
    place_among_seats,
    single_points,
    superpose,
    trace_elements,
    trace_paths,
    venue_seats,
)
from fillalign.filters import shelf_response
from tests.demo_plans import VENUES, demo_plan
from tests.field import lopsided as brute
from tests.field.lopsided import DIALLED, OCTAVES, OFF, dba, lopsided
from tests.small_venue import small_hall, with_output

VENUE = lopsided()
SEATS = venue_seats(VENUE)
SHOW = VENUE.states["show"]
SETTINGS = Settings(VENUE, DIALLED)
NAMES = list(VENUE.outputs)


def db(power):
    return 10 * np.log10(power)


@cache
def walked(state="show"):
    return brute.walked(VENUE, SEATS, VENUE.states[state])


def field_of(settings=SETTINGS, sounding=None, state="show"):
    return superpose(trace_paths(VENUE, SEATS, VENUE.states[state]), settings, sounding=sounding)


@pytest.mark.parametrize(("sounding", "state"), [
    (NAMES, "show"), (["House", "Late"], "check"),
    *(pytest.param(several, state, marks=pytest.mark.long) for several, state in (
        (["Near", "Late"], "show"), (["House"], "show"), (["House", "Late"], "show"),
        (NAMES, "check"), (["Near", "Late"], "check"), (["House"], "check"))),
])
def test_levels_and_arrivals_by_hand(sounding, state):
    """Direct, useful and total: travel, wind, air, shadow, filters, feeds, window and tails."""
    seats, where = SEATS, VENUE.states[state]
    direct, useful, total = brute.levels(VENUE, SETTINGS, sounding, seats, where, walked(state))
    field = field_of(sounding=sounding, state=state)
    gains = field.gains()
    for found, wanted in ((field.direct(gains), direct), (field.useful(gains), useful),
                          (field.total(gains), total)):
        assert np.quantile(np.abs(db(found / wanted)), 0.99) < 1.2
        assert np.abs(dba(found) - dba(wanted)).max() < 0.2
    # Of the room alone, without what interference leaves open.
    np.testing.assert_allclose(field.total(gains) - field.direct(gains), total - direct, rtol=3e-2)
    arrival = dict(zip(NAMES, brute.arrivals_ms(VENUE, SETTINGS, walked(state)), strict=True))
    wanted = [arrival[name] for name in field.outputs]
    np.testing.assert_allclose(field.arrival_ms, wanted, rtol=1e-12)


def test_the_early_window_opens_once_at_a_seats_first_arrival():
    """Of a box that comes late in the window less of its tail is in it; later, none.

    One window a source would leave that share the same at any delay.
    """
    shares = []
    for wait in (0.0, 20.0, 40.0, 90.0):
        late = Settings(VENUE, {"Late": OutputSettings(delay_ms=wait, trim_db=-3.0)})
        field = field_of(late, ["House", "Late"])
        starts = np.stack([walked()[source].time_ms[0] for source in VENUE.sources[4:]])
        starts = starts + wait + VENUE.outputs["Late"].latency_ms - field.first_ms
        left = np.clip(50.0 - starts, 0.0, 50.0)[..., None] / 1000
        share = 1 - np.exp(-13.8 * left / brute.thirds(SHOW.rt60_s))
        found = field.early[1] / (field.early[1] + field.late[1])
        assert (found <= share.max(axis=0) + 1e-9).all()
        assert (found >= share.min(axis=0) - 1e-9).all()
        shares.append(found[SEATS.area == 0].mean())
    assert (np.diff(shares) < -0.02).all()


def test_an_arrival_too_weak_to_count_opens_no_window():
    """10 dB and more below the loudest (common practice); trims decide that, not boxes alone."""
    first, loud = (replace(DIALLED["Low"], delay_ms=wait, trim_db=0.0) for wait in (0.0, 90.0))
    for trim, opens in ((0.0, True), (-40.0, False)):
        settings = Settings(VENUE, {"Near": replace(first, trim_db=trim), "House": loud,
                                    "Low": replace(first, trim_db=OFF)})
        field = field_of(settings, ["House", "Near"])
        gallery = SEATS.area == 1
        near = field.outputs.index("Near")
        assert (field.first_ms == field.arrival_ms[near])[gallery].all() == opens
        assert field.in_time[near].all()


def test_outputs_of_one_feed_interfere_and_feeds_add_by_power():
    """Equal arrivals at the middle seat: in phase 6.02 dB over one, by power 3.01."""
    hall = small_hall(outdoors=True)
    middle = [[14.0, 0.0, 1.2]]
    levels = {}
    for feed in ("mono", "left"):
        other = replace(hall.outputs["Mains"], name="Other", feed=feed)
        venue = replace(hall, outputs={**hall.outputs, "Other": other},
                        sources=(replace(hall.sources[0], output="Other"), *hall.sources[1:]))
        levels[feed] = seat_field(venue, seats_m=middle, sounding=["Mains", "Other"]).direct_db
    one = seat_field(hall, seats_m=middle, sounding=["Mains"]).direct_db
    np.testing.assert_allclose(levels["mono"], one, atol=1e-5)
    np.testing.assert_allclose(levels["mono"] - levels["left"], db(2.0), atol=1e-5)


@pytest.mark.parametrize("cut", [
    OutputSettings(delay_ms=40.0, low_cut_hz=120.0, low_cut_order=8),
    OutputSettings(delay_ms=3.0, low_cut_hz=200.0, polarity="inverted"),
    OutputSettings(delay_ms=1.0, low_cut_hz=90.0, low_cut_order=2, low_cut_kind="butterworth"),
    OutputSettings(delay_ms=0.4, shelf_db=6.0, shelf_hz=900.0),
], ids=["order 8", "inverted", "butterworth", "shelf"])
def test_filters_turn_the_phase_of_one_of_two_outputs(cut):
    """Two equal boxes at one seat, one through filters: scipy's, on a fine grid."""
    hall = small_hall(outdoors=True)
    venue = replace(
        hall, outputs={**hall.outputs, "Other": replace(hall.outputs["Mains"], name="Other")},
        sources=(replace(hall.sources[0], output="Other"), *hall.sources[1:]))
    seat = [[14.0, 0.0, 1.2]]
    both = seat_field(venue, {"Other": cut}, seats_m=seat, sounding=["Mains", "Other"]).direct_db
    alone = seat_field(venue, seats_m=seat, sounding=["Mains"]).direct_db
    wanted = []
    for band in range(27):
        grid = brute.inside(band, 4000)
        turned = brute.response(cut, grid) * np.exp(-2j * np.pi * grid * cut.delay_ms / 1000)
        wanted.append(db((np.abs(1 + turned) ** 2).mean()))
    np.testing.assert_allclose((both - alone)[0], wanted, atol=0.1)


def test_filters_by_band_against_an_analogue_filter():
    """Mean power of scipy's Butterworth with a shelf over each band on a fine grid."""
    own = OutputSettings(low_cut_hz=90.0, low_cut_order=4, low_cut_kind="butterworth",
                         shelf_db=5.0, shelf_hz=700.0, polarity="inverted", delay_ms=7.0,
                         trim_db=-9.0)
    b, a = signal.butter(4, 2 * np.pi * 90.0, "high", analog=True)
    wanted = []
    for band in range(27):
        grid = brute.inside(band, 2000)
        cut = signal.freqs(b, a, 2 * np.pi * grid)[1]
        wanted.append((np.abs(cut * shelf_response(grid, 700.0, 5.0)) ** 2).mean())
    np.testing.assert_allclose(db(filter_power(own)), db(np.array(wanted)), atol=0.07)
    np.testing.assert_array_equal(filter_power(OutputSettings(trim_db=-4.0)), 1.0)


def test_what_cancels_through_a_low_cut_cancels_below_its_corner_too():
    """Two boxes of one output half a wave apart: deep in the stop band the sum is still nought."""
    hall = small_hall(outdoors=True)
    seat = [[14.0, 2.35, 1.2]]
    for source in hall.sources[:2]:
        assert source.output == "Mains"
    settings = Settings(hall, {"Mains": OutputSettings(low_cut_hz=250.0)})
    paths = trace_paths(hall, single_points(np.array(seat)), hall.states["show"])
    found = superpose(paths, settings, sounding=["Mains"])
    heard = brute.walked(hall, paths.seats, hall.states["show"])
    wanted = brute.direct_power(hall, settings, ["Mains"], heard)
    lows = slice(0, 12)
    np.testing.assert_allclose(db(found.direct(found.gains()))[0, lows], db(wanted)[0, lows],
                               atol=0.5)
    assert np.ptp(db(wanted / found.paths.power[:2].sum(axis=0))[0, lows]) > 6.0


def test_trims_only_weigh():
    """Direct power is quadratic in the gains, whether alike at all seats or not; tails add."""
    field, rng = field_of(), np.random.default_rng(3)
    for gains in (rng.uniform(0.0, 2.0, 4), rng.uniform(0.0, 2.0, (4, len(SEATS)))):
        weights = np.broadcast_to(gains.reshape(4, -1), (4, len(SEATS)))[..., None]
        wanted = (weights**2 * field.own).sum(axis=0)
        for (one, other), shared in field.cross.items():
            wanted = wanted + 2 * weights[one] * weights[other] * shared
        np.testing.assert_allclose(field.direct(gains), wanted, rtol=1e-6)
    gains = rng.uniform(0.0, 2.0, 4)
    tails = (gains[:, None, None] ** 2 * (field.early + field.late)).sum(axis=0)
    np.testing.assert_allclose(field.total(gains), field.direct(gains) + tails)
    early = (gains[:, None, None] ** 2 * field.early).sum(axis=0)
    in_time = field.direct(gains[:, None] * field.in_time)
    np.testing.assert_allclose(field.useful(gains), in_time + early)
    assert set(field.cross) == {(0, 1), (0, 3), (1, 3)}


def test_a_louder_trim_is_a_louder_box():
    louder = {name: replace(box, level_dba=box.level_dba + 7.0) if box.level_dba else box
              for name, box in VENUE.loudspeakers.items()}
    trimmed = SETTINGS
    for name in ("House", "Near", "Late"):
        trimmed = trimmed.replaced(name, trim_db=SETTINGS[name].trim_db + 7.0)
    venue = replace(VENUE, loudspeakers=louder)
    one, other = seat_field(VENUE, trimmed), seat_field(venue, SETTINGS)
    for name in ("direct_db", "useful_db", "total_db"):
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=1e-5)


def test_what_needs_help_is_useful_sound_in_a_room_and_direct_sound_outdoors():
    outdoors = lopsided(outdoors=True)
    open_field = superpose(trace_paths(outdoors, SEATS, outdoors.states["show"]), SETTINGS)
    room_field = field_of()
    gains = room_field.gains()
    np.testing.assert_array_equal(room_field.heard(gains), room_field.useful(gains))
    np.testing.assert_array_equal(open_field.heard(gains), open_field.direct(gains))
    np.testing.assert_array_equal(open_field.total(gains), open_field.direct(gains))


def test_an_output_that_is_off_is_silent_and_opens_no_window():
    off = SETTINGS.replaced("House", trim_db=OFF)
    field, without = field_of(off), field_of(sounding=["Low", "Near", "Late"])
    assert field.outputs == ("Low", "Near", "Late")
    for name in ("own", "early", "late", "arrival_ms", "first_ms"):
        np.testing.assert_array_equal(getattr(field, name), getattr(without, name))
    # Asked for all the same it is there, at no gain.
    asked = field_of(off, NAMES)
    gains = asked.gains()
    assert gains[0] == 0.0
    np.testing.assert_allclose(asked.direct(gains), field.direct(field.gains()), rtol=1e-6)
    np.testing.assert_allclose(asked.first_ms, field.first_ms)
    none = field_of(sounding=[])
    assert none.outputs == ()
    assert not none.total(none.gains()).any()


def test_gains_of_those_named_are_as_set_and_of_the_rest_nought():
    field = field_of()
    np.testing.assert_allclose(field.gains(["Near", "Low"]), [0, 10**0.1, 10 ** (-4.5 / 20), 0])
    np.testing.assert_allclose(db(field.gains() ** 2), [-1.5, 2.0, -4.5, -2.5])
    for number, name in enumerate(NAMES):
        alone = brute.direct_power(VENUE, SETTINGS, [name], walked())
        level = dba(alone) - SETTINGS[name].trim_db
        np.testing.assert_allclose(field.level_dba[number], level, atol=0.2)


def test_the_direct_power_alone_is_that_of_the_whole_field():
    field = field_of()
    moved = SETTINGS.replaced("Late", delay_ms=44.0).replaced("Near", trim_db=-1.0)
    fresh = superpose(field.paths, moved, sounding=["House", "Late"])
    np.testing.assert_allclose(direct_power(field.paths, moved, ["House", "Late"]),
                               fresh.direct(fresh.gains()))


@pytest.mark.parametrize("known", [["House"], ["House", "Late"], ["Near", "Low"], NAMES, []])
def test_what_is_known_of_some_outputs_may_be_handed_on(known):
    """At other trims of theirs, with others beside them that it knows nothing of."""
    fresh = field_of(sounding=NAMES)
    before = superpose(fresh.paths, SETTINGS.replaced(*known, trim_db=-7.0), sounding=known)
    found = superpose(fresh.paths, SETTINGS, sounding=NAMES, known=before)
    gains = np.array([0.3, 1.1, 0.8, 0.5])
    for name in ("own", "early", "late", "arrival_ms", "first_ms", "in_time"):
        np.testing.assert_allclose(getattr(found, name), getattr(fresh, name), rtol=1e-5)
    np.testing.assert_allclose(found.direct(gains), fresh.direct(gains), rtol=1e-5)


def shift_by_hand(venue, reading):
    """Return the shift of one reading in dB by third: the state's own air, wind and decay."""
    state = venue.states[reading.state]
    seat = place_among_seats(venue, np.array(reading.at_m))
    heard = brute.walked(replace(venue, measured=()), seat, state)
    plain = dict.fromkeys(NAMES, OutputSettings())
    _, _, total = brute.levels(venue, plain, [reading.output], seat, state, heard)
    if reading.level_dba is not None:
        return np.full(27, reading.level_dba - dba(total)[0])
    octaves = db(total[0].reshape(9, 3).sum(axis=1))
    return brute.thirds({octave: reading.by_octave_db[octave] - own
                         for octave, own in zip(OCTAVES, octaves, strict=True)
                         if octave in reading.by_octave_db})


READINGS = (
    Measured("House", (12.0, 2.0, 1.2), "check", level_dba=91.0),
    Measured("House", (24.0, -3.0, 3.2), "show", level_dba=79.0),
    Measured("Near", (25.5, 4.6, 3.1), "check", by_octave_db={250: 63.0, 2000: 66.5}),
    Measured("Late", (9.5, -9.5, 0.6), "show", level_dba=95.0),
)


def test_measured_levels_shift_the_model_by_the_mean_of_each_outputs_readings():
    """Each in its own state and in the shadow of the seats that it was taken among."""
    venue = lopsided(measured=READINGS)
    first, second, near, late = (shift_by_hand(venue, reading) for reading in READINGS)
    assert np.ptp([first[0], second[0]]) > 2.0
    wanted = [(first + second) / 2, np.zeros(27), near, late]
    np.testing.assert_allclose(measured_shifts_db(venue), wanted, atol=0.1)
    np.testing.assert_array_equal(measured_shifts_db(VENUE), np.zeros((4, 27)))


def test_a_shift_moves_levels_and_tails_alike_and_what_counts_as_an_arrival():
    venue = lopsided(measured=READINGS)
    shift = measured_shifts_db(venue)
    bare, moved = (trace_paths(one, SEATS, SHOW) for one in (VENUE, venue))
    factor = 10 ** (shift[bare.source_output] / 10)
    np.testing.assert_allclose(moved.power, bare.power * factor[:, None], rtol=1e-6)
    np.testing.assert_allclose(moved.tail_power, bare.tail_power * factor, rtol=1e-6)
    np.testing.assert_allclose(moved.level_dba, dba(moved.power), atol=1e-6)
    gains = np.ones(4)
    one, other = (superpose(paths, SETTINGS) for paths in (bare, moved))
    factor = 10 ** (shift / 10)
    np.testing.assert_allclose(other.own, one.own * factor[:, None], rtol=1e-4)
    for pair, shared in one.cross.items():
        both = np.sqrt(factor[pair[0]] * factor[pair[1]])
        np.testing.assert_allclose(other.cross[pair], shared * both, rtol=1e-4)
    assert (other.first_ms != one.first_ms).any()
    assert (np.abs(dba(other.direct(gains)) - dba(one.direct(gains))) > 0.5).any()


def test_a_reading_of_what_the_model_gives_moves_nothing():
    """In a shadow too (definition of the shift)."""
    seat = SEATS.points_m[18]
    paths = trace_paths(VENUE, SEATS, VENUE.states["check"])
    field = superpose(paths, Settings(VENUE), sounding=["House"])
    level = dba(field.total(np.ones(1)))[18]
    reading = Measured("House", tuple(seat), "check", level_dba=float(level))
    np.testing.assert_allclose(measured_shifts_db(lopsided(measured=[reading])), 0.0, atol=1e-5)


def test_a_reading_in_an_octave_that_a_box_does_not_play_moves_nothing_there():
    """A shift multiplies, and no factor makes a sound of nothing."""
    reading = Measured("Low", (9.0, 0.0, 1.2), "check", by_octave_db={125: 70.0, 4000: 60.0})
    venue = lopsided(measured=[reading])
    shift = measured_shifts_db(venue)[1]
    assert not shift[15:].any()
    assert not shift[:3].any()
    assert np.ptp(shift[3:6]) == 0.0
    assert abs(shift[3]) > 1.0
    assert np.isfinite(superpose(trace_paths(venue, SEATS, SHOW), SETTINGS).own).all()


def test_settings_hold_every_output_and_never_change():
    settings = Settings(replace(with_output(VENUE, "Near", polarity="inverted"),
                                hold_back_ms=12.5), {"Low": DIALLED["Low"]})
    assert list(settings) == NAMES
    assert len(settings) == 4
    assert settings["Low"] is DIALLED["Low"]
    resting = OutputSettings(delay_ms=12.5)
    assert settings["House"] == settings["Late"] == resting
    assert settings["Near"] == replace(resting, polarity="inverted")
    changed = settings.replaced("House", "Near", trim_db=-3.0)
    assert settings["House"].trim_db == 0.0
    assert [changed[name].trim_db for name in NAMES] == [-3.0, 2.0, -3.0, 0.0]
    assert changed["Near"].polarity == "inverted"
    assert changed != settings
    assert Settings(VENUE, dict(settings)) == settings
    with pytest.raises(TypeError, match="does not support item assignment"):
        settings["Low"] = resting


def test_settings_rest_at_what_an_outputs_device_has():
    """The first low cut in the list of the device."""
    output = replace(VENUE.outputs["Near"], low_cut_kinds=("butterworth", "linkwitz-riley"),
                     low_cut_orders=(2, 8))
    venue = replace(VENUE, outputs={**VENUE.outputs, "Near": output})
    own = Settings(venue)["Near"]
    assert (own.low_cut_hz, own.low_cut_kind, own.low_cut_order) == (None, "butterworth", 2)


def test_settings_tell_what_sounds_and_how_loud():
    settings = SETTINGS.replaced("Near", trim_db=OFF)
    assert [settings.sounds(name) for name in NAMES] == [True, True, False, True]
    np.testing.assert_allclose(settings.gains(["Late", "Near", "Low"]),
                               [10 ** (-2.5 / 20), 0.0, 10**0.1])
    assert settings.gains([]).tolist() == []


@pytest.mark.parametrize("call", [
    lambda: Settings(VENUE, {"Nope": OutputSettings()}),
    lambda: SETTINGS.replaced("Nope", trim_db=0.0),
    lambda: SETTINGS.replaced("House", "Nope"),
])
def test_settings_refuse_outputs_that_are_not_there(call):
    with pytest.raises(ValueError, match="no output named 'Nope'; there are House, Low, Near"):
        call()


def test_settings_refuse_what_is_not_a_setting():
    with pytest.raises(TypeError, match="gain_db"):
        SETTINGS.replaced("House", gain_db=1.0)
    with pytest.raises(TypeError, match="settings must be an OutputSettings, got float"):
        Settings(VENUE, {"House": 3.0})


def test_a_box_that_plays_some_octaves_adds_nothing_elsewhere():
    horn = Loudspeaker("spot", (90, 60), 114.0, level_by_octave_db=dict.fromkeys(
        (500, 1000, 2000), 84.0))
    venue = replace(VENUE, loudspeakers={**VENUE.loudspeakers, "spot": horn})
    field = superpose(trace_paths(venue, SEATS, SHOW), SETTINGS)
    plays = (THIRDS_HZ > 350) & (THIRDS_HZ < 2850)
    assert (field.own[2] > 0).all(axis=0).tolist() == plays.tolist()


def test_interference_between_outputs_is_the_public_law(monkeypatch):
    """Break it and see the field change."""
    before = field_of()
    monkeypatch.setattr(sys.modules["fillalign.field.superpose"], "cross_power",
                        lambda first, *_: np.zeros(first.shape))
    after = field_of()
    assert all(not shared.any() for shared in after.cross.values())
    assert any(shared.any() for shared in before.cross.values())
    apart = brute.direct_power(VENUE, SETTINGS, ["House"], {
        source: wave for source, wave in walked().items() if source.name == "Hang"})
    apart += brute.direct_power(VENUE, SETTINGS, ["House"], {
        source: wave for source, wave in walked().items() if source.name == "Horn"})
    np.testing.assert_allclose(db(after.own[0] * after.gains()[0] ** 2), db(apart), atol=0.15)


@pytest.mark.parametrize("count", [15, pytest.param(60, marks=pytest.mark.long)])
@pytest.mark.parametrize("every", [False, True])
@pytest.mark.parametrize("name", VENUES)
def test_demo_venues_against_brute_force(name, every, count):
    """As planned and with every output on; 400 frequencies a third octave."""
    plan = demo_plan(name)
    venue, settings = plan.venue, plan.settings
    if every:
        off = [output for output in settings if not settings.sounds(output)]
        settings = settings.replaced(*off, trim_db=-6.0)
    seats = venue_seats(venue)
    seats = seats.take(np.random.default_rng(7).permutation(len(seats))[:count])
    paths = trace_paths(venue, seats, venue.states["show"], plan.air)
    field = superpose(paths, settings)
    found = field.direct(field.gains())
    shift = 10 ** (measured_shifts_db(venue)[paths.source_output] / 20)
    heard = {}
    for source, factor in zip(venue.sources, shift, strict=True):
        one = trace_elements(venue, source, seats, venue.states["show"], plan.air)
        heard[source] = brute.Waves(one.amplitude * factor, one.time_ms, one.middle_m, None)
    wanted = brute.direct_power(venue, settings, field.outputs, heard)
    error = np.abs(db(found / wanted))
    arrays = any(venue.loudspeakers[source.loudspeaker].elements > 1 for source in venue.sources)
    assert np.quantile(error, 0.99) < (1.2 if arrays else 0.5)
    assert arrays or error.max() < 0.5
    assert np.abs(dba(found) - dba(wanted)).max() < 0.2
