"""A connection to an MQTT broker: one thread, bounded in memory and work whatever the broker does.

A broker that is away is tried again for ever. Sections are those of the OASIS standards MQTT 3.1.1 and MQTT 5.0.
"""

from __future__ import annotations

import random
import socket
import ssl
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.service.log import Rate
from gloaming.daemon.site.schema_delivery import Broker

if TYPE_CHECKING:
    from paho.mqtt.client import MQTTMessage
    from paho.mqtt.reasoncodes import ReasonCode

    from gloaming.daemon.integrations.mqtt_client import BoundedClient

ANSWER_S = 10.0
"""The time that a broker has to accept the connection, and to send a packet."""
TURN_S = 1.0
BEHIND_S = 10.0
"""A broker that sends faster than it is read for this time loses the connection, and with it what waits."""
PACKETS, PACKETS_WITHIN_S, PACE_S = 3000, 3.0, 0.02
"""As many packets are read: more would take the planner's time. TCP holds the broker back. What comes until a flood is
found must be far less, or other topics would wait behind it."""
OF_A_TOPIC, OF_A_TOPIC_WITHIN_S = 200, 5.0
"""More messages of a topic than these are a flood."""
NEW_S, SETTLE_S = 10.0, 60.0
"""A new broker that is away for `NEW_S`, or a known one for `SETTLE_S`, is a trouble. That ends `SETTLE_S` after its
cause, so that the journal has few lines of a broker that comes and goes."""
EARLIER = 0.25
"""A pause is up to this part shorter, so that many boards do not come back at the same instant."""

UNSUPPORTED_VERSION = "Unsupported protocol version"
REFUSALS = {0x86, 0x87, 0x8A, 0x8C}
"""Bad user name or password, not authorized, banned, bad authentication method (5.0 3.2.2.2)."""


class BrokerError(Exception):
    """The broker cannot be used. The text has no secret."""

    def __init__(self, code: TroubleCode, text: str) -> None:
        super().__init__(text)
        self.code = code


