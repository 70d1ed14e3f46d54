"""The middleware: the checks that every request must pass, and answers that wait for the disk.

Plain ASGI, so that a stream of events passes through unbuffered. It knows no token.
"""

from __future__ import annotations

import asyncio
import ipaddress
import time
from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gloaming.api.http.auth.authenticator import network_of
from gloaming.api.http.problems import Problem

DRAIN_BYTES = 64 << 20
ADDRESSES_MAX = 4096
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


READING = {"GET", "HEAD", "OPTIONS"}
LASTING = ("/api/journal", "/api/report")
"""What is read there must still be there after a power cut."""


@dataclass(frozen=True, slots=True)
class RequestLimits:
    """How much is taken from whom. Rates are requests a second, with a burst before they count."""

    body_bytes: int = 65_536
    body_s: float = 10.0
    address_rate: float = 100.0
    address_burst: float = 600.0
    device_rate: float = 20.0
    device_burst: float = 120.0


@dataclass
class Buckets:
    """Token buckets by key; the oldest make room. `at_s` is any clock that only goes forward."""

    rate: float
    burst: float
    _left: dict[object, tuple[float, float]] = field(default_factory=dict)

    def take(self, key: object, at_s: float) -> bool:
        """Whether one more is allowed."""
        left, since_s = self._left.pop(key, (self.burst, at_s))
        left = min(self.burst, left + (at_s - since_s) * self.rate)
        if len(self._left) >= ADDRESSES_MAX:
            del self._left[next(iter(self._left))]
        self._left[key] = (max(0.0, left - 1), at_s)
        return left >= 1


def host_of(authority: str) -> str:
    """The host of `host`, `host:port` or `[address]:port`, in lower case; empty where it is none of these."""
    try:
        return (urlsplit(f"//{authority}").hostname or "").rstrip(".").lower()
    except ValueError:
        return ""


def is_ours(host: str, names: Collection[str]) -> bool:
    """Whether a host is one that the site goes by. An address is: a foreign name that resolves to it is not."""
    try:
        ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host in names
    return True


class RequestChecks:
    """Which site a request asks for, from where, how much it sends and how often; `names` says what the site is called
    now."""

    def __init__(self, app: ASGIApp, names: Callable[[], Collection[str]], limits: RequestLimits) -> None:
        self.app, self.names, self.limits = app, names, limits
        self.addresses = Buckets(limits.address_rate, limits.address_burst)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        headers = Headers(scope=scope)
        problem = self._refusal(scope, headers)
        if problem is not None:
            await problem(scope, receive, send_with_headers)
            return
        try:
            async with asyncio.timeout(self.limits.body_s):
                body = await self._body(receive, headers)
        except TimeoutError:
            problem = Problem(408, f"a request is sent within {self.limits.body_s:g} s", {"Connection": "close"})
            await problem(scope, receive, send_with_headers)
            return
        if body is None:
            await self._too_large(receive, send_with_headers)
            return
        await self.app(scope, _replayed(body, receive), send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> Problem | None:
        address = scope["client"][0] if scope.get("client") else ""
        if not self.addresses.take(network_of(address), time.monotonic()):
            return Problem(429, "too many requests from this address", {"Retry-After": "1"})
        if "transfer-encoding" in headers and "content-length" in headers:
            return Problem(400, "a request says its length in one way (RFC 9112 6.3)", {"Connection": "close"})
        authority = headers.get("host", "")
        host = host_of(authority)
        if not is_ours(host, self.names()):
            return Problem(421, "this site does not go by that name; [phone] names in site.toml adds one")
        origin = headers.get("origin")
        if origin is not None and origin.partition("://")[2].lower() != authority.lower():
            return Problem(403, "asked by a page of another site")
        if headers.get("sec-fetch-site", "none") in ("cross-site", "same-site") and scope["path"] != "/":
            return Problem(403, "asked by a page of another site")
        return None

    async def _body(self, receive: Receive, headers: Headers) -> bytes | None:
        """The whole body; None where it is, or says it is, larger than is taken, or was cut off."""
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > self.limits.body_bytes:
            return None
        body = bytearray()
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return None
            body += message.get("body", b"")
            if len(body) > self.limits.body_bytes:
                return None
            if not message.get("more_body", False):
                return bytes(body)

    async def _too_large(self, receive: Receive, send: Send) -> None:
        """Say so at once, and go on taking for a while: a client that still sends would not read the answer."""
        problem = Problem(413, f"a request has {self.limits.body_bytes} bytes at most", {"Connection": "close"})
        start: Message = {"type": "http.response.start", "status": 413, "headers": problem.raw_headers}
        await send(start)
        await send({"type": "http.response.body", "body": problem.body, "more_body": True})
        taken = 0
        try:
            async with asyncio.timeout(self.limits.body_s):
                while taken < DRAIN_BYTES:
                    message = await receive()
                    taken += len(message.get("body", b""))
                    if not message.get("more_body", False):
                        break
        except TimeoutError:
            taken = DRAIN_BYTES
        await send({"type": "http.response.body", "body": b""})


def _replayed(body: bytes, receive: Receive) -> Receive:
    """A body that was read already, then whatever comes."""
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


class Durability:
    """Holds the answer to a change, or to a reader of the journal, until `written` says that the disk has what was
    noted. With a fault of the disk nobody waits: the fault is reported as a trouble."""

    def __init__(self, app: ASGIApp, written: Callable[[], Awaitable[bool]]) -> None:
        self.app, self.written = app, written

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if scope["path"].startswith(LASTING):
            await self.written()
        if scope["method"] in READING:
            await self.app(scope, receive, send)
            return

        async def send_when_kept(message: Message) -> None:
            if message["type"] == "http.response.start":
                await self.written()
            await send(message)

        await self.app(scope, receive, send_when_kept)
