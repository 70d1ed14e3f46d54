"""The checks of every request: how large a body may be, by its path, and how long it may take to arrive."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest
from starlette.types import Message, Receive, Scope, Send

from gloaming.api.http.middleware import SITE_FILES_BYTES_MAX, Buckets, RequestChecks, RequestLimits

LIMITS = RequestLimits(body_bytes=1000, body_s=0.4)


async def send_body(path: str, parts: list[bytes], wait_s: float = 0.0, chunked: bool = True) -> tuple[int, list[int]]:
    """The status of a request, and the lengths of the parts that the application was given."""
    seen: list[int] = []
    statuses: list[int] = []
    waiting = list(parts)

    async def receive() -> Message:
        if not waiting:
            await asyncio.Event().wait()
        await asyncio.sleep(wait_s)
        return {"type": "http.request", "body": waiting.pop(0), "more_body": bool(waiting)}

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            statuses.append(message["status"])

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        more = True
        while more:
            message = await receive()
            seen.append(len(message["body"]))
            more = message["more_body"]
        await send({"type": "http.response.start", "status": 204, "headers": []})

    headers = [(b"host", b"127.0.0.1")]
    headers += [] if chunked else [(b"content-length", str(sum(map(len, parts))).encode())]
    scope: Scope = {"type": "http", "method": "PATCH", "path": path, "headers": headers, "client": ("127.0.0.1", 1)}
    await RequestChecks(app, set, LIMITS)(scope, receive, send)
    return statuses[0], seen


Answer = tuple[int, list[int]]


def run(work: Callable[[], Awaitable[Answer]]) -> Answer:
    async def whole() -> Answer:
        async with asyncio.timeout(30):
            return await work()

    return asyncio.run(whole())


def test_the_body_of_an_upload_passes_part_by_part_whatever_its_length() -> None:
    parts = [b"a" * 700] * 50
    assert run(lambda: send_body("/api/setup/uploads/1", parts, chunked=False)) == (204, [700] * 50)
    assert run(lambda: send_body("/api/setup/uploads", parts)) == (204, [700] * 50)


@pytest.mark.parametrize("path", ["/api/setup/site", "/api/setup/site/check"])
@pytest.mark.parametrize("chunked", [False, True])
def test_the_files_of_a_site_may_have_four_megabytes(path: str, chunked: bool) -> None:
    whole = [b"a" * (1 << 20)] * 4
    assert run(lambda: send_body(path, whole, chunked=chunked)) == (204, [SITE_FILES_BYTES_MAX])
    assert run(lambda: send_body(path, [*whole, b"a"], chunked=chunked)) == (413, [])


@pytest.mark.parametrize("path", ["/api/overrides", "/api/setup/sites", "/api/setup/uploads2", "/api/setup"])
def test_the_body_of_any_other_request_has_the_limit_of_all(path: str) -> None:
    assert run(lambda: send_body(path, [b"a" * 600, b"a" * 400])) == (204, [1000])
    assert run(lambda: send_body(path, [b"a" * 600, b"a" * 401])) == (413, [])


def test_a_long_upload_may_take_long_but_one_that_stalls_or_trickles_ends() -> None:
    """The first takes three times the limit in all. The second brings a byte now and then."""
    assert run(lambda: send_body("/api/setup/uploads/1", [b"a" * 1000] * 12, 0.1)) == (204, [1000] * 12)
    with pytest.raises(TimeoutError):
        run(lambda: send_body("/api/setup/uploads/1", [b"a"] * 100, 0.1))
    assert run(lambda: send_body("/api/overrides", [b"a"] * 100, 0.1))[0] == 408


@pytest.mark.parametrize("apart_s", [0.025, 0.04])
def test_who_asks_too_often_gets_the_rate_and_is_not_shut_out(apart_s: float) -> None:
    buckets = Buckets(rate=20, burst=120)
    allowed = [buckets.take("a phone", at * apart_s) for at in range(round(60 / apart_s))]
    assert sum(allowed) == pytest.approx(120 + 20 * 60, abs=2)
    assert sum(allowed[-round(1 / apart_s) :]) == pytest.approx(20, abs=1), "the last second"
