"""Lesson 00: the job in one picture, and the first exercises."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure

from fillalign.air import Air
from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.figures import LINES, key_above
from fillalign.classroom.live import LiveFigure
from fillalign.classroom.predictions import Prediction
from fillalign.classroom.widgets import Slider
from fillalign.propagation import fill_delay_ms, gap_ms, seat_delay_ms, travel_time_ms
from fillalign.units import ft_to_m, ms_to_samples

_TOGETHER_MS = 0.5
_ECHO_MS = 30.0
_JUMPS_MS = 1.0
_HALL = Air(20.0, 40.0)
_HANG_M = 26.0


def arrivals_figure() -> LiveFigure:
    """Two arrivals at one seat on a line of time (lesson 00).

    Examples
    --------
    >>> live = arrivals_figure()
    >>> live.controls["delay_ms"].value = 60.0
    >>> live.text.splitlines()[0]
    'Main after 98.8 ms, fill after 83.3 ms.'
    """

    def draw(figure: Figure) -> dict[str, Any]:
        ax = figure.add_subplot()
        ax.set(xlim=(0, 220), ylim=(-0.6, 1.5), xlabel="Time after the sound left the stage (ms)")
        ax.set_yticks([0, 1], ["fill", "main"])
        ax.grid(False, axis="y")
        main = ax.plot([0, 0], [1, 1], marker="|", markevery=[1], markersize=26, **LINES[0])
        fill = ax.plot([0, 0, 0], [0, 0, 0], marker="|", markevery=[2], markersize=26, **LINES[1])
        wait = ax.plot([0, 0], [0, 0], color="#767676", linewidth=8, alpha=0.4,
                       solid_capstyle="butt", label="the fill waits")
        key_above(ax)
        return {"main": main[0], "fill": fill[0], "wait": wait[0]}

    def update(artists: dict[str, Any], *, main_m: float, fill_m: float, delay_ms: float,
               temperature_c: float) -> str:
        air = Air(temperature_c)
        main, fill = travel_time_ms(main_m, air), delay_ms + travel_time_ms(fill_m, air)
        gap = gap_ms(main_m, fill_m, delay_ms, air)
        artists["main"].set_xdata([0, main])
        artists["wait"].set_xdata([0, delay_ms])
        artists["fill"].set_xdata([delay_ms, delay_ms, fill])
        return f"Main after {main:.1f} ms, fill after {fill:.1f} ms.\n{_heard(gap)}"

    return LiveFigure(
        "One seat, two arrivals",
        "Which delay lets main and fill arrive together? Then make the air 15 degrees colder: "
        "is the fill early or late now, and by how much?",
        [
            Slider("main_m", "Main to seat", 5, 60, 34, unit="m"),
            Slider("fill_m", "Fill to seat", 1, 30, 8, unit="m"),
            Slider("delay_ms", "Delay on the fill", 0, 120, 0, step=0.5, unit="ms"),
            Slider("temperature_c", "Air temperature", 0, 30, 20, unit="C"),
        ],
        draw, update,
        description="Two bars on a line of time, one for the main and one for the fill, each "
                    "ending where its sound reaches the seat.",
        size_in=(8, 2.6),
    )


def _heard(gap: float) -> str:
    if abs(gap) <= _TOGETHER_MS:
        return "They arrive together."
    order = "before" if gap < 0 else "after"
    said = f"The fill arrives {abs(gap):.1f} ms {order} the main"
    if abs(gap) >= _ECHO_MS:
        return f"{said}: an echo."
    if gap > 0:
        return f"{said}: close enough to be heard as one, from the stage."
    return f"{said}: the sound {'drifts towards' if gap > -_JUMPS_MS else 'comes from'} the fill."


def _two_distances(main_m: float, fill_m: float, temperature_c: float) -> float:
    return float(seat_delay_ms(main_m, fill_m, Air(temperature_c)))


def _in_feet(tape_ft: float) -> float:
    return float(fill_delay_ms(ft_to_m(tape_ft), Air(20.0)))


EXERCISES = (
    Exercise(
        id="00-a",
        text="A seat is {main_m:g} m ({main_ft:.0f} ft) from the main and {fill_m:g} m "
             "({fill_ft:.0f} ft) from the fill. The air has {temperature_c:g} C and 50 % "
             "humidity. Which delay makes the fill arrive together with the main?",
        numbers={"main_m": (32, 35, 38, 41, 44), "fill_m": (8, 11, 14),
                 "temperature_c": (7, 10, 28, 30)},
        answer=_two_distances,
        code="seat_delay_ms({main_m:g}, {fill_m:g}, Air({temperature_c:g}))",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "The fill must wait for as long as the main's sound travels farther.",
            "Divide the difference of the two distances by the speed of sound in this air.",
            "The speed is 331.3 m/s plus 0.606 m/s for each degree; times 1000 gives milliseconds.",
        ),
        slips=(
            Slip("That is the whole way of the main's sound. The fill's sound travels to the seat "
                 "as well: take its way off.",
                 lambda main_m, temperature_c, **_: travel_time_ms(main_m, Air(temperature_c))),
            Slip("You added the two distances. The fill must wait for the difference.",
                 lambda main_m, fill_m, temperature_c:
                 travel_time_ms(main_m + fill_m, Air(temperature_c))),
            Slip("The sign is turned round: a positive delay makes the fill wait.",
                 lambda **n: -_two_distances(**n)),
        ),
        solution="The main's sound travels {main_m:g} m, the fill's {fill_m:g} m. The difference, "
                 "divided by 331.3 + 0.606 x {temperature_c:g} m/s and times 1000, is about "
                 "{answer} ms.",
    ),
    Exercise(
        id="00-b",
        text="A processor at 48 kHz takes its delay in samples, the steps in which it counts "
             "time. You want {delay_ms:g} ms. How many samples do you set?",
        numbers={"delay_ms": (35, 42.5, 60, 75, 87.5)},
        answer=lambda delay_ms: float(ms_to_samples(delay_ms, 48000)),
        code="ms_to_samples({delay_ms:g}, 48000)",
        unit="samples", tolerance=1, decimals=0,
        hints=(
            "48 kHz means so many thousand samples in each second.",
            "So there are 48 samples in each millisecond.",
            "Multiply the milliseconds by the samples in one of them.",
        ),
        slips=(
            Slip("You divided by 48. There are 48 samples in a millisecond: multiply.",
                 lambda delay_ms: delay_ms / 48),
            Slip("That holds for 44.1 kHz; this processor runs at 48 kHz.",
                 lambda delay_ms: ms_to_samples(delay_ms, 44100)),
            Slip("That is 1000 times too many: the delay is in milliseconds, not seconds.",
                 lambda delay_ms: 1000 * ms_to_samples(delay_ms, 48000)),
        ),
        solution="At 48 kHz one millisecond holds 48 samples, so {delay_ms:g} ms are {answer} "
                 "samples.",
    ),
    Exercise(
        id="00-c",
        text="Somebody hands you a tape in feet: {tape_ft:g} ft from main to fill. The air has "
             "20 C and 50 % humidity. Which delay does that distance stand for?",
        numbers={"tape_ft": (50, 65, 80, 90, 110)},
        answer=_in_feet,
        code="fill_delay_ms(ft_to_m({tape_ft:g}), Air(20))",
        unit="ms", tolerance=0.5, decimals=1,
        hints=(
            "Bring the feet to metres first.",
            "One foot is 0.3048 m.",
            "Multiply the feet by 0.3048, divide by 344 m/s, times 1000.",
        ),
        slips=(
            Slip("You took the feet for metres.",
                 lambda tape_ft: fill_delay_ms(tape_ft, Air(20.0))),
            Slip("You divided by 0.3048. A foot is shorter than a metre, so the number of metres "
                 "must be the smaller one.",
                 lambda tape_ft: fill_delay_ms(tape_ft / 0.3048, Air(20.0))),
        ),
        solution="{tape_ft:g} ft times 0.3048 gives the metres; divided by 344 m/s, the speed of "
                 "sound at 20 C and 50 %, and times 1000, that is {answer} ms.",
    ),
)


def _wait_ms() -> float:
    return float(fill_delay_ms(_HANG_M, _HALL))


def _colder_ms() -> float:
    return float(fill_delay_ms(_HANG_M, _HALL.at_temperature(10.0))) - _wait_ms()


PREDICTIONS = (
    Prediction(
        id="00-a",
        text="In Tidewell Hall the fills hang 26 m (85 ft) in front of the mains, at 20 C. No "
             "delay is set. Someone sits straight behind a fill: how much earlier does the fill "
             "reach them than the mains?",
        unit="ms", truth=_wait_ms, decimals=0, tolerance=8,
        meaning="Sound needs about 3 ms for each metre. A word that comes twice, so far apart, "
                "is heard as two words: that is why a fill must wait.",
        slips=(
            Slip("Sound feels instant, but it is not: light is.", lambda: 0.0),
            Slip("That is one millisecond for each metre; sound needs three times that (and about "
                 "one for each foot).", lambda: _HANG_M),
        ),
    ),
    Prediction(
        id="00-b",
        text="The same fill, and the hall is 10 C instead of 20 C. By how much longer must the "
             "fill wait?",
        unit="ms", truth=_colder_ms, decimals=1, tolerance=0.5,
        meaning="Sound is slower in colder air: of some 340 m/s it loses about 0.6 m/s with each "
                "degree.",
        slips=(
            Slip("Temperature does count: small here, more over the length of a field.",
                 lambda: 0.0),
            Slip("The direction is the other way: cold air is slower, so the fill waits longer.",
                 lambda: -_colder_ms()),
        ),
    ),
)
