"""Parts of third octaves by their definition, and filters over them against scipy."""

import numpy as np
from scipy import signal

from fillalign import THIRDS_HZ, OutputSettings
from fillalign.absorption import band_edges_hz
from fillalign.field import parts
from fillalign.filters import shelf_response


def test_parts_tile_the_third_octaves():
    low, high = band_edges_hz(THIRDS_HZ)
    first, last = parts.PART_START, np.append(parts.PART_START[1:], parts.PART_BAND.size) - 1
    np.testing.assert_allclose(parts.PART_LOW_HZ[first], low)
    np.testing.assert_allclose(parts.PART_HIGH_HZ[last], high)
    np.testing.assert_allclose(parts.PART_LOW_HZ[1:], parts.PART_HIGH_HZ[:-1])
    shares = (parts.PART_HIGH_HZ - parts.PART_LOW_HZ) / (high - low)[parts.PART_BAND]
    np.testing.assert_allclose(parts.PART_SHARE, shares)


def test_filters_by_band_and_part_against_an_analogue_filter():
    # scipy's Butterworth: mean power over each band on a fine grid; phase and group delay
    # (the slope of phase) at the centres of the parts; polarity turns by pi. The shelf's
    # response is checked in test_filters.
    own = OutputSettings(low_cut_hz=90.0, low_cut_order=4, low_cut_kind="butterworth",
                         shelf_db=5.0, shelf_hz=700.0, polarity="inverted", delay_ms=7.0,
                         trim_db=-9.0)
    b, a = signal.butter(4, 2 * np.pi * 90.0, "high", analog=True)

    def response(hertz):
        cut = signal.freqs(b, a, 2 * np.pi * hertz.ravel())[1].reshape(hertz.shape)
        return -cut * shelf_response(hertz, 700.0, 5.0)

    low, high = band_edges_hz(THIRDS_HZ)
    grid = low + (high - low) * (np.arange(2000)[:, None] + 0.5) / 2000
    wanted = (np.abs(response(grid)) ** 2).mean(axis=0)
    np.testing.assert_allclose(parts.filter_power(own), wanted, rtol=1e-4)
    filters, at = parts.part_filter(own), parts.PART_CENTRE_HZ
    turned = filters.size * np.exp(1j * filters.phase)
    np.testing.assert_allclose(turned, response(at), atol=1e-9)
    slope = np.angle(response(at * (1 - 1e-5)) / response(at * (1 + 1e-5)))
    np.testing.assert_allclose(filters.lag, slope / (2 * np.pi * 2e-5 * at), atol=1e-8)
