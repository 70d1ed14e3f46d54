"""Boards of one site share over a real broker (Debian's mosquitto): who is there, and who is not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from tests.api.house import StillClock, write_site
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import until

AT = "2026-12-12T18:00"
SITE = """
[[board]]
name = "quay"
controllers = ["left"]

[[board]]
name = "spare"
spare_for = "quay"

[[board]]
name = "east"
controllers = ["left"]
"""


class Site:
    """A site of three boards in a folder."""

    def __init__(self, folder: Path, sharing: str) -> None:
        self.folder, self.states = write_site(folder / "site"), folder
        with (self.folder / "site.toml").open("a") as file:
            file.write(f"{SITE}\n{sharing}\n")

    @asynccontextmanager
    async def board(
        self, name: str, monkeypatch: pytest.MonkeyPatch, prepare: Callable[[Boards], None] = lambda _: None
    ) -> AsyncIterator[Boards]:
        """The sharing of a board, whose status is looked at each 50 ms."""
        monkeypatch.setenv("GLOAMING_BOARD", name)
        state = self.states / name
        state.mkdir(exist_ok=True)
        clock = StillClock(AT)
        store = Store(state, clock.now_ns())
        boards = Boards(Situation(load_site(self.folder), store, clock, lambda: None), lambda: 0)
        prepare(boards)
        boards.start()

        async def look() -> None:
            while True:
                boards.look()
                await asyncio.sleep(0.05)

        looking = asyncio.create_task(look())
        try:
            yield boards
        finally:
            looking.cancel()
            await boards.stop()
            store.close()


def contact(boards: Boards) -> dict[str, bool]:
    return {one.name: one.contact for one in boards.seen()}


@needs("mosquitto")
def test_boards_see_each_other_and_send_to_each_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[tuple[str, bytes, bool]] = []
    asked: list[dict[str, Any]] = []

    def prepare(boards: Boards) -> None:
        boards.route("facts", lambda *message: heard.append(message))
        boards.on("ack", asked.append)

    async def work() -> None:
        with Mosquitto(tmp_path) as broker:
            site = Site(tmp_path, f'[sharing]\nbroker = "{broker.url("pier-road")}"')
            async with AsyncExitStack() as stack:
                quay = await stack.enter_async_context(site.board("quay", monkeypatch, prepare))
                await until(lambda: quay.sharing == "connected", "a connection")
                quay.publish("facts/1", b"{}", retained=True)
                async with site.board("spare", monkeypatch, prepare) as spare:
                    await until(lambda: contact(quay)["spare"] and contact(spare)["quay"], "contact")
                    assert contact(quay) == {"quay": True, "spare": True, "east": False}
                    spare.send("quay", "ack", {"id": 1})
                    await until(lambda: asked and len(heard) == 2, "both messages")
                    assert asked == [{"id": 1, "from": "spare"}]
                    assert sorted(heard) == [("1", b"{}", False), ("1", b"{}", True)]
                await until(lambda: not contact(quay)["spare"], "the end of the contact")
            away = {one.name: one.text(one_zone(quay)) for one in quay.seen()}
            assert away["spare"] == "no contact since 18:00"
            assert away["east"] == "never in contact"

    asyncio.run(work())


def one_zone(boards: Boards) -> Any:
    return boards._situation.timezone
