"""The precedence table as used in practice, its edges, and the echo criterion."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from fillalign import precedence

# Common practice, no published source: gap in ms, fill over main in dB.
PRACTICE = {0: -3, 1: 0, 5: 5, 10: 6, 20: 6, 30: 5, 40: 2, 50: -3}
GAPS = st.floats(-100.0, 200.0)


@pytest.mark.parametrize(("gap", "limit"), PRACTICE.items())
def test_rows_of_common_practice(gap, limit):
    assert precedence.precedence_limit_db(gap) == pytest.approx(limit)


def test_between_the_rows_is_linear():
    gaps, limits = zip(*PRACTICE.items(), strict=True)
    middle = (np.array(gaps[1:]) + np.array(gaps[:-1])) / 2
    expected = (np.array(limits[1:]) + np.array(limits[:-1])) / 2
    np.testing.assert_allclose(precedence.precedence_limit_db(middle), expected)


def test_early_fill_is_held_well_below_the_main():
    """Mirror of Haas 1951: 5 ms early, the first sound needs to be 10 dB lower."""
    early = precedence.precedence_limit_db([-5.0, -15.0, -65.0, -500.0])
    np.testing.assert_allclose(early, [-10.0, -12.5, -25.0, -25.0])


def test_beyond_50_ms_the_limit_keeps_falling_to_25_db_down():
    late = precedence.precedence_limit_db(np.arange(50.0, 139.0))
    np.testing.assert_allclose(np.diff(late), -0.25)
    assert precedence.precedence_limit_db(1000.0) == -25.0


@given(GAPS, st.floats(0.1, 10.0))
def test_never_above_the_chosen_limit_and_the_ceiling(gap, largest):
    limit = precedence.precedence_limit_db(gap, largest_db=largest)
    assert limit <= largest + 1e-12 <= precedence.CEILING_DB + 1e-9


def test_largest_db_scales_only_what_is_above_the_main():
    usual = precedence.precedence_limit_db([-3.0, 5.0, 15.0, 60.0])
    bold = precedence.precedence_limit_db([-3.0, 5.0, 15.0, 60.0], largest_db=10.0)
    np.testing.assert_allclose(bold, usual * [1.0, 10 / 6, 10 / 6, 1.0])


def test_more_than_the_ceiling_is_refused():
    """Haas 1951: at 10 dB the later sound is equally loud."""
    with pytest.raises(ValueError, match=r"largest_db must be above 0 and at most 10 dB, got 10.5"):
        precedence.precedence_limit_db(10.0, largest_db=10.5)
    with pytest.raises(ValueError, match=r"gap_ms must be a finite number, got inf"):
        precedence.precedence_limit_db(np.inf)


@given(GAPS, st.floats(-30.0, 12.0), st.floats(1.0, 10.0))
def test_margin_is_the_smallest_that_mends(gap, level, largest):
    margin = precedence.required_margin_ms(gap, level, largest_db=largest)
    tries = precedence.precedence_limit_db(gap + np.arange(0.0, 400.0, 0.05), largest_db=largest)
    if np.isnan(margin):
        assert (tries < level).all()
        return
    mended = precedence.precedence_limit_db(gap + margin, largest_db=largest)
    assert mended >= level - 1e-9
    assert margin >= 0.0
    assert (tries[np.arange(0.0, 400.0, 0.05) < margin - 1e-6] < level).all()


def test_margin_by_hand():
    """Read off the table: 0 dB wants 1 ms, 6 dB wants 10 ms."""
    assert precedence.required_margin_ms(0.0, 0.0) == pytest.approx(1.0)
    assert precedence.required_margin_ms(-4.0, 6.0) == pytest.approx(14.0)
    assert precedence.required_margin_ms(12.0, 6.0) == 0.0
    assert np.isnan(precedence.required_margin_ms(12.0, 6.1))
    assert precedence.required_margin_ms(12.0, 9.9, largest_db=10.0) == 0.0
    assert np.isnan(precedence.required_margin_ms(48.0, 0.0))
    margins = precedence.required_margin_ms([[0.0], [5.0]], [0.0, 5.0, 7.0])
    np.testing.assert_allclose(margins, [[1.0, 5.0, np.nan], [0.0, 0.0, np.nan]])


@pytest.mark.parametrize("gap", [-40.0, -5.1, -4.0, 0.0, 7.0, 15.0, 45.0, 60.0, 90.0])
def test_the_image_stays_within_the_table_or_10_db_below_the_main(gap):
    """By the rows of practice; a fill that hardly counts (common practice) draws nothing."""
    most = max(precedence.precedence_limit_db(gap), -10.0)
    for level, kept in ((most - 0.01, True), (most, True), (most + 0.01, False), (-np.inf, True)):
        assert precedence.keeps_image(gap, level) is kept


def test_image_by_hand():
    gaps, levels = [[10.0], [40.0], [-30.0]], [-11.0, -9.0, 2.0, 6.0, 6.5]
    np.testing.assert_array_equal(precedence.keeps_image(gaps, levels), [
        [True, True, True, True, False],
        [True, True, True, False, False],
        [True, False, False, False, False],
    ])
    assert precedence.keeps_image(12.0, 6.5, largest_db=8.0)
    with pytest.raises(ValueError, match="level_difference_db must be a finite number, got nan"):
        precedence.keeps_image(0.0, np.nan)


def brute_echo(energy, time_s, tail, rt60, exponent, step):
    """Echo criterion by adding up |p|^n on a grid of 0.02 ms."""
    dt, pulse = 2e-5, 1.4e-3
    t = np.arange(0.0, max(time_s) + 0.03, dt)
    power = sum(
        r * 13.8 / rt60 * np.exp(-13.8 * np.maximum(t - at, 0) / rt60) * (t >= at)
        for r, at in zip(tail, time_s, strict=True)
    )
    mean = 2 * quad(lambda x: x**exponent * norm.pdf(x), 0, 12)[0]
    size = mean * power ** (exponent / 2) * dt
    for e, at in zip(energy, time_s, strict=True):
        size[round(at / dt)] += pulse * (e / pulse) ** (exponent / 2)
    centre = np.cumsum(size * t) / np.cumsum(size)
    lag = round(step / dt)
    rise = np.concatenate([np.zeros(lag), centre[lag:] - centre[:-lag]]) / step
    start = np.array([at for at in time_s if at > 0.03])
    near = ((t >= start[:, None]) & (t < start[:, None] + step)).any(axis=0)
    return rise[near].max()


@pytest.mark.parametrize("programme", ["speech", "music"])
def test_echo_criterion_against_a_brute_sum(programme):
    """Dietsch and Kraak 1986 (from memory): n 2/3 and 9 ms for speech, 1 and 14 ms for music."""
    exponent, step = {"speech": (2 / 3, 0.009), "music": (1.0, 0.014)}[programme]
    rng = np.random.default_rng(5)
    for _ in range(12):
        time = np.sort(np.concatenate([[0.0], rng.uniform(0.002, 0.15, 3), [0.16]])).round(4)
        energy = rng.uniform(0.2, 1.0, 5)
        tail, rt60 = rng.uniform(0.1, 3.0, 5), rng.uniform(0.6, 3.0)
        mixed = rng.permutation(5)
        ours = precedence.echo_criterion(
            energy[mixed], 1000.0 * time[mixed] + 7.0, tail[mixed], rt60, programme=programme
        )
        expected = brute_echo(energy, time, tail, rt60, exponent, step)
        assert ours == pytest.approx(expected, abs=0.01, rel=0.01)


def test_two_bare_arrivals_by_hand():
    """Equal arrivals 36 ms apart, hardly a tail: the centre moves 18 ms in one step of 9 ms."""
    tail = [1e-13, 1e-13]
    assert precedence.echo_criterion([1.0, 1.0], [0.0, 36.0], tail, 1.0) == pytest.approx(2.0, 1e-3)
    lower = precedence.echo_criterion([1.0, 0.25], [0.0, 36.0], tail, 1.0, programme="music")
    assert lower == pytest.approx(36.0 / 3.0 / 14.0, rel=1e-3)


def test_echo_rises_with_gap_and_level_and_is_hidden_by_a_tail():
    def echo(level_db, gap, tail, **options):
        late = 10 ** (level_db / 10)
        return precedence.echo_criterion([1, late], [0.0, gap], [tail, tail], 1.5, **options)

    assert echo(0, 120.0, 0.3) > echo(0, 60.0, 0.3) > echo(0, 40.0, 0.3)
    assert echo(0, 80.0, 0.3) > echo(-6, 80.0, 0.3) > echo(-12, 80.0, 0.3)
    assert echo(0, 80.0, 0.3) > echo(0, 80.0, 3.0)
    assert echo(0, 80.0, 1.0, pulse_ms=3.0) > echo(0, 80.0, 1.0)


def test_echo_criterion_keeps_to_its_limits():
    """Not for gaps to 30 ms, levels to -25 dB, or without a room's tail."""
    def echo(late, gap, tail):
        return precedence.echo_criterion([1.0, late], [0.0, gap], [tail, tail], 1.0)

    assert np.isnan(echo(1.0, 29.9, 1.0))
    assert echo(1.0, 30.1, 1.0) > 0.0
    assert np.isnan(echo(10**-2.55, 80.0, 1.0))
    assert echo(10**-2.45, 80.0, 1.0) > -1.0
    assert np.isnan(echo(1.0, 80.0, 0.0))
    assert np.isnan(echo(0.0, 80.0, 1.0))


