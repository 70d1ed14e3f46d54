"""The link of the boards to their broker: what arrives there, and what the broker can do to it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gloaming.daemon.integrations import board_link
from gloaming.daemon.integrations.board_link import BoardLink, BoardMessage
from gloaming.daemon.site.schema_delivery import broker_and_topic
from tests.mosquitto import Mosquitto
from tests.tools import needs
from tests.waiting import wait_until


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_link, "PAUSES_S", (0.1,))


class Heard(list[BoardMessage]):
    """What a link has heard since it began."""

    link: BoardLink

    def all(self) -> list[BoardMessage]:
        self += self.link.take_inbox()
        return self


@contextmanager
def linked(url: str, name: str, ca: Path | None = None) -> Iterator[tuple[BoardLink, Heard]]:
    """A link of a board that listens to facts, and what it has heard."""
    broker, root = broker_and_topic(url)
    found = Heard()

    def will(session: str) -> BoardMessage:
        return BoardMessage(f"{root}/boards/{name}", f"gone {session}".encode(), True)

    filters = (f"{root}/facts/+", f"{root}/boards/+")
    link = found.link = BoardLink(broker, f"{root}/to/{name}", filters, will, lambda: None, ca)
    try:
        yield link, found
    finally:
        link.close()


@needs("mosquitto")
def test_what_waited_for_the_broker_is_published_once_the_newest_of_a_topic(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with linked(broker.url("pier-road"), "quay") as (link, _):
        wait_until(lambda: link.problem.args[0] != "it does not answer", "a refusal")
        for number in range(3):
            link.publish(BoardMessage("pier-road/facts/1", b"%d" % number, True))
        link.publish(BoardMessage("pier-road/to/east/stamp", b"old", False))
        with broker, linked(broker.url("pier-road"), "east") as (_, heard):
            wait_until(lambda: heard.all(), "the fact")
            assert [one.payload for one in heard] == [b"2"]


@needs("mosquitto")
def test_a_link_is_connected_when_all_that_the_broker_retains_has_come(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, broker.client() as client:
        for number in range(500):
            client.publish(f"pier-road/facts/{number}", "{}", qos=1, retain=True)
        client.publish("pier-road/facts/last", "{}", qos=1, retain=True).wait_for_publish(60)
        with linked(broker.url("pier-road"), "quay") as (link, heard):
            wait_until(lambda: link.connected, "a connection")
            assert len(heard.all()) == 501
