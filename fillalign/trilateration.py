"""Where a box hangs, from laser distances to points that are known.

From the box, or from below it, one measures to two or more known points: the
mains, corners of the stage. Each distance draws a sphere; least squares finds
the place nearest to all of them and says how well they agree.
"""

from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
from numpy.typing import ArrayLike

from fillalign import _validate as arg
from fillalign._validate import FloatArray, as_points, check_choice, checked

__all__ = [
    "Located",
    "locate",
]

SIDES = {"left": (1, 1), "right": (1, -1), "back": (0, 1), "stage": (0, -1),
         "above": (2, 1), "below": (2, -1)}  # fmt: skip
_AXES = "xyz"
_MISFITS = 3.0
_DILUTION = 20.0
_STEPS = 200
_SAME_M = 1e-4


def _as_known(name: str, value: ArrayLike) -> FloatArray:
    return arg.Within("m", -4000.0, 4000.0).held(name, as_points(name, value))


@dataclass(frozen=True)
class Located:
    """A position found from distances, all in m.

    `residuals_m` are the distances as measured less those from the position, in
    the order given, and `misfit_m` is their root mean square. `uncertainty_m` is
    the standard uncertainty of x, y and z from that of the laser: it grows where
    the points lie close together as seen from the position.
    """

    position_m: tuple[float, float, float]
    misfit_m: float
    residuals_m: tuple[float, ...]
    uncertainty_m: tuple[float, float, float]


@checked
def locate(
    points_m: Annotated[Any, _as_known],
    distances_m: Annotated[Any, arg.Within("m", 0.0, 4000.0, open_low=True)],
    *,
    height_m: Annotated[float, arg.Within("m", -2000.0, 2000.0)] | None = None,
    laser_m: Annotated[float, arg.Within("m", 0.001, 1.0)] = 0.02,
    side: str | None = None,
    room_m: arg.Points | None = None,
) -> Located:
    """Find a position from its distances to known points.

    Two points and a height, or three points without one, leave two positions
    that mirror each other. `room_m` drops those outside the room; where two are
    left, `side` must choose.

    Parameters
    ----------
    points_m : array_like, shape (n, 3)
        The known points in m, each -4000 to 4000: 2 or more with a height, 3 or
        more without.
    distances_m : array_like, shape (n,)
        Distance to each in m, above 0 and at most 4000.
    height_m : float, optional
        Height z of the position in m, which is kept as it is.
    laser_m : float
        Standard uncertainty of a distance and of the height, 0.001 to 1 m.
    side : {"left", "right", "back", "stage", "above", "below"}, optional
        Which of two positions to take: left and right as seen from the stage
        (+y and -y), back and stage along x, above and below along z.
    room_m : array_like, shape (2, 3), optional
        Two opposite corners of the room, in m.

    Returns
    -------
    Located
        Position, misfit and uncertainty.

    Raises
    ------
    TypeError, ValueError
        If an argument is out of range; if there are too few points, or all in
        one line; if the distances contradict each other by more than three times
        `laser_m`; if the points lie so that an error of the laser grows more than
        twentyfold; if no position lies in the room; if two are left.

    Notes
    -----
    Least squares by Gauss-Newton steps with Levenberg's damping, started on both
    sides of the line (with a height) or plane that fits the points best.

    Examples
    --------
    Lasered from below a fill to both mains, 13 m apart and as high as the fill:

    >>> found = locate([[0, 6.5, 4.6], [0, -6.5, 4.6]], [26.31, 27.51], height_m=4.6, side="back")
    >>> [round(value, 2) for value in found.position_m]
    [26.0, 2.48, 4.6]
    """
    free = 3 if height_m is None else 2
    if side is not None:
        check_choice("side", side, tuple(SIDES))
    if points_m.ndim != 2 or distances_m.shape != points_m.shape[:1]:
        raise ValueError("points_m must have shape (n, 3) and distances_m shape (n,), got "
                         f"{points_m.shape} and {distances_m.shape}")
    if len(points_m) < free:
        less = "without" if height_m is None else "with"
        raise ValueError(f"at least {free} points are needed {less} a height, got {len(points_m)}")
    starts = _starts(points_m, distances_m, height_m, laser_m)
    found = sorted((_settle(points_m, distances_m, one, free) for one in starts), key=tuple)[::-1]
    if np.linalg.norm(found[0] - found[1]) < _SAME_M:
        found.pop()
    fitting = _fitting(points_m, distances_m, found, free, laser_m)
    place = _chosen(_in_room(fitting, room_m, laser_m), side, laser_m)
    unit, away = _rays(points_m, place)
    residuals = distances_m - away
    return Located(
        position_m=tuple(place.tolist()),
        misfit_m=float(np.sqrt(np.mean(residuals**2))),
        residuals_m=tuple(residuals.tolist()),
        uncertainty_m=tuple(_uncertainty(unit, free, laser_m).tolist()),
    )


def _text(place: FloatArray) -> str:
    return f"({', '.join(f'{value:.2f}' for value in place)}) m"


