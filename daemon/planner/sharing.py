"""The facts that boards share: overrides, by the site's broker. Each board stores all of them and decides by itself.

What is heard is joined with what is stored, acted on at once, and confirmed to the board that has changed it. What was
changed here is published before the disk has it. After each connection a board publishes what the broker does not have.
Where several boards could do so, each waits for a moment of its own, and the others hear the first one.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from random import random

from gloaming.daemon.direction.merged import join
from gloaming.daemon.direction.overrides import TERMS, Override
from gloaming.daemon.direction.shared_fact import MARK_BITS, fact_of, is_shared, payload_of
from gloaming.daemon.planner.board_confirmations import BoardConfirmations
from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.confirmation import CONFIRM_S
from gloaming.daemon.planner.jobs import Jobs
from gloaming.daemon.planner.journal_texts import asked_text, ended_text
from gloaming.daemon.planner.read_fact import NewerFactError, read_fact
from gloaming.daemon.planner.rig_checks import RigChecks
from gloaming.daemon.planner.score_sender import ScoreSender
from gloaming.daemon.planner.situation import KEEP_NS, Situation
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.shows.time_units import SECOND_NS

PREFIX, CONNECTED = "facts", "connected"
APART_S = 0.01
"""With each board of the site, the moments at which boards publish the same are spread over this longer time."""
AT_ONCE, PAUSE_S = 200, 0.2
"""So many facts are published at once, and then a pause: the link holds no more than ten times as many."""
FACTS_MAX = 5000
"""As many facts as a busy site has in weeks. Further ones stay at the broker; of pauses, twice as many are heard."""
STANDING_MAX = 200
"""So many overrides of a kind and a board are in force or to come at once. More would take the planner's time."""
SAID_SOONER_S = 0.3
"""A board says that it could not confirm before the board that asked gives up."""
ACKS_MAX = 20
"""So many facts of one turn are confirmed; so many of those that were asked here have their confirmations kept."""
AHEAD_NS = 2 * SECOND_NS
"""A skip begins up to a second later than it is asked for, as its sound needs."""
IDS_AHEAD = 1 << 21
"""An id whose number is so much higher than all others is no board's: it would use up the numbers."""


@dataclass(frozen=True, slots=True)
class _Change:
    """A fact that another board has changed. `known` is what was stored before."""

    known: Override | None
    now: Override

    @property
    def ends(self) -> bool:
        """Whether somebody has ended it early."""
        return self.now.undone and not (self.known and self.known.undone)


