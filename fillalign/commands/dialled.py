"""What a plan dialled, read from what the command wrote: its JSON or the sheet's CSV."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fillalign._text import LONGEST_PATH, csv_text, quoted, short
from fillalign.commands.shell import fitting, same_venue

if TYPE_CHECKING:
    from fillalign.air import Air
    from fillalign.venue import OutputSettings, Venue

PLAN_HELP = ("what was planned: the sheet's CSV, or JSON from 'fillalign VENUE.toml --json' "
             "(default: planned anew, which takes some seconds in a large venue)")
_COLUMNS: dict[str, Any] = {
    "delay_ms": float, "trim_db": float, "low_cut_hz": float, "low_cut_order": int,
    "low_cut_kind": str, "shelf_db": float, "shelf_hz": float, "polarity": str,
}


def saved_plan(venue: Venue, file: str) -> tuple[Mapping[str, OutputSettings], Air]:
    """Return settings and air of a plan that was written.

    Raises VenueError if it is of another venue, ValueError if it is none.
    """
    from fillalign.air import Air
    from fillalign.venue import VenueError, check_settings, saved_settings

    try:
        content = Path(file).read_bytes()
        if Path(file).suffix.lower() == ".csv":
            settings, air = _from_sheet(venue, content.decode("utf-8-sig"), file)
        else:
            saved = json.loads(content)
            same_venue(venue, saved["venue"]["name"], file)
            settings, air = saved_settings(saved), Air(**saved["air"])
        check_settings(venue, settings)
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
    from fillalign.planning import plan_fills

    if file is not None:
        return saved_plan(venue, file)
    with fitting(venue.name):
        plan = plan_fills(venue)
    return plan.settings, plan.air


def _from_sheet(venue: Venue, text: str, file: str) -> tuple[dict[str, OutputSettings], Air]:
    """Return what the sheet's CSV says, each output by its name as written there."""
    from fillalign.air import Air
    from fillalign.venue import OutputSettings

    rows: dict[str, Any] = {
        row["output"]: row for row in csv.DictReader(io.StringIO(text), strict=True)}
    for row in rows.values():
        same_venue(venue, row.get("venue", venue.name), file)
    settings = {}
    for name in venue.outputs:
        if csv_text(name) not in rows:
            raise ValueError(f"there is no line for output {quoted(name)}")
        row = rows[csv_text(name)]
        own = {key: "-inf" if row[key] == "off" else row[key] for key in _COLUMNS}
        # What has no low cut has neither its order nor its kind.
        settings[name] = OutputSettings(**{key: _COLUMNS[key](value)
                                           for key, value in own.items() if value})
    any_row = next(iter(rows.values()))
    told = (float(any_row[f"computed_{key}"]) for key in ("temperature_c", "humidity_pct",
                                                       "pressure_kpa"))
    return settings, Air(*told)
