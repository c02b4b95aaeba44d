"""Pictures of a take: what they show is what was read."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from fillalign import plots
from fillalign.audio import decay_times
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


# Decay


def test_each_octave_has_its_curve_and_the_line_that_was_read():
    read = decay_times(hall(), RATE)
    ax = drawn(plots.decay_plot, hall(), RATE)
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
    ax = drawn(plots.decay_plot, noisy, RATE)
    assert not lines(ax, "line ")
    assert "1000\n-" in [text.get_text() for text in ax.texts]
    assert np.isfinite(ax.get_xlim()).all()


def test_no_word_of_a_decay_is_cut_off_or_lies_on_another():
    figure = Figure(figsize=(7.0, 3.0), layout="constrained")
    plots.decay_plot(hall(), RATE, ax=figure.add_subplot())
    plots.svg_bytes(figure, "decay")
    figure.set_layout_engine("none")
    check_words(figure, "decay")


def test_axes_given_are_drawn_into():
    ax = Figure().add_subplot()
    assert plots.decay_plot(hall(), RATE, ax=ax) is ax
    assert ax.get_xlabel().endswith(", s")
    assert ax.get_ylabel().endswith(", dB")
