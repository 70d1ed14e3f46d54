"""Alerts: one message when a trouble has lasted, one when it is over, none in an alert's quiet hours."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.integrations.alerts import MORE, OF_A_KIND, Alerts
from gloaming.daemon.integrations.delivery import DeliveryError, Message, Messenger, post
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.site.schema_delivery import Alert
from gloaming.daemon.timetable.sun import Spot
from tests.daemon.webhook import WebhookServer
from tests.waiting import wait_until

S = 1_000_000_000
ZONE = ZoneInfo("Europe/London")
SPOT = Spot(54.486, -0.613, 0.0, ZONE)
EVENING = int(datetime(2026, 12, 1, 20, tzinfo=ZONE).timestamp()) * S
CABLE = Trouble(TroubleCode.NETWORK, "192.0.2.21", "packets to 192.0.2.21 are not taken: No route to host")
DISK = Trouble(TroubleCode.DISK_FULL, "room", "the card has 12 MB left")


class Told:
    """The journal's end of a messenger."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str | None]] = []

    def __call__(self, message: Message, wrong: str | None) -> None:
        self.lines.append((message.name, wrong))


def alerts_to(hook: WebhookServer, told: Callable[[Message, str | None], None], **more: Any) -> Alerts:
    return Alerts([Alert.model_validate({"url": hook.url, **more})], SPOT, "Pier Road boathouse", told)


def watch(alerts: Alerts, troubles: list[Trouble], from_s: int, until_s: int) -> None:
    for second in range(from_s, until_s):
        alerts.look(troubles, second * S, EVENING + second * S)


def events(hook: WebhookServer, number: int) -> list[dict[str, str]]:
    wait_until(lambda: len(hook.got) >= number, f"{number} messages")
    return [json.loads(body) for _, body in hook.got]


def test_a_trouble_and_its_end_arrive_once_each() -> None:
    told = Told()
    with WebhookServer("127.0.74.40") as hook:
        alerts = alerts_to(hook, told)
        watch(alerts, [CABLE], 0, 60)
        watch(alerts, [], 60, 120)
        got = events(hook, 2)
        wait_until(lambda: len(told.lines) == 2, "both in the journal")
        alerts.close()
    assert [one["event"] for one in got] == ["trouble", "over"]
    assert got[0]["text"] == CABLE.text
    assert "power and cable" in got[0]["do"]
    assert got[0]["site"] == "Pier Road boathouse"


def test_a_trouble_that_comes_and_goes_is_reported_once() -> None:
    with WebhookServer("127.0.74.40") as hook:
        alerts = alerts_to(hook, Told())
        for begin in range(0, 300, 20):  # ten seconds of trouble, ten without
            watch(alerts, [CABLE], begin, begin + 10)
            watch(alerts, [], begin + 10, begin + 20)
        watch(alerts, [], 300, 340)
        assert [one["event"] for one in events(hook, 2)] == ["trouble", "over"]
        alerts.close()


def test_sixty_four_troubles_of_a_kind_are_a_handful_of_alerts() -> None:
    """A trouble of another kind is reported too. Troubles that last ten minutes more are reported then."""
    many = [Trouble(TroubleCode.OTHER_SOURCE, f"192.0.2.{number}", "another source sends") for number in range(64)]
    with WebhookServer("127.0.74.40") as hook:
        alerts = alerts_to(hook, Told())
        watch(alerts, [*many, DISK], 0, 300)
        got = events(hook, OF_A_KIND + 1)
        time.sleep(0.1)
        assert len(hook.got) == OF_A_KIND + 1 and sum(one["kind"] == "disk" for one in got) == 1
        texts = [one["text"] for one in got if one["kind"] == "other-source"]
        assert [MORE in text for text in texts] == [False] * (OF_A_KIND - 1) + [True]
        watch(alerts, [*many, DISK], 300, 640)
        assert len(events(hook, 2 * OF_A_KIND + 1)) == 2 * OF_A_KIND + 1
        alerts.close()


def test_a_short_trouble_causes_no_alert() -> None:
    with WebhookServer("127.0.74.40") as hook:
        alerts = alerts_to(hook, Told())
        watch(alerts, [CABLE], 0, 4)
        watch(alerts, [DISK], 4, 60)
        assert [one["kind"] for one in events(hook, 1)] == ["disk"]
        alerts.close()


