"""A take read against the plan: what to correct at one seat or at several, and the way back."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fillalign import audio, planning
from fillalign._text import listed, plain, quoted, short
from fillalign._validate import FloatArray, range_text
from fillalign.air import Air
from fillalign.commands import common
from fillalign.commands.ears import add_signal, sweep_of
from fillalign.commands.read_back import PLAN_HELP, SetFile, measured_by, planned, venue_as_measured
from fillalign.field import venue_seats
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
    return tuple(common.number(part) for part in parts)


def _parser() -> common.Parser:
    parser = common.verb_parser(
        "take", "Read takes of the test signal at one seat or several against the plan: gap, "
        "polarity, level, and what to correct. A take that tells nothing sure says why, and what "
        "to do next.", 'tidewell_hall "Fill inner" take.wav --at 30,3 '
        "--plan sheets/tidewell-hall-sheet.csv",
        ("venue", "VENUE.toml", "venue file, or one of ours"),
        ("fill", "FILL", "output of the fill that played, or one of its boxes"))
    add = common.add_options
    add(parser, ("takes", "TAKE.wav", "WAV, or FLAC, OGG, MP3: one a seat"), nargs="+")
    parser.add_argument(
        "--at", type=_place, action="append", metavar="X,Y[,Z]",
        help="where the microphone stood, once a take, in their order (default: the seat of the "
             "sheet's readings; the ears' height there)")
    add(parser, ("--plan", "FILE", PLAN_HELP),
        ("--dialled-ms", "MS", "delay dialled on the fill while it played (default: that in the "
         "--add-to file, or the planned one)"))
    add(parser, ("--mains", "OUTPUT", "output of the mains that played in their turn, once each "
                 "(default: all of them)"), action="append")
    parser.add_argument("--turns", type=int, choices=(2, 3), default=3,
                        help="3: mains, fill, mains (default); 2: without the last")
    add(parser, ("--channel", "N", "channel of the microphone, from 1 (default: the loudest)"),
        ("--moved-take", "FILE.wav", "a second take with the fill set 3 ms later, where the first "
         "is in doubt"),
        ("--mains-dba", "DBA", "meter at the seat while the mains play pink noise: levels for the "
         "venue file"))
    common.add_air(parser, " while it played (default: the empty venue's)")
    add(parser.add_argument_group("what is written"),
        ("--picture", "FILE.svg", "draw both responses (one take)"),
        ("--add-to", "FILE.toml", "add the readings to this file of what was set and read, made "
         "if it is not there: 'fillalign VENUE.toml --as-set FILE.toml' makes the sheet as "
         "measured of it"),
        ("--venue-out", "FILE.toml", "write the venue file with what was measured, all else kept"),
        ("--overwrite", "", "replace files that are there"),
        ("--json", "", "print numbers as JSON"))
    add_signal(parser)
    return parser


@dataclass(frozen=True)
class _Case:
    """What was asked: venue, fill, settings as planned, the delay dialled, the air, the plan's."""

    venue: Venue
    output: str
    settings: Mapping[str, OutputSettings]
    dialled_ms: float
    air: Air
    planned_air: Air

    @property
    def planned_ms(self) -> float:
        return self.settings[self.output].delay_ms


@dataclass(frozen=True)
class _Heard:
    """One take: its file, what it should say as dialled, what it says, and what is wanted.

    `add_ms` is what to add to the delay by this take alone, not a number where nothing is sure.
    """

    file: str
    expected: planning.Expected
    reading: audio.GapReading
    wanted_ms: float
    add_ms: float


@dataclass(frozen=True)
class _Correction:
    """One change of the delay for all takes that are sure, and what it leaves at each seat."""

    add_ms: float
    within_ms: float
    set_ms: float
    left_ms: tuple[float, ...]


