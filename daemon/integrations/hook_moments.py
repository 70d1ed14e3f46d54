"""For which moments of the show on the wire one hook is due: each once, also where it is sent before the moment."""

from __future__ import annotations

from gloaming.daemon.direction.moments import Moment, OnWire
from gloaming.daemon.planner.show_moments import Followed
from gloaming.daemon.site.schema_delivery import Hook
from gloaming.shows.time_units import SECOND_NS

LATE_NS = 900 * SECOND_NS
"""A hook that is later than this, because the board was off, is left out; but not one with `again_at_start`."""
TWICE_NS = 30 * SECOND_NS
"""A hook that was sent so recently is not sent again at a start."""


class HookMoments:
    """Holds the moments that happened and are due later, and those that were sent before they happened."""

    def __init__(self, hook: Hook) -> None:
        self._hook = hook
        self._waiting: list[Moment] = []
        self._announced: list[Moment] = []

    def due(self, show: Followed, now_ns: int, sent_ns: int) -> list[Moment]:
        """The moments for which the hook is to be sent now. `sent_ns` is when it was last sent."""
        happened = [one for one in show.happened if self._concerns(one)]
        coming = [one for one in show.coming if self._concerns(one) and self.due_ns(one) <= now_ns]
        if show.anew:
            self._waiting, self._announced = [one for one in happened if self.due_ns(one) > now_ns], coming
            past = [one for one in happened if self.due_ns(one) <= now_ns]
            return [one for one in [*past, *coming][-1:] if self._at_start(one, show.on_wire, now_ns, sent_ns)]
        self._waiting += [one for one in happened if not _take(self._announced, one)]
        found = [one for one in self._waiting if self.due_ns(one) <= now_ns]
        self._waiting = [one for one in self._waiting if self.due_ns(one) > now_ns]
        if self._hook.after:
            found = [one for one in found if self._counts(one, show.on_wire)]
        before, self._announced = self._announced, coming
        found += [one for one in coming if not _take(before, one)]
        self._announced += [one for one in before if one.at_ns > now_ns]  # a moment that may come later after all
        return found

    def due_ns(self, moment: Moment) -> int:
        return moment.at_ns + self._hook.shift_ns

    def next_ns(self, show: Followed, now_ns: int) -> int | None:
        """When the hook is next due, by what is known now."""
        coming = (self.due_ns(one) for one in (*self._waiting, *show.coming) if self._concerns(one))
        return min((due_ns for due_ns in coming if due_ns > now_ns), default=None)

    def _concerns(self, moment: Moment) -> bool:
        hook = self._hook
        return hook.at == moment.at and (hook.only is None or moment.name in hook.only)

    def _at_start(self, last: Moment, on_wire: OnWire, now_ns: int, sent_ns: int) -> bool:
        """Whether the last moment counts, although nobody saw it: it was due before the planner began."""
        due_ns = self.due_ns(last)
        fresh, again = due_ns > sent_ns, self._hook.again_at_start
        if not fresh and now_ns - sent_ns < TWICE_NS:
            return False
        if last.at_ns > now_ns:
            return fresh or again
        late = fresh and not last.at.begins and now_ns - due_ns <= LATE_NS
        return (again or late) and self._counts(last, on_wire)

    def _counts(self, moment: Moment, on_wire: OnWire) -> bool:
        """Whether a moment of before still counts: what began is still on, or nothing that the hook is for is on."""
        if moment.at.begins:
            of = slice(1, 3) if moment.at.of_a_piece else slice(0, 1)
            return on_wire[of] == moment.on_wire[of]
        name = on_wire.piece if moment.at.of_a_piece else on_wire.show
        return name is None or (self._hook.only is not None and name not in self._hook.only)


def _take(moments: list[Moment], moment: Moment) -> bool:
    """Take the first moment of the same name out of a list. False if there is none."""
    found = next((one for one in moments if one.name == moment.name), None)
    if found:
        moments.remove(found)
    return found is not None
