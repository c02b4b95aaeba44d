"""What every seat gets, by the public calls: levels, arrivals, clarity and speech.

Paths and their sums are checked in `test_paths` and `test_superpose`; interference and
geometry against pyroomacoustics in `test_main_job.py`.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fillalign import Air, Measured, OutputSettings, plan_fills, seat_field, seat_speech
from fillalign.absorption import THIRDS_HZ
from fillalign.field import (
    Settings,
    Speech,
    output_arrivals_ms,
    speech_at,
    trace_paths,
    venue_seats,
)
from fillalign.levels import pink_band_levels_db, weighting_factors
from fillalign.precedence import echo_criterion
from fillalign.speech import (
    MODULATION_HZ,
    modulation_transfer,
    speech_octave_levels_db,
    speech_transmission_index,
)
from tests.demo_plans import demo_plan
from tests.field import lopsided as brute
from tests.field.lopsided import DIALLED, OFF, dba, lopsided
from tests.small_venue import small_hall, with_output

VENUE = lopsided()
SEATS = venue_seats(VENUE)
SHOW = VENUE.states["show"]
NAMES = list(VENUE.outputs)
SEAT = [[30.0, 4.0, 1.2]]
# 125 Hz to 8 kHz among the nine octaves.
SPEECH = slice(1, 8)


def one_main(**changes):
    hall = small_hall(**changes)
    return replace(hall, sources=hall.sources[:1] + hall.sources[2:])


@cache
def walked():
    return brute.walked(VENUE, SEATS, SHOW)


def test_the_field_holds_every_output_alone_and_all_together():
    """Asked for some, the others are silent but still arrive."""
    field = seat_field(VENUE, DIALLED, sounding=["Near", "House"])
    direct, useful, total = brute.levels(VENUE, Settings(VENUE, DIALLED), ["House", "Near"], SEATS,
                                         SHOW, walked())
    for which, wanted in (("direct", direct), ("useful", useful), ("total", total)):
        np.testing.assert_allclose(field.weighted_db(which), dba(wanted), atol=0.2)
    np.testing.assert_array_equal(field.seats_m, SEATS.points_m)
    assert field.outputs == tuple(NAMES)
    assert (field.output_direct_db[[1, 3]] == OFF).all()
    for number in (0, 2):
        alone = brute.direct_power(VENUE, DIALLED, [NAMES[number]], walked())
        level = 10 * np.log10((10 ** (field.output_direct_db[number] / 10)) @ brute.A_WEIGHTS)
        np.testing.assert_allclose(level, dba(alone), atol=0.2)
    np.testing.assert_allclose(field.arrival_ms, brute.arrivals_ms(VENUE, DIALLED, walked()))
    assert repr(field) == "SeatField(38 seats, outputs House, Low, Near, Late)"


def test_octaves_and_weightings_are_sums_of_the_thirds():
    """IEC 61672-1 weightings at the third octaves."""
    field = seat_field(VENUE, DIALLED)
    for which in ("direct", "useful", "total"):
        power = 10 ** (getattr(field, f"{which}_db") / 10)
        octaves = 10 * np.log10(power.reshape(-1, 9, 3).sum(axis=-1))
        np.testing.assert_allclose(field.octaves_db(which), octaves)
        for letter in "AC":
            level = 10 * np.log10((power * weighting_factors(THIRDS_HZ, letter)).sum(axis=-1))
            np.testing.assert_allclose(field.weighted_db(which, weighting=letter), level)


def test_a_plan_stands_for_its_venue_settings_and_air():
    plan = plan_fills(demo_plan("lantern_room").venue, air=Air(12.0, 30.0))
    assert (seat_field(plan).arrival_ms > seat_field(plan.venue, plan.settings).arrival_ms).all()
    of_plan, by_hand = seat_field(plan), seat_field(plan.venue, plan.settings, air=plan.air)
    np.testing.assert_array_equal(of_plan.total_db, by_hand.total_db)
    checked = seat_field(plan, state="check")
    np.testing.assert_array_equal(
        checked.total_db, seat_field(plan.venue, plan.settings, state="check").total_db)
    silent = {name: OutputSettings(trim_db=OFF) for name in plan.settings}
    assert (seat_field(plan, silent).total_db == OFF).all()
    np.testing.assert_array_equal(seat_speech(plan).index,
                                  seat_speech(plan.venue, plan.settings, air=plan.air).index)


def test_a_frame_has_a_row_for_every_seat():
    field = seat_field(VENUE, DIALLED)
    frame = field.frame()
    assert len(frame) == 38
    np.testing.assert_array_equal(frame[["x_m", "y_m", "z_m"]], field.seats_m)
    for which in ("direct", "useful", "total"):
        np.testing.assert_allclose(frame[f"{which}_dba"], field.weighted_db(which))
    np.testing.assert_allclose(frame["total_dbc"], field.weighted_db(weighting="C"))
    for number, name in enumerate(NAMES):
        own = dba(10 ** (field.output_direct_db[number] / 10))
        np.testing.assert_allclose(frame[f"direct_dba: {name}"], own)
        np.testing.assert_allclose(frame[f"arrival_ms: {name}"], field.arrival_ms[number])


def test_state_and_air_are_those_asked_for():
    for state, air in (("check", None), ("show", None), ("check", Air(29.0, 40.0))):
        paths = trace_paths(VENUE, SEATS, VENUE.states[state], air)
        wanted = output_arrivals_ms(paths, Settings(VENUE))
        np.testing.assert_allclose(seat_field(VENUE, state=state, air=air).arrival_ms, wanted)
    one, other = (seat_speech(VENUE, DIALLED, state=state) for state in ("check", "show"))
    assert (one.direct_to_reverberant_db != other.direct_to_reverberant_db).all()


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


def test_the_model_gives_what_was_measured_where_it_was_measured():
    hall, seat = small_hall(), (14.0, 0.0, 1.2)
    heard = replace(hall, measured=(Measured("Mains", seat, "check", level_dba=70.0),))
    field = seat_field(heard, seats_m=[seat], state="check", sounding=["Mains"])
    assert field.weighted_db("total")[0] == pytest.approx(70.0, abs=1e-5)
    by_octave = Measured("Mains", seat, "check", by_octave_db={1000: 60.0, 2000: 55.0})
    octaves = seat_field(replace(hall, measured=(by_octave,)), seats_m=[seat], state="check",
                         sounding=["Mains"]).octaves_db()
    np.testing.assert_allclose(octaves[0, 4:6], [60.0, 55.0], atol=1e-5)


def test_seat_inside_an_array_is_the_limit_of_seats_beside_it():
    """Three elements hang level: the second lies at their centre, where the tail begins."""
    hall = one_main()
    box = replace(hall.loudspeakers["main box"], elements=3, spacing_m=0.3, splay_deg=(0.0, 0.0))
    main = replace(hall.sources[0], aim_m=(14.0, -6.5, 5.0))
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "main box": box},
                   sources=(main, *hall.sources[1:]))
    place = np.subtract(main.position_m, [0.0, 0.0, 0.3])
    there, near = (seat_field(hall, seats_m=[m], sounding=["Mains"])
                   for m in (place, np.add(place, [1e-4, 0.0, 0.0])))
    np.testing.assert_allclose(there.total_db, near.total_db, atol=0.05)


def test_exchange_of_omnidirectional_source_and_seat():
    """Reciprocity of the free field (Rayleigh 1877)."""
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


def test_blocks_do_not_show():
    points = SEATS.points_m
    many = np.tile(points, (30, 1))
    assert len(many) > 1024
    whole, part = seat_field(VENUE, seats_m=many), seat_field(VENUE, seats_m=points)
    np.testing.assert_allclose(whole.total_db, np.tile(part.total_db, (30, 1)), atol=1e-5)
    np.testing.assert_allclose(whole.arrival_ms, np.tile(part.arrival_ms, 30))
    index = seat_speech(VENUE, seats_m=many).index
    np.testing.assert_allclose(index, np.tile(seat_speech(VENUE, seats_m=points).index, 30))


def spoken(sounding):
    """Return energies (s, n, 7) of speech by octave, direct and tail, and times (s, n)."""
    # Pink noise is as strong in every third; speech takes its place at the same dBA.
    pink = np.full(7, 3.0) / brute.A_WEIGHTS.sum()
    factor = 10 ** (speech_octave_levels_db(0.0) / 10) / pink
    direct, tail, time = [], [], []
    for source, wave in walked().items():
        if source.output not in sounding:
            continue
        own, output = DIALLED[source.output], VENUE.outputs[source.output]
        start = brute.serving_ms(wave) + own.delay_ms + output.latency_ms
        power = brute.direct_power(VENUE, DIALLED, [source.output], {source: wave})
        tails, _ = brute.tails(VENUE, wave, own, SEATS, SHOW, start)
        for made, energy in ((direct, power), (tail, tails)):
            made.append(energy.reshape(-1, 9, 3).sum(axis=2)[:, SPEECH] * factor)
        time.append(start)
    return np.array(direct), np.array(tail), np.array(time)


def test_speech_has_the_a_weighted_level_of_the_pink_noise_it_replaces():
    """IEC 60268-16 (from memory): with IEC 61672-1 at the octave centres, within 0.2 dB."""
    weights = 10 ** (np.array([-16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1]) / 10)
    plain = 10 ** (pink_band_levels_db(70.0, THIRDS_HZ) / 10)
    octaves = plain.reshape(9, 3).sum(axis=1)[SPEECH]
    direct, tail, _ = spoken(["House"])
    speech = speech_at(trace_paths(VENUE, SEATS, SHOW), Settings(VENUE, DIALLED))
    gain = 10 ** (DIALLED["House"].trim_db / 10)
    np.testing.assert_allclose(gain * speech.direct[:2], direct, rtol=2e-2)
    np.testing.assert_allclose(gain * speech.tail[:2], tail, rtol=2e-2)
    factor = 10 ** (speech_octave_levels_db(70.0) / 10) / octaves
    assert 10 * np.log10((weights * octaves * factor).sum()) == pytest.approx(70.0, abs=0.2)


@pytest.mark.parametrize("sounding", [NAMES, ["House", "Late"], ["Near"]])
def test_speech_index_is_that_of_the_squared_response_integrated(sounding):
    """Houtgast and Steeneken: m(F) is the Fourier transform of h^2 over its sum.

    Here a sum over 12 s in steps of 0.2 ms of arrivals with exponential tails.
    """
    direct, tail, time = spoken(sounding)
    rt60 = brute.thirds(SHOW.rt60_s).reshape(9, 3)[SPEECH, 0]
    noise = np.array(list(VENUE.goals.noise_db.values()))[SPEECH]
    step = 2e-4
    after = (np.arange(int(12 / step)) + 0.5) * step
    turn = np.exp(-2j * np.pi * np.outer(after, MODULATION_HZ))
    fall = np.exp(-13.8 * after / rt60[:, None])
    fallen = (fall / fall.sum(axis=1, keepdims=True)) @ turn
    wait = np.exp(-2j * np.pi * (time[..., None] / 1000) * np.array(MODULATION_HZ))
    found = np.einsum("snb,snf->nbf", direct, wait)
    found += np.einsum("snb,snf,bf->nbf", tail, wait, fallen)
    energy = (direct + tail).sum(axis=0)
    wanted = speech_transmission_index(np.abs(found) / energy[..., None],
                                       speech_db=10 * np.log10(energy), noise_db=noise)
    heard = seat_speech(VENUE, DIALLED, sounding=sounding)
    np.testing.assert_allclose(heard.index, wanted, atol=2e-3)
    assert 0.3 < wanted.min() < wanted.max() < 0.9


def test_clarity_counts_what_comes_within_50_ms_of_the_first_arrival():
    """ISO 3382-1, the first arrival within 20 dB of the strongest; tails by Barron and Lee."""
    direct, tail, time = spoken(NAMES)
    rt60 = brute.thirds(SHOW.rt60_s).reshape(9, 3)[SPEECH, 0]
    strength = direct.sum(axis=-1)
    first = np.where(strength >= 0.01 * strength.max(axis=0), time, np.inf).min(axis=0)
    start = np.maximum(time - first, 0.0)[..., None]
    inside = 1 - np.exp(-13.8 * np.maximum(50.0 - start, 0.0) / 1000 / rt60)
    early = (direct * (start <= 50.0) + tail * inside).sum(axis=0)
    late = (direct + tail).sum(axis=0) - early
    heard = seat_speech(VENUE, DIALLED)
    np.testing.assert_allclose(heard.clarity_db, 10 * np.log10(early / late), atol=0.1)
    ratio = 10 * np.log10(direct.sum(axis=0) / tail.sum(axis=0))
    np.testing.assert_allclose(heard.direct_to_reverberant_db, ratio, atol=0.1)
    echo = echo_criterion(direct.sum(axis=-1), time, tail.sum(axis=-1), rt60[2:4].mean(),
                          programme="speech")
    np.testing.assert_allclose(heard.echo, echo, atol=1e-3)
    assert np.isfinite(echo).any()
    np.testing.assert_array_equal(heard.seats_m, SEATS.points_m)


@pytest.mark.parametrize("noise", [None, np.full(7, 40.0)])
@pytest.mark.parametrize(("seats", "shape"), [(3, (6,)), (129, (2, 2, 6)), (300, (40, 6))])
def test_index_of_many_seats_and_gains_is_that_of_each(seats, shape, noise):
    """Sources one by one in the public closed form; outputs 1, 4 and 5 drive none of them."""
    random = np.random.default_rng(4)
    output = np.array([2, 0, 2, 0, 3])
    direct, tail = random.uniform(1e3, 1e6, (2, 5, seats, 7))
    time, rt60 = random.uniform(10.0, 200.0, (5, seats)), random.uniform(0.5, 3.0, 7)
    gains = random.uniform(0.0, 2.0, shape)
    index = Speech(tuple("abcdef"), output, direct, tail, time, rt60, noise).index(gains)
    assert index.shape == (*shape[:-1], seats)
    flat = index.reshape(-1, seats)
    for number, one in enumerate(gains.reshape(-1, 6)):
        power = one[output][:, None] ** 2
        for seat in {0, 2, min(127, seats - 1), seats // 2, seats - 1, min(128, seats - 1)}:
            parts = [energy[:, seat] * power for energy in (direct, tail)]
            modulation = modulation_transfer(parts[0], time[:, seat], parts[1], rt60)
            wanted = speech_transmission_index(
                modulation, speech_db=10 * np.log10(sum(parts).sum(axis=0)), noise_db=noise)
            assert flat[number, seat] == pytest.approx(wanted, abs=1e-12)


def test_music_has_a_window_of_80_ms_for_levels_and_clarity():
    music = replace(VENUE, programme="music")
    one, other = seat_field(VENUE, DIALLED), seat_field(music, DIALLED)
    assert (other.weighted_db("useful") > one.weighted_db("useful")).all()
    np.testing.assert_allclose(one.total_db, other.total_db)
    assert (seat_speech(music, DIALLED).clarity_db > seat_speech(VENUE, DIALLED).clarity_db).all()


def test_outdoors_everything_is_direct():
    heard = seat_speech(small_hall(outdoors=True), seats_m=SEAT, sounding=["Mains"])
    assert np.isinf(heard.direct_to_reverberant_db).all()
    assert heard.index[0] > 0.8
    assert np.isnan(heard.echo[0])


def test_silent_outputs_do_not_count():
    late = with_output(small_hall(), "Fills", latency_ms=400.0)
    one, other = (seat_speech(hall, seats_m=SEAT, sounding=["Mains"]).index[0]
                  for hall in (late, small_hall()))
    assert one == pytest.approx(other)


def test_where_nothing_sounds_there_is_no_speech():
    """No modulation arrives, so the index is 0 (IEC 60268-16), and an echo has no say."""
    off = {name: OutputSettings(trim_db=OFF) for name in small_hall().outputs}
    for silent in (seat_speech(small_hall(), sounding=[]), seat_speech(small_hall(), off)):
        assert (silent.index == 0.0).all()
        assert np.isnan(silent.echo).all()
        assert np.isnan(silent.clarity_db).all()
    assert (seat_field(small_hall(), off).total_db == OFF).all()


@pytest.mark.parametrize("call", [seat_field, seat_speech])
@pytest.mark.parametrize(("given", "words"), [
    ({"state": "party"}, "state must be one of check, show"),
    ({"sounding": ["Nope"]}, "no output named 'Nope'"),
    ({"settings": {"Nope": OutputSettings()}}, "no output named 'Nope'"),
    ({"seats_m": [[1.0, 2.0]]}, "x, y, z"),
    ({"seats_m": [[1.0, 2.0, np.nan]]}, "seats_m must be"),
    ({"seats_m": np.zeros((2, 2, 3))}, r"seats_m must have shape \(n, 3\)"),
])
def test_nonsense_is_refused(call, given, words):
    with pytest.raises(ValueError, match=words):
        call(small_hall(), **given)


@pytest.mark.parametrize("call", [seat_field, seat_speech])
@pytest.mark.parametrize(("venue", "given", "words"), [
    ("hall", {}, "venue must be a Venue"),
    (small_hall(), {"air": 20.0}, "air must be an Air"),
    (small_hall(), {"sounding": "Mains"}, "sounding must be a list of outputs, got 'Mains'"),
    (small_hall(), {"settings": 3}, "settings must be OutputSettings by output"),
])
def test_what_is_no_record_is_refused(call, venue, given, words):
    with pytest.raises(TypeError, match=words):
        call(venue, **given)


def test_words_for_levels_are_checked():
    field = seat_field(small_hall(), seats_m=SEAT)
    with pytest.raises(ValueError, match="weighting must be one of A, C"):
        field.weighted_db(weighting="Z")
    with pytest.raises(ValueError, match="which must be one of direct, useful, total"):
        field.octaves_db("late")
