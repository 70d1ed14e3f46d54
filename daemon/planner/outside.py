"""What reaches the show from outside, by MQTT, HTTP and input devices, for the site's triggers and holds.

A listener hands over what it has heard in its thread. Of each table the newest message waits for the event loop, so
that no broker fills the memory, and the loop does no more than it can.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import secrets
import time
from contextlib import suppress
from enum import StrEnum
from hashlib import sha256
from threading import Lock

from gloaming.daemon.integrations.input_device import InputDevices
from gloaming.daemon.integrations.mqtt_listener import LATE_S, Heard, MqttListener
from gloaming.daemon.planner.acting_board import HAND_OVER_NS
from gloaming.daemon.planner.holds import Holds
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.triggers import Triggers
from gloaming.daemon.planner.troubles import Trouble
from gloaming.daemon.site.schema_delivery import Broker, broker_and_topic
from gloaming.daemon.site.schema_outside import Hold, Trigger
from gloaming.shows.time_units import SECOND_NS

TURN_S = 2.0
"""A board acts on a message so much later than the board before it, unless that has called meanwhile."""
WAITING_S = HAND_OVER_NS / SECOND_NS
LOOK_S = 0.1
MQTT = "mqtt"


class TableKind(StrEnum):
    """The tables of site.toml that listen."""

    TRIGGER = "trigger"
    HOLD = "hold"


class NoSuchTableError(Exception):
    """No table of this kind and name listens to HTTP."""

    def __init__(self, kind: TableKind, name: str) -> None:
        super().__init__(f"no {kind} {name} listens to HTTP: give its table http = true in site.toml")


class Outside:
    """Owns the listeners, the input devices, and the tokens."""

    def __init__(self, situation: Situation, triggers: Triggers, holds: Holds) -> None:
        self.triggers, self.holds, self._situation = triggers, holds, situation
        self._devices = InputDevices(self._pull)
        self._listeners: dict[Broker, MqttListener] = {}
        self._tables: dict[tuple[Broker, str], list[Trigger | Hold]] = {}
        """The tables that listen to a topic of a broker."""
        self._inbox: dict[tuple[TableKind, str], Heard] = {}
        """The newest message for each table that the event loop has not read."""
        self._lock = Lock()
        self._pulled: dict[tuple[str, bool], asyncio.Task[None]] = {}
        """The event of each trigger that is under way, and whether it came by MQTT: then it may be another board's."""
        self._newest_ns: dict[str, int] = {}
        """The newest message of each trigger."""
        self._loop: asyncio.AbstractEventLoop | None = None

    def start(self) -> None:
        """Begin to listen. What is heard reaches the running loop."""
        self._loop = asyncio.get_running_loop()
        self.adopt()

    async def stop(self) -> None:
        """Hear nothing more."""
        self._loop = None
        for listener in self._listeners.values():
            listener.close()
        self._devices.stop()
        for task in self._pulled.values():
            task.cancel()
        await asyncio.gather(*self._pulled.values(), return_exceptions=True)

    def adopt(self) -> None:
        """Listen for the tables of the present site. A connection to a broker that stays is kept."""
        site = self._situation.site
        tables: dict[tuple[Broker, str], list[Trigger | Hold]] = {}
        listening: tuple[Trigger | Hold, ...] = (*site.triggers, *site.holds)
        for table in listening:
            if table.mqtt is not None:
                tables.setdefault(broker_and_topic(table.mqtt), []).append(table)
        self._tables = tables
        topics: dict[Broker, set[str]] = {}
        for broker, topic in tables:
            topics.setdefault(broker, set()).add(topic)
        for broker in [broker for broker in self._listeners if broker not in topics]:
            self._listeners.pop(broker).close()
        for broker, wanted in topics.items():
            if broker in self._listeners:
                self._listeners[broker].listen_to(frozenset(wanted))
            else:
                self._listeners[broker] = MqttListener(broker, frozenset(wanted), self._heard)
        self._devices.adopt(site.triggers)

    def look(self) -> None:
        """Look for input devices that have come."""
        self._devices.look()

    @property
    def hears(self) -> bool:
        """Whether it is connected to all brokers of the tables."""
        return all(listener.hears for listener in self._listeners.values())

    def troubles(self) -> list[Trouble]:
        """The brokers, topics and devices that cannot be heard."""
        now_s = time.monotonic()
        brokers = [trouble for listener in self._listeners.values() for trouble in listener.troubles(now_s)]
        return brokers + self._devices.troubles()

    # MQTT

    def _heard(self, broker: Broker, message: Heard) -> None:
        """Called in a listener's thread."""
        for table in self._tables.get((broker, message.topic), ()):
            if isinstance(table, Hold):
                self._put((TableKind.HOLD, table.name), message)
            elif not message.retained and table.payload in (None, message.payload.decode(errors="replace")):
                self._put((TableKind.TRIGGER, table.name), message)

    def _put(self, key: tuple[TableKind, str], message: Heard) -> None:
        with self._lock:
            is_first = not self._inbox
            self._inbox[key] = message
        loop = self._loop
        if is_first and loop is not None:
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(self._read_inbox)

    def _read_inbox(self) -> None:
        with self._lock:
            inbox, self._inbox = self._inbox, {}
        for (kind, name), message in inbox.items():
            try:
                self._take(kind, name, message)
            except Exception as error:  # the others are heard all the same
                self._failed(f"the {kind} {name}", error)

    def _take(self, kind: TableKind, name: str, message: Heard) -> None:
        now_ns = self._situation.now_ns()
        if kind == TableKind.HOLD:
            self.holds.heard(name, message.payload, now_ns, message.retained)
        elif message.is_late(time.monotonic()):
            text = f"{name}: a message may be older than {LATE_S:g} s, and calls nothing"
            self._situation.store.note_seldom(now_ns, "trigger", text, "late")
        else:
            self._newest_ns[name] = now_ns
            self._pull(name, MQTT)

    def _pull(self, name: str, by: str) -> None:
        """Act on an event of a trigger, unless one is under way."""
        key = name, by == MQTT
        if key not in self._pulled and self._loop is not None:
            self._pulled[key] = self._loop.create_task(self._act(name, by), name=f"trigger {name}")

    async def _act(self, name: str, by: str) -> None:
        try:
            if by != MQTT or await self._turn_comes(name):
                await self.triggers.pulled(name, by, self._situation.now_ns())
        except Exception as error:
            self._failed(f"the trigger {name}", error)
        finally:
            del self._pulled[name, by == MQTT]

    async def _turn_comes(self, name: str) -> bool:
        """Wait until this board is to act on a message that all boards have heard. False if it is not to."""
        begin_s, waits = time.monotonic(), False
        while (turn := self.triggers.turn(name)) and (not waits or time.monotonic() - begin_s < turn * TURN_S):
            waits = True
            if self.triggers.was_called(name, self._newest_ns[name]) or time.monotonic() - begin_s > WAITING_S:
                return False
            await asyncio.sleep(LOOK_S)
        at_ns, triggers = self._newest_ns[name], self.triggers
        settled = waits and (triggers.was_called(name, at_ns) or triggers.was_refused(name, at_ns))
        return turn is not None and not settled

    def _failed(self, name: str, error: Exception) -> None:
        """Report a message that was not acted upon."""
        logging.getLogger(__name__).error("%s: a message failed", name, exc_info=error)
        text = f"{name}: a message failed: {error!r}"
        self._situation.store.note_seldom(self._situation.now_ns(), "fault", text, name)

    # HTTP

    def new_token(self, kind: TableKind, name: str) -> str:
        """A new token for a table. It ends the one before. NoSuchTableError."""
        self.check_listens(kind, name)
        token = secrets.token_urlsafe(32)
        self._situation.store.set_fact(_fact(kind, name), _hash(token))
        return token

    def opens(self, kind: TableKind, name: str, token: str) -> bool:
        """Whether a token is the one of a table that the site has now."""
        known = self._situation.store.fact(_fact(kind, name)) if self._listens(kind, name) else None
        return known is not None and hmac.compare_digest(known, _hash(token))

    def check_listens(self, kind: TableKind, name: str) -> None:
        """NoSuchTableError unless a table with this name listens to HTTP."""
        if not self._listens(kind, name):
            raise NoSuchTableError(kind, name)

    def taken_elsewhere(self, name: str) -> str | None:
        """Which board takes the readings of a hold by HTTP, if it is not this one."""
        site = self._situation.site
        named = next((one.board for one in site.holds if one.name == name), None)
        board = next((one for one in site.boards if one.name == named != site.board_name), None)
        if board is None:
            return None
        where = f"{board.address}/api/holds/{name}" if board.address else f"its page's address and /api/holds/{name}"
        return f"the board {board.name} takes the readings of this hold: send them to {where}"

    def _listens(self, kind: TableKind, name: str) -> bool:
        site = self._situation.site
        tables: tuple[Trigger | Hold, ...] = site.triggers if kind == TableKind.TRIGGER else site.holds
        return any(table.name == name and table.http for table in tables)


def _fact(kind: TableKind, name: str) -> str:
    return f"token_sha256 {kind} {name}"


def _hash(token: str) -> str:
    return sha256(token.encode(errors="replace")).hexdigest()
