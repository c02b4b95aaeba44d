"""The sheet as plain text and as files: its layout, its names, whole or not at all.

What its cells say is in `test_cells.py`, what hostile names do in `tests/test_hostile.py`.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from fillalign import evaluate, plan_fills
from fillalign._files import SheetError
from fillalign._text import plain, slug
from fillalign.sheet import (
    setup_sheet_csv,
    setup_sheet_html,
    setup_sheet_text,
    sheet_files,
    write_sheet,
)
from tests.demo_plans import VENUES, demo_plan
from tests.sheet.lopsided import SETTINGS, Text, lopsided_plan, lopsided_venue
from tests.small_venue import small_hall

WALK = "LEVEL ALONG THE WALK, WITH THE AUDIENCE IN"


@pytest.fixture(scope="module")
def room():
    return demo_plan("lantern_room")


def test_it_begins_with_the_venue_and_the_parts_come_in_the_order_of_the_job():
    text = setup_sheet_text(lopsided_plan())
    assert text.startswith("SET-UP SHEET: Lopsided Barn\n")
    assert list(Text(text).sections) == [
        "", "SETTINGS", "ORDER OF THE CHECK", "METER READINGS TO EXPECT", "RE-TIME TABLE",
        "NOT MET", "IN SHORT (THE AREAS WITH THE MAINS ALONE)", "WHERE THE BOXES ARE",
        "AT THE SEATS COVERED", "MORE SEATS FOR THE METER",
        "WHERE DIRECT SOUNDS ARE NEAREST TO EQUAL", WALK,
        "WHY: LIP", "WHY: NEAR", "WHY: FAR", "CAUTIONS", "ASSUMPTIONS",
        "DEFAULTS USED",
    ]


def test_short_leaves_the_reasons_out():
    text = setup_sheet_text(lopsided_plan(), short=True)
    assert list(Text(text).sections) == ["", "SETTINGS", "ORDER OF THE CHECK",
                                         "METER READINGS TO EXPECT", "RE-TIME TABLE", "NOT MET",
                                         "CAUTIONS"]
    files = sheet_files(lopsided_plan(), short=True)
    assert files["lopsided-barn-sheet.txt"].decode() == text
    assert b"<img" not in files["lopsided-barn-sheet.html"]


def test_each_output_stands_once_with_blanks_to_write_in():
    plan = lopsided_plan()
    settings = Text(setup_sheet_text(plan)).sections["SETTINGS"]
    for name, own in plan.venue.outputs.items():
        assert sum(line.startswith(f"{name} ({own.feed}) -> ") for line in settings) == 1
    outputs = len(plan.venue.outputs)
    assert sum(line.endswith("as set ________") for line in settings) == 5 * outputs
    assert sum("initials ________ time ________" in line for line in settings) == outputs
    assert "Air found: ________ C ________ %   date and time:" in setup_sheet_text(plan)


@pytest.mark.parametrize("venue", [None, *VENUES[::3]])
def test_lines_fit_a_terminal(venue):
    plan = lopsided_plan() if venue is None else demo_plan(venue)
    assert max(len(line) for line in setup_sheet_text(plan).splitlines()) <= 96


def test_columns_stand_under_their_headings():
    """Numbers end where their heading ends, names begin where it begins."""
    lines = Text(setup_sheet_text(lopsided_plan())).sections[WALK]
    grid = [line for line in lines if "  " in line]
    ends = [[i for i, mark in enumerate(line) if mark != " " and line[i + 1 : i + 3] in ("  ", "")]
            for line in grid]
    assert len({tuple(end[1:]) for end in ends}) == 1
    assert all(not line.startswith(" ") for line in grid)


def test_a_table_too_wide_is_folded():
    """Its other columns stand below, each part with the first column."""
    plan = lopsided_plan()
    names = [fill.output for fill in plan.fills if fill.sounding]
    lines = Text(setup_sheet_text(plan)).sections["METER READINGS TO EXPECT"]
    heads = [i for i, line in enumerate(lines) if line.startswith("fill ")]
    assert len(heads) == 2
    for head in heads:
        below = lines[head + 1 : head + 1 + len(names)]
        assert [line.split("  ")[0] for line in below] == names
    assert "turned over" in lines[heads[1]]


def test_a_fill_called_like_a_heading_has_its_column():
    """Names are free: those of the re-time table's own columns too."""
    venue, odd = lopsided_venue(), "humid, %"
    outputs = {odd if name == "Near" else name: replace(own, name=odd) if name == "Near" else own
               for name, own in venue.outputs.items()}
    sources = tuple(replace(source, output=odd) if source.output == "Near" else source
                    for source in venue.sources)
    settings = {odd if name == "Near" else name: own for name, own in SETTINGS.items()}
    plan = evaluate(replace(venue, outputs=outputs, sources=sources), settings)
    head, first, *_ = Text(setup_sheet_text(plan)).sections["RE-TIME TABLE"][1:]
    assert head.count(odd) == 2
    assert first.split()[-4::2] == [f"{delay:.2f}" for delay in plan.retime().iloc[0][[odd, "Far"]]]


