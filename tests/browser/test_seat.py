"""The seat panel in a browser: drawn, moved, played, and what it plays read at both ears.

The sound is rendered by the panel's own graph in an OfflineAudioContext, or taken from
what goes to the loudspeakers; every number is read from the samples by the code below.
"""

from __future__ import annotations

import base64
from dataclasses import replace

import nbformat
import numpy as np
import pytest
from scipy import signal

from fillalign.audio import Recording
from fillalign.classroom import seat_panel
from fillalign.field import Settings
from tests.browser.lab import ROOT, LessonPage, insist, poll
from tests.browser.seat_page import SeatPage, text
from tests.small_venue import small_hall

pytestmark = pytest.mark.browser
RATE = 48000
SCREENSHOTS = ROOT / "screenshots"
START = {"delay_ms": 80.0, "trim_db": -6.0, "low_cut_hz": None}
SEATS = [(27.0, 5.0), (30.0, 0.0), (24.0, 8.0), (35.0, -6.0), (33.0, 4.7), (22.5, 1.0)]

_RENDER = """async ({n, pcm, seconds, sounding, even}) => Promise.race([
    new Promise(done => setTimeout(() => done(null), 10000)), (async () => {
    const {seat, model} = window.seats[n];
    const raw = Uint8Array.from(atob(pcm), one => one.charCodeAt(0)).buffer;
    const samples = new Int16Array(raw);
    const buffer = new AudioBuffer({length: samples.length, sampleRate: 48000});
    buffer.copyToChannel(Float32Array.from(samples, x => x / 32768), 0);
    // Chromium now and then never ends a rendering that waits for its head to load: so the head
    // is loaded first, with renderings that the panel begins again, and held.
    window.head ??= new PannerNode(new OfflineAudioContext(2, 1, 48000), {panningModel: 'HRTF'});
    await (window.loaded ??= seat.measureHead(new AudioBuffer({length: 128, sampleRate: 48000})));
    const context = new OfflineAudioContext(2, Math.round(48000 * seconds), 48000);
    const graph = seat.makeGraph(context, model.get('hall').line_s,
                                 even ? await (window.evened ??= seat.measureHead(buffer))
                                      : undefined);
    graph.put(0, seat.resolve(model.get('told'), model.get('hands'), model.get('asked'),
                              sounding));
    graph.slots[0].fade.gain.value = 1;
    const source = new AudioBufferSourceNode(context, {buffer});
    source.connect(graph.input);
    graph.out.connect(context.destination);
    source.start();
    const heard = await context.startRendering();
    return [0, 1].map(ear => window.asText(heard.getChannelData(ear)));
})()])"""
_EARS = """() => {
    window.asText = floats => {
        const bytes = new Uint8Array(floats.buffer);
        let text = '';
        for (let i = 0; i < bytes.length; i += 8192)
            text += String.fromCharCode(...bytes.subarray(i, i + 8192));
        return btoa(text);
    };
    // Whatever goes to the loudspeakers is kept here, block by block, with the context's time.
    window.kept = [];
    const worklet = `registerProcessor('keep', class extends AudioWorkletProcessor {
        process([[left, right]]) {
            this.port.postMessage([currentTime, left ? Float32Array.from(left) : null,
                                   right ? Float32Array.from(right) : null]);
            return true;
        }
    })`;
    const real = AudioNode.prototype.connect;
    AudioNode.prototype.connect = function(to, ...more) {
        if (to instanceof AudioDestinationNode && this.context instanceof AudioContext) {
            const url = URL.createObjectURL(new Blob([worklet], {type: 'text/javascript'}));
            this.context.audioWorklet.addModule(url).then(() => {
                const keep = new AudioWorkletNode(this.context, 'keep',
                                                  {outputChannelCount: [2]});
                keep.port.onmessage = ({data}) => window.kept.push(data);
                real.call(this, keep);
                real.call(keep, to);
            });
        }
        return real.call(this, to, ...more);
    };
}"""
_KEPT = """() => {
    const ears = [1, 2].map(ear => {
        const all = new Float32Array(128 * window.kept.length);
        window.kept.forEach((one, i) => { if (one[ear]) all.set(one[ear], 128 * i); });
        return window.asText(all);
    });
    return {start: window.kept[0]?.[0] ?? 0, blocks: window.kept.length, ears};
}"""


