"""What goes wrong, said once: each trouble stands until it has been quiet for a while, and is said again no sooner than
a minute after. Told the time, reads no clock."""

from __future__ import annotations

import errno
import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from gloaming.daemon.score.protocol import Op
from gloaming.daemon.service.log import Seldom
from gloaming.shows.time_units import SECOND_NS

QUIET_NS = 3 * SECOND_NS
OF_A_KIND = 10
"""So many troubles of a kind are said in a minute, whatever their subjects."""
NONE: Mapping[str, Any] = {}
MANY = 3
"""So many controllers, where they are more than half, are one trouble."""
ASKED_NS = 10 * SECOND_NS
"""Where nobody answers for an address the kernel asks for three seconds, and says so only then."""


@dataclass
class _Standing:
    message: dict[str, Any]
    said: bool
    last_ns: int
    quiet_ns: int


@dataclass
class Troubles:
    """Says troubles, by kind and subject; `say` takes a `trouble` message."""

    say: Callable[[dict[str, Any]], None]
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
        """A trouble is there, or still there."""
        message = {"op": Op.TROUBLE, "kind": kind, "subject": subject, "text": text, "over": False, **more}
        standing = self._standing.get((kind, subject))
        if standing is None:
            standing = self._standing[kind, subject] = _Standing(message, False, at_ns, quiet_ns)
        standing.message, standing.last_ns, standing.quiet_ns = message, at_ns, quiet_ns
        if not standing.said and self._seldom.passes((kind, subject), at_ns / SECOND_NS) is not None:
            standing.said = True
            self.say(standing.message)

    def tend(self, at_ns: int) -> None:
        """Say what is over."""
        for key, standing in list(self._standing.items()):
            if at_ns - standing.last_ns > standing.quiet_ns:
                del self._standing[key]
                if standing.said:
                    self.say({**standing.message, "text": "over", "over": True})

    def repeat(self) -> None:
        """Say all that stands, to a planner that is new."""
        for standing in self._standing.values():
            if standing.said:
                self.say(standing.message)


@dataclass
class _Failing:
    first_ns: int
    last_ns: int
    number: int
    told: bool = False

    @property
    def quiet_ns(self) -> int:
        return ASKED_NS if self.number == errno.EHOSTUNREACH else QUIET_NS


@dataclass
class Unreached:
    """Controllers whose packets are not taken: one line for each, or one for all where it is most of them, as when the
    board's own cable is out. A single one is told a second later, when it is known whether it is alone."""

    _failing: dict[str, _Failing] = field(default_factory=dict)

    def seen(self, at_ns: int, errors: Mapping[str, int], controllers: int) -> Iterator[tuple[str | None, str, int]]:
        """The errors (numbers by host) since the last call. What is to be told: of a host or, with None, of all; and
        when it has been quiet for long enough."""
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
            if at_ns - one.first_ns >= SECOND_NS // 2 and (one.last_ns == at_ns or not one.told):
                one.told = True
                yield host, f"packets to {host} are not taken: {os.strerror(one.number)}", one.quiet_ns
