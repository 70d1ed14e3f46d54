"""Boards of one site in this process, with a broker in memory. Messages and work wait until a test carries them out."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Awaitable, Callable
from datetime import datetime
from inspect import isawaitable
from pathlib import Path
from random import Random
from typing import Any, cast

import pytest

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.requests import ask
from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.confirmation import Sent
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.planner.jobs import Jobs
from gloaming.daemon.planner.rig_checks import RigChecks
from gloaming.daemon.planner.score_sender import ScoreSender
from gloaming.daemon.planner.sharing import SharedFacts
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site as LoadedSite
from tests.api.house import instant, write_site

NAMES = ("quay", "east", "west")
TABLES = "".join(f'\n[[board]]\nname = "{name}"\ncontrollers = ["left"]\n' for name in NAMES)
S = 10**9


class Broker:
    """Retains messages and passes them on to the boards that are connected."""

    def __init__(self) -> None:
        self.retained: dict[str, bytes] = {}
        self.boards: list[MemoryBoards] = []
        self.published = 0

    def publish(self, topic: str, payload: bytes, retained: bool) -> None:
        self.published += 1
        if retained and payload:
            self.retained[topic] = payload
        elif retained:
            self.retained.pop(topic, None)
        for board in self.boards:
            if board.sharing == "connected":
                board.inbox.append((topic, payload, False))


class MemoryBoards:
    """What SharedFacts uses of Boards."""

    def __init__(self, name: str, broker: Broker) -> None:
        self.name, self.broker = name, broker
        self.sharing = "away"
        self.inbox: deque[tuple[str, bytes, bool]] = deque()
        self.failed: list[str] = []
        self._routes: dict[str, Callable[[str, bytes, bool], None]] = {}
        self._kinds: dict[str, Callable[[dict[str, Any]], None]] = {}
        self._calls: list[Callable[[], None]] = []
        broker.boards.append(self)

    def route(self, prefix: str, take: Callable[[str, bytes, bool], None]) -> None:
        self._routes[prefix] = take

    def on(self, kind: str, take: Callable[[dict[str, Any]], None]) -> None:
        self._kinds[kind] = take

    def on_connected(self, call: Callable[[], None]) -> None:
        self._calls.append(call)

    def publish(self, topic: str, payload: bytes, retained: bool) -> None:
        if self.sharing == "connected":
            self.broker.publish(topic, payload, retained)

    def send(self, board: str, kind: str, message: dict[str, Any]) -> None:
        whole = json.dumps({**message, "from": self.name}).encode()
        self.publish(f"to/{board}/{kind}", whole, retained=False)

    def seen(self) -> tuple[BoardSeen, ...]:
        here = {one.name for one in self.broker.boards if one.sharing == "connected"}
        contact = {name: name == self.name or {name, self.name} <= here for name in NAMES}
        return tuple(BoardSeen(name, contact[name], None if contact[name] else S, {}) for name in NAMES)

    def connect(self) -> None:
        if self.sharing == "away":
            for topic, payload in self.broker.retained.items():
                self._deliver(topic, payload, True)
            self.sharing = "connected"
            for call in self._calls:
                call()

    def disconnect(self) -> None:
        self.sharing = "away"
        self.inbox.clear()

    def deliver_one(self) -> None:
        self._deliver(*self.inbox.popleft())

    def _deliver(self, topic: str, payload: bytes, retained: bool) -> None:
        prefix, _, name = topic.partition("/")
        try:
            if prefix in self._routes:
                self._routes[prefix](name, payload, retained)
            elif topic.startswith(f"to/{self.name}/"):
                self._kinds[name.partition("/")[2]](json.loads(payload))
        except ValueError as error:
            self.failed.append(str(error))


class MemoryJobs:
    """Work that waits, by its name."""

    def __init__(self) -> None:
        self.waiting: dict[str, Callable[[], object]] = {}

    def at(self, when: datetime | None, name: str, work: Callable[[], object]) -> None:
        self.waiting[name] = work


class MemorySender:
    """A transmitter that plays all at once."""

    def __init__(self) -> None:
        self.sent = 0

    def send(self) -> None:
        self.sent += 1

    def files_changed(self) -> None: ...

    async def confirmed(self, asked: Override, ends: bool = False, within_s: float = 0.0) -> Sent:
        return Sent(True, f"{asked.kind} {'ended' if ends else 'is sent'}")


class Board:
    """A board with its store on the disk. `at` is the clock of all."""

    def __init__(self, name: str, folder: Path, broker: Broker, at: list[int], site: Path) -> None:
        self.name, self.folder, self._at, self._site = name, folder / name, at, site
        self.ahead_ns = 0
        self.memory = MemoryBoards(name, broker)
        self._begin()

    def _load(self) -> LoadedSite:
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("GLOAMING_BOARD", self.name)
            return load_site(self._site)

    def adopt(self, site: Path) -> None:
        """Another site is copied to it, while its planner runs."""
        self._site = site
        self.situation.adopt(self._load())
        self.sharing.adopt()

    def restart(self, site: Path) -> None:
        """Another site is copied to it, while its planner does not run."""
        self._site = site
        self.kill()

    def _begin(self) -> None:
        clock = Clock(1, lambda: self._at[0] + self.ahead_ns, lambda: self._at[0])
        self.store = Store(self.folder, self._at[0])
        self.store.set_fact("cid", self.name)
        self.situation = Situation(self._load(), self.store, clock, lambda: None)
        self.sender, self.jobs = MemorySender(), MemoryJobs()
        self.rig_checks = RigChecks(self.situation, self.folder)
        self.sharing = SharedFacts(
            self.situation,
            cast(Boards, self.memory),
            cast(ScoreSender, self.sender),
            self.rig_checks,
            cast(Jobs, self.jobs),
        )

    def kill(self) -> None:
        """It begins again with what the disk has."""
        assert self.store.wait()
        self.memory.disconnect()
        self.store.close()
        self.memory._calls.clear()
        self._begin()

    def ask(self, request: dict[str, Any], who: str = "Ada") -> Override:
        now = self.situation
        asked = ask(request, now.now_ns(), now.site, now.overrides, who, now.held)
        return now.add(asked, now.replaced_by(asked))

    @property
    def known(self) -> tuple[Override, ...]:
        return self.situation.overrides

    @property
    def journal(self) -> list[str]:
        return [str(row["text"]) for row in reversed(self.store.journal(100, kinds=("override", "hold", "rig-check")))]


class Site:
    """The boards by name, and what is under way between them."""

    def __init__(self, folder: Path, at: str = "2026-12-12T18:00", chance: Random | None = None) -> None:
        self.at, self.broker, self.chance = [instant(at)], Broker(), chance or Random(1)
        self.path, self.alone = write_site(folder / "site"), write_site(folder / "alone")
        """Its folder, and what it was before it had boards."""
        with (self.path / "site.toml").open("a") as file:
            file.write(TABLES)
        self.boards = {name: Board(name, folder, self.broker, self.at, self.path) for name in NAMES}

    def __getitem__(self, name: str) -> Board:
        return self.boards[name]

    def later(self, seconds: float) -> None:
        self.at[0] += int(seconds * S)

    async def step(self) -> bool:
        """Deliver one message, or do some work of one board, by chance. False if there is none."""
        ready = [
            *(board.memory.deliver_one for board in self.boards.values() if board.memory.inbox),
            *(
                (lambda b=board, n=name: b.jobs.waiting.pop(n)())
                for board in self.boards.values()
                for name in board.jobs.waiting
            ),
        ]
        if not ready:
            return False
        result = self.chance.choice(ready)()
        if isawaitable(result):
            await cast(Awaitable[object], result)
        return True

    async def settle(self) -> None:
        """Until nothing is under way."""
        for _ in range(100_000):
            if not await self.step():
                return
        raise AssertionError("the boards do not come to rest")

    async def connect(self, *names: str) -> None:
        for name in names or NAMES:
            self.boards[name].memory.connect()
        await self.settle()

    def close(self) -> None:
        for board in self.boards.values():
            board.store.close()
