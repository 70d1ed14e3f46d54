"""An evening of the house and a loop of the path, with drawn overrides over HTTP: real processes.

Each packet that the `sacn` library's receiver hands over is compared with what `decide_areas` has for its instant.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from functools import cache
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from gloaming.daemon.direction.areas import decide_areas
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.shows.framefile.reader import Universe
from gloaming.shows.framefile.writer import FrameWriter
from tests.api.evening import Evening, Reader, Seen, evening_apart

FPS, SLOTS = 10, 12
SECOND_NS, FRAME_NS = 10**9, 10**9 // FPS
LATE_FRAMES = FPS
"""How far behind `decide` a packet may be seen on a busy machine: a second. A wrong place is off by much more."""
ROOF, PATH = 1, 2
SLEEPS = datetime(2026, 12, 1, 18, tzinfo=ZoneInfo("Europe/London"))
FRAMES = {"tide": 230, "bells": 170, "loop": 90}
RIG = """[[controller]]
name = "left"
universes = "1-2"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 4
group = "roof"

[[string]]
name = "gate"
controller = "left"
universe = 2
pixels = 4
group = "path"
"""
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"

[neighbours]
dark = [{{ zone = "roof", from = "18:00", to = "18:20" }}]

[output]
interface = "lo"
fade = "0 s"

[phone]
listen = "127.0.0.1:0"

{pieces}
[[show]]
name = "evening"
order = ["tide", "bells"]

[[show]]
name = "loop"
order = ["loop"]

[[performance]]
show = "evening"
from = "12:00"
to = "06:00"

[[performance]]
show = "loop"
zone = "path"
from = "12:00"
to = "06:00"
rank = 1
"""
ASKED: tuple[dict[str, object], ...] = (
    {"kind": "dark"},
    {"kind": "dark", "zone": "roof"},
    {"kind": "dark", "zone": "gate"},
    {"kind": "dim", "zone": "path"},
    {"kind": "dim"},
    {"kind": "pause"},
    {"kind": "call", "zone": "roof", "show": "loop"},
    {"kind": "call", "zone": "path", "show": "evening"},
    {"kind": "out-of-service", "zone": "ridge"},
)


def pictures() -> dict[str, npt.NDArray[np.uint8]]:
    """Each piece: no two of its frames are alike, and none is black."""
    numbers = np.random.default_rng(5)
    return {name: numbers.integers(120, 256, (count, 2 * SLOTS), np.uint8) for name, count in FRAMES.items()}


@contextmanager
def drawn_evening(folder: Path, sleeps_in_s: int) -> Iterator[tuple[Evening, Reader]]:
    """The evening as it runs. The roof's dark hours begin at 18:00 by its clock, so many seconds later."""
    with evening_apart(folder / "site", None, "1-2") as evening:
        (evening.folder / "pieces").mkdir(parents=True)
        for name, frames in pictures().items():
            universes = [Universe(number, SLOTS, (number - 1) * SLOTS) for number in (ROOF, PATH)]
            with FrameWriter(evening.folder / f"pieces/{name}.frames", Fraction(FPS), universes) as writer:
                writer.write(frames)
        tables = "".join(f'[[piece]]\nname = "{name}"\nframes = "pieces/{name}.frames"\n\n' for name in FRAMES)
        (evening.folder / "site.toml").write_text(SITE.format(pieces=tables), encoding="utf-8")
        (evening.folder / "rig.toml").write_text(RIG, encoding="utf-8")
        evening.move_to(f"{SLEEPS - timedelta(seconds=sleeps_in_s):%Y-%m-%dT%H:%M:%S}")
        with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
            evening.now()
            reader.wait_for(lambda seen: {one.universe for one in seen if not one.black} == {ROOF, PATH}, "light")
            yield evening, reader


def ask_at_random(evening: Evening, chance: Random) -> None:
    """End an override that holds, or ask for another one; a refusal is an answer too."""
    standing = evening.now()["overrides"]
    if standing and chance.random() < 0.5:
        status, _ = evening.ask("DELETE", f"/api/overrides/{chance.choice(standing)['id']}")
    else:
        asked = dict(chance.choice(ASKED))
        if asked["kind"] == "dim":
            asked["level"] = chance.choice((0.25, 0.5, 0.8))
        status, _ = evening.ask("POST", "/api/overrides", {**asked, "minutes": chance.choice((0.2, 0.5, 2))})
    assert status in (200, 201, 404, 409), status


