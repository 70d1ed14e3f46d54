"""Finds the UDP payload of a captured packet: links, VLANs, IP and its fragments.

Link types are those of the public list at www.tcpdump.org/linktypes.html. It reads no files.
"""

from __future__ import annotations

import io
import struct
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols.datagrams import SIZE_AT, Datagrams, Integers, PacketReader
from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.protocols.packets import Bytes

ETHERNET, COOKED, COOKED_2 = 1, 113, 276
_TYPE_AT = {ETHERNET: 12, COOKED: 14, COOKED_2: 0}
_NETWORK_AT = {ETHERNET: 14, COOKED: 16, COOKED_2: 20}
_VLANS = (0x8100, 0x88A8, 0x9100)
_IPV4, _IPV6 = 0x0800, 0x86DD
_RAW = (12, 14, 101, 228, 229)
_UDP = 17
_WAITING_MAX = 256
_ALIKE = 4
"""So many bytes are the same at the beginning of every packet of a protocol."""


FRAGMENT = "a fragment"


class Unusable(Exception):
    """A packet without a usable payload. The text is short, so that equal reasons can be counted."""


@dataclass
class _Parts:
    """The fragments of a datagram."""

    pieces: dict[int, bytes] = field(default_factory=dict)
    size: int | None = None

    def whole(self) -> bytes | None:
        if self.size is None:
            return None
        data = bytearray()
        for offset in sorted(self.pieces):
            if offset != len(data):
                return None
            data += self.pieces[offset]
        return bytes(data) if len(data) == self.size else None


class Links:
    """Takes packets of any link. Fragments are stored until the datagram is whole."""

    def __init__(self, reader: PacketReader) -> None:
        self._reader = reader
        self._waiting: dict[bytes, _Parts] = {}
        self._used = 0
        """The fragments that waited, of datagrams that became whole."""

    def payload(self, link: int, data: bytes) -> tuple[bytes, int]:
        """The UDP payload of a packet, as far as it was captured, and its sender. `Unusable` if there is none."""
        try:
            kind, at = _network(link, data)
            if kind == _IPV4:
                return self._ipv4(data[at:]), int.from_bytes(data[at + 12 : at + 16])
            if kind == _IPV6:
                return _udp(_ipv6(data[at:])), 0
        except (struct.error, IndexError):
            raise Unusable("cut short before its payload") from None
        raise Unusable("not UDP")

    def payloads(self, buffer: Bytes, table: Integers, unusable: Counter[str]) -> Datagrams:
        """The payloads of packets. `table` has rows as in `capture.Record`. `unusable` counts why others have none.

        Plain packets are read together by array arithmetic, the others one by one.
        """
        starts, lengths, senders = _plain(buffer, table)
        plain = (starts >= 0) & ~_joined(buffer, starts, lengths, self._reader)
        if plain.all():
            return Datagrams(buffer, starts, lengths, table[:, 2], senders)
        places = np.flatnonzero(plain)
        columns = (places, starts[places], lengths[places], senders[places])
        rows = list(zip(*(column.tolist() for column in columns), strict=True))
        extra = io.BytesIO()
        base = len(buffer)
        for row in np.flatnonzero(~plain).tolist():
            start, length, _, link, _ = table[row].tolist()
            try:
                whole, sender = self.payload(link, buffer[start : start + length].tobytes())
                for payload in _split(whole, self._reader):
                    rows.append((row, base + extra.tell(), len(payload), sender))
                    extra.write(payload)
            except Unusable as error:
                unusable[str(error)] += 1
        unusable -= Counter({FRAGMENT: self._used})
        self._used = 0
        rows.sort()
        found = np.array(rows, np.int64).reshape(-1, 4)
        if extra.tell():
            extra.write(bytes(PACKET_BYTES_MAX))
            buffer = np.concatenate([buffer, np.frombuffer(extra.getvalue(), np.uint8)])
        return Datagrams(buffer, found[:, 1], found[:, 2], table[found[:, 0], 2], found[:, 3])

    def _ipv4(self, data: bytes) -> bytes:
        head = (data[0] & 15) * 4
        if data[0] >> 4 != 4 or head < 20:
            raise Unusable("not UDP")
        total, identity, place = struct.unpack_from(">HHH", data, 2)
        if data[9] != _UDP:
            raise Unusable("not UDP")
        body = data[head : total if total > head else None]  # 0 if the network card was to fill it in
        if not place & 0x3FFF:
            return _udp(body)
        if len(data) < total:
            raise Unusable("a fragment cut short")
        parts = self._waiting.setdefault(data[12:20] + struct.pack(">H", identity), _Parts())
        parts.pieces[(place & 0x1FFF) * 8] = body
        if not place & 0x2000:
            parts.size = (place & 0x1FFF) * 8 + len(body)
        whole = parts.whole()
        if whole is None:
            if len(self._waiting) > _WAITING_MAX:
                self._waiting.pop(next(iter(self._waiting)))
            raise Unusable(FRAGMENT)
        self._used += len(parts.pieces) - 1
        del self._waiting[data[12:20] + struct.pack(">H", identity)]
        return _udp(whole)


