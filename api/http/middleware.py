"""The middleware: the checks of every request, and answers that wait for the disk.

It is plain ASGI, so that a stream of events passes unbuffered. It does not check tokens.
"""

from __future__ import annotations

import asyncio
import ipaddress
import time
from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass, field
from http import HTTPStatus
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


SITE_FILES = "/api/setup/site"
SITE_FILES_BYTES_MAX = 4 << 20
UPLOADS = "/api/setup/uploads"
PUSH, PUSHED_FILES = "/api/setup/push", "/api/setup/pushed-files"
"""A site that another board pushes: its texts, and the files of its pieces."""
PAGES = {"/", "/setup"}
"""These may be opened by a link on another site: they have no data."""
SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}
PUBLIC = {"/api/public", "/sign"}
"""Where the site says so, everybody may read these, and so may a page of another site. Elsewhere they do not exist."""
DURABLE = ("/api/journal", "/api/report")
"""What these paths answer must still be true after a power cut."""


@dataclass(frozen=True, slots=True)
class RequestLimits:
    """Limits for each address and device. Rates are requests a second, after a burst. Each `body_bytes` of a body must
    arrive within `body_s`: an upload may last for hours, but it may not stall."""

    body_bytes: int = 65_536
    body_s: float = 10.0
    address_rate: float = 100.0
    address_burst: float = 600.0
    device_rate: float = 20.0
    device_burst: float = 120.0
    public_rate: float = 2.0
    public_burst: float = 30.0


@dataclass
class Buckets:
    """Token buckets by key; the oldest are dropped. `at_s` is any clock that only goes forward."""

    rate: float
    burst: float
    _left: dict[object, tuple[float, float]] = field(default_factory=dict)

    def take(self, key: object, at_s: float) -> bool:
        """Whether one more is allowed. One that is refused takes nothing: who asks too often is not shut out."""
        left, since_s = self._left.pop(key, (self.burst, at_s))
        left = min(self.burst, left + (at_s - since_s) * self.rate)
        if len(self._left) >= ADDRESSES_MAX:
            del self._left[next(iter(self._left))]
        allowed = left >= 1
        self._left[key] = (left - allowed, at_s)
        return allowed


def host_of(authority: str) -> str:
    """The host of `host`, `host:port` or `[address]:port`, in lower case; empty where it is none of these."""
    try:
        return (urlsplit(f"//{authority}").hostname or "").rstrip(".").lower()
    except ValueError:
        return ""


def is_ours(host: str, names: Collection[str]) -> bool:
    """Whether a host is one of the site's names, or any address. A foreign name that resolves to the site is not."""
    try:
        ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host in names
    return True


def is_below(path: str, folder: str) -> bool:
    return path == folder or path.startswith(f"{folder}/")


class RequestChecks:
    """Checks the host, origin, size, time and rate of each request. `names` gives the site's current names, `public`
    whether strangers may ask what everybody may know; that has a rate of its own. The body of an upload passes as it
    arrives: TimeoutError where it stalls. Every other body is read first."""

    def __init__(
        self,
        app: ASGIApp,
        names: Callable[[], Collection[str]],
        limits: RequestLimits,
        public: Callable[[], bool] = lambda: False,
    ) -> None:
        self.app, self.names, self.limits, self.public = app, names, limits, public
        self.addresses = Buckets(limits.address_rate, limits.address_burst)
        self.strangers = Buckets(limits.public_rate, limits.public_burst)

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
        if any(is_below(scope["path"], folder) for folder in (UPLOADS, PUSHED_FILES)):
            await self.app(scope, self._in_time(receive), send_with_headers)
            return
        files = any(is_below(scope["path"], folder) for folder in (SITE_FILES, PUSH))
        most = SITE_FILES_BYTES_MAX if files else self.limits.body_bytes
        try:
            body = await self._body(self._in_time(receive), headers, most)
        except TimeoutError:
            problem = Problem(408, f"a request must arrive within {self.limits.body_s:g} s", {"Connection": "close"})
            await problem(scope, receive, send_with_headers)
            return
        if body is None:
            await self._too_large(receive, send_with_headers, most)
            return
        await self.app(scope, _replayed(body, receive), send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> Problem | None:
        address = scope["client"][0] if scope.get("client") else ""
        public = scope["path"] in PUBLIC and self.public()
        buckets = self.strangers if public else self.addresses
        if not buckets.take(network_of(address), time.monotonic()):
            return Problem(429, "too many requests from this address", {"Retry-After": "1"})
        if "transfer-encoding" in headers and "content-length" in headers:
            return Problem(400, "a request may give its length in only one way (RFC 9112 6.3)", {"Connection": "close"})
        authority = headers.get("host", "")
        host = host_of(authority)
        if not is_ours(host, self.names()):
            return Problem(421, "this site does not have that name; [phone] names in site.toml adds one")
        if public:
            return None
        origin = headers.get("origin")
        if origin is not None and origin.partition("://")[2].lower() != authority.lower():
            return Problem(403, "asked by a page of another site")
        if headers.get("sec-fetch-site", "none") in ("cross-site", "same-site") and scope["path"] not in PAGES:
            return Problem(403, "asked by a page of another site")
        if scope["path"] in PUBLIC:
            return Problem(404, HTTPStatus.NOT_FOUND.phrase)  # as any path that does not exist
        return None

    def _in_time(self, receive: Receive) -> Receive:
        """Receive a body, in the time that the limits give it. TimeoutError. Only waiting counts, not a slow disk."""
        part, whole_s = self.limits.body_bytes, self.limits.body_s
        missing: int = part
        left_s: float | None = whole_s

        async def receive_in_time() -> Message:
            nonlocal missing, left_s
            begin_s = time.monotonic()
            async with asyncio.timeout(left_s):
                message = await receive()
            if not message.get("more_body", False):
                left_s = None  # what follows is the end of the connection
                return message
            missing -= len(message["body"])
            if missing <= 0:
                missing, left_s = part, whole_s
            elif left_s is not None:
                left_s -= time.monotonic() - begin_s
            return message

        return receive_in_time

    async def _body(self, receive: Receive, headers: Headers, most: int) -> bytes | None:
        """The whole body; None where it has more than `most` bytes, claims to have, or was cut off."""
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > most:
            return None
        body = bytearray()
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                return None
            body += message.get("body", b"")
            if len(body) > most:
                return None
            if not message.get("more_body", False):
                return bytes(body)

    async def _too_large(self, receive: Receive, send: Send, most: int) -> None:
        """Refuse at once, but read on for a while: a client that is still sending would not read the answer."""
        problem = Problem(413, f"a request may have at most {most} bytes", {"Connection": "close"})
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
    """Receive a body that was read already, then what follows."""
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


class Durability:
    """Holds the answer to a change, or to a reader of the journal, until `written` says that it is on the disk. If the
    disk has a fault, nothing waits: the fault is reported as a trouble."""

    def __init__(self, app: ASGIApp, written: Callable[[], Awaitable[bool]]) -> None:
        self.app, self.written = app, written

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if scope["path"].startswith(DURABLE):
            await self.written()
        if scope["method"] in SAFE_METHODS:
            await self.app(scope, receive, send)
            return

        async def send_when_written(message: Message) -> None:
            if message["type"] == "http.response.start":
                await self.written()
            await send(message)

        await self.app(scope, receive, send_when_written)