def roof_sleeps_ns(evening: Evening) -> int:
    """When the roof's dark hours begin, by the monotonic clock."""
    sleeps_ns = int(SLEEPS.timestamp()) * SECOND_NS
    return sleeps_ns - evening.offset_ns - (time.time_ns() - time.monotonic_ns())


def kill(evening: Evening, which: str) -> int:
    """Kill the planner or the transmitter, as an accident does; the monotonic instant."""
    os.kill(evening.pid(which), signal.SIGKILL)
    return time.monotonic_ns()


def overrides_of(evening: Evening, copy: Path) -> tuple[Override, ...]:
    """The overrides as they lie on the disk."""
    copy.mkdir()
    with (
        closing(sqlite3.connect(f"file:{evening.state / 'state.db'}?mode=ro", uri=True)) as there,
        closing(sqlite3.connect(copy / "state.db")) as here,
    ):
        there.backup(here)
    return Store(copy, time.time_ns()).overrides(0)


def wrong_packets(
    evening: Evening, packets: list[Seen], overrides: tuple[Override, ...], gaps: list[tuple[int, int]]
) -> list[str]:
    """The packets that show what `decide_areas` has at no instant of the second before them, by what was known then.

    Within `gaps` (monotonic, while a transmitter starts), and before the first light, a packet may be black as well.
    """
    site, found = load_site(evening.folder), pictures()
    offset_ns = time.time_ns() - time.monotonic_ns() + evening.offset_ns
    changes = sorted({at for one in overrides for at in (one.at_ns, one.end_ns)})
    lit = [one for one in packets if not one.black]
    lit_ns = max(next(one.at_ns for one in lit if one.universe == number) for number in (ROOF, PATH))

    @cache
    def wanted(at_ns: int, known_ns: int) -> dict[int, bytes]:
        return _slots(at_ns, site, _known_at(known_ns, overrides), found)

    def is_right(packet: Seen) -> bool:
        newest_ns = (packet.at_ns + offset_ns) // FRAME_NS * FRAME_NS + FRAME_NS
        oldest_ns = newest_ns - (LATE_FRAMES + 2) * FRAME_NS
        changed = [at_ns for at_ns in changes if oldest_ns < at_ns <= newest_ns]
        known = [newest_ns, *(at_ns - 1 for at_ns in changed)]
        return any(
            wanted(at_ns, known_ns)[packet.universe] == packet.slots[:SLOTS]
            for known_ns in known
            for at_ns in (*range(newest_ns, oldest_ns, -FRAME_NS), *changed)  # a frame is sent again at another level
        )

    wrong = []
    for packet in packets:
        starting = any(begin_ns <= packet.at_ns < end_ns for begin_ns, end_ns in [(0, lit_ns), *gaps])
        if not (starting and packet.black) and not is_right(packet):
            at = datetime.fromtimestamp((packet.at_ns + offset_ns) / 1e9, site.timezone)
            wrong.append(f"{at:%H:%M:%S.%f}, universe {packet.universe}: {packet.slots[:SLOTS].hex()}")
    return wrong


def _known_at(at_ns: int, overrides: tuple[Override, ...]) -> tuple[Override, ...]:
    """The overrides as they were known at an instant: later ones, and later ends, were not."""
    return tuple(
        replace(one, ended_ns=None) if one.ended_ns is not None and one.ended_ns > at_ns else one
        for one in overrides
        if one.at_ns <= at_ns
    )


def _slots(
    at_ns: int, site: Site, overrides: tuple[Override, ...], found: dict[str, npt.NDArray[np.uint8]]
) -> dict[int, bytes]:
    decisions = decide_areas(at_ns, site, overrides)
    slots = {}
    for universe in (ROOF, PATH):
        here = [one for area, one in decisions.areas if any(number == universe for number, _, _ in area.spans)]
        mine = here[0] if here else decisions.rest
        if mine.piece is None or mine.frame is None or not mine.brightness:
            slots[universe] = bytes(SLOTS)
        else:
            frame = found[mine.piece][mine.frame, (universe - 1) * SLOTS : universe * SLOTS]
            slots[universe] = (
                ((frame.astype(np.uint32) * int(mine.brightness * 256) + 127) >> 8).astype(np.uint8).tobytes()
            )
    return slots
