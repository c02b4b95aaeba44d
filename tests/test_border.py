"""The border that a signature draws: what is checked, what is named, which form is kept."""

from inspect import signature
from typing import Annotated, Any, Literal

import numpy as np
import pytest

from fillalign._border import Points, Within, bordered, checked

Share = Annotated[Any, Within("", 0.0, 1.0)]
Count = Annotated[int, Within("", 1.0, 9.0)]


@bordered
def add(one: Share, two: Annotated[Any, Within("m")] = 1.0, *, third: Share | None = None):
    """Add two arrays."""
    return one + two + (0.0 if third is None else third), np.asarray(two) > 0.0


@checked
def weigh(
    point_m: Points, count: Count = 1, *, rate: Annotated[float, Within("Hz", low=5.0)] = 8.0,
    word: Literal["up", "down"] = "up", loud: bool = False, own: object = 3,
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
