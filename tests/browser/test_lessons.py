"""Every lesson opened, run and used in JupyterLab with keyboard and mouse, as a learner would."""

from __future__ import annotations

import pytest

from fillalign.classroom.exercises import right_answer
from fillalign.classroom.questions import find_exercise
from tests.browser.lab import NOTEBOOKS, ROOT, LessonPage, insist, poll

pytestmark = pytest.mark.browser
SCREENSHOTS = ROOT / "screenshots"
PRESSES = 3


def moves_of(panel):
    """Return for each control of a live panel what moves it: where to start, and the keys."""
    sliders, choices = panel.locator(".noUi-handle"), panel.locator(".widget-toggle-buttons")
    switches = panel.get_by_role("checkbox")

    def slide(slider):
        now, most = (slider.get_attribute(f"aria-value{which}") for which in ("now", "max"))
        return slider, ["ArrowLeft" if now == most else "ArrowRight"]

    def choose(choice):
        buttons = choice.get_by_role("button")
        count = buttons.count()
        on = ["mod-active" in buttons.nth(i).get_attribute("class") for i in range(count)]
        # From one button to its neighbour, which is not the one chosen now.
        last = count - 1 if not on[-1] else count - 2
        return (buttons.nth(last - 1), ["Tab", "Space"]) if last else (buttons.first, ["Space"])

    moves = [(slide, sliders.nth(i)) for i in range(sliders.count())]
    # Backwards, since a choice may end in "none", which leaves those after it nothing to do.
    moves += [(choose, choices.nth(i)) for i in reversed(range(choices.count()))]
    # The last switch of every panel enlarges all of them.
    return moves + [(lambda switch: (switch, ["Space"]), switches.nth(i))
                    for i in range(switches.count() - 1)]


def use_panel(lesson, panel, presses):
    """Move every control of a live panel by keys; return the delays until it shows (ms)."""
    panel.evaluate("panel => panel.scrollIntoView({block: 'nearest'})")
    title = panel.locator(".fill-title").inner_text()
    readout = panel.locator(".fill-readout")
    text, delays = readout.inner_text(), []

    def works(how, control):
        shown = [lesson.press(panel, *how(control))
                 for _ in range(presses if how.__name__ == "slide" else 1)]
        delays.extend(delay for delay in shown if delay is not None)
        return any(delay is not None for delay in shown)

    idle = [one for one in moves_of(panel) if not works(*one)]
    # Some sliders count only with another choice than the first.
    assert [one for one in idle if not works(*one)] == [], f"{title}: a control moves nothing"
    assert delays, title
    assert readout.inner_text() != text, title
    return delays


def answer_first_exercise(lesson):
    """Answer the first exercise wrongly, then rightly; both verdicts must show."""
    panel = lesson.boxes("Solution").first
    exercise_id = panel.locator(".fill-question").inner_text().partition(":")[0]
    right, decimals = right_answer(exercise_id), find_exercise(exercise_id).decimals
    box, reply = panel.get_by_role("textbox"), panel.locator(".fill-reply")
    check = panel.get_by_role("button", name="Check", exact=True)
    for answer, verdict in ((-98765.0, "Not yet."), (right, "Right:")):
        insist(f"the verdict on {exercise_id}",
               lambda answer=answer: (box.fill(f"{answer:.{decimals}f}"), check.click()),
               lambda verdict=verdict: reply.inner_text().startswith(verdict))
    insist("the solution", panel.get_by_role("button", name="Solution", exact=True).click,
           lambda: "In code:" in reply.inner_text())


def write_first_prediction(lesson):
    """Write a number down; the lesson's first reveal must then show a picture with it."""
    panel = lesson.boxes("Write it down").first
    shown = lesson.boxes("Show the result").first
    assert shown.locator("img").count() == 0
    box, button = panel.get_by_role("textbox"), panel.get_by_role("button", name="Write it down")
    insist("the picture beside the prediction", lambda: (box.fill("12"), button.click()),
           lambda: shown.locator("img").count() == 1)
    poll("the words", lambda: "You predicted 12 " in shown.locator(".fill-reply").inner_text())


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_lesson_runs_and_shows_its_panels(notebook, tab, lab):
    lesson = LessonPage(tab, lab, notebook)
    assert lesson.run_all(), lesson.faults()
    seats, figures = tab.locator(".fill-seat"), lesson.live_figures()
    assert lesson.expected("figure") + lesson.expected("seat_panel") >= 1
    poll("every seat panel", lambda: seats.count() >= lesson.expected("seat_panel"))
    poll("every live figure", lambda: figures.count() >= lesson.expected("figure"))
    assert lesson.faults() == []
    lesson.screenshot(SCREENSHOTS / f"{notebook.stem}.png")


@pytest.mark.draws
@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_lesson_in_a_browser(notebook, tab, lab, note_delays):
    lesson = LessonPage(tab, lab, notebook)
    assert lesson.run_all(), lesson.faults()
    figures, players = lesson.live_figures(), lesson.live_players()
    seats = tab.locator(".fill-seat")
    assert lesson.expected("figure") + lesson.expected("seat_panel") >= 1
    poll("every seat panel", lambda: seats.count() == lesson.expected("seat_panel"))
    poll("every live figure", lambda: figures.count() == lesson.expected("figure"))
    poll("every live player", lambda: players.count() == lesson.expected("player"))
    assert lesson.expected("answer_box") >= 3
    # Further ones may be folded, and what is folded has no role to be found by.
    poll("the exercises", lambda: lesson.boxes("Solution").count() >= 1)
    assert lesson.faults() == []

    for index in range(figures.count()):
        delays = use_panel(lesson, figures.nth(index), PRESSES)
        assert figures.nth(index).locator("img").get_attribute("alt")
        note_delays.setdefault(notebook.stem, []).extend(delays)
    for index in range(players.count()):
        use_panel(lesson, players.nth(index), 1)
        assert lesson.plays(players.nth(index))
    write_first_prediction(lesson)
    answer_first_exercise(lesson)
    assert lesson.faults() == []
    lesson.screenshot(SCREENSHOTS / f"{notebook.stem}.png")
    assert lesson.clipped() == []

    insist("letters of projector size", tab.get_by_label("Projector size").first.check,
           lambda: tab.locator(".fill-large").count()
         == tab.locator(".fill-panel").count())
    pictures = tab.locator(".fill-panel img")
    poll("pictures of projector size", lambda: all(
        (pictures.nth(i).get_attribute("style") or "").startswith("width: 100%")
        for i in range(pictures.count())))
    lesson.screenshot(SCREENSHOTS / f"{notebook.stem}_projector.png")
    assert lesson.clipped() == []
    assert lesson.faults() == []
