"""Reference, profile and need: which seats the mains do not serve, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from fillalign._validate import ByValue, FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.field import (
    A_POWER,
    JUST_NOTICEABLE,
    BoolArray,
    Field,
    Settings,
    single_points,
    speech_at,
    superpose,
    trace_paths,
)
from fillalign.levels import power_to_db
from fillalign.planning.zones import Zones, hidden_areas, main_outputs
from fillalign.venue import Goals

if TYPE_CHECKING:
    import pandas as pd

SHORT_DB = 1.0
SHARE_OF_ROWS = 0.9
WORTH_STEPS = 0.25
"""What a fill must mend, in just noticeable steps for each row that lacks anything."""
_OUTSIDE_SHARE = 0.5
_OCTAVE = np.arange(THIRDS_HZ.size) // 3
_HIGHS = np.isin(_OCTAVE, (6, 7)).astype(float)
_MIDS = np.isin(_OCTAVE, (3, 4)).astype(float)
WEIGHTS = np.stack([A_POWER, _HIGHS, _MIDS], axis=1)
"""Weights (b, 3) of level, of highs (4 and 8 kHz octaves) and of mids (500 Hz and 1 kHz)."""


@dataclass(frozen=True, eq=False)
class Reference(ByValue):
    """The mains alone over the reference rows, frozen before any decision.

    `level_dba` is the heard level that the profile starts from and `meter_dba`
    the total; `tone_db` is highs (4 and 8 kHz octaves) less mids (500 Hz and 1 kHz);
    `bands` (27,) the heard power; `x_m` the middle of the rows.
    """

    level_dba: float
    meter_dba: float
    tone_db: float
    bands: FloatArray
    x_m: float


@dataclass(frozen=True)
class RowCheck:
    """How each row stands (..., r): shortfall and loss of highs in dB, speech index, total level.

    `missing` adds up what it lacks in just noticeable steps: dB of level beyond 1 dB
    short (common practice), dB of highs beyond the limit, 0.03 of speech index below
    the goal (from memory). `served` rows lack nothing.
    """

    shortfall_db: FloatArray
    highs_loss_db: FloatArray
    index: FloatArray
    missing: FloatArray
    total_dba: FloatArray

    @property
    def served(self) -> BoolArray:
        """Whether level, tone and speech are right."""
        return np.asarray(self.missing <= 0.0)

    def rows(self, which: BoolArray) -> RowCheck:
        """Return some of the rows."""
        return RowCheck(*(getattr(self, name)[..., which] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Yardstick:
    """What decisions are judged by: rows, reference, and the level each row should have (r,).

    `alone` is how the rows stand with the mains alone.
    """

    zones: Zones
    reference: Reference
    profile_dba: FloatArray
    alone: RowCheck

    def check(self, heard: FloatArray, total: FloatArray, index: FloatArray) -> RowCheck:
        """Compare heard row powers (..., r, 3), weighted by `WEIGHTS`, and speech index.

        `total` (..., r) is the A-weighted power of all sound, which decides nothing here.
        """
        return _check_rows(self.zones.venue.goals, self.reference, self.profile_dba, heard, total,
                           index)


def _check_rows(
    goals: Goals,
    reference: Reference,
    profile_dba: FloatArray,
    heard: FloatArray,
    total: FloatArray,
    index: FloatArray,
) -> RowCheck:
    # Bands in which nothing plays stay 300 dB down, so that no difference is undefined.
    level, highs, mids = np.moveaxis(power_to_db(np.maximum(heard, 1e-30)), -1, 0)
    short, loss = profile_dba - level, reference.tone_db - (highs - mids)
    missing = np.maximum(short - SHORT_DB, 0.0) + np.maximum(loss - goals.highs_loss_db, 0.0)
    if goals.sti is not None:
        missing += np.maximum(goals.sti - index, 0.0) / JUST_NOTICEABLE
    return RowCheck(np.asarray(short), np.asarray(loss), index, np.asarray(missing),
                    np.asarray(power_to_db(total)))


def _rows_with(
    zones: Zones, settings: Settings, sounding: list[str], field: Field | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return heard row powers (r, b), the total (r,) and the speech index (r,)."""
    field = field or superpose(zones.paths, settings, sounding=sounding)
    speech = speech_at(zones.paths, settings, sounding=sounding)
    gains, mean = field.gains(), zones.row_mean
    return (mean(field.heard(gains)), mean(field.total(gains) @ A_POWER),
            mean(speech.index(gains)))


