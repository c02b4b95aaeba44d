"""Panels without a browser: move a control, read lines, words and picture."""

from __future__ import annotations

import base64
import io
import re
import subprocess
import sys
import warnings

import numpy as np
import pytest
from PIL import Image

import fillalign.classroom as classroom
from fillalign.classroom import answers_file, figures, players, widgets
from fillalign.classroom.boxes import (
    answer_box,
    class_predictions,
    predict,
    reveal,
    strip_picture,
)
from fillalign.classroom.exercises import check, hint, right_answer, solution
from fillalign.classroom.figures import Picture
from fillalign.classroom.hearing import HeardBox, words_right
from fillalign.classroom.lessons import l02, l03, l05, l08
from fillalign.classroom.live_panels import LiveFigure, LivePlayer
from fillalign.classroom.number_form import quick_form
from fillalign.classroom.widgets import Choice, Slider, Switch, progress_bar, projector

X = np.linspace(0, 10, 50)


@pytest.fixture(autouse=True)
def _fresh():
    # Panels of other tests need not follow the size switch.
    widgets.size.followers.clear()
    widgets.size.calls.clear()
    answers_file.forget()
    projector(False)
    yield
    projector(False)
    answers_file.forget()


def parabola(**more):
    """Make a small live figure with every kind of control."""

    def draw(figure):
        ax = figure.add_subplot()
        ax.set(xlim=(0, 10), ylim=(0, 120), xlabel="Distance (m)", ylabel="Level (dB)")
        band = ax.fill_between(X, 0 * X, 10, color=figures.PALE, zorder=0.9)
        line = ax.plot(X, X, label="curve", **figures.LINES[0])[0]
        ax.plot(X, 5 * X, label="stays", **figures.LINES[1])
        ax.legend(loc="upper left")
        return {"line": line, "band": band, "ax": ax}

    def update(artists, *, factor, kind, shown):
        if factor == 9:
            raise ValueError("nine is too much")
        if factor == 8:
            warnings.warn("eight is a lot", UserWarning, stacklevel=2)
        artists["line"].set_ydata(factor * X**2 if kind == "square" else factor * X)
        artists["line"].set_visible(shown)
        artists["band"].remove()
        artists["band"] = artists["ax"].fill_between(X, 0 * X, 5 * factor, color=figures.PALE)
        return f"At 10 m it is {factor * (100 if kind == 'square' else 10):g} dB."

    controls = [Slider("factor", "Factor", 0, 10, 1, unit="dB"),
                Choice("kind", "Kind", ("square", "straight")), Switch("shown", "Show it", True)]
    return LiveFigure("A curve", "What does the factor do?", controls, draw, update,
                      description="A curve that rises.", **more)


