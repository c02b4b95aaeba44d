"""Boxes and arrays against integrals over the sphere, textbook cases and scipy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, strategies as st
from scipy.spatial.transform import Rotation

from fillalign import loudspeakers
from fillalign.absorption import THIRDS_HZ

SPEED = 343.0
COVERAGES = [(90.0, 60.0), (60.0, 90.0), (120.0, 15.0), (40.0, 40.0), (180.0, 350.0)]
PLACE = st.tuples(*[st.floats(-40.0, 40.0)] * 3).map(np.array)
TURN = st.floats(-180.0, 180.0)


def db(amplitude):
    return 20.0 * np.log10(amplitude)


def sphere(rings=120, around=240):
    """Return unit vectors and their shares: Gauss-Legendre in height, equal steps around."""
    height, weight = np.polynomial.legendre.leggauss(rings)
    turn = 2.0 * np.pi * (np.arange(around) + 0.5) / around
    flat = np.sqrt(1.0 - height[:, None] ** 2)
    tall = height[:, None] * np.ones(around)
    rays = np.stack([flat * np.cos(turn), flat * np.sin(turn), tall], axis=-1)
    return rays.reshape(-1, 3), np.repeat(weight / (2.0 * around), around)


RAYS, SHARE = sphere()


def pattern(rays, aim, coverage, **options):
    theta, phi = loudspeakers.off_axis_angles(np.zeros(3), aim, rays)
    return loudspeakers.box_directivity(theta, phi, *coverage, **options)


def element_sum(positions, points, frequency):
    """Return the complex pressure of equal omnidirectional elements at points, by brute force."""
    away = np.linalg.norm(points[:, None, None, :] - positions, axis=-1)
    wave = np.exp(-2j * np.pi * np.reshape(frequency, (1, -1, 1)) * away / SPEED)
    return (wave / away).sum(axis=-1)


# --- one box -------------------------------------------------------------------------------


@pytest.mark.parametrize("coverage", COVERAGES)
def test_coverage_is_where_the_level_is_6_db_down(coverage):
    """Definition of the nominal coverage angle: -6 dB at half of it, in either plane."""
    across, upright = coverage
    ours = [
        loudspeakers.box_directivity(angle / 2.0, roll, *coverage, rear_floor_db=-200.0)
        for angle, roll in ((across, 0.0), (across, 180.0), (upright, 90.0), (upright, -90.0))
    ]
    np.testing.assert_allclose(db(ours), -6.0, rtol=0, atol=1e-9)


def test_exponents():
    """180 degrees is a cardioid to 0.3 %, since that is 6.02 dB down at the side (textbooks)."""
    angles = np.linspace(1.0, 360.0, 360)
    exponents = loudspeakers._exponent(angles)
    assert exponents[[179, 359]] == pytest.approx([1.0, 0.0], abs=0.004)
    assert np.all(np.diff(exponents) < 0.0)


def test_box_between_its_planes():
    """Half way around, the exponent is the mean of both (definition of the family)."""
    options = {"rear_floor_db": -200.0}
    level = db(loudspeakers.box_directivity(33.0, [0.0, 45.0, 90.0], 100.0, 40.0, **options))
    assert level[1] == pytest.approx((level[0] + level[2]) / 2.0, abs=1e-9)


@pytest.mark.parametrize("floor_db", [-10.0, -20.0, -30.0])
def test_rear_floor(floor_db):
    for roll in (0.0, 30.0, 90.0):
        behind = loudspeakers.box_directivity(180.0, roll, 90.0, 60.0, rear_floor_db=floor_db)
        assert db(behind) == pytest.approx(floor_db, abs=1e-9)
    assert loudspeakers.box_directivity(0.0, 12.0, 90.0, 60.0, rear_floor_db=floor_db) == 1.0
    angles = np.linspace(0.0, 150.0, 90)
    level = db(loudspeakers.box_directivity(angles, 20.0, 90.0, 60.0, rear_floor_db=floor_db))
    assert np.all(np.diff(level) < 0.0)


@pytest.mark.parametrize("coverage", COVERAGES)
@pytest.mark.parametrize("frequency", [None, 125.0, 400.0, 2000.0])
@pytest.mark.parametrize("floor_db", [-12.0, -60.0])
def test_q_is_the_integral_of_the_pattern(coverage, frequency, floor_db):
    """Q = 4 pi over the integral of the squared pattern over all directions (textbooks)."""
    options = {"rear_floor_db": floor_db}
    if frequency is not None:
        options |= {"frequency_hz": frequency, "control_hz": 800.0}
    square = pattern(RAYS, [1.0, 0.0, 0.0], coverage, **options) ** 2
    expected = 1.0 / (SHARE @ square)
    ours = loudspeakers.directivity_factor(*coverage, **options)
    # The pattern is not smooth straight behind a wide box: the grid's error.
    assert ours == pytest.approx(expected, rel=2e-3)


def test_rear_level_is_kept_until_the_front_opens():
    """A box keeps its rear level up to a mean angle of 180 degrees, or its own if wider."""
    wide = loudspeakers.box_directivity(180.0, 0.0, 180.0, 350.0, rear_floor_db=-15.0)
    assert db(wide) == pytest.approx(-15.0, abs=1e-9)
    half, sixth = loudspeakers.box_directivity(
        180.0, 0.0, 90.0, 60.0, frequency_hz=[400.0, 133.0], control_hz=800.0, rear_floor_db=-15.0
    )
    assert db(half) == pytest.approx(-15.0, abs=1e-9)
    assert sixth == 1.0


def test_q_of_textbook_patterns():
    """Cardioid 3, omnidirectional 1 (textbooks)."""
    cardioid = loudspeakers.directivity_factor(180.0, 180.0, rear_floor_db=-200.0)
    assert cardioid == pytest.approx(3.0, rel=0.004)
    assert loudspeakers.directivity_factor(360.0, 360.0) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("ratio", [1.25, 2.0, 2.5])
def test_coverage_widens_in_proportion_to_wavelength(ratio):
    """Half the frequency, twice the angle, below where the box controls (common practice)."""
    across, upright = 90.0, 40.0
    for roll, coverage in ((0.0, across), (90.0, upright)):
        level = db(loudspeakers.box_directivity(
            coverage * ratio / 2.0, roll, across, upright,
            frequency_hz=1000.0 / ratio, control_hz=1000.0, rear_floor_db=-200.0,
        ))
        assert level == pytest.approx(-6.0, abs=1e-6)


@pytest.mark.parametrize("coverage", COVERAGES)
def test_lows_go_everywhere_and_highs_stay(coverage):
    theta, phi = np.linspace(0.0, 180.0, 40)[:, None], np.linspace(0.0, 90.0, 7)[:, None, None]
    low = np.geomspace(10.0, 800.0, 400)
    options = {"control_hz": 800.0, "rear_floor_db": -25.0}
    level = db(loudspeakers.box_directivity(theta, phi, *coverage, frequency_hz=low, **options))
    assert np.all(np.diff(level, axis=-1) < 1e-9)
    assert np.all(level[..., 0] > -1e-9)
    nominal = loudspeakers.box_directivity(theta, phi, *coverage, rear_floor_db=-25.0)
    high = loudspeakers.box_directivity(
        theta, phi, *coverage, frequency_hz=[800.0, 16000.0], **options
    )
    np.testing.assert_allclose(high, nominal * np.ones(2), rtol=1e-12)
    q = loudspeakers.directivity_factor(*coverage, frequency_hz=low, **options)
    assert np.all(np.diff(q) > -1e-9)
    assert q[0] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("coverage", [*COVERAGES, (250.0, 80.0), (360.0, 20.0)])
def test_widening_has_no_jump(coverage):
    """No step over 0.1 dB for a thousandth of an octave, up to 179 degrees off the axis."""
    theta, phi = np.linspace(0.0, 179.0, 60)[:, None], np.linspace(0.0, 90.0, 7)[:, None, None]
    frequency = np.geomspace(5.0, 1000.0, 7650)
    options = {"frequency_hz": frequency, "control_hz": 800.0, "rear_floor_db": -20.0}
    level = db(loudspeakers.box_directivity(theta, phi, *coverage, **options))
    assert np.abs(np.diff(level, axis=-1)).max() < 0.1


# --- where a point is seen from ------------------------------------------------------------


@pytest.mark.parametrize(
    ("aim", "point", "expected"),
    [
        ([10, 0, 5], [3, 0, 5], (0.0, None)),
        ([10, 0, 5], [3, 3, 5], (45.0, 0.0)),
        ([10, 0, 5], [3, -3, 5], (45.0, 0.0)),
        ([10, 0, 5], [3, 0, 8], (45.0, 90.0)),
        ([10, 0, 5], [0, 0, 2], (90.0, 90.0)),
        ([10, 0, 5], [-4, 0, 5], (180.0, None)),
        ([10, 0, 5], [0, 2, 7], (90.0, 45.0)),
        ([0, 7, 5], [0, 3, 8], (45.0, 90.0)),
        ([0, 7, 5], [4, 4, 5], (45.0, 0.0)),
        ([6, 0, -1], [6, 0, 5], (45.0, 90.0)),
        ([0, 0, 0], [0, 3, 2], (45.0, 0.0)),
        ([0, 0, 0], [3, 0, 2], (45.0, 90.0)),
        ([0, 0, 9], [-3, 0, 8], (45.0, 90.0)),
    ],
)
def test_angles_by_hand(aim, point, expected):
    """A box at (0, 0, 5): trigonometry."""
    theta, phi = loudspeakers.off_axis_angles([0, 0, 5], aim, point)
    assert theta == pytest.approx(expected[0], abs=1e-9)
    if expected[1] is not None:
        assert phi == pytest.approx(expected[1], abs=1e-9)


@given(PLACE, st.floats(-180.0, 180.0), st.floats(-89.0, 89.0), st.floats(1.0, 179.0), TURN)
def test_angles_against_scipy_rotations(source, azimuth, tilt, theta, roll):
    """A point placed in the box's own axes, turned into the venue by scipy."""
    pose = Rotation.from_euler("ZY", [azimuth, tilt], degrees=True)
    sideways, upward = np.cos(np.radians(roll)), np.sin(np.radians(roll))
    off = np.radians(theta)
    ray = np.array([np.cos(off), np.sin(off) * sideways, np.sin(off) * upward])
    ours = loudspeakers.off_axis_angles(
        source, source + pose.apply([3.0, 0.0, 0.0]), source + pose.apply(7.0 * ray)
    )
    assert ours[0] == pytest.approx(theta, abs=1e-6)
    folded = np.degrees(np.arctan2(abs(upward), abs(sideways)))
    assert ours[1] == pytest.approx(folded, abs=1e-4)


