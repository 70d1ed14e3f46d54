"""The tables of site.toml that send something outside: alerts and hooks. Values only."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Annotated, ClassVar, Literal
from urllib.parse import unquote, urlsplit

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from gloaming.daemon.site.placeholders import NAMES, stands_in, unknown
from gloaming.daemon.site.schema_rules import AnyHours, Length
from gloaming.shows.config_files.checking import PRIVATE, Table
from gloaming.shows.config_files.errors import WrongValueError
from gloaming.shows.config_files.known_names import instead

FURTHEST_NS = 6 * 3_600_000_000_000
Kind = Literal[
    "frames",
    "sound",
    "network",
    "controller",
    "score",
    "transmitter",
    "disk",
    "site",
    "page",
    "certificate",
    "clock",
    "temperature",
    "memory",
    "wear",
    "hook",
    "public",
    "broker",
    "boards",
    "other-source",
    "device",
]


def _read_url(text: object, hint: str = 'as "http://192.0.2.5/hook"') -> str:
    if not isinstance(text, str) or "://" not in text or not text.isprintable() or " " in text:
        raise WrongValueError("this is not an address", hint)
    if text.partition("://")[0] not in ("http", "https", "mqtt", "mqtts"):
        return text  # an address of apprise, which checks the rest
    try:
        parts = urlsplit(text)
        _ = parts.port
    except ValueError:
        raise WrongValueError("this is not an address", hint) from None
    if not parts.hostname:
        raise WrongValueError("the address names no host", hint)
    return text


def read_web(text: object) -> str:
    """The address of a web page, as it is. WrongValueError."""
    url = _read_url(text)
    if urlsplit(url).scheme not in ("http", "https"):
        raise WrongValueError("a url must begin with http:// or https://", 'as "http://192.0.2.5/on"')
    return url


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a broker is, and how to sign in there. Its text has no secret."""

    host: str
    port: int
    tls: bool = False
    user: str = ""
    password: str = field(default="", repr=False)

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"


def broker_and_topic(url: str) -> tuple[Broker, str]:
    """Both parts of an address: `mqtt://[user:password@]host[:port]/topic`, or mqtts."""
    parts = urlsplit(url)
    tls = parts.scheme == "mqtts"
    port = parts.port or (8883 if tls else 1883)
    user, password = unquote(parts.username or ""), unquote(parts.password or "")
    return Broker(parts.hostname or "", port, tls, user, password), unquote(parts.path.lstrip("/"))


def _read_mqtt(text: object) -> str:
    """The address of a broker and of one topic: a shared or wildcard subscription is several (MQTT 5.0, 4.7, 4.8.2)."""
    hint = 'as "mqtt://192.0.2.5/lights"'
    url = _read_url(text, hint)
    topic = unquote(urlsplit(url).path).strip("/")
    several = topic.startswith("$share/") or "+" in topic or "#" in topic + url
    if urlsplit(url).scheme not in ("mqtt", "mqtts") or not topic or not topic.isprintable() or several:
        raise WrongValueError("this does not name a broker and a topic", hint)
    return url


Topic = Annotated[
    str,
    BeforeValidator(_read_mqtt),
    WithJsonSchema({"type": "string", "pattern": r"^mqtts?://[^/\s]+/[^#+\s]+$"}),
    Field(examples=['"mqtt://192.0.2.5/pier/lights"']),
    PRIVATE,
]


class Alert(Table):
    """Where troubles are reported: once when one has lasted, once when it is over.

    Lengths in ns.
    """

    url: Annotated[str, BeforeValidator(_read_url), Field(examples=['"http://192.0.2.5/hook"']), PRIVATE]
    """A web address that takes a JSON object by POST, or any address of the library apprise."""
    kinds: Annotated[tuple[Kind, ...], Field(min_length=1, examples=['["network", "disk"]'])] | None = None
    """Only troubles of these kinds. Without it, all of them."""
    quiet: Annotated[tuple[AnyHours, ...], Field(examples=['[{ from = "23:00", to = "08:00" }]'])] = ()
    """Hours in which nothing is sent. What is still wrong at their end is sent then."""
    opening: bool = False
    """Sends a message at each opening too: all is well, or what is wrong."""
    after: Annotated[Length, Field(examples=['"5 s"'])] = 5_000_000_000
    """How long a trouble must last before it is sent."""
    over_after: Annotated[Length, Field(examples=['"30 s"'])] = 30_000_000_000
    """How long a trouble must be gone before its end is sent."""


