"""A whole venue: its records together, and what is dialled on its outputs.

The axes are those of `fillalign.venue.keys`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from os import PathLike
from typing import Any, TypeVar

from fillalign._files import write_whole
from fillalign._text import listed, quoted, short
from fillalign._validate import Programme, as_path, check_type
from fillalign.venue.consistency import Problem, check_device, check_whole, highest_trim_db, refuse
from fillalign.venue.keys import (
    RECORDS,
    TABLES,
    Area,
    Goals,
    Loudspeaker,
    Measured,
    Output,
    OutputSettings,
    Point,
    Room,
    Source,
    State,
    Survey,
    keep,
    row_of,
    title,
)
from fillalign.venue.values import ROLES, Fixed, Row, Tables, must
from fillalign.venue.writer import toml_text

_SURVEY = Survey()
Named = TypeVar("Named", Source, Area, Output, Loudspeaker)


@dataclass(frozen=True, kw_only=True)
class Venue:
    """A whole venue, from `read_venue` or made by hand.

    `programme` is speech or music; mappings go by the names of what is in them;
    a venue without `room` is outdoors, where the state `check` may be left out. Sources
    are kept by role. `defaults_used` lists what the file left to us, and makes no two
    venues different.

    Raises
    ------
    TypeError, ValueError
        Where its parts do not fit together, with a line for each problem: names that
        are not in it, an output without loudspeakers, a fill outside the room, a state
        of a room without its decay. What is wrong in one record is told when it is made.

    Examples
    --------
    >>> from fillalign import OCTAVES_NOMINAL, Air, plan_fills
    >>> air, decay = Air(22.0, humidity_pct=45.0), dict.fromkeys(OCTAVES_NOMINAL, 1.5)
    >>> box = Loudspeaker("box", coverage_deg=(90, 60), maximum_dba=122.0, level_dba=92.0)
    >>> gym = Venue(
    ...     name="Gym",
    ...     programme="speech",
    ...     states={name: State(name, air, rt60_s=decay) for name in ("check", "show")},
    ...     room=Room(x_from_m=-4, x_to_m=40, width_m=18, height_m=7, volume_m3=5500),
    ...     loudspeakers={"box": box},
    ...     outputs={name: Output(name, "mono", f"mixer, {name}") for name in ("Main", "Fill")},
    ...     sources=(
    ...         Source("Main", "main", "Main", "box", (0, 0, 5), (15, 0, 1.2)),
    ...         Source("Fill", "fill", "Fill", "box", (24, 0, 5), (32, 0, 1.2), "delay", ("back",)),
    ...     ),
    ...     areas=(Area("front", 4, 23, -7, 7), Area("back", 24, 38, -7, 7)),
    ...     goals=Goals(allowed_fall_db=2.0),
    ... )
    >>> gym
    Venue('Gym': 2 loudspeakers on 2 outputs, 525 seats)
    >>> plan_fills(gym)
    FillPlan('Gym', 22 C: Main 0 ms +0 dB; Fill 70.32 ms -9.5 dB)
    """

    name: str
    programme: Programme = TABLES["venue"]["programme"].default
    states: Mapping[str, State]
    loudspeakers: Mapping[str, Loudspeaker]
    outputs: Mapping[str, Output]
    sources: tuple[Source, ...]
    areas: tuple[Area, ...]
    goals: Goals
    room: Room | None = None
    hold_back_ms: float = TABLES["venue"]["hold_back_ms"].default
    stage_microphone_m: Point = TABLES["stage"]["microphone_m"].default
    measured: tuple[Measured, ...] = ()
    weather_c: tuple[float, ...] = ()
    survey: Survey = _SURVEY
    defaults_used: tuple[str, ...] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        """Keep all parts, and check what one says of another."""
        for name, (kind, named) in _PARTS.items():
            object.__setattr__(self, name, _parts(self, name, kind, named))
        for name, one in (("goals", Goals), ("survey", Survey), ("room", Room)):
            if name != "room" or self.room is not None:
                check_type(f"{title(self)}: {name}", getattr(self, name), one)
        for family in ("venue", "stage", "weather"):
            keep(self, row_of(self, family))
        refuse(check_whole(self.rows()))
        empty = self.states.get("check") or replace(self.states["show"], name="check")
        object.__setattr__(self, "states", Fixed(check=empty, show=self.states["show"]))

    @property
    def setting(self) -> str:
        """The word indoors where there is a room with a reverberant field, or outdoors."""
        return "indoors" if self.room else "outdoors"

    def rows(self) -> Tables:
        """Return all records as the rules see them and a file holds them."""
        rows: dict[str, list[Row]] = {"venue": [row_of(self, "venue")],
                                      **{family: [] for family in RECORDS}}
        for record in (*([self.room] if self.room else []), self.goals, self.survey,
                       *self.states.values(), *self.loudspeakers.values(),
                       *self.outputs.values(), *self.sources, *self.areas, *self.measured):
            rows[record.family].append(record.row())
        weather = row_of(self, "weather")
        rows |= {"weather": [weather] if weather else [], "stage": [row_of(self, "stage")]}
        return Tables(rows, lambda *names: " ".join((title(self), *filter(None, names))))

    def to_toml(self) -> str:
        r"""Return the venue file that reads as this venue, with every key written out.

        What was worked out or taken by default stands in comments at its top.

        Examples
        --------
        >>> from fillalign import read_demo_venue
        >>> text = read_demo_venue("lantern_room").to_toml()
        >>> text[text.index("[stage]") :]
        '[stage]\nmicrophone_m = [0.0, 0.0, 1.3716000000000002]\n'
        """
        return toml_text(self.rows(), self.defaults_used)

    def __repr__(self) -> str:
        """Name the venue and count what is in it."""
        seats = sum(rows * seats for rows, seats in (area.counts for area in self.areas))
        return (f"Venue({quoted(self.name)}: {len(self.sources)} loudspeakers on "
                f"{len(self.outputs)} outputs, {seats} seats)")

    @property
    def indoors(self) -> bool:
        """Whether there is a room with a reverberant field."""
        return self.room is not None

    def of_role(self, role: str) -> tuple[Source, ...]:
        """Return the sources of one role: main, sub or fill."""
        return tuple(source for source in self.sources if source.role == role)

    def with_goals(self, **changes: Any) -> Venue:
        """Return this venue with other goals, which are no defaults any more.

        Examples
        --------
        >>> from fillalign import read_demo_venue
        >>> room = read_demo_venue("lantern_room").with_goals(image_margin_ms=8.0)
        >>> room.goals.image_margin_ms, "[goals] image_margin_ms = 5 ms" in room.defaults_used
        (8.0, False)
        """
        return self._with(self.goals, changes)

    def with_source(self, name: str, **changes: Any) -> Venue:
        """Return this venue with one loudspeaker in place changed.

        Examples
        --------
        >>> from fillalign import read_demo_venue
        >>> hall = read_demo_venue("tidewell_hall")
        >>> hall.with_source("Fill 2", position_m=(24, 2.5, 4.6)).source("Fill 2").position_m
        (24.0, 2.5, 4.6)
        """
        return self._with(self.source(name), changes)

    def with_area(self, name: str, **changes: Any) -> Venue:
        """Return this venue with one seat area changed."""
        return self._with(self.area(name), changes)

    def with_output(self, name: str, **changes: Any) -> Venue:
        """Return this venue with one output changed."""
        return self._with(_named("output", self.outputs.values(), name), changes)

    def with_loudspeaker(self, name: str, **changes: Any) -> Venue:
        """Return this venue with one kind of loudspeaker changed."""
        return self._with(_named("loudspeaker", self.loudspeakers.values(), name), changes)

    def _with(self, old: Any, changes: Mapping[str, Any]) -> Venue:
        """Return this venue with one record replaced, whose changes are no defaults any more."""
        new = replace(old, **changes)
        made: dict[str, Any] = {"goals": new if old is self.goals else self.goals}
        for name, (_, named) in _PARTS.items():
            held = getattr(self, name)
            parts = [new if one is old else one for one in (held.values() if named else held)]
            made[name] = {one.name: one for one in parts} if named else tuple(parts)
        return replace(self, **made | {"defaults_used": tuple(self._still_default(old, changes))})

    def _still_default(self, old: Any, changes: Iterable[str]) -> Iterable[str]:
        """Yield the defaults used, without those of one record that are given now."""
        name = getattr(old, "name", "")
        keys, table = "|".join(map(re.escape, changes)), rf"{old.family}(\.\*|\.{re.escape(name)})?"
        for line in self.defaults_used:
            text, _, members = line.rpartition(" (")
            others = [one for one in members.removesuffix(")").split(", ") if one != name]
            if not re.match(rf"\[+{table}\]+ ({keys}) ", line):
                yield line
            elif text and others:
                yield f"{text} ({', '.join(others)})"

    def source(self, name: str) -> Source:
        """Return the loudspeaker in place of that name."""
        return _named("source", self.sources, name)

    def area(self, name: str) -> Area:
        """Return the seat area of that name."""
        return _named("seat area", self.areas, name)


# What a venue holds several of, and whether by their names.
_PARTS: Mapping[str, tuple[type, bool]] = {
    "states": (State, True), "loudspeakers": (Loudspeaker, True), "outputs": (Output, True),
    "sources": (Source, False), "areas": (Area, False), "measured": (Measured, False),
    "defaults_used": (str, False),
}  # fmt: skip


def _parts(venue: Venue, name: str, kind: type, named: bool) -> Any:
    """Return parts in a tuple, sources by role, or in a mapping by their own names."""
    given: Any = getattr(venue, name)
    where = f"{title(venue)}: {name}"
    fits = isinstance(given, Mapping if named else tuple | list)
    parts = given.values() if fits and named else given
    if not fits or not all(isinstance(part, kind) for part in parts):
        form = "a mapping of text to" if named else "a tuple of any number, each"
        word = "text" if kind is str else kind.__name__
        raise TypeError(f"{where} must be {form} {word}, got {quoted(given)}")
    for own, part in given.items() if named else ():
        if part.name != own:
            raise ValueError(f"{where} must go by their own names, got {quoted(part.name)} as "
                             f"{quoted(own)}")
    if kind is Source:
        given = sorted(given, key=lambda one: [*ROLES.values()].index(one.role))
    return Fixed(given) if named else tuple(given)


def _named(what: str, parts: Iterable[Named], name: str) -> Named:
    by_name = {part.name: part for part in parts}
    if name not in by_name:
        raise KeyError(f"no {what} named {quoted(name)}; there are {listed(by_name)}")
    return by_name[name]


def as_venue(venue: object) -> Venue:
    """Return `venue` if it is a Venue, or raise one clear error."""
    if not isinstance(venue, Venue):
        raise TypeError(f"venue must be a Venue, such as read_venue returns, got {quoted(venue)}")
    return venue


def write_venue(venue: Venue, path: str | PathLike[str], *, overwrite: bool = False) -> None:
    """Write a venue as a file that `read_venue` reads as an equal one.

    Parameters
    ----------
    venue : Venue
        Read or made in code.
    path : str or path
        The file, usually ending in .toml.
    overwrite : bool
        Whether a file that is there already may be replaced.

    Raises
    ------
    SheetError
        If the file cannot be written or is there already.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from fillalign import read_demo_venue, read_venue
    >>> room = read_demo_venue("lantern_room")
    >>> with TemporaryDirectory() as folder:
    ...     write_venue(room, Path(folder, "again.toml"))
    ...     read_venue(Path(folder, "again.toml")) == room
    True
    """
    write_whole({as_path("path", path): as_venue(venue).to_toml().encode()}, overwrite=overwrite)


def check_outputs(venue: Venue, names: Iterable[str]) -> tuple[str, ...]:
    """Return names of outputs, or raise ValueError at the first that no output has."""
    as_venue(venue)
    check_type("outputs", names, Iterable)
    given = tuple(names)
    for name in given:
        if not isinstance(name, str) or name not in venue.outputs:
            raise ValueError(f"no output named {quoted(name)}; there are {listed(venue.outputs)}")
    return given


def headroom_db(venue: Venue, output: str, shelf_db: float = 0.0) -> float:
    """Highest trim that keeps every box of an output within its maximum, a shelf's lift off."""
    return highest_trim_db(
        vars(venue.loudspeakers[source.loudspeaker])
        for source in venue.sources if source.output == output) - max(shelf_db, 0.0)


