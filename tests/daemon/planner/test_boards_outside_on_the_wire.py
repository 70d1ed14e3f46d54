"""Messages from outside at three boards with a real broker, while the board that acts is killed and comes back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import partial
from typing import Any

import pytest

from tests.three_boards import Board, ThreeBoards, three_boards
from tests.tools import needs
from tests.waiting import wait_until

TABLES = """
[[show]]
name = "short"
order = ["numbers"]

[[trigger]]
name = "gate"
show = "short"
lasts = "5 min"
mqtt = "{gate}"

[[hold]]
name = "wind"
mqtt = "{wind}"
above = 14
clear_for = "5 s"
if_silent = "ignore"
"""
GATE, WIND = "gate/button", "roof/wind"
pytestmark = needs("ip", "mosquitto", "root")


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ThreeBoards]:
    with three_boards(tmp_path_factory.mktemp("three"), start=False) as three, ExitStack() as stack:
        tables = TABLES.format(gate=three.broker.url(GATE), wind=three.broker.url(WIND))
        three.broker.publish(WIND, "3", retain=True)
        for board in three:
            with (board.folder / "site.toml").open("a", encoding="utf-8") as file:
                file.write(tables)
            stack.enter_context(board.running())
        three.wait_for_contact()
        for board in three:
            soon(lambda board=board: hold(board)["reading"] == 3, f"{board.name} to listen")  # type: ignore[misc]  # mypy infers no type of a lambda with a default
        yield three


def answer(board: Board, path: str) -> dict[str, Any]:
    """The answer of a planner, as soon as it gives one: it asks to wait where a test asks too often."""

    def asked() -> dict[str, Any] | None:
        status, body = board.ask("GET", path)
        return dict(body) if status == 200 else None

    board.now()  # it has started
    return dict(wait_until(asked, f"an answer of {board.name}", every_s=0.2))


def trigger(board: Board) -> dict[str, Any]:
    return dict(answer(board, "/api/triggers")["triggers"][0])


def hold(board: Board) -> dict[str, Any]:
    return dict(answer(board, "/api/holds")["holds"][0])


def soon(true: Callable[[], object], what: str) -> None:
    wait_until(true, what, every_s=0.2)


def standing(board: Board, kind: str) -> list[int]:
    """The ids of the overrides of a kind in force, as a board knows."""
    return [one["id"] for one in board.now()["overrides"] if one["kind"] == kind]


def one_call(boards: list[Board], calls: int) -> bool:
    """Whether these boards have the same call in force, and the trigger has called so often in all."""
    ids = [standing(board, "call") for board in boards]
    return len(ids[0]) == 1 and ids == [ids[0]] * len(ids) and all(trigger(board)["calls"] == calls for board in boards)


def test_a_press_while_the_acting_board_is_killed_is_one_call_on_all_boards(three: ThreeBoards) -> None:
    quay, east, spare = three["quay"], three["east"], three["spare"]
    quay.kill_everything()
    three.broker.publish(GATE, "pressed")
    soon(partial(one_call, [east, spare], 1), "a call on both")
    soon(lambda: trigger(east)["board"] == "spare", "the next board to act")

    three.broker.publish(WIND, "16", retain=True)
    soon(lambda: standing(east, "hold-dark"), "the hold of the spare")
    quay.start()
    soon(lambda: standing(quay, "hold-dark") == standing(east, "hold-dark"), "the hold on the board that is back")
    three.broker.publish(WIND, "3", retain=True)
    for board in three:
        soon(lambda board=board: not standing(board, "hold-dark"), f"its end on {board.name}")  # type: ignore[misc]  # mypy infers no type of a lambda with a default
    assert one_call([quay, east, spare], 1), "nobody has called again"

    (id,) = standing(east, "call")
    soon(lambda: east.ask("DELETE", f"/api/overrides/{id}")[0] == 200, "an end of the call")
    for board in three:
        soon(lambda board=board: trigger(board)["refused_now"] is None, "the end of the rest")  # type: ignore[misc]  # mypy infers no type of a lambda with a default
    three.broker.publish(GATE, "pressed")
    soon(partial(one_call, [quay, east, spare], 2), "another call on all boards")
    assert trigger(east)["board"] == "quay"
