"""One seat and the settings, laid out in time: what the parts of its response share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fillalign import field
from fillalign._validate import ComplexArray, FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.air import Air
from fillalign.audio.head import azimuth_deg, ears, stage_direction
from fillalign.filters import apply_filters, design_low_cut, design_shelf
from fillalign.levels import db_to_amplitude, pink_band_levels_db
from fillalign.room import DECAY_NEPERS
from fillalign.venue import Venue

NOMINAL_DBFS = -26.0
"""A-weighted level of a signal that drives every box at its file's level, dB re rms 1."""

_LEAD_S = 0.1
_AFTER_S = 0.25


@dataclass(frozen=True)
class Scene:
    """One seat, the settings and the time axis that its responses share.

    Sample `lead` of a response is when the signal enters; `dry_size` samples hold the
    direct sound and `size` the tail as well; `drive` (b,) turns pressures of pink noise
    into gains. `elements` are those of every source, `shift` (o, b) what measured levels
    make of their amplitudes. With a head, `looking` (2,) is which way. `rt60_s` (9,) is the
    decay of what the room adds by octave, empty where it adds nothing.
    """

    venue: Venue
    paths: field.Paths
    settings: field.Settings
    rate: float
    lead: int
    dry_size: int
    size: int
    later_ms: FloatArray
    drive: FloatArray
    elements: tuple[field.Elements, ...]
    shift: FloatArray
    looking: FloatArray | None
    rt60_s: FloatArray

    @property
    def ears(self) -> int:
        """Two, or one where there is no head."""
        return 1 if self.looking is None else 2

    @property
    def ear_m(self) -> FloatArray:
        """Where the listener is, (3,)."""
        return np.asarray(self.paths.seats.points_m[0])

    @property
    def pace(self) -> FloatArray:
        """How fast energy dies away in each octave, in nepers a sample (9,)."""
        return np.asarray(DECAY_NEPERS / (self.rt60_s * self.rate))

    def sources(self, output: int) -> list[int]:
        """Return the sources of one output."""
        return [int(one) for one in np.flatnonzero(self.paths.source_output == output)]

    def time(self, output: int, travel_ms: FloatArray) -> FloatArray:
        """Return arrivals of one output in samples of the response."""
        return np.asarray((travel_ms + self.later_ms[output]) * self.rate / 1000 + self.lead)

    def frequency(self, size: int) -> FloatArray:
        """Return the frequencies of a spectrum of so many samples."""
        return np.asarray(np.fft.rfftfreq(size, 1 / self.rate), dtype=np.float64)

    def heard(self, towards: FloatArray, frequency: FloatArray) -> ComplexArray:
        """Return what each ear gets of sound from a direction (ears, f): without a head, all."""
        if self.looking is None:
            return np.ones((1, frequency.size), dtype=complex)
        return ears(azimuth_deg(towards, self.looking), frequency)

    def filtered(self, output: int, response: FloatArray) -> FloatArray:
        """Run responses through an output's low cut, shelf, trim and polarity."""
        own = self.settings[list(self.venue.outputs)[output]]
        if own.low_cut_hz is not None:
            response = apply_filters(response, design_low_cut(
                own.low_cut_hz, self.rate, order=own.low_cut_order, kind=own.low_cut_kind))
        if own.shelf_db:
            response = apply_filters(response,
                                     design_shelf(own.shelf_hz, self.rate, own.shelf_db))
        sign = -1.0 if own.polarity == "inverted" else 1.0
        return np.asarray(sign * db_to_amplitude(own.trim_db) * response)


def make_scene(
    venue: Venue, seat: field.Seats, settings: field.Settings, state: str, air: Air, rate: float,
    *, tail: bool, head: bool,
) -> Scene:
    """Trace the paths to one seat, and lay out a time axis that holds the tail if it is wanted."""
    from scipy import fft

    where = venue.states[state]
    elements = tuple(field.trace_elements(venue, source, seat, where, air)
                     for source in venue.sources)
    later = np.array(list(field.arrival_shift_ms(venue, settings).values()))
    rt60 = field.by_thirds(where.rt60_s if tail and venue.room else {})[::3]
    lead = round(_LEAD_S * rate)
    last_s = float(later.max() + max(one.time_ms.max() for one in elements)) / 1000
    dry, size = (
        fft.next_fast_len(2 * lead + int((last_s + ring + _AFTER_S) * rate), real=True)
        for ring in (0.0, float(rt60.max()))
    )
    return Scene(
        venue, field.trace_paths(venue, seat, where, air), settings, rate, lead, dry, size, later,
        drive=np.asarray(db_to_amplitude(-pink_band_levels_db(NOMINAL_DBFS, THIRDS_HZ))),
        elements=elements,
        shift=np.asarray(db_to_amplitude(field.measured_shifts_db(venue))),
        looking=stage_direction(venue, seat.points_m[0]) if head else None,
        rt60_s=rt60 if rt60.any() else np.zeros(0),
    )
