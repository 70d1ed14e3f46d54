"""A zone's dark hours and its light on the wire: a transmitter process, read by the `sacn` library's receiver."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import dropwhile
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests.api.sacn_reader import RECORD
from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    TransmitterProcess,
    moving,
    running_transmitter,
    segment,
    universe,
    write_frames,
)
from tests.places import TOP
from tests.waiting import wait_until

HOST = "127.0.44.61"
ROOF, PATH = slice(0, 90), slice(90, 180)
FRAME_NS = SECOND_NS // 40
RULE = "the roof sleeps"


class Seen(NamedTuple):
    """What the receiver handed over: it reports each change."""

    at_ns: int
    slots: bytes

    @property
    def roof(self) -> int:
        return max(self.slots[ROOF])

    @property
    def path_lit(self) -> bool:
        return min(self.slots[PATH]) > 0


@contextmanager
def receiver(file: Path) -> Iterator[None]:
    command = [sys.executable, str(TOP / "tests/api/sacn_reader.py"), str(file), HOST, "unicast", "1"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout and process.stdin and process.stdout.readline() == "ready\n"
        yield
        process.stdin.close()


def seen(file: Path) -> list[Seen]:
    data = file.read_bytes()
    whole = len(data) // RECORD.size * RECORD.size
    return [Seen(at_ns, slots) for at_ns, _, _, slots in RECORD.iter_unpack(data[:whole])]


def perform(transmitter: TransmitterProcess, film: Path, begin_ns: int, offset_ns: int, held_ns: int | None) -> None:
    """What a planner sends: the roof is dark for an hour from `begin_ns` on, yet the score has light in every slot.

    `held_ns` is until when the planner holds that window, by the monotonic clock.
    """
    window = [begin_ns, begin_ns + 3600 * SECOND_NS, 0.0, 1.0, RULE, [[1, 1, 90]]]
    held = [] if held_ns is None else [[held_ns, *window[2:]]]
    known = {"from_ns": begin_ns - 10**14, "until_ns": begin_ns + 10**14, "rig_checks": []}
    transmitter.setup([universe(1, HOST, slots=180)])
    transmitter.send(op="windows", windows=[window], rules=[RULE], held=held, **known)
    shown = segment(begin_ns - 10**14, begin_ns + 10**14, **moving(film, 200))
    transmitter.score(shown, offset_ns=offset_ns)


def test_the_roof_is_black_from_its_second_on_and_the_path_lit_whatever_dies_and_whatever_the_score(
    tmp_path: Path,
) -> None:
    frames = np.random.default_rng(3).integers(50, 256, (200, 180), dtype=np.uint8)
    film, file = write_frames(tmp_path / "film.frames", frames, slots=180), tmp_path / "seen"
    offset_ns = time.time_ns() - time.monotonic_ns()
    begin_ns = (time.time_ns() // SECOND_NS + 4) * SECOND_NS
    dark_ns = begin_ns - offset_ns
    with receiver(file):
        with running_transmitter(tmp_path) as transmitter:
            perform(transmitter, film, begin_ns, offset_ns, None)
            wait_until(lambda: len(seen(file)) > 20, "frames")
            transmitter.sock.close()  # the planner is killed
            time.sleep(max(0, dark_ns - time.monotonic_ns()) / SECOND_NS + 2)
            transmitter.process.send_signal(signal.SIGKILL)
            transmitter.process.wait()
        killed = len(seen(file))
        with running_transmitter(tmp_path) as transmitter:
            perform(transmitter, film, begin_ns, offset_ns, dark_ns + 3600 * SECOND_NS)
            wait_until(lambda: len(seen(file)) > killed + 40, "frames of the new transmitter")
            forged = len(seen(file))
            earlier_ns = offset_ns - 7200 * SECOND_NS  # by these scores it is two hours earlier
            perform(transmitter, film, begin_ns, earlier_ns, None)
            own = segment(begin_ns - 10**14, begin_ns + 10**14, look=255)
            areas = [{"spans": [[1, 1, 180]], "segments": [own]}]
            transmitter.score(own, id=2, offset_ns=earlier_ns, areas=areas)
            wait_until(lambda: seen(file)[-1].slots[PATH] == bytes([255] * 90), "the forged score")
            transmitter.end()
    found = seen(file)
    first, second = lit(found[:killed]), lit(found[killed:forged])
    before = [one for one in first if one.at_ns < dark_ns - FRAME_NS]
    assert len(before) > 20 and all(one.roof > 0 for one in before)
    after = [one for one in found if one.at_ns > dark_ns + FRAME_NS]
    assert not any(one.roof for one in after), "the roof is black from the second on"
    black_ns = next(one.at_ns for one in first if not one.roof)
    print(f" [black {(black_ns - dark_ns) / 1e6:+.2f} ms after the second]", end="")
    assert abs(black_ns - dark_ns) <= FRAME_NS
    assert all(one.path_lit for one in (*first, *second)), "the path is lit without a break"
    assert len(first) - len(before) >= 60 and len(second) >= 35


def lit(found: list[Seen]) -> list[Seen]:
    """What came from the first light on: a transmitter sends black until it has a score."""
    return list(dropwhile(lambda one: not one.path_lit, found))
