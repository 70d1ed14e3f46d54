"""The rig: which controllers answer, the limits for the limiter and what it did, the patterns of rig checks."""

from __future__ import annotations

import asyncio
import errno
import json
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.overrides import CHECKS, Check, Kind, Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.direction.rig_check import LEAST_MINUTES, RequestedCheck, ask_rig_check, pattern_of
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.integrations.host_names import HostNames, host_names, host_troubles
from gloaming.daemon.integrations.reachability import Reachability
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.transmitter_troubles import NetworkTrouble
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.score.limits import CurrentLimit, Limits, StringDraw
from gloaming.daemon.site.board_name import unknown_board
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.checking import Table
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameWriter, inspect
from gloaming.shows.framefile.source import universes_of
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.draw import feeds_of_part, slot_ma
from gloaming.shows.rig.model import Controller, positions
from gloaming.shows.rig.patterns import Pattern, blocks, digest, frame_rate
from gloaming.shows.rig.zones import part_spans, parts_in, zone_spans
from gloaming.shows.time_units import HOUR_NS, SECOND_NS

PATTERNS_MAX = 12
REPORT_NS = 600 * SECOND_NS
"""The journal reports what is lowered again and again once in this time."""


class RigMonitor:
    """Keeps the state of the controllers, the reports about the limiter, and the last rig check."""

    def __init__(
        self,
        situation: Situation,
        state: Path,
        moved: Callable[[], None],
        network: Mapping[str, NetworkTrouble],
        telemetry: Callable[[], Mapping[str, Any] | None] = lambda: None,
        waits_for: Callable[[], str | None] = lambda: None,
        nodes: Callable[[Controller], list[dict[str, Any]]] = lambda controller: [],
    ) -> None:
        """`moved` is called when a controller has another address. `network` has the last trouble with each address to
        which the transmitter could not send. `telemetry` returns the transmitter's last one. `waits_for` returns the
        board that asks the controllers, where this one is a spare that waits. `nodes` returns what the Art-Net nodes of
        a controller say of themselves."""
        self._waits_for, self._nodes = waits_for, nodes
        self._situation, self._network, self._telemetry = situation, network, telemetry
        self.folder = state / "rig-check"
        self.names = HostNames(json.loads(situation.store.fact("addresses") or "{}"), self._moved)
        self.reach = Reachability(situation.site.part, self.names.addresses, situation.now_ns)
        self._send_setup = moved
        self._limited: dict[tuple[str, str], tuple[int, int]] = {}  # frames reported, and when
        self._not_shown: set[int] = set()
        """Rig checks of other boards that this rig cannot show."""

    def adopt(self) -> None:
        """The site was read again."""
        self.reach.watch(self._situation.site.part, self.names.addresses)

    # controllers

    async def ask(self) -> None:
        """Ask each controller whether it is there. A spare that waits asks none."""
        if self._waits_for():
            self.reach.forget()
        else:
            await self.reach.look()

    async def look_up(self) -> None:
        """Look up the host names of the controllers."""
        await self.names.look(self._situation.site.part)

    def _moved(self, names: list[str]) -> None:
        """Keep the new addresses for the next start, and send to them from now on."""
        store, known = self._situation.store, self.names.addresses
        kept = {name: known[name] for name in host_names(self._situation.site.part) if name in known}
        store.set_fact("addresses", json.dumps(kept))
        listed = ", ".join(f"{name} is {known[name]}" for name in names)
        store.note(self._situation.now_ns(), "site", f"addresses were looked up: {listed}")
        self.adopt()
        self._send_setup()

    def troubles(self) -> list[Trouble]:
        """Of this board's name, of host names, of circuits, and of each controller that does not answer."""
        site = self._situation.site
        found = [trouble for _, trouble in host_troubles(site.part, self.names)]
        if unknown := unknown_board(site.board_name, site.boards):
            found.append(
                Trouble(TroubleCode.BOARD_UNKNOWN, site.board_name, f"this board sends nothing: {unknown.problem}")
            )
        if self._waits_for():  # another board asks the controllers
            return found
        found += self.reach.outages([address for address, trouble in self._network.items() if trouble.stands])
        for reach in self.reach.gone:
            problem = self.names.unanswered.get(reach.host or "")
            since = f"; its name cannot be looked up ({problem}), so the last known address is used" if problem else ""
            found.append(Trouble(TroubleCode.CONTROLLER, reach.controller, f"{reach.text}{since}"))
        return found

    def controllers(self) -> list[dict[str, Any]]:
        """Every controller: the boards that feed it; of those that this board feeds, whether it answers and since when,
        and what was sent to it.

        `packets` are the data packets of its universes since the last setup of the transmitter; `errors` are
        those that its address did not take.
        """
        site = self._situation.site
        zone, telemetry, waits_for = site.timezone, self._telemetry() or {}, self._waits_for()
        ranges = telemetry.get("universe_packets", ())
        errors = {one["host"]: one["errors"] for one in telemetry.get("controllers", ())}
        found = []
        for own in site.rig.controller:
            boards, reach = site.feeders[own.name], self.reach.found.get(own.name)
            one: dict[str, Any] = {"name": own.name, "boards": list(boards), "host": own.host, "address": None}
            one |= {"protocol": own.protocol, "way": own.way(reach.address if reach else None)}
            one |= {"answers": None, "words": f"is fed by {', '.join(boards) or 'no board'}", "since": None}
            one |= {"strings": [string.name for string in site.rig.strings_of[own.name]]}
            one |= {"packets": 0, "errors": 0, "last_error": None, "nodes": self._nodes(own)}
            if reach is not None:
                trouble = self._network.get(reach.address or "")
                words = f"is asked by {waits_for}" if waits_for else reach.words
                one |= {"address": reach.address, "answers": reach.answers, "words": words}
                one |= {"since": isoformat(reach.since_ns, zone), "errors": errors.get(reach.address, 0)}
                sent = (_within(own.universes, first, last) * packets for first, last, packets, _ in ranges)
                one |= {"packets": sum(sent), "last_error": trouble and _error_json(trouble, zone)}
            found.append(one)
        return found

    # the limiter

    def limits(self) -> Limits | None:
        """The limits for the transmitter: fuses, then supplies. None if the limiter is off, or no limit is known."""
        rig, found = self._situation.site.part, feeds_of_part(self._situation.site.part, self._situation.site.rig)
        fuses, supplies = (
            tuple(
                CurrentLimit(one.kind, one.name, one.limit_ma, one.always_ma, one.strings)
                for one in found
                if one.kind in kinds and one.strings and one.limit_ma is not None
            )
            for kinds in (("string", "port"), ("supply",))
        )
        strings = tuple(
            StringDraw(ma, tuple(string.spans())) for ma, string in zip(slot_ma(rig), rig.string, strict=True)
        )
        known = self._situation.site.output.limiter and (fuses or supplies)
        return Limits(strings, (fuses, supplies)) if known else None

    def report_limited(self, telemetry: Mapping[str, Any]) -> None:
        """Report in the journal what the limiter has lowered: at once, then every `REPORT_NS`."""
        now_ns = self._situation.now_ns()
        for one in telemetry.get("limited", ()):
            key, frames = (one["kind"], one["name"]), one["frames"]
            reported, at_ns = self._limited.get(key, (0, -REPORT_NS))
            if frames < reported:  # a new setup counts from 0
                reported = 0
            if frames > reported and not 0 <= now_ns - at_ns < REPORT_NS:  # or the clock was set back
                self._limited[key] = frames, now_ns
                text = (
                    f"{one['kind']} {one['name']} was lowered in {frames - reported} frames, to {one['lowest']:.0%} at "
                    f"the least: it would have drawn {one['ma'] / 1000:.1f} A, and may draw "
                    f"{one['limit_ma'] / 1000:g} A"
                )
                self._situation.store.note(now_ns, "limiter", text, data=dict(one))
            elif frames < self._limited.get(key, (0, 0))[0]:
                self._limited[key] = 0, at_ns

    # the rig check

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

    def as_json(self) -> dict[str, Any]:
        """The answer of GET /api/rig: the tables of the rig, strings with their places, zones with their strings, and
        the check in force."""
        rig, now_ns = self._situation.site.rig, self._situation.now_ns()
        parts = part_spans(rig)

        def rows(tables: Iterable[Table]) -> list[dict[str, Any]]:
            return [one.model_dump(mode="json", exclude={"place"}) for one in tables]

        return {
            "controllers": [
                {
                    **found,
                    "multicast": own.by_multicast,
                    "broadcast": own.broadcast,
                    "universes": list(own.universes),
                    "port_addresses": [*own.port_address_of.values()] if own.protocol is ProtocolName.ARTNET else [],
                    "brightness": own.brightness,
                }
                for found, own in zip(self.controllers(), rig.controller, strict=True)
            ],
            "circuits": rows(rig.circuit),
            "supplies": rows(rig.supply),
            "ports": [
                {**row, "name": port.name, "strings": [one.name for one in rig.on_port[port.name]]}
                for port, row in zip(rig.port, rows(rig.port), strict=True)
            ],
            "fixtures": rows(rig.fixture),
            "strings": [
                {
                    "name": one.name,
                    "controller": one.controller,
                    "port": one.port,
                    "group": one.group,
                    "universe": one.universe,
                    "slot": one.slot,
                    "pixels": one.pixels,
                    "missing": list(one.missing),
                    "order": one.order,
                    "spans": [list(span) for span in one.spans()],
                    "fuse_a": one.fuse_a,
                    "supply": one.supply,
                    "points": None if (at := positions(one)) is None else at.round(3).tolist(),
                }
                for one in rig.string
            ],
            "zones": [
                {
                    "name": name,
                    "strings": parts_in(spans, parts["string"]),
                    "fixtures": parts_in(spans, parts["fixture"]),
                }
                for name, spans in zone_spans(rig).items()
            ],
            "check": self._standing(now_ns),
        }

    def _standing(self, now_ns: int) -> dict[str, Any] | None:
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


def _error_json(trouble: NetworkTrouble, zone: ZoneInfo) -> dict[str, Any]:
    return {"at": isoformat(trouble.at_ns, zone), "text": trouble.text, "stands": trouble.stands}


def _within(universes: Collection[int], first: int, last: int) -> int:
    """How many universes are in a range."""
    return sum(first <= number <= last for number in universes)


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
