"""The link to the broker over which the boards of a site share. Sections are those of the OASIS standard MQTT 5.0.

Subscriptions are made one after the other. After each, a mark to this board itself comes back: then the broker has sent
what it retains, and lets this user write and read.
"""

from __future__ import annotations

import secrets
import time
from collections import OrderedDict, defaultdict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

from gloaming.daemon.integrations.mqtt_connection import (
    ANSWER_S,
    OF_A_TOPIC,
    OF_A_TOPIC_WITHIN_S,
    BrokerError,
    MqttConnection,
)
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.daemon.service.log import Rate
from gloaming.daemon.site.schema_delivery import Broker

if TYPE_CHECKING:
    from paho.mqtt.client import MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

    from gloaming.daemon.integrations.mqtt_client import BoundedClient

PAUSES_S = (0.2, 0.5, 1.0, 2.0, 5.0)
"""The pauses between two attempts to connect. A person waits for a pause to reach the other boards."""
INBOX_MAX = 5000
"""So many messages may wait for the event loop."""
OUTBOX_MAX = 2000
"""So many messages may wait for the broker. The oldest is dropped."""
UNDER_WAY_MAX = 20
"""So many messages are sent without an acknowledgement of the broker."""
TOPICS_MAX = 10_000
CALM_S = 5.0
"""Of a topic with a flood, messages are dropped. The link connects again when it has ceased for this time."""
MARK_S = 1.0
"""A mark that has not come back is sent again: a broker drops what its queue has no room for."""
END_S = 1.0
"""The time for the last messages at the end."""
MARK = "mark"
NOT_AUTHORIZED = 0x87
"""In a PUBACK (3.4.2.1)."""
MESSAGE_MAX = 12_000
"""So many bytes of a message at most: a board reads no packet larger than `mqtt_client.LARGEST_BYTES`."""


@dataclass(frozen=True, slots=True)
class BoardMessage:
    """A message of a board, or to a board. `session` names the connection over which it came."""

    topic: str
    payload: bytes
    retained: bool
    session: str = ""


