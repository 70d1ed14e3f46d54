"""The values of rig.toml: how a person writes them, and what they become. WrongValueError says what is wrong."""

from __future__ import annotations

import re
from ipaddress import ip_address
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from gloaming.shows.config_files.checking import OneLine
from gloaming.shows.config_files.errors import WrongValueError
from gloaming.shows.protocols import ProtocolName, protocol_word
from gloaming.shows.protocols.artnet import port_address
from gloaming.shows.protocols.e131 import UNIVERSE_MAX

UNIVERSES = range(1, UNIVERSE_MAX + 1)
"""E1.31 9.1.1: the universes that carry data."""
MS_NS = 1_000_000
HOST_NAME_MAX = 253
"""RFC 1035 2.3.4: 255 octets on the wire, so 253 characters as a text."""
NO_HOSTS = "multicast", "broadcast"
"""Words that a person writes for a way to send. No controller has such a name."""
_LABEL = "[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?"
_HOST_NAME = re.compile(rf"(?:{_LABEL}\.)*(?![0-9]+$){_LABEL}", re.IGNORECASE | re.ASCII)
"""RFC 952 and RFC 1123 2.1: letters, digits and hyphens; the last label is not a number."""
_SHORT_LENGTH = re.compile(r"(\d{1,4}(?:\.\d+)?) ?ms")


def read_universes(text: object) -> tuple[int, ...]:
    """Universe numbers: 7, "1-24", "1-4,8" or a list of numbers (E1.31 9.1.1: 1 to 63999)."""
    hint = 'as "1-24" or "1-4,8"'
    numbers: list[int] = []
    for part in _parts(text):
        found = re.fullmatch(r"\s*(\d{1,6})(?:\s*-\s*(\d{1,6}))?\s*", part)
        if isinstance(text, bool) or not found:
            raise WrongValueError(f"{text!r} is not a list of universes", hint)
        first, last = int(found[1]), int(found[2] or found[1])
        for number in (first, last):
            if number not in UNIVERSES:
                raise WrongValueError(f"universe {number} does not exist: E1.31 9.1.1 has 1 to 63999", hint)
        if last < first:
            raise WrongValueError(f"{text!r} runs backwards", hint)
        numbers.extend(range(first, last + 1))
    return _once(numbers, f"{text!r} names a universe twice", hint)


def read_port_addresses(text: object) -> tuple[int, ...]:
    """Art-Net port-addresses, in the order of a controller's universes: "0:0:1", 1, "0:0:1-0:0:8,0:1:0" or a list."""
    hint = 'as "0:0:1-0:0:8" (net 0 to 127, sub-net 0 to 15, universe 0 to 15) or "1-8" (numbers 0 to 32767)'
    numbers: list[int] = []
    for part in _parts(text):
        first, to, last = (one.strip() for one in part.partition("-"))
        begin, end = port_address(first), port_address(last if to else first)
        if isinstance(text, bool) or begin is None or end is None:
            raise WrongValueError(f"{part.strip()!r} is not a port-address of Art-Net", hint)
        if end < begin:
            raise WrongValueError(f"{part.strip()!r} runs backwards", hint)
        numbers.extend(range(begin, end + 1))
    return _once(numbers, f"{text!r} names a port-address twice", hint)


def _parts(text: object) -> list[str]:
    """The parts of a list, or of a text with commas."""
    return [str(part) for part in text] if isinstance(text, list) else str(text).split(",")


def _once(numbers: list[int], problem: str, hint: str) -> tuple[int, ...]:
    if len(set(numbers)) != len(numbers):
        raise WrongValueError(problem, hint)
    return tuple(numbers)


def read_protocol(text: object) -> ProtocolName:
    """A protocol as rig.toml writes it, or as the page of a controller does: "Art-Net", "DDP", "E1.31", "sACN"."""
    word = protocol_word(str(text))
    if word not in tuple(ProtocolName):
        raise WrongValueError(f"{text!r} is not a protocol", 'as "e131" (E1.31, streaming ACN), "artnet" or "ddp"')
    return ProtocolName(word)


