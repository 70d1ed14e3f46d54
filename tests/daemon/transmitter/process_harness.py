"""For tests of the transmitter: its process and the planner's end of the socket, listeners, namespaces, frame files."""

from __future__ import annotations

import json
import select
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from fractions import Fraction
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.namespaces import in_namespace, namespaces

PATIENCE_S = 60.0
SECOND_NS = 1_000_000_000
DAY_NS = 86_400 * SECOND_NS
PORT = 5568
CID = "5f2b7c1e0a3d4e6f8091a2b3c4d5e6f7"
SETUP: dict[str, Any] = {
    "cid": CID,
    "source_name": "Pier Road boathouse",
    "priority": 120,
    "synchronization": None,
    "preview": False,
    "interface": "lo",
    "between_performances": "black",
    "ttl": 20,
    "dscp": 0,
    "loop": False,
    "sequence_from": 0,
    "wire": None,
    "limits": None,
    "unscaled": [],
    "cuts": [],
    "boards": [],
    "yields": False,
    "art_sync": False,
}
"""A `setup` without its universes."""
SCORE: dict[str, Any] = {"wall_offset_ns": 0, "device": None, "delay_ns": 0, "files": None, "areas": []}
"""The usual fields of a score."""
GROUPS: dict[bool | str, tuple[str, ...]] = {
    False: (),
    True: ("multicast",),
    "ipv4": ("multicast",),
    "ipv6": ("multicast by IPv6",),
    "both": ("multicast", "multicast by IPv6"),
}
OF_A_PICTURE = ("path", "piece", "frames", "fps", "zero_ns", "still", "ended")
_numbers = count()


