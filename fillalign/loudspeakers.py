"""Where a box sends its sound, alone or as an element of a hung array.

A box is a smooth family of patterns, not a measured balloon: enough to tell
which seats it serves, what goes behind it, and how much it feeds a room. An
array is its elements: where they hang, which way they look, what they radiate.
"""

from typing import Annotated, Any, overload

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import FloatArray, Form, as_number, bordered, checked
from fillalign.levels import Heard

__all__ = [
    "array_elements",
    "array_radiated_power",
    "box_directivity",
    "directivity_factor",
    "off_axis_angles",
]

NOWHERE_M = 1e-9
"""Two places nearer than this are one: there is no direction between them."""

_OMNI_DEG = 360.0
# Beyond this angle the exponent follows a power law of the same slope, since
# the exact one drops to 0 with an infinite slope at 360 degrees.
_KNEE_DEG = 240.0
_KNEE_SLOPE = np.pi / np.sqrt(3.0) / np.log(2.0)
# A box that is less than half open behind keeps its own rear level.
_REAR_OPENS_DEG = 180.0


Coverage = Annotated[Any, arg.Within("degrees", 1.0, _OMNI_DEG)]
OneCoverage = Annotated[float, arg.Within("degrees", 1.0, _OMNI_DEG)]
RearLevel = Annotated[Any, arg.Within("dB", high=0.0)]


def _exponent(coverage: FloatArray, widening: Any = 1.0) -> Any:
    """Return m of ((1 + cos theta) / 2)^m for a coverage angle so many times as wide in a band.

    The pressure is 6 dB down at half the angle: 180 degrees are nearly a cardioid (m = 1).
    """
    knee = np.maximum(coverage, _KNEE_DEG)
    widened = coverage * widening
    held = np.minimum(widened, knee)
    m = -0.15 * np.log(10.0) / np.log(np.cos(np.radians(held) / 4.0))
    return np.where(held >= _OMNI_DEG, 0.0, m) * np.maximum(widened / knee, 1.0) ** -_KNEE_SLOPE


def _pattern_by_band(
    across: Any, upright: Any, frequency_hz: Any, control_hz: Any, rear_floor_db: Any
) -> tuple[Any, Any, Any]:
    """Return both exponents and the rear power by frequency."""
    if (frequency_hz is None) != (control_hz is None):
        raise ValueError("frequency_hz and control_hz go together, got only one of them")
    widening = 1.0 if control_hz is None else np.maximum(control_hz / frequency_hz, 1.0)
    # A box that no longer controls its front does not control its back either:
    # the rear level rises to that of the front as the mean angle nears 360.
    nominal = np.sqrt(across * upright)
    opens = np.maximum(nominal, _REAR_OPENS_DEG)
    span = np.maximum(_OMNI_DEG - opens, NOWHERE_M)
    opened = np.clip((nominal * widening - opens) / span, 0.0, 1.0)
    opened = opened * opened * (3.0 - 2.0 * opened)
    rear = 10.0 ** (rear_floor_db * (1.0 - opened) / 10.0)
    return _exponent(across, widening), _exponent(upright, widening), rear


@overload
def box_directivity(
    angle_off_deg: Form | float, roll_deg: Form | float, coverage_h_deg: Form | float,
    coverage_v_deg: Form | float, *, frequency_hz: Form | float | None = ...,
    control_hz: Form | float | None = ..., rear_floor_db: Form | float = ...
) -> Form: ...
@overload
def box_directivity(
    angle_off_deg: ArrayLike, roll_deg: ArrayLike, coverage_h_deg: ArrayLike,
    coverage_v_deg: ArrayLike, *, frequency_hz: ArrayLike | None = ...,
    control_hz: ArrayLike | None = ..., rear_floor_db: ArrayLike = ...
) -> FloatArray: ...
@bordered
def box_directivity(
    angle_off_deg: Annotated[Any, arg.Within("degrees", 0.0, 180.0)],
    roll_deg: arg.Degrees,
    coverage_h_deg: Coverage,
    coverage_v_deg: Coverage,
    *,
    frequency_hz: Heard | None = None,
    control_hz: Heard | None = None,
    rear_floor_db: RearLevel = -20.0,
) -> Any:
    """Return the pressure of a box off its axis relative to on axis, 0 to 1.

    Everything broadcasts: angles of shape (..., 1) and frequencies of shape
    (bands,) give (..., bands).

    Parameters
    ----------
    angle_off_deg, roll_deg : array_like
        Angle off the axis, 0 to 180 degrees, and angle around it: 0 in the
        box's horizontal plane, 90 in its vertical one. See `off_axis_angles`.
    coverage_h_deg, coverage_v_deg : array_like
        Coverage angles between the -6 dB points, 1 to 360 degrees.
    frequency_hz, control_hz : array_like, optional
        Frequency, and the frequency below which both angles widen in
        proportion to 1/f; without them the nominal pattern is returned.
    rear_floor_db : array_like
        Level straight behind the box, at most 0 dB.

    Raises
    ------
    TypeError, ValueError
        If an angle, frequency or level is out of range, or only one of
        `frequency_hz` and `control_hz` is given.

    Notes
    -----
    ``D^2 = (1 - b) ((1 + cos theta) / 2)^(2 m) + b`` with ``m = m_h cos^2 phi +
    m_v sin^2 phi`` and b the rear power. Where the widened angles (geometric
    mean) pass 180 degrees, b rises in dB and reaches 1 at 360: omnidirectional.

    Examples
    --------
    >>> round(box_directivity(45.0, 0.0, 90.0, 60.0), 3)
    0.509
    """
    half, upward = np.cos(np.radians(angle_off_deg) / 2.0) ** 2, np.sin(np.radians(roll_deg)) ** 2
    return _pattern(half, upward, *_pattern_by_band(
        coverage_h_deg, coverage_v_deg, frequency_hz, control_hz, rear_floor_db))


