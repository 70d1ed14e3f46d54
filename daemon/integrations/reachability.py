"""Whether each controller answers an echo request or a handshake, twice a minute. Neither disturbs it.

A refused connection is an answer. A controller that listens to multicast has no address and cannot be asked.
"""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from itertools import count

from gloaming.shows.rig.model import Controller, Rig

PERIOD_S = 25.0
"""So that every controller is asked within 30 s, and one that has gone is named within 35."""
TRIES, TRY_S = 3, 1.0
TCP_PORT = 80
"""Common practice, no source: most controllers have a web page at this port."""

_numbers = count(1)
Ask = Callable[[str], Awaitable[bool]]
Changed = Callable[["Reach"], None]


@dataclass(frozen=True, slots=True)
class Reach:
    """Whether a controller answers (None: not known), since when, and the strings that depend on it."""

    controller: str
    host: str | None
    answers: bool | None
    since_ns: int
    strings: tuple[str, ...]

    @property
    def text(self) -> str:
        """The state as a text for a person."""
        if self.answers is None:
            why = "has not been asked yet" if self.host else "listens to multicast and cannot be asked"
            return f"controller {self.controller} {why}"
        at = f"controller {self.controller} ({self.host})"
        if self.answers:
            return f"{at} answers"
        shown = ", ".join(self.strings[:12]) + (f" and {len(self.strings) - 12} more" if len(self.strings) > 12 else "")
        return f"{at} does not answer; dark with it: {shown or 'no string'}"


class Reachability:
    """Asks every controller of a rig at each look. Calls `changed` for each that comes or goes."""

    def __init__(self, rig: Rig, now_ns: Callable[[], int], changed: Changed, ask: Ask | None = None) -> None:
        self._now_ns, self._changed, self._ask = now_ns, changed, ask or answers
        self.found: dict[str, Reach] = {}
        self.watch(rig)

    def watch(self, rig: Rig) -> None:
        """Ask the controllers of this rig from now on. Those that stay keep their state."""
        found = {}
        for controller in rig.controller:
            strings = tuple(string.name for string in rig.string if string.controller == controller.name)
            known = self.found.get(controller.name)
            same = known is not None and known.host == controller.host
            reach = Reach(controller.name, controller.host, None, self._now_ns(), strings)
            if known and same:
                reach = Reach(controller.name, controller.host, known.answers, known.since_ns, strings)
            found[controller.name] = reach
        self.found = found

    async def look(self) -> None:
        """Ask every controller once, all at the same time."""
        hosts = {reach.host for reach in self.found.values() if reach.host}
        answered = dict(zip(hosts, await asyncio.gather(*(self._ask(host) for host in hosts)), strict=True))
        for reach in list(self.found.values()):
            if reach.host in answered and reach.answers != answered[reach.host]:
                new = Reach(reach.controller, reach.host, answered[reach.host], self._now_ns(), reach.strings)
                self.found[reach.controller] = new
                if reach.answers is not None or not new.answers:
                    self._changed(new)

    @property
    def gone(self) -> tuple[Reach, ...]:
        """The controllers that do not answer."""
        return tuple(reach for reach in self.found.values() if reach.answers is False)


async def look_once(controllers: tuple[Controller, ...]) -> dict[str, bool]:
    """Whether each controller with an address answers now."""
    asked = [controller for controller in controllers if controller.host]
    answered = await asyncio.gather(*(answers(controller.host or "") for controller in asked))
    return {controller.name: found for controller, found in zip(asked, answered, strict=True)}


async def answers(host: str) -> bool:
    """Whether a host answers an echo request, or a handshake, within a few seconds."""
    try:
        address = await _address(host)
    except OSError:
        return False
    loop = asyncio.get_running_loop()
    for number in range(TRIES):
        next_s = loop.time() + TRY_S
        for way in (_echo, _handshake):
            try:
                if await asyncio.wait_for(way(address), TRY_S):
                    return True
            except (OSError, TimeoutError):
                continue
        if number < TRIES - 1:  # a missing route fails at once, and may be back at once
            await asyncio.sleep(max(0.0, next_s - loop.time()))
    return False


async def _address(host: str) -> str:
    """An address of a host, IPv4 or IPv6. OSError where there is none."""
    loop = asyncio.get_running_loop()
    found = await asyncio.wait_for(loop.getaddrinfo(host, None, type=socket.SOCK_DGRAM), TRY_S)
    return str(found[0][4][0])


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in address else socket.AF_INET


async def _echo(address: str) -> bool:
    """An echo request (RFC 792, RFC 4443) by the kernel's echo socket. PermissionError where that is not allowed."""
    six = _family(address) == socket.AF_INET6
    protocol, request, reply = (socket.IPPROTO_ICMPV6, 128, 129) if six else (socket.IPPROTO_ICMP, 8, 0)
    with socket.socket(_family(address), socket.SOCK_DGRAM, protocol) as sock:
        sock.setblocking(False)
        sock.connect((address, 0))
        number = next(_numbers) & 0xFFFF
        head = struct.pack("!BBHHH", request, 0, 0, 0, number)  # the kernel sets identifier and checksum
        loop = asyncio.get_running_loop()
        await loop.sock_sendall(sock, head + os.urandom(8))
        while True:
            answer = await loop.sock_recv(sock, 256)
            if len(answer) >= 8 and answer[0] == reply and struct.unpack_from("!H", answer, 6)[0] == number:
                return True


async def _handshake(address: str) -> bool:
    with socket.socket(_family(address), socket.SOCK_STREAM) as sock:
        sock.setblocking(False)
        with suppress(ConnectionRefusedError):  # a refusal is an answer
            await asyncio.get_running_loop().sock_connect(sock, (address, TCP_PORT))
    return True
