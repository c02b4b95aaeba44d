"""Paths before settings, walked again one by one in a venue in which nothing is alike."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest
from scipy import signal

from fillalign import Air, Loudspeaker, OutputSettings
from fillalign.absorption import THIRDS_HZ
from fillalign.field import (
    by_thirds,
    output_roles,
    place_among_seats,
    single_points,
    trace_elements,
    trace_paths,
    venue_seats,
)
from fillalign.field.paths import (
    SUB_BAND,
    SUB_CENTRE_HZ,
    SUB_SHARE,
    SUB_WIDTH_HZ,
    band_levels_1m_db,
    third_means,
)
from fillalign.levels import pink_band_levels_db
from tests.field.lopsided import (
    HIGH,
    LOW,
    OCTAVES,
    OFF,
    dba,
    lopsided,
    placed,
    serving_ms,
    together,
    waves,
)

VENUE = lopsided()
SEATS = venue_seats(VENUE)
PLAIN = OutputSettings()
SOURCES = [source.name for source in VENUE.sources]


@cache
def walked(name, state="show"):
    """Return the waves of one source, by brute force."""
    return waves(VENUE, VENUE.sources[SOURCES.index(name)], SEATS, VENUE.states[state])


@pytest.mark.parametrize("state", ["check", "show"])
@pytest.mark.parametrize("name", SOURCES)
def test_elements_are_those_walked_one_by_one(name, state):
    """Level at the array's aim, patterns, air, shadow; travel time in the wind along each path."""
    where, mine = VENUE.states[state], walked(name, state)
    ours = trace_elements(VENUE, VENUE.sources[SOURCES.index(name)], SEATS, where, where.air)
    # The level at the aim by 2000 frequencies a band and not in closed form.
    np.testing.assert_allclose(ours.amplitude, mine.amplitude, rtol=1e-5)
    np.testing.assert_allclose(ours.time_ms, mine.time_ms, rtol=1e-12)
    np.testing.assert_allclose(ours.length_m / (where.air.speed_m_s + ours.wind_m_s) * 1000,
                               mine.time_ms, rtol=1e-12)
    np.testing.assert_allclose(ours.middle_m, mine.middle_m, atol=1e-12)
    # What a curved array radiates is an integral over the sphere: good to 0.01 dB.
    np.testing.assert_allclose(ours.tail_power, mine.tail_at_10m, rtol=2e-3)


@pytest.mark.parametrize("name", SOURCES)
def test_paths_are_the_elements_of_a_source_together(name):
    show, number, mine = VENUE.states["show"], SOURCES.index(name), walked(name)
    paths = trace_paths(VENUE, SEATS, show)
    power = np.stack([together([(mine, PLAIN, 0.0)], band, 1000) for band in range(27)], axis=-1)
    np.testing.assert_allclose(paths.power[number], power, rtol=2e-3)
    np.testing.assert_allclose(paths.level_dba[number], dba(power), atol=1e-3)
    np.testing.assert_allclose(paths.serving_ms[number], serving_ms(mine), rtol=1e-12)
    speed = show.air.speed_m_s + paths.serving_wind_m_s[number]
    np.testing.assert_allclose(paths.serving_m[number] / speed * 1000, serving_ms(mine), rtol=1e-12)
    turned = np.exp(-2j * np.pi * SUB_CENTRE_HZ * mine.time_ms[..., None] / 1000)
    pressure = (mine.amplitude[..., SUB_BAND] * turned).sum(axis=0)
    scale = mine.amplitude.sum(axis=0)[:, SUB_BAND]
    assert (np.abs(paths.spectrum[number] - pressure) <= 1e-5 * scale).all()
    away = np.linalg.norm(SEATS.points_m - mine.middle_m, axis=1)
    np.testing.assert_allclose(paths.distance_m[number], away)
    assert list(VENUE.outputs)[paths.source_output[number]] == VENUE.sources[number].output


