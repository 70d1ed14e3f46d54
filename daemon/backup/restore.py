"""Restoring a backup: it is checked whole, unpacked beside the site and the state, and then put in place by renaming.

What was there is set aside. After an error everything is as it was.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import struct
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from gloaming.daemon.backup.archive import About, ArchiveFile, Member, Purpose, reading_archive
from gloaming.daemon.backup.contents import DATABASE, SET_ASIDE, SITE, STATE, STATE_KEPT
from gloaming.daemon.service.private_file import error_text
from gloaming.daemon.service.state_lock import lock_state
from gloaming.daemon.site.file_hashes import hash_of
from gloaming.shows.config_files.errors import input_error

UNPACKED = ".restoring"
SPARE_BYTES = 16 << 20
"""What stays free on each disk."""
OF_THE_STATE = (*STATE_KEPT, f"{DATABASE}-wal", f"{DATABASE}-shm")
SHARED_BYTES = (0x4000_0002, 510)
"""Where the lock SHARED of SQLite begins, and how long it is."""
_FLOCK = "hhqqi0q"
"""A struct flock of a 64-bit Linux (fcntl(2)): type, whence, start, length, process."""
Progress = Callable[[int, int], None]
Owner = tuple[int, int]
"""The numbers of a user and a group."""


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore did: how many files it wrote, how many were there already, and the folders with what was there
    before."""

    about: About
    files: int
    there: int
    aside: tuple[Path, ...]


def no_progress(done: int, total: int) -> None:
    """Report to nobody."""


def checked_archive(path: Path, progress: Progress = no_progress) -> About:
    """What a file says of itself, after all of it was read and compared. InputError, OSError."""
    with reading_archive(path) as archive:
        done = 0
        for file in archive.files():
            done += file.member.size
            progress(done, archive.about.size)
    return archive.about


def restore(
    path: Path,
    site: Path,
    state: Path,
    at: datetime,
    replace: bool = False,
    owner: Owner | None = None,
    progress: Progress = no_progress,
) -> Restored:
    """Restore a backup. `at` names what is set aside. The files get the `owner`, if one is given.

    InputError for a file that is no whole backup, a show that runs, a full disk, and another site or state that is
    there, unless `replace`.
    """
    about = checked_archive(path, progress)
    if about.purpose != Purpose.BACKUP:
        raise input_error(path, "this is a bundle for a helper, without pieces and state", "name a backup")
    if strange := [one.name for one in about.members if one.name.partition("/")[0] not in (SITE, STATE)]:
        raise input_error(path, f"a backup has no file {strange[0]}", "nothing was changed")
    with _no_planner_on(state):
        places = [_Place(folder.absolute(), root, about, owner) for root, folder in ((STATE, state), (SITE, site))]
        places = [place for place in places if place.changed]
        if not replace:
            _refuse_what_is_there(places)
        try:
            with ExitStack() as undo:
                for place in places:
                    place.prepare(undo)
                _refuse_full(places)
                with reading_archive(path) as archive:
                    for file in archive.files():
                        for place in places:
                            place.unpack(file)
                os.sync()
                for place in places:
                    place.swap(f"{SET_ASIDE}{at:%Y%m%d-%H%M%S}")
                undo.pop_all()
        except OSError as error:
            problem = f"it cannot be restored ({error_text(error)})"
            raise input_error(error.filename or path, problem, "everything is as it was") from None
        for place in places:
            place.tidy()
        os.sync()
    written = sum(len(place.changed) for place in places)
    aside = tuple(place.aside for place in places if place.aside)
    return Restored(about, written, len(about.members) - written, aside)


