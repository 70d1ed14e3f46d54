"""The files of the site's pieces: uploads, pieces that are deleted and restored, and a picture of each."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.planner.deleted_pieces import DeletedPiece, DeletedPieces, newest
from gloaming.daemon.planner.piece_imports import PieceImports, kind_of
from gloaming.daemon.planner.piece_list import piece_rows
from gloaming.daemon.planner.site_files import SiteFiles
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.uploads import PieceFileError, PieceFileProblem, Upload, Uploads
from gloaming.daemon.planner.workers import ask
from gloaming.daemon.reports.next_turns import next_turns
from gloaming.daemon.site.site import Piece, Site
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.media.piece_worker import KINDS, cannot_read
from gloaming.shows.time_units import MINUTE_NS

PICTURE = "gloaming.shows.media.piece_picture"


class PieceFiles:
    """`reload` reads the site again, for a reason."""

    def __init__(
        self,
        situation: Situation,
        state: Path,
        site_files: SiteFiles,
        reload: Callable[[str], Awaitable[object]],
        sound: SoundLevels,
    ) -> None:
        self._situation, self._site_files, self._sound = situation, site_files, sound
        self._pictures = state / "pictures"
        self.uploads = Uploads(state / "uploads")
        self.imports = PieceImports(situation, site_files, self.uploads, reload)
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
            "imports": [job.as_json() for job in self.imports.all()],
            "free_bytes": self.uploads.free_bytes(),
            "kinds": sorted(KINDS),
        }

    # uploads

    def begin(self, file_name: str, length: int) -> Upload:
        """Begin an upload of a file that can become a part of a piece. PieceFileError, OSError."""
        if problem := cannot_read(kind_of(file_name)):
            raise PieceFileError(PieceFileProblem.KIND, f"{file_name}: {problem}")
        return self.uploads.begin(file_name, length, self._situation.now_ns())

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
        self.imports.clear()
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