def take(argv: Sequence[str]) -> int:
    """Read takes against the plan, and say what to correct."""
    parser = _parser()
    args = parser.parse_args(argv)
    common.check_picture(parser, args.picture)
    if args.at is not None and len(args.at) != len(args.takes):
        parser.error(f"--at must be given once a take, got {len(args.at)} for {len(args.takes)}")
    if len(args.takes) > 1 and (args.at is None or args.picture or args.moved_take):
        parser.error("several takes need --at for each, and go without --picture and --moved-take")
    if args.mains_dba is not None and (args.venue_out is None or len(args.takes) > 1):
        parser.error("--mains-dba goes with --venue-out and one take")
    venue = common.venue_named(args.venue)
    with parser.judging():
        case = _case(venue, args)
    recordings = [audio.read_recording(file) for file in args.takes]
    moved = None if args.moved_take is None else audio.read_recording(args.moved_take)
    with parser.judging():
        heard = [_heard(case, args, *each, moved) for each in zip(
            args.takes, recordings, _seats(case, args), strict=True)]
    return _answer(case, heard, args)


def _case(venue: Venue, args: argparse.Namespace) -> _Case:
    """Return what is asked, or raise what is wrong in it."""
    fills = sorted({source.output for source in venue.of_role("fill")})
    boxes = {source.name: source.output for source in venue.of_role("fill")}
    output = args.fill if args.fill in fills else boxes.get(args.fill)
    if output is None:
        raise ValueError(f"no fill on an output {quoted(args.fill)}; there are {listed(fills)}")
    settings, made_for = planned(venue, args.plan)
    if settings[output].trim_db == float("-inf"):
        raise ValueError(f"{quoted(output)} stays off in the plan: there is nothing to read")
    file = SetFile(Path(), "", {}) if args.add_to is None else SetFile.of(args.add_to)
    known = (args.dialled_ms, file.delay_ms(output), settings[output].delay_ms)
    dialled = next(value for value in known if value is not None)
    most = venue.outputs[output].delay_max_ms
    if not 0 <= dialled <= most:
        raise ValueError(f"--dialled-ms must be between 0 and {most:g} ms, got {dialled:g}")
    return _Case(venue, output, settings, dialled, file.air(venue, args), made_for)


def _seats(case: _Case, args: argparse.Namespace) -> list[tuple[float, ...]]:
    """Return where the microphone stood at each take, with the ears' height where none is given."""
    if args.at is None:
        return [planning.aim_seat_m(case.venue, case.output)]
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
        low, high = np.min(all_m, axis=0) - _AROUND_M, np.max(all_m, axis=0) + _AROUND_M
        where = f"lies more than {_AROUND_M:g} m from seats and loudspeakers"
    else:
        low = np.array([room.x_from_m, -room.width_m / 2, 0.0])
        high = np.array([room.x_to_m, room.width_m / 2, room.height_m])
    for place in places:
        for axis, value, least, most in zip("xyz", place, low, high, strict=True):
            if not least <= value <= most:
                raise ValueError(f"--at {','.join(f'{one:g}' for one in place)} {where}: {axis} "
                                 f"must be {range_text(least, most, 'm')}, got {value:g}")


def _heard(case: _Case, args: argparse.Namespace, file: str, recording: audio.Recording,
           seat: tuple[float, ...], moved: audio.Recording | None) -> _Heard:
    """Read one take, and what it should say with the fill as dialled."""
    as_dialled = replace(case.settings[case.output], delay_ms=case.dialled_ms)
    expected = planning.expected_reading(
        case.venue, {**case.settings, case.output: as_dialled}, case.output, seat,
        mains=None if args.mains is None else tuple(args.mains), air=case.air)
    # A sweep is the same at any rate that holds it; at the take's own nothing is resampled.
    rate = max(float(recording.sample_rate_hz), 2.1 * args.high_hz)
    reading = audio.measure_gap(
        recording, sweep_of(args, rate), rate, spacing_s=args.spacing_s, turns=args.turns,
        channel=args.channel, planned_gap_ms=expected.gap_ms, moved_take=moved)
    wanted = expected.gap_ms + case.planned_ms - case.dialled_ms
    # A take that suits what is dialled may look exchanged beside what was planned.
    add = (np.nan if reading.gap_ms is None else
           audio.correction_ms(reading, expected.gap_ms)[0] + wanted - expected.gap_ms)
    return _Heard(file, expected, reading, wanted, add)


