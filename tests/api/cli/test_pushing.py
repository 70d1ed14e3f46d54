"""All boards take a site over or none does: what the command does with boards that are late, away, or wrong."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from gloaming.api.cli import pushing
from gloaming.api.cli.other_boards import AwayError
from gloaming.api.cli.pushing import Content, PushTarget, PushToBoards
from gloaming.daemon.site.editing import digest, read_files
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.staging import PushedFile
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.time_units import SECOND_NS
from tests.api.house import write_site

Answers = Mapping[str, Callable[[], tuple[int, Any]]]


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> Content:
    folder = write_site(tmp_path_factory.mktemp("pushed") / "site")
    path = folder / "tide.frames"
    pushed = PushedFile("tide.frames", path.stat().st_size, "a" * 64)
    return Content(load_site(folder), read_files(folder), (pushed,), {"a" * 64: (path, file_stamp(path))})


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """No board is late because this machine pauses. Each takes the site over as soon as it has agreed."""
    for name, seconds in (("LEAD_S", 60), ("TAKEN_S", 60), ("POLL_S", 0.02), ("QUICK_POLL_S", 0.02)):
        monkeypatch.setattr(pushing, name, seconds)


@dataclass
class ScriptedBoard:
    """A board that does all that it is asked, except for what `answers` says instead. `ahead_s`: of its clock."""

    name: str
    answers: Answers = field(default_factory=dict)
    ahead_s: float = 0.0
    trusted: bool = True
    asked: list[str] = field(default_factory=list)
    state: str = "comparing"
    at_ns: int | None = None

    def ask(self, method: str, path: str, body: Any = None, **_: Any) -> tuple[int, Any]:
        what = f"{method} {path.removeprefix('/api/setup/push')}"
        self.asked.append(what)
        key = what if self.at_ns is None or what in self.answers else f"{what} agreed"
        if key in self.answers:
            return self.answers[key]()
        if method == "DELETE":
            self.state, self.at_ns = "dropped", None
        elif what == "POST /1/check":
            self.state = "checking"
        elif what == "POST /1/take-over":
            self.state, self.at_ns = "agreed", body["at_ns"]
        return 200, self.said()

    def said(self) -> dict[str, Any]:
        now_ns = time.time_ns() + int(self.ahead_s * SECOND_NS)
        taken_ns = now_ns if self.at_ns else None
        found = {
            "state": "taken" if taken_ns else self.state,
            "now_ns": now_ns,
            "taken_ns": taken_ns,
            "trusted": self.trusted,
            "errors": ["site.toml:1: one", "site.toml:2: two"],
            **{"of": 0, "done": 0, "wanted": ["a" * 64], "uploads": []},
        }
        self.state = {"comparing": "receiving", "checking": "ready"}.get(self.state, self.state)
        return found

    def begin_upload(self, *_: object) -> str:
        return "/upload"

    def send(self, at: str, file: Path, offset: int, *_: object) -> None:
        self.asked.append(f"send {file.name} from {offset}")


def away() -> tuple[int, Any]:
    raise AwayError("Gloaming does not answer")


def no(status: int, detail: str) -> Callable[[], tuple[int, Any]]:
    return lambda: (status, {"detail": detail})


def pushed(content: Content, *boards: ScriptedBoard) -> list[str]:
    """Push to some boards; what went wrong on each. Says which take the site over."""
    targets = [PushTarget(board, id="1") for board in boards]  # type: ignore[arg-type]  # it has its methods
    push = PushToBoards(content, targets, lambda _: None)
    with push.ended():
        push.contact()
        push.go(lambda *_: None)
    assert all(target.taken for target in targets) or not any(target.taken for target in targets)
    return [target.error for target in targets]


def test_all_boards_agree_to_one_instant_and_take_over(content: Content) -> None:
    boards = ScriptedBoard("east"), ScriptedBoard("west", ahead_s=0.3)
    assert pushed(content, *boards) == ["", ""]
    assert boards[0].at_ns == boards[1].at_ns
    for board in boards:
        assert "send tide.frames from 0" in board.asked and "DELETE /1" not in board.asked


def test_a_board_whose_answer_is_lost_is_asked_again(content: Content) -> None:
    class Lossy(ScriptedBoard):
        def ask(self, method: str, path: str, body: Any = None, **_: Any) -> tuple[int, Any]:
            found = super().ask(method, path, body)
            return away() if self.asked.count("POST /1/take-over") == 1 and path.endswith("/take-over") else found

    assert pushed(content, ScriptedBoard("east"), Lossy("west")) == ["", ""]


@pytest.mark.parametrize(
    ("answers", "error"),
    [
        ({"GET /healthz": away}, "Gloaming does not answer"),
        ({"POST /1/check": no(409, "tide.frames has not arrived yet")}, "tide.frames has not arrived yet"),
        ({"GET /1": lambda: (200, {"state": "refused", "errors": ["one", "two"]})}, "one\ntwo"),
        ({"POST /1/take-over": no(409, "the site was edited on this board")}, "the site was edited on this board"),
        ({"POST /1/take-over": no(507, "No space left on device")}, "No space left on device"),
    ],
)
def test_if_one_cannot_the_others_are_told_to_drop_it(content: Content, answers: Answers, error: str) -> None:
    east, west = ScriptedBoard("east"), ScriptedBoard("west", answers)
    assert pushed(content, east, west) == ["", error]
    assert east.state == "dropped" and east.at_ns is None


def test_a_board_that_is_late_and_cannot_be_told_to_stop_is_said_plainly(
    content: Content, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pushing, "LEAD_S", pushing.MARGIN_S + 0.3)  # if east is late too, it says the same
    lost = ScriptedBoard("west", {"POST /1/take-over": away, "DELETE /1": away})
    told = ScriptedBoard("west", {"POST /1/take-over": away})
    deaf = ScriptedBoard("west", {"POST /1/take-over": away, "DELETE /1": no(409, "it is too late")})
    late = "it did not agree in time"
    alone = r"So it may use the new site from [\d:]{8} on, and the others do not: when it answers, push again"
    for board, expected in (
        (told, late),
        (lost, f"{late}\nit could not be told to stop. {alone}"),
        (deaf, f"{late}\nit could not stop any more. {alone}"),
    ):
        east = ScriptedBoard("east")
        of_east, of_west = pushed(content, east, board)
        assert of_east in ("", late) and east.at_ns is None
        assert re.fullmatch(expected, of_west), of_west


def test_a_board_that_answers_again_has_taken_it_over_or_says_why_not(
    content: Content, monkeypatch: pytest.MonkeyPatch
) -> None:
    version = digest(content.files)
    gone = no(404, "this push is not known here")
    again = ScriptedBoard(
        "west", {"GET /1 agreed": gone, "GET /api/setup/site agreed": lambda: (200, {"version": version})}
    )
    assert pushed(content, ScriptedBoard("east"), again) == ["", ""]
    monkeypatch.setattr(pushing, "TAKEN_S", -59.5)  # half a second from the beginning on
    silent = PushTarget(ScriptedBoard("west", {"GET /1 agreed": away}), id="1")  # type: ignore[arg-type]  # it has its methods
    push = PushToBoards(content, [silent], lambda _: None)
    push.go(lambda *_: None)
    assert silent.error.startswith("it agreed, and has not said since that it uses the site.")


def test_clocks_that_are_apart_or_not_trusted_take_nothing_over(content: Content) -> None:
    (of_east, of_west) = pushed(content, ScriptedBoard("east"), ScriptedBoard("west", ahead_s=40))
    assert (
        of_east == ""
        and of_west.startswith("its clock is ")
        and "s ahead of that of east: set the wrong one" in of_west
    )
    found = pushed(content, ScriptedBoard("east", trusted=False), ScriptedBoard("west"))
    assert found == ["its clock is not trusted, so it cannot take a site over at an instant: set it first", ""]


def test_a_file_that_is_changed_while_it_is_pushed_ends_it(content: Content) -> None:
    path, (*_, changed_ns) = content.places["a" * 64]

    class Rendering(ScriptedBoard):
        def send(self, *_: object) -> None:
            path.touch()

    assert pushed(content, Rendering("east")) == ["tide.frames was changed while it was pushed: push again"]
    os.utime(path, ns=(changed_ns, changed_ns))


def test_ctrl_c_leaves_no_board_that_waits(content: Content) -> None:
    def interrupted() -> tuple[int, Any]:
        raise KeyboardInterrupt

    east, west = ScriptedBoard("east"), ScriptedBoard("west", {"POST /1/take-over": interrupted})
    with pytest.raises(KeyboardInterrupt):
        pushed(content, east, west)
    assert (east.state, west.state) == ("dropped", "dropped")
