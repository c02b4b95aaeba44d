"""Positions that a venue file gives as laser distances from known points.

Private to the reader. Positions are kept to the millimetre, as the laser shows.
"""

from __future__ import annotations

from fillalign.trilateration import Located, locate
from fillalign.venue.rules import Tables, outline, sources
from fillalign.venue.schema import READING
from fillalign.venue.table import Log, Row, read_table


def _readings(row: Row, log: Log) -> list[Row]:
    """Read the points and distances of a row, or return none where one is bad."""
    before = len(log.problems)
    rows = [
        read_table(READING, raw, Row(f"{row.where} position_from {number}", row.name), "", log)
        for number, raw in enumerate(row.values["position_from"], 1)
    ]
    return rows if len(log.problems) == before else []


def _note(family: str, row: Row, found: Located, log: Log) -> None:
    count = len(found.residuals_m)
    height = " and a height" if "height_m" in row.values else ""
    unsure = sum(part**2 for part in found.uncertainty_m) ** 0.5
    place = ", ".join(f"{value:.3f}" for value in found.position_m)
    log.default(
        f"[[{family}]]",
        f"position_m = [{place}] m from {count} laser distances{height}, misfit "
        f"{1000 * found.misfit_m:.0f} mm, uncertain by {1000 * unsure:.0f} mm",
        row.name,
    )


def locate_sources(tables: Tables, log: Log) -> None:
    """Put position_m into the rows that give distances, or add why it cannot be found."""
    box = outline(tables)
    room = None if box is None else [[box[0], -box[2] / 2, 0.0], [box[1], box[2] / 2, box[3]]]
    laser = tables["survey"][0].values.get("laser_m")
    for family, row in sources(tables):
        readings = _readings(row, log) if "position_from" in row.values else []
        slipped = any(key in row.given and key not in row.values for key in ("height_m", "side"))
        if not readings or slipped or laser is None:
            continue
        try:
            found = locate(
                [reading.values["point_m"] for reading in readings],
                [reading.values["distance_m"] for reading in readings],
                height_m=row.values.get("height_m"),
                laser_m=laser,
                side=row.values.get("side"),
                room_m=room,
            )
        except ValueError as error:
            log.problem(row.where, "position_from", str(error))
        else:
            row.values["position_m"] = tuple(round(value, 3) for value in found.position_m)
            _note(family, row, found, log)
