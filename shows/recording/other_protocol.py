"""Finds out, while nothing comes by the chosen protocol, whether levels arrive by the other one."""

from __future__ import annotations

import socket
from collections.abc import Sequence

import numpy as np

from gloaming.shows.protocols.artnet.parse import ArtNetReader
from gloaming.shows.protocols.datagrams import Datagrams, PacketReader
from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.protocols.e131.parse import E131_READER, E131Reader
from gloaming.shows.recording.census import Census
from gloaming.shows.recording.report import ranges

_PACKETS_MAX = 256


def other_than(reader: PacketReader) -> PacketReader:
    """The other protocol that can be recorded."""
    return ArtNetReader() if isinstance(reader, E131Reader) else E131_READER


def found_text(reader: PacketReader, census: Census) -> str | None:
    """What came by a protocol, and the option that records it. None: no levels."""
    found = ranges([*census.sent, *census.unmapped])
    return f"{reader.name.words} levels of {found}: --protocol {reader.name} records them" if found else None


class OtherProtocol:
    """Receives by `reader` from plain sockets, which it closes."""

    def __init__(self, reader: PacketReader, sockets: Sequence[socket.socket]) -> None:
        self._reader, self._sockets = reader, sockets

    def look(self) -> str | None:
        """A text about levels that have come since the last look, or None."""
        census = Census(self._reader, measured=False)
        for sock in self._sockets:
            if (datagrams := _received(sock)) is not None:
                census.take(self._reader.read(datagrams))
        return found_text(self._reader, census)

    def close(self) -> None:
        """Close the sockets."""
        for sock in self._sockets:
            sock.close()


def _received(sock: socket.socket) -> Datagrams | None:
    """The datagrams that wait at a socket, up to a limit. Nobody asks for their times and senders."""
    buffer = np.zeros((_PACKETS_MAX, PACKET_BYTES_MAX), np.uint8)
    lengths: list[int] = []
    try:
        while len(lengths) < _PACKETS_MAX:
            lengths.append(sock.recv_into(buffer[len(lengths)].data))
    except BlockingIOError:
        pass  # all have been read
    count = len(lengths)
    none = np.zeros(count, np.int64)
    starts = np.arange(count) * PACKET_BYTES_MAX
    return Datagrams(buffer.reshape(-1), starts, np.array(lengths, np.int64), none, none) if count else None
