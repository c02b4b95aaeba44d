"""A take read against the plan: what to correct at one seat or at several, and the way back."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from fillalign._text import listed, plain, quoted, short
from fillalign._validate import FloatArray, range_text
from fillalign.commands.dialled import PLAN_HELP, planned
from fillalign.commands.ears import add_signal, sweep_of
from fillalign.commands.kept import SetFile, measured_by, venue_as_measured
from fillalign.commands.shell import (
    NOTHING_SURE,
    OK,
    Parser,
    add_air,
    air_of,
    check_picture,
    fitting,
    number,
    samples_of,
    tells_air,
    venue_named,
    venue_text,
    write,
)

if TYPE_CHECKING:
    from fillalign.air import Air
    from fillalign.audio import GapReading, Recording
    from fillalign.planning import Expected
    from fillalign.venue import OutputSettings, Venue

_DISAGREE_MS = 1.0
_LEVEL_OFF_DB = 3.0
_UNCLEAR_MS = 0.3
_AROUND_M = 10.0  # where a microphone may stand outdoors, beside seats and boxes
_OTHER_AIR_C = 1.0
# A delay shorter than this is no larger than what a latency or a place may be wrong by.
_SLIP_FROM_MS, _SLIP_WITHIN_MS = 10.0, 1.0


def _place(text: str) -> tuple[float, ...]:
    """Return a place typed as X,Y or X,Y,Z."""
    parts = text.split(",")
    if len(parts) not in (2, 3):
        raise argparse.ArgumentTypeError(
            f"takes X,Y or X,Y,Z in metres, such as 30,3; got {text!r}")
    return tuple(number(part) for part in parts)


def _parser() -> Parser:
    parser = Parser(prog="fillalign take", allow_abbrev=False,
                    description="Read takes of the test signal at one seat or several against "
                                "the plan: gap, polarity, level, and what to correct. A take "
                                "that tells nothing sure says why, and what to do next.",
                    epilog='example: fillalign take tidewell_hall "Fill inner" take.wav --at 30,3 '
                           "--plan sheets/tidewell-hall-sheet.csv")
    add = parser.add_argument
    add("venue", metavar="VENUE.toml", help="venue file, or one of ours")
    add("fill", metavar="FILL", help="output of the fill that played, or one of its boxes")
    add("takes", metavar="TAKE.wav", nargs="+", help="WAV, or FLAC, OGG, MP3: one a seat")
    add("--at", type=_place, action="append", metavar="X,Y[,Z]",
        help="where the microphone stood, once a take, in their order (default: the seat of the "
             "sheet's readings; the ears' height there)")
    add("--plan", metavar="FILE", help=PLAN_HELP)
    add("--dialled-ms", type=number, metavar="MS",
        help="delay dialled on the fill while it played (default: that in the --add-to file, or "
             "the planned one)")
    add("--mains", action="append", metavar="OUTPUT",
        help="output of the mains that played in their turn, once each (default: all of them)")
    add("--turns", type=int, choices=(2, 3), default=3,
        help="3: mains, fill, mains (default); 2: without the last")
    add("--channel", type=int, metavar="N",
        help="channel of the microphone, from 1 (default: the loudest)")
    add("--moved-take", metavar="FILE.wav",
        help="a second take with the fill set 3 ms later, where the first is in doubt")
    add("--mains-dba", type=number, metavar="DBA",
        help="meter at the seat while the mains play pink noise: levels for the venue file")
    add_air(parser, " while it played (default: the empty venue's)")
    out = parser.add_argument_group("what is written")
    out.add_argument("--picture", metavar="FILE.svg", help="draw both responses (one take)")
    out.add_argument("--add-to", metavar="FILE.toml",
                     help="add the readings to this file of what was set and read, made if it is "
                          "not there: 'fillalign VENUE.toml --as-set FILE.toml' makes the sheet "
                          "as measured of it")
    out.add_argument("--venue-out", metavar="FILE.toml",
                     help="write the venue file with what was measured, all else kept")
    out.add_argument("--overwrite", action="store_true", help="replace files that are there")
    out.add_argument("--json", action="store_true", help="print numbers as JSON")
    add_signal(parser)
    return parser


@dataclass(frozen=True)
class _Heard:
    """One take: its file, what it should say as dialled, and what it says."""

    file: str
    expected: Expected
    reading: GapReading
    wanted_ms: float

    @property
    def add_ms(self) -> float:
        """What to add to the delay by this take alone."""
        from fillalign.audio import correction_ms

        return correction_ms(self.reading, self.wanted_ms)[0]

    @property
    def over_db(self) -> float:
        """Fill over mains: as read, or as expected where it is withheld."""
        read = self.reading.level_difference_db
        return self.expected.level_difference_db if read is None else read


@dataclass(frozen=True)
class _Case:
    """What was asked: venue, fill, settings as planned, the delay dialled, the air, the plan's."""

    venue: Venue
    output: str
    settings: Mapping[str, OutputSettings]
    dialled_ms: float
    mains: tuple[str, ...] | None
    air: Air
    planned_air: Air

    @property
    def planned_ms(self) -> float:
        return self.settings[self.output].delay_ms

    def expected(self, seat: Sequence[float]) -> Expected:
        """Return what a take at a seat should say with the fill as dialled."""
        from fillalign.planning import expected_reading

        own = replace(self.settings[self.output], delay_ms=self.dialled_ms)
        return expected_reading(self.venue, {**self.settings, self.output: own}, self.output,
                                seat, mains=self.mains, air=self.air)


