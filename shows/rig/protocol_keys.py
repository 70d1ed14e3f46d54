"""What the protocol of a controller asks of its other keys: an address, port-addresses, and no key of another protocol.

Facts of Art-Net 4 come from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import PORT_ADDRESS_MAX, as_written
from gloaming.shows.rig.model import Controller

Problem = tuple[str, str, str]
"""The key of a controller, the problem and a hint."""
FOREIGN = {
    ProtocolName.E131: ("port_addresses", "broadcast"),
    ProtocolName.ARTNET: ("multicast",),
    ProtocolName.DDP: ("multicast", "port_addresses", "broadcast"),
}
"""The keys of other protocols. Each is there only if a person wrote it."""


def protocol_errors(controllers: Sequence[Controller]) -> Iterator[tuple[int, str, str, str]]:
    """What is wrong: the index of the controller, its key, the problem and a hint."""
    taken: dict[int, list[Controller]] = {}
    for index, controller in enumerate(controllers):
        problems = [*_foreign(controller), *_address(controller)]
        if controller.protocol is ProtocolName.ARTNET:
            problems += _port_addresses(controller, taken)
        for key, problem, hint in problems:
            yield index, key, problem, hint


def _foreign(controller: Controller) -> Iterator[Problem]:
    for key in FOREIGN[controller.protocol]:
        if getattr(controller, key):
            of = ProtocolName.E131 if key == "multicast" else ProtocolName.ARTNET
            problem = f"{controller.protocol.words} has no {key.replace('_', '-')}, {of.words} has"
            yield key, problem, f'remove it, or write protocol = "{of}"'


def _address(controller: Controller) -> Iterator[Problem]:
    artnet, host = controller.protocol is ProtocolName.ARTNET, controller.host
    if controller.protocol is ProtocolName.E131:
        return
    if host is None and not (artnet and controller.broadcast):
        hint = 'as host = "192.0.2.21"'
        hint += ", or as broadcast = true for a controller that takes no unicast" if artnet else ""
        problem = f"{controller.protocol.words} is sent to an address, not by multicast, and there is none"
        yield "host", problem, hint
    elif artnet and host and controller.broadcast:
        hint = "remove broadcast: it loads every machine of the network. Or remove host, if the controller needs it"
        yield "broadcast", f"it has a host too: {host}", hint
    elif artnet and host and ":" in host:
        yield "host", f"{host} is an IPv6 address, and Art-Net has IPv4 alone", "give its IPv4 address"


def _port_addresses(controller: Controller, taken: dict[int, list[Controller]]) -> Iterator[Problem]:
    """`taken` has the controllers that receive a port-address. A broadcast one reaches all of them."""
    numbers, universes = controller.port_addresses, controller.universes
    if numbers and len(numbers) != len(universes):
        last = min(numbers[0] + len(universes) - 1, PORT_ADDRESS_MAX)
        given = f"{len(numbers)} port-address{'es' if len(numbers) > 1 else ''}"
        problem = f"{given} for {len(universes)} universe{'s' if len(universes) > 1 else ''}"
        example = as_written(numbers[0]) + (f"-{as_written(last)}" if last > numbers[0] else "")
        hint = f'give one for each universe, in order, as "{example}"'
        yield "port_addresses", problem, hint
        return
    if not numbers and max(universes, default=0) > PORT_ADDRESS_MAX:
        problem = f"universe {max(universes)} has no port-address of the same number: {PORT_ADDRESS_MAX} is the last"
        yield "universes", problem, 'give its port-addresses, as port_addresses = "0:0:1-0:0:8"'
        return
    key = "port_addresses" if numbers else "universes"
    for universe, number in controller.port_address_of.items():
        for other in taken.setdefault(number, []):
            spread = controller.broadcast or other.broadcast
            if spread or controller.host == other.host:
                problem = (
                    f"port-address {as_written(number)} ({number}), of its universe {universe}, is already one of "
                    f"{other.name} ({other.place}), and "
                    f"{'broadcast data reach both' if spread else 'both have one address'}"
                )
                yield key, problem, "give each its own port-addresses, here and in the controllers themselves"
                return
        taken[number].append(controller)
