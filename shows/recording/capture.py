"""Reads capture files as a stream of datagrams: pcap or pcapng, plain or gzipped.

Everything before damage is returned. `Seen.trouble` is one line about the damage.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.protocols.datagrams import Datagrams, PacketReader
from gloaming.shows.recording.capture_records import Readable, RecordReader, Seen
from gloaming.shows.recording.links import Links
from gloaming.shows.recording.order import Order

_GZIP_PIECE = 4096


def datagrams(path: Path, seen: Seen, reader: PacketReader) -> Iterator[Datagrams]:
    """The UDP payloads of a capture, some thousands at a time. The next ones reuse the buffer.

    InputError if the file is no capture or cannot be read.
    """
    links, order = Links(reader), Order()
    try:
        with path.open("rb") as file:
            records_of = RecordReader(_Gunzip(file) if file.peek(2)[:2] == b"\x1f\x8b" else file, path)
            for buffer, records in records_of.pieces(seen):
                seen.packets += len(records)
                table = records.table()
                if records_of.interfaces > 1 or len(order):
                    buffer, table = order.take(buffer, table)
                if len(table):
                    yield links.payloads(buffer, table, seen.unusable)
    except (OSError, EOFError, zlib.error) as error:
        if seen.packets == 0:
            problem = f"it cannot be read ({getattr(error, 'strerror', None) or error})"
            raise InputError(ConfigError(path, None, None, problem)) from None
        seen.trouble = f"it cannot be read to its end ({getattr(error, 'strerror', None) or error})"
    buffer, table = order.rest()
    if len(table):
        yield links.payloads(buffer, table, seen.unusable)


class _Gunzip:
    """Reads a gzip file up to the first damaged byte. Python's own reader would lose megabytes."""

    def __init__(self, file: Readable) -> None:
        self._file = file
        self._member = zlib.decompressobj(31)
        self._input = b""
        self._failed: Exception | None = None

    def read(self, size: int, /) -> bytes:
        """Up to `size` bytes, none at the end. EOFError or zlib.error at damage."""
        out = bytearray()
        while len(out) < size and not self._failed:
            if not self._input:
                self._input = self._file.read(_GZIP_PIECE)
                if not self._input:
                    if not self._member.eof:
                        self._failed = EOFError("the file ends too early")
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

    def readinto(self, buffer: memoryview, /) -> int:
        """Read into a buffer. Returns the number of bytes."""
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)
