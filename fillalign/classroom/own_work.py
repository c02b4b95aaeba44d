"""Checklists to tick, what a learner has so far, and what a class has sent in."""

from __future__ import annotations

import html
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fillalign.classroom import answers_file, exercises
from fillalign.classroom.widgets import (
    Shown,
    button,
    download_link,
    fold,
    markup,
    row,
    say,
    stack,
    tick,
    words,
)

if TYPE_CHECKING:
    import pandas as pd

_PRINTED = """<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>{title}</title>
<style>body {{font: 12pt/1.5 sans-serif; margin: 2cm}} li {{list-style: none; margin: 0.4em 0}}
</style><h1>{title}</h1><ul>{items}</ul><p>Name, date:</p></html>"""


class Checklist(Shown):
    """What to do at the venue, to tick and to print; ticks are kept.

    Attributes
    ----------
    ticks : list of widget
        One box an item.
    """

    def __init__(self, lesson: str, items: str) -> None:
        self.lesson = lesson
        self.items = [line.removeprefix("- ").strip() for line in items.splitlines()
                      if line.strip()]
        ticked = answers_file.kept("ticks")
        self.ticks = [tick(bool(ticked.get(self._name(item))), item) for item in self.items]
        for box, item in zip(self.ticks, self.items, strict=True):
            box.observe(lambda change, item=item: self._ticked(item, change["new"]), names="value")
        self.link, self.message = markup(""), words("", "error", role="alert")
        self.text = "At the venue\n" + "\n".join(f"[ ] {item}" for item in self.items)
        self._offer()
        rows = [row(box, words(item)) for box, item in zip(self.ticks, self.items, strict=True)]
        self.box = fold("At the venue: what to do, to tick and to print",
                        stack(*rows, self.link, self.message))

    def _name(self, item: str) -> str:
        return f"{self.lesson}: {item}"

    def _ticked(self, item: str, value: bool) -> None:
        say(self.message, answers_file.keep("ticks", self._name(item), value))
        self._offer()

    def _offer(self) -> None:
        items = "".join(f"<li>{'&#9745;' if box.value else '&#9744;'} {html.escape(item)}</li>"
                        for box, item in zip(self.ticks, self.items, strict=True))
        title = f"At the venue: lesson {self.lesson}"
        page = _PRINTED.format(title=html.escape(title), items=items)
        self.link.value = download_link(
            "Save this list to print", f"checklist-{self.lesson}.html", page.encode(),
            kind="text/html")


def checklist(lesson: str, items: str) -> Checklist:
    r"""Return a list of things to do at the venue, to tick and to print.

    Parameters
    ----------
    lesson : str
        Two figures, such as `"03"`.
    items : str
        A line each; a dash before it is left out.

    Examples
    --------
    >>> done = checklist("03", "- Mute the fills.\n- Walk the rows.")
    >>> done.ticks[1].value = True
    >>> checklist("03", "- Walk the rows.").ticks[0].value
    True
    >>> answers_file.forget()
    """
    return Checklist(lesson, items)


class MyWork(Shown):
    """What is written down so far, a file of it to hand in, and one button to clear it.

    Attributes
    ----------
    count : widget
        What is kept, in numbers.
    clear : widget
        The button.
    """

    text = "What you write down in the lessons is kept in my_answers.json, beside them."

    def __init__(self) -> None:
        self.count, self.link = words("", "readout", role="status"), markup("")
        self.clear = button("Clear everything", self._clear)
        self.box = stack(words(self.text), self.count, row(self.link, self.clear))
        answers_file.on_change(self._show)
        self._show()

    def _show(self) -> None:
        numbers = {kind: len(answers_file.kept(kind)) for kind in answers_file.KINDS}
        ticks = sum(map(bool, answers_file.kept("ticks").values()))
        counted = {"prediction": numbers["predictions"], "exercise": numbers["answers"],
                   "tick": ticks}
        say(self.count, ", ".join(f"{number} {what}{'s' * (number != 1)}"
                                  for what, number in counted.items()) + ".")
        self.link.value = download_link(
            "Save my answers as a file", answers_file.FILE,
            f"{answers_file.kept_text()}\n".encode(), kind="application/json")

    def _clear(self) -> None:
        try:
            answers_file.clear()
        except OSError as error:
            say(self.count, f"{answers_file.FILE} cannot be removed, {error.strerror}; nothing was "
                            "cleared.")


def my_work() -> MyWork:
    """Return what is written down so far, a link to save it, and a button to clear it.

    Examples
    --------
    >>> from fillalign.classroom.predictions import write_down
    >>> work = my_work()
    >>> _ = write_down("00-a", 70)
    >>> "1 prediction," in work.count.value
    True
    >>> work.clear.click()
    >>> answers_file.kept("predictions")
    {}
    """
    return MyWork()


def class_work(folder: str | Path) -> pd.DataFrame:
    """Return what a class has written down, one row a learner.

    Parameters
    ----------
    folder : str or Path
        Where the files lie that learners saved; each is called by its file's name.

    Returns
    -------
    pandas.DataFrame
        Index `learner`; a column for every prediction (the number) and every exercise
        (`right` or `not yet`, and after how many tries), and `ticks`.

    Raises
    ------
    FileNotFoundError
        If there is no such file.
    ValueError
        If a file holds something else; it is named.
    """
    import pandas as pd

    paths = sorted(Path(folder).glob("*.json"))
    if not paths:
        raise FileNotFoundError(f"{folder}: holds no file that ends in .json")
    rows = {}
    for path in paths:
        try:
            found = answers_file.parsed(path.read_text("utf-8", "replace"))
            rows[path.stem] = {
                **{f"prediction {name}": value
                   for name, value in sorted(found["predictions"].items())},
                **{f"exercise {name.partition('/')[0]}": _became(name, answer)
                   for name, answer in sorted(found["answers"].items())},
                "ticks": sum(map(bool, found["ticks"].values())),
            }
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"{path.name}: {error}") from None
    table = pd.DataFrame.from_dict(rows, orient="index").rename_axis("learner")
    return table[sorted(table.columns)]


def _became(name: str, answer: dict[str, Any]) -> str:
    exercise, _, seed = name.partition("/")
    right = exercises.check(exercise, str(answer["given"]), seed=int(seed)).right
    tries = int(answer["tries"])
    return f"{'right' if right else 'not yet'}, {tries} {'try' if tries == 1 else 'tries'}"
