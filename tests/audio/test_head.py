"""Two ears against a head as it was measured, and against what any head of its size must do."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fillalign import read_demo_venue
from fillalign.air import Air
from fillalign.audio.auralise import render_seat
from fillalign.audio.head import azimuth_deg, ears, stage_direction
from fillalign.venue import Venue

MEASURED = pd.read_csv(
    Path(__file__).parents[1] / "published" / "kemar_interaural.csv", comment="#"
)
RATE = 48000
CLICK = np.eye(1, 2401, 2400)[0]
FINE = 16


@cache
def around_a_listener(angle_deg: float) -> Venue:
    """Make a stage ahead of a listener at (20, 0), and a fill 10 m away, so far to the left."""
    room = read_demo_venue("lantern_room")
    turn = np.radians(angle_deg)
    place = (20.0 - 10 * np.cos(turn), -10 * np.sin(turn), 1.2)
    box = replace(room.sources[0], position_m=(0.0, 0.0, 1.2), aim_m=(20.0, 0.0, 1.2))
    fill = replace(next(s for s in room.sources if s.role == "fill"), position_m=place,
                   aim_m=(20.0, 0.0, 1.2))
    states = {name: replace(state, air=Air(20.0, 40.0), wind_m_s=0.0, rt60_s={})
              for name, state in room.states.items()}
    return replace(room, room=None, sources=(box, fill), states=states, measured=())


def interaural(both: np.ndarray, rate: float = RATE) -> tuple[float, np.ndarray]:
    """Read by how many us the left ear leads, and octaves left over right, as in the table."""
    size = 1 << 15
    left, right = np.fft.rfft(both, size, axis=0).T
    frequency = np.fft.rfftfreq(size, 1 / rate)
    band = (frequency > 100) & (frequency < 1500)
    alike = np.fft.irfft(right * np.conj(left) * band, size * FINE)
    lag = np.argmax(alike)
    lag = lag - size * FINE if lag > size * FINE / 2 else lag
    edges = [(c / 2**0.5, min(c * 2**0.5, 20000)) for c in 1000 * 2.0 ** np.arange(-2, 5)]
    power = [[1e-30 + np.sum(np.abs(one[(frequency >= a) & (frequency < b)]) ** 2)
              for a, b in edges] for one in (left, right)]
    return lag / FINE / rate * 1e6, 10 * np.log10(np.divide(*power))


def response(angle_deg: float) -> np.ndarray:
    """Return the head's response to one direction, its start 4 ms in."""
    both = ears(angle_deg, np.fft.rfftfreq(4096, 1 / RATE))
    return np.roll(np.fft.irfft(both), 192, axis=1).T


@pytest.mark.parametrize("angle", [0, 30, 60, 90, 120, 150, 180])
def test_ears_differ_as_those_of_the_measured_head(angle: float) -> None:
    """Gardner and Martin 1994, by the differences of the responses as they were measured."""
    both = render_seat(around_a_listener(angle), CLICK, (20.0, 0.0, 1.2), outputs="fill",
                       ears="two", reference_db=200.0)
    time_us, level_db = interaural(both)
    row = MEASURED[MEASURED.azimuth_deg == angle].to_numpy()[0, 1:]
    assert time_us == pytest.approx(row[0], abs=25.0)
    assert level_db[:3] == pytest.approx(row[1:4], abs=1.0)
    # At 16 kHz the box plays, the air and the smoothing weigh the octave otherwise.
    assert level_db[3:6] == pytest.approx(row[4:7], abs=2.3)
    assert level_db[6] == pytest.approx(row[7], abs=4.0)


def test_time_between_the_ears_is_that_of_a_head() -> None:
    """Kuhn 1977, J. Acoust. Soc. Am. 62, 157-167: 3 a/c sin(azimuth) in the lows, a of 8.75 cm."""
    for angle in (15, 30, 45, 60):
        kuhn = 3 * 0.0875 / 343.4 * np.sin(np.radians(angle)) * 1e6
        woodworth = 0.0875 / 343.4 * (np.radians(angle) + np.sin(np.radians(angle))) * 1e6
        low, high = sorted((kuhn, woodworth))
        assert low * 0.9 < interaural(response(angle))[0] < high * 1.05


