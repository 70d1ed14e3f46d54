"""The planner's end of the score protocol (transmitter/PROTOCOL.md): keeps the connection and what must be known."""

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
"""Telemetry is far shorter, whatever happens on the network: see `TOLD_MAX` in the transmitter."""
SEQUENCE_LEAP = 108
"""How far a restarted transmitter's sequence numbers begin after the last one heard of (E1.31 6.7.2)."""


class TransmitterClient:
    """Hands setup, score and windows to whichever transmitter listens; `heard` gets every message from it."""

    def __init__(self, path: Path, heard: Callable[[dict[str, Any]], None]) -> None:
        self.path, self.heard = path, heard
        self.telemetry: dict[str, Any] | None = None
        self.connected = False
        self.playing = asyncio.Event()
        """Set, and replaced, with each `playing` that comes."""
        self.now_playing: dict[str, Any] | None = None
        """The newest `playing`; None while no transmitter answers."""
        self.unread = 0
        """How many messages could not be read; each is dropped, and the next is read."""
        self.viewed: Callable[[str | None], None] = lambda levels: None
        self._kept: dict[str, dict[str, Any]] = {}
        self._writer: asyncio.StreamWriter | None = None

    def send(self, message: dict[str, Any]) -> None:
        """Keep the newest of each kind, and send it now if there is a connection."""
        self._kept[message["op"]] = message
        if self._writer:
            self._write(message)

    async def run(self) -> None:
        """Connect, listen, connect again; until cancelled."""
        while True:
            try:
                reader, self._writer = await self._connect()
            except OSError:
                await asyncio.sleep(RETRY_S)
                continue
            try:
                self.connected = True
                for op in (Op.SETUP, Op.SCORE, Op.WINDOWS):
                    if op in self._kept:
                        self._write(self._kept[op])
                while await self._hear_one(reader):
                    pass
            except OSError:
                self.connected = False
            finally:
                self.connected, self.now_playing = False, None
                self._writer.close()
                self._writer = None
            self.heard({"op": "lost"})
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

    async def _hear_one(self, reader: asyncio.StreamReader) -> bool:
        """Read a message and act on it; whether there may be another."""
        try:
            line = await reader.readline()
            message = read_message(line) if line else None
        except (ValueError, RecursionError) as error:  # a line that is too long, or no message of the protocol
            self.unread += 1
            self.heard({"op": "unread", "text": str(error).partition("\n")[0][:200]})
            return True
        if message is not None:
            self._hear(message)
        return message is not None

    def _hear(self, message: dict[str, Any]) -> None:
        if message["op"] == Op.TELEMETRY:
            self.telemetry = message
        elif message["op"] == Op.PLAYING:
            self.now_playing = message
            if self.telemetry:  # what is sent is known sooner than once a second
                self.telemetry = {
                    **self.telemetry,
                    **{key: message[key] for key in ("piece", "frame", "level", "black")},
                }
            self.playing.set()
            self.playing = asyncio.Event()
        elif message["op"] == Op.VIEW:
            self.viewed(message["levels"])
            return
        self.heard(message)
