"""Speech at seats: the venue's energies put by hand into the checked closed forms."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import THIRDS_HZ, OutputSettings, seat_field, seat_speech
from fillalign.field.speech import SPEECH_OVER_PINK, SpeechArrivals
from fillalign.levels import pink_band_levels_db
from fillalign.speech import modulation_transfer, speech_octave_levels_db, speech_transmission_index
from tests.small_venue import small_hall, with_output

SEAT = [[30.0, 4.0, 1.2]]
NOISE = dict.fromkeys((63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000), 50.0)


def one_main(**changes):
    hall = small_hall(**changes)
    return replace(hall, sources=hall.sources[:1] + hall.sources[2:])


def test_speech_has_the_a_weighted_level_of_the_pink_noise_it_replaces():
    # IEC 60268-16 (from memory): the spectrum's octaves sum to its A-weighted level
    # within 0.1 dB, with the A-weighting of IEC 61672-1 at octave centres.
    pink = 10 ** (pink_band_levels_db(70.0, THIRDS_HZ) / 10)
    speech = pink.reshape(9, 3).sum(axis=1)[1:8] * SPEECH_OVER_PINK
    weights = np.array([-16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])
    assert 10 * np.log10((speech * 10 ** (weights / 10)).sum()) == pytest.approx(70.0, abs=0.2)
    np.testing.assert_allclose(10 * np.log10(speech), speech_octave_levels_db(70.0), atol=1e-9)


@pytest.mark.parametrize("noise", [{}, NOISE])
def test_one_source_by_hand(noise):
    hall = one_main()
    hall = replace(hall, goals=replace(hall.goals, noise_db=noise))
    field = seat_field(hall, seats_m=SEAT, sounding=["Mains"])
    # Direct and total pink octaves from the field; the tail is what lies between.
    direct = 10 ** (field.octaves_db("direct")[0, 1:8] / 10)
    tail = 10 ** (field.octaves_db("total")[0, 1:8] / 10) - direct
    direct, tail = direct * SPEECH_OVER_PINK, tail * SPEECH_OVER_PINK
    modulation = modulation_transfer([direct], [0.0], [tail], [1.4] * 7)
    level = 10 * np.log10(direct + tail)
    wanted = speech_transmission_index(
        modulation, speech_db=level, noise_db=[50.0] * 7 if noise else None
    )
    heard = seat_speech(hall, seats_m=SEAT, sounding=["Mains"])
    assert heard.index[0] == pytest.approx(wanted, abs=1e-9)
    ratio = 10 * np.log10(direct / tail)
    np.testing.assert_allclose(heard.direct_to_reverberant_db[0], ratio, atol=1e-6)
    share = 1 - np.exp(-13.8 * 0.05 / 1.4)
    clarity = 10 * np.log10((direct + share * tail) / ((1 - share) * tail))
    np.testing.assert_allclose(heard.clarity_db[0], clarity, atol=1e-6)


@pytest.mark.parametrize("noise", [None, np.full(7, 40.0)])
@pytest.mark.parametrize(("seats", "shape"), [(3, (6,)), (129, (2, 2, 6)), (300, (40, 6))])
def test_index_of_many_seats_and_gains_is_that_of_each(seats, shape, noise):
    """Sources one by one in the public closed form; outputs 1, 4 and 5 drive none of them."""
    random = np.random.default_rng(4)
    output = np.array([2, 0, 2, 0, 3])
    direct, tail = random.uniform(1e3, 1e6, (2, 5, seats, 7))
    time, rt60 = random.uniform(10.0, 200.0, (5, seats)), random.uniform(0.5, 3.0, 7)
    gains = random.uniform(0.0, 2.0, shape)
    heard = SpeechArrivals(direct, tail, time, rt60, output, noise)
    index = heard.index(gains)
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


def test_noise_lowers_and_a_late_fill_lowers_it_too():
    hall = small_hall()
    noisy = replace(hall, goals=replace(hall.goals, noise_db=dict.fromkeys(NOISE, 70.0)))
    quiet = seat_speech(hall, seats_m=SEAT, sounding=["Mains"]).index[0]
    assert seat_speech(noisy, seats_m=SEAT, sounding=["Mains"]).index[0] < quiet - 0.2
    timed = seat_speech(hall, {"Fills": OutputSettings(delay_ms=66.0, trim_db=-6)}, seats_m=SEAT)
    late = seat_speech(hall, {"Fills": OutputSettings(delay_ms=166.0, trim_db=-6)}, seats_m=SEAT)
    assert timed.index[0] > quiet + 0.02
    assert late.index[0] < timed.index[0] - 0.06
    assert late.echo[0] > 0.6
    assert np.isnan(timed.echo[0])


def test_trim_and_low_cut_count():
    hall = small_hall()
    base = {"Fills": OutputSettings(delay_ms=66.0)}
    loud = seat_speech(hall, base, seats_m=SEAT)
    soft = seat_speech(hall, {"Fills": OutputSettings(delay_ms=66.0, trim_db=-12)}, seats_m=SEAT)
    cut = seat_speech(hall, {"Fills": OutputSettings(delay_ms=66.0, low_cut_hz=250.0)},
                      seats_m=SEAT)
    assert loud.direct_to_reverberant_db[0, 3] > soft.direct_to_reverberant_db[0, 3]
    change = cut.direct_to_reverberant_db[0] - loud.direct_to_reverberant_db[0]
    assert abs(change[0]) > 10 * abs(change[-1])


def test_trim_is_the_same_as_a_softer_box():
    hall = small_hall()
    kind = hall.loudspeakers["fill box"]
    soft = replace(hall, loudspeakers={**hall.loudspeakers, "fill box": replace(
        kind, level_dba=kind.level_dba - 12.0)})
    trimmed = {"Fills": OutputSettings(delay_ms=66.0, trim_db=-12.0)}
    untrimmed = {"Fills": OutputSettings(delay_ms=66.0)}
    one = seat_speech(hall, trimmed, seats_m=SEAT)
    other = seat_speech(soft, untrimmed, seats_m=SEAT)
    assert one.index[0] == pytest.approx(other.index[0], abs=1e-9)
    np.testing.assert_allclose(one.clarity_db, other.clarity_db, atol=1e-9)


def test_outdoors_everything_is_direct():
    field = small_hall(outdoors=True)
    heard = seat_speech(field, seats_m=SEAT, sounding=["Mains"])
    assert np.isinf(heard.direct_to_reverberant_db).all()
    assert heard.index[0] > 0.8
    assert np.isnan(heard.echo[0])


def test_silent_outputs_do_not_count():
    hall = with_output(small_hall(), "Fills", latency_ms=400.0)
    assert seat_speech(hall, seats_m=SEAT, sounding=["Mains"]).index[0] == pytest.approx(
        seat_speech(small_hall(), seats_m=SEAT, sounding=["Mains"]).index[0]
    )


def test_where_nothing_sounds_there_is_no_speech():
    # No modulation arrives, so the index is 0 (IEC 60268-16), and an echo has no say.
    off = {name: OutputSettings(trim_db=-np.inf) for name in small_hall().outputs}
    for silent in (seat_speech(small_hall(), sounding=[]), seat_speech(small_hall(), off)):
        assert (silent.index == 0.0).all()
        assert np.isnan(silent.echo).all()
        assert np.isnan(silent.clarity_db).all()


def test_blocks_do_not_show():
    hall = small_hall()
    seats = np.tile(SEAT, (1500, 1))
    index = seat_speech(hall, seats_m=seats).index
    np.testing.assert_allclose(index, index[0])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: seat_speech(small_hall(), state="party"), "state must be one of check, show"),
        (lambda: seat_speech(small_hall(), sounding=["Nope"]), "no output named 'Nope'"),
        (lambda: seat_speech(small_hall(), seats_m=[[1.0, 2.0]]), "x, y, z"),
    ],
)
def test_nonsense_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
