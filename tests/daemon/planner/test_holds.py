"""Holds: readings become overrides, a person ends one, and a restart goes on as if nothing had happened."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.holds import Holds
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import Site, load_site
from gloaming.daemon.site.schema_outside import Hold

S = 1_000_000_000
BEGIN = 1_798_135_200 * S  # 2026-12-24 18:00 in London
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
[clock]
trust = "plausible"
"""
RIG = """[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1"
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 50
"""
WIND = {"name": "wind", "http": True, "above": 14, "for": "30 s", "clear_for": "10 min", "if_silent": "ignore"}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    (folder / "site.toml").write_text(SITE)
    (folder / "rig.toml").write_text(RIG)
    return load_site(folder)


class Board:
    """A planner's holds, with a wall clock and a monotonic clock that stand still."""

    def __init__(self, folder: Path, site: Site, *tables: dict[str, object]) -> None:
        self.folder, self.site = folder, site
        self.monotonic_ns, self.apart_ns, self.decided = 0, BEGIN, 0
        self.clock = Clock(0, lambda: self.monotonic_ns + self.apart_ns, lambda: self.monotonic_ns)
        self.tables(*tables)
        self.store = Store(folder, self.now_ns)
        self.start()

    @property
    def now_ns(self) -> int:
        return self.monotonic_ns + self.apart_ns

    def tables(self, *tables: dict[str, object]) -> None:
        self.site = replace(self.site, holds=tuple(Hold.model_validate(table) for table in tables))

    def start(self) -> None:
        """A planner starts, with what is stored."""
        self.situation = Situation(self.site, self.store, self.clock, lambda: None)
        self.holds = Holds(self.situation, self._decide)
        self.holds.look()

    def _decide(self) -> None:
        self.decided += 1

    def edit(self, *tables: dict[str, object]) -> None:
        self.tables(*tables)
        self.situation.adopt(self.site)
        self.holds.look()

    def later(self, seconds: float) -> Board:
        self.monotonic_ns += int(seconds * S)
        self.holds.look()
        return self

    def heard(self, payload: str, name: str = "wind", retained: bool = False) -> str | None:
        return self.holds.heard(name, payload.encode(), self.now_ns, retained)

    @property
    def standing(self) -> tuple[Override, ...]:
        return tuple(one for one in self.situation.standing(self.now_ns) if one.hold)

    def lines(self) -> list[str]:
        return [line["text"] for line in self.store.journal(50, kinds=("hold",))][::-1]


@pytest.fixture
def board(tmp_path: Path, site: Site) -> Iterator[Board]:
    board = Board(tmp_path, site, WIND)
    yield board
    board.store.close()


def test_a_hold_is_an_override_from_its_instant_until_it_is_over(board: Board) -> None:
    board.heard("15.2")
    assert board.later(29.9).standing == ()
    (found,) = board.later(0.1).standing
    assert (found.kind, found.hold, found.at_ns) == (Kind.HOLD_DARK, "wind", BEGIN + 30 * S)
    assert found.why == "15.2 is above 14 since 18:00"
    board.heard("16")
    board.later(60).heard("9")
    assert board.later(599).standing == (found,)
    assert board.later(1).standing == ()
    assert board.lines() == ["the hold wind begins: 15.2 is above 14 since 18:00", "the hold wind is over"]
    assert board.decided == 2
