"""What everybody may know, for signs and pages elsewhere. It needs no token, and is off by default.

It has listeners and a rate of its own: strangers take nothing from the phones. The middleware gives it that rate, and
hides it where it is off.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Annotated

from fastapi import Depends, FastAPI, Request, Response
from starlette.exceptions import HTTPException

from gloaming.api.http.schemas.states import PublicKnown
from gloaming.api.http.streams import OpenStreams, event, event_stream
from gloaming.daemon.planner.planner import Planner

BEAT_S = 5.0
"""An event so often keeps a stream open, tells a sign that there is contact, and finds out that a listener has left."""
RETRY_S = 30
"""A further listener tries again after this time."""
ANYWHERE = {"Access-Control-Allow-Origin": "*"}
"""A page of any origin may read it (Fetch, 3.2.3)."""


def add_public(app: FastAPI, planner: Planner, streams: OpenStreams) -> None:
    """Add the route. `streams` are those of strangers alone."""

    async def listener(request: Request) -> AsyncIterator[asyncio.Event | None]:
        """The place of a listener, until its answer ends; None where one object is asked for."""
        if "text/event-stream" not in request.headers.get("accept", ""):
            yield None
            return
        if len(streams) >= planner.site.public.listeners:
            raise HTTPException(503, "too many listeners", {"Retry-After": str(RETRY_S), **ANYWHERE})
        ending = streams.open(0)
        try:
            yield ending
        finally:
            streams.close(ending)

    async def stream(ending: asyncio.Event) -> AsyncIterator[str]:
        public, sent = planner.public, ""
        yield f"retry: {RETRY_S}000\n"
        while not ending.is_set() and planner.site.public.stream:
            changed, text = public.changed, public.text
            yield f"data: {text}\n\n" if text != sent else event("beat", "{}")
            sent = text
            with suppress(TimeoutError):  # a beat is due
                await asyncio.wait_for(changed.wait(), BEAT_S)

    @app.get(
        "/api/public",
        response_model=PublicKnown,
        responses={
            200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}},
            404: {"description": "it is off"},
            503: {"description": "too many listeners: Retry-After says how long to wait"},
        },
        tags=["now"],
    )
    async def public(ending: Annotated[asyncio.Event | None, Depends(listener)]) -> Response:
        """What everybody may know: the title that plays, the next one, and the opening times. It needs no token. With
        `Accept: text/event-stream`, server-sent events: the same at once and at each change, and `beat` every five
        seconds."""
        planner.public.look()
        if ending is None:
            return Response(planner.public.text, media_type="application/json", headers=ANYWHERE)
        return event_stream(stream(ending), ANYWHERE)
