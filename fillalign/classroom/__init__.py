"""What the lessons are made of: live figures, sound, predictions, exercises, forms.

Names load when they are asked for, so that the health check can still say what is
missing where ipywidgets is not installed.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fillalign.classroom.answer_keys import answer_key, answer_key_html
    from fillalign.classroom.answers_file import keep_in, kept_text
    from fillalign.classroom.boxes import (
        answer_box,
        class_predictions,
        folded,
        predict,
        reveal,
    )
    from fillalign.classroom.exercises import check, exercise_seed, hint, question, solution
    from fillalign.classroom.health import health_check, versions
    from fillalign.classroom.live_panels import LiveFigure, LivePlayer
    from fillalign.classroom.number_form import quick_form
    from fillalign.classroom.own_venue import own_plan, plan_picture, venue_form
    from fillalign.classroom.own_work import checklist, class_work, my_work
    from fillalign.classroom.predictions import predicted
    from fillalign.classroom.seat import SeatPanel, seat_panel
    from fillalign.classroom.venues import data_path, demo_plan, demo_sound, demo_venue
    from fillalign.classroom.widgets import Choice, Slider, Switch, progress_bar, projector

_HOMES = {
    "answer_keys": ("answer_key", "answer_key_html"),
    "boxes": ("answer_box", "class_predictions", "folded", "predict", "reveal"),
    "exercises": ("check", "exercise_seed", "hint", "question", "solution"),
    "health": ("health_check", "versions"),
    "live_panels": ("LiveFigure", "LivePlayer"),
    "answers_file": ("keep_in", "kept_text"),
    "own_work": ("checklist", "class_work", "my_work"),
    "predictions": ("predicted",),
    "seat": ("SeatPanel", "seat_panel"),
    "number_form": ("quick_form",),
    "own_venue": ("own_plan", "plan_picture", "venue_form"),
    "venues": ("data_path", "demo_plan", "demo_sound", "demo_venue"),
    "widgets": ("Choice", "Slider", "Switch", "progress_bar", "projector"),
}

__all__ = [
    "Choice",
    "LiveFigure",
    "LivePlayer",
    "SeatPanel",
    "Slider",
    "Switch",
    "answer_box",
    "answer_key",
    "answer_key_html",
    "check",
    "checklist",
    "class_predictions",
    "class_work",
    "data_path",
    "demo_plan",
    "demo_sound",
    "demo_venue",
    "exercise_seed",
    "folded",
    "health_check",
    "hint",
    "keep_in",
    "kept_text",
    "my_work",
    "own_plan",
    "plan_picture",
    "predict",
    "predicted",
    "progress_bar",
    "projector",
    "question",
    "quick_form",
    "reveal",
    "seat_panel",
    "solution",
    "venue_form",
    "versions",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    for module, names in _HOMES.items():
        if name in names:
            value = getattr(import_module(f"{__name__}.{module}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    """List the public names, those not loaded yet included."""
    return sorted(__all__)
