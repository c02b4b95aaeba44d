"""The answer key: every exercise of the series with the numbers of a seed."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from fillalign.classroom.exercises import exercise_seed, question, right_answer, solution
from fillalign.classroom.questions import all_exercises

if TYPE_CHECKING:
    import pandas as pd

_STYLE = (
    "body {font: 11pt/1.4 sans-serif; margin: 2em; color: #222222} "
    "table {border-collapse: collapse; width: 100%} "
    "th, td {border-bottom: 1px solid #767676; padding: 4px 8px; text-align: left; "
    "vertical-align: top} tr {break-inside: avoid} td.number {white-space: nowrap} "
    "pre {margin: 0; white-space: pre-wrap; font-size: 9pt} thead {display: table-header-group}"
)


def answer_key(seed: int | None = None, *, lesson: str | None = None) -> pd.DataFrame:
    """Return the answers of all exercises for a seed.

    Parameters
    ----------
    seed : int, optional
        0 to 9999; the class's if not given.
    lesson : str, optional
        Two figures, such as `"04"`, for one lesson only.

    Returns
    -------
    pandas.DataFrame
        One row an exercise: `exercise`, `question`, `answer` (rounded), `unit`,
        `tolerance`, `solution`.

    Raises
    ------
    ValueError
        If the seed is out of range or there is no such lesson.

    Examples
    --------
    >>> answer_key(7, lesson="00")["exercise"].tolist()[0]
    '00-a'
    """
    import pandas as pd

    used = exercise_seed() if seed is None else seed
    chosen = {name: exercise for name, exercise in all_exercises().items()
              if lesson is None or name.startswith(f"{lesson}-")}
    if not chosen:
        raise ValueError(f"lesson must be two figures of a lesson there is, got {lesson!r}")
    return pd.DataFrame([
        {
            "exercise": name,
            "question": question(name, seed=used),
            "answer": round(right_answer(name, seed=used), exercise.decimals),
            "unit": exercise.unit,
            "tolerance": round(exercise.room(right_answer(name, seed=used)), 2),
            "solution": solution(name, seed=used),
        }
        for name, exercise in sorted(chosen.items())
    ])


def answer_key_html(seed: int | None = None, *, lesson: str | None = None) -> str:
    """Return the answer key as a page to print.

    Parameters
    ----------
    seed, lesson
        As in `answer_key`.

    Returns
    -------
    str
        A whole HTML page; write it to a file and print that from a browser.

    Examples
    --------
    >>> "Set of numbers 7" in answer_key_html(7)
    True
    """
    used = exercise_seed() if seed is None else seed
    decimals = {name: exercise.decimals for name, exercise in all_exercises().items()}
    rows = "".join(
        f"<tr><td>{html.escape(row['exercise'])}</td><td>{html.escape(row['question'])}</td>"
        f'<td class="number">{row["answer"]:.{decimals[row["exercise"]]}f} '
        f"{html.escape(row['unit'])}<br>&plusmn; {row['tolerance']:g}</td>"
        f"<td><pre>{html.escape(row['solution'])}</pre></td></tr>"
        for row in answer_key(used, lesson=lesson).to_dict("records")
    )
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Answer key</title>'
        f"<style>{_STYLE}</style></head><body><h1>Answer key</h1><p>Set of numbers {used}. "
        "Name: ______________________</p>"
        "<table><thead><tr><th>Exercise</th><th>Question</th><th>Answer</th><th>The way</th></tr>"
        f"</thead><tbody>{rows}</tbody></table></body></html>"
    )
