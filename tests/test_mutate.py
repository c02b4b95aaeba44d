"""The list of changes that tests must notice: its runner, on a small tree made up."""

from __future__ import annotations

import pytest

from tests import mutate

LIST = """
[[file]]
file = "fillalign/law.py"
tests = ["tests/test_law.py"]

[[file.change]]
what = "sign"
old = "a + b"
new = "a - b"

[[file.change]]
what = "a term that nobody tests"
old = "* 1.0"
new = "* 2.0"

[[file.change]]
what = "text that has gone"
old = "a / b"
new = "a * b"

[[file.change]]
what = "text that stands there twice"
old = "return"
new = "yield"

[[file.change]]
what = "no Python"
old = "def total"
new = "def def"
"""


@pytest.fixture
def tree(tmp_path):
    for name, text in {
        "fillalign/__init__.py": "",
        "fillalign/law.py": "def total(a, b):\n    return a + b\n\n\n"
                            "def untested(a):\n    return a * 1.0\n",
        "tests/__init__.py": "",
        "tests/test_law.py": "from fillalign.law import total\n\n\n"
                             "def test_total():\n    assert total(1, 2) == 3\n",
        "tests/mutations.toml": LIST,
        "pyproject.toml": "[tool.pytest.ini_options]\nmarkers = ['long: long']\n",
    }.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    return tmp_path


@pytest.mark.long
def test_each_change_gets_its_verdict(tree, capsys):
    before = {path: path.read_bytes() for path in tree.rglob("*.*")}
    assert mutate.main([], root=tree) == 1
    lines = [line.split()[0] for line in capsys.readouterr().out.splitlines()
             if "fillalign/law.py:" in line]
    assert lines[:5] == ["noticed", "SURVIVED", "GONE", "GONE", "UNFAIR"]
    assert mutate.main(["SIGN"], root=tree) == 0
    assert {path: path.read_bytes() for path in tree.rglob("*.*")} == before
    assert mutate.main(["nothing like it"], root=tree) == 2
    (tree / "tests" / "test_law.py").write_text("def test_total():\n    assert False\n")
    assert mutate.main(["sign"], root=tree) == 2
    assert "fail before anything is changed" in capsys.readouterr().out


def test_the_list_names_what_is_there():
    """Each old text once, and tests that are there: a list that has fallen behind tests nothing."""
    changes = mutate.listed(mutate.ROOT)
    assert [(one.file, one.what) for one in changes if not one.fits(mutate.ROOT)] == []
    paths = {test.partition("::")[0] for one in changes for test in one.tests}
    assert {path for path in paths if not (mutate.ROOT / path).exists()} == set()