def take(argv: Sequence[str]) -> int:
    """Read takes against the plan, and say what to correct."""
    from fillalign.audio import read_recording

    parser = _parser()
    args = parser.parse_args(argv)
    check_picture(parser, args.picture)
    if args.at is not None and len(args.at) != len(args.takes):
        parser.error(f"--at must be given once a take, got {len(args.at)} for {len(args.takes)}")
    if len(args.takes) > 1 and (args.at is None or args.picture or args.moved_take):
        parser.error("several takes need --at for each, and go without --picture and --moved-take")
    if args.mains_dba is not None and (args.venue_out is None or len(args.takes) > 1):
        parser.error("--mains-dba goes with --venue-out and one take")
    venue = venue_named(args.venue)
    with parser.judging():
        case = _case(venue, args)
    recordings = [read_recording(file) for file in args.takes]
    moved = None if args.moved_take is None else read_recording(args.moved_take)
    with parser.judging():
        heard = [_heard(case, args, file, recording, seat, moved) for file, recording, seat in zip(
            args.takes, recordings, _seats(case, args), strict=True)]
    return _answer(case, heard, args)


def _case(venue: Venue, args: argparse.Namespace) -> _Case:
    """Return what is asked, or raise what is wrong in it."""
    output = _output(venue, args.fill)
    settings, made_for = planned(venue, args.plan)
    own = settings[output]
    if own.trim_db == float("-inf"):
        raise ValueError(f"{quoted(output)} stays off in the plan: there is nothing to read")
    file = None if args.add_to is None else SetFile.of(args.add_to)
    air = air_of(venue, args, "check") if file is None else file.air(venue, args)
    noted = None if file is None else file.delay_ms(output)
    known = own.delay_ms if noted is None else noted
    dialled = known if args.dialled_ms is None else args.dialled_ms
    if not 0 <= dialled <= venue.outputs[output].delay_max_ms:
        raise ValueError("--dialled-ms must be between 0 and "
                         f"{venue.outputs[output].delay_max_ms:g} ms, got {dialled:g}")
    mains = None if args.mains is None else tuple(args.mains)
    return _Case(venue, output, settings, dialled, mains, air, made_for)


def _output(venue: Venue, name: str) -> str:
    """Return the output of a fill, by its own name or that of a box on it."""
    fills = {source.output: source.output for source in venue.of_role("fill")}
    named = {**{source.name: source.output for source in venue.of_role("fill")}, **fills}
    if name not in named:
        raise ValueError(f"no fill on an output {quoted(name)}; there are {listed(sorted(fills))}")
    return named[name]


def _seats(case: _Case, args: argparse.Namespace) -> list[tuple[float, ...]]:
    """Return where the microphone stood at each take, with the ears' height where none is given."""
    from fillalign.field import venue_seats
    from fillalign.planning import aim_seat_m

    if args.at is None:
        return [aim_seat_m(case.venue, case.output)]
    points = venue_seats(case.venue).points_m
    places = [at if len(at) == 3 else
              (*at, float(points[((points[:, :2] - at) ** 2).sum(axis=1).argmin(), 2]))
              for at in args.at]
    _check_places(case.venue, points, places)
    return places


