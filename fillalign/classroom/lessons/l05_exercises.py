"""Exercises and predictions of lesson 05."""

from __future__ import annotations

from fillalign.classroom.exercises import Exercise, Slip
from fillalign.classroom.predictions import Prediction
from fillalign.levels import fill_level_db, power_sum_db
from fillalign.precedence import precedence_limit_db


def _alone(mains_db: float, goal_db: float) -> float:
    return float(fill_level_db(mains_db, goal_db))


def _change(mains_db: float, fill_db: float, goal_db: float) -> float:
    return _alone(mains_db, goal_db) - fill_db


EXERCISES = (
    Exercise(
        id="05-a",
        text="At the aim seat the mains alone read {mains_db:g} dBA. With the fill you want "
             "{goal_db:g} dBA. What must the fill alone read there?",
        numbers={"mains_db": (66, 67, 68), "goal_db": (69.5, 70.5, 72.5, 73.5)},
        answer=_alone,
        code="fill_level_db({mains_db:g}, {goal_db:g})",
        unit="dBA", tolerance=0.3, decimals=1,
        hints=(
            "Decibels do not add. Powers do.",
            "Turn both levels into powers: 10 to the power of (decibels over ten). Take the "
            "smaller from the larger.",
            "Back to decibels: ten times the logarithm (base ten) of what is left.",
        ),
        slips=(
            Slip("That is what is missing in decibels. The fill alone must bring a level, and "
                 "powers add.", lambda mains_db, goal_db: goal_db - mains_db),
            Slip("A fill that reads the goal alone makes it louder than the goal together with "
                 "the mains.", lambda goal_db, **_: goal_db),
            Slip("You added pressures. Noise from two places adds by power, except in the lows: "
                 "divide by ten, not twenty.",
                 lambda mains_db, goal_db: fill_level_db(mains_db, goal_db, coherent=True)),
        ),
        solution="10^({goal_db:g}/10) - 10^({mains_db:g}/10) is the power that is missing; in "
                 "decibels that is {answer} dBA.",
    ),
    Exercise(
        id="05-b",
        text="Meter at the aim seat: mains alone {mains_db:g} dBA, fill alone {fill_db:g} dBA. "
             "With both you want {goal_db:g} dBA. By how much do you change the fill's trim? "
             "(Plus for up, minus for down.)",
        numbers={"mains_db": (67, 68, 69), "fill_db": (76, 77, 78), "goal_db": (73, 74)},
        answer=_change,
        code="fill_level_db({mains_db:g}, {goal_db:g}) - {fill_db:g}",
        unit="dB", tolerance=0.3, decimals=1,
        hints=(
            "Which level must the fill alone have, and which has it?",
            "What it must have: take the power of the mains from the power of the goal.",
            "The change is what it must have less what it has.",
        ),
        slips=(
            Slip("The size is right, the sign is not: is the fill too loud or too soft?",
                 lambda **n: -_change(**n)),
            Slip("You brought the fill alone to the goal. The mains are there as well.",
                 lambda fill_db, goal_db, **_: goal_db - fill_db),
            Slip("That brings the fill to the level of the mains, whatever the goal.",
                 lambda mains_db, fill_db, **_: mains_db - fill_db),
            Slip("You took off what both together are above the goal. The mains do not move, so "
                 "the fill has to go down farther.",
                 lambda mains_db, fill_db, goal_db:
                 goal_db - float(power_sum_db([mains_db, fill_db]))),
        ),
        solution="The fill alone must bring 10^({goal_db:g}/10) - 10^({mains_db:g}/10), turned "
                 "back into decibels. It reads {fill_db:g} dBA, so it moves by {answer} dB.",
    ),
    Exercise(
        id="05-c",
        text="The table of this lesson, read between its rows on a straight line: the fill arrives "
             "{gap_ms:g} ms after the main. By how many dB may it be louder than the main at most? "
             "(Minus: it must be softer.)",
        numbers={"gap_ms": (0.5, 2, 3, 4, 6, 34, 37, 43, 47)},
        answer=lambda gap_ms: float(precedence_limit_db(gap_ms)),
        code="precedence_limit_db({gap_ms:g})",
        unit="dB", tolerance=0.15, decimals=1,
        hints=(
            "Find the two rows of the table on either side of the gap.",
            "Which part of the way from the upper row to the lower has the gap gone?",
            "Go the same part of the way between their two limits.",
        ),
        slips=(
            Slip("That is the limit of the row below (a larger gap). Go only part of the way.",
                 lambda gap_ms: _row(gap_ms, above=False)),
            Slip("That is the limit of the row above (a smaller gap). Go part of the way to the "
                 "next.", lambda gap_ms: _row(gap_ms, above=True)),
        ),
        solution="{gap_ms:g} ms lie between two rows; the same part of the way between their "
                 "limits gives {answer} dB.",
    ),
)


def _row(gap_ms: float, *, above: bool) -> float:
    """Limit of the printed row next to a gap, the smaller or the larger one."""
    from fillalign.precedence import PRECEDENCE_TABLE

    gaps = [gap for gap, _ in PRECEDENCE_TABLE]
    place = sum(gap <= gap_ms for gap in gaps)
    return PRECEDENCE_TABLE[place - 1 if above else place][1]


PREDICTIONS = (
    Prediction(
        id="05-a",
        text="The back rows need just 1 dB more. By how many dB must the fill there be above the "
             "mains (minus: below)?",
        unit="dB", truth=lambda: _alone(0.0, 1.0), decimals=1, tolerance=1,
        meaning="Powers add. A fill well below the mains lifts the sum by a decibel, and nobody "
                "notices that it is there.",
        slips=(
            Slip("A fill as loud as the mains adds 3 dB, not 1.", lambda: 0.0),
            Slip("1 dB above the mains would lift the sum by 3.5 dB.", lambda: 1.0),
            Slip("The sum is a ratio of powers: for 1 dB more the fill needs a quarter of the "
                 "mains' power, not a tenth.", lambda: -10.0),
        ),
    ),
    Prediction(
        id="05-b",
        text="And if they need 6 dB more: fill above mains?",
        unit="dB", truth=lambda: _alone(0.0, 6.0), decimals=1, tolerance=1,
        meaning="Now three quarters of the power come from the fill. It holds where nothing ties "
                "the phases together; lows that arrive together add by pressure (lesson 06).",
        slips=(
            Slip("Two equal sounds give 6 dB only if they push in step, at every frequency. In a "
                 "room, above the lows, they give 3 dB.", lambda: 0.0),
            Slip("6 dB above the mains gives 7 dB together; a little less will do.", lambda: 6.0),
        ),
    ),
)
