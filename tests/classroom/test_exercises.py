"""Exercises and predictions: every one of every lesson, then the kit behind them."""

from __future__ import annotations

import json
import math
import re
from collections import Counter

import numpy as np
import pytest

from fillalign.classroom import (
    answer_box,
    answers_file,
    class_predictions,
    exercises as ex,
    predictions as pr,
)
from fillalign.classroom.answer_keys import answer_key, answer_key_html
from fillalign.classroom.questions import _entries, all_exercises, all_predictions
from tests import public

SEEDS = range(20)
EXERCISES = all_exercises()
PREDICTIONS = all_predictions()


@pytest.fixture(autouse=True)
def _fresh():
    answers_file.forget()
    ex.exercise_seed(1)
    yield
    answers_file.forget()
    ex.exercise_seed(1)


def numbers_in(text):
    """Every number in a text, with decimal points."""
    return [float(found) for found in re.findall(r"-?\d+(?:\.\d+)?", text.replace(",", ""))]


def variants(exercise, seeds=SEEDS):
    """Seed and numbers of every set of numbers that some seeds give, each set once."""
    found = {tuple(exercise.variant(seed).values()): seed for seed in reversed(seeds)}
    return [(seed, exercise.variant(seed)) for seed in sorted(found.values())]


many_seeds = pytest.mark.parametrize("seeds", [
    SEEDS, pytest.param(range(200), marks=pytest.mark.long)], ids=len)
every_exercise = pytest.mark.parametrize("name", sorted(EXERCISES))
every_prediction = pytest.mark.parametrize("name", sorted(PREDICTIONS))


def beliefs(right):
    """Return what comes of a slip of the pen or of the unit, whatever the exercise."""
    factors = (1000, 1 / 1000, 10, 1 / 10, 2, 1 / 2, -1, 3.28084, 1 / 3.28084)
    return [right * factor for factor in factors]


@every_exercise
def test_the_right_answer_passes_as_number_and_as_typed(name):
    exercise = EXERCISES[name]
    for seed, numbers in variants(exercise):
        right = exercise.answer(**numbers)
        assert math.isfinite(right)
        shown = f"{right:.{exercise.decimals}f}"
        for answer in (right, shown, f"{shown} {exercise.unit}"):
            verdict = ex.check(name, answer, seed=seed)
            assert verdict.right, (seed, answer, verdict)
        for wrong in (right + 1.01 * exercise.room(right), right - 1.01 * exercise.room(right)):
            assert not ex.check(name, wrong, seed=seed).right


@many_seeds
@every_exercise
def test_each_slip_gets_its_own_hint(name, seeds):
    exercise = EXERCISES[name]
    assert len(exercise.every_slip(exercise.variant(1))) >= 2
    for seed, numbers in variants(exercise, seeds):
        every = exercise.every_slip(numbers)
        assert {slip.hint for slip in exercise.slips} <= {slip.hint for slip, _ in every}, numbers
        for _, value in every:
            verdict = ex.check(name, value, seed=seed)
            assert not verdict.right, (seed, value)
            same = [slip.hint for slip, other in every if other == pytest.approx(value, rel=1e-9)]
            assert verdict.slip.hint in same, (seed, value, verdict)
            assert "{" not in verdict.text


@many_seeds
@every_exercise
def test_no_slip_is_right_or_close(name, seeds):
    exercise = EXERCISES[name]
    for seed, numbers in variants(exercise, seeds):
        for wrong in beliefs(exercise.answer(**numbers)):
            verdict = ex.check(name, wrong, seed=seed)
            assert verdict.text.startswith(("Not yet.", "Please")), (seed, wrong, verdict)


@many_seeds
@every_exercise
def test_feet_taken_for_metres_are_named(name, seeds):
    """As the text shows them, which is what a learner copies."""
    exercise = EXERCISES[name]
    shown = re.findall(r"\{(\w+)_ft:\.(\d)f\}", exercise.text)
    for seed, numbers in variants(exercise, seeds):
        feet = {f"{what}_m": round(numbers[f"{what}_m"] / 0.3048, int(decimals))
                for what, decimals in shown}
        value = exercise.answer(**{**numbers, **feet})
        verdict = ex.check(name, value, seed=seed)
        alike = abs(value - ex.right_answer(name, seed=seed)) <= 3 * exercise.tolerance
        assert not shown or alike or "feet" in verdict.text or verdict.slip in exercise.slips, seed


