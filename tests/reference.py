"""Build the reference as pages, without the net: `python tests/reference.py [FOLDER]`.

One page a module or room, made from the docstrings; an index by topic; a page of the venue
file with every key, made from the one table of rules; and a page that says how each thing
was checked and against which source, made from the tests. Nothing on a page is typed here
but the words of the index.
"""

from __future__ import annotations

import ast
import csv
import sys
import tomllib
from collections.abc import Iterator
from html import escape
from importlib import import_module
from inspect import isclass, isroutine
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

import fillalign  # noqa: E402
from fillalign.venue.consistency import LIMITS, SEAT_LIMIT  # noqa: E402
from fillalign.venue.keys import TABLES  # noqa: E402
from fillalign.venue.values import NAMED, ROWS, Key, allowed  # noqa: E402
from tests import public  # noqa: E402

LARGEST_BYTES = 300_000
PAGES = {"venue-file": "The venue file: every key, its unit, range and default",
         "checked": "How each thing was checked, and against which source"}
# What people look for, and where it stands.
TOPICS = {
    "Start: the names of a ten-line script": ["fillalign"],
    "Air: speed of sound, absorption, weather": ["air", "absorption"],
    "Delay, gap and units": ["propagation", "units"],
    "Level, image and echo": ["levels", "precedence"],
    "Two arrivals: combs and filters": ["interference", "filters"],
    "Boxes, rooms and speech": ["loudspeakers", "room", "speech"],
    "A venue: file, records, where a box hangs": ["venue-file", "venue", "trilateration"],
    "Planning, and what seats get": ["planning", "field"],
    "Sheets and pictures": ["sheet", "plots"],
    "Recordings and listening": ["audio"],
    "Lessons": ["classroom"],
    "How far to trust it": ["checked"],
}
STYLE = """body{font:15px/1.5 sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem;color:#222}
h1,h2{font-weight:600}table{border-collapse:collapse;width:100%}td,th{text-align:left;
vertical-align:top;padding:.25rem .6rem .25rem 0;border-bottom:1px solid #ddd}code{font-size:.92em}
a{color:#1f5c99}"""


def module_name(place: str) -> str:
    """Return the full name of a module by its own."""
    return place if place == "fillalign" else f"fillalign.{place}"


def page(title: str, *parts: str) -> str:
    """Return a page with a title."""
    return (f"<!DOCTYPE html><html lang='en'><head><meta charset='utf-8'><title>{escape(title)}"
            f"</title><style>{STYLE}</style></head><body><h1>{escape(title)}</h1>"
            f"{''.join(parts)}</body></html>\n")


def table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    """Return a table of cells that are HTML already."""
    lines = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>\n" for row in rows)
    return (f"<table><tr>{''.join(f'<th>{escape(name)}</th>' for name in head)}</tr>\n{lines}"
            "</table>")


def index_page() -> str:
    """Return the index: topics, their pages, and the names on each."""
    parts = [f"<p>fillalign {fillalign.__version__}. {escape(summary('fillalign'))} Start from a "
             "venue file, or from the ten lines in the README.</p>"]
    for topic, places in TOPICS.items():
        parts.append(f"<h2>{escape(topic)}</h2>")
        for place in places:
            if place in PAGES:
                parts.append(f"<p><a href='{place}.html'>{escape(PAGES[place])}</a></p>")
                continue
            listed = import_module(module_name(place)).__all__
            names = ", ".join(link(name, place) for name in listed)
            head = "" if place == "fillalign" else (
                f"<a href='fillalign/{place}.html'><b>{module_name(place)}</b></a>: "
                f"{escape(summary(module_name(place)))}<br>")
            parts.append(f"<p>{head}<code>{names}</code></p>")
    return page("fillalign: the reference by topic", *parts)


def link(name: str, place: str) -> str:
    """Return a name that leads to where it is explained: names on top have a home below."""
    home = public.HOMES.get(name, "").removeprefix("fillalign.") if place == "fillalign" else place
    if not home:
        return name
    thing = getattr(import_module(module_name(home)), name)
    anchor = f"#{name}" if isroutine(thing) or isclass(thing) else ""
    return f"<a href='fillalign/{home}.html{anchor}'>{name}</a>"


def summary(name: str) -> str:
    """Return the first line of what a module says of itself."""
    return (import_module(name).__doc__ or "").strip().partition("\n")[0]


# --- the venue file ----------------------------------------------------------------------


def spelled(family: str) -> str:
    """Return a table's head as a file has it."""
    if family == "position_from":
        return "one of position_from"
    return {**dict.fromkeys(NAMED, f"[{family}.NAME]"), **dict.fromkeys(ROWS, f"[[{family}]]"),
            "locked": "locked of an output"}.get(family, f"[{family}]")


def default_of(key: Key) -> str:
    """Return what a key that is left out becomes, in words."""
    if key.must:
        return "must be given"
    if key.default is None:
        return "may be left out"
    items = key.default if isinstance(key.default, tuple) else (key.default,)
    return escape(", ".join(f"{one:g}" if isinstance(one, float) else str(one) for one in items))


