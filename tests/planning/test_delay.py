"""Delay decisions: weights, the counting main, three answers, and uncertainty by Monte Carlo."""

from dataclasses import replace

import numpy as np
import pytest

from fillalign import (
    Air,
    Measured,
    Output,
    Source,
    Survey,
    fill_delay_ms,
    plan_fills,
    seat_field,
)
from fillalign.field import Settings
from fillalign.planning.delay import (
    counting_mains,
    delay_bases,
    delay_basis,
    delay_uncertainty,
    level_weights,
    planned_delay_ms,
    reference_sources,
    serving_fills,
    wanted_delays_ms,
)
from fillalign.planning.zones import make_zones, mirror_of
from tests.small_venue import small_hall, with_output


def basis_of(hall, settings=None, air=None):
    return delay_basis(make_zones(hall, air), settings or Settings(hall), "Fills")


def counted(hall, settings=None):
    return counting_mains(make_zones(hall, None).paths, settings or Settings(hall), "Fills")


def split_mains(**fields):
    """Return the hall with its mains on two outputs, of which the first has other fields."""
    hall = small_hall()
    other = replace(hall.outputs["Mains"], name="Other", **fields)
    return replace(hall, outputs={"Other": other, **hall.outputs},
                   sources=(replace(hall.sources[0], output="Other"), *hall.sources[1:]))


def test_weights_by_nearness_of_level():
    weights = level_weights(np.array([0.0, 3.0, -3.0, 6.5, -10.0, 25.0]))
    np.testing.assert_allclose(weights, [1, 1, 1, 0.5, 0, 0])


def test_where_no_level_is_near_the_nearest_tenth_decides():
    weights = level_weights(np.linspace(12.0, 40.0, 20))
    assert weights.sum() == 2
    assert weights[:2].all()


def test_main_that_counts_is_the_earliest_within_10_db():
    hall = small_hall()
    seats = make_zones(hall, None).paths.seats.points_m
    mains, arrival = counted(hall)
    assert (mains[seats[:, 1] < -1] == 0).all()
    assert (mains[seats[:, 1] > 1] == 1).all()
    away = [np.linalg.norm(seats - main.position_m, axis=1) for main in hall.sources[:2]]
    np.testing.assert_allclose(
        arrival, 1000 * np.min(away, axis=0) / Air(20.0, 45.0).speed_m_s + 2.0)
    # A main 10 dB down and more does not count, however early it comes.
    soft = replace(hall, loudspeakers={**hall.loudspeakers, "soft": replace(
        hall.loudspeakers["main box"], name="soft", level_dba=60.0)},
        sources=(replace(hall.sources[0], loudspeaker="soft"), *hall.sources[1:]))
    assert (counted(soft)[0] == 1).all()


def test_main_that_counts_knows_trim_delay_and_latency():
    hall = split_mains(latency_ms=3.0)
    assert (counted(hall, Settings(hall).replaced("Other", trim_db=-30.0))[0] == 1).all()
    late = Settings(hall).replaced("Other", delay_ms=80.0)
    assert (counted(hall, late)[0] == 1).all()
    first, arrival = counted(hall, Settings(hall).replaced("Mains", delay_ms=80.0))
    assert (first == 0).all()
    seats = make_zones(hall, None).paths.seats.points_m
    away = np.linalg.norm(seats - hall.sources[0].position_m, axis=1)
    np.testing.assert_allclose(arrival, 1000 * away / Air(20.0, 45.0).speed_m_s + 3.0)


def test_main_measured_far_down_does_not_count():
    hall = split_mains()
    read = Measured("Other", (14.0, -3.2, 1.2), "show", level_dba=40.0, sure=True)
    assert {*counted(hall)[0].tolist()} == {0, 1}
    assert (counted(replace(hall, measured=(read,)))[0] == 1).all()


def test_mains_of_the_same_feed_or_all():
    hall = small_hall()
    assert reference_sources(hall, "Fills", Settings(hall)) == [0, 1]
    left = with_output(hall, "Fills", feed="left")
    assert reference_sources(left, "Fills", Settings(left)) == [0, 1]
    split = with_output(split_mains(feed="left"), "Fills", feed="left")
    assert reference_sources(split, "Fills", Settings(split)) == [0]
    # A main that is off arrives nowhere: what sounds is what a fill can be late or early to.
    off = Settings(split).replaced("Other", trim_db=-np.inf)
    assert reference_sources(split, "Fills", off) == [1]


