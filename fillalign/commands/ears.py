"""Ears at a venue: the test signal, and how a room dies away."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from fillalign import audio
from fillalign._text import plain, short
from fillalign._validate import FloatArray
from fillalign.commands import common

_SIGNAL = (
    ("seconds", 3.0, "S", "length of each sweep"),
    ("low-hz", 40.0, "HZ", "where each sweep begins"),
    ("high-hz", 20000.0, "HZ", "where each sweep ends"),
    ("spacing-s", 6.0, "S", "from the start of one turn to that of the next"),
)
_TURNS = (("mains", "left"), ("fill", "right"), ("mains", "left"))
_MARGIN_S = 0.05
# An even decay has a C50 of e^(13.8 x 0.05 s / T) - 1 as a ratio: -14.5 dB for 20 s.
_LEAST_C50_DB = -14.5
_NAMES = {"sweep": "take of this test signal", "clap": "clap", "noise": "noise that stops"}


def add_signal(parser: argparse.ArgumentParser) -> None:
    """Add what a test signal is made by; a take is read with the same."""
    group = parser.add_argument_group("the test signal (a take is read with what was played)")
    for name, value, unit, words in _SIGNAL:
        common.add_options(group, (f"--{name}", unit, f"{words} (default: {value:g})"),
                           default=value)


def changed_signal(args: argparse.Namespace) -> str:
    """Return the options of the signal that are not as usual, as they are typed."""
    named = {name: getattr(args, name.replace("-", "_")) for name, *_ in _SIGNAL}
    return "".join(f" --{name} {named[name]:g}" for name, value, *_ in _SIGNAL
                   if named[name] != value)


def sweep_of(args: argparse.Namespace, rate_hz: float, peak_dbfs: float = -6.0) -> FloatArray:
    """Return the sweep that the options describe, at a rate."""
    return audio.exponential_sweep(seconds=args.seconds, low_hz=args.low_hz, high_hz=args.high_hz,
                                   sample_rate_hz=rate_hz, peak_dbfs=peak_dbfs)


def signal(argv: Sequence[str]) -> int:
    """Write the test signal, and say how it is played."""
    parser = common.verb_parser(
        "signal", "Write the test signal that tells when mains and fill arrive: a sweep on the "
        "mains, on the fill, on the mains again. Left channel: mains; right channel: fill.",
        "turns.wav --peak-dbfs -24", ("file", "FILE.wav", ""),
        ("--overwrite", "", "replace the file if it is there"))
    common.add_options(parser, ("--sample-rate-hz", "HZ", "of the player (default: 48000); the "
                                "recorder's may be another"), default=48000.0)
    common.add_options(parser, ("--peak-dbfs", "DB", "peak below full scale, -60 to 0 (default: "
                               "-18, where consoles are lined up)"), default=-18.0)
    add_signal(parser)
    args = parser.parse_args(argv)
    try:
        sweep = sweep_of(args, args.sample_rate_hz, args.peak_dbfs)
        turns = audio.take_turns(sweep, spacing_s=args.spacing_s,
                                 sample_rate_hz=args.sample_rate_hz)
        audio.write_wav(args.file, turns, args.sample_rate_hz, bits=24, overwrite=args.overwrite)
    except audio.RecordingError as error:
        return common.fail(str(error), common.NOT_WRITTEN)
    except ValueError as error:
        parser.error(str(error))
    print(plain(f"written: {args.file}"))
    for line in _how_to_play(args):
        print(line)
    return common.OK


def _how_to_play(args: argparse.Namespace) -> list[str]:
    """Say in which order it plays, how loud, and how it is recorded."""
    lines = ["", "ORDER  left channel to all mains, right channel to the fill's output, no other"]
    for place, (what, side) in enumerate(_TURNS):
        again = ", once more: it shows the clocks of player and recorder" if place == 2 else ""
        lines.append(f"{place * args.spacing_s:8.1f} s  {what:6} {side:6} sweep of "
                     f"{args.seconds:g} s, {args.low_hz:g} to {args.high_hz:g} Hz{again}")
    lines += [
        f"{3 * args.spacing_s:8.1f} s  end",
        "",
        "DIAL   the delay and trim planned for the fill must be in before this plays: the take is",
        "       read against them.",
        f"LEVEL  peaks {-args.peak_dbfs:g} dB below full scale. Begin with both outputs down, the",
        "       volume of the player too; bring them up until the sweep is as loud at the seat as",
        "       a speaker there (70 to 75 dBA), and leave it: no louder is needed.",
        "EARS   nobody stands near a box while it plays. Above 85 dBA protect hearing; local",
        "       rules decide.",
        "BOXES  keep limiters and the fill's low cut in. A small box need not play the lows:",
        "       begin at its low limit with --low-hz, for both.",
        "TAKE   recorder or phone at the seat, at ear height, on a stand, automatic gain off,",
        "       lossless (WAV, FLAC). Start it 2 s before, stop it 3 s after; do not move.",
        "",
        plain("Then: fillalign take VENUE.toml FILL take.wav --at X,Y --plan SHEET.csv"
              f"{changed_signal(args)}"),
    ]
    return lines


def decay(argv: Sequence[str]) -> int:
    """Read how the room dies away, by octave, from a recording."""
    parser = common.verb_parser(
        "decay", "Read EDT, T20, T30 and C50 by octave from a take of the test signal, a clap or "
        "balloon, or noise that stops; what ISO 3382 would not have is left out, with the reason. "
        "Prints lines for the venue file.", "clap.wav --kind clap --picture decay.svg",
        ("recording", "TAKE.wav", "WAV, or FLAC, OGG, MP3"))
    parser.add_argument("--kind", choices=("sweep", "clap", "noise"), default="sweep",
                        help="what was recorded: the test signal (default), a clap or balloon, "
                             "noise that plays from the start and stops once")
    common.add_options(
        parser, ("--channel", "N", "channel of the microphone, from 1 (default: the loudest)"),
        ("--picture", "FILE.svg", "draw the decay by octave"),
        ("--overwrite", "", "replace the picture if there"),
        ("--json", "", "print numbers as JSON"))
    add_signal(parser)
    args = parser.parse_args(argv)
    common.check_picture(parser, args.picture)
    take = audio.read_recording(args.recording)
    try:
        samples = _dying(take, args)
        return _told_decay(samples, take.sample_rate_hz, args)
    except ValueError as error:
        return common.fail(f"{short(args.recording)}: {error}", common.BAD_VENUE)


def _dying(take: audio.Recording, args: argparse.Namespace) -> FloatArray:
    """Return the impulse response up to the next turn, or the clap or noise as it is."""
    rate = take.sample_rate_hz
    heard = take.samples[:, take.channel(args.channel, "--channel") - 1]
    if args.kind != "sweep":
        return heard
    if take.seconds < args.seconds:
        raise ValueError(f"too short: the recording lasts {take.seconds:.2f} s, the sweep "
                         f"{args.seconds:g} s")
    response = audio.impulse_response(heard, sweep_of(args, rate), rate)
    size = np.abs(response)
    # The mains play first; what distortion puts ahead of them is far softer.
    start = max(0, int(np.argmax(size > 0.25 * size.max())) - round(_MARGIN_S * rate))
    # The next sweep's distortion, up to the fifth harmonic, comes so much ahead of it (Farina).
    ahead_s = args.seconds * np.log(5.0) / np.log(args.high_hz / args.low_hz)
    end = start + round((args.spacing_s - ahead_s) * rate)
    # Behind its last sweep a recording holds the room only as far as it goes on.
    return response[start : min(end, response.size - round(args.seconds * rate))]


def _told_decay(samples: FloatArray, rate: int, args: argparse.Namespace) -> int:
    """Print what is read of a decay, and draw it if asked for."""
    read = audio.decay_times(samples, rate, interrupted=args.kind == "noise")
    if args.picture is not None:
        from fillalign import plots

        picture = plots.page_picture(
            lambda ax: plots.decay_plot(read, ax=ax), (7.0, 3.0),
            "Level of the sound still to come, by octave, with the part each time is read from.")
        common.write({Path(args.picture): picture}, overwrite=args.overwrite, quiet=args.json)
    if args.json:
        print(json.dumps({str(octave): _numbers(each) for octave, each in read.items()}))
    else:
        _print_decay(read)
    early = [each.c50_db for each in read.values() if each.c50_db is not None]
    why = None
    if all(each.rt60_s is None for each in read.values()):
        why = "tells no decay as a"
    elif early and max(early) < _LEAST_C50_DB:
        why = (f"C50 is {max(early):.0f} dB at most, and a decay of 20 s has {_LEAST_C50_DB:g}: "
               "is no")
    if why is not None:
        return common.fail(f"{short(args.recording)}: {why} {_NAMES[args.kind]}. If it is "
                           "something else, name it with --kind", common.NOTHING_SURE)
    if not args.json:
        lines = audio.decay_toml(read).partition("\n")[2]
        print(f"\nIn the venue file, replace the rt60_s line under [state.check] by:\n{lines}",
              end="")
    return common.OK


def _numbers(each: audio.OctaveDecay) -> dict[str, object]:
    names = ("edt_s", "t20_s", "t30_s", "c50_db", "rt60_s", "noise_margin_db", "correlation", "why")
    return {name: getattr(each, name) for name in names}


def _print_decay(read: Mapping[int, audio.OctaveDecay]) -> None:
    def shown(value: float | None, form: str) -> str:
        return "-" if value is None else format(value, form)

    print("octave    EDT    T20    T30     C50    noise below")
    print("    Hz      s      s      s      dB             dB")
    for octave, each in read.items():
        print(f"{octave:6}{shown(each.edt_s, '.2f'):>7}{shown(each.t20_s, '.2f'):>7}"
              f"{shown(each.t30_s, '.2f'):>7}{shown(each.c50_db, '+.1f'):>8}"
              f"{each.noise_margin_db:15.0f}")
    for octave, each in read.items():
        reasons: dict[str, list[str]] = {}
        for name, why in each.why.items():
            reasons.setdefault(why, []).append(name.upper())
        told = "; ".join(f"{', '.join(names)}: {why}" for why, names in reasons.items())
        if told:
            print(f"{octave} Hz, {told}")
