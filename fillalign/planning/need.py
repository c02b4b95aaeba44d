"""Reference, profile and need: which seats the mains do not serve, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fillalign._validate import FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.field import A_POWER, Settings, gains_of, to_db
from fillalign.planning.bench import Bench
from fillalign.planning.zones import main_outputs
from fillalign.venue import Venue

SHORT_DB = 1.0
SHARE_OF_ROWS = 0.9
_BAND = np.arange(THIRDS_HZ.size) // 3
HIGHS = np.isin(_BAND, (6, 7)).astype(float)
MIDS = np.isin(_BAND, (3, 4)).astype(float)
WEIGHTS = np.stack([A_POWER, HIGHS, MIDS], axis=1)


@dataclass(frozen=True)
class Reference:
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


def mains_reference(bench: Bench, settings: Settings) -> Reference:
    """Compute the reference with the mains alone, as set."""
    sounding = main_outputs(bench.venue)
    mix = bench.mix(settings, sounding)
    gains = gains_of(settings, mix.outputs, sounding)
    rows = bench.reference_rows
    heard = bench.row_mean(bench.heard(mix, gains))[rows].mean(axis=0)
    total = bench.row_mean(mix.total(gains))[rows].mean(axis=0)
    level, highs, mids = to_db(heard @ WEIGHTS)
    return Reference(
        level_dba=float(level),
        meter_dba=float(to_db(total @ A_POWER)),
        tone_db=float(highs - mids),
        bands=heard,
        x_m=float(bench.row_x_m[rows].mean()),
    )


def profile_dba(bench: Bench, level_dba: float, x_m: float) -> FloatArray:
    """Heard level each row should have, (r,): the reference less the allowed fall."""
    last = float(bench.row_x_m.max())
    depth = np.clip((bench.row_x_m - x_m) / max(last - x_m, 1e-9), 0.0, 1.0)
    fall = bench.venue.goals.allowed_fall_db * depth
    for index, area in enumerate(bench.venue.areas):
        if area.allowed_fall_db is not None:
            fall[bench.row_area == index] = area.allowed_fall_db
    return np.asarray(level_dba - fall)


@dataclass(frozen=True)
class RowCheck:
    """How each row stands (..., r): shortfall and loss of highs in dB, speech index.

    `sounds` tells whether level and tone are right, `served` also the speech.
    """

    shortfall_db: FloatArray
    highs_loss_db: FloatArray
    index: FloatArray
    sounds: NDArray[np.bool_]
    served: NDArray[np.bool_]

    def rows(self, which: NDArray[np.bool_]) -> RowCheck:
        """Return some of the rows."""
        return RowCheck(*(getattr(self, name)[..., which] for name in self.__dataclass_fields__))


def check_rows(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    rows_power: FloatArray,
    index: FloatArray,
) -> RowCheck:
    """Compare row powers (..., r, 3), weighted by `WEIGHTS`, and speech index with the goals."""
    level, highs, mids = np.moveaxis(to_db(rows_power), -1, 0)
    short = profile - level
    loss = reference.tone_db - (highs - mids)
    sounds = (short <= SHORT_DB) & (loss <= bench.venue.goals.highs_loss_db)
    goal = bench.venue.goals.sti
    clear = np.asarray(index >= (-np.inf if goal is None else goal))
    return RowCheck(short, loss, index, np.asarray(sounds), np.asarray(sounds & clear))


@dataclass(frozen=True)
class AreaNeed:
    """What one seat area lacks. `ahead` marks areas in front of the reference.

    `speech_index` is the lowest of its rows.
    """

    area: str
    needed: bool
    ahead: bool
    from_x_m: float | None
    shortfall_db: float
    highs_loss_db: float
    speech_index: float
    outside_share: float
    sentence: str


def _why(venue: Venue, rows: RowCheck, outside: float) -> str:
    parts = []
    short, loss, index = rows.shortfall_db.max(), rows.highs_loss_db.max(), rows.index.min()
    if short > SHORT_DB:
        parts.append(f"the level lies up to {short:.1f} dB below the profile")
    if loss > venue.goals.highs_loss_db:
        parts.append(
            f"up to {loss:.1f} dB of highs are lost (limit {venue.goals.highs_loss_db:g} dB)"
        )
    if venue.goals.sti is not None and index < venue.goals.sti:
        parts.append(f"speech transmission falls to {index:.2f} (goal {venue.goals.sti:.2f})")
    if outside > 0.5:
        parts.append(f"{100 * outside:.0f} % of the seats lie outside the coverage")
    return " and ".join(parts)


def area_needs(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    settings: Settings,
    sounding: list[str],
) -> tuple[AreaNeed, ...]:
    """State the need of each area with the given outputs sounding."""
    key = tuple(sounding), reference.level_dba
    return bench.once("needs", settings, key, lambda: _area_needs(
        bench, reference, profile, settings, sounding
    ))


def _area_needs(
    bench: Bench,
    reference: Reference,
    profile: FloatArray,
    settings: Settings,
    sounding: list[str],
) -> tuple[AreaNeed, ...]:
    mix = bench.mix(settings, sounding)
    gains = gains_of(settings, mix.outputs, sounding)
    power = bench.row_mean(bench.heard(mix, gains) @ WEIGHTS)
    checked = check_rows(bench, reference, profile, power, bench.row_index(settings, gains))
    loud = gains[bench.paths.source_output] > 0
    # A sub covers every seat, and says nothing of the highs there.
    loud &= np.array([source.role != "sub" for source in bench.venue.sources])
    inside = bench.paths.within[loud].any(axis=0)
    return tuple(
        _area_need(
            bench,
            reference,
            index,
            checked.rows(np.asarray(bench.row_area == index)),
            float(1 - np.asarray(inside)[bench.paths.seats.area == index].mean()),
        )
        for index in range(len(bench.venue.areas))
    )


def _area_need(
    bench: Bench, reference: Reference, index: int, rows: RowCheck, outside: float
) -> AreaNeed:
    venue, name = bench.venue, bench.venue.areas[index].name
    row_x = bench.row_x_m[bench.row_area == index]
    needed = bool(rows.served.mean() < SHARE_OF_ROWS)
    ahead = bool(row_x.max() < reference.x_m)
    short, loss = float(rows.shortfall_db.max()), float(rows.highs_loss_db.max())
    if needed:
        from_x = float(row_x[~rows.served].min())
        word = "front fill" if ahead else "fill"
        why = _why(venue, rows, outside)
        text = f"{name}: {word} needed from {round(from_x, 1):g} m, because {why}."
    else:
        from_x = None
        side = "below" if short > 0 else "above"
        speech = "" if venue.goals.sti is None else (
            f" and its speech transmission is at least {rows.index.min():.2f} "
            f"(goal {venue.goals.sti:.2f})"
        )
        text = (
            f"{name}: no fill needed, because at least 90 % of its rows lie within "
            f"{SHORT_DB:.0f} dB of the profile (the weakest row {abs(short):.1f} dB {side} it), "
            f"lose no more than {venue.goals.highs_loss_db:g} dB of highs (worst "
            f"{max(loss, 0.0):.1f} dB){speech}."
        )
    return AreaNeed(
        area=name,
        needed=needed,
        ahead=ahead,
        from_x_m=from_x,
        shortfall_db=short,
        highs_loss_db=loss,
        speech_index=float(rows.index.min()),
        outside_share=outside,
        sentence=text,
    )