class MqttConnection:
    """Connects again and again, with these pauses; the last one stays. `ca` is the file of the authority that has
    signed the broker's certificate; without it, those of the system. All methods with `client` run in the thread."""

    def __init__(self, broker: Broker, pauses_s: tuple[float, ...], ca: Path | None = None) -> None:
        self.broker, self._pauses_s, self._ca = broker, pauses_s, ca
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
        self._wakes, self._woken = socket.socketpair()
        self._wakes.setblocking(False)
        self._woken.setblocking(False)
        self._thread = threading.Thread(target=self._run, name=f"connect to {broker}", daemon=True)

    def close(self) -> None:
        """Hear nothing more. The thread ends soon."""
        self._ending.set()
        self._wake()

    def troubles(self, at_s: float) -> list[Trouble]:
        """What is wrong with the connection at an instant of the monotonic clock."""
        connected_s, problem = self._connected_s, self._problem
        if connected_s is not None:
            self._is_trouble &= at_s - connected_s < SETTLE_S
        else:
            patience_s = SETTLE_S if self._was_connected else NEW_S
            self._is_trouble |= problem.code != TroubleCode.BROKER or at_s - self._unstable_s >= patience_s
        return [Trouble(problem.code, str(self.broker), str(problem))] if self._is_trouble else []

    def _wake(self) -> None:
        """End a wait of the thread."""
        with suppress(OSError):  # it is awake already, or has ended
            self._wakes.send(b"x")

    # what a kind of connection does

    def _prepare(self, client: BoundedClient) -> None:
        """Give a client what it needs before it connects."""

    def _connected(self) -> None:
        """The broker has accepted the connection."""

    def _lost(self) -> None:
        """The connection has ended."""

    def _act(self, client: BoundedClient) -> None:
        """Do what is to be done while connected. Called at each turn."""

    def _end(self, client: BoundedClient) -> None:
        """Do what is to be done before the connection is closed."""

    def _take(self, topic: str, message: MQTTMessage) -> None:
        """Act on a message."""
        raise NotImplementedError  # the others may stay empty; without this one nothing would be heard

    # the thread

    def _run(self) -> None:
        attempt = 0
        while not self._ending.is_set():
            try:
                self._talk()
            except BrokerError as error:
                self._problem = error
            except ssl.SSLCertVerificationError as error:
                text = f"its certificate is not trusted: {error.verify_message}"
                self._problem = BrokerError(TroubleCode.BROKER_CERTIFICATE, text)
            except Exception as error:  # whatever a library raises: the thread must go on
                text = getattr(error, "strerror", None) or str(error) or type(error).__name__
                self._problem = BrokerError(TroubleCode.BROKER, text)
            if self._connected_s is not None:
                lasted_s = time.monotonic() - self._connected_s
                if lasted_s >= SETTLE_S:
                    self._unstable_s = time.monotonic()
                if lasted_s >= self._pauses_s[-1]:
                    attempt = 0
                self._connected_s = None
                self._lost()
            pause_s = self._pauses_s[min(attempt, len(self._pauses_s) - 1)]
            self._ending.wait(pause_s * (1 - EARLIER * random.random()))
            attempt += 1
        self._wakes.close()
        self._woken.close()

    def _talk(self) -> None:
        """Connect, and go on until the end, or until that fails: BrokerError, OSError, ValueError."""
        client = self._client()
        client.open(self.broker.host, self.broker.port)
        begin_s = self._empty_s = self._whole_s = time.monotonic()
        try:
            while not self._ending.is_set():
                self._turn(client)
                if self._connected_s is not None:
                    self._act(client)
                elif time.monotonic() - begin_s > ANSWER_S:
                    raise BrokerError(TroubleCode.BROKER, "it does not answer")
            if self._connected_s is not None:
                self._end(client)
        except ConnectionError:  # a broker of 3.1.1 may close the connection to a client of 5.0 (3.1.1 3.1.2.2)
            self._five ^= self._connected_s is None
            raise
        finally:
            client.disconnect()

    def _client(self) -> BoundedClient:
        try:
            from gloaming.daemon.integrations.mqtt_client import BoundedClient
        except ImportError:
            raise BrokerError(TroubleCode.BROKER_EXTRA, "MQTT needs an extra") from None
        client = BoundedClient(self._five)
        client.on_connect, client.on_message = self._on_connect, self._on_message
        if self.broker.user:
            client.username_pw_set(self.broker.user, self.broker.password)
        if self.broker.tls:
            try:
                client.tls_set(ca_certs=str(self._ca) if self._ca else None)
            except OSError as error:
                text = f"{self._ca} has no authority that can be read: {error.strerror}"
                raise BrokerError(TroubleCode.BROKER_CERTIFICATE, text) from None
        self._prepare(client)
        return client

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
            client.readable(TURN_S, self._woken)
            with suppress(BlockingIOError):
                self._woken.recv(4096)
        client.loop_misc()
        if not client.amid_packet:
            self._whole_s = time.monotonic()
        elif time.monotonic() - self._whole_s > ANSWER_S:
            raise ConnectionError("a packet of it does not end")

    def _on_connect(self, client: object, about: object, flags: object, reason: ReasonCode, more: object) -> None:
        if reason == UNSUPPORTED_VERSION:
            raise ConnectionError(str(reason))
        if reason.is_failure:
            code = TroubleCode.BROKER_REFUSES if reason.value in REFUSALS else TroubleCode.BROKER
            raise BrokerError(code, f"it refuses the connection: {reason}")
        self._connected()
        self._connected_s, self._was_connected = time.monotonic(), True

    def _on_message(self, client: object, about: object, message: MQTTMessage) -> None:
        with suppress(UnicodeDecodeError):  # such a topic is nobody's
            topic = message.topic
            if not self._ending.is_set():
                self._take(topic, message)
