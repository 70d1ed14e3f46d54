"""What answers on the network here and now: Art-Net nodes, sources of E1.31, and names by mDNS.

A look lasts some seconds. What cannot be asked is a note. A machine does not look twice at a time. What strangers send
is bounded: nodes, sources, names, and the packets that are read.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Collection
from contextlib import asynccontextmanager
from dataclasses import dataclass
from ipaddress import IPv4Interface

from gloaming.daemon.integrations.art_nodes import Own, Replies, ask_nodes
from gloaming.daemon.integrations.e131_sources import E131Source, hear_sources
from gloaming.daemon.integrations.mdns_names import MdnsName, find_names
from gloaming.daemon.transmitter.udp_sender import interface_index
from gloaming.shows.interfaces import addresses
from gloaming.shows.protocols.artnet.poll import POLL_S, REPLY_S, ArtNode

LOOK_S = POLL_S + REPLY_S + 0.5
"""Long enough to poll those controllers once more that did not answer at first."""
NOTES_MAX = 20
TURN, TURN_S, TURN_LOOK_S = "\0gloaming-network-look", 60.0, 0.2


@dataclass(frozen=True, slots=True)
class NetworkLook:
    """What answered. `notes` say what could not be asked, and what is odd. `malformed` counts packets that are neither
    ArtPollReply nor universe discovery."""

    at_ns: int
    nodes: tuple[ArtNode, ...]
    sources: tuple[E131Source, ...]
    names: tuple[MdnsName, ...]
    notes: tuple[str, ...]
    malformed: int
    unheard: bool = False
    """Whether another program gets the replies of nodes, so that a node that answers may be missing."""


@dataclass(frozen=True, slots=True)
class _Asked:
    controllers: frozenset[str]
    interface: str | None
    art_poll: bool
    seconds: float


_running: dict[_Asked, asyncio.Task[NetworkLook]] = {}


async def look(
    controllers: Collection[str], interface: str | None, *, art_poll: bool, seconds: float, at_ns: int
) -> NetworkLook:
    """Look for some seconds. `controllers` are the addresses of the Art-Net controllers: each of them is polled.

    All other nodes answer the broadcasts of `interface`, a name or an address; of all interfaces without it. Without
    `art_poll` no node is polled. Sources of E1.31 announce themselves every 10 s (ANSI E1.31-2018, appendix A). A
    caller with the same question gets the answer of a look that runs. One with another question waits until that look
    ends.
    """
    asked = _Asked(frozenset(controllers), interface, art_poll, seconds)
    while others := [task for one, task in _running.items() if one != asked]:
        await asyncio.wait(others)
    if asked not in _running:
        _running[asked] = task = asyncio.create_task(_look(asked, at_ns), name="look at the network")
        task.add_done_callback(lambda _: _running.pop(asked))
    return await asyncio.shield(_running[asked])


async def _look(asked: _Asked, at_ns: int) -> NetworkLook:
    notes: list[str] = []
    own = _own(notes)
    near = _of(asked.interface, own, notes)
    async with _turn(), asyncio.TaskGroup() as group:
        hearing = group.create_task(hear_sources({index for index, _ in near}, asked.seconds, notes))
        naming = group.create_task(find_names([str(one.ip) for _, one in near], asked.seconds, notes))
        replies = Replies()
        if asked.art_poll:
            replies = await ask_nodes(asked.controllers, own, near, asked.seconds, notes)
    sources = hearing.result()
    notes = list(dict.fromkeys([*notes, *replies.notes()]))
    if len(notes) > NOTES_MAX:
        notes[NOTES_MAX - 1 :] = [f"and {len(notes) - NOTES_MAX + 1} more notes"]
    malformed = replies.malformed + sources.malformed
    return NetworkLook(
        at_ns, replies.nodes(), sources.found(), naming.result(), tuple(notes), malformed, replies.unheard
    )


@asynccontextmanager
async def _turn() -> AsyncIterator[None]:
    """One process of this machine looks at a time: of two, only one would get the replies of a node.

    The process whose turn it is has an abstract name (unix(7)), which ends with it. Who waits too long looks anyway.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as turn:
        for _ in range(round(TURN_S / TURN_LOOK_S)):
            try:
                turn.bind(TURN)
                break
            except OSError:
                await asyncio.sleep(TURN_LOOK_S)
        yield


def _own(notes: list[str]) -> list[Own]:
    try:
        return [(index, one) for index, one in addresses() if isinstance(one, IPv4Interface)]
    except OSError as error:
        notes.append(f"the addresses of this machine are not known ({error.strerror})")
        return []


def _of(interface: str | None, own: Collection[Own], notes: list[str]) -> list[Own]:
    """The addresses of an interface; all without one."""
    try:
        index = interface_index(interface)
    except OSError as error:
        notes.append(f"the network interface {interface} cannot be used ({error.strerror or error})")
        return []
    near = [one for one in own if index in (0, one[0])]
    if not near:
        notes.append(f"{interface or 'this machine'} has no IPv4 address, so nothing is asked by broadcast")
    return near
