"""Feed damaged files and odd arguments to the library: only its own errors may come out.

    python tests/fuzz.py [venues | wavs | functions | plans | commands] [count] [seed]

Each case is drawn from the seed and its number alone, so any can be run again.
A leak is an error that the library did not raise on purpose, a warning other
than RangeWarning, a result that is not finite where nothing says so, or more
than twenty seconds. Leaks are printed with the number of their case; the command
ends with status 1 if there was one.
"""

from __future__ import annotations

import contextlib
import copy
import dataclasses
import datetime
import fractions
import io
import json
import linecache
import math
import os
import re
import resource
import signal
import sys
import tempfile
import tomllib
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.io import wavfile

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [] if str(ROOT) in sys.path else [str(ROOT)]

from fillalign import Air, RangeWarning, RecordingError, Venue, VenueError  # noqa: E402
from fillalign.__main__ import main as command  # noqa: E402
from fillalign._files import SheetError  # noqa: E402
from tests import public, test_inputs  # noqa: E402
from tests.small_venue import small_hall  # noqa: E402

LIMIT_S = 20
MEMORY_BYTES = 4_000_000_000
HOUSE = str(ROOT / "fillalign")
DEMOS = tuple((ROOT / "data" / f"{name}.toml").read_bytes() for name in (
    "lantern_room", "saltmarsh_chapel", "tidewell_hall", "cinder_meadow"))

Rng = np.random.Generator
Case = Callable[[Rng, Path], str]


class Slow(BaseException):
    """A case that takes too long; no library catches it by accident."""


def _stop(*_: object) -> None:
    raise Slow(f"more than {LIMIT_S} s")


def on_purpose(error: BaseException) -> bool:
    """Whether a `raise` of the library made this error."""
    if isinstance(error, ValueError) and any(
        word in str(error) for word in ("broadcast", "axis remapping")
    ):
        return True  # numpy's own words for shapes that do not fit
    frame = traceback.extract_tb(error.__traceback__)[-1]
    lines = [linecache.getline(frame.filename, frame.lineno - back) for back in range(6)]
    return frame.filename.startswith(HOUSE) and any(
        line.lstrip().startswith("raise ") for line in lines)


def attempt(case: Callable[[], str], expected: tuple[type[BaseException], ...]) -> tuple[str, str]:
    """Run a case; return its outcome in a word and the leak in words, if it is one."""
    usual = signal.signal(signal.SIGALRM, _stop)
    signal.alarm(LIMIT_S)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.simplefilter("ignore", RangeWarning)
            return case(), ""
    except expected as error:
        message = str(error)
        if not on_purpose(error):
            return "leak", "".join(traceback.format_exception(error)[-4:])
        if not message or len(message) > 100_000 or re.search(r"\{[a-z_]\w*\}|%[sdr]\b", message):
            return "leak", f"a poor message: {message[:200]!r}"
        return type(error).__name__, ""
    except (Exception, Slow) as error:
        return "leak", "".join(traceback.format_exception(error)[-4:])
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, usual)


def finite(value: Any) -> bool:
    """Whether every number inside some records, mappings and arrays is finite."""
    if dataclasses.is_dataclass(value):
        return all(finite(getattr(value, item.name)) for item in dataclasses.fields(value))
    if isinstance(value, dict):
        return all(map(finite, value.values()))
    if isinstance(value, tuple | list):
        return all(map(finite, value))
    if isinstance(value, np.ndarray | np.generic | float | complex):
        return np.asarray(value).dtype.kind not in "fc" or bool(np.isfinite(value).all())
    return True


# Venue files ------------------------------------------------------------------------------

NUMBERS = (0, -1, 1, 0.5, -0.0, 1e-9, 1e-320, 1e9, -1e9, 1e300, -1e300, math.inf, -math.inf,
           math.nan, 10**400, -(10**400), 2**63, 1000, 343.15, 0.45, 101325, 5, 90.0, 360)
