"""The pictures of README that a browser draws: `python -m tests.browser.pictures`.

The seat panel in a bare page with the real Python behind it, and the head of the set-up
sheet as it is printed.
"""

from __future__ import annotations

import io
import shutil
from pathlib import Path

from PIL import Image, ImageOps

from fillalign.classroom import seat_panel
from fillalign.sheet import setup_sheet_html
from tests.browser.seat_page import SeatPage
from tests.demo_plans import DATA, demo_plan

_COLOURS, _EDGE_PX = 64, 8


def _keep(path: Path, png: bytes) -> None:
    drawn = ImageOps.expand(Image.open(io.BytesIO(png)).convert("RGB"), _EDGE_PX, "white")
    drawn.quantize(_COLOURS).save(path, "png", optimize=True)


def main() -> None:
    """Draw both anew."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 920, "height": 700},
                                reduced_motion="reduce")
        shown = SeatPage(page).add(seat_panel(
            demo_plan("pewter_barn"), start={"delay_ms": 40.0}, listener_m=(31.0, 3.0)))
        shown.get_by_label("Waves").fill("76")
        page.evaluate("() => document.activeElement.blur()")
        _keep(DATA / "seat_panel.png", shown.screenshot())
        sheet = browser.new_page(viewport={"width": 778, "height": 1055})
        sheet.emulate_media(media="print")
        sheet.set_content(setup_sheet_html(demo_plan("tidewell_hall"), short=True))
        _keep(DATA / "sheet.png", sheet.locator("section").first.screenshot())
        browser.close()


if __name__ == "__main__":
    main()
