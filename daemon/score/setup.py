"""The setup: the packets and their destinations, as frozen values and as JSON."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace
from typing import Any, Self
from uuid import UUID

from gloaming.daemon.score.checks import UNIVERSES, address, optional_text, read_spans, source_name, text, whole
from gloaming.daemon.score.limits import Limits
from gloaming.daemon.score.protocol import Op
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import BROADCAST, PORT_ADDRESS_MAX
from gloaming.shows.protocols.e131 import IPV4, IPV6, PRIORITY_MAX, SLOTS_MAX
from gloaming.shows.rig.zones import Spans
from gloaming.shows.time_units import SECOND_NS

NO_ADDRESSES = {ProtocolName.E131: (IPV4, IPV6), ProtocolName.ARTNET: (BROADCAST,), ProtocolName.DDP: ()}
"""What may stand instead of an address, for each protocol."""


@dataclass(frozen=True, slots=True)
class Target:
    """A universe and its destinations: addresses, or `IPV4` and `IPV6` for its multicast groups, or `BROADCAST`.

    `port_address` is its Art-Net port-address; None with the other protocols. `slots_per_pixel` is that of all pixels
    of its controller, for DDP.
    """

    number: int
    slots: int
    hosts: tuple[str, ...]
    spread_ns: int = 0
    lead_ns: int = 0
    protocol: ProtocolName = ProtocolName.E131
    port_address: int | None = None
    slots_per_pixel: int | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "number": self.number,
            "slots": self.slots,
            "hosts": self.hosts,
            "lead_ns": self.lead_ns,
            "spread_ns": self.spread_ns,
            "protocol": self.protocol,
            "port_address": self.port_address,
            "slots_per_pixel": self.slots_per_pixel,
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        protocol, port_address = ProtocolName(json["protocol"]), json["port_address"]
        slots_per_pixel = json["slots_per_pixel"]
        if (protocol is ProtocolName.ARTNET) != (port_address is not None):
            raise ValueError(f"{port_address} is no port-address of {protocol}")
        return cls(
            number=whole(json["number"], *UNIVERSES),
            slots=whole(json["slots"], 1, SLOTS_MAX),
            hosts=tuple(host if host in NO_ADDRESSES[protocol] else address(host) for host in json["hosts"]),
            spread_ns=whole(json["spread_ns"], 0, SECOND_NS),
            lead_ns=whole(json["lead_ns"], 0, 10 * SECOND_NS),
            protocol=protocol,
            port_address=None if port_address is None else whole(port_address, 0, PORT_ADDRESS_MAX),
            slots_per_pixel=None if slots_per_pixel is None else whole(slots_per_pixel, 1, SLOTS_MAX),
        )


@dataclass(frozen=True, slots=True)
class Heading:
    """The fields that all packets of a setup share."""

    cid: UUID
    source_name: str
    priority: int
    synchronization: int | None
    preview: bool

    def to_json(self) -> dict[str, Any]:
        return {
            "cid": self.cid.hex,
            "source_name": self.source_name,
            "priority": self.priority,
            "synchronization": self.synchronization,
            "preview": self.preview,
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        synchronization = json["synchronization"]
        return cls(
            cid=UUID(json["cid"]),
            source_name=source_name(json["source_name"]),
            priority=whole(json["priority"], 0, PRIORITY_MAX),
            synchronization=None if synchronization is None else whole(synchronization, *UNIVERSES),
            preview=bool(json["preview"]),
        )


@dataclass(frozen=True, slots=True)
class CutString:
    """A string of which pixels were cut out: its slots in a frame, as `spans`, and the missing pixels, from 1."""

    spans: Spans
    slots_per_pixel: int
    missing: tuple[int, ...]

    def to_json(self) -> dict[str, Any]:
        return {"spans": self.spans, "slots_per_pixel": self.slots_per_pixel, "missing": self.missing}

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        spans, width = read_spans(json["spans"]), whole(json["slots_per_pixel"], 1, SLOTS_MAX)
        pixels, rest = divmod(sum(last - first + 1 for _, first, last in spans), width)
        if rest:
            raise ValueError(f"the slots are no whole number of pixels of {width}")
        return cls(spans, width, tuple(whole(number, 1, pixels) for number in json["missing"]))


@dataclass(frozen=True, slots=True)
class Setup:
    """The packets and their destinations. Without `limits` no current is limited.

    `wire` names one of the three ways of sending. With None the transmitter takes the best one that works. No
    brightness scales the slots `unscaled`. The pixels of `cuts` are left out: those after them move up. `boards` has
    the CIDs of the site's other boards, 32 hex digits each. A setup that `yields` sends nothing without a score, so
    that another board's light counts. With `art_sync` an ArtSync follows each frame.
    """

    heading: Heading
    targets: tuple[Target, ...]
    interface: str | None
    between_performances: str
    ttl: int
    dscp: int
    loop: bool
    sequence_from: int = 0
    wire: str | None = None
    limits: Limits | None = None
    unscaled: Spans = ()
    cuts: tuple[CutString, ...] = ()
    boards: tuple[str, ...] = ()
    yields: bool = False
    art_sync: bool = False

    def without(self, other: Setup | None) -> Setup:
        """What remains when another setup takes over: all of it, unless CID and interface are the same."""
        if other is None or (other.heading.cid, other.interface) != (self.heading.cid, self.interface):
            return self
        taken, streams = set(other.streams().values()), self.streams()
        left = [
            replace(target, hosts=tuple(host for host in target.hosts if streams[target.number, host] not in taken))
            for target in self.targets
        ]
        return replace(self, targets=tuple(target for target in left if target.hosts), limits=None)

    def streams(self) -> dict[tuple[int, str], Hashable]:
        """The stream that brings each universe to each host: equal ones are one stream to a receiver.

        To an Art-Net host a stream is a port-address, whatever universe has it. A DDP host has one stream for all its
        universes. With other universes or slots it is another stream: slots have other places in it.
        """
        found: dict[tuple[int, str], Hashable] = {}
        layouts: dict[str, set[tuple[int, int]]] = {}
        for one in self.targets:
            for host in one.hosts:
                place = one.number if one.port_address is None else one.port_address
                found[one.number, host] = one.protocol, host, place
                if one.protocol is ProtocolName.DDP:
                    layouts.setdefault(host, set()).add((one.number, one.slots))
        for host, layout in layouts.items():
            found |= dict.fromkeys(((number, host) for number, _ in layout), (host, frozenset(layout)))
        return found

    def to_json(self) -> dict[str, Any]:
        return {
            "op": Op.SETUP,
            **self.heading.to_json(),
            "universes": [target.to_json() for target in self.targets],
            "interface": self.interface,
            "between_performances": self.between_performances,
            "ttl": self.ttl,
            "dscp": self.dscp,
            "loop": self.loop,
            "sequence_from": self.sequence_from,
            "wire": self.wire,
            "limits": self.limits and self.limits.to_json(),
            "unscaled": self.unscaled,
            "cuts": [cut.to_json() for cut in self.cuts],
            "boards": self.boards,
            "yields": self.yields,
            "art_sync": self.art_sync,
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        """Takes what `to_json` gives; else LookupError, TypeError, AttributeError or ValueError."""
        targets = tuple(Target.from_json(one) for one in json["universes"])
        if len({target.number for target in targets}) != len(targets):
            raise ValueError("a universe comes twice")
        return cls(
            heading=Heading.from_json(json),
            targets=targets,
            interface=optional_text(json["interface"]),
            between_performances=text(json["between_performances"]),
            ttl=whole(json["ttl"], 0, 255),
            dscp=whole(json["dscp"], 0, 63),
            loop=bool(json["loop"]),
            sequence_from=whole(json["sequence_from"], 0, 255),
            wire=optional_text(json["wire"]),
            limits=None if json["limits"] is None else Limits.from_json(json["limits"]),
            unscaled=read_spans(json["unscaled"]),
            cuts=tuple(CutString.from_json(one) for one in json["cuts"]),
            boards=tuple(UUID(one).hex for one in json["boards"]),
            yields=bool(json["yields"]),
            art_sync=bool(json["art_sync"]),
        )