def _pattern(half: Any, upward: Any, m_h: Any, m_v: Any, rear: Any) -> Any:
    """Return the pressure of a box from (1 + cos theta) / 2 and sin^2 phi."""
    power = np.exp((m_h + (m_v - m_h) * upward) * (2.0 * np.log(half)))
    return np.sqrt((1.0 - rear) * power + rear)


@overload
def directivity_factor(
    coverage_h_deg: Form | float, coverage_v_deg: Form | float, *,
    frequency_hz: Form | float | None = ..., control_hz: Form | float | None = ...,
    rear_floor_db: Form | float = ...
) -> Form: ...
@overload
def directivity_factor(
    coverage_h_deg: ArrayLike, coverage_v_deg: ArrayLike, *, frequency_hz: ArrayLike | None = ...,
    control_hz: ArrayLike | None = ..., rear_floor_db: ArrayLike = ...
) -> FloatArray: ...
@bordered
def directivity_factor(
    coverage_h_deg: Coverage,
    coverage_v_deg: Coverage,
    *,
    frequency_hz: Heard | None = None,
    control_hz: Heard | None = None,
    rear_floor_db: RearLevel = -20.0,
) -> Any:
    """Return Q of a box: its on-axis power over its mean over the sphere.

    Parameters
    ----------
    coverage_h_deg, coverage_v_deg, frequency_hz, control_hz, rear_floor_db : array_like
        As for `box_directivity`; they broadcast.

    Raises
    ------
    TypeError, ValueError
        As for `box_directivity`.

    Notes
    -----
    ``1/Q = (1 - b)/Q0 + b`` with ``Q0 = sqrt((2 m_h + 1)(2 m_v + 1))``, the
    exact integral of the pattern.

    Examples
    --------
    >>> round(directivity_factor(90.0, 60.0), 1)
    12.6
    """
    m_h, m_v, rear = _pattern_by_band(
        coverage_h_deg, coverage_v_deg, frequency_hz, control_hz, rear_floor_db
    )
    family = np.sqrt((2.0 * m_h + 1.0) * (2.0 * m_v + 1.0))
    return 1.0 / ((1.0 - rear) / family + rear)


def _unit_vectors(vector: FloatArray, message: str) -> FloatArray:
    """Return vectors of length 1, or raise ValueError with the message where there is none."""
    length = np.linalg.norm(vector, axis=-1, keepdims=True)
    if np.any(length < NOWHERE_M):
        raise ValueError(message)
    return np.asarray(vector / length)


def _heading_of(forward: FloatArray) -> FloatArray:
    """Return the level unit vector a box faces; +x if it looks straight up or down."""
    level = forward * np.array([1.0, 1.0, 0.0])
    length = np.linalg.norm(level, axis=-1, keepdims=True)
    upright = length < NOWHERE_M
    return np.where(upright, [1.0, 0.0, 0.0], level / np.where(upright, 1.0, length))