def pixels(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"), dtype=int)


def test_moving_a_control_changes_line_text_picture_and_alternative_text():
    live = parabola()
    before = live.png
    live.controls["factor"].value = 2
    np.testing.assert_allclose(live.artists["line"].get_ydata(), 2 * X**2)
    assert live.text == "At 10 m it is 200 dB."
    assert "At 10\xa0m it is 200\xa0dB." in live.readout.value
    assert "widget-readout" in live.readout._dom_classes
    assert live.png != before
    assert live.png.startswith(b"\x89PNG")
    shown = live.image.value
    assert 'alt="A curve. A curve that rises. At 10 m it is 200 dB."' in shown
    assert base64.b64decode(re.search(r"base64,([^\"]+)", shown)[1]) == live.png
    live.controls["kind"].value = "straight"
    assert live.text == "At 10 m it is 20 dB."
    live.controls["shown"].value = False
    assert not live.artists["line"].get_visible()


def test_the_figure_and_its_lines_stay_the_same_objects():
    live = parabola()
    figure, line = live.picture.figure, live.artists["line"]
    for factor in range(2, 8):
        live.controls["factor"].value = factor
    assert live.picture.figure is figure
    assert live.artists["line"] is line
    assert len(figure.axes) == 1


def test_what_lies_above_a_moving_artist_stays_above_it():
    def draw(figure):
        ax = figure.add_subplot()
        band = ax.axvspan(0.1, 0.4, color="black", zorder=1)
        ax.plot([0, 1], [0, 1], color="red", linewidth=9, zorder=3)
        return {"band": band}

    picture = Picture(draw, size_in=(4, 2))
    picture.rebuild(lambda _: "", projector=False)
    picture.png()
    picture.redraw(lambda artists: artists["band"].set_x(0.5) or "")
    kept = pixels(picture.png())
    for artist in picture._layer:
        artist.set_animated(False)
    held = io.BytesIO()
    picture.figure.savefig(held, dpi=figures.NORMAL_DPI)
    np.testing.assert_allclose(kept, pixels(held.getvalue()), atol=2)
    assert ((kept[..., 0] > 200) & (kept[..., 1] < 50)).sum() > 500


def test_a_change_outside_the_moving_artists_is_drawn_too():
    def draw(figure):
        ax = figure.add_subplot()
        return {"line": ax.plot([0, 1], [0, 1])[0], "ax": ax}

    picture = Picture(draw, size_in=(4, 2))
    picture.rebuild(lambda _: "", projector=False)
    first = pixels(picture.png())
    picture.redraw(lambda artists: artists["line"].set_ydata([1, 0]) or "")
    second = pixels(picture.png())
    picture.redraw(lambda artists: artists["ax"].set_xlim(0, 3) or "")
    third = pixels(picture.png())
    assert (first != second).any()
    assert (second != third).any()
    assert first.shape == second.shape == (200, 400, 3)


def test_an_error_shows_below_and_the_last_good_picture_stays():
    live = parabola()
    live.controls["factor"].value = 7
    good = live.png
    live.controls["factor"].value = 9
    assert live.error == "ValueError: nine is too much"
    assert "still the last that did. ValueError: nine is too much" in live.message.value
    assert 'role="alert"' in live.message.value
    assert live.message.layout.display is None
    assert live.png == good
    live.controls["factor"].value = 6
    assert live.error == ""
    assert live.message.layout.display == "none"
    assert live.text == "At 10 m it is 600 dB."


def test_a_warning_shows_as_a_note():
    live = parabola()
    live.controls["factor"].value = 8
    assert live.error == ""
    assert "Note: eight is a lot" in live.message.value
    assert live.text == "At 10 m it is 800 dB."


def test_an_error_in_the_first_picture_goes_to_the_author():
    with pytest.raises(KeyError, match="nothing"):
        LiveFigure("T", "Q", [], lambda _: {}, lambda artists: artists["nothing"], description="D")


def test_sliders_have_units_keyboard_steps_and_the_width_of_the_page():
    slider = parabola().controls["factor"]
    assert slider.description == "Factor (dB)"
    assert slider.layout.max_width == "95%"
    assert (slider.min, slider.max, slider.step, slider.readout) == (0, 10, 1, True)
    assert slider.continuous_update
    assert not parabola(continuous=False).controls["factor"].continuous_update
    fine = widgets.make_control(Slider("t", "Time", 0, 1, 0.5, step=0.25, unit="s"),
                                continuous=True)
    assert (fine.readout_format, fine.step, fine.value) == (".2f", 0.25, 0.5)


def test_the_projector_switch_enlarges_letters_lines_and_controls_everywhere():
    live, other = parabola(), parabola()

    def sizes(panel):
        line, ax = panel.artists["line"], panel.artists["ax"]
        return (line.get_linewidth(), ax.xaxis.label.get_size(),
                ax.xaxis.get_ticklabels()[0].get_size(), ax.get_legend().get_texts()[0].get_size())

    before, width = sizes(live), pixels(live.png).shape[1]
    live.controls["factor"].value = 3
    projector(True)
    for panel in (live, other):
        assert all(now >= 1.5 * then for now, then in zip(sizes(panel), before, strict=True))
        assert "fill-large" in panel.box._dom_classes
    assert pixels(live.png).shape[1] > width
    np.testing.assert_allclose(live.artists["line"].get_ydata(), 3 * X**2)
    assert "fill-large" in answer_box("00-a").box._dom_classes
    live.controls["factor"].value = 2
    np.testing.assert_allclose(live.artists["line"].get_ydata(), 2 * X**2)
    projector(False)
    assert sizes(live) == before
    assert "fill-large" not in live.box._dom_classes


def test_words_are_text_and_never_markup():
    panel = widgets.words("<b>5 & 6</b>", "note")
    assert "&lt;b&gt;5 &amp; 6&lt;/b&gt;" in panel.value
    widgets.say(panel, "")
    assert panel.layout.display == "none"


# Answer boxes and predictions


def test_an_answer_box_leads_from_hint_to_solution():
    box = answer_box("00-a", seed=4)
    assert box.solution.disabled
    box.entry.value = "12345"
    box.check.click()
    assert "Hint 1 of 3" in box.reply.value
    box.check.click()
    assert "Hint 2 of 3" in box.reply.value
    assert box.solution.disabled
    box.check.click()
    assert not box.solution.disabled
    box.solution.click()
    assert "In code: seat_delay_ms(" in box.reply.value
    box.entry.value = f"{right_answer('00-a', seed=4):.1f} ms"
    box.check.click()
    assert "Right: " in box.reply.value


def test_an_answer_box_names_the_slip_and_counts_nothing_for_an_empty_box():
    box = answer_box("00-a", seed=4)
    for _ in range(4):
        box.check.click()
    assert "Please give one number" in box.reply.value
    assert box.solution.disabled
    box.entry.value = str(right_answer("00-a", seed=4) / 1000)
    box.check.click()
    assert "in seconds" in box.reply.value
    for number in (1, 2, 3):
        assert box.solution.disabled
        box.hint.click()
        assert f"Hint {number} of 3" in box.reply.value
    assert not box.solution.disabled


def test_enter_checks_too():
    box = answer_box("00-b")
    box.entry.value = str(right_answer("00-b"))
    box.entry._handle_custom_msg({"event": "submit"}, [])
    assert "Right" in box.reply.value


def test_boxes_and_functions_say_the_same():
    assert hint("00-b", 2) in f"{hint('00-b', 2)}"
    box = answer_box("00-b")
    box.hint.click()
    assert hint("00-b", 1).split("kHz")[1] in box.reply.value
    box.entry.value = "1"
    box.check.click()
    assert check("00-b", 1).text.split("kHz")[1] in box.reply.value
    assert "Answer: " in solution("00-b")


def test_a_prediction_is_kept_until_the_reveal_shows_it():
    box, shown = predict("00-a"), reveal("00-a")
    assert "Computed" not in shown.reply.value
    assert shown.image.value == ""
    box.entry.value = "soon"
    box.button.click()
    assert "Please give one number" in box.reply.value
    box.entry.value = "40"
    box.button.click()
    assert "Written down: 40\xa0ms." in box.reply.value
    assert "You predicted 40\xa0ms. Computed: 116\xa0ms." in shown.reply.value
    assert "one millisecond for each metre" in shown.reply.value
    assert "and the predictions: 40." in shown.image.value
    later = reveal("00-a")
    assert "You predicted 40\xa0ms" in later.reply.value


def test_a_reveal_can_be_had_without_a_prediction():
    shown = reveal("00-a")
    shown.button.click()
    assert "You have not predicted anything here. Computed: 116\xa0ms." in shown.reply.value
    assert "and the predictions: none." in shown.image.value


@pytest.mark.parametrize(("name", "guess", "near"), [("02-a", 0.0, True), ("02-b", 20.0, False),
                                                     ("02-b", 3.5, True)])
def test_what_counts_as_near_looks_near_and_what_does_not_looks_far(name, guess, near):
    """0 beside 0.08 ms is well judged, 20 beside 4.1 ms is not."""
    picture, _ = strip_picture(name, [guess])
    picture.rebuild(lambda _: "", projector=False)
    ax = picture.figure.axes[0]
    band = next(patch for patch in ax.patches).get_extents()
    at = ax.transData.transform([(guess, 0.0)])[0, 0]
    assert bool(band.x0 <= at <= band.x1) is near
    truth = ax.transData.transform([(picture.artists["computed"].get_xdata()[0], 0.0)])[0, 0]
    assert band.x0 < truth < band.x1
    assert bool(abs(at - truth) < 0.13 * ax.bbox.width) is near


def test_the_class_sees_its_predictions_on_one_line():
    shown = class_predictions("00-a", [70, 70, 26])
    marks = shown.picture.artists["guessed"]
    np.testing.assert_allclose(marks.get_xdata(), [70, 70, 26])
    assert marks.get_ydata()[0] < marks.get_ydata()[1]
    assert shown.picture.artists["computed"].get_xdata()[0] == pytest.approx(116.3, abs=0.3)
    assert shown.text.startswith("3 predictions from 26 to 70 ms")


# Sound


def wav_in(html_text):
    from scipy.io import wavfile

    found = re.findall(r"base64,([A-Za-z0-9+/=]+)", html_text)
    return [wavfile.read(io.BytesIO(base64.b64decode(sound))) for sound in found]


def test_a_live_player_keeps_its_gain_between_settings():
    noise = np.random.default_rng(1).standard_normal(4800)

    def render(*, level_db):
        return {"reference": noise, "moved": noise * 10 ** (level_db / 20)}, f"{level_db:g} dB"

    live = LivePlayer("Levels", "Which is louder?",
                      [Slider("level_db", "Level", -30, 30, 0, unit="dB")], render,
                      sample_rate_hz=48000)
    assert not live.controls["level_db"].continuous_update
    first = live.clips["reference"].copy()
    assert np.abs(first).max() == pytest.approx(10 ** (-7 / 20))
    live.controls["level_db"].value = -6
    np.testing.assert_array_equal(live.clips["reference"], first)
    assert "moved: 6.0 dB softer than reference" in live.text
    live.controls["level_db"].value = 20
    assert "Everything plays softer than before" in live.text
    assert np.abs(live.clips["moved"]).max() == pytest.approx(10 ** (-1 / 20))
    assert len(wav_in(live.sound.value)) == 2


# The form


def form_with(**typed):
    form = quick_form()
    for name, value in typed.items():
        form.entries[name].value = value
    form.button.click()
    return form


def test_the_form_gives_delay_trim_and_low_cut():
    form = form_with(main_m="41", fill_m="15,0", temperature_c="24 C", mains_db="68",
                     fill_db="72", goal_db="71", margin_ms="10")
    # 26 m at 331.3 + 0.606 x 24 m/s is 75.2 ms (common practice), 10 ms on top; 68 and 68 dB
    # make 71 dB by power, so the fill comes down from 72 by 4.
    assert float(re.search(r"Delay +([\d.]+) ms", form.text)[1]) == pytest.approx(85.2, abs=0.3)
    assert "down by 4.0 dB" in form.text
    assert "Low cut       120 to 150 Hz" in form.text
    assert "Delay  " in form.reply.value
    assert "monospace" in form.reply.value


def test_the_form_does_without_a_meter_and_names_its_own_boxes():
    form = form_with(main_m="41", fill_m="15", temperature_c="24")
    assert "meter, mains alone" in " ".join(form.text.split())
    assert "--" not in form.text


@pytest.mark.parametrize(
    ("typed", "message"),
    [({"main_m": "41"}, "Still needed: Fill to seat (m), Temperature (C)."),
     ({"main_m": "far", "fill_m": "1", "temperature_c": "20"},
      "Main to seat (m): please give one number"),
     ({"main_m": "41", "fill_m": "15", "temperature_c": "900"}, "900")],
)
def test_the_form_says_what_is_missing_or_wrong(typed, message):
    assert message in form_with(**typed).text


# The package


def test_importing_the_library_leaves_widgets_out_and_the_kit_loads_by_name():
    code = ("import sys, fillalign, fillalign.classroom as c; "
            "assert 'ipywidgets' not in sys.modules; assert 'matplotlib' not in sys.modules; "
            "c.health_check; assert 'matplotlib' not in sys.modules; "
            "import fillalign.classroom.number_form; assert callable(c.quick_form)")
    subprocess.run([sys.executable, "-c", code], check=True)
    for name in classroom.__all__:
        assert getattr(classroom, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'fly'"):
        _ = classroom.fly


def test_only_one_module_imports_ipywidgets():
    from pathlib import Path

    package = Path(classroom.__file__).parents[1]
    found = [path.name for path in package.rglob("*.py")
             if re.search(r"^\s*(import|from) ipywidgets", path.read_text(encoding="utf-8"), re.M)]
    assert found == ["widgets.py"]


def test_the_health_check_says_what_is_missing(monkeypatch):
    from fillalign.classroom import health

    assert health.health_check().endswith("All is well: go on.")
    monkeypatch.setitem(health._NEEDS, "no_such_thing", "magic")
    monkeypatch.setattr(health, "_SPEED_M_S", 300.0)
    lines = health.health_check().splitlines()
    assert any(line.startswith("magic (no_such_thing)") and "MISSING" in line for line in lines)
    assert any(line.startswith("speed of sound") and "WRONG" in line for line in lines)
    assert lines[-1] == "2 of 11 need care: see the lines above."
    monkeypatch.setattr(health, "DEMO_SOUNDS", ("no_such_sound",))
    lines = health.health_check().splitlines()
    assert any(line.startswith("demo venues") and "MISSING: no data/no_such_sound.wav" in line
               for line in lines)


def test_data_is_found_from_the_notebooks_folder(tmp_path, monkeypatch):
    from fillalign.classroom import venues

    monkeypatch.setattr(venues, "__file__", str(tmp_path / "a" / "b" / "c" / "venues.py"))
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "voice.wav").write_bytes(b"")
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    assert venues.data_path("voice.wav") == tmp_path / "data" / "voice.wav"
    with pytest.raises(FileNotFoundError, match=r"no data/other.wav beside the package or above"):
        venues.data_path("other.wav")


# Lesson 00


def test_a_bar_of_progress_shows_how_far_it_is_and_leaves_no_trace(monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", shown.append)
    with progress_bar("Places tried") as told:
        bar, = shown
        told(3, 12)
        assert (bar.value, bar.max, bar.description) == (3, 12, "Places tried")
    assert bar.comm is None
    with pytest.raises(KeyboardInterrupt), progress_bar("Places tried"):
        raise KeyboardInterrupt
    assert shown[1].comm is None


def test_drawing_only_what_changes_gives_the_same_picture_as_drawing_all():
    live, causes = parabola(), l02.causes_figure()
    for panel, name, values in ((live, "factor", (3, 1, 4)),
                                (causes, "temperature_c", (0, 12, 5))):
        for value in values:
            panel.controls[name].value = value
        kept_pixels = pixels(panel.png)
        panel.picture._background = None
        np.testing.assert_array_equal(kept_pixels, pixels(panel.picture.png()))


def test_a_panel_stores_its_words_as_plain_text():
    bundle = parabola()._repr_mimebundle_()
    assert bundle["text/plain"] == ("A curve\nQuestion: What does the factor do?\n"
                                    "Result: At 10 m it is 100 dB.")
    assert "application/vnd.jupyter.widget-view+json" in bundle
    blind = HeardBox("Sound A", np.array([0.1, -0.1]), 48000, said="a word", what="That was it.")
    for panel in (answer_box("00-a"), predict("00-a"), reveal("00-a"), quick_form(), blind,
                  answer_box("00-b", folded=True), class_predictions("00-a", "7")):
        words = panel._repr_mimebundle_()["text/plain"]
        assert len(words) > 10
        assert "Box(" not in words
        assert "Accordion" not in words


def test_levels_are_told_against_the_first_sound():
    loud, soft = np.array([0.5, -0.5] * 40), np.array([0.05, -0.05] * 40)
    assert players.players_text({"a": soft, "b": loud, "c": soft, "d": 0 * soft}).splitlines() == [
        "a: the reference", "b: 20.0 dB louder than a", "c: as loud as a", "d: silence"]


def test_the_browser_gets_the_samples_as_they_are():
    clip = 0.25 * np.sin(np.arange(480))
    html_text = players.players_html({"half <1>": clip, "full": 4 * clip}, 48000)
    (rate, quiet), (_, loud) = wav_in(html_text)
    assert rate == 48000
    np.testing.assert_allclose(quiet / 32767, clip, atol=1e-4)
    np.testing.assert_allclose(loud / 32767, 4 * clip, atol=1e-4)
    assert "half &lt;1&gt;" in html_text
    ears = np.stack([clip, -2 * clip], axis=1)
    ((_, both),) = wav_in(players.players_html({"it": ears}, 48000))
    np.testing.assert_allclose(both[:, 1], -2.0 * both[:, 0], atol=2)


@pytest.mark.parametrize(
    ("clip", "message"),
    [([1.5, 0.0], "peaks above full scale"), (np.zeros(13 * 48000), "must be 12 s at most"),
     ([[0.1, 0.2, 0.3]], "must be one channel"), ([], "must be one channel")],
)
def test_sounds_that_cannot_be_played(clip, message):
    with pytest.raises(ValueError, match=message):
        players.players_html({"it": clip}, 48000)


def test_an_exercise_may_be_folded_and_still_answers():
    box = answer_box("00-b", folded=True)
    _, head, part = box.box.children
    assert (head.description, part.layout.display) == ("\u25b8 One more: 00-b", "none")
    head.value = True
    assert (head.description, part.layout.display) == ("\u25be One more: 00-b", None)
    box.entry.value = "many"
    box.check.click()
    assert "one number" in box.reply.value
    answers_file.forget()


@pytest.mark.parametrize(("heard", "right"), [
    ("He was not an ill disposed young man", 8), ("he was an old man", 4), ("nothing", 0),
    ("man young not was", 1), ("HE, WAS... not!", 3)])
def test_words_heard_are_counted_in_their_order(heard, right):
    said = "He was not an ill-disposed young man."
    assert words_right(heard, said) == (right, 8)


def test_heard_blind_tells_what_it_was_only_afterwards():
    box = HeardBox("Sound A", np.array([0.1, -0.1]), 48000, said="Mind the gap.",
                   what="That was the mains alone.")
    assert "mains" not in box.text
    box.check.click()
    assert "a single word will do" in box.reply.value
    assert "mains" not in box.reply.value
    box.entry.value = "mind a gap"
    box.check.click()
    assert "2 of 3 words. It was: \u201cMind the gap.\u201d" in box.reply.value
    assert "That was the mains alone." in box.reply.value


def test_a_form_names_the_box_that_is_wrong_or_missing():
    form = l03.own_delay_form()
    form.button.click()
    assert "Still needed: Main to seat (m)" in form.text
    given = {"main_to_seat_m": "40", "fill_to_seat_m": "-1", "temperature_c": "20"}
    for name, value in given.items():
        form.entries[name].value = value
    form.button.click()
    assert form.text.startswith("Fill to seat must be at least 0 m")
    form.entries["fill_to_seat_m"].value = "ten"
    form.button.click()
    assert form.text.startswith("Fill to seat (m)")


def test_own_numbers_by_hand():
    """By 344 m/s at 20 C, sums of powers, and half a millisecond a degree and 100 m.

    A little less than that where the water stays in the air (Cramer 1993).
    """
    def worked(form, **given):
        for name, value in given.items():
            form.entries[name].value = f"{value}"
        form.button.click()
        return form.text

    text = worked(l03.own_delay_form(), main_to_seat_m=37.2, fill_to_seat_m=10, temperature_c=20,
                  main_latency_ms=2, fill_latency_ms=3, margin_ms=6)
    assert float(text.split("Set ")[1].split(" ms")[0]) == pytest.approx(
        1000 * 27.2 / 344.0 - 1 + 6, abs=0.05)
    assert "6 ms after the main" in text
    late = worked(l03.own_delay_form(), main_to_seat_m=8, fill_to_seat_m=5, temperature_c=20,
                  fill_latency_ms=14, margin_ms=0)
    assert "hold the mains" in late
    assert "by 5.3 ms" in late
    text = worked(l05.own_trim_form(), mains_db=70, fill_db=74, goal_db=73)
    assert "must read 70.0 dB, as loud as the mains" in text
    assert "trim by -4.0 dB" in text
    assert "That holds." in text
    assert "too much" in worked(l05.own_trim_form(), mains_db=70, fill_db=74, goal_db=80)
    assert "not needed" in worked(l05.own_trim_form(), mains_db=70, fill_db=74, goal_db=70)
    text = worked(l08.own_drift_form(), distance_m=100, then_c=20, now_c=10, margin_ms=5)
    assert float(text.split("delay by ")[1].split(" ms")[0]) == pytest.approx(5.1, abs=0.1)
    assert "the fill comes first" in text
    text = worked(l08.own_drift_form(), distance_m=100, then_c=20, now_c=20, wind_m_s=-5)
    assert float(text.split("delay by ")[1].split(" ms")[0]) == pytest.approx(
        100_000 * (1 / 339.0 - 1 / 344.0), abs=0.1)
