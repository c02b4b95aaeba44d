"""The set-up sheet: every setting once, hostile names made harmless, files whole or not at all."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from fillalign import evaluate, plan_fills, read_venue
from fillalign._files import SheetError
from fillalign._text import csv_text, plain, slug
from fillalign.sheet.content import AXES, check_order, settings_table, trim_text, whole_samples
from fillalign.sheet.text import setup_sheet_csv, setup_sheet_html, setup_sheet_text, write_sheet
from tests.demo_plans import DATA, VENUES, demo_plan
from tests.small_venue import small_hall

HOSTILE = ("=cmd|' /C calc'!A0", "+1", "-1", "@sum", "<script>alert(1)</script>", "a\"b'c&d",
           "; =1+1", "\uff1d1+1")


@pytest.fixture(scope="module")
def hall():
    return demo_plan("tidewell_hall")


@pytest.fixture(scope="module")
def room():
    return demo_plan("lantern_room")


@pytest.fixture(scope="module")
def page(hall):
    return setup_sheet_html(hall)


def renamed(plan, **names):
    """Return a plan with the venue's, the fill output's or its box's name changed."""
    venue = plan.venue
    output, box = names.get("output"), names.get("box")
    if box is not None:
        sources = tuple(replace(s, name=box) if s.role == "fill" else s for s in venue.sources)
        venue = replace(venue, sources=sources)
    if output is not None:
        old = plan.fills[-1].output
        outputs = {output if name == old else name: replace(own, name=output, set_in=output)
                   if name == old else own for name, own in venue.outputs.items()}
        sources = tuple(replace(s, output=output) if s.output == old else s
                        for s in venue.sources)
        venue = replace(venue, outputs=outputs, sources=sources)
        settings = {output if name == old else name: own for name, own in plan.settings.items()}
        return evaluate(replace(venue, name=names.get("venue", venue.name)), settings)
    return replace(plan, venue=replace(venue, name=names.get("venue", venue.name)))


# Text


@pytest.mark.parametrize("venue", VENUES)
def test_text_holds_every_output_once_with_its_values(venue):
    plan = demo_plan(venue)
    lines = setup_sheet_text(plan).splitlines()
    start, end = lines.index("SETTINGS"), lines.index("ORDER OF THE CHECK")
    settings = lines[start:end]
    for row in plan.table().to_dict("records"):
        heads = [i for i, line in enumerate(settings)
                 if line.startswith(f"{row['output']} ({row['feed']}) ->")]
        assert len(heads) == 1, row["output"]
        block = "\n".join(settings[heads[0] : heads[0] + 9])
        rate = plan.venue.outputs[row["output"]].sample_rate_hz
        assert f"set in    {row['set_in']}" in block
        assert f"delay     {row['delay_ms']:.2f} ms = " in block
        samples = int(re.search(r"= (\d+) samples", block).group(1))
        assert 0 <= samples - row["delay_ms"] * rate / 1000 < 1
        assert f"{row['delay_ms'] / 1000 * plan.air.speed_m_s:.2f} m" in block
        assert f"{row['delay_ms'] / 1000 * plan.air.speed_m_s / 0.3048:.1f} ft" in block
        cut = "none" if np.isnan(row["low_cut_hz"]) else f"{row['low_cut_hz']:.0f} Hz"
        assert re.search(rf"low cut +{cut}", block)
        shelf = f"{row['shelf_db']:+.1f} dB" if row["shelf_db"] else "none"
        assert re.search(rf"shelf +{re.escape(shelf)}", block)
        trim = "off" if np.isneginf(row["trim_db"]) else f"{row['trim_db']:.1f} dB"
        assert re.search(rf"trim +[+]?{re.escape(trim)}", block)
        assert re.search(rf"polarity +{row['polarity']}", block)
    assert sum(line.count("as set") for line in settings) == 5 * len(plan.venue.outputs)
    assert sum("initials" in line for line in settings) == len(plan.venue.outputs)


@pytest.mark.parametrize("venue", VENUES)
def test_text_names_every_box_air_reason_and_unmet_target(venue):
    plan = demo_plan(venue)
    text = " ".join(setup_sheet_text(plan).split())
    for source in plan.venue.sources:
        assert source.name in text
    assert f"Computed for {plan.air.temperature_c:.1f} C, {plan.air.humidity_pct:.0f} %" in text
    told = [*plan.summary, *plan.unmet, *plan.cautions, *plan.assumptions, *check_order(plan),
            *(reason for fill in plan.fills for reason in fill.reasons)]
    for line in told:
        assert " ".join(line.split()) in text
    assert ("Every target is met." in text) == (not plan.unmet)
    assert max(len(line) for line in setup_sheet_text(plan).splitlines()) <= 96


