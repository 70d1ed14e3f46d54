"""Looks for other sources on our universes: a thread reads the sockets of the watch once a second.

Their buffers hold few packets, and the kernel drops our own. So the watch uses little time.
"""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Callable, Collection, Iterable
from contextlib import suppress
from uuid import UUID

from gloaming.daemon.score.setup import Target
from gloaming.daemon.transmitter.others import ArtNetSource, ArtNetSources, OtherSource, OtherSources
from gloaming.daemon.transmitter.watch_sockets import SPARE_FILES, BroadcastSockets, files_max, join
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.e131 import DISCOVERY_UNIVERSE
from gloaming.shows.time_units import SECOND_NS

QUIET_NS = SECOND_NS
PACKETS_MAX = 500
RETRY_S = 10


class SourceWatch:
    """The other sources on the universes of some targets: E1.31 by multicast, and Art-Net by broadcast.

    `watched` is the number of universes that are heard. A socket that fails (no route for multicast, no more sockets,
    a port that is taken) is tried again. The thread first calls `begin`.
    """

    def __init__(
        self,
        targets: Collection[Target],
        interface_index: int,
        cid: UUID,
        boards: Iterable[str] = (),
        begin: Callable[[], None] = lambda: None,
    ) -> None:
        self.watched = 0
        universes = {target.number for target in targets if target.protocol is ProtocolName.E131}
        self._others = OtherSources(universes, cid.bytes, frozenset(boards))
        artnet = [target for target in targets if target.protocol is ProtocolName.ARTNET]
        universes_of: dict[int, list[int]] = {}
        for target in artnet:
            if target.port_address is not None:
                universes_of.setdefault(target.port_address, []).append(target.number)
        self._artnet = ArtNetSources(universes_of)
        hosts = {host for target in artnet for host in target.hosts}
        self._broadcasts = BroadcastSockets(hosts, universes_of, interface_index)
        self._index, self._cid, self._begin = interface_index, cid.bytes, begin
        self._standing: tuple[OtherSource, ...] = ()
        self._artnet_standing: tuple[ArtNetSource, ...] = ()
        self._socks: list[socket.socket] = []
        self._ending, self._ended = socket.socketpair()
        wanted = [DISCOVERY_UNIVERSE, *sorted(universes)] if universes else []
        self._thread = threading.Thread(target=self._run, args=(wanted,), name="watch", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ending.close()

    def know(self, boards: Iterable[str]) -> None:
        """From now on these are the CIDs of the site's other boards."""
        self._others.boards = frozenset(boards)

    def standing(self) -> tuple[OtherSource | ArtNetSource, ...]:
        """The other sources of the last look, without those boards of the site that send E1.31.

        Boards that send Art-Net on the same port-address disturb each other, as that has no priorities.
        """
        strangers = tuple(one for one in self._standing if one.cid not in self._others.boards)
        return (*strangers, *self._artnet_standing)

    def boards(self) -> tuple[OtherSource, ...]:
        """The site's other boards that send E1.31 on our universes."""
        return tuple(one for one in self._standing if one.cid in self._others.boards)

    def _run(self, wanted: list[int]) -> None:
        self._begin()
        wanted = wanted[: files_max() - SPARE_FILES]
        ready, closing = select.epoll(), select.poll()
        closing.register(self._ended, select.POLLIN)
        turn = 0
        while True:
            if turn % RETRY_S == 0:
                self._open_sockets(wanted, ready)
            if closing.poll(1000):
                break
            by_number = {sock.fileno(): sock for sock in self._socks}
            for number, _ in ready.poll(0, len(wanted) + 1):
                _drain(by_number[number], self._others.heard)
            for sock in self._broadcasts:
                _drain(sock, self._artnet.heard)
            now_ns = time.monotonic_ns()
            self._standing = tuple(self._others.standing(now_ns))
            self._artnet_standing = tuple(self._artnet.standing(now_ns))
            turn += 1
        ready.close()
        self._broadcasts.close()
        for sock in [*self._socks, self._ended]:
            sock.close()

    def _open_sockets(self, wanted: list[int], ready: select.epoll) -> None:
        """Open the sockets that are missing, as far as that works: `watched` shows it."""
        with suppress(OSError):
            for universe in wanted[len(self._socks) :]:
                sock = join(universe, self._index, self._cid)
                ready.register(sock, select.EPOLLIN)
                self._socks.append(sock)
        if self._artnet.universes_of:
            with suppress(OSError):  # the kernel lists no addresses
                self._broadcasts.follow()
        by_artnet = sum(map(len, self._artnet.universes_of.values())) if any(self._broadcasts) else 0
        self.watched = max(0, len(self._socks) - 1) + by_artnet


def _drain(sock: socket.socket, take: Callable[[int, str, bytes], None]) -> None:
    for _ in range(PACKETS_MAX):
        try:
            data, (address, _) = sock.recvfrom(2048)
        except OSError:  # nothing is left to read
            return
        take(time.monotonic_ns(), address, data)
