"""What learners write down survives a restart, a second notebook and a full disk."""

import json
import os

import pytest

from fillalign.classroom import answers_file, predictions
from fillalign.classroom.boxes import answer_box, class_predictions, predict, reveal
from fillalign.classroom.exercises import right_answer
from fillalign.classroom.own_work import checklist, class_work, my_work


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    answers_file.forget()
    yield tmp_path
    answers_file.forget()


def restart():
    """Forget what the kernel holds, as a restart does, and find the file again."""
    answers_file.forget()
    answers_file.keep_in()


def test_nothing_is_written_outside_a_notebook(folder):
    predictions.write_down("00-a", 60)
    assert list(folder.iterdir()) == []


def test_a_notebook_keeps_without_being_asked(folder, monkeypatch):
    monkeypatch.setattr(answers_file, "_in_a_notebook", lambda: True)
    predictions.write_down("00-a", 60)
    assert [path.name for path in folder.iterdir()] == [answers_file.FILE]
    answers_file.forget()
    assert predictions.predicted("00-a") == 60.0


def test_a_file_that_is_none_of_ours_is_left_alone(folder, monkeypatch):
    (folder / answers_file.FILE).write_text("[1, 2]", encoding="utf-8")
    monkeypatch.setattr(answers_file, "_in_a_notebook", lambda: True)
    assert predictions.write_down("00-a", 60) == "Written down: 60 ms."
    assert (folder / answers_file.FILE).read_text(encoding="utf-8") == "[1, 2]"
    with pytest.raises(ValueError, match=r"these are no answers of a lesson: '\[1, 2\]'"):
        answers_file.keep_in()


def test_boxes_show_again_what_was_written_in_them():
    answers_file.keep_in()
    box = predict("00-a")
    box.entry.value = "70"
    box.button.click()
    exercise = answer_box("00-b", seed=3)
    exercise.entry.value = f"{right_answer('00-b', seed=3)}"
    exercise.check.click()
    checklist("00", "- Mute the fills.\n- Walk.").ticks[1].value = True
    restart()
    assert predict("00-a").entry.value == "70"
    assert "You predicted 70\xa0ms" in reveal("00-a").reply.value
    again = answer_box("00-b", seed=3)
    assert again.entry.value == exercise.entry.value
    assert "Right: " in again.reply.value
    assert not again.solution.disabled
    assert answer_box("00-b", seed=4).entry.value == ""
    assert [tick.value for tick in checklist("00", "- Mute the fills.\n- Walk.").ticks] == [
        False, True]


def test_tries_and_hints_are_counted_on():
    answers_file.keep_in()
    for _ in range(3):
        box = answer_box("00-a", seed=1)
        assert box.solution.disabled
        box.entry.value = "1"
        box.check.click()
        restart()
    assert not answer_box("00-a", seed=1).solution.disabled


def test_two_notebooks_share_a_file(folder):
    answers_file.keep_in()
    predictions.write_down("00-a", 60)
    other = json.loads((folder / answers_file.FILE).read_text(encoding="utf-8"))
    other["predictions"]["02-a"] = 4.0
    (folder / answers_file.FILE).write_text(json.dumps(other), encoding="utf-8")
    predictions.write_down("00-b", 1.5)
    restart()
    assert answers_file.kept("predictions") == {"00-a": 60.0, "00-b": 1.5, "02-a": 4.0}


def test_what_cannot_be_written_stays_in_memory(folder):
    answers_file.keep_in(folder / "missing" / "mine.json")
    said = predictions.write_down("00-a", 70)
    assert said.startswith("Written down: 70 ms. Not kept: ")
    assert said.endswith("mine.json: cannot be written, No such file or directory; nothing was "
                         "changed")
    assert predictions.predicted("00-a") == 70.0


def test_the_file_is_replaced_whole(folder, monkeypatch):
    answers_file.keep_in()
    predictions.write_down("00-a", 70)
    before = (folder / answers_file.FILE).read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    assert "Not kept" in predictions.write_down("00-a", 80)
    left = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert left == {answers_file.FILE: before}


def test_one_click_clears_memory_and_file(folder):
    answers_file.keep_in()
    work = my_work()
    predictions.write_down("00-a", 70)
    assert "1 prediction, 0 exercises, 0 ticks" in work.count.value
    assert "my_answers.json" in work.link.value
    work.clear.click()
    assert list(folder.iterdir()) == []
    assert "0 predictions" in work.count.value
    assert predictions.predicted("00-a") is None


def test_a_class_in_one_table(folder):
    answers_file.keep_in()
    predictions.write_down("00-a", 70)
    box = answer_box("00-b", seed=2)
    box.entry.value = "0"
    box.check.click()
    box.entry.value = f"{right_answer('00-b', seed=2)}"
    box.check.click()
    checklist("00", "- Walk.").ticks[0].value = True
    sent = folder / "sent"
    sent.mkdir()
    (folder / answers_file.FILE).rename(sent / "row-two.json")
    (sent / "back.json").write_text('{"predictions": {"00-a": 50}}', encoding="utf-8")
    table = class_work(sent)
    assert table.loc["row-two", "exercise 00-b"] == "right, 2 tries"
    assert table["prediction 00-a"].to_dict() == {"back": 50.0, "row-two": 70.0}
    assert table["ticks"].to_dict() == {"back": 0, "row-two": 1}
    assert class_predictions("00-a", sent).values == [50.0, 70.0]
    with pytest.raises(FileNotFoundError, match="holds no file that ends in"):
        class_work(folder)
    (sent / "odd.json").write_text("{", encoding="utf-8")
    with pytest.raises(ValueError, match=r"odd\.json: these are no answers of a lesson"):
        class_work(sent)


def test_a_checklist_is_saved_to_print():
    import base64
    import re

    shown = checklist("05", "- Start <low>.")
    shown.ticks[0].value = True
    found = re.search(r'download="checklist-05\.html" href="data:text/html;base64,([^"]+)"',
                      shown.link.value)
    page = base64.b64decode(found[1]).decode()
    assert "&#9745; Start &lt;low&gt;." in page
    assert shown.text == "At the venue\n[ ] Start <low>."
