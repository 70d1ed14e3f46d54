"""Who of the boards is in contact, by what they publish about themselves. No network, no clock.

A status of a board has the session of its connection. The broker publishes the same status with `contact` false when
the connection is lost. One of an earlier session comes too late, and does not count.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gloaming.daemon.planner.journal_texts import clock_text
from gloaming.daemon.planner.troubles import Trouble, TroubleCode

AWAY_S = 15.0
"""A board without contact for this time is a trouble. One that starts again is back before."""
DIFFERS_S = 30.0
"""Boards whose sites differ for this time are a trouble: a person who copies a site needs some seconds."""
SILENT = 2.5
"""A board has no contact when this many of its statuses in a row have not come. The broker cannot report one that was
lost while the broker itself was off."""
STRANGERS_MAX, CIDS_MAX = 100, 2000
NAMED_MAX = 10
"""More boards than these are one trouble."""
AWAY, STRANGERS, DIFFERING = "boards without contact", "boards that are not in site.toml", "boards that have another"
STRANGER = "it shares by the same broker, but this board's site.toml does not have it"
DIFFERS = "its site.toml, its rig.toml or its pieces are not those of this board"


class BoardStatus(BaseModel):
    """What is needed of a board's status. It may have more."""

    model_config = ConfigDict(strict=True, allow_inf_nan=False)

    name: str
    contact: bool
    session: str
    again_s: float = 0.0
    """It is published again after this time, also if nothing has changed; 0: only if something has."""
    cid: Annotated[str, Field(pattern=r"^([0-9a-f]{32})?$")] = ""
    site: str = ""


def read_status(name: str, payload: bytes) -> BoardStatus:
    """What a board of some name published about itself. ValueError for what is no status."""
    try:
        status = BoardStatus.model_validate_json(payload)
    except ValidationError as error:
        raise ValueError(f"no status of a board: {error.errors()[0]['msg']}") from None
    if status.name != name:
        raise ValueError(f"a status of {status.name!r}")
    return status


@dataclass(frozen=True, slots=True)
class BoardSeen:
    """A board. `since_ns`: since when it has contact, or has none; None if it never had. `status` is what it published
    last. This board is always in contact with itself."""

    name: str
    contact: bool
    since_ns: int | None
    status: Mapping[str, Any]

    def text(self, now_ns: int, zone: ZoneInfo) -> str:
        """The contact in a few words, in the local time of a zone."""
        if self.contact:
            return "in contact"
        if self.since_ns is None:
            return "never in contact"
        return f"no contact since {clock_text(self.since_ns, now_ns, zone)}"


@dataclass(slots=True)
class _Known:
    contact: bool = False
    since_ns: int | None = None
    changed_s: float = 0.0
    session: str = ""
    heard_s: float = 0.0
    again_s: float = 0.0
    status: dict[str, Any] = field(default_factory=dict)


