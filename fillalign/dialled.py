"""Settings as somebody dials them: what no device does is refused."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fillalign.filters import LOW_CUT_ORDERS
from fillalign.tuning import headroom_db
from fillalign.venue import POLARITIES, OutputSettings, Venue

LOWEST_DIALLED_DB = -120.0
# As in a venue file.
DIALLED = (
    ("low_cut_hz", "Hz", 20.0, 2000.0),
    ("shelf_db", "dB", -12.0, 12.0),
    ("shelf_hz", "Hz", 500.0, 16000.0),
)


def check_dialled(venue: Venue, settings: Mapping[str, OutputSettings]) -> None:
    """Refuse settings of outputs that the venue or its devices do not have."""
    for name, own in settings.items():
        if name not in venue.outputs:
            raise ValueError(f"no output named {name!r}; there are {', '.join(venue.outputs)}")
        device = venue.outputs[name]
        if not isinstance(own, OutputSettings):
            raise TypeError(
                f"{name}: settings must be an OutputSettings, got {type(own).__name__}"
            )
        if not 0.0 <= own.delay_ms <= device.delay_max_ms:
            raise ValueError(
                f"{name}: delay_ms must be between 0 and {device.delay_max_ms:g} ms, "
                f"got {own.delay_ms:g}"
            )
        highest = headroom_db(venue, name)
        if not (np.isneginf(own.trim_db) or LOWEST_DIALLED_DB <= own.trim_db <= highest):
            raise ValueError(
                f"{name}: trim_db must be between {LOWEST_DIALLED_DB:g} and {highest:g} dB, or "
                f"minus infinity for off, got {own.trim_db:g}"
            )
        for key, unit, low, high in DIALLED:
            value = getattr(own, key)
            if value is not None and not low <= value <= high:
                raise ValueError(
                    f"{name}: {key} must be between {low:g} and {high:g} {unit}, got {value:g}"
                )
        if own.polarity not in POLARITIES:
            raise ValueError(
                f"{name}: polarity must be one of {', '.join(POLARITIES)}, got {own.polarity!r}"
            )
        if own.low_cut_order not in LOW_CUT_ORDERS.get(own.low_cut_kind, ()):
            raise ValueError(
                f"{name}: there is no {own.low_cut_kind!r} low cut of order {own.low_cut_order}"
            )
