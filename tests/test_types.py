"""What a type checker and a set see: mistakes that mypy must catch, records that compare.

The mistakes stand in one script, each on a line of its own; the same calls without the
mistake, beside it, must pass.
"""

import dataclasses
import inspect
import re
from pathlib import Path
from typing import get_overloads

import numpy as np
import pytest

from fillalign import (
    Measured,
    OutputSettings,
    evaluate,
    plan_fills,
    quick_answer,
    read_demo_venue,
    seat_field,
    seat_speech,
)
from fillalign._validate import ByValue, FloatArray, Form
from fillalign.audio import Arrival, GapReading, OctaveDecay
from fillalign.planning import low_cuts
from fillalign.trilateration import Located
from tests import public
from tests.small_venue import small_hall

ROOT = Path(__file__).parents[1]
SCRIPT = '''
from typing import assert_type

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fillalign import (
    Air, FillPlan, Goals, OutputSettings, Source, Venue, absorption_db_per_m, evaluate,
    fill_delay_ms, fill_level_db, gap_ms, ms_to_samples, plan_fills, precedence_limit_db,
    pressure_kpa_at_altitude, seat_delay_ms, speed_of_sound, travel_time_ms,
)

Array = NDArray[np.float64]


def wrong(venue: Venue, plan: FillPlan, air: Air, row: Array, log: "pd.Series[float]") -> None:
    Air()  # 1: no temperature
    Air(20.0, humidity=50.0)  # 2: no such parameter
    fill_delay_ms(26.0, 20.0)  # 3: a temperature for an air
    text: str = gap_ms(40.0, 15.0, 75.0, air)  # 4: a number is no text
    number: float = gap_ms(row, row, 75.0, air)  # 5: an array is no number
    OutputSettings(polarity="reversed")  # 6: no such word
    plan.settings["Fill"] = OutputSettings()  # 7: a plan is not changed
    Goals(delay_rule="box to box")  # 8: no such rule
    plan.air = air  # 9: a plan is not changed
    travel_time_ms(15.0)  # 10: no air
    evaluate(venue, {"Fill": 75.0})  # 11: a delay for settings
    plan.fill("Fill").margin  # 12: no such figure


def right(venue: Venue, air: Air, row: Array, log: "pd.Series[float]") -> None:
    assert_type(gap_ms(40.0, 15.0, 75, air), float)
    assert_type(gap_ms([40.0, 33.0], [15.0, 7.5], 75.0, air), Array)
    assert_type(gap_ms(row, 15.0, 75.0, air), Array)
    assert_type(gap_ms(40.0, 15.0, log, air), "pd.Series[float]")
    assert_type(seat_delay_ms(log, log, air, margin_ms=5.0), "pd.Series[float]")
    assert_type(fill_delay_ms(26.0, air, wind_along_m_s=row), Array)
    assert_type(speed_of_sound(log, humidity_pct=log), "pd.Series[float]")
    assert_type(absorption_db_per_m(1000.0, 20.0), float)
    assert_type(air.absorption_db_per_m([125.0, 1000.0]), Array)
    assert_type(pressure_kpa_at_altitude(900), float)
    assert_type(fill_level_db(row, 90.0), Array)
    assert_type(precedence_limit_db(log), "pd.Series[float]")
    assert_type(ms_to_samples(row, 96000.0), Array)
    assert_type(travel_time_ms(15.0, air), float)
    plan = plan_fills(venue, air=air)
    evaluate(venue, {**plan.settings, "Fill": OutputSettings(polarity="inverted")})
    venue.with_goals(delay_rule="box-to-box").with_source("Fill", position_m=(24.0, 0.0, 4.0))
    assert_type(plan.fill("Fill").image_margin_ms, float)
'''


@pytest.mark.long
def test_mypy_catches_every_planted_mistake_and_nothing_else(tmp_path):
    import mypy.api

    script = tmp_path / "script.py"
    script.write_text(SCRIPT, encoding="utf-8")
    # The project's own configuration and cache: what its check has read is not read again.
    said, failed, _ = mypy.api.run([
        "--no-error-summary", f"--config-file={ROOT / 'pyproject.toml'}",
        f"--cache-dir={ROOT / '.mypy_cache'}", str(script)])
    lines = {int(number) for number in re.findall(r"script\.py:(\d+): error", said)}
    planted = {number for number, line in enumerate(SCRIPT.splitlines(), 1) if "  # " in line}
    assert len(planted) == 12
    assert lines == planted, said + failed


