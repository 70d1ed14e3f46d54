"""What a backup holds: the site's folder, and what the state has that no program makes again."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from gloaming.daemon.backup.archive import AS_ITS_USER
from gloaming.daemon.planner.deleted_pieces import FOLDER as DELETED_PIECES
from gloaming.daemon.planner.state_file import read_only
from gloaming.daemon.site.last_good import FOLDER as LAST_GOOD
from gloaming.daemon.site.schema import SiteFile
from gloaming.daemon.site.versions import FOLDER as SITE_VERSIONS
from gloaming.shows.config_files.checking import read_tables
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.split import SUFFIX
from gloaming.shows.media.piece_worker import SOUNDS

SITE, STATE = "site", "state"
"""The folders of an archive."""
DATABASE, PASSCODE = "state.db", "passcode"
STATE_KEPT = (DATABASE, PASSCODE, LAST_GOOD, SITE_VERSIONS)
"""What a backup has of the state."""
STATE_MADE_AGAIN = (
    "address",
    "certificate",
    "documents",
    "file-hashes.json",
    "no-page",
    "pictures",
    "rig-check",
    "token",
    "transmitter.sock",
    "uploads",
)
"""What a planner makes again at its start, or when it is asked for. Uploads begin again."""
SET_ASIDE = "before-restore-"
"""How a folder begins that has what was there before a restore."""


@dataclass(frozen=True, slots=True)
class Contents:
    """The files of a backup by their names in the archive, and what it leaves out."""

    files: dict[str, Path]
    left_out: tuple[str, ...]


def backup_contents(site: Path, state: Path, scratch: Path, pieces: bool = True) -> Contents:
    """What a backup of a site holds. `scratch` is a private folder for the copy of the state's database. InputError."""
    files: dict[str, Path] = {}
    left_out: list[str] = []
    skipped = 0
    for name, path in _below(site, state, left_out):
        if pieces or path.suffix.lower() not in {SUFFIX, *SOUNDS}:
            files[f"{SITE}/{name}"] = path
        else:
            skipped += 1
    if skipped:
        left_out.append(f"{skipped} files of frames and sound")
    left_out += _outside(site, pieces)
    for name in STATE_KEPT:
        path = state / name
        if name == DATABASE:
            if path.exists():
                files[f"{STATE}/{name}"] = copied_database(path, scratch / name)
        elif path.is_dir():
            files |= {f"{STATE}/{name}/{inner}": found for inner, found in _below(path, state, left_out)}
        elif path.exists():
            files[f"{STATE}/{name}"] = path
    left_out += [one.name for one in sorted(state.glob("state-damaged-*"))] if state.is_dir() else []
    return Contents(dict(sorted(files.items())), tuple(left_out))


def _below(folder: Path, state: Path, left_out: list[str]) -> Iterator[tuple[str, Path]]:
    """The plain files below a folder, with their names there; links are followed. Hidden files, files that are being
    written, deleted pieces and what a restore has set aside are no part of it. InputError."""
    seen = set()

    def fail(error: OSError) -> None:
        raise input_error(error.filename, f"it cannot be read ({error.strerror})", AS_ITS_USER)

    for at, folders, names in os.walk(folder, followlinks=True, onerror=fail):
        found = Path(at).stat()
        folders[:] = [
            one
            for one in folders
            if not one.startswith((".", SET_ASIDE))
            and Path(at, one) not in (folder / STATE, folder / DELETED_PIECES)
            and Path(at, one).resolve() != state.resolve()
        ]
        if (found.st_dev, found.st_ino) in seen:  # a link leads into a circle
            folders.clear()
            continue
        seen.add((found.st_dev, found.st_ino))
        for name in names:
            path = Path(at, name)
            inner = path.relative_to(folder).as_posix()
            if name.startswith(".") or name.endswith(".part"):
                continue
            if not path.is_file():
                left_out.append(f"{inner}: it is no file")
            elif not inner.isprintable():
                left_out.append(f"{inner!r}: its name has letters that no text has")
            else:
                yield inner, path


def _outside(site: Path, pieces: bool) -> Iterator[str]:
    """The files that site.toml names outside the site's folder."""
    try:
        file = read_tables(site / "site.toml", SiteFile)
    except InputError:  # the backup has what is there; the planner reports the mistakes
        return
    named = [file.phone.certificate, file.phone.key, file.sharing.ca]
    named += [path for one in file.piece for path in (one.frames, one.sound)] if pieces else []
    for path in named:
        if path and os.path.relpath(site / path, site).startswith(".."):
            yield f"{path}: it is outside the site's folder; copy it by hand"


def copied_database(path: Path, copy: Path) -> Path:
    """A whole copy of the state's database, also while a planner writes to it (SQLite's online backup). InputError."""
    source = read_only(path)
    if source is None:
        raise input_error(path, "it cannot be read", AS_ITS_USER)
    try:
        with closing(source), closing(sqlite3.connect(copy)) as target:
            source.backup(target)
            target.execute("PRAGMA journal_mode=DELETE")
            (found,) = target.execute("PRAGMA quick_check").fetchone()
    except sqlite3.DatabaseError as error:
        found = str(error)
    if found != "ok":
        problem = f"it is damaged, or the disk is full ({found})"
        raise input_error(path, problem, "start the planner once: it sets a damaged file aside; or make room")
    return copy
