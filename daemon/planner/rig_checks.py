"""Rig checks: what was asked for, and the frame files of their patterns."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.overrides import CHECKS, Check, Kind, Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.direction.rig_check import LEAST_MINUTES, RequestedCheck, ask_rig_check, pattern_of
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameWriter, inspect
from gloaming.shows.framefile.source import universes_of
from gloaming.shows.rig.patterns import Pattern, blocks, digest, frame_rate
from gloaming.shows.time_units import HOUR_NS, SECOND_NS

PATTERNS_MAX = 12


class RigChecks:
    """Renders the patterns of rig checks, each into a file in `folder`."""

    def __init__(self, situation: Situation, state: Path) -> None:
        self._situation, self.folder = situation, state / "rig-check"
        self._not_shown: set[int] = set()
        """Rig checks of other boards that this rig cannot show."""

    async def check(self, request: Mapping[str, object], who: str) -> Override:
        """The override for a rig check, with its pattern rendered. InputError. Refusal: also if somebody turns
        the lights off while the pattern is rendered."""
        asked, before = self._asked(request), self._lights_off()
        site = self._situation.site
        found = await asyncio.to_thread(self._render, asked.pattern, site)
        if later := self._lights_off() - before:
            raise Refusal(
                *(reason(ReasonCode.LIGHTS_OFF_SINCE, f"override {id}", override=id, kind=kind) for id, kind in later)
            )
        if self._situation.site is not site:  # read again meanwhile
            return await self.check(request, who)
        return _override(self._asked(request), found, who)

    def _lights_off(self) -> set[tuple[int, Kind]]:
        """The pauses and darks in force for the whole rig."""
        standing = self._situation.standing(self._situation.now_ns())
        return {(one.id, one.kind) for one in standing if one.lights_off}

    def _asked(self, request: Mapping[str, object]) -> RequestedCheck:
        now = self._situation
        return ask_rig_check(request, now.now_ns(), now.site, now.overrides, now.held)

    def changed_checks(self) -> list[tuple[Override, dict[str, object]]]:
        """This board's rig checks in force, each with a request for the rest of it, whose pixels have changed or whose
        file is lost."""
        now_ns, found = self._situation.now_ns(), []
        for one in self._situation.standing(now_ns):
            if one.author == self._situation.site.board_name and one.check and (pattern := one.check.pattern):
                path = self._path(pattern, self._situation.site)
                if path != Path(one.check.path) or not path.exists():
                    found.append((one, _request(one, pattern, now_ns)))
        return found

    async def render_shared(self) -> bool:
        """Render the rig checks that other boards were asked for, again where the rig has changed. True if the score
        changes. One that this rig cannot show is not shown, and the journal says so once."""
        before = self._situation.overrides
        for one in self._situation.shared_checks():
            if one.check and one.check.pattern:
                await self._render_shared(one, one.check, one.check.pattern)
        return self._situation.overrides != before

    async def _render_shared(self, one: Override, check: Check, shared: Pattern) -> None:
        now, site = self._situation, self._situation.site
        try:
            pattern = replace(pattern_of(_request(one, shared, now.now_ns()), site), a_second=shared.a_second)
            path = self._path(pattern, site)
            if str(path) == check.path and path.exists():
                return
            found = await asyncio.to_thread(self._render, pattern, site)
        except (InputError, Refusal, OSError) as error:
            if not check.path and one.id in self._not_shown:
                return
            found = replace(check, path="")
            if one.id not in self._not_shown:
                self._not_shown.add(one.id)
                now.store.note(now.now_ns(), "rig-check", f"{check.text} is not shown on this board: {error}")
        stored = now.store.override(one.id)
        if stored and stored.check and stored.check.pattern == shared:  # else it has moved on meanwhile
            now.store.take_over([replace(stored, check=replace(found, text=check.text))])
            now.read_overrides()

    def _path(self, pattern: Pattern, site: Site) -> Path:
        return self.folder / f"{digest(pattern, site.rig, site.slots)}.frames"

    def _render(self, pattern: Pattern, site: Site) -> Check:
        """The pattern's frame file. OSError with a text for a person if it cannot be written."""
        try:
            return self._rendered(pattern, site)
        except InputError as error:
            number, problem = errno.EIO, error.errors[0].problem
        except OSError as error:
            number, problem = error.errno or errno.EIO, error.strerror or str(error)
        raise OSError(number, f"the pattern cannot be written to {self.folder}: {problem}")

    def _rendered(self, pattern: Pattern, site: Site) -> Check:
        """The file has the name of its content, so it is rendered once. The oldest files are deleted."""
        self.folder.mkdir(mode=0o700, exist_ok=True)
        path = self._path(pattern, site)
        try:
            info = inspect(path)
            path.touch()
        except InputError:
            standing = {one.check.path for one in self._situation.overrides if one.check}  # a burn-in lasts for hours
            others = [one for one in self.folder.glob("*.frames") if str(one) not in standing]
            for one in sorted(others, key=lambda one: -one.stat().st_mtime)[PATTERNS_MAX - 1 :]:
                with suppress(OSError):  # it is gone already
                    one.unlink()
            with FrameWriter(path, frame_rate(pattern), universes_of(site.slots), crash_safe=False) as writer:
                for block in blocks(pattern.file, site.rig, site.slots):
                    writer.write(block)
            info = inspect(path)
        return Check(pattern.text, str(path), info.frames, info.fps, pattern)

    def dim_windows(self) -> list[tuple[int, int, float]]:
        """When a rig check may have dim light in dark hours: from, until, and the highest level."""
        level = self._situation.site.neighbours.rig_check
        checks = [one for one in self._situation.overrides if one.kind == Kind.RIG_CHECK]
        return [(one.at_ns, one.end_ns, level) for one in checks] if level else []

    def shown(self) -> dict[str, Any] | None:
        """The check in force, as GET /api/rig has it."""
        now_ns = self._situation.now_ns()
        for one in sorted(self._situation.standing(now_ns), key=lambda one: CHECKS.index(one.kind) if one.check else 9):
            if one.check and one.in_force_at(now_ns):
                frame = one.check.still
                if frame is None:
                    frame = int((now_ns - one.at_ns) * one.check.fps / SECOND_NS) % one.check.frames
                return {
                    "id": one.id,
                    "text": one.check.text,
                    "strings": list(one.check.strings),
                    "fixture": one.check.fixture,
                    "level": one.level,
                    "frame": frame + 1,
                    "frames": one.check.frames,
                }
        return None


def _override(asked: RequestedCheck, check: Check, who: str) -> Override:
    check = replace(check, text=asked.text)
    return Override(0, asked.kind, asked.at_ns, asked.until_ns, who, level=asked.level, check=check)


def _request(check: Override, pattern: Pattern, now_ns: int) -> dict[str, object]:
    """A request for the rest of a rig check."""
    left_h = (check.end_ns - now_ns) / HOUR_NS
    lasts = {"hours": left_h} if check.kind == Kind.BURN_IN else {"minutes": max(LEAST_MINUTES, left_h * 60)}
    keys = ("controller", "colour", "number", "port", "fixture", "zone")
    given = {key: getattr(pattern, key) for key in keys if getattr(pattern, key) is not None}
    strings = {"strings": list(pattern.only)} if pattern.only else {}
    return {"pattern": pattern.kind, **given, **strings, "level": check.level, **lasts}