def test_box_of_an_output_that_serves_is_the_earliest_within_10_db():
    hall = small_hall()
    zones = make_zones(hall, None)
    seats = zones.paths.seats.points_m
    away = [np.linalg.norm(seats - fill.position_m, axis=1) for fill in hall.sources[2:]]
    serving = serving_fills(zones.paths, "Fills")
    apart = np.abs(away[0] - away[1]) > 1.0
    back = apart & (zones.paths.seats.area == 1)
    np.testing.assert_array_equal(serving[back], 2 + np.argmin(away, axis=0)[back])
    faint = replace(hall.loudspeakers["fill box"], name="faint", level_dba=70.0)
    hall = replace(hall, loudspeakers={**hall.loudspeakers, "faint": faint},
                   sources=(*hall.sources[:3], replace(hall.sources[3], loudspeaker="faint")))
    zones = make_zones(hall, None)
    assert (serving_fills(zones.paths, "Fills")[(zones.paths.seats.area == 1)] == 2).all()


def test_three_answers_by_hand():
    """Distances over the speed of sound, latencies taken off; levels by the map of seats."""
    hall = small_hall()
    settings = Settings(hall).replaced("Fills", trim_db=-6.0)
    answers = basis_of(hall, settings).answers(hall.states["show"].air)
    length = min(np.linalg.norm(np.subtract(hall.sources[2].position_m, main.position_m))
                 for main in hall.sources[:2])
    assert answers.box_to_box_ms == pytest.approx(fill_delay_ms(
        float(length), hall.states["show"].air, main_latency_ms=2.0, fill_latency_ms=3.5))
    field = seat_field(hall, settings, seats_m=hall.area("back").seats_m())
    wanted = field.arrival_ms[0] - field.arrival_ms[1]
    direct = [seat_field(hall, settings, seats_m=hall.area("back").seats_m(),
                         sounding=[name]).weighted_db("direct") for name in hall.outputs]
    weight = np.clip((10 - np.abs(direct[1] - direct[0])) / 7, 0, 1)
    assert 0 < np.count_nonzero(weight < 1) < len(weight)
    assert answers.equal_level_ms == pytest.approx((weight * wanted).sum() / weight.sum())
    assert answers.never_early_ms == pytest.approx(wanted.max())
    for rule, value in (("box-to-box", answers.box_to_box_ms),
                        ("equal-level", answers.equal_level_ms),
                        ("never-early", answers.never_early_ms)):
        assert answers.of_rule(rule) == value


def test_box_to_box_is_that_of_the_box_that_wants_most():
    hall = small_hall()
    deeper = replace(hall.sources[3], position_m=(25.0, 4.55, 5.0))
    hall = replace(hall, sources=(*hall.sources[:3], deeper))
    # Straight behind its main but for 1.95 m to the side, at the same height.
    length = float(np.hypot(25.0, 1.95))
    assert basis_of(hall).answers(Air(20.0, 45.0)).box_to_box_ms == pytest.approx(fill_delay_ms(
        length, Air(20.0, 45.0), main_latency_ms=2.0, fill_latency_ms=3.5))


def test_a_main_held_back_holds_every_answer_back():
    hall = small_hall()
    settings = Settings(hall)
    air = hall.states["show"].air
    bare = basis_of(hall, settings).answers(air)
    held = basis_of(hall, settings.replaced("Mains", delay_ms=12.5)).answers(air)
    for rule in ("box-to-box", "equal-level", "never-early"):
        assert held.of_rule(rule) == pytest.approx(bare.of_rule(rule) + 12.5)


def test_a_fill_is_early_by_what_the_worst_seat_that_counts_wants_more():
    hall = small_hall()
    air = hall.states["show"].air
    basis = basis_of(hall, Settings(hall).replaced("Fills", trim_db=8.0))
    counts = basis.weights > 0
    assert 0 < counts.sum() < counts.size
    assert basis.early_ms(air, 60.0) == pytest.approx(basis.wanted_ms(air)[counts].max() - 60.0)
    assert basis.early_ms(air, 61.5) == pytest.approx(basis.early_ms(air, 60.0) - 1.5)