def test_elements_of_an_array_differ_in_which_serves():
    """So a path that took any one of them for all would be seen above."""
    assert len(set(dba(walked("Hang").amplitude ** 2).argmax(axis=0))) > 2


def test_an_array_feeds_the_room_alike_wherever_it_hangs_and_faces():
    """A quarter turn and a move change nothing; another tilt does."""
    source, show = VENUE.sources[0], VENUE.states["show"]
    turned = replace(source, position_m=(9.0, -3.0, 7.1), aim_m=(4.9, -19.6, 1.3))
    steep = replace(source, aim_m=(6.0, 5.0, 1.3))
    here, there, down = (trace_elements(VENUE, one, SEATS.take(slice(1)), show, show.air).tail_power
                         for one in (source, turned, steep))
    np.testing.assert_allclose(there, here, rtol=1e-5)
    assert (np.abs(down / here - 1) > 0.1).any()
    np.testing.assert_allclose(
        down, waves(VENUE, steep, SEATS.take(slice(1)), show).tail_at_10m, rtol=2e-3)


def test_outdoors_nothing_comes_back():
    field = lopsided(outdoors=True)
    paths = trace_paths(field, SEATS, field.states["show"])
    assert not paths.tail_power.any()
    np.testing.assert_array_equal(
        paths.power, trace_paths(VENUE, SEATS, VENUE.states["show"]).power)


def test_stated_level_is_the_a_weighted_level_at_1_m_of_a_box_that_rolls_off():
    """Butterworth of fourth order (common practice for vented boxes), by scipy."""
    box = Loudspeaker("box", (90, 50), 120.0, level_dba=94.0, low_limit_hz=83.0)
    levels = band_levels_1m_db(box)
    assert dba(10 ** (levels / 10)) == pytest.approx(94.0)
    for order in (3, 4, 5):
        b, a = signal.butter(order, 2 * np.pi * 83.0, "high", analog=True)
        shape = 20 * np.log10(np.abs(signal.freqs(b, a, 2 * np.pi * THIRDS_HZ)[1]))
        over = levels - pink_band_levels_db(94.0, THIRDS_HZ) - shape
        assert (np.ptp(over) < 1e-6) == (order == 4)


def test_levels_by_octave_replace_the_overall_level():
    given = dict(zip(OCTAVES, (90.0, 91.0, 95.0, 92.0, 90.0, 88.0, 85.0, 80.0, 70.0), strict=True))
    box = Loudspeaker("box", (90, 50), 120.0, level_by_octave_db=given)
    octaves = 10 * np.log10((10 ** (band_levels_1m_db(box) / 10)).reshape(9, 3).sum(axis=1))
    np.testing.assert_allclose(octaves, list(given.values()))
    some = band_levels_1m_db(replace(box, level_by_octave_db={125: 90.0}))
    assert np.flatnonzero(np.isfinite(some)).tolist() == [3, 4, 5]
    assert (some[:3] == OFF).all()


def hidden(name, area):
    """Return which seats of an area lose what from a source, in dB by third octave."""
    clear = replace(VENUE, areas=tuple(replace(one, shadowed_from=(), shadow_loss_db={})
                                       for one in VENUE.areas))
    dark, light = (trace_paths(venue, SEATS, VENUE.states["show"]).power[SOURCES.index(name)]
                   for venue in (VENUE, clear))
    here = light[0] > 0
    lost = 10 * np.log10(light[:, here] / dark[:, here])
    return lost[SEATS.area == [one.name for one in VENUE.areas].index(area)], here


@pytest.mark.parametrize(("source", "areas"), [
    ("Hang", {"gallery", "pit"}), ("Horn", {"gallery"}), ("Tub", set()), ("Spot", set()),
    ("Late one", {"pit"}), ("Late two", set())])
