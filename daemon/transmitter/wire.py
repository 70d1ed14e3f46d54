"""Handing packets to the kernel in bulk: segmentation offload to one address, sendmmsg, or one by one."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import ipaddress
import os
import socket
import struct
from collections.abc import Callable

from gloaming.daemon.transmitter.packets import Block, group_of

PORT = 5568
"""E1.31 9.2: the port of streaming ACN."""
UDP_SEGMENT = 103
SEGMENTS_MAX = 64
CALL_BYTES_MAX = 65_000
SEND_BUFFER_BYTES = 8 << 20
MULTICAST_TTL = 20

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


def interface_address(interface: str | None) -> str | None:
    """The IPv4 address of an interface given by name, or the address itself. OSError where there is none."""
    if interface is None:
        return None
    try:
        return str(ipaddress.IPv4Address(interface))
    except ValueError:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            request = struct.pack("256s", interface.encode()[:15])
            return socket.inet_ntoa(fcntl.ioctl(probe.fileno(), 0x8915, request)[20:24])  # SIOCGIFADDR


def open_socket(interface: str | None) -> socket.socket:
    """A socket for E1.31: large buffer, no waiting, multicast by the interface, heard on this machine too.

    Not connected, so that a refusal (ICMP) from one controller never hinders another. OSError where the interface has
    no address.
    """
    address = interface_address(interface)
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, MULTICAST_TTL)
    sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
    if address:
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(address))
    return sock


def offload_works(sock: socket.socket) -> bool:
    """Whether the kernel cuts one large datagram into packets (UDP_SEGMENT, Linux 4.18), found by trying."""
    try:
        sock.setsockopt(socket.IPPROTO_UDP, UDP_SEGMENT, 600)
        sock.setsockopt(socket.IPPROTO_UDP, UDP_SEGMENT, 0)
    except OSError:
        return False
    return True


def sendmmsg_works() -> bool:
    """Whether the C library has sendmmsg."""
    return hasattr(_libc, "sendmmsg")


class Sender:
    """Sends one block's packets; `send` returns how many the kernel took and the last error's number (0: none)."""

    def __init__(self, block: Block, sock: socket.socket, way: str) -> None:
        self.block, self.sock = block, sock
        self.way = way if block.host is not None or way != "offload" else "sendmmsg"
        ways: dict[str, Callable[[], tuple[int, int]]] = {
            "offload": self._offload,
            "sendmmsg": self._sendmmsg,
            "plain": self._plain,
        }
        self.send = ways[self.way]
        if self.way == "offload":
            self._prepare_offload()
        elif self.way == "sendmmsg":
            self._prepare_sendmmsg()
        else:
            self._prepare_plain()

    def _addresses(self) -> list[str]:
        return [self.block.host or group_of(number) for number in self.block.universes]

    def _prepare_offload(self) -> None:
        count, size = self.block.packets.shape
        step = min(SEGMENTS_MAX, CALL_BYTES_MAX // size)
        flat = self.block.packets.data.cast("B")
        self._calls = [
            (min(step, count - row), flat[row * size : min(count, row + step) * size]) for row in range(0, count, step)
        ]
        self._control = [(socket.IPPROTO_UDP, UDP_SEGMENT, struct.pack("=H", size))]
        assert self.block.host is not None
        self._to = (self.block.host, PORT)

    def _offload(self) -> tuple[int, int]:
        sent, failed = 0, 0
        for count, data in self._calls:
            try:
                self.sock.sendmsg((data,), self._control if count > 1 else (), 0, self._to)
                sent += count
            except OSError as error:
                failed = error.errno or errno.EIO
        return sent, failed

    def _prepare_sendmmsg(self) -> None:
        count, size = self.block.packets.shape
        base = self.block.packets.ctypes.data
        self._names = [
            ctypes.create_string_buffer(
                struct.pack("=HH4s8x", socket.AF_INET, socket.htons(PORT), socket.inet_aton(to)), 16
            )
            for to in self._addresses()
        ]
        self._vectors = (_Iovec * count)(*((base + row * size, size) for row in range(count)))
        self._messages = (_Mmsghdr * count)()
        for row in range(count):
            header = self._messages[row].header
            header.name, header.namelen = ctypes.addressof(self._names[row]), 16
            header.iov, header.iovlen = ctypes.pointer(self._vectors[row]), 1

    def _sendmmsg(self) -> tuple[int, int]:
        count, row, sent, failed = len(self._messages), 0, 0, 0
        size = ctypes.sizeof(_Mmsghdr)
        while row < count:
            taken = _libc.sendmmsg(self.sock.fileno(), ctypes.byref(self._messages, row * size), count - row, 0)
            if taken > 0:
                row, sent = row + taken, sent + taken
            else:
                failed = ctypes.get_errno()
                if failed == errno.EINTR:
                    continue
                row += 1
        return sent, failed

    def _prepare_plain(self) -> None:
        self._rows = [
            (memoryview(row), (to, PORT)) for row, to in zip(self.block.packets, self._addresses(), strict=True)
        ]

    def _plain(self) -> tuple[int, int]:
        sent, failed = 0, 0
        for data, to in self._rows:
            try:
                self.sock.sendto(data, to)
                sent += 1
            except OSError as error:
                failed = error.errno or errno.EIO
        return sent, failed


def describe(error_number: int) -> str:
    """What an error number means, in words."""
    return os.strerror(error_number)
