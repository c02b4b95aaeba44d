"""Every lesson opened, run and used in JupyterLab by the keyboard, as a learner would."""

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
        return slider, ["PageDown" if now == most else "PageUp"]

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


def use_figure(lesson, panel):
    """Move every control of a live panel by keys; return the delays until it shows (ms)."""
    panel.evaluate("panel => panel.scrollIntoView({block: 'nearest'})")
    title = panel.locator(".fill-title").inner_text()
    readout = panel.locator(".fill-readout")
    text, delays = readout.inner_text(), []

    def works(how, control):
        for _ in range(PRESSES if how.__name__ == "slide" else 1):
            delay = lesson.press(panel, *how(control))
            if delay is not None:
                delays.append(delay)
                return True
        return False

    idle = [one for one in moves_of(panel) if not works(*one)]
    # Some sliders count only with another choice than the first.
    assert [one for one in idle if not works(*one)] == [], f"{title}: a control moves nothing"
    poll(f"other words in {title}", lambda: readout.inner_text() != text)
    return delays


def use_seat(lesson, seat):
    """Move the listener and every control of a seat panel by keys; each must show."""
    keys = [(seat.get_by_role("application"), "ArrowLeft")]
    keys += [(one, "ArrowRight") for one in seat.get_by_role("slider").all()]
    keys += [(one, "Space") for one in seat.get_by_role("checkbox").all()]
    keys += [(one, "ArrowUp" if one.evaluate("one => one.selectedIndex") else "ArrowDown")
             for one in seat.locator("select").all()]
    names = seat.locator("button:not([aria-pressed=true])").all_inner_texts()
    keys += [(seat.get_by_role("button", name=name, exact=True), "Enter") for name in names]
    keys.append((seat.get_by_role("button", name="Stop"), "Enter"))
    for control, key in keys:
        lesson.key_changes(seat, control, key)


def use_boxes(lesson):
    """Type into every box that stands open; after Enter in the last its panel must answer."""
    asking = ".fill-panel:has(input[type=text]):not(:has(.fill-panel))"
    for panel in lesson.page.locator(asking).all():
        boxes = panel.locator("input[type=text]").all()
        for box in boxes:
            box.evaluate("box => { box.select(); box.focus(); }")
            lesson.page.keyboard.type("31")
        lesson.key_changes(panel, boxes[-1], "Enter")


def open_folds(lesson):
    """Open every exercise and list that is folded, by its title."""
    for part in lesson.page.locator(".fill-fold").all():
        lesson.focus(part.locator("button").first)
        insist("a fold", lambda: lesson.page.keyboard.press("Space"),
               lambda part=part: part.locator(".fill-panel").is_visible())


def answer_first_exercise(lesson):
    """Answer the first exercise rightly, by keys alone, and read its solution."""
    panel = lesson.boxes("Solution").first
    exercise_id = panel.locator(".fill-question").inner_text().partition(":")[0]
    right, decimals = right_answer(exercise_id), find_exercise(exercise_id).decimals
    box, reply = panel.get_by_role("textbox"), panel.locator(".fill-reply")
    insist("the verdict", lambda: (box.fill(f"{right:.{decimals}f}"), box.press("Enter")),
           lambda: reply.inner_text().startswith("Right:"))
    insist("the solution", lambda: panel.get_by_role("button", name="Solution").press("Enter"),
           lambda: "In code:" in reply.inner_text())


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_lesson_runs_and_is_used_by_keys(notebook, tab, lab, note_delays):
    tab.emulate_media(reduced_motion="reduce")
    lesson = LessonPage(tab, lab, notebook)
    assert lesson.run_all(), lesson.faults()
    seats, figures, players = (tab.locator(".fill-seat"), lesson.live_figures(),
                               lesson.live_players())
    assert lesson.expected("figure") + lesson.expected("seat_panel") >= 1
    for kind, shown in (("seat_panel", seats), ("figure", figures), ("player", players)):
        poll(f"every {kind}", lambda kind=kind, shown=shown: shown.count() ==
             lesson.expected(kind))
    assert lesson.faults() == []
    lesson.screenshot(SCREENSHOTS / f"{notebook.stem}.png")
    assert lesson.out_of_reach() == []

    for figure in figures.all():
        note_delays.setdefault(notebook.stem, []).extend(use_figure(lesson, figure))
        assert figure.locator("img").get_attribute("alt")
    for player in players.all():
        use_figure(lesson, player)
        assert lesson.plays(player)
    for seat in seats.all():
        use_seat(lesson, seat)
    open_folds(lesson)
    use_boxes(lesson)
    answer_first_exercise(lesson)
    told = lesson.boxes("Show the result").first.inner_text()
    assert "You predicted 31 " in told.replace("\xa0", " ")
    lesson.key_changes(tab.locator(".jp-Notebook"), tab.get_by_label("Projector size").first,
                       "Space")
    poll("letters of projector size", lambda: tab.locator(".fill-large").count()
         == tab.locator(".fill-panel").count())
    assert lesson.faults() == []
    assert lesson.clipped() == []
