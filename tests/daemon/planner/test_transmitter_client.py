"""The planner's end of the score protocol, against a transmitter that sends wrong messages."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.planner.messages import read_message
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.transmitter.counters import Totals
from gloaming.daemon.transmitter.telemetry import telemetry
from tests.daemon.transmitter.player_harness import FakeSender, PlayerHarness, film
from tests.daemon.transmitter.process_harness import SECOND_NS
from tests.waiting import until

SETUP = {"op": "setup", "sequence_from": 0}


def good(sequence: int) -> dict[str, Any]:
    harness = PlayerHarness(FakeSender())
    return {"op": "telemetry", "at_ns": 1, **telemetry(harness.player, Totals(), None), "sequence": sequence}


class Mad:
    """Listens in the place of a transmitter; keeps what it is told, and says lines."""

    def __init__(self, path: Path) -> None:
        self.path, self.told, self.connections = path, list[dict[str, Any]](), 0
        self._writer: asyncio.StreamWriter | None = None

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections, self._writer = self.connections + 1, writer
        while line := await reader.readline():
            self.told.append(json.loads(line))

    async def say(self, *lines: bytes) -> None:
        assert self._writer
        for line in lines:
            self._writer.write(line + b"\n")
            await self._writer.drain()


def with_link(folder: Path, act: Callable[[TransmitterClient, Mad, list[dict[str, Any]]], Awaitable[None]]) -> None:
    async def run() -> None:
        heard: list[dict[str, Any]] = []
        link, mad = TransmitterClient(folder / "transmitter.sock", heard.append), Mad(folder)
        server = await asyncio.start_unix_server(mad.serve, link.path)
        link.send(SETUP)
        running = asyncio.create_task(link.run())
        async with server:
            await until(lambda: mad.told, "a setup")
            await act(link, mad, heard)
            running.cancel()

    asyncio.run(run())


@pytest.mark.parametrize(
    "line",
    [
        json.dumps({**good(1), "sequence": None}).encode(),
        json.dumps({**good(1), "level": "bright"}).encode(),
        json.dumps({**good(1), "limited": [{"kind": "string"}]}).encode(),
        b'{"op": "telemetry"}',
        b'{"op": "trouble", "kind": "disk"}',
        b'{"op": "hello", "grants": null, "build": "x"}',
        b'{"op": "playing", "id": "17"}',
        b'{"op": "playing", "id": 17, "piece": null, "frame": null, "level": 0.5, "black": null}',
        b'{"op": "nothing we know"}',
        b"[1, 2]",
        b"\xff\xfe{",
        b"[" * 200_000,
        b'{"op": "view", "levels": "' + b"x" * (3 << 20) + b'"}',
    ],
    ids=lambda line: line[:40].decode(errors="replace"),
)
def test_a_message_that_cannot_be_read_is_counted_and_the_connection_stays(tmp_path: Path, line: bytes) -> None:
    async def act(link: TransmitterClient, mad: Mad, heard: list[dict[str, Any]]) -> None:
        await mad.say(json.dumps(good(7)).encode(), line, json.dumps(good(9)).encode())
        await until(lambda: link.telemetry and link.telemetry["sequence"] == 9, "telemetry after it")
        assert link.connected and mad.connections == 1
        assert link.unread >= 1 and any(message["op"] == "unread" for message in heard)
        link.send(SETUP)
        await until(lambda: len(mad.told) == 2, "another setup")
        assert mad.told[1]["sequence_from"] == (9 + 108) & 0xFF

    with_link(tmp_path, act)


def test_all_messages_of_a_transmitter_are_read(tmp_path: Path) -> None:
    harness = PlayerHarness(FakeSender())
    harness.score(film(0, SECOND_NS))
    harness.play(SECOND_NS // 2)
    said = {"op": "telemetry", "at_ns": 1, **telemetry(harness.player, Totals(), None)}
    assert read_message(json.dumps(said).encode()) == said