def _plain(buffer: Bytes, table: Integers) -> tuple[Integers, Integers, Integers]:
    """Starts and lengths of the payloads of plain packets, and their senders. The start is -1 for all others.

    Plain are Ethernet (with or without a VLAN), Linux cooked or bare IP; IPv4 without options or fragments, or IPv6
    without extension headers; UDP.
    """
    packets, lengths, links = table[:, 0], table[:, 1], table[:, 3]
    network, kind = np.zeros(len(table), np.int64), np.zeros(len(table), np.int64)
    for link in np.unique(links).tolist():
        these = slice(None) if (links == link).all() else links == link
        if link in _RAW:
            version = buffer[packets[these]] >> 4
            kind[these] = np.where(version == 4, _IPV4, np.where(version == 6, _IPV6, 0))
        elif link in _TYPE_AT:
            at, network[these] = packets[these] + _TYPE_AT[link], _NETWORK_AT[link]
            kind[these] = _half(buffer, at)
            tagged = kind[these] == _VLANS[0]
            if link != COOKED_2 and tagged.any():
                network[these] += 4 * tagged
                kind[these] = np.where(tagged, _half(buffer, at + 4), kind[these])
    at = packets + network
    heads = np.lib.stride_tricks.sliding_window_view(buffer, 16)[at]
    fourth = (kind == _IPV4) & (heads[:, 0] == 0x45) & (heads[:, 6] & 0x3F == 0) & (heads[:, 7] == 0)
    fourth &= heads[:, 9] == _UDP
    sixth = (kind == _IPV6) & (heads[:, 0] >> 4 == 6) & (heads[:, 6] == _UDP)
    udp = at + np.where(fourth, 20, 40)
    starts = udp + 8
    left = lengths - (starts - packets)
    said = _half(buffer, udp + 4) - 8
    plain: npt.NDArray[np.bool_] = (fourth | sixth) & (left >= 0) & (said >= 0)
    senders = np.where(fourth, heads.view(">u4")[:, 3], 0).astype(np.int64)
    return np.where(plain, starts, -1), np.minimum(said, left), senders


def _joined(buffer: Bytes, starts: Integers, lengths: Integers, reader: PacketReader) -> npt.NDArray[np.bool_]:
    """Which payloads are several packets that segmentation offload has joined: a next one begins as the first."""
    own = reader.own_bytes(_half(buffer, starts + SIZE_AT))
    longer = lengths >= own + _ALIKE
    if longer.any():
        for at in range(_ALIKE):
            longer[longer] = buffer[(starts + own + at)[longer]] == buffer[(starts + at)[longer]]
    return longer


def _split(payload: bytes, reader: PacketReader) -> list[bytes]:
    """The packets of a payload, by their own lengths."""
    parts = []
    while len(payload) > SIZE_AT + 2:
        own = int(reader.own_bytes(np.array(int.from_bytes(payload[SIZE_AT : SIZE_AT + 2]))))
        if payload[own : own + _ALIKE] != payload[:_ALIKE]:
            break
        parts.append(payload[:own])
        payload = payload[own:]
    return [*parts, payload]


def _half(buffer: Bytes, at: Integers) -> Integers:
    return buffer[at].astype(np.int64) << 8 | buffer[at + 1]


def _network(link: int, data: bytes) -> tuple[int, int]:
    """The EtherType of a link's payload, and the offset of the payload."""
    if link == ETHERNET:
        return _ethernet(data, 12)
    if link in _RAW:
        return {4: _IPV4, 6: _IPV6}.get(data[0] >> 4, 0), 0
    if link == COOKED:  # Linux, version 1
        return _ethernet(data, 14)
    if link == COOKED_2:
        return struct.unpack_from(">H", data, 0)[0], 20
    raise Unusable(f"of link type {link}; only Ethernet, Linux cooked and raw IP can be read")


def _ethernet(data: bytes, at: int) -> tuple[int, int]:
    """The type field at `at`, past any VLAN tags (IEEE 802.1Q)."""
    kind = struct.unpack_from(">H", data, at)[0]
    while kind in _VLANS:
        at += 4
        kind = struct.unpack_from(">H", data, at)[0]
    return kind, at + 2


def _ipv6(data: bytes) -> bytes:
    following, at = data[6], 40
    while following in (0, 43, 60):  # hop-by-hop, routing, destination
        following, at = data[at], at + 8 + data[at + 1] * 8
    if following == 44:
        raise Unusable(FRAGMENT)
    if following != _UDP:
        raise Unusable("not UDP")
    return data[at:]


def _udp(data: bytes) -> bytes:
    length = struct.unpack_from(">H", data, 4)[0]
    return data[8 : length if length >= 8 else None]  # 0: longer than the field allows
