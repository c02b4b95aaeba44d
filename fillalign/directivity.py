"""Where a box sends its sound.

A box is a smooth family of patterns, not a measured balloon: enough to tell
which seats it serves, what goes behind it, and how much it feeds a room.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._check import FloatArray, as_float, as_points, scalar_out
from fillalign.levels import as_frequency

OMNI_DEG = 360.0
# Beyond this angle the exponent follows a power law of the same slope, since
# the exact one drops to 0 with an infinite slope at 360 degrees.
KNEE_DEG = 240.0
KNEE_SLOPE = np.pi / np.sqrt(3.0) / np.log(2.0)
# A box that is less than half open behind keeps its own rear level.
REAR_OPENS_DEG = 180.0

NOWHERE_M = 1e-9


def _exponent(coverage: Any) -> Any:
    with np.errstate(divide="ignore"):
        m = -0.15 * np.log(10.0) / np.log(np.cos(np.radians(coverage) / 4.0))
    return np.where(coverage >= OMNI_DEG, 0.0, m)


def box_exponent(coverage_deg: ArrayLike) -> Any:
    """Return m of the pattern ((1 + cos theta) / 2)^m of a coverage angle.

    Parameters
    ----------
    coverage_deg : array_like
        Full angle between the -6 dB points, 1 to 360 degrees.

    Raises
    ------
    TypeError, ValueError
        If an angle is out of range.

    Notes
    -----
    The pressure is 6 dB down at half the coverage angle. A 180 degree box is
    nearly a cardioid (m = 1); 360 degrees is omnidirectional (m = 0).

    Examples
    --------
    >>> round(box_exponent(90.0), 2)
    4.36
    """
    return scalar_out(_exponent(_coverage("coverage_deg", coverage_deg)))


def _coverage(name: str, value: ArrayLike) -> FloatArray:
    return as_float(name, value, "degrees", low=1.0, high=OMNI_DEG)


def _widened_exponent(coverage: FloatArray, widening: FloatArray) -> FloatArray:
    knee = np.maximum(coverage, KNEE_DEG)
    widened = coverage * widening
    beyond = np.maximum(widened / knee, 1.0) ** -KNEE_SLOPE
    return np.asarray(_exponent(np.minimum(widened, knee)) * beyond)


def pattern_by_band(
    coverage_h_deg: ArrayLike,
    coverage_v_deg: ArrayLike,
    frequency_hz: ArrayLike | None,
    control_hz: ArrayLike | None,
    rear_floor_db: ArrayLike,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return both exponents and the rear power by frequency."""
    across = _coverage("coverage_h_deg", coverage_h_deg)
    upright = _coverage("coverage_v_deg", coverage_v_deg)
    floor_db = as_float("rear_floor_db", rear_floor_db, "dB", high=0.0)
    if (frequency_hz is None) != (control_hz is None):
        raise ValueError("frequency_hz and control_hz go together, got only one of them")
    widening = np.ones(())
    if frequency_hz is not None and control_hz is not None:
        frequency = as_frequency("frequency_hz", frequency_hz)
        widening = np.maximum(as_frequency("control_hz", control_hz) / frequency, 1.0)
    # A box that no longer controls its front does not control its back either:
    # the rear level rises to that of the front as the mean angle nears 360.
    nominal = np.sqrt(across * upright)
    opens = np.maximum(nominal, REAR_OPENS_DEG)
    span = np.maximum(OMNI_DEG - opens, NOWHERE_M)
    opened = np.clip((nominal * widening - opens) / span, 0.0, 1.0)
    opened = opened * opened * (3.0 - 2.0 * opened)
    rear = 10.0 ** (floor_db * (1.0 - opened) / 10.0)
    return _widened_exponent(across, widening), _widened_exponent(upright, widening), rear


