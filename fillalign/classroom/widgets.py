"""The parts that panels are made of: sliders, boxes, buttons, words, and one size switch.

The only importer of ipywidgets. One size switch serves all panels of a kernel.
"""

from __future__ import annotations

import asyncio
import base64
import html
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import ipywidgets

_WIDE = "95%"
_LETTERS_S = 0.2
_WHOLE_ROW = 60
"""Letters of a choice from which on it has a row of its own."""
_TRACK = "14.6em"
_UNITS = r"(?:ms|cm|m/s|m|s|ft|dBA?|Hz|kHz|C|%|degrees)"
_TOGETHER = re.compile(rf"(?<=\d) (?={_UNITS}(?![\w/]))|(?<=\(in) (?=\S+\))")
_MINUS = re.compile(r"(?<![\w\u2212)-])-(?=\d)")
_CSS = """<style>
.fill-panel {max-width: 1120px}
.fill-panel.fill-large {max-width: none}
.fill-panel .fill-words {line-height: 1.35; overflow-wrap: anywhere}
.fill-panel img {width: auto; height: auto; max-width: 100%; max-height: 42vh}
.fill-large .fill-controls {font-size: 21px}
.fill-panel .fill-controls > .fill-whole {grid-column: 1 / -1}
.jp-Notebook:has(.fill-large) .jp-RenderedMarkdown img {width: min(100%, 1000px)}
.jp-Notebook:has(.fill-large) .jp-RenderedMarkdown, .jp-Notebook:has(.fill-large) pre
 {font-size: 22px; line-height: 1.4}
.fill-panel .fill-question {border-left: 4px solid #1f5c99; padding: 2px 10px}
.fill-panel .fill-error {border-left: 4px solid #b4560f; padding: 2px 10px}
.fill-panel .fill-readout, .fill-panel .fill-title {font-weight: 600}
.fill-large .fill-words, .fill-large .widget-label, .fill-large .widget-readout,
.fill-large a, .fill-large input, .fill-large select, .fill-large button, .fill-large label
 {font-size: 22px !important; height: auto; line-height: 1.4}
.fill-large .widget-slider {height: 48px; font-size: 22px}
.jp-Notebook:has(.fill-large) .jp-RenderedMarkdown table {font-size: inherit}
.fill-large .widget-text, .fill-large .widget-text input, .fill-large .widget-checkbox
 {height: 44px; font-size: 22px}
.fill-large .slider-container {margin-left: 20px}
.fill-large .noUi-handle {width: 30px !important; height: 30px !important; top: -13px !important}
.fill-panel .noUi-handle:focus, .fill-panel button:focus-visible
 {outline: 3px solid #b4560f !important}
.fill-panel .widget-toggle-buttons {height: auto; margin-bottom: 6px;
 flex-flow: row wrap; align-items: baseline}
.fill-panel .widget-toggle-buttons > div {display: flex; flex-flow: row wrap}
.fill-panel .widget-toggle-button.mod-active {background: #1f5c99; color: white}
.fill-panel figcaption {font-size: 15px; line-height: 1.4}
.fill-fold > button {font-weight: 600}
.fill-panel audio {width: min(100%, 420px)}
.fill-large figcaption {font-size: 22px}
.fill-large .widget-text {max-width: none !important}
</style>"""

Control = Any
"""An ipywidgets widget with a `value`."""


@dataclass(frozen=True)
class Slider:
    """A number to move: name of the argument, label, range, start, step and unit."""

    name: str
    label: str
    low: float
    high: float
    value: float
    step: float = 1.0
    unit: str = ""


@dataclass(frozen=True)
class Choice:
    """One of some words: name of the argument, label, options, the first of them chosen."""

    name: str
    label: str
    options: tuple[str, ...]


@dataclass(frozen=True)
class Switch:
    """Yes or no: name of the argument, label and start."""

    name: str
    label: str
    value: bool = False


def label_of(spec: Slider | Choice | Switch) -> str:
    """Return the label of a control, with its unit."""
    return f"{spec.label} ({spec.unit})" if isinstance(spec, Slider) and spec.unit else spec.label


def label_width(labels: Iterable[str]) -> str:
    """Return a width that holds the longest of some labels at any size of letters."""
    return f"{0.62 * max(map(len, labels), default=0) + 0.5:.1f}em"


def _with_room(width: str, track: str = _TRACK) -> str:
    """Return how wide a control is at least, with a label of some width beside it."""
    return "0" if width == "initial" else f"min({_WIDE}, {width} + {track})"


