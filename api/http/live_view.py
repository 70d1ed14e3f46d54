"""The live view: the colours that were sent, five times a second, as dots where pixels hang and fixtures stand.

It asks the transmitter for the slots of a few hundred dots, once for all viewers, and only while there are any.
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
from gloaming.daemon.site.site import Site
from gloaming.shows.analysis.pieces import RGB_OF
from gloaming.shows.rig.model import Fixture, PixelString, positions
from gloaming.shows.rig.patterns import letters_of
from gloaming.shows.rig.wire import places_on_wire

FRAME_S = 0.2
DOTS_MAX = 800
ROW = 0.07
"""The distance between rows of strings without positions, as a share of the picture."""


Points = npt.NDArray[np.float64]


class Layout:
    """What is drawn of a site: pixels of its strings, then its fixtures, with their places and slots.

    `picks` are the slots on the wire that give the dots their colours, as the score protocol has them; -1 is dark.
    """

    def __init__(self, site: Site) -> None:
        self.site, strings = site, site.rig.string
        fixtures = sorted(site.rig.fixture, key=lambda one: one.at is None)
        self.strings, self.fixtures = [one.name for one in strings], [one.name for one in fixtures]
        self.pixels = sum(string.pixels for string in strings)
        step = max(1, -(-self.pixels // DOTS_MAX))
        chosen = [_chosen(string.pixels, step) for string in strings]
        self.runs = [len(pixels) for pixels in chosen]
        hung = (None if (at := positions(one)) is None else at[own] for one, own in zip(strings, chosen, strict=True))
        stand = np.array([one.at for one in fixtures if one.at], float).reshape(-1, 2)
        rest = len(fixtures) - len(stand)
        rows = [*zip(hung, self.runs, strict=True), (stand, len(stand)), (None, rest)]
        self.dots = _placed([(at, count) for at, count in rows if count])
        slots = [_slots(string)[own] for string, own in zip(strings, chosen, strict=True)]
        parts: list[tuple[PixelString | Fixture, npt.NDArray[np.intp]]] = [*zip(strings, slots, strict=True)]
        parts += ((one, _slots(one)) for one in fixtures)
        self.picks: list[int] = np.concatenate([np.zeros(0, np.intp), *(slots.ravel() for _, slots in parts)]).tolist()
        self._shares = np.concatenate([np.zeros((0, 4)), *(np.tile(_shares(one), (len(own), 1)) for one, own in parts)])
        channels = [own.shape[1] for _, own in parts for _ in range(len(own))]
        self._firsts = np.cumsum([0, *channels[:-1]], dtype=np.intp)

    def as_json(self) -> dict[str, Any]:
        """Dots in a square of 1, from the top left; `runs` has the number of dots of each string. Each fixture has one
        dot, after those of the strings."""
        return {"strings": self.strings, "dots": self.dots, "runs": self.runs, "fixtures": self.fixtures}

    def colours(self, levels: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
        """The colours of the dots `(dots, 3) uint8`, by the levels of the picks."""
        if not self.dots:
            return np.zeros((0, 3), np.uint8)
        light = np.add.reduceat(levels[:, None] * self._shares, self._firsts)
        undimmed = np.add.reduceat(self._shares[:, 3], self._firsts) == 0
        dimmer = np.where(undimmed, 1, light[:, 3] / 255)
        colours: npt.NDArray[np.uint8] = np.minimum(np.rint(light[:, :3] * dimmer[:, None]), 255).astype(np.uint8)
        return colours


def _chosen(pixels: int, step: int) -> npt.NDArray[np.int64]:
    """The pixels that are drawn: evenly from the first to the last, so that a string has its whole length."""
    return np.linspace(0, pixels - 1, max(min(2, pixels), -(-pixels // step))).round().astype(np.int64)


def _slots(one: PixelString | Fixture) -> npt.NDArray[np.intp]:
    """The slots of each pixel on the wire, where those that were cut out are left out: `(pixels, channels)`."""
    stretches = [universe * 512 + np.arange(first - 1, last) for universe, first, last in one.spans()]
    slots = np.concatenate(stretches).reshape(-1, len(letters_of(one)))
    if isinstance(one, Fixture):
        return slots
    places = places_on_wire(one)
    return np.where(places[:, None] >= 0, slots[places], -1)


def _shares(one: PixelString | Fixture) -> Points:
    """What each channel adds to red, green, blue and to the dimmer of a dot: `(channels, 4)`.

    A dimmer without colours is white. Like channels of a fixture share one colour.
    """
    letters = letters_of(one)
    shares = np.zeros((len(letters), 4))
    for at, letter in enumerate(letters):
        alike = letters.count(letter) if isinstance(one, Fixture) else 1
        if letter in RGB_OF:
            shares[at, :3] = np.array(RGB_OF[letter]) / alike
        elif letter == "D":
            shares[at] = np.array((0, 0, 0, 1) if RGB_OF.keys() & set(letters) else (1, 1, 1, 0)) / alike
    return shares


def _placed(rows: list[tuple[Points | None, int]]) -> list[list[float]]:
    """The place of each dot: where it hangs. Dots without positions are rows below."""
    hung = [at for at, _ in rows if at is not None]
    everything = np.concatenate(hung) if hung else np.zeros((1, 2))
    low, extent = everything.min(axis=0), np.ptp(everything, axis=0)
    size = max(1e-9, float(extent.max()))
    below = height = float(extent[1]) / size
    dots: list[list[float]] = []
    for at, count in rows:
        if at is None:
            below += ROW
            dots += [[round(x, 4), round(below, 4)] for x in np.linspace(0, 1, count).tolist()]
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
        found = np.frombuffer(b64decode(levels or ""), np.uint8)
        if levels is None or self.layout is None or len(found) != len(self.layout.picks):
            self._picked = None  # a transmitter that has just started, or that has an earlier layout
            return
        colours = self.layout.colours(found)
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
