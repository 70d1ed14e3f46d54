"""For tests of HTTP: a small site, its planner in this process, and clients."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import soundfile
from fastapi import FastAPI

from gloaming.api.http.app import make_app
from gloaming.api.http.auth.authenticator import Authenticator, DeviceKind
from gloaming.api.http.middleware import RequestLimits
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.site.load import load_site
from gloaming.shows.framefile.reader import FrameWriter, Universe

ZONE = ZoneInfo("Europe/London")
ORIGIN = "http://127.0.0.1:8080"
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"

[neighbours]
dark = [{{ days = "daily", from = "23:00", to = "07:00" }}]

[output]
interface = "lo"
{output}

[phone]
listen = "{listen}"
names = ["boathouse.example"]
{phone}

[[piece]]
name = "tide"
frames = "tide.frames"
{sound}

[[piece]]
name = "lanterns"
frames = "lanterns.frames"

[[show]]
name = "evening"
order = ["tide", "lanterns"]

[[show]]
name = "short"
order = ["lanterns"]

[[performance]]
show = "evening"
from = "17:00"
to = "22:00"
"""
RIG = """[[controller]]
name = "left"
host = "{host}"
universes = "1-2"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 150
group = "roof"
line = [[0.0, 0.0], [5.0, 1.5], [10.0, 0.0]]

[[string]]
name = "railing"
controller = "left"
universe = 2
pixels = 60
port = 3

[[fixture]]
name = "lamp"
controller = "left"
universe = 2
slot = 301
channels = ["dimmer", "red", "green", "blue", "fog"]
at = [5.0, 3.0]
"""


def write_site(
    folder: Path,
    host: str = "127.0.77.1",
    listen: str = "127.0.0.1:0",
    phone: str = "",
    output: str = "",
    sound: bool = False,
) -> Path:
    """A site of two pieces that are never black, one performance from 17:00 to 22:00 every day, dark from 23:00. With
    `sound`, the first piece has a tone."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frames in (("tide", 1200), ("lanterns", 800)):
        (folder / f"{name}.frames").write_bytes(_frame_file(frames))
    if sound:
        tone = 0.2 * np.sin(np.arange(30 * 8000) * 2 * np.pi * 220 / 8000)
        soundfile.write(folder / "tide.flac", tone, 8000)
    named = 'sound = "tide.flac"' if sound else ""
    site = SITE.format(listen=listen, phone=phone, output=output, sound=named)
    (folder / "site.toml").write_text(site, encoding="utf-8")
    (folder / "rig.toml").write_text(RIG.format(host=host), encoding="utf-8")
    return folder


@cache
def _frame_file(frames: int) -> bytes:
    """A frame file for the rig, made once for the sites of a process."""
    moving = (np.arange(frames)[:, None] * 3 + np.arange(690) * 5) % 200 + 40
    with TemporaryDirectory() as folder:
        path = Path(folder) / "moving.frames"
        with FrameWriter(path, Fraction(40), (Universe(1, 510, 0), Universe(2, 180, 510))) as writer:
            writer.write(moving.astype(np.uint8))
        return path.read_bytes()


def instant(local: str) -> int:
    """A local instant of the site, in nanoseconds since the epoch."""
    return int(datetime.fromisoformat(local).replace(tzinfo=ZONE).timestamp() * 1e9)


def offset_to(local: str) -> int:
    """The offset of a clock that is at a local instant of the site now."""
    return instant(local) - time.time_ns()


class StillClock(Clock):
    """A clock that stands at a local instant of the site, so that no answer depends on how long a test takes."""

    def __init__(self, at: str) -> None:
        super().__init__(1, lambda: instant(at) - 1, lambda: 0)  # moved by a nanosecond: it is trusted


@dataclass
class House:
    """A planner that runs in this process, without a transmitter. Its clock stands still."""

    app: FastAPI
    planner: Planner
    authenticator: Authenticator
    token: str

    def client(self, token: str | None = None, address: str = "192.0.2.7", **more: Any) -> httpx.AsyncClient:
        """A client with an address; with a token as a header, if one is given."""
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False, client=(address, 40_000))
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        return httpx.AsyncClient(transport=transport, base_url=ORIGIN, headers=headers, **more)

    def device(self, kind: str = "operator", name: str = "a phone") -> str:
        """The token of a device that signed in by a link."""
        code = self.authenticator.make_link(DeviceKind(kind), time.monotonic())
        found = self.authenticator.use_link(code, name, time.monotonic(), self.planner.now_ns())
        assert found
        return found

    @property
    def passcode(self) -> str:
        assert self.authenticator.passcode_file
        return self.authenticator.passcode_file.read_text().strip()


@asynccontextmanager
async def house(
    folder: Path, at: str = "2026-12-12T18:00", limits: RequestLimits | None = None
) -> AsyncIterator[House]:
    """A small site with a planner whose clock stands at a local instant."""
    async with planner_on(write_site(folder / "site"), folder / "state", at, limits) as one:
        yield one


@asynccontextmanager
async def planner_on(
    site: Path,
    state: Path,
    at: str = "2026-12-12T18:00",
    limits: RequestLimits | None = None,
    clock: Clock | None = None,
) -> AsyncIterator[House]:
    """A planner on a site that is there. Its clock stands at a local instant, unless another `clock` is given."""
    planner = Planner(load_site(site), state, clock or StillClock(at))
    authenticator = Authenticator(planner._parts.store)
    authenticator.first_passcode(state)
    token = authenticator.local_token(state, planner.now_ns()).read_text().strip()
    app = make_app(planner, authenticator, limits)
    await planner.start()
    yield House(app, planner, authenticator, token)
    await planner.stop()


def run(work: Any) -> None:
    """Run a coroutine to its end."""
    asyncio.run(work)