# The answer -------------------------------------------------------------------------------


def _correction(case: _Case, sure: Sequence[_Heard]) -> _Correction:
    """Return the change that suits all takes, in the steps of the device."""
    levels = [each.expected.level_difference_db if each.reading.level_difference_db is None
              else each.reading.level_difference_db for each in sure]
    wanted = [each.add_ms for each in sure]
    add = planning.common_correction_ms(case.venue, case.output, wanted, levels)
    step = case.venue.outputs[case.output].delay_step_ms
    new = max(0.0, round((case.dialled_ms + add) / step) * step)
    moved = new - case.dialled_ms
    return _Correction(add, max(each.reading.uncertainty_ms or 0.0 for each in sure), new,
                       tuple(moved - each for each in wanted))


def _slip(case: _Case, sure: Sequence[_Heard]) -> str | None:
    """Say how the delay is not in as dialled, where every take comes as if it were so."""
    dialled, set_in = case.dialled_ms, case.venue.outputs[case.output].set_in
    slips = (
        (-dialled, f"were not in: likely the delay is bypassed, stored in another scene, or not "
                   f"dialled. Look in {set_in}, then record again (or say --dialled-ms 0)"),
        (dialled, "were in twice: likely it is set in two devices (console and processor or "
                  "amplifier). Take one out, then record again"),
    )
    for change_ms, likely in slips:
        if sure and dialled >= _SLIP_FROM_MS and all(
                abs(each.add_ms + change_ms) <= max(_SLIP_WITHIN_MS,
                                                    each.reading.uncertainty_ms or 0.0)
                for each in sure):
            return f"the fill comes as if its {dialled:.2f} ms {likely}"
    return None


def _answer(case: _Case, heard: Sequence[_Heard], args: argparse.Namespace) -> int:
    """Print and write what was read; where the delay is not in as dialled, only say so."""
    sure = [each for each in heard if each.reading.gap_ms is not None]
    slip = _slip(case, sure)
    if slip is not None:
        sure = []
    correction = _correction(case, sure) if sure else None
    with common.fitting(args.venue):
        _write_all(case, heard, sure, correction, args)
    if args.json:
        print(json.dumps({**_numbers(case, heard, correction), "slip": slip}))
        return common.OK if sure else common.NOTHING_SURE
    lines = _one(case, heard[0]) if len(heard) == 1 else _table(heard, correction)
    if correction is not None:
        lines += _told(case, sure, correction)
    if slip is not None:
        lines.append(f"Correct     cannot tell: {slip}")
    for line in lines:
        print(plain(line))
    return common.OK if sure else common.NOTHING_SURE


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
    polarity = f"cannot tell: {reading.withheld.get('polarity')}"
    if "polarity" not in reading.withheld:
        polarity = ("the same as the mains'" if reading.polarity_same else
                    "TURNED OVER: change it at one end of the fill's path, and record again")
    return [*lines, f"Polarity    {polarity}", f"Level       {_level(heard)}"]


def _level(heard: _Heard) -> str:
    reading, wanted = heard.reading, heard.expected.level_difference_db
    if reading.level_difference_db is None:
        return f"cannot tell: {reading.withheld.get('level', 'not read')}"
    off = reading.level_difference_db - wanted
    what = ("near enough for a single place" if abs(off) <= _LEVEL_OFF_DB else
            f"{abs(off):.1f} dB {'more' if off > 0 else 'less'} than planned: look at the trim, "
            "then at a second seat")
    return (f"fill {reading.level_difference_db:+.1f} dB over the mains (direct sound, 1 to 4 "
            f"kHz; a meter hears the room too), planned {wanted:+.1f}: {what}")


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