def test_echo_criterion_of_many_seats_equals_looping():
    rng = np.random.default_rng(2)
    energy, tail = rng.random((4, 6, 5)), rng.random((4, 6, 5))
    time = rng.uniform(0.0, 90.0, (4, 6, 5))
    together = precedence.echo_criterion(energy, time, tail, 1.3)
    for i, j in np.ndindex(6, 5):
        alone = precedence.echo_criterion(energy[:, i, j], time[:, i, j], tail[:, i, j], 1.3)
        assert alone == pytest.approx(together[i, j], nan_ok=True)


def test_silence_has_no_echo():
    assert np.isnan(precedence.echo_criterion([0.0, 0.0], [0.0, 50.0], [0.0, 0.0], 1.0))


def test_limits_by_programme():
    """10 % and 50 % of listeners annoyed (Dietsch and Kraak 1986, from memory)."""
    assert precedence.ECHO_LIMITS == {"speech": (0.9, 1.0), "music": (1.5, 1.8)}


@pytest.mark.parametrize(
    ("arguments", "options", "words"),
    [
        (([-1.0], [0.0], [1.0], 1.0), {}, "direct must be at least 0, got -1"),
        ((1.0, 0.0, 1.0, 1.0), {}, "direct must hold sources on its first axis"),
        (([1.0], [0.0], [1.0], 0.0), {}, "rt60_s must be between 0.05 and 30 s"),
        (([1.0], [0.0], [1.0], 1.0), {"programme": "opera"}, "programme must be one of speech"),
        (([1.0], [0.0], [1.0], 1.0), {"pulse_ms": 0.0}, "pulse_ms must be between 0.1 and 5 ms"),
    ],
)
def test_nonsense_is_refused(arguments, options, words):
    with pytest.raises(ValueError, match=words):
        precedence.echo_criterion(*arguments, **options)
