"""The verb `retime`: the delays of `FillPlan.retime`, by one air or by a log."""

from __future__ import annotations

import csv
import io
import json
import math

import pandas as pd
import pytest

from fillalign import Air, plan_fills, write_venue
from fillalign.commands.weather import _read_log
from fillalign.sheet import setup_sheet_csv
from tests.commands.shell import ends, example_of
from tests.small_venue import small_hall

PLAN = plan_fills(small_hall(wind_m_s=4.0, allowed_fall_db=2.0), air=Air(24.0, 40.0, 100.0))
LOG = pd.DataFrame({"temperature_c": [26.0, 9.5], "humidity_pct": [35.0, 90.0],
                    "pressure_kpa": [100.0, 99.0], "wind_m_s": [0.0, 8.0],
                    "wind_towards_deg": [0.0, 180.0]})


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a folder with the venue, its plan as JSON, its sheet as CSV, and a weather log."""
    home = tmp_path_factory.mktemp("evening")
    write_venue(PLAN.venue, home / "hall.toml")
    (home / "plan.json").write_text(json.dumps(PLAN.to_dict()))
    (home / "sheet.csv").write_text(setup_sheet_csv(PLAN), encoding="utf-8")
    LOG.assign(time=["19:00", "22:00"]).to_csv(home / "log.csv", index=False)
    return home


def run(folder, *words):
    return ends(["retime", str(folder / "hall.toml"), *words])


@pytest.mark.parametrize("file", ["plan.json", "sheet.csv"])
def test_one_line_a_fill_for_the_air_now(folder, capsys, file):
    assert run(folder, "--plan", str(folder / file), "--temperature-c", "9",
               "--humidity-pct", "80") == 0
    out = capsys.readouterr().out.splitlines()
    air = Air(9.0, 80.0, PLAN.venue.states["show"].air.pressure_kpa)
    delay = PLAN.retime([air])["Fills"].iloc[0]
    old = PLAN.settings["Fills"].delay_ms
    # 15 m from main to fill, 9 m/s slower: about 1.2 ms (15/337 less 15/346).
    assert delay - old > 1.0
    assert len(out) == 2
    assert f"{air.speed_m_s:.1f} m/s" in out[0]
    assert "planned for 24.0 C" in out[0]
    assert out[1].split()[:4] == ["Fills", f"{delay:.2f}", "ms", f"({delay - old:+.2f}),"]
    assert f"{math.ceil(delay * 48 - 1e-6)} samples at 48 kHz, in processor" in out[1]


def test_temperature_alone_keeps_the_vapour(folder, capsys):
    assert run(folder, "--plan", str(folder / "plan.json"), "--temperature-c", "12",
               "--json") == 0
    told = json.loads(capsys.readouterr().out)
    air = PLAN.venue.states["show"].air.at_temperature(12.0)
    assert told["humidity_pct"] == air.humidity_pct
    assert told["delay_ms"] == {"Fills": PLAN.retime([air])["Fills"].iloc[0]}
    assert told["planned_ms"] == {"Fills": PLAN.settings["Fills"].delay_ms}


def test_a_log_gives_what_the_library_gives(folder, capsys):
    assert run(folder, "--plan", str(folder / "plan.json"), "--log", str(folder / "log.csv")) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    wanted = PLAN.retime(LOG)
    assert [row["when"] for row in rows] == ["19:00", "22:00"]
    assert [row["Fills"] for row in rows] == [f"{value:.2f}" for value in wanted["Fills"]]
    assert run(folder, "--plan", str(folder / "plan.json"), "--log", str(folder / "log.csv"),
               "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert [row["Fills"] for row in told] == wanted["Fills"].tolist()


def test_the_pressure_of_a_log_reaches_its_air(folder):
    """The speed of sound hardly hears it: the air itself is looked at."""
    read = _read_log(str(folder / "log.csv"), 101.325)
    assert [air.pressure_kpa for _, air, _ in read] == [100.0, 99.0]


def test_a_log_with_semicolons_and_decimal_commas(folder, tmp_path, capsys):
    path = tmp_path / "log.csv"
    path.write_bytes("\ufeffTemperature_C;Humidity_pct\r\n26,5;40\r\n9;81,5\r\n".encode())
    assert run(folder, "--plan", str(folder / "plan.json"), "--log", str(path)) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["when"] for row in rows] == ["line 2", "line 3"]
    kpa = PLAN.air.pressure_kpa
    wanted = PLAN.retime([Air(26.5, 40.0, kpa), Air(9.0, 81.5, kpa)])["Fills"]
    assert [row["Fills"] for row in rows] == [f"{value:.2f}" for value in wanted]


@pytest.mark.parametrize(("log", "said"), [
    ("", "holds no line"), ("\n", "holds no line"),
    ("temperature_c,humidity_pct\n", "holds no line"),
    ("temperature_c\n20\n", "must name the column humidity_pct"),
    ("temperature_c,humidity_pct\n20\n", "line 2: humidity_pct must be a number, got ''"),
    ("temperature_c,humidity_pct\n20,50\n68F,50\n", "line 3: temperature_c must be a number"),
    ("temperature_c,humidity_pct\n20,5000\n", "line 2: humidity_pct must be between 0 and 100"),
    ("temperature_c,humidity_pct\nnan,50\n", "line 2: temperature_c must be"),
    ("temperature_c,humidity_pct,wind_m_s\n20,50,3\n", "wind_m_s without wind_towards_deg"),
    ("temperature_c,humidity_pct,wind_m_s,wind_towards_deg\n20,50,300,0\n",
     "line 2: wind_m_s must be between 0 and 50 m/s"),
    ('temperature_c,humidity_pct\n"20,50\n', "is no CSV"),
    ("temperature_c,humidity_pct\n20,50,60,70\n", None),
    ("temperature_c,humidity_pct\n\x00,50\n", "line 2: temperature_c must be a number"),
])
def test_a_log_with_a_mistake_is_one_line_and_ends_with_3(
    folder, tmp_path, capsys, monkeypatch, log, said
):
    # What the plan's settings do is examined first; here that is known.
    monkeypatch.setattr("fillalign.commands.weather.evaluate", lambda *_, **__: PLAN)
    path = tmp_path / "log.csv"
    path.write_bytes(log.encode())
    code = run(folder, "--plan", str(folder / "plan.json"), "--log", str(path))
    out, err = capsys.readouterr()
    if said is None:
        assert code == 0
        return
    assert code == 3
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith(str(path)[:40])
    assert said in err


@pytest.mark.parametrize(("words", "code", "said"), [
    ([], 2, "give the air of now"),
    (["--temperature-c", "20", "--log", "log.csv"], 2, "give the air of now"),
    (["--temperature-c", "294"], 2, "temperature_c must be between"),
    (["--temperature-c", "20", "--plan", "none.json"], 2, "none.json: cannot be read"),
    (["--temperature-c", "20", "--plan", "hall.toml"], 2, "is no sheet (CSV) or plan (--json)"),
    (["--temperature-c", "20", "--plan", "log.csv"], 2, "is no sheet (CSV) or plan (--json)"),
    (["--temperature-c", "20", "--plan", "other.csv"], 2, "no line for output 'Mains'"),
    (["--temperature-c", "20", "--plan", "deep.json"], 2, "is no sheet (CSV) or plan (--json)"),
    (["--log", "none.csv"], 3, "none.csv: cannot be read"),
])
def test_a_wrong_command_is_one_clear_line(folder, words, code, said, monkeypatch, capsys):
    monkeypatch.chdir(folder)
    text = (folder / "sheet.csv").read_text(encoding="utf-8")
    (folder / "other.csv").write_text(text.replace("Mains,", "Main,"), encoding="utf-8")
    (folder / "deep.json").write_text("[" * 100_000)
    assert run(folder, *words) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert said in " ".join(err.split())
    assert "Traceback" not in err


def test_a_missing_venue_ends_with_3(tmp_path, capsys):
    assert ends(["retime", str(tmp_path / "none.toml"), "--temperature-c", "20"]) == 3
    assert "none.toml: cannot be read" in capsys.readouterr().err


def test_without_a_plan_it_is_planned_anew(capsys):
    assert ends(["retime", "lantern_room", "--temperature-c", "12"]) == 0
    assert "no fill sounds" in capsys.readouterr().out


def test_the_example_of_the_help_runs(capsys):
    """Its venue is replaced by a small one: the words are what is tried."""
    words = ["lantern_room" if word == "cinder_meadow" else word for word in example_of("retime")]
    assert ends(words) == 0
    assert capsys.readouterr().err == ""
