"""The files of the site's pieces: uploads become pieces, pieces are deleted and restored, and each has a picture."""

from __future__ import annotations

import asyncio
import hashlib
import json
import logging
import os
import re
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.deleted_pieces import DeletedPiece, DeletedPieces, newest
from gloaming.daemon.planner.piece_list import piece_rows
from gloaming.daemon.planner.site_files import SiteConflictError, SiteFiles
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.uploads import PieceFileError, PieceFileProblem, Upload, Uploads
from gloaming.daemon.planner.workers import ask
from gloaming.daemon.reports.next_turns import next_turns
from gloaming.daemon.site.site import Piece, Site
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.config_files.known_names import instead
from gloaming.shows.framefile.split import SUFFIX
from gloaming.shows.media.piece_worker import KINDS, SOUNDS, TOO_LARGE, PieceRequest, cannot_read
from gloaming.shows.time_units import MINUTE_NS

PIECES = "pieces"
SCRATCH = ".upload-"
WORKER, PICTURE = "gloaming.shows.media.piece_worker", "gloaming.shows.media.piece_picture"


@dataclass(frozen=True, slots=True)
class ImportLimits:
    """What the process that makes the file of a piece may use. The planner's unit has 512 MB for both."""

    memory_bytes: int = 320 << 20
    seconds: float = 3600.0


class ImportState(StrEnum):
    """How far an upload is on its way to a piece."""

    WAITING = "waiting"
    RUNNING = "running"
    MADE = "made"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class ImportOrder:
    """An upload to be taken as the frames or the sound of a piece. The rest is as of `PieceRequest`."""

    upload: str
    name: str
    replace: bool = False
    fps: str | None = None
    universes: str | None = None
    matrix: str | None = None
    order: str = "RGB"


@dataclass
class PieceImport:
    """An upload on its way to a piece. `done` of `of` frames; `problem` is why it was refused."""

    order: ImportOrder
    file: str
    state: ImportState = ImportState.WAITING
    done: int = 0
    of: int | None = None
    problem: str = ""
    notes: list[str] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        keys = ("file", "state", "done", "of", "problem", "notes")
        return {"upload": self.order.upload, "name": self.order.name, **{key: getattr(self, key) for key in keys}}


