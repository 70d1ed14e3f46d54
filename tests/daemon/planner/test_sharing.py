"""Boards share facts: whatever happens between them, they agree in the end, and nothing that was confirmed is lost."""

from __future__ import annotations

import asyncio
import json
import shutil
from collections.abc import Callable, Coroutine, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest

from gloaming.daemon.direction.merged import merged
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.direction.score import State
from gloaming.daemon.direction.shared_fact import fact_of, payload_of
from gloaming.daemon.planner import sharing
from gloaming.daemon.planner.confirmation import Sent
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.shows.config_files.errors import InputError
from tests.cases import cases
from tests.daemon.planner.boards_in_memory import NAMES, S, Site


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    found = Site(tmp_path)
    yield found
    found.close()


def together(test: Callable[[Site], Coroutine[Any, Any, None]]) -> Callable[[Site], None]:
    """A test on the event loop, of boards that are all connected."""

    def of(site: Site) -> None:
        async def run() -> None:
            await site.connect()
            await test(site)

        asyncio.run(run())

    of.__name__ = test.__name__
    return of


def known(site: Site, name: str) -> list[dict[str, Any]]:
    return [fact_of(one) for one in site[name].known]


def texts(site: Site, name: str) -> list[str]:
    return [f"{one.subject}: {one.text}" for one in site[name].sharing.troubles()]


@together
async def test_a_pause_of_one_board_is_known_and_said_at_all_and_confirmed_by_all(site: Site) -> None:
    pause = site["east"].ask({"kind": "pause"})
    assert site.broker.retained[f"facts/{pause.id}"] == payload_of(pause), "before the disk has it"
    answer = asyncio.create_task(site["east"].sharing.confirmations.confirmed(pause.id, _sent()))
    await asyncio.sleep(0)
    await site.settle()
    _, rows = await answer
    assert rows == [
        {"name": "east", "contact": True, "on_the_wire": True, "text": "black"},
        {"name": "quay", "contact": True, "on_the_wire": True, "text": "pause is sent"},
        {"name": "west", "contact": True, "on_the_wire": True, "text": "pause is sent"},
    ]
    assert known(site, "quay") == known(site, "west") == known(site, "east") == [fact_of(pause)]
    assert site["quay"].journal == ["pause until 18:15 (asked at east)"]
    assert site["east"].sharing.confirmations.asked("west") == [
        {"id": pause.id, "on_the_wire": True, "text": "pause is sent"}
    ]
    assert site["quay"].sender.sent == 1

    site.later(60)
    site["quay"].situation.end(pause.id, site.at[0], "Huw")
    await site.settle()
    assert site["west"].journal[1:] == ["pause ended (asked at quay)"]
    assert [row["who"] for row in site["west"].store.journal(2)] == ["Huw", "Ada"]
    assert not site["east"].situation.standing(site.at[0])
    assert site["east"].sharing.confirmations.asked("west") == []


async def _sent() -> Sent:
    return Sent(True, "black")


@together
async def test_what_another_board_replaces_is_one_line_of_its_journal(site: Site) -> None:
    site["east"].ask({"kind": "dim", "level": 0.5})
    await site.settle()
    site.later(5)
    site["quay"].ask({"kind": "dim", "level": 0.3, "zone": "ridge"})
    await site.settle()
    site.later(5)
    site["quay"].ask({"kind": "dim", "level": 0.2})
    await site.settle()
    assert len(site["west"].journal) == 3 and not [text for text in site["west"].journal if "ended" in text]
    assert [one.undone for one in site["west"].known] == [True, False, False]


@together
async def test_a_board_without_contact_is_named_and_gets_it_when_it_is_back(site: Site) -> None:
    site["west"].memory.disconnect()
    pause = site["east"].ask({"kind": "pause"})
    await site.settle()
    _, rows = await site["east"].sharing.confirmations.confirmed(pause.id, _sent())
    away = "no contact since Thu 1 Jan 1970, 01:00"
    assert rows[-1] == {"name": "west", "contact": False, "on_the_wire": False, "text": away}
    await site.connect("west")
    assert known(site, "west") == known(site, "east")
    assert site["east"].sharing.confirmations.asked("west")[0]["on_the_wire"] is True


