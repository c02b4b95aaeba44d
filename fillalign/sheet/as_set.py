"""What was set and read at the venue, back from a file: the page's, the CSV, or written by hand.

The TOML holds `[as_set]` (venue, air found, who and when), an `[output.NAME]` for what is
dialled, and a `[[reading]]` for each seat read. What is left out is as planned.
"""

from __future__ import annotations

import csv
import io
import math
import os
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, TypeVar

from fillalign._text import LONGEST_PATH, csv_text, listed, plain, quoted, short
from fillalign._validate import as_air, as_path, check_type
from fillalign.air import Air
from fillalign.planning import FillPlan, MeterRead, retimed
from fillalign.venue import OutputSettings, check_dialled

_MOST_BYTES = 2_000_000
_NOTES, _SIGNED = ("venue", "set_by", "when"), ("initials", "time")
_AIR = ("temperature_c", "humidity_pct")
_DIALLED, _READ = (tuple(one.name for one in fields(kind)) for kind in (OutputSettings, MeterRead))
_WORDS = {("trim_db", "off"): -math.inf, ("low_cut_hz", "none"): None}
Tables = dict[str, Any]
Kind = TypeVar("Kind", dict[str, Any], list[Any])


@dataclass(frozen=True)
class AsSet:
    """What was set and read at a venue, ready for `as_measured`.

    `settings` holds whole settings of the outputs that the file names, what it leaves out
    of them as planned; `air` is None where none was written down. Who set it and when
    stays in the file.
    """

    settings: Mapping[str, OutputSettings]
    readings: tuple[MeterRead, ...] = ()
    air: Air | None = None


