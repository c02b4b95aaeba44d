"""One JupyterLab and one browser for all lessons, and how fast the figures followed."""

from __future__ import annotations

import importlib.util
import os
import shutil
import statistics

import pytest

from tests.browser.lab import Lab

WINDOW = {"width": 1366, "height": 900}
TARGET_MS = 250.0
_delays: dict[str, list[float]] = {}
_seat: dict[str, list[float]] = {}


def missing() -> str:
    """Return what this machine lacks to open a browser, or nothing."""
    if shutil.which("chromium") is None:
        return "no chromium here (apt-get install chromium)"
    lacking = [name for name in ("playwright", "jupyterlab", "ipywidgets")
               if importlib.util.find_spec(name) is None]
    return f"not installed: {', '.join(lacking)}" if lacking else ""


@pytest.fixture(scope="session")
def chromium():
    """Return what starts Chromium: one for all, since a second would not run beside it."""
    if reason := missing():
        on_server = os.environ.get("CI", "").lower() in ("true", "1")
        (pytest.fail if on_server else pytest.skip)(reason)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        yield playwright.chromium


@pytest.fixture(scope="session")
def window(chromium, tmp_path_factory):
    context = chromium.launch_persistent_context(
        tmp_path_factory.mktemp("chromium"), executable_path=shutil.which("chromium"),
        headless=True, viewport=WINDOW,
        args=["--no-sandbox", "--disable-gpu", "--no-first-run",
              "--disable-background-networking", "--disable-component-update",
              "--disable-sync"])
    yield context
    context.close()


@pytest.fixture(scope="session")
def lab(tmp_path_factory, window):  # noqa: ARG001
    server = Lab(tmp_path_factory.mktemp("lab"))
    try:
        server.wait()
        yield server
    finally:
        server.stop()


@pytest.fixture
def bare(window):
    """Return a page without JupyterLab."""
    page = window.new_page()
    yield page
    page.close()


@pytest.fixture
def tab(window, lab):
    page = window.new_page()
    yield page
    page.close()
    lab.end_kernels()
    assert lab.ask("/api/sessions") == []


@pytest.fixture
def note_delays():
    """Return where a lesson's delays from key press to picture (ms) are kept for the summary."""
    return _delays


@pytest.fixture
def note_seat():
    """Return where the delays of the seat panel (ms) are kept for the summary."""
    return _seat


def pytest_terminal_summary(terminalreporter):
    for what, delays in _seat.items():
        terminalreporter.write_line(f"{what:50} {len(delays):3d} times, median "
                                    f"{statistics.median(delays):4.0f} ms, longest "
                                    f"{max(delays):4.0f} ms")
    if not _delays:
        return
    terminalreporter.section("key press to changed picture")
    for lesson, delays in _delays.items():
        terminalreporter.write_line(f"{lesson:40} {len(delays):3d} presses, median "
                                    f"{statistics.median(delays):4.0f} ms, longest "
                                    f"{max(delays):4.0f} ms")
    every = [delay for delays in _delays.values() for delay in delays]
    terminalreporter.write_line(f"{'all lessons':40} {len(every):3d} presses, median "
                                f"{statistics.median(every):4.0f} ms (wanted: under "
                                f"{TARGET_MS:g} ms), longest {max(every):4.0f} ms")
