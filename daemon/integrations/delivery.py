"""Delivery of alerts and hooks. Nobody waits for it: each has a thread, a queue with a bound, and growing pauses."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import threading
import time
import urllib.error
import urllib.request
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from http.client import HTTPException
from importlib import import_module
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from gloaming.daemon.integrations import hidden_folders
from gloaming.daemon.site.schema_delivery import broker_and_topic

TIMEOUT_S = 10.0
COMMAND_S = 30.0
LOOK_S = 0.05
STDERR_BYTES = 4096
PAUSES_S = (1.0, 5.0, 20.0, 60.0)
"""The pauses between the attempts: five attempts in all, in a minute and a half."""
WAITING_MAX = 100
"""This many messages to one place may wait. Further ones are dropped and reported as failed."""


class DeliveryError(Exception):
    """A message was not delivered. The text has no secret in it."""


@dataclass(frozen=True, slots=True)
class Message:
    """A message: its kind ("alert", "hook"), its name for the journal, and `do`, which delivers it or raises
    DeliveryError.

    Of the messages with the same `place`, only the newest waits: a sign never gets an old text after a new one. Where
    many are sent in an evening, `routine` is true: its delivery is no news.
    """

    kind: str
    name: str
    do: Callable[[], None]
    place: str = ""
    routine: bool = False


class Messenger:
    """Delivers one message after the other in a thread. `delivered(message, problem)` is called in that thread;
    `problem` is None after success."""

    def __init__(
        self,
        delivered: Callable[[Message, str | None], None],
        pauses_s: tuple[float, ...] = PAUSES_S,
        name: str = "delivery",
    ) -> None:
        self._delivered, self._pauses_s = delivered, pauses_s
        self._waiting: deque[Message] = deque()
        self._changed = threading.Condition()
        self._ending = False
        self._thread: threading.Thread | None = None
        self._name = name

    def send(self, message: Message) -> None:
        """Queue a message; returns at once."""
        with self._changed:
            for older in [one for one in self._waiting if _replaces(message, one)]:
                self._waiting.remove(older)
            full = len(self._waiting) >= WAITING_MAX
            if not full:
                self._waiting.append(message)
                self._changed.notify()
        if full:
            self._delivered(message, "too many messages wait already")
        elif self._thread is None:
            self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Begin no more deliveries. One under way ends with the process."""
        with self._changed:
            self._ending = True
            self._changed.notify()

    def _run(self) -> None:
        while message := self._next():
            problem = self._try(message)
            if not self._ending and problem != "":
                self._delivered(message, problem)

    def _next(self) -> Message | None:
        """The next message, as soon as there is one; None at the end."""
        with self._changed:
            self._changed.wait_for(lambda: self._ending or self._waiting)
            return None if self._ending else self._waiting.popleft()

    def _try(self, message: Message) -> str | None:
        """The problem of the last attempt; "" where there was none before the end or a newer message."""
        problem = ""
        for pause_s in (0.0, *self._pauses_s):
            with self._changed:
                if self._changed.wait_for(lambda: self._ending or self._overtaken(message), pause_s):
                    return problem
            try:
                message.do()
            except Exception as error:  # whatever a library raises: the thread must go on
                problem = str(error) if isinstance(error, DeliveryError) else type(error).__name__
            else:
                return None
        return problem

    def _overtaken(self, message: Message) -> bool:
        return any(_replaces(one, message) for one in self._waiting)


def _replaces(newer: Message, older: Message) -> bool:
    return bool(newer.place) and newer.place == older.place


class _Redirects(urllib.request.HTTPRedirectHandler):
    """A redirect from an address that has moved is an error: urllib follows it with a GET that has no body (RFC 9110
    15.4)."""

    def redirect_request(
        self, req: urllib.request.Request, fp: Any, code: int, msg: str, headers: Any, newurl: str
    ) -> Any:
        if code == 301 or urlsplit(newurl).path == urlsplit(req.full_url).path:  # as from http to https
            return None
        return super().redirect_request(req, fp, code, msg, headers, newurl)


_OPENER = urllib.request.build_opener(_Redirects)