def test_in_quiet_hours_nothing_is_sent_and_afterwards_what_still_lasts() -> None:
    with WebhookServer("127.0.74.40") as hook:
        alerts = alerts_to(hook, Told(), quiet=[{"from": "20:00", "to": "20:10"}])
        watch(alerts, [CABLE, DISK], 0, 300)
        watch(alerts, [DISK], 300, 599)
        time.sleep(0.1)
        assert not hook.got
        watch(alerts, [DISK], 599, 610)
        assert [one["kind"] for one in events(hook, 1)] == ["disk"]
        alerts.close()


def test_an_alert_may_be_for_some_kinds_alone() -> None:
    with WebhookServer("127.0.74.40") as hook:
        alerts = alerts_to(hook, Told(), kinds=["disk"])
        watch(alerts, [CABLE, DISK], 0, 20)
        assert [one["kind"] for one in events(hook, 1)] == ["disk"]
        alerts.close()


def test_the_message_at_an_opening_goes_to_alerts_that_have_it() -> None:
    with WebhookServer("127.0.74.40") as hook, WebhookServer("127.0.74.41") as other:
        told = Told()
        tables = [Alert(url=hook.url, opening=True), Alert(url=other.url)]
        alerts = Alerts(tables, SPOT, "Pier Road boathouse", told)
        alerts.opening("all is well")
        assert [one["text"] for one in events(hook, 1)] == ["all is well"]
        wait_until(lambda: told.lines, "its line in the journal")
        assert not other.got
        alerts.close()


def test_after_a_reload_an_alert_with_quiet_hours_remembers_what_it_has_reported() -> None:
    """The table is read again from the file, a line further down: the same alert."""

    def table(line: int, begins: str = "23:00") -> Alert:
        quiet = {"days": "daily", "season": "11-27..01-06", "from": begins, "to": "08:00", "place": f"site.toml:{line}"}
        return Alert.model_validate({"url": hook.url, "place": f"site.toml:{line}", "quiet": [quiet]})

    with WebhookServer("127.0.74.40") as hook:
        alerts = Alerts([table(30)], SPOT, "Pier Road boathouse", Told())
        watch(alerts, [CABLE], 0, 60)
        for line in (31, 32, 33):
            alerts.adopt([table(line)], SPOT, "Pier Road boathouse")
            watch(alerts, [CABLE], line * 60, line * 60 + 60)
        watch(alerts, [], 2100, 2200)
        assert [one["event"] for one in events(hook, 2)] == ["trouble", "over"]
        alerts.adopt([table(34, begins="22:00")], SPOT, "Pier Road boathouse")  # another alert: it tells anew
        watch(alerts, [CABLE], 2200, 2260)
        assert [one["event"] for one in events(hook, 3)] == ["trouble", "over", "trouble"]
        alerts.close()


def test_a_failed_delivery_is_tried_again_with_bounds_and_reported_without_a_secret() -> None:
    told = Told()
    with WebhookServer("127.0.74.40", status=503) as hook:
        url = f"{hook.url}/services/T0P-S3CRET?token=S3CRET"
        messenger = Messenger(told, pauses_s=(0.01, 0.01, 0.01))
        alerts = Alerts([Alert(url=url, place="site.toml:52")], SPOT, "Pier Road boathouse", told)
        alerts._each = [(alerts._each[0][0], messenger, {})]
        watch(alerts, [CABLE], 0, 10)
        wait_until(lambda: told.lines, "its failure in the journal")
        assert len(hook.got) == 4
    assert told.lines == [("alert of site.toml:52", "it answers 503")]


def test_an_address_for_apprise_goes_to_apprise() -> None:
    """json:// is apprise's own scheme for a JSON object by POST."""
    with WebhookServer("127.0.74.40") as hook:
        url = hook.url.replace("http://", "json://")
        told = Told()
        alerts = Alerts([Alert(url=url, place="site.toml:52")], SPOT, "Pier Road boathouse", told)
        watch(alerts, [CABLE], 0, 10)
        wait_until(lambda: told.lines, "its line in the journal")
        assert told.lines == [("alert of site.toml:52", None)]
        assert "Pier Road boathouse: network" in json.loads(hook.got[0][1])["title"]
        alerts.close()


