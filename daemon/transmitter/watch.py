"""Looks for other sources on our universes: a thread reads a socket for each universe's group once a second.

Each socket is bound to its group, so it takes no unicast packets, and has one membership (a socket may have 20). Its
buffer holds a few packets, and the kernel drops our own. So the watch uses little time.
"""

from __future__ import annotations

import fcntl
import resource
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterable
from uuid import UUID

from gloaming.daemon.service import packet_filter
from gloaming.daemon.transmitter.others import OtherSource, OtherSources
from gloaming.shows.protocols.e131 import CID_AT, DISCOVERY_UNIVERSE, PORT, group
from gloaming.shows.time_units import SECOND_NS

QUIET_NS = SECOND_NS
SPARE_FILES = 512
"""The sockets have file numbers above this. Lower ones stay free for select(2), which takes none above 1023."""
BUFFER_BYTES = 4096
DISCOVERY_BUFFER_BYTES = 256 << 10
PACKETS_MAX = 200
RETRY_S = 10


class SourceWatch:
    """The other sources that send multicast on some universes. `watched` is the number of universes with a socket.

    A socket that fails (no route for multicast, no more sockets) is tried again. The thread first calls `begin`.
    """

    def __init__(
        self,
        universes: set[int],
        interface_index: int,
        cid: UUID,
        boards: Iterable[str] = (),
        begin: Callable[[], None] = lambda: None,
    ) -> None:
        self.watched = 0
        self._others = OtherSources(universes, cid.bytes, frozenset(boards))
        self._index, self._cid, self._begin = interface_index, cid.bytes, begin
        self._standing: tuple[OtherSource, ...] = ()
        self._socks: list[socket.socket] = []
        self._ending, self._ended = socket.socketpair()
        self._thread = threading.Thread(target=self._run, args=(sorted(universes),), name="watch", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ending.close()

    def know(self, boards: Iterable[str]) -> None:
        """From now on these are the CIDs of the site's other boards."""
        self._others.boards = frozenset(boards)

    def standing(self) -> tuple[OtherSource, ...]:
        """The other sources of the last look, without the site's boards."""
        return tuple(one for one in self._standing if one.cid not in self._others.boards)

    def boards(self) -> tuple[OtherSource, ...]:
        """The site's other boards that send on our universes."""
        return tuple(one for one in self._standing if one.cid in self._others.boards)

    def _run(self, universes: list[int]) -> None:
        self._begin()
        wanted = [DISCOVERY_UNIVERSE, *universes[: self._files() - SPARE_FILES]]
        ready, closing = select.epoll(), select.poll()
        closing.register(self._ended, select.POLLIN)
        turn = 0
        while True:
            if len(self._socks) < len(wanted) and turn % RETRY_S == 0:
                self._join_all(wanted, ready)
            if closing.poll(1000):
                break
            by_number = {sock.fileno(): sock for sock in self._socks}
            for number, _ in ready.poll(0, len(wanted)):
                self._drain(by_number[number])
            self._standing = tuple(self._others.standing(time.monotonic_ns()))
            turn += 1
        ready.close()
        for sock in [*self._socks, self._ended]:
            sock.close()

    @staticmethod
    def _files() -> int:
        """The most files that this process may open, after raising its limit."""
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
        except (OSError, ValueError):
            return max(SPARE_FILES, soft)
        return max(SPARE_FILES, hard)

    def _join_all(self, wanted: list[int], ready: select.epoll) -> None:
        for number in wanted[len(self._socks) :]:
            try:
                sock = self._join(number)
            except OSError:  # `watched` shows it
                break
            ready.register(sock, select.EPOLLIN)
            self._socks.append(sock)
        self.watched = max(0, len(self._socks) - 1)

    def _drain(self, sock: socket.socket) -> None:
        for _ in range(PACKETS_MAX):
            try:
                data, (address, _) = sock.recvfrom(2048)
            except OSError:  # nothing is left to read
                return
            self._others.heard(time.monotonic_ns(), address, data)

    def _join(self, universe: int) -> socket.socket:
        to, buffer_bytes = group(universe), DISCOVERY_BUFFER_BYTES if universe == DISCOVERY_UNIVERSE else BUFFER_BYTES
        low = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with low:
            sock = socket.socket(fileno=fcntl.fcntl(low.fileno(), fcntl.F_DUPFD_CLOEXEC, SPARE_FILES))
        try:
            sock.setblocking(False)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
            packet_filter.drop(sock, CID_AT, self._cid)
            sock.bind((socket.inet_ntoa(to), PORT))
            request = struct.pack("=4s4si", to, bytes(4), self._index)
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, request)
        except OSError:
            sock.close()
            raise
        return sock