def test_what_was_asked_for_before_the_site_had_boards_holds_on_all(site: Site) -> None:
    """Also what is over: it still shifts what is played tonight."""
    quay, east = site["quay"], site["east"]
    quay.restart(site.alone)
    quay.ask({"kind": "skip"})
    site.later(60)
    quay.ask({"kind": "dim", "level": 0.4})
    asked = quay.ask({"kind": "pause"})
    assert [one.id for one in quay.known] == [1, 2, 3]
    site.later(60)
    quay.adopt(site.path)
    mute = quay.ask({"kind": "mute"})

    async def later() -> None:
        await site.connect()
        assert known(site, "quay") == known(site, "east") == known(site, "west")
        assert [one.kind for one in east.known] == ["skip", "dim", "pause", "mute"]
        assert {one.author for one in east.known} == {"quay"}
        pause = east.known[2]
        assert (pause.at_ns, pause.until_ns, pause.who) == (asked.at_ns, asked.until_ns, "Ada")
        assert [one.situation.decision(site.at[0]).state for one in site.boards.values()] == [State.PAUSED] * 3
        assert "pause until 18:16 (asked at quay)" in east.journal
        east.situation.end(pause.id, site.at[0], "Huw")
        await site.settle()
        assert [one.kind for one in quay.situation.standing(site.at[0])] == ["dim", "mute"]

    asyncio.run(later())
    quay.kill()
    assert [fact_of(one) for one in quay.known] == known(site, "east")
    assert len({one.id for one in quay.known}) == 4 and max(one.id for one in quay.known) == mute.id


def test_a_skip_of_before_counts_once_where_a_board_began_as_a_copy_of_another(site: Site) -> None:
    """Its state was restored on the second machine. Each board has its own CID."""
    quay, east = site["quay"], site["east"]
    quay.restart(site.alone)
    quay.ask({"kind": "skip"})
    assert quay.store.wait()
    east.store.close()
    shutil.rmtree(east.folder)
    shutil.copytree(quay.folder, east.folder)
    east.restart(site.path)
    quay.restart(site.path)

    async def later() -> None:
        await site.connect()
        assert known(site, "quay") == known(site, "east") == known(site, "west")
        assert [one.kind for one in site["west"].known] == ["skip"]

    asyncio.run(later())


def test_a_board_that_the_site_does_not_name_yet_keeps_what_it_was_asked_for_until_then(site: Site) -> None:
    """Somebody writes the tables first, and the name of the board afterwards."""
    quay, east = site["quay"], site["east"]
    quay.restart(site.alone)
    quay.ask({"kind": "pause"})
    quay.name = "raspberrypi"
    quay.adopt(site.path)

    async def later() -> None:
        await site.connect()
        quay.ask({"kind": "mute"})
        await site.settle()
        assert [one.kind for one in quay.known] == ["pause", "mute"] and [one.kind for one in east.known] == ["mute"]
        quay.name = "quay"
        quay.adopt(site.path)
        await site.settle()
        assert [one.author for one in quay.known] == ["quay", "raspberrypi"]
        assert known(site, "east") == known(site, "quay")

    asyncio.run(later())


@pytest.mark.parametrize("seed", range(cases(12)))
def test_boards_agree_after_any_evening_apart(tmp_path: Path, seed: int) -> None:
    """Cables come loose, planners are killed, the broker forgets; people ask for contradictory things meanwhile."""
    chance = Random(seed)
    site = Site(tmp_path, chance=chance)
    requests: tuple[dict[str, Any], ...] = (
        {"kind": "pause"},
        {"kind": "dark", "minutes": 20},
        {"kind": "dim", "level": 0.4, "minutes": 10},
        {"kind": "call", "piece": "lanterns"},
        {"kind": "call", "piece": "tide", "after": True},
        {"kind": "call", "show": "short", "minutes": 5},
        {"kind": "skip"},
        {"kind": "mute"},
    )
    asked: dict[int, Override] = {}
    ended: dict[int, int] = {}

    async def evening() -> None:
        for _ in range(60):
            board = site[chance.choice(NAMES)]
            site.later(chance.choice((0.3, 4.0, 20.0)))
            match chance.choice(("ask", "ask", "undo", "part", "heal", "kill", "forget", "step", "step")):
                case "ask":
                    try:
                        one = board.ask(chance.choice(requests))
                    except (Refusal, InputError):
                        continue
                    asked[one.id] = one
                case "undo" if standing := board.situation.standing(site.at[0]):
                    one = chance.choice(standing)
                    board.situation.end(one.id, site.at[0], "Huw")
                    ended[one.id] = min(ended.get(one.id, site.at[0]), site.at[0])
                case "part":
                    board.memory.disconnect()
                case "heal":
                    board.memory.connect()
                case "kill":
                    board.kill()
                case "forget":
                    site.broker.retained.clear()
                    for each in site.boards.values():
                        each.memory.disconnect()
                case _:
                    for _ in range(chance.randrange(30)):
                        await site.step()
        await site.connect()

    asyncio.run(evening())
    assert len(asked) > 4 and ended
    stored = {name: site[name].store.overrides(0) for name in NAMES}
    assert stored["quay"] == stored["east"] == stored["west"]
    assert {one.id for one in stored["quay"]} == set(asked)
    late = {one.id for one in stored["quay"] if one.id in ended and not one.end_ns <= max(ended[one.id], one.at_ns)}
    assert not late, "what was confirmed as ended stays so"
    assert known(site, "quay") == known(site, "east") == [fact_of(one) for one in merged(stored["quay"])]
    site.broker.published = 0
    asyncio.run(site.connect())
    assert not site.broker.published, "boards that agree publish nothing"
    site.close()