def _box_frame(forward: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the unit vectors to the right of and up from upright boxes that look forward."""
    heading = _heading_of(forward)
    right = np.stack([heading[..., 1], -heading[..., 0], np.zeros(heading.shape[:-1])], axis=-1)
    return right, np.cross(right, forward)


@bordered
def off_axis_angles(
    source_m: arg.Points, aim_m: arg.Points, point_m: arg.Points
) -> tuple[Any, Any]:
    """Return the angle of points off a box's axis and around it, in degrees.

    The box stands upright: its horizontal plane holds its axis and the level
    line to its sides. A box that looks straight down (or up) has its top (or
    bottom) towards +x, as if tilted from facing into the room.

    Parameters
    ----------
    source_m, aim_m, point_m : array_like, shape (..., 3)
        Positions of the box, of the point it is aimed at, and of the points
        asked for, in m; they broadcast.

    Returns
    -------
    theta_deg, phi_deg : float or ndarray, shape (...)
        Angle off the axis, 0 to 180 degrees, and around it, 0 (horizontal
        plane) to 90 (vertical plane); left and right, up and down are alike.

    Raises
    ------
    TypeError, ValueError
        If positions are not x, y, z, or the aim or a point is at the box.

    Examples
    --------
    >>> off_axis_angles([0, 0, 5], [10, 0, 5], [10, 10, 5])
    (45.0, 0.0)
    """
    forward = _unit_vectors(
        aim_m - source_m, "aim_m must not lie at source_m: it gives no direction")
    right, up = _box_frame(forward)
    ray = point_m - source_m
    along, across, above = (np.einsum("...i,...i", ray, axis) for axis in (forward, right, up))
    aside = np.hypot(across, above)
    if np.any(np.hypot(along, aside) < NOWHERE_M):
        raise ValueError("point_m must not lie at source_m: it has no direction")
    theta = np.degrees(np.arctan2(aside, along))
    return theta, np.degrees(np.arctan2(np.abs(above), np.abs(across)))


@checked
def array_elements(
    position_m: arg.Points,
    aim_m: arg.Points,
    *,
    elements: Annotated[int, arg.Within("", 1.0, 1000.0)],
    spacing_m: float = 0.0,
    splay_deg: Annotated[Any, arg.Within("degrees", 0.0, 90.0)] = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return where the elements of a hung array are and which way they look.

    Centres in m, top to bottom, and unit vectors of their axes: shape (elements, 3) each.

    Parameters
    ----------
    position_m, aim_m : array_like, shape (3,)
        Centre of the top element and the point it is aimed at, in m.
    elements : int
        Number of elements, 1 to 1000.
    spacing_m : float
        Distance from each element's centre to the next, above 0 m for more
        than one element.
    splay_deg : array_like
        How far each element is tilted down from the one above, 0 to 90
        degrees: one figure, or one for each joint (`elements` - 1 of them).

    Raises
    ------
    TypeError, ValueError
        If the aim is at the position, `elements` is not a whole number of at
        least 1, or spacing or splay are out of range or of the wrong count.

    Examples
    --------
    >>> positions, _ = array_elements([0, 0, 11], [40, 0, 11], elements=3, spacing_m=0.3)
    >>> positions[:, 2].round(1)
    array([11. , 10.7, 10.4])
    """
    if position_m.shape != (3,) or aim_m.shape != (3,):
        raise ValueError("position_m and aim_m must be one point each, got shapes "
                         f"{position_m.shape} and {aim_m.shape}")
    forward = _unit_vectors(
        aim_m - position_m, "aim_m must not lie at position_m: it gives no direction")
    spacing = as_number("spacing_m", spacing_m, "m", low=0.0, open_low=elements > 1)
    if np.ndim(splay_deg) and splay_deg.shape != (elements - 1,):
        raise ValueError(f"splay_deg must be one angle or {elements - 1} (one for each joint), "
                         f"got shape {splay_deg.shape}")
    joints = np.broadcast_to(splay_deg, (elements - 1,))
    heading = _heading_of(forward)
    first = np.arctan2(-forward[2], forward @ heading)
    tilt = first + np.radians(np.concatenate([[0.0], np.cumsum(joints)]))
    # A joint shares its splay: the line from centre to centre leans half way.
    lean = (tilt[1:] + tilt[:-1]) / 2.0
    down = np.array([0.0, 0.0, -1.0])
    steps = spacing * (np.outer(-np.sin(lean), heading) + np.outer(np.cos(lean), down))
    positions = position_m + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    return positions, np.outer(np.cos(tilt), heading) + np.outer(np.sin(tilt), down)


@checked
def array_radiated_power(
    positions_m: arg.Points,
    aims: arg.Points,
    frequency_hz: Annotated[Any, arg.Within("Hz", 0.0, 25e3, open_low=True)],
    speed_m_s: Annotated[float, arg.Within("m/s", 200.0, 500.0)],
    coverage_h_deg: OneCoverage,
    coverage_v_deg: OneCoverage,
    *,
    control_hz: Annotated[float, arg.Within("Hz", 1e-3, 1e6)] | None = None,
    rear_floor_db: Annotated[float, arg.Within("dB", high=0.0)] = -20.0,
) -> Any:
    """Return the power, shape (...), of an array of directive boxes over that of one omni.

    The omni has the level of one element on its axis; a single box gives 1/Q.

    Parameters
    ----------
    positions_m, aims : array_like, shape (n, 3)
        Centres in m and axes of the elements, as `array_elements` returns them.
    frequency_hz : array_like, shape (...)
        Frequencies, above 0 to 25,000 Hz. Higher ones cost more: about 0.3 s
        for ten elements, 3 m in all, in 27 third octaves.
    speed_m_s : float
        Speed of sound, 200 to 500 m/s.
    coverage_h_deg, coverage_v_deg, control_hz, rear_floor_db : float
        The elements, as for `box_directivity`.

    Raises
    ------
    TypeError, ValueError
        If positions or aims are not (n, 3) or a number is out of range.

    Notes
    -----
    The mean over the sphere of the squared pressure far away, by Gauss-Legendre
    quadrature along the array and equal steps around it, as many as the
    wavelength and the coverage angles need: within 0.05 dB for hung
    arrays, within 2 dB for boxes scattered in other shapes.

    Examples
    --------
    >>> positions, aims = array_elements([0, 0, 5], [9, 0, 5], elements=4, spacing_m=0.3)
    >>> round(array_radiated_power(positions, aims, 1000.0, 343.0, 90.0, 60.0), 2)
    0.42
    """
    if positions_m.ndim != 2 or aims.shape != positions_m.shape:
        raise ValueError("positions_m and aims must have one shape (n, 3), got "
                         f"{positions_m.shape} and {aims.shape}")
    frequency = None if control_hz is None else frequency_hz
    pattern = _pattern_by_band(
        coverage_h_deg, coverage_v_deg, frequency, control_hz, rear_floor_db)
    m_h, m_v, rear = (np.broadcast_to(part, frequency_hz.shape).ravel() for part in pattern)
    across, upright = np.sqrt(_exponent(np.array([coverage_h_deg, coverage_v_deg])))
    offsets = positions_m - positions_m.mean(axis=0)
    along = np.linalg.svd(offsets)[2][0] if len(offsets) > 1 else np.array([0.0, 0.0, 1.0])
    reach = np.abs(offsets @ along).max()
    forward = _unit_vectors(aims, "aims must not be 0: the box has no direction")
    frames = list(zip(offsets, forward, *_box_frame(forward), strict=True))
    power = np.empty(frequency_hz.size)
    for band, k in enumerate(2.0 * np.pi * frequency_hz.ravel() / speed_m_s):
        zones = 1.5 + 0.16 * max(across, upright) + 0.065 * k * reach
        rays, share = _sphere(along, zones, 10.0 + 2.2 * across)
        pressure = np.zeros(len(rays), dtype=complex)
        for offset, ahead, right, up in frames:
            # As box_directivity, from the rays' components instead of angles.
            aside, above = (rays @ right) ** 2, (rays @ up) ** 2
            upward = above / (aside + above + NOWHERE_M**2)
            half = np.maximum((1.0 + rays @ ahead) / 2.0, NOWHERE_M**2)
            size = _pattern(half, upward, m_h[band], m_v[band], rear[band])
            pressure += size * np.exp(1j * k * (rays @ offset))
        power[band] = share @ np.abs(pressure) ** 2
    return power.reshape(frequency_hz.shape)


def _sphere(axis: FloatArray, zones: float, steps: float) -> tuple[FloatArray, FloatArray]:
    """Return unit vectors over the sphere and the share of it each stands for.

    Zones along the axis hold 16 Gauss-Legendre points each, and so many steps go around it.
    """
    first = _unit_vectors(np.cross(axis, np.eye(3)[np.abs(axis).argmin()]), "")
    point, share = np.polynomial.legendre.leggauss(16)
    # The cap bites over 100 m at 20 kHz only, where elements are incoherent anyway.
    count, around = int(np.ceil(min(zones, 2000.0))), int(np.ceil(steps))
    centre = (2.0 * np.arange(count) + 1.0) / count - 1.0
    height = np.add.outer(centre, point / count).ravel()
    turn = np.arange(around) * (2.0 * np.pi / around)
    circle = np.outer(np.cos(turn), first) + np.outer(np.sin(turn), np.cross(axis, first))
    radius = np.sqrt(1.0 - height**2)
    rays = height[:, None, None] * axis + radius[:, None, None] * circle
    return rays.reshape(-1, 3), np.repeat(np.tile(share / count, count) / (2.0 * around), around)

