"""The stored notebooks: their form, and the tool that keeps it (nbval runs them apart)."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pytest

from fillalign.classroom import own_plan
from fillalign.venue import read_demo_venue
from tests import hall_pictures as halls, notebook_tools as tools

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))
each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def notebook(*cells):
    made = nbformat.v4.new_notebook()
    made.cells = list(cells)
    return made


def code(source, *outputs, tags=()):
    cell = nbformat.v4.new_code_cell(source, outputs=list(outputs))
    cell.metadata["tags"] = list(tags)
    return cell


def result(**data):
    return nbformat.v4.new_output("execute_result", data=data, execution_count=9)


def printed(text):
    return nbformat.v4.new_output("stream", name="stdout", text=text)


def test_there_is_a_lesson_00():
    assert NOTEBOOKS[0].stem == "00_start_here"


@each
def test_form(path):
    assert tools.faults(path) == []


@each
def test_a_lesson_is_short_to_read_and_hides_its_code(path):
    assert tools.reading_faults(path) == []


@each
def test_a_lesson_ends_with_who_was_right(path):
    text = [cell.source for cell in nbformat.read(path, as_version=4).cells]
    assert any(source.startswith("## So, who was right?") for source in text[-8:])
    people = {name for name in ("Ruth", "Ole", "Hal", "Noor", "Ines") if name in text[0]}
    assert len(people) >= 2


@each
def test_a_lesson_ends_with_what_was_written_down(path):
    code_cells = [c for c in nbformat.read(path, as_version=4).cells if c.cell_type == "code"]
    assert "my_work()" in code_cells[-1].source


@each
def test_predictions_come_in_the_order_of_their_letters(path):
    text = "\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells)
    asked = re.findall(r'\bpredict\("\d\d-([a-z])"', text)
    assert asked == sorted(asked)


@pytest.mark.parametrize("lesson", halls.SCENES)
def test_no_name_in_a_hall_lies_on_a_box_a_wall_or_a_name(lesson):
    venue, people = halls.SCENES[lesson]
    venue = read_demo_venue(venue) if venue else own_plan().venue
    ax = halls.hall_figure(venue, people).axes[0]
    names = [text.get_window_extent() for text in ax.texts if text.get_text() in people]
    assert len(names) == len(people)
    marks = [ax.transData.transform(place) for place in
             [*(source.position_m[:2] for source in venue.sources), *people.values()]]
    for at, name in enumerate(names):
        assert not any(name.contains(*mark) for mark in marks)
        assert not any(name.overlaps(other) for other in names[:at])
        if venue.room:
            walls = ax.transData.transform([(venue.room.x_from_m, 0.0), (venue.room.x_to_m, 0.0)])
            assert walls[0, 0] < name.x0
            assert name.x1 < walls[1, 0]


def test_what_is_folded_and_what_is_in_view():
    text = nbformat.v4.new_markdown_cell(
        "One *two* [three](a_b.ipynb)\n\n<details><summary>four</summary>\n\nfive six\n\n"
        "</details>")
    told = code("# a\n1", result(**{"text/plain": "seven eight"}))
    hidden = code('# a\nbox("a", folded=True)', result(**{"text/plain": "nine"}))
    assert tools.words_in_view(notebook(text, told, hidden)) == (4, 2, 3, 4)


def test_names_of_other_cells_are_found():
    assert tools.unbound("import a.b as c\nfrom d import e\nx = [i for i in c(e)]\nprint(x)") == []
    assert tools.unbound("print(plan.table()[columns])") == ["columns", "plan"]


def test_what_makes_a_lesson_long_is_named(tmp_path):
    path = tmp_path / "long.ipynb"
    shown = code("print(plan)\nchecklist('01', '- Walk *up*')")
    nbformat.write(notebook(nbformat.v4.new_markdown_cell("word " * 901), shown), path)
    assert tools.reading_faults(path) == [
        "901 words in view, more than 900", "901 words between two things to do, more than 120",
        "cell 1 shows its code",
        "cell 1 has no plain words to show while its code is folded",
        "cell 1 marks words in a checklist, which shows the marks",
        "cell 1 needs checklist, plan of another cell", "no picture of the hall at the head"]


@each
def test_links_between_lessons_and_ids_in_boxes(path):
    stored = nbformat.read(path, as_version=4)
    text = "\n".join(cell.source for cell in stored.cells)
    number = path.stem[:2]
    for kind in ("predict", "reveal", "answer_box"):
        named = re.findall(rf'\b{kind}\("(\d\d)-[a-z]"', text)
        assert set(named) == {number}, kind
        assert len(named) >= (3 if kind == "answer_box" else 2), kind
    for target in re.findall(r"\]\((\d\d_\w+\.ipynb)\)", text):
        assert re.fullmatch(r"(0\d|10)_[a-z_]+\.ipynb", target)


def test_tidying_keeps_words_and_drops_pictures_sound_and_panels():
    html = {"text/plain": "Audio", "text/html": '<audio src="data:...">'}
    view = {"text/plain": "A curve", "application/vnd.jupyter.widget-view+json": {"model_id": "1"}}
    made = notebook(
        code("1", printed("12.5\n")),
        code("2", result(**{"text/plain": "<Figure>", "image/png": "aGk="})),
        code("3", result(**html)),
        code("4", result(**view)),
        code("5", result(**{"text/html": "<table></table>", "text/plain": "table"})),
        code("6", printed("3.11"), tags=[tools.IGNORED]),
        code("7", result(**{"image/png": "aGk="})),
    )
    ids = [cell.id for cell in made.cells]
    tools.tidy(made)
    kept = [[out.get("text") or dict(out.data) for out in cell.outputs] for cell in made.cells]
    assert kept == [
        ["12.5\n"], [{"text/plain": "<Figure>"}], [{"text/plain": "Audio"}],
        [{"text/plain": "A curve"}],
        [{"text/html": "<table></table>", "text/plain": "table"}], [], [],
    ]
    assert [cell.id for cell in made.cells] == ids
    assert [cell.execution_count for cell in made.cells] == [1, 2, 3, 4, 5, 6, 7]
    assert made.cells[3].outputs[0].execution_count == 4
    assert tools.compared(made) == 5
    nbformat.validate(made)


def test_a_cell_that_ends_in_an_error_stops_the_tool():
    failed = nbformat.v4.new_output("error", ename="ValueError", evalue="no", traceback=[])
    with pytest.raises(SystemExit, match="a cell ends in an error: ValueError: no"):
        tools.tidy(notebook(code("1", failed)))


def test_faults_are_named(tmp_path):
    path = tmp_path / "bad.ipynb"
    bad = notebook(code("\n".join("x = 1" for _ in range(20))), code("plot();"),
                   code("1", printed("wide\n" * 30_000 + "x" * 101)), code("a = '\u2014'"))
    nbformat.write(bad, path)
    found = tools.faults(path)
    assert re.fullmatch(r"\d+ bytes, more than 150000", found[0])
    assert found[1:] == ["1 cells compared, fewer than 5", "cell 0 has 20 lines",
                         "cell 1 ends with ;", "cell 2 prints a line over 100 characters",
                         "cell 3 holds a long dash"]


@pytest.mark.long
def test_a_notebook_is_run_in_its_own_folder(tmp_path):
    path = tmp_path / "small.ipynb"
    nbformat.write(notebook(code("import os\nprint(os.path.basename(os.getcwd()))"),
                            code("1 + 1")), path)
    tools.run(path)
    stored = nbformat.read(path, as_version=4)
    assert stored.cells[0].outputs[0].text == f"{tmp_path.name}\n"
    assert stored.cells[1].outputs[0].data["text/plain"] == "2"
