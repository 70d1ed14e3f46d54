"""Boards of one site share over a real broker (Debian's mosquitto): who is there, and who is not."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.integrations import board_link
from gloaming.daemon.planner import boards as boards_module
from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.site.load import load_site
from tests.api.house import StillClock, _frame_file, run, write_site
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import until

AT = "2026-12-12T18:00"
ROOT = "pier-road"
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


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_link, "PAUSES_S", (0.1,))
    monkeypatch.setattr(boards_module, "AWAY_S", 0.2)
    monkeypatch.setattr(boards_module, "STATUS_S", 0.0)
    monkeypatch.setattr(boards_module, "STATUS_EACH_S", 0.0)


class Site:
    """A site of three boards in a folder, and what each has in memory."""

    def __init__(self, folder: Path, sharing: str, monkeypatch: pytest.MonkeyPatch, boards: str = SITE) -> None:
        self.folder, self._states, self._monkeypatch = write_site(folder / "site"), folder, monkeypatch
        with (self.folder / "site.toml").open("a") as file:
            file.write(f"{boards}\n{sharing}\n")

    @asynccontextmanager
    async def board(
        self, name: str, prepare: Callable[[Boards], None] = lambda _: None, machine: str = ""
    ) -> AsyncIterator[Boards]:
        """The sharing of a board, whose status is looked at each 50 ms."""
        self._monkeypatch.setenv("GLOAMING_BOARD", name)
        state = self._states / f"{name}{machine}"
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


@pytest.fixture
def sharing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Mosquitto, Site]:
    """A broker that does not run yet, and a site that shares by it."""
    broker = Mosquitto(tmp_path)
    return broker, Site(tmp_path, f'[sharing]\nbroker = "{broker.url(ROOT)}"', monkeypatch)


def contact(boards: Boards) -> dict[str, bool]:
    return {one.name: one.contact for one in boards.seen()}


def texts(boards: Boards) -> dict[str, str]:
    now = boards._situation
    return {one.name: one.text(now.now_ns(), now.timezone) for one in boards.seen()}


def codes(boards: Boards) -> list[TroubleCode]:
    return [one.code for one in boards.troubles()]


async def connected(*boards: Boards) -> None:
    await until(lambda: all(one.sharing == "connected" for one in boards), "a connection")


async def troubles(boards: Boards, *wanted: TroubleCode) -> list[Trouble]:
    await until(lambda: codes(boards) == list(wanted), f"the troubles {wanted}")
    return boards.troubles()


@needs("mosquitto")
def test_boards_see_each_other_and_send_to_each_other(sharing: tuple[Mosquitto, Site]) -> None:
    broker, site = sharing
    heard: list[tuple[str, bytes, bool]] = []
    asked: list[dict[str, Any]] = []

    def prepare(boards: Boards) -> None:
        boards.route("facts", lambda *message: heard.append(message))
        boards.on("ack", asked.append)

    async def work() -> None:
        async with site.board("quay", prepare) as quay:
            await connected(quay)
            quay.publish("facts/1", b"{}", retained=True)
            async with site.board("spare", prepare) as spare:
                await until(lambda: contact(quay)["spare"] and contact(spare)["quay"], "contact")
                assert contact(quay) == {"quay": True, "spare": True, "east": False}
                spare.send("quay", "ack", {"id": 1})
                await until(lambda: asked and len(heard) == 2, "both messages")
                assert asked == [{"id": 1, "from": "spare"}]
                assert sorted(heard) == [("1", b"{}", False), ("1", b"{}", True)]
            await until(lambda: not contact(quay)["spare"], "the end of the contact")
            assert texts(quay) == {"quay": "in contact", "spare": "no contact since 18:00", "east": "never in contact"}
            assert quay.troubles() == [], "a board that starts again is back before"

    with broker:
        run(work())


@needs("mosquitto")
def test_what_a_board_says_of_itself_reaches_the_others_when_it_changes(sharing: tuple[Mosquitto, Site]) -> None:
    broker, site = sharing

    async def work() -> None:
        async with site.board("quay") as quay, site.board("east") as east:
            await until(lambda: contact(quay)["east"], "contact")
            status = next(one.status for one in quay.seen() if one.name == "east")
            assert status["site"] == load_site(site.folder).digest
            assert len(status["machine"]) == 32
            with broker.listen(f"{ROOT}/boards/east") as heard:
                await until(lambda: heard, "what is retained")
                for level in (0.5, 0.5, 0.25):
                    east.say("level", level)
                    await until(lambda: quay.seen()[2].status.get("level") == level, "the value")  # noqa: B023  # it is awaited in the same turn of the loop
                assert [json.loads(one.payload).get("level") for one in heard] == [None, 0.5, 0.25]

    with broker:
        run(work())


@needs("mosquitto")
def test_a_status_that_does_not_change_is_published_again_and_again(
    sharing: tuple[Mosquitto, Site], monkeypatch: pytest.MonkeyPatch
) -> None:
    broker, site = sharing
    monkeypatch.setattr(boards_module, "AGAIN_S", 0.2)
    monkeypatch.setattr(boards_module, "AGAIN_EACH_S", 0.0)

    async def work() -> None:
        async with site.board("quay"):
            with broker.listen(f"{ROOT}/boards/quay") as heard:
                await until(lambda: len(heard) >= 4, "four of them")
                found = [json.loads(one.payload) for one in heard]
                assert {(one["again_s"], one["contact"]) for one in found} == {(0.2, True)}

    with broker:
        run(work())


@needs("mosquitto")
def test_two_machines_of_one_name_are_a_trouble_on_both_until_one_ends(sharing: tuple[Mosquitto, Site]) -> None:
    broker, site = sharing

    async def work() -> None:
        async with site.board("quay") as quay:
            await connected(quay)
            with broker.listen(f"{ROOT}/boards/quay") as heard:
                async with site.board("quay", machine=" copied") as copied:
                    for one in (quay, copied):
                        (trouble,) = await troubles(one, TroubleCode.BOARD_NAME_TWICE)
                        assert (trouble.kind, trouble.subject) == ("boards", "board quay")
                    said = [json.loads(one.payload)["session"] for one in heard]
                    assert len(said) <= 4, "each greets the other once"
                    assert len(set(said)) == 2
            await troubles(quay)
            async with site.board("east") as east:
                await until(lambda: contact(east)["quay"], "contact with the one that has stayed")

    with broker:
        run(work())


@needs("mosquitto")
def test_a_late_report_that_this_board_is_lost_is_put_right(sharing: tuple[Mosquitto, Site]) -> None:
    """The broker reports a lost connection late; the board may be back by another one."""
    broker, site = sharing
    lost = json.dumps({"name": "quay", "contact": False, "session": "an earlier one"})

    async def work() -> None:
        async with site.board("quay") as quay:
            await connected(quay)
            broker.publish(f"{ROOT}/boards/quay", lost, retain=True)
            async with site.board("east") as east:
                await until(lambda: contact(east)["quay"], "contact")

    with broker:
        run(work())


@needs("mosquitto")
def test_boards_find_each_other_again_by_a_broker_that_has_forgotten_everything(
    sharing: tuple[Mosquitto, Site],
) -> None:
    broker, site = sharing
    times: list[str] = []

    async def work() -> None:
        counted = site.board("quay", lambda one: one.on_connected(lambda: times.append("connected")))
        async with counted as quay, site.board("east") as east:
            (trouble,) = await troubles(quay, TroubleCode.SHARING)
            assert "reaches this board alone" in trouble.text
            broker.start()
            await until(lambda: contact(quay)["east"] and contact(east)["quay"], "contact")
            assert codes(quay) == []
            broker.stop()
            await until(lambda: quay.sharing == "away" and not contact(quay)["east"], "the loss")
            broker.start()
            await until(lambda: contact(quay)["east"] and contact(east)["quay"], "contact, again")
            assert times == ["connected"] * 2

    try:
        run(work())
    finally:
        broker.stop()


@needs("mosquitto", "mosquitto_passwd")
def test_a_wrong_password_is_one_trouble_without_the_secret(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broker = Mosquitto(tmp_path, {"pier": "road"})
    site = Site(tmp_path, f'[sharing]\nbroker = "{broker.url(ROOT, "pier:S3CRET")}"', monkeypatch)

    async def work() -> None:
        async with site.board("quay") as quay:
            (trouble,) = await troubles(quay, TroubleCode.SHARING_REFUSES)
            assert trouble.kind == "boards"
            assert "password" in trouble.do
            assert "S3CRET" not in f"{trouble}"

    with broker:
        run(work())


@needs("mosquitto")
def test_what_was_heard_before_the_loss_of_the_broker_is_no_contact_after_it(sharing: tuple[Mosquitto, Site]) -> None:
    """The loop stood still meanwhile. A fact counts all the same."""
    broker, site = sharing
    heard: list[str] = []
    here = json.dumps({"name": "east", "contact": True, "session": "a"}).encode()

    async def work() -> None:
        async with site.board("quay", lambda one: one.route("facts", lambda name, *_: heard.append(name))) as quay:
            await connected(quay)
            with broker.listen(f"{ROOT}/#") as said:
                broker.publish(f"{ROOT}/boards/east", here)
                broker.publish(f"{ROOT}/facts/1", "{}")
                deadline_s = time.monotonic() + 60
                while len(said) < 3 or not quay._link or len(quay._link._inbox) < 2:  # the loop does not run
                    assert time.monotonic() < deadline_s
            broker.stop()
            while quay._link.connected:
                assert time.monotonic() < deadline_s
            await until(lambda: heard, "the fact")
            assert heard == ["1"]
            assert not contact(quay)["east"]

    with broker:
        run(work())


@needs("mosquitto")
def test_damaged_messages_change_nothing_and_are_noted_seldom(sharing: tuple[Mosquitto, Site]) -> None:
    broker, site = sharing
    asked: list[dict[str, Any]] = []

    def fail(message: dict[str, Any]) -> None:
        asked.append(message)
        raise KeyError("a part that fails")

    async def work() -> None:
        async with site.board("quay", lambda one: one.on("ack", fail)) as quay, site.board("east") as east:
            await until(lambda: contact(quay)["east"], "contact")
            for payload in (b"\xff", b"[]", b"{", b"[" * 5000, b'{"from": 7}'):
                broker.publish(f"{ROOT}/boards/east", payload)
                broker.publish(f"{ROOT}/to/quay/ack", payload)
            broker.publish(f"{ROOT}/to/quay/unknown", "{}")
            for number in range(3):
                east.send("quay", "ack", {"id": number})
            await until(lambda: len(asked) == 3, "the messages after them")
            assert contact(quay)["east"]
            lines = [line["text"] for line in quay._situation.store.journal(100)]
            assert len([line for line in lines if line.startswith("boards/east: ")]) == 1
            assert len([line for line in lines if line.startswith("to/quay/ack: ")]) == 1

    with broker:
        run(work())


@needs("mosquitto")
def test_a_name_that_no_topic_may_have_shares_nothing(sharing: tuple[Mosquitto, Site]) -> None:
    """It comes from /etc/gloaming/board, and so is no board of the site."""
    _, site = sharing

    async def work() -> None:
        async with site.board("#") as board:
            assert board.sharing == "none"
            assert [one.name for one in board.seen()] == ["quay", "spare", "east"]

    run(work())


def test_a_site_without_boards_has_no_thread_and_shares_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = Site(tmp_path, "", monkeypatch, boards="")

    async def work() -> None:
        before = threading.active_count()
        async with site.board("quay") as board:
            board.say("level", 1)
            board.publish("facts/1", b"{}", retained=True)
            await asyncio.sleep(0.1)
            assert (board.sharing, board.seen(), board.cids(), board.troubles()) == ("none", (), frozenset(), [])
            assert threading.active_count() <= before + 1, "the writer of the state alone"

    run(work())


def test_sites_with_the_same_files_have_one_digest_wherever_they_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = Site(tmp_path / "one", "", monkeypatch).folder
    other = tmp_path / "other"
    other.mkdir()
    for path in one.iterdir():
        (other / path.name).write_bytes(path.read_bytes())

    def digests() -> set[str]:
        return {load_site(folder).digest for folder in (one, other)}

    assert len(digests()) == 1
    (other / "lanterns.frames").unlink()
    _frame_file.cache_clear()
    write_site(tmp_path / "another")
    (other / "lanterns.frames").write_bytes((tmp_path / "another" / "lanterns.frames").read_bytes())
    assert len(digests()) == 2, "the same frames, but another file of them"
    (other / "lanterns.frames").write_bytes((one / "lanterns.frames").read_bytes())
    (other / "rig.toml").write_text((one / "rig.toml").read_text() + "\n# moved\n")
    assert len(digests()) == 2
