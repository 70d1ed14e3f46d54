"""What everybody may know, for pages and signs elsewhere; strangers take nothing from the phones."""

from __future__ import annotations

import asyncio
import json
import re
import socket
from base64 import b64encode
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from hashlib import sha256
from itertools import product
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.responses import StreamingResponse

from gloaming.api.http import connections
from gloaming.api.http import public as route
from gloaming.api.http.middleware import RequestLimits
from gloaming.api.http.streams import event_stream
from tests.api.house import House, house, run
from tests.api.http.test_server import serving, until, write_site

ELSEWHERE = {"Origin": "https://quay.example", "Sec-Fetch-Site": "cross-site"}
ASKED = {**ELSEWHERE, "Accept": "text/event-stream"}
ON = "\n[public]\nstream = true\nlisteners = 2\n"


def turn_on(folder: Path, table: str = ON) -> Path:
    site = folder / "site.toml"
    site.write_text(site.read_text() + table)
    return folder


@asynccontextmanager
async def open_house(folder: Path, **more: Any) -> AsyncIterator[House]:
    async with house(folder, **more) as home:
        turn_on(folder / "site")
        assert await home.planner.reload("a test") is None
        yield home


class Listener:
    """A stranger who listens."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    @classmethod
    async def at(cls, address: str, **more: Any) -> Listener:
        """Ask for the stream at the page's address; the answer's head is still to come."""
        host, _, port = address.rpartition("/")[2].partition(":")
        self = cls(*await asyncio.open_connection(host, int(port), **more))
        head = {"Host": f"{host}:{port}", **ASKED}
        lines = "".join(f"{name}: {value}\r\n" for name, value in head.items())
        self.writer.write(f"GET /api/public HTTP/1.1\r\n{lines}\r\n".encode())
        return self

    async def head(self) -> str:
        return (await self.reader.readuntil(b"\r\n\r\n")).decode().lower()

    async def next(self) -> Any:
        """The object of the next event that is no beat."""
        while True:
            line = await asyncio.wait_for(self.reader.readline(), 30)
            assert line, "the stream has ended"
            if line.startswith(b"data: ") and line != b"data: {}\n":
                return json.loads(line[6:])


def test_off_it_is_a_path_like_any_that_does_not_exist(tmp_path: Path) -> None:
    """For every method, header and page: nothing tells a stranger that it could be turned on."""

    async def work() -> None:
        async with house(tmp_path) as home, home.client() as client:
            asked = product(
                ("/api/public", "/sign"),
                ({}, {"Accept": "text/event-stream"}, ELSEWHERE),
                ("GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS"),
            )
            for path, headers, method in asked:
                there = await client.request(method, path, headers=headers)
                nowhere = await client.request(method, "/api/nowhere", headers=headers)
                assert there.status_code == (403 if headers is ELSEWHERE else 404)
                assert (there.status_code, there.headers, there.text) == (
                    nowhere.status_code,
                    nowhere.headers,
                    nowhere.text,
                )

    run(work())


def test_a_page_of_another_site_reads_it_without_a_token_and_reads_nothing_else(tmp_path: Path) -> None:
    async def work() -> None:
        async with open_house(tmp_path) as home, home.client() as client:
            found = await client.get("/api/public", headers=ELSEWHERE)
            assert found.headers["access-control-allow-origin"] == "*"
            assert found.json() == {
                "title": "tide",
                "artist": None,
                "next_title": "lanterns",
                "opens": "2026-12-12T17:00:00+00:00",
                "closes": "2026-12-12T22:00:00+00:00",
                "next_opening": "2026-12-13T17:00:00+00:00",
            }
            for path in ("/api/now", "/api/events", "/healthz", "/api/public/"):
                other = await client.get(path, headers=ELSEWHERE)
                assert (other.status_code, "access-control-allow-origin" in other.headers) == (403, False)
            other = await client.post("/api/public", headers=ELSEWHERE)
            assert (other.status_code, other.headers["allow"]) == (405, "GET")
            foreign = await client.get("/api/public", headers={**ELSEWHERE, "Host": "quay.example"})
            assert foreign.status_code == 421

            sign = await client.get("/sign", headers=ELSEWHERE)
            (script,) = re.findall("<script>(.*?)</script>", sign.text, re.DOTALL)
            assert b64encode(sha256(script.encode()).digest()).decode() in sign.headers["content-security-policy"]

    run(work())


def test_a_pause_takes_the_titles_and_says_no_more(tmp_path: Path) -> None:
    async def work() -> None:
        async with (
            open_house(tmp_path) as home,
            home.client(home.token) as phone,
            home.client() as page,
        ):
            before = (await page.get("/api/public", headers=ELSEWHERE)).json()
            await phone.post("/api/overrides", json={"kind": "pause"})
            paused = (await page.get("/api/public", headers=ELSEWHERE)).json()
            assert before["title"] and before["next_title"]
            assert paused == {**before, "title": None, "artist": None, "next_title": None}

    run(work())


def test_the_rate_of_strangers_is_not_that_of_phones(tmp_path: Path) -> None:
    """Both have the same address, as behind a router."""

    async def work() -> None:
        limits = RequestLimits(public_rate=0.001, public_burst=3, address_rate=0.001, address_burst=5)
        async with open_house(tmp_path, limits=limits) as home, home.client(home.token) as phone:
            codes = [(await phone.get("/api/public", headers=ELSEWHERE)).status_code for _ in range(5)]
            assert codes == [200, 200, 200, 429, 429]
            assert [(await phone.get("/api/now")).status_code for _ in range(6)] == [200] * 5 + [429]

    run(work())


def test_strangers_take_all_their_places_and_none_of_the_phones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(route, "BEAT_S", 0.2)

    async def work() -> None:
        async with serving(turn_on(write_site(tmp_path / "site"))) as page:
            await until(lambda: page.addresses, "a page")
            first, second = [await Listener.at(page.addresses[0]) for _ in range(2)]
            for one in (first, second):
                assert "access-control-allow-origin: *" in await one.head()
                assert (await one.next())["title"] == "tide"
            third = await Listener.at(page.addresses[0])
            head = await third.head()
            assert "503 service unavailable" in head and "retry-after: 30" in head
            token = {"Authorization": f"Bearer {(page.state / 'token').read_text().strip()}"}
            async with (
                httpx.AsyncClient(base_url=page.addresses[0], headers=token) as phone,
                phone.stream("GET", "/api/events") as events,
            ):
                assert events.status_code == 200
                assert (await phone.post("/api/overrides", json={"kind": "pause"})).status_code == 201
                assert [(await one.next())["title"] for one in (first, second)] == [None, None]
            second.writer.close()
            strangers = page.app.state.strangers
            await until(lambda: len(strangers) == 1, "a free place")
            again = await Listener.at(page.addresses[0])
            assert "200 ok" in await again.head()

    run(work())


def test_a_listener_that_reads_nothing_is_ended_and_costs_no_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is sent 60 MB. The server makes what fits into the kernel's buffers, and no more."""
    made: list[int] = []

    def counted(lines: AsyncIterator[str], more: Mapping[str, str]) -> StreamingResponse:
        async def counting() -> AsyncIterator[str]:
            async for line in lines:
                made.append(len(line))
                yield line

        return event_stream(counting(), more)

    monkeypatch.setattr(connections, "UNANSWERED_MS", 1000)  # in place of 20 s
    monkeypatch.setattr(route, "event_stream", counted)

    async def work() -> None:
        async with serving(turn_on(write_site(tmp_path / "site"))) as page:
            await until(lambda: page.addresses, "a page")
            silent = socket.socket()
            silent.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            host, _, port = page.addresses[0].rpartition("/")[2].partition(":")
            silent.connect((host, int(port)))
            silent.sendall(f"GET /api/public HTTP/1.1\r\nHost: {host}\r\nAccept: text/event-stream\r\n\r\n".encode())
            strangers, public = page.app.state.strangers, page.planner.public
            await until(lambda: len(strangers) == 1, "a listener")
            for number in range(600):
                public.text = str(number) * (100_000 // len(str(number)))
                public.wake()
                await asyncio.sleep(0)
                await asyncio.sleep(0)
            assert sum(made) < 20_000_000
            await until(lambda: not len(strangers), "an end")
            silent.close()

    run(work())
