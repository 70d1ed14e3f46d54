"""A push of a site: how far it is, and why a request about it is refused."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from gloaming.daemon.site.editing import Files
from gloaming.daemon.site.site import Site
from gloaming.daemon.site.staging import Plan, PushedFile


class PushState(StrEnum):
    """How far a push is."""

    COMPARING = "comparing"
    RECEIVING = "receiving"
    CHECKING = "checking"
    READY = "ready"
    AGREED = "agreed"
    TAKEN = "taken"
    REFUSED = "refused"
    DROPPED = "dropped"


STATES = {
    PushState.COMPARING: (PushState.RECEIVING,),
    PushState.RECEIVING: (PushState.CHECKING,),
    PushState.CHECKING: (PushState.READY, PushState.AGREED),  # agreed: again, after a restart
    PushState.READY: (PushState.AGREED,),
    PushState.AGREED: (PushState.TAKEN,),
}
"""What may follow each state. Each of these may also end as refused or dropped."""


class PushProblem(StrEnum):
    """Why a request about a push is refused."""

    BOARD = "board"
    BUSY = "busy"
    CLOCK = "clock"
    FILE = "file"
    STATE = "state"
    UNKNOWN = "unknown"


class PushError(Exception):
    """A request that is refused: `code` for programs, the text for people."""

    def __init__(self, code: PushProblem, text: str) -> None:
        super().__init__(text)
        self.code = code


@dataclass
class Push:
    """A site on its way. `wanted` has the files that do not lie here; `done` of `of` bytes were read, to compare or to
    check them."""

    id: str
    who: str
    since_ns: int
    heard_ns: int
    """When somebody asked about it last, by the monotonic clock."""
    texts: Files
    files: tuple[PushedFile, ...]
    state: PushState = PushState.COMPARING
    wanted: tuple[PushedFile, ...] = ()
    changed: tuple[PushedFile, ...] = ()
    """The files that differ from those in their places."""
    done: int = 0
    of: int = 0
    errors: list[str] = field(default_factory=list)
    """Why it is refused, line by line."""
    before: str = ""
    """The version of the site's files with which it was compared."""
    site: Site | None = None
    plan: Plan | None = None
    begun: bool = False
    taken_ns: int | None = None
