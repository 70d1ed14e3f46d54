"""Server-sent events: what happens now, as soon as it changes, with a beat in between. A stream ends with its token.

One watcher serves all listeners, and runs only while there are any.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import suppress
from typing import Annotated, Any

from fastapi import Depends, FastAPI, Request
from fastapi.responses import StreamingResponse

from gloaming.api.http.auth.authenticator import AuthenticatedDevice, Authenticator
from gloaming.api.http.auth.routes import DeviceDependency, token_of
from gloaming.api.http.schemas.states import Now
from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.planner import Planner

LOOK_S = 0.25
BEAT_S = 2.0
STREAMS_MAX = 150
STREAMS_OF_ONE_MAX = 6
VOLATILE = {"at", "frame", "position_s", "brightness"}
"""The keys that change all the time: a change of these is not sent."""


def news_of(now: dict[str, Any]) -> str:
    """The part of /api/now whose change is sent, as JSON."""
    news = {key: value for key, value in now.items() if key not in VOLATILE}
    news["overrides"] = [{**each, "remaining_s": 0} for each in now["overrides"]]
    news["zones"] = [{**each, "level": round(each["level"], 2)} for each in now["zones"]]
    wire = now["health"]["transmitter"]
    troubles = [(each["kind"], each["subject"], each["text"]) for each in now["health"]["troubles"]]
    parts = [wire, *wire.get("areas", ())] if wire else []
    news["health"] = [
        troubles,
        [(part["piece"], round(part["level"], 2)) for part in parts],
        wire and wire["universes"],
    ]
    news["clock"] = {key: value for key, value in now["clock"].items() if key not in ("offset_s", "error_ms")}
    news["next"] = now["next"] and [now["next"]["at"][:19], now["next"]["state"]]
    return json.dumps(news, sort_keys=True)


class NowWatcher:
    """Watches the planner while there are listeners, and wakes them when there is news."""

    def __init__(self, planner: Planner) -> None:
        self.planner = planner
        self.number = 0
        self.now_json = ""
        self._news = ""
        self._listeners = 0
        self.changed = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    @property
    def looking(self) -> bool:
        """Whether the watcher runs. If not, the streams end, and the phones that connect again start it."""
        return self._task is not None and not self._task.done()

    def look(self) -> None:
        """Look now. A route that has changed something calls this, so that listeners get it at once."""
        if not self._listeners:
            return
        now = self.planner.now()
        news = news_of(now)
        if news != self._news:
            self._news = news
            self.now_json = Now.model_validate(now).model_dump_json(exclude_unset=True)
            self.number += 1
            self.wake()

    def wake(self) -> None:
        """Wake every listener, news or not."""
        self.changed.set()
        self.changed = asyncio.Event()

    async def _keep_looking(self) -> None:
        while self._listeners:
            self.look()
            await asyncio.sleep(LOOK_S)

    def listen(self) -> None:
        self._listeners += 1
        self.look()
        if not self.looking:
            self._task = asyncio.create_task(self._keep_looking(), name="watch")

    def leave(self) -> None:
        self._listeners -= 1


class OpenStreams:
    """The open streams. Their number is limited for each device and for all: the oldest ends for a new one."""

    def __init__(self, wake: Callable[[], None], of_one: int = STREAMS_OF_ONE_MAX) -> None:
        self._wake, self._of_one = wake, of_one
        self._open: list[tuple[int, asyncio.Event]] = []

    def __len__(self) -> int:
        return len(self._open)

    def open(self, device: int) -> asyncio.Event:
        """Add a stream of a device; the event is set when it must end."""
        mine = [one for one in self._open if one[0] == device]
        if len(mine) >= self._of_one:
            self._end(mine[0])
        elif len(self._open) >= STREAMS_MAX:
            self._end(self._open[0])
        one = (device, asyncio.Event())
        self._open.append(one)
        return one[1]

    def close(self, ending: asyncio.Event) -> None:
        self._open = [one for one in self._open if one[1] is not ending]

    def end_all(self) -> None:
        for one in [*self._open]:
            self._end(one)

    def _end(self, one: tuple[int, asyncio.Event]) -> None:
        one[1].set()
        self._open.remove(one)
        self._wake()


def event(name: str, data: str) -> str:
    """One event of text/event-stream."""
    return f"event: {name}\ndata: {data}\n\n"


def hello(device: AuthenticatedDevice) -> str:
    return event("hello", json.dumps({"device": device.name, "kind": device.kind}))


def add_events(
    app: FastAPI,
    planner: Planner,
    authenticator: Authenticator,
    signed_in: DeviceDependency,
    watch: NowWatcher,
    streams: OpenStreams,
) -> None:
    """Add the stream of events."""

    async def stream(token: str, device: AuthenticatedDevice) -> AsyncIterator[str]:
        ending = streams.open(device.id)
        watch.listen()
        try:
            yield "retry: 1000\n" + hello(device)
            number = -1
            while not ending.is_set() and watch.looking:
                changed = watch.changed
                known = authenticator.device(token, planner.now_ns())
                if known is None:
                    yield event("signed-out", "{}")
                    return
                if known != device:
                    device = known
                    yield hello(device)
                if number != watch.number:
                    number = watch.number
                    yield event("now", watch.now_json)
                else:
                    at = isoformat(planner.now_ns(), planner.site.timezone)
                    yield event("beat", json.dumps({"at": at}))
                with suppress(TimeoutError):  # a beat is due
                    await asyncio.wait_for(changed.wait(), BEAT_S)
        finally:
            streams.close(ending)
            watch.leave()

    @app.get(
        "/api/events",
        response_class=StreamingResponse,
        responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
        tags=["now"],
    )
    async def events(request: Request, device: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> StreamingResponse:
        """Server-sent events: `hello`, at once and when the device's kind changes; `now`, as /api/now, at once and when
        anything changes; `beat` every two seconds; `signed-out`, and the end, when the token is revoked."""
        return event_stream(stream(token_of(request), device))


def event_stream(lines: AsyncIterator[str], more: Mapping[str, str] | None = None) -> StreamingResponse:
    """A stream that no proxy buffers, with more headers."""
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no", **(more or {})}
    return StreamingResponse(lines, media_type="text/event-stream", headers=headers)
