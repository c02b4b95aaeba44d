"""What a recording says of a fill, why it may say nothing, and the way back into the venue file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from fillalign._validate import ByValue, FloatArray, as_number, check_type
from fillalign.absorption import OCTAVES_HZ, OCTAVES_NOMINAL
from fillalign.levels import weighted_total_db
from fillalign.venue import Measured, entry_toml

_ASIDE = "let mains and fill play one after the other"
_CAUSES = {
    "silence": ("the microphone was off, muted or on another input",
                "watch the recorder's level while the mains play, then record again"),
    "clipping": ("the recorder's input is set too high",
                 "turn the input down by 10 dB and record again"),
    "cut-short": ("the recorder was started too late or stopped too soon",
                  "let the recorder run from before the first turn to 2 s after the last"),
    "wrong-speed": ("the player or the recorder ran at another sample rate than the file's",
                    "set both to the rate of the file, or make the signal for the player's rate"),
    "another-signal": ("another signal was played than it is read with",
                       "read it with the signal that was played: same length, same ends"),
    "short-signal": ("noise as short as this leaves too much of itself behind",
                     "play 4 s of noise or more, or a sweep"),
    "noise": ("the signal was too soft for this noise, or is not the one that was played",
              "play 10 dB louder or a longer sweep, and read it with the signal played"),
    "fill-silent": ("the fill is muted, off or not routed to the player's second channel",
                    "play the fill alone, listen, and record again"),
    "same-sound": ("a player summed to mono, a fill that is not routed, or mains left open",
                   "listen to each turn: only the fill may sound in its own; then record again"),
    "crosstalk": ("the fill's channel leaks into the mains' one",
                  "mute the mains by hand in the fill's turn, or record the two apart"),
    "unproven": ("a fill set to this very time, or mains that play in the fill's turn too",
                 "record once more with the fill 3 ms later and give that as moved_take: the "
                 "reading must move by 3 ms"),
    "swapped": ("left and right, or mains and fill, are exchanged",
                "check the cables or the routing, then record again"),
    "moved": ("the microphone or something near it moved between the turns",
              "put the microphone on a stand and record again, or give the spacing played"),
    "spacing": ("the turns were played at another spacing than it is read with",
                "give the spacing that was played"),
    "more-turns": ("the player went on, or a part of an earlier take is in the file",
                   "cut the recording to its turns, or say how many there are"),
    "no-reference": ("each take was started by hand",
                     "record the signal itself on a second channel of both"),
    "no-second-arrival": ("mains and fill arrive at one time, or the plan is not what is set",
                          _ASIDE),
    "reflections": ("a reflection of the mains may pass for the fill",
                    f"{_ASIDE}, or add a take of the mains alone"),
    "order": ("either may come first within this search", _ASIDE),
    "other-take": ("the microphone or the input gain was moved between the takes",
                   "record both takes again without touching anything"),
    "automatic-gain": ("the recorder's automatic gain is on",
                       "switch it off, or record with another application"),
    "overload": ("the microphone or the recorder is near its ceiling",
                 "turn the input or the level down by 10 dB"),
    "no-sweep": ("noise or clicks were played", "play a sweep to compare levels"),
    "unlike-boxes": ("the crossovers of the two boxes turn the phase in different ways",
                     "check polarity with a click through both, or at the box itself"),
    "narrow-band": ("the recorder, the signal or a box ends below 16 kHz, or there is much noise",
                    "check polarity with a click, or record it with a better microphone"),
}


@dataclass(frozen=True)
class Doubt:
    """Why something cannot be told: what was found, what likely caused it, what to do next.

    Examples
    --------
    >>> doubt = Doubt("clipping", "the recording runs into its ceiling")
    >>> print(doubt.next_step)
    turn the input down by 10 dB and record again
    """

    cause: str
    reason: str

    @property
    def likely(self) -> str:
        """The likely cause in words."""
        return _CAUSES[self.cause][0]

    @property
    def next_step(self) -> str:
        """What to do about it."""
        return _CAUSES[self.cause][1]

    def __str__(self) -> str:
        """Put it in one sentence."""
        return f"{self.reason}; likely {self.likely}: {self.next_step}"


class CannotTellError(Exception):
    """Carries a doubt to `measure_gap`, which turns it into an answer."""

    def __init__(self, cause: str, reason: str) -> None:
        self.doubt = Doubt(cause, reason)
        super().__init__(reason)


@dataclass(frozen=True, eq=False)
class Heard(ByValue):
    """The impulse response of one of them at the seat, on the clock of the reading.

    `samples` begin `start_ms` after the mains' first arrival, which is at 0 (before it, if
    negative). `arrival_ms` is the first arrival in it: 0 for the mains, the gap for the fill.
    """

    samples: FloatArray
    sample_rate_hz: float
    start_ms: float
    arrival_ms: float

    @property
    def time_ms(self) -> FloatArray:
        """The time of every sample, in ms after the mains' first arrival."""
        return self.start_ms + np.arange(self.samples.size) * 1000 / self.sample_rate_hz