@pytest.mark.parametrize("name", ["00-a", "02-a", "02-b", "04-c"])
def test_feet_slips_in_every_draw(name):
    exercise = EXERCISES[name]
    for _, numbers in variants(exercise, range(200)):
        assert any("feet" in slip.hint for slip, _ in exercise.every_slip(numbers)), numbers


@pytest.mark.parametrize("name", ["00-a", "02-a", "02-b"])
def test_no_draw_forgives_a_forgotten_temperature(name):
    exercise = EXERCISES[name]
    for seed, numbers in variants(exercise, range(200)):
        for air_c in (0.0, 20.0):
            wrong = exercise.answer(**{**numbers, "temperature_c": air_c})
            assert ex.check(name, wrong, seed=seed).slip is not None, (seed, numbers, air_c)


def calculator(name, **n):
    """Return answers by the rules that the lessons print, with nothing but a pocket calculator."""
    speed = 331.3 + 0.606 * n.get("temperature_c", 20.0)
    far = n.get("distance_m", 0.0)
    match name:
        case "00-a":
            return [1000 * (n["main_m"] - n["fill_m"]) / speed]
        case "00-c":
            return [n["tape_ft"] * 304.8 / 344]
        case "02-a":
            return [1000 * far / speed]
        case "02-b":
            return [96_000 * far / speed]
        case "02-c":
            # By the two speeds, and by 0.05 ms for each degree and 10 m.
            return [1000 * (far / speed - far / 343.42),
                    0.05 * (20 - n["temperature_c"]) * far / 10]
        case "02-d":
            # By shares, and by 0.05 ms a degree and 10 m against 0.03 ms a centimetre.
            return [100 * far * n["off_c"] * 0.606 / 344, 0.0018 * n["off_c"] * far * 100,
                    0.05 * n["off_c"] * far / 10 / 0.03]
        case "02-e":
            return [far / speed * 344 / 0.3048]
        case "03-a" | "03-c":
            return [1000 * (n["box_m"] + n["fill_m"] - n["main_m"]) / 344]
        case "03-b":
            return [1000 * (n["main_m"] - n["fill_m"]) / 344 + n["margin_ms"]
                    - (n["latency_ms"] - 2)]
        case "03-d":
            return [1000 * n["box_m"] / speed]
        case "04-c":
            return [speed / (2 * n["farther_m"])]
        case "07-a":
            return [0.105 * far]
        case "07-b":
            return [0.105 * (n["back_m"] - n["front_m"])]
        case "07-c":
            return [n["loss_db"] / 0.105]
        case "08-a":
            return [0.5 * (n["warm_c"] - n["cold_c"]) * far / 100]
        case "08-b":
            return [1000 * (far / (c - n["wind_m_s"]) - far / c) for c in (343, 344)]
        case "08-c":
            return [n["margin_ms"] - 0.5 * (n["warm_c"] - n["cold_c"]) * far / 100]
        case "09-c":
            return [2000 * n["step_m"] / speed]
        case "10-a":
            return [1000 * far / speed - n["latency_ms"]]
        case "10-b":
            return [1000 * n["box_m"] / speed + n["hold_ms"]]
        case "10-c":
            return [n["delay_ms"] + 1000 * (n["fill_m"] - n["main_m"]) / speed]
        case "01-a":
            return [6 * math.log2(n["far_m"] / n["near_m"])]
        case "06-b":
            return [20 * math.log10(1 + (n["corner_hz"] / n["frequency_hz"]) ** 4)]
    return []


@many_seeds
@every_exercise
def test_the_rules_that_lessons_print_are_accepted(name, seeds):
    exercise = EXERCISES[name]
    for seed, numbers in variants(exercise, seeds):
        for value in calculator(name, **numbers):
            assert ex.check(name, value, seed=seed).right, (seed, numbers, value)