def _told(case: _Case, sure: Sequence[_Heard], correction: _Correction) -> list[str]:
    """Say what to dial, and what else to look at."""
    device, add, new = case.venue.outputs[case.output], correction.add_ms, correction.set_ms
    if case.dialled_ms + add < 0:
        return [f"Correct     {case.dialled_ms:.2f} ms less {-add:.2f} is no delay: hold the mains "
                f"back by {-add - case.dialled_ms:.2f} ms, and set the fill to 0"]
    what = (f"add {add:+.2f} ms: set {new:.2f} instead of {case.dialled_ms:.2f} ms "
            f"({common.samples_of(new, device)}), in {device.set_in}")
    if abs(add) <= max(correction.within_ms, device.delay_step_ms):
        what = (f"keep the delay: {case.dialled_ms:.2f} ms is right within "
                f"{correction.within_ms:.2f} ms")
    polarities = {each.reading.polarity_same for each in sure} - {None}
    other_c = abs(case.planned_air.temperature_c - case.air.temperature_c)
    apart = max(map(abs, correction.left_ms))
    notes = (
        (polarities == {False}, "first the polarity: turn it over at one end, and record again"),
        (len(polarities) > 1, "the takes differ in polarity: read the seats again before you turn "
                              "anything over"),
        (other_c > _OTHER_AIR_C, f"for the air of the plan, {case.planned_air.temperature_c:.1f} "
                                 "C: 'fillalign retime' says what another asks for"),
        (new > device.delay_max_ms, f"the device allows {device.delay_max_ms:g} ms at most"),
        (len(sure) > 1 and apart > _DISAGREE_MS,
         f"no one delay suits these seats: up to {apart:.2f} ms are left over; measure the places "
         "of boxes and seats again"),
    )
    return [f"Correct     {what}", *(f"            {words}" for is_so, words in notes if is_so)]


def _numbers(
    case: _Case, heard: Sequence[_Heard], correction: _Correction | None
) -> dict[str, Any]:
    """Return everything that was read as plain numbers and words."""
    def picked(record: object, *names: str) -> dict[str, Any]:
        return {name: getattr(record, name) for name in names}

    takes = [{
        "file": each.file,
        **picked(each.expected, "seat_m", "reference"),
        **picked(each.reading, "gap_ms", "uncertainty_ms", "level_difference_db", "polarity_same",
                 "channel"),
        "wanted_gap_ms": each.wanted_ms,
        "unclear_ms": each.expected.unclear_ms,
        "planned_level_difference_db": each.expected.level_difference_db,
        "doubts": {what: picked(doubt, "cause", "reason", "likely", "next_step") for what, doubt in
                   {"gap": each.reading.doubt, **each.reading.withheld}.items() if doubt},
    } for each in heard]
    return {"fill": case.output, "dialled_ms": case.dialled_ms,
            "temperature_c": case.air.temperature_c, "takes": takes,
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
        # Its line ends are kept as they are.
        text = common.venue_path(args.venue).read_bytes().decode("utf-8-sig")
        contents[Path(args.venue_out)] = venue_as_measured(
            text, case.venue, case.output, late_ms, len(sure), levels).encode()
    kept: dict[Path, bytes] = {}
    if args.add_to is not None and sure:
        file = SetFile.of(args.add_to)
        pairs = [(each.expected, each.reading) for each in sure]
        air = case.air if common.tells_air(args) else None
        kept[file.path] = file.with_readings(case.venue, case.dialled_ms, pairs, air).encode()
    # To add to what is kept is what was asked for.
    for files, overwrite in ((contents, args.overwrite), (kept, True)):
        if files:
            common.write(files, overwrite=overwrite, quiet=args.json)
