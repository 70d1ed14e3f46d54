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
from dataclasses import dataclass, replace
from itertools import count

from gloaming.daemon.integrations.host_names import Addresses, address_of, where
from gloaming.shows.rig.model import Rig

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
    address: str | None
    answers: bool | None
    since_ns: int
    strings: tuple[str, ...]

    @property
    def text(self) -> str:
        """The state as a text for a person."""
        if self.answers is None:
            why = "has not been asked yet" if self.address else "has no known address and cannot be asked"
            if self.host is None:
                why = "listens to multicast and cannot be asked"
            return f"controller {self.controller} {why}"
        at = f"controller {self.controller} ({where(self.host, self.address)})"
        if self.answers:
            return f"{at} answers"
        shown = ", ".join(self.strings[:12]) + (f" and {len(self.strings) - 12} more" if len(self.strings) > 12 else "")
        return f"{at} does not answer; dark with it: {shown or 'no string'}"


class Reachability:
    """Asks every controller of a rig at each look. Calls `changed` for each that comes or goes."""

    def __init__(
        self,
        rig: Rig,
        addresses: Addresses,
        now_ns: Callable[[], int],
        changed: Changed,
        ask: Ask | None = None,
    ) -> None:
        self._now_ns, self._changed, self._ask = now_ns, changed, ask or answers
        self.found: dict[str, Reach] = {}
        self.watch(rig, addresses)

    def watch(self, rig: Rig, addresses: Addresses) -> None:
        """Ask the controllers of this rig at these addresses from now on. Those that stay keep their state."""
        found = {}
        for controller in rig.controller:
            strings = tuple(string.name for string in rig.strings_of[controller.name])
            known = self.found.get(controller.name)
            address = address_of(controller, addresses)
            reach = Reach(controller.name, controller.host, address, None, self._now_ns(), strings)
            if known and known.address == address:
                reach = replace(reach, answers=known.answers, since_ns=known.since_ns)
            found[controller.name] = reach
        self.found = found

    async def look(self) -> None:
        """Ask every controller once, all at the same time."""
        asked = {reach.address for reach in self.found.values() if reach.address}
        answered = dict(zip(asked, await asyncio.gather(*map(self._ask, asked)), strict=True))
        for reach in list(self.found.values()):
            if reach.address in answered and reach.answers != answered[reach.address]:
                new = replace(reach, answers=answered[reach.address], since_ns=self._now_ns())
                self.found[reach.controller] = new
                if reach.answers is not None or not new.answers:
                    self._changed(new)

    @property
    def gone(self) -> tuple[Reach, ...]:
        """The controllers that do not answer."""
        return tuple(reach for reach in self.found.values() if reach.answers is False)


async def look_once(rig: Rig, addresses: Addresses) -> dict[str, bool]:
    """Whether each controller with an address answers now."""
    asking = Reachability(rig, addresses, lambda: 0, lambda reach: None)
    await asking.look()
    return {name: reach.answers for name, reach in asking.found.items() if reach.answers is not None}


async def answers(address: str) -> bool:
    """Whether the host with an IP address answers an echo request, or a handshake, within a few seconds."""
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
