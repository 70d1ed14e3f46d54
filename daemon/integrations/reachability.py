"""Whether each controller answers an echo request or a handshake, twice a minute. Neither disturbs it.

A refused connection is an answer. A controller that listens to multicast or broadcast has no address and cannot be
asked. If all controllers of a circuit are gone, that is one trouble.
"""

from __future__ import annotations

import asyncio
import os
import socket
import struct
from collections.abc import Awaitable, Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import count

from gloaming.daemon.integrations.host_names import Addresses, address_of, where
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.model import Circuit, Rig
from gloaming.shows.time_units import SECOND_NS

PERIOD_S = 25.0
"""So that every controller is asked within 30 s, and one that has gone is named within 35."""
TRIES, TRY_S = 3, 1.0
BACK_NS = 120 * SECOND_NS
"""How long after the first controller of a circuit the last one may begin to answer."""
TCP_PORT = 80
"""Common practice, no source: most controllers have a web page at this port."""

_numbers = count(1)
Ask = Callable[[str], Awaitable[bool]]


@dataclass(frozen=True, slots=True)
class Reach:
    """Whether a controller answers (None: not known), since when, and the strings that depend on it.

    `circuit` is the circuit of the mains that feeds its strings, if it is one alone.
    """

    controller: str
    protocol: ProtocolName
    host: str | None
    address: str | None
    answers: bool | None
    since_ns: int
    strings: tuple[str, ...]
    circuit: str | None

    @property
    def words(self) -> str:
        """The state in a few words, after its name."""
        if self.answers is not None:
            return "answers" if self.answers else "does not answer"
        if self.host is None:
            way = "multicast" if self.protocol is ProtocolName.E131 else "broadcast"
            return f"listens to {way} and cannot be asked"
        return "has not been asked yet" if self.address else "has no known address and cannot be asked"

    @property
    def text(self) -> str:
        """The state as a text for a person."""
        if self.answers is None:
            return f"controller {self.controller} {self.words}"
        dark = "" if self.answers else f"; dark with it: {_some(self.strings)}"
        return f"controller {self.controller} ({where(self.host, self.address)}) {self.words}{dark}"


class Reachability:
    """Asks every controller of a rig at each look."""

    def __init__(
        self, rig: Rig, addresses: Addresses, now_ns: Callable[[], int] = lambda: 0, ask: Ask | None = None
    ) -> None:
        self._now_ns, self._ask = now_ns, ask or answers
        self.found: dict[str, Reach] = {}
        self._out: dict[str, int] = {}
        """The circuits without any controller that answers, and when that was last so."""
        self.watch(rig, addresses)

    def watch(self, rig: Rig, addresses: Addresses) -> None:
        """Ask the controllers of this rig at these addresses from now on. Those that stay keep their state."""
        self._circuits, found = rig.circuit, {}
        circuit_of = {supply.name: supply.circuit for supply in rig.supply}
        for controller in rig.controller:
            strings = rig.strings_of[controller.name]
            circuits = {circuit_of[string.supply] for string in strings if string.supply is not None} - {None}
            known = self.found.get(controller.name)
            address = address_of(controller, addresses)
            reach = Reach(
                controller=controller.name,
                protocol=controller.protocol,
                host=controller.host,
                address=address,
                answers=None,
                since_ns=self._now_ns(),
                strings=tuple(string.name for string in strings),
                circuit=circuits.pop() if len(circuits) == 1 else None,
            )
            if known and known.address == address:
                reach = replace(reach, answers=known.answers, since_ns=known.since_ns)
            found[controller.name] = reach
        self.found = found

    def forget(self) -> None:
        """Know of no controller whether it answers."""
        self.found = {name: replace(one, answers=None) for name, one in self.found.items()}

    async def look(self) -> None:
        """Ask every controller once, all at the same time."""
        asked = {reach.address for reach in self.found.values() if reach.address}
        answered = dict(zip(asked, await asyncio.gather(*map(self._ask, asked)), strict=True))
        for reach in list(self.found.values()):
            if reach.address in answered and reach.answers != answered[reach.address]:
                new = replace(reach, answers=answered[reach.address], since_ns=self._now_ns())
                self.found[reach.controller] = new

    @property
    def gone(self) -> tuple[Reach, ...]:
        """The controllers that do not answer."""
        return tuple(reach for reach in self.found.values() if reach.answers is False)

    def outages(self, unreached: Collection[str]) -> list[Trouble]:
        """A trouble for each circuit whose controllers have all gone, two at least, until all are back.

        When one is back, the others have `BACK_NS` before each is a trouble of its own. One whose address is in
        `unreached` is not back yet.
        """
        now_ns = self._now_ns()
        asked = [reach for reach in self.found.values() if reach.address]
        others = any(reach.answers for reach in asked)
        found = []
        for circuit in self._circuits:
            own = [reach for reach in asked if reach.circuit == circuit.name]
            away = [reach for reach in own if reach.answers is False or reach.address in unreached]
            whole = len(own) > 1 and all(reach.answers is False for reach in own)
            if whole:
                self._out[circuit.name] = now_ns
            elif not away or not 0 <= now_ns - self._out.get(circuit.name, now_ns) < BACK_NS:
                self._out.pop(circuit.name, None)
            if circuit.name in self._out:
                text = _outage(circuit, away, whole, others)
                covers = {("controller", reach.controller) for reach in own}
                covers |= {("network", str(reach.address)) for reach in own}
                found.append(Trouble(TroubleCode.CIRCUIT, f"circuit {circuit.name}", text, covers=frozenset(covers)))
        return found


def _outage(circuit: Circuit, away: Sequence[Reach], whole: bool, others: bool) -> str:
    """The text for the controllers of a circuit that are away: all of them or not, and whether others answer."""
    names = _some([reach.controller for reach in away])
    dark = _some([name for reach in away for name in reach.strings])
    if not whole:
        return f"circuit {circuit.name}: not back yet: {names}; dark with them: {dark}"
    breaker = f"its breaker ({circuit.breaker})" if circuit.breaker else "its breaker"
    rcd = "" if circuit.rcd is False else ", or its RCD"
    text = f"all of circuit {circuit.name}: controllers {names} do not answer; is {breaker} off{rcd}?"
    network = "" if others else " No other controller answers, so it may be the network instead."
    return f"{text}{network} Dark with them: {dark}"


def _some(names: Sequence[str]) -> str:
    """The first twelve names, and how many more there are."""
    more = f" and {len(names) - 12} more" if len(names) > 12 else ""
    return f"{', '.join(names[:12])}{more}" or "no string"


async def look_once(rig: Rig, addresses: Addresses) -> dict[str, bool]:
    """Whether each controller with an address answers now."""
    asking = Reachability(rig, addresses)
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
