"""The seat panel: a hall with a listener to move, two arrivals, a verdict, and the sound.

Everything works without a browser: `set` a control, read `text`. In a browser the script
draws and plays what stands in `numbers` and in the tables of the fill under the hands.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import ceil, floor
from typing import Any

import numpy as np

from fillalign.air import Air
from fillalign.audio import Recording
from fillalign.classroom.questions import one_of
from fillalign.classroom.seat_numbers import (
    SAMPLE_RATE_HZ,
    Heard,
    branches,
    listen,
    listener_at,
    opening_seat,
    sections_of,
    travel_maps,
    whole_samples,
)
from fillalign.classroom.venues import demo_sound
from fillalign.classroom.widgets import size, stack
from fillalign.field import Planned, Settings, arrival_shift_ms, output_roles, trace_paths
from fillalign.levels import amplitude_to_db, db_to_amplitude
from fillalign.planning import mirror_of
from fillalign.plots import extent_m
from fillalign.venue import Venue, headroom_db

CONTROLS = ("delay", "trim", "low_cut", "polarity", "fill", "sounding", "compare", "fronts")
STATES = ("as set", "as it was")
_CORNERS_HZ = (63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0)
_SOFTEST_DB, _LOUDEST_DB, _MORE_MS = -30.0, 9.0, 60.0
_STEP_DB, _STEP_MS = 0.5, 0.5
_SPARE_DB = 4.0
"""How far a head may raise a sound's peak."""
_CELLS = 64
_PEAK = 0.89


