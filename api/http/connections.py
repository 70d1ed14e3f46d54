"""Connections whose request is not whole yet: how long they may take, and how many there may be. When there are too
many, the one that has waited the longest makes room, so that a phone that asks something is let in."""

from __future__ import annotations

import asyncio
import socket
from collections import OrderedDict
from contextlib import suppress
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

SILENT_MAX = 256
SILENT_OF_ONE_ADDRESS_MAX = 96
SILENT_S = 10.0
"""From the opening of a connection, or the first byte of a request, to the end of the request's head."""
UNANSWERED_MS = 20_000
"""A phone that has gone away without a word is given up after this (TCP_USER_TIMEOUT, tcp(7))."""


class Handshake:
    """A connection whose TLS handshake is not over: until then no protocol knows of it."""

    def __init__(self, sock: socket.socket, client: tuple[str, int]) -> None:
        self.sock, self.client, self.transport = sock, client, self

    def abort(self) -> None:
        with suppress(OSError):  # it has gone by itself
            self.sock.shutdown(socket.SHUT_RDWR)


class ConnectionLimit:
    """The connections without a whole request, the longest silent first."""

    def __init__(self, most: int = SILENT_MAX, of_one: int = SILENT_OF_ONE_ADDRESS_MAX) -> None:
        self.most, self.of_one = most, of_one
        self.silent: OrderedDict[H11Protocol | Handshake, str] = OrderedDict()
        self.of: dict[str, int] = {}
        self.handshakes: dict[tuple[str, int], Handshake] = {}

    def handshake_begun(self, sock: socket.socket, client: tuple[str, int]) -> None:
        """A connection whose TLS handshake begins."""
        if client in self.handshakes:
            self.remove(self.handshakes[client])  # it had gone, and somebody else has its port
        handshake = Handshake(sock, client)
        self.add(handshake)
        self.handshakes[client] = handshake

    def handshake_done(self, client: tuple[str, int] | None) -> None:
        """The TLS handshake is over, and the connection is a protocol's now."""
        if client in self.handshakes:
            self.remove(self.handshakes[client])

    def add(self, protocol: H11Protocol | Handshake) -> None:
        """One more; where that is too many, one of the same address, or else the oldest, is closed."""
        self.remove(protocol)
        address = protocol.client[0] if protocol.client else ""
        if self.of.get(address, 0) >= self.of_one:
            self._close(next(one for one, its in self.silent.items() if its == address))
        elif len(self.silent) >= self.most:
            self._close(next(iter(self.silent)))
        self.silent[protocol] = address
        self.of[address] = self.of.get(address, 0) + 1

    def remove(self, protocol: H11Protocol | Handshake) -> None:
        if isinstance(protocol, Handshake) and self.handshakes.get(protocol.client) is protocol:
            del self.handshakes[protocol.client]
        address = self.silent.pop(protocol, None)
        if address is not None:
            self.of[address] -= 1
            if not self.of[address]:
                del self.of[address]

    def _close(self, protocol: H11Protocol | Handshake) -> None:
        self.remove(protocol)
        protocol.transport.abort()


class CountingListener(socket.socket):
    """A listening socket, in place of another, that counts each new connection against the limit."""

    def __init__(self, sock: socket.socket, limit: ConnectionLimit) -> None:
        super().__init__(fileno=sock.detach())
        self.limit = limit

    def accept(self) -> tuple[socket.socket, Any]:
        sock, address = super().accept()
        self.limit.handshake_begun(sock, address[:2])
        return sock, address


def protocol_class(limit: ConnectionLimit, silent_s: float = SILENT_S) -> type[H11Protocol]:
    """The protocol of a server whose silent connections are kept in `limit`."""

    class TimedProtocol(H11Protocol):
        _ends: asyncio.TimerHandle | None = None

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            sock = transport.get_extra_info("socket")
            if sock is not None and sock.family in (socket.AF_INET, socket.AF_INET6):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNANSWERED_MS)
            limit.handshake_done(self.client)
            limit.add(self)
            self._ends = self.loop.call_later(silent_s, transport.abort)

        def connection_lost(self, exc: Exception | None) -> None:
            limit.remove(self)
            self._go_on()
            super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            if self.cycle is not None and not self.cycle.response_complete:
                self._go_on()  # the guard has an eye on how long a body takes
                if not self.cycle.more_body:
                    limit.remove(self)
            elif self._ends is None and not self.transport.is_closing():
                self._ends = self.loop.call_later(silent_s, self.transport.abort)

        def on_response_complete(self) -> None:
            super().on_response_complete()
            if self.cycle.response_complete and not self.transport.is_closing():
                limit.add(self)

        def eof_received(self) -> bool | None:  # type: ignore[override]  # as asyncio.Protocol has it
            """Whoever has asked, and says that nothing more will come, may still hear the answer (RFC 9293 3.6)."""
            asked = self.cycle is not None and not self.cycle.more_body and not self.cycle.response_complete
            if not asked or self.scheme == "https":  # TLS ends both sides at once
                return None
            self.cycle.keep_alive = False
            return True

        def send_400_response(self, msg: str) -> None:
            """A request that cannot be read gets an answer, unless one has begun."""
            if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
                super().send_400_response(msg)
            else:
                self.transport.close()

        def _go_on(self) -> None:
            if self._ends is not None:
                self._ends.cancel()
                self._ends = None

    return TimedProtocol
