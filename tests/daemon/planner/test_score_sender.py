"""What the transmitter gets for zones: the score's areas, and windows with the slots of their zone."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.planner.messages import windows_of
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.score.score import Score
from gloaming.daemon.site.load import load_site
from tests.api.house import StillClock
from tests.daemon.quay_site import SECOND_NS, TABLES, ns, performance, site_of, write

S = SECOND_NS
RIG = """[[controller]]
name = "left"
universes = "1-4"

[[string]]
name = "ridge"
controller = "left"
universe = 2
pixels = 50
group = "roof"

[[string]]
name = "path"
controller = "left"
universe = 1
pixels = 1
"""
EVENING = performance('from = "17:00"\nto = "22:00"')
ROOF = [[2, 1, 150]]
HOURS = """[neighbours]
dark = [{ zone = "roof", from = "18:20", to = "07:00" }, { from = "23:00", to = "07:00" }]
dim = [{ zone = "path", from = "18:20", to = "23:00", brightness = 0.5 }]
quiet = [{ from = "21:00", to = "07:00" }]
"""


class Sent(list[dict[str, Any]]):
    """The messages to the transmitter."""

    @property
    def scores(self) -> list[Score]:
        return [Score.from_json(one) for one in self if one["op"] == "score"]


@contextmanager
def planner_at(folder: Path, at: str, *tables: str) -> Iterator[tuple[Planner, Sent]]:
    """A planner whose messages to the transmitter are looked at."""
    write(folder, *tables, TABLES, EVENING, rig=RIG)
    site = load_site(folder, datetime.fromisoformat("2026-11-25T12:00:00+00:00"), strict=False)
    (folder / "state").mkdir(exist_ok=True)
    planner, sent = Planner(site, folder / "state", StillClock(at)), Sent()
    planner._parts.client.send = sent.append  # type: ignore[method-assign]  # what is sent is looked at
    try:
        yield planner, sent
    finally:
        planner._parts.close()


def test_a_zone_s_dark_hours_are_an_area_of_the_score_and_windows_with_its_slots(tmp_path: Path) -> None:
    with planner_at(tmp_path, "2026-12-14T18:10", HOURS) as (planner, sent):
        planner._parts.sender.decide()
        (score,) = sent.scores
        by_spans = {area.spans: area for area in score.areas}
        assert set(by_spans) == {((1, 1, 3),), ((2, 1, 150),)}
        at_ns = ns("2026-12-14T18:24:30")

        def level(segments: Any) -> float:
            (found,) = [one for one in segments if one.from_ns <= at_ns < one.until_ns]
            return float(found.level_at(at_ns))

        roof, path = by_spans[(2, 1, 150),].segments, by_spans[(1, 1, 3),].segments
        assert (level(score.segments), level(roof), level(path)) == (1, 0, 0.5)
        planner._parts.sender.decide()
        assert len(sent.scores) == 1, "nothing has changed"
        (windows,) = [one for one in sent if one["op"] == "windows"]
    limits = {(light, sound, str(spans)) for _, _, light, sound, _, spans in windows["windows"]}
    assert limits == {(0, 1, "((2, 1, 150),)"), (0.5, 1, "((1, 1, 3),)"), (0, 0, "None"), (1, 0, "None")}


def test_an_override_of_a_zone_is_an_area_until_it_ends(tmp_path: Path) -> None:
    async def work() -> None:
        with planner_at(tmp_path, "2026-12-14T18:10") as (planner, sent):
            planner._parts.sender.decide()
            assert sent.scores[-1].areas == ()
            made = await planner.ask({"kind": "dim", "level": 0.4, "zone": "roof"}, "Ada")
            assert (made["on_the_wire"], made["wire"]) == (False, "the transmitter has not confirmed it")
            (area,) = sent.scores[-1].areas
            assert (area.spans, area.segments[-1].level_until) == (((2, 1, 150),), pytest.approx(0.4))
            assert sent.scores[-1].segments[-1].level_until == 1
            count = len(sent.scores)
            planner._parts.sender.decide()
            assert len(sent.scores) == count, "nothing has changed"
            planner._parts.situation.now_ns = lambda: ns("2026-12-14T18:10:30")  # type: ignore[method-assign]  # its clock
            await planner.undo(int(str(made["id"])), "Ada")
            (area,) = sent.scores[-1].areas  # it fades back
            assert area.segments[-1].level_until == 1

    asyncio.run(work())


def test_a_score_without_zones_has_no_areas_and_windows_of_all_slots(tmp_path: Path) -> None:
    hours = '[neighbours]\ndark = [{ from = "23:00", to = "07:00" }]\n'
    site = site_of(tmp_path / "site", hours, TABLES, EVENING)
    found = windows_of(site, ns("2026-12-01T12:00"), ns("2026-12-02T08:00"))
    assert [one.spans for one in found.windows] == [None]
    with planner_at(tmp_path / "other", "2026-12-14T18:10", hours) as (planner, sent):
        planner._parts.sender.decide()
        assert sent.scores[-1].areas == ()


def test_the_journal_has_a_line_when_an_area_begins_and_ends_to_show_something_else(tmp_path: Path) -> None:
    async def work() -> None:
        with planner_at(tmp_path, "2026-12-14T18:24:30", HOURS) as (planner, _):
            planner._parts.sender.decide()

            def lines() -> list[tuple[str, str]]:
                return [(row["kind"], row["text"]) for row in reversed(planner.journal(20))]

            site = "site.toml"
            first = lines()
            assert [kind for kind, _ in first] == ["playing", "zone", "zone"]
            dim = f"path at 50%: path: dim hours 18:20 to 23:00: brightness 0.5 at most ({site}:8 neighbours.dim)"
            assert first[1][1] == dim
            assert first[2][1] == f"roof dark: roof: dark hours 18:20 to 07:00: no light ({site}:7 neighbours.dark)"
            state = planner.journal(20)[-1]
            assert [(one["zones"], one["state"], one["level"]) for one in state["data"]["areas"]] == [
                (["path"], "playing", 0.5),
                (["roof"], "dark", 0.0),
            ]
            planner._parts.sender.decide()
            assert lines() == first, "nothing has changed"
            made = await planner.ask({"kind": "dark", "minutes": 5, "zone": "path"}, "Ada")
            assert [kind for kind, _ in lines()[3:]] == ["override", "zone"]
            assert lines()[3][1].startswith("path dark until 18:2")
            assert lines()[4][1].startswith("path dark: path: dark by Ada at 18:24")
            planner._parts.situation.now_ns = lambda: ns("2026-12-14T18:24:35")  # type: ignore[method-assign]  # its clock
            planner._parts.sender.decide()
            assert len(lines()) == 5, "it has faded"
            await planner.undo(int(str(made["id"])), "Ada")
            assert lines()[5:] == [("override", "path dark ended"), first[1]]
            for at in ("18:25:01", "18:25:10"):  # between two pieces all is black, and nothing begins or ends
                planner._parts.situation.now_ns = lambda at=at: ns(f"2026-12-14T{at}")  # type: ignore[method-assign,misc]  # its clock
                planner._parts.sender.decide()
            assert [(kind, text.partition(":")[0]) for kind, text in lines()[7:]] == [
                ("waiting", "waiting"),
                ("playing", "playing, lanterns"),
            ]
            between, playing = planner.journal(2)[::-1]
            assert "areas" not in between["data"]
            assert [one["piece"] for one in playing["data"]["areas"]] == ["lanterns", None]

    asyncio.run(work())


def test_an_override_that_divides_an_area_is_no_change_of_what_it_shows(tmp_path: Path) -> None:
    async def work() -> None:
        with planner_at(tmp_path, "2026-12-14T18:10") as (planner, _):
            planner._parts.sender.decide()

            def lines() -> list[str]:
                return [row["text"].partition(":")[0] for row in reversed(planner.journal(20)) if row["kind"] == "zone"]

            await planner.ask({"kind": "out-of-service", "zone": "left"}, "Ada")
            assert lines() == ["left dark"]
            made = await planner.ask({"kind": "call", "show": "evening", "zone": "path"}, "Ada")
            assert lines() == ["left dark"], "the path is a part of what is out of service"
            await planner.undo(int(str(made["id"])), "Ada")
            dark = await planner.ask({"kind": "dark"}, "Ada")
            await planner.undo(int(str(dark["id"])), "Ada")
            assert lines() == ["left dark"]

    asyncio.run(work())


def test_a_board_that_does_not_know_the_time_leaves_the_light_to_its_spare(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It sends black, with the lowest priority (E1.31 6.2.3)."""
    boards = '\n[[board]]\nname = "quay"\ncontrollers = ["left"]\n[[board]]\nname = "loft"\nspare_for = "quay"\n'
    monkeypatch.setenv("GLOAMING_BOARD", "quay")
    with planner_at(tmp_path, "2026-12-14T18:10", boards) as (planner, sent):
        trust = planner._parts.situation.trust
        known = trust.verdict
        for verdict in (replace(known, trusted=False), known):
            trust.verdict = verdict
            planner._parts._clock_was_set()
    setups = [one["priority"] for one in sent if one["op"] == "setup"]
    assert setups == [0, 100]
    assert [one["op"] for one in sent if one["op"] != "windows"] == ["setup", "score"] * 2  # the light comes last


def test_what_is_asked_for_a_zone_of_another_board_is_answered_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """This board has nothing to send there, so there is nothing to wait for."""
    boards = '\n[[board]]\nname = "quay"\ncontrollers = ["left"]\n[[board]]\nname = "east"\ncontrollers = ["far"]\n'
    monkeypatch.setenv("GLOAMING_BOARD", "quay")
    monkeypatch.setattr(sys.modules[__name__], "RIG", f'{RIG}\n[[controller]]\nname = "far"\nuniverses = "9"\n')

    async def work() -> None:
        with planner_at(tmp_path, "2026-12-14T18:10", boards) as (planner, _):
            far = await planner.ask({"kind": "dark", "zone": "far", "minutes": 5}, "Ada")
            assert (far["on_the_wire"], far["wire"]) == (True, "this board sends nothing to far")
            roof = await planner.ask({"kind": "dark", "zone": "roof", "minutes": 5}, "Ada")
            assert (roof["on_the_wire"], roof["wire"]) == (False, "the transmitter has not confirmed it")

    asyncio.run(work())