def test_an_output_that_is_off_is_timed_at_trim_0():
    hall = small_hall()
    off = Settings(hall).replaced("Fills", trim_db=-np.inf)
    air = hall.states["show"].air
    assert basis_of(hall, off).answers(air) == basis_of(hall).answers(air)
    soft = Settings(hall).replaced("Fills", trim_db=-12.0)
    assert basis_of(hall, soft).answers(air) != basis_of(hall).answers(air)


def test_rounding_never_makes_the_fill_early():
    hall = with_output(small_hall(), "Fills", delay_step_ms=0.5)
    assert planned_delay_ms(hall, "Fills", [60.01, 60.0, -3.0]).tolist() == [60.5, 60.0, 0.0]


def test_delay_beyond_the_device_is_refused():
    hall = with_output(small_hall(), "Fills", delay_max_ms=20.0)
    with pytest.raises(ValueError, match=(
            r"^output 'Fills' needs a delay of 25\.00 ms, but its device allows between 0 and "
            "20 ms$")):
        planned_delay_ms(hall, "Fills", 25.0)


@pytest.mark.parametrize("rule", ["equal-level", "box-to-box", "never-early"])
def test_a_fill_waits_by_its_own_rule_and_margin_or_the_venues(rule):
    hall, air = small_hall(image_margin_ms=3.0), Air(20.0, 45.0)
    for changed, margin_ms in ((hall.with_goals(delay_rule=rule), 3.0),
                               (with_output(hall, "Fills", delay_rule=rule,
                                            image_margin_ms=7.5), 7.5)):
        zones, bases = make_zones(changed, None), {"Fills": basis_of(changed)}
        wanted = bases["Fills"].answers(air).of_rule(rule) + margin_ms
        assert wanted_delays_ms(zones, bases)["Fills"] == pytest.approx(wanted)


def test_a_louder_fill_is_timed_to_other_seats():
    """What a change of trim does to the answer is what the basis at that trim says."""
    hall, air = small_hall(), Air(20.0, 45.0)
    zones, bases = make_zones(hall, None), {"Fills": basis_of(hall)}
    changes = np.array([-12.0, -6.5, 0.0, 5.0])
    wanted = wanted_delays_ms(zones, bases, {"Fills": changes})["Fills"]
    for change, ms in zip(changes, wanted, strict=True):
        there = basis_of(hall, Settings(hall).replaced("Fills", trim_db=float(change)))
        assert ms == pytest.approx(there.answers(air).equal_level_ms + 5.0, abs=1e-6)
    assert np.ptp(wanted) > 1.0


def mirrored_fills(hall, **second):
    """Return a hall with one fill output a side, the second with other fields."""
    outputs = {"Mains": hall.outputs["Mains"], "A": replace(hall.outputs["Fills"], name="A"),
               "B": replace(hall.outputs["Fills"], name="B", **second)}
    sides = [replace(one, output=name) for one, name in zip(hall.sources[2:], "AB", strict=True)]
    return replace(hall, outputs=outputs, sources=(*hall.sources[:2], *sides))


def test_mirrored_outputs_take_the_later_delay_up_to_a_millisecond_apart():
    hall = mirrored_fills(small_hall())
    assert (mirror_of(hall, "A"), mirror_of(hall, "B")) == ("B", "A")
    breeze, storm = (replace(hall, states={name: replace(state, wind_m_s=speed,
                                                         wind_towards_deg=90.0)
                                           for name, state in hall.states.items()})
                     for speed in (1.0, 20.0))
    air = Air(20.0, 45.0)
    for windy, together in ((breeze, True), (storm, False)):
        zones = make_zones(windy, None)
        bases = delay_bases(zones, Settings(windy), ["A"])
        own = {name: bases[name].answers(air).equal_level_ms + 5.0 for name in "AB"}
        assert (abs(own["A"] - own["B"]) <= 1.0) == together
        assert abs(own["A"] - own["B"]) > 0.01
        wanted = wanted_delays_ms(zones, bases)
        for name in "AB":
            assert wanted[name] == pytest.approx(max(own.values()) if together else own[name])


