"""The sheet: a plan on paper, and the answer for one fill on a ladder.

In comes a plan, and what was set and read by it; out go text, a page to print, CSV and
files. For the ladder two distances, a temperature and a meter come in.
"""

from fillalign.sheet.as_set import AsSet, read_as_set
from fillalign.sheet.html import setup_sheet_html
from fillalign.sheet.one_fill import QuickAnswer, quick_answer
from fillalign.sheet.scripted import pocket_page
from fillalign.sheet.text_and_csv import setup_sheet_csv, setup_sheet_text, sheet_files, write_sheet

__all__ = [
    "AsSet",
    "QuickAnswer",
    "pocket_page",
    "quick_answer",
    "read_as_set",
    "setup_sheet_csv",
    "setup_sheet_html",
    "setup_sheet_text",
    "sheet_files",
    "write_sheet",
]
