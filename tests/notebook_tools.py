"""Run a notebook and keep only text: `python tests/notebook_tools.py notebooks/*.ipynb`.

Outputs keep what nbval compares (printed text, and the words of panels as plain
text); pictures, sound and widget states go. Cell ids stay as they are. With
`--check` nothing is run or written: the notebooks are only looked over.
"""

from __future__ import annotations

import ast
import builtins
import re
import sys
from pathlib import Path
from typing import Any

import nbformat

MOST_LINES = 20
MOST_BYTES = 150_000
LEAST_COMPARED = 5
MOST_WORDS = 900
"""Words that a lesson may show at once: prose that is not folded, and what its panels say."""
MOST_BETWEEN = 120
"""Words of prose that may stand between two things to do."""
_FOLDED = ("folded=True", "folded(", "checklist(")
"""What makes a panel that shows its name only, until it is opened."""
LONGEST_LINE = 100
"""Characters that a printed line may have; wider ones break inside words on a small screen."""
IGNORED = "nbval-ignore-output"
_BULKY = ("<audio", "<img", "<video", "base64", "<svg")
_METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}


def kept_output(output: Any) -> Any | None:
    """Return an output with its text only, or None where no text is left."""
    if output.output_type == "stream":
        return output
    if output.output_type == "error":
        raise SystemExit(f"a cell ends in an error: {output.ename}: {output.evalue}")
    data = {
        kind: text for kind, text in output.data.items()
        if kind == "text/plain" or (kind == "text/html" and not any(b in text for b in _BULKY))
    }
    if not data:
        return None
    output.data = data
    output.metadata = {}
    return output


def joined(outputs: list[Any]) -> list[Any]:
    """Put pieces of one stream together: where a kernel cuts it is chance."""
    whole: list[Any] = []
    for output in outputs:
        last = whole[-1] if whole else None
        if (last is not None and last.output_type == output.output_type == "stream"
                and last.name == output.name):
            last.text += output.text
        else:
            whole.append(output)
    return whole


def tidy(notebook: Any) -> None:
    """Strip a notebook, in place, to what is worth keeping."""
    notebook.metadata = _METADATA
    run = 0
    for cell in notebook.cells:
        cell.metadata = {key: value for key, value in cell.metadata.items()
                         if key in ("tags", "jupyter")}
        if cell.cell_type == "code":
            # Counted as run from the top: nbval takes a cell without a count for one never run.
            run += 1
            cell.execution_count = run
            kept = [kept_output(output) for output in cell.outputs]
            ignored = IGNORED in cell.metadata.get("tags", [])
            cell.outputs = [] if ignored else joined([one for one in kept if one is not None])
            for output in cell.outputs:
                if output.output_type == "execute_result":
                    output.execution_count = run


def compared(notebook: Any) -> int:
    """Return in how many cells nbval compares text."""
    return sum(
        cell.cell_type == "code" and bool(cell.outputs)
        and IGNORED not in cell.metadata.get("tags", [])
        for cell in notebook.cells
    )


def count_words(text: str) -> int:
    """Return how many words a reader meets: no markup, no targets of links, no formulas' signs."""
    plain = re.sub(r"!\[[^\]]*\]\([^)]*\)|\]\([^)]*\)|<[^>]*>|[|*`#\[\]]|- \[ \]|:?-{3,}:?",
                   " ", text)
    return len(re.findall(r"\S*\w\S*", plain))


def unfolded(source: str) -> str:
    """Return a text cell without what is folded, but with the words to click on."""
    return re.sub(r"<details>\s*<summary>(.*?)</summary>.*?</details>", r"\1", source,
                  flags=re.DOTALL)


def said(cell: Any) -> str:
    """Return what the stored outputs of a code cell say: panels in words, and printed text."""
    texts = [output.text if output.output_type == "stream" else output.data.get("text/plain", "")
             for output in cell.outputs]
    return "\n".join(texts)


def words_in_view(notebook: Any) -> tuple[int, int, int, int]:
    """Return words of prose in view, in panels and prints, folded, and most between two doings."""
    prose = panels = folded = longest = since = 0
    for cell in notebook.cells:
        if cell.cell_type == "code":
            if any(word in cell.source for word in _FOLDED):
                folded += count_words(said(cell))
            else:
                panels += count_words(said(cell))
            # An import shows nothing and is nothing to do.
            since = since if not cell.outputs and "tags" not in cell.metadata else 0
        else:
            shown = count_words(unfolded(cell.source))
            prose, folded = prose + shown, folded + count_words(cell.source) - shown
            since += shown
            longest = max(longest, since)
    return prose, panels, folded, longest