@together
async def test_a_broker_that_forgot_gets_all_back_once(site: Site) -> None:
    for level in (0.1, 0.2, 0.3):
        site["quay"].ask({"kind": "dim", "level": level})
        site.later(1)
    await site.settle()
    before = dict(site.broker.retained)
    site.broker.retained.clear()
    for board in site.boards.values():
        board.memory.disconnect()
    site.broker.published = 0
    await site.connect("quay")
    await site.connect("east", "west")
    assert site.broker.retained == before
    assert site.broker.published == 3, "those who come later have nothing to add"


@together
async def test_two_who_end_a_pause_at_once_end_it_at_the_earlier_instant(site: Site) -> None:
    pause = site["quay"].ask({"kind": "pause"})
    await site.settle()
    for seconds, name in (2, "west"), (1, "east"), (3, "quay"):
        site[name].situation.end(pause.id, pause.at_ns + seconds * S, name)
    await site.settle()
    assert {(one.ended_ns, one.ended_by) for name in NAMES for one in site[name].known} == {(pause.at_ns + S, "east")}


@together
async def test_facts_that_are_long_over_leave_the_broker_and_do_not_come_back(site: Site) -> None:
    over = site["quay"].ask({"kind": "pause", "minutes": 5})
    stays = site["quay"].ask({"kind": "out-of-service", "zone": "ridge", "why": "it flickers"})
    site["quay"].situation.end(stays.id, site.at[0] + S)
    await site.settle()
    site.later(3 * 86_400 + 400)
    site["west"].memory.disconnect()
    site["east"].sharing.clear()
    await site.settle()
    assert set(site.broker.retained) == {f"facts/{stays.id}"}, "a board that was away must hear that this has ended"
    await site.connect("west")
    assert set(site.broker.retained) == {f"facts/{stays.id}"}
    assert over.id in {one.id for one in site["west"].store.overrides(0)}


BAD: dict[str, tuple[str, bytes]] = {
    "damaged": ("facts/268435461", b'{"format": 1, "id": 2684'),
    "nested": ("facts/268435461", b"[" * 12_000),
    "another id": ("facts/268435462", b""),
    "a name": ("facts/pause", b""),
    "an id beyond all": (f"facts/{(1 << 53) - 1}", b""),
    "a negative id": ("facts/-5", b""),
    "NaN": ("facts/268435461", b'{"format": NaN}'),
}


@pytest.mark.parametrize("name", sorted(BAD))
def test_what_is_no_fact_is_one_line_and_changes_nothing(site: Site, name: str) -> None:
    topic, payload = BAD[name]

    async def hear() -> None:
        await site.connect()
        pause = site["quay"].ask({"kind": "pause"})
        await site.settle()
        about = fact_of(pause) | {"id": (1 << 53) - 1 if "beyond" in name else 1 << 28 | 5}
        site.broker.publish(topic, payload or json.dumps(about).encode(), retained=True)
        await site.settle()
        assert len(site["east"].memory.failed) == 1 and "\n" not in site["east"].memory.failed[0]
        assert known(site, "east") == [fact_of(pause)]
        assert site["east"].ask({"kind": "mute"}).id < 1 << 53
        await site.settle()
        assert known(site, "west") == known(site, "east")

    asyncio.run(hear())


