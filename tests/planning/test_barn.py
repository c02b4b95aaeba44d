"""Pewter Barn, the venue that opens the lessons: it needs its fills, by numbers.

Speech transmission is fair from 0.45 on and 0.03 the least that is noticed (IEC 60268-16,
from memory); 0.50 is the barn's goal. The claim is that of the trade (common practice):
without fills the mains go up until the back follows, and front row and stage microphones
take all of it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fillalign import evaluate, seat_field
from tests.demo_plans import demo_plan

LOFT_M = 31.0
UP_DB = 8.0


def dialled(main_db, fills_on):
    settings = demo_plan("pewter_barn").settings
    return {name: replace(one, trim_db=main_db if name == "Main bus" else
                          one.trim_db if fills_on else -np.inf)
            for name, one in settings.items()}


@cache
def played(main_db, fills_on):
    """Return speech index and level of the rows, and the level at the stage microphone."""
    plan = demo_plan("pewter_barn")
    settings = dialled(main_db, fills_on)
    walk = evaluate(plan.venue, settings).walk
    stage = seat_field(plan.venue, settings, seats_m=[plan.venue.stage_microphone_m])
    return walk.speech_after, walk.after_dba, float(stage.weighted_db()[0])


@pytest.fixture(scope="module")
def loft():
    return demo_plan("pewter_barn").walk.x_m >= LOFT_M


def test_the_rows_under_the_loft_lack_the_words_and_get_them_with_the_fills(loft):
    plan = demo_plan("pewter_barn")
    alone, _, _ = played(0.0, False)
    both, _, _ = played(0.0, True)
    assert plan.venue.goals.sti == 0.50
    assert alone[loft].max() < 0.43
    assert both[loft].min() >= 0.50
    assert (both - alone)[loft].min() >= 0.08
    assert both.min() >= 0.50
    assert alone[0] - both[0] < 0.03
    assert alone[~loft].min() >= 0.50


def test_mains_alone_need_more_than_8_db_for_the_same_words(loft):
    both, level, stage = played(0.0, True)
    up, up_level, up_stage = played(UP_DB, False)
    assert (both > up)[loft].all()
    assert up_level[0] - level[0] == pytest.approx(UP_DB, abs=0.2)
    assert up_stage - stage == pytest.approx(UP_DB, abs=0.2)


def test_levels_and_gain_before_feedback(loft):
    numbers = {name: played(*how) for name, how in (
        ("alone", (0.0, False)), ("fills", (0.0, True)), ("mains up", (10.0, False)))}
    first, last, stage = ({name: value for name, value in zip(numbers, values, strict=True)}
                          for values in (
        [level[0] for _, level, _ in numbers.values()],
        [level[-1] for _, level, _ in numbers.values()],
        [stage for _, _, stage in numbers.values()]))
    assert first == pytest.approx({"alone": 76.4, "fills": 76.5, "mains up": 86.4}, abs=0.1)
    assert last == pytest.approx({"alone": 68.6, "fills": 71.1, "mains up": 78.6}, abs=0.1)
    # What the microphone gets more is gain before feedback lost.
    assert stage == pytest.approx({"alone": 74.7, "fills": 74.8, "mains up": 84.7}, abs=0.1)
    assert demo_plan("pewter_barn").gain_before_feedback_db == pytest.approx(2.4, abs=0.1)
    index = {name: float(speech[loft].min()) for name, (speech, _, _) in numbers.items()}
    assert index == pytest.approx({"alone": 0.407, "fills": 0.504, "mains up": 0.507}, abs=0.003)


def test_it_is_the_rain_that_takes_the_words(loft):
    venue = demo_plan("pewter_barn").venue
    dry = replace(venue, goals=replace(venue.goals, noise_db=dict.fromkeys(
        venue.goals.noise_db, 20.0)))
    index = evaluate(dry, dialled(0.0, False)).walk.speech_after
    assert index[loft].min() > 0.50