def box_directivity(
    angle_off_deg: ArrayLike,
    roll_deg: ArrayLike,
    coverage_h_deg: ArrayLike,
    coverage_v_deg: ArrayLike,
    *,
    frequency_hz: ArrayLike | None = None,
    control_hz: ArrayLike | None = None,
    rear_floor_db: ArrayLike = -20.0,
) -> Any:
    """Return the pressure of a box off its axis relative to on axis.

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

    Returns
    -------
    float or ndarray
        Amplitude ratio, 0 to 1. Everything broadcasts: angles of shape
        (..., 1) and frequencies of shape (bands,) give (..., bands).

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
    theta = np.radians(as_float("angle_off_deg", angle_off_deg, "degrees", low=0.0, high=180.0))
    sine2 = np.sin(np.radians(as_float("roll_deg", roll_deg, "degrees"))) ** 2
    m_h, m_v, rear = pattern_by_band(
        coverage_h_deg, coverage_v_deg, frequency_hz, control_hz, rear_floor_db
    )
    # (1 + cos theta) / 2 = cos^2(theta / 2): one logarithm an angle, then one
    # exponential for each angle and band.
    decay = 4.0 * np.log(np.cos(theta / 2.0))
    power = np.asarray(decay * (1.0 - sine2) * m_h + decay * sine2 * m_v)
    np.exp(power, out=power)
    power *= 1.0 - rear
    power += rear
    return scalar_out(np.sqrt(power, out=power))


def directivity_factor(
    coverage_h_deg: ArrayLike,
    coverage_v_deg: ArrayLike,
    *,
    frequency_hz: ArrayLike | None = None,
    control_hz: ArrayLike | None = None,
    rear_floor_db: ArrayLike = -20.0,
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
    m_h, m_v, rear = pattern_by_band(
        coverage_h_deg, coverage_v_deg, frequency_hz, control_hz, rear_floor_db
    )
    family = np.sqrt((2.0 * m_h + 1.0) * (2.0 * m_v + 1.0))
    return scalar_out(1.0 / ((1.0 - rear) / family + rear))


def unit_vectors(vector: FloatArray, message: str) -> FloatArray:
    """Return vectors of length 1, or raise ValueError with the message where there is none."""
    length = np.linalg.norm(vector, axis=-1, keepdims=True)
    if np.any(length < NOWHERE_M):
        raise ValueError(message)
    return np.asarray(vector / length)


def heading_of(forward: FloatArray) -> FloatArray:
    """Return the level unit vector a box faces; +x if it looks straight up or down."""
    level = forward * np.array([1.0, 1.0, 0.0])
    length = np.linalg.norm(level, axis=-1, keepdims=True)
    upright = length < NOWHERE_M
    return np.where(upright, [1.0, 0.0, 0.0], level / np.where(upright, 1.0, length))


def box_frame(forward: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the unit vectors to the right of and up from upright boxes that look forward."""
    heading = heading_of(forward)
    right = np.stack([heading[..., 1], -heading[..., 0], np.zeros(heading.shape[:-1])], axis=-1)
    return right, np.cross(right, forward)


def off_axis_angles(source_m: ArrayLike, aim_m: ArrayLike, point_m: ArrayLike) -> tuple[Any, Any]:
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
    source = as_points("source_m", source_m)
    aim, point = as_points("aim_m", aim_m), as_points("point_m", point_m)
    forward = unit_vectors(aim - source, "aim_m must not lie at source_m: the box has no direction")
    right, up = box_frame(forward)
    ray = point - source
    along, across, above = (np.einsum("...i,...i", ray, axis) for axis in (forward, right, up))
    aside = np.hypot(across, above)
    if np.any(np.hypot(along, aside) < NOWHERE_M):
        raise ValueError("point_m must not lie at source_m: it has no direction")
    theta = np.degrees(np.arctan2(aside, along))
    phi = np.degrees(np.arctan2(np.abs(above), np.abs(across)))
    return scalar_out(theta), scalar_out(phi)