def test_a_checker_is_told_that_a_number_gives_a_number_and_an_array_an_array():
    """First whatever comes back in the form that went in, then what else makes an array."""
    functions = [getattr(public, name) for name in public.NAMES]
    told = {one: [inspect.signature(form) for form in get_overloads(one)]
            for one in functions if inspect.isfunction(one) and get_overloads(one)}
    assert len(told) >= 35
    for function, forms in told.items():
        assert [form.return_annotation for form in forms] == [Form, FloatArray], function
        named = {tuple(form.parameters) for form in forms} | {
            tuple(inspect.signature(function).parameters)}
        assert len(named) == 1, function
    assert Form.__constraints__[:2] == (float, FloatArray)
    assert (ROOT / "fillalign" / "py.typed").is_file()


HALL = read_demo_venue("lantern_room")


def held(value):
    """Yield a record and every record inside it."""
    if dataclasses.is_dataclass(value):
        yield value
        value = [getattr(value, field.name) for field in dataclasses.fields(value)]
    elif hasattr(value, "values") and callable(value.values):
        value = list(value.values())
    if isinstance(value, tuple | list):
        for one in value:
            yield from held(one)


def made():
    """Return one record of every kind, made anew."""
    settings = {"Fill": OutputSettings(delay_ms=22.0, trim_db=-9.0)}
    plan = evaluate(read_demo_venue("lantern_room"), settings)
    hall = small_hall(allowed_fall_db=2.0)
    several = (
        plan, seat_field(plan), seat_speech(plan), quick_answer(41.0, 15.0, 24.0),
        plan_fills(hall).fills[-1],
        public.Recording([[0.5], [np.float64(0.25)]], 48000), low_cuts(plan, "Fill")[0],
        Measured("Fill", (8.0, 0.0, 1.2), level_dba=71.0), GapReading(gap_ms=1.0),
        Arrival(1.0, -3.0, 90.0, 0.5), Located((1.0, 2.0, 3.0), 0.01, (0.01,), (0.1, 0.1, 0.1)),
        OctaveDecay(None, None, 1.2, np.nan, 10.0, {"t30": 0.99}, None),
    )
    return {type(one): one for value in several for one in held(value)}


@pytest.fixture(scope="module")
def twice():
    return made(), made()


@pytest.mark.parametrize("kind", [getattr(public, name) for name in public.NAMES
                                  if dataclasses.is_dataclass(getattr(public, name))])
def test_records_compare_by_value_and_are_hashed_by_it_or_plainly_not_at_all(twice, kind):
    if any("Array" in str(field.type) or "dict[" in str(field.type)
           for field in dataclasses.fields(kind)):
        assert issubclass(kind, ByValue)
        assert "__eq__" not in vars(kind)
    if kind not in twice[0]:
        return
    one, other = (records[kind] for records in twice)
    assert one is not other
    assert one == other
    assert one != "something else"
    if kind.__hash__ is None:
        with pytest.raises(TypeError, match=f"^unhashable type: '{kind.__name__}'"):
            hash(one)
    else:
        assert hash(one) == hash(other)


def test_most_kinds_are_made(twice):
    assert len({getattr(public, name) for name in public.NAMES
                if dataclasses.is_dataclass(getattr(public, name))} & set(twice[0])) > 25


def test_one_number_in_an_array_makes_another_record():
    one, other = seat_field(HALL), seat_field(HALL)
    assert one == other
    other.total_db[0, 3] += 1e-9
    assert one != other
    assert one != dataclasses.replace(one, outputs=("Mains",))


def test_settings_of_a_plan_cannot_be_changed():
    settings = evaluate(HALL, {}).settings
    with pytest.raises(TypeError, match="does not support item assignment"):
        settings["Fill"] = OutputSettings()
    with pytest.raises(AttributeError, match="no attribute 'trim_db'"):
        settings.trim_db = 3.0
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'trim_db'"):
        settings["Fill"].trim_db = 3.0
    assert settings.replaced("Fill", trim_db=-3.0) != settings