def _read_placeholders(text: object) -> object:
    """A text as it is, unless a word in braces is no placeholder."""
    for word in unknown(text) if isinstance(text, str) else ():
        hint = instead(f"{{{word}}}", [f"{{{name}}}" for name in NAMES])
        raise WrongValueError(f"there is no placeholder {{{word}}}", hint)
    return text


Filled = Annotated[str, BeforeValidator(_read_placeholders)]
"""A text with placeholders."""


class Hook(Table):
    """A message or a command at a moment of the show. It has one of url, command and mqtt.

    Lengths in ns.
    """

    ONE_OF = ("url", "command", "mqtt")
    NEEDS: ClassVar = {"retain": "mqtt"}

    at: Annotated[
        Literal["opening", "closing", "show-begins", "show-ends", "piece-begins", "piece-ends"],
        Field(examples=['"piece-begins"']),
    ]
    """The moment. A closing has none while another show is on, or once the next opening's hook was sent."""
    only: Annotated[tuple[str, ...], Field(min_length=1, examples=['["tide"]'])] | None = None
    """Only for these pieces, with piece-begins and piece-ends; only for these shows, with show-begins and show-ends."""
    before: Annotated[Length, Field(examples=['"10 min"'])] = 0
    """How long before the moment, 6 h at most. What comes by a skip or a call is sent at once."""
    after: Annotated[Length, Field(examples=['"10 min"'])] = 0
    """How long after the moment, 6 h at most. Left out if the piece or show has ended, or is on again, by then."""
    url: Annotated[Filled, BeforeValidator(read_web), Field(examples=['"http://192.0.2.5/on"']), PRIVATE] | None = None
    """A web address. `body` is sent to it by POST."""
    command: (
        Annotated[tuple[Filled, ...], Field(min_length=1, examples=['["/usr/local/bin/relay", "on"]']), PRIVATE] | None
    ) = None
    """A program with its full path, and its arguments. GLOAMING_HOOK has the moment, GLOAMING_BODY the body."""
    mqtt: Topic | None = None
    """An MQTT broker and a topic. `body` is sent to it."""
    retain: Annotated[bool, Field(examples=["false"])] = True
    """With mqtt: the broker keeps the message for who comes later."""
    body: Annotated[Filled, Field(max_length=10_000, examples=['"{title}, then {next_title}"']), PRIVATE] = ""
    """What is sent. Without it, the moment: as text to MQTT, as JSON to a url."""
    board: Annotated[str, Field(examples=['"quay"'])] | None = None
    """Of several boards, the only one that sends it. Without it, one of those in contact."""
    again_at_start: bool = False
    """Sends this hook again after a power cut or a clock set forward, if it was the last one due."""

    @model_validator(mode="after")
    def _one(self) -> Hook:
        if self.before and self.after:
            raise WrongValueError("before and after exclude each other", "give one of them")
        if max(self.before, self.after) > FURTHEST_NS:
            raise WrongValueError("a hook is at most 6 hours from its moment", 'as before = "10 min"')
        if self.only is not None and self.at in ("opening", "closing"):
            raise WrongValueError(f"only has no effect at {self.at}", "leave it out")
        return self

    @model_validator(mode="after")
    def _safe(self) -> Hook:
        """No value decides which program runs, and which host or topic gets a message."""
        command = self.command or ("/",)
        if not command[0].startswith("/"):
            raise WrongValueError("a command needs its full path", 'as command = ["/usr/local/bin/relay", "on"]')
        if any(re.fullmatch("-[a-z]*c", before) and stands_in(text) for before, text in pairwise(command)):
            raise WrongValueError("a shell would run what a title says", 'write "$GLOAMING_TITLE" in place of {title}')
        if stands_in(command[0]) or stands_in(self.mqtt or "") or stands_in(urlsplit(self.url or "").netloc):
            problem = "a placeholder cannot name a program, a host or a topic"
            raise WrongValueError(problem, "placeholders stand in body, in arguments and in the path of url")
        return self

    @property
    def shift_ns(self) -> int:
        """The time from the moment to the hook, negative before it."""
        return self.after - self.before