class BoardLink(MqttConnection):
    """Publishes messages, and listens to filters, each with its QoS.

    `own` is the topic of this board: others send to topics below it. `will` makes the message that the broker publishes
    when it has lost this board. `changed` is called in the thread when there is something for `take_inbox`, or when
    `connected` has changed.
    """

    def __init__(
        self,
        broker: Broker,
        own: str,
        filters: Mapping[str, int],
        will: Callable[[str], BoardMessage],
        changed: Callable[[], None],
        ca: Path | None = None,
    ) -> None:
        super().__init__(broker, PAUSES_S, ca)
        self._own, self._will, self._changed = own, will, changed
        self._filters = ((f"{own}/+", 1), *filters.items())
        self._session = ""
        """Names the connection. Another one has another."""
        self.connected = ""
        """The session, once the broker has sent all that it retains; else empty."""
        self._lock = Lock()
        self._inbox: deque[BoardMessage] = deque()
        self._outbox: OrderedDict[object, BoardMessage] = OrderedDict()
        """What waits for the broker. Of a retained topic, the newest."""
        self._under_way: dict[int, BoardMessage] = {}
        self._rates: defaultdict[str, Rate] = defaultdict(lambda: Rate(OF_A_TOPIC, OF_A_TOPIC_WITHIN_S))
        self.flooded = ""
        """The topic that has too many messages, if there is one."""
        self._flood_s = 0.0
        """When it last had."""
        self._place = 0
        """The number of filters for which the mark has come back."""
        self._mark = ""
        self._marked_s = self._heard_s = 0.0
        self._thread.start()

    def publish(self, message: BoardMessage) -> None:
        """Send a message soon. While the broker is away, of a retained topic the newest waits, and nothing else does.
        ValueError for more than `MESSAGE_MAX` bytes."""
        if len(message.payload) > MESSAGE_MAX:
            raise ValueError(f"{len(message.payload)} bytes for {message.topic}; {MESSAGE_MAX} are the most")
        with self._lock:
            if not message.retained and not self.connected:
                return
            key: object = message.topic if message.retained else object()
            self._outbox.pop(key, None)
            self._outbox[key] = message
            if len(self._outbox) > OUTBOX_MAX:
                self._outbox.popitem(last=False)
        self._wake()

    def take_inbox(self) -> deque[BoardMessage]:
        """What has arrived since the last call, in its order."""
        with self._lock:
            inbox, self._inbox = self._inbox, deque()
        return inbox

    @property
    def problem(self) -> BrokerError:
        """Why the last connection ended."""
        return self._problem

    def join(self, wait_s: float) -> None:
        """Wait for the end of the thread, after `close`."""
        self._thread.join(wait_s)

    # the thread

    def _prepare(self, client: BoundedClient) -> None:
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        self._session = secrets.token_hex(8)
        will = self._will(self._session)
        with self._lock:  # what an earlier connection said of this board is no longer true
            self._outbox.pop(will.topic, None)
        client.will_set(will.topic, will.payload, qos=1, retain=will.retained)

    def _connected(self) -> None:
        self._place, self._mark, self.flooded = 0, "", ""
        self._rates.clear()

    def _lost(self) -> None:
        with self._lock:
            for message in self._under_way.values():
                if message.retained and message.topic not in self._outbox:
                    self._outbox[message.topic] = message
            self._under_way.clear()
            for key in [key for key, message in self._outbox.items() if not message.retained]:
                del self._outbox[key]
        if self.connected:
            self.connected = ""
            self._changed()

    def _act(self, client: BoundedClient) -> None:
        now_s = time.monotonic()
        if self.flooded and now_s - self._flood_s > CALM_S:
            raise BrokerError(TroubleCode.BROKER, "a flood of messages is over")
        if self.connected:
            self._send(client)
            return
        if not self._mark:
            client.subscribe([self._filters[self._place]])
            self._mark, self._marked_s, self._heard_s = secrets.token_hex(8), 0.0, now_s
        if now_s - self._heard_s > ANSWER_S:
            text = f"this user may not write and read what is below {self._own.rpartition('/to/')[0]}"
            raise BrokerError(TroubleCode.BROKER_TOPIC, text)
        if now_s - self._marked_s > MARK_S:
            self._marked_s = now_s
            client.publish(f"{self._own}/{MARK}", self._mark, qos=1)

    def _send(self, client: BoundedClient) -> None:
        while len(self._under_way) < UNDER_WAY_MAX:
            with self._lock:
                if not self._outbox:
                    return
                _, message = self._outbox.popitem(last=False)
            sent = client.publish(message.topic, message.payload, qos=1, retain=message.retained)
            self._under_way[sent.mid] = message

    def _end(self, client: BoundedClient) -> None:
        begin_s = time.monotonic()
        while (self._outbox or self._under_way) and time.monotonic() - begin_s < END_S:
            self._send(client)
            self._turn(client)

    def _take(self, topic: str, message: MQTTMessage) -> None:
        now_s = self._heard_s = time.monotonic()
        own = topic.startswith(f"{self._own}/")
        if own and topic.endswith(f"/{MARK}"):
            if message.payload == self._mark.encode():
                self._mark, self._place = "", self._place + 1
                if self._place == len(self._filters):
                    self.connected = self._session
                    self._changed()
            return
        if len(self._rates) > TOPICS_MAX:
            self._rates.clear()
        if not own and not self._rates[topic].passes(now_s):  # a thousand boards may answer this one at once
            self.flooded, self._flood_s = topic, now_s
            return
        with self._lock:
            if len(self._inbox) >= INBOX_MAX:
                raise BrokerError(TroubleCode.BROKER_FLOOD, "it sends more than this board can act on")
            is_first = not self._inbox
            self._inbox.append(BoardMessage(topic, bytes(message.payload), message.retain, self._session))
        if is_first:
            self._changed()

    def _on_publish(self, client: object, about: object, packet: int, reason: ReasonCode, more: object) -> None:
        self._under_way.pop(packet, None)
        if reason.value == NOT_AUTHORIZED:
            raise BrokerError(TroubleCode.BROKER_TOPIC, "this user may not write to a topic of the boards")

    def _on_subscribe(
        self, client: object, about: object, packet: int, reasons: list[ReasonCode], more: object
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            raise BrokerError(TroubleCode.BROKER_TOPIC, "this user may not read a topic of the boards")
