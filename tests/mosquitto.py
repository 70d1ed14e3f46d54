"""A real MQTT broker: Debian's mosquitto on a free port of a loopback address. Its tests have `needs("mosquitto")`."""

from __future__ import annotations

import os
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from tests.namespaces import inside
from tests.tools import find
from tests.waiting import PATIENCE_S, wait_until


class Mosquitto:
    """A broker that starts and stops, on the same address and port each time.

    `users` are names with their passwords; without them, everybody is let in. `lines` are further lines of its
    configuration (mosquitto.conf(5)). With a `namespace`, the broker and its clients run in there. Without an
    `address`, it has one of loopback. With `users`, a test needs "mosquitto_passwd" too.
    """

    def __init__(
        self,
        folder: Path,
        users: dict[str, str] | None = None,
        lines: str = "",
        namespace: str | None = None,
        address: str | None = None,
    ) -> None:
        self.address = address or f"127.0.{os.getpid() % 250 + 1}.{os.getpid() // 250 % 250 + 1}"
        self._namespace, self._users = namespace, users or {}
        self.process: subprocess.Popen[bytes] | None = None
        with inside(namespace), socket.socket() as probe:
            probe.bind((self.address, 0))
            self.port = int(probe.getsockname()[1])
        self._config = folder / f"mosquitto-{self.port}.conf"
        entry = "allow_anonymous true\n"
        if users:
            passwords = self._config.with_suffix(".passwords")
            passwords.write_text("".join(f"{name}:{password}\n" for name, password in users.items()))
            subprocess.run(["mosquitto_passwd", "-U", passwords], check=True)
            entry = f"allow_anonymous false\npassword_file {passwords}\n"
        self._config.write_text(f"user root\nlistener {self.port} {self.address}\n{entry}{lines}\n")

    def __enter__(self) -> Mosquitto:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def url(self, topic: str, secret: str = "") -> str:
        """The address of a topic, as in site.toml. `secret` is `user:password`."""
        return f"mqtt://{secret + '@' if secret else ''}{self.address}:{self.port}/{topic}"

    def start(self) -> None:
        """Start the broker, and wait until it listens."""
        broker = find("mosquitto")
        assert broker
        enter = ["ip", "netns", "exec", self._namespace] if self._namespace else []
        quiet = subprocess.DEVNULL
        self.process = subprocess.Popen([*enter, broker, "-c", self._config], stdout=quiet, stderr=quiet)
        wait_until(self._listens, "the broker")

    def stop(self) -> None:
        """End the broker; its clients lose their connections."""
        if self.process:
            self.process.terminate()
            self.process.wait(PATIENCE_S)
            self.process = None

    @contextmanager
    def client(self) -> Iterator[Client]:
        """A client that is connected: messages that it publishes leave at once."""
        client = Client(CallbackAPIVersion.VERSION2)
        connected = Event()
        client.on_connect = lambda *_: connected.set()
        if self._users:
            client.username_pw_set(*next(iter(self._users.items())))
        with inside(self._namespace):  # its thread stays there too
            client.connect(self.address, self.port)
            client.loop_start()
        try:
            assert connected.wait(PATIENCE_S), "the broker accepts no client"
            yield client
        finally:
            client.disconnect()
            client.loop_stop()

    def publish(self, topic: str, payload: str | bytes, retain: bool = False, qos: int = 1) -> None:
        """Publish a message. With QoS 1 or 2 the broker has confirmed it."""
        with self.client() as client:
            client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(PATIENCE_S)

    @contextmanager
    def listen(self, topic: str) -> Iterator[list[MQTTMessage]]:
        """The messages of a topic, as they arrive. The subscription is in force at the beginning."""
        heard: list[MQTTMessage] = []
        subscribed = Event()
        with self.client() as client:
            client.on_message = lambda _client, _about, message: heard.append(message)
            client.on_subscribe = lambda *_: subscribed.set()
            client.subscribe(topic, qos=1)
            assert subscribed.wait(PATIENCE_S), "the broker takes no subscription"
            yield heard

    def _listens(self) -> bool:
        with inside(self._namespace), socket.socket() as probe:
            return probe.connect_ex((self.address, self.port)) == 0
