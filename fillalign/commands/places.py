"""Where to hang the fills of an area."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from fillalign._text import plain
from fillalign.commands import shell

_LEGEND = (
    "", "served_share     share of the area's rows that get level, tone and speech (1 is all)",
    "missing_steps    what its rows lack on average, in just noticeable steps (0 is nothing)",
    "elsewhere_steps  what the other rows lack on average, in the same steps",
    "speech_index     mean speech transmission index of the area's rows",
    "gain_before_..   what the mains may come down by for the same level at the back, less",
    "                 what the stage microphone hears of the fills",
    "now              the boxes hang there in the file",
    "spread_db        from the loudest row of the venue to the softest",
    "trim_db          off: with the boxes there the plan leaves them off (no need, or no trim that",
    "                 its bounds allow is worth it)", "",
    "The best of them, for the venue file:",
)
_CAUTION = ("A place is a calculation, not a rigging point: only qualified riggers say what may\n"
            "hang where, under local codes.")


def places(argv: Sequence[str]) -> int:
    """Say where to hang the fills of an area, by planning with each place."""
    from fillalign.planning import places_in_words, propose_places

    parser = shell.Parser(
        prog="fillalign places", allow_abbrev=False,
        description="Say where to hang the fills of an area: each place is planned with, best "
                    f"first. {_CAUTION}",
        epilog="example: fillalign places hall.toml back --from-m 14 --to-m 26")
    shell.add_options(
        parser, ("venue", "VENUE.toml", "venue file, or one of ours"),
        ("area", "AREA", "seat area to serve"), ("--from-m", "M", "least x of the boxes"),
        ("--to-m", "M", "greatest x of the boxes"), ("--height-m", "M", "height of the boxes"),
        ("--json", "", "print numbers as JSON"),
        ("--picture", "FILE.svg", "write a map of the places"),
        ("--overwrite", "", "replace a picture that is there"))
    args = parser.parse_args(argv)
    shell.check_picture(parser, args.picture)
    venue = shell.venue_named(args.venue)
    with parser.judging():
        table = propose_places(venue, args.area, from_m=args.from_m, to_m=args.to_m,
                               height_m=args.height_m, progress=shell.told)
    if args.picture is not None:
        from fillalign import plots

        picture = plots.page_picture(partial(plots.places_plot, table), (6.3, 3.2),
                                     f"Places for the fills of {args.area}. {plots.PLACES_TITLE}")
        shell.write({Path(args.picture): picture}, overwrite=args.overwrite, quiet=args.json)
    if args.json:
        print(table.to_json(orient="records"))
        return shell.OK
    shown = table.drop(columns=["area", "toml"]).round(2)
    print(shown.replace({"trim_db": {-math.inf: "off"}}).to_string(index=False))
    verdict = ("", *textwrap.wrap(places_in_words(table), 88))
    for line in (*(verdict if verdict[1:] else ()), *_LEGEND, *table["toml"].iloc[0].splitlines()):
        print(plain(line))
    print(f"\n{_CAUTION}")
    return shell.OK
