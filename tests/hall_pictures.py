"""The small picture of the hall at the head of a lesson: `python -m tests.hall_pictures`.

Drawn from the venue file and kept in the notebook itself, so that it shows before
anything is run, wherever the notebook lies.
"""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import Any

import nbformat
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.transforms import Bbox
from PIL import Image

from fillalign.classroom import own_plan
from fillalign.plots import GREY, HUE, INK, PALE
from fillalign.venue import Venue, read_demo_venue

NAME = "hall.png"
MOST_BYTES = 16_000
NOTEBOOKS = Path(__file__).parents[1] / "notebooks"

SCENES: dict[str, tuple[str, dict[str, tuple[float, float]]]] = {
    "00": ("pewter_barn", {"Ruth": (36, 2), "Ole": (18, 0), "Noor": (32, 4)}),
    "01": ("tidewell_hall", {"Ruth": (39, -3), "row 2": (5, 1), "Noor": (13, -4)}),
    "02": ("tidewell_hall", {"Ines": (27, 5), "Ole": (15, 0)}),
    "03": ("tidewell_hall", {"Ines": (34, 2), "Ole": (24, -4), "Ruth": (30, -6)}),
    "04": ("tidewell_hall", {"Ruth": (34, 2), "Ole": (15, 0), "Ines": (34, -2)}),
    "05": ("tidewell_hall", {"Ruth": (20, 3), "row 34": (34, -2), "Ole": (14, -3)}),
    "06": ("tidewell_hall", {"talker": (-2, 0), "Ruth": (39, 3), "Ole": (14, -3)}),
    "07": ("tidewell_hall", {"Ruth": (39, 0), "Noor": (13, -4)}),
    "08": ("cinder_meadow", {"Ruth": (98, 8), "Ines": (60, -12), "Ole": (40, 0)}),
    "09": ("tidewell_hall", {"Ruth": (30, 3), "Ines": (30, -3), "Ole": (14, -3)}),
    "10": ("", {"Ole": (24, 0), "Hal": (35, -4)}),
}
"""Venue (empty: that of lesson 10's form) and people, by lesson: where each of them is, in m."""


_SIDES = [(5, 5, "left", "bottom"), (-5, 5, "right", "bottom"), (5, -5, "left", "top"),
          (-5, -5, "right", "top"), (0, 7, "center", "bottom"), (0, -7, "center", "top"),
          (8, 0, "left", "center"), (-8, 0, "right", "center")]
"""Where a name may stand beside its place, in points, the first that is free."""


def _loudspeakers(ax: Any, venue: Venue) -> None:
    for role, marker, colour in (("main", "s", INK), ("fill", "^", HUE)):
        places = [source.position_m for source in venue.of_role(role)]
        ax.plot([x for x, _, _ in places], [y for _, y, _ in places], marker, color=colour,
                markersize=8, markeredgecolor="white", linestyle="none",
                label="mains" if role == "main" else "fills")


def _in_the_way(ax: Any, marks: Any, wall: Any) -> list[Bbox]:
    """Return what a name must not lie on, in pixels: marks, names of areas, the wall's sides."""
    half = 5.5 * ax.figure.dpi / 72
    found = [Bbox.from_bounds(x - half, y - half, 2 * half, 2 * half)
             for x, y in ax.transData.transform(marks)]
    found += [text.get_window_extent() for text in ax.texts if text.get_fontweight() != "bold"]
    if wall is not None:
        box = wall.get_window_extent()
        found += [Bbox([[x, box.y0], [x + 1, box.y1]]) for x in (box.x0, box.x1)]
        found += [Bbox([[box.x0, y], [box.x1, y + 1]]) for y in (box.y0, box.y1)]
    return found


