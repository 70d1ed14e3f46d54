"""Listens to MQTT brokers: one connection and one thread for each, bounded in memory and work whatever the broker does.

A broker that is away is tried again for ever. Sections are those of the OASIS standards MQTT 3.1.1 and MQTT 5.0.
"""

from __future__ import annotations

import threading
import time
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gloaming.daemon.planner.health import Trouble, TroubleCode
from gloaming.daemon.service.log import Rate
from gloaming.daemon.site.schema_delivery import Broker

if TYPE_CHECKING:
    from paho.mqtt.client import MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

    from gloaming.daemon.integrations.mqtt_client import BoundedClient

PAUSES_S = (1.0, 2.0, 5.0, 10.0, 20.0, 30.0)
"""The pauses between two attempts to connect. The last one stays: a broker that is back is heard within a minute."""
ANSWER_S = 10.0
"""The time that a broker has to accept the connection, and to send a packet."""
TURN_S = 1.0
LATE_S = 5.0
"""A message may be older than this where the thread did not come to the end of what had arrived."""
BEHIND_S = 10.0
"""A broker that sends faster than it is read for this time loses the connection, and with it what waits."""
PACKETS, PACKETS_WITHIN_S, PACE_S = 3000, 3.0, 0.02
"""As many packets are read: more would take the planner's time. TCP holds the broker back. What comes until a flood is
found must be far less, or other topics would wait behind it."""
OF_A_TOPIC, OF_A_TOPIC_WITHIN_S = 200, 5.0
FLOOD_PAUSE_S = 30.0
"""A topic with more messages than `OF_A_TOPIC` is left out for this time, so that other topics are heard."""
NEW_S, SETTLE_S = 10.0, 60.0
"""A new broker that is away for `NEW_S`, or a known one for `SETTLE_S`, is a trouble. That ends `SETTLE_S` after its
cause, so that the journal has few lines of a broker that comes and goes."""

UNSUPPORTED_VERSION = "Unsupported protocol version"
REFUSALS = {0x86, 0x87, 0x8A, 0x8C}
"""Bad user name or password, not authorized, banned, bad authentication method (5.0 3.2.2.2)."""
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


class BrokerError(Exception):
    """The broker cannot be used. The text has no secret."""

    def __init__(self, code: TroubleCode, text: str) -> None:
        super().__init__(text)
        self.code = code


