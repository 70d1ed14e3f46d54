"""Shares facts between several boards of one test process, in the parts of the network that a test makes."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from gloaming.daemon.direction.merged import join
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.planner.situation import Situation


class Exchange:
    """The boards by their names. Boards of the same part hear each other's facts at once."""

    def __init__(self, boards: Mapping[str, Situation]) -> None:
        self.boards = dict(boards)
        self.part = dict.fromkeys(boards, 0)
        for name, board in boards.items():
            board.store.changed = partial(self._tell, name)

    def seen(self, name: str) -> tuple[BoardSeen, ...]:
        """The boards as one of them knows them."""
        return tuple(BoardSeen(one, self.part[one] == self.part[name], 1, {}) for one in self.boards)

    def divide(self, part: Mapping[str, int]) -> None:
        """From now on the network has other parts. Boards that find each other tell all that they know."""
        self.part = dict(part)
        for name, board in self.boards.items():
            for override in board.store.overrides(0):
                self._tell(name, override)

    def _tell(self, name: str, override: Override) -> None:
        for other in [one for one in self.boards if one != name and self.part[one] == self.part[name]]:
            board = self.boards[other]
            known = board.store.override(override.id)
            new = join(known, override) if known else override
            if new != known:
                board.store.take_over((new,))
                board.read_overrides()