def make_yardstick(zones: Zones, settings: Settings) -> Yardstick:
    """Freeze reference and profile with the mains alone, as set.

    Raises
    ------
    ValueError
        If no main sounds.
    """
    mains = main_outputs(zones.venue)
    if not any(settings.sounds(source.output) for source in zones.venue.of_role("main")):
        raise ValueError(
            f"{', '.join(mains)}: at least one output of the mains must sound, since "
            "the fills are judged against it; every trim_db is minus infinity"
        )
    rows = zones.reference_rows
    everywhere, total, index = _rows_with(zones, settings, mains)
    heard = everywhere[rows].mean(axis=0)
    level, highs, mids = power_to_db(heard @ WEIGHTS)
    reference = Reference(
        level_dba=float(level),
        meter_dba=float(power_to_db(total[rows].mean())),
        tone_db=float(highs - mids),
        bands=heard,
        x_m=float(zones.row_x_m[rows].mean()),
    )
    profile = _profile_dba(zones, reference)
    alone = _check_rows(zones.venue.goals, reference, profile, everywhere @ WEIGHTS, total, index)
    return Yardstick(zones, reference, profile, alone)


def _profile_dba(zones: Zones, reference: Reference) -> FloatArray:
    """Heard level each row should have, (r,): the reference less the allowed fall."""
    last = float(zones.row_x_m.max())
    depth = (zones.row_x_m - reference.x_m) / max(last - reference.x_m, 1e-9)
    fall = zones.venue.goals.allowed_fall_db * np.clip(depth, 0.0, 1.0)
    for number, area in enumerate(zones.venue.areas):
        if area.allowed_fall_db is not None:
            fall[zones.row_area == number] = area.allowed_fall_db
    return np.asarray(reference.level_dba - fall)


class Cause(StrEnum):
    """What an area lacks."""

    LEVEL = "level"
    TONE = "tone"
    SPEECH = "speech"
    COVERAGE = "coverage"
    SHADOW = "shadow"


@dataclass(frozen=True)
class AreaNeed:
    """What one seat area lacks. `ahead` marks areas in front of the reference.

    `served_share` of its `rows` lack nothing; `missing_steps` is what they lack on
    average, in just noticeable steps;
    `shortfall_db` and `highs_loss_db` are those of its worst row, `speech_index` the
    lowest of its rows, `outside_share` of its seats lie outside all nominal coverage, or in
    a shadow; `causes` name what exceeds its limit.
    """

    area: str
    needed: bool
    ahead: bool
    from_x_m: float | None
    rows: int
    served_share: float
    missing_steps: float
    shortfall_db: float
    highs_loss_db: float
    speech_index: float
    outside_share: float
    causes: tuple[Cause, ...]

    @property
    def short_rows(self) -> int:
        """How many of its rows lack something."""
        return self.rows - round(self.served_share * self.rows)

    @property
    def lacking_steps(self) -> float:
        """What those lack on average, in just noticeable steps."""
        return self.missing_steps * self.rows / max(self.short_rows, 1)


def rows_with(
    yardstick: Yardstick, settings: Settings, sounding: list[str], field: Field | None = None
) -> RowCheck:
    """Return how the rows stand with some outputs sounding, whose field may be there already."""
    heard, total, index = _rows_with(yardstick.zones, settings, sounding, field)
    return yardstick.check(heard @ WEIGHTS, total, index)