@together
async def test_a_fact_that_was_damaged_at_the_broker_is_mended_at_the_next_connection(site: Site) -> None:
    pause = site["quay"].ask({"kind": "pause"})
    await site.settle()
    site.broker.publish(f"facts/{pause.id}", b"{", retained=True)
    await site.settle()
    site["east"].memory.disconnect()
    await site.connect("east")
    assert site.broker.retained[f"facts/{pause.id}"] == payload_of(pause)


@together
async def test_a_fact_of_a_newer_version_stays_at_the_broker_and_names_its_board(site: Site) -> None:
    pause = site["quay"].ask({"kind": "pause"})
    await site.settle()
    newer = json.dumps(fact_of(pause) | {"version": 2, "only_red": True, "changed_by": "east"}).encode()
    site.broker.publish(f"facts/{pause.id}", newer, retained=True)
    strobe = json.dumps(fact_of(pause) | {"id": 5 << 28, "kind": "strobe"}).encode()
    site.broker.publish(f"facts/{5 << 28}", strobe, retained=True)
    await site.settle()
    site["west"].memory.disconnect()
    await site.connect("west")
    assert site.broker.retained == {f"facts/{pause.id}": newer, f"facts/{5 << 28}": strobe}
    assert known(site, "west") == [fact_of(pause)]
    found = {one.subject: one for one in site["west"].sharing.troubles()}
    assert {one.code for one in found.values()} == {TroubleCode.BOARD_NEWER}
    east, quay = "the program of board east", "the program of board quay"
    assert set(found) == {east, quay} and "'strobe'" in found[quay].text
    site.broker.publish(f"facts/{5 << 28}", b"", retained=True)
    await site.settle()
    assert [one.subject for one in site["west"].sharing.troubles()] == [east]


@together
async def test_a_board_whose_clock_is_ahead_is_named_until_its_instant_has_come(site: Site) -> None:
    site["east"].ahead_ns = 3600 * S
    site["east"].ask({"kind": "pause"})
    await site.settle()
    assert texts(site, "quay") == ["what was asked at board east: it begins 3600 s ahead of this board's clock"]
    assert not texts(site, "east")
    assert site["quay"].situation.decision(site.at[0]).brightness > 0
    site.later(3605)
    assert not texts(site, "quay")
    assert site["quay"].situation.decision(site.at[0]).brightness == 0


@together
async def test_names_that_a_site_does_not_have_do_nothing_there_and_are_said(site: Site) -> None:
    at_ns = site.at[0]
    values: dict[str, Any] = {"author": "east", "changed_by": "east"}
    for number, one in enumerate(
        (
            Override(1, Kind.DARK, at_ns, at_ns + 900 * S, zone="jetty", **values),
            Override(1, Kind.CALL, at_ns, at_ns + 900 * S, piece="gulls", **values),
            Override(1, Kind.CALL, at_ns, at_ns + 900 * S, show="matinee", **values),
            Override(1, Kind.OUT_OF_SERVICE, at_ns, at_ns + 900 * S, zone="jetty", **values),
        ),
        1,
    ):
        fact = fact_of(one) | {"id": number << 28}
        site.broker.publish(f"facts/{number << 28}", json.dumps(fact).encode(), retained=True)
    before = site["quay"].situation.everywhere(at_ns)
    await site.settle()
    assert site["quay"].situation.everywhere(at_ns) == before
    assert len(site["quay"].store.overrides(0)) == 4
    assert [text.partition(";")[2] for text in site["quay"].journal] == [
        f" this board's site has no {name}, so it does nothing here"
        for name in ("zone 'jetty'", "piece 'gulls'", "show 'matinee'", "zone 'jetty'")
    ]


@together
async def test_a_flood_of_facts_leaves_the_rest_at_the_broker_and_is_said(site: Site) -> None:
    pause = site["quay"].ask({"kind": "pause"})
    await site.settle()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sharing, "FACTS_MAX", 50)
        for number in range(2, 202):
            fact = fact_of(pause) | {"id": number << 28, "kind": "skip"}
            site.broker.publish(f"facts/{number << 28}", json.dumps(fact).encode(), retained=True)
        await site.settle()
        assert len(site["east"].store.overrides(0)) == 50
        longer = site["quay"].ask({"kind": "pause", "minutes": 30})
        await site.settle()
        assert site["east"].store.override(longer.id) == longer
        assert [one.code for one in site["east"].sharing.troubles()] == [TroubleCode.SHARING_FLOOD]
        assert len(site.broker.retained) == 202
        site["quay"].situation.end(pause.id, site.at[0] + S)
        await site.settle()
        assert site["east"].store.override(pause.id) == site["quay"].store.override(pause.id)
    assert site["east"].sender.sent < 200


