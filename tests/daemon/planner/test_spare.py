"""A spare says that it carries the light of its board when that is gone, and no more once that is back."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.planner.contact import AWAY_S, BoardSeen
from gloaming.daemon.planner.spare import BACK_NS, GONE_NS, SETTLED_NS, STARTED_NS, SpareBoard
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.daemon.site import board_name
from gloaming.daemon.site.site import Site
from gloaming.shows.time_units import SECOND_NS
from tests.daemon.quay_site import EVENING, TABLES, ns, site_of

BOARDS = '\n[[board]]\nname = "quay"\ncontrollers = ["left"]\n\n[[board]]\nname = "loft"\nspare_for = "quay"\n'
UNICAST = '[[controller]]\nname = "left"\nhost = "192.0.2.21"\nuniverses = "1-4"\n'
MULTICAST = '[[controller]]\nname = "left"\nuniverses = "1-4"\n'
DATA, DISCOVERY = [{"cid": "0" * 32, "priority": 100}], [{"cid": "0" * 32, "priority": None}]
AT_NS = ns("2026-12-01T20:14:10")


class Told:
    """A spare, and what its transmitter and the broker tell it. `seconds` passes the time."""

    def __init__(self, site: Site) -> None:
        self.at_ns, self.packets, self.sends, self.watched = 0, 0, True, 4
        self.uptime_ns = STARTED_NS
        self.said: dict[str, object] = {}
        self.seen = BoardSeen("quay", True, AT_NS, {})
        self.boards: Any = SimpleNamespace(
            sharing="none", seen=lambda: (self.seen,), say=lambda key, value: self.said.update({key: value})
        )
        situation: Any = SimpleNamespace(site=site, timezone=ZoneInfo("Europe/London"), now_ns=self.now_ns)
        self.plugged_in = True
        self.spare = SpareBoard(situation, self.boards, lambda interface: self.plugged_in)

    def now_ns(self) -> int:
        return AT_NS + self.at_ns

    def seconds(self, count: float, heard: list[dict[str, Any]] = DATA) -> bool:
        """Whether the spare carries the light after some seconds with the same telemetry."""
        for _ in range(int(count)):
            self.at_ns += SECOND_NS
            self.packets += self.sends
            telemetry = {"packets_sent": self.packets, "boards_heard": heard, "watched": self.watched}
            self.spare.follow(telemetry, self.at_ns, self.uptime_ns + self.at_ns)
        assert self.said["carries"] == self.spare.carries
        assert bool(self.spare.troubles()) == self.spare.carries == (self.spare.waits_for is None)
        return self.spare.carries


@pytest.fixture
def told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Told:
    monkeypatch.setenv(board_name.VARIABLE, "loft")
    return Told(site_of(tmp_path, TABLES, EVENING, BOARDS, rig=MULTICAST))


@pytest.fixture
def by_unicast(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Told:
    monkeypatch.setenv(board_name.VARIABLE, "loft")
    return Told(site_of(tmp_path, TABLES, EVENING, BOARDS, rig=UNICAST))


GONE_S, BACK_S = GONE_NS // SECOND_NS + 1, BACK_NS // SECOND_NS + 1


def test_a_board_that_is_no_longer_heard_is_carried_until_it_has_been_heard_for_a_while(told: Told) -> None:
    assert not told.seconds(60)
    assert not told.seconds(GONE_S - 1, [])
    assert told.seconds(1, [])
    (trouble,) = told.spare.troubles()
    assert (trouble.code, trouble.kind, trouble.subject) == (
        TroubleCode.SPARE_CARRIES,
        "boards",
        "the light of board quay",
    )
    assert trouble.text == "the spare carries the light of quay since 20:15"
    assert told.seconds(BACK_S - 1)
    assert not told.seconds(1)


def test_a_board_that_comes_and_goes_is_one_trouble(told: Told) -> None:
    told.seconds(60)
    assert told.seconds(GONE_S, [])
    since = told.spare.troubles()
    for _ in range(20):
        assert told.seconds(4)
        assert told.seconds(4, [])
    assert told.spare.troubles() == since


def test_a_spare_that_starts_hears_its_board_first_and_a_machine_that_starts_waits_a_minute(told: Told) -> None:
    told.uptime_ns = 0
    assert not told.seconds(STARTED_NS // SECOND_NS, [])
    assert told.seconds(GONE_S, [])
    told.spare.lost()
    assert told.said["carries"] is False
    late = Told(told.spare._situation.site)
    assert not late.seconds(SETTLED_NS // SECOND_NS, [])
    assert not late.seconds(60)


def test_a_board_that_becomes_a_spare_does_not_carry_until_the_other_is_gone(told: Told, tmp_path: Path) -> None:
    spare = told.spare._situation.site
    told.spare._situation.site = site_of(tmp_path / "main", TABLES, EVENING, BOARDS.replace("loft", "hut"))
    told.spare.follow({"packets_sent": 1}, 0, STARTED_NS)
    told.spare._situation.site = spare
    assert not told.seconds(60)


def test_a_board_whose_multicast_this_one_cannot_hear_is_not_missed(tmp_path: Path, told: Told) -> None:
    """The watch listens to IPv4 alone."""
    by_ipv6 = Told(site_of(tmp_path / "6", TABLES, EVENING, BOARDS, '[output]\nmulticast = "ipv6"\n', rig=MULTICAST))
    deaf = Told(told.spare._situation.site)
    deaf.watched = 0
    assert not any(one.seconds(SETTLED_NS // SECOND_NS + GONE_S, []) for one in (by_ipv6, deaf))
    assert told.seconds(SETTLED_NS // SECOND_NS + GONE_S, [])


def test_a_spare_whose_own_cable_is_out_does_not_miss_its_board(told: Told) -> None:
    told.seconds(60)
    told.plugged_in = False
    assert not told.seconds(600, [])
    told.plugged_in = True
    assert told.seconds(GONE_S, [])


def test_streams_that_have_ended_on_both_boards_are_no_sign_of_anything(told: Told) -> None:
    told.seconds(60)
    told.sends = False
    assert not told.seconds(600, [])
    told.sends = True
    assert not told.seconds(3, [])
    assert told.seconds(SETTLED_NS // SECOND_NS + GONE_S, [])
    told.sends = False
    assert told.seconds(600, [])  # nor is it back


def test_another_spare_or_a_board_with_a_lower_priority_is_not_the_board(told: Told) -> None:
    told.seconds(60)
    assert told.seconds(GONE_S, [{"cid": "1" * 32, "priority": 90}])


def test_a_board_that_sends_by_unicast_is_known_by_its_discovery_or_by_its_contact(by_unicast: Told) -> None:
    assert not by_unicast.seconds(60, DISCOVERY)
    assert not by_unicast.seconds(60, [])  # no broker: nobody knows
    by_unicast.boards.sharing = "connected"
    assert not by_unicast.seconds(60, [])
    by_unicast.seen = BoardSeen("quay", True, AT_NS, {"carries": False})  # its transmitter is gone
    assert by_unicast.seconds(GONE_S, [])
    by_unicast.seen = BoardSeen("quay", True, AT_NS, {"carries": True})
    assert not by_unicast.seconds(BACK_S, [])


def test_a_board_that_has_lost_its_contact_may_have_started_again(by_unicast: Told) -> None:
    by_unicast.boards.sharing = "connected"
    by_unicast.seconds(60, [])
    by_unicast.seen = BoardSeen("quay", False, by_unicast.now_ns(), {"carries": True})
    assert not by_unicast.seconds(AWAY_S, [])
    assert by_unicast.seconds(GONE_S, [])
    by_unicast.boards.sharing = "away"  # the spare has no contact either: it stays as it was
    assert by_unicast.seconds(60, [])


def test_a_board_that_was_never_there_is_carried_from_the_beginning(by_unicast: Told) -> None:
    by_unicast.boards.sharing, by_unicast.seen = "connected", BoardSeen("quay", False, None, {})
    assert by_unicast.seconds(SETTLED_NS // SECOND_NS + GONE_S, [])


def test_a_board_that_is_no_spare_carries_its_light_while_its_transmitter_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(board_name.VARIABLE, "quay")
    told = Told(site_of(tmp_path, TABLES, EVENING, BOARDS, rig=MULTICAST))
    told.spare.follow({"packets_sent": 1}, 0, 0)
    assert (told.said, told.spare.troubles(), told.spare.waits_for) == ({"carries": True}, [], None)
    told.spare.lost()
    assert told.said == {"carries": False}
