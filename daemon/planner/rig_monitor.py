"""The rig: which controllers answer, the limits for the limiter, and what it did."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.integrations.host_names import HostNames, host_names, host_troubles
from gloaming.daemon.integrations.reachability import Reachability
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.transmitter_troubles import NetworkTrouble
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.score.limits import CurrentLimit, Limits, StringDraw
from gloaming.daemon.site.board_name import unknown_board
from gloaming.shows.config_files.checking import Table
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.rig.draw import feeds_of_part, slot_ma
from gloaming.shows.rig.model import Controller, positions
from gloaming.shows.rig.zones import part_spans, parts_in, zone_spans
from gloaming.shows.time_units import SECOND_NS

REPORT_NS = 600 * SECOND_NS
"""The journal reports what is lowered again and again once in this time."""


class RigMonitor:
    """Keeps the state of the controllers, and the reports about the limiter."""

    def __init__(
        self,
        situation: Situation,
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
        self.names = HostNames(json.loads(situation.store.fact("addresses") or "{}"), self._moved)
        self.reach = Reachability(situation.site.part, self.names.addresses, situation.now_ns)
        self._send_setup = moved
        self._limited: dict[tuple[str, str], tuple[int, int]] = {}  # frames reported, and when

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

    def as_json(self) -> dict[str, Any]:
        """The answer of GET /api/rig, but for the check in force: the tables of the rig, strings with their places,
        zones with their strings."""
        rig = self._situation.site.rig
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
        }


def _error_json(trouble: NetworkTrouble, zone: ZoneInfo) -> dict[str, Any]:
    return {"at": isoformat(trouble.at_ns, zone), "text": trouble.text, "stands": trouble.stands}


def _within(universes: Collection[int], first: int, last: int) -> int:
    """How many universes are in a range."""
    return sum(first <= number <= last for number in universes)
