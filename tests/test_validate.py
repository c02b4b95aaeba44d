"""The border checks: one form of error, nothing good refused, nothing bad let through."""

from decimal import Decimal
from inspect import signature
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings, strategies as st

from fillalign._validate import (
    Points,
    Within,
    as_float,
    as_number,
    as_path,
    as_points,
    as_whole,
    bordered,
    check_choice,
    check_flag,
    check_shapes,
    check_type,
    checked,
    range_text,
    scalar_out,
)


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ((-np.inf, np.inf), "a finite number"),
        ((0.0, np.inf), "at least 0 m"),
        ((-np.inf, 2.5), "at most 2.5 m"),
        ((-1.0, 1e6), "between -1 and 1000000 m"),
    ],
)
def test_ranges_in_words(limits, text):
    assert range_text(*limits, "m") == text


def test_open_ranges_in_words_and_without_a_unit():
    assert range_text(0.0, np.inf, "m", open_low=True) == "above 0 m"
    assert range_text(0.0, 5.0, "s", open_low=True) == "above 0 and at most 5 s"
    assert range_text(0.0, 1.0, "") == "between 0 and 1"


@pytest.mark.parametrize(
    "value",
    [3, 3.0, np.float32(3), np.int16(3), [3, 4], (3.0, 4.0), np.arange(3), pd.Series([3, 4]), []],
)
def test_numbers_become_float_arrays(value):
    array = as_float("x", value, "m", low=0.0, high=9.0)
    assert array.dtype == np.float64
    np.testing.assert_array_equal(array, np.asarray(value))


def test_a_float_array_is_passed_on_uncopied():
    source = np.array([1.0, 2.0])
    assert as_float("x", source) is source


@pytest.mark.parametrize(
    "value",
    ["3", None, True, [True], 1j, [1, "a"], [[1, 2], [3]], {"a": 1}, object(), Decimal(3), [None]],
)
def test_what_is_not_numbers_is_a_type_error(value):
    with pytest.raises(TypeError, match=r"^x must be between 0 and 9 m, got ['\"]") as error:
        as_float("x", value, "m", low=0.0, high=9.0)
    assert error.value.__suppress_context__


def test_a_long_value_is_cut_in_the_message():
    with pytest.raises(TypeError, match=r"^x must be a finite number, got 'a{56}\.\.\.$"):
        as_float("x", "a" * 1000)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (-0.5, r"-0\.5"),
        (9.25, r"9\.25"),
        (np.nan, "nan"),
        (np.inf, "inf"),
        (-np.inf, "-inf"),
        ([1.0, -2.0, -3.0], r"-2 at \[1\]"),
        ([[1.0, 2.0], [10.0, -1.0]], r"10 at \[1, 0\]"),
        ([1.0, np.nan], r"nan at \[1\]"),
        (np.array(10), "10"),
        ([10.0], "10"),
        (np.float64(10.0), "10"),
    ],
)
def test_values_outside_are_refused_by_name_and_the_first_is_shown(value, shown):
    with pytest.raises(ValueError, match=rf"^x must be between 0 and 9 m, got {shown}$"):
        as_float("x", value, "m", low=0.0, high=9.0)


@pytest.mark.parametrize("value", [np.inf, -np.inf, np.nan, [0.0, np.inf], [-np.inf, np.inf]])
def test_infinity_is_never_a_number(value):
    with pytest.raises(ValueError, match=r"^x must be a finite number, got "):
        as_float("x", value)


def test_ends_belong_to_the_range_unless_it_is_open():
    assert as_float("x", [0.0, 9.0], low=0.0, high=9.0).tolist() == [0.0, 9.0]
    assert as_float("x", 0.0, low=0.0) == 0.0
    assert as_float("x", 9.0, low=0.0, high=9.0, open_low=True) == 9.0
    for value in (0.0, [1.0, 0.0]):
        with pytest.raises(ValueError, match=r"^x must be above 0, got 0( at \[1\])?$"):
            as_float("x", value, low=0.0, open_low=True)


def test_the_widest_finite_numbers_pass_and_wider_ones_would_overflow():
    widest = [-1e100, 1e100]
    assert as_float("x", widest).tolist() == widest
    for wider in (-1.1e100, 1.7e308, [0.0, 1e101]):
        with pytest.raises(ValueError, match=r"x must be a finite number, got .*: at most 1e\+100"):
            as_float("x", wider)


