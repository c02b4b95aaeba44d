"""Lesson 07: figures and sound against ISO 9613-1's table and the filter note."""

import csv
from pathlib import Path

import numpy as np
import pytest

from fillalign.classroom.lessons import l07

# ISO 9613-2:1996, Table 2 (from memory): dB/km by octave.
TABLE = {
    (float(r["temperature_c"]), float(r["humidity_pct"]), float(r["band_hz"])):
        float(r["absorption_db_per_km"])
    for r in csv.DictReader(
        line
        for line in (Path(__file__).parents[1] / "published" / "absorption_octave_bands.csv")
        .read_text()
        .splitlines()
        if not line.startswith("#")
    )
}


@pytest.mark.parametrize(("temperature_c", "humidity_pct"), [(10, 70), (30, 70), (15, 20)])
def test_loss_figure_shows_the_table(temperature_c, humidity_pct):
    live = l07.loss_figure()
    before = live.png
    for name, value in (("distance_m", 100), ("temperature_c", temperature_c),
                        ("humidity_pct", humidity_pct)):
        live.controls[name].value = value
    assert live.error == ""
    x, y = live.artists["now"].get_data()
    for band in (1000.0, 4000.0, 8000.0):
        drawn = np.interp(np.log(band), np.log(x), y)
        assert drawn == pytest.approx(TABLE[temperature_c, humidity_pct, band] / 10, rel=0.03)
    assert live.png != before
    assert f"{live.controls['distance_m'].value} m (328 ft)" in live.text


def test_shelf_figure_lifts_the_highs_by_its_gain():
    live = l07.shelf_figure()
    before = live.png
    for name, value in (("distance_m", 5), ("humidity_pct", 60), ("gain_db", 6),
                        ("corner_hz", 2000)):
        live.controls[name].value = value
    assert live.error == ""
    lift = live.artists["left"].get_ydata() - live.artists["lost"].get_ydata()
    # Audio-EQ cookbook: half the gain at the corner, all of it far above.
    x = live.artists["left"].get_xdata()
    assert np.interp(np.log(2000.0), np.log(x), lift) == pytest.approx(3.0, abs=0.1)
    assert lift[-1] == pytest.approx(6.0, abs=0.1)
    assert live.png != before
    assert "More than 1 dB off" in live.text
    live.controls["gain_db"].value = 0
    assert "no shelf needed" in live.text


def test_player_takes_the_highs_and_leaves_the_lows():
    player = l07.air_player()
    player.controls["distance_m"].value = 100
    player.controls["humidity_pct"].value = 20
    near, far = player.clips["close by"], player.clips["through the air"]
    assert np.abs(near).max() <= 1.0
    power = [np.abs(np.fft.rfft(clip, 2**18)) ** 2 for clip in (near, far)]
    grid = np.fft.rfftfreq(2**18, 1 / 48000)

    def change(low, high):
        band = (grid > low) & (grid < high)
        return 10 * np.log10(power[1][band].sum() / power[0][band].sum())

    assert change(150, 500) == pytest.approx(0.0, abs=0.3)
    # 100 m at 20 C and 20 %: some 7 dB at 4 kHz and 22 at 8 kHz.
    assert change(3500, 4500) == pytest.approx(-l07.air_loss_db(100, 4000, 20, 20), abs=1.0)
    assert "dB at 8 kHz" in player.text
