"""What takes say, kept: readings beside what was set, and the venue file as measured."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fillalign._text import quoted, short

if TYPE_CHECKING:
    from fillalign.audio import GapReading
    from fillalign.planning import Expected
    from fillalign.venue import Measured, OutputSettings, Venue


def _said(value: float | str | bool) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


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

    def with_readings(
        self, venue: Venue, dialled_ms: float, takes: Iterable[tuple[Expected, GapReading]]
    ) -> str:
        """Return its text with the delay dialled, if it has none, and a table for each take."""
        from fillalign.venue import with_entries

        read = list(takes)
        output = read[0][0].output
        known, text = self.delay_ms(output), self.text
        if known is not None and abs(known - dialled_ms) > 0.005:
            raise ValueError(f"{short(str(self.path))}: has delay_ms = {known:g} for "
                             f"{quoted(output)}, but {dialled_ms:g} was dialled: change it there "
                             "first")
        if not text.strip():
            text = f"[as_set]\nvenue = {_said(venue.name)}\n"
        if known is None:
            text = with_entries(text, f"[output.{_said(output)}]\ndelay_ms = {dialled_ms!r}\n")
        return with_entries(text, "\n".join(_reading_toml(*one) for one in read))


def _reading_toml(expected: Expected, reading: GapReading) -> str:
    lines = ["[[reading]]", f"output = {_said(expected.output)}",
             f"at_m = [{', '.join(repr(round(x, 3)) for x in expected.seat_m)}]",
             f"gap_ms = {reading.gap_ms:.2f}"]
    if reading.polarity_same is not None:
        lines.append(f"polarity_same = {_said(reading.polarity_same)}")
    return "\n".join(lines) + "\n"


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
