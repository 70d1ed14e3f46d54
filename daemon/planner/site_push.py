"""A site that another board pushes: compared, received, checked, and taken over at an instant or not at all.

One push at a time. Who pushes asks often; a push that nobody asks about makes room for the next one.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import shutil
from collections.abc import Callable, Coroutine, Mapping
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.push_state import STATES, Push, PushError, PushProblem, PushState
from gloaming.daemon.planner.site_files import SiteConflictError, SiteFiles, encoded
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.uploads import PieceFileError, PieceFileProblem, Upload, Uploads, size
from gloaming.daemon.service.private_file import why_closed
from gloaming.daemon.site.board_name import board_name
from gloaming.daemon.site.editing import digest, read_files
from gloaming.daemon.site.file_hashes import FileHashes
from gloaming.daemon.site.site import Site
from gloaming.daemon.site.staging import Plan, PushedFile, Stage, path_problem
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.time_units import DAY_NS, SECOND_NS

FILES_MAX = 4096
KEEP_NS = 7 * DAY_NS
SILENT_NS = 3 * SECOND_NS
"""A push that nobody asks about for so long makes room for another one."""
COMMIT_NS = SECOND_NS
"""So long before its instant a take-over cannot be stopped any more."""
AHEAD_NS = 60 * SECOND_NS
"""An instant that is further ahead is a mistake of a clock."""
ERRORS_MAX = 20
WAIT_S = 0.2


class SitePush:
    """Receives a site for the board of `situation`."""

    def __init__(self, situation: Situation, state: Path, site_files: SiteFiles) -> None:
        self._situation, self._site_files = situation, site_files
        self._stage = Stage(situation.site.folder)
        self._hashes = FileHashes(state / "file-hashes.json")
        self.uploads = Uploads(self._stage.uploads, most=FILES_MAX)
        self._push: Push | None = None
        self._work, self._agreeing = asyncio.Lock(), asyncio.Lock()
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def _monotonic_ns(self) -> int:
        return self._situation.clock.anchor().monotonic_ns

    # what is asked

    def begin(self, board: str, texts: Mapping[str, str], files: tuple[PushedFile, ...], who: str) -> Push:
        """Begin a push for a board: compare its files with those that lie here. PushError, InputError."""
        if board != (own := board_name()):
            problem = f"this board is {own}, not {board}: correct the address of {board} in site.toml"
            raise PushError(PushProblem.BOARD, problem)
        if (other := self._push) and self._is_alive(other):
            at = isoformat(other.since_ns, self._situation.timezone)[11:19]
            problem = f"{other.who} has been pushing a site since {at}: wait until that has ended"
            raise PushError(PushProblem.BUSY, problem)
        if len(files) > FILES_MAX:
            raise PushError(PushProblem.FILE, f"these are {len(files)} files; a push has {FILES_MAX} at most")
        for file in files:
            if wrong := path_problem(file.path):
                raise PushError(PushProblem.FILE, wrong)
        new = encoded(texts)
        id, now_ns = secrets.token_hex(8), self._situation.now_ns()
        push = self._push = Push(id, who, now_ns, self._monotonic_ns, new, files)
        self._start(push, self._compare(push))
        return push

    def find(self, id: str) -> Push:
        """A push by its id. PushError where there is none."""
        push = self._push
        if push is None or push.id != id:
            raise PushError(
                PushProblem.UNKNOWN, "this push is not known here: it has ended, or the board has started again"
            )
        push.heard_ns = self._monotonic_ns
        return push

    def begin_file(self, sha256: str, length: int) -> Upload:
        """Begin the upload of a wanted file. Its name is its hash. PushError, PieceFileError, OSError."""
        push = self._push
        if push is None or push.state != PushState.RECEIVING or not _has(push.wanted, sha256, length):
            raise PushError(PushProblem.STATE, f"nobody waits for a file {sha256[:8]} of {length} bytes")
        if any(one.name == sha256 for one in self.uploads.all()):
            raise PieceFileError(PieceFileProblem.BUSY, f"the file {sha256[:8]} is on its way already")
        return self.uploads.begin(sha256, length, self._situation.now_ns())

    def check(self, id: str) -> Push:
        """Check the site, now that all its files have arrived. PushError."""
        push = self._in(id, PushState.RECEIVING)
        arrived = {one.name for one in self.uploads.all() if one.whole}
        if missing := [one.path for one in push.wanted if one.sha256 not in arrived]:
            raise PushError(PushProblem.STATE, f"{missing[0]} has not arrived yet")
        push.state = PushState.CHECKING
        self._start(push, self._check(push))
        return push

    async def agree(self, id: str, at_ns: int) -> Push:
        """Agree to take the site over at an instant. The disk has the plan before this returns. PushError, OSError."""
        async with self._agreeing:
            push = self.find(id)
            if push.state != PushState.AGREED or not push.plan or push.plan.at_ns != at_ns:  # asked for the first time
                await self._agree(self._in(id, PushState.READY), at_ns)
            return push

    async def _agree(self, push: Push, at_ns: int) -> None:
        if not self._situation.trust.trusted:
            raise PushError(PushProblem.CLOCK, "the clock of this board is not trusted: set it first")
        ahead_ns = at_ns - self._situation.now_ns()
        if not COMMIT_NS < ahead_ns < AHEAD_NS:
            seconds = ahead_ns / SECOND_NS
            raise PushError(PushProblem.CLOCK, f"the instant is {seconds:.1f} s ahead by the clock of this board")
        plan = push.plan = Plan(push.id, push.who, at_ns, self._stage.names(push.changed))
        push.state = PushState.AGREED
        try:
            if digest(await asyncio.to_thread(read_files, self._situation.site.folder)) != push.before:
                raise PushError(PushProblem.STATE, "the site was edited on this board meanwhile: push it again")
            await asyncio.to_thread(self._stage.write, plan, push.texts)
        except BaseException:
            push.state = PushState.READY
            raise
        self._start(push, self._take_over(push, plan))

    async def drop(self, id: str) -> Push:
        """Give a push up. What has arrived stays for the next one. PushError once it cannot be stopped; OSError."""
        async with self._agreeing:
            push = self.find(id)
            if push.begun:
                raise PushError(PushProblem.STATE, "it is too late: this board takes the site over")
            push.state, push.site = PushState.DROPPED, None
            await asyncio.to_thread(self._stage.drop)
            return push

    def as_json(self, push: Push) -> dict[str, Any]:
        """How far a push is, with what has arrived of each file."""
        zone, at_ns = self._situation.timezone, push.plan.at_ns if push.plan else None
        return {
            "id": push.id,
            "state": push.state,
            "who": push.who,
            "since": isoformat(push.since_ns, zone),
            "now_ns": self._situation.now_ns(),
            "trusted": self._situation.trust.trusted,
            "wanted": [one.sha256 for one in push.wanted],
            "uploads": [
                {"id": one.id, "file": one.name, "length": one.length, "offset": one.offset}
                for one in self.uploads.all()
            ],
            "done": push.done,
            "of": push.of,
            "errors": push.errors,
            "at_ns": at_ns,
            "taken_ns": push.taken_ns,
        }

    def _in(self, id: str, state: PushState) -> Push:
        push = self.find(id)
        if push.state != state:
            raise PushError(PushProblem.STATE, f"this push is {push.state}, not {state}")
        return push

    def _is_alive(self, push: Push) -> bool:
        """Whether somebody goes on with a push, or it is about to be taken over."""
        if push.state not in STATES:
            return False
        asked = self._monotonic_ns - push.heard_ns < SILENT_NS
        return asked or self.uploads.busy or push.state == PushState.AGREED

    # periodic work, and the life of the planner

    async def look(self) -> None:
        """Remove what a push has left a week ago."""
        if self._situation.trust.trusted and not (self._push and self._is_alive(self._push)):
            await asyncio.to_thread(self._stage.remove_old, self._situation.now_ns() - KEEP_NS)

    def resume(self) -> None:
        """Go on with a take-over that was agreed before this planner started."""
        plan = self._stage.plan()
        if plan is not None:
            push = Push(plan.id, plan.who, plan.at_ns, self._monotonic_ns, self._stage.texts(), ())
            push.state, push.plan, self._push = PushState.CHECKING, plan, push
            self._start(push, self._resume(push, plan))

    async def stop(self) -> None:
        """End what runs. What has arrived stays, and so does a plan."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # the work

    def _start(self, push: Push, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(self._guarded(push, work), name=f"push {push.id}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _guarded(self, push: Push, work: Coroutine[Any, Any, None]) -> None:
        try:
            async with self._work:
                await work
        except SiteConflictError as error:
            lines = [one.text for one in error.refused] or [str(one) for one in error.errors]
            self._refuse(push, *lines[:ERRORS_MAX])
        except (PieceFileError, InputError) as error:
            self._refuse(push, str(error))
        except OSError as error:
            self._refuse(push, f"it cannot be stored: {why_closed(self._situation.site.folder, error)}")
        except Exception as error:  # an error in Gloaming must not leave a push that seems to go on for ever
            logging.getLogger(__name__).error("the push failed", exc_info=error)
            self._refuse(push, f"this is an error in Gloaming ({type(error).__name__}); its log says where")

    def _refuse(self, push: Push, *errors: str) -> None:
        push.state, push.errors = PushState.REFUSED, list(errors)
        text = f"the site that {push.who} has pushed is not taken over: {errors[0]}"
        self._situation.store.note(self._situation.now_ns(), "site", text, push.who)

    async def _compare(self, push: Push) -> None:
        push.changed, push.wanted = await asyncio.to_thread(self._compared, push)
        arriving = {one.name: one.offset for one in self.uploads.all()}
        needed = sum(one.length - arriving.get(one.sha256, 0) for one in push.wanted)
        if needed > (free := self.uploads.free_bytes()):
            problem = f"the files do not fit on the disk: {size(needed)} are needed, {size(free)} are free"
            raise PieceFileError(PieceFileProblem.NO_SPACE, problem)
        self._go(push, PushState.RECEIVING)

    def _compared(self, push: Push) -> tuple[tuple[PushedFile, ...], tuple[PushedFile, ...]]:
        """The files that differ from those in their places, and those of them that are nowhere here. In a thread."""
        folder = self._situation.site.folder
        places = {file: folder / file.path for file in push.files}
        same = [file for file, path in places.items() if path.is_file() and path.stat().st_size == file.length]
        push.of = sum(file.length for file in same)
        read = _adder(push)
        equal = {file for file in same if self._hashes.of(places[file], read) == file.sha256}
        changed = tuple(file for file in push.files if file not in equal)
        self._stage.folder.mkdir(0o700, exist_ok=True)
        self._stage.drop()  # of a take-over that could not be completed
        self._stage.keep_only({file.sha256 for file in changed})
        self._copy_renamed(changed)
        self._hashes.save()
        missing = {file.sha256: file for file in changed if not self._stage.at(file.sha256).exists()}
        return changed, tuple(missing.values())

    def _copy_renamed(self, changed: tuple[PushedFile, ...]) -> None:
        """Stage the files that lie here under another name."""
        lengths = {file.length for file in changed if not self._stage.at(file.sha256).exists()}
        pieces = self._situation.site.pieces.values()
        own = [path for piece in pieces for path in (piece.frames, piece.sound) if path and path.is_file()]
        by_hash = {self._hashes.of(path): path for path in own if path.stat().st_size in lengths}
        for file in changed:
            if file.sha256 in by_hash and not (staged := self._stage.at(file.sha256)).exists():
                self._stage.copy(by_hash[file.sha256], staged)

    async def _check(self, push: Push) -> None:
        push.site = await asyncio.to_thread(self._checked, push)
        self._go(push, PushState.READY)

    def _checked(self, push: Push) -> Site:
        """Take what has arrived, and check the site as a whole. In a thread."""
        wanted = {file.sha256: file for file in push.wanted}
        push.done, push.of = 0, sum(file.length for file in push.wanted)
        for upload in self.uploads.all():
            file = wanted.get(upload.name)
            if file is None:
                continue
            if not self._stage.take(upload.path, file):
                shutil.rmtree(upload.path.parent)
                problem = f"{file.path} is another file than was announced: it was changed meanwhile. Push it again"
                raise PieceFileError(PieceFileProblem.CONTENT, problem)
            shutil.rmtree(upload.path.parent)
            push.done += file.length
        plan = Plan(push.id, push.who, 0, self._stage.names(push.changed))
        push.before = digest(read_files(self._situation.site.folder))
        return self._site_files.check_staged(push.texts, self._stage.staged(plan))

    async def _resume(self, push: Push, plan: Plan) -> None:
        try:
            push.site = await asyncio.to_thread(self._site_files.check_staged, push.texts, self._stage.staged(plan))
        except SiteConflictError:
            await asyncio.to_thread(self._stage.drop)
            raise
        self._go(push, PushState.AGREED)
        await self._take_over(push, plan)

    async def _take_over(self, push: Push, plan: Plan) -> None:
        await self._until(push, plan.at_ns - COMMIT_NS)
        if push.state != PushState.AGREED:
            return
        assert push.site
        push.begun = True
        await asyncio.to_thread(self._stage.begin, plan)

        async def begin() -> None:
            await self._until(push, plan.at_ns)
            await asyncio.to_thread(self._stage.place, plan)

        push.taken_ns = await self._site_files.take_over(push.site, push.texts, push.who, begin)
        self._go(push, PushState.TAKEN)
        await asyncio.to_thread(self._stage.clear)

    async def _until(self, push: Push, at_ns: int) -> None:
        """Wait for an instant of a clock that is trusted, or until the push is given up."""
        while push.state == PushState.AGREED:
            left_s = (at_ns - self._situation.now_ns()) / SECOND_NS if self._situation.trust.trusted else WAIT_S
            if left_s <= 0:
                return
            await asyncio.sleep(min(WAIT_S, left_s))

    def _go(self, push: Push, state: PushState) -> None:
        """The next state, unless the push was given up meanwhile."""
        if state in STATES.get(push.state, ()):
            push.state = state


def _has(files: tuple[PushedFile, ...], sha256: str, length: int) -> bool:
    return any((file.sha256, file.length) == (sha256, length) for file in files)


def _adder(push: Push) -> Callable[[int], None]:
    def add(bytes_: int) -> None:
        push.done += bytes_

    return add
