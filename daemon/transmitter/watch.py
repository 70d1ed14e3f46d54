"""Listens for other sources on our universes: a thread with a socket for each universe's group, drained once a second.

A socket bound to its group takes no other's unicast packets, holds one membership (the kernel's limit is 20), keeps
only a handful of packets, and passes our own over in the kernel, so that the watch costs next to nothing.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import resource
import select
import socket
import struct
import threading
import time
from uuid import UUID

from gloaming.daemon.transmitter.bulk import PORT
from gloaming.daemon.transmitter.others import SECOND_NS, Other, Others
from gloaming.daemon.transmitter.packets import DISCOVERY_UNIVERSE, IPV4, address_of

QUIET_NS = SECOND_NS
SPARE_FILES = 512
"""The watch keeps its sockets above this, since select(2) takes no file above 1023."""
BUFFER_BYTES = 4096
DISCOVERY_BUFFER_BYTES = 256 << 10
PACKETS_MAX = 200
SO_ATTACH_FILTER = 26
_LOAD_WORD, _JUMP_IF_EQUAL, _RETURN = 0x20, 0x15, 0x06  # classic BPF
_CID_AT = 8 + 22  # after the header of UDP


class Watch:
    """Other sources on some universes, by multicast. What cannot be listened to is left out: `watched` says how many
    are not."""

    def __init__(self, universes: set[int], interface_index: int, cid: UUID) -> None:
        self.watched = 0
        self._others = Others(universes, cid.bytes)
        self._index, self._cid = interface_index, cid.bytes
        self._standing: tuple[Other, ...] = ()
        self._ending, self._ended = socket.socketpair()
        self._thread = threading.Thread(target=self._run, args=(sorted(universes),), name="watch", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ending.close()

    def standing(self, at_ns: int) -> tuple[Other, ...]:
        """Who was there when last looked."""
        return self._standing

    def _run(self, universes: list[int]) -> None:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))  # threads begin with the transmitter's priority
        files = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
        resource.setrlimit(resource.RLIMIT_NOFILE, (files, files))
        socks: list[socket.socket] = []
        try:
            for number in [DISCOVERY_UNIVERSE, *universes[: max(0, files - SPARE_FILES)]]:
                size = DISCOVERY_BUFFER_BYTES if number == DISCOVERY_UNIVERSE else BUFFER_BYTES
                socks.append(self._join(address_of(IPV4, number), size))
        except OSError:
            pass  # no route for multicast, or no more sockets: `watched` says so
        self.watched = max(0, len(socks) - 1)
        poll = select.epoll()
        by_number = {sock.fileno(): sock for sock in socks}
        for number in by_number:
            poll.register(number, select.EPOLLIN)
        closing = select.poll()
        closing.register(self._ended, select.POLLIN)
        while not closing.poll(1000):
            for number, _ in poll.poll(0, max(1, len(socks))):
                self._drain(by_number[number])
            self._standing = tuple(self._others.standing(time.monotonic_ns()))
        poll.close()
        for sock in [*socks, self._ended]:
            sock.close()

    def _drain(self, sock: socket.socket) -> None:
        for _ in range(PACKETS_MAX):
            try:
                data, (address, _) = sock.recvfrom(2048)
            except OSError:  # nothing more waits
                return
            self._others.heard(time.monotonic_ns(), address, data)

    def _join(self, group: str, buffer_bytes: int) -> socket.socket:
        low = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with low:
            sock = socket.socket(fileno=fcntl.fcntl(low.fileno(), fcntl.F_DUPFD_CLOEXEC, SPARE_FILES))
        try:
            sock.setblocking(False)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
            program = _not_from(self._cid)
            code = ctypes.create_string_buffer(program)
            sock.setsockopt(
                socket.SOL_SOCKET, SO_ATTACH_FILTER, struct.pack("@HP", len(program) // 8, ctypes.addressof(code))
            )
            sock.bind((group, PORT))
            request = struct.pack("=4s4si", socket.inet_aton(group), bytes(4), self._index)
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, request)
        except OSError:
            sock.close()
            raise
        return sock


def _not_from(cid: bytes) -> bytes:
    """A filter that lets through what does not bear a CID: four words compared, the last of them decides."""
    steps = []
    for number in range(4):
        word = struct.unpack_from(">I", cid, 4 * number)[0]
        steps.append((_LOAD_WORD, 0, 0, _CID_AT + 4 * number))
        steps.append((_JUMP_IF_EQUAL, 0, 2 * (3 - number) + 1, word))
    steps.append((_RETURN, 0, 0, 0))
    steps.append((_RETURN, 0, 0, 0xFFFF))
    return b"".join(struct.pack("=HBBI", *step) for step in steps)
