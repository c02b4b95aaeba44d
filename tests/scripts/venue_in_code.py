"""A venue made in code: planned, written to a file and read back the same."""

import fillalign as fa

decay, row = dict.fromkeys(fa.OCTAVES_NOMINAL, 1.3), {"row_spacing_m": 2, "seat_spacing_m": 2}
box = fa.Loudspeaker("box", coverage_deg=(90, 60), maximum_dba=122.0, level_dba=92.0)
air = fa.Air(22.0, humidity_pct=45.0)
venue = fa.Venue(
    name="Long room", loudspeakers={"box": box}, goals=fa.Goals(allowed_fall_db=2.0),
    states={name: fa.State(name, air, rt60_s=decay) for name in ("check", "show")},
    room=fa.Room(x_from_m=-3, x_to_m=38, width_m=16, height_m=6, volume_m3=3900),
    outputs={name: fa.Output(name, "mono", f"mixer, {name}") for name in ("Main", "Fill")},
    sources=(
        fa.Source("Main", "main", "Main", "box", (0, 2, 4), (15, 0, 1.2)),
        fa.Source("Fill", "fill", "Fill", "box", (23, -1, 4), (31, 0, 1.2), "delay", ("back",)),
    ),
    areas=(fa.Area("front", 4, 22, -6, 6, **row), fa.Area("back", 24, 36, -6, 6, **row)),
)
plan = fa.plan_fills(venue)
fa.write_venue(venue, "long_room.toml")
again = fa.read_venue("long_room.toml")
sheet = fa.write_sheet(plan, ".")