def test_left_and_right_are_mirrors_and_mono_is_as_it_was() -> None:
    seat = (20.0, 0.0, 1.2)
    options = {"outputs": "fill", "reference_db": 200.0}
    left, right = (render_seat(around_a_listener(angle), CLICK, seat, ears="two", **options)
                   for angle in (50, -50))
    assert left.shape[1] == 2
    assert left == pytest.approx(right[:, ::-1], abs=1e-9 * np.abs(left).max())
    one = render_seat(around_a_listener(50), CLICK, seat, **options)
    assert one.ndim == 1
    assert np.array_equal(one, render_seat(around_a_listener(50), CLICK, seat, ears="one",
                                           **options))


def test_between_two_measured_directions_the_ears_lie_between_them() -> None:
    times = [interaural(response(angle))[0] for angle in (40.0, 42.5, 45.0)]
    assert times[0] < times[1] < times[2]
    assert times[1] == pytest.approx((times[0] + times[2]) / 2, abs=6.0)


@pytest.mark.parametrize("rate", [16000, 44100, 96000])
def test_the_head_is_the_same_at_every_rate(rate: int) -> None:
    options = {"outputs": "fill", "ears": "two", "reference_db": 200.0}
    both = [render_seat(around_a_listener(60), CLICK, (20.0, 0.0, 1.2), sample_rate_hz=each,
                        **options) for each in (RATE, rate)]
    first, second = (interaural(one, each) for one, each in zip(both, (RATE, rate), strict=True))
    assert second[0] == pytest.approx(first[0], abs=3.0)
    below = 1000 * 2.0 ** np.arange(-2, 5) * 1.5 < 0.4 * rate
    assert second[1][below] == pytest.approx(first[1][below], abs=0.2)


def test_sound_from_everywhere_keeps_its_level_and_the_ears_their_likeness() -> None:
    """In a tail both ears have the level of one microphone.

    Alike in the lows, unlike from 500 Hz on: Lindevald and Benade 1986, J. Acoust. Soc. Am. 80,
    661-664 (from memory).
    """
    hall, seat = read_demo_venue("tidewell_hall"), (34.0, 2.5, 1.2)
    late = slice(round(0.35 * RATE), round(0.9 * RATE))
    options = {"outputs": "mains"}
    both = np.array([render_seat(hall, CLICK, seat, ears="two", seed=s, **options)[late]
                     for s in range(2)])
    one = np.array([render_seat(hall, CLICK, seat, seed=s, **options)[late] for s in range(2)])
    frequency = np.fft.rfftfreq(one.shape[1], 1 / RATE)
    heard, alone = np.fft.rfft(both, axis=1), np.fft.rfft(one, axis=1)
    for low, high, least, most in ((60, 150, 0.7, 1.0), (450, 900, -0.3, 0.1),
                                   (1500, 6000, -0.1, 0.1)):
        band = (frequency > low) & (frequency < high)
        power = (np.abs(heard[:, band]) ** 2).sum(axis=(0, 1))
        level = 10 * np.log10(power / (np.abs(alone[:, band]) ** 2).sum())
        assert level == pytest.approx([0.0, 0.0], abs=1.5)
        shared = (heard[:, band, 0] * np.conj(heard[:, band, 1])).sum().real
        assert least < shared / np.sqrt(power.prod()) < most


def test_a_listener_looks_at_the_middle_of_the_mains() -> None:
    hall = read_demo_venue("tidewell_hall")
    mains = np.mean([s.position_m for s in hall.sources if s.role == "main"], axis=0)
    looking = stage_direction(hall, np.array([30.0, 8.0, 1.2]))
    assert np.hypot(*looking) == pytest.approx(1.0)
    assert looking @ (mains[:2] - [30.0, 8.0]) == pytest.approx(
        np.hypot(*(mains[:2] - [30.0, 8.0])))
    assert stage_direction(hall, np.array([mains[0], mains[1], 1.2])).tolist() == [-1.0, 0.0]
    # +y is left as seen from the stage, so right for whoever faces it.
    ahead = np.array([-1.0, 0.0])
    assert azimuth_deg(np.array([0.0, -3.0, 0.0]), ahead) == pytest.approx(90.0)
    assert azimuth_deg(np.array([0.0, 3.0, 0.0]), ahead) == pytest.approx(-90.0)
    assert azimuth_deg(np.array([2.0, 0.0, 0.0]), ahead) == pytest.approx(180.0)
    assert azimuth_deg(np.array([0.0, 0.0, 5.0]), ahead) == pytest.approx(0.0)
    # 45 degrees up, 45 to the side: the sine of the side angle is a half.
    assert azimuth_deg(np.array([-1.0, -1.0, 2**0.5]), ahead) == pytest.approx(30.0)
