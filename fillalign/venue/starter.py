"""Where to start from: the demo venues, a first file from a handful of numbers, a survey form."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from fillalign._text import html_text
from fillalign._validate import as_number, check_choice
from fillalign.levels import a_weighting_db, db_to_power, power_to_db
from fillalign.room import sabine_rt60_s
from fillalign.venue.keys import TABLES
from fillalign.venue.reader import read_venue
from fillalign.venue.venue import Venue

DEMO_VENUES = ("tidewell_hall", "cinder_meadow", "saltmarsh_chapel", "lantern_room",
               "pewter_barn")


def shipped_path(*parts: str) -> Path:
    """Return where a file or folder is that comes with the library, such as data/voice.wav.

    Inside the package as installed, beside it in a checkout.

    Raises
    ------
    FileNotFoundError
        If it is in neither place.

    Examples
    --------
    >>> shipped_path("data", "voice.wav").name
    'voice.wav'
    """
    package = Path(__file__).resolve().parents[1]
    for root in (package / "shipped", package.parent):
        path = root.joinpath(*parts)
        if path.exists():
            return path
    raise FileNotFoundError(f"{'/'.join(parts)} did not come with this installation of fillalign")


def read_demo_venue(name: str) -> Venue:
    """Read an invented venue that comes with the library.

    Parameters
    ----------
    name : str
        tidewell_hall (a community hall), cinder_meadow (a field with towers),
        saltmarsh_chapel (a long decay), lantern_room (where no fill is needed) or
        pewter_barn (rain on the roof: no words at the back without fills).

    Returns
    -------
    Venue
        As `read_venue` reads it.

    Raises
    ------
    ValueError
        If there is no such venue.

    Examples
    --------
    >>> read_demo_venue("lantern_room")
    Venue('Lantern Room': 3 loudspeakers on 2 outputs, 63 seats)
    """
    return read_venue(shipped_path("data", f"{check_choice('name', name, DEMO_VENUES)}.toml"))


# What is asked of somebody with a tape measure: name, words, unit, range, default.
QUESTIONS = (
    ("length_m", "length, from the stage to the wall or to the last listener", "m", 5, 300, None),
    ("width_m", "width", "m", 3, 200, None),
    ("height_m", "height of the ceiling; 0 outdoors", "m", 0, 60, None),
    ("rt60_s", "decay of the occupied room at 1 kHz; 0 if unknown (or outdoors)", "s", 0, 20, 0.0),
    ("temperature_c", "temperature where the sound travels", "C", -20, 50, None),
    ("first_row_m", "first row, from the line of the mains", "m", 0.5, 250, None),
    ("last_row_m", "last row", "m", 1, 290, None),
    ("mains_apart_m", "mains, from left to right", "m", 0, 150, None),
    ("mains_height_m", "mains, height", "m", 0.5, 40, None),
    ("mains_dba", "each main at 1 m, pink noise at its usual level", "dBA", 60, 140, None),
    ("fill_at_m", "fills, from the line of the mains; 0 for none yet", "m", 0, 280, 0.0),
    ("noise_dba", "noise while nobody speaks (fans, rain); 0 if unknown", "dBA", 0, 100, 0.0),
)
# Noise of fans and air, by octave: the noise criterion curve NC-30 (from memory).
_NOISE_DB = {63: 57, 125: 48, 250: 41, 500: 35, 1000: 31, 2000: 29, 4000: 28, 8000: 27}
_SPEECH_GOAL = 0.5


def starter_toml(name: str, programme: str, **measured: float) -> str:
    """Return a first venue file, commented, from a handful of numbers.

    Parameters
    ----------
    name : str
        Name of the venue.
    programme : {"speech", "music"}
        What it is for.
    **measured : float
        One number for each of `QUESTIONS`; those with a default may be left out.

    Returns
    -------
    str
        TOML that `read_venue` reads: two mains, one pair of fills if there is a place
        for them, one block of seats in front of the fills and one behind.

    Raises
    ------
    ValueError
        If a number is missing or out of range, or the rows do not fit the length: a line for
        each.

    Examples
    --------
    >>> text = starter_toml("Gym", "speech", length_m=36, width_m=18, height_m=7, rt60_s=1.6,
    ...                     temperature_c=21, first_row_m=4, last_row_m=34, mains_apart_m=10,
    ...                     mains_height_m=4, mains_dba=94, fill_at_m=22)
    >>> text.splitlines()[3]
    'name = "Gym"'
    """
    check_choice("programme", programme, TABLES["venue"]["programme"].choices)
    given: dict[str, float] = {}
    wrong = []
    if not name.strip() or not name.isprintable() or {*name} & {*'"\\'} or len(name) > 80:
        wrong.append(f"name must be 1 to 80 letters without quotes, got {name[:80]!r}")
    for key, _, unit, low, high, default in QUESTIONS:
        value = measured.get(key, default)
        if value is None:
            wrong.append(f"{key} is missing: in {unit}, {low} to {high}")
            continue
        try:
            given[key] = as_number(key, value, unit, low=low, high=high)
        except ValueError as error:
            wrong.append(str(error))
    wrong += _misfits(given)
    if wrong:
        raise ValueError("\n".join(wrong))
    return "\n".join([*_head(name, programme, given), *_boxes(given), *_rows(given),
                      *_goals(programme, given), ""])


def _misfits(given: dict[str, float]) -> Iterator[str]:
    """Say which rows and fills do not fit the room, of what could be read."""
    first, last, length, fill = (given.get(key) for key in
                                 ("first_row_m", "last_row_m", "length_m", "fill_at_m"))
    if first is None or last is None:
        return
    if length is not None and not first < last <= length:
        yield (f"last_row_m must be above first_row_m, {first:g} m, and at most length_m, "
               f"{length:g} m, got {last:g}")
    elif fill and first < last and not first < fill < last:
        yield (f"fill_at_m must be between the first and the last row, {first:g} to {last:g} m, "
               f"or 0 for none, got {fill:g}")


def _head(name: str, programme: str, given: dict[str, float]) -> list[str]:
    height, decay = given["height_m"], given["rt60_s"]
    # Without a measured decay: Sabine with a mean absorption of 0.2 (common practice for a guess).
    length, width = given["length_m"] + 3.0, given["width_m"]
    guess = round(float(sabine_rt60_s(length, width, height, 0.2)), 2) if height else 0.0
    show = decay or min(max(guess, 0.3), 8.0)
    lines = [
        "# A first file. Everything is in the unit that the end of its key says. x runs from the",
        "# line of the mains into the venue, y to the left seen from the stage, z up.",
        "[venue]", f'name = "{name}"', f'setting = "{"indoors" if height else "outdoors"}"',
        f'programme = "{programme}"', "",
    ]
    if height:
        lines += ["[room]", "x_from_m = -3.0            # the wall behind the stage",
                  f"x_to_m = {given['length_m']:g}", f"width_m = {width:g}",
                  f"height_m = {height:g}", ""]
    for state, factor in (("show", 1.0), ("check", 1.25)):
        lines += [f"[state.{state}]            # {'occupied' if state == 'show' else 'empty'}",
                  f"temperature_c = {given['temperature_c']:g}", "humidity_pct = 50.0"]
        if height:
            lines.append(f"rt60_s = {{ 125 = {1.3 * factor * show:.2f}, 500 = {factor * show:.2f}, "
                         f"1000 = {factor * show:.2f}, 4000 = {0.8 * factor * show:.2f} }}")
        guessed = ["humidity_pct", *(["rt60_s"] if height and (not decay or factor > 1) else [])]
        lines += ["# Measure it, and take the name off: till then it is told.",
                  f"assumed = {json.dumps(guessed)}", ""]
    return lines


def _boxes(given: dict[str, float]) -> list[str]:
    """Return the lines of the mains, and of fills where there is a place for them: a pair each."""
    first, last, fill = given["first_row_m"], given["last_row_m"], given["fill_at_m"]
    level, high, side = given["mains_dba"], given["mains_height_m"], given["mains_apart_m"] / 2
    # Box, its level, maximum and coverage, place and aim in m, and keys of its own.
    pairs = [("main", level, level + 24, 50, "0.0", first + 0.4 * (last - first), [], []),
             ("fill", level - 3, level + 18, 60, f"{fill:g}", fill + 0.6 * (last - fill),
              ['kind = "delay"'], ['covers = ["back"]'])]
    lines: list[str] = []
    for number, (box, own, most, down, x, aim, kind, covers) in enumerate(pairs[: 1 + (fill > 0)]):
        output, guessed = f"{box.title()}s", ["level_dba"] * number
        lines += [
            f"[loudspeaker.{box}]", f"level_dba = {own:g}", f"maximum_dba = {most:g}",
            f"coverage_deg = [90, {down}]",
            "# Put in what its data sheet says, and take the name off: till then it is told.",
            f"assumed = {json.dumps([*guessed, 'maximum_dba', 'coverage_deg'])}", "",
            f"[output.{output}]", 'feed = "mono"', f'set_in = "console, output {number + 1}"',
            "latency_ms = 2.0", "# Measure it, input to output, and take this line off.",
            'assumed = ["latency_ms"]', ""]
        for hand, y in (("left", side), ("right", -side)):
            lines += [f"[[{box}s]]", f'name = "{box.title()} {hand}"', *kind,
                      f'output = "{output}"', f'loudspeaker = "{box}"',
                      f"position_m = [{x}, {y:g}, {high:g}]",
                      f"aim_m = [{aim:.1f}, {y / 2:g}, 1.2]", *covers, ""]
    return lines


def _rows(given: dict[str, float]) -> list[str]:
    first, last, fill = given["first_row_m"], given["last_row_m"], given["fill_at_m"]
    half = max(given["width_m"] / 2 - 1.0, 1.0)
    split = fill + 1.0 if fill and fill + 1.0 < last else last
    areas = [("front" if fill else "seats", first, split), ("back", split, last)]
    return [line for name, low, high in areas[: 1 + (split < last)] for line in (
        "[[areas]]", f'name = "{name}"', f"x_from_m = {low:g}", f"x_to_m = {high:g}",
        f"y_from_m = {-half:g}", f"y_to_m = {half:g}", "")]


def _goals(programme: str, given: dict[str, float]) -> list[str]:
    lines = ["[goals]"]
    if programme == "speech":
        lines.append(f"sti = {_SPEECH_GOAL:.2f}                 # speech transmission index: the "
                     "words at every row")
    if given["noise_dba"]:
        curve = np.array(list(_NOISE_DB.values()), dtype=float)
        shown = power_to_db(db_to_power(curve + a_weighting_db(list(_NOISE_DB))).sum())
        noise = ", ".join(f"{octave} = {level + given['noise_dba'] - shown:.1f}"
                          for octave, level in _NOISE_DB.items())
        lines.append(f"noise_db = {{ {noise} }}")
    return lines if len(lines) > 1 else []


def survey_form_html() -> str:
    """Return a blank survey form to print and fill in at the venue, one box a question.

    Each box carries the name of the key it is for, its unit and its range.
    """
    boxes = "".join(
        f"<tr><td>{html_text(words)}</td><td class='box'></td><td>{unit}</td>"
        f"<td><code>{key}</code> ({low:g} to {high:g})</td></tr>"
        for key, words, unit, low, high, _ in QUESTIONS
    )
    return (
        "<!DOCTYPE html><html lang='en'><head><meta charset='utf-8'><title>Survey form</title>"
        "<style>body{font:11pt sans-serif;margin:15mm}td{padding:2.5mm;border-bottom:1px solid "
        "#999}.box{width:30mm;border:1px solid #000}code{color:#444}</style></head><body>"
        "<h1>Survey of ____________________ on ____________ by ____________</h1>"
        "<p>Laser: class 2 at most, never at eyes. Nobody climbs to measure: rigging and ladders "
        "are for those who are qualified.</p><table>" + boxes + "</table>"
        "<p>For each loudspeaker: make, level at 1 m, maximum, coverage, latency of its path. For "
        "each output: console output, where its delay is set, its step.</p></body></html>"
    )
