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
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fillalign._text import LONGEST_PATH, csv_text, listed, plain, quoted, short
from fillalign._validate import as_air, as_path, check_type
from fillalign.air import Air
from fillalign.planning import FillPlan, MeterRead, retimed
from fillalign.venue import OutputSettings, check_dialled

_MOST_BYTES = 2_000_000
_MOST_TEXT = 80
_NOTES = ("venue", "set_by", "when")
_AIR = ("temperature_c", "humidity_pct")
_SIGNED = ("initials", "time")
_DIALLED = ("delay_ms", "trim_db", "low_cut_hz", "low_cut_order", "low_cut_kind", "shelf_db",
            "shelf_hz", "polarity")
_READ = ("output", "at_m", "mains_dba", "fill_dba", "both_dba", "gap_ms", "polarity_same")
_LEVELS = ("mains_dba", "fill_dba", "both_dba")
_WORDS = {("trim_db", "off"): -math.inf, ("low_cut_hz", "none"): None}
Tables = dict[str, Any]


@dataclass(frozen=True)
class AsSet:
    """What was set and read at a venue, ready for `as_measured`.

    `settings` holds whole settings of the outputs that the file names, what it leaves out
    of them as planned; `air` is None where none was written down. `notes` are venue,
    set_by and when, `signed` the initials and the time by output, as far as given.
    """

    settings: Mapping[str, OutputSettings]
    readings: tuple[MeterRead, ...] = ()
    air: Air | None = None
    notes: Mapping[str, str] = field(default_factory=dict)
    signed: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


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
    problems: list[str] = []
    found = _as_set(tables, plan, air, problems)
    if problems:
        raise ValueError("\n".join(plain(f"{name}: {line}") for line in problems[:50]))
    return found


def _text(file: Path) -> str:
    if not file.is_file():
        raise ValueError("it is no file")
    with file.open("rb") as opened:
        content = opened.read(_MOST_BYTES + 1)
    if len(content) > _MOST_BYTES:
        raise ValueError(f"it has more than {_MOST_BYTES} bytes")
    return content.decode("utf-8-sig")


# The CSV as tables -------------------------------------------------------------------------


def _from_csv(text: str, plan: FillPlan) -> Tables:
    """Return the blanks of the sheet's CSV that are filled, as the TOML would hold them."""
    head = text.partition("\n")[0]
    comma = head.count(";") > head.count(",")
    rows = list(csv.DictReader(io.StringIO(text), delimiter=";" if comma else ","))
    if not rows or "output" not in rows[0]:
        raise ValueError("it has no column output: it must be the CSV of a sheet, filled in")
    names = {csv_text(name): name for name in plan.venue.outputs}
    outputs: Tables = {}
    readings: list[Tables] = []
    head_rows: Tables = {}
    for row in rows:
        cells = {key: (value or "").strip() for key, value in row.items()
                 if isinstance(key, str) and isinstance(value, str | None)}

        def filled(prefix: str, cells: Mapping[str, str] = cells) -> Tables:
            return {key.removeprefix(prefix): _cell(value, comma=comma)
                    for key, value in cells.items() if value and key.startswith(prefix)}

        name = names.get(cells["output"], cells["output"])
        if cells.get("venue", "") not in ("", csv_text(plan.venue.name).strip()):
            head_rows["venue"] = cells["venue"]
        given = filled("as_set_") | {key: cells[key] for key in _SIGNED if cells.get(key)}
        read = filled("read_")
        head_rows |= filled("found_")
        if given:
            outputs[name] = given
        if read:
            readings.append({"output": name, **read})
    return {"as_set": head_rows, "output": outputs, "reading": readings}


def _cell(text: str, *, comma: bool) -> str | float:
    """Return a cell as a number where it is one, else as the word it is."""
    try:
        return float(text.replace(",", ".") if comma else text)
    except ValueError:
        return text.lower()


# Tables as what was set ---------------------------------------------------------------------


