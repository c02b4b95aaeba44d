"""Lesson 03: how long a fill must wait, and for whom."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure

from fillalign.air import Air
from fillalign.classroom.figures import HUE, INK, LINES, key_above
from fillalign.classroom.live_panels import LiveFigure
from fillalign.classroom.number_form import NumberForm
from fillalign.classroom.widgets import Slider
from fillalign.propagation import distance_m, fill_delay_ms, gap_ms, seat_delay_ms
from fillalign.units import m_to_ft, ms_to_m, ms_to_samples

HALL = Air(20.0, 40.0)
_TOGETHER_MS = 0.05


def _order(gap: float) -> str:
    if abs(gap) < _TOGETHER_MS:
        return "together with the main"
    return f"{abs(gap):.1f} ms {'after' if gap > 0 else 'before'} the main"


def string_figure() -> LiveFigure:
    """Two ways from the main to a seat, straight and by the fill, as strings (lesson 03).

    Examples
    --------
    >>> live = string_figure()
    >>> live.controls["ahead_m"].value, live.controls["aside_m"].value = -4, 0
    >>> live.text.splitlines()[1]
    'Timed box to box, the fill arrives 23.3 ms after the main.'
    """

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(-18, 96), ylim=(-5, 33), xlabel="Depth (m)", ylabel="Aside (m)")
        ax.set_aspect("equal")
        by_fill = ax.plot([0, 0, 0], [0, 0, 0], label="string by way of the fill", **LINES[1])[0]
        straight = ax.plot([0, 0], [0, 0], label="straight way", **LINES[0])[0]
        ax.plot(0, 0, marker="s", color=INK, linestyle="none", label="main")
        fill = ax.plot(0, 0, marker="^", color=HUE, linestyle="none", label="fill")[0]
        seat = ax.plot(0, 0, marker="o", color=INK, markerfacecolor="white", markeredgewidth=2,
                       linestyle="none", label="seat")[0]
        key_above(ax)
        return {"string": by_fill, "straight": straight, "fill": fill, "seat": seat}

    def update(artists: dict[str, Any], *, box_m: float, ahead_m: float, aside_m: float) -> str:
        seat = (box_m + ahead_m, aside_m)
        artists["straight"].set_data([0, seat[0]], [0, seat[1]])
        artists["string"].set_data([0, box_m, seat[0]], [0, 0, seat[1]])
        artists["fill"].set_data([box_m], [0])
        artists["seat"].set_data([seat[0]], [seat[1]])
        main_m = distance_m([0, 0, 0], [*seat, 0])
        fill_m = distance_m([box_m, 0, 0], [*seat, 0])
        gap = float(gap_ms(main_m, fill_m, fill_delay_ms(box_m, HALL), HALL))
        return (f"Straight {main_m:.1f} m, by way of the fill {box_m:g} + {fill_m:.1f} = "
                f"{box_m + fill_m:.1f} m: {max(box_m + fill_m - main_m, 0.0):.1f} m of string are "
                f"left over.\nTimed box to box, the fill arrives {_order(gap)}.")

    return LiveFigure(
        "The string",
        "Find seats where no string is left over: where do they lie? Then look for a seat where "
        "the straight way is the longer one, so that the fill would come first. Is there any?",
        [
            Slider("box_m", "Main to fill", 5, 60, 26, unit="m"),
            Slider("ahead_m", "Seat farther than the fill by", -20, 30, 8, unit="m"),
            Slider("aside_m", "Seat aside of the line by", 0, 30, 15, unit="m"),
        ],
        draw, update,
        description="Seen from above: a straight line from the main to the seat, and a broken one "
                    "from the main to the fill and on to the seat.",
        size_in=(8, 4),
    )


def _own_delay(
    main_to_seat_m: float, fill_to_seat_m: float, temperature_c: float,
    main_latency_ms: float = 0.0, fill_latency_ms: float = 0.0, margin_ms: float = 5.0,
) -> str:
    air = Air(temperature_c)
    delay = float(seat_delay_ms(
        main_to_seat_m, fill_to_seat_m, air, main_latency_ms=main_latency_ms,
        fill_latency_ms=fill_latency_ms, margin_ms=margin_ms))
    if delay < 0:
        return (f"The fill's path is late already: hold the mains, and all other outputs, back by "
                f"{-delay:.1f} ms, and set 0 on the fill.")
    length = float(ms_to_m(delay, air))
    return (f"Set {delay:.2f} ms, in one place.\nThat is {ms_to_samples(delay, 48000):.0f} samples "
            f"at 48 kHz, or {length:.2f} m ({m_to_ft(length):.1f} ft) in this air.\n"
            f"At your seat the fill then comes {margin_ms:g} ms after the main. "
            f"It holds for {temperature_c:g} C: write that beside it.")


def own_delay_form() -> NumberForm:
    """Return the form for the delay at a seat of the learner's own venue (lesson 03).

    Examples
    --------
    >>> form = own_delay_form()
    >>> for name, value in {"main_to_seat_m": "34.4", "fill_to_seat_m": "8.7",
    ...                     "temperature_c": "20"}.items():
    ...     form.entries[name].value = value
    >>> form.button.click()
    >>> form.text.splitlines()[0]
    'Set 79.71 ms, in one place.'
    """
    return NumberForm(
        "One seat of your own venue, where main and fill are about equally loud. With the laser "
        "from both to it; the thermometer where the sound travels.",
        {"main_to_seat_m": "Main to seat (m)", "fill_to_seat_m": "Fill to seat (m)",
         "temperature_c": "Temperature (C)"},
        {"main_latency_ms": "Latency of the main's path (ms)",
         "fill_latency_ms": "Latency of the fill's path (ms)",
         "margin_ms": "Margin (ms, 5 if empty)"},
        _own_delay)
