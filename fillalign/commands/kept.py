"""What takes say, kept: readings beside what was set, and the venue file as measured."""

from __future__ import annotations

import argparse
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fillalign._text import quoted, short
from fillalign.commands.shell import air_of, same_venue, tells_air

if TYPE_CHECKING:
    from fillalign.air import Air
    from fillalign.audio import GapReading
    from fillalign.planning import Expected
    from fillalign.venue import Measured, OutputSettings, Venue

_AIR = ("temperature_c", "humidity_pct")
_SAME_AIR_C = 0.5


@dataclass(frozen=True)
class SetFile:
    """A file of what was set and read: its text ('' where it is not there yet)."""

    path: Path
    text: str

    @classmethod
    def of(cls, name: str) -> SetFile:
        """Read it, or raise ValueError."""
        path = Path(name)
        try:
            text = path.read_bytes().decode("utf-8-sig") if path.exists() else ""
            tomllib.loads(text)
        except OSError as error:
            raise ValueError(f"{short(name)}: cannot be read, {error.strerror}") from None
        except (ValueError, RecursionError):
            raise ValueError(f"{short(name)}: is no TOML") from None
        return cls(path, text)

    def delay_ms(self, output: str) -> float | None:
        """Return the delay that it has for an output, if any."""
        tables = tomllib.loads(self.text).get("output", {})
        own = tables.get(output, {}) if isinstance(tables, Mapping) else {}
        value = own.get("delay_ms") if isinstance(own, Mapping) else None
        return float(value) if isinstance(value, int | float) else None

    def air(self, venue: Venue, args: argparse.Namespace) -> Air:
        """Return the air of a take: as told, or as written here, or the empty venue's."""
        head = self._head()
        if not tells_air(args) and isinstance(head.get("temperature_c"), int | float):
            args = argparse.Namespace(**{**vars(args), **{key: head[key] for key in _AIR
                                                          if key in head}})
        return air_of(venue, args, "check")

    def _head(self) -> Mapping[str, Any]:
        head = tomllib.loads(self.text).get("as_set", {})
        return head if isinstance(head, Mapping) else {}

    def _with_air(self, text: str, air: Air) -> str:
        """Return its text with the air of the takes, or raise ValueError if it has another."""
        from fillalign.venue import entry_toml, with_entries

        noted = self._head().get("temperature_c")
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
        self, venue: Venue, dialled_ms: float, takes: Iterable[tuple[Expected, GapReading]],
        air: Air | None = None,
    ) -> str:
        """Return its text with the delay dialled, if it has none, and a table for each take.

        An air that was told is kept with them.
        """
        from fillalign.venue import entry_toml, with_entries

        same_venue(venue, self._head().get("venue", venue.name), str(self.path))

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
        return with_entries(text, "\n".join(_reading_toml(*one) for one in read))


def _reading_toml(expected: Expected, reading: GapReading) -> str:
    from fillalign.venue import entry_toml

    told = {"output": expected.output, "at_m": [round(x, 3) for x in expected.seat_m],
            "gap_ms": None if reading.gap_ms is None else round(reading.gap_ms, 2),
            "polarity_same": reading.polarity_same}
    return entry_toml("[reading]", {key: value for key, value in told.items()
                                      if value is not None})


def measured_by(
    venue: Venue, settings: Mapping[str, OutputSettings], expected: Expected,
    reading: GapReading, mains_dba: float,
) -> list[Measured]:
    """Return the levels of a take, brought back to trim 0 without filters, for the venue file."""
    from fillalign.audio import measured_levels
    from fillalign.planning import main_outputs, resting_levels_db
    from fillalign.venue import Measured

    mains, fill = measured_levels(reading, mains_dba)
    heard = {expected.output: fill}
    if len(main_outputs(venue)) == 1:
        # Several outputs of mains sounded together: nobody knows how much was whose.
        heard = {main_outputs(venue)[0]: mains, **heard}
    return [Measured(output, expected.seat_m, "check",
                     by_octave_db=resting_levels_db(levels, settings[output]))
            for output, levels in heard.items()]


def venue_as_measured(text: str, venue: Venue, output: str, late_ms: float, takes: int,
                      levels: Sequence[Measured]) -> str:
    """Return the text of a venue file with a fill later than planned, and with levels read."""
    from fillalign.audio import measured_toml
    from fillalign.venue import read_venue_text, with_entries, with_latency

    old = venue.outputs[output].latency_ms
    if old + late_ms < 0:
        raise ValueError(f"the fill comes {-late_ms:.2f} ms earlier than expected, more than its "
                         f"latency of {old:g} ms could be wrong by: measure the places again")
    made = with_latency(text, output, old + late_ms,
                        note=f"{late_ms:+.2f} ms by {takes} take(s) at the venue")
    if levels:
        made = with_entries(made, measured_toml(levels))
    # Refused here rather than by whoever reads it next.
    read_venue_text(made)
    return made
