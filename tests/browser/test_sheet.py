"""The set-up sheet's page in a real browser: alive on a screen, whole on paper, safe, alone.

What it says of the air is held against the library's own re-timing, what it saves against
the library's reader. Pages are counted in the PDF that the browser prints.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import tomllib
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fillalign import Air, OutputSettings, evaluate, plan_fills
from fillalign.sheet import read_as_set, setup_sheet_html
from tests.demo_plans import demo_plan
from tests.sheet.lopsided import SETTINGS, lopsided_plan, lopsided_venue
from tests.small_venue import small_hall

pytestmark = pytest.mark.browser
PHONE, TABLET = {"width": 390, "height": 844}, {"width": 820, "height": 1180}
MM = 25.4 / 96


@pytest.fixture(scope="module")
def browser(chromium):
    running = chromium.launch(
        executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"])
    yield running
    running.close()


@pytest.fixture
def opened(browser, tmp_path):
    """Return a page opened on some HTML; it may neither ask for anything nor complain."""
    contexts, faults = [], []

    def open_page(html, viewport=TABLET, *, script=True):
        path = tmp_path / "sheet.html"
        path.write_text(html, encoding="utf-8")
        context = browser.new_context(viewport=viewport, java_script_enabled=script)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda asked: asked.url.startswith(("file:", "data:", "blob:"))
                or faults.append(asked.url))
        page.on("console", lambda said: faults.append(said.text))
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(path.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert faults == []


@cache
def eight_outputs():
    """Return a plan of eight outputs, with six fills that sound and names that are long."""
    venue = lopsided_venue()
    names = [f"Under-balcony ring {word}" for word in ("left", "middle", "right")]
    outputs = {name: replace(venue.outputs["Near"], name=name,
                             set_in=f"rack B, processor 2, {name}") for name in names}
    boxes = tuple(replace(venue.sources[3], name=f"{name} box {number}", output=name)
                  for name in names for number in (1, 2, 3, 4))
    whole = replace(venue, outputs={**venue.outputs, **outputs}, sources=(*venue.sources, *boxes),
                    weather_c=tuple(float(t) for t in range(4, 31, 2)))
    return evaluate(whole, {**SETTINGS, "Lip": OutputSettings(delay_ms=14.0, trim_db=-3.0),
                            **dict.fromkeys(names, SETTINGS["Near"])})


@cache
def longest_names():
    """Return that plan with names and places of delays as long as a file may have them."""
    plan = eight_outputs()
    names = {name: f"{name} {'of the upper gallery behind the organ loft and its stairs ' * 2}"[:76]
             + f" no{at}" for at, name in enumerate(plan.venue.outputs)}
    outputs = {names[key]: replace(own, name=names[key], set_in=f"where {names[key]}"[:80])
               for key, own in plan.venue.outputs.items()}
    sources = tuple(replace(one, output=names[one.output], name=f"{one.name} {'x' * 80}"[:80])
                    for one in plan.venue.sources)
    measured = tuple(replace(one, output=names[one.output]) for one in plan.venue.measured)
    renamed = {one.name: new.name for one, new in zip(plan.venue.sources, sources, strict=True)}
    areas = tuple(replace(one, shadowed_from=tuple(renamed.get(name, name)
                                                   for name in one.shadowed_from))
                  for one in plan.venue.areas)
    whole = replace(plan.venue, outputs=outputs, sources=sources, measured=measured, areas=areas)
    return evaluate(whole, {names[key]: own for key, own in plan.settings.items()})


def typed(page, label, value, row=None):
    place = page if row is None else page.locator(f"tr[data-output='{row}']").first
    place.get_by_label(label, exact=True).first.fill(str(value))


def number(plan, name):
    return list(plan.venue.outputs).index(name)


# The air ----------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["lopsided", "cinder_meadow", "tidewell_hall", "windy"])
def test_every_delay_follows_the_air_as_the_library_does(opened, which):
    """Within 0.01 ms at sixty airs, wind and devices with odd steps among them."""
    plan = {"lopsided": lopsided_plan, "windy": lambda: plan_fills(
        small_hall(outdoors=True, wind_m_s=9.0))}.get(which, lambda: demo_plan(which))()
    page = opened(setup_sheet_html(plan, short=True))
    fills = [fill.output for fill in plan.fills if fill.sounding]
    assert fills
    rng = np.random.default_rng(7)
    airs = [(plan.air.temperature_c, plan.air.humidity_pct), (0.0, 0.0), (30.0, 100.0),
            *zip(rng.uniform(0, 30, 40).round(1), rng.uniform(0, 100, 40).round(0), strict=True),
            *((float(t), None) for t in range(0, 31, 2))]
    page.evaluate("""() => { window.retype = (t, h) => {
        for (const [key, value] of [['temperature_c', t], ['humidity_pct', h]]) {
            const input = document.querySelector(`[data-key="${key}"]`);
            input.value = value === null ? '' : value;
            input.dispatchEvent(new Event('input'));
        }
        return [...document.querySelectorAll('.today')].map(one => one.textContent);
    }}""")
    for temperature, humidity in airs:
        shown = page.evaluate("([t, h]) => window.retype(t, h)", [temperature, humidity])
        if humidity is not None and 0 < humidity < 1:
            continue
        air = (plan.air.at_temperature(temperature) if humidity is None
               else Air(temperature, float(humidity), plan.air.pressure_kpa))
        wanted = plan.retime([air])
        for name in fills:
            ms, samples = re.match(r"today (\S+) ms, (\d+) samples", shown[number(plan, name)]
                                   ).groups()
            delay, rate = wanted[name].iloc[0], plan.venue.outputs[name].sample_rate_hz
            assert float(ms) == pytest.approx(delay, abs=0.01), (name, air)
            assert int(samples) == math.ceil(delay * rate / 1000 - 1e-6), (name, air)


def test_air_that_is_none_changes_nothing(opened):
    page = opened(setup_sheet_html(lopsided_plan(), short=True))
    for value in ("warm", "200", "-51", "1e3"):
        typed(page, "C", value)
        assert "Type the air's temperature" in page.locator(".tools").inner_text()
        assert page.locator(".today:not(:empty)").count() == 0
    typed(page, "C", "8,5")
    assert "At 8.5 C" in page.locator(".tools").inner_text()


# What was set and read --------------------------------------------------------------------


def test_what_is_typed_is_weighed_and_saved_for_the_program(opened, tmp_path):
    plan = lopsided_plan()
    page = opened(setup_sheet_html(plan))
    near, far = number(plan, "Near"), number(plan, "Far")
    for label, value in {"C": "18.5", "%": "61", "date, time": "Friday \"late\"",
                         "name": "A. B\u00e9e \\ Co"}.items():
        typed(page, label, value)
    for label, value in {"ms": "70,5", "dB or off": "\u22126", "cut Hz or none": "none",
                         "shelf dB": "2", "initials": "AB", "time": "19:20"}.items():
        typed(page, label, value, near)
    page.locator(f"tr[data-output='{near}']").first.get_by_label("polarity").select_option(
        "inverted")
    typed(page, "dB or off", "off", far)
    reading = plan.fill("Near").reading
    rows = page.locator(f"tr[data-output='{near}'][data-seat]")
    assert rows.count() == 3
    seen = rows.nth(0).locator("input")
    for at, level in enumerate((reading.mains_dba, reading.fill_dba - 4.0, 90.0)):
        seen.nth(at).fill(f"{level:.1f}")
    rows.nth(2).locator("input").nth(0).fill("70")
    said = page.locator(f"tr[data-output='{near}']").first.inner_text()
    later = 70.5 - plan.retime([Air(18.5, 61.0, plan.air.pressure_kpa)])["Near"].iloc[0]
    assert f"+{later:.2f} ms against today's; image kept at " in said
    assert "\u22121.5 dB against the plan; " in said
    curve = plan.fill("Near").trim
    assert f"{100 * curve.served_share[curve.at(-6.0)]:.0f} % of its rows served" in said
    assert "off, planned to play" in page.locator(f"tr[data-output='{far}']").first.inner_text()
    told = rows.nth(0).inner_text()
    # 4 dB less read, 1.5 of it by the trim as set: 4 dB more bring what is planned.
    assert "trim +4.0 dB" in told
    assert "read again" in told
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save what was set and read").click()
    assert caught.value.suggested_filename == "lopsided-barn-as-set.toml"
    path = tmp_path / "back.toml"
    caught.value.save_as(path)
    found = read_as_set(path, plan)
    own = found.settings["Near"]
    assert (own.delay_ms, own.trim_db, own.low_cut_hz, own.shelf_db, own.polarity) == (
        70.5, -6.0, None, 2.0, "inverted")
    assert found.settings["Far"].trim_db == -math.inf
    assert [*found.settings] == ["Near", "Far"]
    first, third = found.readings
    assert first.at_m == pytest.approx(reading.seat_m)
    assert third.at_m == pytest.approx(reading.more[1].seat_m)
    assert (first.mains_dba, first.both_dba, third.mains_dba) == (
        pytest.approx(reading.mains_dba, abs=0.051), 90.0, 70.0)
    assert (found.air.temperature_c, found.air.humidity_pct) == (18.5, 61)
    written = tomllib.loads(path.read_text(encoding="utf-8"))
    assert {"venue": "Lopsided Barn", "set_by": "A. B\u00e9e \\ Co",
            "when": "Friday \"late\""}.items() <= written["as_set"].items()
    assert {"initials": "AB", "time": "19:20"}.items() <= written["output"]["Near"].items()


def test_nothing_typed_saves_a_file_that_says_as_planned(opened, tmp_path):
    plan = lopsided_plan()
    page = opened(setup_sheet_html(plan, short=True))
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save what was set and read").click()
    caught.value.save_as(tmp_path / "back.toml")
    found = read_as_set(tmp_path / "back.toml", plan)
    assert (found.settings, found.readings, found.air) == ({}, (), None)


HOSTILE = "</script><script>window.bad=1</script>\"'&<img src=x onerror=window.bad=1>"


def test_names_from_a_file_stay_text(opened, tmp_path):
    hall = small_hall()
    outputs = {**{"Mains": hall.outputs["Mains"]},
               HOSTILE: replace(hall.outputs["Fills"], name=HOSTILE, set_in=HOSTILE)}
    sources = tuple(replace(one, output=HOSTILE, name=f"{HOSTILE[:70]} {at}")
                    if one.role == "fill" else one for at, one in enumerate(hall.sources))
    plan = plan_fills(replace(hall, name=HOSTILE, outputs=outputs, sources=sources))
    page = opened(setup_sheet_html(plan))
    assert page.evaluate("window.bad") is None
    assert page.locator("img[src=x]").count() == 0
    typed(page, "dB or off", "off", 1)
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save what was set and read").click()
    caught.value.save_as(tmp_path / "back.toml")
    found = read_as_set(tmp_path / "back.toml", plan)
    assert [*found.settings] == [HOSTILE]
    written = tomllib.loads((tmp_path / "back.toml").read_text(encoding="utf-8"))
    assert written["as_set"]["venue"] == HOSTILE


# Screens ----------------------------------------------------------------------------------


@pytest.mark.parametrize("viewport", [PHONE, TABLET], ids=["phone", "tablet"])
@pytest.mark.parametrize("make", [lopsided_plan, eight_outputs], ids=["five", "eight"])
def test_it_fits_the_screen_and_the_finger(opened, viewport, make):
    page = opened(setup_sheet_html(make()), viewport)
    assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]
    low = page.evaluate("""() => [...document.querySelectorAll('input, select, button')]
        .map(one => one.getBoundingClientRect()).filter(box => box.height)
        .map(box => [box.height, box.left, box.right])""")
    assert len(low) > 40
    for height, left, right in low:
        assert height >= (33 if viewport is PHONE else 17)
        assert left >= 0
        assert right <= viewport["width"]
    covered = page.evaluate("""() => [...document.querySelectorAll('td, th, h1, h2, p, li')]
        .filter(one => one.scrollWidth > one.clientWidth + 2 && one.clientWidth)
        .map(one => one.textContent.slice(0, 40))""")
    assert covered == []
    outside = page.evaluate("""() => [...document.querySelectorAll('td input, td select')]
        .filter(one => one.getBoundingClientRect().bottom
            > one.closest('td').getBoundingClientRect().bottom + 1)
        .map(one => one.getAttribute('aria-label'))""")
    assert outside == []
    broken = page.evaluate("""() => [...document.querySelectorAll('.scroll td, .scroll th')]
        .filter(one => one.textContent.trim() && one.clientWidth < 22)
        .map(one => one.textContent)""")
    assert broken == []


# Paper ------------------------------------------------------------------------------------


def pages_of(page, path):
    """Print, and return how many pages there are."""
    page.pdf(path=path, prefer_css_page_size=True)
    return len(re.findall(rb"/Type\s*/Page\b", path.read_bytes()))


@pytest.mark.parametrize("script", [True, False], ids=["script", "no script"])
@pytest.mark.parametrize("which", ["eight", "cinder_meadow", "lantern_room", "lopsided", "long"])
def test_page_one_is_one_page(opened, tmp_path, which, script):
    plan = {"eight": eight_outputs, "lopsided": lopsided_plan, "long": longest_names}.get(
        which, lambda: demo_plan(which))()
    page = opened(setup_sheet_html(plan, short=True), script=script)
    assert pages_of(page, tmp_path / "one.pdf") == 1
    if script:
        typed(page, "C", "18")
        typed(page, "ms", "70.5", 0)
        assert pages_of(page, tmp_path / "filled.pdf") == 1


@pytest.mark.parametrize("make", [lopsided_plan, eight_outputs], ids=["five", "eight"])
def test_boxes_to_write_in_are_wide_enough(opened, make):
    page = opened(setup_sheet_html(make()), {"width": 718, "height": 1055}, script=False)
    page.emulate_media(media="print")
    widths = page.evaluate("""() => [...document.querySelectorAll('td.blank')]
        .map(one => one.getBoundingClientRect()).map(box => [box.width, box.height])""")
    assert len(widths) > 30
    for width, height in widths:
        assert width * MM >= 20.0
        assert height * MM >= 5.5


def boxes_of(path):
    """Return for each page of a PDF its words as (top, bottom, text), in shares of its height."""
    out = subprocess.run(["pdftotext", "-bbox-layout", str(path), "-"], capture_output=True,
                         text=True, check=True).stdout
    pages = []
    for part in out.split("<page ")[1:]:
        height = float(re.search(r'height="([\d.]+)"', part).group(1))
        lines = [line for line in re.findall(r"<line [^>]*>.*?</line>", part, re.DOTALL)]
        pages.append([(float(re.search(r'yMin="([\d.]+)"', line).group(1)) / height,
                       float(re.search(r'yMax="([\d.]+)"', line).group(1)) / height,
                       " ".join(re.findall(r">([^<>\n]+)</word>", line))) for line in lines])
    return pages


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext (poppler-utils) here")
@pytest.mark.parametrize("which", ["eight", "cinder_meadow", "tidewell_hall", "lantern_room",
                                   "lopsided"])
def test_no_page_is_a_stub_and_no_heading_stands_alone(opened, tmp_path, which):
    plan = {"eight": eight_outputs, "lopsided": lopsided_plan}.get(
        which, lambda: demo_plan(which))()
    page = opened(setup_sheet_html(plan))
    titles = set(page.locator("h2, h3").all_inner_texts())
    pages_of(page, tmp_path / "sheet.pdf")
    pages = boxes_of(tmp_path / "sheet.pdf")
    assert len(pages) >= 2
    for lines in pages[:-1]:
        assert max(bottom for _, bottom, _ in lines) > 1 / 3
    for lines in pages:
        foot = max(bottom for _, bottom, _ in lines)
        # A title is the last line where nothing stands beside it, as in a table's row.
        last = [text for _, bottom, text in lines if bottom > foot - 0.004]
        assert len(last) > 1 or last[0] not in titles
