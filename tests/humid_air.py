"""Humid air as CoolProp has it (Herrmann, Kretzschmar and Gatley 2009), from a table of its values.

The library itself takes two seconds to load, so only long tests ask it: one of them works the
table out anew. `python tests/humid_air.py` does too, and writes it.
"""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

TABLE = Path(__file__).parent / "published" / "coolprop_humid_air.csv"
KEYS = ("temperature_c", "humidity_pct", "pressure_kpa")
WHAT = ("speed_of_sound", "psi_w", "P_w")
"""In m/s; mole fraction of water; its partial pressure in Pa."""


@cache
def rows() -> dict[tuple[float, ...], dict[str, float]]:
    """Return the values of each state of the air in the table."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        lines = csv.DictReader(line for line in file if not line.startswith("#"))
        numbers = [{name: float(value) for name, value in row.items()} for row in lines]
    return {tuple(row[key] for key in KEYS): row for row in numbers}


def humid_air(what: str, temperature_c: float, humidity_pct: float, pressure_kpa: float) -> float:
    """Return one property of air in a state that the table has."""
    return rows()[temperature_c, humidity_pct, pressure_kpa][what]


def computed(what: str, temperature_c: float, humidity_pct: float, pressure_kpa: float) -> float:
    """Return one property of air in any state from CoolProp itself."""
    from CoolProp.CoolProp import HAPropsSI

    return HAPropsSI(what, "T", temperature_c + 273.15, "P", 1000 * pressure_kpa,
                     "R", humidity_pct / 100)


def main() -> None:
    """Work out the values of every state in the table anew."""
    head = [line for line in TABLE.read_text(encoding="utf-8").splitlines() if line[0] == "#"]
    states = sorted(rows())
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        file.write("\n".join(head) + "\n")
        out = csv.writer(file, lineterminator="\n")
        out.writerow([*KEYS, *WHAT])
        for state in states:
            out.writerow([*state, *(f"{computed(what, *state):.9g}" for what in WHAT)])


if __name__ == "__main__":
    main()
