"""`python -m tests.bench.upload [MEGABYTES]`: an upload to a board that plays 96 universes, broken five times.

The upload (2000 MB) is broken at drawn places by a reset of the connection, and goes on from the offset that the board
tells. Meanwhile the transmitter's counters are read. Then the playing piece is replaced ten times. Figures: the growth
of the planner's memory as a share of the file and of what is allowed, and frames that were missed as a share of those
before, when nobody uploads anything.
"""

from __future__ import annotations

import base64
import hashlib
import http.client
import json
import os
import random
import socket
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.api.house import offset_to
from tests.waiting import wait_until

MB = 1_000_000
GROWTH_MB = 20
"""What the planner's memory may grow by."""
UNIVERSES = 96
HOSTS = [f"127.0.50.{number}" for number in range(1, 5)]
TUS = {"Tus-Resumable": "1.0.0"}
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
[output]
interface = "lo"
[phone]
listen = "127.0.0.1:0"
announce = false
[[piece]]
name = "tide"
frames = "tide.frames"
[[piece]]
name = "lanterns"
frames = "lanterns.frames"
[[show]]
name = "evening"
order = ["tide", "lanterns"]
[[performance]]
show = "evening"
from = "17:00"
to = "23:30"
"""


@dataclass
class UploadBoard:
    """`gloaming run` on a site of 96 universes."""

    site: Path
    process: subprocess.Popen[bytes]

    def connect(self) -> http.client.HTTPConnection:
        host, _, port = (self.site / "state" / "address").read_text().strip().rpartition("/")[2].partition(":")
        return http.client.HTTPConnection(host, int(port), timeout=120)

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> http.client.HTTPResponse:
        connection = self.connect()
        token = (self.site / "state" / "token").read_text().strip()
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        connection.request(method, path, body, {"Authorization": f"Bearer {token}", **TUS, **named})
        return connection.getresponse()

    def get(self, path: str) -> Any:
        return json.load(self.ask("GET", path))

    def create(self, name: str, length: int) -> str:
        """Begin an upload. Its path."""
        metadata = f"filename {base64.b64encode(name.encode()).decode()}"
        made = self.ask("POST", "/api/setup/uploads", Upload_Length=str(length), Upload_Metadata=metadata)
        assert made.status == 201, made.read()
        return made.headers["Location"]

    @property
    def planner(self) -> int | None:
        """The planner's process."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        found = (one for one in children if b"gloaming.api.serve" in Path(f"/proc/{one}/cmdline").read_bytes())
        return next(map(int, found), None)

    @property
    def frames(self) -> dict[str, int]:
        """The transmitter's counters."""
        found = self.get("/api/now")["health"]["transmitter"] or {}
        return {key: found.get(f"frames_{key}", 0) for key in ("due", "sent", "late", "dropped", "unread")}

    def memory_mb(self, key: str) -> float:
        """A figure of the planner's memory from /proc (proc(5))."""
        lines = dict(line.split(":", 1) for line in Path(f"/proc/{self.planner}/status").read_text().splitlines())
        return int(lines[key].split()[0]) * 1024 / MB


def write_frames(path: Path, seed: int, seconds: int) -> None:
    """Noise, which no compressor makes smaller."""
    layout = tuple(Universe(number + 1, 510, 510 * number) for number in range(UNIVERSES))
    rng = np.random.default_rng(seed)
    with FrameWriter(path, Fraction(40), layout, crash_safe=False) as writer:
        for _ in range(seconds):
            writer.write(rng.integers(0, 256, (40, 510 * UNIVERSES), np.uint8))


@contextmanager
def upload_board(folder: Path, seconds: int = 20) -> Iterator[UploadBoard]:
    """A board in the middle of its evening, with sockets for its packets."""
    folder.mkdir(parents=True)
    (folder / "site.toml").write_text(SITE)
    each = UNIVERSES // len(HOSTS)
    (folder / "rig.toml").write_text(
        "".join(
            f'[[controller]]\nname = "box {place}"\nhost = "{host}"\nuniverses = "{first}-{first + each - 1}"\n'
            for place, host in enumerate(HOSTS)
            for first in [place * each + 1]
        )
    )
    for seed, name in enumerate(("tide", "lanterns")):
        write_frames(folder / f"{name}.frames", seed, seconds)
    with ExitStack() as stack:
        for host in HOSTS:
            sock = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            sock.bind((host, 5568))
        env = {**os.environ, "GLOAMING_CLOCK_OFFSET_NS": str(offset_to("2026-12-12T18:00"))}
        log = stack.enter_context((folder / "log").open("wb"))
        command = [sys.executable, "-m", "gloaming.api.cli.main", "run", str(folder)]
        process = subprocess.Popen(command, stdout=log, stderr=log, env=env)
        board = UploadBoard(folder, process)
        try:
            wait_until((folder / "state" / "address").exists, "an address")
            wait_until(lambda: board.frames["sent"] > 80, "frames")
            yield board
        finally:
            process.terminate()
            process.wait(60)


