"""The versions of a site's files that were saved, in the state folder; and how both files are saved together.

A save is first stored as a version. If both files change, a note says so until both are replaced. After a power cut
between the two, `finish_save` replaces the second one: the site is never a mixture of two versions.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path

from gloaming.daemon.service.private_file import replace_file, sync_folder, why_closed, write_private
from gloaming.daemon.site.editing import Files, digest, read_files
from gloaming.daemon.site.last_good import FILES
from gloaming.shows.config_files.errors import ConfigError, InputError

FOLDER = "site-versions"
NOTE = "saving.json"
ABOUT = "version.json"
BOARD = "the board"
"""Who has written files that were edited on the board itself."""
VERSIONS_MAX, BYTES_MAX = 500, 64 << 20
"""So many versions at most, and so many bytes of their files. The oldest go first, but not the board's newest."""


@dataclass(frozen=True, slots=True)
class Version:
    """Files that were saved, or found on the board before a save (`board`): who, when, and what they changed."""

    id: int
    at_ns: int
    who: str
    text: str
    digest: str
    board: bool


class Versions:
    """The versions of one site, newest last."""

    def __init__(self, state: Path) -> None:
        self._folder = state / FOLDER
        self._read: dict[int, Version] = {}

    def all(self) -> list[Version]:
        return [version for id in self._ids() if (version := self.about(id))]

    def of_board(self) -> Version | None:
        """The newest version that was written on the board itself."""
        return next((one for one in reversed(self.all()) if one.board), None)

    def files(self, id: int) -> Files:
        """The files of a version. OSError if there is none."""
        return {name: (self._folder / f"{id}" / name).read_bytes() for name in FILES}

    def about(self, id: int) -> Version | None:
        """A version. None if there is none, or if it cannot be read, as after a fault of the disk."""
        if id not in self._read:
            with suppress(OSError, ValueError, TypeError):
                text = (self._folder / f"{id}" / ABOUT).read_text(encoding="utf-8")
                self._read[id] = Version(**json.loads(text))
        return self._read.get(id)

    def add(self, files: Files, at_ns: int, who: str, text: str, board: bool = False) -> Version:
        """Store files as the newest version. OSError."""
        version = Version(max(self._ids(), default=0) + 1, at_ns, who, text, digest(files), board)
        fresh = self._folder / ".new"
        shutil.rmtree(fresh, ignore_errors=True)
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
            fresh.mkdir(mode=0o700)
            for name in FILES:
                replace_file(fresh / name, files[name])
            write_private(fresh / ABOUT, json.dumps(asdict(version)))
            fresh.rename(self._folder / f"{version.id}")
            sync_folder(self._folder)
        except OSError as error:
            shutil.rmtree(fresh, ignore_errors=True)
            problem = f"the version cannot be stored: {why_closed(self._folder.parent, error)}"
            raise OSError(error.errno, problem) from None
        self._drop_oldest(version)
        return version

    def remove(self, version: Version) -> None:
        self._read.pop(version.id, None)
        shutil.rmtree(self._folder / f"{version.id}", ignore_errors=True)

    def save(self, folder: Path, version: Version) -> None:
        """Make a version's files the files of the site. OSError: then none is replaced, or the first is put back."""
        before, after = read_files(folder), self.files(version.id)
        changed = [name for name in FILES if before[name] != after[name]]
        note = self._folder / NOTE
        try:
            if len(changed) > 1:
                write_private(note, json.dumps({"id": version.id, "before": _hashes(before)}))
            for name in changed:
                _replace(folder / name, after[name])
        except OSError as error:
            now = read_files(folder)
            for name in (name for name in changed if now[name] != before[name]):
                _replace(folder / name, before[name])
            note.unlink(missing_ok=True)
            raise OSError(error.errno, f"the site's files cannot be saved: {why_closed(folder, error)}") from None
        note.unlink(missing_ok=True)

    def install(
        self,
        folder: Path,
        new: Files,
        at_ns: int,
        who: str,
        text: str,
        check: Callable[[Files], None] = lambda _: None,
    ) -> None:
        """Store files as a version, and make them the files of the site. Files that a person edited there are stored
        first. `check` may refuse the files that are replaced. OSError; then nothing has changed."""
        before, known = read_files(folder), self.all()
        check(before)
        if not known or known[-1].digest != digest(before):
            self.add(before, at_ns, BOARD, "as the board itself had it", board=True)
        stored = self.add(new, at_ns, who, text)
        try:
            check(read_files(folder))
            self.save(folder, stored)
        except Exception:
            self.remove(stored)
            raise

    def finish(self, folder: Path) -> bool:
        """Complete a save that a power cut interrupted between the two files. InputError if that is not possible."""
        note = self._folder / NOTE
        try:
            text = note.read_text(encoding="utf-8")
        except OSError:  # there is none; or the state cannot be read, which the store reports
            return False
        try:
            found = json.loads(text)
            before, after, now = found["before"], self.files(found["id"]), read_files(folder)
            wanted, hashes = _hashes(after), _hashes(now)
            ours = all(hashes[name] in (before[name], wanted[name]) for name in FILES)
            rest = [name for name in FILES if hashes[name] != wanted[name]]
            begun = ours and 0 < len(rest) < len(FILES)  # otherwise nothing was replaced, or a person has edited since
            for name in rest if begun else ():
                _replace(folder / name, after[name])
            note.unlink()
            return begun
        except (OSError, ValueError, LookupError) as error:
            problem = f"a save was interrupted, and cannot be completed: {why_closed(folder, error)}"
            hint = "make the folder writable, or save both files again"
            raise InputError(ConfigError(folder, None, None, problem, hint)) from None

    def _ids(self) -> list[int]:
        with suppress(OSError):
            return sorted(int(path.name) for path in self._folder.iterdir() if path.name.isdecimal())
        return []

    def _drop_oldest(self, newest: Version) -> None:
        kept = {newest.id, *(one.id for one in (self.of_board(),) if one)}
        ids = self._ids()
        sizes = {id: sum(path.stat().st_size for path in (self._folder / f"{id}").iterdir()) for id in ids}
        for id in ids:
            if len(sizes) <= VERSIONS_MAX and sum(sizes.values()) <= BYTES_MAX:
                return
            if id not in kept:
                shutil.rmtree(self._folder / f"{id}", ignore_errors=True)
                self._read.pop(id, None)
                del sizes[id]


def _hashes(files: Files) -> dict[str, str]:
    return {name: sha256(files[name]).hexdigest() for name in FILES}


def _replace(path: Path, data: bytes) -> None:
    """Replace a file of the site, or the file that a link there names. Its mode stays; its owner, if permitted."""
    target = path.resolve()
    replace_file(target, data, target.stat() if target.exists() else None)
