"""Whoever changes something, or reads the journal, is answered when what was noted is on the disk. Plain ASGI."""

from __future__ import annotations

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gloaming.daemon.planner.store import Store

READING = {"GET", "HEAD", "OPTIONS"}
LASTING = ("/api/journal", "/api/report")
"""What is read there is not to be gone after a power cut."""


class Kept:
    """The middleware. Where something is wrong with the disk, nobody waits for it: its trouble is told."""

    def __init__(self, app: ASGIApp, store: Store) -> None:
        self.app, self.store = app, store

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if scope["path"].startswith(LASTING):
            await self.store.kept()
        if scope["method"] in READING:
            await self.app(scope, receive, send)
            return

        async def send_when_kept(message: Message) -> None:
            if message["type"] == "http.response.start":
                await self.store.kept()
            await send(message)

        await self.app(scope, receive, send_when_kept)
