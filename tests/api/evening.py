"""A whole evening for tests: a site, `gloaming run` as a process, and independent readers."""

from __future__ import annotations

import json
import math
import os
import signal
import struct
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile.source import lay_out
from gloaming.shows.framefile.writer import FrameWriter
from tests.daemon.numbered import LATE_FRAMES
from tests.namespaces import inside, namespaces
from tests.waiting import PATIENCE_S, wait_until

READER = Path(__file__).with_name("sacn_reader.py")
RECORD = struct.Struct("<QHB512s")
RECORD_BYTES = RECORD.size
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"

[neighbours]
dark = [{{ days = "daily", from = "{dark_from}", to = "{dark_to}" }}]

[output]
interface = "{interface}"
fade = "{fade}"
source_name = "Pier Road boathouse"
priority = 120

[phone]
listen = "127.0.0.1:0"

[[piece]]
name = "numbers"
frames = "pieces/numbers.frames"

[[show]]
name = "evening"
order = ["numbers"]

[[performance]]
show = "evening"
from = "{opens}"
to = "{closes}"
"""


@dataclass(frozen=True)
class Seen:
    """One packet from the `sacn` library's receiver."""

    at_ns: int
    universe: int
    sequence: int
    slots: bytes

    @property
    def number(self) -> int:
        """The frame number that `numbered` writes into the first four slots."""
        return int.from_bytes(self.slots[:4], "big")

    @property
    def black(self) -> bool:
        return not any(self.slots)


def numbered(frames: int, slots: int = 12) -> npt.NDArray[np.uint8]:
    """Frames that carry their number, from 1, in the first four slots, and light in the others."""
    array = np.full((frames, slots), 200, np.uint8)
    array[:, :4] = np.arange(1, frames + 1, dtype=">u4").view(np.uint8).reshape(frames, 4)
    return array


def changes(rows: list[bytes]) -> list[bytes]:
    """Without what merely repeats what stands before it: the receiver hands over changes alone."""
    return [row for at, row in enumerate(rows) if at == 0 or row != rows[at - 1]]


def check_cycle(got: list[bytes], cycle: list[bytes]) -> None:
    """What was received is a piece that repeats: in order, byte for byte, from any frame on, at least once. A machine
    that pauses may leave out a second of it."""
    once, wanted = len(changes(cycle)), changes(cycle * 3)
    begins = [at for at in range(once) if wanted[at] == got[0]]
    assert begins and min(_left_out(got, wanted[at : 2 * once], once) for at in begins) <= LATE_FRAMES


def _left_out(got: list[bytes], wanted: list[bytes], least: int) -> float:
    """How many rows of `wanted` were not received; endless where another row was, or fewer than `least` in all."""
    place = left_out = 0
    for row in got:
        if place == len(wanted):
            break
        coming = wanted[place : place + LATE_FRAMES + 1]
        if row not in coming:
            return math.inf
        left_out += coming.index(row)
        place += coming.index(row) + 1
    return left_out if place >= least else math.inf


def gloaming(*args: str | Path, **more: Any) -> subprocess.CompletedProcess[str]:
    """The `gloaming` command, to its end."""
    command = [sys.executable, "-m", "gloaming.api.cli.main", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, **more)


