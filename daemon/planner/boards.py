"""The other boards of the site: what they publish, and what this board publishes for them, by the site's broker.

A site without boards or without a broker costs nothing here. What the boards share, other parts decide: they name the
topics (`route`), and the kinds of messages from board to board (`on`).
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from typing import Any

from gloaming.daemon.integrations.board_link import END_S, BoardLink, BoardMessage
from gloaming.daemon.planner.contact import AWAY_S, BoardSeen, BoardStatus, Contacts, read_status
from gloaming.daemon.planner.identity import machine_hash
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.service.log import Rate
from gloaming.daemon.site.schema_boards import is_level
from gloaming.daemon.site.schema_delivery import broker_and_topic
from gloaming.daemon.site.site import Site

STATUS_FORMAT = 1
FACT = "boards"
STATUS_S, STATUS_EACH_S = 1.0, 0.2
"""A changed status is published once in the first time at most, and once in the second for each board of the site: all
of them hear it."""
TURN_MAX = 200
"""So many messages are acted upon in one turn of the event loop."""
AGAIN_S, AGAIN_EACH_S = 30.0, 0.4
"""It is published again, unchanged, once in one of these times: that of a board that is there never gets old. So none
needs an acknowledgement (QoS 0)."""
NAMESAKES_MAX = 10
FAILURES, FAILURES_WITHIN_S = 6, 60.0
"""So many failures are written to the log in this time: a board may send the same thousands of times."""
TO, STATUS = "to", "boards"
SHARING = {
    TroubleCode.BROKER: TroubleCode.SHARING,
    TroubleCode.BROKER_REFUSES: TroubleCode.SHARING_REFUSES,
    TroubleCode.BROKER_CERTIFICATE: TroubleCode.SHARING_CERTIFICATE,
    TroubleCode.BROKER_TOPIC: TroubleCode.SHARING_TOPIC,
    TroubleCode.BROKER_FLOOD: TroubleCode.SHARING_FLOOD,
}
"""The codes of a connection, for this one."""
Take = Callable[[str, bytes, bool], None]
TakeMessage = Callable[[dict[str, Any]], None]


class Boards:
    """Owns the link to the broker. `troubles_of_board` is the number of this board's other troubles. All methods are
    called on the event loop."""

    def __init__(self, situation: Situation, troubles_of_board: Callable[[], int]) -> None:
        self._situation, self._troubles_of_board = situation, troubles_of_board
        self._machine = machine_hash() or ""
        self._status: dict[str, object] = {}
        """What this board says of itself, as it was last looked up."""
        self._contacts = Contacts(situation.store.fact(FACT), situation.now_ns())
        self._routes: dict[str, Take] = {STATUS: self._take_status, TO: self._take_sent}
        self._kinds: dict[str, TakeMessage] = {}
        self._on_connected: list[Callable[[], None]] = []
        self._said: dict[str, object] = {}
        self._published: dict[str, object] = {}
        self._published_s = 0.0
        self._namesakes: dict[str, float] = {}
        """The sessions of other machines with this board's name, and since when each is known."""
        self._link: BoardLink | None = None
        self._linked: tuple[object, ...] = ()
        self._session = ""
        """That of the connection, once all retained messages have come; else empty."""
        self._lost = ""
        """The last session that has ended."""
        self._alone_s = 0.0
        """When the contact with the broker was lost."""
        self._pending: deque[BoardMessage] = deque()
        self._failures = Rate(FAILURES, FAILURES_WITHIN_S)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._root = ""
        self._adopt_names()

    # the process

    def start(self) -> None:
        """Begin to share. What is heard reaches the running loop."""
        self._loop = asyncio.get_running_loop()
        self.adopt()

    async def stop(self) -> None:
        """Tell the other boards that this one ends, and hear nothing more."""
        self._loop = None
        link = self._unlink()
        if link:
            await asyncio.to_thread(link.join, 2 * END_S)

    def adopt(self) -> None:
        """Share as the present site says. A connection to a broker that stays is kept."""
        self._adopt_names()
        site = self._situation.site
        wanted: tuple[object, ...] = ()
        if site.boards and site.sharing.broker and is_level(site.board_name):
            wanted = (site.sharing.broker, site.sharing.ca, site.board_name)
        if wanted == self._linked or self._loop is None:
            return
        self._unlink()
        self._changed()
        self._linked = wanted
        if wanted:
            self._open(site)

    def look(self) -> None:
        """Publish this board's status if it has changed, and store who is in contact."""
        if not self._situation.site.boards:
            return
        self._publish_status()
        self._contacts.look(self._situation.now_ns(), time.monotonic())
        if self._contacts.changed:
            self._contacts.changed = False
            self._situation.store.set_fact(FACT, self._contacts.as_text())

    # what other parts use

    @property
    def sharing(self) -> str:
        """Whether this board shares: "connected", "away", or "none" on a site without boards or broker."""
        return ("connected" if self._session else "away") if self._link else "none"

    def route(self, prefix: str, take: Take) -> None:
        """From now on, `take(name, payload, retained)` gets each message of ROOT/prefix/name. Before `start`."""
        self._routes[prefix] = take

    def on(self, kind: str, take: TakeMessage) -> None:
        """From now on, `take` gets each message of a kind that a board sends to this one. It has "from"."""
        self._kinds[kind] = take

    def on_connected(self, call: Callable[[], None]) -> None:
        """From now on, `call` is called after each connection, once the retained messages have come."""
        self._on_connected.append(call)

    def publish(self, topic: str, payload: bytes, retained: bool) -> None:
        """Publish a message on ROOT/topic. While the broker is away, of a retained topic the newest waits. ValueError
        for more than the boards read."""
        if self._link:
            self._link.publish(BoardMessage(f"{self._root}/{topic}", payload, retained))

    def send(self, board: str, kind: str, message: dict[str, Any]) -> None:
        """Send a message to a board that is in contact. It gets "from"."""
        whole = {**message, "from": self._situation.site.board_name}
        self.publish(f"{TO}/{board}/{kind}", json.dumps(whole).encode(), retained=False)

    def say(self, key: str, value: object) -> None:
        """Publish a value with this board's status, when it has changed. It must fit into JSON."""
        self._said[key] = value

    def seen(self) -> tuple[BoardSeen, ...]:
        """All boards of the site, and those in contact that the site does not name."""
        return self._contacts.seen()

    def cids(self) -> frozenset[str]:
        """The CIDs of all boards that were ever seen."""
        return self._contacts.cids()

    def troubles(self) -> list[Trouble]:
        """What is wrong with the sharing and with the other boards."""
        site, now_s = self._situation.site, time.monotonic()
        found: list[Trouble] = []
        if self._link is None:
            return found
        problem, subject = self._link.problem, f"sharing by {self._link.broker}"
        if not self._session and (problem.code != TroubleCode.BROKER or now_s - self._alone_s >= AWAY_S):
            text = f"{problem}: a pause on this board reaches this board alone"
            found.append(Trouble(SHARING.get(problem.code, problem.code), subject, text))
        elif topic := self._link.flooded:
            text = f"{topic} has so many messages that some are left out"
            found.append(Trouble(TroubleCode.SHARING_FLOOD, subject, text))
        if any(now_s - since_s >= AWAY_S for since_s in self._namesakes.values()):
            text = "another machine has this board's name: both send the same"
            found.append(Trouble(TroubleCode.BOARD_NAME_TWICE, f"board {site.board_name}", text))
        return found + self._contacts.troubles(site.digest, site.timezone, self._situation.now_ns(), now_s)

    # the link

    def _adopt_names(self) -> None:
        site = self._situation.site
        self._contacts.adopt((one.name for one in site.boards), site.board_name)

    def _open(self, site: Site) -> None:
        assert site.sharing.broker
        broker, self._root = broker_and_topic(site.sharing.broker)
        self._alone_s = time.monotonic()
        self._look_up()
        self._link = BoardLink(
            broker,
            f"{self._root}/{TO}/{site.board_name}",
            {f"{self._root}/{prefix}/+": 0 if prefix == STATUS else 1 for prefix in self._routes if prefix != TO},
            lambda session: self._status_message(session, contact=False),
            self._wake,
            site.folder / site.sharing.ca if site.sharing.ca else None,
        )

    def _unlink(self) -> BoardLink | None:
        """Tell the other boards that this one ends. The link that ends."""
        link, self._link = self._link, None
        if link:
            if self._session:
                link.publish(self._status_message(self._session, contact=False))
            link.close()
        self._pending.clear()
        return link

    def _wake(self) -> None:
        """Called in the link's thread."""
        loop = self._loop
        if loop is not None:
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(self._changed)

    def _changed(self) -> None:
        """Act on what the link has heard, and on a change of its connection."""
        link, now_ns, now_s = self._link, self._situation.now_ns(), time.monotonic()
        session = link.connected if link else ""
        if self._session and session != self._session:
            self._lost, self._session, self._alone_s = self._session, "", now_s
            self._namesakes.clear()
            self._contacts.alone(now_ns, now_s)
        if link and not self._pending:
            self._pending = link.take_inbox()
        turn = min(TURN_MAX, len(self._pending))
        for _ in range(turn):
            self._deliver(self._pending.popleft())
        if turn and self._loop:
            self._loop.call_soon(self._changed)
        elif session != self._session:
            self._session, self._published = session, {}
            self._contacts.connected(now_s)
            self._publish_status()
            for call in self._on_connected:
                call()

    def _deliver(self, message: BoardMessage) -> None:
        below = message.topic.removeprefix(f"{self._root}/")
        prefix, _, name = below.partition("/")
        take = self._routes.get(prefix)
        if take is None or (prefix == STATUS and message.session == self._lost):
            return
        try:
            take(name, message.payload, message.retained)
        except (ValueError, RecursionError) as error:
            self._note(f"{below}: a message cannot be read: {error}", prefix)
        except Exception as error:  # the others are heard all the same
            if self._failures.passes(time.monotonic()):
                logging.getLogger(__name__).error("%s: a message failed", below, exc_info=error)
            self._note(f"{below}: a message failed: {error!r}", prefix)

    def _note(self, text: str, alike: str) -> None:
        self._situation.store.note_seldom(self._situation.now_ns(), "fault", text, alike)

    def _take_sent(self, name: str, payload: bytes, retained: bool) -> None:
        kind = name.rpartition("/")[2]
        if kind in self._kinds and not retained:
            message = json.loads(payload)
            if not isinstance(message, dict) or not isinstance(message.get("from"), str):
                raise ValueError("no message of a board")
            self._kinds[kind](message)

    # this board's status

    def _take_status(self, name: str, payload: bytes, retained: bool) -> None:
        if not payload:
            return
        if name != self._situation.site.board_name:
            self._contacts.hear(name, payload, self._situation.now_ns(), time.monotonic())
        elif not retained:
            self._take_own(read_status(name, payload))

    def _take_own(self, status: BoardStatus) -> None:
        """A status of this board's name, just published. Who hears of a namesake says that it is there too."""
        if status.session == self._session:
            return
        if not status.contact:  # an earlier connection of this board's, or a namesake's, has ended
            self._namesakes.pop(status.session, None)
            self._publish_status(again=True)
        elif status.session not in self._namesakes and len(self._namesakes) < NAMESAKES_MAX:
            self._namesakes[status.session] = time.monotonic()
            self._publish_status(again=True)

    def _publish_status(self, again: bool = False) -> None:
        """Publish this board's status, if it has changed since the last time, or `again`."""
        link, now_s, status = self._link, time.monotonic(), self._look_up()
        if link is None or not self._session:
            return
        passed_s = now_s - self._published_s
        each_s = max(STATUS_S, STATUS_EACH_S * len(self._situation.site.boards))
        is_due = passed_s >= each_s if status != self._published else passed_s >= self._again_s
        if again or not self._published or is_due:
            self._published, self._published_s = status, now_s
            link.publish(self._status_message(self._session, contact=True))

    @property
    def _again_s(self) -> float:
        return max(AGAIN_S, AGAIN_EACH_S * len(self._situation.site.boards))

    def _look_up(self) -> dict[str, object]:
        site = self._situation.site
        self._status = {
            **self._said,
            "format": STATUS_FORMAT,
            "machine": self._machine,
            "program": _program(),
            "name": site.board_name,
            "cid": self._situation.store.fact("cid") or "",
            "address": (site.board and site.board.address) or self._said.get("address", ""),
            "site": site.digest,
            "again_s": self._again_s,
            "troubles": self._troubles_of_board(),
        }
        self._contacts.this(self._status)
        return self._status

    def _status_message(self, session: str, contact: bool) -> BoardMessage:
        """Also called in the link's thread, for the broker's message when this board is lost."""
        status = {**self._status, "session": session, "contact": contact, "at_ns": self._situation.now_ns()}
        topic = f"{self._root}/{STATUS}/{self._status['name']}"
        return BoardMessage(topic, json.dumps(status).encode(), retained=True)


@cache
def _program() -> str:
    return version("gloaming")
