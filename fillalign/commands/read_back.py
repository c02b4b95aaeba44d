"""What earlier commands wrote, read again and added to.

A plan, by its JSON or the sheet's CSV; readings beside what was set; and the venue file as
measured.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from fillalign import audio, planning, venue as venues
from fillalign._text import LONGEST_PATH, csv_text, quoted, short
from fillalign.air import Air
from fillalign.commands.common import air_of, fitting, same_venue, tells_air
from fillalign.venue import Measured, OutputSettings, Venue, VenueError, entry_toml, with_entries

PLAN_HELP = ("what was planned: the sheet's CSV, or JSON from 'fillalign VENUE.toml --json' "
             "(default: planned anew, which takes some seconds in a large venue)")
_KINDS: dict[str, Any] = {
    one.name: float if one.default is None else type(one.default) for one in fields(OutputSettings)}
_AIR = ("temperature_c", "humidity_pct")
_SAME_AIR_C = 0.5


def saved_plan(venue: Venue, file: str) -> tuple[Mapping[str, OutputSettings], Air]:
    """Return settings and air of a plan that was written.

    Raises VenueError if it is of another venue, ValueError if it is none.
    """
    try:
        content = Path(file).read_bytes()
        saved = (_of_sheet(venue, content.decode("utf-8-sig"))
                 if Path(file).suffix.lower() == ".csv" else json.loads(content))
        same_venue(venue, saved["venue"]["name"], file)
        settings, air = venues.saved_settings(saved), Air(**saved["air"])
        venues.check_settings(venue, settings)
    except VenueError:
        raise
    except OSError as error:
        raise ValueError(f"{short(file)}: cannot be read, {error.strerror}") from None
    except (KeyError, TypeError, ValueError, RecursionError, csv.Error) as error:
        raise ValueError(f"{short(file)}: is no sheet (CSV) or plan (--json) of this venue: "
                         f"{short(str(error), LONGEST_PATH)}") from None
    return settings, air


def planned(venue: Venue, file: str | None) -> tuple[Mapping[str, OutputSettings], Air]:
    """Return settings and air of a plan saved, or made anew if it fits the devices."""
    if file is not None:
        return saved_plan(venue, file)
    with fitting(venue.name):
        plan = planning.plan_fills(venue)
    return plan.settings, plan.air


def _of_sheet(venue: Venue, text: str) -> dict[str, Any]:
    """Return the sheet's CSV as a plan is saved, each output by its name as written there."""
    rows = {row["output"]: row for row in csv.DictReader(io.StringIO(text), strict=True)}
    settings, any_row = {}, next(iter(rows.values()), {})
    for name in venue.outputs:
        if csv_text(name) not in rows:
            raise ValueError(f"there is no line for output {quoted(name)}")
        # What has no low cut has neither its order nor its kind.
        told = {key: value for key in _KINDS if (value := rows[csv_text(name)][key])}
        settings[name] = {key: "-inf" if value == "off" else _KINDS[key](value)
                          for key, value in told.items()}
    air = {key: float(any_row[f"computed_{key}"])
           for key in ("temperature_c", "humidity_pct", "pressure_kpa")}
    return {"venue": {"name": any_row.get("venue", venue.name)}, "settings": settings, "air": air}


