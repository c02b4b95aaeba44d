"""What holds for all tests: an example that is slow on a busy machine is no mistake."""

import gc
import os
from contextlib import nullcontext
from unittest import mock

# Arrays here are small: threads of the linear algebra wait for one another more than they work.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")

# For the kernels of the lessons only.
collect_ignore = ["warm_lessons.py"]

# Thousands of collected tests are looked through for garbage again and again, and none is.
gc.set_threshold(200_000, 20, 50)


def pytest_collection_finish() -> None:
    """Leave out of every later search what was imported and collected."""
    gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtestloop(session: pytest.Session):
    """Run the lessons, where there are any, in kernels that start warm."""
    from tests.warm_kernels import warm_kernels

    lessons = any(item.path.suffix == ".ipynb" for item in session.items)
    with warm_kernels() if lessons else nullcontext():
        ended = yield
    # Once, and not five times as pytest does at its end.
    gc.collect()
    gc.freeze()
    return ended


class Examples:
    """How examples in docstrings run: they plan the same demo venues again and again."""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item):
        """Plan a demo venue once for all of them; leave out the pictures of sheets."""
        if not isinstance(item, pytest.DoctestItem):
            return (yield)
        from tests.demo_plans import planned_once

        with (mock.patch("fillalign.plan_fills", planned_once),
              mock.patch("fillalign.plots.page_picture", return_value=b"<svg/>")):
            return (yield)


def pytest_configure(config: pytest.Config) -> None:
    """Have a say in examples, which lie in another folder."""
    config.pluginmanager.register(Examples())


@pytest.fixture
def no_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the pictures of a page, where a test looks at none: other tests draw them."""
    monkeypatch.setattr("fillalign.sheet.html._picture", lambda *_, **__: "<figure></figure>")