def test_no_draw_of_05_a_confirms_that_a_fill_should_be_as_loud_as_the_mains():
    for _, numbers in variants(EXERCISES["05-a"], range(200)):
        right = EXERCISES["05-a"].answer(**numbers)
        for belief in (numbers["mains_db"], numbers["goal_db"]):
            assert abs(right - belief) > 2 * EXERCISES["05-a"].tolerance, numbers


@every_exercise
def test_no_hint_holds_the_answer(name):
    exercise = EXERCISES[name]
    assert len(exercise.hints) == 3
    for seed, numbers in variants(exercise):
        right = exercise.answer(**numbers)
        said = [ex.hint(name, which, seed=seed).partition(": ")[2] for which in (1, 2, 3)]
        said += [ex._fill_in(slip.hint, numbers) for slip, _ in exercise.every_slip(numbers)]
        for text in said:
            assert "{" not in text
            near = [n for n in numbers_in(text) if abs(abs(n) - abs(right)) <= exercise.tolerance]
            assert not near, (seed, right, text)


@every_exercise
def test_the_solution_shows_a_call_that_gives_its_number(name):
    exercise = EXERCISES[name]
    known = {word: getattr(public, word) for word in public.NAMES}
    scope = {**known, "math": math, "np": np}
    for seed, _ in variants(exercise):
        text = ex.solution(name, seed=seed)
        number = text.rpartition("Answer: ")[2].removesuffix(f" {exercise.unit}")
        assert ex.check(name, number, seed=seed).right
        call = text.rpartition("In code: ")[2].partition("\nAnswer: ")[0]
        assert any(word in call for word in public.NAMES), call
        value = float(eval(call, scope))
        assert value == pytest.approx(ex.right_answer(name, seed=seed), rel=1e-9, abs=1e-6)


@every_exercise
def test_questions_are_filled_in_and_differ_between_seeds(name):
    exercise = EXERCISES[name]
    asked = {ex.question(name, seed=seed) for seed in SEEDS}
    for text in asked:
        assert "{" not in text
        assert text.endswith(f"(in {exercise.unit})")
    if exercise.numbers:
        assert len(asked) >= 3
        for number in exercise.numbers:
            assert f"{{{number}" in exercise.text, f"{number} is not in the question"


MARKS = re.compile(r"\*\*|\*\S[^*]*\*|`|__|(?<!\w)_\w[^_]*_(?!\w)|\]\(|^#|^\s*[-*] ", re.M)


def test_boxes_show_no_marks_of_markdown():
    # Boxes show plain text: a mark would stand there as it is.
    exercises = [text for e in EXERCISES.values()
                 for text in (e.text, e.solution, e.unit, *e.hints, *(s.hint for s in e.slips))]
    predictions = [text for p in PREDICTIONS.values()
                   for text in (p.text, p.meaning, p.unit, *(s.hint for s in p.slips))]
    assert [text for text in exercises + predictions if MARKS.search(text)] == []
    for marked in ("the *largest* one", "**so**", "a `call()`", "_so_ it is", "[a](b)", "# So"):
        assert MARKS.search(marked), marked


@every_exercise
def test_form(name):
    exercise = EXERCISES[name]
    assert re.fullmatch(r"\d\d-[a-z]", exercise.id)
    assert 0.5 * 10**-exercise.decimals <= exercise.tolerance * (1 + 1e-9)


def test_every_lesson_has_three_exercises_and_two_predictions():
    for known, least in ((EXERCISES, 3), (PREDICTIONS, 2)):
        counts = Counter(name[:2] for name in known)
        assert [*counts] == [f"{number:02d}" for number in range(11)]
        assert min(counts.values()) >= least


@every_prediction
def test_prediction(name):
    prediction = PREDICTIONS[name]
    truth = prediction.truth()
    assert math.isfinite(truth)
    assert prediction.tolerance >= 0.5 * 10**-prediction.decimals * (1 - 1e-9)
    assert pr.result_text(name).startswith(f"Computed: {truth:.{prediction.decimals}f} ")
    pr.write_down(name, truth)
    assert pr.compared_text(name).endswith("Well judged.")
    for slip in prediction.slips:
        pr.write_down(name, slip.value())
        assert pr.compared_text(name).endswith(slip.hint)