def floats(texts):
    return np.array([np.frombuffer(base64.b64decode(one), np.float32) for one in texts], float)


def pair(**more):
    """Return a hall with one main and one fill, both on the left."""
    venue = small_hall(outdoors=True)
    return replace(venue, sources=tuple(one for one in venue.sources if "+" in one.name), **more)


class Sounding(SeatPage):
    """A page whose sound is read."""

    def open(self, page):
        """Open a page with the panels there are, and with what reads their sound."""
        super().open(page)
        self.page.evaluate(_EARS)

    def move(self, number=0, **changes):
        """Move a panel from Python."""
        panel = self.panels[number].set(**changes)
        told = {name: getattr(panel.view, name) for name in ("hands", "asked", "told")}
        self.page.evaluate("([n, told]) => window.seats[n].take(told)", [number, told])
        return panel

    def ears(self, samples, sounding="all", *, seconds=0.4, even=False):
        """Return what both ears get of a sound, (2, n)."""
        pcm = text(np.round(32767 * np.asarray(samples)).astype("<i2").tobytes())
        asked = {"n": 0, "pcm": pcm, "seconds": seconds, "sounding": sounding, "even": even}
        # Where one rendering does not end, none does on that page: a fault of Chromium's.
        for _ in range(4):
            if heard := self.page.evaluate(_RENDER, asked):
                return floats(heard)
            self.open(self.page.context.new_page())
        raise AssertionError("renderings on four pages in a row did not end")

    def kept(self):
        """Return what went to the loudspeakers, (2, n), and the context's time at its start."""
        got = self.page.evaluate(_KEPT)
        return floats(got["ears"]), got["start"]

    def listen(self, panel):
        """Start a panel's sound and wait until it goes to the loudspeakers."""
        def press():
            if panel.get_by_role("button", name="Stop").count():
                panel.get_by_role("button", name="Stop").click()
            panel.get_by_role("button", name="Listen").click()

        insist("sound", press, lambda: np.abs(self.kept()[0]).max(initial=0) > 1e-3)


@pytest.fixture
def ears(bare):
    page = Sounding(bare)
    page.add(seat_panel(pair(), start=START, listener_m=SEATS[0], sound="voice"))
    return page


def onset_ms(ear):
    """Return when an impulse response first reaches a tenth of its peak."""
    fine = np.abs(signal.resample(ear, 16 * ear.size))
    return np.argmax(fine > 0.1 * fine.max()) / 16 / RATE * 1000


def level_db(sound):
    return 10 * np.log10((np.asarray(sound) ** 2).sum())


def impulse():
    sound = np.zeros(4800)
    sound[0] = 0.9
    return sound


@pytest.mark.parametrize("delay_ms", [80.0, 20.0])
def test_gap_at_the_ears_is_the_gap_told(ears, delay_ms):
    for seat in SEATS:
        panel = ears.move(listener_m=seat, delay_ms=delay_ms)
        main, fill = (ears.ears(impulse(), one) for one in ("mains alone", "fills alone"))
        # A head brings a sound from the side early to one ear and late to the other.
        gaps = [onset_ms(late) - onset_ms(first) for first, late in zip(main, fill, strict=True)]
        assert np.mean(gaps) == pytest.approx(panel.heard.gap_ms, abs=0.1), seat


