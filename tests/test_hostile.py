"""Names that mean harm or mischief stay names: on the sheet, in pictures, files, words and errors.

Names with control or direction marks, or of more than 80 characters, never come
out of a venue file; made by hand they may, so both ways are tried.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import unicodedata
import xml.etree.ElementTree as ET
from dataclasses import asdict, replace
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings, strategies as st
from matplotlib.cbook import is_math_text

from fillalign import (
    OutputSettings,
    Recording,
    RecordingError,
    evaluate,
    measure_gap,
    plan_fills,
    read_venue,
    read_wav,
    render_seat,
    seat_field,
    seat_speech,
    setup_sheet_text,
    write_sheet,
    write_wav,
)
from fillalign.__main__ import main
from fillalign._text import csv_text, html_text, listed, plain, quoted, short, slug
from fillalign.plots import gap_map, overview, overview_text, svg_bytes, trim_curve_plot
from fillalign.plots.base import label
from fillalign.sheet import setup_sheet_csv, setup_sheet_html, text_and_csv as sheet
from fillalign.venue.reader import VenueError
from tests.demo_plans import DATA
from tests.small_venue import small_hall, small_plan

# A venue file may hold these.
ALLOWED = (
    "<script>alert(1)</script>", "</title></td><img src=x onerror=alert(1)>", "\"><svg/onload=x>",
    "' onmouseover='x", "&lt;b&gt;&#x1F4A9;", "javascript:alert(1)", "-->]]><!--", "{{7*7}}${7*7}",
    "=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(A1:A9)", "; =1+1", "\uff1d1+1",
    "../../etc/passwd", "C:\\con\\..\\x", "CON", "nul.txt", "a/b:c*?\"<>|", "~root", "%00%2e%2e",
    "$\\frac{1}{0}$", "$unclosed", "_hidden", "\\n\\u202e", "%s %d {0}", "`rm -rf`", "-rf",
    "\U0001f600\U0001f468\u200d\U0001f469", "e" + "\u0301" * 70, "\u0635\u0627\u0644\u0629",
    "\u200b", "\ufeffBOM", "\u200fmark", "x" * 80,
)
# It may not hold these.
REFUSED = (
    "Hall\x1b[2J\x1b[31m", "bell\x07", "nul\x00", "two\nlines", "cr\rover", "tab\tstop", "\x9b31m",
    "\u202egnp.exe", "\u2066iso\u2069", "line\u2028break", "x" * 10_000, "",
)
EVERY = [*ALLOWED, *REFUSED, "lone\ud800"]
HARM = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069"
                  "\ud800-\udfff]")


def needy():
    """Return a hall whose fills sound, so that all of a sheet is there."""
    return small_hall(allowed_fall_db=2.0)


def named(names):
    """Return the small hall with one of the names, in turn, in every place that has one."""
    hall, turn = needy(), iter(names * 20)
    boxes, outputs, areas = (
        {name: f"{next(turn)[:79]}{i}" for i, name in enumerate(usual)}
        for usual in (hall.loudspeakers, hall.outputs, [area.name for area in hall.areas])
    )
    return replace(
        hall,
        name=next(turn),
        loudspeakers={boxes[name]: replace(box, name=boxes[name])
                      for name, box in hall.loudspeakers.items()},
        outputs={outputs[name]: replace(own, name=outputs[name], set_in=next(turn))
                 for name, own in hall.outputs.items()},
        areas=tuple(replace(area, name=areas[area.name]) for area in hall.areas),
        sources=tuple(replace(
            one, name=f"{next(turn)[:79]}{i}", output=outputs[one.output],
            loudspeaker=boxes[one.loudspeaker], covers=tuple(map(areas.get, one.covers)),
        ) for i, one in enumerate(hall.sources)),
    )


def grouped(names, size, *short):
    """Return names in groups; all but the groups of some numbers are for long runs."""
    # A kind of mischief stands beside others of its kind: each group gets some of every kind.
    count = -(-len(names) // size)
    groups = [names[start::count] for start in range(count)]
    return [pytest.param(group, id=ascii(group[0])[:24],
                         marks=() if number in short else pytest.mark.long)
            for number, group in enumerate(groups)]


def test_every_place_gets_a_name(tame):
    assert any(fill.sounding for fill in tame.fills)
    text = repr(asdict(named([f"<{number}>" for number in range(13)])))
    assert all(f"<{number}>" in text for number in range(13))
    for usual in ("Small Hall", "Mains", "Fills", "console", "processor",
                  "'front'", "'back'", "Main "):
        assert usual not in text


@pytest.mark.parametrize("name", [*REFUSED, "lone\ud800"], ids=lambda name: ascii(name)[:24])
def test_records_refuse_the_names_that_a_file_may_not_hold(name):
    hall = small_hall()
    for call in (lambda: replace(hall, name=name), lambda: replace(hall.areas[0], name=name),
                 lambda: replace(hall.sources[0], name=name),
                 lambda: replace(hall.outputs["Mains"], set_in=name)):
        with pytest.raises(ValueError, match="of 1 to 80 characters without control") as caught:
            call()
        assert not HARM.search(str(caught.value))
        assert len(str(caught.value)) < 300


@pytest.fixture(scope="module", params=grouped(ALLOWED, 12, 0))
def plan(request):
    return plan_fills(named(request.param))


@pytest.fixture(scope="module")
def html(plan):
    return setup_sheet_html(plan)


@pytest.fixture(scope="module")
def tame():
    return small_plan(allowed_fall_db=2.0)


@pytest.fixture(scope="module")
def tame_html(tame):
    return setup_sheet_html(tame)


class Tags(HTMLParser):
    """Every tag with the names of its attributes, in order, and what links and words they hold."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.tags, self.sources, self.text = [], [], ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        """Note a tag."""
        self.tags.append((tag, *(name for name, _ in attrs)))
        self.sources += [value for name, value in attrs if name in ("src", "href", "action")]

    def handle_data(self, data):
        """Keep what is shown."""
        self.text += data


def pictures(html):
    return [base64.b64decode(source.partition(",")[2]) for source in Tags(html).sources]


def elements(svg):
    """Return the kinds of elements and attributes of a picture, by namespace."""
    root = ET.fromstring(svg)
    kinds = {one.tag for one in root.iter()} | {name for one in root.iter() for name in one.attrib}
    links = {value for one in root.iter() for name, value in one.attrib.items()
             if name.rpartition("}")[2] in ("href", "src")}
    return kinds, links


def test_a_page_has_the_tags_it_has_with_tame_names(html, tame_html):
    hostile, usual = Tags(html), Tags(tame_html)
    assert hostile.tags == usual.tags
    assert all(source.startswith("data:image/svg+xml;base64,") for source in hostile.sources)
    assert not HARM.search(html)
    html.encode()
    for svg, ordinary in zip(pictures(html), pictures(tame_html), strict=True):
        assert elements(svg)[0] == elements(ordinary)[0]
        assert all(link.startswith("#") for link in elements(svg)[1])
    assert len(html) < 3_000_000


def test_names_are_still_read_on_the_page(plan, html):
    shown = " ".join(Tags(html).text.split())
    for name in (plan.venue.name, *(source.name for source in plan.venue.sources)):
        if not HARM.search(name):
            assert " ".join(name.split()) in shown or not name.isprintable()


def test_a_table_has_the_cells_it_has_with_tame_names(plan, tame):
    text = setup_sheet_csv(plan)
    rows = list(csv.reader(io.StringIO(text)))
    usual = list(csv.reader(io.StringIO(setup_sheet_csv(tame))))
    assert [len(row) for row in rows] == [len(row) for row in usual]
    assert rows[0] == usual[0]
    assert not HARM.search(text.replace("\r\n", "\n"))
    for row, ordinary in zip(rows, usual, strict=True):
        for cell, tame_cell in zip(row, ordinary, strict=True):
            if cell != tame_cell:
                assert not re.match(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]", cell), cell
                assert not re.search(r"[;,|\"]\s*[=+\-@]", cell), cell


def test_words_for_a_terminal_hold_no_mark_that_acts(plan, tame):
    text = setup_sheet_text(plan)
    assert not HARM.search(text)
    assert {unicodedata.category(mark) for mark in text} & {"Cc", "Zl", "Zp", "Cs"} <= {"Cc"}
    heads = [line for line in setup_sheet_text(tame).splitlines() if line.startswith("-----")]
    assert sum(line.startswith("-----") for line in text.splitlines()) >= len(heads)
    assert not HARM.search(overview_text(plan))


def test_pictures_are_drawn_and_their_files_read(plan, tame):
    svg = svg_bytes(overview(plan), overview_text(plan))
    assert elements(svg)[0] == elements(svg_bytes(overview(tame), "Tame."))[0]
    assert not HARM.search(svg.decode())


@pytest.mark.parametrize("name", EVERY, ids=lambda name: ascii(name)[:24])
def test_a_name_is_no_formula_in_a_picture(name):
    assert not is_math_text(label(name))
    assert len(label(name).replace("\\$", "$")) <= 29


@pytest.mark.parametrize("name", EVERY, ids=lambda name: ascii(name)[:24])
def test_files_have_tame_names(tmp_path, monkeypatch, name):
    """Of letters, digits and hyphens, short, and none that Windows reserves (CON, NUL, COM1)."""
    for words in ("text", "csv", "html"):
        monkeypatch.setattr(sheet, f"setup_sheet_{words}", lambda _, **__: "words")
    plan = SimpleNamespace(venue=SimpleNamespace(name=name))
    for path in write_sheet(plan, tmp_path):
        assert path.parent == tmp_path
        assert re.fullmatch(r"[a-z0-9][a-z0-9-]*-sheet\.(txt|csv|html)", path.name)
        assert len(path.name) <= 60
        assert path.is_file()
    assert len(list(tmp_path.iterdir())) == 3


def errors_about(plan):
    """Yield calls that must fail, each with a message that repeats a name."""
    venue, bad = plan.venue, OutputSettings(trim_db=90.0)
    strange = f"{venue.name}?"
    take = Recording([[0.0]], 48000)
    yield lambda: seat_field(venue, state=strange)
    yield lambda: seat_field(venue, sounding=[strange])
    yield lambda: seat_field(venue, {strange: bad})
    yield lambda: seat_field(venue, {next(iter(venue.outputs)): strange})
    yield lambda: seat_speech(venue, sounding=[strange])
    yield lambda: render_seat(venue, [0.0, 1.0], (9.0, 0.0, 1.2), outputs=[strange])
    yield lambda: evaluate(venue, {next(iter(venue.outputs)): bad})
    yield lambda: evaluate(venue, {strange: bad})
    yield lambda: venue.area(strange)
    yield lambda: gap_map(plan, strange)
    yield lambda: trim_curve_plot(plan, strange)
    yield lambda: plan.retime(weather=[strange])
    yield lambda: measure_gap(take, [0.0, 1.0], 48000, mode=strange)
    yield lambda: replace(venue, programme=strange)
    yield lambda: replace(venue, sources=(replace(venue.sources[0], output=strange),
                                          *venue.sources[1:]))
    yield lambda: replace(venue, sources=(replace(venue.sources[-1], covers=()),
                                          *venue.sources[:-1]))
    short = {name: replace(own, delay_max_ms=1.0) for name, own in venue.outputs.items()}
    yield lambda: plan_fills(replace(venue, outputs=short))
    yield lambda: read_venue(Path(strange[:60].replace("\0", "")))
    yield lambda: read_wav(f"{strange[:60]}.wav".replace("\0", ""))
    yield lambda: write_wav(f"{strange[:60]}.mp3", [0.0, 0.1], 48000)


def test_errors_are_short_and_hold_no_mark_that_acts(plan):
    for number, call in enumerate(errors_about(plan)):
        with pytest.raises((ValueError, TypeError, KeyError)) as caught:
            call()
        said = str(caught.value)
        assert not HARM.search(said), (number, said)
        assert "\n" not in said, (number, said)
        assert len(said) < 500, (number, len(said))


# Out of a file


def venue_file(folder, **names):
    """Write the smallest demo venue with other names, and return its path."""
    text = (DATA / "lantern_room.toml").read_text(encoding="utf-8")
    for old, new in names.items():
        literal = json.dumps(new, ensure_ascii=False).replace("\x7f", "\\u007f")
        key = old.replace("_", " ")
        text = text.replace(f'"{key}"', literal).replace(f"[output.{key}]", f"[output.{literal}]")
    path = folder / "venue.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("names", grouped(ALLOWED, 4, 0))
def test_a_file_with_strange_names_gives_a_whole_sheet(tmp_path, capsys, names):
    one, two, three, four = (*names, *ALLOWED)[:4]
    path = venue_file(tmp_path, Lantern_Room=one, Fill=two, back=three, Wanted_fill=four)
    venue = read_venue(path)
    assert (venue.name, venue.sources[2].name) == (one, four)
    assert two in venue.outputs
    assert venue.sources[2].covers == (three,)
    out = tmp_path / "out"
    out.mkdir()
    assert main([str(path), "--out", str(out), "--picture", str(out / "room.svg")]) == 0
    assert main([str(path)]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert not HARM.search(said.out)
    assert len(list(out.iterdir())) == 4
    assert ET.fromstring((out / "room.svg").read_bytes()).tag.endswith("svg")


@pytest.mark.parametrize("name", REFUSED, ids=lambda name: ascii(name)[:24])
@pytest.mark.parametrize("place", ["Lantern_Room", "Fill", "back", "Wanted_fill", "Main_left"])
def test_a_file_with_marks_that_act_is_refused_in_words(tmp_path, capsys, name, place):
    path = venue_file(tmp_path, **{place: name})
    with pytest.raises(VenueError, match="of 1 to 80 characters without control characters"):
        read_venue(path)
    assert main([str(path)]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert not HARM.search(said.err)
    assert len(said.err.splitlines()) <= 3
    assert max(map(len, said.err.splitlines())) < 400


@pytest.mark.parametrize("argument", ["--evil\x1b[2J", "--picture=\u202e\x1b.png",
                                      "--temperature-c=\x1b[31m", "--main-m=1\x07"])
def test_a_command_line_is_not_echoed_raw(capsys, argument):
    with pytest.raises(SystemExit) as stop:
        main([str(DATA / "lantern_room.toml"), argument])
    assert stop.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert not HARM.search(said.err)


def test_paths_in_errors_hold_no_mark_that_acts(tmp_path):
    odd = tmp_path / "a\x1b[2J\u202e"
    for call, error in ((lambda: read_venue(odd), VenueError),
                        (lambda: read_wav(odd.with_suffix(".wav")), RecordingError),
                        (lambda: write_wav(odd / "x.wav", [0.0, 0.1], 48000), RecordingError)):
        with pytest.raises(error, match=re.escape("a[U+001B][2J[U+202E]")):
            call()


# Any text at all

ANY = st.text(st.characters(), max_size=80)


@settings(deadline=None, max_examples=400)
@given(ANY)
def test_any_text_is_harmless_in_every_form(text):
    assert not HARM.search(plain(text).replace("\n", "!"))
    assert plain(plain(text)) == plain(text)
    assert not set(html_text(text)) & set("<>\"'")
    assert not re.search(r"&(?!(amp|lt|gt|quot|#x27);)", html_text(text))
    assert Tags(f'<p title="{html_text(text)}">{html_text(text)}</p>').tags == [("p", "title")]
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug(text))
    assert not is_math_text(label(text))
    for shown in (short(text), quoted(text), listed([text])):
        assert len(shown) <= 60
        assert not HARM.search(shown)
        assert "\n" not in shown


@settings(deadline=None, max_examples=400)
@given(st.lists(ANY, min_size=1, max_size=4))
def test_any_cells_come_back_without_a_formula(texts):
    """Written as CSV and read again: each cell whole, and none that a spreadsheet works out."""
    written = io.StringIO()
    csv.writer(written).writerow([csv_text(text) for text in texts])
    row, = csv.reader(io.StringIO(written.getvalue()))
    for cell, text in zip(row, texts, strict=True):
        assert cell == csv_text(text)
        assert not re.match(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]", cell)
        marks = [one for one in plain(text) if one != "'"]
        assert [one for one in cell if one != "'"] == marks

