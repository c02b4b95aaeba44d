"""The page for a phone in a real browser, against the library over its whole range."""

from __future__ import annotations

import re

import numpy as np
import pytest

from fillalign.sheet import pocket_page, quick_answer
from tests.browser.test_sheet import PHONE, browser as browser, opened as opened, pages_of

pytestmark = [pytest.mark.browser,
              pytest.mark.filterwarnings("ignore::fillalign.RangeWarning")]
TYPE = """values => {
    for (const [id, value] of Object.entries(values))
        document.getElementById(id).value = value;
    document.getElementById('main').dispatchEvent(new Event('input'));
    return document.getElementById('answer').innerText;
}"""
NONE = {"mains_db": "", "fill_db": "", "goal_db": ""}


def told(page, **values):
    return page.evaluate(TYPE, {key: str(value) for key, value in values.items()})


@pytest.mark.parametrize("feet", [False, True], ids=["m", "ft"])
def test_delays_over_the_whole_range(opened, feet):
    """Within 0.01 ms, half of it the two decimals'; to 1000 m, -50 to 60 C as the command."""
    page = opened(pocket_page(), PHONE)
    rng = np.random.default_rng(3)
    cases = [(1000.0, 0.0, -50.0, 0.0, 0.0), (1000.0, 0.0, 60.0, 100.0, 0.0),
             (0.0, 1000.0, 50.0, 50.0, 0.0), *zip(
                 rng.uniform(0, 1000, 300), rng.uniform(0, 300, 300), rng.uniform(-50, 60, 300),
                 rng.uniform(1, 100, 300), rng.uniform(0, 30, 300), strict=True)]
    for main, fill, temperature, humidity, margin in cases:
        given = {"main": main / 0.3048 if feet else main, "fill": fill / 0.3048 if feet else fill,
                 "temperature": 1.8 * temperature + 32 if feet else temperature,
                 "humidity": humidity, "margin": margin}
        given = {key: f"{value:.9f}" for key, value in given.items()}
        shown = told(page, **given, lengths="0.3048" if feet else "1",
                     degrees="F" if feet else "C", latency="0", **NONE)
        wanted = quick_answer(main, fill, temperature, humidity_pct=humidity, margin_ms=margin)
        delay, = re.findall(r"Delay\s+(\S+) ms", shown)
        assert float(delay) == pytest.approx(wanted.delay_ms, abs=0.01)
        samples, metres, length_ft = re.search(r"(\d+) samples at 48 kHz, (\S+) m, (\S+) ft",
                                               shown).groups()
        assert abs(int(samples) - wanted.samples) <= 1
        assert float(metres) == pytest.approx(wanted.delay_m, abs=0.01)
        assert float(length_ft) == pytest.approx(wanted.delay_ft, abs=0.06)
        if wanted.hold_back_ms > 0.005:
            held, = re.findall(r"hold the mains back by (\S+) ms", shown)
            assert float(held) == pytest.approx(wanted.hold_back_ms, abs=0.01)


def test_trims_over_the_whole_range(opened):
    """Within 0.1 dB, and the same words on which of goal and image wins."""
    page = opened(pocket_page(), PHONE)
    rng = np.random.default_rng(4)
    seen = set()
    rises = [0.001, 0.01, 0.1, 60.0, -3.0, 0.0, *rng.uniform(-2, 20, 300)]
    for rise in rises:
        mains, fill = (float(value) for value in rng.uniform(50, 99, 2).round(1))
        goal, margin = round(mains + float(rise), 3), float(rng.choice([0.0, 1.5, 5.0, 12.0, 45.0]))
        shown = told(page, main="41", fill="15", temperature="24", humidity="50", margin=margin,
                     lengths="1", degrees="C", mains_db=mains, fill_db=fill, goal_db=goal)
        wanted = quick_answer(41.0, 15.0, 24.0, mains_db=mains, fill_db=fill, goal_db=goal,
                              margin_ms=margin)
        if wanted.over_main_db is None:
            assert "off: the mains reach the goal alone" in shown
            seen.add("off")
            continue
        level, = re.findall(r"must read (\S+) dB", shown)
        assert float(level) == pytest.approx(wanted.fill_db, abs=0.1)
        change = re.search(r"must read \S+ dB(?: for the goal \(|: )(.*?)[).]*\n", f"{shown}\n")
        said = change.group(1)
        number = 0.0 if said in ("as it is now", "leave it where it is") else (
            float(said.split()[2]) * (1 if said.startswith("up") else -1))
        steps = (wanted.fill_db - fill) / 0.5
        # At a whole step the last digit of a table may tip it.
        tips = 0.5 if abs(steps - round(steps)) < 1e-3 else 1e-9
        assert number == pytest.approx(wanted.trim_change_db, abs=tips)
        beyond = wanted.over_main_db > wanted.limit_db
        assert ("the image wins: at most" in shown) == beyond
        assert not (beyond and "leave it where it is" in shown)
        if beyond:
            most, = re.findall(r"at most (\S+) dB \(", shown.split("wins")[1])
            assert float(most) == pytest.approx(mains + wanted.limit_db, abs=0.1)
            mended = re.findall(r"with (\S+) ms of margin it may have that level", shown)
            assert bool(mended) == np.isfinite(wanted.margin_wanted_ms)
            if mended:
                assert float(mended[0]) == pytest.approx(wanted.margin_wanted_ms, abs=0.11)
        seen.add(beyond)
    assert seen == {"off", True, False}


def test_it_cautions_and_refuses_as_the_command_does(opened):
    page = opened(pocket_page(), PHONE)
    usual = {"main": "41", "fill": "15", "temperature": "24", "humidity": "50", "latency": "0",
             "margin": "0", "lengths": "1", "degrees": "C", **NONE}
    assert "Hearing" not in told(page, **usual)
    assert "101.0 dB: WHO" in told(page, **{**usual, "mains_db": "101"})
    assert "80 ms is an echo" in told(page, **{**usual, "margin": "80"})
    assert "takes the image" in told(page, **{**usual, "margin": "-5"})
    assert "must be 0 to 1000 m" in told(page, **{**usual, "main": "41 m"})
    assert "must be -50 to 60 C" in told(page, **{**usual, "temperature": "294"})
    assert "75.04 ms" in told(page, **{**usual, "main": "41,0"})
    assert "too late" in told(page, **usual)


def test_it_fits_a_phone_and_prints_as_a_card(opened, tmp_path):
    page = opened(pocket_page(), PHONE)
    told(page, main="41", fill="15", temperature="24", mains_db="84", fill_db="90", goal_db="92")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    heights = page.evaluate("""() => [...document.querySelectorAll('input, select')]
        .map(one => one.getBoundingClientRect().height)""")
    assert min(heights) >= 40
    assert pages_of(page, tmp_path / "card.pdf") == 1
    assert re.search(rb"/MediaBox \[0 0 29[78][.\d]* (?:419|420)[.\d]*\]",
                     (tmp_path / "card.pdf").read_bytes())