def test_the_text_holds_every_box_and_says_when_all_is_met(room):
    said = " ".join(setup_sheet_text(room).split())
    for source in room.venue.sources:
        assert source.name in said
    assert ("Every target is met." in said) == (not room.unmet)


def test_plain_leaves_other_scripts_alone():
    names = "Bühne 1, صالة, हॉल, 宴会場, Zürich \u200d"
    assert plain(names) == names


# Files


@pytest.mark.parametrize(("name", "safe"), [
    ("Tidewell Hall", "tidewell-hall"), ("../../etc/passwd", "etc-passwd"), ("C:\\con", "c-con"),
    ("a/b\\c\x00d", "a-b-c-d"), ("\u202egpj.exe", "gpj-exe"), ("宴会場", "venue"), ("", "venue"),
    ("x" * 300, "x" * 48), (".hidden", "hidden"), ("Zürich", "zurich"), ("- -", "venue"),
])
def test_file_names_are_safe(name, safe):
    assert slug(name) == safe
    assert len(slug(name)) <= 48


@pytest.mark.usefixtures("no_pictures")
def test_three_files_are_written(room, tmp_path):
    paths = write_sheet(room, tmp_path)
    assert [path.name for path in paths] == [f"lantern-room-sheet.{kind}"
                                             for kind in ("txt", "csv", "html")]
    text, table, html = (path.read_bytes() for path in paths)
    assert text.decode() == setup_sheet_text(room)
    assert table.startswith(b"\xef\xbb\xbf")
    assert table.decode("utf-8-sig") == setup_sheet_csv(room)
    assert html.decode() == setup_sheet_html(room)
    assert sorted(tmp_path.iterdir()) == sorted(paths)


@pytest.mark.usefixtures("no_pictures")
def test_existing_files_stay_unless_told(room, tmp_path):
    mine = tmp_path / "lantern-room-sheet.csv"
    mine.write_text("mine")
    with pytest.raises(SheetError, match=r"lantern-room-sheet\.csv: is there already") as caught:
        write_sheet(room, tmp_path)
    assert caught.value.path == mine
    assert isinstance(caught.value, OSError)
    assert [path.name for path in tmp_path.iterdir()] == [mine.name]
    assert mine.read_text() == "mine"
    paths = write_sheet(room, tmp_path, overwrite=True)
    assert mine.read_text(encoding="utf-8-sig").startswith("venue,output,")
    assert sorted(tmp_path.iterdir()) == sorted(paths)


@pytest.mark.parametrize("name", ["missing", "file"])
def test_a_folder_that_is_none_is_named(room, tmp_path, name):
    (tmp_path / "file").touch()
    with pytest.raises(SheetError, match=f"{name}: is no folder"):
        write_sheet(room, tmp_path / name)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("make", [setup_sheet_text, setup_sheet_csv, setup_sheet_html, sheet_files])
def test_something_else_than_a_plan_is_refused(make):
    with pytest.raises(TypeError, match="plan must be a FillPlan, got str"):
        make("plan")


@pytest.mark.usefixtures("no_pictures")
def test_a_venue_without_fills_has_a_whole_sheet(tmp_path):
    hall = small_hall()
    alone = replace(hall, sources=hall.of_role("main"), outputs={"Mains": hall.outputs["Mains"]})
    plan = plan_fills(alone)
    assert plan.fills == ()
    assert "No fill sounds in this plan." in plan.summary
    assert any("no fill that sounds covers it" in line for line in plan.unmet)
    assert evaluate(alone, plan.settings) == plan
    text, table, page = (path.read_text(encoding="utf-8-sig")
                         for path in write_sheet(plan, tmp_path))
    assert "No fill sounds" in text
    assert len(table.splitlines()) == 2
    assert "No fill sounds" in page
    assert plan.seats().empty
    assert list(plan.retime().columns) == ["temperature_c", "humidity_pct", "speed_m_s"]
