"""Sends finished frames: packets, sequence numbers, spread parts, termination, discovery, counts.

The mixer has applied the brightness already. The time is an argument.
"""

from __future__ import annotations

import errno
from collections.abc import Hashable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction

from gloaming.daemon.score.setup import Setup, Target
from gloaming.daemon.transmitter.bulk import Bulk, OneByOne, SendBatch, batches, is_ipv6
from gloaming.daemon.transmitter.counters import Counters, Part, Totals
from gloaming.daemon.transmitter.frame_mixer import FrameMixer
from gloaming.daemon.transmitter.limiter import Limiter
from gloaming.daemon.transmitter.udp_sender import UdpSender
from gloaming.shows.framefile.layout import every_nth
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import BROADCAST
from gloaming.shows.protocols.artnet.build import ArtNet
from gloaming.shows.protocols.ddp.build import Ddp
from gloaming.shows.protocols.e131 import IPV4, IPV6
from gloaming.shows.protocols.e131.build import E131
from gloaming.shows.protocols.packets import Bytes, KeepAlive, PacketBlock, PacketProtocol, Portion, Synchronization
from gloaming.shows.time_units import SECOND_NS

NO_OFFLOAD = {errno.EINVAL, errno.EIO, errno.EMSGSIZE, errno.EOPNOTSUPP}
"""The kernel's errors when it cannot cut a datagram into packets on this route."""
LEAP = 64
"""Added to the last sequence number: newer than any synchronization packet sent, yet not so far that it counts as
older (6.7.2)."""
PART_NS_MIN = 500_000
"""The shortest time between two parts of a spread frame."""
Receiver = tuple[PacketProtocol, str, str]
"""A protocol, and the host and the address to which its synchronization packets go."""


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
class _Leaving:
    """A part of a frame, its senders, and the blocks of its packets.

    It leaves with one of `step` frames; `last` is the number of the last frame with which it left.
    """

    part: Part
    senders: list[Bulk | OneByOne]
    blocks: list[PacketBlock]
    step: int
    last: int = 0