def unbound(source: str) -> list[str]:
    """Return the names that a cell takes from cells before it, which a fresh kernel lacks."""
    names = [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Name)]
    bound = {node.id for node in names if isinstance(node.ctx, ast.Store)} | set(dir(builtins))
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            bound |= {(alias.asname or alias.name).partition(".")[0] for alias in node.names}
        elif isinstance(node, (ast.FunctionDef, ast.arg)):
            bound.add(node.name if isinstance(node, ast.FunctionDef) else node.arg)
    return sorted({node.id for node in names} - bound)


def faults(path: Path) -> list[str]:
    """Return what is wrong with the form of a stored notebook."""
    notebook = nbformat.read(path, as_version=4)
    found = []
    if path.stat().st_size > MOST_BYTES:
        found.append(f"{path.stat().st_size} bytes, more than {MOST_BYTES}")
    if compared(notebook) < LEAST_COMPARED:
        found.append(f"{compared(notebook)} cells compared, fewer than {LEAST_COMPARED}")
    for number, cell in enumerate(notebook.cells):
        if cell.cell_type == "code":
            lines = cell.source.splitlines()
            if len(lines) >= MOST_LINES:
                found.append(f"cell {number} has {len(lines)} lines")
            if lines and lines[-1].rstrip().endswith(";"):
                found.append(f"cell {number} ends with ;")
            printed = [line for output in cell.outputs if output.output_type == "stream"
                       for line in output.text.splitlines()]
            if max(map(len, printed), default=0) > LONGEST_LINE:
                found.append(f"cell {number} prints a line over {LONGEST_LINE} characters")
        if "\u2014" in cell.source:
            found.append(f"cell {number} holds a long dash")
    return found


def reading_faults(path: Path) -> list[str]:
    """Return what makes a stored lesson long to read, or of no use to who types no code."""
    notebook = nbformat.read(path, as_version=4)
    prose, panels, _, longest = words_in_view(notebook)
    found = []
    if prose + panels > MOST_WORDS:
        found.append(f"{prose + panels} words in view, more than {MOST_WORDS}")
    if longest > MOST_BETWEEN:
        found.append(f"{longest} words between two things to do, more than {MOST_BETWEEN}")
    for number, cell in enumerate(notebook.cells):
        if cell.cell_type == "code":
            if not cell.metadata.get("jupyter", {}).get("source_hidden"):
                found.append(f"cell {number} shows its code")
            if not cell.source.startswith("# "):
                found.append(f"cell {number} has no plain words to show while its code is folded")
            if "checklist(" in cell.source and "*" in cell.source:
                found.append(f"cell {number} marks words in a checklist, which shows the marks")
            if names := unbound(cell.source):
                found.append(f"cell {number} needs {', '.join(names)} of another cell")
    first = notebook.cells[0]
    if "](attachment:" in first.source and not first.get("attachments"):
        found.append("the picture of the hall is missing")
    if "](attachment:" not in first.source:
        found.append("no picture of the hall at the head")
    return found


def run(path: Path) -> None:
    """Run a notebook in its own folder and write it back with text outputs only."""
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": path.parent}},
        store_widget_state=False,
    ).execute()
    tidy(notebook)
    nbformat.validate(notebook)
    nbformat.write(notebook, path)


def main(arguments: list[str]) -> int:
    """Run or look over the notebooks named; return 1 where one has a fault."""
    paths = [Path(name) for name in arguments if not name.startswith("--")]
    bad = 0
    for path in paths:
        if "--check" not in arguments:
            run(path)
        found = faults(path)
        prose, panels, folded, longest = words_in_view(nbformat.read(path, as_version=4))
        print(f"{path.stem}: {prose} words in view and {panels} in panels, {folded} folded, "
              f"{longest} at most between two things to do")
        bad += bool(found)
        size = path.stat().st_size
        cells = compared(nbformat.read(path, as_version=4))
        print(f"{path.name}: {size} bytes, {cells} cells compared",
              *(f"  FAULT {fault}" for fault in found), sep="\n")
    return int(bool(bad))


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
