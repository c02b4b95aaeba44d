"""Damaged files, odd arguments and hostile paths: only the library's own errors come out.

`tests/fuzz.py` draws the cases, here a few from a fixed seed; it is also a command for
tens of thousands of them.
"""

from __future__ import annotations

import struct
import warnings

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from fillalign import RecordingError, VenueError, read_venue, read_wav, write_wav
from fillalign.__main__ import main
from fillalign._files import SheetError
from tests import fuzz, public

SHARED = settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
SCALARS = st.one_of(
    st.integers(-(10**20), 10**20), st.floats(), st.booleans(), st.text(max_size=12), st.dates())
TREES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(st.text(max_size=8), inner, max_size=4), max_leaves=12)
TABLES = st.sampled_from(["venue", "room", "state", "loudspeaker", "output", "mains", "fills",
                          "areas", "goals", "stage", "survey", "weather", "measured", "subs"])


@pytest.mark.parametrize(("kind", "count"), [
    ("venues", 20), ("wavs", 100), ("functions", 50), ("commands", 15),
    *(pytest.param(kind, count, marks=pytest.mark.long) for kind, count in (
        ("venues", 240), ("wavs", 1000), ("functions", 400), ("commands", 200)))])
def test_nothing_leaks(kind, count):
    outcomes, leaks = fuzz.run(kind, count, seed=7)
    assert not leaks, leaks[0]
    assert sum(outcomes.values()) == count
    # Some must pass and some be refused, or nothing was tried.
    assert len(outcomes) > 1


@SHARED
@given(tables=st.dictionaries(TABLES, TREES, max_size=6))
def test_any_tables_end_in_one_error(tmp_path, tables):
    """No venue comes from tables filled at random; the error names the file in each line."""
    path = tmp_path / "hall.toml"
    path.write_text(fuzz.toml_text(tables), encoding="utf-8", errors="surrogatepass")
    with pytest.raises(VenueError) as caught:
        read_venue(path)
    assert all(line.startswith("hall.toml: ") for line in str(caught.value).splitlines())


@SHARED
@given(content=st.binary(max_size=300))
def test_any_bytes_end_in_one_error(tmp_path, content):
    toml, wav = tmp_path / "hall.toml", tmp_path / "take.wav"
    toml.write_bytes(content)
    wav.write_bytes(b"RIFF" + struct.pack("<I", len(content) + 4) + b"WAVE" + content)
    with pytest.raises(VenueError):
        read_venue(toml)
    with pytest.raises(RecordingError):
        read_wav(wav)


NAMES = {"long": "x" * 300, "deep": "a/" * 3000 + "x", "null": "a\0b", "half": "\ud800",
         "folder": "", "device": "/dev/null", "under a file": "file.txt/x"}


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_paths_that_no_file_can_have(tmp_path, monkeypatch, capsys, name):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file.txt").touch()
    for ending in ("", ".wav"):
        with pytest.raises(RecordingError):
            read_wav(name + ending)
    for ending in ("", ".toml"):
        with pytest.raises(VenueError):
            read_venue(name + ending)
    with pytest.raises(SheetError):
        public.write_sheet(fuzz.small_plan(), f"{name}/x" if name in ("", "/dev/null") else name)
    if name and not name.startswith("/"):
        with pytest.raises(RecordingError):
            write_wav(f"{name}/x.wav", [0.0, 0.1], 8000)
    if name:
        assert main([name]) == 3
        said = capsys.readouterr().err
        assert said.strip()
        assert "Traceback" not in said


@pytest.mark.parametrize("path", [None, 3, b"hall.toml", ["hall.toml"]])
def test_what_is_no_path_is_named(path):
    for call in (read_venue, read_wav, lambda path: write_wav(path, [0.0], 8000),
                 lambda path: public.write_sheet(fuzz.small_plan(), path)):
        with pytest.raises(TypeError, match="must be a path as text, got"):
            call(path)


def test_bits_that_are_no_number_are_named(tmp_path):
    """A signalling NaN, which makes numpy warn already when it is copied or divided."""
    path = tmp_path / "take.wav"
    for form, bits, size in (("<I", 0x7FA00000, 4), ("<Q", 0x7FF4000000000000, 8)):
        sound = struct.pack(form, bits) * 2
        head = struct.pack("<HHIIHH", 3, 1, 48000, 48000 * size, size, 8 * size)
        body = b"WAVEfmt " + struct.pack("<I", 16) + head + b"data"
        body += struct.pack("<I", len(sound)) + sound
        path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with pytest.raises(RecordingError, match="not finite numbers"):
                read_wav(path)


@pytest.mark.parametrize("rate", [8000, 8022, 11025, 16000])
def test_clicks_at_low_rates(rate):
    clicks = public.click_train(clicks=3, sample_rate_hz=rate)
    assert np.abs(clicks).max() == pytest.approx(10 ** (-3 / 20))
    assert abs(clicks.sum()) < 1e-9


@pytest.mark.parametrize(("call", "message"), [
    (lambda: public.two_arrival_response([1e200], 1.0, 0.0), r"1e\+200, which is too large"),
    (lambda: public.distance_m([1e200, 0, 0], [0, 0, 0]), "too large"),
    (lambda: public.apply_filters([1.0], [[1.0] * 5]), r"shape \(sections, 6\)"),
    (lambda: public.apply_filters([1.0], [[1.0] * 3 + [2.0] + [0.0] * 2]), "with 1 in the"),
    (lambda: public.modulation_transfer([[1.0]], [[0.0]], [[1.0]], [1.0]), "must have shape"),
    (lambda: public.echo_criterion([1.0], [0.0], [1.0], [1.0, 2.0]), "rt60_s must fit"),
    (lambda: write_wav("x.wav", 0.5, 8000), r"signal must be \(n,\) or"),
])
def test_values_that_fit_nowhere(call, message):
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize(("call", "message"), [
    (lambda: public.setup_sheet_csv(None), "plan must be a FillPlan, got NoneType"),
    (lambda: public.setup_sheet_html(3), "plan must be a FillPlan, got int"),
    (lambda: public.setup_sheet_text("x"), "plan must be a FillPlan, got str"),
    (lambda: public.correction_ms(3.0, 1.0), "reading must be a GapReading, got float"),
    (lambda: public.measured_levels(None, 80.0), "reading must be a GapReading, got NoneType"),
    (lambda: public.measured_toml(None), "measured must be a list or tuple, got NoneType"),
    (lambda: public.measured_toml([1]), "each of measured must be a Measured, got int"),
    (lambda: public.fill_level_db(80.0, 84.0, coherent=[True]), "coherent must be True or Fal"),
    (lambda: public.measure_gap(None, [1.0, 2.0], 48000, mode="together"),
     "recording must be a Recording, such as"),
    (lambda: public.seat_field(fuzz.small_hall(), 3), "settings must be OutputSettings by"),
    (lambda: public.seat_field(fuzz.small_hall(), sounding=3), "outputs must be an Iterable"),
])
def test_records_that_are_others(call, message):
    with pytest.raises(TypeError, match=message):
        call()