def _check_places(venue: Venue, points: FloatArray, places: Sequence[Sequence[float]]) -> None:
    """Raise ValueError for a place outside the room, or where no room is known far from all."""
    room, where = venue.room, "lies outside the room"
    if room is None or room.drawn:
        all_m = [*points, *(source.position_m for source in venue.sources)]
        corners = [np.min(all_m, axis=0) - _AROUND_M, np.max(all_m, axis=0) + _AROUND_M]
        where = f"lies more than {_AROUND_M:g} m from seats and loudspeakers"
    else:
        corners = [np.array([room.x_from_m, -room.width_m / 2, 0.0]),
                   np.array([room.x_to_m, room.width_m / 2, room.height_m])]
    for place in places:
        for axis, value, low, high in zip("xyz", place, *corners, strict=True):
            if not low <= value <= high:
                raise ValueError(f"--at {','.join(f'{one:g}' for one in place)} {where}: {axis} "
                                 f"must be {range_text(low, high, 'm')}, got {value:g}")


def _heard(case: _Case, args: argparse.Namespace, file: str, recording: Recording,
           seat: tuple[float, ...], moved: Recording | None) -> _Heard:
    """Read one take."""
    from fillalign.audio import measure_gap

    expected = case.expected(seat)
    # A sweep is the same at any rate that holds it; at the take's own nothing is resampled.
    rate = max(float(recording.sample_rate_hz), 2.1 * args.high_hz)
    reading = measure_gap(recording, sweep_of(args, rate), rate, spacing_s=args.spacing_s,
                          turns=args.turns, channel=args.channel, planned_gap_ms=expected.gap_ms,
                          moved_take=moved)
    return _Heard(file, expected, reading, expected.gap_ms + case.planned_ms - case.dialled_ms)


# The answer -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Correction:
    """One change of the delay for all takes that are sure, and what it leaves at each seat."""

    add_ms: float
    within_ms: float
    set_ms: float
    left_ms: tuple[float, ...]


def _correction(case: _Case, sure: Sequence[_Heard]) -> _Correction:
    """Return the change that suits all takes, in the steps of the device."""
    from fillalign.planning import common_correction_ms

    wanted = [each.add_ms for each in sure]
    add = common_correction_ms(case.venue, case.output, wanted, [each.over_db for each in sure])
    device = case.venue.outputs[case.output]
    step = device.delay_step_ms
    new = max(0.0, round((case.dialled_ms + add) / step) * step)
    moved = new - case.dialled_ms
    return _Correction(add, max(each.reading.uncertainty_ms or 0.0 for each in sure), new,
                       tuple(moved - each for each in wanted))


def _slip(case: _Case, sure: Sequence[_Heard]) -> str | None:
    """Say how the delay is not in as dialled, where every take comes as if it were so."""
    dialled = case.dialled_ms
    if dialled < _SLIP_FROM_MS or not sure:
        return None

    def comes(change_ms: float) -> bool:
        return all(abs(each.add_ms + change_ms) <= max(
            _SLIP_WITHIN_MS, each.reading.uncertainty_ms or 0.0) for each in sure)

    if comes(-dialled):
        return (f"the fill comes as if its {dialled:.2f} ms were not in: likely the delay is "
                "bypassed, stored in another scene, or not dialled. Look in "
                f"{case.venue.outputs[case.output].set_in}, then record again (or say "
                "--dialled-ms 0)")
    if comes(dialled):
        return (f"the fill comes as if its {dialled:.2f} ms were in twice: likely it is set in "
                "two devices (console and processor or amplifier). Take one out, then record "
                "again")
    return None


def _answer(case: _Case, heard: Sequence[_Heard], args: argparse.Namespace) -> int:
    """Print and write what was read; where the delay is not in as dialled, only say so."""
    sure = [each for each in heard if each.reading.gap_ms is not None]
    slip = _slip(case, sure)
    if slip is not None:
        sure = []
    correction = _correction(case, sure) if sure else None
    with fitting(args.venue):
        _write_all(case, heard, sure, correction, args)
    if args.json:
        print(json.dumps({**_numbers(case, heard, correction), "slip": slip}))
    else:
        for line in _one(case, heard[0]) if len(heard) == 1 else _table(heard, correction):
            print(plain(line))
        for line in _told(case, sure, correction):
            print(plain(line))
        if slip is not None:
            print(plain(f"Correct     cannot tell: {slip}"))
    return OK if sure else NOTHING_SURE


