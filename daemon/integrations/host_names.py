"""The addresses of controllers that have a host name, looked up again and again.

Nothing can stop a look-up that hangs, so each runs in a thread of its own. A name keeps its address until another is
found.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import suppress
from threading import BoundedSemaphore, Thread

from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.shows.rig.model import Controller, Rig
from gloaming.shows.rig.values import is_ip_address, is_loopback, is_of_one_host

LOOK_UP_S = 10.0
WAITS_S = (0.5, 4.5)
"""Names that are found within the first wait are taken over together, the others after the second one. A name server is
silent then: what it answers later counts at the next look."""
AT_ONCE_MAX = 8
"""So many names are asked for at a time, since a router answers few at once."""

Addresses = Mapping[str, str]
"""The address of each host name that has one."""
LookUp = Callable[[str], list[str]]
_turns = BoundedSemaphore(AT_ONCE_MAX)


class HostNames:
    """Knows the addresses of host names. `moved` is called with the names that have another one."""

    def __init__(
        self, known: Addresses, moved: Callable[[list[str]], None] = lambda names: None, ask: LookUp | None = None
    ) -> None:
        self.addresses = dict(known)
        self.unanswered: dict[str, str] = {}
        """Why the last look-up of a name gave no address."""
        self._moved, self._ask = moved, ask or look_up
        self._running: dict[str, Future[list[str]]] = {}

    async def look(self, rig: Rig) -> None:
        """Look up the host names of a rig, a few seconds at most. A name is not asked for twice at a time."""
        names = host_names(rig)
        for name in names:
            if name not in self._running:
                self._running[name] = _begin(self._ask, name)
        for wait_s in WAITS_S:
            await _wait([self._running[name] for name in names if name in self._running], wait_s)
            moved = [name for name in names if name in self._running and self._take(name)]
            if moved:
                self._moved(moved)
        self.unanswered |= {name: "no name server answers" for name in names if name in self._running}

    def _take(self, name: str) -> bool:
        """Take what a look-up has found, if it has ended. Whether the name has another address now."""
        if not self._running[name].done():
            return False
        found = self._running.pop(name)
        try:
            address = _best(found.result(), self.addresses.get(name))
        except OSError as error:
            self.unanswered[name] = error.strerror or str(error)
            return False
        self.unanswered.pop(name, None)
        before = self.addresses.get(name)
        self.addresses[name] = address
        return address != before


def host_names(rig: Rig) -> list[str]:
    return [one.host for one in rig.controller if one.host and not is_ip_address(one.host)]


def address_of(controller: Controller, addresses: Addresses) -> str | None:
    """Where a controller's unicast packets go. None if its name has no address, or it has no host."""
    host = controller.host
    return host if host is None or is_ip_address(host) else addresses.get(host)


def where(host: str | None, address: str | None) -> str:
    """A host and its address, as a text for a person."""
    return f"{host} at {address}" if address and address != host else f"{host}"


def host_troubles(rig: Rig, names: HostNames) -> Iterator[tuple[Controller, Trouble]]:
    """What is wrong with the host names of a rig. A name that was not looked up yet is not wrong."""
    owners = {one.host: one for one in rig.controller if one.host and is_ip_address(one.host)}
    for one in rig.controller:
        if one.host is None or is_ip_address(one.host):
            continue
        address = names.addresses.get(one.host)
        if address is None:
            if one.host in names.unanswered:
                sent = "its universes are sent by multicast alone" if one.multicast else "nothing is sent to it"
                text = (
                    f"nobody knows the address of {one.host} ({names.unanswered[one.host]}); {sent} until it is known"
                )
                yield one, _trouble(TroubleCode.HOST_UNKNOWN, one, text)
        elif is_loopback(address):
            text = f"{one.host} is {address}, this machine itself; its packets go nowhere else"
            yield one, _trouble(TroubleCode.HOST_LOOPBACK, one, text)
        elif (owner := owners.setdefault(address, one)) is not one:
            text = f"{one.host} is {address}, which is already the address of controller {owner.name}"
            yield one, _trouble(TroubleCode.HOST_SHARED, one, text)


def _trouble(code: TroubleCode, controller: Controller, text: str) -> Trouble:
    return Trouble(code, controller.host or "", f"controller {controller.name}: {text}")


def look_up(name: str) -> list[str]:
    """The addresses of a host name by the resolver of this machine. May take half a minute. OSError."""
    return [str(found[4][0]) for found in socket.getaddrinfo(name, None, type=socket.SOCK_DGRAM)]


def _best(found: Iterable[str], known: str | None) -> str:
    """The known address if it is among those found; else the first one, IPv4 before IPv6. OSError.

    Common practice, no source: many a controller with an IPv6 address takes pixel data by IPv4 only.
    """
    addresses = [one.partition("%")[0] for one in found]  # the transmitter gives a link-local address its interface
    usable = [one for one in addresses if is_of_one_host(one)]
    if not usable:
        raise OSError(f"{', '.join(addresses)} is not the address of one controller")
    return known if known in usable else min(usable, key=lambda one: ":" in one)


def _begin(ask: LookUp, name: str) -> Future[list[str]]:
    """Begin a look-up in a thread that does not delay the end of this process."""
    found: Future[list[str]] = Future()
    found.set_running_or_notify_cancel()

    def work() -> None:
        with _turns:
            try:
                found.set_result(ask(name))
            except Exception as error:
                found.set_exception(error)

    Thread(target=work, name=f"look up {name}", daemon=True).start()
    return found


async def _wait(running: Iterable[Future[list[str]]], seconds: float) -> None:
    """Wait until all look-ups have ended, or for some seconds."""
    ended = asyncio.gather(*map(asyncio.wrap_future, running), return_exceptions=True)
    with suppress(TimeoutError):
        await asyncio.wait_for(ended, seconds)
