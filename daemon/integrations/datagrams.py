"""Reads the datagrams of a socket on the event loop, and no more of a flood than is good for the show."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager

READ_MAX = 20_000


@contextmanager
def reading(sock: socket.socket, take: Callable[[bytes, str], None], notes: list[str]) -> Iterator[None]:
    """Give `take` each datagram of an IPv4 socket with the address of its sender, up to `READ_MAX` of them."""
    loop, left = asyncio.get_running_loop(), READ_MAX

    def read() -> None:
        nonlocal left
        try:
            data, (address, _) = sock.recvfrom(2048)
        except OSError:  # the refusal of a packet of ours, or nothing to read
            return
        take(data, address)
        left -= 1
        if not left:
            loop.remove_reader(sock)
            at, port = sock.getsockname()
            notes.append(f"a flood: of the packets to {at}, port {port}, only the first {READ_MAX} were read")

    loop.add_reader(sock, read)
    try:
        yield
    finally:
        loop.remove_reader(sock)
