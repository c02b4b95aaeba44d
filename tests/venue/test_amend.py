"""A venue file amended: one value changed, all other letters kept, or refused."""

from __future__ import annotations

import difflib
import tomllib

import pytest

from fillalign.venue import read_venue_text, with_entries, with_latency
from tests.demo_plans import DATA, VENUES


def changed(before, after):
    """Return the lines that went and those that came."""
    lines = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    return [[line[2:] for line in lines if line.startswith(sign)] for sign in "-+"]


@pytest.mark.parametrize("name", VENUES)
def test_one_line_of_a_venue_changes(name):
    text = (DATA / f"{name}.toml").read_text(encoding="utf-8")
    for output in read_venue_text(text).outputs:
        made = with_latency(text, output, 7.654, note="by a take")
        went, came = changed(text, made)
        assert came == ["latency_ms = 7.65  # by a take"]
        assert len(went) <= 1
        for other, record in read_venue_text(made).outputs.items():
            wanted = 7.65 if other == output else read_venue_text(text).outputs[other].latency_ms
            assert record.latency_ms == wanted


@pytest.mark.parametrize(("text", "line"), [
    ("[output.A]\n[output.B]\nlatency_ms = 1", "[output.A]\nlatency_ms = 2.0\n"),
    ("[ output . 'A' ] # x\r\nfeed = 'mono'\r\n", "# x\r\nlatency_ms = 2.0\r\nfeed"),
    ('[output."A"]\n"latency_ms"=1\n[output.A.locked]\ndelay_ms = 3\n', "]\nlatency_ms = 2.0\n[o"),
    ("[output.B]\nlatency_ms = 1\n[output.A]\nlatency_ms = 1", "[output.A]\nlatency_ms = 2.0"),
    ("[output.B]\nlatency_ms = 2\n[output.A]\nlatency_ms = 2", "[output.A]\nlatency_ms = 2.0"),
    ("note = '''\n[output.A]\n'''\n[output.A]\n#\n", "'''\n[output.A]\nlatency_ms = 2.0\n#"),
])
def test_forms_of_tables_that_people_write(text, line):
    made = with_latency(text, "A", 2.0)
    assert line in made
    assert tomllib.loads(made)["output"]["A"]["latency_ms"] == 2.0
    assert made.endswith("\n") == text.endswith("\n")


@pytest.mark.parametrize("text", [
    "[output]\nA = { feed = 'mono' }\n",
    "note = '''\n[output.A]\n'''\n[output]\nA.feed = 'mono'\n",
    "[output.B]\n",
    "[output.B]\nlatency_ms = 2.0\n[output]\nA = { latency_ms = 1 }\n",
])
def test_what_cannot_be_changed_safely_is_left_to_a_hand(text):
    with pytest.raises(ValueError, match=r"put latency_ms = 2\.0 into the table of output 'A' by"):
        with_latency(text, "A", 2.0)


def test_a_latency_out_of_range_is_refused():
    with pytest.raises(ValueError, match="latency_ms must be between 0 and 1000 ms"):
        with_latency("[output.A]", "A", -1.0)


@pytest.mark.parametrize("text", ["", "[venue]\nname = 'x'", "[[measured]]\na = 1\r\n"])
def test_entries_are_added_at_the_end(text):
    made = with_entries(text, "[[measured]]\nb = 2\n\n[output.'x y']\nc = 3\n")
    assert made.startswith(text.rstrip())
    told = tomllib.loads(made)
    assert told["measured"] == [*tomllib.loads(text).get("measured", []), {"b": 2}]
    assert told["output"] == {"x y": {"c": 3}}


@pytest.mark.parametrize(("text", "match"), [
    ("measured = 3", "has measured in another form"),
    ("measured = []", "paste the entries by hand"),
    ("[output.x]\nd = 1", "paste the entries by hand"),
])
def test_entries_that_would_break_the_file_are_refused(text, match):
    with pytest.raises(ValueError, match=match):
        with_entries(text, "[[measured]]\nb = 2\n[output.x]\nc = 3\n")
