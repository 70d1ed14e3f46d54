"""An evening to break: `gloaming run` on a numbered show, and an ear on its wire."""

from __future__ import annotations

import os
import socket
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.api.evening import Evening
from tests.boot.street import Packet, Street
from tests.daemon.numbered import FPS, write_site
from tests.waiting import PATIENCE_S, wait_until

PORT = 5568
"""E1.31 9.2."""
ALL_NIGHT = 'from = "12:00"\nto = "06:00"'


@dataclass
class Broken:
    """A running evening, and the packets of its universe 1 so far, with the offset of its clock to the wall clock."""

    evening: Evening
    ear: Street

    @property
    def folder(self) -> Path:
        return self.evening.folder

    @property
    def site(self) -> Site:
        return load_site(self.folder, strict=False)

    def packets(self, since_ns: int = 0) -> list[Packet]:
        return [packet for packet in self.ear.since(since_ns) if packet.universe == 1 and not packet.terminated]

    def lit(self, since_ns: int = 0) -> list[Packet]:
        return [packet for packet in self.packets(since_ns) if not packet.black]

    def wait_until_lit(self, since_ns: int | None = None, seconds: float = 0.8) -> list[Packet]:
        """Wait for so many seconds of light since an instant (now)."""
        begin_ns = time.time_ns() if since_ns is None else since_ns
        wait_until(lambda: len(self.lit(begin_ns)) > seconds * FPS, "light on the wire")
        return self.lit(begin_ns)

    def wait_until_black(self) -> None:
        begin_ns = time.time_ns()
        try:
            wait_until(lambda: (new := self.packets(begin_ns)) and new[-1].black, "black on the wire")
        except AssertionError as error:
            raise AssertionError(f"{error}; {self.packets()[-3:]}; {self.ask('/api/now')['health']}") from None

    def overrides(self) -> tuple[Override, ...]:
        """The overrides as the state directory has them, read beside the planner that holds it open."""
        copy = self.folder / f"copy-{time.monotonic_ns()}"
        copy.mkdir()
        source = sqlite3.connect(f"{(self.evening.state / 'state.db').as_uri()}?mode=ro", uri=True)
        with sqlite3.connect(copy / "state.db") as target:
            source.backup(target)
        source.close()
        store = Store(copy, time.time_ns())
        found = store.overrides(0)
        store.close()
        return found

    def edit(self, before: str, after: str) -> None:
        """Replace a text in site.toml; the file changes in one step."""
        path = self.folder / "site.toml"
        text = path.read_text()
        assert before in text
        fresh = path.with_suffix(".new")
        fresh.write_text(text.replace(before, after))
        fresh.rename(path)

    def ask(self, path: str) -> Any:
        """The answer at a path. It waits so that the rate limit allows it: ten times a second."""
        time.sleep(0.1)
        code, answer = self.evening.ask("GET", path)
        assert code == 200, answer
        return answer

    def troubles(self, kind: str) -> list[dict[str, Any]]:
        return [one for one in self.ask("/api/now")["health"]["troubles"] if one["kind"] == kind]

    def journal(self, kind: str | None = None) -> list[str]:
        lines = self.ask("/api/journal?limit=1000")
        return [line["text"] for line in lines if kind in (None, line["kind"])]

    def says(self, word: str, kind: str | None = None) -> str:
        """Wait for a line of the journal that holds a word."""

        def find() -> str | None:
            try:
                return next((text for text in self.journal(kind) if word in text), None)
            except OSError:
                return None

        return str(wait_until(find, f"a line with {word!r} in the journal"))


def ear(address: str) -> Street:
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 8 << 20)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    wait_until(lambda: bound(sock, address), f"port {PORT} of {address}")
    return Street(sock)


def bound(sock: socket.socket, address: str) -> bool:
    """Whether the port could be had: a test beside this one may hold it on every address for a while."""
    try:
        sock.bind((address, PORT))
    except OSError:
        return False
    return True


ROUND_THE_CLOCK = 'from = "12:00"\nto = "11:59"'
"""For a site without dark hours: its light ends at dark hours, until the next noon."""


@contextmanager
def broken_evening(
    folder: Path,
    address: str,
    more: str = "",
    start: bool = True,
    environment: dict[str, str] | None = None,
    moved: bool = True,
    **site: Any,
) -> Iterator[Broken]:
    """`gloaming run` on the numbered show; its evening is moved to 18:00, or it has the machine's own clock."""
    evening = Evening(folder / "site", address, "1")
    write_site(evening.folder, address, **{"performance": ALL_NIGHT, "more": more, **site})
    with (evening.folder / "site.toml").open("a") as file:
        file.write(f'\n[phone]\nlisten = "{address}:8090"\n')
    if moved:
        evening.offset_ns = moved_to("2026-12-01T18:00")
    listener = ear(address)
    before = {name: os.environ.get(name) for name in environment or {}}
    os.environ.update(environment or {})
    try:
        if start:
            with evening.running():
                yield Broken(evening, listener)
        else:
            yield Broken(evening, listener)
    finally:
        listener.close()
        for name, value in before.items():
            if value is None:
                os.environ.pop(name)
            else:
                os.environ[name] = value


def moved_to(local: str) -> int:
    """The offset at which a local instant is now."""
    at = datetime.fromisoformat(local).replace(tzinfo=ZoneInfo("Europe/London"))
    return int(at.timestamp() * 1e9) - time.time_ns()


def since(true: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> float:
    """How long it takes until something holds, in seconds."""
    begin = time.monotonic()
    wait_until(true, what, patience_s)
    return time.monotonic() - begin
