"""Which of several boards acts: the same for all who are in contact, and never nobody."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.daemon.planner.acting_board import START_NS, ActingBoard, in_turn
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.site.schema_boards import Board

QUAY, EAST = {"name": "quay", "controllers": ("left",)}, {"name": "east", "controllers": ("right",)}
SPARE, SPARE_EAST = {"name": "spare", "spare_for": "quay"}, {"name": "night", "spare_for": "east"}


def tables(*boards: dict[str, Any]) -> tuple[Board, ...]:
    return tuple(Board(place=f"site.toml:{line}", **one) for line, one in enumerate(boards, 1))


def seen(name: str, contact: bool, **status: object) -> BoardSeen:
    return BoardSeen(name, contact, 1, status)


class Clock:
    def __init__(self) -> None:
        self.passed_ns = 0

    def anchor(self) -> Any:
        return SimpleNamespace(monotonic_ns=self.passed_ns)


def acting(boards: tuple[Board, ...], me: str, boards_seen: Sequence[BoardSeen], starts: bool = False) -> ActingBoard:
    """What a board finds from whom it sees."""
    clock = Clock()
    found = ActingBoard(
        SimpleNamespace(site=SimpleNamespace(boards=boards, board_name=me), clock=clock),  # type: ignore[arg-type]  # a plain value stands for a situation
        lambda: boards_seen,
    )
    clock.passed_ns = START_NS - 1 if starts else START_NS
    return found


@pytest.mark.parametrize(
    ("boards", "named", "expected"),
    [
        ((QUAY, EAST, SPARE), None, "quay spare east"),
        ((SPARE, EAST, QUAY), None, "east spare quay"),
        ((QUAY, EAST, SPARE, SPARE_EAST), "east", "east night quay spare"),
        ((QUAY, EAST, SPARE), "spare", "spare quay east"),
        ((), None, ""),
    ],
)
def test_the_named_board_is_first_then_its_spare_then_the_others(
    boards: tuple[dict[str, Any], ...], named: str | None, expected: str
) -> None:
    assert in_turn(tables(*boards), named) == tuple(expected.split())


@given(st.data())
def test_in_each_part_of_a_partition_all_name_one_board_of_it(data: st.DataObject) -> None:
    boards = tables(*data.draw(st.permutations([QUAY, EAST, SPARE, SPARE_EAST])))
    names = [one.name for one in boards]
    named = data.draw(st.sampled_from([None, *names]))
    part = {name: data.draw(st.integers(0, 3)) for name in names}
    for me in names:
        known = [seen(name, part[name] == part[me]) for name in data.draw(st.permutations(names))]
        found, together = acting(boards, me, known), [name for name in names if part[name] == part[me]]
        assert found.name(named) in together
        assert found.in_contact(named) == tuple(name for name in in_turn(boards, named) if name in together)
        assert found.acts(named) == (found.name(named) == me)


def test_a_board_that_starts_takes_the_others_as_in_contact_for_some_seconds() -> None:
    boards, known = tables(QUAY, EAST, SPARE), [seen("quay", False), seen("spare", False)]
    assert acting(boards, "east", known, starts=True).turn() == 2
    assert acting(boards, "east", known).acts()


def test_a_board_that_cannot_act_comes_last() -> None:
    both = tables(QUAY, EAST, SPARE)
    known = [seen("quay", True, can_act=False), seen("east", True, can_act=True), seen("spare", False, can_act=True)]
    assert [acting(both, me, known).turn() for me in ("quay", "east")] == [1, 0]
    assert acting(both, "quay", [seen("quay", True, can_act=False)]).acts(), "nobody else is there"


def test_a_board_that_the_site_does_not_have_never_acts_and_one_without_boards_always_does() -> None:
    assert acting(tables(QUAY, EAST), "strange", [seen("quay", False), seen("east", False)]).turn() is None
    alone = acting((), "", [])
    assert (alone.turn(), alone.turn("quay"), alone.name()) == (0, 0, None)