@given(PLACE, PLACE, PLACE, PLACE, TURN, st.floats(0.1, 50.0))
def test_angles_turn_shift_and_scale_with_the_venue(source, aim, point, shift, turn, factor):
    assume(np.linalg.norm((aim - source)[:2]) > 0.1)
    assume(np.linalg.norm(point - source) > 0.1)
    theta, phi = loudspeakers.off_axis_angles(source, aim, point)
    assume(1.0 < theta < 179.0)
    spin = Rotation.from_euler("Z", turn, degrees=True)
    moved = [factor * spin.apply(place) + shift for place in (source, aim, point)]
    assert loudspeakers.off_axis_angles(*moved) == pytest.approx((theta, phi), abs=1e-6)
    mirror = np.array([1.0, -1.0, 1.0])
    mirrored = loudspeakers.off_axis_angles(source * mirror, aim * mirror, point * mirror)
    assert mirrored == pytest.approx((theta, phi), abs=1e-6)
    # The angle between two directions is the same from either.
    assert loudspeakers.off_axis_angles(source, point, aim)[0] == pytest.approx(theta, abs=1e-6)


def test_straight_down_is_the_limit_of_tilting():
    below = [[1.0, 2.0, 0.0], [-2.0, 0.5, 1.0], [0.0, 3.0, 6.0]]
    tilted = loudspeakers.off_axis_angles([0, 0, 5], [1e-7, 0.0, 0.0], below)
    down = loudspeakers.off_axis_angles([0, 0, 5], [0.0, 0.0, 0.0], below)
    np.testing.assert_allclose(down, tilted, atol=1e-5)


