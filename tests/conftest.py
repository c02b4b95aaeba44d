"""What holds for all tests: an example that is slow on a busy machine is no mistake."""

import gc
import os

# Arrays here are small: threads of the linear algebra wait for one another more than they work.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")

# For the kernels of the lessons only.
collect_ignore = ["warm_lessons.py"]

# Thousands of collected tests are looked through for garbage again and again, and none is.
gc.set_threshold(50_000, 20, 50)


def pytest_collection_finish() -> None:
    """Leave out of every later search what was imported and collected."""
    gc.freeze()


@pytest.hookimpl(wrapper=True)
def pytest_runtestloop(session: pytest.Session):
    """Run the lessons, where there are any, in kernels that start warm."""
    if not any(item.path.suffix == ".ipynb" for item in session.items):
        return (yield)
    from tests.warm_kernels import warm_kernels

    with warm_kernels():
        return (yield)


@pytest.fixture
def no_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the pictures of a page, where a test looks at none: other tests draw them."""
    monkeypatch.setattr("fillalign.sheet.html._picture", lambda *_, **__: "<figure></figure>")