def test_a_shadow_is_of_the_sources_named_on_the_seats_of_its_area(source, areas):
    """By name, or all mains by the word; nobody else loses anything."""
    for area in VENUE.areas:
        lost, here = hidden(source, area.name)
        wanted = by_thirds(area.shadow_loss_db)[here] if area.name in areas else 0.0
        np.testing.assert_allclose(lost, np.broadcast_to(wanted, lost.shape), atol=1e-9)


def test_a_seat_in_a_shadow_is_covered_by_nobody_who_is_hidden():
    wide = {name: replace(box, coverage_deg=(360.0, 360.0))
            for name, box in VENUE.loudspeakers.items()}
    paths = trace_paths(replace(VENUE, loudspeakers=wide), SEATS, VENUE.states["show"])
    gallery, pit = SEATS.area == 1, SEATS.area == 2
    np.testing.assert_array_equal(paths.within[0], ~(gallery | pit))
    np.testing.assert_array_equal(paths.within[1], ~gallery)
    np.testing.assert_array_equal(paths.within[4], ~pit)
    assert paths.within[[2, 3, 5]].all()


@pytest.mark.parametrize(("across", "up", "inside"), [
    (32.0, 0.0, True), (-32.0, 0.0, True), (33.0, 0.0, False), (0.0, 19.5, True),
    (0.0, -19.5, True), (0.0, 20.5, False), (180.0, 0.0, False)])
def test_within_is_half_the_coverage_angle_on_either_side(across, up, inside):
    """Coverage is between the points 6 dB down (any loudspeaker's data sheet): 65 x 40 degrees."""
    horn = replace(VENUE.sources[1], position_m=(0.0, 0.0, 4.0), aim_m=(10.0, 0.0, 4.0))
    turn, rise = np.radians(across), np.radians(up)
    point = [8 * np.cos(turn) * np.cos(rise), 8 * np.sin(turn) * np.cos(rise), 4 + 8 * np.sin(rise)]
    show = VENUE.states["show"]
    found = trace_elements(VENUE, horn, single_points(np.array(point)), show, show.air)
    assert found.within.tolist() == [inside]


def test_within_an_array_is_within_any_of_its_elements():
    source, show = VENUE.sources[0], VENUE.states["show"]
    places, axes = placed(VENUE, source)
    for aims in (axes[0], axes[-1]):
        point = single_points(np.array(places[0]) + 9.0 * aims)
        assert trace_elements(VENUE, source, point, show, show.air).within.all()
    above = single_points(np.array(places[0]) + 9.0 * np.array([0.9, -0.2, 0.4]))
    assert not trace_elements(VENUE, source, above, show, show.air).within.any()


def test_nearer_than_half_a_metre_nothing_grows_louder():
    """No formula of a point source holds there (common practice)."""
    source, show = VENUE.sources[1], VENUE.states["show"]
    axis = np.subtract(source.aim_m, source.position_m)
    axis = axis / np.linalg.norm(axis)
    points = np.array(source.position_m) + np.outer([0.0, 0.2, 0.5, 1.0], axis)
    found = trace_elements(VENUE, source, single_points(points), show, show.air)
    inside, near, edge, away = found.amplitude[0]
    np.testing.assert_allclose(inside, edge)
    np.testing.assert_allclose(near, edge)
    np.testing.assert_allclose(edge / away, 2.0, rtol=0.03)
    assert found.time_ms[0, 0] == 0.0


def test_sub_bands_tile_the_third_octaves():
    low, high = SUB_CENTRE_HZ - SUB_WIDTH_HZ / 2, SUB_CENTRE_HZ + SUB_WIDTH_HZ / 2
    first = np.searchsorted(SUB_BAND, range(27))
    last = np.searchsorted(SUB_BAND, range(27), side="right") - 1
    np.testing.assert_allclose(low[first], LOW)
    np.testing.assert_allclose(high[last], HIGH)
    np.testing.assert_allclose(low[1:], high[:-1])
    np.testing.assert_allclose(SUB_WIDTH_HZ / (HIGH - LOW)[SUB_BAND], SUB_SHARE)
    values = np.random.default_rng(1).uniform(size=(2, SUB_BAND.size))
    wanted = [[row[SUB_BAND == band].mean() for band in range(27)] for row in values]
    np.testing.assert_allclose(third_means(values), wanted)


