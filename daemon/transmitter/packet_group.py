"""Sends the frames of the universes that share a lead: sequence numbers, spread parts, rates, synchronization, ends.

The time is an argument.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from fractions import Fraction

from gloaming.daemon.transmitter.bulk import Bulk, OneByOne, SendBatch, batches
from gloaming.daemon.transmitter.counters import Counters, Part, Totals
from gloaming.daemon.transmitter.udp_sender import UdpSender
from gloaming.shows.framefile.layout import every_nth
from gloaming.shows.protocols.packets import Bytes, KeepAlive, PacketBlock, PacketProtocol, Synchronization
from gloaming.shows.time_units import SECOND_NS

NO_OFFLOAD = {errno.EINVAL, errno.EIO, errno.EMSGSIZE, errno.EOPNOTSUPP}
"""The kernel's errors when it cannot cut a datagram into packets on this route."""
Receiver = tuple[PacketProtocol, str, str]
"""A protocol, and the host and the address to which its synchronization packets go."""


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
        self,
        blocks: list[PacketBlock],
        syncs: dict[Receiver, Synchronization],
        sender: UdpSender,
        counters: Counters,
        totals: Totals,
    ) -> None:
        self.lead_ns, self.blocks, self._syncs = blocks[0].lead_ns, blocks, syncs
        self._sender, self._counters, self._totals = sender, counters, totals
        self._counted = {sync: protocol for (protocol, _, _), sync in syncs.items()}
        protocols = {block.protocol for block in blocks}
        rates = [protocol.keep_alive for protocol in protocols]
        self.keep_alive = KeepAlive(max(one.packets for one in rates), min(one.every_ns for one in rates))
        self._endings = max(protocol.endings for protocol in protocols)
        self.ended = False
        self._offload = sender.way == "offload"
        self._limits_hz = [block.protocol.max_refresh_hz(block.slots) for block in blocks]
        self.slowest_hz = min(self._limits_hz)
        self.apart_ns = int(SECOND_NS / self.slowest_hz)
        """The shortest time between two frames for the slowest universe (E1.31 6.6.1: the rate of E1.11)."""
        self.step = 1
        """One frame of `step` goes to at least one universe."""
        self._cuts: dict[tuple[int, ...], list[_Leaving]] = {}
        self._steps, self._mixed = (1,) * len(blocks), False
        self._packets = sum(len(block.rows) for block in blocks)
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
            senders = self._sender.senders(mine)
            leaving.append(_Leaving(part, senders, cut.get((offset_ns, step), []), step))
        self._cuts[self._steps] = leaving
        self._counters.parts += [one.part for one in leaving]
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
        self._sender.new_frame()
        self.ended = False
        self._next = 0
        self.go_on(0)

    def _choose(self, frame: int, begins: bool) -> list[_Leaving]:
        """The parts that leave with a frame. Counts the packets left out."""
        if not self._mixed:
            self._totals.packets_left_out += (self.step - 1) * self._packets
            return self._all
        going = [one for one in self._all if begins or frame - one.last >= one.step]
        for one in going:
            one.last = frame
        self._totals.packets_left_out += self.step * self._packets - sum(one.part.packets for one in going)
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
        part, totals = leaving.part, self._totals
        if part.others:
            for sync, protocol in self._counted.items():
                protocol.count(sync.sequences)
        part.rounds += 1
        totals.packets_sent += part.packets
        totals.bytes_sent += part.bytes
        totals.synchronization_packets += part.others
        for sender in leaving.senders:
            if refused := sender.send(self._sender.retry):
                self._refused(part, refused)

    def _refused(self, part: Part, refused: list[tuple[SendBatch, int]]) -> None:
        totals = self._totals
        for batch, number in refused:
            part.refused[batch] += 1
            self._counters.errors[batch.host] = number
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


def packet_groups(
    blocks: list[PacketBlock], sender: UdpSender, counters: Counters, totals: Totals
) -> list[PacketGroup]:
    """The groups of these blocks; the longest lead comes first."""
    leads = sorted({block.lead_ns for block in blocks}, reverse=True)
    members = {lead: [one for one in blocks if one.lead_ns == lead] for lead in leads}
    syncs = _synchronizations(members)
    return [PacketGroup(members[lead], syncs[lead], sender, counters, totals) for lead in leads]


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
