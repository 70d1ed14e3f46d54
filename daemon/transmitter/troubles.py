"""Reports each trouble once, and its end. The same trouble is reported again after a minute at the earliest.

A trouble ends when it has not been seen for a while. The time is an argument.
"""

from __future__ import annotations

import errno
import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from gloaming.daemon.score.protocol import Op
from gloaming.daemon.service.log import Seldom
from gloaming.daemon.transmitter.bulk import is_ipv6
from gloaming.shows.time_units import SECOND_NS

QUIET_NS = 3 * SECOND_NS
OF_A_KIND = 10
"""The most reports of one kind in a minute."""
NONE: Mapping[str, Any] = {}
MANY = 3
"""From this number on, unreached controllers are one trouble, if they are more than half."""
UNANSWERED_NS = 10 * SECOND_NS
"""For an address without an answer. The kernel reports it only after three seconds of asking."""


@dataclass
class _Standing:
    message: dict[str, Any]
    reported: bool
    last_ns: int
    quiet_ns: int


@dataclass
class Troubles:
    """The troubles that stand, by kind and subject. Passes each `trouble` message to `report`."""

    report: Callable[[dict[str, Any]], None]
    _standing: dict[tuple[str, str], _Standing] = field(default_factory=dict)
    _seldom: Seldom = field(default_factory=lambda: Seldom(OF_A_KIND))

    def seen(
        self,
        at_ns: int,
        kind: str,
        subject: str,
        text: str,
        more: Mapping[str, Any] = NONE,
        quiet_ns: int = QUIET_NS,
    ) -> None:
        """Note that a trouble is present."""
        message = {"op": Op.TROUBLE, "kind": kind, "subject": subject, "text": text, "over": False, **more}
        standing = self._standing.get((kind, subject))
        if standing is None:
            standing = self._standing[kind, subject] = _Standing(message, False, at_ns, quiet_ns)
        standing.message, standing.last_ns, standing.quiet_ns = message, at_ns, quiet_ns
        if not standing.reported and self._seldom.passes((kind, subject), at_ns / SECOND_NS) is not None:
            standing.reported = True
            self.report(standing.message)

    def report_ended(self, at_ns: int) -> None:
        """Report the troubles that are over."""
        for key, standing in list(self._standing.items()):
            if at_ns - standing.last_ns > standing.quiet_ns:
                del self._standing[key]
                if standing.reported:
                    self.report({**standing.message, "text": "over", "over": True})

    def repeat(self) -> None:
        """Report all troubles that stand, for a new planner."""
        for standing in self._standing.values():
            if standing.reported:
                self.report(standing.message)


@dataclass
class _Failing:
    first_ns: int
    last_ns: int
    number: int
    reported: bool = False

    @property
    def quiet_ns(self) -> int:
        return UNANSWERED_NS if self.number == errno.EHOSTUNREACH else QUIET_NS


@dataclass
class Unreached:
    """Controllers that packets do not reach: a trouble for each, or one for all if most are unreached.

    Most are unreached when the board's own cable is out. A single one is reported half a second later, once it is
    clear that it is alone.
    """

    _failing: dict[str, _Failing] = field(default_factory=dict)

    def seen(self, at_ns: int, errors: Mapping[str, int], controllers: int) -> Iterator[tuple[str | None, str, int]]:
        """Take the errors (number by host) since the last call. Yields `(host, text, quiet_ns)` of each trouble.

        The host is None for a trouble of most controllers. The trouble is over after `quiet_ns` without an error.
        """
        self._failing = {host: one for host, one in self._failing.items() if at_ns - one.last_ns < one.quiet_ns}
        for host, number in errors.items():
            failing = self._failing.setdefault(host, _Failing(at_ns, at_ns, number))
            failing.last_ns, failing.number = at_ns, number
        if len(self._failing) >= MANY and 2 * len(self._failing) > controllers:
            if errors:
                number = Counter(errors.values()).most_common(1)[0][0]
                reason = f"packets to most of the {controllers} controllers are not taken: {os.strerror(number)}"
                yield None, reason, max(one.quiet_ns for one in self._failing.values())
            return
        for host, one in self._failing.items():
            if at_ns - one.first_ns >= SECOND_NS // 2 and (one.last_ns == at_ns or not one.reported):
                one.reported = True
                yield host, f"packets to {host} are not taken: {_reason(host, one.number)}", one.quiet_ns


def _reason(host: str, number: int) -> str:
    """What an error means. EACCES: the host is a broadcast address, and its packets leave by a socket that may not
    broadcast (socket(7), SO_BROADCAST)."""
    if number == errno.EACCES and not is_ipv6(host):
        return "it is the broadcast address of a network (Art-Net: remove host, write broadcast = true)"
    return os.strerror(number)