def test_angles_broadcast_like_a_loop():
    rng = np.random.default_rng(3)
    sources, aims, points = (rng.uniform(-9, 9, (n, 3)) for n in (4, 4, 6))
    theta, phi = loudspeakers.off_axis_angles(sources[:, None], aims[:, None], points)
    assert theta.shape == phi.shape == (4, 6)
    for i, j in np.ndindex(4, 6):
        one = loudspeakers.off_axis_angles(sources[i], aims[i], points[j])
        assert (theta[i, j], phi[i, j]) == pytest.approx(one, abs=1e-12)


# --- arrays: geometry ----------------------------------------------------------------------


def test_curved_array_is_an_arc():
    """Equal splay: centres on a circle of radius spacing / (2 sin(splay / 2)), axes along it."""
    positions, aims = loudspeakers.array_elements(
        [0, 0, 11], [30, 0, 11], elements=10, spacing_m=0.3, splay_deg=4.0
    )
    np.testing.assert_allclose(positions[0], [0, 0, 11])
    np.testing.assert_allclose(aims[0], [1, 0, 0], atol=1e-12)
    radius = 0.3 / (2.0 * np.sin(np.radians(2.0)))
    np.testing.assert_allclose(positions - radius * aims, [[-radius, 0, 11]] * 10, atol=1e-9)
    assert np.all(np.diff(positions[:, 2]) < 0.0)
    assert np.all(np.diff(aims[:, 2]) < 0.0)


