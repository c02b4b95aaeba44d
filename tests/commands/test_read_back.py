"""From a take to the sheet as measured: what `take` keeps is what the command reads back."""

from __future__ import annotations

import json
import re

import pytest

from fillalign import audio, write_venue
from fillalign.audio import GapReading
from fillalign.planning import expected_reading
from tests.commands.shell import ends
from tests.small_venue import small_plan

PLAN = small_plan(allowed_fall_db=2.0)
SEAT = (30.0, -4.0, 1.2)
LATE = 2.4


@pytest.fixture
def reading(monkeypatch):
    """Make every take one where the fill, dialled 2.4 ms too early, comes as planned."""
    wanted = expected_reading(PLAN.venue, PLAN.settings, "Fills", SEAT).gap_ms
    monkeypatch.setattr(audio, "measure_gap", lambda *_, **__: GapReading(
        gap_ms=wanted, uncertainty_ms=0.05, level_difference_db=0.0, polarity_same=True))


@pytest.mark.usefixtures("reading")
def test_a_corrected_fill_ends_in_a_sheet_as_measured(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write_venue(PLAN.venue, "hall.toml")
    (tmp_path / "plan.json").write_text(json.dumps(PLAN.to_dict()))
    audio.write_wav("take.wav", [0.1, -0.1, 0.0], 8000)
    dialled = PLAN.settings["Fills"].delay_ms - LATE
    assert ends(["take", "hall.toml", "Fills", "take.wav", "--at", "30,-4", "--plan", "plan.json",
                 "--dialled-ms", f"{dialled:.2f}", "--add-to", "set.toml",
                 "--venue-out", "measured.toml"]) == 0
    assert "Correct     keep the delay" in capsys.readouterr().out
    # By the old file the fill is set too early; by the one as measured it is as planned.
    assert ends(["hall.toml", "--as-set", "set.toml"]) == 0
    old = " ".join(capsys.readouterr().out.split())
    assert re.search(rf"Fills: delay {LATE:.2f} ms less than planned", old)
    assert ends(["measured.toml", "--as-set", "set.toml"]) == 0
    new = " ".join(capsys.readouterr().out.split())
    assert "SET-UP SHEET AS MEASURED" in new
    assert "less than planned" not in new
    assert "as planned within" in new