@pytest.mark.parametrize("field", [{"latency_ms": 9.0}, {"polarity": "inverted"},
                                   {"feed": "left"}])
def test_outputs_that_differ_do_not_mirror(field):
    assert mirror_of(mirrored_fills(small_hall(), **field), "A") is None


SURVEY = Survey(laser_m=0.05, thermometer_c=2.5, hygrometer_pct=8.0, latency_ms=0.15)


def drawn(hall, rng):
    """Return the hall and its air as another survey would have found them."""
    shift, moved = rng.normal(0.0, SURVEY.laser_m), []
    for source in hall.sources:
        if source.role == "fill":
            main = hall.sources[0 if source.position_m[1] < 0 else 1].position_m
            way = np.subtract(source.position_m, main)
            place = np.add(source.position_m, shift * way / np.linalg.norm(way))
            source = replace(source, position_m=tuple(place))
        moved.append(source)
    air = Air(20.0 + rng.normal(0.0, SURVEY.thermometer_c),
              float(np.clip(45 + rng.normal(0.0, SURVEY.hygrometer_pct), 1, 100)))
    hall = replace(hall, sources=tuple(moved))
    for name, latency_ms in (("Mains", 2.0), ("Fills", 3.5)):
        hall = with_output(hall, name, latency_ms=latency_ms + rng.normal(0.0, SURVEY.latency_ms))
    return hall, air


@pytest.mark.long
def test_uncertainty_against_1000_surveys():
    """Monte Carlo (JCGM 101:2008): every reading drawn anew, the delay decided anew."""
    hall = small_hall()
    # Few seats, alike for both: what they weigh does not change how a delay scatters.
    back = replace(hall.areas[1], seat_spacing_m=6.0, row_spacing_m=4.0)
    hall = replace(hall, areas=(hall.areas[0], back))
    rng = np.random.default_rng(11)
    surveys = [drawn(hall, rng) for _ in range(1000)]
    answers = [basis_of(one, air=air).answers(air) for one, air in surveys]
    for rule in ("equal-level", "box-to-box", "never-early"):
        stated = delay_uncertainty(basis_of(hall), hall.states["show"].air, rule, SURVEY)
        delays = [one.of_rule(rule) for one in answers]
        # 1,000 draws know a standard deviation to 2.2 % (1/sqrt(2 n)).
        assert stated.total_ms == pytest.approx(np.std(delays), rel=0.067), rule
        assert stated.largest == "thermometer"


def with_deeper_fills(hall, by_m):
    """Return the hall with each fill farther from the main of its side, on the line of both."""
    deeper = []
    for main, fill in zip(hall.sources, hall.sources[2:], strict=False):
        way = np.subtract(fill.position_m, main.position_m)
        deeper.append(replace(fill, position_m=tuple(
            fill.position_m + by_m * way / np.linalg.norm(way))))
    return replace(hall, sources=(*hall.sources[:2], *deeper))


@pytest.mark.parametrize("cause", ["laser", "thermometer", "hygrometer", "latency"])
@pytest.mark.parametrize("rule", ["equal-level", "box-to-box", "never-early"])
def test_every_cause_of_uncertainty_alone(rule, cause):
    """Each reading moved by its standard uncertainty, the others held (JCGM 100:2008, eq 10)."""
    hall, air = small_hall(), Air(20.0, 45.0)
    basis = basis_of(hall)
    stated = delay_uncertainty(basis, air, rule, SURVEY)
    step, ends = 0.01, []
    for by in (-step, step):
        moved, now = hall, air
        if cause == "laser":
            moved = with_deeper_fills(hall, by * SURVEY.laser_m)
        elif cause == "thermometer":
            now = Air(20.0 + by * SURVEY.thermometer_c, 45.0)
        elif cause == "hygrometer":
            now = Air(20.0, 45.0 + by * SURVEY.hygrometer_pct)
        else:
            moved = with_output(hall, "Fills", latency_ms=3.5 + by * SURVEY.latency_ms)
        # Which seats are equally loud is held as well.
        end = replace(basis_of(moved), over_mains_db=basis.over_mains_db)
        ends.append(end.answers(now).of_rule(rule))
    alone = abs(ends[1] - ends[0]) / (2 * step)
    if cause == "latency":
        alone *= np.sqrt(2.0)  # the main's path and the fill's, each with its own error
    assert stated.by_cause_ms[cause] == pytest.approx(alone, rel=0.003)


