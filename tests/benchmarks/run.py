"""Print the speed of the library, each against a reference measured in the same run.

    python tests/benchmarks/run.py [word ...]

One table, best of several interleaved rounds; with words only the sections
named (absorption, interference, field, memory, start, plan, sound, redraw). Some three
minutes for all. Ends with status 1 where a target is missed.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parent), str(ROOT)]

import arrivals_table  # noqa: E402
import pyfar  # noqa: E402
import redraw  # noqa: E402

from fillalign import absorption_db_per_m, read_venue  # noqa: E402
from fillalign._validate import as_float  # noqa: E402
from fillalign.absorption import THIRDS_HZ, band_edges_hz  # noqa: E402
from fillalign.interference import interference_power  # noqa: E402

SOURCES, FINE = 8, 24
COUNTS = (2_000, 20_000, 200_000)
LOW_HZ, HIGH_HZ = band_edges_hz(THIRDS_HZ)
VENUES = ("tidewell_hall", "lantern_room", "saltmarsh_chapel", "cinder_meadow")


@dataclass(frozen=True)
class Row:
    """One line of the table: what was measured, its reference, their figure and its target."""

    what: str
    measured: str
    reference: str
    figure: float
    unit: str
    target: str
    kept: bool | None

    def text(self) -> str:
        """Return the line."""
        verdict = {True: "ok", False: "SHORT", None: ""}[self.kept]
        figure = f"{self.figure:.2f}{self.unit}"
        return (f"{self.what:<52}{self.measured:>9}{self.reference:>28}{figure:>14}"
                f"{self.target:>10}  {verdict}")


def shown(seconds: float) -> str:
    """Return a time with three digits and a fitting unit."""
    for size, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us")):
        if seconds >= size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds * 1e9:.3g} ns"


def best(*calls: Callable[[], object], rounds: int = 5, number: int = 1) -> list[float]:
    """Return the best time of each call in s, taken in turns."""
    times = [[np.inf] * rounds for _ in calls]
    for turn in range(rounds):
        for call, mine in zip(calls, times, strict=True):
            start = time.perf_counter()
            for _ in range(number):
                call()
            mine[turn] = (time.perf_counter() - start) / number
    return [min(mine) for mine in times]


def faster(what: str, ours: float, name: str, theirs: float, target: float) -> Row:
    """Return a row that says how many times faster than the reference we are."""
    ratio = theirs / ours
    return Row(what, shown(ours), f"{name} {shown(theirs)}", ratio, " x faster", f">= {target:g}",
               ratio >= target)


def share(what: str, ours: float, name: str, theirs: float, target: float) -> Row:
    """Return a row that says what share of the reference's time we take."""
    ratio = ours / theirs
    return Row(what, shown(ours), f"{name} {shown(theirs)}", ratio, " of it", f"<= {target:.3g}",
               ratio <= target)