def explained() -> dict[tuple[str, str], str]:
    """Return what the demo hall's file says beside a key, by table and key."""
    said, family = {}, ""
    lines = (ROOT / "data" / "tidewell_hall.toml").read_text(encoding="utf-8").splitlines()
    for line in lines:
        if line.startswith("["):
            family = next(iter(tomllib.loads(line)))
        name, given, rest = line.partition(" = ")
        if given and name.isidentifier() and "  # " in rest:
            said.setdefault((family, name), rest.rpartition("  # ")[2].strip())
    return said


def key_row(name: str, key: Key, said: str) -> tuple[str, ...]:
    """Return the row of one key."""
    notes = [said, f"instead of {key.instead_of}" if key.instead_of else "",
             f"comes with {key.needs}" if key.needs else "",
             "may end in _ft" if key.unit == "m" and name.endswith("_m") else ""]
    return (f"<code>{name}</code>", escape(key.unit), escape(allowed(key, whole=True)),
            default_of(key), escape("; ".join(filter(None, notes))))


def venue_file_page() -> str:
    """Return the page of the venue file: one table of keys for each of its tables."""
    said = explained()
    parts = ["<p>One TOML file. A key ends in its unit; what it takes and what it becomes when "
             "left out stand below, as the reader and the records hold it. "
             "<code>data/tidewell_hall.toml</code> shows every table in use.</p>"]
    for family, keys in TABLES.items():
        rows = [key_row(name, key, said.get((family, name), ""))
                for name, key in keys.items() if (family, name) not in
                {(one, "name") for one in NAMED}]
        parts += [f"<h2 id='{family}'>{escape(spelled(family))}</h2>",
                  table(("key", "unit", "takes", "left out", ""), rows)]
    limits = [(escape(what), f"{most}") for what, most in LIMITS.items()]
    parts += ["<h2>How many</h2>", table(("of", "at most"), [*limits, ("seats", f"{SEAT_LIMIT}")])]
    return page(PAGES["venue-file"], *parts)


# --- how it was checked ------------------------------------------------------------------


def published() -> Iterator[str]:
    """Yield a table for each file of published values, source and all."""
    for path in sorted((ROOT / "tests" / "published").glob("*.csv")):
        comments, lines = [], []
        for line in path.read_text(encoding="utf-8").splitlines():
            (comments if line.startswith("#") else lines).append(line)
        head, *rows = csv.reader(lines)
        yield f"<h3>{escape(path.stem.replace('_', ' '))}</h3><p>{escape(' '.join(comments))}</p>"
        yield table(tuple(head), [tuple(map(escape, row)) for row in rows])


def told(path: Path) -> tuple[str, list[tuple[str, ...]]]:
    """Return what a file of tests says of itself, and its tests that say against what."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    rows = [(escape(node.name.removeprefix("test_").replace("_", " ")),
             escape(" ".join((ast.get_docstring(node) or "").split())))
            for node in tree.body
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")]
    return ast.get_docstring(tree) or "", [row for row in rows if row[1]]


def checked_page() -> str:
    """Return the page of checks: published values, then the tests of each module in words."""
    parts = ["<p>Each table below is read from the tests. 'From memory' marks a published value "
             "that nobody has looked up again; 'common practice' a fact of the trade without a "
             "source. Tests without a word of their own are not listed.</p>",
             "<h2>Published values</h2>", *published(), "<h2>Tests</h2>"]
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        about, rows = told(path)
        if rows and "browser" not in path.parts:
            where = path.relative_to(ROOT / "tests").as_posix()
            parts += [f"<h3>{escape(where)}</h3><p>{escape(' '.join(about.split()))}</p>",
                      table(("what", "against what"), rows)]
    return page(PAGES["checked"], *parts)


# --- all of it ---------------------------------------------------------------------------


def build(folder: Path) -> dict[str, int]:
    """Write all pages into a folder, and return their sizes in bytes."""
    import pdoc

    # Fields without words of their own stand in their record's first line; without the source
    # and a search that loads all at once, every page opens at once.
    pdoc.render.configure(docformat="numpy", search=False, show_source=False,
                          include_undocumented=False,
                          footer_text=f"fillalign {fillalign.__version__}")
    rooms = [module_name(place) for places in TOPICS.values() for place in places
             if place not in PAGES and place != "fillalign"]
    inner = r"!fillalign\.\w+\..*"
    pdoc.pdoc(*rooms, inner, output_directory=folder)
    made = {"index": index_page(), "venue-file": venue_file_page(), "checked": checked_page()}
    for name, text in made.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {path.relative_to(folder).as_posix(): path.stat().st_size
            for path in sorted(folder.rglob("*.html"))}


def main() -> int:
    """Build all pages, say how large they are, and fail where one is too large."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else ROOT / "api")
    sizes = build(folder)
    for name, size in sizes.items():
        print(f"{size / 1000:7.0f} kB  {name}")
    print(f"{len(sizes)} pages in {folder}")
    return int(max(sizes.values()) > LARGEST_BYTES)


if __name__ == "__main__":
    sys.exit(main())