def read_as_set(
    path: str | os.PathLike[str], plan: FillPlan, *, air: Air | None = None
) -> AsSet:
    r"""Read what was set and read at the venue.

    Parameters
    ----------
    path : str or path
        A TOML file, such as the page saves, or the sheet's CSV with its blanks filled
        (also with semicolons and decimal commas, as some spreadsheets save it).
    plan : FillPlan
        The plan whose sheet it was.
    air : Air, optional
        The air found, where the file names none: what is left blank is taken as planned for it.

    Returns
    -------
    AsSet
        Settings, readings and air.

    Raises
    ------
    TypeError
        If the plan or the air is something else.
    ValueError
        If the file cannot be read or holds what does not fit the plan: a line for
        each mistake, with file, table and key.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from fillalign import plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("tidewell_hall"))
    >>> with TemporaryDirectory() as folder:
    ...     path = Path(folder) / "set.toml"
    ...     _ = path.write_text('[output."Fill inner"]\ndelay_ms = 78.0')
    ...     read_as_set(path, plan).settings["Fill inner"].delay_ms
    78.0
    """
    file = as_path("path", path)
    check_type("plan", plan, FillPlan)
    air = None if air is None else as_air(air)
    name = short(file.name or str(file), LONGEST_PATH)
    try:
        text = _text(file)
        tables = _from_csv(text, plan) if file.suffix.lower() == ".csv" else tomllib.loads(text)
    except (OSError, UnicodeDecodeError, RecursionError, csv.Error, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise ValueError(plain(f"{name}: cannot be read, {reason or error}")) from None
    reader = _Reader(plan)
    found = reader.as_set(tables, air)
    if reader.problems:
        raise ValueError("\n".join(plain(f"{name}: {line}") for line in reader.problems[:50]))
    return found


def _text(file: Path) -> str:
    if not file.is_file():
        raise ValueError("it is no file")
    if file.stat().st_size > _MOST_BYTES:
        raise ValueError(f"it has more than {_MOST_BYTES} bytes")
    return file.read_text("utf-8-sig")


def _from_csv(text: str, plan: FillPlan) -> Tables:
    """Return the blanks of the sheet's CSV that are filled, as the TOML would hold them."""
    first = text.partition("\n")[0]
    comma = first.count(";") > first.count(",")
    rows = list(csv.DictReader(io.StringIO(text), delimiter=";" if comma else ","))
    if not rows or "output" not in rows[0]:
        raise ValueError("it has no column output: it must be the CSV of a sheet, filled in")
    names = {csv_text(name): name for name in plan.venue.outputs}
    head, outputs, readings = Tables(), Tables(), []
    for row in rows:
        # A row too long or too short holds a list or nothing as well.
        cells = {key: value.strip() for key, value in row.items()
                 if isinstance(value, str) and value.strip()}
        name = names.get(cells.get("output", ""), cells.get("output", ""))
        given, read, found = (
            {key.removeprefix(prefix): _cell(value, comma=comma) for key, value in cells.items()
             if key.startswith(prefix)} for prefix in ("as_set_", "read_", "found_"))
        given |= {key: cells[key] for key in _SIGNED if key in cells}
        if given:
            outputs[name] = given
        if read:
            readings.append({"output": name, **read})
        if "venue" in cells and cells["venue"] != csv_text(plan.venue.name).strip():
            head["venue"] = cells["venue"]
        head |= found
    return {"as_set": head, "output": outputs, "reading": readings}


def _cell(text: str, *, comma: bool) -> str | float:
    """Return a cell as a number where it is one, else as the word it is."""
    try:
        return float(text.replace(",", ".") if comma else text)
    except ValueError:
        return text.lower()


def _picked(table: Tables, keys: tuple[str, ...]) -> Tables:
    return {key: table[key] for key in keys if key in table}


class _Reader:
    """Makes what was set of the tables of a file, and notes every problem in them."""

    def __init__(self, plan: FillPlan) -> None:
        self.plan, self.fills = plan, [fill.output for fill in plan.fills]
        self.problems: list[str] = []

    def as_set(self, tables: Tables, air: Air | None) -> AsSet:
        whole = self._table("", tables, ("as_set", "output", "reading"))
        head = self._table("[as_set]", whole.get("as_set", {}), (*_NOTES, *_AIR))
        if head.get("venue", "") not in ("", self.plan.venue.name):
            self.problems.insert(0, f"[as_set] venue: this is of {quoted(head['venue'])}, the "
                                    f"venue file is of {quoted(self.plan.venue.name)}")
        found = self._air(head)
        # A delay left blank was dialled as the re-time table has it.
        here = found or air
        planned = self.plan.settings if here is None else retimed(self.plan, here)
        settings = {}
        outputs = self._of(dict, whole.get("output", {}),
                           "[output] must be written as [output.NAME]")
        for name, raw in outputs.items():
            where = f"[output.{quoted(name)}]"
            own = self._table(where, raw, (*_DIALLED, *_SIGNED))
            if name in planned:
                settings[name] = self._dialled(name, planned[name], _picked(own, _DIALLED))
            else:
                self.problems.append(f"{where} is no output of the venue; there are "
                                     f"{listed(planned)}")
        readings = self._of(list, whole.get("reading", []),
                            "[reading] must be written as [[reading]]")
        read = tuple(one for number, raw in enumerate(readings, 1)
                     for one in self._reading(f"[[reading]] {number}", raw))
        return AsSet(settings, read, found)

    def _air(self, head: Tables) -> Air | None:
        """Return the air found; the vapour of the plan's where only a temperature is told."""
        told = _picked(head, _AIR)
        if [*told] == ["humidity_pct"]:
            self.problems.append("[as_set] humidity_pct needs temperature_c beside it")
        elif told:
            with self._noted("[as_set]"):
                return (replace(self.plan.air, **told) if len(told) > 1
                        else self.plan.air.at_temperature(**told))
        return None

    def _dialled(self, name: str, planned: OutputSettings, told: Tables) -> OutputSettings:
        words: Tables = {key: _WORDS.get((key, str(value)), value) for key, value in told.items()}
        dialled = replace(planned, **words)
        with self._noted("[output]"):
            check_dialled(self.plan.venue, {name: dialled})
        return dialled

    def _reading(self, where: str, raw: Any) -> Iterator[MeterRead]:
        own = self._table(where, raw, _READ)
        if own.get("output") not in self.fills:
            self.problems.append(f"{where} output must be a fill's: {listed(self.fills)}")
            return
        if isinstance(own.get("at_m"), list):
            own["at_m"] = tuple(own["at_m"])
        before = len(self.problems)
        for key, value in own.items():
            with self._noted(where):
                MeterRead(**{"output": own["output"], key: value})
        if len(self.problems) == before:
            yield MeterRead(**own)

    @contextmanager
    def _noted(self, where: str) -> Iterator[None]:
        """Note the error of a value, and go on."""
        try:
            yield
        except (TypeError, ValueError) as error:
            self.problems += [f"{where} {line}" for line in str(error).splitlines()]

    def _of(self, kind: type[Kind], raw: Any, wrong: str) -> Kind:
        """Return what is of a kind; note what is not, and take it for empty."""
        if isinstance(raw, kind):
            return raw
        self.problems.append(wrong)
        return kind()

    def _table(self, where: str, raw: Any, keys: tuple[str, ...]) -> Tables:
        """Return the known keys of a table, and note what else there is."""
        table = self._of(dict, raw, f"{where} must be a table, got {quoted(raw)}")
        self.problems += [f"{where} unknown key {quoted(key)}; known: {', '.join(keys)}".strip()
                          for key in table if key not in keys]
        return _picked(table, keys)