def test_a_clock_that_steps_back_delays_no_alert() -> None:
    with WebhookServer("127.0.74.40") as hook:
        alerts = alerts_to(hook, Told())
        for second in range(10):
            alerts.look([CABLE], second * S, EVENING + (second if second < 3 else second - 86_400) * S)
        assert [one["event"] for one in events(hook, 1)] == ["trouble"]
        alerts.close()


def test_an_answer_that_is_no_http_is_reported_and_the_next_message_is_delivered() -> None:
    told = Told()
    with socket.create_server(("127.0.74.40", 0)) as server:

        def answer() -> None:
            with server.accept()[0] as connection:
                connection.recv(4096)
                connection.sendall(b"220 a mail server\r\n")

        threading.Thread(target=answer, daemon=True).start()
        messenger = Messenger(told, pauses_s=())
        url = f"http://127.0.74.40:{server.getsockname()[1]}/"
        messenger.send(Message("alert", "first", lambda: post(url, b"{}", "application/json")))
        messenger.send(Message("alert", "second", lambda: None))
        wait_until(lambda: len(told.lines) == 2, "both in the journal")
        messenger.close()
    assert told.lines == [("first", "BadStatusLine"), ("second", None)]


def test_an_address_with_a_space_in_it_is_a_mistake_of_the_file() -> None:
    with pytest.raises(ValueError, match="this is not an address"):
        Alert(url="http://192.0.2.5/pier road")


def test_whatever_a_library_raises_ends_no_messenger() -> None:
    told = Told()
    messenger = Messenger(told, pauses_s=())

    def fail() -> None:
        raise RuntimeError("with a S3CRET")

    messenger.send(Message("alert", "first", fail))
    messenger.send(Message("alert", "second", lambda: None))
    wait_until(lambda: len(told.lines) == 2, "both in the journal")
    messenger.close()
    assert told.lines == [("first", "RuntimeError"), ("second", None)]


def test_a_place_that_has_moved_has_not_taken_the_message() -> None:
    """RFC 9110 15.4.2: what a client makes of a POST after 301 may be a GET, without what was to be told."""
    with WebhookServer("127.0.74.40") as new, WebhookServer("127.0.74.41", status=301, location=new.url) as old:
        with pytest.raises(DeliveryError, match="answers 301: it has moved"):
            post(f"{old.url}/hook", b"{}", "application/json")
        assert (len(old.got), new.got) == (1, [])


def test_an_address_that_does_not_answer_delays_nobody() -> None:
    """Ten thousand messages to a messenger that is stuck: the caller goes on, the memory is bounded."""
    told = Told()
    stuck = Messenger(told, pauses_s=())

    def hang() -> None:
        time.sleep(0.5)
        raise DeliveryError("no answer")

    for _ in range(10_000):
        stuck.send(Message("alert", "alert", hang))
    assert len(told.lines) > 9_000
    assert {wrong for _, wrong in told.lines} <= {"too many messages wait already", "no answer"}
    stuck.close()


@pytest.mark.parametrize("url", ["tgram://123456789:AAG-S3CRET/987654", "discord://S3CRET/S3CRET2", "ntfy://S3CRET"])
def test_an_address_of_apprise_is_taken_and_none_of_it_stands_in_the_journal(
    monkeypatch: pytest.MonkeyPatch, url: str
) -> None:
    """The host is the secret of many of apprise's kinds. Its addresses have no port where urllib looks for one."""
    apprise = pytest.importorskip("apprise")
    monkeypatch.setattr(apprise.Apprise, "notify", lambda *_, **__: False)
    told = Told()
    alerts = Alerts([Alert(url=url, place="site.toml:52")], SPOT, "Pier Road boathouse", told)
    alerts._each = [(alerts._each[0][0], Messenger(told, pauses_s=()), {})]
    watch(alerts, [CABLE], 0, 10)
    wait_until(lambda: told.lines, "its failure in the journal")
    assert told.lines == [("alert of site.toml:52", "the service did not accept the message")]
    alerts.close()