# The kit


@pytest.mark.parametrize(
    ("typed", "value"),
    [(3, 3.0), ("75.6", 75.6), (" 75,6 ms ", 75.6), ("-.5", -0.5), ("\u22124 dB", -4.0),
     ("1e3", 1000.0), ("3602 samples", 3602.0), ("+2 %", 2.0), ("12.", 12.0),
     ("1,680", 1680.0), ("12,345,678 m", 12345678.0), ("1,680.5", 1680.5), ("0,125", 0.125),
     ("1,68", 1.68), ("-2,950 ft", -2950.0), ("1234,567", 1234.567), ("5ms", 5.0)],
)
def test_numbers_as_people_type_them(typed, value):
    assert ex.as_number(typed) == value


@pytest.mark.parametrize("typed", ["", "many", "1.2.3", "3 4", "nan", "inf", "12 or 13", True,
                                   "7O", "1l", "5I ms", "1,23,456"])
def test_what_is_no_number_is_asked_for_again(typed):
    with pytest.raises(ValueError, match="please give one number, such as"):
        ex.as_number(typed)
    verdict = ex.check("00-a", typed)
    assert not verdict.right
    assert verdict.text.startswith("Please give one number")


def toy(*slips, tolerance=0.5):
    """Make an exercise that asks for 60 ms, with slips at some values."""
    return ex.Exercise(
        id="99-a", text="?", call="60.0", unit="ms", tolerance=tolerance, decimals=1,
        hints=("a", "b", "c"), solution="", numbers={},
        slips=tuple(ex.Slip(str(value), f"slip {value:g}") for value in slips),
    )


@pytest.mark.parametrize(
    ("given", "slip"),
    [(0.06, "slip 0.06"), (0.063, "slip 0.06"), (0.07, None), (0.3, None), (50.2, "slip 50"),
     (50.4, "slip 50.7"), (49.6, "slip 50"), (51.1, "slip 50.7"), (52.0, None), (-60, None)],
)
def test_the_nearest_slip_is_recognised_and_a_small_one_takes_in_little(given, slip):
    for exercise in (toy(0.06, 50, 50.7), toy(50.7, 50, 0.06)):
        found = ex._slip_of(exercise, {}, given)
        assert (found and found.hint) == slip


def test_hints_follow_the_attempts():
    for number, said in enumerate(EXERCISES["00-b"].hints, start=1):
        assert ex.hint("00-b", number) == f"Hint {number} of 3: {said}"
    wrong = ex.right_answer("00-a") + 1000
    said = [ex.check("00-a", wrong, attempt=attempt).text for attempt in (1, 2, 3, 9)]
    assert [text[:20] for text in said] == ["Not yet. Hint 1 of 3", "Not yet. Hint 2 of 3",
                                            "Not yet. Hint 3 of 3", "Not yet. Hint 3 of 3"]
    near = ex.right_answer("00-b") + 1.9 * EXERCISES["00-b"].tolerance
    assert ex.check("00-b", near).text.startswith("Close: round only at the end. Hint 1")


def test_the_seed_of_the_class_changes_the_numbers_and_back():
    asked = ex.question("00-a")
    assert ex.exercise_seed(3) == 3
    assert ex.exercise_seed() == 3
    assert ex.question("00-a") == ex.question("00-a", seed=3) != asked
    assert ex.check("00-a", ex.right_answer("00-a", seed=3)).right
    ex.exercise_seed(1)
    assert ex.question("00-a") == asked
    with pytest.raises(ValueError, match="seed must be a whole number from 0 to 9999, got -1"):
        ex.exercise_seed(-1)


def test_unknown_ids_are_named_with_those_there_are():
    with pytest.raises(ValueError, match=r"exercise must be one of 00-a, .*got '99-z'"):
        ex.check("99-z", 1)
    with pytest.raises(ValueError, match=r"exercise must be one of 00-a, .*got '99-z'"):
        ex.question("99-z")
    with pytest.raises(ValueError, match=r"exercise must be one of 00-a, .*got '99-z'"):
        answer_box("99-z")
    with pytest.raises(ValueError, match=r"prediction must be one of 00-a, .*got '99-z'"):
        pr.write_down("99-z", 1)
    with pytest.raises(ValueError, match="please give one number"):
        class_predictions("00-a", "70; lots")


