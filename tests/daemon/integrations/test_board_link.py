"""The link of the boards to their broker, and what a broker can do to it. The broker is Debian's mosquitto.

Sections are those of the OASIS standard MQTT 5.0.
"""

from __future__ import annotations

import select
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from gloaming.daemon.integrations import board_link, mqtt_connection
from gloaming.daemon.integrations.board_link import BoardLink, BoardMessage
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.daemon.site.schema_delivery import broker_and_topic
from tests.api.http.certificates import make_authority, make_signed
from tests.daemon.integrations.test_mqtt_listener import forward, needs_3_1_1, server
from tests.mosquitto import Mosquitto
from tests.places import TOP
from tests.tools import needs
from tests.waiting import wait_until

ROOT = "pier-road"


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_link, "PAUSES_S", (0.1,))


class Heard(list[BoardMessage]):
    """What a link has heard since it began."""

    link: BoardLink

    def all(self) -> list[BoardMessage]:
        self += self.link.take_inbox()
        return self

    def payloads(self, topic: str) -> list[bytes]:
        return [one.payload for one in self.all() if one.topic == f"{ROOT}/{topic}"]


@contextmanager
def linked(url: str, name: str, ca: Path | None = None) -> Iterator[tuple[BoardLink, Heard]]:
    """A link of a board that listens to facts and to the boards, and what it has heard."""
    broker, _ = broker_and_topic(url)
    heard = Heard()

    def will(session: str) -> BoardMessage:
        return BoardMessage(f"{ROOT}/boards/{name}", f"gone {session}".encode(), True)

    filters = {f"{ROOT}/facts/+": 1, f"{ROOT}/boards/+": 0}
    link = heard.link = BoardLink(broker, f"{ROOT}/to/{name}", filters, will, lambda: None, ca)
    try:
        yield link, heard
    finally:
        link.close()


def message(topic: str, payload: bytes, retained: bool = False) -> BoardMessage:
    return BoardMessage(f"{ROOT}/{topic}", payload, retained)


def connected(link: BoardLink) -> None:
    wait_until(lambda: link.connected, "a connection")


def fails(link: BoardLink, code: TroubleCode) -> str:
    """Wait for a problem; its text."""
    wait_until(lambda: link.problem.code == code, f"the problem {code}")
    return str(link.problem)


