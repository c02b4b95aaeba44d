"""Settings as somebody dials them: what no device does is refused."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fillalign._text import listed, quoted, short
from fillalign._validate import check_choice
from fillalign.filters import LOW_CUT_ORDERS
from fillalign.planning.trim import headroom_db
from fillalign.venue import POLARITIES, OutputSettings, Venue, check_settings

LOWEST_DIALLED_DB = -120.0
# As in a venue file.
DIALLED = (
    ("low_cut_hz", "Hz", 20.0, 2000.0),
    ("shelf_db", "dB", -12.0, 12.0),
    ("shelf_hz", "Hz", 500.0, 16000.0),
)


def check_dialled(venue: Venue, settings: Mapping[str, OutputSettings]) -> None:
    """Refuse settings of outputs that the venue or its devices do not have."""
    check_settings(venue, settings)
    for name, own in settings.items():
        of, device = short(name), venue.outputs[name]
        if not 0.0 <= own.delay_ms <= device.delay_max_ms:
            raise ValueError(
                f"{of}: delay_ms must be between 0 and {device.delay_max_ms:g} ms, "
                f"got {own.delay_ms:g}"
            )
        highest = headroom_db(venue, name)
        if not (np.isneginf(own.trim_db) or LOWEST_DIALLED_DB <= own.trim_db <= highest):
            raise ValueError(
                f"{of}: trim_db must be between {LOWEST_DIALLED_DB:g} and {highest:g} dB, or "
                f"minus infinity for off, got {own.trim_db:g}"
            )
        for key, unit, low, high in DIALLED:
            value = getattr(own, key)
            if value is not None and not low <= value <= high:
                raise ValueError(
                    f"{of}: {key} must be between {low:g} and {high:g} {unit}, got {value:g}"
                )
        check_choice(f"{of}: polarity", own.polarity, POLARITIES)
        if own.low_cut_order not in LOW_CUT_ORDERS.get(own.low_cut_kind, ()):
            raise ValueError(f"{of}: there is no {quoted(own.low_cut_kind)} low cut of order "
                             f"{own.low_cut_order}")
        offered = own.low_cut_kind in device.low_cut_kinds
        if own.low_cut_hz is not None and not (offered and
                                               own.low_cut_order in device.low_cut_orders):
            raise ValueError(
                f"{of}: its device has no {quoted(own.low_cut_kind)} low cut of order "
                f"{own.low_cut_order}; it has {listed(device.low_cut_kinds)} of order "
                f"{listed(map(str, device.low_cut_orders))}"
            )


def saved_settings(saved: Mapping[str, Any]) -> dict[str, OutputSettings]:
    """Return the settings in a plan's `to_dict`, also when read back from JSON.

    Parameters
    ----------
    saved : mapping
        What `FillPlan.to_dict` returned; only its settings are read.

    Returns
    -------
    dict of str to OutputSettings
        By output, for `evaluate`, `seat_field` and `render_seat`.

    Raises
    ------
    ValueError
        If there are no settings in it, or something else among them.

    Examples
    --------
    >>> import json
    >>> from fillalign import evaluate, plan_fills, read_venue
    >>> plan = plan_fills(read_venue("data/lantern_room.toml"))
    >>> text = json.dumps(plan.to_dict())
    >>> evaluate(plan.venue, saved_settings(json.loads(text))) == plan
    True
    """
    try:
        return {
            name: OutputSettings(**{**own, "trim_db": float(own["trim_db"])})
            for name, own in saved["settings"].items()
        }
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise ValueError("saved must be what FillPlan.to_dict returns, with the settings of "
                         f"every output: {type(error).__name__} {error}") from None
