"""A listener's head: what either ear gets of sound from a direction.

Measured on a KEMAR manikin (Gardner and Martin 1994, MIT Media Lab Perceptual
Computing, Technical Report 280); `data/head.txt` says what was done to it.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from fillalign._validate import ComplexArray, FloatArray
from fillalign.venue import Venue, shipped_path

_STEP_DEG = 5.0
_GRID = 4096
_BENEATH_M = 0.1


@cache
def _measured() -> dict[str, Any]:
    """Read the head that comes with the library, once a process.

    The left ear every 5 degrees, counted from the front to the left: `response` (72, f) at
    `frequency_hz` holds no delay; `delay_s` (72,) is against the middle of the head;
    `coherence` of both ears in sound from everywhere stands at `coherence_hz`.
    """
    with np.load(shipped_path("data", "head.npz")) as held:
        told = {key: held[key].astype(float) for key in ("delay_s", "coherence_hz", "coherence")}
        taps, rate = held["taps"] * float(held["unit"]), float(held["sample_rate_hz"])
    return {**told, "frequency_hz": np.fft.rfftfreq(_GRID, 1 / rate),
            "response": np.fft.rfft(taps, _GRID)}


def ears(azimuth_deg: float, frequency_hz: FloatArray) -> ComplexArray:
    """Return the response of the left and the right ear to one direction, (2, f)."""
    head, both = _measured(), []
    directions = len(head["delay_s"])
    for turn in (azimuth_deg, -azimuth_deg):
        place = turn / _STEP_DEG % directions
        below = int(place)
        near = [below % directions, (below + 1) % directions]
        share = np.array([1 - place + below, place - below])
        mixed, late = (share @ head[key][near] for key in ("response", "delay_s"))
        size = np.interp(frequency_hz, head["frequency_hz"], mixed)
        both.append(size * np.exp(-2j * np.pi * late * frequency_hz))
    return np.array(both)


def likeness(frequency_hz: FloatArray) -> FloatArray:
    """Return the coherence of both ears in sound from everywhere (f,)."""
    head = _measured()
    return np.asarray(np.interp(frequency_hz, head["coherence_hz"], head["coherence"], right=0.0))


def stage_direction(venue: Venue, ear_m: FloatArray) -> FloatArray:
    """Return which way a listener looks, (2,): level, towards the middle of the mains."""
    places = [source.position_m for source in venue.of_role("main") or venue.sources]
    way = np.mean(places, axis=0)[:2] - ear_m[:2]
    length = float(np.hypot(*way))
    return way / length if length > _BENEATH_M else np.array([-1.0, 0.0])


def azimuth_deg(towards: FloatArray, looking: FloatArray) -> float:
    """Return where a direction (3,) lies for a listener who looks that way, to the left positive.

    Sound from above or below counts as from the horizontal direction with the same
    path difference between the ears: to the ears they are nearly one.
    """
    to_left = np.array([-looking[1], looking[0]])
    way = towards / max(float(np.linalg.norm(towards)), 1e-9)
    side = float(np.degrees(np.arcsin(np.clip(way[:2] @ to_left, -1.0, 1.0))))
    return side if way[:2] @ looking >= 0 else 180.0 - side