class SeatPanel:
    """A listener in a hall, and one fill under the hands.

    Attributes
    ----------
    view : SeatView or None
        The widget; None where anywidget is not installed.
    settings, before : Settings
        Of every output, as set and as it was.
    fill : str
        Output under the hands; empty in a venue without fills.
    hands : dict of str to tuple
        By output, the outputs that move with it: one that mirrors it and is set alike.
    numbers : dict
        What the browser draws and plays.
    text : str
        The result in words, of what is shown.
    """

    def __init__(
        self, planned: Venue | Planned, *, controls: Sequence[str], start: Mapping[str, Any],
        fill: str | None, sounds: Mapping[str, bytes], listener_m: Sequence[float] | None,
        title: str, question: str,
    ) -> None:
        self.title, self.question, self.sounds = title, question, sounds
        self.controls = [one_of("control", name, CONTROLS) for name in controls]
        self.venue = planned if isinstance(planned, Venue) else planned.venue
        state = self.venue.states["show"]
        self.air = state.air if isinstance(planned, Venue) else planned.air
        dialled = None if isinstance(planned, Venue) else planned.settings
        settings = Settings(self.venue, dialled)
        self.hands = _hands(self.venue, settings)
        seat, found = opening_seat(self.venue, settings, self.air,
                                   fill and one_of("fill", fill, tuple(self.hands)))
        self.fill = self._led(found)
        if listener_m is not None:
            seat = listener_at(self.venue, *listener_m)
        self.settings = settings
        if start:
            self._dial(start)
        self.before = self.settings
        self._paths = trace_paths(self.venue, seat, state, self.air)
        self._tables = {name: self._table(name) for name in self._leaders}
        self.shown, self._hears = STATES[0], dict[str, Heard]()
        self.numbers: dict[str, Any] = {"n": 0, "asked": {}}
        self._waves_at: tuple[float, ...] = ()
        self._heard_with: tuple[Any, Any] = (None, None)
        self._full_dba = _full_dba(listen(self._paths, self.settings, self._held))
        self.view = _view()
        self.box = self._boxed()
        self._tell(0)

    @property
    def listener_m(self) -> tuple[float, float, float]:
        """Where the listener's ears are."""
        x, y, z = self._paths.seats.points_m[0].tolist()
        return x, y, z

    @property
    def _leaders(self) -> list[str]:
        """The first output of each that move together."""
        return list(dict.fromkeys(names[0] for names in self.hands.values()))

    @property
    def _held(self) -> tuple[str, ...]:
        """The outputs under the hands."""
        return self.hands.get(self.fill, ())

    def _led(self, output: str) -> str:
        return self.hands[output][0] if output in self.hands else ""

    @property
    def heard(self) -> Heard:
        """What the listener gets from the state that is shown."""
        return self._hears[self.shown]

    @property
    def text(self) -> str:
        """The result in words."""
        return self.heard.text

    def set(self, **changes: Any) -> SeatPanel:
        """Move the listener or what is set on the fill, as the controls do; return the panel.

        Parameters
        ----------
        **changes
            `listener_m` (x, y), `fill` (an output), `compare` (as set, as it was), `fill_on`,
            or a field of `OutputSettings`: `delay_ms`, `trim_db`, `low_cut_hz`, `polarity`.

        Examples
        --------
        >>> from fillalign import read_demo_venue
        >>> panel = seat_panel(read_demo_venue("lantern_room"))
        >>> panel.set(listener_m=(8, 1.5), delay_ms=22).text.splitlines()[0]
        'The main comes first, the fill 7.2 ms after it. Image at the stage. A little hollow, \
with a faint pitch of 139 Hz.'
        """
        seat = changes.pop("listener_m", None)
        fill = one_of("fill", changes.pop("fill", self.fill), tuple(self.hands) or ("",))
        self.fill = self._led(fill)
        self.shown = one_of("state", changes.pop("compare", self.shown), STATES)
        if "fill_on" in changes:
            on, trim = changes.pop("fill_on"), changes.pop("trim_db", None)
            held = self._tables[self.fill]["trim_db"][self._controls()["trim"]]
            changes["trim_db"] = (held if trim is None else trim) if on else -np.inf
        if changes:
            self._dial(changes)
            self.shown = STATES[0]
        if seat is not None:
            self._move(*seat)
        self._tell(self.numbers["n"] + 1)
        return self

    def still(self) -> Any:
        """Return the state shown as a picture that does not move, a matplotlib figure."""
        from fillalign.classroom.seat_still import still

        return still(self)

    def plain(self) -> str:
        """Return title, question and result as plain text."""
        asked = f"\nQuestion: {self.question}" if self.question else ""
        return f"{self.title}{asked}\nResult: {self.text}"

    def __repr__(self) -> str:
        """Say what is shown."""
        return self.plain()

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        held = io.BytesIO()
        self.still().savefig(held, format="png", dpi=80)
        words = self.plain()
        data = self.box._repr_mimebundle_(**kwargs) if self.box else {}
        picture = base64.b64encode(held.getvalue()).decode()
        return ({**data, "text/plain": words, "image/png": picture},
                {"image/png": {"alt": words}})

    def _boxed(self) -> Any:
        if self.view is None:
            return None
        self.view.hall = self._hall()
        self.view.observe(lambda change: self._answer(change["new"]), names="asked")
        self.view.on_msg(self._wanted)
        size.calls.append(self._resized)
        self._resized()
        return stack(self.view, size.box)

    def _resized(self) -> None:
        if self.view is not None:
            self.view.large = bool(size.box.value)

    def _wanted(self, view: Any, content: Any, _: object) -> None:
        """Send a sound when the browser asks for it, once."""
        name = content.get("sound")
        if name in self.sounds:
            view.send({"sound": name}, buffers=[self.sounds[name]])

    def _table(self, name: str) -> dict[str, Any]:
        """Return every value that a fill's controls can take, with what is played for it."""
        own, output = self.settings[name], self.venue.outputs[name]
        gap = listen(self._paths, self.settings.replaced(name, trim_db=0.0), [name]).gap_ms or 0.0
        longest = max(own.delay_ms, own.delay_ms - gap) + _MORE_MS
        most = max(min(ceil(longest / 10) * 10.0, output.delay_max_ms), own.delay_ms)
        delays = sorted({*np.arange(0.0, most + 1e-9, _STEP_MS).tolist(), own.delay_ms})
        trim = own.trim_db if self.settings.sounds(name) else 0.0
        low = min(_SOFTEST_DB, floor(trim))
        high = max(min(_LOUDEST_DB, floor(2 * headroom_db(self.venue, name)) / 2), trim)
        trims = sorted({*np.arange(low, high + 1e-9, _STEP_DB).tolist(), trim})
        cuts = [None, *sorted({*_CORNERS_HZ, *filter(None, [own.low_cut_hz])})]
        return {
            "delay_ms": delays, "samples": [whole_samples(delay) for delay in delays],
            "trim_db": trims, "gains": np.asarray(db_to_amplitude(trims)).tolist(),
            "low_cut_hz": cuts,
            "sections": [sections_of(replace(own, low_cut_hz=cut)) for cut in cuts],
        }

    def _controls(self) -> dict[str, Any]:
        """Return where the controls of the fill under the hands stand."""
        if not self.fill:
            return {}
        own, table = self.settings[self.fill], self._tables[self.fill]
        on = self.settings.sounds(self.fill)

        def place(name: str, value: float) -> int:
            return int(np.abs(np.array(table[name]) - value).argmin())

        held = self.numbers.get("asked", {})
        trim = place("trim_db", own.trim_db) if on else held.get("trim", place("trim_db", 0.0))
        cut = 0 if own.low_cut_hz is None else 1 + int(
            np.abs(np.array(table["low_cut_hz"][1:]) - own.low_cut_hz).argmin())
        return {"delay": place("delay_ms", own.delay_ms), "trim": trim, "low_cut": cut,
                "inverted": own.polarity == "inverted", "on": on}

    def _answer(self, asked: Mapping[str, Any]) -> None:
        """Answer the browser; an error shows in the panel, since nobody sees it elsewhere."""
        try:
            if asked.get("n") != self.numbers["n"]:
                self._asked(asked)
        except Exception as error:
            self.view.told = {**self.view.told, "n": asked.get("n", 0),
                              "error": f"That did not work: {error}"}

    def _asked(self, asked: Mapping[str, Any]) -> None:
        """Take what the browser's controls say."""
        self.shown = asked["compare"]
        if asked["fill"] != self.fill:
            self.fill = asked["fill"]
        elif self.fill:
            table = self._tables[self.fill]
            trim = table["trim_db"][asked["trim"]] if asked["on"] else -np.inf
            self.numbers["asked"] = {**self.numbers["asked"], "trim": asked["trim"]}
            self.settings = self.settings.replaced(
                *self._held, delay_ms=table["delay_ms"][asked["delay"]], trim_db=trim,
                low_cut_hz=table["low_cut_hz"][asked["low_cut"]],
                polarity="inverted" if asked["inverted"] else "normal")
        if [asked["x"], asked["y"]] != [*self.listener_m[:2]]:
            self._move(asked["x"], asked["y"])
        self._tell(asked["n"], dragging=bool(asked.get("dragging")))

    def _move(self, x_m: float, y_m: float, z_m: float | None = None) -> None:
        x0, x1, y0, y1, _ = extent_m(self.venue)
        seat = listener_at(self.venue, float(np.clip(x_m, x0, x1)), float(np.clip(y_m, y0, y1)),
                           z_m)
        self._paths = trace_paths(self.venue, seat, self.venue.states["show"], self.air)

    def _dial(self, changes: Mapping[str, Any]) -> None:
        """Set something on the fill under the hands, or refuse it in words."""
        if not self._held:
            raise ValueError(f"there is no fill to set {', '.join(changes)} on")
        changed = self.settings.replaced(*self._held, **changes)
        self.settings = Settings(self.venue, dict(changed))

    def _tell(self, n: int, *, dragging: bool = False) -> None:
        """Work out what both states bring to the listener, and send it."""
        states = dict(zip(STATES, (self.settings, self.before), strict=True))
        here = self._paths, self._held
        if any(one is not other for one, other in zip(here, self._heard_with, strict=True)):
            # As it was stays, until the listener moves or another fill is asked about.
            self._hears, self._heard_with = {}, here
        for name, own in states.items():
            if name == STATES[0] or name not in self._hears:
                self._hears[name] = listen(self._paths, own, self._held)
        x, y, z = self.listener_m
        told = {"n": n, "listener": [x, y, z], **self._played(states)}
        asked = {**self._controls(), "n": n, "x": x, "y": y, "fill": self.fill,
                 "compare": self.shown}
        self.numbers = {**told, "asked": asked}
        if self.view is None:
            return
        with self.view.hold_sync():
            self.view.hands = {"fill": self.fill, **self._tables.get(self.fill, {})}
            self.view.asked = asked
            self.view.told = told
            if "fronts" in self.controls and not dragging and self._waves_at != (x, y, z):
                self._waves_at = (x, y, z)
                self.view.waves = _waves(self.venue, self.air, self.listener_m)

    def _played(self, states: Mapping[str, Settings]) -> dict[str, Any]:
        """Return both states as drawn and played, no louder together than fits."""
        found: dict[str, Any] = {}
        loudest = 0.0
        for name, own in states.items():
            heard = self._hears[name]
            hands = self._held if name == STATES[0] else ()
            play = branches(heard, own, hands, self._full_dba)
            most = max(self._tables[self.fill]["gains"]) if hands else 1.0
            loudest = max(loudest, sum(abs(one["gain"]) * (most if one["hands"] else 1.0)
                                       for one in play))
            found[name] = {"play": play, **_drawn(self.venue, heard, own)}
        down_db = max(0.0, float(amplitude_to_db(loudest)) + _SPARE_DB) if loudest else 0.0
        for state in found.values():
            for one in state["play"]:
                one["gain"] *= float(db_to_amplitude(-down_db))
        return {"states": found, "down_db": down_db}

    def _hall(self) -> dict[str, Any]:
        """Return what never changes: the hall, its boxes, and what the panel offers."""
        areas = [{"name": area.name, "x": [area.x_from_m, area.x_to_m],
                  "y": [area.y_from_m, area.y_to_m], "ear": area.ear_height_m,
                  "floor": [area.floor_m, float(area.seats_m()[:, 2].max()) - area.ear_height_m]}
                 for area in self.venue.areas]
        room = self.venue.room
        longest = max([max(table["delay_ms"]) for table in self._tables.values()] + [
            max(arrival_shift_ms(self.venue, self.settings).values())])
        return {
            "title": self.title, "question": self.question, "controls": self.controls,
            "box": _box(self.venue), "areas": areas,
            "fills": {name: list(self.hands[name]) for name in self._leaders},
            "room": room and [room.x_from_m, room.x_to_m, room.width_m, room.height_m],
            "sources": [{"name": source.name, "output": source.output, "role": source.role,
                         "at": list(source.position_m)} for source in self.venue.sources],
            "sounds": list(self.sounds), "rate": SAMPLE_RATE_HZ,
            "line_s": (longest + float(_waves(self.venue, self.air, self.listener_m)["most"])
                       + 1000.0) / 1000.0,
        }