def test_levels_at_the_ears_and_the_nearer_one_is_louder(ears):
    voice = np.frombuffer(ears.panels[0].sounds["voice"], "<i2")[: 3 * RATE // 2] / 32768
    for seat in SEATS:
        panel = ears.move(listener_m=seat)
        by_role = {one.role: one for one in panel.heard.arrivals}
        heard = {role: ears.ears(voice, name, seconds=1.7, even=True)
                 for role, name in (("main", "mains alone"), ("fill", "fills alone"))}
        over = level_db(heard["fill"]) - level_db(heard["main"])
        assert over == pytest.approx(
            by_role["fill"].level_dba - by_role["main"].level_dba, abs=0.2), seat
        for role, (left, right) in heard.items():
            # Both hang at the left seen from the stage: right of a listener nearer the middle.
            side = next(one for one in panel.venue.sources if one.role == role).position_m[1]
            if abs(side - seat[1]) > 1.0:
                assert (level_db(right) > level_db(left)) == (side > seat[1]), (role, seat)


def test_low_cut_at_the_ears_is_the_librarys(ears):
    frequency = np.array([70, 90, 110, 140, 180, 230, 300, 500, 1000, 3000])
    phases = np.random.default_rng(1).uniform(0, 2 * np.pi, frequency.size)
    time = np.arange(2 * RATE) / RATE
    tones = np.sin(2 * np.pi * frequency[:, None] * time + phases[:, None]).sum(axis=0) / 12

    def tone_db():
        ear = ears.ears(tones, "fills alone", seconds=2.0)[0][RATE:]
        return 20 * np.log10(np.abs(np.fft.rfft(ear))[frequency])

    bare = tone_db()
    for corner in (100.0, 250.0):
        ears.move(low_cut_hz=corner)
        # A Linkwitz-Riley low cut of order 4: a Butterworth one of order 2 twice (Linkwitz 1976).
        once = signal.freqs(*signal.butter(2, corner, "high", analog=True), frequency)[1]
        assert np.abs(tone_db() - bare - 40 * np.log10(np.abs(once))).max() < 0.5


def test_polarity_and_off_at_the_ears(ears):
    straight = ears.ears(impulse(), "fills alone")
    ears.move(polarity="inverted")
    assert np.allclose(ears.ears(impulse(), "fills alone"), -straight, atol=1e-6)
    ears.move(fill_on=False)
    assert not ears.ears(impulse(), "fills alone").any()
    assert ears.ears(impulse()).any()


def verdict_of(shown):
    """Return the verdict as Python says it: the page sets its minus signs and spaces in type."""
    words = shown.locator(".verdict").inner_text()
    return words.replace("\u2212", "-").replace("\xa0", " ")


def knob(panel, name):
    return panel.get_by_role("slider", name=name)


def test_the_listener_is_dragged_and_goes_by_keys(ears):
    shown, panel = ears.page.locator(".fill-seat"), ears.panels[0]
    marks = {name: shown.locator(f"path:has(title:text-is('{name}'))").first.bounding_box()
             for name in ("Main +6.5", "Fill +6.5")}
    main, fill = ((box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
                  for box in marks.values())
    scale = (fill[0] - main[0]) / 22.0
    # One scale for both: the fill hangs 1.95 m nearer the middle than the main.
    assert (fill[1] - main[1]) / scale == pytest.approx(1.95, abs=0.15)
    seat = shown.locator(".seat circle").bounding_box()
    at = seat["x"] + seat["width"] / 2, seat["y"] + seat["height"] / 2
    verdict = shown.locator(".verdict").inner_text()
    ears.page.mouse.move(*at)
    ears.page.mouse.down()
    ears.page.mouse.move(at[0] - 40, at[1] + 10, steps=4)
    ears.page.mouse.move(at[0] - 5 * scale, at[1] + 4 * scale, steps=4)
    ears.page.mouse.up()
    poll("the listener", lambda: panel.listener_m[:2] == pytest.approx((22.0, 1.0), abs=0.16))
    poll("the verdict", lambda: shown.locator(".verdict").inner_text() != verdict)
    assert verdict_of(shown) == panel.heard.verdict
    x, y, _ = panel.listener_m
    for key, step in (("ArrowRight", (0.5, 0)), ("ArrowUp", (0, 0.5)),
                      ("Shift+ArrowLeft", (-0.1, 0))):
        ears.page.keyboard.press(key)
        x, y = x + step[0], y + step[1]
        poll(key, lambda x=x, y=y: panel.listener_m[:2] == pytest.approx((x, y), abs=1e-6))
    assert f"Listener {x:.1f} m" in shown.locator(".seat").get_attribute("aria-label")


def test_sliders_go_by_keys_and_say_what_they_are(ears):
    shown, panel = ears.page.locator(".fill-seat"), ears.panels[0]
    for name, field, step in (("Delay", "delay_ms", 0.5), ("Trim", "trim_db", 0.5)):
        before = getattr(panel.settings["Fills"], field)
        knob(shown, name).focus()
        ears.page.keyboard.press("ArrowRight")
        poll(name, lambda f=field, b=before, s=step: getattr(panel.settings["Fills"], f) == b + s)
        said = knob(shown, name).get_attribute("aria-valuetext")
        assert f"{before + step:.1f}".replace("-", "\u2212") in said
    shown.get_by_label("Polarity turned over").press("Space")
    poll("polarity", lambda: panel.settings["Fills"].polarity == "inverted")
    shown.get_by_role("button", name="as it was").press("Enter")
    poll("the words", lambda: verdict_of(shown) == panel.heard.verdict)
    assert panel.shown == "as it was"
    poll("the status", lambda: panel.heard.verdict in shown.get_by_role("status").inner_text())


def test_sound_loops_and_is_silent_after_stop(ears):
    shown = ears.page.locator(".fill-seat")
    ears.page.evaluate("window.kept = []")
    ears.panels[0].sounds = {"voice": ears.panels[0].sounds["voice"][: 2 * RATE // 2]}
    ears.listen(shown)
    poll("three times round", lambda: ears.kept()[0].shape[1] > 1.8 * RATE)
    sound, _ = ears.kept()
    later = np.abs(sound[:, -RATE // 2:])
    assert later.max() > 0.3 * np.abs(sound).max()
    shown.get_by_role("button", name="Stop").click()
    ears.page.wait_for_timeout(150)
    ears.page.evaluate("window.kept = []")
    ears.page.wait_for_timeout(100)
    sound, _ = ears.kept()
    assert np.abs(sound).max(initial=0) < 1e-5
    poll("rest", lambda: ears.page.evaluate("fillPage.context.state") == "suspended")


def steady(hz=1000.0):
    return Recording(0.5 * np.sin(2 * np.pi * hz * np.arange(RATE) / RATE)[:, None], RATE)


def envelope_db(sound, rate_hz=RATE):
    """Return the level of a sound in steps of 5 ms."""
    size = rate_hz // 200
    blocks = sound[: sound.size // size * size].reshape(-1, size)
    return 10 * np.log10((blocks**2).mean(axis=1) + 1e-12)


def test_comparison_has_no_gap_and_no_click(bare):
    page = Sounding(bare)
    shown = page.add(seat_panel(pair(), start=START, listener_m=SEATS[0], sound={"tone": steady()}))
    page.move(trim_db=4.0)
    # The fill alone: a sum of two may dip between two levels, whatever the fade.
    shown.get_by_role("button", name="fills alone").click()
    page.listen(shown)
    poll("the head", lambda: page.page.evaluate("Object.keys(fillPage.heads).length") == 1)
    page.page.wait_for_timeout(600)
    page.page.evaluate("window.kept = []")
    for word in ("as it was", "as set", "as it was"):
        shown.get_by_role("button", name=word).click()
        page.page.wait_for_timeout(300)
    left = page.kept()[0][0]
    level = envelope_db(left)
    assert np.ptp(level) > 3.0
    # From one level to the other and back, never below the lower of both.
    ends = np.sort(level)[[level.size // 10, -level.size // 10]]
    assert level.min() > ends[0] - 0.5
    assert level.max() < ends[1] + 0.5
    # A click would show far from the tone, which this takes down by 110 dB.
    rest = signal.sosfilt(signal.butter(8, 5000, "high", fs=RATE, output="sos"), left)[2000:]
    assert 20 * np.log10(np.abs(rest).max() / np.abs(left).max()) < -60


def test_one_sound_at_a_time(ears):
    first = ears.page.locator(".fill-seat").first
    second = ears.add(seat_panel(pair(), start=START, sound="clap"))
    ears.listen(first)
    second.get_by_role("button", name="Listen").click()
    poll("the first to stop", lambda: first.get_by_role("button", name="Listen").count() == 1)
    assert second.get_by_role("button", name="Stop").count() == 1
    silent = base64.b64encode(b"RIFF\x24\x08\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00"
                              b"\x40\x1f\x00\x00\x80\x3e\x00\x00\x02\x00\x10\x00data\x00\x08\x00\x00"
                              + bytes(2048)).decode()
    ears.page.evaluate("""src => { const one = document.createElement('audio');
        one.src = `data:audio/wav;base64,${src}`; document.body.append(one); one.play(); }""",
                       silent)
    poll("the second to stop", lambda: second.get_by_role("button", name="Listen").count() == 1)


def test_it_stops_with_its_kernel_and_with_its_output(ears):
    shown = ears.page.locator(".fill-seat")
    ears.listen(shown)
    ears.page.evaluate("window.kernelSays(null, 'restarting')")
    poll("the sound to stop", lambda: shown.get_by_role("button", name="Listen").count() == 1)
    assert "run this cell again" in shown.get_by_role("alert").inner_text()
    other = ears.add(seat_panel(pair(), start=START, sound="clap"))
    other.get_by_role("button", name="Listen").click()
    poll("sound", lambda: ears.page.evaluate("!!fillPage.playing?.source"))
    ears.page.evaluate("window.seats[1].end()")
    poll("rest", lambda: ears.page.evaluate("fillPage.playing === null"))


def test_waves_stand_still_where_motion_is_not_wanted(bare):
    bare.emulate_media(reduced_motion="reduce")
    page = SeatPage(bare)
    shown = page.add(seat_panel(pair(), start=START, listener_m=SEATS[0]))
    clock = knob(shown, "Waves")
    bare.wait_for_timeout(300)
    assert clock.input_value() == "0"
    paths = shown.locator("svg path[stroke-opacity]")
    clock.focus()
    insist("a wave", lambda: bare.keyboard.press("PageUp"),
           lambda: len(paths.first.get_attribute("d")) > 100)
    shown.get_by_role("button", name="Run waves").click()
    now = float(clock.input_value())
    poll("the waves", lambda: float(clock.input_value()) != now)


def test_slider_to_sound_and_to_picture(bare, note_seat):
    page = Sounding(bare)
    settings = Settings(pair()).replaced("Fills", **START)
    shown = page.add(seat_panel(pair(), start={**START, "trim_db": -20.0}, listener_m=SEATS[0],
                                sound={"tone": steady()}))
    page.listen(shown)
    page.page.wait_for_timeout(1500)
    assert settings.sounds("Fills")
    heard, drawn = [], []
    for step in range(12):
        page.page.evaluate("window.kept = []")
        page.page.wait_for_timeout(60)
        times = page.page.evaluate("""async value => {
            const range = document.querySelectorAll('.fill-seat .knobs input')[1];
            const words = document.querySelector('.fill-seat .detail'), before = words.textContent;
            const start = performance.now(), at = fillPage.context.currentTime;
            range.value = value;
            range.dispatchEvent(new Event('input'));
            while (words.textContent === before) await new Promise(requestAnimationFrame);
            return {at, drawn: performance.now() - start};
        }""", 78 - 2 * (step // 2) if step % 2 == 0 else 20)
        page.page.wait_for_timeout(150)
        sound, start = page.kept()
        level = envelope_db(sound[0])
        middle = (level[:6].mean() + level[-6:].mean()) / 2
        crossed = np.flatnonzero((level[1:] > middle) != (level[:-1] > middle))[0] + 1.0
        heard.append(1000 * (start - times["at"]) + 5 * crossed)
        drawn.append(times["drawn"])
    note_seat["slider to the middle of the fade, in the sound"] = heard
    note_seat["slider to changed words and picture"] = drawn
    assert np.median(heard) < 150
    assert np.median(drawn) < 400


CELLS = ("from fillalign.classroom import demo_venue, seat_panel\n"
         "seat_panel(demo_venue('tidewell_hall'), start={'delay_ms': 60.0})", "1 + 1")
_STEP = """async () => {
    const range = document.querySelector('.fill-seat input[type=range]');
    const words = document.querySelector('.fill-seat .detail'), before = words.textContent;
    const start = performance.now();
    range.value = Number(range.value) + 1;
    range.dispatchEvent(new Event('input'));
    while (words.textContent === before) await new Promise(requestAnimationFrame);
    return performance.now() - start;
}"""


def open_panel(lab, tab):
    """Return a lesson page with one panel, run."""
    path = lab.root / "notebooks" / "panel.ipynb"
    notebook = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_code_cell(one) for one in CELLS],
        metadata={"kernelspec": {"name": "python3", "display_name": "Python 3"}})
    nbformat.write(notebook, path)
    lesson = LessonPage(tab, lab, path)
    assert lesson.run_all(), lesson.faults()
    poll("the panel", lambda: tab.locator(".fill-seat .verdict").inner_text())
    assert lesson.faults() == []
    return lesson


def test_in_jupyterlab(lab, tab, note_seat):
    tab.set_viewport_size({"width": 1280, "height": 800})
    open_panel(lab, tab)
    panel, shown = tab.locator(".fill-panel"), tab.locator(".fill-seat")
    assert panel.bounding_box()["height"] <= 640
    cells = tab.locator(".jp-Cell").count()
    delay = knob(shown, "Delay")
    delay.focus()
    before = shown.locator(".detail").inner_text()
    # In command mode JupyterLab would take these: arrows go to the next cell, a and b insert one.
    for key in ("a", "b", "ArrowRight", "ArrowUp"):
        tab.keyboard.press(key)
    poll("the words", lambda: shown.locator(".detail").inner_text() != before)
    assert tab.locator(".jp-Cell").count() == cells
    assert delay.evaluate("part => part === document.activeElement")
    note_seat["slider to changed words and picture, JupyterLab"] = [
        tab.evaluate(_STEP) for _ in range(12)]
    tab.screenshot(path=SCREENSHOTS / "seat.png")
    tab.set_viewport_size({"width": 1920, "height": 1080})
    insist("projector size", tab.get_by_label("Projector size").check,
           lambda: shown.evaluate("part => part.classList.contains('large')"))
    poll("its height", lambda: panel.bounding_box()["height"] > 650)
    assert panel.bounding_box()["height"] <= 900
    tab.screenshot(path=SCREENSHOTS / "seat_projector.png")
    insist("sound", shown.get_by_role("button", name="Listen").click,
           lambda: tab.evaluate("!!globalThis.fillPage.playing?.source"))
    tab.evaluate("() => window.jupyterapp.shell.currentWidget.sessionContext.session.kernel"
                 ".restart()")
    poll("the word that the kernel stopped", lambda: shown.get_by_role("alert").count() == 1)
    assert tab.evaluate("globalThis.fillPage.playing === null")
