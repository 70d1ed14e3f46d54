"""Whether a spare carries the light of its board: receivers take its data once the board has sent none for 2.5 s."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.contact import AWAY_S
from gloaming.daemon.planner.messages import GROUPS
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.transmitter.udp_sender import interface_index
from gloaming.shows.interfaces import has_carrier
from gloaming.shows.protocols.e131 import DATA_LOSS_NS, IPV4
from gloaming.shows.time_units import SECOND_NS

STARTED_NS = 60 * SECOND_NS
"""Boards that get power together start one after the other. A spare says nothing before."""
SETTLED_NS = 5 * SECOND_NS
"""How long a spare sends before it misses the board: until then it may not have heard it yet."""
GONE_NS = 3 * SECOND_NS
BACK_NS = 5 * SECOND_NS
"""A board that is not heard counts as gone after `GONE_NS`, and as back once it has been heard for `BACK_NS`."""
AWAY_NS = int(AWAY_S * SECOND_NS)


class SpareBoard:
    """Follows the transmitter's telemetry. On a board that is no spare it only says whether there is a transmitter."""

    def __init__(
        self, situation: Situation, boards: Boards, is_plugged_in: Callable[[str | None], bool] | None = None
    ) -> None:
        self._situation, self._boards, self._is_plugged_in = situation, boards, is_plugged_in or _is_plugged_in
        self.carries = False
        """Whether receivers take the data of this board, as far as it knows."""
        self._since_ns = 0
        self._changing: tuple[int, int] | None = None
        """Since when the board is gone or back, while this does not count yet: monotonic, and the show's time."""
        self._heard_data = False
        self._looked_for: str | None = None
        self._packets, self._sending_since_ns, self._sent_ns = 0, 0, -DATA_LOSS_NS

    @property
    def waits_for(self) -> str | None:
        """The board for which this one is a spare, while that sends."""
        return None if self.carries else self._main

    @property
    def _main(self) -> str | None:
        board = self._situation.site.board
        return board.spare_for if board else None

    def adopt(self) -> None:
        """The site was read again: the board may send in another way now."""
        self._heard_data = False

    def lost(self) -> None:
        """The transmitter is gone."""
        self.carries, self._changing = False, None
        self._boards.say("carries", False)

    def follow(self, telemetry: Mapping[str, Any], monotonic_ns: int, uptime_ns: int) -> None:
        """Take a telemetry of the transmitter. `uptime_ns` is how long this machine is up."""
        if self._main is None:
            self.carries = True
        else:
            if self._looked_for is None:  # until now it was no spare
                self.carries = False
            self._look(telemetry, self._main, monotonic_ns, uptime_ns)
        self._looked_for = self._main
        self._boards.say("carries", self.carries)

    def _look(self, telemetry: Mapping[str, Any], main: str, monotonic_ns: int, uptime_ns: int) -> None:
        if telemetry["packets_sent"] != self._packets:
            if monotonic_ns - self._sent_ns >= DATA_LOSS_NS:
                self._sending_since_ns = monotonic_ns
            self._packets, self._sent_ns = telemetry["packets_sent"], monotonic_ns
        gone = self._gone(telemetry, main, monotonic_ns) if uptime_ns >= STARTED_NS else None
        if gone is None or gone == self.carries:
            self._changing = None
        elif self._changing is None:
            self._changing = monotonic_ns, self._situation.now_ns()
        elif monotonic_ns - self._changing[0] >= (GONE_NS if gone else BACK_NS):
            self.carries, self._since_ns, self._changing = gone, self._changing[1], None

    def _gone(self, telemetry: Mapping[str, Any], main: str, monotonic_ns: int) -> bool | None:
        """Whether the board sends nothing; None: not known."""
        site = self._situation.site
        priorities = [one["priority"] for one in telemetry.get("boards_heard", ())]
        above = [one for one in priorities if one is None or one > site.priority]  # None: only its discovery is heard
        if above:
            self._heard_data |= any(one is not None for one in above)
            return False
        if monotonic_ns - self._sent_ns >= DATA_LOSS_NS or monotonic_ns - self._sending_since_ns < SETTLED_NS:
            return None  # where streams end between performances, neither sends
        if not self._is_plugged_in(site.interface):
            return None  # it is this board that nobody hears
        if self._heard_data:
            return True
        if self._boards.sharing == "connected":
            return self._gone_by_status(main)
        by_multicast = any(one.by_multicast for one in site.part.controller)
        can_hear = by_multicast and IPV4 in GROUPS[site.output.multicast] and telemetry.get("watched")
        return True if can_hear else None

    def _gone_by_status(self, main: str) -> bool | None:
        """The same by what the board publishes. Where it has just lost its contact, it may only have started again."""
        seen = next(one for one in self._boards.seen() if one.name == main)
        if seen.contact:
            return not seen.status.get("carries", True)
        return True if seen.since_ns is None or self._situation.now_ns() - seen.since_ns >= AWAY_NS else None

    def troubles(self) -> list[Trouble]:
        """That this spare carries the light."""
        if not self.carries or self._main is None:
            return []
        since = datetime.fromtimestamp(self._since_ns // SECOND_NS, self._situation.timezone)
        text = f"the spare carries the light of {self._main} since {since:%H:%M}"
        return [Trouble(TroubleCode.SPARE_CARRIES, f"the light of board {self._main}", text)]


def _is_plugged_in(interface: str | None) -> bool:
    """Whether the interface of multicast has a cable that leads somewhere."""
    try:
        return has_carrier(interface_index(interface, "239.255.0.1"))
    except OSError:
        return False