class PacketGroup:
    """The universes that share a lead: their packets, and the parts of a frame that are still to be sent.

    `syncs` are the synchronization packets by receiver. The sequence number of one that belongs to this group alone
    equals that of the data, so a receiver can tell whether it has the whole frame.
    """

    def __init__(
        self, output: Output, lead_ns: int, members: list[PacketBlock], syncs: dict[Receiver, Synchronization]
    ) -> None:
        self.output, self.lead_ns, self.blocks, self._syncs = output, lead_ns, members, syncs
        self._counted = {sync: protocol for (protocol, _, _), sync in syncs.items()}
        protocols = {block.protocol for block in members}
        rates = [protocol.keep_alive for protocol in protocols]
        self.keep_alive = KeepAlive(max(one.packets for one in rates), min(one.every_ns for one in rates))
        self._endings = max(protocol.endings for protocol in protocols)
        self.ended = False
        self._offload = output.sender.way == "offload"
        self._limits_hz = [block.protocol.max_refresh_hz(block.slots) for block in members]
        self.slowest_hz = min(self._limits_hz)
        self.apart_ns = int(SECOND_NS / self.slowest_hz)
        """The shortest time between two frames for the slowest universe (E1.31 6.6.1: the rate of E1.11)."""
        self.step = 1
        """One frame of `step` goes to at least one universe."""
        self._cuts: dict[tuple[int, ...], list[_Leaving]] = {}
        self._steps, self._mixed = (1,) * len(members), False
        self._packets = sum(len(block.rows) for block in members)
        self._all = self._going = self._cut_up()
        self._next = len(self._going)

    def pace(self, fps: Fraction) -> int:
        """Set the frame rate. Each universe gets as many frames as E1.11 allows. Returns `step`."""
        steps = tuple(every_nth(fps, limit_hz) for limit_hz in self._limits_hz)
        self.step = min(steps)
        mixed = max(steps) > self.step
        steps = steps if mixed else (1,) * len(steps)
        if steps != self._steps:
            self.flush()
            self._steps, self._mixed = steps, mixed
            self._all = self._cuts.get(steps) or self._cut_up()
        return self.step

    def _cut_up(self) -> list[_Leaving]:
        """Cut a frame into parts: the packets that leave at the same instant and equally often."""
        cut: dict[tuple[int, int], list[PacketBlock]] = {}
        for block, step in zip(self.blocks, self._steps, strict=True):
            cut.setdefault((block.offset_ns, step), []).append(block)
        made = {key: [one for block in cut[key] for one in batches(block, self._offload)] for key in sorted(cut)}
        syncs = [
            SendBatch(host, address, protocol.port, sync.packet, 1, len(sync.packet), ())
            for (protocol, host, address), sync in self._syncs.items()
        ]
        if syncs:
            made.setdefault((max(cut)[0], 0) if self._mixed else max(cut), []).extend(syncs)
        leaving = []
        for (offset_ns, step), mine in made.items():
            part = Part(offset_ns, mine)
            senders = self.output.sender.senders(mine)
            leaving.append(_Leaving(part, senders, cut.get((offset_ns, step), []), step))
        self._cuts[self._steps] = leaving
        self.output.counters.parts += [one.part for one in leaving]
        return leaving

    def lit(self) -> bool:
        """Whether any slot of the last packets is above 0."""
        return any(block.data.any() for block in self.blocks)

    def fill(self, mixed: Bytes) -> None:
        """Put a finished frame into the packets. Parts of the previous frame leave first."""
        self.flush()
        for block in self.blocks:
            block.fill(mixed)

    def send(self, frame: int | None = None, begins: bool = True) -> None:
        """Send the first part of a frame, or all of it: a packet for each universe, then the synchronization packet
        (6.7.1, 11.1). Parts of the previous frame leave first.

        A `frame` that does not begin a piece goes only to the universes whose rate allows it.
        """
        self.flush()
        self._going = self._all if frame is None else self._choose(frame, begins)
        for one in self._going:
            for block in one.blocks:
                block.protocol.count(block.sequences, block.step)
        self.output.sender.new_frame()
        self.ended = False
        self._next = 0
        self.go_on(0)

    def _choose(self, frame: int, begins: bool) -> list[_Leaving]:
        """The parts that leave with a frame. Counts the packets left out."""
        if not self._mixed:
            self.output.totals.packets_left_out += (self.step - 1) * self._packets
            return self._all
        going = [one for one in self._all if begins or frame - one.last >= one.step]
        for one in going:
            one.last = frame
        self.output.totals.packets_left_out += self.step * self._packets - sum(one.part.packets for one in going)
        return going

    def go_on(self, passed_ns: int) -> int | None:
        """Send the parts that are due `passed_ns` after the frame's start. Returns when the next is due."""
        while self._next < len(self._going) and self._going[self._next].part.offset_ns <= passed_ns:
            self._send_part(self._going[self._next])
            self._next += 1
        return self.next_ns

    @property
    def next_ns(self) -> int | None:
        """When the next part is due, after the frame's start; None if all parts are sent."""
        return self._going[self._next].part.offset_ns if self._next < len(self._going) else None

    def flush(self) -> None:
        """Send all parts that are left."""
        if self.next_ns is not None:
            self.go_on(self._going[-1].part.offset_ns)

    def _send_part(self, leaving: _Leaving) -> None:
        part, totals = leaving.part, self.output.totals
        if part.others:
            for sync, protocol in self._counted.items():
                protocol.count(sync.sequences)
        part.rounds += 1
        totals.packets_sent += part.packets
        totals.bytes_sent += part.bytes
        totals.synchronization_packets += part.others
        for sender in leaving.senders:
            if refused := sender.send(self.output.sender.retry):
                self._refused(part, refused)

    def _refused(self, part: Part, refused: list[tuple[SendBatch, int]]) -> None:
        totals = self.output.totals
        for batch, number in refused:
            part.refused[batch] += 1
            self.output.errors[batch.host] = number
            totals.send_errors += 1
            if batch.universes:
                totals.packets_sent -= batch.packets
                totals.bytes_sent -= batch.packets * batch.size
            else:
                totals.synchronization_packets -= 1
        if self._offload and any(batch.packets > 1 and number in NO_OFFLOAD for batch, number in refused):
            self._offload = False
            self._cuts.clear()
            self._all = self._going = self._cut_up()

    def terminate(self) -> None:
        """End the streams in the way of their protocols."""
        self.flush()
        for block in self.blocks:
            block.protocol.mark_end(block, True)
        for _ in range(self._endings):
            self.send()
            self.flush()
        for block in self.blocks:
            block.protocol.mark_end(block, False)
        self.ended = True


def _synchronizations(members: dict[int, list[PacketBlock]]) -> dict[int, dict[Receiver, Synchronization]]:
    """Synchronization packets by lead and receiver. Hosts with the same leads share a packet, so that each receives one
    sequence (6.7.2)."""
    leads_of: dict[Receiver, dict[int, None]] = {}
    for lead, blocks in members.items():
        for block in blocks:
            leads_of.setdefault((block.protocol, *block.protocol.synchronization_to(block.host)), {})[lead] = None
    made: dict[tuple[PacketProtocol, tuple[int, ...]], Synchronization | None] = {}
    found: dict[int, dict[Receiver, Synchronization]] = {lead: {} for lead in members}
    for receiver, leads in leads_of.items():
        key = receiver[0], tuple(leads)
        if key not in made:
            made[key] = receiver[0].synchronization()
        if sync := made[key]:
            for lead in leads:
                found[lead][receiver] = sync
    return found


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
        self.errors: dict[str, int] = {}
        self.limiter = Limiter(setup.limits, self.mixer.offsets, self.mixer.slots) if setup.limits else None
        if self.limiter and self.limiter.needed:
            self.mixer.limit = self.limiter.limit
        leads = sorted({block.lead_ns for block in made}, reverse=True)
        members = {lead: [one for one in made if one.lead_ns == lead] for lead in leads}
        syncs = _synchronizations(members)
        self.counters = Counters()
        try:
            self.groups = [PacketGroup(self, lead, members[lead], syncs[lead]) for lead in leads]
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
        found, self.errors = {**self.sender.refusals(self.hosts), **self.errors}, {}
        return found
