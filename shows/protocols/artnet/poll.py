"""ArtPoll asks Art-Net nodes who they are, ArtPollReply answers. No sockets, no state.

Facts of the Art-Net 4 specification come from memory. Tests compare them with tshark and with another program.
"""

from __future__ import annotations

import struct
from collections.abc import Collection
from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import NamedTuple

from gloaming.shows.protocols import printable
from gloaming.shows.protocols.artnet import IDENTIFIER, OP_POLL, OP_POLL_REPLY, head

POLL_S = 2.5
"""The shortest time between two polls."""
REPLY_S = 1.0
"""A node waits up to so long before it answers, so that not all nodes answer at once."""
REPLY_BYTES_MIN = 207
"""Old nodes end after their MAC address. Newer ones send 239 bytes."""
PORTS_MAX = 4
"""The most ports in one reply. A node with more sends several, each with a bind index."""

_OUTPUT = 0x80  # port types: the port outputs data from the network
_RECEIVES, _MERGES, _BY_E131 = 0x80, 0x08, 0x01
"""Good output: data arrives; two sources are merged; E1.31 is chosen instead of Art-Net."""
_REPLY = struct.Struct(">10x4s2xHBB6x18s64s64sH4s4x4s4x4s")
_BIND_INDEX_AT = 211
_REPLY_BEGINS = IDENTIFIER + struct.pack("<H", OP_POLL_REPLY)  # no version follows


class PollReply(NamedTuple):
    """One reply. `address` is what the node says, which need not be true. `outputs` pairs port-address and good output.

    `bind_index` is 0 in replies of old nodes.
    """

    address: str
    bind_index: int
    name: str
    long_name: str
    firmware: str
    report: str
    outputs: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class ArtNode:
    """A node, by all its replies. `port_addresses` are those of its outputs, in order.

    `receives` are those at which data arrives, by its own word, and `merges` those with two sources. Those in `by_e131`
    take E1.31 instead of Art-Net.
    """

    address: str
    name: str
    long_name: str
    firmware: str
    report: str
    port_addresses: tuple[int, ...]
    receives: tuple[int, ...]
    merges: tuple[int, ...]
    by_e131: tuple[int, ...] = ()


def build_poll() -> bytes:
    """An ArtPoll. Its flags ask for one reply, and for no diagnostics."""
    return head(OP_POLL) + bytes(2)


def read_poll_reply(data: bytes) -> PollReply | None:
    """A reply, or None for any other datagram and for one that was cut short."""
    if len(data) < REPLY_BYTES_MIN or not data.startswith(_REPLY_BEGINS):
        return None
    address, firmware, net, sub_net, name, long_name, report, ports, types, good, universes = _REPLY.unpack_from(data)
    first = (net & 0x7F) << 8 | (sub_net & 15) << 4
    return PollReply(
        address=str(IPv4Address(address)),
        bind_index=data[_BIND_INDEX_AT] if len(data) > _BIND_INDEX_AT else 0,
        name=_text(name),
        long_name=_text(long_name),
        firmware=f"{firmware >> 8}.{firmware & 0xFF}",
        report=_text(report),
        outputs=tuple(
            (first | universes[port] & 15, good[port]) for port in range(min(ports, PORTS_MAX)) if types[port] & _OUTPUT
        ),
    )


def node_of(address: str, replies: Collection[PollReply]) -> ArtNode:
    """The node at an address, by its replies. Its names are those of the first bind index."""
    root = min(replies, key=lambda reply: reply.bind_index)
    outputs = [output for reply in replies for output in reply.outputs]

    def those(bits: int) -> tuple[int, ...]:
        return tuple(sorted({number for number, good in outputs if good & bits}))

    return ArtNode(
        address=address,
        name=root.name,
        long_name=root.long_name,
        firmware=root.firmware,
        report=root.report,
        port_addresses=tuple(sorted({number for number, _ in outputs})),
        receives=those(_RECEIVES),
        merges=those(_MERGES),
        by_e131=those(_BY_E131),
    )


def _text(field: bytes) -> str:
    """A text field up to its null, if it has one. Bytes that are not UTF-8 are read as Latin-1 (ISO 8859-1)."""
    text = field.partition(b"\0")[0]
    try:
        return printable(text.decode()).strip()
    except UnicodeDecodeError:
        return printable(text.decode("latin-1")).strip()
