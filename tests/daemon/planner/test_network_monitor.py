"""The monitor of the network: when it looks, and what follows from a look. `take_a_look` gives looks of a test."""

from __future__ import annotations

import asyncio
from pathlib import Path
from threading import Event
from types import SimpleNamespace
from typing import Any, cast

import pytest

from gloaming.daemon.integrations.network_look import NetworkLook
from gloaming.daemon.planner import network_monitor
from gloaming.daemon.planner.network_monitor import NetworkMonitor
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.daemon.site.site import Site
from tests.daemon.quay_site import EVENING, TABLES, site_of
from tests.daemon.reports.test_network import AT, LEFT, STRINGS, node

E131 = LEFT.replace('protocol = "artnet"\n', "")
OFF = "[output]\nart_poll = false\n"


class Looks:
    """The looks that come next, and what the transmitter counts. `taken` is how often was looked."""

    def __init__(self) -> None:
        self.next, self.taken = NetworkLook(AT, (node(),), (), (), (), 0), 0
        self.packets, self.added, self.asked = 100, 40, Event()

    async def __call__(self, *_: object) -> NetworkLook:
        self.taken += 1
        self.packets += self.added
        return self.next

    def telemetry(self) -> dict[str, Any]:
        return {"universe_packets": [(1, 24, self.packets, 0)]}


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> Looks:
    found = Looks()
    monkeypatch.setattr(network_monitor, "take_a_look", found)
    return found


def monitor(site: Site, looks: Looks, waits_for: str | None = None) -> NetworkMonitor:
    situation: Any = SimpleNamespace(site=site, now_ns=lambda: AT)
    rig: Any = SimpleNamespace(names=SimpleNamespace(addresses={}), reach=SimpleNamespace(found={}))
    return NetworkMonitor(situation, rig, looks.telemetry, lambda: waits_for, looks.asked.set)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return site_of(tmp_path, TABLES, EVENING, rig=LEFT + STRINGS)


def test_what_a_node_says_and_what_is_wrong_with_it_is_known_until_the_next_look(site: Site, looks: Looks) -> None:
    of = monitor(site, looks)
    looks.next = NetworkLook(AT, (node(outputs=range(1, 17), merges=(3,)),), (), (), (), 0)
    asyncio.run(of.look())
    troubles = {one.code: (one.kind, one.subject) for one in of.troubles()}
    assert troubles == {
        TroubleCode.NODE_DIFFERS: ("controller", "left"),
        TroubleCode.NODE_MERGES: ("other-source", "left"),
    }
    (left,) = site.rig.controller
    (said,) = of.nodes(left)
    assert said["text"].endswith("receives universes 1-16, merges two sources on universe 3")
    looks.next = NetworkLook(AT, (node(),), (), (), (), 0)
    asyncio.run(of.look())
    assert of.troubles() == []


def test_a_site_that_was_read_again_is_held_against_the_last_look(site: Site, looks: Looks, tmp_path: Path) -> None:
    of = monitor(site, looks)
    asyncio.run(of.look())
    assert of.troubles() == []
    cast(Any, of)._situation.site = site_of(tmp_path, TABLES, EVENING, rig=LEFT.replace("1-24", "1-25"))
    of.adopt()
    assert [one.code for one in of.troubles()] == [TroubleCode.NODE_DIFFERS]


@pytest.mark.parametrize(
    ("tables", "rig", "waits_for"),
    [("", E131, None), (OFF, LEFT, None), ("", LEFT, "quay")],
    ids=["no Art-Net", "art_poll off", "a spare that waits"],
)
def test_no_node_is_asked_unless_a_person_asks(
    tmp_path: Path, looks: Looks, tables: str, rig: str, waits_for: str | None
) -> None:
    of = monitor(site_of(tmp_path, tables, TABLES, EVENING, rig=rig), looks, waits_for)
    asyncio.run(of.look())
    assert (looks.taken, of.as_json()["at"]) == (0, None)
    assert of.look_now()["looking"] and looks.asked.is_set(), "a person asks"
    asyncio.run(of.look_once())
    assert of.as_json()["at"] and not of.as_json()["looking"]
    assert (of.troubles(), of.nodes(of._situation.site.rig.controller[0])) == ([], [])


def test_a_look_that_is_under_way_is_the_answer_for_who_asks_meanwhile(site: Site, looks: Looks) -> None:
    of = monitor(site, looks)
    assert of.look_now()["looking"] and looks.asked.is_set()
    looks.asked.clear()
    assert of.look_now()["looking"] and not looks.asked.is_set()
    asyncio.run(of.look())
    assert looks.taken == 0, "the look that the person asked for is the next one"


def test_a_look_that_fails_is_over(site: Site, looks: Looks, monkeypatch: pytest.MonkeyPatch) -> None:
    async def fail(*_: object) -> NetworkLook:
        raise OSError("no network")

    of = monitor(site, looks)
    of.look_now()
    monkeypatch.setattr(network_monitor, "take_a_look", fail)
    with pytest.raises(OSError, match="no network"):
        asyncio.run(of.look_once())
    assert not of.as_json()["looking"]


def test_data_are_missed_at_a_node_once_they_were_sent_before_the_look_too(site: Site, looks: Looks) -> None:
    looks.next = NetworkLook(AT, (node(receives=()),), (), (), (), 0)
    of = monitor(site, looks)
    codes = []
    for added in (40, 40, 0):
        looks.added = added
        asyncio.run(of.look())
        codes.append([one["code"] for one in of.as_json()["findings"]])
    assert codes == [[], ["node-unfed"], []]
    assert of.troubles() == []