def gain_before_feedback_db(
    yardstick: Yardstick, check: RowCheck, settings: Settings, sounding: list[str]
) -> float:
    """Gain won, in dB: the level that the fills add in the last row, less that at the stage.

    By so much the mains may come down for the same level at the back, but for what the
    stage microphone hears of the fills.
    """
    zones, back = yardstick.zones, int(yardstick.zones.row_x_m.argmax())
    stage = single_points(np.array(zones.venue.stage_microphone_m))
    paths = trace_paths(zones.venue, stage, zones.paths.state, zones.paths.air)
    field = superpose(paths, settings, sounding=sounding)
    every, mains = (field.total(field.gains(names))[0] @ A_POWER
                    for names in (sounding, main_outputs(zones.venue)))
    lift = check.total_dba[back] - yardstick.alone.total_dba[back]
    return float(lift - power_to_db(every / mains))


def area_needs(
    yardstick: Yardstick, checked: RowCheck, sounding: list[str]
) -> tuple[AreaNeed, ...]:
    """State the need of each area from how its rows stand with some outputs sounding."""
    zones = yardstick.zones
    inside = _inside_coverage(zones, sounding)
    return tuple(
        _area_need(
            yardstick,
            number,
            checked.rows(zones.row_area == number),
            float(1 - inside[zones.paths.seats.area == number].mean()),
        )
        for number in range(len(zones.venue.areas))
    )


def _inside_coverage(zones: Zones, sounding: list[str]) -> BoolArray:
    """Whether a seat lies in the nominal coverage of a source that sounds, (n,)."""
    # A sub covers every seat, and says nothing of the highs there.
    loud = [source.output in sounding and source.role != "sub" for source in zones.venue.sources]
    return np.asarray(zones.paths.within[loud].any(axis=0))


def is_needed(rows: RowCheck) -> bool:
    """Whether some rows need help: fewer than 90 % are served, and they lack enough to be heard.

    A quarter of a just noticeable step for each row that lacks anything: as much as a
    fill must mend to be worth switching on.
    """
    lacking = rows.missing > 0.0
    return bool(
        rows.served.mean() < SHARE_OF_ROWS and rows.missing[lacking].mean() >= WORTH_STEPS
    )


def _area_need(yardstick: Yardstick, number: int, rows: RowCheck, outside: float) -> AreaNeed:
    zones, goals = yardstick.zones, yardstick.zones.venue.goals
    row_x = zones.row_x_m[zones.row_area == number]
    needed = is_needed(rows)
    short, loss = float(rows.shortfall_db.max()), float(rows.highs_loss_db.max())
    index = float(rows.index.min())
    hidden = number in hidden_areas(zones.venue)
    found = {
        Cause.LEVEL: short > SHORT_DB,
        Cause.TONE: loss > goals.highs_loss_db,
        Cause.SPEECH: goals.sti is not None and index < goals.sti,
        Cause.SHADOW if hidden else Cause.COVERAGE: outside > _OUTSIDE_SHARE,
    }
    return AreaNeed(
        area=zones.venue.areas[number].name,
        needed=needed,
        ahead=bool(row_x.max() < yardstick.reference.x_m),
        from_x_m=float(row_x[~rows.served].min()) if needed else None,
        rows=len(row_x),
        served_share=float(rows.served.mean()),
        missing_steps=float(rows.missing.mean()),
        shortfall_db=short,
        highs_loss_db=loss,
        speech_index=index,
        outside_share=outside,
        causes=tuple(cause for cause, there in found.items() if there),
    )


def places_in_words(table: pd.DataFrame) -> str:
    """Say what moving the boxes to the best place is worth, or nothing where none hang yet.

    As a fill is worth switching on: by a quarter of a just noticeable step for each row that
    lacks anything at the present place.
    """
    now = table[table["now"]]
    if now.empty:
        return ""
    best, here = (float((one["missing_steps"] + one["elsewhere_steps"]).iloc[0])
                  for one in (table, now))
    lacking = 1.0 - float(now["served_share"].iloc[0])
    if here - best >= max(WORTH_STEPS * lacking, 1e-9):
        return (f"The best place leaves {here - best:.2f} just noticeable steps a row less lacking "
                "than the present one.")
    return ("No place tried is audibly better than the present one: the best leaves "
            f"{here - best:.2f} just noticeable steps a row less lacking, below a quarter of a "
            "step for each row that lacks anything.")
