"""A finished frame to the wire: packets, sequence numbers, parts that are spread, termination, discovery, counts.

Knows no brightness (that is the mixer's) and no time but what it is told.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from gloaming.daemon.score.setup import IPV4, IPV6, Setup
from gloaming.daemon.transmitter.bulk import Bulk, OneByOne, SendBatch, batches
from gloaming.daemon.transmitter.counters import Counters, Part, Totals
from gloaming.daemon.transmitter.frame_mixer import FrameMixer
from gloaming.daemon.transmitter.limiter import Limiter
from gloaming.daemon.transmitter.packets import (
    OPTIONS,
    SEQUENCE,
    SYNC_SEQUENCE,
    Block,
    Bytes,
    address_of,
    blocks,
    discovery_packets,
    fill,
    layout,
    synchronization_packet,
)
from gloaming.daemon.transmitter.udp_sender import UdpSender
from gloaming.shows.framefile.layout import every_nth
from gloaming.shows.framefile.reader import max_refresh_hz
from gloaming.shows.protocols.e131 import DISCOVERY_UNIVERSE, TERMINATED
from gloaming.shows.time_units import SECOND_NS

NO_OFFLOAD = {errno.EINVAL, errno.EIO, errno.EMSGSIZE, errno.EOPNOTSUPP}
"""What the kernel answers where it cannot cut a datagram into packets on the way it has to take."""
LEAP = 64
"""Ahead of the synchronization packets that an output sent last, and not so far that it were behind (6.7.2)."""


class Synchronization:
    """The synchronization packet of some hosts, and its sequence, which is apart from the data's (6.3)."""

    def __init__(self, packet: Bytes, sequence_from: int) -> None:
        self.packet, self._sequence = packet, sequence_from

    def count(self) -> None:
        self._sequence = (self._sequence + 1) & 0xFF
        self.packet[SYNC_SEQUENCE] = self._sequence


@dataclass
class _Leaving:
    """A part of a frame with what sends it, and its column of sequence numbers in each block.

    It leaves with one of `step` frames; `last` is the number of the frame with which it left.
    """

    part: Part
    senders: list[Bulk | OneByOne]
    sequences: list[Bytes]
    step: int
    last: int = 0


