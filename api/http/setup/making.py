"""Documents that take long: one at a time, each in a process of its own, and kept until the site's files change."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.workers import Message, ask
from gloaming.daemon.site.reload import Stamp, stamp_of

MODULE = "gloaming.api.http.setup.make_document"
GONE = "the process that makes it has ended without a word: perhaps the board has too little memory; try again"
STARTING: Message = {"doing": "starting", "done": 0, "of": 1}
CHANGED = "the site's files have changed since it was made"


class Making(StrEnum):
    """How far a document is."""

    NONE = "none"
    WAITING = "waiting"
    """Another document is made first."""
    RUNNING = "running"
    MADE = "made"


@dataclass
class Document:
    """A document: what was made last, and the work on the next."""

    path: Path
    stamp: Stamp | None = None
    """Of the site's files that it was made from; None if it is not made."""
    made_ns: int = 0
    problem: str = ""
    task: asyncio.Task[None] | None = None
    progress: Message = field(default_factory=dict)
    """What the process printed last; empty while it waits."""


class DocumentMaker:
    """Makes documents of a planner's site."""

    def __init__(self, planner: Planner, names: tuple[str, ...]) -> None:
        self.planner = planner
        self._documents = {name: Document(planner.state / "documents" / f"{name}.html") for name in names}
        self._one_at_a_time = asyncio.Lock()

    def begin(self, name: str) -> None:
        """Begin to make a document, unless that is under way."""
        one = self._documents[name]
        if one.task is None:
            busy = any(other.task for other in self._documents.values())
            one.problem, one.progress = "", {} if busy else {**STARTING}
            one.task = asyncio.create_task(self._make(name, one), name=f"make the {name}")

    async def stop(self, name: str) -> None:
        """Stop making a document. What was made before stays."""
        one = self._documents[name]
        if one.task is not None:
            one.task.cancel()
            with suppress(asyncio.CancelledError):
                await one.task
            one.task = None

    async def _make(self, name: str, one: Document) -> None:
        try:
            async with self._one_at_a_time:
                found, made_ns = stamp_of(self.planner.site), self.planner.now_ns()
                site, state = self.planner.site.folder, self.planner.state
                at = isoformat(made_ns, self.planner.site.timezone)
                one.progress = {**STARTING}
                one.path.parent.mkdir(exist_ok=True)
                made = one.path.with_suffix(".part")  # a process that is stopped leaves the page before as it is
                last = await ask(MODULE, name, str(site), str(state), at, str(made), report=one.progress.update)
            if last and "made" in last:
                made.replace(one.path)
                one.stamp, one.made_ns = found, made_ns
            else:
                one.problem = (last or {}).get("problem", GONE)
        except OSError as error:
            one.problem = f"{one.path}: {error.strerror}"
        finally:
            one.task = None

    def state(self, name: str) -> dict[str, object]:
        """How far a document is: the values of `DocumentState`."""
        one = self._documents[name]
        fresh = one.stamp == stamp_of(self.planner.site)
        making = Making.MADE if fresh else Making.NONE
        if one.task is not None:
            making = Making.RUNNING if one.progress else Making.WAITING
        return {
            "making": making,
            "made": isoformat(one.made_ns, self.planner.site.timezone) if fresh else None,
            "problem": one.problem or (CHANGED if one.stamp and not fresh else ""),
            "doing": str(one.progress.get("doing", "")) if one.task else "",
            "share": one.progress.get("done", 0) / max(1, one.progress.get("of") or 1) if one.task else 0.0,
        }

    def page(self, name: str) -> str | None:
        """The whole HTML document; None if it is not made, or not from the site's files of now."""
        one = self._documents[name]
        return one.path.read_text(encoding="utf-8") if one.stamp == stamp_of(self.planner.site) else None