class Blocks:
    """A file of noise that is made again for each offset: nothing of it is stored."""

    def __init__(self, length: int, seed: int) -> None:
        self.length, self._seed = length, seed

    def block(self, number: int) -> bytes:
        return random.Random(self._seed * 1_000_003 + number).randbytes(min(MB, self.length - number * MB))

    def since(self, offset: int) -> Iterator[bytes]:
        for number in range(offset // MB, -(-self.length // MB)):
            data = self.block(number)
            yield data[max(0, offset - number * MB) :]

    def digest(self) -> str:
        whole = hashlib.sha256()
        for data in self.since(0):
            whole.update(data)
        return whole.hexdigest()


def send(board: UploadBoard, at: str, blocks: Blocks, breaks: list[int], until_broken: bool = False) -> int:
    """Send a file, broken at these places. Returns how often it was continued. `until_broken`: only to the first."""
    continued = 0
    while (offset := int(board.ask("HEAD", at).headers["Upload-Offset"])) < blocks.length:
        until = next((place for place in breaks if place > offset), None)
        breaks = [place for place in breaks if place > offset and place != until]
        connection = board.connect()
        connection.putrequest("PATCH", at)
        token = (board.site / "state" / "token").read_text().strip()
        headers = {"Authorization": f"Bearer {token}", **TUS, "Upload-Offset": str(offset)}
        headers |= {"Content-Type": "application/offset+octet-stream", "Content-Length": str(blocks.length - offset)}
        for name, value in headers.items():
            connection.putheader(name, value)
        connection.endheaders()
        sent = offset
        for data in blocks.since(offset):
            part = data if until is None else data[: until - sent]
            connection.send(part)
            sent += len(part)
            if sent == until:
                # SO_LINGER of 0: the connection is reset (socket(7)), as when a cable is pulled
                connection.sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                connection.close()
                continued += 1
                time.sleep(0.5)
                if until_broken:
                    return continued
                break
        else:
            answer = connection.getresponse()
            assert answer.status == 204, answer.read()
            connection.close()
    return continued


@dataclass(frozen=True)
class Figures:
    """What an upload did."""

    equal: bool
    continued: int
    seconds: float
    resident_mb: float
    highest_mb: float
    quiet: dict[str, int]
    during: dict[str, int]


def counted(before: dict[str, int], after: dict[str, int]) -> dict[str, int]:
    return {key: after[key] - before[key] for key in before}


def measure(board: UploadBoard, megabytes: int, quiet_s: float, seed: int = 18) -> Figures:
    """Upload so much, broken five times."""
    blocks = Blocks(megabytes * MB, seed)
    places = random.Random(seed)
    breaks = sorted(places.randrange(1, blocks.length) for _ in range(5))
    frames = board.frames
    time.sleep(quiet_s)
    quiet = counted(frames, board.frames)
    resident, highest, frames = board.memory_mb("VmRSS"), board.memory_mb("VmHWM"), board.frames
    at = board.create("sea.mp4", blocks.length)
    begin_s = time.monotonic()
    continued = send(board, at, blocks, breaks)
    seconds = time.monotonic() - begin_s
    grown = board.memory_mb("VmRSS") - resident, board.memory_mb("VmHWM") - highest
    during = counted(frames, board.frames)
    (file,) = (board.site / "state" / "uploads").glob("*/sea.mp4")
    with file.open("rb") as there:
        equal = hashlib.file_digest(there, "sha256").hexdigest() == blocks.digest()
    assert board.ask("DELETE", at).status == 204
    return Figures(equal, continued, seconds, *grown, quiet, during)


def replace_playing(board: UploadBoard, times: int, seconds: int = 3) -> dict[str, int]:
    """Replace the piece that plays, again and again. The counters meanwhile."""
    frames = board.frames
    made = board.site / "made.frames"
    for seed in range(times):
        write_frames(made, 100 + seed, seconds)
        piece = board.get("/api/now")["piece"] or "tide"
        data = made.read_bytes()
        at = board.create("new.frames", len(data))
        content = "application/offset+octet-stream"
        assert board.ask("PATCH", at, data, Upload_Offset="0", Content_Type=content).status == 204
        asked = {"upload": at.rpartition("/")[2], "name": piece, "replace": True}
        assert (
            board.ask("POST", "/api/setup/pieces", json.dumps(asked).encode(), Content_Type="application/json").status
            == 202
        )
        wait_until(lambda: not board.get("/api/setup/pieces")["uploads"], "the piece is replaced")
        assert (board.site / f"{piece}.frames").read_bytes() == data
        time.sleep(2)
    made.unlink()
    return counted(frames, board.frames)


def main() -> None:
    megabytes = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    with tempfile.TemporaryDirectory() as folder, upload_board(Path(folder) / "site") as board:
        found = measure(board, megabytes, 30)
        replaced = replace_playing(board, 10, 20)
    speed = megabytes / found.seconds
    print(f"{megabytes} MB in {found.seconds:.0f} s ({speed:.0f} MB/s), continued {found.continued} times")
    print(f"bit for bit: {found.equal}")
    for name, grown in (("resident", found.resident_mb), ("at most", found.highest_mb)):
        print(f"the planner's memory, {name}: {grown:+.1f} MB, {grown / GROWTH_MB:.2f} of what is allowed,", end="")
        print(f" {grown / megabytes:.5f} of the file")
    for name, counts in (("nobody uploads", found.quiet), ("the upload", found.during), ("ten replaced", replaced)):
        print(f"frames, {name}: {counts}; missed {counts['dropped'] / max(1, counts['due']):.5f} of those due")


if __name__ == "__main__":
    main()
