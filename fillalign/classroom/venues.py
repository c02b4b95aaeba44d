"""The demo venues and sounds, found from any folder, read and planned once a kernel."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from fillalign.classroom.questions import one_of
from fillalign.planning import plan_fills
from fillalign.venue import DEMO_VENUES, read_venue

if TYPE_CHECKING:
    from fillalign.audio import Recording
    from fillalign.planning import FillPlan
    from fillalign.venue import Venue


def data_path(name: str) -> Path:
    """Return where a file of the series' `data` folder is.

    Looked for beside the package, then in the working folder and those above.

    Parameters
    ----------
    name : str
        File name, such as `"tidewell_hall.toml"`.

    Raises
    ------
    FileNotFoundError
        If no `data` folder holds it.

    Examples
    --------
    >>> data_path("voice.wav").name
    'voice.wav'
    """
    here = Path.cwd()
    for folder in (Path(__file__).resolve().parents[2], here, *here.parents):
        path = folder / "data" / name
        if path.is_file():
            return path
    raise FileNotFoundError(
        f"no data/{name} beside the package or above {here}: open the notebooks from the "
        "project's own folder"
    )


@cache
def demo_venue(name: str) -> Venue:
    """Return a demo venue, by one of the names of `DEMO_VENUES`.

    Examples
    --------
    >>> demo_venue("lantern_room").name
    'Lantern Room'
    """
    return read_venue(data_path(f"{one_of('venue', name, DEMO_VENUES)}.toml"))


@cache
def demo_plan(name: str) -> FillPlan:
    """Return the plan of a demo venue, computed once a kernel.

    Examples
    --------
    >>> demo_plan("lantern_room").fills[0].sounding
    False
    """
    return plan_fills(demo_venue(name))


@cache
def demo_sound(name: str) -> Recording:
    """Return a sound to listen with, such as voice, reading_1 or clap, at 48 kHz.

    Examples
    --------
    >>> demo_sound("clap").sample_rate_hz
    48000
    """
    from fillalign.audio import DEMO_SOUNDS, Recording, read_demo_sound

    sound = read_demo_sound(one_of("sound", name, DEMO_SOUNDS), sample_rate_hz=48000)
    return Recording(sound.samples[:, None], 48000)
