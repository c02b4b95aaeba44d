"""Ears: test signals, recordings read, and what a seat hears.

In come samples or a plan; out go gaps, arrivals, decay times, levels and sound.
"""

from fillalign.audio.auralise import air_filter, render_seat
from fillalign.audio.decay import PARTS_DB, OctaveDecay, decay_times, decay_toml
from fillalign.audio.gap import measure_gap
from fillalign.audio.impulse import Arrival, find_arrivals, impulse_response, time_difference_ms
from fillalign.audio.reading import (
    Doubt,
    GapReading,
    Heard,
    correction_ms,
    measured_levels,
    measured_toml,
)
from fillalign.audio.signals import clap, click_train, exponential_sweep, pink_noise, take_turns
from fillalign.audio.sounds import DEMO_SOUNDS, Sound, groove, read_demo_sound
from fillalign.audio.wav import Recording, RecordingError, read_recording, read_wav, write_wav

__all__ = [
    "DEMO_SOUNDS",
    "PARTS_DB",
    "Arrival",
    "Doubt",
    "GapReading",
    "Heard",
    "OctaveDecay",
    "Recording",
    "RecordingError",
    "Sound",
    "air_filter",
    "clap",
    "click_train",
    "correction_ms",
    "decay_times",
    "decay_toml",
    "exponential_sweep",
    "find_arrivals",
    "groove",
    "impulse_response",
    "measure_gap",
    "measured_levels",
    "measured_toml",
    "pink_noise",
    "read_demo_sound",
    "read_recording",
    "read_wav",
    "render_seat",
    "take_turns",
    "time_difference_ms",
    "write_wav",
]
