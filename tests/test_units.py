"""Units against their definitions, there and back."""

import numpy as np
import pytest
from hypothesis import given, strategies as st

from fillalign import Air, ms_to_samples, travel_time_ms
from fillalign.units import ft_to_m, m_to_ft, ms_to_m, round_up_to_step, samples_to_ms


@pytest.mark.parametrize(("rate", "samples"), [(44100, 441), (48000, 480), (96000, 960),
                                               (192000, 1920)])
def test_ten_milliseconds(rate, samples):
    assert ms_to_samples(10.0, rate) == pytest.approx(samples, rel=1e-14)
    assert samples_to_ms(samples, rate) == pytest.approx(10.0, rel=1e-14)


def test_a_44100_file_read_as_48000():
    # Arithmetic: 60 ms x 44100/48000 = 55.125 ms.
    assert samples_to_ms(ms_to_samples(60.0, 44100), 48000) == pytest.approx(55.125)


def test_foot():
    # International yard and pound agreement of 1959: exactly 0.3048 m.
    assert ft_to_m(1.0) == 0.3048
    assert m_to_ft(0.3048) == 1.0


@given(st.floats(-1e4, 1e4))
def test_there_and_back(value):
    air = Air(20.0)
    assert ft_to_m(m_to_ft(value)) == pytest.approx(value)
    assert samples_to_ms(ms_to_samples(value)) == pytest.approx(value)
    assert travel_time_ms(abs(ms_to_m(value, air)), air) == pytest.approx(abs(value))


@given(st.floats(0, 1000), st.floats(0.001, 5))
def test_rounding_goes_up_by_less_than_a_step(delay, step):
    rounded = round_up_to_step(delay, step)
    # A millionth of a step counts as rounding error, and the result is rounded to 1e-9 ms.
    assert -1e-6 * step - 1e-9 <= rounded - delay < step + 1e-9
    assert round_up_to_step(rounded, step) == pytest.approx(rounded)


def test_multiples_stay():
    np.testing.assert_allclose(round_up_to_step([0.3, 75.0, 0.0], 0.1), [0.3, 75.0, 0.0])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ms_to_samples(1.0, 10.0), "sample_rate_hz must be between 8000 and 768000 Hz"),
        (lambda: samples_to_ms(1.0, 1e9), "sample_rate_hz must be between 8000 and 768000 Hz"),
        (lambda: round_up_to_step(1.0, 0.0), "step_ms must be at least 1e-06 ms, got 0"),
        (lambda: m_to_ft(np.nan), "length_m must be a finite number"),
        (lambda: ft_to_m(np.inf), "length_ft must be a finite number"),
        (lambda: ms_to_m(np.inf, Air(20.0)), "time_ms must be a finite number"),
    ],
)
def test_nonsense_units_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