def make_control(
    spec: Slider | Choice | Switch, *, continuous: bool, width: str = "initial"
) -> Control:
    """Return the widget for a control; `continuous` sliders count while they move."""
    style = {"description_width": width}
    layout = ipywidgets.Layout(width="auto", max_width=_WIDE)
    if isinstance(spec, Switch):
        return ipywidgets.Checkbox(value=spec.value, description=spec.label, indent=False,
                                   style=style, layout=layout)
    if isinstance(spec, Choice):
        # JupyterLab takes the arrow keys from drop-downs and radio buttons to move between cells;
        # buttons it leaves alone: Tab goes to the next, Space presses it.
        made = ipywidgets.ToggleButtons(
            options=spec.options, description=spec.label, layout=layout,
            style={**style, "button_width": "auto"})
        if sum(map(len, spec.options)) > _WHOLE_ROW:
            made.add_class("fill-whole")
        return made
    numbers = {"min": spec.low, "max": spec.high, "step": spec.step, "value": spec.value}
    whole = all(float(number).is_integer() for number in numbers.values())
    kind = ipywidgets.IntSlider if whole else ipywidgets.FloatSlider
    layout.min_width = _with_room(width)
    decimals = len(f"{spec.step:g}".partition(".")[2])
    return kind(
        **{key: int(n) for key, n in numbers.items()} if whole else numbers,
        description=label_of(spec),
        readout_format="d" if whole else f".{decimals}f", continuous_update=continuous,
        style=style, layout=layout,
    )


def words(text: str = "", kind: str = "note", *, role: str = "") -> Control:
    """Return a text panel; change it with `say`. The kind decides its looks."""
    panel = ipywidgets.HTML(layout=ipywidgets.Layout(width=_WIDE, height="auto"))
    if kind in ("readout", "reply", "table"):
        panel.add_class("widget-readout")
        panel.layout.overflow = "visible"
    panel.fill_kind, panel.fill_role = kind, role
    say(panel, text)
    return panel


def say(panel: Control, text: str) -> None:
    """Show plain text in a panel of `words`; empty text hides it."""
    role = f' role="{panel.fill_role}"' if panel.fill_role else ""
    style = "text-align: left; white-space: " + (
        "pre-wrap; font-family: monospace" if panel.fill_kind == "table" else "pre-line")
    shown = text if panel.fill_kind == "table" else typeset(text)
    panel.value = (f'<div class="fill-words fill-{panel.fill_kind}" style="{style}"{role}>'
                   f"{html.escape(shown)}</div>")
    panel.layout.display = None if text else "none"


def typeset(text: str) -> str:
    r"""Return words as set in type: a minus is one, and a number keeps its unit on its line.

    Examples
    --------
    >>> typeset("-3 dB at row 7 (in ms)")
    '−3\xa0dB at row 7 (in\xa0ms)'
    """
    return _MINUS.sub("\u2212", _TOGETHER.sub("\u00a0", text))


def entry(
    label: str, *, enter: Callable[[], None], hint: str = "number", width: str = "initial",
    track: str = _TRACK,
) -> Control:
    """Return a box to type a number into; Enter calls `enter`."""
    def entered(_: object, content: dict[str, Any], __: object) -> None:
        if content.get("event") != "submit":
            return
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            enter()
        else:
            # The browser tells of the key before the last letters of who types fast.
            loop.call_later(_LETTERS_S, enter)

    box = ipywidgets.Text(description=label, placeholder=hint,
                          style={"description_width": width},
                          layout=ipywidgets.Layout(width="auto", max_width="560px",
                                                   min_width=_with_room(width, track)))
    box.on_msg(entered)
    return box


def button(label: str, call: Callable[[], None], *, tip: str = "") -> Control:
    """Return a button that calls a function without arguments."""
    made = ipywidgets.Button(description=label, tooltip=tip or label,
                             layout=ipywidgets.Layout(width="auto", align_self="flex-start"))
    made.on_click(lambda _: call())
    return made


def tick(value: bool, label: str) -> Control:
    """Return a box to tick, whose label stands beside it and is told to screen readers."""
    return ipywidgets.Checkbox(value=value, indent=False, tooltip=label,
                               layout=ipywidgets.Layout(width="28px"))


def markup(content: str) -> Control:
    """Return a panel of HTML that was made here, such as audio players."""
    return ipywidgets.HTML(content, layout=ipywidgets.Layout(width=_WIDE))


