"""The sheet: a plan on paper, and the answer for one fill on a ladder.

In comes a plan; out go text, a page to print, CSV and files.
"""

from fillalign.sheet.content import (
    trim_text,
)
from fillalign.sheet.one_fill import (
    QuickAnswer,
    quick_answer,
)
from fillalign.sheet.text import (
    setup_sheet_csv,
    setup_sheet_html,
    setup_sheet_text,
    write_sheet,
)

__all__ = [
    "QuickAnswer",
    "quick_answer",
    "setup_sheet_csv",
    "setup_sheet_html",
    "setup_sheet_text",
    "trim_text",
    "write_sheet",
]