@dataclass(frozen=True, eq=False)
class GapReading(ByValue):
    """What a recording says of one fill at one seat.

    `doubt` tells why nothing can be told; then the first four are None. `gap_ms`
    is positive where the fill comes later; `uncertainty_ms` covers 95 %;
    `level_difference_db` is fill less mains in direct sound, 1 to 4 kHz. Level
    and polarity are None also where `withheld` holds a doubt under "level" or
    "polarity". `mains_db` and `fill_db` are levels of pink noise by nominal
    octave, of all sound of each, on one uncalibrated scale; empty where both
    sounded together. `heard` holds what to draw, also of many a reading that is
    in doubt: "mains" and "fill", which are one sound where both played together.
    `channel` is the one that was read, from 1.
    """

    gap_ms: float | None = None
    uncertainty_ms: float | None = None
    level_difference_db: float | None = None
    polarity_same: bool | None = None
    doubt: Doubt | None = None
    withheld: Mapping[str, Doubt] = field(default_factory=dict)
    mains_db: Mapping[int, float] = field(default_factory=dict)
    fill_db: Mapping[int, float] = field(default_factory=dict)
    heard: Mapping[str, Heard] = field(default_factory=dict, repr=False)
    channel: int | None = None

    def doubted(self, doubt: Doubt | None) -> GapReading:
        """Return the reading, with a doubt as one that tells only this and what was heard."""
        return self if doubt is None else GapReading(doubt=doubt, heard=self.heard,
                                                     channel=self.channel)

    @property
    def cannot_tell(self) -> str | None:
        """The doubt in one sentence, None where the gap is told."""
        return None if self.doubt is None else str(self.doubt)

    @property
    def difference_by_octave_db(self) -> dict[int, float]:
        """Fill less mains by nominal octave, all sound of each, in dB."""
        return {f: self.fill_db[f] - self.mains_db[f] for f in self.fill_db if f in self.mains_db}


def swapped(reading: GapReading, planned_gap_ms: float) -> Doubt | None:
    """Return a doubt where a reading fits the plan only with mains and fill exchanged."""
    if reading.gap_ms is None:
        return None
    turned, straight = (abs(sign * reading.gap_ms - planned_gap_ms) for sign in (-1, 1))
    if turned > 1.0 or straight < 1.0 + 2 * turned:
        return None
    return Doubt("swapped", f"the fill is {reading.gap_ms:+.1f} ms after the mains; only exchanged "
                 f"do they fit the plan of {planned_gap_ms:+.1f} ms")


def correction_ms(reading: GapReading, planned_gap_ms: float) -> tuple[float, float]:
    """Return what to add to the fill's delay, and its uncertainty (95 %), both in ms.

    Parameters
    ----------
    reading : GapReading
        One that could tell.
    planned_gap_ms : float
        The gap the plan gives for this seat: `gap_ms` in `FillPlan.seats`.

    Raises
    ------
    TypeError, ValueError
        If the plan is not a number, or the reading cannot tell or fits the plan
        only with mains and fill exchanged.

    Examples
    --------
    >>> correction_ms(GapReading(gap_ms=3.5, uncertainty_ms=0.04), 5.0)
    (1.5, 0.04)
    """
    check_type("reading", reading, GapReading)
    planned = as_number("planned_gap_ms", planned_gap_ms, "ms")
    if reading.gap_ms is None or reading.uncertainty_ms is None:
        raise ValueError(f"there is nothing to correct by: {reading.cannot_tell}")
    if doubt := swapped(reading, planned):
        raise ValueError(f"there is nothing to correct by: {doubt}")
    return planned - reading.gap_ms, reading.uncertainty_ms


def measured_levels(
    reading: GapReading, mains_dba: float
) -> tuple[dict[int, float], dict[int, float]]:
    """Return the octave levels of mains and fill, in dB, from one meter reading.

    Parameters
    ----------
    reading : GapReading
        Of mains and fill that sounded apart.
    mains_dba : float
        What a meter at the seat shows for the mains alone, pink noise, 20 to
        140 dBA. It calibrates the microphone, which is taken to be flat.

    Returns
    -------
    tuple of dict
        Nominal octave to dB: mains, fill.

    Raises
    ------
    TypeError, ValueError
        If the level is not a number or out of range, or the reading holds none.

    Examples
    --------
    >>> mains, fill = measured_levels(GapReading(mains_db={1000: -20}, fill_db={1000: -26}), 70)
    >>> round(mains[1000], 2), round(fill[1000], 2)
    (70.0, 64.0)
    """
    check_type("reading", reading, GapReading)
    total = as_number("mains_dba", mains_dba, "dBA", low=20, high=140)
    if not reading.mains_db:
        raise ValueError("the reading holds no levels by octave: record mains and fill apart")
    exact_hz = [OCTAVES_HZ[OCTAVES_NOMINAL.index(octave)] for octave in reading.mains_db]
    gain = total - float(weighted_total_db(list(reading.mains_db.values()), exact_hz))
    mains, fill = ({octave: level + gain for octave, level in each.items()}
                   for each in (reading.mains_db, reading.fill_db))
    return mains, fill


def measured_toml(measured: Sequence[Measured]) -> str:
    """Return `[[measured]]` entries to paste at the end of a venue file.

    Parameters
    ----------
    measured : list or tuple of Measured
        Levels of one output each, by octave or in dBA; written to 0.1 dB.

    Examples
    --------
    >>> entry = Measured("fills", (30.0, 0.0, 1.2), "check", by_octave_db={500: 62.04, 1000: 61.5})
    >>> print(measured_toml([entry]))
    [[measured]]
    output = "fills"
    at_m = [30.0, 0.0, 1.2]
    state = "check"
    by_octave_db = { 500 = 62.0, 1000 = 61.5 }
    <BLANKLINE>
    """
    check_type("measured", measured, list, tuple)
    for item in measured:
        check_type("each of measured", item, Measured)
    return "\n".join(map(_entry, measured))


def _entry(item: Measured) -> str:
    by_octave = {octave: round(float(level), 1)
                 for octave, level in sorted(item.by_octave_db.items())}
    level = ({"by_octave_db": by_octave} if item.level_dba is None else
             {"level_dba": round(float(item.level_dba), 1)})
    at_m = [round(float(x), 3) for x in item.at_m]
    return entry_toml("[measured]", {"output": item.output, "at_m": at_m, "state": item.state,
                                     **level})
