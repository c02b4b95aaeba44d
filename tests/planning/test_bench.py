"""The bench: what it keeps and shares is what fresh paths and the public maps give."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import Measured, OutputSettings, plan_fills, seat_field, seat_speech
from fillalign.field.paths import venue_seats
from fillalign.field.superpose import gains_of
from fillalign.planning import bench as made
from fillalign.planning.bench import make_bench
from tests.small_venue import small_hall

SETTINGS = {
    "Mains": OutputSettings(delay_ms=2.0, trim_db=-2.0, low_cut_hz=80.0),
    "Fills": OutputSettings(delay_ms=61.0, trim_db=-5.0, shelf_db=3.0, polarity="inverted"),
}
NAMES = ["Mains", "Fills"]


def measured_hall():
    """Return the hall with a reading of each output and more seats than decisions need."""
    hall = small_hall(noise_db={500: 45.0})
    areas = tuple(replace(area, seat_spacing_m=1.0) for area in hall.areas)
    return replace(hall, areas=areas, measured=(
        Measured("Mains", (14.0, 0.0, 1.2), "check", level_dba=78.0),
        Measured("Fills", (30.0, 0.0, 1.2), "check", by_octave_db={250: 70.0, 2000: 60.0}),
    ))


def bench_of(hall):
    return make_bench(hall, hall.states["show"].air)


@pytest.mark.parametrize("block", [1024, 30])
def test_parts_and_the_whole_hear_what_the_seat_field_hears(monkeypatch, block):
    monkeypatch.setattr(made, "BLOCK", block)
    hall = measured_hall()
    bench = bench_of(hall)
    assert (bench.every is None) == (block == 30)
    for sounding in (NAMES, ["Fills"], ["Mains"]):
        for part in (bench, bench.part(("back",)), bench.part(("front",)), bench):
            field = seat_field(hall, SETTINGS, seats_m=part.paths.seats.points_m,
                               sounding=sounding)
            mix = part.mix(SETTINGS, sounding)
            gains = gains_of(SETTINGS, mix.outputs, sounding)
            for found, wanted in ((mix.direct, field.direct_db), (mix.useful, field.useful_db),
                                  (mix.total, field.total_db)):
                np.testing.assert_allclose(10 * np.log10(found(gains)), wanted, atol=1e-7)
            dba = 10 * np.log10(part.direct_dba(SETTINGS, sounding))
            np.testing.assert_allclose(dba, field.weighted_db("direct"), atol=1e-7)


@pytest.mark.parametrize("block", [1024, 30])
def test_blocks_hold_every_seat_once(monkeypatch, block):
    monkeypatch.setattr(made, "BLOCK", block)
    hall = small_hall()
    found = list(bench_of(hall).blocks())
    seats = np.concatenate([paths.seats.points_m for _, _, paths in found])
    np.testing.assert_array_equal(seats, venue_seats(hall).points_m)
    starts = np.cumsum([0, *(len(paths.seats) for _, _, paths in found)])
    assert [start for start, _, _ in found] == starts[:-1].tolist()
    assert len({id(cache) for _, cache, _ in found}) == len(found)
    wanted = seat_field(hall).arrival_ms
    arrived = np.concatenate([paths.serving_ms for _, _, paths in found], axis=1)
    np.testing.assert_allclose(arrived[0:2].min(axis=0) + 2.0, wanted[0], atol=5.0)


def test_paths_that_serve_all_make_the_plan_of_paths_traced_apart(monkeypatch):
    hall = measured_hall()
    shared = plan_fills(hall)
    monkeypatch.setattr(made, "BLOCK", 30)
    apart = plan_fills(hall)
    assert shared.settings == apart.settings
    for name in vars(shared.checks):
        np.testing.assert_allclose(
            getattr(shared.checks, name), getattr(apart.checks, name), atol=1e-7, err_msg=name)
    field = seat_field(hall, shared.settings, seats_m=shared.checks.point_m)
    np.testing.assert_allclose(shared.checks.level_dba, field.weighted_db(), atol=1e-7)
    speech = seat_speech(hall, shared.settings, seats_m=shared.checks.point_m)
    np.testing.assert_allclose(shared.checks.speech_after, speech.index, atol=1e-9)


def test_speech_of_a_row_is_the_mean_of_its_three_seats():
    hall = measured_hall()
    bench = bench_of(hall)
    seats = bench.paths.seats.points_m[bench.speech_seats]
    quiet = {**SETTINGS, "Fills": replace(SETTINGS["Fills"], trim_db=-20.0)}
    for settings in (SETTINGS, quiet, SETTINGS):
        index = seat_speech(hall, settings, seats_m=seats).index
        wanted = [index[bench.row_of_seat[bench.speech_seats] == row].mean()
                  for row in range(len(bench.row_x_m))]
        found = bench.row_index(settings, gains_of(settings, NAMES, NAMES))
        np.testing.assert_allclose(found, wanted, atol=1e-9)
    assert np.bincount(bench.row_of_seat[bench.speech_seats]).tolist() == [3] * len(bench.row_x_m)


def test_mean_of_a_row_is_over_its_seats():
    bench = bench_of(small_hall())
    power = np.random.default_rng(3).uniform(size=(len(bench.paths.seats), 2, 3))
    wanted = [power[bench.row_of_seat == row].mean(axis=0) for row in range(len(bench.row_x_m))]
    np.testing.assert_allclose(bench.row_mean(power), wanted)
    x_m = bench.row_mean(bench.paths.seats.row_x_m)
    np.testing.assert_allclose(x_m, bench.row_x_m)


def test_rows_run_from_front_to_back_whatever_their_area():
    hall = small_hall()
    balcony = replace(hall.areas[0], name="balcony", x_from_m=11.0, x_to_m=13.0, floor_m=4.0)
    bench = bench_of(replace(hall, areas=(*hall.areas, balcony)))
    assert (np.diff(bench.row_x_m) > 0).all()
    assert bench.row_x_m[bench.rows_in(("balcony",))].tolist() == [11.0, 13.0]
    inside = bench.seats_in(("balcony",))
    assert {*bench.row_x_m[bench.row_of_seat[inside]]} == {11.0, 13.0}
    assert bench.row_area[bench.row_of_seat].tolist() == bench.paths.seats.area.tolist()


def test_once_is_for_the_same_settings_of_every_output_and_the_same_key():
    bench, calls = bench_of(small_hall()), []

    def ask(settings, key="key", what="what"):
        return bench.once(what, settings, key, lambda: calls.append(key) or len(calls))

    louder = {**SETTINGS, "Fills": replace(SETTINGS["Fills"], trim_db=-4.5)}
    asked = [ask(SETTINGS), ask(louder), ask(SETTINGS, "other"), ask(SETTINGS, what="more")]
    assert asked == [1, 2, 3, 4]
    assert [ask({**SETTINGS}), ask(louder), ask(SETTINGS, "other")] == [1, 2, 3]


@pytest.mark.parametrize(("goal", "rows"), [
    ((10.0, 14.0), [10.0, 12.0, 14.0]), ((21.0, 21.5), [20.0]), (None, [12.0, 14.0, 16.0])])
def test_reference_rows_are_those_asked_for_or_next_to_the_aim_of_the_mains(goal, rows):
    bench = bench_of(small_hall(reference_rows_m=goal))
    assert bench.row_x_m[bench.reference_rows].tolist() == rows