def _where(seat: Sequence[float]) -> str:
    return f"({', '.join(f'{value:g}' for value in seat)})"


def _one(case: _Case, heard: _Heard) -> list[str]:
    """Say what one take tells."""
    expected, reading = heard.expected, heard.reading
    lines = [f"{case.output} at {_where(expected.seat_m)} m against {expected.reference}, "
             f"{case.air.temperature_c:.1f} C; {Path(heard.file).name}"
             + ("" if reading.channel is None else f", channel {reading.channel}")]
    if reading.doubt is not None:
        doubt = reading.doubt
        return [*lines, f"Cannot tell {doubt.reason}", f"Likely      {doubt.likely}",
                f"Next        {doubt.next_step}"]
    lines.append(f"Gap         {reading.gap_ms:.2f} ms after the mains (95 % within "
                 f"{reading.uncertainty_ms:.2f}); wanted {heard.wanted_ms:.2f}")
    if expected.unclear_ms > _UNCLEAR_MS:
        lines.append(f"            a softer box comes {expected.unclear_ms:.1f} ms ahead here: "
                     "read another seat too, or let fewer mains play (--mains)")
    lines.append(f"Polarity    {_polarity(reading)}")
    lines.append(f"Level       {_level(heard)}")
    return lines


def _polarity(reading: GapReading) -> str:
    if "polarity" in reading.withheld:
        return f"cannot tell: {reading.withheld['polarity']}"
    if reading.polarity_same:
        return "the same as the mains'"
    return "TURNED OVER: change it at one end of the fill's path, and record again"


def _level(heard: _Heard) -> str:
    reading, planned = heard.reading, heard.expected.level_difference_db
    if reading.level_difference_db is None:
        return f"cannot tell: {reading.withheld.get('level', 'not read')}"
    off = reading.level_difference_db - planned
    what = ("near enough for a single place" if abs(off) <= _LEVEL_OFF_DB else
            f"{abs(off):.1f} dB {'more' if off > 0 else 'less'} than planned: look at the trim, "
            "then at a second seat")
    return (f"fill {reading.level_difference_db:+.1f} dB over the mains (direct sound, 1 to 4 "
            f"kHz; a meter hears the room too), planned {planned:+.1f}: {what}")


def _table(heard: Sequence[_Heard], correction: _Correction | None) -> list[str]:
    """Say what several takes tell, one line a seat."""
    left = iter(() if correction is None else map("{:+.2f}".format, correction.left_ms))
    lines = [f"{'seat':>18} {'gap':>7} {'wanted':>7} {'add':>7} {'left over':>9} {'level':>6}  "
             "polarity   take"]
    doubts = []
    for each in heard:
        reading, place = each.reading, f"{_where(each.expected.seat_m):>18}"
        file = short(Path(each.file).name)
        if reading.gap_ms is None:
            lines.append(f"{place} {'?':>7} {each.wanted_ms:7.2f} {'':42} {file}")
            doubts.append(f"{file}: {reading.cannot_tell}")
            continue
        polarity = {True: "same", False: "TURNED", None: "?"}[reading.polarity_same]
        level = reading.level_difference_db
        lines.append(f"{place} {reading.gap_ms:7.2f} {each.wanted_ms:7.2f} {each.add_ms:+7.2f} "
                     f"{next(left, '?'):>9} {'?' if level is None else f'{level:+.1f}':>6}  "
                     f"{polarity:10} {file}")
    return [*lines, *doubts]