class PacketGroup:
    """The universes that share a lead: their packets, and how far the sending of a frame has come.

    `syncs` are the synchronization packets by host. One that is not shared with another group counts in step with the
    data: by its number a receiver can tell whether it has the whole of a frame.
    """

    def __init__(self, output: Output, lead_ns: int, members: list[Block], syncs: dict[str, Synchronization]) -> None:
        self.output, self.lead_ns, self.blocks, self._syncs = output, lead_ns, members, syncs
        self._counted = tuple(dict.fromkeys(syncs.values()))
        self._runs = [layout(block, output.mixer.offsets) for block in members]
        self.at_rest = False
        self._offload = output.sender.way == "offload"
        for block in members:
            block.packets[:, SEQUENCE] = output.setup.sequence_from
        self._limits_hz = [max_refresh_hz(block.slots) for block in members]
        self.apart_ns = int(SECOND_NS / min(self._limits_hz))
        """How far apart packets are that every universe may be sent (E1.31 6.6.1: the rate of E1.11)."""
        self.step = 1
        """One of so many frames is sent, to some universe at least."""
        self._cuts: dict[tuple[int, ...], list[_Leaving]] = {}
        self._steps, self._mixed = (1,) * len(members), False
        self._packets = sum(len(block.universes) for block in members)
        self._all = self._going = self._cut_up()
        self._next = len(self._going)

    def pace(self, fps: Fraction) -> int:
        """Frames come at another rate from now on, and each universe gets as many of them as E1.11 lets it have: one of
        how many is sent."""
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
        """The parts of a frame: what leaves at the same instant and equally often."""
        sender, number = self.output.sender, self.output.setup.heading.synchronization
        cut: dict[tuple[int, int], list[Block]] = {}
        for block, step in zip(self.blocks, self._steps, strict=True):
            cut.setdefault((block.offset_ns, step), []).append(block)
        made = {key: [one for block in cut[key] for one in batches(block, self._offload)] for key in sorted(cut)}
        syncs = [
            SendBatch(host, address_of(host, number or 1), sync.packet, 1, len(sync.packet), ())
            for host, sync in self._syncs.items()
        ]
        if syncs:
            made.setdefault((max(cut)[0], 0) if self._mixed else max(cut), []).extend(syncs)
        leaving = []
        for (offset_ns, step), mine in made.items():
            part = Part(offset_ns, mine)
            columns = [block.packets[:, SEQUENCE] for block in cut.get((offset_ns, step), ())]
            leaving.append(_Leaving(part, sender.senders(mine), columns, step))
        self._cuts[self._steps] = leaving
        self.output.counters.parts += [one.part for one in leaving]
        return leaving

    @property
    def sequence(self) -> int:
        """The sequence number last used: each universe counts its own packets (6.7.2)."""
        return int(self.blocks[0].packets[0, SEQUENCE])

    def fill(self, mixed: Bytes) -> None:
        """Put a finished frame into the packets; what is left of the frame before is sent first."""
        self.flush()
        for block, runs in zip(self.blocks, self._runs, strict=True):
            fill(block, runs, mixed)

    def send(self, frame: int | None = None, begins: bool = True) -> None:
        """The first part of a frame, or all of it: one packet for every universe, and the synchronization packet after
        the last (6.7.1, 11.1). What is left of the frame before goes first.

        A `frame` that does not begin a piece goes to the universes whose turn it is at their rate."""
        self.flush()
        self._going = self._all if frame is None else self._choose(frame, begins)
        for one in self._going:
            for column in one.sequences:
                np.add(column, 1, out=column)
        self.output.sender.new_frame()
        self.at_rest = False
        self._next = 0
        self.go_on(0)

    def _choose(self, frame: int, begins: bool) -> list[_Leaving]:
        """What leaves with a frame; what is left out is counted."""
        if not self._mixed:
            self.output.totals.packets_left_out += (self.step - 1) * self._packets
            return self._all
        going = [one for one in self._all if begins or frame - one.last >= one.step]
        for one in going:
            one.last = frame
        self.output.totals.packets_left_out += self.step * self._packets - sum(one.part.packets for one in going)
        return going

    def go_on(self, passed_ns: int) -> int | None:
        """Send the parts whose time has come; when, after the frame's beginning, the next is due."""
        while self._next < len(self._going) and self._going[self._next].part.offset_ns <= passed_ns:
            self._send_part(self._going[self._next])
            self._next += 1
        return self.next_ns

    @property
    def next_ns(self) -> int | None:
        """When, after the frame's beginning, the next part is due; None where all has been sent."""
        return self._going[self._next].part.offset_ns if self._next < len(self._going) else None

    def flush(self) -> None:
        """Send what is left of a frame."""
        if self.next_ns is not None:
            self.go_on(self._going[-1].part.offset_ns)

    def _send_part(self, leaving: _Leaving) -> None:
        part, totals = leaving.part, self.output.totals
        if part.others:
            for sync in self._counted:
                sync.count()
        part.rounds += 1
        totals.packets_sent += part.packets
        totals.bytes_sent += part.bytes
        totals.synchronization_packets += part.others
        for sender in leaving.senders:
            if refused := sender.send(self.output.sender.again):
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
        """Stream termination, three packets a universe (6.2.6)."""
        self.flush()
        for block in self.blocks:
            block.packets[:, OPTIONS] |= TERMINATED
        for _ in range(3):
            self.send()
            self.flush()
        for block in self.blocks:
            block.packets[:, OPTIONS] &= 0xFF ^ TERMINATED
        self.at_rest = True


def _synchronizations(setup: Setup, members: dict[int, list[Block]]) -> dict[int, dict[str, Synchronization]]:
    """By lead and host. Hosts that hear the same groups share a packet, so that each hears one sequence (6.7.2)."""
    made: dict[tuple[int, ...], Synchronization] = {}
    found: dict[int, dict[str, Synchronization]] = {lead: {} for lead in members}
    if setup.heading.synchronization:
        for host in dict.fromkeys(block.host for blocks in members.values() for block in blocks):
            heard = tuple(lead for lead in members if any(block.host == host for block in members[lead]))
            if heard not in made:
                made[heard] = Synchronization(synchronization_packet(setup.heading), setup.sequence_from)
            for lead in heard:
                found[lead][host] = made[heard]
    return found