@contextmanager
def progress_bar(label: str) -> Iterator[Callable[[int, int], None]]:
    """Show how far something is that takes seconds; gone when it ends or is interrupted.

    Parameters
    ----------
    label : str
        What is being done.

    Yields
    ------
    callable
        To be given as `progress`, such as that of `propose_places` and `find_cures`.

    Examples
    --------
    >>> from fillalign import read_demo_venue
    >>> from fillalign.planning import propose_places
    >>> with progress_bar("Places tried") as told:  # doctest: +SKIP
    ...     propose_places(read_demo_venue("tidewell_hall"), "back", progress=told)
    """
    from IPython.display import display

    bar = ipywidgets.IntProgress(description=label, max=1,
                                 style={"description_width": label_width([label])})
    display(bar)  # type: ignore[no-untyped-call]

    def told(done: int, number: int) -> None:
        bar.max, bar.value = number, done

    try:
        yield told
    finally:
        bar.close()


def upload(label: str, accept: str, call: Callable[[str, bytes], None]) -> Control:
    """Return a button that opens a file of the reader's and hands over its name and content."""
    box = ipywidgets.FileUpload(description=label, accept=accept, multiple=False,
                                layout=ipywidgets.Layout(width="auto"))

    def opened(change: dict[str, Any]) -> None:
        for file in change["new"]:
            call(file["name"], bytes(file["content"]))

    box.observe(opened, names="value")
    return box


def download_link(label: str, name: str, content: bytes, *, kind: str) -> str:
    """Return a link that saves a file, without a server; kind is its media type."""
    data = base64.b64encode(content).decode()
    return (f'<a download="{html.escape(name, quote=True)}" '
            f'href="data:{kind};base64,{data}" style="text-decoration: underline">'
            f"{html.escape(label)}</a>")


def stack(*parts: Control) -> Control:
    """Return widgets one below the other, as one panel that the size switch enlarges."""
    looks = ipywidgets.HTML(_CSS, layout={"height": "0"})
    box = ipywidgets.VBox([looks, *parts])
    box.add_class("fill-panel")
    size.followers.append(box)
    size.dress(box)
    return box


def fold(title: str, part: Control) -> Control:
    """Return a part behind its title, closed until somebody opens it, by mouse or keys."""
    head = ipywidgets.ToggleButton(layout=ipywidgets.Layout(width="auto",
                                                            align_self="flex-start"))

    def turn(_: object) -> None:
        head.description = ("\u25be " if head.value else "\u25b8 ") + title
        part.layout.display = None if head.value else "none"

    head.observe(turn, names="value")
    turn(None)
    box = stack(head, part)
    box.add_class("fill-fold")
    return box


def abreast(*controls: Control, width: str = "0em", track: str = _TRACK) -> Control:
    """Return controls in columns, as many as have room for labels of some width and a track."""
    least = f"minmax(min(100%, max(30em, {width} + {track})), 1fr)"
    box = ipywidgets.GridBox(list(controls), layout=ipywidgets.Layout(
        grid_template_columns=f"repeat(auto-fit, {least})"))
    box.add_class("fill-controls")
    return box


def row(*parts: Control) -> Control:
    """Return widgets beside each other, wrapping where the window is narrow."""
    layout = ipywidgets.Layout(flex_flow="row wrap", align_items="center")
    for part in parts:
        part.layout.align_self = "center"
    return ipywidgets.HBox(list(parts), layout=layout)


class SizeSwitch:
    """The one projector switch: a check box shown in every panel, and who follows it."""

    def __init__(self) -> None:
        self.box = ipywidgets.Checkbox(value=False, description="Projector size", indent=False,
                                       layout=ipywidgets.Layout(width="auto"))
        self.followers: list[Control] = []
        self.calls: list[Callable[[], None]] = []
        self.box.observe(self._changed, names="value")

    def dress(self, box: Control) -> None:
        """Give a panel the size of the switch."""
        (box.add_class if self.box.value else box.remove_class)("fill-large")

    def _changed(self, _: object) -> None:
        for box in self.followers:
            self.dress(box)
        for call in self.calls:
            call()


size = SizeSwitch()


def projector(on: bool = True) -> None:
    """Switch all panels of this kernel to projector size, or back.

    Examples
    --------
    >>> projector(False)
    """
    size.box.value = bool(on)


class Shown:
    """What a notebook shows and stores of a panel: its box, and its words as plain text.

    Attributes
    ----------
    box : widget
        All of it.
    text : str
        Its words.
    """

    box: Control
    text: str

    def plain(self) -> str:
        """Return what is stored as plain text."""
        return self.text

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        return {**self.box._repr_mimebundle_(**kwargs), "text/plain": self.plain()}
