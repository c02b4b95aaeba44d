"""Every lesson opened, run and used in JupyterLab with keyboard and mouse, as a learner would."""

from __future__ import annotations

import pytest

from fillalign.classroom.exercises import right_answer
from fillalign.classroom.registry import find_exercise
from tests.browser.lab import NOTEBOOKS, ROOT, LessonPage, poll

pytestmark = pytest.mark.browser
SCREENSHOTS = ROOT / "screenshots"
PRESSES = 3


def controls_of(panel):
    """Return the controls of a live figure and a key for each; none for sliders, which turn."""
    sliders, choices = panel.locator(".noUi-handle"), panel.locator("select")
    switches = panel.get_by_role("checkbox")
    found = [(sliders.nth(i), None) for i in range(sliders.count())]
    # Backwards, since a choice may end in "none", which leaves those after it nothing to do.
    found += [(choices.nth(i), "End") for i in reversed(range(choices.count()))]
    # The last switch of every panel enlarges all of them.
    return found + [(switches.nth(i), "Space") for i in range(switches.count() - 1)]


def arrow(slider):
    """Return the key that moves a slider upwards, or down from its upper end."""
    now, most = (slider.get_attribute(f"aria-value{which}") for which in ("now", "max"))
    return "ArrowLeft" if now == most else "ArrowRight"


def use_figure(lesson, panel):
    """Move every control of a live figure by keys; return the delays until it shows (ms)."""
    title = panel.locator(".fill-title").inner_text()
    image, readout = panel.locator("img"), panel.locator(".fill-readout")
    text, delays = readout.inner_text(), []

    def moves(control, key):
        shown = [lesson.press(panel, control, key or arrow(control))
                 for _ in range(1 if key else PRESSES)]
        delays.extend(delay for delay in shown if delay is not None)
        return any(delay is not None for delay in shown)

    idle = [one for one in controls_of(panel) if not moves(*one)]
    # Some sliders count only with another choice than the first.
    assert [one for one in idle if not moves(*one)] == [], f"{title}: a control moves nothing"
    assert delays, title
    assert image.get_attribute("alt"), title
    assert readout.inner_text() != text, title
    return delays


def answer_first_exercise(lesson):
    """Answer the first exercise wrongly, then rightly; both verdicts must show."""
    panel = lesson.boxes("Check").first
    exercise_id = panel.locator(".fill-question").inner_text().partition(":")[0]
    right, decimals = right_answer(exercise_id), find_exercise(exercise_id).decimals
    for answer, verdict in ((-98765.0, "Not yet."), (right, "Right:")):
        panel.get_by_role("textbox").fill(f"{answer:.{decimals}f}")
        panel.get_by_role("button", name="Check", exact=True).click()
        reply = panel.locator(".fill-reply")
        poll(f"the verdict on {exercise_id}",
             lambda reply=reply, verdict=verdict: reply.inner_text().startswith(verdict))
    panel.get_by_role("button", name="Solution", exact=True).click()
    poll("the solution", lambda: "In code:" in reply.inner_text())


def write_first_prediction(lesson):
    """Write a number down; the lesson's first reveal must then show a picture with it."""
    panel = lesson.boxes("Write it down").first
    shown = lesson.boxes("Show the result").first
    assert shown.locator("img").count() == 0
    panel.get_by_role("textbox").fill("12")
    panel.get_by_role("button", name="Write it down").click()
    poll("the picture beside the prediction", lambda: shown.locator("img").count() == 1)
    poll("the words", lambda: "You predicted 12 " in shown.locator(".fill-reply").inner_text())


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_lesson_in_a_browser(notebook, tab, lab, note_delays):
    lesson = LessonPage(tab, lab, notebook)
    assert lesson.run_all(), lesson.faults()
    figures = lesson.live_figures()
    assert lesson.expected("figure") >= 1
    poll("every live figure", lambda: figures.count() == lesson.expected("figure"))
    poll("every exercise",
         lambda: lesson.boxes("Check").count() == lesson.expected("answer_box") >= 3)
    assert lesson.faults() == []

    for index in range(figures.count()):
        delays = use_figure(lesson, figures.nth(index))
        note_delays.setdefault(notebook.stem, []).extend(delays)
    write_first_prediction(lesson)
    answer_first_exercise(lesson)
    assert lesson.faults() == []
    lesson.screenshot(SCREENSHOTS / f"{notebook.stem}.png")
    assert lesson.clipped() == []

    figures.first.get_by_label("Projector size").check()
    poll("letters of projector size", lambda: tab.locator(".fill-large").count()
         == tab.locator(".fill-panel").count())
    pictures = tab.locator(".fill-panel img")
    poll("pictures of projector size", lambda: all(
        (pictures.nth(i).get_attribute("style") or "").startswith("width: 100%")
        for i in range(pictures.count())))
    lesson.screenshot(SCREENSHOTS / f"{notebook.stem}_projector.png")
    assert lesson.clipped() == []
    assert lesson.faults() == []
