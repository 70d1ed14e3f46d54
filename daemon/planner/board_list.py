"""The boards of the site, as HTTP returns them. Pure.

What another board publishes may come from another version of the program: a value of another kind is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any, TypeVar
from urllib.parse import urlsplit

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.contact import BoardSeen
from gloaming.daemon.site.schema_boards import Board
from gloaming.daemon.site.site import Site

AWAY_NAMED, AWAY_TEXTS = 12, 3
"""So many boards without contact are named in GET /api/now, which is streamed: in its list, and in its text."""
ALONE = "each board is alone, as the site has no broker: what is asked for here reaches this board only"
CLOCKS = {
    "synchronised": "synchronised",
    "rtc": "set by a clock with a battery",
    "host": "set by the host of a virtual machine",
    "earlier": "trusted since an earlier time",
    "set": "set by a person",
    "given": "given by a person",
    "plausible": "not synchronised, but plausible",
    "moved": "moved with the evening",
    "nobody": "set by nobody",
}
"""A clock in words, by what it is trusted by. Else that is the program that keeps it."""
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class BoardList:
    """The boards of a site, as this one has `seen` them. `sharing` says whether it has contact with the broker."""

    site: Site
    seen: Sequence[BoardSeen]
    sharing: str
    now_ns: int

    def brief(self) -> dict[str, Any] | None:
        """For GET /api/now: how many are in contact, and who is not. None where the site has no boards."""
        if not self.site.boards:
            return None
        away = [one for _, one in self._of_site() if not one.contact]
        number, of = len(self.site.boards) - len(away), len(self.site.boards)
        texts = [f"{one.name}: {self._text(one)}" for one in away[:AWAY_TEXTS]]
        more = [f"{len(away) - AWAY_TEXTS} more"] if len(away) > AWAY_TEXTS else []
        shared = "; ".join([f"{number} of {of} boards in contact", *texts, *more])
        return {
            "this": self.site.board_name,
            "sharing": self.sharing,
            "in_contact": number,
            "of": of,
            "away": [one.name for one in away[:AWAY_NAMED]],
            "text": shared if self.site.sharing.broker else ALONE,
        }

    def as_json(
        self, asked: Callable[[str], list[dict[str, Any]]], offset_ms: Callable[[str], float | None]
    ) -> dict[str, Any]:
        """The answer of GET /api/boards. `asked` returns what a board has confirmed, `offset_ms` how far its clock is
        from this board's."""
        names = {board.name for board in self.site.boards}
        strangers = [(None, one) for one in self.seen if one.name not in names]
        rows = []
        for board, one in (*self._of_site(), *strangers):
            present = _present(self.site, one.status if one.contact else {}, offset_ms(one.name))
            rows.append({**self._known(board, one), **present, "asked": asked(one.name)})
        return {"this": self.site.board_name, "sharing": self.sharing, "boards": rows}

    def _of_site(self) -> list[tuple[Board, BoardSeen]]:
        known = {one.name: one for one in self.seen}
        return [(one, known.get(one.name) or BoardSeen(one.name, False, None, {})) for one in self.site.boards]

    def _text(self, one: BoardSeen) -> str:
        return one.text(self.now_ns, self.site.timezone)

    def _known(self, board: Board | None, one: BoardSeen) -> dict[str, Any]:
        """What is known of a board also without contact. `board` is its table, None where the site has none."""
        since = None if one.since_ns is None else isoformat(one.since_ns, self.site.timezone)
        return {
            "name": one.name,
            "this": one.name == self.site.board_name,
            "in_site": board is not None,
            "contact": one.contact,
            "since": since,
            "text": self._text(one),
            "controllers": list(board.controllers or ()) if board else [],
            "spare_for": board.spare_for if board else None,
            "address": (board.address if board else None) or _web(_of(one.status, "address", str)),
            "program": _of(one.status, "program", str),
        }


def _present(site: Site, status: Mapping[str, Any], offset_ms: float | None) -> dict[str, Any]:
    """What a board in contact says of itself now."""
    digest, clock = _of(status, "site", str), _of(status, "clock", dict) or {}
    by = _of(clock, "by", str)
    trusted = _of(clock, "trusted", bool) is True
    return {
        "carries": _of(status, "carries", bool) is True,
        "same_site": digest == site.digest if digest and site.digest else None,
        "troubles": _of(status, "troubles", int) or 0,
        "clock": {
            "by": by,
            "text": CLOCKS.get(by, f"kept by {by}"),
            "error_ms": _number(clock.get("error_ms")),
            "offset_ms": _number(offset_ms),
            "trusted": trusted,
        }
        if by
        else None,
    }


def _of(status: Mapping[str, Any], key: str, kind: type[T]) -> T | None:
    value = status.get(key)
    return value if type(value) is kind else None


def _number(value: object) -> float | None:
    try:
        return round(value, 2) if isinstance(value, int | float) and isfinite(value) else None
    except OverflowError:  # JSON has integers of any size
        return None


def _web(address: str | None) -> str | None:
    """The address of a page that another board gives, if a link may lead there."""
    try:
        return address if address and urlsplit(address).scheme in ("http", "https") else None
    except ValueError:
        return None
