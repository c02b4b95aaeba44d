"""Calls of the library as the questions write them: worked out, and shown with numbers."""

from __future__ import annotations

import ast
import math
from collections.abc import Mapping
from functools import cache
from importlib import import_module
from types import CodeType
from typing import Any

_HOMES = ("air", "absorption", "propagation", "levels", "units", "interference", "filters",
          "precedence", "audio")
"""Modules whose public names may stand in a call; names of a lesson as `l01.name`."""
_PLAIN = {"math": math, "abs": abs, "max": max, "round": round}


@cache
def _named(word: str) -> Any:
    """Return what a word of a call stands for, or None for one that follows a dot."""
    for home in _HOMES:
        module = import_module(f"fillalign.{home}")
        if word in module.__all__:
            return getattr(module, word)
    if word[:1] == "l" and word[1:].isdigit():
        return import_module(f"fillalign.classroom.lessons.{word}")
    return _PLAIN.get(word)


@cache
def _compiled(call: str) -> CodeType:
    return compile(call, f"<{call}>", "eval")


def value_of(call: str, numbers: Mapping[str, float]) -> float:
    """Return what a call gives for numbers by name.

    Examples
    --------
    >>> value_of("seat_delay_ms(main_m, 0, Air(20))", {"main_m": 34.4}).__round__(1)
    100.0
    """
    code = _compiled(call)
    known = {word: _named(word) for word in code.co_names if word not in numbers}
    return float(eval(code, {"__builtins__": {}, **known, **numbers}))


def with_numbers(call: str, numbers: Mapping[str, float]) -> str:
    """Return a call with its numbers in their places, as one would type it.

    Examples
    --------
    >>> with_numbers("gap_ms(main_m, 8.5, delay_ms)", {"main_m": 34.0, "delay_ms": 77.5})
    'gap_ms(34, 8.5, 77.5)'
    """
    class Put(ast.NodeTransformer):
        def visit_Name(self, node: ast.Name) -> ast.expr:
            if node.id not in numbers:
                return node
            value = numbers[node.id]
            return ast.Constant(int(value) if value.is_integer() else value)

    return ast.unparse(Put().visit(ast.parse(call, mode="eval")))