class TransmitterProcess:
    """A transmitter process, and the planner's end of its socket. `heard` has all messages that came."""

    def __init__(self, folder: Path, namespace: str | None = None, command: tuple[str, ...] = ()) -> None:
        self.path = folder / f"transmitter-{next(_numbers)}.sock"
        inside = ("ip", "netns", "exec", namespace) if namespace else ()
        self.started_ns = time.monotonic_ns()
        self.process = subprocess.Popen(
            [*inside, *command, sys.executable, "-m", "gloaming.daemon.transmitter", str(self.path)]
        )
        self.heard: list[dict[str, Any]] = []
        self.connect()

    def connect(self) -> None:
        """Connect as a planner. A new connection replaces the previous one."""
        deadline = time.monotonic() + PATIENCE_S
        while True:
            self.sock = socket.socket(socket.AF_UNIX)
            try:
                self.sock.connect(str(self.path))
                break
            except OSError:
                self.sock.close()
                assert time.monotonic() < deadline and self.process.poll() is None, "the transmitter does not listen"
                time.sleep(0.01)
        self._unread = b""

    def send(self, **message: Any) -> None:
        self.sock.sendall(json.dumps(message).encode() + b"\n")

    def setup(self, universes: list[dict[str, Any]], **more: Any) -> None:
        self.send(op="setup", universes=universes, **{**SETUP, **more})

    def dark(self, *windows: tuple[Any, ...], **more: Any) -> None:
        """Send dark windows `(from_ns, until_ns)`, or others `(from_ns, until_ns, light, sound, spans)`."""
        now_ns = time.time_ns()
        dark = [[*window[:2], *(window[2:4] or (0.0, 0.0)), "rule", *(window[4:] or (None,))] for window in windows]
        known = {"from_ns": now_ns - DAY_NS, "until_ns": now_ns + DAY_NS, "rules": [], "held": [], "rig_checks": []}
        self.send(op="windows", **{**known, "windows": dark, **more})

    def score(self, *segments: dict[str, Any], id: int = 1, **more: Any) -> None:
        offset_ns = time.time_ns() - time.monotonic_ns()
        self.send(op="score", **{**SCORE, "id": id, "offset_ns": offset_ns, "segments": segments, **more})

    def wait_for(self, op: str, such: Callable[[dict[str, Any]], bool] = lambda message: True) -> dict[str, Any]:
        """The next message of a kind; fails if none comes."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            for message in self._read(deadline):
                if message["op"] == op and such(message):
                    return message
        raise AssertionError(f"no {op} came; heard: {self.heard[-2:]}")

    def find(self, op: str, such: Callable[[dict[str, Any]], bool] = lambda message: True) -> dict[str, Any]:
        """A message of a kind that has come already, or else the next."""
        found = (message for message in self.heard if message["op"] == op and such(message))
        return next(found, None) or self.wait_for(op, such)

    def _read(self, deadline: float) -> Iterator[dict[str, Any]]:
        while b"\n" not in self._unread:
            ready, _, _ = select.select([self.sock], [], [], max(0.0, deadline - time.monotonic()))
            data = self.sock.recv(1 << 16) if ready else b""
            if not data:
                raise AssertionError(f"the transmitter sends no more; heard: {self.heard[-2:]}")
            self._unread += data
        line, _, self._unread = self._unread.partition(b"\n")
        self.heard.append(json.loads(line))
        yield self.heard[-1]

    def end(self) -> dict[str, Any]:
        """End the process by SIGTERM, as the service manager does. Returns the last telemetry."""
        self.process.send_signal(signal.SIGTERM)
        with suppress(AssertionError, OSError):
            while True:
                list(self._read(time.monotonic() + PATIENCE_S))
        self.sock.close()
        assert self.process.wait(PATIENCE_S) == 0
        return next((message for message in reversed(self.heard) if message["op"] == "telemetry"), {})

    def close(self) -> None:
        self.sock.close()
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()


@contextmanager
def running_transmitter(
    folder: Path, namespace: str | None = None, command: tuple[str, ...] = ()
) -> Iterator[TransmitterProcess]:
    transmitter = TransmitterProcess(folder, namespace, command)
    try:
        yield transmitter
    finally:
        transmitter.close()


def universe(number: int, *hosts: str, slots: int = 510, multicast: bool | str = False, **more: int) -> dict[str, Any]:
    """One universe of a `setup`."""
    everywhere = (*hosts, *GROUPS[multicast])
    sent = {"lead_ns": 0, "spread_ns": 0, "protocol": "e131", "port_address": None, "slots_per_pixel": None}
    return {"number": number, "slots": slots, "hosts": everywhere, **sent, **more}


def artnet(number: int, *hosts: str, slots: int = 510, port_address: int | None = None, **more: int) -> dict[str, Any]:
    """A universe that leaves by Art-Net. Its port-address is its number, unless another is given."""
    place = number if port_address is None else port_address
    return {**universe(number, *hosts, slots=slots, **more), "protocol": "artnet", "port_address": place}


def segment(from_ns: int, until_ns: int, level: tuple[float, float] = (1.0, 1.0), **more: Any) -> dict[str, Any]:
    """A segment of a `score`, black by default. `more` has fields of the segment and of its picture."""
    of_picture = {key: more.pop(key) for key in OF_A_PICTURE if key in more}
    shown = picture(**{"zero_ns": from_ns, **of_picture}) if "path" in of_picture else None
    usual = {"show": "evening", "look": 0, "sound_path": None, "gain": 1.0, "sound_level": (0, 0), "mix": None}
    return {"from_ns": from_ns, "until_ns": until_ns, "level": level, "picture": shown, **usual, **more}


def picture(path: str, **more: Any) -> dict[str, Any]:
    """The picture of a segment or of a `mix`."""
    usual = {"frames": 1, "fps": [40, 1], "zero_ns": 0, "still": None, "ended": False}
    return {"path": path, "piece": Path(path).stem, **usual, **more}


def fading(from_ns: int, until_ns: int, path: str, **more: Any) -> dict[str, Any]:
    """The `mix` of a segment."""
    return {"picture": picture(path, **more), "from_ns": from_ns, "until_ns": until_ns}


def moving(path: Path, frames: int, fps: tuple[int, int] = (40, 1)) -> dict[str, Any]:
    """The fields of a segment that plays a frame file."""
    return {"path": str(path), "piece": path.stem, "frames": frames, "fps": fps}


def write_frames(
    path: Path, frames: npt.NDArray[np.uint8], fps: Fraction = Fraction(40), slots: int = 510, first: int = 1
) -> Path:
    """Write a frame file of `(frames, bytes) uint8`, in universes of `slots` from `first` on."""
    size = frames.shape[1]
    universes = [Universe(first + n, min(slots, size - at), at) for n, at in enumerate(range(0, size, slots))]
    with FrameWriter(path, fps, universes) as writer:
        writer.write(frames)
    return path


@dataclass(frozen=True)
class Heard:
    """A datagram, its destination and its source."""

    at_ns: int
    host: str
    data: bytes
    source: str = ""

    @property
    def universe(self) -> int:
        return struct.unpack_from(">H", self.data, 113)[0]

    @property
    def slots(self) -> bytes:
        return self.data[126:]

    @property
    def is_data(self) -> bool:
        return self.data[18:22] == b"\0\0\0\4"

    @property
    def terminated(self) -> bool:
        return bool(self.data[112] & 0x40)


class PacketListener:
    """Collects all datagrams to port 5568 of some addresses, in a thread of its own."""

    def __init__(self, *addresses: str, namespace: str | None = None, interface: str = "lo") -> None:
        self.heard: list[Heard] = []
        self._socks = {in_namespace(namespace, lambda a=a: listen_on(a, interface)): a for a in addresses}
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        ready: list[socket.socket] = []
        while ready or not self._ending.is_set():  # reads all that has come before it ends
            ready = select.select(list(self._socks), [], [], 0 if self._ending.is_set() else 0.1)[0]
            for sock in ready:
                with suppress(BlockingIOError):
                    for _ in range(200):
                        data, source = sock.recvfrom(2048)
                        self.heard.append(Heard(time.monotonic_ns(), self._socks[sock], data, source[0]))

    def data(self) -> list[Heard]:
        return [one for one in tuple(self.heard) if one.is_data]

    def wait_until(self, such: Callable[[list[Heard]], bool]) -> list[Heard]:
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            if such(heard := list(self.heard)):
                return heard
            time.sleep(0.02)
        raise AssertionError(f"not found among {len(self.heard)} packets")

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        for sock in self._socks:
            sock.close()


@contextmanager
def listening(*addresses: str, namespace: str | None = None, interface: str = "lo") -> Iterator[PacketListener]:
    listener = PacketListener(*addresses, namespace=namespace, interface=interface)
    try:
        yield listener
    finally:
        listener.close()


def listen_on(address: str, interface: str) -> socket.socket:
    """A socket bound to an address. Joins a multicast group on an interface."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.setsockopt(socket.SOL_SOCKET, 33, 64 << 20)  # SO_RCVBUFFORCE
    except PermissionError:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 64 << 20)  # as much as the system lets us
    sock.setblocking(False)
    index = socket.if_nametoindex(interface)
    if family == socket.AF_INET6:
        sock.bind((address, PORT))
        if address.startswith("ff"):
            group = socket.inet_pton(family, address) + struct.pack("@I", index)
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, group)
    else:
        sock.bind((address, PORT))
        if address.startswith("239."):
            sock.setsockopt(
                socket.IPPROTO_IP,
                socket.IP_ADD_MEMBERSHIP,
                struct.pack("=4s4si", socket.inet_aton(address), bytes(4), index),
            )
    return sock


