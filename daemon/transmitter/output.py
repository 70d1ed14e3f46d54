"""The packets and sockets of a setup, and what becomes of its streams when another setup follows it.

The time is an argument.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace

from gloaming.daemon.score.setup import Setup, Target
from gloaming.daemon.transmitter.bulk import is_ipv6
from gloaming.daemon.transmitter.counters import Counters, Totals
from gloaming.daemon.transmitter.frame_mixer import FrameMixer
from gloaming.daemon.transmitter.limiter import Limiter
from gloaming.daemon.transmitter.packet_group import packet_groups
from gloaming.daemon.transmitter.udp_sender import UdpSender
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import BROADCAST
from gloaming.shows.protocols.artnet.build import ArtNet
from gloaming.shows.protocols.ddp.build import Ddp
from gloaming.shows.protocols.e131 import IPV4, IPV6
from gloaming.shows.protocols.e131.build import E131
from gloaming.shows.protocols.packets import PacketBlock, PacketProtocol, Portion

LEAP = 64
"""Added to the last sequence number: newer than any synchronization packet sent, yet not so far that it counts as
older (6.7.2)."""
PART_NS_MIN = 500_000
"""The shortest time between two parts of a spread frame."""


def protocols_of(setup: Setup, broadcast: str) -> dict[PacketProtocol, tuple[Target, ...]]:
    """The protocols of a setup, each with its targets. `broadcast` is the broadcast address of the interface."""
    head, begin = setup.heading, setup.sequence_from
    targets = {name: tuple(one for one in setup.targets if one.protocol is name) for name in ProtocolName}
    port_addresses = {one.number: one.port_address for one in setup.targets if one.port_address is not None}
    made: dict[ProtocolName, PacketProtocol] = {
        ProtocolName.E131: E131(
            head.cid, head.source_name, head.priority, head.synchronization or 0, head.preview, begin
        ),
        ProtocolName.ARTNET: ArtNet(port_addresses, broadcast, setup.art_sync, begin),
        ProtocolName.DDP: Ddp({one.number: one.slots_per_pixel for one in targets[ProtocolName.DDP]}, begin),
    }
    return {protocol: targets[name] for name, protocol in made.items() if targets[name]}


def portions(targets: tuple[Target, ...], offsets: Mapping[int, int]) -> tuple[Portion, ...]:
    """The portions of each host, by universe. A spread frame leaves in parts of equal size.

    `offsets` says where each universe begins in the mixed frame.
    """
    by_host: dict[tuple[int, str], list[Target]] = {}
    for target in sorted(targets, key=lambda target: target.number):
        for host in target.hosts:
            by_host.setdefault((target.lead_ns, host), []).append(target)
    made = []
    for (lead_ns, host), there in by_host.items():
        for place, target in enumerate(there):
            parts = min(len(there), max(1, target.spread_ns // PART_NS_MIN))
            offset_ns = target.spread_ns * (place * parts // len(there)) // parts
            made.append(Portion(host, target.number, target.slots, offsets[target.number], lead_ns, offset_ns))
    return tuple(made)


@dataclass
class _Announcement:
    """Universe discovery of a protocol: the last packets and their universes, and when the next are due."""

    protocol: PacketProtocol
    every_ns: int
    ipv6: bool
    next_ns: int = 0
    universes: tuple[int, ...] | None = None
    packets: tuple[tuple[str, bytes], ...] = ()


def _sockets(setup: Setup) -> UdpSender:
    """The sockets that a setup needs."""
    hosts = [host for target in setup.targets for host in target.hosts]
    unicast = next((host for host in hosts if host not in (IPV4, IPV6, BROADCAST)), None)
    ipv6 = any(host == IPV6 or is_ipv6(host) for host in hosts)
    artnet = any(target.protocol is ProtocolName.ARTNET for target in setup.targets)
    broadcasts = BROADCAST in hosts or (artnet and setup.art_sync)
    return UdpSender(setup.interface, unicast, ipv6, broadcasts, setup.ttl, setup.dscp, setup.loop, setup.wire)


class Output:
    """The packets and sockets of a setup, after those of `before`. OSError if there is no such interface."""

    def __init__(self, setup: Setup, totals: Totals | None = None, before: Output | None = None) -> None:
        self.setup = setup
        self.mixer = FrameMixer({target.number: target.slots for target in setup.targets}, setup.unscaled, setup.cuts)
        self.sender = _sockets(setup)
        protocols = protocols_of(setup, self.sender.broadcast)
        made = [
            block
            for protocol, targets in protocols.items()
            for block in protocol.blocks(portions(targets, self.mixer.offsets))
        ]
        self.hosts = frozenset(block.host for block in made)
        self._first = made[0] if made else None
        self._group = next((block.rows[0].address for block in made if block.host == IPV4), None)
        self.totals = totals or Totals()
        self.limiter = Limiter(setup.limits, self.mixer.offsets, self.mixer.slots) if setup.limits else None
        if self.limiter and self.limiter.needed:
            self.mixer.limit = self.limiter.limit
        self.counters = Counters()
        try:
            self.groups = packet_groups(made, self.sender, self.counters, self.totals)
        except OSError:  # an address that this machine does not support
            self.sender.close()
            raise
        by_ipv6 = {block.protocol for block in made if is_ipv6(block.rows[0].address)}
        self._announcements = [
            _Announcement(one, one.announce_ns, one in by_ipv6) for one in protocols if one.announce_ns
        ]
        if before:
            self._count_on_from(before, (block for block in made if not block.protocol.counts_alike))

    def close(self) -> None:
        self.sender.close()

    def hand_over(self, other: Output | None) -> None:
        """Close. Streams that `other` continues, with the same CID and interface, go on without a break. The others go
        black and end."""
        gone = self.setup.without(other.setup if other else None)
        if gone.targets == self.setup.targets:
            self.black()
            self.terminate()
        elif gone.targets:
            with suppress(OSError):  # without a socket they end by the receivers' time-out (6.7.1)
                rest = Output(replace(gone, sequence_from=(self.sequence + LEAP) & 0xFF), self.totals)
                rest._count_on_from(self, rest.blocks())
                rest.hand_over(None)
        self.close()

    def blocks(self) -> Iterator[PacketBlock]:
        return (block for group in self.groups for block in group.blocks)

    def _count_on_from(self, other: Output, blocks: Iterable[PacketBlock]) -> None:
        """Continue the sequence numbers of those streams in the blocks that another output has too."""
        before, now = other.setup.streams(), self.setup.streams()
        last: dict[Hashable, list[int]] = {}
        for block in other.blocks():
            for row, sequence in zip(block.rows, block.sequences, strict=True):
                last.setdefault(before[row.universes[0], block.host], []).append(sequence)
        for block in blocks:
            for at, row in enumerate(block.rows):
                if numbers := last.get(now[row.universes[0], block.host]):
                    block.sequences[at] = numbers.pop(0)

    @property
    def sequence(self) -> int:
        """The last sequence number of one universe, of E1.31 if it has one: each universe counts its own (6.7.2)."""
        return int(self._first.sequences[0]) if self._first else 0

    def black(self) -> None:
        """Send black at once on every universe whose stream has not ended."""
        for group in self.groups:
            if not group.ended:
                group.fill(self.mixer.blank())
                group.send()
                group.flush()

    def terminate(self) -> None:
        """End all streams that have not ended."""
        for group in self.groups:
            if not group.ended:
                group.terminate()

    def announce(self, now_ns: int) -> None:
        """Send universe discovery if it is due, for all universes whose streams have not ended."""
        for one in self._announcements:
            if now_ns < one.next_ns:
                continue
            one.next_ns = now_ns + one.every_ns
            blocks = [block for group in self.groups if not group.ended for block in group.blocks]
            numbers = tuple(number for block in blocks if block.protocol is one.protocol for number in block.universes)
            if one.universes != numbers:
                one.universes, one.packets = numbers, one.protocol.announcements(numbers, one.ipv6)
            for address, packet in one.packets:
                self.totals.discovery_packets += self.sender.send_now(packet, address, one.protocol.port)

    def without_source(self) -> bool:
        """Whether multicast leaves without a source address."""
        return self._group is not None and not self.sender.has_source(self._group)

    def take_errors(self) -> dict[str, int]:
        """The error numbers by host since the last call: the kernel or the host refused packets."""
        found = {**self.sender.refusals(self.hosts), **self.counters.errors}
        self.counters.errors.clear()
        return found