def _hands(venue: Venue, settings: Settings) -> dict[str, tuple[str, ...]]:
    """Return which fill outputs move together: mirrored ones that are set alike."""
    hands: dict[str, tuple[str, ...]] = {}
    for name in (name for name, role in output_roles(venue).items() if role == "fill"):
        other = mirror_of(venue, name)
        both = (name, other) if other and settings[name] == settings[other] else (name,)
        hands |= {one: hands.get(name, both) for one in both}
    return hands


def _view() -> Any:
    try:
        from fillalign.classroom.seat_view import SeatView
    except ImportError:
        return None
    return SeatView()


def _full_dba(heard: Heard) -> float:
    """Return the level of all arrivals together, were they in step."""
    return float(amplitude_to_db(sum(db_to_amplitude(one.level_dba) for one in heard.arrivals)))


def _box(venue: Venue) -> list[float]:
    """Return the ends of x, y and z that the drawing holds."""
    x0, x1, y0, y1, z1 = extent_m(venue)
    return [x0, x1, y0, y1, min(0.0, *(area.floor_m for area in venue.areas)), z1]


def _drawn(venue: Venue, heard: Heard, own: Settings) -> dict[str, Any]:
    """Return a state as it is drawn: arrivals and words, and when each box sounds."""
    later = arrival_shift_ms(venue, own)
    sounding = [own.sounds(source.output) for source in venue.sources]
    return {
        "verdict": heard.verdict, "detail": heard.detail, "fill": heard.fill,
        "gap": heard.gap_ms, "mains": [heard.mains_ms, heard.mains_dba],
        "late": [heard.fill_ms, heard.fill_dba],
        "arrivals": [[one.arrival_ms, one.level_dba] if on else None
                     for one, on in zip(heard.arrivals, sounding, strict=True)],
        "sounds_at": [later[source.output] if on else None
                      for source, on in zip(venue.sources, sounding, strict=True)],
    }