def post(url: str, body: bytes, kind: str) -> None:
    """Send an HTTP POST. DeliveryError if it is not accepted."""
    request = urllib.request.Request(url, body, {"Content-Type": kind, "User-Agent": "gloaming"}, method="POST")
    try:
        with _OPENER.open(request, timeout=TIMEOUT_S) as answer:
            answer.read(4096)
    except urllib.error.HTTPError as error:
        moved = ": it has moved, use its new address" if 300 <= error.code < 400 else ""
        raise DeliveryError(f"it answers {error.code}{moved}") from None
    except (OSError, ValueError, HTTPException) as error:
        reason = getattr(error, "reason", error)
        raise DeliveryError(getattr(reason, "strerror", None) or type(reason).__name__) from None


def run_command(
    command: tuple[str, ...], more: dict[str, str], hidden: tuple[Path, ...] = (), read_only: tuple[Path, ...] = ()
) -> None:
    """Run a command of the board, without a shell, without access to the `hidden` folders; it may read the `read_only`
    ones. DeliveryError if it fails.

    It ends when the command itself ends, even if the command leaves processes behind. The error has the last line of
    the command's stderr.
    """
    try:
        process = subprocess.Popen(
            hidden_folders.command(hidden, read_only, command) if hidden or read_only else command,
            bufsize=0,
            env={**os.environ, **more},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        raise DeliveryError(f"{command[0]}: {getattr(error, 'strerror', None) or error}") from None
    with process:
        assert process.stderr
        os.set_blocking(process.stderr.fileno(), False)
        stderr, until_s, code = b"", time.monotonic() + COMMAND_S, None
        while code is None:
            if time.monotonic() > until_s:
                os.killpg(process.pid, signal.SIGKILL)
                raise DeliveryError(f"{command[0]} took longer than {COMMAND_S:.0f} s")
            time.sleep(LOOK_S)
            code = process.poll()
            stderr = (stderr + (process.stderr.read(1 << 16) or b""))[-STDERR_BYTES:]
    if code:
        lines = stderr.decode(errors="replace").strip().splitlines()
        raise DeliveryError(f"{command[0]} ended with {code}{': ' + lines[-1][:200] if lines else ''}")


def load_mqtt() -> None:
    """Load the library that MQTT needs. DeliveryError if it is not there."""
    try:
        import_module("paho.mqtt.client")
    except ImportError:
        raise DeliveryError("MQTT needs the extra: pip install 'gloaming[mqtt]'") from None


def publish(url: str, body: str, retain: bool = True) -> None:
    """Publish a message to `mqtt://[user:password@]host[:port]/topic`, confirmed by the broker (QoS 1). DeliveryError
    if it is not. With `retain`, the broker hands it to who comes later (MQTT 3.1.1, 3.3.1.3)."""
    load_mqtt()
    from paho.mqtt import MQTTException
    from paho.mqtt import client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    broker, topic = broker_and_topic(url)
    refused: list[str] = []

    def connected(client: object, about: object, flags: object, reason: Any, more: object) -> None:
        if reason.is_failure:
            refused.append(f"{reason}")

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = connected
    client.connect_timeout = TIMEOUT_S
    try:
        if broker.user:
            client.username_pw_set(broker.user, broker.password)
        if broker.tls:
            client.tls_set()
        client.connect(broker.host, broker.port)
        sent = client.publish(topic, body, qos=1, retain=retain)
        client.loop_start()
        sent.wait_for_publish(TIMEOUT_S)  # paho's own helper has no timeout
        if not sent.is_published():
            raise DeliveryError(refused[-1] if refused else "the broker does not answer")
    except (OSError, ValueError, RuntimeError, MQTTException) as error:
        raise DeliveryError(getattr(error, "strerror", None) or type(error).__name__) from None
    finally:
        client.disconnect()
        client.loop_stop()


def notify_by_apprise(url: str, title: str, text: str) -> None:
    """Send a message to any service that apprise knows. DeliveryError if it is not accepted."""
    try:
        import apprise

        logging.getLogger("apprise").setLevel(logging.CRITICAL)  # its log has addresses with secrets
    except ImportError:
        raise DeliveryError("this address needs the extra: pip install 'gloaming[alerts]'") from None
    sender = apprise.Apprise()
    if not sender.add(url):
        raise DeliveryError("apprise does not know this kind of address")
    if not sender.notify(title=title, body=text):
        raise DeliveryError("the service did not accept the message")
