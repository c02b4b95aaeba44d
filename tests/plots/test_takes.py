"""Pictures of a take: what they show is what was read."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from fillalign import plots
from fillalign.audio import Doubt, GapReading, Heard, decay_times
from tests.plots.test_plots import check_words, drawn

RATE = 16000


def hall(rt60_s=0.9, seconds=1.8):
    """Return a plain decay over a noise 50 dB below its start."""
    rng = np.random.default_rng(5)
    time = np.arange(round(seconds * RATE)) / RATE
    return (rng.standard_normal(time.size) * 10 ** (-3 * time / rt60_s)
            + rng.standard_normal(time.size) * 10 ** (-50 / 20))


def lines(ax, prefix):
    """Return the lines that have a name, by what follows it."""
    return {line.get_gid().removeprefix(prefix): line for line in ax.get_lines()
            if str(line.get_gid()).startswith(prefix)}


def response(at_ms, gap_ms, height):
    """Return what was heard with its first arrival at a time, on the clock of a reading."""
    start = min(0.0, gap_ms) - 20.0
    samples = np.zeros(round(0.33 * RATE))
    samples[round((at_ms - start) * RATE / 1000)] = height
    samples[round((at_ms + 40 - start) * RATE / 1000)] = height / 4
    return Heard(samples, RATE, start, at_ms)


def reading(gap_ms, *, doubt=None):
    heard = {"mains": response(0.0, gap_ms, 0.8), "fill": response(gap_ms, gap_ms, -0.4)}
    if doubt is not None:
        return GapReading(doubt=doubt, heard=heard)
    return GapReading(gap_ms=gap_ms, uncertainty_ms=0.03, heard=heard)


BOTH = (plots.responses_plot, plots.arrival_levels_plot)


# A take


@pytest.mark.parametrize("draw", BOTH)
@pytest.mark.parametrize("gap_ms", [7.25, -110.5, 0.0])
def test_first_arrivals_stand_where_they_were_read(draw, gap_ms):
    ax = drawn(draw, reading(gap_ms), planned_gap_ms=5.0)
    at = {name: line.get_xdata()[0] for name, line in lines(ax, "arrival ").items()}
    assert at == {"mains": 0.0, "fill": gap_ms, "planned": 5.0}
    low, high = ax.get_xlim()
    assert low < min(0.0, gap_ms) <= max(0.0, gap_ms) < high
    words = {text.get_text() for text in ax.texts}
    assert {f"fill {gap_ms:.2f}", "mains 0.00", "planned 5.00"} == words
    assert ax.get_xlabel() == "time after the mains, ms"


@pytest.mark.parametrize("gap_ms", [7.25, -40.0])
def test_each_response_peaks_at_its_arrival_whichever_way_it_points(gap_ms):
    waves = lines(drawn(plots.responses_plot, reading(gap_ms)), "response ")
    for name, at_ms, up in (("mains", 0.0, True), ("fill", gap_ms, False)):
        time, wave = waves[name].get_data()
        swing = wave - np.median(wave)
        assert time[np.argmax(np.abs(swing))] == pytest.approx(at_ms, abs=0.07)
        assert (swing[np.argmax(np.abs(swing))] > 0) == up
        assert np.abs(swing).max() == pytest.approx(1.0)
    # Above each other: no wave reaches into the other.
    assert waves["mains"].get_ydata().min() > waves["fill"].get_ydata().max()


def test_levels_share_one_scale():
    """Half the height is 6 dB less, a quarter 12 dB."""
    curves = lines(drawn(plots.arrival_levels_plot, reading(30.0)), "level ")
    (time, mains), (_, fill) = (curves[name].get_data() for name in ("mains", "fill"))
    assert mains.max() == pytest.approx(0.0)
    assert fill.max() == pytest.approx(-6.02, abs=0.1)
    assert mains[(time > 35) & (time < 45)].max() == pytest.approx(-12.04, abs=0.1)
    assert time[np.argmax(fill)] == pytest.approx(30.0, abs=1.0)


def test_a_doubtful_arrival_has_a_question_mark():
    doubtful = reading(0.0, doubt=Doubt("same-sound", "the turns are alike"))
    for draw in BOTH:
        assert "fill 0.00?" in {text.get_text() for text in drawn(draw, doubtful).texts}
    assert "in doubt: the turns are alike" in plots.take_text(doubtful)
    assert "7.25 ms after the mains; planned 5.00 ms." in plots.take_text(
        reading(7.25), planned_gap_ms=5.0)


@pytest.mark.parametrize("draw", [*BOTH, plots.take_overview])
def test_a_reading_without_sound_has_no_picture(draw):
    with pytest.raises(ValueError, match="holds nothing to draw: nothing is heard"):
        draw(GapReading(doubt=Doubt("silence", "nothing is heard")))


@pytest.mark.parametrize("gap_ms", [7.25, -3.0, 260.0])
def test_no_word_of_a_take_is_cut_off_or_lies_on_another(gap_ms):
    figure = plots.take_overview(reading(gap_ms), planned_gap_ms=5.0)
    plots.svg_bytes(figure, "take")
    check_words(figure, f"take {gap_ms}")


def test_mains_and_fill_differ_without_colour():
    for draw in BOTH:
        ax = drawn(draw, reading(9.0))
        styles = {(str(line._dash_pattern), line.get_linewidth()) for line in ax.get_lines()
                  if str(line.get_gid()).startswith(("response", "level"))}
        assert len(styles) == 2


# Decay


def test_each_octave_has_its_curve_and_the_line_that_was_read():
    read = decay_times(hall(), RATE)
    ax = drawn(plots.decay_plot, decay_times(hall(), RATE))
    assert lines(ax, "decay ").keys() == {str(octave) for octave in read}
    for octave, line in lines(ax, "line ").items():
        (start, end), (high, low) = line.get_data()
        # Its slope is the time told, and it lies on the curve it was read from.
        assert 60 * (end - start) / (high - low) == pytest.approx(read[int(octave)].rt60_s)
        assert high == pytest.approx(-5.0, abs=1.5)
        assert low == pytest.approx(-35.0 if read[int(octave)].t30_s else -25.0, abs=1.5)
    told = {octave for octave, each in read.items() if each.rt60_s is not None}
    assert {int(octave) for octave in lines(ax, "line ")} == told
    words = [text.get_text() for text in ax.texts]
    assert f"1000\n{read[1000].rt60_s:.2f} s" in words


def test_an_octave_that_cannot_be_told_has_no_line():
    noisy = hall() + 0.1 * np.random.default_rng(1).standard_normal(hall().size)
    ax = drawn(plots.decay_plot, decay_times(noisy, RATE))
    assert not lines(ax, "line ")
    assert "1000\n-" in [text.get_text() for text in ax.texts]
    assert np.isfinite(ax.get_xlim()).all()


def test_no_word_of_a_decay_is_cut_off_or_lies_on_another():
    figure = Figure(figsize=(7.0, 3.0), layout="constrained")
    plots.decay_plot(decay_times(hall(), RATE), ax=figure.add_subplot())
    plots.svg_bytes(figure, "decay")
    figure.set_layout_engine("none")
    check_words(figure, "decay")


def test_axes_given_are_drawn_into():
    ax = Figure().add_subplot()
    assert plots.decay_plot(decay_times(hall(), RATE), ax=ax) is ax
    assert ax.get_xlabel().endswith(", s")
    assert ax.get_ylabel().endswith(", dB")
