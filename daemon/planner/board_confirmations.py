"""What other boards confirm of an override that was asked for here: whether it is on their wires."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable
from dataclasses import dataclass
from typing import Any

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.confirmation import CONFIRM_S, Sent
from gloaming.daemon.planner.situation import Situation

KIND = "ack"
CONFIRMED_MAX = 200
"""Of so many overrides that were asked for here, the confirmations are kept."""
NOT_CONFIRMED = "it has not confirmed this"
TEXT_MAX = 500


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What a board has said of a version: whether it is on its wire, and what it sends."""

    version: int
    on_the_wire: bool
    text: str


class BoardConfirmations:
    """Owns them. All methods are called on the event loop."""

    def __init__(self, situation: Situation, boards: Boards) -> None:
        self._situation, self._boards = situation, boards
        self._found: dict[int, dict[str, Confirmation]] = {}
        """By override and by board."""
        self._changed = asyncio.Event()
        boards.on(KIND, self._take)

    def expect(self, id: int) -> None:
        """An override was changed here: keep what is said of it."""
        self._found.setdefault(id, {})
        while len(self._found) > CONFIRMED_MAX:
            del self._found[next(iter(self._found))]

    def send(self, override: Override, sent: Sent) -> None:
        """Tell the board that has changed an override what this board sends."""
        about = {"id": override.id, "version": override.version, **sent._asdict()}
        self._boards.send(override.changed_by, KIND, about)

    async def confirmed(self, id: int, own: Awaitable[Sent]) -> tuple[Sent, list[dict[str, object]]]:
        """Wait for this board's transmitter, and meanwhile for the other boards. Returns a row for each board of the
        site, this one first; none where the site has no boards."""
        site = self._situation.site
        stored = self._situation.store.override(id) if site.boards else None
        if stored is None:
            return await own, []
        found = self._found.setdefault(id, {})
        sent, _ = await asyncio.gather(own, self._others(found, stored.version))
        found[site.board_name] = Confirmation(stored.version, sent.on_the_wire, sent.wire)
        now_ns = self._situation.now_ns()
        away = {one.name: "" if one.contact else one.text(now_ns, site.timezone) for one in self._boards.seen()}
        rows = [
            {"name": name, "contact": not no_contact, **_row(found.get(name), stored.version, no_contact)}
            for name, no_contact in ((one.name, away.get(one.name, "never in contact")) for one in site.boards)
            if name != site.board_name
        ]
        this = {"name": site.board_name, "contact": True, "on_the_wire": sent.on_the_wire, "text": sent.wire}
        return sent, [this, *rows]

    def asked(self, board: str) -> list[dict[str, object]]:
        """What a board has confirmed of the overrides in force, or to come, that were asked for here."""
        standing = {one.id: one for one in self._situation.standing(self._situation.now_ns())}
        return [
            {"id": id, **_row(found[board], found[board].version, "")}
            for id, found in self._found.items()
            if id in standing and board in found
        ]

    def _take(self, message: dict[str, Any]) -> None:
        board, id, version, on_the_wire, text = (
            message.get(key) for key in ("from", "id", "version", "on_the_wire", "wire")
        )
        if not (isinstance(id, int) and isinstance(version, int) and isinstance(on_the_wire, bool)):
            raise ValueError("no confirmation of a board")
        if id in self._found and any(one.name == board for one in self._situation.site.boards):
            self._found[id][str(board)] = Confirmation(version, on_the_wire, str(text)[:TEXT_MAX])
            self._changed.set()
            self._changed = asyncio.Event()

    async def _others(self, found: dict[str, Confirmation], version: int) -> None:
        """Wait until the boards in contact have confirmed a version."""
        own = self._situation.site.board_name
        deadline_s = time.monotonic() + CONFIRM_S
        while (left_s := deadline_s - time.monotonic()) > 0:
            changed = self._changed
            waits = [one.name for one in self._boards.seen() if one.contact and one.name != own]
            if not any(name not in found or found[name].version < version for name in waits):
                return
            try:
                await asyncio.wait_for(changed.wait(), left_s)
            except TimeoutError:
                return


def _row(found: Confirmation | None, version: int, no_contact: str) -> dict[str, object]:
    if found and found.version >= version and not no_contact:
        return {"on_the_wire": found.on_the_wire, "text": found.text}
    return {"on_the_wire": False, "text": no_contact or NOT_CONFIRMED}
