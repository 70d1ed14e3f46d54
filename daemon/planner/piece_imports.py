"""Uploads become the files of pieces: each is made by a process of its own, then named in site.toml."""

from __future__ import annotations

import asyncio
import logging
import re
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from gloaming.daemon.planner.site_files import SiteConflictError, SiteFiles
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.uploads import PieceFileError, PieceFileProblem, Upload, Uploads
from gloaming.daemon.planner.workers import ask
from gloaming.daemon.service.private_file import sync_folder
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.config_files.known_names import instead
from gloaming.shows.framefile.split import SUFFIX
from gloaming.shows.media.piece_worker import KINDS, SOUNDS, TOO_LARGE, PieceRequest

PIECES = "pieces"
SCRATCH = ".upload-"
WORKER = "gloaming.shows.media.piece_worker"
MEMORY_MAX_BYTES, WORK_MAX_S = 320 << 20, 3600.0
"""What the process that makes the file of a piece may use. The planner's unit has 512 MB for both."""


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


class PieceImports:
    """The uploads that were taken, and how far they are. `reload` reads the site again, for a reason."""

    def __init__(
        self, situation: Situation, site_files: SiteFiles, uploads: Uploads, reload: Callable[[str], Awaitable[object]]
    ) -> None:
        self._situation, self._site_files, self._uploads, self._reload = situation, site_files, uploads, reload
        self._imports: dict[str, PieceImport] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._one_at_a_time = asyncio.Lock()

    @property
    def _site(self) -> Site:
        return self._situation.site

    def take(self, order: ImportOrder, who: str) -> PieceImport:
        """Take a whole upload as a part of a piece; `all` tells how far it is. PieceFileError."""
        upload = self._uploads.find(order.upload)
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

    def all(self) -> list[PieceImport]:
        """The uploads that were taken. A refused one stays as long as its upload."""
        there = {upload.id for upload in self._uploads.all()}
        self._imports = {
            id: job for id, job in self._imports.items() if job.state != ImportState.REFUSED or id in there
        }
        return [*self._imports.values()]

    async def _import(self, job: PieceImport, upload: Upload, who: str) -> None:
        try:
            async with self._one_at_a_time:
                with self._uploads.held(upload):
                    job.state = ImportState.RUNNING
                    await self._make(job, upload, who)
            job.state = ImportState.MADE
            self._uploads.remove(upload.id)
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
            sync_folder(target.parent)
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
        kind, piece = kind_of(upload.name), self._site.pieces.get(order.name)
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
        key = "sound" if kind_of(upload.name) in SOUNDS else "frames"
        file = target.relative_to(self._site.folder).as_posix()
        return {"change": "piece-file" if piece else "piece", "name": order.name, key: file}

    async def _run_worker(self, job: PieceImport, upload: Upload, out: Path) -> None:
        """Make `out` in a process of its own. PieceFileError with its problem."""
        order = job.order
        request = PieceRequest(
            str(upload.path),
            str(out),
            str(self._site.folder / "rig.toml"),
            MEMORY_MAX_BYTES,
            max(1, self._uploads.free_of(out.parent)),
            order.fps,
            order.universes,
            order.matrix,
            order.order,
        )

        def report(message: dict[str, Any]) -> None:
            job.done, job.of = message.get("done", job.done), message.get("of", job.of)
            job.notes += [message["note"]] if "note" in message else []

        found = await ask(WORKER, request.to_json(), limit_s=WORK_MAX_S, report=report)
        if not (found and found.get("made")):
            raise PieceFileError(
                PieceFileProblem.CONTENT, (found or {}).get("problem") or f"{upload.name}: {TOO_LARGE}"
            )

    def clear(self) -> None:
        """Remove what a planner that died has left."""
        if self._one_at_a_time.locked():
            return
        folders = {self._site.folder / PIECES, *(piece.frames.parent for piece in self._site.pieces.values())}
        for path in [path for folder in folders for path in folder.glob(f"{SCRATCH}*")]:
            path.unlink()

    async def stop(self) -> None:
        """End the imports that run. Their uploads stay."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


def kind_of(name: str) -> str:
    """The ending of a file's name. PieceFileError for a kind of file that no piece is made of."""
    kind = Path(name).suffix.lower()
    if kind not in KINDS:
        problem = f"{name!r} is no kind of file that is taken: {' '.join(sorted(KINDS))}"
        raise PieceFileError(PieceFileProblem.KIND, problem)
    return kind


@contextmanager
def _scratch(path: Path) -> Iterator[Path]:
    """A path for a new file. What is left of it afterwards, and of files named after it, is removed."""
    try:
        yield path
    finally:
        for left in path.parent.glob(f"{path.name}*"):
            left.unlink()