@given(PLACE, PLACE, st.lists(st.floats(0.0, 12.0), min_size=1, max_size=9), st.floats(0.05, 1.5))
def test_elements_hang_as_described(top, aim, splay, spacing):
    assume(np.linalg.norm((aim - top)[:2]) > 0.1)
    positions, aims = loudspeakers.array_elements(
        top, aim, elements=len(splay) + 1, spacing_m=spacing, splay_deg=splay
    )
    np.testing.assert_allclose(np.linalg.norm(aims, axis=1), 1.0)
    steps = np.diff(positions, axis=0)
    np.testing.assert_allclose(np.linalg.norm(steps, axis=1), spacing, rtol=1e-9)
    toward = (aim - top) / np.linalg.norm(aim - top)
    np.testing.assert_allclose(aims[0], toward, atol=1e-9)
    between = np.degrees(np.arccos(np.clip(np.sum(aims[1:] * aims[:-1], axis=1), -1, 1)))
    np.testing.assert_allclose(between, splay, atol=1e-5)
    # The line from box to box stands square on the mean of their axes.
    np.testing.assert_allclose(np.sum(steps * (aims[1:] + aims[:-1]), axis=1), 0.0, atol=1e-9)
    side = np.cross(toward, [0, 0, 1])
    np.testing.assert_allclose(aims @ side, 0.0, atol=1e-9)


def test_array_turns_with_its_azimuth():
    straight = loudspeakers.array_elements(
        [0, 0, 6], [20, 0, 2], elements=4, spacing_m=0.5, splay_deg=[1, 2, 6]
    )
    spin = Rotation.from_euler("Z", 127.0, degrees=True)
    turned = loudspeakers.array_elements(
        [0, 0, 6], spin.apply([20, 0, 2]), elements=4, spacing_m=0.5, splay_deg=[1, 2, 6]
    )
    for before, after in zip(straight, turned, strict=True):
        np.testing.assert_allclose(spin.apply(before), after, atol=1e-9)


def test_one_element_and_straight_down():
    positions, aims = loudspeakers.array_elements([1, 2, 3], [1, 2, 0], elements=1)
    np.testing.assert_allclose(positions, [[1, 2, 3]])
    np.testing.assert_allclose(aims, [[0, 0, -1]], atol=1e-12)
    one = loudspeakers.array_elements([1, 2, 3], [4, 2, 3], elements=1, splay_deg=())
    np.testing.assert_allclose(one[1], [[1, 0, 0]], atol=1e-12)


# --- arrays: power and spreading -----------------------------------------------------------