def plain_absorption(f: np.ndarray, t: np.ndarray, h: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Return ISO 9613-1, eqs 3 to 5 and annex B, as printed."""
    k, pr = t + 273.15, p / 101.325
    q = k / 293.15
    x = h * 10.0 ** (4.6151 - 6.8346 * (273.16 / k) ** 1.261) / pr
    oxygen = pr * (24 + 4.04e4 * x * (0.02 + x) / (0.391 + x))
    nitrogen = pr * q**-0.5 * (9 + 280 * x * np.exp(-4.170 * (q ** (-1 / 3) - 1)))
    return 8.686 * f**2 * (1.84e-11 / pr * q**0.5 + q**-2.5 * (
        0.01275 * np.exp(-2239.1 / k) / (oxygen + f**2 / oxygen)
        + 0.1068 * np.exp(-3352.0 / k) / (nitrogen + f**2 / nitrogen)))


def absorption() -> Iterator[Row]:
    """Time absorption against pyfar and against the formula as printed plus one border check."""
    rng = np.random.default_rng(1)
    bands = THIRDS_HZ[1:]
    t, h = rng.uniform(0, 40, 40000), rng.uniform(10, 95, 40000)
    ours, theirs = best(
        lambda: absorption_db_per_m(bands, t[:, None], h[:, None]),
        lambda: pyfar.constants.air_attenuation(t, bands, h / 100),
        rounds=9,
    )
    yield faster("absorption, 26 bands x 40,000 airs", ours, "pyfar", theirs, 3)
    ours, theirs = best(
        lambda: absorption_db_per_m(1000.0, 20.0, 50.0, 101.325),
        lambda: pyfar.constants.air_attenuation(20.0, 1000.0, 0.5),
        rounds=9, number=200,
    )
    yield faster("absorption, 1 number", ours, "pyfar", theirs, 3)
    for n, number in ((100, 1000), (1_000_000, 1)):
        row = [rng.uniform(*ends, n) for ends in ((50, 2e4), (0, 40), (10, 95), (80, 105))]
        cases = {f"{n:,} frequencies": [row[0], 20.0, 50.0, 101.325], f"{n:,} airs": row}
        for kind, inputs in cases.items():
            ours, formula, check = best(
                lambda inputs=inputs: absorption_db_per_m(*inputs),
                lambda inputs=inputs: plain_absorption(*inputs),
                lambda inputs=inputs: as_float("frequency_hz", inputs[0], "Hz", low=0.0),
                rounds=15 if number > 1 else 7, number=number,
            )
            yield share(f"absorption, {kind}", ours, "formula + check", formula + check, 3.0)


def seats(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return powers (sources, seats, bands) and arrival times (sources, seats, 1) in s."""
    rng = np.random.default_rng(2)
    distance = rng.uniform(5, 120, (SOURCES, count, 1))
    return distance**-2.0 * rng.uniform(0.5, 1.0, THIRDS_HZ.size), distance / 343.0


def by_frequencies(power: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """Average |sum of arrivals|^2 over 24 frequencies a band."""
    middle = (np.arange(FINE) + 0.5) / FINE
    result = np.empty(power.shape[1:])
    for band in range(THIRDS_HZ.size):
        frequency = LOW_HZ[band] + (HIGH_HZ[band] - LOW_HZ[band]) * middle
        waves = np.exp(-2j * np.pi * frequency * time_s)
        pressure = np.einsum("is,isf->sf", np.sqrt(power[..., band]), waves)
        result[:, band] = (pressure.real**2 + pressure.imag**2).mean(axis=1)
    return result


def interference() -> Iterator[Row]:
    """Time interference against many frequencies a band, and over numbers of seats."""
    power, time_s = seats(20_000)

    def ours() -> np.ndarray:
        return interference_power(power, time_s, LOW_HZ, HIGH_HZ)

    assert np.abs(10 * np.log10(by_frequencies(power, time_s) / ours())).mean() < 1.0
    (mine,), (brute,) = best(ours, rounds=4), best(lambda: by_frequencies(power, time_s), rounds=2)
    yield faster("interference, 20,000 seats x 8 x 27", mine, f"{FINE} frequencies", brute, 3)
    yield from linear("  the same", lambda given: interference_power(*given, LOW_HZ, HIGH_HZ),
                      {count: seats(count) for count in COUNTS})


def linear(what: str, work: Callable[..., object], given: dict[int, object]) -> Iterator[Row]:
    """Yield how a seat among few and among many compares with one among those in the middle."""
    small, middle, large = given
    times = {count: best(lambda one=one: work(one), rounds=3)[0] for count, one in given.items()}
    for count in (small, large):
        growth = times[count] / count * middle / times[middle]
        yield Row(f"{what}, {count:,} seats, a seat against {middle:,}'s", shown(times[count]),
                  f"{middle:,} seats {shown(times[middle])}", growth, " of it", "<= 1.25",
                  growth <= 1.25)


def many_seats(count: int) -> np.ndarray:
    """Return so many seats in Tidewell Hall."""
    x, y = np.meshgrid(np.linspace(8, 45, count // 200), np.linspace(-9, 9, 200))
    return np.stack([x.ravel(), y.ravel(), np.full(x.size, 1.2)], axis=-1)


def field() -> Iterator[Row]:
    """Time the field of a hall over numbers of seats: levels, and what speech makes of them."""
    from fillalign.field import seat_field, seat_speech

    hall = read_venue(ROOT / "data" / "tidewell_hall.toml")
    given = {count: many_seats(count) for count in COUNTS}
    for call in (seat_field, seat_speech):
        yield from linear(call.__name__, lambda points, call=call: call(hall, seats_m=points),
                          given)


# Linux: `ru_maxrss` of a child starts at its parent's, the kernel's own mark does not.
PEAK = """
import re, sys
sys.path[:0] = [{root!r}]
{code}
print(int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024)
"""
INTERFERENCE = """
import numpy as np
from fillalign.absorption import THIRDS_HZ, band_edges_hz
from fillalign.interference import interference_power
rng = np.random.default_rng(2)
distance = rng.uniform(5, 120, (8, {count}, 1))
power = np.empty((8, {count}, 27))
np.divide(1.0, distance * distance, out=power)
interference_power(power, distance / 343, *band_edges_hz(THIRDS_HZ))
"""
FIELD = """
import numpy as np
from fillalign import read_venue, seat_field
hall = read_venue({venue!r})
x, y = np.meshgrid(np.linspace(8, 45, {count} // 200), np.linspace(-9, 9, 200))
seat_field(hall, seats_m=np.stack([x.ravel(), y.ravel(), np.full(x.size, 1.2)], axis=-1))
"""

# No seat may be nearer to another than 0.2 m, so the hall is made fifteen times as wide.
PLAN = """
from dataclasses import replace
from fillalign import plan_fills, read_venue
hall = read_venue({venue!r})
apart_m = sum(
    (area.x_to_m - area.x_from_m) * (area.y_to_m - area.y_from_m) * 15 / {count}
    for area in hall.areas) ** 0.5
plan_fills(replace(
    hall, room=replace(hall.room, width_m=290.0, volume_m3=110_000.0), areas=tuple(
        replace(area, y_from_m=15 * area.y_from_m, y_to_m=15 * area.y_to_m,
                row_spacing_m=apart_m, seat_spacing_m=apart_m) for area in hall.areas)))
"""


def peak_mb(code: str) -> float:
    """Return the most memory that a fresh interpreter held while it ran some code, in MB."""
    script = PEAK.format(root=str(ROOT), code=code)
    done = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True)
    return float(done.stdout.split()[-1])


def memory() -> Iterator[Row]:
    """Measure the peak memory of whole processes at 200,000 seats."""
    venue = str(ROOT / "data" / "tidewell_hall.toml")
    for what, code in {"8 sources with interference": INTERFERENCE,
                       "a hall's seat field": FIELD}.items():
        few, many = (peak_mb(code.format(count=count, venue=venue)) for count in (2_000, 200_000))
        yield Row(f"memory, {what}, 200,000 seats", f"{many:.0f} MB",
                  f"at 2,000 seats {few:.0f} MB", many, " MB", "< 500", many < 500)
    # Of more than 20,000 seats an even share decides, and the rest is seen in blocks.
    some, many = (peak_mb(PLAN.format(count=count, venue=venue)) for count in (20_000, 200_000))
    yield Row("memory, a hall's plan, 200,000 seats", f"{many:.0f} MB",
              f"at 20,000 seats {some:.0f} MB", many / some, " of it", "<= 1.25",
              many <= 1.25 * some)


def shell(compiled: str, *arguments: str) -> Callable[[], object]:
    """Return a call that runs the interpreter; from the second on it finds every module compiled.

    As after an installation by pip, and the same for us and for the reference.
    """
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": compiled}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    command = [sys.executable, *arguments]
    return lambda: subprocess.run(
        command, check=True, capture_output=True, cwd=ROOT, env=environment
    )


def start() -> Iterator[Row]:
    """Time what a shell waits for."""
    with tempfile.TemporaryDirectory() as kept:
        numpy_s, ours = best(
            shell(kept, "-c", "import numpy"), shell(kept, "-c", "import fillalign"), rounds=12
        )
        extra = 1000 * (ours - numpy_s)
        yield Row("import fillalign", shown(ours), f"numpy {shown(numpy_s)}", extra, " ms more",
                  "<= 30", extra <= 30)


def processor_s(call: Callable[[], object], rounds: int = 3) -> float:
    """Return the least processor time of a command in s, on all cores together."""
    spent = []
    for _ in range(rounds + 1):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        call()
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    # The first round may still compile.
    return min(spent[1:])


def plan() -> Iterator[Row]:
    """Measure the processor time that a plan takes from the shell, file to sheet."""
    with tempfile.TemporaryDirectory() as kept:
        (pandas_s,) = best(shell(kept, "-c", "import pandas"), rounds=4)
        for venue in VENUES:
            spent = processor_s(shell(kept, "-m", "fillalign", f"data/{venue}.toml"))
            most = 1.0 if venue == VENUES[0] else 2.0
            yield Row(f"plan from the shell, {venue}", shown(spent),
                      f"import pandas {shown(pandas_s)}", spent, " s", f"<= {most:g}",
                      spent <= most)


def sound() -> Iterator[Row]:
    """Time rendering and reading of recordings against real time."""
    from fillalign import read_wav, render_seat

    hall = read_venue(ROOT / "data" / "tidewell_hall.toml")
    recording = read_wav(ROOT / "data" / "voice.wav")
    rate = recording.sample_rate_hz
    voice = np.resize(recording.samples[:, 0], 5 * rate)
    (render,) = best(lambda: render_seat(hall, voice, [34.0, 2.5, 1.2], sample_rate_hz=rate),
                     rounds=3)
    what = f"rendering 5 s at a seat, {rate} Hz"
    yield Row(what, shown(render), "real time 5 s", 5 / render, " x faster", "", None)
    read = arrivals_table.reading_s()
    yield Row("reading arrivals in 10 s at 48 kHz", shown(read), "real time 10 s", 10 / read,
              " x faster", "", None)


def redrawing() -> Iterator[Row]:
    """Time a redraw of every live figure; the one nearest to its budget is shown."""
    lines = redraw.measure(enlarged=False)
    worst = max(lines, key=lambda line: line.cpu_ms / line.budget_ms)
    figure = worst.cpu_ms / worst.budget_ms
    yield Row(f"redraw, slowest of {len(lines)}: {worst.name}", f"{worst.cpu_ms:.1f} ms",
              f"budget {worst.budget_ms:.0f} ms", figure, " of it", "<= 1", figure <= 1)


SECTIONS = {"absorption": absorption, "interference": interference, "field": field,
            "memory": memory, "start": start, "plan": plan, "sound": sound, "redraw": redrawing}


def main(words: list[str]) -> int:
    """Print the table; return 1 where a target is missed."""
    unknown = set(words) - set(SECTIONS)
    if unknown:
        print(f"no section {', '.join(sorted(unknown))}; there are {', '.join(SECTIONS)}")
        return 2
    print(f"{'what':<52}{'measured':>9}{'reference':>28}{'ratio':>14}{'target':>10}")
    short = 0
    for name in words or SECTIONS:
        for row in SECTIONS[name]():
            print(row.text(), flush=True)
            short += row.kept is False
    print(f"{short} short" if short else "every target kept")
    return int(short > 0)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
