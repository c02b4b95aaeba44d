"""Venues as strangers write them: any number of mains, arrays, subs and fills, in or out."""

from __future__ import annotations

import numpy as np

from fillalign import (
    Air,
    Area,
    Goals,
    Loudspeaker,
    Output,
    OutputSettings,
    Room,
    Source,
    State,
    Venue,
)

OCTAVES = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
CUTS = (("butterworth", 1), ("butterworth", 3), ("butterworth", 8), ("linkwitz-riley", 2),
        ("linkwitz-riley", 4), ("linkwitz-riley", 8))


def random_venue(seed):
    """Return a venue and what is dialled in it."""
    rng = np.random.default_rng(seed)
    outdoors, deep, wide = rng.random() < 0.4, rng.uniform(12, 90), rng.uniform(6, 40)
    air = Air(rng.uniform(0, 30), rng.uniform(10, 95), rng.uniform(80, 101))
    decay = {} if outdoors else dict(zip(OCTAVES, np.linspace(rng.uniform(0.6, 6), 0.5, 9),
                                         strict=True))
    state = State("show", air, float(rng.uniform(0, 9)), float(rng.uniform(-180, 180)), decay)
    boxes = {
        "box": Loudspeaker("box", (80, 60), 124.0, level_dba=float(rng.uniform(85, 105))),
        "small": Loudspeaker("small", (100, 70), 112.0, level_dba=88.0, low_limit_hz=120.0),
        "hang": Loudspeaker("hang", (90, 20), 132.0, level_dba=104.0, elements=5, spacing_m=0.35,
                            splay_deg=(1.0, 3.0, 5.0, 8.0)),
        "tub": Loudspeaker("tub", (300, 300), 120.0, level_dba=90.0, low_limit_hz=35.0),
    }
    sources, outputs, dialled = [], {}, {}

    def output(name, feed="mono"):
        outputs[name] = Output(name, feed, "console", latency_ms=float(rng.uniform(0, 12)),
                               low_cut_kinds=("butterworth", "linkwitz-riley"),
                               polarity=str(rng.choice(["normal", "inverted"])))
        kind, order = CUTS[rng.integers(len(CUTS))]
        dialled[name] = OutputSettings(
            delay_ms=float(rng.choice([0.0, rng.uniform(0, 250)])),
            trim_db=float(rng.choice([0.0, -np.inf, rng.uniform(-50, 6)], p=[0.4, 0.15, 0.45])),
            low_cut_hz=None if rng.random() < 0.5 else float(rng.uniform(40, 600)),
            low_cut_kind=kind, low_cut_order=order, shelf_db=float(rng.choice([0.0, 4.5])),
            polarity=str(rng.choice(["normal", "inverted"])))
        return name

    def place(x, y, z, role, bus, box, **more):
        at = (float(x), float(y), float(z))
        sources.append(Source(f"{role} {len(sources)}", role, bus, box, at,
                              (at[0] + 9.0, at[1] * 0.6, 1.2), **more))

    stereo, kind = rng.random() < 0.4, str(rng.choice(["box", "hang"]))
    sides = rng.uniform(1, wide / 2 - 0.5)
    for number in range(rng.integers(1, 3) if not stereo else 2):
        if stereo or not outputs:
            bus = output(f"Mains {number}", ("left", "right")[number] if stereo else "mono")
        place(0, sides * (-1) ** number, rng.uniform(3, 6), "main", bus, kind)
    if rng.random() < 0.4:
        place(1, 0.3, 0.5, "sub", output("Subs"), "tub")
    count = int(rng.choice([0, 1, 2, 3, 6]))
    mirrored = rng.random() < 0.5
    for number in range(count):
        bus = output(f"Fill {number}") if number % 2 == 0 or rng.random() < 0.6 else bus
        x, y = rng.uniform(0.5, deep - 1), rng.uniform(-wide, wide) / 2.2
        for side in (1, -1) if mirrored else (1,):
            place(x, side * y, rng.uniform(0.8, 5), "fill", bus,
                  str(rng.choice(["small", "box", "hang"])), kind="delay", covers=("back",))
    # A main that is off leaves nothing to plan; strangers do it all the same, but not always.
    if rng.random() < 0.85:
        dialled["Mains 0"] = OutputSettings(trim_db=-1.0, polarity=dialled["Mains 0"].polarity)
    middle = deep * rng.uniform(0.3, 0.7)
    shadow = {"shadowed_from": ("mains",), "shadow_loss_db": dict.fromkeys(OCTAVES, 6.0)}
    shadow = shadow if rng.random() < 0.3 else {}
    areas = (Area("front", 3.0, middle, -wide / 2.2, wide / 2.3, row_spacing_m=deep / 9,
                  seat_spacing_m=wide / 7),
             Area("back", middle + 0.5, deep, -wide / 2.5, wide / 2.2, row_spacing_m=deep / 8,
                  seat_spacing_m=wide / 6, floor_m=float(rng.uniform(0, 2)),
                  rake_deg=float(rng.uniform(0, 8)), **shadow))
    room = None if outdoors else Room(-4.0, deep + 2, wide + 2, 14.0, (deep + 6) * (wide + 2) * 9)
    venue = Venue(
        name=f"Venue {seed}", programme=str(rng.choice(["speech", "music"])),
        states={"show": state, "check": State("check", air, rt60_s=decay)}, loudspeakers=boxes,
        outputs=outputs, sources=tuple(sources), areas=areas, goals=Goals(), room=room)
    return venue, dialled