def read_short_length(text: object) -> int:
    """A length of 0 to 1000 ms, in nanoseconds."""
    found = _SHORT_LENGTH.fullmatch(text) if isinstance(text, str) else None
    if not found or float(found[1]) > 1000:
        raise WrongValueError(f"{text!r} is not a length from 0 to 1000 ms", 'as "4 ms"')
    return round(float(found[1]) * MS_NS)


def read_order(text: str) -> str:
    """The colours of a pixel: three or four of R, G, B and W, once each; W; RGBWA or RGBWW in any order."""
    letters = "".join(sorted(text))
    mixed = len(text) in (3, 4) and len(set(text)) == len(text) and set(text) <= set("RGBW")
    if not mixed and letters not in ("W", "ABGRW", "BGRWW"):
        problem = f"{text!r} is not an order of colours"
        raise WrongValueError(problem, 'as "GRB": three or four of R, G, B, W, once each; W alone; RGBWA or RGBWW')
    return text


def is_ip_address(text: str) -> bool:
    """Whether a host is given by its address. Otherwise the text is a host name."""
    try:
        ip_address(text)
    except ValueError:
        return False
    return True


def read_host(text: str) -> str:
    """An IP address, or a host name in lower case. The planner looks names up."""
    if text.lower() in NO_HOSTS or (is_ip_address(text) and not is_of_one_host(text)):
        hint = "leave host out for multicast; with Art-Net write broadcast = true for broadcast"
        raise WrongValueError(f"{text!r} is not the address of one controller", hint)
    if not is_ip_address(text):
        if len(text) > HOST_NAME_MAX or not _HOST_NAME.fullmatch(text):
            raise WrongValueError(f"{text!r} is not an IP address or a host name", 'as "192.0.2.21" or "left.lan"')
        return text.lower()
    if "%" in text:
        raise WrongValueError(
            f"{text!r} names an interface", "leave out % and what follows: [output] has the interface"
        )
    return str(ip_address(text))


def is_loopback(host: str) -> bool:
    """Whether a host is this machine itself, by its address."""
    return is_ip_address(host) and ip_address(host).is_loopback


def is_of_one_host(address: str) -> bool:
    """Whether packets to an IP address reach one host."""
    found = ip_address(address)
    return not (found.is_multicast or found.is_unspecified or found == ip_address("255.255.255.255"))


Host = Annotated[str, AfterValidator(read_host), Field(min_length=1, examples=['"192.0.2.21"'])]
WrittenProtocol = Annotated[
    ProtocolName,
    BeforeValidator(read_protocol),
    WithJsonSchema({"type": "string", "enum": [*ProtocolName]}),
    Field(examples=['"artnet"']),
]
Universes = Annotated[
    tuple[int, ...],
    BeforeValidator(read_universes),
    WithJsonSchema({"type": ["string", "integer", "array"], "title": "universes"}),
    Field(examples=['"1-24"']),
]
PortAddresses = Annotated[
    tuple[int, ...],
    BeforeValidator(read_port_addresses),
    WithJsonSchema({"type": ["string", "integer", "array"], "title": "port-addresses"}),
    Field(examples=['"0:0:1-0:0:8"']),
]
ShortLength = Annotated[
    int,
    BeforeValidator(read_short_length),
    WithJsonSchema({"type": "string", "title": "length in ms", "pattern": f"^{_SHORT_LENGTH.pattern}$"}),
    Field(examples=['"4 ms"']),
]
Name = Annotated[OneLine, Field(min_length=1, max_length=60, examples=['"left"'])]
Metres = Annotated[float, Field(ge=-10_000, le=10_000)]
Point = tuple[Metres, Metres]
PixelNumber = Annotated[int, Field(ge=1, le=100_000)]
Order = Annotated[
    str,
    AfterValidator(read_order),
    WithJsonSchema({"type": "string", "title": "letters", "pattern": "^[RGBWA]{1,5}$"}),
    Field(examples=['"GRB"']),
]
