"""Capture files, read as a stream: pcap and pcapng of either byte order and any resolution, plain or gzipped.

What can be read is handed out; what is wrong further on is one line in `Seen.trouble`.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from gloaming.shows.mistake import Mistake, MistakeError
from gloaming.shows.recording.links import ETHERNET, Links, Unusable, split
from gloaming.shows.recording.packets import PACKET_BYTES_MAX, Bytes, Datagrams

_PIECE = 4 << 20
_GZIP_PIECE = 4096
_PACKET_MAX = 1 << 20
"""No link has longer packets; a length above it is damage."""
_TICK_NS = {
    0xA1B2C3D4: 1000,  # microseconds
    0xA1B23C4D: 1,  # nanoseconds
}
_SHB, _IDB, _PACKET, _SIMPLE, _ENHANCED = 0x0A0D0D0A, 1, 2, 3, 6
_AT_MAX_NS = 2**62

Record = tuple[int, int, int, int]
"""Where a packet begins in the buffer, how much of it was captured, when (ns), by which link."""


@dataclass
class Seen:
    """What a pass over a capture met: packets, why some were of no use, what is wrong with the file, if anything."""

    packets: int = 0
    unusable: Counter[str] = field(default_factory=Counter)
    trouble: str | None = None


class _Damaged(Exception):
    """The file goes on in a way that cannot be."""


def datagrams(path: Path, seen: Seen) -> Iterator[Datagrams]:
    """The UDP payloads of a capture, some thousands at a time. MistakeError if it is none, or cannot be read."""
    links = Links()
    try:
        with path.open("rb") as file:
            reader = _Reader(_Gunzip(file) if file.peek(2)[:2] == b"\x1f\x8b" else file, path)
            for buffer, records in reader.pieces(seen):
                seen.packets += len(records)
                if records:
                    yield _payloads(buffer, records, links, seen)
    except (OSError, EOFError, zlib.error) as error:
        if seen.packets == 0:
            wrong = f"it cannot be read ({getattr(error, 'strerror', None) or error})"
            raise MistakeError(Mistake(path, None, None, wrong)) from None
        seen.trouble = f"it cannot be read to its end ({getattr(error, 'strerror', None) or error})"


class _Readable(Protocol):
    def read(self, size: int, /) -> bytes: ...


class _Gunzip:
    """Reads a gzip file up to the very byte at which it is damaged; Python's own reader would lose megabytes."""

    def __init__(self, file: _Readable) -> None:
        self._file = file
        self._member = zlib.decompressobj(31)
        self._input = b""
        self._failed: Exception | None = None

    def read(self, size: int, /) -> bytes:
        """Up to `size` bytes, none at the end. EOFError and zlib.error when all that is whole has been read."""
        out = bytearray()
        while len(out) < size and not self._failed:
            if not self._input:
                self._input = self._file.read(_GZIP_PIECE)
                if not self._input:
                    if not self._member.eof:
                        self._failed = EOFError("it ends too soon")
                    break
            if self._member.eof:
                self._member = zlib.decompressobj(31)
            try:
                out += self._member.decompress(self._input, size - len(out))
                self._input = self._member.unconsumed_tail or self._member.unused_data
            except zlib.error as error:
                self._failed = error
        if not out and self._failed:
            raise self._failed
        return bytes(out)


