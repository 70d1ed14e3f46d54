"""What a decision depends on: the site, the overrides, the held windows, and whether the clock is trusted.

It changes with each command, when the site is read again, and when the clock is set.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.areas import decide_areas
from gloaming.daemon.direction.decide import Decision, called_at, decide, isoformat, segment_at
from gloaming.daemon.direction.merged import merged
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import UNDO_SKIP_NS
from gloaming.daemon.direction.rules_in_force import CalledPiece, HeldRule
from gloaming.daemon.direction.score import DecidedSegment, Reason, ReasonCode, State
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.clock_steps import ClockSteps
from gloaming.daemon.planner.clock_trust import ClockTrust
from gloaming.daemon.planner.damaged_files import DamagedFiles
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.site import Site
from gloaming.shows.rig.zones import Area
from gloaming.shows.time_units import DAY_NS, SECOND_NS

KEEP_NS = 3 * DAY_NS
"""For this long, an ended override still shifts what is played."""


class Situation:
    """`clock_was_set` is called when the time, or the trust in it, has changed."""

    def __init__(self, site: Site, store: Store, clock: Clock, clock_was_set: Callable[[], None]) -> None:
        self.store, self.clock, self._clock_was_set = store, clock, clock_was_set
        self.damaged = DamagedFiles(store)
        self.site = self.damaged.on(site, clock.now_ns())
        self.trust = ClockTrust(store, clock, site.clock.trust, sets=site.clock.set)
        self.steps = ClockSteps(store, self.trust)
        self.overrides: tuple[Override, ...] = ()
        self._stored: tuple[Override, ...] = ()
        self._leaving: tuple[Override, str] | None = None
        self._be_the_board()
        self._move_with_the_clock()

    @property
    def timezone(self) -> ZoneInfo:
        return self.site.timezone

    @property
    def held(self) -> tuple[HeldRule, ...]:
        """The neighbours' windows that hold across a step of the clock."""
        return self.steps.held

    def now_ns(self) -> int:
        return self.clock.now_ns()

    # decisions

    def decision(self, at_ns: int, zone: str | None = None) -> Decision:
        """The decision for an instant, as if the clock were trusted: for a zone, or for the rest of the rig."""
        return decide(at_ns, self.site, self.overrides, self.held, zone)

    def current(self, at_ns: int, zone: str | None = None) -> Decision:
        """The decision for now: dark if the clock is not trusted."""
        if self.trust.trusted:
            return self.decision(at_ns, zone)
        return Decision(at_ns, State.NO_CLOCK, None, None, None, None, 0.0, False, (self.no_clock(),), None, None)

    def everywhere(self, at_ns: int) -> tuple[Decision, ...]:
        """The decisions for now: of the rest of the rig, and of each area."""
        return self.current(at_ns), *(decision for _, decision in self.areas(at_ns))

    def areas(self, at_ns: int) -> tuple[tuple[Area, Decision], ...]:
        """Each area and its decision for now; none if the clock is not trusted, since the whole rig is dark."""
        return decide_areas(at_ns, self.site, self.overrides, self.held).areas if self.trust.trusted else ()

    def segment(self, at_ns: int, overrides: tuple[Override, ...] | None = None) -> DecidedSegment:
        """The segment of an instant, with these overrides or with those that are stored."""
        return segment_at(at_ns, self.site, self.overrides if overrides is None else overrides, self.held)

    def no_clock(self) -> Reason:
        """Why the clock is not trusted."""
        rule = f"{self.site.clock.place or 'site.toml'} clock.trust"
        return reason(ReasonCode.NO_CLOCK, rule, clock=self.trust.verdict.text)

    # overrides

    def read_overrides(self) -> None:
        """Read the stored overrides again. A call of what the site no longer has does not count, and no check whose
        pattern is not rendered here."""
        stored, site = self.store.overrides(self.now_ns() - KEEP_NS), self.site
        if site.boards:
            stored = merged(stored)
        self._stored = stored
        self.overrides = tuple(
            one
            for one in stored
            if (one.kind != Kind.CALL or (one.piece in site.pieces if one.piece else one.show in site.shows))
            and not (one.check and not one.check.path)
        )

    def standing(self, at_ns: int) -> tuple[Override, ...]:
        """The overrides in force or still to come. A called piece begins and ends as it is looked up."""
        looked_up = {one.call.id: one for one in called_at(at_ns, self.site, self.overrides, self.held)}
        return tuple(one for each in self.overrides if (one := _looked_up(each, looked_up)) and at_ns < one.end_ns)

    def shared_checks(self) -> tuple[Override, ...]:
        """The rig checks in force, or to come, that other boards were asked for. Some may have no frame file here."""
        now_ns, own = self.now_ns(), self.site.board_name
        return tuple(one for one in self._stored if one.check and one.author != own and now_ns < one.end_ns)

    def replaced_by(self, override: Override) -> list[Override]:
        """The overrides that a new one ends."""
        return [one for one in self.standing(override.at_ns) if override.replaces(one)]

    def add(self, override: Override, ends: Iterable[Override] = ()) -> Override:
        """Store an override under a new id, and the end of those that it replaces."""
        board = self.site.board_name
        override = replace(override, id=self.store.next_id(), author=board, changed_by=board)
        self.store.add(override, ends)
        self.read_overrides()
        return override

    def change(self, override: Override) -> None:
        """Store an override in place of the one with its id: a person who holds a button would fill the state."""
        if before := self.store.override(override.id):
            override = replace(override, author=before.author, version=before.version)
        self.store.add(override.changed(self.site.board_name))
        self.read_overrides()

    def end(self, id: int, at_ns: int, who: str = "") -> None:
        self.store.end(id, at_ns, who)
        self.read_overrides()

    def leave_out(self, piece: str, at_ns: int, why: str) -> bool:
        """Skip a piece from an instant on. False if a skip is there already."""
        now_ns = self.now_ns()
        if any(one.kind == Kind.SKIP and one.at_ns >= at_ns for one in self.standing(now_ns)):
            return False
        skip = Override(0, Kind.SKIP, at_ns, at_ns + UNDO_SKIP_NS, who="gloaming")
        self._leaving = self.add(skip), piece
        self.store.note(now_ns, "fault", f"{piece} is left out from {isoformat(at_ns, self.timezone)} on: {why}")
        return True

    def drop_idle_skip(self, now_ns: int) -> None:
        """End a coming skip whose piece will not play then: it would skip another piece."""
        if self._leaving is None:
            return
        skip, piece = self._leaving
        there = self.decision(skip.at_ns - 1)
        if now_ns >= skip.at_ns or (there.state, there.piece) != (State.PLAYING, piece):
            self._leaving = None
            if now_ns < skip.at_ns:
                self.end(skip.id, now_ns)

    # the site

    def adopt(self, site: Site) -> None:
        """Use another site from now on."""
        self.site = self.damaged.on(site, self.now_ns())
        self._be_the_board()
        self.read_overrides()

    def _be_the_board(self) -> None:
        """Store under the name of this board. What was asked for before the site had boards is shared from now on."""
        self.store.board = self.site.board_name
        if self.site.board is None:  # a board that the site does not name yet
            return
        ids = self.store.share_earlier()
        if self._leaving and self._leaving[0].id in ids:
            skip, piece = self._leaving
            self._leaving = replace(skip, id=ids[skip.id]), piece

    # the clock

    def look_at_clock(self) -> None:
        """Act on a step of the wall clock, and on a change of the trust in it."""
        self.after_step()
        if self.trust.look():
            self.clock_changed(self.trust.verdict.text)

    def after_step(self) -> None:
        """Act on a step of the wall clock against the monotonic clock."""
        if step_ns := self.clock.stepped_ns():
            self.trust.stepped(step_ns)
            self.clock_changed(f"the clock stepped by {step_ns / SECOND_NS:+.3f} s", alike="step")

    def clock_changed(self, text: str, alike: str = "") -> None:
        """The time, or the trust in it, has changed."""
        self.store.note_seldom(self.now_ns(), "clock", text, alike)
        self._move_with_the_clock()
        self._clock_was_set()

    def _move_with_the_clock(self) -> None:
        self.steps.look(self.site)
        self.read_overrides()


def _looked_up(override: Override, called: Mapping[int, CalledPiece]) -> Override | None:
    """An override with the begin and the end that are looked up; None for a called piece that is not given."""
    if not override.piece:
        return override
    found = called.get(override.id)
    return found and replace(override, at_ns=found.from_ns, until_ns=found.until_ns)