def _told(case: _Case, sure: Sequence[_Heard], correction: _Correction | None) -> list[str]:
    """Say what to dial."""
    if correction is None:
        return []
    device, add = case.venue.outputs[case.output], correction.add_ms
    if case.dialled_ms + add < 0:
        return [f"Correct     {case.dialled_ms:.2f} ms less {-add:.2f} is no delay: hold the mains "
                f"back by {-add - case.dialled_ms:.2f} ms, and set the fill to 0"]
    if abs(add) <= max(correction.within_ms, device.delay_step_ms):
        lines = [f"Correct     keep the delay: {case.dialled_ms:.2f} ms is right within "
                 f"{correction.within_ms:.2f} ms"]
    else:
        lines = [f"Correct     add {add:+.2f} ms: set {correction.set_ms:.2f} instead of "
                 f"{case.dialled_ms:.2f} ms ({samples_of(correction.set_ms, device)}), in "
                 f"{device.set_in}"]
    lines += _polarities(sure)
    if abs(case.planned_air.temperature_c - case.air.temperature_c) > _OTHER_AIR_C:
        lines.append(f"            for the air of the plan, {case.planned_air.temperature_c:.1f} "
                     "C: 'fillalign retime' says what another asks for")
    if correction.set_ms > device.delay_max_ms:
        lines.append(f"            the device allows {device.delay_max_ms:g} ms at most")
    apart = max(map(abs, correction.left_ms))
    if len(sure) > 1 and apart > _DISAGREE_MS:
        lines.append(f"            no one delay suits these seats: up to {apart:.2f} ms are left "
                     "over; measure the places of boxes and seats again")
    return lines


def _polarities(sure: Sequence[_Heard]) -> list[str]:
    """Say what a polarity turned over asks for before the delay, and where takes differ."""
    heard = {each.reading.polarity_same for each in sure} - {None}
    if heard == {False}:
        return ["            first the polarity: turn it over at one end, and record again"]
    if len(heard) > 1:
        return ["            the takes differ in polarity: read the seats again before you turn "
                "anything over"]
    return []


def _numbers(
    case: _Case, heard: Sequence[_Heard], correction: _Correction | None
) -> dict[str, Any]:
    """Return everything that was read as plain numbers and words."""
    def told(each: _Heard) -> dict[str, Any]:
        own = {name: getattr(each.reading, name) for name in (
            "gap_ms", "uncertainty_ms", "level_difference_db", "polarity_same", "channel")}
        doubts = {"gap": each.reading.doubt, **each.reading.withheld}
        return {"file": each.file, "seat_m": each.expected.seat_m,
                "reference": each.expected.reference, **own, "wanted_gap_ms": each.wanted_ms,
                "unclear_ms": each.expected.unclear_ms,
                "planned_level_difference_db": each.expected.level_difference_db,
                "doubts": {what: {"cause": doubt.cause, "reason": doubt.reason,
                                  "likely": doubt.likely, "next_step": doubt.next_step}
                           for what, doubt in doubts.items() if doubt is not None}}

    return {"fill": case.output, "dialled_ms": case.dialled_ms,
            "temperature_c": case.air.temperature_c, "takes": [told(each) for each in heard],
            "correction": None if correction is None else asdict(correction)}


# What is written --------------------------------------------------------------------------


def _write_all(case: _Case, heard: Sequence[_Heard], sure: Sequence[_Heard],
               correction: _Correction | None, args: argparse.Namespace) -> None:
    """Write what is asked for: all files or none."""
    contents: dict[Path, bytes] = {}
    if args.picture is not None and heard[0].reading.heard:
        from fillalign import plots

        reading, wanted = heard[0].reading, heard[0].wanted_ms
        contents[Path(args.picture)] = plots.svg_bytes(
            plots.take_overview(reading, planned_gap_ms=wanted),
            plots.take_text(reading, planned_gap_ms=wanted))
    if args.venue_out is not None and correction is not None:
        levels = [] if args.mains_dba is None else measured_by(
            case.venue, case.settings, sure[0].expected, sure[0].reading, args.mains_dba)
        late_ms = case.planned_ms - case.dialled_ms - correction.add_ms
        contents[Path(args.venue_out)] = venue_as_measured(
            venue_text(args.venue), case.venue, case.output, late_ms, len(sure), levels).encode()
    kept: dict[Path, bytes] = {}
    if args.add_to is not None and sure:
        file = SetFile.of(args.add_to)
        pairs = [(each.expected, each.reading) for each in sure]
        air = case.air if tells_air(args) else None
        kept[file.path] = file.with_readings(case.venue, case.dialled_ms, pairs, air).encode()
    # To add to what is kept is what was asked for.
    for files, overwrite in ((contents, args.overwrite), (kept, True)):
        if files:
            write(files, overwrite=overwrite, quiet=args.json)
