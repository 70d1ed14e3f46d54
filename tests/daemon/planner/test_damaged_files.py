"""A piece with damaged frames is left out from those frames on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import ANY

import pytest

from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.direction.score import State
from gloaming.daemon.planner.damaged_files import DamagedFiles
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.daemon.site.load import load_site
from tests.api.house import House, house, run

FPS = 40
S = 1_000_000_000
AT = "2026-12-12T18:00:01"
"""In the middle of a piece."""


def told(home: House, ahead: int) -> dict[str, Any]:
    """A transmitter's report of damaged frames, some frames ahead; and the piece that plays."""
    decision = home.planner.decision(home.planner.now_ns())
    assert decision.piece and decision.frame is not None
    path = str(home.planner.site.pieces[decision.piece].frames)
    trouble = {"op": "trouble", "kind": "frames", "subject": path, "text": "it is damaged", "over": False}
    message = {**trouble, "piece": decision.piece, "frame": decision.frame + ahead}
    home.planner._parts._heard(message)
    return message


def skips(home: House) -> list[int]:
    return [one.at_ns for one in home.planner._parts.situation.overrides if one.kind == Kind.SKIP and not one.undone]


def test_the_next_piece_begins_at_the_damaged_frame(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as home:
            message = told(home, 3 * FPS)
            (at_ns,) = skips(home)
            before, after = home.planner.decision(at_ns - 1), home.planner.decision(at_ns)
            assert (before.piece, before.frame) == (message["piece"], message["frame"] - 1)
            assert after.piece != message["piece"] and after.frame == 0
            home.planner._parts._heard(message)
            assert skips(home) == [at_ns], "said twice, left once"
            lines = [str(line["text"]) for line in home.planner.journal(10)]
            assert len([line for line in lines if f"{message['piece']} is left out from" in line]) == 1

    run(work())


def test_frames_that_are_due_already_are_left_at_once(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as home:
            told(home, -3)
            (at_ns,) = skips(home)
            assert at_ns <= home.planner.now_ns()

    run(work())


def test_a_file_that_is_copied_again_is_no_trouble_any_more(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as home:
            planner = home.planner
            message = told(home, 3 * FPS)
            planner._parts._adopt(planner.site)
            assert ("frames", message["subject"]) in planner._parts.troubles
            path = Path(message["subject"])
            fresh = path.with_name("fresh")
            fresh.write_bytes(path.read_bytes())
            fresh.rename(path)
            planner._parts._adopt(planner.site)
            assert not planner._parts.troubles.standing()

    run(work())


def test_after_a_skip_or_a_pause_before_the_damage_the_next_piece_plays_whole(tmp_path: Path) -> None:
    async def work() -> None:
        for request in ({"kind": "skip"}, {"kind": "pause", "minutes": 5}):
            async with house(tmp_path / str(request["kind"]), AT) as home:
                told(home, 5 * FPS)
                (planned,) = skips(home)
                await home.planner.ask(dict(request), "Ada")
                assert planned not in skips(home)

    run(work())


def damaged(home: House, piece: str) -> None:
    """A transmitter finds the first frame of a piece damaged, as it does whenever it comes to read it."""
    path = str(home.planner.site.pieces[piece].frames)
    trouble = {"op": "trouble", "kind": "frames", "subject": path, "text": "it is damaged", "over": False}
    home.planner._parts._heard({**trouble, "piece": piece, "frame": 0})


def test_a_damaged_piece_is_not_begun_again_until_its_file_is_another(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as home:
            planner = home.planner
            now_ns = planner.now_ns()
            seen = {at_ns: planner.decision(at_ns) for at_ns in range(now_ns - 3600 * S, now_ns, 61 * S)}
            piece = str(told(home, 3 * FPS)["piece"])
            later = {planner.decision(now_ns + shift).piece for shift in range(5 * S, 3600 * S, 7 * S)}
            assert piece not in later
            assert later
            assert {at_ns: planner.decision(at_ns) for at_ns in seen} == {
                at_ns: replace(one, next_ns=ANY, next_state=ANY) for at_ns, one in seen.items()
            }, "what was seen stays so"
            reasons = planner.decision(planner.now_ns() + 10 * S).reasons
            assert any(one.text == f"{piece} is left out: its files are missing or damaged" for one in reasons)
            path = planner.site.pieces[piece].frames
            fresh = path.with_name("fresh")
            fresh.write_bytes(path.read_bytes())
            fresh.rename(path)
            planner._parts._adopt(planner.site)
            mended_ns = planner.now_ns()
            assert piece in {planner.decision(mended_ns + shift).piece for shift in range(0, 3600 * S, 7 * S)}

    run(work())


def test_with_all_pieces_damaged_the_show_is_dark_and_one_line_reports_it(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as home:
            planner = home.planner
            for _ in range(200):
                decision = planner.decision(planner.now_ns())
                for piece in [decision.piece] if decision.piece else planner.site.pieces:
                    damaged(home, piece)
            decision = planner.decision(planner.now_ns())
            assert (decision.state, decision.piece) == (State.FAULT, None)
            assert len(skips(home)) <= len(planner.site.pieces)
            assert decision.next_ns and decision.next_ns - planner.now_ns() > 600 * S, "to the closing"
            planner._parts.monitor.look()
            said = [str(line["text"]) for line in planner.journal(1000)]
            assert len(said) <= 6 + 4 * len(planner.site.pieces)
            assert len([line for line in said if "none of its pieces can be played" in line]) == 1
            troubles = planner._parts.monitor.troubles(planner.now_ns())
            assert [one["kind"] for one in troubles if "none of its pieces can be played" in one["text"]] == ["frames"]

    run(work())


def test_damage_is_known_over_a_restart(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path, AT) as home:
            piece = str(told(home, -3)["piece"])
            again = DamagedFiles(home.planner._parts.store).on(home.planner.site, home.planner.now_ns())
            assert again.pieces[piece].damaged == home.planner.site.pieces[piece].damaged
            ((since_ns, until_ns),) = again.pieces[piece].damaged
            assert until_ns is None
            assert since_ns <= home.planner.now_ns()

    run(work())


def test_of_several_boards_one_with_a_bad_card_goes_on_in_step_with_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is black at the damaged frames and says so. What is decided for it stays what is decided for the others."""
    monkeypatch.setenv("GLOAMING_BOARD", "quay")

    async def work() -> None:
        async with house(tmp_path, AT) as home:
            planner = home.planner
            path = planner.site.folder / "site.toml"
            boards = (
                '\n[[board]]\nname = "quay"\ncontrollers = ["left"]\n[[board]]\nname = "spare"\nspare_for = "quay"\n'
            )
            path.write_text(path.read_text() + boards)
            assert await planner.reload("a test") is None
            instants = range(planner.now_ns(), planner.now_ns() + 3600 * S, 7 * S)
            others = [planner.decision(at_ns) for at_ns in instants]
            piece = str(told(home, 3 * FPS)["piece"])
            damaged(home, piece)
            assert await planner.reload("a test") is None
            assert [planner.decision(at_ns) for at_ns in instants] == others
            assert not skips(home)
            (listed,) = [one for one in (await planner.piece_files.listed())["pieces"] if one["name"] == piece]
            assert listed["findings"][0]["text"] == "some of its frames are damaged, so this board is black there"
            assert [one["kind"] for one in planner._parts.monitor.troubles(planner.now_ns())][:1] == ["frames"]

            planner.site.pieces[piece].frames.write_bytes(b"nothing that can be read")
            assert await planner.reload("a test") is None
            assert [planner.decision(at_ns) for at_ns in instants] == others, "a file that cannot be read at all"
            codes = [one["code"] for one in planner._parts.monitor.troubles(planner.now_ns())]
            assert TroubleCode.FRAMES_REFUSED in codes
            again = Planner(load_site(path.parent, strict=False), planner.state, planner._parts.situation.clock)
            assert [again.decision(at_ns) for at_ns in instants] == others, "also after a restart"
            again._parts.close()

    run(work())
