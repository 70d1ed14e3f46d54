"""Other boards of a site as MQTT clients: each publishes its status, and confirms each fact, as a board does."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from threading import Event
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from tests.mosquitto import Mosquitto
from tests.waiting import PATIENCE_S


class LightBoard:
    """A board that is in contact until `lose`. `status` is what its status has beside its name."""

    def __init__(self, broker: Mosquitto, root: str, name: str, **status: Any) -> None:
        self._root, self.name, self._connected = root, name, Event()
        session = f"{name} {time.monotonic_ns()}"
        self._status = {"format": 1, "name": name, "session": session, "contact": True, "at_ns": 0, **status}
        self._client = client = Client(CallbackAPIVersion.VERSION2)
        client.on_connect, client.on_message = self._on_connect, self._on_message
        client.will_set(self._topic, json.dumps({**self._status, "contact": False}), qos=1, retain=True)
        client.connect(broker.address, broker.port)
        client.loop_start()
        assert self._connected.wait(PATIENCE_S), "the broker accepts no client"

    @property
    def _topic(self) -> str:
        return f"{self._root}/boards/{self.name}"

    def say(self, **more: Any) -> None:
        """Publish a changed status."""
        self._status |= more
        self._client.publish(self._topic, json.dumps(self._status), qos=1, retain=True).wait_for_publish(PATIENCE_S)

    def lose(self) -> None:
        """End the connection as a power cut does: the broker publishes that the board has no contact."""
        if connection := self._client.socket():
            self._client.loop_stop()
            connection.close()

    def _on_connect(self, client: Client, *_: object) -> None:
        client.subscribe(f"{self._root}/facts/+", qos=1)
        client.publish(self._topic, json.dumps(self._status), qos=1, retain=True)
        self._connected.set()

    def _on_message(self, client: Client, about: object, message: MQTTMessage) -> None:
        fact = json.loads(message.payload or b"{}")
        if fact and not message.retain:
            light = "light: tide" if fact.get("ended_ns") else "black"
            answer = {
                "from": self.name,
                "id": fact["id"],
                "version": fact["version"],
                "on_the_wire": True,
                "wire": light,
            }
            client.publish(f"{self._root}/to/{fact['author']}/ack", json.dumps(answer), qos=1)


@contextmanager
def light_boards(broker: Mosquitto, root: str, *names: str, **status: Any) -> Iterator[dict[str, LightBoard]]:
    """Boards with these names, in contact until the end of the block or until one is lost."""
    with ExitStack() as stack:
        found = {name: LightBoard(broker, root, name, **status) for name in names}
        for one in found.values():
            stack.callback(one.lose)
        yield found