class SharedFacts:
    """Owns what is known of the broker's facts. All methods are called on the event loop."""

    def __init__(
        self, situation: Situation, boards: Boards, sender: ScoreSender, rig_checks: RigChecks, jobs: Jobs
    ) -> None:
        self._situation, self._boards, self._sender, self._jobs = situation, boards, sender, jobs
        self._rig_checks = rig_checks
        self._on_broker: dict[int, Override | None] = {}
        """The facts that the broker retains; None for one that this version cannot read."""
        self._retained: dict[int, Override | None] = {}
        """Those of them that have come since the connection was lost."""
        self._heard: dict[int, Override] = {}
        """What nobody has acted on yet."""
        self._due: set[int] = set()
        """What the broker does not have."""
        self._took_s = self._acted_s = 0.0
        self._newer: dict[int, tuple[str, str]] = {}
        """Of facts of a newer version: the board, and what this version does not know."""
        self._ahead: dict[str, tuple[int, int]] = {}
        """The boards whose facts begin in the future: how far, and when that instant comes."""
        self._full = False
        self.confirmations = BoardConfirmations(situation, boards)
        situation.store.changed = self._publish
        boards.route(PREFIX, self._take)
        boards.on_connected(self._compare)

    # what other parts use

    def troubles(self) -> list[Trouble]:
        """Facts of a newer version, too many of them, and clocks that differ."""
        now_ns, site = self._situation.now_ns(), self._situation.site
        if not site.boards:
            return []
        self._ahead = {board: ahead for board, ahead in self._ahead.items() if now_ns < ahead[1]}
        ahead = [
            Trouble(
                TroubleCode.BOARD_AHEAD,
                f"what was asked at board {board}",
                f"it begins {ahead_ns / SECOND_NS:.0f} s ahead of this board's clock",
            )
            for board, (ahead_ns, _) in self._ahead.items()
        ]
        newer = [
            Trouble(
                TroubleCode.BOARD_NEWER, f"the program of board {board}", f"it shares what is not acted on here: {text}"
            )
            for board, text in dict(self._newer.values()).items()
        ]
        text = f"a board shares more than {STANDING_MAX} of a kind, or all together {FACTS_MAX}: not all are acted on"
        return ahead + newer + ([Trouble(TroubleCode.SHARING_FLOOD, "shared facts", text)] if self._full else [])

    def adopt(self) -> None:
        """The site names this board now, perhaps: then what was asked for before is shared too."""
        if self._boards.sharing == CONNECTED:
            self._publish_missing()

    def clear(self) -> None:
        """Clear facts from the broker that are long over on all boards."""
        if self._boards.sharing == CONNECTED and self._situation.trust.trusted:
            since_ns = self._situation.now_ns() - KEEP_NS
            for id in [id for id, one in self._on_broker.items() if one and _over_ns(one) < since_ns]:
                del self._on_broker[id]
                self._boards.publish(f"{PREFIX}/{id}", b"", retained=True)
            self._full = len(self._on_broker) >= FACTS_MAX

    # publishing

    def _publish(self, override: Override) -> None:
        """Share an override, as it is stored."""
        self._due.discard(override.id)
        if not is_shared(override.id) or _same(self._on_broker.get(override.id), override):
            return
        self.confirmations.expect(override.id)
        try:
            self._boards.publish(f"{PREFIX}/{override.id}", payload_of(override), retained=True)
        except ValueError as error:
            text = f"{override.kind.words} {override.id} cannot be shared: {error}"
            self._note("fault", text)
        else:
            if self._boards.sharing == CONNECTED:
                self._on_broker[override.id] = override

    def _compare(self) -> None:
        """After a connection: publish what the broker does not have."""
        self._on_broker, self._retained = self._retained, {}
        self._newer = {id: newer for id, newer in self._newer.items() if id in self._on_broker}
        self._publish_missing()

    def _publish_missing(self) -> None:
        self._due.update(one.id for one in self._known() if self._is_missing(one))
        self._publish_later(self._own_moment_s())

    def _known(self) -> tuple[Override, ...]:
        return self._situation.store.shared(self._situation.now_ns() - KEEP_NS)

    def _is_missing(self, override: Override) -> bool:
        """Whether the broker has another version, or none. One that cannot be read here stays as it is."""
        if override.id in self._on_broker:
            found = self._on_broker[override.id]
            return found is not None and not _same(found, override)
        return True

    def _own_moment_s(self) -> float:
        return random() * APART_S * len(self._situation.site.boards)

    def _publish_later(self, after_s: float) -> None:
        if self._due:
            self._jobs.at(datetime.now(UTC) + timedelta(seconds=after_s), "share what is missing", self._publish_due)

    def _publish_due(self) -> None:
        for id in list(self._due)[:AT_ONCE]:
            self._due.discard(id)
            found = self._situation.store.override(id)
            if found and self._is_missing(found):
                self._publish(found)
        self._publish_later(PAUSE_S)

    # hearing

    def _take(self, name: str, payload: bytes, retained: bool) -> None:
        """A fact that the broker has. NotAFactError."""
        id = int(name) if name.isdecimal() and len(name) < 20 else 0
        broker = self._on_broker if self._boards.sharing == CONNECTED else self._retained
        broker.pop(id, None)
        self._newer.pop(id, None)
        if not payload:
            return
        if id - self._situation.store.next_id() >= IDS_AHEAD << MARK_BITS:
            raise ValueError("its id is higher than any board's")
        try:
            override = read_fact(payload, id)
        except NewerFactError as error:
            if len(broker) < FACTS_MAX:
                broker[id], self._newer[id] = None, (error.board, str(error))
            return
        most = FACTS_MAX if _piles_up(override) else 2 * FACTS_MAX
        if len(broker) >= most and self._situation.store.override(id) is None:
            self._full = True
            return
        broker[id] = override
        self._look_at_clock_of(override)
        self._heard[id] = join(self._heard[id], override) if id in self._heard else override
        if len(self._heard) == 1:  # after the rest of what has arrived; a flood has half of the time
            pause_s = max(0.0, self._acted_s + self._took_s - time.monotonic())
            self._jobs.at(datetime.now(UTC) + timedelta(seconds=pause_s), "act on shared facts", self._act)

    def _look_at_clock_of(self, override: Override) -> None:
        """Note a board that asks for what is to come: it writes the instants of its own clock."""
        for at_ns, board in (override.at_ns, override.author), (override.ended_ns or 0, override.changed_by):
            ahead_ns = at_ns - self._situation.now_ns()
            another = board != self._situation.site.board_name and board not in self._ahead
            if ahead_ns > AHEAD_NS and another and self._situation.trust.trusted:
                self._ahead[board] = ahead_ns, at_ns

    def _act(self) -> None:
        """Act on what was heard."""
        begin_s = time.monotonic()
        heard, self._heard = self._heard, {}
        is_due = bool(self._due)  # then it is published soon, and not put off
        now, own = self._situation, self._situation.site.board_name
        changes: list[_Change] = []
        standing = Counter((one.author, one.kind) for one in now.standing(now.now_ns()))
        for id, override in heard.items():
            known = now.store.override(id)
            if known is None and override.end_ns > now.now_ns() and _piles_up(override):
                standing[override.author, override.kind] += 1
                if standing[override.author, override.kind] > STANDING_MAX:
                    self._full = True
                    continue
            whole = join(known, override) if known else override
            if self._boards.sharing == CONNECTED and self._is_missing(whole):
                self._due.add(id)
            if not _same(known, whole):
                changes.append(_Change(known, _with_own_frames(whole, known)))
        if not is_due:
            self._publish_later(self._own_moment_s())
        if changes:
            now.store.take_over(one.now for one in changes)
            now.read_overrides()
            self._write(changes)
            self._sender.send()
            asked = [one for one in changes if one.now.changed_by != own]
            self._jobs.at(None, f"confirm {changes[0].now.id} {begin_s}", lambda: self._confirm(asked))
        self._acted_s = time.monotonic()
        self._took_s = self._acted_s - begin_s

    def _write(self, changes: Iterable[_Change]) -> None:
        """A line in the journal for what another board's person has asked for or ended."""
        for one in changes:
            now = one.now
            if one.known is None:
                text = asked_text(now, self._situation.now_ns(), self._situation.timezone)
                self._write_line(now, f"{text} (asked at {now.author}){self._unknown_name(now)}", now.who)
            if one.ends and not self._is_replaced(now):
                self._write_line(now, f"{ended_text(now)} (asked at {now.changed_by})", now.ended_by)

    def _write_line(self, override: Override, text: str, who: str) -> None:
        kind = "hold" if override.hold else "override"
        self._note(kind, text, f"{override.id} {text}", who, {"id": override.id, "board": override.changed_by})

    def _is_replaced(self, override: Override) -> bool:
        """Whether another override ended it: that has a line of its own."""
        at_ns = override.ended_ns
        return any(one.at_ns == at_ns and one.replaces(override) for one in self._situation.overrides)

    def _unknown_name(self, override: Override) -> str:
        site = self._situation.site
        for what, name, known in (
            ("zone", override.zone, site.zones),
            ("piece", override.piece, site.pieces),
            ("show", override.show, site.shows),
        ):
            if name is not None and name not in known:
                return f"; this board's site has no {what} {name!r}, so it does nothing here"
        return ""

    def _note(
        self, kind: str, text: str, alike: str = "", who: str = "", data: dict[str, object] | None = None
    ) -> None:
        self._situation.store.note_seldom(self._situation.now_ns(), kind, text, alike, data, who)

    # confirming

    async def _confirm(self, changes: list[_Change]) -> None:
        """Tell the boards that have changed facts whether these are on this board's wire."""
        if any(one.now.check and not one.now.check.path for one in changes) and await self._rig_checks.render_shared():
            self._sender.files_changed()
            self._sender.send()
        now_ns = self._situation.now_ns()
        standing = {one.id: one for one in self._situation.standing(now_ns)}
        asked = [one for one in changes if one.now.id in standing or one.ends][:ACKS_MAX]
        await asyncio.gather(*(self._say(standing.get(one.now.id, one.now), one) for one in asked))

    async def _say(self, override: Override, change: _Change) -> None:
        ended = override.end_ns <= self._situation.now_ns()
        sent = await self._sender.confirmed(override, ended, CONFIRM_S - SAID_SOONER_S)
        self.confirmations.send(change.now, sent)


def _same(one: Override | None, other: Override) -> bool:
    """Whether two versions are the same fact."""
    return one is not None and fact_of(one) == fact_of(other)


def _piles_up(override: Override) -> bool:
    """Whether many of a kind can be in force at once. A pause ends the pause before it, so it is always acted on."""
    return override.zone is not None or override.kind not in TERMS[override.kind].ends


def _over_ns(override: Override) -> int:
    """When a fact is over on a board too that has not heard of its end. Holds that nobody ended are looked at anew."""
    return override.end_ns if override.hold else override.until_ns


def _with_own_frames(override: Override, known: Override | None) -> Override:
    """A check with the frame file that this board has, if its pattern has the same."""
    check, own = override.check, known and known.check
    if not (check and own and check.pattern and own.pattern):
        return override
    pattern = replace(check.pattern, spans=own.pattern.spans)
    if pattern.file != own.pattern.file:
        return override
    return replace(override, check=replace(own, text=check.text, pattern=pattern))
