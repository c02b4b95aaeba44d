"""Lesson 10: the learner's own room, against the planner and by hand."""

import base64
import re

import pytest

from fillalign import plan_fills
from fillalign.classroom import own_venue
from fillalign.classroom.lessons import l10
from fillalign.classroom.questions import find_prediction
from fillalign.sheet import html as page
from fillalign.venue import read_venue_text, starter_toml
from tests.demo_plans import DATA


@pytest.fixture(autouse=True)
def _fresh():
    start = own_venue.own_plan()
    yield
    own_venue._current[:] = [start]


@pytest.fixture(scope="module", autouse=True)
def _words_only():
    # Other tests draw the pictures of the sheet that a form offers.
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "_picture", lambda *_, **__: "<figure></figure>")
        yield


@pytest.fixture(scope="module")
def form():
    return own_venue.venue_form()


@pytest.fixture(scope="module")
def refusing():
    """Return a form for what is refused, since that changes nothing."""
    return own_venue.venue_form()


def saved(form):
    """Return what the links of a form save, by file name."""
    found = re.findall(r'download="([^"]+)" href="data:[^;]+;base64,([^"]+)"', form.links.value)
    return {name: base64.b64decode(content).decode() for name, content in found}


def typed(form, **numbers):
    """Type numbers into the form, over those it opens with, and press the button."""
    for key, value in {"name": "A Room of My Own", **own_venue.START, **numbers}.items():
        form.entries[key].value = str(value)
    form.plan_button.click()


def test_the_plan_is_that_of_the_numbers_typed(form):
    typed(form, length_m=44, last_row_m="42,0", rt60_s=1.8, fill_at_m=26)
    numbers = {**own_venue.START, "length_m": 44, "last_row_m": 42, "rt60_s": 1.8, "fill_at_m": 26}
    wanted = plan_fills(read_venue_text(starter_toml("A Room of My Own", "speech", **numbers)))
    assert form.error == ""
    assert form.plan.settings == wanted.settings
    assert own_venue.own_plan() is form.plan
    assert f"delay {wanted.settings['Fills'].delay_ms:.1f} ms" in form.text


def test_a_short_quiet_room_needs_no_fill(form):
    typed(form, length_m=15, last_row_m=13, fill_at_m=9, noise_dba="")
    assert form.error == ""
    assert "No fill is needed here" in form.text


def test_what_is_saved_is_read_again(form):
    typed(form, length_m=30, last_row_m=28)
    files = saved(form)
    assert read_venue_text(files["my_venue.toml"]) == form.plan.venue
    assert {name.rpartition(".")[2] for name in files} == {"toml", "csv", "html"}
    settings = form.plan.settings
    typed(form, length_m=15, last_row_m=13, fill_at_m=9)
    form._opened("mine.toml", files["my_venue.toml"].encode())
    assert form.error == ""
    assert form.plan.settings == settings


def test_any_venue_file_can_be_opened(form):
    form._opened("room.toml", (DATA / "lantern_room.toml").read_bytes())
    assert form.error == ""
    assert own_venue.own_plan().venue.name == "Lantern Room"
    assert own_venue.plan_picture().text == form.text


@pytest.mark.parametrize(("content", "words"), [
    (b"\xff\xfe", "mine.toml: must be UTF-8 text"),
    (b"[venue]", "mine.toml"),
    (b"x = ", "mine.toml"),
])
def test_a_file_that_is_no_venue_changes_nothing(refusing, content, words):
    before = own_venue.own_plan()
    refusing._opened("mine.toml", content)
    assert words in refusing.error
    assert refusing.error.endswith("The plan is still that of A Room of My Own.")
    assert "text:" not in refusing.error
    assert refusing.plan is before
    assert own_venue.own_plan() is before


@pytest.mark.parametrize(("numbers", "words"), [
    ({"length_m": "long"}, "Length: please give one number"),
    ({"last_row_m": 60}, "Last_row_m must be above first_row_m"),
    ({"temperature_c": ""}, "Temperature where the sound travels: please give one number"),
    ({"name": ""}, "Name must be 1 to 80 letters"),
])
def test_a_number_that_does_not_fit_is_named(refusing, numbers, words):
    before = own_venue.own_plan()
    typed(refusing, **numbers)
    assert refusing.error.startswith(words)
    assert own_venue.own_plan() is before


def test_dialled_settings_move_every_gap_alike():
    plan = own_venue.own_plan()
    own = plan.settings["Fills"]
    later = l10.dialled(plan, later_ms=7.0)
    shift = later.checks.gap_ms.min() - plan.checks.gap_ms.min()
    # The filters go, and with them the group delay of the low cut.
    assert later.settings["Fills"].delay_ms == own.delay_ms + 7.0
    assert later.settings["Fills"].trim_db == own.trim_db
    assert later.settings["Fills"].low_cut_hz is None
    assert shift == pytest.approx(7.0, abs=0.5)
    assert l10.dialled(plan, later_ms=-500).settings["Fills"].delay_ms == 0.0


def test_rings_are_timed_to_the_mains():
    # Arithmetic at 343 to 345 m/s: 85 m take 246 to 248 ms.
    truth = find_prediction("10-a").truth()
    assert truth == pytest.approx(85_000 / 344, abs=1.5)
    largest = find_prediction("10-b").truth()
    assert largest == 2.0
