"""Three boards with a real broker: a pause of one is on the wire of all, and boards that were apart agree again.

The lights are compared with `decide` over the merged facts, which the test reads from each board's own disk.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from functools import reduce
from itertools import cycle
from typing import Any

import pytest

from gloaming.daemon.direction.decide import Decision, decide
from gloaming.daemon.direction.merged import join, merged
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.planner.stored_rows import read_overrides
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.three_boards import ADDRESSES, Board, ThreeBoards, three_boards
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip", "mosquitto", "root")
FULL = 200
"""What `numbered` has in the slots after the number."""
LIT, DARK = {"quay": FULL, "east": FULL}, {"quay": 0, "east": 0}


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ThreeBoards]:
    with three_boards(tmp_path_factory.mktemp("three")) as three:
        for name in ("quay", "east"):
            three.reader(name).wait_for(lambda seen: any(not one.black for one in seen), "light")
        yield three


class Asked:
    """What people were told: the overrides that were confirmed, and those that were confirmed as ended."""

    def __init__(self, three: ThreeBoards) -> None:
        self._three = three
        self.ids: set[int] = set()
        self.ended: set[int] = set()

    def ask(self, board: str, request: dict[str, Any]) -> dict[str, Any]:
        status, answer = self._three[board].ask("POST", "/api/overrides", request)
        assert status == 201, answer
        self.ids.add(answer["id"])
        self.ended.update(one["id"] for one in answer["ended"])
        return dict(answer)

    def undo(self, board: str, id: int) -> dict[str, Any]:
        status, answer = self._three[board].ask("DELETE", f"/api/overrides/{id}")
        assert status == 200, answer
        self.ended.add(id)
        return dict(answer)


def standing(board: Board) -> list[tuple[Any, ...]]:
    return [tuple(one.get(key) for key in ("id", "kind", "at", "until", "level")) for one in board.now()["overrides"]]


def agree(three: ThreeBoards, ids: set[int]) -> list[tuple[Any, ...]]:
    """Wait until all boards list the same overrides, of which they know all. These overrides."""

    def same() -> bool:
        stored = [{one.id: one for one in read_overrides(board.state / "state.db", 0)} for board in three]
        lists = [standing(board) for board in three]
        return all(one == stored[0] and ids <= set(one) for one in stored) and lists == [lists[0]] * 3

    wait_until(same, "the same overrides on all boards", every_s=0.3)
    return standing(three["quay"])


def decided(three: ThreeBoards, site: Site) -> Decision:
    """What `decide` says of this moment, over what the disks of all boards have."""
    versions: dict[int, list[Override]] = {}
    for board in three:
        for one in read_overrides(board.state / "state.db", 0):
            versions.setdefault(one.id, []).append(one)
    facts = merged(reduce(join, of_an_id) for of_an_id in versions.values())
    return decide(time.time_ns() + three["quay"].offset_ns, site, facts)


def lights(three: ThreeBoards) -> dict[str, int]:
    """What a slot of each board's controller has."""
    return {name: three.reader(name).seen()[-1].slots[8] for name in ("quay", "east")}


def shows(three: ThreeBoards, site: Site) -> bool:
    """Whether both controllers have what is decided."""
    level = round(FULL * decided(three, site).brightness)
    return all(abs(light - level) <= 1 for light in lights(three).values())


def test_a_pause_of_one_board_is_on_the_wire_of_all(three: ThreeBoards) -> None:
    answer = Asked(three).ask("east", {"kind": "pause"})
    assert [(one["name"], one["on_the_wire"], one["text"]) for one in answer["boards"]] == [
        (name, True, "black") for name in ("east", "quay", "spare")
    ]
    wait_until(lambda: lights(three) == DARK, "black at both")
    assert three["spare"].now()["overrides"][0]["id"] == answer["id"]
    ended = Asked(three).undo("quay", answer["id"])
    assert [one["on_the_wire"] for one in ended["boards"]] == [True] * 3
    wait_until(lambda: lights(three) == LIT, "light at both")
    _, lines = three["spare"].ask("GET", "/api/journal")
    said = [line["text"] for line in lines if line["kind"] == "override"]
    assert said[0] == "pause ended (asked at quay)" and said[1].endswith("(asked at east)") and len(said) == 2


def test_boards_that_were_apart_show_what_is_decided_over_the_facts_of_all(
    three: ThreeBoards, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Apart, both sides are asked for what contradicts the other, a planner is killed, and the broker forgets all."""
    monkeypatch.setenv("GLOAMING_BOARD", "quay")
    site, asked = load_site(three["quay"].folder), Asked(three)
    dim = asked.ask("quay", {"kind": "dim", "level": 0.8, "minutes": 60})["id"]
    pause = asked.ask("east", {"kind": "pause", "minutes": 30})["id"]
    agree(three, asked.ids)

    three.partition("east")
    apart = asked.undo("quay", pause)
    assert [one["on_the_wire"] for one in apart["boards"] if one["name"] != "spare"] == [True, False]
    asked.ask("east", {"kind": "dim", "level": 0.3, "minutes": 60})
    longer = asked.ask("east", {"kind": "pause", "minutes": 50})["id"]
    asked.undo("quay", dim)
    asked.ask("quay", {"kind": "call", "piece": "numbers"})
    os.kill(three["quay"].pid("planner"), signal.SIGKILL)
    three.broker.stop()
    skip = asked.ask("spare", {"kind": "skip"})["id"]
    assert three["quay"].now(), "another planner has begun"
    again = asked.ask("quay", {"kind": "dim", "level": 0.6})
    asked.undo("east", longer)
    asked.ask("east", {"kind": "pause", "minutes": 40})
    three.broker.start()
    asked.ask("quay", {"kind": "mute", "minutes": 60})
    three.heal("east")

    found = agree(three, asked.ids)
    assert {one[1] for one in found} >= {"pause", "dim", "mute"}, found
    facts = {one.id: one for one in read_overrides(three["spare"].state / "state.db", 0)}
    alive = [id for id in asked.ended if facts[id].end_ns > time.time_ns() + three["quay"].offset_ns]
    assert not alive and {skip, again["id"]} <= set(facts)
    wait_until(lambda: shows(three, site) and lights(three) == DARK, "the pause of the other side, as is decided")
    boards = cycle(ADDRESSES)
    while found := agree(three, asked.ids):  # one after the other ends, at any board
        asked.undo(next(boards), found[-1][0])
        wait_until(lambda: shows(three, site), "what is decided without that")
    assert decided(three, site).brightness == 1.0