@pytest.mark.parametrize(
    ("spacing", "splay", "control", "coverage", "aside"),
    [
        (0.3, 0.0, None, (90.0, 30.0), 5),
        (0.3, 5.0, 800.0, (90.0, 30.0), 5),
        (0.3, 14.0, 800.0, (25.0, 40.0), 5),
        (0.8, 17.0, None, (100.0, 90.0), 5),
        (0.3, 10.0, None, (90.0, 30.0), 1),
    ],
)
def test_power_of_directive_elements_against_the_integral(
    spacing, splay, control, coverage, aside
):
    """An independent grid over the sphere, poles along z; the array leans off it."""
    positions, aims = loudspeakers.array_elements(
        [2, 1, 9], [20, aside, 4], elements=6, spacing_m=spacing, splay_deg=splay
    )
    rays, share = sphere(160, 320)
    for frequency in (63.0, 400.0, 1250.0, 3150.0):
        options = {} if control is None else {"frequency_hz": frequency, "control_hz": control}
        far = sum(
            pattern(rays, aim, coverage, **options)
            * np.exp(2j * np.pi * frequency / SPEED * rays @ place)
            for place, aim in zip(positions, aims, strict=True)
        )
        expected = share @ np.abs(far) ** 2
        ours = loudspeakers.array_radiated_power(
            positions, aims, frequency, SPEED, *coverage, control_hz=control
        )
        assert 10.0 * np.log10(ours / expected) == pytest.approx(0.0, abs=0.05)


def test_power_of_directive_elements_meets_the_simple_cases():
    """Omnidirectional elements: the sinc formula; one box: 1 / Q."""
    positions, aims = loudspeakers.array_elements(
        [0, 0, 9], [20, 0, 4], elements=7, spacing_m=0.4, splay_deg=[0, 1, 2, 4, 6, 9]
    )
    omni = loudspeakers.array_radiated_power(positions, aims, THIRDS_HZ, SPEED, 360.0, 360.0)
    apart = np.linalg.norm(positions[:, None] - positions, axis=-1)
    expected = np.sinc(2.0 * THIRDS_HZ[:, None, None] * apart / SPEED).sum(axis=(1, 2))
    np.testing.assert_allclose(10.0 * np.log10(omni / expected), 0.0, atol=0.05)
    box = {"control_hz": 900.0, "rear_floor_db": -14.0}
    one = loudspeakers.array_radiated_power(
        positions[:1], aims[:1], THIRDS_HZ, SPEED, 70.0, 40.0, **box
    )
    q = loudspeakers.directivity_factor(70.0, 40.0, frequency_hz=THIRDS_HZ, **box)
    np.testing.assert_allclose(10.0 * np.log10(one * q), 0.0, atol=0.05)
    blade = loudspeakers.array_radiated_power(positions[:1], aims[:1], 9e3, SPEED, 60.0, 5.0)
    q = loudspeakers.directivity_factor(60.0, 5.0)
    assert 10.0 * np.log10(blade * q) == pytest.approx(0.0, abs=0.05)