class _Place:
    """One of the two folders, with its members in the archive: `changed` has those that are not there already."""

    def __init__(self, folder: Path, root: str, about: About, owner: Owner | None) -> None:
        self.folder, self.owner = folder, owner
        self.aside: Path | None = None
        self._unpacked, self._state = folder / UNPACKED, root == STATE
        members = {one.name.partition("/")[2]: one for one in about.members if one.name.startswith(f"{root}/")}
        self.changed = {name: one for name, one in members.items() if self._state or not _is_there(folder / name, one)}
        self._names = {one.name: name for name, one in self.changed.items()}

    def in_the_way(self) -> list[str]:
        """What is there in place of the members, by its name in the folder. The state is one thing: a database and
        versions of two sites make none."""
        if self._state:
            return [name for name in OF_THE_STATE if self.changed and os.path.lexists(self.folder / name)]
        found: dict[str, None] = {}
        for name in self.changed:
            ends = [at for at, letter in enumerate(name) if letter == "/"]
            files = [name[:end] for end in ends if not self._may_go_into(self.folder / name[:end])]
            found |= dict.fromkeys([one for one in (*files, name) if os.path.lexists(self.folder / one)][:1])
        return list(found)

    def _may_go_into(self, folder: Path) -> bool:
        """Whether this is a folder. A link leads root only to a folder of the owner, who could have laid it to one
        of the system."""
        return folder.is_dir() and not (self.owner and folder.is_symlink() and folder.stat().st_uid != self.owner[0])

    def prepare(self, undo: ExitStack) -> None:
        """Make the folder, and an empty one in it. `undo` gets what takes back each further step."""
        self._undo = undo
        self.tidy()
        self._make(self.folder)
        undo.callback(self.tidy)
        self._make(self._unpacked)

    def unpack(self, file: ArchiveFile) -> None:
        """Write a member beside its place, if it is one of this folder that has changed."""
        name = self._names.get(file.member.name)
        if name is None:
            return
        path = self._unpacked / name
        self._make(path.parent)
        mode = 0o600 if self._state else 0o600 | file.mode & 0o040
        path.touch(mode, exist_ok=False)
        with path.open("wb") as out:
            os.fchmod(out.fileno(), mode)
            if self.owner:
                os.fchown(out.fileno(), *self.owner)
            for chunk in file.chunks:
                out.write(chunk)

    def swap(self, aside: str) -> None:
        """Put the members in their places, after what is there was moved to a folder of the name `aside`."""
        for name in self.in_the_way():
            self.aside = self.folder / aside
            self._make((self.aside / name).parent)
            self._move(self.folder / name, self.aside / name)
        for name in self.changed:
            self._make((self.folder / name).parent)
            self._move(self._unpacked / name, self.folder / name)

    def tidy(self) -> None:
        shutil.rmtree(self._unpacked, ignore_errors=True)

    def _move(self, source: Path, target: Path) -> None:
        shutil.move(source, target)  # not rename(): a folder of pieces may be on another disk
        self._undo.callback(shutil.move, target, source)

    def _make(self, folder: Path) -> None:
        """Make a folder and those above it, as far as they are missing."""
        if folder.is_dir():
            return
        self._make(folder.parent)
        folder.mkdir(mode=0o700 if self._state else 0o750)
        self._undo.callback(_remove_empty, folder)
        if self.owner:
            os.chown(folder, *self.owner)


def _remove_empty(folder: Path) -> None:
    with suppress(OSError):
        folder.rmdir()


def _is_there(path: Path, member: Member) -> bool:
    """Whether a file with the same bytes is in the place of a member."""
    return path.is_file() and path.stat().st_size == member.size and hash_of(path) == member.sha256


def _refuse_what_is_there(places: Iterable[_Place]) -> None:
    for place in places:
        if found := place.in_the_way():
            more = f", and {len(found) - 1} more," if len(found) > 1 else ""
            problem = f"{found[0]}{more} is there already, and is not that of the backup"
            raise input_error(place.folder, problem, "restore with --replace: it sets aside what is there")


def _refuse_full(places: Iterable[_Place]) -> None:
    """InputError if the members do not fit on the disk."""
    needed: dict[int, int] = {}
    for place in places:
        disk = place.folder.stat().st_dev
        needed[disk] = needed.get(disk, SPARE_BYTES) + sum(one.size for one in place.changed.values())
        if (free := shutil.disk_usage(place.folder).free) < needed[disk]:
            problem = f"the disk has {free / 1e6:.0f} MB free, and {needed[disk] / 1e6:.0f} MB are needed"
            raise input_error(place.folder, problem, "make room; nothing was changed")


@contextmanager
def _no_planner_on(state: Path) -> Iterator[None]:
    """Keep a show from the state meanwhile. InputError where one runs."""
    handle = None
    try:
        handle = lock_state(state) if state.is_dir() else None
        running = _in_use(state / DATABASE)
    except BlockingIOError:
        running = True
    try:
        if running:
            hint = "end it first: systemctl stop gloaming-planner, or Ctrl-C in gloaming run"
            raise input_error(state, "a planner uses this state", hint)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _in_use(database: Path) -> bool:
    """Whether a process has the database open: it has a lock on the bytes of SHARED then, as long as the log is a
    write-ahead log (SQLite, "File Locking And Concurrency", os.h). To ask changes nothing."""
    if not database.is_file():
        return False
    wanted = struct.pack(_FLOCK, fcntl.F_WRLCK, os.SEEK_SET, *SHARED_BYTES, 0)
    with database.open("rb") as file:
        found = fcntl.fcntl(file, fcntl.F_OFD_GETLK, wanted)
    kind: int = struct.unpack(_FLOCK, found)[0]
    return kind != fcntl.F_UNLCK