class Output:
    """The packets of a setup and the sockets they leave by. Raises OSError where there is no such interface."""

    def __init__(self, setup: Setup, totals: Totals | None = None) -> None:
        self.setup = setup
        made = blocks(setup.targets, setup.heading)
        self.hosts = frozenset(block.host for block in made)
        unicast = next((block.host for block in made if block.host not in (IPV4, IPV6)), None)
        ipv6 = any(":" in address for block in made for address in block.addresses[:1])
        options = (setup.ttl, setup.dscp, setup.loop, setup.wire)
        self.totals = totals or Totals()
        self.errors: dict[str, int] = {}
        self.mixer = FrameMixer({target.number: target.slots for target in setup.targets})
        self.limiter = Limiter(setup.limits, self.mixer.offsets, self.mixer.slots) if setup.limits else None
        if self.limiter and self.limiter.needed:
            self.mixer.limit = self.limiter.limit
        self.sender = UdpSender(setup.interface, unicast, ipv6, *options)
        leads = sorted({block.lead_ns for block in made}, reverse=True)
        members = {lead: [one for one in made if one.lead_ns == lead] for lead in leads}
        syncs = _synchronizations(setup, members)
        self.counters = Counters()
        try:
            self.groups = [PacketGroup(self, lead, members[lead], syncs[lead]) for lead in leads]
        except OSError:  # an address that this machine cannot write down
            self.sender.close()
            raise
        self._discovery_groups = [IPV4, *([IPV6] if ipv6 else [])]
        self._discovery: tuple[tuple[int, ...], tuple[bytes, ...]] | None = None

    def close(self) -> None:
        self.sender.close()

    def give_way(self, other: Output | None) -> None:
        """Close. Streams that another output goes on with, from the same source by the same interface, are seen without
        a break; the others go black and end."""
        gone = self.setup.without(other.setup if other else None)
        if gone.targets == self.setup.targets:
            self.black()
            self.terminate()
        elif gone.targets:
            with suppress(OSError):  # where there is no socket for them they end by the receivers' time-out (6.7.1)
                rest = Output(replace(gone, sequence_from=(self.sequence + LEAP) & 0xFF), self.totals)
                rest._count_on_from(self)
                rest.give_way(None)
        self.close()

    def _blocks(self) -> Iterator[Block]:
        return (block for group in self.groups for block in group.blocks)

    def _count_on_from(self, other: Output) -> None:
        """Data go on with the sequence numbers of another output, each universe with its own."""
        last = {
            (block.host, number): sequence
            for block in other._blocks()
            for number, sequence in zip(block.universes, block.packets[:, SEQUENCE], strict=True)
        }
        for block in self._blocks():
            block.packets[:, SEQUENCE] = [last[block.host, number] for number in block.universes]

    @property
    def sequence(self) -> int:
        """The sequence number last used."""
        return self.groups[0].sequence if self.groups else 0

    def black(self) -> None:
        """Black on every universe whose stream has not ended, at once."""
        for group in self.groups:
            if not group.at_rest:
                group.fill(self.mixer.blank())
                group.send()
                group.flush()

    def terminate(self) -> None:
        """End all streams (6.2.6) that have not ended."""
        for group in self.groups:
            if not group.at_rest:
                group.terminate()

    def discover(self) -> None:
        """Say which universes are being sent: all but those of groups whose streams have ended (8)."""
        numbers = tuple(
            number for group in self.groups if not group.at_rest for block in group.blocks for number in block.universes
        )
        if self._discovery is None or self._discovery[0] != numbers:
            self._discovery = (numbers, discovery_packets(self.setup.heading, numbers))
        for host in self._discovery_groups:
            for packet in self._discovery[1]:
                self.totals.discovery_packets += self.sender.send_now(packet, address_of(host, DISCOVERY_UNIVERSE))

    def without_source(self) -> bool:
        """Whether multicast leaves without an address that it comes from."""
        return IPV4 in self.hosts and not self.sender.has_source(address_of(IPV4, DISCOVERY_UNIVERSE))

    def take_errors(self) -> dict[str, int]:
        """The hosts to which packets were not taken, or that refused them, since the last call, with error numbers."""
        found, self.errors = {**self.sender.refusals(self.hosts), **self.errors}, {}
        return found