def test_text_holds_readings_and_retime_table(hall):
    text = setup_sheet_text(hall)
    for fill in hall.fills:
        reading = fill.reading
        shown = f"{reading.mains_dba:.1f} ({reading.mains_dbc:.1f})"
        row = re.search(rf"^{fill.output} +[\d.]+, .*{re.escape(shown)}.*$", text, re.MULTILINE)
        assert bool(row) == fill.sounding
        if row:
            assert f"{reading.fill_dba:.1f} ({reading.fill_dbc:.1f})" in row.group()
            assert f"{reading.fill_dba - reading.mains_dba:+.1f}" in row.group()
            assert row.group().endswith(f"{reading.both_dba:.1f}")
    for row in hall.retime().to_dict("records"):
        line = re.search(rf"^{row['temperature_c']:.1f}( \*)? .*$", text, re.MULTILINE).group()
        assert f"{row['Fill inner']:.2f}" in line
        assert f"{row['Fill outer']:.2f}" in line
        assert (" * " in line) == (row["temperature_c"] == hall.air.temperature_c)


def test_text_without_fills_has_no_empty_tables(room):
    text = setup_sheet_text(room)
    assert "METER READINGS" not in text
    assert "Re-time" not in text.replace("re-time table", "")
    assert re.search(r"trim +off", text)


def test_text_tells_where_the_boxes_are(hall):
    text = setup_sheet_text(hall)
    # Pythagoras: 26 m deep and 1 m aside of the nearer main, at its height: 26.02 m.
    row = r"^Fill 1 +26\.00, 7\.50, 4\.60 +34\.00, 7\.00, 1\.20 +26\.02 m, 85\.4 ft$"
    assert re.search(row, text, re.MULTILINE)
    assert re.search(r"^Main left +0\.00, 6\.50, 4\.60 +16\.00, 4\.00, 1\.20$", text, re.MULTILINE)
    assert AXES in " ".join(text.split())
    assert AXES in " ".join(" ".join(Reader(setup_sheet_html(hall)).text).split())


def test_latency_counted_in_is_said(hall):
    assert "Main bus 2.2 ms, Fill inner 3.4 ms," in " ".join(setup_sheet_text(hall).split())


def test_check_without_fills_asks_for_none(hall, room):
    assert "3. Fill alone" in setup_sheet_text(hall)
    assert "Fill alone" not in setup_sheet_text(room)
    assert "2. Mains alone: walk" in setup_sheet_text(room)


@pytest.mark.parametrize(("venue", "word"), [("hall", "useful"), ("meadow", "direct")])
def test_walk_names_the_sound_that_the_profile_is_for(venue, word):
    plan = demo_plan({"hall": "tidewell_hall", "meadow": "cinder_meadow"}[venue])
    assert f"{word} with fills, dBA" in setup_sheet_text(plan)


def test_readings_that_moved_the_model_are_said(tmp_path):
    path = tmp_path / "moved.toml"
    path.write_text((DATA / "lantern_room.toml").read_text() + (
        '\n[[measured]]\noutput = "Mains"\nat_m = [5.0, 0.0, 1.2]\nstate = "check"\n'
        "level_dba = 80.0\n"
    ))
    text = setup_sheet_text(plan_fills(read_venue(path)))
    assert "Mains: levels are shifted to the reading at x 5.0 y 0.0 z 1.2 m (check)." in text


@pytest.mark.parametrize(("trim", "shown"), [
    (-np.inf, "off"), (0.0, "0.0 dB"), (-0.0, "0.0 dB"), (1.5, "+1.5 dB"), (-8.5, "-8.5 dB"),
])
def test_trim_as_text(trim, shown):
    assert trim_text(trim) == shown


@pytest.mark.parametrize(("samples", "whole"), [(7286.4, 7287), (639.0, 639), (639.0000000001, 639),
                                                (0.0, 0)])
def test_samples_are_raised_to_whole_ones(samples, whole):
    assert whole_samples(samples) == whole


# CSV


