"""The package as a whole: what importing it loads, its public names, its parameters."""

import inspect
import subprocess
import sys
from importlib import import_module
from pkgutil import iter_modules

import pytest

import fillalign
from fillalign import classroom
from tests import public


def loaded_after(code):
    script = f"import sys\n{code}\nprint(' '.join(sorted(m.split('.')[0] for m in sys.modules)))"
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True,
                            check=True)
    return set(result.stdout.split())


HEAVY = {"scipy", "pandas", "matplotlib", "ipywidgets", "IPython"}


def test_physics_and_rooms_load_numpy_only():
    loaded = loaded_after(f"import fillalign\nimport {', '.join(public.WHOLE)}")
    assert "numpy" in loaded
    assert not loaded & HEAVY


def test_planning_loads_none_of_them_either():
    loaded = loaded_after(
        "import fillalign\n"
        "fillalign.plan_fills(fillalign.read_venue('data/lantern_room.toml'))"
    )
    assert not loaded & HEAVY


def test_every_public_name_is_there_and_documented():
    for name in fillalign.__all__:
        thing = getattr(fillalign, name)
        if callable(thing):
            assert thing.__doc__, name
    assert set(dir(fillalign)) == set(fillalign.__all__)
    assert len(set(fillalign.__all__)) == len(fillalign.__all__)
    assert dir(classroom) == sorted(classroom.__all__)


def test_every_name_of_a_module_or_room_is_there_and_documented():
    for place in public.WHOLE:
        module = import_module(place)
        for name in module.__all__:
            thing = getattr(module, name)
            if inspect.isroutine(thing) or inspect.isclass(thing):
                assert thing.__doc__, f"{place}.{name}"


def test_no_example_needs_a_checkout():
    """What is installed has no `data` folder beside it: examples go by `read_demo_venue`."""
    for place in (*public.WHOLE, "fillalign.plots"):
        module = import_module(place)
        things = [getattr(module, name) for name in module.__all__]
        things += [one for thing in things if inspect.isclass(thing)
                   for one in vars(thing).values() if inspect.isfunction(one)]
        for thing in things:
            shown = [line for line in (thing.__doc__ or "").splitlines() if ">>>" in line]
            assert not any('"data/' in line or "notebooks/" in line for line in shown), thing


def test_no_public_name_hides_behind_a_module():
    # Loading a module sets its name in the package: a function of that name would then be lost.
    assert not {module.name for module in iter_modules(fillalign.__path__)} & set(fillalign.__all__)
    assert not {module.name for module in iter_modules(classroom.__path__)} & set(classroom.__all__)


def test_unknown_name_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = fillalign.nothing
