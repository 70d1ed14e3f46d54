"""The records of pcap and pcapng files, of either byte order and any resolution, as they come from a stream."""

from __future__ import annotations

import struct
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.protocols.datagrams import Integers
from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.protocols.packets import Bytes
from gloaming.shows.time_units import SECOND_NS

_PIECE = 4 << 20
_PACKET_MAX = 1 << 20
"""No link has longer packets. A greater length is damage."""
_BLOCK_MAX = 2 * _PACKET_MAX
_ALIKE, _RUN = 16, 2048
"""After so many equal records runs are read at once. The second number is the most records of a run."""
_TICK_NS = {
    0xA1B2C3D4: 1000,  # microseconds
    0xA1B23C4D: 1,  # nanoseconds
}
_SHB, _IDB, _PACKET, _SIMPLE, _ENHANCED = 0x0A0D0D0A, 1, 2, 3, 6
_AT_MAX_NS = 2**62

Record = tuple[int, int, int, int, int]
"""Start of a packet in the buffer, captured length, time (ns), link type, interface."""


class Records:
    """The records of a buffer: single records, and runs of records as arrays."""

    def __init__(self) -> None:
        self._parts: list[Integers] = []
        self._last: list[Record] = []
        self._count = 0

    def __len__(self) -> int:
        return self._count + len(self._last)

    def add(self, start: int, length: int, at_ns: int, link: int, interface: int = 0) -> None:
        """Add one record."""
        self._last.append((start, length, at_ns, link, interface))

    def run(self, starts: Integers, length: int, at_ns: Integers, link: int, interface: int = 0) -> None:
        """Add a run of records of one length and interface."""
        self._gather()
        part = np.empty((len(starts), 5), np.int64)
        part[:, 0], part[:, 1], part[:, 2], part[:, 3], part[:, 4] = starts, length, at_ns, link, interface
        self._parts.append(part)
        self._count += len(part)

    def table(self) -> Integers:
        """All records, `(n, 5)`, each row as in `Record`."""
        self._gather()
        return self._parts[0] if len(self._parts) == 1 else np.concatenate([np.empty((0, 5), np.int64), *self._parts])

    def _gather(self) -> None:
        if self._last:
            self._parts.append(np.array(self._last, np.int64))
            self._count += len(self._last)
            self._last = []


@dataclass
class Seen:
    """The result of a pass over a capture: packets, why some cannot be used, and damage of the file."""

    packets: int = 0
    unusable: Counter[str] = field(default_factory=Counter)
    trouble: str | None = None


class _Damaged(Exception):
    """The file continues with impossible data."""


class Readable(Protocol):
    def read(self, size: int, /) -> bytes: ...
    def readinto(self, buffer: memoryview, /) -> int: ...


