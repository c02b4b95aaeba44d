"""Arrays of boxes: where their elements are, and what power they send together."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign._check import FloatArray, as_float, as_number, as_points, as_whole, scalar_out
from fillalign._turns import cosine_and_sine
from fillalign.directivity import (
    NOWHERE_M,
    box_exponent,
    box_frame,
    heading_of,
    pattern_by_band,
    unit_vectors,
)
from fillalign.levels import as_frequency


def array_elements(
    position_m: ArrayLike,
    aim_m: ArrayLike,
    *,
    elements: int,
    spacing_m: float = 0.0,
    splay_deg: ArrayLike = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """Return where the elements of a hung array are and which way they look.

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

    Returns
    -------
    positions_m, aims : ndarray, shape (elements, 3)
        Centres in m, top to bottom, and unit vectors of their axes.

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
    top = as_points("position_m", position_m)
    aim = as_points("aim_m", aim_m)
    if top.shape != (3,) or aim.shape != (3,):
        raise ValueError("position_m and aim_m must be one point each, got shapes "
                         f"{top.shape} and {aim.shape}")
    pointless = "aim_m must not lie at position_m: the array has no direction"
    forward = unit_vectors(aim - top, pointless)
    count = as_whole("elements", elements, low=1.0, high=1000.0)
    joints = _splay(splay_deg, count - 1)
    spacing = as_float("spacing_m", spacing_m, "m", low=0.0, open_low=count > 1)
    heading = heading_of(forward)
    first = np.arctan2(-forward[2], forward @ heading)
    tilt = first + np.radians(np.concatenate([[0.0], np.cumsum(joints)]))
    # A joint shares its splay: the line from centre to centre leans half way.
    lean = (tilt[1:] + tilt[:-1]) / 2.0
    down = np.array([0.0, 0.0, -1.0])
    steps = spacing * (np.outer(-np.sin(lean), heading) + np.outer(np.cos(lean), down))
    positions = top + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    return positions, np.outer(np.cos(tilt), heading) + np.outer(np.sin(tilt), down)


def _splay(value: ArrayLike, joints: int) -> FloatArray:
    splay = as_float("splay_deg", value, "degrees", low=0.0, high=90.0)
    if splay.ndim and splay.shape != (joints,):
        raise ValueError(f"splay_deg must be one angle or {joints} (one for each joint), "
                         f"got shape {splay.shape}")
    return np.broadcast_to(splay, (joints,))


def array_power_factor(
    positions_m: ArrayLike,
    frequency_hz: ArrayLike,
    speed_m_s: float,
    *,
    amplitudes: ArrayLike | None = None,
) -> Any:
    """Return the power an array radiates over that of one element of amplitude 1.

    Close together, elements load each other: n of them radiate up to n^2 times
    the power of one in the lows and n times in the highs.

    Parameters
    ----------
    positions_m : array_like, shape (n, 3)
        Centres of the elements, in m.
    frequency_hz : array_like, shape (...)
        Frequencies, 0.001 Hz to 1 MHz.
    speed_m_s : float
        Speed of sound, 200 to 500 m/s.
    amplitudes : array_like, shape (n,), optional
        Amplitude of each element (negative: reversed polarity); 1 by default.

    Returns
    -------
    float or ndarray, shape (...)
        Power ratio.

    Raises
    ------
    TypeError, ValueError
        If positions are not (n, 3), amplitudes are not n, or frequency or
        speed are out of range.

    Notes
    -----
    ``W = sum_ij A_i A_j sinc(2 f s_ij / c)``, s_ij the distances between the
    elements, sinc(x) = sin(pi x) / (pi x): for elements that each radiate alike
    in all directions. Dividing it by the Q of directive elements is up to 7 dB
    too low in the mids; `array_radiated_power` is right for those.

    Examples
    --------
    >>> round(array_power_factor([[0, 0, 0], [0, 0, 0.3]], 50.0, 343.0), 2)
    3.97
    """
    positions = _array_positions(positions_m)
    frequency = as_frequency("frequency_hz", frequency_hz)
    speed = as_number("speed_m_s", speed_m_s, "m/s", low=200.0, high=500.0)
    amplitude = np.ones(len(positions))
    if amplitudes is not None:
        amplitude = as_float("amplitudes", amplitudes)
        if amplitude.shape != (len(positions),):
            raise ValueError(f"amplitudes must hold one for each of {len(positions)} elements, "
                             f"got shape {amplitude.shape}")
    apart = np.linalg.norm(positions[:, np.newaxis] - positions, axis=-1)
    coupling = np.sinc(2.0 * frequency[..., np.newaxis, np.newaxis] * apart / speed)
    return scalar_out(np.einsum("i,...ij,j", amplitude, coupling, amplitude))


