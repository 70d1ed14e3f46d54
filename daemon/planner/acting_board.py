"""Of several boards, which one acts on what all of them hear, and sends what one alone should send.

All boards hear the messages of triggers and holds. One acts: the board that the table names, else the first one with
controllers. While that has no contact, its spare acts, else the next board of site.toml that has contact. Each board
finds this by itself, from who is in contact. A board without any contact acts itself. One that says of itself that it
cannot act (it hears no broker, or does not trust its clock) comes after all others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.site.schema_boards import Board
from gloaming.daemon.site.schema_outside import Hold
from gloaming.shows.time_units import SECOND_NS

START_NS = 10 * SECOND_NS
"""For this long after its start, a board takes all others as in contact: boards that start together find each other."""
CAN_ACT = "can_act"
"""The key of a board's status."""
HAND_OVER_NS = 15 * SECOND_NS
"""What one board alone does, the others remember for this long: the one that does it may have been lost just then."""


def in_turn(boards: Iterable[Board], named: str | None = None) -> tuple[str, ...]:
    """The names of the boards in the order in which they act, for a table that names one of them or none."""
    boards = tuple(boards)
    first = named or next((one.name for one in boards if one.controllers), None)
    return tuple(one.name for one in sorted(boards, key=lambda one: (one.name != first, one.spare_for != first)))


class ActingBoard:
    """`seen` returns the boards as they are known now."""

    def __init__(self, situation: Situation, seen: Callable[[], Sequence[BoardSeen]]) -> None:
        self._situation, self._seen = situation, seen
        self._started_ns = self._monotonic_ns()

    def in_contact(self, named: str | None = None) -> tuple[str, ...]:
        """The names of this board and of those in contact, in the order in which they act."""
        site, seen = self._situation.site, self._seen()
        here = {one.name for one in seen if one.contact} | {site.board_name}
        unable = {one.name for one in seen if one.status.get(CAN_ACT) is False}
        starts = self._monotonic_ns() - self._started_ns < START_NS
        names = [name for name in in_turn(site.boards, named) if starts or name in here]
        return tuple(sorted(names, key=lambda name: name in unable))

    def turn(self, named: str | None = None) -> int | None:
        """The place of this board among those in contact: 0 if it acts. None for a board that the site does not have.

        A site without boards has one that always acts.
        """
        site = self._situation.site
        if not site.boards:
            return 0
        names = self.in_contact(named)
        return names.index(site.board_name) if site.board_name in names else None

    def acts(self, named: str | None = None) -> bool:
        """Whether this board acts now."""
        return self.turn(named) == 0

    def acts_on(self, hold: Hold | None) -> bool:
        """Whether this board begins and ends the override of a hold. None: of one that the site no longer has.

        Readings by HTTP reach one board alone, so no other board can act on them.
        """
        if hold is not None and hold.http and hold.board is not None:
            return hold.board == self._situation.site.board_name
        return self.acts(hold.board if hold else None)

    def name(self, named: str | None = None) -> str | None:
        """The board that acts now. None where the site has no boards."""
        return next(iter(self.in_contact(named)), None)

    def _monotonic_ns(self) -> int:
        return self._situation.clock.anchor().monotonic_ns