@pytest.mark.parametrize("venue", VENUES)
def test_csv_is_the_table_of_the_plan(venue):
    plan = demo_plan(venue)
    sheet = pd.read_csv(io.StringIO(setup_sheet_csv(plan)))
    table = plan.table()
    assert list(sheet["output"]) == list(table["output"])
    np.testing.assert_allclose(sheet["delay_ms"], table["delay_ms"], atol=1e-4)
    np.testing.assert_allclose(sheet["delay_m"], table["delay_m"], atol=1e-3)
    np.testing.assert_allclose(sheet["delay_ft"], table["delay_ft"], atol=1e-2)
    np.testing.assert_array_equal(sheet["low_cut_hz"], table["low_cut_hz"])
    trims = [float("-inf") if trim == "off" else float(trim) for trim in sheet["trim_db"]]
    np.testing.assert_array_equal(trims, table["trim_db"])
    for fill in plan.fills:
        row = sheet[sheet["output"] == fill.output].iloc[0]
        assert np.isnan(row["mains_dba"]) != fill.sounding
        if fill.sounding:
            assert row["fill_dba"] == pytest.approx(fill.reading.fill_dba, abs=0.051)
            for other in plan.retime().to_dict("records"):
                assert row[f"delay_ms_at_{other['temperature_c']:g}_c"] == other[fill.output]
    assert sheet["as_set_delay_ms"].isna().all()
    assert sheet["initials"].isna().all()


def is_number(cell):
    try:
        float(cell)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize("name", HOSTILE)
def test_csv_cells_cannot_start_a_formula(room, name):
    plan = renamed(room, output=name, box=name)
    rows = list(csv.reader(io.StringIO(setup_sheet_csv(plan))))
    assert len({len(row) for row in rows}) == 1
    cells = [cell for row in rows for cell in row if not is_number(cell)]
    for cell in cells:
        assert not re.match(r"[\s]*[=+\-@\uff1d\uff0b\uff0d\uff20\t\r]", cell), cell
        # Spreadsheets that split at a semicolon must not find one behind it either.
        assert not re.search(r"[;,|]\s*[=+\-@]", cell), cell
    assert any(name.lstrip("'") in cell.replace("'", "") or name.replace("'", "") in
               cell.replace("'", "") for cell in cells)


@pytest.mark.parametrize(("text", "safe"), [
    ("Fill 1", "Fill 1"), ("A+B", "A+B"), ("=A1", "'=A1"), ("  =A1", "'  =A1"), ("\t=A1",
    "[U+0009]=A1"), ("a;-b", "a;'-b"), ('a"=b', 'a"\'=b'), ("left, -2 dB", "left,' -2 dB"),
])
def test_csv_text(text, safe):
    assert csv_text(text) == safe


# HTML

VOID = {"meta", "img", "br", "col"}