def _waves(venue: Venue, air: Air, listener_m: Sequence[float]) -> dict[str, Any]:
    """Return travel times over the floor plan at ear height, and over the section there."""
    x0, x1, y0, y1, z0, z1 = _box(venue)
    step = max(x1 - x0, y1 - y0) / _CELLS
    x, y, z = (np.linspace(low, high, max(2, ceil((high - low) / step) + 1))
               for low, high in ((x0, x1), (y0, y1), (z0, z1)))
    _, own_y, own_z = listener_m
    plan = np.stack([*np.meshgrid(x, y), np.full((y.size, x.size), own_z)], axis=-1)
    across, up = np.meshgrid(x, z)
    section = np.stack([across, np.full(across.shape, own_y), up], axis=-1)
    over, beside = (travel_maps(venue, air, points) for points in (plan, section))
    return {"plan": over.tobytes(), "section": beside.tobytes(), "nx": x.size, "ny": y.size,
            "nz": z.size, "most": float(over.max())}


def _sounds(sound: Any) -> dict[str, bytes]:
    """Return sounds by label as 16-bit samples at 48 kHz, each peaking 1 dB below full scale."""
    if isinstance(sound, str):
        sound = [sound]
    if isinstance(sound, Recording):
        sound = {"your sound": sound}
    named = sound if isinstance(sound, Mapping) else {name: name for name in sound}
    made = {}
    for label, one in named.items():
        take = demo_sound(one) if isinstance(one, str) else one
        if not isinstance(take, Recording) or not take.samples.any():
            raise ValueError(f"sound {label!r} must be the name of a demo sound or a Recording "
                             f"that is not silent, got {take!r}")
        made[label] = _pcm(take)
    return made