def test_silence_is_minus_infinity_where_it_is_welcome():
    assert as_float("x", [-np.inf, 3.0], "dB", high=9.0, silence=True).tolist() == [-np.inf, 3.0]
    for wrong in (np.nan, np.inf, [-np.inf, 10.0], -2e100):
        with pytest.raises(ValueError, match=r"^x must be at most 9 dB, got"):
            as_float("x", wrong, "dB", high=9.0, silence=True)


@pytest.mark.parametrize("mask", [False, [False, True]])
def test_masked_arrays_are_no_data(mask):
    with pytest.raises(TypeError, match=r"^x must not be a masked array: fill it or drop what is"):
        as_float("x", np.ma.array([1.0, 2.0], mask=mask))


def test_one_number_is_no_array():
    assert as_number("x", np.float32(2.5)) == as_number("x", np.array(2.5)) == 2.5
    for several in ([1.0], [[1.0, 2.0]], np.ones(3), []):
        with pytest.raises(TypeError, match="x must be one number, got an array of shape"):
            as_number("x", several)
    assert as_whole("x", 3.0) == 3
    with pytest.raises(ValueError, match=r"x must be a whole number, .*, got 2\.5"):
        as_whole("x", 2.5)


def test_records_and_flags_are_named():
    check_type("x", 1, int, str)
    check_flag("x", np.bool_(False))
    with pytest.raises(TypeError, match="x must be an int or str, got list"):
        check_type("x", [], int, str)
    with pytest.raises(TypeError, match="x must be True or False, got int"):
        check_flag("x", 1)
    for path in (b"x", 3, None):
        with pytest.raises(TypeError, match="x must be a path as text, got"):
            as_path("x", path)


@pytest.mark.parametrize(("value", "unit", "ending"), [
    (150.0, "C", r"got 150"),
    (68.0, "C", r"got 68, which looks like Fahrenheit: degrees C are \(F - 32\) / 1\.8"),
    (293.15, "C", r"got 293\.15, which looks like kelvin: degrees C are kelvin less 273\.15"),
    ([1.0, 294.0, 68.0], "C", r"got 294 at \[1\], which looks like kelvin: .*"),
    (101325, "kPa", r"got 101325, which looks like Pa: 1 kPa is 1000 Pa"),
    (1013.25, "kPa", r"got 1013\.25, which looks like hPa \(mbar\): 1 kPa is 10 hPa"),
    (48, "Hz", r"got 48, which looks like kHz: 1 kHz is 1000 Hz"),
    (68.0, "m", r"got 68"),
])
def test_what_seems_to_be_in_another_unit_is_told(value, unit, ending):
    with pytest.raises(ValueError, match=rf"^x must be between 0 and 9 {unit}, {ending}$"):
        as_float("x", value, unit, low=0.0, high=9.0)


def test_points_have_three_coordinates():
    assert as_points("seat_m", [1, 2, 3]).shape == (3,)
    assert as_points("seat_m", np.zeros((5, 2, 3))).shape == (5, 2, 3)
    for wrong in (1.0, [1.0, 2.0], np.zeros((3, 2)), []):
        with pytest.raises(ValueError, match=r"^seat_m must hold x, y, z in metres on its last ax"):
            as_points("seat_m", wrong)
    with pytest.raises(ValueError, match=r"^seat_m must be a finite number, got nan at \[1\]$"):
        as_points("seat_m", [1.0, np.nan, 2.0])


def test_choices():
    assert check_choice("feed", "left", ("left", "right")) == "left"
    for wrong in ("Left", "", None, 1, ["left"]):
        with pytest.raises(ValueError, match=r"^feed must be one of left, right, got "):
            check_choice("feed", wrong, ("left", "right"))


def test_scalars_leave_as_python_scalars():
    for value in (2.0, np.float64(2.0), np.array(2.0)):
        assert type(scalar_out(value)) is float
    assert type(scalar_out(np.array(1j))) is complex
    assert type(scalar_out(np.complex128(1j))) is complex
    array = np.zeros(1)
    assert scalar_out(array) is array


def test_shapes_that_do_not_fit_are_named():
    check_shapes(a=np.zeros((3, 1)), b=np.zeros(4), c=1.0)
    with pytest.raises(ValueError, match=(
        r"^shapes must fit together \(broadcast\), got a \(3, 2\), b \(4,\)$"
    )) as error:
        check_shapes(a=np.zeros((3, 2)), b=np.zeros(4), c=1.0)
    assert error.value.__suppress_context__


