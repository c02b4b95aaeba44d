"""A form for a venue of one's own: numbers or a venue file in, plan, pictures and sheet out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from matplotlib.figure import Figure

from fillalign import plots
from fillalign.classroom.exercises import as_number, as_sentence
from fillalign.classroom.figures import Picture
from fillalign.classroom.live_panels import picture_html
from fillalign.classroom.widgets import (
    Choice,
    Shown,
    abreast,
    button,
    download_link,
    entry,
    label_width,
    make_control,
    markup,
    row,
    say,
    size,
    stack,
    upload,
    words,
)
from fillalign.planning import FillPlan, plan_fills
from fillalign.sheet import sheet_files
from fillalign.venue import QUESTIONS, Venue, read_venue_text, starter_toml

START = {
    "length_m": 38, "width_m": 18, "height_m": 7, "rt60_s": 1.4, "temperature_c": 21,
    "first_row_m": 4, "last_row_m": 36, "mains_apart_m": 10, "mains_height_m": 4.5,
    "mains_dba": 94, "fill_at_m": 22, "noise_dba": 58,
}
_NAME = "A Room of My Own"
_ASKED = (
    "Put in a room that you know; 10 m are 33 ft. A decay of 0 is guessed from the size; a "
    "recording tells it better (lesson 09). Or open a venue file."
)
_SHORT = {
    "length_m": "length", "rt60_s": "decay at 1 kHz", "temperature_c": "temperature",
    "first_row_m": "first row", "mains_dba": "each main at 1 m, pink noise",
    "fill_at_m": "fills at", "noise_dba": "noise (fans, rain)",
}
"""Labels where the question of the survey form is long."""
_TRACK = "9em"
_MARKS = "Cross: the stage microphone. Plus: where to hold the meter."
_current: list[FillPlan] = []


def own_plan() -> FillPlan:
    """Return the plan that the form made last, or that of the room it opens with.

    Examples
    --------
    >>> own_plan().venue.name
    'A Room of My Own'
    """
    if not _current:
        _current.append(plan_fills(_venue(_NAME, "speech", START)))
    return _current[-1]


def _venue(name: str, programme: str, numbers: dict[str, float]) -> Venue:
    return read_venue_text(starter_toml(name, programme, **numbers))


def in_words(plan: FillPlan) -> str:
    """Return what a plan sets and what it does not reach, in a few lines.

    Examples
    --------
    >>> in_words(own_plan()).splitlines()[0].startswith("Fills: delay ")
    True
    """
    lines = []
    for fill in plan.fills:
        own = plan.settings[fill.output]
        cut = "no low cut" if own.low_cut_hz is None else f"low cut {own.low_cut_hz:.0f} Hz"
        lines.append(f"{fill.output}: delay {own.delay_ms:.1f} ms, trim {own.trim_db:+.1f} dB, "
                     f"{cut}." if fill.sounding else f"{fill.output}: stays off.")
    if not any(fill.sounding for fill in plan.fills):
        lines.append("No fill sounds here." if plan.unmet else
                     "No fill is needed here: the mains serve every row.")
    more = f" (And {len(plan.unmet) - 1} more.)" if len(plan.unmet) > 1 else ""
    lines.append(f"Not met: {plan.unmet[0]}{more}" if plan.unmet else "Every target is met"
                 + " within what can be heard" * bool(plan.nearly_met) + ".")
    return "\n".join(lines)


class VenueForm(Shown):
    """Boxes for a tape measure's numbers; what they plan; files to open and to save.

    Attributes
    ----------
    entries : dict of str to widget
        By the names of `fillalign.venue.QUESTIONS`, and `name`.
    programme, plan_button, upload, links, reply : widget
        What it is for; works it out; opens a venue file; saves; says what came of it.
    plan : FillPlan
        The last plan that worked.
    text : str
        What it says, in words.
    """

    def __init__(self) -> None:
        labels = {"name": "Name of the venue"}
        for key, said, unit, _, _, _ in QUESTIONS:
            short = _SHORT.get(key, said.partition(";")[0])
            labels[key] = f"{short[:1].upper()}{short[1:]} ({unit})"
        width = label_width(labels.values())
        self.entries = {
            key: entry(label, enter=self._planned, width=width, track=_TRACK,
                       hint="name" if key == "name" else "number")
            for key, label in labels.items()
        }
        self.programme = make_control(Choice("programme", "For", ("speech", "music")),
                                      continuous=False)
        self.plan_button = button("Plan it", self._planned)
        self.upload = upload("Open a venue file", ".toml", self._opened)
        self.reply, self.links = words("", "readout", role="status"), markup("")
        self.plan = own_plan()
        self.text = self.toml = self.error = ""
        for key, value in {"name": _NAME, **START}.items():
            self.entries[key].value = value if isinstance(value, str) else f"{value:g}"
        self._show()
        self.box = stack(words(_ASKED),
                         abreast(*self.entries.values(), width=width, track=_TRACK),
                         self.programme, row(self.plan_button, self.upload), self.reply,
                         self.links)

    def _numbers(self) -> dict[str, float]:
        numbers = {}
        for key, said, _, _, _, default in QUESTIONS:
            typed = self.entries[key].value.strip()
            try:
                numbers[key] = default if not typed and default is not None else as_number(typed)
            except ValueError as error:
                raise ValueError(f"{said.partition(',')[0]}: {error}") from None
        return numbers

    def _planned(self) -> None:
        self._take(lambda: _venue(self.entries["name"].value.strip(), self.programme.value,
                                  self._numbers()))

    def _opened(self, name: str, content: bytes) -> None:
        text = content.decode("utf-8", "surrogateescape")
        self._take(lambda: read_venue_text(text), name)

    def _take(self, made: Callable[[], Venue], source: str = "") -> None:
        self.error = ""
        say(self.reply, "Planning.")
        try:
            self.plan = plan_fills(made())
        except (ValueError, TypeError) as error:
            said = as_sentence(error).replace("Text: ", f"{source}: ").replace(
                "\ntext: ", f"\n{source}: ")
            self.error = f"{said}\nThe plan is still that of {self.plan.venue.name}."
            say(self.reply, self.error)
        else:
            _current[:] = [self.plan]
            self._show()

    def _show(self) -> None:
        self.text = in_words(self.plan)
        say(self.reply, f"{self.plan.venue.name}\n{self.text}")
        sheet = {name.rpartition(".")[2]: (name, content)
                 for name, content in sheet_files(self.plan).items()}
        self.toml = self.plan.venue.to_toml()
        self.links.value = " &nbsp; ".join([
            download_link("Save the sheet to print", *sheet["html"], kind="text/html"),
            download_link("Save the settings as a table", *sheet["csv"], kind="text/csv"),
            download_link("Save this venue as a file", "my_venue.toml", self.toml.encode(),
                          kind="text/plain"),
        ])

    def plain(self) -> str:
        """Return what is asked for, as plain text."""
        asked = ", ".join(box.description for box in self.entries.values())
        return f"{_ASKED}\nAsked for: {asked}."


def venue_form() -> VenueForm:
    """Return a form that plans a venue of one's own, from numbers or from a venue file.

    Examples
    --------
    >>> form = venue_form()
    >>> form.entries["length_m"].value, form.entries["last_row_m"].value = "30", "28"
    >>> form.plan_button.click()
    >>> own_plan().venue.room.x_to_m
    30.0
    >>> own_plan.__globals__["_current"].clear()
    """
    return VenueForm()


class PlanPicture(Shown):
    """A plan from above and its levels from front to back, with what it shows in words."""

    def __init__(self, plan: FillPlan) -> None:
        def draw(figure: Figure) -> dict[str, Any]:
            above, walk = figure.subplots(2, height_ratios=(3, 2))
            plots.plan_view(plan, ax=above)
            plots.walk_levels_plot(plan, ax=walk)
            return {}

        self.text = in_words(plan)
        picture, self.image = Picture(draw, size_in=(8, 5.6)), markup("")

        def show() -> None:
            self.image.value = picture_html(picture, plots.overview_text(plan))

        show()
        size.calls.append(show)
        self.box = stack(words(self.text, "readout"), self.image, words(_MARKS))

    def plain(self) -> str:
        """Return what it says, as plain text."""
        return f"{self.text}\n{_MARKS}"


def plan_picture(plan: FillPlan | None = None) -> PlanPicture:
    """Return the picture of a plan, by default that of the form.

    Examples
    --------
    >>> plan_picture().text.startswith("Fills: delay ")
    True
    """
    return PlanPicture(own_plan() if plan is None else plan)
