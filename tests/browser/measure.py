"""Words, controls and heights of every lesson: `python -m tests.browser.measure [00 05]`.

Opens each lesson in JupyterLab twice, 1280 x 800 and 1920 x 1080 with the projector
switch on, prints one line a lesson, and keeps a picture of every panel, and of what
a learner sees while scrolling, in `screenshots/`.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import nbformat

from tests.browser.lab import NOTEBOOKS, ROOT, Lab, LessonPage
from tests.notebook_tools import words_in_view

SIZES = (("1280", {"width": 1280, "height": 800}), ("1920", {"width": 1920, "height": 1080}))
_SHEETS = ROOT / "screenshots"
_PANELS = """() => Array.from(document.querySelectorAll('.fill-panel, .fill-seat'))
    .filter(one => one.offsetParent && !one.parentElement.closest('.fill-panel, .fill-seat'))
    .map(one => ({height: one.getBoundingClientRect().height, controls: one.querySelectorAll(
        '.noUi-handle, .widget-toggle-buttons, input, select, button:not(.widget-toggle-button)')
        .length, name: one.innerText.trim().slice(0, 40)}))"""
_LARGE = """() => { const one = Array.from(document.querySelectorAll('.fill-panel label'))
    .find(label => label.innerText.includes('Projector')); one?.querySelector('input').click();
    return !!one; }"""


def look(page: Any, lab: Lab, notebook: Path, size: str) -> list[dict[str, Any]]:
    """Run a lesson, keep its pictures, and return height and controls of every panel."""
    lesson = LessonPage(page, lab, notebook)
    lesson.run_all()
    page.wait_for_timeout(1500)
    if size == "1920":
        lesson.screenshot(_SHEETS / f"{notebook.stem}_1920_usual.png")
        if page.evaluate(_LARGE):
            page.wait_for_timeout(4000)
    panels: list[dict[str, Any]] = page.evaluate(_PANELS)
    tallest = sorted(panels, key=lambda one: -one["height"])[:4]
    print(f"  {notebook.stem[:2]} {size}:",
          *(f"{round(one['height'])} px {one['name']!r}" for one in tallest),
          *lesson.faults(), *lesson.clipped(), sep="\n     ", flush=True)
    lesson.screenshot(_SHEETS / f"{notebook.stem}_{size}.png")
    lab.end_kernels()
    return panels


def main(which: list[str]) -> None:
    """Measure the lessons named, or all."""
    from playwright.sync_api import sync_playwright

    lessons = [path for path in NOTEBOOKS if not which or path.stem[:2] in which]
    rows: dict[str, list[Any]] = {path.stem: [*words_in_view(nbformat.read(path, as_version=4))]
                                  for path in lessons}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        lab = Lab(Path(folder))
        try:
            lab.wait()
            for size, window in SIZES:
                browser = playwright.chromium.launch(
                    executable_path=shutil.which("chromium"),
                    args=["--no-sandbox", "--disable-gpu"])
                for path in lessons:
                    page = browser.new_page(viewport=window)
                    panels = look(page, lab, path, size)
                    page.close()
                    rows[path.stem] += [len(panels), sum(one["controls"] for one in panels),
                                        round(max(one["height"] for one in panels))]
                browser.close()
        finally:
            lab.stop()
    print("lesson: prose, panels, folded, most between | panels, controls, px 1280 | 1920")
    for name, row in rows.items():
        print(f"{name[:2]}: {row[0]:5} {row[1]:5} {row[2]:5} {row[3]:5} | {row[4]:3} {row[5]:3} "
              f"{row[6]:5} | {row[9]:5}")


if __name__ == "__main__":
    main(sys.argv[1:])
