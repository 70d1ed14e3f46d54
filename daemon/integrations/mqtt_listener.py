"""Listens to topics of MQTT brokers, for triggers and holds. Sections are those of MQTT 5.0."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gloaming.daemon.integrations.mqtt_connection import OF_A_TOPIC, OF_A_TOPIC_WITHIN_S, SETTLE_S, MqttConnection
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.service.log import Rate
from gloaming.daemon.site.schema_delivery import Broker

if TYPE_CHECKING:
    from paho.mqtt.client import MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

    from gloaming.daemon.integrations.mqtt_client import BoundedClient

PAUSES_S = (1.0, 2.0, 5.0, 10.0, 20.0, 30.0)
"""The pauses between two attempts to connect. A broker that is back is heard within a minute."""
LATE_S = 5.0
"""A message may be older than this where the thread did not come to the end of what had arrived."""
FLOOD_PAUSE_S = 30.0
"""A topic with a flood is left out for this time, so that other topics are heard."""
FLOOD = f"more than {OF_A_TOPIC} messages in {OF_A_TOPIC_WITHIN_S:g} s: nobody listens to it for {FLOOD_PAUSE_S:g} s"


@dataclass(frozen=True, slots=True)
class Heard:
    """A message. It arrived after `after_s` of the monotonic clock; `retained`: it was published before this client
    subscribed (5.0 3.3.1.3)."""

    topic: str
    payload: bytes
    retained: bool
    after_s: float

    def is_late(self, at_s: float) -> bool:
        """Whether it may be older than `LATE_S`."""
        return at_s - self.after_s > LATE_S


class MqttListener(MqttConnection):
    """Listens to topics of a broker. `heard` is called in the thread."""

    def __init__(self, broker: Broker, topics: frozenset[str], heard: Callable[[Broker, Heard], None]) -> None:
        super().__init__(broker, PAUSES_S)
        self._topics, self._heard = topics, heard
        self._subscribed: frozenset[str] = frozenset()
        self._asked: dict[int, str] = {}
        """The topics for which the broker has not acknowledged the subscription, by packet identifier."""
        self._refused: frozenset[str] = frozenset()
        self._rates: defaultdict[str, Rate] = defaultdict(lambda: Rate(OF_A_TOPIC, OF_A_TOPIC_WITHIN_S))
        self._flooded_s: dict[str, float] = {}
        """When a topic had too many messages."""
        self._thread.start()

    @property
    def hears(self) -> bool:
        """Whether it is connected."""
        return self._connected_s is not None

    def listen_to(self, topics: frozenset[str]) -> None:
        """Listen to other topics from now on. The connection stays."""
        self._topics = topics
        self._wake()

    def troubles(self, at_s: float) -> list[Trouble]:
        """What is wrong with the connection and the topics at an instant of the monotonic clock."""
        found = super().troubles(at_s)
        floods = [topic for topic, since_s in self._flooded_s.copy().items() if at_s - since_s < SETTLE_S]
        for code, topics, text in (
            (TroubleCode.BROKER_TOPIC, self._refused, "the broker lets nobody with this user name listen to it"),
            (TroubleCode.BROKER_FLOOD, floods, FLOOD),
        ):
            found += [
                Trouble(code, f"{self.broker}/{topic}", text) for topic in sorted(self._topics.intersection(topics))
            ]
        return found

    # the thread

    def _prepare(self, client: BoundedClient) -> None:
        client.on_subscribe = self._on_subscribe

    def _connected(self) -> None:
        self._subscribed, self._refused = frozenset(), frozenset()
        self._asked.clear()

    def _act(self, client: BoundedClient) -> None:
        """Listen to the topics of now, without those with too many messages."""
        now_s = time.monotonic()
        wanted = self._topics - {topic for topic, at_s in self._flooded_s.items() if now_s - at_s < FLOOD_PAUSE_S}
        for topic in wanted - self._subscribed:
            _, packet = client.subscribe(topic, qos=1)
            self._asked[packet or 0] = topic
        for topic in self._subscribed - wanted:
            client.unsubscribe(topic)
        self._subscribed = wanted

    def _take(self, topic: str, message: MQTTMessage) -> None:
        if topic not in self._subscribed:
            return
        if self._rates[topic].passes(time.monotonic()):
            self._heard(self.broker, Heard(topic, bytes(message.payload), message.retain, self._empty_s))
        else:
            self._flooded_s[topic] = time.monotonic()

    def _on_subscribe(
        self, client: object, about: object, packet: int, reasons: list[ReasonCode], more: object
    ) -> None:
        topic = self._asked.pop(packet, None)
        if topic is not None and any(reason.is_failure for reason in reasons):
            self._refused |= {topic}
