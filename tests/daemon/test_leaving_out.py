"""A piece whose frames are hurt is left out from there on, and from nowhere else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from gloaming.daemon.direction.overrides import Kind
from tests.api.house import House, house, run

FPS = 40
S = 1_000_000_000


def told(home: House, ahead: int) -> dict[str, Any]:
    """What a transmitter says of frames that are hurt, so many frames ahead; and the piece that plays."""
    decision = home.director.decision(home.director.clock.now_ns())
    assert decision.piece and decision.frame is not None
    path = str(home.director.site.pieces[decision.piece].frames)
    trouble = {"op": "trouble", "kind": "frames", "subject": path, "text": "it is damaged", "over": False}
    message = {**trouble, "piece": decision.piece, "frame": decision.frame + ahead}
    home.director._heard(message)
    return message


def skips(home: House) -> list[int]:
    return [one.at_ns for one in home.director.requests.overrides if one.kind == Kind.SKIP and not one.undone]


def test_the_next_piece_begins_on_the_frame_that_is_hurt(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            message = told(home, 3 * FPS)
            (at_ns,) = skips(home)
            before, after = home.director.decision(at_ns - 1), home.director.decision(at_ns)
            assert (before.piece, before.frame) == (message["piece"], message["frame"] - 1)
            assert after.piece != message["piece"] and after.frame == 0
            home.director._heard(message)
            assert skips(home) == [at_ns], "said twice, left once"
            lines = [str(line["text"]) for line in home.director.store.journal(10)]
            assert len([line for line in lines if f"{message['piece']} is left out from" in line]) == 1

    run(work())


def test_frames_that_are_due_already_are_left_at_once(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            told(home, -3)
            (at_ns,) = skips(home)
            assert at_ns <= home.director.clock.now_ns()

    run(work())


def test_a_file_that_is_copied_again_is_no_trouble_any_more(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as home:
            director = home.director
            message = told(home, 3 * FPS)
            director.adopt(director.site)
            assert ("frames", message["subject"]) in director.troubles
            path = Path(message["subject"])
            fresh = path.with_name("fresh")
            fresh.write_bytes(path.read_bytes())
            fresh.rename(path)
            director.adopt(director.site)
            assert not director.troubles

    run(work())


def test_who_skips_or_pauses_before_has_the_next_piece_whole(tmp_path: Path) -> None:
    async def work() -> None:
        for request in ({"kind": "skip"}, {"kind": "pause", "minutes": 5}):
            async with house(tmp_path / str(request["kind"])) as home:
                told(home, 5 * FPS)
                (planned,) = skips(home)
                await home.director.requests.ask(dict(request), "Ada")
                assert planned not in skips(home)

    run(work())