class Reader(HTMLParser):
    """Collects tags, checks that they nest, and the text outside of styles."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.open, self.tags, self.text = [], [], []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        """Note a tag."""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        """Check that it closes the one opened last."""
        assert self.open.pop() == tag

    def handle_data(self, data):
        """Keep what is shown."""
        if "style" not in self.open:
            self.text.append(data)


@pytest.mark.parametrize("venue", ["tidewell_hall", "lantern_room"])
def test_html_nests_and_needs_nothing_else(venue, page):
    html = page if venue == "tidewell_hall" else setup_sheet_html(demo_plan(venue))
    read = Reader(html)
    assert html.startswith("<!DOCTYPE html>")
    assert len(html) < 1_500_000
    names = {tag for tag, _ in read.tags}
    assert not names & {"script", "link", "iframe", "object", "form", "base"}
    for tag, attributes in read.tags:
        assert not any(key.startswith("on") for key in attributes)
        for key in ("src", "href"):
            assert attributes.get(key, "data:image/svg+xml;base64,").startswith(
                "data:image/svg+xml;base64,"
            ), tag
    assert "http" not in html.partition("</style>")[0]
    assert "@page { size: A4" in html
    assert ("html", {"lang": "en"}) in read.tags


def test_html_pictures_have_words(hall, page):
    pictures = [attributes for tag, attributes in Reader(page).tags if tag == "img"]
    assert len(pictures) == 6 + 3 * sum(fill.sounding for fill in hall.fills)
    assert all(len(picture["alt"]) > 30 for picture in pictures)
    assert len({picture["alt"] for picture in pictures}) == len(pictures)


def test_html_holds_every_output_once_with_its_values_and_blanks(hall, page):
    body = page.partition("<h2>Settings</h2>")[2].partition("</table>")[0]
    rows = body.partition("<tbody>")[2].split("</tr>")[:-1]
    assert len(rows) == len(hall.venue.outputs)
    for html, row in zip(rows, settings_table(hall).rows, strict=True):
        text = "".join(Reader(f"<table>{html}</tr></table>").text)
        for cell in row:
            assert cell in text
        assert html.count('class="blank"') == 4
        assert "delay as set, to write in" in html


@pytest.mark.parametrize("venue", ["tidewell_hall", "lantern_room"])
def test_html_says_all_the_text_sheet_says(venue, page):
    plan = demo_plan(venue)
    html = page if venue == "tidewell_hall" else setup_sheet_html(plan)
    text = " ".join(" ".join(Reader(html).text).split())
    told = [*plan.summary, *plan.unmet, *plan.cautions, *plan.assumptions, *check_order(plan),
            *(reason for fill in plan.fills for reason in fill.reasons)]
    for line in told:
        assert " ".join(line.split()) in text
    for fill in plan.fills:
        if fill.sounding:
            assert f"{fill.reading.fill_dba:.1f} ({fill.reading.fill_dbc:.1f})" in text


def test_html_order_of_pages(page):
    one, two, three = page.split("<section>")[1:]
    assert "<h2>Settings</h2>" in one
    assert "<h2>Order of the check</h2>" in one
    assert "<h2>Cautions</h2>" in one
    assert "Meter readings to expect" in one
    assert "<img" not in one
    assert two.count("<img") == 6
    assert "Re-time" in two
    assert "<h2>Assumptions</h2>" in two
    assert "<h2>Why these settings</h2>" in three


@pytest.mark.parametrize("name", [*HOSTILE, "</title><img src=x onerror=alert(1)>"])
def test_html_escapes_names(room, name):
    plan = renamed(room, venue=name, output=name, box=name)
    html = setup_sheet_html(plan)
    read = Reader(html)
    assert not any("onerror" in attributes for _, attributes in read.tags)
    assert {tag for tag, _ in read.tags if tag in ("script", "img")} <= {"img"}
    assert all(attributes["src"].startswith("data:") for tag, attributes in read.tags
               if tag == "img")
    assert name in " ".join(read.text)


MARKS = "Hall\x1b[31m\u202egnp\u2066\u0000\n\r\u2028\u200b\ud800"


def test_control_and_direction_marks_are_spelled_out(room):
    plan = renamed(room, venue=MARKS, box=MARKS)
    for made in (setup_sheet_text(plan), setup_sheet_csv(plan), setup_sheet_html(plan)):
        assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\u202a-\u202e\u2066-\u2069\u2028]", made)
        assert "[U+202E]" in made
        made.encode()


def test_plain_leaves_other_scripts_alone():
    names = "Bühne 1, صالة, हॉल, 宴会場, Zürich \u200d"
    assert plain(names) == names


def test_the_same_plan_gives_the_same_page(room):
    assert setup_sheet_html(room) == setup_sheet_html(room)


# Files


@pytest.mark.parametrize(("name", "safe"), [
    ("Tidewell Hall", "tidewell-hall"), ("../../etc/passwd", "etc-passwd"), ("C:\\con", "c-con"),
    ("a/b\\c\x00d", "a-b-c-d"), ("\u202egpj.exe", "gpj-exe"), ("宴会場", "venue"), ("", "venue"),
    ("x" * 300, "x" * 48), (".hidden", "hidden"), ("Zürich", "zurich"), ("- -", "venue"),
])
def test_file_names_are_safe(name, safe):
    assert slug(name) == safe
    assert len(slug(name)) <= 48


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
    assert mine.read_text(encoding="utf-8-sig").startswith("output,")
    assert sorted(tmp_path.iterdir()) == sorted(paths)


@pytest.mark.parametrize("name", ["missing", "file"])
def test_a_folder_that_is_none_is_named(room, tmp_path, name):
    (tmp_path / "file").touch()
    with pytest.raises(SheetError, match=f"{name}: is no folder"):
        write_sheet(room, tmp_path / name)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_a_venue_without_fills_has_a_whole_sheet(tmp_path):
    hall = small_hall()
    alone = replace(hall, sources=hall.of_role("main"), outputs={"Mains": hall.outputs["Mains"]})
    plan = plan_fills(alone)
    assert plan.fills == ()
    assert "No fill sounds in this plan." in plan.summary
    assert any("a fill for it" in line.lower() for line in plan.unmet)
    assert evaluate(alone, plan.settings) == plan
    text, table, page = (path.read_text(encoding="utf-8-sig")
                         for path in write_sheet(plan, tmp_path))
    assert "No fill sounds" in text
    assert len(table.splitlines()) == 2
    assert "No fill sounds" in page
    assert plan.seats().empty
    assert list(plan.retime().columns) == ["temperature_c", "humidity_pct", "speed_m_s"]