TEXTS = ("", " ", "x" * 81, "y" * 10_000, "\u202eabc", "a\x00b", "\ud7ff", "main", "show", "none",
         "=1+1", "../../etc", "<b>", "mono", "left", "Mains", "delay", "\n", "\U0001f50a")
OTHERS = (True, False, [], {}, [[]], [{}], datetime.date(2020, 2, 29), datetime.time(3, 4),
          datetime.datetime(2020, 1, 1, tzinfo=datetime.UTC))


def toml_value(value: Any) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        plain = (c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08X}" for c in value)
        return f'"{"".join(plain)}"'
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml_value(str(k))} = {toml_value(v)}"
                               for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_value, value)) + "]"
    if isinstance(value, float):
        return repr(value)
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def toml_text(tables: dict[str, Any]) -> str:
    """Return tables as a file: an inline value for every key at the top."""
    return "".join(f"{toml_value(str(key))} = {toml_value(value)}\n"
                   for key, value in tables.items())


def pick(rng: Rng, items: Any) -> Any:
    """Return one of some items."""
    return items[int(rng.integers(len(items)))]


def nodes(tree: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the paths of all values in some tables."""
    items = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in items:
        yield (*path, key)
        if isinstance(value, dict | list):
            yield from nodes(value, (*path, key))


def strange(rng: Rng, old: Any) -> Any:
    """Return something in place of a value, often of its own kind."""
    kind = int(rng.integers(6))
    if isinstance(old, int | float) and not isinstance(old, bool) and kind < 3 and abs(old) < 1e300:
        return old * float(10 ** rng.uniform(-2, 2)) if kind else float(old + rng.normal(0, 5))
    if kind == 5:
        deep: Any = pick(rng, NUMBERS)
        for _ in range(int(rng.integers(1, 120))):
            deep = [deep] if rng.random() < 0.5 else {"deep": deep}
        return deep
    if isinstance(old, list) and kind < 3:
        return [old * 2, old[:-1], old[::-1]][kind]
    return copy.deepcopy(pick(rng, (NUMBERS, TEXTS, OTHERS)[int(rng.integers(3))]))


def change_tables(rng: Rng, tables: dict[str, Any]) -> None:
    """Change one thing in some tables: delete, rename, replace, double or move it."""
    places = list(nodes(tables))
    if not places:
        return
    *path, key = pick(rng, places)
    home = tables
    for step in path:
        home = home[step]
    what = int(rng.integers(6))
    if what == 0:
        del home[key]
    elif what == 1 and isinstance(home, dict):
        letter = pick(rng, "abcxyz_ ")
        home[pick(rng, (*TEXTS, str(key) + letter, str(key)[1:], str(key).upper()))] = home.pop(key)
    elif what == 2 and isinstance(home, list):
        home.extend(copy.deepcopy(home[key]) for _ in range(int(rng.integers(1, 30))))
    elif what == 3:
        *_, other = source = pick(rng, places)
        with contextlib.suppress(KeyError, IndexError, TypeError):
            value: Any = tables
            for step in source:
                value = value[step]
            home[key] = copy.deepcopy(value)
            _ = other
    else:
        home[key] = strange(rng, home[key])


def change_number(rng: Rng, tables: dict[str, Any]) -> None:
    """Move one number of some tables a little, so that most of it stays good."""
    numbers = []
    for *path, key in nodes(tables):
        home = tables
        for step in path:
            home = home[step]
        if isinstance(home[key], int | float) and not isinstance(home[key], bool):
            numbers.append((home, key))
    home, key = pick(rng, numbers)
    home[key] = round(home[key] * float(rng.uniform(0.6, 1.6)), int(rng.integers(4)))


def change_bytes(rng: Rng, content: bytes) -> bytes:
    """Change some bytes: flip, cut, double, insert, swap lines, repeat or break the text."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(max(1, len(data))))
        end = at + int(rng.integers(1, 40))
        what = int(rng.integers(8))
        if what == 0 and data:
            data[at] ^= 1 << int(rng.integers(8))
        elif what == 1:
            del data[at:end]
        elif what == 2:
            data[at:at] = data[at:end]
        elif what == 3:
            data[at:at] = rng.bytes(int(rng.integers(1, 8)))
        elif what == 4:
            lines = data.split(b"\n")
            i, j = rng.integers(len(lines), size=2)
            lines[i], lines[j] = lines[j], lines[i]
            data = bytearray(b"\n".join(lines))
        elif what == 5:
            data[at:at] = pick(rng, (b"[" * 3000, b"{a=" * 2000, b"9" * 6000, b"\xff\xfe", b"\x00",
                                     b"'''", b'"""', b"\r", b"1e999", b"nan", b"-inf", b".", b"="))
        elif what == 6:
            data = data[:at]
        else:
            data[at:end] = bytes(sorted(data[at:end]))
    return bytes(data)


def venue_file(rng: Rng) -> bytes:
    """Return a damaged demo venue."""
    demo = DEMOS[min(int(rng.exponential(1.0)), len(DEMOS) - 1)]
    if rng.random() < 0.4:
        return change_bytes(rng, demo)
    tables = tomllib.loads(demo.decode())
    gentle = rng.random() < 0.4
    for _ in range(int(rng.integers(1, 5))):
        (change_number if gentle else change_tables)(rng, tables)
    content = toml_text(tables).encode("utf-8", "surrogatepass")
    return change_bytes(rng, content) if rng.random() < 0.1 else content


def read_case(rng: Rng, folder: Path) -> str:
    """Read a damaged venue."""
    path = folder / "hall.toml"
    path.write_bytes(venue_file(rng))
    venue = public.read_venue(path)
    assert isinstance(venue, Venue)
    assert finite(venue), "a venue that is not finite"
    return "read"


def plan_case(rng: Rng, folder: Path) -> str:
    """Plan a venue whose numbers are changed, from a file or made by hand."""
    if rng.random() < 0.5:
        tables = tomllib.loads(DEMOS[0].decode())
        for _ in range(int(rng.integers(1, 4))):
            change_tables(rng, tables)
        path = folder / "hall.toml"
        path.write_bytes(toml_text(tables).encode("utf-8", "surrogatepass"))
        venue = public.read_venue(path)
    else:
        venue = by_hand(rng, small_hall())
    plan = public.plan_fills(venue)
    assert public.setup_sheet_text(plan)
    assert "nan" not in public.setup_sheet_csv(plan).lower().replace("nance", "")
    return "planned"


def by_hand(rng: Rng, venue: Venue) -> Venue:
    """Return a venue with one field, or one of a record in it, replaced."""
    place = pick(rng, dataclasses.fields(venue)).name
    value = getattr(venue, place)
    if isinstance(value, tuple) and value and dataclasses.is_dataclass(value[0]):
        return dataclasses.replace(venue, **{place: (by_record(rng, value[0]), *value[1:])})
    if isinstance(value, dict) and dataclasses.is_dataclass(next(iter(value.values()))):
        key = pick(rng, list(value))
        return dataclasses.replace(venue, **{place: {**value, key: by_record(rng, value[key])}})
    if dataclasses.is_dataclass(value):
        return dataclasses.replace(venue, **{place: by_record(rng, value)})
    return dataclasses.replace(venue, **{place: strange(rng, value)})


def by_record(rng: Rng, record: Any) -> Any:
    """Return a record with one field replaced."""
    name = pick(rng, dataclasses.fields(record)).name
    return dataclasses.replace(record, **{name: strange(rng, getattr(record, name))})


# WAV files --------------------------------------------------------------------------------

FORMATS = ((1, 8), (1, 16), (1, 24), (1, 32), (1, 64), (3, 32), (3, 64), (1, 12), (7, 8), (2, 4))
SIZES = (0, 1, 2, 3, 8, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFFFF0, 65535, 65536)


def wav_file(rng: Rng) -> bytes:
    """Return a WAV file with one or more things wrong, or none."""
    tag, bits = pick(rng, FORMATS[:7] if rng.random() < 0.8 else FORMATS)
    channels = int(pick(rng, (1, 1, 2, 2, 8, 9, 0, 200)))
    rate = int(pick(rng, (44100, 48000, 48000, 8000, 192000, 7999, 0, 0xFFFFFFFF)))
    width = max(1, (bits + 7) // 8)
    order = "little" if rng.random() < 0.9 else "big"
    frames = int(pick(rng, (0, 1, 2, 50, 51)))
    sound = rng.bytes(width * max(1, channels) * frames)
    if tag == 3 and rng.random() < 0.7:
        sound = rng.uniform(-1, 1, max(1, channels) * frames).astype(f"<f{width}").tobytes()

    def whole(number: int, size: int) -> bytes:
        return (number % 256**size).to_bytes(size, order)

    extended = rng.random() < 0.2
    head = whole(0xFFFE if extended else tag, 2) + whole(channels, 2) + whole(rate, 4)
    head += whole(rate * channels * width, 4) + whole(channels * width, 2) + whole(bits, 2)
    if extended:
        head += whole(22, 2) + whole(bits, 2) + whole(3, 4) + whole(tag, 4)
        head += bytes.fromhex("00001000800000aa00389b71")
    chunks = [(b"fmt ", head), (b"data", sound)]
    for _ in range(int(rng.integers(3))):
        name = pick(rng, (b"LIST", b"fact", b"junk", b"cue ", b"fmt ", b"data", b"ds64", b"\0" * 4))
        chunks.insert(int(rng.integers(3)), (name, rng.bytes(int(rng.integers(40)))))
    body = b"".join(name + whole(len(part), 4) + part + b"\0" * (len(part) % 2)
                    for name, part in chunks)
    kind = pick(rng, (b"RIFF" if order == "little" else b"RIFX",) * 6 + (b"RF64", b"FFIR"))
    content = bytearray(kind + whole(len(body) + 4, 4) + b"WAVE" + body)
    for _ in range(int(rng.integers(4))):
        if not content:
            break
        at = int(rng.integers(min(len(content), 80)))
        what = int(rng.integers(5))
        if what == 0:
            content[at] ^= 1 << int(rng.integers(8))
        elif what == 1:
            at -= at % 2
            content[at : at + 4] = whole(int(pick(rng, SIZES)), 4)
        elif what == 2:
            content = content[: int(rng.integers(len(content) + 1))]
        elif what == 3:
            content[at:at] = rng.bytes(int(rng.integers(1, 9)))
        else:
            del content[at : at + int(rng.integers(1, 9))]
    return bytes(content)


def wav_case(rng: Rng, folder: Path) -> str:
    """Read a damaged WAV file."""
    path = folder / "take.wav"
    path.write_bytes(wav_file(rng))
    recording = public.read_wav(path)
    assert recording.samples.ndim == 2, "samples without channels"
    assert recording.samples.shape[0] > 1, "a single sample"
    assert 1 <= recording.samples.shape[1] <= 8, "too many channels"
    assert finite(recording.samples), "samples that are not finite"
    assert 8000 <= recording.sample_rate_hz <= 192000, "a strange rate"
    return "read"


# Functions --------------------------------------------------------------------------------

SWEEP = public.exponential_sweep(seconds=0.2)
READING = public.GapReading(3.0, 0.1, -2.0, True, mains_db={1000: 70.0}, fill_db={1000: 68.0})
BASES: dict[str, dict[str, Any]] = {
    name: {**given, **fixed}
    for name, (given, fixed) in {**test_inputs.BY_ITEM, **test_inputs.WHOLE}.items()
    if name != "cross_power"  # the innermost loop of every map checks nothing, and says so
}
BASES |= {
    "Air": {"temperature_c": 20.0, "humidity_pct": 50.0, "pressure_kpa": 101.325},
    "air_filter": {"distance_m": 40.0, "air": Air(20.0), "sample_rate_hz": 48000.0},
    "clap": {"seed": 1, "sample_rate_hz": 48000.0},
    "click_train": {"clicks": 2, "spacing_ms": 100.0, "sample_rate_hz": 8000.0, "peak_dbfs": -3.0},
    "correction_ms": {"reading": READING, "planned_gap_ms": 2.0},
    "design_low_cut": {"corner_hz": 100.0, "sample_rate_hz": 48000.0, "order": 4,
                       "kind": "butterworth"},
    "design_shelf": {"corner_hz": 4000.0, "sample_rate_hz": 48000.0, "gain_db": 3.0},
    "exponential_sweep": {"seconds": 0.1, "low_hz": 50.0, "high_hz": 3000.0,
                          "sample_rate_hz": 8000.0, "peak_dbfs": -6.0},
    "measured_levels": {"reading": READING, "mains_dba": 80.0},
    "pink_noise": {"seconds": 0.1, "seed": 1, "sample_rate_hz": 8000.0, "peak_dbfs": -3.0},
    "quick_answer": {"main_m": 41.0, "fill_m": 15.0, "temperature_c": 24.0, "humidity_pct": 40.0,
                     "pressure_kpa": 100.0, "mains_db": 80.0, "fill_db": 75.0, "goal_db": 84.0,
                     "main_latency_ms": 1.0, "fill_latency_ms": 2.0, "margin_ms": 5.0,
                     "sample_rate_hz": 48000.0},
    "groove": {"sample_rate_hz": 8000.0},
    "read_demo_sound": {"name": "clap", "sample_rate_hz": 44100.0},
    "measured_toml": {"measured": [public.Measured("Fills", (9, 0, 1.2), "show", 80.0)]},
    "plan_fills": {"venue": None, "air": Air(20.0)},
    "evaluate": {"venue": None, "settings": {}, "air": Air(20.0)},
    "setup_sheet_csv": {"plan": None},
    "setup_sheet_html": {"plan": None},
    "setup_sheet_text": {"plan": None},
    "write_wav": {"path": "take.wav", "signal": [0.0, 0.5], "sample_rate_hz": 8000, "bits": 16,
                  "overwrite": True},
    "write_sheet": {"plan": None, "folder": ".", "overwrite": True},
    "read_wav": {"path": "take.wav"},
    "read_venue": {"path": "hall.toml"},
}
FILES = ("write_wav", "write_sheet", "read_wav", "read_venue")
SLOW = {"plan_fills", "evaluate", "write_sheet", "seat_speech", "measure_gap"}
PATHS = ("x" * 300, "x" * 300 + ".wav", "a/" * 3000, "", ".", "..", "/", "a\0b.wav", "a\0b.toml",
         "\ud800.wav", "no/such/folder/t.wav", "/dev/null", "/proc/self/mem", b"t.wav", 3, None,
         "~", "\n.wav", "take.wav/x.wav", "take.wav", "hall.toml", ".wav", "t.wav\n")
# What may be infinite or nan, and where that is written.
NOT_FINITE = {
    "accuracy_class_pct": "nan outside every class",
    "amplitude_to_db": "minus infinity for 0", "power_to_db": "minus infinity for 0",
    "clarity_db": "infinite or nan where nothing arrives",
    "direct_to_reverberant_db": "infinite or nan where nothing arrives",
    "echo_criterion": "nan without energy",
    "pink_band_levels_db": "minus infinity in",
    "speech_octave_levels_db": "minus infinity in and out",
    "comb_dip_db": "minus infinity", "ripple_db": "infinite at a notch",
    "fill_level_db": "minus infinity where no fill is needed",
    "required_margin_ms": "nan or infinite where no margin will do",
    "power_sum_db": "minus infinity for silence",
    "coherent_sum_db": "minus infinity for silence", "weighted_total_db": "minus infinity",
    "seat_speech": "echo is nan where the criterion may not be used",
    "quick_answer": "minus infinity where no fill is needed",
}


def scalars() -> list[Any]:
    """Return things that are hardly ever what a function takes."""
    return [
        math.nan, math.inf, -math.inf, 0, 0.0, -0.0, -1, -1.0, 1, 2, 1e-320, 1e-12, 1e15, 1e308,
        -1e308, 10**400, 2**63, True, None, "text", "1.0", "", b"x", 1 + 2j, object(), [], [[]],
        (), {}, {"a": 1}, set(), [1, [2]], [None], ["a"], range(3), (x for x in (1, 2)),
        fractions.Fraction(1, 3), np.float32(3.5), np.int8(3), np.uint64(7), np.bool_(True),
        np.datetime64("2020-01-01"), np.timedelta64(3, "s"), datetime.timedelta(1),
        np.array(5.0), np.array("x"), np.zeros((0, 3)), np.zeros((3, 0)), np.ones((2, 3, 4)),
        np.array([1, None], dtype=object), np.array([(1, 2.0)], dtype="i4,f8"), np.ma.array([1.0]),
        np.array([1.0, np.nan]), np.array([1.0, np.inf]), pd.Series([1.0, None]), pd.Series(["a"]),
        pd.DataFrame({"a": [1.0]}), np.float64, len, Path("x"), Air(20.0), small_hall, iter([1]),
        np.ones(5), np.ones((1, 1, 1, 1)), -np.ones(3), np.ones(3, dtype="f2"), [1e308] * 3,
        np.broadcast_to(1.0, (7, 1)), np.arange(6.0)[::-2], "all", "A", [True, False], 16, 5.5,
        np.array([], dtype=complex), memoryview(b"abc"), bytearray(b"abc"), "\x1b[2J" * 50,
    ]


def turned(rng: Rng, value: Any) -> Any:
    """Return an array made from a good value: scaled, spoilt, reshaped or cut."""
    array = np.array(value, dtype=float) if not isinstance(value, bool | str) else None
    if array is None or array.size == 0:
        return value
    what = int(rng.integers(10))
    if what == 0:
        return array * 10.0 ** rng.uniform(-300, 300)
    if what == 1:
        return array * rng.choice([-1.0, 0.0, 1e-3, 1e3, 0.5, 2.0])
    if what in (2, 3):
        array.flat[int(rng.integers(array.size))] = pick(rng, (np.nan, np.inf, -1.0, 0.0, 1e300))
        return array
    if what == 4:
        return array[..., np.newaxis] if rng.random() < 0.5 else array[np.newaxis]
    if what == 5 and array.ndim:
        return array[: int(rng.integers(len(array) + 1))]
    if what == 6:
        return np.ravel(array)
    if what == 7:
        return array.T
    if what == 8:
        return array.astype(pick(rng, ("f4", "i8", "O", "U8", "c16", "?")))
    return rng.permutation(array) if array.ndim else array + rng.normal(0, 10)


def function_case(rng: Rng, folder: Path) -> str:
    """Call one public function with one or more odd arguments."""
    name = pick(rng, sorted(BASES))
    if name in SLOW and rng.random() < 0.9:
        name = pick(rng, sorted(BASES.keys() - SLOW))
    arguments = dict(BASES[name])
    for key in arguments:
        if key in ("plan", "venue", "venue_or_plan") and rng.random() < 0.8:
            arguments[key] = small_plan() if key == "plan" else small_hall()
            continue
        if rng.random() < min(0.9, 1.2 / len(arguments)):
            odd = rng.random()
            if key in ("path", "folder"):
                arguments[key] = pick(rng, PATHS)
            elif odd < 0.5:
                arguments[key] = pick(rng, scalars())
            else:
                with contextlib.suppress(TypeError, ValueError), warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    arguments[key] = turned(rng, arguments[key])
        elif rng.random() < 0.05:
            arguments[key] = None
    LAST[:] = [name, arguments]
    back = Path.cwd()
    os.chdir(folder)
    try:
        result = getattr(public, name)(**arguments)
    finally:
        os.chdir(back)
    if name not in NOT_FINITE and not isinstance(result, public.FillPlan):
        assert finite(result), f"{name}: a result that is not finite"
    return "answered"


LAST: list[Any] = []
PLAN: list[Any] = []


def small_plan() -> Any:
    """Return the plan of the small hall, made once."""
    if not PLAN:
        PLAN.append(public.plan_fills(small_hall(allowed_fall_db=2.0)))
    return PLAN[0]


# The command line -------------------------------------------------------------------------

OPTIONS = ("--main-m", "--fill-m", "--temperature-c", "--humidity-pct", "--pressure-kpa",
           "--mains-db", "--fill-db", "--goal-db", "--main-latency-ms", "--fill-latency-ms",
           "--margin-ms", "--sample-rate-hz", "--out", "--picture", "--overwrite", "--help")
WORDS = ("41", "15", "24", "50", "0", "-1", "nan", "inf", "-inf", "1e400", "1e-400", "x", "", "-",
         "--", "24,5", "75F", "\u0664\u0661", "101.3", "1e308", "100", "80", "48000", "a\0b",
         "\x1b[2J")


VERB_WORDS = (
    ("signal", "turns.wav", "--seconds", "0.2", "--spacing-s", "0.5"),
    ("take", "hall.toml", "Fills", "take.wav", "--plan", "plan.json"),
    ("decay", "take.wav", "--seconds", "0.1"), ("decay", "take.wav", "--kind", "clap"),
    ("decay", "take.wav", "--kind", "noise"),
    ("retime", "hall.toml", "--plan", "plan.json", "--temperature-c", "14"),
    ("retime", "hall.toml", "--plan", "plan.json", "--log", "log.csv"),
)
VERB_OPTIONS = (
    "--at", "--dialled-ms", "--channel", "--turns", "--mains-dba", "--temperature-c",
    "--humidity-pct", "--pressure-kpa", "--seconds", "--low-hz", "--high-hz", "--spacing-s",
    "--sample-rate-hz", "--peak-dbfs", "--kind", "--plan", "--log", "--picture", "--venue-out",
    "--add-to", "--moved-take", "--json", "--overwrite", "--help",
)
VERB_VALUES = (*WORDS, "30,-4", "1,2,3", "1e400,2", ",", "take.wav", "hall.toml", "plan.json",
               "log.csv", "set.toml", "new.toml", "new.svg", "no/such.svg", "clap", "2", "3")
LOGS = (b"temperature_c,humidity_pct\n20,50\n9,90\n", b"temperature_c;humidity_pct\n20,5;50\n",
        b"time,temperature_c,humidity_pct,wind_m_s,wind_towards_deg\n19:00,20,50,3,90\n", b"")


def verb_words(rng: Rng, folder: Path) -> list[str]:
    """Return the words of a verb with a few of them odd, and the files that it asks for."""
    if not (folder / "plan.json").exists():
        plan = small_plan()
        (folder / "hall.toml").write_text(plan.venue.to_toml(), encoding="utf-8")
        (folder / "plan.json").write_text(json.dumps(plan.to_dict()))
    (folder / "take.wav").write_bytes(sound_file(rng))
    log = pick(rng, LOGS)
    (folder / "log.csv").write_bytes(change_bytes(rng, log) if log and rng.random() < 0.5 else log)
    words = list(pick(rng, VERB_WORDS))
    for _ in range(int(rng.integers(4))):
        at, what = int(rng.integers(1, len(words) + 1)), int(rng.integers(4))
        if what == 0 and at < len(words):
            words[at] = pick(rng, VERB_VALUES)
        elif what == 1 and at < len(words):
            del words[at]
        else:
            words += [pick(rng, VERB_OPTIONS), *([pick(rng, VERB_VALUES)] if what > 1 else [])]
    return words


def sound_file(rng: Rng) -> bytes:
    """Return a recording: damaged, of noise, or of a sound that dies away."""
    if rng.random() < 0.3:
        return wav_file(rng)
    rate, size = int(pick(rng, (8000, 16000, 44100))), int(rng.integers(2, 30_000))
    sound = rng.standard_normal((size, int(rng.integers(1, 3)))) * 10.0 ** -rng.uniform(0, 5)
    if rng.random() < 0.5:
        sound *= np.exp(-np.arange(size) / rng.uniform(100, 5000))[:, None]
    held = io.BytesIO()
    wavfile.write(held, rate, np.round(np.clip(sound, -1, 1) * 32767).astype(np.int16))
    return held.getvalue()


def ladder_words(rng: Rng, folder: Path) -> list[str]:
    """Return the words of the command without a verb, a few of them odd."""
    words = ["--main-m", "41", "--fill-m", "15", "--temperature-c", "24"]
    if rng.random() < 0.4:
        words = [str(pick(rng, (*(p for p in PATHS if isinstance(p, str)), str(folder), "x.toml")))]
    for _ in range(int(rng.integers(5))):
        at = int(rng.integers(len(words) + 1))
        what = int(rng.integers(3))
        if what == 0 and at < len(words):
            words[at] = pick(rng, WORDS)
        elif what == 1:
            words[at:at] = [pick(rng, OPTIONS)]
        else:
            words[at:at] = [pick(rng, OPTIONS[:12]), pick(rng, WORDS)]
    return words


def command_case(rng: Rng, folder: Path) -> str:
    """Run the command with odd words; its exit code must be a documented one."""
    words = verb_words(rng, folder) if rng.random() < 0.5 else ladder_words(rng, folder)
    LAST[:] = ["command", words]
    back = Path.cwd()
    os.chdir(folder)
    heard, said = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(heard):
            code = command(words)
    except SystemExit as end:
        code = end.code
    finally:
        os.chdir(back)
    assert code in (0, 2, 3, 4, 5), f"exit code {code!r}"
    assert (code in (0, 5)) == (not heard.getvalue().replace("note:", "", 1)
                                or "note:" in heard.getvalue()), (
        "an error without words, or the reverse")
    assert "Traceback" not in heard.getvalue(), "a traceback"
    return f"code {code}"


KINDS: dict[str, tuple[Case, tuple[type[BaseException], ...]]] = {
    "venues": (read_case, (VenueError,)),
    "wavs": (wav_case, (RecordingError,)),
    "functions": (function_case, (ValueError, TypeError, SheetError)),
    "plans": (plan_case, (ValueError, TypeError)),
    "commands": (command_case, ()),
}


def run(kind: str, count: int, seed: int) -> tuple[Counter[str], list[tuple[int, str]]]:
    """Run so many cases; return how often each outcome came and the leaks by number."""
    case, expected = KINDS[kind]
    outcomes: Counter[str] = Counter()
    leaks = []
    with tempfile.TemporaryDirectory() as home:
        for number in range(count):
            LAST.clear()
            rng = np.random.default_rng([seed, number])
            outcome, leak = attempt(lambda rng=rng: case(rng, Path(home)), expected)
            outcomes[outcome] += 1
            if leak:
                call = f"{LAST[0]} {str(LAST[1])[:400]}\n" if LAST else ""
                leaks.append((number, call + leak))
    return outcomes, leaks


def main(words: list[str]) -> int:
    """Run and print; return 1 if anything leaked."""
    kinds = [word for word in words if word in KINDS] or list(KINDS)
    numbers = [int(word) for word in words if word.isdigit()]
    count, seed = (*numbers, *(1000, 1)[len(numbers):])
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    leaked = 0
    for kind in kinds:
        outcomes, leaks = run(kind, count, seed)
        parts = ", ".join(f"{number} {word}" for word, number in outcomes.most_common())
        print(f"{kind}: {count} cases from seed {seed}: {parts}", flush=True)
        seen = set()
        for number, leak in leaks:
            last = leak.strip().splitlines()
            mark = (*last[-3:-2], last[-1][:60])
            if mark not in seen:
                seen.add(mark)
                print(f"--- case {number}\n{leak}")
        leaked += len(leaks)
    return int(leaked > 0)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
