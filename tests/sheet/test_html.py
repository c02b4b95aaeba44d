"""The sheet as a page to print: well formed, whole in itself, its parts where they belong.

What its cells say is in `test_cells.py`, what hostile names do in `tests/test_hostile.py`.
"""

from __future__ import annotations

import re
from base64 import b64encode
from dataclasses import replace
from hashlib import sha256

import pytest

from fillalign import evaluate
from fillalign.sheet import setup_sheet_html
from tests.demo_plans import demo_plan
from tests.sheet.lopsided import SETTINGS, Page, lopsided_plan, lopsided_venue, page_of


class Tags(Page):
    """Collects every tag with its attributes as well; tags must nest."""

    def __init__(self, html):
        self.tags = []
        super().__init__(html)

    def handle_starttag(self, tag, attrs):
        """Note a tag."""
        self.tags.append((tag, dict(attrs)))
        super().handle_starttag(tag, attrs)


@pytest.fixture(scope="module")
def html():
    return page_of(None)


@pytest.fixture(scope="module")
def bare():
    return page_of("lantern_room")


@pytest.mark.parametrize("name", ["html", "bare"])
def test_it_nests_and_needs_nothing_else(name, request):
    page = request.getfixturevalue(name)
    read = Tags(page)
    assert page.startswith("<!DOCTYPE html>")
    assert len(page) < 1_500_000
    names = {tag for tag, _ in read.tags}
    assert not names & {"link", "iframe", "object", "form", "base"}
    assert [attributes.get("type") for tag, attributes in read.tags if tag == "script"] == [
        "application/json", None]
    policy, = (attributes["content"] for tag, attributes in read.tags
               if attributes.get("http-equiv") == "Content-Security-Policy")
    script = re.search(r"<script>(.*)</script>\n</body>", page, re.DOTALL).group(1)
    digest = b64encode(sha256(script.encode()).digest()).decode()
    assert policy == ("default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
                      f"script-src 'sha256-{digest}'")
    for tag, attributes in read.tags:
        assert not any(key.startswith("on") for key in attributes)
        for key in ("src", "href"):
            assert attributes.get(key, "data:image/svg+xml;base64,").startswith(
                "data:image/svg+xml;base64,"
            ), tag
    assert "http:" not in page
    assert "https:" not in page
    assert "@page { size: A4" in page
    assert ("html", {"lang": "en"}) in read.tags


def test_no_place_of_the_template_is_left_open(html, bare):
    for whole in (html, bare):
        outside = re.sub(r'src="[^"]*"', "", whole).partition('<script type="application/json"')[0]
        assert "$" not in outside
        assert "{" not in outside.partition("</style>")[2]
        assert "<title>Set-up sheet: L" in whole


def test_pictures_have_words(html):
    pictures = [attributes for tag, attributes in Tags(html).tags if tag == "img"]
    sounding = sum(fill.sounding for fill in lopsided_plan().fills)
    assert len(pictures) == 6 + 3 * sounding
    assert all(len(picture["alt"]) > 30 for picture in pictures)
    assert len({picture["alt"] for picture in pictures}) == len(pictures)


def words(html, start):
    found, = (attributes["alt"] for tag, attributes in Tags(html).tags
              if tag == "img" and attributes["alt"].startswith(start))
    return found


@pytest.mark.parametrize("name", [None, "Near", "Far"])
def test_words_of_the_maps_of_gaps(html, name):
    seats = lopsided_plan().seats()
    seats = seats[seats["covered"] & ((seats["fill"] == name) | (name is None))]
    said = words(html, f"Map of the gap of {name or 'every fill'} to the mains: ")
    low, high = map(float, re.search(r": (\S+) to (\S+) ms at the seats covered", said).groups())
    assert low == pytest.approx(seats["gap_ms"].min(), abs=0.051)
    assert high == pytest.approx(seats["gap_ms"].max(), abs=0.051)


