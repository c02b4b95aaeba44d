"""Scripts as a scripter writes them: short, public names only, run in an empty folder."""

import ast
import runpy
from importlib import import_module
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

import fillalign
from fillalign import Air, fill_delay_ms, plan_fills, read_demo_venue
from tests import public

FOLDER = Path(__file__).parent / "scripts"
SCRIPTS = sorted(path for path in FOLDER.glob("*.py") if path.name != "conftest.py")


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Return a function that runs a script in an empty folder and returns its names."""
    monkeypatch.chdir(tmp_path)

    def of_name(name):
        return runpy.run_path(str(FOLDER / f"{name}.py"))

    return of_name


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_a_script_is_short_and_takes_public_names_only(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) < 25
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom) and node.module.startswith("fillalign"):
            listed = {*import_module(node.module).__all__, "plots"}
            assert {one.name for one in node.names} <= listed
        if isinstance(node, ast.Attribute):
            assert not node.attr.startswith("_")
            assert ast.unparse(node.value) != "fa" or node.attr in fillalign.__all__


def test_there_are_eight():
    assert len(SCRIPTS) == 8


def test_a_season_keeps_its_hours_and_its_zone(run):
    said = run("season_of_weather")
    log, evening = said["log"], said["evening"]
    for column in ("speed_m_s", "wait_ms", "loss_8k_db"):
        assert log[column].index.equals(said["hours"])
    hour = log.iloc[1234]
    there = Air(hour["temperature_c"], hour["humidity_pct"])
    assert hour["wait_ms"] == pytest.approx(fill_delay_ms(85.0, there), rel=1e-12)
    assert str(evening.index.tz) == "Europe/Lisbon"
    assert evening["Fill"].is_monotonic_increasing  # it cools, so the fill waits longer
    assert (said["season"]["wait_ms"]["max"] - said["season"]["wait_ms"]["min"] > 5).all()


@pytest.mark.usefixtures("no_pictures")
def test_a_venue_in_code_comes_back_from_its_file(run, tmp_path):
    said = run("venue_in_code")
    assert said["again"] == said["venue"]
    assert said["plan"].settings.sounds("Fill")
    assert plan_fills(said["again"]).figures() == said["plan"].figures()
    assert {path.suffix for path in tmp_path.iterdir()} == {".toml", ".txt", ".csv", ".html"}


def test_places_are_ranked(run):
    said = run("sweep_of_places")
    assert said["ranked"]["missing_steps"].is_monotonic_increasing
    assert set(said["ranked"].index) == set(said["rows"])
    assert said["hall"] == read_demo_venue("lantern_room")


def test_more_trim_serves_more_and_costs_image(run):
    curve = run("sweep_of_trims")["curve"]
    assert list(curve.index) == [-14.0, -11.0, -8.0, -5.0, -2.0]
    assert curve["image_lost_share"].is_monotonic_increasing
    assert curve["front_relief_db"].is_monotonic_increasing
    assert curve["front_relief_db"].iloc[-1] > curve["front_relief_db"].iloc[0]


def test_dialled_settings_are_judged(run):
    said = run("dialled_settings")
    assert len(said["lost"]) > 10
    assert 0 < said["late_ms"] < 7
    assert "EARLY" in said["kinds"]
    before, after = said["better"]["image_lost_share"]
    assert before == 0 < after


def test_arrivals_of_ones_own(run):
    said = run("own_arrivals")
    assert said["gap"][1] == pytest.approx(5.0)
    assert said["gap"][0] > said["gap"][1] > said["gap"][2]
    level = np.sum(public.db_to_power(said["level"]), axis=0)
    apart = public.weighted_total_db(public.power_to_db(level), public.THIRDS_HZ)
    np.testing.assert_allclose(said["total_dba"], apart, atol=1.5)


def test_a_comb_in_ones_own_figure_and_style(run, tmp_path):
    before = dict(mpl.rcParams)
    said = run("comb_in_own_figure")
    assert dict(mpl.rcParams) == before
    assert [line.get_color() for line in said["top"].lines] == ["teal", "black"]
    assert said["bottom"].lines[0].get_color() == "teal"
    assert len(said["figure"].axes) == 3
    assert (tmp_path / "comb.png").stat().st_size > 10_000
    said["plt"].close(said["figure"])


def test_two_hundred_seats_go_to_csv(run, tmp_path):
    said = run("seats_to_csv")
    levels, checks = (pd.read_csv(tmp_path / f"{name}.csv") for name in ("levels", "checks"))
    assert len(levels) == len(checks) == 200
    assert levels.columns[:3].tolist() == ["x_m", "y_m", "z_m"]
    # The gap is the difference of the arrivals that the other table holds.
    apart = levels["arrival_ms: Fill"] - levels["arrival_ms: Mains"]
    assert (checks["gap_ms"] >= apart.round(2) - 2.0).all()
    assert said["wide"].shape == (200, 1)