class _Reader:
    """Cuts a stream of bytes into records, piece by piece."""

    def __init__(self, stream: _Readable, path: Path) -> None:
        self._stream = stream
        head = stream.read(24)
        if not head:
            raise MistakeError(Mistake(path, None, None, "the file is empty"))
        self._rest = head
        self._at_ns = 0
        self._order = "<"
        self._interfaces: list[tuple[int, int, int]] = []  # link, ticks a second, offset in seconds
        if head[:4] == b"\x0a\x0d\x0d\x0a":
            self._records = self._pcapng
            return
        for order in "<>":
            magic = int.from_bytes(head[:4], "little" if order == "<" else "big")
            if magic in _TICK_NS and len(head) == 24:
                self._order, self._tick_ns = order, _TICK_NS[magic]
                self._link = struct.unpack_from(order + "I", head, 20)[0] & 0xFFFF
                self._rest = b""
                self._records = self._pcap
                return
        right = "pcap and pcapng are read, plain or gzipped"
        raise MistakeError(Mistake(path, None, None, "this is not a network capture", right))

    def pieces(self, seen: Seen) -> Iterator[tuple[bytes, list[Record]]]:
        """Buffers with the records that are whole in them."""
        failed: Exception | None = None
        while True:
            try:
                piece = self._stream.read(_PIECE)
            except (OSError, EOFError, zlib.error) as error:
                piece, failed = b"", error
            buffer = self._rest + piece
            records: list[Record] = []
            try:
                used = self._records(buffer, records)
            except _Damaged as error:
                seen.trouble = f"the capture is damaged after packet {seen.packets + len(records)}: {error}"
                yield buffer, records
                return
            yield buffer, records
            self._rest = buffer[used:]
            if not piece:
                break
        if failed:
            raise failed
        if self._rest:
            seen.trouble = f"the capture is cut short after packet {seen.packets}"

    def _pcap(self, buffer: bytes, records: list[Record]) -> int:
        unpack, size = struct.Struct(self._order + "IIII").unpack_from, len(buffer)
        at, link, tick_ns = 0, self._link, self._tick_ns
        while at + 16 <= size:
            seconds, ticks, length, _ = unpack(buffer, at)
            if length > _PACKET_MAX:
                raise _Damaged(f"a packet of {length} bytes")
            if at + 16 + length > size:
                break
            records.append((at + 16, length, seconds * 1_000_000_000 + ticks * tick_ns, link))
            at += 16 + length
        return at

    def _pcapng(self, buffer: bytes, records: list[Record]) -> int:
        at, size = 0, len(buffer)
        order = self._order
        two, enhanced = struct.Struct(order + "II").unpack_from, struct.Struct(order + "IIIII").unpack_from
        while at + 12 <= size:
            kind, total = two(buffer, at)
            if kind == _SHB:
                order = self._order = "<" if buffer[at + 8 : at + 12] == b"\x4d\x3c\x2b\x1a" else ">"
                two, enhanced = struct.Struct(order + "II").unpack_from, struct.Struct(order + "IIIII").unpack_from
                _, total = two(buffer, at)
            if total < 12 or total & 3 or total > 2 * _PACKET_MAX:
                raise _Damaged(f"a block of {total} bytes")
            if at + total > size:
                break
            end, body = at + total, at + 8
            if two(buffer, end - 8)[1] != total:
                raise _Damaged("a block whose two lengths differ")
            if kind == _ENHANCED and total >= 32:
                number, high, low, length, _ = enhanced(buffer, body)
                self._add(records, number, high << 32 | low, body + 20, length, end)
            elif kind == _PACKET and total >= 32:
                number, high, low, length, _ = enhanced(buffer, body)
                self._add(
                    records, struct.unpack_from(order + "H", buffer, body)[0], high << 32 | low, body + 20, length, end
                )
            elif kind == _SIMPLE and total >= 16 and self._interfaces:
                length = min(two(buffer, body)[0], end - body - 8)
                records.append((body + 4, length, self._at_ns, self._interfaces[0][0]))
            elif kind == _SHB:
                self._interfaces = []
            elif kind == _IDB and total >= 20:
                self._interfaces.append(self._interface(buffer[body : end - 4]))
            at = end
        return at

    def _add(self, records: list[Record], number: int, ticks: int, start: int, length: int, end: int) -> None:
        if number >= len(self._interfaces) or start + length > end - 4:
            raise _Damaged("a packet that does not fit its block, or has no interface")
        link, per_second, offset_s = self._interfaces[number]
        at_ns = ticks if per_second == 1_000_000_000 else ticks * 1_000_000_000 // per_second
        self._at_ns = min(at_ns + offset_s * 1_000_000_000, _AT_MAX_NS)
        records.append((start, length, self._at_ns, link))

    def _interface(self, body: bytes) -> tuple[int, int, int]:
        link = struct.unpack_from(self._order + "H", body, 0)[0]
        per_second, offset_s, at = 1_000_000, 0, 8
        while at + 4 <= len(body):
            code, length = struct.unpack_from(self._order + "HH", body, at)
            value = body[at + 4 : at + 4 + length]
            if code == 9 and value:  # if_tsresol: a power of ten, or of two
                power = value[0] & 0x7F
                per_second = 2 ** min(power, 63) if value[0] & 0x80 else 10 ** min(power, 18)
            elif code == 14 and len(value) == 8:  # if_tsoffset
                offset_s = max(-(2**33), min(2**33, struct.unpack(self._order + "q", value)[0]))
            elif code == 0:
                break
            at += 4 + length + -length % 4
        return link, per_second, offset_s


def _payloads(buffer: bytes, records: list[Record], links: Links, seen: Seen) -> Datagrams:
    """The UDP payloads of records: the plain ones by arithmetic on all at once, the others one by one."""
    table = np.array(records, np.int64)
    padded = np.frombuffer(buffer + bytes(PACKET_BYTES_MAX), np.uint8)
    starts, lengths = table[:, 0], table[:, 1]
    heads = np.lib.stride_tricks.sliding_window_view(padded, 42)[starts]
    plain = (table[:, 3] == ETHERNET) & (lengths >= 42) & _plain_udp(heads)
    udp = (heads[:, 38].astype(np.int64) << 8 | heads[:, 39]) - 8
    sizes = np.minimum(udp, lengths - 42)
    plain &= (udp >= 0) & (sizes <= 638)  # longer ones may be several packets in one
    if plain.all():
        return Datagrams(padded, starts + 42, sizes, table[:, 2])
    rows = [(int(row), int(starts[row]) + 42, int(sizes[row])) for row in np.flatnonzero(plain)]
    extra = io.BytesIO()
    base = len(padded)
    for row in np.flatnonzero(~plain):
        start, length, _, link = records[row]
        try:
            for payload in split(links.payload(link, buffer[start : start + length])):
                rows.append((int(row), base + extra.tell(), len(payload)))
                extra.write(payload)
        except Unusable as error:
            seen.unusable[str(error)] += 1
    rows.sort()
    found = np.array(rows, np.int64).reshape(-1, 3)
    extra.write(bytes(PACKET_BYTES_MAX))
    data = np.concatenate([padded, np.frombuffer(extra.getvalue(), np.uint8)])
    return Datagrams(data, found[:, 1], found[:, 2], table[found[:, 0], 2])


def _plain_udp(heads: Bytes) -> npt.NDArray[np.bool_]:
    """Ethernet, IPv4 without options or fragments, UDP; as most captures have it."""
    wanted = ((12, 0x08), (13, 0x00), (14, 0x45), (21, 0x00), (23, 17))
    plain: npt.NDArray[np.bool_] = (heads[:, 20] & 0x3F) == 0
    for at, value in wanted:
        plain &= heads[:, at] == value
    return plain