def test_words_of_the_plan_view_say_where_the_boxes_are(html):
    said = words(html, "Plan view. ")
    for source in lopsided_plan().venue.sources:
        x, y, z = source.position_m
        assert f"{source.name} ({source.output}) at x {x:.1f}, y {y:.1f}, z {z:.1f} m" in said


def test_words_of_the_walk_say_how_far_it_spreads(html):
    walk = lopsided_plan().walk
    before, after = (level.max() - level.min() for level in (walk.before_dba, walk.after_dba))
    assert words(html, "Total level").endswith(
        f"{before:.1f} dB from front to back with the mains alone, {after:.1f} dB with the fills.")


@pytest.mark.parametrize("name", ["Near", "Far"])
def test_limits_of_a_trim_are_named_with_their_letters(html, name):
    plan = lopsided_plan()
    limits = {str(bound): trim for bound, trim in plan.fill(name).trim.bounds.items()}
    part = Page(html).part("why", name)
    said, = (line for line in part["p"] if line.startswith("Limits of the trim: "))
    found = re.findall(r"\b([a-h]): (.+?) \(([-+.\d]+) dB\)(?:, |\.$)", said)
    assert [letter for letter, _, _ in found] == list("abcd")
    assert {bound: float(trim) for _, bound, trim in found} == limits
    assert words(html, f"Share of rows served and of seats that keep the image against the trim "
                       f"of {name}; set is ").endswith(said)


def test_rows_have_blanks_to_write_in(html):
    read = Tags(html)
    labels = [attributes.get("aria-label") for tag, attributes in read.tags
              if tag == "td" and attributes.get("class") == "blank"]
    for name, rows in {"delay as set": 5, "trim as set": 5, "filters as set": 5,
                       "initials, time": 5, "mains read": 6, "fill read": 6,
                       "both read": 6}.items():
        assert labels.count(f"{name}, to write in") == rows
    assert len(labels) == 4 * 5 + 3 * 6
    for key, blanks in {"settings": (2, 4, 6, 7), "readings": (8, 9, 10),
                        "more": (6, 7, 8)}.items():
        for row in read.part(key)["rows"]:
            assert [at for at, cell in enumerate(row) if not cell] == list(blanks)


def test_order_of_the_pages(html):
    one, rest = html.split("<section>")[1:]
    for title in ("Settings", "Order of the check", "Cautions", "Re-time table",
                  "Meter readings to expect"):
        assert f"<h2>{title}</h2>" in one
    assert "<img" not in one
    assert "targets are not met: see Not met." in one
    for title in ("Not met", "In short (the areas with the mains alone)", "Pictures",
                  "More seats for the meter", "Why these settings", "Where the boxes are",
                  "Assumptions", "Defaults used"):
        assert f"<h2>{title}</h2>" in rest


@pytest.mark.usefixtures("no_pictures")
def test_one_page_alone(html):
    short = setup_sheet_html(lopsided_plan(), short=True)
    assert short.split("<section>")[1].partition("</section>")[0] == (
        html.split("<section>")[1].partition("</section>")[0])
    assert short.count("<section>") == 1
    assert Page(short).settings("Near") == Page(html).settings("Near")


@pytest.mark.usefixtures("no_pictures")
def test_page_one_has_eight_airs_and_the_rest_the_others():
    """The first, the last and the one computed for are among the eight."""
    airs = tuple(float(t) for t in range(2, 31, 2))
    page = Page(setup_sheet_html(evaluate(replace(lopsided_venue(), weather_c=airs), SETTINGS)))
    first, whole = ([row[0] for row in page.part(key)["rows"]] for key in ("retime", "whole"))
    assert len(whole) == 16
    assert len(first) == 8
    assert {"2.0", "23.7 *", "30.0"} < {*first} < {*whole}


def test_the_same_plan_gives_the_same_page(bare):
    made = setup_sheet_html(demo_plan("lantern_room"))
    drawn, blank = (re.sub(r'src="[^"]*"', "", page) for page in (made, bare))
    assert len(made) > 2 * len(bare)
    assert drawn == blank