@settings(deadline=None)
@given(
    st.lists(st.floats(width=64), min_size=1, max_size=6),
    st.floats(-10.0, 0.0),
    st.floats(0.0, 10.0),
    st.booleans(),
)
def test_accepts_exactly_the_values_inside(values, low, high, open_low):
    """Scalar, 0-d and array forms of the same numbers are judged alike."""
    inside = [(low < v if open_low else low <= v) and v <= high for v in values]
    forms = [(np.array(values), all(inside)), (list(values), all(inside))]
    forms += [(v, good) for v, good in zip(values, inside, strict=True)]
    forms += [(np.array(v), good) for v, good in zip(values, inside, strict=True)]
    for form, good in forms:
        if good:
            as_float("x", form, low=low, high=high, open_low=open_low)
        else:
            with pytest.raises(ValueError, match=r"^x must be "):
                as_float("x", form, low=low, high=high, open_low=open_low)


Share = Annotated[Any, Within("", 0.0, 1.0)]
Count = Annotated[int, Within("", 1.0, 9.0)]


@bordered
def add(one: Share, two: Annotated[Any, Within("m")] = 1.0, *, third: Share | None = None):
    """Add two arrays."""
    return one + two + (0.0 if third is None else third), np.asarray(two) > 0.0


@checked
def weigh(
    point_m: Points, count: Count = 1, *, rate: Annotated[float, Within("Hz", low=5.0)] = 8.0,
    word: Literal["up", "down"] = "up", loud: bool = False, own: str | None = "3",
):
    """Return what comes in."""
    return point_m, count, rate, word, loud, own


def test_functions_of_arrays_keep_their_face():
    """Scalars for scalars, the function's own errors, names for shapes, its help."""
    assert add(1.0, 2) == (3.0, True)
    assert [type(part) for part in add(1, 2)] == [float, bool]
    assert add([1.0, 0.5])[0].tolist() == [2.0, 1.5]
    assert add([1.0, 0.5], third=[0.5, 0.25])[0].tolist() == [2.5, 1.75]
    with pytest.raises(ValueError, match=r"^one must be between 0 and 1, got nan at \[0\]$"):
        add([np.nan, 0.0], two=3)
    with pytest.raises(ValueError, match=r"^shapes must fit .* got one \(2,\), two \(3,\)$"):
        add([1.0, 1.0], two=[1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match=r"^shapes must fit .* got one \(2,\), third \(3,\)$"):
        add([1.0, 1.0], third=[1.0, 0.0, 0.0])
    assert (add.__name__, add.__doc__) == ("add", "Add two arrays.")
    assert str(signature(add)) == (
        "(one: Annotated[Any, between 0 and 1], two: Annotated[Any, a finite number] = 1.0, *, "
        "third: Optional[Annotated[Any, between 0 and 1]] = None)")


@pytest.mark.parametrize(("args", "kwargs", "said"), [
    ((), {}, "missing 1 required positional argument: 'one'"),
    ((0.5, 1.0, 0.5), {}, "takes from 1 to 2 positional arguments but 3 were given"),
    ((0.5,), {"one": 0.5}, "got multiple values for argument 'one'"),
    ((0.5,), {"four": 0.5}, "got an unexpected keyword argument 'four'"),
])
def test_a_call_that_does_not_fit_fails_as_any_other(args, kwargs, said):
    with pytest.raises(TypeError, match=said):
        add(*args, **kwargs)


def test_what_every_kind_of_annotation_promises():
    point, count, *others = weigh([1, 2, 3], 4.0, rate=6, own="as it is")
    assert (point.dtype, point.tolist()) == (np.float64, [1.0, 2.0, 3.0])
    assert (count, type(count)) == (4, int)
    assert others == [6.0, "up", False, "as it is"]
    assert type(others[0]) is float


@pytest.mark.parametrize(("wrong", "error", "said"), [
    ({"point_m": [1.0, 2.0]}, ValueError, "^point_m must hold x, y, z in metres"),
    ({"count": 2.5}, ValueError, "^count must be a whole number, between 1 and 9, got 2.5"),
    ({"rate": [6.0]}, TypeError, "^rate must be one number, got an array of shape"),
    ({"rate": 4.0}, ValueError, "^rate must be at least 5 Hz, got 4"),
    ({"word": "left"}, ValueError, "^word must be one of up, down, got 'left'"),
    ({"loud": 1}, TypeError, "^loud must be True or False, got int"),
])
def test_what_breaks_a_promise_is_named(wrong, error, said):
    with pytest.raises(error, match=said):
        weigh(**{"point_m": [1.0, 2.0, 3.0], **wrong})
