"""Many packets to the kernel in one call: sendmmsg. With segmentation offload each message has several packets.

The structures for the C library are made once. Sending is one call; each refusal costs one more.
"""

from __future__ import annotations

import ctypes
import errno
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass

from gloaming.shows.protocols.packets import Bytes, PacketBlock

UDP_SEGMENT = 103
SEGMENTS_MAX = 64
CALL_BYTES_MAX = 65_000

_libc = ctypes.CDLL(None, use_errno=True)


class _Iovec(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("length", ctypes.c_size_t))


class _Msghdr(ctypes.Structure):
    _fields_ = (
        ("name", ctypes.c_void_p),
        ("namelen", ctypes.c_uint32),
        ("iov", ctypes.POINTER(_Iovec)),
        ("iovlen", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("controllen", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    )


class _Mmsghdr(ctypes.Structure):
    _fields_ = (("header", _Msghdr), ("length", ctypes.c_uint))


Retry = Callable[[socket.socket, int, int], bool]
"""Takes a socket, an error's number and how often it came in a row. Whether to try once more, perhaps after a short
wait."""


@dataclass(frozen=True, slots=True, eq=False)
class SendBatch:
    """Packets of `size` bytes, one after the other, for one address. `universes` is empty unless they are data."""

    host: str
    address: str
    port: int
    data: Bytes
    packets: int
    size: int
    universes: tuple[int, ...]


def batches(block: PacketBlock, offload: bool) -> list[SendBatch]:
    """Cut a block into batches: as many packets as one call of the kernel takes, or one each."""
    rows, (count, size) = block.rows, block.packets.shape
    together = offload and len({row.address for row in rows}) == 1
    step = min(SEGMENTS_MAX, CALL_BYTES_MAX // size) if together else 1
    return [
        SendBatch(
            block.host,
            rows[at].address,
            block.protocol.port,
            block.packets[at : at + step].reshape(-1),
            min(step, count - at),
            size,
            tuple(number for row in rows[at : at + step] for number in row.universes),
        )
        for at in range(0, count, step)
    ]


def is_ipv6(address: str) -> bool:
    return ":" in address


def socket_address(address: str, port: int, interface_index: int) -> bytes:
    """A `sockaddr_in` or `sockaddr_in6`. A link-local address gets the interface as its scope."""
    if is_ipv6(address):
        scope = interface_index if address.lower().startswith(("fe80", "ff")) else 0
        raw = socket.inet_pton(socket.AF_INET6, address)
        return struct.pack("=HH4x16sI", socket.AF_INET6, socket.htons(port), raw, scope)
    return struct.pack("=HH4s8x", socket.AF_INET, socket.htons(port), socket.inet_aton(address))


class Bulk:
    """Batches for one socket. `send` returns the refused ones, each with the error's number."""

    def __init__(self, sock: socket.socket, batches: list[SendBatch], interface_index: int) -> None:
        self._sock, self.fd, self.batches = sock, sock.fileno(), batches
        count = len(batches)
        self._names = {
            (batch.address, batch.port): ctypes.create_string_buffer(
                socket_address(batch.address, batch.port, interface_index)
            )
            for batch in batches
        }
        self._controls = {batch.size: _segment_size(batch.size) for batch in batches if batch.packets > 1}
        self._vectors = (_Iovec * count)(*(_Iovec(batch.data.ctypes.data, batch.data.nbytes) for batch in batches))
        self._messages = (_Mmsghdr * count)()
        for message, vector, batch in zip(self._messages, self._vectors, batches, strict=True):
            header, name = message.header, self._names[batch.address, batch.port]
            header.name, header.namelen = ctypes.addressof(name), len(name) - 1
            header.iov, header.iovlen = ctypes.pointer(vector), 1
            if batch.packets > 1:
                control = self._controls[batch.size]
                header.control, header.controllen = ctypes.addressof(control), len(control)
        self._size = ctypes.sizeof(_Mmsghdr)

    def send(self, retry: Retry) -> list[tuple[SendBatch, int]]:
        """Send all batches with one call, and one more after each refusal."""
        count = len(self.batches)
        done = _libc.sendmmsg(self.fd, self._messages, count, 0)
        return [] if done == count else self._go_on(max(0, done), retry)

    def _go_on(self, row: int, retry: Retry) -> list[tuple[SendBatch, int]]:
        refused, tries = [], 0
        while row < len(self.batches):
            begin = ctypes.byref(self._messages, row * self._size)
            done = _libc.sendmmsg(self.fd, begin, len(self.batches) - row, 0)
            if done > 0:
                row, tries = row + done, 0
                continue
            number, tries = ctypes.get_errno(), tries + 1
            if not retry(self._sock, number, tries):
                refused.append((self.batches[row], number))
                row, tries = row + 1, 0
        return refused


class OneByOne:
    """Like `Bulk`, for a C library without sendmmsg: batches of one packet each."""

    def __init__(self, sock: socket.socket, batches: list[SendBatch], interface_index: int) -> None:
        self.batches = batches
        self._sock = sock
        self._rows = []
        for batch in batches:
            scope = interface_index if batch.address.lower().startswith(("fe80", "ff")) else 0
            more = (0, scope) if is_ipv6(batch.address) else ()
            self._rows.append((batch, batch.data.data, (batch.address, batch.port, *more)))

    def send(self, retry: Retry) -> list[tuple[SendBatch, int]]:
        refused = []
        for batch, data, to in self._rows:
            tries = 0
            while True:
                try:
                    self._sock.sendto(data, to)
                except OSError as error:
                    number, tries = error.errno or errno.EIO, tries + 1
                    if retry(self._sock, number, tries):
                        continue
                    refused.append((batch, number))
                break
        return refused


def _segment_size(size: int) -> ctypes.Array[ctypes.c_char]:
    """The control message by which the kernel cuts a datagram into packets of `size` bytes (UDP_SEGMENT)."""
    length = socket.CMSG_LEN(2)
    data = struct.pack("@Nii", length, socket.IPPROTO_UDP, UDP_SEGMENT) + struct.pack("=H", size)
    return ctypes.create_string_buffer(data, socket.CMSG_SPACE(2))


def sendmmsg_works() -> bool:
    """Whether the C library has sendmmsg."""
    return hasattr(_libc, "sendmmsg")