@pytest.mark.parametrize("rule", ["equal-level", "box-to-box", "never-early"])
def test_wind_is_known_to_half_its_speed(rule):
    """Common practice: half the change between half as much wind and half as much again."""
    hall, air, ends = small_hall(wind_m_s=6.0), Air(20.0, 45.0), []
    basis = basis_of(hall)
    stated = delay_uncertainty(basis, air, rule, SURVEY, (6.0, 30.0))
    for speed in (3.0, 9.0):
        other = replace(basis_of(small_hall(wind_m_s=speed)), over_mains_db=basis.over_mains_db)
        ends.append(other.answers(air).of_rule(rule))
    assert stated.by_cause_ms["wind"] == pytest.approx(abs(ends[1] - ends[0]) / 2, rel=1e-6)
    assert stated.by_cause_ms["wind"] > 0.2
    assert "wind" not in delay_uncertainty(basis, air, rule, SURVEY).by_cause_ms


def test_a_basis_in_another_wind_is_that_of_the_venue_in_it():
    calm, windy = basis_of(small_hall()), basis_of(small_hall(wind_m_s=6.0))
    blown = calm.blown(6.0, 30.0)
    for name in ("main", "fill", "box"):
        expected = getattr(windy, name).wind_m_s
        np.testing.assert_allclose(getattr(blown, name).wind_m_s, expected, atol=1e-9)
        assert np.abs(expected).max() > 1.0


def test_causes_add_by_their_squares():
    stated = delay_uncertainty(basis_of(small_hall()), Air(20.0, 45.0), "equal-level", SURVEY)
    assert stated.total_ms == pytest.approx(np.linalg.norm([*stated.by_cause_ms.values()]))
    assert set(stated.by_cause_ms) == {"laser", "thermometer", "hygrometer", "latency"}


@pytest.mark.filterwarnings("ignore::fillalign._validate.RangeWarning")
@pytest.mark.parametrize(("temperature_c", "humidity_pct"), [(-50.0, 0.0), (60.0, 1.0),
                                                             (20.0, 0.5), (-20.0, 100.0)])
def test_uncertainty_at_the_ends_of_the_range(temperature_c, humidity_pct):
    # dt/dT = -d c'/c^2 (derivative of d/c), with c' of the ideal gas, c/(2 T).
    hall, air = small_hall(), Air(temperature_c, humidity_pct)
    basis = basis_of(hall, air=air)
    stated = delay_uncertainty(basis, air, "box-to-box", Survey(thermometer_c=1.0))
    slope = 1000 * basis.box.length_m.max() / air.speed_m_s / (2 * (temperature_c + 273.15))
    assert stated.by_cause_ms["thermometer"] == pytest.approx(slope, rel=0.03)
    assert stated.by_cause_ms["hygrometer"] > 0


def test_box_to_box_counts_from_the_nearest_main_that_its_seats_hear():
    """A near main 15 dB too weak to count promises nothing: the fill would come early."""
    hall = small_hall(delay_rule="box-to-box", image_margin_ms=0.0, allowed_fall_db=1.0)
    near = Source("Near", "main", "Weak", "main box", (12.0, 0.0, 5.0), (22.0, 0.0, 1.2))
    weak = {"Weak": Output("Weak", "mono", "console", locked={"trim_db": -25.0})}
    hall = replace(hall, sources=(*hall.sources, near), outputs={**hall.outputs, **weak})
    plan = plan_fills(hall)
    heard = plan.checks.covered & (plan.checks.level_difference_db >= -10.0)
    assert heard.any()
    assert plan.checks.gap_ms[heard].min() >= -1e-9
    loud = plan_fills(with_output(hall, "Weak", locked={"trim_db": 0.0}))
    assert (loud.fill("Fills").answers.box_to_box_ms
            < plan.fill("Fills").answers.box_to_box_ms - 20.0)