def _rays(points: FloatArray, place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return unit vectors from the points to a place, (n, 3), and their lengths, (n,)."""
    way = place - points
    away = np.linalg.norm(way, axis=1)
    return way / np.maximum(away, 1e-9)[:, None], away


def _starts(
    points: FloatArray, distances: FloatArray, height: float | None, laser: float
) -> list[FloatArray]:
    """Return a place on either side of the line or plane through the points.

    The squared distances less their mean are linear in the place; along the
    direction in which the points are spread least, only its square is known.
    """
    free = 3 if height is None else 2
    drop = 0.0 if height is None else height - points[:, 2]
    flat = points[:, :free]
    centre = flat.mean(axis=0)
    square = distances**2 - drop**2
    _, spread, axes = np.linalg.svd(flat - centre, full_matrices=True)
    if spread[free - 2] < _MISFITS * laser:
        what = "in one line" if height is None else "above one another"
        raise ValueError(f"the points must not lie all {what} (spread {spread[free - 2]:.3f} m)")
    across = (flat - centre) @ axes[:-1].T
    size = ((flat - centre) ** 2).sum(axis=1)
    known = (size - size.mean()) - (square - square.mean())
    inside = np.linalg.lstsq(2.0 * across, known, rcond=None)[0]
    out = np.sqrt(max(float((square - size).mean() - (inside**2).sum()), 0.0))
    middle = centre + inside @ axes[:-1]
    tail = [] if height is None else [height]
    return [np.array([*(middle + sign * out * axes[-1]), *tail]) for sign in (1.0, -1.0)]


def _settle(
    points: FloatArray, distances: FloatArray, start: FloatArray, free: int
) -> FloatArray:
    """Return the place of least squares nearest to `start`; only the first axes move."""
    place, damping = start, 1e-6
    for _ in range(_STEPS):
        unit, away = _rays(points, place)
        slope, rest = unit[:, :free], distances - away
        step = np.zeros(3)
        step[:free] = np.linalg.solve(slope.T @ slope + damping * np.eye(free), slope.T @ rest)
        left = distances - _rays(points, place + step)[1]
        if (left**2).sum() > (rest**2).sum():
            damping *= 10
            continue
        place, damping = place + step, max(damping / 10, 1e-12)
        if np.linalg.norm(step) < 1e-12 * (1.0 + np.linalg.norm(place)):
            break
    return place


def _fitting(
    points: FloatArray, distances: FloatArray, found: list[FloatArray], free: int, laser: float
) -> list[FloatArray]:
    """Return the places that agree with every distance, or say which one is off."""
    off = [distances - _rays(points, place)[1] for place in found]
    fitting = [p for p, r in zip(found, off, strict=True) if np.abs(r).max() <= _MISFITS * laser]
    if not fitting:
        best = min(range(len(found)), key=lambda i: float((off[i] ** 2).sum()))
        worst = int(np.abs(off[best]).argmax())
        raise ValueError(
            f"the distances contradict each other: at the best position, {_text(found[best])}, "
            f"distance {worst + 1} of {distances[worst]:.3f} m is off by {off[best][worst]:+.3f} m "
            f"(at most {_MISFITS * laser:.3f} m, three times laser_m)"
        )
    for place in fitting:
        narrow = np.linalg.svd(_rays(points, place)[0][:, :free], compute_uv=False).min()
        if narrow * _DILUTION < 1.0:
            grown = f"more than {laser / narrow:.1f}" if narrow > 1e-4 else "many"
            raise ValueError(
                f"the points do not fix the position near {_text(place)}: seen from there they lie "
                f"almost in one direction or its opposite, so {laser:.3f} m of the laser become "
                f"{grown} m; measure to a point off that line"
            )
    return fitting


def _in_room(
    places: list[FloatArray], corners: FloatArray | None, laser: float
) -> list[FloatArray]:
    if corners is None:
        return places
    if corners.shape != (2, 3):
        raise ValueError(f"room_m must be two corners, shape (2, 3), got shape {corners.shape}")
    low, high = corners.min(axis=0) - _MISFITS * laser, corners.max(axis=0) + _MISFITS * laser
    inside = [place for place in places if np.all((place >= low) & (place <= high))]
    if not inside:
        where = " or ".join(map(_text, places))
        raise ValueError(f"the distances lead out of the room, to {where}")
    return inside


def _chosen(places: list[FloatArray], side: str | None, laser: float) -> FloatArray:
    """Return the one place, or of two the one on a side."""
    if len(places) == 1:
        return places[0]
    both = " and ".join(map(_text, places))
    if side is not None:
        axis, sign = SIDES[side]
        ahead = sign * (places[0][axis] - places[1][axis])
        if abs(ahead) <= _MISFITS * laser:
            raise ValueError(f"side {side!r} does not tell {both} apart: they have the same "
                             f"{_AXES[axis]}")
        return places[0 if ahead > 0 else 1]
    raise ValueError(f"the distances fit two positions, {both}: give a side, or measure to one "
                     "more point off the line or plane of the others")


def _uncertainty(unit: FloatArray, free: int, laser: float) -> FloatArray:
    """Propagate the uncertainty of distances and of a height that is kept."""
    inverse = np.linalg.pinv(unit[:, :free])
    variance = (inverse**2).sum(axis=1) + ((inverse @ unit[:, free:]) ** 2).sum(axis=1)
    return laser * np.sqrt([*variance, *(1.0,) * (3 - free)])
