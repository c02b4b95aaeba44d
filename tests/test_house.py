"""The house: which room may import from which, by its door, without going in circles.

`python tests/test_house.py` draws the house anew in DEVELOPERS.md.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from textwrap import dedent

import pytest

import fillalign

ROOT = Path(__file__).parents[1]
CORE = ("root", "venue", "field", "planning", "sheet", "audio", "commands", "__main__")
MAY_IMPORT = {
    "root": {"root"},
    "venue": {"root", "venue"},
    "field": {"root", "venue", "field"},
    "planning": {"root", "venue", "field", "planning"},
    "audio": {"root", "venue", "field", "audio"},
    "plots": {"root", "venue", "field", "planning", "sheet", "audio", "plots"},
    "sheet": {"root", "venue", "field", "planning", "sheet", "plots"},
    "commands": {*CORE, "plots"} - {"__main__"},
    "__main__": {"root", "commands"},
    "classroom": {*CORE, "plots", "classroom"} - {"commands", "__main__"},
    "top": set(CORE) - {"commands", "__main__"},
}
# Beside one another, yet a plan is one of the things that can be heard.
RECORDS = {("audio", "planning"): {"FillPlan", "FillReport"}}
CHAIN = 14
FILES_IN_ROOT = 20
NAMES_ON_TOP = 50
LINES = 500


@dataclass(frozen=True)
class Import:
    """One name that a module imports from another, or all of it where `name` is empty."""

    importer: str
    line: int
    source: str
    name: str
    typing: bool

    def told(self) -> str:
        """Return it as a line for a reader of the test."""
        return f"{self.importer or '__init__'}:{self.line} imports {self.source}:{self.name}"


class House:
    """Every module of a package by its name without the package's ("" is the package itself)."""

    def __init__(self, folder: Path) -> None:
        self.package = folder.name
        self.paths = {}
        for path in sorted(folder.rglob("*.py")):
            parts = path.relative_to(folder).with_suffix("").parts
            self.paths[".".join(parts).removesuffix("__init__").rstrip(".")] = path
        self.trees = {name: ast.parse(path.read_text(encoding="utf-8"))
                      for name, path in self.paths.items()}
        self.rooms = {name for name in self.trees if "." not in name and self.is_door(name)} - {""}
        self.imports = [one for name in self.trees for one in self.imports_of(name)]
        self.homes = {(one.importer, one.name): one.source for one in self.imports
                      if self.is_door(one.importer)}

    def is_door(self, module: str) -> bool:
        """Return whether a module is the `__init__` of a folder."""
        return self.paths[module].stem == "__init__"

    def room(self, module: str) -> str:
        """Return the room that a module stands in."""
        first = module.partition(".")[0]
        if first in self.rooms or first == "__main__":
            return first
        return "root" if first else "top"

    def public(self, module: str) -> set[str]:
        """Return the names that a module lists in `__all__`; the top works its own out."""
        for node in self.trees[module].body if module else ():
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
                return set(ast.literal_eval(node.value))
        return set()

    def imports_of(self, module: str) -> Iterator[Import]:
        """Yield what a module imports from this package, wherever in its text."""
        tree = self.trees[module]
        typing = {inner for node in ast.walk(tree)
                  if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
                  for inner in ast.walk(node)}
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                found = [(alias.name, "", alias.asname) for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                source = self.absolute(module, node)
                found = [(source, alias.name, alias.asname or alias.name) for alias in node.names]
            else:
                continue
            for source, name, bound in found:
                if source.partition(".")[0] == self.package:
                    inside = source.partition(".")[2]
                    for whence, what in self.names(tree, inside, name, bound):
                        yield Import(module, node.lineno, whence, what, node in typing)

    def absolute(self, module: str, node: ast.ImportFrom) -> str:
        """Return the full name of what a statement imports from."""
        if not node.level:
            return node.module or ""
        parts = [self.package, *filter(None, module.split("."))]
        up = node.level - self.is_door(module)
        return ".".join([*parts[: len(parts) - up], *filter(None, [node.module])])

    def names(
        self, tree: ast.Module, source: str, name: str, bound: str | None
    ) -> list[tuple[str, str]]:
        """Return module and name; of a module imported whole, the names used of it."""
        whole = f"{source}.{name}".strip(".")
        listed = source in self.trees and name in self.public(source)
        if name and (listed or whole not in self.trees):
            return [(source, name)]
        used = {node.attr for node in ast.walk(tree)
                if isinstance(node, ast.Attribute) and ast.unparse(node.value) == bound}
        return [(whole, attribute) for attribute in sorted(used)] or [(whole, "")]

    def defining(self, source: str, name: str) -> set[str]:
        """Return the modules behind a name, past every door."""
        if source not in self.trees or not self.is_door(source):
            return {source} & set(self.trees)
        names = {name} if name else self.public(source)
        homes = {self.homes.get((source, one), "") for one in names} - {"", source}
        return {module for home in homes for module in self.defining(home, name)}

    def graph(self, *rooms: str) -> dict[str, set[str]]:
        """Return what every module of some rooms (or of all) needs when it runs."""
        graph = {name: set() for name in self.trees
                 if not self.is_door(name) and (not rooms or self.room(name) in rooms)}
        for one in self.imports:
            if one.importer in graph and not one.typing:
                needed = self.defining(one.source, one.name) & set(graph)
                graph[one.importer] |= needed - {one.importer}
        return graph


def wrong_ways(house: House) -> list[str]:
    """Return imports of a room from one above it."""
    wrong = []
    for one in house.imports:
        ends = house.room(one.importer), house.room(one.source)
        if ends[1] not in MAY_IMPORT.get(ends[0], ends) | {"top"} and one.name not in RECORDS.get(
            ends, ()
        ):
            wrong.append(one.told())
    return wrong


def from_the_top(house: House) -> list[str]:
    """Return imports of the package's own top, which is for its users."""
    return [one.told() for one in house.imports if one.source == ""]


def past_a_door(house: House) -> list[str]:
    """Return imports into a room that miss its door, or of a name that its door does not list."""
    missed = []
    for one in house.imports:
        room = house.room(one.source)
        inside = room == house.room(one.importer)
        if room not in house.rooms or (inside and one.source != room):
            continue
        listed = one.source == room and ({one.name} - {""}) <= house.public(room)
        # Inside a room the door is no way: it opens only when all behind it is there.
        if inside or not listed:
            missed.append(one.told())
    return missed


def not_public(house: House) -> list[str]:
    """Return what the classroom imports that no root module or door offers to everybody."""
    return [
        one.told() for one in house.imports
        if house.room(one.importer) == "classroom" and house.room(one.source) != "classroom"
        and (one.source.startswith("_") or one.name not in house.public(one.source))
    ]


def cycle(house: House) -> list[str]:
    """Return modules that need one another in a circle, if any do."""
    try:
        TopologicalSorter(house.graph()).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def longest_chain(house: House) -> list[str]:
    """Return the longest row of modules of the core of which each imports the next."""
    graph = house.graph(*CORE)
    chains: dict[str, list[str]] = {}
    for module in TopologicalSorter(graph).static_order():
        below = max((chains[needed] for needed in sorted(graph[module])), key=len, default=[])
        chains[module] = [module, *below]
    return max(chains.values(), key=len)


def bare_doors(house: House) -> list[str]:
    """Return doors that do not say what they are for, or list nothing."""
    return [room for room in sorted(house.rooms)
            if not (ast.get_docstring(house.trees[room]) and house.public(room))]


def top_names(house: House) -> list[tuple[str, str]]:
    """Return (module, name) of what stands on top, by the stub."""
    stub = ast.parse(house.paths[""].with_suffix(".pyi").read_text(encoding="utf-8"))
    return [(node.module.partition(".")[2], one.name) for node in stub.body
            if isinstance(node, ast.ImportFrom) for one in node.names if one.name == one.asname]


def drawing(house: House) -> str:
    """Return the tree of files with the first line of what each says of itself."""
    rooms = ["top", "__main__", *MAY_IMPORT]
    lines = []
    for name in sorted(house.trees, key=lambda name: (rooms.index(house.room(name)), name)):
        folders = [house.package, *filter(None, name.split("."))]
        file = folders[-1] + ("/" if house.is_door(name) else ".py")
        said = (ast.get_docstring(house.trees[name]) or "").partition("\n")[0]
        lines.append(f"{'  ' * (len(folders) - 1) + file:<26}{said}".rstrip())
    return "\n".join(lines)


def redrawn(guide: str, house: House) -> str:
    """Return the contributor guide with the house as it is."""
    before, _, rest = guide.partition("```text\n")
    return f"{before}```text\n{drawing(house)}\n```{rest.partition('```')[2]}"


# The house as it stands


@pytest.fixture(scope="module")
def house():
    return House(ROOT / "fillalign")


@pytest.mark.parametrize("rule", [wrong_ways, from_the_top, past_a_door, not_public, cycle,
                                  bare_doors], ids=lambda rule: rule.__name__)
def test_nothing_breaks(house, rule):
    offenders = rule(house)
    assert not offenders, "\n" + "\n".join(offenders)


def test_every_room_has_its_rule(house):
    assert {house.room(name) for name in house.trees} == set(MAY_IMPORT)


def test_chains_are_short(house):
    chain = longest_chain(house)
    assert 4 < len(chain) <= CHAIN, " <- ".join(reversed(chain))


def test_the_root_is_no_warehouse(house):
    files = [name for name in house.trees if house.room(name) in ("root", "top", "__main__")]
    assert len(files) <= FILES_IN_ROOT


def test_files_can_be_read_in_one_go(house):
    lengths = {name: len(path.read_text(encoding="utf-8").splitlines())
               for name, path in house.paths.items()}
    assert {name: length for name, length in lengths.items() if length > LINES} == {}


def test_what_stands_on_top_is_public_where_it_lives(house):
    top = top_names(house)
    assert sorted(name for _, name in top) == fillalign.__all__
    assert len({name for _, name in top}) == len(top) <= NAMES_ON_TOP
    for module, name in top:
        assert name in house.public(module) or module.startswith("_"), name


def test_the_guide_draws_the_house_as_it_is(house):
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert guide == redrawn(guide, house), "run `python tests/test_house.py`"
    assert guide.count("```text\n") == 1


# The rules themselves, on small houses made up


@pytest.fixture
def built(tmp_path):
    """Return a function that builds a house of some files and reads it."""
    tidy = {"air": "__all__ = ['speed']\nspeed = _slow = 1",
            "_text": "def plain(): ...",
            "venue/__init__": '"""V."""\nfrom small.venue.model import Hall\n__all__ = ["Hall"]',
            "venue/model": "from small.air import speed\nHall = Wall = 2"}

    def build(files):
        for name, text in (tidy | files).items():
            path = tmp_path / "small" / f"{name}.py"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        for folder in {path.parent for path in (tmp_path / "small").rglob("*.py")}:
            (folder / "__init__.py").touch()
        return House(tmp_path / "small")

    return build


RULES = (wrong_ways, from_the_top, past_a_door, not_public, cycle)


def broken(house):
    """Return the names of the rules that a house breaks."""
    return [rule.__name__ for rule in RULES if rule(house)]


@pytest.mark.parametrize(("files", "rules"), [
    ({}, []),
    ({"field/paths": "from small.venue import Hall"}, []),
    ({"air": "from small.venue import Hall"}, ["wrong_ways", "cycle"]),
    ({"air": "from .venue import Hall"}, ["wrong_ways", "cycle"]),
    ({"air": "def late():\n    from small.venue import Hall"}, ["wrong_ways", "cycle"]),
    ({"air": "if TYPE_CHECKING:\n    from small.venue import Hall"}, ["wrong_ways"]),
    ({"_text": "import small.venue"}, ["wrong_ways"]),
    ({"venue/reader": "from small.field import seats",
      "field/__init__": "__all__ = ['seats']"}, ["wrong_ways"]),
    ({"field/paths": "from small import speed"}, ["from_the_top"]),
    ({"field/paths": "import small"}, ["from_the_top"]),
    ({"field/paths": "from small import air, venue\nair.speed, venue.Hall"}, []),
    ({"field/paths": "from small import venue\nvenue.Wall"}, ["past_a_door"]),
    ({"field/paths": "from small.venue.model import Hall"}, ["past_a_door"]),
    ({"field/paths": "from small.venue import model"}, ["past_a_door"]),
    ({"field/paths": "import small.venue.model"}, ["past_a_door"]),
    ({"field/paths": "from small.venue import Wall"}, ["past_a_door"]),
    ({"venue/reader": "from small.venue import Hall"}, ["past_a_door"]),
    ({"venue/reader": "from .model import Hall"}, []),
    ({"classroom/live": "from small.venue import Hall\nfrom small.air import speed"}, []),
    ({"classroom/live": "from small.air import _slow"}, ["not_public"]),
    ({"classroom/live": "from small import air\nair.slow"}, ["not_public"]),
    ({"classroom/live": "from small._text import plain"}, ["not_public"]),
    ({"classroom/live": "from small.venue.model import Hall"}, ["past_a_door", "not_public"]),
    ({"classroom/live": "from small.classroom.keys import _own", "classroom/keys": ""}, []),
    ({"audio/wav": "from small.planning import FillPlan",
      "planning/__init__": "__all__ = ['FillPlan', 'need']"}, []),
    ({"audio/wav": "from small.planning import need",
      "planning/__init__": "__all__ = ['FillPlan', 'need']"}, ["wrong_ways"]),
    ({"venue/a": "from small.venue.b import x", "venue/b": "from small.venue.c import x",
      "venue/c": "from small.venue.a import x"}, ["cycle"]),
    ({"venue/a": "from small.venue.b import x",
      "venue/b": "if TYPE_CHECKING:\n    from small.venue.a import x"}, []),
], ids=str)
def test_a_rule_broken_is_noticed(built, files, rules):
    assert broken(built(files)) == rules


def test_a_chain_is_counted_without_its_doors(built):
    assert longest_chain(built({})) == ["venue.model", "air"]
    longer = built({"air": "from small._text import plain",
                    "field/paths": "from small.venue import Hall",
                    "plots/views": "from small.field.paths import x",
                    "field/seats": "if TYPE_CHECKING:\n    from small.field.paths import x"})
    assert longest_chain(longer) == ["field.paths", "venue.model", "air", "_text"]


def test_a_door_says_what_it_is_for(built):
    house = built({"field/__init__": "__all__ = ['x']", "audio/__init__": '"""Ears."""'})
    assert bare_doors(house) == ["audio", "field"]


def test_the_drawing_shows_folders_and_what_each_file_says(built):
    house = built({"__init__": '"""A small house.\n\nMore."""', "air": '"""Air."""\n__all__ = []'})
    assert drawing(house) == dedent("""\
        small/                    A small house.
          _text.py
          air.py                  Air.
          venue/                  V.
            model.py""")


if __name__ == "__main__":
    path = ROOT / "DEVELOPERS.md"
    path.write_text(redrawn(path.read_text(encoding="utf-8"), House(ROOT / "fillalign")),
                    encoding="utf-8")
