"""A pushed site on its way: its files lie in a folder of the site, and get their places all together by renaming.

The folder is in the site's own, since only there a rename is sure to work. `Plan` is written before the first rename.
After a power cut between two renames, `finish_take_over` does the rest.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path, PurePosixPath

from gloaming.daemon.service.private_file import sync_folder, why_closed, write_private
from gloaming.daemon.site.editing import Files, read_files
from gloaming.daemon.site.file_hashes import hash_of
from gloaming.daemon.site.last_good import FILES
from gloaming.daemon.site.versions import Versions
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.framefile.split import SUFFIX
from gloaming.shows.media.piece_worker import SOUNDS

FOLDER = ".push"
UPLOADS, PLAN = "uploads", "plan.json"
PUSHED = "the site that was pushed"
"""The text of its version."""


@dataclass(frozen=True, slots=True)
class PushedFile:
    """A file of a piece: its path in the site's folder, its length in bytes, and its SHA-256."""

    path: str
    length: int
    sha256: str


def path_problem(path: str) -> str | None:
    """Why a path is not that of a piece's file in a site's folder. None if it is."""
    parts = PurePosixPath(path)
    plain = path == str(parts) and not parts.is_absolute() and "\\" not in path and path.isprintable()
    if not plain or any(part.startswith(".") for part in parts.parts):
        return f"{path!r} is not a path in the site's folder"
    if parts.suffix.lower() not in (SUFFIX, *SOUNDS):
        return (
            f"{path} is no frame file and no sound file: its name ends in none of {SUFFIX} {' '.join(sorted(SOUNDS))}"
        )
    return None


@dataclass(frozen=True, slots=True)
class Plan:
    """What is taken over at an instant. `names` says which staged file gets which path. `begun`: it cannot be stopped
    any more."""

    id: str
    who: str
    at_ns: int
    names: Mapping[str, str]
    begun: bool = False


class Stage:
    """The staged files of the site in a folder. All methods but `at` and `staged` may raise OSError."""

    def __init__(self, site: Path) -> None:
        self._site, self.folder = site, site / FOLDER
        self.uploads = self.folder / UPLOADS

    def at(self, sha256: str, number: int = 0) -> Path:
        """Where a file lies that has arrived whole. `number` counts the equal ones before it."""
        return self.folder / (f"{sha256}-{number}" if number else sha256)

    def staged(self, plan: Plan) -> dict[Path, Path]:
        """Where the files lie, by the path that each gets."""
        return {(self._site / path).absolute(): self.folder / name for path, name in plan.names.items()}

    def take(self, arrived: Path, file: PushedFile) -> bool:
        """Stage a file that has arrived. False if it is not the one that was announced."""
        if hash_of(arrived) != file.sha256:
            return False
        arrived.chmod(0o644)
        arrived.replace(self.at(file.sha256))
        return True

    def names(self, files: Iterable[PushedFile]) -> dict[str, str]:
        """A name for each file, by its path. Equal ones are copied, so that each has its own to be renamed."""
        names: dict[str, str] = {}
        seen: dict[str, int] = {}
        for file in files:
            number = seen.get(file.sha256, 0)
            seen[file.sha256] = number + 1
            name = self.at(file.sha256, number)
            if number and not name.exists():
                self.copy(self.at(file.sha256), name)
            names[file.path] = name.name
        return names

    def copy(self, source: Path, staged: Path) -> None:
        """Stage a copy of a file."""
        fresh = staged.with_suffix(".new")
        _copy(source, fresh)
        fresh.replace(staged)

    def keep_only(self, hashes: Iterable[str]) -> None:
        """Remove the staged files and uploads of other contents."""
        wanted = set(hashes)
        for path in (*self._files(), *self.uploads.glob("*/[!.]*")):
            if path.name.partition("-")[0] not in wanted:
                shutil.rmtree(path.parent) if path.is_relative_to(self.uploads) else path.unlink()

    def write(self, plan: Plan, files: Files) -> None:
        """Write a plan, and the texts of site.toml and rig.toml."""
        for name in FILES:
            write_private(self.folder / name, files[name].decode())
        write_private(self.folder / PLAN, json.dumps(asdict(plan)))

    def begin(self, plan: Plan) -> None:
        """Note that the plan cannot be stopped any more."""
        write_private(self.folder / PLAN, json.dumps(asdict(replace(plan, begun=True))))

    def drop(self) -> None:
        """Forget the plan. The files stay, for the next push."""
        (self.folder / PLAN).unlink(missing_ok=True)
        if self.folder.is_dir():
            sync_folder(self.folder)

    def plan(self) -> Plan | None:
        """The plan. None if there is none that can be read."""
        with suppress(OSError, ValueError, TypeError):
            return Plan(**json.loads((self.folder / PLAN).read_text(encoding="utf-8")))
        return None

    def texts(self) -> Files:
        return read_files(self.folder)

    def place(self, plan: Plan) -> None:
        """Give each staged file its place. Those that have it already are left."""
        folders = set()
        for target, staged in self.staged(plan).items():
            if staged.exists():
                target.parent.mkdir(parents=True, exist_ok=True)
                _move(staged, target)
                folders.add(target.parent)
        for folder in sorted(folders):
            sync_folder(folder)

    def clear(self) -> None:
        """Remove the folder: first the plan."""
        self.drop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def remove_old(self, before_ns: int) -> None:
        """Remove what was not touched since an instant. A plan stays, whatever its age."""
        found = [path for path in (self.folder, *self.folder.rglob("*")) if path.exists()]
        if found and self.plan() is None and max(path.stat().st_mtime_ns for path in found) < before_ns:
            shutil.rmtree(self.folder)

    def _files(self) -> Iterator[Path]:
        return (path for path in self.folder.glob("*") if path.is_file())


def finish_take_over(folder: Path, state: Path) -> bool:
    """Complete a take-over that a power cut interrupted. InputError if that is not possible."""
    stage = Stage(folder)
    plan = stage.plan()
    if plan is None or not plan.begun:
        return False
    try:
        stage.place(plan)
        if read_files(folder) != (new := stage.texts()):
            Versions(state).install(folder, new, plan.at_ns, plan.who, PUSHED)
        stage.clear()
    except OSError as error:
        problem = (
            f"the take-over of a pushed site was interrupted, and cannot be completed: {why_closed(folder, error)}"
        )
        raise InputError(ConfigError(folder, None, None, problem, "make the folder writable")) from None
    return True


def _move(staged: Path, target: Path) -> None:
    try:
        staged.replace(target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        near = target.with_name(f".{target.name}.new")  # the folder of the piece is on another disk
        _copy(staged, near)
        near.replace(target)
        staged.unlink()


def _copy(source: Path, target: Path) -> None:
    """Copy a file; the data are on the disk before this returns."""
    shutil.copyfile(source, target)
    with target.open("rb") as file:
        os.fsync(file.fileno())
    target.chmod(0o644)