@dataclass(frozen=True)
class Street:
    """Two network namespaces with a cable between them."""

    sender: str
    receiver: str

    def run(self, where: str, *command: str) -> str:
        return run("ip", "netns", "exec", where, *command)


def run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S)
    assert done.returncode == 0, f"{command}: {done.stderr}"
    return done.stdout


@contextmanager
def street(hosts: int = 1) -> Iterator[Street]:
    """A sender's namespace (192.0.2.1) and a receiver's, which has `hosts` addresses from 192.0.2.21 on."""
    with namespaces("sender", "receiver") as (sender, receiver):
        there = Street(sender, receiver)
        there.run(there.sender, "ip", "link", "add", "out0", "type", "veth", "peer", "in0", "netns", there.receiver)
        there.run(there.sender, "ip", "addr", "add", "192.0.2.1/24", "dev", "out0")
        there.run(there.sender, "ip", "-6", "addr", "add", "2001:db8::1/64", "dev", "out0", "nodad")
        for number in range(hosts):
            there.run(there.receiver, "ip", "addr", "add", f"192.0.2.{21 + number}/24", "dev", "in0")
        there.run(there.receiver, "ip", "-6", "addr", "add", "2001:db8::21/64", "dev", "in0", "nodad")
        there.run(there.sender, "ip", "link", "set", "out0", "up")
        there.run(there.receiver, "ip", "link", "set", "in0", "up")
        there.run(there.sender, "ip", "route", "add", "239.0.0.0/8", "dev", "out0")
        there.run(there.receiver, "ip", "route", "add", "239.0.0.0/8", "dev", "in0")
        yield there
