"""The command line: python -m fillalign."""

from __future__ import annotations

import signal

if __name__ == "__main__" and signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    # An interrupt ends the process at once and without a word, also while it still loads.
    signal.signal(signal.SIGINT, signal.SIG_DFL)

import os
import sys
from collections.abc import Sequence

from fillalign.commands import INTERRUPTED, NOT_WRITTEN, OK, answer, fail


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : sequence of str, optional
        The arguments; those of the process by default.

    Returns
    -------
    int
        The exit code; see the help.

    Examples
    --------
    >>> main(["--main-m", "41", "--fill-m", "15", "--temperature-c", "24"])  # doctest: +ELLIPSIS
    Air           24.0 C, 50 %, 101.3 kPa: sound travels 346.5 m/s
    Delay         75.04 ms = 3602 samples at 48 kHz = 26.00 m = 85.3 ft
    ...
    """
    return answer(list(sys.argv[1:] if argv is None else argv))


def run() -> int:
    """Run the command as a process: its streams, its signals, its exit code."""
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w")
    if sys.stdout is None:
        return fail("the output cannot be written, there is none", NOT_WRITTEN)
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a letter of a name shows its code instead of failing.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = main()
        sys.stdout.flush()
    except KeyboardInterrupt:
        return INTERRUPTED
    except OSError as error:
        # The interpreter must not flush again what cannot be written.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):
            # Whoever read us has seen enough.
            return OK
        return fail(f"the output cannot be written, {error.strerror}", NOT_WRITTEN)
    return code


if __name__ == "__main__":
    sys.exit(run())
