"""The planner's end of the score protocol (daemon/transmitter/PROTOCOL.md)."""

from __future__ import annotations

import asyncio
import json
import os
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gloaming.daemon.planner.messages import read_message
from gloaming.daemon.score.protocol import Op

RETRY_S = 0.03
LINE_BYTES_MAX = 1 << 20
"""The longest message. The transmitter's telemetry is always far shorter."""
SEQUENCE_LEAP = 108
"""How far after the last known sequence number a restarted transmitter begins (E1.31 6.7.2)."""


class TransmitterClient:
    """Sends setup, score and windows to each transmitter that connects. `received` is called with its messages."""

    def __init__(self, path: Path, received: Callable[[dict[str, Any]], None]) -> None:
        self.path, self.received = path, received
        self.telemetry: dict[str, Any] | None = None
        self.connected = False
        self.playing = asyncio.Event()
        """Set, and replaced by a new one, at each message `playing`."""
        self.now_playing: dict[str, Any] | None = None
        """The newest message `playing`; None while no transmitter is connected."""
        self.unread = 0
        """The number of messages that could not be read. Each is dropped."""
        self.viewed: Callable[[str | None], None] = lambda levels: None
        self._newest: dict[str, dict[str, Any]] = {}
        self._writer: asyncio.StreamWriter | None = None

    def send(self, message: dict[str, Any]) -> None:
        """Send a message now if there is a connection, and again at each new connection: the newest of each kind."""
        self._newest[message["op"]] = message
        if self._writer:
            self._write(message)

    async def run(self) -> None:
        """Connect, read messages, and connect again, until cancelled."""
        while True:
            try:
                reader, self._writer = await self._connect()
            except OSError:
                await asyncio.sleep(RETRY_S)
                continue
            try:
                self.connected = True
                for op in (Op.SETUP, Op.SCORE, Op.WINDOWS):
                    if op in self._newest:
                        self._write(self._newest[op])
                while await self._read_one(reader):
                    pass
            except OSError:
                self.connected = False
            finally:
                self.connected, self.now_playing = False, None
                self._writer.close()
                self._writer = None
            self.received({"op": "lost"})
            await asyncio.sleep(RETRY_S)

    async def _connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        folder = os.open(self.path.parent, os.O_PATH | os.O_DIRECTORY)
        sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            sock.setblocking(False)
            sock.connect(f"/proc/self/fd/{folder}/{self.path.name}")
        except OSError:
            sock.close()
            raise
        finally:
            os.close(folder)
        return await asyncio.open_unix_connection(sock=sock, limit=LINE_BYTES_MAX)

    def _write(self, message: dict[str, Any]) -> None:
        assert self._writer
        if message["op"] == Op.SETUP:
            last = self.telemetry["sequence"] if self.telemetry else 0
            message = {**message, "sequence_from": (last + SEQUENCE_LEAP) & 0xFF}
        self._writer.write(json.dumps(message).encode() + b"\n")

    async def _read_one(self, reader: asyncio.StreamReader) -> bool:
        """Read a message and act on it. False at the end of the connection."""
        try:
            line = await reader.readline()
            message = read_message(line) if line else None
        except (ValueError, RecursionError) as error:  # the line is too long, or no message of the protocol
            self.unread += 1
            self.received({"op": "unread", "text": str(error).partition("\n")[0][:200]})
            return True
        if message is not None:
            self._act_on(message)
        return message is not None

    def _act_on(self, message: dict[str, Any]) -> None:
        if message["op"] == Op.TELEMETRY:
            self.telemetry = message
        elif message["op"] == Op.PLAYING:
            self.now_playing = message
            if self.telemetry:  # it is newer than the telemetry of once a second
                self.telemetry = {
                    **self.telemetry,
                    **{key: message[key] for key in ("piece", "frame", "level", "black", "areas") if key in message},
                }
            self.playing.set()
            self.playing = asyncio.Event()
        elif message["op"] == Op.VIEW:
            self.viewed(message["levels"])
            return
        self.received(message)
