"""The one way in which the program writes site.toml and rig.toml: checked, compared, kept as a version, read again."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from functools import partial
from pathlib import Path

from gloaming.daemon.planner.clock_trust import FIRST_NS, LAST_NS
from gloaming.daemon.planner.site_watch import SiteWatch
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.reports.site_changes import Differences, differences
from gloaming.daemon.site.editing import (
    CheckedTexts,
    Files,
    TextError,
    check_files,
    digest,
    promise_of,
    read_files,
    texts,
)
from gloaming.daemon.site.edits import edited
from gloaming.daemon.site.last_good import FILES, with_hours_of
from gloaming.daemon.site.promised_hours import Promise, Refused, RefusedCode, new_commands, refusals
from gloaming.daemon.site.site import Site
from gloaming.daemon.site.staging import PUSHED
from gloaming.daemon.site.versions import Version, Versions
from gloaming.daemon.timetable.zones import local_date
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.rig.model import Rig
from gloaming.shows.time_units import SECOND_NS

TEXT_CHANGES_MAX = 3
"""So many sentences of what changed stand in the journal and in the list of versions."""
CERTAIN = ("synchronised", "rtc", "host")
"""What a clock is trusted by that no person has set: hours of a year that is over count no more."""


class ConflictCode(StrEnum):
    """Why files are not saved, for programs."""

    EDITED_MEANWHILE = "edited-meanwhile"
    NEIGHBOURS_HOURS = "neighbours-hours"
    HOOK_COMMAND = "hook-command"
    CLOCK_TRUST = "clock-trust"
    MISTAKES = "mistakes"
    NEWER_CHECK = "newer-check"


class SiteConflictError(Exception):
    """Files are not saved, and nothing has changed. `files` and `version` are those of the disk."""

    def __init__(
        self,
        code: ConflictCode,
        text: str,
        files: Files | None = None,
        errors: tuple[TextError, ...] = (),
        refused: tuple[Refused, ...] = (),
    ) -> None:
        super().__init__(text)
        self.code, self.errors, self.refused = code, errors, refused
        self.files = texts(files) if files else None
        self.version = digest(files) if files else None


@dataclass(frozen=True, slots=True)
class SiteRead:
    """The files on the disk, and the mistakes in them."""

    files: dict[str, str]
    version: str
    errors: tuple[TextError, ...]


@dataclass(frozen=True, slots=True)
class SiteChecked:
    """What texts would make: mistakes, why they are refused, and what would change. None where they make no site."""

    errors: tuple[TextError, ...]
    warnings: tuple[TextError, ...]
    refused: tuple[Refused, ...]
    differences: Differences | None


@dataclass(frozen=True, slots=True)
class SiteSaved:
    """The files that were saved. Not taken over: they have mistakes, and the running site stays."""

    version: str
    taken_over: bool
    errors: tuple[TextError, ...]


@dataclass
class _Turns:
    """Lets one check run at a time. Of those of a device that wait, only the newest runs."""

    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    newest: dict[str, int] = field(default_factory=dict)


class SiteFiles:
    """Checks and saves the site's files. `watch` reads them again."""

    def __init__(self, situation: Situation, state: Path, watch: SiteWatch) -> None:
        self._situation, self._watch = situation, watch
        self._versions = Versions(state)
        self._checks, self._saving = _Turns(), asyncio.Lock()
        self._rig: tuple[bytes, Rig | None] = (b"", None)
        """The rig.toml that was checked last, and what it holds: most edits are of site.toml."""
        self._promises: dict[tuple[str, str], Promise | None] = {}

    @property
    def _folder(self) -> Path:
        return self._situation.site.folder

    @property
    def _now_ns(self) -> int:
        """The show's time, within the years that a clock may have: outside them no rule has dates to compare."""
        return min(max(self._situation.now_ns(), FIRST_NS), LAST_NS)

    async def read(self) -> SiteRead:
        """The files on the disk. OSError."""
        files = await asyncio.to_thread(read_files, self._folder)
        refused = self._watch.refused
        errors = tuple(map(TextError.of, refused.errors)) if refused else ()
        return SiteRead(texts(files), digest(files), errors)

    async def check(self, files: Mapping[str, str], who: str) -> SiteChecked:
        """What texts would make. SiteConflictError if a newer check of the same device waits."""
        number = self._checks.newest[who] = self._checks.newest.get(who, 0) + 1
        async with self._checks.lock:
            if self._checks.newest[who] != number:
                raise SiteConflictError(ConflictCode.NEWER_CHECK, "a newer text of this device is checked instead")
            return await asyncio.to_thread(self._check, encoded(files))

    async def save(
        self, files: Mapping[str, str], version: str, who: str, force: bool = False, text: str = ""
    ) -> SiteSaved:
        """Save both files, if they are still those of a version, and read the site again. `text` says what changes;
        without it, the differences do. SiteConflictError, InputError, OSError."""
        new = encoded(files)
        async with self._saving:
            said = await asyncio.to_thread(self._save, new, version, who, force, text)
            if said is not None:
                now = self._situation
                now.store.note(now.now_ns(), "site", f"{who} has saved {said}", who)
                await self._watch.reload(f"saved by {who}")
        refused = self._watch.refused
        errors = tuple(map(TextError.of, refused.errors)) if refused else ()
        return SiteSaved(digest(new), not refused, errors)

    async def change(self, changes: Iterable[Mapping[str, object]], who: str, text: str = "") -> SiteSaved:
        """Make changes in the files as they are now, and save them. SiteConflictError, InputError, OSError."""
        found = await self.read()
        return await self.save(self.changed(found.files, changes), found.version, who, text=text)

    def changed(self, files: Mapping[str, str], changes: Iterable[Mapping[str, object]]) -> dict[str, str]:
        """Texts with changes of a form made in them. Nothing is saved. InputError."""
        return {**files, "site.toml": edited(files["site.toml"], changes)}

    def check_staged(self, files: Files, staged: Mapping[Path, Path]) -> Site:
        """The site of files that are not in their places yet; `staged` has those of pieces. It runs in a thread.
        SiteConflictError where they are not taken; OSError."""
        at = datetime.fromtimestamp(self._now_ns // SECOND_NS, UTC)
        found = check_files(files, self._folder, at, staged=staged)
        errors = found.errors or tuple(map(TextError.of, found.site.problems if found.site else ()))
        if refused := self._refused(found.promise):
            raise SiteConflictError(_CODES[refused[0].code], refused[0].text, None, errors, refused)
        if found.site is None or errors:
            raise SiteConflictError(ConflictCode.MISTAKES, str(errors[0]), None, errors)
        sounds, warnings = self._of_own(found.site.missing_sounds), self._of_own(found.site.warnings)
        return replace(found.site, missing_sounds=sounds, warnings=warnings)

    def _of_own(self, notices: Iterable[ConfigError]) -> tuple[ConfigError, ...]:
        """Notices of files that were checked elsewhere, as of the site's own."""
        return tuple(replace(one, file=self._folder / Path(one.file).name) for one in notices)

    async def take_over(self, site: Site, new: Files, who: str, begin: Callable[[], Awaitable[None]]) -> int:
        """Make a site of `check_staged` the one that runs, and its files those of the folder, once `begin` has ended.
        Nothing is saved meanwhile. The instant from which it is used. OSError; what `begin` raises."""
        now = self._situation

        def save() -> None:
            if read_files(self._folder) != new:
                self._versions.install(self._folder, new, now.now_ns(), who, PUSHED)

        async with self._saving:
            return await self._watch.take_over(site, begin, save, who)

    def versions(self) -> list[Version]:
        """What was saved, the newest first."""
        return self._versions.all()[::-1]

    def version(self, id: int) -> tuple[Version, dict[str, str]] | None:
        """A version and its files."""
        about = self._versions.about(id)
        return (about, texts(self._versions.files(id))) if about else None

    async def restore(self, id: int, who: str) -> SiteSaved:
        """Save the files of a version again. LookupError if there is none; else as `save`."""
        found = await asyncio.to_thread(self.version, id)
        if found is None:
            raise LookupError(id)
        about, files = found
        at = datetime.fromtimestamp(about.at_ns // SECOND_NS, self._situation.timezone)
        current = await self.read()
        return await self.save(files, current.version, who, text=f"the files of {at:%Y-%m-%d %H:%M} again")

    # in a thread

    def _check(self, files: Files) -> SiteChecked:
        checked = self._checked(files)
        found = None
        if checked.site:
            site = self._situation.site
            found = differences(site, checked.site, local_date(self._now_ns, site.timezone))
        return SiteChecked(checked.errors, checked.warnings, self._refused(checked.promise), found)

    def _checked(self, files: Files) -> CheckedTexts:
        at = datetime.fromtimestamp(self._now_ns // SECOND_NS, UTC)
        text, rig = self._rig
        found = check_files(files, self._folder, at, rig if text == files["rig.toml"] else None)
        if found.site:
            self._rig = files["rig.toml"], found.site.rig
        return found

    def _refused(self, promise: Promise | None) -> tuple[Refused, ...]:
        """Why a promise is not as strict as those in force; none for one that cannot be read."""
        if promise is None:
            return ()
        now_ns, held, verdict = self._now_ns, self._situation.held, self._situation.trust.verdict
        since_ns = now_ns if verdict.trusted and verdict.by in CERTAIN else FIRST_NS
        promises = self._in_force()
        found = {one: None for each in promises for one in refusals(each, promise, now_ns, held, since_ns)}
        return (*new_commands(promises[:2], promise), *found)

    def _in_force(self) -> list[Promise]:
        """What holds: by the site that runs, the files on the disk, and the newest that the board itself wrote."""
        site = self._situation.site
        found = [Promise.of(site)]
        disk = read_files(self._folder)
        on_disk = self._promise(disk, "")
        if on_disk is None:
            added = with_hours_of(site, self._folder / "site.toml")
            on_disk = Promise.of(added) if added else None
        found += [on_disk] if on_disk else []
        known = self._versions.all()
        board = self._versions.of_board()
        if board and known[-1].digest == digest(disk):
            at = datetime.fromtimestamp(board.at_ns // SECOND_NS, site.timezone)
            promise = self._promise(self._versions.files(board.id), f"the board's own file of {at:%Y-%m-%d}")
            found += [promise] if promise else []
        return found

    def _promise(self, files: Files, where: str) -> Promise | None:
        key = digest(files), where
        if key not in self._promises:
            self._promises = {**dict(list(self._promises.items())[-3:]), key: promise_of(files, where)}
        return self._promises[key]

    def _save(self, new: Files, version: str, who: str, force: bool, text: str) -> str | None:
        """Save files. Returns which, and what changes; None where nothing does."""
        before = read_files(self._folder)
        self._unedited(before, version)
        checked = self._checked(new)
        if checked.promise is None and force:
            first = f": {checked.errors[0]}" if checked.errors else ""
            problem = f"neighbours' hours and rig cannot be read, so they cannot be compared{first}"
            raise SiteConflictError(ConflictCode.NEIGHBOURS_HOURS, problem, before, checked.errors)
        if refused := self._refused(checked.promise):
            raise SiteConflictError(_CODES[refused[0].code], refused[0].text, before, checked.errors, refused)
        if checked.errors and not force:
            raise SiteConflictError(ConflictCode.MISTAKES, str(checked.errors[0]), before, checked.errors)
        names = [name for name in FILES if before[name] != new[name]]
        if not names:
            return None
        text = text or self._sentence(checked)
        unedited = partial(self._unedited, version=version)
        self._versions.install(self._folder, new, self._situation.now_ns(), who, text, unedited)
        return f"{' and '.join(names)}: {text}"

    def _unedited(self, found: Files, version: str) -> None:
        if digest(found) != version:
            text = "the files were changed meanwhile: your text is not saved. Compare it with the files as they are now"
            raise SiteConflictError(ConflictCode.EDITED_MEANWHILE, text, found)

    def _sentence(self, checked: CheckedTexts) -> str:
        """What changes, for the journal and the list of versions."""
        if checked.site is None:
            return f"saved with a mistake: {checked.errors[0]}"
        site = self._situation.site
        found = differences(site, checked.site, local_date(self._now_ns, site.timezone)).changes
        more = f"; and {len(found) - TEXT_CHANGES_MAX} more changes" if len(found) > TEXT_CHANGES_MAX else ""
        return "; ".join(one.text for one in found[:TEXT_CHANGES_MAX]) + more or "no change of what is shown"


_CODES = {code: ConflictCode(code.value) for code in RefusedCode}


def encoded(files: Mapping[str, str]) -> Files:
    """The texts as they are written. InputError for a text that no file can hold."""
    found = {}
    for name in FILES:
        try:
            found[name] = files[name].encode()
        except UnicodeEncodeError as error:
            line = files[name].count("\n", 0, error.start) + 1
            problem = f"character {error.object[error.start]!r} is half of a character, which no file can hold"
            raise InputError(ConfigError(name, line, None, problem, "remove it, or type it again")) from None
    return found