class Contacts:
    """The boards that are known. `at_s` is the monotonic clock."""

    def __init__(self, stored: str | None, now_ns: int) -> None:
        """`stored` is `as_text` of an earlier run. A board that was in contact then has none from now on."""
        try:
            found: dict[str, Any] = json.loads(stored or "{}")
        except ValueError:  # a damaged card; the show must begin
            found = {}
        self._cids: dict[str, None] = dict.fromkeys(found.get("cids", ()))
        since: dict[str, int | None] = found.get("since", {})
        self._known = {name: _Known(since_ns=now_ns if at_ns is None else at_ns) for name, at_ns in since.items()}
        self._names: dict[str, None] = {}
        self._own = ""
        self._status: Mapping[str, Any] = {}
        """What this board says of itself."""
        self._alone_s: float | None = 0.0
        """Since when this board has no contact with the broker."""
        self._back_s = 0.0
        self._differs_s = 0.0
        """When all boards last had the same site."""
        self._seen: tuple[BoardSeen, ...] | None = None
        self.changed = False
        """Whether `as_text` has changed since this was last set to false."""

    def adopt(self, names: Iterable[str], own: str) -> None:
        """The names of the site's boards, and this board's own name."""
        self._names, self._own, self._seen = dict.fromkeys(names), own, None

    def this(self, status: Mapping[str, Any]) -> None:
        """What this board says of itself."""
        if status != self._status:
            self._status, self._seen = status, None

    def hear(self, name: str, payload: bytes, now_ns: int, at_s: float) -> None:
        """Take what another board published. ValueError for what is no status."""
        status = read_status(name, payload)
        known = self._known.get(name)
        if known is None:
            if name not in self._names and len(self._known.keys() - self._names) >= STRANGERS_MAX:
                return
            known = self._known[name] = _Known()
        if not status.contact and known.contact and known.session != status.session:
            return
        known.status, known.session, self._seen = json.loads(payload), status.session, None
        known.heard_s, known.again_s = at_s, status.again_s
        if status.cid and status.cid not in self._cids and len(self._cids) < CIDS_MAX:
            self._cids[status.cid] = None
            self.changed = True
        self._set(known, status.contact, now_ns, at_s)

    def look(self, now_ns: int, at_s: float) -> None:
        """End the contact with boards that are silent."""
        for known in self._known.values():
            if known.contact and 0 < SILENT * known.again_s < at_s - known.heard_s:
                self._set(known, False, now_ns, at_s)

    def connected(self, at_s: float) -> None:
        """This board has contact with the broker."""
        self._alone_s, self._back_s, self._differs_s = None, at_s, at_s

    def alone(self, now_ns: int, at_s: float) -> None:
        """This board has lost its contact with the broker, and so with all others."""
        if self._alone_s is None:
            self._alone_s = at_s
            for known in self._known.values():
                self._set(known, False, now_ns, at_s)

    def seen(self) -> tuple[BoardSeen, ...]:
        """The site's boards, in its order, and boards in contact that it does not name."""
        if self._seen is None:
            strangers = [name for name, one in self._known.items() if one.contact and name not in self._names]
            names = (*self._names, *sorted(strangers))
            self._seen = tuple(self._one(name) for name in names)
        return self._seen

    def cids(self) -> frozenset[str]:
        """The CIDs of all boards that were ever seen."""
        return frozenset(self._cids)

    def as_text(self) -> str:
        """What is stored."""
        ever = {name: one for name, one in self._known.items() if name in self._names and one.since_ns is not None}
        since = {name: None if one.contact else one.since_ns for name, one in ever.items()}
        return json.dumps({"cids": list(self._cids), "since": since})

    def troubles(self, site: str, zone: ZoneInfo, now_ns: int, at_s: float) -> list[Trouble]:
        """What is wrong with the other boards. `site` is the digest of this board's site."""
        if self._alone_s is not None or at_s - self._back_s < AWAY_S:  # the broker's trouble says enough
            return []
        others = [one for one in self.seen() if one.name != self._own]
        here = [one for one in others if one.contact]
        away = [one for one in others if not one.contact and at_s - self._changed_s(one.name) >= AWAY_S]
        strangers = [one for one in here if one.name not in self._names]
        differing = [one for one in here if site and one.status.get("site") not in (site, "", None)]
        if not differing:
            self._differs_s = at_s
        elif at_s - self._differs_s < DIFFERS_S:
            differing = []
        return [
            *for_each(TroubleCode.BOARD_AWAY, {one.name: one.text(now_ns, zone) for one in away}, many=AWAY),
            *for_each(TroubleCode.BOARD_NOT_IN_SITE, {one.name: STRANGER for one in strangers}, many=STRANGERS),
            *for_each(
                TroubleCode.BOARD_SITE_DIFFERS, {one.name: DIFFERS for one in differing}, "the site of ", DIFFERING
            ),
        ]

    def _changed_s(self, name: str) -> float:
        return self._known[name].changed_s if name in self._known else 0.0

    def _one(self, name: str) -> BoardSeen:
        known = self._known.get(name, _Known())
        if name == self._own:
            return BoardSeen(name, True, None, self._status)
        return BoardSeen(name, known.contact, known.since_ns, known.status)

    def _set(self, known: _Known, contact: bool, now_ns: int, at_s: float) -> None:
        if known.contact != contact:
            known.contact, known.since_ns, known.changed_s, self._seen = contact, now_ns, at_s, None
            self.changed = True


def for_each(code: TroubleCode, texts: Mapping[str, str], of: str = "", many: str = "boards") -> list[Trouble]:
    """A trouble for each board; one for all, whose subject is `many`, if there are more. `of` begins the subject."""
    if len(texts) <= NAMED_MAX:
        return [Trouble(code, f"{of}board {name}", text) for name, text in texts.items()]
    names = list(texts)
    more = f"{', '.join(names[:NAMED_MAX])} and {len(names) - NAMED_MAX} more"
    return [Trouble(code, f"{of}{many}", f"{texts[names[0]]}: {more}")]