def array_radiated_power(
    positions_m: ArrayLike,
    aims: ArrayLike,
    frequency_hz: ArrayLike,
    speed_m_s: float,
    coverage_h_deg: float,
    coverage_v_deg: float,
    *,
    control_hz: float | None = None,
    rear_floor_db: float = -20.0,
) -> Any:
    """Return the power of an array of directive boxes over that of one omni.

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

    Returns
    -------
    float or ndarray, shape (...)
        Power ratio.

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
    positions = _array_positions(positions_m)
    axes = as_points("aims", aims)
    if axes.shape != positions.shape:
        raise ValueError(f"aims must have the shape of positions_m, {positions.shape}, "
                         f"got {axes.shape}")
    frequency = as_float("frequency_hz", frequency_hz, "Hz", low=0.0, high=25e3, open_low=True)
    speed = as_number("speed_m_s", speed_m_s, "m/s", low=200.0, high=500.0)
    m_h, m_v, rear = (np.broadcast_to(part, frequency.shape).ravel() for part in pattern_by_band(
        coverage_h_deg, coverage_v_deg, None if control_hz is None else frequency, control_hz,
        rear_floor_db,
    ))
    across, upright = (np.sqrt(box_exponent(as_number(name, value, "deg"))) for name, value in (
        ("coverage_h_deg", coverage_h_deg), ("coverage_v_deg", coverage_v_deg)))
    offsets = positions - positions.mean(axis=0)
    along = np.linalg.svd(offsets)[2][0] if len(offsets) > 1 else np.array([0.0, 0.0, 1.0])
    reach = np.abs(offsets @ along).max()
    forward = unit_vectors(axes, "aims must not be 0: the box has no direction")
    across_it = unit_vectors(np.cross(along, np.eye(3)[np.abs(along).argmin()]), "")
    own = along, across_it, np.cross(along, across_it)
    frames = list(zip(offsets, forward, *box_frame(forward), strict=True))
    power = np.empty(frequency.size)
    for band, hertz in enumerate(frequency.flat):
        k = 2.0 * np.pi * hertz / speed
        zones = 1.5 + 0.16 * max(across, upright) + 0.065 * k * reach
        rays, share = _sphere(own, zones, 10.0 + 2.2 * across)
        real, imag, facing = np.zeros(len(rays)), np.zeros(len(rays)), None
        for offset, ahead, right, up in frames:
            if facing is None or (ahead != facing).any():
                # As box_directivity, from the rays' components instead of angles.
                aside, above = (rays @ right) ** 2, (rays @ up) ** 2
                part = above / (aside + above + NOWHERE_M**2)
                exponent = m_h[band] + (m_v[band] - m_h[band]) * part
                half = np.maximum((1.0 + rays @ ahead) / 2.0, NOWHERE_M**2)
                size = np.sqrt((1.0 - rear[band]) * half ** (2.0 * exponent) + rear[band])
                facing = ahead
            cosine, sine = cosine_and_sine(rays @ (offset * (k / 2.0)))
            real += size * cosine
            imag += size * sine
        power[band] = share @ (real * real + imag * imag)
    return scalar_out(power.reshape(frequency.shape))


@cache
def _gauss() -> tuple[FloatArray, FloatArray]:
    """Return 16 Gauss-Legendre nodes and weights (Golub and Welsch 1969, Math. Comp. 23, 221).

    As `numpy.polynomial` has them, whose import takes longer than a plan's integrals.
    """
    k = np.arange(1.0, 16.0)
    beside = np.diag(k / np.sqrt(4.0 * k * k - 1.0), 1)
    node, vector = np.linalg.eigh(beside + beside.T)
    return node, 2.0 * vector[0] ** 2


def _sphere(
    frame: tuple[FloatArray, FloatArray, FloatArray], zones: float, steps: float
) -> tuple[FloatArray, FloatArray]:
    """Return unit vectors over the sphere and the share of it each stands for.

    `frame` holds the axis to go along and two more, all at right angles.
    """
    axis, first, second = frame
    point, share = _gauss()
    # The cap bites over 100 m at 20 kHz only, where elements are incoherent anyway.
    count, around = int(np.ceil(min(zones, 2000.0))), int(np.ceil(steps))
    centre = (2.0 * np.arange(count) + 1.0) / count - 1.0
    height = np.add.outer(centre, point / count).ravel()
    weight = np.tile(share / count, count)
    turn = np.arange(around) * (2.0 * np.pi / around)
    circle = np.outer(np.cos(turn), first) + np.outer(np.sin(turn), second)
    radius = np.sqrt(1.0 - height**2)
    rays = height[:, None, None] * axis + radius[:, None, None] * circle
    return rays.reshape(-1, 3), np.repeat(weight / (2.0 * around), around)


def _array_positions(value: ArrayLike) -> FloatArray:
    positions = as_points("positions_m", value)
    if positions.ndim != 2:
        raise ValueError(f"positions_m must have shape (n, 3), got {positions.shape}")
    return positions
