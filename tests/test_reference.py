"""The reference: every module under one topic, every key of the file, no link to nowhere."""

import re

import pdoc
import pytest

from fillalign.venue.keys import TABLES
from tests import public, reference


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("api")
    sizes = reference.build(folder)
    assert 20 < len(sizes)
    assert pdoc.render.env.globals["footer_text"].startswith("fillalign ")
    assert max(sizes.values()) < reference.LARGEST_BYTES
    return folder


def test_every_module_and_room_stands_under_one_topic():
    placed = [place for places in reference.TOPICS.values() for place in places]
    wanted = [place.removeprefix("fillalign.") for place in public.WHOLE
              if place != "fillalign.commands"]
    assert sorted(placed) == sorted({*wanted, "fillalign", "plots", "classroom",
                                     *reference.PAGES})


def test_every_key_is_there_with_its_range_and_default():
    page = reference.venue_file_page()
    for keys in TABLES.values():
        for name, key in keys.items():
            assert f"<code>{name}</code>" in page or name == "name"
            assert not key.unit or f"<td>{key.unit}</td>" in page
    row = next(line for line in page.splitlines() if "<code>image_margin_ms</code>" in line)
    assert "<td>between 0 and 30 ms</td><td>5</td>" in row
    row = next(line for line in page.splitlines() if "<code>temperature_c</code>" in line)
    assert "must be given" in row
    assert "where the sound travels" in row


def test_a_new_range_in_the_rules_is_a_new_range_on_the_page(monkeypatch):
    goals = {**TABLES["goals"], "hearing_dba": reference.Key("dBA", 61, 119, default=100.0)}
    monkeypatch.setattr(reference, "TABLES", {**TABLES, "goals": goals})
    assert "between 61 and 119 dBA" in reference.venue_file_page()


def test_checks_name_their_sources():
    page = reference.checked_page()
    for source in ("ISO 9613-2", "IEC 61672-1", "CoolProp", "common practice", "from memory"):
        assert source in page


@pytest.mark.long
def test_no_link_leads_nowhere_and_none_leaves(folder):
    pages = {path: path.read_text(encoding="utf-8") for path in folder.rglob("*.html")}
    for path, text in pages.items():
        for target in re.findall(r"href=[\"']([^\"']+)[\"']", text):
            if target.startswith(("http", "data:")):
                assert target == "https://pdoc.dev"
                continue
            place, _, anchor = target.partition("#")
            there = (path.parent / place).resolve() if place else path
            assert there in pages, (path.name, target)
            if anchor and path.name == "index.html":
                assert f'id="{anchor}"' in pages[there], (path.name, target)
