"""Three boards with clocks of their own, which real chronyds synchronise, and a capture of what they send.

Real: planner, transmitter and page of each board, chronyd with the lines of systemd/README.md, the network, the packets
and the kernel's stamps on them. The clock of each board is of software (software_clock.c), as all namespaces share one
kernel and one clock: chronyd sets it by the same calls, and all processes of the board read it.
"""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from gloaming.shows.time_units import SECOND_NS
from tests.boot.street import FRAME_BYTES_MAX, read
from tests.chrony import FOLLOWS, SERVES, chronyd, config
from tests.namespaces import inside
from tests.software_clock import SoftwareClock, built
from tests.three_boards import ADDRESSES, STREET, ThreeBoards, three_boards

FPS, FRAMES = 40, 2400
TOOLS = ("C headers", "chronyd", "gcc", "ip", "mosquitto", "root")
"""What tests with these boards need."""
_SO_TIMESTAMPNS = 35
_STAMP = struct.Struct("<qq")


@dataclass(frozen=True)
class Oscillator:
    """A board's clock at the beginning: how far it is ahead, how fast it runs, and how that wanders."""

    ahead_s: float
    drift_ppm: float
    wander_ppm: float = 2.0
    period_s: float = 300.0


class Capture:
    """The lit packets that arrive at the controllers, by the board's name: the kernel's time, the frame's number."""

    def __init__(self, street: str) -> None:
        self.sent: dict[str, list[tuple[int, int]]] = {name: [] for name in ADDRESSES}
        self._names = {address: name for name, address in ADDRESSES.items()}
        with inside(street):
            self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 << 20)
        self._socket.bind(("", 5568))
        self._socket.settimeout(0.5)
        self._open = True
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while self._open:
            try:
                data, more, _, (address, _) = self._socket.recvmsg(FRAME_BYTES_MAX, 64)
            except TimeoutError:
                continue
            seconds, nanos = _STAMP.unpack(more[0][2][:16])
            packet = read(data, seconds * 10**9 + nanos)
            if packet and not packet.black and not packet.terminated:
                self.sent[self._names[address]].append((packet.at_ns, int.from_bytes(packet.slots[:4], "big") - 1))

    def close(self) -> None:
        self._open = False
        self._thread.join()
        self._socket.close()


@dataclass(frozen=True)
class TimedBoards:
    """The boards, their clocks by their names, and what they send."""

    boards: ThreeBoards
    clocks: Mapping[str, SoftwareClock]
    capture: Capture
    _stack: ExitStack
    _folder: Path

    def synchronise(self, leave_out: Mapping[str, str] = MappingProxyType({})) -> None:
        """Start chronyd on each board: quay serves the time, and the others follow. `leave_out` is a line that a board
        does without."""
        network = f"{STREET.rpartition('.')[0]}.0/24"
        for name, clock in self.clocks.items():
            lines = config(SERVES if name == "quay" else FOLLOWS, ADDRESSES["quay"], network)
            lines = "".join(line for line in lines.splitlines(keepends=True) if line.strip() != leave_out.get(name))
            namespace = self.boards[name].namespace
            assert namespace
            self._stack.enter_context(chronyd(self._folder / f"clock-{name}", namespace, clock, lines))

    def apart_s(self, name: str) -> float:
        """How far a board's newest frame is ahead of quay's, at the same instant."""

        def behind(board: str) -> float:
            at_ns, number = self.capture.sent[board][-1]
            return at_ns * FPS / SECOND_NS - number

        return (((behind("quay") - behind(name)) + FRAMES / 2) % FRAMES - FRAMES / 2) / FPS


@contextmanager
def timed_boards(folder: Path, oscillators: Mapping[str, Oscillator]) -> Iterator[TimedBoards]:
    """The boards, which nothing has synchronised yet."""
    library, clocks = built(folder), {}
    for name, one in oscillators.items():
        (folder / f"clock-{name}").mkdir()
        clocks[name] = SoftwareClock(
            folder / f"clock-{name}", library, one.ahead_s, one.drift_ppm, one.wander_ppm, one.period_s
        )
    env = {name: clock.environment for name, clock in clocks.items()}
    with (
        three_boards(
            folder, frames=FRAMES, fps=str(FPS), controllers=STREET, interface="eth0", env=env, start=False
        ) as boards,
        ExitStack() as stack,
    ):
        assert boards.street.namespace
        capture = Capture(boards.street.namespace)
        stack.callback(capture.close)
        for board in boards:
            stack.enter_context(board.running())
        yield TimedBoards(boards, clocks, capture, stack, folder)


def frames_in_step(sent: Mapping[str, list[tuple[int, int]]], begin_ns: int) -> tuple[npt.NDArray[np.float64], int]:
    """For each frame that all boards sent after an instant: the time between the first and the last of them, in ms. And
    how many frames some of them sent, and others did not."""
    first_ns, first = next((one for one in sent["quay"] if one[0] >= begin_ns), (begin_ns, 0))
    zero_ns = first_ns - first * SECOND_NS // FPS  # when the piece began, nearly
    found: dict[str, dict[int, int]] = {}
    for name, packets in sent.items():
        turns = ((at_ns, number, (at_ns - zero_ns) * FPS / SECOND_NS - number) for at_ns, number in packets)
        found[name] = {
            number + round(behind / FRAMES) * FRAMES: at_ns for at_ns, number, behind in turns if at_ns >= begin_ns
        }
    edges = [(min(one), max(one)) for one in found.values() if one]
    if len(edges) < len(sent):
        return np.zeros(0), 0
    frames = range(max(begin for begin, _ in edges), min(end for _, end in edges) + 1)
    instants = [[one.get(frame) for one in found.values()] for frame in frames]
    whole = [[at_ns for at_ns in row if at_ns is not None] for row in instants if None not in row]
    spread = np.array([(max(row) - min(row)) / 1e6 for row in whole])
    return spread, sum(any(row) for row in instants) - len(whole)