def _as_set(tables: Tables, plan: FillPlan, air: Air | None, problems: list[str]) -> AsSet:
    """Make what was set of tables, and note every problem."""
    _known("", tables, ("as_set", "output", "reading"), problems)
    head = _table("[as_set]", tables.get("as_set", {}), (*_NOTES, *_AIR), problems)
    found = _air(head, plan, problems)
    # A delay left blank was dialled as the re-time table has it.
    here = found or air
    planned, settings, signed = plan.settings if here is None else retimed(plan, here), {}, {}
    outputs = tables.get("output", {})
    for name, raw in (outputs.items() if isinstance(outputs, dict) else ()):
        where = f"[output.{quoted(name)}]"
        own = _table(where, raw, (*_DIALLED, *_SIGNED), problems)
        if name not in plan.venue.outputs:
            problems.append(f"{where} is no output of the venue; there are "
                            f"{listed(plan.venue.outputs)}")
            continue
        signed[name] = _notes(where, own, _SIGNED, problems)
        dialled: dict[str, Any] = {key: _WORDS.get((key, str(own[key])), own[key])
                                   for key in _DIALLED if key in own}
        with _noted("[output]", problems):
            check_dialled(plan.venue, {name: replace(planned[name], **dialled)})
            settings[name] = replace(planned[name], **dialled)
    if not isinstance(outputs, dict):
        problems.append("[output] must be written as [output.NAME]")
    read = list(_readings(tables.get("reading", []), plan, problems))
    notes = _notes("[as_set]", head, _NOTES, problems)
    if notes.get("venue", "") not in ("", plan.venue.name):
        problems.insert(0, f"[as_set] venue: this is of {quoted(notes['venue'])}, the venue file "
                           f"is of {quoted(plan.venue.name)}")
    return AsSet(settings, tuple(read), found, notes, signed)


@contextmanager
def _noted(where: str, problems: list[str]) -> Iterator[None]:
    """Note the error of a value, and go on."""
    try:
        yield
    except (TypeError, ValueError) as error:
        problems += [f"{where} {line}" for line in str(error).splitlines()]


def _readings(raw: Any, plan: FillPlan, problems: list[str]) -> Iterator[MeterRead]:
    if not isinstance(raw, list):
        problems.append("[reading] must be written as [[reading]]")
        return
    fills = [fill.output for fill in plan.fills]
    for number, one in enumerate(raw, 1):
        where = f"[[reading]] {number}"
        own = _table(where, one, _READ, problems)
        if own.get("output") not in fills:
            problems.append(f"{where} output must be a fill's: {listed(fills)}")
            continue
        for key in _LEVELS:
            if isinstance(own.get(key), str | bool):
                problems.append(f"{where} {key} must be a number in dBA, got {quoted(own[key])}")
                del own[key]
        with _noted(where, problems):
            at_m = own.get("at_m")
            yield MeterRead(**{**own, "at_m": tuple(at_m) if isinstance(at_m, list) else at_m})


def _air(head: Tables, plan: FillPlan, problems: list[str]) -> Air | None:
    """Return the air found; the vapour of the plan's where only a temperature is told."""
    if "temperature_c" not in head:
        if "humidity_pct" in head:
            problems.append("[as_set] humidity_pct needs temperature_c beside it")
        return None
    with _noted("[as_set]", problems):
        if "humidity_pct" in head:
            return replace(plan.air, **{key: head[key] for key in _AIR})
        return plan.air.at_temperature(head["temperature_c"])
    return None


def _known(where: str, table: Tables, keys: tuple[str, ...], problems: list[str]) -> None:
    problems += [f"{where} unknown key {quoted(key)}; known: {', '.join(keys)}".strip()
                 for key in table if key not in keys]


def _table(where: str, raw: Any, keys: tuple[str, ...], problems: list[str]) -> Tables:
    """Return the known keys of a table, and note what else there is."""
    if not isinstance(raw, dict):
        problems.append(f"{where} must be a table, got {quoted(raw)}")
        return {}
    _known(where, raw, keys, problems)
    return {key: raw[key] for key in keys if key in raw}


def _notes(
    where: str, table: Tables, keys: tuple[str, ...], problems: list[str]
) -> dict[str, str]:
    """Return some keys of a table as text, and note what is none."""
    notes = {}
    for key, value in ((key, table[key]) for key in keys if key in table):
        number = isinstance(value, int | float) and not isinstance(value, bool)
        notes[key] = f"{value:g}" if number and math.isfinite(value) else value
        if not isinstance(notes[key], str) or len(notes[key]) > _MOST_TEXT:
            problems.append(f"{where} {key} must be text of at most {_MOST_TEXT} characters, got "
                            f"{quoted(value)}")
            notes[key] = ""
    return notes