def test_octaves_spread_over_thirds():
    spread = by_thirds({63: 1.0, 250: 2.0}, fill=-3.0)[:9]
    assert spread.reshape(3, 3).tolist() == [[1.0] * 3, [-3.0] * 3, [2.0] * 3]
    assert by_thirds({}).tolist() == [0.0] * 27


def test_paths_to_some_seats_are_those_traced_to_them():
    show, which = VENUE.states["show"], np.array([7, 3, 30])
    some, traced = (trace_paths(VENUE, SEATS, show).take(which),
                    trace_paths(VENUE, SEATS.take(which), show))
    assert len(some.seats) == 3
    np.testing.assert_array_equal(some.seats.points_m, SEATS.points_m[which])
    for name in (field.name for field in fields(some)):
        one, two = getattr(some, name), getattr(traced, name)
        if isinstance(one, np.ndarray):
            np.testing.assert_allclose(one, two, rtol=1e-6, err_msg=name)


def test_seats_stand_row_by_row_in_areas():
    """The arithmetic of spacing, rake and ear height, by hand."""
    floor, gallery, pit = VENUE.areas
    assert [(SEATS.area == number).sum() for number in range(3)] == [16, 16, 6]
    assert np.diff(SEATS.area).min() == 0
    np.testing.assert_allclose(SEATS.points_m[5], [5.0 + 2.9, -7.5 + 1.85 + 4.1, 1.2])
    rise = 2 * 2.7 * np.tan(np.radians(6.0))
    np.testing.assert_allclose(SEATS.points_m[16 + 8], [20.5 + 5.4, -6.5 + 0.3, 1.4 + 1.27 + rise])
    assert SEATS.points_m[-1, 2] == pytest.approx(0.6)
    assert [floor.name, gallery.name, pit.name] == ["floor", "gallery", "pit"]


def test_a_point_among_seats_lies_in_their_area_and_one_apart_in_none():
    among = place_among_seats(VENUE, SEATS.points_m[20] + [0.4, -0.9, 0.3])
    assert among.area.tolist() == [1]
    np.testing.assert_allclose(among.points_m, [SEATS.points_m[20] + [0.4, -0.9, 0.3]])
    # The wider of row and seat spacing, 4.3 m, is as far as it may be.
    back = SEATS.points_m[SEATS.area == 1][:, 0].max()
    edge = SEATS.points_m[(SEATS.area == 1) & (SEATS.points_m[:, 0] == back)][0]
    behind = [place_among_seats(VENUE, np.add(edge, [away, 0.0, 0.0])) for away in (4.2, 4.4)]
    assert [one.area.tolist() for one in behind] == [[1], [-1]]
    assert single_points(edge).area.tolist() == [-1]


def test_roles_go_by_output():
    assert output_roles(VENUE) == {"House": "main", "Low": "sub", "Near": "fill", "Late": "fill"}


def test_air_is_that_of_the_state_or_the_one_given():
    check, warm = VENUE.states["check"], Air(29.0, 40.0)
    own, other = trace_paths(VENUE, SEATS, check), trace_paths(VENUE, SEATS, check, warm)
    assert (own.air, other.air) == (check.air, warm)
    assert (other.serving_ms < own.serving_ms).all()
    for trace in (lambda: trace_paths(VENUE, SEATS, check, 20.0),
                  lambda: trace_elements(VENUE, VENUE.sources[0], SEATS, check, 20.0)):
        with pytest.raises(TypeError, match="air must be an Air"):
            trace()