def test_array_spreads_slowly_near_and_by_the_square_law_far():
    """-3 dB a doubling near and -6 far, on average: cylindrical and spherical spreading."""
    positions, _ = loudspeakers.array_elements([0, 0, 2], [9, 0, 2], elements=24, spacing_m=0.2)
    middle = positions.mean(axis=0)
    frequency = np.linspace(891.0, 1122.0, 24)
    near, far = 2.0 ** np.arange(0, 4.1, 0.25), 2.0 ** np.arange(8, 12.1, 0.25)
    slopes = []
    for distance in (near, far):
        points = middle + distance[:, None] * [1.0, 0.0, 0.0]
        pressure = np.abs(element_sum(positions, points, frequency)) ** 2
        level = 10.0 * np.log10(pressure.mean(axis=1))
        slopes.append(np.polyfit(np.log2(distance), level, 1)[0])
    assert slopes[0] == pytest.approx(-3.0, abs=0.5)
    assert slopes[1] == pytest.approx(-6.0, abs=0.1)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: loudspeakers.directivity_factor(0.0, 90.0),
         "coverage_h_deg must be between 1 and 360 degrees"),
        (
            lambda: loudspeakers.box_directivity(181.0, 0.0, 90.0, 60.0),
            "angle_off_deg must be between 0 and 180 degrees, got 181",
        ),
        (
            lambda: loudspeakers.box_directivity(1.0, np.nan, 90.0, 60.0),
            "roll_deg must be a finite number",
        ),
        (
            lambda: loudspeakers.box_directivity(1.0, 0.0, 400.0, 60.0),
            "coverage_h_deg must be between 1 and 360 degrees, got 400",
        ),
        (
            lambda: loudspeakers.directivity_factor(90.0, 0.5),
            "coverage_v_deg must be between 1 and 360 degrees, got 0.5",
        ),
        (
            lambda: loudspeakers.directivity_factor(90.0, 60.0, rear_floor_db=3.0),
            "rear_floor_db must be at most 0 dB, got 3",
        ),
        (
            lambda: loudspeakers.directivity_factor(90.0, 60.0, frequency_hz=100.0),
            "frequency_hz and control_hz go together, got only one of them",
        ),
        (
            lambda: loudspeakers.directivity_factor(90.0, 60.0, control_hz=100.0),
            "frequency_hz and control_hz go together, got only one of them",
        ),
        (
            lambda: loudspeakers.box_directivity(
                1.0, 0.0, 90.0, 60.0, frequency_hz=0.0, control_hz=800.0
            ),
            "frequency_hz must be between 0.001 and 1000000 Hz, got 0",
        ),
        (
            lambda: loudspeakers.box_directivity(
                1.0, 0.0, 90.0, 60.0, frequency_hz=100.0, control_hz=-1.0
            ),
            "control_hz must be between 0.001 and 1000000 Hz, got -1",
        ),
        (
            lambda: loudspeakers.off_axis_angles([1, 2, 3], [1, 2, 3], [4, 5, 6]),
            "aim_m must not lie at source_m: it gives no direction",
        ),
        (
            lambda: loudspeakers.off_axis_angles([1, 2, 3], [4, 2, 3], [[4, 5, 6], [1, 2, 3]]),
            "point_m must not lie at source_m: it has no direction",
        ),
        (
            lambda: loudspeakers.off_axis_angles([1, 2], [4, 2], [4, 5]),
            "source_m must hold x, y, z in metres",
        ),
        (
            lambda: loudspeakers.off_axis_angles(np.zeros((2, 3)), np.ones((4, 3)), [4, 5, 6]),
            r"fit together \(broadcast\), got source_m \(2, 3\), aim_m \(4, 3\), point_m \(3,\)",
        ),
        (
            lambda: loudspeakers.array_elements([0, 0, 0], [0, 0, 0], elements=2, spacing_m=1.0),
            "aim_m must not lie at position_m: it gives no direction",
        ),
        (
            lambda: loudspeakers.array_elements(np.zeros((2, 3)), [1, 0, 0], elements=1),
            r"position_m and aim_m must be one point each, got shapes \(2, 3\) and \(3,\)",
        ),
        (
            lambda: loudspeakers.array_elements([0, 0, 0], [1, 0, 0], elements=0),
            "elements must be between 1 and 1000, got 0",
        ),
        (
            lambda: loudspeakers.array_elements([0, 0, 0], [1, 0, 0], elements=2.5, spacing_m=1.0),
            "elements must be a whole number, between 1 and 1000, got 2.5",
        ),
        (
            lambda: loudspeakers.array_elements([0, 0, 0], [1, 0, 0], elements=2),
            "spacing_m must be above 0 m, got 0",
        ),
        (
            lambda: loudspeakers.array_elements(
                [0, 0, 0], [1, 0, 0], elements=4, spacing_m=1.0, splay_deg=[1.0, 2.0]
            ),
            r"splay_deg must be one angle or 3 \(one for each joint\), got shape \(2,\)",
        ),
        (
            lambda: loudspeakers.array_elements(
                [0, 0, 0], [1, 0, 0], elements=2, spacing_m=1.0, splay_deg=-1.0
            ),
            "splay_deg must be between 0 and 90 degrees, got -1",
        ),
        (
            lambda: loudspeakers.array_radiated_power(
                np.zeros((2, 3)), [1, 0, 0], 100.0, SPEED, 90.0, 60.0
            ),
            r"positions_m and aims must have one shape \(n, 3\), got \(2, 3\) and \(3,\)",
        ),
        (
            lambda: loudspeakers.array_radiated_power(
                np.zeros((1, 3)), [[1, 0, 0]], 30e3, SPEED, 90.0, 60.0
            ),
            "frequency_hz must be above 0 and at most 25000 Hz, got 30000",
        ),
    ],
)
def test_bad_values_are_named(call, message):
    with pytest.raises(ValueError, match=message):
        call()