@dataclass
class Evening:
    """A site in a folder, and `gloaming run` on it; in a network namespace, where one is named."""

    folder: Path
    host: str | None
    universes: str
    namespace: str | None = None
    offset_ns: int = 0
    env: dict[str, str] = field(default_factory=dict, init=False)
    """More variables of the environment."""
    readers: int = field(default=0, init=False)
    process: subprocess.Popen[str] | None = field(default=None, init=False)

    @property
    def state(self) -> Path:
        return self.folder / "state"

    def within(self) -> tuple[str, ...]:
        """The words before a command."""
        return ("ip", "netns", "exec", self.namespace) if self.namespace else ()

    def write(
        self,
        frames: npt.NDArray[np.uint8],
        fps: str = "40",
        opens: str = "12:00",
        closes: str = "06:00",
        dark_from: str = "06:30",
        dark_to: str = "07:00",
        interface: str = "lo",
        fade: str = "0.2 s",
    ) -> None:
        """Write the site's files."""
        (self.folder / "pieces").mkdir(parents=True, exist_ok=True)
        universes = lay_out(self.universes, frames.shape[1])
        with FrameWriter(self.folder / "pieces" / "numbers.frames", Fraction(fps), universes) as writer:
            writer.write(frames)
        host = f'host = "{self.host}"\n' if self.host else ""
        (self.folder / "rig.toml").write_text(
            f'[[controller]]\nname = "left"\n{host}universes = "{self.universes}"\n', encoding="utf-8"
        )
        hours = {"opens": opens, "closes": closes, "dark_from": dark_from, "dark_to": dark_to}
        text = SITE.format(interface=interface, fade=fade, **hours)
        (self.folder / "site.toml").write_text(text, encoding="utf-8")
        self.move_to("2026-12-01T18:00")

    def move_to(self, local: str) -> None:
        """Move the evening's clock to a local instant of the site."""
        at = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/London"))
        self.offset_ns = int(at.timestamp() * 1e9) - time.time_ns()

    @contextmanager
    def running(self) -> Iterator[Evening]:
        """`gloaming run`, ended with SIGTERM."""
        self.start()
        try:
            yield self
        except BaseException:
            for pid, line in _processes():
                if str(self.folder) in line:
                    os.kill(pid, signal.SIGKILL)
            raise
        self.stop()

    def start(self) -> None:
        env = {**os.environ, "GLOAMING_CLOCK_OFFSET_NS": str(self.offset_ns), **self.env}
        command = [*self.within(), sys.executable, "-m", "gloaming.api.cli.main", "run", str(self.folder)]
        for name in ("address", "token"):
            (self.state / name).unlink(missing_ok=True)
        self.process = subprocess.Popen(command, env=env, text=True)

    def stop(self) -> None:
        assert self.process
        self.process.terminate()
        assert self.process.wait(PATIENCE_S) == 0

    def kill_everything(self) -> None:
        """Kill the supervisor and both its children at once, as a power cut does."""
        assert self.process
        # the transmitter first: it would end its streams when the supervisor is gone
        pids = [self.pid("transmitter"), self.pid("planner"), self.process.pid]
        for pid in pids:
            os.kill(pid, signal.SIGKILL)
        self.process.wait(PATIENCE_S)
        wait_until(lambda: not any(_lives(pid) for pid in pids), "an end of every process")

    def pid(self, which: str) -> int:
        """The process that is the planner, or the transmitter."""
        assert self.process
        word = {"planner": "gloaming.api.serve", "transmitter": "daemon.transmitter"}[which]

        def find() -> int | None:
            found = [pid for pid, line in _processes() if word in line and str(self.state) in line]
            return found[0] if found else None

        return int(wait_until(find, f"a {which}"))

    def ask(self, method: str, path: str, body: object = None) -> tuple[int, Any]:
        """One request with the local token; the status and the answer."""
        address, token = (self.state / "address").read_text().strip(), (self.state / "token").read_text().strip()
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/json"}
        request = urllib.request.Request(f"{address}{path}", data, headers, method=method)
        try:
            with inside(self.namespace), urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            return error.code, json.load(error)

    def now(self) -> dict[str, Any]:
        """`/api/now`, as soon as the planner answers."""

        def answer() -> dict[str, Any] | None:
            try:
                status, body = self.ask("GET", "/api/now")
            except OSError:
                return None
            assert status in (200, 429), body  # whoever asks too often in a row is asked to wait
            return dict(body) if status == 200 else None

        return dict(wait_until(answer, "an answer of the planner"))

    @contextmanager
    def reader(self, address: str, way: str = "unicast") -> Iterator[Reader]:
        """The `sacn` library's receiver, in its own process."""
        self.readers += 1
        path = self.folder / f"seen-{self.readers}"
        first, _, last = self.universes.partition("-")
        universes = [str(number) for number in range(int(first), int(last or first) + 1)]
        command = [*self.within(), sys.executable, str(READER), str(path), address, way, *universes]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout
            assert process.stdout.readline() == "ready\n"
            yield Reader(path)


@contextmanager
def evening_apart(folder: Path, host: str | None, universes: str) -> Iterator[Evening]:
    """An evening in its own network namespace, with multicast on loopback."""
    with namespaces("evening") as (name,):
        for words in ("link set lo multicast on", "route add 239.0.0.0/8 dev lo"):
            subprocess.run(["ip", "-n", name, *words.split()], check=True)
        yield Evening(folder, host, universes, name)


@dataclass
class Reader:
    """The packets that a reader has written so far."""

    path: Path
    known: list[Seen] = field(default_factory=list)

    def seen(self) -> list[Seen]:
        with self.path.open("rb") as file:
            file.seek(len(self.known) * RECORD_BYTES)
            data = file.read()
        self.known += (Seen(*record) for record in RECORD.iter_unpack(data[: len(data) // RECORD_BYTES * RECORD_BYTES]))
        return self.known.copy()

    def lit(self) -> list[Seen]:
        return [seen for seen in self.seen() if not seen.black]

    def wait_for(self, true: Callable[[list[Seen]], object], what: str, patience_s: float = PATIENCE_S) -> list[Seen]:
        """Wait until the packets satisfy a condition; all packets."""
        wait_until(lambda: true(self.seen()), what, patience_s)
        return self.seen()


def _processes() -> Iterator[tuple[int, str]]:
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with suppress(OSError):  # it may have ended meanwhile
                yield int(folder.name), (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()


def _lives(pid: int) -> bool:
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False