class MqttListener:
    """Listens to topics of a broker. `heard` is called in the thread."""

    def __init__(self, broker: Broker, topics: frozenset[str], heard: Callable[[Broker, Heard], None]) -> None:
        self.broker, self._topics, self._heard = broker, topics, heard
        self._subscribed: frozenset[str] = frozenset()
        self._asked: dict[int, str] = {}
        """The topics for which the broker has not acknowledged the subscription, by packet identifier."""
        self._refused: frozenset[str] = frozenset()
        self._rates: defaultdict[str, Rate] = defaultdict(lambda: Rate(OF_A_TOPIC, OF_A_TOPIC_WITHIN_S))
        self._flooded_s: dict[str, float] = {}
        """When a topic had too many messages."""
        self._pace = Rate(PACKETS, PACKETS_WITHIN_S)
        self._five = True
        self._empty_s = 0.0
        """When everything that had arrived was read."""
        self._whole_s = 0.0
        """When no packet had begun without its end."""
        self._unstable_s = time.monotonic()
        """Since when no connection has lasted."""
        self._connected_s: float | None = None
        self._was_connected = self._is_trouble = False
        self._problem = BrokerError(TroubleCode.BROKER, "it does not answer")
        self._ending = threading.Event()
        threading.Thread(target=self._run, name=f"listen to {broker}", daemon=True).start()

    def listen_to(self, topics: frozenset[str]) -> None:
        """Listen to other topics from now on. The connection stays."""
        self._topics = topics

    def close(self) -> None:
        """Hear nothing more. The thread ends soon."""
        self._ending.set()

    def troubles(self, at_s: float) -> list[Trouble]:
        """What is wrong at an instant of the monotonic clock."""
        connected_s, problem = self._connected_s, self._problem
        if connected_s is not None:
            self._is_trouble &= at_s - connected_s < SETTLE_S
        else:
            patience_s = SETTLE_S if self._was_connected else NEW_S
            self._is_trouble |= problem.code != TroubleCode.BROKER or at_s - self._unstable_s >= patience_s
        found = [Trouble(problem.code, str(self.broker), str(problem))] if self._is_trouble else []
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

    def _run(self) -> None:
        attempt = 0
        while not self._ending.is_set():
            try:
                self._listen()
            except BrokerError as error:
                self._problem = error
            except Exception as error:  # whatever a library raises: the thread must go on
                text = getattr(error, "strerror", None) or str(error) or type(error).__name__
                self._problem = BrokerError(TroubleCode.BROKER, text)
            if self._connected_s is not None:
                if time.monotonic() - self._connected_s >= SETTLE_S:
                    self._unstable_s, attempt = time.monotonic(), 0
                self._connected_s = None
            self._ending.wait(PAUSES_S[min(attempt, len(PAUSES_S) - 1)])
            attempt += 1

    def _listen(self) -> None:
        """Listen until the end, or until the connection cannot be used: BrokerError, OSError, ValueError."""
        try:
            from gloaming.daemon.integrations.mqtt_client import BoundedClient
        except ImportError:
            raise BrokerError(TroubleCode.BROKER_EXTRA, "MQTT needs an extra") from None
        client = BoundedClient(self._five)
        client.on_connect, client.on_subscribe, client.on_message = (
            self._on_connect,
            self._on_subscribe,
            self._on_message,
        )
        if self.broker.user:
            client.username_pw_set(self.broker.user, self.broker.password)
        if self.broker.tls:
            client.tls_set()
        client.open(self.broker.host, self.broker.port)
        begin_s = self._empty_s = self._whole_s = time.monotonic()
        try:
            while not self._ending.is_set():
                self._turn(client)
                if self._connected_s is not None:
                    self._subscribe(client)
                elif time.monotonic() - begin_s > ANSWER_S:
                    raise BrokerError(TroubleCode.BROKER, "it does not answer")
        except ConnectionError:  # a broker of 3.1.1 may close the connection to a client of 5.0 (3.1.1 3.1.2.2)
            self._five ^= self._connected_s is None
            raise
        finally:
            client.disconnect()

    def _turn(self, client: BoundedClient) -> None:
        """Write what waits, or read one packet, or wait. A broker that takes nothing is not read."""
        if client.want_write():
            if client.writable(TURN_S):
                client.loop_write()
        elif client.readable(0):
            while not self._pace.passes(time.monotonic()) and not self._ending.wait(PACE_S):
                pass
            client.loop_read()
            if time.monotonic() - self._empty_s > BEHIND_S:
                raise BrokerError(TroubleCode.BROKER_FLOOD, "it sends more than can be read")
        else:
            self._empty_s = time.monotonic()
            client.readable(TURN_S)
        client.loop_misc()
        if not client.amid_packet:
            self._whole_s = time.monotonic()
        elif time.monotonic() - self._whole_s > ANSWER_S:
            raise ConnectionError("a packet of it does not end")

    def _subscribe(self, client: BoundedClient) -> None:
        """Listen to the topics of now, without those with too many messages."""
        now_s = time.monotonic()
        wanted = self._topics - {topic for topic, at_s in self._flooded_s.items() if now_s - at_s < FLOOD_PAUSE_S}
        for topic in wanted - self._subscribed:
            _, packet = client.subscribe(topic, qos=1)
            self._asked[packet or 0] = topic
        for topic in self._subscribed - wanted:
            client.unsubscribe(topic)
        self._subscribed = wanted

    def _on_connect(self, client: object, about: object, flags: object, reason: ReasonCode, more: object) -> None:
        if reason == UNSUPPORTED_VERSION:
            raise ConnectionError(str(reason))
        if reason.is_failure:
            code = TroubleCode.BROKER_REFUSES if reason.value in REFUSALS else TroubleCode.BROKER
            raise BrokerError(code, f"it refuses the connection: {reason}")
        self._subscribed, self._refused = frozenset(), frozenset()
        self._asked.clear()
        self._connected_s, self._was_connected = time.monotonic(), True

    def _on_subscribe(
        self, client: object, about: object, packet: int, reasons: list[ReasonCode], more: object
    ) -> None:
        topic = self._asked.pop(packet, None)
        if topic is not None and any(reason.is_failure for reason in reasons):
            self._refused |= {topic}

    def _on_message(self, client: object, about: object, message: MQTTMessage) -> None:
        with suppress(UnicodeDecodeError):  # such a topic is nobody's
            topic = message.topic
            if topic not in self._subscribed or self._ending.is_set():
                return
            if self._rates[topic].passes(time.monotonic()):
                self._heard(self.broker, Heard(topic, bytes(message.payload), message.retain, self._empty_s))
            else:
                self._flooded_s[topic] = time.monotonic()