class RecordReader:
    """Divides a stream of bytes into records, buffer by buffer."""

    def __init__(self, stream: Readable, path: Path) -> None:
        self._stream = stream
        head = stream.read(24)
        if not head:
            raise InputError(ConfigError(path, None, None, "the file is empty"))
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
        hint = "give a pcap or pcapng file, plain or gzipped"
        raise InputError(ConfigError(path, None, None, "this is not a network capture", hint))

    @property
    def interfaces(self) -> int:
        """The number of interfaces of the capture, as far as known."""
        return len(self._interfaces)

    def pieces(self, seen: Seen) -> Iterator[tuple[Bytes, Records]]:
        """Buffers with the records that are whole in them. A buffer is `PACKET_BYTES_MAX` longer than its content."""
        failed: Exception | None = None
        whole = np.zeros(_BLOCK_MAX + _PIECE + PACKET_BYTES_MAX, np.uint8)
        while True:
            size = len(self._rest)
            whole[:size] = np.frombuffer(self._rest, np.uint8)
            piece = 0
            try:
                piece = self._stream.readinto(whole[size : size + _PIECE].data)
            except (OSError, EOFError, zlib.error) as error:
                failed = error
            size += piece
            buffer = whole[: size + PACKET_BYTES_MAX]
            records = Records()
            try:
                used = self._records(buffer, size, records)
            except _Damaged as error:
                seen.trouble = f"the capture is damaged after packet {seen.packets + len(records)}: {error}"
                yield buffer, records
                return
            self._rest = buffer[used:size].tobytes()
            yield buffer, records
            if not piece:
                break
        if failed:
            raise failed
        if self._rest:
            seen.trouble = f"the capture is cut short after packet {seen.packets}"

    def _pcap(self, buffer: Bytes, size: int, records: Records) -> int:
        unpack = struct.Struct(self._order + "IIII").unpack_from
        data = buffer.data
        at, link, tick_ns = 0, self._link, self._tick_ns
        alike, before = 0, -1
        while at + 16 <= size:
            seconds, ticks, length, _ = unpack(data, at)
            if length > _PACKET_MAX:
                raise _Damaged(f"a packet of {length} bytes")
            if at + 16 + length > size:
                break
            alike = alike + 1 if length == before else 0
            before = length
            if alike < _ALIKE:
                records.add(at + 16, length, seconds * SECOND_NS + ticks * tick_ns, link)
                at += 16 + length
                continue
            step = 16 + length
            words = _words(buffer, at, step, min(_RUN, (size - at) // step), self._order, 4)
            count = _like_the_first(words[:, 2] == length)
            starts = at + 16 + step * np.arange(count)
            times = words[:count].astype(np.int64)
            records.run(starts, length, times[:, 0] * SECOND_NS + times[:, 1] * tick_ns, link)
            at += step * count
            alike = 0 if count < _RUN else alike
        return at

    def _pcapng(self, buffer: Bytes, size: int, records: Records) -> int:
        at, data = 0, buffer.data
        order = self._order
        two, enhanced = struct.Struct(order + "II").unpack_from, struct.Struct(order + "IIIII").unpack_from
        alike, before = 0, -1
        while at + 12 <= size:
            kind, total = two(data, at)
            if kind == _SHB:
                order = self._order = "<" if bytes(data[at + 8 : at + 12]) == b"\x4d\x3c\x2b\x1a" else ">"
                two, enhanced = struct.Struct(order + "II").unpack_from, struct.Struct(order + "IIIII").unpack_from
                _, total = two(data, at)
            if total < 12 or total & 3 or total > _BLOCK_MAX:
                raise _Damaged(f"a block of {total} bytes")
            if at + total > size:
                break
            end, body = at + total, at + 8
            if two(data, end - 8)[1] != total:
                raise _Damaged("a block whose two lengths differ")
            alike = alike + 1 if kind == _ENHANCED and total == before else 0
            before = total
            if alike >= _ALIKE and (count := self._run(buffer, size, at, total, records)):
                at += count * total
                alike = 0 if count < _RUN else alike
                continue
            if kind == _ENHANCED and total >= 32:
                number, high, low, length, _ = enhanced(data, body)
                self._add(records, number, high << 32 | low, body + 20, length, end)
            elif kind == _PACKET and total >= 32:
                number, high, low, length, _ = enhanced(data, body)
                self._add(
                    records, struct.unpack_from(order + "H", data, body)[0], high << 32 | low, body + 20, length, end
                )
            elif kind == _SIMPLE and total >= 16 and self._interfaces:
                length = min(two(data, body)[0], end - body - 8)
                records.add(body + 4, length, self._at_ns, self._interfaces[0][0])
            elif kind == _SHB:
                self._interfaces = []
            elif kind == _IDB and total >= 20:
                self._interfaces.append(self._interface(bytes(data[body : end - 4])))
            at = end
        return at

    def _run(self, buffer: Bytes, size: int, at: int, total: int, records: Records) -> int:
        """Take a run of enhanced packets like the one at `at`. Returns how many; 0: read them one by one."""
        if total < 32:
            return 0
        count = min(_RUN, (size - at) // total)
        words = _words(buffer, at, total, count, self._order, 6)  # kind, total, interface, time, time, length
        number, length = int(words[0, 2]), int(words[0, 5])
        if number >= len(self._interfaces) or 28 + length > total - 4:
            return 0
        link, per_second, offset_s = self._interfaces[number]
        tick_ns, rest = divmod(SECOND_NS, per_second)
        same = (words[:, [0, 1, 2, 5]] == words[0, [0, 1, 2, 5]]).all(axis=1)
        same &= _words(buffer, at + total - 4, total, count, self._order, 1)[:, 0] == total
        times = words[: _like_the_first(same)].astype(np.int64)
        ticks = times[:, 3] << 32 | times[:, 4]
        if rest or ticks.min() < 0 or ticks.max() > _AT_MAX_NS // tick_ns or abs(offset_s) > 2**31:
            return 0
        at_ns = np.minimum(ticks * tick_ns + offset_s * SECOND_NS, _AT_MAX_NS)
        self._at_ns = int(at_ns[-1])
        records.run(at + 28 + total * np.arange(len(ticks)), length, at_ns, link, number)
        return len(ticks)

    def _add(self, records: Records, number: int, ticks: int, start: int, length: int, end: int) -> None:
        if number >= len(self._interfaces) or start + length > end - 4:
            raise _Damaged("a packet that does not fit into its block, or has no interface")
        link, per_second, offset_s = self._interfaces[number]
        at_ns = ticks if per_second == SECOND_NS else ticks * SECOND_NS // per_second
        self._at_ns = min(at_ns + offset_s * SECOND_NS, _AT_MAX_NS)
        records.add(start, length, self._at_ns, link, number)

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


def _words(buffer: Bytes, at: int, step: int, count: int, order: str, words: int) -> npt.NDArray[np.uint32]:
    """`(count, words)`: the 32-bit words at `at` and every `step` bytes after it."""
    return np.ndarray((count, words), np.dtype(order + "u4"), buffer.data, at, (step, 4))


def _like_the_first(same: npt.NDArray[np.bool_]) -> int:
    """How many values are true before the first false one."""
    return len(same) if same.all() else int(same.argmin())
