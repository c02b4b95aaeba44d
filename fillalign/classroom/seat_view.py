"""The seat panel in a browser: what Python and the script beside this file tell one another."""

from __future__ import annotations

from pathlib import Path

import anywidget
import traitlets


class SeatView(anywidget.AnyWidget):
    """What the script draws and plays, and what is asked of Python.

    `hall` never changes; `hands` are the tables of the fill under the hands; `asked` is what
    the controls say; `told` what comes of it; `waves` the travel times of wave fronts.
    """

    _esm = Path(__file__).with_name("seat.js")
    hall = traitlets.Dict().tag(sync=True)
    hands = traitlets.Dict().tag(sync=True)
    asked = traitlets.Dict().tag(sync=True)
    told = traitlets.Dict().tag(sync=True)
    waves = traitlets.Dict().tag(sync=True)
    large = traitlets.Bool(False).tag(sync=True)