class PieceFiles:
    """`reload` reads the site again, for a reason."""

    def __init__(
        self,
        situation: Situation,
        state: Path,
        site_files: SiteFiles,
        reload: Callable[[str], Awaitable[object]],
        sound: SoundLevels,
        limits: ImportLimits | None = None,
    ) -> None:
        self._situation, self._site_files, self._reload, self._sound = situation, site_files, reload, sound
        self._limits, self._pictures = limits or ImportLimits(), state / "pictures"
        self.uploads = Uploads(state / "uploads")
        self._imports: dict[str, PieceImport] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._one_at_a_time = asyncio.Lock()
        self._turns: tuple[Site | None, int, dict[str, int]] = None, 0, {}

    @property
    def _site(self) -> Site:
        return self._situation.site

    @property
    def _deleted(self) -> DeletedPieces:
        return DeletedPieces(self._site.folder)

    async def listed(self) -> dict[str, Any]:
        """The pieces, those that can be restored, the uploads, and how far the imports are."""
        site, now_ns = self._site, self._situation.now_ns()
        if self._turns[0] is not site or not 0 <= now_ns - self._turns[1] < MINUTE_NS:
            self._turns = site, now_ns, await asyncio.to_thread(next_turns, site, now_ns)
        return {
            "pieces": piece_rows(site, self._sound, self._turns[2], self._situation.damaged.paths),
            "deleted": [
                {"name": one.name, "until": isoformat(one.until_ns, site.timezone)} for one in self._deleted.all()
            ],
            "uploads": [
                {"id": one.id, "file": one.name, "length": one.length, "offset": one.offset}
                for one in self.uploads.all()
            ],
            "imports": [job.as_json() for job in self.imports],
            "free_bytes": self.uploads.free_bytes(),
            "kinds": sorted(KINDS),
        }

    # uploads

    def begin(self, file_name: str, length: int) -> Upload:
        """Begin an upload of a file that can become a part of a piece. PieceFileError, OSError."""
        if problem := cannot_read(_kind_of(file_name)):
            raise PieceFileError(PieceFileProblem.KIND, f"{file_name}: {problem}")
        return self.uploads.begin(file_name, length, self._situation.now_ns())

    def take(self, order: ImportOrder, who: str) -> PieceImport:
        """Take a whole upload as a part of a piece; `imports` tells how far it is. PieceFileError."""
        upload = self.uploads.find(order.upload)
        if not upload.whole:
            problem = f"{upload.name} has not arrived yet: {upload.offset} of {upload.length} bytes"
            raise PieceFileError(PieceFileProblem.OFFSET, problem)
        before = self._imports.get(upload.id)
        if before and before.state in (ImportState.WAITING, ImportState.RUNNING):
            raise PieceFileError(PieceFileProblem.BUSY, f"{upload.name} is on its way to a piece already")
        self._target(order, upload)
        self._imports = {id: one for id, one in self._imports.items() if one.state != ImportState.MADE}
        job = self._imports[upload.id] = PieceImport(order, upload.name)
        task = asyncio.create_task(self._import(job, upload, who), name=f"import {upload.name}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return job

    @property
    def imports(self) -> list[PieceImport]:
        """The uploads that were taken. A refused one stays as long as its upload."""
        there = {upload.id for upload in self.uploads.all()}
        self._imports = {
            id: job for id, job in self._imports.items() if job.state != ImportState.REFUSED or id in there
        }
        return [*self._imports.values()]

    async def _import(self, job: PieceImport, upload: Upload, who: str) -> None:
        try:
            async with self._one_at_a_time:
                with self.uploads.held(upload):
                    job.state = ImportState.RUNNING
                    await self._make(job, upload, who)
            job.state = ImportState.MADE
            self.uploads.remove(upload.id)
        except OSError as error:
            job.state, job.problem = ImportState.REFUSED, f"{upload.name}: {error.strerror or error}"
        except (InputError, PieceFileError, SiteConflictError) as error:
            job.state, job.problem = ImportState.REFUSED, str(error)
        except Exception as error:  # an error in Gloaming must not leave an import that seems to run for ever
            job.state, job.problem = ImportState.REFUSED, str(error)
            logging.getLogger(__name__).error("%s: the import failed", upload.name, exc_info=error)
        how = job.problem or f"{upload.name} is taken as {job.order.name}"
        self._situation.store.note(self._situation.now_ns(), "site", how, who)

    async def _make(self, job: PieceImport, upload: Upload, who: str) -> None:
        """Make the file beside its place, then give it its place and name it in site.toml."""
        target = self._target(job.order, upload)
        target.parent.mkdir(parents=True, exist_ok=True)
        with _scratch(target.with_name(f"{SCRATCH}{upload.id}{target.suffix}")) as out:
            await self._run_worker(job, upload, out)
            out.chmod(0o644)
            new = not target.exists()
            out.replace(target)
            _sync(target.parent)
        change = self._change(job.order, upload, target)
        if change is None:
            await self._reload(f"{who} has replaced {target.name}")
            return
        try:
            await self._site_files.change([change], who)
        except BaseException:
            if new:
                target.unlink()
            raise

    def _target(self, order: ImportOrder, upload: Upload) -> Path:
        """Where the file goes: in place of the piece's own, or a new name in `pieces`. PieceFileError."""
        kind, piece = _kind_of(upload.name), self._site.pieces.get(order.name)
        if piece is None and kind in SOUNDS:
            problem = f"there is no piece {order.name!r} that {upload.name} could be the sound of"
            hint = instead(order.name, [*self._site.pieces] or ["a frame file first"])
            raise PieceFileError(PieceFileProblem.UNKNOWN, f"{problem}; {hint}")
        before = None if piece is None else piece.sound if kind in SOUNDS else piece.frames
        if before and not order.replace:
            what = "a sound" if kind in SOUNDS else "frames"
            problem = f"{order.name} has {what} already; {upload.name} takes their place only if you say so"
            raise PieceFileError(PieceFileProblem.TAKEN, problem)
        suffix = kind if kind in SOUNDS else SUFFIX
        if before and before.suffix.lower() == suffix:
            return before
        folder, stem = self._site.folder / PIECES, re.sub(r"[^\w.-]+", "-", order.name).strip(".-") or "piece"
        names = (f"{stem}{number or ''}{suffix}" for number in range(1000))
        return next(folder / name for name in names if not (folder / name).exists())

    def _change(self, order: ImportOrder, upload: Upload, target: Path) -> Mapping[str, object] | None:
        """The change of site.toml that names a new file. None if site.toml names it already."""
        piece = self._site.pieces.get(order.name)
        if piece and target in (piece.frames, piece.sound):
            return None
        key = "sound" if _kind_of(upload.name) in SOUNDS else "frames"
        file = target.relative_to(self._site.folder).as_posix()
        return {"change": "piece-file" if piece else "piece", "name": order.name, key: file}

    async def _run_worker(self, job: PieceImport, upload: Upload, out: Path) -> None:
        """Make `out` in a process of its own. PieceFileError with its problem."""
        order, limits = job.order, self._limits
        request = PieceRequest(
            str(upload.path),
            str(out),
            str(self._site.folder / "rig.toml"),
            limits.memory_bytes,
            max(1, self.uploads.free_of(out.parent)),
            order.fps,
            order.universes,
            order.matrix,
            order.order,
        )

        def report(message: dict[str, Any]) -> None:
            job.done, job.of = message.get("done", job.done), message.get("of", job.of)
            job.notes += [message["note"]] if "note" in message else []

        found = await ask(WORKER, request.to_json(), limit_s=limits.seconds, report=report)
        if not (found and found.get("made")):
            raise PieceFileError(
                PieceFileProblem.CONTENT, (found or {}).get("problem") or f"{upload.name}: {TOO_LARGE}"
            )

    # deleting

    async def delete(self, name: str, who: str) -> DeletedPiece:
        """Take a piece out of the site. It can be restored for a day. PieceFileError; whatever the change of site.toml
        raises; OSError."""
        site = self._site
        piece = _of_name(site, name)
        shows = [show.name for show in site.shows.values() if name in (*show.order, show.between)]
        if shows:
            problem = f"{name} is in the running order of {', '.join(shows)}; take it out of the order first"
            raise PieceFileError(PieceFileProblem.IN_ORDER, problem)
        others = {path for one in site.pieces.values() if one is not piece for path in (one.frames, one.sound)}
        own = [path for path in (piece.frames, piece.sound) if path and path not in others and path.is_file()]
        moved = tuple(_written(site, path) for path in own if _is_inside(site, path))
        sound = _written(site, piece.sound) if piece.sound else None
        deleted = DeletedPiece(name, _written(site, piece.frames), sound, self._situation.now_ns(), moved)
        self._deleted.delete(deleted)
        try:
            await self._site_files.change([{"change": "remove-piece", "name": name}], who)
        except BaseException:
            self._deleted.restore(deleted)
            raise
        return deleted

    async def restore(self, name: str, who: str) -> None:
        """Restore the newest deleted piece of a name. As `delete`."""
        piece = newest(self._deleted.all(), name)
        if name in self._site.pieces:
            problem = f"there is a piece {name} now; rename or delete that one first"
            raise PieceFileError(PieceFileProblem.TAKEN, problem)
        self._deleted.restore(piece)
        change = {"change": "piece", "name": name, "frames": piece.frames, "sound": piece.sound}
        try:
            await self._site_files.change([{key: value for key, value in change.items() if value is not None}], who)
        except BaseException:
            self._deleted.delete(piece)
            raise

    # periodic work

    async def look(self) -> None:
        """Remove what is a day old, and draw a picture that is missing."""
        if not os.access(self._pictures.parent, os.R_OK | os.W_OK | os.X_OK):
            return  # the store reports a state folder that belongs to somebody else
        if self._situation.trust.trusted:
            now_ns = self._situation.now_ns()
            self.uploads.remove_old(now_ns)
            self._deleted.remove_old(now_ns)
        if not self._one_at_a_time.locked():  # what a planner that died has left
            folders = {self._site.folder / PIECES, *(piece.frames.parent for piece in self._site.pieces.values())}
            for path in [path for folder in folders for path in folder.glob(f"{SCRATCH}*")]:
                path.unlink()
        wanted = {self._picture(piece): piece for piece in self._site.pieces.values() if piece.info}
        for path in self._pictures.glob("*.png") if self._pictures.is_dir() else ():
            if path not in wanted:
                path.unlink()
        missing = next((path for path in sorted(wanted) if not path.exists()), None)
        if missing:
            self._pictures.mkdir(0o700, exist_ok=True)
            rig = self._site.folder / "rig.toml"
            drawn = missing.with_suffix(".new")
            await ask(PICTURE, str(wanted[missing].frames), str(rig), str(drawn))
            drawn.touch()  # an empty file: it cannot be drawn
            drawn.replace(missing)

    def picture(self, name: str) -> bytes | None:
        """The PNG of a piece. None if there is none, or none yet. PieceFileError for a piece that is not there."""
        try:
            return self._picture(_of_name(self._site, name)).read_bytes() or None
        except FileNotFoundError:
            return None

    def _picture(self, piece: Piece) -> Path:
        rig = file_stamp(self._site.folder / "rig.toml")
        stamp = json.dumps([file_stamp(piece.frames), rig])
        return self._pictures / f"{hashlib.sha256(stamp.encode()).hexdigest()[:32]}.png"

    async def stop(self) -> None:
        """End the imports that run. Their uploads stay."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


def _kind_of(name: str) -> str:
    """The ending of a file's name. PieceFileError for a kind of file that no piece is made of."""
    kind = Path(name).suffix.lower()
    if kind not in KINDS:
        problem = f"{name!r} is no kind of file that is taken: {' '.join(sorted(KINDS))}"
        raise PieceFileError(PieceFileProblem.KIND, problem)
    return kind


def _of_name(site: Site, name: str) -> Piece:
    """A piece of the site. PieceFileError."""
    if name not in site.pieces:
        raise PieceFileError(PieceFileProblem.UNKNOWN, f"there is no piece {name!r}")
    return site.pieces[name]


def _is_inside(site: Site, path: Path) -> bool:
    return path.is_relative_to(site.folder.absolute()) and ".." not in path.parts


def _written(site: Site, path: Path) -> str:
    """A file as site.toml names it."""
    return path.relative_to(site.folder.absolute()).as_posix() if _is_inside(site, path) else str(path)


@contextmanager
def _scratch(path: Path) -> Iterator[Path]:
    """A path for a new file. What is left of it afterwards, and of files named after it, is removed."""
    try:
        yield path
    finally:
        for left in path.parent.glob(f"{path.name}*"):
            left.unlink()


def _sync(folder: Path) -> None:
    """Make the names in a folder safe on the disk."""
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
