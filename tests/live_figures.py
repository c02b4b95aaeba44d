"""What tests of the lessons' live figures share."""

import inspect
import pkgutil
from importlib import import_module

from fillalign.classroom import lessons


def all_figures():
    """Return what makes each live figure of each lesson, by module and name."""
    modules = [import_module(f"{lessons.__name__}.{one.name}")
               for one in pkgutil.iter_modules(lessons.__path__)]
    return {f"{module.__name__[-3:]}.{name}": function for module in modules
            for name, function in inspect.getmembers(module, inspect.isfunction)
            if function.__module__ == module.__name__
            and function.__annotations__.get("return") == "LiveFigure"}


def moved(live, **values):
    """Set controls; the picture must change and no error show. Return the words."""
    before = live.png
    for name, value in values.items():
        live.controls[name].value = value
    assert live.error == ""
    assert live.png != before
    return live.text


def check_every_control(live, *, steps=5):
    """Move each control in turn: picture and words must change, and come back with it."""
    for control in live.controls.values():
        png, text, start = live.png, live.text, control.value
        if isinstance(start, bool):
            control.value = not start
        elif isinstance(start, str):
            control.value = next(one for one in control.options if one != start)
        else:
            control.value = min(start + steps * control.step, control.max)
        assert live.error == ""
        assert live.png != png
        assert live.text != text
        control.value = start
        assert live.text == text
