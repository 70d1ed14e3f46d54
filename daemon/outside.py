"""Speaking to the world outside without ever waiting for it: one thread each, tries with growing pauses, and bounds."""

from __future__ import annotations

import logging
import os
import queue
import subprocess
import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import unquote, urlsplit

TIMEOUT_S = 10.0
COMMAND_S = 30.0
PAUSES_S = (1.0, 5.0, 20.0, 60.0)
"""Between the tries: five in all, over a minute and a half."""
WAITING_MAX = 100
"""More than this many messages to one place are not kept; the newest are dropped, and said to have failed."""


class OutsideError(Exception):
    """What was said outside did not arrive, in words without a secret."""


@dataclass(frozen=True, slots=True)
class Message:
    """Something to be done outside, under a name for the journal; `do` raises OutsideError."""

    name: str
    do: Callable[[], None]


class Messenger:
    """Does one thing after the other in a thread of its own. `told(message, wrong)`, wrong None when it is done, is
    called from that thread."""

    def __init__(
        self, told: Callable[[Message, str | None], None], pauses_s: tuple[float, ...] = PAUSES_S, name: str = "outside"
    ) -> None:
        self._told, self._pauses_s = told, pauses_s
        self._queue: queue.Queue[Message] = queue.Queue(WAITING_MAX)
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._name = name

    def send(self, message: Message) -> None:
        """Have it done; returns at once."""
        try:
            self._queue.put_nowait(message)
        except queue.Full:
            self._told(message, "too much waits already")
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Begin nothing more; what is under way ends with the process."""
        self._ending.set()

    def _run(self) -> None:
        while not self._ending.is_set():
            try:
                message = self._queue.get(timeout=1.0)
            except queue.Empty:
                continue
            wrong = self._try(message)
            if not self._ending.is_set():
                self._told(message, wrong)

    def _try(self, message: Message) -> str | None:
        wrong = ""
        for pause_s in (0.0, *self._pauses_s):
            if self._ending.wait(pause_s):
                return wrong
            try:
                message.do()
            except OutsideError as error:
                wrong = str(error)
            else:
                return None
        return wrong


def place_of(url: str) -> str:
    """An address without what may be secret in it: scheme and host."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.hostname or '...'}"


def post(url: str, body: bytes, kind: str) -> None:
    """An HTTP POST. OutsideError where it is not taken."""
    request = urllib.request.Request(url, body, {"Content-Type": kind, "User-Agent": "gloaming"}, method="POST")
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:
            answer.read(4096)
    except urllib.error.HTTPError as error:
        raise OutsideError(f"{place_of(url)} answers {error.code}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        raise OutsideError(f"{place_of(url)}: {getattr(reason, 'strerror', None) or type(reason).__name__}") from None


def run_command(command: tuple[str, ...], more: dict[str, str]) -> None:
    """A command of the board, with its words as they stand, no shell. OutsideError where it fails."""
    try:
        done = subprocess.run(
            command,
            env={**os.environ, **more},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=COMMAND_S,
            check=False,
        )
    except (OSError, ValueError) as error:
        raise OutsideError(f"{command[0]}: {getattr(error, 'strerror', None) or error}") from None
    except subprocess.TimeoutExpired:
        raise OutsideError(f"{command[0]} took longer than {COMMAND_S:.0f} s") from None
    if done.returncode:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise OutsideError(f"{command[0]} ended with {done.returncode}{': ' + said[-1][:200] if said else ''}")


def publish(url: str, body: str) -> None:
    """One retained message to `mqtt://[user:password@]host[:port]/topic`, confirmed by the broker (QoS 1)."""
    try:
        from paho.mqtt import MQTTException
        from paho.mqtt import publish as mqtt
    except ImportError:
        raise OutsideError("MQTT needs the extra: pip install 'gloaming[mqtt]'") from None
    parts = urlsplit(url)
    auth = {"username": unquote(parts.username), "password": unquote(parts.password or "")} if parts.username else None
    try:
        mqtt.single(
            unquote(parts.path.lstrip("/")),
            body,
            qos=1,
            retain=True,
            hostname=parts.hostname or "",
            port=parts.port or (8883 if parts.scheme == "mqtts" else 1883),
            auth=auth,  # type: ignore[arg-type]  # paho names the type by a class of its own
            tls={} if parts.scheme == "mqtts" else None,  # type: ignore[arg-type]  # as above
        )
    except (OSError, ValueError, MQTTException) as error:
        raise OutsideError(f"{place_of(url)}: {getattr(error, 'strerror', None) or type(error).__name__}") from None


def notify_by_apprise(url: str, title: str, text: str) -> None:
    """A message to any service that apprise knows. OutsideError where it is not taken."""
    try:
        import apprise

        logging.getLogger("apprise").setLevel(logging.CRITICAL)  # its lines would hold addresses with their secrets
    except ImportError:
        raise OutsideError("this address needs the extra: pip install 'gloaming[alerts]'") from None
    sender = apprise.Apprise()
    if not sender.add(url):
        raise OutsideError(f"{place_of(url)}: apprise does not know such an address")
    if not sender.notify(title=title, body=text):
        raise OutsideError(f"{place_of(url)} does not take it")