@together
async def test_one_board_cannot_fill_the_evening_of_the_others(site: Site) -> None:
    """Called shows last beside each other: with a thousand of them, a decision takes a second."""
    call = site["quay"].ask({"kind": "call", "show": "short"})
    await site.settle()
    for number in range(2, 302):
        fact = fact_of(call) | {"id": number << 28, "author": "quay"}
        site.broker.publish(f"facts/{number << 28}", json.dumps(fact).encode(), retained=True)
    await site.settle()
    assert len(site["east"].known) == sharing.STANDING_MAX
    assert [one.code for one in site["east"].sharing.troubles()] == [TroubleCode.SHARING_FLOOD]
    pause = site["quay"].ask({"kind": "pause"})
    await site.settle()
    assert site["east"].store.override(pause.id) == pause, "also of the board that floods the others"


@together
async def test_a_rig_check_is_rendered_by_each_board_and_is_one_override(site: Site) -> None:
    quay, east = site["quay"], site["east"]
    asked = await quay.rig_checks.check({"pattern": "pixel", "number": 3, "string": "ridge"}, "Ada")
    check = quay.situation.add(asked)
    await site.settle()
    (shown,) = east.known
    assert shown.check and check.check and Path(shown.check.path).exists()
    assert Path(shown.check.path).parent != Path(check.check.path).parent
    assert (shown.check.frames, shown.check.fps) == (check.check.frames, check.check.fps)
    assert not east.rig_checks.changed_checks() and not await east.rig_checks.render_shared()

    asked = await quay.rig_checks.check({"pattern": "pixel", "number": 4, "string": "ridge"}, "Ada")
    (moved,) = quay.situation.replaced_by(asked)
    assert asked.moves(moved)
    quay.situation.change(Override(**{**_values(asked), "id": moved.id, "at_ns": moved.at_ns}))
    folder = east.rig_checks.folder
    folder.rename(folder.with_name("gone"))  # nothing is rendered again for the next pixel
    await site.settle()
    (shown,) = east.known
    assert shown.check and shown.check.still == 3 and shown.version == 2
    assert not folder.exists()
    await east.rig_checks.render_shared()
    assert Path(shown.check.path).exists(), "a file that is lost comes again"
    assert len(site["west"].journal) == 1


def _values(override: Override) -> dict[str, Any]:
    return {name: getattr(override, name) for name in Override.__slots__}


@together
async def test_a_rig_check_that_a_rig_cannot_show_is_not_shown_there_and_is_said_once(site: Site) -> None:
    quay = site["quay"]
    check = quay.situation.add(await quay.rig_checks.check({"pattern": "walk", "string": "ridge"}, "Ada"))
    fact = json.loads(payload_of(check).decode().replace("ridge", "gable"))
    site.broker.publish(f"facts/{check.id}", json.dumps(fact | {"version": 2}).encode(), retained=True)
    await site.settle()
    for _ in range(3):
        await site["east"].rig_checks.render_shared()
    assert not site["east"].known and site["east"].store.override(check.id)
    lines = [text for text in site["east"].journal if "is not shown on this board" in text]
    assert len(lines) == 1 and "gable" in lines[0]


@together
async def test_a_confirmation_that_makes_no_sense_is_no_confirmation(site: Site) -> None:
    pause = site["quay"].ask({"kind": "pause"})
    await site.settle()
    found = site["quay"].sharing
    await found.confirmations.confirmed(pause.id, _sent())
    for message in (
        {"id": pause.id, "version": "1", "on_the_wire": True, "wire": "light", "from": "east"},
        {"id": None, "from": "east"},
        {"id": pause.id, "version": 9, "on_the_wire": True, "wire": "light", "from": "a stranger"},
        {"id": pause.id + 1, "version": 9, "on_the_wire": True, "wire": "light", "from": "east"},
    ):
        site.broker.publish("to/quay/ack", json.dumps(message).encode(), retained=False)
    await site.settle()
    assert len(site["quay"].memory.failed) == 2
    assert "light" not in str(found.confirmations.asked("east")) and not found.confirmations.asked("a stranger")
