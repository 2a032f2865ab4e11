"""One file to weigh and what is known of it.

A generator yields `Case`s; `make_masters.py` calls `write`, adds the paths and puts the rest into `labels.json`.
"""
from dataclasses import dataclass, field
from typing import Callable, Optional


@dataclass
class Case:
    name: str
    write: Callable[[str], None]
    did: str
    kind: str = "honest"
    fault: Optional[str] = None             # a key of expected.EXPECTED
    params: dict = field(default_factory=dict)
    place: Optional[tuple] = None           # seconds, start and end
    part: Optional[list] = None             # names that a person would take for the part, any of them
    profile: str = "stereo-music"
    mix: object = "own"                     # "own", None or the path of another mix
    control: Optional[str] = None           # the same file without the fault
    alone: bool = False                     # also weigh without its mix
    arguments: list = field(default_factory=list)


def channel_part(index):
    """How a person may call a channel of a stereo file."""
    return [["M+030", "ch 1", "left"], ["M-030", "ch 2", "right"]][index]


def object_part(master, name):
    """How a person may call an object: its name, its track, its audioObjectID."""
    track = master.track(name)
    names = [name, "track %d" % (track + 1), "ch %d" % (track + 1)]
    if name in [i.name for i in master.items]:
        names.append("AO_%04x" % (0x1001 + bool(master.bed) + track - len(master.bed)))
    return names
