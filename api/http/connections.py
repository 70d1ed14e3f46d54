"""Limits on connections whose request is not complete: how long they may take, and how many there may be. If there are
too many, the oldest is closed, so that a phone can still connect."""

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
"""The time from the opening of a connection, or the first byte of a request, to the end of the request's head."""
BODY_BYTES = 65_536
"""A connection that has brought so much of a body counts as new: an upload under way is not the first to be closed."""
UNANSWERED_MS = 20_000
"""A connection that no longer acknowledges anything is closed after this time (TCP_USER_TIMEOUT, tcp(7))."""


class Handshake:
    """A connection during its TLS handshake: uvicorn has no protocol object for it yet."""

    def __init__(self, sock: socket.socket, client: tuple[str, int]) -> None:
        self.sock, self.client, self.transport = sock, client, self

    def abort(self) -> None:
        with suppress(OSError):  # it is closed already
            self.sock.shutdown(socket.SHUT_RDWR)


class ConnectionLimit:
    """The connections without a complete request, the oldest first."""

    def __init__(self, most: int = SILENT_MAX, of_one: int = SILENT_OF_ONE_ADDRESS_MAX) -> None:
        self.most, self.of_one = most, of_one
        self.silent: OrderedDict[H11Protocol | Handshake, str] = OrderedDict()
        self.of: dict[str, int] = {}
        self.handshakes: dict[tuple[str, int], Handshake] = {}

    def handshake_begun(self, sock: socket.socket, client: tuple[str, int]) -> None:
        """Count a connection whose TLS handshake begins."""
        if client in self.handshakes:
            self.remove(self.handshakes[client])  # an earlier connection from the same port, closed since
        handshake = Handshake(sock, client)
        self.add(handshake)
        self.handshakes[client] = handshake

    def handshake_done(self, client: tuple[str, int] | None) -> None:
        """The TLS handshake is over: uvicorn's protocol object counts now."""
        if client in self.handshakes:
            self.remove(self.handshakes[client])

    def add(self, protocol: H11Protocol | Handshake) -> None:
        """Count one more. If there are too many, close the oldest of the same address, otherwise the oldest of all."""
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
    """A listening socket, made of another one, that counts each new connection."""

    def __init__(self, sock: socket.socket, limit: ConnectionLimit) -> None:
        super().__init__(fileno=sock.detach())
        self.limit = limit

    def accept(self) -> tuple[socket.socket, Any]:
        sock, address = super().accept()
        self.limit.handshake_begun(sock, address[:2])
        return sock, address


def protocol_class(limit: ConnectionLimit, silent_s: float = SILENT_S) -> type[H11Protocol]:
    """The protocol of a server whose silent connections `limit` counts."""

    class TimedProtocol(H11Protocol):
        _timer: asyncio.TimerHandle | None = None
        _brought = 0

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            sock = transport.get_extra_info("socket")
            if sock is not None and sock.family in (socket.AF_INET, socket.AF_INET6):
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNANSWERED_MS)
            limit.handshake_done(self.client)
            limit.add(self)
            self._timer = self.loop.call_later(silent_s, transport.abort)

        def connection_lost(self, exc: Exception | None) -> None:
            limit.remove(self)
            self._stop_timer()
            super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            super().data_received(data)
            if self.cycle is not None and not self.cycle.response_complete:
                self._stop_timer()  # RequestChecks limits the time of a body
                self._brought += len(data)
                if not self.cycle.more_body:
                    limit.remove(self)
                elif self._brought >= BODY_BYTES:
                    self._brought = 0
                    limit.add(self)
            elif self._timer is None and not self.transport.is_closing():
                self._timer = self.loop.call_later(silent_s, self.transport.abort)

        def on_response_complete(self) -> None:
            super().on_response_complete()
            if self.cycle.response_complete and not self.transport.is_closing():
                limit.add(self)

        def eof_received(self) -> bool | None:  # type: ignore[override]  # asyncio.Protocol returns a bool or None
            """A client that has sent its request and closes its side still gets the answer (RFC 9293 3.6)."""
            asked = self.cycle is not None and not self.cycle.more_body and not self.cycle.response_complete
            if not asked or self.scheme == "https":  # TLS ends both sides at once
                return None
            self.cycle.keep_alive = False
            return True

        def send_400_response(self, msg: str) -> None:
            """Answer a request that cannot be read, unless an answer has begun."""
            if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE):
                super().send_400_response(msg)
            else:
                self.transport.close()

        def _stop_timer(self) -> None:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None

    return TimedProtocol
