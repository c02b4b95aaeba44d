"""Third octaves in parts, over each of which a filter's phase is as good as straight."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from fillalign._validate import ComplexArray, FloatArray
from fillalign.absorption import THIRDS_HZ
from fillalign.field.paths import CENTRE_HZ, HIGH_HZ, LOW_HZ
from fillalign.filters import (
    low_cut_group_delay_ms,
    low_cut_response,
    shelf_group_delay_ms,
    shelf_response,
)
from fillalign.venue import OutputSettings

# Third octaves up to 1 kHz are split: there low cuts bend the phase.
_SPLIT = np.where(THIRDS_HZ < 1100, 3, 1)
PART_BAND = np.repeat(np.arange(THIRDS_HZ.size), _SPLIT)
PART_START = np.concatenate([[0], np.cumsum(_SPLIT)[:-1]])
_STEP = np.arange(PART_BAND.size) - PART_START[PART_BAND]
PART_LOW_HZ = LOW_HZ[PART_BAND] + _STEP * ((HIGH_HZ - LOW_HZ) / _SPLIT)[PART_BAND]
PART_HIGH_HZ = PART_LOW_HZ + ((HIGH_HZ - LOW_HZ) / _SPLIT)[PART_BAND]
PART_CENTRE_HZ = (PART_LOW_HZ + PART_HIGH_HZ) / 2
PART_SHARE = 1.0 / _SPLIT[PART_BAND]
ALL_BANDS = slice(None)
# Gauss-Legendre of four points, in closed form (Abramowitz and Stegun 25.4.30).
_NODES = np.sqrt((3 + np.array([2, -2, -2, 2]) * np.sqrt(1.2)) / 7) * np.array([-1, -1, 1, 1])
_WEIGHTS = (18 + np.array([-1, 1, 1, -1]) * np.sqrt(30)) / 36


def part_sums(values: FloatArray, bands: slice = ALL_BANDS) -> FloatArray:
    """Sum values over the parts (first axis) of some bands by band."""
    starts = PART_START[bands]
    return np.asarray(np.add.reduceat(values, starts - starts[0], axis=0))


def parts_of(bands: slice) -> slice:
    """Return the parts of some adjoining bands."""
    starts = np.append(PART_START, PART_BAND.size)
    first, last, _ = bands.indices(THIRDS_HZ.size)
    return slice(int(starts[first]), int(starts[last]))


@lru_cache(maxsize=1024)
def filters_of(settings: OutputSettings) -> OutputSettings:
    """Return the filters and the polarity of some settings, without delay and trim."""
    return replace(settings, delay_ms=0.0, trim_db=0.0)


def _response(settings: OutputSettings, frequency_hz: FloatArray) -> ComplexArray:
    """Complex response of an output's filters and polarity."""
    response = np.ones(frequency_hz.shape, dtype=complex)
    if settings.low_cut_hz is not None:
        order, kind = settings.low_cut_order, settings.low_cut_kind
        response *= low_cut_response(frequency_hz, settings.low_cut_hz, order=order, kind=kind)
    if settings.shelf_db:
        response *= shelf_response(frequency_hz, settings.shelf_hz, settings.shelf_db)
    return -response if settings.polarity == "inverted" else response


def filter_power(settings: OutputSettings) -> FloatArray:
    """Mean power response of an output's filters by band (four-point Gauss rule)."""
    return _filter_power(filters_of(settings))


@lru_cache(maxsize=1024)
def _filter_power(filters: OutputSettings) -> FloatArray:
    inside = CENTRE_HZ + np.outer(_NODES, HIGH_HZ - LOW_HZ) / 2
    power = np.asarray(_WEIGHTS @ np.abs(_response(filters, inside)) ** 2 / 2)
    power.setflags(write=False)
    return power


@dataclass(frozen=True)
class PartFilter:
    """An output's filters over the parts of bands: size, phase in rad, delay in s."""

    size: FloatArray
    phase: FloatArray
    lag: FloatArray


def part_filter(settings: OutputSettings) -> PartFilter:
    """Return the filters at the centres of the parts.

    Within a part magnitude and group delay are taken as constant; whole third
    octaves would be up to 2 dB off where a low cut bends its phase.
    """
    return _part_filter(filters_of(settings))


@lru_cache(maxsize=1024)
def _part_filter(filters: OutputSettings) -> PartFilter:
    response = _response(filters, PART_CENTRE_HZ)
    lag = np.zeros(PART_CENTRE_HZ.size)
    if filters.low_cut_hz is not None:
        order, kind = filters.low_cut_order, filters.low_cut_kind
        corner = filters.low_cut_hz
        lag = lag + low_cut_group_delay_ms(PART_CENTRE_HZ, corner, order=order, kind=kind)
    if filters.shelf_db:
        lag = lag + shelf_group_delay_ms(PART_CENTRE_HZ, filters.shelf_hz, filters.shelf_db)
    return PartFilter(np.abs(response), np.angle(response), lag / 1000)