@needs("mosquitto")
def test_of_what_waited_for_the_broker_the_newest_of_a_retained_topic_is_published(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    with linked(broker.url(ROOT), "quay") as (link, _):
        wait_until(lambda: "refused" in str(link.problem), "a refusal")
        for number in range(3):
            link.publish(message("facts/1", b"%d" % number, retained=True))
        link.publish(message("to/east/stamp", b"old"))
        with broker, linked(broker.url(ROOT), "east") as (_, heard):
            wait_until(heard.all, "the fact")
            assert [one.payload for one in heard.all()] == [b"2"]


@needs("mosquitto")
def test_what_waits_for_a_broker_that_is_away_for_long_is_bounded(tmp_path: Path) -> None:
    with linked(Mosquitto(tmp_path).url(ROOT), "quay") as (link, _):
        for number in range(2 * board_link.OUTBOX_MAX):
            link.publish(message(f"facts/{number}", b"{}", retained=True))
        assert len(link._outbox) == board_link.OUTBOX_MAX


@needs("mosquitto")
def test_a_link_is_connected_when_all_that_the_broker_retains_has_come(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, broker.client() as client:
        for number in range(500):
            client.publish(f"{ROOT}/facts/{number}", "{}", qos=1, retain=True)
        client.publish(f"{ROOT}/boards/east", "{}", qos=1, retain=True).wait_for_publish(60)
        with linked(broker.url(ROOT), "quay") as (link, heard):
            connected(link)
            assert len(heard.all()) == 501
            assert all(one.retained for one in heard)


@needs("mosquitto")
def test_a_broker_of_mqtt_3_1_1_alone_is_used_too(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, server(lambda one: needs_3_1_1(one, broker)) as url:
        broker.publish(f"{ROOT}/facts/1", "{}", retain=True)
        with linked(f"{url.partition('/quay')[0]}/{ROOT}", "quay") as (link, heard):
            connected(link)
            assert heard.payloads("facts/1") == [b"{}"]


@needs("mosquitto")
def test_a_message_leaves_at_once_while_the_thread_waits_for_the_broker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its wait is much longer than the test's patience, and ends by the message alone."""
    with Mosquitto(tmp_path) as broker, linked(broker.url(ROOT), "quay") as (link, _):
        connected(link)
        monkeypatch.setattr(mqtt_connection, "TURN_S", 600.0)
        with broker.listen(f"{ROOT}/to/east/ack") as heard:
            broker.publish(f"{ROOT}/facts/1", "{}")
            wait_until(link.take_inbox, "a turn of the thread: it waits with the new length from now on")
            link.publish(message("to/east/ack", b"{}"))
            wait_until(lambda: heard, "the message", 20)


@needs("mosquitto")
def test_the_broker_reports_a_board_that_it_has_lost_and_the_board_comes_back(tmp_path: Path) -> None:
    """The will: 3.1.2.5."""
    cut = threading.Event()

    def serve(connection: socket.socket) -> None:
        threading.Thread(target=lambda: (cut.wait(), connection.shutdown(socket.SHUT_RDWR)), daemon=True).start()
        forward(connection, broker)

    with Mosquitto(tmp_path) as broker, server(serve) as url, linked(url, "quay") as (link, _):
        connected(link)
        session = link.connected
        with broker.listen(f"{ROOT}/#") as heard:
            cut.set()
            wait_until(lambda: heard, "the will")
            assert (heard[0].topic, heard[0].payload) == (f"{ROOT}/boards/quay", f"gone {session}".encode())
            cut.clear()
            wait_until(lambda: link.connected not in ("", session), "another connection")
            link.publish(message("facts/1", b"{}", retained=True))
            wait_until(lambda: heard[-1].topic == f"{ROOT}/facts/1", "a fact")


@needs("mosquitto")
def test_a_fact_that_was_lost_on_its_way_is_published_by_the_next_connection(tmp_path: Path) -> None:
    """The broker has not acknowledged it (PUBACK: 3.4). What was for a moment only is not sent again."""
    lost: list[bytes] = []

    def serve(connection: socket.socket) -> None:
        """Forward, until a fact comes for the first time: that is lost with the connection."""
        with socket.create_connection((broker.address, broker.port)) as upstream:
            while True:
                for source in select.select([connection, upstream], [], [])[0]:
                    data = source.recv(65_536)
                    if not data or (b"facts/1" in data and not lost):
                        lost.append(data)
                        return
                    (upstream if source is connection else connection).sendall(data)

    with Mosquitto(tmp_path) as broker, server(serve) as url, linked(url, "quay") as (link, _):
        connected(link)
        with broker.listen(f"{ROOT}/+/#") as heard:
            link.publish(message("to/east/ack", b"now"))
            link.publish(message("facts/1", b"{}", retained=True))
            wait_until(lambda: any(one.topic == f"{ROOT}/facts/1" for one in heard), "the fact")
            assert b"facts/1" in lost[0]
            assert len([one for one in heard if one.payload == b"now"]) <= 1


@needs("mosquitto")
def test_a_broker_that_starts_again_without_memory_is_used_again(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, linked(broker.url(ROOT), "quay") as (link, heard):
        connected(link)
        broker.stop()
        wait_until(lambda: not link.connected, "the loss")
        link.publish(message("boards/quay", b"an earlier connection", retained=True))
        link.publish(message("facts/1", b"{}", retained=True))
        broker.start()
        wait_until(lambda: heard.payloads("facts/1"), "the fact, by the broker")
        connected(link)
        link.publish(message("boards/quay", b"this connection", retained=True))
        wait_until(lambda: b"this connection" in heard.payloads("boards/quay"), "the status, by the broker")
        assert b"an earlier connection" not in heard.payloads("boards/quay"), "it would be another machine's"


@needs("mosquitto")
def test_the_last_message_before_the_end_is_published(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, broker.listen(f"{ROOT}/boards/quay") as heard:
        with linked(broker.url(ROOT), "quay") as (link, _):
            connected(link)
            link.publish(message("boards/quay", b"ends", retained=True))
            link.close()
            link.join(60)
        wait_until(lambda: heard, "it")
        broker.publish(f"{ROOT}/boards/quay", "after")
        wait_until(lambda: len(heard) == 2, "a later message")
        assert heard[0].payload == b"ends", "no will: the end was clean"


@needs("mosquitto")
def test_ten_megabytes_are_not_read_and_the_next_fact_is(tmp_path: Path) -> None:
    """A broker of MQTT 5.0 leaves the packet out (3.1.2.11.4)."""
    with Mosquitto(tmp_path) as broker, linked(broker.url(ROOT), "quay") as (link, heard):
        connected(link)
        session = link.connected
        broker.publish(f"{ROOT}/facts/1", bytes(10_000_000))
        broker.publish(f"{ROOT}/facts/2", "{}")
        wait_until(lambda: heard.payloads("facts/2"), "the fact")
        assert [len(one.payload) for one in heard] == [2]
        assert link.connected == session


@needs("mosquitto")
def test_a_flood_of_one_topic_silences_no_other_and_its_newest_message_is_heard_after_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board_link, "CALM_S", 600.0)
    monkeypatch.setattr(board_link, "OF_A_TOPIC_WITHIN_S", 600.0)
    monkeypatch.setattr(board_link, "OF_A_TOPIC", 50)
    with Mosquitto(tmp_path) as broker, linked(broker.url(ROOT), "quay") as (link, heard), broker.client() as client:
        connected(link)
        for number in range(1000):
            client.publish(f"{ROOT}/facts/1", f"{number}", qos=1, retain=True)
        client.publish(f"{ROOT}/facts/2", "{}", qos=1)
        wait_until(lambda: heard.payloads("facts/2"), "the other fact")
        assert link.flooded == f"{ROOT}/facts/1"
        assert len(heard.payloads("facts/1")) == 50
        monkeypatch.setattr(board_link, "CALM_S", 0.0)
        wait_until(lambda: heard.payloads("facts/1")[-1] == b"999", "the newest")
        connected(link)
        assert not link.flooded


@needs("mosquitto")
def test_a_thousand_boards_may_answer_this_one_at_once(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path, lines="max_queued_messages 0")
    with broker, broker.client() as client, linked(broker.url(ROOT), "quay") as (link, heard):
        connected(link)
        for number in range(1000):
            client.publish(f"{ROOT}/to/quay/ack", f"{number}", qos=1)
        wait_until(lambda: len(heard.payloads("to/quay/ack")) == 1000, "all answers")


@needs("mosquitto")
def test_a_loop_that_stands_still_has_a_bounded_inbox_and_hears_what_is_retained_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board_link, "INBOX_MAX", 100)
    with Mosquitto(tmp_path) as broker, linked(broker.url(ROOT), "quay") as (link, heard), broker.client() as client:
        connected(link)
        for number in range(150):
            client.publish(f"{ROOT}/facts/{number}", "{}", qos=1, retain=number >= 100)
        fails(link, TroubleCode.BROKER_FLOOD)
        assert len(link._inbox) == 100
        wait_until(lambda: heard.payloads("facts/149"), "the last one")
        assert all(heard.payloads(f"facts/{number}") for number in range(150))


@needs("mosquitto", "mosquitto_passwd")
@pytest.mark.parametrize("rights", ["read", "write"])
def test_a_user_who_may_not_read_or_write_is_a_problem_that_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rights: str
) -> None:
    """Mosquitto takes each subscription and passes nothing on; it refuses what is published (0x87, 3.4.2.1)."""
    monkeypatch.setattr(board_link, "ANSWER_S", 0.5)
    (tmp_path / "rights").write_text(f"user pier\ntopic {rights} {ROOT}/#\n")
    broker = Mosquitto(tmp_path, {"pier": "road"}, lines=f"acl_file {tmp_path}/rights")
    with broker, linked(broker.url(ROOT, "pier:road"), "quay") as (link, _):
        assert "may not" in fails(link, TroubleCode.BROKER_TOPIC)
        assert not link.connected


def set_up(folder: Path, host: str, port: int) -> str:
    """The lines of mosquitto.conf that the README has, for files in a folder."""
    page = (TOP / "daemon" / "README.md").read_text(encoding="utf-8")
    lines = page.partition("conf.d/gloaming.conf`")[2].split("```\n")[1]
    return lines.replace("/etc/mosquitto", str(folder)).replace("listener 8883", f"listener {port} {host}")


@needs("mosquitto", "mosquitto_passwd", "openssl")
def test_a_broker_as_in_the_readme_is_used_with_the_authority_that_is_named_alone(tmp_path: Path) -> None:
    """Two authorities that openssl has made; the broker has a certificate of the first."""
    host = "127.0.74.46"
    ours, other = make_authority(tmp_path / "ours"), make_authority(tmp_path / "other")
    make_signed(ours, tmp_path, host)
    for name in ("pem", "key"):
        (tmp_path / f"board.{name}").rename(tmp_path / f"broker.{name}")
    subprocess.run(["mosquitto_passwd", "-b", "-c", tmp_path / "gloaming.passwords", "pier", "road"], check=True)
    with socket.create_server((host, 0)) as probe:
        port = probe.getsockname()[1]
    url = f"mqtts://pier:road@{host}:{port}/{ROOT}"
    with Mosquitto(tmp_path, lines=set_up(tmp_path, host, port)):
        with linked(url, "quay", ours / "ca.pem") as (link, _), linked(url, "east", ours / "ca.pem") as (east, heard):
            connected(link)
            connected(east)
            for number in range(50):
                link.publish(message(f"facts/{number}", b"{}"))
            wait_until(lambda: len(heard.all()) == 50, "all of them")
        for ca, text in (
            (other / "ca.pem", "certificate is not trusted"),
            (None, "certificate is not trusted"),
            (tmp_path / "missing.pem", "missing.pem has no authority that can be read: No such file"),
            (ours / "ca.key", "ca.key has no authority that can be read"),
        ):
            with linked(url, "quay", ca) as (link, _):
                assert text in fails(link, TroubleCode.BROKER_CERTIFICATE)
        with linked(url.replace("road@", "S3CRET@"), "quay", ours / "ca.pem") as (link, _):
            assert "S3CRET" not in fails(link, TroubleCode.BROKER_REFUSES)