# A file says these with a word; what computes takes the number.
_IN_FILES_ONLY = {"trim_db": ("off", "a number of dB, minus infinity where the output is off"),
                  "low_cut_hz": ("none", "a number of Hz, None where there is none")}


def check_settings(venue: Venue, settings: Mapping[str, OutputSettings]) -> dict[str, Row]:
    """Return settings as the rules see them, or refuse what no device takes.

    Raises
    ------
    TypeError, ValueError
        At settings of no output, what are no settings, and values out of range.
    """
    if not isinstance(settings, Mapping):
        raise TypeError("settings must be OutputSettings by output, such as a plan's .settings, "
                        f"got {quoted(settings)}")
    check_outputs(venue, settings)
    for name, own in settings.items():
        check_type(f"{short(name)}: settings", own, OutputSettings)
        for key, (word, words) in _IN_FILES_ONLY.items():
            if isinstance(value := getattr(own, key), str) and value == word:
                raise TypeError(f"{short(name)}: {key} {must(words, value)}")
    return {name: row_of(own, "locked", where=short(name)) for name, own in settings.items()}


def check_dialled(venue: Venue, settings: Mapping[str, OutputSettings]) -> None:
    """Refuse settings that the outputs' own devices or the boxes on them do not have.

    Raises
    ------
    TypeError, ValueError
        As `check_settings`, and with a line for each value that an output does not have.
    """
    rows, tables = check_settings(venue, settings), venue.rows()
    problems: list[Problem] = []
    for device in (row for row in tables["output"] if row.name in rows):
        row = rows[device.name]
        if settings[device.name].low_cut_hz is None:
            del row["low_cut_order"], row["low_cut_kind"]
        problems += check_device(row, device, tables)
    refuse(problems)


def saved_settings(saved: Mapping[str, Any]) -> dict[str, OutputSettings]:
    """Return the settings in a plan's `to_dict`, also when read back from JSON.

    Parameters
    ----------
    saved : mapping
        What `FillPlan.to_dict` returned; only its settings are read.

    Returns
    -------
    dict of str to OutputSettings
        By output, for `evaluate`, `seat_field` and `render_seat`.

    Raises
    ------
    ValueError
        If there are no settings in it, or something else among them.

    Examples
    --------
    >>> import json
    >>> from fillalign import evaluate, plan_fills, read_demo_venue
    >>> plan = plan_fills(read_demo_venue("lantern_room"))
    >>> text = json.dumps(plan.to_dict())
    >>> evaluate(plan.venue, saved_settings(json.loads(text))) == plan
    True
    """
    try:
        return {
            name: OutputSettings(**{**own, "trim_db": float(own["trim_db"])})
            for name, own in saved["settings"].items()
        }
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise ValueError("saved must be what FillPlan.to_dict returns, with the settings of "
                         f"every output: {type(error).__name__} {error}") from None