def _name_people(ax: Any, people: dict[str, tuple[float, float]], marks: Any, wall: Any) -> None:
    """Write names where they lie on nothing, or on as little as can be."""
    ax.figure.draw_without_rendering()
    for name, place in people.items():
        taken = [*_in_the_way(ax, [*marks, *people.values()], wall),
                 *(text.get_window_extent() for text in ax.texts if text.get_text() in people)]
        tried = []
        for dx, dy, across, up in _SIDES:
            text = ax.annotate(name, place, xytext=(dx, dy), textcoords="offset points",
                               color=INK, fontsize=10, fontweight="bold", ha=across, va=up,
                               bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8,
                                     "alpha": 0.8})
            tried.append((text.get_window_extent().count_overlaps(taken), len(tried), text))
        best = min(tried)[2]
        for _, _, text in tried:
            if text is not best:
                text.remove()


def hall_figure(venue: Venue, people: dict[str, tuple[float, float]]) -> Figure:
    """Draw a venue from above with some people in it."""
    figure = Figure(figsize=(7.6, 2.7), dpi=100, layout="constrained")
    ax = figure.add_subplot()
    ax.set_aspect("equal")
    long_m = max(area.x_to_m for area in venue.areas) + 6.0
    for area in venue.areas:
        (x, width), (y, depth) = (
            (low, high - low) for low, high in zip(
                area.seats_m()[:, :2].min(axis=0), area.seats_m()[:, :2].max(axis=0), strict=True))
        shadow = bool(area.shadowed_from)
        ax.add_patch(Rectangle((x, y), width, depth, facecolor=PALE,
                               edgecolor=GREY, hatch="//" if shadow else None, linewidth=0.6))
        # An area too narrow for its name has it upright, where no neighbour's begins.
        upright = width < 0.015 * long_m * len(area.name)
        ax.text(x + width / 2, y + 0.03 * depth, area.name, ha="center", va="bottom",
                color=INK, fontsize=7, rotation=90 if upright else 0,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.7})
    wall = None
    if venue.room is not None and venue.room.width_m is not None:
        room = venue.room
        wall = ax.add_patch(Rectangle(
            (room.x_from_m, -room.width_m / 2), room.x_to_m - room.x_from_m, room.width_m,
            fill=False, edgecolor=INK, linewidth=1.4))
    _loudspeakers(ax, venue)
    for x, y in people.values():
        ax.plot(x, y, "o", color=INK, markerfacecolor="white", markeredgewidth=2, markersize=7)
    ax.margins(0.03)
    ax.set_xlabel("metres from the mains (10 m are 33 ft)", fontsize=8)
    ax.set_yticks([])
    ax.tick_params(labelsize=8)
    ax.spines[["top", "left", "right"]].set_visible(False)
    ax.legend(loc="upper left", bbox_to_anchor=(1, 1), fontsize=8, frameon=False)
    _name_people(ax, people, [source.position_m[:2] for source in venue.sources], wall)
    return figure


def hall_png(venue: Venue, people: dict[str, tuple[float, float]]) -> bytes:
    """Return that picture as a small PNG."""
    figure = hall_figure(venue, people)
    drawn, held = io.BytesIO(), io.BytesIO()
    figure.savefig(drawn, format="png", metadata={"Software": None})
    Image.open(drawn).convert("RGB").quantize(64).save(held, "png", optimize=True)
    return held.getvalue()


def put_into(path: Path) -> int:
    """Draw a lesson's hall into its first cell; return the size in bytes."""
    venue, people = SCENES[path.stem[:2]]
    png = hall_png(read_demo_venue(venue) if venue else own_plan().venue, people)
    notebook = nbformat.read(path, as_version=4)
    notebook.cells[0].attachments = {NAME: {"image/png": base64.b64encode(png).decode()}}
    nbformat.write(notebook, path)
    return len(png)


if __name__ == "__main__":
    for lesson in sorted(NOTEBOOKS.glob("*.ipynb")):
        if lesson.stem[:2] in SCENES:
            print(lesson.stem, put_into(lesson), "bytes")
