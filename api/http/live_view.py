"""The live view: the colours that were sent, five times a second, as dots where the pixels hang.

It asks the transmitter for the slots of a few hundred pixels, once for all viewers, and only while there are any.
"""

import asyncio
import json
from base64 import b64decode, b64encode
from collections.abc import AsyncIterator
from contextlib import suppress
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
from fastapi import Depends, FastAPI, Request
from fastapi.responses import StreamingResponse

from gloaming.api.http.auth.authenticator import AuthenticatedDevice, Authenticator
from gloaming.api.http.auth.routes import DeviceDependency, token_of
from gloaming.api.http.streams import OpenStreams, event, event_stream
from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.site.load import Site
from gloaming.shows.rig.model import PixelString, positions
from gloaming.shows.rig.wire import places_on_wire

FRAME_S = 0.2
DOTS_MAX = 800
CHANNELS = "RGBW"
ROW = 0.07
"""The distance between rows of strings without positions, as a share of the picture."""


class Layout:
    """The pixels of a site that are drawn, with their places and slots."""

    def __init__(self, site: Site) -> None:
        strings = site.rig.string
        self.site, self.names = site, [string.name for string in strings]
        self.pixels = sum(string.pixels for string in strings)
        step = max(1, -(-self.pixels // DOTS_MAX))
        chosen = [_chosen(string.pixels, step) for string in strings]
        self.runs = [len(pixels) for pixels in chosen]
        self.dots = _placed([*zip(strings, chosen, strict=True)])
        self.picks = [
            pick for string, pixels in zip(strings, chosen, strict=True) for pick in _picks(string, pixels.tolist())
        ]

    def as_json(self) -> dict[str, Any]:
        """Dots in a square of 1, from the top left; `runs` has the number of dots of each string."""
        return {"strings": self.names, "dots": self.dots, "runs": self.runs}


def _chosen(pixels: int, step: int) -> npt.NDArray[np.int64]:
    """The pixels that are drawn: evenly from the first to the last, so that a string has its whole length."""
    return np.linspace(0, pixels - 1, max(min(2, pixels), -(-pixels // step))).round().astype(np.int64)


def _picks(string: PixelString, pixels: list[int]) -> list[int]:
    """For each pixel the slots of red, green, blue and white, as the score protocol has them; -1 for none.

    They are those on the wire, where pixels that were cut out are left out.
    """
    slots = [universe * 512 + slot - 1 for universe, first, last in string.spans() for slot in range(first, last + 1)]
    at = [string.order.find(channel) for channel in CHANNELS]
    places = places_on_wire(string)[pixels].tolist()
    return [-1 if min(place, one) < 0 else slots[place * len(string.order) + one] for place in places for one in at]


def _placed(strings: list[tuple[PixelString, Any]]) -> list[list[float]]:
    """The place of each dot: where the strings hang; strings without positions are rows below."""
    places = [None if (at := positions(string)) is None else at[pixels] for string, pixels in strings]
    hung = [at for at in places if at is not None]
    everything = np.concatenate(hung) if hung else np.zeros((1, 2))
    low, extent = everything.min(axis=0), np.ptp(everything, axis=0)
    size = max(1e-9, float(extent.max()))
    below = height = float(extent[1]) / size
    dots: list[list[float]] = []
    for (_, pixels), at in zip(strings, places, strict=True):
        if at is None:
            below += ROW
            dots += [[round(x, 4), round(below, 4)] for x in np.linspace(0, 1, len(pixels)).tolist()]
        else:
            dots += [[round(x, 4), round(height - y, 4)] for x, y in ((at - low) / size).tolist()]
    return dots


class Viewer:
    """Asks the transmitter while there are viewers; all of them get the same frames."""

    def __init__(self, planner: Planner) -> None:
        self.planner = planner
        self.layout: Layout | None = None
        self.frame: str | None = None
        self.came = asyncio.Event()
        self._viewers = 0
        self._picked: object = None
        self._task: asyncio.Task[None] | None = None

    def look(self) -> Layout:
        """Add a viewer; the layout of the site."""
        self._viewers += 1
        if self.layout is None or self.layout.site is not self.planner.site:
            self.layout = Layout(self.planner.site)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._ask_on(), name="view")
        return self.layout

    def leave(self) -> None:
        self._viewers -= 1

    def asking(self, layout: Layout) -> bool:
        """Whether the transmitter is still asked for this layout. If not, the page opens the stream again."""
        return layout is self.layout and self._task is not None and not self._task.done()

    async def _ask_on(self) -> None:
        self._picked = None
        while self._viewers and self.layout:
            picks = None if self._picked is self.layout else self.layout.picks
            if self.planner.view(picks, self._viewed):
                self._picked = self.layout
            await asyncio.sleep(FRAME_S)

    def _viewed(self, levels: str | None) -> None:
        if levels is None or self.layout is None:
            self._picked = None  # a transmitter that has just started does not know the pixels
            return
        channels = np.frombuffer(b64decode(levels), np.uint8).reshape(-1, len(CHANNELS)).astype(np.uint16)
        colours = np.minimum(channels[:, :3] + channels[:, 3:], 255).astype(np.uint8)
        at = isoformat(self.planner.now_ns(), self.planner.site.timezone)
        frame = {"at": at, "pixels": self.layout.pixels, "rgb": b64encode(colours.tobytes()).decode()}
        self.frame = json.dumps(frame)
        self.came.set()
        self.came = asyncio.Event()


def add_view(
    app: FastAPI, planner: Planner, authenticator: Authenticator, signed_in: DeviceDependency, streams: OpenStreams
) -> None:
    """Add the stream of frames."""
    viewer = Viewer(planner)

    async def shown(token: str, device: AuthenticatedDevice) -> AsyncIterator[str]:
        ending = streams.open(device.id)
        layout = viewer.look()
        try:
            yield event("layout", json.dumps(layout.as_json()))
            while not ending.is_set() and viewer.asking(layout) and authenticator.device(token) is not None:
                with suppress(TimeoutError):  # the transmitter does not answer: there is no frame
                    await asyncio.wait_for(viewer.came.wait(), 2.0)
                    if viewer.frame:
                        yield event("frame", viewer.frame)
        finally:
            streams.close(ending)
            viewer.leave()

    @app.get(
        "/api/view",
        response_class=StreamingResponse,
        responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
        tags=["the rig"],
    )
    async def view(request: Request, device: Annotated[AuthenticatedDevice, Depends(signed_in)]) -> StreamingResponse:
        """Server-sent events: `layout` has the places of the dots; then `frame`, five a second, has their colours."""
        return event_stream(shown(token_of(request), device))
