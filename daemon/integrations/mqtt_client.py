"""A client of paho-mqtt that no broker can fill or stop. Only `mqtt_connection` imports this: paho is an extra.

Sections are those of the OASIS standards MQTT 3.1.1 and MQTT 5.0.
"""

from __future__ import annotations

import secrets
import select
import socket
import ssl

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

LARGEST_BYTES = 16_384
"""A larger packet is not read: a reading has some bytes."""
KEEPALIVE_S = 5
"""A broker that answers no PINGREQ for this time is gone (5.0 3.1.2.10)."""
CONNECT_S = 5.0
RECEIVE_BYTES = 16_384
"""The kernel's buffer is small, so that TCP soon holds back a broker that sends faster than it is read."""


class BoundedClient(Client):
    """Speaks MQTT 5.0 or 3.1.1, one packet at a call.

    Each connection has a session of its own (Clean Start, 5.0 3.1.2.4; Clean Session, 3.1.1 3.1.2.4). So the broker
    keeps no message while the client is away. A broker of MQTT 5.0 leaves out packets that are too large (Maximum
    Packet Size, 3.1.2.11.4). With 3.1.1, such a packet ends the connection.
    """

    def __init__(self, five: bool) -> None:
        """With MQTT 5.0, or with 3.1.1."""
        self._five, self._problem = five, "the broker closed the connection"
        super().__init__(
            CallbackAPIVersion.VERSION2,
            f"gloaming{secrets.token_hex(6)}",  # a name that each broker takes (3.1.1 3.1.3.1)
            clean_session=None if five else True,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self.connect_timeout = CONNECT_S

    def open(self, host: str, port: int) -> None:
        """Open the connection and send CONNECT. OSError, ValueError."""
        properties: Properties | None = None
        if self._five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho has no type here
            properties.MaximumPacketSize = LARGEST_BYTES
        self.connect(host, port, KEEPALIVE_S, properties=properties)
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BYTES)
        self.connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    @property
    def connection(self) -> socket.socket:
        """ConnectionError, with the reason, once it is closed."""
        connection = self.socket()
        if not isinstance(connection, socket.socket):
            raise ConnectionError(self._problem)
        return connection

    @property
    def amid_packet(self) -> bool:
        """Whether a packet has begun that has not ended."""
        return self._in_packet["command"] != 0

    def readable(self, wait_s: float, woken: socket.socket | None = None) -> bool:
        """Whether something can be read, within some time. The wait ends if `woken` can be read."""
        connection = self.connection
        if isinstance(connection, ssl.SSLSocket) and connection.pending():
            return True
        return _ready(connection, select.POLLIN, wait_s, woken)

    def writable(self, wait_s: float) -> bool:
        """Whether the broker takes more, within some time."""
        return _ready(self.connection, select.POLLOUT, wait_s)

    def _sock_recv(self, bufsize: int) -> bytes:
        """Paho asks for the whole rest of a packet at once."""
        if bufsize > LARGEST_BYTES:
            self._problem = f"the broker sends a packet of {bufsize} bytes; {LARGEST_BYTES} are the most"
            raise ConnectionError
        return super()._sock_recv(bufsize)

    def _handle_publish(self) -> MQTTErrorCode:
        """Paho keeps each message of QoS 2. No subscription asks for one (5.0 3.8.4)."""
        if self._in_packet["command"] & 0b0110 == 0b0100:
            return MQTTErrorCode.MQTT_ERR_PROTOCOL
        return super()._handle_publish()


def _ready(connection: socket.socket, event: int, wait_s: float, woken: socket.socket | None = None) -> bool:
    poll = select.poll()
    poll.register(connection, event)
    if woken:
        poll.register(woken, select.POLLIN)
    return any(number == connection.fileno() for number, _ in poll.poll(wait_s * 1000))