def test_no_two_exercises_or_predictions_share_an_id():
    assert len([*_entries("exercise")]) == len(EXERCISES)
    assert len([*_entries("prediction")]) == len(PREDICTIONS)


def test_an_exercise_by_hand():
    # 35 m less 11 m at 0.606 m/s a degree above 331.3 m/s (common practice): 71.1 ms at 10 C.
    numbers = {"main_m": 35.0, "fill_m": 11.0, "temperature_c": 10.0}
    by_hand = 1000 * 24 / (331.3 + 0.606 * 10)
    assert EXERCISES["00-a"].answer(**numbers) == pytest.approx(by_hand, abs=0.15)
    # 42.5 ms of 48 samples each; 50 ft of 0.3048 m at 344 m/s.
    assert EXERCISES["00-b"].answer(delay_ms=42.5) == 2040
    assert EXERCISES["00-c"].answer(tape_ft=50) == pytest.approx(50 * 304.8 / 344, abs=0.1)


def test_the_answer_key_holds_every_exercise_and_its_answers_pass():
    key = answer_key(5)
    assert key["exercise"].tolist() == sorted(EXERCISES)
    for line in key.to_dict("records"):
        assert ex.check(line["exercise"], line["answer"], seed=5).right
        assert line["question"] == ex.question(line["exercise"], seed=5)
    ex.exercise_seed(5)
    assert answer_key(lesson="00").equals(key[key["exercise"].str.startswith("00-")])
    with pytest.raises(ValueError, match="lesson must be two figures of a lesson there is"):
        answer_key(5, lesson="77")


def test_the_page_to_print_is_whole_and_holds_the_answers():
    page = answer_key_html(5, lesson="00")
    assert page.startswith("<!DOCTYPE html>")
    assert page.endswith("</html>")
    assert "Set of numbers 5" in page
    for name in (name for name in EXERCISES if name.startswith("00-")):
        right = ex.right_answer(name, seed=5)
        assert f">{right:.{EXERCISES[name].decimals}f} {EXERCISES[name].unit}<" in page
    assert "&plusmn; 0.5" in page


# Predictions


def test_a_prediction_is_kept_and_compared():
    assert pr.predicted("00-a") is None
    said = pr.compared_text("00-a")
    assert said.startswith("You have not predicted anything here. Computed: 116 ms.")
    assert pr.write_down("00-a", "50,5 ms") == "Written down: 50.5 ms."
    assert pr.predicted("00-a") == 50.5
    assert pr.compared_text("00-a").endswith("Your number was 66 ms less.")
    pr.write_down("00-a", 140)
    assert pr.compared_text("00-a").endswith("Your number was 24 ms more.")
    assert json.loads(answers_file.kept_text())["predictions"] == {"00-a": 140.0}
    with pytest.raises(ValueError, match="please give one number"):
        pr.write_down("00-a", "soon")
    assert pr.predicted("00-a") == 140.0


def test_predictions_of_a_class():
    pasted = ('{"predictions": {"00-a": 110, "00-b": 1}}\n\n40; 0\n120 ms\n'
              '{"predictions": {"00-b": 2}}')
    values = pr.class_values("00-a", pasted)
    assert values == [110.0, 40.0, 0.0, 120.0]
    said = pr.class_text("00-a", values).splitlines()
    assert said[0] == "4 predictions from 0 to 120 ms, half of them below 75; 2 near."
    assert said[1].startswith("Computed: 116 ms.")
    assert [line.partition(":")[0] for line in said[2:]] == ["1 of them", "1 of them"]
    with pytest.raises(ValueError, match="please give one number"):
        pr.class_values("00-a", "70\nlots")


def test_listeners_hear_of_a_prediction():
    heard = []
    pr.on_prediction("00-a", lambda: heard.append(pr.predicted("00-a")))
    pr.write_down("00-b", 1)
    pr.write_down("00-a", 70)
    assert heard == [70.0]
