"""Receiving E1.31 off the wire: sockets, groups, the process that empties them. All that touches the system is here.

Times are the kernel's, taken when a packet arrives, brought to the monotonic clock: a step of the wall clock moves
nothing.
"""

from __future__ import annotations

import errno
import fcntl
import ipaddress
import mmap
import os
import select
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from gloaming.shows.importing import mistake
from gloaming.shows.recording.packets import Datagrams
from gloaming.shows.recording.receive_process import (
    CONTROL_BYTES,
    HEADER_BYTES,
    HEADERS_AT,
    MEMORY_BYTES,
    NEWS,
    RING_AT,
    SLOT_BYTES,
    SLOTS,
)

PORT = 5568
"""E1.31 9.2: ACN_SDT_MULTICAST_PORT."""
DISCOVERY_UNIVERSE = 64214
"""E131_DISCOVERY_UNIVERSE, appendix A."""
DISCOVERY_S = 10.0
"""E131_UNIVERSE_DISCOVERY_INTERVAL, appendix A."""
BUFFER_BYTES = 32 << 20
_SO_RCVBUFFORCE, _SO_RXQ_OVFL, _SO_TIMESTAMPNS = 33, 40, 35
_IP_MULTICAST_ALL = 49
_MEMBERSHIPS = Path("/proc/sys/net/ipv4/igmp_max_memberships")


def interface_address(interface: str) -> str:
    """The IPv4 address of an interface given by name or by address. MistakeError where there is none."""
    try:
        return str(ipaddress.IPv4Address(interface))
    except ValueError:
        pass
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            reply = fcntl.ioctl(probe.fileno(), 0x8915, struct.pack("256s", interface.encode()[:15]))  # SIOCGIFADDR
        except OSError as error:
            wrong = f"the interface {interface!r} has no address ({error.strerror})"
            raise mistake("--interface", wrong) from None
    return socket.inet_ntoa(reply[20:24])


def open_sockets(
    universes: Sequence[int], address: str | None, interface: str | None
) -> tuple[list[socket.socket], list[str]]:
    """Sockets that hear these universes, by unicast and by multicast (E1.31 9.3.1), and lines on what cannot be heard.

    With an `address`, unicast to that one alone. MistakeError if it is not ours, or the port is taken.
    """
    notes: list[str] = []
    to = socket.inet_aton(interface_address(interface) if interface else "0.0.0.0")
    sockets = [_socket(address or "")]
    if address:
        return sockets, notes
    most = _memberships_max()
    joined = 0
    for number in universes:
        if joined == most:
            sockets.append(_socket(""))
            joined = 0
        group = socket.inet_aton(f"239.255.{number >> 8}.{number & 255}")
        try:
            sockets[-1].setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group + to)
        except OSError as error:
            if error.errno == errno.ENOBUFS:
                most = joined or 1
            notes.append(f"universe {number} is heard by unicast only: its group cannot be joined ({error.strerror})")
            if len(notes) == 3:
                notes.append("and others; --interface says where multicast comes in")
                break
            continue
        joined += 1
    return sockets, notes


def _memberships_max() -> int:
    try:
        return max(1, int(_MEMBERSHIPS.read_text()))
    except (OSError, ValueError):
        return 20


def _socket(address: str) -> socket.socket:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    sock.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
    sock.setsockopt(socket.IPPROTO_IP, _IP_MULTICAST_ALL, 0)  # each group in one socket only
    try:
        sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, BUFFER_BYTES)
    except PermissionError:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)  # as much as the system lets us
    try:
        sock.bind((address, PORT))
    except OSError as error:
        sock.close()
        wrong = f"it is not possible to listen at {address or 'any address'}, port {PORT} ({error.strerror})"
        raise mistake("--address", wrong) from None
    return sock


class Receiver:
    """A process that receives, and the ring it fills. `read` hands out what is new; `release` lets its place be used
    again. Ends with `stop`.
    """

    def __init__(self, sockets: Sequence[socket.socket]) -> None:
        self.dropped = 0
        self._sockets = sockets
        memory = os.memfd_create("gloaming-record")
        os.ftruncate(memory, MEMORY_BYTES)
        self._map = mmap.mmap(memory, MEMORY_BYTES)
        self._pipe, theirs = os.pipe()
        fds = [one.fileno() for one in sockets]
        command = [sys.executable, "-m", "gloaming.shows.recording.receive_process", str(memory), str(theirs)]
        self._process = subprocess.Popen(
            [*command, *map(str, fds)],
            stdin=subprocess.PIPE,
            pass_fds=(memory, theirs, *fds),
            start_new_session=True,  # a Ctrl-C is for us
        )
        os.close(theirs)
        os.close(memory)
        whole = np.frombuffer(self._map, np.uint8)
        self._ring = whole[RING_AT:]
        self._lengths = whole[HEADERS_AT:RING_AT].view(np.uint32).reshape(SLOTS, HEADER_BYTES // 4)[:, 14]
        controls = self._ring.reshape(SLOTS, SLOT_BYTES)[:, :CONTROL_BYTES]
        self._stamps = controls.view(np.int64)  # level and type of the message at 1, seconds at 2, nanoseconds at 3
        self._head = self._tail = self._reading = 0
        self._news = b""

    def read(self, timeout_s: float) -> Datagrams | None:
        """What has come, at most until the end of the ring; None if nothing has within the time. EOFError if the
        process that receives has died.
        """
        if self._head == self._tail:
            if not select.select([self._pipe], [], [], timeout_s)[0]:
                return None
            data = os.read(self._pipe, NEWS.size * 1024)
            if not data:
                raise EOFError("the process that receives has died")
            self._news += data
            whole = len(self._news) // NEWS.size * NEWS.size
            for count, dropped in NEWS.iter_unpack(self._news[:whole]):
                self._head += count
                self.dropped = dropped
            self._news = self._news[whole:]
        first = self._tail % SLOTS
        count = min(self._head - self._tail, SLOTS - first)
        self._reading = count
        rows = slice(first, first + count)
        to_monotonic = time.monotonic_ns() - time.time_ns()
        at_ns = self._stamps[rows, 2] * 1_000_000_000 + self._stamps[rows, 3] + to_monotonic
        starts = np.arange(first, first + count, dtype=np.int64) * SLOT_BYTES + CONTROL_BYTES
        return Datagrams(self._ring, starts, self._lengths[rows].astype(np.int64), at_ns)

    def release(self) -> None:
        """What `read` handed out last is not needed any more."""
        self._tail += self._reading
        self._reading = 0
        struct.pack_into("=Q", self._map, 0, self._tail)

    def stop(self) -> None:
        """Receive no more; what has come by now can still be read, until `read` raises EOFError."""
        if self._process.stdin and not self._process.stdin.closed:
            self._process.stdin.close()

    def close(self) -> None:
        """End the process and close the sockets."""
        self.stop()
        os.close(self._pipe)
        self._process.wait()
        for one in self._sockets:
            one.close()