def _pcm(take: Recording) -> bytes:
    samples = take.samples[:, 0]
    if take.sample_rate_hz != SAMPLE_RATE_HZ:
        from scipy.signal import resample_poly

        samples = resample_poly(samples, SAMPLE_RATE_HZ, take.sample_rate_hz)
    whole = np.round(samples / np.abs(samples).max() * _PEAK * 32767)
    return bytes(whole.astype("<i2").tobytes())


def seat_panel(
    venue_or_plan: Venue | Planned, *, controls: Sequence[str] = CONTROLS,
    start: Mapping[str, Any] | None = None, fill: str | None = None, sound: Any = "voice",
    listener_m: Sequence[float] | None = None, title: str = "The seat", question: str = "",
) -> SeatPanel:
    """Return the live panel: a hall, a listener to move, and the fill under your hands.

    Parameters
    ----------
    venue_or_plan : Venue or FillPlan
        A venue with resting settings, or a plan with its own.
    controls : sequence of str
        Which of `CONTROLS` are shown: delay, trim, low_cut, polarity, fill (on and off),
        sounding (all, mains alone, fill alone), compare (as it was, as set), fronts.
    start : mapping, optional
        Fields of `OutputSettings` that the fill opens with, such as ``{"delay_ms": 0.0}``:
        this is what *as it was* means.
    fill : str, optional
        Output under the hands; by default the one that is nearest in level to the mains
        where the panel opens.
    sound : str, Recording, sequence of str or mapping
        Demo sounds by name, or sounds by label.
    listener_m : sequence of float, optional
        Where the listener opens, (x, y) or (x, y, z) in m; by default where main and fill
        are 30 degrees or more apart and of like level.
    title, question : str
        What is above it.

    Returns
    -------
    SeatPanel

    Raises
    ------
    ValueError
        If a control, fill or sound is not known, or a setting is none that the output has.

    Examples
    --------
    >>> from fillalign import read_demo_venue
    >>> panel = seat_panel(read_demo_venue("lantern_room"), listener_m=(8.0, 1.5))
    >>> panel.text.splitlines()[0]
    'The fill comes first, the main 14.8 ms after it. Image at the fill. A little hollow, with \
a faint pitch of 68 Hz.'
    """
    return SeatPanel(venue_or_plan, controls=controls, start=start or {}, fill=fill,
                     sounds=_sounds(sound), listener_m=listener_m, title=title,
                     question=question)