@dataclass(frozen=True)
class SetFile:
    """A file of what was set and read: its text ('' where it is not there yet) and its tables."""

    path: Path
    text: str
    tables: Mapping[str, Any]

    @classmethod
    def of(cls, name: str) -> SetFile:
        """Read it, or raise ValueError."""
        path = Path(name)
        try:
            text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
            return cls(path, text, tomllib.loads(text))
        except OSError as error:
            raise ValueError(f"{short(name)}: cannot be read, {error.strerror}") from None
        except (ValueError, RecursionError):
            raise ValueError(f"{short(name)}: is no TOML") from None

    def _table(self, *names: str) -> Mapping[str, Any]:
        """Return a table by its name and those around it, empty where there is none."""
        table: Any = self.tables
        for name in names:
            table = table.get(name) if isinstance(table, Mapping) else None
        return table if isinstance(table, Mapping) else {}

    def delay_ms(self, output: str) -> float | None:
        """Return the delay that it has for an output, if any."""
        value = self._table("output", output).get("delay_ms")
        return float(value) if isinstance(value, int | float) else None

    def air(self, venue: Venue, args: argparse.Namespace) -> Air:
        """Return the air of a take: as told, or as written here, or the empty venue's."""
        head = self._table("as_set")
        if not tells_air(args) and isinstance(head.get("temperature_c"), int | float):
            noted = {key: head[key] for key in _AIR if key in head}
            args = argparse.Namespace(**{**vars(args), **noted})
        return air_of(venue, args, "check")

    def _with_air(self, text: str, air: Air) -> str:
        """Return its text with the air of the takes, or raise ValueError if it has another."""
        noted = self._table("as_set").get("temperature_c")
        if noted is not None:
            if abs(noted - air.temperature_c) > _SAME_AIR_C:
                raise ValueError(f"{short(str(self.path))}: has temperature_c = {noted:g}, but the "
                                 f"take is of {air.temperature_c:g}: keep it in another file")
            return text
        table = entry_toml("as_set", {"temperature_c": air.temperature_c,
                                      "humidity_pct": round(air.humidity_pct, 1)})
        lines = table.partition("\n")[2]
        made, count = re.subn(r"(?m)^\[as_set\][ \t]*(#.*)?$\n?",
                              lambda found: f"{found[0].rstrip()}\n{lines}", text, count=1)
        return made if count else with_entries(text, table)

    def with_readings(
        self, venue: Venue, dialled_ms: float,
        takes: Iterable[tuple[planning.Expected, audio.GapReading]], air: Air | None = None,
    ) -> str:
        """Return its text with the delay dialled, if it has none, and a table for each take.

        An air that was told is kept with them.
        """
        same_venue(venue, self._table("as_set").get("venue", venue.name), str(self.path))
        read = list(takes)
        output = read[0][0].output
        known, text = self.delay_ms(output), self.text
        if known is not None and abs(known - dialled_ms) > 0.005:
            raise ValueError(f"{short(str(self.path))}: has delay_ms = {known:g} for "
                             f"{quoted(output)}, but {dialled_ms:g} was dialled: change it there "
                             "first")
        if not text.strip():
            text = entry_toml("as_set", {"venue": venue.name})
        if air is not None:
            text = self._with_air(text, air)
        if known is None:
            text = with_entries(text, entry_toml("output", {"delay_ms": dialled_ms}, name=output))
        for expected, reading in read:
            told = {"output": output, "at_m": [round(x, 3) for x in expected.seat_m],
                    "gap_ms": None if reading.gap_ms is None else round(reading.gap_ms, 2),
                    "polarity_same": reading.polarity_same}
            text = with_entries(text, entry_toml("[reading]", {
                key: value for key, value in told.items() if value is not None}))
        return text


def measured_by(
    venue: Venue, settings: Mapping[str, OutputSettings], expected: planning.Expected,
    reading: audio.GapReading, mains_dba: float,
) -> list[Measured]:
    """Return the levels of a take, brought back to trim 0 without filters, for the venue file."""
    mains_db, fill_db = audio.measured_levels(reading, mains_dba)
    heard, mains = {expected.output: fill_db}, planning.main_outputs(venue)
    if len(mains) == 1:
        # Several outputs of mains sounded together: nobody knows how much was whose.
        heard = {mains[0]: mains_db, **heard}
    return [Measured(output, expected.seat_m, "check",
                     by_octave_db=planning.resting_levels_db(levels, settings[output]))
            for output, levels in heard.items()]


def venue_as_measured(text: str, venue: Venue, output: str, late_ms: float, takes: int,
                      levels: Sequence[Measured]) -> str:
    """Return the text of a venue file with a fill later than planned, and with levels read."""
    old = venue.outputs[output].latency_ms
    if old + late_ms < 0:
        raise ValueError(f"the fill comes {-late_ms:.2f} ms earlier than expected, more than its "
                         f"latency of {old:g} ms could be wrong by: measure the places again")
    made = venues.with_latency(text, output, old + late_ms,
                        note=f"{late_ms:+.2f} ms by {takes} take(s) at the venue")
    if levels:
        made = with_entries(made, audio.measured_toml(levels))
    # Refused here rather than by whoever reads it next.
    venues.read_venue_text(made)
    return made
