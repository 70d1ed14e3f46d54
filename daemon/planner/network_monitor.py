"""What answers on the network: once a minute while this board has Art-Net controllers, and when a person asks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Any

from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.reports.network import (
    NOT_ASKED,
    NOTHING,
    NetworkComparison,
    by_art_net,
    node_json,
    take_a_look,
)
from gloaming.shows.analysis.finding import FindingCode
from gloaming.shows.rig.model import Controller

LOOK_S = 60.0
TROUBLES: dict[StrEnum, TroubleCode] = {
    FindingCode.NODE_DIFFERS: TroubleCode.NODE_DIFFERS,
    FindingCode.NODE_MERGES: TroubleCode.NODE_MERGES,
}
"""The findings that are troubles. The others are no faults, or no node is sure to report them."""


class NetworkMonitor:
    """Keeps the last look, and what follows from it for this board's controllers."""

    def __init__(
        self,
        situation: Situation,
        rig: RigMonitor,
        telemetry: Callable[[], Mapping[str, Any] | None],
        waits_for: Callable[[], str | None],
        look_soon: Callable[[], None],
    ) -> None:
        """`telemetry` returns the transmitter's last one. `waits_for` returns the board for which this one waits.
        `look_soon` calls `look_once` soon."""
        self._situation, self._rig, self._telemetry, self._waits_for = situation, rig, telemetry, waits_for
        self._look_soon, self._looking = look_soon, False
        self._last = NOTHING
        self._nodes: dict[str, list[dict[str, Any]]] = {}
        self._troubles: list[Trouble] = []
        self._risen: set[int] = set()
        """The universes that were sent during the last look."""
        self._sent: set[int] = set()
        """The universes that were sent during the last two looks, and so before the last one began."""

    async def look(self) -> None:
        """Look, if this board sends by Art-Net and may ask."""
        if self._asks and not self._looking:
            await self.look_once()

    def look_now(self) -> dict[str, Any]:
        """Begin a look, as a person asks for it. The answer of POST /api/network."""
        if not self._looking:
            self._looking = True
            self._look_soon()
        return self.as_json()

    async def look_once(self) -> None:
        """Look, whatever the site has."""
        self._looking, before = True, self._packets()
        try:
            self._last = await take_a_look(self._situation.site, self._rig.names.addresses, self._situation.now_ns())
        finally:
            self._looking = False
        self.adopt()
        after = self._packets()
        risen = {one for one, packets in after.items() if packets > before.get(one, packets)}
        self._sent, self._risen = risen & self._risen, risen

    def as_json(self) -> dict[str, Any]:
        """The answer of GET /api/network: the last look, and whether another one is under way."""
        answers = {name: one.answers for name, one in self._rig.reach.found.items()}
        return self._compared(answers).as_json(self._looking)

    def adopt(self) -> None:
        """The site was read again: hold the last look against it."""
        self._nodes, self._troubles = {}, []
        if self._last is NOTHING or not self._asks:
            return
        compared = self._compared()
        for one in self._situation.site.part.controller:
            self._nodes[one.name] = [node_json(node, one) for node in compared.nodes[one.name]]
            for finding in compared.of_controller(one):
                if (code := TROUBLES.get(finding.code)) is not None:
                    self._troubles.append(Trouble(code, one.name, finding.text))

    def _compared(self, answers: Mapping[str, bool | None] = NOT_ASKED) -> NetworkComparison:
        site, addresses = self._situation.site, self._rig.names.addresses
        return NetworkComparison(site, addresses, self._last, answers, self._sent)

    def nodes(self, controller: Controller) -> list[dict[str, Any]]:
        """What the Art-Net nodes of a controller said of themselves at the last look."""
        return self._nodes.get(controller.name, []) if self._asks else []

    def troubles(self) -> list[Trouble]:
        """Where a node of this board expects something else, or merges the data of two sources."""
        return self._troubles if self._asks else []

    @property
    def _asks(self) -> bool:
        """Whether nodes are asked without a person who asks. A spare that waits feeds none of them."""
        site = self._situation.site
        return by_art_net(site.part) and site.output.art_poll and self._waits_for() is None

    def _packets(self) -> dict[int, int]:
        """The packets of each universe, by the transmitter."""
        ranges = (self._telemetry() or {}).get("universe_packets", ())
        return {one: packets for first, last, packets, _ in ranges for one in range(first, last + 1)}
