"""Of several boards, which one acts on what all of them hear, and sends what one alone should send.

All boards hear the messages of triggers and holds. One acts: the board that the table names, else the first one with
controllers. While that has no contact, its spare acts, else the next board of site.toml that has contact. Each board
finds this by itself, from who is in contact. A board without any contact acts itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.site.schema_boards import Board
from gloaming.shows.time_units import SECOND_NS

START_NS = 10 * SECOND_NS
"""For this long after its start, a board takes a board that it has not seen yet as in contact."""


class SeenProtocol(Protocol):
    """What is known of another board. `since_ns` is None where it was never in contact."""

    @property
    def name(self) -> str: ...
    @property
    def contact(self) -> bool: ...
    @property
    def since_ns(self) -> int | None: ...


def in_turn(boards: Iterable[Board], named: str | None = None) -> tuple[str, ...]:
    """The names of the boards in the order in which they act, for a table that names one of them or none."""
    boards = tuple(boards)
    first = named or next((one.name for one in boards if one.controllers), None)
    return tuple(one.name for one in sorted(boards, key=lambda one: (one.name != first, one.spare_for != first)))


class ActingBoard:
    """`seen` returns what is known of the other boards now."""

    def __init__(self, situation: Situation, seen: Callable[[], Iterable[SeenProtocol]]) -> None:
        self._situation, self._seen = situation, seen
        self._started_ns = self._monotonic_ns()

    def in_contact(self, named: str | None = None) -> tuple[str, ...]:
        """The boards that act one after the other: this one, and those in contact. The first one acts at once."""
        site = self._situation.site
        starts = self._monotonic_ns() - self._started_ns < START_NS
        known = {one.name: one for one in self._seen()}
        away = {
            name
            for name in (one.name for one in site.boards)
            if name != site.board_name and not _has_contact(known.get(name), starts)
        }
        return tuple(name for name in in_turn(site.boards, named) if name not in away)

    def turn(self, named: str | None = None) -> int | None:
        """The place of this board among those in contact: 0 if it acts. None for a board that the site does not have.
        A site without boards has one that always acts."""
        site, names = self._situation.site, self.in_contact(named)
        if not site.boards:
            return 0
        return names.index(site.board_name) if site.board_name in names else None

    def acts(self, named: str | None = None) -> bool:
        """Whether this board acts now."""
        return self.turn(named) == 0

    def name(self, named: str | None = None) -> str | None:
        """The board that acts now. None where the site has no boards."""
        return next(iter(self.in_contact(named)), None)

    def _monotonic_ns(self) -> int:
        return self._situation.clock.anchor().monotonic_ns


def _has_contact(seen: SeenProtocol | None, starts: bool) -> bool:
    if seen is None or (seen.since_ns is None and not seen.contact):
        return starts
    return seen.contact
